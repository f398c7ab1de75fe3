"""A stretch of one pot in words: how much was heard, hours, pressures, abrasive three ways.

The review page and the printed sheet of a shift say the same, because both ask here.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from analytics import ways
from dashboard import condition_words, time_words, units, words
from dashboard.sheet_words import Said

Span = tuple[dt.datetime, dt.datetime]

#: From this share of a stretch on, silence is worth a warning. [-]
_SILENT_SHARE = 0.02


class Coverage(NamedTuple):
    """How much of a stretch was heard: a sentence, what it means, and whether it is a warning."""

    sentence: str
    more: str
    is_thin: bool


class Step(NamedTuple):
    """A step of the pressure on its way: channel, its name, its figure, and what was lost to it."""

    channel: str
    label: str
    value: str
    unit: str
    lost: str


def coverage(
    found: Mapping[str, Any],
    silent: Sequence[Span],
    zone: ZoneInfo,
    known_to: dt.datetime | None = None,
) -> Coverage:
    """How much of a stretch was heard.

    Parameters
    ----------
    found : mapping
        Its summary, ``elapsed_s`` and ``no_data_s`` in it. [s]
    silent : sequence of (datetime, datetime)
        When nothing was heard, naive UTC.
    zone : ZoneInfo
        The site's.
    known_to : datetime or None
        Up to when figures are, where the stretch is still under way; naive UTC.
    """
    elapsed_s, silent_s = found["elapsed_s"], found["no_data_s"]
    heard_s = elapsed_s - silent_s
    sentence = (
        f"Readings cover {time_words.duration(heard_s)} of {time_words.duration(elapsed_s)} "
        f"({words.percent(heard_s / elapsed_s) if elapsed_s else words.NONE})."
    )
    if known_to is not None:
        upto = time_words.clock(known_to, zone, with_seconds=True)
        sentence = f"Under way: figures up to {upto}. {sentence}"
    longest = max(silent, key=lambda span: span[1] - span[0], default=None)
    more = ""
    if longest is not None:
        lasted = time_words.duration((longest[1] - longest[0]).total_seconds())
        begin = time_words.clock(longest[0], zone, with_seconds=True)
        what = (
            f"Not heard once, for {lasted} from {begin}."
            if len(silent) == 1
            else f"Not heard {len(silent)} times, the longest {lasted} from {begin}."
        )
        more = (
            f"{what} What happened then is not known: the lower hours count it as off, the upper "
            "ones as on where it may have been blasting."
        )
    return Coverage(sentence, more, silent_s > _SILENT_SHARE * elapsed_s)


def headline(
    found: Mapping[str, Any], is_shift: bool, three: ways.Ways, below: str = " below"
) -> list[Said]:
    """Hours and cycles of a stretch; of a shift what was done and used too.

    Parameters
    ----------
    found : mapping
        Its summary: the columns of ``shift_summary``.
    is_shift : bool
        Whether it is a booked shift.
    three : Ways
        Its abrasive.
    below : str
        Where the cycles stand that the hours were made from; empty: not in the same place.
    """
    low, high, value = found["blast_low_s"], found["blast_high_s"], found["blast_s"]
    digits = words.hours_digits(low, high, value)
    deadman_digits = words.hours_digits(
        found["deadman_low_s"], found["deadman_high_s"], found["deadman_s"]
    )
    said = [
        Said(
            "Blast-on", words.hours(value, digits), "h",
            f"from {words.counted(found['cycles'], 'cycle', 'cycles')}{below}",
            words.between_hours(low, high, digits),
        ),
        Said("Pinch cycles", words.plain_number(found["cycles"]), "", "wedge closings"),
        Said(
            "Dead-man open", words.hours(found["deadman_s"], deadman_digits), "h", "",
            words.between_hours(found["deadman_low_s"], found["deadman_high_s"], deadman_digits),
        ),
    ]  # fmt: skip
    if is_shift:
        said += [
            Said(
                "Area done", words.measure("area", found["area_m2"]), units.unit("area"),
                "as entered" if found["area_m2"] is not None else "none entered yet",
            ),
            abrasive(found, three),
            Said("Pace", words.pace_h(found["area_m2_blast_h"]), units.unit("pace"),
                 "a blast-on hour"),
        ]  # fmt: skip
    return said


def abrasive(found: Mapping[str, Any], three: ways.Ways) -> Said:
    """Abrasive per area by the way that is used, and how far the others are from it."""
    way = three.way(three.used)
    if way is None:
        return Said(
            "Abrasive", words.NONE, units.unit("per_area"), "not known in any of three ways"
        )
    area = found["area_m2"]
    between = ""
    if area and way.name != ways.BAGS:
        between = words.between("per_area", way.low_kg / area, way.high_kg / area)
    said = [f"{words.with_unit('mass', way.kg)} by {condition_words.BY_WAY[way.name]}"]
    said += [
        f"{condition_words.BY_WAY[name]} {words.signed_percent(share)}"
        for name, share in three.apart.items()
    ]
    if not area:
        said.append("no area entered yet")
    per_area = three.kg_m2.get(way.name)
    return Said(
        "Abrasive", words.measure("per_area", per_area), units.unit("per_area"), "; ".join(said),
        between,
    )  # fmt: skip


_NO_WAY = {
    ways.BAGS: "none entered yet: enter them in the log book",
    ways.LOAD_CELL: "no load cell is read",
    ways.PRESSURE: "not weighed yet, or too few fills",
}


def three_ways(three: ways.Ways) -> list[Said]:
    """Abrasive by bags, by load cell and by pressures."""
    return [_way(three, name) for name in ways.ORDER]


def _way(shown: ways.Ways, name: str) -> Said:
    label = condition_words.WAY_WORDS[name] + (" (used)" if name == shown.used else "")
    way = shown.way(name)
    if way is None:
        return Said(label, words.NONE, "", _NO_WAY[name])
    said = []
    if name in shown.kg_m2:
        said.append(words.with_unit("per_area", shown.kg_m2[name]))
    if name in shown.apart:
        said.append(f"{words.signed_percent(shown.apart[name])} against the one used")
    if not way.whole:
        said.append(f"saw {words.percent(way.seen_share)} of the blast time, so it is not used")
    between = "" if name == ways.BAGS else words.between_kg(way.low_kg, way.high_kg)
    return Said(label, words.measure("mass", way.kg), units.unit("mass"), "; ".join(said), between)


def ways_notes(three: ways.Ways) -> list[str]:
    """Which way is used, and what differences between them allow for."""
    used = (
        f"{condition_words.WAY_WORDS[three.used]} used here." if three.used else "None can be used."
    )
    notes = [used] if three.found else []
    if three.level_change_kg is not None:
        more = "more" if three.level_change_kg >= 0 else "less"
        notes.append(
            f"The pot held {words.with_unit('mass', abs(three.level_change_kg))} {more} "
            "after the last cycle than before the first; differences allow for it."
        )
        if three.outside_kg > 0:
            notes.append(
                f"So do they for {words.with_unit('mass', three.outside_kg)} tipped before "
                "the first cycle or after the last."
            )
    return notes


#: Over the staircase.
STAIRS_TITLE = "Pressure while blasting, weighted by blast-on time"


def stairs(found: Mapping[str, Any]) -> list[Step]:
    """Pressures from manifold to nozzle, with what is lost on each step between them."""
    steps = []
    for channel, label, value, drop in (
        ("supply", "Manifold", found["supply_pa"], None),
        ("pot", "Pot", found["pot_pa"], found["drop_supply_pot_pa"]),
        ("nozzle", "Nozzle", found["nozzle_pa"], found["drop_pot_nozzle_pa"]),
    ):
        lost = "" if drop is None else f"{words.drop(drop)} on the way"
        number, unit = (
            ("not measured", "")
            if value is None
            else (words.pressure(value), units.unit("pressure"))
        )
        steps.append(Step(channel, label, number, unit, lost))
    return steps
