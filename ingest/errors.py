"""The error tree.

::

    GritbookError
    ├── Transient            may pass by itself: retried with a growing wait
    │   ├── StoreBusy        another process holds the store file
    │   │   └── StoreUpdating  it is being brought up to date for this version
    │   ├── SourceLost       a broker or a serial line went away
    │   ├── ArchiveAway      the archive's disk or object store does not answer
    │   └── DiskFull         the disk has no room; ingest stops taking until it has
    └── Terminal             needs a person: one sentence and the next step
        ├── YardFileError    the yard file says something that cannot be
        ├── StoreError       the store cannot be used (newer schema, damaged, not ours)
        ├── JournalError     the journal cannot be used (held by another ingest, not writable)
        ├── RecordRefused    what a person entered is not acceptable
        │   └── SheetSigned  it belongs to a shift whose sheet is signed, and gives no reason
        ├── ImportRefused    a card file is not in a form that can be taken
        ├── AccessError      what says who may come in cannot be used, or cannot say that
        └── NotAllowed       the role of whoever asks does not cover it
            └── NotSignedIn  nobody is signed in, or the session is over

Bad *data* is never an exception: it becomes a :class:`ingest.readings.Reject` and is quarantined.
"""

from __future__ import annotations


class GritbookError(Exception):
    """Base of all errors that Gritbook raises on purpose.

    Parameters
    ----------
    what : str
        One sentence: what went wrong, and where.
    next_step : str, optional
        What the person can do about it.
    """

    def __init__(self, what: str, next_step: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.next_step = next_step

    def __str__(self) -> str:
        return f"{self.what} {self.next_step}".strip()


class Transient(GritbookError):
    """May pass by itself; the supervisor retries."""


class StoreBusy(Transient):
    """Another process held the store file for longer than the wait allowed."""


class StoreUpdating(StoreBusy):
    """Another process is bringing the store up to date for this version; it says how far it is."""


class SourceLost(Transient):
    """A broker or serial line went away."""


class ArchiveAway(Transient):
    """The place where archived days lie does not answer."""


class DiskFull(Transient):
    """There is no room to keep another message."""


class Terminal(GritbookError):
    """Needs a person."""


class YardFileError(Terminal):
    """The yard file says something that cannot be."""


class StoreError(Terminal):
    """The store file cannot be used."""


class JournalError(Terminal):
    """The journal cannot be used."""


class RecordRefused(Terminal):
    """What a person entered is not acceptable."""


class SheetSigned(RecordRefused):
    """What a person entered belongs to a signed shift, and gives no reason for coming late."""


class ImportRefused(Terminal):
    """A card file is not in a form that can be taken."""


class AccessError(Terminal):
    """What says who may come in cannot be used, or cannot be what was asked."""


class NotAllowed(Terminal):
    """The role of whoever asks does not cover what was asked."""


class NotSignedIn(NotAllowed):
    """Nobody is signed in, or the session is over."""
