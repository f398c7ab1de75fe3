"""Summaries of which only what has changed is reckoned anew equal those that are made wholly."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from derived_store import BEGIN, YARD, Store

from analytics import hours, pot_days, summaries
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from ingest.config import Yard
from ingest.store.connection import write_window

COUNTING_ALL = YARD.model_copy(
    update={"derive": YARD.derive.model_copy(update={"count_silence_outside_shifts": True})}
)
TABLES = ("shift_summary", "part_usage", "part_stay", "part_check", "pot_day")


def tables(store: Store) -> dict[str, pl.DataFrame]:
    return {table: store.con.sql(f"FROM {table} ORDER BY ALL").pl() for table in TABLES}


def run(folder: Path, seed: int, steps: int, yard: Yard, patch: pytest.MonkeyPatch) -> int:
    """Steps in a random order, each held against all made wholly; in how many rows stayed."""
    # So that pots have soon blasted for long enough, and days before are not read any more.
    patch.setattr(hours, "PACE_US", 5 * 3_600_000_000)
    in_part = []
    wholly = summaries._wholly
    with write_window(folder) as con:
        store, now = Store(seed), BEGIN
        store.open(con)
        for _ in range(steps):
            now += dt.timedelta(hours=store.chance.choice([0.0, 0.02, 1.0, 9.0, 30.0]))
            changed = store.work_on(now)
            for _ in range(store.chance.choice([0, 0, 1, 1, 2])):
                store.enter_something(now)
            made: list[int] = []
            patch.setattr(
                summaries, "_wholly",
                lambda *given, made=made: made.append(1) or wholly(*given),
            )  # fmt: skip
            store.summarise(changed, now, yard)
            in_part.append(not made)
            found = tables(store)
            con.execute("DELETE FROM summary_state")
            store.summarise({}, now, yard)
            whole = tables(store)
            for table in TABLES:
                assert found[table].equals(whole[table]), (table, now, found[table], whole[table])
    return sum(in_part)


@pytest.mark.parametrize("yard", [YARD, COUNTING_ALL], ids=["shifts", "all silence"])
def test_what_is_reckoned_in_part_equals_what_is_made_wholly(
    tmp_path: Path, yard: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(tmp_path, 5, 16, yard, monkeypatch) >= 6


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_what_is_reckoned_in_part_equals_what_is_made_wholly_many_times(
    tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = COUNTING_ALL if seed % 3 == 2 else YARD
    assert run(tmp_path, 100 + seed, 70, yard, monkeypatch) >= 20


def test_rows_that_did_not_change_stay_where_they_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hours, "PACE_US", 3_600_000_000)
    with write_window(tmp_path) as con:
        store = Store(3)
        store.open(con)
        store.work_by_day(20)
        now = BEGIN + dt.timedelta(days=19, hours=20)
        store.summarise({}, now, YARD)
        # Told apart from what would be reckoned; only what is old must keep it.
        con.execute("UPDATE shift_summary SET crew = crew || ' as it was', pinched_s = -1.0")
        con.execute("UPDATE part_check SET blast_us = -1")
        con.execute("UPDATE pot_day SET silent_us = silent_us + 1")
        later = now + dt.timedelta(hours=1)
        store.put_work(1, now, later)
        store.summarise({1: now}, later, YARD)
        kept = con.execute("SELECT count(*) FROM shift_summary WHERE pinched_s < 0").fetchall()
        checks = con.execute("SELECT count(*) FROM part_check WHERE blast_us < 0").fetchall()
    assert (kept, checks) == ([(20,)], [(20,)])


def test_who_asks_within_a_day_that_was_not_read_is_told_so() -> None:
    day = hours.DAY_US
    days = pl.DataFrame(
        [("pot-1", BEGIN.replace(hour=0), 5, 5, 5, 0, 1, 1)],
        schema=pot_days.DAY_SCHEMA, orient="row",
    )  # fmt: skip
    nothing = pl.DataFrame(schema=CYCLE_SCHEMA)
    gaps = pl.DataFrame(schema=GAP_SCHEMA)
    totals = hours.pot_hours(nothing, gaps, None, None, [])
    begin_us = hours.microseconds(BEGIN.replace(hour=0))
    read = [begin_us + 3 * day]
    sparse = pot_days.with_days(totals, days, np.array(read))
    edges = np.array([begin_us, begin_us + day, begin_us + 3 * day + 5])
    assert sparse.blast.us_up_to(edges).tolist() == [0, 5, 5]
    with pytest.raises(ValueError, match="not read"):
        sparse.blast.us_up_to(edges + 7)
