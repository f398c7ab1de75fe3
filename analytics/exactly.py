"""Compiling loops over samples whose figures must not depend on the compiler.

The compiler may take no liberties: sums stay in their order and nothing is contracted, so that a
figure is the same to the bit wherever it is reckoned, and an incremental result equals a full one.
Whoever may trade bits for speed has :func:`analytics.fill_kernel.compiled`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", bound=np.generic)


def exactly(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile without liberties; kept on disk where a folder for that can be written.

    Compiled functions run without Python's lock, so that threads read and reckon side by side.
    """
    from numba import njit

    try:
        return njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return njit(nogil=True, error_model="numpy")(function)


def fixed(values: npt.NDArray[Number]) -> npt.NDArray[Number]:
    """The same values, not to be written to.

    What comes from a frame without a copy is so. Compiled functions know arrays that may be written
    to as another type; so that they are compiled once, all signals are handed over like this.
    """
    seen = values.view()
    seen.setflags(write=False)
    return seen
