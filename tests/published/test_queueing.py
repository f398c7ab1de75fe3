"""The queue simulation of the capacity plan against the textbook's single server.

Sources: Pollaczek-Khinchine's mean wait of M/G/1, and the waits of M/D/1 and M/M/1 that follow from
it (L. Kleinrock, Queueing Systems, vol. 1, 1975, ch. 5; from memory); Erlang C is not needed, for a
worker's messages are its own.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from queueing import box_arrivals, catching_up_s, poisson_arrivals, waits


def pollaczek_khinchine_s(rate_hz: float, mean_s: float, variance_s2: float) -> float:
    """Mean time in an M/G/1 system: service and wait. [s]"""
    use = rate_hz * mean_s
    return mean_s + rate_hz * (mean_s**2 + variance_s2) / (2.0 * (1.0 - use))


@pytest.mark.parametrize("use", [0.3, 0.6, 0.8])
def test_groups_of_one_with_fixed_service_wait_as_m_d_1_says(use: float) -> None:
    service_s = 0.001
    arrivals = poisson_arrivals(use / service_s, 150.0, np.random.default_rng(1))
    found = waits(arrivals, lambda size: service_s, 1)
    assert found.mean_s == pytest.approx(
        pollaczek_khinchine_s(use / service_s, service_s, 0.0), rel=0.06
    )
    assert found.busy == pytest.approx(use, rel=0.01)
    assert found.mean_group == 1.0


@pytest.mark.parametrize("use", [0.3, 0.6])
def test_groups_of_one_with_exponential_service_wait_as_m_m_1_says(use: float) -> None:
    rng, service_s = np.random.default_rng(2), 0.001
    arrivals = poisson_arrivals(use / service_s, 250.0, rng)
    found = waits(arrivals, lambda size: float(rng.exponential(service_s)), 1)
    assert found.mean_s == pytest.approx(service_s / (1.0 - use), rel=0.05)
    # The time in an M/M/1 system is exponential itself: its 99th percentile is ln(100) of its mean.
    assert found.p99_s == pytest.approx(math.log(100.0) * service_s / (1.0 - use), rel=0.08)


def test_group_commit_carries_what_would_drown_single_commits() -> None:
    sync_s, message_s = 0.004, 0.0001
    arrivals = poisson_arrivals(2_000.0, 60.0, np.random.default_rng(3))
    # One by one the server would be asked for 8.2 times its time.
    found = waits(arrivals, lambda size: sync_s + size * message_s, 10_000)
    assert found.p99_s < 0.02
    assert found.mean_group > 5
    # A group that gathers while one syncs: n = rate * (sync + n * message), to first order.
    assert found.mean_group == pytest.approx(2_000.0 * sync_s / (1 - 2_000.0 * message_s), rel=0.1)


def test_boxes_send_once_a_second_each() -> None:
    arrivals = box_arrivals(40, 100.0, np.random.default_rng(4))
    assert len(arrivals) == 4_000
    per_second = np.bincount(arrivals[(arrivals > 5) & (arrivals < 95)].astype(int))[5:95]
    # Far more even than a Poisson stream, whose counts would scatter by the root of 40.
    assert per_second.mean() == pytest.approx(40.0, rel=0.01)
    assert per_second.std() < 2.0


def test_catching_up_takes_as_long_as_the_outage_at_half_use() -> None:
    assert catching_up_s(3600.0, 0.5) == pytest.approx(3600.0)
    assert catching_up_s(3600.0, 0.9) == pytest.approx(9 * 3600.0)
    # And the simulation agrees: an outage of 10 s at 60 % use.
    service_s = 0.001
    rng = np.random.default_rng(5)
    arrivals = poisson_arrivals(600.0, 60.0, rng)
    late = np.sort(np.where(arrivals < 10.0, 10.0, arrivals))
    done = np.empty_like(late)
    free_at = 0.0
    for number, at in enumerate(late):
        free_at = max(free_at, at) + service_s
        done[number] = free_at
    behind = np.flatnonzero(done - late > 20 * service_s)
    assert done[behind[-1]] - 10.0 == pytest.approx(catching_up_s(10.0, 0.6), rel=0.1)
