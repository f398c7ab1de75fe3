"""When abrasive flows from a pot, and when the pot has run empty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics import window_kernel as kernel
from analytics.fill import PotFacts, Samples, edges_of
from analytics.rank_kernel import any_there

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Exposure is blasting time times pressure over this. [Pa absolute]
EXPOSURE_PA = 800_000.0
#: Abrasive flows only while the pot holds this share of the manifold's pressure: below, air from
#: the hose keeps it up. A pot that a leak keeps lower is taken where it stands.
FEEDS_FROM = 0.97
#: Nobody opens, fills and closes a pot in less. [s]
TIPPING_S = 45.0


def exposures(
    samples: Samples, cycles: pl.DataFrame, facts: PotFacts, pot_zero_pa: Floats
) -> tuple[Floats, Floats]:
    """Blasting seconds of each cycle scaled by the pot's pressure, and running from the first.

    Parameters
    ----------
    samples, cycles, facts
        As for :func:`analytics.weigh.weigh`.
    pot_zero_pa : numpy.ndarray, shape (cycles,)
        The pot transducer's zero. [Pa]

    Returns
    -------
    tuple of numpy.ndarray
        Exposure a cycle [s]; and at each sample the exposure since the first [s], which is lost
        with the samples.
    """
    edges = edges_of(samples, cycles)
    running = samples.room.empty("exposure", samples.at_s.size + 1)
    kernel.expose(
        edges.press, edges.release, samples.at_s, samples.supply_pa, samples.pot_pa,
        facts.outside_pa, max(round(0.25 / samples.period_s), 1), samples.period_s, FEEDS_FROM,
        EXPOSURE_PA, running,
    )  # fmt: skip
    return running[edges.release] - running[edges.press], running


@dataclass(frozen=True)
class Emptied:
    """Where the pot ran empty: in which cycles, at which sample; where it already was, and where
    abrasive was seen to flow to the end."""

    ran_empty: Bools
    at_index: Ints
    began_empty: Bools
    flowed: Bools


#: The pot ran empty where the hose's loss has fallen by this share in the last seconds before a
#: release, by at least so many standard errors, and the pot is then left alone long enough for a
#: tipping (a clump that breaks loose does not make people fill the pot).
_EMPTY_FALL, _EMPTY_SIGMA = 0.12, 4.5


def find_emptied(samples: Samples, cycles: pl.DataFrame, facts: PotFacts) -> Emptied:
    """Find the cycles in which the pot ran empty, from the blast hose's loss.

    Abrasive makes the loss from pot to nozzle several times that of clean air. When none comes
    any more the loss (p1^2 - p2^2)/p2^2 falls within seconds, and stays there until the blaster
    lets go, which is soon. Without a nozzle channel nothing is found.

    Parameters
    ----------
    samples, cycles, facts
        As for :func:`analytics.weigh.weigh`.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    ran, index, began = np.zeros(count, bool), np.full(count, -1), np.zeros(count, bool)
    if not any_there(samples.nozzle_pa):
        return Emptied(ran, index, began, np.zeros(count, bool))
    middle = np.full(count, np.nan)
    kernel.look_for_emptied(
        edges.press, edges.release, edges.rest_s, samples.supply_pa, samples.pot_pa,
        samples.nozzle_pa, facts.outside_pa, FEEDS_FROM, TIPPING_S,
        round(1.5 / samples.period_s), max(round(2.5 / samples.period_s), 6),
        round(18.0 / samples.period_s), round(50.0 / samples.period_s), _EMPTY_FALL,
        _EMPTY_SIGMA, middle, ran, index,
    )  # fmt: skip
    usual = float(np.nanmedian(middle)) if np.isfinite(middle).any() else np.nan
    with np.errstate(invalid="ignore"):
        began = middle < (1.0 - 2.0 * _EMPTY_FALL) * usual
    began = began & ~ran & np.concatenate(([False], ran[:-1]))
    return Emptied(ran, index, began, np.isfinite(middle) & ~ran & ~began)
