"""What people enter: shifts, crews, jobs, area, abrasive, parts fitted, checks done.

Everything is checked first, and then written whole or not at all. What rows a record is made of
is said in :mod:`ingest.record_rows`.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest import photos
from ingest.config import Yard
from ingest.errors import RecordRefused, StoreBusy
from ingest.instants import utc_instant
from ingest.record_bodies import INSTANT_KEYS, KEYS, checked_body, words_of
from ingest.record_book import Book
from ingest.record_ids import new_id
from ingest.record_rows import Row, entered_once, insert_rows, newest_row
from ingest.store import records_log
from ingest.store.connection import DEFAULT_WAIT_S, write_window

if TYPE_CHECKING:
    import duckdb


class Loaded(NamedTuple):
    """What :func:`load_file` did.

    Parameters
    ----------
    added : int
        Records that are new.
    already : int
        Lines whose record was in the store already.
    """

    added: int
    already: int


def add(
    data: Path,
    yard: Yard,
    kind: str,
    body: Mapping[str, Any],
    by: str,
    via: str,
    at: dt.datetime | None = None,
    wait_s: float = DEFAULT_WAIT_S,
    reason: str = "",
    once: str = "",
) -> str:
    """Enter something.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file, for its zone and its pots.
    kind : str
        A key of :data:`ingest.record_bodies.BODIES`.
    body : mapping
        What was typed.
    by : str
        Who entered it.
    via : str
        ``page``, ``command`` or ``file``.
    at : datetime, optional
        When it was entered; by default now.
    wait_s : float
        How long to wait while another program writes. [s]
    reason : str
        Why it comes so late; needed where it belongs to a shift that was signed.
    once : str
        From :func:`ingest.record_ids.new_once`, the same each time that one form is sent: what
        was entered with it already is not entered again, and its id is given back.

    Returns
    -------
    str
        The record's id: it sorts by the time of entry, and is unique.

    Raises
    ------
    RecordRefused
        What was typed cannot be, or refers to something that was not entered.
    StoreBusy
        The store was held for longer than ``wait_s``; the sentence repeats what was typed.
    """
    recorded_at = _now(at)
    by = _person(by)
    checked = checked_body(yard, kind, body, recorded_at)
    _refuse_lost_photo(data, checked)
    row = Row(
        new_id(recorded_at, once=once), kind, recorded_at, by, via, None, False, reason.strip(),
        checked,
    )  # fmt: skip
    with _keeping_input(kind, body), _entering(data, wait_s) as con:
        if (standing := entered_once(con, once)) is not None:
            _refuse_other(standing, checked_body(yard, kind, body, standing["recorded_at"]), kind)
            return str(standing["record_id"])
        book = Book(con)
        book.check(row)
        insert_rows(con, [row])
    return row.record_id


def correct(
    data: Path,
    yard: Yard,
    record_id: str,
    body: Mapping[str, Any],
    by: str,
    reason: str,
    via: str = "command",
    at: dt.datetime | None = None,
    wait_s: float = DEFAULT_WAIT_S,
    once: str = "",
) -> str:
    """Put a new row in the place of a record's newest one.

    Parameters
    ----------
    record_id : str
        The newest row of its chain, or an ending of its id that only it has.
    body : mapping
        The whole body as it should be.
    by, reason : str
        Who corrects it, and why.

    Returns
    -------
    str
        Id of the new row.

    Raises
    ------
    RecordRefused
        There is no such record, somebody corrected it already, no reason is given, or the body
        cannot be.
    StoreBusy
        The store was held for longer than ``wait_s``; the sentence repeats what was typed.

    See Also
    --------
    add : the other parameters
    """
    recorded_at = _now(at)
    by, reason = _person(by), _reason(reason)
    with _keeping_input("correction", body), _entering(data, wait_s) as con:
        if (standing := entered_once(con, once)) is not None:
            meant = checked_body(yard, standing["kind"], body, standing["recorded_at"])
            _refuse_other(standing, meant, standing["kind"])
            return str(standing["record_id"])
        old = newest_row(con, record_id)
        checked = checked_body(yard, old["kind"], body, recorded_at)
        _refuse_lost_photo(data, checked)
        row = Row(
            new_id(recorded_at, once=once), old["kind"], recorded_at, by, via, old["record_id"],
            False, reason, checked,
        )  # fmt: skip
        book = Book(con)
        key = KEYS.get(row.kind)
        if key and not old["withdrawn"] and old[key] != checked[key]:
            book.refuse_if_used(row.kind, old[key], "renamed")
        if row.kind == "shift" and not old["withdrawn"]:
            book.refuse_pots_lost(old, checked["pots"])
        book.check(row)
        insert_rows(con, [row])
    return row.record_id


def withdraw(
    data: Path,
    record_id: str,
    by: str,
    reason: str,
    via: str = "command",
    at: dt.datetime | None = None,
    wait_s: float = DEFAULT_WAIT_S,
) -> str:
    """Take a record away. It stays in the history, and can be corrected back.

    Raises
    ------
    RecordRefused
        There is no such record, it was corrected or withdrawn already, no reason is given, or
        other records refer to it.
    StoreBusy
        The store was held for longer than ``wait_s``.

    See Also
    --------
    correct : the parameters
    """
    recorded_at = _now(at)
    by, reason = _person(by), _reason(reason)
    with _keeping_input("withdrawal", {"record": record_id}), _entering(data, wait_s) as con:
        old = newest_row(con, record_id)
        if old["withdrawn"]:
            raise RecordRefused(
                f"The record {old['record_id']} was withdrawn by {old['recorded_by']} already.",
                "Nothing needs doing.",
            )
        if key := KEYS.get(old["kind"]):
            Book(con).refuse_if_used(old["kind"], old[key], "withdrawn")
        row = Row(
            new_id(recorded_at), old["kind"], recorded_at, by, via, old["record_id"], True,
            reason, {},
        )  # fmt: skip
        insert_rows(con, [row])
    return row.record_id


def load_file(data: Path, yard: Yard, path: Path, wait_s: float = DEFAULT_WAIT_S) -> Loaded:
    """Bring in records from a file of JSON lines, all of them or none.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    path : Path
        Lines ``{"kind": …, "recorded_at": …, "recorded_by": …, "body": {…}}``, with a ``reason``
        where it comes after a signature; a line may refer to what stands above it. A line that
        was brought in before changes nothing.

    Raises
    ------
    RecordRefused
        The file cannot be read, or a line cannot be taken; the sentence says which and why.
    StoreBusy
        The store was held for longer than ``wait_s``.
    """
    rows = list(_rows_of_file(yard, path))
    with _entering(data, wait_s) as con:
        known = {found[0] for found in con.execute("SELECT record_id FROM record").fetchall()}
        book = Book(con)
        fresh: list[Row] = []
        for line, row in rows:
            if row.record_id in known:
                continue
            known.add(row.record_id)
            with _naming_line(path, line):
                _refuse_lost_photo(data, row.body)
                book.check(row)
            book.note(row)
            fresh.append(row)
        insert_rows(con, fresh)
    return Loaded(len(fresh), len(rows) - len(fresh))


def _rows_of_file(yard: Yard, path: Path) -> Iterator[tuple[int, Row]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordRefused(
            f"The file {path} cannot be read: {error}.", "Name a file of JSON lines in UTF-8."
        ) from error
    wanted = {"kind", "recorded_at", "recorded_by", "body"}
    for line, written in enumerate(text.splitlines(), start=1):
        if not written.strip():
            continue
        with _naming_line(path, line):
            try:
                entry = json.loads(written)
                given = {key: entry[key] for key in sorted(wanted)}
                extra = set(entry) - wanted - {"reason"}
                late = str(entry.get("reason", "")).strip()
                if late:
                    given["reason"] = late
                recorded_at = utc_instant(entry["recorded_at"], yard.site.zone)
            except (ValueError, KeyError, TypeError) as error:
                raise RecordRefused(
                    "It is not a JSON object with kind, recorded_at, recorded_by and body.",
                    "Nothing of the file was taken.",
                ) from error
            if extra or not isinstance(entry["body"], dict):
                what = (
                    f"It has the unknown key {min(extra)}." if extra else "Its body is no object."
                )
                raise RecordRefused(what, "Nothing of the file was taken.")
            by = _person(entry["recorded_by"])
            body = checked_body(yard, entry["kind"], entry["body"], recorded_at)
            digest = hashlib.sha256(json.dumps(given, sort_keys=True).encode()).digest()
            record_id = new_id(recorded_at, int.from_bytes(digest[:8], "big"))
            yield (
                line,
                Row(record_id, entry["kind"], recorded_at, by, "file", None, False, late, body),
            )


def _refuse_lost_photo(data: Path, body: Mapping[str, Any]) -> None:
    if (name := body.get("photo")) and photos.read(data, name) is None:
        raise RecordRefused(
            f"The photo {name} is not in {data / photos.FOLDER_NAME}.",
            "Give the photo itself, or leave it out.",
        )


def _refuse_other(standing: Mapping[str, Any], meant: Mapping[str, Any], kind: str) -> None:
    """Raise where a form that was saved already is sent again with something else in it."""
    if standing["kind"] != kind or any(
        standing.get(key) != (dt.datetime.fromisoformat(value) if key in INSTANT_KEYS and value
                              else value)
        for key, value in meant.items()
    ):  # fmt: skip
        raise RecordRefused(
            f"This form was saved already, at {standing['recorded_at']:%H:%M:%S} UTC by "
            f"{standing['recorded_by']}, with something else in it (record "
            f"{standing['record_id']}). What stands in it now was not saved.",
            "Correct that entry in the log book, or empty the form for another one.",
        )


def _now(at: dt.datetime | None) -> dt.datetime:
    now = dt.datetime.now(dt.UTC) if at is None else at
    if now.tzinfo is None:
        raise ValueError("the time of entry needs a zone")
    return now.astimezone(dt.UTC)


def _person(by: object) -> str:
    name = by.strip() if isinstance(by, str) else ""
    if not name:
        raise RecordRefused(
            "Nobody is named as the one who enters this.",
            "Give a name with --by, or set GRITBOOK_BY.",
        )
    return name[:80]


def _reason(reason: str) -> str:
    if not reason.strip():
        raise RecordRefused(
            "A correction or withdrawal needs a reason.", "Say in a few words what was wrong."
        )
    return reason.strip()


@contextmanager
def _naming_line(path: Path, line: int) -> Iterator[None]:
    try:
        yield
    except RecordRefused as error:
        raise type(error)(f"{path.name}, line {line}: {error.what}", error.next_step) from error


@contextmanager
def _entering(data: Path, wait_s: float) -> Iterator[duckdb.DuckDBPyConnection]:
    """A write window whose new records are copied to ``records.log`` once they are committed."""
    with write_window(data, wait_s) as con:
        yield con
        rows = records_log.lacking(con, data)
    # They are saved: a full disk makes the copy late, not the entry wrong. The next entry brings
    # it along, and `gritbook check` says that it is late.
    with suppress(OSError):
        records_log.append(data, rows)


@contextmanager
def _keeping_input(kind: str, body: Mapping[str, Any]) -> Iterator[None]:
    try:
        yield
    except StoreBusy as error:
        typed = json.dumps(dict(body), ensure_ascii=False, default=str)
        raise StoreBusy(
            f"{error.what} This {words_of(kind)} was NOT saved: {typed}", error.next_step
        ) from error
