"""Turns at the store: a writer that comes back at once keeps nobody out, nor is it kept out."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest

from ingest.store import turns
from ingest.store.connection import read_window, store_path, write_window

posix = pytest.mark.skipif(sys.platform == "win32", reason="no locks to share there")

#: Opens the store for a tenth of a second, closes it, and comes back at once; counts in the store.
BUSY_WRITER = """
import sys, time
from pathlib import Path
from ingest.store import turns
from ingest.store.connection import write_window
turns.PATIENCE_S = 60.0
while True:
    with write_window(Path(sys.argv[1])) as con:
        con.execute("INSERT INTO pot SELECT max(pot_id) + 1, 'p' || (max(pot_id) + 1) FROM pot")
        time.sleep(0.1)
    print("again", flush=True)
"""


@contextmanager
def busy_writer(data: Path) -> Iterator[subprocess.Popen[str]]:
    writer = subprocess.Popen(
        [sys.executable, "-c", BUSY_WRITER, str(data)], stdout=subprocess.PIPE, text=True
    )
    try:
        yield writer
    finally:
        writer.kill()
        writer.wait()


def windows(data: Path) -> int:
    with read_window(data, 60) as con:
        ((count,),) = con.execute("SELECT count(*) FROM pot").fetchall()
    return int(count)


@posix
def test_a_reader_comes_in_after_the_window_that_it_met(tmp_path: Path) -> None:
    with write_window(tmp_path) as con:
        con.execute("INSERT INTO pot VALUES (1, 'p1')")
    with busy_writer(tmp_path) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        # Each reading meets a window that is open: it ends, and at most one that had begun to
        # open before it could be told. Without turns it is a matter of luck: thirty were seen.
        seen = [windows(tmp_path) for _ in range(8)]
    assert max(b - a for a, b in pairwise(seen)) <= 3


@posix
def test_another_writer_comes_in_after_the_window_that_it_met(tmp_path: Path) -> None:
    """Derived hours are written by another process than readings."""
    with write_window(tmp_path) as con:
        con.execute("INSERT INTO pot VALUES (1, 'p1')")
    met = []
    with busy_writer(tmp_path) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        for _ in range(8):
            # Until the other is at it again: else it is the one that waits.
            time.sleep(0.25)
            before = windows(tmp_path)
            with write_window(tmp_path, 60) as con:
                ((count,),) = con.execute("SELECT count(*) FROM pot").fetchall()
            met.append(count - before)
    # Without turns it is a matter of luck: sixty were seen.
    assert max(met) <= 3, met


@posix
def test_a_writer_waits_while_another_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turns, "PATIENCE_S", 60.0)
    with write_window(tmp_path):
        pass
    came_in = threading.Event()

    def write() -> None:
        with write_window(tmp_path):
            came_in.set()

    writer = threading.Thread(target=write)
    with turns.Turn(store_path(tmp_path)) as turn:
        assert turn.wait()
        assert turn.wait()
        writer.start()
        assert not came_in.wait(0.3)
    writer.join(60)
    assert came_in.is_set()


@posix
def test_readers_do_not_keep_a_writer_out_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(turns, "PATIENCE_S", 0.05)
    with turns.Turn(store_path(tmp_path)) as turn:
        assert turn.wait()
        with write_window(tmp_path, 60) as con:
            con.execute("INSERT INTO pot VALUES (1, 'p1')")
    assert windows(tmp_path) == 1


@posix
def test_several_readers_wait_together(tmp_path: Path) -> None:
    with turns.Turn(tmp_path / "store") as one, turns.Turn(tmp_path / "store") as other:
        assert one.wait()
        assert other.wait()


def test_where_nobody_can_say_that_he_waits_all_goes_on(tmp_path: Path) -> None:
    with turns.Turn(tmp_path / "no-such-folder" / "store") as turn:
        assert not turn.wait()
        turn.let_others_first()
