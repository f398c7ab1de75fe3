"""The ingest service: sources to journal to store, until asked to stop.

::

    each source, a thread     open, read, hand over            ┐ bounded inbox
    journal, a thread         append all, one sync, then acknowledge  ┘
    store writer, a process   journal from its mark, a batch a second, one transaction
    this thread               once a second: health file, status

Stopping goes the same way: sources end after their last acknowledgement, the journal syncs what
is left, the writer takes the journal to its end.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from itertools import groupby
from operator import attrgetter
from pathlib import Path

from ingest.errors import ArchiveAway, DiskFull, StoreBusy
from ingest.health import Health, write_health
from ingest.housekeeping import Housekeeper
from ingest.sources.inbox import Delivery, Inbox, Source
from ingest.store.batch import USUAL, Admission
from ingest.store.journal import Journal
from ingest.store.journal_frames import Position, waiting_bytes
from ingest.store.write import stored_mark
from ingest.store.writer_process import WriterProcess
from ingest.supervise import Failure, Log, keep_running

#: A batch a second costs the store one opening and one commit a second. [s]
BATCH_EVERY_S = 1.0
_TAKE_WAIT_S = 0.2
_SOURCE_OF = attrgetter("source")
_RETRY_S = 1.0
# On the way out nobody should wait long for a reader that holds the store; the journal keeps. [s]
_LAST_BATCH_WAIT_S = 15.0


def _first_mark(data: Path, log: Log, give_up: Callable[[], bool]) -> Position:
    """How far the store has taken the journal, after waiting for whoever holds the store.

    The journal cannot begin without it, and the broker keeps what comes meanwhile. The store may be
    held by the writer of an ingest that was killed and is finishing its batch on a busy computer.
    """
    while True:
        try:
            return stored_mark(data)
        except StoreBusy as error:
            if give_up():
                raise
            log.warning("waiting for the store", what=error.what, next_step=error.next_step)


class Service:
    """Everything that runs under `gritbook ingest`.

    Parameters
    ----------
    data : Path
        Data folder.
    pots : collection of str or None
        Pots of the yard file; ``None`` takes any.
    sources : sequence of Source
    log : Log
    pots_of_source : mapping, optional
        Pots that a source may speak of; a source that is not in it may speak of any.
    admission : Admission, optional
        What else a message must be for its readings to be taken.
    housekeeper : Housekeeper, optional
        Looks after sizes and the journal's age.
    give_up : callable, optional
        Whether to stop waiting for a store that another program holds at the start.

    Raises
    ------
    JournalError
        Another ingest has the folder, or it cannot be written.
    StoreError
        The store cannot be used.
    StoreBusy
        Another program held it until ``give_up``.
    """

    def __init__(
        self,
        data: Path,
        pots: Collection[str] | None,
        sources: Sequence[Source],
        log: Log,
        pots_of_source: Mapping[str, Collection[str]] | None = None,
        admission: Admission = USUAL,
        housekeeper: Housekeeper | None = None,
        give_up: Callable[[], bool] = lambda: False,
    ) -> None:
        self._housekeeper = housekeeper
        self._data = data
        self._sources = sources
        self._log = log
        self._inbox = Inbox()
        self._journal = Journal(data, after_segment=_first_mark(data, log, give_up).segment)
        self._writer = WriterProcess(data, pots, pots_of_source, admission)
        self._sources_ended = threading.Event()
        self.health = Health(sources)
        if self._journal.torn_bytes:
            log.warning("an unfinished frame was put aside", bytes=self._journal.torn_bytes)

    def run(
        self, stop: threading.Event, show: Callable[[Health], None] = lambda health: None
    ) -> None:
        """Run until ``stop`` is set or an error needs a person.

        Parameters
        ----------
        stop : threading.Event
        show : callable
            Given the health about once a second.

        Raises
        ------
        Terminal
            What ended the service.
        """
        failure = Failure(stop)
        may_end = threading.Event()
        sources = [
            self._thread(s.name, partial(s.run, self._inbox, stop), stop, failure)
            for s in self._sources
        ]
        journal = self._thread(
            "journal", partial(self._keep_journal, stop), self._sources_ended, failure
        )
        writer = self._thread("store", partial(self._store, may_end), may_end, failure)
        while not stop.wait(1.0):
            self._report(show)
        for thread in sources:
            thread.join()
        self._sources_ended.set()
        journal.join()
        self._journal.release()
        may_end.set()
        writer.join()
        self._writer.close()
        self.health.running = False
        self._report(show)
        self._log.info("stopped", **self.health.counts())
        if failure.error:
            raise failure.error

    def _thread(
        self, name: str, work: Callable[[], None], stop: threading.Event, failure: Failure
    ) -> threading.Thread:
        thread = threading.Thread(
            target=keep_running,
            args=(
                name,
                work,
                stop,
                failure,
                self._log,
                lambda what: self.health.trouble(name, what),
                time.monotonic,
            ),
            name=name,
        )
        thread.start()
        return thread

    def _keep_journal(self, stop: threading.Event) -> None:
        """Group commits: while one syncs, the next gathers in the inbox."""
        while True:
            ended = self._sources_ended.is_set()
            deliveries = self._inbox.take(_TAKE_WAIT_S)
            if deliveries:
                self._keep(deliveries, stop)
            elif ended:
                return

    def _keep(self, deliveries: list[Delivery], stop: threading.Event) -> None:
        self._journal.extend([delivery.message for delivery in deliveries])
        while True:
            try:
                self._journal.sync()
                break
            except DiskFull as error:
                self.health.trouble("journal", str(error))
                self._log.warning("disk full", what=error.what)
                if stop.wait(_RETRY_S):
                    # Ending with no room: sources that wait for room must not wait for ever. None
                    # of this was acknowledged, so a broker still has it; of a serial line it is
                    # lost, which the log and the last health say.
                    self._inbox.close()
                    self._log.warning("not kept", messages=len(deliveries))
                    return
        for source, run in groupby(deliveries, _SOURCE_OF):
            of_source = list(run)
            source.acknowledge([delivery.token for delivery in of_source])
            self.health.heard(source.name, len(of_source), of_source[-1].message.arrived_us)

    def _store(self, may_end: threading.Event) -> None:
        """A batch a second; more at once only where the journal is behind."""
        while True:
            ending = may_end.is_set()
            end = self._journal.end
            began_s = time.monotonic()
            try:
                taken = self._writer.take(end, _LAST_BATCH_WAIT_S)
            except (StoreBusy, DiskFull, ArchiveAway) as error:
                self.health.trouble("store", str(error))
                self._log.warning("the journal waits", what=error.what)
                if ending:
                    return
                continue
            self.health.waiting_bytes = waiting_bytes(self._data, self._writer.at, end)
            if taken:
                self.health.stored(taken)
            if not taken or self._writer.at == end:
                if ending:
                    return
                may_end.wait(max(0.0, BATCH_EVERY_S - (time.monotonic() - began_s)))

    def _report(self, show: Callable[[Health], None]) -> None:
        if self._housekeeper is not None:
            self._housekeeper.turn(self._writer.at, self.health)
        write_health(self._data, self.health)
        show(self.health)
