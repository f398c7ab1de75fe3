"""How fast a source is read: a bucket of tokens that fills with time.

A source that brings more than its bound is read slower, never cut: over MQTT the broker keeps what
is not read yet, over the network the sender waits, and a serial line is bounded by its own speed,
so it is not held back at all: what a device sends while nobody reads would be lost unseen.
"""

from __future__ import annotations

import time
from collections.abc import Callable


class Pace:
    """Say whether another message may be read now.

    Parameters
    ----------
    per_s : float
        Messages a second for long. [1/s]
    burst : int
        Messages at once.
    clock : callable
        Monotonic seconds. [s]

    Examples
    --------
    >>> now = [0.0]
    >>> pace = Pace(10.0, 2, lambda: now[0])
    >>> pace.may_take()
    3
    >>> pace.took(3)
    >>> round(pace.wait_s(), 3)
    0.1
    >>> now[0] = 0.2
    >>> pace.wait_s()
    0.0
    """

    def __init__(
        self, per_s: float, burst: int, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._per_s = per_s
        self._burst = float(burst)
        self._clock = clock
        self._tokens = float(burst)
        self._at_s = clock()
        #: How long reading was held back since the start. [s]
        self.held_back_s = 0.0

    def took(self, messages: int = 1) -> None:
        """Note messages that were read."""
        self._fill()
        self._tokens -= messages

    def may_take(self) -> int:
        """How many messages may be read before asking again."""
        self._fill()
        return max(0, int(self._tokens) + 1)

    def wait_s(self) -> float:
        """How long to read nothing; zero: read on. [s]"""
        if self._tokens >= 0.0:
            return 0.0
        self._fill()
        return max(0.0, -self._tokens / self._per_s)

    def _fill(self) -> None:
        now_s = self._clock()
        passed_s = now_s - self._at_s
        self._at_s = now_s
        if self._tokens < 0.0:
            self.held_back_s += min(passed_s, -self._tokens / self._per_s)
        self._tokens = min(self._burst, self._tokens + passed_s * self._per_s)
