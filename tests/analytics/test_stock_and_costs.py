"""Kilograms and money: nothing appears, nothing is lost, and what has no price is named."""

from __future__ import annotations

import datetime as dt
import math

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.costs import price_at, shift_costs
from analytics.stock import stock
from analytics.work_parts import placed, work_parts

DAY = dt.datetime(2026, 5, 4)
KINDS = pl.DataFrame(
    {"abrasive": ["garnet"], "reorder_kg": [1000.0], "price_kg": [0.4]},
    schema_overrides={"reorder_kg": pl.Float64},
)


def moves_of(rows: list[tuple[str, str, str, float, int]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(a, m, g, kg, DAY + dt.timedelta(hours=h)) for a, m, g, kg, h in rows],
        schema={"abrasive": pl.String, "move": pl.String, "goes": pl.String, "kg": pl.Float64,
                "at": pl.Datetime("us")}, orient="row",
    )  # fmt: skip


def tipped_of(rows: list[tuple[str, float, int]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(a, kg, DAY + dt.timedelta(hours=h)) for a, kg, h in rows],
        schema={"abrasive": pl.String, "abrasive_kg": pl.Float64, "at": pl.Datetime("us")},
        orient="row",
    )


def test_a_week_of_a_heap_by_hand() -> None:
    moves = moves_of([
        ("garnet", "delivered", "", 5000.0, 0), ("garnet", "returned", "", 100.0, 30),
        ("garnet", "swept", "waste", 900.0, 40), ("used garnet", "swept", "reuse", 200.0, 41),
        ("garnet", "disposed", "", 700.0, 60), ("garnet", "counted", "", 2500.0, 70),
    ])  # fmt: skip
    found = stock(moves, tipped_of([("garnet", 2000.0, 10), ("garnet", 550.0, 50)]), KINDS)
    row = found.row(0, named=True)
    assert (row["stock_kg"], row["count_off_kg"]) == (2500.0, -50.0)
    assert (row["waste_kg"], row["state"]) == (200.0, "ok")
    assert row["not_swept_kg"] == 2550.0 - 100.0 - 900.0
    other = found.row(1, named=True)
    assert (other["abrasive"], other["stock_kg"]) == ("used garnet", 200.0)


def test_the_reorder_line_and_a_heap_below_nothing() -> None:
    at_line = stock(moves_of([("garnet", "delivered", "", 1000.0, 0)]), tipped_of([]), KINDS)
    assert at_line["state"].to_list() == ["order"]
    gone = stock(moves_of([]), tipped_of([("garnet", 25.0, 1)]), KINDS)
    assert gone["state"].to_list() == ["count"]


@settings(max_examples=60, deadline=None)
@given(
    events=st.lists(
        st.tuples(
            st.sampled_from(["garnet", "slag"]),
            st.sampled_from(["delivered", "returned", "waste", "reuse", "counted", "disposed",
                             "tipped"]),
            st.integers(0, 5000), st.integers(0, 200),
        ),
        max_size=40,
    ),
    until=st.integers(0, 200),
)  # fmt: skip
def test_kilograms_are_conserved_at_every_instant(
    events: list[tuple[str, str, int, int]], until: int
) -> None:
    moves = moves_of([
        (name, "swept" if what in ("waste", "reuse") else what,
         what if what in ("waste", "reuse") else "", float(kg), hour)
        for name, what, kg, hour in events if what != "tipped"
    ])  # fmt: skip
    tipped = tipped_of([(n, float(kg), hour) for n, what, kg, hour in events if what == "tipped"])
    at = DAY + dt.timedelta(hours=until)
    found = stock(moves, tipped, KINDS, at)
    known = [event for event in events if event[3] <= until]

    def entered(what: str) -> int:
        return sum(kg for _, kind, kg, _ in known if kind == what)

    assert found["tipped_kg"].sum() == entered("tipped")
    assert found["waste_kg"].sum() == entered("waste") - entered("disposed")
    assert found["stock_kg"].sum() == pytest.approx(
        entered("delivered") + entered("returned") + entered("reuse") - entered("tipped")
        + found["count_off_kg"].sum()
    )  # fmt: skip


# --- money -----------------------------------------------------------------------------------


def prices_of(rows: list[tuple[str, float, int, str]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(what, price, DAY + dt.timedelta(hours=h), crew) for what, price, h, crew in rows],
        schema={"price_of": pl.String, "price": pl.Float64, "from_at": pl.Datetime("us"),
                "crew": pl.String}, orient="row",
    )  # fmt: skip


def test_a_shift_priced_by_hand() -> None:
    prices = prices_of([
        ("wage_h", 40.0, 0, ""), ("wage_h", 50.0, 0, "Blue"), ("fuel_l", 1.8, 0, ""),
        ("waste_kg", 0.1, 0, ""), ("fuel_l", 9.0, 99, ""),
    ])  # fmt: skip
    when = DAY + dt.timedelta(hours=10)
    costs = shift_costs(
        when, "Blue", 3 * 10 * 3600.0, {"garnet": 1000.0}, 60.0, 900.0, prices, {"garnet": 0.4}
    )
    assert costs.items == pytest.approx(
        {"wages": 1500.0, "abrasive": 400.0, "fuel": 108.0, "waste": 90.0}
    )
    assert costs.total == pytest.approx(2098.0) and costs.lacking == ()
    assert costs.per_m2(40.0) == pytest.approx(52.45) and costs.per_m2(None) is None


def test_what_has_no_price_is_named_and_never_guessed() -> None:
    costs = shift_costs(DAY, "Blue", None, {"garnet": 10.0, "slag": 5.0}, 3.0, 0.0,
                        prices_of([]), {"slag": 0.2})  # fmt: skip
    assert costs.items == {"abrasive": pytest.approx(1.0)}
    assert costs.lacking == ("wages (nobody says how many people)", "garnet", "fuel")
    assert shift_costs(DAY, "", 0.0, {}, 0.0, 0.0, prices_of([]), {}).total is None


def test_of_two_prices_the_later_begun_then_the_later_entered_holds() -> None:
    prices = prices_of([
        ("fuel_l", 2.0, 5, ""), ("fuel_l", 1.0, 0, ""), ("fuel_l", 2.5, 5, ""),
    ])  # fmt: skip
    assert price_at(prices, "fuel_l", DAY + dt.timedelta(hours=5)) == 2.5
    assert price_at(prices, "fuel_l", DAY + dt.timedelta(hours=4)) == 1.0
    assert price_at(prices, "fuel_l", DAY - dt.timedelta(hours=1)) is None


# --- parts of shifts -------------------------------------------------------------------------

SHIFTS = pl.DataFrame(
    {
        "shift": ["day", "day", "night"], "pot": ["p1", "p2", "p1"], "crew": ["Blue", "Blue", "R"],
        "job": ["a", "a", "b"], "from_at": [DAY, DAY, DAY + dt.timedelta(hours=12)],
        "to_at": [DAY + dt.timedelta(hours=10)] * 2 + [DAY + dt.timedelta(hours=20)],
        "people": [None, None, 2],
    },
    schema_overrides={"people": pl.Int64},
)  # fmt: skip
CREWS = pl.DataFrame({"crew": ["Blue", "R"], "size": [3, 2]})


def changes_of(rows: list[tuple[str, str, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(s, j, DAY + dt.timedelta(hours=h)) for s, j, h in rows],
        schema={"shift": pl.String, "job": pl.String, "from_at": pl.Datetime("us")}, orient="row",
    )  # fmt: skip


def areas_of(rows: list[tuple[str, str, str, float, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        [(s, p, j, DAY + dt.timedelta(hours=h), m2) for s, p, j, h, m2 in rows],
        schema={"shift": pl.String, "pot": pl.String, "job": pl.String, "at": pl.Datetime("us"),
                "area_m2": pl.Float64}, orient="row",
    )  # fmt: skip


def test_a_change_of_job_cuts_the_shift_on_all_its_pots() -> None:
    areas = areas_of([("day", "p1", "c", 9, 5.0)])
    parts = work_parts(SHIFTS, changes_of([("day", "b", 4), ("day", "x", 99)]), CREWS, areas)
    told = parts.select("shift", "pot", "part", "job", "people").rows()
    assert told == [
        ("day", "p1", 0, "a", 1.5), ("day", "p1", 1, "b", 1.5), ("day", "p1", 2, "c", 1.5),
        ("day", "p2", 0, "a", 1.5), ("day", "p2", 1, "b", 1.5), ("night", "p1", 0, "b", 2.0),
    ]  # fmt: skip
    # Area of a job that the shift never was on keeps a part without time.
    assert parts.row(2, named=True)["from_at"] == parts.row(2, named=True)["to_at"]


@settings(max_examples=60, deadline=None)
@given(
    changes=st.lists(
        st.tuples(st.sampled_from(["day", "night"]), st.sampled_from("abcd"), st.integers(0, 80)),
        max_size=6,
    ),
    areas=st.lists(
        st.tuples(
            st.sampled_from([("day", "p1"), ("day", "p2"), ("night", "p1")]),
            st.sampled_from("abcd"), st.integers(-8, 88), st.integers(1, 500),
        ),
        max_size=12,
    ),
    bags=st.lists(
        st.tuples(st.booleans(), st.integers(-8, 88), st.integers(1, 40)), max_size=12
    ),
)  # fmt: skip
def test_area_bags_and_time_are_conserved_through_changes_of_job(
    changes: list[tuple[str, str, int]],
    areas: list[tuple[tuple[str, str], str, int, int]],
    bags: list[tuple[bool, int, int]],
) -> None:
    # Times are in quarters of an hour.
    area_frame = areas_of([(s, p, j, q / 4, float(m2)) for (s, p), j, q, m2 in areas])
    changed = changes_of([(name, job, q / 4) for name, job, q in changes])
    parts = work_parts(SHIFTS, changed, CREWS, area_frame)
    put = placed(area_frame, parts)
    assert put["area_m2"].sum() == sum(m2 for *_, m2 in areas)
    by_job = dict(
        put.join(parts, on=["shift", "pot", "part"]).group_by("job_right")
        .agg(pl.col("area_m2").sum()).iter_rows()
    )  # fmt: skip
    for job in "abcd":
        assert by_job.get(job, 0) == sum(m2 for _, j, _, m2 in areas if j == job)
    tipped = pl.DataFrame(
        [("day" if named else "", "p1", DAY + dt.timedelta(hours=q / 4), 25.0 * n)
         for named, q, n in bags],
        schema={"shift": pl.String, "pot": pl.String, "at": pl.Datetime("us"),
                "abrasive_kg": pl.Float64}, orient="row",
    )  # fmt: skip
    inside = [n for named, q, n in bags if named or 0 <= q < 40 or 48 <= q < 80]
    assert placed(tipped, parts)["abrasive_kg"].sum() == 25.0 * sum(inside)
    whole = parts.select((pl.col("to_at") - pl.col("from_at")).dt.total_microseconds().sum())
    assert whole.item() == math.fsum([10, 10, 8]) * 3_600_000_000
