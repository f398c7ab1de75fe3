"""How long parts last: a Weibull life from the yard's own records, what is not known left open.

Nobody sees a hose wear out. A check finds it worn, so the moment lies somewhere between the last
check that found it good and this one: an interval, not an instant. A part that is on, or that came
off for another reason, is known to have been good up to its last good check, and no more is known.
Both go into the likelihood as they are; nothing is rounded to the check.

A life never stretches a limit. What is learned here may propose to check sooner
(:func:`tighter`), and cannot say anything else.

References
----------
IEC 61649 (Weibull analysis, from memory): two parameters, censored data by maximum likelihood.
J. Burridge, "A note on maximum likelihood estimation for regression models using grouped data",
J. R. Stat. Soc. B 43 (1981) 41-45 (from memory): the likelihood is concave in (beta, beta ln eta).
"""

from __future__ import annotations

from collections.abc import Sequence
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

#: A check finding more worn parts than this share, at the low end of its interval, is late. No
#: source: one in ten is what this project takes for too many.
TOLERATED = 0.10

#: Shorter intervals that are looked at, as shares of the limit: of 40 h they are 30, 25 and 20 h.
SHORTER = (0.75, 0.625, 0.5)

#: What is known of each part's life.
LIFE_SCHEMA: dict[str, Any] = {
    "part": pl.String,
    "position": pl.String,  # where it is, or was last
    "pot": pl.String,
    "part_id": pl.String,
    "tag": pl.String,
    "fitted_at": pl.Datetime("us"),
    "ending": pl.String,  # worn, replaced, failed: as it was found; good: not found worn
    "found_at": pl.Datetime("us"),  # when it was found so; NULL: it was not
    "good_blast_h": pl.Float64,  # use at its last good check before that; 0: none
    "worn_blast_h": pl.Float64,  # use when found worn; NULL: not found worn
    "good_cycles": pl.Float64,
    "worn_cycles": pl.Float64,
}

#: How a life is told to have ended.
NOT_GOOD = ("worn", "replaced", "failed")

#: Axis -> the columns of a life that hold it.
AXES = {"blast_h": ("good_blast_h", "worn_blast_h"), "cycles": ("good_cycles", "worn_cycles")}

_US_PER_H = 3.6e9


def lives(stays: pl.DataFrame, checks: pl.DataFrame) -> pl.DataFrame:
    """What the records tell of each part's life.

    The first check that is not good ends a life, at a use between that of the last good check
    before it and its own, also where it *failed* in use and so called for the check itself. So
    does taking it off as worn or failed. *Replaced* at a check counts as worn, for that is why a
    check ends so; a part that was exchanged without a check, or taken off for another reason, is
    known good up to its last good check only. Use since then says nothing: it may be worn already.

    Where data are missing, the last good check counts with the low figure and what found it worn
    with the high one, so that the truth lies between. Parts whose fitting nobody entered have an
    age that nobody knows, and are left out.

    Parameters
    ----------
    stays : polars.DataFrame
        ``analytics.parts_usage.STAY_SCHEMA``.
    checks : polars.DataFrame
        ``analytics.parts_usage.CHECK_SCHEMA``.

    Returns
    -------
    polars.DataFrame
        ``LIFE_SCHEMA``, by part and fitting.
    """
    key = ["part", "part_id"]
    parts = (
        stays.sort("from_at")
        .group_by(key, maintain_order=True)
        .agg(
            pl.col("basis").first(),
            pl.col("position", "pot", "tag", "to_at", "because").last(),
            pl.col("blast_high_us", "cycles_high").sum(),
            fitted_at=pl.col("from_at").first(),
        )
        .filter(pl.col("basis") == "fitted")
    )
    used = [
        pl.col("blast_low_us") / _US_PER_H,
        pl.col("blast_high_us") / _US_PER_H,
        pl.col("cycles_low", "cycles_high").cast(pl.Float64),
    ]
    looked = checks.select(*key, "at", "result", *used)
    taken_off = parts.filter(pl.col("because").is_in(NOT_GOOD)).select(
        *key, "to_at", "because", *used[1:2], pl.col("cycles_high").cast(pl.Float64)
    )
    found = (
        pl.concat(
            [
                looked.filter(pl.col("result").is_in(NOT_GOOD)).select(
                    *key, "at", "result", "blast_high_us", "cycles_high"
                ),
                taken_off.rename({"to_at": "at", "because": "result"}),
            ]
        )
        .sort("at", maintain_order=True)
        .group_by(key, maintain_order=True)
        .first()
        .select(
            *key, found_at="at", ending="result", worn_blast_h="blast_high_us",
            worn_cycles="cycles_high",
        )
    )  # fmt: skip
    good = (
        looked.filter(pl.col("result") == "good")
        .join(found.select(*key, "found_at"), on=key, how="left")
        .filter(pl.col("found_at").is_null() | (pl.col("at") < pl.col("found_at")))
        .group_by(key)
        .agg(good_blast_h=pl.col("blast_low_us").max(), good_cycles=pl.col("cycles_low").max())
    )
    return (
        parts.join(found, on=key, how="left")
        .join(good, on=key, how="left")
        .with_columns(
            pl.col("ending").fill_null("good"), pl.col("good_blast_h", "good_cycles").fill_null(0.0)
        )
        .select(pl.col(name).cast(dtype) for name, dtype in LIFE_SCHEMA.items())
        .sort("part", "position", "fitted_at", "part_id")
    )


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


#: What a check interval of a rule finds: the one in force, and shorter ones.
CHECK_SCHEMA: dict[str, Any] = {
    "every": pl.Float64,  # [unit of the axis]
    "in_force": pl.Boolean,
    "worn_share": pl.Float64,  # already worn when first checked after so much use
    "worn_share_low": pl.Float64,
    "worn_share_high": pl.Float64,
    "worn_second_share": pl.Float64,  # of those good then, worn when checked after as much again
    "worn_second_share_low": pl.Float64,
    "worn_second_share_high": pl.Float64,
    "worn_in_use": pl.Float64,  # mean use while worn and not found [unit of the axis]
    "worn_in_use_low": pl.Float64,
    "worn_in_use_high": pl.Float64,
}


def checks_at(life: WeibullLife, limit: float, shorter: Sequence[float] = SHORTER) -> pl.DataFrame:
    """What checks find at the limit in force and at shorter ones, the one in force first.

    Parameters
    ----------
    life : WeibullLife
        The fitted life.
    limit : float
        The limit in force. [unit of the axis]
    shorter : sequence of float
        Shares of the limit, each under 1.

    Returns
    -------
    polars.DataFrame
        ``CHECK_SCHEMA``.

    Raises
    ------
    ValueError
        A share is not under 1: a longer interval is never looked at.
    """
    if any(not 0.0 < share < 1.0 for share in shorter):
        raise ValueError("only shorter intervals are looked at")
    rows = []
    for every in (limit, *(limit * share for share in shorter)):
        worn = [float(column[0]) for column in life.worn_by(every)]
        rows.append(
            (every, every == limit, *worn, *life.worn_at_second(every), *life.worn_in_use(every))
        )
    return pl.DataFrame(rows, schema=CHECK_SCHEMA, orient="row")


def tighter(checks: pl.DataFrame, tolerated: float = TOLERATED) -> float | None:
    """The longest of the shorter intervals that would do, where the one in force finds too many.

    Parameters
    ----------
    checks : polars.DataFrame
        ``CHECK_SCHEMA``.
    tolerated : float
        Share that may be worn when first checked. [-]

    Returns
    -------
    float or None
        Always shorter than the limit in force. ``None``: the records do not show that the limit
        in force is too long; that is not to say that it is right. Where none of the shorter ones
        would do, it is the shortest. [unit of the axis]
    """
    in_force = checks.row(0, named=True)
    if in_force["worn_share_low"] <= tolerated:
        return None
    shorter = checks.filter(~pl.col("in_force")).sort("every", descending=True)
    enough = shorter.filter(pl.col("worn_share") <= tolerated)
    return float((enough if enough.height else shorter.tail(1))["every"][0])


@dataclass(frozen=True)
class Learned:
    """What a kind of part in a position has taught about one axis.

    Parameters
    ----------
    part, position : str
        Kind of part and where on the pot.
    axis : str
        ``blast_h`` or ``cycles``.
    limit : float or None
        The limit in force on this axis; ``None``: there is none. [unit of the axis]
    life : WeibullLife or TooFew
        The fitted life, or why there is none.
    checks : polars.DataFrame or None
        ``CHECK_SCHEMA``; ``None`` without a limit or a life.
    propose : float or None
        A shorter interval that the records speak for; never a longer one. [unit of the axis]
    replaced : int
        Of those found worn, how many were only said to be replaced; they count as worn.
    """

    part: str
    position: str
    axis: str
    limit: float | None
    life: WeibullLife | TooFew
    checks: pl.DataFrame | None
    propose: float | None
    replaced: int


def learn(known: pl.DataFrame, limits: dict[tuple[str, str], float]) -> list[Learned]:
    """What each kind of part in each position has taught, by blast hours and by cycles.

    Parameters
    ----------
    known : polars.DataFrame
        ``LIFE_SCHEMA``.
    limits : dict of (str, str) to float
        (kind of part, axis) -> the limit in force.

    Returns
    -------
    list of Learned
        By part, position and axis; only kinds of which one was found worn or checked good.
    """
    found = []
    for group in known.sort("part", "position").partition_by(
        "part", "position", maintain_order=True
    ):
        part, position = group["part"][0], group["position"][0]
        for axis, (good, worn) in AXES.items():
            low = group[good].to_numpy()
            high = group[worn].fill_null(float("inf")).to_numpy()
            # A part checked good or found worn on a day without use says nothing on this axis.
            usable = np.asarray(high) > 0
            low, high = np.minimum(low, high)[usable], high[usable]
            # Good and worn after the same use: good until just before.
            low = np.where(np.isfinite(high) & (low == high), low * (1.0 - 1e-9), low)
            if not np.any((low > 0) | np.isfinite(high)):
                continue
            life = fit(low, high)
            limit = limits.get((part, axis))
            checks = (
                checks_at(life, limit) if limit is not None and isinstance(life, WeibullLife)
                else None
            )  # fmt: skip
            found.append(
                Learned(
                    part=part,
                    position=position,
                    axis=axis,
                    limit=limit,
                    life=life,
                    checks=checks,
                    propose=tighter(checks) if checks is not None else None,
                    replaced=group.filter(pl.col("ending") == "replaced").height,
                )
            )
    return found


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
