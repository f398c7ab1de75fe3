"""What ingest looks after now and then: sizes, room on the disk, and the journal's age.

Once a minute; the sizes go into the health file, what is too large or too full becomes a sentence
there, and the journal's oldest segments are dropped where the yard file says so.
"""

from __future__ import annotations

import datetime as dt
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.store import retention
from ingest.store.connection import store_path
from ingest.store.journal_frames import Position

if TYPE_CHECKING:
    from ingest.config import Keep
    from ingest.health import Health
    from ingest.supervise import Log

EVERY_S = 60.0
#: Less room than this is told of while there is still time to make some. [bytes]
LITTLE_ROOM_BYTES = 2 << 30


class Housekeeper:
    """Looks after a data folder.

    Parameters
    ----------
    data : Path
        Data folder.
    keep : Keep
        The yard file's table.
    log : Log
    clock : callable
        Monotonic seconds. [s]
    """

    def __init__(
        self, data: Path, keep: Keep, log: Log, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._data, self._keep, self._log, self._clock = data, keep, log, clock
        self._next_s = clock()

    def turn(self, mark: Position, health: Health) -> None:
        """Do what is due; most turns nothing is.

        Parameters
        ----------
        mark : Position
            How far the store has taken the journal.
        health : Health
            Is told sizes and troubles.
        """
        if self._clock() < self._next_s:
            return
        self._next_s = self._clock() + EVERY_S
        keep = self._keep
        try:
            dropped = retention.drop_old(
                self._data,
                mark,
                dt.datetime.now(dt.UTC),
                keep.journal_days,
                keep.journal_gb * 1e9 if keep.journal_gb is not None else None,
            )
            sizes = sizes_of(self._data)
        except OSError as error:
            health.trouble("disk", f"The data folder cannot be looked after: {error.strerror}.")
            return
        if dropped.segments:
            self._log.info("journal dropped", segments=dropped.segments, bytes=dropped.size)
        health.sizes = sizes
        sentences = warnings_of(sizes, keep)
        if sentences:
            health.trouble("disk", " ".join(sentences))
        else:
            health.well("disk")


def sizes_of(data: Path) -> dict[str, int]:
    """Sizes of journal and store, and the room that is left. [bytes]"""
    store = store_path(data)
    return {
        "journal_bytes": retention.journal_bytes(data),
        "store_bytes": store.stat().st_size if store.exists() else 0,
        "free_bytes": shutil.disk_usage(data).free,
    }


def warnings_of(sizes: dict[str, int], keep: Keep) -> list[str]:
    """What of the sizes is worth a word, a sentence each.

    Parameters
    ----------
    sizes : dict
        As of :func:`sizes_of`. [bytes]
    keep : Keep
        The yard file's table.
    """
    found = []
    for name, most_gb, step in (
        ("journal", keep.warn_journal_gb, "Bound it with keep.journal_days or keep.journal_gb"),
        ("store", keep.warn_store_gb, "Move it to a larger disk in good time"),
    ):
        size_gb = sizes[f"{name}_bytes"] / 1e9
        if size_gb > most_gb:
            found.append(
                f"The {name} is {size_gb:,.1f} GB, above keep.warn_{name}_gb = {most_gb:g}. "
                f"{step}, or raise that limit."
            )
    if sizes["free_bytes"] < LITTLE_ROOM_BYTES:
        found.append(f"Only {sizes['free_bytes'] / 1e9:.1f} GB are free. Make room.")
    return found
