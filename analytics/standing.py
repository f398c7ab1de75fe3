"""How a pot stands, for people to read: its level as a line, its tippings, its weather just now."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analytics.climate import ALIGN_WITHIN, align_climate, cover_pot, steel_margin_ok
from analytics.indicators import BLOCK, INDICATORS

#: One row a press or release of a weighed cycle.
LINE_SCHEMA: dict[str, Any] = {
    "at": pl.Datetime("us"),
    "kg": pl.Float64,
    "low_kg": pl.Float64,
    "high_kg": pl.Float64,
}

#: Fewest tippings with bags entered that a steady factor is told from.
LEAST_TIPPINGS = 4
#: A steady factor nearer to one than this is not told (our estimate). [-]
LEAST_FACTOR = 0.06


def level_line(conditions: pl.DataFrame, cycles: pl.DataFrame) -> pl.DataFrame:
    """Abrasive in a pot at each press and release of its weighed cycles.

    Parameters
    ----------
    conditions : polars.DataFrame
        ``analytics.condition.CONDITION_SCHEMA``.
    cycles : polars.DataFrame
        ``pressed_at`` and ``released_at`` of at least the same cycles.

    Returns
    -------
    polars.DataFrame
        ``LINE_SCHEMA``, ascending; cycles that were not weighed are not in it.
    """
    known = conditions.filter(
        pl.col("abrasive_start_kg").is_not_null() & pl.col("abrasive_end_kg").is_not_null()
    ).join(cycles.select("pressed_at", "released_at"), on="pressed_at")
    ends = [
        known.select(
            pl.col(instant).alias("at"),
            pl.col(f"abrasive_{edge}_kg").alias("kg"),
            pl.col(f"abrasive_{edge}_low_kg").alias("low_kg"),
            pl.col(f"abrasive_{edge}_high_kg").alias("high_kg"),
        )
        for instant, edge in (("pressed_at", "start"), ("released_at", "end"))
    ]
    return pl.concat([pl.DataFrame(schema=LINE_SCHEMA), *ends]).sort("at", maintain_order=True)


@dataclass(frozen=True)
class SteadyFactor:
    """A factor by which tippings come out of the pressures other than bags were entered.

    Parameters
    ----------
    factor : float
        Estimate over entry, as a median. [-]
    tippings : int
        How many it rests on.
    """

    factor: float
    tippings: int


def steady_factor(tippings: pl.DataFrame) -> SteadyFactor | None:
    """Whether tippings differ from the bags entered by one and the same factor.

    Parameters
    ----------
    tippings : polars.DataFrame
        ``estimate_kg``, ``entered_kg``; without an entry a row does not count.

    Returns
    -------
    SteadyFactor or None
        ``None`` under four tippings, where the factor is near one, or where it is within three
        standard errors of one: then it is scatter, not a factor.

    Examples
    --------
    >>> rows = pl.DataFrame({"estimate_kg": [60.0, 121.0, 59.0, 119.0, 60.5],
    ...     "entered_kg": [50.0, 100.0, 50.0, 100.0, 50.0]})
    >>> round(steady_factor(rows).factor, 2)
    1.2
    """
    both = tippings.filter((pl.col("entered_kg") > 0) & (pl.col("estimate_kg") > 0))
    if both.height < LEAST_TIPPINGS:
        return None
    logs = np.log(both["estimate_kg"].to_numpy() / both["entered_kg"].to_numpy())
    middle = float(np.median(logs))
    scatter = 1.4826 * float(np.median(np.abs(logs - middle)))
    error = 1.2533 * scatter / float(np.sqrt(both.height))
    if abs(middle) < max(LEAST_FACTOR, 3.0 * error):
        return None
    return SteadyFactor(float(np.exp(middle)), both.height)


@dataclass(frozen=True)
class Watch:
    """How much the comparison of a pot with its own past rests on.

    Parameters
    ----------
    cycles : int
        Cycles with a condition.
    needed : int
        Cycles until the first indicator is compared with its reference.
    compared : tuple of (str, bool)
        Indicators (column, scatter) that are compared, in the order of ``INDICATORS``.
    waiting : tuple of (str, bool)
        Those that are not: too few cycles, or what they need is not measured.
    reference_cycles : int
        Cycles of the longest reference. [-]
    blocks : int
        Blocks compared since, of the indicator with the most.
    """

    cycles: int
    needed: int
    compared: tuple[tuple[str, bool], ...]
    waiting: tuple[tuple[str, bool], ...]
    reference_cycles: int
    blocks: int


def watch(cycles: int, changes: pl.DataFrame) -> Watch:
    """What is compared with what, of a pot.

    Parameters
    ----------
    cycles : int
        Cycles with a condition.
    changes : polars.DataFrame
        ``analytics.indicators.CHANGE_SCHEMA``.
    """
    counted = {
        (name, scatter): number
        for name, scatter, number in changes.group_by("indicator", "scatter").len().iter_rows()
    }
    keys = [(indicator.name, indicator.scatter) for indicator in INDICATORS]
    compared = [i for i in INDICATORS if (i.name, i.scatter) in counted]
    return Watch(
        cycles=cycles,
        needed=BLOCK * (min(i.reference_blocks for i in INDICATORS) + 1),
        compared=tuple(key for key in keys if key in counted),
        waiting=tuple(key for key in keys if key not in counted),
        reference_cycles=BLOCK * max((i.reference_blocks for i in compared), default=0),
        blocks=max(counted.values(), default=0),
    )


@dataclass(frozen=True)
class Weather:
    """Air and steel at a pot just now.

    Parameters
    ----------
    at : datetime
        When, naive UTC.
    air_temp_c, humidity_percent, steel_temp_c, dew_point_c : float or None
        As read, and the dew point from them. [degC, %, degC, degC]
    steel_margin_k : float or None
        Steel over dew point. [K]
    margin_met : bool or None
        Whether that meets the 3 K of ISO 8502-4; ``None``: not known.
    cover : bool
        Whether to prompt that the pot be covered.
    """

    at: dt.datetime
    air_temp_c: float | None
    humidity_percent: float | None
    steel_temp_c: float | None
    dew_point_c: float | None
    steel_margin_k: float | None
    margin_met: bool | None
    cover: bool


def weather(readings: pl.DataFrame, now: dt.datetime) -> Weather | None:
    """The newest readings of the climate channels.

    Parameters
    ----------
    readings : polars.DataFrame
        ``sampled_at``, ``channel``, ``value`` of the last half hour or more.
    now : datetime
        Naive UTC.

    Returns
    -------
    Weather or None
        ``None`` where humidity was not read in the last ten minutes: nothing is said then.
    """
    aligned = align_climate(readings)
    if aligned.is_empty():
        return None
    row = aligned.row(-1, named=True)
    if row["humidity_percent"] is None or now - row["sampled_at"] > ALIGN_WITHIN:
        return None
    air = float("nan") if row["air_temp_c"] is None else row["air_temp_c"]
    margin = row["steel_margin_k"]
    return Weather(
        at=row["sampled_at"],
        air_temp_c=row["air_temp_c"],
        humidity_percent=row["humidity_percent"],
        steel_temp_c=row["steel_temp_c"],
        dew_point_c=row["dew_point_c"],
        steel_margin_k=margin,
        margin_met=None if margin is None else bool(steel_margin_ok(margin)),
        cover=bool(cover_pot(air, row["humidity_percent"])),
    )
