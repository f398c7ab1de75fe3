"""Send lines to whoever connects over TCP, as a serial-to-network converter does."""

from __future__ import annotations

import contextlib
import socket
import threading
from urllib.parse import parse_qsl

from ..wire import serial_line


class ListeningFeed:
    """A TCP port that hands the lines of a serial box to every connection.

    What is sent while nobody is connected is gone, as on a serial line; a reader that does not
    keep up is disconnected.

    Parameters
    ----------
    host : str
        Address to listen on.
    port : int
        Port; 0 takes a free one, see `port` after opening.
    crc : bool
        True adds the CRC-32 trailer.
    """

    def __init__(self, host: str, port: int, *, crc: bool = True) -> None:
        self.host, self.port, self.crc = host, port, crc
        self.sent = 0
        self._server: socket.socket | None = None
        self._readers: list[socket.socket] = []
        self._lock = threading.Lock()

    @classmethod
    def from_url(cls, target: str) -> ListeningFeed:
        """Read `listen:HOST:PORT[?crc=1]`.

        Parameters
        ----------
        target : str
            As on the command line.

        Raises
        ------
        ValueError
            When it is not such a target.

        Examples
        --------
        >>> ListeningFeed.from_url("listen:127.0.0.1:4001?crc=0").crc
        False
        """
        address, _, query = target.removeprefix("listen:").partition("?")
        host, colon, port = address.rpartition(":")
        options = dict(parse_qsl(query, strict_parsing=bool(query)))
        unknown = sorted(set(options) - {"crc"})
        if unknown:
            raise ValueError(f"unknown option of a listening feed: {', '.join(unknown)}")
        if not colon or not host or not port.isdigit():
            raise ValueError(f"not an address to listen on: {address!r}; write listen:HOST:PORT")
        return cls(host, int(port), crc=bool(int(options.get("crc", "1"))))

    def open(self) -> None:
        """Start listening.

        Raises
        ------
        OSError
            When the port is taken.
        """
        self._server = socket.create_server((self.host, self.port))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._accept, args=(self._server,), daemon=True).start()

    def frame(self, pack: bytes) -> bytes:
        """Give the line that carries a pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        return serial_line(pack, crc=self.crc)

    def send(self, pack: bytes) -> None:
        """Send one framed pack to all who are connected.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        self.send_bytes(self.frame(pack))

    def send_bytes(self, line: bytes) -> None:
        """Send bytes as they are, likewise.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """
        with self._lock:
            readers = list(self._readers)
        for reader in readers:
            try:
                reader.sendall(line)
            except OSError:  # gone, or too slow: it may connect again
                with self._lock:
                    self._readers.remove(reader)
                reader.close()
        self.sent += 1

    def close(self) -> None:
        """Disconnect everybody and stop listening."""
        if self._server is not None:
            with contextlib.suppress(OSError):
                self._server.shutdown(socket.SHUT_RDWR)  # wakes accept
            self._server.close()
        with self._lock:
            for reader in self._readers:
                reader.close()
            self._readers.clear()

    def _accept(self, server: socket.socket) -> None:
        while True:
            try:
                reader, _ = server.accept()
            except OSError:  # closed
                return
            reader.settimeout(2.0)
            with self._lock:
                self._readers.append(reader)
