r"""Lines of a serial port: bytes in, lines out; then each line to the JSON text it carries.

A box sends one SenML pack a line, framed as a JSON text sequence (RFC 7464): ``0x1E``, the text,
``0x0A``. A line without the ``0x1E`` is taken too. The text may be followed by a trailer: a space,
``*`` and the CRC-32 of the text's bytes (ISO-HDLC, as in zlib and Ethernet) in eight upper-case
hexadecimal digits::

    \x1e[{"n":"pot-1/pot","u":"Pa","v":650000}] *B05E02C2\n

Nothing that came in is thrown away here: half a line, noise and an over-long line come out as lines
too, so that they end in quarantine with their bytes.
"""

from __future__ import annotations

import re
import zlib
from typing import Literal, NamedTuple

from ingest.readings import Reject
from ingest.wire import reasons

#: Longest line. At 115,200 baud it takes six seconds. [bytes]
MAX_LINE_BYTES = 1 << 16

Crc = Literal["optional", "required"]

_TRAILER = re.compile(rb" \*([0-9A-F]{8})$")
_TRAILER_LENGTH = 10
_BEGIN = b"\x1e"
_EITHER = re.compile(rb"[\x1e\n]")


class Line(NamedTuple):
    """One line as it came, without what delimits it; ``cut`` where it was too long for one."""

    raw: bytes
    cut: bool


class LineSplitter:
    """Split a stream of bytes into lines, however the stream is cut into pieces.

    Parameters
    ----------
    longest : int
        A line longer than this comes out in pieces, each marked ``cut``. [bytes]
    """

    def __init__(self, longest: int = MAX_LINE_BYTES) -> None:
        self._longest = longest
        self._rest = bytearray()
        self._searched = 0
        self._cut = False

    def feed(self, piece: bytes) -> list[Line]:
        """Take the next bytes; give the lines they complete, blank ones left out."""
        self._rest += piece
        lines: list[Line] = []
        begin = 0
        for found in _EITHER.finditer(self._rest, self._searched):
            self._close(lines, begin, found.start())
            begin = found.end()
        del self._rest[:begin]
        while len(self._rest) > self._longest:
            lines.append(Line(bytes(self._rest[: self._longest]), True))
            del self._rest[: self._longest]
            self._cut = True
        self._searched = len(self._rest)
        return lines

    def close(self) -> list[Line]:
        """Give what is left when the port has gone: at most one line, likely half of one."""
        lines: list[Line] = []
        self._close(lines, 0, len(self._rest))
        self._rest.clear()
        self._searched = 0
        return lines

    def _close(self, lines: list[Line], begin: int, end: int) -> None:
        while end - begin > self._longest:
            lines.append(Line(bytes(self._rest[begin : begin + self._longest]), True))
            begin += self._longest
            self._cut = True
        raw = bytes(self._rest[begin:end])
        if raw.strip():
            lines.append(Line(raw, self._cut))
        self._cut = False


def text_of(raw: bytes, crc: Crc) -> bytes | Reject:
    r"""The JSON text of a line, its trailer checked and taken off.

    Parameters
    ----------
    raw : bytes
        The line without its delimiters.
    crc : str
        ``required``: a line without a trailer is refused.

    Returns
    -------
    bytes or Reject

    Examples
    --------
    >>> text_of(b"123456789 *CBF43926\r", "required")
    b'123456789'
    >>> text_of(b"123456789 *00000000", "optional").reason
    'CRC does not match'

    References
    ----------
    The check value CBF43926 of "123456789" is CRC-32/ISO-HDLC's own.
    """
    line = raw.strip(b" \t\r\n\x1e")
    trailer = _TRAILER.search(line)
    if trailer is None:
        if crc == "required":
            return Reject(reasons.CRC_MISSING, "the line has no * and eight digits at its end")
        return line
    text = line[:-_TRAILER_LENGTH]
    told = int(trailer[1], 16)
    found = zlib.crc32(text)
    if told != found:
        return Reject(reasons.CRC_WRONG, f"the line says {told:08X}, its text gives {found:08X}")
    return text
