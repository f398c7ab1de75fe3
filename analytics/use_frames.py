"""Reads the recent use of all pots at once, and what is booked ahead; a part of ``frames``.

As there: an open read window in, a frame that stands by itself out, instants UTC without a zone.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analytics.frames import read_frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl


def presses_by_day(con: duckdb.DuckDBPyConnection, begins: Sequence[dt.datetime]) -> pl.DataFrame:
    """Cycles that count, of all pots, summed by day.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    begins : sequence of datetime
        When each day begins, ascending; the last one has no end. Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``pot``, ``day`` (number of the day that the press lies in, from 0), ``presses``,
        ``blast_s``, ``blast_high_s``.
    """
    return read_frame(
        con,
        "WITH day AS (SELECT unnest($begins::TIMESTAMP[]) AS begin_at, "
        "generate_subscripts($begins::TIMESTAMP[], 1) - 1 AS day) "
        "SELECT any_value(p.pot) AS pot, day.day, count(*) AS presses, "
        "sum(c.blast_s) AS blast_s, sum(c.blast_high_s) AS blast_high_s "
        "FROM cycle AS c ASOF JOIN day ON c.pressed_at >= day.begin_at "
        "JOIN pot AS p USING (pot_id) "
        "WHERE c.pressed_at >= $first AND NOT c.flicker GROUP BY c.pot_id, day.day",
        begins=list(begins),
        first=begins[0],
    )


def gaps_since(con: duckdb.DuckDBPyConnection, from_at: dt.datetime) -> pl.DataFrame:
    """Gaps of all pots that end after an instant, ascending: ``pot`` and the columns of ``gap``."""
    return read_frame(
        con,
        "SELECT p.pot, g.* EXCLUDE pot_id FROM gap AS g JOIN pot AS p USING (pot_id) "
        "WHERE g.to_at > $from_at ORDER BY p.pot, g.from_at",
        from_at=from_at,
    )


def booked_since(con: duckdb.DuckDBPyConnection, from_at: dt.datetime) -> pl.DataFrame:
    """Shifts as they stand that end after an instant: ``pot, from_at, to_at``, a row a pot.

    The same as :func:`analytics.record_frames.shifts` has, without reading what lies years back.
    """
    return read_frame(
        con,
        "SELECT unnest(CAST(body->'pots' AS VARCHAR[])) AS pot, "
        "CAST(body->>'from_at' AS TIMESTAMP) AS from_at, "
        "CAST(body->>'to_at' AS TIMESTAMP) AS to_at FROM record AS r "
        "WHERE kind = 'shift' AND NOT withdrawn AND body->>'to_at' > $from_text "
        "AND NOT EXISTS (SELECT 1 FROM record AS newer WHERE newer.supersedes = r.record_id) "
        "ORDER BY pot, from_at",
        # Instants in a body are UTC text of one form, which sorts as the instants do.
        from_text=f"{from_at.isoformat()}Z",
    )
