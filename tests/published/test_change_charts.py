"""EWMA and CUSUM against worked examples of handbooks.

NIST/SEMATECH e-Handbook 6.3.2.4 (EWMA: data and output published) and 6.3.2.3 (CUSUM: data from
memory, output computed); Montgomery and Runger, example 16-6, table 16-8 (published).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analytics import change

NIST_EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
             47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
NIST_EWMA_OUT = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
                 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
NIST_CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225,
              324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775,
              326.875, 328.350]  # fmt: skip
NIST_CUSUM_HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44,
                   16.00, 19.04]  # fmt: skip
RUNGER = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4,
          97.0, 96.7, 100.3, 101.4, 97.2, 101.0]  # fmt: skip
RUNGER_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
RUNGER_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]


def test_nist_ewma():
    chart = change.ewma_chart(NIST_EWMA, 50.0, 2.0539, 0.3, 3.0, limits="asymptotic")
    assert chart.smoothed == pytest.approx(NIST_EWMA_OUT, abs=0.00501)
    # the handbook truncates its lower limit, 47.41157, to 47.4115
    assert chart.upper == pytest.approx(np.full(20, 52.5884), abs=1e-4)
    assert chart.lower == pytest.approx(np.full(20, 47.4115), abs=1e-4)
    assert not chart.signal_low.any() and not chart.signal_high.any()


def test_nist_ewma_multiplies_by_sigma_and_not_by_its_square_root():
    # s_ewma = 0.8628, sqrt(0.3/1.7) = 0.4201; a public copy has 0.6039: computed
    chart = change.ewma_chart([50.0], 50.0, 2.0539, 0.3, 1.0, limits="asymptotic")
    assert float(chart.upper[0]) - 50.0 == pytest.approx(0.8628, abs=6e-5)
    assert (float(chart.upper[0]) - 50.0) / 2.0539 == pytest.approx(0.4201, abs=6e-5)


def test_nist_ewma_with_exact_limits():
    # half-widths t = 1 to 4: computed
    chart = change.ewma_chart(NIST_EWMA, 50.0, 2.0539, 0.3, 3.0, limits="exact")
    halves = [1.8485, 2.2564, 2.4314, 2.5127]
    assert chart.upper[:4] - 50.0 == pytest.approx(halves, abs=6e-5)
    assert 50.0 - chart.lower[:4] == pytest.approx(halves, abs=6e-5)
    assert chart.smoothed == pytest.approx(NIST_EWMA_OUT, abs=0.00501)


def test_nist_cusum():
    # k and h in the data's own unit, so sigma is 1
    chart = change.cusum_chart(NIST_CUSUM, 325.0, 1.0, 0.3175, 4.1959)
    # the printed figures have two decimals, and 0.0325 is printed 0.03
    assert chart.high == pytest.approx(NIST_CUSUM_HIGH, abs=0.0101)
    assert np.flatnonzero(chart.signal_high)[0] == 13
    assert chart.signal_high[13:].all()
    assert not chart.signal_low.any()
    assert int(chart.low.argmax()) == 7
    assert float(chart.low[7]) == pytest.approx(0.72, abs=0.0101)
    assert chart.low[8:12] == pytest.approx([0.17, 0.25, 0.31, 0.0], abs=0.0101)


def test_montgomery_and_runger():
    chart = change.cusum_chart(RUNGER, 99.0, 1.0, 1.0, 10.0)
    assert chart.high == pytest.approx(RUNGER_HIGH, abs=1e-9)
    assert chart.low == pytest.approx(RUNGER_LOW, abs=1e-9)
    assert not chart.signal_high.any() and not chart.signal_low.any()


@pytest.mark.parametrize("sigma", [0.5, 2.0, 7.0])
def test_montgomery_and_runger_in_units_of_sigma(sigma):
    # the same chart with k and h given in sigma
    chart = change.cusum_chart(RUNGER, 99.0, sigma, 1.0 / sigma, 10.0 / sigma)
    assert chart.high * sigma == pytest.approx(RUNGER_HIGH, abs=1e-9)
    assert chart.low * sigma == pytest.approx(RUNGER_LOW, abs=1e-9)


def test_sigma_of_a_moving_range():
    # mean range of two over d2 = 1.128 (published constant); ranges 2, 2, 2, so sigma 1.773
    reference = change.estimate_reference([4.0, 6.0, 4.0, 6.0])
    assert reference.sigma == pytest.approx(2.0 / 1.128, rel=5e-4)
    assert math.isclose(reference.mean, 5.0)
