"""Reads the cycles of those days that matter, and sums the other days of a pot beside them.

A window of years is asked for at its ends only: what lies between is in the sums of days
(:mod:`analytics.pot_days`). So cycles, gaps and booked shifts are read for the days of the ends.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import polars as pl

from analytics import frames, hours, pot_days, production

if TYPE_CHECKING:
    import duckdb


def midnight(at: dt.datetime) -> dt.datetime:
    """The begin of an instant's UTC day."""
    return at.replace(hour=0, minute=0, second=0, microsecond=0)


#: What is taken of cycles for shifts and parts.
CYCLE_COLUMNS = (*hours.CYCLE_COLUMNS, *production.PRESSURES)
_OF_CYCLES = ", ".join(("pot_id", *CYCLE_COLUMNS))


class OfPot(NamedTuple):
    """What was read of one pot."""

    cycles: pl.DataFrame
    gaps: pl.DataFrame
    booked: list[tuple[dt.datetime, dt.datetime]]


class ReadDays(NamedTuple):
    """Cycles, gaps and booked shifts of the days that matter, of all pots."""

    cycles: pl.DataFrame
    gaps: pl.DataFrame
    booked: pl.DataFrame

    def of(self, pot: str, pot_id: int) -> OfPot:
        """That of one pot: its name, its number in the store."""
        cycles = self.cycles.filter(pl.col("pot_id") == pot_id).drop("pot_id")
        gaps = self.gaps.filter(pl.col("pot_id") == pot_id).drop("pot_id")
        booked = self.booked.filter(pl.col("pot") == pot)
        # What touches two stretches was read twice.
        return OfPot(
            cycles.unique().sort("pressed_at"),
            gaps.unique().sort("from_at"),
            booked.unique().select("from_at", "to_at").rows(),
        )


def read_days(
    con: duckdb.DuckDBPyConnection, pots: Mapping[str, int], days: Mapping[str, set[int] | None]
) -> ReadDays:
    """Read what touches some days of each pot; ``None``: all of it.

    A stretch of days by itself in one query for all: bounds that a query compares a column with
    are looked up in what the store knows of its blocks, and the other blocks stay unread.
    """
    stretches = [
        (pot, pots.get(pot, -1), from_at, to_at)
        for pot, mine in days.items()
        for from_at, to_at in (
            [(frames.EARLIEST, frames.LATEST)] if mine is None else pot_days.runs(mine)
        )
    ]
    values: dict[str, Any] = {}
    for n, (pot, pot_id, from_at, to_at) in enumerate(stretches):
        values |= {f"pot{n}": pot, f"id{n}": pot_id, f"from{n}": from_at, f"to{n}": to_at}

    def touching(table: str, what: str, key: str, begin: str, end: str, named: str) -> pl.DataFrame:
        query = " UNION ALL ".join(
            f"SELECT {what} FROM {table} WHERE {key} = ${named}{n} AND {begin} <= $to{n} "
            f"AND {end} >= $from{n}"
            for n in range(len(stretches))
        )
        used = {name: value for name, value in values.items()
                if name.startswith((named, "from", "to"))}  # fmt: skip
        return frames.read_frame(con, query, **used)

    return ReadDays(
        touching("cycle", _OF_CYCLES, "pot_id", "span_from_at", "span_to_at", "id"),
        touching("gap", "*", "pot_id", "from_at", "to_at", "id"),
        touching("shift_summary", "shift, pot, from_at, to_at", "pot", "from_at", "to_at", "pot"),
    )


def totals_of_days(
    of_pot: OfPot,
    heard: tuple[dt.datetime | None, dt.datetime | None],
    stay: pl.DataFrame,
    anew: tuple[dt.datetime, set[int]] | None,
    pot: str,
    now: dt.datetime,
    count_silence_outside_shifts: bool,
) -> tuple[hours.PotHours, pl.DataFrame]:
    """Running totals of a pot, and the sums of those of its days that were made anew.

    ``stay`` are the sums of days that stay, ``anew`` from which day on they are made anew and the
    days that ``of_pot`` holds; ``None``: it holds everything.
    """
    today_us = int(pot_days.day_of(np.array([hours.microseconds(now)]))[0])

    def totals_with(pace: hours.Pace | None) -> hours.PotHours:
        return hours.pot_hours(
            of_pot.cycles, of_pot.gaps, *heard, of_pot.booked, count_silence_outside_shifts, pace
        )

    known = totals_with(None)
    if anew is None:
        days = pot_days.days_with_anything(known)
        return known, pot_days.sums_of_days(known, pot, days[days < today_us])
    from_us, held = hours.microseconds(anew[0]), np.array(sorted(anew[1]), dtype=np.int64)
    days = held[(held >= from_us) & (held < today_us)]
    added = pot_days.sums_of_days(known, pot, days)
    every = pl.concat([stay, added])
    known = replace(
        known,
        silent_cycles=hours.silent_cycles(known.silent, pot_days.pace_of_days(every)),
    )
    return pot_days.with_days(known, every, held), added
