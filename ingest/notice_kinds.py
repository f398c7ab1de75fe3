"""Kinds of notices: what people call them, how long a cause must last, and what to do about it.

A cause (``group``) can show in several ways; those are one notice, called by the worst that was
seen of it (``rank``). The lifecycle follows IEC 62682 in plain words (from memory; its states in
brackets): *raised* (unacknowledged), *acknowledged*, *cleared* (gone, not acknowledged), *done*
(normal again), *put off* (shelved, with reason and end). Nothing latches, and nothing is
suppressed by design. As that standard asks, what needs no timely action is only told in the daily
digest.

Delays and levels are our own estimates where no source stands beside them.
"""

from __future__ import annotations

from typing import NamedTuple

#: How a notice is told: at once, in quiet hours too; at once but after them; in the daily digest.
AT_ONCE, BY_DAY, IN_DIGEST = "at once", "by day", "in the digest"

_PROVE = (
    "Let nobody near until the pot is isolated, vented and proved vented at the pot itself, by the "
    "site's own procedure, local code and a competent person."
)
_OVER = (
    "Follow the site's procedure for pressure above the plate: it, local pressure-equipment law "
    "and a competent person decide what to do, not this notice."
)
_TOUCH = (
    "Before touching anything: isolate, vent and prove it is vented, by the site's own procedure, "
    "local code and a competent person."
)


class NoticeKind(NamedTuple):
    """A way in which a cause shows.

    Parameters
    ----------
    words : str
        What people call it.
    group : str
        Cause that it is a sign of; signs of one cause at one pot are one notice.
    rank : int
        Within the group; the higher is the worse. Alike: the signals may not tell which it is.
    told : str
        ``AT_ONCE``: it can hurt people. ``BY_DAY``, ``IN_DIGEST``.
    on_s : float
        So long it must last before it is raised. [s]
    off_s : float
        So long it must be gone before it is cleared; shorter pauses are the same notice. [s]
    step : str
        What to do.
    """

    words: str
    group: str
    rank: int
    told: str
    on_s: float
    off_s: float
    step: str

    @property
    def hurts(self) -> bool:
        """Whether it can hurt people: told through quiet hours, put off for a shift at most."""
        return self.told == AT_ONCE


_HOUR = 3600.0

#: Kind -> what is known of it.
NOTICE_KINDS: dict[str, NoticeKind] = {
    "over_plate": NoticeKind(
        "pressure above the pot's plate", "supply", 2, AT_ONCE, 1.0, 0.5 * _HOUR, _OVER,
    ),
    "relief_lifted": NoticeKind(
        "relief valve lifting", "supply", 1, AT_ONCE, 0.0, _HOUR,
        "A relief valve that lifts is either set low or protects from too much. " + _OVER,
    ),
    "pressure_after_release": NoticeKind(
        "pot under pressure after the release", "unheld", 2, AT_ONCE, 30.0, _HOUR,
        "Look at wedge, pinch hose, exhaust and return line. " + _PROVE,
    ),
    "not_exhausting": NoticeKind(
        "pot slow to exhaust", "unheld", 1, AT_ONCE, 0.0, _HOUR,
        "It holds pressure for longer than people expect: look at exhaust hose, muffler and pinch "
        "hose for a blockage. " + _PROVE,
    ),
    "pressurised_unheld": NoticeKind(
        "pot pressurised with nobody on the dead-man", "unheld", 3, AT_ONCE, 3.0, _HOUR,
        "Shut the supply; look at main air valve, wedge and the dead-man's switch. Keep hands out "
        "of the filling port: the pop-up valve can rise. " + _PROVE,
    ),
    "pinch_leak": NoticeKind(
        "pinch hose leaking", "leak", 1, BY_DAY, 0.0, 0.0,
        "Look the pinch hose over where the wedge closes it, and the pop-up valve's seat. "
        + _TOUCH,
    ),
    "popup_leak": NoticeKind(
        "pop-up valve leaking", "leak", 1, BY_DAY, 0.0, 0.0,
        "Look at the pop-up valve and its seal for grit and scale. " + _TOUCH,
    ),
    "separator": NoticeKind(
        "separator full of water", "sag", 1, BY_DAY, 0.0, 0.0,
        "Drain the separator, look at its element, and leave the drain cracked open. " + _TOUCH,
    ),
    "manifold_sag": NoticeKind(
        "manifold sagging while blasting", "sag", 1, BY_DAY, 0.0, 0.0,
        "Compare the compressor's delivery with what nozzle and other users draw.",
    ),
    "nozzle_worn": NoticeKind(
        "nozzle worn", "nozzle", 1, BY_DAY, 0.0, 0.0,
        "Gauge the bore; one size (1/16 in) over its new bore it is replaced (trade rule). "
        + _TOUCH,
    ),
    "transducer_fault": NoticeKind(
        "transducer or switch at fault", "signal", 1, BY_DAY, 120.0, 0.5 * _HOUR,
        "Look at transducer, port, cable and plugs; until then its readings say nothing, and a "
        "broken loop shows no pressure though there may be.",
    ),
    "box_silent": NoticeKind(
        "sensor box silent", "box", 1, BY_DAY, 120.0, 2.0 * _HOUR,
        "Look at the box's power and line; `gritbook boxes` and `gritbook check` say more. What "
        "the pot does meanwhile is not known.",
    ),
    "rule_soon": NoticeKind(
        "check due soon", "rule", 1, IN_DIGEST, 0.0, 0.0,
        "Plan it. " + _TOUCH,
    ),
    "rule_due": NoticeKind(
        "check due", "rule", 2, IN_DIGEST, 0.0, 0.0,
        "Do it and sign it off. " + _TOUCH,
    ),
    "rule_overdue": NoticeKind(
        "check overdue", "rule", 3, IN_DIGEST, 0.0, 0.0,
        "Do it and sign it off. " + _TOUCH,
    ),
    "records_missing": NoticeKind(
        "records missing", "records", 1, IN_DIGEST, 0.0, 0.0,
        "Enter what was done while people still know it.",
    ),
}  # fmt: skip

#: A notice may be put off for so long: one that can hurt, for a shift. [h]
PUT_OFF_HURTING_H, PUT_OFF_H = 12.0, 90 * 24.0
