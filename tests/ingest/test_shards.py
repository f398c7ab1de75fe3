"""Several ingests share one broker's messages: what each kept is gathered, whole and once."""

from __future__ import annotations

import datetime as dt
import json
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import PUBLISHING

from ingest.errors import StoreError
from ingest.health import read_health
from ingest.readings import RawMessage
from ingest.store import shards
from ingest.store.batch import USUAL
from ingest.store.connection import read_window, write_window
from ingest.store.journal import Journal
from ingest.store.journal_frames import Entry, Position, read_from
from ingest.store.shards import gather, gather_all, of_message, shards_of, worker_folder
from ingest.store.write import StoreWriter
from ingest.wire import reasons

MESSAGES = 9_000
WORKERS = ("east", "west", "north")
BEGAN_S = 1_790_000_000

PUBLISHER = (
    PUBLISHING
    + """
port, messages, began = (int(argument) for argument in sys.argv[1:])
client = connected(port)
infos = []
for number in range(messages):
    pot = f"pot-{1 + number % 2}"
    pack = [{"bn": pot + "/", "bt": began + number / 8, "n": "seq", "u": "count", "v": number},
            {"n": "supply", "u": "Pa", "v": 700000 + number}, {"n": "deadman", "vb": True}]
    infos.append(client.publish(f"g/yard/{pot}/readings", json.dumps(pack), qos=1))
    if number % 7 == 0:  # the box had no answer and sends again by itself: perhaps to another
        infos.append(client.publish(f"g/yard/{pot}/readings", json.dumps(pack), qos=1))
    if number % 500 == 0:
        time.sleep(0.25)
finish(client, infos)
"""
)

RUN = "import typer; from dashboard.commands.ingest import ingest; typer.run(ingest)"


class Worker:
    """`gritbook ingest --worker` in a process of its own."""

    def __init__(self, data: Path, yard: Path, name: str) -> None:
        self.folder = worker_folder(data, name)
        self._command = [
            sys.executable, "-c", RUN, "--data", str(data), "--yard", str(yard), "--log", "json",
            "--worker", name,
        ]  # fmt: skip
        self._log = yard.parent / f"{name}.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stderr=log)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(120)

    def is_connected(self) -> bool:
        facts = read_health(self.folder) or {}
        assert self.process is not None
        return facts.get("pid") == self.process.pid and "connected" in str(facts["sources"])


@pytest.fixture
def workers(broker: Any, tmp_path: Path) -> Iterator[dict[str, Worker]]:
    yard = tmp_path / "yard.toml"
    yard.write_text(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n'
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\nclient_id = "fleet"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
        '[[pot]]\nname = "pot-2"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    )
    started = {name: Worker(tmp_path / "data", yard, name) for name in WORKERS}
    yield started
    for worker in started.values():
        if worker.process is not None and worker.process.poll() is None:
            worker.kill()


@pytest.mark.slow
def test_workers_share_and_a_killed_one_takes_up_what_was_its_own(
    broker: Any, workers: dict[str, Worker], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    data = tmp_path / "data"
    for worker in workers.values():
        worker.start()
    wait_until(lambda: all(w.is_connected() for w in workers.values()), what="connected")
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port), str(MESSAGES), str(BEGAN_S)]
    )
    rng = random.Random(4)
    for _ in range(3):
        time.sleep(rng.uniform(0.5, 1.2))
        victim = workers[rng.choice(WORKERS[:2])]
        victim.kill()
        gather_all(data)  # while others write
        victim.start()
        wait_until(victim.is_connected, what="connected again")
    assert publisher.wait(300) == 0

    def gathered() -> int:
        gather_all(data)
        with read_window(data) as con:
            ((rows,),) = con.execute("SELECT count(*) FROM sample").fetchall()
        return int(rows)

    wait_until(lambda: gathered() >= MESSAGES, 240, "all gathered")
    for worker in workers.values():
        assert worker.stop() == 0
    gather_all(data)
    assert [(g.readings, g.conflicts) for g in gather_all(data)] == [(0, 0)] * 3
    with read_window(data) as con:
        rows = con.execute(
            "SELECT pot, epoch_us(sampled_at), seq, supply_pa, deadman, message_id "
            "FROM sample JOIN pot USING (pot_id) ORDER BY seq"
        ).fetchall()
        ((quarantined,),) = con.execute("SELECT count(*) FROM quarantine").fetchall()
        names = dict(con.execute("SELECT shard_id, name FROM shard").fetchall())
    assert quarantined == 0
    assert [row[:5] for row in rows] == [
        (f"pot-{1 + n % 2}", BEGAN_S * 1_000_000 + n * 125_000, n, 700_000.0 + n, True)
        for n in range(MESSAGES)
    ]
    # Each took a part, and each reading still leads to the message it came in.
    assert {names[of_message(row[5])[0]] for row in rows} == set(WORKERS)
    for row in rows[:: MESSAGES // 20]:
        number, own = of_message(row[5])
        place = Position.of_message_id(own)
        found = next(
            e for e in read_from(workers[names[number]].folder, place) if isinstance(e, Entry)
        )
        assert json.loads(found.message.payload)[0]["v"] == row[2]


def filled(folder: Path, packs: list[Any], shared: bool = True) -> None:
    """Put messages into a worker's journal and store, as its ingest would."""
    now_us = int(dt.datetime.now(dt.UTC).timestamp() * 1e6)
    journal = Journal(folder)
    for number, pack in enumerate(packs):
        journal.append(
            RawMessage(
                "mqtt", "g/yard/pot-1/readings", "", now_us + number, False,
                json.dumps(pack).encode(), 1 + number,
            )
        )  # fmt: skip
    journal.sync()
    end = journal.end
    journal.release()
    writer = StoreWriter(folder, ["pot-1"], admission=USUAL._replace(shared=shared))
    while writer.take(end):
        pass


def pack(second: float, **values: float) -> list[dict[str, Any]]:
    named = {"seq": "count", "supply": "Pa", "humidity": "%RH"}
    records = [{"n": name, "u": named[name], "v": value} for name, value in values.items()]
    records[0] |= {"bn": "pot-1/", "bt": BEGAN_S + second}
    return records


def contents(data: Path) -> list[list[Any]]:
    with read_window(data) as con:
        return [
            con.execute(sql).fetchall()
            for sql in (
                "SELECT sampled_at, seq, supply_pa FROM sample ORDER BY ALL",
                "SELECT channel, r.sampled_at, value FROM reading AS r JOIN channel "
                "USING (channel_id) ORDER BY ALL",
                "SELECT source, reason FROM quarantine ORDER BY ALL",
                "SELECT source, messages, readings FROM source_count ORDER BY ALL",
            )
        ]


def test_a_gathering_that_breaks_off_is_done_again_and_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = tmp_path / "data"
    east = worker_folder(data, "east")
    filled(east, [pack(n, seq=n, supply=7e5 + n, humidity=40 + n % 9) for n in range(300)])
    monkeypatch.setattr(shards, "PIECE_ROWS", 100)
    inserts = {"left": 2}
    whole = shards._insert

    def breaks_off(*given: Any) -> tuple[int, int, int]:
        if not inserts["left"]:
            raise KeyboardInterrupt
        inserts["left"] -= 1
        return whole(*given)

    monkeypatch.setattr(shards, "_insert", breaks_off)
    with pytest.raises(KeyboardInterrupt):
        gather(data, east)
    assert 0 < len(contents(data)[0]) < 300
    monkeypatch.setattr(shards, "_insert", whole)
    again = gather(data, east)
    assert (again.readings + again.repeated, again.conflicts) == (900, 0)
    assert again.repeated > 0
    samples, tall, quarantined, counted = contents(data)
    assert (len(samples), len(tall), quarantined) == (300, 300, [])
    assert counted == [("east/mqtt", 300, 900)]


def test_channels_of_an_instant_that_came_to_two_workers_make_one_row(tmp_path: Path) -> None:
    data = tmp_path / "data"
    filled(worker_folder(data, "east"), [pack(0, seq=1)])
    filled(worker_folder(data, "west"), [pack(0, supply=7e5)])
    gather_all(data)
    assert [row[1:] for row in contents(data)[0]] == [(1, 7e5)]
    with read_window(data) as con:
        assert con.execute("SELECT count(*) FROM touched").fetchall() == [(2,)]


def test_two_values_for_an_instant_are_told_and_the_first_stays(tmp_path: Path) -> None:
    data = tmp_path / "data"
    filled(worker_folder(data, "east"), [pack(0, supply=7e5), pack(1, supply=7e5)])
    filled(worker_folder(data, "west"), [pack(0, supply=6e5), pack(1, supply=7e5)])
    gather_all(data)
    samples, _, quarantined, _ = contents(data)
    assert [row[2] for row in samples] == [7e5, 7e5]
    assert quarantined == [("worker:west", reasons.VALUE_CONFLICT)]


def test_a_box_without_a_clock_is_not_shared_but_kept_in_quarantine(tmp_path: Path) -> None:
    data = tmp_path / "data"
    timeless = [{"bn": "pot-1/", "n": "supply", "u": "Pa", "v": 7e5}]
    filled(worker_folder(data, "east"), [timeless, pack(0, supply=7e5)])
    gather_all(data)
    gather_all(data)
    samples, _, quarantined, _ = contents(data)
    assert len(samples) == 1
    assert quarantined == [("east/mqtt", reasons.TIME_NOT_ITS_OWN)]


@pytest.mark.parametrize("name", ["", "../east", "a/b", "-x", "ä", "x" * 41])
def test_a_name_that_could_lead_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(StoreError, match="cannot be a worker's name"):
        worker_folder(tmp_path, name)


def test_no_workers_is_nothing_to_gather(tmp_path: Path) -> None:
    assert gather_all(tmp_path) == []
    (tmp_path / "workers" / "east").mkdir(parents=True)
    assert shards_of(tmp_path) == []
    with write_window(tmp_path / "workers" / "east"):
        pass
    assert [folder.name for folder in shards_of(tmp_path)] == ["east"]
