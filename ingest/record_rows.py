"""The rows of the table ``record``, read and added; what stands, and every row of a chain.

Rows are only ever added. A correction is a new row that supersedes the old one, with who, when
and why; a withdrawal is a row that supersedes without putting anything in the old one's place.
A chain of such rows is one record; its newest row is what counts.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.errors import RecordRefused
from ingest.record_bodies import INSTANT_KEYS
from ingest.record_ids import ID_LENGTH
from ingest.store import record_chain

if TYPE_CHECKING:
    import duckdb


class Row(NamedTuple):
    """One row of the table ``record``, as it is about to be added."""

    record_id: str
    kind: str
    recorded_at: dt.datetime
    recorded_by: str
    via: str
    supersedes: str | None
    withdrawn: bool
    reason: str
    body: dict[str, Any]


# In the order of Row.
_COLUMNS = "record_id, kind, recorded_at, recorded_by, via, supersedes, withdrawn, reason, body"

_SINCE = "AND json_extract_string(r.body, '$.at') >= ?"


def current(
    con: duckdb.DuckDBPyConnection, kind: str, since: str | None = None
) -> list[dict[str, Any]]:
    """The records of a kind as they stand now: the newest row of each chain, none withdrawn.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window onto the store.
    kind : str
        A key of :data:`ingest.record_bodies.BODIES`.
    since : str, optional
        Only those that tell of something at this instant or later (the key ``at``): UTC, such as
        ``2026-03-02T06:00:00``.

    Returns
    -------
    list of dict
        Oldest entry first. The columns of the row, with the keys of the body beside them;
        instants are aware, UTC.
    """
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record AS r WHERE kind = ? AND NOT withdrawn AND NOT EXISTS "
        "(SELECT 1 FROM record AS newer WHERE newer.supersedes = r.record_id) "
        # Texts of instants have one form, so they stand in the order of time.
        f"{'' if since is None else _SINCE} ORDER BY record_id",
        [kind] if since is None else [kind, since],
    ).fetchall()
    return [_as_dict(row) for row in found]


def history(con: duckdb.DuckDBPyConnection, record_id: str) -> list[dict[str, Any]]:
    """Every row of the chain that a record belongs to, first entry first.

    Raises
    ------
    RecordRefused
        There is no such record.
    """
    row = find_row(con, record_id)
    chain = [row]
    while chain[0]["supersedes"] is not None:
        chain.insert(0, find_row(con, chain[0]["supersedes"]))
    while (newer := _superseding(con, chain[-1]["record_id"])) is not None:
        chain.append(newer)
    return chain


def _as_dict(found: Sequence[Any]) -> dict[str, Any]:
    row = Row(*found)
    return flat_row(
        row._replace(recorded_at=row.recorded_at.replace(tzinfo=dt.UTC), body=json.loads(found[-1]))
    )


def flat_row(row: Row) -> dict[str, Any]:
    """The columns of a row, with the keys of its body beside them; instants are aware, UTC."""
    values = row._asdict()
    for key, value in values.pop("body").items():
        is_instant = key in INSTANT_KEYS and isinstance(value, str)
        values[key] = dt.datetime.fromisoformat(value) if is_instant else value
    return values


def find_row(con: duckdb.DuckDBPyConnection, record_id: str) -> dict[str, Any]:
    """The row of an id, or of an ending of at least four characters that only one id has.

    Raises
    ------
    RecordRefused
        There is no such row, or more than one.
    """
    typed = record_id.strip().lower()
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record WHERE record_id = ? OR "
        "(length(?) BETWEEN 4 AND ? AND suffix(record_id, ?))",
        [typed, typed, ID_LENGTH - 1, typed],
    ).fetchall()
    if not found:
        raise RecordRefused(
            f'There is no record "{record_id}".', "Look up its id with `gritbook record list`."
        )
    if len(found) > 1:
        raise RecordRefused(
            f'{len(found)} records have an id that ends in "{record_id}".', "Give more of the id."
        )
    return _as_dict(found[0])


def _superseding(con: duckdb.DuckDBPyConnection, record_id: str) -> dict[str, Any] | None:
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record WHERE supersedes = ?", [record_id]
    ).fetchone()
    return _as_dict(found) if found else None


def newest_row(con: duckdb.DuckDBPyConnection, record_id: str) -> dict[str, Any]:
    """The row of an id, if it is the newest one of its chain.

    Raises
    ------
    RecordRefused
        There is no such row, or another one supersedes it: the sentence says whose.
    """
    row = find_row(con, record_id)
    newer = _superseding(con, row["record_id"])
    if newer is None:
        return row
    newest = history(con, row["record_id"])[-1]
    did = "withdrew" if newer["withdrawn"] else "corrected"
    raise RecordRefused(
        f"{newer['recorded_by']} {did} the record {row['record_id']} at "
        f"{newer['recorded_at']:%Y-%m-%d %H:%M:%S} UTC, before you did.",
        f"Look at what stands there now, {newest['record_id']}, and correct that if it is wrong.",
    )


def insert_rows(con: duckdb.DuckDBPyConnection, rows: Sequence[Row]) -> None:
    """Add rows and go on with the chain of all entries. The caller owns the transaction."""
    if not rows:
        return
    import pyarrow as pa

    columns: dict[str, list[Any]] = {name: [] for name in Row._fields}
    for row in rows:
        for name, value in row._asdict().items():
            columns[name].append(value)
    columns["recorded_at"] = [
        pa.scalar(at, pa.timestamp("us", tz="UTC")).cast(pa.timestamp("us"))
        for at in columns["recorded_at"]
    ]
    columns["body"] = [json.dumps(body, ensure_ascii=False) for body in columns["body"]]
    entered = [
        row._asdict() | {"recorded_at": row.recorded_at.replace(tzinfo=None), "body": body}
        for row, body in zip(rows, columns["body"], strict=True)
    ]
    seals = record_chain.continued(con, entered)
    columns["number"] = [seal.number for seal in seals]
    columns["link"] = [seal.link for seal in seals]
    table = pa.table(
        {
            name: pa.array(values, pa.string() if name == "supersedes" else None)
            for name, values in columns.items()
        }
    )
    con.register("new_record", table)
    con.execute(
        f"INSERT INTO record ({_COLUMNS}, number, link) "
        f"SELECT {_COLUMNS}, number, link FROM new_record"
    )
    con.unregister("new_record")


def entered_once(con: duckdb.DuckDBPyConnection, once: str) -> dict[str, Any] | None:
    """The row that was entered with this already."""
    if not once:
        return None
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record WHERE suffix(record_id, ?)", [once]
    ).fetchall()
    return _as_dict(found[0]) if found else None
