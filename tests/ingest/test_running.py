"""What looks after a running ingest: metrics, sizes, and how long the journal is kept."""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
import socket
import subprocess
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ingest.config import Keep
from ingest.errors import YardFileError
from ingest.health import Health, read_health
from ingest.housekeeping import EVERY_S, Housekeeper, warnings_of
from ingest.metrics import serving
from ingest.readings import RawMessage
from ingest.store import retention
from ingest.store.journal import Journal
from ingest.store.journal_frames import Entry, Position, read_from, segment_numbers

#: A frame of these tests. [bytes]
FRAME = 32 + len("mqtt" + "t") + 1000
NOW = dt.datetime.now(dt.UTC)


class SilentLog:
    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, object]]] = []

    def info(self, event: str, **facts: object) -> None:
        self.events.append((event, facts))

    warning = exception = info


@pytest.fixture
def ten_segments(tmp_path: Path) -> Path:
    """A journal of ten segments, each a day older than the next."""
    for number in range(10):
        with Journal(tmp_path) as journal:
            journal.append(RawMessage("mqtt", "t", "", number, False, b"x" * 1000))
    folder = tmp_path / "journal"
    for number in segment_numbers(folder):
        at = (NOW - dt.timedelta(days=10 - number, minutes=1)).timestamp()
        os.utime(folder / f"{number:08d}.journal", (at, at))
    return tmp_path


def numbers(data: Path) -> list[int]:
    return segment_numbers(data / "journal")


def test_by_default_the_journal_is_kept_for_ever(ten_segments: Path) -> None:
    dropped = retention.drop_old(ten_segments, Position(99, 0), NOW)
    assert dropped == (0, 0)
    assert numbers(ten_segments) == list(range(1, 11))


@pytest.mark.parametrize(
    ("bounds", "mark", "left"),
    [
        ({"days": 4.0}, 11, range(7, 11)),
        ({"days": 0.001}, 11, range(10, 11)),  # what was taken last always stays
        ({"days": 0.001}, 5, range(4, 11)),  # nothing that waits is touched
        ({"days": 0.001}, 1, range(1, 11)),
        ({"most_bytes": 5_400.0}, 11, range(6, 11)),
        ({"most_bytes": 0.0}, 3, range(2, 11)),
        ({"days": 8.0, "most_bytes": 3_200.0}, 11, range(8, 11)),
    ],
)
def test_old_or_too_much_goes_and_what_waits_stays(
    ten_segments: Path, bounds: dict[str, float], mark: int, left: range
) -> None:
    before = [e.message for e in read_from(ten_segments) if isinstance(e, Entry)]
    dropped = retention.drop_old(
        ten_segments, Position(mark, 0), NOW, always_kept_bytes=900, **bounds
    )
    assert numbers(ten_segments) == list(left)
    assert dropped.segments == 10 - len(left)
    kept = [e.message for e in read_from(ten_segments) if isinstance(e, Entry)]
    assert kept == before[10 - len(left) :]


def test_what_repetitions_are_known_by_is_always_kept(ten_segments: Path) -> None:
    assert retention.drop_old(ten_segments, Position(11, 0), NOW, days=1.0).segments == 0


def test_the_housekeeper_looks_once_a_minute_and_says_what_is_too_large(
    ten_segments: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = [0.0]
    log = SilentLog()
    monkeypatch.setattr(retention, "ALWAYS_KEPT_BYTES", 900)
    monkeypatch.setattr(retention.drop_old, "__defaults__", (None, None, 900))
    keep = Keep(journal_days=4.0, warn_journal_gb=1e-6)
    keeper = Housekeeper(ten_segments, keep, log, lambda: clock[0])
    health = Health([])
    keeper.turn(Position(11, 0), health)
    assert log.events == [("journal dropped", {"segments": 6, "bytes": 6 * FRAME})]
    assert health.facts()["journal_bytes"] == 4 * FRAME
    assert "The journal is 0.0 GB, above keep.warn_journal_gb" in health.facts()["trouble"]["disk"]
    # What is mended is taken back, with the next look.
    for path in (ten_segments / "journal").glob("*.journal"):
        path.unlink()
    keeper.turn(Position(11, 0), health)
    assert "disk" in health.facts()["trouble"]
    clock[0] += EVERY_S
    keeper.turn(Position(11, 0), health)
    assert "disk" not in health.facts()["trouble"]


def test_each_size_has_its_sentence() -> None:
    sizes = {"journal_bytes": 30 << 30, "store_bytes": 80 << 30, "free_bytes": 1 << 30}
    said = warnings_of(sizes, Keep())
    assert [s.split()[1] for s in said] == ["journal", "store", "1.1"]
    assert warnings_of({"journal_bytes": 1, "store_bytes": 1, "free_bytes": 3 << 30}, Keep()) == []


# --- the unit for systemd ------------------------------------------------------------------------

UNIT = Path(__file__).resolve().parents[2] / "ingest" / "running" / "gritbook-ingest.service"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="systemd is not installed")
def test_systemd_takes_the_unit_and_finds_it_well_guarded(tmp_path: Path) -> None:
    text = UNIT.read_text()
    for there, here in (
        ("/opt/gritbook/bin/gritbook ingest --log json", "/bin/true"),
        ("User=gritbook\nGroup=gritbook", "User=root\nGroup=root"),
    ):
        assert there in text
        text = text.replace(there, here)
    unit = tmp_path / "gritbook-ingest.service"
    unit.write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    ours = [line for line in done.stderr.splitlines() if "gritbook-ingest" in line]
    assert ours == [], done.stderr
    rated = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(unit)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    overall = re.search(r"Overall exposure level for \S+: ([\d.]+)", rated.stdout)
    assert overall is not None, rated.stdout + rated.stderr
    # From 0, shut off, to 10, free to do anything.
    assert float(overall[1]) < 3.0


# --- metrics ------------------------------------------------------------------------------------


def fetch(port: int) -> dict[str, float]:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
        text = answer.read().decode()
    return {
        line.rpartition(" ")[0]: float(line.rpartition(" ")[2])
        for line in text.splitlines()
        if line and not line.startswith("#")
    }


def test_metrics_say_what_the_health_file_says(
    broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None],
    free: Callable[[], int],
) -> None:  # fmt: skip
    port = free()
    ingest = start_ingest(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\n[metrics]\nport = {port}\n'
    )

    def source() -> dict[str, Any]:
        found = (read_health(ingest.data) or {}).get("sources", {}).get("mqtt", {})
        return dict(found)

    wait_until(lambda: source().get("state") == "connected", what="connected")
    import paho.mqtt.publish as publish

    messages: list[Any] = [
        ("g/yard/pot-1/readings", f'[{{"n":"pot-1/pot","u":"Pa","v":{n}}}]', 1, False)
        for n in range(25)
    ]
    publish.multiple(messages, port=broker.port)
    publish.single("g/yard/pot-1/readings", "garbage", qos=0, port=broker.port)
    wait_until(lambda: (read_health(ingest.data) or {}).get("quarantined") == 1, what="stored")
    found = fetch(port)
    assert found["gritbook_messages_total"] == 26
    assert found["gritbook_readings_total"] == 25
    assert found["gritbook_quarantined_total"] == 1
    assert found['gritbook_source_up{source="mqtt"}'] == 1
    assert found['gritbook_pot_messages_total{pot="pot-1"}'] == 26
    assert found["gritbook_free_bytes"] > 0
    # QoS 0 is seen, for such a box may lose messages that nobody misses.
    assert (read_health(ingest.data) or {})["pots"]["pot-1"]["unassured"] == 1
    assert ingest.stop() == 0


def test_metrics_listen_on_this_computer_only_and_off_by_default(
    free: Callable[[], int],
) -> None:
    from ingest.config import Metrics, parse_yard

    assert Metrics().host == "127.0.0.1"
    text = '[site]\nname = "y"\ntime_zone = "UTC"\n'
    pot = '[[pot]]\nname = "p"\nvolume_m3 = 0.2\nplate_pa = 862000\n'
    assert parse_yard(text + pot).metrics is None
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        refused = pytest.raises(YardFileError, match=r"cannot be opened.*metrics\.port")
        with refused, serving("127.0.0.1", port, lambda: Health([]).facts()):
            raise AssertionError("it must not come this far")
    port = free()
    with serving("127.0.0.1", port, lambda: Health([]).facts()):
        assert fetch(port)["gritbook_messages_total"] == 0
    with pytest.raises(OSError):
        fetch(port)
