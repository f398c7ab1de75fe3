"""The demonstration from end to end: broker, serial line, ingest, deriving and pages, for real."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

from dashboard import demo
from ingest.store.connection import read_window, write_window


def test_a_folder_with_somebody_elses_store_is_refused(tmp_path: Path) -> None:
    with write_window(tmp_path):
        pass
    with pytest.raises(demo.DemoFailed, match="not the demonstration's"):
        demo.claim(tmp_path)


def test_its_own_folder_is_taken_again(tmp_path: Path) -> None:
    demo.claim(tmp_path)
    with write_window(tmp_path):
        pass
    demo.claim(tmp_path)


def test_a_child_that_fails_is_named_with_its_last_words(tmp_path: Path) -> None:
    children = demo.Children(tmp_path)
    with pytest.raises(demo.DemoFailed, match="no-such-module"):
        children.run("broken", ["no-such-module"])


def _children_of(pid: int) -> list[str]:
    found = subprocess.run(
        ["ps", "--ppid", str(pid), "-o", "pid="], capture_output=True, text=True, check=False
    )
    return found.stdout.split()


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_two_live_pots_reach_the_store_and_everything_ends_cleanly(tmp_path: Path) -> None:
    port = demo.free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "demo", "--data", str(tmp_path / "demo"),
         "--port", str(port), "--no-browser"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    address = None
    for line in process.stdout:
        if found := re.search(r"pages are at (\S+)", line):
            address = found[1]
            break
    assert address == f"http://127.0.0.1:{port}"
    with urllib.request.urlopen(f"{address}/_stcore/health", timeout=60) as answer:
        assert answer.status == 200
    begun = time.monotonic()
    heard: dict[str, int] = {}
    while time.monotonic() - begun < 240 and len(heard) < 2:
        time.sleep(2.0)
        with read_window(tmp_path / "demo") as con:
            # What came live lies in the journal, so its message number is above zero.
            heard = dict(
                con.execute(
                    "SELECT pot, count(*) FROM sample JOIN pot USING (pot_id) "
                    "WHERE message_id > 0 GROUP BY pot"
                ).fetchall()
            )
    started = _children_of(process.pid)
    assert started
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=180)
    assert process.returncode == 0, rest
    assert "stopped cleanly" in rest
    assert {"pot-1", "pot-2"} <= set(heard)
    for pid in started:
        assert not Path(f"/proc/{pid}").exists(), "a child outlived the demonstration"
    with read_window(tmp_path / "demo") as con:
        sources = dict(
            con.execute("SELECT source, sum(messages) FROM source_count GROUP BY source").fetchall()
        )
        ((history_pots,),) = con.execute("SELECT count(DISTINCT pot) FROM shift_summary").fetchall()
    assert any(name.startswith("mqtt") for name in sources), sources
    assert any(name.startswith("serial") for name in sources), sources
    assert history_pots == 3
