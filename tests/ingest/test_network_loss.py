"""The network away for a day, the broker started anew in between, two ingests by mistake."""

from __future__ import annotations

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

# A message a second with ten samples, each with its own time, as a box sends it; a day of them,
# sent as fast as the broker takes them.
PUBLISHER = (
    PUBLISHING
    + """
port, first, count = (int(argument) for argument in sys.argv[1:])
client = connected(port)
infos = []
for number in range(first, first + count):
    pack = [{"bn": "pot-1/", "bt": 1760000000 + number, "n": "seq", "u": "count", "v": number}]
    pack += [{"n": "pot", "u": "Pa", "t": s / 10, "v": 600000 + s} for s in range(10)]
    pack.append({"n": "deadman", "vb": number % 60 < 40})
    infos.append(client.publish("g/yard/pot-1/readings", json.dumps(pack), qos=1))
finish(client, infos)
"""
)


def publish(port: int, first: int, count: int) -> None:
    subprocess.run(
        [sys.executable, "-c", PUBLISHER, str(port), str(first), str(count)],
        check=True, timeout=600,
    )  # fmt: skip


def lines(port: int) -> str:
    return f'[mqtt]\nhost = "127.0.0.1"\nport = {port}\nroot = "g"\nclient_id = "away"\n'


def facts(ingest: Any) -> dict[str, Any]:
    found = read_health(ingest.data) or {}
    return found if found.get("pid") == ingest.process.pid else {}


def connected(ingest: Any) -> bool:
    return bool(facts(ingest).get("sources", {}).get("mqtt", {}).get("state") == "connected")


def away(
    messages: int, broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> float:
    """Ingest away while so many messages come, the broker started anew in the middle of them; gives
    how many a second ingest then took."""
    ingest = start_ingest(lines(broker.port))
    wait_until(lambda: connected(ingest), what="connected")
    publish(broker.port, 0, 10)
    wait_until(lambda: facts(ingest).get("messages") == 10, what="the first ten")
    assert ingest.stop() == 0  # the network goes

    half = messages // 2
    publish(broker.port, 10, half - 10)
    broker.stop()
    broker.start()
    publish(broker.port, half, messages - half)

    began = time.monotonic()
    ingest.start()
    wait_until(lambda: facts(ingest).get("messages", 0) >= messages - 10, 480, "caught up")
    took_s = time.monotonic() - began
    # The broker started anew under a connected ingest, too, and a message after that.
    broker.stop()
    wait_until(lambda: "mqtt" in facts(ingest).get("trouble", {}), what="said")
    broker.start()
    wait_until(lambda: connected(ingest), what="connected again")
    publish(broker.port, messages, 1)

    def stored() -> tuple[Any, ...]:
        with read_window(ingest.data) as con:
            return tuple(
                con.execute(
                    "SELECT count(seq), count(DISTINCT seq), max(seq), count(pot_pa), count(*) "
                    "FROM sample"
                ).fetchall()[0]
            )

    total = messages + 1
    wait_until(lambda: stored()[0] >= total, 480, "all stored")
    assert ingest.stop(180) == 0
    assert stored() == (total, total, messages, 10 * total, 10 * total)
    with read_window(ingest.data) as con:
        assert con.execute("FROM quarantine").fetchall() == []
    return messages / took_s


def test_hours_without_a_network_and_a_broker_started_anew_lose_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    away(4_000, broker, start_ingest, wait_until)


@pytest.mark.slow
def test_a_day_without_a_network_loses_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None],
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    per_s = away(86_400, broker, start_ingest, wait_until)
    with capsys.disabled():
        print(f"\na day of messages: 86,400, caught up at {per_s:,.0f} a second")


def test_a_second_ingest_by_mistake_is_refused_and_disturbs_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    first = start_ingest(lines(broker.port))
    wait_until(lambda: connected(first), what="connected")
    pid = first.process.pid
    second = start_ingest(lines(broker.port))
    assert second.process.wait(120) == 1
    said = second.log.read_text()
    assert f"(process {pid})" in " ".join(said.split())
    assert "Stop that one first, or give this one its own folder with --data." in said
    assert "Traceback" not in said
    # The first never lost its session at the broker, nor its store.
    publish(broker.port, 0, 50)
    wait_until(lambda: facts(first).get("readings") == 50 * 12, what="the first goes on")
    assert facts(first)["trouble"] == {}
    assert first.stop() == 0
