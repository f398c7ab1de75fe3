"""The service: faults of one part stay its own, and it ends with nothing left to do."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from brokers import PUBLISHING

from ingest import service, supervise
from ingest.errors import DiskFull, JournalError, SourceLost, StoreBusy, StoreError
from ingest.health import read_health
from ingest.readings import RawMessage
from ingest.service import Service
from ingest.sources.inbox import Delivery, Inbox
from ingest.store import journal as journal_module
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal_frames import Entry, read_from, waiting_bytes
from ingest.store.write import stored_mark

NOW_US = 1_760_000_000_000_000


class ListLog:
    """A log that keeps what it is told."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str, dict[str, object]]] = []

    def info(self, event: str, **facts: object) -> None:
        self.lines.append(("info", event, facts))

    def warning(self, event: str, **facts: object) -> None:
        self.lines.append(("warning", event, facts))

    def exception(self, event: str, **facts: object) -> None:
        self.lines.append(("exception", event, {**facts, "error": sys.exc_info()[1]}))


class Broker:
    """A source that behaves like MQTT: what is not acknowledged is handed over again."""

    def __init__(self, name: str, count: int, trouble: list[Exception] | None = None) -> None:
        self.name = name
        self.state = "connected"
        self.unacknowledged = dict(enumerate(range(count)))
        self.acknowledged: list[int] = []
        self._trouble = trouble or []
        self._due: list[object] = []
        self.runs = 0

    def run(self, inbox: Inbox, stop: threading.Event) -> None:
        self.runs += 1
        for number in list(self.unacknowledged):
            if self._trouble and number == 3:
                raise self._trouble.pop(0)
            inbox.put(Delivery(self._message(number), self, number))
        give_up_at = time.monotonic() + 60
        while not stop.is_set() or (self.unacknowledged and time.monotonic() < give_up_at):
            time.sleep(0.01)
            while self._due:
                number = self._due.pop(0)
                assert isinstance(number, int)
                self.unacknowledged.pop(number, None)
                self.acknowledged.append(number)

    def acknowledge(self, tokens: list[object]) -> None:
        self._due += tokens

    def _message(self, number: int) -> RawMessage:
        pack = [{"n": f"{self.name}/supply", "u": "Pa", "v": number}]
        arrived_us = NOW_US + number * 1000 + self.runs
        return RawMessage(
            self.name, "", "", arrived_us, self.runs > 1, json.dumps(pack).encode(), number + 1
        )


def run_for(running: Service, until: Callable[[], object], wait_s: float = 120) -> None:
    stop = threading.Event()

    def watch() -> None:
        give_up_at = time.monotonic() + wait_s
        while not until() and time.monotonic() < give_up_at and not stop.is_set():
            time.sleep(0.02)
        stop.set()

    threading.Thread(target=watch).start()
    try:
        running.run(stop)
    finally:
        stop.set()


def count(data: Path, query: str = "SELECT count(*) FROM sample") -> int:
    with read_window(data) as con:
        return int(con.execute(query).fetchall()[0][0])


def test_one_source_failing_stops_no_other_and_doubles_nothing(tmp_path: Path) -> None:
    log = ListLog()
    sound = Broker("sound", 5)
    failing = Broker("failing", 6, [SourceLost("The line went away."), ZeroDivisionError("odd")])
    running = Service(tmp_path, None, [sound, failing], log)
    run_for(running, lambda: not failing.unacknowledged and not sound.unacknowledged)
    assert failing.runs == 3
    assert count(tmp_path) == 11
    events = [(kind, event, facts["who"]) for kind, event, facts in log.lines if "who" in facts]
    assert events == [
        ("warning", "trouble", "failing"),
        ("exception", "unforeseen error", "failing"),
    ]
    assert isinstance(log.lines[1][2]["error"], ZeroDivisionError)


class Killed(BaseException):
    """Stands for the process ending at a step."""


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("step", ["extend", "sync", "acknowledge"])
def test_an_end_between_journal_and_acknowledgement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str, after: bool
) -> None:
    """The three steps that come before the store; those in it are in test_write."""
    box = Broker("box", 4)
    owner: Any = box if step == "acknowledge" else journal_module.Journal
    real = getattr(owner, step)

    def killed(*arguments: Any) -> None:
        if after:
            real(*arguments)
        raise Killed

    first = Service(tmp_path, None, [box], ListLog())
    inbox = Inbox()
    box.runs = 1
    deliveries = [Delivery(box._message(n), box, n) for n in range(4)]
    with monkeypatch.context() as patched:
        patched.setattr(owner, step, killed)
        with pytest.raises(Killed):
            first._keep(deliveries, threading.Event())
    # What waits in memory is gone with the process; what was written is not.
    first._journal.release()
    del inbox
    for number in [token for token in box._due if isinstance(token, int)]:
        box.unacknowledged.pop(number)

    second = Service(tmp_path, None, [box], ListLog())
    run_for(second, lambda: not box.unacknowledged)
    assert count(tmp_path) == 4
    assert count(tmp_path, "SELECT count(DISTINCT supply_pa) FROM sample") == 4


def test_a_reader_that_holds_the_store_makes_the_journal_grow_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "_LAST_BATCH_WAIT_S", 0.3)
    with write_window(tmp_path):
        pass
    box = Broker("box", 20)
    running = Service(tmp_path, None, [box], ListLog())
    holder = duckdb.connect(str(store_path(tmp_path)), read_only=True)
    run_for(running, lambda: not box.unacknowledged)
    assert box.acknowledged == list(range(20))
    assert waiting_bytes(tmp_path, stored_mark_of(holder)) > 0
    holder.close()
    health = read_health(tmp_path)
    assert health is not None
    assert "held" in health["trouble"]["store"]
    run_for(Service(tmp_path, None, [Broker("other", 0)], ListLog()), lambda: True)
    assert count(tmp_path) == 20


def stored_mark_of(con: duckdb.DuckDBPyConnection) -> Any:
    from ingest.store.journal_frames import BEGINNING, Position

    rows = con.execute('SELECT segment, "offset" FROM mark').fetchall()
    return Position(*rows[0]) if rows else BEGINNING


def test_a_full_disk_waits_says_so_and_goes_on_by_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "_RETRY_S", 0.05)
    box = Broker("box", 5)
    running = Service(tmp_path, None, [box], ListLog())
    real = journal_module.Journal.sync
    full_for = 5
    seen: list[str] = []

    def sync(self: Any) -> None:
        nonlocal full_for
        if full_for:
            full_for -= 1
            seen.append(json.dumps(running.health.facts()["trouble"]))
            assert not box.acknowledged
            raise DiskFull("The disk is full.", "Make room.")
        real(self)

    monkeypatch.setattr(journal_module.Journal, "sync", sync)
    run_for(running, lambda: not box.unacknowledged)
    assert count(tmp_path) == 5
    assert "The disk is full. Make room." in seen[-1]
    assert running.health.facts()["trouble"] == {}


def test_it_ends_even_where_the_disk_stays_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(service, "_RETRY_S", 0.05)

    def sync(self: Any) -> None:
        raise DiskFull("The disk is full.", "Make room.")

    box = Broker("box", 5)
    log = ListLog()
    running = Service(tmp_path, None, [box], log)
    running._inbox._most_bytes = 600
    monkeypatch.setattr(journal_module.Journal, "sync", sync)
    run_for(running, lambda: "journal" in running.health.facts()["trouble"])
    assert box.acknowledged == []
    assert ("warning", "not kept") in [(kind, event) for kind, event, _ in log.lines]


def test_what_needs_a_person_ends_the_service_with_its_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    box = Broker("box", 5, [StoreError("The shelf is empty.", "Fill it.")])
    running = Service(tmp_path, None, [box], ListLog())
    with pytest.raises(StoreError, match=r"The shelf is empty\. Fill it\."):
        run_for(running, lambda: False)
    # The journal's lock is free again.
    Service(tmp_path, None, [], ListLog())._journal.release()


def test_a_second_service_is_refused(tmp_path: Path) -> None:
    one = Service(tmp_path, None, [], ListLog())
    with pytest.raises(JournalError, match=f"process {os.getpid()}"):
        Service(tmp_path, None, [], ListLog())
    one._journal.release()


def test_waits_grow_and_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    waits: list[float] = []

    class Stop(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            assert timeout is not None
            waits.append(timeout)
            if len(waits) == 12:
                self.set()
            return self.is_set()

    monkeypatch.setattr(supervise.random, "uniform", lambda low, high: 1.0)
    stop = Stop()

    def work() -> None:
        raise SourceLost("gone")

    supervise.keep_running(
        "x", work, stop, supervise.Failure(stop), ListLog(), lambda what: None, lambda: 0.0
    )
    assert waits[:4] == [0.5, 1.0, 2.0, 4.0]
    assert set(waits[4:]) == {supervise.LONGEST_WAIT_S}


def test_an_inbox_waits_when_full_and_refuses_when_closed() -> None:
    box = Broker("box", 0)
    delivery = Delivery(RawMessage("box", "", "", 0, False, b"x" * 100), box, 0)
    inbox = Inbox(most_bytes=50)
    inbox.put(delivery)
    done = threading.Event()

    def put() -> None:
        inbox.put(delivery)
        done.set()

    threading.Thread(target=put, daemon=True).start()
    assert not done.wait(0.1)
    assert inbox.take(0) == [delivery]
    assert done.wait(60)
    inbox.close()
    assert inbox.take(0) == [delivery]
    with pytest.raises(SourceLost, match="ending"):
        inbox.put(delivery)


def test_sigterm_leaves_nothing_unflushed(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    ingest = start_ingest(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\n')

    def state() -> str:
        sources = (read_health(ingest.data) or {}).get("sources", {})
        return str(sources.get("mqtt", {}).get("state"))

    wait_until(lambda: state() == "connected")
    publisher = subprocess.Popen(
        [sys.executable, "-c", ENDLESS_PUBLISHER, str(broker.port)], stdout=subprocess.PIPE
    )
    assert publisher.stdout is not None
    publisher.stdout.readline()
    wait_until(lambda: (read_health(ingest.data) or {}).get("messages", 0) > 200, what="under way")
    assert ingest.stop() == 0
    publisher.kill()
    publisher.wait()
    entries = [e for e in read_from(ingest.data) if isinstance(e, Entry)]
    assert len(entries) > 100
    assert stored_mark(ingest.data) == entries[-1].end
    assert count(ingest.data) == len({json.loads(e.message.payload)[0]["v"] for e in entries})
    health = read_health(ingest.data)
    assert health is not None
    assert (health["running"], health["waiting_bytes"], health["trouble"]) == (False, 0, {})
    assert health["messages"] == len(entries)
    assert health["presence"] == {
        "pot-1": {"said": "online", "at": health["presence"]["pot-1"]["at"]}
    }
    # Of what was acknowledged nothing is missing: the numbers have no hole but at the end.
    numbers = sorted(json.loads(e.message.payload)[0]["v"] for e in entries)
    assert numbers == list(range(len(numbers)))
    logged = [json.loads(line) for line in ingest.log.read_text().splitlines()]
    assert [line["event"] for line in logged] == ["started", "stopped"]


ENDLESS_PUBLISHER = (
    PUBLISHING
    + """
client = connected(sys.argv[1])
client.publish("g/yard/pot-1/presence", "online", qos=1, retain=True).wait_for_publish(120)
for number in itertools.count():
    pack = [{"n": "pot-1/seq", "v": number}]
    client.publish("g/yard/pot-1/readings", json.dumps(pack), qos=1).wait_for_publish(120)
    if number == 0:
        print("began", flush=True)
"""
)


def test_a_broker_that_is_away_is_a_sentence_and_is_waited_for(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    broker.stop()
    ingest = start_ingest(f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\n')

    def facts() -> dict[str, Any]:
        return read_health(ingest.data) or {}

    wait_until(lambda: "mqtt" in facts().get("trouble", {}))
    assert "cannot be reached" in facts()["trouble"]["mqtt"]
    broker.start()
    wait_until(lambda: facts()["sources"]["mqtt"]["state"] == "connected")
    assert facts()["trouble"] == {}
    broker.stop()
    wait_until(lambda: "mqtt" in facts()["trouble"])
    assert ingest.stop() == 0


def waits(log: ListLog) -> list[Any]:
    return [facts for _, event, facts in log.lines if event == "waiting for the store"]


def test_a_store_that_is_held_at_the_start_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As by the writer of an ingest that was killed, which ends its batch first."""
    monkeypatch.setattr(service, "stored_mark", lambda data: stored_mark(data, 0.2))
    with write_window(tmp_path):
        pass
    holder = duckdb.connect(str(store_path(tmp_path)), read_only=True)
    box, log = Broker("box", 3), ListLog()

    def once_it_is_waited_for() -> None:
        give_up_at = time.monotonic() + 60
        while not waits(log) and time.monotonic() < give_up_at:
            time.sleep(0.05)
        holder.close()

    let_go = threading.Thread(target=once_it_is_waited_for)
    let_go.start()
    run_for(Service(tmp_path, None, [box], log), lambda: not box.unacknowledged)
    let_go.join()
    waited = waits(log)
    assert waited and all("was held" in str(facts["what"]) for facts in waited)
    # Told to end while it waits, it ends, with the sentence.
    with (
        duckdb.connect(str(store_path(tmp_path)), read_only=True),
        pytest.raises(StoreBusy, match="was held"),
    ):
        Service(tmp_path, None, [box], log, give_up=lambda: True)
