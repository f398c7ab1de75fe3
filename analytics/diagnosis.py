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

from analytics.indicators import INDICATORS, Indicator

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
        Indicators that it leaves alone; a change there speaks against it. With ``+`` or ``-``
        before it, only a rise or a fall does.
    check : str
        What to look at.
    least : float
        So many times what matters must the first move to say anything. [-]
    apart : tuple of (str, str)
        Trouble that looks alike, and the indicator that tells the two apart by rising. Where that
        is not known, or lies in between, both are named.
    unless : tuple of str
        Indicators whose signal explains the moves by itself.
    together : tuple of (str, str, float, float), optional
        Two relative indicators that it moves in step: the first over the second lies between.
    """

    name: str
    words: str
    moves: _Moves
    against: tuple[str, ...]
    check: str
    least: float = 1.0
    apart: tuple[tuple[str, str], ...] = ()
    unless: tuple[str, ...] = ()
    together: tuple[str, str, float, float] | None = None


TROUBLES: tuple[Trouble, ...] = (
    # The pinched hose passes as much each time; grit lies another way at each closing.
    Trouble("pinch_leak", "air getting past the pinch hose",
            {"leak_m3_s_pa": 1.0, "pressurise_reference_s": 0.4, "holds_under_pa": 0.4,
             "bull_loss_index": 0.2},
            ("~leak_m3_s_pa", "exhaust_m3_s_pa", "ripple_pa", "-receiver_pa"),
            "Look the pinch hose over where the wedge closes it, and replace it if worn.",
            apart=(("popup_unseated", "~leak_m3_s_pa"),)),
    Trouble("popup_unseated", "grit on the pop-up valve's seat",
            {"~leak_m3_s_pa": 1.0, "leak_m3_s_pa": 0.8, "pressurise_reference_s": 0.3,
             "holds_under_pa": 0.3},
            ("ripple_pa", "-receiver_pa"),
            "Look at the pop-up valve and its seal for grit and scale.",
            apart=(("pinch_leak", "~leak_m3_s_pa"),)),
    Trouble("slow_exhaust", "an exhaust that is part blocked",
            {"exhaust_m3_s_pa": -1.0, "left_after_share": 0.4},
            ("leak_m3_s_pa", "+bull_loss_index", "+creep_pa", "pressurised_unheld_share"),
            "Look at exhaust hose, muffler and pinch hose for a blockage; the pot holds pressure "
            "for longer than people expect."),
    # Held without a hand: shut in, so the nozzle is down; else the switch is wrong.
    Trouble("stays_pressurised", "a wedge that sticks: the pot stays up after some releases",
            {"left_after_share": 1.2, "pressurised_unheld_share": 0.6},
            ("+creep_pa", "blown_unheld_share", "vented_pa", "-exhaust_m3_s_pa"),
            "Look at wedge, pinch hose and the dead-man's return line. The pot stays under "
            "pressure with the handle let go.",
            apart=(("deadman_missed", "blown_unheld_share"),)),
    Trouble("pressurises_alone", "an air valve that passes: the pot comes up with nobody on the "
            "handle",
            {"creep_pa": 1.2, "left_after_share": 0.4, "pressurised_unheld_share": 0.4},
            ("blown_unheld_share",),
            "Shut the supply and look at main air valve and wedge. Keep hands out of the filling "
            "port: the pop-up valve can rise."),
    # A larger bore draws more of clean air too, and takes it through the bull hose. Less through
    # the choke is lost by clean air as well, and draws less.
    Trouble("nozzle_wear", "a nozzle that has grown",
            {"clean_loss_index": 1.0, "bull_loss_index": 0.8, "grain_loss_index": 0.3},
            ("exhaust_m3_s_pa", "leak_m3_s_pa"),
            "Gauge the nozzle's bore; one size (1/16 in) over it is replaced (trade rule).",
            apart=(("choke_part_shut", "bull_loss_index"),),
            together=("bull_loss_index", "clean_loss_index", 0.3, 2.0)),
    Trouble("choke_part_shut", "a choke valve that is part shut, or a longer or narrower blast "
            "hose",
            {"clean_loss_index": 1.0, "grain_loss_index": 0.3},
            ("+bull_loss_index", "exhaust_m3_s_pa", "leak_m3_s_pa", "-grain_loss_index"),
            "Look whether the choke valve is wide open, and whether hose and couplings are those "
            "used before.",
            apart=(("nozzle_wear", "bull_loss_index"),)),
    # Water in the separator costs in proportion to the flow; a short compressor loses its own
    # level burst by burst.
    Trouble("wet_air", "a separator full of water, the exhaust icing up",
            {"bull_loss_index": 1.0, "exhaust_m3_s_pa": -0.6, "supply_pa": -0.4},
            ("+clean_loss_index", "leak_m3_s_pa", "ripple_pa", "+holds_under_pa"),
            "Drain the separator, look at its element, and leave the drain cracked open."),
    Trouble("over_pressure", "a compressor set higher than before",
            {"receiver_pa": 1.0, "supply_pa": 0.6},
            ("-supply_pa",),
            "Compare the compressor's setting with the pot's plate; stop if it is above it.",
            least=2.0),
    Trouble("relief_early", "a relief valve that lifts early",
            {"ripple_pa": 1.0, "holds_under_pa": 0.8},
            ("+receiver_pa", "standing_still_share"),
            "Have the relief valve's seat and setting checked against the plate."),
    # Open for good it does not saw: the pot only stays far below the manifold, and draws air. Where
    # the fills tell a leak it is that; here they are too slow to.
    Trouble("relief_early", "a relief valve that does not shut again",
            {"holds_under_pa": 1.0, "bull_loss_index": 0.4},
            ("+receiver_pa", "standing_still_share"),
            "Have the relief valve's seat and setting checked against the plate.",
            least=5.0, unless=("ripple_pa", "leak_m3_s_pa", "~leak_m3_s_pa"),
            apart=(("pinch_leak", "leak_m3_s_pa"), ("popup_unseated", "~leak_m3_s_pa"))),
    Trouble("compressor_starved", "a compressor that cannot keep up with the nozzle",
            {"receiver_pa": -1.0, "supply_pa": -0.5},
            ("exhaust_m3_s_pa", "+clean_loss_index"),
            "Compare the compressor's delivery with what nozzle and other users draw."),
    # With the metering valve only the grains' own share of the loss moves.
    Trouble("metering_starved", "a metering valve that starves",
            {"grain_loss_index": -1.0, "feed_kg_s": -0.6},
            ("exhaust_m3_s_pa", "+clean_loss_index", "+receiver_pa"),
            "Look for damp or coarse abrasive over the metering valve, and at its setting.",
            # Grains fall only where the pot is over the hose: one that lags starves by itself.
            unless=("leak_m3_s_pa", "~leak_m3_s_pa", "holds_under_pa", "ripple_pa")),
    Trouble("metering_flooded", "a metering valve that floods",
            {"grain_loss_index": 1.0, "feed_kg_s": 0.6},
            ("leak_m3_s_pa", "exhaust_m3_s_pa", "+clean_loss_index", "+bull_loss_index",
             "-receiver_pa"),
            "Look at the metering valve's setting and wear.",
            # A choke a little shut puts the pot over the hose, and so feeds more by itself.
            apart=(("choke_part_shut", "clean_loss_index"),)),
    Trouble("transducer_stuck", "a pot transducer that sticks",
            {"standing_still_share": 1.2},
            ("missing_share",),
            "Check the transducer and its port; until then trust no pot reading."),
    Trouble("transducer_drift", "a pot transducer that drifts",
            {"vented_pa": 1.2, "holds_under_pa": -0.3},
            ("+creep_pa", "pressurised_unheld_share"),
            "Calibrate the pot transducer."),
    Trouble("transducer_drift", "a pot transducer that drifts",
            {"vented_pa": -1.2, "holds_under_pa": 0.3},
            ("+creep_pa", "pressurised_unheld_share"),
            "Calibrate the pot transducer."),
    Trouble("loop_broken", "a broken wire to the pot transducer",
            {"missing_share": 1.2},
            (),
            "Look at cable and plugs; a broken loop shows no pressure though there may be."),
    Trouble("deadman_stuck", "a dead-man pressure switch that sticks on",
            {"held_unpressurised_share": 1.2},
            ("missing_share", "standing_still_share"),
            "Look at the switch on the return line; hours count too high meanwhile."),
    Trouble("deadman_missed", "a dead-man pressure switch that does not come on",
            {"blown_unheld_share": 1.2},
            (),
            "Look at the switch on the return line; hours and cycles are missed meanwhile."),
)  # fmt: skip

#: What says that the pot's reading itself is wrong.
_READING_WRONG = ("standing_still_share", "missing_share")
#: What is read off the pot's transducer alone, and so is no evidence while its reading is wrong.
_OFF_THE_POT = frozenset(
    {
        "leak_m3_s_pa", "~leak_m3_s_pa", "pressurise_reference_s", "holds_under_pa",
        "exhaust_m3_s_pa", "left_after_share", "creep_pa", "ripple_pa", "vented_pa",
        "held_unpressurised_share", "pressurised_unheld_share", "press_delay_s", "feed_kg_s",
    }
)  # fmt: skip
#: What evidence off a wrong reading is still worth. [-]
_WORTH_IF_WRONG = 0.25
#: An indicator that tells two troubles apart says neither yes nor no between these sizes. [-]
_IN_BETWEEN = (0.4, 1.0)
#: What a signal that explains a trouble's moves takes off its score. [-]
_EXPLAINED = 4.0
#: Beside a better one, a trouble that fits less well than this is not told. [-]
LEAST_SCORE = 0.4
#: Two that fit alike are named together where the lesser fits this well of the better. [-]
_ALIKE = 0.5

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
    alike : tuple of str
        Keys of troubles that the signals do not tell from it; the sentence names them too.
    """

    trouble: str
    score: float
    sentence: str
    check: str
    caution: str
    evidence: tuple[str, ...]
    alike: tuple[str, ...] = ()


def suggestions(changes: pl.DataFrame, at: dt.datetime | None = None) -> list[Suggestion]:
    """Troubles that fit the indicators as they stand, best first.

    Parameters
    ----------
    changes : polars.DataFrame
        From :func:`analytics.indicators.changes`.
    at : datetime, optional
        As things stood then (naive UTC); the newest by default.

    Returns
    -------
    list of Suggestion
        Empty where no chart signals. A trouble is named only where the indicator that it cannot
        be without signals.

    Examples
    --------
    >>> from analytics.indicators import CHANGE_SCHEMA
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
    # What happens in some cycles only comes and goes: its last signal of the day still stands.
    rare = pl.col("indicator").is_in([i.name for i in INDICATORS if i.mean])
    now = (
        seen.filter(pl.col("at") > newest - dt.timedelta(hours=16))
        .with_columns(stands=rare & pl.col("signal"))
        .sort("stands", "at")
        .group_by("indicator", "scatter", maintain_order=True)
        .last()
    )
    size, signal, rows = {}, {}, {}
    for row in now.iter_rows(named=True):
        key = ("~" if row["scatter"] else "") + row["indicator"]
        size[key], signal[key], rows[key] = row["size"], row["signal"], row
    fits = []
    for trouble in TROUBLES:
        scored = fit_of(trouble, size, signal)
        if scored is not None:
            fits.append((trouble, *scored))
    fits.sort(key=lambda fit: -fit[1])
    found: list[Suggestion] = []
    named: set[str] = set()
    for trouble, score, evidence in fits:
        if trouble.name in named or (found and score < LEAST_SCORE):
            continue
        others = _alike(trouble, score, fits, size)
        named |= {trouble.name, *(other.name for other in others)}
        found.append(_suggestion(trouble, score, evidence, others, rows))
    return found


def _alike(
    trouble: Trouble,
    score: float,
    fits: list[tuple[Trouble, float, list[str]]],
    size: dict[str, float],
) -> list[Trouble]:
    """Troubles that the signals do not tell from this one."""
    found = []
    for name, by in trouble.apart:
        low, high = _IN_BETWEEN
        known = by in size
        if known and not low <= size[by] < high:
            continue
        for other in TROUBLES:
            if other.name != name:
                continue
            fitting = next((fit[1] for fit in fits if fit[0] is other), None)
            if (fitting is not None and fitting >= _ALIKE * score) or (fitting is None):
                found.append(other)
    return found


def _suggestion(
    trouble: Trouble,
    score: float,
    evidence: list[str],
    others: list[Trouble],
    rows: dict[str, dict[str, float]],
) -> Suggestion:
    seen = "; ".join(_told(_BY_KEY[key], rows[key]) for key in evidence)
    fits = f"this fits {trouble.words}"
    check = trouble.check
    if others:
        fits += ", or " + ", or ".join(other.words for other in others)
        fits += "; the signals here do not tell which"
        check = " ".join((check, *(other.check for other in others)))
    if trouble.name == "nozzle_wear":
        # With a choked nozzle the loss for its flow grows with the fourth power of the bore.
        grown = (1.0 + rows["clean_loss_index"]["relative"]) ** 0.25 - 1.0
        fits += f" (a bore {100.0 * grown:.0f} % wider would do it)"
    return Suggestion(
        trouble.name,
        score,
        f"{_capital(seen)}: {fits}.",
        check,
        CAUTION,
        tuple(evidence),
        tuple(other.name for other in others),
    )


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
    if abs(size[first]) < trouble.least:
        return None
    wrong = any(signal.get(key, False) for key in _READING_WRONG)
    score, evidence = 0.0, []
    for key, share in trouble.moves.items():
        towards = size.get(key, 0.0) * (1.0 if share > 0 else -1.0)
        worth = _WORTH_IF_WRONG if wrong and key in _OFF_THE_POT else 1.0
        score += worth * abs(share) * max(min(towards, 2.5), -1.0)
        if towards > 0.6:
            evidence.append(key)
    for key in trouble.against:
        moved = size.get(key.lstrip("+-"), 0.0)
        moved = max(moved, 0.0) if key[0] == "+" else max(-moved, 0.0) if key[0] == "-" else moved
        score -= 0.4 * min(max(abs(moved) - 0.6, 0.0), 2.5)
    if any(signal.get(key, False) and size[key] > 0.0 for key in trouble.unless):
        score -= _EXPLAINED
    if trouble.together is not None and not _in_step(trouble.together, size):
        score -= 1.0
    return score / sum(abs(share) for share in trouble.moves.values()) ** 0.5, evidence


def _in_step(together: tuple[str, str, float, float], size: dict[str, float]) -> bool:
    """Whether two relative indicators changed in the proportion that a trouble changes them in."""
    first, second, least, most = together
    if first not in size or second not in size:
        return True
    changed, by = (size[key] * _BY_KEY[key].matters for key in (first, second))
    return by > 0.0 and least <= changed / by <= most


def _told(indicator: Indicator, row: dict[str, float]) -> str:
    """An indicator's change in words."""
    way = "up" if row["change"] > 0.0 else "down"
    if indicator.scatter and indicator.error:
        return f"{indicator.words} {row['now']:.1f} times what its fits are unsure by"
    if indicator.relative:
        return f"{indicator.words} {way} {100.0 * abs(row['relative']):.0f} %"
    if indicator.unit == "Pa":
        return f"{indicator.words} {way} {abs(row['change']) / 1000.0:.0f} kPa"
    if indicator.unit == "":
        return f"{indicator.words} {way} {100.0 * abs(row['change']):.0f} points of a hundred"
    return f"{indicator.words} {way} by {abs(row['change']):.2g} {indicator.unit}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
