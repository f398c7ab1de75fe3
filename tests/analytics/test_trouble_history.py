"""Charts and spans of trouble that go on from a pause equal those of the whole history."""

from __future__ import annotations

import datetime as dt
import random
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from derived_store import YARD, Store
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import change, condition_frames, part_frames, trouble_kept
from analytics.condition import CONDITION_SCHEMA
from analytics.condition_frames import SPELL_COLUMNS
from analytics.indicators import INDICATORS, ReckonWholly, changes
from analytics.noticing import derive_notices
from analytics.trouble_history import PotState, from_text, go_on, looked_through, pauses, to_text
from analytics.trouble_spans import trouble_spans
from analytics.writing import insert, note_derived
from ingest.store.connection import read_window, write_window
from ingest.store.repair import rebuild

BEGIN = dt.datetime(2026, 3, 2, 6)
INSTANT = pl.Datetime("us")
BLOCK_ORDER = ["indicator", "scatter", "at"]
ORDERS = given(seed=st.integers(0, 100_000))
UNHURRIED: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
}


def history(seed: int, days: int) -> pl.DataFrame:
    """Condition of a spell a day; indicators that wander off and come back, and that lack much."""
    chance, noise = random.Random(seed), np.random.default_rng(seed)
    at, spell = [], []
    for day in range(days):
        begin, cycles = BEGIN + dt.timedelta(days=day), chance.choice([3, 20, 64])
        for number in range(cycles):
            # On some days work rests for a while within the spell.
            rest = 130 if number > cycles // 2 and day % 3 == 0 else 0
            at.append(begin + dt.timedelta(minutes=7 * number + rest))
            spell.append(begin)
    count = len(at)
    columns: dict[str, pl.Series] = {
        "pressed_at": pl.Series(at, dtype=INSTANT),
        "spell_from_at": pl.Series(spell, dtype=INSTANT),
        "abrasive_start_kg": pl.Series(100.0 + noise.standard_normal(count)),
        "fit_caution": pl.Series([""] * count),
        "fill_m3_s_pa": pl.Series([1.0] * count),
        "leak_error_m3_s_pa": pl.Series(1e-9 * (1.0 + noise.random(count))),
    }
    for indicator in INDICATORS:
        moved = np.zeros(count)
        for _ in range(chance.choice([0, 1, 2, 4])):
            begun = chance.randrange(count)
            until = begun + chance.randrange(1, max(2, count // 3))
            moved[begun:until] += chance.choice([-3.0, -1.5, 1.5, 3.0, 6.0])
        moved += 0.5 * noise.standard_normal(count)
        values = float(indicator.relative) + indicator.matters * moved
        if chance.random() < 0.3:
            values[noise.random(count) < chance.choice([0.02, 0.5, 0.95, 1.0])] = np.nan
        columns[indicator.name] = pl.Series(values).fill_nan(None)
    frame = pl.DataFrame(columns)
    if chance.random() < 0.5:
        sound = ("standing_still_share", "missing_share", "held_unpressurised_share")
        saws = np.repeat(noise.normal(20e3, 15e3, count // 5 + 1), 5)[:count]
        frame = frame.with_columns(
            pl.Series("ripple_pa", saws), *(pl.lit(0.0).alias(name) for name in sound)
        )
    absent = [
        pl.lit(None, kind).alias(name)
        for name, kind in CONDITION_SCHEMA.items()
        if name not in frame.columns
    ]
    return frame.with_columns(absent).select(*CONDITION_SCHEMA, "spell_from_at")


def parts_fitted(seed: int, days: int) -> pl.DataFrame:
    chance = random.Random(seed)
    rows = [
        (chance.choice(["pinch_hose", "nozzle"]), BEGIN + dt.timedelta(days=chance.random() * days))
        for _ in range(chance.choice([0, 1, 4]))
    ]
    frame = pl.DataFrame(rows, schema={"part": pl.String, "at": INSTANT}, orient="row")
    return frame.sort("at", "part")


def after(frame: pl.DataFrame, name: str, at: dt.datetime) -> pl.DataFrame:
    return frame.filter(pl.col(name).is_null() | (pl.col(name) > at))


def goes_on_as_the_whole(seed: int, days: int, patch: pytest.MonkeyPatch) -> int:
    """On how many cuts one could go on."""
    patch.setattr(change, "_CHUNK", 100)
    conditions, fitted = history(seed, days), parts_fitted(seed, days)
    charts = changes(conditions, fitted)
    spans = trouble_spans(charts, conditions, fitted)
    rests = pauses(conditions)
    cuts = sorted(random.Random(seed).sample(rests, min(len(rests), 4)))
    found, found_spans, states = looked_through(conditions, fitted, cuts)
    assert found.sort(BLOCK_ORDER).equals(charts.sort(BLOCK_ORDER))
    assert found_spans.equals(spans)
    gone_on = 0
    for state in states:
        assert state.to_at is not None
        kept = from_text(to_text(state))
        assert kept.recent.equals(state.recent)
        assert (kept.known, kept.charts, kept.spans) == (state.known, state.charts, state.spans)
        begin = min(kept.learning.values(), default=state.to_at)
        read = conditions.filter(pl.col("pressed_at") >= begin)
        later = [at for at in rests if at > state.to_at]
        try:
            found, found_spans, _ = looked_through(read, fitted, later[-1:], kept)
        except ReckonWholly:
            continue
        gone_on += 1
        assert found.sort(BLOCK_ORDER).equals(after(charts, "at", state.to_at).sort(BLOCK_ORDER))
        assert found_spans.equals(after(spans, "to_at", state.to_at))
    return gone_on


@settings(max_examples=3, **UNHURRIED)
@ORDERS
def test_what_goes_on_from_a_pause_equals_the_whole(seed: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        goes_on_as_the_whole(seed, 40, patch)


@pytest.mark.slow
@settings(max_examples=60, **UNHURRIED)
@ORDERS
def test_what_goes_on_from_a_pause_equals_the_whole_many_times(seed: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        goes_on_as_the_whole(seed, random.Random(seed).choice([10, 30, 100]), patch)


def test_learned_charts_go_on_without_their_cycles(monkeypatch: pytest.MonkeyPatch) -> None:
    assert goes_on_as_the_whole(12, 60, monkeypatch) == 4
    conditions = history(12, 60)
    nothing = parts_fitted(12, 60).clear()
    state = go_on(PotState(), conditions, nothing, pauses(conditions)[-1]).state
    assert sum(chart.learned is not None for chart in state.charts.values()) >= 15


def steady(cycles: int) -> pl.DataFrame:
    """Cycles of an indicator that stays where it is, in spells of four: half a block each."""
    at = [
        BEGIN + dt.timedelta(hours=6 * (number // 4), minutes=number % 4)
        for number in range(cycles)
    ]
    names = [name for name in CONDITION_SCHEMA if name not in ("pressed_at", "vented_pa")]
    return pl.DataFrame({"pressed_at": pl.Series(at, dtype=INSTANT)}).with_columns(
        spell_from_at=pl.col("pressed_at").dt.truncate("1h"),
        vented_pa=pl.Series([float(number % 3) for number in range(cycles)]),
        **{name: pl.lit(None, CONDITION_SCHEMA[name]) for name in names},
    )


def test_a_chart_that_begins_in_the_past_is_reckoned_wholly() -> None:
    # With blocks of half the cycles, five of the reference and one more are there long before
    # there are cycles enough: then blocks are told that lie before the pause.
    conditions, fitted = steady(60), parts_fitted(0, 1).clear()
    begin = changes(conditions)["at"].min()
    cut = pauses(conditions)[8]
    assert isinstance(begin, dt.datetime) and begin < cut
    state = go_on(PotState(), conditions, fitted, cut).state
    with pytest.raises(ReckonWholly):
        go_on(state, conditions, fitted, None)
    found, _, states = looked_through(conditions, fitted, [cut])
    assert found.equals(changes(conditions)) and not states


def test_a_covariate_that_was_never_there_before_is_reckoned_wholly() -> None:
    conditions, fitted = steady(60), parts_fitted(0, 1).clear()
    cut = pauses(conditions)[2]
    state = go_on(PotState(), conditions, fitted, cut).state
    at = pl.col("pressed_at")
    later = conditions.with_columns(supply_pa=pl.when(at > cut).then(7e5))
    with pytest.raises(ReckonWholly):
        go_on(state, later, fitted, None)


# --- in the store ----------------------------------------------------------------------------


def weigh(store: Store, rows: pl.DataFrame) -> None:
    """Put a spell in the place of what was there, as weighing would."""
    begin = rows["spell_from_at"][0]
    forget(store, begin)
    made_of = str(store.chance.random())
    spell = (1, begin, rows["pressed_at"][-1], rows.height, made_of, None, None, None, "[]")
    insert(store.con, "spell", pl.DataFrame([spell], schema=SPELL_COLUMNS, orient="row"))
    insert(store.con, "condition", rows.with_columns(pl.lit(1, pl.Int16).alias("pot_id")))


def forget(store: Store, begin: dt.datetime) -> None:
    about = {"at": begin}
    note_derived(store.con, 1, begin)
    store.con.execute("DELETE FROM spell WHERE pot_id = 1 AND from_at = $at", about)
    store.con.execute("DELETE FROM condition WHERE pot_id = 1 AND spell_from_at = $at", about)


def kept(data: Path) -> tuple[pl.DataFrame, ...]:
    with read_window(data) as con:
        return tuple(
            con.sql(f"SELECT * FROM {table} ORDER BY ALL").pl()
            for table in ("trouble_span", "indicator_block", "trouble_state")
        )


def expected(data: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Spans and charts of all that is in the store, reckoned at once."""
    with read_window(data) as con:
        conditions = condition_frames.conditions(con, 1)
        fitted = part_frames.fittings(con).filter(pl.col("pot") == "pot-1")
    fitted = fitted.select("part", "at").sort("at", "part")
    charts = changes(conditions, fitted)
    return trouble_spans(charts, conditions, fitted), charts


def change_something(store: Store, days: list[pl.DataFrame], done: int, now: dt.datetime) -> int:
    """Weigh on, or anew, or drop a spell, or fit a part; how many spells are then complete."""
    chance = store.chance
    which, back = chance.random(), chance.choice([0, 0, 1, 3, 30])
    day = days[max(0, done - 1 - back)]
    if which < 0.5 and done < len(days):
        cycles = chance.randint(1, days[done].height)
        weigh(store, days[done][:cycles])
        return done + (cycles == days[done].height or chance.random() < 0.5)
    if which < 0.65:
        more = chance.choice([0.0, 20_000.0])
        weigh(store, day.with_columns(pl.col("holds_under_pa") + more))
    elif which < 0.75:
        forget(store, day["spell_from_at"][0])
    else:
        at = day["pressed_at"][0] + dt.timedelta(hours=chance.uniform(-20.0, 20.0))
        store.enter(
            "part_fitted", now, pot="pot-1", part=chance.choice(["pinch_hose", "nozzle"]),
            tag=chance.choice(["", "A", "B"]), at=f"{at:%Y-%m-%dT%H:%M:%SZ}",
        )  # fmt: skip
        store.summarise({}, now, YARD)
    return done


def in_random_order(folder: Path, seed: int, length: int, steps: int) -> int:
    """Steps in a random order, each held against all reckoned anew; how many went on."""
    data, whole = folder / "data", folder / "whole"
    store = Store(seed)
    days = history(seed, length).partition_by("spell_from_at", maintain_order=True)
    done, now, gone_on = store.chance.randrange(length // 2, length - 2), BEGIN, 0
    with write_window(data) as con:
        store.open(con)
        for day in days[:done]:
            weigh(store, day)
    for _ in range(steps):
        now += dt.timedelta(minutes=1)
        derive_notices(data, YARD, now=now)
        with write_window(data) as con:
            store.open(con)
            before = con.execute("SELECT to_at FROM chart_left ORDER BY to_at").fetchall()
            done = change_something(store, days, done, now)
        shutil.rmtree(whole, ignore_errors=True)
        shutil.copytree(data, whole)
        derive_notices(data, YARD, now=now)
        derive_notices(whole, YARD, full=True, now=now)
        found = kept(data)
        for part, of_all in zip(found, kept(whole), strict=True):
            assert part.equals(of_all), (seed, now)
        spans, charts = expected(data)
        assert (
            found[0]
            .filter(pl.col("pot_id") == 1)
            .drop("pot_id")
            .sort(spans.columns)
            .equals(spans.sort(spans.columns))
        )
        newest = charts["at"].max()
        assert newest == found[1]["block_at"].max()
        with read_window(data) as con:
            left = con.execute("SELECT to_at FROM chart_left ORDER BY to_at").fetchall()
        assert len(set(left)) == len(left)
        gone_on += bool(before) and before[:1] == left[:1]
    return gone_on


@settings(max_examples=1, **UNHURRIED)
@ORDERS
def test_trouble_from_the_change_on_equals_all_of_it(seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        in_random_order(Path(folder), seed, 20, 3)


@pytest.mark.slow
@settings(max_examples=6, **UNHURRIED)
@ORDERS
def test_trouble_from_the_change_on_equals_all_of_it_many_times(seed: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        in_random_order(Path(folder), seed, random.Random(seed).choice([20, 60, 150]), 12)


def test_a_spell_weighed_on_reads_no_cycles_of_weeks_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store(12)
    # A chart that is still learning needs its cycles from the first on; here there is one.
    conditions = history(12, 60).with_columns(
        *(pl.col(i.name).fill_null(float(i.relative)) for i in INDICATORS if not i.scatter)
    )
    conditions = conditions.with_columns(
        press_delay_s=pl.when(pl.int_range(pl.len()) % 9 == 0).then("press_delay_s")
    )
    days = conditions.partition_by("spell_from_at", maintain_order=True)
    with write_window(tmp_path) as con:
        store.open(con)
        for day in days[:-1]:
            weigh(store, day)
    derive_notices(tmp_path, YARD, now=BEGIN)
    with write_window(tmp_path) as con:
        store.open(con)
        weigh(store, days[-1])
    read = []
    looked = trouble_kept.looked_through

    def noted(conditions: pl.DataFrame, *others: Any) -> Any:
        read.append(conditions)
        return looked(conditions, *others)

    monkeypatch.setattr(trouble_kept, "looked_through", noted)
    derive_notices(tmp_path, YARD, now=BEGIN)
    (frame,) = read
    newest = frame.filter(pl.col("pressed_at") >= days[-2]["pressed_at"][0])
    older = frame.filter(pl.col("pressed_at") < days[-2]["pressed_at"][0])
    assert newest.height >= days[-1].height and newest["vented_pa"].null_count() == 0
    assert 0 < older.height < conditions.height / 8
    assert older["vented_pa"].null_count() == older.height
    spans, _ = expected(tmp_path)
    assert kept(tmp_path)[0].drop("pot_id").sort(spans.columns).equals(spans.sort(spans.columns))


def test_older_pauses_are_kept_more_thinly() -> None:
    ats: list[dt.datetime] = []
    for day in range(1000):
        ats = trouble_kept._thinned([*ats, BEGIN + dt.timedelta(days=day)])
    ages = [(ats[0] - at).days for at in ats]
    assert ages[:2] == [0, 1] and len(ages) < 20


@pytest.mark.parametrize("splits", [[3], [7, 8], [1, 2, 3, 30]])
def test_charts_in_pieces_equal_one(splits: list[int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(change, "_CHUNK", 8)
    x = 5.0 + np.random.default_rng(1).standard_normal(40).cumsum()
    ewma = change.ewma_chart(x, 5.0, 0.7, 0.4, 3.0)
    cusum = change.cusum_chart(x, 5.0, 0.7, 0.75, 4.0)
    state, pieces = change.CHART_BEGINS, []
    for piece in np.split(x, splits):
        *found, state = change.charts_go_on(piece, 5.0, 0.7, 0.4, 0.75, state)
        pieces.append(found)
    deviation, high, low = (np.concatenate(parts) for parts in zip(*pieces, strict=True))
    assert (5.0 + deviation == ewma.smoothed).all()
    assert (high == cusum.high).all() and (low == cusum.low).all()


def test_a_store_that_was_repaired_has_its_charts_again(tmp_path: Path) -> None:
    store = Store(12)
    days = history(12, 20).partition_by("spell_from_at", maintain_order=True)
    with write_window(tmp_path) as con:
        store.open(con)
        for day in days:
            weigh(store, day)
    derive_notices(tmp_path, YARD, now=BEGIN)
    before = kept(tmp_path)
    assert all(frame.height for frame in before)
    rebuild(tmp_path, None)
    derive_notices(tmp_path, YARD, now=BEGIN)
    for was, again in zip(before, kept(tmp_path), strict=True):
        assert again.equals(was)
