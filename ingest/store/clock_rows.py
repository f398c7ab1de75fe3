"""Rows of ``clock_correction``: put, withdraw, list. The caller owns the window.

Rows are never changed but for being withdrawn, and never deleted: what was corrected when, by
whom and why stays to be seen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from ingest.clocks import Correction
from ingest.errors import RecordRefused

if TYPE_CHECKING:
    import duckdb


class Taken(NamedTuple):
    """A correction that was taken.

    Parameters
    ----------
    correction_id : int
    pot : str
    arrived_from_at, arrived_to_at : datetime
        Arrivals it is for, half-open. Naive UTC.
    from_at, to_at : datetime
        Box times, as sent, of the first and the last of them. Naive UTC.
    offset_s : float
        Added at ``from_at``. [s]
    drift : float
        Added for each second since. [s/s]
    kind, reason : str
        What was wrong.
    taken_at : datetime
        Naive UTC.
    taken_by : str
    withdrawn_at : datetime or None
        Since when it no longer holds. Naive UTC.
    withdrawn_by : str
    """

    correction_id: int
    pot: str
    arrived_from_at: dt.datetime
    arrived_to_at: dt.datetime
    from_at: dt.datetime
    to_at: dt.datetime
    offset_s: float
    drift: float
    kind: str
    reason: str
    taken_at: dt.datetime
    taken_by: str
    withdrawn_at: dt.datetime | None
    withdrawn_by: str


def listed(con: duckdb.DuckDBPyConnection, pot: str | None = None) -> list[Taken]:
    """All corrections of a pot, or of all pots, withdrawn ones too; oldest arrivals first."""
    rows = con.execute(
        "SELECT correction_id, pot, arrived_from_at, arrived_to_at, from_at, to_at, offset_s, "
        "drift, kind, reason, taken_at, taken_by, withdrawn_at, withdrawn_by "
        "FROM clock_correction JOIN pot USING (pot_id) WHERE $pot IS NULL OR pot = $pot "
        "ORDER BY pot, arrived_from_at, correction_id",
        {"pot": pot},
    ).fetchall()
    return [Taken(*row) for row in rows]


def put(
    con: duckdb.DuckDBPyConnection,
    pot: str,
    corrections: Sequence[Correction],
    by: str,
    now: dt.datetime,
) -> list[int]:
    """Take corrections; gives their numbers.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    pot : str
        Its name.
    corrections : sequence of Correction
        From :func:`ingest.clocks.estimate`.
    by : str
        Who takes them.
    now : datetime
        Naive UTC.

    Raises
    ------
    RecordRefused
        Nobody is named, the pot was never heard, or one that holds is for some of the same
        arrivals.
    """
    if not by.strip():
        raise RecordRefused("A correction needs a name.", "Say who takes it with --by.")
    found = con.execute("SELECT pot_id FROM pot WHERE pot = ?", [pot]).fetchall()
    if not found:
        raise RecordRefused(f'Nothing was ever heard of a pot "{pot}".', "Look at its name.")
    numbers = []
    for one in corrections:
        span = {"pot": found[0][0], "from_us": one.arrived_from_us, "to_us": one.arrived_to_us}
        held = con.execute(
            "SELECT correction_id FROM clock_correction WHERE pot_id = $pot AND withdrawn_at IS "
            "NULL AND arrived_from_at < make_timestamp($to_us) "
            "AND arrived_to_at > make_timestamp($from_us)",
            span,
        ).fetchall()
        if held:
            raise RecordRefused(
                f"Correction {held[0][0]} of {pot} is for some of the same arrivals.",
                "Withdraw that one first.",
            )
        ((number,),) = con.execute("SELECT nextval('correction_number')").fetchall()
        con.execute(
            "INSERT INTO clock_correction VALUES ($number, $pot, make_timestamp($from_us), "
            "make_timestamp($to_us), make_timestamp($first_us), make_timestamp($last_us), "
            "$offset_s, $drift, $kind, $reason, $now, $by, NULL, '')",
            {
                **span, "number": number, "first_us": one.from_us, "last_us": one.to_us,
                "offset_s": one.offset_s, "drift": one.drift, "kind": one.kind,
                "reason": one.reason, "now": now, "by": by.strip(),
            },
        )  # fmt: skip
        numbers.append(int(number))
    return numbers


def withdraw(con: duckdb.DuckDBPyConnection, correction_id: int, by: str, now: dt.datetime) -> None:
    """Let a correction hold no longer; its row stays.

    Raises
    ------
    RecordRefused
        There is none of that number that holds, or nobody is named.
    """
    if not by.strip():
        raise RecordRefused("Withdrawing a correction needs a name.", "Say who does with --by.")
    changed = con.execute(
        "UPDATE clock_correction SET withdrawn_at = $now, withdrawn_by = $by "
        "WHERE correction_id = $number AND withdrawn_at IS NULL RETURNING correction_id",
        {"now": now, "by": by.strip(), "number": correction_id},
    ).fetchall()
    if not changed:
        raise RecordRefused(
            f"There is no correction {correction_id} that holds.",
            "`gritbook clocks` lists them with their numbers.",
        )
