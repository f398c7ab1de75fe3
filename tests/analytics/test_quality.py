"""Bad readings never count, each cause is told apart, and judging does not depend on the pieces."""

from __future__ import annotations

import datetime as dt
import itertools
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import frames
from analytics.pieces import rest_spans
from analytics.pipeline import derive, transducer_laws
from analytics.quality import CAUSES, NEIGHBOUR_S, rate_ok, rests, zero_checks
from analytics.signals import TransducerLaw, judged, signals
from dashboard.commands.signals import CAUSE_WORDS
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window
from ingest.yard_faults import YardFaults

PutSamples = Callable[[Path, str, pl.DataFrame], None]

BEGIN = dt.datetime(2026, 3, 2, 6)
NOW = dt.datetime(2026, 3, 3)
LAW = TransducerLaw("pot", 0.0, 1_000_000.0)


def of_currents(*currents_ma: float) -> pl.DataFrame:
    """A sample a second of the pot's loop current."""
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=n) for n in range(len(currents_ma))],
            "deadman": [False] * len(currents_ma),
            "pot_pa": pl.Series([None] * len(currents_ma), dtype=pl.Float64),
            "pot_ma": list(currents_ma),
            "quality": [0] * len(currents_ma),
        }
    )


# --- NAMUR NE 43 -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_ma", "measures", "certain"),
    [
        # At, just under and just over each limit: NE 43's 3.6, 3.8, 20.5 and 21.0 mA.
        (3.599, False, False), (3.6, False, False), (3.601, True, False),
        (3.799, True, False), (3.8, True, True), (3.801, True, True),
        (4.0, True, True), (12.0, True, True), (20.0, True, True),
        (20.499, True, True), (20.5, True, True), (20.501, True, False),
        (20.999, True, False), (21.0, False, False), (21.001, False, False),
        (0.0, False, False), (-1.0, False, False), (24.0, False, False),
    ],
)  # fmt: skip
def test_the_bands_of_ne_43(current_ma: float, measures: bool, certain: bool) -> None:
    whole = judged(of_currents(12.0, current_ma, 12.0), [LAW])
    value = whole.signals["pot_pa"][1]
    assert (value is not None) == measures
    if measures and certain:
        assert whole.faults.is_empty()
    else:
        (row,) = whole.faults.iter_rows(named=True)
        assert row["loop_bad"] == (not measures)
        assert row["certain_bad"] == (measures and not certain)


@pytest.mark.parametrize(
    ("current_ma", "pressure_pa"),
    # 0 to 1000 kPa on 4 to 20 mA, reckoned by hand: (I - 4) / 16 of the span.
    [(3.8, -12_500.0), (4.0, 0.0), (12.0, 500_000.0), (20.0, 1e6), (20.5, 1_031_250.0)],
)
def test_scaling_does_not_clip_below_zero(current_ma: float, pressure_pa: float) -> None:
    frame = signals(of_currents(current_ma), [LAW])
    assert frame["pot_pa"][0] == pytest.approx(pressure_pa, abs=1e-6)


def test_pascals_are_judged_by_the_current_their_range_says() -> None:
    at_limit = [-25_000.0, -24_999.0, -12_500.0, 1_031_250.0, 1_062_499.0, 1_062_500.0]
    frame = of_currents(*[0.0] * 6).with_columns(
        pot_pa=pl.Series(at_limit), pot_ma=pl.lit(None, pl.Float64)
    )
    whole = judged(frame, [LAW])
    assert whole.signals["pot_pa"].is_null().to_list() == [True, *[False] * 4, True]
    assert whole.faults.select("loop_bad", "certain_bad").rows() == [(2, 2)]
    # Where nothing is known of the transducer there is no range to judge by.
    assert judged(frame, []).signals["pot_pa"].null_count() == 0


def test_what_ingest_flagged_does_not_count() -> None:
    frame = of_currents(12.0, 12.0).with_columns(quality=pl.Series([4, 1]))
    whole = judged(frame, [LAW])
    assert whole.signals["pot_pa"].to_list() == [None, 500_000.0]
    assert whole.faults["range_bad"].to_list() == [1]


# --- jumps and stuck values --------------------------------------------------------------------


def test_a_spike_is_bad_and_a_step_or_a_real_rise_is_not() -> None:
    at = np.arange(7) * 100_000
    spike = np.array([1e5, 1e5, 9e5, 1e5, 1e5, 1e5, 1e5])
    assert rate_ok(at, spike, 2e6).tolist() == [True, True, False, True, True, True, True]
    step = np.array([1e5, 1e5, 9e5, 9e5, 9e5, 9e5, 1e5])
    assert rate_ok(at, step, 2e6).all()
    rise = np.minimum(np.arange(7) * 1.9e5, 7e5)
    assert rate_ok(at, rise, 2e6).all()
    # Neighbours far away say nothing, and neither do two readings.
    assert rate_ok(np.arange(7) * 2_000_000, spike, 2e6).all()
    assert rate_ok(at[:2], spike[1:3], 2e6).all()


@pytest.mark.parametrize("seed", range(4))
def test_jumps_are_those_of_the_readings_that_are_there(seed: int) -> None:
    """What is told quickly of readings without a hole is what is told of each with its neighbours;
    readings that are missing stand for nothing in between."""
    rng = np.random.default_rng(seed)
    found = 0
    for _ in range(300):
        size = int(rng.integers(1, 40))
        at = np.cumsum(rng.choice([0, 50_000, 100_000, 2_500_000], size))
        pressure = rng.choice([1e5, 1.01e5, 3e5, 9e5], size, p=[0.5, 0.2, 0.1, 0.2])
        expected = []
        for i in range(1, size - 1):
            into, out = np.diff(pressure[i - 1 : i + 2])
            into_s, out_s = np.diff(at[i - 1 : i + 2]) / 1e6
            fast = abs(into) > 2e6 * into_s > 0 and abs(out) > 2e6 * out_s > 0
            near = into_s <= NEIGHBOUR_S and out_s <= NEIGHBOUR_S
            back = into * out < 0 and abs(into + out) < 0.5 * min(abs(into), abs(out))
            if fast and near and back:
                expected.append(i)
        found += len(expected)
        assert np.flatnonzero(~rate_ok(at, pressure, 2e6)).tolist() == expected
        # The same with instants in between at which the channel was not read.
        place = np.sort(rng.choice(2 * size, size, replace=False))
        wide_at = np.interp(np.arange(2 * size), place, at).astype(np.int64)
        wide = np.full(2 * size, np.nan)
        wide[place] = pressure
        assert np.flatnonzero(~rate_ok(wide_at, wide, 2e6)).tolist() == place[expected].tolist()
    assert found > 50


def minutes_of_blasting(minutes: int, rate_hz: int = 2, seed: int = 0) -> pl.DataFrame:
    """Half a minute on, half a minute off; every channel noisy, as transducers are."""
    size = minutes * 60 * rate_hz
    rng = np.random.default_rng(seed)
    seconds = np.arange(size) / rate_hz
    on = seconds % 60 >= 30
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in seconds],
            "deadman": on,
            "supply_pa": 700e3 - 50e3 * on + rng.normal(0, 400, size),
            "pot_pa": 650e3 * on + rng.normal(0, 400, size),
            "nozzle_pa": 600e3 * on + rng.normal(0, 400, size),
            "quality": [0] * size,
        }
    )


def test_a_stuck_transducer_is_found_while_others_move_and_only_then() -> None:
    frame = minutes_of_blasting(20)
    at_rest = pl.col("sampled_at") < BEGIN + dt.timedelta(minutes=10)
    stuck = frame.with_columns(pot_pa=pl.when(at_rest).then("pot_pa").otherwise(421_337.0))
    whole = judged(stuck, [])
    assert whole.signals.filter(at_rest)["pot_pa"].null_count() == 0
    assert whole.signals.filter(~at_rest)["pot_pa"].null_count() == 1200
    assert set(whole.faults["channel"]) == {"pot"}
    assert whole.faults["moving_bad"].to_list() == [120] * 10
    # The same value for ten minutes is no fault while nothing else moves, nor is a sparse one.
    quiet = stuck.filter(~at_rest).with_columns(
        supply_pa=pl.lit(700e3), nozzle_pa=pl.lit(0.0), deadman=pl.lit(False)
    )
    assert judged(quiet, []).faults.is_empty()
    assert judged(stuck.gather_every(4), []).faults.is_empty()


def test_each_cause_is_counted_apart() -> None:
    frame = of_currents(12.0, 12.0, 22.0, 12.0, 12.0, 3.7, 12.0).with_columns(
        quality=pl.Series([0, 0, 0, 4, 0, 0, 0])
    )
    whole = judged(frame, [LAW])
    (row,) = whole.faults.iter_rows(named=True)
    assert row["channel"] == "pot" and row["from_at"] == BEGIN and row["readings"] == 7
    assert {c: row[f"{c}_bad"] for c in CAUSES} == {
        "loop": 1,
        "range": 1,
        "rate": 0,
        "moving": 0,
        "certain": 1,
    }
    assert whole.signals["pot_pa"].null_count() == 2


# --- zero checks -------------------------------------------------------------------------------


def test_a_rest_shows_the_zero_offset_and_blasting_or_pressure_none() -> None:
    size = 40 * 60 * 2
    rng = np.random.default_rng(1)
    seconds = np.arange(size) / 2
    blasting = (seconds >= 1_300) & (seconds < 1_500)
    frame = pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in seconds],
            "deadman": blasting,
            "supply_pa": np.full(size, 700e3),
            "pot_pa": 3_100.0 + 650e3 * blasting + rng.normal(0, 300, size),
            # Shut in with pressure: quiet, but nowhere near zero.
            "nozzle_pa": 400e3 + rng.normal(0, 300, size),
        }
    )
    found = rests(frame, rest_spans([]), 2.0)
    begins = [BEGIN + dt.timedelta(minutes=m) for m in (0, 10, 30)]
    assert found["channel"].to_list() == ["pot"] * 3
    assert found["from_at"].to_list() == begins
    assert found["offset_pa"].to_numpy() == pytest.approx(3_100.0, abs=60.0)
    checks = zero_checks(found)
    assert checks["from_at"].to_list() == [begins[0], begins[2]]
    ends = [BEGIN + dt.timedelta(minutes=m) for m in (20, 40)]
    assert checks["to_at"].to_list() == ends
    assert checks["readings"].to_list() == [2400, 1200]
    # A pot that leaks down is not at rest, nor is one of which a part was not heard.
    leaking = frame.with_columns(pot_pa=pl.Series(40e3 - seconds * 15.0))
    assert rests(leaking, {"pot": 1e6}, 2.0).is_empty()
    minute = [BEGIN + dt.timedelta(minutes=m) for m in (3, 4)]
    silent = frame.filter(~pl.col("sampled_at").is_between(*minute))
    assert rests(silent, {"pot": 1e6}, 2.0)["from_at"].to_list() == begins[1:]


# --- calibration by two points -----------------------------------------------------------------

YARD = """
[site]
name = "test-yard"
time_zone = "UTC"
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "nozzle", "deadman"]
[[transducer]]
pot = "pot-1"
channel = "pot"
range_pa = [0, 1000000]
[[transducer.calibration]]
from_at = 2026-03-02T06:00:01
"""


def test_two_points_of_a_certificate_hold_from_their_date_on() -> None:
    yard = parse_yard(YARD + "points_pa = [[6000, 0], [706000, 693000]]\n")
    laws = transducer_laws(yard, "pot-1")
    frame = of_currents(12.0, 12.0, 12.0).with_columns(
        pot_pa=pl.Series([6_000.0, 6_000.0, 706_000.0]), pot_ma=pl.lit(None, pl.Float64)
    )
    read = signals(frame, laws)["pot_pa"].to_list()
    assert read == pytest.approx([6_000.0, 0.0, 693_000.0], abs=1e-6)
    # The order of the points does not matter.
    other = parse_yard(YARD + "points_pa = [[706000, 693000], [6000, 0]]\n")
    assert transducer_laws(other, "pot-1") == laws


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("points_pa = [[0, 0]]", "expected two points"),
        ("points_pa = [[0, 0], [7]]", "expected two points"),
        ('points_pa = [[0, 0], [7, "x"]]', "expected two points"),
        ("points_pa = 5", "expected two points"),
        ("points_pa = [[0, 0], [5000, 5000]]", "less than 10000 Pa apart"),
        ("points_pa = [[0, 0], [700000, 7]]", "a gain of 1e-05"),
        ("points_pa = [[0, 0], [700000, 700000]]\ngain = 1.0", "points_pa or gain, not both"),
        ("points_pa = [[0, 0], [700000, 700000]]\noffset_pa = 1", "points_pa or offset_pa"),
    ],
)
def test_points_that_cannot_be_are_told(written: str, says: str) -> None:
    with pytest.raises(YardFaults, match=says) as told:
        parse_yard(f"{YARD}{written}\n")
    assert [fault.line for fault in told.value.faults] == [19]


# --- the pieces --------------------------------------------------------------------------------


def troubled_run(seed: int) -> pl.DataFrame:
    """An hour with spikes, stuck minutes, failures and a rest at its end, at 4 Hz."""
    rng = np.random.default_rng(seed)
    size = 4 * 3600
    seconds = np.arange(size) / 4
    edges = np.cumsum(rng.choice([8, 30, 200, 400], size=200))
    on = (np.searchsorted(edges, seconds) % 2 == 1) & (seconds < 2_300)
    pot = 650e3 * on + rng.normal(0, 300, size)
    pot[rng.choice(size, 15)] -= 600e3
    for begin in rng.choice(size // 2, 3):
        pot[begin : begin + 1000] = 300e3
    nozzle = 600e3 * on + rng.normal(0, 300, size)
    nozzle[rng.choice(size, 10)] = 1.2e6
    heard = rng.random(size) > 0.001
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in seconds],
            "deadman": on,
            "supply_pa": 700e3 - 60e3 * on + rng.normal(0, 300, size),
            "pot_pa": pot,
            "nozzle_pa": nozzle,
        }
    ).filter(pl.Series(heard))


TABLES = ("cycle", "gap", "signal_fault", "zero_rest")


def tables_of(data: Path) -> dict[str, pl.DataFrame]:
    with read_window(data) as con:
        return {table: con.sql(f"SELECT * FROM {table} ORDER BY ALL").pl() for table in TABLES}


UNHURRIED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
PIECES = given(
    seed=st.integers(0, 1000),
    cuts=st.lists(st.integers(1, 3599), min_size=1, max_size=3, unique=True),
    order=st.randoms(use_true_random=False),
)


@settings(max_examples=3, deadline=None, suppress_health_check=UNHURRIED)
@PIECES
def test_judging_in_pieces_equals_judging_at_once(
    put_samples: PutSamples, seed: int, cuts: list[int], order: object
) -> None:
    yard = parse_yard(YARD)
    run = troubled_run(seed)
    bounds = [BEGIN + dt.timedelta(seconds=s) for s in (0, *sorted(cuts), 3600)]
    pieces = [
        run.filter((pl.col("sampled_at") >= a) & (pl.col("sampled_at") < b))
        for a, b in itertools.pairwise(bounds)
    ]
    order.shuffle(pieces)  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        for piece in pieces:
            put_samples(data, "pot-1", piece)
            derive(data, yard, now=NOW)
        in_pieces = tables_of(data)
        derive(data, yard, full=True, now=NOW)
        at_once = tables_of(data)
    for table in TABLES:
        assert in_pieces[table].equals(at_once[table]), table
    assert at_once["signal_fault"].height > 3


test_judging_in_pieces_equals_judging_at_once_many_times = pytest.mark.slow(
    settings(max_examples=20, deadline=None, suppress_health_check=UNHURRIED)(
        PIECES(test_judging_in_pieces_equals_judging_at_once.hypothesis.inner_test)
    )
)


def test_days_are_cut_where_quality_does_not_notice(
    tmp_path: Path, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch
) -> None:
    yard = parse_yard(YARD)
    put_samples(tmp_path, "pot-1", troubled_run(4))
    derive(tmp_path, yard, now=NOW)
    whole = tables_of(tmp_path)
    monkeypatch.setattr("analytics.pieces.PIECE", dt.timedelta(minutes=7))
    derive(tmp_path, yard, full=True, now=NOW)
    assert all(whole[table].equals(other) for table, other in tables_of(tmp_path).items())
    assert whole["zero_rest"].height > 0
    with read_window(tmp_path) as con:
        faults = frames.signal_faults(con, 1)
        half = frames.signal_faults(con, 1, BEGIN + dt.timedelta(minutes=30))
        assert zero_checks(frames.zero_rests(con, 1)).height > 0
    assert 0 < half.height < faults.height
    assert faults["moving_bad"].sum() > 0 and faults["rate_bad"].sum() > 0


def test_a_stuck_pot_widens_the_hours_instead_of_lying(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    good, bad = tmp_path / "good", tmp_path / "bad"
    frame = minutes_of_blasting(30).drop("quality")
    put_samples(good, "pot-1", frame)
    # Frozen at the pressure of blasting: taken for true it would be pressurised all the time.
    put_samples(bad, "pot-1", frame.with_columns(pot_pa=pl.lit(640e3)))
    totals = []
    for data in (good, bad):
        derive(data, yard, now=NOW)
        with read_window(data) as con:
            query = "SELECT sum(blast_low_s), sum(blast_high_s) FROM cycle"
            totals.append(con.sql(query).fetchall()[0])
    (good_low, good_high), (bad_low, bad_high) = totals
    assert good_high - good_low < 60
    assert bad_low == 0.0 and bad_high >= good_high


def test_the_command_says_what_did_not_count_and_what_stood_at_rest(
    tmp_path: Path, put_samples: PutSamples
) -> None:
    data, yard = tmp_path / "data", tmp_path / "yard.toml"
    yard.write_text(YARD)
    put_samples(data, "pot-1", troubled_run(4))
    derive(data, parse_yard(YARD), now=NOW)
    command = [sys.executable, "-m", "dashboard.cli", "signals", "--data", str(data), "--yard"]
    done = subprocess.run([*command, str(yard)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "pot-1 pot: " in done.stdout and "stuck while others moved" in done.stdout
    assert "pot-1 pot: read +0.0 kPa at rest" in done.stdout
    assert set(CAUSE_WORDS) == set(CAUSES)
