"""What each pot did on each UTC day, so that what it did for years is summed without its cycles.

A running total (:mod:`analytics.hours`) of all a pot's cycles grows with the years. Its part before
a day is a sum of days; only within a day do cycles matter. So a total is made here from the sums of
days and from the cycles of those days in which something is asked, and says the same to the
microsecond as one that was made from every cycle.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from analytics.hours import (
    DAY_US,
    Count,
    Ints,
    Pace,
    PotHours,
    SilentCycles,
    Total,
    days_between,
    millionths,
)

#: Columns of the table ``pot_day``. [us, and counts]
DAY_SCHEMA: dict[str, Any] = {
    "pot": pl.String,
    "day_at": pl.Datetime("us"),
    "blast_us": pl.Int64,
    "blast_low_us": pl.Int64,
    "blast_high_us": pl.Int64,
    "silent_us": pl.Int64,
    "cycles": pl.Int64,
    "cycles_low": pl.Int64,
}
_SUMS = [name for name, kind in DAY_SCHEMA.items() if kind == pl.Int64]


def day_of(at_us: Ints) -> Ints:
    """Begin of the UTC day in which each instant lies. [us since 1970 UTC]"""
    return at_us // DAY_US * DAY_US


def sums_of_days(totals: PotHours, pot: str, days: Ints) -> pl.DataFrame:
    """What a pot did on UTC days.

    Parameters
    ----------
    totals : PotHours
        Running totals that hold for the whole of those days.
    pot : str
        The pot.
    days : ndarray of int64, shape (n,)
        Begins of the days. [us since 1970 UTC]

    Returns
    -------
    polars.DataFrame
        ``DAY_SCHEMA``, without days on which there was nothing to count.
    """
    until = days + DAY_US
    found = pl.DataFrame(
        {
            "day_at": days,
            "blast_us": totals.blast.us_within(days, until),
            "blast_low_us": totals.blast_low.us_within(days, until),
            "blast_high_us": totals.blast_high.us_within(days, until),
            "silent_us": totals.silent.us_within(days, until),
            "cycles": totals.pressed.within(days, until),
            "cycles_low": totals.sure.within(days, until),
        },
        schema={"day_at": pl.Int64, **dict.fromkeys(_SUMS, pl.Int64)},
    )
    return found.filter(pl.any_horizontal(pl.col(_SUMS) != 0)).select(
        pl.lit(pot).alias("pot"), pl.col("day_at").cast(pl.Datetime("us")), *_SUMS
    )


def days_with_anything(totals: PotHours) -> Ints:
    """Begins of the UTC days of which :func:`sums_of_days` may have something. [us]"""
    spans = (totals.blast, totals.blast_low, totals.blast_high, totals.silent)
    days = [days_between(total.at_us[0::2], total.at_us[1::2]) for total in spans]
    return np.unique(np.concatenate((*days, day_of(totals.pressed.at_us))))


class _Days(NamedTuple):
    """What sums of days say of a total or a count, and the days within which more is known."""

    day_us: Ints
    before: Ints
    known: Ints

    def up_to(self, at_us: Ints, known_up_to: Callable[[Ints], Ints]) -> Ints:
        """Up to each instant: the days before its own, and what is known within that."""
        at_us = np.asarray(at_us, dtype=np.int64)
        begin_us = day_of(at_us)
        if not np.isin(begin_us[at_us != begin_us], self.known).all():
            raise ValueError("asked within a day whose cycles were not read")
        before = self.before[np.searchsorted(self.day_us, begin_us)]
        return np.asarray(before + known_up_to(at_us) - known_up_to(begin_us))


@dataclass(frozen=True)
class _DayTotal(Total):
    """A total whose spans are known within some days only; sums of days stand for the rest."""

    days: _Days

    def us_up_to(self, at_us: Ints) -> Ints:
        return self.days.up_to(at_us, super().us_up_to)


@dataclass(frozen=True)
class _DayCount(Count):
    """A count whose instants are known within some days only."""

    days: _Days

    def up_to(self, at_us: Ints) -> Ints:
        return self.days.up_to(at_us, super().up_to)


def pace_of_days(days: pl.DataFrame) -> Pace:
    """The pace of a pot (:class:`analytics.hours.Pace`) from its days, ascending."""
    return Pace(*(_ints(days, name) for name in ("day_at", "blast_us", "cycles")))


def with_days(totals: PotHours, days: pl.DataFrame, known: Ints) -> PotHours:
    """Running totals that hold for a pot's whole time, from those of some days.

    Parameters
    ----------
    totals : PotHours
        Made from all that touches the days ``known``, and perhaps more, with the pace of ``days``.
    days : polars.DataFrame
        ``DAY_SCHEMA`` of the pot, ascending, of all days before the last that is asked.
    known : ndarray of int64, shape (n,)
        Begins of days within which may be asked for what parts are told of; other instants raise
        ``ValueError``. [us since 1970 UTC]

    Returns
    -------
    PotHours
        ``heard``, ``deadman`` and ``pinched`` with their bounds hold within stretches of ``known``
        days that follow one another.
    """
    day_us = _ints(days, "day_at")

    def before(name: str) -> _Days:
        return _Days(day_us, _before(days, name), known)

    def total(known_of: Total, name: str) -> Total:
        return _DayTotal(known_of.at_us, known_of.total_us, before(name))

    def count(known_of: Count, name: str) -> Count:
        return _DayCount(known_of.at_us, before(name))

    pace = totals.silent_cycles.pace
    each = millionths(_ints(days, "silent_us"), pace, day_us)
    return replace(
        totals,
        silent=total(totals.silent, "silent_us"),
        blast=total(totals.blast, "blast_us"),
        blast_low=total(totals.blast_low, "blast_low_us"),
        blast_high=total(totals.blast_high, "blast_high_us"),
        pressed=count(totals.pressed, "cycles"),
        sure=count(totals.sure, "cycles_low"),
        silent_cycles=SilentCycles(
            totals.silent, pace, day_us, np.concatenate(([0], np.cumsum(each)))
        ),
    )


def _ints(days: pl.DataFrame, name: str) -> Ints:
    return days[name].cast(pl.Int64).to_numpy()


def _before(days: pl.DataFrame, name: str) -> Ints:
    return np.concatenate(([0], np.cumsum(_ints(days, name)))).astype(np.int64)


def runs(days: Iterable[int]) -> list[tuple[dt.datetime, dt.datetime]]:
    """Stretches of days that follow one another, half-open, from begins of days. [us]

    Examples
    --------
    >>> [(a.day, b.day) for a, b in runs([DAY_US, 4 * DAY_US, 2 * DAY_US])]
    [(2, 4), (5, 6)]
    """
    found: list[tuple[int, int]] = []
    for day in sorted(set(days)):
        if found and found[-1][1] == day:
            found[-1] = (found[-1][0], day + DAY_US)
        else:
            found.append((day, day + DAY_US))
    return [(_instant(a), _instant(b)) for a, b in found]


def _instant(at_us: int) -> dt.datetime:
    return dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=at_us)  # noqa: DTZ001 - naive UTC
