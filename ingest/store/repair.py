"""Rebuilding a store that is lost or damaged, from what is kept beside it.

The journal holds every message, ``records.log`` what people entered, the archive the days that
left the store: its files are named again, even where the list of them is lost. What card files
brought and is not archived is copied from the old store as far as that can still be read, and their
names are told, for bringing them in again changes nothing that is there.

The old store is put aside, never removed. Rebuilding can be cut off at any point: running it again,
or starting ingest, goes on where it ended.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple, cast

from ingest.errors import JournalError, StoreBusy, StoreError
from ingest.store import archive_adopt, file_lock, migrations, record_chain, records_log
from ingest.store.batch import USUAL, Admission
from ingest.store.connection import STORE_NAME, open_store, store_path, write_window
from ingest.store.journal_frames import (
    Entry,
    journal_folder,
    read_segment,
    segment_numbers,
    segment_path,
    waiting_bytes,
)
from ingest.store.sample_rows import add_samples
from ingest.store.write import StoreWriter

if TYPE_CHECKING:
    import duckdb
    import pyarrow

State = Literal["sound", "missing", "read-only", "damaged", "newer"]
Tell = Callable[[str], None]

_UNDER_WAY = "repair.json"
# What the journal and records.log bring back, or what is derived again.
_REBUILT = frozenset(
    {"mark", "touched", "record", "migration", "derive_state", "cycle", "gap", "shift_summary",
     "part_usage", "part_stay", "part_check", "indicator_block", "trouble_span", "trouble_state",
     "piece_done", "pot_day", "summary_state", "spell_state", "notice_state", "notice_changed",
     "rule_crossing", "chart_left"}
)  # fmt: skip
#: Tables with a row a message, of which those that the journal does not hold are copied.
_BY_MESSAGE = ("sample", "reading", "quarantine")
#: What ``sample`` is made of; copied as ``sample``.
_OF_SAMPLE = ("sample_kept", "message", "step")
_KEYS_LOOKED_FOR = 64
_WHOLE = ("pot", "channel", "import_file")


class Diagnosis(NamedTuple):
    """What was found of a store.

    Parameters
    ----------
    state : str
        ``sound``, ``missing``, ``read-only``, ``damaged`` or ``newer``.
    what : str
        A sentence.
    unreadable : tuple of str
        Tables that cannot be read to their end; all of them where the file does not open.
    """

    state: State
    what: str
    unreadable: tuple[str, ...] = ()


class Plan(NamedTuple):
    """What rebuilding would do.

    Parameters
    ----------
    diagnosis : Diagnosis
    segments, journal_bytes : int
        What the journal holds.
    begins_at : datetime or None
        Arrival of the oldest message in the journal, UTC.
    complete : bool
        Nothing is missing at the journal's beginning or in between.
    records, damaged_lines : int
        What people entered, as ``records.log`` has it, and lines of it that cannot be read.
    imports : tuple of str or None
        Card files that the old store knows of; ``None``: it cannot be asked.
    """

    diagnosis: Diagnosis
    segments: int
    journal_bytes: int
    begins_at: dt.datetime | None
    complete: bool
    records: int
    damaged_lines: int
    imports: tuple[str, ...] | None


class Rebuilt(NamedTuple):
    """What rebuilding did.

    Parameters
    ----------
    messages, readings, quarantined : int
        Taken from the journal.
    records : int
        Brought back from ``records.log`` or the old store.
    copied : int
        Rows of card files and of messages that the journal no longer holds, from the old store.
    lost : tuple of str
        What could not be had, a sentence each.
    aside : Path or None
        Where the old store lies now.
    """

    messages: int
    readings: int
    quarantined: int
    records: int
    copied: int
    lost: tuple[str, ...]
    aside: Path | None


def examine(data: Path, deep: bool = True) -> Diagnosis:
    """Say how a store is.

    Parameters
    ----------
    data : Path
        Data folder.
    deep : bool
        Read every table to its end, which finds damage anywhere: about a second a gigabyte.

    Raises
    ------
    StoreBusy
        Another program holds the file.
    """
    path = store_path(data)
    if not path.exists():
        return Diagnosis("missing", f"There is no store {path}.")
    import duckdb

    try:
        with open_store(path, read_only=True, wait_s=20.0) as con:
            known = {migration.__name__ for migration in migrations.MIGRATIONS}
            newer = [name for name in migrations.applied(con) if name not in known]
            if newer:
                return Diagnosis("newer", "The store was made by a newer Gritbook.")
            tables = _tables(con)
    except StoreError as error:
        return Diagnosis("damaged", error.what)
    except duckdb.Error as error:
        return Diagnosis("damaged", f"The store {path} cannot be read: {str(error)[:200]}.")
    unreadable = tuple(table for table in tables if deep and not _reads(path, table))
    if unreadable:
        return Diagnosis(
            "damaged", f"The store {path} has damage in {', '.join(unreadable)}.", unreadable
        )
    if not os.access(path, os.W_OK) or not os.access(data, os.W_OK):
        return Diagnosis("read-only", f"The store {path} is whole, but you may not write to it.")
    return Diagnosis("sound", f"The store {path} is whole.")


def plan(data: Path) -> Plan:
    """Say what rebuilding would have to build from. Changes nothing.

    Raises
    ------
    StoreBusy
        Another program holds the store.
    """
    folder = journal_folder(data)
    numbers = segment_numbers(folder)
    kept = records_log.read(data)
    old = _old_store(data)
    return Plan(
        examine(data),
        len(numbers),
        sum(segment_path(folder, number).stat().st_size for number in numbers),
        _begins_at(folder, numbers),
        numbers == list(range(1, len(numbers) + 1)),
        len(kept.rows),
        len(kept.damaged),
        _imports(old) if old is not None else (),
    )


def rebuild(
    data: Path,
    pots: Collection[str] | None,
    pots_of_source: Mapping[str, Collection[str]] | None = None,
    admission: Admission = USUAL,
    tell: Tell = lambda sentence: None,
    now: dt.datetime | None = None,
    archive_places: Sequence[str] = (),
) -> Rebuilt:
    """Put the store aside and make it anew from the journal and ``records.log``.

    Parameters
    ----------
    data : Path
        Data folder.
    pots, pots_of_source, admission
        As of :class:`ingest.store.write.StoreWriter`.
    tell : callable
        Given a sentence at each step.
    now : datetime, optional
        Names the old store's new place; by default read.
    archive_places : sequence of str
        Where archived days lie, beside the data folder's own; of the yard file.

    Raises
    ------
    JournalError
        Ingest is running.
    StoreError
        The store is a newer Gritbook's, or the folder cannot be written.
    StoreBusy
        Another program holds the store.
    DiskFull
        There is no room; run it again when there is.
    """
    folder = journal_folder(data)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = file_lock.take(folder / "lock")
    except file_lock.HeldElsewhere as error:
        raise JournalError(
            f"`gritbook ingest` is running on {data} (process {error.holder}).",
            "Stop it first, then repair.",
        ) from error
    try:
        if examine(data, deep=False).state == "newer":
            raise StoreError(
                "The store was made by a newer Gritbook; it is not damaged.",
                "Install that version or a later one.",
            )
        aside = _put_aside(data, now or dt.datetime.now(dt.UTC))
        if aside is not None:
            tell(f"The old store is now {aside.name}; it is kept.")
        lost: list[str] = []
        with write_window(data) as con:
            copied = _salvage(con, data, aside, lost) if aside is not None else 0
            records = records_log.restore(con, data)
            if aside is not None:
                records += _old_records(con, aside, lost)
            record_chain.number_rest(con)
            adopted = archive_adopt.adopt(con, data, archive_places, now or dt.datetime.now(dt.UTC))
            lost.extend(adopted.lost)
        if adopted.files:
            tell(f"{adopted.files:,} archived days are named again; {adopted.rows:,} rows.")
        tell(f"{records:,} records of people are back; {copied:,} other rows were copied.")
        messages, readings, quarantined = _take_journal(
            data, StoreWriter(data, pots, pots_of_source=pots_of_source, admission=admission), tell
        )
        (data / _UNDER_WAY).unlink(missing_ok=True)
    finally:
        lock.close()
    return Rebuilt(messages, readings, quarantined, records, copied, tuple(lost), aside)


def _take_journal(data: Path, writer: StoreWriter, tell: Tell) -> tuple[int, int, int]:
    messages = readings = quarantined = 0
    while (taken := writer.take()) is not None:
        messages += taken.messages
        readings += taken.readings
        quarantined += taken.quarantined
        waiting = waiting_bytes(data, writer.at)
        tell(f"{messages:,} messages taken from the journal; {waiting / 1e6:,.0f} MB to go.")
    return messages, readings, quarantined


def _put_aside(data: Path, now: dt.datetime) -> Path | None:
    """Move the store out of the way, its log with it; gives where a repair cut off has moved it."""
    note = data / _UNDER_WAY
    path = store_path(data)
    if note.exists() and not path.exists():
        return _old_store(data)
    if not path.exists():
        return None
    stem, suffix = STORE_NAME.rsplit(".", 1)
    aside = data / f"{stem}.aside-{now:%Y%m%dT%H%M%S}.{suffix}"
    try:
        note.write_text(json.dumps({"aside": aside.name}))
        wal = path.with_name(path.name + ".wal")
        if wal.exists():
            wal.rename(aside.with_name(aside.name + ".wal"))
        path.rename(aside)
    except OSError as error:
        raise StoreError(
            f"The store {path} cannot be put aside: {error.strerror}.",
            "Check that you may write to the folder.",
        ) from error
    return aside


def _old_store(data: Path) -> Path | None:
    """The store that is there, or the one that a repair cut off has put aside."""
    if store_path(data).exists():
        return store_path(data)
    try:
        aside = data / str(json.loads((data / _UNDER_WAY).read_text())["aside"])
    except (OSError, ValueError, KeyError):
        return None
    return aside if aside.exists() else None


def _salvage(con: duckdb.DuckDBPyConnection, data: Path, aside: Path, lost: list[str]) -> int:
    """Copy what the journal cannot give: rows of card files and of messages it no longer holds."""
    numbers = segment_numbers(journal_folder(data))
    first_kept = (numbers[0] << 32) if numbers and numbers[0] > 1 else 0
    copied = 0
    where = f"message_id < {first_kept}"
    for table in (*_WHOLE, *_BY_MESSAGE):
        copied += _copy(con, aside, table, where if table in _BY_MESSAGE else "true", lost)
    _copy(con, aside, "source_count", "source = 'card'", lost)
    con.execute(
        "INSERT INTO touched SELECT nextval('touched_number'), pot_id, "
        "min(sampled_at), max(sampled_at) FROM sample GROUP BY pot_id"
    )
    # What other parts have added since, and is not derived, is copied whole.
    ours = {*_WHOLE, *_BY_MESSAGE, *_OF_SAMPLE, "source_count", *_REBUILT}
    for table in _tables(con):
        if table not in ours:
            copied += _copy(con, aside, table, "true", lost)
    return copied


def _old_records(con: duckdb.DuckDBPyConnection, aside: Path, lost: list[str]) -> int:
    known = {row[0] for row in con.execute("SELECT record_id FROM record").fetchall()}
    rows = _rows(aside, "record", "true")
    if rows is None:
        lost.append("Records in the old store cannot be read; those in records.log are back.")
        return 0
    if not rows.num_rows:
        return 0
    fresh = rows.filter([str(number) not in known for number in rows["record_id"].to_pylist()])
    return _insert(con, "record", fresh)


def _copy(
    con: duckdb.DuckDBPyConnection, aside: Path, table: str, where: str, lost: list[str]
) -> int:
    rows = _rows(aside, table, where)
    if rows is None:
        lost.append(f"The table {table} of the old store cannot be read.")
        return 0
    return _insert(con, table, rows)


def _rows(aside: Path, table: str, where: str) -> pyarrow.Table | None:
    """Rows of a table of the old store; ``None`` where it cannot be read."""
    import duckdb

    try:
        with open_store(aside, read_only=True, wait_s=5.0) as old:
            if table not in _tables(old) and table not in _views(old):
                return old.sql("SELECT 1 AS nothing WHERE false").to_arrow_table()
            return old.sql(f"SELECT * FROM {table} WHERE {where}").to_arrow_table()
    except (StoreError, StoreBusy, duckdb.Error):
        return None


def _insert(con: duckdb.DuckDBPyConnection, table: str, rows: pyarrow.Table) -> int:
    if not rows.num_rows:
        return 0
    if table == "sample":
        import polars as pl

        return add_samples(con, cast("pl.DataFrame", pl.from_arrow(rows)))
    con.register("old_row", rows)
    try:
        # The old numbers would meet those that the journal's refused messages get.
        anew = "REPLACE (nextval('quarantine_number') AS quarantine_id)"
        what = f"* {anew}" if table == "quarantine" else "*"
        con.execute(f"INSERT INTO {table} BY NAME SELECT {what} FROM old_row")
    finally:
        con.unregister("old_row")
    return int(rows.num_rows)


def _tables(con: duckdb.DuckDBPyConnection) -> list[str]:
    found = con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE NOT internal ORDER BY table_name"
    ).fetchall()
    return [name for (name,) in found]


def _views(con: duckdb.DuckDBPyConnection) -> list[str]:
    found = con.execute("SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    return [name for (name,) in found]


def _reads(path: Path, table: str) -> bool:
    """Whether a table can be read to its end; on a connection of its own, for damage spoils it."""
    import duckdb

    try:
        with open_store(path, read_only=True, wait_s=20.0) as con:
            con.execute(f"SELECT bit_xor(hash(t)) FROM {table} AS t").fetchall()
            # The tree of a key has blocks of its own, which only a look for one key reads.
            keys = con.execute(
                "SELECT constraint_column_names[1] FROM duckdb_constraints() WHERE table_name = ? "
                "AND constraint_type IN ('PRIMARY KEY', 'UNIQUE') "
                "AND len(constraint_column_names) = 1",
                [table],
            ).fetchall()
            for (column,) in keys:
                some = con.execute(
                    f"SELECT {column} FROM {table} USING SAMPLE {_KEYS_LOOKED_FOR}"
                ).fetchall()
                for (key,) in some:
                    con.execute(
                        f"SELECT count(*) FROM {table} WHERE {column} = ?", [key]
                    ).fetchall()
    except (StoreError, duckdb.Error):
        return False
    return True


def _imports(old: Path) -> tuple[str, ...] | None:
    rows = _rows(old, "import_file", "true")
    return None if rows is None else tuple(sorted(map(str, rows["name"].to_pylist())))


def _begins_at(folder: Path, numbers: list[int]) -> dt.datetime | None:
    for number in numbers:
        for read in read_segment(folder, number, 0, None, still_written=True):
            if isinstance(read, Entry):
                return dt.datetime.fromtimestamp(read.message.arrived_us / 1e6, dt.UTC)
    return None
