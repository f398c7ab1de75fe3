"""A Weibull life, fitted to lives that are known between two uses, with what it says of a use.

References
----------
IEC 61649 (Weibull analysis, from memory): two parameters, censored data by maximum likelihood.
J. Burridge, "A note on maximum likelihood estimation for regression models using grouped data",
J. R. Stat. Soc. B 43 (1981) 41-45 (from memory): the likelihood is concave in (beta, beta ln eta).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

#: Fewer parts found worn than this tell nothing that should be acted on. Chosen by trials (hoses
#: checked every 40 h or so, ``tests/analytics/test_lifetimes.py``): with six, the 90 % interval of
#: how many of 100 are worn at a check is some 50 wide and still holds the truth as often as it
#: says; with four it is 60 wide and more, in one trial of four there is no fit, and the shape is
#: known to a factor of ten only.
FEWEST_WORN = 6

#: Share of cases in which an interval holds the truth.
LEVEL = 0.90

#: Shapes outside of this are no wear that anybody has seen: the records do not tell the shape.
_SHAPES = (0.15, 30.0)

#: Directions in which the edge of the likelihood's region is looked for.
_DIRECTIONS = 96


@dataclass(frozen=True)
class TooFew:
    """Why nothing is said of a life.

    Parameters
    ----------
    lives, worn : int
        Parts of which something is known, and those of them that were found worn.
    reason : str
        A sentence.
    """

    lives: int
    worn: int
    reason: str


@dataclass(frozen=True)
class WeibullLife:
    """A fitted life: ``S(t) = exp(-(t / eta)^beta)``.

    Parameters
    ----------
    beta : float
        Shape; above 1: the longer it is on, the more likely it wears out next. [-]
    eta : float
        Scale, by which 63 of 100 are worn. [unit of the axis]
    log_likelihood : float
        At the maximum.
    lives, worn : int
        Parts of which something is known, and those of them that were found worn.
    edge_beta, edge_gamma : ndarray of float64, shape (n,)
        The edge of all pairs (beta, gamma = beta ln eta) whose log-likelihood is within
        :func:`drop` of the maximum: what the intervals are read from (profile likelihood, 90 %).
    """

    beta: float
    eta: float
    log_likelihood: float
    lives: int
    worn: int
    edge_beta: Floats
    edge_gamma: Floats

    def _good_at(self, use: Floats) -> Floats:
        """Share still good at each use, for the estimate (last) and all along the edge."""
        beta = np.append(self.edge_beta, self.beta)
        gamma = np.append(self.edge_gamma, self.beta * np.log(self.eta))
        with np.errstate(divide="ignore", over="ignore"):
            return np.asarray(np.exp(-np.exp(beta * np.log(use)[..., None] - gamma)))

    def worn_by(self, use: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Share worn by a use, with the ends of its 90 % interval.

        Parameters
        ----------
        use : array_like of float, shape (n,)
            [unit of the axis]

        Returns
        -------
        tuple of ndarray, shape (n,) each
            Share, low, high. [-]
        """
        worn = 1.0 - self._good_at(np.atleast_1d(np.asarray(use, dtype=np.float64)))
        return worn[:, -1], worn.min(axis=1), worn.max(axis=1)

    def use_at(self, share: float) -> tuple[float, float, float]:
        """Use by which a share is worn, with its 90 % interval. [unit of the axis]

        Examples
        --------
        >>> life = WeibullLife(2.0, 100.0, 0.0, 9, 9, np.array([2.0]), np.array([9.2103]))
        >>> round(life.use_at(0.5)[0], 2)
        83.26
        """
        hazard = -np.log1p(-share)
        with np.errstate(over="ignore"):
            edge = np.exp((np.log(hazard) + self.edge_gamma) / self.edge_beta)
        return float(self.eta * hazard ** (1.0 / self.beta)), float(edge.min()), float(edge.max())

    def mean(self) -> float:
        """Mean life. [unit of the axis]"""
        from scipy.special import gamma  # type: ignore[import-untyped]

        return float(self.eta * gamma(1.0 + 1.0 / self.beta))

    def shape(self) -> tuple[float, float, float]:
        """The shape with its 90 % interval. [-]"""
        return self.beta, float(self.edge_beta.min()), float(self.edge_beta.max())

    def scale(self) -> tuple[float, float, float]:
        """The scale, by which 63 of 100 are worn, with its 90 % interval. [unit of the axis]"""
        return self.use_at(-float(np.expm1(-1.0)))

    def worn_at_second(self, every: float) -> tuple[float, float, float]:
        """Of the parts good after one interval, the share worn after the next: share, low, high."""
        good = self._good_at(np.array([every, 2.0 * every]))
        with np.errstate(invalid="ignore"):
            worn = np.where(good[0] > 0, 1.0 - good[1] / good[0], 1.0)
        return float(worn[-1]), float(worn.min()), float(worn.max())

    def worn_in_use(self, every: float) -> tuple[float, float, float]:
        """Mean use of a part while it is worn and nobody knows, where it is checked so often.

        The mean of what is left of the interval at the moment of wearing out, the sum over all
        intervals of the integral of ``S(begin) - S(t)``.

        Parameters
        ----------
        every : float
            Interval of the checks. [unit of the axis]

        Returns
        -------
        tuple of float
            Mean, low, high; 90 % interval. [unit of the axis]
        """
        # Eight points an interval, up to where the estimate leaves one in a million good.
        last = int(min(np.ceil(self.eta * 13.8 ** (1.0 / self.beta) / every), 500)) + 1
        points, weights = np.polynomial.legendre.leggauss(8)
        begin = np.arange(last + 1, dtype=np.float64) * every
        at = np.asarray(begin[:-1, None] + 0.5 * every * (1.0 + points), dtype=np.float64)
        good = self._good_at(begin)
        lost = good[:-1] - np.einsum("kpe,p->ke", self._good_at(at), 0.5 * weights)
        # The few that last longer wear out anywhere between two checks.
        waited = every * lost.sum(axis=0) + 0.5 * every * good[-1]
        return float(waited[-1]), float(waited.min()), float(waited.max())


def _log_likelihood(beta: Floats, gamma: Floats, low: Floats, high: Floats) -> Floats:
    """Log-likelihood of each pair, ``gamma = beta ln eta``: concave in the two.

    A life lies in ``(low, high]``; ``high`` infinite: not found worn; both alike: known exactly.
    """
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        ln_low, ln_high = np.log(low), np.log(high)
        b, g = beta[:, None], gamma[:, None]
        spent_low = np.where(low > 0, np.exp(b * ln_low - g), 0.0)
        between = np.where(np.isfinite(high), np.exp(b * ln_high - g), np.inf) - spent_low
        interval = -spent_low + np.log(-np.expm1(-between))
        exact = np.log(b) - ln_low + (b * ln_low - g) - spent_low
    total = np.where(low == high, exact, interval).sum(axis=1)
    return np.asarray(np.where((beta > 0) & ~np.isnan(total), total, -np.inf))


def fit(low: npt.ArrayLike, high: npt.ArrayLike, fewest: int = FEWEST_WORN) -> WeibullLife | TooFew:
    """Fit a Weibull life to lives that are known between two uses.

    Maximum likelihood; the intervals are those of the profile likelihood, read off the edge of the
    region in which the log-likelihood lies within :func:`drop` of its maximum. (Fits of censored
    data in scipy and lifelines give the same estimate, and no such intervals.) The region is
    convex, for the likelihood is concave, and the logarithm of
    the cumulative hazard at a use is linear in the two parameters: its extremes lie on that edge.

    Parameters
    ----------
    low, high : array_like of float, shape (n,)
        A life lies in ``(low, high]``; ``high`` infinite or NaN: not found worn; both alike:
        known exactly. Lives with ``low`` 0 that were not found worn say nothing. [unit of the axis]
    fewest : int
        Found worn: with fewer there is no fit.

    Returns
    -------
    WeibullLife or TooFew

    Raises
    ------
    ValueError
        A life ends before it begins, or is negative.

    Examples
    --------
    >>> found = fit([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [500] * 10,
    ...             [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + [float("inf")] * 10)
    >>> round(found.eta, 2), round(found.beta, 4)
    (606.53, 1.7208)
    """
    from scipy import optimize  # type: ignore[import-untyped]

    begin = np.asarray(low, dtype=np.float64)
    end = np.where(np.isnan(high), np.inf, np.asarray(high, dtype=np.float64))
    if np.any(begin < 0) or np.any(end < begin) or np.any(end <= 0):
        raise ValueError("a life ends before it begins, or has no length")
    tells = (begin > 0) | np.isfinite(end)
    begin, end = begin[tells], end[tells]
    worn = int(np.isfinite(end).sum())
    known = int(begin.size)
    if worn < fewest:
        return TooFew(
            known,
            worn,
            f"{worn or 'None'} of {known} found worn so far; it takes {fewest} to learn from.",
        )
    if begin.max() < end.min():
        return TooFew(
            known, worn,
            "All may have worn out after the same use: the checks do not tell early from late.",
        )  # fmt: skip
    unit = float(np.median(np.where(np.isfinite(end), 0.5 * (begin + end), begin)))
    begin, end = begin / unit, end / unit

    def cost(pair: Floats) -> float:
        return -float(_log_likelihood(pair[:1], pair[1:], begin, end)[0])

    found = optimize.minimize(
        cost, np.array([1.5, 0.0]), method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000},
    )  # fmt: skip
    middle, best = np.asarray(found.x), -float(found.fun)
    beta = float(middle[0])
    if not _SHAPES[0] < beta < _SHAPES[1]:
        return TooFew(known, worn, "The records do not tell the shape of the life yet.")
    edge = _edge(middle, best, begin, end)
    if edge is None:
        return TooFew(known, worn, "The records leave the shape of the life wide open.")
    exact = int((begin == end).sum())
    return WeibullLife(
        beta=beta,
        eta=float(unit * np.exp(middle[1] / beta)),
        log_likelihood=best - exact * float(np.log(unit)),
        lives=known,
        worn=worn,
        edge_beta=edge[:, 0],
        edge_gamma=edge[:, 1] + edge[:, 0] * float(np.log(unit)),
    )


def drop(worn: int) -> float:
    """How far the log-likelihood may lie under its maximum within a 90 % interval.

    Half the 90 % point of F with 1 and ``worn - 1`` degrees of freedom. With many found worn that
    is chi-squared's, 1.353; with few it is more, for the likelihood's own interval is then too
    narrow: by trials with six to ten worn it held the true shape 80 to 90 times in 100, and this
    one 86 to 98 times.

    Examples
    --------
    >>> round(drop(6), 3), round(drop(10_000), 3)
    (2.03, 1.353)
    """
    from scipy import stats

    return 0.5 * float(stats.f.ppf(LEVEL, 1, worn - 1))


def _edge(middle: Floats, best: float, low: Floats, high: Floats) -> Floats | None:
    """Points of the edge of the region, shape (directions, 2); ``None``: it has no edge."""
    deep = drop(int(np.isfinite(high).sum()))

    def height(points: Floats) -> Floats:
        return _log_likelihood(points[:, 0], points[:, 1], low, high) - best

    # Steps in which the region is about round: from the curvature at the maximum.
    step = 1e-3 * np.maximum(np.abs(middle), 0.1)
    shifts = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)], dtype=np.float64)
    h = height(middle + shifts * step).reshape(3, 3)
    curvature = -np.array(
        [
            [h[2, 1] + h[0, 1] - 2 * h[1, 1], (h[2, 2] + h[0, 0] - h[2, 0] - h[0, 2]) / 4],
            [(h[2, 2] + h[0, 0] - h[2, 0] - h[0, 2]) / 4, h[1, 2] + h[1, 0] - 2 * h[1, 1]],
        ]
    ) / np.outer(step, step)
    try:
        root = np.linalg.cholesky(np.linalg.inv(curvature))
    except np.linalg.LinAlgError:
        return None
    turn = np.linspace(0.0, 2.0 * np.pi, _DIRECTIONS, endpoint=False)
    rays = np.stack((np.cos(turn), np.sin(turn)), axis=1) @ root.T
    inside, outside = np.zeros(turn.size), np.ones(turn.size)
    for _ in range(40):
        within = height(middle + outside[:, None] * rays) > -deep
        if not within.any():
            break
        inside = np.where(within, outside, inside)
        outside = np.where(within, 2.0 * outside, outside)
    else:
        return None
    for _ in range(24):
        half = 0.5 * (inside + outside)
        within = height(middle + half[:, None] * rays) > -deep
        inside, outside = np.where(within, half, inside), np.where(within, outside, half)
    return np.asarray(middle + inside[:, None] * rays)


#: A life's curve, to be drawn and to be kept.
CURVE_SCHEMA: dict[str, Any] = {
    "use": pl.Float64,
    "worn_share": pl.Float64,
    "worn_share_low": pl.Float64,
    "worn_share_high": pl.Float64,
}


def curve(life: WeibullLife, to_use: float, points: int = 81) -> pl.DataFrame:
    """Share worn by each use from 0 to ``to_use``, with its 90 % interval: ``CURVE_SCHEMA``."""
    use = np.linspace(0.0, to_use, points)
    share, low, high = life.worn_by(use)
    return pl.DataFrame(
        {"use": use, "worn_share": share, "worn_share_low": low, "worn_share_high": high},
        schema=CURVE_SCHEMA,
    )
