"""The demonstration: an invented yard's three weeks, and two pots that blast while you look.

Everything in it is the real thing but the pots: a broker, a serial line, the ingest service,
deriving and the pages, each a process of its own. The pots are ``simulated_feeds``, which shares
no code with what reads them.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from importlib import resources
from pathlib import Path
from zoneinfo import ZoneInfo

from ingest.errors import Terminal

SITE = "north-yard"
ZONE = ZoneInfo("Europe/Amsterdam")
POTS = ("pot-1", "pot-2", "pot-3")
HISTORY_DAYS = 21

#: How long a child may take to end cleanly before it is ended otherwise. [s]
_PATIENCE_S = 15.0

#: Told what is being done and what share of the preparation is behind us.
Tell = Callable[[str, float], None]


class DemoFailed(Terminal):
    """A part of the demonstration did not come up."""


def claim(folder: Path) -> None:
    """Mark a folder as the demonstration's.

    Raises
    ------
    DemoFailed
        It holds a store already that is not marked so.
    """
    mark = folder / "INVENTED-DATA.txt"
    if (folder / "gritbook.duckdb").exists() and not mark.exists():
        raise DemoFailed(
            f"{folder} holds a store that is not the demonstration's.",
            "Give another folder: the demonstration never mixes with real data.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    mark.write_text("Made by `gritbook demo`. No figure in this folder is of a real site.\n")


class Children:
    """The processes of the demonstration, each with a log of its own.

    Parameters
    ----------
    logs : Path
        Folder for the logs.
    """

    def __init__(self, logs: Path) -> None:
        self._logs = logs
        self._running: list[tuple[str, subprocess.Popen[bytes]]] = []
        logs.mkdir(parents=True, exist_ok=True)

    def start(self, name: str, arguments: Sequence[str]) -> None:
        """Start ``python -m`` with these arguments, out of reach of the terminal's Ctrl-C."""
        with self._log(name).open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", *arguments],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )
        self._running.append((name, process))

    def run(self, name: str, arguments: Sequence[str]) -> None:
        """Start, and wait for the end.

        Raises
        ------
        DemoFailed
            It ended with an error.
        """
        self.start(name, arguments)
        _, process = self._running.pop()
        try:
            status = process.wait()
        finally:
            # Ctrl-C while waiting: what was started must not outlive us.
            if process.poll() is None:
                process.kill()
                process.wait()
        if status:
            raise self._failure(name, status)

    def look(self) -> None:
        """Look whether all are still there.

        Raises
        ------
        DemoFailed
            One is not.
        """
        for name, process in self._running:
            status = process.poll()
            if status is not None:
                raise self._failure(name, status)

    def stop(self) -> None:
        """End them, the last started first, each with time to finish."""
        while self._running:
            _, process = self._running.pop()
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(_PATIENCE_S)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()

    def _log(self, name: str) -> Path:
        return self._logs / f"{name}.log"

    def _failure(self, name: str, status: int) -> DemoFailed:
        lines = self._log(name).read_text(encoding="utf-8", errors="replace").strip().splitlines()
        last = lines[-1] if lines else "it said nothing"
        return DemoFailed(
            f"The demonstration's {name} ended with status {status}: {last}",
            f"The whole of what it said is in {self._log(name)}.",
        )


def free_port() -> int:
    """A TCP port of this computer that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def prepare(folder: Path, mqtt_port: int, serial_port: str, children: Children, tell: Tell) -> None:
    """Write the yard file and three weeks of history into a data folder, and derive its figures.

    Parameters
    ----------
    folder : Path
        Data folder of the demonstration; what is there already is kept and not made again.
    mqtt_port : int
        Where the demonstration's broker will listen.
    serial_port : str
        The port or pyserial URL that pot-2's box will be heard on.
    children : Children
        Runs the steps.
    tell : callable
        Told what is being done.
    """
    yard = folder / "yard.toml"
    template = (resources.files("dashboard") / "demo_yard.toml").read_text(encoding="utf-8")
    yard.write_text(
        template.format(mqtt_port=mqtt_port, serial_port=serial_port.replace("\\", "\\\\")),
        encoding="utf-8",
    )
    where = ["--data", str(folder), "--yard", str(yard)]
    history = folder / "history"
    if not (history / "done").exists():
        tell("Making up three weeks of an invented yard", 0.05)
        yesterday = dt.datetime.now(ZONE).date() - dt.timedelta(days=1)
        children.run(
            "history",
            ["simulated_feeds", "yard", "--seed", "7", "--until", yesterday.isoformat(),
             "--days", str(HISTORY_DAYS), "--rate", "10", "--pots", str(len(POTS)),
             "--zone", ZONE.key, "--out", str(history)],
        )  # fmt: skip
        for number, pot in enumerate(POTS):
            tell(f"Bringing in the card of {pot}", 0.35 + 0.1 * number)
            children.run(
                f"import-{pot}",
                ["dashboard.cli", "import", str(history / "readings" / pot), "--pot", pot, *where],
            )
        tell("Entering what people wrote down", 0.65)
        children.run(
            "records", ["dashboard.cli", "record", "load", str(history / "records.jsonl"), *where]
        )
        (history / "done").touch()
    book_today(folder, yard, history / "records.jsonl")
    tell("Finding cycles and hours", 0.70)
    # The pots are weighed once the pages are up: the newest shift first.
    children.run("derive-first", ["dashboard.cli", "derive", "--no-weigh", *where])


def book_today(folder: Path, yard_file: Path, history: Path) -> None:
    """Book a shift for the two live pots from now on, unless one is booked already."""
    from ingest import record_rows, records
    from ingest.config import load_yard
    from ingest.store.connection import read_window

    yard = load_yard(yard_file)
    now = dt.datetime.now(dt.UTC)
    with read_window(folder) as con:
        booked = [
            row
            for row in record_rows.current(con, "shift")
            if row["to_at"] > now and set(row["pots"]) & set(POTS[:2])
        ]
    if booked:
        return
    entries = [json.loads(line) for line in history.read_text(encoding="utf-8").splitlines()]
    last = [entry["body"] for entry in entries if entry["kind"] == "shift"][-1]
    records.add(
        folder,
        yard,
        "shift",
        {
            "shift": f"{now.astimezone(ZONE):%Y-%m-%d-%H%M}-live",
            "crew": last["crew"],
            "job": last["job"],
            "pots": list(POTS[:2]),
            "from_at": now.isoformat(timespec="seconds"),
            "to_at": (now + dt.timedelta(hours=8)).isoformat(timespec="seconds"),
            "people": 3,
        },
        by="Supervisor A",
        via="command",
    )


def broker_settings(port: int, folder: Path) -> Path:
    """Write the settings of the embedded broker, listening on this computer only."""
    path = folder / "broker.toml"
    path.write_text(
        f"""id = 0
[router]
id = 0
max_connections = 64
max_outgoing_packet_count = 200
max_segment_size = 16777216
max_segment_count = 10
[v5.1]
name = "demonstration"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 100
dynamic_filters = true
""",
        encoding="utf-8",
    )
    return path


def run(
    folder: Path,
    page_port: int,
    tell: Tell,
    ready: Callable[[str], None],
    stop: threading.Event,
) -> None:
    """Prepare, start everything, and go on until told to stop; then end everything cleanly.

    Parameters
    ----------
    folder : Path
        Data folder of the demonstration.
    page_port : int
        Where the pages will be.
    tell : callable
        Told what is being done and how far it is.
    ready : callable
        Told the address of the first page once it is up.
    stop : threading.Event
        Set from outside to end.

    Raises
    ------
    DemoFailed
        A part did not come up, or ended by itself.
    """
    from iotcore import Broker

    folder.mkdir(parents=True, exist_ok=True)
    children = Children(folder / "log")
    mqtt_port = free_port()
    if hasattr(os, "openpty"):
        serial_port = str(folder / "pot-2-line")
        serial_target = f"pty:{serial_port}?crc=1"
    else:
        line_port = free_port()
        serial_port = f"socket://127.0.0.1:{line_port}"
        serial_target = f"listen:127.0.0.1:{line_port}?crc=1"
    where = ["--data", str(folder), "--yard", str(folder / "yard.toml")]
    with ExitStack() as stack:
        # Ended in the opposite order: nobody may find the broker gone before they have ended.
        tell("Starting the broker", 0.02)
        stack.enter_context(Broker(config_path=str(broker_settings(mqtt_port, folder))))
        stack.callback(children.stop)
        prepare(folder, mqtt_port, serial_port, children, tell)
        tell("Starting ingest and two live pots", 0.88)
        live = ["simulated_feeds", "live", "--site", SITE]
        children.start("ingest", ["dashboard.cli", "ingest", "--log", "json", *where])
        children.start(
            "pot-1", [*live, "--pot", POTS[0], "--seed", "11",
                      "--to", f"mqtt://127.0.0.1:{mqtt_port}/gritbook"],
        )  # fmt: skip
        children.start("pot-2", [*live, "--pot", POTS[1], "--seed", "12", "--to", serial_target])
        tell("Opening the pages", 0.93)
        children.start(
            "pages", ["dashboard.cli", "pages", "--port", str(page_port), "--no-browser", *where]
        )
        address = f"http://127.0.0.1:{page_port}"
        _wait_for_page(address, children, stop)
        if not stop.is_set():
            tell("Ready", 1.0)
            ready(address)
        while not stop.wait(1.0):
            children.look()


def _wait_for_page(address: str, children: Children, stop: threading.Event) -> None:
    give_up_at = time.monotonic() + 60.0
    while not stop.is_set():
        children.look()
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError) as error:
            if time.monotonic() > give_up_at:
                raise DemoFailed(
                    f"The pages did not come up at {address} within a minute.",
                    "Look into pages.log in the demonstration's log folder.",
                ) from error
        stop.wait(0.2)


def on_signals(stop: threading.Event) -> None:
    """Set ``stop`` on Ctrl-C and on SIGTERM."""
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
