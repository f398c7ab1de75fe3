"""The loops of ``quality.rests`` and ``watch.watch_pressures`` over samples, compiled.

Both go block by block of ten minutes, so that what they find does not depend on where a
calculation was begun.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.cycle_kernel import median_of
from analytics.exactly import exactly

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: Columns of what :func:`stretches` gives: ``KIND`` 0 is a block that was looked at, 1 a stretch.
KIND, FROM, OVER, TO, OFF, AFTER = range(6)
#: Stands for an instant that there is not.
NONE_US = np.iinfo(np.int64).min
#: What a stretch came after.
UNKNOWN, RELEASE, RISE = range(3)


@exactly
def quiet_blocks(
    at_us: Ints,
    deadman: Bools,
    known: Bools,
    pressure_pa: Floats,
    block_us: int,
    gap_us: int,
    quiet_pa: float,
    within_pa: float,
) -> tuple[Ints, Floats]:
    """Blocks in which a channel stands still near zero while the dead-man is shut.

    Parameters
    ----------
    at_us, deadman, known, pressure_pa : ndarray, shape (n,)
        Signals; ``known`` without length: the dead-man is known at every instant.
    block_us, gap_us : int
        Length of a block; silence longer than this is a gap. [us]
    quiet_pa, within_pa : float
        Largest spread; how far from zero at most. [Pa]

    Returns
    -------
    whole : ndarray of int64, shape (m, 2)
        Begin of each [us] and its readings.
    figures : ndarray of float64, shape (m, 2)
        Median and spread. [Pa]
    """
    size = at_us.size
    capacity = 2
    if size:
        capacity = min(size, at_us[size - 1] // block_us - at_us[0] // block_us + 1)
    whole, figures = np.empty((capacity, 2), np.int64), np.empty((capacity, 2))
    values, spare = np.empty(0), np.empty(0)
    found, first = 0, 0
    while first < size:
        begin_us = at_us[first] // block_us * block_us
        after = first + np.searchsorted(at_us[first:], begin_us + block_us)
        low, high, readings = math.inf, -math.inf, 0
        last_us, still = begin_us, True
        for i in range(first, after):
            if known.size and not known[i]:
                continue
            if deadman[i]:
                still = False
                break
            p = pressure_pa[i]
            if p != p:
                continue
            if at_us[i] - last_us > gap_us:
                still = False
                break
            low, high = min(low, p), max(high, p)
            if high - low > quiet_pa:
                still = False
                break
            last_us = at_us[i]
            readings += 1
        if still and readings > 1 and begin_us + block_us - last_us <= gap_us:
            if values.size < after - first:
                values, spare = np.empty(after - first), np.empty(after - first)
            n = 0
            for i in range(first, after):
                p = pressure_pa[i]
                if p == p and (known.size == 0 or known[i]):
                    values[n] = p
                    n += 1
            offset_pa = median_of(values, n, spare)
            if abs(offset_pa) <= within_pa:
                whole[found, 0], whole[found, 1] = begin_us, readings
                figures[found, 0], figures[found, 1] = offset_pa, high - low
                found += 1
        first = after
    return whole[:found].copy(), figures[:found].copy()


@exactly
def held(
    at_us: Ints, deadman: Bools, known: Bools, block_us: int, oldest_us: int
) -> tuple[Bools, Bools]:
    """The dead-man at every sample, carried forward within its block, and where it is known."""
    size = at_us.size
    open_, said = np.zeros(size, np.bool_), np.zeros(size, np.bool_)
    last = -1
    for i in range(size):
        if known[i]:
            last = i
        if last >= 0 and at_us[i] - at_us[last] <= oldest_us:
            said[i] = last == i or at_us[last] // block_us == at_us[i] // block_us
            open_[i] = said[i] and deadman[last]
    return open_, said


@exactly
def stretches(
    at_us: Ints,
    first_pa: Floats,
    second_pa: Floats,
    holding: Bools,
    said: Bools,
    levels_pa: tuple[float, float],
    block_us: int,
    gap_us: int,
    ordinary_us: int,
    at_level: bool,
) -> tuple[Ints, Floats]:
    """Stretches of a watched pressure within blocks; :func:`analytics.watch.watch_pressures`.

    Parameters
    ----------
    at_us, first_pa, second_pa : ndarray, shape (n,)
        What is watched is the higher one of the two, where either is a number.
    holding, said : ndarray of bool, shape (n,)
        Whether somebody holds the dead-man, so that nothing is watched, and where that is known;
        without length: it does not matter.
    levels_pa : tuple of float
        The level that raises and the one that clears.
    block_us, gap_us, ordinary_us : int
        Length of a block, silence that is a gap, longest ordinary release. [us]
    at_level : bool
        The level that raises is itself too much.

    Returns
    -------
    whole : ndarray of int64, shape (m, 6)
        ``KIND, FROM, OVER, TO, OFF, AFTER``.
    peaks : ndarray of float64, shape (m,)
        [Pa]
    """
    # Gone through again where there are more: an array that grows makes each step dearer.
    whole, peaks, count = np.empty((1024, 6), np.int64), np.empty(1024), 1025
    while count > whole.shape[0]:
        if count > 1025:
            whole, peaks = np.empty((count, 6), np.int64), np.empty(count)
        count = _stretches(
            at_us, first_pa, second_pa, holding, said, levels_pa, block_us, gap_us, ordinary_us,
            at_level, whole, peaks,
        )  # fmt: skip
    return whole[:count].copy(), peaks[:count].copy()


@exactly
def _stretches(
    at_us: Ints,
    first_pa: Floats,
    second_pa: Floats,
    holding: Bools,
    said: Bools,
    levels_pa: tuple[float, float],
    block_us: int,
    gap_us: int,
    ordinary_us: int,
    at_level: bool,
    whole: Ints,
    peaks: Floats,
) -> int:
    raises_pa, clears_pa = levels_pa
    count = 0
    room = whole.shape[0]
    watched = said.size > 0
    before = -1  # the sample before, of those looked at
    block_end_us, block_from = at_us[0] if at_us.size else 0, -1
    was_held = False
    begun, over_us, after, peak_pa = -1, NONE_US, UNKNOWN, 0.0
    for i in range(at_us.size + 1):
        finished = i == at_us.size
        value, held_here, off = 0.0, False, True
        if not finished:
            a, b = first_pa[i], second_pa[i]
            value = a if (b != b or a > b) else b
            if not math.isfinite(value) or (watched and not said[i]):
                continue
            held_here = watched and holding[i]
            off = held_here or value < clears_pa
            new_block = at_us[i] >= block_end_us
            if new_block:
                block_end_us = (at_us[i] // block_us + 1) * block_us
        else:
            new_block = True
        silent = not finished and before >= 0 and at_us[i] - at_us[before] > gap_us
        if begun >= 0 and (new_block or silent or off):
            off_us = at_us[i] if off and not new_block else NONE_US
            kept = True
            if off_us != NONE_US and after != UNKNOWN:
                ordinary = after == RELEASE and off_us - at_us[begun] < ordinary_us
                kept = over_us != NONE_US and not ordinary
            if kept and count < room:
                row = whole[count]
                row[KIND], row[FROM], row[OVER] = 1, at_us[begun], over_us
                row[TO], row[OFF], row[AFTER] = at_us[before], off_us, after
                peaks[count] = peak_pa
            count += kept
            begun = -1
        if new_block and before >= 0:
            if count < room:
                row = whole[count]
                row[KIND], row[FROM], row[OVER] = 0, at_us[block_from], NONE_US
                row[TO], row[OFF], row[AFTER] = at_us[before], NONE_US, UNKNOWN
                peaks[count] = math.nan
            count += 1
        if finished:
            break
        if new_block:
            block_from = i
        if not off:
            if begun < 0:
                begun, over_us, peak_pa = i, NONE_US, value
                after = UNKNOWN
                if not new_block and not silent:
                    after = RELEASE if was_held else RISE
            over = not held_here and (value >= raises_pa if at_level else value > raises_pa)
            if over and over_us == NONE_US:
                over_us = at_us[i]
            peak_pa = max(peak_pa, value)
        before, was_held = i, held_here
    return count
