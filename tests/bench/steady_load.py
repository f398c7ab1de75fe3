"""A yard's steady load through the real ingest: what it costs, and how soon a page sees a reading.

Used by ``bench_ingest.py``: eight pots of five channels at 50 samples a second, a message a second
each, over a real broker. A reader beside it opens the store as a page does and notes when each
message can be read: journal-to-page latency is that moment less the arrival that the journal wrote.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

POTS, RATE_HZ = 8, 50
CHANNELS = ("supply", "inlet", "pot", "nozzle")
#: Pages look for new figures about this often. [s]
PAGE_EVERY_S = 0.2


def publish_steadily(port: int, root: str, seconds: int, begin: Any) -> None:
    """Send what eight boxes send, in time."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    begin.wait()
    began_s = time.time()
    for second in range(seconds):
        for pot in range(POTS):
            # The boxes are not in step.
            due_s = began_s + second + pot / POTS
            time.sleep(max(0.0, due_s - time.time()))
            client.publish(f"{root}/yard/pot-{pot}/readings", pack(pot, second, due_s), qos=1)
    client.loop_stop()
    client.disconnect()


def pack(pot: int, second: int, at_s: float) -> bytes:
    """A second of a box: four pressures and the dead-man, fifty times."""
    records: list[dict[str, Any]] = [
        {"bn": f"pot-{pot}/", "bt": round(at_s - 1.0, 3), "bu": "Pa", "n": "seq", "u": "count",
         "v": second}
    ]  # fmt: skip
    for number in range(RATE_HZ):
        at = round(number / RATE_HZ, 3)
        for place, channel in enumerate(CHANNELS):
            value = round(600_000 + 13.7 * ((second * 7 + number * 3 + place) % 97), 1)
            records.append({"n": channel, "t": at, "v": value})
        records.append({"n": "deadman", "t": at, "vb": second % 40 > 10})
    return json.dumps(records, separators=(",", ":")).encode()


class Usage:
    """Processor time and highest memory of a process and its children, from Linux' /proc."""

    def __init__(self, pid: int) -> None:
        self._pid = pid

    def pids(self) -> list[int]:
        """The process and the children it has now."""
        children = Path(f"/proc/{self._pid}/task").glob("*/children")
        return [self._pid, *(int(p) for c in children for p in c.read_text().split())]

    def cpu_s(self) -> float:
        """User and system time so far. [s]"""
        return sum(map(_cpu_s, self.pids()))

    def own_cpu_s(self) -> float:
        """The same of the process alone. [s]"""
        return _cpu_s(self._pid)

    def peak_mb(self) -> list[float]:
        """Highest memory of each. [MB]"""
        return [
            int(line.split()[1]) / 1024
            for pid in self.pids()
            for line in Path(f"/proc/{pid}/status").read_text().splitlines()
            if line.startswith("VmHWM")
        ]


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def latencies_s(data: Path, until: Any) -> list[float]:
    """How long after its arrival each message could be read, until the event is set. [s]"""
    from ingest.errors import StoreBusy
    from ingest.store.connection import read_window

    seen_us = time.time_ns() // 1000
    waited: list[float] = []
    while not until.is_set():
        try:
            with read_window(data) as con:
                rows = con.execute(
                    "SELECT DISTINCT pot_id, epoch_us(arrived_at) FROM sample "
                    "WHERE arrived_at > make_timestamp($seen)",
                    {"seen": seen_us},
                ).fetchall()
        except StoreBusy as error:
            # A page tries again; the wait counts in what is seen then.
            print(f"a reader was refused: {error}", file=sys.stderr)
            continue
        now_us = time.time_ns() // 1000
        waited += [(now_us - arrived_us) / 1e6 for _, arrived_us in rows]
        seen_us = max([seen_us, *(arrived_us for _, arrived_us in rows)])
        time.sleep(PAGE_EVERY_S)
    return waited


def bench_steady(folder: Path, port: int, seconds: int) -> None:
    """Run it, and print what it took."""
    context = multiprocessing.get_context("spawn")
    begin = context.Event()
    root = folder.name
    publisher = context.Process(target=publish_steadily, args=(port, root, seconds, begin))
    publisher.start()
    yard, data = folder / "yard.toml", folder / "data"
    yard.write_text(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nroot = "{root}"\nclient_id = "{root}"\n'
        + "".join(
            f'[[pot]]\nname = "pot-{pot}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
            for pot in range(POTS)
        )
    )
    runner = "import typer; from dashboard.commands.ingest import ingest; typer.run(ingest)"
    process = subprocess.Popen(
        [sys.executable, "-c", runner, "--data", str(data), "--yard", str(yard), "--log", "json"],
        stderr=subprocess.DEVNULL,
    )
    health = data / "ingest-health.json"

    def facts() -> dict[str, Any]:
        try:
            found: dict[str, Any] = json.loads(health.read_text())
        except (FileNotFoundError, json.JSONDecodeError):
            found = {}
        return found

    while facts().get("sources", {}).get("mqtt", {}).get("state") != "connected":
        time.sleep(0.05)
    usage = Usage(process.pid)
    with context.Pool(1) as pool:
        begin.set()
        # The first batch makes the store; a page would say that there is none yet.
        while not facts().get("readings"):
            time.sleep(0.05)
        cpu_before_s, began_s = usage.cpu_s(), time.monotonic()
        reader = pool.apply_async(_latencies_of, (data, seconds - 3.0))
        waited = sorted(reader.get())
        took_s = time.monotonic() - began_s
        cpu_s, peaks = usage.cpu_s() - cpu_before_s, usage.peak_mb()
    publisher.join()
    wanted = POTS * seconds * (RATE_HZ * (len(CHANNELS) + 1) + 1)
    give_up_at = time.monotonic() + 30
    while facts().get("readings", 0) < wanted and time.monotonic() < give_up_at:
        time.sleep(0.1)
    stored = facts()["readings"]
    process.terminate()
    process.wait(60)
    cuts = statistics.quantiles(waited, n=100)
    print(
        f"steady, {POTS} pots x {len(CHANNELS) + 1} channels x {RATE_HZ} Hz for {seconds} s: "
        f"{stored:,} of {wanted:,} readings stored; {100 * cpu_s / took_s:.0f} % of a processor; "
        f"memory {' + '.join(f'{peak:.0f}' for peak in peaks)} MB; journal to page p50 "
        f"{cuts[49]:.2f} s, p99 {cuts[98]:.2f} s ({len(waited)} messages, a page that looks every "
        f"{PAGE_EVERY_S} s)"
    )


class _After:
    """Set once a time has passed."""

    def __init__(self, seconds: float) -> None:
        self._at_s = time.monotonic() + seconds

    def is_set(self) -> bool:
        return time.monotonic() >= self._at_s


def _latencies_of(data: Path, seconds: float) -> list[float]:
    return latencies_s(data, _After(seconds))
