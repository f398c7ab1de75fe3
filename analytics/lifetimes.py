"""How long parts last: a Weibull life from the yard's own records, what is not known left open.

Nobody sees a hose wear out. A check finds it worn, so the moment lies somewhere between the last
check that found it good and this one: an interval, not an instant. A part that is on, or that came
off for another reason, is known to have been good up to its last good check, and no more is known.
Both go into the likelihood (:mod:`analytics.weibull_life`) as they are; nothing is rounded to the
check.

A life never stretches a limit. What is learned here may propose to check sooner
(:func:`tighter`), and cannot say anything else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analytics.weibull_life import TooFew, WeibullLife, fit

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
