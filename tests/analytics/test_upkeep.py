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


def lived(position: str = "1", pot: str = "pot-1") -> pl.DataFrame:
    """A part of 90 h of which 10 h lie after its last good check, and 5 h after one rule's own."""
    hours = {("fitted", ""): 90.0, ("checked", ""): 10.0, ("checked", "pinch_hose-cut"): 5.0}
    return pl.DataFrame(
        {
            "pot": pot, "part": "pinch_hose", "position": position,
            "since": [since for since, _ in hours], "rule": [rule for _, rule in hours],
            "from_at": [NOW - dt.timedelta(days=d) for d in (40.0, 4.0, 2.0)],
            "blast_s": [h * 3600 for h in hours.values()],
            "blast_low_s": [h * 3600 for h in hours.values()],
            "blast_high_s": [h * 3600 for h in hours.values()],
            "cycles": [900, 100, 50], "cycles_high": [910, 104, 52],
            "no_data_s": [0.0, 0.0, 0.0],
        }
    )  # fmt: skip


def test_a_rule_to_replace_counts_all_the_life_and_a_good_check_does_not_help() -> None:
    replace = UpkeepRule(
        "pinch_hose", "replaced", 80.0, None, None, 0.1, "own", name="cut", task="replace"
    )
    check = UpkeepRule("pinch_hose", "wall", 80.0, None, None, 0.1, "own")
    due = due_list(lived(), [replace, check], NOW)
    found = {row["rule"]: (row["state"], row["used"]) for row in due.iter_rows(named=True)}
    assert found == {"cut": ("overdue", 90.0), "pinch_hose": ("ok", 10.0)}


def test_a_check_of_one_rule_begins_only_that_one_anew() -> None:
    rules = [
        UpkeepRule("pinch_hose", "x", 40.0, None, None, 0.1, "own", name=name)
        for name in ("pinch_hose-cut", "other")
    ]
    used = {row["rule"]: row["used"] for row in due_list(lived(), rules, NOW).to_dicts()}
    assert used == {"pinch_hose-cut": 5.0, "other": 10.0}


def test_of_two_rules_of_a_name_the_one_that_says_where_more_closely_counts() -> None:
    def with_limit(hours: float, pots: tuple[str, ...], positions: tuple[str, ...]) -> UpkeepRule:
        return UpkeepRule(
            "pinch_hose", "wall", hours, None, None, 0.1, "own", pots=pots, positions=positions
        )

    rules = [
        with_limit(30.0, ("pot-1",), ("left",)), with_limit(10.0, (), ()),
        with_limit(20.0, ("pot-1",), ()),
    ]  # fmt: skip
    usage = pl.concat([lived("left"), lived("1"), lived("left", "pot-2")])
    limits = {
        (row["pot"], row["position"]): row["limit"]
        for row in due_list(usage, rules, NOW).to_dicts()
    }
    assert limits == {("pot-1", "left"): 30.0, ("pot-1", "1"): 20.0, ("pot-2", "left"): 10.0}


def test_cycles_are_compared_by_their_high_figure() -> None:
    rule = UpkeepRule("pinch_hose", "wall", None, 103, None, 0.1, "own")
    row = due_list(lived(), [rule], NOW).row(0, named=True)
    assert (row["state"], row["used"], row["cycles"]) == ("due", 104.0, 100)
