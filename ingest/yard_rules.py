"""What the yard file says of checks: the limits it asks for, and which are looser than usual.

A rule has a name. A part's main check is called as the part; others carry the part's name and
what they look at, such as ``pinch_hose-leak``. A rule of the yard file takes the place of the
default of its name, everywhere or on the pots and positions that it names; with a name of its own
it comes beside the defaults.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, field_validator, model_validator

from ingest.parts import DEFAULT_RULES, RULE_INDICATORS, DefaultRule, Task, Way, position_of
from ingest.yard_faults import suggestion
from ingest.yard_values import PartKind, Positive, Slug, Table, Text, as_tuple

#: Limits by use and by the calendar.
_LIMITS = ("every_blast_h", "every_cycles", "every_days")
Names = Annotated[tuple[str, ...], BeforeValidator(as_tuple)]


class Rule(Table):
    """A check that the yard file asks for.

    Parameters
    ----------
    part : str
        Kind of part, a key of :data:`ingest.parts.PART_WORDS`.
    name : str
        What the rule is called; by default as the part: then it takes the place of the part's
        main check.
    pots, positions : tuple of str
        Where it holds; empty: everywhere. The more closely a rule says where, the more it counts.
    what : str
        What is checked; by default as the default rule of that name says.
    task : str
        ``check``: a good check begins the count anew. ``replace``: only another part does, and
        all that the part has done counts, on whatever pot.
    every_blast_h : float or None
        Limit in blasting hours. [h]
    every_cycles : int or None
        Limit in pinch cycles.
    every_days : float or None
        Limit in calendar days. [d]
    indicator : str
        Indicator of condition, one of :data:`ingest.parts.RULE_INDICATORS`; empty: none.
    level : float or None
        Change of the indicator from which it is due, in multiples of the change that is worth
        telling; by default 1. [-]
    way : str or None
        Which way the indicator counts: ``up``, ``down`` or ``either``; by default ``up``.
    due_soon : float
        Fraction of the limit before its end from which it is due soon.
    source : str
        What it rests on: law, plate, standard or common practice, and which.
    reason, by : str
        Why it is looser than the default, and who decided so.
    """

    part: PartKind
    name: Slug = ""
    pots: Names = ()
    positions: Names = ()
    what: Text = ""
    task: Task = "check"
    every_blast_h: Positive | None = None
    every_cycles: Annotated[int, Field(gt=0)] | None = None
    every_days: Positive | None = None
    indicator: Text = ""
    level: Positive | None = None
    way: Way | None = None
    due_soon: float = Field(0.1, ge=0, lt=1)
    source: Text = ""
    reason: Text = ""
    by: Text = ""

    @model_validator(mode="before")
    @classmethod
    def _named(cls, values: object) -> object:
        if not isinstance(values, dict):
            return values
        filled = {"name": values.get("part", ""), **values}
        if filled.get("indicator"):
            filled = {"level": 1.0, "way": "up", **filled}
        return filled

    @field_validator("indicator")
    @classmethod
    def _charted(cls, value: str) -> str:
        if value and value not in RULE_INDICATORS:
            words = suggestion(value, RULE_INDICATORS)
            raise ValueError(f"there is no such indicator{words}")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Rule:
        if not self.indicator and all(getattr(self, name) is None for name in _LIMITS):
            raise ValueError(f"expected at least one of {', '.join(_LIMITS)}, indicator")
        if not self.indicator and (self.level is not None or self.way is not None):
            raise ValueError("level and way go with an indicator")
        default = default_rule(self.name)
        if default is not None and default.part != self.part:
            raise ValueError(f'"{self.name}" is the default rule of another part, {default.part}')
        if default is None and not self.what:
            raise ValueError("expected `what`: there is no default check of that name")
        looser = looser_than_default(self)
        if looser and not (self.reason and self.by):
            raise ValueError(
                f"looser than the default ({'; '.join(looser)}); write `reason` and `by`, "
                "or keep the default's limits"
            )
        return self


class EffectiveRule(Table):
    """A check as it holds in this yard: the default, or the yard file's in its place.

    The parameters of :class:`Rule`, and:

    Parameters
    ----------
    loosened : bool
        Some limit is larger than the default's, or one of its triggers was dropped.
    loosened_by : str
        What is looser, in words; empty: nothing.
    from_yard_file : bool
        The yard file asked for it.
    """

    part: str
    name: str
    pots: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()
    what: str
    task: Task = "check"
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    indicator: str = ""
    level: float | None = None
    way: Way | None = None
    due_soon: float
    source: str
    reason: str
    by: str
    loosened: bool
    loosened_by: str = ""
    from_yard_file: bool


def effective_rules(rules: Sequence[Rule]) -> tuple[EffectiveRule, ...]:
    """The checks that hold: each default, or what the yard file has in its place, then others.

    Parameters
    ----------
    rules : sequence of Rule
        What the yard file asks for.

    Returns
    -------
    tuple of EffectiveRule
        Several a kind of part; of one name, those that say more closely where they hold come
        last, and count before the others.
    """
    effective = []
    named = dict.fromkeys([d.name for d in DEFAULT_RULES] + [rule.name for rule in rules])
    for name in named:
        default = default_rule(name)
        own = sorted((rule for rule in rules if rule.name == name), key=_closeness)
        if default is not None and not any(_closeness(rule) == 0 for rule in own):
            effective.append(
                EffectiveRule(
                    **default._asdict() | {"way": default.way if default.indicator else None},
                    due_soon=0.1, reason="", by="", loosened=False, from_yard_file=False,
                )
            )  # fmt: skip
        for rule in own:
            values: dict[str, Any] = rule.model_dump()
            values["what"] = rule.what or (default.what if default else "")
            values["source"] = rule.source or "this yard's own rule"
            values["positions"] = tuple(position_of(rule.part, p) for p in rule.positions)
            looser = looser_than_default(rule)
            effective.append(
                EffectiveRule(
                    **values, loosened=bool(looser), loosened_by="; ".join(looser),
                    from_yard_file=True,
                )
            )  # fmt: skip
    return tuple(effective)


def default_rule(name: str) -> DefaultRule | None:
    """The default rule of a name; ``None`` where there is none."""
    return next((rule for rule in DEFAULT_RULES if rule.name == name), None)


def looser_than_default(rule: Rule) -> list[str]:
    """In what a rule is looser than the default of its name, in words."""
    default = default_rule(rule.name)
    if default is None:
        return []
    looser = [
        f"{name} {_as_limit(theirs)} instead of {_as_limit(ours)}"
        for name in _LIMITS
        if (ours := getattr(default, name)) is not None
        and _looser(theirs := getattr(rule, name), ours)
    ]
    if default.indicator and rule.indicator != default.indicator:
        looser.append(f"indicator {rule.indicator or 'none'} instead of {default.indicator}")
    elif default.indicator and default.level is not None:
        if _looser(rule.level, default.level):
            looser.append(f"level {_as_limit(rule.level)} instead of {_as_limit(default.level)}")
        if rule.way not in (default.way, "either"):
            looser.append(f"way {rule.way} instead of {default.way}")
    if default.task == "replace" and rule.task == "check":
        looser.append("task check instead of replace")
    return looser


def _closeness(rule: Rule) -> int:
    return (2 if rule.pots else 0) + (1 if rule.positions else 0)


def _looser(theirs: float | None, ours: float) -> bool:
    return theirs is None or theirs > ours


def _as_limit(limit: float | None) -> str:
    return "none" if limit is None else f"{limit:g}"
