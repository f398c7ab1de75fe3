"""Rows of ``sample`` and ``reading``, wherever they lie: hot in the store, or archived by the day.

A table, pot and UTC day lies in one place only. What comes late for an archived day brings that day
back into the store first, in the same transaction (:func:`bring_back`), so nothing has to be
merged when it is read, and a reading is compared with what is archived as with what is hot.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ingest.errors import StoreError
from ingest.store.archive_files import Layout, layout_of
from ingest.store.archive_place import Place
from ingest.store.sample_rows import VALUE_VIEW, add_samples

if TYPE_CHECKING:
    import duckdb
    import numpy as np
    import numpy.typing as npt

DAY_US = 86_400_000_000
TABLES = ("sample", "reading")
#: What to ask where no message is wanted: without a join where that can be.
WITHOUT_MESSAGES = {"sample": "sample_value", "reading": "reading"}


class ArchiveFile(NamedTuple):
    """A row of ``archive_file``: a day of a pot in a file.

    Parameters
    ----------
    table : str
        ``sample`` or ``reading``.
    pot_id : int
    day : date
        UTC.
    place, path : str
        Where: :class:`ingest.store.archive_place.Place` and the path within it.
    sha256 : str
        Of the file.
    size : int
        [bytes]
    rows : int
    first_at, last_at : datetime
        First and last instant, both included.
    layout : str
        JSON of :class:`ingest.store.archive_files.Layout`.
    """

    table: str
    pot_id: int
    day: dt.date
    place: str
    path: str
    sha256: str
    size: int
    rows: int
    first_at: dt.datetime
    last_at: dt.datetime
    layout: str


_ROW = 'table_name, pot_id, "day", place, path, sha256, size, rows, first_at, last_at, layout'


def data_folder_of(con: duckdb.DuckDBPyConnection) -> Path:
    """The data folder of an open store."""
    ((path,),) = con.execute(
        "SELECT path FROM duckdb_databases() WHERE database_name = current_database()"
    ).fetchall()
    return Path(path or ".").parent


def archived(
    con: duckdb.DuckDBPyConnection,
    table: str | None = None,
    pot_ids: Collection[int] | None = None,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> list[ArchiveFile]:
    """Files that hold rows of pots in a stretch of time, by pot and day.

    Parameters
    ----------
    con : DuckDBPyConnection
    table : str or None
        ``sample`` or ``reading``; ``None``: both.
    pot_ids : collection of int or None
        ``None``: of all pots.
    from_at, to_at : datetime or None
        Naive UTC, both ends included; ``None``: no end.
    """
    where = ["true"]
    values: dict[str, object] = {}
    if table is not None:
        where.append("table_name = $table")
        values["table"] = table
    if pot_ids is not None:
        where.append(f"pot_id IN ({', '.join(str(int(p)) for p in pot_ids) or 'NULL'})")
    if from_at is not None:
        where.append("last_at >= $from_at")
        values["from_at"] = from_at
    if to_at is not None:
        where.append("first_at <= $to_at")
        values["to_at"] = to_at
    rows = con.execute(
        f"SELECT {_ROW} FROM archive_file WHERE {' AND '.join(where)} "
        'ORDER BY table_name, pot_id, "day"',
        values or None,
    ).fetchall()
    return [ArchiveFile(*row) for row in rows]


def stored_rows(
    con: duckdb.DuckDBPyConnection,
    table: str,
    pot_id: int | Collection[int] | None = None,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
    messages: bool = True,
) -> str:
    """What to select a table's rows from: the table alone, or with the archive's beside it.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window; the query must run in it.
    table : str
        ``sample`` or ``reading``.
    pot_id : int, collection of int, or None
        Pots that are wanted; ``None``: all.
    from_at, to_at : datetime or None
        Naive UTC, both ends included: rows outside may be left out. The query must still say
        itself which pot and stretch it wants.
    messages : bool
        Of ``sample``: with ``arrived_at`` and ``message_id``. Without them hot rows come in the
        order in which they lie, and cheaper.

    Returns
    -------
    str
        A table expression of DuckDB with the table's columns.

    Raises
    ------
    ArchiveAway
        A file of the archive is not there, or its place cannot be reached.
    StoreError
        A file is not what was archived.
    """
    pot_ids = {pot_id} if isinstance(pot_id, int) else pot_id
    return rows_with(con, table, archived(con, table, pot_ids, from_at, to_at), messages)


def rows_with(
    con: duckdb.DuckDBPyConnection, table: str, files: Collection[ArchiveFile], messages: bool
) -> str:
    """As :func:`stored_rows`, of archived rows those of some files; it raises as that does.

    Parameters
    ----------
    con : DuckDBPyConnection
        The open window in which the files were asked for with :func:`archived`.
    table : str
        ``sample`` or ``reading``.
    files : collection of ArchiveFile
    messages : bool
        As there.
    """
    hot = table if messages else WITHOUT_MESSAGES[table]
    if not files:
        return hot
    columns = _COLUMNS[table]
    if hot != table:
        columns = ", ".join(c for c in columns.split(", ") if c in VALUE_VIEW)
    pieces = [
        f"SELECT {columns} FROM {one}"
        for one in (hot, *(f"({query})" for query in selects(con, files)))
    ]
    return f"({' UNION ALL '.join(pieces)})"


_COLUMNS = {
    "sample": "pot_id, sampled_at, arrived_at, seq, supply_pa, inlet_pa, pot_pa, nozzle_pa, "
    "deadman, supply_ma, inlet_ma, pot_ma, nozzle_ma, quality, message_id",
    "reading": "pot_id, channel_id, sampled_at, arrived_at, value, text, message_id",
}


def selects(con: duckdb.DuckDBPyConnection, files: Iterable[ArchiveFile]) -> list[str]:
    """Queries that give files' rows in the table's columns, one a pot and layout."""
    data = data_folder_of(con)
    places: dict[str, Place] = {}
    alike: dict[tuple[str, int, str], list[str]] = defaultdict(list)
    for file in files:
        place = places.get(file.place)
        if place is None:
            place = places[file.place] = Place(data, file.place)
        path = str(place.on_this_computer(file.path, file.sha256))
        alike[file.table, file.pot_id, file.layout].append("'" + path.replace("'", "''") + "'")
    return [
        _select(layout_of(table, layout), pot_id, f"read_parquet([{', '.join(paths)}])")
        for (table, pot_id, layout), paths in alike.items()
    ]


def _select(layout: Layout, pot_id: int, source: str) -> str:
    pot = f"CAST({int(pot_id)} AS SMALLINT)"
    if layout.table == "sample":
        columns = ", ".join(
            f"{pot} AS pot_id" if name == "pot_id" else f"{layout.sql(name)} AS {name}"
            for name in _COLUMNS["sample"].split(", ")
        )
        return f"SELECT {columns} FROM {source}"
    # A pot's channels have numbers of their own in each store; the file has their names.
    inner = f"SELECT {layout.select_list()} FROM {source}"
    return (
        f"SELECT {pot} AS pot_id, c.channel_id, f.sampled_at, f.arrived_at, f.value, f.text, "
        f"f.message_id FROM ({inner}) AS f JOIN channel AS c "
        f"ON c.pot_id = {int(pot_id)} AND c.channel = f.channel AND c.unit = f.unit"
    )


def make_views(con: duckdb.DuckDBPyConnection) -> None:
    """Make ``sample_all`` and ``reading_all`` for this connection: hot and archived rows as one.

    For questions over everything; whoever wants one pot or a stretch opens fewer files by
    :func:`stored_rows`.
    """
    for table in TABLES:
        con.execute(
            f"CREATE OR REPLACE TEMP VIEW {table}_all AS SELECT * FROM {stored_rows(con, table)}"
        )


def bring_back(
    con: duckdb.DuckDBPyConnection, table: str, pot_and_day: Iterable[tuple[int, dt.date]]
) -> int:
    """Bring archived days back into the store, where they are archived. Within a transaction.

    The files stay until the next archiving has seen that nothing names them any more.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    table : str
        ``sample`` or ``reading``.
    pot_and_day : iterable of (int, date)
        Days, UTC; such as are not archived are nothing.

    Returns
    -------
    int
        Days brought back.

    Raises
    ------
    StoreError
        A file does not hold what it held; nothing is changed.
    ArchiveAway
        It is not there, or its place cannot be reached; nothing is changed.
    """
    wanted = set(pot_and_day)
    if not wanted:
        return 0
    days = sorted({day for _, day in wanted})
    begin = dt.datetime.combine(days[0], dt.time())
    end = dt.datetime.combine(days[-1], dt.time.max)
    files = archived(con, table, {pot for pot, _ in wanted}, begin, end)
    files = [file for file in files if (file.pot_id, file.day) in wanted]
    for file in files:
        (query,) = selects(con, [file])
        if table == "sample":
            count = add_samples(con, con.sql(f"{query} ORDER BY sampled_at").pl())
        else:
            ((count,),) = con.execute(
                f"INSERT INTO {table} ({_COLUMNS[table]}) {query} ORDER BY ALL"
            ).fetchall()
        if count != file.rows:
            raise StoreError(
                f"{file.path} holds {count:,} rows, where {file.rows:,} were archived.",
                "Bring it back from a backup with `gritbook restore`.",
            )
        forget(con, file)
    return len(files)


def forget(con: duckdb.DuckDBPyConnection, file: ArchiveFile) -> None:
    """Take a file out of the archive's list, to be removed by the next archiving."""
    con.execute(
        'DELETE FROM archive_file WHERE table_name = ? AND pot_id = ? AND "day" = ?',
        [file.table, file.pot_id, file.day],
    )
    con.execute("INSERT INTO archive_leftover VALUES (?, ?)", [file.place, file.path])


def days_of(
    pot_id: npt.NDArray[np.int64], at_us: npt.NDArray[np.int64]
) -> set[tuple[int, dt.date]]:
    """Pots and UTC days of instants. [us since 1970 UTC]"""
    import numpy as np

    epoch = dt.date(1970, 1, 1)
    pairs = np.unique(np.stack([pot_id, at_us // DAY_US]), axis=1)
    return {(int(pot), epoch + dt.timedelta(days=int(number))) for pot, number in pairs.T}
