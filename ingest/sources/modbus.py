"""Transducers on an RS-485 line, polled with Modbus RTU through pymodbus.

Every unit has a time-out of its own. One that has not answered a few times in a row is left to
rest and asked again now and then, for each time-out is time that the other units do not get: a
line carries one question at a time.

What Modbus has not, nothing here makes up: no acknowledgement, no counter, no clock. The instant of
a value is the middle between its question and its answer, by this computer's clock.
"""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass
from typing import Literal

from pymodbus import FramerType, ModbusException
from pymodbus.client import ModbusSerialClient

from ingest.errors import SourceLost
from ingest.readings import RawMessage
from ingest.sources.inbox import Delivery, Inbox
from ingest.wire.modbus import Register, Request, pack_of, records_of, requests_for

#: Failures in a row after which a unit is left to rest.
FAILURES_BEFORE_REST = 3
#: First and longest rest. [s]
FIRST_REST_S, LONGEST_REST_S = 1.0, 30.0
# Silence between frames: 3.5 characters of 11 bits, but no less than 1.75 ms. Modbus over serial
# line V1.02, section 2.5.1.1.
_SILENCE_BITS, _LEAST_SILENCE_S = 3.5 * 11, 0.00175

Parity = Literal["even", "odd", "none"]


@dataclass(frozen=True)
class UnitSettings:
    """One device on the line.

    Parameters
    ----------
    unit : int
        Its address, 1 to 247.
    timeout_s : float
        How long to wait for its answer. [s]
    registers : tuple of Register
        What to read.
    """

    unit: int
    timeout_s: float
    registers: tuple[Register, ...]


@dataclass(frozen=True)
class ModbusSettings:
    """One line.

    Parameters
    ----------
    port : str
        Device or pyserial URL; ``socket://host:port`` for a gateway that passes RTU frames on.
    baud : int
        [baud]
    parity : str
        ``even`` (the standard's own), ``odd`` or ``none``.
    stop_bits : int
    rate_hz : float
        Rounds a second; each asks every unit once. [1/s]
    units : tuple of UnitSettings
    """

    port: str
    baud: int
    parity: Parity
    stop_bits: int
    rate_hz: float
    units: tuple[UnitSettings, ...]


class Unit:
    """How a device does: when to ask it next, and what became of the last questions.

    Parameters
    ----------
    settings : UnitSettings
    """

    def __init__(self, settings: UnitSettings) -> None:
        self.settings = settings
        self.requests = requests_for(settings.registers)
        self.answered = 0
        self.failed = 0
        #: In words, what is wrong with it now; empty: nothing.
        self.trouble = ""
        self._in_a_row = 0
        self._rest_s = 0.0
        self._ask_at_s = 0.0

    def due(self, now_s: float) -> bool:
        """Whether to ask it in this round. [s, monotonic]"""
        return now_s >= self._ask_at_s

    @property
    def resting(self) -> bool:
        """Whether it has been silent for so long that it is asked only now and then."""
        return self._rest_s > 0.0

    def note_answer(self) -> None:
        """It answered, if only to say that it has no such register."""
        self.answered += 1
        self._in_a_row, self._rest_s, self._ask_at_s = 0, 0.0, 0.0

    def note_failure(self, now_s: float) -> None:
        """It did not answer in time, or what came was no answer. [s, monotonic]"""
        self.failed += 1
        self._in_a_row += 1
        if self._in_a_row >= FAILURES_BEFORE_REST:
            self._rest_s = min(self._rest_s * 2 or FIRST_REST_S, LONGEST_REST_S)
            self._ask_at_s = now_s + self._rest_s
            self.trouble = "does not answer"


class ModbusSource:
    """All units of one line; see :class:`ingest.sources.inbox.Source`.

    Parameters
    ----------
    settings : ModbusSettings
    """

    def __init__(self, settings: ModbusSettings) -> None:
        self.name = f"modbus:{settings.port}"
        self.state = "not open yet"
        self.units = tuple(Unit(unit) for unit in settings.units)
        self._settings = settings
        self._silence_s = max(_SILENCE_BITS / settings.baud, _LEAST_SILENCE_S)

    def acknowledge(self, tokens: list[object]) -> None:
        """Nothing: Modbus knows no acknowledgement."""

    def run(self, inbox: Inbox, stop: threading.Event) -> None:
        """Poll until ``stop``."""
        client = self._open()
        period_s = 1.0 / self._settings.rate_hz
        round_at_s = time.monotonic()
        try:
            while not stop.is_set():
                self._round(client, inbox, stop)
                self.state = self._in_words()
                round_at_s += period_s
                wait_s = round_at_s - time.monotonic()
                if wait_s > 0:
                    stop.wait(wait_s)
                else:
                    # The line is too slow for the rate: no burst afterwards to make up for it.
                    round_at_s = time.monotonic()
            self.state = "closed"
        except OSError as error:
            self.state = "went away"
            raise self._lost(str(error)) from error
        finally:
            client.close()  # type: ignore[no-untyped-call]

    def _open(self) -> ModbusSerialClient:
        settings = self._settings
        self.state = f"opening {settings.port}"
        # pymodbus logs each time-out as an error; here a silent unit is told once, by the state.
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        try:
            client = ModbusSerialClient(
                settings.port,
                framer=FramerType.RTU,
                baudrate=settings.baud,
                parity=settings.parity[0].upper(),
                stopbits=settings.stop_bits,
                retries=0,
            )
            opened = client.connect()
        except (OSError, ValueError, ModbusException) as error:
            raise self._lost(str(error)) from error
        if not opened:
            raise self._lost("it cannot be opened")
        return client

    def _lost(self, why: str) -> SourceLost:
        return SourceLost(
            f"The Modbus line {self._settings.port} is not there: {why}.",
            "Check the cable, modbus.port in the yard file, and that you may use the port.",
        )

    def _round(self, client: ModbusSerialClient, inbox: Inbox, stop: threading.Event) -> None:
        probed = False
        for unit in self.units:
            if stop.is_set():
                return
            if not unit.due(time.monotonic()) or (unit.resting and probed):
                continue
            # One resting unit a round: several that are dead must not take the line together.
            probed = probed or unit.resting
            self._ask(client, unit, inbox, stop)

    def _ask(
        self, client: ModbusSerialClient, unit: Unit, inbox: Inbox, stop: threading.Event
    ) -> None:
        # Read anew for each question by pymodbus; so each unit gets its own.
        client.comm_params.timeout_connect = unit.settings.timeout_s
        trouble = ""
        for request in unit.requests:
            stop.wait(self._silence_s)
            asked_us, asked_s = time.time_ns() // 1000, time.monotonic()
            try:
                words = _read(client, unit.settings.unit, request)
            except ModbusException as error:
                if client.socket is None:
                    raise OSError(str(error)) from error
                unit.note_failure(time.monotonic())
                return
            took_us = round((time.monotonic() - asked_s) * 1e6)
            unit.note_answer()
            if isinstance(words, str):
                trouble = words
                continue
            records, without = records_of(request, words)
            if without:
                trouble = f"says it has no value for {', '.join(without)}"
            if records:
                payload = pack_of(records, asked_us + took_us // 2)
                message = RawMessage(
                    self.name, "", "application/senml+json", asked_us + took_us, False, payload
                )
                inbox.put(Delivery(message, self, None))
        unit.trouble = trouble

    def _in_words(self) -> str:
        troubled = [f"unit {u.settings.unit} {u.trouble}" for u in self.units if u.trouble]
        return "; ".join(["open", *troubled])


def _read(client: ModbusSerialClient, unit: int, request: Request) -> list[int] | str:
    """The registers asked for, or in words why the unit will not give them."""
    ask = client.read_input_registers if request.kind == "input" else client.read_holding_registers
    answer = ask(request.address, count=request.length, device_id=unit)
    if answer.isError():
        where = f"{request.kind} register {request.address}"
        return f"refuses {where} (exception {answer.exception_code})"
    if len(answer.registers) != request.length:
        raise ModbusException(f"{len(answer.registers)} registers instead of {request.length}")
    return list(answer.registers)
