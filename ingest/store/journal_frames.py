"""The journal's segments and frames: their form, and reading them back.

A folder of segments, ``00000001.journal`` and on, each a row of frames::

    magic     4 bytes  F7 47 42 4A
    version   1        1
    flags     1        bit 0: the transport marked it as possibly sent before
    source    2        length of the source's name
    topic     2        length of the topic
    type      2        length of the content type
    payload   4        length of the payload
    transport 4        the transport's own number of the message; 0: none
    arrived   8        microseconds since 1970 UTC
    crc       4        CRC-32 of all the above but the magic, and of all that follows
    source, topic, content type (UTF-8), payload

All numbers little-endian. A position is a segment and an offset; as one number, the ``message_id``,
it is ``segment * 2**32 + offset``.

Reading finds its way: bytes that are no frame are passed over up to the next good one.
"""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import IO, NamedTuple

from ingest.readings import RawMessage

MAGIC = b"\xf7GBJ"
#: Longest payload that is kept; the MQTT source tells the broker so. [bytes]
MAX_PAYLOAD_BYTES = 16 << 20

_HEADER = struct.Struct("<4sBBHHHIIqI")
# The same in the two parts that are written: what the CRC covers of it, and that with the rest.
_CHECKED = struct.Struct("<BB6sIIq")
_HEAD = struct.Struct("<4s24sI")
_VERSION = 1
_REPEATED = 1
_READ_BYTES = 4 << 20


class Position(NamedTuple):
    """A place in the journal: where the next frame to take begins."""

    segment: int
    offset: int

    @property
    def message_id(self) -> int:
        """The position as one number that grows."""
        return (self.segment << 32) + self.offset

    @classmethod
    def of_message_id(cls, message_id: int) -> Position:
        """The position that a ``message_id`` stands for."""
        return cls(message_id >> 32, message_id & 0xFFFF_FFFF)


BEGINNING = Position(0, 0)


class Entry(NamedTuple):
    """A frame read back. ``end`` is where the next one begins."""

    begin: Position
    end: Position
    message: RawMessage


class Damage(NamedTuple):
    """Bytes between two good frames that are no frame; ``raw`` is at most 64 KiB of them."""

    begin: Position
    end: Position
    raw: bytes


def journal_folder(data: Path) -> Path:
    """The journal of a data folder."""
    return data / "journal"


def encode(messages: Iterable[RawMessage]) -> bytes:
    """Messages as frames, one behind the other."""
    # A journal's group is written while its messages wait to be acknowledged, so every step counts:
    # what messages have in common is worked out where it changes only.
    parts: list[bytes] = []
    known: tuple[str, str, str] | None = None
    for source, topic, content_type, arrived_us, repeated, payload, transport_id in messages:
        if (source, topic, content_type) != known:
            known = (source, topic, content_type)
            names, lengths = _names(*known)
        flags = _REPEATED if repeated else 0
        checked = _CHECKED.pack(_VERSION, flags, lengths, len(payload), transport_id, arrived_us)
        crc = zlib.crc32(payload, zlib.crc32(names, zlib.crc32(checked)))
        parts += (_HEAD.pack(MAGIC, checked, crc), names, payload)
    return b"".join(parts)


@lru_cache(maxsize=1024)
def _names(source: str, topic: str, content_type: str) -> tuple[bytes, bytes]:
    """What messages have in common: the names, and their lengths as the header has them."""
    parts = (source.encode(), topic.encode(), content_type.encode())
    return b"".join(parts), struct.pack("<3H", *map(len, parts))


def segment_path(folder: Path, number: int) -> Path:
    """The file of a segment."""
    return folder / f"{number:08d}.journal"


def segment_numbers(folder: Path) -> list[int]:
    """Numbers of the segments in a journal folder, oldest first."""
    if not folder.is_dir():
        return []
    # Each take asks, and a journal may have thousands: no path is made of each.
    with os.scandir(folder) as entries:
        names = [entry.name.partition(".") for entry in entries]
    return sorted(int(stem) for stem, _, rest in names if rest == "journal" and stem.isdigit())


def waiting_bytes(data: Path, mark: Position, end: Position | None = None) -> int:
    """Bytes of the journal that lie behind a mark. [bytes]"""
    folder = journal_folder(data)
    total = 0
    for number in segment_numbers(folder):
        if number < mark.segment or (end is not None and number > end.segment):
            continue
        size = segment_path(folder, number).stat().st_size
        if end is not None and number == end.segment:
            size = min(size, end.offset)
        total += size - (min(mark.offset, size) if number == mark.segment else 0)
    return total


def read_from(
    data: Path, mark: Position = BEGINNING, end: Position | None = None
) -> Iterator[Entry | Damage]:
    """Read frames from a position on.

    Parameters
    ----------
    data : Path
        Data folder.
    mark : Position
        Where to begin: the beginning or the end of a frame.
    end : Position, optional
        Where to stop, such as :attr:`Journal.end`; without it at the last whole frame.

    Yields
    ------
    Entry or Damage
        In order. Bytes that are no frame are passed over up to the next good one.
    """
    folder = journal_folder(data)
    numbers = [n for n in segment_numbers(folder) if n >= mark.segment]
    if end is not None:
        numbers = [n for n in numbers if n <= end.segment]
    for number in numbers:
        begin = mark.offset if number == mark.segment else 0
        stop = end.offset if end is not None and number == end.segment else None
        # Only the newest segment may end in a frame that is still being written.
        still_written = end is None and number == numbers[-1]
        yield from read_segment(folder, number, begin, stop, still_written)


def read_segment(
    folder: Path, number: int, begin: int, stop: int | None, still_written: bool
) -> Iterator[Entry | Damage]:
    """Read one segment from ``begin`` to ``stop``; bytes at its end that are no frame are damage,
    unless it is ``still_written``."""
    with segment_path(folder, number).open("rb", buffering=0) as file:
        size = os.fstat(file.fileno()).st_size
        stop = size if stop is None else min(stop, size)
        window = _Window(file, begin, stop)
        while window.at < stop:
            read = window.frame()
            if read is not None:
                message, length = read
                start = Position(number, window.at)
                window.at += length
                yield Entry(start, Position(number, window.at), message)
                continue
            broken_at = window.at
            found = window.search()
            if not found and still_written:
                return
            raw = window.bytes_of(broken_at, min(window.at - broken_at, 1 << 16))
            yield Damage(Position(number, broken_at), Position(number, window.at), raw)


class _Window:
    """A stretch of a segment in memory, moved along as frames are read."""

    def __init__(self, file: IO[bytes], at: int, stop: int) -> None:
        self._file = file
        self._stop = stop
        self._begin = at
        self._bytes = b""
        self.at = at

    def bytes_of(self, at: int, length: int) -> bytes:
        """Bytes from an offset on; fewer where the stretch to read ends."""
        if at < self._begin or at + length > self._begin + len(self._bytes):
            want = min(max(length, _READ_BYTES), self._stop - at)
            self._file.seek(at)
            parts = []
            while want > 0 and (part := self._file.read(want)):
                parts.append(part)
                want -= len(part)
            self._begin, self._bytes = at, b"".join(parts)
        skip = at - self._begin
        return self._bytes[skip : skip + min(length, self._stop - at)]

    def frame(self) -> tuple[RawMessage, int] | None:
        """The frame here and its length, or ``None`` where there is no good one."""
        header = self.bytes_of(self.at, _HEADER.size)
        if len(header) < _HEADER.size:
            return None
        (magic, version, flags, *lengths, transport_id, arrived_us, crc) = _HEADER.unpack(header)
        if magic != MAGIC or version != _VERSION or lengths[3] > MAX_PAYLOAD_BYTES:
            return None
        length = sum(lengths)
        body = self.bytes_of(self.at + _HEADER.size, length)
        if len(body) < length or zlib.crc32(body, zlib.crc32(header[4:-4])) != crc:
            return None
        topic_at = lengths[0]
        type_at = topic_at + lengths[1]
        payload_at = type_at + lengths[2]
        message = RawMessage(
            body[:topic_at].decode(),
            body[topic_at:type_at].decode(),
            body[type_at:payload_at].decode(),
            arrived_us,
            bool(flags & _REPEATED),
            body[payload_at:],
            transport_id,
        )
        return message, _HEADER.size + length

    def search(self) -> bool:
        """Move on to the next good frame; ``False``, and to the end, where there is none."""
        self.at += 1
        while self.at < self._stop:
            stretch = self.bytes_of(self.at, min(_READ_BYTES, self._stop - self.at))
            found = stretch.find(MAGIC)
            if found < 0:
                # The magic may lie across the end of the stretch.
                self.at += max(len(stretch) - len(MAGIC) + 1, 1)
                continue
            self.at += found
            if self.frame() is not None:
                return True
            self.at += 1
        self.at = self._stop
        return False
