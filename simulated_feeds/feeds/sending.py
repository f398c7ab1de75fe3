"""Open a feed by what its target looks like, and send a live pot through it."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from itertools import islice
from typing import Protocol, runtime_checkable

from ..faults.fault_set import FaultSet
from ..live import LivePot
from ..wire import Second, senml_pack
from .mangle import Mangled
from .pace import Pace

TARGETS = (
    "mqtt://host:port[/root], serial:PORT[?baud=115200&crc=1], pty:LINKPATH[?crc=1], "
    "listen:HOST:PORT[?crc=1], modbus:LINKPATH[?device=1] or card:FILE.csv"
)
FAST_START_S = 86_400.0
"""How far back a pot begins that runs faster than the wall clock without an end [s]."""

LIVE_SPEED, MOST_WAITING = 10.0, 2_000
"""Above this speed [-] no more than so many packs are kept unacknowledged."""


class Feed(Protocol):
    """What can take packs."""

    sent: int

    def frame(self, pack: bytes) -> bytes:
        """Give the bytes that carry a pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """

    def send(self, pack: bytes) -> None:
        """Send one pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """

    def send_bytes(self, line: bytes) -> None:
        """Send bytes as they are.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """

    def close(self) -> None:
        """Stop."""


@runtime_checkable
class ReadingsFeed(Protocol):
    """What takes readings and no packs: registers, a card."""

    sent: int

    def show(self, second: Second) -> None:
        """Take a second of readings.

        Parameters
        ----------
        second : Second
            The readings.
        """

    def close(self) -> None:
        """Stop."""


def open_feed(target: str, *, site: str, pot: str) -> Feed | ReadingsFeed:
    """Open the feed a target names.

    Parameters
    ----------
    target : str
        One of `TARGETS`.
    site, pot : str
        For the MQTT topic.

    Returns
    -------
    Feed or ReadingsFeed
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
    if target.startswith(("serial:", "pty:")):
        from .serial_line import PseudoTerminalFeed, SerialFeed

        if target.startswith("serial:"):
            line = SerialFeed.from_url(target)
            line.open()
            return line
        terminal = PseudoTerminalFeed.from_url(target)
        terminal.open()
        return terminal
    if target.startswith("listen:"):
        from .listening import ListeningFeed

        listening = ListeningFeed.from_url(target)
        listening.open()
        return listening
    if target.startswith("modbus:"):
        from .modbus import ModbusFeed

        registers = ModbusFeed.from_url(target)
        registers.open()
        return registers
    if target.startswith("card:"):
        from .card import CardFeed

        card = CardFeed.from_url(target)
        card.open()
        return card
    raise ValueError(f"not a target: {target!r}; it is one of {TARGETS}")


def send_live(
    feed: Feed | ReadingsFeed,
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
    feed : Feed or ReadingsFeed
        Where to; closed at the end.
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
    start_s = time.time()
    if speed != 1.0:
        # at another speed the pot's time is not the wall's: begin in the past, so that no reader
        # is handed the future
        start_s -= seconds if seconds > 0.0 else FAST_START_S
    source = pot.seconds(start_s)
    if seconds > 0.0:
        source = islice(source, math.ceil(seconds))
    timed = ((number + 1.0, second) for number, second in enumerate(source))
    return send_seconds(feed, timed, name, pot.faults, speed=speed, clock=clock, pace=pace)


def send_seconds(
    feed: Feed | ReadingsFeed,
    timed: Iterable[tuple[float, Second | None]],
    name: str,
    faults: FaultSet,
    *,
    speed: float = 1.0,
    clock: bool = True,
    pace: Pace | None = None,
) -> str:
    """Send readings when their time has come, through whatever message faults there are.

    Parameters
    ----------
    feed : Feed or ReadingsFeed
        Where to; closed at the end.
    timed : iterable of (float, Second or None)
        When each is due, in pot seconds after the start, rising; None is not sent.
    name : str
        Name of the pot on the wire.
    faults : FaultSet
        Its message faults are applied to packs; a feed that takes readings has no messages.
    speed : float
        Pot seconds a wall second.
    clock : bool
        False sends times relative to the arrival.
    pace : Pace, optional
        As for `send_live`.

    Returns
    -------
    str
        A sentence on what was sent.
    """
    if pace is None:
        pace = Pace(speed)
        pace.stop_on_signals()
    mangled = None
    if not isinstance(feed, ReadingsFeed) and faults.message_faults():
        mangled = Mangled(feed, faults)
    try:
        for due_s, second in timed:
            if not pace.wait_for(due_s):
                break
            if second is None:
                continue
            if isinstance(feed, ReadingsFeed):
                feed.show(second)
            else:
                (mangled or feed).send(senml_pack(name, second, clock=clock))
                _let_it_catch_up(feed, pace)
        if mangled is not None:
            mangled.finish()
        drain = getattr(feed, "drain", None)
        if drain is not None:
            drain(5.0)
    finally:
        feed.close()
    waiting = getattr(feed, "waiting", None)
    told = f"{name}: {feed.sent} packs sent"
    if waiting is not None:
        told += f", {waiting()} not acknowledged"
    if mangled is not None:
        told += "".join(f", {count} {fault}" for fault, count in mangled.counts.items())
    return told


def _let_it_catch_up(feed: Feed, pace: Pace) -> None:
    """Wait while more is unacknowledged than a history sent at once should pile up in memory.

    A live pot is not held up: a broker that is away for an hour leaves 3600 packs, which fit.
    """
    drain, waiting = getattr(feed, "drain", None), getattr(feed, "waiting", None)
    if drain is None or waiting is None or pace.speed <= LIVE_SPEED:
        return
    while waiting() > MOST_WAITING and not pace.stop.is_set():
        drain(0.5)
