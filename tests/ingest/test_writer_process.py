"""The store's writer in a process of its own: the same answers, and it may die at any time."""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import duckdb
import pytest

from ingest.errors import StoreBusy, StoreError, Transient
from ingest.readings import RawMessage
from ingest.store.connection import read_window, store_path
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter, stored_mark
from ingest.store.writer_process import WriterProcess, _step_back

NOW_S = 1_760_000_000


def journal(data: Path, count: int, first: int = 0) -> None:
    with Journal(data) as kept:
        for number in range(first, first + count):
            pot = "pot-9" if number % 10 == 9 else "pot-1"
            pack = [{"n": f"{pot}/pot", "u": "Pa", "bt": NOW_S + number, "v": number}]
            kept.append(RawMessage("mqtt", "", "", NOW_S * 10**6, False, json.dumps(pack).encode()))


def stored(data: Path) -> int:
    with read_window(data) as con:
        return int(con.sql("SELECT count(*) FROM sample").fetchall()[0][0])


def test_it_gives_what_the_writer_itself_gives(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    for data in (here, there):
        journal(data, 200)
    own = {"mqtt": ["pot-1", "pot-9"]}
    writer = WriterProcess(there, ["pot-1"], own)
    assert writer.pid is None
    assert writer.take() == StoreWriter(here, ["pot-1"], pots_of_source=own).take()
    assert writer.at == stored_mark(there)
    assert writer.take() is None
    writer.close()
    assert stored(here) == stored(there) == 180


@pytest.mark.skipif(sys.platform != "linux", reason="looks at processes by /proc")
def test_a_child_whose_parent_was_killed_while_it_started_leaves_the_store_alone(
    tmp_path: Path,
) -> None:
    """Else children of an ingest that is killed again and again queue for the store."""
    journal(tmp_path, 10)
    script = (
        "import os, sys; from pathlib import Path; from ingest.store import writer_process as w\n"
        "writer = w.WriterProcess(Path(sys.argv[1]), None); writer._start()\n"
        "w._send(writer._child.stdin, w._Take(None, 20.0)); print(writer.pid, flush=True)\n"
        "os._exit(0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], stdout=subprocess.PIPE, text=True, check=True
    )
    child, give_up_at = int(done.stdout), time.monotonic() + 60
    while Path(f"/proc/{child}/cmdline").exists() and time.monotonic() < give_up_at:
        if not Path(f"/proc/{child}/cmdline").read_bytes():
            break  # ended, and nobody has asked yet how
        time.sleep(0.02)
    assert time.monotonic() < give_up_at
    assert not store_path(tmp_path).exists()
    writer = WriterProcess(tmp_path, None)
    assert writer.take() is not None and stored(tmp_path) == 10
    writer.close()


def test_a_killed_child_is_started_again_and_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    journal(tmp_path, 100)
    writer = WriterProcess(tmp_path, None)
    assert writer.take() is not None
    journal(tmp_path, 100, 100)
    assert writer.pid is not None
    os.kill(writer.pid, signal.SIGKILL)
    time.sleep(0.2)
    # A child found dead before a question is replaced without a word; one that dies over it is a
    # sentence first.
    try:
        taken = writer.take()
    except Transient as error:
        assert "ended by itself" in str(error)
        taken = writer.take()
    assert taken is not None and taken.readings == 100
    writer.close()
    assert stored(tmp_path) == 200


def test_errors_come_through_with_their_kind_and_next_step(tmp_path: Path) -> None:
    journal(tmp_path, 10)
    writer = WriterProcess(tmp_path, None)
    writer.take()
    journal(tmp_path, 10, 10)
    with read_window(tmp_path), pytest.raises(StoreBusy) as busy:
        writer.take(wait_s=0.2)
    assert busy.value.next_step or busy.value.what
    assert writer.take() is not None
    writer.close()
    with duckdb.connect(str(store_path(tmp_path))) as con:
        con.execute("INSERT INTO migration VALUES (999, 'm999_later', now()::TIMESTAMP)")
    newer = WriterProcess(tmp_path, None)
    with pytest.raises(StoreError, match="newer Gritbook"):
        newer.take()
    newer.close()


ORPHAN = """
import sys, time
from pathlib import Path
from ingest.store.writer_process import WriterProcess, _step_back
writer = WriterProcess(Path(sys.argv[1]), None)
writer.take()
print(writer.pid, flush=True)
time.sleep(60)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="asks for a process as POSIX does")
def test_a_child_whose_parent_was_killed_ends(tmp_path: Path) -> None:
    journal(tmp_path, 10)
    parent = subprocess.Popen(
        [sys.executable, "-c", ORPHAN, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    pid = int(parent.stdout.readline())
    _ends_with(parent, pid)


@pytest.mark.skipif(sys.platform == "win32", reason="asks for a process as POSIX does")
def test_a_child_that_waits_for_the_store_ends_with_its_parent_at_once(tmp_path: Path) -> None:
    """Else children of an ingest that is killed again and again queue for the store."""
    journal(tmp_path, 10)
    writer = WriterProcess(tmp_path, None)
    writer.take()
    writer.close()
    with read_window(tmp_path):
        waits_long = ORPHAN.replace("writer.take()", "writer._start()").replace(
            "time.sleep(60)",
            "from ingest.store.writer_process import _Take, _send\n"
            "_send(writer._child.stdin, _Take(None, 3600.0)); time.sleep(2); print('now')\n"
            "sys.stdout.flush(); time.sleep(60)",
        )
        parent = subprocess.Popen(
            [sys.executable, "-c", waits_long, str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        assert parent.stdout.readline() == "now\n" and _runs(pid)
        _ends_with(parent, pid)


@pytest.mark.skipif(sys.platform != "linux", reason="a thread has a priority of its own there")
def test_only_decoding_steps_back_not_who_has_the_store_open(tmp_path: Path) -> None:
    """Else a page waits for a writer that waits for all other work of the computer."""
    journal(tmp_path, 10)
    writer = WriterProcess(tmp_path, None)
    assert writer.take() is not None and writer.pid is not None

    def niceness(of: Path) -> int:
        # 19th of the fields of proc_pid_stat(5); the name before may hold spaces.
        return int(of.joinpath("stat").read_text().rpartition(")")[2].split()[16])

    child = Path(f"/proc/{writer.pid}")
    threads = [niceness(thread) for thread in child.joinpath("task").iterdir()]
    ours = niceness(Path("/proc/self"))
    assert niceness(child) == ours
    assert threads.count(ours) == len(threads) - 1 and max(threads) > ours
    writer.close()


@pytest.mark.skipif(
    sys.platform != "linux", reason="elsewhere threads have no priority of their own"
)
def test_a_thread_steps_back_from_where_its_process_stands() -> None:
    """One that was started behind others must not go before them, nor end for want of leave."""
    found: list[int] = []

    def steps() -> None:
        for _ in range(3):
            found.append(os.getpriority(os.PRIO_PROCESS, threading.get_native_id()))
            _step_back()
        found.append(os.getpriority(os.PRIO_PROCESS, threading.get_native_id()))

    thread = threading.Thread(target=steps)
    thread.start()
    thread.join()
    # Nineteen is the last place that Linux has.
    assert len(found) == 4 and found[-1] == 19
    assert all(later == min(earlier + 10, 19) for earlier, later in itertools.pairwise(found))


def _ends_with(parent: subprocess.Popen[str], child: int) -> None:
    """Kill a parent, and see that its child ends."""
    parent.kill()
    parent.wait()
    assert parent.stdout is not None
    parent.stdout.close()
    give_up_at = time.monotonic() + 60
    while _runs(child):
        assert time.monotonic() < give_up_at, "the child outlives its parent"
        time.sleep(0.05)


def _runs(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    # A zombie has ended; whoever adopted it has not looked yet.
    return state != "Z"
