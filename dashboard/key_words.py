"""Keys of records, checks, cycles, channels and rules as people read them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from dashboard import units
from ingest.parts import PART_WORDS
from ingest.production_bodies import PRICE_WORDS

if TYPE_CHECKING:
    from ingest.config import Yard

#: State of a check -> the word for it.
STATE_WORDS = {"overdue": "Overdue", "due": "Due", "soon": "Due soon", "ok": "Not due"}

#: Result of a check -> the word for it.
RESULT_WORDS = {
    "good": "Good",
    "worn": "Worn, still on",
    "replaced": "Replaced",
    "failed": "Failed",
}

#: What ended or began a cycle -> the words for it.
BEGAN_WORDS = {"press": "dead-man opened", "gap": "open when hearing began again"}
ENDED_WORDS = {"release": "dead-man let go", "gap": "hearing stopped", "open": "not ended yet"}

#: Since when a part is counted -> the words for it.
SINCE_WORDS = {
    "checked": "last check",
    "fitted": "fitting",
    "heard": "first reading",
    "unknown": "last one came off",
}

#: Why a part came off -> the words for it.
CAME_OFF_WORDS = {
    "worn": "worn",
    "failed": "failed",
    "good": "still good",
    "other": "other cause",
    "": "",
}

#: Kind of record -> the words for it.
KIND_WORDS = {
    "area": "Area done",
    "abrasive": "Abrasive tipped",
    "part_fitted": "Part fitted",
    "part_removed": "Part taken off",
    "shift_start": "Start of a shift",
    "check": "Check done",
    "shift": "Shift",
    "crew": "Crew",
    "job": "Job",
    "stop_reason": "Reason for a stop",
    "job_change": "Change of job",
    "abrasive_move": "Abrasive moved",
    "abrasive_kind": "Kind of abrasive",
    "fuel": "Fuel",
    "price": "Price",
    "signature": "Sheet signed",
    "notice_seen": "Notice acknowledged",
    "notice_put_off": "Notice put off",
    "yard_change": "Yard file changed",
}

#: State of a heap of abrasive -> the words for it.
STOCK_WORDS = {
    "ok": "",
    "order": "Order more",
    "count": "Less than nothing: count it",
}

#: Key of a record's body -> the words for it.
FIELD_WORDS = {
    "shift": "shift", "crew": "crew", "job": "job", "pot": "pot", "pots": "pots", "at": "when",
    "from_at": "from", "to_at": "to", "before": "file before [SHA-256]",
    "what": "what", "after": "file after [SHA-256]", "kept": "older file, kept as",
    "change": "change by line",
    "people": "people", "size": "people", "item": "item",
    "rust_grade": "rust grade", "prep_grade": "preparation grade", "planned_m2": "planned",
    "profile": "profile (ISO 8503-1)", "profile_low_um": "profile from",
    "profile_high_um": "profile to", "coating": "old coating", "coating_um": "coating",
    "access": "access", "place": "indoors or outdoors", "pieces": "pieces", "reblast": "done over",
    "batch": "batch", "stop_for": "stopped for", "move": "what happened", "kg": "how much",
    "goes": "goes to", "bulk_kg_m3": "bulk density",
    "particle_kg_m3": "density of the grains", "price_kg": "price",
    "recycled": "recycled", "reorder_kg": "order at", "litres": "fuel",
    "price_of": "price of", "price": "price", "blast_s": "blast-on when signed [s]",
    "abrasive_kg": "abrasive when signed",
    "area_m2": "area", "bags": "bags", "bag_kg": "a bag holds", "abrasive": "abrasive",
    "part": "part", "tag": "tag", "note": "note", "result": "result",
    "measurement": "measurement", "position": "position", "because": "because", "rule": "rule",
    "quantity": "quantity", "value": "value", "unit": "unit", "new_tag": "new tag",
    "photo": "photo", "plate_relief": "plate and relief valve agree",
    "screen_lid": "screen and lid", "whip_checks": "whip checks", "drain": "drain cracked open",
    "blotter": "blotter clean", "deadman": "dead-man lets go", "notice": "notice",
    "notice_kind": "notice",
    "cause": "cause", "began_at": "began", "until_at": "until", "why": "why",
}  # fmt: skip

#: Key of a record's body -> the quantity that it is an amount of.
FIELD_QUANTITIES = {
    "planned_m2": "area", "profile_low_um": "film", "profile_high_um": "film",
    "coating_um": "film", "kg": "mass", "bulk_kg_m3": "density", "particle_kg_m3": "density",
    "reorder_kg": "mass", "litres": "fuel", "abrasive_kg": "mass", "area_m2": "area",
    "bag_kg": "mass",
}  # fmt: skip

#: What has a price for an amount of it -> the quantity of that amount; wages are by the hour.
PRICED_QUANTITIES = {"fuel_l": "fuel", "waste_kg": "mass"}

#: Channel -> what it is called where a figure lacks it.
CHANNEL_WORDS = {
    "supply": "manifold", "inlet": "pressure before the separator", "pot": "pot",
    "nozzle": "nozzle", "deadman": "dead-man", "pot_mass": "load cell",
    "air_temp": "air temperature", "humidity": "humidity", "steel_temp": "steel temperature",
}  # fmt: skip

#: Column of the cycles table -> its heading.
CYCLE_WORDS = {
    "number": "No.",
    "pressed": "Opened",
    "lasted": "Open [s]",
    "blast": "Blast-on [s]",
    "between": "between [s]",
    "press_delay": "Answer [s]",
    "pressurise": "To 90 % [s]",
    "exhaust": "Exhaust [s]",
    "supply": "Manifold",
    "pot": "Pot",
    "nozzle": "Nozzle",
    "began": "Began by",
    "ended": "Ended by",
    "counts": "Counted",
}


def cycle_heading(name: str) -> str:
    """Heading of a column of the cycles table, with the viewer's unit.

    Examples
    --------
    >>> cycle_heading("pot"), cycle_heading("lasted")
    ('Pot [kPa]', 'Open [s]')
    """
    is_pressure = name in ("supply", "pot", "nozzle")
    return f"{CYCLE_WORDS[name]} [{units.unit('pressure')}]" if is_pressure else CYCLE_WORDS[name]


def field(name: str) -> str:
    """A key of a record's body in words, with the viewer's unit where it is in one.

    Examples
    --------
    >>> field("bag_kg"), field("note")
    ('a bag holds [kg]', 'note')
    >>> with units.use(units.INCH_POUND):
    ...     field("price_kg"), field("litres")
    ('price a lb', 'fuel [US gal]')
    """
    if name == "price_kg":
        return f"{FIELD_WORDS[name]} a {units.unit('mass')}"
    quantity = FIELD_QUANTITIES.get(name)
    return FIELD_WORDS[name] + (f" [{units.unit(quantity)}]" if quantity else "")


def price_of(what: str) -> str:
    """What has a price, for how much of it.

    Examples
    --------
    >>> price_of("fuel_l"), price_of("wage_h")
    ('a litre of fuel', 'a paid hour of one person')
    >>> with units.use(units.INCH_POUND):
    ...     price_of("fuel_l"), price_of("waste_kg")
    ('a US gallon of fuel', 'a pound of waste taken away')
    """
    said = PRICE_WORDS[what]
    if units.current() is units.INCH_POUND:
        said = said.replace("litre", "US gallon").replace("kilogram", "pound")
    return said


def limits_page(looser: str) -> str:
    """What is looser about a rule, with the yard file's keys in words.

    Examples
    --------
    >>> limits_page("every_days 30 instead of 7; every_cycles none instead of 900")
    '30 days instead of 7; no pinch cycles instead of 900'
    """
    said = re.sub(r"every_(\w+) none", lambda m: f"no {_LIMIT_WORDS[m[1]]}", looser)
    return re.sub(r"every_(\w+) (\S+)", lambda m: f"{m[2]} {_LIMIT_WORDS[m[1]]}", said)


def loosened(yard: Yard) -> str:
    """What the site checks less often than common practice, for every page; empty: nothing."""
    rules = [
        part(rule.part)
        + (f" on {', '.join(rule.pots)}" if rule.pots else "")
        + f" ({limits_page(rule.loosened_by)}; {rule.by})"
        for rule in yard.effective_rules()
        if rule.loosened
    ]
    return f"Looser than common practice at this site: {'; '.join(rules)}." if rules else ""


_LIMIT_WORDS = {"blast_h": "blast hours", "cycles": "pinch cycles", "days": "days"}


def channels(names: list[str]) -> str:
    """Channels in people's words.

    Examples
    --------
    >>> channels(["deadman", "nozzle", "pot_mass"])
    'dead-man, nozzle and load cell'
    """
    told = [CHANNEL_WORDS.get(name, name) for name in names]
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])} and {told[-1]}"


def part(kind: str) -> str:
    """A kind of part in people's words."""
    return PART_WORDS.get(kind, kind)


def state_kind(state: str) -> str:
    """How loud a state is: ``alarm``, ``warn`` or ``plain``."""
    return {"overdue": "alarm", "due": "alarm", "soon": "warn"}.get(state, "plain")
