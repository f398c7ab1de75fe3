"""Days moved into files and back: nothing lost, nothing doubled, whatever stops it."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pyarrow.parquet as pq
import pytest
import requests
from ports import free_port

from ingest.card_import import bring_in
from ingest.checks_store import check_store
from ingest.config import Yard
from ingest.errors import ArchiveAway, StoreError
from ingest.readings import RawMessage
from ingest.store import (
    archive,
    archive_care,
    archive_files,
    archive_pack,
    archive_reading,
    repair,
    retention,
)
from ingest.store.archive_place import CACHE_FOLDER, Place
from ingest.store.connection import read_window, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

DAYS = (dt.date(2026, 3, 2), dt.date(2026, 3, 3))
LATER = dt.date(2026, 3, 4)
NOW = dt.datetime(2026, 3, 4, 12, tzinfo=dt.UTC)
SECONDS = 12
POTS = ("pot-1", "pot-2")
STEPS = ("read", "noted", "written", "deleted", "committed", "removed")


def message(pot: str, day: dt.date, second: int, **more: float) -> RawMessage:
    """A second of a box: ten instants of two pressures and the dead-man, two slow channels."""
    base_s = dt.datetime.combine(day, dt.time(8), dt.UTC).timestamp() + second
    pack: list[dict[str, Any]] = [
        {"bn": f"{pot}/", "bt": base_s, "n": "seq", "u": "count", "v": second}
    ]
    for tenth in range(10):
        at = tenth / 10
        step = (second * 7 + tenth * 3) % 11
        pack += [
            {"n": "supply", "u": "Pa", "t": at, "v": 720_000 + 250 * step},
            {"n": "pot", "u": "mA", "t": at, "v": round(4 + 0.005 * step, 3)},
            {"n": "deadman", "t": at, "vb": second % 20 > 5},
        ]
    pack += [
        {"n": "air_temp", "u": "Cel", "v": 10 + 0.1 * (second % 7)},
        {"n": "widget", "u": "V", "v": second / 7},
        {"n": "note", "vs": f"word {second % 3}"},
    ]
    pack += [{"n": name, "u": "Pa", "v": value} for name, value in more.items()]
    body = json.dumps(pack).encode()
    arrived_us = int((base_s + 1.02) * 1e6) + second * 37 % 900
    return RawMessage("mqtt", f"g/yard/{pot}/readings", "", arrived_us, False, body, 0)


def hear(data: Path, messages: list[RawMessage]) -> int:
    """Journal and store messages; returns how many readings were new."""
    with Journal(data) as journal:
        for one in messages:
            journal.append(one)
    writer, readings = StoreWriter(data, POTS, 50), 0
    while (taken := writer.take()) is not None:
        readings += taken.readings
    return readings


def derived(data: Path) -> None:
    """Say that figures are derived, as the pipeline does when it has."""
    with write_window(data) as con:
        con.execute("DELETE FROM touched")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of two pots, taken and derived; copied for each test."""
    data = tmp_path_factory.mktemp("made") / "data"
    hear(data, [message(pot, day, n) for day in DAYS for pot in POTS for n in range(SECONDS)])
    derived(data)
    return data


@pytest.fixture
def full(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "data"))


NAMED = {
    "sample": "SELECT pot, s.* EXCLUDE (pot_id) FROM sample_all s JOIN pot USING (pot_id)",
    "reading": "SELECT pot, channel, unit, r.* EXCLUDE (pot_id, channel_id) FROM reading_all r "
    "JOIN pot USING (pot_id) JOIN channel c USING (channel_id)",
}


def contents(data: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Every row, hot or archived, with doubles as bits."""
    found = {}
    with read_window(data) as con:
        archive_reading.make_views(con)
        for table in archive_reading.TABLES:
            # By name: a store made anew numbers pots and channels otherwise.
            frame = con.sql(f"SELECT * FROM ({NAMED[table]}) ORDER BY ALL").pl()
            bits = frame.with_columns(
                pl.col(name).reinterpret(signed=True)
                for name, kind in frame.schema.items()
                if kind == pl.Float64
            )
            found[table] = bits.rows()
    return found


def run(data: Path, address: str = "", **more: Any) -> archive.Archived:
    return archive.archive(data, "yard", LATER, address, **more)


def path_of(file: archive_reading.ArchiveFile) -> str:
    """Table, pot and day, as the file's path says."""
    _, pot, day, name = file.path.split("/")
    return f"{name.partition('-')[0]} {pot.removeprefix('pot=')} {day.removeprefix('day=')}"


def hot(data: Path, table: str = "sample") -> int:
    with read_window(data) as con:
        ((count,),) = con.execute(f"SELECT count(*) FROM {table}").fetchall()
    return int(count)


def test_a_day_goes_into_files_and_every_bit_is_read_back(full: Path) -> None:
    before = contents(full)
    done = run(full)
    assert (done.files, done.rows) == (8, sum(map(len, before.values())))
    assert hot(full) == hot(full, "reading") == 0
    assert contents(full) == before
    assert run(full).files == 0
    assert archive_care.check_files(full) == []


def test_any_reader_of_parquet_gets_the_values_by_what_the_file_says(full: Path) -> None:
    before = contents(full)["sample"]
    run(full)
    path = sorted((full / "archive").rglob("sample-*.parquet"))[0]
    assert path.parts[-4:-1] == ("site=yard", "pot=pot-1", "day=2026-03-02")
    file = pq.ParquetFile(path)
    said = json.loads(file.metadata.metadata[b"gritbook"])
    assert said["columns"]["supply_pa"] == {
        "stored": "supply_pa_q", "divisor": 1.0, "factor": 250.0,
    }  # fmt: skip
    # Loop currents in steps of 5 uA are whole numbers of a 200th of a milliampere.
    assert said["columns"]["pot_ma"] == {"stored": "pot_ma_q", "divisor": 200.0, "factor": 1.0}
    rows = duckdb.connect().execute(f"SELECT {said['duckdb']} FROM '{path}'").fetchall()
    frame = archive_files.read_day(path)
    assert frame.rows() == rows
    table, _ = archive_files.decode_day(path)
    assert pl.DataFrame(table).equals(frame)
    assert len(rows) == sum(row[0] == "pot-1" and row[1].date() == DAYS[0] for row in before)
    assert archive_files.read_day(path, ["pot_ma", "sampled_at"]).columns == [
        "pot_ma", "sampled_at",
    ]  # fmt: skip


class _Stopped(Exception):
    pass


@pytest.mark.parametrize(("at", "times"), [*((at, 1) for at in STEPS), ("deleted", 3)])
def test_stopped_at_any_step_nothing_is_lost_or_doubled(full: Path, at: str, times: int) -> None:
    before = contents(full)
    left = times
    if at == "removed":
        # A file that nothing names is what there is to remove.
        with write_window(full) as con:
            archive_reading.forget(con, _archived_by_hand(full, con))
        assert contents(full) == before

    def step(name: str) -> None:
        nonlocal left
        left -= name == at
        if not left:
            raise _Stopped

    with pytest.raises(_Stopped):
        run(full, step=step)
    assert contents(full) == before
    run(full)
    assert contents(full) == before
    assert hot(full) == 0
    with read_window(full) as con:
        named = {file.path for file in archive_reading.archived(con)}
        assert con.execute("FROM archive_leftover").fetchall() == []
    assert set(Place(full).paths()) == named


def _archived_by_hand(full: Path, con: duckdb.DuckDBPyConnection) -> archive_reading.ArchiveFile:
    """A file on the disk that the list has no more use for."""
    Place(full).write("site=yard/pot=pot-1/day=2026-03-01/sample-0.parquet", b"old")
    return archive_reading.ArchiveFile(
        "sample", 1, dt.date(2026, 3, 1), "",
        "site=yard/pot=pot-1/day=2026-03-01/sample-0.parquet", "", 0, 0,
        dt.datetime(2026, 3, 1), dt.datetime(2026, 3, 1), "{}",
    )  # fmt: skip


_KILLED = """
import os, signal, sys, datetime as dt
from pathlib import Path
from ingest.store import archive
count = int(sys.argv[2])
def step(name):
    global count
    count -= 1
    if not count:
        os.kill(os.getpid(), signal.SIGKILL)
archive.archive(Path(sys.argv[1]), "yard", dt.date(2026, 3, 4), step=step)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="there is no such signal")
def test_killed_again_and_again_nothing_is_lost_or_doubled(full: Path) -> None:
    before = contents(full)
    # Each start goes a step further than the one before it began.
    codes = []
    for count in (2, 4, 5):
        done = subprocess.run([sys.executable, "-c", _KILLED, str(full), str(count)], check=False)
        codes.append(done.returncode)
        assert contents(full) == before
    assert codes == [-signal.SIGKILL] * 3
    run(full)
    assert contents(full) == before
    assert hot(full) == 0


# --- what comes again, and what comes late ----------------------------------------------------


def test_what_is_sent_again_after_archiving_changes_nothing(full: Path) -> None:
    run(full)
    before = contents(full)
    assert hear(full, [message("pot-1", DAYS[0], n) for n in range(SECONDS)]) == 0
    assert contents(full) == before
    assert hot(full) == hot(full, "reading") == 0
    with read_window(full) as con:
        assert len(archive_reading.archived(con)) == 8
        assert con.execute("SELECT count(*) FROM quarantine").fetchall() == [(0,)]


def test_another_value_for_an_archived_instant_is_quarantined(full: Path) -> None:
    run(full)
    before = contents(full)
    one = message("pot-1", DAYS[0], 3)
    other = one._replace(payload=one.payload.replace(b'"v": 720', b'"v": 730'))
    assert other.payload != one.payload
    assert hear(full, [other]) == 0
    assert contents(full) == before
    with read_window(full) as con:
        assert con.execute("SELECT reason FROM quarantine").fetchall()


def test_what_comes_late_brings_its_day_back_as_if_it_had_never_been_archived(
    full: Path, tmp_path: Path
) -> None:
    # A new second, and a further channel at an instant that is archived.
    late = [message("pot-1", DAYS[0], 31), message("pot-1", DAYS[0], 4, nozzle=500_250)]
    never = tmp_path / "never"
    hear(never, [message(pot, day, n) for day in DAYS for pot in POTS for n in range(SECONDS)])
    run(full)
    assert hear(full, late) == hear(never, late) > 0
    strip = "EXCLUDE (message_id)"  # the journals are cut otherwise
    found = []
    for data in (full, never):
        with read_window(data) as con:
            archive_reading.make_views(con)
            found.append(
                [
                    con.execute(f"SELECT * {strip} FROM {t}_all ORDER BY ALL").fetchall()
                    for t in archive_reading.TABLES
                ]
            )
            assert con.execute("FROM touched").fetchall() != []
    assert found[0] == found[1]
    with read_window(full) as con:
        files = archive_reading.archived(con)
    days = {path_of(f) for f in files}
    assert "sample pot-1 2026-03-02" not in days and "sample pot-1 2026-03-03" in days
    assert len(days) == 6
    # Not ripe until its figures are derived; then one file takes the other's place.
    held = run(full)
    assert held.files == 0 and held.waiting and "derive" in held.waiting[0].why
    derived(full)
    before = contents(full)
    assert run(full).files == 2
    assert contents(full) == before
    with read_window(full) as con:
        assert sorted(f.path for f in archive_reading.archived(con)) == Place(full).paths()


def test_a_card_brought_in_twice_after_archiving_changes_nothing(
    tmp_path: Path, yard: Yard
) -> None:
    data = tmp_path / "data"
    lines = [f"2026-03-02T08:00:{n:02d}Z,{500_000 + n},{n}.5" for n in range(60)]
    first = tmp_path / "card.csv"
    first.write_text("time,pot_pa,widget\n" + "\n".join(lines) + "\n")
    bring_in(data, yard, [first], "pot-2")
    derived(data)
    assert run(data).files == 2
    before = contents(data)
    # The same rows in another file, so that it is not known by its digest.
    again = tmp_path / "again.csv"
    again.write_text("time,pot_pa,widget\n" + "\n".join(reversed(lines)) + "\n")
    (looked,) = bring_in(data, yard, [again], "pot-2", dry_run=True)
    assert (looked.repeated, looked.conflicts) == (120, 0)
    (outcome,) = bring_in(data, yard, [again], "pot-2")
    assert (outcome.readings, outcome.repeated, outcome.conflicts) == (0, 120, 0)
    assert contents(data) == before and hot(data) == 0
    # A row more, and another value for one: the day comes back, the value goes to quarantine.
    more = tmp_path / "more.csv"
    more.write_text(
        "time,pot_pa,widget\n" + "\n".join([*lines[:10], "2026-03-02T08:00:05Z,1,5.5",
        "2026-03-02T09:00:00Z,400000,7"]) + "\n"
    )  # fmt: skip
    (outcome,) = bring_in(data, yard, [more], "pot-2")
    assert (outcome.readings, outcome.conflicts) == (2, 1)
    assert hot(data) == 61
    assert len(contents(data)["sample"]) == len(before["sample"]) + 1


def test_what_arrives_while_a_day_is_archived_leaves_it_hot(full: Path) -> None:
    def step(name: str) -> None:
        if name == "written" and not came:
            came.append(hear(full, [message(first, DAYS[0], 40)]))

    came: list[int] = []
    with read_window(full) as con:
        # Numbers are given in the order heard; the lowest is archived first.
        ((first,),) = con.execute("SELECT pot FROM pot ORDER BY pot_id LIMIT 1").fetchall()
    done = run(full, step=step)
    assert came[0] > 0 and any("meanwhile" in one.why for one in done.waiting)
    with read_window(full) as con:
        archive_reading.make_views(con)
        assert con.execute(
            "SELECT count(*), count(DISTINCT (pot_id, sampled_at)) FROM sample_all"
        ).fetchall() == [(490, 490)]


def test_packing_keeps_every_row_and_the_store_no_larger(full: Path) -> None:
    before = contents(full)
    had, has = archive_pack.pack(full)
    assert contents(full) == before
    assert has <= had + (1 << 20)
    with read_window(full) as con:
        rows = con.execute("SELECT pot_id, sampled_at FROM sample").fetchall()
    assert rows == sorted(rows)
    assert hear(full, [message("pot-1", DAYS[0], n) for n in range(SECONDS)]) == 0


# --- a store that is lost ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("journal", "listed"),
    [
        ("gone", False),
        pytest.param("gone", True, marks=pytest.mark.slow),
        pytest.param("whole", True, marks=pytest.mark.slow),
        pytest.param("whole", False, marks=pytest.mark.slow),
    ],
)
def test_a_lost_store_is_made_anew_from_the_archive_too(
    full: Path, journal: str, listed: bool
) -> None:
    hear(full, [message("pot-1", LATER, n) for n in range(SECONDS)])
    archive.archive(full, "yard", LATER)
    before = contents(full)
    if journal == "gone":
        # The segment that the archived days came in; what came later is in the next one.
        retention.drop_archived(full, always_kept_bytes=0)
        assert [p.stem for p in sorted((full / "journal").glob("*.journal"))] == ["00000002"]
    if not listed:
        (full / "gritbook.duckdb").unlink()
    done = repair.rebuild(full, POTS)
    assert done.lost == ()
    assert contents(full) == before
    assert hot(full) == SECONDS * 10
    with read_window(full) as con:
        assert len(archive_reading.archived(con)) == 8
        touched = con.execute("SELECT min(from_at)::DATE FROM touched").fetchall()
    assert touched == [(DAYS[0],)]


def test_a_damaged_file_comes_back_from_the_journal(full: Path) -> None:
    run(full)
    before = contents(full)
    paths = sorted((full / "archive").rglob("*.parquet"))
    paths[0].unlink()
    paths[1].write_bytes(paths[1].read_bytes()[:-1] + b"x")
    done = repair.rebuild(full, POTS)
    assert len(done.lost) >= 2
    assert contents(full) == before


# --- places ------------------------------------------------------------------------------------


def test_an_object_store_holds_the_archive_and_is_read_through_a_cache(full: Path) -> None:
    before = contents(full)
    address = f"memory://bucket-{uuid.uuid4().hex}/gritbook"
    assert run(full, address).files == 8
    assert not (full / "archive").exists()
    assert contents(full) == before
    assert len(list((full / CACHE_FOLDER).iterdir())) == 8
    assert len(Place(full, address).paths()) == 8
    assert hear(full, [message("pot-1", DAYS[0], n) for n in range(SECONDS)]) == 0
    # Moved to a colder place, the first one is empty, and the rows are the same.
    cold = full.parent / "cold"
    assert archive_care.move(full, LATER, cold.as_uri()) == 8
    assert Place(full, address).paths() == []
    assert contents(full) == before
    assert archive_care.check_files(full) == []


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """The address of an empty bucket of a server that speaks S3's own protocol over HTTP."""
    from moto.server import ThreadedMotoServer

    for name, value in (("ACCESS_KEY_ID", "one"), ("SECRET_ACCESS_KEY", "two")):
        monkeypatch.setenv(f"AWS_{name}", value)
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    server = ThreadedMotoServer("127.0.0.1", port := free_port(), verbose=False)
    server.start()
    try:
        requests.put(f"http://127.0.0.1:{port}/yard", timeout=60).raise_for_status()
        yield f"s3://yard/grit?region=us-east-1&scheme=http&endpoint_override=127.0.0.1:{port}"
    finally:
        server.stop()


def test_a_bucket_of_s3_holds_the_archive_and_gives_back_every_bit(full: Path, bucket: str) -> None:
    before = contents(full)
    assert run(full, bucket).files == 8
    assert hot(full) == 0 and not (full / "archive").exists()
    place = Place(full, bucket)
    with read_window(full) as con:
        noted = dict(con.execute("SELECT path, sha256 FROM archive_file").fetchall())
        frames = {
            table: con.sql(f"FROM {archive_reading.stored_rows(con, table)}").pl().height
            for table in archive_reading.TABLES
        }
    assert place.paths() == sorted(noted)
    assert {path: hashlib.sha256(place.read(path)).hexdigest() for path in noted} == noted
    assert frames == {table: len(rows) for table, rows in before.items()}
    # Without the cache, too: what is read comes from the bucket.
    shutil.rmtree(full / CACHE_FOLDER)
    assert contents(full) == before
    shutil.rmtree(full / CACHE_FOLDER)
    first = place.paths()[0]
    place.write(first, place.read(first)[:-1] + b"\0")
    with pytest.raises(StoreError, match="is not what was archived"):
        contents(full)


@pytest.mark.parametrize("at", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_moving_stopped_anywhere_loses_nothing(full: Path, at: int) -> None:
    run(full)
    before, count = contents(full), 0

    def step(name: str) -> None:
        nonlocal count
        count += 1
        if count == at:
            raise _Stopped

    cold = str(full.parent / "cold")
    with pytest.raises(_Stopped):
        archive_care.move(full, LATER, cold, step=step)
    assert contents(full) == before
    archive_care.move(full, LATER, cold)
    assert contents(full) == before
    assert Place(full).paths() == []


def test_a_file_that_is_gone_or_changed_is_told_in_a_sentence(full: Path, yard: Yard) -> None:
    run(full)
    path = sorted((full / "archive").rglob("sample-*.parquet"))[0]
    content = path.read_bytes()
    path.write_bytes(content[:-9] + bytes([content[-9] ^ 1]) + content[-8:])
    assert len(archive_care.check_files(full)) == 1
    (found,) = (f for f in check_store(yard, full, NOW) if f.subject == "archive")
    assert found.status == "ok"
    path.unlink()
    (found,) = (f for f in check_store(yard, full, NOW) if f.subject == "archive")
    assert found.status == "fail" and "1 of 8" in found.what
    with pytest.raises(ArchiveAway, match="is not there"):
        contents(full)
    assert len(archive_care.check_files(full)) == 1


def test_while_the_archive_is_away_what_is_of_its_days_waits_and_is_not_lost(full: Path) -> None:
    run(full)
    before = contents(full)
    (full / "archive").rename(full / "unplugged")
    with Journal(full) as journal:
        journal.append(message("pot-1", DAYS[0], 40))
    writer = StoreWriter(full, POTS)
    for _ in range(2):
        with pytest.raises(ArchiveAway, match="is not there"):
            writer.take()
    (full / "unplugged").rename(full / "archive")
    taken = writer.take()
    assert taken is not None and taken.readings > 0 and writer.take() is None
    assert len(contents(full)["sample"]) == len(before["sample"]) + 10


def test_a_place_that_cannot_be_had_leaves_the_days_hot(full: Path) -> None:
    before = contents(full)
    blocked = full.parent / "blocked"
    blocked.write_text("a file where a folder should be")
    with pytest.raises(ArchiveAway, match="cannot be reached"):
        run(full, str(blocked))
    assert contents(full) == before and hot(full) == 480


def test_deleting_for_good_is_on_record(full: Path) -> None:
    run(full)
    now = dt.datetime(2026, 11, 1, tzinfo=dt.UTC)
    assert archive_care.delete(full, DAYS[1], "owner", now) == 4
    with read_window(full) as con:
        gone = con.execute('SELECT table_name, "day", deleted_by FROM archive_gone').fetchall()
        archive_reading.make_views(con)
        ((rows,),) = con.execute("SELECT count(*) FROM sample_all").fetchall()
    assert len(gone) == 4 and {row[1:] for row in gone} == {(DAYS[0], "owner")}
    assert rows == 240 and len(Place(full).paths()) == 4
