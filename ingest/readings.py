"""The vocabulary that travels from a source to the store. All frozen.

Instants are integers of microseconds since 1970-01-01T00:00:00Z, in names that end in ``_us``;
in the store and in frames they are UTC timestamps in names that end in ``_at``.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple


class RawMessage(NamedTuple):
    """One message as a source heard it.

    Parameters
    ----------
    source : str
        Which source heard it, such as ``mqtt`` or ``serial:/dev/ttyUSB0``.
    topic : str
        MQTT topic; empty for a source without topics.
    content_type : str
        MQTT 5 content type, or the source's own; empty means SenML JSON.
    arrived_us : int
        When it arrived by this computer's clock. [us since 1970 UTC]
    repeated : bool
        The transport marks it as possibly sent before (MQTT's DUP flag).
    payload : bytes
        The message itself, untouched.
    transport_id : int
        The transport's own number of the message, by which a repetition is known (MQTT's packet
        identifier); 0 where it has none.
    """

    source: str
    topic: str
    content_type: str
    arrived_us: int
    repeated: bool
    payload: bytes
    transport_id: int = 0


class Reading(NamedTuple):
    """One value of one channel of one pot at one instant.

    ``value`` is in the channel's SI unit, or mA where the box sends the raw loop current, in which
    case ``unit`` says ``mA``. A switch is 0.0 or 1.0. ``text`` is set only where the value is text.
    """

    pot: str
    channel: str
    at_us: int
    value: float
    unit: str
    text: str | None = None


class Reject(NamedTuple):
    """A message, or a part of one, that could not become a reading.

    ``reason`` is a short fixed phrase to count by; ``detail`` says what was found where.
    """

    reason: str
    detail: str


class Decoded(NamedTuple):
    """What a message holds: its readings, and what could not be read with the reason."""

    readings: list[Reading]
    rejects: list[Reject]


class Quality(IntFlag):
    """Bits of ``sample.quality``: why a value of that row must not count.

    One bit a channel per cause, so that the stored value itself is never altered.
    """

    OK = 0
    SUPPLY_OUT_OF_RANGE = 1
    INLET_OUT_OF_RANGE = 2
    POT_OUT_OF_RANGE = 4
    NOZZLE_OUT_OF_RANGE = 8
