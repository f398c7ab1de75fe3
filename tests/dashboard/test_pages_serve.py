"""Starting and stopping the pages."""

from __future__ import annotations

import datetime as dt
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from browsing import comes

from analytics import weighing
from dashboard import serve
from ingest.config import Yard
from ingest.errors import StoreBusy
from ingest.store.connection import read_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

YARD = """
[site]
name = "test-yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
"""


def test_a_taken_port_is_a_sentence_and_starts_nothing(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(serve.PagesFailed, match="cannot listen on"):
            serve.serve(tmp_path, tmp_path / "yard.toml", port, open_browser=False)


def test_the_command_sends_nothing_out_and_shows_no_traceback() -> None:
    command = serve.streamlit_command(8617, "127.0.0.1", open_browser=False)
    for option in (
        "--browser.gatherUsageStats=false", "--server.showEmailPrompt=false",
        "--client.showErrorDetails=none", "--server.address=127.0.0.1", "--server.headless=true",
    ):  # fmt: skip
        assert option in command


def ten_minutes(from_at: dt.datetime = dt.datetime(2026, 3, 2, 6)) -> pl.DataFrame:
    """Samples once a second; each minute begins with 30 s of blasting."""
    second = dt.timedelta(seconds=1)
    at = pl.datetime_range(from_at, from_at + 599 * second, second, time_unit="us", eager=True)
    return pl.DataFrame({"sampled_at": at}).with_columns(
        deadman=pl.int_range(pl.len()) % 60 < 30, supply_pa=7e5, pot_pa=7e5, nozzle_pa=6e5
    )


def test_deriving_follows_what_comes_in_and_ends_when_told(
    tmp_path: Path, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(serve, "DERIVE_EVERY_S", 0.05)
    yard_file = tmp_path / "yard.toml"
    yard_file.write_text("[site]\nname = 1\n", encoding="utf-8")
    stop = threading.Event()
    thread = threading.Thread(target=serve.keep_deriving, args=(tmp_path, yard_file, stop))
    thread.start()
    told = ""

    def told_of_the_file() -> bool:
        nonlocal told
        told += capsys.readouterr().err
        return "yard.toml has" in told

    try:
        put_samples(tmp_path, "pot-1", ten_minutes())
        assert comes(told_of_the_file, True)
        time.sleep(0.3)  # some rounds more
        # Mended while it runs; in one step, for an emptied file is another faulty one to tell of.
        (tmp_path / "mended").write_text(YARD, encoding="utf-8")
        (tmp_path / "mended").replace(yard_file)
        assert cycles_within(tmp_path, seconds=90) == 10
    finally:
        stop.set()
        thread.join(90)
    assert not thread.is_alive()
    # The faulty yard file was told of once, not twenty times a second.
    assert (told + capsys.readouterr().err).count("yard.toml has") == 1


def cycles_within(data: Path, seconds: float, more_than: int = 0) -> int:
    give_up_at = time.monotonic() + seconds
    while time.monotonic() < give_up_at:
        with read_window(data) as con:
            ((cycles,),) = con.execute("SELECT count(*) FROM cycle").fetchall()
        if cycles > more_than:
            return int(cycles)
        time.sleep(0.1)
    return 0


def test_hours_are_derived_while_weighing_takes_long_and_while_it_fails(
    tmp_path: Path, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    monkeypatch.setattr(serve, "DERIVE_EVERY_S", 0.05)
    go_on, begun = threading.Event(), threading.Semaphore(0)

    def fails_in_the_end(data: Path, yard: Yard, **_: object) -> None:
        begun.release()
        assert go_on.wait(90)
        raise StoreBusy("The scales are in use.", "Wait.")

    monkeypatch.setattr(weighing, "weigh_spells", fails_in_the_end)
    yard_file = tmp_path / "yard.toml"
    yard_file.write_text(YARD, encoding="utf-8")
    stop = threading.Event()
    thread = threading.Thread(target=serve.keep_deriving, args=(tmp_path, yard_file, stop))
    thread.start()
    try:
        put_samples(tmp_path, "pot-1", ten_minutes())
        assert begun.acquire(timeout=90)
        put_samples(tmp_path, "pot-1", ten_minutes(dt.datetime(2026, 3, 2, 7)))
        assert cycles_within(tmp_path, 90, more_than=10) == 20
        assert not begun.acquire(blocking=False), "weighed twice at a time"
        go_on.set()
        for _ in range(3):
            assert begun.acquire(timeout=90), "not weighed again after it had failed"
        put_samples(tmp_path, "pot-1", ten_minutes(dt.datetime(2026, 3, 2, 8)))
        assert cycles_within(tmp_path, 90, more_than=20) == 30
    finally:
        go_on.set()
        stop.set()
        thread.join(90)
    assert not thread.is_alive()
    # Told of once, though it failed again and again.
    assert capsys.readouterr().err.count("The scales are in use.") == 1


def test_what_nobody_foresaw_in_weighing_ends_deriving(
    tmp_path: Path, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that it is started again, and its last words stand in the log."""
    monkeypatch.setattr(serve, "DERIVE_EVERY_S", 0.05)

    def breaks(data: Path, yard: Yard, **_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(weighing, "weigh_spells", breaks)
    yard_file = tmp_path / "yard.toml"
    yard_file.write_text(YARD, encoding="utf-8")
    put_samples(tmp_path, "pot-1", ten_minutes())
    with pytest.raises(ZeroDivisionError):
        serve.keep_deriving(tmp_path, yard_file, threading.Event())


def deriving_child(tmp_path: Path) -> subprocess.Popen[bytes]:
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    return subprocess.Popen(
        [sys.executable, "-m", "dashboard.serve"],
        env={
            **os.environ,
            "GRITBOOK_DATA": str(tmp_path),
            "GRITBOOK_YARD": str(tmp_path / "yard.toml"),
        },
        stdin=subprocess.PIPE,
    )


def catches(pid: int, number: int) -> bool:
    """Whether a process has a handler for a signal."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    caught = int(re.search(r"SigCgt:\s*(\w+)", status)[1], 16)  # type: ignore[index]
    return bool(caught >> (number - 1) & 1)


@pytest.mark.skipif(sys.platform != "linux", reason="what a process listens for is in /proc")
@pytest.mark.parametrize("how", ["orphaned", "terminated"])
def test_the_deriving_child_does_not_outlive_its_starter(tmp_path: Path, how: str) -> None:
    child = deriving_child(tmp_path)
    assert child.stdin is not None
    # It does not end by itself, and is told to only when it listens for that.
    assert comes(lambda: catches(child.pid, signal.SIGTERM), True)
    assert child.poll() is None
    if how == "orphaned":
        child.stdin.close()
    else:
        child.send_signal(signal.SIGTERM)
    assert child.wait(90) == 0
    child.stdin.close()
