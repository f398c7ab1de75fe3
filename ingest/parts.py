"""Parts that have a life: what people call them, where they sit, how they are measured, and the
checks they come with.

The defaults hold where the yard file names no rule in their place. A yard may tighten one freely;
loosening it needs a reason and a name (see :func:`ingest.yard_rules.effective_rules`).
"""

from __future__ import annotations

from typing import Literal, NamedTuple

#: Kind of part -> the words people use.
PART_WORDS: dict[str, str] = {
    "pinch_hose": "pinch hose",
    "popup_seal": "pop-up valve seal",
    "relief_valve": "relief valve",
    "nozzle": "nozzle",
    "blast_hose": "blast hose",
    "couplings": "couplings and whip checks",
    "separator": "moisture separator",
    "deadman": "dead-man and twin lines",
    "metering_valve": "metering valve",
    "screen_lid": "screen and lid",
    "transducers": "pressure transducers",
}

#: Where a part sits on a pot that has only one of its kind.
ONLY = "1"
#: Kind of part -> positions that are offered, the usual one first. Others may be typed.
POSITIONS: dict[str, tuple[str, ...]] = {
    "nozzle": (ONLY, "2", "left", "right"),
    "blast_hose": (ONLY, "2", "3", "whip"),
    "couplings": (ONLY, "2", "3"),
    "deadman": (ONLY, "2"),
    "pinch_hose": (ONLY, "2"),
    "metering_valve": (ONLY, "2"),
    "transducers": (ONLY, "supply", "inlet", "pot", "nozzle"),
}


def position_of(part: str, typed: object = "") -> str:
    """The position that was meant: as typed, in small letters, or the usual one of the kind.

    Examples
    --------
    >>> position_of("nozzle", " Left "), position_of("nozzle"), position_of("pinch_hose", None)
    ('left', '1', '1')
    """
    text = " ".join(typed.split()).lower() if isinstance(typed, str) else ""
    return text or POSITIONS.get(part, (ONLY,))[0]


def part_at(part: str, position: str) -> str:
    """A kind of part with its position, where that is not the usual one.

    Examples
    --------
    >>> part_at("nozzle", "1"), part_at("nozzle", "left")
    ('nozzle', 'nozzle left')
    """
    named = PART_WORDS.get(part, part)
    return named if position == position_of(part) else f"{named} {position}"


# --- what a check finds ----------------------------------------------------------------------

#: Result of a check -> what it does to the counts: begins the check's own anew, and the part's.
RESULTS: dict[str, tuple[bool, bool]] = {
    "good": (True, False),
    "worn": (False, False),
    "replaced": (True, True),
    "failed": (False, False),
}

#: Why a part came off -> whether its life was used up (for learning how long parts last).
REMOVED_BECAUSE: dict[str, bool] = {"worn": True, "failed": True, "good": False, "other": False}


class Quantity(NamedTuple):
    """Something that is measured on a part.

    Parameters
    ----------
    words : str
        What people call it.
    units : dict of str to float
        Unit -> what one of it is in SI; empty where it is judged in words.
    choices : tuple of str
        The words it is judged in; empty where it is a number.
    parts : tuple of str
        Kinds of part that it is usual on.
    """

    words: str
    units: dict[str, float]
    choices: tuple[str, ...]
    parts: tuple[str, ...]


_LENGTHS = {"mm": 1e-3, "in": 0.0254}
_PRESSURES = {"kPa": 1e3, "bar": 1e5, "psi": 6894.757}
#: What a sign-off can carry as a measurement.
QUANTITIES: dict[str, Quantity] = {
    "wall_thickness": Quantity("wall thickness", _LENGTHS, (), ("pinch_hose", "blast_hose")),
    "bore": Quantity("bore by gauge", _LENGTHS, (), ("nozzle", "pinch_hose", "blast_hose")),
    "seat": Quantity(
        "condition of the seat", {}, ("clean", "scaled", "grit on it", "cut"),
        ("relief_valve", "popup_seal", "metering_valve"),
    ),
    "opens_at": Quantity("opens at", _PRESSURES, (), ("relief_valve",)),
    "reads_at_zero": Quantity("reads when vented", _PRESSURES, (), ("transducers",)),
    "stops_after": Quantity("flow stops after", {"s": 1.0}, (), ("deadman",)),
}  # fmt: skip


# --- the start of a shift --------------------------------------------------------------------


class StartItem(NamedTuple):
    """Something that is looked at before a pot is blasted with.

    Parameters
    ----------
    words : str
        What should be so.
    part : str
        Kind of part that a "no" is a finding of.
    rule : str
        Name of the rule whose count a "yes" begins anew; empty: none.
    source : str
        What it rests on.
    """

    words: str
    part: str
    rule: str
    source: str


#: Key of the record ``shift_start`` -> what is looked at, in the order of a walk round the pot.
START_ITEMS: dict[str, StartItem] = {
    "plate_relief": StartItem(
        "the relief valve's setting agrees with the vessel's plate", "relief_valve", "",
        "plate; common practice at the start of a shift; local pressure-equipment law prevails",
    ),
    "screen_lid": StartItem(
        "screen in place for filling, lid there to go on after", "screen_lid", "screen_lid",
        "common practice",
    ),
    "whip_checks": StartItem(
        "couplings locked and pinned, whip checks on every joint", "couplings", "",
        "common practice",
    ),
    "drain": StartItem(
        "separator drained, its drain left cracked open", "separator", "separator",
        "common practice",
    ),
    "blotter": StartItem(
        "white blotter held in the air for a minute shows no oil and no water", "separator", "",
        "standard: ASTM D4285 (indicating oil or water in compressed air)",
    ),
    "deadman": StartItem(
        "dead-man works, lets go by itself, and the flow stops", "deadman", "deadman",
        "law: 29 CFR 1910.244(b) requires a valve held open by hand; trying it: common practice",
    ),
}  # fmt: skip
StartAnswer = Literal["yes", "no", "not_done"]


# --- cautions --------------------------------------------------------------------------------

#: Stands with every check: all of them are done on something that is put under pressure.
BEFORE_TOUCHING = (
    "Isolate, vent, prove at the pot itself that it is vented; follow the site's own procedure, "
    "local code and a competent person. Something tight may be under pressure."
)
#: Kind of part -> what more stands with a task on it (common practice, no source).
PART_CAUTIONS: dict[str, str] = {
    "pinch_hose": "Shut the air, open the drain and wait until it is silent before the hose is "
    "taken out.",
    "popup_seal": "The pop-up valve takes fingers if someone opens the dead-man: nobody holds the "
    "handle, and the compressor is isolated.",
    "screen_lid": "Hands stay out of the filling port while anyone can open the dead-man: the "
    "pop-up valve takes fingers.",
    "relief_valve": "Never blank a relief valve or set it above the plate; who may test and set "
    "it, local pressure-equipment law says.",
    "blast_hose": "Let the hose empty and lie still before a coupling is opened.",
    "nozzle": "The handle is let go and the pot vented before anyone looks into a nozzle.",
    "couplings": "No coupling is opened while its line may hold pressure.",
    "metering_valve": "Opening it opens the pot: vented and proved first, abrasive falls out.",
    "deadman": "It is tried with the nozzle pointed clear and everybody told.",
    "separator": "Blow down away from people, in eye protection.",
    "transducers": "Unscrewing one opens the pot; a blocked port reads zero under pressure.",
}


def caution_of(part: str) -> str:
    """What stands with a task on a part: the general caution, then the part's own."""
    return f"{BEFORE_TOUCHING} {PART_CAUTIONS.get(part, '')}".strip()


# --- rules -----------------------------------------------------------------------------------

#: Indicators that a rule may name: columns of what weighing leaves, ``~`` for their scatter.
#: ``analytics.indicators`` charts them, and a test holds the two lists together.
RULE_INDICATORS: tuple[str, ...] = (
    "leak_m3_s_pa", "~leak_m3_s_pa", "pressurise_reference_s", "holds_under_pa",
    "exhaust_m3_s_pa", "left_after_share", "creep_pa", "clean_loss_index", "grain_loss_index",
    "bull_loss_index", "receiver_pa", "supply_pa", "feed_kg_s", "press_delay_s", "ripple_pa",
    "vented_pa", "standing_still_share", "missing_share", "held_unpressurised_share",
    "pressurised_unheld_share", "blown_unheld_share",
)  # fmt: skip
Way = Literal["up", "down", "either"]
Task = Literal["check", "replace"]


class DefaultRule(NamedTuple):
    """A check that a part comes with.

    Parameters
    ----------
    part : str
        Kind of part, a key of :data:`PART_WORDS`.
    name : str
        What the rule is called; the part's main check is called as the part.
    what : str
        What is checked.
    every_blast_h : float or None
        Limit in blasting hours. [h]
    every_cycles : int or None
        Limit in pinch cycles.
    every_days : float or None
        Limit in calendar days. [d]
    source : str
        What the limit rests on.
    indicator : str
        Indicator of condition, one of :data:`RULE_INDICATORS`; empty: none.
    level : float or None
        Change of the indicator from which it is due, in multiples of the change that is worth
        telling (:class:`analytics.indicators.Indicator`). [-]
    way : str
        Which way it counts: ``up``, ``down`` or ``either``.
    task : str
        ``check``: a good check begins the count anew. ``replace``: only another part does, and
        the part's whole life counts.
    """

    part: str
    name: str
    what: str
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    source: str
    indicator: str = ""
    level: float | None = None
    way: Way = "up"
    task: Task = "check"


def _every(
    part: str, what: str, blast_h: float | None, days: float | None, source: str
) -> DefaultRule:
    return DefaultRule(part, part, what, blast_h, None, days, source)


def _seen(part: str, sign: str, indicator: str, what: str, way: Way = "up") -> DefaultRule:
    source = "common practice, no source: a change in the readings that is worth a look"
    return DefaultRule(
        part, f"{part}-{sign}", what, None, None, None, source, indicator, 1.0, way
    )  # fmt: skip


# "common practice" is written where no published source was found for the figure itself; the
# three-month and the 40-hour figures are of that sort, and local law prevails over all of them.
DEFAULT_RULES: tuple[DefaultRule, ...] = (
    _every("pinch_hose", "wall and bore of the pinch hose where the wedge closes it", 40.0, 7.0,
           "common practice"),
    _seen("pinch_hose", "leak", "leak_m3_s_pa",
          "pinch hose where the wedge closes it: the fills show a leak"),
    _every("popup_seal", "pop-up valve and its seal: grit, scale, cuts", 40.0, 31.0,
           "common practice, no source: with the pinch hose, at least monthly"),
    _seen("popup_seal", "leak", "~leak_m3_s_pa",
          "pop-up valve's seat for grit: the leak comes and goes"),
    _every("relief_valve", "taken out, seat checked, setting compared with the vessel's plate",
           None, 91.0,
           "common practice: every three months; local pressure-equipment law prevails"),
    _seen("relief_valve", "lift", "ripple_pa",
          "relief valve's seat and setting: the pot saws under the manifold"),
    _every("separator", "drained; drain left cracked open for the shift", None, 1.0,
           "common practice: daily, more often in humid air"),
    _seen("separator", "sag", "bull_loss_index",
          "separator's element and drain: the manifold sags more for the same flow"),
    _every("blast_hose", "wall and lining, felt and looked over along its length", 40.0, 7.0,
           "common practice"),
    _every("nozzle", "bore and liner; replaced at 1.6 mm over its new bore", None, 7.0,
           "common practice: trade manuals, weekly"),
    _seen("nozzle", "loss", "clean_loss_index",
          "nozzle's bore by gauge, and choke valve and hose: clean air loses more than before"),
    _every("couplings", "couplings tight, gaskets whole, pins and whip checks in place", None, 7.0,
           "common practice: trade manuals, weekly"),
    _every("deadman", "lever moves freely and returns by itself; flow stops when it is let go",
           None, 1.0, "common practice: trade manuals, daily; 29 CFR 1910.244(b) requires a "
           "valve that is held open by hand"),
    _seen("deadman", "switch", "held_unpressurised_share",
          "dead-man's return line and its switch: it reads on though the pot is down"),
    _every("metering_valve", "wear of the plug and its seat, damp abrasive over it", None, 31.0,
           "common practice, no source: monthly"),
    _seen("metering_valve", "feed", "feed_kg_s", "metering valve: the abrasive feed has changed",
          "either"),
    _every("screen_lid", "screen whole and in place for filling, lid there to go on after",
           None, 1.0, "common practice: at every filling, asked for daily"),
    _every("transducers", "compared with a test gauge, readings when vented looked at", None, 365.0,
           "common practice, no source: yearly"),
    _seen("transducers", "zero", "vented_pa", "pressure transducer: it reads otherwise when vented",
          "either"),
)  # fmt: skip
