"""A broker from the distribution's package, and the real ingest as a process of its own."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from brokers import Broker, mosquitto
from ports import free_port

YARD = """\
[site]
name = "yard"
time_zone = "UTC"

{lines}
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000

[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 862000
"""

# The command by itself, so that these tests show ingest and not the rest of the command line.
RUN_INGEST = "import typer; from dashboard.commands.ingest import ingest; typer.run(ingest)"


@pytest.fixture
def broker_program() -> str:
    """The broker's program; the test is skipped where it is not installed."""
    return mosquitto()


@pytest.fixture
def free() -> Callable[[], int]:
    """Gives a TCP port that nothing listens on."""
    return free_port


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    # With persistence and a queue that does not drop.
    running = Broker(
        folder,
        f"allow_anonymous true\npersistence true\npersistence_location {folder}/\n"
        "max_queued_messages 0\nmax_queued_bytes 0\nuser root",
    )
    running.start()
    yield running
    running.stop()


class Ingest:
    """The real `gritbook ingest`, in a process of its own."""

    def __init__(self, data: Path, lines: str, beside: Path) -> None:
        self.data = data
        self._yard = beside / "yard.toml"
        self._yard.write_text(YARD.format(lines=lines))
        self.process: subprocess.Popen[bytes] | None = None
        self.log = beside / "ingest.log"

    def start(self) -> None:
        """Start it; returns at once."""
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    sys.executable, "-c", RUN_INGEST,
                    "--data", str(self.data), "--yard", str(self._yard), "--log", "json",
                ],
                stderr=log,
            )  # fmt: skip

    def kill(self) -> None:
        """End it with SIGKILL."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self, wait_s: float = 120) -> int:
        """Ask it to end with SIGTERM; gives its exit status."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(wait_s)


@pytest.fixture
def start_ingest_in(tmp_path: Path) -> Iterator[Callable[[Path, str], Ingest]]:
    """Start ingest on a data folder of one's choice; yard file and log stand elsewhere."""
    started: list[Ingest] = []

    def start(data: Path, lines: str) -> Ingest:
        one = Ingest(data, lines, tmp_path)
        one.start()
        started.append(one)
        return one

    yield start
    for one in started:
        if one.process is not None and one.process.poll() is None:
            one.kill()


@pytest.fixture
def start_ingest(
    tmp_path: Path, start_ingest_in: Callable[[Path, str], Ingest]
) -> Callable[[str], Ingest]:
    """Start ingest on this test's own data folder."""
    return lambda lines: start_ingest_in(tmp_path / "data", lines)


@pytest.fixture
def wait_until() -> Callable[..., None]:
    def wait(holds: Callable[[], object], wait_s: float = 120, what: str = "") -> None:
        give_up_at = time.monotonic() + wait_s
        while not holds():
            assert time.monotonic() < give_up_at, f"not within {wait_s} s: {what or holds}"
            time.sleep(0.05)

    return wait
