"""Thousands of messages over a real broker, ingest killed among them: none lost, none doubled."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brokers import PUBLISHING

from ingest.health import read_health
from ingest.store.connection import read_window
from ingest.store.journal_frames import Entry, read_from
from ingest.store.write import stored_mark

PART = 2_500
READINGS_A_MESSAGE = 3

# Half of the messages carry their own time; the other half count from their arrival, and for those
# nothing but the broker's mark and the packet identifier tells a repetition.
PUBLISHER = (
    PUBLISHING
    + """
port, part = (int(argument) for argument in sys.argv[1:])
client = connected(port)
began, number, infos = time.time(), 0, []
while sys.stdin.readline():
    for number in range(number, number + part):
        pot = f"pot-{1 + number % 2}"
        base = {"bn": pot + "/", "n": "seq", "u": "count", "v": number}
        if number % 2 == 0:
            base["bt"] = began + number / 1000
        supply = {"n": "supply", "u": "Pa", "v": 700000 + number}
        pack = json.dumps([base, supply, {"n": "deadman", "vb": True}])
        infos.append(client.publish(f"g/yard/{pot}/readings", pack, qos=1))
    number += 1
finish(client, infos)
"""
)


def mqtt_lines(port: int) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nroot = "g"\nclient_id = "crash"\n'


def kill_among(
    kills: int, broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    """Kill ingest at least so often, and check that nothing is lost or doubled."""
    ingest = start_ingest(mqtt_lines(broker.port))
    # The session must exist before the first message, else the broker has nobody to keep it for.
    wait_until(lambda: _connected(ingest), what="connected")
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port), str(PART)], stdin=subprocess.PIPE
    )
    assert publisher.stdin is not None
    rng = random.Random(20)
    parts = 0
    # Until one has struck among messages under way, else this shows nothing: the broker sends what
    # was not acknowledged once more, and says so.
    while parts < kills or not _repeated(ingest.data):
        assert parts < 60, "no kill struck among messages under way"
        before = _journal_bytes(ingest.data)
        publisher.stdin.write(b"go\n")
        publisher.stdin.flush()
        parts += 1
        # On a busy computer the burst begins late.
        wait_until(lambda before=before: _journal_bytes(ingest.data) > before, what="a burst")
        time.sleep(rng.uniform(0.0, 0.2))
        ingest.kill()
        ingest.start()
        wait_until(lambda: _connected(ingest), what="connected again")
        wanted = parts * PART
        wait_until(
            lambda wanted=wanted: _distinct_in_journal(ingest.data) >= wanted, what="the burst"
        )
    publisher.stdin.close()
    assert publisher.wait(240) == 0
    messages_sent = parts * PART
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
    assert (rows, numbers, distinct, supplies, deadmans) == (messages_sent,) * 5
    assert (lowest, highest) == (0, messages_sent - 1)
    assert stored == messages_sent * READINGS_A_MESSAGE
    entries = [e for e in read_from(ingest.data) if isinstance(e, Entry)]
    assert messages == len(entries)
    # Whether one was on disk and not acknowledged yet is chance: the harness of many has such.
    assert len(entries) >= messages_sent
    assert stored_mark(ingest.data) == entries[-1].end


def test_killed_twice_nothing_is_lost_or_doubled(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    kill_among(2, broker, start_ingest, wait_until)


@pytest.mark.slow
def test_killed_ten_times_nothing_is_lost_or_doubled(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    kill_among(10, broker, start_ingest, wait_until)


def _repeated(data: Path) -> int:
    return sum(e.message.repeated for e in read_from(data) if isinstance(e, Entry))


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
