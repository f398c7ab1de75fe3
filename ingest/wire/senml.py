"""One SenML pack in JSON or CBOR (RFC 8428): bytes in, readings and rejects out.

This is the careful reader: Gritbook's rules for pots, channels, units and times on top of
:mod:`ingest.wire.rfc8428`. :mod:`ingest.wire.columns` is the fast one for many packs of forms that
boxes usually send; it hands every other pack to this module, and gives the same readings.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal, NamedTuple

from ingest.channels import CHANNELS, UNIT_FACTORS
from ingest.readings import Decoded, Reading, Reject
from ingest.wire import cbor, reasons
from ingest.wire.rfc8428 import VALUES, Record, read_records

#: Below this a time is relative to the arrival. RFC 8428, section 4.5.3. [us]
RELATIVE_BELOW_US = float(2**28) * 1e6
#: 2000-01-01T00:00:00Z: no sensor box is older; a box without a clock says 1970 or 1980. [us]
EARLIEST_US = 946_684_800e6
#: How far ahead of the arrival a time may be: a box may keep another zone's time. [us]
AHEAD_US = 86_400e6

Form = Literal["json", "cbor"]


class Slot(NamedTuple):
    """Where the values of one name and unit go, and how they get there.

    Parameters
    ----------
    pot, channel : str
        The two parts of the name.
    unit : str
        The unit the value is kept in; empty where an unknown channel named none.
    factor, offset : float
        ``kept = sent * factor + offset``.
    column : str or None
        Column of ``sample``; ``None`` for the tall table.
    known : bool
        Whether :data:`ingest.channels.CHANNELS` has the channel.
    """

    pot: str
    channel: str
    unit: str
    factor: float
    offset: float
    column: str | None
    known: bool


def decode(payload: bytes, arrived_us: int, form: Form = "json") -> Decoded:
    """Read one pack.

    Parameters
    ----------
    payload : bytes
        The message.
    arrived_us : int
        When it arrived; relative times count from it. [us since 1970 UTC]
    form : str
        What it is written in: ``json`` or ``cbor``.

    Returns
    -------
    Decoded
        Every reading that can be had, in the order sent, and a reject for every record that cannot
        be one. Never raises for what the bytes hold.

    Examples
    --------
    >>> decode(b'[{"n":"pot-1/pot","u":"hPa","v":6500},{"n":"pot-1/deadman","vb":true}]', 10**15)
    ... # doctest: +NORMALIZE_WHITESPACE
    Decoded(readings=[Reading(pot='pot-1', channel='pot', at_us=1000000000000000, value=650000.0,
                              unit='Pa', text=None),
                      Reading(pot='pot-1', channel='deadman', at_us=1000000000000000, value=1.0,
                              unit='/', text=None)],
            rejects=[])

    References
    ----------
    RFC 8428, sections 4 and 5.
    """
    decoded, _ = decode_with_time(payload, arrived_us, form)
    return decoded


def decode_with_time(payload: bytes, arrived_us: int, form: Form) -> tuple[Decoded, bool]:
    """Read one pack as :func:`decode` does, and say whether any time was relative to its arrival.

    Parameters
    ----------
    payload, arrived_us, form
        As of :func:`decode`.
    """
    read = cbor.read_records if form == "cbor" else read_records
    records, rejects, _ = read(payload)
    readings: list[Reading] = []
    relative = False
    for record in records:
        relative |= _at_us(record) < RELATIVE_BELOW_US
        made = _reading(record, arrived_us)
        if isinstance(made, Reading):
            readings.append(made)
        else:
            rejects.append(made)
    return Decoded(readings, rejects), relative


@lru_cache(maxsize=4096)
def place(name: str, unit: str | None, kind: str) -> Slot | Reject:
    """Find where values of a name go.

    Parameters
    ----------
    name : str
        Base name and name, concatenated; allowed by the RFC.
    unit : str or None
        The unit sent, or none.
    kind : str
        Which field carries the value: ``v``, ``vs``, ``vb`` or ``vd``.

    Returns
    -------
    Slot or Reject
        The reject's detail names the field; the caller adds the record.
    """
    pot, slash, channel_name = name.rpartition("/")
    if not (slash and pot and channel_name):
        return Reject(reasons.NAME_NOT_POT_CHANNEL, f"n {name!r}")
    channel = CHANNELS.get(channel_name)
    if channel is None:
        # A base unit is meant for numbers: a switch or a text has none, whatever `bu` says.
        kept_unit = {"v": unit or "", "vb": "/"}.get(kind, "")
        return Slot(pot, channel_name, kept_unit, 1.0, 0.0, None, False)
    switch = channel.unit == "/"
    if kind not in (("v", "vb") if switch else ("v",)):
        return Reject(reasons.VALUE_WRONG_KIND, f"{kind} for {channel_name}")
    if kind == "vb":
        unit = "/"
    if not unit:
        if channel.unit not in ("/", "count"):
            return Reject(reasons.UNIT_MISSING, f"u for {channel_name}")
        unit = channel.unit
    if channel.current_column and unit in ("mA", "A"):
        factor = 1.0 if unit == "mA" else 1000.0
        return Slot(pot, channel_name, "mA", factor, 0.0, channel.current_column, True)
    scale = UNIT_FACTORS.get((unit, channel.unit))
    if scale is None:
        return Reject(reasons.UNIT_WRONG, f"u {unit!r} for {channel_name}")
    return Slot(pot, channel_name, channel.unit, *scale, channel.column, True)


@lru_cache(maxsize=4096)
def _kept(pot: str, channel_name: str, unit: str) -> Slot:
    channel = CHANNELS.get(channel_name)
    if channel is None:
        return Slot(pot, channel_name, unit, 1.0, 0.0, None, False)
    column = channel.current_column if unit == "mA" else channel.column
    return Slot(pot, channel_name, unit, 1.0, 0.0, column, True)


def kept(reading: Reading) -> Slot:
    """The slot of a reading whose value is in its kept unit already."""
    return _kept(reading.pot, reading.channel, reading.unit)


def value_reject(slot: Slot, value: float) -> Reject | None:
    """Say what is wrong with a value already in the slot's unit, or give ``None``."""
    if not math.isfinite(value):
        return Reject(reasons.NUMBER_OUT_OF_RANGE, f"v for {slot.channel}")
    if slot.column == "deadman" and value not in (0.0, 1.0):
        return Reject(reasons.VALUE_WRONG_KIND, f"v {value:g} for deadman is neither 0 nor 1")
    if slot.column == "seq" and not (0 <= value < 2**53 and value.is_integer()):
        return Reject(reasons.NUMBER_OUT_OF_RANGE, f"v {value:g} for seq is not a count")
    return None


def time_reject(at_us: float, arrived_us: int) -> Reject | None:
    """Say what is wrong with an absolute time [us], or give ``None``."""
    if not at_us >= EARLIEST_US or at_us > 4e15:
        return Reject(reasons.TIME_OUT_OF_RANGE, f"t gives {at_us / 1e6:.6g} s")
    if at_us > arrived_us + AHEAD_US:
        return Reject(reasons.TIME_AHEAD, f"t is {(at_us - arrived_us) / 1e6:.0f} s ahead")
    return None


def microseconds(seconds: float) -> float:
    """Seconds to whole microseconds, exact up to the year 2255; infinite where it overflows."""
    product = seconds * 1e6
    return float(round(product)) if math.isfinite(product) else product


def _reading(record: Record, arrived_us: int) -> Reading | Reject:
    made = _unnumbered_reading(record, arrived_us)
    if isinstance(made, Reject):
        return Reject(made.reason, f"record {record.number}: {made.detail}")
    return made


def _at_us(record: Record) -> float:
    return microseconds(record.base_seconds) + microseconds(record.seconds)


def _unnumbered_reading(record: Record, arrived_us: int) -> Reading | Reject:
    at_us = _at_us(record)
    if at_us < RELATIVE_BELOW_US:
        at_us += arrived_us
    kind = next((key for key in VALUES if key in record.fields), "v")
    slot = place(record.name, record.unit, kind)
    if isinstance(slot, Reject):
        return slot
    if kind == "v" and record.value is None:
        return Reject(reasons.SUM_ONLY, "s")
    wrong_time = time_reject(at_us, arrived_us)
    if wrong_time:
        return wrong_time
    text: str | None = None
    value = math.nan
    if kind == "vs":
        text = record.fields["vs"]
    elif kind == "vd":
        text = f"data:;base64,{record.fields['vd']}"
    else:
        sent = float(record.fields["vb"]) if kind == "vb" else record.value
        assert sent is not None
        value = sent * slot.factor + slot.offset
        wrong_value = value_reject(slot, value)
        if wrong_value:
            return wrong_value
    return Reading(slot.pot, slot.channel, int(at_us), value, slot.unit, text)
