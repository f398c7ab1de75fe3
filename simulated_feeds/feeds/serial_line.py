"""Send packs down a serial line, or through a pseudo-terminal that looks like one."""

from __future__ import annotations

import os
import select
import time
from pathlib import Path
from urllib.parse import parse_qsl, urlsplit

import serial

from ..wire import serial_line

SERIAL_OPTIONS = {"baud", "crc"}


class SerialFeed:
    """A serial port, a terminal or any pyserial URL, written a line a pack.

    Parameters
    ----------
    port : str
        Path of a port or terminal, or a pyserial URL such as `socket://host:port`.
    baud : int
        Speed of the line [Bd].
    crc : bool
        True adds the CRC-32 trailer.
    """

    def __init__(self, port: str, *, baud: int = 115_200, crc: bool = True) -> None:
        self.port, self.baud, self.crc = port, baud, crc
        self.sent = 0
        self._serial: serial.SerialBase | None = None

    @classmethod
    def from_url(cls, target: str) -> SerialFeed:
        """Read `serial:PORT[?baud=115200&crc=1]`.

        Parameters
        ----------
        target : str
            As on the command line.

        Raises
        ------
        ValueError
            When an option is unknown or not a number.
        """
        port, _, query = target.removeprefix("serial:").partition("?")
        options = dict(parse_qsl(query, strict_parsing=bool(query)))
        unknown = sorted(set(options) - SERIAL_OPTIONS)
        if unknown:
            raise ValueError(f"unknown option of a serial line: {', '.join(unknown)}")
        if not port:
            raise ValueError("a serial line needs a port: serial:PATH or serial:socket://host:port")
        return cls(
            port, baud=int(options.get("baud", "115200")), crc=bool(int(options.get("crc", "1")))
        )

    def open(self) -> None:
        """Open the port.

        Raises
        ------
        serial.SerialException
            When there is no such port.
        """
        if urlsplit(self.port).scheme in {"socket", "loop", "rfc2217"}:
            self._serial = serial.serial_for_url(self.port, timeout=1, write_timeout=5)
        else:
            self._serial = serial.Serial(self.port, self.baud, timeout=1, write_timeout=5)

    def frame(self, pack: bytes) -> bytes:
        """Give the line that carries a pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        return serial_line(pack, crc=self.crc)

    def send(self, pack: bytes) -> None:
        """Write one framed pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        self.send_bytes(self.frame(pack))

    def send_bytes(self, line: bytes) -> None:
        """Write bytes as they are.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """
        if self._serial is None:
            raise ValueError("the serial line is not open")
        self._serial.write(line)
        self._serial.flush()
        self.sent += 1

    def close(self) -> None:
        """Close the port."""
        if self._serial is not None:
            self._serial.close()
            self._serial = None


class PseudoTerminalFeed:
    """A pseudo-terminal whose far end a reader opens like a serial port.

    Parameters
    ----------
    link : Path
        A symbolic link to the far end is put here, and taken away on closing.
    crc : bool
        True adds the CRC-32 trailer.
    """

    def __init__(self, link: Path, *, crc: bool = True) -> None:
        self.link, self.crc = link, crc
        self.sent = 0
        self.dropped = 0
        self._near: int | None = None
        self._far: int | None = None

    @classmethod
    def from_url(cls, target: str) -> PseudoTerminalFeed:
        """Read `pty:LINKPATH[?crc=1]`.

        Parameters
        ----------
        target : str
            As on the command line.
        """
        path, _, query = target.removeprefix("pty:").partition("?")
        options = dict(parse_qsl(query, strict_parsing=bool(query)))
        unknown = sorted(set(options) - {"crc"})
        if unknown:
            raise ValueError(f"unknown option of a pseudo-terminal: {', '.join(unknown)}")
        if not path:
            raise ValueError("a pseudo-terminal needs the path of its link: pty:LINKPATH")
        return cls(Path(path), crc=bool(int(options.get("crc", "1"))))

    def open(self) -> None:
        """Make the terminal and the link to it; an old link is replaced, a file is not.

        Raises
        ------
        FileExistsError
            When something that is not a link stands at the link's path.
        OSError
            When this system has no pseudo-terminals.
        """
        if not hasattr(os, "openpty"):
            raise OSError("this system has no pseudo-terminals; use listen:HOST:PORT")
        import pty
        import tty

        if self.link.exists() and not self.link.is_symlink():
            raise FileExistsError(f"{self.link} exists and is not a link")
        self._near, self._far = pty.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._far))

    def frame(self, pack: bytes) -> bytes:
        """Give the line that carries a pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        return serial_line(pack, crc=self.crc)

    def send(self, pack: bytes) -> None:
        """Write one framed pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        self.send_bytes(self.frame(pack))

    def send_bytes(self, line: bytes) -> None:
        """Write bytes as they are; a line that nobody reads is dropped, as it is on a wire.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """
        if self._near is None:
            raise ValueError("the pseudo-terminal is not open")
        rest = memoryview(line)
        end_s = time.monotonic() + 0.5
        while rest and time.monotonic() < end_s:
            _, ready, _ = select.select([], [self._near], [], 0.1)
            if ready:
                try:
                    rest = rest[os.write(self._near, rest) :]
                except BlockingIOError:
                    continue
        if rest:
            self.dropped += 1
        else:
            self.sent += 1

    def close(self) -> None:
        """Take the link away and close both ends."""
        self.link.unlink(missing_ok=True)
        for end in (self._near, self._far):
            if end is not None:
                os.close(end)
        self._near = self._far = None
