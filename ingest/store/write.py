"""The store's one writer: the journal from its mark into the tables, in one transaction a batch.

A batch puts readings, what would not become one, the counts and the new mark into the store
together. A crash at any point leaves the mark where the tables are; the next start takes the same
frames again. Where the store is held by a reader, the journal waits and nothing else does.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.readings import RawMessage
from ingest.store import records_log, redelivery
from ingest.store.batch import USUAL, Admission, Batch, Taken, decode_batch, store_batch
from ingest.store.box_watch import BoxWatch
from ingest.store.connection import DEFAULT_WAIT_S, store_path, write_window
from ingest.store.journal_frames import BEGINNING, Damage, Position, read_from
from ingest.store.quarantine import Refused
from ingest.wire import reasons
from ingest.wire.columns import ColumnDecoder

if TYPE_CHECKING:
    import duckdb

#: A batch ends at whichever comes first. What it holds in memory is about ten times its bytes.
BATCH_BYTES = 16 << 20
BATCH_MESSAGES = 25_000

_JOURNAL = "journal"


def stored_mark(data: Path, wait_s: float = DEFAULT_WAIT_S) -> Position:
    """How far the store has taken the journal; the beginning where there is no store yet.

    Raises
    ------
    StoreBusy, StoreError
        As :func:`ingest.store.connection.read_window`.
    """
    if not store_path(data).exists():
        return BEGINNING
    with write_window(data, wait_s) as con:
        return _mark(con)


class StoreWriter:
    """Takes the journal into the store, batch by batch. Not for several threads.

    Parameters
    ----------
    data : Path
        Data folder.
    pots : collection of str or None
        Pots of the yard file; readings of others are quarantined. ``None`` takes any.
    batch_messages : int
        Most messages in one transaction.
    pots_of_source : mapping, optional
        Pots that a source may speak of; a source that is not in it may speak of any.
    admission : Admission, optional
        What else a message must be for its readings to be taken.
    aside : callable, optional
        Does what the store need not be open for, reading and decoding, and gives its result: where
        that may take its time. By default it is done here.
    """

    def __init__(
        self,
        data: Path,
        pots: Collection[str] | None,
        batch_messages: int = BATCH_MESSAGES,
        pots_of_source: Mapping[str, Collection[str]] | None = None,
        admission: Admission = USUAL,
        aside: Callable[[Callable[[], Any]], Any] | None = None,
    ) -> None:
        self._aside = aside or (lambda work: work())
        self._pots_of_source = pots_of_source
        self._admission = admission
        self._data = data
        self._pots = None if pots is None else frozenset(pots)
        self._batch_messages = batch_messages
        self._decoder = ColumnDecoder()
        self._at: Position | None = None
        self._redeliveries = redelivery.Redeliveries()
        self._republished = redelivery.Republished()
        self._watch = BoxWatch()
        # Decoded but not committed: kept over a StoreBusy, for repetitions are noted once only.
        self._pending: tuple[Batch, Position] | None = None

    @property
    def at(self) -> Position:
        """How far the journal has been taken, as far as this writer knows."""
        return self._at or BEGINNING

    def take(self, end: Position | None = None, wait_s: float = DEFAULT_WAIT_S) -> Taken | None:
        """Bring the next batch into the store.

        Parameters
        ----------
        end : Position, optional
            Take nothing behind this: :attr:`ingest.store.journal.Journal.end`, for what is not
            synced may vanish in a power cut. Without it, to the journal's last whole frame.
        wait_s : float
            How long to wait while a reader holds the store. [s]

        Returns
        -------
        Taken or None
            ``None`` where nothing waits.

        Raises
        ------
        StoreBusy
            A reader held the store; call again.
        DiskFull
            No room in the store; call again when there is.
        StoreError
            The store cannot be used.
        """
        if self._at is None:
            with write_window(self._data, wait_s) as con:
                at = _mark(con)
                if at == BEGINNING:
                    # A store that was lost comes back from the journal; what people entered, from
                    # its own log.
                    records_log.restore(con, self._data)
            self._redeliveries, self._republished = self._aside(
                lambda: redelivery.from_journal(self._data, at)
            )
            self._at = at
        if self._pending is None:
            begin = self._at
            self._pending = self._aside(lambda: self._read(begin, end))
        if self._pending is None:
            return None
        batch, batch_end = self._pending
        with write_window(self._data, wait_s) as con:
            moved = _mark(con) != self._at
            if not moved:
                taken = store_batch(con, batch)
                _move_mark(con, batch_end)
        self._pending = None
        if moved:
            # Another writer was here, left over from an ingest that was killed. Begin again from
            # where it got to; what it took it took whole.
            self._at = None
            return self.take(end, wait_s)
        self._at = batch_end
        boxes = self._watch.note(batch)
        if self._admission.shared:
            # What this worker did not hear came to another.
            boxes = {pot: box._replace(lost=0, restarts=0) for pot, box in boxes.items()}
        return taken._replace(boxes=boxes)

    def _read(self, begin: Position, end: Position | None) -> tuple[Batch, Position] | None:
        messages: list[RawMessage] = []
        message_ids: list[int] = []
        repeats: set[int] = set()
        damaged: list[Refused] = []
        at, size = begin, 0
        for read in read_from(self._data, begin, end):
            at = read.end
            if isinstance(read, Damage):
                damaged.append(_damage(read))
            else:
                if self._redeliveries.is_repetition(read.message):
                    repeats.add(len(messages))
                messages.append(read.message)
                message_ids.append(read.begin.message_id)
                size += len(read.message.payload)
            if len(messages) + len(damaged) >= self._batch_messages or size >= BATCH_BYTES:
                break
        if at == begin:
            return None
        batch = decode_batch(
            messages, message_ids, self._pots, repeats, self._decoder, self._pots_of_source,
            self._admission, self._republished,
        )  # fmt: skip
        batch.refused.extend(damaged)
        return batch, at


def _damage(read: Damage) -> Refused:
    length = read.end.offset - read.begin.offset
    detail = f"segment {read.begin.segment}, {length} bytes from {read.begin.offset}"
    # When they arrived is part of what is lost; the beginning of time sorts them apart.
    message = RawMessage("journal", "", "", 0, False, read.raw)
    return Refused(message, read.begin.message_id, reasons.JOURNAL_DAMAGED, detail)


def _mark(con: duckdb.DuckDBPyConnection) -> Position:
    # fetchall, not fetchone: a result that is not read to its end bars the connection.
    rows = con.execute(
        'SELECT segment, "offset" FROM mark WHERE journal = ?', [_JOURNAL]
    ).fetchall()
    return Position(*rows[0]) if rows else BEGINNING


def _move_mark(con: duckdb.DuckDBPyConnection, to: Position) -> None:
    # Two plain statements: INSERT ... ON CONFLICT costs several times as much.
    moved = con.execute(
        'UPDATE mark SET segment = ?, "offset" = ? WHERE journal = ?',
        [to.segment, to.offset, _JOURNAL],
    ).fetchall()
    if moved == [(0,)]:
        con.execute("INSERT INTO mark VALUES (?, ?, ?)", [_JOURNAL, to.segment, to.offset])
