"""Whether a broker can be reached, and whether it keeps what it is given for one who is away."""

from __future__ import annotations

import datetime as dt
import socket
import ssl
import threading
import time
import uuid
from collections.abc import Callable
from typing import Any, NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from ingest.access import refusal
from ingest.errors import YardFileError
from ingest.yard_sources import Mqtt

#: Messages for the burst: more than a broker out of the box keeps for an absent client.
BURST = 1_500
_WAIT_S = 5.0
_QUIET_S = 1.5
_SESSION_S = 60

# Reason codes of a refused connection (MQTT 5, 3.2.2.2).
_VERSION_UNKNOWN, _BAD_PASSWORD, _NOT_AUTHORIZED = 132, 134, 135


class Trouble(NamedTuple):
    """Why a broker could not be used, and what to do."""

    what: str
    next_step: str


def connect_trouble(mqtt: Mqtt, password: str | None) -> Trouble | None:
    """Connect with a throw-away name, and leave; ``None``: it went well."""
    place = f"{mqtt.host}:{mqtt.port}"
    try:
        socket.create_connection((mqtt.host, mqtt.port), timeout=_WAIT_S).close()
    except socket.gaierror:
        return Trouble(
            f"No address is known for {mqtt.host}.", "Look at mqtt.host, and at the network."
        )
    except ConnectionRefusedError:
        return Trouble(
            f"{place} refused the connection.", "Start the broker there, or look at mqtt.port."
        )
    except TimeoutError:
        return Trouble(
            f"{place} did not answer within {_WAIT_S:.0f} s.",
            "Look whether the computer is on and a firewall lets the port through.",
        )
    except OSError as error:
        return Trouble(f"{place} cannot be reached: {error.strerror}.", "Look at the network.")
    try:
        if mqtt.tls is not None:
            mqtt.tls.context()
    except YardFileError as error:
        return Trouble(error.what, error.next_step)
    with _Session(mqtt, password) as session:
        return session.trouble


def certificate_ends_at(mqtt: Mqtt) -> dt.datetime | None:
    """When the broker's certificate ends, UTC; ``None`` without TLS, or where it cannot be had.

    Parameters
    ----------
    mqtt : Mqtt
        The yard file's table.
    """
    if mqtt.tls is None:
        return None
    try:
        with (
            socket.create_connection((mqtt.host, mqtt.port), timeout=_WAIT_S) as line,
            mqtt.tls.context().wrap_socket(line, server_hostname=mqtt.host) as secured,
        ):
            shown = secured.getpeercert() or {}
    except OSError:
        return None  # told of by the check of the connection
    ends = ssl.cert_time_to_seconds(str(shown["notAfter"]))
    return dt.datetime.fromtimestamp(ends, dt.UTC)


def kept_of_burst(mqtt: Mqtt, site: str, password: str | None, count: int = BURST) -> int | None:
    """How many of some small messages a broker keeps for a client that is away.

    They go to a topic of their own below ``<root>/<site>/_check``, to a session that is gone
    afterwards.

    Returns
    -------
    int or None
        ``None`` where the broker did not let it be tried.
    """
    client_id = f"gritbook-check-{uuid.uuid4().hex[:12]}"
    topic = f"{mqtt.root}/{site}/_check/{client_id}"
    with _Session(mqtt, password, client_id, session_s=_SESSION_S) as absent:
        if absent.trouble or not absent.subscribe(topic):
            return None
    try:
        with _Session(mqtt, password) as sender:
            if sender.trouble or not sender.publish(topic, count):
                return None
    finally:
        # It comes back for what was kept, and takes its session with it.
        with _Session(mqtt, password, client_id, clean=False) as back:
            heard = 0 if back.trouble else back.count_messages(count)
    return heard


class _Session:
    """One connection, for the length of a block."""

    def __init__(
        self,
        mqtt: Mqtt,
        password: str | None,
        client_id: str = "",
        session_s: int = 0,
        clean: bool = True,
    ) -> None:
        self._mqtt, self._session_s, self._clean = mqtt, session_s, clean
        self._answered, self._subscribed = threading.Event(), threading.Event()
        self._code: int | None = None
        self._failed: Exception | str | None = None
        self._granted = False
        self._sent = self._heard = 0
        self._heard_at = time.monotonic()
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or f"gritbook-check-{uuid.uuid4().hex[:12]}",
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        if mqtt.username:
            client.username_pw_set(mqtt.username, password)
        if mqtt.tls is not None:
            client.tls_set_context(mqtt.tls.context())
            client.on_log = self._on_log
        client.max_inflight_messages_set(500)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        self._client = client

    def __enter__(self) -> _Session:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._session_s
        properties.ReceiveMaximum = 65_535
        try:
            self._client.connect(
                self._mqtt.host, self._mqtt.port, self._mqtt.keepalive_s,
                clean_start=self._clean, properties=properties,
            )  # fmt: skip
        except (OSError, ValueError) as error:
            self._failed = error
            return self
        self._client.loop_start()
        self._answered.wait(_WAIT_S)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    @property
    def trouble(self) -> Trouble | None:
        """Why the broker did not take the connection."""
        place = f"{self._mqtt.host}:{self._mqtt.port}"
        if self._code is None and isinstance(self._failed, (OSError, ValueError, str)):
            why = refusal(self._failed, place)
            return Trouble(why.what, why.next_step)
        if self._code is None:
            return Trouble(
                f"{place} took the connection and then said nothing in MQTT.",
                "Look whether it is the broker that listens on that port.",
            )
        if self._code == 0:
            return None
        if self._code == _VERSION_UNKNOWN:
            return Trouble(
                f"The broker at {place} does not speak MQTT 5.", "Use one that does, version 5.0."
            )
        if self._code in (_BAD_PASSWORD, _NOT_AUTHORIZED):
            who = f"the user {self._mqtt.username}" if self._mqtt.username else "nobody by name"
            return Trouble(
                f"The broker at {place} does not let {who} in: bad password or not allowed.",
                "Look at mqtt.username and the variable that mqtt.password_env names.",
            )
        return Trouble(
            f"The broker at {place} refused with reason {self._code}.", "Look into its log."
        )

    def subscribe(self, topic: str) -> bool:
        self._client.subscribe(topic, qos=1)
        return self._subscribed.wait(_WAIT_S) and self._granted

    def publish(self, topic: str, count: int) -> bool:
        for number in range(count):
            self._client.publish(topic, str(number), qos=1)
        return self._until(lambda: self._sent >= count, 4 * _WAIT_S)

    def count_messages(self, most: int) -> int:
        self._heard_at = time.monotonic()
        self._until(
            lambda: self._heard >= most or time.monotonic() - self._heard_at > _QUIET_S,
            4 * _WAIT_S,
        )
        return self._heard

    def _until(self, done: Callable[[], bool], wait_s: float) -> bool:
        give_up_at = time.monotonic() + wait_s
        while not done():
            if time.monotonic() > give_up_at:
                return False
            time.sleep(0.02)
        return True

    def _on_connect(
        self, client: Client, userdata: Any, flags: Any, code: ReasonCode, properties: Any
    ) -> None:
        self._code = code.value
        self._answered.set()

    def _on_log(self, client: Client, userdata: Any, level: int, said: str) -> None:
        # With TLS 1.3 the broker looks at our certificate after the handshake.
        if "failed" in said:
            self._failed = said
            self._answered.set()

    def _on_subscribe(
        self, client: Client, userdata: Any, number: int, codes: list[ReasonCode], properties: Any
    ) -> None:
        self._granted = all(code.value < 128 for code in codes)
        self._subscribed.set()

    def _on_publish(
        self, client: Client, userdata: Any, number: int, code: ReasonCode, properties: Any
    ) -> None:
        self._sent += 1

    def _on_message(self, client: Client, userdata: Any, message: Any) -> None:
        self._heard += 1
        self._heard_at = time.monotonic()
