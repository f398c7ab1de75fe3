"""Spells weighed into the store: near the simulator's truth, and the same in whatever order."""

from __future__ import annotations

import datetime as dt
import json
import random
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

from analytics import condition, condition_frames, frames, weighing
from analytics.pipeline import derive
from analytics.spells import PAUSE_H, spells
from analytics.weighing import WeighedBeside, WeighedSpells, derive_and_weigh, weigh_spells
from analytics.writing import note_changed
from ingest import record_rows, records
from ingest.card_import import bring_in
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window

NOW = dt.datetime(2026, 11, 6)
YARD = """
[site]
name = "north-yard"
time_zone = "Europe/Amsterdam"
invented = true
[[pot]]
name = "pot-1"
volume_m3 = 0.18406
plate_pa = 1_034_000
"""
TABLES = ("spell", "condition", "tipping")


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of one simulated pot: its card, its records and its truth."""
    folder = tmp_path_factory.mktemp("history")
    subprocess.run(
        [sys.executable, "-m", "simulated_feeds", "yard", "--seed", "7", "--until", "2026-11-05",
         "--days", "2", "--pots", "1", "--no-mishaps", "--out", str(folder)],
        check=True, capture_output=True,
    )  # fmt: skip
    return folder


def filled(folder: Path, history: Path) -> Yard:
    yard = parse_yard(YARD)
    cards = sorted((history / "readings" / "pot-1").iterdir())
    bring_in(folder, yard, cards, "pot-1")
    records.load_file(folder, yard, history / "records.jsonl")
    derive(folder, yard, now=NOW)
    return yard


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory, history: Path) -> Path:
    """A data folder with all that in it, derived; to be copied."""
    folder = tmp_path_factory.mktemp("once")
    filled(folder, history)
    return folder


@pytest.fixture
def derived(tmp_path: Path, once: Path) -> Yard:
    """The yard of a test's own folder, its cards brought in and derived."""
    shutil.copytree(once, tmp_path, dirs_exist_ok=True)
    return parse_yard(YARD)


def tables(folder: Path) -> dict[str, pl.DataFrame]:
    with read_window(folder) as con:
        return {t: con.sql(f"SELECT * FROM {t} ORDER BY ALL").pl() for t in TABLES}


def test_weighed_in_pieces_late_and_in_full_it_is_the_same_and_near_the_truth(
    tmp_path: Path, history: Path, derived: Yard
) -> None:
    yard = derived
    first = weigh_spells(tmp_path, yard, most_s=0.0)
    assert first.waiting > 0
    rest = weigh_spells(tmp_path, yard)
    assert rest.waiting == 0
    assert weigh_spells(tmp_path, yard).weighed == 0
    in_pieces = tables(tmp_path)
    weigh_spells(tmp_path, yard, full=True)
    in_full = tables(tmp_path)
    for name in TABLES:
        assert in_pieces[name].equals(in_full[name]), name

    truth = pl.read_parquet(history / "truth" / "cycles.parquet")
    used_kg = (truth["abrasive_start_kg"] - truth["abrasive_end_kg"]).sum()
    assert in_full["spell"]["used_kg"].sum() == pytest.approx(used_kg, rel=0.05)
    with read_window(tmp_path) as con:
        condition = condition_frames.conditions(con, frames.pots(con)["pot-1"])
    matched = condition.sort("pressed_at").join_asof(
        truth.sort("pressed_at").select("pressed_at", "abrasive_start_kg"),
        on="pressed_at", strategy="nearest", tolerance="2s", suffix="_true",
    )  # fmt: skip
    error = (matched["abrasive_start_kg"] - matched["abrasive_start_kg_true"]).drop_nulls()
    assert error.len() > 0.9 * truth.height
    # Two per cent of the 250 kg that the pot is filled with, root mean square.
    assert (error**2).mean() ** 0.5 < 5.0


def test_weighed_while_deriving_it_is_the_same_to_the_bit(tmp_path: Path, derived: Yard) -> None:
    yard = derived
    weigh_spells(tmp_path, yard, full=True)
    after = tables(tmp_path)
    with write_window(tmp_path) as con:
        for name in TABLES:
            con.execute(f"DELETE FROM {name}")
    beside = WeighedBeside(yard, full=True)
    derive(tmp_path, yard, now=NOW, full=True, beside=beside)
    assert len(beside.written) == after["spell"].height > 1
    for name in TABLES:
        assert tables(tmp_path)[name].equals(after[name]), name
    # Nothing is left to do then, and what was done a moment ago is not done again.
    assert weigh_spells(tmp_path, yard) == WeighedSpells(0, 0)
    _, done = derive_and_weigh(tmp_path, yard, full=True)
    assert done == WeighedSpells(after["spell"].height, 0)
    for name in TABLES:
        assert tables(tmp_path)[name].equals(after[name]), name


@pytest.mark.parametrize("hours", [7.0, 10.0])
def test_spells_about_midnight_are_weighed_once_and_whole(
    tmp_path: Path, once: Path, put_samples: Any, hours: float
) -> None:
    """The same two shifts begun at other hours: near the end of a piece, or cut by it."""
    yard = parse_yard(YARD)
    with read_window(once) as con:
        rows = frames.samples(con, frames.pots(con)["pot-1"])
    rows = rows.select("sampled_at", "deadman", "supply_pa", "pot_pa", "nozzle_pa")
    later = pl.col("sampled_at") + dt.timedelta(hours=hours)
    put_samples(tmp_path, "pot-1", rows.with_columns(later))
    derived, done = derive_and_weigh(tmp_path, yard, full=True)
    beside = tables(tmp_path)
    assert derived.cycles > 100 and done.weighed == beside["spell"].height > 1
    with read_window(tmp_path) as con:
        settings = f"{weighing.WEIGHING_VERSION}:{frames.derive_states(con)[1]}"
        nothing = pl.DataFrame(schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64})
        true = spells(frames.cycles(con, 1), nothing, settings)
    assert beside["spell"].select(true.columns).sort("from_at").equals(true)
    weigh_spells(tmp_path, yard, full=True)
    for name, frame in tables(tmp_path).items():
        assert frame.equals(beside[name]), name


def test_spells_of_one_day_are_weighed_while_deriving_as_apart(
    tmp_path: Path, once: Path, put_samples: Any
) -> None:
    """A morning, an afternoon and an evening, all in one piece."""
    yard = parse_yard(YARD)
    with read_window(once) as con:
        rows = frames.samples(con, 1)
    begin = rows["sampled_at"][0]
    some = rows.filter(pl.col("sampled_at") < begin + dt.timedelta(hours=1.5))
    day = dt.datetime(2026, 10, 20)
    for hours in (4.0, 9.0, 15.0):
        moved = pl.col("sampled_at") + (day + dt.timedelta(hours=hours) - begin)
        put_samples(tmp_path, "pot-1", some.with_columns(moved))
    beside = WeighedBeside(yard, full=True)
    derive(tmp_path, yard, now=NOW, full=True, beside=beside)
    assert len(beside.written) == 3
    while_deriving = tables(tmp_path)
    assert weigh_spells(tmp_path, yard, full=True).weighed == 3
    for name in TABLES:
        assert while_deriving[name].equals(tables(tmp_path)[name]), name


def test_an_entry_that_comes_in_while_deriving_is_not_missed(
    tmp_path: Path, derived: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = derived
    with read_window(tmp_path) as con:
        entry = record_rows.current(con, "abrasive")[0]
    body = {k: entry[k] for k in ("pot", "at", "bags", "bag_kg", "abrasive", "shift")}
    find, asked = WeighedBeside.find, []

    def found_late(self: WeighedBeside, *given: Any) -> Any:
        if not asked:
            asked.append(records.correct(
                tmp_path, yard, entry["record_id"], body | {"bags": entry["bags"] + 1},
                by="Supervisor A", reason="one bag more",
            ))  # fmt: skip
        return find(self, *given)

    monkeypatch.setattr(WeighedBeside, "find", found_late)
    _, done = derive_and_weigh(tmp_path, yard, full=True)
    spell = tables(tmp_path)["spell"]
    # One was weighed twice: the second time with what was entered meanwhile.
    assert done.weighed == spell.height + 1
    found = tables(tmp_path)
    weigh_spells(tmp_path, yard, full=True)
    for name in TABLES:
        assert tables(tmp_path)[name].equals(found[name]), name


def test_an_entry_that_is_corrected_weighs_its_spell_anew(tmp_path: Path, derived: Yard) -> None:
    yard = derived
    weigh_spells(tmp_path, yard)
    with read_window(tmp_path) as con:
        entry = record_rows.current(con, "abrasive")[0]
    body = {k: entry[k] for k in ("pot", "at", "bags", "bag_kg", "abrasive", "shift")}
    records.correct(
        tmp_path, yard, entry["record_id"], body | {"bags": entry["bags"] + 1}, by="Supervisor A",
        reason="one bag more",
    )  # fmt: skip
    assert weigh_spells(tmp_path, yard).weighed == 1


def test_a_pause_of_just_under_the_limit_does_not_cut_and_one_just_over_does() -> None:
    begin = dt.datetime(2026, 1, 5)
    nothing = pl.DataFrame(schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64})
    for pause_h, count in ((PAUSE_H - 0.001, 1), (PAUSE_H + 0.001, 2)):
        second = begin + dt.timedelta(hours=0.5 + pause_h)
        cycles = pl.DataFrame(
            {
                "pressed_at": [begin, second],
                "released_at": [
                    begin + dt.timedelta(hours=0.5), second + dt.timedelta(hours=0.5)
                ],
                "flicker": [False, False],
                "blast_s": [1.0, 1.0],
            }
        )  # fmt: skip
        assert spells(cycles, nothing, "").height == count


def test_only_spells_after_a_change_are_looked_through_and_none_that_changed_is_missed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = parse_yard(YARD)
    chance = random.Random(4)
    begin = dt.datetime(2026, 3, 2, 6)
    looked: list[int] = []
    listed = weighing.spells

    def spells_looked_at(cycles: pl.DataFrame, *given: Any) -> pl.DataFrame:
        looked.append(cycles.height)
        return listed(cycles, *given)

    monkeypatch.setattr(weighing, "spells", spells_looked_at)
    weighed_now: list[dt.datetime] = []

    def weigh(_: weighing.SpellSamples, spell: weighing.Spell) -> weighing.Weighed:
        weighed_now.append(spell.spell["from_at"])
        row = {name: spell.spell.get(name) for name in condition_frames.SPELL_COLUMNS}
        row |= {"pot_id": 1, "questions": "[]"}
        empty = pl.DataFrame(schema={"pressed_at": pl.Datetime("us")})
        return weighing.Weighed(1, spell.spell["from_at"], row, empty, None)

    monkeypatch.setattr(weighing, "weigh_spell", weigh)

    def write(con: duckdb.DuckDBPyConnection, day: float, hours: int, blast_s: float) -> None:
        """Cycles in the place of those that were there, as deriving does it."""
        from_at = begin + dt.timedelta(days=day)
        con.execute(
            "DELETE FROM cycle WHERE pressed_at >= $a AND pressed_at < $b",
            {"a": from_at, "b": from_at + dt.timedelta(hours=hours)},
        )
        note_changed(con, 1, from_at)
        for hour in range(hours):
            at = from_at + dt.timedelta(hours=hour)
            con.execute(
                "INSERT INTO cycle BY NAME SELECT 1 AS pot_id, $at AS pressed_at, "
                "$at + INTERVAL 50 MINUTE AS released_at, 'press' AS began_by, "
                "'release' AS ended_by, false AS flicker, 9 AS samples, 3000.0 AS deadman_s, "
                "3000.0 AS deadman_low_s, 3000.0 AS deadman_high_s, $at AS span_from_at, "
                "released_at AS span_to_at, $blast AS blast_s, 1.0 AS blast_low_s, "
                "3000.0 AS blast_high_s, 1.0 AS pinched_s",
                {"at": at, "blast": blast_s},
            )

    with write_window(tmp_path) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        for day in range(40):
            write(con, day, 8, 10.0 + day)
    assert weigh_spells(tmp_path, yard) == WeighedSpells(40, 0)
    for turn in range(14):
        with write_window(tmp_path) as con:
            # Mostly the last day goes on; now and then an older one, or a bridge between two.
            day = chance.choice([39.0, 39.25, 39.0, chance.randrange(30) + chance.random()])
            write(con, day, chance.choice([2, 9, 20]), 100.0 + turn)
        looked.clear()
        # Now and then it is told to stop before it has begun, and goes on the next time.
        weigh_spells(tmp_path, yard, most_s=chance.choice([None, None, -1.0]))
    weigh_spells(tmp_path, yard)
    with read_window(tmp_path) as con:
        cycles = frames.cycles(con, 1)
        kept = condition_frames.made_of_spells(con, 1, None)
    nothing = pl.DataFrame(schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64})
    true = listed(cycles, nothing, f"{weighing.WEIGHING_VERSION}:")
    assert kept == dict(true.select("from_at", "made_of").rows())
    weighed_now.clear()
    looked.clear()
    assert weigh_spells(tmp_path, yard) == WeighedSpells(0, 0)
    assert not weighed_now and looked[0] < 60
    assert weigh_spells(tmp_path, yard, full=True).weighed == true.height


BEGIN_OF_SPELLS = dt.datetime(2026, 3, 2, 6)


def test_an_entry_changes_what_its_own_spell_is_made_of_and_no_other() -> None:
    ends = [BEGIN_OF_SPELLS + dt.timedelta(hours=h) for h in (0.0, 10.0, 20.0)]
    cycles = pl.DataFrame(
        {
            "pressed_at": ends, "released_at": [end + dt.timedelta(hours=1) for end in ends],
            "flicker": [False] * 3, "blast_s": [3000.0] * 3,
        }
    )  # fmt: skip

    def made_of(*entries: tuple[float, float]) -> list[str]:
        frame = pl.DataFrame(
            [(BEGIN_OF_SPELLS + dt.timedelta(hours=h), kg) for h, kg in entries],
            schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64}, orient="row",
        )  # fmt: skip
        return spells(cycles, frame, "")["made_of"].to_list()

    bare = made_of()
    # Within an hour and a half of the spell it is its own; the end of that is not in it.
    for hours, expected in ((8.5, 1), (8.49, None), (12.49, 1), (12.5, None), (20.5, 2)):
        changed = [a != b for a, b in zip(bare, made_of((hours, 25.0)), strict=True)]
        assert changed == [number == expected for number in range(3)], hours
    assert made_of((0.1, 25.0), (10.2, 50.0)) == made_of((10.2, 50.0), (0.1, 25.0))
    assert made_of((0.1, 25.0))[0] != made_of((0.1, 50.0))[0]


def test_a_spell_that_fits_no_model_says_so_and_holds_up_nobody(
    tmp_path: Path, derived: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = derived
    real, calls = condition.weigh_pot, []

    def fails_once(*given: Any) -> Any:
        calls.append(given)
        if len(calls) == 1:
            raise np.linalg.LinAlgError("Array must not contain infs or NaNs")
        return real(*given)

    monkeypatch.setattr(condition, "weigh_pot", fails_once)
    done = weigh_spells(tmp_path, yard)
    assert done.weighed == len(calls) > 1
    spell = tables(tmp_path)["spell"].sort("from_at", descending=True)
    assert spell["used_kg"].is_null().to_list() == [True] + [False] * (len(calls) - 1)
    assert json.loads(spell["questions"][0]) == [weighing.NOT_WEIGHED]
    # What the readings show by themselves, such as a broken wire, is still there.
    newest = tables(tmp_path)["condition"].filter(pl.col("spell_from_at") == spell["from_at"][0])
    assert newest.height and newest["missing_share"].is_not_null().all()
    assert newest["leak_m3_s_pa"].is_null().all()
