"""Registers of a Modbus device to the SenML pack that the journal keeps.

A device has no messages of its own: Gritbook asks, and each answer becomes one pack, so that what
was polled goes the same way as what a box sends. Beside each value the pack has the registers as
they were read, in the field ``reg``, which SenML readers pass over (RFC 8428, section 4.4): a
register map that turns out to be wrong can be put right from the journal.

::

    [{"bt": 1760000000.012, "n": "pot-1/pot", "u": "mA", "v": 12.345, "reg": [12345]}]

Registers hold 16 bits, the high byte first. A number of 32 bits takes two, in the order that the
device's maker chose: ``big``, the high word in the lower address, is the common one.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

RegisterKind = Literal["input", "holding"]
RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32"]
WordOrder = Literal["big", "little"]

_FORMATS: dict[str, str] = {
    "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f",
}  # fmt: skip

#: Most registers in one request: Modbus application protocol V1.1b3, sections 6.3 and 6.4.
MOST_REGISTERS = 125


class Register(NamedTuple):
    """One value in a device's registers.

    Parameters
    ----------
    pot, channel : str
        What it measures.
    address : int
        First register, counted from 0 as on the wire.
    kind : str
        ``input`` (function 4) or ``holding`` (function 3).
    type : str
        How the bits are a number.
    word_order : str
        Of two registers: ``big`` has the high word first.
    unit : str
        SenML unit of ``number * scale + offset``.
    scale, offset : float
    """

    pot: str
    channel: str
    address: int
    kind: RegisterKind
    type: RegisterType
    word_order: WordOrder
    unit: str
    scale: float
    offset: float

    @property
    def words(self) -> int:
        """How many registers it takes."""
        return 1 if self.type in ("int16", "uint16") else 2


class Request(NamedTuple):
    """Registers that stand side by side and are read at once."""

    kind: RegisterKind
    address: int
    length: int
    registers: tuple[Register, ...]


def requests_for(registers: Sequence[Register]) -> list[Request]:
    """The fewest requests that read registers, without touching any that is not named.

    A register between two that are named is not read along: devices answer one that they do not
    have with an error.

    Parameters
    ----------
    registers : sequence of Register
        Of one device.

    Returns
    -------
    list of Request
    """
    requests: list[Request] = []
    for register in sorted(registers, key=lambda r: (r.kind, r.address)):
        last = requests[-1] if requests else None
        end = register.address + register.words
        if (
            last is not None
            and last.kind == register.kind
            and register.address <= last.address + last.length
            and end - last.address <= MOST_REGISTERS
        ):
            length = max(last.length, end - last.address)
            requests[-1] = last._replace(length=length, registers=(*last.registers, register))
        else:
            requests.append(Request(register.kind, register.address, register.words, (register,)))
    return requests


def number_of(words: Sequence[int], type_: RegisterType, word_order: WordOrder = "big") -> float:
    """The number in one or two registers.

    Parameters
    ----------
    words : sequence of int
        Registers, 0 to 65535 each.
    type_ : str
        How the bits are a number.
    word_order : str
        Order of two registers.

    Examples
    --------
    >>> number_of([0xFFFE], "int16"), number_of([0x3F80, 0], "float32")
    (-2.0, 1.0)
    >>> number_of([0, 1], "uint32", "little")
    65536.0
    """
    ordered = words if word_order == "big" else list(reversed(words))
    raw = struct.pack(f">{len(ordered)}H", *ordered)
    return float(struct.unpack(_FORMATS[type_], raw)[0])


def records_of(request: Request, words: Sequence[int]) -> tuple[list[dict[str, Any]], list[str]]:
    """The SenML records of one answer, and the names of values that are no number.

    Parameters
    ----------
    request : Request
        What was asked.
    words : sequence of int
        What was answered, as long as was asked.

    Returns
    -------
    tuple
        Records without a time; and ``pot/channel`` of each value that the device says it has not:
        a float that is not finite, or a switch that is neither 0 nor 1.
    """
    records: list[dict[str, Any]] = []
    without: list[str] = []
    for register in request.registers:
        begin = register.address - request.address
        own = list(words[begin : begin + register.words])
        name = f"{register.pot}/{register.channel}"
        # Twelve digits: more than any device has, and without the tails of binary fractions.
        number = number_of(own, register.type, register.word_order)
        value = float(f"{number * register.scale + register.offset:.12g}")
        if not math.isfinite(value) or (register.unit == "/" and value not in (0.0, 1.0)):
            without.append(name)
        elif register.unit == "/":
            records.append({"n": name, "vb": bool(value), "reg": own})
        else:
            records.append({"n": name, "u": register.unit, "v": value, "reg": own})
    return records, without


def pack_of(records: Sequence[dict[str, Any]], at_us: int) -> bytes:
    """A SenML pack of records that were read at one instant [us since 1970 UTC]."""
    first, *others = records
    return json.dumps([{"bt": at_us / 1e6, **first}, *others], separators=(",", ":")).encode()
