"""Memory that is used again, and given back."""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from analytics import room


def test_an_array_is_used_again_until_it_is_too_small_or_of_another_kind() -> None:
    own = room.Room()
    first = own.empty("supply", 100)
    first[:] = 1.0
    assert np.shares_memory(own.empty("supply", 110), first)
    assert not np.shares_memory(own.empty("supply", 1000), first)
    assert own.empty("supply", 10, np.int64).dtype == np.int64


def test_the_c_library_is_asked_where_it_can_be(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(sys, "platform", "linux")
    for library in (SimpleNamespace(malloc_trim=asked.append), SimpleNamespace()):
        monkeypatch.setattr(room.ctypes, "CDLL", lambda _, found=library: found)
        room.give_back()
    assert asked == [0]

    def none_such(_: Any) -> None:
        raise TypeError("no such library")

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(room.ctypes, "CDLL", none_such)
    room.give_back()
    assert asked == [0]
