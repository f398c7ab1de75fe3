"""Reading and caching for the pages: the windows they share, the yard now, upkeep, and stretches.

What they read of condition, of shifts, of signals and of what people entered lies in the modules
beside this one whose names end in ``_data``.

A page never opens the store. Here it is opened for one short window at a time, and what was read
is kept for a moment and shared by all viewers. Where the store is held for longer than a page may
wait, a page shows what it showed last and says so.
"""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

import polars as pl
import streamlit as st

from analytics import (
    figures,
    frames,
    hours,
    lifetimes,
    notice_frames,
    part_frames,
    pipeline,
    record_frames,
    traces,
    upkeep_ahead,
)
from analytics.figures import PotStretch
from analytics.notices import lifecycle
from analytics.present import Present, present
from analytics.signals import signals
from dashboard import units as units_of
from dashboard import words
from dashboard.access import session
from dashboard.commands.options import data_folder, yard_path
from ingest.config import Yard, load_yard
from ingest.errors import StoreBusy, StoreError
from ingest.store.connection import read_window, store_path

if TYPE_CHECKING:
    import duckdb

T = TypeVar("T")

#: How long a page waits for the store before it shows what it had. [s]
PAGE_WAIT_S = 4.0
#: The stretch of readings that "now" draws. [s]
RECENT = dt.timedelta(minutes=10)
#: How far back the Yard now looks for notices that are over.
NOTICES_BACK = dt.timedelta(days=14)
#: Most points of a line in a chart, and in the small trace of a card.
CHART_POINTS, CARD_POINTS = 1000, 240
#: What is drawn of a pot.
PRESSURES = ("supply_pa", "pot_pa", "nozzle_pa")
#: Readings of one cycle that a page shows; the rest is in the download.
READINGS_SHOWN = 2000
#: What a finished stretch showed may be this old: late readings and calibrations can change it.
TRACE_TTL_S = 60
FIGURE_TTL_S = 60
LIFE_TTL_S = 120
#: What is learned from all shifts together may be this old.
LEARNED_TTL_S = 120
WEATHER_TTL_S = 30
NOW_TTL_S = 2

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
def window() -> Iterator[duckdb.DuckDBPyConnection]:
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


@st.cache_data(ttl=NOW_TTL_S, show_spinner=False)
def _version(data: str) -> tuple[dt.datetime | None, int]:
    with window() as con:
        return frames.store_version(con)


def forget_version() -> None:
    """Have the next :func:`version` read anew: somebody has entered something."""
    _version.clear()


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


@st.cache_data(ttl=NOW_TTL_S, max_entries=4, show_spinner=False)
def pots_now(version: Version) -> list[PotNow]:
    """The newest readings of every pot in the yard file, in its order."""
    described = yard()
    now = pipeline.utc_now()
    rows: dict[str, tuple[dt.datetime | None, pl.DataFrame]] = {}
    with window() as con:
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


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=4, show_spinner=False)
def stretches_now(version: Version) -> dict[str, PotStretch]:
    """The shift or day so far, of every pot heard."""
    described = yard()
    now = pipeline.utc_now()
    found = {}
    with window() as con:
        shifts = record_frames.shifts(con)
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
    return hours.naive_utc(begin), hours.naive_utc(end)


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


@st.cache_data(ttl=NOW_TTL_S, max_entries=4, show_spinner=False)
def noticed(version: Version) -> Noticed:
    """Notices as they stand now."""
    now = pipeline.utc_now()
    with window() as con:
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


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=4, show_spinner=False)
def upkeep_list(version: Version) -> Upkeep:
    """What is due on every pot, the most urgent first."""
    described = yard()
    with window() as con:
        due = upkeep_ahead.upkeep_ahead(con, described, pipeline.utc_now())
        checks = part_frames.checks(con)
        found = figures.open_findings(con, checks)
        lives, stays = part_frames.lives(con), part_frames.stays(con)
        starts = part_frames.shift_starts(con)
    return Upkeep(due, checks, found, lives, stays, starts)


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=4, show_spinner=False)
def checks_lived(version: Version) -> pl.DataFrame:
    """Every check with what its part had done by then, newest first."""
    with window() as con:
        return part_frames.checks_with_lives(con)


@st.cache_data(ttl=LIFE_TTL_S, max_entries=2, show_spinner=False)
def lives_learned(
    data: str, yard_changed_ns: int, entered: int
) -> tuple[pl.DataFrame, list[lifetimes.Learned]]:
    """What each part's records tell of its life, and what was learned from them.

    It rests on what had been used by each check, so that new readings alone hardly change it.
    """
    with window() as con:
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


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _report(
    version: Version, what: str, of: str, kind: str, paper: str, units: str, money: bool
) -> Made:
    from dashboard.reports import writing

    described, now = yard(), pipeline.utc_now()
    with units_of.use(units_of.CHOICES[units]):
        with window() as con:
            composed = writing.composed(con, described, now, what, of, money)
        return Made(composed.number, writing.made(composed, kind, paper))


# --- a shift reviewed ------------------------------------------------------------------------


def shift_list(version: Version) -> pl.DataFrame:
    """Summaries of the shifts that have begun, newest first, one row a shift and pot."""
    return _to_choose_from(version)[0]


def pots_heard(version: Version) -> dict[str, tuple[dt.datetime | None, dt.datetime | None]]:
    """First and last instant of every pot heard, as of when figures were last derived."""
    return _to_choose_from(version)[1]


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _to_choose_from(
    version: Version,
) -> tuple[pl.DataFrame, dict[str, tuple[dt.datetime | None, dt.datetime | None]]]:
    with window() as con:
        extents = frames.heard_extents(con)
        heard = {pot: extents.get(i, (None, None)) for pot, i in frames.pots(con).items()}
        return frames.shift_summaries(con), heard


@st.cache_data(ttl=FIGURE_TTL_S, max_entries=16, show_spinner=False)
def stretch(
    version: Version, pot: str, shift: str, from_at: dt.datetime, to_at: dt.datetime
) -> PotStretch:
    """A stretch of a pot's time with its cycles and gaps, summed up to now."""
    known_to = version.derived_at or pipeline.utc_now()
    with window() as con:
        if pot not in frames.pots(con):
            raise StoreError(f"{pot} has not been heard yet.", "Choose another pot.")
        return figures.pot_stretch(con, yard(), pot, shift, from_at, to_at, known_to)


@st.cache_data(ttl=TRACE_TTL_S, max_entries=24, show_spinner=False)
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
    with window() as con:
        pot_id = frames.pots(con).get(pot)
        if pot_id is None:
            return None
        rows = frames.samples(con, pot_id, from_at, to_at)
    return signals(rows, pipeline.transducer_laws(yard(), pot))


@st.cache_data(ttl=TRACE_TTL_S, max_entries=16, show_spinner=False)
def readings(data: str, pot: str, from_at: dt.datetime, to_at: dt.datetime) -> pl.DataFrame:
    """Every kept value of a pot in a short stretch, as it came, with the message it came in."""
    with window() as con:
        pot_id = frames.pots(con).get(pot)
        if pot_id is None:
            raise StoreError(f"{pot} has not been heard yet.", "Choose another pot.")
        return frames.readings(con, pot_id, from_at, to_at)
