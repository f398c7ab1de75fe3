"""The only composer, and the only place in analytics that writes: samples to derived tables.

Deriving is incremental. What came in since the last time is in the table ``touched``; for each
pot it is widened to instants from which nothing earlier matters
(:func:`analytics.cycles.memoryless_from`), found anew between them, and put in the place of what
was derived there before. A full rebuild goes through the same steps over everything, in pieces of
about a day, and gives the same tables.

Reading, computing and writing are apart: the store is held only while a piece is read and while
results are written.
"""

from __future__ import annotations

import datetime as dt
import itertools
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl

from analytics import frames, piece_frames
from analytics.cycles import CycleSettings, memoryless_from
from analytics.hours import instant_of, naive_utc
from analytics.pieces import (
    PIECE,
    Beside,
    FoundPiece,
    Piece,
    PieceSettings,
    found_from_store,
    pieces_between,
)
from analytics.quality import whole_blocks
from analytics.room import give_back
from analytics.signals import TransducerLaw
from analytics.summaries import summarise
from analytics.upkeep import UpkeepRule
from analytics.watch import WatchLimits
from analytics.writing import insert, write_found
from ingest.config import Yard, settings_fingerprint
from ingest.errors import StoreError
from ingest.store.connection import read_window, write_window

if TYPE_CHECKING:
    import duckdb

#: Raised when the derivation itself changes, so that every store is derived anew.
DERIVE_VERSION = 3

#: Pieces that are found before they are written: what is found waits in memory meanwhile.
_ROUND = 36

#: Pieces that a worker is given at a time.
_TASK = 6

#: Workers that find pieces side by side: reading and reckoning run without Python's lock.
_WORKERS = 2

#: How far to look for an instant from which nothing earlier matters, before looking further.
_LOOKS = (dt.timedelta(hours=2), dt.timedelta(hours=12), dt.timedelta(days=3))

_MICROSECOND = dt.timedelta(microseconds=1)


@dataclass(frozen=True)
class Derived:
    """What deriving did.

    Parameters
    ----------
    pots : tuple of str
        Pots whose cycles were found anew, in part or whole.
    full : tuple of str
        Those of them that were derived from the first sample on.
    cycles : int
        Cycles written.
    seconds : float
        Wall time it took. [s]
    """

    pots: tuple[str, ...]
    full: tuple[str, ...]
    cycles: int
    seconds: float


def watch_limits(yard: Yard, pot: str) -> WatchLimits:
    """What a pot is watched for, from the yard file."""
    described = yard.pot(pot)
    assert described is not None
    return WatchLimits(described.plate_pa, yard.gap_s(pot), yard.derive.align_s)


def cycle_settings(yard: Yard, pot: str) -> CycleSettings:
    """The cycle settings of a pot, from the yard file."""
    d = yard.derive
    boxes = yard.boxes_of(pot)
    return CycleSettings(
        gap_s=yard.gap_s(pot),
        release_debounce_s=d.release_debounce_s,
        press_debounce_s=d.press_debounce_s,
        pressurised_on=d.pressurised_on,
        pressurised_off=d.pressurised_off,
        pressurised_pa=d.pressurised_pa,
        unpressurised_pa=d.unpressurised_pa,
        align_s=d.align_s,
        quiet_s=d.quiet_s,
        has_pot=not boxes or any("pot" in box.channels for box in boxes),
    )


def transducer_laws(yard: Yard, pot: str) -> list[TransducerLaw]:
    """What the yard file says of a pot's pressure transducers."""
    return [
        TransducerLaw(
            channel=t.channel,
            low_pa=t.range_pa[0],
            high_pa=t.range_pa[1],
            calibrations=tuple((naive_utc(c.from_at), c.offset_pa, c.gain) for c in t.calibrations),
        )
        for t in yard.transducers
        if t.pot == pot
    ]


def piece_settings(yard: Yard, pot: str) -> PieceSettings:
    """What a pot's samples are taken by, from the yard file."""
    return PieceSettings(
        cycle_settings(yard, pot), tuple(transducer_laws(yard, pot)), watch_limits(yard, pot)
    )


def upkeep_rules(yard: Yard) -> list[UpkeepRule]:
    """The checks in force, from the yard file and the defaults."""
    return [
        UpkeepRule(
            part=rule.part,
            what=rule.what,
            every_blast_h=rule.every_blast_h,
            every_cycles=rule.every_cycles,
            every_days=rule.every_days,
            name=rule.name,
            pots=rule.pots,
            positions=rule.positions,
            task=rule.task,
            indicator=rule.indicator,
            level=rule.level,
            way=rule.way or "up",
            loosened_by=rule.loosened_by,
            due_soon=rule.due_soon,
            source=rule.source,
            loosened=rule.loosened,
            reason=rule.reason,
            by=rule.by,
        )
        for rule in yard.effective_rules()
    ]


def utc_now() -> dt.datetime:
    """This computer's clock, as the store keeps instants."""
    return naive_utc(dt.datetime.now(dt.UTC))


def derive(
    data: Path,
    yard: Yard,
    *,
    full: bool = False,
    now: dt.datetime | None = None,
    progress: Callable[[str], None] | None = None,
    executor: Executor | None = None,
    beside: Beside | None = None,
) -> Derived:
    """Bring the derived tables up to date.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    full : bool
        From the first sample on, whatever is there.
    now : datetime, optional
        Naive UTC; up to when shifts and parts are reckoned. This computer's clock by default.
    progress : callable, optional
        Told in words what is being done.
    executor : concurrent.futures.Executor, optional
        Finds the pieces: threads, processes, or other computers that have the data folder. Two
        threads by default.
    beside : Beside, optional
        What else is found of the pieces on the way; where an ``executor`` finds them, nothing is.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    begun = time.monotonic()
    tell = progress or (lambda _: None)
    beside = beside if executor is None else None
    try:
        seen = _look(data, yard, full, tell, beside)
    except StoreError:
        # There is no store, or one of an older version: who writes makes it, or brings it up to
        # date. To open it for that each time would take as long as to read a day.
        with write_window(data):
            pass
        seen = _look(data, yard, full, tell, beside)
    pots, prints, settings, touched, heard, shifts, rebuilds, newest = seen
    whole = [piece for rebuild in rebuilds.values() for piece in rebuild.pieces]
    pieces: list[Piece] = []
    extents: dict[int, tuple[dt.datetime | None, dt.datetime | None]] = {}
    for pot, pot_id in pots.items():
        # What came in after a rebuild had begun may lie in pieces that it has done already.
        since = rebuilds[pot_id].taken if pot_id in rebuilds else -1
        ranges = [
            # What came in is known by the time it was sent with, and may be moved from there.
            (from_at - shifts[pot], to_at + shifts[pot])
            for from_at, to_at in _merged(
                (one.from_at, one.to_at)
                for one in touched
                if one.pot_id == pot_id and one.touched_id > since
            )
        ]
        extents[pot_id] = rebuilds[pot_id].extent if pot_id in rebuilds else heard[pot_id]
        if not ranges:
            continue
        if pot_id not in rebuilds:
            with read_window(data) as con:
                extents[pot_id] = piece_frames.grown_extent(con, pot_id, heard[pot_id], ranges)
        changed = [
            _widened(data, pot_id, from_at, to_at, settings[pot_id].cycles, extents[pot_id])
            for from_at, to_at in ranges
        ]
        for begin, end in _united(changed):
            tell(f"{pot}: from {begin or 'the first sample'}")
            with read_window(data) as con:
                pieces += pieces_between(con, pot_id, begin, end)
    changed_from = dict.fromkeys(rebuilds, frames.EARLIEST)
    cycles, last_round = 0, list[FoundPiece]()
    # In rounds apart, for what came in during a rebuild lies in pieces of it.
    for found in itertools.chain(
        _found_in_rounds(data, whole, settings, executor, beside),
        _found_in_rounds(data, pieces, settings, executor, beside),
    ):
        # The last round is written with what follows from all: mostly it is the only one.
        if last_round:
            with write_window(data) as con:
                cycles += _write_round(con, last_round, beside)
                _note_done(con, last_round, rebuilds)
        last_round = found
        for each in found:
            first_at, last_at = extents[each.piece.pot_id]
            first, last = (None if us is None else instant_of(us) for us in each.heard_us)
            extents[each.piece.pot_id] = (
                min((at for at in (first_at, first) if at is not None), default=None),
                max((at for at in (last_at, last) if at is not None), default=None),
            )
            begin = frames.EARLIEST if each.begin_us is None else instant_of(each.begin_us)
            pot_id = each.piece.pot_id
            changed_from[pot_id] = min(begin, changed_from.get(pot_id, frames.LATEST))
    known = list(pots.values())
    with write_window(data) as con:
        cycles += _write_round(con, last_round, beside)
        if newest and known:
            con.execute(
                "DELETE FROM touched WHERE touched_id <= $taken AND list_contains($known, pot_id)",
                {"taken": newest, "known": known},
            )
        con.execute("DELETE FROM piece_done WHERE list_contains($known, pot_id)", {"known": known})
        for pot, pot_id in pots.items():
            _note_state(con, pot_id, prints[pot], extents[pot_id])
        summarise(con, yard, pots, f"{DERIVE_VERSION}", changed_from, now or utc_now())
        if beside is not None:
            beside.end(con)
    derived = {piece.pot_id for piece in (*whole, *pieces)}
    return Derived(
        pots=tuple(p for p, i in pots.items() if i in derived),
        full=tuple(p for p, i in pots.items() if i in rebuilds),
        cycles=cycles,
        seconds=time.monotonic() - begun,
    )


@dataclass(frozen=True)
class _Rebuild:
    """A pot that is derived from the first sample on: with which settings, what is left to do, what
    had come in (``touched_id``) when it was begun, and from when to when the pot was heard."""

    settings: str
    pieces: list[Piece]
    taken: int
    extent: tuple[dt.datetime | None, dt.datetime | None]


class _Seen(NamedTuple):
    """What is in the store before anything is derived; by pot or its number."""

    pots: dict[str, int]
    prints: dict[str, str]
    settings: dict[int, PieceSettings]
    touched: list[frames.Touched]
    heard: dict[int, tuple[dt.datetime | None, dt.datetime | None]]
    shifts: dict[str, dt.timedelta]
    rebuilds: dict[int, _Rebuild]
    newest: int


def _look(
    data: Path, yard: Yard, full: bool, tell: Callable[[str], None], beside: Beside | None
) -> _Seen:
    """Look what is there, and what has to be made anew, in one window where that can be."""
    rebuilds: dict[int, _Rebuild] = {}
    with read_window(data) as con:
        every = frames.pots(con)
        pots = {pot: i for pot, i in every.items() if yard.pot(pot) is not None}
        touched = frames.touched(con)
        newest = max((one.touched_id for one in touched), default=0)
        states = frames.derive_states(con)
        corrected = frames.corrected_clocks(con)
        clocks, shifts = dict[str, str](), dict[str, dt.timedelta]()
        for pot, i in pots.items():
            clocks[pot], shifts[pot] = corrected.get(i, ("", dt.timedelta(0)))
        prints = {
            pot: f"{DERIVE_VERSION}:{cycle_settings(yard, pot).has_pot}:"
            f"{settings_fingerprint(yard, pot)}:plate {watch_limits(yard, pot).plate_pa:.0f}"
            + (f":clock {clocks[pot]}" if clocks[pot] else "")
            for pot in pots
        }
        seen = _Seen(
            pots, prints, {i: piece_settings(yard, pot) for pot, i in pots.items()}, touched,
            frames.heard_extents(con),
            shifts, rebuilds, newest,
        )  # fmt: skip
        if beside is not None:
            beside.begin(con, every, {i: prints[pot] for pot, i in pots.items()})
        before = {pot: piece_frames.pieces_done(con, i, prints[pot]) for pot, i in pots.items()}
        anew = [
            pot for pot, i in pots.items() if full or before[pot][0] or states.get(i) != prints[pot]
        ]
        for pot in anew:
            if not clocks[pot]:
                piece_frames.read_leanly(con)
                rebuilds[pots[pot]] = _rebuild(con, pots[pot], prints[pot], before[pot], newest)
    for pot in anew:
        done = bool(before[pot][0])
        tell(f"{pot}: everything" + (", going on where it was left" if done else ""))
        if clocks[pot]:
            # Its messages are joined, which needs as much memory as it needs.
            with read_window(data) as con:
                rebuilds[pots[pot]] = _rebuild(con, pots[pot], prints[pot], before[pot], newest)
    return seen


def _rebuild(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    settings: str,
    before: tuple[set[tuple[dt.datetime | None, dt.datetime | None]], int | None],
    newest: int,
) -> _Rebuild:
    """What is left to do of a pot, ``before`` being what :func:`piece_frames.pieces_done` gave."""
    done, taken = before
    pieces = [
        piece for piece in pieces_between(con, pot_id) if (piece.from_at, piece.to_at) not in done
    ]
    return _Rebuild(
        settings, pieces, newest if taken is None else taken, frames.extent(con, pot_id)
    )


def _write_round(
    con: duckdb.DuckDBPyConnection, found: list[FoundPiece], beside: Beside | None
) -> int:
    """Write what was found; how many cycles."""
    cycles = write_found(con, found)
    if beside is not None:
        beside.write(con, found, cycles)
    return sum(of_pot.height for of_pot in cycles.values())


def _note_state(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    settings: str,
    extent: tuple[dt.datetime | None, dt.datetime | None],
) -> None:
    """Keep with what a pot's figures were derived, and from when to when it was heard."""
    row = {
        "pot": pot_id, "settings": settings, "now": utc_now(),
        "first": extent[0], "last": extent[1],
    }  # fmt: skip
    # Mostly there is a row; `INSERT OR REPLACE` costs four times an update.
    ((known,),) = con.execute(
        "UPDATE derive_state SET settings = $settings, derived_at = $now, first_at = $first, "
        "last_at = $last WHERE pot_id = $pot",
        row,
    ).fetchall()
    if not known:
        con.execute("INSERT INTO derive_state VALUES ($pot, $settings, $now, $first, $last)", row)


def _note_done(
    con: duckdb.DuckDBPyConnection, found: list[FoundPiece], rebuilds: dict[int, _Rebuild]
) -> None:
    """Keep what a rebuild has got done, in the transaction that writes it."""
    rows = [
        (each.piece.pot_id, rebuild.settings, each.piece.from_at, each.piece.to_at, rebuild.taken)
        for each in found
        if (rebuild := rebuilds.get(each.piece.pot_id)) is not None and each.piece in rebuild.pieces
    ]
    names: dict[str, Any] = {
        "pot_id": pl.Int16, "settings": pl.String, "from_at": pl.Datetime("us"),
        "to_at": pl.Datetime("us"), "taken": pl.Int64,
    }  # fmt: skip
    insert(con, "piece_done", pl.DataFrame(rows, schema=names, orient="row"))


def _found_in_rounds(
    data: Path,
    pieces: list[Piece],
    settings: dict[int, PieceSettings],
    executor: Executor | None,
    beside: Beside | None,
) -> Iterator[list[FoundPiece]]:
    """What pieces hold, some dozens at a time; nobody reads the store between two rounds."""
    if not pieces:
        return
    if executor is None:
        (pot_id, *others) = {piece.pot_id for piece in pieces}
        if others or len(pieces) > _TASK:
            with ThreadPoolExecutor(_WORKERS) as own:
                yield from _found_in_rounds(data, pieces, settings, own, beside)
            if len(pieces) > _ROUND:
                # What follows reads years of cycles, where so many pieces were found.
                give_back()
        else:
            # One worker would do all of it, and its thread would first ask for memory of its own.
            yield found_from_store(data, pieces, settings[pot_id], beside)
        return
    for begin in range(0, len(pieces), _ROUND):
        of_pots: dict[int, list[Piece]] = {}
        for piece in pieces[begin : begin + _ROUND]:
            of_pots.setdefault(piece.pot_id, []).append(piece)
        # Nothing more for other processes and computers, which may be of a version before.
        also = () if beside is None else (beside,)
        waiting = [
            executor.submit(found_from_store, data, task, settings[pot_id], *also)
            for pot_id, mine in of_pots.items()
            for task in _tasks(mine, _WORKERS if len(of_pots) == 1 else 1)
        ]
        yield [found for each in waiting for found in each.result()]


def _tasks(pieces: list[Piece], workers: int) -> Iterator[list[Piece]]:
    """Pieces in tasks of about the same size, a multiple of the workers: with six in one task and
    four in the next, a worker would wait for the other."""
    count = -(-len(pieces) // (_TASK * workers)) * workers
    for number in range(count):
        task = pieces[number * len(pieces) // count : (number + 1) * len(pieces) // count]
        if task:
            yield task


def _united(
    ranges: list[tuple[dt.datetime | None, dt.datetime | None]],
) -> list[tuple[dt.datetime | None, dt.datetime | None]]:
    """Ranges in the order of time, those that meet or overlap taken together."""
    united: list[tuple[dt.datetime | None, dt.datetime | None]] = []
    for begin, end in sorted(ranges, key=lambda r: r[0] or frames.EARLIEST):
        if united and (united[-1][1] or frames.LATEST) >= (begin or frames.EARLIEST):
            last = united[-1][1]
            later = None if last is None or end is None else max(last, end)
            united[-1] = (united[-1][0], later)
        else:
            united.append((begin, end))
    return united


def _merged(
    touched: Iterable[tuple[dt.datetime, dt.datetime]],
) -> Iterator[tuple[dt.datetime, dt.datetime]]:
    """Ranges of change, those less than the last look apart taken together."""
    pending: tuple[dt.datetime, dt.datetime] | None = None
    for from_at, to_at in sorted(touched):
        if pending is None:
            pending = (from_at, to_at)
        elif from_at <= pending[1] + _LOOKS[0]:
            pending = (pending[0], max(pending[1], to_at))
        else:
            yield pending
            pending = (from_at, to_at)
    if pending is not None:
        yield pending


def _widened(
    data: Path,
    pot_id: int,
    from_at: dt.datetime,
    to_at: dt.datetime,
    settings: CycleSettings,
    extent: tuple[dt.datetime | None, dt.datetime | None],
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """A range of change, widened to instants that hold whatever changed within it.

    The instants are found among untouched samples only, strictly before and after the change. A
    reading is judged by the block it lies in, so a change reaches to the ends of its blocks.
    """
    from_at, to_at = whole_blocks(from_at, to_at)
    first_at, last_at = extent
    begin: dt.datetime | None = None
    end: dt.datetime | None = None
    if first_at is None or last_at is None:
        return None, None
    for look in (*_LOOKS, from_at - first_at + PIECE):
        with read_window(data) as con:
            before = frames.deadman(con, pot_id, from_at - look, from_at - _MICROSECOND)
        found = memoryless_from(before, settings)
        if found.size:
            begin = instant_of(int(found[-1]))
            break
        if from_at - look <= first_at:
            break
    for look in (*_LOOKS, last_at - to_at + PIECE):
        if to_at >= last_at:
            break
        with read_window(data) as con:
            after = frames.deadman(con, pot_id, to_at + _MICROSECOND, to_at + look)
        found = memoryless_from(after, settings)
        if found.size:
            end = instant_of(int(found[0]))
            break
        if to_at + look >= last_at:
            break
    return begin, end
