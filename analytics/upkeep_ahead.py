"""What upkeep has ahead and behind it, composed from frames: dates of limits, and lives learned.

Each takes an open read window, so that one answer is of one moment, and writes nothing.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from analytics import forecast, frames, hours, lifetimes, part_frames, use_frames
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
    begin = dt.datetime.combine(first_day, dt.time(), tzinfo=zone)
    begin_at = begin.astimezone(dt.UTC).replace(tzinfo=None)
    ahead = dt.timedelta(days=forecast.HORIZON_DAYS)
    edges = day_edges(begin_at, now + ahead, yard, "day")
    days = [first_day + dt.timedelta(days=index) for index in range(len(edges) - 1)]
    past = forecast.LOOK_BACK_DAYS + 1  # today too
    edge_us = np.array([hours.microseconds(edge) for edge in edges], dtype=np.int64)
    ends_us = np.minimum(edge_us[1 : past + 1], hours.microseconds(now))

    known, extents = frames.pots(con), frames.heard_extents(con)
    presses = _by_pot(use_frames.presses_by_day(con, edges[:past]))
    gaps_read = use_frames.gaps_since(con, begin_at)
    gaps = _by_pot(gaps_read)
    shifts: dict[str, list[tuple[dt.datetime, dt.datetime]]] = {}
    for pot, from_at, to_at in use_frames.booked_since(con, begin_at).iter_rows():
        shifts.setdefault(pot, []).append((from_at, to_at))

    pots = list(yard.pot_names)
    booked_h = np.zeros((len(pots), len(days)))
    blast_h, cycles = np.zeros((2, len(pots), past))
    heard_from = [days[-1]] * len(pots)
    for number, pot in enumerate(pots):
        mine = shifts.get(pot, [])
        booked_h[number] = _booked_hours(mine, edge_us)
        first_at, last_at = extents.get(known[pot], (None, None)) if pot in known else (None, None)
        if first_at is None:
            continue
        heard_from[number] = forecast.site_date(first_at, zone)
        silent = _silent(
            gaps.get(pot, gaps_read.clear()), (first_at, last_at or first_at), begin_at, mine, yard
        )
        silent_h = silent.within(np.minimum(edge_us[:past], ends_us), ends_us) / 3600.0
        pace = 0.0
        if (rows := presses.get(pot)) is not None:
            day = rows["day"].to_numpy()
            blast_h[number, day] = rows["blast_high_s"].to_numpy() / 3600.0
            cycles[number, day] = rows["presses"].to_numpy()
            blast_s = float(rows["blast_s"].sum())
            pace = 3600.0 * float(rows["presses"].sum()) / blast_s if blast_s > 0 else 0.0
        blast_h[number] += silent_h
        cycles[number] += pace * silent_h
    daily = _days_of(pots, days[:past], blast_h=blast_h, cycles=cycles, booked_h=booked_h[:, :past])
    daily = daily.filter(
        pl.col("day") >= pl.Series(heard_from, dtype=pl.Date).gather(
            np.repeat(np.arange(len(pots)), past)
        )
    )  # fmt: skip
    booked = _days_of(pots, days[past - 1 :], booked_h=booked_h[:, past - 1 :])
    return daily, booked.filter(pl.col("booked_h") > 0)


def _by_pot(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {str(key[0]): rows for key, rows in frame.partition_by("pot", as_dict=True).items()}


def _days_of(pots: list[str], days: list[dt.date], **columns: hours.Floats) -> pl.DataFrame:
    """Columns of shape (pots, days) as rows."""
    return pl.DataFrame(
        {
            "pot": pl.Series(pots, dtype=pl.String).gather(
                np.repeat(np.arange(len(pots)), len(days))
            ),
            "day": pl.Series(days, dtype=pl.Date).gather(
                np.tile(np.arange(len(days)), len(pots))
            ),
            **{name: values.ravel() for name, values in columns.items()},
        }
    )  # fmt: skip


def _silent(
    gaps: pl.DataFrame,
    heard: tuple[dt.datetime, dt.datetime],
    begin_at: dt.datetime,
    shifts: list[tuple[dt.datetime, dt.datetime]],
    yard: Yard,
) -> hours.Total:
    """Silence that counts as possible blasting, from ``begin_at`` on."""
    # A gap that lies over the begin is whole, so that what comes before it is not heard twice.
    begin_at = min([begin_at, *gaps["from_at"].head(1)])
    first_at = max(heard[0], begin_at)
    _, silent = hours.silence(
        gaps,
        first_at,
        max(heard[1], first_at),
        shifts,
        yard.derive.count_silence_outside_shifts,
    )
    return silent


def _booked_hours(
    shifts: list[tuple[dt.datetime, dt.datetime]], edge_us: hours.Ints
) -> hours.Floats:
    """Booked hours of each day; shifts of a pot do not overlap, and come in order."""
    at_us = np.array(shifts, dtype="datetime64[us]").astype(np.int64)
    from_us, to_us = at_us.reshape(-1, 2).T
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
