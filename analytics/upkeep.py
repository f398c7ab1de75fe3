"""Upkeep: what is due, and why, from hours and cycles that really happened.

A limit is compared with the high figure: where data are missing, a part is looked at sooner, never
later. Gritbook reminds; it does not say that a part is fit because its limit is not reached.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

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


DUE_SCHEMA: dict[str, pl.DataType] = {
    "pot": pl.String(),
    "part": pl.String(),
    "what": pl.String(),
    "state": pl.String(),  # overdue, due, soon, ok
    "trigger": pl.String(),  # blast_h, cycles, days: the one that is furthest along
    "used": pl.Float64(),
    "limit": pl.Float64(),
    "share": pl.Float64(),
    "since": pl.String(),  # checked, fitted, heard
    "since_at": pl.Datetime("us"),
    "blast_h": pl.Float64(),
    "blast_low_h": pl.Float64(),
    "blast_high_h": pl.Float64(),
    "cycles": pl.Int64(),
    "days": pl.Float64(),
    "no_data_h": pl.Float64(),
    "source": pl.String(),
    "loosened": pl.Boolean(),
    "reason": pl.String(),
    "by": pl.String(),
}

#: Past this share of the limit a check is overdue, not just due.
_OVERDUE = 1.1

_ORDER = {"overdue": 0, "due": 1, "soon": 2, "ok": 3}


def due_list(usage: pl.DataFrame, rules: Sequence[UpkeepRule], now: dt.datetime) -> pl.DataFrame:
    """Every check of every pot with how far along it is, the most urgent first.

    Parameters
    ----------
    usage : polars.DataFrame
        Rows of ``part_usage``: ``pot``, ``part``, ``since``, ``from_at``, ``blast_s``,
        ``blast_low_s``, ``blast_high_s``, ``cycles``, ``no_data_s``. Where a part was checked,
        its check counts; else its fitting; else when the pot was first heard.
    rules : sequence of UpkeepRule
        The checks in force.
    now : datetime
        Naive UTC.

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
    latest = usage.with_columns(
        pl.col("since").replace_strict({"heard": 0, "fitted": 1, "checked": 2}).alias("rank")
    )
    rows = []
    for rule in rules:
        for use in (
            latest.filter(pl.col("part") == rule.part)
            .sort("rank")
            .group_by("pot", maintain_order=True)
            .last()
            .iter_rows(named=True)
        ):
            rows.append(_row(rule, use, now))
    frame = pl.DataFrame(rows, schema=DUE_SCHEMA, orient="row")
    return frame.sort(
        pl.col("state").replace_strict(_ORDER, return_dtype=pl.Int8),
        -pl.col("share"),
        "pot",
        "part",
    )


def _row(rule: UpkeepRule, use: dict[str, object], now: dt.datetime) -> dict[str, object]:
    from_at = use["from_at"]
    assert isinstance(from_at, dt.datetime)
    hours = {
        name: float(use[f"{name}_s"]) / 3600.0  # type: ignore[arg-type]
        for name in ("blast", "blast_low", "blast_high", "no_data")
    }
    days = (now - from_at) / dt.timedelta(days=1)
    cycles = int(use["cycles"])  # type: ignore[call-overload]
    triggers = [
        (name, used, float(limit))
        for name, used, limit in (
            ("blast_h", hours["blast_high"], rule.every_blast_h),
            ("cycles", float(cycles), rule.every_cycles),
            ("days", days, rule.every_days),
        )
        if limit is not None
    ]
    trigger, used, limit = max(triggers, key=lambda t: t[1] / t[2])
    share = used / limit
    state = (
        "overdue"
        if share >= _OVERDUE
        else "due"
        if share >= 1.0
        else "soon"
        if share >= 1.0 - rule.due_soon
        else "ok"
    )
    return {
        "pot": use["pot"],
        "part": rule.part,
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
        "days": days,
        "no_data_h": hours["no_data"],
        "source": rule.source,
        "loosened": rule.loosened,
        "reason": rule.reason,
        "by": rule.by,
    }
