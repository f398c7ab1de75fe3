"""The loops of ``cycles.py`` over samples, compiled: runs of the dead-man, and each run's figures.

What the figures mean is told in :mod:`analytics.cycles`; here is only how they are found in one
pass. Pressures are NaN where there is no reading; instants are microseconds.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.exactly import exactly

# mypy: disable-error-code="no-any-return"
# What is read from an array in a loop is typed as anything.

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_US = 1_000_000

#: Columns of what :func:`cycle_figures` gives in whole numbers.
PRESSED, RELEASED, SPAN_FROM, SAMPLES, FLAGS = range(5)
#: Bits of the column ``FLAGS``.
LED, FOLLOWED, TO_THE_END, FLICKER, HAS_POT, CONFIRMED = 1, 2, 4, 8, 16, 32

#: Columns of what it gives as floating point numbers, in the order of ``CYCLE_SCHEMA``.
FIGURES = (
    "deadman_s", "deadman_low_s", "deadman_high_s", "blast_s", "blast_low_s", "blast_high_s",
    "pinched_s", "press_delay_s", "pressurise_s", "exhaust_s", "supply_pa", "pot_pa", "nozzle_pa",
    "drop_supply_pot_pa", "drop_pot_nozzle_pa", "peak_pot_pa",
)  # fmt: skip

#: Rise over the pressure at the press that counts as the pot's answer, as a fraction of the
#: manifold's pressure: over the noise of a 1 % transducer (three standard deviations).
ANSWER_FRACTION = 0.03
#: The same where no manifold pressure is measured. [Pa]
ANSWER_PA = 20_000.0
#: Pressurised "to 90 %" of the manifold and exhausted "to 10 %" of what the pot held.
PRESSURISED_TO = 0.90
EXHAUSTED_TO = 0.10
#: Pressures still move for a while after the pot counts as full; medians begin this long after. [s]
SETTLE_S = 2.0
#: A pot that never fills is looked at from this long after the press. [s]
SLOW_S = 10.0
#: Fall under the held pressure that shows that the wedge has opened.
OPENING_FRACTION = 0.03

_SETTLE_US, _SLOW_US = round(SETTLE_S * _US), round(SLOW_S * _US)
_OPENING_TO = 1 - OPENING_FRACTION

#: Among so few values a median is looked for from the one in their midst.
_FEW = 48


@exactly
def dead_man_runs(at_us: Ints, deadman: Bools, gap_us: int, bounce_us: int) -> tuple[Ints, Ints]:
    """First index of each opening and the index after its last, and the gaps.

    Returns
    -------
    runs : ndarray of int64, shape (n, 2)
        Openings cut at gaps, pauses shorter than ``bounce_us`` filled in.
    gaps : ndarray of int64, shape (m,)
        Index of the sample before each gap.
    """
    size = at_us.size
    # Counted first and written then: two plain passes are faster than one that may grow arrays.
    gap_count, most = 0, 0
    for i in range(1, size):
        cut = at_us[i] - at_us[i - 1] > gap_us
        gap_count += cut
        most += deadman[i] & (cut | (not deadman[i - 1]))
    gaps, runs = np.empty(gap_count, np.int64), np.empty((most + 1, 2), np.int64)
    gap_count, found = 0, 0
    # Where the last gap's far side lies: a pause is filled only within a stretch without gaps.
    heard_from = 0
    was_open = False
    for i in range(size):
        cut = i > 0 and at_us[i] - at_us[i - 1] > gap_us
        if not cut and deadman[i] == was_open:
            continue
        if was_open:
            runs[found, 1] = i
            found += 1
        if cut:
            gaps[gap_count] = i - 1
            gap_count += 1
            heard_from = i
        was_open = deadman[i]
        if was_open:
            runs[found, 0] = i
            # A pause is bounded by the first sample that says shut and the next that says open.
            if (
                found
                and runs[found - 1, 0] >= heard_from
                and at_us[i] - at_us[runs[found - 1, 1]] < bounce_us
            ):
                found -= 1
    if was_open:
        runs[found, 1] = size
        found += 1
    return runs[:found], gaps


@exactly
def memoryless(at_us: Ints, deadman: Bools, gap_us: int, quiet_us: int) -> Bools:
    """Where each sample stands for a new beginning; :func:`analytics.cycles.memoryless_from`."""
    size = at_us.size
    new = np.zeros(size, np.bool_)
    last_us = at_us[0] if size else 0
    for i in range(size):
        after_gap = i > 0 and at_us[i] - at_us[i - 1] > gap_us
        if deadman[i] or after_gap:
            last_us = at_us[i]
        new[i] = after_gap or at_us[i] - last_us >= quiet_us
    return new


@exactly
def window_sums(values: Floats, begin: Ints, end: Ints) -> Floats:
    """Sums of ``values[begin[k]:end[k]]``, each in the order of the values."""
    sums = np.zeros(begin.size)
    for k in range(begin.size):
        for i in range(begin[k], end[k]):
            sums[k] += values[i]
    return sums


@exactly
def carried(at_us: Ints, values: Floats, at: Bools, oldest_us: int) -> Floats:
    """Values at some of the instants, the last one standing for later instants, but not for long.

    Parameters
    ----------
    at_us, values : ndarray, shape (n,)
        NaN where there is none.
    at : ndarray of bool, shape (n,)
        Where a value is asked for.
    oldest_us : int
        Oldest value that still stands. [us]

    Returns
    -------
    ndarray of float64
        One a ``True`` of ``at``.
    """
    kept = np.empty(int(at.sum()))
    count, last = 0, -1
    for i in range(at_us.size):
        if not math.isnan(values[i]):
            last = i
        if at[i]:
            stands = last >= 0 and at_us[i] - at_us[last] <= oldest_us
            kept[count] = values[last] if stands else math.nan
            count += 1
    return kept


#: Values among which a pivot is looked for; so few are simply put in order.
_LOOKED_AT, _FEW = 9, 24


@exactly
def _sort(values: Floats, low: int, high: int) -> None:
    """Put values from ``low`` on, before ``high``, in order, in place; best a few."""
    for i in range(low + 1, high):
        value, j = values[i], i
        while j > low and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value


@exactly
def chosen(values: Floats, size: int, rank: int) -> float:
    """The value of a rank among the first ``size`` values, which are moved about: what is less
    stands before it, what is more after it.

    Hoare's way, but that values are parted without a branch: which side one goes to is a toss that
    the processor guesses wrong every other time, and that costs ten times what moving it does.
    """
    low, high = 0, size
    some = np.empty(_LOOKED_AT)
    while high - low > _FEW:
        # What the rank would be among some of them parts off most of the others at once.
        stride = (high - low) // _LOOKED_AT
        for k in range(_LOOKED_AT):
            some[k] = values[low + k * stride + stride // 2]
        _sort(some, 0, _LOOKED_AT)
        pivot = some[min((rank - low) * _LOOKED_AT // (high - low), _LOOKED_AT - 1)]
        end = low
        for i in range(low, high):
            value = values[i]
            values[i] = values[end]
            values[end] = value
            end += value < pivot
        if rank < end:
            high = end
            continue
        # The others are as much or more: steps of a transducer's resolution are often as much.
        low = end
        for i in range(low, high):
            value = values[i]
            values[i] = values[end]
            values[end] = value
            end += value <= pivot
        if rank < end:
            return pivot
        low = end
    _sort(values, low, high)
    return values[rank]


@exactly
def _middle(a: float, b: float, c: float) -> float:
    return max(min(a, b), min(max(a, b), c))


@exactly
def _guess(values: Floats, first: int, size: int) -> float:
    """One of some values, likely near their middle."""
    if size < _FEW:
        return values[first + size // 2]
    step = size // 27
    a, b, c = 0.0, 0.0, 0.0
    for i in range(3):
        at = first + 9 * i * step
        found = _middle(
            _middle(values[at], values[at + step], values[at + 2 * step]),
            _middle(values[at + 3 * step], values[at + 4 * step], values[at + 5 * step]),
            _middle(values[at + 6 * step], values[at + 7 * step], values[at + 8 * step]),
        )
        a, b, c = b, c, found
    return _middle(a, b, c)


@exactly
def median_of(values: Floats, size: int, spare: Floats) -> float:
    """The median of the first ``size`` values, none NaN; of an even number between the middle two.

    Of pressures that stand many are alike, for a transducer counts in steps, so that a good guess
    mostly is the median; to see that takes a count. Else what is less than the guess and what is
    more is set apart without a branch a value, from one array into the other and back: both, at
    least as long as there are values, are written to.
    """
    if size == 0:
        return math.nan
    upper = size // 2
    lower = upper if size % 2 else upper - 1
    from_, to = values, spare
    first = 0
    guess = _guess(values, 0, size)
    less, no_more = 0, 0
    for i in range(size):
        less += values[i] < guess
        no_more += values[i] <= guess
    if less <= lower and upper < no_more:
        return guess + (guess - guess) * 0.5 if upper > lower else guess
    while True:
        less, more = 0, size
        for i in range(first, first + size):
            value = from_[i]
            to[less] = value
            to[more - 1] = value
            less += value < guess
            more -= value > guess
        if upper < less:
            first, size = 0, less
        elif lower >= more:
            first, size = more, size - more
            lower -= more
            upper -= more
        else:
            break
        from_, to = to, from_
        guess = _guess(from_, first, size)
    low, high = guess, guess
    if lower < less:
        low = -math.inf
        for i in range(less):
            low = max(low, to[i])
    if upper >= more:
        high = math.inf
        for i in range(more, size):
            high = min(high, to[i])
    return low + (high - low) * 0.5 if upper > lower else low


@exactly
def _crossing_us(at_us: Ints, pot_pa: Floats, index: int, level: float, first: int) -> float:
    """When the pot's pressure crossed a level on its way to sample ``index`` [us]; NaN: never."""
    if index < 0:
        return math.nan
    if index > first:
        rise = pot_pa[index] - pot_pa[index - 1]
        part = (level - pot_pa[index - 1]) / rise
        if part < 0.0:
            part = 0.0
        elif part > 1.0:
            part = 1.0
        crossed = at_us[index - 1] + part * (at_us[index] - at_us[index - 1])
        if math.isfinite(crossed):
            return crossed
    # The sample before belongs to another story, or had no pressure: the sample itself stands.
    return float(at_us[index])


@exactly
def cycle_figures(
    at_us: Ints,
    supply_pa: Floats,
    pot_pa: Floats,
    nozzle_pa: Floats,
    runs: Ints,
    gaps: Ints,
    press_us: int,
    quiet_us: int,
    thresholds: tuple[float, float, float, float],
    has_pot: bool,
) -> tuple[Ints, Floats]:
    """The figures of each opening.

    Parameters
    ----------
    at_us, supply_pa, pot_pa, nozzle_pa : ndarray, shape (n,)
        Signals at the dead-man's samples.
    runs, gaps : ndarray
        From :func:`dead_man_runs`.
    press_us, quiet_us : int
        ``press_debounce_s`` and ``quiet_s`` of :class:`analytics.cycles.CycleSettings`. [us]
    thresholds : tuple of float
        Its ``pressurised_on``, ``pressurised_off``, ``pressurised_pa``, ``unpressurised_pa``.
    has_pot : bool
        As there.

    Returns
    -------
    whole : ndarray of int64, shape (m, 5)
        ``PRESSED``, ``RELEASED``, ``SPAN_FROM`` [us], ``SAMPLES``, ``FLAGS``.
    figures : ndarray of float64, shape (16, m)
        A row each of ``FIGURES``; NaN where there is none.
    """
    size, count = at_us.size, runs.shape[0]
    up_share, down_share, up_only_pa, down_only_pa = thresholds
    least_up_pa = down_only_pa * 0.5
    whole = np.zeros((count, 5), np.int64)
    figures = np.full((16, count), np.nan)
    longest = 0
    for k in range(count):
        longest = max(longest, runs[k, 1] - runs[k, 0])
    supply, pot, nozzle = np.empty(longest), np.empty(longest), np.empty(longest)
    sagged, lost, spare = np.empty(longest), np.empty(longest), np.empty(longest)
    blasting = np.empty(longest, np.bool_)
    next_gap = 0
    for k in range(count):
        start, end = runs[k, 0], runs[k, 1]
        last = end - 1
        while next_gap < gaps.size and gaps[next_gap] + 1 <= last:
            next_gap += 1
        gap_at = gaps[next_gap] + 1 if next_gap < gaps.size else size
        led = start > 0 and not (next_gap > 0 and gaps[next_gap - 1] + 1 == start)
        followed = end < size and gap_at != end
        span_from = start - 1 if led else start
        released = end if followed else last

        # What still belongs to the story: up to the next press or gap, at most the quiet time.
        until = min(runs[k + 1, 0] if k + 1 < count else size, gap_at)
        quiet_at_us = at_us[last] + quiet_us
        if until > end and at_us[until - 1] >= quiet_at_us:
            until = end + np.searchsorted(at_us[end:until], quiet_at_us)
        until = max(until, end)

        rest_pa = pot_pa[span_from] if math.isfinite(pot_pa[span_from]) else pot_pa[start]
        at_press_pa = supply_pa[start]
        answer_pa = rest_pa + (
            ANSWER_FRACTION * at_press_pa if math.isfinite(at_press_pa) else ANSWER_PA
        )
        held_pa = pot_pa[last]

        # Pressurised with hysteresis that begins anew at each press: nothing before matters.
        up, known, ever_up, full = False, False, False, -1
        was_on, was_sure = False, False
        low_us, high_us, sure_us = 0, 0, 0
        peak_pa = math.nan
        answered = -1
        for i in range(start, end):
            p, s = pot_pa[i], supply_pa[i]
            if math.isfinite(p):
                known = True
                with_supply = math.isfinite(s)
                up_pa = up_share * s if with_supply else up_only_pa
                down_pa = down_share * s if with_supply else down_only_pa
                if p >= max(up_pa, least_up_pa):
                    up = True
                elif p <= down_pa:
                    up = False
            if full < 0 and p >= PRESSURISED_TO * s:
                full = i
            if answered < 0 and p >= answer_pa:
                answered = i
            if not p <= peak_pa and not math.isnan(p):
                peak_pa = p
            ever_up |= up
            on = up or not known
            sure = (up and known) if has_pot else True
            if i > start:
                step_us = at_us[i] - at_us[i - 1]
                if on and was_on:
                    low_us += step_us
                if on or was_on:
                    high_us += step_us
                if sure and was_sure:
                    sure_us += step_us
            elif on:
                high_us += at_us[i] - at_us[span_from]
            blasting[i - start] = on
            was_on, was_sure = on, sure
        if was_on:
            high_us += at_us[released] - at_us[last]
        if known:
            for i in range(end, until):
                p = pot_pa[i]
                if answered < 0 and p >= answer_pa:
                    answered = i
                if p > peak_pa:
                    peak_pa = p
        else:
            for i in range(end, until):
                p = pot_pa[i]
                if answered < 0 and p >= answer_pa:
                    answered = i
                if not p <= peak_pa and not math.isnan(p):
                    peak_pa = p
        opened, exhausted = -1, -1
        opening_pa, exhausted_pa = _OPENING_TO * held_pa, EXHAUSTED_TO * held_pa
        for i in range(released, until):
            p = pot_pa[i]
            if opened < 0 and p <= opening_pa:
                opened = i
            if p <= exhausted_pa:
                exhausted = i
                break
        # A pressure that falls below nought opens later than it is exhausted: look on for it.
        if opened < 0:
            for i in range(released, until):
                if pot_pa[i] <= opening_pa:
                    opened = i
                    break

        pressed_us = (at_us[start] + at_us[span_from]) / 2 if led else math.nan
        released_us = (at_us[released] + at_us[last]) / 2 if followed else math.nan
        press_delay_s = (_crossing_us(at_us, pot_pa, answered, answer_pa, start) - pressed_us) / _US
        full_pa = PRESSURISED_TO * supply_pa[full] if full >= 0 else math.nan
        pressurise_s = (_crossing_us(at_us, pot_pa, full, full_pa, start) - pressed_us) / _US
        release_delay_s = (
            _crossing_us(at_us, pot_pa, opened, opening_pa, released) - released_us
        ) / _US
        exhaust_s = (
            _crossing_us(at_us, pot_pa, exhausted, exhausted_pa, released) - released_us
        ) / _US

        confirmed = known and (answered >= 0 or ever_up)
        flicker = led and followed and not confirmed and at_us[released] - at_us[start] < press_us
        counts = 0 if flicker else 1  # what a flicker lasted stays in the high figures only
        deadman_low_us = at_us[last] - at_us[start]
        deadman_high_us = at_us[released] - at_us[span_from]
        deadman_s = (deadman_low_us + deadman_high_us) / (2 * _US)
        pinched_s = (
            deadman_s
            - (0.0 if math.isnan(press_delay_s) else press_delay_s)
            + (0.0 if math.isnan(release_delay_s) else release_delay_s)
        )
        # A pot that held pressure at the press tells nothing about how long it takes to fill.
        was_empty = rest_pa <= down_share * at_press_pa

        whole[k, PRESSED], whole[k, RELEASED] = at_us[start], at_us[released]
        whole[k, SPAN_FROM], whole[k, SAMPLES] = at_us[span_from], end - start
        whole[k, FLAGS] = (
            led * LED | followed * FOLLOWED | (end == size) * TO_THE_END | flicker * FLICKER
            | known * HAS_POT | confirmed * CONFIRMED
        )  # fmt: skip
        figures[0, k] = counts * deadman_s
        figures[1, k] = counts * deadman_low_us / _US
        figures[2, k] = deadman_high_us / _US
        figures[3, k] = counts * (low_us + high_us) / (2 * _US)
        figures[4, k] = counts * sure_us / _US
        figures[5, k] = high_us / _US
        figures[6, k] = 0.0 if known and not confirmed else counts * max(pinched_s, 0.0)
        figures[7, k] = press_delay_s
        figures[8, k] = pressurise_s if was_empty else math.nan
        figures[9, k] = exhaust_s if full >= 0 else math.nan
        figures[15, k] = peak_pa

        # Medians while the pressures stand: a little after the pot has 90 % of the manifold; where
        # it never has (a leak), with the later half of the opening.
        if full >= 0:
            begin = full + np.searchsorted(at_us[full:end], at_us[full] + _SETTLE_US)
        else:
            slow = start + np.searchsorted(at_us[start:end], at_us[start] + _SLOW_US)
            begin = max((start + end) // 2, slow)
        n_supply, n_pot, n_nozzle, n_sagged, n_lost = 0, 0, 0, 0, 0
        for i in range(begin, end):
            kept = blasting[i - start]
            s, p, n = supply_pa[i], pot_pa[i], nozzle_pa[i]
            supply[n_supply], pot[n_pot], nozzle[n_nozzle] = s, p, n
            sagged[n_sagged], lost[n_lost] = s - p, p - n
            n_supply += kept & (s == s)
            n_pot += kept & (p == p)
            n_nozzle += kept & (n == n)
            n_sagged += kept & (s - p == s - p)
            n_lost += kept & (p - n == p - n)
        figures[10, k] = median_of(supply, n_supply, spare)
        figures[11, k] = median_of(pot, n_pot, spare)
        figures[12, k] = median_of(nozzle, n_nozzle, spare)
        figures[13, k] = median_of(sagged, n_sagged, spare)
        figures[14, k] = median_of(lost, n_lost, spare)
    return whole, figures
