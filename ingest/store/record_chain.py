"""A chain over what people entered, so that an altered row shows.

Each row of ``record`` has a number, one more than the row entered before it, and a link: the
SHA-256 of the link before it and of all that stands in the row. Whoever alters, takes out or puts
in a row breaks the chain there. Rows taken off the end leave it whole; those are found by
comparing the store with ``records.log``, which holds every row a second time.

Whoever can write both files and makes the chain anew leaves no trace in them. That is what the seal
is for: the newest number and link. Printed or noted elsewhere, it tells later whether what
stood then still stands (``gritbook record seal``).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    import duckdb

#: What a row's link is made from, besides the link before it.
CONTENT = (
    "number", "record_id", "kind", "recorded_at", "recorded_by", "via", "supersedes", "withdrawn",
    "reason", "body",
)  # fmt: skip
#: The link before the first row.
BEGINNING = "0" * 64


class Fault(NamedTuple):
    """Where the chain is broken.

    Parameters
    ----------
    number : int or None
        The row's number; ``None``: it has none.
    record_id : str
        The row; empty: it is not there.
    what : str
        A sentence that names the row.
    """

    number: int | None
    record_id: str
    what: str


class Seal(NamedTuple):
    """The newest row's number and link; number 0: nothing was entered."""

    number: int
    link: str

    def __str__(self) -> str:
        return f"{self.number}-{self.link}"


def link(before: str, row: Mapping[str, Any]) -> str:
    """A row's link.

    Parameters
    ----------
    before : str
        Link of the row before it.
    row : mapping
        The columns ``CONTENT``; ``recorded_at`` naive UTC, ``body`` as text.

    Examples
    --------
    >>> import datetime as dt
    >>> row = {"number": 1, "record_id": "a", "kind": "crew", "recorded_by": "S", "via": "page",
    ...     "recorded_at": dt.datetime(2026, 1, 5), "supersedes": None, "withdrawn": False,
    ...     "reason": "", "body": "{}"}
    >>> link(BEGINNING, row) == link(BEGINNING, row | {"recorded_by": "T"})
    False
    """
    content = [row[name] for name in CONTENT]
    content[CONTENT.index("recorded_at")] = row["recorded_at"].isoformat(timespec="microseconds")
    text = json.dumps(["gritbook record 1", before, *content], ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def seal_of(con: duckdb.DuckDBPyConnection) -> Seal:
    """The newest number and link."""
    found = con.execute(
        "SELECT number, link FROM record WHERE number IS NOT NULL ORDER BY number DESC LIMIT 1"
    ).fetchall()
    return Seal(*found[0]) if found else Seal(0, BEGINNING)


def continued(con: duckdb.DuckDBPyConnection, rows: Iterable[Mapping[str, Any]]) -> list[Seal]:
    """Numbers and links of rows that are about to be added, in their order."""
    last = seal_of(con)
    seals = []
    for row in rows:
        number = last.number + 1
        last = Seal(number, link(last.link, {**row, "number": number}))
        seals.append(last)
    return seals


def number_rest(con: duckdb.DuckDBPyConnection) -> int:
    """Give rows without a number their place: rows entered before there was a chain.

    In the order of their entry they take the numbers that are free, lowest first. The caller owns
    the transaction.

    Returns
    -------
    int
        How many had none.
    """
    rest = _rows(con, "WHERE number IS NULL ORDER BY record_id")
    if not rest:
        return 0
    links = dict(con.execute("SELECT number, link FROM record WHERE number IS NOT NULL").fetchall())
    number = 0
    made = []
    for row in rest:
        number += 1
        while number in links:
            number += 1
        links[number] = link(links.get(number - 1, BEGINNING), {**row, "number": number})
        made.append((row["record_id"], number, links[number]))
    import pyarrow as pa

    names, numbers, texts = zip(*made, strict=True)
    con.register(
        "numbered",
        pa.table({"record_id": names, "number": pa.array(numbers, pa.int64()), "link": texts}),
    )
    con.execute(
        "UPDATE record SET number = numbered.number, link = numbered.link FROM numbered "
        "WHERE record.record_id = numbered.record_id"
    )
    con.unregister("numbered")
    return len(made)


def faults(con: duckdb.DuckDBPyConnection, kept: Iterable[Mapping[str, Any]] = ()) -> list[Fault]:
    """Where the chain is broken, and where store and log differ.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window onto the store.
    kept : iterable of mapping
        Rows of ``records.log`` (:func:`ingest.store.records_log.read`).

    Returns
    -------
    list of Fault
        Empty: every row stands as it was entered, as far as chain and log can tell.
    """
    rows = _rows(con, "ORDER BY number NULLS LAST, record_id")
    found: list[Fault] = []
    last = Seal(0, BEGINNING)
    for row in rows:
        number, record_id = row["number"], row["record_id"]
        if number is None:
            found.append(Fault(None, record_id, f"{_named(row)} was put in past the chain."))
            continue
        if number <= last.number:
            found.append(
                Fault(number, record_id, f"{_named(row)} was put in: there are two of its number.")
            )
            continue
        if number > last.number + 1:
            gone = f"row {last.number + 1}" + (
                f" to row {number - 1}" if number > last.number + 2 else ""
            )
            found.append(
                Fault(last.number + 1, "", f"{gone.capitalize()}, before {_named(row, True)}, "
                      f"{'are' if ' to ' in gone else 'is'} missing.")
            )  # fmt: skip
        elif link(last.link, row) != row["link"]:
            found.append(Fault(number, record_id, f"{_named(row)} is not as it was entered."))
        last = Seal(number, str(row["link"]))
    return found + _differing(rows, kept)


def stands(con: duckdb.DuckDBPyConnection, seal: Seal) -> bool:
    """Whether a seal that was noted earlier is still part of the chain."""
    if seal.number == 0:
        return seal.link == BEGINNING
    found = con.execute("SELECT link FROM record WHERE number = ?", [seal.number]).fetchall()
    return [(seal.link,)] == found


def parse_seal(text: str) -> Seal | None:
    """What a seal's text says; ``None``: it is no seal.

    Examples
    --------
    >>> parse_seal("0-" + "0" * 64) == Seal(0, BEGINNING), parse_seal("12-ab")
    (True, None)
    """
    number, dash, digits = text.strip().lower().partition("-")
    if not (dash and number.isascii() and number.isdigit() and len(digits) == 64):
        return None
    return Seal(int(number), digits) if set(digits) <= set("0123456789abcdef") else None


def _rows(con: duckdb.DuckDBPyConnection, rest: str) -> list[dict[str, Any]]:
    names = (*CONTENT, "link")
    found = con.execute(f"SELECT {', '.join(names)} FROM record {rest}").fetchall()
    return [dict(zip(names, row, strict=True)) for row in found]


def _named(row: Mapping[str, Any], within: bool = False) -> str:
    number = "without a number" if row["number"] is None else str(row["number"])
    said = (
        f"row {number} ({row['record_id']}: {row['kind']} by {row['recorded_by']}, "
        f"{row['recorded_at']:%Y-%m-%d %H:%M} UTC)"
    )
    return said if within else said[0].upper() + said[1:]


def _differing(rows: list[dict[str, Any]], kept: Iterable[Mapping[str, Any]]) -> list[Fault]:
    standing = {row["record_id"]: row for row in rows}
    found = []
    for line in kept:
        row = standing.get(line["record_id"])
        if row is None:
            what = f"{_named({'number': None, **line})} is in records.log and not in the store."
            found.append(Fault(line.get("number"), line["record_id"], what))
            continue
        for name in (*CONTENT, "link"):
            # Lines that were written before there was a chain have no number and no link.
            if name in ("number", "link") and line.get(name) is None:
                continue
            if row[name] != line[name]:
                what = f"{_named(row)} reads otherwise in records.log ({name})."
                found.append(Fault(row["number"], row["record_id"], what))
                break
    return found
