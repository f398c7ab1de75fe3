"""What upkeep has ahead and behind it, composed from frames: dates of limits, and lives learned.

Each takes an open read window, so that one answer is of one moment, and writes nothing.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from analytics import forecast, frames, hours, lifetimes, part_frames, use_frames
from analytics.cycles import CYCLE_SCHEMA
from analytics.figures import day_edges, upkeep_due
from analytics.pipeline import upkeep_rules

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard


def upkeep_ahead(con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime) -> pl.DataFrame:
    """Every check with the dates on which its limit will pass, the most urgent first.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``analytics.upkeep.DUE_SCHEMA`` with ``analytics.forecast.FORECAST_SCHEMA``.
    """
    due = upkeep_due(con, yard, now)
    daily, booked = recent_use(con, yard, now)
    return forecast.passing(due, daily, booked, now, yard.site.zone)


def recent_use(
    con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Use of the pots day by day over the last weeks, and what is booked from today on.

    A cycle belongs to the site's day of its press. Silence that counts as possible blasting is
    among the hours, as in the high figures that limits are compared with.

    Returns
    -------
    tuple of polars.DataFrame
        ``analytics.forecast.DAILY_SCHEMA``, today last; and ``pot``, ``day``, ``booked_h``.
    """
    zone = yard.site.zone
    today = forecast.site_date(now, zone)
    first_day = today - dt.timedelta(days=forecast.LOOK_BACK_DAYS)
    ahead = dt.timedelta(days=forecast.HORIZON_DAYS)
    begin = dt.datetime.combine(first_day, dt.time(), tzinfo=zone)
    begin_at = begin.astimezone(dt.UTC).replace(tzinfo=None)
    edges = day_edges(begin_at, now + ahead, yard, "day")
    edge_us = np.array([hours.microseconds(edge) for edge in edges], dtype=np.int64)
    days = [first_day + dt.timedelta(days=index) for index in range(len(edges) - 1)]
    known = frames.pots(con)
    extents = frames.heard_extents(con)
    presses = use_frames.presses_since(con, begin_at)
    gaps = use_frames.gaps_since(con, begin_at)
    shifts = use_frames.booked_since(con, begin_at)
    at_us = presses["pressed_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    used = (
        presses.with_columns(
            day=pl.Series(np.searchsorted(edge_us, at_us, side="right") - 1, dtype=pl.Int64)
        )
        .group_by("pot", "day")
        .agg(
            pl.col("blast_s", "blast_high_s").sum(),
            presses=pl.len(),
        )
    )
    used_of = {key[0]: rows for key, rows in used.partition_by("pot", as_dict=True).items()}
    gaps_of = {key[0]: rows for key, rows in gaps.partition_by("pot", as_dict=True).items()}
    shifts_of = {key[0]: rows for key, rows in shifts.partition_by("pot", as_dict=True).items()}
    now_us = hours.microseconds(now)
    ends_us = np.minimum(edge_us[1:], now_us)
    past, coming = [pl.DataFrame(schema=forecast.DAILY_SCHEMA)], []
    for pot in yard.pot_names:
        mine = shifts_of.get(pot)
        booked_h = _booked_hours(mine, edge_us)
        coming.append(_column_frame(pot, days, {"booked_h": booked_h}))
        first_at, last_at = extents.get(known[pot], (None, None)) if pot in known else (None, None)
        if first_at is None:
            continue
        silent_h = (
            _silent(
                gaps_of.get(pot, gaps.clear()),
                (first_at, last_at or first_at),
                begin_at,
                mine,
                yard,
            ).within(np.minimum(edge_us[:-1], ends_us), ends_us)
            / 3600.0
        )
        pressed, blast_h, blast_high_h = np.zeros((3, len(days)))
        if (rows := used_of.get(pot)) is not None:
            index = rows["day"].to_numpy()
            inside = (index >= 0) & (index < len(days))
            for into, column, unit in (
                (pressed, "presses", 1.0), (blast_h, "blast_s", 3600.0),
                (blast_high_h, "blast_high_s", 3600.0),
            ):  # fmt: skip
                into[index[inside]] = rows[column].to_numpy()[inside] / unit
        pace = pressed.sum() / blast_h.sum() if blast_h.sum() > 0 else 0.0
        frame = _column_frame(
            pot,
            days,
            {
                "blast_h": blast_high_h + silent_h,
                "cycles": pressed + silent_h * pace,
                "booked_h": booked_h,
            },
        )
        heard_on = forecast.site_date(first_at, zone)
        past.append(frame.filter(pl.col("day").is_between(heard_on, today)))
    booked = pl.concat(coming).filter((pl.col("day") >= today) & (pl.col("booked_h") > 0))
    return pl.concat(past), booked


def _silent(
    gaps: pl.DataFrame,
    heard: tuple[dt.datetime, dt.datetime],
    begin_at: dt.datetime,
    shifts: pl.DataFrame | None,
    yard: Yard,
) -> hours.Total:
    """Silence that counts as possible blasting, from ``begin_at`` on."""
    # A gap that lies over the begin is whole, so that what comes before it is not heard twice.
    begin_at = min([begin_at, *gaps["from_at"].head(1)])
    first_at = max(heard[0], begin_at)
    return hours.pot_hours(
        pl.DataFrame(schema=CYCLE_SCHEMA),
        gaps.drop("pot"),
        first_at,
        max(heard[1], first_at),
        list(shifts.select("from_at", "to_at").iter_rows()) if shifts is not None else [],
        yard.derive.count_silence_outside_shifts,
    ).silent


def _column_frame(pot: str, days: list[dt.date], columns: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame({"pot": [pot] * len(days), "day": days, **columns}).cast(
        {name: dtype for name, dtype in forecast.DAILY_SCHEMA.items() if name in ("pot", *columns)}
    )


def _booked_hours(shifts: pl.DataFrame | None, edge_us: hours.Ints) -> hours.Floats:
    """Booked hours of each day; shifts of a pot do not overlap."""
    if shifts is None or shifts.is_empty():
        return np.zeros(edge_us.size - 1)
    from_us, to_us = (
        shifts.sort("from_at")[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
        for name in ("from_at", "to_at")
    )
    whole = hours.total(from_us, to_us, (to_us - from_us) / 1e6)
    return whole.within(edge_us[:-1], edge_us[1:]) / 3600.0


def lives_learned(
    con: duckdb.DuckDBPyConnection, yard: Yard
) -> tuple[pl.DataFrame, list[lifetimes.Learned]]:
    """What the yard's records tell of how long parts last.

    Returns
    -------
    tuple of polars.DataFrame and list of Learned
        ``analytics.lifetimes.LIFE_SCHEMA``, and what was learned by part, position and axis. A
        limit is the shortest of the checks in force that are counted on that axis.
    """
    known = lifetimes.lives(
        part_frames.stays(con), part_frames.checked_lives(con).rename({"checked_at": "at"})
    )
    limits: dict[tuple[str, str], float] = {}
    for rule in upkeep_rules(yard):
        for axis, limit in (("blast_h", rule.every_blast_h), ("cycles", rule.every_cycles)):
            if limit is not None and rule.task == "check":
                key = (rule.part, axis)
                limits[key] = min(limits.get(key, float("inf")), float(limit))
    return known, lifetimes.learn(known, limits)
