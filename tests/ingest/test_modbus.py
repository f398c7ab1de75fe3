"""Modbus: pymodbus' own server over a pseudo-terminal, through the real source and ingest."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import threading
import time
import tty
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from ingest.config import parse_yard
from ingest.errors import SourceLost
from ingest.health import read_health
from ingest.readings import RawMessage
from ingest.sources.inbox import Inbox
from ingest.sources.modbus import ModbusSettings, ModbusSource, UnitSettings
from ingest.store.connection import read_window
from ingest.wire.modbus import Register, Request, number_of, records_of, requests_for
from ingest.wire.senml import decode
from ingest.yard_faults import YardFaults

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")


def register(channel: str = "pot", address: int = 0, **others: Any) -> Register:
    made = Register("pot-1", channel, address, "input", "uint16", "big", "mA", 0.001, 0.0)
    return made._replace(**others)


class Bus:
    """Two pseudo-terminals back to back: pymodbus' server on one, the reader on the other.

    Requests to addresses in ``dead`` vanish on the way, as on a line whose device has no power.
    """

    def __init__(self, folder: Path, devices: list[SimDevice], dead: set[int] | None = None):
        self.link = folder / "bus"
        self._devices = devices
        self.dead = dead or set()
        self.asked: Counter[int] = Counter()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)

    def start(self) -> None:
        self._near, self._server_end = os.openpty()
        self._far, reader_end = os.openpty()
        self._reader_end = reader_end
        for end in (self._server_end, reader_end):
            tty.setraw(end)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(reader_end))
        self._thread.start()
        assert self._ready.wait(60)

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(60)
        for end in (self._near, self._server_end, self._far, self._reader_end):
            os.close(end)

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._stop = asyncio.Event()
        self._loop.add_reader(self._far, self._to_server)
        self._loop.add_reader(self._near, self._to_reader)
        server = ModbusSerialServer(
            self._devices, framer=FramerType.RTU, port=os.ttyname(self._server_end)
        )
        await server.serve_forever(background=True)
        self._ready.set()
        await self._stop.wait()
        await server.shutdown()
        self._loop.remove_reader(self._far)
        self._loop.remove_reader(self._near)

    def _to_server(self) -> None:
        block = os.read(self._far, 4096)
        # A reader asks once at a time, so what comes begins with the address asked.
        self.asked[block[0]] += 1
        if block[0] not in self.dead:
            os.write(self._near, block)

    def _to_reader(self) -> None:
        os.write(self._far, os.read(self._near, 4096))


def device(unit: int, values: list[int]) -> SimDevice:
    return SimDevice(id=unit, simdata=[SimData(0, values=values, datatype=DataType.REGISTERS)])


@pytest.fixture
def bus_of(tmp_path: Path) -> Iterator[Callable[..., Bus]]:
    started: list[Bus] = []

    def start(devices: list[SimDevice], dead: set[int] | None = None) -> Bus:
        bus = Bus(tmp_path, devices, dead)
        bus.start()
        started.append(bus)
        return bus

    yield start
    for bus in started:
        bus.stop()


def polled(
    bus: Bus,
    units: tuple[UnitSettings, ...],
    rate_hz: float,
    until: Callable[[ModbusSource], bool],
) -> tuple[ModbusSource, list[RawMessage]]:
    """Run the source until something is so; gives it and what it handed over."""
    source = ModbusSource(ModbusSettings(str(bus.link), 115_200, "none", 1, rate_hz, units))
    inbox, stop = Inbox(), threading.Event()
    thread = threading.Thread(target=source.run, args=(inbox, stop))
    thread.start()
    give_up_at = time.monotonic() + 90
    while not until(source) and time.monotonic() < give_up_at:
        time.sleep(0.02)
    state = source.state
    stop.set()
    thread.join(60)
    assert source.state == "closed"
    source.state = state
    return source, [delivery.message for delivery in inbox.take(0)]


def answered(rounds: int, *numbers: int) -> Callable[[ModbusSource], bool]:
    """Whether the units of these numbers have answered so often."""
    return lambda source: all(source.units[n].answered >= rounds for n in numbers)


def test_values_come_back_as_the_device_has_them(bus_of: Callable[..., Bus]) -> None:
    values = [12_345, 0xFFFE, 0x0001, 0x86A0, 0x86A0, 0x0001, 0x4148, 0x0000, 1, 0x7FC0, 0x0000]
    bus = bus_of([device(7, values)])
    registers = (
        register("pot", 0),
        register("air_temp", 1, type="int16", unit="Cel", scale=0.1),
        register("supply", 2, type="uint32", unit="Pa", scale=1.0),
        register("inlet", 4, type="int32", word_order="little", unit="Pa", scale=1.0),
        register("pot_mass", 6, type="float32", unit="kg", scale=1.0, offset=-2.5),
        register("deadman", 8, unit="/", scale=1.0),
        register("nozzle", 9, type="float32", unit="Pa", scale=1.0),
        register("humidity", 0, kind="holding", unit="%RH", scale=0.001),
    )
    before_us = time.time_ns() // 1000
    source, messages = polled(bus, (UnitSettings(7, 2.0, registers),), 20.0, answered(4, 0))
    after_us = time.time_ns() // 1000
    found: dict[str, float] = {}
    for message in messages:
        assert message.source == f"modbus:{bus.link}"
        readings, rejects = decode(message.payload, message.arrived_us)
        assert not rejects
        for reading in readings:
            found[f"{reading.channel} {reading.unit}"] = reading.value
            assert before_us - 10_000 <= reading.at_us <= after_us
    assert found == {
        "pot mA": 12.345, "air_temp Cel": -0.2, "supply Pa": 100_000.0, "inlet Pa": 100_000.0,
        "pot_mass kg": 10.0, "deadman /": 1.0, "humidity %RH": 12.345,
    }  # fmt: skip
    # The nozzle's registers hold no number, and the state says whose.
    assert source.state == "open; unit 7 says it has no value for pot-1/nozzle"
    # What was read stands beside what it was taken for.
    registers_read = {r["n"]: r["reg"] for m in messages for r in json.loads(m.payload)}
    assert registers_read["pot-1/supply"] == [0x0001, 0x86A0]


def test_a_dead_unit_does_not_lower_the_rate_of_the_others(bus_of: Callable[..., Bus]) -> None:
    bus = bus_of([device(unit, [unit * 1000]) for unit in (1, 2, 3)])
    channels = {1: "supply", 2: "pot", 3: "nozzle"}
    units = tuple(UnitSettings(u, 0.4, (register(channels[u]),)) for u in (1, 2, 3))

    def counts(until: Callable[[ModbusSource], bool]) -> tuple[ModbusSource, Counter[int]]:
        source, messages = polled(bus, units, 10.0, until)
        return source, Counter(json.loads(m.payload)[0]["reg"][0] // 1000 for m in messages)

    _, alive = counts(answered(10, 0, 1, 2))
    assert min(alive.values()) >= 0.8 * max(alive.values())
    bus.dead = {2}
    source, with_dead = counts(answered(40, 0, 2))
    assert with_dead[2] == 0
    assert min(with_dead[1], with_dead[3]) >= 0.8 * max(with_dead[1], with_dead[3])
    assert source.state == "open; unit 2 does not answer"
    # Asked every round it would have failed as often as the others answered.
    assert source.units[1].failed <= with_dead[1] / 3


def test_a_unit_that_comes_back_is_asked_again_at_the_full_rate(
    bus_of: Callable[..., Bus],
) -> None:
    bus = bus_of([device(1, [1000]), device(2, [2000])], dead={2})
    units = (
        UnitSettings(1, 1.0, (register("supply"),)),
        UnitSettings(2, 0.2, (register("pot"),)),
    )
    source = ModbusSource(ModbusSettings(str(bus.link), 115_200, "none", 1, 20.0, units))
    inbox, stop = Inbox(), threading.Event()
    thread = threading.Thread(target=source.run, args=(inbox, stop))
    thread.start()
    give_up_at = time.monotonic() + 90
    while "does not answer" not in source.state:
        assert time.monotonic() < give_up_at
        time.sleep(0.02)
    bus.dead = set()
    while source.units[1].answered < 30:
        assert time.monotonic() < give_up_at
        time.sleep(0.02)
    assert source.state == "open"
    stop.set()
    thread.join(60)


def test_a_register_the_device_has_not_is_told_and_costs_only_itself(
    bus_of: Callable[..., Bus],
) -> None:
    bus = bus_of([device(1, [1000])])
    units = (UnitSettings(1, 0.5, (register("supply", 0), register("pot", 40))),)
    source, messages = polled(bus, units, 20.0, answered(4, 0))
    assert {json.loads(m.payload)[0]["n"] for m in messages} == {"pot-1/supply"}
    assert source.state == "open; unit 1 refuses input register 40 (exception 2)"


def test_a_line_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    unit = UnitSettings(1, 0.1, (register(),))
    source = ModbusSource(ModbusSettings(str(tmp_path / "no"), 9600, "none", 1, 5.0, (unit,)))
    with pytest.raises(SourceLost, match="is not there"):
        source.run(Inbox(), threading.Event())


def test_requests_touch_named_registers_only() -> None:
    wanted = [register(address=a) for a in (0, 1, 3)] + [register(address=4, type="float32")]
    requests = requests_for([*wanted, register(address=1, kind="holding")])
    assert [(r.kind, r.address, r.length) for r in requests] == [
        ("holding", 1, 1), ("input", 0, 2), ("input", 3, 3),
    ]  # fmt: skip
    # Of many side by side no request asks for more than a frame holds.
    many = requests_for([register(address=a) for a in range(300)])
    assert [r.length for r in many] == [125, 125, 50]


@given(st.integers(-(2**31), 2**31 - 1))
def test_both_word_orders_hold_the_same_number(number: int) -> None:
    high, low = (number & 0xFFFFFFFF) >> 16, number & 0xFFFF
    assert number_of([high, low], "int32") == number
    assert number_of([low, high], "int32", "little") == number


def test_a_switch_is_a_boolean_or_no_value() -> None:
    request = Request("input", 0, 1, (register("deadman", unit="/", scale=1.0),))
    assert records_of(request, [1]) == ([{"n": "pot-1/deadman", "vb": True, "reg": [1]}], [])
    assert records_of(request, [7]) == ([], ["pot-1/deadman"])


SITE = """
[site]
name = "yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
[[box]]
name = "box-1"
pot = "pot-1"
source = "modbus"
channels = ["pot"]
"""

MAP = """
[[modbus]]
port = "{port}"
parity = "none"
rate_hz = 20
[[modbus.unit]]
unit = 5
timeout_s = 0.5
[[modbus.unit.register]]
pot = "pot-1"
channel = "supply"
address = 0
unit = "mA"
scale = 0.001
[[modbus.unit.register]]
pot = "pot-1"
channel = "pot"
address = 2
unit = "mA"
scale = 0.001
[[modbus.unit.register]]
pot = "pot-1"
channel = "deadman"
address = 4
unit = "/"
[[modbus.unit.register]]
pot = "pot-1"
channel = "air_temp"
address = 5
type = "int16"
unit = "Cel"
scale = 0.1
"""


def test_the_simulated_pot_is_polled_by_the_real_ingest(
    tmp_path: Path, start_ingest: Callable[[str], Any]
) -> None:
    link = tmp_path / "bus"
    feed = subprocess.Popen(
        [sys.executable, "-m", "simulated_feeds", "live", "--to", f"modbus:{link}?device=5"],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        give_up_at = time.monotonic() + 180
        while not link.exists():
            assert feed.poll() is None, feed.stderr and feed.stderr.read().decode()
            assert time.monotonic() < give_up_at
            time.sleep(0.05)
        ingest = start_ingest(MAP.format(port=link))
        while (read_health(ingest.data) or {}).get("readings", 0) < 100:
            assert time.monotonic() < give_up_at, ingest.log.read_text()
            time.sleep(0.1)
        assert ingest.stop() == 0
    finally:
        feed.terminate()
        feed.wait(60)
    with read_window(ingest.data) as con:
        supply = con.sql(
            "SELECT count(supply_ma), min(supply_ma), max(supply_ma), count(deadman) FROM sample"
        ).fetchall()[0]
        temperature = con.sql("SELECT min(value), max(value) FROM reading").fetchall()[0]
    assert supply[0] > 20 and abs(supply[3] - supply[0]) <= 1
    # 4 to 20 mA for 0 to 1 MPa: a compressor that runs holds 0.4 to 1 MPa, 10.4 to 20 mA.
    assert 10.0 < supply[1] <= supply[2] < 20.0
    assert -40.0 < temperature[0] <= temperature[1] < 60.0


@pytest.mark.parametrize(
    ("written", "instead", "says"),
    [
        ("unit = 5\n", "unit = 300\n", "expected a number at most 247"),
        ('unit = "Cel"', 'unit = "mA"', "is not taken for air_temp; write Cel or K"),
        ('channel = "pot"', 'channel = "pott"', "did you mean"),
        ('channel = "pot"', 'channel = "supply"', "same pot and channel"),
        ('pot = "pot-1"', 'pot = "pot-9"', "there is no pot of that name"),
        ('type = "int16"', 'type = "int64"', "expected one of"),
        ("scale = 0.001", "scale = 0", "would make every value the same"),
        ("timeout_s = 0.5", "time_out = 0.5", "did you mean timeout_s?"),
        ("address = 5", "address = 65535\nword_order = 1", "expected one of 'big' or 'little'"),
        ("rate_hz = 20", "rate_hz = 0", "expected a number above 0"),
        ('parity = "none"', 'crc = "required"', "there is no such key"),
    ],
)
def test_faults_of_a_register_map_are_told_with_their_line(
    written: str, instead: str, says: str
) -> None:
    good = SITE + MAP.format(port="/dev/ttyUSB0")
    assert parse_yard(good).modbus[0].pots == ("pot-1",)
    text = good.replace(written, instead, 1)
    # The box table names the pot too; the fault is wanted in the register map.
    if written == 'pot = "pot-1"':
        text = SITE + MAP.format(port="/dev/ttyUSB0").replace(written, instead, 1)
    with pytest.raises(YardFaults) as told:
        parse_yard(text)
    (fault, *_) = [fault for fault in told.value.faults if says in fault.expected]
    assert fault.line is not None
    # The line has the key at fault, or heads the table that is at fault as a whole.
    key = fault.key.rpartition(".")[2].partition("[")[0].partition(" ")[0]
    assert key in text.splitlines()[fault.line - 1]


def test_faults_between_lines_are_told() -> None:
    line = MAP.format(port="/dev/ttyUSB0")
    with pytest.raises(YardFaults, match="boxes or Modbus, not both"):
        parse_yard(SITE + '[[serial]]\nport = "/dev/ttyUSB0"\n' + line)
    with pytest.raises(YardFaults, match="another unit of this line has the same address"):
        twice = line + line[line.index("[[modbus.unit]]") :].replace('"pot-1"', '"pot-1" ')
        parse_yard(SITE + twice)
    with pytest.raises(YardFaults, match=r"no \[\[modbus\]\] register names the pot"):
        parse_yard(SITE)
