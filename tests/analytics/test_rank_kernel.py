"""Ranks found by counting are those of the values put in order."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from analytics import fill_kernel
from analytics.rank_kernel import median, over_median, two_ranked
from analytics.window_kernel import mark_runs

Floats = npt.NDArray[np.float64]


def _readings(kind: str, size: int, random: np.random.Generator) -> Floats:
    values = random.normal(7e5, 3e3, size)
    match kind:
        case "in steps of a transducer's resolution":
            return np.round(values / 2000.0) * 2000.0
        case "rising":
            return np.asarray(np.sort(values))
        case "falling":
            return np.asarray(np.sort(values)[::-1].copy())
        case "one value":
            return np.full(size, values[0])
        case "two values":
            return np.where(random.random(size) < 0.5, 1.0, 2.0)
        case "some lost":
            values[random.random(size) < 0.3] = np.nan
            values[random.random(size) < 0.05] = np.inf
    return values


@pytest.mark.parametrize(
    "kind",
    ["noise", "in steps of a transducer's resolution", "rising", "falling", "one value",
     "two values", "some lost"],
)  # fmt: skip
def test_ranks_are_those_of_values_in_order(kind: str) -> None:
    random = np.random.default_rng(3)
    for size in (*range(1, 90), 300, 649, 650, 3001):
        values = _readings(kind, size, random)
        there = np.sort(values[np.isfinite(values)])
        middle = float(np.median(there)) if there.size else np.nan
        np.testing.assert_array_equal(median(values), middle)
        np.testing.assert_array_equal(median(values), fill_kernel.median(values))
        for value in (0.6 * middle, 0.599 * middle, 0.601 * middle):
            assert over_median(value, 0.6, values) == (value > 0.6 * middle)
        for rank in {0, there.size // 3, int(0.95 * there.size), there.size - 1} if size else ():
            if 0 <= rank < there.size:
                both = (there[rank], there[min(rank + 1, there.size - 1)])
                assert two_ranked(values[np.isfinite(values)], rank) == both


def test_runs_are_marked_wherever_they_begin() -> None:
    random = np.random.default_rng(4)
    for least in (2, 3, 20):
        for _ in range(60):
            # Runs of any length side by side.
            lengths = random.integers(1, 2 * least + 2, 30)
            values = np.repeat(np.arange(30.0), lengths)
            found = np.zeros(values.size, dtype=np.bool_)
            mark_runs(values, least, found)
            assert found.tolist() == np.repeat(lengths >= least, lengths).tolist()
