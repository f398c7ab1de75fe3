"""Words of a pot's condition: its indicators, what is suggested, and how sure weighing is."""

from __future__ import annotations

from dashboard import units

#: Indicator -> a short title for its small chart; ``~`` in front: its scatter.
INDICATOR_TITLES = {
    "leak_m3_s_pa": "Leak while pinched",
    "~leak_m3_s_pa": "Scatter of the leak",
    "pressurise_reference_s": "Time to pressurise, equal fill",
    "holds_under_pa": "Held under the manifold",
    "exhaust_m3_s_pa": "Exhaust conductance",
    "left_after_share": "Left 20 s after release",
    "creep_pa": "Rise with nobody on the handle",
    "clean_loss_index": "Clean air lost to the nozzle",
    "grain_loss_index": "What abrasive adds to the loss",
    "bull_loss_index": "Lost before the manifold",
    "receiver_pa": "Compressor holds to the end",
    "supply_pa": "Manifold while blasting",
    "feed_kg_s": "Abrasive feed",
    "press_delay_s": "Dead-man to first rise",
    "ripple_pa": "Sawing under the manifold",
    "vented_pa": "Reading near zero, at rest",
    "standing_still_share": "Readings that do not move",
    "missing_share": "Pot readings missing",
    "held_unpressurised_share": "Dead-man on, no blast",
    "pressurised_unheld_share": "Pot up, dead-man off",
    "blown_unheld_share": "Nozzle blows, dead-man off",
}

#: Unit of an indicator's column -> the quantity whose unit it is shown in.
_INDICATOR_QUANTITIES = {
    "m3/(s Pa)": "conductance",
    "Pa": "drop",
    "kg/s": "feed",
}


def indicator_key(name: str, scatter: bool) -> str:
    """Key of an indicator in :data:`INDICATOR_TITLES`."""
    return ("~" if scatter else "") + name


def indicator_unit(name: str, unit: str) -> tuple[str, float]:
    """The unit an indicator is shown in, and the factor into it.

    Examples
    --------
    >>> indicator_unit("left_after_share", ""), indicator_unit("holds_under_pa", "Pa")
    (('%', 100.0), ('kPa', 0.001))
    """
    if name.endswith("_share"):
        return "%", 100.0
    quantity = _INDICATOR_QUANTITIES.get(unit)
    if quantity is None:
        return unit, 1.0
    return units.unit(quantity), 1.0 / units.factor(quantity)


NO_CHANGE = "No change found in what is watched."

NO_CHANGE_MEANS = (
    "It says that nothing watched has moved by more than what matters in practice. It does not say "
    "that a part is good: checks stay due as they are."
)

SUGGESTED = (
    "What fits best comes first. These are suggestions from pressures, not findings: only looking "
    "at the part tells."
)

#: When weighing by pressures goes wrong, as (what, what happens and what to do).
HOW_SURE = (
    ("Short presses",
     "A press that ends before the pot stands at manifold pressure says little. Many of them in a "
     "row widen the band."),
    ("Supply that sags while the pot fills",
     "It is allowed for through the manifold's own reading; where that is missing or slow, a sag "
     "looks like a leak."),
    ("A wrong vessel volume in the yard file",
     "The air space is taken from it, so every amount is off by one and the same factor until "
     "bags are entered."),
    ("Abrasive of another density",
     "A garnet, a slag and a steel grit of one weight take different space. After a change of "
     "abrasive the first tippings teach the new figure; enter their bags."),
    ("Pressure left in the pot between presses",
     "A fill that starts part way up is used with less weight, or not at all."),
    ("Five readings a second or fewer",
     "A fill of a few seconds is then only a handful of points: amounts and leak are rough, and "
     "with noise of 1 % of the range the band is too narrow: it holds the truth 8 times in ten."),
    ("A pot that is never blasted empty",
     "How much is nothing is learned when it runs empty, which only the nozzle's pressure shows. "
     "Without it the level can be some per cent of a full pot off; use and tippings are not."),
    ("The last 10 kg, and a pot nearly full",
     "Air warms otherwise where few grains lie, and little room fills as fast as much; errors of "
     "about 5 kg are usual there."),
    ("Two kinds of abrasive, or another nozzle, in one stretch",
     "One scale and one feed are taken for the whole of it."),
    ("Fewer than three fills of a vented pot, or no reading of the manifold",
     "Nothing is weighed then."),
    ("Noise over 1 % of the transducer's range",
     "The band widens, and small leaks are not told from nothing."),
)  # fmt: skip

#: What the suggestions do not tell apart, or do not see -> why.
NOT_TOLD_APART = (
    ("A worn pinch hose and grit on the pop-up seat",
     "Only by whether the leak comes and goes; where too few fills show it, both are named."),
    ("A nozzle that has grown and a line that is tighter",
     "Clean air loses more in both. The bull hose tells, if the compressor keeps its level; else "
     "both are named. A choke part shut and a longer blast hose are one and the same here."),
    ("A wedge that sticks and a dead-man switch that is missed",
     "Only by the nozzle's pressure; where none is measured, both are named."),
    ("A change that people made",
     "Another nozzle, hose, compressor setting or abrasive shows as well. Enter parts that were "
     "fitted, and the past begins anew for what hangs on them."),
    ("What was there from the first day",
     "A pot is compared with itself only: what it always had is its past."),
)  # fmt: skip

#: Way of knowing the abrasive used -> what it is called.
WAY_WORDS = {
    "bags": "Bags entered",
    "load_cell": "Load cell",
    "pressure": "Estimate from pressures",
}

#: The same within a sentence.
BY_WAY = {"bags": "bags entered", "load_cell": "load cell", "pressure": "pressures"}

#: Why bags are not used though they were entered -> the words for it.
BAGS_DOUBT = {
    "apart": "Bags entered are far from what was measured, so they are not used. Was an entry "
    "forgotten, made twice, or for another pot?",
    "rate": "Bags entered would be more or less than a nozzle can use in these hours, so they are "
    "not used. Look at the entries.",
}
