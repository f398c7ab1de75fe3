"""Sends notices: to services that apprise knows, and as retained states to the MQTT broker.

What is sent is in the store: a message has a row in ``notice_sent`` before it is first tried, and
``sent_at`` once the service has taken it. So nothing is sent twice across restarts, but for one
case: where the computer fails between a service's taking a message and the row's being written, it
is sent again. Each message has an id in its text by which a second one shows.

One process at a time sends (a lock on ``notify.lock``); another that would waits in its place.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from analytics import notice_frames
from analytics.notices import lifecycle
from analytics.pipeline import utc_now
from dashboard import telling
from dashboard.telling import Message, Situation
from ingest.config import Mqtt, Yard, load_yard
from ingest.errors import GritbookError, YardFileError
from ingest.store import file_lock
from ingest.store.connection import read_window, store_path, write_window
from ingest.yard_notices import NoticeChannel

#: How long between two looks at what is to be sent. [s]
EVERY_S = 10.0
#: Wait after the first failure of a message; doubled each time, up to the longest. [s]
FIRST_WAIT_S, LONGEST_WAIT_S = 30.0, 3600.0
#: How long the broker may take. [s]
_MQTT_WAIT_S = 10.0
#: What was found longer than this before the first look is not told singly: only the digest has it.
_NEWS = dt.timedelta(hours=24)
_MQTT = "mqtt"
#: Stands for the message where a channel's addresses cannot be had.
_ADDRESSES = "addresses"

#: Sends a message to an address; gives what is wrong, without the address, or nothing.
Send = Callable[[str, Message], str]


@dataclass(frozen=True)
class Round:
    """What one look did: messages and states sent, and messages and states that failed."""

    sent: int
    failed: int


def send_round(
    data: Path,
    yard: Yard,
    now: dt.datetime | None = None,
    send: Send | None = None,
) -> Round:
    """Send what is due now.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    now : datetime, optional
        Naive UTC; this computer's clock by default.
    send : callable, optional
        In place of apprise.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    now = now or utc_now()
    if not yard.notices.any or not store_path(data).exists():
        return Round(0, 0)
    situation = situation_of(data, yard, now)
    sent = failed = 0
    if yard.notices.mqtt and yard.mqtt is not None:
        done, not_done = _publish_states(data, yard, yard.mqtt, situation)
        sent, failed = sent + done, failed + not_done
    for channel in yard.notices.channels:
        found = _addresses(data, channel, situation, now)
        if found is None:
            failed += 1
            continue
        for address, url in found:
            for message in telling.due_messages(situation, channel, address, now - _NEWS):
                if _deliver(data, url, message, situation, now, send or through_apprise):
                    sent += 1
                else:
                    failed += 1
    return Round(sent, failed)


def situation_of(data: Path, yard: Yard, now: dt.datetime) -> Situation:
    """How notices stand and what was sent, from one read window."""
    with read_window(data) as con:
        standing = lifecycle(
            notice_frames.notices(con, now - telling.TOLD_FOR),
            notice_frames.notice_entries(con),
            now,
        )
        events = notice_frames.notice_events(con, now - telling.TOLD_FOR)
        sent = notice_frames.sent(con)
    return Situation(yard, standing, events, sent, now)


def _addresses(
    data: Path, channel: NoticeChannel, situation: Situation, now: dt.datetime
) -> Sequence[tuple[str, str]] | None:
    """A channel's addresses; where they cannot be had, that is noted and the others go on."""
    noted = situation.sent.filter(pl.col("message_id") == _ADDRESSES).filter(
        pl.col("channel") == channel.name
    )
    try:
        found = telling.addresses(channel)
    except YardFileError as error:
        if noted.is_empty() or noted["trouble"][0] != str(error):
            _note(data, _ADDRESSES, channel.name, None, 1, now, str(error))
        return None
    if noted.height:
        with write_window(data) as con:
            con.execute(
                "DELETE FROM notice_sent WHERE message_id = $id AND channel = $channel",
                {"id": _ADDRESSES, "channel": channel.name},
            )
    return found


# --- messages --------------------------------------------------------------------------------


def _deliver(
    data: Path, url: str, message: Message, situation: Situation, now: dt.datetime, send: Send
) -> bool:
    tries = _tries(situation.sent, message.message_id, message.channel) + 1
    next_at = now + _wait(tries)
    _note(data, message.message_id, message.channel, None, tries, next_at, "not sent yet")
    trouble = send(url, message)
    if trouble:
        _note(data, message.message_id, message.channel, None, tries, next_at, trouble)
        return False
    _note(data, message.message_id, message.channel, utc_now(), tries, next_at, "")
    return True


def _tries(sent: pl.DataFrame, message_id: str, channel: str) -> int:
    rows = sent.filter((pl.col("message_id") == message_id) & (pl.col("channel") == channel))
    return int(rows["tries"][0]) if rows.height else 0


def _wait(tries: int) -> dt.timedelta:
    return dt.timedelta(seconds=min(FIRST_WAIT_S * 2.0 ** min(tries - 1, 20), LONGEST_WAIT_S))


def _note(
    data: Path,
    message_id: str,
    channel: str,
    sent_at: dt.datetime | None,
    tries: int,
    next_at: dt.datetime,
    trouble: str,
) -> None:
    with write_window(data) as con:
        con.execute(
            "INSERT OR REPLACE INTO notice_sent VALUES "
            "($message_id, $channel, $sent_at, $tries, $next_at, $trouble)",
            {
                "message_id": message_id, "channel": channel, "sent_at": sent_at, "tries": tries,
                "next_at": next_at, "trouble": trouble,
            },
        )  # fmt: skip


def through_apprise(url: str, message: Message) -> str:
    """Send a message with apprise; gives what is wrong, or nothing.

    The address is in nothing that is given, logged or kept: it holds passwords. Of a failure only
    the kind of service is told.
    """
    import logging

    import apprise

    logging.getLogger("apprise").disabled = True  # its warnings hold parts of the address
    service = url.split("://", 1)[0]
    sender = apprise.Apprise(asset=apprise.AppriseAsset(secure_logging=True))
    if not sender.add(url):
        return f"The address is none that the library apprise knows ({service}://…)."
    if not sender.notify(title=message.title, body=message.body, body_format="text"):
        return f"The service ({service}://…) did not take it."
    return ""


# --- states at the broker --------------------------------------------------------------------


def _publish_states(data: Path, yard: Yard, mqtt: Mqtt, situation: Situation) -> tuple[int, int]:
    """Bring the retained states at the broker in line with the notices."""
    now = situation.now
    mine = situation.sent.filter(pl.col("channel") == _MQTT)
    line = mine.filter(pl.col("message_id") == _MQTT)
    if line.height and line["next_at"][0] > now:
        return 0, 0
    known = {
        row["message_id"].split(".")[0]: row["message_id"]
        for row in mine.iter_rows(named=True)
        if row["message_id"] != _MQTT
    }
    pots = dict(situation.events.select("notice_id", "pot").iter_rows())
    work: list[tuple[str, str, str, list[tuple[bytes, bool]]]] = []
    for row in situation.standing.iter_rows(named=True):
        payload = _state(row)
        mark = f"{row['notice_id']}.state.{hashlib.sha256(payload).hexdigest()[:16]}"
        over = row["state"] == "done"
        if known.pop(row["notice_id"], None if not over else mark) != mark:
            # What is over is told once, and then no longer kept: the topic goes.
            sends = [(payload, False), (b"", True)] if over else [(payload, True)]
            work.append((row["notice_id"], row["pot"], mark, sends))
    for notice_id, mark in known.items():
        # It is no longer there at all: late data took it back, or it is long over.
        if notice_id in pots and not mark.endswith(".gone"):
            work.append((notice_id, pots[notice_id], f"{notice_id}.state.gone", [(b"", True)]))
    if not work:
        return 0, 0
    base = f"{mqtt.root}/{yard.site.name}"
    trouble = _publish(
        mqtt,
        [
            (f"{base}/{pot}/notices/{notice_id}", payload, retain)
            for notice_id, pot, _, sends in work
            for payload, retain in sends
        ],
    )
    if trouble:
        tries = _tries(situation.sent, _MQTT, _MQTT) + 1
        _note(data, _MQTT, _MQTT, None, tries, now + _wait(tries), trouble)
        return 0, len(work)
    with write_window(data) as con:
        con.execute("DELETE FROM notice_sent WHERE channel = $c AND message_id = $c", {"c": _MQTT})
        for notice_id, _, mark, _ in work:
            con.execute(
                "DELETE FROM notice_sent WHERE channel = $c AND starts_with(message_id, $n)",
                {"c": _MQTT, "n": f"{notice_id}.state."},
            )
            con.execute(
                "INSERT INTO notice_sent VALUES ($mark, $c, $now, 1, $now, '')",
                {"mark": mark, "c": _MQTT, "now": now},
            )
    return len(work), 0


def _state(row: dict[str, Any]) -> bytes:
    """A notice's state as JSON; instants are UTC."""
    names = (
        "notice_id", "pot", "kind", "words", "cause", "state", "hurts", "began_at", "raised_at",
        "kind_at", "cleared_at", "by", "until_at", "why", "said", "also", "step",
    )  # fmt: skip
    told = {
        name: f"{row[name].isoformat()}Z" if isinstance(row[name], dt.datetime) else row[name]
        for name in names
    }
    return json.dumps(told, ensure_ascii=False, sort_keys=True).encode()


def _publish(mqtt: Mqtt, messages: Sequence[tuple[str, bytes, bool]]) -> str:
    """Publish with quality of service 1 and wait for every acknowledgement."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

    client = Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"{mqtt.client_id}-notices",
        protocol=MQTTProtocolVersion.MQTTv5,
        reconnect_on_failure=False,
    )
    if mqtt.username:
        client.username_pw_set(mqtt.username, mqtt.password())
    if mqtt.tls is not None:
        client.tls_set_context(mqtt.tls.context())
    place = f"{mqtt.host}:{mqtt.port}"
    connected = threading.Event()
    refused: list[str] = []
    denied: list[str] = []

    def on_connect(client: Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        connected.set()

    def on_publish(client: Client, data: Any, number: int, reason: Any, properties: Any) -> None:
        if reason.is_failure:
            denied.append(str(reason))

    client.on_connect, client.on_publish = on_connect, on_publish
    try:
        client.connect(mqtt.host, mqtt.port, 30)
    except (OSError, ValueError) as error:
        return f"The broker {place} cannot be reached: {getattr(error, 'strerror', '') or error}."
    client.loop_start()
    try:
        if not connected.wait(_MQTT_WAIT_S) or refused:
            return (
                f"The broker {place} did not let us in: {refused[0] if refused else 'no answer'}."
            )
        sent = [client.publish(topic, payload, 1, retain) for topic, payload, retain in messages]
        for one in sent:
            if one.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return f"The broker {place} was lost while notices were sent."
            one.wait_for_publish(_MQTT_WAIT_S)
            if not one.is_published():
                return f"The broker {place} did not acknowledge a notice."
        if denied:
            return (
                f"The broker {place} does not let us write notices: {denied[0]}. Allow "
                "<root>/<site>/+/notices/+ in its access list."
            )
    except (RuntimeError, ValueError) as error:
        return f"The broker {place} was lost while notices were sent: {error}."
    finally:
        client.disconnect()
        client.loop_stop()
    return ""


# --- going on --------------------------------------------------------------------------------


def keep_sending(
    data: Path,
    yard_file: Path,
    stop: threading.Event,
    before: Callable[[Yard], None] = lambda yard: None,
    every_s: float = EVERY_S,
) -> None:
    """Send what is due every few seconds until told to stop; wait while another process does.

    Parameters
    ----------
    data, yard_file : Path
        Data folder and yard file, read anew each time.
    stop : threading.Event
        Ends it.
    before : callable
        Run before each look, with the yard: brings notices up to date.
    every_s : float
        [s]
    """
    lock = None
    said = ""
    while not stop.is_set():
        try:
            yard = load_yard(yard_file)
            before(yard)
            if yard.notices.any and store_path(data).exists():
                lock = lock or _lock(data)
                if lock is not None:
                    send_round(data, yard)
            said = ""
        except (GritbookError, OSError) as error:
            if str(error) != said:
                said = str(error)
                print(said, file=sys.stderr, flush=True)
        stop.wait(every_s)
    if lock is not None:
        lock.close()


def _lock(data: Path) -> Any:
    try:
        return file_lock.take(data / "notify.lock")
    except file_lock.HeldElsewhere:
        return None
