"""Reads what weighing left in the store, and the slow channels beside it; a part of ``frames``.

As there: an open read window in, a frame that stands by itself out, instants UTC without a zone.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl

from analytics.frames import EARLIEST, LATEST, read_frame
from analytics.indicators import COLUMNS_CHARTED, columns_of
from ingest.store.archive_reading import stored_rows

if TYPE_CHECKING:
    import duckdb

#: Columns of the table ``spell``.
SPELL_COLUMNS: dict[str, Any] = {
    "pot_id": pl.Int16,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "cycles": pl.Int64,
    "made_of": pl.String,
    "used_kg": pl.Float64,
    "used_low_kg": pl.Float64,
    "used_high_kg": pl.Float64,
    "questions": pl.String,
}


def weighed_spells(
    con: duckdb.DuckDBPyConnection,
    pot_id: int | None = None,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Weighed spells that end after ``from_at`` and begin before ``to_at``, oldest first."""
    return read_frame(
        con,
        "SELECT * FROM spell WHERE ($pot IS NULL OR pot_id = $pot) AND to_at > $from_at "
        "AND from_at < $to_at ORDER BY from_at, pot_id",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


class SpellsDigest(NamedTuple):
    """How many spells, and a number that changes with them; of some of them the rest's can be
    told from it and all's."""

    spells: int
    digest: int

    def less(self, others: SpellsDigest) -> SpellsDigest:
        """The digest of those that ``others`` are not."""
        return SpellsDigest(self.spells - others.spells, self.digest ^ others.digest)


def spells_digest(
    con: duckdb.DuckDBPyConnection, pot_id: int | None = None, after: dt.datetime | None = None
) -> dict[int, SpellsDigest]:
    """By pot, what changes with the weighed spells and what they were made of.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int, optional
        Of one pot only.
    after : datetime, optional
        Only of spells that begin after this (naive UTC).
    """
    rows = con.execute(
        "SELECT pot_id, count(*), bit_xor(md5_number(from_at || ' ' || made_of)) FROM spell "
        "WHERE ($pot IS NULL OR pot_id = $pot) AND from_at > $after GROUP BY pot_id",
        {"pot": pot_id, "after": after or EARLIEST},
    ).fetchall()
    return {pot: SpellsDigest(count, int(digest)) for pot, count, digest in rows}


class SpellState(NamedTuple):
    """What spells were last looked through with, and from when on they may have changed since."""

    made_of: str
    from_at: dt.datetime
    changes: int


def spell_states(con: duckdb.DuckDBPyConnection) -> dict[int, SpellState]:
    """Rows of ``spell_state`` by pot."""
    rows = con.execute("SELECT pot_id, made_of, from_at, changes FROM spell_state").fetchall()
    return {pot_id: SpellState(*row) for pot_id, *row in rows}


def last_spell_before(
    con: duckdb.DuckDBPyConnection, pot_id: int, to_at: dt.datetime
) -> dt.datetime | None:
    """Begin of the last weighed spell that ends before ``to_at``; ``None``: there is none."""
    ((from_at,),) = con.execute(
        "SELECT max(from_at) FROM spell WHERE pot_id = $pot AND to_at < $to_at",
        {"pot": pot_id, "to_at": to_at},
    ).fetchall()
    found: dt.datetime | None = from_at
    return found


def made_of_spells(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime | None
) -> dict[dt.datetime, str]:
    """What weighed spells that begin from ``from_at`` on were made of, by their begins."""
    rows = con.execute(
        "SELECT from_at, made_of FROM spell WHERE pot_id = $pot AND from_at >= $from_at",
        {"pot": pot_id, "from_at": from_at or EARLIEST},
    ).fetchall()
    return dict(rows)


def conditions(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Condition of a pot's cycles pressed from ``from_at`` on, before ``to_at``, ascending.

    Returns
    -------
    polars.DataFrame
        ``analytics.condition.CONDITION_SCHEMA``.
    """
    return read_frame(
        con,
        "SELECT * EXCLUDE (pot_id, spell_from_at) FROM condition WHERE pot_id = $pot "
        "AND pressed_at >= $from_at AND pressed_at < $to_at ORDER BY pressed_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def charted_conditions(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
    only: Collection[str] = (),
) -> pl.DataFrame:
    """What charts need of a pot's cycles from ``from_at`` on, up to ``to_at``, ascending.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot.
    from_at, to_at : datetime, optional
        First and last instant at which they were pressed (naive UTC).
    only : collection of str
        Only what these indicators need, of the cycles that have a figure of one; ``~`` before one
        is passed over.

    Returns
    -------
    polars.DataFrame
        ``analytics.indicators.COLUMNS_CHARTED`` and ``spell_from_at``.
    """
    figures = {key.lstrip("~") for key in only}
    wanted = columns_of(figures) if only else COLUMNS_CHARTED
    there = " OR ".join(f"{name} IS NOT NULL" for name in sorted(figures)) or "true"
    return read_frame(
        con,
        f"SELECT {', '.join(wanted)}, spell_from_at FROM condition WHERE pot_id = $pot "
        f"AND pressed_at >= $from_at AND pressed_at <= $to_at AND ({there}) ORDER BY pressed_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def tippings(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Tippings found: ``from_at, to_at, estimate_kg, error_kg, entered_kg``, oldest first."""
    return read_frame(
        con,
        "SELECT * EXCLUDE (pot_id, spell_from_at) FROM tipping WHERE pot_id = $pot "
        "AND to_at > $from_at AND from_at < $to_at ORDER BY from_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


#: Of :func:`slow_readings`.
SLOW_SCHEMA: dict[str, Any] = {
    "sampled_at": pl.Datetime("us"),
    "channel": pl.String,
    "value": pl.Float64,
}


def slow_readings(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    channels: tuple[str, ...],
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Readings of slow channels of a pot: ``sampled_at, channel, value``, ascending."""
    # Most yards measure none; to join what is not there takes as long as to read a shift's columns.
    ((known,),) = con.execute(
        "SELECT count(*) FROM channel WHERE list_contains($channels, channel)",
        {"channels": list(channels)},
    ).fetchall()
    if not known:
        return pl.DataFrame(schema=SLOW_SCHEMA)
    return read_frame(
        con,
        "SELECT r.sampled_at, c.channel, r.value "
        f"FROM {stored_rows(con, 'reading', pot_id, from_at, to_at)} r "
        "JOIN channel c USING (channel_id) "
        "WHERE r.pot_id = $pot AND list_contains($channels, c.channel) "
        "AND r.sampled_at >= $from_at AND r.sampled_at < $to_at ORDER BY r.sampled_at, c.channel",
        pot=pot_id,
        channels=list(channels),
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def mean_of_slow(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    channel: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
) -> float | None:
    """Mean of a slow channel of a pot in a stretch, in the channel's unit; ``None``: no value."""
    return mean_of(slow_readings(con, pot_id, (channel,), from_at, to_at))


def mean_of(readings: pl.DataFrame) -> float | None:
    """Mean of the values of :func:`slow_readings`; ``None``: no value."""
    # Exact, so that it does not hang on how the values lie in memory.
    values = readings["value"].drop_nulls().to_list()
    return math.fsum(values) / len(values) if values else None
