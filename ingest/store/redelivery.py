"""Knowing a message that the broker sends a second time.

A reading with its own time is known by its instant. A message whose times count from its arrival
is not: sent again, it would give other instants. The broker marks what it may have sent before
(DUP) and keeps its packet identifier. So a marked message is a repetition where the last message
of that source with that packet identifier had the same topic and bytes; if it never reached the
journal it is not one, though the mark is the same.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from ingest.readings import RawMessage
from ingest.store.journal_frames import (
    Entry,
    Position,
    journal_folder,
    read_segment,
    segment_numbers,
)

#: Packet identifiers of MQTT go from 1 to this, so no more can be under way at once.
MOST_UNDER_WAY = 65_535


class Redeliveries:
    """The digest of the last message of each source and packet identifier."""

    def __init__(self) -> None:
        self._digests: dict[str, dict[int, bytes]] = {}

    def is_repetition(self, message: RawMessage) -> bool:
        """Say whether a message was heard before, and remember it; once a message, in order."""
        if not message.transport_id:
            return False
        digests = self._digests.setdefault(message.source, {})
        digest = hashlib.blake2b(
            message.payload, digest_size=12, key=message.topic.encode()[:64]
        ).digest()
        heard_before = message.repeated and digests.get(message.transport_id) == digest
        digests[message.transport_id] = digest
        return heard_before


def from_journal(data: Path, mark: Position) -> Redeliveries:
    """Rebuild the memory from what the journal holds before a mark.

    Parameters
    ----------
    data : Path
        Data folder.
    mark : Position
        How far the journal has been taken.

    Returns
    -------
    Redeliveries
    """
    memory = Redeliveries()
    for message in _last_before(data, mark):
        memory.is_repetition(message)
    return memory


def _last_before(data: Path, mark: Position) -> Iterator[RawMessage]:
    """The last messages with a packet identifier before a mark, at least as many as count."""
    folder = journal_folder(data)
    blocks: list[list[RawMessage]] = []
    count = 0
    for number in reversed([n for n in segment_numbers(folder) if n <= mark.segment]):
        stop = mark.offset if number == mark.segment else None
        block = [
            read.message
            for read in read_segment(folder, number, 0, stop, still_written=True)
            if isinstance(read, Entry) and read.message.transport_id
        ]
        blocks.append(block)
        count += len(block)
        if count >= MOST_UNDER_WAY:
            break
    for block in reversed(blocks):
        yield from block
