"""Answers to the questions that commands, pages and reports ask, composed from frames.

Each takes an open read window, so that one answer is of one moment, and writes nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import condition_frames, frames, hours, part_frames
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.diagnosis import suggestions
from analytics.indicators import changes
from analytics.pipeline import naive_utc, upkeep_rules
from analytics.rule_condition import conditions_now
from analytics.upkeep import due_list

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard


def totals_of(con: duckdb.DuckDBPyConnection, yard: Yard, pot: str) -> hours.PotHours:
    """Running totals of a pot, from its cycles, its gaps and its booked shifts."""
    pot_id = frames.pots(con).get(pot)
    first_at, last_at = (
        frames.heard_extents(con).get(pot_id, (None, None)) if pot_id else (None, None)
    )
    booked = frames.shifts(con).filter(pl.col("pot") == pot).select("from_at", "to_at")
    return hours.pot_hours(
        frames.cycles(con, pot_id) if pot_id else pl.DataFrame(schema=CYCLE_SCHEMA),
        frames.gaps(con, pot_id) if pot_id else pl.DataFrame(schema=GAP_SCHEMA),
        first_at,
        last_at,
        list(booked.iter_rows()),
        yard.derive.count_silence_outside_shifts,
    )


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
