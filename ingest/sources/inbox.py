"""What lies between the sources and the journal: a bounded queue of messages to be kept."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from typing import NamedTuple, Protocol

from ingest.errors import SourceLost
from ingest.readings import RawMessage

#: A source waits while more than this lies here: the broker keeps the rest. [bytes]
MOST_BYTES = 64 << 20
#: States in which a source has its line.
WORKING_STATES = frozenset({"connected", "open", "closed"})

# What a message costs beside its payload, roughly. [bytes]
_OVERHEAD_BYTES = 500


class Source(Protocol):
    """What the service asks of a source.

    ``name`` is unique; ``state`` says in a few words how it is, for people.
    """

    name: str
    state: str

    def run(self, inbox: Inbox, stop: threading.Event) -> None:
        """Open, and hand messages over until ``stop``; then wait for the acknowledgements due.

        Raises
        ------
        SourceLost
            The broker or line went away; the supervisor opens it again.
        """

    def acknowledge(self, tokens: list[object]) -> None:
        """Take note that messages are kept. Called from another thread than ``run``."""


class Delivery(NamedTuple):
    """A message on its way to the journal, and what its source needs to acknowledge it."""

    message: RawMessage
    source: Source
    token: object


class Inbox:
    """A queue for several sources and one journal.

    Parameters
    ----------
    most_bytes : int
        :meth:`put` waits while more than this lies here. [bytes]
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most_bytes = most_bytes
        self._waiting: list[Delivery] = []
        self._bytes = 0
        self._closed = False
        self._changed = threading.Condition()

    def put(self, delivery: Delivery) -> None:
        """Hand a message over; waits where the journal is behind.

        Raises
        ------
        SourceLost
            The service is ending and the journal takes nothing more.
        """
        self.put_all([delivery])

    def put_all(self, deliveries: Sequence[Delivery]) -> None:
        """Hand messages over together, as :meth:`put` does."""
        with self._changed:
            while self._bytes > self._most_bytes and not self._closed:
                self._changed.wait()
            if self._closed:
                raise SourceLost("Ingest is ending; the journal takes nothing more.")
            self._bytes += sum([len(d.message.payload) for d in deliveries])
            self._bytes += _OVERHEAD_BYTES * len(deliveries)
            was_empty = not self._waiting
            self._waiting += deliveries
            if was_empty:
                self._changed.notify_all()

    def take(self, wait_s: float) -> list[Delivery]:
        """Take all that lies here, after waiting for the first at most ``wait_s`` [s]."""
        with self._changed:
            if not self._waiting:
                self._changed.wait(wait_s)
            taken, self._waiting = self._waiting, []
            self._bytes = 0
            self._changed.notify_all()
        return taken

    def close(self) -> None:
        """Refuse further messages; what lies here can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
