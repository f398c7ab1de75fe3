"""What each figure of pages and reports is, what it rests on, and what to do with it.

What a column *is* stands once, in ``analytics/dictionary.py``, and what an indicator is in
``analytics/indicators.py``; here only that is added which a reader of a figure asks next. A figure
that neither has is described here. A test holds every label of the pages against this table.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

from analytics.dictionary import COLUMNS
from analytics.indicators import BLOCK, INDICATORS, Indicator
from dashboard import condition_words, words
from ingest.parts import PART_WORDS
from ingest.stop_reasons import STOP_REASONS

#: Where a figure is kept or made; a test asks each whether it has the figure.
DICTIONARY, INDICATOR, BOX, WEIGHED, CHECKS = "dictionary", "indicator", "box", "weighed", "checks"
QUALITY, COMPARED, WEATHER, USE = "quality", "compared", "weather", "use"
ESTIMATE, READING = "estimate", "reading"

#: Groups of the help page, in its order.
GROUPS = {
    "hours": "Hours and cycles",
    "pressures": "Pressures",
    "time": "Where the time went",
    "work": "Area, abrasive, air and money",
    "pot": "The abrasive in a pot",
    "condition": "What is watched on a pot",
    "upkeep": "Upkeep",
    "compare": "Comparing and estimating",
    "weather": "Weather",
    "boxes": "Boxes and signals",
}


class Help(NamedTuple):
    """An entry of the help page.

    Parameters
    ----------
    title : str
        What people call the figure.
    group : str
        Key of :data:`GROUPS`.
    made_of : str
        What it is computed from.
    range_is : str
        What its low and high are; empty: it has none.
    doubt : str
        When not to trust it.
    act : str
        What to do with it.
    labels : tuple of str
        What pages and reports write beside it, besides ``title``.
    meaning : str
        What it is; empty: the dictionary or the indicator says so.
    of : str
        Where it is kept or made.
    """

    title: str
    group: str
    made_of: str
    range_is: str
    doubt: str
    act: str
    labels: tuple[str, ...] = ()
    meaning: str = ""
    of: str = DICTIONARY


_CYCLES = "The cycles: each opening of the dead-man, confirmed by the pot's pressure."
_MISSING = (
    "Low counts missing data as off, high as on where it may have been blasting: in a booked "
    "shift, where the dead-man was open on either side, or for at most half an hour."
)
_SILENT = "Where much of the time was not heard: the gap between low and high says how much."
_ENTERED = "What people entered in the log book."
_FORGOTTEN = "Where an entry was forgotten or made twice; nothing measures it."
_NOT_A_GAUGE = (
    "Never take it for a gauge to work by: a blocked port reads zero. Not where the transducer is "
    "at fault or far from its zero; the signals page tells."
)
_STEADY = "The median of a pressure channel while a cycle is steady, after its calibration."
_ONE_CYCLE = "The readings of the one cycle."
_ERROR_OF_RATE = "Between two samples nothing is known: it is good to the box's sampling at best."
_COMPARES = "Compare with this pot's own past on the condition page before you look for a part."
_PRICED = "Prices that were entered, times what was used."
_STOPS = "Readings where they show it, else what people said of the stop."
_USE_RANGE = "Low counts silence as something else, high as this."
_WEIGHED = "How fast air fills the room that the abrasive leaves; bags entered help."
_WEIGHED_DOUBT = (
    "Where one of the cases under “How sure is this” on the condition page applies: short presses, "
    "few readings a second, a wrong vessel volume, two kinds of abrasive."
)
_NINE_IN_TEN = "Low and high hold the truth nine times in ten where its conditions are met."
_COUNTER = "The message counter that the box sends with each message (seq)."


def _indicator_help(one: Indicator) -> Help:
    key = condition_words.indicator_key(one.name, one.scatter)
    part = f" A {PART_WORDS[one.part]} fitted begins a new past." if one.part else ""
    return Help(
        title=condition_words.INDICATOR_TITLES[key],
        group="condition",
        made_of=f"The readings of each cycle, in blocks of {BLOCK} cycles, freed of what is known "
        f"to move it, such as how full the pot is. Compared with this pot's own past.{part}",
        range_is="The band in its small chart: what it used to be, give or take what blocks differ "
        "by.",
        doubt="With few cycles, with five readings a second or fewer, or after a change that "
        "nobody entered: another nozzle, hose, compressor setting or abrasive.",
        act="Look at what the condition page suggests where it has changed. No change says that "
        "nothing watched has moved, not that a part is good.",
        meaning=f"{words.sentence(one.words)}.",
        of=INDICATOR,
    )


#: Figure -> its entry, but for the indicators.
_FIGURES: dict[str, Help] = {
    # hours and cycles
    "blast_s": Help(
        "Blast-on time", "hours", _CYCLES, _MISSING,
        f"{_SILENT} Without a pot channel it is the dead-man's time.",
        "Pay, rates and area per hour rest on the middle; upkeep takes the high one. Follow it to "
        "its cycles on the shift page.",
        ("Blast-on", "Blast-on [s]", "Blasting"),
    ),
    "deadman_s": Help(
        "Dead-man time", "hours", "The dead-man's signal alone, debounced.", _MISSING,
        "It says nothing of whether the pot answered, nor that the dead-man works.",
        "Far more of it than blast-on time: the pot does not fill, or the switch is not right.",
        ("Dead-man open", "Open [s]", "between [s]"),
    ),
    "pinched_s": Help(
        "Pinched time", "hours", _CYCLES, _MISSING, _SILENT,
        "It is what the pinch hose wears by, together with the pinch cycles.",
    ),
    "cycles": Help(
        "Pinch cycles", "hours", "The dead-man's signal; flickers that the pot did not answer are "
        "kept and not counted.",
        "Where data are missing, upkeep counts silence as well, at the pot's pace in the 40 blast "
        "hours before it.",
        "With fewer than five samples a second short openings are not seen.",
        "Many short ones wear the pinch hose without much being blasted: ask why.",
    ),
    "press_delay_s": Help(
        "Answer of the pot", "hours", _ONE_CYCLE, "",
        _ERROR_OF_RATE, "Slow answers come from the wedge, its air or the line. " + _COMPARES,
        ("Pot answered after", "Answer [s]"),
    ),
    "pressurise_s": Help(
        "Time to pressurise", "hours", _ONE_CYCLE, "",
        f"An empty pot takes about twice as long as a full one. {_ERROR_OF_RATE}",
        "A leak, a sagging manifold or an emptier pot makes it longer; " + _COMPARES.lower(),
        ("To 90 % of manifold", "To 90 % [s]"),
    ),
    "exhaust_s": Help(
        "Time to exhaust", "hours", _ONE_CYCLE, "",
        f"It ends at a tenth of the pressure, which is not vented. {_ERROR_OF_RATE}",
        "Slower than it was: something sits in the exhaust's way. Have it looked at with the pot "
        "isolated and proved vented.",
        ("Exhaust to 10 %", "Exhaust [s]"),
    ),
    "no_data_s": Help(
        "Time without readings", "hours", "Gaps: silence longer than the box's gap_s.", "",
        "A box switched off between shifts is silence too.",
        "See the gaps of a day on the signals page, and what to do there.", ("No data",),
    ),
    "elapsed_s": Help(
        "Length of the shift", "hours", _ENTERED, "", "Where the shift was booked wrongly.",
        "Correct the shift in the log book; every figure follows.",
    ),
    # pressures
    "supply_pa": Help(
        "Manifold", "pressures", _STEADY, "", _NOT_A_GAUGE,
        "Low while blasting: look at compressor, separator and bull hose.",
    ),
    "pot_pa": Help(
        "Pot", "pressures", _STEADY, "", _NOT_A_GAUGE,
        "Much under the manifold: a leak past pinch hose or pop-up seat, or too little air.",
    ),
    "nozzle_pa": Help(
        "Nozzle", "pressures", _STEADY, "", _NOT_A_GAUGE,
        "It is what does the work: low pressure there costs area. The shift page says how much.",
        ("Nozzle pressure",),
    ),
    "drop_supply_pot_pa": Help(
        "Lost from manifold to pot", "pressures", "Medians of both while steady.", "",
        "Two transducers never quite agree; under 5 kPa it is told as that.", _COMPARES,
        ("From manifold to pot",),
    ),
    "drop_pot_nozzle_pa": Help(
        "Lost from pot to nozzle", "pressures", "Medians of both while steady.", "",
        "Two transducers never quite agree. Abrasive makes it several times that of clean air.",
        "Grows with a longer or worn hose, more abrasive, or a nozzle that has grown.",
        ("From pot to nozzle",),
    ),
    # time
    "use_s": Help(
        "Part of a shift's time", "time", _STOPS, _USE_RANGE,
        "Where a stop was given a wrong reason, or none.",
        "Begin with the largest that is not blasting. What nobody explained is told as stops "
        "without a reason: say why on the shift page.",
        ("Pot filling with air", "Short pauses", "Stops without a reason"),
    ),
    "hour_blasting_min": Help(
        "Best and worst hour", "time", "Blast-on time in each hour of the shift.", "",
        "In short shifts, and where hours were not heard.",
        "Ask what was different in them.", ("Best hour", "Worst hour"),
        meaning="The hours of the shift with most and least blasting, and what the rest went into.",
        of=USE,
    ),
    "indicators_iso": Help(
        "Terms of ISO 22400-2", "time", "The parts of the shift's time, by our reading of the "
        "standard.", "", "They compare a yard with itself; other yards may read the standard "
        "otherwise.", "Use them where a client asks; the parts themselves say more.",
        meaning="The shift's time in the elements of ISO 22400-2, and ratios of two of them, told "
        "as their two terms.", of=USE,
    ),
    # work
    "area_m2": Help(
        "Area done", "work", _ENTERED, "", _FORGOTTEN, "Enter it when it is done, in the log book.",
        ("Area",),
    ),
    "reblast_m2": Help(
        "Done over again", "work", _ENTERED, "", _FORGOTTEN,
        "It costs without counting: ask for the cause.",
    ),
    "pace": Help(
        "Pace", "work", "Area entered over blast-on hours: a ratio of two sums.", "",
        "Where area was not entered, or hours were not heard.",
        "Compare like with like on the crews page: steel, access and nozzle pressure move it most.",
        meaning="Area brought to grade in a blast-on hour.", of=COMPARED,
    ),
    "abrasive_kg": Help(
        "Abrasive", "work", "Bags entered, a load cell, or the pot's pressures; the page says "
        "which one is used.", "Of load cell and pressures: nine in ten.",
        "Where the three ways are far apart: an entry was forgotten, made twice or is of another "
        "pot.",
        "Per area it tells whether too much is fed: compare with the yard's own jobs.",
        ("Bags entered", "Load cell", "Estimate from pressures"),
    ),
    "air_kg": Help(
        "Air through the nozzles", "work", "The nozzle's bore, its pressure and blast-on time.", "",
        "Where the bore was not measured lately: a nozzle that has grown takes more.",
        "Check whether the compressor feeds the nozzles: the estimate page.",
        ("Air",),
    ),
    "paid_s": Help(
        "Paid time", "work", "People of the crew times the shift's length.", "",
        "Where the crew's size was not entered for the shift.",
        "Correct the shift in the log book.", ("Paid", "Paid hours of people"),
    ),
    "cost": Help(
        "Cost", "work", _PRICED, "", "What has no price is named beside it, and is not in it.",
        "Enter prices in the log book.", ("Cost per area", "Money"),
    ),
    "fuel_l": Help(
        "Fuel", "work", _ENTERED, "", _FORGOTTEN, "Enter it at each fill.",
    ),
    "waste_kg": Help(
        "Waste left", "work", "Abrasive tipped less what was swept for reuse.", "",
        "Rust and paint are not in it.", "Order its removal: the log book and gritbook stock.",
    ),
    "short_pa": Help(
        "What low nozzle pressure cost", "work",
        "Nozzle pressure of each cycle against the target, by the trade's rule "
        "(1.5 % a psi, no study behind it) and by the yard's own shifts.",
        "Of the yard's own: nine in ten.",
        "Under 483 kPa the rule is not to be used. With few shifts the yard's own says "
        "nothing.",
        "Look for the largest loss on the way: compressor, hoses, choke, nozzle.",
        ("Lost by the rule of thumb", "Lost by this yard's shifts"),
        meaning="Area that was not done because the nozzle got less than the target pressure.",
        of=USE,
    ),
    # the pot
    "left_kg": Help(
        "Left in the pot", "pot", _WEIGHED, _NINE_IN_TEN, _WEIGHED_DOUBT,
        "Plan the next tipping by it. Look into the pot only once it is isolated and vented, "
        "and that is proved at the pot itself.",
        meaning="Abrasive in the pot after the newest cycle.", of=WEIGHED,
    ),
    "used_kg": Help(
        "Used", "pot", _WEIGHED, _NINE_IN_TEN, _WEIGHED_DOUBT,
        "Compare with the bags entered.", ("Used a blast hour",),
        meaning="Abrasive that left the pot in a stretch of work, and in an hour of blasting.",
        of=WEIGHED,
    ),
    "estimate_kg": Help(
        "Tipped", "pot", _WEIGHED, "Error stated beside each tipping, nine in ten.", _WEIGHED_DOUBT,
        "A tipping with no bags entered: enter them.",
        meaning="Abrasive tipped into the pot, found in the pressures.", of=WEIGHED,
    ),
    # upkeep
    "used": Help(
        "Used of the limit", "upkeep",
        "What the part did since its last good check or its fitting: blast hours (the "
        "high figure), pinch cycles, days, or change of an indicator.",
        "Hours: upkeep takes the high one, so that silence never hides use.",
        "Where a part was changed and nobody entered it.",
        "The first limit to be passed counts. Predictions add checks, they never take one away.",
        meaning="How far along its limit a check is, in the unit of the trigger that is furthest.",
        of=CHECKS,
    ),
    "blast_high_h": Help(
        "Blast hours since the check", "upkeep", _CYCLES, _MISSING, _SILENT,
        "Sign off the check when it is done.", ("Hours here", "Hours in all"),
        meaning="Blast-on time since the last good check or the fitting, missing data counted as "
        "on.", of=CHECKS,
    ),
    "passes_on": Help(
        "When it will be due", "upkeep", "The last eight weeks' use and booked shifts.",
        "The day lies between both nine times in ten; the calendar's are exact.",
        "After a change of work: it knows only what was done and booked.",
        "Plan work by it. It moves no limit.",
        meaning="The days between which a limit will be passed.", of=CHECKS,
    ),
    "life": Help(
        "How long parts last", "upkeep", "Checks: a part wore out somewhere between its last good "
        "one and the one that did not find it good.",
        "Nine in ten.", "With fewer than six found worn nothing is said.",
        "It may speak for a shorter interval, never for a longer one.",
        meaning="What share of parts would be found worn by which use.", of=CHECKS,
    ),
    # comparing
    "area_m2_blast_h": Help(
        "Area per blast hour", "compare", "Area over blast-on hours, a ratio of two sums.",
        "Nine in ten of such bars hold the true figure.",
        "Two are called different only where the figures allow it; single persons are not "
        "compared.",
        "Look at the figure under like conditions before you ask why.", of=COMPARED,
        meaning="How much is brought to grade in an hour of blasting.",
    ),
    "area_m2_paid_h": Help(
        "Area per paid hour of a person", "compare", "Area over paid hours.", "Nine in ten.",
        "Waiting, moving and weather are in it.", "Where it is low and pace is not: look at where "
        "the time went.", of=COMPARED, meaning="How much is brought to grade for an hour paid.",
    ),
    "abrasive_kg_m2": Help(
        "Abrasive per area", "compare", "Abrasive over area.", "Nine in ten.",
        "Steel of another grade, old coating and profile move it most.",
        "High against like work: look at the metering valve.", of=COMPARED,
        meaning="Abrasive used for one of area.",
    ),
    "air_kg_m2": Help(
        "Air per area", "compare", "Air through the nozzles over area.", "Nine in ten.",
        "Where bores were not measured.", "Compare nozzles by it.", of=COMPARED,
        meaning="Air used for one of area.",
    ),
    "cost_m2": Help(
        "Cost per area compared", "compare", _PRICED, "Nine in ten.",
        "Only shifts whose cost has the same items count.", "Enter the prices that are missing.",
        of=COMPARED, meaning="Cost of one of area.",
    ),
    "abrasive_kg_blast_h": Help(
        "Abrasive per blast hour", "compare", "Abrasive over blast-on hours.", "Nine in ten.",
        "Where bags were not entered.", "High: look at the metering valve and the nozzle's bore.",
        of=COMPARED, meaning="Abrasive used in an hour of blasting.",
    ),
    "blast_share": Help(
        "Blast time per shift time", "compare", "Blast-on time over the booked length.",
        "Nine in ten.", "Where shifts are booked longer than they are worked.",
        "See where the rest of the time went on the shift page.", of=COMPARED,
        meaning="The part of a shift in which is blasted.",
    ),
    "blast_h": Help(
        "Blast hours of a job", "compare", "This yard's own shifts on like work.",
        "Nine in ten like jobs fall into it.", "Where the yard has no history of such steel.",
        "Quote with the range, not with the middle alone.",
        ("Blast hours, all nozzles together", "Hours on the clock"),
        meaning="What a new job will take, in hours.", of=ESTIMATE,
    ),
    # weather
    "steel_margin_k": Help(
        "Steel over dew point", "weather", "Air and steel temperature and humidity of the box, by "
        "the dew point.", "", "It is true at the place where the sensor hangs, and does not say "
        "that the surface is dry.",
        "Under 3 K (ISO 8502-4's guide): do not paint. It moves within minutes when the sun goes.",
        meaning="Steel temperature less the dew point of the air.", of=WEATHER,
    ),
    # boxes
    "rate_hz": Help(
        "Samples a second", "boxes", "The median of the time between samples.", "",
        "After a restart or with mixed sources for a while.", "Set the box to 10 a second.",
        ("A second", "Samples"), meaning="How often the box samples; after “of” what the "
        " yard file expects.", of=BOX,
    ),
    "lost": Help(
        "Lost", "boxes", _COUNTER, "", "What was lost just before a restart cannot be known.",
        "Let the box keep what is not acknowledged, and see that the broker drops nothing.",
        meaning="Messages that were sent and did not come.", of=BOX,
    ),
    "late": Help(
        "Late", "boxes", "Arrival less the time in the message.", "",
        "A wrong clock looks like it: see Clocks.", "Nothing, where the network was away: it is "
        "what a box should do.", meaning="Readings that arrived over ten seconds after their time.",
        of=BOX,
    ),
    "restarts": Help(
        "Restarts", "boxes", _COUNTER, "", "A counter that is set by hand counts as one.",
        "Several a day: look at its power.", meaning="How often the counter began anew.", of=BOX,
    ),
    "silences": Help(
        "Silent", "boxes", "Samples further apart than the box's gap_s.", "",
        "A box that is switched off is silent too.", "See the gaps of a day below.",
        ("Gaps of a day", "Lasted"),
        meaning="How often nothing was heard, and for how long.", of=BOX,
    ),
    "repeated": Help(
        "Repeated", "boxes", "Readings that were stored already.", "", "",
        "Nothing: they are stored once.", meaning="Readings that came again, since the beginning.",
        of=BOX,
    ),
    "last_heard_at": Help(
        "Last heard", "boxes", "This computer's clock when the newest message came.", "", "",
        "Silent while others talk: look at its power and network.",
        meaning="When the newest message arrived.", of=BOX,
    ),
    "offset_pa": Help(
        "Zero at rest", "boxes", "Ten whole minutes with the dead-man shut and a pressure that "
        "stands still near zero.", "", "It is no sign of a vented pot. Cold mornings move "
        "a transducer by some hundredths of its range.",
        "Beyond the band: compare with a gauge and enter a calibration.", ("Read",),
        meaning="What a transducer reads, after its calibration, when nothing presses on it.",
        of=QUALITY,
    ),
    "bad_readings": Help(
        "Readings that did not count", "boxes", "Each reading, its neighbours and its ten minutes; "
        "NAMUR NE 43 for loop currents.", "", "One that is bad for two reasons stands under both.",
        "Each reason has its step on the signals page.", ("Readings", "In minutes"),
        meaning="Readings that are kept but in no figure, by reason.", of=QUALITY,
    ),
    "raw": Help(
        "As it came", "boxes", "The message of the box.", "", "",
        "Compare with what the transducer's sheet says.", ("As a pressure", "Does it count"),
        meaning="The value as the box sent it, in mA or Pa, before range and calibration.",
        of=READING,
    ),
}  # fmt: skip


@lru_cache
def figures() -> dict[str, Help]:
    """Every entry of the help page, by the figure's key; ``~`` in front: an indicator's scatter.

    An indicator that is a column of the dictionary too has a key of its own, ``watched_`` before.
    """
    found = dict(_FIGURES)
    for one in INDICATORS:
        found[indicator_figure(one)] = _indicator_help(one)
    return found


def indicator_figure(one: Indicator) -> str:
    """Key of an indicator on the help page."""
    key = condition_words.indicator_key(one.name, one.scatter)
    return f"watched_{key}" if key in _FIGURES else key


def meaning(key: str) -> str:
    """What a figure is.

    Examples
    --------
    >>> meaning("paid_s")
    'Paid time of its people together: people times elapsed_s.'
    """
    entry = figures()[key]
    return entry.meaning or COLUMNS[key].meaning


@lru_cache
def by_label() -> dict[str, str]:
    """What pages write beside a figure, in small letters -> the figure's key."""
    found: dict[str, str] = {}
    for key, entry in figures().items():
        for label in (entry.title, *entry.labels):
            found.setdefault(label.lower(), key)
    for reason in STOP_REASONS.values():
        found.setdefault(reason.words.lower(), "use_s")
    return found


def figure_of(label: str) -> str:
    """The key of the figure that a page calls so; empty: there is none.

    Examples
    --------
    >>> figure_of("Blast-on"), figure_of("Bags entered (used)"), figure_of("Weekday")
    ('blast_s', 'abrasive_kg', '')
    >>> figure_of("Best hour, from 14:00")
    'hour_blasting_min'
    """
    called = _OF_ONE.sub("", label.lower())
    return by_label().get(called, "")


#: What a page adds to a figure's name: which one of several it is.
_OF_ONE = re.compile(r" \(used\)$|, from \d\d:\d\d$")


#: Role -> its way through the pages: what, and where (path of the page).
ROLES: dict[str, tuple[tuple[str, str], ...]] = {
    "Pot tender": (
        ("Before the shift: enter the start of the shift in the log book, with what you looked at. "
         "A relief valve or plate that does not agree stops the work.", "logbook"),
        ("Each time you tip: enter the bags. Gloves on, two taps: the last weight and kind are "
         "remembered.", "logbook"),
        ("When it stops for more than a few minutes: say why.", "shift"),
        ("When a part is changed: enter what came off and what went on, with its tag.", "logbook"),
        ("After an area is done: enter it, while you still know how much it was.", "logbook"),
    ),
    "Supervisor": (
        ("During the shift: see which pots blast, and what wants attention.", "now"),
        ("After the shift: where the hours went, what the nozzle got, area and abrasive. Give a "
         "reason to stops that have none.", "shift"),
        ("Follow a figure that surprises you: shift, cycles, readings.", "shift"),
        ("Sign the sheet. What is changed afterwards is told as changed.", "shift"),
        ("For tomorrow: what is due.", "upkeep"),
    ),
    "Maintainer": (
        ("What is due by hours, cycles, days or condition; sign off what is done, with what was "
         "measured.", "upkeep"),
        ("What the signals suggest to look at. They are suggestions: only looking at the part "
         "tells.", "condition"),
        ("Whether each box is right, and each transducer at zero at rest.", "signals"),
        ("Isolate, vent, and prove it at the pot before you touch one. No page replaces that.",
         "upkeep"),
    ),
    "Owner": (
        ("Crews, jobs, pots and nozzles under like conditions, with ranges.", "crews"),
        ("What a new job will take, from this yard's own history.", "estimate"),
        ("What a shift cost, and which prices are missing.", "shift"),
        ("What this site checks less often than common practice stands on every page.", "upkeep"),
    ),
}  # fmt: skip

#: Word of the trade or of a standard -> what it means here.
GLOSSARY: dict[str, str] = {
    "Abrasive": "What is blasted with, such as garnet.",
    "Blast hose": "From the pot to the nozzle; air and abrasive go through it.",
    "Bull hose": "From the compressor to the manifold.",
    "Choke valve": "In the pusher line: throttles the air beside the abrasive. Shut, it feeds "
    "abrasive without air.",
    "Dead-man": "The handle at the nozzle that must be held for the pot to blast. Let go, the pot "
    "vents. Gritbook listens to its return signal and cannot move it.",
    "Dew point": "The temperature at which air is saturated with water.",
    "Flicker": "An opening of the dead-man that was too short for the pot to answer.",
    "Gauge pressure": "Pressure over the atmosphere's. All pressures here are gauge.",
    "Gap": "Nothing heard for longer than the box's gap_s. What happened then is not known.",
    "Manifold": "Where the air arrives at the pot, after the moisture separator.",
    "Metering valve": "Under the cone of the pot: lets abrasive fall into the air.",
    "Moisture separator": "Takes water out of the air; its drain stays cracked open all shift.",
    "Pinch cycle": "One closing of the wedge on the pinch hose, however short.",
    "Pinch hose": "The short hose that a wedge pinches shut while the pot is under pressure, and "
    "through which it vents; it wears out first.",
    "Pop-up valve": "Closes the top of the pot while it is under pressure. Fingers off: it shuts "
    "when the dead-man is opened.",
    "Preparation grade": "How clean the steel shall be, ISO 8501-1: Sa 2½ and others. No reading "
    "shows that one was met.",
    "Profile": "The roughness that blasting leaves, ISO 8503-1.",
    "Pusher line": "Leads the main air past the pot to the metering valve.",
    "Relief valve": "Opens before the vessel's plate pressure is passed; nothing here replaces it.",
    "Rust grade": "How the steel was, ISO 8501-1: A to D.",
    "SenML": "The form in which boxes send readings, RFC 8428.",
    "Transducer": "Turns a pressure into a current of 4 to 20 mA.",
    "Vessel's plate": "Says the highest working pressure of the pot.",
    "Whip check": "Holds a hose whose coupling comes loose.",
}

#: How the reading behind a figure is reached, step by step.
BEHIND_A_FIGURE = (
    "On the shift page choose the shift and the pot: the figures at the top are sums of the cycles "
    "below.",
    "Choose a cycle, by its number or with Earlier and Later: its own figures and pressures are "
    "drawn from the readings.",
    "Switch on “Show the readings of this cycle, as they were kept”: each value as it came, with "
    "the number of the message that it came in, and when it arrived.",
    "gritbook readings --pot NAME --from … --to … prints every value of any stretch, for programs "
    "too; gritbook cycles and gritbook hours the steps between.",
    "Why a reading is in no figure stands on the signals page, under readings that did not count.",
)

#: What must be known of every figure, besides the caution at the top of the page.
CAUTIONS = (
    "Gritbook records and reminds. It is not a control, an interlock, a dead-man or a relief "
    "valve, and no record of inspection under pressure equipment law.",
    "That nothing is shown does not say that nothing happened: between two samples and in gaps "
    "nothing is known.",
    "That a check is not due yet says nothing of the part. Found by the eye comes first.",
    "No figure says that a surface is clean, dry or free of salt, that air is fit to breathe, or "
    "that a limit for noise, vibration or dust is met.",
    "Rates of crews are no judgement of people.",
)
