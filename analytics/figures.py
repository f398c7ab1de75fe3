"""Answers to the questions that commands, pages and reports ask, composed from frames.

Each takes an open read window, so that one answer is of one moment, and writes nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import (
    condition_frames,
    entry_frames,
    findings,
    frames,
    hours,
    part_frames,
    record_frames,
    stretches,
    ways,
)
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.diagnosis import suggestions
from analytics.hours import naive_utc
from analytics.indicators import changes
from analytics.pipeline import upkeep_rules
from analytics.rule_condition import conditions_now
from analytics.upkeep import due_list

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard


@dataclass(frozen=True)
class PotHistory:
    """What running totals of a pot are made of, read at once. Instants are naive UTC.

    Parameters
    ----------
    pot_id : int or None
        Its number; ``None``: it was never heard.
    cycles, gaps, booked : polars.DataFrame
        Its cycles, ``analytics.cycles.CYCLE_SCHEMA``, its gaps, ``GAP_SCHEMA``, and its booked
        shifts, ``from_at, to_at``.
    first_at, last_at : datetime or None
        First and last instant heard.
    """

    pot_id: int | None
    cycles: pl.DataFrame
    gaps: pl.DataFrame
    booked: pl.DataFrame
    first_at: dt.datetime | None
    last_at: dt.datetime | None

    def totals(self, yard: Yard) -> hours.PotHours:
        """Running totals; nothing is read for them any more."""
        return hours.pot_hours(
            self.cycles, self.gaps, self.first_at, self.last_at, list(self.booked.iter_rows()),
            yard.derive.count_silence_outside_shifts,
        )  # fmt: skip


def pot_history(
    con: duckdb.DuckDBPyConnection,
    pot: str,
    booked: pl.DataFrame | None = None,
    within: tuple[dt.datetime, dt.datetime] | None = None,
    columns: tuple[str, ...] = (),
) -> PotHistory:
    """Everything that running totals of a pot rest on.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot : str
        The pot.
    booked : polars.DataFrame, optional
        ``analytics.record_frames.shifts``, where it was read already.
    within : (datetime, datetime), optional
        Naive UTC: only what counts for windows in this stretch is read, not the pot's whole life.
    columns : tuple of str, optional
        Of cycles; all where none are named.
    """
    begin, end = (within[0] - stretches.LOOK_BACK, within[1]) if within else (None, None)
    pot_id = frames.pots(con).get(pot)
    first_at, last_at = (
        frames.heard_extents(con).get(pot_id, (None, None)) if pot_id else (None, None)
    )
    booked = record_frames.shifts(con) if booked is None else booked
    return PotHistory(
        pot_id,
        frames.cycles(con, pot_id, begin, end, columns)
        if pot_id
        else pl.DataFrame(schema=CYCLE_SCHEMA),
        frames.gaps(con, pot_id, begin, end) if pot_id else pl.DataFrame(schema=GAP_SCHEMA),
        booked.filter(pl.col("pot") == pot).select("from_at", "to_at"),
        first_at,
        last_at,
    )


def totals_of(con: duckdb.DuckDBPyConnection, yard: Yard, pot: str) -> hours.PotHours:
    """Running totals of a pot, from its cycles, its gaps and its booked shifts."""
    return pot_history(con, pot, columns=hours.CYCLE_COLUMNS).totals(yard)


def hours_between(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Sequence[str],
    edges: Sequence[dt.datetime],
    now: dt.datetime,
) -> pl.DataFrame:
    """Hours of pots in windows that follow one another.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    pots : sequence of str
        Names of the pots.
    edges : sequence of datetime, length n + 1
        Naive UTC, ascending; a window lies between each two.
    now : datetime
        Naive UTC; silence after it is not counted as possible blasting.

    Returns
    -------
    polars.DataFrame
        ``pot``, ``from_at``, ``to_at`` and the columns of :func:`analytics.hours.windows`, for
        every window in which something was heard or silence counts.
    """
    edge_us = np.array([hours.microseconds(edge) for edge in edges], dtype=np.int64)
    until = np.full(edge_us.size - 1, hours.microseconds(now), dtype=np.int64)
    pieces = []
    for pot in pots:
        found = hours.windows(totals_of(con, yard, pot), edge_us[:-1], edge_us[1:], until)
        pieces.append(
            pl.DataFrame(
                {
                    "pot": [pot] * found.height,
                    "from_at": list(edges[:-1]),
                    "to_at": list(edges[1:]),
                },
                schema={
                    "pot": pl.String,
                    "from_at": pl.Datetime("us"),
                    "to_at": pl.Datetime("us"),
                },
            ).hstack(found)
        )
    return pl.concat(pieces).filter(
        (pl.col("no_data_s") < pl.col("elapsed_s")) | (pl.col("silent_s") > 0)
    )


def upkeep_due(con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime) -> pl.DataFrame:
    """Every check of every pot, the most urgent first: ``analytics.upkeep.DUE_SCHEMA``.

    Hours are those up to the last time figures were derived; days run to ``now``.
    """
    rules = upkeep_rules(yard)
    condition = conditions_now(
        part_frames.indicator_blocks(con), part_frames.newest_good_checks(con), rules
    )
    return due_list(frames.part_usage(con), rules, now, condition)


def open_findings(con: duckdb.DuckDBPyConnection, checks: pl.DataFrame) -> pl.DataFrame:
    """Last checks that were not good, of parts not replaced since; ``checks``: all of them."""
    events = part_frames.part_events(con, checks)
    return findings.open_findings(checks, events.filter(pl.col("since") == "fitted"))


@dataclass(frozen=True)
class PotStretch:
    """A shift so far, or another stretch of a pot's time. Instants are naive UTC.

    Parameters
    ----------
    shift : str
        The shift; empty: none, so this is the site's day.
    from_at, to_at : datetime
        The stretch, up to now or to the shift's end.
    summary : mapping or None
        As :func:`analytics.stretches.stretch_summary` has it.
    cycles : polars.DataFrame
        Dead-man openings in it.
    silent : tuple of (datetime, datetime)
        When nothing was heard, up to now.
    """

    shift: str
    from_at: dt.datetime
    to_at: dt.datetime
    summary: Mapping[str, Any] | None
    cycles: pl.DataFrame
    silent: tuple[tuple[dt.datetime, dt.datetime], ...]


def pot_stretch(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pot: str,
    shift: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
    known_to: dt.datetime,
    booked: pl.DataFrame | None = None,
) -> PotStretch:
    """A stretch of a pot's time with its cycles and gaps.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    pot, shift : str
        The pot, and the shift whose stretch it is; empty: none.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.
    known_to : datetime
        When figures were last derived, naive UTC: it is summed up to here.
    booked : polars.DataFrame, optional
        ``analytics.record_frames.shifts``, where it was read already.
    """
    pot_id = frames.pots(con).get(pot)
    booked = record_frames.shifts(con) if booked is None else booked
    mine = booked.filter(pl.col("pot") == pot).select("from_at", "to_at")
    early = from_at - stretches.LOOK_BACK
    cycles, gaps = pl.DataFrame(schema=CYCLE_SCHEMA), pl.DataFrame(schema=GAP_SCHEMA)
    heard: tuple[dt.datetime | None, dt.datetime | None] = (None, None)
    if pot_id is not None:
        cycles = frames.cycles(con, pot_id, early, to_at)
        gaps = frames.gaps(con, pot_id, early, to_at)
        heard = frames.heard_extents(con).get(pot_id, (None, None))
    summary = stretches.stretch_summary(
        pot, from_at, to_at, cycles, gaps, heard, list(mine.iter_rows()), known_to,
        yard.derive.count_silence_outside_shifts,
    )  # fmt: skip
    silent = stretches.silent_spans(gaps, heard, from_at, min(to_at, known_to), yard.gap_s(pot))
    within = cycles.filter(pl.col("released_at") > from_at)
    return PotStretch(shift, from_at, to_at, summary, within, silent)


def abrasive_ways(
    con: duckdb.DuckDBPyConnection,
    pot: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
    shift: str,
    entered_kg: float | None,
    area_m2: float | None,
) -> ways.Ways:
    """Abrasive of a stretch of a pot three ways; without a shift, bags count by their instant.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot : str
        The pot; one that was never heard has bags only.
    from_at, to_at : datetime
        The stretch, naive UTC.
    shift : str
        Its shift; empty: none.
    entered_kg, area_m2 : float or None
        Bags and area of the shift, as entered. [kg, m2]
    """
    minute = dt.timedelta(minutes=1)
    # No pot is number 0, so that one never heard has no rows.
    pot_id = frames.pots(con).get(pot, 0)
    spells = condition_frames.weighed_spells(con, pot_id, from_at, to_at)
    begin = min([from_at, *spells["from_at"]])
    end = max([to_at, *spells["to_at"]]) + dt.timedelta(microseconds=1)
    conditions = condition_frames.conditions(con, pot_id, begin, end)
    cycles = frames.cycles(con, pot_id, from_at, to_at)
    mass = condition_frames.slow_readings(
        con, pot_id, ("pot_mass",), from_at - minute, to_at + minute
    )
    entries = entry_frames.abrasive_net(con).filter(pl.col("pot") == pot)
    within = (pl.col("at") >= from_at) & (pl.col("at") < to_at)
    if shift:
        # As entered_totals has it: an entry that names its shift counts there.
        mine = entries.filter((pl.col("shift") == shift) | ((pl.col("shift") == "") & within))
    else:
        mine = entries.filter(within)
        entered_kg = float(mine["abrasive_kg"].sum()) if mine.height else None
    return ways.ways_of(entered_kg, area_m2, mine, mass, cycles, conditions, spells, from_at, to_at)


#: What a suggestion is told as, the best fitting first.
SUGGESTED_SCHEMA: dict[str, Any] = {
    "trouble": pl.String,
    "score": pl.Float64,
    "sentence": pl.String,
    "check": pl.String,
    "caution": pl.String,
}


def suggested(
    con: duckdb.DuckDBPyConnection, pot: str, at: dt.datetime | None = None
) -> pl.DataFrame:
    """Which troubles fit a pot's signals, as things stood at an instant: ``SUGGESTED_SCHEMA``.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot : str
        The pot.
    at : datetime, optional
        Naive UTC; as things stand now by default.

    Returns
    -------
    polars.DataFrame
        Empty where nothing moved, or where too few cycles were weighed to tell.
    """
    pot_id = frames.pots(con).get(pot)
    if pot_id is None:
        return pl.DataFrame(schema=SUGGESTED_SCHEMA)
    fitted = part_frames.part_events(con).filter(
        (pl.col("pot") == pot) & (pl.col("since") == "fitted")
    )
    seen = changes(condition_frames.conditions(con, pot_id, None, at), fitted.select("part", "at"))
    return pl.DataFrame(
        [(s.trouble, s.score, s.sentence, s.check, s.caution) for s in suggestions(seen)],
        schema=SUGGESTED_SCHEMA,
        orient="row",
    )


def day_edges(from_at: dt.datetime, to_at: dt.datetime, yard: Yard, by: str) -> list[dt.datetime]:
    """Where the site's days, weeks or months begin between two instants, and the two themselves.

    Parameters
    ----------
    from_at, to_at : datetime
        Naive UTC.
    yard : Yard
        For the site's time zone; a day that daylight saving makes 23 or 25 h long is one day.
    by : str
        ``day``, ``week`` (from Monday), ``month``, or ``all`` for one window.

    Returns
    -------
    list of datetime
        Naive UTC, ascending.

    Raises
    ------
    ValueError
        ``by`` is none of these.
    """
    edges = [from_at]
    if by != "all":
        day = from_at.replace(tzinfo=dt.UTC).astimezone(yard.site.zone).date()
        while True:
            day = _next_begin(day, by)
            begin = dt.datetime.combine(day, dt.time(), tzinfo=yard.site.zone)
            if naive_utc(begin) >= to_at:
                break
            edges.append(naive_utc(begin))
    return [*edges, to_at]


def _next_begin(day: dt.date, by: str) -> dt.date:
    if by == "day":
        return day + dt.timedelta(days=1)
    if by == "week":
        return day + dt.timedelta(days=7 - day.weekday())
    if by == "month":
        return (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
    raise ValueError(f"{by} is none of day, week, month, all")
