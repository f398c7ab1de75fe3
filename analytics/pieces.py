"""A pot's time in pieces of a day, each found by itself, in any order and in any process.

A piece begins and ends at the first instant, from its nominal bound on, from which nothing earlier
matters (:func:`analytics.cycles.memoryless_from`). That instant follows from the samples around
the bound alone, so two neighbours come to the same one without knowing of each other, and what is
found does not depend on who finds it or when. Readings are judged by blocks of ten minutes; a piece
has those that begin within its nominal bounds.

The way of a piece, each step on its own so that it can run on another computer::

    pieces_between(...)  ->  read_piece(con, ...)  ->  find_piece(...)  ->  write_found(con, ...)
                             \\__________ found_from_store(data, ...) ___/
"""

from __future__ import annotations

import bisect
import datetime as dt
import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, Protocol, cast

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics import frames, piece_frames
from analytics.cycles import (
    CycleSettings,
    FoundArrays,
    Signals,
    found_in,
    memoryless_in,
)
from analytics.hours import microseconds
from analytics.piece_frames import NextDeadman
from analytics.quality import (
    BLOCK_S,
    USUAL_SPAN_PA,
    block_begin,
    rests_in,
    whole_blocks,
)
from analytics.room import Room, own_room
from analytics.sample_columns import Columns
from analytics.signals import JudgedArrays, TransducerLaw, judged_arrays
from analytics.watch import WatchLimits, watched_in
from ingest.store.connection import read_window

if TYPE_CHECKING:
    import duckdb

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

#: Length of a piece: a UTC day, as the archive has it; about 0.9 M samples at 10 Hz.
PIECE = dt.timedelta(days=1)

#: Samples from which no further piece is read before what was read is found: some 25 MB, or two
#: shifts; to open the store for one takes as long as to find its cycles.
_HELD_ROWS = 600_000

_US = 1_000_000
_MICROSECOND = dt.timedelta(microseconds=1)
_NEVER_US = microseconds(frames.LATEST)
_EPOCH = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store
#: Samples from a bound on among which is looked first for where a piece begins or ends.
_CLOSE_BY = 10_000
#: How far beyond its end a piece is read at first, and then, to find where it really ends.
_LOOKS = (dt.timedelta(0), dt.timedelta(hours=2), dt.timedelta(hours=12), dt.timedelta(days=3))


@dataclass(frozen=True)
class PieceSettings:
    """What a pot's samples are taken by, from the yard file.

    Parameters
    ----------
    cycles : CycleSettings
        What makes a cycle.
    laws : tuple of TransducerLaw
        What is known of the transducers.
    limits : WatchLimits
        What is watched for.
    """

    cycles: CycleSettings
    laws: tuple[TransducerLaw, ...]
    limits: WatchLimits


@dataclass(frozen=True)
class Piece:
    """A piece of a pot's time, by its nominal bounds.

    Parameters
    ----------
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime or None
        Half-open, naive UTC; ``None``: from the first, to the last.
    """

    pot_id: int
    from_at: dt.datetime | None
    to_at: dt.datetime | None


class PieceSamples(NamedTuple):
    """What a piece is found from.

    Parameters
    ----------
    piece : Piece
    rows : polars.DataFrame
        Rows of ``sample`` in whole blocks, and the sample that ends a silence after them.
    begin_us, end_us : int or None
        Where the piece begins and ends in truth. [us since 1970 UTC] ``None`` as begin: with the
        first sample, as end: with the last.
    """

    piece: Piece
    rows: pl.DataFrame
    begin_us: int | None
    end_us: int | None


class FoundPiece(NamedTuple):
    """What a piece holds, as arrays: small, and ready to be sent to another process.

    Parameters
    ----------
    piece : Piece
    begin_us, end_us : int or None
        As in :class:`PieceSamples`.
    found : FoundArrays
        Cycles and gaps that begin from ``begin_us`` on, before ``end_us``.
    troubled, rests, watched : dict
        From :func:`analytics.quality.judge`, :func:`analytics.quality.rests_in` and
        :func:`analytics.watch.watched_in`, of the blocks of the piece.
    heard_us : tuple of (int or None, int or None)
        Of a piece that begins with the first sample, that with the dead-man in it; of one that ends
        with the last, that. [us since 1970 UTC] More can have come in since deriving began, and
        what is found reaches from and up to there.
    beside : object
        What :class:`Beside` found of it.
    """

    piece: Piece
    begin_us: int | None
    end_us: int | None
    found: FoundArrays
    troubled: dict[str, Ints]
    rests: dict[str, tuple[Ints, Floats]]
    watched: dict[str, tuple[Ints, Floats]]
    heard_us: tuple[int | None, int | None] = (None, None)
    beside: Any = None


class Beside(Protocol):
    """What is found of pieces beside their cycles while their samples are at hand, and is written
    in the same transaction. Steps for a piece may run in any order and in several threads."""

    def begin(
        self, con: duckdb.DuckDBPyConnection, pots: dict[str, int], settings: dict[int, str]
    ) -> None:
        """Before all pieces, in a read window: all pots, with their number, and with which settings
        those that are derived are."""

    def read(self, con: duckdb.DuckDBPyConnection, samples: Sequence[PieceSamples]) -> Any:
        """What is wanted of the store for some pieces of a pot beside their samples; an open read
        window."""

    def find(
        self, samples: PieceSamples, judged: JudgedArrays, found: FoundPiece, read: Any
    ) -> Any:
        """What goes into :attr:`FoundPiece.beside`; the store is not open."""

    def write(
        self,
        con: duckdb.DuckDBPyConnection,
        found: Sequence[FoundPiece],
        cycles: Mapping[int, pl.DataFrame],
    ) -> None:
        """Write it; an open write window, in which the pieces' ``cycles`` are written already, as
        :func:`write_found` gives them."""

    def end(self, con: duckdb.DuckDBPyConnection) -> None:
        """After all is derived, in the write window of the last of it."""


def rest_spans(laws: Iterable[TransducerLaw]) -> dict[str, float]:
    """Spans of the channels that stand at zero when nothing is pressed on, pot and nozzle. [Pa]"""
    known = {law.channel: law.high_pa - law.low_pa for law in laws}
    return {channel: known.get(channel, USUAL_SPAN_PA) for channel in ("pot", "nozzle")}


def pieces_between(
    con: duckdb.DuckDBPyConnection,
    pot_id: int,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> list[Piece]:
    """The pieces of a stretch of a pot's time, which leave no hole between them.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot_id : int
        The pot's number in the store.
    from_at, to_at : datetime or None
        Half-open, naive UTC; ``None``: from the first, to the last.

    Returns
    -------
    list of Piece
        In the order of time, at least one; days without a sample belong to the piece before.
    """
    if from_at is not None and to_at is not None and to_at - from_at <= PIECE:
        return [Piece(pot_id, from_at, to_at)]
    begins = piece_frames.begins_of_pieces(con, pot_id, PIECE, from_at, to_at)
    # A block belongs to one piece only.
    cuts = sorted({block_begin(begin) for begin in begins[1:]})
    inner = [
        cut for cut in cuts if (from_at is None or cut > from_at) and (to_at is None or cut < to_at)
    ]
    return [Piece(pot_id, a, b) for a, b in itertools.pairwise([from_at, *inner, to_at])]


def read_piece(
    con: duckdb.DuckDBPyConnection,
    piece: Piece,
    settings: PieceSettings,
    following: NextDeadman | None = None,
    where: piece_frames.Stored | None = None,
    heard: piece_frames.Heard | None = None,
    room: Room | None = None,
    place: str = "",
) -> PieceSamples:
    """The samples of a piece, and where it begins and ends in truth.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    piece : Piece
    settings : PieceSettings
    following : tuple of (int, bool), optional
        What :func:`piece_frames.next_deadman` gives from :func:`_read_to` on, where it is known:
        to look for it takes a fifth as long as to read a piece.
    where : piece_frames.Stored, optional
        Where samples of the pot lie, where that was asked in this window.
    heard : piece_frames.Heard, optional
        Which columns the pot has, where that was asked.
    room, place
        Where the samples may lie (:class:`analytics.sample_columns.Columns`).
    """
    cycles = settings.cycles
    read_from = None
    if piece.from_at is not None:
        read_from = _read_from(piece.from_at, cycles)

    def read(last: dt.datetime | None) -> Columns:
        return piece_frames.columns_heard(
            con, piece.pot_id, read_from, last, where, heard, room, place
        )

    if piece.to_at is None:
        rows = read(None)
        return _samples(piece, rows, _begin(rows, piece, cycles, _NEVER_US), None)
    for look in _LOOKS:
        read_to = _read_to(piece.to_at, cycles, look)
        rows = read(read_to - _MICROSECOND)
        end_us = _cut(rows, piece.to_at, cycles)
        if end_us is not None:
            return _samples(piece, rows, _begin(rows, piece, cycles, end_us), end_us)
        after = following
        if after is None or look:
            after = piece_frames.next_deadman(con, piece.pot_id, read_to, where)
        if after is None:
            break
        last_us, next_us = _last_heard_us(rows), after[0]
        if last_us is None or next_us - last_us > round(cycles.gap_s * _US):
            # Nothing more before a silence; what is heard after it tells a gap from the last word.
            begin_us = _begin(rows, piece, cycles, next_us)
            rows.end_with(*after)
            return _samples(piece, rows, begin_us, next_us)
    else:
        # Days of work without a pause; however long it is, it is one story.
        rows = read(None)
    begin_us = _begin(rows, piece, cycles, _NEVER_US)
    return _samples(piece, rows, begin_us, _cut(rows, piece.to_at, cycles))


def _samples(piece: Piece, rows: Columns, begin_us: int | None, end_us: int | None) -> PieceSamples:
    return PieceSamples(piece, rows.frame(), begin_us, end_us)


def _before(cycles: CycleSettings) -> dt.timedelta:
    """How far before a bound is read: long enough to tell for every instant from the bound on
    whether anything earlier matters, for its first sample either lies far enough back or follows a
    gap."""
    return dt.timedelta(seconds=cycles.quiet_s + cycles.gap_s + max(cycles.align_s, 1.0))


def _read_from(from_at: dt.datetime, cycles: CycleSettings) -> dt.datetime:
    """From which instant on a piece with a nominal begin is read."""
    return whole_blocks(block_begin(from_at) - _before(cycles), from_at)[0]


def _read_to(
    to_at: dt.datetime, cycles: CycleSettings, look: dt.timedelta = _LOOKS[0]
) -> dt.datetime:
    """Before which instant a piece with a nominal end is read, at first or looking further."""
    target = _block_end(to_at) + _before(cycles) + look
    return whole_blocks(target, target)[1]


def _begin(rows: Columns, piece: Piece, settings: CycleSettings, else_us: int) -> int | None:
    """Where a piece begins; where nothing begins in it, all of it belongs to a piece before."""
    if piece.from_at is None:
        return None
    begin_us = _cut(rows, piece.from_at, settings)
    return else_us if begin_us is None else begin_us


def _cut(rows: Columns, bound_at: dt.datetime | None, settings: CycleSettings) -> int | None:
    """The first instant from a bound on from which nothing earlier matters. [us since 1970 UTC]"""
    if bound_at is None:
        return None
    bound_us = microseconds(bound_at)
    before_us = round((settings.quiet_s + settings.gap_s) * _US)
    first = int(np.searchsorted(rows.at_us, bound_us - before_us))
    # Mostly it lies close by, and what comes after does not matter: not all need be looked at.
    for after in (first + _CLOSE_BY, rows.height):
        at_us, deadman = rows.at_us[first:after], rows.deadman[first:after]
        if rows.known is not None:
            known = rows.known[first:after]
            at_us, deadman = at_us[known], deadman[known]
        if not at_us.size:
            continue
        if at_us[0] >= bound_us:
            return int(at_us[0])  # nothing was heard for longer than a gap before it
        found = memoryless_in(at_us, deadman, settings)
        later = found[found >= bound_us]
        if later.size:
            return int(later[0])
    return None


def _last_heard_us(rows: Columns) -> int | None:
    """The last of some samples that has the dead-man. [us since 1970 UTC]"""
    heard = rows.at_us if rows.known is None else rows.at_us[rows.known]
    return int(heard[-1]) if heard.size else None


def _heard_us(rows: pl.DataFrame, which: Literal["min", "max"]) -> int | None:
    """The first or the last sample of some that has the dead-man. [us since 1970 UTC]"""
    heard = rows["sampled_at"]
    if rows["deadman"].null_count():
        heard = heard.filter(rows["deadman"].is_not_null())
    at = heard.min() if which == "min" else heard.max()
    return microseconds(at) if isinstance(at, dt.datetime) else None


def _block_end(instant: dt.datetime) -> dt.datetime:
    """The end of the block that holds what lies before an instant."""
    return block_begin(instant - _MICROSECOND) + dt.timedelta(seconds=BLOCK_S)


def find_piece(samples: PieceSamples, settings: PieceSettings) -> FoundPiece:
    """Cycles, gaps, faults, rests and watched pressures of a piece; pure.

    Parameters
    ----------
    samples : PieceSamples
    settings : PieceSettings

    Returns
    -------
    FoundPiece
    """
    return _found_of(samples, judged_arrays(samples.rows, settings.laws), settings)


def _found_of(samples: PieceSamples, whole: JudgedArrays, settings: PieceSettings) -> FoundPiece:
    piece, rows, begin_us, end_us = samples
    signals = whole.signals
    margin_us = round(settings.cycles.align_s * _US)
    first = 0
    if begin_us is not None:
        first = int(np.searchsorted(signals.at_us, begin_us - margin_us))
    after = signals.at_us.size
    if end_us is not None:
        # The instant at the end too: it tells a gap from the end of all data.
        after = int(np.searchsorted(signals.at_us, end_us, side="right"))
    found = found_in(_part(signals, first, max(first, after)), settings.cycles)
    kept = _within(found.whole[:, 0], begin_us, end_us)
    heard = _within(found.gaps[:, 0], begin_us, end_us)
    from_us, to_us = block_bounds(piece)
    return FoundPiece(
        piece=piece,
        begin_us=begin_us,
        end_us=end_us,
        found=FoundArrays(found.whole[kept], found.figures[:, kept], found.gaps[heard]),
        troubled={
            channel: rows_[_within(rows_[:, 0], from_us, to_us)]
            for channel, rows_ in whole.troubled.items()
        },
        rests={
            channel: _both(arrays, _within(arrays[0][:, 0], from_us, to_us))
            for channel, arrays in rests_in(
                signals, rest_spans(settings.laws), settings.cycles.gap_s
            ).items()
        },
        watched={
            watch: _both(arrays, _within(arrays[0][:, 1], from_us, to_us))
            for watch, arrays in watched_in(signals, settings.limits).items()
        },
        heard_us=(
            _heard_us(rows, "min") if piece.from_at is None else None,
            _heard_us(rows, "max") if end_us is None else None,
        ),
    )


def _both(arrays: tuple[Ints, Floats], kept: npt.NDArray[np.bool_]) -> tuple[Ints, Floats]:
    return arrays[0][kept], arrays[1][kept]


def _part(signals: Signals, first: int, after: int) -> Signals:
    at_us, deadman, known, supply_pa, pot_pa, nozzle_pa = signals
    here = slice(first, after)
    return Signals(
        at_us[here], deadman[here], None if known is None else known[here],
        supply_pa[here], pot_pa[here], nozzle_pa[here],
    )  # fmt: skip


def _within(at_us: Ints, from_us: int | None, to_us: int | None) -> npt.NDArray[np.bool_]:
    kept = np.ones(at_us.size, np.bool_)
    if from_us is not None:
        kept &= at_us >= from_us
    if to_us is not None:
        kept &= at_us < to_us
    return kept


def block_bounds(piece: Piece) -> tuple[int | None, int | None]:
    """Begin of the first block of a piece and end of its last one. [us since 1970 UTC]"""
    return (
        None if piece.from_at is None else microseconds(block_begin(piece.from_at)),
        None if piece.to_at is None else microseconds(_block_end(piece.to_at)),
    )


def found_from_store(
    data: Path, pieces: Sequence[Piece], settings: PieceSettings, beside: Beside | None = None
) -> list[FoundPiece]:
    """Read pieces of one pot and find what they hold; what a worker is given to do.

    Parameters
    ----------
    data : Path
        Data folder.
    pieces : sequence of Piece
        However many there are, only some are held at a time.
    settings : PieceSettings
        Of the pot.
    beside : Beside, optional
        What else is to be found of them.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    found: list[FoundPiece] = []
    # From the last one to the first: what ends a silence after a piece is in the one read before.
    left = list(pieces)
    following: NextDeadman | None = None
    heard: piece_frames.Heard | None = None
    # Of one piece after the other the samples lie in the same places.
    room = own_room() if len(left) > 1 else Room()
    while left:
        # Opening the store costs as much as reading a day of it; reckoning is done outside, for
        # while it is open nobody can write.
        held: list[PieceSamples] = []
        with read_window(data) as con:
            where = _where(con, left)
            if heard is None and len(left) > 1:
                heard = _heard(con, left, where, settings.cycles)
            if not where.corrected:
                piece_frames.read_leanly(con)
            while left and sum(samples.rows.height for samples in held) < _HELD_ROWS:
                piece = left.pop()
                place = str(len(held))
                held.append(read_piece(con, piece, settings, following, where, heard, room, place))
                following = _following(held[-1], left, settings)
            held.reverse()
            more = beside.read(con, held) if beside is not None else None
        while held:
            samples = held.pop()
            whole = judged_arrays(samples.rows, settings.laws)
            each = _found_of(samples, whole, settings)
            if beside is not None:
                each = each._replace(beside=beside.find(samples, whole, each, more))
            found.append(each)
    found.reverse()
    return found


def _where(con: duckdb.DuckDBPyConnection, pieces: Sequence[Piece]) -> piece_frames.Stored:
    """Where samples of pieces that follow one another lie, as far as they are looked for mostly."""
    return piece_frames.stored_of(
        con, pieces[0].pot_id, pieces[0].from_at, pieces[-1].to_at, _LOOKS[-1] + PIECE
    )


def _heard(
    con: duckdb.DuckDBPyConnection,
    pieces: Sequence[Piece],
    where: piece_frames.Stored,
    cycles: CycleSettings,
) -> piece_frames.Heard:
    """Which columns a pot has in pieces that follow one another, as far as they are read mostly."""
    from_at, to_at = pieces[0].from_at, pieces[-1].to_at
    begin = None if from_at is None else _read_from(from_at, cycles)
    end = None if to_at is None else _read_to(to_at, cycles)
    return piece_frames.heard_of(con, pieces[0].pot_id, begin, end, where)


def _following(
    samples: PieceSamples, before: Sequence[Piece], settings: PieceSettings
) -> NextDeadman | None:
    """Of what was read of a piece: what ends a silence after the piece that is read next; ``None``
    where that does not tell."""
    bound = before[-1].to_at if before else None
    if bound is None or bound != samples.piece.from_at:
        return None
    at, deadman = samples.rows["sampled_at"], samples.rows["deadman"]
    # Polars goes through all of them before it begins to search.
    first = bisect.bisect_left(cast("Sequence[Any]", at), _read_to(bound, settings.cycles))
    later = deadman.slice(first)
    told = later.is_not_null().arg_max() if later.null_count() else 0
    if told is None or told >= later.len() or later[told] is None:
        return None
    return microseconds(at[first + told]), later[told]
