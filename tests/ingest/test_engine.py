"""The engine that is kept from window to window: the file itself is given back each time."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import threading
from pathlib import Path

import duckdb
import pytest

from ingest.errors import StoreBusy
from ingest.store import engine
from ingest.store.connection import open_store, read_window, store_path, write_window

pytestmark = pytest.mark.usefixtures("stores_made_anew")


def _pots(data: Path) -> list[tuple[object, ...]]:
    with read_window(data) as con:
        return con.execute("FROM pot").fetchall()


def _add(data: Path, number: int) -> None:
    with write_window(data, wait_s=2.0) as con:
        con.execute("INSERT INTO pot VALUES (?, ?)", [number, f"pot-{number}"])


def _another_process_writes(data: Path) -> str:
    """Whether another process can open the store for writing."""
    program = "import duckdb, sys; duckdb.connect(sys.argv[1]).close(); print('opened')"
    done = subprocess.run(
        [sys.executable, "-c", program, str(store_path(data))], capture_output=True, text=True
    )
    return done.stdout.strip() or done.stderr.strip().splitlines()[-1]


def _starts(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    started: list[object] = []
    connect = duckdb.connect

    def counted(*given: object, **named: object) -> duckdb.DuckDBPyConnection:
        started.append(given)
        return connect(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(duckdb, "connect", counted)
    return started


def test_windows_share_an_engine_and_give_the_file_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _add(tmp_path, 1)
    started = _starts(monkeypatch)
    _add(tmp_path, 2)
    assert len(_pots(tmp_path)) == 2 and started == []
    # Closed for good: the log is in the file, and others may have it.
    assert not store_path(tmp_path).with_name("gritbook.duckdb.wal").exists()
    assert _another_process_writes(tmp_path) == "opened"


def test_an_engine_that_saw_an_error_is_not_used_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _add(tmp_path, 1)
    with pytest.raises(duckdb.FatalException), write_window(tmp_path) as con:
        con.execute("INSERT INTO pot VALUES (2, 'pot-2')")
        raise duckdb.FatalException("database has been invalidated")
    started = _starts(monkeypatch)
    assert _pots(tmp_path) == [(1, "pot-1")] and len(started) == 1


def test_the_last_of_several_readers_gives_the_file_back(tmp_path: Path) -> None:
    _add(tmp_path, 1)
    leave, inside = threading.Event(), threading.Event()

    def read() -> None:
        with read_window(tmp_path):
            inside.set()
            leave.wait(30)

    with read_window(tmp_path) as con:
        reader = threading.Thread(target=read)
        reader.start()
        assert inside.wait(30)
        with pytest.raises(StoreBusy), write_window(tmp_path, wait_s=0.05):
            pass
        leave.set()
        reader.join()
        # One went, and the lock is still that of the other.
        assert "Could not set lock" in _another_process_writes(tmp_path)
        assert con.execute("SELECT count(*) FROM pot").fetchall() == [(1,)]
    assert _another_process_writes(tmp_path) == "opened"


def test_an_engine_that_another_thread_spoilt_is_waited_for(tmp_path: Path) -> None:
    _add(tmp_path, 1)
    inside, spoilt, leave = (threading.Event() for _ in range(3))
    seen: list[tuple[object, ...]] = []

    def read() -> None:
        with read_window(tmp_path) as con:
            inside.set()
            assert spoilt.wait(30) and leave.wait(30)
            seen.extend(con.execute("FROM pot").fetchall())

    reader = threading.Thread(target=read)
    with pytest.raises(duckdb.CatalogException), read_window(tmp_path) as con:
        reader.start()
        assert inside.wait(30)
        con.execute("FROM no_such_table")
    spoilt.set()
    # A second opening of the file would give back the first one's lock with its own.
    with (
        pytest.raises(StoreBusy),
        open_store(store_path(tmp_path), read_only=True, wait_s=0.05),
    ):
        pass
    leave.set()
    assert _pots(tmp_path) == [(1, "pot-1")]
    reader.join()
    assert seen == [(1, "pot-1")]


def test_few_engines_are_kept(tmp_path: Path) -> None:
    for name in ("a", "b", "c", "d"):
        _add(tmp_path / name, 1)
    assert len(engine._ENGINES) <= 2
    assert [len(_pots(tmp_path / name)) for name in ("a", "b", "c", "d")] == [1, 1, 1, 1]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="there is no fork here")
def test_the_child_of_a_fork_starts_an_engine_of_its_own(tmp_path: Path) -> None:
    _add(tmp_path, 1)
    child = multiprocessing.get_context("fork").Process(target=_add, args=(tmp_path, 2))
    child.start()
    child.join(60)
    assert child.exitcode == 0
    assert _pots(tmp_path) == [(1, "pot-1"), (2, "pot-2")]


def test_what_memory_an_engine_takes_is_set_once_and_anew_in_the_next(tmp_path: Path) -> None:
    def limit(thread_mb: int) -> tuple[str, str]:
        asked = "SELECT current_setting('memory_limit')"
        with read_window(tmp_path) as con:
            con.execute("SET threads = 2")
            ((before,),) = con.execute(asked).fetchall()
            engine.limit_memory(con, 64, thread_mb)
            ((after,),) = con.execute(asked).fetchall()
        return before, after

    _add(tmp_path, 1)
    unlimited, first = limit(32)
    assert first == "122.0 MiB" != unlimited
    # By hand, to see that it is left alone while the engine runs.
    with read_window(tmp_path) as con:
        con.execute("SET memory_limit = '1GB'")
    assert limit(32) == ("953.6 MiB", "953.6 MiB")
    assert limit(64) == ("953.6 MiB", "183.1 MiB")
    with pytest.raises(duckdb.Error), read_window(tmp_path) as con:
        con.execute("FROM nowhere")
    assert limit(64) == (unlimited, "183.1 MiB")
