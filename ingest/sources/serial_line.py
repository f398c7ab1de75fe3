"""A serial line through pyserial: bytes to lines to raw messages. There is nothing to acknowledge.

Opening works with whatever ``serial_for_url`` takes: a device, or ``socket://host:port``.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import Any

import serial

from ingest.errors import SourceLost
from ingest.readings import RawMessage
from ingest.sources.inbox import Delivery, Inbox
from ingest.wire.columns import LINE_CUT, LINE_OPTIONAL, LINE_REQUIRED
from ingest.wire.framing import Crc, Line, LineSplitter

_POLL_S = 0.2
_READ_BYTES = 4096


@dataclass(frozen=True)
class SerialSettings:
    """One line.

    Parameters
    ----------
    port : str
        Device or pyserial URL.
    baud : int
        [baud]
    crc : str
        ``required``: a line without the CRC-32 trailer is refused.
    """

    port: str
    baud: int = 115_200
    crc: Crc = "optional"


class SerialSource:
    """Lines from one serial port; garbage and half lines too, which end in quarantine.

    Parameters
    ----------
    settings : SerialSettings
    """

    def __init__(self, settings: SerialSettings) -> None:
        self.name = f"serial:{settings.port}"
        self.state = "not open yet"
        self._settings = settings
        self._content_type = LINE_REQUIRED if settings.crc == "required" else LINE_OPTIONAL

    def acknowledge(self, tokens: list[object]) -> None:
        """Nothing: a serial line knows no acknowledgement."""

    def run(self, inbox: Inbox, stop: threading.Event) -> None:
        """Hand over lines until ``stop``; see :class:`ingest.sources.inbox.Source`."""
        port = self._open()
        self.state = "open"
        splitter = LineSplitter()
        try:
            while not stop.is_set():
                self._hand_over(inbox, splitter.feed(_read(port)))
            self.state = "closed"
        except OSError as error:
            # pyserial's SerialException is an OSError.
            self.state = "went away"
            raise SourceLost(
                f"The serial line {self._settings.port} went away: {error}.",
                "Plug it in again; it is opened again by itself.",
            ) from error
        finally:
            # Half a line that will never be whole is still something that came in.
            self._hand_over(inbox, splitter.close())
            port.close()

    def _open(self) -> Any:
        self.state = f"opening {self._settings.port}"
        try:
            port = serial.serial_for_url(
                self._settings.port,
                baudrate=self._settings.baud,
                timeout=_POLL_S,
                do_not_open=True,
            )
            # Opening one over the network, pyserial throws away what has come by then: but the
            # other end sends from the first moment on.
            port.reset_input_buffer = _keep_what_came
            port.open()
            return port
        except (OSError, ValueError) as error:
            raise SourceLost(
                f"The serial line {self._settings.port} cannot be opened: {error}.",
                "Check the cable, serial.port in the yard file, and that you may use the port.",
            ) from error

    def _hand_over(self, inbox: Inbox, lines: list[Line]) -> None:
        arrived_us = time.time_ns() // 1000
        for line in lines:
            kind = LINE_CUT if line.cut else self._content_type
            message = RawMessage(self.name, "", kind, arrived_us, False, line.raw)
            inbox.put(Delivery(message, self, None))


def _keep_what_came() -> None:
    """Stand in for emptying a port's buffer."""


def _read(port: Any) -> bytes:
    """Wait for one byte, then take what else has come, so that a slow line is not waited for."""
    first: bytes = port.read(1)
    if not first:
        return first
    waiting = min(port.in_waiting, _READ_BYTES)
    return first + (port.read(waiting) if waiting else b"")
