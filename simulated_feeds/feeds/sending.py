"""Open a feed by what its target looks like, and send a live pot through it."""

from __future__ import annotations

import time
from typing import Protocol

from ..live import LivePot
from ..wire import senml_pack
from .pace import Pace

TARGETS = "mqtt://host:port[/root], serial:PORT[?baud=115200&crc=1], pty:LINKPATH"
FAST_START_S = 86_400.0
"""How far back a pot begins that runs faster than the wall clock without an end [s]."""


class Feed(Protocol):
    """What can take packs."""

    sent: int

    def frame(self, pack: bytes) -> bytes:
        """Give the bytes that carry a pack."""

    def send(self, pack: bytes) -> None:
        """Send one pack."""

    def send_bytes(self, line: bytes) -> None:
        """Send bytes as they are."""

    def close(self) -> None:
        """Stop."""


def open_feed(target: str, *, site: str, pot: str) -> Feed:
    """Open the feed a target names.

    Parameters
    ----------
    target : str
        One of `TARGETS`.
    site, pot : str
        For the MQTT topic.

    Returns
    -------
    Feed
        Open and ready.

    Raises
    ------
    ValueError
        When the target is none of them.
    OSError
        When it cannot be opened; a broker that is away is not an error, it is tried again.
    """
    if target.startswith("mqtt://"):
        from .mqtt import Broker, MqttFeed

        mqtt = MqttFeed(Broker.from_url(target), site, pot)
        mqtt.open()
        return mqtt
    from .serial_line import PseudoTerminalFeed, SerialFeed

    if target.startswith("serial:"):
        line = SerialFeed.from_url(target)
        line.open()
        return line
    if target.startswith("pty:"):
        terminal = PseudoTerminalFeed.from_url(target)
        terminal.open()
        return terminal
    raise ValueError(f"not a target: {target!r}; it is one of {TARGETS}")


def send_live(
    feed: Feed,
    pot: LivePot,
    name: str,
    *,
    speed: float = 1.0,
    seconds: float = 0.0,
    clock: bool = True,
    pace: Pace | None = None,
) -> str:
    """Send a pot live until stopped, each second when it is over.

    Parameters
    ----------
    feed : Feed
        Where to.
    pot : LivePot
        What.
    name : str
        Name of the pot on the wire.
    speed : float
        Pot seconds a wall second.
    seconds : float
        Pot seconds to send; 0 or less is for ever.
    clock : bool
        False sends times relative to the arrival, as a box without a clock.
    pace : Pace, optional
        To stop from outside; otherwise one that stops on SIGTERM and Ctrl-C.

    Returns
    -------
    str
        A sentence on what was sent.
    """
    from .mangle import Mangled

    if pace is None:
        pace = Pace(speed)
        pace.stop_on_signals()
    start_s = time.time()
    if speed != 1.0:
        # at another speed the pot's time is not the wall's: begin in the past, so that no reader
        # is handed the future
        start_s -= seconds if seconds > 0.0 else FAST_START_S
    way = Mangled(feed, pot.faults) if pot.faults.message_faults() else feed
    try:
        for number, second in enumerate(pot.seconds(start_s)):
            if 0.0 < seconds <= number or not pace.wait_for(number + 1.0):
                break
            if second is not None:
                way.send(senml_pack(name, second, clock=clock))
        if isinstance(way, Mangled):
            way.finish()
        drain = getattr(feed, "drain", None)
        if drain is not None:
            drain(5.0)
    finally:
        feed.close()
    waiting = getattr(feed, "waiting", None)
    left = f", {waiting()} not acknowledged" if waiting is not None else ""
    mangled = ""
    if isinstance(way, Mangled):
        mangled = "".join(f", {count} {name}" for name, count in way.counts.items())
    return f"{name}: {feed.sent} packs sent{left}{mangled}"
