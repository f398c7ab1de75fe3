"""The loops of ``quality.py`` and ``signals.py`` over samples, compiled.

The rules and what they are for are told in :mod:`analytics.quality`; here is only how they are
held against the readings of one channel in two passes, without a mask an array.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.exactly import exactly

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_US = 1_000_000


@exactly
def minute_begins(at_us: Ints, minute_us: int) -> Ints:
    """Index of the first sample of each minute that has any, and the number of samples."""
    size = at_us.size
    # At most one a sample and one a minute between the ends; a division a minute, not a sample.
    most = 0
    if size:
        most = min(size, at_us[size - 1] // minute_us - at_us[0] // minute_us + 1)
    begins, count = np.empty(most + 1, np.int64), 0
    end_us = at_us[0] if size else 0
    for i in range(size):
        if at_us[i] >= end_us:
            begins[count] = i
            count += 1
            end_us = (at_us[i] // minute_us + 1) * minute_us
    begins[count] = size
    return begins[: count + 1]


@exactly
def read(
    pressure_pa: Floats, current_ma: Floats, low_pa: float, scale_pa_ma: float, low_ma: float
) -> tuple[Floats, Floats]:
    """Pressures and loop currents of a transducer, each from the other where it was not sent."""
    size = pressure_pa.size
    pressures, currents = np.empty(size), np.empty(size)
    for i in range(size):
        p = pressure_pa[i]
        if p == p:
            pressures[i] = p
            currents[i] = low_ma + (p - low_pa) / scale_pa_ma
        else:
            currents[i] = current_ma[i]
            pressures[i] = low_pa + (current_ma[i] - low_ma) * scale_pa_ma
    return pressures, currents


@exactly
def still_minutes(pressure_pa: Floats, begins: Ints, least: int) -> Bools:
    """Minutes in which a channel has one value throughout, of at least so many readings."""
    count = begins.size - 1
    still = np.zeros(count, np.bool_)
    for m in range(count):
        value, n = math.nan, 0
        for i in range(begins[m], begins[m + 1]):
            p = pressure_pa[i]
            if p != p:
                continue
            # Mostly the second reading is another one already.
            if n and p != value:
                n = 0
                break
            value = p
            n += 1
        still[m] = n >= least and math.isfinite(value)
    return still


@exactly
def minute_moves(pressure_pa: Floats, begins: Ints, span_pa: float, wanted: Bools) -> Floats:
    """How far a channel moved within each minute that is wanted [spans]; nought in others."""
    count = begins.size - 1
    moved = np.zeros(count)
    for m in range(count):
        if not wanted[m]:
            continue
        low, high = math.inf, -math.inf
        for i in range(begins[m], begins[m + 1]):
            p = pressure_pa[i]
            # False for NaN, so that a minute without a reading has none.
            low = p if p < low else low
            high = p if p > high else high
        if low <= high:
            moved[m] = (high - low) / span_pa
    return moved


@exactly
def jumps(at_us: Ints, pressure_pa: Floats, fastest_pa_s: float, neighbour_s: float) -> Ints:
    """Index of each reading that is a jump away and back; :func:`analytics.quality.rate_ok`."""
    if not _two_fast(at_us, pressure_pa, fastest_pa_s):
        return np.empty(0, np.int64)
    # Counted first and written then: an array that grows makes each step of the loop dearer.
    count = _jumps(at_us, pressure_pa, fastest_pa_s, neighbour_s, np.empty(0, np.int64))
    found = np.empty(count, np.int64)
    if count:
        _jumps(at_us, pressure_pa, fastest_pa_s, neighbour_s, found)
    return found


@exactly
def _two_fast(at_us: Ints, pressure_pa: Floats, fastest_pa_s: float) -> bool:
    """Whether two fast steps may follow one another, as they do at a jump away and back; told of
    readings that are all there without a branch a reading."""
    missing, pairs, into = 0, 0, False
    for i in range(1, at_us.size):
        step_pa = pressure_pa[i] - pressure_pa[i - 1]
        missing += step_pa != step_pa
        out = abs(step_pa) * 1.001e6 > fastest_pa_s * (at_us[i] - at_us[i - 1])
        pairs += into & out
        into = out
    return missing > 0 or pairs > 0


@exactly
def _jumps(
    at_us: Ints, pressure_pa: Floats, fastest_pa_s: float, neighbour_s: float, found: Ints
) -> int:
    count = 0
    here = -1
    step_pa, fast = 0.0, False
    for i in range(at_us.size):
        p = pressure_pa[i]
        if p != p:
            continue
        if here >= 0:
            next_us, next_pa = at_us[i] - at_us[here], p - pressure_pa[here]
            next_fast = False
            # Nearly every step is told from a fast one without a division.
            if abs(next_pa) * 1.001e6 > fastest_pa_s * next_us:
                next_s = next_us / 1_000_000
                next_fast = abs(next_pa) > fastest_pa_s * next_s and 0 < next_s <= neighbour_s
            # Back to where it was: else two steps in opposite directions would make the middle one
            # wrong.
            if (
                next_fast
                and fast
                and step_pa * next_pa < 0
                and abs(step_pa + next_pa) < 0.5 * min(abs(step_pa), abs(next_pa))
            ):
                if found.size:
                    found[count] = here
                count += 1
            step_pa, fast = next_pa, next_fast
        here = i
    return count


@exactly
def judge(
    pressure_pa: Floats,
    current_ma: Floats,
    quality: npt.NDArray[np.int32],
    flag: int,
    begins: Ints,
    stuck: Bools,
    jumped: Ints,
    bands_ma: tuple[float, float, float, float],
    law: tuple[float, float, float],
) -> tuple[Floats, Ints]:
    """Readings that count, and how many of each minute do not.

    Parameters
    ----------
    pressure_pa, current_ma : ndarray, shape (n,)
        As read; the current has no length where none was sent.
    quality : ndarray of int32, shape (n,)
        What ingest found; no length: nothing.
    flag : int
        The channel's bit in it.
    begins : ndarray, shape (m + 1,)
        From :func:`minute_begins`.
    stuck : ndarray of bool, shape (m,)
        Minutes in which the channel stood still though it should not.
    jumped : ndarray
        From :func:`jumps`.
    bands_ma : tuple of float
        Failure at and below, at and above; uncertain below, above.
    law : tuple of float
        What gives the current from the pressure where none was sent: current at the low end of the
        range [mA], pressure there [Pa], and [Pa/mA]; NaN where no current can be reckoned.

    Returns
    -------
    usable : ndarray of float64, shape (n,)
        NaN where a reading must not count; no length where all count as they are.
    troubled : ndarray of int64, shape (k, 7)
        A row a minute with any trouble: index of the minute, readings, and for each of
        :data:`analytics.quality.CAUSES` how many.
    """
    failed_low, failed_high, certain_low, certain_high = bands_ma
    low_ma, low_pa, scale_pa_ma = law
    was_sent, has_flags = current_ma.size > 0, quality.size > 0
    usable = np.empty(0)
    troubled, count = np.empty((16, 7), np.int64), 0
    next_jump = 0
    for m in range(begins.size - 1):
        first, after = begins[m], begins[m + 1]
        well = not stuck[m] and not (next_jump < jumped.size and jumped[next_jump] < after)
        # All well is the rule: told without a branch a reading.
        outside = 0
        if was_sent:
            for i in range(first, after):
                c = current_ma[i]
                outside += (c < certain_low) | (c > certain_high)
        elif scale_pa_ma == scale_pa_ma:
            for i in range(first, after):
                c = low_ma + (pressure_pa[i] - low_pa) / scale_pa_ma
                outside += (c < certain_low) | (c > certain_high)
        well = well and outside == 0
        if has_flags:
            flags = 0
            for i in range(first, after):
                flags |= quality[i] & flag
            well = well and flags == 0
        if well:
            continue
        if not usable.size:
            usable = pressure_pa.copy()
        measured, loop, out, rate, moving, certain = 0, 0, 0, 0, 0, 0
        for i in range(first, after):
            p = pressure_pa[i]
            has = p == p
            c = current_ma[i] if was_sent else low_ma + (p - low_pa) / scale_pa_ma
            loop_bad = c <= failed_low or c >= failed_high
            certain_bad = (c < certain_low or c > certain_high) and not loop_bad
            range_bad = has and has_flags and (quality[i] & flag) != 0
            rate_bad = next_jump < jumped.size and jumped[next_jump] == i
            moving_bad = stuck[m] and has
            if rate_bad:
                next_jump += 1
            measured += has or c == c
            loop += loop_bad
            out += range_bad
            rate += rate_bad
            moving += moving_bad
            certain += certain_bad
            if loop_bad or range_bad or rate_bad or moving_bad:
                usable[i] = math.nan
        if loop + out + rate + moving + certain == 0:
            continue
        if count == troubled.shape[0]:
            more = np.empty((2 * count, 7), np.int64)
            more[:count] = troubled
            troubled = more
        row = troubled[count]
        row[0], row[1], row[2], row[3] = m, measured, loop, out
        row[4], row[5], row[6] = rate, moving, certain
        count += 1
    return usable, troubled[:count].copy()


@exactly
def calibrated(at_us: Ints, pressure_pa: Floats, laws: Floats) -> Floats:
    """Readings with the calibration that held at each instant.

    Parameters
    ----------
    at_us, pressure_pa : ndarray, shape (n,)
    laws : ndarray of float64, shape (m, 3)
        From when [us], offset [Pa], gain [-]; ascending.
    """
    size = at_us.size
    true_pa = pressure_pa.copy()
    for k in range(laws.shape[0]):
        from_us, offset_pa, gain = laws[k]
        for i in range(np.searchsorted(at_us, from_us), size):
            true_pa[i] = (pressure_pa[i] - offset_pa) * gain
    return true_pa


@exactly
def repeats(at_us: Ints) -> bool:
    """Whether an instant stands twice in ascending instants."""
    twice = 0
    for i in range(1, at_us.size):
        twice += at_us[i] == at_us[i - 1]
    return twice > 0
