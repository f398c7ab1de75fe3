"""Weighs pots: takes the spells that changed, and puts condition, level and tippings in the store.

The second composer beside ``pipeline``: cycles and hours come first and are cheap; weighing a
spell costs a tenth of a second or two, so it runs after them, the newest spell first, and may be
told how long it may take. What is left is taken the next time. The result does not depend on the
order.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import polars as pl

from analytics import condition_frames, frames, record_frames, summary_entries
from analytics.columnar import frame_of
from analytics.condition import condition_of
from analytics.cycles import found_frames
from analytics.fill import PotFacts, prepared_arrays
from analytics.hours import instant_of
from analytics.piece_frames import samples_heard
from analytics.pieces import (
    FoundPiece,
    PieceSamples,
)
from analytics.pipeline import Derived, derive, transducer_laws
from analytics.quality import FAULT_SCHEMA, whole_blocks
from analytics.room import own_room
from analytics.signals import JudgedArrays, TransducerLaw, judged_arrays, part_of
from analytics.spell_looks import Look, SpellLook, keep_looks, read_looks
from analytics.spells import PAUSE_H, entries_between, entries_of, spells
from analytics.writing import (
    insert,
    note_derived,
)
from ingest.config import Yard
from ingest.store.connection import read_window, write_window

if TYPE_CHECKING:
    import duckdb

#: Raised when weighing itself changes, so that every spell is weighed anew.
WEIGHING_VERSION = 9

#: Signals are read from a little before the first press to the end of the last exhaust.
_BEFORE, _AFTER = dt.timedelta(seconds=60), dt.timedelta(seconds=180)

_KELVIN = 273.15

_MICROSECOND = dt.timedelta(microseconds=1)

#: Asked where a spell's readings fit no model of a pot that fills.
NOT_WEIGHED = (
    "This stretch could not be weighed: its pressures fit no model of a pot that fills. Is a "
    "transducer at fault, or the vessel's volume in the yard file wrong?"
)


@dataclass(frozen=True)
class WeighedSpells:
    """What weighing did: spells weighed now, and spells still waiting."""

    weighed: int
    waiting: int


class Spell(NamedTuple):
    """A spell to be weighed, and what is known of it beside its readings.

    Parameters
    ----------
    pot, pot_id : str, int
        The pot, and its number in the store.
    spell : dict
        A row of :func:`analytics.spells.spells`.
    entries : polars.DataFrame
        ``at, abrasive_kg`` that people entered for the pot.
    volume_m3 : float
        Of the empty vessel. [m3]
    laws : tuple of TransducerLaw
        What is known of the transducers.
    """

    pot: str
    pot_id: int
    spell: dict[str, Any]
    entries: pl.DataFrame
    volume_m3: float
    laws: tuple[TransducerLaw, ...]


class SpellSamples(NamedTuple):
    """What a spell is weighed from: samples in whole blocks, cycles, mean air temperature."""

    rows: pl.DataFrame
    cycles: pl.DataFrame
    air_c: float | None


class Weighed(NamedTuple):
    """A weighed spell: its row of the table ``spell``, and of ``condition`` and ``tipping`` what
    belongs to it, without its number and begin."""

    pot_id: int
    from_at: dt.datetime
    spell: dict[str, Any]
    condition: pl.DataFrame
    tippings: pl.DataFrame | None


#: Spells given out at a time, where others weigh: what they found is written then.
_ROUND = 24
#: Spells whose figures are written at once by who weighs alone and has no end set: to open the
#: store and to commit takes tens of milliseconds, weighing one a tenth of a second.
_ALONE = 8
#: Spells are read at once until so many samples are there: four shifts of ten hours at 10 Hz, or
#: some tens of megabytes.
_READ_AT_ONCE = 1_200_000


def derive_and_weigh(
    data: Path,
    yard: Yard,
    *,
    full: bool = False,
    progress: Callable[[str], None] | None = None,
    executor: Executor | None = None,
    derived: Callable[[Derived], None] | None = None,
) -> tuple[Derived, WeighedSpells]:
    """Derive, and weigh: spells that lie within a piece on the way, while its samples are at hand.

    Parameters
    ----------
    data, yard, full, progress, executor
        As for :func:`analytics.pipeline.derive` and :func:`weigh_spells`. With an ``executor`` all
        weighing comes after: what it finds would have to be sent.
    derived : callable, optional
        Told what was derived, before the rest is weighed.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    beside = WeighedBeside(yard, full)
    done = derive(data, yard, full=full, progress=progress, executor=executor, beside=beside)
    if derived is not None:
        derived(done)
    rest = weigh_spells(data, yard, full=full, progress=progress, executor=executor, beside=beside)
    return done, WeighedSpells(rest.weighed + len(beside.written), rest.waiting)


class WeighedBeside:
    """Weighs the spells that a piece holds whole (:class:`analytics.pieces.Beside`).

    They are the same to the bit as from :func:`weigh_spells`, which takes what is left: spells that
    reach beyond a piece, and those of which an entry came in meanwhile.

    Parameters
    ----------
    yard : Yard
        The yard file.
    full : bool
        Every spell is to be weighed, whatever is there.
    """

    def __init__(self, yard: Yard, full: bool) -> None:
        self._yard = yard
        self._full = full
        self._pots: dict[int, tuple[str, str]] = {}
        self._numbers: dict[str, int] = {}
        self._derived_with: dict[int, str] = {}
        self._seen = summary_entries.Seen(0, 0)
        self._cycles: dict[int, pl.DataFrame | None] = {}
        self._entries: dict[str, pl.DataFrame] = {}
        #: Pots and fingerprints of the spells that were written.
        self.written: set[tuple[int, str]] = set()
        #: What is left to look through; ``None``: that was not read.
        self.looks: list[SpellLook] | None = None

    def begin(
        self, con: duckdb.DuckDBPyConnection, pots: dict[str, int], settings: dict[int, str]
    ) -> None:
        """Note who is derived with what, and what people entered."""
        self._pots = {
            pot_id: (pot, _settings(settings[pot_id]))
            for pot, pot_id in pots.items()
            if pot_id in settings
        }
        self._numbers, self._derived_with = pots, settings
        self._seen = summary_entries.seen(con)
        self._entries = _entries_by_pot(con, pots)

    def read(self, con: duckdb.DuckDBPyConnection, samples: Sequence[PieceSamples]) -> pl.DataFrame:
        """The air's temperature while the pieces were heard."""
        heard = [one.rows["sampled_at"] for one in samples if not one.rows.is_empty()]
        if not heard:
            return pl.DataFrame(schema=condition_frames.SLOW_SCHEMA)
        return condition_frames.slow_readings(
            con, samples[0].piece.pot_id, ("air_temp",), min(at[0] for at in heard),
            max(at[-1] for at in heard),
        )  # fmt: skip

    def find(
        self, samples: PieceSamples, judged: JudgedArrays, found: FoundPiece, read: pl.DataFrame
    ) -> list[Weighed]:
        """Weigh each spell that no cycle outside of the piece can belong to."""
        pot, settings = self._pots[samples.piece.pot_id]
        cycles = found_frames([found.found]).cycles
        if cycles.is_empty():
            return []
        # Of years of them only those that can belong to a spell of the piece.
        apart = dt.timedelta(hours=PAUSE_H) + _MICROSECOND
        pressed = cycles["pressed_at"].to_numpy()
        last_at = max(cycles["released_at"].max() or frames.EARLIEST, cycles["pressed_at"][-1])
        entries = entries_between(
            self._entries[pot], cycles["pressed_at"][0] - apart, last_at + apart
        )
        described = self._yard.pot(pot)
        assert described is not None
        laws = tuple(transducer_laws(self._yard, pot))
        after = _last_held(samples, judged)
        after = None if after is None else after + apart
        before = None if samples.end_us is None else instant_of(samples.end_us) - apart
        weighed = []
        for row in spells(cycles, entries, settings).iter_rows(named=True):
            if (after and row["from_at"] < after) or (before and row["to_at"] > before):
                continue
            spell = Spell(pot, samples.piece.pot_id, row, entries, described.volume_m3, laws)
            first, end = np.searchsorted(
                pressed, np.array([row["from_at"], row["to_at"]], dtype="datetime64[us]")
            )
            own = cycles.slice(first, end - first)
            weighed.append(_weighed_from(judged, own, _mean_within(read, row), spell))
        return weighed

    def write(
        self,
        con: duckdb.DuckDBPyConnection,
        found: Sequence[FoundPiece],
        cycles: Mapping[int, pl.DataFrame],
    ) -> None:
        """Put them into the store; an open write window."""
        for pot_id, written in cycles.items():
            # Of more than one round it would be much to keep.
            self._cycles[pot_id] = None if pot_id in self._cycles else written
        weighed = [spell for each in found for spell in each.beside or ()]
        write_weighed(con, weighed)
        self.written |= {(spell.pot_id, spell.spell["made_of"]) for spell in weighed}

    def end(self, con: duckdb.DuckDBPyConnection) -> None:
        """Read what is left to look through, where that is little: to open the store for it takes
        longer than to read it."""
        counted = con.execute("SELECT pot_id, count(*) FROM cycle GROUP BY pot_id").fetchall()
        if sum(count for _, count in counted) > _FEW_CYCLES:
            return
        entries = self._entries
        if summary_entries.seen(con) != self._seen:
            entries = _entries_by_pot(con, self._numbers)
        # Where as many were written as there are, those are the pot's cycles.
        written = {
            pot_id: mine
            for pot_id, count in counted
            if (mine := self._cycles.get(pot_id)) is not None and mine.height == count
        }
        settings = _of_pots(self._numbers, self._derived_with)
        self.looks = list(
            read_looks(con, self._yard, self._full, self._numbers, settings, entries, written)
        )


def weigh_spells(
    data: Path,
    yard: Yard,
    *,
    full: bool = False,
    most_s: float | None = None,
    progress: Callable[[str], None] | None = None,
    executor: Executor | None = None,
    beside: WeighedBeside | None = None,
) -> WeighedSpells:
    """Weigh the spells whose cycles, entries or settings changed, the newest first.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    full : bool
        Every spell, whatever is there.
    most_s : float, optional
        Begin no further spell after this long. [s]
    progress : callable, optional
        Told in words what is being done.
    executor : concurrent.futures.Executor, optional
        Weighs: processes, or other computers that have the data folder. By default this process.
    beside : WeighedBeside, optional
        Has the spells that were weighed a moment ago, which ``full`` need not do again, and perhaps
        what is left to look through.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    begun = time.monotonic()
    tell = progress or (lambda _: None)
    waiting: list[tuple[str, int, dict[str, Any]]] = []
    gone: list[tuple[int, dt.datetime]] = []
    looks: list[Look] = []
    entries: dict[str, pl.DataFrame] = {}
    fresh = beside.written if beside is not None else set()

    def look_through(each: SpellLook) -> None:
        looks.append(each.look)
        entries[each.pot] = each.entries
        pot_id, known = each.look.pot_id, each.known
        found = spells(each.cycles, each.entries, each.settings)
        each.look.found = found["from_at"].to_list()
        waiting.extend(
            (each.pot, pot_id, row)
            for row in found.iter_rows(named=True)
            if known.get(row["from_at"]) != row["made_of"]
            or (full and (pot_id, row["made_of"]) not in fresh)
        )
        still = set(each.look.found)
        gone.extend((pot_id, from_at) for from_at in known if from_at not in still)

    if beside is not None and beside.looks is not None:
        for each in beside.looks:
            look_through(each)
    else:
        with read_window(data) as con:
            pots = frames.pots(con)
            settings, told = _of_pots(pots, frames.derive_states(con)), _entries_by_pot(con, pots)
            # One pot after the other, for of years there are many cycles.
            for each in read_looks(con, yard, full, pots, settings, told, {}):
                look_through(each)
    if gone:
        with write_window(data) as con:
            for pot_id in {pot_id for pot_id, _ in gone}:
                _forget(con, pot_id, [from_at for of, from_at in gone if of == pot_id])
    waiting.sort(key=lambda item: item[2]["to_at"], reverse=True)
    weighed = 0
    at_once = _ROUND if executor is not None else _ALONE if most_s is None else 1
    for begin in range(0, len(waiting), at_once):
        if most_s is not None and time.monotonic() - begun > most_s:
            break
        given = []
        for pot, pot_id, row in waiting[begin : begin + at_once]:
            tell(f"{pot}: weighing the spell from {row['from_at']:%Y-%m-%d %H:%M} UTC")
            described = yard.pot(pot)
            assert described is not None
            laws = tuple(transducer_laws(yard, pot))
            given.append(Spell(pot, pot_id, row, entries[pot], described.volume_m3, laws))
        found_spells = list(_weighed(data, given, executor))
        with write_window(data) as con:
            write_weighed(con, found_spells)
        weighed += len(found_spells)
    left: dict[int, dt.datetime] = {}
    for _, pot_id, row in waiting[weighed:]:
        left[pot_id] = min(row["from_at"], left.get(pot_id, frames.LATEST))
    keep_looks(data, looks, left)
    return WeighedSpells(weighed, len(waiting) - weighed)


def _mean_within(readings: pl.DataFrame, spell: dict[str, Any]) -> float | None:
    """Mean of the values of :func:`condition_frames.slow_readings` while a spell is weighed."""
    if readings.is_empty():
        return None
    from_at, to_at = _bounds(spell)
    within = pl.col("sampled_at").is_between(from_at, to_at, closed="left")
    return condition_frames.mean_of(readings.filter(within))


def _last_held(samples: PieceSamples, judged: JudgedArrays) -> dt.datetime | None:
    """The latest that a cycle before a piece can have ended; ``None``: there is none before it."""
    if samples.begin_us is None or samples.piece.from_at is None:
        return None
    signals = judged.signals
    earlier = signals.at_us < samples.begin_us
    open_ = np.flatnonzero(earlier & signals.deadman)
    if not open_.size:
        # A silence after midnight is no work either.
        return min(samples.piece.from_at, instant_of(samples.begin_us))
    return instant_of(int(signals.at_us[min(open_[-1] + 1, earlier.size - 1)]))


#: Up to so many cycles are read at once with what was derived last.
_FEW_CYCLES = 20_000


def _settings(derived_with: str) -> str:
    """Fingerprint of what weighing rests on beside cycles and entries."""
    return f"{WEIGHING_VERSION}:{derived_with}"


def _of_pots(pots: Mapping[str, int], derived_with: Mapping[int, str]) -> dict[int, str]:
    """That of each pot, by its number, from with what it is derived."""
    return {pot_id: _settings(derived_with.get(pot_id, "")) for pot_id in pots.values()}


def _bounds(spell: dict[str, Any]) -> tuple[dt.datetime, dt.datetime]:
    """First and last instant whose signals a spell is weighed from."""
    return spell["from_at"] - _BEFORE, spell["to_at"] + _AFTER


def _weighed(data: Path, given: list[Spell], executor: Executor | None) -> Iterator[Weighed]:
    if executor is None:
        begin = 0
        while begin < len(given):
            read = _read_some(data, given[begin:])
            yield from map(weigh_spell, read, given[begin:])
            begin += len(read)
        return
    for waiting in [executor.submit(weighed_from_store, data, spell) for spell in given]:
        yield waiting.result()


def _read_some(data: Path, given: list[Spell]) -> list[SpellSamples]:
    """What the first spells are weighed from: one at least, and not too many samples."""
    read: list[SpellSamples] = []
    with read_window(data) as con:
        for spell in given:
            read.append(read_spell(con, spell))
            if sum(samples.rows.height for samples in read) >= _READ_AT_ONCE:
                break
    return read


def _entries_by_pot(con: duckdb.DuckDBPyConnection, pots: Iterable[str]) -> dict[str, pl.DataFrame]:
    """What people tipped into each of some pots: ``at, abrasive_kg``."""
    every = record_frames.abrasives(con)
    # By its values, not by an expression: there are few, and to wake Polars' threads takes longer.
    of, told = every["pot"], every.select("at", "abrasive_kg")
    return {pot: _those(told, of == pot) for pot in pots}


def _those(frame: pl.DataFrame, which: pl.Series) -> pl.DataFrame:
    return pl.DataFrame([column.filter(which) for column in frame.iter_columns()])


def read_spell(con: duckdb.DuckDBPyConnection, spell: Spell) -> SpellSamples:
    """What a spell is weighed from; ``con`` is an open read window."""
    row = spell.spell
    from_at, to_at = _bounds(row)
    begin, end = whole_blocks(from_at, to_at)
    return SpellSamples(
        samples_heard(con, spell.pot_id, begin, end - _MICROSECOND),
        frames.cycles(con, spell.pot_id, row["from_at"], row["to_at"]),
        condition_frames.mean_of_slow(con, spell.pot_id, "air_temp", from_at, to_at),
    )


def weighed_from_store(data: Path, spell: Spell) -> Weighed:
    """Read a spell and weigh it; what a worker is given to do.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    with read_window(data) as con:
        samples = read_spell(con, spell)
    return weigh_spell(samples, spell)


def weigh_spell(samples: SpellSamples, spell: Spell) -> Weighed:
    """Weigh a spell; pure."""
    judged = judged_arrays(samples.rows, list(spell.laws))
    return _weighed_from(judged, samples.cycles, samples.air_c, spell)


def _weighed_from(
    judged: JudgedArrays, cycles: pl.DataFrame, air_c: float | None, spell: Spell
) -> Weighed:
    """Weigh a spell from judged signals that reach beyond it, by whole blocks at least."""
    facts = (
        PotFacts(spell.volume_m3)
        if air_c is None
        else PotFacts(spell.volume_m3, air_k=air_c + _KELVIN)
    )
    condition = condition_of(
        prepared_arrays(part_of(judged.signals, *_bounds(spell.spell)), own_room()),
        cycles,
        facts,
        entries_of(spell.spell, spell.entries),
        _stuck_minutes(judged),
    )
    # Readings that fit no model at all must not keep the other spells from being weighed; the
    # spell says so, and is tried again when anything of it changes.
    questions = [] if condition.fits else [NOT_WEIGHED]
    level = condition.level
    questions += level.questions if level else []
    pot_id, from_at = spell.pot_id, spell.spell["from_at"]
    used = level.consumption if level else None
    row: dict[str, Any] = {
        "pot_id": pot_id,
        "from_at": from_at,
        "to_at": spell.spell["to_at"],
        "cycles": spell.spell["cycles"],
        "made_of": spell.spell["made_of"],
        "used_kg": used.used_kg if used else None,
        "used_low_kg": used.used_low_kg if used else None,
        "used_high_kg": used.used_high_kg if used else None,
        "questions": json.dumps(questions, ensure_ascii=False),
    }
    tippings = level.tippings.drop("after_cycle") if level else None
    return Weighed(pot_id, from_at, row, condition.cycles, tippings)


def write_weighed(con: duckdb.DuckDBPyConnection, weighed: list[Weighed]) -> None:
    """Put weighed spells in the place of what was there; ``con`` is an open write window."""
    by_pot: dict[int, list[dt.datetime]] = {}
    for spell in weighed:
        by_pot.setdefault(spell.pot_id, []).append(spell.from_at)
    for pot_id, begins in by_pot.items():
        _forget(con, pot_id, begins)
    if weighed:
        kinds = condition_frames.SPELL_COLUMNS
        rows = {name: [spell.spell[name] for spell in weighed] for name in kinds}
        insert(con, "spell", frame_of(rows, kinds, len(weighed)))
        insert(con, "condition", _numbered(weighed, [spell.condition for spell in weighed]))
    tipped = [spell for spell in weighed if spell.tippings is not None]
    if tipped:
        tippings = [spell.tippings for spell in tipped if spell.tippings is not None]
        insert(con, "tipping", _numbered(tipped, tippings))


def stuck_minutes(faults: pl.DataFrame) -> pl.Series:
    """Minutes in which the pot's readings were left out for standing still.

    Parameters
    ----------
    faults : polars.DataFrame
        :data:`analytics.quality.FAULT_SCHEMA`.
    """
    return faults.filter((pl.col("channel") == "pot") & (pl.col("moving_bad") > 0))["from_at"]


def _stuck_minutes(judged: JudgedArrays) -> pl.Series:
    """As :func:`stuck_minutes`, where there is no frame of it yet."""
    found = judged.troubled.get("pot")
    if found is None or not found.shape[0]:
        return pl.Series("from_at", [], pl.Datetime("us"))
    stood_still = found[:, list(FAULT_SCHEMA).index("moving_bad") - 1] > 0
    return pl.Series("from_at", found[stood_still, 0]).cast(pl.Datetime("us"))


def _numbered(spells: Sequence[Weighed], frames_: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """A frame of each spell in one, with the spell's pot and begin."""
    rows = [frame.height for frame in frames_]
    pots = np.repeat(np.array([spell.pot_id for spell in spells], np.int16), rows)
    begins = np.repeat(np.array([spell.from_at for spell in spells], "datetime64[us]"), rows)
    which = [pl.Series("pot_id", pots), pl.Series("spell_from_at", begins)]
    return pl.concat(frames_).hstack(which)


def _forget(con: duckdb.DuckDBPyConnection, pot_id: int, begins: list[dt.datetime]) -> None:
    """Take out what there is of a pot's spells that begin at some instants, one at least."""
    first_at, last_at = min(begins), max(begins)
    note_derived(con, pot_id, first_at)
    for table, begin in (
        ("spell", "from_at"),
        ("condition", "spell_from_at"),
        ("tipping", "spell_from_at"),
    ):
        # The bounds let what lies outside of them be passed over.
        con.execute(
            f"DELETE FROM {table} WHERE pot_id = $pot AND {begin} BETWEEN $first AND $last "
            f"AND list_contains($begins, {begin})",
            {"pot": pot_id, "first": first_at, "last": last_at, "begins": begins},
        )
