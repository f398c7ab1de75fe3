"""Comparing and estimating in words, the same for the commands and the pages."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics.compare import GROUPS
from analytics.shift_rows import MEASURES, REASON_WORDS
from analytics.work_terms import TERM_WORDS
from dashboard import spoken, time_words, units, words

if TYPE_CHECKING:
    from analytics.compare import Comparison
    from analytics.estimate import Estimate
    from ingest.config import Yard

#: What adjusting does, as (question, answer).
HOW_ADJUSTED = (
    ("Why not simply divide?",
     "Area over hours says what was done, and both sums are shown. But a crew that had the rusty "
     "tank all month, or the small nozzle, or the pot with a tired compressor, did less per hour "
     "for that reason alone."),
    ("What does adjusting do?",
     "It looks at shifts on steel, access, nozzle and pressure alike, learns from all shifts what "
     "each of these costs, and asks what each crew would have done on the mix of all. What is "
     "peculiar to a pot or a job is set apart too, so that it is not taken for the crew's."),
    ("Why are the adjusted figures closer together?",
     "A few good days can be luck. The fewer shifts there are, the more a figure is drawn to the "
     "middle of all; with many shifts it stands on its own."),
    ("What is the bar?",
     "Nine in ten of such bars hold the true figure. It is wide because how much crews, pots and "
     "jobs differ is itself not known well. Where missing data leave blast hours open, that is in "
     "the bar of what was done."),
    ("When are two called different?",
     "Only when the figures of all pairs together allow it: where all are equal, a difference is "
     "called at most 5 times in 100. Otherwise they cannot be told apart by these shifts, which "
     "does not say that they are equal."),
    ("What is not allowed for?",
     "Weather, sharpness of abrasive, height, waiting, and anything nobody entered. A rate is no "
     "judgement of people: single persons are not compared."),
)  # fmt: skip

#: Line of an estimate -> the words for it.
LINE_WORDS = {
    "blast_h": "Blast hours, all nozzles together",
    "shift_h": "Hours on the clock",
    "person_h": "Paid hours of people",
    "abrasive_kg": "Abrasive",
    "air_kg": "Air through the nozzles",
    "money": "Money",
}
RESTS_ON_WORDS = {
    "history": "this yard's own history",
    "physics": "law of flow, air metered by the trade",
    "practice": "common practice, not this yard",
}
VERDICT_WORDS = {
    "": "Not known here",
    "room": "Should feed them, worn ones too",
    "tight": "Should feed new ones, not worn ones",
    "short": "Cannot be expected to feed them",
}
ESTIMATE_CAUTION = (
    "An estimate is no promise and no plan of work. Pressures stay within what vessel, hoses and "
    "couplings are rated for; local code and a competent person decide."
)


def measure_title(name: str) -> str:
    """A measure with the viewer's unit."""
    measure = MEASURES[name]
    unit = measure.unit.replace("m²", units.unit("area")).replace("kg", units.unit("mass"))
    return f"{measure.title} [{unit}]"


def _factor(column: str) -> float:
    quantity = {"area_m2": "area", "abrasive_kg": "mass", "air_kg": "mass"}.get(column)
    return 1.0 if quantity is None else units.factor(quantity)


def in_viewers_units(found: Comparison) -> Comparison:
    """A comparison with its rates in the viewer's unit; sums and shares stay as they are.

    Parameters
    ----------
    found : Comparison
        With rates in the unit of its measure's name.
    """
    factor = _factor(found.measure.per) / _factor(found.measure.amount)
    if units.current() is units.METRIC:
        return found

    def told(frame: pl.DataFrame, *names: str) -> pl.DataFrame:
        """Bores are the names of their groups."""
        said = [name for name in names if frame.height]
        return frame.with_columns(
            pl.col(name).map_elements(spoken.page_units, return_dtype=pl.String) for name in said
        )

    rates = ("rate", "rate_low", "rate_high", "adjusted", "adjusted_low", "adjusted_high")
    return replace(
        found,
        groups=told(found.groups.with_columns(pl.col(name) * factor for name in rates), "group"),
        unusual=told(found.unusual.with_columns(pl.col("rate") * factor), "group"),
        pairs=told(found.pairs, "first", "second", "sentence"),
        left_out=told(found.left_out, "group"),
        sentences=tuple(spoken.page_units(sentence) for sentence in found.sentences),
    )


def rate(value: float | None) -> str:
    """A rate to three digits."""
    return words.three_digits(value)


def between(low: float | None, high: float | None) -> str:
    """An interval of rates; a dash where there is none.

    Examples
    --------
    >>> between(9.871, 12.4), between(None, None)
    ('9.87 to 12.4', '–')
    """
    if low is None or high is None:
        return words.NONE
    return f"{rate(low)} to {rate(high)}"


def effect(row: dict[str, Any]) -> str:
    """A group against the middle of all, with its interval.

    Examples
    --------
    >>> effect({"effect": 0.031, "effect_low": -0.06, "effect_high": 0.12}).replace(words.NBSP, " ")
    '+3 % (−6 % to +12 %)'
    """
    if row["effect"] is None:
        return words.NONE
    low, high = (words.signed_percent(row[f"effect_{end}"]) for end in ("low", "high"))
    return f"{words.signed_percent(row['effect'])} ({low} to {high})"


def counted_of(row: dict[str, Any]) -> str:
    """Shifts that count, of all."""
    return f"{row['used']} of {row['shifts']}"


def adjusted_for(found: Comparison) -> str:
    """What the adjusted figures allow for."""
    if found.groups["adjusted"].null_count() == found.groups.height:
        return ""
    set_apart = [name for name in ("crew", "pot", "job") if name != found.by]
    terms = [TERM_WORDS[name] for name in found.adjusted_for]
    said = f"Allowed for: {', '.join(terms)}. " if terms else ""
    return f"{said}Set apart: {', '.join(set_apart)}."


def measure_named(name: str, yard: Yard) -> str:
    """A measure with its unit; money in the site's currency."""
    if name == "cost_m2":
        return f"Cost per area [{yard.site.currency or 'money'}/{units.unit('area')}]"
    return measure_title(name)


def group_head(found: Comparison) -> tuple[str, ...]:
    """Headings of the columns of :func:`group_rows`."""
    return (
        words.sentence(GROUPS[found.by][0]), "Shifts that count", "Done", "90 % range",
        "Under like conditions", "90 % range", "Against the middle of all",
    )  # fmt: skip


def group_rows(found: Comparison) -> list[tuple[str, ...]]:
    """Groups as they are read: what was done, and under like conditions, each with its range."""
    return [
        (
            row["group"], counted_of(row), rate(row["rate"]),
            between(row["rate_low"], row["rate_high"]), rate(row["adjusted"]),
            between(row["adjusted_low"], row["adjusted_high"]), effect(row),
        )
        for row in found.groups.iter_rows(named=True)
    ]  # fmt: skip


def verdict(found: Comparison) -> tuple[str, str]:
    """Which groups are called different, and how many pairs are not; empty: there are no pairs."""
    if not found.pairs.height:
        return "", ""
    called = found.pairs.filter("different")
    rest = f"{found.pairs.height - called.height} of {found.pairs.height} pairs cannot be "
    none = (said for said in found.sentences if said.startswith("None of these"))
    said = "\n".join(called["sentence"]) or next(none, found.sentences[-1])
    return said, f"{rest}told apart." if called.height else ""


def unusual_head(found: Comparison) -> tuple[str, ...]:
    """Headings of the columns of :func:`unusual_rows`."""
    one = words.sentence(GROUPS[found.by][0])
    return ("Shift", "Pot", one, "When", "Rate", "Times what is expected")


def unusual_rows(found: Comparison, yard: Yard) -> list[tuple[str, ...]]:
    """Shifts far from what the others lead to expect."""
    return [
        (
            row["shift"], words.pot_title(yard, row["pot"]), row["group"],
            _when(row["from_at"], yard), rate(row["rate"]), rate(row["times_expected"]),
        )
        for row in found.unusual.iter_rows(named=True)
    ]  # fmt: skip


def left_out_head(found: Comparison) -> tuple[str, ...]:
    """Headings of the columns of :func:`left_out_rows`."""
    return ("Shift", "Pot", words.sentence(GROUPS[found.by][0]), "When", "Why")


def left_out_rows(found: Comparison, yard: Yard) -> list[tuple[str, ...]]:
    """Shifts that do not count, with why."""
    return [
        (
            row["shift"], words.pot_title(yard, row["pot"]), row["group"] or words.NONE,
            _when(row["from_at"], yard), reason(row["reason"]),
        )
        for row in found.left_out.iter_rows(named=True)
    ]  # fmt: skip


def _when(at: dt.datetime | None, yard: Yard) -> str:
    return words.NONE if at is None else time_words.day(at, yard.site.zone)


def reason(name: str) -> str:
    """Why a shift does not count."""
    return REASON_WORDS[name]


def groups_file(found: Comparison, yard: Yard) -> pl.DataFrame:
    """Groups for a file, in SI, with the unit of their rates.

    Parameters
    ----------
    found : Comparison
        As :func:`in_viewers_units` gives it.
    """
    per, amount = found.measure.per, found.measure.amount
    unit = measure_named(found.measure.name, yard).partition("[")[2].rstrip("]")
    return found.groups.rename({"amount": amount, "per": per}).with_columns(rate_unit=pl.lit(unit))


def estimate_file(found: Estimate, yard: Yard) -> pl.DataFrame:
    """Lines of an estimate for a file, each in the unit that it names."""
    rows = []
    for row in found.lines.iter_rows(named=True):
        quantity = _ESTIMATED.get(row["unit"])
        factor = 1.0 if quantity is None else units.factor(quantity)
        ends = {name: row[name] / factor for name in ("low", "middle", "high")}
        what = row["what"].removesuffix("_kg") if quantity else row["what"]
        rows.append(row | ends | {"what": what, "unit": estimate_unit(row, yard)})
    return pl.DataFrame(rows, schema=found.lines.schema)


#: Unit of a line of an estimate -> the quantity.
_ESTIMATED = {"kg": "mass", "m²": "area"}


def estimate_value(row: dict[str, Any], which: str) -> str:
    """A figure of an estimate: two digits, for its range allows no more.

    Examples
    --------
    >>> [estimate_value({"low": v}, "low") for v in (5238.4, 16.04, 9.21, 0.0)]
    ['5\\u202f200', '16', '9.2', '0']
    """
    value = float(row[which])
    if (quantity := _ESTIMATED.get(row.get("unit", ""))) is not None:
        value = units.shown(quantity, value)
    digits = 1 - math.floor(math.log10(value)) if value > 0.0 else 0
    return words.plain_number(round(value, digits))


def estimate_unit(row: dict[str, Any], yard: Yard) -> str:
    """Unit of a line of an estimate."""
    if row["what"] == "money":
        return yard.site.currency
    quantity = _ESTIMATED.get(row["unit"])
    return str(row["unit"]) if quantity is None else units.unit(quantity)


def history(found: Estimate) -> str:
    """What an estimate rests on."""
    return (
        f"Rests on {words.counted(found.shifts, 'shift', 'shifts')} that count, of "
        f"{words.counted(found.jobs, 'job', 'jobs')}."
    )
