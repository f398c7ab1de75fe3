"""Moving days that are over into files, so that the store stays as small as its last weeks.

Per pot and UTC day: read the rows; note the name the file will have; write the file, bring it to
the disk, read it back and compare every row bit for bit; and only then, in one transaction, name it
in ``archive_file`` and delete the rows, if they are still the same. Stopped at any point, a day is
either hot, with perhaps a file that nothing names, or archived; the next run removes such files.

A day is ripe when it ended longer ago than the yard file says, its figures have been derived, and
the journal holds nothing that arrived before its end and was not taken.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from urllib.parse import quote

from ingest.errors import ArchiveAway, StoreError
from ingest.store import file_lock
from ingest.store.archive_files import (
    COLUMNS,
    ORDER,
    decode_day,
    encode_day,
)
from ingest.store.archive_place import Place
from ingest.store.archive_reading import (
    TABLES,
    WITHOUT_MESSAGES,
    ArchiveFile,
    archived,
    forget,
)
from ingest.store.connection import (
    DEFAULT_WAIT_S,
    open_store,
    read_window,
    store_path,
    write_window,
)
from ingest.store.journal_frames import Entry, Position, read_from
from ingest.store.sample_rows import remove_samples

if TYPE_CHECKING:
    import duckdb
    import pyarrow

Tell = Callable[[str], None]
#: Called with the name of what was just done; tests stop there.
Step = Callable[[str], None]

LOCK_NAME = "archive.lock"


class Ripe(NamedTuple):
    """A day that may be archived: its table, pot and UTC day."""

    table: str
    pot_id: int
    pot: str
    day: dt.date


class Waiting(NamedTuple):
    """Days that are old enough, and why they may not be archived yet."""

    days: int
    why: str


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


def ripe_days(
    con: duckdb.DuckDBPyConnection, data: Path, before: dt.date
) -> tuple[list[Ripe], list[Waiting]]:
    """Days of the store that ended before a date, and such as must wait.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    data : Path
        Data folder.
    before : date
        Days before this one are old enough. UTC.

    Returns
    -------
    tuple of list of Ripe and list of Waiting
    """
    found = []
    for table in TABLES:
        found += [
            Ripe(table, *row)
            for row in con.execute(
                'SELECT pot_id, pot, "day" FROM (SELECT DISTINCT pot_id, CAST(sampled_at AS DATE) '
                f'AS "day" FROM {WITHOUT_MESSAGES[table]} WHERE sampled_at < $before) '
                'JOIN pot USING (pot_id) ORDER BY "day", pot_id',
                {"before": dt.datetime.combine(before, dt.time())},
            ).fetchall()
        ]
    waits = _arrival_that_waits(con, data)
    if waits is not None:
        late = [one for one in found if _begin(one.day + dt.timedelta(days=1)) > waits]
        found = [one for one in found if one not in late]
    else:
        late = []
    touched = con.execute("SELECT pot_id, from_at, to_at FROM touched").fetchall()
    pending = [
        one
        for one in found
        if any(
            pot_id == one.pot_id
            and from_at < _begin(one.day + dt.timedelta(days=1))
            and to_at >= _begin(one.day)
            for pot_id, from_at, to_at in touched
        )
    ]
    waiting = []
    if late:
        waiting.append(Waiting(len(late), "the journal holds messages that are not taken yet"))
    if pending:
        waiting.append(Waiting(len(pending), "figures are not derived yet: run `gritbook derive`"))
    return [one for one in found if one not in pending], waiting


def _begin(day: dt.date) -> dt.datetime:
    return dt.datetime.combine(day, dt.time())


def _arrival_that_waits(con: duckdb.DuckDBPyConnection, data: Path) -> dt.datetime | None:
    """When the oldest message arrived that the store has not taken; UTC, naive."""
    rows = con.execute("SELECT segment, \"offset\" FROM mark WHERE journal = 'journal'").fetchall()
    if not rows:
        return None
    for read in read_from(data, Position(*rows[0]), None):
        if isinstance(read, Entry):
            arrived_at = dt.datetime.fromtimestamp(read.message.arrived_us / 1e6, dt.UTC)
            return arrived_at.replace(tzinfo=None)
    return None


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
            _give_room_back(data, wait_s)
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
    return _begin(day), _begin(day + dt.timedelta(days=1))


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


def _least(instants: pyarrow.ChunkedArray) -> dt.datetime:
    import pyarrow.compute as pc

    value: dt.datetime = pc.min(instants).as_py()
    return value


def _most(instants: pyarrow.ChunkedArray) -> dt.datetime:
    import pyarrow.compute as pc

    value: dt.datetime = pc.max(instants).as_py()
    return value


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


def _give_room_back(data: Path, wait_s: float) -> None:
    """Let the file shrink by the free blocks at its end; others are used again."""
    with open_store(store_path(data), read_only=False, wait_s=wait_s) as con:
        # As many groups of rows put together as DuckDB does by itself: the engine is one that
        # writers had, who do a few.
        con.execute("RESET GLOBAL max_vacuum_tasks")
        # The first frees the blocks, the second gives back those at the end.
        con.execute("CHECKPOINT")
        con.execute("CHECKPOINT")


#: What rows are packed best by: one pot's values together, ascending in time.
_PACKED_BY = {
    "sample_kept": "pot_id, sampled_at",
    "message": "message_no",
    "reading": "pot_id, channel_id, sampled_at",
}
_MOST_PACKINGS = 2


def pack(data: Path, wait_s: float = DEFAULT_WAIT_S) -> tuple[int, int]:
    """Write the store's rows anew, a pot's together, and let the file shrink.

    Small transactions of several pots leave rows mixed, which DuckDB packs badly. Each table is
    rewritten in one transaction, and rolled back where it does not hold the same rows. Meanwhile
    the store is held, and the disk must have room for the rows once more.

    Parameters
    ----------
    data : Path
        Data folder.
    wait_s : float
        How long to wait for the store. [s]

    Returns
    -------
    tuple of int
        Size of the store before and after. [bytes]

    Raises
    ------
    StoreError
        A table did not read back as it was; nothing is changed.
    StoreBusy, DiskFull
        The store could not be had, or has no room.
    """
    path = store_path(data)
    with alone(data):
        before = path.stat().st_size
        for _ in range(_MOST_PACKINGS):
            at = path.stat().st_size
            for table, order in _PACKED_BY.items():
                with write_window(data, wait_s) as con:
                    _rewrite(con, table, order)
            _give_room_back(data, wait_s)
            # New rows may have gone behind the old ones: then the second time they go in front.
            if path.stat().st_size < at * 0.9:
                break
    return before, path.stat().st_size


def _rewrite(con: duckdb.DuckDBPyConnection, table: str, order: str) -> None:
    whole = f"SELECT count(*), bit_xor(hash(t)), sum(hash(t)::HUGEINT) FROM {table} AS t"
    held = con.execute(whole).fetchall()
    con.execute(f"CREATE TEMP TABLE packed_row AS FROM {table}")
    con.execute(f"DELETE FROM {table}")
    con.execute(f"INSERT INTO {table} SELECT * FROM packed_row ORDER BY {order}")
    con.execute("DROP TABLE packed_row")
    if con.execute(whole).fetchall() != held:
        raise StoreError(
            f"The table {table} did not read back as it was; it is left as it was.",
            "Run `gritbook check`, and look at the disk.",
        )


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
        As :func:`archive`; a file is where it was, or where it goes.
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
