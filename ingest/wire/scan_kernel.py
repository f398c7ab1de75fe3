"""Packs of the common form, byte by byte, compiled: what :mod:`ingest.wire.scan` iterates.

A narrow reader on purpose. It takes exactly what JSON allows in the fields ``n u t v vb`` (and, in
a pack's first record, ``bn bt bu``) as long as it can be read without doubt: ASCII without escapes,
each field once, and numbers of at most 2**53 times a power of ten up to 10**22, which one division
or product of doubles rounds correctly (W. D. Clinger, "How to read floating point numbers
accurately", 1990). At anything else it gives the pack up, and a reader that knows all of SenML
takes it. So it cannot read anything differently; it can only read less.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Bytes = npt.NDArray[np.uint8]
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Hashes = npt.NDArray[np.uint64]

#: Stand in a key for the end of a part, and for a unit that was not sent. No ASCII is like them.
END, NONE = 0xFF, 0xFE
#: FNV-1a, 64 bits. It only finds a place in the table; the bytes themselves are compared.
_FNV_BASE, _FNV_PRIME = np.uint64(0xCBF29CE484222325), np.uint64(0x100000001B3)

_TENS = np.array([10.0**n for n in range(23)])
_MOST_EXACT = np.int64(2**53)


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile, with the result kept on disk where a folder for that can be written."""
    try:
        return njit(cache=True, nogil=True)(function)
    except RuntimeError:
        return njit(nogil=True)(function)


@compiled
def add_hash(value: np.uint64, byte: int) -> np.uint64:
    """One step of FNV-1a."""
    return (value ^ np.uint64(byte)) * _FNV_PRIME


@compiled
def key_hash(key: Bytes) -> np.uint64:
    """FNV-1a of a whole key."""
    value = _FNV_BASE
    for byte in key:
        value = add_hash(value, byte)
    return value


@compiled
def _past_space(text: Bytes, at: int, end: int) -> int:
    while at < end and (text[at] == 32 or 9 <= text[at] <= 10 or text[at] == 13):
        at += 1
    return at


@compiled
def _past_string(text: Bytes, at: int, end: int) -> int:
    """The closing quote of a string whose first character is at ``at``; -1: give it up."""
    while at < end:
        byte = text[at]
        if byte == 34:
            return at
        if byte == 92 or byte < 32 or byte > 126:
            return -1
        at += 1
    return -1


@compiled
def _number(text: Bytes, at: int, end: int) -> tuple[float, int]:
    """A number and where it ends; -1: give it up."""
    negative = at < end and text[at] == 45
    if negative:
        at += 1
    mantissa = np.int64(0)
    digits = 0
    first = at
    while at < end and 48 <= text[at] <= 57:
        if digits == 18:
            return 0.0, -1
        mantissa = mantissa * 10 + (text[at] - 48)
        if mantissa:
            digits += 1
        at += 1
    if at == first or (at - first > 1 and text[first] == 48):
        return 0.0, -1
    power = 0
    if at < end and text[at] == 46:
        at += 1
        first = at
        while at < end and 48 <= text[at] <= 57:
            if digits == 18:
                return 0.0, -1
            mantissa = mantissa * 10 + (text[at] - 48)
            if mantissa:
                digits += 1
            power -= 1
            at += 1
        if at == first:
            return 0.0, -1
    if at < end and (text[at] == 69 or text[at] == 101):
        at += 1
        minus = at < end and text[at] == 45
        if at < end and (text[at] == 45 or text[at] == 43):
            at += 1
        first = at
        written = 0
        while at < end and 48 <= text[at] <= 57:
            if written > 999:
                return 0.0, -1
            written = written * 10 + (text[at] - 48)
            at += 1
        if at == first:
            return 0.0, -1
        power += -written if minus else written
    if mantissa > _MOST_EXACT or power < -22 or power > 22 or (negative and mantissa == 0):
        return 0.0, -1
    value = float(mantissa)
    if power < 0:
        value /= _TENS[-power]
    elif power > 0:
        value *= _TENS[power]
    return (-value if negative else value), at


@compiled
def _is_word(text: Bytes, at: int, end: int, word: Bytes) -> bool:
    if end - at < word.size:
        return False
    differ = 0
    for number in range(word.size):
        differ += text[at + number] != word[number]
    return differ == 0


_TRUE = np.frombuffer(b"true", np.uint8)
_FALSE = np.frombuffer(b"false", np.uint8)


@compiled
def _agrees(key: Bytes, key_at: int, text: Bytes, first: int, after: int) -> int:
    """Where the key goes on behind a part that is equal and ended; -1: it is another."""
    if first < 0:
        if key[key_at] != NONE or key[key_at + 1] != END:
            return -1
        return key_at + 2
    for at in range(first, after):
        if key[key_at] != text[at]:
            return -1
        key_at += 1
    return key_at + 1 if key[key_at] == END else -1


@compiled
def _hashed(value: np.uint64, text: Bytes, first: int, after: int) -> np.uint64:
    if first < 0:
        value = add_hash(value, NONE)
    for at in range(first, after):
        value = add_hash(value, text[at])
    ended: np.uint64 = add_hash(value, END)
    return ended


@compiled
def scan_packs(
    text: Bytes,
    begins: Ints,
    ends: Ints,
    most_bytes: int,
    most_records: int,
    hashes: Hashes,
    places: Ints,
    key_begins: Ints,
    keys: Bytes,
    slot: Ints,
    seconds: Floats,
    value: Floats,
    counts: Ints,
    base_s: Floats,
) -> int:
    """Read packs into columns; gives how many readings were read.

    Parameters
    ----------
    text : array of uint8
        All packs.
    begins, ends : array of int64, shape (packs,)
        Where each lies in ``text``.
    most_bytes, most_records : int
        A pack of more is given up.
    hashes, places, key_begins : array, shape (size of the table,)
        Open addressing, a power of two: a key's hash, its slot (-1: empty), where it begins in
        ``keys``.
    keys : array of uint8
        Keys one behind the other: base name, base unit, name, unit and kind, each ended by END.
    slot, seconds, value : array
        Filled with what is read: slot, own time [s], value as sent.
    counts : array of int64, shape (packs,)
        Filled with the readings of each pack; 0: it was given up.
    base_s : array of float64, shape (packs,)
        Filled with the base time of each. [s]
    """
    filled = 0
    mask = hashes.size - 1
    for pack in range(begins.size):
        at, end = begins[pack], ends[pack]
        counts[pack] = 0
        base_s[pack] = 0.0
        bn_first = bn_after = begins[pack]
        bu_first = bu_after = -1
        prefix = _FNV_BASE
        began = filled
        records = 0
        good = False
        at = _past_space(text, at, end)
        if at >= end or text[at] != 91 or end - begins[pack] > most_bytes:
            continue
        at = _past_space(text, at + 1, end)
        while True:
            if at >= end or text[at] != 123 or records == most_records or filled == slot.size:
                break
            at = _past_space(text, at + 1, end)
            n_first = n_after = 0
            u_first = u_after = -1
            number = time_s = 0.0
            kind = 0
            seen = 0
            whole = True
            while True:
                whole = False
                if at >= end or text[at] != 34:
                    break
                name_first = at + 1
                at = _past_string(text, name_first, end)
                if at < 0:
                    break
                length = at - name_first
                first_byte = text[name_first] if length > 0 else 0
                second_byte = text[name_first + 1] if length == 2 else 0
                at = _past_space(text, at + 1, end)
                if at >= end or text[at] != 58:
                    break
                at = _past_space(text, at + 1, end)
                if at >= end:
                    break
                field = 0
                if length == 1:
                    if first_byte == 110:
                        field = 1  # n
                    elif first_byte == 117:
                        field = 2  # u
                    elif first_byte == 116:
                        field = 4  # t
                    elif first_byte == 118:
                        field = 8  # v
                elif length == 2:
                    if first_byte == 118 and second_byte == 98:
                        field = 16  # vb
                    elif first_byte == 98 and records == 0:
                        if second_byte == 110:
                            field = 32  # bn
                        elif second_byte == 116:
                            field = 64  # bt
                        elif second_byte == 117:
                            field = 128  # bu
                if field == 0 or seen & field:
                    break
                seen |= field
                if field == 1 or field == 2 or field == 32 or field == 128:
                    if text[at] != 34:
                        break
                    first = at + 1
                    at = _past_string(text, first, end)
                    if at < 0:
                        break
                    if field == 1:
                        n_first, n_after = first, at
                    elif field == 2:
                        u_first, u_after = first, at
                    elif field == 32:
                        bn_first, bn_after = first, at
                    else:
                        bu_first, bu_after = first, at
                    at += 1
                elif field == 16:
                    if _is_word(text, at, end, _TRUE):
                        number = 1.0
                        at += 4
                    elif _is_word(text, at, end, _FALSE):
                        number = 0.0
                        at += 5
                    else:
                        break
                    kind = 1
                else:
                    read, at = _number(text, at, end)
                    if at < 0:
                        break
                    if field == 4:
                        time_s = read
                    elif field == 8:
                        number = read
                    else:
                        base_s[pack] = read
                at = _past_space(text, at, end)
                if at < end and text[at] == 44:
                    at = _past_space(text, at + 1, end)
                    continue
                if at < end and text[at] == 125:
                    at = _past_space(text, at + 1, end)
                    whole = True
                break
            # Exactly one of v and vb.
            if not whole or ((seen >> 3) & 3) not in (1, 2):
                break
            if records == 0:
                prefix = _hashed(prefix, text, bn_first, bn_after)
                prefix = _hashed(prefix, text, bu_first, bu_after)
            wanted = _hashed(prefix, text, n_first, n_after)
            wanted = _hashed(wanted, text, u_first, u_after)
            wanted = add_hash(wanted, 48 + kind)
            place = np.int64(wanted & np.uint64(mask))
            found = -1
            while places[place] >= 0:
                if hashes[place] == wanted:
                    key_at = _agrees(keys, key_begins[place], text, bn_first, bn_after)
                    if key_at >= 0:
                        key_at = _agrees(keys, key_at, text, bu_first, bu_after)
                    if key_at >= 0:
                        key_at = _agrees(keys, key_at, text, n_first, n_after)
                    if key_at >= 0:
                        key_at = _agrees(keys, key_at, text, u_first, u_after)
                    if key_at >= 0 and keys[key_at] == 48 + kind:
                        found = places[place]
                        break
                place = (place + 1) & mask
            if found < 0:
                break
            slot[filled] = found
            seconds[filled] = time_s
            value[filled] = number
            filled += 1
            records += 1
            if at < end and text[at] == 44:
                at = _past_space(text, at + 1, end)
                continue
            if at < end and text[at] == 93:
                good = _past_space(text, at + 1, end) == end
            break
        if good:
            counts[pack] = records
        else:
            filled = began
    return filled
