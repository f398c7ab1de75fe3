"""Parts as individuals: their stays tile each place, and their hours go with them."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.hours import PotHours, microseconds, pot_hours
from analytics.parts_usage import EVENT_SCHEMA, PartsUsage, Place, usage_of_parts
from analytics.rule_spans import Curve, counts, rule_spans
from analytics.summaries import in_seconds
from analytics.upkeep import UpkeepRule, due_list

BEGIN = dt.datetime(2026, 3, 2, 6)
NOW = BEGIN + dt.timedelta(hours=100)
HOSE = Place("pot-1", "pinch_hose", "1")


def at(hours: float) -> dt.datetime:
    return BEGIN + dt.timedelta(hours=hours)


def worked(*presses: tuple[float, float], silent: tuple[tuple[float, float], ...] = ()) -> PotHours:
    """A pot heard for 100 h; each press blasts for four fifths of its time."""
    rows = [
        {
            "pressed_at": at(a), "released_at": at(b), "span_from_at": at(a), "span_to_at": at(b),
            "flicker": False, "began_by": "press", "confirmed": i % 3 != 2,
            "deadman_s": 3600 * (b - a), "deadman_low_s": 3600 * (b - a),
            "deadman_high_s": 3600 * (b - a), "blast_s": 2880 * (b - a),
            "blast_low_s": 2700 * (b - a), "blast_high_s": 3060 * (b - a),
            "pinched_s": 3240 * (b - a),
        }
        for i, (a, b) in enumerate(presses)
    ]  # fmt: skip
    names = [name for name in CYCLE_SCHEMA if rows and name in rows[0]]
    cycles = pl.DataFrame(rows, schema={n: CYCLE_SCHEMA[n] for n in names} or CYCLE_SCHEMA)
    gaps = pl.DataFrame(
        [(at(a), at(b), True, False) for a, b in silent], schema=GAP_SCHEMA, orient="row"
    )
    return pot_hours(cycles, gaps, BEGIN, NOW, [])


#: Two hours of every ten, for a hundred hours: 1.6 h of blasting each.
STEADY = worked(*((10.0 * n, 10.0 * n + 2.0) for n in range(10)))


def event(
    hours: float, kind: str, pot: str = "pot-1", part: str = "pinch_hose", position: str = "1",
    tag: str = "", result: str = "", rule: str = "", record_id: str = "",
) -> tuple[object, ...]:  # fmt: skip
    name = record_id or f"{hours:07.2f}-{kind}-{pot}"
    return (at(hours), name, kind, pot, part, position, tag, result, rule)


def used(
    *events: tuple[object, ...],
    totals: dict[str, PotHours] | None = None,
    expected: tuple[Place, ...] = (HOSE,),
) -> PartsUsage:
    frame = pl.DataFrame(list(events), schema=EVENT_SCHEMA, orient="row")
    return usage_of_parts(frame, totals or {"pot-1": STEADY, "pot-2": STEADY}, expected, NOW)


def blast_h(frame: pl.DataFrame, *columns: str) -> dict[object, float]:
    keys = list(columns)
    return {
        (row[keys[0]] if len(keys) == 1 else tuple(row[k] for k in keys)): row["blast_us"] / 3.6e9
        for row in frame.iter_rows(named=True)
    }


def test_a_part_nobody_entered_counts_from_the_first_reading() -> None:
    usage = used().usage.row(0, named=True)
    assert (usage["since"], usage["from_at"]) == ("heard", BEGIN)
    assert usage["blast_us"] == 16 * 3_600_000_000
    assert (usage["cycles"], usage["cycles_low"], usage["cycles_high"]) == (10, 7, 10)


def test_a_part_takes_its_hours_to_another_pot() -> None:
    found = used(
        event(10, "fitted", tag="H1"), event(30, "fitted", pot="pot-2", tag="h1 "),
        event(30, "fitted", tag="H2"),
    )  # fmt: skip
    lives = blast_h(found.usage, "pot", "tag")
    assert lives["pot-2", "h1 "] == pytest.approx(1.6 * 2 + 1.6 * 7)
    assert lives["pot-1", "H2"] == pytest.approx(1.6 * 7)
    moved = found.stays.filter(pl.col("part_id") == "pinch_hose/h1").sort("from_at")
    assert moved["pot"].to_list() == ["pot-1", "pot-2"]
    assert moved["ended_by"].to_list() == ["moved", ""]


def test_a_moved_part_brings_its_last_check_along() -> None:
    found = used(
        event(0, "fitted", tag="H1"), event(20, "checked", result="good"),
        event(40, "fitted", pot="pot-2", tag="H1"),
    )  # fmt: skip
    since = blast_h(found.usage.filter(pl.col("pot") == "pot-2"), "since")
    assert since["fitted"] == pytest.approx(16.0)
    assert since["checked"] == pytest.approx(1.6 * 8), "two of ten were before the check"


@pytest.mark.parametrize("result", ["worn", "failed"])
def test_worn_and_failed_begin_nothing_anew(result: str) -> None:
    found = used(event(0, "fitted", tag="H1"), event(20, "checked", result=result))
    assert found.usage["since"].to_list() == ["fitted"]
    assert blast_h(found.checks, "result")[result] == pytest.approx(3.2)


def test_replaced_begins_another_life_and_says_how_the_last_one_ended() -> None:
    found = used(
        event(0, "fitted", tag="H1"), event(20, "checked", result="worn"),
        event(40, "checked", result="replaced", tag="H2"),
    )  # fmt: skip
    assert blast_h(found.usage, "tag") == {"H2": pytest.approx(1.6 * 6)}
    first = found.stays.row(0, named=True)
    assert (first["tag"], first["ended_by"], first["because"]) == ("H1", "replaced", "worn")


@pytest.mark.parametrize("fitted_first", [False, True])
def test_one_change_entered_as_check_and_as_fitting_is_one_change(fitted_first: bool) -> None:
    checked, fitted = (40.05, 40.0) if fitted_first else (40.0, 40.05)
    found = used(
        event(0, "fitted", tag="H1"), event(checked, "checked", result="replaced"),
        event(fitted, "fitted", tag="H2"),
    )  # fmt: skip
    assert found.stays["tag"].to_list() == ["H1", "H2"]
    (check,) = found.checks.iter_rows(named=True)
    assert check["part_id"] == "pinch_hose/h1" and check["blast_us"] == 4 * 5_760_000_000
    assert set(found.usage["tag"]) == {"H2"}


def test_the_same_tag_again_after_a_replacement_is_another_part() -> None:
    found = used(
        event(0, "fitted", tag="left"), event(40, "checked", result="replaced", tag="left"),
        event(60, "checked", result="replaced"), event(60.1, "fitted", tag="left"),
    )  # fmt: skip
    assert found.stays["part_id"].to_list() == [
        "pinch_hose/left", "pinch_hose/left/2", "pinch_hose/left/3",
    ]  # fmt: skip
    assert blast_h(found.usage, "tag")["left"] == pytest.approx(1.6 * 4, abs=0.1)


def test_a_part_put_back_goes_on_with_its_life() -> None:
    found = used(
        event(0, "fitted", tag="H1"), event(20, "removed", result="good"),
        event(50, "fitted", tag="H1"),
    )  # fmt: skip
    assert blast_h(found.usage, "tag") == {"H1": pytest.approx(1.6 * 7)}
    assert found.stays["basis"].to_list() == ["fitted", "unknown", "fitted"]


def test_nothing_entered_after_a_part_came_off_goes_on_counting_in_its_usual_place_only() -> None:
    left = "left"
    found = used(
        event(0, "fitted", tag="H1"), event(20, "removed", result="worn"),
        event(0, "fitted", part="nozzle", position=left, tag="N1"),
        event(20, "removed", part="nozzle", position=left, result="good"),
        expected=(HOSE, Place("pot-1", "nozzle", "1")),
    )  # fmt: skip
    (row,) = found.usage.iter_rows(named=True)
    assert (row["part"], row["since"], row["from_at"]) == ("pinch_hose", "unknown", at(20))
    assert row["blast_us"] == 8 * 5_760_000_000


def test_parts_left_and_right_leave_nothing_in_the_usual_place() -> None:
    nozzle = Place("pot-1", "nozzle", "1")
    both = [
        event(0, "fitted", part="nozzle", position=side, tag=side) for side in ("left", "right")
    ]
    assert set(used(*both, expected=(nozzle,)).usage["position"]) == {"left", "right"}
    assert set(used(expected=(nozzle,)).usage["position"]) == {"1"}


def test_a_check_for_one_rule_begins_only_that_one_anew() -> None:
    found = used(
        event(0, "fitted", tag="H1"), event(20, "checked", result="good", rule="pinch_hose-leak"),
        event(30, "checked", result="good"), event(50, "checked", result="good", rule="cut"),
    )  # fmt: skip
    since = blast_h(found.usage, "since", "rule")
    assert since == {
        ("fitted", ""): pytest.approx(16.0), ("checked", ""): pytest.approx(1.6 * 7),
        ("checked", "pinch_hose-leak"): pytest.approx(1.6 * 8),
        ("checked", "cut"): pytest.approx(1.6 * 5),
    }  # fmt: skip


def test_silence_counts_in_the_high_figures_only() -> None:
    quiet = worked((0.0, 2.0), (50.0, 52.0), silent=((20.0, 30.0),))
    row = used(totals={"pot-1": quiet}).usage.row(0, named=True)
    assert row["silent_us"] == 10 * 3_600_000_000
    assert row["blast_us"] == 11_520_000_000
    assert row["blast_high_us"] == 2 * 6_120_000_000 + 36_000_000_000
    # 2 cycles in 3.2 h of blasting: 10 h of silence may hold 6.25 more, so 7.
    assert (row["cycles"], row["cycles_high"]) == (2, 9)


def test_a_removal_by_tag_takes_that_part_off_wherever_it_is() -> None:
    found = used(
        event(0, "fitted", tag="H1"), event(0, "fitted", pot="pot-2", tag="H2"),
        event(30, "removed", tag="H2", result="worn"),
    )  # fmt: skip
    assert "H1" in found.usage["tag"].to_list() and "H2" not in found.usage["tag"].to_list()
    (gone,) = found.stays.filter(pl.col("ended_by") == "removed").iter_rows(named=True)
    assert (gone["tag"], gone["because"]) == ("H2", "worn")


def test_what_has_not_happened_yet_does_not_count() -> None:
    later = used(event(0, "fitted", tag="H1"), event(101, "fitted", tag="H2"))
    assert later.usage["tag"].to_list() == ["H1"]


def test_order_of_entry_does_not_matter() -> None:
    events = [
        event(0, "fitted", tag="H1"), event(20, "checked", result="good"),
        event(30, "removed", result="worn"), event(31, "fitted", tag="H2"),
        event(40, "fitted", pot="pot-2", tag="H2"), event(55, "fitted", tag="H1"),
    ]  # fmt: skip
    one = used(*events)
    rng = np.random.default_rng(1)
    for _ in range(5):
        other = used(*(events[i] for i in rng.permutation(len(events))))
        assert one.usage.equals(other.usage) and one.stays.equals(other.stays)


def test_stays_tile_their_place_exactly() -> None:
    found = used(
        event(-5, "fitted", tag="H1"), event(11.234567, "removed", result="good"),
        event(13, "fitted", tag="H2"), event(50.0000003, "fitted", pot="pot-2", tag="H2"),
        event(70, "checked", result="replaced"),
    )  # fmt: skip
    for pot in ("pot-1", "pot-2"):
        mine = found.stays.filter(pl.col("pot") == pot).sort("from_at")
        assert mine["to_at"].to_list()[:-1] == mine["from_at"].to_list()[1:]
        assert mine["to_at"][-1] is None
        edge = np.array([microseconds(mine["from_at"][0]), microseconds(NOW)])
        assert mine["blast_us"].sum() == STEADY.blast.us_within(edge[:1], edge[1:])[0]
        assert mine["cycles"].sum() == STEADY.cycles_within(edge[:1], edge[1:])[0]


def test_a_limit_passes_by_all_that_a_moved_part_did() -> None:
    rule = UpkeepRule("pinch_hose", "wall", 8.0, None, None, 0.1, "common practice")
    events = [
        event(0, "fitted", tag="H1"), event(10, "checked", result="good"),
        event(40, "fitted", pot="pot-2", tag="H1"),
    ]  # fmt: skip
    found = used(*events)

    def high(from_us: np.ndarray, to_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        high_us = STEADY.blast_high.us_within(from_us, to_us)
        return high_us / 3.6e9, STEADY.cycles_high_within(from_us, to_us).astype(float)

    edges = np.array([microseconds(at(10.0 * n + 2.0)) for n in range(10)])
    curves = {pot: Curve(edges, high) for pot in ("pot-1", "pot-2")}
    counted = counts(found.stays, found.checks.rename({"at": "checked_at"}), [rule])
    spans = rule_spans(counted, curves, NOW).filter(pl.col("kind") == "rule_due")
    # 1.7 h of ten: three tens on the first pot since the check, then two more make 8.5 h.
    passed = spans.filter(pl.col("pot") == "pot-2")["from_at"].to_list()
    assert passed == [at(52)]
    for now, is_due in ((at(51.0), False), (at(52), True)):
        frame = pl.DataFrame(events, schema=EVENT_SCHEMA, orient="row")
        parts = usage_of_parts(frame, {"pot-1": STEADY, "pot-2": STEADY}, [HOSE], now)
        due = due_list(in_seconds(parts.usage), [rule], now).filter(pl.col("pot") == "pot-2")
        assert [state == "due" for state in due["state"]] == [is_due]
