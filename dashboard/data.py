"""All reading and caching for the pages.

A page never opens the store. Here it is opened for one short window at a time, and what was read
is kept for a moment and shared by all viewers. Where the store is held for longer than a page may
wait, a page shows what it showed last and says so.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

import polars as pl
import streamlit as st

from analytics import (
    compare,
    condition_frames,
    diagnosis,
    entry_frames,
    exports,
    figures,
    frames,
    indicators,
    lifetimes,
    notice_frames,
    part_frames,
    part_rows,
    pipeline,
    production,
    sheets,
    standing,
    stock,
    traces,
    upkeep_ahead,
    ways,
)
from analytics.climate import CLIMATE_CHANNELS
from analytics.costs import MONEY, without_money
from analytics.figures import PotStretch
from analytics.notices import lifecycle
from analytics.nozzle_kept import OwnEffect, own_effect
from analytics.present import Present, present
from analytics.shift_rows import MEASURES
from analytics.signals import signals
from dashboard import units as units_of
from dashboard import words
from dashboard.access import roles, session
from dashboard.commands.options import data_folder, yard_path
from ingest import photos, records
from ingest.config import Yard, load_yard
from ingest.errors import RecordRefused, StoreBusy, StoreError
from ingest.store.connection import read_window, store_path

if TYPE_CHECKING:
    import duckdb

T = TypeVar("T")

#: How long a page waits for the store before it shows what it had. [s]
PAGE_WAIT_S = 4.0
#: How long an entry waits; people would rather wait than type again. [s]
ENTRY_WAIT_S = 15.0
#: How long somebody may correct what they entered, where their role covers no more.
OWN_CORRECTED_WITHIN = dt.timedelta(hours=14)
#: The stretch of readings that "now" draws. [s]
RECENT = dt.timedelta(minutes=10)
#: How far back the Yard now looks for notices that are over.
NOTICES_BACK = dt.timedelta(days=14)
#: Most points of a line in a chart, and in the small trace of a card.
CHART_POINTS, CARD_POINTS = 1000, 240
#: What is drawn of a pot.
PRESSURES = ("supply_pa", "pot_pa", "nozzle_pa")
#: Most rows of the log book that a page reads.
NEWEST_ROWS = 400
#: Keys of records' bodies that are money.
PRICE_FIELDS = frozenset({"price", "price_kg"})
#: Readings of one cycle that a page shows; the rest is in the download.
READINGS_SHOWN = 2000
#: What a finished stretch showed may be this old: late readings and calibrations can change it.
_TRACE_TTL_S = 60
_FIGURE_TTL_S = 60
_LIFE_TTL_S = 120
#: What is learned from all shifts together may be this old.
_LEARNED_TTL_S = 120
_WEATHER_TTL_S = 30
_NOW_TTL_S = 2

# One window at a time: overlapping ones would never let a writer in between.
_one_reader = threading.Lock()


class Place(NamedTuple):
    """Where the data folder and the yard file are."""

    data: Path
    yard: Path


def place() -> Place:
    """The data folder and the yard file, from ``GRITBOOK_DATA`` and ``GRITBOOK_YARD``."""
    named = {key: os.environ.get(key) for key in ("GRITBOOK_DATA", "GRITBOOK_YARD")}
    data = Path(named["GRITBOOK_DATA"]) if named["GRITBOOK_DATA"] else None
    yard = Path(named["GRITBOOK_YARD"]) if named["GRITBOOK_YARD"] else None
    return Place(data_folder(data), yard_path(yard, data))


def yard() -> Yard:
    """The yard file, read anew when it changes.

    Raises
    ------
    YardFileError
        There is none, or it says something that cannot be.
    """
    path = place().yard
    return _yard(str(path), path.stat().st_mtime_ns if path.exists() else 0)


@st.cache_resource(max_entries=4, show_spinner=False)
def _yard(path: str, changed_ns: int) -> Yard:
    return load_yard(Path(path))


def pot_title(described: Yard, pot: str) -> str:
    """What people call a pot."""
    return words.pot_title(described, pot)


@contextmanager
def together() -> Iterator[None]:
    """Let all that is read within open the store once, when the first of it is not kept yet.

    Opening takes longer than most reads. Only reads belong within: the box waits meanwhile.
    """
    if _within_one.get() is not None:
        yield
        return
    with ExitStack() as open_now:
        token = _within_one.set(_Once(open_now))
        try:
            yield
        finally:
            _within_one.reset(token)


class _Once:
    """A window that is opened by whoever needs it first, and closed with ``open_now``."""

    def __init__(self, open_now: ExitStack) -> None:
        self._open_now = open_now
        self._con: duckdb.DuckDBPyConnection | None = None

    def opened(self) -> duckdb.DuckDBPyConnection:
        if self._con is None:
            self._con = self._open_now.enter_context(_own_window())
        return self._con


_within_one: ContextVar[_Once | None] = ContextVar("within_one", default=None)


@contextmanager
def _window() -> Iterator[duckdb.DuckDBPyConnection]:
    shared = _within_one.get()
    if shared is not None:
        yield shared.opened()
        return
    with _own_window() as con:
        yield con


@contextmanager
def _own_window() -> Iterator[duckdb.DuckDBPyConnection]:
    if not _one_reader.acquire(timeout=PAGE_WAIT_S):
        raise StoreBusy(f"The store {store_path(place().data)} is being read.", "Try again.")
    try:
        with read_window(place().data, PAGE_WAIT_S) as con:
            yield con
    finally:
        _one_reader.release()


#: For modules beside this one that read for a page of their own.
window = _window


# --- what was shown last ---------------------------------------------------------------------


@dataclass(frozen=True)
class Shown(Generic[T]):
    """Something read, when it was read, and whether that is older than it should be."""

    value: T
    read_at: dt.datetime
    is_old: bool


@st.cache_resource(show_spinner=False)
def _last_shown() -> dict[tuple[object, ...], Shown[Any]]:
    return {}


def kept(read: Callable[..., T], *arguments: object) -> Shown[T]:
    """What ``read`` returns; where the store is busy, what it returned last for the same.

    Raises
    ------
    StoreBusy
        The store is busy, and this was never read before.
    """
    key = (str(place().data), read.__name__, sees_money(), *(str(a) for a in arguments))
    last = _last_shown()
    try:
        value = read(*arguments)
    except StoreBusy:
        if key not in last:
            raise
        before = last[key]
        return Shown(before.value, before.read_at, is_old=True)
    while len(last) > 60:
        last.pop(next(iter(last)), None)
    last.pop(key, None)
    last[key] = Shown(value, dt.datetime.now(dt.UTC), is_old=False)
    return last[key]


# --- versions --------------------------------------------------------------------------------


class Made(NamedTuple):
    """A report: its number, and what it is as a file."""

    number: str
    content: bytes


class Version(NamedTuple):
    """Changes whenever a derived figure, a record or the yard file may have changed."""

    data: str
    yard_changed_ns: int
    derived_at: dt.datetime | None
    entered: int


def version() -> Version:
    """The store's version; read at most every other second, and at once after an entry.

    Raises
    ------
    NotAllowed
        Whoever asks is not signed in, where that is needed: pages ask this before all they read,
        those that refresh themselves too.
    """
    session.require("look at the pages")
    data, yard_file = place()
    changed_ns = yard_file.stat().st_mtime_ns if yard_file.exists() else 0
    derived_at, entered = _version(str(data))
    return Version(str(data), changed_ns, derived_at, entered)


@st.cache_data(ttl=_NOW_TTL_S, show_spinner=False)
def _version(data: str) -> tuple[dt.datetime | None, int]:
    with _window() as con:
        return frames.store_version(con)


def sees_money() -> bool:
    """Whether whoever is at the page may see prices and costs.

    What has money in it is read for all viewers alike, and leaves this module without it for
    those who may not.
    """
    return session.may("see prices and costs")


def has_store() -> bool:
    """Whether anything was ever kept here."""
    return store_path(place().data).exists()


# --- the yard now ----------------------------------------------------------------------------


@dataclass(frozen=True)
class PotNow:
    """What a card of the yard now shows. Instants are naive UTC.

    Parameters
    ----------
    pot : str
        The pot.
    last_at : datetime or None
        Newest reading; ``None``: never heard.
    newest : Present or None
        What the readings of the last minutes say; ``None``: there are none.
    trace : polars.DataFrame
        ``analytics.traces.TRACE_SCHEMA``, calibrated pressures of the last minutes.
    open_spans : tuple of (datetime, datetime)
        When the dead-man was open in the last minutes.
    trace_from_at, trace_to_at : datetime
        The stretch of ``trace``.
    """

    pot: str
    last_at: dt.datetime | None
    newest: Present | None
    trace: pl.DataFrame
    open_spans: tuple[tuple[dt.datetime, dt.datetime], ...]
    trace_from_at: dt.datetime
    trace_to_at: dt.datetime


@st.cache_data(ttl=_NOW_TTL_S, max_entries=4, show_spinner=False)
def pots_now(version: Version) -> list[PotNow]:
    """The newest readings of every pot in the yard file, in its order."""
    described = yard()
    now = pipeline.utc_now()
    rows: dict[str, tuple[dt.datetime | None, pl.DataFrame]] = {}
    with _window() as con:
        known = frames.pots(con)
        for pot in described.pot_names:
            if pot not in known:
                continue
            recent = frames.samples(con, known[pot], now - RECENT, now + RECENT)
            last = recent["sampled_at"][-1] if recent.height else frames.last_heard(con, known[pot])
            rows[pot] = (last, recent)
    return [_pot_now(described, pot, *rows.get(pot, (None, None)), now) for pot in
            described.pot_names]  # fmt: skip


def _pot_now(
    described: Yard,
    pot: str,
    last_at: dt.datetime | None,
    recent: pl.DataFrame | None,
    now: dt.datetime,
) -> PotNow:
    gap_s = described.gap_s(pot)
    # A box whose clock runs ahead is still drawn to its newest reading.
    to_at = max(now, last_at) if last_at is not None and last_at < now + RECENT else now
    if recent is None or recent.is_empty():
        empty = pl.DataFrame(schema=traces.TRACE_SCHEMA)
        return PotNow(pot, last_at, None, empty, (), to_at - RECENT, to_at)
    frame = signals(recent, pipeline.transducer_laws(described, pot))
    frame = frame.filter(pl.col("sampled_at") >= to_at - RECENT)
    trace = traces.thinned(frame, ("supply_pa", "pot_pa", "nozzle_pa"), gap_s, CARD_POINTS)
    spans = traces.open_spans(frame, gap_s)
    return PotNow(pot, last_at, present(frame, gap_s), trace, spans, to_at - RECENT, to_at)


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def stretches_now(version: Version) -> dict[str, PotStretch]:
    """The shift or day so far, of every pot heard."""
    described = yard()
    now = pipeline.utc_now()
    found = {}
    with _window() as con:
        shifts = frames.shifts(con)
        for pot in frames.pots(con):
            under_way = shifts.filter(
                (pl.col("pot") == pot) & (pl.col("from_at") <= now) & (pl.col("to_at") > now)
            )
            if under_way.height:
                name, from_at, to_at = under_way.select("shift", "from_at", "to_at").row(0)
            else:
                name, (from_at, to_at) = "", site_day(site_date(now, described), described)
            found[pot] = figures.pot_stretch(
                con, described, pot, name, from_at, to_at, version.derived_at or now, shifts
            )
    return found


def site_date(at: dt.datetime, described: Yard) -> dt.date:
    """The day at the site of a naive UTC instant."""
    return at.replace(tzinfo=dt.UTC).astimezone(described.site.zone).date()


def site_day(day: dt.date, described: Yard) -> tuple[dt.datetime, dt.datetime]:
    """A day at the site, half-open, naive UTC; 23 or 25 h long where the clocks change."""
    begin, end = (
        dt.datetime.combine(d, dt.time(), tzinfo=described.site.zone)
        for d in (day, day + dt.timedelta(days=1))
    )
    return pipeline.naive_utc(begin), pipeline.naive_utc(end)


# --- notices -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Noticed:
    """Notices as they stand, what became of them, and what could not be sent.

    Parameters
    ----------
    standing : polars.DataFrame
        ``analytics.notices.STANDING_SCHEMA``, those of the last ``NOTICES_BACK``.
    events : polars.DataFrame
        Rows of ``notice_event`` of the same time, oldest first.
    sent : polars.DataFrame
        Rows of ``notice_sent``.
    """

    standing: pl.DataFrame
    events: pl.DataFrame
    sent: pl.DataFrame


@st.cache_data(ttl=_NOW_TTL_S, max_entries=4, show_spinner=False)
def noticed(version: Version) -> Noticed:
    """Notices as they stand now."""
    now = pipeline.utc_now()
    with _window() as con:
        found = notice_frames.notices(con, now - NOTICES_BACK)
        entries = notice_frames.notice_entries(con)
        events = notice_frames.notice_events(con, now - NOTICES_BACK)
        sent = notice_frames.sent(con)
    return Noticed(lifecycle(found, entries, now), events, sent)


# --- upkeep ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Upkeep:
    """What is due, and what checks found.

    Parameters
    ----------
    due : polars.DataFrame
        ``analytics.upkeep.DUE_SCHEMA`` with ``analytics.forecast.FORECAST_SCHEMA``.
    checks : polars.DataFrame
        Every check done.
    found : polars.DataFrame
        Last checks that were not good, of parts not replaced since.
    lives, stays : polars.DataFrame
        What each part did, in all and place by place.
    starts : polars.DataFrame
        Starts of shifts.
    """

    due: pl.DataFrame
    checks: pl.DataFrame
    found: pl.DataFrame
    lives: pl.DataFrame
    stays: pl.DataFrame
    starts: pl.DataFrame


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def upkeep_list(version: Version) -> Upkeep:
    """What is due on every pot, the most urgent first."""
    described = yard()
    with _window() as con:
        due = upkeep_ahead.upkeep_ahead(con, described, pipeline.utc_now())
        checks = part_frames.checks(con)
        found = figures.open_findings(con, checks)
        lives, stays = part_frames.lives(con), part_frames.stays(con)
        starts = part_frames.shift_starts(con)
    return Upkeep(due, checks, found, lives, stays, starts)


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def checks_lived(version: Version) -> pl.DataFrame:
    """Every check with what its part had done by then, newest first."""
    with _window() as con:
        return part_frames.checks_with_lives(con)


@st.cache_data(ttl=_LIFE_TTL_S, max_entries=2, show_spinner=False)
def lives_learned(
    data: str, yard_changed_ns: int, entered: int
) -> tuple[pl.DataFrame, list[lifetimes.Learned]]:
    """What each part's records tell of its life, and what was learned from them.

    It rests on what had been used by each check, so that new readings alone hardly change it.
    """
    with _window() as con:
        return upkeep_ahead.lives_learned(con, yard())


def report(version: Version, what: str, of: str, kind: str, paper: str, units: str) -> Made:
    """A report as a file to download.

    Parameters
    ----------
    version : Version
        What its figures rest on.
    what, of : str
        Key of :data:`dashboard.reports.content.KINDS`, and which one: a shift, a month as
        ``2026-11``, a pot; empty for the upkeep of all pots.
    kind, paper, units : str
        ``pdf`` or ``html``, ``a4`` or ``letter``, and the viewer's units.
    """
    return _report(version, what, of, kind, paper, units, sees_money())


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _report(
    version: Version, what: str, of: str, kind: str, paper: str, units: str, money: bool
) -> Made:
    from dashboard.reports import writing

    described, now = yard(), pipeline.utc_now()
    with units_of.use(units_of.CHOICES[units]):
        with _window() as con:
            composed = writing.composed(con, described, now, what, of, money)
        return Made(composed.number, writing.made(composed, kind, paper))


# --- a shift reviewed ------------------------------------------------------------------------


def shift_list(version: Version) -> pl.DataFrame:
    """Summaries of the shifts that have begun, newest first, one row a shift and pot."""
    return _to_choose_from(version)[0]


def pots_heard(version: Version) -> dict[str, tuple[dt.datetime | None, dt.datetime | None]]:
    """First and last instant of every pot heard, as of when figures were last derived."""
    return _to_choose_from(version)[1]


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _to_choose_from(
    version: Version,
) -> tuple[pl.DataFrame, dict[str, tuple[dt.datetime | None, dt.datetime | None]]]:
    with _window() as con:
        extents = frames.heard_extents(con)
        heard = {pot: extents.get(i, (None, None)) for pot, i in frames.pots(con).items()}
        return frames.shift_summaries(con), heard


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=16, show_spinner=False)
def stretch(
    version: Version, pot: str, shift: str, from_at: dt.datetime, to_at: dt.datetime
) -> PotStretch:
    """A stretch of a pot's time with its cycles and gaps, summed up to now."""
    known_to = version.derived_at or pipeline.utc_now()
    with _window() as con:
        if pot not in frames.pots(con):
            raise StoreError(f"{pot} has not been heard yet.", "Choose another pot.")
        return figures.pot_stretch(con, yard(), pot, shift, from_at, to_at, known_to)


@st.cache_data(ttl=_TRACE_TTL_S, max_entries=24, show_spinner=False)
def trace(
    data: str, yard_changed_ns: int, pot: str, from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """Calibrated pressures of a pot for a chart, thinned with every peak kept."""
    frame = _pressures(pot, from_at, to_at)
    if frame is None:
        return pl.DataFrame(schema=traces.TRACE_SCHEMA)
    return traces.thinned(frame, PRESSURES, yard().gap_s(pot), CHART_POINTS)


def pressures(pot: str, from_at: dt.datetime, to_at: dt.datetime) -> pl.DataFrame:
    """Every calibrated pressure of a stretch, for a file; read when somebody asks for it."""
    frame = _pressures(pot, from_at, to_at)
    if frame is None:
        kinds = {"sampled_at": pl.Datetime("us"), **dict.fromkeys(PRESSURES, pl.Float64)}
        return pl.DataFrame(schema=kinds)
    return frame.select("sampled_at", *PRESSURES)


def _pressures(pot: str, from_at: dt.datetime, to_at: dt.datetime) -> pl.DataFrame | None:
    with _window() as con:
        pot_id = frames.pots(con).get(pot)
        if pot_id is None:
            return None
        rows = frames.samples(con, pot_id, from_at, to_at)
    return signals(rows, pipeline.transducer_laws(yard(), pot))


@st.cache_data(ttl=_TRACE_TTL_S, max_entries=16, show_spinner=False)
def readings(data: str, pot: str, from_at: dt.datetime, to_at: dt.datetime) -> pl.DataFrame:
    """Every kept value of a pot in a short stretch, as it came, with the message it came in."""
    with _window() as con:
        pot_id = frames.pots(con).get(pot)
        if pot_id is None:
            raise StoreError(f"{pot} has not been heard yet.", "Choose another pot.")
        return frames.readings(con, pot_id, from_at, to_at)


# --- condition -------------------------------------------------------------------------------


@dataclass(frozen=True)
class PotCondition:
    """How a pot's cycles went over its whole history, against how they used to go.

    Parameters
    ----------
    spells : polars.DataFrame
        Weighed spells, newest first: ``analytics.condition_frames.SPELL_COLUMNS``.
    tippings : polars.DataFrame
        Tippings found, all of them.
    changes : polars.DataFrame
        ``analytics.indicators.CHANGE_SCHEMA``.
    fitted : polars.DataFrame
        ``part``, ``at`` of parts fitted.
    watch : Watch
        What is compared with what.
    """

    spells: pl.DataFrame
    tippings: pl.DataFrame
    changes: pl.DataFrame
    fitted: pl.DataFrame
    watch: standing.Watch

    def suggested(self, at: dt.datetime | None) -> list[diagnosis.Suggestion]:
        """What the signals suggest, as things stood then; ``None``: as they stand."""
        return diagnosis.suggestions(self.changes, at)


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=8, show_spinner=False)
def pot_condition(version: Version, pot: str) -> PotCondition:
    """The condition of a pot, from all of its weighed spells."""
    with _window() as con:
        pot_id = frames.pots(con).get(pot)
        if pot_id is None:
            raise StoreError(f"{pot} has not been heard yet.", "Choose another pot.")
        spells = condition_frames.weighed_spells(con, pot_id)
        conditions = condition_frames.conditions(con, pot_id)
        tippings = condition_frames.tippings(con, pot_id)
        events = part_frames.part_events(con)
    fitted = (
        events.filter((pl.col("since") == "fitted") & (pl.col("pot") == pot))
        .select("part", "at")
        .sort("at")
    )
    rests_on = (*spells["made_of"], *fitted.iter_rows())
    changes = _changes(version.data, pot, repr(rests_on), conditions, fitted)
    return PotCondition(
        spells.sort("from_at", descending=True),
        tippings,
        changes,
        fitted,
        standing.watch(conditions.height, changes),
    )


@st.cache_data(max_entries=8, show_spinner=False)
def _changes(
    data: str, pot: str, rests_on: str, _conditions: pl.DataFrame, _fitted: pl.DataFrame
) -> pl.DataFrame:
    """Charts of a pot's indicators; made anew only when what they rest on has changed."""
    return indicators.changes(_conditions, _fitted)


@dataclass(frozen=True)
class SpellLevel:
    """What a pot held through a spell.

    Parameters
    ----------
    line : polars.DataFrame
        ``analytics.standing.LINE_SCHEMA``.
    tippings : polars.DataFrame
        Those of the spell.
    emptied : tuple of datetime
        Releases of the cycles in which the pot ran empty.
    blast_s : float
        Blast time of its cycles. [s]
    """

    line: pl.DataFrame
    tippings: pl.DataFrame
    emptied: tuple[dt.datetime, ...]
    blast_s: float


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=16, show_spinner=False)
def spell_level(version: Version, pot: str, from_at: dt.datetime, to_at: dt.datetime) -> SpellLevel:
    """The abrasive in a pot through a spell that was weighed."""
    end = to_at + dt.timedelta(microseconds=1)
    with _window() as con:
        pot_id = frames.pots(con)[pot]
        conditions = condition_frames.conditions(con, pot_id, from_at, end)
        tippings = condition_frames.tippings(con, pot_id, from_at, end)
        cycles = frames.cycles(con, pot_id, from_at, end)
    emptied = conditions.filter("ran_empty").join(cycles, on="pressed_at")["released_at"]
    return SpellLevel(
        standing.level_line(conditions, cycles),
        tippings,
        tuple(emptied),
        float(cycles.filter(~pl.col("flicker"))["blast_s"].sum()),
    )


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=16, show_spinner=False)
def abrasive_ways(
    version: Version,
    pot: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
    shift: str,
    entered_kg: float | None,
    area_m2: float | None,
) -> ways.Ways:
    """Abrasive of a stretch of a pot three ways; without a shift, bags count by their instant."""
    with _window() as con:
        return figures.abrasive_ways(con, pot, from_at, to_at, shift, entered_kg, area_m2)


@st.cache_data(ttl=_WEATHER_TTL_S, max_entries=4, show_spinner=False)
def weather_now(data: str) -> dict[str, standing.Weather]:
    """Air and steel just now, of the pots whose boxes measure it."""
    now = pipeline.utc_now()
    half_hour = dt.timedelta(minutes=30)
    found = {}
    with _window() as con:
        for pot, pot_id in frames.pots(con).items():
            readings = condition_frames.slow_readings(
                con, pot_id, tuple(CLIMATE_CHANNELS), now - half_hour, now + RECENT
            )
            weather = standing.weather(readings, now)
            if weather is not None:
                found[pot] = weather
    return found


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=2, show_spinner=False)
def _book(data: str, entered: int) -> part_rows.Book:
    """What people entered about production: read once for all that rests on it."""
    with _window() as con:
        return part_rows.read_book(con)


def shift_sheet(version: Version, shift: str) -> tuple[sheets.Sheet, OwnEffect]:
    """A shift's sheet, and what a psi less costs by the yard's own shifts."""
    sheet, effect = _shift_sheet(version, shift)
    return (sheet if sees_money() else sheet.without_money()), effect


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=8, show_spinner=False)
def _shift_sheet(version: Version, shift: str) -> tuple[sheets.Sheet, OwnEffect]:
    described, now = yard(), pipeline.utc_now()
    with together():
        book = _book(version.data, version.entered)
        with _window() as con:
            read = sheets.read_sheet(con, described, shift, now, book)
    effect = _own_effect(version.data, version.yard_changed_ns, version.entered)
    return sheets.sheet_of(read, described, now), effect


@st.cache_data(ttl=_LEARNED_TTL_S, max_entries=2, show_spinner=False)
def _own_effect(data: str, yard_changed_ns: int, entered: int) -> OwnEffect:
    return own_effect(_rows_learned(data, yard_changed_ns, entered))


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def heaps(version: Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Abrasive in stock, and jobs with what is done of them."""
    book = _book(version.data, version.entered)
    return (
        stock.stock(book.moves, book.abrasives, book.kinds),
        production.jobs_done(book.jobs, book.areas),
    )


# --- comparing and estimating ----------------------------------------------------------------


def shift_rows(version: Version) -> pl.DataFrame:
    """A row a shift and pot, as comparing and estimating take them."""
    rows = _shift_rows(version)
    return rows if sees_money() else without_money(rows)


def _shift_rows(version: Version) -> pl.DataFrame:
    return _rows_learned(version.data, version.yard_changed_ns, version.entered)


@st.cache_data(ttl=_LEARNED_TTL_S, max_entries=2, show_spinner=False)
def _rows_learned(data: str, yard_changed_ns: int, entered: int) -> pl.DataFrame:
    """Rows of all shifts: made anew at an entry, and else when these are some minutes old.

    All that was ever done hardly changes with the seconds of a shift under way.
    """
    described, now = yard(), pipeline.utc_now()
    with together():
        book = _book(data, entered)
        with _window() as con:
            history = part_rows.read_history(con, described, now, book=book)
    # A year of shifts is work: the box must be able to write meanwhile.
    return part_rows.compared(part_rows.rows_of(history, described, now))


def comparison(
    version: Version, by: str, measure: str, from_at: dt.datetime | None
) -> compare.Comparison:
    """Groups compared over the shifts that began from an instant on (naive UTC; ``None``: all).

    Raises
    ------
    NotAllowed
        They are to be compared by money, which whoever asks may not see.
    """
    if MEASURES[measure].amount in MONEY:
        session.require("see prices and costs")
    rows = exports.between(_shift_rows(version), "from_at", from_at, None)
    # Streamlit's own digest of a frame looks at its first and last ten rows only.
    made_of = hashlib.sha256(rows.hash_rows().to_numpy().tobytes()).hexdigest()
    return _comparison(made_of, by, measure, rows)


@st.cache_data(max_entries=24, show_spinner=False)
def _comparison(made_of: str, by: str, measure: str, _rows: pl.DataFrame) -> compare.Comparison:
    """Made anew only of other rows: it takes the longest of all that pages show."""
    return compare.compare(_rows, MEASURES[measure], by)


def price_book(version: Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Prices, and kinds of abrasive with theirs; none for who may not see them."""
    prices, kinds = _price_book(version)
    return (prices, kinds) if sees_money() else (prices.clear(), kinds.clear())


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=2, show_spinner=False)
def _price_book(version: Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    with _window() as con:
        return entry_frames.prices(con), entry_frames.abrasive_kinds(con)


# --- what people entered ---------------------------------------------------------------------


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def names(version: Version) -> dict[str, list[str]]:
    """Crews, jobs, shifts and abrasives that can be chosen, the newest first."""
    with _window() as con:
        found = {
            kind: [row[kind] for row in reversed(records.current(con, kind))]
            for kind in ("crew", "job", "shift")
        }
        grit = [
            row["abrasive"]
            for kind in ("abrasive_kind", "abrasive")
            for row in reversed(records.current(con, kind))
        ]
    found["abrasive"] = list(dict.fromkeys(name for name in grit if name))
    return found


def record_log(version: Version) -> list[dict[str, Any]]:
    """The newest rows that people entered, each with what became of it."""
    log = _record_log(version)
    if sees_money():
        return log
    return [
        row | {"body": {k: v for k, v in row["body"].items() if k not in PRICE_FIELDS}}
        for row in log
        if row["kind"] != "price"
    ]


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _record_log(version: Version) -> list[dict[str, Any]]:
    with _window() as con:
        return frames.record_log(con, NEWEST_ROWS)


def record_history(version: Version, record_id: str) -> list[dict[str, Any]]:
    """Every row of the chain that a record belongs to, first entry first.

    Raises
    ------
    NotAllowed
        It is a price, which whoever asks may not see.
    """
    chain = _record_history(version, record_id)
    if sees_money():
        return chain
    if any(row["kind"] == "price" for row in chain):
        session.require("see prices and costs")
    return [{k: v for k, v in row.items() if k not in PRICE_FIELDS} for row in chain]


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=16, show_spinner=False)
def _record_history(version: Version, record_id: str) -> list[dict[str, Any]]:
    with _window() as con:
        return records.history(con, record_id)


def keep_photo(content: bytes) -> str:
    """Keep a photo; the name that a record's ``photo`` takes.

    Raises
    ------
    NotAllowed
        Whoever is at the page may not.
    RecordRefused
        It is no photo, too large, or cannot be written.
    """
    session.require("add photos")
    return photos.keep(place().data, content)


def photo(name: str) -> bytes | None:
    """A photo's bytes; ``None``: it is gone, or is not what was kept."""
    return photos.read(place().data, name)


def enter(kind: str, body: Mapping[str, Any], by: str, late: str = "", once: str = "") -> str:
    """Write down what somebody entered on a page; ``late``: why it comes after a signature.

    ``once`` is the form's own, from :func:`ingest.records.new_once`: sent twice, entered once.

    All that pages write comes through here, :func:`correct` and :func:`withdraw`: who may is
    decided here, and ``by`` counts only where nobody has to sign in.

    Raises
    ------
    NotAllowed
        Whoever is at the page may not.
    RecordRefused
        What was typed cannot be.
    StoreBusy
        The store was held for too long; the sentence repeats what was typed.
    """
    by = _named(session.writer(roles.entering(kind), by))
    record_id = records.add(
        place().data, yard(), kind, body, by=by, via="page", wait_s=ENTRY_WAIT_S,
        reason=late, once=once,
    )  # fmt: skip
    _version.clear()
    return record_id


def correct(record_id: str, body: Mapping[str, Any], by: str, reason: str, once: str = "") -> str:
    """Put a new row in the place of one that was entered; raises as :func:`enter` does."""
    by = _named(_corrector(record_id, by))
    new = records.correct(
        place().data, yard(), record_id, body, by, reason, via="page", wait_s=ENTRY_WAIT_S,
        once=once,
    )  # fmt: skip
    _version.clear()
    return new


def withdraw(record_id: str, by: str, reason: str) -> str:
    """Take away something that was entered; raises as :func:`enter` does."""
    by = _named(_corrector(record_id, by))
    new = records.withdraw(place().data, record_id, by, reason, via="page", wait_s=ENTRY_WAIT_S)
    _version.clear()
    return new


def signed_over(record_id: str) -> str:
    """The signed shift that an entry belongs to; empty: none is."""
    with _window() as con:
        return records.signed_over(con, record_id)


def _corrector(record_id: str, typed: str) -> str:
    """Who corrects: whoever may correct anything, else who entered it, soon, and may enter such."""
    if session.may("correct entries"):
        return session.writer("correct entries", typed)
    with _window() as con:
        chain = records.history(con, record_id)
    mine = chain[-1]["recorded_by"] == session.person().name
    soon = dt.datetime.now(dt.UTC) - chain[0]["recorded_at"] < OWN_CORRECTED_WITHIN
    if mine and soon and session.may(roles.entering(chain[0]["kind"])):
        return session.writer("correct own entries", typed)
    return session.writer("correct entries", typed)


def _named(by: str) -> str:
    if not by.strip():
        raise RecordRefused("Nobody is named as the one who enters this.", "Fill in your name.")
    return by
