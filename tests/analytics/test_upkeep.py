"""What is due: the first trigger to pass wins, and missing data never makes a check later."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from analytics.upkeep import UpkeepRule, due_list

NOW = dt.datetime(2026, 3, 9)
HOSE = UpkeepRule("pinch_hose", "wall and bore", 40.0, 2000, 7.0, 0.1, "common practice")


def usage(since: str = "checked", **changed: object) -> pl.DataFrame:
    row: dict[str, object] = {
        "pot": "pot-1", "part": "pinch_hose", "since": since, "from_at": NOW - dt.timedelta(days=1),
        "blast_s": 3600.0, "blast_low_s": 3600.0, "blast_high_s": 3600.0, "cycles": 10,
        "no_data_s": 0.0,
    }  # fmt: skip
    return pl.DataFrame([row | changed])


@pytest.mark.parametrize(
    ("changed", "state", "trigger"),
    [
        ({}, "ok", "days"),
        ({"blast_high_s": 35.9 * 3600}, "ok", "blast_h"),
        ({"blast_high_s": 36.0 * 3600}, "soon", "blast_h"),
        ({"blast_high_s": 40.0 * 3600}, "due", "blast_h"),
        ({"blast_high_s": 44.0 * 3600}, "overdue", "blast_h"),
        ({"cycles": 2000}, "due", "cycles"),
        ({"from_at": NOW - dt.timedelta(days=7)}, "due", "days"),
    ],
)
def test_states_at_just_under_and_over_the_limits(
    changed: dict[str, object], state: str, trigger: str
) -> None:
    due = due_list(usage(**changed), [HOSE], NOW).row(0, named=True)
    assert (due["state"], due["trigger"]) == (state, trigger)


def test_it_is_the_high_figure_that_counts() -> None:
    due = due_list(usage(blast_s=30.0 * 3600, blast_high_s=41.0 * 3600), [HOSE], NOW)
    assert due["state"].to_list() == ["due"]


def test_a_check_counts_before_the_fitting_and_the_fitting_before_being_heard() -> None:
    both = pl.concat([usage("fitted", cycles=5000), usage("checked", cycles=3)])
    assert due_list(both, [HOSE], NOW)["since"].to_list() == ["checked"]
    older = pl.concat([usage("heard", cycles=9000), usage("fitted", cycles=3)])
    assert due_list(older, [HOSE], NOW)["since"].to_list() == ["fitted"]


def test_the_most_urgent_comes_first() -> None:
    many = pl.concat(
        [usage(pot="a"), usage(pot="b", cycles=2500), usage(pot="c", cycles=1900),
         usage(pot="d", cycles=2000)]
    )  # fmt: skip
    assert due_list(many, [HOSE], NOW)["pot"].to_list() == ["b", "d", "c", "a"]


def test_a_loosened_rule_says_so_with_reason_and_name() -> None:
    loose = UpkeepRule(
        "pinch_hose", "wall", 60.0, None, None, 0.1, "own", True, "thicker hose", "Supervisor A"
    )
    due = due_list(usage(), [loose], NOW).row(0, named=True)
    assert due["loosened"]
    assert (due["reason"], due["by"]) == ("thicker hose", "Supervisor A")
