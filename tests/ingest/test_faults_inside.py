"""Power cuts, full disks and failing disks: what was acknowledged stays, and stands once."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from brokers import PUBLISHING

from ingest.errors import DiskFull, JournalError
from ingest.health import read_health
from ingest.readings import RawMessage
from ingest.store import connection, journal
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal import Journal
from ingest.store.journal_frames import Entry, read_from
from ingest.store.write import StoreWriter, stored_mark
from ingest.wire import reasons

pytestmark = pytest.mark.usefixtures("stores_made_anew")

NOW_US = 1_760_000_000_000_000


def message(number: int, filler: int = 0) -> RawMessage:
    pack = [
        {"bn": "pot-1/", "bt": NOW_US / 1e6 + number, "n": "seq", "v": number},
        {"n": "note", "vs": "x" * filler},
    ]
    body = json.dumps(pack[: 1 + bool(filler)]).encode()
    return RawMessage("mqtt", "g/yard/pot-1/readings", "", NOW_US, False, body, number % 65_535 + 1)


def in_journal(data: Path) -> list[int]:
    return [json.loads(e.message.payload)[0]["v"] for e in read_from(data) if isinstance(e, Entry)]


def take_all(data: Path) -> None:
    writer = StoreWriter(data, ["pot-1"])
    while writer.take() is not None:
        pass


def stored(data: Path) -> list[int]:
    with read_window(data) as con:
        return [row[0] for row in con.execute("SELECT seq FROM sample ORDER BY seq").fetchall()]


# --- the file layer ----------------------------------------------------------------------------


class FaultyDisk:
    """The calls that the journal makes to the disk; the call of a given number fails.

    ``power_cut`` means that from there on nothing more reaches the disk: the process ends.
    """

    class PowerCut(BaseException):
        pass

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self._real_write, self._real_sync = os.write, os.fdatasync
        self.calls = 0
        self.fail_at = -1
        self.fault = ""
        patch.setattr(journal.os, "write", self._write)
        patch.setattr(journal.os, "fdatasync", self._sync)

    def _write(self, descriptor: int, block: Any) -> int:
        fault = self._next()
        whole = bytes(block)
        if fault == "short write":
            return self._real_write(descriptor, whole[: max(1, len(whole) // 3)])
        if fault in ("ENOSPC", "EIO", "EDQUOT"):
            # Half of it is written before the fault shows.
            self._real_write(descriptor, whole[: len(whole) // 2])
            raise OSError(getattr(errno, fault), os.strerror(getattr(errno, fault)))
        if fault == "power cut":
            self._real_write(descriptor, whole[: len(whole) // 2])
            raise self.PowerCut
        return self._real_write(descriptor, whole)

    def _sync(self, descriptor: int) -> None:
        fault = self._next()
        if fault in ("ENOSPC", "EIO", "EDQUOT"):
            raise OSError(getattr(errno, fault), os.strerror(getattr(errno, fault)))
        if fault == "power cut":
            raise self.PowerCut
        self._real_sync(descriptor)

    def _next(self) -> str:
        self.calls += 1
        return self.fault if self.calls == self.fail_at else ""


@pytest.mark.skipif(not hasattr(os, "fdatasync"), reason="the journal calls fsync here")
@pytest.mark.parametrize("fault", ["short write", "ENOSPC", "EDQUOT", "EIO", "power cut"])
def test_whichever_call_to_the_disk_fails_what_was_acknowledged_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    """Each call of a run fails once; the source sends again what was not acknowledged."""
    with monkeypatch.context() as patched:
        disk = FaultyDisk(patched)
        _run(tmp_path / "dry", disk)
        calls = disk.calls
    assert calls >= 20
    for fail_at in range(1, calls + 1):
        data = tmp_path / f"{fail_at}"
        with monkeypatch.context() as patched:
            disk = FaultyDisk(patched)
            disk.fail_at, disk.fault = fail_at, fault
            acknowledged = _run(data, disk)
        assert acknowledged == list(range(30))
        assert sorted(set(in_journal(data))) == acknowledged, fail_at
        if fail_at % 6:
            continue  # the store costs more than all the rest
        take_all(data)
        assert stored(data) == acknowledged, fail_at
        with read_window(data) as con:
            refused = con.execute("SELECT reason FROM quarantine").fetchall()
        # What was written by halves is cut off or passed over, and never read as something else.
        assert {row[0] for row in refused} <= {reasons.JOURNAL_DAMAGED}


def _run(data: Path, disk: FaultyDisk) -> list[int]:
    """Thirty messages in groups of three; gives those that were acknowledged."""
    acknowledged: list[int] = []
    opened = Journal(data, segment_bytes=900)
    for group in range(10):
        numbers = range(group * 3, group * 3 + 3)
        for number in numbers:
            opened.append(message(number))
        while True:
            try:
                opened.sync()
                break
            except DiskFull:
                continue  # ingest waits, and tries the same messages again
            except (JournalError, FaultyDisk.PowerCut):
                # Ingest ends. What waits in memory is gone; the broker sends it again.
                opened.release()
                opened = Journal(data, segment_bytes=900)
                for number in numbers:
                    opened.append(message(number))
        acknowledged += numbers
        # Acknowledged means that it can be read back now, whatever happens next.
        assert set(acknowledged) <= set(in_journal(data))
    opened.close()
    return acknowledged


def test_bit_rot_is_skipped_counted_and_told(tmp_path: Path) -> None:
    with Journal(tmp_path) as opened:
        for number in range(50):
            opened.append(message(number))
    (segment,) = (tmp_path / "journal").glob("*.journal")
    entries = list(read_from(tmp_path))
    spoilt = bytearray(segment.read_bytes())
    for number in (7, 8, 31):
        spoilt[entries[number].begin.offset + 40] ^= 0x10
    segment.write_bytes(spoilt)
    # Behind the last good frame a reader waits; the next message shows that it is damage.
    with Journal(tmp_path) as opened:
        opened.append(message(50))
    take_all(tmp_path)
    assert stored(tmp_path) == [n for n in range(51) if n not in (7, 8, 31)]
    with read_window(tmp_path) as con:
        damage = con.execute(
            "SELECT detail FROM quarantine WHERE reason = ?", [reasons.JOURNAL_DAMAGED]
        ).fetchall()
    # Two neighbours are one damaged stretch.
    assert len(damage) == 2


# --- the store's own log -----------------------------------------------------------------------


@pytest.fixture
def with_wal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, int, int]:
    """A store whose last batch is in DuckDB's log only, as a power cut before the checkpoint leaves
    it; with how many messages there were before that batch, and after."""
    data = tmp_path / "data"
    with Journal(data) as opened:
        for number in range(40):
            opened.append(message(number))
    take_all(data)
    with Journal(data) as opened:
        for number in range(40, 80):
            opened.append(message(number))
    real = connection.open_store
    aside = tmp_path / "aside"
    aside.mkdir()

    @contextlib.contextmanager
    def kept(path: Path, read_only: bool, wait_s: float) -> Iterator[Any]:
        """A window whose files are copied just before closing would tidy them up."""
        with real(path, read_only=read_only, wait_s=wait_s) as con:
            yield con
            for file in data.glob("*.duckdb*"):
                shutil.copy(file, aside / file.name)

    with monkeypatch.context() as patched:
        patched.setattr(connection, "open_store", kept)
        writer = StoreWriter(data, ["pot-1"])
        assert writer.take() is not None
    for file in data.glob("*.duckdb*"):
        file.unlink()
    for file in aside.iterdir():
        shutil.copy(file, data / file.name)
    assert (data / "gritbook.duckdb.wal").stat().st_size > 500
    return data, 40, 80


def test_a_power_cut_at_any_byte_of_the_stores_log_loses_and_doubles_nothing(
    with_wal: tuple[Path, int, int], tmp_path: Path
) -> None:
    data, before, after = with_wal
    wal = data / "gritbook.duckdb.wal"
    whole = wal.read_bytes()
    rng = random.Random(1)
    sizes = {0, 1, len(whole) - 1, len(whole), *(rng.randrange(len(whole)) for _ in range(9))}
    reached = set()
    for size in sorted(sizes):
        trial = tmp_path / f"cut-{size}"
        shutil.copytree(data, trial)
        (trial / wal.name).write_bytes(whole[:size])
        # The mark and the tables agree, wherever the cut was: all of the batch, or none of it.
        mark = stored_mark(trial)
        count = len(stored(trial))
        assert count in (before, after)
        reached.add(count)
        assert mark == [e.end for e in read_from(trial)][count - 1], size
        take_all(trial)
        assert stored(trial) == list(range(after)), size
    assert reached == {before, after}


def test_a_bad_byte_in_the_stores_log_is_never_read_as_something_else(
    with_wal: tuple[Path, int, int], tmp_path: Path
) -> None:
    from ingest.errors import StoreError
    from ingest.store import repair

    data, _, after = with_wal
    wal = data / "gritbook.duckdb.wal"
    whole = wal.read_bytes()
    rng = random.Random(2)
    refused = 0
    for at in sorted({8, *(rng.randrange(len(whole)) for _ in range(4))}):
        trial = tmp_path / f"rot-{at}"
        shutil.copytree(data, trial)
        (trial / wal.name).write_bytes(whole[:at] + bytes([whole[at] ^ 0x20]) + whole[at + 1 :])
        try:
            take_all(trial)
        except StoreError as error:
            assert "gritbook repair" in str(error) or "disk" in str(error)
            refused += 1
            repair.rebuild(trial, ["pot-1"])
        assert stored(trial) == list(range(after)), at
    assert refused


# --- a disk that is really full ----------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of eight megabytes; the test is skipped where none can be made."""
    place = tmp_path / "disk"
    place.mkdir()
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("only root can make a small disk")
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(place)],
        check=False, capture_output=True,
    )  # fmt: skip
    if made.returncode != 0:
        pytest.skip("no disk may be mounted here")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_stops_taking_says_so_and_goes_on_by_itself(
    small_disk: Path, broker: Any, start_ingest_in: Callable[[Path, str], Any],
    wait_until: Callable[..., None],
) -> None:  # fmt: skip
    data = small_disk / "data"
    ingest = start_ingest_in(
        data, f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "g"\nclient_id = "full"\n'
    )

    def facts() -> dict[str, Any]:
        try:
            return read_health(data) or {}
        except ValueError:
            return {}  # the health file itself found no room

    wait_until(lambda: facts().get("sources", {}).get("mqtt", {}).get("state") == "connected")
    ballast = small_disk / "ballast"
    with ballast.open("wb") as file:
        try:
            while True:
                file.write(b"\0" * 65_536)
                file.flush()
        except OSError as error:
            assert error.errno == errno.ENOSPC
    publisher = subprocess.Popen(
        [sys.executable, "-c", PUBLISHER, str(broker.port)], stdout=subprocess.PIPE
    )
    wait_until(lambda: b"disk full" in ingest.log.read_bytes(), 120, "said in the log")
    # The health file has found room, for it is written over in place.
    wait_until(lambda: "is full" in str(facts().get("trouble", {})), 60, "said in the health")
    kept = len(in_journal(data))
    time.sleep(2.0)
    assert ingest.process.poll() is None
    assert len(in_journal(data)) == kept < 2000
    ballast.unlink()
    wait_until(lambda: len(set(in_journal(data))) == 2000, 180, "goes on by itself")
    assert publisher.wait(120) == 0
    # What is left of the trouble is that so small a disk has little room even now.
    wait_until(lambda: set(facts().get("trouble", {"?": 1})) <= {"disk"}, what="well again")
    assert ingest.stop() == 0
    assert stored(data) == list(range(2000))


def test_a_store_that_could_not_be_made_for_want_of_room_is_made_later(small_disk: Path) -> None:
    ballast = small_disk / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
        while True:
            file.write(b"\0" * 4096)
    with pytest.raises(DiskFull), write_window(small_disk):
        pass
    assert sorted(path.name for path in small_disk.iterdir()) == ["ballast"]
    ballast.unlink()
    with write_window(small_disk) as con:
        assert con.execute("SELECT count(*) FROM sample").fetchall() == [(0,)]


PUBLISHER = (
    PUBLISHING
    + """
client = connected(sys.argv[1])
infos = []
for number in range(2000):
    pack = [{"bn": "pot-1/", "bt": 1760000000 + number, "n": "seq", "v": number},
            {"n": "note", "vs": "x" * 400}]
    infos.append(client.publish("g/yard/pot-1/readings", json.dumps(pack), qos=1))
finish(client, infos)
"""
)


def test_a_store_on_a_full_disk_keeps_what_it_had(small_disk: Path) -> None:
    data = small_disk / "data"
    with Journal(data) as opened:
        for number in range(400):
            opened.append(message(number, filler=2_000))
    ballast = small_disk / "ballast"
    room = shutil.disk_usage(small_disk).free
    ballast.write_bytes(b"\0" * max(0, room - 300_000))
    writer = StoreWriter(data, ["pot-1"], batch_messages=50)
    try:
        while writer.take() is not None:
            pass
        full = False
    except DiskFull:
        full = True
    assert full
    ballast.unlink()
    while writer.take() is not None:
        pass
    assert stored(data) == list(range(400))
    assert store_path(data).exists()
