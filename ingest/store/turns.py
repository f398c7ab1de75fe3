"""Turns at the store: who comes to write lets those go first who wait already.

DuckDB's lock knows no queue. A writer that comes back a few milliseconds after it closed the file
(ingest that catches up, a busy computer) finds it free nearly always, and whoever looks now and
then nearly never: a page would wait for seconds, again and again, and so would derived hours, which
are another writer's. So whoever found the file held says that it waits, by a lock on a file beside
the store, and a writer looks there before it opens the store. Its patience has an end, so those who
wait cannot keep it out either.

Only a courtesy: what keeps the two apart is DuckDB's own lock. Where the file cannot be made, and
on Windows, which has no such locks to share, nobody takes turns, and all else is as it was.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import IO

#: Longest that a writer lets others go first. [s]
PATIENCE_S = 0.3
#: How often it looks whether they still wait. [s]
_LOOK_S = 0.004


class Turn:
    """One's turn at a store, given back at the end of the block.

    Parameters
    ----------
    store : Path
        The store file.
    """

    def __init__(self, store: Path) -> None:
        self._path = store.with_name(f"{store.name}.turn.lock")
        self._held: IO[bytes] | None = None

    def __enter__(self) -> Turn:
        return self

    def __exit__(self, *_: object) -> None:
        if self._held is not None:
            self._held.close()

    def wait(self) -> bool:
        """Say that one waits, until the end of the block; whether that is heard."""
        if self._held is None:
            try:
                # It is there to be locked; where another user made it, opening to read will do.
                file = self._path.open("rb" if self._path.exists() else "ab")
            except OSError:
                # A folder that may only be read: nothing is lost but the turn.
                return False
            if not _share(file):
                # A writer looks this very moment, or there are no such locks here.
                file.close()
                return False
            self._held = file
        return True

    def let_others_first(self) -> None:
        """Wait while somebody waits, but not for long."""
        give_up_at = time.monotonic() + PATIENCE_S
        try:
            file = self._path.open("rb")
        except OSError:
            return
        with file:
            while not _alone(file) and time.monotonic() < give_up_at:
                time.sleep(_LOOK_S)


if sys.platform == "win32":

    def _share(file: IO[bytes]) -> bool:
        return False

    def _alone(file: IO[bytes]) -> bool:
        return True

else:
    import fcntl

    def _share(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return False
        return True

    def _alone(file: IO[bytes]) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:
            # No locks on this file system: nobody can be seen to wait.
            return True
        return True
