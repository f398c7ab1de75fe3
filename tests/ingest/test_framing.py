"""A serial stream gives the same lines however it is cut, and nothing of it vanishes."""

from __future__ import annotations

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.readings import Reject
from ingest.wire import reasons
from ingest.wire.framing import Line, LineSplitter, text_of

PACK = b'[{"n":"pot-1/pot","u":"Pa","v":650000}]'
STREAM = (
    b'n":"pot-1/pot","v":1}]\n'  # the port was opened in the middle of a line
    b"\x1e" + PACK + b"\n"
    b"\r\n \n"  # blank lines are no lines
    + PACK + b" *B05E02C2\r\n"
    b'\x1e[{"n":"pot-1/po\x1e' + PACK + b"\n"  # one that broke off before the next began
    b"\xff\x00\x80\n" + b"x" * 100 + b"\n\x1e[{"
)  # fmt: skip


def split(pieces: list[bytes], longest: int = 60) -> list[Line]:
    splitter = LineSplitter(longest)
    lines = [line for piece in pieces for line in splitter.feed(piece)]
    return lines + splitter.close()


def test_lines_come_out_whole() -> None:
    assert split([STREAM]) == [
        Line(b'n":"pot-1/pot","v":1}]', False),
        Line(PACK, False),
        Line(PACK + b" *B05E02C2\r", False),
        Line(b'[{"n":"pot-1/po', False),
        Line(PACK, False),
        Line(b"\xff\x00\x80", False),
        Line(b"x" * 60, True),
        Line(b"x" * 40, True),
        Line(b"[{", False),
    ]


def test_halved_anywhere_and_one_byte_at_a_time_gives_the_same() -> None:
    whole = split([STREAM])
    for at in range(len(STREAM) + 1):
        assert split([STREAM[:at], STREAM[at:]]) == whole
    assert split([STREAM[n : n + 1] for n in range(len(STREAM))]) == whole


@given(
    st.lists(st.binary(max_size=30) | st.sampled_from([b"\n", b"\x1e", PACK, b" "]), max_size=20),
    st.integers(1, 40),
    st.data(),
)
def test_however_cut_the_lines_are_the_same_and_no_byte_is_lost(
    parts: list[bytes], longest: int, data: st.DataObject
) -> None:
    stream = b"".join(parts)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=6)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    lines = split(pieces, longest)
    assert lines == split([stream], longest)
    assert all(len(line.raw) <= longest for line in lines)
    # Blanks at either end of a line may go with it where it holds nothing else.
    kept = b"".join(line.raw for line in lines)
    assert b"".join(kept.split()) == b"".join(stream.replace(b"\x1e", b" ").split())


@pytest.mark.parametrize("text", [b"123456789", PACK, "[é]".encode()])
def test_a_right_trailer_comes_off(text: bytes) -> None:
    raw = text + b" *%08X" % zlib.crc32(text)
    for ending in (b"", b"\r", b" \r"):
        assert text_of(raw + ending, "required") == text
        assert text_of(raw + ending, "optional") == text


def test_the_published_check_value() -> None:
    """CRC-32/ISO-HDLC of "123456789" is CBF43926."""
    assert text_of(b"123456789 *CBF43926", "required") == b"123456789"


def test_without_a_trailer() -> None:
    assert text_of(PACK + b"\r", "optional") == PACK
    refused = text_of(PACK, "required")
    assert isinstance(refused, Reject)
    assert refused.reason == reasons.CRC_MISSING


def test_one_wrong_bit_anywhere_is_found() -> None:
    raw = PACK + b" *%08X" % zlib.crc32(PACK)
    for at in range(len(PACK)):
        for bit in range(8):
            broken = bytearray(raw)
            broken[at] ^= 1 << bit
            if broken[:1] in b" \t\r\n\x1e":
                # A blank at the beginning is taken for the line's, and then the text is shorter.
                continue
            refused = text_of(bytes(broken), "required")
            assert isinstance(refused, Reject), broken
            assert refused.reason == reasons.CRC_WRONG
