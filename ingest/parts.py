"""Parts that have a life, what people call them, and the checks they come with.

The defaults hold where the yard file names no rule for a part. A yard may tighten one freely;
loosening it needs a reason and a name (see :meth:`ingest.config.Yard.effective_rules`).
"""

from __future__ import annotations

from typing import NamedTuple

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


class DefaultRule(NamedTuple):
    """A check that a part comes with.

    Parameters
    ----------
    part : str
        Kind of part, a key of :data:`PART_WORDS`.
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
    """

    part: str
    what: str
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    source: str


# "common practice" is written where no published source was found for the figure itself; the
# three-month and the 40-hour figures are of that sort, and local law prevails over all of them.
DEFAULT_RULES: tuple[DefaultRule, ...] = (
    DefaultRule(
        "pinch_hose", "wall and bore of the pinch hose where the wedge closes it",
        40.0, None, 7.0, "common practice",
    ),
    DefaultRule(
        "relief_valve", "taken out, seat checked, setting compared with the vessel's plate",
        None, None, 91.0,
        "common practice: every three months; local pressure-equipment law prevails",
    ),
    DefaultRule(
        "separator", "drained; drain left cracked open for the shift",
        None, None, 1.0, "common practice: daily, more often in humid air",
    ),
    DefaultRule(
        "blast_hose", "wall and lining, felt and looked over along its length",
        40.0, None, 7.0, "common practice",
    ),
    DefaultRule(
        "nozzle", "bore and liner; replaced at 1.6 mm over its new bore",
        None, None, 7.0, "common practice: trade manuals, weekly",
    ),
    DefaultRule(
        "couplings", "couplings tight, gaskets whole, pins and whip checks in place",
        None, None, 7.0, "common practice: trade manuals, weekly",
    ),
    DefaultRule(
        "deadman", "lever moves freely and returns by itself; flow stops when it is let go",
        None, None, 1.0, "common practice: trade manuals, daily; 29 CFR 1910.244(b) requires a "
        "valve that is held open by hand",
    ),
)  # fmt: skip
