"""Knowing a message that the broker, or the box itself, sends a second time.

A reading with its own time is known by its instant. A message whose times count from its arrival
is not: sent again, it would give other instants. The broker marks what it may have sent before
(DUP) and keeps its packet identifier. So a marked message is a repetition where the last message
of that source with that packet identifier had the same topic and bytes; if it never reached the
journal it is not one, though the mark is the same.

A box that never got its acknowledgement sends again by itself, without a mark and with other
relative times. Its message counter gives it away: :class:`Republished`.
"""

from __future__ import annotations

import hashlib
import zlib
from collections import OrderedDict, defaultdict, deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from ingest.readings import RawMessage
from ingest.store.journal_frames import (
    Entry,
    Position,
    journal_folder,
    read_segment,
    segment_numbers,
)
from ingest.wire.columns import ColumnDecoder, Columns

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


#: Messages of a pot that are remembered by their counter, and for how long. [us]
REMEMBERED, REMEMBERED_US = 1_024, 3_600_000_000
#: A counter that stands still is none: after so many in a row its messages count as new.
_MOST_IN_A_ROW = 3


class _Counted(NamedTuple):
    digest: bytes
    arrived_us: int


class Republished:
    """The last messages with relative times of each pot, by their counter.

    A message is a repetition where one of the same pot had the same counter and the same readings
    within the last hour. A box that begins its counter anew is heard in full, unless it reads the
    very same everywhere: then a message of its first seconds may be taken for a repetition. A box
    that sends absolute times is never in doubt.
    """

    def __init__(self) -> None:
        self._pots: dict[str, OrderedDict[float, _Counted]] = defaultdict(OrderedDict)
        self._runs: dict[str, tuple[float, int]] = {}

    def repetitions(self, columns: Columns, messages: Sequence[RawMessage]) -> set[int]:
        """Say which messages were heard before, and remember them; once a message, in order.

        Parameters
        ----------
        columns : Columns
            Decoded from ``messages``.
        messages : sequence of RawMessage

        Returns
        -------
        set of int
            Indices of messages.
        """
        if not columns.relative:
            return set()
        slots = columns.slots
        is_seq = np.array([slot.column == "seq" for slot in slots], np.bool_)[columns.slot]
        counted = sorted(columns.relative.intersection(columns.message[is_seq].tolist()))
        names = np.array(
            [zlib.crc32(f"{s.pot}/{s.channel} {s.unit}".encode()) for s in slots], np.uint32
        )
        begins = np.searchsorted(columns.message, counted, side="left")
        ends = np.searchsorted(columns.message, counted, side="right")
        found = set()
        for number, begin, end in zip(counted, begins.tolist(), ends.tolist(), strict=True):
            at = begin + int(np.argmax(is_seq[begin:end]))
            digest = hashlib.blake2b(
                names[columns.slot[begin:end]].tobytes() + columns.value[begin:end].tobytes(),
                digest_size=12,
            ).digest()
            pot, seq = slots[columns.slot[at]].pot, float(columns.value[at])
            if self._was_heard(pot, seq, digest, messages[number].arrived_us):
                found.add(number)
        return found

    def _was_heard(self, pot: str, seq: float, digest: bytes, arrived_us: int) -> bool:
        last_seq, times = self._runs.get(pot, (seq, 0))
        times = times + 1 if seq == last_seq else 1
        self._runs[pot] = (seq, times)
        known = self._pots[pot]
        before = known.get(seq)
        if (
            before is not None
            and before.digest == digest
            and abs(arrived_us - before.arrived_us) <= REMEMBERED_US
            and times <= _MOST_IN_A_ROW
        ):
            return True
        known[seq] = _Counted(digest, arrived_us)
        known.move_to_end(seq)
        while len(known) > REMEMBERED:
            known.popitem(last=False)
        return False


def from_journal(data: Path, mark: Position) -> tuple[Redeliveries, Republished]:
    """Rebuild both memories from what the journal holds before a mark.

    Parameters
    ----------
    data : Path
        Data folder.
    mark : Position
        How far the journal has been taken.

    Returns
    -------
    tuple of Redeliveries and Republished
    """
    memory, counted = Redeliveries(), Republished()
    last: deque[RawMessage] = deque(maxlen=_LAST_COUNTED)
    for message in _last_before(data, mark):
        memory.is_repetition(message)
        last.append(message)
    messages = list(last)
    counted.repetitions(ColumnDecoder().decode(messages), messages)
    return memory, counted


#: A second start reads no further back than this for counters, nor for anything.
_LAST_COUNTED, _MOST_LOOKED_AT = 4 * REMEMBERED, 4 * MOST_UNDER_WAY


def _last_before(data: Path, mark: Position) -> Iterator[RawMessage]:
    """The last messages before a mark, with at least as many packet identifiers as count."""
    folder = journal_folder(data)
    blocks: list[list[RawMessage]] = []
    count = looked_at = 0
    for number in reversed([n for n in segment_numbers(folder) if n <= mark.segment]):
        stop = mark.offset if number == mark.segment else None
        block = [
            read.message
            for read in read_segment(folder, number, 0, stop, still_written=True)
            if isinstance(read, Entry)
        ]
        blocks.append(block)
        count += sum(1 for message in block if message.transport_id)
        looked_at += len(block)
        if count >= MOST_UNDER_WAY or looked_at >= _MOST_LOOKED_AT:
            break
    for block in reversed(blocks):
        yield from block
