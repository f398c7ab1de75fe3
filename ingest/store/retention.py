"""How long the journal is kept: whole segments that the store has taken, the oldest first.

The journal is what a lost store is made anew from, so by default it is kept for ever. A yard file
may bound it; then what `gritbook repair` needs from before must come from the old store.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import NamedTuple

from ingest.store.journal_frames import Position, journal_folder, segment_numbers, segment_path

#: What was taken last stays: by it messages are known that a broker sends again. [bytes]
ALWAYS_KEPT_BYTES = 64 << 20


class Dropped(NamedTuple):
    """What was dropped: segments, and what they came to. [bytes]"""

    segments: int
    size: int


def journal_bytes(data: Path) -> int:
    """Size of the journal. [bytes]"""
    folder = journal_folder(data)
    return sum(segment_path(folder, n).stat().st_size for n in segment_numbers(folder))


def drop_old(
    data: Path,
    mark: Position,
    now: dt.datetime,
    days: float | None = None,
    most_bytes: float | None = None,
    always_kept_bytes: int = ALWAYS_KEPT_BYTES,
) -> Dropped:
    """Drop segments that are too old or too much.

    Parameters
    ----------
    data : Path
        Data folder.
    mark : Position
        How far the store has taken the journal; nothing from there on is touched.
    now : datetime
        Aware.
    days : float or None
        Segments last written longer ago than this go; ``None``: none goes for its age. [d]
    most_bytes : float or None
        Above this the oldest go; ``None``: none goes for its size. [bytes]
    always_kept_bytes : int
        Of what is taken, so much stays in any case. [bytes]

    Returns
    -------
    Dropped
    """
    folder = journal_folder(data)
    sizes = {n: segment_path(folder, n).stat().st_size for n in segment_numbers(folder)}
    taken = [n for n in sizes if n < mark.segment]
    # The newest taken ones, up to and with the one that fills what always stays.
    kept = 0
    while taken and kept < always_kept_bytes:
        kept += sizes[taken.pop()]
    total = sum(sizes.values())
    dropped = size = 0
    for number in taken:
        path = segment_path(folder, number)
        written_at = dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC)
        too_old = days is not None and now - written_at > dt.timedelta(days=days)
        too_much = most_bytes is not None and total - size > most_bytes
        if not (too_old or too_much):
            break
        path.unlink()
        path.with_suffix(".torn").unlink(missing_ok=True)
        dropped += 1
        size += sizes[number]
    return Dropped(dropped, size)
