"""Answer Modbus RTU requests on a pseudo-terminal, as transducers on RS-485 would.

Registers, both as input registers (function 4) and as holding registers (function 3):

=======  =================================================================
address  content
=======  =================================================================
0 to 3   supply, inlet, pot, nozzle: loop current [uA]; 0 is not fitted
4        dead-man, 0 or 1
5        air temperature [0.1 degC], signed
6        humidity [0.1 %]
7        steel temperature [0.1 degC], signed
8        message counter, low 16 bits
=======  =================================================================

A request is answered with the sample whose turn it is, one second after it was taken.
"""

from __future__ import annotations

import asyncio
import os
import threading
import time
from pathlib import Path
from urllib.parse import parse_qsl

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from ..signals import LOOP_SPAN_MA, LOOP_ZERO_MA
from ..wire import FAST_CHANNELS, Second

REGISTERS = 9
SPAN_PA = 1_000_000.0


def registers(second: Second, index: int, slow: dict[str, float]) -> list[int]:
    """Give the registers for one sample of a second.

    Parameters
    ----------
    second : Second
        The readings.
    index : int
        Which sample.
    slow : dict of str to float
        Latest of each slow channel.

    Returns
    -------
    list of int, length 9
        Each 0 to 65535; negative values as two's complement.
    """
    values = []
    for channel in FAST_CHANNELS:
        if channel not in second.fast:
            values.append(0)
            continue
        reading = float(second.fast[channel][index])
        if second.unit != "mA":
            reading = LOOP_ZERO_MA + LOOP_SPAN_MA * reading / SPAN_PA
        values.append(max(round(reading * 1000.0), 0))
    values.append(int(second.deadman[index]))
    values += [
        round(slow.get(channel, 0.0) * 10.0) for channel in ("air_temp", "humidity", "steel_temp")
    ]
    values.append(second.seq)
    return [value & 0xFFFF for value in values]


class ModbusFeed:
    """A Modbus RTU device on a pseudo-terminal.

    Two pseudo-terminals are joined back to back, as a cable joins two ports: the server opens one,
    the reader the other.

    Parameters
    ----------
    link : Path
        A symbolic link to the reader's end is put here.
    device : int
        Address of the device on the bus, 1 to 247.
    baud : int
        Speed the server opens its end with [Bd].
    """

    def __init__(self, link: Path, *, device: int = 1, baud: int = 19_200) -> None:
        if not 1 <= device <= 247:
            raise ValueError(f"a Modbus device has an address from 1 to 247, not {device}")
        self.link, self.device, self.baud = link, device, baud
        self.sent = 0
        self.answered = 0
        self._second: Second | None = None
        self._since_s = 0.0
        self._slow: dict[str, float] = {}
        self._ends: list[int] = []
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._stop: asyncio.Event | None = None
        self._ready = threading.Event()
        self._failure: Exception | None = None

    @classmethod
    def from_url(cls, target: str) -> ModbusFeed:
        """Read `modbus:LINKPATH[?device=1&baud=19200]`.

        Parameters
        ----------
        target : str
            As on the command line.

        Raises
        ------
        ValueError
            When an option is unknown or out of range.
        """
        path, _, query = target.removeprefix("modbus:").partition("?")
        options = dict(parse_qsl(query, strict_parsing=bool(query)))
        unknown = sorted(set(options) - {"device", "baud"})
        if unknown:
            raise ValueError(f"unknown option of a Modbus line: {', '.join(unknown)}")
        if not path:
            raise ValueError("a Modbus line needs the path of its link: modbus:LINKPATH")
        return cls(
            Path(path),
            device=int(options.get("device", "1")),
            baud=int(options.get("baud", "19200")),
        )

    def open(self) -> None:
        """Start answering; returns once requests are answered.

        Raises
        ------
        FileExistsError
            When something that is not a link stands at the link's path.
        OSError
            When the server does not come up, or this system has no pseudo-terminals.
        """
        if not hasattr(os, "openpty"):
            raise OSError("this system has no pseudo-terminals")
        import pty
        import tty

        if self.link.exists() and not self.link.is_symlink():
            raise FileExistsError(f"{self.link} exists and is not a link")
        near, server_end = pty.openpty()
        far, reader_end = pty.openpty()
        self._ends = [near, server_end, far, reader_end]
        for end in (server_end, reader_end):
            tty.setraw(end)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(reader_end))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        if not self._ready.wait(10.0) or self._failure is not None:
            raise OSError(f"the Modbus server did not come up: {self._failure}")

    def show(self, second: Second) -> None:
        """Play a second from now on.

        Parameters
        ----------
        second : Second
            The readings.
        """
        self._slow |= second.slow
        self._second = second
        self._since_s = time.monotonic()
        self.sent += 1

    def close(self) -> None:
        """Stop answering and take the link away."""
        if self._loop is not None and self._stop is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
        if self._thread is not None:
            self._thread.join(5.0)
        self.link.unlink(missing_ok=True)
        for end in self._ends:
            os.close(end)
        self._ends = []

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except OSError as error:  # told to whoever opened the feed
            self._failure = error
            self._ready.set()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        near, server_end, far, _ = self._ends
        self._loop.add_reader(near, self._carry, near, far)
        self._loop.add_reader(far, self._carry, far, near)
        device = SimDevice(
            id=self.device,
            simdata=[SimData(0, values=[0] * REGISTERS, datatype=DataType.REGISTERS)],
            action=self._refresh,
        )
        server = ModbusSerialServer(
            device, framer=FramerType.RTU, port=os.ttyname(server_end), baudrate=self.baud
        )
        await server.serve_forever(background=True)
        self._ready.set()
        await self._stop.wait()
        await server.shutdown()  # type: ignore[no-untyped-call]
        self._loop.remove_reader(near)
        self._loop.remove_reader(far)

    def _carry(self, source: int, target: int) -> None:
        """Carry bytes from one pseudo-terminal to the other."""
        os.write(target, os.read(source, 4096))

    async def _refresh(
        self,
        _function: int,
        start: int,
        _address: int,
        _count: int,
        current: list[int],
        set_values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Put the sample whose turn it is into the registers before they are read."""
        if set_values is not None:
            return ExcCodes.ILLEGAL_FUNCTION  # transducers cannot be written
        if self._second is None:
            return ExcCodes.DEVICE_BUSY
        interval_s = 1.0 / len(self._second.offsets_s)
        index = int((time.monotonic() - self._since_s) / interval_s)
        index = min(index, len(self._second.offsets_s) - 1)
        fresh = registers(self._second, index, self._slow)
        current[: REGISTERS - start] = fresh[start : start + len(current)]
        self.answered += 1
        return None
