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
from collections.abc import Iterable, Mapping
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
_USED: dict[str, pl.DataType] = {
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
    **_USED,
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
    **_USED,
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
    **_USED,
}

#: A part that is fitted so near to a check with the result *replaced* is what replaced it: people
#: enter one change twice, as a check and as a fitting. [s]
SAME_CHANGE_S = 3600.0


class Place(NamedTuple):
    """Where a part of a kind sits."""

    pot: str
    part: str
    position: str


@dataclass
class _Stay:
    place: Place
    part_id: str
    tag: str
    basis: str
    from_at: dt.datetime
    fitted_by: str
    to_at: dt.datetime | None = None
    ended_by: str = ""
    because: str = ""
    ended_by_record: str = ""
    found: str = ""
    replaced: bool = False


@dataclass
class _Checked:
    record_id: str
    stay: _Stay
    at: dt.datetime
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
    """Stays as they come out of entries taken in order."""

    stays: list[_Stay] = field(default_factory=list)
    checks: list[_Checked] = field(default_factory=list)
    on: dict[Place, _Stay] = field(default_factory=dict)
    tagged: dict[tuple[str, str], _Stay] = field(default_factory=dict)
    generation: dict[tuple[str, str], int] = field(default_factory=dict)

    def open(self, place: Place, at: dt.datetime, tag: str, basis: str, record_id: str) -> _Stay:
        known = (place.part, _same_tag(tag))
        if tag:
            number = self.generation.get(known, 1)
            part_id = f"{place.part}/{_same_tag(tag)}" + (f"/{number}" if number > 1 else "")
        else:
            part_id = f"{place.part}#{record_id or f'{basis}:{place.pot}/{place.position}'}"
        if basis == "unknown":
            part_id += f"@{microseconds(at)}"
        stay = _Stay(place, part_id, tag, basis, at, record_id)
        self.stays.append(stay)
        self.on[place] = stay
        if tag:
            self.tagged[known] = stay
        return stay

    def hear(self, place: Place, at: dt.datetime) -> None:
        if place not in self.on:
            self.open(place, at, "", "heard", "")

    def close(self, stay: _Stay, at: dt.datetime, how: str, because: str, record_id: str) -> None:
        stay.to_at, stay.ended_by, stay.ended_by_record = at, how, record_id
        stay.because = because or stay.found
        if self.on.get(stay.place) is stay:
            del self.on[stay.place]
        known = (stay.place.part, _same_tag(stay.tag))
        if stay.tag and self.tagged.get(known) is stay:
            del self.tagged[known]

    def fit(self, place: Place, at: dt.datetime, tag: str, record_id: str) -> None:
        here = self.on.get(place)
        known = (place.part, _same_tag(tag))
        same = self.tagged.get(known) if tag else None
        if here is not None and here is same:
            if not here.replaced:
                return  # it is on already: entered twice, or put back after a look
            # Another part with the same words on it: a life of its own.
            self.generation[known] = self.generation.get(known, 1) + 1
        elif same is not None:
            self.close(same, at, "moved", "", record_id)
            self.open(same.place, at, "", "unknown", "")
        if here is not None:
            self.close(here, at, "replaced", "", record_id)
        self.open(place, at, tag, "fitted", record_id)

    def remove(self, place: Place, at: dt.datetime, event: Mapping[str, Any]) -> None:
        tag = event["tag"]
        stay = self.tagged.get((place.part, _same_tag(tag))) if tag else None
        stay = stay or self.on.get(place)
        if stay is not None and stay.basis != "unknown":
            self.close(stay, at, "removed", event["result"], event["record_id"])
            self.open(stay.place, at, "", "unknown", "")
        if place not in self.on:
            self.open(place, at, "", "unknown", "")

    def check(self, place: Place, at: dt.datetime, event: Mapping[str, Any], also: bool) -> None:
        stay = self.on.get(place) or self.open(place, at, "", "unknown", "")
        record_id, result = event["record_id"], event["result"]
        self.checks.append(_Checked(record_id, stay, at, result, event["rule"]))
        if result != "replaced":
            stay.found = "" if result == "good" else result
            return
        stay.replaced = True
        if not also:
            self.fit(place, at, event["tag"], record_id)


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
        and that the pot answered; ``cycles_high`` counts silence at the pot's own pace.

    """
    rows = _in_order(events.filter(pl.col("at") <= now))
    fitted = {
        Place(row["pot"], row["part"], row["position"])
        for _, row, _ in rows
        if row["kind"] == "fitted"
    }
    of_a_kind = {(pot, part) for pot, part, _ in fitted}
    places = {
        place
        for place in expected
        # Where parts were entered left and right only, nothing is in the usual place.
        if place in fitted or (place.pot, place.part) not in of_a_kind
    }
    ledger = _Ledger()
    heard = sorted(
        (_instant(hours.first_us), place)
        for place in places
        if (hours := totals.get(place.pot)) is not None and hours.first_us is not None
    )
    heard = [(at, place) for at, place in heard if at <= now]
    next_heard = 0
    for at, row, also in rows:
        while next_heard < len(heard) and heard[next_heard][0] <= at:
            ledger.hear(heard[next_heard][1], heard[next_heard][0])
            next_heard += 1
        place = Place(row["pot"], row["part"], row["position"])
        if row["kind"] == "fitted":
            ledger.fit(place, at, row["tag"], row["record_id"])
        elif row["kind"] == "removed":
            ledger.remove(place, at, row)
        else:
            ledger.check(place, at, row, also)
    for at, place in heard[next_heard:]:
        ledger.hear(place, at)
    return _counted(ledger, totals, places, now)


#: Of entries of one instant: a look at a part comes before it goes, and it goes before another.
_RANK = {"checked": 0, "removed": 1, "fitted": 2}


def _in_order(events: pl.DataFrame) -> list[tuple[dt.datetime, dict[str, Any], bool]]:
    """Entries in the order in which they happened, each with whether a fitting tells it too.

    A check that found a part replaced, and the fitting entered beside it, are one change: it
    happened at the earlier of the two instants, the look first.
    """
    rows = list(events.iter_rows(named=True))
    fittings: dict[Place, list[dt.datetime]] = {}
    for row in rows:
        if row["kind"] == "fitted":
            place = Place(row["pot"], row["part"], row["position"])
            fittings.setdefault(place, []).append(row["at"])
    ordered = []
    for row in rows:
        at, also = row["at"], False
        if row["kind"] == "checked" and row["result"] == "replaced" and not row["tag"]:
            near = [
                other
                for other in fittings.get(Place(row["pot"], row["part"], row["position"]), [])
                if abs((other - at).total_seconds()) <= SAME_CHANGE_S
            ]
            if near:
                at, also = min(at, *near), True
        ordered.append((at, row, also))
    ordered.sort(key=lambda one: (one[0], _RANK[one[1]["kind"]], one[1]["record_id"]))
    return ordered


def _instant(at_us: int) -> dt.datetime:
    since = dt.datetime.fromtimestamp(0, dt.UTC) + dt.timedelta(microseconds=at_us)
    return since.replace(tzinfo=None)


# --- counting --------------------------------------------------------------------------------


def _used(hours: PotHours | None, from_us: Ints, to_us: Ints) -> Ints:
    """What a pot did in windows: rows as the columns ``_USED``."""
    used = np.zeros((from_us.size, len(_USED)), dtype=np.int64)
    if hours is None or not from_us.size:
        return used
    silent_us = hours.silent.us_within(from_us, to_us)
    used[:, 0] = hours.blast.us_within(from_us, to_us)
    used[:, 1] = hours.blast_low.us_within(from_us, to_us)
    used[:, 2] = hours.blast_high.us_within(from_us, to_us) + silent_us
    used[:, 3] = hours.cycles_within(from_us, to_us)
    used[:, 4] = np.searchsorted(hours.sure_us, to_us) - np.searchsorted(hours.sure_us, from_us)
    used[:, 5] = hours.cycles_high_within(from_us, to_us)
    used[:, 6] = silent_us
    return used


def _of_windows(
    windows: list[tuple[str, dt.datetime, dt.datetime]], totals: Mapping[str, PotHours]
) -> Ints:
    used = np.zeros((len(windows), len(_USED)), dtype=np.int64)
    of_pot: dict[str, list[int]] = {}
    for index, (pot, _, _) in enumerate(windows):
        of_pot.setdefault(pot, []).append(index)
    for pot, indices in of_pot.items():
        from_us = np.array([microseconds(windows[i][1]) for i in indices], dtype=np.int64)
        to_us = np.array([microseconds(windows[i][2]) for i in indices], dtype=np.int64)
        used[indices] = _used(totals.get(pot), from_us, np.maximum(to_us, from_us))
    return used


def _counted(
    ledger: _Ledger, totals: Mapping[str, PotHours], expected: set[Place], now: dt.datetime
) -> PartsUsage:
    stays = ledger.stays
    last = {stay.part_id: stay for stay in stays}
    for stay in stays:
        if stay.ended_by == "replaced" and last[stay.part_id] is not stay:
            stay.ended_by = "moved"  # another took its place first, and it is on elsewhere since
    spent = _of_windows([(s.place.pot, s.from_at, s.to_at or now) for s in stays], totals)
    #: What each individual had done before a stay of its own began.
    before: dict[int, Ints] = {}
    life: dict[str, Ints] = {}
    first_at: dict[str, dt.datetime] = {}
    nothing = np.zeros(len(_USED), dtype=np.int64)
    for stay, used in zip(stays, spent, strict=True):
        before[id(stay)] = life.get(stay.part_id, nothing)
        life[stay.part_id] = before[id(stay)] + used
        first_at.setdefault(stay.part_id, stay.from_at)
    partly = _of_windows([(c.stay.place.pot, c.stay.from_at, c.at) for c in ledger.checks], totals)
    by_then = [
        before.get(id(check.stay), nothing) + used
        for check, used in zip(ledger.checks, partly, strict=True)
    ]
    last_good: dict[str, dict[str, tuple[dt.datetime, Ints]]] = {}
    for check, used in zip(ledger.checks, by_then, strict=True):
        if check.result == "good":
            last_good.setdefault(check.stay.part_id, {})[check.rule] = (check.at, used)
    usage: list[tuple[Any, ...]] = []
    for place, stay in ledger.on.items():
        checked = last_good.get(stay.part_id, {})
        if stay.basis == "unknown" and place not in expected and not checked:
            continue
        total = life.get(stay.part_id, nothing)
        begin = first_at.get(stay.part_id, stay.from_at)
        which = (place.pot, place.part, place.position, stay.part_id, stay.tag)
        usage.append((*which, stay.basis, "", begin, now, *total.tolist()))
        usage += [
            (*which, "checked", rule, at, now, *_since(total, used).tolist())
            for rule, (at, used) in sorted(checked.items())
        ]
    return PartsUsage(
        _frame(
            [
                (s.place.part, s.part_id, s.tag, s.place.pot, s.place.position, s.basis, s.from_at,
                 s.to_at, s.ended_by, s.because, s.fitted_by, s.ended_by_record, *used.tolist())
                for s, used in zip(stays, spent, strict=True)
                if s.to_at is None or s.to_at > s.from_at
            ], STAY_SCHEMA, ["part", "pot", "position", "from_at"],
        ),
        _frame(
            [
                (c.record_id, c.stay.place.part, c.stay.part_id, c.stay.place.pot,
                 c.stay.place.position, c.at, c.result, c.rule, *used.tolist())
                for c, used in zip(ledger.checks, by_then, strict=True)
            ], CHECK_SCHEMA, ["part", "pot", "position", "at", "record_id"],
        ),
        _frame(usage, USAGE_SCHEMA, ["pot", "part", "position", "since", "rule"]),
    )  # fmt: skip


def _since(total: Ints, by_then: Ints) -> Ints:
    """What came on top; silence's cycles were rounded up at both ends, and are again."""
    since = total - by_then
    since[5] += since[6] > 0
    return since


def _frame(
    rows: list[tuple[Any, ...]], schema: dict[str, pl.DataType], order: list[str]
) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=schema, orient="row").sort(order, maintain_order=True)
