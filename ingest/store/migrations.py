"""Forward migrations: ordered functions, each recorded in the transaction that ran it.

The function's name is the migration's name and the order in which they stand is their order.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from contextlib import nullcontext
from typing import TYPE_CHECKING

from ingest.errors import StoreError
from ingest.store import record_chain, sample_rows, schema, schema_changes, updating
from ingest.store.transaction import transaction

if TYPE_CHECKING:
    import duckdb

Migration = Callable[["duckdb.DuckDBPyConnection"], None]

_log = logging.getLogger(__name__)
#: How often whoever waits is told how far a long migration is. [s]
TOLD_EVERY_S = 5.0


def m001_first_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Make the first tables."""
    con.execute(schema.VERSION_1)


def m002_quality_of_readings(con: duckdb.DuckDBPyConnection) -> None:
    """Make the derived tables of bad readings and of what transducers read at rest."""
    con.execute(schema.QUALITY_OF_READINGS)


def m003_condition_of_pots(con: duckdb.DuckDBPyConnection) -> None:
    """Make the derived tables of weighing: spells, condition of each cycle, tippings."""
    con.execute(schema.CONDITION_OF_POTS)


def m004_clock_corrections(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table of corrections of boxes' clocks."""
    con.execute(schema.CLOCK_CORRECTIONS)


def m005_notices(con: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of notices: what they rest on, what they are, what was told."""
    con.execute(schema.NOTICES)


def m006_lives_of_parts(con: duckdb.DuckDBPyConnection) -> None:
    """Make the derived tables of what each part did, place by place and check by check."""
    con.execute(schema.LIVES_OF_PARTS)


def m007_record_chain(con: duckdb.DuckDBPyConnection) -> None:
    """Link the rows that people entered, so that an altered one shows."""
    con.execute(schema.RECORD_CHAIN)
    record_chain.number_rest(con)


def m008_lines_of_pots(con: duckdb.DuckDBPyConnection) -> None:
    """Keep apart in a cycle what clean air, abrasive, bull hose and compressor each cost."""
    con.execute(schema.LINES_OF_POTS)


def m009_blocks_of_indicators(con: duckdb.DuckDBPyConnection) -> None:
    """Make the derived table of what rules by condition look at."""
    con.execute(schema.BLOCKS_OF_INDICATORS)


def m010_shards(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table of workers whose stores were gathered."""
    con.execute(schema.SHARDS)


def m011_archive(con: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of days that lie in files."""
    con.execute(schema.ARCHIVE)


def m012_pieces_done(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table of what a rebuild of derived tables has got done."""
    con.execute(schema.PIECES_DONE)


def m013_kept_samples(con: duckdb.DuckDBPyConnection) -> None:
    """Keep samples as counts, and what the rows of a message have in common once.

    A pot's day at a time, each for good: a year in one transaction would have to be held in
    memory. Where it is cut off, the next one goes on; meanwhile the file counts as an older one's,
    which readers refuse.
    """
    tables = con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal").fetchall()
    if ("sample_wide",) not in tables:
        con.execute("ALTER TABLE sample RENAME TO sample_wide")
        sample_rows.make_tables(con)
    days = 'SELECT DISTINCT pot_id, CAST(sampled_at AS DATE) AS "day" FROM'
    left = con.execute(
        f'{days} sample_wide EXCEPT {days} sample_kept ORDER BY pot_id, "day"'
    ).fetchall()
    told_at = time.monotonic()
    for done, (pot_id, day) in enumerate(left):
        updating.far(done, len(left))
        if time.monotonic() - told_at >= TOLD_EVERY_S:
            told_at = time.monotonic()
            # A year of a pot takes a minute, and commands would else seem to hang.
            _log.warning(
                "Bringing the store up to date: %d of %d days of pots done. Nothing is lost, "
                "readings wait in the journal; where this is cut off, the next start goes on.",
                done,
                len(left),
            )
        rows = con.sql(
            "FROM sample_wide WHERE pot_id = $pot AND sampled_at >= $day "
            "AND sampled_at < $day + INTERVAL 1 DAY ORDER BY sampled_at",
            params={"pot": pot_id, "day": day},
        )
        sample_rows.add_samples(con, rows.pl())
        con.commit()
        con.begin()
    con.execute("DROP TABLE sample_wide")


def m014_sums_of_days(con: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of what pots did on each day, and of what summaries were made of."""
    con.execute(schema.SUMS_OF_DAYS)


def m015_spells_changed(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table of from when on spells may have to be weighed anew."""
    con.execute(schema.SPELLS_CHANGED)


def m016_entries_summed(con: duckdb.DuckDBPyConnection) -> None:
    """Note what people had entered when summaries were reckoned."""
    con.execute(schema.ENTRIES_SUMMED)


def m017_notices_changed(con: duckdb.DuckDBPyConnection) -> None:
    """Make the tables of what notices were derived from, and of what changed since."""
    con.execute(schema_changes.NOTICES_CHANGED)


def m018_charts_left(con: duckdb.DuckDBPyConnection) -> None:
    """Make the table of how charts and spans of trouble stood at pauses."""
    con.execute(schema_changes.CHARTS_LEFT)


MIGRATIONS: tuple[Migration, ...] = (
    m001_first_tables,
    m002_quality_of_readings,
    m003_condition_of_pots,
    m004_clock_corrections,
    m005_notices,
    m006_lives_of_parts,
    m007_record_chain,
    m008_lines_of_pots,
    m009_blocks_of_indicators,
    m010_shards,
    m011_archive,
    m012_pieces_done,
    m013_kept_samples,
    m014_sums_of_days,
    m015_spells_changed,
    m016_entries_summed,
    m017_notices_changed,
    m018_charts_left,
)


def applied(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Names of the migrations this file has had, oldest first. Reads only."""
    import duckdb

    try:
        # Put in order here: to have it done in each window costs more than all the rest of it.
        rows = con.execute("SELECT position, name FROM migration").fetchall()
        return [name for _, name in sorted(rows)]
    except duckdb.CatalogException:
        return []  # a new file: asking the catalogue first would cost each window 18 ms


def apply(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Bring the file to the newest schema; returns the names of what was run.

    Raises
    ------
    StoreError
        The file has had a migration this Gritbook does not know: it is newer.
    """
    done = applied(con)
    _refuse_newer(done)
    left = [
        (position, migration)
        for position, migration in enumerate(MIGRATIONS, start=1)
        if migration.__name__ not in done
    ]
    if not left:
        return []
    # A new file is made in a moment: nobody waits for it.
    with updating.telling(con) if done else nullcontext():
        for position, migration in left:
            with transaction(con):
                con.execute(
                    "CREATE TABLE IF NOT EXISTS migration ("
                    "position INTEGER PRIMARY KEY, name VARCHAR NOT NULL, "
                    "applied_at TIMESTAMP NOT NULL)"
                )
                migration(con)
                con.execute(
                    "INSERT INTO migration VALUES (?, ?, now()::TIMESTAMP)",
                    [position, migration.__name__],
                )
    return [migration.__name__ for _, migration in left]


def require_current(con: duckdb.DuckDBPyConnection) -> None:
    """Raise where the file is not at this Gritbook's schema; for readers, who may not migrate.

    Raises
    ------
    StoreError
        The schema is newer, or older and not brought up to date yet.
    """
    done = applied(con)
    _refuse_newer(done)
    if len(done) < len(MIGRATIONS):
        raise StoreError(
            "The store was made by an older Gritbook.",
            "Start ingest, or run `gritbook derive` once: whichever is first to write brings it up "
            "to date.",
        )


def _refuse_newer(done: list[str]) -> None:
    known = [m.__name__ for m in MIGRATIONS]
    newer = [name for name in done if name not in known]
    if newer:
        raise StoreError(
            f"The store was made by a newer Gritbook (it has had the change {newer[0]}).",
            "Install that version or a later one; this one will not touch the file.",
        )
