"""Rates of many shifts: the ratio of two sums, never the mean of ratios.

R = Σ amount / Σ per

A mean of the shifts' own rates counts an hour of a short shift for more than an hour of a long one,
and can even turn round which of two crews did more. Shifts, not minutes, are what is drawn anew for
an interval, and rows that share a cluster (a shift, a day) stay together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Fewer clusters than this are not drawn anew: the linearised error and Student's t are used.
LEAST_CLUSTERS = 6
#: A studentised quantile is at most so many times Student's t.
_MOST_T = 2.0
#: Draws of a bootstrap are taken in pieces of so many numbers.
_PIECE = 4_000_000


@dataclass(frozen=True)
class Ratio:
    """A ratio of sums with its interval.

    Parameters
    ----------
    value : float
        Σ amount / Σ per.
    low, high : float or None
        The interval; ``None`` where there are fewer than two clusters.
    clusters : int
        What was drawn anew: shifts or days.
    how : str
        ``bootstrap``, ``t`` (too few clusters to draw from), or empty: no interval.
    """

    value: float
    low: float | None
    high: float | None
    clusters: int
    how: str


def linearised_se(amount: npt.ArrayLike, per: npt.ArrayLike) -> float:
    """Standard error of a ratio of sums over independent clusters.

    se = sqrt(Σ (a - R h)² / (n (n - 1))) / mean(h)

    Parameters
    ----------
    amount, per : array_like, shape (n,)
        Sums of each cluster.

    Returns
    -------
    float
        NaN for fewer than two clusters.

    Examples
    --------
    >>> area = [62, 71, 55, 80, 66, 74, 58, 69]
    >>> hours = [4.1, 4.6, 3.9, 5.2, 4.0, 5.0, 4.2, 4.4]
    >>> round(linearised_se(area, hours), 5)
    0.28519

    References
    ----------
    Cochran 1977, Sampling Techniques, 3rd ed., chapter 6 (the ratio estimator).
    """
    a, h = np.asarray(amount, dtype=np.float64), np.asarray(per, dtype=np.float64)
    n = a.size
    if n < 2:
        return float("nan")
    off = a - a.sum() / h.sum() * h
    return float(np.sqrt(np.sum(off**2) / (n * (n - 1))) / h.mean())


def cluster_sums(values: Floats, clusters: npt.NDArray[np.int64]) -> Floats:
    """Sums by cluster, clusters numbered from 0 without a hole."""
    return np.asarray(np.bincount(clusters, weights=values), dtype=np.float64)


def bootstrap_ratios(
    amount: npt.ArrayLike, per: npt.ArrayLike, draws: int, seed: int
) -> tuple[Floats, Floats]:
    """Ratios of sums over clusters drawn anew with replacement, and the linearised error of each.

    Parameters
    ----------
    amount, per : array_like, shape (n,)
        Sums of each cluster, at least two.
    draws : int
        How many.
    seed : int
        Of the random numbers.

    Returns
    -------
    (ndarray, ndarray), each of shape (draws,)
        Ratios, and their errors (nought where one cluster was drawn n times).
    """
    a, h = np.asarray(amount, dtype=np.float64), np.asarray(per, dtype=np.float64)
    n = a.size
    moments = np.stack([a, h, a * a, a * h, h * h], axis=1)
    rng = np.random.default_rng(seed)
    sums = np.empty((draws, 5))
    step = max(1, _PIECE // n)
    for begin in range(0, draws, step):
        end = min(begin + step, draws)
        sums[begin:end] = moments[rng.integers(0, n, (end - begin, n))].sum(axis=1)
    ratio = sums[:, 0] / sums[:, 1]
    squares = sums[:, 2] - 2.0 * ratio * sums[:, 3] + ratio**2 * sums[:, 4]
    error = np.sqrt(np.maximum(squares, 0.0) / (n * (n - 1))) / (sums[:, 1] / n)
    return ratio, error


def ratio_of_sums(
    amount: npt.ArrayLike,
    per: npt.ArrayLike,
    clusters: npt.ArrayLike | None = None,
    level: float = 0.90,
    draws: int = 2000,
    seed: int = 0,
    least_clusters: int = LEAST_CLUSTERS,
) -> Ratio:
    """A ratio of sums with an interval from clusters drawn anew.

    The bootstrap is studentised on the logarithm of the ratio: with a handful of shifts plain
    percentiles are too narrow.

    Parameters
    ----------
    amount, per : array_like, shape (n,)
        Of each row, amounts not negative and ``per`` positive.
    clusters : array_like of int, shape (n,), optional
        Rows of the same number stay together; by default each row is its own cluster.
    level : float
        Of the interval.
    draws : int
        Of the bootstrap.
    seed : int
        Of the random numbers.
    least_clusters : int
        Under this the interval is R exp(± t se/R) with one degree of freedom less than clusters.

    Returns
    -------
    Ratio
        In the units of ``amount`` over ``per``.

    Raises
    ------
    ValueError
        There are no rows, or ``per`` is not positive.

    Examples
    --------
    The mean of the three ratios would say 31.7:

    >>> round(ratio_of_sums([120.0, 40.0, 15.0], [6.0, 1.6, 0.3]).value, 3)
    22.152

    References
    ----------
    Efron and Tibshirani 1993, An Introduction to the Bootstrap, 12.5 (bootstrap-t), from memory.
    """
    a, h = np.asarray(amount, dtype=np.float64), np.asarray(per, dtype=np.float64)
    if a.size == 0 or np.any(h <= 0.0) or np.any(a < 0.0):
        raise ValueError("a ratio needs rows, amounts that are not negative, and a positive per")
    if clusters is not None:
        _, numbers = np.unique(np.asarray(clusters), return_inverse=True)
        a, h = cluster_sums(a, numbers), cluster_sums(h, numbers)
    n, value = a.size, float(a.sum() / h.sum())
    error = linearised_se(a, h)
    if n < 2 or value <= 0.0:
        return Ratio(value, None, None, n, "")
    relative = error / value
    if n < least_clusters or relative == 0.0:
        half = _student_t(0.5 + level / 2.0, n - 1) * relative
        return Ratio(value, value * np.exp(-half), value * np.exp(half), n, "t")
    drawn, drawn_error = bootstrap_ratios(a, h, draws, seed)
    good = (drawn > 0.0) & (drawn_error > 0.05 * error)
    studentised = np.log(drawn[good] / value) / (drawn_error[good] / drawn[good])
    # One wild shift among few makes a draw without it look endlessly sure: tails are bounded.
    most = _MOST_T * _student_t(0.5 + level / 2.0, n - 1)
    ends = np.quantile(studentised, [0.5 + level / 2.0, 0.5 - level / 2.0])
    upper, lower = np.clip(ends, -most, most)
    return Ratio(
        value, float(value * np.exp(-upper * relative)), float(value * np.exp(-lower * relative)),
        n, "bootstrap",
    )  # fmt: skip


def _student_t(probability: float, freedom: int) -> float:
    from scipy.special import stdtrit  # type: ignore[import-untyped]

    return float(stdtrit(freedom, probability))
