"""Which part sat where: entries of people, taken in the order in which they happened.

A ledger holds what is on where, and is told one entry after the other; what comes out of it are
stays (which part sat where, from when to when) and checks. What parts did meanwhile is counted
apart (:mod:`analytics.parts_usage`). A ledger can go on from stays that were kept, so that an entry
of today does not need those of years.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import polars as pl

#: A part that is fitted so near to a check with the result *replaced* is what replaced it: people
#: enter one change twice, as a check and as a fitting. [s]
SAME_CHANGE_S = 3600.0

#: Of entries of one instant: a look at a part comes before it goes, and it goes before another.
CHECKED, REMOVED, FITTED = 0, 1, 2
Row = tuple[int, int, str, str, str, str, str, str, str, bool]

#: Pot, part, position: a ``Place`` without its names, for there are many.
Where = tuple[str, str, str]


@dataclass(slots=True)
class Stay:
    """A part in a place, from an instant to another. [us since 1970 UTC]"""

    number: int
    place: Where
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


class Checked(NamedTuple):
    """A look at the part of a stay."""

    record_id: str
    stay: int
    at_us: int
    result: str
    rule: str


@dataclass
class Ledger:
    """Stays as they come out of entries taken in order; instants in us since 1970 UTC."""

    stays: list[Stay] = field(default_factory=list)
    checks: list[Checked] = field(default_factory=list)
    on: dict[Where, Stay] = field(default_factory=dict)
    tagged: dict[tuple[str, str], Stay] = field(default_factory=dict)
    generation: dict[tuple[str, str], int] = field(default_factory=dict)

    def go_on_from(self, stay: Stay) -> None:
        """Take over a stay that was on when the entries to come begin; its number is set."""
        stay.number = len(self.stays)
        self.stays.append(stay)
        self.on[stay.place] = stay
        if stay.tag:
            self.tagged[stay.place[1], same_tag(stay.tag)] = stay

    def take(self, row: Row) -> None:
        """Enter what happened next; rows as :func:`in_order` has them."""
        at_us, kind, pot, part, position, tag, result, rule, record_id, also = row
        place = (pot, part, position)
        if kind == FITTED:
            self.fit(place, at_us, tag, record_id)
        elif kind == REMOVED:
            self.remove(place, at_us, tag, result, record_id)
        else:
            self.check(place, at_us, tag, result, rule, record_id, also)

    def ended(self) -> None:
        """Tell of stays whose part is on elsewhere since that it moved.

        Another took its place first, so when it ended it had been replaced.
        """
        last = {stay.part_id: stay for stay in self.stays}
        for stay in self.stays:
            if stay.ended_by == "replaced" and last[stay.part_id] is not stay:
                stay.ended_by = "moved"

    @property
    def passed_by(self) -> bool:
        """Whether a part with a tag was somewhere for no time at all: no row tells of it."""
        return any(stay.tag and stay.to_us is not None and stay.to_us <= stay.from_us
                   for stay in self.stays)  # fmt: skip

    def open(self, place: Where, at_us: int, tag: str, basis: str, record_id: str) -> Stay:
        pot, part, position = place
        known = (part, same_tag(tag))
        if tag:
            number = self.generation.get(known, 1)
            part_id = f"{part}/{same_tag(tag)}" + (f"/{number}" if number > 1 else "")
        else:
            part_id = f"{part}#{record_id or f'{basis}:{pot}/{position}'}"
        if basis == "unknown":
            part_id += f"@{at_us}"
        stay = Stay(len(self.stays), place, part_id, tag, basis, at_us, record_id)
        self.stays.append(stay)
        self.on[place] = stay
        if tag:
            self.tagged[known] = stay
        return stay

    def hear(self, place: Where, at_us: int) -> None:
        if place not in self.on:
            self.open(place, at_us, "", "heard", "")

    def close(self, stay: Stay, at_us: int, how: str, because: str, record_id: str) -> None:
        stay.to_us, stay.ended_by, stay.ended_by_record = at_us, how, record_id
        stay.because = because or stay.found
        if self.on.get(stay.place) is stay:
            del self.on[stay.place]
        known = (stay.place[1], same_tag(stay.tag))
        if stay.tag and self.tagged.get(known) is stay:
            del self.tagged[known]

    def fit(self, place: Where, at_us: int, tag: str, record_id: str) -> None:
        here = self.on.get(place)
        known = (place[1], same_tag(tag))
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

    def remove(self, place: Where, at_us: int, tag: str, because: str, record_id: str) -> None:
        stay = self.tagged.get((place[1], same_tag(tag))) if tag else None
        stay = stay or self.on.get(place)
        if stay is not None and stay.basis != "unknown":
            self.close(stay, at_us, "removed", because, record_id)
            self.open(stay.place, at_us, "", "unknown", "")
        if place not in self.on:
            self.open(place, at_us, "", "unknown", "")

    def check(
        self, place: Where, at_us: int, tag: str, result: str, rule: str, record_id: str,
        also: bool,
    ) -> None:  # fmt: skip
        stay = self.on.get(place) or self.open(place, at_us, "", "unknown", "")
        self.checks.append(Checked(record_id, stay.number, at_us, result, rule))
        if result != "replaced":
            stay.found = "" if result == "good" else result
            return
        stay.replaced = True
        if not also:
            self.fit(place, at_us, tag, record_id)


def same_tag(tag: str) -> str:
    """A tag as it is compared: people type one tag in several ways."""
    return " ".join(tag.split()).casefold()


def in_order(events: pl.DataFrame) -> list[Row]:
    """Entries in the order in which they happened, each with whether a fitting tells it too.

    A check that found a part replaced, and the fitting entered beside it, are one change: it
    happened at the earlier of the two instants, the look first.
    """
    if events.is_empty():
        return []
    kinds = {"checked": CHECKED, "removed": REMOVED, "fitted": FITTED}
    frame = events.select(
        pl.col("at").cast(pl.Datetime("us")).cast(pl.Int64),
        pl.col("kind").replace_strict(kinds, return_dtype=pl.Int8),
        "pot", "part", "position", "tag", "result", "rule", "record_id",
    )  # fmt: skip
    place = ["pot", "part", "position"]
    # Each change once as a check, with the nearest fittings within the hour.
    changed = frame.filter(
        (pl.col("kind") == CHECKED) & (pl.col("result") == "replaced") & (pl.col("tag") == "")
    )
    near = (
        changed.join(frame.filter(pl.col("kind") == FITTED), on=place, suffix="_fitted")
        .filter((pl.col("at_fitted") - pl.col("at")).abs() <= SAME_CHANGE_S * 1e6)
        .group_by([*place, "record_id", "at"])
        .agg(pl.col("at_fitted").min())
    )
    ordered = frame.join(near, on=[*place, "record_id", "at"], how="left").with_columns(
        pl.min_horizontal("at", "at_fitted").alias("at"),
        (pl.col("at_fitted").is_not_null() & (pl.col("result") == "replaced")).alias("also"),
    )
    return list(ordered.drop("at_fitted").sort("at", "kind", "record_id").iter_rows())
