"""Notices that are derived from the first change on equal those that are derived wholly."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from derived_store import BEGIN, YARD_TEXT, Store
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from analytics import frames, hours, notice_since
from analytics.notices import NOTICE_SCHEMA
from analytics.noticing import derive_notices
from analytics.rule_spans import Curve, DayCurve
from analytics.writing import note_derived
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


def kept(data: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Notices, and what was told of them."""
    told = "notice_id, kind, what, happened_at, noticed_at, late, said, message_id"
    with read_window(data) as con:
        return (
            con.sql(f"SELECT {', '.join(NOTICE_SCHEMA)} FROM notice ORDER BY ALL").pl(),
            con.sql(f"SELECT {told} FROM notice_event ORDER BY ALL").pl(),
        )


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
            since = notice_since.since(con, yard, frames.pots(con), now)
            in_part += since.others > frames.EARLIEST
        shutil.rmtree(whole, ignore_errors=True)
        shutil.copytree(data, whole)
        derive_notices(data, yard, now=now)
        derive_notices(whole, yard, full=True, now=now)
        for found, expected in zip(kept(data), kept(whole), strict=True):
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
    part_equals_whole(seed, 4)


@pytest.mark.slow
@settings(max_examples=6, **UNHURRIED)
@ORDERS
def test_notices_from_the_first_change_on_equal_all_of_them_many_times(seed: int) -> None:
    part_equals_whole(seed, 45)


def three_weeks(data: Path) -> tuple[Store, dt.datetime]:
    """A pot that was worked with for three weeks, with shifts and looks at its parts."""
    store = Store(3)
    now = BEGIN + dt.timedelta(days=20)
    with write_window(data) as con:
        store.open(con)
        store.work_by_day(20)
        note_derived(con, 1, BEGIN)
        store.summarise({}, now, YARD)
    derive_notices(data, YARD, now=now)
    return store, now


def test_notices_that_did_not_change_stay_where_they_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hours, "PACE_US", 3_600_000_000)
    store, now = three_weeks(tmp_path)
    later = now + dt.timedelta(hours=1)
    with write_window(tmp_path) as con:
        store.open(con)
        # Told apart from what would be derived; only what is old must keep it.
        con.execute("UPDATE notice SET said = 'as it was'")
        at = store.put_work(1, now, later)
        note_derived(con, 1, at)
        store.summarise({1: at}, later, YARD)
    derive_notices(tmp_path, YARD, now=later)
    notices, _ = kept(tmp_path)
    stayed = notices.filter(pl.col("said") == "as it was")
    fresh = notices.filter(pl.col("said") != "as it was")
    for kind in ("box_silent", "records_missing", "rule_"):
        assert stayed.filter(pl.col("kind").str.starts_with(kind)).height >= 8, kind
    assert fresh.height
    # What is told anew had not cleared by a day or so before.
    assert fresh["cleared_at"].drop_nulls().is_between(now - dt.timedelta(days=2), later).all()


def test_what_is_written_while_notices_are_derived_is_not_passed_over(tmp_path: Path) -> None:
    with write_window(tmp_path) as con:
        note_derived(con, 1, BEGIN)
        note_derived(con, 2, BEGIN)
        since = notice_since.since(con, YARD, {"pot-1": 1, "pot-2": 2}, BEGIN)
        note_derived(con, 2, BEGIN - dt.timedelta(days=9))
        notice_since.keep(con, since)
        left = con.execute("SELECT pot_id, from_at FROM notice_changed").fetchall()
    assert left == [(2, BEGIN - dt.timedelta(days=9))]


def test_a_part_that_comes_overdue_goes_on_with_the_notice_that_stood(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hours, "PACE_US", 3_600_000_000)
    store, now = three_weeks(tmp_path)

    def told_at(at: dt.datetime) -> pl.DataFrame:
        with write_window(tmp_path) as con:
            store.open(con)
            store.summarise({}, at, YARD)
        derive_notices(tmp_path, YARD, now=at)
        cause = "pinch_hose/1/pinch_hose"
        return kept(tmp_path)[0].filter(
            (pl.col("cause") == cause) & (pl.col("pot") == "pot-1")
            & pl.col("cleared_at").is_null()
        )  # fmt: skip

    with write_window(tmp_path) as con:
        store.open(con)
        for pot, tag, at in (
            ("pot-2", "B", BEGIN), ("pot-1", "A", BEGIN), ("pot-1", "B", now),
        ):  # fmt: skip
            store.enter("part_fitted", now, pot=pot, part="pinch_hose", tag=tag,
                        at=f"{at:%Y-%m-%dT%H:%M:%SZ}")  # fmt: skip
    first = told_at(now)
    # The hose on pot 1 was overdue, and the one that took its place was, too.
    assert first["began_at"].item() < now - dt.timedelta(days=10)
    days = [told_at(now + dt.timedelta(days=day)) for day in (2, 4, 6)]
    assert [found.drop("last_at").rows() for found in days] == 3 * [first.drop("last_at").rows()]
    derive_notices(tmp_path, YARD, full=True, now=now + dt.timedelta(days=6))
    assert (
        kept(tmp_path)[0].filter(pl.col("notice_id") == first["notice_id"].item()).equals(days[-1])
    )


def test_a_shift_called_like_refills_is_no_refill(tmp_path: Path) -> None:
    store, now = three_weeks(tmp_path)
    at = BEGIN + dt.timedelta(days=1)
    # Of two shifts and refills of a day, each is told, though one could be taken for another.
    called = [f"refills {at:%Y-%m-%d}", f"shift refills {at:%Y-%m-%d}"]
    with write_window(tmp_path) as con:
        store.open(con)
        for name in called:
            store.enter(
                "shift", now, shift=name, crew="crew-a", job="tank", people=2, pots=["pot-1"],
                from_at=f"{at:%Y-%m-%dT%H:%M:%SZ}",
                to_at=f"{at + dt.timedelta(hours=8):%Y-%m-%dT%H:%M:%SZ}",
            )  # fmt: skip
        con.execute("INSERT INTO tipping VALUES (1, $at, $at, $at, 60.0, 2.0, NULL)", {"at": at})
        note_derived(con, 1, at)
        store.summarise({1: at}, now + dt.timedelta(hours=3), YARD)
    derive_notices(tmp_path, YARD, now=now + dt.timedelta(hours=3))
    mine = pl.col("cause").str.contains("refills")
    told, _ = kept(tmp_path)
    told = told.filter(mine)
    assert sorted(told["cause"]) == [
        f"refills {at:%Y-%m-%d}", *(f"shift {name}" for name in called)
    ]  # fmt: skip
    # Later work changes none of them, and is looked through without them.
    later = now + dt.timedelta(days=2)
    with write_window(tmp_path) as con:
        store.open(con)
        begin = store.put_work(1, now + dt.timedelta(hours=3), later)
        note_derived(con, 1, begin)
        store.summarise({1: begin}, later, YARD)
    derive_notices(tmp_path, YARD, now=later)
    assert kept(tmp_path)[0].filter(mine).equals(told)
    assert not kept(tmp_path)[1].filter(pl.col("what") == "withdrawn")["notice_id"].is_in(
        told["notice_id"].implode()
    ).any()  # fmt: skip


# --- the day of a limit ----------------------------------------------------------------------

DAY = hours.DAY_US
SPANS = st.lists(st.tuples(st.integers(1, DAY), st.integers(1, DAY // 3)), min_size=1, max_size=30)
COUNTS = st.lists(
    st.tuples(
        st.floats(0.0, 1.0), st.floats(0.0, 1.0),
        st.one_of(st.just(np.inf), st.floats(-1.0, 60.0)),
        st.one_of(st.just(np.inf), st.floats(-1.0, 30.0)),
    ),
    min_size=1, max_size=8,
)  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(spans=SPANS, counts=COUNTS)
@example(spans=[(DAY - 10, 20), (5 * DAY, 3)], counts=[(0.0, 1.0, 1e-9, np.inf)])
@example(spans=[(3 * DAY, 7)], counts=[(0.0, 0.5, -1.0, np.inf), (0.0, 1.0, -1.0, np.inf)])
def test_a_limit_passes_where_it_does_by_all_edges(
    spans: list[tuple[int, int]], counts: list[tuple[float, float, float, float]]
) -> None:
    begins = np.cumsum([pause for pause, _ in spans]) + np.cumsum(
        [0, *(length for _, length in spans[:-1])]
    )
    ends = begins + np.array([length for _, length in spans])
    blast = hours.total(begins, ends, (ends - begins) / 1e6)
    pressed = hours.Count(begins)

    def used(from_us: Any, to_us: Any) -> Any:
        high_h = blast.within(from_us, to_us) / 3600.0
        return high_h, pressed.within(from_us, to_us).astype(float)

    def used_within(days: set[int]) -> Any:
        def within(from_us: Any, to_us: Any) -> Any:
            for at_us in (from_us, to_us):
                asked = at_us[at_us % DAY != 0] // DAY * DAY
                assert set(asked.tolist()) <= days
            return used(from_us, to_us)

        return within

    last = int(ends[-1]) + DAY
    asked = [(int(a * last), int(a * last + b * (last - a * last)), h, n) for a, b, h, n in counts]
    columns = [np.array(column) for column in zip(*asked, strict=True)]
    of_days = DayCurve(
        used_within,
        lambda from_us, to_us: ends[(ends > from_us) & (ends <= to_us)],
        lambda at_us: next(iter(ends[ends > at_us].tolist()), None),
    )
    assert of_days.first_over(*columns) == Curve(ends, used).first_over(*columns)
