"""What is written to and taken from the broker's line, byte by byte, whatever the line allows."""

from __future__ import annotations

import socket
from typing import Any

import pytest
from paho.mqtt.enums import MQTTErrorCode

from ingest.errors import SourceLost
from ingest.readings import RawMessage
from ingest.sources import mqtt
from ingest.sources.inbox import Inbox
from ingest.sources.mqtt import MqttSettings, MqttSource

TOPIC = b"g/yard/pot-1/readings"


def source() -> MqttSource:
    made = MqttSource(MqttSettings("127.0.0.1", 1, "g", "yard", "line"))
    made._connection = 3
    return made


def token(packet_id: int, connection: int = 3) -> int:
    return connection << 16 | packet_id


def puback(*packet_ids: int) -> bytes:
    """MQTT 5.0, 3.4: type 4 without flags, length 2, packet identifier; no reason means success."""
    return b"".join(b"\x40\x02" + number.to_bytes(2, "big") for number in packet_ids)


def publish(packet_id: int, payload: bytes, flags: int = 2) -> bytes:
    """MQTT 5.0, 3.3: topic, packet identifier, no properties, payload."""
    body = len(TOPIC).to_bytes(2, "big") + TOPIC + packet_id.to_bytes(2, "big") + b"\0" + payload
    length = (
        bytes([len(body)]) if len(body) < 128 else bytes([len(body) % 128 | 128, len(body) // 128])
    )
    return bytes([0x30 | flags]) + length + body


class Line:
    """A line that takes so many bytes at each try; 0: it would block."""

    def __init__(self, *room: int) -> None:
        self.room = list(room)
        self.taken = b""
        self.calls = 0

    def send(self, block: bytes) -> int:
        self.calls += 1
        room = self.room.pop(0) if self.room else len(block)
        if room == 0:
            raise BlockingIOError
        if room < 0:
            raise ConnectionResetError
        self.taken += block[:room]
        return min(room, len(block))


class Paho:
    """Has one packet of its own to write, to the same line."""

    def __init__(self, line: Line, waiting: bytes = b"") -> None:
        self.line = line
        self.waiting = waiting

    def want_write(self) -> bool:
        return bool(self.waiting)

    def loop_write(self) -> MQTTErrorCode:
        self.line.taken += self.waiting
        self.waiting = b""
        return MQTTErrorCode.MQTT_ERR_SUCCESS


def due(of: MqttSource, *tokens: object) -> None:
    of._delivered = len(tokens)
    of._unsent += of._acknowledgements(list(tokens))


def test_acknowledgements_go_out_together_and_only_those_of_this_connection() -> None:
    one, line = source(), Line()
    paho: Any = Paho(line, b"<ping>")
    # 0 came with quality of service 0; 9 on a connection that is gone.
    due(one, token(1), token(65_535), token(0), token(9, connection=2), None)
    one._write(paho, line)  # type: ignore[arg-type]
    assert line.taken == b"<ping>" + puback(1, 65_535)
    assert line.calls == 1
    assert one._unsent == b"" and one._delivered == 2


@pytest.mark.parametrize("first", range(1, 12))
def test_nothing_comes_between_the_halves_of_an_acknowledgement(first: int) -> None:
    one, line = source(), Line(first, 0, 1)
    paho: Any = Paho(line)
    due(one, token(1), token(2), token(3))
    one._write(paho, line)  # type: ignore[arg-type]
    paho.waiting = b"<ping>"
    due(one, token(4))
    while one._unsent:
        one._write(paho, line)  # type: ignore[arg-type]
        assert paho.waiting  # it waits until the rest is out
    one._write(paho, line)  # type: ignore[arg-type]
    assert line.taken == puback(1, 2, 3, 4) + b"<ping>"


def test_a_line_that_breaks_is_a_lost_source() -> None:
    one, line = source(), Line(-1)
    due(one, token(1))
    with pytest.raises(SourceLost):
        one._write(Paho(line), line)  # type: ignore[arg-type]


def heard(blocks: list[bytes]) -> tuple[list[RawMessage], list[int], int]:
    """What comes out of packets that arrive in these blocks, and bytes held after each turn."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        one, inbox = source(), Inbox()
        client = one._client()
        client._sock = ours
        held = []
        for block in blocks:
            theirs.sendall(block)
            while True:
                assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
                held.append(client.held_bytes)
                if not client.held_bytes:
                    break
        one._hand_over(inbox)
        messages = [delivery.message for delivery in inbox.take(0)]
        client._sock = None
    return messages, held, one._delivered


def test_packets_are_read_alike_in_whatever_pieces_they_come() -> None:
    payloads = [b"", b"x", b"y" * 300, b"[]"]
    stream = b"".join(publish(n, payload) for n, payload in enumerate(payloads, start=1))
    whole, held, delivered = heard([stream])
    assert [(m.transport_id, m.payload) for m in whole] == list(enumerate(payloads, start=1))
    assert delivered == len(payloads)
    # paho does ask by the method that is overridden: what it did not ask for yet is held.
    assert held[0] > 0 and held[-1] == 0
    for blocks in (
        [stream[at : at + 1] for at in range(len(stream))],
        [stream[: len(stream) // 2], stream[len(stream) // 2 :]],
    ):
        pieces, _, _ = heard(blocks)
        assert [m._replace(arrived_us=0) for m in pieces] == [
            m._replace(arrived_us=0) for m in whole
        ]


def test_a_pot_is_counted_by_how_its_messages_came() -> None:
    one = source()
    client = one._client()
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours
        # Flags: DUP 8, QoS 1 2, RETAIN 1. (MQTT 5.0, 3.3.1)
        for number, flags in enumerate((2, 2 | 8, 2 | 1), start=1):
            theirs.sendall(publish(number, b"[]", flags))
            client.loop_read()
        client._sock = None
    pot = one.pots["pot-1"]
    assert (pot.messages, pot.again, pot.retained, pot.unassured) == (3, 1, 1, 0)
    assert [m.repeated for m in one._read] == [False, True, False]


def test_what_is_held_is_read_without_waiting_for_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """The line shows nothing more, yet packets taken off it wait."""
    one, inbox = source(), Inbox()
    client = one._client()
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        client._sock = ours
        monkeypatch.setattr(mqtt, "_PACKETS_AT_ONCE", 2)
        theirs.sendall(b"".join(publish(n, b"[]") for n in range(1, 6)))
        numbers: list[int] = []
        for _ in range(3):
            one._turn(client, inbox)
            numbers += [delivery.message.transport_id for delivery in inbox.take(0)]
        client._sock = None
    assert numbers == [1, 2, 3, 4, 5]
