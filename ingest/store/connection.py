"""Short windows onto the store file.

DuckDB lets one process write or many read. So nobody keeps the file open: a window opens it, does
one thing and closes it; what a process keeps is the engine (``engine.py``). A window that finds the
file held waits, with jitter, and gives up with a sentence. A connection never leaves the thread
that opened it.
"""

from __future__ import annotations

import os
import random
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import DiskFull, GritbookError, StoreBusy, StoreError
from ingest.store import engine, turns, updating

if TYPE_CHECKING:
    import duckdb

_LOCKS: dict[Path, threading.Lock] = {}
_LOCKS_LOCK = threading.Lock()

STORE_NAME = "gritbook.duckdb"

#: Longest wait for the file [s]. A write window lasts tens of milliseconds, a page's reads at most
#: a few hundred; a process that holds the file for longer than this is not one of ours.
DEFAULT_WAIT_S = 20.0


# How DuckDB passes on that a disk or a quota is full.
_NO_ROOM = ("No space left on device", "Disk quota exceeded", "not enough space on the disk")
# How it says that what it reads is not what it wrote.
_DAMAGED = (
    "Corrupt database",
    "does not match stored checksum",
    "not a valid DuckDB database file",
)
# How it says that another process has the file, on POSIX and on Windows.
_HELD = ("Could not set lock", "being used by another process")


# What a writer does at its end to put small groups of rows together, such as large batches leave:
# with DuckDB's own 100 each writer of a large store took seconds and a gigabyte. A little each
# time gets there too, and `gritbook archive` does more at once.
_WRITER_SETTINGS = "SET GLOBAL max_vacuum_tasks = 4"


def store_path(data: Path) -> Path:
    """The store file of a data folder."""
    return data / STORE_NAME


@contextmanager
def read_window(data: Path, wait_s: float = DEFAULT_WAIT_S) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the store for reading, and close it at the end of the block.

    Parameters
    ----------
    data : Path
        Data folder.
    wait_s : float
        How long to wait while a writer holds the file. [s]

    Raises
    ------
    StoreError
        There is no store yet, it is damaged, or its schema is newer than this Gritbook.
    StoreBusy
        The file was held for longer than ``wait_s``; :class:`StoreUpdating` where it is being
        brought up to date for this version.
    """
    from ingest.store import migrations

    path = store_path(data)
    if not path.exists():
        raise StoreError(
            f"There is no store in {data}.",
            "Start `gritbook ingest`, or bring a file in with `gritbook import`.",
        )
    import duckdb

    with open_store(path, read_only=True, wait_s=wait_s) as con:
        try:
            migrations.require_current(con)
            yield con
        except duckdb.Error as error:
            told = _told(path, error)
            if told is error:
                raise
            raise told from error


@contextmanager
def write_window(data: Path, wait_s: float = DEFAULT_WAIT_S) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the store for writing in one transaction: committed at the end, rolled back on error.

    The file is made and brought to the newest schema where needed.

    Parameters
    ----------
    data : Path
        Data folder; made where it does not exist.
    wait_s : float
        How long to wait while another process holds the file. [s]

    Raises
    ------
    StoreError
        The file cannot be written, is damaged, or its schema is newer than this Gritbook.
    StoreBusy
        The file was held for longer than ``wait_s``.
    DiskFull
        There is no room; nothing of the transaction is stored.
    """
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"The data folder {data} cannot be made: {error.strerror}.",
            "Choose another with --data or GRITBOOK_DATA.",
        ) from error
    with _alone(store_path(data), wait_s):
        yield from _transaction(data, wait_s)


def _transaction(data: Path, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    import duckdb

    from ingest.store import migrations
    from ingest.store.transaction import transaction

    if not store_path(data).exists():
        _make_store(store_path(data))
    with open_store(store_path(data), read_only=False, wait_s=wait_s) as con:
        try:
            con.execute(_WRITER_SETTINGS)
            migrations.apply(con)
            with transaction(con):
                yield con
        except duckdb.Error as error:
            told = _told(store_path(data), error)
            if told is error:
                raise
            raise told from error


def _make_store(path: Path) -> None:
    """Make an empty store under another name, and give it its own once it is whole.

    A disk that is full or a power cut in the midst would else leave a file that is no store, and
    would bar the way when there is room again. Where another process was first, its store stays.

    Raises
    ------
    StoreError, DiskFull
        As :func:`write_window`.
    """
    import duckdb

    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        fresh.unlink(missing_ok=True)
        duckdb.connect(str(fresh)).close()
        try:
            os.link(fresh, path)
        except FileExistsError:
            pass
        except OSError:
            # Not every file system knows links; a name of its own is as good.
            if not path.exists():
                fresh.rename(path)
    except duckdb.Error as error:
        told = _told(path, error)
        if told is not error:
            raise told from error
        raise StoreError(
            f"The store {path} cannot be made: {_first_line(error)}",
            "Check that the disk is there and that you may write to the folder.",
        ) from error
    except OSError as error:
        raise StoreError(
            f"The store {path} cannot be made: {error.strerror}.",
            "Check that the disk is there and that you may write to the folder.",
        ) from error
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)


def _told(path: Path, error: duckdb.Error) -> GritbookError | duckdb.Error:
    """A full disk and a damaged file as sentences; a wrong statement stays as it is."""
    text = str(error)
    if any(words in text for words in _NO_ROOM):
        return DiskFull(
            f"The disk that holds the store {path} is full.",
            "Make room; nothing was stored by halves, and the journal keeps what waits.",
        )
    if any(words in text for words in _DAMAGED):
        return StoreError(
            f"The store {path} is damaged: {_first_line(error)}.",
            "Run `gritbook repair`: it is made anew from the journal.",
        )
    return error


@contextmanager
def _alone(path: Path, wait_s: float) -> Iterator[None]:
    """Keep other threads of this process out of a write window.

    Between processes DuckDB's own lock does that; within one process connections share an instance,
    and two transactions would see each other only when they clash.
    """
    with _LOCKS_LOCK:
        lock = _LOCKS.setdefault(path.resolve(), threading.Lock())
    if not lock.acquire(timeout=wait_s):
        raise StoreBusy(
            f"The store {path} was held in this program for {wait_s:.0f} s.", "Try again."
        )
    try:
        yield
    finally:
        lock.release()


@contextmanager
def open_store(path: Path, read_only: bool, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """Open the store file, waiting while another process holds it, for the length of a block.

    For windows of one's own use :func:`read_window` and :func:`write_window`.

    Parameters
    ----------
    path : Path
    read_only : bool
    wait_s : float
        [s]

    Raises
    ------
    StoreError
        It cannot be opened, or is no store.
    StoreBusy
        It was held for longer than ``wait_s``.
    DiskFull
        Opening it needs room, and there is none.
    """
    with turns.Turn(path) as turn:
        if not read_only:
            turn.let_others_first()
        opened = _opened(path, read_only, wait_s, turn)
    whole = False
    try:
        yield opened.con
        whole = True
    finally:
        opened.close(spoiled=not whole)


def _opened(path: Path, read_only: bool, wait_s: float, turn: turns.Turn) -> engine.Opened:
    import duckdb

    give_up_at = time.monotonic() + wait_s
    pause_s, longest_s = 0.005, 0.1
    while True:
        try:
            return engine.open_file(path, read_only)
        except duckdb.IOException as error:
            # "lock" alone would not do: a damaged file is told of by its block.
            if not any(words in str(error) for words in _HELD):
                told = _told(path, error)
                if told is not error:
                    raise told from error
                raise StoreError(
                    f"The store {path} cannot be opened: {_first_line(error)}",
                    "Check that the disk is there and that you may write to the folder.",
                ) from error
            if time.monotonic() >= give_up_at:
                raise updating.refusal(path) or StoreBusy(
                    f"The store {path} was held by another program for {wait_s:.0f} s.",
                    "Close whatever else has it open, then try again.",
                ) from error
        except engine.OpenHere as error:
            # The same process has it open in the other mode in another thread: the same wait.
            if time.monotonic() >= give_up_at:
                raise updating.refusal(path) or StoreBusy(
                    f"The store {path} was held in this program for {wait_s:.0f} s.",
                    "Try again.",
                ) from error
        except duckdb.Error as error:
            raise StoreError(
                f"The store {path} is not a store that can be read: {_first_line(error)}",
                "Run `gritbook repair`: it is made anew from the journal.",
            ) from error
        if turn.wait():
            # Who lets us go first does not wait for long: look more often.
            longest_s = 0.02
        time.sleep(min(pause_s, longest_s) * random.uniform(0.5, 1.5))
        pause_s *= 1.6


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
