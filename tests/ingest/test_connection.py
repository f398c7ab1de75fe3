"""Windows onto the store: what DuckDB says becomes a sentence, and nothing is stored by halves."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from ingest.errors import DiskFull, StoreBusy, StoreError
from ingest.store.connection import read_window, store_path, write_window

pytestmark = pytest.mark.usefixtures("stores_made_anew")


def test_a_full_disk_is_a_disk_full_and_rolls_back(tmp_path: Path) -> None:
    said = f'Failed to commit: Could not write file "{tmp_path}": No space left on device'
    with pytest.raises(DiskFull, match="is full"), write_window(tmp_path) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        raise duckdb.TransactionException(said)
    with read_window(tmp_path) as con:
        assert con.execute("FROM pot").fetchall() == []


def test_another_fault_of_the_statements_stays_what_it_is(tmp_path: Path) -> None:
    with pytest.raises(duckdb.CatalogException), write_window(tmp_path) as con:
        con.execute("FROM no_such_table")


def test_a_held_store_is_busy_and_a_damaged_one_is_not_waited_for(tmp_path: Path) -> None:
    with write_window(tmp_path):
        pass
    held = duckdb.connect(str(store_path(tmp_path)), read_only=True)
    with pytest.raises(StoreBusy), write_window(tmp_path, wait_s=0.05):
        pass
    held.close()
    path = store_path(tmp_path)
    whole = bytearray(path.read_bytes())
    whole[4096:4200] = bytes(104)
    path.write_bytes(whole)
    with pytest.raises(StoreError, match="store"), read_window(tmp_path, wait_s=60):
        pass


def test_no_store_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="There is no store"), read_window(tmp_path):
        pass


def test_a_writer_puts_only_a_few_groups_of_rows_together(tmp_path: Path) -> None:
    """Large batches leave small groups; a window that tidies all of them holds the store long."""

    def groups() -> int:
        with read_window(tmp_path) as con:
            ((count,),) = con.execute(
                "SELECT count(DISTINCT row_group_id) FROM pragma_storage_info('touched')"
            ).fetchall()
        return int(count)

    with write_window(tmp_path) as con:
        con.execute("SET max_vacuum_tasks = 0; SET threads = 2")
        con.execute(
            "CREATE TEMP TABLE batch AS SELECT i, 1, TIMESTAMP '2026-01-01', "
            "TIMESTAMP '2026-01-02' FROM range(125_000) AS t(i)"
        )
        for _ in range(20):
            con.execute("INSERT INTO touched FROM batch")
    left = groups()
    for pot in (1, 2):
        with write_window(tmp_path) as con:
            con.execute("INSERT INTO pot VALUES ($pot, 'pot-' || $pot)", {"pot": pot})
        before, left = left, groups()
        assert before - 4 <= left < before
