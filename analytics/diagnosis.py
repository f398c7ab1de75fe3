"""Which known trouble fits what the indicators say: ranked sentences with their evidence.

A suggestion, never a verdict: it says what is to be looked at, and how carefully. A trouble is
described by the indicators that it moves, and which way; the more of its moves are seen, and the
fewer that speak against it, the higher it ranks. Several can be right at once.

Nothing here says that a pot is vented, safe to open or fit for use.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl

from analytics.condition import INDICATORS, Indicator

#: Goes with every suggestion that touches pressure.
CAUTION = (
    "Before touching anything: isolate, vent and prove it is vented, by the site's own procedure, "
    "local code and a competent person. Something tight may be under pressure."
)

#: Key of an indicator in a trouble's signature: its column, with ``~`` for its scatter.
_Moves = dict[str, float]


@dataclass(frozen=True)
class Trouble:
    """A trouble that pots are known to have.

    Parameters
    ----------
    name : str
        Key.
    words : str
        What people at the pot call it, after "this fits".
    moves : dict of str to float
        Indicator to weight: positive where it rises, negative where it falls. The first is what
        the trouble cannot be without.
    against : tuple of str
        Indicators that it leaves alone; a change there speaks against it.
    check : str
        What to look at.
    """

    name: str
    words: str
    moves: _Moves
    against: tuple[str, ...]
    check: str


TROUBLES: tuple[Trouble, ...] = (
    Trouble("pinch_leak", "air getting past the pinch hose",
            {"leak_m3_s_pa": 1.0, "pressurise_reference_s": 0.5, "holds_under_pa": 0.5},
            ("~leak_m3_s_pa", "exhaust_m3_s_pa", "ripple_pa", "supply_pa"),
            "Look the pinch hose over where the wedge closes it, and replace it if worn."),
    Trouble("popup_unseated", "grit on the pop-up valve's seat",
            {"~leak_m3_s_pa": 1.2, "leak_m3_s_pa": 0.6, "pressurise_reference_s": 0.3,
             "holds_under_pa": 0.4},
            ("exhaust_m3_s_pa", "ripple_pa"),
            "Look at the pop-up valve and its seal for grit and scale."),
    Trouble("slow_exhaust", "an exhaust that is part blocked",
            {"exhaust_m3_s_pa": -1.0, "left_after_share": 0.4},
            ("leak_m3_s_pa", "sag_index", "creep_pa"),
            "Look at exhaust hose, muffler and pinch hose for a blockage; the pot holds pressure "
            "for longer than people expect."),
    Trouble("stays_pressurised", "a wedge that sticks: the pot stays up after some releases",
            {"left_after_share": 1.2, "pressurised_unheld_share": 0.6},
            ("creep_pa", "sag_index", "missing_share", "standing_still_share"),
            "Look at wedge, pinch hose and the dead-man's return line. The pot stays under "
            "pressure with the handle let go."),
    Trouble("pressurises_alone", "an air valve that passes: the pot comes up with nobody on the "
            "handle",
            {"creep_pa": 1.2, "left_after_share": 0.4, "pressurised_unheld_share": 0.4},
            ("sag_index", "vented_pa"),
            "Shut the supply and look at main air valve and wedge. Keep hands out of the filling "
            "port: the pop-up valve can rise."),
    Trouble("nozzle_wear", "a nozzle that has grown",
            {"hose_loss_index": 1.0, "sag_index": 0.6},
            ("feed_kg_s", "exhaust_m3_s_pa", "leak_m3_s_pa"),
            "Gauge the nozzle's bore; one size (1/16 in) over it is replaced (trade rule)."),
    Trouble("wet_air", "a separator full of water, the exhaust icing up",
            {"sag_index": 1.0, "exhaust_m3_s_pa": -0.8, "supply_pa": -0.4},
            ("hose_loss_index", "leak_m3_s_pa"),
            "Drain the separator, look at its element, and leave the drain cracked open."),
    Trouble("over_pressure", "a compressor set higher than before",
            {"supply_pa": 1.0, "ripple_pa": 0.4},
            ("sag_index", "hose_loss_index"),
            "Compare the compressor's setting with the pot's plate; stop if it is above it."),
    Trouble("relief_early", "a relief valve that lifts early",
            {"ripple_pa": 1.0, "holds_under_pa": 0.8},
            ("supply_pa", "exhaust_m3_s_pa"),
            "Have the relief valve's seat and setting checked against the plate."),
    Trouble("compressor_starved", "a compressor that cannot keep up with the nozzle",
            {"supply_pa": -1.0, "sag_index": 0.3},
            ("exhaust_m3_s_pa", "hose_loss_index"),
            "Compare the compressor's delivery with what nozzle and other users draw."),
    Trouble("choke_part_shut", "a choke valve that is part shut",
            {"hose_loss_index": 1.0, "sag_index": -0.6, "feed_kg_s": 0.5},
            ("exhaust_m3_s_pa", "leak_m3_s_pa"),
            "Look whether the choke valve is wide open."),
    Trouble("metering_starved", "a metering valve that starves",
            {"feed_kg_s": -1.0, "hose_loss_index": -0.6},
            ("leak_m3_s_pa", "exhaust_m3_s_pa", "supply_pa"),
            "Look for damp or coarse abrasive over the metering valve, and at its setting."),
    Trouble("metering_flooded", "a metering valve that floods",
            {"feed_kg_s": 1.0, "hose_loss_index": 0.6},
            ("leak_m3_s_pa", "exhaust_m3_s_pa", "supply_pa", "sag_index"),
            "Look at the metering valve's setting and wear."),
    Trouble("transducer_stuck", "a pot transducer that sticks",
            {"standing_still_share": 1.2},
            ("missing_share",),
            "Check the transducer and its port; until then trust no pot reading."),
    Trouble("transducer_drift", "a pot transducer that drifts",
            {"vented_pa": 1.2, "holds_under_pa": -0.3},
            ("supply_pa", "hose_loss_index"),
            "Calibrate the pot transducer."),
    Trouble("transducer_drift", "a pot transducer that drifts",
            {"vented_pa": -1.2, "holds_under_pa": 0.3},
            ("supply_pa", "hose_loss_index"),
            "Calibrate the pot transducer."),
    Trouble("loop_broken", "a broken wire to the pot transducer",
            {"missing_share": 1.2},
            (),
            "Look at cable and plugs; a broken loop shows no pressure though there may be."),
    Trouble("deadman_stuck", "a dead-man pressure switch that sticks on",
            {"held_unpressurised_share": 1.2},
            ("missing_share",),
            "Look at the switch on the return line; hours count too high meanwhile."),
    Trouble("deadman_missed", "a dead-man pressure switch that does not come on",
            {"pressurised_unheld_share": 1.2},
            ("creep_pa",),
            "Look at the switch on the return line; hours and cycles are missed meanwhile."),
)  # fmt: skip

_BY_KEY: dict[str, Indicator] = {
    ("~" if indicator.scatter else "") + indicator.name: indicator for indicator in INDICATORS
}


@dataclass(frozen=True)
class Suggestion:
    """A trouble that fits, with its evidence.

    Parameters
    ----------
    trouble : str
        Key of the trouble.
    score : float
        How well it fits; only for ranking. [-]
    sentence : str
        What was seen and what it fits, in words.
    check : str
        What to look at.
    caution : str
        How carefully.
    evidence : tuple of str
        The indicators behind it.
    """

    trouble: str
    score: float
    sentence: str
    check: str
    caution: str
    evidence: tuple[str, ...]


def suggestions(changes: pl.DataFrame, at: dt.datetime | None = None) -> list[Suggestion]:
    """Troubles that fit the indicators as they stand, best first.

    Parameters
    ----------
    changes : polars.DataFrame
        From :func:`analytics.condition.changes`.
    at : datetime, optional
        As things stood then (naive UTC); the newest by default.

    Returns
    -------
    list of Suggestion
        Empty where no chart signals. A trouble is named only where the indicator that it cannot
        be without signals.

    Examples
    --------
    >>> from analytics.condition import CHANGE_SCHEMA
    >>> row = {"indicator": "leak_m3_s_pa", "scatter": False, "at": dt.datetime(2026, 1, 5),
    ...     "since_at": dt.datetime(2026, 1, 1), "reference": 1e-9, "spread": 1e-9, "now": 2.5e-8,
    ...     "change": 2.4e-8, "relative": 24.0, "size": 4.0, "signal": True}
    >>> found = suggestions(pl.DataFrame([row], schema=CHANGE_SCHEMA))
    >>> found[0].trouble
    'pinch_leak'
    """
    seen = changes if at is None else changes.filter(pl.col("at") <= at)
    if seen.is_empty():
        return []
    newest = seen["at"].max()
    assert isinstance(newest, dt.datetime)
    # Some indicators make a block only now and then: those of the last day still stand.
    now = (
        seen.filter(pl.col("at") > newest - dt.timedelta(hours=16))
        .sort("at")
        .group_by("indicator", "scatter", maintain_order=True)
        .last()
    )
    size, signal, rows = {}, {}, {}
    for row in now.iter_rows(named=True):
        key = ("~" if row["scatter"] else "") + row["indicator"]
        size[key], signal[key], rows[key] = row["size"], row["signal"], row
    found = []
    for trouble in TROUBLES:
        scored = fit_of(trouble, size, signal)
        if scored is None:
            continue
        score, evidence = scored
        seen_words = "; ".join(_told(_BY_KEY[key], rows[key]) for key in evidence)
        found.append(
            Suggestion(
                trouble.name,
                score,
                f"{_capital(seen_words)}: this fits {trouble.words}.",
                trouble.check,
                CAUTION,
                tuple(evidence),
            )
        )
    return sorted(found, key=lambda suggestion: -suggestion.score)


def fit_of(
    trouble: Trouble, size: dict[str, float], signal: dict[str, bool]
) -> tuple[float, list[str]] | None:
    """How well a trouble fits, and the indicators that speak for it.

    Parameters
    ----------
    trouble : Trouble
        One of ``TROUBLES``.
    size, signal : dict
        Of each indicator (``~`` before its scatter): its change over what matters, and whether its
        chart signals.

    Returns
    -------
    (float, list of str) or None
        ``None`` where the indicator that it cannot be without does not signal.
    """
    first, weight = next(iter(trouble.moves.items()))
    if not signal.get(first, False) or size[first] * weight <= 0.0:
        return None
    score, evidence = 0.0, []
    for key, share in trouble.moves.items():
        towards = size.get(key, 0.0) * (1.0 if share > 0 else -1.0)
        score += abs(share) * max(min(towards, 2.5), -1.0)
        if towards > 0.6:
            evidence.append(key)
    for key in trouble.against:
        score -= 0.4 * min(max(abs(size.get(key, 0.0)) - 0.6, 0.0), 2.5)
    return score / sum(abs(share) for share in trouble.moves.values()) ** 0.5, evidence


def _told(indicator: Indicator, row: dict[str, float]) -> str:
    """An indicator's change in words."""
    way = "up" if row["change"] > 0.0 else "down"
    if indicator.relative:
        return f"{indicator.words} {way} {100.0 * abs(row['relative']):.0f} %"
    if indicator.unit == "Pa":
        return f"{indicator.words} {way} {abs(row['change']) / 1000.0:.0f} kPa"
    if indicator.unit == "":
        return f"{indicator.words} {way} {100.0 * abs(row['change']):.0f} points of a hundred"
    return f"{indicator.words} {way} by {abs(row['change']):.2g} {indicator.unit}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
