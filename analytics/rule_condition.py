"""Where rules by condition stand: how far an indicator has moved since the part was last looked at.

A chart speaks for a rule while it signals. What it showed when somebody looked and found the part
good has been seen: only what has come on top of it since counts, so a good check is quiet until
things get worse, and a worn part that was passed over is told of again.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import polars as pl

from analytics.upkeep import CONDITION_NOW_SCHEMA, UpkeepRule

#: Blocks older than this, before a pot's newest, are not kept: nobody looks so seldom.
KEPT = dt.timedelta(days=100)
#: An indicator's last block speaks for this long, as in ``diagnosis``.
_STANDS = dt.timedelta(hours=16)

#: One row a block of an indicator of one pot: a part of ``analytics.indicators.CHANGE_SCHEMA``.
BLOCK_SCHEMA: dict[str, Any] = {
    "indicator": pl.String,
    "scatter": pl.Boolean,
    "at": pl.Datetime("us"),
    "since_at": pl.Datetime("us"),
    "size": pl.Float64,
    "signal": pl.Boolean,
}


def kept_blocks(changes: pl.DataFrame, indicators: Sequence[str]) -> pl.DataFrame:
    """The blocks of one pot that rules may need.

    Parameters
    ----------
    changes : polars.DataFrame
        ``analytics.indicators.CHANGE_SCHEMA``.
    indicators : sequence of str
        Those that rules may name, ``~`` before one: its scatter.

    Returns
    -------
    polars.DataFrame
        ``BLOCK_SCHEMA``.
    """
    newest = changes["at"].max()
    if not isinstance(newest, dt.datetime):
        return pl.DataFrame(schema=BLOCK_SCHEMA)
    return changes.filter((pl.col("at") >= newest - KEPT) & _key().is_in(list(indicators))).select(
        list(BLOCK_SCHEMA)
    )


def conditions_now(
    blocks: pl.DataFrame, checks: pl.DataFrame, rules: Sequence[UpkeepRule]
) -> pl.DataFrame:
    """Where each rule by condition stands on each pot.

    Parameters
    ----------
    blocks : polars.DataFrame
        ``pot`` and ``BLOCK_SCHEMA``.
    checks : polars.DataFrame
        ``pot``, ``part``, ``rule``, ``at``, ``result``.
    rules : sequence of UpkeepRule
        Those without an indicator are passed over.

    Returns
    -------
    polars.DataFrame
        ``analytics.upkeep.CONDITION_NOW_SCHEMA``. A size counts towards the rule's way: a fall of
        an indicator that is watched for rising is no size at all.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, d) for d in (5, 6, 7)]
    >>> blocks = pl.DataFrame({"pot": "pot-1", "indicator": "leak_m3_s_pa", "scatter": False,
    ...     "at": at, "since_at": at[0], "size": [0.2, 1.1, 2.3], "signal": [False, True, True]})
    >>> checks = pl.DataFrame({"pot": ["pot-1"], "part": ["pinch_hose"], "rule": [""],
    ...     "at": [dt.datetime(2026, 1, 6, 12)], "result": ["good"]})
    >>> rule = UpkeepRule("pinch_hose", "leak", None, None, None, 0.1, "", name="pinch_hose-leak",
    ...     indicator="leak_m3_s_pa", level=1.0)
    >>> conditions_now(blocks, checks, [rule]).row(0)
    ('pot-1', 'pinch_hose-leak', 2.3, 1.1, True)
    """
    good = checks.filter(pl.col("result") == "good")
    rows = []
    keyed = blocks.sort("at").with_columns(_key().alias("key"))
    newest = {pot: at for pot, at in keyed.group_by("pot").agg(pl.col("at").max()).iter_rows()}
    series = {
        (str(pot), str(key)): rows
        for (pot, key), rows in keyed.group_by("pot", "key", maintain_order=True)
    }
    looked = good.group_by("pot", "part", "rule").agg(pl.col("at").max())
    looked_at = {(pot, part, rule): at for pot, part, rule, at in looked.iter_rows()}
    for rule in rules:
        if not rule.indicator:
            continue
        for pot, last_at in newest.items():
            mine = series.get((pot, rule.indicator))
            if mine is None or not (not rule.pots or pot in rule.pots):
                continue
            last = mine.row(-1, named=True)
            if last["at"] <= last_at - _STANDS:
                continue
            seen = [
                at
                for name in ("", rule.called)
                if (at := looked_at.get((pot, rule.part, name))) is not None
            ]
            before = mine.filter(
                (pl.col("at") <= max(seen)) & (pl.col("since_at") == last["since_at"])
            ) if seen else mine.clear()  # fmt: skip
            checked = _towards(before["size"][-1], rule.way) if before.height else 0.0
            size = _towards(last["size"], rule.way)
            signal = bool(last["signal"]) and size > 0.0
            rows.append((pot, rule.called, size, checked, signal))
    frame = pl.DataFrame(rows, schema=CONDITION_NOW_SCHEMA, orient="row")
    return frame.unique(["pot", "rule"], keep="last", maintain_order=True)


def _key() -> pl.Expr:
    return pl.when("scatter").then(pl.lit("~") + pl.col("indicator")).otherwise("indicator")


def _towards(size: float, way: str) -> float:
    return abs(size) if way == "either" else max(size if way == "up" else -size, 0.0)
