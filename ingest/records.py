"""What people enter: shifts, crews, jobs, area, abrasive, parts fitted, checks done.

Rows are only ever added. A correction is a new row that supersedes the old one, with who, when
and why; a withdrawal is a row that supersedes without putting anything in the old one's place.
A chain of such rows is one record; its newest row is what counts.
"""

from __future__ import annotations

import datetime as dt
import difflib
import hashlib
import json
import secrets
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest import photos
from ingest.config import Yard
from ingest.errors import RecordRefused, SheetSigned, StoreBusy
from ingest.instants import utc_instant
from ingest.production_bodies import OF_A_SHIFT
from ingest.record_bodies import BODIES, INSTANT_KEYS, KEYS, checked_body, words_of
from ingest.store import record_chain, records_log
from ingest.store.connection import DEFAULT_WAIT_S, write_window

if TYPE_CHECKING:
    import duckdb

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32: no i, l, o, u
_ID_LENGTH, _HALF = 20, 10


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


# --- entering --------------------------------------------------------------------------------


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
        From :func:`new_once`, the same each time that one form is sent: what was entered with it
        already is not entered again, and its id is given back.

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
        _new_id(recorded_at, once=once), kind, recorded_at, by, via, None, False, reason.strip(),
        checked,
    )  # fmt: skip
    with _keeping_input(kind, body), _entering(data, wait_s) as con:
        if (standing := _entered_once(con, once)) is not None:
            _refuse_other(standing, checked_body(yard, kind, body, standing["recorded_at"]), kind)
            return str(standing["record_id"])
        book = _Book(con)
        book.check(row)
        _insert(con, [row])
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
        if (standing := _entered_once(con, once)) is not None:
            meant = checked_body(yard, standing["kind"], body, standing["recorded_at"])
            _refuse_other(standing, meant, standing["kind"])
            return str(standing["record_id"])
        old = _newest(con, record_id)
        checked = checked_body(yard, old["kind"], body, recorded_at)
        _refuse_lost_photo(data, checked)
        row = Row(
            _new_id(recorded_at, once=once), old["kind"], recorded_at, by, via, old["record_id"],
            False, reason, checked,
        )  # fmt: skip
        book = _Book(con)
        key = KEYS.get(row.kind)
        if key and not old["withdrawn"] and old[key] != checked[key]:
            book.refuse_if_used(row.kind, old[key], "renamed")
        if row.kind == "shift" and not old["withdrawn"]:
            book.refuse_pots_lost(old, checked["pots"])
        book.check(row)
        _insert(con, [row])
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
        old = _newest(con, record_id)
        if old["withdrawn"]:
            raise RecordRefused(
                f"The record {old['record_id']} was withdrawn by {old['recorded_by']} already.",
                "Nothing needs doing.",
            )
        if key := KEYS.get(old["kind"]):
            _Book(con).refuse_if_used(old["kind"], old[key], "withdrawn")
        row = Row(
            _new_id(recorded_at), old["kind"], recorded_at, by, via, old["record_id"], True,
            reason, {},
        )  # fmt: skip
        _insert(con, [row])
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
        book = _Book(con)
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
        _insert(con, fresh)
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
            record_id = _new_id(recorded_at, int.from_bytes(digest[:8], "big"))
            yield (
                line,
                Row(record_id, entry["kind"], recorded_at, by, "file", None, False, late, body),
            )


# --- reading ---------------------------------------------------------------------------------


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
    row = _find(con, record_id)
    chain = [row]
    while chain[0]["supersedes"] is not None:
        chain.insert(0, _find(con, chain[0]["supersedes"]))
    while (newer := _superseding(con, chain[-1]["record_id"])) is not None:
        chain.append(newer)
    return chain


# --- in between ------------------------------------------------------------------------------

_SINCE = "AND json_extract_string(r.body, '$.at') >= ?"

# In the order of Row.
_COLUMNS = "record_id, kind, recorded_at, recorded_by, via, supersedes, withdrawn, reason, body"


def signed_over(con: duckdb.DuckDBPyConnection, record_id: str) -> str:
    """The shift with a signed sheet that a record belongs to; empty: it belongs to none.

    Raises
    ------
    RecordRefused
        There is no such record.
    """
    row, book = _find(con, record_id), _Book(con)
    if row["kind"] not in OF_A_SHIFT or row["withdrawn"]:
        return ""
    body = {
        key: value.isoformat() if isinstance(value, dt.datetime) else value
        for key, value in row.items()
        if key in ("shift", "pot", "at", "from_at", "to_at")
    }
    return next((shift for shift in book.shifts_of(body) if shift in book.signed()), "")


def _as_dict(found: Sequence[Any]) -> dict[str, Any]:
    row = Row(*found)
    return _flat(
        row._replace(recorded_at=row.recorded_at.replace(tzinfo=dt.UTC), body=json.loads(found[-1]))
    )


def _flat(row: Row) -> dict[str, Any]:
    values = row._asdict()
    for key, value in values.pop("body").items():
        is_instant = key in INSTANT_KEYS and isinstance(value, str)
        values[key] = dt.datetime.fromisoformat(value) if is_instant else value
    return values


def _find(con: duckdb.DuckDBPyConnection, record_id: str) -> dict[str, Any]:
    typed = record_id.strip().lower()
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record WHERE record_id = ? OR "
        "(length(?) BETWEEN 4 AND ? AND suffix(record_id, ?))",
        [typed, typed, _ID_LENGTH - 1, typed],
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


def _newest(con: duckdb.DuckDBPyConnection, record_id: str) -> dict[str, Any]:
    row = _find(con, record_id)
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


class _Book:
    """What stands in the store, for checking what a new row refers to.

    Only crews, jobs and shifts are referred to by name; each is read when it is first asked for.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self._con = con
        self._by_name: dict[str, dict[str, dict[str, Any]]] = {}
        self._signed: dict[str, dict[str, Any]] | None = None

    def named(self, kind: str) -> dict[str, dict[str, Any]]:
        if kind not in self._by_name:
            self._by_name[kind] = {row[KEYS[kind]]: row for row in current(self._con, kind)}
        return self._by_name[kind]

    def note(self, row: Row) -> None:
        """Take in a row that has not been written yet."""
        if row.kind in KEYS:
            self.named(row.kind)[row.body[KEYS[row.kind]]] = _flat(row)
        if row.kind == "signature":
            self.signed()[row.body["shift"]] = _flat(row)

    def signed(self) -> dict[str, dict[str, Any]]:
        """Signatures by the shift that they are of."""
        if self._signed is None:
            self._signed = {row["shift"]: row for row in current(self._con, "signature")}
        return self._signed

    def check(self, row: Row) -> None:
        """Raise where a row refers to nothing, or its name is taken."""
        body = row.body
        if key := KEYS.get(row.kind):
            standing = self.named(row.kind).get(body[key])
            if standing is not None and standing["record_id"] != row.supersedes:
                raise RecordRefused(
                    f'There is a {row.kind} "{body[key]}" already (record '
                    f"{standing['record_id']}).",
                    f"Correct it with `gritbook record correct {standing['record_id']}`, "
                    "or choose another name.",
                )
        for other in ("crew", "job", "shift"):
            name = body.get(other)
            if row.kind != other and name and name not in self.named(other):
                close = difflib.get_close_matches(name, self.named(other), n=3, cutoff=0.5)
                meant = f"; did you mean {' or '.join(close)}?" if close else "."
                raise RecordRefused(
                    f'The {words_of(row.kind)} was not taken: there is no {other} "{name}"{meant}',
                    f"Enter it first with `gritbook record {other}`.",
                )
        if row.kind == "shift":
            self._refuse_overlap(row)
        elif body.get("shift"):
            pots = self.named("shift")[body["shift"]]["pots"]
            if body.get("pot") and body["pot"] not in pots:
                raise RecordRefused(
                    f"The {words_of(row.kind)} was not taken: the shift {body['shift']} had "
                    f"{', '.join(pots)}, not {body['pot']}.",
                    "Choose another pot or shift, or correct the shift.",
                )

        if row.kind == "job_change":
            self._refuse_outside(row)
        if row.kind == "signature":
            self._refuse_second(row)
        if row.kind in OF_A_SHIFT and row.supersedes is None and not row.reason:
            self._refuse_signed(row)

    def _refuse_outside(self, row: Row) -> None:
        shift = self.named("shift")[row.body["shift"]]
        if not shift["from_at"] < dt.datetime.fromisoformat(row.body["from_at"]) < shift["to_at"]:
            raise RecordRefused(
                f"The change of job was not taken: {row.body['from_at']} is not within the shift "
                f"{row.body['shift']}, {shift['from_at']:%Y-%m-%d %H:%M} to "
                f"{shift['to_at']:%Y-%m-%d %H:%M} UTC.",
                "Give a time after its begin and before its end, or correct the shift's own job.",
            )

    def _refuse_second(self, row: Row) -> None:
        standing = self.signed().get(row.body["shift"])
        if standing is not None and standing["record_id"] != row.supersedes:
            raise RecordRefused(
                f"The shift {row.body['shift']} was signed by {standing['recorded_by']} at "
                f"{standing['recorded_at']:%Y-%m-%d %H:%M} UTC already (record "
                f"{standing['record_id']}).",
                "To sign what stands there now, correct that signature and say why.",
            )

    def _refuse_signed(self, row: Row) -> None:
        for shift in self.shifts_of(row.body):
            if (signature := self.signed().get(shift)) is not None:
                raise SheetSigned(
                    f"The {words_of(row.kind)} was not taken: the sheet of the shift {shift} was "
                    f"signed by {signature['recorded_by']} at "
                    f"{signature['recorded_at']:%Y-%m-%d %H:%M} UTC.",
                    "Enter it with a reason, or correct what stands there: either shows on the "
                    "sheet as changed after signing.",
                )

    def shifts_of(self, body: Mapping[str, Any]) -> list[str]:
        """The shifts that an entry belongs to: the one it names, or those of its pot's time."""
        if body.get("shift"):
            return [body["shift"]]
        if not body.get("pot"):
            return []
        begin = dt.datetime.fromisoformat(body.get("from_at") or body["at"])
        end = dt.datetime.fromisoformat(body.get("to_at") or body["at"])
        return [
            name
            for name, shift in self.named("shift").items()
            if body["pot"] in shift["pots"] and begin < shift["to_at"] and end >= shift["from_at"]
        ]

    def _refuse_overlap(self, row: Row) -> None:
        # An hour of a pot must belong to one shift, or it is counted twice.
        from_at = dt.datetime.fromisoformat(row.body["from_at"])
        to_at = dt.datetime.fromisoformat(row.body["to_at"])
        for name, other in self.named("shift").items():
            if other["record_id"] == row.supersedes:
                continue
            shared = sorted(set(other["pots"]) & set(row.body["pots"]))
            if shared and other["from_at"] < to_at and from_at < other["to_at"]:
                raise RecordRefused(
                    f"The shift was not taken: {shared[0]} is in the shift {name} from "
                    f"{other['from_at']:%Y-%m-%d %H:%M} to {other['to_at']:%Y-%m-%d %H:%M} UTC.",
                    "Let one end where the other begins; an hour can belong to one shift only.",
                )

    def refuse_if_used(self, kind: str, name: str, done: str) -> None:
        """Raise where other records refer to a crew, job or shift by this name."""
        key = KEYS[kind]
        for other, model in BODIES.items():
            if other == kind or key not in model.model_fields:
                continue
            users = [row for row in current(self._con, other) if row.get(key) == name]
            if users:
                raise RecordRefused(
                    f'The {kind} "{name}" cannot be {done}: {len(users)} {words_of(other)} '
                    f"{'record refers' if len(users) == 1 else 'records refer'} to it "
                    f"(such as {users[0]['record_id']}).",
                    "Correct or withdraw those first.",
                )

    def refuse_pots_lost(self, shift: Mapping[str, Any], pots: Sequence[str]) -> None:
        """Raise where a corrected shift would leave out a pot that something was entered for."""
        for kind in ("area", "abrasive", "abrasive_move", "shift_start"):
            for row in current(self._con, kind):
                if row["shift"] == shift["shift"] and row["pot"] and row["pot"] not in pots:
                    raise RecordRefused(
                        f"The shift {shift['shift']} cannot do without {row['pot']}: "
                        f"{words_of(kind)} was entered for it (record {row['record_id']}).",
                        "Correct or withdraw that first.",
                    )


def _insert(con: duckdb.DuckDBPyConnection, rows: Sequence[Row]) -> None:
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


def _refuse_lost_photo(data: Path, body: Mapping[str, Any]) -> None:
    if (name := body.get("photo")) and photos.read(data, name) is None:
        raise RecordRefused(
            f"The photo {name} is not in {data / photos.FOLDER_NAME}.",
            "Give the photo itself, or leave it out.",
        )


def _new_id(recorded_at: dt.datetime, number: int | None = None, once: str = "") -> str:
    """Ten characters of time [ms], then ten that make it unique."""
    milliseconds = int(recorded_at.timestamp() * 1000)
    if once and not is_once(once):
        raise ValueError("once: expected what new_once gives")
    tail = secrets.randbits(50) if number is None else number & (2**50 - 1)
    time = _in_letters(milliseconds)
    return time + (once or _in_letters(tail))


def _in_letters(value: int) -> str:
    """Fifty bits as ten characters."""
    return "".join(_ALPHABET[(value >> (5 * place)) & 31] for place in range(_HALF - 1, -1, -1))


def new_once() -> str:
    """What :func:`add` takes as ``once``: the second half of the id that the record will have."""
    return _in_letters(secrets.randbits(5 * _HALF))


def is_once(text: str) -> bool:
    """Whether a text is of the form that :func:`new_once` gives."""
    return len(text) == _HALF and all(letter in _ALPHABET for letter in text)


def _entered_once(con: duckdb.DuckDBPyConnection, once: str) -> dict[str, Any] | None:
    """The row that was entered with this already."""
    if not once:
        return None
    found = con.execute(
        f"SELECT {_COLUMNS} FROM record WHERE suffix(record_id, ?)", [once]
    ).fetchall()
    return _as_dict(found[0]) if found else None


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
