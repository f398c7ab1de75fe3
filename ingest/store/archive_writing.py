"""What every change of the archive goes by: alone, files read back, named, and left ones removed.

A file's name is noted before it is written, and what nothing names in the end is removed; only what
is so noted, never what merely lies there.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import StoreError
from ingest.store import file_lock
from ingest.store.archive_files import decode_day
from ingest.store.archive_place import Place
from ingest.store.archive_reading import ArchiveFile, archived
from ingest.store.connection import DEFAULT_WAIT_S, store_path, write_window

if TYPE_CHECKING:
    import duckdb
    import pyarrow

Tell = Callable[[str], None]

#: Called with the name of what was just done; tests stop there.
Step = Callable[[str], None]

LOCK_NAME = "archive.lock"


@contextmanager
def alone(data: Path) -> Iterator[None]:
    """Keep a second archiving, and a backup, out of the way.

    Raises
    ------
    StoreError
        One is running.
    """
    data.mkdir(parents=True, exist_ok=True)
    try:
        lock = file_lock.take(data / LOCK_NAME)
    except file_lock.HeldElsewhere as error:
        raise StoreError(
            f"Another `gritbook archive` or `gritbook backup` is at work on {data} "
            f"(process {error.holder}).",
            "Wait until it is done, then run this again.",
        ) from error
    try:
        yield
    finally:
        lock.close()


def put(place: Place, path: str, content: bytes, rows: pyarrow.Table) -> None:
    """Write a file, read it back from where it lies, and compare every row bit for bit.

    Raises
    ------
    StoreError
        It came back otherwise; it is removed.
    ArchiveAway, DiskFull
        It could not be written.
    """
    place.write(path, content)
    back = place.read(path)
    if back != content or not same_bits(decode_day(back)[0], rows):
        place.remove(path)
        raise StoreError(
            f"{path} in {place.words} does not read back as it was written.",
            "Look at that disk; the rows are still in the store.",
        )


def same_bits(one: pyarrow.Table, other: pyarrow.Table) -> bool:
    """Whether two tables hold the same rows; doubles are compared as bits."""
    import numpy as np
    import pyarrow as pa

    if one.num_rows != other.num_rows or one.column_names != other.column_names:
        return False
    for name in one.column_names:
        left, right = one[name].combine_chunks(), other[name].combine_chunks()
        if pa.types.is_floating(left.type):
            if not left.is_valid().equals(right.is_valid()):
                return False
            bits = [
                column.drop_null().to_numpy(zero_copy_only=False).view(np.int64)
                for column in (left, right)
            ]
            if not np.array_equal(*bits):
                return False
        elif not left.equals(right.cast(left.type)):
            return False
    return True


def name_file(
    con: duckdb.DuckDBPyConnection,
    file: ArchiveFile,
    first_deadman_at: dt.datetime | None,
    last_deadman_at: dt.datetime | None,
    now: dt.datetime,
) -> None:
    """Put a file on the archive's list. The caller owns the transaction."""
    con.execute(
        "DELETE FROM archive_leftover WHERE place = ? AND path = ?", [file.place, file.path]
    )
    con.execute(
        "INSERT INTO archive_file VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [*file, first_deadman_at, last_deadman_at, now.astimezone(dt.UTC).replace(tzinfo=None)],
    )


def remove_leftovers(
    data: Path, step: Step = lambda name: None, wait_s: float = DEFAULT_WAIT_S
) -> int:
    """Remove files that nothing names: replaced ones, and such as were never named.

    Only files that the store knows it wrote itself are removed, never what merely lies there.
    """
    if not store_path(data).exists():
        return 0
    with write_window(data, wait_s) as con:
        left = con.execute("SELECT DISTINCT place, path FROM archive_leftover").fetchall()
        named = {(file.place, file.path) for file in archived(con)} if left else set()
    for address, path in left:
        # The same rows archived again have the same name: then it is named, and stays.
        if (address, path) not in named:
            Place(data, address).remove(path)
            step("removed")
    if left:
        with write_window(data, wait_s) as con:
            for address, path in left:
                con.execute(
                    "DELETE FROM archive_leftover WHERE place = ? AND path = ?", [address, path]
                )
    return sum(1 for one in left if one not in named)
