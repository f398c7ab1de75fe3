"""MQTT 5 through paho: quality of service 1, a session that outlives us, acknowledged by hand.

The broker keeps what was not acknowledged and sends it again, to the next connection or the next
ingest. An acknowledgement goes out only after the journal has synced the message.
"""

from __future__ import annotations

import contextlib
import select
import socket
import ssl
import struct
import threading
import time
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.access import Refusal, refusal
from ingest.errors import SourceLost
from ingest.readings import RawMessage
from ingest.sources.inbox import Delivery, Inbox
from ingest.sources.pace import Pace
from ingest.store.journal_frames import MAX_PAYLOAD_BYTES

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike

#: How long the broker keeps our session and queue while we are away. [s]
SESSION_EXPIRY_S = 30 * 86_400
#: Messages under way without acknowledgement; the most MQTT 5 knows. The default of brokers, 20,
#: would make every group commit of the journal a commit of 20.
RECEIVE_MAXIMUM = 65_535

_POLL_S = 0.5
# What one turn reads at most before it is handed over.
_PACKETS_AT_ONCE, _BYTES_AT_ONCE = 200, 1 << 20
# What is taken from the line at once.
_LINE_BYTES = 1 << 16
_LAST_ACKNOWLEDGEMENTS_S = 10.0
# Reason codes of a refused connection (MQTT 5, 3.2.2.2).
_BAD_PASSWORD, _NOT_AUTHORIZED = 134, 135
_MOST_NOTED_POTS = 1000
# A PUBACK that says success, as MQTT 5 allows it to be shortened (3.4.2.1): type, length, packet
# identifier.
_PUBACK = struct.Struct(">BBH")
_PUBACK_TYPE, _PUBACK_LENGTH = 0x40, 2


@dataclass(frozen=True)
class MqttSettings:
    """Where the broker is and what to listen to.

    Parameters
    ----------
    host, port : str, int
    root, site : str
        First two levels of the topic ``<root>/<site>/<pot>/readings``.
    client_id : str
        Identity of the session at the broker.
    keepalive_s : int
        [s]
    username, password : str or None
    tls : ssl.SSLContext or None
        ``None``: the connection is not secured.
    messages_per_s, burst : float, int
        How fast messages are read at most; the broker keeps the rest. [1/s]
    share : str
        Name under which several clients share the readings' messages, each message going to one of
        them (shared subscriptions, MQTT 5, 4.8.2); empty: all of them come here.
    """

    host: str
    port: int
    root: str
    site: str
    client_id: str
    keepalive_s: int = 30
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = field(default=None, repr=False)
    messages_per_s: float = 1e6
    burst: int = 1_000_000
    share: str = ""


class Heard:
    """How a pot's box publishes, since the start of ingest: counts of messages.

    ``unassured`` came with quality of service 0, so the broker may have dropped others unseen;
    ``retained`` were not published now but kept by the broker from before; ``again`` carry the
    mark of a second delivery.
    """

    __slots__ = ("again", "last_us", "messages", "retained", "unassured")

    def __init__(self) -> None:
        self.messages = self.unassured = self.retained = self.again = 0
        #: [us since 1970 UTC]
        self.last_us = 0

    def note(self, heard: MQTTMessage, arrived_us: int) -> None:
        """Count a message."""
        self.messages += 1
        self.last_us = arrived_us
        if heard.qos == 0 or heard.retain or heard.dup:
            self.unassured += heard.qos == 0
            self.retained += bool(heard.retain)
            self.again += bool(heard.dup)


class _Client(Client):
    """paho's client, taking from the line as much as there is.

    paho asks the line for the first byte of a packet, then for each byte of its length, then for
    the rest: three or four calls of the system a packet. The method that asks is none of those that
    paho promises to keep; under another name this one would never be called, and reading would be
    as right, and slower.
    """

    _held = b""
    _held_from = 0

    @property
    def held_bytes(self) -> int:
        """What was taken from the line and not asked for yet. [bytes]"""
        return len(self._held) - self._held_from

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._held_from == len(self._held):
            self._held = super()._sock_recv(_LINE_BYTES)
            self._held_from = 0
        begin = self._held_from
        part = self._held[begin : begin + bufsize]
        self._held_from = begin + len(part)
        return part


class MqttSource:
    """Readings and presence of all pots of a site from one broker.

    Parameters
    ----------
    settings : MqttSettings
    """

    def __init__(self, settings: MqttSettings) -> None:
        self.name = "mqtt"
        self.state = "not connected yet"
        #: What each pot's box last said on its presence topic, with when. [us since 1970 UTC]
        self.presence: dict[str, tuple[str, int]] = {}
        #: How each pot's box publishes, by the pot in the topic.
        self.pots: dict[str, Heard] = {}
        #: How often the broker could not be used, by kind of refusal.
        self.refused: Counter[str] = Counter()
        self._pace = Pace(settings.messages_per_s, settings.burst)
        self._settings = settings
        self._connection = 0
        self._delivered = 0
        # Tokens are the connection's number above the packet identifier, which means something on
        # that connection only.
        self._due: deque[list[object]] = deque()
        # Acknowledgements that the line has not taken yet, and whether it has taken a part of them,
        # so that nothing else may be written before the rest.
        self._unsent = b""
        self._half_sent = False
        # What this turn has read, and its payloads' size.
        self._read: list[RawMessage] = []
        self._read_bytes = 0
        self._heard_on: dict[str, Heard] = {}
        self._wake_receiver, self._wake_sender = socket.socketpair()
        self._wake_receiver.setblocking(False)
        self._wake_sender.setblocking(False)
        self._trouble: SourceLost | None = None
        self._said = ""

    @property
    def held_back_s(self) -> float:
        """How long reading was held back for coming too fast. [s]"""
        return self._pace.held_back_s

    def acknowledge(self, tokens: list[object]) -> None:
        """Let acknowledgements go out with the next turn of the loop."""
        self._due.append(tokens)
        # Where it would block, the loop has not come round to earlier wake-ups and wakes anyway.
        with contextlib.suppress(BlockingIOError):
            self._wake_sender.send(b"\0")

    def run(self, inbox: Inbox, stop: threading.Event) -> None:
        """Hand over messages until ``stop``; see :class:`ingest.sources.inbox.Source`."""
        self._connection += 1
        self._delivered = 0
        self._due.clear()
        self._unsent = b""
        self._half_sent = False
        self._trouble = None
        self._said = ""
        client = self._client()
        self._connect(client)
        try:
            while not stop.is_set():
                self._turn(client, inbox)
            give_up_at = time.monotonic() + _LAST_ACKNOWLEDGEMENTS_S
            while (
                self._delivered or self._unsent or client.want_write()
            ) and time.monotonic() < give_up_at:
                self._turn(client, None)
            self.state = "closed"
        finally:
            # Behind half an acknowledgement a broker would take a farewell for a part of it.
            if not self._half_sent:
                client.disconnect()
                client.loop_write()

    def _client(self) -> _Client:
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._settings.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if self._settings.username:
            client.username_pw_set(self._settings.username, self._settings.password)
        if self._settings.tls is not None:
            client.tls_set_context(self._settings.tls)
        source, name, heard_on = self, self.name, self._heard_on

        # Every message passes here between the broker and the journal, so every step counts: what
        # a topic is, is worked out once.
        def on_message(client: Client, userdata: Any, heard: MQTTMessage) -> None:
            arrived_us = time.time_ns() // 1000
            topic = _topic(heard)
            noted = heard_on.get(topic)
            if noted is None:
                if topic.endswith("/presence"):
                    pot = topic.split("/")[-2]
                    source.presence[pot] = (heard.payload[:40].decode(errors="replace"), arrived_us)
                    client.ack(heard.mid, heard.qos)
                    return
                noted = source._noted(topic)
            noted.note(heard, arrived_us)
            payload = bytes(heard.payload)
            source._read.append(
                RawMessage(
                    name,
                    topic,
                    getattr(heard.properties, "ContentType", ""),
                    arrived_us,
                    bool(heard.dup),
                    payload,
                    heard.mid,
                )
            )
            source._read_bytes += len(payload)

        client.on_message = on_message
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_log = self._on_log
        # With this set, paho leaves writing to the loop; else an acknowledgement would be sent at
        # once, each in a turn of its own.
        client.on_socket_register_write = _leave_to_the_loop
        return client

    def _connect(self, client: Client) -> None:
        settings = self._settings
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_EXPIRY_S
        properties.ReceiveMaximum = RECEIVE_MAXIMUM
        properties.MaximumPacketSize = MAX_PAYLOAD_BYTES + (1 << 17)
        self.state = f"connecting to {settings.host}:{settings.port}"
        try:
            client.connect(
                settings.host,
                settings.port,
                settings.keepalive_s,
                clean_start=False,
                properties=properties,
            )
        except (OSError, ValueError) as error:
            raise self._refused(refusal(error, self._place)) from error

    @property
    def _place(self) -> str:
        return f"{self._settings.host}:{self._settings.port}"

    def _refused(self, why: Refusal) -> SourceLost:
        self.refused[why.kind] += 1
        return SourceLost(why.what, why.next_step)

    def _noted(self, topic: str) -> Heard:
        """Where messages of a topic are counted."""
        pot = topic.split("/")[-2] if topic.count("/") >= 2 else ""
        if pot not in self.pots and len(self.pots) >= _MOST_NOTED_POTS:
            pot = ""  # somebody makes up names; they are counted together
        noted = self.pots.setdefault(pot, Heard())
        if len(self._heard_on) < _MOST_NOTED_POTS:
            self._heard_on[topic] = noted
        return noted

    def _turn(self, client: _Client, inbox: Inbox | None) -> None:
        """One turn: acknowledge what is due, write, read what has come (where there is an inbox for
        it), keep alive."""
        while self._due:
            self._unsent += self._acknowledgements(self._due.popleft())
        line = client.socket()
        if line is None:
            raise self._lost()
        hold_s = self._pace.wait_s()
        reading = inbox is not None and hold_s == 0.0
        readers = [line, self._wake_receiver] if reading else [self._wake_receiver]
        writers = [line] if self._unsent or client.want_write() else []
        # What was taken off the line already does not show as readable.
        unread = reading and (
            client.held_bytes > 0 or (isinstance(line, ssl.SSLSocket) and line.pending() > 0)
        )
        poll_s = 0.0 if unread else min(_POLL_S, hold_s or _POLL_S)
        readable, writable, _ = select.select(readers, writers, [], poll_s)
        if self._wake_receiver in readable:
            self._wake_receiver.recv(4096)
        if writable:
            self._write(client, line)
        if inbox is not None and (unread or line in readable):
            self._take_in(client, inbox)
        if client.loop_misc() != MQTTErrorCode.MQTT_ERR_SUCCESS or self._trouble:
            raise self._lost()

    def _acknowledgements(self, tokens: list[object]) -> bytes:
        """The packets that acknowledge what was delivered on this connection."""
        numbers = [token for token in tokens if isinstance(token, int)]
        ours = [n & 0xFFFF for n in numbers if n >> 16 == self._connection]
        self._delivered -= len(ours)
        # Without a packet identifier it came with quality of service 0, which nobody acknowledges.
        return b"".join([_PUBACK.pack(_PUBACK_TYPE, _PUBACK_LENGTH, n) for n in ours if n])

    def _write(self, client: Client, line: SocketLike) -> None:
        """Write what paho has, then the acknowledgements.

        These go out together: paho would send each by itself, which costs more than all else that
        ingest does with a message.
        """
        if not self._half_sent:
            if client.loop_write() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                raise self._lost()
            if client.want_write() or not self._unsent:
                return
        try:
            sent = line.send(self._unsent)
        except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
            # TLS must be given the same bytes again before any others.
            self._half_sent = self._half_sent or isinstance(line, ssl.SSLSocket)
            return
        except OSError as error:
            raise self._lost() from error
        self._unsent = self._unsent[sent:]
        self._half_sent = bool(self._unsent)

    def _take_in(self, client: Client, inbox: Inbox) -> None:
        """Read packets and hand their messages over together, also where the connection ends."""
        try:
            for _ in range(min(_PACKETS_AT_ONCE, self._pace.may_take())):
                before = len(self._read)
                if client.loop_read() != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    raise self._lost()
                if len(self._read) == before or self._due or self._read_bytes > _BYTES_AT_ONCE:
                    break
        finally:
            self._hand_over(inbox)

    def _hand_over(self, inbox: Inbox) -> None:
        read, self._read, self._read_bytes = self._read, [], 0
        self._pace.took(len(read))
        if read:
            self._delivered += len(read)
            connection = self._connection << 16
            inbox.put_all([Delivery(m, self, connection | m.transport_id) for m in read])

    def _on_connect(
        self,
        client: Client,
        userdata: Any,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        settings = self._settings
        # Set for what goes wrong before this only: with it paho words every packet.
        client.on_log = None
        if reason.is_failure:
            bad = reason.value in (_BAD_PASSWORD, _NOT_AUTHORIZED)
            who = f" the user {settings.username}" if settings.username else ""
            why = Refusal(
                "password" if bad else "other",
                f"The broker {self._place} refuses{who} the connection: {reason}.",
                "Check mqtt.username and the password, and what the broker allows.",
            )
            self._trouble = self._refused(why)
            return
        # Retained readings would be heard anew with each subscription: not sent for them (2).
        base = f"{settings.root}/{settings.site}/+"
        shared = f"$share/{settings.share}/" if settings.share else ""
        of_readings = SubscribeOptions(1, retainAsPublished=True, retainHandling=2)
        client.subscribe(
            [
                (f"{shared}{base}/readings", of_readings),
                (f"{base}/presence", SubscribeOptions(qos=1, retainHandling=0)),
            ]
        )

    def _on_subscribe(
        self,
        client: Client,
        userdata: Any,
        number: int,
        codes: list[ReasonCode],
        properties: Properties | None,
    ) -> None:
        if codes[0].is_failure:
            settings = self._settings
            why = Refusal(
                "not allowed",
                f"The broker {self._place} does not let us read "
                f"{settings.root}/{settings.site}/+/readings: {codes[0]}.",
                f"Allow it to the user {settings.username or 'without a name'} in the broker's "
                "access list.",
            )
            self._trouble = self._refused(why)
            return
        self.state = "connected"

    def _on_log(self, client: Client, userdata: Any, level: int, said: str) -> None:
        if "failed" in said:
            self._said = said

    def _on_disconnect(
        self,
        client: Client,
        userdata: Any,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self._trouble is None and flags.is_disconnect_packet_from_server:
            self._trouble = SourceLost(
                f"The broker closed the connection: {reason}.",
                "Where another program uses the same mqtt.client_id, give it another.",
            )

    def _lost(self) -> SourceLost:
        connected = self.state == "connected"
        self.state = "connection lost"
        if self._trouble is None and not connected and self._settings.tls and self._said:
            # With TLS 1.3 the broker looks at our certificate after the handshake.
            return self._refused(refusal(self._said, self._place))
        return self._trouble or SourceLost(
            f"The connection to the broker {self._place} was lost.",
            "It is opened again by itself.",
        )


def _topic(heard: MQTTMessage) -> str:
    try:
        return heard.topic
    except UnicodeDecodeError:
        # A broker must not let this through; were one to, the message is kept all the same.
        return ""


def _leave_to_the_loop(client: Client, userdata: Any, line: Any) -> None:
    """Stand in for a registration with an event loop: ours asks paho each turn."""
