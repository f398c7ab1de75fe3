"""Send packs over MQTT 5 at QoS 1 and keep each until the broker has acknowledged it."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

DEFAULT_ROOT = "gritbook"
IN_FLIGHT = 200
"""Packs sent and not yet acknowledged, at most."""


@dataclass(frozen=True, slots=True)
class Broker:
    """Where a broker is, and under which root the topics lie."""

    host: str
    port: int
    root: str

    @classmethod
    def from_url(cls, url: str) -> Broker:
        """Read `mqtt://host[:port][/root]`.

        Raises
        ------
        ValueError
            When it is not such a URL.

        Examples
        --------
        >>> Broker.from_url("mqtt://localhost:1884/yard/a")
        Broker(host='localhost', port=1884, root='yard/a')
        """
        parts = urlsplit(url)
        if parts.scheme != "mqtt" or not parts.hostname:
            raise ValueError(f"not a broker: {url!r}; write mqtt://host:port[/root]")
        return cls(parts.hostname, parts.port or 1883, parts.path.strip("/") or DEFAULT_ROOT)


class MqttFeed:
    """One pot's connection to a broker.

    Packs are numbered and held here until acknowledged. paho's own queue is bypassed in that a
    pack is handed to it only while connected; after a lost connection all that is held is sent
    again in order, so a pack may come twice and never goes missing.
    """

    def __init__(self, broker: Broker, site: str, pot: str, *, client_id: str = "") -> None:
        self.broker = broker
        self.topic = f"{broker.root}/{site}/{pot}/readings"
        self.presence_topic = f"{broker.root}/{site}/{pot}/presence"
        self.sent = 0
        self.acknowledged = 0
        self.connections = 0
        self._held: OrderedDict[int, bytes] = OrderedDict()
        self._flying: dict[int, int] = {}
        self._next = 0
        self._connected = threading.Event()
        self._changed = threading.Condition()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or f"simulated-box-{site}-{pot}",
            protocol=paho.MQTTv5,
        )
        self._client.will_set(self.presence_topic, b"offline", qos=1, retain=True)
        self._client.max_inflight_messages_set(IN_FLIGHT)
        self._client.reconnect_delay_set(1, 8)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish

    def open(self) -> None:
        """Start connecting; goes on trying in the background until closed."""
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.ReceiveMaximum = IN_FLIGHT
        self._client.connect_async(
            self.broker.host, self.broker.port, keepalive=15, clean_start=True,
            properties=properties,
        )  # fmt: skip
        self._client.loop_start()

    def frame(self, pack: bytes) -> bytes:
        """Give the payload that carries a pack: the pack itself."""
        return pack

    def send(self, pack: bytes) -> None:
        """Take a pack to be sent; it is kept until acknowledged, connected or not."""
        self.send_bytes(self.frame(pack))

    def send_bytes(self, payload: bytes) -> None:
        """Take a payload as it is, likewise."""
        with self._changed:
            number = self._next
            self._next += 1
            self._held[number] = payload
        self._hand_over()

    def waiting(self) -> int:
        """Give how many packs are not acknowledged yet."""
        with self._changed:
            return len(self._held)

    def drain(self, seconds: float) -> bool:
        """Wait until all is acknowledged, at most so long [s]; False when some is not."""
        end_s = time.monotonic() + seconds
        while self.waiting() and time.monotonic() < end_s:
            self._hand_over()
            with self._changed:
                self._changed.wait(0.2)
        return not self.waiting()

    def close(self) -> None:
        """Say `offline`, disconnect and stop the background thread."""
        if self._connected.is_set():
            said = self._client.publish(self.presence_topic, b"offline", qos=1, retain=True)
            said.wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _hand_over(self) -> None:
        """Give paho what is held and not on its way, oldest first, while there is room."""
        with self._changed:
            flying = set(self._flying.values())
            for number, pack in self._held.items():
                if not self._connected.is_set() or len(self._flying) >= IN_FLIGHT:
                    return
                if number in flying:
                    continue
                message = self._client.publish(self.topic, pack, qos=1)
                if message.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    return
                self._flying[message.mid] = number
                self.sent += 1

    def _on_connect(
        self, client: paho.Client, _data: object, _flags: object, reason: ReasonCode,
        _properties: object,
    ) -> None:  # fmt: skip
        if reason.is_failure:
            return
        with self._changed:
            self.connections += 1
            self._flying.clear()
            self._connected.set()
        client.publish(self.presence_topic, b"online", qos=1, retain=True)

    def _on_disconnect(self, *_arguments: object) -> None:
        self._connected.clear()

    def _on_publish(
        self, _client: paho.Client, _data: object, mid: int, *_rest: object
    ) -> None:
        with self._changed:
            number = self._flying.pop(mid, None)
            if number is not None and self._held.pop(number, None) is not None:
                self.acknowledged += 1
            self._changed.notify_all()
