"""Draws that hang on the time and not on the order of asking.

A sensor fault comes and goes in slots of time. Whether a slot is bad is a function of the slot's
number and a seed, so a whole shift at once and one second at a time come to the same.
"""

from __future__ import annotations

import numpy as np


def slot_chance(slots: np.ndarray, seed: int) -> np.ndarray:
    """Give a number in [0, 1) for each slot, as if drawn at random (splitmix64 finaliser).

    Parameters
    ----------
    slots : numpy.ndarray, shape (n,), int
        Numbers of the slots, not negative.
    seed : int
        Another seed, other numbers.

    Returns
    -------
    numpy.ndarray, shape (n,)
        The same slot and seed give the same number, always.

    Examples
    --------
    >>> bool((slot_chance(np.arange(5), 1) == slot_chance(np.arange(9), 1)[:5]).all())
    True
    """
    with np.errstate(over="ignore"):
        mixed = np.asarray(slots, dtype=np.uint64) + np.uint64(
            (seed * 0x9E3779B97F4A7C15 + 0x1234567) & 0xFFFFFFFFFFFFFFFF
        )
        mixed = mixed * np.uint64(0x9E3779B97F4A7C15)
        mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        mixed = mixed ^ (mixed >> np.uint64(31))
    return (mixed >> np.uint64(11)).astype(np.float64) / float(1 << 53)
