"""Modbus RTU's CRC-16 as it goes over the wire, against published check values.

The polynomial is 0x8005, reflected, from 0xFFFF: the catalogue of CRC algorithms' CRC-16/MODBUS,
check 0x4B37; Modbus over serial line V1.02, section 2.5.1.2 and appendix B: low byte first.
"""

from __future__ import annotations

import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient
from pymodbus.framer import FramerRTU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest


def crc_by_hand(block: bytes) -> int:
    """Bit by bit, as the specification's flow chart in appendix B has it."""
    crc = 0xFFFF
    for byte in block:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def test_the_check_value() -> None:
    assert crc_by_hand(b"123456789") == 0x4B37
    # As two bytes on the wire, the low one first.
    assert FramerRTU.compute_CRC(b"123456789").to_bytes(2, "big") == b"\x37\x4b"


@pytest.mark.parametrize(
    ("frame", "function", "unit", "address", "count"),
    [
        ("01 03 00 85 00 01 95 E3", 3, 1, 0x85, 1),
        ("11 03 00 6B 00 03 76 87", 3, 0x11, 0x6B, 3),
        ("01 03 00 00 00 02 C4 0B", 3, 1, 0, 2),
        ("01 04 00 00 00 02 71 CB", 4, 1, 0, 2),
        ("01 03 00 0A 00 01 A4 08", 3, 1, 10, 1),
    ],
)
def test_what_our_client_sends_is_the_published_frame(
    frame: str, function: int, unit: int, address: int, count: int
) -> None:
    kinds = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
    request = kinds[function](address=address, count=count, dev_id=unit)
    client = ModbusSerialClient("not opened", framer=FramerType.RTU)
    assert client.framer.buildFrame(request) == bytes.fromhex(frame)
    # Over a whole frame with its CRC the residue is zero.
    assert crc_by_hand(bytes.fromhex(frame)) == 0
