"""Twenty thousand messages over a real broker while ingest is killed five times: none lost, none
doubled."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ingest.health import read_health
from ingest.store.connection import read_window
from ingest.store.journal_frames import Entry, read_from
from ingest.store.write import stored_mark

MESSAGES = 20_000
READINGS_A_MESSAGE = 3
KILLS = 5

# Half of the messages carry their own time; the other half count from their arrival, and for those
# nothing but the broker's mark and the packet identifier tells a repetition.
PUBLISHER = """
import json, sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

port, messages, part = (int(argument) for argument in sys.argv[1:])
client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
client.max_queued_messages_set(0)
client.max_inflight_messages_set(500)
client.connect("127.0.0.1", port)
client.loop_start()
began = time.time()
infos = []
for number in range(messages):
    if number % part == 0:
        sys.stdin.readline()
    pot = f"pot-{1 + number % 2}"
    base = {"bn": pot + "/", "n": "seq", "u": "count", "v": number}
    if number % 2 == 0:
        base["bt"] = began + number / 1000
    pack = [base, {"n": "supply", "u": "Pa", "v": 700000 + number}, {"n": "deadman", "vb": True}]
    infos.append(client.publish(f"g/yard/{pot}/readings", json.dumps(pack), qos=1))
for info in infos:
    info.wait_for_publish(30)
client.disconnect()
client.loop_stop()
"""


def mqtt_lines(port: int) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nroot = "g"\nclient_id = "crash"\n'


def test_killed_five_times_nothing_is_lost_or_doubled(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    ingest = start_ingest(mqtt_lines(broker.port))
    # The session must exist before the first message, else the broker has nobody to keep it for.
    wait_until(lambda: _connected(ingest), what="connected")
    part = -(-MESSAGES // (KILLS + 1))
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port), str(MESSAGES), str(part)],
        stdin=subprocess.PIPE,
    )
    assert publisher.stdin is not None
    rng = random.Random(20)
    for _ in range(KILLS):
        # Each kill falls into a burst of messages, somewhere from its beginning to its end.
        before = _journal_bytes(ingest.data)
        publisher.stdin.write(b"go\n")
        publisher.stdin.flush()
        # On a busy computer the burst begins late.
        wait_until(lambda before=before: _journal_bytes(ingest.data) > before, what="a burst")
        time.sleep(rng.uniform(0.0, 0.3))
        ingest.kill()
        ingest.start()
        wait_until(lambda: _connected(ingest), what="connected again")
    publisher.stdin.close()
    assert publisher.wait(60) == 0

    wait_until(lambda: _distinct_in_journal(ingest.data) >= MESSAGES, 60, "all in the journal")
    assert ingest.stop() == 0
    with read_window(ingest.data) as con:
        (rows, numbers, distinct, supplies, deadmans), = con.execute(
            "SELECT count(*), count(seq), count(DISTINCT seq), count(DISTINCT supply_pa), "
            "count(deadman) FROM sample"
        ).fetchall()  # fmt: skip
        quarantined = con.execute("SELECT reason, count(*) FROM quarantine GROUP BY ALL").fetchall()
        ((stored, messages),) = con.execute(
            "SELECT sum(readings), sum(messages) FROM source_count"
        ).fetchall()
        lowest, highest = con.execute("SELECT min(seq), max(seq) FROM sample").fetchall()[0]
    assert quarantined == []
    assert (rows, numbers, distinct, supplies, deadmans) == (MESSAGES,) * 5
    assert (lowest, highest) == (0, MESSAGES - 1)
    assert stored == MESSAGES * READINGS_A_MESSAGE
    entries = [e for e in read_from(ingest.data) if isinstance(e, Entry)]
    assert messages == len(entries)
    # The kills struck among messages under way; otherwise this test shows nothing. Whether one was
    # on disk and not acknowledged yet is chance: the harness of many kills has such.
    assert sum(e.message.repeated for e in entries) > 0
    assert len(entries) >= MESSAGES
    assert stored_mark(ingest.data) == entries[-1].end


def _connected(ingest: Any) -> bool:
    facts = read_health(ingest.data) or {}
    source = facts.get("sources", {}).get("mqtt", {})
    return bool(facts.get("pid") == ingest.process.pid and source.get("state") == "connected")


def _journal_bytes(data: Path) -> int:
    return sum(path.stat().st_size for path in (data / "journal").glob("*.journal"))


def _distinct_in_journal(data: Path) -> int:
    return len(
        {json.loads(e.message.payload)[0]["v"] for e in read_from(data) if isinstance(e, Entry)}
    )
