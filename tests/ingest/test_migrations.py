"""A store made by any earlier version comes to the newest schema with what it holds."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from ingest.errors import StoreError, StoreUpdating
from ingest.store import migrations, sample_rows, updating
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal_frames import Position
from ingest.store.sample_rows import add_samples
from ingest.store.write import stored_mark

pytestmark = pytest.mark.usefixtures("stores_made_anew")

#: The version from which ``sample`` is a view.
SAMPLES_KEPT_AS_COUNTS = 13


def made_by_version(folder: Path, version: int) -> Path:
    """A store as the first ``version`` migrations leave it, with a row of what matters."""
    folder.mkdir()
    con = duckdb.connect(str(store_path(folder)))
    con.execute(
        "CREATE TABLE migration (position INTEGER PRIMARY KEY, name VARCHAR NOT NULL, "
        "applied_at TIMESTAMP NOT NULL)"
    )
    for position, migration in enumerate(migrations.MIGRATIONS[:version], start=1):
        con.begin()
        migration(con)
        con.execute(
            "INSERT INTO migration VALUES (?, ?, TIMESTAMP '2025-01-01')",
            [position, migration.__name__],
        )
        con.commit()
    con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
    row = (
        "SELECT 1 AS pot_id, TIMESTAMP '2025-01-01 12:00:00' AS sampled_at, "
        "TIMESTAMP '2025-01-01 12:00:01' AS arrived_at, 7e5::DOUBLE AS supply_pa, 0 AS quality, "
        "5 AS message_id"
    )
    if version < SAMPLES_KEPT_AS_COUNTS:
        con.execute(f"INSERT INTO sample BY NAME {row}")
    else:
        add_samples(con, con.sql(row).pl())
    con.execute("INSERT INTO mark VALUES ('journal', 3, 1234)")
    con.close()
    return folder


def schema_of(data: Path) -> list[tuple[str, str, str]]:
    with read_window(data) as con:
        return con.execute(
            "SELECT table_name, column_name, data_type FROM duckdb_columns() "
            "WHERE schema_name = 'main' ORDER BY ALL"
        ).fetchall()


@pytest.mark.parametrize("version", range(1, len(migrations.MIGRATIONS) + 1))
def test_every_earlier_version_leads_to_the_newest(tmp_path: Path, version: int) -> None:
    old = made_by_version(tmp_path / "old", version)
    if version < len(migrations.MIGRATIONS):
        with pytest.raises(StoreError, match="older Gritbook"), read_window(old):
            pass
    with write_window(old) as con:
        assert migrations.applied(con) == [m.__name__ for m in migrations.MIGRATIONS]
    new = tmp_path / "new"
    with write_window(new):
        pass
    assert schema_of(old) == schema_of(new)
    with read_window(old) as con:
        assert con.execute("SELECT pot_id, supply_pa, message_id FROM sample").fetchall() == [
            (1, 7e5, 5)
        ]
    assert stored_mark(old) == Position(3, 1234)


def test_a_migration_that_fails_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = made_by_version(tmp_path / "old", len(migrations.MIGRATIONS))
    before = schema_of(data)

    def m999_breaks(con: duckdb.DuckDBPyConnection) -> None:
        con.execute("CREATE TABLE half (a INTEGER)")
        raise RuntimeError("in the middle")

    with monkeypatch.context() as patched:
        patched.setattr(migrations, "MIGRATIONS", (*migrations.MIGRATIONS, m999_breaks))
        with pytest.raises(RuntimeError), write_window(data):
            pass
    assert schema_of(data) == before


def test_a_newer_store_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = made_by_version(tmp_path / "old", len(migrations.MIGRATIONS))
    con = duckdb.connect(str(store_path(data)))
    con.execute("INSERT INTO migration VALUES (999, 'm999_of_tomorrow', TIMESTAMP '2030-01-01')")
    con.close()
    for window in (read_window, write_window):
        with pytest.raises(StoreError, match=r"newer Gritbook.*m999_of_tomorrow"), window(data):
            pass


def test_samples_that_were_kept_in_part_are_kept_to_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    data = made_by_version(tmp_path / "old", SAMPLES_KEPT_AS_COUNTS - 1)
    con = duckdb.connect(str(store_path(data)))
    con.execute(
        "INSERT INTO sample (pot_id, sampled_at, arrived_at, supply_pa, quality, message_id) "
        "SELECT 1, m, m, 250 * i, 0, i FROM (SELECT i, "
        "TIMESTAMP '2025-02-01' + i * INTERVAL 8 HOUR AS m FROM range(30) t(i))"
    )
    before = con.execute("FROM sample ORDER BY sampled_at").fetchall()
    con.close()
    keep, days = sample_rows.add_samples, 0
    told: list[str] = []

    def cut_off(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> int:
        nonlocal days
        days += 1
        with pytest.raises(StoreUpdating) as busy, read_window(data, 0.0):
            pass
        told.append(busy.value.what)
        if days == 5:
            raise KeyboardInterrupt
        return keep(con, rows)

    with monkeypatch.context() as patched:
        patched.setattr(sample_rows, "add_samples", cut_off)
        with pytest.raises(KeyboardInterrupt), write_window(data):
            pass
    assert "up to date for this version of Gritbook: 4 of 11 days of pots are done." in told[4]
    # Whoever was cut off is not believed to be at it still.
    with pytest.raises(StoreError, match="older Gritbook"), read_window(data):
        pass
    assert updating.refusal(store_path(data)) is None
    # Whoever waits for a long one is told how far it is; this one is told of each day.
    monkeypatch.setattr(migrations, "TOLD_EVERY_S", 0.0)
    with write_window(data) as con:
        assert con.execute("FROM sample ORDER BY sampled_at").fetchall() == before
        tables = con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
        assert ("sample_wide",) not in tables
    assert "Bringing the store up to date: 3 of 7 days of pots done. Nothing is lost" in caplog.text
