"""Send packs over MQTT 5 at QoS 1 and keep each until the broker has acknowledged it."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass
from urllib.parse import urlsplit

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

DEFAULT_ROOT = "gritbook"
IN_FLIGHT = 20
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

        Parameters
        ----------
        url : str
            As on the command line.

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

    Packs are numbered and held here until acknowledged, and handed to paho a few at a time while
    connected. paho sends what it has not seen acknowledged again after a lost connection, so a
    pack may come twice and none goes missing.

    Use it from one thread. paho calls back from a thread of its own while it holds its locks, so
    the callbacks only leave a note: a lock of ours taken there and held while publishing would
    wait for each other for ever.
    """

    def __init__(self, broker: Broker, site: str, pot: str, *, client_id: str = "") -> None:
        self.broker = broker
        self.topic = f"{broker.root}/{site}/{pot}/readings"
        self.presence_topic = f"{broker.root}/{site}/{pot}/presence"
        self.sent = 0
        self.acknowledged = 0
        self.connections = 0
        self._held: dict[int, bytes] = {}
        self._flying: dict[int, int] = {}
        self._next = 0
        self._connected = threading.Event()
        self._noted: deque[int] = deque()
        self._news = threading.Event()
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
        """Give the payload that carries a pack: the pack itself.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        return pack

    def send(self, pack: bytes) -> None:
        """Take a pack to be sent; it is kept until acknowledged, connected or not.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        self.send_bytes(self.frame(pack))

    def send_bytes(self, payload: bytes) -> None:
        """Take a payload as it is, likewise.

        Parameters
        ----------
        payload : bytes
            What goes on the wire.
        """
        self._held[self._next] = payload
        self._next += 1
        self._hand_over()

    def waiting(self) -> int:
        """Give how many packs are not acknowledged yet."""
        self._settle()
        return len(self._held)

    def drain(self, seconds: float) -> bool:
        """Wait until all is acknowledged, at most so long [s]; False when some is not.

        Parameters
        ----------
        seconds : float
            Longest wait [s].
        """
        end_s = time.monotonic() + seconds
        while self.waiting() and time.monotonic() < end_s:
            self._news.clear()
            self._hand_over()
            self._news.wait(0.1)
        return not self.waiting()

    def close(self) -> None:
        """Say `offline`, disconnect and stop the background thread."""
        if self._connected.is_set():
            said = self._client.publish(self.presence_topic, b"offline", qos=1, retain=True)
            said.wait_for_publish(2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _settle(self) -> None:
        """Let go of what has been acknowledged since the last look."""
        while self._noted:
            number = self._flying.pop(self._noted.popleft(), None)
            if number is not None and self._held.pop(number, None) is not None:
                self.acknowledged += 1

    def _hand_over(self) -> None:
        """Give paho what is held and not on its way, oldest first, while there is room."""
        self._settle()
        flying = set(self._flying.values())
        for number, payload in self._held.items():
            if not self._connected.is_set() or len(self._flying) >= IN_FLIGHT:
                return
            if number in flying:
                continue
            message = self._client.publish(self.topic, payload, qos=1)
            self._flying[message.mid] = number
            self.sent += 1

    def _on_connect(
        self, client: paho.Client, _data: object, _flags: object, reason: ReasonCode,
        _properties: object,
    ) -> None:  # fmt: skip
        if reason.is_failure:
            return
        self.connections += 1
        self._connected.set()
        client.publish(self.presence_topic, b"online", qos=1, retain=True)

    def _on_disconnect(self, *_arguments: object) -> None:
        self._connected.clear()

    def _on_publish(self, _client: paho.Client, _data: object, mid: int, *_rest: object) -> None:
        self._noted.append(mid)
        self._news.set()
