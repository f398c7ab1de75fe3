"""Caring for files of the archive: moved to another place, deleted for good, read whole."""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path

from ingest.errors import ArchiveAway, StoreError
from ingest.store.archive_files import decode_day
from ingest.store.archive_place import Place
from ingest.store.archive_reading import archived, forget
from ingest.store.archive_writing import Step, Tell, alone, put, remove_leftovers
from ingest.store.connection import DEFAULT_WAIT_S, read_window, write_window


def move(
    data: Path,
    before: dt.date,
    address: str,
    tell: Tell = lambda sentence: None,
    step: Step = lambda name: None,
    wait_s: float = DEFAULT_WAIT_S,
) -> int:
    """Move files of days before a date to another place; returns how many.

    Raises
    ------
    StoreError, ArchiveAway, DiskFull, StoreBusy
        As :func:`ingest.store.archive.archive`; a file is where it was, or where it goes.
    """
    place = Place(data, address)
    moved = 0
    with alone(data):
        with read_window(data, wait_s) as con:
            files = [f for f in archived(con) if f.day < before and f.place != address]
        for file in files:
            content = Place(data, file.place).read(file.path)
            if hashlib.sha256(content).hexdigest() != file.sha256:
                raise StoreError(
                    f"{file.path} is not what was archived: it has been changed.",
                    "Bring it back from a backup with `gritbook restore`.",
                )
            with write_window(data, wait_s) as con:
                con.execute("INSERT INTO archive_leftover VALUES (?, ?)", [address, file.path])
            put(place, file.path, content, decode_day(content)[0])
            step("moved")
            with write_window(data, wait_s) as con:
                con.execute(
                    "UPDATE archive_file SET place = $to WHERE place = $from AND path = $path",
                    {"to": address, "from": file.place, "path": file.path},
                )
                con.execute(
                    "DELETE FROM archive_leftover WHERE place = ? AND path = ?",
                    [address, file.path],
                )
                con.execute("INSERT INTO archive_leftover VALUES (?, ?)", [file.place, file.path])
            tell(f"{file.path} is in {place.words} now.")
            moved += 1
        remove_leftovers(data, step, wait_s)
    return moved


def delete(
    data: Path,
    before: dt.date,
    by: str,
    now: dt.datetime,
    wait_s: float = DEFAULT_WAIT_S,
) -> int:
    """Delete archived days before a date for good, and keep a row on each; returns how many.

    Figures that were derived stay until they are made anew: then those days have none.

    Parameters
    ----------
    data : Path
    before : date
        UTC.
    by : str
        Who asked for it.
    now : datetime
        Aware.
    wait_s : float
        [s]
    """
    with alone(data):
        with write_window(data, wait_s) as con:
            files = [file for file in archived(con) if file.day < before]
            for file in files:
                con.execute(
                    "INSERT INTO archive_gone VALUES (?, ?, ?, ?, ?, ?, ?)",
                    [
                        file.table, file.pot_id, file.day, file.rows, file.sha256,
                        now.astimezone(dt.UTC).replace(tzinfo=None), by,
                    ],
                )  # fmt: skip
                forget(con, file)
        remove_leftovers(data, wait_s=wait_s)
    return len(files)


def check_files(data: Path, wait_s: float = DEFAULT_WAIT_S) -> list[str]:
    """Read every archived file and compare its digest; a sentence on each that is not whole."""
    with read_window(data, wait_s) as con:
        files = archived(con)
    said = []
    for file in files:
        place = Place(data, file.place)
        try:
            content = place.read(file.path)
        except ArchiveAway as error:
            said.append(error.what)
            continue
        if hashlib.sha256(content).hexdigest() != file.sha256:
            said.append(f"{file.path} in {place.words} is not what was archived.")
    return said
