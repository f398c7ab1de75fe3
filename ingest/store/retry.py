"""What waits in quarantine, read again after the yard file was mended or Gritbook learnt more."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ingest.readings import RawMessage
from ingest.store.batch import USUAL, Admission, decode_batch, store_batch
from ingest.store.connection import write_window
from ingest.store.quarantine import FINAL

if TYPE_CHECKING:
    import duckdb

_RETRY_AT_ONCE = 500


class Retried(NamedTuple):
    """What a retry came to: messages looked at, readings stored, rows that are settled now."""

    messages: int
    readings: int
    settled: int


def retry_quarantine(
    data: Path,
    pots: Collection[str] | None,
    pots_of_source: Mapping[str, Collection[str]] | None = None,
    admission: Admission = USUAL,
) -> Retried:
    """Read what waits in quarantine again, and store what now can be read.

    Parameters
    ----------
    data : Path
        Data folder.
    pots : collection of str or None
        Pots of the yard file; ``None`` takes any.
    pots_of_source : mapping, optional
        Pots that a source may speak of; a source that is not in it may speak of any.
    admission : Admission, optional
        What else a message must be for its readings to be taken.

    Returns
    -------
    Retried
        A row is settled, and gets its ``retried_at``, where its reason no longer holds. What was
        read at the first time counts as repeated and changes nothing.

    Raises
    ------
    StoreBusy, StoreError
        As :func:`ingest.store.connection.write_window`.
    """
    total = Retried(0, 0, 0)
    # Below zero are card files, which are brought in again rather than retried.
    after = -1
    while True:
        with write_window(data) as con:
            waiting = _waiting(con, after)
            if not waiting:
                return total
            after = waiting[-1][0]
            messages = [message for _, message, _ in waiting]
            ids = [number for number, _, _ in waiting]
            batch = decode_batch(
                messages, ids, pots, pots_of_source=pots_of_source, admission=admission
            )
            done = store_batch(con, batch, quarantine_known=_known(con, waiting))
            settled = _settle(con, waiting, done.reasons_by_message)
            total = Retried(
                total.messages + len(waiting),
                total.readings + done.readings,
                total.settled + settled,
            )


_Waiting = tuple[int, RawMessage, dict[int, str]]


def _waiting(con: duckdb.DuckDBPyConnection, after: int) -> list[_Waiting]:
    """The next messages that wait: message_id, message, and reason by quarantine_id."""
    found = con.execute(
        "WITH next AS (SELECT DISTINCT message_id FROM quarantine WHERE retried_at IS NULL "
        "AND reason NOT IN (SELECT unnest($final)) AND message_id > $after "
        "ORDER BY message_id LIMIT $limit) "
        "SELECT message_id, quarantine_id, reason, source, topic, content_type, "
        "epoch_us(arrived_at), payload FROM quarantine SEMI JOIN next USING (message_id) "
        "WHERE retried_at IS NULL ORDER BY message_id, quarantine_id",
        {"final": sorted(FINAL), "after": after, "limit": _RETRY_AT_ONCE},
    ).fetchall()
    waiting: dict[int, _Waiting] = {}
    for message_id, quarantine_id, reason, source, topic, content_type, at_us, payload in found:
        message = RawMessage(source, topic, content_type, at_us, False, bytes(payload))
        waiting.setdefault(message_id, (message_id, message, {}))[2][quarantine_id] = reason
    return list(waiting.values())


def _known(con: duckdb.DuckDBPyConnection, waiting: list[_Waiting]) -> Callable[[int, str], bool]:
    known = {
        (message_id, reason) for message_id, _, by_row in waiting for reason in by_row.values()
    }
    return lambda message_id, reason: (message_id, reason) in known


def _settle(
    con: duckdb.DuckDBPyConnection, waiting: list[_Waiting], still: dict[int, set[str]]
) -> int:
    settled = [
        quarantine_id
        for message_id, _, by_row in waiting
        for quarantine_id, reason in by_row.items()
        if reason not in still.get(message_id, set()) and reason not in FINAL
    ]
    if settled:
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        con.execute(
            "UPDATE quarantine SET retried_at = $now WHERE quarantine_id IN (SELECT unnest($rows))",
            {"now": now, "rows": settled},
        )
    return len(settled)
