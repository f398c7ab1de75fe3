"""Run lengths of EWMA and CUSUM against tables.

Tables: integral equation by Gauss-Legendre with 200 points: computed; limits of Lucas and Saccucci
1990, from memory. Handbook tables mix one-sided and two-sided charts, so each test says which. The
head-start figures are Lucas and Crosier's of 1982, from memory. All zero state.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from analytics import change

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4)
ONE_SIDED = {
    4.0: (335.4, 77.08, 26.68, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71),
    5.0: (930.9, 141.7, 38.01, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01),
}
TWO_SIDED = {
    (4.0, 0): 167.7, (4.0, 0.25): 74.22, (4.0, 0.5): 26.63, (4.0, 0.75): 13.29, (4.0, 1): 8.38,
    (5.0, 0): 465.4, (5.0, 0.25): 139.5, (5.0, 0.5): 38.00, (5.0, 1): 10.38,
}  # fmt: skip
#: lambda, L: run lengths at shifts 0, 0.25, 0.5, 1, 2, 3
EWMA = {
    (0.05, 2.615): (499.9, 84.0, 28.8, 11.4, 5.22, 3.50),
    (0.10, 2.814): (499.6, 106, 31.3, 10.3, 4.36, 2.87),
    (0.10, 2.703): (371.9, 89.5, 28.3, 9.75, 4.18, 2.76),
    (0.20, 2.962): (499.7, 150, 41.8, 10.5, 3.74, 2.38),
    (0.30, 3.000): (465.6, 179, 53.2, 11.7, 3.51, 2.15),
}


def half_of_last_digit(printed: float) -> float:
    """Half a unit of the last digit that is printed."""
    text = f"{printed:g}"
    return 0.51 * 10.0 ** -(len(text.split(".")[1]) if "." in text else 0)


@pytest.mark.parametrize("interval", ONE_SIDED)
def test_one_sided_cusum(interval):
    for shift, printed in zip(SHIFTS, ONE_SIDED[interval], strict=True):
        found = change.cusum_run_length(0.5, interval, shift, two_sided=False)
        assert found == pytest.approx(printed, abs=half_of_last_digit(printed)), shift


@pytest.mark.parametrize(("interval", "shift"), TWO_SIDED)
def test_two_sided_cusum(interval, shift):
    found = change.cusum_run_length(0.5, interval, shift)
    assert found == pytest.approx(TWO_SIDED[interval, shift], rel=1.5e-3)
    assert change.cusum_run_length(0.5, interval, -shift) == pytest.approx(found, rel=1e-9)


@pytest.mark.parametrize(
    ("interval", "printed"),
    [
        (4.0, {0: 336, 0.25: 74.2, 0.5: 26.6, 1: 8.38}),
        (5.0, {0: 930, 0.25: 140, 0.5: 38.0, 1: 10.4}),
    ],
)
def test_nist_table_mixes_one_side_and_two(interval, printed):
    # from memory of the page: one-sided at shift 0, two-sided from 0.25 on
    for shift, run_length in printed.items():
        found = change.cusum_run_length(0.5, interval, shift, two_sided=shift > 0)
        assert found == pytest.approx(run_length, rel=5e-3), shift


@pytest.mark.parametrize(
    ("interval", "printed"),
    [
        (4.0, {0: 149, 0.25: 62.7, 0.5: 20.1, 0.75: 8.97, 1: 5.29}),
        (5.0, {0: 430, 0.25: 122, 0.5: 28.7, 0.75: 11.2, 1: 6.35}),
    ],
)
def test_two_sided_cusum_with_head_starts(interval, printed):
    # head start h/2; Lucas and Crosier 1982, from memory
    for shift, run_length in printed.items():
        found = change.cusum_run_length(0.5, interval, shift, head_start=interval / 2)
        assert found == pytest.approx(run_length, rel=6e-3), shift


@pytest.mark.parametrize(("smoothing", "width"), EWMA)
def test_ewma_with_asymptotic_limits(smoothing, width):
    for shift, printed in zip((0, 0.25, 0.5, 1, 2, 3), EWMA[smoothing, width], strict=True):
        found = change.ewma_run_length(smoothing, width, shift)
        assert found == pytest.approx(printed, abs=half_of_last_digit(printed)), shift


@pytest.mark.parametrize(("shift", "printed"), [(0, 370.4), (1, 43.9), (2, 6.30)])
def test_shewhart_is_an_ewma_without_memory(shift, printed):
    for limits in ("asymptotic", "exact"):
        found = change.ewma_run_length(1.0, 3.0, shift, limits)  # type: ignore[arg-type]
        assert found == pytest.approx(printed, abs=half_of_last_digit(printed))
        alarm = norm.sf(3.0 - shift) + norm.cdf(-3.0 - shift)
        assert found == pytest.approx(1.0 / alarm, rel=1e-9)


@pytest.mark.parametrize(("smoothing", "width"), EWMA)
def test_limits_found_for_a_run_length(smoothing, width):
    # the tables' own limits out of their run lengths
    found = change.ewma_limit_width(smoothing, EWMA[smoothing, width][0])
    assert found == pytest.approx(width, abs=5e-4)


@pytest.mark.parametrize(("run_length", "two_sided", "interval"),
                         [(335.4, False, 4.0), (167.7, True, 4.0), (930.9, False, 5.0),
                          (465.4, True, 5.0)])  # fmt: skip
def test_interval_found_for_a_run_length(run_length, two_sided, interval):
    found = change.cusum_decision_interval(0.5, run_length, two_sided)
    assert found == pytest.approx(interval, abs=5e-4)


def markov_chain(smoothing: float, width: float, shift: float, states: int = 601) -> float:
    """Run length by a chain of many small states: another method, with its error 1/states²."""
    half = width * np.sqrt(smoothing / (2.0 - smoothing))
    edges = np.linspace(-half, half, states + 1)
    centres = (edges[:-1] + edges[1:]) / 2.0
    reach = (edges[None, :] - (1.0 - smoothing) * centres[:, None]) / smoothing - shift
    moves = np.diff(norm.cdf(reach), axis=1)
    lengths = np.linalg.solve(np.eye(states) - moves, np.ones(states))
    return float(lengths[states // 2])


@pytest.mark.parametrize("smoothing", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("shift", [0.0, 0.5, 2.0])
def test_integral_equation_agrees_with_a_markov_chain(smoothing, shift):
    found = change.ewma_run_length(smoothing, 2.7, shift)
    assert found == pytest.approx(markov_chain(smoothing, 2.7, shift), rel=2e-3)


def simulated(run: np.ndarray) -> tuple[float, float]:
    """Mean run length and its standard error out of a matrix of signals, a run a row."""
    assert run.any(axis=1).all(), "runs were cut short"
    lengths = run.argmax(axis=1) + 1
    return float(lengths.mean()), float(lengths.std(ddof=1) / np.sqrt(len(lengths)))


@pytest.mark.parametrize("limits", ["exact", "asymptotic"])
@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_the_ewma_chart_itself_runs_as_long_as_computed(limits, shift):
    # drawn normal numbers through ewma_chart, not through the equation
    draws = np.random.default_rng(20_260_302).normal(shift, 1.0, (4_000, 1_000))
    signals = np.zeros(draws.shape, dtype=bool)
    for row, values in enumerate(draws):
        chart = change.ewma_chart(values, 0.0, 1.0, 0.1, 2.0, limits)
        signals[row] = chart.signal_low | chart.signal_high
    mean, error = simulated(signals)
    expected = change.ewma_run_length(0.1, 2.0, shift, limits)
    assert abs(mean - expected) < 4.0 * error
    assert error < 0.02 * expected


@pytest.mark.parametrize("head_start", [0.0, 1.5])
@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_the_cusum_chart_itself_runs_as_long_as_computed(head_start, shift):
    draws = np.random.default_rng(20_260_303).normal(shift, 1.0, (4_000, 1_000))
    signals = np.zeros(draws.shape, dtype=bool)
    for row, values in enumerate(draws):
        chart = change.cusum_chart(values, 0.0, 1.0, 0.5, 3.0, head_start)
        signals[row] = chart.signal_low | chart.signal_high
    mean, error = simulated(signals)
    expected = change.cusum_run_length(0.5, 3.0, shift, head_start=head_start)
    assert abs(mean - expected) < 4.0 * error
    assert error < 0.02 * expected
