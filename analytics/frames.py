"""The only reader of the store: a query in, a checked Polars frame out.

Every function takes an open read window and returns a frame that stands by itself. Instants in
frames are UTC without a zone, as in the store.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import polars as pl

from ingest.store.archive_reading import stored_rows
from ingest.store.sample_rows import KEPT

if TYPE_CHECKING:
    import duckdb

#: Columns of ``sample`` that analyses read.
_SAMPLE_COLUMNS = (
    "sampled_at, deadman, supply_pa, inlet_pa, pot_pa, nozzle_pa, "
    "supply_ma, inlet_ma, pot_ma, nozzle_ma, quality"
)

EARLIEST = dt.datetime(1, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store
LATEST = dt.datetime(9999, 12, 31)  # noqa: DTZ001


def read_frame(con: duckdb.DuckDBPyConnection, query: str, **values: object) -> pl.DataFrame:
    return cast("pl.DataFrame", con.sql(query, params=values or None).pl())


def read_rows(
    con: duckdb.DuckDBPyConnection, query: str, **values: object
) -> list[tuple[Any, ...]]:
    """The rows that a query gives, for what is no frame."""
    return con.execute(query, values or None).fetchall()


def corrections_in_force(con: duckdb.DuckDBPyConnection, pot_id: int) -> str:
    """A text that changes with the clock corrections that hold for a pot; empty: none does."""
    rows = read_rows(
        con,
        "SELECT correction_id FROM clock_correction WHERE pot_id = $pot AND withdrawn_at IS NULL "
        "ORDER BY correction_id",
        pot=pot_id,
    )
    return ",".join(str(number) for (number,) in rows)


def largest_shift(con: duckdb.DuckDBPyConnection, pot_id: int) -> dt.timedelta:
    """The furthest that a clock correction in force moves a reading of a pot, either way."""
    ((seconds,),) = read_rows(
        con,
        "SELECT max(greatest(abs(offset_s), abs(offset_s + drift * epoch(to_at - from_at)))) "
        "FROM clock_correction WHERE pot_id = $pot AND withdrawn_at IS NULL",
        pot=pot_id,
    )
    # A second more: what arrives beside the messages that the drift was found from.
    return dt.timedelta(seconds=seconds + 1.0) if seconds is not None else dt.timedelta(0)


def corrected_clocks(con: duckdb.DuckDBPyConnection) -> dict[int, tuple[str, dt.timedelta]]:
    """:func:`corrections_in_force` and :func:`largest_shift` of the pots of which any holds."""
    ids: dict[int, list[str]] = {}
    found = read_rows(
        con, "SELECT correction_id, pot_id FROM clock_correction WHERE withdrawn_at IS NULL"
    )
    for number, pot_id in sorted(found):
        ids.setdefault(pot_id, []).append(str(number))
    return {pot_id: (",".join(mine), largest_shift(con, pot_id)) for pot_id, mine in ids.items()}


def _samples_of(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> str:
    """What to select samples from: hot and archived rows, clock corrections in force applied.

    Rows outside ``from_at`` to ``to_at`` may be left out; both ends are included.
    """
    if not corrections_in_force(con, pot_id):
        return stored_rows(con, "sample", pot_id, from_at, to_at, messages=False)
    # A corrected reading lies up to this far from where it was filed.
    shift = largest_shift(con, pot_id)
    stored = stored_rows(con, "sample", pot_id, _moved(from_at, -shift), _moved(to_at, shift))
    return (
        "(SELECT sample.* REPLACE (sample.sampled_at + to_microseconds(CAST(round(coalesce("
        "1e6 * c.offset_s + c.drift * (epoch_us(sample.sampled_at) - epoch_us(c.from_at)), 0)) "
        f"AS BIGINT)) AS sampled_at) FROM {stored} AS sample LEFT JOIN clock_correction AS c "
        "ON c.pot_id = sample.pot_id AND c.withdrawn_at IS NULL AND sample.message_id >= 0 "
        "AND sample.arrived_at >= c.arrived_from_at AND sample.arrived_at < c.arrived_to_at "
        f"WHERE sample.pot_id = {int(pot_id)})"
    )


def _moved(at: dt.datetime | None, by: dt.timedelta) -> dt.datetime | None:
    """An instant moved, or none where there is none or it would leave the calendar."""
    try:
        return None if at is None else at + by
    except OverflowError:
        return None


def clock_messages(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """What :func:`ingest.clocks.estimate` reads: a row a live message, by arrival.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime or None
        Arrivals, half-open, naive UTC.

    Returns
    -------
    polars.DataFrame
        ``sampled_at`` (its latest, as sent), ``arrived_at``, ``seq``.
    """
    return read_frame(
        con,
        "SELECT max(sampled_at) AS sampled_at, min(arrived_at) AS arrived_at, max(seq) AS seq "
        f"FROM {stored_rows(con, 'sample', pot_id)} WHERE pot_id = $pot AND message_id >= 0 "
        "AND arrived_at >= $from_at "
        "AND arrived_at < $to_at GROUP BY message_id ORDER BY arrived_at, message_id",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def pots(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Names of the pots heard so far, with their number in the store."""
    found = read_rows(con, "SELECT pot_id, pot FROM pot")
    return {pot: pot_id for pot_id, pot in sorted(found)}


def samples(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Rows of ``sample`` of one pot, both ends included, ascending.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime or None
        Naive UTC; ``None``: from the first, to the last.
    """
    frame = read_frame(
        con,
        f"SELECT {_SAMPLE_COLUMNS} FROM {_samples_of(con, pot_id, from_at, to_at)} "
        "WHERE pot_id = $pot AND sampled_at "
        "BETWEEN $from_at AND $to_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )
    return _ascending(frame, "sampled_at")


def _ascending(frame: pl.DataFrame, at: str) -> pl.DataFrame:
    """A frame by its instants; mostly rows lie so, and to ask DuckDB for it takes a third more."""
    return frame if frame[at].is_sorted() else frame.sort(at)


def deadman(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """``sampled_at`` and ``deadman`` of one pot, both ends included, ascending, one an instant."""
    return read_frame(
        con,
        "SELECT sampled_at, any_value(deadman) AS deadman "
        f"FROM {_samples_of(con, pot_id, from_at, to_at)} WHERE pot_id = $pot "
        "AND deadman IS NOT NULL AND sampled_at BETWEEN $from_at AND $to_at "
        "GROUP BY sampled_at ORDER BY sampled_at",
        pot=pot_id,
        from_at=from_at,
        to_at=to_at,
    )


def extent(
    con: duckdb.DuckDBPyConnection, pot_id: int
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """First and last instant of a pot with a dead-man sample; ``None`` where there is none."""
    if not corrections_in_force(con, pot_id):
        # The archive's list knows each day's; its files need not be opened.
        ((first, last),) = read_rows(
            con,
            "SELECT min(first_at), max(last_at) FROM (SELECT min(sampled_at) AS first_at, "
            f"max(sampled_at) AS last_at FROM {KEPT} WHERE pot_id = $pot "
            "AND deadman IS NOT NULL "
            "UNION ALL SELECT min(first_deadman_at), max(last_deadman_at) FROM archive_file "
            "WHERE table_name = 'sample' AND pot_id = $pot)",
            pot=pot_id,
        )
        return first, last
    first, last = read_rows(
        con,
        f"SELECT min(sampled_at), max(sampled_at) FROM {_samples_of(con, pot_id)} "
        "WHERE pot_id = $pot AND deadman IS NOT NULL",
        pot=pot_id,
    )[0]
    return first, last


def signal_faults(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Minutes of a pot with bad or uncertain readings, half-open, by channel and time.

    Returns
    -------
    polars.DataFrame
        :data:`analytics.quality.FAULT_SCHEMA`.
    """
    return read_frame(
        con,
        "SELECT * EXCLUDE pot_id FROM signal_fault WHERE pot_id = $pot AND from_at >= $from_at "
        "AND from_at < $to_at ORDER BY channel, from_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def zero_rests(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """What transducers of a pot read at rest, half-open; for :func:`analytics.quality.zero_checks`.

    Returns
    -------
    polars.DataFrame
        :data:`analytics.quality.ZERO_SCHEMA`.
    """
    return read_frame(
        con,
        "SELECT * EXCLUDE pot_id FROM zero_rest WHERE pot_id = $pot AND from_at >= $from_at "
        "AND from_at < $to_at ORDER BY channel, from_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def next_sample(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime
) -> dt.datetime | None:
    """The first instant of a pot from ``from_at`` on; ``None`` where there is none."""
    ((first,),) = read_rows(
        con,
        f"SELECT min(sampled_at) FROM {_samples_of(con, pot_id)} "
        "WHERE pot_id = $pot AND sampled_at >= $from_at",
        pot=pot_id,
        from_at=from_at,
    )
    return cast("dt.datetime | None", first)


class Touched(NamedTuple):
    """Something that came in: its number, of which pot, and the first and last instant of it."""

    touched_id: int
    pot_id: int
    from_at: dt.datetime
    to_at: dt.datetime


def touched(con: duckdb.DuckDBPyConnection) -> list[Touched]:
    """What came in since figures were last derived."""
    rows = read_rows(con, "SELECT touched_id, pot_id, from_at, to_at FROM touched")
    return [Touched(*row) for row in rows]


def derive_states(con: duckdb.DuckDBPyConnection) -> dict[int, str]:
    """With which settings each pot's figures were last derived."""
    return {pot: text for pot, text in read_rows(con, "SELECT pot_id, settings FROM derive_state")}


def cycles(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
    columns: tuple[str, ...] = (),
) -> pl.DataFrame:
    """Cycles of a pot pressed from ``from_at`` on, before ``to_at``, ascending; all ``columns``
    where none are named, else ``pressed_at`` among them."""
    frame = read_frame(
        con,
        f"SELECT {', '.join(columns) or '* EXCLUDE (pot_id)'} FROM cycle WHERE pot_id = $pot "
        "AND pressed_at >= $from_at AND pressed_at < $to_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )
    return _ascending(frame, "pressed_at")


def gaps(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Gaps of a pot that end after ``from_at`` and begin before ``to_at``, ascending."""
    frame = read_frame(
        con,
        "SELECT * EXCLUDE (pot_id) FROM gap WHERE pot_id = $pot AND to_at > $from_at "
        "AND from_at < $to_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )
    return _ascending(frame, "from_at")


def heard_extents(
    con: duckdb.DuckDBPyConnection,
) -> dict[int, tuple[dt.datetime | None, dt.datetime | None]]:
    """First and last instant heard of each pot, as of when figures were last derived."""
    return {
        pot_id: (first, last)
        for pot_id, first, last in read_rows(
            con, "SELECT pot_id, first_at, last_at FROM derive_state"
        )
    }


def shift_summaries(
    con: duckdb.DuckDBPyConnection,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
    pot: str | None = None,
) -> pl.DataFrame:
    """Rows of ``shift_summary`` that begin from ``from_at`` on, before ``to_at``, newest first."""
    return read_frame(
        con,
        "SELECT * FROM shift_summary WHERE from_at >= $from_at AND from_at < $to_at "
        "AND ($pot IS NULL OR pot = $pot) ORDER BY from_at DESC, shift, pot",
        pot=pot,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def part_usage(con: duckdb.DuckDBPyConnection, pot: str | None = None) -> pl.DataFrame:
    """Rows of ``part_usage``: what each part that is on did since new and since each good check."""
    return read_frame(
        con,
        "SELECT * FROM part_usage WHERE $pot IS NULL OR pot = $pot "
        "ORDER BY pot, part, position, since, rule",
        pot=pot,
    )


def readings(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """Every kept value of a pot from ``from_at`` on, before ``to_at``, one row each.

    Returns
    -------
    polars.DataFrame
        ``sampled_at``, ``channel``, ``value``, ``unit``, ``text``, ``arrived_at``,
        ``message_id``: as kept, not calibrated.
    """
    fast = (
        ("supply_pa", "supply", "Pa"), ("inlet_pa", "inlet", "Pa"), ("pot_pa", "pot", "Pa"),
        ("nozzle_pa", "nozzle", "Pa"), ("supply_ma", "supply", "mA"), ("inlet_ma", "inlet", "mA"),
        ("pot_ma", "pot", "mA"), ("nozzle_ma", "nozzle", "mA"), ("deadman", "deadman", "/"),
        ("seq", "seq", "count"),
    )  # fmt: skip
    wide = " UNION ALL ".join(
        f"SELECT sampled_at, '{channel}' AS channel, {column}::DOUBLE AS value, '{unit}' AS unit, "
        f"NULL::VARCHAR AS text, arrived_at, message_id FROM chosen WHERE {column} IS NOT NULL"
        for column, channel, unit in fast
    )
    return read_frame(
        con,
        f"WITH chosen AS (SELECT * FROM {stored_rows(con, 'sample', pot_id, from_at, to_at)} "
        "WHERE pot_id = $pot AND sampled_at >= $from_at "
        f"AND sampled_at < $to_at) {wide} UNION ALL "
        "SELECT r.sampled_at, c.channel, r.value, c.unit, r.text, r.arrived_at, r.message_id "
        f"FROM {stored_rows(con, 'reading', pot_id, from_at, to_at)} r "
        "JOIN channel c USING (channel_id) WHERE r.pot_id = $pot "
        "AND r.sampled_at >= $from_at AND r.sampled_at < $to_at ORDER BY sampled_at, channel",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


# --- for pages -------------------------------------------------------------------------------


def store_version(con: duckdb.DuckDBPyConnection) -> tuple[dt.datetime | None, int]:
    """When figures were last derived, and how many rows people entered: what pages cache on."""
    ((derived_at, entered),) = read_rows(
        con, "SELECT (SELECT max(derived_at) FROM derive_state), (SELECT count(*) FROM record)"
    )
    return derived_at, entered


def last_heard(con: duckdb.DuckDBPyConnection, pot_id: int) -> dt.datetime | None:
    """The newest instant of a pot with a sample of any channel; ``None`` where there is none."""
    # With years of samples behind it the whole table would be looked through: first what is new.
    for since in (
        "(SELECT max(last_at) FROM derive_state WHERE pot_id = $pot)",
        "TIMESTAMP '0001-01-01'",
    ):
        ((last,),) = read_rows(
            con,
            "SELECT max(last_at) FROM (SELECT max(sampled_at) AS last_at FROM sample_value "
            f"WHERE pot_id = $pot AND sampled_at >= {since} "
            "UNION ALL SELECT max(last_at) FROM archive_file "
            f"WHERE table_name = 'sample' AND pot_id = $pot AND last_at >= {since})",
            pot=pot_id,
        )
        if last is not None:
            break
    return cast("dt.datetime | None", last)


def arrivals(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """``sampled_at, arrived_at, seq`` of what came live, of samples from ``from_at`` on, before
    ``to_at``; card files are left out, for they arrive when somebody brings them."""
    return read_frame(
        con,
        "SELECT sampled_at, arrived_at, seq "
        f"FROM {stored_rows(con, 'sample', pot_id, from_at, to_at)} "
        "WHERE pot_id = $pot AND message_id >= 0 "
        "AND sampled_at >= $from_at AND sampled_at < $to_at",
        pot=pot_id,
        from_at=from_at or EARLIEST,
        to_at=to_at or LATEST,
    )


def source_counts(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What each source brought of each pot, for ever: ``source, pot, messages, readings, repeated,
    quarantined, last_arrived_at``; card files are left out."""
    return read_frame(con, "SELECT * FROM source_count WHERE source <> 'card' ORDER BY source, pot")
