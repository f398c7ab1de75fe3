"""Running totals: conserved whatever the windows; silence counted where it may hide blasting."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.hours import PotHours, microseconds, pot_hours, total, windows

BEGIN = dt.datetime(2026, 3, 2, 6)


def at(hours: float) -> dt.datetime:
    return BEGIN + dt.timedelta(hours=hours)


def cycles(*spans: tuple[float, float]) -> pl.DataFrame:
    """Cycles from hour to hour that blast for four fifths of the time."""
    rows = [
        {
            "pressed_at": at(a), "released_at": at(b), "span_from_at": at(a), "span_to_at": at(b),
            "flicker": False, "began_by": "press", "confirmed": True,
            "deadman_s": 3240 * (b - a), "deadman_low_s": 3060 * (b - a),
            "deadman_high_s": 3600 * (b - a), "blast_s": 2880 * (b - a),
            "blast_low_s": 2700 * (b - a), "blast_high_s": 3060 * (b - a),
            "pinched_s": 3240 * (b - a),
        }
        for a, b in spans
    ]  # fmt: skip
    names = [name for name in CYCLE_SCHEMA if rows and name in rows[0]]
    return pl.DataFrame(rows, schema={n: CYCLE_SCHEMA[n] for n in names} or CYCLE_SCHEMA)


def gaps(*spans: tuple[float, float, bool]) -> pl.DataFrame:
    return pl.DataFrame(
        [(at(a), at(b), False, after) for a, b, after in spans], schema=GAP_SCHEMA, orient="row"
    )


def high_h(hours: PotHours, a: float, b: float) -> float:
    edge = np.array([microseconds(at(a)), microseconds(at(b))])
    return float(windows(hours, edge[:1], edge[1:])["blast_high_s"][0]) / 3600


def test_a_night_with_the_box_off_is_not_blasting() -> None:
    hours = pot_hours(cycles(), gaps((2.0, 16.0, False)), at(0), at(20), shifts=[])
    assert high_h(hours, 0, 20) == 0.0


def test_the_same_silence_in_a_booked_shift_may_be() -> None:
    hours = pot_hours(cycles(), gaps((2.0, 16.0, False)), at(0), at(20), shifts=[(at(10), at(18))])
    assert high_h(hours, 0, 20) == pytest.approx(6.0)


def test_silence_next_to_an_open_dead_man_may_be_however_long() -> None:
    hours = pot_hours(cycles(), gaps((2.0, 16.0, True)), at(0), at(20), shifts=[])
    assert high_h(hours, 0, 20) == pytest.approx(14.0)


def test_a_short_silence_may_be() -> None:
    hours = pot_hours(cycles(), gaps((2.0, 2.25, False)), at(0), at(20), shifts=[])
    assert high_h(hours, 0, 20) == pytest.approx(0.25)


def test_a_shift_that_was_never_heard_may_be_all_blasting() -> None:
    hours = pot_hours(cycles(), gaps(), None, None, shifts=[(at(0), at(8))])
    assert high_h(hours, 0, 8) == pytest.approx(8.0)


def test_a_shift_that_goes_on_after_the_last_reading_counts_up_to_now_only() -> None:
    hours = pot_hours(cycles(), gaps(), at(0), at(2), shifts=[(at(0), at(8))])
    edge = np.array([microseconds(at(0)), microseconds(at(8)), microseconds(at(3))])
    found = windows(hours, edge[:1], edge[1:2], until_us=edge[2:])
    assert found["blast_high_s"][0] == pytest.approx(3600.0)


def test_overlapping_spans_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        total(np.array([0, 5]), np.array([6, 8]), np.array([1.0, 1.0]))


@given(
    st.lists(st.floats(0.001, 1.0), min_size=2, max_size=40),
    st.lists(st.floats(0.0, 10.0), min_size=0, max_size=12),
    st.lists(st.tuples(st.floats(0, 10), st.floats(0, 10)), max_size=4),
)
def test_hours_are_conserved_and_partition_every_window(
    steps: list[float], cuts: list[float], booked: list[tuple[float, float]]
) -> None:
    edges = np.cumsum(steps)
    pairs = [(float(a), float(b)) for a, b in zip(edges[::2], edges[1::2], strict=False)]
    found = cycles(*pairs[::2])
    silent = gaps(*((a, b, True) for a, b in pairs[1::2]))
    last = float(edges[-1]) + 1.0
    shifts = [(at(min(p)), at(max(p))) for p in booked]
    hours = pot_hours(found, silent, at(0), at(last), shifts)
    bounds = np.array(sorted({0.0, 12.0, *cuts, last}))
    edge_us = np.array([microseconds(at(h)) for h in bounds])
    pieces = windows(hours, edge_us[:-1], edge_us[1:])
    whole = windows(hours, edge_us[:1], edge_us[-1:])
    for name in pieces.columns:
        assert pieces[name].sum() == pytest.approx(whole[name][0], abs=1e-6), name
    parts = pieces.select(
        pl.sum_horizontal("blast_s", "filling_s", "idle_s", "no_data_s") - pl.col("elapsed_s")
    ).to_series()
    assert parts.abs().max() < 1e-5
    assert (pieces["blast_low_s"] <= pieces["blast_s"] + 1e-6).all()
    assert (pieces["blast_s"] <= pieces["blast_high_s"] + 1e-6).all()
    assert (pieces["blast_high_s"] <= pieces["elapsed_s"] + 1e-5).all()


@given(
    later=st.lists(st.integers(0, 1440), min_size=0, max_size=12, unique=True),
    length=st.floats(0.002, 0.01),
)
def test_what_comes_later_changes_no_earlier_high_count(later: list[int], length: float) -> None:
    # Six hours of ten a day are 4.8 blast hours each: nine days hold forty.
    before = [(24.0 * day + 0.5 * n, 24.0 * day + 0.5 * n + 0.25) for day in range(10) for n in
              range(24)]  # fmt: skip
    silent = gaps((250.0, 260.0, True), (300.0, 301.0, True))
    then = [(310.0 + 0.02 * n, 310.0 + 0.02 * n + length) for n in sorted(later)]
    edges = np.array([microseconds(at(h)) for h in np.arange(0.0, 305.0, 7.3)])

    def high(*spans: tuple[float, float]) -> list[int]:
        known = pot_hours(cycles(*spans), silent, at(0), at(400), [])
        return known.cycles_high_within(edges[:-1], edges[1:]).tolist()

    assert high(*before) == high(*before, *then)
    # A press every quarter of an hour that is open, four fifths of it blasting: 5 an hour.
    whole = pot_hours(cycles(*before), silent, at(0), at(400), [])
    window = np.array([microseconds(at(249.0)), microseconds(at(261.0))])
    assert whole.cycles_high_within(window[:1], window[1:]).tolist() == [50]


def test_before_forty_blast_hours_were_heard_silence_counts_at_the_pace_of_the_first_ones() -> None:
    # Silent at first, then 10 presses of 2.4 blast hours each: 1 in 2.4 h.
    known = pot_hours(
        cycles(*((24.0 + 10 * n, 27.0 + 10 * n) for n in range(10))), gaps((0.0, 6.0, True)),
        at(0), at(200), [],
    )  # fmt: skip
    window = np.array([microseconds(at(0.0)), microseconds(at(6.0))])
    assert known.cycles_high_within(window[:1], window[1:]).tolist() == [3]
