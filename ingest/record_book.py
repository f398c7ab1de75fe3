"""Whether a new row agrees with what stands: what it refers to is there, and belongs together."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ingest.errors import RecordRefused, SheetSigned
from ingest.production_bodies import OF_A_SHIFT
from ingest.record_bodies import BODIES, KEYS, words_of
from ingest.record_rows import Row, current, find_row, flat_row

if TYPE_CHECKING:
    import duckdb


def signed_over(con: duckdb.DuckDBPyConnection, record_id: str) -> str:
    """The shift with a signed sheet that a record belongs to; empty: it belongs to none.

    Raises
    ------
    RecordRefused
        There is no such record.
    """
    row, book = find_row(con, record_id), Book(con)
    if row["kind"] not in OF_A_SHIFT or row["withdrawn"]:
        return ""
    body = {
        key: value.isoformat() if isinstance(value, dt.datetime) else value
        for key, value in row.items()
        if key in ("shift", "pot", "at", "from_at", "to_at")
    }
    return next((shift for shift in book.shifts_of(body) if shift in book.signed()), "")


class Book:
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
            self.named(row.kind)[row.body[KEYS[row.kind]]] = flat_row(row)
        if row.kind == "signature":
            self.signed()[row.body["shift"]] = flat_row(row)

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
