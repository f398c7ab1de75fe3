"""What the pages read of shifts: sheets, costs and heaps, and shifts beside one another."""

from __future__ import annotations

import datetime as dt
import hashlib

import polars as pl
import streamlit as st

from analytics import (
    compare,
    entry_frames,
    exports,
    figures,
    part_rows,
    pipeline,
    production,
    sheets,
    stock,
    ways,
)
from analytics.costs import MONEY, without_money
from analytics.nozzle_kept import OwnEffect, own_effect
from analytics.shift_rows import MEASURES
from dashboard import data
from dashboard.access import session


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=16, show_spinner=False)
def abrasive_ways(
    version: data.Version,
    pot: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
    shift: str,
    entered_kg: float | None,
    area_m2: float | None,
) -> ways.Ways:
    """Abrasive of a stretch of a pot three ways; without a shift, bags count by their instant."""
    with data.window() as con:
        return figures.abrasive_ways(con, pot, from_at, to_at, shift, entered_kg, area_m2)


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=2, show_spinner=False)
def _book(folder: str, entered: int) -> part_rows.Book:
    """What people entered about production: read once for all that rests on it."""
    with data.window() as con:
        return part_rows.read_book(con)


def shift_sheet(version: data.Version, shift: str) -> tuple[sheets.Sheet, OwnEffect]:
    """A shift's sheet, and what a psi less costs by the yard's own shifts."""
    sheet, effect = _shift_sheet(version, shift)
    return (sheet if data.sees_money() else sheet.without_money()), effect


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=8, show_spinner=False)
def _shift_sheet(version: data.Version, shift: str) -> tuple[sheets.Sheet, OwnEffect]:
    described, now = data.yard(), pipeline.utc_now()
    with data.together():
        book = _book(version.data, version.entered)
        with data.window() as con:
            read = sheets.read_sheet(con, described, shift, now, book)
    effect = _own_effect(version.data, version.yard_changed_ns, version.entered)
    return sheets.sheet_of(read, described, now), effect


@st.cache_data(ttl=data.LEARNED_TTL_S, max_entries=2, show_spinner=False)
def _own_effect(folder: str, yard_changed_ns: int, entered: int) -> OwnEffect:
    return own_effect(_rows_learned(folder, yard_changed_ns, entered))


def nozzle_bores(version: data.Version) -> pl.DataFrame:
    """Bores of nozzles that checks measured, oldest first: ``pot, at, bore_m``."""
    return _book(version.data, version.entered).bores


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=4, show_spinner=False)
def heaps(version: data.Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Abrasive in stock, and jobs with what is done of them."""
    book = _book(version.data, version.entered)
    return (
        stock.stock(book.moves, book.abrasives, book.kinds),
        production.jobs_done(book.jobs, book.areas),
    )


def shift_rows(version: data.Version) -> pl.DataFrame:
    """A row a shift and pot, as comparing and estimating take them."""
    rows = _shift_rows(version)
    return rows if data.sees_money() else without_money(rows)


def _shift_rows(version: data.Version) -> pl.DataFrame:
    return _rows_learned(version.data, version.yard_changed_ns, version.entered)


@st.cache_data(ttl=data.LEARNED_TTL_S, max_entries=2, show_spinner=False)
def _rows_learned(folder: str, yard_changed_ns: int, entered: int) -> pl.DataFrame:
    """Rows of all shifts: made anew at an entry, and else when these are some minutes old.

    All that was ever done hardly changes with the seconds of a shift under way.
    """
    described, now = data.yard(), pipeline.utc_now()
    with data.together():
        book = _book(folder, entered)
        with data.window() as con:
            history = part_rows.read_history(con, described, now, book=book)
    # A year of shifts is work: the box must be able to write meanwhile.
    return part_rows.compared(part_rows.rows_of(history, described, now))


def comparison(
    version: data.Version, by: str, measure: str, from_at: dt.datetime | None
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


def price_book(version: data.Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Prices, and kinds of abrasive with theirs; none for who may not see them."""
    prices, kinds = _price_book(version)
    return (prices, kinds) if data.sees_money() else (prices.clear(), kinds.clear())


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=2, show_spinner=False)
def _price_book(version: data.Version) -> tuple[pl.DataFrame, pl.DataFrame]:
    with data.window() as con:
        return entry_frames.prices(con), entry_frames.abrasive_kinds(con)
