"""An operating-system lock on a file: it goes with the process, however that ends."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import IO


class HeldElsewhere(Exception):
    """Another process holds the lock; ``holder`` is its process number as text, if it is known."""

    def __init__(self, holder: str) -> None:
        super().__init__(holder)
        self.holder = holder


def take(path: Path) -> IO[bytes]:
    """Take a lock; closing what is returned gives it back.

    Parameters
    ----------
    path : Path
        Lock file; made where it does not exist, and never removed.

    Raises
    ------
    HeldElsewhere
        Another process, or this one, holds it.
    OSError
        The file cannot be made.
    """
    file = path.open("a+b")
    try:
        _lock(file)
    except OSError as error:
        file.seek(1)
        holder = file.read(20).decode(errors="replace").strip() or "unknown"
        file.close()
        raise HeldElsewhere(holder) from error
    # The first byte is what is locked where locks are of bytes; so the number begins at the second.
    file.truncate(0)
    file.write(f" {os.getpid()}\n".encode())
    file.flush()
    return file


if sys.platform == "win32":
    import msvcrt

    def _lock(file: IO[bytes]) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(file: IO[bytes]) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
