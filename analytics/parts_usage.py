"""What each part did: its stays on pots, and the hours, cycles and days summed over them.

A part is an individual. A tag names it for good, so a part that is taken from one pot to another
takes its hours with it; a part without a tag is known by the entry that fitted it. What people
enter is put in the order in which it happened, however late it was entered, and gives stays: which
part sat where, from when to when.

Stays of a place leave no hole and do not overlap. Before the first entry a place holds a part that
nobody described (``heard``); after one was taken off and none entered it holds what nobody knows
(``unknown``). So the hours of all stays of a place are the hours of the place, to the microsecond.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.hours import PotHours, microseconds
from analytics.parts_ledger import FITTED, Checked, Ledger, Stay, Where, in_order

Ints = npt.NDArray[np.int64]

_TEXT, _INSTANT = pl.String(), pl.Datetime("us")
#: What :func:`usage_of_parts` takes: entries as they stand, in any order.
EVENT_SCHEMA: dict[str, pl.DataType] = {
    "at": _INSTANT,
    "record_id": _TEXT,
    "kind": _TEXT,  # fitted, removed, checked
    "pot": _TEXT,
    "part": _TEXT,
    "position": _TEXT,
    "tag": _TEXT,  # of what was fitted; of a check: what replaced it
    "result": _TEXT,  # of a check; of a removal: why
    "rule": _TEXT,  # of a check: the one rule it was for; empty: all of the part's
}
#: What is told of each stay, check and part, up to an instant or since one.
USED: dict[str, pl.DataType] = {
    "blast_us": pl.Int64(),
    "blast_low_us": pl.Int64(),
    "blast_high_us": pl.Int64(),
    "cycles": pl.Int64(),
    "cycles_low": pl.Int64(),
    "cycles_high": pl.Int64(),
    "silent_us": pl.Int64(),
}
STAY_SCHEMA: dict[str, pl.DataType] = {
    "part": _TEXT,
    "part_id": _TEXT,
    "tag": _TEXT,
    "pot": _TEXT,
    "position": _TEXT,
    "basis": _TEXT,  # fitted; heard or unknown: nobody entered what was on
    "from_at": _INSTANT,
    "to_at": _INSTANT,  # null: still on
    "ended_by": _TEXT,  # removed, replaced, moved; empty: still on
    "because": _TEXT,  # worn, failed, good, other; empty: not told
    "fitted_by": _TEXT,  # record that began it; empty: none did
    "ended_by_record": _TEXT,
    **USED,
}
#: A check with what the part had done by then, over all its stays.
CHECK_SCHEMA: dict[str, pl.DataType] = {
    "record_id": _TEXT,
    "part": _TEXT,
    "part_id": _TEXT,
    "pot": _TEXT,
    "position": _TEXT,
    "at": _INSTANT,
    "result": _TEXT,
    "rule": _TEXT,
    **USED,
}
USAGE_SCHEMA: dict[str, pl.DataType] = {
    "pot": _TEXT,
    "part": _TEXT,
    "position": _TEXT,
    "part_id": _TEXT,
    "tag": _TEXT,
    "since": _TEXT,  # fitted, heard, unknown: the part's whole life; checked: since then
    "rule": _TEXT,  # of checked: the rule it was for; empty: all of the part's
    "from_at": _INSTANT,
    "to_at": _INSTANT,
    **USED,
}


class Place(NamedTuple):
    """Where a part of a kind sits."""

    pot: str
    part: str
    position: str


@dataclass(frozen=True)
class PartsUsage:
    """What parts did.

    Parameters
    ----------
    stays : polars.DataFrame
        ``STAY_SCHEMA``: which part sat where, and what it did there.
    checks : polars.DataFrame
        ``CHECK_SCHEMA``: each check, and what the part had done by then.
    usage : polars.DataFrame
        ``USAGE_SCHEMA``: what is on now, since it was new and since each check that counts.
    passed_by : bool
        A part with a tag was somewhere for no time at all, and no stay tells of it.
    """

    stays: pl.DataFrame
    checks: pl.DataFrame
    usage: pl.DataFrame
    passed_by: bool


def usage_of_parts(
    events: pl.DataFrame,
    totals: Mapping[str, PotHours],
    expected: Iterable[Place],
    now: dt.datetime,
) -> PartsUsage:
    """Stays, checks and usage of all parts.

    Parameters
    ----------
    events : polars.DataFrame
        ``EVENT_SCHEMA``; those after ``now`` do not count yet.
    totals : mapping of str to PotHours
        Running totals of each pot; a pot that is not there did nothing.
    expected : iterable of Place
        Places that hold a part from when their pot was first heard, whether entered or not.
    now : datetime
        Naive UTC.

    Returns
    -------
    PartsUsage
        Microseconds and counts are exact. ``cycles_low`` are those that began with a press heard
        and that the pot answered; ``cycles_high`` counts silence at the pot's pace before it
        (:class:`analytics.hours.Pace`).
    """
    now_us = microseconds(now)
    rows = in_order(events.filter(pl.col("at") <= now))
    fitted = {Place(*row[2:5]) for row in rows if row[1] == FITTED}
    places = places_held(expected, fitted)
    ledger = Ledger()
    heard = sorted(
        (hours.first_us, place)
        for place in places
        if (hours := totals.get(place[0])) is not None
        and hours.first_us is not None
        and hours.first_us <= now_us
    )
    next_heard = 0
    for row in rows:
        while next_heard < len(heard) and heard[next_heard][0] <= row[0]:
            ledger.hear(heard[next_heard][1], heard[next_heard][0])
            next_heard += 1
        ledger.take(row)
    for at_us, place in heard[next_heard:]:
        ledger.hear(place, at_us)
    return _counted(ledger, totals, places, now_us)


def places_held(expected: Iterable[Place], fitted: Collection[Place]) -> set[Where]:
    """The places of ``expected`` that hold a part from the first on.

    Where parts were entered left and right only, nothing is in the usual place.
    """
    of_a_kind = {(place.pot, place.part) for place in fitted}
    return {
        (place.pot, place.part, place.position)
        for place in expected
        if place in fitted or (place.pot, place.part) not in of_a_kind
    }


# --- counting --------------------------------------------------------------------------------


def _used(hours: PotHours | None, from_us: Ints, to_us: Ints) -> Ints:
    """What a pot did in windows: rows as the columns ``USED``."""
    used = np.zeros((from_us.size, len(USED)), dtype=np.int64)
    if hours is None or not from_us.size:
        return used
    silent_us = hours.silent.us_within(from_us, to_us)
    used[:, 0] = hours.blast.us_within(from_us, to_us)
    used[:, 1] = hours.blast_low.us_within(from_us, to_us)
    used[:, 2] = hours.blast_high.us_within(from_us, to_us) + silent_us
    used[:, 3] = hours.cycles_within(from_us, to_us)
    used[:, 4] = hours.sure.within(from_us, to_us)
    used[:, 5] = hours.cycles_high_within(from_us, to_us)
    used[:, 6] = silent_us
    return used


def used_by_pots(
    pots: Sequence[str], from_us: Ints, to_us: Ints, totals: Mapping[str, PotHours]
) -> Ints:
    """What each window's own pot did in it.

    Parameters
    ----------
    pots : sequence of str, length n
        The pot of each window.
    from_us, to_us : ndarray of int64, shape (n,)
        Half-open windows. [us since 1970 UTC]
    totals : mapping of str to PotHours
        Running totals of each pot; one that is not there did nothing.

    Returns
    -------
    ndarray of int64, shape (n, 7)
        A column each for ``USED``.
    """
    used = np.zeros((from_us.size, len(USED)), dtype=np.int64)
    numbers = {pot: number for number, pot in enumerate(dict.fromkeys(pots))}
    which = np.array([numbers[pot] for pot in pots], dtype=np.int64)
    for pot, number in numbers.items():
        of_pot = np.flatnonzero(which == number)
        begin, end = from_us[of_pot], to_us[of_pot]
        used[of_pot] = _used(totals.get(pot), begin, np.maximum(begin, end))
    return used


def _counted(
    ledger: Ledger, totals: Mapping[str, PotHours], expected: set[Where], now_us: int
) -> PartsUsage:
    stays, checks = ledger.stays, ledger.checks
    ledger.ended()
    from_us = np.array([stay.from_us for stay in stays], dtype=np.int64)
    to_us = np.array([now_us if s.to_us is None else s.to_us for s in stays], dtype=np.int64)
    spent = used_by_pots([stay.place[0] for stay in stays], from_us, to_us, totals)
    # What each individual had done before a stay of its own began.
    before = np.zeros_like(spent)
    life: dict[str, Ints] = {}
    first_us: dict[str, int] = {}
    nothing = np.zeros(len(USED), dtype=np.int64)
    for stay in stays:
        before[stay.number] = life.get(stay.part_id, nothing)
        life[stay.part_id] = before[stay.number] + spent[stay.number]
        first_us.setdefault(stay.part_id, stay.from_us)
    of_check = np.array([check.stay for check in checks], dtype=np.int64)
    checked_us = np.array([check.at_us for check in checks], dtype=np.int64)
    by_then = before[of_check] + used_by_pots(
        [stays[check.stay].place[0] for check in checks], from_us[of_check], checked_us, totals
    )
    last_good: dict[str, dict[str, int]] = {}
    for number, check in enumerate(checks):
        if check.result == "good":
            last_good.setdefault(stays[check.stay].part_id, {})[check.rule] = number
    usage: list[tuple[Any, ...]] = []
    for place, stay in ledger.on.items():
        good = last_good.get(stay.part_id, {})
        if stay.basis == "unknown" and place not in expected and not good:
            continue
        total = life[stay.part_id]
        which = (*place, stay.part_id, stay.tag)
        begin = first_us[stay.part_id]
        usage.append((*which, stay.basis, "", begin, now_us, *total.tolist()))
        usage += [
            (*which, "checked", rule, checks[n].at_us, now_us, *_since(total, by_then[n]).tolist())
            for rule, n in sorted(good.items())
        ]
    return PartsUsage(
        stay_rows(stays, spent),
        check_rows(checks, stays, by_then),
        _frame(
            dict(zip(USAGE_SCHEMA, zip(*usage, strict=True), strict=True)) if usage else {},
            USAGE_SCHEMA, ["pot", "part", "position", "since", "rule"],
        ),
        ledger.passed_by,
    )  # fmt: skip


def stay_rows(stays: Sequence[Stay], spent: Ints) -> pl.DataFrame:
    """Stays as ``STAY_SCHEMA``, without those that lasted no time.

    Parameters
    ----------
    stays : sequence of Stay, length n
        In the order of their numbers.
    spent : ndarray of int64, shape (n, 7)
        What each did, a column each for ``USED``.
    """
    shown = [stay for stay in stays if stay.to_us is None or stay.to_us > stay.from_us]
    return _frame(
        {
            "part": [s.place[1] for s in shown], "part_id": [s.part_id for s in shown],
            "tag": [s.tag for s in shown], "pot": [s.place[0] for s in shown],
            "position": [s.place[2] for s in shown], "basis": [s.basis for s in shown],
            "from_at": [s.from_us for s in shown], "to_at": [s.to_us for s in shown],
            "ended_by": [s.ended_by for s in shown], "because": [s.because for s in shown],
            "fitted_by": [s.fitted_by for s in shown],
            "ended_by_record": [s.ended_by_record for s in shown],
            **_columns(spent[[s.number for s in shown]]),
        }, STAY_SCHEMA, ["part", "pot", "position", "from_at"],
    )  # fmt: skip


def check_rows(checks: Sequence[Checked], stays: Sequence[Stay], by_then: Ints) -> pl.DataFrame:
    """Checks as ``CHECK_SCHEMA``.

    Parameters
    ----------
    checks : sequence of Checked, length n
        As they were entered in the ledger.
    stays : sequence of Stay
        In the order of their numbers.
    by_then : ndarray of int64, shape (n, 7)
        What each one's part had done by then, a column each for ``USED``.
    """
    return _frame(
        {
            "record_id": [c.record_id for c in checks],
            "part": [stays[c.stay].place[1] for c in checks],
            "part_id": [stays[c.stay].part_id for c in checks],
            "pot": [stays[c.stay].place[0] for c in checks],
            "position": [stays[c.stay].place[2] for c in checks],
            "at": [c.at_us for c in checks],
            "result": [c.result for c in checks], "rule": [c.rule for c in checks],
            **_columns(by_then),
        }, CHECK_SCHEMA, ["part", "pot", "position", "at", "record_id"],
    )  # fmt: skip


def _columns(used: Ints) -> dict[str, Ints]:
    return {name: used[:, index] for index, name in enumerate(USED)}


def _since(total: Ints, by_then: Ints) -> Ints:
    """What came on top; silence's cycles were rounded up at both ends, and are again."""
    since = total - by_then
    since[5] += since[6] > 0
    return since


def _frame(
    columns: Mapping[str, Any], schema: dict[str, pl.DataType], order: list[str]
) -> pl.DataFrame:
    """A frame of columns; instants come as microseconds."""
    # Column by column: most such frames have few rows, and to reckon out how to make them whole
    # takes longer than to make them.
    made = [
        pl.Series(name, columns.get(name, []), pl.Int64()).cast(kind)
        if kind == _INSTANT
        else pl.Series(name, columns.get(name, []), kind)
        for name, kind in schema.items()
    ]
    frame = pl.DataFrame(made)
    return frame if frame.is_empty() else frame.sort(order, maintain_order=True)
