"""Rules by condition: what a chart shows on top of what was seen at the last good check."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from analytics.indicators import CHANGE_SCHEMA, INDICATORS
from analytics.rule_condition import conditions_now, kept_blocks
from analytics.upkeep import UpkeepRule, due_list
from ingest.parts import DEFAULT_RULES, PART_CAUTIONS, PART_WORDS, RULE_INDICATORS, START_ITEMS
from ingest.yard_rules import default_rule

BEGIN = dt.datetime(2026, 1, 5, 6)


def rule(way: str = "up", level: float = 1.0) -> UpkeepRule:
    return UpkeepRule(
        "pinch_hose", "leak", None, None, None, 0.1, "own", name="pinch_hose-leak",
        indicator="leak_m3_s_pa", level=level, way=way,
    )  # fmt: skip


def blocks(*sizes: float, signal: float = 0.8, scatter: bool = False) -> pl.DataFrame:
    """A block an hour; the chart signals from a size on."""
    return pl.DataFrame(
        [
            ("pot-1", "leak_m3_s_pa", scatter, BEGIN + dt.timedelta(hours=n), BEGIN, size,
             abs(size) >= signal)
            for n, size in enumerate(sizes)
        ],
        schema=["pot", "indicator", "scatter", "at", "since_at", "size", "signal"], orient="row",
    )  # fmt: skip


def checked(*hours: float, name: str = "", result: str = "good") -> pl.DataFrame:
    return pl.DataFrame(
        [("pot-1", "pinch_hose", name, BEGIN + dt.timedelta(hours=h), result) for h in hours],
        schema={"pot": pl.String, "part": pl.String, "rule": pl.String,
                "at": pl.Datetime("us"), "result": pl.String}, orient="row",
    )  # fmt: skip


def state(found: pl.DataFrame, with_rule: UpkeepRule) -> tuple[str, float]:
    usage = pl.DataFrame(
        {"pot": ["pot-1"], "part": ["pinch_hose"], "since": ["fitted"], "from_at": [BEGIN],
         "blast_s": [0.0], "blast_low_s": [0.0], "blast_high_s": [0.0], "cycles": [0],
         "no_data_s": [0.0]}
    )  # fmt: skip
    due = due_list(usage, [with_rule], BEGIN, found).row(0, named=True)
    assert due["trigger"] == "condition"
    return due["state"], due["used"]


def test_a_chart_that_signals_past_the_level_is_due_and_never_overdue() -> None:
    one = rule()
    assert state(conditions_now(blocks(0.1, 0.5, 3.0), checked(), [one]), one) == ("due", 3.0)
    assert state(conditions_now(blocks(0.1, 0.95), checked(), [one]), one) == ("soon", 0.95)
    assert state(conditions_now(blocks(0.1, 0.5), checked(), [one]), one)[0] == "ok"
    silent = conditions_now(blocks(3.0, signal=9.0), checked(), [one])
    assert state(silent, one)[0] == "ok", "within the chart's noise"


def test_a_good_check_is_quiet_until_it_gets_worse() -> None:
    one, grown = rule(), blocks(0.2, 1.5, 1.6)
    assert state(conditions_now(grown, checked(1.5), [one]), one)[0] == "ok"
    worse = blocks(0.2, 1.5, 1.6, 2.6)
    assert state(conditions_now(worse, checked(1.5), [one]), one)[0] == "due"
    for quiet in (checked(1.5, name="other"), checked(1.5, result="worn")):
        assert state(conditions_now(grown, quiet, [one]), one)[0] == "due"
    mine = checked(1.5, name="pinch_hose-leak")
    assert state(conditions_now(grown, mine, [one]), one)[0] == "ok"


@pytest.mark.parametrize(
    ("way", "size", "expected"),
    [("up", -2.0, "ok"), ("down", -2.0, "due"), ("either", -2.0, "due"), ("down", 2.0, "ok")],
)
def test_only_the_rules_own_way_counts(way: str, size: float, expected: str) -> None:
    one = rule(way)
    assert state(conditions_now(blocks(0.0, size), checked(), [one]), one)[0] == expected


def test_an_indicator_that_went_silent_says_nothing() -> None:
    one = rule()
    both = pl.concat(
        [blocks(3.0), blocks(0.1).with_columns(pl.lit("ripple_pa").alias("indicator"),
                                               pl.col("at") + dt.timedelta(hours=40))]
    )  # fmt: skip
    assert conditions_now(both, checked(), [one]).is_empty()


def test_blocks_are_kept_for_what_rules_may_name() -> None:
    row = {"indicator": "leak_m3_s_pa", "scatter": True, "at": BEGIN, "since_at": BEGIN,
           "reference": 0.0, "spread": 1.0, "now": 1.0, "change": 1.0, "relative": 1.0,
           "size": 1.0, "signal": True}  # fmt: skip
    old = row | {"at": BEGIN - dt.timedelta(days=200)}
    frame = pl.DataFrame([old, row, row | {"scatter": False}], schema=CHANGE_SCHEMA)
    assert kept_blocks(frame, ["~leak_m3_s_pa"]).height == 1
    assert kept_blocks(frame.clear(), ["~leak_m3_s_pa"]).is_empty()


def test_what_rules_name_is_charted_and_every_part_has_its_words() -> None:
    charted = {("~" if i.scatter else "") + i.name for i in INDICATORS}
    assert set(RULE_INDICATORS) <= charted
    assert {r.indicator for r in DEFAULT_RULES if r.indicator} <= set(RULE_INDICATORS)
    assert len({r.name for r in DEFAULT_RULES}) == len(DEFAULT_RULES)
    assert set(PART_CAUTIONS) == set(PART_WORDS), "a caution stands with every task"
    assert {r.part for r in DEFAULT_RULES} == set(PART_WORDS)
    for item in START_ITEMS.values():
        assert item.part in PART_WORDS and item.source
        assert not item.rule or default_rule(item.rule) is not None
