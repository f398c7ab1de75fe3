"""What pot and manifold read side by side once the pot is full: how far two transducers differ.

A pot that is full stands where what enters equals what leaks: at the manifold's pressure, less a
part that goes with the square of the leak and is soon nothing (``air.settled_ratio``). What the two
transducers differ by beyond that is their own errors. A fill tells these from a leak only by the
shape of its last part, so that in noise the two are easily taken for one another.

Assumptions: abrasive covers the metering valve, so that next to no air leaves through it; what a
falling or rising manifold moves through the filling path is too little to show.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics import window_kernel as kernel
from analytics.fill import LOOK_TO, FillWindows, PotFacts, Samples, edges_of

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: A pot counts as full so long after it came near the manifold's pressure, and for at least so
#: long; so long before the release it no longer does. [s]
SETTLE_S, LEAST_S, BEFORE_RELEASE_S = 5.0, 4.0, 0.4
#: A pot that a leak keeps from coming near counts as full so long after the press. [s]
KEPT_LOW_S = 45.0
#: What the two readings differ by for other reasons, in all cycles alike (our estimate). [Pa]
COMMON_ERROR_PA = 200.0


@dataclass(frozen=True)
class Plateaus:
    """Pot less manifold while the pot stands full; one entry a cycle, NaN where it does not.

    Parameters
    ----------
    gap_pa, error_pa : numpy.ndarray
        Mean difference, the pot's zero taken off, and its standard error with a share of what all
        cycles have in common. [Pa]
    supply_pa : numpy.ndarray
        The manifold's pressure then. [Pa absolute]
    """

    gap_pa: Floats
    error_pa: Floats
    supply_pa: Floats


def find_plateaus(
    samples: Samples, cycles: pl.DataFrame, windows: FillWindows, facts: PotFacts, without: Bools,
    until: npt.NDArray[np.int64],
) -> Plateaus:  # fmt: skip
    """Find where the pot stands full, and what the two transducers differ by there.

    Parameters
    ----------
    samples, cycles, windows, facts
        As for :func:`analytics.fill.fit_fill_windows`.
    without : numpy.ndarray of bool, shape (cycles,)
        Cycles to leave out: the pot was empty, so that air left through the metering valve.
    until : numpy.ndarray of int, shape (cycles,)
        Sample at which the pot ran empty in the cycle; below 0 where it did not.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    gap, spread, supply = (np.full(count, np.nan) for _ in range(3))
    period_s = samples.period_s
    kernel.look_at_plateaus(
        edges.press, edges.release, windows.pot_zero_pa, without, until, samples.supply_pa,
        samples.pot_pa, facts.outside_pa, round(SETTLE_S / period_s), round(LEAST_S / period_s),
        round(BEFORE_RELEASE_S / period_s), round(KEPT_LOW_S / period_s),
        max(round(0.5 / period_s), 3), LOOK_TO, gap, spread, supply,
    )  # fmt: skip
    known = np.isfinite(gap)
    if known.any():
        # One cycle that stands apart is taken for nothing (air that left another way).
        middle = float(np.median(gap[known]))
        wide = 1.4826 * float(np.median(np.abs(gap[known] - middle)))
        gap[np.abs(gap - middle) > 4.0 * wide + 200.0] = np.nan
        many = int(np.isfinite(gap).sum())
        spread = np.hypot(spread, np.sqrt(many) * COMMON_ERROR_PA)
    return Plateaus(gap, np.where(np.isfinite(gap), spread, np.nan), supply)
