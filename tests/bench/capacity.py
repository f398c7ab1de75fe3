"""What one core carries, measured, and from it what 1 to 100,000 pots need.

Run: python tests/bench/capacity.py [--seconds 20] [--to capacity.json]

Measures with CPU time, so a busy machine does not spoil it: the broker's and a worker's seconds a
message (a real mosquitto, real `gritbook ingest --worker` processes, paho publishers), the store
writer's a take and a reading, and the derivation's a reading. What cannot be measured on one
machine, the wait at each fleet's rate, comes from the queue in ``queueing.py`` with this disk's own
sync times. Prints a table and writes JSON.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import psutil
from queueing import Waits, box_arrivals, catching_up_s, poisson_arrivals, waits

#: What a pot sends: a message a second with ten instants of four channels and the dead-man.
RATE_HZ, CHANNELS = 10, 5
READINGS_A_MESSAGE = RATE_HZ * CHANNELS
#: When it sends: ten hours a day, 220 days a year. Common practice, no source.
HOURS_A_DAY, DAYS_A_YEAR = 10.0, 220
#: No server is planned beyond this share of its time: waits grow without bound towards 1.
MOST_USE = 0.6
FLEETS = (1, 10, 1_000, 100_000)
#: Most messages that ingest takes at once.
MOST_AT_ONCE = 10_000
#: Messages of the small and the large takes that tell the writer's cost a take from that a reading.
TAKEN = (20, 5_000)

PUBLISHER = f"""
import json, sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
port, seconds, number = int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.max_queued_messages_set(0)
client.max_inflight_messages_set(1000)
client.connect("127.0.0.1", port)
client.loop_start()
begun = time.time()
sent, infos = 0, []
while time.time() - begun < seconds:
    pot = f"pot-{{1 + number}}"
    at = 1_760_000_000 + sent
    pack = [{{"bn": pot + "/", "bt": at, "n": "seq", "u": "count", "v": sent}}]
    for k in range({RATE_HZ}):
        t = k / {RATE_HZ}
        pack += [{{"n": c, "u": "Pa", "v": 700000 + 250 * ((sent * 7 + k * 3) % 40), "t": t}}
                 for c in ("supply", "inlet", "pot", "nozzle")]
        pack.append({{"n": "deadman", "vb": True, "t": t}})
    info = client.publish(f"g/yard/{{pot}}/readings", json.dumps(pack), qos=1)
    sent += 1
    if sent % 200 == 0:
        info.wait_for_publish(60)
info.wait_for_publish(60)
client.disconnect()
client.loop_stop()
print(sent)
"""

RUN = "import typer; from dashboard.commands.ingest import ingest; typer.run(ingest)"


class Measured(NamedTuple):
    """What a message, a take and a reading cost. [s of one core]"""

    broker_message_s: float
    worker_message_s: float
    writer_take_s: float
    writer_reading_s: float
    sync_p50_s: float
    sync_p99_s: float


def free_port() -> int:
    """A TCP port that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def cpu_s(process: psutil.Process) -> float:
    """CPU seconds of a process so far."""
    times = process.cpu_times()
    return float(times.user + times.system)


def sync_times(folder: Path, count: int = 300) -> list[float]:
    """How long this disk takes to append and sync a group of 50 kB. [s]"""
    took = []
    descriptor = os.open(folder / "sync", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    try:
        for _ in range(count):
            begun = time.perf_counter()
            os.write(descriptor, b"x" * 50_000)
            os.fdatasync(descriptor)
            took.append(time.perf_counter() - begun)
    finally:
        os.close(descriptor)
    return took


def writer_s() -> tuple[float, float]:
    """CPU seconds of the store's writer: of a take of nothing much, and on top of it a reading.

    The two must be told apart. Ingest takes once a second, so a take costs the same with a pot as
    with a thousand, and a quotient of both by readings would say more of the rate than of the cost.
    """
    from ingest.readings import RawMessage
    from ingest.store.journal import Journal
    from ingest.store.write import StoreWriter

    with tempfile.TemporaryDirectory() as name:
        data = Path(name)
        writer = StoreWriter(data, None)
        took: dict[int, list[float]] = {size: [] for size in TAKEN}
        sent = 0
        for turn in range(6):
            for size in TAKEN:
                with Journal(data) as journal:
                    for _ in range(size):
                        at_us = (1_760_000_000 + sent) * 10**6
                        payload = json.dumps(pack("pot-1", sent)).encode()
                        topic = "g/yard/pot-1/readings"
                        journal.append(RawMessage("mqtt", topic, "", at_us, False, payload))
                        sent += 1
                begun = time.process_time()
                writer.take()
                # The first turn makes the store, and what each program loads but once.
                if turn:
                    took[size].append(time.process_time() - begun)
        few, many = (statistics.median(took[size]) for size in TAKEN)
        reading_s = (many - few) / (TAKEN[1] - TAKEN[0]) / READINGS_A_MESSAGE
        return few - TAKEN[0] * READINGS_A_MESSAGE * reading_s, reading_s


def pack(pot: str, number: int) -> list[dict[str, Any]]:
    """A pot's message."""
    records: list[dict[str, Any]] = [
        {"bn": f"{pot}/", "bt": 1_760_000_000 + number, "n": "seq", "u": "count", "v": number}
    ]
    for k in range(RATE_HZ):
        t, v = k / RATE_HZ, 700_000 + 250 * ((number * 7 + k * 3) % 40)
        records += [
            {"n": channel, "u": "Pa", "v": v, "t": t}
            for channel in ("supply", "inlet", "pot", "nozzle")
        ]
        records.append({"n": "deadman", "vb": True, "t": t})
    return records


def measure(seconds: float, workers: int = 2, publishers: int = 2) -> Measured:
    """Measure a broker, workers and their writers under load."""
    program = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    if program is None:
        raise SystemExit("mosquitto is not installed; install Debian's package of that name.")
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as ending:
        folder, port = Path(name), free_port()
        (folder / "mosquitto.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 0\nmax_queued_bytes 0\n"
            + ("user root\n" if os.geteuid() == 0 else "")
        )
        pots = "".join(
            f'[[pot]]\nname = "pot-{n + 1}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
            for n in range(publishers)
        )
        (folder / "yard.toml").write_text(
            f'[site]\nname = "yard"\ntime_zone = "UTC"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n'
            f'root = "g"\n[limits]\nmessages_per_s = 100000\n{pots}'
        )

        def start(*command: str) -> psutil.Process:
            child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            ending.callback(child.wait)
            ending.callback(child.terminate)
            return psutil.Process(child.pid)

        broker = start(program, "-c", str(folder / "mosquitto.conf"))
        time.sleep(0.5)
        ingests = [
            start(
                sys.executable, "-c", RUN, "--data", str(folder / "data"),
                "--yard", str(folder / "yard.toml"), "--log", "json", "--worker", f"w{n}",
            )
            for n in range(workers)
        ]  # fmt: skip
        healths = [
            folder / "data" / "workers" / f"w{n}" / "ingest-health.json" for n in range(workers)
        ]
        give_up_at = time.monotonic() + 60
        while not all(h.exists() and '"connected"' in h.read_text() for h in healths):
            if time.monotonic() > give_up_at:
                raise SystemExit("The workers did not connect within a minute.")
            time.sleep(0.2)

        def counts() -> tuple[int, int]:
            facts: list[dict[str, Any]] = [json.loads(h.read_text()) for h in healths]
            return sum(f["messages"] for f in facts), sum(f["waiting_bytes"] for f in facts)

        before = cpu_s(broker), sum(map(cpu_s, ingests)), counts()
        senders = [
            subprocess.Popen(
                [sys.executable, "-c", PUBLISHER, str(port), str(seconds), str(n)],
                stdout=subprocess.PIPE,
            )
            for n in range(publishers)
        ]
        sent = sum(int(s.communicate()[0]) for s in senders)
        give_up_at = time.monotonic() + 120
        while counts()[0] - before[2][0] < sent or counts()[1]:
            if time.monotonic() > give_up_at:
                raise SystemExit(f"Of {sent} messages {counts()[0] - before[2][0]} were kept.")
            time.sleep(0.2)
        time.sleep(1.2)
        after = cpu_s(broker), sum(map(cpu_s, ingests)), counts()
        messages = after[2][0] - before[2][0]
        synced = sync_times(folder)
        return Measured(
            (after[0] - before[0]) / messages,
            (after[1] - before[1]) / messages,
            *writer_s(),
            statistics.median(synced),
            float(np.quantile(synced, 0.99)),
        )


def derive_reading_s() -> float:
    """CPU seconds of deriving and weighing a reading, of shifts that a simulated pot worked."""
    from rows_derive import fill_worked, worked_yard

    from analytics.weighing import derive_and_weigh
    from ingest.store.connection import read_window

    yard = worked_yard()
    with tempfile.TemporaryDirectory() as name:
        data = Path(name) / "data"
        fill_worked(data, Path(name) / "archive", yard, 4)
        with read_window(data) as con:
            ((instants,),) = con.execute("SELECT count(*) FROM sample").fetchall()
        derive_and_weigh(data, yard, full=True)  # compiled before it is timed
        begun = time.process_time()
        for _ in range(3):
            derive_and_weigh(data, yard, full=True)
        # Three pressures and the dead-man at each instant.
        return (time.process_time() - begun) / 3 / (4 * instants)


class Plan(NamedTuple):
    """What a fleet needs while all its pots work at once."""

    pots: int
    messages_hz: float
    readings_hz: float
    brokers: int
    workers: int
    derive_cores: float
    archive_gb_year: float
    ack_p50_ms: float
    ack_p99_ms: float
    catching_up_min: float


def plan(pots: int, measured: Measured, derive_s: float, archive_bytes: float) -> Plan:
    """From what was measured to what a fleet needs."""
    rate_hz = float(pots)
    worker_s = measured.worker_message_s + READINGS_A_MESSAGE * measured.writer_reading_s
    # Each worker's writer takes once a second, whatever there is.
    workers = max(1, math.ceil(rate_hz * worker_s / (MOST_USE - measured.writer_take_s)))
    brokers = max(1, math.ceil(rate_hz * measured.broker_message_s / MOST_USE))
    found = worker_waits(rate_hz / workers, measured)
    readings_day = rate_hz * READINGS_A_MESSAGE * 3600 * HOURS_A_DAY
    return Plan(
        pots,
        rate_hz,
        rate_hz * READINGS_A_MESSAGE,
        brokers,
        workers,
        readings_day * derive_s / 86_400,
        readings_day * DAYS_A_YEAR * archive_bytes / 1e9,
        1e3 * found.p50_s,
        1e3 * found.p99_s,
        # Takes leave that much less of the core; what waits makes them larger, not more.
        catching_up_s(3600.0, rate_hz / workers * worker_s / (1 - measured.writer_take_s)) / 60,
    )


def worker_waits(rate_hz: float, measured: Measured) -> Waits:
    """Waits at one worker: its disk's syncs, its own time a message."""
    rng = np.random.default_rng(7)
    # A lognormal with this disk's median and 99th percentile.
    spread = math.log(measured.sync_p99_s / measured.sync_p50_s) / 2.326
    synced = iter(np.exp(rng.normal(math.log(measured.sync_p50_s), spread, 2_000_000)).tolist())

    def group_s(size: int) -> float:
        return float(next(synced)) + size * measured.worker_message_s

    span_s = 120.0
    boxes = round(rate_hz)
    arrivals = (
        box_arrivals(boxes, span_s, rng) if boxes < 2_000 else poisson_arrivals(rate_hz, 30.0, rng)
    )
    return waits(arrivals, group_s, MOST_AT_ONCE)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--archive-bytes", type=float, default=0.6, help="a reading, archived")
    parser.add_argument("--to", type=Path)
    given = parser.parse_args()
    measured, derive_s = measure(given.seconds), derive_reading_s()
    plans = [plan(pots, measured, derive_s, given.archive_bytes) for pots in FLEETS]
    print(
        f"a core carries: broker {1 / measured.broker_message_s:,.0f} messages/s, "
        f"worker {1 / measured.worker_message_s:,.0f} messages/s, "
        f"its writer {1 / measured.writer_reading_s:,.0f} readings/s and "
        f"{1e3 * measured.writer_take_s:.0f} ms a take, "
        f"derive and weigh {1 / derive_s:,.0f} readings/s; "
        f"sync {1e3 * measured.sync_p50_s:.1f} ms (p99 {1e3 * measured.sync_p99_s:.1f} ms)"
    )
    names = Plan._fields
    print(" | ".join(names))
    for one in plans:
        print(" | ".join(f"{v:,.2f}" if isinstance(v, float) else f"{v:,}" for v in one))
    if given.to:
        given.to.write_text(
            json.dumps(
                {
                    "bench": "capacity",
                    "measured": measured._asdict(),
                    "derive_reading_s": derive_s,
                    "archive_bytes_a_reading": given.archive_bytes,
                    "plans": [one._asdict() for one in plans],
                },
                indent=1,
            )
            + "\n"
        )


if __name__ == "__main__":
    main()
