"""Ingest killed over and over at random moments, under load from a broker and a serial line.

The box repeats messages and sends them out of order. At the end every message that the broker took
stands in the store exactly once, and everything that the journal has of the serial line too.
"""

from __future__ import annotations

import json
import os
import random
import select
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brokers import PUBLISHING

from ingest.health import read_health
from ingest.store.connection import read_window
from ingest.store.journal_frames import Entry, read_from
from ingest.store.write import stored_mark
from ingest.wire.framing import text_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")

# Every second message counts its time from its arrival: for those nothing but the broker's mark and
# packet identifier tells a second delivery. Only those with their own time are sent twice here.
PUBLISHER = (
    PUBLISHING
    + """
port, per_s = int(sys.argv[1]), float(sys.argv[2])
rng = random.Random(3)
client = connected(port, 200)
stop = told_to_stop()
# Long before now, so that no time sent is by chance one of arrival.
began, number, infos = time.time() - 1e6, 0, []
while not stop.is_set():
    part = []
    for _ in range(20):
        base = {"bn": "pot-1/", "n": "seq", "u": "count", "v": number}
        if number % 2 == 0:
            base["bt"] = round(began + number / 1000, 3)
        supply = {"n": "supply", "u": "Pa", "v": 700000 + number}
        pack = [base, supply, {"n": "deadman", "vb": True}]
        part += [json.dumps(pack)] * (2 if number % 2 == 0 and rng.random() < 0.1 else 1)
        number += 1
    rng.shuffle(part)
    infos = [i for i in infos if not i.is_published()]
    infos += [client.publish("g/yard/pot-1/readings", text, qos=1) for text in part]
    time.sleep(20 / per_s)
finish(client, infos)
print(number)
"""
)


class SerialBox:
    """A box on a pseudo-terminal that sends, repeats and shuffles lines until told to stop."""

    def __init__(self, folder: Path, per_s: float) -> None:
        import tty

        self._box, self._port = os.openpty()
        tty.setraw(self._port)
        os.set_blocking(self._box, False)
        self.name = folder / "ttyBOX"
        self.name.symlink_to(os.ttyname(self._port))
        self._per_s = per_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send)
        self.sent = 0

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(30)

    def close(self) -> None:
        os.close(self._box)
        os.close(self._port)

    def _send(self) -> None:
        rng = random.Random(4)
        began = round(time.time(), 1)
        while not self._stop.is_set():
            part = []
            for _ in range(10):
                number = self.sent
                text = json.dumps(
                    [
                        {"bn": "pot-2/", "bt": round(began + number / 100, 2), "n": "seq",
                         "u": "count", "v": number},
                        {"n": "pot", "u": "Pa", "v": 600_000 + number},
                    ]
                ).encode()  # fmt: skip
                line = b"\x1e" + text + b" *%08X\n" % zlib.crc32(text)
                part += [line] * (2 if rng.random() < 0.1 else 1)
                self.sent += 1
            rng.shuffle(part)
            block = b"".join(part)
            while block and not self._stop.is_set():
                if select.select([], [self._box], [], 0.2)[1]:
                    block = block[os.write(self._box, block[:512]) :]
            time.sleep(10 / self._per_s)


def state(ingest: Any, name: str) -> str:
    facts = read_health(ingest.data) or {}
    if facts.get("pid") != ingest.process.pid:
        return ""
    return str(facts["sources"].get(name, {}).get("state", ""))


def segments(data: Path) -> int:
    """How many segments the journal has begun."""
    return len(list((data / "journal").glob("*.journal")))


def kill_often(
    kills: int,
    broker: Any,
    start_ingest: Callable[[str], Any],
    wait_until: Callable[..., None],
    folder: Path,
) -> dict[str, int]:
    """Kill ingest so often, and check that nothing is lost or doubled; gives the counts."""
    box = SerialBox(folder, per_s=100)
    ingest = start_ingest(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\nclient_id = "crash"\n'
        f'[[serial]]\nport = "{box.name}"\ncrc = "required"\npots = ["pot-2"]\n'
    )
    # The session must exist before the first message, else the broker has nobody to keep it for.
    wait_until(lambda: state(ingest, "mqtt") == "connected", what="connected")
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port), "300"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    box.start()
    rng = random.Random(kills)
    try:
        begun = 0
        for number in range(kills):
            if number % 5 == 4:
                # While it starts, and finds what the last one left.
                time.sleep(rng.uniform(0.0, 1.2))
            else:
                # Each ingest begins a segment of its own with the first message that it keeps.
                wait_until(lambda begun=begun: segments(ingest.data) > begun, 180, "it keeps")
                time.sleep(rng.uniform(0.0, 0.6))
            ingest.kill()
            begun = segments(ingest.data)
            ingest.start()
        assert publisher.stdin is not None and publisher.stdout is not None
        publisher.stdin.write(b"\n")
        publisher.stdin.close()
        published = int(publisher.stdout.readline())
        assert publisher.wait(300) == 0
    finally:
        publisher.kill()
        box.stop()
    wait_until(lambda: state(ingest, "mqtt") == "connected", 180, "connected at the end")

    def in_journal() -> int:
        return len(_numbers(ingest.data)["mqtt"])

    wait_until(lambda: in_journal() >= published, 240, "all in the journal")
    time.sleep(1.0)
    assert ingest.stop(180) == 0
    box.close()

    journalled = _numbers(ingest.data)
    with read_window(ingest.data) as con:
        rows = {
            pot: (count, distinct, lowest, highest)
            for pot, count, distinct, lowest, highest in con.execute(
                "SELECT pot, count(*), count(DISTINCT seq), min(seq), max(seq) FROM sample "
                "JOIN pot USING (pot_id) GROUP BY pot"
            ).fetchall()
        }
        whole = con.execute(
            "SELECT count(*) FROM sample JOIN pot USING (pot_id) WHERE CASE pot "
            "WHEN 'pot-1' THEN supply_pa = 700000 + seq AND deadman ELSE pot_pa = 600000 + seq END"
        ).fetchall()[0][0]
        refused = con.execute(
            "SELECT source, reason, count(*) FROM quarantine GROUP BY ALL"
        ).fetchall()
        serial = {
            row[0]
            for row in con.execute(
                "SELECT seq FROM sample JOIN pot USING (pot_id) WHERE pot = 'pot-2'"
            ).fetchall()
        }
        repeated = con.execute("SELECT sum(repeated) FROM source_count").fetchall()[0][0]
    # Over the broker: all that was published, each once, each whole.
    assert rows["pot-1"] == (published, published, 0, published - 1)
    # Over the line, which knows no acknowledgement: all that the journal kept, each once.
    assert serial == journalled["serial"]
    assert rows["pot-2"][0] == rows["pot-2"][1] == len(serial)
    assert whole == published + len(serial)
    # What a kill cut a line into is refused, never taken for something else, and of the broker
    # nothing is.
    assert [source for source, _, _ in refused if not source.startswith("serial:")] == []
    entries = [e for e in read_from(ingest.data) if isinstance(e, Entry)]
    assert stored_mark(ingest.data) == entries[-1].end
    # Messages did come twice; otherwise this shows nothing.
    assert repeated > kills
    return {
        "kills": kills, "published": published, "serial lines kept": len(serial),
        "serial lines sent": box.sent, "journal frames": len(entries),
        "readings that came again": int(repeated), "lost": 0, "doubled": 0,
    }  # fmt: skip


def _numbers(data: Path) -> dict[str, set[int]]:
    """The message counters that the journal holds, by the kind of source."""
    found: dict[str, set[int]] = {"mqtt": set(), "serial": set()}
    for entry in read_from(data):
        if not isinstance(entry, Entry):
            continue
        message = entry.message
        if message.source == "mqtt":
            found["mqtt"].add(json.loads(message.payload)[0]["v"])
        elif isinstance(text := text_of(message.payload, "required"), bytes):
            found["serial"].add(json.loads(text)[0]["v"])
    return found


def test_five_kills_under_load_lose_and_double_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    kill_often(5, broker, start_ingest, wait_until, tmp_path)


@pytest.mark.slow
def test_three_hundred_kills_under_load_lose_and_double_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None],
    tmp_path: Path, capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    counts = kill_often(300, broker, start_ingest, wait_until, tmp_path)
    with capsys.disabled():
        print("\n" + ", ".join(f"{what}: {count:,}" for what, count in counts.items()))
