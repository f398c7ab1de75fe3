"""What the yard file says of checks: the limits it asks for, and which are looser than usual."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import Field, model_validator

from ingest.parts import DEFAULT_RULES, DefaultRule
from ingest.yard_values import PartKind, Positive, Table, Text


class Rule(Table):
    """A check that the yard file asks for.

    Parameters
    ----------
    part : str
        Kind of part, a key of :data:`ingest.parts.PART_WORDS`.
    what : str
        What is checked; by default as the part's default rule says.
    every_blast_h : float or None
        Limit in blasting hours. [h]
    every_cycles : int or None
        Limit in pinch cycles.
    every_days : float or None
        Limit in calendar days. [d]
    due_soon : float
        Fraction of the limit before its end from which it is due soon.
    source : str
        What it rests on: law, plate, standard or common practice, and which.
    reason, by : str
        Why it is looser than the default, and who decided so.
    """

    part: PartKind
    what: Text = ""
    every_blast_h: Positive | None = None
    every_cycles: Annotated[int, Field(gt=0)] | None = None
    every_days: Positive | None = None
    due_soon: float = Field(0.1, ge=0, lt=1)
    source: Text = ""
    reason: Text = ""
    by: Text = ""

    @model_validator(mode="after")
    def _limits(self) -> Rule:
        if self.every_blast_h is None and self.every_cycles is None and self.every_days is None:
            raise ValueError("expected at least one of every_blast_h, every_cycles, every_days")
        default = _default_rule(self.part)
        if default is None and not self.what:
            raise ValueError("expected `what`: this part has no default check")
        if default is not None:
            looser = [
                f"{name} {_as_limit(theirs)} instead of {_as_limit(ours)}"
                for name in ("every_blast_h", "every_cycles", "every_days")
                if (ours := getattr(default, name)) is not None
                and _looser(theirs := getattr(self, name), ours)
            ]
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
    from_yard_file : bool
        The yard file asked for it.
    """

    part: str
    what: str
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    due_soon: float
    source: str
    reason: str
    by: str
    loosened: bool
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
        One a kind of part.
    """
    own = {rule.part: rule for rule in rules}
    effective = []
    for part in [d.part for d in DEFAULT_RULES] + [
        rule.part for rule in rules if _default_rule(rule.part) is None
    ]:
        default, rule = _default_rule(part), own.get(part)
        if rule is None:
            assert default is not None
            effective.append(
                EffectiveRule(
                    **default._asdict(), due_soon=0.1, reason="", by="",
                    loosened=False, from_yard_file=False,
                )
            )  # fmt: skip
            continue
        loosened = default is not None and any(
            _looser(getattr(rule, name), ours)
            for name in ("every_blast_h", "every_cycles", "every_days")
            if (ours := getattr(default, name)) is not None
        )
        values = rule.model_dump()
        values["what"] = rule.what or (default.what if default else "")
        values["source"] = rule.source or "this yard's own rule"
        effective.append(EffectiveRule(**values, loosened=loosened, from_yard_file=True))
    return tuple(effective)


def _default_rule(part: str) -> DefaultRule | None:
    return next((rule for rule in DEFAULT_RULES if rule.part == part), None)


def _looser(theirs: float | None, ours: float) -> bool:
    return theirs is None or theirs > ours


def _as_limit(limit: float | None) -> str:
    return "none" if limit is None else f"{limit:g}"
