"""Taking files of the archive for what they are, where the store's own list of them is lost.

A file says itself which table, pot and day it is of, and its name holds the digest of what is in
it. So a store that is made anew needs no list: what lies in the archive's places is named again,
before the journal is taken, which then finds those days as they were.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, NamedTuple

from ingest.errors import ArchiveAway, StoreError
from ingest.store.archive_files import decode_day, layout_of
from ingest.store.archive_place import Place
from ingest.store.archive_reading import WITHOUT_MESSAGES, ArchiveFile, archived
from ingest.store.archive_writing import name_file

if TYPE_CHECKING:
    import duckdb
    import pyarrow


class Adopted(NamedTuple):
    """What was taken: files and rows; and what could not be, a sentence each."""

    files: int
    rows: int
    lost: tuple[str, ...]


class _Found(NamedTuple):
    place: str
    path: str
    content: bytes
    rows: pyarrow.Table
    said: dict[str, object]


def adopt(
    con: duckdb.DuckDBPyConnection, data: Path, addresses: Sequence[str], now: dt.datetime
) -> Adopted:
    """Name the files that lie in the archive's places, and forget such as are gone.

    A day of which the store has rows is not taken: it was brought back, and has all of the file's.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    data : Path
        Data folder.
    addresses : sequence of str
        Places, as of the yard file; the data folder's own is always looked at.
    now : datetime
        Aware.
    """
    lost: list[str] = []
    for file in archived(con):
        try:
            there = hashlib.sha256(Place(data, file.place).read(file.path)).hexdigest()
        except ArchiveAway as error:
            there, why = "", error.what
        else:
            why = f"{file.path} is not what was archived."
        if there != file.sha256:
            # What the journal has of that day comes back from there.
            lost.append(why)
            con.execute(
                "DELETE FROM archive_file WHERE place = ? AND path = ?", [file.place, file.path]
            )
    named = {(file.place, file.path) for file in archived(con)}
    fullest: dict[tuple[str, str, dt.date], _Found] = {}
    for address in dict.fromkeys(["", *addresses]):
        try:
            for found in _files(data, address, named, lost):
                day = dt.date.fromisoformat(str(found.said["day"]))
                key = (str(found.said["table"]), str(found.said["pot"]), day)
                held = fullest.get(key)
                # Of two of a day the later one has all of the earlier one's rows.
                if held is None or found.rows.num_rows > held.rows.num_rows:
                    fullest[key] = found
        except (ArchiveAway, StoreError) as error:
            lost.append(error.what)
    rows = files = 0
    for (table, pot, day), found in fullest.items():
        pot_id = _pot_id(con, table, pot, found)
        begin = dt.datetime.combine(day, dt.time())
        end = begin + dt.timedelta(days=1)
        hot = con.execute(
            f"SELECT 1 FROM {WITHOUT_MESSAGES[table]} WHERE pot_id = ? "
            "AND sampled_at >= ? AND sampled_at < ? LIMIT 1",
            [pot_id, begin, end],
        ).fetchall()
        if hot or any(file.day == day for file in archived(con, table, {pot_id}, begin, end)):
            continue
        _name(con, table, pot_id, day, found, now)
        files, rows = files + 1, rows + found.rows.num_rows
    con.execute(
        "INSERT INTO touched SELECT nextval('touched_number'), pot_id, min(first_at), max(last_at) "
        "FROM archive_file GROUP BY pot_id"
    )
    return Adopted(files, rows, tuple(lost))


def _files(data: Path, address: str, named: set[tuple[str, str]], lost: list[str]) -> list[_Found]:
    place = Place(data, address)
    found = []
    for path in place.paths():
        if (address, path) in named:
            continue
        content = place.read(path)
        digest = PurePosixPath(path).stem.rpartition("-")[2]
        if hashlib.sha256(content).hexdigest()[:16] != digest:
            lost.append(f"{path} in {place.words} is not what was archived.")
            continue
        rows, said = decode_day(content)
        found.append(_Found(address, path, content, rows, said))
    return found


def _pot_id(con: duckdb.DuckDBPyConnection, table: str, pot: str, found: _Found) -> int:
    """The pot's number, made where it has none; of tall rows their channels' as well."""
    from ingest.store.insert import places_of, series_of

    first_us = int(found.rows["arrived_at"][0].cast("int64").as_py())
    if table == "sample":
        series = [series_of(pot, "deadman", "/")]
    else:
        pairs = found.rows.select(["channel", "unit"]).group_by(["channel", "unit"]).aggregate([])
        series = [
            series_of(pot, str(channel), str(unit))
            for channel, unit in zip(
                pairs["channel"].to_pylist(), pairs["unit"].to_pylist(), strict=True
            )
        ]
    return places_of(con, series, first_us)[0].pot_id


def _name(
    con: duckdb.DuckDBPyConnection,
    table: str,
    pot_id: int,
    day: dt.date,
    found: _Found,
    now: dt.datetime,
) -> None:
    import pyarrow.compute as pc

    layout = layout_of(table, json.dumps(found.said["columns"]))
    instants = found.rows["sampled_at"]
    ends: list[dt.datetime | None] = [pc.min(instants).as_py(), pc.max(instants).as_py()]
    deadman: list[dt.datetime | None] = [None, None]
    if table == "sample":
        heard = instants.filter(found.rows["deadman"].is_valid())
        if len(heard):
            deadman = [pc.min(heard).as_py(), pc.max(heard).as_py()]
    file = ArchiveFile(
        table, pot_id, day, found.place, found.path,
        hashlib.sha256(found.content).hexdigest(), len(found.content), found.rows.num_rows,
        ends[0], ends[1], layout.text(),  # type: ignore[arg-type]
    )  # fmt: skip
    name_file(con, file, deadman[0], deadman[1], now)
