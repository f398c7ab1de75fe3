"""Notices that are derived from the first change on equal those that are derived wholly."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from derived_store import BEGIN, YARD_TEXT, Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import hours, notice_since
from analytics.notices import NOTICE_SCHEMA
from analytics.noticing import derive_notices
from analytics.pieces import note_derived
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window

#: Limits that pass within days, by hours, by cycles and by days.
YARD = parse_yard(
    YARD_TEXT
    + "".join(
        f'[[rule]]\npart = "{part}"\n{limits}\nreason = "tried"\nby = "Maintainer 1"\n'
        for part, limits in (
            ("nozzle", "every_blast_h = 3.0\nevery_cycles = 12"),
            ("pinch_hose", "every_blast_h = 6.0\nevery_days = 2"),
        )
    )
)


def tip(store: Store, pot_id: int, from_at: dt.datetime) -> None:
    """Other refills from an instant on, as weighing would write them."""
    store.con.execute(
        "DELETE FROM tipping WHERE pot_id = $p AND spell_from_at >= $a", {"p": pot_id, "a": from_at}
    )
    for number in range(store.chance.randint(0, 2)):
        at = from_at + dt.timedelta(hours=number + store.chance.random())
        store.con.execute(
            "INSERT INTO tipping VALUES ($p, $a, $at, $at, $kg, 2.0, $entered)",
            {"p": pot_id, "a": from_at, "at": at, "kg": store.chance.choice([5.0, 60.0]),
             "entered": store.chance.choice([None, None, 50.0])},
        )  # fmt: skip
    note_derived(store.con, pot_id, from_at)


def kept(data: Path) -> pl.DataFrame:
    with read_window(data) as con:
        return con.sql(f"SELECT {', '.join(NOTICE_SCHEMA)} FROM notice ORDER BY ALL").pl()


def run(folder: Path, seed: int, steps: int, yard: Yard, patch: pytest.MonkeyPatch) -> int:
    """Steps in a random order, each held against all derived wholly; in how many not all was."""
    patch.setattr(hours, "PACE_US", 5 * 3_600_000_000)
    patch.setattr(notice_since, "_NOTED_AFTER", dt.timedelta(hours=seed % 3 * 12))
    data, whole = folder / "data", folder / "whole"
    store, now, in_part = Store(seed), BEGIN, 0
    for _ in range(steps):
        now += dt.timedelta(hours=store.chance.choice([0.0, 0.02, 1.0, 9.0, 30.0]))
        with write_window(data) as con:
            store.open(con)
            changed = store.work_on(now)
            for pot_id, at in changed.items():
                note_derived(con, pot_id, at)
                if store.chance.random() < 0.5:
                    tip(store, pot_id, at)
            for _ in range(store.chance.choice([0, 0, 1, 1, 2])):
                store.enter_something(now)
            store.summarise(changed, now, yard)
        with read_window(data) as con:
            pots = {f"pot-{pot_id}": pot_id for pot_id in store.extents}
            in_part += notice_since.since(con, yard, pots, now).least > dt.datetime(2, 1, 1)
        shutil.rmtree(whole, ignore_errors=True)
        shutil.copytree(data, whole)
        derive_notices(data, yard, now=now)
        derive_notices(whole, yard, full=True, now=now)
        found, expected = kept(data), kept(whole)
        assert found.equals(expected), (
            now,
            found.join(expected, on=found.columns, how="anti", nulls_equal=True).to_dicts(),
            expected.join(found, on=found.columns, how="anti", nulls_equal=True).to_dicts(),
        )
    return in_part


ORDERS = given(seed=st.integers(0, 100_000))
UNHURRIED: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
}


def part_equals_whole(seed: int, steps: int) -> None:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        run(Path(folder), seed, steps, YARD, patch)


@settings(max_examples=1, **UNHURRIED)
@ORDERS
def test_notices_from_the_first_change_on_equal_all_of_them(seed: int) -> None:
    part_equals_whole(seed, 5)


@pytest.mark.slow
@settings(max_examples=15, **UNHURRIED)
@ORDERS
def test_notices_from_the_first_change_on_equal_all_of_them_many_times(seed: int) -> None:
    part_equals_whole(seed, 45)


def test_most_steps_derive_some_of_the_notices_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(tmp_path, 4, 14, YARD, monkeypatch) >= 3
