"""Notices in the store: piece by piece equals at once, and late data are told of."""

from __future__ import annotations

import datetime as dt
import importlib.util
import itertools
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import notice_frames
from analytics.notices import lifecycle
from analytics.noticing import derive_notices
from analytics.pipeline import derive
from analytics.weighing import weigh_spells
from ingest import records
from ingest.config import Yard, parse_yard
from ingest.notice_kinds import NOTICE_KINDS
from ingest.store.connection import read_window, write_window
from simulated_feeds.faults.fault_set import FaultSet

PutSamples = Callable[[Path, str, pl.DataFrame], None]

BEGIN = dt.datetime(2026, 3, 2, 6)
NOW = dt.datetime(2026, 3, 2, 9)


def second(number: float) -> dt.datetime:
    return BEGIN + dt.timedelta(seconds=number)


def troubled(seconds: int, seed: int) -> pl.DataFrame:
    """A pot that stays up after some releases, comes up alone, is over its plate, and silences."""
    rng = np.random.default_rng(seed)
    at = np.arange(0, seconds, 1.0)
    edges = np.cumsum(rng.choice([5, 20, 40, 120], size=seconds))
    held = np.searchsorted(edges, at) % 2 == 1
    level = rng.choice([0.0, 0.0, 1e5, 6e5, 1.1e6], size=seconds)[np.searchsorted(edges, at)]
    pot = np.where(held, 7e5, level) + rng.normal(0.0, 500.0, at.size)
    heard = np.ones(at.size, dtype=bool)
    for start in rng.choice(seconds, size=4):
        heard &= ~((at >= start) & (at < start + rng.choice([4, 30, 400])))
    return pl.DataFrame(
        {
            "sampled_at": [second(float(s)) for s in at], "deadman": held,
            "supply_pa": 7e5 + rng.normal(0.0, 500.0, at.size), "pot_pa": pot,
            "nozzle_pa": np.where(held, 6e5, 0.0),
        }
    ).filter(pl.Series(heard))  # fmt: skip


def kept(data: Path) -> dict[str, pl.DataFrame]:
    tables = ("pressure_watch", "trouble_span", "notice")
    with read_window(data) as con:
        return {table: con.sql(f"SELECT * FROM {table} ORDER BY ALL").pl() for table in tables}


UNHURRIED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
PIECES = given(
    seed=st.integers(0, 10_000),
    cuts=st.lists(st.integers(1, 2399), min_size=1, max_size=4, unique=True),
    order=st.randoms(use_true_random=False),
    derive_after=st.lists(st.booleans(), min_size=5, max_size=5),
)


@settings(max_examples=2, deadline=None, suppress_health_check=UNHURRIED)
@PIECES
def test_piece_by_piece_equals_at_once(
    yard: Yard, put_samples: PutSamples, seed: int, cuts: list[int], order: Any,
    derive_after: list[bool],
) -> None:  # fmt: skip
    signal = troubled(2400, seed)
    pieces = [
        signal.filter((pl.col("sampled_at") >= second(a)) & (pl.col("sampled_at") < second(b)))
        for a, b in itertools.pairwise([0, *sorted(cuts), 2400])
    ]
    pieces = [piece for piece in pieces if piece.height]
    order.shuffle(pieces)
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        for number, (piece, now_and_then) in enumerate(zip(pieces, derive_after, strict=False)):
            put_samples(data, "pot-1", piece)
            if now_and_then:
                derive(data, yard, now=NOW)
                derive_notices(data, yard, now=NOW - dt.timedelta(minutes=10 * (5 - number)))
        derive(data, yard, now=NOW)
        derive_notices(data, yard, now=NOW)
        in_pieces = kept(data)
        derive(data, yard, full=True, now=NOW)
        derive_notices(data, yard, full=True, now=NOW)
        for table, frame in kept(data).items():
            assert in_pieces[table].equals(frame), table
        assert in_pieces["notice"].height > 0


test_piece_by_piece_equals_at_once_many_times = pytest.mark.slow(
    settings(max_examples=20, deadline=None, suppress_health_check=UNHURRIED)(
        PIECES(test_piece_by_piece_equals_at_once.hypothesis.inner_test)
    )
)


def stays_up(from_s: int, to_s: int, up: bool = True) -> pl.DataFrame:
    """Blasting for a minute, then the dead-man shut; the pot stays up, or falls at once."""
    at = np.arange(from_s, to_s, 0.5)
    held = (at >= 10) & (at < 70)
    pot = np.where(held, 7e5, np.where((at >= 70) & up, 4e5, 0.0)) + 100.0 * (at % 7)
    return pl.DataFrame(
        {
            "sampled_at": [second(float(s)) for s in at], "deadman": held,
            "supply_pa": 7e5 + 100.0 * (at % 5), "pot_pa": pot, "nozzle_pa": pot * 0.9,
        }
    )  # fmt: skip


def standing(data: Path, now: dt.datetime = NOW) -> pl.DataFrame:
    with read_window(data) as con:
        return lifecycle(notice_frames.notices(con), notice_frames.notice_entries(con), now)


def told(data: Path) -> list[tuple[str, str, bool]]:
    with read_window(data) as con:
        return notice_frames.notice_events(con).select("kind", "what", "late").rows()


def test_late_data_take_a_notice_back_and_bring_another_and_both_are_told(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    # Heard up to half a minute after the release, and again an hour later.
    put_samples(tmp_path, "pot-1", stays_up(0, 101))
    derive(tmp_path, yard, now=second(110))
    derive_notices(tmp_path, yard, now=second(110))
    assert told(tmp_path) == [("pressure_after_release", "raised", False)]
    # A corrected transducer, or readings that come later: the pot had fallen all the same.
    with write_window(tmp_path) as con:
        con.execute(
            "UPDATE sample_kept SET pot_pa_n = NULL, pot_pa_by = 0 WHERE sampled_at >= $at",
            {"at": second(75)},
        )
        con.execute(
            "INSERT INTO touched SELECT nextval('touched_number'), 1, $at, $at",
            {"at": second(80)},
        )
    derive(tmp_path, yard, now=NOW)
    derive_notices(tmp_path, yard, now=NOW)
    assert told(tmp_path)[1:] == [("pressure_after_release", "withdrawn", True)]
    # From a card, hours later: before all that it had stood up for a long time.
    put_samples(tmp_path, "pot-1", stays_up(0, 400).with_columns(
        pl.col("sampled_at") - dt.timedelta(hours=2)))  # fmt: skip
    derive(tmp_path, yard, now=NOW)
    derive_notices(tmp_path, yard, now=NOW)
    assert ("pressure_after_release", "raised", True) in told(tmp_path)[2:]


def test_an_acknowledgement_stays_through_a_full_rebuild_and_a_begin_that_moves(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", stays_up(90, 300))
    now = second(320)
    derive(tmp_path, yard, now=now)
    derive_notices(tmp_path, yard, now=now)
    row = standing(tmp_path, now).row(0, named=True)
    records.add(
        tmp_path, yard, "notice_seen",
        {"pot": row["pot"], "notice": row["notice_id"], "notice_kind": row["kind"],
         "cause": row["cause"], "began_at": f"{row['began_at'].isoformat()}Z"},
        "Maintainer 1", "command", at=second(330).replace(tzinfo=dt.UTC),
    )  # fmt: skip
    derive(tmp_path, yard, full=True, now=now)
    derive_notices(tmp_path, yard, full=True, now=now)
    again = standing(tmp_path, now).row(0, named=True)
    assert (again["notice_id"], again["state"]) == (row["notice_id"], "acknowledged")
    before = told(tmp_path)
    put_samples(tmp_path, "pot-1", stays_up(0, 90))
    derive(tmp_path, yard, now=now)
    derive_notices(tmp_path, yard, now=now)
    moved = standing(tmp_path, now).row(0, named=True)
    assert moved["began_at"] == second(70) and moved["notice_id"] != row["notice_id"]
    assert moved["state"] == "acknowledged"
    assert told(tmp_path) == before


def test_what_became_of_notices_is_numbered_where_it_happens_again(tmp_path: Path) -> None:
    from analytics.notices import EVENT_SCHEMA
    from analytics.noticing import _log

    def told(*keys: tuple[str, str]) -> pl.DataFrame:
        rows = [(key, "pot-1", "box_silent", what, BEGIN, False, "") for key, what in keys]
        return pl.DataFrame(rows, schema=EVENT_SCHEMA, orient="row")

    with write_window(tmp_path) as con:
        _log(con, told(("aa", "raised"), ("ab", "raised"), ("aa", "cleared")), NOW)
        _log(con, told(), NOW)
        _log(con, told(("aa", "raised"), ("aa", "raised"), ("b", "raised")), NOW)
        _log(con, told(("aa", "raised")), NOW)
        logged = notice_frames.notice_events(con)
    assert logged["event_id"].is_sorted()
    assert logged["message_id"].to_list() == [
        "aa.raised.box_silent", "ab.raised.box_silent", "aa.cleared.box_silent",
        "aa.raised.box_silent.2", "aa.raised.box_silent.3", "b.raised.box_silent",
        "aa.raised.box_silent.4",
    ]  # fmt: skip


def test_nothing_is_told_twice_though_the_table_was_lost(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", stays_up(0, 300))
    derive(tmp_path, yard, now=NOW)
    assert derive_notices(tmp_path, yard, now=NOW).events > 0
    before = told(tmp_path)
    assert derive_notices(tmp_path, yard, now=NOW).events == 0
    with write_window(tmp_path) as con:
        con.execute("DELETE FROM notice")
    assert derive_notices(tmp_path, yard, full=True, now=NOW).events == 0
    assert told(tmp_path) == before


# --- the faults of the simulator -------------------------------------------------------------

FAULTS = {
    "over_pressure": (0.9, "over_plate"),
    "stays_pressurised": (0.2, "pressure_after_release"),
    "pressurises_alone": (0.4, "pressurised_unheld"),
    "relief_early": (0.3, "relief_lifted"),
    "pinch_leak": (0.5, "pinch_leak"),
    "slow_exhaust": (0.7, "not_exhausting"),
    "wet_air": (0.4, "separator"),
    "compressor_starved": (0.5, "manifold_sag"),
    "nozzle_wear": (0.6, "nozzle_worn"),
    "loop_broken": (0.15, "transducer_fault"),
    "transducer_stuck": (0.2, "transducer_fault"),
    "box_silent": (0.08, "box_silent"),
}
SIMULATED = """
[site]
name = "invented-yard"
time_zone = "UTC"
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = {volume_m3}
plate_pa = 862_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "nozzle", "deadman"]
[[transducer]]
pot = "pot-1"
channel = "pot"
range_pa = [0, 1_000_000]
"""
HOURS, WELL = 4.0, 2


@pytest.fixture(scope="module")
def trials() -> ModuleType:
    path = Path(__file__).resolve().parent.parent / "bench" / "condition_trials.py"
    if "condition_trials" not in sys.modules:
        spec = importlib.util.spec_from_file_location("condition_trials", path)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["condition_trials"] = module
        spec.loader.exec_module(module)
    return sys.modules["condition_trials"]


def lived_through(
    data: Path, put: PutSamples, trials: ModuleType, number: int, faults: list[dict[str, float]]
) -> tuple[pl.DataFrame, dt.datetime, Yard]:
    """Shifts of a simulated pot, each with its faults; gives its notices and the last's begin."""
    begin, yard = BEGIN, None
    for shift, wrong in enumerate(faults):
        fault_set = FaultSet(wrong, seed=number + shift) if wrong else None
        trial = trials.make_trial(number, 10.0, HOURS, fault_set, shift=shift)
        yard = yard or parse_yard(SIMULATED.format(volume_m3=round(trial.known_volume_m3, 5)))
        signals = trials.read(trial, 10.0, 0.0025)
        begin = trials.EPOCH + dt.timedelta(microseconds=trial.begin_us)
        if fault_set is not None and "box_silent" in wrong:
            elapsed = (signals["sampled_at"] - begin).dt.total_seconds().to_numpy()
            sent, _, _ = fault_set.judge_seconds(elapsed)
            signals = signals.filter(pl.Series(sent))
        put(data, "pot-1", signals)
    assert yard is not None
    end = begin + dt.timedelta(hours=HOURS)
    derive(data, yard, now=end)
    weigh_spells(data, yard)
    derive_notices(data, yard, now=end)
    found = standing(data, end).filter(pl.col("kind") != "records_missing")
    return found.filter(~pl.col("kind").str.starts_with("rule")), begin, yard


@pytest.mark.slow
@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_a_simulated_fault_is_noticed_once_by_its_own_kind(
    tmp_path: Path, put_samples: PutSamples, trials: ModuleType, fault: str
) -> None:
    severity, kind = FAULTS[fault]
    faults = [{}] * WELL + [{fault: severity}]
    found, ill_from, _ = lived_through(tmp_path, put_samples, trials, 3, faults)
    assert found["kind"].to_list() == [kind]
    assert found["began_at"][0] >= ill_from
    group = NOTICE_KINDS[kind].group
    assert all(NOTICE_KINDS[k].group == group for k in found["also"][0].split(",") if k)


@pytest.mark.slow
def test_a_healthy_pot_raises_nothing(
    tmp_path: Path, put_samples: PutSamples, trials: ModuleType
) -> None:
    found, _, _ = lived_through(tmp_path, put_samples, trials, 3, [{}] * 5)
    assert found.is_empty(), found
