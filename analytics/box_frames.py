"""What the signals page reads of the store: what arrived lately, and what was refused."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from analytics.frames import read_frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

#: What of a sample is looked at to see whether a box is right.
_COLUMNS = (
    "sampled_at, arrived_at, seq, deadman, supply_pa, inlet_pa, pot_pa, nozzle_pa, "
    "supply_ma, inlet_ma, pot_ma, nozzle_ma, quality"
)


def arrived_samples(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """Rows of ``sample`` that arrived live from ``from_at`` on, before ``to_at``, as sent.

    Returns
    -------
    polars.DataFrame
        ``sampled_at``, ``arrived_at``, ``seq`` and what was measured, by ``sampled_at``; not moved
        for a wrong clock, for they are looked at to see whether it is.
    """
    return read_frame(
        con,
        f"SELECT {_COLUMNS} FROM sample WHERE pot_id = $pot "
        "AND message_id >= 0 AND arrived_at >= $from_at AND arrived_at < $to_at "
        "ORDER BY sampled_at",
        pot=pot_id,
        from_at=from_at,
        to_at=to_at,
    )


def arrived_slow(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """How much came of slow and unknown channels: ``channel, unit, known, readings``."""
    return read_frame(
        con,
        "SELECT channel, unit, known, count(*) AS readings FROM reading r "
        "JOIN channel c USING (channel_id) WHERE r.pot_id = $pot AND message_id >= 0 "
        "AND arrived_at >= $from_at AND arrived_at < $to_at GROUP BY ALL ORDER BY channel",
        pot=pot_id,
        from_at=from_at,
        to_at=to_at,
    )


def refused_examples(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The newest message that waits in quarantine for each reason: ``reason, source, topic,
    content_type, arrived_at, detail, payload`` (at most 64 kB), ``size``."""
    return read_frame(
        con,
        "SELECT reason, source, topic, content_type, arrived_at, detail, payload[1:65536] AS "
        "payload, octet_length(payload) AS size FROM quarantine WHERE retried_at IS NULL "
        "QUALIFY row_number() OVER (PARTITION BY reason ORDER BY quarantine_id DESC) = 1 "
        "ORDER BY reason",
    )
