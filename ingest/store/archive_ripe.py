"""Which days may be archived, and why others must wait.

A day is ripe when it ended longer ago than the yard file says, its figures have been derived, and
the journal holds nothing that arrived before its end and was not taken.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ingest.store.archive_reading import TABLES, WITHOUT_MESSAGES
from ingest.store.journal_frames import Entry, Position, read_from

if TYPE_CHECKING:
    import duckdb


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
        late = [one for one in found if begin_of(one.day + dt.timedelta(days=1)) > waits]
        found = [one for one in found if one not in late]
    else:
        late = []
    touched = con.execute("SELECT pot_id, from_at, to_at FROM touched").fetchall()
    pending = [
        one
        for one in found
        if any(
            pot_id == one.pot_id
            and from_at < begin_of(one.day + dt.timedelta(days=1))
            and to_at >= begin_of(one.day)
            for pot_id, from_at, to_at in touched
        )
    ]
    waiting = []
    if late:
        waiting.append(Waiting(len(late), "the journal holds messages that are not taken yet"))
    if pending:
        waiting.append(Waiting(len(pending), "figures are not derived yet: run `gritbook derive`"))
    return [one for one in found if one not in pending], waiting


def begin_of(day: dt.date) -> dt.datetime:
    """Midnight with which a day begins; UTC, naive."""
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
