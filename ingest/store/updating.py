"""A store being brought up to date: whoever migrates says how far it is, and others can read it.

A large store takes minutes, and is held meanwhile. Who only finds it held would look for a program
to close; so the one that migrates holds a lock on a file beside the store and writes into it how
far it is. Only a courtesy: where the file cannot be made, nobody is told, and all else is the same.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import StoreUpdating
from ingest.store import file_lock

if TYPE_CHECKING:
    import duckdb

_SUFFIX = ".update.lock"


#: The file whose lock this thread holds while it migrates.
_told: ContextVar[Path | None] = ContextVar("_told", default=None)


def far(done: int, of: int) -> None:
    """Say that so many days of pots of so many are done, within :func:`telling`."""
    path = _told.get()
    if path is not None:
        # A full disk stops the migration with a sentence of its own, not this one's.
        with suppress(OSError):
            path.write_text(f" {done} {of}\n", encoding="ascii")


@contextmanager
def telling(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Say, until the end of the block, that a store is being brought up to date.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The store, open for writing.
    """
    row = con.execute(
        "SELECT path FROM duckdb_databases() WHERE database_name = current_database()"
    ).fetchone()
    if row is None or row[0] is None:
        yield
        return
    path = _lock_of(Path(row[0]))
    try:
        lock = file_lock.take(path)
    except (OSError, file_lock.HeldElsewhere):
        # Held for the moment in which another looks; the next store that long is told again.
        yield
        return
    with lock:
        before = _told.set(path)
        try:
            yield
        finally:
            _told.reset(before)


def refusal(store: Path) -> StoreUpdating | None:
    """What to say to whoever found the store held, if it is being brought up to date.

    Parameters
    ----------
    store : Path
        The store file.

    Returns
    -------
    StoreUpdating or None
        To be raised; None where whatever holds the store does something else.
    """
    path = _lock_of(store)
    if not path.exists():
        return None
    try:
        file_lock.take(path).close()
    except file_lock.HeldElsewhere as held:
        far = held.holder.split()
        so_far = f": {far[0]} of {far[1]} days of pots are done" if len(far) == 2 else ""
        return StoreUpdating(
            f"The store is being brought up to date for this version of Gritbook{so_far}.",
            "Wait until that is done; nothing is lost, and readings wait in the journal meanwhile.",
        )
    except OSError:
        return None
    return None


def _lock_of(store: Path) -> Path:
    return store.with_name(f"{store.name}{_SUFFIX}")
