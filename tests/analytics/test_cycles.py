"""Cycles from hand-made signals whose figures can be worked out on paper."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.cycle_kernel import median_of
from analytics.cycles import SIGNAL_SCHEMA, CycleSettings, find_cycles, memoryless_from

BEGIN = dt.datetime(2026, 3, 2, 6)


def frame(
    deadman: list[int | bool | None],
    pot_pa: list[float] | None = None,
    supply_pa: float | None = 700e3,
    step_s: float = 0.1,
    at_s: list[float] | None = None,
) -> pl.DataFrame:
    """Signals at a fixed step, or at the instants given."""
    instants = at_s or [i * step_s for i in range(len(deadman))]
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=s) for s in instants],
            "deadman": [None if d is None else bool(d) for d in deadman],
            "supply_pa": [supply_pa] * len(deadman),
            "pot_pa": pot_pa or [None] * len(deadman),
            "nozzle_pa": [None] * len(deadman),
        },
        schema=SIGNAL_SCHEMA,
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_median_is_that_of_the_values_sorted(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for size in (*range(1, 70), 96, 97, 600, 601, 5000):
        noise = rng.normal(7e5, 300.0, size)
        for values in (
            # In steps, all different, rising, alternating far apart, and all the same.
            250.0 * np.round(noise / 250.0), noise, np.sort(noise),
            np.where(np.arange(size) % 2, 7e5, 1e5), np.full(size, 3.5),
        ):  # fmt: skip
            ranked = np.sort(values)
            low, high = ranked[(size - 1) // 2], ranked[size // 2]
            assert median_of(values.copy(), size, np.empty(size)) == low + (high - low) * 0.5
    assert np.isnan(median_of(np.empty(0), 0, np.empty(0)))


def test_contact_bounce_is_one_cycle() -> None:
    found = find_cycles(frame([0, 1, 0, 1, 1, 1, 1, 0, 1, 1, 0, 0, 0, 0]), CycleSettings())
    assert found.cycles.height == 1
    assert found.cycles["deadman_s"].to_list() == [pytest.approx(0.9)]


def test_a_pause_as_long_as_the_debounce_is_a_release() -> None:
    found = find_cycles(frame([0, 1, 1, 1, 0, 0, 0, 1, 1, 1, 0, 0]), CycleSettings())
    assert found.cycles.height == 2


def test_a_flicker_without_an_answer_is_kept_but_not_counted() -> None:
    cycle = find_cycles(frame([0] * 5 + [1] + [0] * 5, [0.0] * 11), CycleSettings()).cycles
    assert cycle["flicker"].to_list() == [True]
    assert cycle["deadman_s"].to_list() == [0.0]
    assert cycle["deadman_high_s"].to_list() == [pytest.approx(0.2)]


def test_however_short_a_closing_that_the_pot_answers_counts() -> None:
    pot_pa = [0.0] * 6 + [60e3, 30e3, 10e3, 0.0, 0.0]
    cycle = find_cycles(frame([0] * 5 + [1] + [0] * 5, pot_pa), CycleSettings()).cycles
    assert cycle["flicker"].to_list() == [False]
    assert cycle["confirmed"].to_list() == [True]


def test_a_press_that_the_pot_does_not_answer_is_no_blasting() -> None:
    cycle = find_cycles(frame([0] + [1] * 50 + [0] * 5, [0.0] * 56), CycleSettings()).cycles
    assert cycle["confirmed"].to_list() == [False]
    assert cycle["deadman_s"].to_list() == [pytest.approx(5.0)]
    assert cycle["blast_high_s"].to_list() == [0.0]
    assert cycle["pinched_s"].to_list() == [0.0]


def test_without_a_pot_channel_blast_time_is_dead_man_time() -> None:
    cycle = find_cycles(frame([0] + [1] * 50 + [0] * 5), CycleSettings(has_pot=False)).cycles.row(
        0, named=True
    )
    assert cycle["blast_s"] == cycle["deadman_s"] == pytest.approx(5.0)
    assert cycle["blast_low_s"] == cycle["deadman_low_s"]
    assert cycle["confirmed"] is None


def test_a_silent_pot_transducer_makes_blast_time_an_interval() -> None:
    cycle = find_cycles(frame([0] + [1] * 50 + [0] * 5), CycleSettings()).cycles.row(0, named=True)
    assert cycle["blast_low_s"] == 0.0
    assert cycle["blast_high_s"] == cycle["deadman_high_s"]


def test_a_gap_ends_a_cycle_and_begins_the_next() -> None:
    at_s = [i * 0.1 for i in range(30)] + [20 + i * 0.1 for i in range(30)]
    found = find_cycles(frame([0] * 5 + [1] * 50 + [0] * 5, at_s=at_s), CycleSettings())
    assert found.cycles["ended_by"].to_list() == ["gap", "release"]
    assert found.cycles["began_by"].to_list() == ["press", "gap"]
    assert found.gaps.select("deadman_before", "deadman_after").row(0) == (True, True)
    assert found.gaps["to_at"][0] - found.gaps["from_at"][0] == dt.timedelta(seconds=17.1)
    # No time within the gap is in any cycle.
    assert found.cycles["deadman_high_s"].sum() == pytest.approx(2.5 + 2.5)


def test_delays_of_a_straight_ramp_are_those_of_the_ramp() -> None:
    # Press between 0.9 and 1.0 s, so at 0.95 s; the pot waits to 1.5 s and then rises 700 kPa
    # in 7 s; release between 20.0 and 20.1 s, at 20.05 s; falls 700 kPa in 7 s from 20.5 s on.
    at = np.arange(0, 40, 0.1)
    pot = np.clip((at - 1.5) * 100e3, 0, 700e3) - np.clip((at - 20.5) * 100e3, 0, 700e3)
    signal = frame([0.95 < t < 20.05 for t in at], list(pot))
    cycle = find_cycles(signal, CycleSettings()).cycles.row(0, named=True)
    assert cycle["press_delay_s"] == pytest.approx(1.5 + 0.21 - 0.95, abs=1e-6)
    assert cycle["pressurise_s"] == pytest.approx(1.5 + 6.3 - 0.95, abs=1e-6)
    assert cycle["exhaust_s"] == pytest.approx(20.5 + 6.3 - 20.05, abs=1e-6)
    assert cycle["pot_pa"] == 700e3
    assert cycle["drop_supply_pot_pa"] == 0.0
    # Pressurised from 70 % of 700 kPa, at 1.5 + 4.9 s, to the release.
    assert cycle["blast_s"] == pytest.approx(20.05 - 6.4, abs=0.051)
    assert cycle["blast_low_s"] <= 20.05 - 6.4 <= cycle["blast_high_s"]
    # Pinched from the first answer to the first fall: 0.21 s into both ramps.
    assert cycle["pinched_s"] == pytest.approx((20.5 + 0.21) - (1.5 + 0.21), abs=1e-6)


def test_a_pot_that_never_reaches_the_manifold_has_medians_but_no_time() -> None:
    at = np.arange(0, 30, 0.1)
    pot = np.clip((at - 1.0) * 200e3, 0, 560e3) * (at < 25)
    cycle = find_cycles(frame([1 < t < 25 for t in at], list(pot)), CycleSettings()).cycles.row(
        0, named=True
    )
    assert cycle["pressurise_s"] is None
    assert cycle["exhaust_s"] is None
    assert cycle["drop_supply_pot_pa"] == pytest.approx(140e3)


def test_polled_channels_stand_for_their_neighbours_but_not_for_long() -> None:
    # The dead-man at whole tenths, the pot once at 1.05 s and never again.
    at_s = (
        [round(i * 0.1, 1) for i in range(11)]
        + [1.05]
        + [round(1.1 + i * 0.1, 1) for i in range(20)]
    )
    deadman: list[int | bool | None] = [0] * 6 + [1] * 5 + [None] + [1] * 15 + [0] * 5
    pot_pa: list[float] = [float("nan")] * 11 + [650e3] + [float("nan")] * 20
    signal = frame(deadman, pot_pa, at_s=at_s).with_columns(pl.col("pot_pa").fill_nan(None))
    cycle = find_cycles(signal, CycleSettings(align_s=0.5)).cycles.row(0, named=True)
    assert cycle["peak_pot_pa"] == 650e3
    assert cycle["blast_low_s"] > 0
    assert cycle["blast_high_s"] == cycle["deadman_high_s"]


def test_no_signals_no_cycles() -> None:
    found = find_cycles(pl.DataFrame(schema=SIGNAL_SCHEMA), CycleSettings())
    assert found.cycles.is_empty() and found.gaps.is_empty()


def test_memoryless_instants_follow_quiet_and_gaps() -> None:
    at_s = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 20.0, 21.0]
    signal = frame([1, 0, 0, 0, 0, 0, 1, 0], at_s=at_s)
    found = memoryless_from(signal, CycleSettings(gap_s=2.0, quiet_s=3.0))
    begin = int(BEGIN.replace(tzinfo=dt.UTC).timestamp()) * 1_000_000
    assert [(int(i) - begin) / 1e6 for i in found] == [3.0, 4.0, 5.0, 20.0]


@st.composite
def _signal(draw: st.DrawFn) -> pl.DataFrame:
    """Runs of a dead-man with random lengths, gaps, unknown rows and a pot that answers or not."""
    steps: list[float] = []
    deadman: list[bool | None] = []
    pot: list[float | None] = []
    pressure = 0.0
    for _ in range(draw(st.integers(1, 12))):
        on = draw(st.booleans())
        answers = draw(st.booleans())
        for _ in range(draw(st.integers(1, 12))):
            steps.append(draw(st.sampled_from([0.1, 0.1, 0.1, 0.1, 0.7, 3.0])))
            deadman.append(draw(st.sampled_from([on, on, on, on, None])))
            pressure += 0.3 * ((700e3 if on and answers else 0.0) - pressure)
            pot.append(draw(st.sampled_from([pressure, pressure, pressure, None])))
    at = np.round(np.cumsum(steps), 1)
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": deadman,
            "supply_pa": [700e3] * len(deadman),
            "pot_pa": pot,
            "nozzle_pa": [None] * len(deadman),
        },
        schema=SIGNAL_SCHEMA,
    )


@settings(max_examples=100, deadline=None)
@given(_signal())
def test_cycles_do_not_overlap_and_low_is_at_most_high_at_most_elapsed(
    signal: pl.DataFrame,
) -> None:
    found = find_cycles(signal, CycleSettings())
    c = found.cycles
    assert (c["pressed_at"].shift(-1) >= c["released_at"]).fill_null(True).all()
    assert (c["span_from_at"].shift(-1) >= c["span_to_at"]).fill_null(True).all()
    for what in ("deadman", "blast"):
        assert (c[f"{what}_low_s"] <= c[f"{what}_s"] + 1e-9).all()
        assert (c[f"{what}_s"] <= c[f"{what}_high_s"] + 1e-9).all()
    span_s = (c["span_to_at"] - c["span_from_at"]).dt.total_microseconds() / 1e6
    assert (c["deadman_high_s"] <= span_s + 1e-9).all()
    assert (c["blast_high_s"] <= c["deadman_high_s"] + 1e-9).all()
    elapsed = signal["sampled_at"][-1] - signal["sampled_at"][0]
    gap_s = (found.gaps["to_at"] - found.gaps["from_at"]).dt.total_microseconds().sum() / 1e6
    assert c["deadman_high_s"].sum() + gap_s <= elapsed.total_seconds() + 1e-6
    assert (c["press_delay_s"].drop_nulls() > -1e-9).all()
    assert (c["pressurise_s"].drop_nulls() > -1e-9).all()
    assert (c["exhaust_s"].drop_nulls() > -1e-9).all()


test_cycles_do_not_overlap_and_low_is_at_most_high_at_most_elapsed_many_times = pytest.mark.slow(
    settings(max_examples=1000, deadline=None)(
        given(_signal())(
            test_cycles_do_not_overlap_and_low_is_at_most_high_at_most_elapsed.hypothesis.inner_test
        )
    )
)
