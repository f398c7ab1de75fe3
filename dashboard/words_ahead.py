"""Words for what upkeep has ahead: dates as ranges, and what the records tell of a life."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from dashboard import time_words, words
from ingest.parts import part_at

if TYPE_CHECKING:
    from analytics.lifetimes import Learned
    from analytics.weibull_life import WeibullLife

#: What a forecast is and is not, for pages, commands and calendars.
FORECAST_MEANS = (
    "Dates come from how each pot was used in the last eight weeks and from booked shifts; a range "
    "holds the day nine times in ten. They plan the work. They move no limit, and a date ahead is "
    "no promise that a part is fit until then."
)

#: Why there is no date, or only a latest one.
_NO_DATE = {
    "little_heard": "use known for less than two weeks",
    "no_use": "the pot was not used in the last eight weeks",
}


def _between(first: dt.date, last: dt.date) -> str:
    """Two days, with month and year said once where they are the same.

    Examples
    --------
    >>> _between(dt.date(2026, 11, 24), dt.date(2026, 11, 27))
    'Tue 24 and Fri 27 Nov 2026'
    """
    begin = time_words.day(first)
    if (first.year, first.month) == (last.year, last.month):
        begin = " ".join(begin.split()[:2])
    elif first.year == last.year:
        begin = " ".join(begin.split()[:3])
    return f"{begin} and {time_words.day(last)}"


def when(row: Mapping[str, Any]) -> str:
    """When a limit will pass, from a row of ``analytics.forecast.FORECAST_SCHEMA``.

    Examples
    --------
    >>> days = [dt.date(2026, 11, day) for day in (24, 25, 27)]
    >>> names = ("passes_from_on", "passes_on", "passes_to_on", "rests_on")
    >>> when(dict(zip(names, (*days, "use"))))
    'Between Tue 24 and Fri 27 Nov 2026'
    >>> when(dict(zip(names, (None, None, days[2], "no_use"))))
    'At the latest on Fri 27 Nov 2026; the pot was not used in the last eight weeks'
    """
    first, last, rests_on = row["passes_from_on"], row["passes_to_on"], row["rests_on"]
    if rests_on == "passed":
        return "The limit has passed"
    if rests_on == "condition":
        return "When its condition calls for it"
    if rests_on in _NO_DATE:
        why = _NO_DATE[rests_on]
        return (
            f"No date: {why}" if last is None else f"At the latest on {time_words.day(last)}; {why}"
        )
    if first is None:
        return "Not within half a year, as the pot is used now"
    if rests_on == "calendar":
        return f"On {time_words.day(first)}"
    if last is None:
        return f"Not before {time_words.day(first)}, as the pot is used now"
    if first == last:
        return f"About {time_words.day(first)}"
    return f"Between {_between(first, last)}"


#: Axis of a life -> its unit in words.
AXIS_WORDS = {"blast_h": "blast hours", "cycles": "pinch cycles"}


def use(axis: str, value: float) -> str:
    """A use with its unit.

    Examples
    --------
    >>> use("blast_h", 40.0).replace(words.NBSP, " "), use("cycles", 1510.2)
    ('40 h', '1\\u202f510 cycles')
    """
    if axis == "cycles":
        return words.counted(round(value), "cycle", "cycles")
    return f"{words.plain_number(round(value, 1))}{words.NBSP}h"


def of_hundred(share: float) -> str:
    """A share as so many of a hundred.

    Examples
    --------
    >>> of_hundred(0.217), of_hundred(0.001), of_hundred(0.999)
    ('22', 'under 1', 'over 99')
    """
    if 0.0 < share < 0.005:
        return "under 1"
    if 0.995 < share < 1.0:
        return "over 99"
    return f"{share * 100:.0f}"


#: How lives are learned, for whoever asks.
LIFE_MEANS = (
    "Nobody sees a part wear out: it happened somewhere between the last check that found it good "
    "and the one that did not. A part exchanged for another reason counts as good up to its last "
    "good check. Lives follow a Weibull law fitted to that; intervals hold the truth about nine "
    "times in ten. Every part is another one: what is learned may shorten a check's interval, and "
    "never lengthens one."
)


#: How to read the chart of a life.
CHART_MEANS = (
    "Line: how many of 100 are worn by then; shaded: where the truth lies nine times in ten; "
    "dashed: shorter intervals. Below, each part: thin as far as it was known good, thick where it "
    "wore out without anybody seeing it."
)


def check_row(axis: str, row: Mapping[str, Any]) -> tuple[str, ...]:
    """A row of ``analytics.lifetimes.CHECK_SCHEMA`` as it is read."""
    every = use(axis, row["every"])
    shares = [
        f"{of_hundred(row[name])} ({between(row[f'{name}_low'], row[f'{name}_high'])})"
        for name in ("worn_share", "worn_second_share")
    ]
    return (
        f"{every}, in force" if row["in_force"] else every, *shares, use(axis, row["worn_in_use"]),
    )  # fmt: skip


def between(low: float, high: float) -> str:
    """The interval of a share, of a hundred.

    Examples
    --------
    >>> between(0.118, 0.352), between(0.0, 0.001)
    ('between 12 and 35', 'between 0 and under 1')
    """
    return f"between {of_hundred(low)} and {of_hundred(high)}"


def life_title(learned: Learned) -> str:
    """Which part, and reckoned by what."""
    named = words.sentence(part_at(learned.part, learned.position))
    return f"{named}, by {AXIS_WORDS[learned.axis]}"


def too_few(learned: Sequence[Learned]) -> list[tuple[str, str]]:
    """Parts of which too little is known by any reckoning, each with why."""
    tells = {(one.part, one.position) for one in learned if hasattr(one.life, "beta")}
    found = {}
    for one in learned:
        if (one.part, one.position) not in tells and not hasattr(one.life, "beta"):
            found.setdefault((one.part, one.position), one.life.reason)
    return [(words.sentence(part_at(*at)), reason) for at, reason in found.items()]


def life_sentences(learned: Learned) -> list[str]:
    """What the records tell of a life; where they tell too little, that and nothing else."""
    life = learned.life
    if not hasattr(life, "beta"):
        return [life.reason]  # type: ignore[union-attr]
    if learned.checks is None or learned.limit is None:
        return [_half_worn(learned.axis, life)]
    rows = list(learned.checks.iter_rows(named=True))
    now, limit = rows[0], use(learned.axis, learned.limit)
    sentences = [
        f"At your {limit} check, {of_hundred(now['worn_share'])} of 100 are already worn "
        f"({between(now['worn_share_low'], now['worn_share_high'])}).",
        f"Of those good then, {of_hundred(now['worn_second_share'])} of 100 are worn "
        "at the check after.",
    ]
    shorter = [
        f"{of_hundred(row['worn_share'])} of 100 every {use(learned.axis, row['every'])}"
        for row in rows[1:]
    ]
    if shorter:
        sentences.append(f"Checked sooner, the first check would find {', '.join(shorter)}.")
    if learned.propose is not None:
        proposed = use(learned.axis, learned.propose)
        sentences.append(f"The records speak for a check every {proposed}.")
    else:
        sentences.append(
            f"The records do not show that {limit} is too long; that does not make it right."
        )
    return sentences


def _half_worn(axis: str, life: WeibullLife) -> str:
    middle, low, high = (use(axis, value) for value in life.use_at(0.5))
    low = low.removesuffix("cycles").removesuffix(f"{words.NBSP}h").rstrip()
    return f"Half are worn by {middle} (between {low} and {high}). No check is counted this way."


def life_basis(learned: Learned) -> str:
    """What a life rests on."""
    life = learned.life
    told = f"{life.worn} found worn, of {life.lives} known"
    if learned.replaced:
        told += f"; {learned.replaced} of them were only said to be replaced, and count as worn"
    return f"{told}."
