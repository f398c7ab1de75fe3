"""What the pages read of how a pot is, of weighing, and of the weather."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl
import streamlit as st

from analytics import (
    condition_frames,
    diagnosis,
    frames,
    indicators,
    part_frames,
    pipeline,
    standing,
)
from analytics.climate import CLIMATE_CHANNELS
from dashboard import data
from ingest.errors import StoreError


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


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=8, show_spinner=False)
def pot_condition(version: data.Version, pot: str) -> PotCondition:
    """The condition of a pot, from all of its weighed spells."""
    with data.window() as con:
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


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=16, show_spinner=False)
def spell_level(
    version: data.Version, pot: str, from_at: dt.datetime, to_at: dt.datetime
) -> SpellLevel:
    """The abrasive in a pot through a spell that was weighed."""
    end = to_at + dt.timedelta(microseconds=1)
    with data.window() as con:
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


@st.cache_data(ttl=data.WEATHER_TTL_S, max_entries=4, show_spinner=False)
def weather_now(folder: str) -> dict[str, standing.Weather]:
    """Air and steel just now, of the pots whose boxes measure it."""
    now = pipeline.utc_now()
    half_hour = dt.timedelta(minutes=30)
    found = {}
    with data.window() as con:
        for pot, pot_id in frames.pots(con).items():
            readings = condition_frames.slow_readings(
                con, pot_id, tuple(CLIMATE_CHANNELS), now - half_hour, now + data.RECENT
            )
            weather = standing.weather(readings, now)
            if weather is not None:
                found[pot] = weather
    return found
