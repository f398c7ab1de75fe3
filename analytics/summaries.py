"""Sums what was derived: hours of shifts and what parts did, of which mostly little has changed.

Made wholly, these tables rest on all cycles of all pots and on everything that people entered,
which takes longer each year. Mostly only readings and entries of today have come in since, and they
change what lies after them: shifts under way, parts that are on, looks at parts since. So that much
is reckoned anew, from the sums of days (:mod:`analytics.pot_days`) and from the cycles of the days
that matter, and the other rows stay; which rows there are after an entry says
:mod:`analytics.summary_entries`. After an entry of long ago that takes longer, and with another
yard file, a new pot or a part in a new place all of it is made anew; the tables come out the same
to the bit.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from analytics import (
    entry_frames,
    frames,
    hours,
    part_frames,
    parts_since,
    pot_days,
    production,
    record_frames,
    summary_entries,
)
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.day_reading import CYCLE_COLUMNS, midnight, read_days, totals_of_days
from analytics.parts_usage import PartsUsage, usage_of_parts
from analytics.summary_entries import Put
from analytics.writing import insert
from ingest.config import Yard

if TYPE_CHECKING:
    import duckdb

#: What is found from an instant on may change what lies a little before it: a cycle's first
#: possible instant is that of the sample before its press.
_MARGIN = dt.timedelta(hours=1)


#: First and last instant heard of each pot, as of when figures were last derived.
Extents = Mapping[int, tuple[dt.datetime | None, dt.datetime | None]]


class _Made(NamedTuple):
    """From what the tables were made wholly, up to when they were reckoned, when something that was
    entered comes to count by itself (``None``: nothing does), how many rows had been entered and
    the number of the last, and whether a part was somewhere for no time at all."""

    made_of: str
    now_at: dt.datetime
    next_at: dt.datetime | None
    entered: int
    number: int
    passed_by: bool


def summarise(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Mapping[str, int],
    version: str,
    changed: Mapping[int, dt.datetime],
    now: dt.datetime,
) -> None:
    """Bring ``shift_summary``, ``part_usage``, ``part_stay``, ``part_check``, ``pot_day`` to date.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open write window in which cycles, gaps and ``derive_state`` are up to date.
    yard : Yard
        The yard file.
    pots : mapping of str to int
        The pots of the yard file that were heard, with their number in the store.
    version : str
        Changes with how figures are derived.
    changed : mapping of int to datetime
        From when on cycles and gaps of a pot may have changed since the last time; naive UTC.
    now : datetime
        Naive UTC; up to when shifts and parts are reckoned.
    """
    extents = frames.heard_extents(con)
    seen = summary_entries.seen(con)
    # Of pots that are all derived from their first sample on nothing stays; then one pot's cycles
    # after the other's are held, not those of all.
    all_anew = all(changed.get(i, frames.LATEST) == frames.EARLIEST for i in pots.values())
    made, to_come, entered = None, None, None
    if pots and all_anew:
        entered = record_frames.Standing(con, summary_entries.KINDS)
    else:
        made = _made_before(con)
    made_of = _made_of(con, yard, pots, version, now, extents, entered)
    if made is not None and made.made_of == made_of and made.now_at <= now:
        to_come = _entered_since(con, yard, made, seen, now)
    if made is not None and to_come is not None:
        _since(con, yard, pots, changed, min(made.now_at, to_come.from_at), now, extents)
    else:
        entered = entered or record_frames.Standing(con, summary_entries.KINDS)
        to_come = _wholly(con, yard, pots, now, extents, entered)
    row = {
        "made_of": made_of, "now": now, "next": to_come.next_at, "rows": seen.rows,
        "number": seen.number, "passed_by": to_come.passed_by,
    }  # fmt: skip
    # There is one row, or none yet.
    ((known,),) = con.execute(
        "UPDATE summary_state SET made_of = $made_of, now_at = $now, next_at = $next, "
        "entered = $rows, number = $number, passed_by = $passed_by",
        row,
    ).fetchall()
    if not known:
        con.execute(
            "INSERT INTO summary_state VALUES ($made_of, $now, $next, $rows, $number, $passed_by)",
            row,
        )


def _made_before(con: duckdb.DuckDBPyConnection) -> _Made | None:
    """What was noted when the tables were last brought to date; ``None``: they were not yet."""
    found = con.execute(
        "SELECT made_of, now_at, next_at, entered, number, passed_by FROM summary_state"
    ).fetchall()
    return _Made(*found[0]) if found else None


def _entered_since(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    made: _Made,
    seen: summary_entries.Seen,
    now: dt.datetime,
) -> Put | None:
    """Put the rows that entries changed; ``None``: all of it has to be made anew."""
    before = summary_entries.Seen(made.entered, made.number)
    counts = [
        at
        for at in (
            summary_entries.changed_from(con, before, seen),
            made.next_at if made.next_at is not None and made.next_at <= now else None,
        )
        if at is not None
    ]
    if not counts:
        return Put(frames.LATEST, made.next_at, made.passed_by)
    # What was somewhere for no time at all left no row from which its life could go on.
    if made.passed_by or min(counts) <= frames.EARLIEST:
        return None
    return summary_entries.put(con, yard, min(counts), now)


def _made_of(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Mapping[str, int],
    version: str,
    now: dt.datetime,
    extents: Extents,
    entered: record_frames.Standing | None,
) -> str:
    """What changes with all that is not a pot's cycles and gaps, and with entries of places."""
    places = summary_entries.places(con, yard, now, entered)
    heard = [(pot, pot_id, extents.get(pot_id, (None, None))[0]) for pot, pot_id in pots.items()]
    text = repr((version, yard, sorted(heard), places))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


# --- wholly ----------------------------------------------------------------------------------


def _wholly(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Mapping[str, int],
    now: dt.datetime,
    extents: Extents,
    entered: record_frames.Standing,
) -> Put:
    """Make every table anew."""
    shifts = record_frames.shifts(con, entered)
    today_us = int(pot_days.day_of(np.array([hours.microseconds(now)]))[0])
    summaries, of_pots, days = [], {}, [pl.DataFrame(schema=pot_days.DAY_SCHEMA)]
    for pot in yard.pot_names:
        pot_id = pots.get(pot)
        cycles = (
            frames.cycles(con, pot_id, columns=CYCLE_COLUMNS)
            if pot_id
            else pl.DataFrame(schema=CYCLE_SCHEMA)
        )
        gaps = frames.gaps(con, pot_id) if pot_id else pl.DataFrame(schema=GAP_SCHEMA)
        first_at, last_at = extents.get(pot_id, (None, None)) if pot_id else (None, None)
        mine = shifts.filter(pl.col("pot") == pot)
        totals = hours.pot_hours(
            cycles,
            gaps,
            first_at,
            last_at,
            list(mine.select("from_at", "to_at").iter_rows()),
            yard.derive.count_silence_outside_shifts,
        )
        if not mine.is_empty():
            summaries.append(shift_rows(mine, cycles, totals, now))
        of_pots[pot] = totals
        known = pot_days.days_with_anything(totals)
        days.append(pot_days.sums_of_days(totals, pot, known[known < today_us]))
    summary = pl.DataFrame()
    if summaries:
        areas = record_frames.areas(con, entered)
        abrasives = entry_frames.abrasive_net(con, entered)
        summary = production.rates(
            summary_entries.with_entries(pl.concat(summaries), areas, abrasives, shifts)
        )
    events = summary_entries.part_events(yard, part_frames.entries(con, only=entered))
    parts = parts_used(yard, events, of_pots, now)
    for table, frame in (
        ("shift_summary", summary),
        ("part_usage", in_seconds(parts.usage)),
        ("part_stay", parts.stays),
        ("part_check", parts.checks.rename({"at": "checked_at"})),
        ("pot_day", pl.concat(days)),
    ):
        con.execute(f"DELETE FROM {table}")
        insert(con, table, frame)
    to_come = [
        *events.filter(pl.col("at") > now)["at"],
        *shifts.filter(pl.col("from_at") >= now)["from_at"],
        *(first for first, _ in extents.values() if first is not None and first > now),
    ]
    return Put(frames.EARLIEST, min(to_come, default=None), parts.passed_by)


# --- what has changed ------------------------------------------------------------------------


def _since(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Mapping[str, int],
    changed: Mapping[int, dt.datetime],
    before: dt.datetime,
    now: dt.datetime,
    extents: Extents,
) -> None:
    """Reckon anew what lies after what has changed; ``before`` is up to when it was reckoned."""
    days = frames.read_frame(con, "SELECT * FROM pot_day ORDER BY pot, day_at")
    since: dict[str, dt.datetime] = {}
    for pot in yard.pot_names:
        at = min(before, changed.get(pots.get(pot, -1), before))
        at = at - _MARGIN if at > frames.EARLIEST + _MARGIN else frames.EARLIEST
        settled = days.filter((pl.col("pot") == pot) & (pl.col("day_at") < midnight(at)))
        # Until a pot has blasted for so long, what comes changes the pace of what was.
        is_settled = int(settled["blast_us"].sum()) >= hours.PACE_US
        since[pot] = at if is_settled else frames.EARLIEST
    least = min(since.values(), default=frames.LATEST)
    shifts = frames.read_frame(
        con, "SELECT * FROM shift_summary WHERE to_at > $least ORDER BY from_at, shift", least=least
    ).filter(pl.col("to_at") > _of_pot(since))
    plan = parts_since.to_reckon(
        frames.read_frame(con, "SELECT * FROM part_stay"),
        frames.read_frame(con, "SELECT * FROM part_check WHERE checked_at > $least", least=least),
        since,
        now,
    )
    asked = _days_asked(shifts, plan, since, now)
    read = read_days(con, pots, {pot: None if at == frames.EARLIEST else asked.get(pot, set())
                             for pot, at in since.items()})  # fmt: skip
    of_pots, summaries, fresh = {}, [], []
    for pot, at in since.items():
        pot_id = pots.get(pot)
        of_pot = read.of(pot, pot_id or -1)
        stay = days.filter((pl.col("pot") == pot) & (pl.col("day_at") < midnight(at)))
        totals, added = totals_of_days(
            of_pot, extents.get(pot_id, (None, None)) if pot_id else (None, None), stay,
            None if at == frames.EARLIEST else (midnight(at), asked.get(pot, set())), pot, now,
            yard.derive.count_silence_outside_shifts,
        )  # fmt: skip
        of_pots[pot] = totals
        fresh.append(added)
        mine = shifts.filter(pl.col("pot") == pot)
        summaries.append(
            pl.concat(
                [shift_rows(mine, of_pot.cycles, totals, now),
                 mine.select("area_m2", "abrasive_kg")], how="horizontal",
            )
        )  # fmt: skip
    stays, checks = parts_since.reckoned(plan, of_pots)
    _put(con, "shift_summary", production.rates(pl.concat(summaries)), ["shift", "pot"])
    _put(con, "part_stay", stays, ["part_id", "pot", "position", "from_at"])
    _put(con, "part_check", checks, ["record_id", "part", "pot", "position", "rule"])
    for (pot, at), added in zip(since.items(), fresh, strict=True):
        was = days.filter((pl.col("pot") == pot) & (pl.col("day_at") >= midnight(at)))
        if not was.equals(added):
            con.execute(
                "DELETE FROM pot_day WHERE pot = $pot AND day_at >= $at",
                {"pot": pot, "at": midnight(at)},
            )
            insert(con, "pot_day", added)
    usage = parts_since.usage_since(
        frames.read_frame(con, "SELECT * FROM part_usage"),
        frames.read_frame(con, "SELECT * FROM part_stay"),
        frames.read_frame(
            con,
            "FROM part_check AS c SEMI JOIN part_usage AS u ON u.since = 'checked' "
            "AND c.part_id = u.part_id AND c.rule = u.rule AND c.checked_at = u.from_at "
            "WHERE c.result = 'good'",
        ),
        now,
    )
    con.execute("DELETE FROM part_usage")
    insert(con, "part_usage", in_seconds(usage))


def _of_pot(since: Mapping[str, dt.datetime]) -> pl.Expr:
    """From when on a row's pot is reckoned anew; never where it has left the yard file."""
    return pl.col("pot").replace_strict(
        since, default=frames.LATEST, return_dtype=pl.Datetime("us")
    )


def _days_asked(
    shifts: pl.DataFrame,
    plan: parts_since.Plan,
    since: Mapping[str, dt.datetime],
    now: dt.datetime,
) -> dict[str, set[int]]:
    """The days of each pot whose cycles are needed: those that end a window, those of shifts, and
    those whose sums are made anew. [us]"""
    now_us = np.array([hours.microseconds(now)])
    asked: dict[str, set[int]] = {}
    for pot, at in since.items():
        if at == frames.EARLIEST:
            continue  # everything of it is read
        at_us = np.array([hours.microseconds(at)])
        asked[pot] = set(hours.days_between(at_us, np.maximum(now_us + 1, at_us)).tolist())
    ends = shifts.select(
        pl.col("from_at").cast(pl.Int64), (pl.col("to_at").cast(pl.Int64) + 1).alias("to_at"), "pot"
    )
    for (pot,), mine in ends.group_by("pot"):
        touched = hours.days_between(mine["from_at"].to_numpy(), mine["to_at"].to_numpy())
        if pot in asked:
            asked[str(pot)].update(touched.tolist())
    for pot, at_us in parts_since.instants(plan):
        if pot in asked:
            asked[pot].update(pot_days.day_of(at_us).tolist())
    return asked


def _put(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame, key: list[str]) -> None:
    """Put rows in the place of those with the same key."""
    if frame.is_empty():
        return
    names = ", ".join(key)
    con.register("coming", frame.select(key).to_arrow())
    con.execute(f"DELETE FROM {table} WHERE ({names}) IN (SELECT ({names}) FROM coming)")
    con.unregister("coming")
    insert(con, table, frame)


# --- of which rows consist -------------------------------------------------------------------


def shift_rows(
    shifts: pl.DataFrame, cycles: pl.DataFrame, totals: hours.PotHours, now: dt.datetime
) -> pl.DataFrame:
    """Hours and pressures of one pot's shifts, up to ``now`` for one that is under way.

    Parameters
    ----------
    shifts : polars.DataFrame
        ``shift, pot, crew, job, from_at, to_at`` of one pot; those not begun are left out.
    cycles : polars.DataFrame
        The pot's cycles.
    totals : PotHours
        The pot's running totals.
    now : datetime
        Naive UTC.
    """
    begun = shifts.filter(pl.col("from_at") < now)
    ends = begun.select(pl.min_horizontal("to_at", pl.lit(now)))["to_at"]
    from_us = begun["from_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    to_us = ends.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    counted = cycles.filter(~pl.col("flicker"))
    booked_to_us = begun["to_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    weighted = production.pressures_within(counted, from_us, booked_to_us)
    windows = hours.windows(totals, from_us, to_us).drop("silent_s")
    return pl.concat(
        [begun.select("shift", "pot", "crew", "job", "from_at", "to_at"), windows, weighted],
        how="horizontal",
    )


def parts_used(
    yard: Yard, events: pl.DataFrame, totals: Mapping[str, hours.PotHours], now: dt.datetime
) -> PartsUsage:
    """What each part of the yard did.

    Parameters
    ----------
    yard : Yard
        For the parts that have a rule.
    events : polars.DataFrame
        From :func:`part_events`.
    totals : mapping of str to PotHours
        Running totals of each pot.
    now : datetime
        Naive UTC; entries after it do not count yet.
    """
    parts = usage_of_parts(events, totals, summary_entries.expected(yard), now)
    # Of a pot that has left the yard file nothing is due; what its parts did stays.
    in_yard = parts.usage.filter(pl.col("pot").is_in(list(yard.pot_names)))
    return replace(parts, usage=in_yard)


def in_seconds(usage: pl.DataFrame) -> pl.DataFrame:
    """Usage with its microseconds as seconds, which is what rules and people reckon in."""
    return usage.with_columns(
        (pl.col(f"{name}_us") / 1e6).alias(f"{name}_s")
        for name in ("blast", "blast_low", "blast_high")
    ).select(
        pl.exclude("blast_us", "blast_low_us", "blast_high_us", "silent_us"),
        (pl.col("silent_us") / 1e6).alias("no_data_s"),
    )
