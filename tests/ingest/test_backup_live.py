"""The commands as people give them: a backup while the real ingest takes from a real broker."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from brokers import PUBLISHING

from ingest.health import read_health
from ingest.store import archive_reading
from ingest.store.connection import read_window
from ingest.store.journal_frames import Entry, read_from
from ingest.store.write import StoreWriter

BACKUPS = 3
POTS = ["pot-1", "pot-2"]

PUBLISHER = (
    PUBLISHING
    + """
client, stop, number, infos = connected(sys.argv[1]), told_to_stop(), 0, []
while not stop.is_set():
    for _ in range(20):
        pot = f"pot-{1 + number % 2}"
        base = {"bn": pot + "/", "bt": 1760000000 + number, "n": "seq", "u": "count", "v": number}
        pack = [base, {"n": "pot", "u": "Pa", "v": 600000 + number}, {"n": "w", "v": number / 7}]
        infos.append(client.publish(f"g/yard/{pot}/readings", json.dumps(pack), qos=1))
        number += 1
    infos = [info for info in infos if not info.is_published()]
    time.sleep(0.05)
finish(client, infos)
print(number)
"""
)


def gritbook(*arguments: str | Path) -> str:
    """What a command says, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", *map(str, arguments)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return done.stdout


def kept(data: Path) -> set[int]:
    """The counters that the journal holds: whatever was acknowledged is among them."""
    return {json.loads(e.message.payload)[0]["v"] for e in read_from(data) if isinstance(e, Entry)}


def stored(data: Path) -> list[tuple[int, float, float]]:
    """Counter, pressure and the slow channel of every instant; doubles are not hidden."""
    with read_window(data) as con:
        archive_reading.make_views(con)
        return con.execute(
            "SELECT seq, pot_pa, value FROM sample_all s FULL JOIN reading_all r "
            "USING (pot_id, sampled_at) ORDER BY seq"
        ).fetchall()


@pytest.mark.slow
def test_a_backup_by_the_command_under_the_real_ingest_loses_and_doubles_nothing(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    ingest = start_ingest(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\n')

    def facts() -> dict[str, Any]:
        return read_health(ingest.data) or {}

    wait_until(lambda: facts().get("sources", {}).get("mqtt", {}).get("state") == "connected")
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    assert publisher.stdin is not None and publisher.stdout is not None
    to, befores = tmp_path / "backups", []
    try:
        for _ in range(BACKUPS):
            heard = facts().get("messages", 0)
            wait_until(lambda heard=heard: facts()["messages"] > heard + 500, what="it goes on")
            befores.append(kept(ingest.data))
            said = gritbook("backup", to, "--data", ingest.data, "--yard", tmp_path / "yard.toml")
            assert said.startswith("Backup ") or "\nBackup " in said
        heard = facts()["messages"]
        wait_until(lambda: facts()["messages"] > heard + 500, what="it goes on after the last")
        assert facts()["trouble"] == {}
    finally:
        publisher.stdin.close()
        published = int(publisher.stdout.readline())
        publisher.wait(240)
    wait_until(lambda: len(kept(ingest.data)) >= published, what="all is kept")
    assert ingest.stop() == 0
    every = [(n, 600_000.0 + n, n / 7) for n in range(published)]
    assert stored(ingest.data) == every

    names = sorted(path.stem for path in (to / "backups").glob("*.json"))
    assert len(names) == BACKUPS
    for name, before in zip(names, befores, strict=True):
        back = tmp_path / name
        said = gritbook("restore", to, "--to", back, "--name", name)
        assert f"The backup {name} is in" in said
        # What the journal holds beyond the store's mark is taken when ingest starts again.
        writer = StoreWriter(back, POTS)
        while writer.take() is not None:
            pass
        found = stored(back)
        assert len(before) > 400 and found == every[: len(found)]
        assert before <= {number for number, _, _ in found}
