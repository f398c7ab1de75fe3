"""The one table of who may do what: roles, actions, and the action that a kind of record takes.

An action is a verb phrase, so that a refusal reads as a sentence.
"""

from __future__ import annotations

from ingest.errors import NotAllowed

#: Role -> what it is called.
ROLE_WORDS = {
    "tender": "pot tender",
    "supervisor": "supervisor",
    "maintainer": "maintainer",
    "owner": "owner",
}
_ALL = tuple(ROLE_WORDS)
_LEADS = ("supervisor", "owner")
_KEEPS = ("supervisor", "maintainer", "owner")
_ON_SHIFT = ("tender", "supervisor", "owner")

#: Action -> the roles that cover it. What is not in here, nobody may do.
ACTIONS: dict[str, tuple[str, ...]] = {
    "look at the pages": _ALL,
    "see prices and costs": _LEADS,
    "start a shift": _ALL,
    "enter abrasive": _ON_SHIFT,
    "enter area": _ON_SHIFT,
    "enter stops": _ON_SHIFT,
    "enter fuel": _ALL,
    "go to another job": _ON_SHIFT,
    "change parts": _ALL,
    "add photos": _ALL,
    "acknowledge notices": _ALL,
    "correct own entries": _ALL,
    "put notices off": _KEEPS,
    "sign off upkeep": _KEEPS,
    "book shifts": _LEADS,
    "set up jobs, crews and prices": _LEADS,
    "move abrasive in and out": _LEADS,
    "sign sheets": _LEADS,
    "correct entries": _LEADS,
    "correct clocks": ("maintainer", "owner"),
    "read refused messages again": ("maintainer", "owner"),
    "set up the yard": ("owner",),
    "look after people": ("owner",),
}

#: Kind of record -> the action that entering one is.
ENTERING: dict[str, str] = {
    "shift_start": "start a shift",
    "abrasive": "enter abrasive",
    "area": "enter area",
    "stop_reason": "enter stops",
    "fuel": "enter fuel",
    "job_change": "go to another job",
    "part_fitted": "change parts",
    "part_removed": "change parts",
    "check": "sign off upkeep",
    "notice_seen": "acknowledge notices",
    "notice_put_off": "put notices off",
    "shift": "book shifts",
    "job": "set up jobs, crews and prices",
    "crew": "set up jobs, crews and prices",
    "price": "set up jobs, crews and prices",
    "abrasive_kind": "set up jobs, crews and prices",
    "abrasive_move": "move abrasive in and out",
    "signature": "sign sheets",
    "yard_change": "set up the yard",
}


def covers(role: str, action: str) -> bool:
    """Whether a role covers an action.

    Raises
    ------
    KeyError
        There is no such action: a page asks for what the table does not have.

    Examples
    --------
    >>> covers("tender", "enter area"), covers("tender", "sign sheets")
    (True, False)
    """
    return role in ACTIONS[action]


def entering(kind: str) -> str:
    """The action that entering a kind of record is.

    Raises
    ------
    NotAllowed
        No role covers that kind: it was added without a row in :data:`ENTERING`.
    """
    if kind not in ENTERING:
        raise NotAllowed(
            f"No role covers entering {kind!r}.", "Enter it with `gritbook record` instead."
        )
    return ENTERING[kind]


def who_may(action: str) -> str:
    """The roles that cover an action, in words.

    Examples
    --------
    >>> who_may("sign sheets")
    'supervisor or owner'
    """
    words = [ROLE_WORDS[role] for role in ACTIONS[action]]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} or {words[-1]}"
