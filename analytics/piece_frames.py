"""Where a pot's samples lie, for cutting its time into pieces; a part of ``frames``.

As there: an open read window in, instants UTC without a zone out.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analytics import frames

if TYPE_CHECKING:
    import duckdb

#: How far is looked for the next sample, before looking further: with many years of samples behind
#: it a search without an end would go through all of them, for each piece.
_LOOKS = (dt.timedelta(hours=1), dt.timedelta(days=1), dt.timedelta(days=30))


def next_deadman(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime
) -> dt.datetime | None:
    """The first sample of the dead-man from ``from_at`` on; ``None`` where there is none."""
    begin = from_at
    for look in (*_LOOKS, None):
        end = frames.LATEST if look is None else from_at + look
        found = frames.read_frame(
            con,
            f"SELECT min(sampled_at) AS first_at FROM {frames._samples_of(con, pot_id)} "
            "WHERE pot_id = $pot AND deadman IS NOT NULL AND sampled_at BETWEEN $begin AND $end",
            pot=pot_id,
            begin=begin,
            end=end,
        )
        first: dt.datetime | None = found["first_at"][0]
        if first is not None:
            return first
        begin = end
    return None


def begins_of_pieces(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    length: dt.timedelta,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> list[dt.datetime]:
    """Begins of the stretches of a length, counted from 1970, that hold a sample; ascending."""
    found = frames.read_frame(
        con,
        "SELECT DISTINCT time_bucket($length, sampled_at, TIMESTAMP '1970-01-01') AS begin_at "
        f"FROM {frames._samples_of(con, pot_id)} WHERE pot_id = $pot "
        "AND sampled_at BETWEEN $from_at AND $to_at ORDER BY begin_at",
        pot=pot_id,
        length=length,
        from_at=from_at or frames.EARLIEST,
        to_at=to_at or frames.LATEST,
    )
    return found["begin_at"].to_list()
