"""`gritbook check`: each thing that can be wrong is found, and said with what to do."""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pytest
from brokers import Broker
from ports import free_port

from ingest import checks, checks_store
from ingest.config import Yard, parse_yard, settings_fingerprint
from ingest.findings import Finding
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.insert import insert_readings
from ingest.yard_sources import SerialLine

NOW = dt.datetime.now(dt.UTC).replace(microsecond=0)

TEXT = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
[mqtt]
host = "127.0.0.1"
port = {port}
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["pot", "deadman"]
"""


def yard(port: int = 1883, more: str = "", mqtt: str = "") -> Yard:
    return parse_yard(TEXT.format(port=f"{port}\n{mqtt}") + more)


def of(findings: Iterator[Finding], subject: str) -> list[Finding]:
    return [finding for finding in findings if finding.subject == subject]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return tmp_path / "data"


def put(
    data: Path, at: dt.datetime, channel: str = "pot", unit: str = "Pa", late_s: float = 0
) -> None:
    """A reading heard live."""
    naive = at.replace(tzinfo=None)
    arrived = naive + dt.timedelta(seconds=late_s)
    frame = pl.DataFrame(
        [("pot-1", channel, unit, naive, arrived, 1.0, 5)],
        schema={
            "pot": pl.String, "channel": pl.String, "unit": pl.String,
            "sampled_at": pl.Datetime("us"), "arrived_at": pl.Datetime("us"),
            "value": pl.Float64, "message_id": pl.Int64,
        },
        orient="row",
    )  # fmt: skip
    with write_window(data) as con:
        insert_readings(con, frame)
        con.execute(
            "INSERT OR REPLACE INTO source_count VALUES ('mqtt', 'pot-1', 1, 1, 0, 0, ?)", [arrived]
        )


# --- yard file, folder, clock, ingest ----------------------------------------------------------


def test_a_bad_yard_file_is_all_that_is_said_of_it(tmp_path: Path, data: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_text("[site]\n")
    found = list(checks.check_all(path, data, NOW))
    assert (found[0].subject, found[0].status) == ("yard file", "fail")
    assert "line 1: site.name: this key is missing" in found[0].what
    assert {finding.subject for finding in found} == {"yard file", "data folder", "disk"}


def test_what_a_good_yard_file_may_hide() -> None:
    more = """
[[pot]]
name = "pot-2"
volume_m3 = 0.1
plate_pa = 1_030_000
[[transducer]]
pot = "pot-1"
channel = "pot"
range_pa = [0, 600_000]
[[rule]]
part = "nozzle"
every_days = 30
reason = "little used"
by = "Supervisor"
"""
    said = [finding.what for finding in checks.check_yard(yard(more=more))]
    assert len(said) == 3
    assert "No box is on pot-2" in said[0]
    assert "ends at 600000 Pa, below the plate's 862000" in said[1]
    assert "nozzle is looser than the default (every_days 30 instead of 7)" in said[2]
    assert "Supervisor decided so: little used" in said[2]
    assert list(checks.check_yard(yard())) == []


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(data: Path) -> None:
    data.mkdir(mode=0o500)
    (finding,) = checks.check_folder(data)
    assert finding.status == "fail" and "cannot be written" in finding.what


def test_a_folder_and_a_disk(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, _ = checks.check_folder(data)
    assert folder.status == "ok" and "can be made" in folder.what
    assert not data.exists()
    for free, status in ((10 << 30, "ok"), (1 << 30, "warn"), (1 << 20, "fail")):
        usage = shutil._ntuple_diskusage(1 << 40, 0, free)  # type: ignore[attr-defined]
        monkeypatch.setattr(shutil, "disk_usage", lambda path, usage=usage: usage)
        _, disk = checks.check_folder(data)
        assert disk.status == status


def test_a_clock_that_is_wrong(data: Path) -> None:
    (unset,) = checks.check_clock(yard(), data, dt.datetime(1970, 1, 2, tzinfo=dt.UTC))
    assert unset.status == "fail" and "1970-01-02" in unset.what
    with write_window(data):
        pass
    now = dt.datetime.now(dt.UTC)  # not when this file was read, which may be minutes ago
    (back,) = checks.check_clock(yard(), data, now - dt.timedelta(days=2))
    assert back.status == "fail" and "went back" in back.what
    (good,) = checks.check_clock(yard(), data, now + dt.timedelta(seconds=5))
    assert good.status == "ok" and "Europe/Berlin" in good.what


@pytest.mark.parametrize(
    ("health", "status", "said"),
    [
        (None, "warn", "not run yet"),
        ({"running": True}, "ok", "It runs; 12 messages"),
        ({"running": False}, "warn", "was stopped"),
        ({"running": True, "age_s": 60}, "fail", "no sign of life"),
        ({"running": True, "trouble": {"mqtt": "gone"}}, "warn", "trouble at mqtt: gone"),
        ("not json", "warn", "cannot be read"),
    ],
)
def test_how_ingest_is(data: Path, health: object, status: str, said: str) -> None:
    data.mkdir()
    if isinstance(health, dict):
        written_at = NOW - dt.timedelta(seconds=float(health.get("age_s", 1)))
        facts = {"written_at": written_at.isoformat(), "messages": 12, **health}
        (data / "ingest-health.json").write_text(json.dumps(facts))
    elif health:
        (data / "ingest-health.json").write_text(str(health))
    finding = checks.check_ingest(data, NOW)
    assert finding.status == status and said in finding.what


# --- broker ------------------------------------------------------------------------------------

needs_broker = pytest.mark.skipif(
    shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin") is None,
    reason="the broker is not installed",
)


StartBroker = Callable[[str], int]


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[StartBroker]:
    """Start a broker with these lines of configuration; gives its port."""
    running: list[Broker] = []

    def start(lines: str) -> int:
        one = Broker(tmp_path, lines)
        running.append(one)
        one.start()
        return one.port

    yield start
    for one in running:
        one.stop()


@needs_broker
def test_a_broker_out_of_the_box_is_caught_dropping(broker: StartBroker) -> None:
    found = list(checks.check_broker(yard(broker("allow_anonymous true")), burst=True))
    assert [finding.status for finding in found] == ["ok", "fail"]
    assert "dropped 500" in found[1].what
    assert "max_queued_messages 0" in found[1].next_step


@needs_broker
def test_a_broker_with_room_is_good_and_keeps_nothing_of_the_test(broker: StartBroker) -> None:
    port = broker("allow_anonymous true\nmax_queued_messages 0\nsys_interval 1")
    for _ in range(2):
        found = list(checks.check_broker(yard(port), burst=True))
        assert [finding.status for finding in found] == ["ok", "ok"]
    assert _sys(port, "$SYS/broker/clients/disconnected") == 0


def _sys(port: int, topic: str) -> int:
    program = (
        "import paho.mqtt.subscribe as s, sys, time; time.sleep(2); "
        f"print(s.simple({topic!r}, port={port}).payload.decode())"
    )
    run = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120
    )
    return int(run.stdout)


@needs_broker
def test_a_broker_that_wants_a_password(
    broker: StartBroker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(
        ["mosquitto_passwd", "-b", "-c", str(passwords), "yard", "right"],
        check=True, capture_output=True,
    )  # fmt: skip
    # Started as root the broker drops to a user of its own, which must be able to read the file.
    passwords.chmod(0o644)
    root = Path(tempfile.gettempdir())
    for folder in (tmp_path, *tmp_path.parents):
        if folder.is_relative_to(root) and folder != root:
            folder.chmod(0o755)
    port = broker(f"allow_anonymous false\npassword_file {passwords}")
    with_user = yard(port, mqtt='username = "yard"\npassword_env = "YARD_PASSWORD"')
    for password, status in (("right", "ok"), ("wrong", "fail")):
        monkeypatch.setenv("YARD_PASSWORD", password)
        (finding,) = checks.check_broker(with_user, burst=False)
        assert finding.status == status, finding
    assert "does not let the user yard in" in finding.what
    (nobody,) = checks.check_broker(yard(port), burst=True)
    assert nobody.status == "fail" and "nobody by name" in nobody.what
    monkeypatch.delenv("YARD_PASSWORD")
    (unset,) = checks.check_broker(with_user, burst=False)
    assert unset.status == "fail" and "YARD_PASSWORD, which is not set" in unset.what


def test_no_broker_and_something_else_than_a_broker() -> None:
    (refused,) = checks.check_broker(yard(free_port()), burst=True)
    assert refused.status == "fail" and "refused the connection" in refused.what
    with socket.create_server(("127.0.0.1", 0)) as silent:
        (finding,) = checks.check_broker(yard(silent.getsockname()[1]), burst=True)
    assert finding.status == "fail" and "said nothing in MQTT" in finding.what


# --- serial ------------------------------------------------------------------------------------


def test_serial_ports(tmp_path: Path) -> None:
    missing = checks.check_serial(SerialLine(port=str(tmp_path / "ttyUSB9")), ingest_runs=False)
    assert missing.status == "fail" and "There is no such port" in missing.what
    assert "Ports that are there" in missing.next_step
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        assert checks.check_serial(SerialLine(port=url), ingest_runs=False).status == "ok"
    gone = checks.check_serial(SerialLine(port=url), ingest_runs=False)
    assert gone.status == "fail" and "cannot be reached" in gone.what
    wrong = checks.check_serial(SerialLine(port="nonsense://x"), ingest_runs=False)
    assert wrong.status == "fail" and "It is no port" in wrong.what


@pytest.mark.skipif(sys.platform != "linux", reason="who holds a port is told by /proc")
def test_a_port_that_another_program_has() -> None:
    import pty

    holder, line = pty.openpty()
    port = os.ttyname(line)
    os.close(line)
    program = f"f = open({port!r}, 'rb+', 0); print('held', flush=True); input()"
    other = subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    try:
        assert other.stdout is not None and other.stdout.readline() == b"held\n"
        busy = checks.check_serial(SerialLine(port=port), ingest_runs=False)
        assert busy.status == "warn" and f"process {other.pid}" in busy.what
        assert checks.check_serial(SerialLine(port=port), ingest_runs=True).status == "ok"
    finally:
        other.communicate(b"\n", timeout=60)
    assert checks.check_serial(SerialLine(port=port), ingest_runs=False).status == "ok"
    os.close(holder)


# --- store -------------------------------------------------------------------------------------


def test_no_store_and_a_broken_store(data: Path) -> None:
    (none,) = checks_store.check_store(yard(), data, NOW)
    assert none.status == "ok" and not data.exists()
    data.mkdir()
    store_path(data).write_bytes(b"this is no store" * 1000)
    (broken,) = checks_store.check_store(yard(), data, NOW)
    assert broken.status == "fail" and broken.next_step


def test_boxes_that_were_heard_or_not(data: Path) -> None:
    with write_window(data):
        pass
    (never,) = of(checks_store.check_store(yard(), data, NOW), "box box-1")
    assert never.status == "warn" and "Nothing was ever heard" in never.what
    put(data, NOW - dt.timedelta(hours=2))
    (long_ago,) = of(checks_store.check_store(yard(), data, NOW), "box box-1")
    assert long_ago.status == "warn" and "was last heard" in long_ago.what
    put(data, NOW - dt.timedelta(seconds=30))
    (now,) = of(checks_store.check_store(yard(), data, NOW), "box box-1")
    assert now.status == "ok" and "30 s ago" in now.what


def test_a_box_whose_clock_is_off(data: Path) -> None:
    put(data, NOW - dt.timedelta(seconds=100), late_s=90)
    (slow,) = of(checks_store.check_store(yard(), data, NOW), "box box-1")
    assert slow.status == "warn" and "arrive 90 s after" in slow.what
    put(data, NOW + dt.timedelta(hours=3))
    (ahead,) = of(checks_store.check_store(yard(), data, NOW), "clock")
    assert ahead.status == "warn" and "still to come" in ahead.what


def test_channels_unknown_and_missing(data: Path) -> None:
    put(data, NOW, "widget", "V")
    said = [finding.what for finding in of(checks_store.check_store(yard(), data, NOW), "channels")]
    assert len(said) == 2
    assert '"widget", which Gritbook does not know' in said[0]
    assert "never sent pot, deadman" in said[1]
    other = parse_yard(TEXT.format(port=1883).replace("pot-1", "pot-7"))
    (stranger,) = of(checks_store.check_store(other, data, NOW), "yard file")
    assert "readings of pot-1" in stranger.what


def test_leftovers(data: Path) -> None:
    put(data, NOW)
    fingerprint = settings_fingerprint(yard(), "pot-1")
    with write_window(data) as con:
        con.execute("DELETE FROM touched")
        con.execute(
            "INSERT INTO derive_state (pot_id, settings, derived_at) "
            "VALUES (1, ?, now()::TIMESTAMP)",
            [f"1:true:{fingerprint}"],
        )
    findings = list(checks_store.check_store(yard(), data, NOW))
    assert [f.status for f in findings if f.subject in ("quarantine", "figures")] == ["ok", "ok"]
    changed = yard(more="[derive]\nquiet_s = 99\n")
    (figures,) = of(checks_store.check_store(changed, data, NOW), "figures")
    assert figures.status == "warn" and "the yard file changed" in figures.what
    put(data, NOW + dt.timedelta(seconds=1))
    with write_window(data) as con:
        con.execute(
            "INSERT INTO quarantine VALUES (1, 'mqtt', 't', '', now()::TIMESTAMP, 'not JSON', "
            "'byte 3', 'x'::BLOB, 9, NULL)"
        )
        con.execute(
            "INSERT INTO import_file VALUES (1, 'card.csv', 'begun:0', 'pot-1', now()::TIMESTAMP, "
            "0, 0, 0)"
        )
    findings = list(checks_store.check_store(yard(), data, NOW))
    said = {f.subject: f.what for f in findings if f.status == "warn"}
    assert "1 messages could not be read" in said["quarantine"] and "not JSON" in said["quarantine"]
    assert "card.csv was not brought in to its end" in said["import"]
    assert "readings came in" in said["figures"]


def test_checking_changes_nothing(tmp_path: Path, data: Path) -> None:
    put(data, NOW)
    path = tmp_path / "yard.toml"
    path.write_text(TEXT.format(port=free_port()))

    def rows() -> list[tuple[str, int]]:
        with read_window(data) as con:
            return [
                (name, con.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0])
                for (name,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
            ]

    before, files = rows(), sorted(data.rglob("*"))
    list(checks.check_all(path, data))
    assert (rows(), sorted(data.rglob("*"))) == (before, files)


def test_workers_are_looked_after_one_by_one(tmp_path: Path) -> None:
    from ingest.health import HEALTH_NAME
    from ingest.store.connection import write_window
    from ingest.store.shards import worker_folder

    yard = tmp_path / "yard.toml"
    yard.write_text(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\n'
        "plate_pa = 862000\n"
    )
    data = tmp_path / "data"
    for name, ago_s in (("east", 1), ("west", 600)):
        folder = worker_folder(data, name)
        with write_window(folder):
            pass
        written_at = (NOW - dt.timedelta(seconds=ago_s)).isoformat()
        (folder / HEALTH_NAME).write_text(
            json.dumps({"written_at": written_at, "running": True, "messages": 5})
        )
    found = {
        f.subject: (f.status, f.next_step)
        for f in checks.check_all(yard, data, NOW, burst=False)
        if f.subject == "ingest" or f.subject.startswith("worker")
    }
    assert found == {
        "worker east": ("ok", ""),
        "worker west": ("fail", "Start it with `gritbook ingest --worker west`."),
    }
