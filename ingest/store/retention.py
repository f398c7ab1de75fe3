"""How long the journal is kept: whole segments that the store has taken, the oldest first.

The journal is what a lost store is made anew from, so by default it is kept for ever. A yard file
may bound it; then what `gritbook repair` needs from before must come from the old store.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import NamedTuple

from ingest.store.connection import DEFAULT_WAIT_S, read_window
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


def drop_archived(
    data: Path,
    always_kept_bytes: int = ALWAYS_KEPT_BYTES,
    wait_s: float = DEFAULT_WAIT_S,
) -> Dropped:
    """Drop the oldest segments of which the store holds nothing any more: all of it is archived.

    A segment of which a reading is hot, or a message in quarantine, stays, and all after it.

    Parameters
    ----------
    data : Path
        Data folder.
    always_kept_bytes : int
        Of what is taken, so much stays in any case. [bytes]
    wait_s : float
        How long to wait for the store. [s]

    Returns
    -------
    Dropped
    """
    with read_window(data, wait_s) as con:
        marks = con.execute("SELECT segment FROM mark WHERE journal = 'journal'").fetchall()
        hot = con.execute(
            " UNION ".join(
                f"SELECT DISTINCT message_id >> 32 FROM {table} WHERE message_id >= 0"
                for table in ("message", "reading", "quarantine")
            )
        ).fetchall()
    if not marks:
        return Dropped(0, 0)
    first_hot = min((segment for (segment,) in hot), default=marks[0][0])
    folder = journal_folder(data)
    sizes = {n: segment_path(folder, n).stat().st_size for n in segment_numbers(folder)}
    taken = [n for n in sizes if n < marks[0][0]]
    kept = 0
    while taken and kept < always_kept_bytes:
        kept += sizes[taken.pop()]
    dropped = size = 0
    for number in taken:
        if number >= first_hot:
            break
        segment_path(folder, number).unlink()
        segment_path(folder, number).with_suffix(".torn").unlink(missing_ok=True)
        dropped, size = dropped + 1, size + sizes[number]
    return Dropped(dropped, size)
