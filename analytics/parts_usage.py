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
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.hours import PotHours, microseconds

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

#: A part that is fitted so near to a check with the result *replaced* is what replaced it: people
#: enter one change twice, as a check and as a fitting. [s]
SAME_CHANGE_S = 3600.0


class Place(NamedTuple):
    """Where a part of a kind sits."""

    pot: str
    part: str
    position: str


#: Pot, part, position: a ``Place`` without its names, for there are many.
_Where = tuple[str, str, str]


@dataclass(slots=True)
class _Stay:
    number: int
    place: _Where
    part_id: str
    tag: str
    basis: str
    from_us: int
    fitted_by: str
    to_us: int | None = None
    ended_by: str = ""
    because: str = ""
    ended_by_record: str = ""
    found: str = ""
    replaced: bool = False


class _Checked(NamedTuple):
    record_id: str
    stay: int
    at_us: int
    result: str
    rule: str


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
    """

    stays: pl.DataFrame
    checks: pl.DataFrame
    usage: pl.DataFrame


@dataclass
class _Ledger:
    """Stays as they come out of entries taken in order; instants in us since 1970 UTC."""

    stays: list[_Stay] = field(default_factory=list)
    checks: list[_Checked] = field(default_factory=list)
    on: dict[_Where, _Stay] = field(default_factory=dict)
    tagged: dict[tuple[str, str], _Stay] = field(default_factory=dict)
    generation: dict[tuple[str, str], int] = field(default_factory=dict)

    def open(self, place: _Where, at_us: int, tag: str, basis: str, record_id: str) -> _Stay:
        pot, part, position = place
        known = (part, _same_tag(tag))
        if tag:
            number = self.generation.get(known, 1)
            part_id = f"{part}/{_same_tag(tag)}" + (f"/{number}" if number > 1 else "")
        else:
            part_id = f"{part}#{record_id or f'{basis}:{pot}/{position}'}"
        if basis == "unknown":
            part_id += f"@{at_us}"
        stay = _Stay(len(self.stays), place, part_id, tag, basis, at_us, record_id)
        self.stays.append(stay)
        self.on[place] = stay
        if tag:
            self.tagged[known] = stay
        return stay

    def hear(self, place: _Where, at_us: int) -> None:
        if place not in self.on:
            self.open(place, at_us, "", "heard", "")

    def close(self, stay: _Stay, at_us: int, how: str, because: str, record_id: str) -> None:
        stay.to_us, stay.ended_by, stay.ended_by_record = at_us, how, record_id
        stay.because = because or stay.found
        if self.on.get(stay.place) is stay:
            del self.on[stay.place]
        known = (stay.place[1], _same_tag(stay.tag))
        if stay.tag and self.tagged.get(known) is stay:
            del self.tagged[known]

    def fit(self, place: _Where, at_us: int, tag: str, record_id: str) -> None:
        here = self.on.get(place)
        known = (place[1], _same_tag(tag))
        same = self.tagged.get(known) if tag else None
        if here is not None and here is same:
            if not here.replaced:
                return  # it is on already: entered twice, or put back after a look
            # Another part with the same words on it: a life of its own.
            self.generation[known] = self.generation.get(known, 1) + 1
        elif same is not None:
            self.close(same, at_us, "moved", "", record_id)
            self.open(same.place, at_us, "", "unknown", "")
        if here is not None:
            self.close(here, at_us, "replaced", "", record_id)
        self.open(place, at_us, tag, "fitted", record_id)

    def remove(self, place: _Where, at_us: int, tag: str, because: str, record_id: str) -> None:
        stay = self.tagged.get((place[1], _same_tag(tag))) if tag else None
        stay = stay or self.on.get(place)
        if stay is not None and stay.basis != "unknown":
            self.close(stay, at_us, "removed", because, record_id)
            self.open(stay.place, at_us, "", "unknown", "")
        if place not in self.on:
            self.open(place, at_us, "", "unknown", "")

    def check(
        self, place: _Where, at_us: int, tag: str, result: str, rule: str, record_id: str,
        also: bool,
    ) -> None:  # fmt: skip
        stay = self.on.get(place) or self.open(place, at_us, "", "unknown", "")
        self.checks.append(_Checked(record_id, stay.number, at_us, result, rule))
        if result != "replaced":
            stay.found = "" if result == "good" else result
            return
        stay.replaced = True
        if not also:
            self.fit(place, at_us, tag, record_id)


def _same_tag(tag: str) -> str:
    return " ".join(tag.split()).casefold()


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
    rows = _in_order(events.filter(pl.col("at") <= now))
    fitted = {(pot, part, position) for _, kind, pot, part, position, *_ in rows if kind == _FITTED}
    of_a_kind = {(pot, part) for pot, part, _ in fitted}
    places: set[_Where] = {
        (place.pot, place.part, place.position)
        for place in expected
        # Where parts were entered left and right only, nothing is in the usual place.
        if place in fitted or (place.pot, place.part) not in of_a_kind
    }
    ledger = _Ledger()
    heard = sorted(
        (hours.first_us, place)
        for place in places
        if (hours := totals.get(place[0])) is not None
        and hours.first_us is not None
        and hours.first_us <= now_us
    )
    next_heard = 0
    for at_us, kind, pot, part, position, tag, result, rule, record_id, also in rows:
        while next_heard < len(heard) and heard[next_heard][0] <= at_us:
            ledger.hear(heard[next_heard][1], heard[next_heard][0])
            next_heard += 1
        place = (pot, part, position)
        if kind == _FITTED:
            ledger.fit(place, at_us, tag, record_id)
        elif kind == _REMOVED:
            ledger.remove(place, at_us, tag, result, record_id)
        else:
            ledger.check(place, at_us, tag, result, rule, record_id, also)
    for at_us, place in heard[next_heard:]:
        ledger.hear(place, at_us)
    return _counted(ledger, totals, places, now_us)


#: Of entries of one instant: a look at a part comes before it goes, and it goes before another.
_CHECKED, _REMOVED, _FITTED = 0, 1, 2
_Row = tuple[int, int, str, str, str, str, str, str, str, bool]


def _in_order(events: pl.DataFrame) -> list[_Row]:
    """Entries in the order in which they happened, each with whether a fitting tells it too.

    A check that found a part replaced, and the fitting entered beside it, are one change: it
    happened at the earlier of the two instants, the look first.
    """
    kinds = {"checked": _CHECKED, "removed": _REMOVED, "fitted": _FITTED}
    frame = events.select(
        pl.col("at").cast(pl.Datetime("us")).cast(pl.Int64),
        pl.col("kind").replace_strict(kinds, return_dtype=pl.Int8),
        "pot", "part", "position", "tag", "result", "rule", "record_id",
    )  # fmt: skip
    place = ["pot", "part", "position"]
    # Each change once as a check, with the nearest fittings within the hour.
    changed = frame.filter(
        (pl.col("kind") == _CHECKED) & (pl.col("result") == "replaced") & (pl.col("tag") == "")
    )
    near = (
        changed.join(frame.filter(pl.col("kind") == _FITTED), on=place, suffix="_fitted")
        .filter((pl.col("at_fitted") - pl.col("at")).abs() <= SAME_CHANGE_S * 1e6)
        .group_by([*place, "record_id", "at"])
        .agg(pl.col("at_fitted").min())
    )
    ordered = frame.join(near, on=[*place, "record_id", "at"], how="left").with_columns(
        pl.min_horizontal("at", "at_fitted").alias("at"),
        (pl.col("at_fitted").is_not_null() & (pl.col("result") == "replaced")).alias("also"),
    )
    return list(ordered.drop("at_fitted").sort("at", "kind", "record_id").iter_rows())


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
    ledger: _Ledger, totals: Mapping[str, PotHours], expected: set[_Where], now_us: int
) -> PartsUsage:
    stays, checks = ledger.stays, ledger.checks
    last = {stay.part_id: stay for stay in stays}
    for stay in stays:
        if stay.ended_by == "replaced" and last[stay.part_id] is not stay:
            stay.ended_by = "moved"  # another took its place first, and it is on elsewhere since
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
    shown = [stay for stay in stays if stay.to_us is None or stay.to_us > stay.from_us]
    return PartsUsage(
        _frame(
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
        ),
        _frame(
            {
                "record_id": [c.record_id for c in checks],
                "part": [stays[c.stay].place[1] for c in checks],
                "part_id": [stays[c.stay].part_id for c in checks],
                "pot": [stays[c.stay].place[0] for c in checks],
                "position": [stays[c.stay].place[2] for c in checks], "at": checked_us,
                "result": [c.result for c in checks], "rule": [c.rule for c in checks],
                **_columns(by_then),
            }, CHECK_SCHEMA, ["part", "pot", "position", "at", "record_id"],
        ),
        _frame(
            dict(zip(USAGE_SCHEMA, zip(*usage, strict=True), strict=True)) if usage else {},
            USAGE_SCHEMA, ["pot", "part", "position", "since", "rule"],
        ),
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
    raw = {name: pl.Int64() if kind == _INSTANT else kind for name, kind in schema.items()}
    instants = [pl.col(name).cast(kind) for name, kind in schema.items() if kind == _INSTANT]
    frame = pl.DataFrame(dict(columns), schema=raw).with_columns(instants)
    return frame.sort(order, maintain_order=True)
