"""Cutting a stretch's samples into what the fits look at, compiled: the loops over each cycle.

A cycle's press, release and next press are places in the samples; pressures are gauge [Pa] unless
they end in ``_abs``. What is cut out, and why, is told in ``fill``, ``blasting`` and ``plateau``.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.fill_kernel import compiled, there
from analytics.rank_kernel import count_there, median

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Samples that are averaged at a time.
_BLOCK = 1024
#: Why a cycle has no fill to fit, or what makes one less sure; places in ``fill``'s words.
FITS, TOO_SHORT, MISSING, PRESSURISED, NOT_FILLED = range(5)
SURE, NOT_VENTED, SAGGED = range(3)


@compiled
def _whole_median(values: Floats) -> float:
    """The median; NaN where any value is."""
    for i in range(values.size):
        if not there(values[i]):
            return math.nan
    return float(median(values))


@compiled
def seconds_since(at_us: Ints, origin_us: int, out: Floats) -> None:
    """Instants as seconds from an origin; ``out`` is written.

    Examples
    --------
    >>> out = np.zeros(2)
    >>> seconds_since(np.array([5_000_000, 5_500_000]), 5_000_000, out)
    >>> out.tolist()
    [0.0, 0.5]
    """
    for i in range(at_us.size):
        out[i] = (at_us[i] - origin_us) * 1e-6


@compiled
def lost_readings(values: Floats) -> int:
    """How many readings are not there."""
    return int(values.size - count_there(values))


@compiled
def carry_over(values: Floats, limit: int, out: Floats) -> None:
    """Carry the last reading over at most ``limit`` lost ones; ``out`` is written.

    Examples
    --------
    >>> out = np.zeros(5)
    >>> carry_over(np.array([1.0, np.nan, np.nan, np.nan, 2.0]), 2, out)
    >>> out.tolist()
    [1.0, 1.0, 1.0, nan, 2.0]
    """
    last, gone = math.nan, 0
    for i in range(values.size):
        if there(values[i]):
            last, gone = values[i], 0
        else:
            gone += 1
        out[i] = last if gone <= limit else math.nan


@compiled
def triangular_mean(values: Floats, half: int, out: Floats) -> None:
    """A triangular mean over ``half`` samples to either side, the ends standing on; NaN stays near.

    Parameters
    ----------
    values, out : numpy.ndarray, shape (n,)
        ``out`` is written.
    half : int
        1 or more, ``n`` over twice as many.
    """
    size = values.size
    total = float((half + 1) * (half + 1))
    # Some at a time, so that what is written stays near the processor till all taps are added.
    for begin in range(0, size, _BLOCK):
        end = min(begin + _BLOCK, size)
        for i in range(begin, end):
            out[i] = 0.0
        for tap in range(-half, half + 1):
            share = (half + 1 - abs(tap)) / total
            low, high = min(max(-tap, begin), end), max(min(size - tap, end), begin)
            for i in range(begin, low):
                out[i] += share * values[0]
            here, shifted = out[low:high], values[low + tap : high + tap]
            for i in range(here.size):
                here[i] += share * shifted[i]
            for i in range(high, end):
                out[i] += share * values[size - 1]


@compiled
def noise_under_pressure(deadman: Bools, pot: Floats, over_pa: float, most: int) -> float:
    """Standard deviation of white noise from second differences of a pot held under pressure. [Pa]

    Parameters
    ----------
    deadman : numpy.ndarray of bool, shape (n,)
    pot : numpy.ndarray, shape (n,)
    over_pa : float
        Three readings over this in a row, with the dead-man held, are looked at.
    most : int
        At most so many are.

    Returns
    -------
    float
        NaN where fewer than 30 were found.
    """
    second = np.empty(most)
    found = 0
    for i in range(pot.size - 2):
        if found == most:
            break
        if not (deadman[i] and deadman[i + 1] and deadman[i + 2]):
            continue
        if pot[i] > over_pa and pot[i + 1] > over_pa and pot[i + 2] > over_pa:
            second[found] = abs(pot[i] - 2.0 * pot[i + 1] + pot[i + 2])
            found += 1
    if found < 30:
        return math.nan
    squares = 0.0
    for i in range(found):
        squares += min(second[i], 5e3) ** 2
    spread = median(second[:found]) / (0.6745 * math.sqrt(6.0))
    # Where steps of the transducer's resolution hide the noise, half of them may be nil.
    return float(max(spread, 0.5 * math.sqrt(squares / found / 6.0)))


@compiled
def noise_of_run(values: Floats) -> float:
    """The same of a run of readings, whatever they do; NaN where there are too few. [Pa]"""
    second = np.empty(max(values.size - 2, 0))
    for i in range(second.size):
        second[i] = abs(values[i] - 2.0 * values[i + 1] + values[i + 2])
    return float(median(second)) / (0.6745 * math.sqrt(6.0))


@compiled
def rest_levels(
    press: Ints, before: Ints, values: Floats, settle: int, longest: int, least: int,
    within: float, first_from_start: bool, out: Floats,
) -> None:  # fmt: skip
    """What a transducer reads before each press, where that is near nil; NaN elsewhere.

    Parameters
    ----------
    press, before : numpy.ndarray of int, shape (cycles,)
        Each press, and the release before it.
    values : numpy.ndarray, shape (n,)
        Readings.
    settle, longest, least : int
        Samples after the release that do not count; samples looked at, most and least.
    within : float
        Further from nil than this is no rest. [Pa]
    first_from_start : bool
        Before the first press there was no release.
    out : numpy.ndarray, shape (cycles,)
        Written.
    """
    for i in range(press.size):
        out[i] = math.nan
        begin = press[i] - longest
        settled = 0 if i == 0 and first_from_start else before[i] + settle
        begin = max(begin, settled)
        if press[i] - begin >= least:
            level = median(values[begin : press[i]])
            if abs(level) < within:
                out[i] = level


@compiled
def medians_about(values: Floats, half: int) -> Floats:
    """The median of each value and ``half`` neighbours to either side, fewer at the ends."""
    out = np.empty(values.size)
    for i in range(values.size):
        out[i] = median(values[max(i - half, 0) : i + half + 1])
    return out


@compiled
def mark_runs(values: Floats, least: int, out: Bools) -> None:
    """Mark samples in runs of ``least`` equal readings or more (2 at least); ``out`` is written."""
    # A run is so long only where one of every so many readings equals the one before it.
    step = probe = least - 1
    while probe < values.size:
        if not abs(values[probe] - values[probe - 1]) < 1e-9:
            probe += step
            continue
        begin, end = probe - 1, probe + 1
        while begin > 0 and abs(values[begin] - values[begin - 1]) < 1e-9:
            begin -= 1
        while end < values.size and abs(values[end] - values[end - 1]) < 1e-9:
            end += 1
        if end - begin >= least:
            out[begin:end] = True
        probe = max(probe + step, end)


@compiled
def _isothermal(share: float) -> float:
    """G(r): what an isothermal fill covers in proportion to time (closed form, ISO 6358)."""
    ratio = 0.4
    if share <= ratio:
        return share
    width = 1.0 - ratio
    return ratio + width * math.asin(min((share - ratio) / width, 1.0))


@compiled
def look_at_fills(
    press: Ints, release: Ints, rest_s: Floats, pot_pa: Floats, supply_pa: Floats, zeros: Floats,
    outside_pa: float, period_s: float, smooth: int, most: int, margin: int, look_to: float,
    least_share: float, vented_pa: float, noise_pa: float,
    why: Ints, less_sure: Ints, begins: Ints, lengths: Ints, rests_pa: Floats, rates: Floats,
) -> None:  # fmt: skip
    """Where each cycle's fill begins and ends, or why it has none.

    Parameters
    ----------
    press, release, rest_s, zeros : numpy.ndarray, shape (cycles,)
        Places, rest before the press [s], the pot transducer's zero [Pa].
    pot_pa, supply_pa : numpy.ndarray, shape (n,)
    outside_pa, period_s : float
        Outside, absolute [Pa]; between samples [s].
    smooth, most, margin : int
        Samples of the means that decide; longest fill; taken on after the last that counts.
    look_to, least_share, vented_pa, noise_pa : float
        As in ``fill``.
    why, less_sure : numpy.ndarray of int, shape (cycles,)
        Written: why there is no fit; what makes one less sure.
    begins, lengths : numpy.ndarray of int, shape (cycles,)
        Written: the fill's first sample, and how many it has.
    rests_pa, rates : numpy.ndarray, shape (cycles,)
        Written: the pot's pressure before the press [Pa]; what an isothermal fill covers in a
        second [1/s].
    """
    level = np.empty(most + 1)
    for i in range(press.size):
        lengths[i] = 0
        less_sure[i] = SURE
        begin = max(press[i] - 1, 0)
        size = max(min(release[i], begin + most) - begin, 0)
        begins[i] = begin
        if size < 2 * smooth:
            why[i] = TOO_SHORT
            continue
        whole = True
        total = 0.0
        for j in range(size):
            share = (pot_pa[begin + j] - zeros[i] + outside_pa) / (
                supply_pa[begin + j] + outside_pa
            )
            whole = whole and there(share)
            total += share
            if j >= smooth:
                k = begin + j - smooth
                total -= (pot_pa[k] - zeros[i] + outside_pa) / (supply_pa[k] + outside_pa)
            if j >= smooth - 1:
                level[j - smooth + 1] = total / smooth
        if not whole:
            why[i] = MISSING
            continue
        count = size - smooth + 1
        end, top = size, level[count - 1]
        for j in range(count):
            if level[j] > look_to:
                end, top = min(j + smooth + margin, size), level[j]
                break
        if top < least_share and size < most:
            why[i] = TOO_SHORT
            continue
        recent = max(round(min(1.0, max(rest_s[i] * 0.3, 0.1)) / period_s), 1)
        rest = pot_pa[max(press[i] - recent, 0) : max(press[i], 1)]
        rest_pa = _whole_median(rest) - zeros[i]
        if not there(rest_pa):
            why[i] = MISSING
            continue
        first_abs = supply_pa[begin] + outside_pa
        if rest_pa + outside_pa > 0.45 * first_abs:
            why[i] = PRESSURISED
            continue
        low, high = -1, -1
        upper = min(0.9 * top, 0.75)
        for j in range(count):
            if low < 0 and level[j] > 0.3:
                low = j
            if high < 0 and level[j] > upper:
                high = j
        if low < 0 or high < 0:
            why[i] = NOT_FILLED
            continue
        least = first_abs
        for j in range(end):
            least = min(least, supply_pa[begin + j] + outside_pa)
        if rest_pa > max(vented_pa, 4.0 * noise_pa / math.sqrt(rest.size)):
            less_sure[i] = NOT_VENTED
        elif least < 0.75 * first_abs:
            less_sure[i] = SAGGED
        why[i] = FITS
        lengths[i] = end
        rests_pa[i] = rest_pa
        rates[i] = max(_isothermal(level[high]) - _isothermal(level[low]), 0.1)
        rates[i] /= max((high - low) * period_s, 0.2)


@compiled
def look_at_exhausts(
    press: Ints, release: Ints, following: Ints, pot_pa: Floats, zeros: Floats, noise_pa: float,
    lead: int, most: int, held_pa: Floats, lengths: Ints, half_after: Ints,
) -> None:  # fmt: skip
    """How long each cycle's exhaust is looked at, from its release on.

    Parameters
    ----------
    press, release, following, zeros : numpy.ndarray, shape (cycles,)
        Places, and the pot transducer's zero [Pa].
    pot_pa : numpy.ndarray, shape (n,)
    noise_pa : float
        Of the pot's transducer. [Pa]
    lead, most : int
        Samples before the release that tell what was held; longest exhaust.
    held_pa : numpy.ndarray, shape (cycles,)
        Written: what was held; NaN where there is nothing to look at.
    lengths, half_after : numpy.ndarray of int, shape (cycles,)
        Written: samples to look at, 0 for none; samples until half of it was gone.
    """
    for i in range(press.size):
        held_pa[i] = math.nan
        lengths[i] = 0
        begin = release[i]
        size = max(min(following[i], begin + most) - begin, 0)
        before = pot_pa[max(begin - lead, press[i]) : begin]
        if before.size == 0:
            continue
        held = _whole_median(before) - zeros[i]
        if not held > 200_000.0 or size < 4:
            continue
        whole = True
        floor = max(0.06 * held, 2.0 * noise_pa)
        end, half = -1, -1
        for j in range(size):
            pot = pot_pa[begin + j] - zeros[i]
            whole = whole and there(pot)
            if half < 0 and pot < 0.5 * held:
                half = j
            if end < 0 and pot < floor:
                end = j
        if not whole:
            continue
        held_pa[i] = held
        if end < 0:
            end = size
        if end < 4:
            continue
        lengths[i] = end
        half_after[i] = half if half >= 0 else end


@compiled
def binned(
    begins: Ints, lengths: Ints, each: int, values: Floats, less: Floats, out: Floats
) -> None:
    """Means over ``each`` samples of pieces of ``values``, one piece after the other.

    Parameters
    ----------
    begins, lengths : numpy.ndarray of int, shape (m,)
        Pieces; what is left at an end over whole bins is dropped.
    each : int
        Samples a bin.
    values : numpy.ndarray, shape (n,)
    less : numpy.ndarray, shape (m,)
        Taken off each piece.
    out : numpy.ndarray
        Written; as long as all bins.
    """
    at = 0
    for i in range(begins.size):
        for b in range(lengths[i] // each):
            total = 0.0
            for j in range(each):
                total += values[begins[i] + b * each + j]
            out[at] = total / each - less[i]
            at += 1


@compiled
def _summed_about(values: Floats, at: int, half: int) -> float:
    """Sum of a sample and ``half`` to either side, the ends standing on, bad ones as nil."""
    total = 0.0
    for k in range(at - half, at + half + 1):
        value = values[min(max(k, 0), values.size - 1)]
        if there(value):
            total += value
    return total


@compiled
def expose(
    press: Ints, release: Ints, at_s: Floats, supply_pa: Floats, pot_pa: Floats,
    outside_pa: float, half: int, period_s: float, feeds_from: float, unit_pa: float,
    running: Floats,
) -> None:  # fmt: skip
    """Blasting seconds scaled by the pot's pressure, running from the first sample.

    Parameters
    ----------
    press, release : numpy.ndarray of int, shape (cycles,)
    at_s, supply_pa, pot_pa : numpy.ndarray, shape (n,)
    outside_pa, period_s : float
        Outside, absolute [Pa]; between samples [s].
    half : int
        Samples to either side over which the pot's pressure is averaged.
    feeds_from, unit_pa : float
        As ``FEEDS_FROM`` and ``EXPOSURE_PA`` in ``blasting``.
    running : numpy.ndarray, shape (n + 1,)
        Written. [s]
    """
    size = at_s.size
    total, done = 0.0, 0
    width = 2 * half + 1
    for i in range(press.size):
        begin, stop = press[i], release[i]
        for k in range(done, min(begin, size) + 1):
            running[k] = total
        done = max(done, begin + 1)
        if stop <= begin:
            continue
        pot_abs, share = np.empty(stop - begin), np.empty(stop - begin)
        sliding = _summed_about(pot_pa, begin, half)
        for j in range(stop - begin):
            k = begin + j
            if j > 0:
                gone = pot_pa[min(max(k - half - 1, 0), size - 1)]
                come = pot_pa[min(max(k + half, 0), size - 1)]
                sliding += (come if there(come) else 0.0) - (gone if there(gone) else 0.0)
            pot_abs[j] = math.nan
            if there(pot_pa[k]):
                pot_abs[j] = sliding / width + outside_pa
            share[j] = pot_abs[j] / (supply_pa[k] + outside_pa)
        floor = feeds_from
        if (stop - begin) * period_s > 20.0:
            late = median(share[(begin + stop) // 2 - begin :: 4])
            if there(late):
                floor = min(feeds_from, late - 0.015)
        for j in range(stop - begin):
            k = begin + j
            running[k] = total
            step_s = at_s[k + 1] - at_s[k] if k + 1 < size else 0.0
            if step_s <= 5.0 and share[j] >= floor:
                total += pot_abs[j] / unit_pa * step_s
        done = max(done, stop)
    for k in range(done, size + 1):
        running[k] = total


@compiled
def _loss(pot_pa: Floats, nozzle_pa: Floats, at: int, outside_pa: float) -> float:
    """(p1^2 - p2^2)/p2^2 from pot to nozzle."""
    ratio = (pot_pa[at] + outside_pa) / (nozzle_pa[at] + outside_pa)
    return float(ratio * ratio - 1.0)


@compiled
def look_for_emptied(
    press: Ints, release: Ints, rest_s: Floats, supply_pa: Floats, pot_pa: Floats,
    nozzle_pa: Floats, outside_pa: float, feeds_from: float, tipping_s: float, settle: int,
    last: int, near: int, far: int, least_fall: float, least_sigma: float,
    middle: Floats, ran: Bools, index: Ints,
) -> None:  # fmt: skip
    """The blast hose's loss in each cycle, and where it fell for good.

    Parameters
    ----------
    press, release, rest_s : numpy.ndarray, shape (cycles,)
        Places, and the rest before the press [s].
    supply_pa, pot_pa, nozzle_pa : numpy.ndarray, shape (n,)
    outside_pa, feeds_from, tipping_s : float
        Outside, absolute [Pa]; as in ``blasting``.
    settle, last, near, far : int
        Samples from the pot's coming up; of the end; from which and to which before the end the
        usual loss is taken.
    least_fall, least_sigma : float
        As in ``blasting``.
    middle : numpy.ndarray, shape (cycles,)
        Written: median loss, NaN where there is none.
    ran, index : numpy.ndarray, shape (cycles,)
        Written where the pot ran empty: that it did, and the sample.
    """
    count = press.size
    for i in range(count):
        middle[i] = math.nan
        begin, stop = press[i], release[i]
        up = -1
        for k in range(begin, stop):
            if pot_pa[k] + outside_pa > feeds_from * (supply_pa[k] + outside_pa):
                up = k
                break
        begin = up + settle
        size = stop - begin
        if up < 0 or size < 2 * last:
            continue
        if count_there(pot_pa[begin:stop]) < size or count_there(nozzle_pa[begin:stop]) < size:
            continue
        # Its middle is the same of every third.
        some = np.empty((size + 2) // 3)
        for j in range(some.size):
            some[j] = _loss(pot_pa, nozzle_pa, begin + 3 * j, outside_pa)
        middle[i] = median(some)
        if size < near + 2 * last or (i < count - 1 and rest_s[i + 1] < tipping_s):
            continue
        begin = max(begin, stop - far)
        size = stop - begin
        loss = np.empty(size)
        for j in range(size):
            loss[j] = _loss(pot_pa, nozzle_pa, begin + j, outside_pa)
        usual = loss[: size - near].mean()
        fall = usual - loss[size - last :].mean()
        noise = median(np.abs(np.diff(loss))) / (0.6745 * math.sqrt(2.0))
        error = noise * math.sqrt(1.0 / (size - near) + 1.0 / last)
        if not (fall > least_fall * usual and fall > least_sigma * error):
            continue
        ran[i] = True
        tail, half = loss[size - near :], last // 3
        index[i] = stop - near
        for j in range(near - 1, -1, -1):
            if not _summed_about(tail, j, half) / (2 * half + 1) < usual - 0.5 * fall:
                index[i] = stop - near + j + 1
                break


@compiled
def look_at_plateaus(
    press: Ints, release: Ints, zeros: Floats, without: Bools, until: Ints, supply_pa: Floats,
    pot_pa: Floats, outside_pa: float, settle: int, least: int, tail: int, late: int, few: int,
    look_to: float, gap: Floats, spread: Floats, supply: Floats,
) -> None:  # fmt: skip
    """Pot less manifold while the pot stands full.

    Parameters
    ----------
    press, release, zeros, without, until : numpy.ndarray, shape (cycles,)
        Places, the pot transducer's zero [Pa], and as in ``plateau``.
    supply_pa, pot_pa : numpy.ndarray, shape (n,)
    outside_pa : float
        Absolute. [Pa]
    settle, least, tail, late, few : int
        Samples: after the pot came near; least and before the release; after the press where it
        never came near; of the means that decide.
    look_to : float
        Share of the manifold's pressure that counts as near.
    gap, spread, supply : numpy.ndarray, shape (cycles,)
        Written: mean difference, its standard error, the manifold's pressure, absolute [Pa]; NaN
        where there is none.
    """
    for i in range(press.size):
        gap[i], spread[i], supply[i] = math.nan, math.nan, math.nan
        begin, stop = press[i], release[i] - tail
        if until[i] >= 0:
            stop = min(stop, until[i] - 2 * few)
        if without[i] or stop - begin < settle + least:
            continue
        size = min(stop, begin + late) - begin
        total, over = 0.0, -1
        for j in range(size):
            k = begin + j
            total += (pot_pa[k] - zeros[i] + outside_pa) / (supply_pa[k] + outside_pa)
            if j >= few:
                k -= few
                total -= (pot_pa[k] - zeros[i] + outside_pa) / (supply_pa[k] + outside_pa)
            if j >= few - 1 and total > few * look_to:
                over = j - few + 1
                break
        begin += (over + few if over >= 0 else late) + settle
        size = stop - begin
        if size < least:
            continue
        mean, of_supply = 0.0, 0.0
        for k in range(begin, stop):
            mean += pot_pa[k] - supply_pa[k]
            of_supply += supply_pa[k]
        mean /= size
        squares = 0.0
        for k in range(begin, stop):
            squares += (pot_pa[k] - supply_pa[k] - mean) ** 2
        if not there(squares):
            continue
        gap[i] = mean - zeros[i]
        spread[i] = math.sqrt(squares / size) / math.sqrt(size)
        supply[i] = of_supply / size + outside_pa
