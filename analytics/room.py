"""Memory that is used again: arrays as long as a stretch's samples."""

from __future__ import annotations

import ctypes
import sys
import threading
from typing import Any

import numpy as np
import numpy.typing as npt


class Room:
    """Arrays as long as a stretch's samples that are used again for the next stretch: asked anew
    of the system, each page of them costs more than what is written into it."""

    def __init__(self) -> None:
        self._arrays: dict[str, npt.NDArray[Any]] = {}

    def empty(self, name: str, size: int, kind: npt.DTypeLike = np.float64) -> npt.NDArray[Any]:
        """An array with anything in it; the one of that name given before is lost by it.

        Parameters
        ----------
        name : str
            One name has one kind.
        size : int
            How many values.
        kind : dtype
            Their kind.
        """
        known = self._arrays.get(name)
        if known is None or known.size < size or known.dtype != kind:
            known = self._arrays[name] = np.empty(size + size // 4, kind)
        return known[:size]


def give_back() -> None:
    """Have the C library give back what threads that have ended asked for and let go; it keeps that
    for others that may come. Where it cannot be asked, nothing is done."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None) if sys.platform == "linux" else None
    if trim is not None:
        trim(0)


_OWN = threading.local()


def own_room() -> Room:
    """The room of this thread, which ends with it."""
    if not hasattr(_OWN, "room"):
        _OWN.room = Room()
    room: Room = _OWN.room
    return room
