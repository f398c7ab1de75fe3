"""A store that is lost, damaged, read-only or newer; and what people entered, kept twice."""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from dashboard.commands.repair import repair as repair_command
from ingest import records
from ingest.card_import import bring_in
from ingest.config import Yard
from ingest.errors import JournalError, StoreError
from ingest.readings import RawMessage
from ingest.store import records_log, repair
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

NOW_US = 1_760_000_000_000_000
NOW = dt.datetime(2026, 10, 9, 12, tzinfo=dt.UTC)
POTS = ("pot-1", "pot-2")

app = typer.Typer()
app.command()(repair_command)


def message(number: int) -> RawMessage:
    pot = POTS[number % 2]
    pack: list[dict[str, Any]] = [
        {"bn": f"{pot}/", "bt": NOW_US / 1e6 + number / 10, "n": "seq", "u": "count", "v": number},
        {"n": "pot", "u": "Pa", "v": 600_000 + number},
        {"n": "widget", "u": "V", "v": number / 7},
    ]
    if number % 50 == 0:
        pack.append({"n": "pot", "u": "psi", "v": 90})
    topic = f"g/yard/{pot}/readings"
    body = json.dumps(pack).encode()
    return RawMessage("mqtt", topic, "", NOW_US + number * 100_000, False, body, number % 65_535)


def take_all(data: Path) -> None:
    writer = StoreWriter(data, POTS, 200)
    while writer.take() is not None:
        pass


CONTENTS = {
    "sample": "SELECT pot, s.* EXCLUDE (pot_id) FROM sample s JOIN pot USING (pot_id)",
    "reading": "SELECT pot, channel, r.* EXCLUDE (pot_id, channel_id) FROM reading r "
    "JOIN pot USING (pot_id) JOIN channel c USING (channel_id)",
    "quarantine": "SELECT * EXCLUDE (quarantine_id, retried_at) FROM quarantine",
    "record": "FROM record",
    "import_file": "FROM import_file",
    "mark": "FROM mark",
    "source_count": "FROM source_count",
}


def contents(data: Path) -> dict[str, list[tuple[Any, ...]]]:
    with read_window(data) as con:
        return {
            name: con.execute(f"SELECT * FROM ({query}) ORDER BY ALL").fetchall()
            for name, query in CONTENTS.items()
        }


@pytest.fixture
def full(tmp_path: Path, filled_once: Path) -> Path:
    """A data folder with a journal of 600 messages, a card file and records, all stored."""
    return Path(shutil.copytree(filled_once, tmp_path / "data"))


@pytest.fixture(scope="module")
def filled_once(tmp_path_factory: pytest.TempPathFactory, yard: Yard) -> Path:
    folder = tmp_path_factory.mktemp("filled")
    data = folder / "data"
    with Journal(data, segment_bytes=40_000) as journal:
        for number in range(600):
            journal.append(message(number))
            if number % 20 == 19:
                journal.sync()
    take_all(data)
    card = folder / "card.csv"
    lines = [f"2026-01-05T08:00:{second:02d}Z,{500_000 + second}" for second in range(60)]
    card.write_text("time,pot_pa\n" + "\n".join(lines) + "\n")
    bring_in(data, yard, [card], "pot-2")
    crew = records.add(data, yard, "crew", {"crew": "A", "size": 2}, "Tender", "page", NOW)
    records.correct(data, yard, crew, {"crew": "A", "size": 4}, "Boss", "two more came", at=NOW)
    records.add(data, yard, "job", {"job": "tank"}, "Tender", "page", NOW)
    return data


def rebuild(data: Path, **more: Any) -> repair.Rebuilt:
    return repair.rebuild(data, POTS, now=NOW, **more)


# --- records.log ------------------------------------------------------------------------------


def test_every_record_is_a_line_before_it_is_said_to_be_saved(full: Path, yard: Yard) -> None:
    with read_window(full) as con:
        stored = con.execute("FROM record ORDER BY record_id").fetchall()
        assert records_log.lacking(con, full) == []
    kept = records_log.read(full)
    assert kept.damaged == []
    columns = records_log.COLUMNS
    assert sorted(tuple(row[c] for c in columns) for row in kept.rows) == stored
    assert len(stored) == 3


def test_a_record_whose_copy_failed_follows_with_the_next(
    full: Path, yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(data: Path, rows: Any) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(records_log, "append", fail)
        records.add(full, yard, "crew", {"crew": "B", "size": 2}, "Tender", "page", NOW)
    with read_window(full) as con:
        (late,) = records_log.lacking(con, full)
    assert json.loads(late["body"])["crew"] == "B"
    records.add(full, yard, "crew", {"crew": "C", "size": 2}, "Tender", "page", NOW)
    with read_window(full) as con:
        assert records_log.lacking(con, full) == []
    assert len(records_log.read(full).rows) == 5


def test_a_log_torn_or_damaged_at_any_byte_costs_one_line(full: Path) -> None:
    path = records_log.log_path(full)
    whole = path.read_bytes()
    rows = records_log.read(full).rows
    ends = [at + 1 for at, byte in enumerate(whole) if byte == 10]
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        # A line lacks nothing but its end where only the newline is torn off.
        good = sum(end - 1 <= size for end in ends)
        assert records_log.read(full).rows == rows[:good], size
    for at in range(0, len(whole), 7):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0x41]) + whole[at + 1 :])
        kept = records_log.read(full)
        hit = sum(end <= at for end in ends)
        # A newline that became another byte joins two lines into one that cannot be read.
        spoilt = {hit, hit + 1} if whole[at] == 10 else {hit}
        assert kept.rows == [row for n, row in enumerate(rows) if n not in spoilt]
        assert kept.damaged
    path.write_bytes(whole[: ends[1] + 5])
    records_log.append(full, [rows[2]])
    assert records_log.read(full).rows == rows


# --- rebuilding -------------------------------------------------------------------------------


def test_a_lost_store_comes_back_by_itself_with_what_people_entered(full: Path) -> None:
    before = contents(full)
    store_path(full).unlink()
    assert repair.examine(full).state == "missing"
    take_all(full)  # what starting ingest does
    after = contents(full)
    assert after["record"] == before["record"]
    assert after["mark"] == before["mark"]
    # All but what the card brought.
    assert after["sample"] == [row for row in before["sample"] if row[-1] >= 0]


def test_a_sound_store_made_anew_holds_the_same(full: Path) -> None:
    before = contents(full)
    assert repair.examine(full).state == "sound"
    done = rebuild(full)
    assert contents(full) == before
    assert (done.messages, done.lost) == (600, ())
    assert done.aside is not None and done.aside.exists()
    assert not (full / "repair.json").exists()


@pytest.mark.parametrize("blocks", [3, pytest.param(24, marks=pytest.mark.slow)])
def test_damage_anywhere_is_found_and_mended_or_harmless(
    full: Path, tmp_path: Path, blocks: int
) -> None:
    before = contents(full)
    whole = store_path(full).read_bytes()
    rng = random.Random(5)
    found = 0
    for turn in range(blocks):
        trial = tmp_path / f"trial-{turn}"
        shutil.copytree(full, trial)
        at = rng.randrange(len(whole) - 4096)
        spoilt = bytearray(whole)
        spoilt[at : at + 4096] = rng.randbytes(4096)
        store_path(trial).write_bytes(spoilt)
        diagnosis = repair.examine(trial)
        if diagnosis.state == "sound":
            # The bytes were in a block that nothing uses.
            assert contents(trial) == before
            continue
        found += 1
        assert diagnosis.state == "damaged"
        done = rebuild(trial)
        after = contents(trial)
        assert after["record"] == before["record"]
        assert after["mark"] == before["mark"]
        live = [row for row in before["sample"] if row[-1] >= 0]
        assert [row for row in after["sample"] if row[-1] >= 0] == live
        # What the card brought is there, or it is said that it could not be read.
        assert after["sample"] == before["sample"] or done.lost
        assert repair.examine(trial).state == "sound"
    assert found >= blocks / 4


def test_a_repair_cut_off_anywhere_goes_on(full: Path, tmp_path: Path) -> None:
    before = contents(full)

    class CutOff(BaseException):
        pass

    steps: list[str] = []

    def cut_at(turn: int) -> Callable[[str], None]:
        def tell(sentence: str) -> None:
            steps.append(sentence)
            if len(steps) == turn:
                raise CutOff

        return tell

    for turn in (1, 2, 3):
        trial = tmp_path / f"cut-{turn}"
        shutil.copytree(full, trial)
        steps.clear()
        with pytest.raises(CutOff):
            rebuild(trial, tell=cut_at(turn))
        if repair.examine(trial).state == "missing":
            rebuild(trial)
        else:
            take_all(trial)  # ingest goes on as well
        assert contents(trial) == before, turn


def test_messages_that_the_journal_no_longer_holds_are_copied(full: Path) -> None:
    before = contents(full)
    segments = sorted((full / "journal").glob("*.journal"))
    for old in segments[:2]:
        old.unlink()
    planned = repair.plan(full)
    assert (planned.complete, planned.segments) == (False, len(segments) - 2)
    rebuild(full)
    after = contents(full)
    for table in ("sample", "reading", "quarantine", "record", "mark"):
        assert after[table] == before[table], table


def test_ingest_must_be_stopped_and_a_newer_store_is_left_alone(full: Path) -> None:
    with Journal(full), pytest.raises(JournalError, match=r"running.*Stop it first"):
        rebuild(full)
    with write_window(full) as con:
        con.execute("INSERT INTO migration VALUES (99, 'm099_of_tomorrow', now()::TIMESTAMP)")
    assert repair.examine(full).state == "newer"
    with pytest.raises(StoreError, match="newer Gritbook; it is not damaged"):
        rebuild(full)
    assert store_path(full).exists()


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="needs another user to become")
def test_a_store_that_may_not_be_written_is_no_damaged_one(full: Path) -> None:
    import subprocess
    import sys

    for folder in (full, *full.parents[:4]):
        folder.chmod(0o755)
    store_path(full).chmod(0o444)
    program = (
        "import os, sys, pathlib, duckdb\n"
        "from ingest.store import repair\n"
        "from ingest.store.connection import read_window, write_window\n"
        "from ingest.errors import StoreError\n"
        "os.setgid(65534); os.setuid(65534)\n"
        "data = pathlib.Path(sys.argv[1])\n"
        "print(repair.examine(data).state)\n"
        "try:\n    write_window(data).__enter__()\n"
        "except StoreError as error: print(error.next_step)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(full)], capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines() == [
        "read-only",
        "Check that the disk is there and that you may write to the folder.",
    ], done.stderr


# --- the command ------------------------------------------------------------------------------


def run(data: Path, *arguments: str) -> tuple[int, str]:
    (data / "yard.toml").write_text(
        '[site]\nname = "yard"\ntime_zone = "UTC"\n'
        + "".join(f'[[pot]]\nname = "{pot}"\nvolume_m3 = 0.2\nplate_pa = 862000\n' for pot in POTS)
    )
    result = CliRunner().invoke(app, [*arguments, "--data", str(data)])
    return result.exit_code, " ".join(result.output.split())


def test_the_command_says_what_it_will_do_and_does_it_with_yes_only(full: Path) -> None:
    status, said = run(full)
    assert (status, "Nothing needs doing." in said) == (0, True)
    before = contents(full)
    spoilt = bytearray(store_path(full).read_bytes())
    spoilt[:8192] = bytes(8192)
    store_path(full).write_bytes(spoilt)
    status, said = run(full)
    assert status == 1
    assert "3 records of people come back" in said
    assert "bring them in again with `gritbook import`" in said
    assert "Nothing was done. Run it again with --yes" in said
    assert store_path(full).read_bytes() == spoilt
    status, said = run(full, "--yes")
    assert status == 0, said
    assert "The store is there again: 600 messages" in said
    after = contents(full)
    assert (after["record"], after["mark"]) == (before["record"], before["mark"])
    assert run(full)[0] == 0
