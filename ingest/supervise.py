"""The only place that retries, waits and starts anew.

One ``except`` a class of error, each with its own way on: what may pass is tried again after a
growing wait, what needs a person ends the service with its sentence, and what nobody foresaw is
logged with its traceback and tried again, so that one source's fault never stops another.
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable
from typing import Protocol

from ingest.errors import Terminal, Transient

#: [s]
FIRST_WAIT_S = 0.5
#: What a serial line sends while nobody listens is lost, so it is not left alone for long. [s]
LONGEST_WAIT_S = 5.0
#: Work that has gone well for this long begins again with the first wait. [s]
_CALM_S = 60.0


class Log(Protocol):
    """The part of a structlog logger that is used here."""

    def info(self, event: str, **facts: object) -> object: ...
    def warning(self, event: str, **facts: object) -> object: ...
    def exception(self, event: str, **facts: object) -> object: ...


class Failure:
    """The first error that needs a person, from whichever thread; setting it ends the service."""

    def __init__(self, stop: threading.Event) -> None:
        self.error: Terminal | None = None
        self._stop = stop
        self._lock = threading.Lock()

    def set(self, error: Terminal) -> None:
        """Keep the first error and ask everything to end."""
        with self._lock:
            self.error = self.error or error
        self._stop.set()


def keep_running(
    name: str,
    work: Callable[[], None],
    stop: threading.Event,
    failure: Failure,
    log: Log,
    on_trouble: Callable[[str], None],
    clock: Callable[[], float],
) -> None:
    """Do work until it ends by itself or ``stop`` is set; start it anew where it fails.

    Parameters
    ----------
    name : str
        Who it is, in the log.
    work : callable
        Returns when it was asked to stop.
    stop : threading.Event
    failure : Failure
        Gets an error that needs a person.
    log : Log
    on_trouble : callable
        Told in a sentence what is wrong while waiting.
    clock : callable
        Monotonic seconds. [s]
    """
    wait_s = FIRST_WAIT_S
    while not stop.is_set():
        began_s = clock()
        try:
            work()
            return
        except Transient as error:
            on_trouble(str(error))
            log.warning("trouble", who=name, what=error.what, next_step=error.next_step)
        except Terminal as error:
            on_trouble(str(error))
            failure.set(error)
            return
        except Exception as error:
            # Broad, for nobody foresaw it. It is logged whole and hides no loss: what was not
            # acknowledged is sent again, and what is in the journal is taken again.
            on_trouble(f"Unforeseen: {type(error).__name__}: {error}")
            log.exception("unforeseen error", who=name)
        if clock() - began_s > _CALM_S:
            wait_s = FIRST_WAIT_S
        stop.wait(wait_s * random.uniform(0.7, 1.3))
        wait_s = min(wait_s * 2, LONGEST_WAIT_S)
