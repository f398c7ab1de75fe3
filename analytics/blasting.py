"""When abrasive flows from a pot, and when the pot has run empty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.fill import PotFacts, Samples, edges_of
from analytics.fill_kernel import median

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
        Exposure a cycle [s]; and at each sample the exposure since the first [s].
    """
    edges = edges_of(samples, cycles)
    count = samples.at_s.size
    blasting = np.zeros(count, dtype=np.bool_)
    floor = np.full(count, FEEDS_FROM)
    half = max(round(0.25 / samples.period_s), 1)
    pot = _mean_about(samples.pot_pa, half) + facts.outside_pa
    with np.errstate(invalid="ignore"):
        share = pot / (samples.supply_pa + facts.outside_pa)
    for i in range(edges.press.size):
        begin, stop = edges.press[i], edges.release[i]
        blasting[begin:stop] = True
        if (stop - begin) * samples.period_s > 20.0:
            late = median(share[(begin + stop) // 2 : stop : 4].copy())
            if np.isfinite(late):
                floor[begin:stop] = min(FEEDS_FROM, late - 0.015)
    with np.errstate(invalid="ignore"):
        rate = np.where(blasting & (share >= floor), pot / EXPOSURE_PA, 0.0)
    step_s = np.diff(samples.at_s, append=samples.at_s[-1:])
    step_s = np.where(step_s > 5.0, 0.0, step_s)
    running = np.concatenate(([0.0], np.cumsum(rate * step_s)))
    return running[edges.release] - running[edges.press], running


def _mean_about(values: Floats, half: int) -> Floats:
    padded = np.concatenate((np.repeat(values[:1], half), values, np.repeat(values[-1:], half)))
    sums = np.concatenate(([0.0], np.cumsum(np.nan_to_num(padded))))
    width = 2 * half + 1
    out = (sums[width:] - sums[:-width]) / width
    return np.where(np.isfinite(values), out, np.nan)


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
    if not np.isfinite(samples.nozzle_pa).any():
        return Emptied(ran, index, began, np.zeros(count, bool))
    p1, p2 = samples.pot_pa + facts.outside_pa, samples.nozzle_pa + facts.outside_pa
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = (p1 / p2) ** 2 - 1.0
        share = p1 / (samples.supply_pa + facts.outside_pa)
    settle = round(1.5 / samples.period_s)
    last = max(round(2.5 / samples.period_s), 6)
    near, far = round(18.0 / samples.period_s), round(50.0 / samples.period_s)
    middle = np.full(count, np.nan)
    for i in range(count):
        begin, stop = edges.press[i], edges.release[i]
        up = np.flatnonzero(share[begin:stop] > FEEDS_FROM)
        if up.size == 0:
            continue
        values = loss[begin + up[0] + settle : stop]
        if values.size < 2 * last or not np.isfinite(values).all():
            continue
        middle[i] = float(np.median(values))
        if values.size < near + 2 * last or (i < count - 1 and edges.rest_s[i + 1] < TIPPING_S):
            continue
        before, end = values[-far:-near], values[-last:]
        noise = np.median(np.abs(np.diff(values[-far:]))) / (0.6745 * np.sqrt(2.0))
        error = noise * np.sqrt(1.0 / before.size + 1.0 / last)
        usual, fall = float(np.mean(before)), float(np.mean(before) - np.mean(end))
        if fall > _EMPTY_FALL * usual and fall > _EMPTY_SIGMA * error:
            ran[i] = True
            half = _mean_about(values[-near:], last // 3) < usual - 0.5 * fall
            full = np.flatnonzero(~half)
            index[i] = stop - near + (int(full[-1]) + 1 if full.size else 0)
    usual = float(np.nanmedian(middle)) if np.isfinite(middle).any() else np.nan
    with np.errstate(invalid="ignore"):
        began = middle < (1.0 - 2.0 * _EMPTY_FALL) * usual
    began = began & ~ran & np.concatenate(([False], ran[:-1]))
    return Emptied(ran, index, began, np.isfinite(middle) & ~ran & ~began)
