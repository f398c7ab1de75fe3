"""Doubles that a transducer resolved as whole numbers of a step, found and given back to the bit.

A transducer gives whole counts; the store keeps what they come to in pascal or milliampere. Counts
take a fraction of the room of doubles. A column is kept as counts only where every value comes
back from them bit for bit; otherwise it stays as it is.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

#: Whole numbers up to this are exact in a double.
_MOST = 2.0**53
#: Divisor and factor that are tried, in this order: decimals as a box writes them, then decimals
#: of hectopascal, then raw counts that were multiplied by a decimal.
_FORMS = (
    (1.0, 1.0), (10.0, 1.0), (100.0, 1.0), (1e3, 1.0), (1e4, 1.0), (1e5, 1.0), (1e6, 1.0),
    (10.0, 100.0), (100.0, 100.0), (1e3, 100.0), (1.0, 0.1), (1.0, 0.01), (1.0, 1e-3),
)  # fmt: skip
_TRIED_FIRST = 512


class Scale(NamedTuple):
    """What gives a value back from its count: ``count / divisor * factor``, in this order."""

    divisor: float
    factor: float


def find_scale(values: Floats) -> tuple[Counts, Scale] | None:
    """Find whole numbers from which every value comes back bit for bit.

    Parameters
    ----------
    values : array of float64, shape (n,)
        Finite; in whatever unit.

    Returns
    -------
    tuple of array of int64 and Scale, or None
        The counts; ``None`` where no scale gives every value back.

    Examples
    --------
    >>> counts, scale = find_scale(np.array([500.0, 750.0, 0.0, -250.0]))
    >>> counts.tolist(), scale
    ([2, 3, 0, -1], Scale(divisor=1.0, factor=250.0))
    >>> find_scale(np.array([4.05, 12.1]))[1]
    Scale(divisor=20.0, factor=1.0)
    >>> find_scale(np.array([0.1 + 0.2, np.pi])) is None
    True
    """
    if not len(values) or not np.isfinite(values).all():
        return None
    # Values at the end of a double's range overflow in the trial, and then fit no scale.
    with np.errstate(over="ignore", invalid="ignore"):
        for divisor, factor in _FORMS:
            if _counts(values[:_TRIED_FIRST], Scale(divisor, factor)) is None:
                continue
            counts = _counts(values, Scale(divisor, factor))
            if counts is not None:
                return _coarser(values, counts, Scale(divisor, factor))
        return _by_step(values)


def values_of(counts: Counts, scale: Scale) -> Floats:
    """Values from counts, as every reader of an archive file must compute them."""
    values: Floats = counts.astype(np.float64) / scale.divisor * scale.factor
    return values


def _counts(values: Floats, scale: Scale) -> Counts | None:
    near = np.rint(values / scale.factor * scale.divisor)
    if not (np.abs(near) < _MOST).all():
        return None
    counts = near.astype(np.int64)
    # Compared as bits: minus zero is not zero.
    same = values_of(counts, scale).view(np.int64) == values.view(np.int64)
    return counts if same.all() else None


def _coarser(values: Floats, counts: Counts, scale: Scale) -> tuple[Counts, Scale]:
    """The same in steps as large as they may be."""
    common = int(np.gcd.reduce(counts))
    if common <= 1:
        return counts, scale
    part = int(np.gcd(common, int(scale.divisor)))
    for step, coarse in (
        (common, Scale(scale.divisor / part, scale.factor * (common // part))),
        (part, Scale(scale.divisor / part, scale.factor)),
    ):
        fewer = counts // step
        if (values_of(fewer, coarse).view(np.int64) == values.view(np.int64)).all():
            return fewer, coarse
    return counts, scale


def _by_step(values: Floats) -> tuple[Counts, Scale] | None:
    """Counts of a converter that were multiplied by a step which is no decimal."""
    levels = np.unique(values)
    if len(levels) < 2 or len(levels) > 1 << 17:
        return None
    rough = float(np.diff(levels).min())
    largest = levels[int(np.argmax(np.abs(levels)))]
    count = np.rint(largest / rough)
    if rough <= 0.0 or not 1.0 <= abs(count) < 1 << 31:
        return None
    step = float(abs(largest / count))
    below = above = step
    tried = [step]
    for _ in range(4):
        below, above = float(np.nextafter(below, 0.0)), float(np.nextafter(above, np.inf))
        tried += [below, above]
    for one in tried:
        scale = Scale(1.0, one)
        if _counts(levels, scale) is not None:
            counts = _counts(values, scale)
            return None if counts is None else (counts, scale)
    return None
