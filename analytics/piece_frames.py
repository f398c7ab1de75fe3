"""Where a pot's samples lie, for cutting its time into pieces; a part of ``frames``.

As there: an open read window in, instants UTC without a zone out.
"""

from __future__ import annotations

import datetime as dt
import itertools
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl

from analytics import frames
from analytics.hours import microseconds
from analytics.room import Room
from analytics.sample_columns import Columns
from ingest.store.archive_reading import ArchiveFile, archived, rows_with
from ingest.store.engine import limit_memory
from ingest.store.sample_rows import (
    COUNTED,
    KEPT,
    VALUES,
    counts_sql,
    heard_in,
    step_of,
    steps_sql,
    value_sql,
)

if TYPE_CHECKING:
    import duckdb

#: How far is looked for the next sample, before looking further: with many years of samples behind
#: it a search without an end would go through all of them, for each piece.
_LOOKS = (dt.timedelta(days=1), dt.timedelta(days=30))

_DAY = dt.timedelta(days=1)
#: Samples a day from which on not all are looked at to find the days that have any, and how many.
_MANY_A_DAY, _LOOKED_AT_PERCENT = 50_000, 5
_MICROSECOND = dt.timedelta(microseconds=1)
_EPOCH = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store

#: What the store's blocks may take while pieces are read, and what more for each thread. [MB]
_LEAN_MB, _LEAN_THREAD_MB = 64, 32

#: Columns of ``sample`` that a pot may lack.
_MAY_LACK = (*COUNTED, "quality")

#: Samples that come over at a time: so many lie in a processor's own memory.
_BATCH = 60_000

#: An instant, and how the dead-man stands.
NextDeadman = tuple[int, bool]

_WITHIN = "WHERE pot_id = $pot AND sampled_at BETWEEN $from_at AND $to_at"


def next_sample(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime,
    to_at: dt.datetime | None = None,
) -> dt.datetime | None:
    """The first sample from ``from_at`` on, before ``to_at``; ``None`` where there is none.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime
        Naive UTC; ``to_at`` ``None``: without an end.
    """
    found = _next(con, pot_id, from_at, to_at, "sampled_at", "")
    return None if found.is_empty() else found["sampled_at"][0]


def next_deadman(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime,
    where: Stored | None = None,
) -> NextDeadman | None:
    """Instant [us since 1970 UTC] of the first sample from ``from_at`` on that says how the
    dead-man stands, and how; ``None`` where there is none. Parameters as for :func:`next_sample`
    and :func:`columns_heard`."""
    having = " AND deadman IS NOT NULL"
    found = _next(con, pot_id, from_at, None, "sampled_at, deadman", having, where)
    if found.is_empty():
        return None
    at, deadman = found.row(0)
    return microseconds(at), deadman


def _next(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime,
    to_at: dt.datetime | None,
    what: str,
    having: str,
    where: Stored | None = None,
) -> pl.DataFrame:
    """The first row of what is looked for, in stretches ever longer."""
    last = to_at or frames.LATEST
    begin = from_at
    for look in (*_LOOKS, None):
        end = last if look is None else min(_later(from_at, look), last)
        told = where or stored_of(con, pot_id, begin, end)
        stored = told.samples(con, begin, end)
        found = frames.read_frame(
            con,
            f"SELECT {what} FROM {stored} "
            f"WHERE pot_id = $pot AND sampled_at >= $begin AND sampled_at < $end{having} "
            "ORDER BY sampled_at LIMIT 1",
            pot=pot_id,
            begin=begin,
            end=end,
        )
        if not found.is_empty() or end >= last:
            break
        begin = end
    return found


def _later(instant: dt.datetime, by: dt.timedelta) -> dt.datetime:
    return frames.LATEST if instant > frames.LATEST - by else instant + by


def begins_of_pieces(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    length: dt.timedelta,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> list[dt.datetime]:
    """Begins of the stretches of a length, counted from midnight UTC, that hold a sample."""
    if length == _DAY and not frames.corrections_in_force(con, pot_id):
        return _days_heard(con, pot_id, from_at, to_at)
    begins: list[dt.datetime] = []
    if from_at is None:
        # Without a begin there is no end to look up to either: the first one by itself.
        found = frames.read_frame(
            con,
            f"SELECT min(sampled_at) AS first_at FROM {frames._samples_of(con, pot_id)} "
            "WHERE pot_id = $pot",
            pot=pot_id,
        )
        at: dt.datetime | None = found["first_at"][0]
    else:
        at = next_sample(con, pot_id, from_at, to_at)
    while at is not None and (to_at is None or at < to_at):
        midnight = at.replace(hour=0, minute=0, second=0, microsecond=0)
        begins.append(midnight + (at - midnight) // length * length)
        at = next_sample(con, pot_id, begins[-1] + length, to_at)
    return begins


def _days_heard(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None,
    to_at: dt.datetime | None,
) -> list[dt.datetime]:
    """Midnights UTC of the days with a sample of a pot whose clock needs no correction.

    All at once: a search for each day takes longer the more samples there are, so that a year of
    some pots took minutes before the first piece was read.
    """
    begin, end = from_at or frames.EARLIEST, to_at or frames.LATEST
    days = _days_hot(con, pot_id, begin, end)
    # The archive's list knows its days; only of one that is cut must the file be looked into.
    for file in archived(con, "sample", {pot_id}, from_at, to_at):
        whole = file.first_at >= begin and file.last_at < end
        first = max(file.first_at, begin)
        if whole or next_sample(con, pot_id, first, min(file.last_at + _MICROSECOND, end)):
            days.add(dt.datetime.combine(file.first_at, dt.time()))
    return sorted(days)


def _days_hot(
    con: duckdb.DuckDBPyConnection, pot_id: int, begin: dt.datetime, end: dt.datetime
) -> set[dt.datetime]:
    """Midnights UTC of the days with a hot sample of a pot, half-open.

    To look at each of many samples costs more than all else before the first piece is read. Some
    of them tell of nearly all days where days have many; what lies between those days is looked
    for then.
    """
    within = "WHERE pot_id = $pot AND sampled_at >= $begin AND sampled_at < $end"
    day_number = "sampled_at::DATE - DATE '1970-01-01'"

    def ask(query: str, from_at: dt.datetime, to_at: dt.datetime) -> list[tuple[Any, ...]]:
        bounds = {"pot": pot_id, "begin": from_at, "end": to_at}
        return con.execute(f"{query} {within}", bounds).fetchall()

    ends = f"SELECT min(sampled_at), max(sampled_at), count(*) FROM {KEPT}"
    ((first, last, count),) = ask(ends, begin, end)
    if not count:
        return set()
    many = count > _MANY_A_DAY * ((last - first).days + 1)
    some = f"TABLESAMPLE SYSTEM ({_LOOKED_AT_PERCENT}%)" if many else ""
    found = ask(f"SELECT DISTINCT {day_number} FROM {KEPT} {some}", begin, end)
    days = {_EPOCH + number * _DAY for (number,) in found}
    if many:
        days |= {dt.datetime.combine(at, dt.time()) for at in (first, last)}
        known = sorted(days)
        for day, following in itertools.pairwise(known):
            at: dt.datetime | None = day
            while at is not None and (after := at + _DAY) < following:
                ((next_at, *_),) = ask(ends, after, following)
                at = None if next_at is None else dt.datetime.combine(next_at, dt.time())
                days |= set() if at is None else {at}
    return days


def read_leanly(con: duckdb.DuckDBPyConnection) -> None:
    """Let what was read of the store go early, for a piece is read once.

    DuckDB keeps what it has read until four fifths of the computer's memory are full, as long as
    any window is open. What goes out as frames does not count there. A pot whose clock is corrected
    is better left alone: its messages are joined, and a join needs as much as it needs.
    """
    limit_memory(con, _LEAN_MB, _LEAN_THREAD_MB)


class Stored(NamedTuple):
    """Where a pot's samples lie, as long as a window is open: asked once, not for each piece.

    Parameters
    ----------
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime
        The stretch that it tells of, both ends included, naive UTC.
    corrected : bool
        The pot's clock is corrected.
    files : tuple of ArchiveFile
        Archived days of the stretch.
    """

    pot_id: int
    from_at: dt.datetime
    to_at: dt.datetime
    corrected: bool
    files: tuple[ArchiveFile, ...]

    def samples(
        self,
        con: duckdb.DuckDBPyConnection,
        from_at: dt.datetime | None,
        to_at: dt.datetime | None,
    ) -> str:
        """What to select samples from; rows outside of ``from_at`` to ``to_at`` may be left out."""
        begin, end = from_at or frames.EARLIEST, to_at or frames.LATEST
        if self.corrected or begin < self.from_at or end > self.to_at:
            return frames._samples_of(con, self.pot_id, from_at, to_at)
        files = [file for file in self.files if file.last_at >= begin and file.first_at <= end]
        return rows_with(con, "sample", files, messages=False)


def stored_of(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None,
    to_at: dt.datetime | None,
    around: dt.timedelta = dt.timedelta(0),
) -> Stored:
    """Where a pot's samples of a stretch lie, and of so much around it; parameters as for
    :func:`samples_heard`."""
    if from_at is not None:
        from_at = max(from_at, frames.EARLIEST + around) - around
    if to_at is not None:
        to_at = _later(to_at, around)
    return Stored(
        pot_id,
        from_at or frames.EARLIEST,
        to_at or frames.LATEST,
        bool(frames.corrections_in_force(con, pot_id)),
        tuple(archived(con, "sample", {pot_id}, from_at, to_at)),
    )


class Heard(NamedTuple):
    """Columns with a value in a stretch, both ends included: others need not be looked for in each
    part of it. What comes in later is not told of, and is derived anew anyhow."""

    from_at: dt.datetime
    to_at: dt.datetime
    names: tuple[str, ...]

    def tells_of(self, from_at: dt.datetime | None, to_at: dt.datetime | None) -> bool:
        """Whether it does so of all of a stretch."""
        begin, end = from_at or frames.EARLIEST, to_at or frames.LATEST
        return self.from_at <= begin and end <= self.to_at


def heard_of(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None,
    to_at: dt.datetime | None,
    where: Stored,
) -> Heard:
    """Columns that a pot has in a stretch; parameters as for :func:`samples_heard`."""
    begin, end = from_at or frames.EARLIEST, to_at or frames.LATEST
    bounds: dict[str, object] = {"pot": pot_id, "from_at": begin, "to_at": end}
    stored = where.samples(con, from_at, to_at)
    among, counted = stored, {name: name for name in COUNTED}
    if stored == VALUES:
        among, counted = KEPT, {name: heard_in(name) for name in COUNTED}
    asked = ", ".join(f"count({name})" for name in counted.values())
    (counts,) = con.execute(
        f"SELECT {asked}, count(nullif(quality, 0)) FROM {among} {_WITHIN}", bounds
    ).fetchall()
    named = zip(_MAY_LACK, counts, strict=True)
    return Heard(begin, end, tuple(name for name, count in named if count))


def samples_heard(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> pl.DataFrame:
    """As :func:`analytics.frames.samples`, without the columns that say nothing there.

    Most pots lack most columns; to bring empty ones over takes as long as full ones.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime or None
        Both ends included, naive UTC; ``None``: from the first, to the last.

    Returns
    -------
    polars.DataFrame
        ``sampled_at``, ``deadman``, and of the other columns those with a value; ``quality`` where
        ingest found anything.
    """
    return columns_heard(con, pot_id, from_at, to_at).frame()


def columns_heard(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None,
    to_at: dt.datetime | None,
    where: Stored | None = None,
    heard: Heard | None = None,
    room: Room | None = None,
    place: str = "",
) -> Columns:
    """As :func:`samples_heard`, before it is a frame.

    Parameters
    ----------
    con, pot_id, from_at, to_at
        As there.
    where : Stored, optional
        Where the pot's samples lie, where that was asked in this window.
    heard : Heard, optional
        From :func:`heard_of`: no other columns are looked at.
    room, place
        Where they may lie (:class:`analytics.sample_columns.Columns`).
    """
    bounds: dict[str, object] = {
        "pot": pot_id,
        "from_at": from_at or frames.EARLIEST,
        "to_at": to_at or frames.LATEST,
    }
    where = where or stored_of(con, pot_id, from_at, to_at)
    stored = where.samples(con, from_at, to_at)
    kept = stored == VALUES
    names = _MAY_LACK if heard is None or not heard.tells_of(from_at, to_at) else heard.names
    rows, steps = _steps_heard(con, stored, bounds, names)
    wanted = ["sampled_at", "deadman"]
    for name, step in steps.items():
        if step is not None:
            wanted.append(f"{counts_sql(name, step)} AS {name}")
        elif kept and name != "quality":
            wanted.append(f"{value_sql(name)} AS {name}")
        else:
            wanted.append(name)
    query = f"SELECT {', '.join(wanted)} FROM {KEPT if kept else stored} {_WITHIN}"
    return Columns(
        con.sql(query, params=bounds).to_arrow_reader(_BATCH),
        rows,
        {name: step for name, step in steps.items() if step is not None and step > 0},
        room,
        place,
    )


def _steps_heard(
    con: duckdb.DuckDBPyConnection,
    stored: str,
    bounds: dict[str, object],
    names: tuple[str, ...],
) -> tuple[int, dict[str, float | None]]:
    """How many samples there are, those of some columns with a value among them, ``quality`` where
    ingest found anything; and the step of each whose hot samples are counts of one step
    throughout, as nearly all are.

    Counts come over in half the time that values take to be made one by one.
    """
    if stored == VALUES:
        # Values need not be made only to be counted.
        asked = [steps_sql(name) for name in names if name in COUNTED]
        among = KEPT
    else:
        asked = [f"count({name}), 0, NULL, NULL" for name in names if name in COUNTED]
        among = stored
    if "quality" in names:
        asked.append("count(nullif(quality, 0)), 0, NULL, NULL")
    (found,) = con.execute(
        f"SELECT {', '.join(['count(*)', *asked])} FROM {among} {_WITHIN}", bounds
    ).fetchall()
    of_each = [found[at : at + 4] for at in range(1, len(found), 4)]
    told = zip(names, of_each, strict=True)
    return found[0], {name: step_of(*of_it) for name, of_it in told if of_it[0]}


def grown_extent(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    known: tuple[dt.datetime | None, dt.datetime | None],
    changed: list[tuple[dt.datetime, dt.datetime]],
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """First and last instant of a pot with a dead-man sample, where only some time has changed.

    Years of samples need not be looked through for each minute more. Days that somebody has deleted
    from the archive stay counted until all is made anew: they were heard.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window.
    pot_id : int
        The pot's number in the store.
    known : tuple of datetime or None
        First and last as they were.
    changed : list of (datetime, datetime)
        What changed since, both ends included.
    """
    every = [at for at in known if at is not None]
    for from_at, to_at in changed:
        stored = frames._samples_of(con, pot_id, from_at, to_at)
        found = frames.read_frame(
            con,
            f"SELECT min(sampled_at) AS first_at, max(sampled_at) AS last_at FROM {stored} "
            "WHERE pot_id = $pot AND deadman IS NOT NULL AND sampled_at BETWEEN $begin AND $end",
            pot=pot_id,
            begin=from_at,
            end=to_at,
        )
        every += [at for at in found.row(0) if at is not None]
    return min(every, default=None), max(every, default=None)


def pieces_done(
    con: duckdb.DuckDBPyConnection, pot_id: int, settings: str
) -> tuple[set[tuple[dt.datetime | None, dt.datetime | None]], int | None]:
    """Pieces of a pot that an unfinished rebuild with these settings has got done, and what it had
    taken in (``touched_id``) when it began; ``None`` where there was no rebuild."""
    done = frames.read_frame(
        con,
        "SELECT from_at, to_at, taken FROM piece_done WHERE pot_id = $pot AND settings = $settings",
        pot=pot_id,
        settings=settings,
    )
    taken = done["taken"].min()
    return set(done.select("from_at", "to_at").rows()), taken if isinstance(taken, int) else None
