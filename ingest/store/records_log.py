"""What people entered, a second time: a text file beside the store, for rebuilding it.

Readings can be had again from the journal; what people typed cannot. So each row of the table
``record`` is also a line of ``records.log``: a JSON object with the row's columns, a space, ``*``
and the CRC-32 of the object's bytes in eight hexadecimal digits. Lines are only ever added.

The copy is made right after the store has committed, and before the person is told that it is
saved. Rows that the copy lacks, because the power went in between or the disk was full, follow with
the next entry; :func:`lacking` counts them for `gritbook check`.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

if TYPE_CHECKING:
    import duckdb

LOG_NAME = "records.log"

COLUMNS = (
    "record_id", "kind", "recorded_at", "recorded_by", "via", "supersedes", "withdrawn", "reason",
    "body", "number", "link",
)  # fmt: skip
#: Columns that lines lack which were written before there was a chain.
_LATER = ("number", "link")
_LINE = re.compile(rb"^(.*) \*([0-9A-F]{8})$", re.DOTALL)


class Kept(NamedTuple):
    """What a log holds.

    Parameters
    ----------
    rows : list of dict
        By the columns of ``record``, each row once, in the order of entry.
    damaged : list of int
        Numbers of lines that cannot be read, counted from 1.
    """

    rows: list[dict[str, Any]]
    damaged: list[int]


def log_path(data: Path) -> Path:
    """The log of a data folder."""
    return data / LOG_NAME


def read(data: Path) -> Kept:
    """Read the log; empty where there is none."""
    try:
        raw = log_path(data).read_bytes()
    except FileNotFoundError:
        return Kept([], [])
    rows: dict[str, dict[str, Any]] = {}
    damaged = []
    for number, line in enumerate(raw.split(b"\n"), start=1):
        if not line:
            continue
        row = _row(line)
        if row is None:
            damaged.append(number)
        elif rows.get(row["record_id"], {}).get("link") is None:
            rows[row["record_id"]] = row
    return Kept(list(rows.values()), damaged)


def lacking(con: duckdb.DuckDBPyConnection, data: Path) -> list[dict[str, Any]]:
    """Rows of the store that the log does not have, or not with their link, oldest first."""
    known = [row["record_id"] for row in read(data).rows if row["link"] is not None]
    found = con.execute(
        f"SELECT {', '.join(COLUMNS)} FROM record "
        "WHERE record_id NOT IN (SELECT unnest($known::VARCHAR[])) ORDER BY record_id",
        {"known": known},
    ).fetchall()
    return [dict(zip(COLUMNS, row, strict=True)) for row in found]


def append(data: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Add rows, and bring them to the disk.

    Raises
    ------
    OSError
        They could not be written. What was written of them by halves is passed over later.
    """
    if not rows:
        return
    block = b"".join(_line(row) for row in rows)
    with log_path(data).open("ab", buffering=0) as file:
        if file.tell() and not _ends_with_a_line(log_path(data)):
            block = b"\n" + block
        view = memoryview(block)
        while view:
            view = view[file.write(view) :]
        os.fsync(file.fileno())


def restore(con: duckdb.DuckDBPyConnection, data: Path) -> int:
    """Put rows of the log that the store lacks into it; the caller owns the transaction.

    Returns
    -------
    int
        How many.
    """
    known = {row[0] for row in con.execute("SELECT record_id FROM record").fetchall()}
    fresh = [row for row in read(data).rows if row["record_id"] not in known]
    if fresh:
        con.executemany(
            f"INSERT INTO record ({', '.join(COLUMNS)}) VALUES ({', '.join('?' * len(COLUMNS))})",
            [[row[column] for column in COLUMNS] for row in fresh],
        )
    return len(fresh)


def _line(row: dict[str, Any]) -> bytes:
    written = {**row, "recorded_at": row["recorded_at"].isoformat()}
    text = msgspec.json.encode({column: written[column] for column in COLUMNS})
    return text + b" *%08X\n" % zlib.crc32(text)


def _row(line: bytes) -> dict[str, Any] | None:
    found = _LINE.match(line)
    if found is None or zlib.crc32(found[1]) != int(found[2], 16):
        return None
    row: dict[str, Any] = dict.fromkeys(_LATER) | msgspec.json.decode(found[1])
    row["recorded_at"] = dt.datetime.fromisoformat(row["recorded_at"])
    return row


def _ends_with_a_line(path: Path) -> bool:
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        return file.read(1) == b"\n"
