"""Quarantine: what would not become a reading, with its bytes and its reason, until it does."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING, NamedTuple

from ingest.readings import RawMessage, Reject
from ingest.wire import reasons

if TYPE_CHECKING:
    import duckdb

#: Reasons that no change of the yard file and no newer Gritbook can mend.
FINAL = frozenset({reasons.VALUE_CONFLICT, reasons.JOURNAL_DAMAGED})

_SHOWN_DETAILS = 5


class Refused(NamedTuple):
    """One row of quarantine to be: a message and one reason."""

    message: RawMessage
    message_id: int
    reason: str
    detail: str


class ReasonCount(NamedTuple):
    """How often a reason stands in quarantine."""

    reason: str
    waiting: int
    retried: int
    first_at: dt.datetime
    last_at: dt.datetime
    detail: str


def refused(message: RawMessage, message_id: int, rejects: Iterable[Reject]) -> list[Refused]:
    """Group a message's rejects by reason; details beyond a few are counted."""
    details: dict[str, list[str]] = defaultdict(list)
    for reject in rejects:
        details[reject.reason].append(reject.detail)
    rows = []
    for reason, found in details.items():
        text = "; ".join(found[:_SHOWN_DETAILS])
        if len(found) > _SHOWN_DETAILS:
            text += f"; and {len(found) - _SHOWN_DETAILS} more"
        rows.append(Refused(message, message_id, reason, text))
    return rows


def put(con: duckdb.DuckDBPyConnection, rows: Collection[Refused]) -> None:
    """Add rows; the caller owns the transaction."""
    if not rows:
        return
    import pyarrow as pa

    table = pa.table(
        {
            "source": pa.array([r.message.source for r in rows], pa.string()),
            "topic": pa.array([r.message.topic for r in rows], pa.string()),
            "content_type": pa.array([r.message.content_type for r in rows], pa.string()),
            "arrived_us": pa.array([r.message.arrived_us for r in rows], pa.int64()),
            "reason": pa.array([r.reason for r in rows], pa.string()),
            "detail": pa.array([r.detail for r in rows], pa.string()),
            "payload": pa.array([r.message.payload for r in rows], pa.binary()),
            "message_id": pa.array([r.message_id for r in rows], pa.int64()),
        }
    )
    con.register("refused_row", table)
    try:
        con.execute(
            "INSERT INTO quarantine SELECT nextval('quarantine_number'), source, topic, "
            "content_type, make_timestamp(arrived_us), reason, detail, payload, message_id, NULL "
            "FROM refused_row"
        )
    finally:
        con.unregister("refused_row")


def counts(con: duckdb.DuckDBPyConnection) -> list[ReasonCount]:
    """Reasons in quarantine, the most frequent first, each with its latest detail."""
    return [
        ReasonCount(*row)
        for row in con.execute(
            "SELECT reason, count(*) FILTER (retried_at IS NULL), count(retried_at), "
            "min(arrived_at), max(arrived_at), arg_max(detail, quarantine_id) "
            "FROM quarantine GROUP BY reason ORDER BY count(*) DESC, reason"
        ).fetchall()
    ]
