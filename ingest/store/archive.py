"""Moving days that are over into files, so that the store stays as small as its last weeks.

Per pot and UTC day: read the rows; note the name the file will have; write the file, bring it to
the disk, read it back and compare every row bit for bit; and only then, in one transaction, name it
in ``archive_file`` and delete the rows, if they are still the same. Stopped at any point, a day is
either hot, with perhaps a file that nothing names, or archived; the next run removes such files.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import quote

from ingest.store.archive_files import COLUMNS, ORDER, encode_day
from ingest.store.archive_pack import give_room_back
from ingest.store.archive_place import Place
from ingest.store.archive_reading import ArchiveFile, archived
from ingest.store.archive_ripe import Ripe, Waiting, begin_of, ripe_days
from ingest.store.archive_writing import Step, Tell, alone, name_file, put, remove_leftovers
from ingest.store.connection import DEFAULT_WAIT_S, read_window, store_path, write_window
from ingest.store.sample_rows import remove_samples

if TYPE_CHECKING:
    import duckdb
    import pyarrow


class Archived(NamedTuple):
    """What an archiving did.

    Parameters
    ----------
    files, rows, size : int
        New files, rows in them, and what they come to. [bytes]
    removed : int
        Files that nothing named any more.
    waiting : tuple of Waiting
        What is old enough and was left.
    store_before, store_after : int
        Size of the store. [bytes]
    """

    files: int
    rows: int
    size: int
    removed: int
    waiting: tuple[Waiting, ...]
    store_before: int
    store_after: int


def archive(
    data: Path,
    site: str,
    before: dt.date,
    address: str = "",
    tell: Tell = lambda sentence: None,
    step: Step = lambda name: None,
    now: dt.datetime | None = None,
    wait_s: float = DEFAULT_WAIT_S,
) -> Archived:
    """Move all ripe days into files.

    Parameters
    ----------
    data : Path
        Data folder.
    site : str
        The site's name, for the path.
    before : date
        Days before this one are old enough. UTC.
    address : str
        Where to; :class:`ingest.store.archive_place.Place`.
    tell : callable
        Given a sentence a file.
    step : callable
        Given the name of each step when it is done.
    now : datetime, optional
        Aware; by default read.
    wait_s : float
        How long to wait for the store. [s]

    Returns
    -------
    Archived

    Raises
    ------
    StoreError
        A file came back otherwise than it was written, or another archiving is running.
    StoreBusy, ArchiveAway, DiskFull
        The store or the place cannot be had; what was done is done, run it again.
    """
    now = now or dt.datetime.now(dt.UTC)
    place = Place(data, address)
    with alone(data):
        size_before = store_path(data).stat().st_size if store_path(data).exists() else 0
        removed = remove_leftovers(data, step, wait_s)
        with read_window(data, wait_s) as con:
            ripe, waiting = ripe_days(con, data, before)
        files = rows = size = changed = 0
        for one in ripe:
            made = _archive_day(data, place, site, one, step, now, wait_s)
            if made is None:
                changed += 1
                continue
            files, rows, size = files + 1, rows + made.rows, size + made.size
            tell(f"{one.pot} {one.day}: {made.rows:,} rows of {one.table}, {made.size:,} bytes.")
        if changed:
            waiting.append(Waiting(changed, "something came in for them meanwhile"))
        removed += remove_leftovers(data, step, wait_s)
        if files:
            give_room_back(data, wait_s)
        return Archived(
            files, rows, size, removed, tuple(waiting), size_before,
            store_path(data).stat().st_size,
        )  # fmt: skip


def _archive_day(
    data: Path, place: Place, site: str, one: Ripe, step: Step, now: dt.datetime, wait_s: float
) -> ArchiveFile | None:
    """One day into a file; ``None`` where it changed meanwhile."""
    with read_window(data, wait_s) as con:
        rows = _rows(con, one)
        fingerprint = _fingerprint(con, one)
    if not rows.num_rows:
        return None
    about = {"site": site, "pot": one.pot, "day": one.day.isoformat()}
    content, layout = encode_day(rows, one.table, about)
    digest = hashlib.sha256(content).hexdigest()
    folder = f"site={quote(site, safe='')}/pot={quote(one.pot, safe='')}/day={one.day}"
    path = f"{folder}/{one.table}-{digest[:16]}.parquet"
    step("read")
    with write_window(data, wait_s) as con:
        # Noted before it is written, so that a file which is then never named is found again.
        con.execute("INSERT INTO archive_leftover VALUES (?, ?)", [place.address, path])
    step("noted")
    put(place, path, content, rows)
    step("written")
    deadman = rows.filter(rows["deadman"].is_valid())["sampled_at"] if one.table == "sample" else []
    instants = rows["sampled_at"]
    made = ArchiveFile(
        one.table, one.pot_id, one.day, place.address, path, digest, len(content), rows.num_rows,
        _least(instants), _most(instants), layout.text(),
    )  # fmt: skip
    with write_window(data, wait_s) as con:
        known = archived(con, one.table, {one.pot_id}, made.first_at, made.last_at)
        if _fingerprint(con, one) != fingerprint or any(file.day == one.day for file in known):
            return None
        name_file(
            con, made,
            _least(deadman) if len(deadman) else None, _most(deadman) if len(deadman) else None,
            now,
        )  # fmt: skip
        if one.table == "sample":
            remove_samples(con, one.pot_id, *_ends(one.day))
        else:
            con.execute(f"DELETE FROM {one.table} WHERE {_OF_DAY}", [one.pot_id, *_ends(one.day)])
        step("deleted")
    step("committed")
    return made


_OF_DAY = "pot_id = ? AND sampled_at >= ? AND sampled_at < ?"


def _ends(day: dt.date) -> tuple[dt.datetime, dt.datetime]:
    return begin_of(day), begin_of(day + dt.timedelta(days=1))


def _source(one: Ripe) -> str:
    return one.table if one.table == "sample" else f"{one.table} JOIN channel USING (channel_id)"


def _rows(con: duckdb.DuckDBPyConnection, one: Ripe) -> pyarrow.Table:
    """A day's rows in the order and with the columns that its file has."""
    table = con.sql(
        f"SELECT {', '.join(COLUMNS[one.table])} FROM "
        f"(SELECT * EXCLUDE (pot_id) FROM {_source(one)} WHERE {one.table}.{_OF_DAY}) "
        f"ORDER BY {', '.join(ORDER[one.table])}",
        params=[one.pot_id, *_ends(one.day)],
    ).to_arrow_table()
    return table.combine_chunks()


def _fingerprint(con: duckdb.DuckDBPyConnection, one: Ripe) -> tuple[int, ...]:
    """What changes when any row of a day does."""
    ((count, mixed, total),) = con.execute(
        f"SELECT count(*), bit_xor(hash(t)), sum(hash(t)::HUGEINT) FROM "
        f"(SELECT * FROM {one.table} WHERE {_OF_DAY}) AS t",
        [one.pot_id, *_ends(one.day)],
    ).fetchall()
    return int(count), int(mixed or 0), int(total or 0)


def _least(instants: pyarrow.ChunkedArray) -> dt.datetime:
    import pyarrow.compute as pc

    value: dt.datetime = pc.min(instants).as_py()
    return value


def _most(instants: pyarrow.ChunkedArray) -> dt.datetime:
    import pyarrow.compute as pc

    value: dt.datetime = pc.max(instants).as_py()
    return value
