"""How near ingest comes to its limits, measured in the same run.

Run as ``python tests/bench/bench_ingest.py``; needs mosquitto. Prints, each beside its limit:

- messages a second over MQTT, acknowledged after the journal has synced and stored, against the
  better of two subscribers that do nothing but acknowledge, one by one and by the hundred; and what
  a message costs each in processor time, which other work on the machine disturbs less;
- readings a second of decoding into columns against msgspec alone (into typed records, kept until
  the batch is whole, as whoever stores a batch must; beside it with each record thrown away at
  once), of the whole way from journal to store, and of DuckDB appending the same rows alone;
- journal group commits against bare ``fdatasync`` of the same bytes, framed beforehand, in a file
  that grows as the journal does (neither has room set aside), and what framing costs of that;
- a yard's steady load: processor, memory, and how soon a page sees a reading (``--steady 600``
  for ten minutes).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from operator import truediv
from pathlib import Path
from typing import Any

import msgspec
from steady_load import Usage, bench_steady

from ingest.readings import RawMessage
from ingest.store.journal import Journal
from ingest.store.journal_frames import encode
from ingest.store.write import StoreWriter
from ingest.wire import columns

NOW_S = 1_760_000_000
MOSQUITTO_FOLDERS = "/usr/sbin:/usr/local/sbin:/usr/bin"


def pack(number: int, instants: int) -> bytes:
    """A message of a box: three pressures and the dead-man, ``instants`` times."""
    records: list[dict[str, Any]] = []
    for instant in range(instants):
        at = round(instant * 0.02, 3)
        for channel in ("supply", "pot", "nozzle"):
            value = round(650_000 + 13.7 * ((number * 7 + instant) % 97), 1)
            records.append({"n": channel, "t": at, "v": value})
        records.append({"n": "deadman", "t": at, "vb": number % 5 > 0})
    records[0] |= {"bn": "pot-1/", "bt": NOW_S + number * instants * 0.02, "bu": "Pa"}
    return json.dumps(records, separators=(",", ":")).encode()


def messages(count: int, instants: int) -> list[RawMessage]:
    """Raw messages as the MQTT source would give them."""
    return [
        RawMessage("mqtt", "g/yard/pot-1/readings", "", NOW_S * 10**6, False, pack(n, instants), 0)
        for n in range(count)
    ]


class Record(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A record as a program that does nothing but decode would have it."""

    n: str = ""
    u: str | None = None
    t: float = 0.0
    v: float | None = None
    vb: bool | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


def bench_decode(instants: int, repeats: int) -> None:
    """Decode into columns against msgspec alone, and journal to store."""
    batch = messages(400_000 // (4 * instants), instants)
    readings = len(batch) * 4 * instants
    decode = msgspec.json.Decoder(list[Record]).decode
    decoder = columns.ColumnDecoder()
    decoder.decode(batch[: len(batch) // 4])
    took: dict[str, list[float]] = {"thrown": [], "kept": [], "columns": []}
    # By turns, so that other work on the machine falls on all.
    for _ in range(repeats):
        began = time.perf_counter()
        for message in batch:
            decode(message.payload)
        took["thrown"].append(time.perf_counter() - began)
        began = time.perf_counter()
        kept = [decode(message.payload) for message in batch]
        took["kept"].append(time.perf_counter() - began)
        del kept
        began = time.perf_counter()
        decoder.decode(batch)
        took["columns"].append(time.perf_counter() - began)
    of_kept, of_thrown = (
        statistics.median(map(truediv, took[name], took["columns"])) for name in ("kept", "thrown")
    )
    thrown_s, kept_s, columns_s = (statistics.median(took[name]) for name in took)
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        with Journal(data) as journal:
            for message in batch:
                journal.append(message)
        writer = StoreWriter(data, None)
        began = time.perf_counter()
        while writer.take():
            pass
        store_s = time.perf_counter() - began
        append_s = append_alone_s(data)
    rates = {
        name: f"{readings / seconds / 1e6:.2f} M/s"
        for name, seconds in (
            ("kept", kept_s), ("thrown", thrown_s), ("columns", columns_s), ("store", store_s),
            ("append", append_s),
        )
    }  # fmt: skip
    print(
        f"{4 * instants:4} readings a message: msgspec alone {rates['kept']} (thrown away at once "
        f"{rates['thrown']}), columns {rates['columns']} ({of_kept:.2f}; {of_thrown:.2f}; medians "
        f"of {repeats} ratios), journal to store {rates['store']} "
        f"({append_s / store_s:.2f} of DuckDB appending alone, {rates['append']})"
    )


def append_alone_s(data: Path) -> float:
    """How long DuckDB takes to append the rows of a store to a table of their own, alone. [s]"""
    import duckdb

    from ingest.store.connection import read_window

    with read_window(data) as con:
        rows = con.sql("SELECT * FROM sample").to_arrow_table()
    path = data / "alone.duckdb"
    with duckdb.connect(str(path)) as con:
        con.register("rows", rows)
        con.execute("CREATE TABLE sample AS FROM rows LIMIT 0")
    began = time.perf_counter()
    with duckdb.connect(str(path)) as con:
        con.register("rows", rows)
        con.execute("INSERT INTO sample FROM rows")
    return time.perf_counter() - began


def bench_journal(folder: Path, group: int, repeats: int) -> None:
    """Group commits of the journal against bare fdatasync of the same bytes."""
    batch = messages(200 * group, 2)
    groups = [batch[begin : begin + group] for begin in range(0, len(batch), group)]
    blocks = [encode(one) for one in groups]
    began = time.process_time()
    for one in groups:
        encode(one)
    framing_us = (time.process_time() - began) / len(batch) * 1e6
    took: dict[str, list[float]] = {"bare": [], "journal": []}
    for _ in range(repeats):
        bare_s = journal_s = 0.0
        with (
            tempfile.TemporaryDirectory(dir=folder) as name,
            (Path(name) / "bare").open("xb", buffering=0) as file,
            Journal(Path(name)) as journal,
        ):

            def bare(block: bytes, descriptor: int = file.fileno()) -> float:
                began = time.perf_counter()
                os.write(descriptor, block)
                os.fdatasync(descriptor)
                return time.perf_counter() - began

            def journalled(one: list[RawMessage], journal: Journal = journal) -> float:
                began = time.perf_counter()
                journal.extend(one)
                journal.sync()
                return time.perf_counter() - began

            # By turns, so that other work on the machine falls on both; and each as often first as
            # second, for the file system writes for the second what the first has left it.
            for number, (one, block) in enumerate(zip(groups, blocks, strict=True)):
                if number % 2:
                    bare_s += bare(block)
                    journal_s += journalled(one)
                else:
                    journal_s += journalled(one)
                    bare_s += bare(block)
        took["bare"].append(bare_s)
        took["journal"].append(journal_s)
    ratio = statistics.median(map(truediv, took["bare"], took["journal"]))
    bare_s, journal_s = map(statistics.median, took.values())
    print(
        f"journal, groups of {group}: {len(batch) / journal_s:,.0f} messages/s, bare fdatasync "
        f"{len(batch) / bare_s:,.0f} ({ratio:.2f}, median of {repeats} ratios); framing "
        f"{framing_us:.2f} us a message"
    )


def publish(port: int, count: int, instants: int, root: str, begin: Any) -> None:
    """Publish as fast as the broker takes it."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

    payloads = [pack(n, instants) for n in range(count)]
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.max_queued_messages_set(0)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    begin.wait()
    for payload in payloads:
        info = client.publish(f"{root}/yard/pot-1/readings", payload, qos=1)
    info.wait_for_publish(120)
    client.disconnect()


def do_nothing_subscriber(
    port: int, count: int, connected: Any, together: int
) -> tuple[float, float]:
    """Acknowledge so many together and do nothing else; gives messages a second, and processor
    time a message. [us]"""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    due: list[int] = []
    seen = 0
    first_s = last_s = first_cpu_s = last_cpu_s = 0.0
    done = threading.Event()

    def on_message(client: Any, userdata: Any, message: Any) -> None:
        nonlocal seen, first_s, last_s, first_cpu_s, last_cpu_s
        if not seen:
            first_s, first_cpu_s = time.perf_counter(), time.process_time()
        seen += 1
        if together == 1:
            client.ack(message.mid, 1)
        else:
            due.append(message.mid)
            if len(due) >= together or seen == count:
                for mid in due:
                    client.ack(mid, 1)
                due.clear()
        if seen == count:
            last_s, last_cpu_s = time.perf_counter(), time.process_time()
            done.set()

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id="nothing",
        protocol=MQTTProtocolVersion.MQTTv5,
        manual_ack=True,
    )
    properties = Properties(PacketTypes.CONNECT)
    properties.ReceiveMaximum = 65_535
    client.on_message = on_message
    client.connect("127.0.0.1", port, properties=properties)
    client.on_subscribe = lambda *_: connected.set()
    client.subscribe("nothing/yard/+/readings", 1)
    client.loop_start()
    done.wait(300)
    client.disconnect()
    client.loop_stop()
    return count / (last_s - first_s), (last_cpu_s - first_cpu_s) / count * 1e6


def nothing_process(port: int, count: int, connected: Any, together: int, answer: Any) -> None:
    """The do-nothing subscriber in a process of its own, as ingest is."""
    answer.put(do_nothing_subscriber(port, count, connected, together))


def ingest_rates(port: int, count: int, instants: int, folder: Path) -> tuple[float, float, float]:
    """Messages a second of the real command, as they arrive and until all are in the store; and
    processor time a message of what stands beside the subscriber, without the store's writer, which
    is a process of its own. [us]"""
    context = multiprocessing.get_context("spawn")
    go = context.Event()
    # A root of its own: the broker keeps the sessions of earlier turns and would queue for them.
    root = folder.name
    publisher = context.Process(target=publish, args=(port, count, instants, root, go))
    publisher.start()
    yard = folder / "yard.toml"
    yard.write_text(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nroot = "{root}"\nclient_id = "{root}"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    )
    data = folder / "data"
    runner = "import typer; from dashboard.commands.ingest import ingest; typer.run(ingest)"
    process = subprocess.Popen(
        [sys.executable, "-c", runner, "--data", str(data), "--yard", str(yard), "--log", "json"],
        stderr=subprocess.DEVNULL,
    )
    health = data / "ingest-health.json"

    def facts() -> dict[str, Any]:
        return json.loads(health.read_text()) if health.exists() else {}

    while facts().get("sources", {}).get("mqtt", {}).get("state") != "connected":
        time.sleep(0.05)
    usage = Usage(process.pid)
    cpu_s = usage.own_cpu_s()
    go.set()
    while facts().get("messages", 0) < count:
        time.sleep(0.05)
    cpu_s = usage.own_cpu_s() - cpu_s
    while facts().get("readings", 0) < count * 4 * instants:
        time.sleep(0.05)
    stored_us = time.time_ns() / 1000
    process.terminate()
    process.wait(60)
    publisher.join()
    from ingest.store.journal_frames import Entry, read_from

    # Arrival times in the journal are exact; the health file is up to a second old.
    arrived = [e.message.arrived_us for e in read_from(data) if isinstance(e, Entry)]
    return (
        count / ((arrived[-1] - arrived[0]) / 1e6),
        count / ((stored_us - arrived[0]) / 1e6),
        cpu_s / count * 1e6,
    )


def bench_mqtt(folder: Path, count: int, instants: int, repeats: int) -> None:
    """The real ingest and the do-nothing subscriber by turns, each with the same publisher."""
    with broker_in(folder) as port:
        if port is not None:
            _bench_mqtt(folder, port, count, instants, repeats)


@contextmanager
def broker_in(folder: Path) -> Iterator[int | None]:
    """A broker for the length of a block; gives its port, or none where there is no mosquitto."""
    mosquitto = shutil.which("mosquitto", path=MOSQUITTO_FOLDERS)
    if mosquitto is None:
        print("mosquitto is not installed: what needs a broker is left out")
        yield None
        return
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    broker = subprocess.Popen([mosquitto, "-c", str(config)], stderr=subprocess.DEVNULL)
    time.sleep(0.5)
    try:
        yield port
    finally:
        broker.terminate()
        broker.wait()


def _bench_mqtt(folder: Path, port: int, count: int, instants: int, repeats: int) -> None:
    by_one, by_hundred, ours = [], [], []
    for turn in range(repeats):
        by_one.append(nothing_rate(port, count, instants, 1))
        by_hundred.append(nothing_rate(port, count, instants, 100))
        own = folder / f"turn-{turn}"
        own.mkdir()
        ours.append(ingest_rates(port, count, instants, own))
    rate, stored_rate, cpu_us = (statistics.median(column) for column in zip(*ours, strict=True))
    nothing = [
        [statistics.median(column) for column in zip(*way, strict=True)]
        for way in (by_one, by_hundred)
    ]
    limit = max(of_way[0] for of_way in nothing)
    limit_us = min(of_way[1] for of_way in nothing)
    print(
        f"MQTT, {4 * instants} readings a message, medians of {repeats}: {rate:,.0f} messages/s "
        f"({rate * 4 * instants:,.0f} readings/s), subscribers that do nothing, one by one and by "
        f"the hundred, {nothing[0][0]:,.0f} and {nothing[1][0]:,.0f} ({rate / limit:.2f} of the "
        f"better); until all are in the store {stored_rate:,.0f} ({stored_rate / limit:.2f}); "
        f"processor time a message {cpu_us:.1f} us, of the others {nothing[0][1]:.1f} and "
        f"{nothing[1][1]:.1f} ({limit_us / cpu_us:.2f} of the better)"
    )


def nothing_rate(port: int, count: int, instants: int, together: int) -> tuple[float, float]:
    """What the do-nothing subscriber gives, in a process of its own as ingest is."""
    context = multiprocessing.get_context("spawn")
    answer, connected, go = context.Queue(), context.Event(), context.Event()
    publisher = context.Process(target=publish, args=(port, count, instants, "nothing", go))
    nothing = context.Process(
        target=nothing_process, args=(port, count, connected, together, answer)
    )
    publisher.start()
    nothing.start()
    connected.wait(30)
    time.sleep(1)
    go.set()
    figures: tuple[float, float] = answer.get(timeout=300)
    publisher.join()
    nothing.join()
    return figures


def main() -> None:
    """Run all."""
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--messages", type=int, default=60_000)
    arguments.add_argument("--repeats", type=int, default=3)
    arguments.add_argument("--folder", type=Path, default=None, help="on the disk to measure")
    arguments.add_argument("--steady", type=int, default=20, help="of the steady load [s]")
    chosen = arguments.parse_args()
    for instants in (1, 10, 50):
        bench_decode(instants, 3 * chosen.repeats)
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        for group in (1, 10, 100):
            bench_journal(Path(name), group, 5 * chosen.repeats)
    for instants in (1, 10):
        with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
            bench_mqtt(Path(name), chosen.messages, instants, chosen.repeats)
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name, broker_in(Path(name)) as port:
        if port is not None:
            bench_steady(Path(name), port, chosen.steady)


if __name__ == "__main__":
    main()
