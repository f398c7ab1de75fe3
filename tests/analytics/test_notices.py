"""Notices: nothing flutters, one cause is one notice, and what people said stays with it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.notice_spans import (
    _Booked,
    _Entered,
    pressure_spans,
    record_spans,
    silence_spans,
)
from analytics.notices import ENTRY_SCHEMA, SPAN_SCHEMA, events, lifecycle, notices
from analytics.rule_spans import Curve, counts, rule_spans
from analytics.upkeep import UpkeepRule, due_list
from analytics.watch import (
    PLATE_CLEAR_SHARE,
    UNHELD_CLEAR_PA,
    UNHELD_PA,
    WatchLimits,
    joined,
    watch_pressures,
)
from ingest.notice_kinds import AT_ONCE, NOTICE_KINDS

BEGIN = dt.datetime(2026, 3, 2, 6, 55)  # so that runs cross the edge of a block at 07:00
PLATE_PA = 862_000.0
LIMITS = WatchLimits(PLATE_PA)


def second(number: float) -> dt.datetime:
    return BEGIN + dt.timedelta(seconds=number)


def signals(
    pot_pa: Sequence[float], deadman: Sequence[bool] | None = None, supply_pa: float = 7e5
) -> pl.DataFrame:
    """One sample a second."""
    return pl.DataFrame(
        {
            "sampled_at": [second(i) for i in range(len(pot_pa))],
            "deadman": deadman or [False] * len(pot_pa),
            "supply_pa": [supply_pa] * len(pot_pa),
            "pot_pa": [float(value) for value in pot_pa],
            "nozzle_pa": [0.0] * len(pot_pa),
        }
    )


def raised(frame: pl.DataFrame, now: dt.datetime | None = None) -> pl.DataFrame:
    spans = pressure_spans(watch_pressures(frame, LIMITS), "pot-1", PLATE_PA)
    return notices(spans, now or frame["sampled_at"][-1] + dt.timedelta(days=1))


def spans_of(*rows: tuple[object, ...]) -> pl.DataFrame:
    """Spans from (kind, cause, from, to or None, last) in minutes."""
    return pl.DataFrame(
        [
            ("pot-1", kind, cause, second(60 * a), None if b is None else second(60 * b),
             second(60 * c), None, "")
            for kind, cause, a, b, c in rows
        ],
        schema=SPAN_SCHEMA,
        orient="row",
    )  # fmt: skip


# --- nothing flutters ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    swings=st.lists(st.floats(UNHELD_CLEAR_PA + 1.0, 1.3 * UNHELD_PA), min_size=40, max_size=700),
    quiet=st.integers(1, 30),
)
def test_a_pressure_that_swings_in_the_deadband_raises_at_most_one(
    swings: list[float], quiet: int
) -> None:
    found = raised(signals([0.0] * quiet + swings + [0.0] * 10))
    assert found.height <= 1
    over = np.flatnonzero(np.array(swings) >= UNHELD_PA)
    lasted_s = len(swings) - 1 - int(over[0]) if over.size else -1
    assert found.height == (lasted_s >= NOTICE_KINDS["pressurised_unheld"].on_s)


@settings(max_examples=40, deadline=None)
@given(
    swings=st.lists(
        st.floats(PLATE_CLEAR_SHARE * PLATE_PA, 1.05 * PLATE_PA), min_size=10, max_size=600
    )
)
def test_a_pressure_that_swings_about_the_plate_raises_at_most_one(swings: list[float]) -> None:
    held = [True] * (len(swings) + 20)
    found = raised(signals([7e5] * 10 + swings + [7e5] * 10, held))
    assert found.filter(pl.col("kind") == "over_plate").height <= 1


@settings(max_examples=80, deadline=None)
@given(
    rows=st.lists(
        st.tuples(
            st.sampled_from(sorted(NOTICE_KINDS)), st.sampled_from(["", "a"]),
            st.integers(0, 600), st.one_of(st.none(), st.integers(0, 300)),
        ),
        max_size=25,
    ),
    now=st.integers(0, 1500),
)  # fmt: skip
def test_every_cause_is_in_one_notice_and_each_is_open_or_over(
    rows: list[tuple[str, str, int, int | None]], now: int
) -> None:
    now_at = second(60 * now)
    spans = spans_of(
        *(
            (kind, cause, a, None if n is None else a + n, now if n is None else a + n)
            for kind, cause, a, n in rows
            if n is not None or a <= now
        )
    )
    found = notices(spans, now_at)
    on = pl.Series(
        [dt.timedelta(seconds=NOTICE_KINDS[k].on_s) for k in spans["kind"]], dtype=pl.Duration("us")
    )
    counted = spans.filter(
        (spans["last_at"] - spans["from_at"] >= on) & (spans["from_at"] + on <= now_at)
    )
    assert found["times"].sum() == counted.height
    # Grouping conserves causes: what was wrong lies in a notice of its own group and cause.
    for span in counted.iter_rows(named=True):
        mine = [
            row
            for row in found.iter_rows(named=True)
            if NOTICE_KINDS[row["kind"]].group == NOTICE_KINDS[span["kind"]].group
            and row["cause"] == span["cause"]
            and row["began_at"] <= span["from_at"]
            and (row["cleared_at"] is None or span["from_at"] <= row["cleared_at"])
        ]
        assert len(mine) == 1
        assert NOTICE_KINDS[mine[0]["kind"]].rank >= NOTICE_KINDS[span["kind"]].rank
    for row in found.iter_rows(named=True):
        assert row["began_at"] <= row["raised_at"] <= row["kind_at"] <= now_at
        assert row["cleared_at"] is None or row["raised_at"] <= row["cleared_at"] <= now_at
    assert found["notice_id"].n_unique() == found.height
    # Order does not matter, and neither does doing it twice.
    assert notices(spans.sort("last_at", "kind", descending=True), now_at).equals(found)


# --- pressure where none should be -----------------------------------------------------------


def test_a_pot_that_stays_up_after_a_release_is_told_from_one_that_comes_up_alone() -> None:
    held = [False] * 10 + [True] * 60 + [False] * 90
    stays = signals([0.0] * 10 + [7e5] * 60 + [4e5] * 80 + [0.0] * 10, held)
    (row,) = raised(stays).to_dicts()
    on = dt.timedelta(seconds=NOTICE_KINDS["pressure_after_release"].on_s)
    assert (row["kind"], row["began_at"]) == ("pressure_after_release", second(70))
    assert row["raised_at"] == second(70) + on
    rises = signals([0.0] * 10 + [7e5] * 60 + [0.0] * 60 + [1e5] * 20 + [0.0] * 10, held)
    (row,) = raised(rises).to_dicts()
    assert (row["kind"], row["began_at"]) == ("pressurised_unheld", second(130))


def test_an_ordinary_exhaust_is_no_notice() -> None:
    held = [True] * 60 + [False] * 60
    falling = [7e5 * 0.75**i for i in range(60)]
    assert raised(signals([7e5] * 60 + falling, held)).is_empty()


def test_what_was_pressurised_when_the_box_fell_silent_stays_so_until_it_is_heard() -> None:
    held = [True] * 10 + [False] * 50
    frame = signals([7e5] * 10 + [5e5] * 50, held)
    hours = dt.timedelta(hours=9)
    (row,) = raised(frame).to_dicts()
    assert row["cleared_at"] is None and "No reading says" in row["said"]
    later = frame.with_columns(
        pl.col("sampled_at") + hours, pot_pa=pl.lit(0.0), deadman=pl.lit(value=False)
    )
    (row,) = raised(pl.concat([frame, later])).to_dicts()
    off = dt.timedelta(seconds=NOTICE_KINDS["pressure_after_release"].off_s)
    assert row["cleared_at"] == BEGIN + hours + off


def test_stretches_do_not_depend_on_where_blocks_are_cut() -> None:
    frame = signals([0.0] * 100 + [1e5] * 400 + [0.0] * 100)
    whole = joined(watch_pressures(frame, LIMITS), "unheld")
    edge = dt.datetime(2026, 3, 2, 7)
    before, after = pl.col("sampled_at") < edge, pl.col("sampled_at") >= edge
    pieces = [watch_pressures(frame.filter(part), LIMITS) for part in (before, after)]
    assert joined(pl.concat(pieces), "unheld").equals(whole)
    assert whole.height == 1
    assert whole.select("from_at", "to_at").rows() == [(second(100), second(500))]


def test_polled_channels_take_the_deadman_from_just_before() -> None:
    """The dead-man and the pot sampled in turn, a quarter of a second apart."""
    at, deadman, pot = [], [], []
    for i in range(400):
        at.append(BEGIN + dt.timedelta(seconds=0.25 * i))
        deadman.append(None if i % 2 else False)
        pot.append(9e4 if i % 2 else None)
    frame = pl.DataFrame(
        {"sampled_at": at, "deadman": deadman, "supply_pa": [None] * 400, "pot_pa": pot,
         "nozzle_pa": [None] * 400},
        schema={"sampled_at": pl.Datetime("us"), "deadman": pl.Boolean, "supply_pa": pl.Float64,
                "pot_pa": pl.Float64, "nozzle_pa": pl.Float64},
    )  # fmt: skip
    assert raised(frame).height == 1


# --- boxes, records, checks ------------------------------------------------------------------

SHIFTS = pl.DataFrame(
    {"shift": ["monday"], "pot": ["pot-1"], "from_at": [second(0)], "to_at": [second(8 * 3600)],
     "booked_at": [second(-3600)]}
)  # fmt: skip
GAPS = pl.DataFrame(
    schema={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us"),
            "deadman_before": pl.Boolean, "deadman_after": pl.Boolean}
)  # fmt: skip


def silent(gaps: pl.DataFrame, last_h: float, now_h: float) -> pl.DataFrame:
    now = second(3600 * now_h)
    heard = (second(0), second(3600 * last_h))
    return notices(silence_spans(gaps, heard, SHIFTS, "pot-1", 2.0, now), now)


def test_a_box_that_is_switched_off_after_work_is_no_notice_and_one_that_dies_is() -> None:
    assert silent(GAPS, last_h=8.2, now_h=20).is_empty()
    (row,) = silent(GAPS, last_h=4, now_h=5).to_dicts()
    assert row["kind"] == "box_silent" and row["cleared_at"] is None
    # Once the shift is over nobody waits for it any longer.
    (row,) = silent(GAPS, last_h=4, now_h=20).to_dicts()
    assert row["cleared_at"] is not None


def test_a_box_that_flickers_through_a_shift_is_one_notice() -> None:
    edges = [(second(3600 + 1200 * i), second(3600 + 1200 * i + 300)) for i in range(9)]
    gaps = pl.DataFrame([(a, b, False, False) for a, b in edges], schema=GAPS.schema, orient="row")
    (row,) = silent(gaps, last_h=8, now_h=8.1).to_dicts()
    assert row["times"] == 9


_HOURS = st.integers(0, 60)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(_HOURS, st.integers(0, 12), _HOURS), max_size=12), st.data())
def test_shifts_that_meet_a_silence_are_found_as_by_looking_at_each(
    booked: list[tuple[int, int, int]], drawn: st.DataObject
) -> None:
    """Looked up, they are those that a look at every shift finds, in the same order."""
    rows = [
        (second(3600 * b), second(3600 * (b + long)), second(3600 * at)) for b, long, at in booked
    ]
    shifts = pl.DataFrame(
        rows, schema=dict.fromkeys(("from_at", "to_at", "booked_at"), pl.Datetime("us")),
        orient="row",
    )  # fmt: skip
    from_h, to_h = (drawn.draw(st.none() | _HOURS) for _ in range(2))
    from_at, to_at = (None if h is None else second(3600 * h) for h in (from_h, to_h))
    found = list(_Booked(shifts).meeting(from_at, to_at))
    meets = [
        row
        for row in rows
        if (from_at is None or row[1] > from_at) and (to_at is None or row[0] < to_at)
    ]
    # More may be given than meet: who asks cuts each to the silence.
    assert [row for row in found if row in meets] == meets
    assert set(found) <= set(rows)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["", "early", "late"]), st.sampled_from(["pot-1", "pot-2"]),
                  st.none() | _HOURS, _HOURS),
        max_size=14,
    )
)  # fmt: skip
def test_when_something_of_a_shift_was_first_entered_is_found_as_by_filtering(
    entered: list[tuple[str, str, int | None, int]],
) -> None:
    entries = pl.DataFrame(
        [(shift, pot, None if at is None else second(3600 * at), second(3600 * by))
         for shift, pot, at, by in entered],
        schema={"shift": pl.String, "pot": pl.String, "at": pl.Datetime("us"),
                "entered_at": pl.Datetime("us")}, orient="row",
    )  # fmt: skip
    shift = {"shift": "early", "pot": "pot-1", "from_at": second(3600 * 8),
             "to_at": second(3600 * 17)}  # fmt: skip
    in_it = (pl.col("shift") == "") & pl.col("at").is_between(
        shift["from_at"], shift["to_at"], closed="left"
    )
    mine = entries.filter((pl.col("pot") == "pot-1") & ((pl.col("shift") == "early") | in_it))
    assert _Entered(entries).first_of(shift) == mine["entered_at"].min()


def test_missing_records_are_raised_after_the_shift_and_cleared_when_the_last_is_entered() -> None:
    none = pl.DataFrame(
        schema={"shift": pl.String, "pot": pl.String, "at": pl.Datetime("us"),
                "entered_at": pl.Datetime("us")}
    )  # fmt: skip
    blasted = pl.DataFrame({"shift": ["monday"], "pot": ["pot-1"], "blast_s": [9000.0]})

    def found(areas: pl.DataFrame, bags: pl.DataFrame, hour: float) -> list[dict[str, object]]:
        now = second(3600 * hour)
        return notices(record_spans(SHIFTS, areas, bags, blasted, now), now).to_dicts()

    def entry(hour: float, shift: str = "monday") -> pl.DataFrame:
        return pl.DataFrame(
            [(shift, "pot-1", second(3600), second(3600 * hour))], schema=none.schema, orient="row"
        )

    assert found(none, none, 9.9) == []
    (row,) = found(none, none, 10.1)
    assert row["said"] == "Shift monday: no area and no bags entered."
    assert found(entry(7), entry(8, shift=""), 12) == []
    (row,) = found(entry(7), entry(11), 12)
    assert row["cleared_at"] == second(3600 * 11)


def line(blast_share: float) -> Curve:
    """A pot that blasts a steady share of the time, in cycles of a minute."""
    edges = np.arange(0, 400 * 24 * 60, dtype=np.int64) * 60_000_000 + 1_767_225_600_000_000

    def used(from_us: np.ndarray, to_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        hours = blast_share * (to_us - from_us) / 3.6e9
        return hours, hours * 60.0

    return Curve(edges, used)


def test_limits_pass_at_the_cycle_and_the_sign_off_ends_it() -> None:
    rule = UpkeepRule("pinch_hose", "wall and bore", 40.0, None, None, 0.1, "common practice")
    fitted = dt.datetime(2026, 1, 1)
    checked = dt.datetime(2026, 1, 1) + dt.timedelta(hours=500)
    stays = pl.DataFrame(
        {"part": ["pinch_hose"], "pot": ["pot-1"], "position": ["1"], "from_at": [fitted],
         "to_at": [None]},
        schema_overrides={"to_at": pl.Datetime("us")},
    )  # fmt: skip
    checks = pl.DataFrame(
        {"part": ["pinch_hose"] * 2, "pot": ["pot-1"] * 2, "position": ["1"] * 2,
         "checked_at": [fitted + dt.timedelta(hours=480), checked], "result": ["worn", "good"],
         "rule": ["", "pinch_hose"]}
    )  # fmt: skip
    now = checked + dt.timedelta(hours=370)
    spans = rule_spans(counts(stays, checks, [rule]), {"pot-1": line(0.1)}, now)
    found = notices(spans, now).to_dicts()
    # 36, 40 and 44 blast hours at a tenth of the time.
    assert [(row["kind"], row["cleared_at"]) for row in found] == [
        ("rule_overdue", checked), ("rule_soon", None),
    ]  # fmt: skip
    hour = dt.timedelta(hours=1)
    assert found[0]["began_at"] == fitted + 360 * hour
    assert found[0]["kind_at"] == fitted + 440 * hour
    assert found[1]["began_at"] == checked + 360 * hour


@settings(max_examples=30, deadline=None)
@given(
    hours=st.floats(5.0, 200.0), days=st.one_of(st.none(), st.floats(1.0, 60.0)),
    soon=st.sampled_from([0.0, 0.1, 0.3]), elapsed_h=st.integers(1, 3000),
)  # fmt: skip
def test_the_notice_of_a_check_stands_as_the_due_list_says(
    hours: float, days: float | None, soon: float, elapsed_h: int
) -> None:
    rule = UpkeepRule("pinch_hose", "wall", hours, None, days, soon, "common practice")
    fitted = dt.datetime(2026, 1, 1)
    now = fitted + dt.timedelta(hours=elapsed_h)
    curve = line(0.1)
    stays = pl.DataFrame(
        {"part": ["pinch_hose"], "pot": ["pot-1"], "position": ["1"], "from_at": [fitted],
         "to_at": [None]},
        schema_overrides={"to_at": pl.Datetime("us")},
    )  # fmt: skip
    checks = pl.DataFrame(
        schema={"part": pl.String, "pot": pl.String, "position": pl.String,
                "checked_at": pl.Datetime("us"), "result": pl.String, "rule": pl.String}
    )  # fmt: skip
    found = notices(rule_spans(counts(stays, checks, [rule]), {"pot-1": curve}, now), now)
    usage = pl.DataFrame(
        {"pot": ["pot-1"], "part": ["pinch_hose"], "since": ["fitted"], "from_at": [fitted],
         "blast_s": [360.0 * elapsed_h], "blast_low_s": [0.0], "blast_high_s": [360.0 * elapsed_h],
         "cycles": [6 * elapsed_h], "no_data_s": [0.0]}
    )  # fmt: skip
    state = due_list(usage, [rule], now)["state"][0]
    expected = {"ok": [], "soon": ["rule_soon"], "due": ["rule_due"], "overdue": ["rule_overdue"]}
    assert found["kind"].to_list() == expected[state]


# --- what people say of it -------------------------------------------------------------------


def said(row: dict[str, object], minute: float, **more: object) -> dict[str, object]:
    return {
        "record_id": f"{minute:06.1f}", "kind": "notice_seen", "recorded_at": second(60 * minute),
        "by": "Maintainer 1", "pot": row["pot"], "notice": row["notice_id"],
        "notice_kind": row["kind"], "cause": row["cause"], "began_at": row["began_at"],
        "until_at": None, "why": "", **more,
    }  # fmt: skip


def entries(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=ENTRY_SCHEMA, orient="row")


def states(spans: pl.DataFrame, said_of_it: pl.DataFrame, minutes: Sequence[float]) -> list[str]:
    found = []
    for minute in minutes:
        now = second(60 * minute)
        seen = said_of_it.filter(pl.col("recorded_at") <= now)
        standing = lifecycle(notices(spans, now), seen, now)
        found.append(standing["state"][0] if standing.height else "")
    return found


SEPARATOR = spans_of(("separator", "", 10, 100, 90))
OVER = spans_of(("over_plate", "", 10, 20, 20))


def test_acknowledged_put_off_and_raised_again() -> None:
    row = notices(SEPARATOR, second(600)).row(0, named=True)
    put_off = said(row, 20, kind="notice_put_off", until_at=second(60 * 40), why="drained at noon")
    assert states(SEPARATOR, entries(put_off), [5, 15, 25, 50, 101]) == [
        "", "raised", "put_off", "raised", "done",
    ]  # fmt: skip
    both = entries(put_off, said(row, 30))
    assert states(SEPARATOR, both, [25, 35, 50]) == ["put_off", "acknowledged", "acknowledged"]


def test_what_can_hurt_people_stays_in_sight_until_somebody_has_seen_it() -> None:
    row = notices(OVER, second(60 * 300)).row(0, named=True)
    assert states(OVER, entries(), [15, 49, 51, 299]) == ["raised", "raised", "cleared", "cleared"]
    assert states(OVER, entries(said(row, 100)), [99, 101]) == ["cleared", "done"]


def test_what_becomes_worse_is_raised_anew() -> None:
    spans = spans_of(
        ("rule_soon", "nozzle/1/nozzle", 10, None, 500),
        ("rule_due", "nozzle/1/nozzle", 100, None, 500),
    )
    row = notices(spans.head(1), second(60 * 50)).row(0, named=True)
    assert states(spans.head(1), entries(said(row, 20)), [50]) == ["acknowledged"]
    assert states(spans, entries(said(row, 20)), [150]) == ["raised"]
    one = notices(spans, second(60 * 150))
    assert one["notice_id"].to_list() == [row["notice_id"]]
    found = events(notices(spans.head(1), second(60 * 99)), one, second(60 * 101))
    assert found.select("what", "kind", "late").rows() == [("worse", "rule_due", False)]


def test_an_acknowledgement_finds_its_notice_though_late_data_moved_its_begin() -> None:
    row = notices(SEPARATOR, second(600)).row(0, named=True)
    earlier = spans_of(("separator", "", 2, 100, 90))
    assert notices(earlier, second(600))["notice_id"][0] != row["notice_id"]
    assert states(earlier, entries(said(row, 20)), [50]) == ["acknowledged"]
    # Another one of the same kind, long after, is not acknowledged by it.
    after = spans_of(("separator", "", 300, 400, 390))
    assert states(after, entries(said(row, 20)), [350]) == ["raised"]
    moved = events(notices(SEPARATOR, second(3000)), notices(earlier, second(3000)), second(3000))
    assert moved.is_empty()


def test_late_data_add_and_take_back_and_it_is_said() -> None:
    nothing = notices(SEPARATOR.clear(), second(6000))
    there = notices(SEPARATOR, second(60 * 60))
    late = second(60 * 60)
    added = events(nothing, there, late)
    assert added.select("what", "late").rows() == [("raised", True)]
    gone = events(there, nothing, late)
    assert gone["what"].to_list() == ["withdrawn"] and "Later data" in gone["said"][0]


# --- words -----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(NOTICE_KINDS))
def test_no_notice_says_that_anything_is_safe_and_pressure_defers_to_procedure(kind: str) -> None:
    known = NOTICE_KINDS[kind]
    text = f"{known.words} {known.step}".lower()
    assert "safe" not in text and "is vented." not in text
    if known.told == AT_ONCE:
        assert "procedure" in text and "competent person" in text
