"""The journal: every message as it was heard, on disk before it is acknowledged.

One process writes, in the form of :mod:`ingest.store.journal_frames`. Every opening begins a new
segment, so a position that was ever handed out is never used again, even where a power cut took
the un-synced end of a segment after the store had moved its mark. Segments that have been taken
stay; they are what the store can be rebuilt from.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import IO, Self

from ingest.errors import DiskFull, JournalError
from ingest.readings import RawMessage
from ingest.store import file_lock
from ingest.store.journal_frames import (
    Position,
    encode,
    journal_folder,
    read_segment,
    segment_numbers,
    segment_path,
)

#: A segment that has reached this is followed by a new one. [bytes]
SEGMENT_BYTES = 64 << 20


class Journal:
    """The writing end. Not for several threads.

    Parameters
    ----------
    data : Path
        Data folder.
    after_segment : int
        The new segment's number is above this: the store's mark may know of segments that are no
        longer in the folder.
    segment_bytes : int
        A segment that has reached this is followed by a new one. [bytes]

    Raises
    ------
    JournalError
        Another ingest has the journal, or the folder cannot be written.
    """

    def __init__(
        self, data: Path, after_segment: int = 0, segment_bytes: int = SEGMENT_BYTES
    ) -> None:
        self._folder = journal_folder(data)
        self._segment_bytes = segment_bytes
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._lock = file_lock.take(self._folder / "lock")
        except file_lock.HeldElsewhere as error:
            raise JournalError(
                f"Another `gritbook ingest` is writing to {data} (process {error.holder}).",
                "Stop that one first, or give this one its own folder with --data.",
            ) from error
        except OSError as error:
            raise _journal_error(self._folder, error) from error
        numbers = segment_numbers(self._folder)
        #: Bytes of a frame that was being written when the last ingest ended, kept in `*.torn`.
        self.torn_bytes = _cut_torn_end(self._folder, numbers[-1]) if numbers else 0
        self._segment = max([after_segment, *numbers])
        self._file: IO[bytes] | None = None
        self._synced_bytes = 0
        self._waiting: list[RawMessage] = []
        self._end = Position(self._segment + 1, 0)

    @property
    def end(self) -> Position:
        """Where the synced part ends: what lies before it survives a power cut."""
        return self._end

    def append(self, message: RawMessage) -> None:
        """Take a message into the next :meth:`sync`."""
        self._waiting.append(message)

    def extend(self, messages: Iterable[RawMessage]) -> None:
        """Take messages into the next :meth:`sync`."""
        self._waiting.extend(messages)

    def sync(self) -> None:
        """Bring what was appended to the disk. Where it raises, the messages still wait.

        Raises
        ------
        DiskFull
            There is no room; call again when there is.
        JournalError
            The disk failed. What was not synced must not be acknowledged.
        """
        if not self._waiting:
            return
        block = encode(self._waiting)
        try:
            if self._file is None or self._synced_bytes >= self._segment_bytes:
                self._begin_segment()
            assert self._file is not None
            _write_all(self._file.fileno(), block)
            _sync_data(self._file.fileno())
        except OSError as error:
            self._take_back()
            if error.errno in (errno.ENOSPC, errno.EDQUOT):
                raise DiskFull(
                    f"The disk that holds {self._folder} is full.",
                    "Make room; ingest goes on by itself.",
                ) from error
            raise _journal_error(self._folder, error) from error
        self._waiting.clear()
        self._synced_bytes += len(block)
        self._end = Position(self._segment, self._synced_bytes)

    def close(self) -> None:
        """Sync what waits, and let the journal go."""
        try:
            self.sync()
        finally:
            self.release()

    def release(self) -> None:
        """Let the journal go without another sync, where the disk has failed."""
        if self._file is not None:
            self._file.close()
            self._file = None
        self._lock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _begin_segment(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        path = segment_path(self._folder, self._segment + 1)
        file = path.open("xb", buffering=0)
        try:
            _sync_folder(self._folder)
        except OSError:
            file.close()
            path.unlink()
            raise
        self._file = file
        self._segment += 1
        self._synced_bytes = 0

    def _take_back(self) -> None:
        """Cut the file back to what is synced, so that a later try begins at a clean end."""
        if self._file is None:
            return
        try:
            self._file.truncate(self._synced_bytes)
            self._file.seek(self._synced_bytes)
        except OSError:
            # The half-written end stays; a new segment begins behind it and readers pass over it.
            self._file.close()
            self._file = None


def _cut_torn_end(folder: Path, number: int) -> int:
    """Cut a frame that was never finished off the newest segment; its bytes stay in `*.torn`."""
    path = segment_path(folder, number)
    try:
        good = 0
        for read in read_segment(folder, number, 0, None, still_written=True):
            good = read.end.offset
        size = path.stat().st_size
        if size == good:
            return 0
        with path.open("r+b") as file:
            file.seek(good)
            torn = file.read()
            path.with_suffix(".torn").write_bytes(torn)
            file.truncate(good)
            _sync_data(file.fileno())
    except OSError as error:
        raise _journal_error(folder, error) from error
    return len(torn)


def _write_all(descriptor: int, block: bytes) -> None:
    view = memoryview(block)
    while view:
        view = view[os.write(descriptor, view) :]


def _sync_data(descriptor: int) -> None:
    # fdatasync leaves out the times of the file, not its length; not every platform has it.
    getattr(os, "fdatasync", os.fsync)(descriptor)


def _sync_folder(folder: Path) -> None:
    """Make a new file's name survive a power cut; only POSIX can, and needs to be told."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _journal_error(folder: Path, error: OSError) -> JournalError:
    return JournalError(
        f"The journal in {folder} cannot be written: {error.strerror or error}.",
        "Check that the disk is there and sound and that you may write to the folder.",
    )
