"""What goes into a feed comes out at the other end: broker, line, terminal, registers, card."""

from __future__ import annotations

import csv
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho
import pytest
import serial
from iotcore import Broker as EmbeddedBroker
from paho.mqtt.enums import CallbackAPIVersion
from ports import free_port

from dashboard.demo import broker_settings
from simulated_feeds.feeds.card import CardFeed
from simulated_feeds.feeds.listening import ListeningFeed
from simulated_feeds.feeds.mqtt import Broker, MqttFeed
from simulated_feeds.feeds.pace import Pace
from simulated_feeds.feeds.sending import open_feed, send_live
from simulated_feeds.feeds.serial_line import PseudoTerminalFeed, SerialFeed
from simulated_feeds.live import LivePot

WAIT_S = 90.0


def until(ready, seconds: float = WAIT_S) -> bool:
    """Wait until something is so, at most a while."""
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        if ready():
            return True
        time.sleep(0.02)
    return False


class Listener:
    """An MQTT subscriber that keeps what it hears."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self.client.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload, m.retain))
        self.client.on_connect = lambda c, *_rest: c.subscribe("gritbook/#", qos=1)
        subscribed = threading.Event()
        self.client.on_subscribe = lambda *_rest: subscribed.set()
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert subscribed.wait(WAIT_S)

    def numbers(self, topic: str) -> set[int]:
        return {int(payload) for heard, payload, _ in self.heard if heard == topic}

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker(config_path=str(broker_settings(free_port(), tmp_path))) as running:
        yield running


def test_mqtt_delivers_all_says_online_and_offline(broker):
    listener = Listener(broker.port)
    feed = MqttFeed(Broker("127.0.0.1", broker.port, "gritbook"), "yard", "pot-9")
    feed.open()
    assert until(lambda: feed.connections == 1)
    assert until(lambda: (feed.presence_topic, b"online") in [h[:2] for h in listener.heard])
    for number in range(60):
        feed.send(b"%d" % number)
    assert feed.drain(WAIT_S)
    assert until(lambda: listener.numbers(feed.topic) == set(range(60)))
    feed.close()
    assert feed.topic == "gritbook/yard/pot-9/readings"
    assert until(lambda: (feed.presence_topic, b"offline") in [h[:2] for h in listener.heard])
    listener.close()


def test_mqtt_keeps_packs_while_the_broker_is_away(tmp_path):
    port = free_port()
    feed = MqttFeed(Broker("127.0.0.1", port, "gritbook"), "yard", "pot-9")
    feed.open()
    for number in range(30):
        feed.send(b"%d" % number)
    assert feed.waiting() == 30
    with EmbeddedBroker(config_path=str(broker_settings(port, tmp_path))):
        assert feed.drain(WAIT_S)
        feed.close()
    assert feed.acknowledged == 30 and feed.sent == 30


def test_a_history_sent_at_once_is_held_back_and_arrives_whole(broker):
    listener = Listener(broker.port)
    feed = MqttFeed(Broker("127.0.0.1", broker.port, "gritbook"), "yard", "pot-9")
    feed.open()
    assert until(lambda: feed.connections == 1)
    most, seen = 0, feed.send

    def send(pack: bytes) -> None:
        nonlocal most
        seen(pack)
        most = max(most, feed.waiting())

    feed.send = send
    told = send_live(feed, LivePot(rate_hz=1.0), "p", speed=1e9, seconds=3000.0, pace=Pace(1e9))
    assert told == "p: 3000 packs sent, 0 not acknowledged"
    assert most <= 2001
    assert until(lambda: len([h for h in listener.heard if h[0] == feed.topic]) >= 3000)
    heard = {json.loads(h[1])[0]["v"] for h in listener.heard if h[0] == feed.topic}
    assert heard == set(range(3000))
    listener.close()


@pytest.mark.slow
def test_mqtt_goes_on_after_the_broker_was_restarted(tmp_path):
    path = str(broker_settings(free_port(), tmp_path))
    first = EmbeddedBroker(config_path=path).start()
    feed = MqttFeed(Broker("127.0.0.1", first.port, "gritbook"), "yard", "pot-9")
    feed.open()
    for number in range(20):
        feed.send(b"%d" % number)
    assert feed.drain(WAIT_S)
    first.stop()
    for number in range(20, 50):
        feed.send(b"%d" % number)
    assert not feed.drain(1.0)
    with EmbeddedBroker(config_path=path) as second:
        listener = Listener(second.port)
        for number in range(50, 60):
            feed.send(b"%d" % number)
        assert feed.drain(WAIT_S)
        assert until(lambda: listener.numbers(feed.topic) >= set(range(50, 60)))
        feed.close()
        listener.close()
    assert feed.acknowledged == 60 and feed.connections >= 2


@pytest.mark.parametrize("url", ["http://host", "mqtt://", "localhost:1883"])
def test_what_is_no_broker_is_refused(url):
    with pytest.raises(ValueError, match="mqtt://"):
        Broker.from_url(url)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_pseudo_terminal_is_read_like_a_serial_port(tmp_path):
    feed = PseudoTerminalFeed.from_url(f"pty:{tmp_path / 'box'}?crc=0")
    feed.open()
    with serial.Serial(str(tmp_path / "box"), 115_200, timeout=WAIT_S) as port:
        feed.send(b"[1]")
        feed.send(b"[2]")
        assert port.readline() == b"\x1e[1]\n"
        assert port.readline() == b"\x1e[2]\n"
    feed.close()
    assert not (tmp_path / "box").is_symlink()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_pseudo_terminal_nobody_reads_drops_and_goes_on(tmp_path):
    feed = PseudoTerminalFeed(tmp_path / "box")
    feed.open()
    for _ in range(3):
        feed.send(b"x" * 40_000)  # would wait for ever, were it one that waits
    assert feed.dropped >= 1
    feed.close()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_pseudo_terminal_does_not_replace_a_file(tmp_path):
    kept = tmp_path / "precious"
    kept.write_text("kept")
    with pytest.raises(FileExistsError):
        PseudoTerminalFeed(kept).open()
    assert kept.read_text() == "kept"


def test_lines_go_to_whoever_connects_and_a_serial_url_reaches_a_socket():
    listening = ListeningFeed("127.0.0.1", 0, crc=False)
    listening.open()
    with serial.serial_for_url(f"socket://127.0.0.1:{listening.port}", timeout=WAIT_S) as reader:
        assert until(lambda: len(listening._readers) == 1)
        listening.send(b"[1]")
        assert reader.readline() == b"\x1e[1]\n"
    listening.send(b"[2]")
    listening.close()
    with socket.create_server(("127.0.0.1", 0)) as server:
        feed = SerialFeed.from_url(f"serial:socket://127.0.0.1:{server.getsockname()[1]}")
        feed.open()
        connection, _ = server.accept()
        feed.send(b"[3]")
        assert connection.recv(100).startswith(b"\x1e[3] *")
        feed.close()
        connection.close()


@pytest.mark.parametrize(
    "target",
    [
        "carrier-pigeon:coop", "serial:", "serial:/dev/x?parity=odd", "pty:", "pty:x?baud=9600",
        "listen:4001", "listen:localhost:x", "modbus:", "modbus:x?device=300", "card:",
    ],
)  # fmt: skip
def test_what_is_no_target_is_refused(target):
    with pytest.raises(ValueError):
        open_feed(target, site="yard", pot="pot-1")


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_modbus_registers_show_the_pot(tmp_path):
    pymodbus = pytest.importorskip("pymodbus.client")
    from simulated_feeds.feeds.modbus import ModbusFeed

    feed = ModbusFeed.from_url(f"modbus:{tmp_path / 'bus'}?device=7")
    feed.open()
    second = next(LivePot(seed=2, unit="mA").seconds(1.8e9))
    assert second is not None
    client = pymodbus.ModbusSerialClient(str(tmp_path / "bus"), baudrate=19_200, timeout=WAIT_S)
    assert client.connect()
    assert client.read_input_registers(0, count=9, device_id=7).isError()  # nothing to show yet
    feed.show(second)
    time.sleep(1.1)  # its last sample stands from now on
    shown = client.read_input_registers(0, count=9, device_id=7).registers
    for address, channel in ((0, "supply"), (2, "pot"), (3, "nozzle")):
        assert shown[address] == round(second.fast[channel][-1] * 1000)
    assert shown[1] == 0  # inlet not fitted
    assert shown[4] == int(second.deadman[-1])
    assert shown[5] == round(second.slow["air_temp"] * 10)
    assert shown[6] == round(second.slow["humidity"] * 10)
    assert shown[8] == second.seq
    part = client.read_holding_registers(4, count=3, device_id=7).registers
    assert part == shown[4:7]
    assert client.write_register(2, 1, device_id=7).isError()
    assert client.read_input_registers(5, count=9, device_id=7).isError()
    client.close()
    feed.close()


def test_a_card_holds_every_sample(tmp_path):
    path = tmp_path / "card.csv"
    feed = CardFeed(path)
    feed.open()
    seconds = LivePot(seed=2).seconds(1_800_000_000.0)
    many = [second for second in (next(seconds) for _ in range(12)) if second]
    for second in many:
        feed.show(second)
    feed.close()
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 120
    assert rows[0]["time"] == "2027-01-15T08:00:00.000Z"
    assert rows[11]["time"] == "2027-01-15T08:00:01.100Z"
    pot = np.concatenate([second.fast["pot"] for second in many])
    assert [float(row["pot_pa"]) for row in rows] == pot.tolist()
    assert rows[0]["inlet_pa"] == "" and rows[0]["air_temp_c"] != "" and rows[1]["air_temp_c"] == ""
    assert {row["deadman"] for row in rows} <= {"0", "1"}


def test_speed_and_length_are_kept(tmp_path):
    feed = CardFeed(tmp_path / "card.csv")
    feed.open()
    before_s = time.time()
    told = send_live(feed, LivePot(), "pot-1", speed=100.0, seconds=50.0, pace=Pace(100.0))
    took_s = time.time() - before_s
    assert told == "pot-1: 50 packs sent"
    assert took_s > 0.45
    last = (tmp_path / "card.csv").read_text().splitlines()[-1]
    assert last.split(",")[-1] == "49"


def live_command(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "simulated_feeds", "live", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.mark.parametrize("ask", [signal.SIGTERM, signal.SIGINT])
def test_the_command_runs_until_told_to_stop_and_says_what_it_sent(tmp_path, ask):
    path, truth = tmp_path / "card.csv", tmp_path / "truth.jsonl"
    running = live_command(
        "--to", f"card:{path}", "--speed", "100", "--fault", "pinch_leak:0.5",
        "--truth", str(truth),
    )  # fmt: skip
    # the truth of a cycle is told when the next begins
    assert until(lambda: truth.exists() and len(truth.read_text().splitlines()) > 2)
    running.send_signal(ask)
    told, wrong = running.communicate(timeout=WAIT_S)
    assert running.returncode == 0, wrong
    assert "packs sent" in told
    lines = [json.loads(line) for line in truth.read_text().splitlines()]
    assert lines[0]["kind"] == "fault" and lines[0]["value"] == 3.0e-8
    assert lines[1]["kind"] == "cycle" and lines[1]["leak_m3_s_pa"] == pytest.approx(3.002e-8)


def test_a_wrong_fault_or_target_is_told_in_a_sentence():
    for arguments in (
        ("--to", "card:x.csv", "--fault", "gremlins"),
        ("--to", "nowhere"),
        ("--to", "serial:/does/not/exist"),
    ):
        running = live_command(*arguments)
        _, wrong = running.communicate(timeout=WAIT_S)
        assert running.returncode == 2
        assert len(wrong.strip().splitlines()) == 1 and "Traceback" not in wrong
