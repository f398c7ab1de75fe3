"""Upkeep: what is due, and why, from hours and cycles that really happened.

A limit is compared with the high figure: where data are missing, a part is looked at sooner, never
later. Gritbook reminds; it does not say that a part is fit because its limit is not reached.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl


@dataclass(frozen=True)
class UpkeepRule:
    """A check with its limits, of which the first to pass wins.

    Parameters
    ----------
    part, what : str
        Kind of part, and what is checked.
    every_blast_h : float or None
        Limit in blast hours. [h]
    every_cycles : int or None
        Limit in pinch cycles.
    every_days : float or None
        Limit in days. [d]
    due_soon : float
        Share of the limit before its end from which the check is due soon. [-]
    source : str
        What the limit rests on.
    loosened : bool
        The site allows more than the default, with ``reason`` and ``by``.
    name : str
        What the rule is called; empty: as the part.
    pots, positions : tuple of str
        Where it holds; empty: everywhere. Of two of a name, the one that says it more closely.
    task : str
        ``check``: counted since the part's last good check. ``replace``: over all its life.
    indicator : str
        Indicator of condition, ``~`` before it for its scatter; empty: none.
    level : float or None
        Change of the indicator from which it is due, in multiples of what is worth telling. [-]
    way : str
        Which way counts: ``up``, ``down``, ``either``.
    loosened_by : str
        What is looser, in words.
    """

    part: str
    what: str
    every_blast_h: float | None
    every_cycles: int | None
    every_days: float | None
    due_soon: float
    source: str
    loosened: bool = False
    reason: str = ""
    by: str = ""
    name: str = ""
    pots: tuple[str, ...] = ()
    positions: tuple[str, ...] = ()
    task: str = "check"
    indicator: str = ""
    level: float | None = None
    way: str = "up"
    loosened_by: str = ""

    @property
    def called(self) -> str:
        """Its name."""
        return self.name or self.part

    @property
    def closeness(self) -> int:
        """How closely it says where it holds."""
        return (2 if self.pots else 0) + (1 if self.positions else 0)

    def holds(self, pot: str, position: str) -> bool:
        """Whether it speaks of a place."""
        return (not self.pots or pot in self.pots) and (
            not self.positions or position in self.positions
        )


DUE_SCHEMA: dict[str, pl.DataType] = {
    "pot": pl.String(),
    "part": pl.String(),
    "position": pl.String(),
    "rule": pl.String(),
    "task": pl.String(),  # check, replace
    "what": pl.String(),
    "state": pl.String(),  # overdue, due, soon, ok
    "trigger": pl.String(),  # blast_h, cycles, days, condition: the one that is furthest along
    "used": pl.Float64(),
    "limit": pl.Float64(),
    "share": pl.Float64(),
    "since": pl.String(),  # checked, fitted, heard, unknown
    "since_at": pl.Datetime("us"),
    "blast_h": pl.Float64(),
    "blast_low_h": pl.Float64(),
    "blast_high_h": pl.Float64(),
    "cycles": pl.Int64(),
    "cycles_high": pl.Int64(),
    "days": pl.Float64(),
    "no_data_h": pl.Float64(),
    "every_blast_h": pl.Float64(),
    "every_cycles": pl.Int64(),
    "every_days": pl.Float64(),
    "indicator": pl.String(),
    "source": pl.String(),
    "loosened": pl.Boolean(),
    "loosened_by": pl.String(),
    "reason": pl.String(),
    "by": pl.String(),
    "part_id": pl.String(),
    "tag": pl.String(),
}

#: What :func:`due_list` takes of each rule by condition.
CONDITION_NOW_SCHEMA: dict[str, pl.DataType] = {
    "pot": pl.String(),
    "rule": pl.String(),
    "size": pl.Float64(),  # change towards the rule's way, over what is worth telling
    "checked_size": pl.Float64(),  # the same when the rule was last signed off good; else 0
    "signal": pl.Boolean(),
}

#: Past this share of the limit a check is overdue, not just due.
_OVERDUE = 1.1

_ORDER = {"overdue": 0, "due": 1, "soon": 2, "ok": 3}


def due_list(
    usage: pl.DataFrame,
    rules: Sequence[UpkeepRule],
    now: dt.datetime,
    condition: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Every check of every part that is on, with how far along it is, the most urgent first.

    Parameters
    ----------
    usage : polars.DataFrame
        Rows of ``part_usage``: ``pot``, ``part``, ``since``, ``from_at``, ``blast_s``,
        ``blast_low_s``, ``blast_high_s``, ``cycles``, ``no_data_s``, and where there are any
        ``position``, ``part_id``, ``tag``, ``rule``, ``cycles_high``. Where a part was checked,
        its newest check of the rule or of all counts; else all its life.
    rules : sequence of UpkeepRule
        The checks in force.
    now : datetime
        Naive UTC.
    condition : polars.DataFrame, optional
        ``CONDITION_NOW_SCHEMA``: where indicators stand; without it no rule is due by condition.

    Returns
    -------
    polars.DataFrame
        ``DUE_SCHEMA``; ``used`` and ``limit`` are in the unit of ``trigger``.

    Examples
    --------
    >>> usage = pl.DataFrame({"pot": ["pot-1"], "part": ["pinch_hose"], "since": ["checked"],
    ...     "from_at": [dt.datetime(2026, 1, 5)], "blast_s": [140e3], "blast_low_s": [138e3],
    ...     "blast_high_s": [145e3], "cycles": [900], "no_data_s": [5e3]})
    >>> rule = UpkeepRule("pinch_hose", "wall and bore", 40.0, None, 30.0, 0.1, "common practice")
    >>> due = due_list(usage, [rule], dt.datetime(2026, 1, 12)).row(0, named=True)
    >>> due["state"], due["trigger"], round(due["used"], 1)
    ('due', 'blast_h', 40.3)
    """
    standing = {
        (row["pot"], row["rule"]): row
        for row in (condition.iter_rows(named=True) if condition is not None else ())
    }
    of_part: dict[str, dict[tuple[str, str], list[dict[str, Any]]]] = {}
    for use in usage.iter_rows(named=True):
        places = of_part.setdefault(use["part"], {})
        places.setdefault((use["pot"], use.get("position", "1")), []).append(use)
    named: dict[str, list[UpkeepRule]] = {}
    for rule in sorted(rules, key=lambda rule: rule.closeness):
        named.setdefault(rule.called, []).append(rule)
    rows = []
    for of_name in named.values():
        for (pot, position), uses in of_part.get(of_name[0].part, {}).items():
            in_force = [rule for rule in of_name if rule.holds(pot, position)]
            if in_force:
                rule = in_force[-1]
                use = _counted_from(uses, rule)
                rows.append(_row(rule, use, position, now, standing.get((pot, rule.called))))
    frame = pl.DataFrame(rows, schema=DUE_SCHEMA, orient="row")
    return frame.sort(
        pl.col("state").replace_strict(_ORDER, return_dtype=pl.Int8),
        -pl.col("share"),
        "pot",
        "part",
        "position",
        "rule",
    )


def _counted_from(uses: list[dict[str, Any]], rule: UpkeepRule) -> dict[str, Any]:
    """The usage that a rule counts: since its newest good check, or over the part's life."""
    lives = [use for use in uses if use["since"] != "checked"]
    checked = [
        use
        for use in uses
        if use["since"] == "checked" and use.get("rule", "") in ("", rule.called)
    ]
    if rule.task == "replace" and lives:
        checked = []
    rank = {"heard": 0, "unknown": 0, "fitted": 1}
    return max(
        checked or lives or uses,
        key=lambda use: (rank.get(use["since"], 2), use["from_at"]),
    )


def _row(
    rule: UpkeepRule,
    use: dict[str, Any],
    position: str,
    now: dt.datetime,
    standing: dict[str, Any] | None,
) -> dict[str, object]:
    from_at = use["from_at"]
    hours = {
        name: float(use[f"{name}_s"]) / 3600.0
        for name in ("blast", "blast_low", "blast_high", "no_data")
    }
    days = (now - from_at) / dt.timedelta(days=1)
    cycles = int(use["cycles"])
    cycles_high = int(use.get("cycles_high", cycles))
    triggers = [
        (name, used, float(limit), used / limit)
        for name, used, limit in (
            ("blast_h", hours["blast_high"], rule.every_blast_h),
            ("cycles", float(cycles_high), rule.every_cycles),
            ("days", days, rule.every_days),
        )
        if limit is not None
    ]
    if rule.indicator and rule.level is not None:
        size = 0.0 if standing is None else standing["size"] - max(standing["checked_size"], 0.0)
        # A change within the chart's noise is no change, however near to the level.
        counts = standing is not None and standing["signal"]
        triggers.append(("condition", size, rule.level, size / rule.level if counts else 0.0))
    trigger, used, limit, share = max(triggers, key=lambda t: t[3])
    state = (
        "overdue"
        if share >= _OVERDUE and trigger != "condition"
        else "due"
        if share >= 1.0
        else "soon"
        if share >= 1.0 - rule.due_soon
        else "ok"
    )
    return {
        "pot": use["pot"],
        "part": rule.part,
        "position": position,
        "rule": rule.called,
        "task": rule.task,
        "what": rule.what,
        "state": state,
        "trigger": trigger,
        "used": used,
        "limit": limit,
        "share": share,
        "since": use["since"],
        "since_at": from_at,
        "blast_h": hours["blast"],
        "blast_low_h": hours["blast_low"],
        "blast_high_h": hours["blast_high"],
        "cycles": cycles,
        "cycles_high": cycles_high,
        "days": days,
        "no_data_h": hours["no_data"],
        "every_blast_h": rule.every_blast_h,
        "every_cycles": rule.every_cycles,
        "every_days": rule.every_days,
        "indicator": rule.indicator,
        "source": rule.source,
        "loosened": rule.loosened,
        "loosened_by": rule.loosened_by,
        "reason": rule.reason,
        "by": rule.by,
        "part_id": use.get("part_id", ""),
        "tag": use.get("tag", ""),
    }
