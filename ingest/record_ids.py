"""Ids of what people enter: ten characters of time, then ten that make it unique."""

from __future__ import annotations

import datetime as dt
import secrets

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32: no i, l, o, u
ID_LENGTH, _HALF = 20, 10


def new_id(recorded_at: dt.datetime, number: int | None = None, once: str = "") -> str:
    """Ten characters of time [ms], then ten that make it unique."""
    milliseconds = int(recorded_at.timestamp() * 1000)
    if once and not is_once(once):
        raise ValueError("once: expected what new_once gives")
    tail = secrets.randbits(50) if number is None else number & (2**50 - 1)
    time = _in_letters(milliseconds)
    return time + (once or _in_letters(tail))


def _in_letters(value: int) -> str:
    """Fifty bits as ten characters."""
    return "".join(_ALPHABET[(value >> (5 * place)) & 31] for place in range(_HALF - 1, -1, -1))


def new_once() -> str:
    """What :func:`ingest.records.add` takes as ``once``: the second half of the record's id."""
    return _in_letters(secrets.randbits(5 * _HALF))


def is_once(text: str) -> bool:
    """Whether a text is of the form that :func:`new_once` gives."""
    return len(text) == _HALF and all(letter in _ALPHABET for letter in text)
