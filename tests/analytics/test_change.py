"""Charts against plain recursions, missing observations, groups and resets; and run lengths."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import change

values = st.lists(st.one_of(st.floats(-50.0, 50.0), st.just(float("nan"))), min_size=0, max_size=60)
smoothings = st.floats(0.02, 1.0)


def plain_ewma(series, mean, smoothing, groups):
    """The recursion as it is written in the standard."""
    found, z, before = [], mean, object()
    for x, group in zip(series, groups, strict=True):
        if group != before:
            z, before = mean, group
        if not np.isnan(x):
            z = smoothing * x + (1.0 - smoothing) * z
        found.append(z)
    return found


def plain_cusum(series, mean, sigma, k, h, start, reset, groups):
    """The recursion as it is written in the standard."""
    highs, lows, before = [], [], object()
    high = low = start
    for x, group in zip(series, groups, strict=True):
        if group != before:
            high, low, before = start, start, group
        if not np.isnan(x):
            y = (x - mean) / sigma
            high, low = max(0.0, high + y - k), max(0.0, low - y - k)
        highs.append(high)
        lows.append(low)
        if reset and max(high, low) > h and not np.isnan(x):
            high = low = start
    return highs, lows


@given(values, smoothings, st.integers(1, 7))
def test_ewma_is_its_recursion(series, smoothing, length):
    groups = np.arange(len(series)) // length
    chart = change.ewma_chart(series, 3.0, 2.0, smoothing, 2.5, groups=groups)
    expected = plain_ewma(series, 3.0, smoothing, groups)
    assert chart.smoothed == pytest.approx(np.array(expected), abs=1e-9)


@given(values, st.floats(0.0, 1.0), st.floats(0.5, 6.0), st.floats(0.0, 1.0), st.booleans(),
       st.integers(1, 60))  # fmt: skip
def test_cusum_is_its_recursion(series, k, h, share, reset, length):
    groups = np.arange(len(series)) // length
    start = share * h
    chart = change.cusum_chart(series, 3.0, 2.0, k, h, start, reset, groups)
    high, low = plain_cusum(series, 3.0, 2.0, k, h, start, reset, groups)
    assert chart.high == pytest.approx(np.array(high), abs=1e-9)
    assert chart.low == pytest.approx(np.array(low), abs=1e-9)


@pytest.mark.parametrize("reset", [False, True])
def test_a_long_cusum_is_its_recursion(reset):
    # longer than what is summed at once, with a change and a tenth of the observations missing
    rng = np.random.default_rng(7)
    series = rng.normal(np.repeat([0.0, 1.5, 0.0], 5_000), 1.0)
    series[rng.random(series.size) < 0.1] = np.nan
    chart = change.cusum_chart(series, 0.0, 1.0, 0.5, 5.0, 0.0, reset)
    high, low = plain_cusum(series, 0.0, 1.0, 0.5, 5.0, 0.0, reset, np.zeros(series.size))
    assert chart.high == pytest.approx(np.array(high), abs=1e-8)
    assert chart.low == pytest.approx(np.array(low), abs=1e-8)
    assert chart.signal_high.sum() > 100


@given(values)
def test_missing_observations_are_as_if_never_made(series):
    array = np.array(series, dtype=float)
    seen = ~np.isnan(array)
    for limits in ("exact", "asymptotic"):
        whole = change.ewma_chart(array, 0.0, 10.0, 0.2, 1.5, limits)
        dense = change.ewma_chart(array[seen], 0.0, 10.0, 0.2, 1.5, limits)
        for name in ("smoothed", "lower", "upper", "signal_low", "signal_high"):
            assert np.array_equal(getattr(whole, name)[seen], getattr(dense, name))
        assert not (whole.signal_low | whole.signal_high)[~seen].any()
    whole = change.cusum_chart(array, 0.0, 10.0, 0.5, 4.0)
    dense = change.cusum_chart(array[seen], 0.0, 10.0, 0.5, 4.0)
    assert whole.high[seen] == pytest.approx(dense.high, abs=1e-12)
    assert not (whole.signal_low | whole.signal_high)[~seen].any()


def test_a_sum_that_stays_over_its_interval_signals_only_where_it_was_observed():
    chart = change.cusum_chart([9.0, np.nan, 9.0], 0.0, 1.0, 0.5, 4.0)
    assert chart.high.tolist() == [8.5, 8.5, 17.0]
    assert chart.signal_high.tolist() == [True, False, True]


def test_a_part_newly_fitted_begins_anew():
    series = [2.0] * 6
    groups = ["first"] * 4 + ["second"] * 2
    running = change.cusum_chart(series, 0.0, 1.0, 0.5, 4.0)
    anew = change.cusum_chart(series, 0.0, 1.0, 0.5, 4.0, groups=groups)
    assert running.high.tolist() == [1.5, 3.0, 4.5, 6.0, 7.5, 9.0]
    assert anew.high.tolist() == [1.5, 3.0, 4.5, 6.0, 1.5, 3.0]
    ewma = change.ewma_chart(series, 0.0, 1.0, 0.5, 3.0, groups=groups)
    assert ewma.smoothed.tolist() == [1.0, 1.5, 1.75, 1.875, 1.0, 1.5]
    assert ewma.upper[4:].tolist() == ewma.upper[:2].tolist()


def test_each_observation_may_have_its_own_reference():
    mean, sigma = np.array([10.0, 10.0, 20.0, 20.0]), np.array([1.0, 1.0, 4.0, 4.0])
    series = mean + 2.0 * sigma
    chart = change.cusum_chart(series, mean, sigma, 0.5, 5.0)
    assert chart.high.tolist() == [1.5, 3.0, 4.5, 6.0]


@pytest.mark.parametrize(("mean", "sigma"), [(np.nan, 1.0), (0.0, np.nan), (0.0, 0.0)])
def test_nothing_signals_without_a_usable_reference(mean, sigma):
    series = np.array([5.0, 50.0, np.inf])
    ewma = change.ewma_chart(series, mean, sigma, 0.3, 3.0)
    cusum = change.cusum_chart(series, mean, sigma, 0.5, 4.0)
    for chart in (ewma, cusum):
        assert not chart.signal_low.any() and not chart.signal_high.any()
    assert not change.cusum_chart([np.inf], 0.0, 1.0, 0.5, 4.0).signal_high.any()


def test_a_step_is_seen_on_its_own_side():
    for sign, name in ((1.0, "signal_high"), (-1.0, "signal_low")):
        series = np.concatenate([np.zeros(20), np.full(20, 2.0 * sign)])
        for chart in (
            change.ewma_chart(series, 0.0, 1.0, 0.2, 2.962),
            change.cusum_chart(series, 0.0, 1.0, 0.5, 5.0),
        ):
            signals = getattr(chart, name)
            other = chart.signal_low if sign > 0 else chart.signal_high
            assert 20 <= int(signals.argmax()) <= 25
            assert not other.any()


def test_empty_series():
    ewma = change.ewma_chart([], 0.0, 1.0, 0.2, 3.0)
    cusum = change.cusum_chart([], 0.0, 1.0, 0.5, 5.0, reset_after_signal=True)
    assert ewma.smoothed.shape == cusum.high.shape == (0,)


@given(st.floats(-100.0, 100.0), st.floats(0.1, 10.0))
@settings(max_examples=30)
def test_a_reference_moves_and_scales_with_its_series(offset, scale):
    base = np.random.default_rng(3).normal(size=200)
    for method in ("moving_range", "sample", "median"):
        plain = change.estimate_reference(base, method)
        moved = change.estimate_reference(offset + scale * base, method)
        assert moved.mean == pytest.approx(offset + scale * plain.mean, abs=1e-9)
        assert moved.sigma == pytest.approx(scale * plain.sigma, rel=1e-9)
        assert plain.observations == 200


def test_every_estimate_of_sigma_finds_that_of_normal_numbers():
    base = np.random.default_rng(11).normal(5.0, 2.0, 20_000)
    for method in ("moving_range", "sample", "median"):
        reference = change.estimate_reference(base, method)
        assert reference.sigma == pytest.approx(2.0, rel=0.03)
        assert reference.mean == pytest.approx(5.0, abs=0.06)


def test_what_each_estimate_of_sigma_withstands():
    rng = np.random.default_rng(5)
    drifting = rng.normal(size=2_000) + np.linspace(0.0, 10.0, 2_000)
    assert change.estimate_reference(drifting, "moving_range").sigma == pytest.approx(1.0, rel=0.06)
    assert change.estimate_reference(drifting, "sample").sigma > 2.5
    wild = rng.normal(size=2_000)
    wild[::50] = 1_000.0
    assert change.estimate_reference(wild, "median").sigma == pytest.approx(1.0, rel=0.1)
    assert change.estimate_reference(wild, "sample").sigma > 100.0


def test_one_observation_is_no_reference():
    reference = change.estimate_reference([3.0, np.nan])
    assert np.isnan(reference.mean) and np.isnan(reference.sigma) and reference.observations == 1


@given(st.floats(0.05, 1.0), st.floats(1.0, 3.5), st.floats(0.0, 3.0))
@settings(max_examples=40, deadline=None)
def test_ewma_run_length_grows_with_the_limits_and_falls_with_the_shift(smoothing, width, shift):
    here = change.ewma_run_length(smoothing, width, shift)
    assert here >= 1.0
    assert change.ewma_run_length(smoothing, width + 0.1, shift) > here
    assert change.ewma_run_length(smoothing, width, shift + 0.2) < here
    assert change.ewma_run_length(smoothing, width, -shift) == pytest.approx(here, rel=1e-8)
    assert change.ewma_run_length(smoothing, width, shift, "exact") <= here * (1.0 + 1e-9)


@given(st.floats(0.1, 1.0), st.floats(1.0, 6.0), st.floats(0.0, 3.0), st.booleans())
@settings(max_examples=40, deadline=None)
def test_cusum_run_length_grows_with_the_interval_and_falls_with_the_shift(k, h, shift, two_sided):
    here = change.cusum_run_length(k, h, shift, two_sided)
    assert here >= 1.0
    assert change.cusum_run_length(k, h + 0.2, shift, two_sided) > here
    assert change.cusum_run_length(k, h, shift + 0.2, two_sided) < here
    assert change.cusum_run_length(k, h, shift, two_sided, 0.5 * h) < here


@pytest.mark.parametrize("limits", ["exact", "asymptotic"])
@pytest.mark.parametrize("run_length", [10.0, 370.0, 20_000.0])
@pytest.mark.parametrize("smoothing", [0.05, 0.2, 1.0])
def test_ewma_width_there_and_back(smoothing, run_length, limits):
    width = change.ewma_limit_width(smoothing, run_length, limits)
    assert change.ewma_run_length(smoothing, width, 0.0, limits) == pytest.approx(
        run_length, rel=1e-6
    )


@pytest.mark.parametrize("run_length", [10.0, 370.0, 20_000.0, 1e6])
@pytest.mark.parametrize(("two_sided", "share"), [(True, 0.0), (False, 0.0), (True, 0.5)])
def test_cusum_interval_there_and_back(run_length, two_sided, share):
    h = change.cusum_decision_interval(0.5, run_length, two_sided, share)
    found = change.cusum_run_length(0.5, h, 0.0, two_sided, share * h)
    assert found == pytest.approx(run_length, rel=1e-5)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: change.ewma_chart([1.0], 0.0, 1.0, 0.0, 3.0), "smoothing lies"),
        (lambda: change.ewma_chart([1.0], 0.0, 1.0, 0.2, 0.0), "width of the limits"),
        (lambda: change.ewma_chart([1.0], 0.0, 1.0, 0.2, 3.0, "loose"), "none of exact"),
        (lambda: change.ewma_chart([[1.0]], 0.0, 1.0, 0.2, 3.0), "one dimension"),
        (lambda: change.ewma_chart([1.0], 0.0, -1.0, 0.2, 3.0), "sigma is negative"),
        (lambda: change.ewma_chart([1.0], 0.0, 1.0, 0.2, 3.0, groups=[1, 2]), "as many as values"),
        (lambda: change.cusum_chart([1.0], 0.0, 1.0, -0.1, 4.0), "reference value"),
        (lambda: change.cusum_chart([1.0], 0.0, 1.0, 0.5, 0.0), "decision interval"),
        (lambda: change.cusum_chart([1.0], 0.0, 1.0, 0.5, 4.0, 5.0), "head start"),
        (lambda: change.cusum_run_length(0.5, 4.0, head_start=3.0), "at most h/2"),
        (lambda: change.ewma_run_length(0.2, 3.0, 0.0, "loose"), "none of exact"),
        (lambda: change.ewma_limit_width(0.2, 5.0), "10 to 1e6"),
        (lambda: change.cusum_decision_interval(3.0, 10.0), "narrowest"),
        (lambda: change.cusum_decision_interval(0.5, 400.0, True, 1.0), "share lies"),
        (lambda: change.estimate_reference([1.0], "guess"), "none of moving_range"),
    ],
)  # fmt: skip
def test_settings_that_make_no_sense_are_refused(call, words):
    with pytest.raises(ValueError, match=words):
        call()
