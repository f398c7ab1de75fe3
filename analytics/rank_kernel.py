"""Medians and other ranks of some hundred readings, compiled: by counting, without moving them.

``fill_kernel.median`` moves values about, one after the other, till the wanted one stands in its
place. How many are less than a guess the processor's vector unit tells in a tenth of that time; so
here guesses are counted first, and only the few values between two of them are moved. What comes
out is the same to the bit.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.cycle_kernel import chosen
from analytics.fill_kernel import compiled

Floats = npt.NDArray[np.float64]

#: So few values are put in order; of more, so many are taken for guesses.
_FEW, _GUESSES = 40, 24
#: What is there lies within (``fill_kernel.there``).
_FAR = 1e300


@compiled
def count_within(values: Floats, low: float, high: float) -> int:
    """How many values are more than ``low`` and less than ``high``; NaN is neither.

    Examples
    --------
    >>> count_within(np.array([1.0, 2.0, np.nan, 3.0]), 1.0, 4.0)
    2
    """
    count = 0
    for i in range(values.size):
        count += (values[i] > low) & (values[i] < high)
    return count


@compiled
def count_there(values: Floats) -> int:
    """How many values are finite numbers.

    Examples
    --------
    >>> count_there(np.array([1.0, np.nan, -np.inf]))
    1
    """
    return int(count_within(values, -_FAR, _FAR))


@compiled
def any_there(values: Floats) -> bool:
    """Whether any value is a finite number; soon told where the first is.

    Examples
    --------
    >>> any_there(np.array([np.nan, 1.0])), any_there(np.array([np.nan]))
    (True, False)
    """
    at = 0
    while at < values.size and not -_FAR < values[at] < _FAR:
        at += 1
    return at < values.size


@compiled
def _count_under(values: Floats, bound: float) -> int:
    count = 0
    for i in range(values.size):
        count += values[i] < bound
    return count


@compiled
def _count_upto(values: Floats, bound: float) -> int:
    count = 0
    for i in range(values.size):
        count += values[i] <= bound
    return count


@compiled
def _sort(values: Floats, size: int) -> None:
    """Put the first values in order, in place; best a few."""
    for i in range(1, size):
        value, j = values[i], i
        while j > 0 and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value


@compiled
def two_ranked(values: Floats, rank: int) -> tuple[float, float]:
    """The value of a rank, from 0, and of the next one (the last's is itself); all are there.

    Examples
    --------
    >>> two_ranked(np.array([3.0, 1.0, 10.0, 2.0]), 1)
    (2.0, 3.0)
    """
    size = values.size
    following = min(rank + 1, size - 1)
    if size <= _FEW:
        room = np.empty(size)
        for i in range(size):
            room[i] = values[i]
        _sort(room, size)
        return room[rank], room[following]
    guesses = np.empty(_GUESSES)
    stride = size // _GUESSES
    for k in range(_GUESSES):
        guesses[k] = values[k * stride + stride // 2]
    _sort(guesses, _GUESSES)
    # The highest guess with no more than `rank` values under it, and how many there are ...
    at = min(rank * _GUESSES // size, _GUESSES - 1)
    under, upto = _count_under(values, guesses[at]), size
    while under > rank:
        at, upto = at - 1, under
        under = _count_under(values, guesses[at]) if at >= 0 else 0
    if upto == size:
        while at + 1 < _GUESSES:
            more = _count_under(values, guesses[at + 1])
            if more > rank:
                upto = more
                break
            at, under = at + 1, more
    # ... and the lowest one that both are not over.
    up = at + 1
    while up < _GUESSES and upto <= following:
        upto = _count_upto(values, guesses[up])
        if upto <= following:
            up += 1
    low = guesses[at] if at >= 0 else -math.inf
    high = guesses[up] if up < _GUESSES else math.inf
    room = np.empty(size + 1)
    taken = 0
    for i in range(size):
        value = values[i]
        room[taken] = value
        taken += (value >= low) & (value <= high)
    rank, following = rank - under, following - under
    if taken <= _FEW:
        _sort(room, taken)
        return room[rank], room[following]
    found = chosen(room, taken, rank)
    if following == rank:
        return found, found
    least = room[following]
    for i in range(following + 1, taken):
        least = min(least, room[i])
    return found, least


@compiled
def median_within(values: Floats, low: float, high: float) -> float:
    """Median of the values more than ``low`` and less than ``high``; NaN where there is none.

    Examples
    --------
    >>> median_within(np.array([3.0, np.nan, 1.0, 10.0]), 0.0, 5.0)
    2.0
    """
    count = count_within(values, low, high)
    if count == 0:
        return math.nan
    rank = (count - 1) // 2
    if count == values.size:
        found, following = two_ranked(values, rank)
    else:
        kept = np.empty(values.size)
        at = 0
        for i in range(values.size):
            kept[at] = values[i]
            at += (values[i] > low) & (values[i] < high)
        found, following = two_ranked(kept[:count], rank)
    if count % 2 == 0:
        found += 0.5 * (following - found)
    return float(found)


@compiled
def median(values: Floats) -> float:
    """Median of the values that are there; NaN where none is.

    Examples
    --------
    >>> median(np.array([3.0, np.nan, 1.0, 10.0]))
    3.0
    """
    return float(median_within(values, -_FAR, _FAR))


@compiled
def over_median(value: float, share: float, values: Floats) -> bool:
    """Whether a value is more than a share of the median of those that are there.

    Examples
    --------
    >>> over_median(1.6, 0.5, np.array([3.0, np.nan, 1.0, 10.0]))
    True
    """
    count, under = 0, 0
    for i in range(values.size):
        held = (values[i] > -_FAR) & (values[i] < _FAR)
        count += held
        under += held & (share * values[i] < value)
    if count == 0:
        return False
    middle = (count - 1) // 2
    if under == middle + 1 and count % 2 == 0:
        # Only one of the two that the median lies between is: then where it lies matters.
        return bool(value > share * median(values))
    return under > middle
