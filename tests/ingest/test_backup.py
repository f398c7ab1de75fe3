"""Backups that are taken while ingest writes, and data folders made from them."""

from __future__ import annotations

import datetime as dt
import json
import shutil
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from ingest import records
from ingest.config import parse_yard
from ingest.errors import StoreBusy, StoreError
from ingest.readings import RawMessage
from ingest.store import (
    archive,
    archive_reading,
    archive_writing,
    backup,
    record_chain,
    records_log,
)
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

NOW = dt.datetime(2026, 3, 4, 12, tzinfo=dt.UTC)
POTS = ("pot-1", "pot-2")
BEGIN_S = dt.datetime(2026, 3, 2, 8, tzinfo=dt.UTC).timestamp()


def message(number: int) -> RawMessage:
    pot, at_s = POTS[number % 2], BEGIN_S + number / 2
    pack = [
        {"bn": f"{pot}/", "bt": at_s, "n": "seq", "u": "count", "v": number},
        {"n": "pot", "u": "Pa", "v": 600_000 + number},
        {"n": "widget", "u": "V", "v": number / 7},
    ]
    topic = f"g/yard/{pot}/readings"
    return RawMessage(
        "mqtt", topic, "", int(at_s * 1e6) + 20_000, False, json.dumps(pack).encode(), 0
    )


def take_all(data: Path) -> None:
    writer = StoreWriter(data, POTS, 40)
    while writer.take() is not None:
        pass


def heard(data: Path) -> list[int]:
    """Counters of all samples, hot or archived, doubles not hidden."""
    with read_window(data) as con:
        archive_reading.make_views(con)
        rows = con.execute("SELECT seq FROM sample_all ORDER BY seq").fetchall()
        ((tall,),) = con.execute("SELECT count(*) FROM reading_all").fetchall()
    assert tall == len(rows)
    return [number for (number,) in rows]


@pytest.fixture
def full(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "data"))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an archived day, a hot one, a journal of several segments, entries, a photo."""
    data = tmp_path_factory.mktemp("made") / "data"
    yard = parse_yard(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    )
    with Journal(data, segment_bytes=8_000) as journal:
        for number in (*range(100), *range(172_800, 172_850)):
            journal.append(message(number))
            if number % 10 == 9:
                journal.sync()
    take_all(data)
    with write_window(data) as con:
        con.execute("DELETE FROM touched")
    assert archive.archive(data, "yard", dt.date(2026, 3, 3)).files == 4
    crew = records.add(data, yard, "crew", {"crew": "A", "size": 2}, "Tender", "page", NOW)
    records.correct(data, yard, crew, {"crew": "A", "size": 4}, "Boss", "two more came", at=NOW)
    (data / "photos").mkdir()
    (data / "photos" / "a.jpg").write_bytes(b"picture")
    (data / "access.toml").write_text("secret = 1\n")
    (data / "access.toml").chmod(0o600)
    (data / "yard.toml").write_text("# the yard\n")
    return data


def files_of(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in folder.rglob("*")
        if p.is_file() and p.name not in ("lock", archive_writing.LOCK_NAME)
    }


def test_a_restored_folder_is_the_folder(full: Path, tmp_path: Path) -> None:
    to, back = tmp_path / "backups", tmp_path / "back"
    done = backup.back_up(full, to)
    told = backup.restore(to, back)
    assert files_of(back) == files_of(full)
    assert (back / "access.toml").stat().st_mode & 0o777 == 0o600
    assert done.files == told.files == len(files_of(full))
    assert any("chain is whole" in sentence for sentence in told.proven)
    assert heard(back) == heard(full) and len(heard(back)) == 150
    with read_window(back) as con:
        assert record_chain.faults(con, records_log.read(back).rows) == []
    assert backup.verify(to) == []


def test_what_did_not_change_is_not_copied_again(full: Path, tmp_path: Path) -> None:
    to = tmp_path / "backups"
    first = backup.back_up(full, to)
    again = backup.back_up(full, to)
    assert first.new_files > 10 and again.new_files == 0
    (full / "photos" / "b.jpg").write_bytes(b"another")
    third = backup.back_up(full, to)
    assert (third.new_files, third.new_size) == (1, len(b"another"))
    # The older ones can still be had, and forgetting them leaves the newest whole.
    old = tmp_path / "old"
    backup.restore(to, old, first.name)
    assert not (old / "photos" / "b.jpg").exists()
    assert backup.forget_old(to, 1) == 2
    assert backup.backups(to) == [third.name] and backup.verify(to) == []
    backup.restore(to, tmp_path / "new")


def test_a_backup_under_load_holds_all_that_was_acknowledged(full: Path, tmp_path: Path) -> None:
    """Ingest's own journal and writer run on while copies are taken; each is complete."""
    to, told = tmp_path / "backups", tmp_path / "acknowledged"
    told.write_text("200000")
    # A process of its own, as ingest is one: locks between processes are not those within one.
    work = subprocess.Popen([sys.executable, __file__, str(full), str(told)])

    def acknowledged() -> int:
        assert work.poll() is None, "the writer ended"
        return int(told.read_text())

    try:
        taken = []
        for _ in range(3):
            begin = acknowledged()
            while acknowledged() < begin + 30:
                time.sleep(0.02)
            before = acknowledged()
            taken.append((before, backup.back_up(full, to, wait_s=180).name))
    finally:
        work.kill()
        work.wait()
    for before, name in taken:
        back = tmp_path / name
        backup.restore(to, back, name)
        # What the journal holds beyond the store's mark is taken at the next start.
        take_all(back)
        numbers = heard(back)
        assert len(numbers) == len(set(numbers))
        wanted = {*range(100), *range(172_800, 172_850), *range(200_001, before + 1)}
        assert wanted <= set(numbers)
        # And it goes on: a message more is taken once.
        with Journal(back, after_segment=_segment(back)) as journal:
            journal.append(message(900_000))
            journal.append(message(200_001))
        take_all(back)
        assert heard(back) == sorted([*numbers, 900_000])


def _segment(data: Path) -> int:
    with read_window(data) as con:
        ((segment,),) = con.execute("SELECT segment FROM mark").fetchall()
    return int(segment)


def test_a_folder_that_holds_something_is_refused(full: Path, tmp_path: Path) -> None:
    to, back = tmp_path / "backups", tmp_path / "back"
    backup.back_up(full, to)
    back.mkdir()
    (back / "mine").write_text("kept")
    with pytest.raises(StoreError, match="not empty"):
        backup.restore(to, back)
    assert files_of(back) == {"mine": b"kept"}
    with pytest.raises(StoreError, match="holds no backup"):
        backup.restore(tmp_path / "nothing", tmp_path / "x")
    with pytest.raises(StoreError, match="in the data folder itself"):
        backup.back_up(full, full / "backups")


@pytest.mark.parametrize(
    ("which", "how"),
    [
        ("gritbook.duckdb", "flipped"),
        ("records.log", "gone"),
        ("archive/", "flipped"),
        ("journal/", "gone"),
    ],
)
def test_a_damaged_backup_is_refused_and_leaves_no_store(
    full: Path, tmp_path: Path, which: str, how: str
) -> None:
    to, back = tmp_path / "backups", tmp_path / "back"
    done = backup.back_up(full, to)
    said = json.loads("".join((to / "backups" / f"{done.name}.json").open().readlines()[:-1]))
    path, entry = next((p, e) for p, e in said["files"].items() if p.startswith(which))
    content = to / "contents" / entry["sha256"][:2] / entry["sha256"]
    if how == "gone":
        content.unlink()
    else:
        raw = bytearray(content.read_bytes())
        raw[len(raw) // 2] ^= 1
        content.write_bytes(raw)
    assert [path in sentence for sentence in backup.verify(to)] == [True]
    with pytest.raises(StoreError, match=r"damaged|missing"):
        backup.restore(to, back)
    assert not store_path(back).exists()


def test_a_store_that_reads_back_otherwise_is_refused(full: Path, tmp_path: Path) -> None:
    to = tmp_path / "backups"
    done = backup.back_up(full, to)
    path = to / "backups" / f"{done.name}.json"
    said = json.loads("".join(path.open().readlines()[:-1]))
    said["files"]["gritbook.duckdb"]["facts"]["tables"]["record"][0] += 1
    keep = backup._Contents(to)
    path.unlink()
    keep.seal(done.name, said)
    with pytest.raises(StoreError, match="does not read back as it was: record"):
        backup.restore(to, tmp_path / "back")
    assert not store_path(tmp_path / "back").exists()


def test_a_list_cut_short_is_never_taken_for_a_backup(full: Path, tmp_path: Path) -> None:
    to = tmp_path / "backups"
    done = backup.back_up(full, to)
    path = to / "backups" / f"{done.name}.json"
    whole = path.read_bytes()
    for size in range(0, len(whole) - 1, 997):
        path.write_bytes(whole[:size])
        with pytest.raises(StoreError, match="list of the backup"):
            backup.restore(to, tmp_path / f"back-{size}")


def test_a_backup_and_an_archiving_wait_for_each_other(full: Path, tmp_path: Path) -> None:
    with archive_writing.alone(full), pytest.raises(StoreError, match="at work"):
        backup.back_up(full, tmp_path / "backups")


def test_stores_of_workers_are_copied_as_stores(full: Path, tmp_path: Path) -> None:
    shutil.copytree(full, tmp_path / "worker")
    (full / "workers").mkdir()
    shutil.move(tmp_path / "worker", full / "workers" / "w-1")
    backup.back_up(full, tmp_path / "backups")
    told = backup.restore(tmp_path / "backups", tmp_path / "back")
    assert any(s.startswith("workers/w-1/gritbook.duckdb") for s in told.proven)
    assert heard(tmp_path / "back" / "workers" / "w-1") == heard(full)


def write_on(data: Path, told: Path) -> None:
    """Journal, sync, say what is acknowledged, and take it into the store, until killed."""
    number = 200_000
    with Journal(data, segment_bytes=8_000) as journal:
        writer = StoreWriter(data, POTS, 40)
        while True:
            for _ in range(20):
                journal.append(message(number + 1))
                journal.sync()
                number += 1
                fresh = told.with_suffix(".new")
                fresh.write_text(str(number))
                fresh.replace(told)
            with suppress(StoreBusy):
                writer.take(journal.end)


if __name__ == "__main__":
    write_on(Path(sys.argv[1]), Path(sys.argv[2]))
