"""SenML packs and serial lines, as the package's docstring describes them, written and no more."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass

import numpy as np

FAST_CHANNELS = ("supply", "inlet", "pot", "nozzle")
RECORD_SEPARATOR = b"\x1e"
LINE_FEED = b"\n"


@dataclass(frozen=True, slots=True)
class Second:
    """What a box has read since its last message.

    Attributes
    ----------
    from_s : float
        UNIX time of the first sample [s].
    offsets_s : numpy.ndarray, shape (n,)
        Time of each sample after the first [s].
    fast : dict of str to numpy.ndarray, shape (n,)
        Channel to gauge pressure [Pa], or loop current [mA] where `unit` says so.
    deadman : numpy.ndarray, shape (n,), bool
        The pressure switch.
    slow : dict of str to float
        Channel to value in the unit of the wire; only those due in this message.
    seq : int
        The message counter.
    unit : str
        `Pa` or `mA`.
    """

    from_s: float
    offsets_s: np.ndarray
    fast: dict[str, np.ndarray]
    deadman: np.ndarray
    slow: dict[str, float]
    seq: int
    unit: str = "Pa"


SLOW_UNITS = {"air_temp": "Cel", "humidity": "%RH", "steel_temp": "Cel", "pot_mass": "kg"}


def senml_pack(pot: str, second: Second, *, clock: bool = True) -> bytes:
    """Write a pack as SenML JSON.

    Parameters
    ----------
    pot : str
        Name of the pot.
    second : Second
        What to write.
    clock : bool
        False leaves the base time out and counts back from the arrival, as a box without a clock
        does: the last sample is at 0.

    Returns
    -------
    bytes
        UTF-8 JSON without line breaks.

    Examples
    --------
    >>> one = Second(1.8e9, np.array([0.0]), {"pot": np.array([250.0])}, np.array([True]), {}, 7)
    >>> senml_pack("pot-1", one).decode()
    '[{"bn":"pot-1/","bt":1800000000.0,"n":"seq","u":"count","v":7},{"n":"pot","u":"Pa","v":250},\
{"n":"deadman","vb":true}]'
    """
    offsets = np.round(second.offsets_s, 6)
    if not clock:
        offsets = np.round(offsets - offsets[-1], 6)
    times: list[dict[str, float]] = [{"t": value} if value else {} for value in offsets.tolist()]
    first: dict[str, object] = {"bn": f"{pot}/"}
    if clock:
        first["bt"] = round(second.from_s, 6)
    records: list[dict[str, object]] = [first | {"n": "seq", "u": "count", "v": second.seq}]
    for channel in FAST_CHANNELS:
        if channel not in second.fast:
            continue
        for time, value in zip(times, second.fast[channel].tolist(), strict=True):
            records.append({"n": channel, "u": second.unit, **time, "v": _plain(value)})
    for time, held in zip(times, second.deadman.tolist(), strict=True):
        records.append({"n": "deadman", **time, "vb": bool(held)})
    for channel, value in second.slow.items():
        records.append({"n": channel, "u": SLOW_UNITS[channel], "v": _plain(value)})
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def _plain(value: float) -> float | int:
    """Write whole numbers without a decimal point, as a small box would."""
    return int(value) if float(value).is_integer() else value


def serial_line(pack: bytes, *, crc: bool = True) -> bytes:
    """Frame a pack for a serial line: record separator, text, CRC-32 if wanted, line feed.

    Parameters
    ----------
    pack : bytes
        SenML JSON.
    crc : bool
        True adds the trailer.

    Examples
    --------
    >>> serial_line(b"[]")
    b'\\x1e[] *0D4CBB29\\n'
    """
    trailer = f" *{zlib.crc32(pack):08X}".encode() if crc else b""
    return RECORD_SEPARATOR + pack + trailer + LINE_FEED
