"""Comparing: ratios of sums, what is left out, what is said, and what is never said."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.compare import GROUPS, compare
from analytics.estimate import estimate
from analytics.job_draws import NewJob
from analytics.mixed_model import Factor, fit_reml, posterior
from analytics.ratios import ratio_of_sums
from analytics.shift_rows import MEASURES, REASON_WORDS, SHIFT_ROW_SCHEMA, judged, with_schema
from analytics.work_terms import work_terms

AREA = MEASURES["area_m2_blast_h"]
BEGIN = dt.datetime(2026, 3, 2, 6)


def shifts(
    rates: dict[str, float], each: int = 12, seed: int = 1, scatter: float = 0.15
) -> pl.DataFrame:
    """Shifts of crews with known rates, on two pots and four jobs in turn. [m2/blast h]"""
    rng = np.random.default_rng(seed)
    rows = [
        {
            "shift": f"{crew} {day}", "pot": f"pot {day % 2}", "crew": crew,
            "job": f"job {(day + number) % 4}", "from_at": BEGIN + dt.timedelta(days=day),
            "people": 3.0, "blast_s": float(rng.uniform(2.0, 5.0) * 3600.0), "elapsed_s": 36_000.0,
            "no_data_s": 0.0,
        }
        for number, crew in enumerate(rates)
        for day in range(each)
    ]  # fmt: skip
    for row in rows:
        noise = np.exp(rng.normal(0.0, scatter))
        row["area_m2"] = rates[row["crew"]] * row["blast_s"] / 3600.0 * noise
        row["abrasive_kg"] = 18.0 * row["area_m2"]
    return with_schema(pl.DataFrame(rows))


# --- ratio of sums ---------------------------------------------------------------------------


def test_which_crew_did_more_turns_round_with_the_mean_of_ratios() -> None:
    # North: long shifts at 20 m2/h, one of ten minutes at 60; South: all at 22.
    rows = with_schema(
        pl.DataFrame(
            {
                "shift": ["n1", "n2", "n3", "s1", "s2", "s3"],
                "pot": "p", "crew": ["North"] * 3 + ["South"] * 3, "people": 2.0,
                "blast_s": [14400.0, 14400.0, 720.0, 14400.0, 14400.0, 14400.0],
                "area_m2": [80.0, 80.0, 12.0, 88.0, 88.0, 88.0],
            }
        )
    )  # fmt: skip
    north, south = compare(rows, AREA).groups.to_dicts()
    assert north["rate"] == pytest.approx(172.0 / 8.2)
    assert north["rate"] < south["rate"] == pytest.approx(22.0)
    ratios = rows.with_columns((pl.col("area_m2") / pl.col("blast_s")).alias("r"))
    mean = {c: ratios.filter(pl.col("crew") == c)["r"].mean() for c in ("North", "South")}
    assert mean["North"] > mean["South"]  # type: ignore[operator]


@given(
    st.lists(st.tuples(st.floats(0.1, 200.0), st.floats(0.2, 10.0)), min_size=1, max_size=12),
    st.integers(0, 5),
)
@settings(max_examples=40, deadline=None)
def test_a_ratio_lies_in_its_interval_and_does_not_hang_on_the_order(
    pairs: list[tuple[float, float]], seed: int
) -> None:
    amount, per = (np.array(v) for v in zip(*pairs, strict=True))
    found = ratio_of_sums(amount, per, draws=200, seed=seed)
    assert found.value == pytest.approx(amount.sum() / per.sum())
    assert ratio_of_sums(amount[::-1], per[::-1], draws=200).value == pytest.approx(found.value)
    if found.low is None or found.high is None:
        assert len(pairs) == 1
    elif found.how == "t":
        assert found.low <= found.value <= found.high


def test_rows_of_one_shift_are_drawn_together() -> None:
    rng = np.random.default_rng(4)
    day = np.repeat(np.arange(15), 4)
    per = np.ones(60)
    amount = np.repeat(rng.uniform(10.0, 20.0, 15), 4)  # four pots that always agree
    alone, together = ratio_of_sums(amount, per), ratio_of_sums(amount, per, day)
    assert together.clusters == 15 and alone.clusters == 60
    assert alone.low is not None and together.low is not None
    assert together.low < alone.low < alone.value == pytest.approx(together.value)


def test_bootstrap_intervals_cover() -> None:
    covered = {5: 0, 8: 0, 20: 0}
    for n in covered:
        rng = np.random.default_rng(n)
        for trial in range(300):
            hours = rng.uniform(2.0, 6.0, n)
            area = 15.0 * hours * np.exp(rng.normal(-0.03125, 0.25, n))  # mean of the factor: 1
            found = ratio_of_sums(area, hours, draws=300, seed=trial)
            assert found.low is not None and found.high is not None
            covered[n] += found.low <= 15.0 <= found.high
    for n, hits in covered.items():
        assert 0.83 <= hits / 300 <= 0.95, (n, hits)


def test_low_and_high_hours_widen_the_range() -> None:
    rows = shifts({"North": 15.0, "South": 15.0})
    wide = rows.with_columns(
        (pl.col("blast_s") * 0.95).alias("blast_low_s"),
        (pl.col("blast_s") * 1.10).alias("blast_high_s"),
    )
    plain, told = (compare(r, AREA).groups.row(0, named=True) for r in (rows, wide))
    assert told["rate_low"] == pytest.approx(plain["rate_low"] / 1.10)
    assert told["rate_high"] == pytest.approx(plain["rate_high"] / 0.95)


# --- what is left out ------------------------------------------------------------------------


def test_every_shift_that_does_not_count_is_listed_with_its_reason() -> None:
    rows = shifts({"North": 15.0, "South": 15.0}).with_row_index("n")
    spoil = {
        0: ("area_m2", None, "no_area"), 1: ("no_data_s", 30_000.0, "no_data"),
        2: ("blast_high_s", 9e4, "wide"), 3: ("blast_s", 30.0, "no_blast"),
        13: ("area_m2", 0.0, "no_area"),
    }  # fmt: skip
    for number, (column, value, _) in spoil.items():
        rows = rows.with_columns(
            pl.when(pl.col("n") == number).then(value).otherwise(pl.col(column)).alias(column)
        )
    rows = with_schema(rows.drop("n"))
    found = compare(rows, AREA)
    told = {(r["shift"], r["reason"]) for r in found.left_out.to_dicts()}
    names = rows["shift"].to_list()
    assert told == {(names[number], reason) for number, (_, _, reason) in spoil.items()}
    assert set(found.left_out["reason"]) <= set(REASON_WORDS)
    assert found.groups["shifts"].sum() == rows.height
    assert found.groups["used"].sum() + found.left_out.height == rows.height
    # North lost a third, which is not more than a third.
    assert not any("do not count of" in s for s in found.sentences)


def test_a_crew_that_lost_most_of_its_shifts_is_said() -> None:
    rows = shifts({"North": 15.0, "South": 15.0}).with_row_index("n")
    rows = rows.with_columns(
        pl.when((pl.col("crew") == "North") & (pl.col("n") < 6))
        .then(None)
        .otherwise(pl.col("area_m2"))
        .alias("area_m2")
    )
    found = compare(with_schema(rows.drop("n")), AREA)
    assert any("do not count of: North (6 of 12)" in s for s in found.sentences)


def test_rows_without_a_column_are_told_from_rows_that_do_not_count() -> None:
    rows = with_schema(pl.DataFrame({"shift": ["a"], "pot": ["p"], "crew": ["c"]}))
    for measure in MEASURES.values():
        assert judged(rows, measure)["reason"].to_list() != [""], measure.name
    with pytest.raises(ValueError, match="unknown columns"):
        with_schema(pl.DataFrame({"shift": ["a"], "pot": ["p"], "speed": [1.0]}))


# --- what is said ----------------------------------------------------------------------------


def test_crews_far_apart_are_told_apart_and_the_sentence_says_how_far() -> None:
    found = compare(shifts({"East": 10.0, "North": 20.0, "South": 10.5}, scatter=0.1), AREA)
    pairs = {(p["first"], p["second"]): p for p in found.pairs.to_dicts()}
    assert pairs["East", "North"]["different"] and pairs["North", "South"]["different"]
    assert not pairs["East", "South"]["different"]
    assert "North did" in pairs["East", "North"]["sentence"]
    assert "cannot be told apart" in pairs["East", "South"]["sentence"]
    north = found.groups.filter(pl.col("group") == "North").row(0, named=True)
    # Against the middle of the three on the logarithm: 20 / (10 · 20 · 10.5)^(1/3) - 1.
    assert north["effect_low"] < 20.0 / 2100.0 ** (1 / 3) - 1.0 < north["effect_high"]
    assert north["adjusted_low"] < 20.0 < north["adjusted_high"]


def test_of_what_is_used_up_more_is_not_better() -> None:
    rows = shifts({"East": 15.0, "North": 15.0}, scatter=0.1).with_columns(
        pl.col("abrasive_kg") * pl.when(pl.col("crew") == "East").then(2.0).otherwise(1.0)
    )
    noisy = rows.with_columns(
        pl.col("abrasive_kg")
        * pl.Series(np.exp(np.random.default_rng(2).normal(0, 0.1, rows.height)))
    )
    found = compare(noisy, MEASURES["abrasive_kg_m2"])
    assert "East used" in found.pairs["sentence"][0]


def test_groups_stand_by_name_and_no_sentence_ranks() -> None:
    found = compare(shifts({"Zed": 30.0, "Ada": 10.0, "Mid": 20.0}), AREA)
    assert found.groups["group"].to_list() == ["Ada", "Mid", "Zed"]
    for sentence in (*found.sentences, *found.pairs["sentence"]):
        assert not any(word in sentence.lower() for word in ("best", "worst", "rank", "lazy"))


def test_crews_of_one_person_are_not_shown_unless_asked() -> None:
    rows = shifts({"Alone": 12.0, "North": 15.0, "South": 15.0}).with_columns(
        pl.when(pl.col("crew") == "Alone").then(1.0).otherwise(3.0).alias("people")
    )
    found = compare(rows, AREA)
    assert found.groups["group"].to_list() == ["North", "South"]
    every = [*found.sentences, *found.pairs["sentence"], *found.left_out["group"]]
    assert not any("Alone" in text for text in every)
    assert any("no judgement of a person" in text for text in found.sentences)
    assert "Alone" in compare(rows, AREA, show_single=True).groups["group"].to_list()
    # Two of a crew of three on one pot are no single person.
    sized = rows.with_columns(pl.lit(1.0).alias("people"), pl.lit(3.0).alias("crew_size"))
    assert compare(sized, AREA).groups.height == 3


def test_few_shifts_get_their_sum_and_a_sentence_only() -> None:
    found = compare(shifts({"North": 15.0, "South": 25.0}, each=3), AREA)
    assert found.groups["adjusted"].null_count() == 2 and found.pairs.is_empty()
    assert found.groups["rate"].null_count() == 0 and found.groups["how"].to_list() == ["t", "t"]
    assert "too few shifts" in found.sentences[0]
    one = compare(shifts({"North": 15.0}, each=1), AREA).groups.row(0, named=True)
    assert one["rate"] is not None and one["rate_low"] is None and one["how"] == ""


def test_a_new_crew_is_shown_by_its_sum_beside_adjusted_ones() -> None:
    rows = pl.concat(
        [shifts({"North": 15.0, "South": 15.0}), shifts({"New": 15.0}, each=3, seed=8)]
    )
    found = compare(rows, AREA)
    new = found.groups.filter(pl.col("group") == "New").row(0, named=True)
    assert new["adjusted"] is None and new["rate"] is not None
    assert any(s.startswith("New: under 5 shifts") for s in found.sentences)
    assert set(found.pairs["first"]) | set(found.pairs["second"]) == {"North", "South"}


def test_a_spread_of_nought_is_a_plain_sentence() -> None:
    rows = shifts({"East": 15.0, "North": 15.0, "South": 15.0}, scatter=0.3)
    # Every crew has just the same shifts: between crews there is nothing left.
    east = rows.filter(pl.col("crew") == "East")
    alike = pl.concat(
        [east.with_columns(pl.lit(c).alias("crew"), pl.lit(c).alias("shift") + pl.col("shift"))
         for c in ("East", "North", "South")]
    )  # fmt: skip
    found = compare(alike, AREA)
    assert any("most likely spread between them is nought" in s for s in found.sentences)
    assert "None of these crews can be told apart by these shifts." in found.sentences
    assert found.groups["effect"].abs().max() < 0.02  # type: ignore[operator]


def test_a_crew_with_steel_of_its_own_is_warned_of() -> None:
    rows = shifts({"East": 15.0, "North": 15.0, "South": 10.0}).with_columns(
        pl.when(pl.col("crew") == "South").then(pl.lit("D")).otherwise(pl.lit("B"))
        .alias("rust_grade"),
        pl.lit("Sa 2½").alias("prep_grade"),
    )  # fmt: skip
    found = compare(rows, AREA)
    assert any(s.startswith("South had steel and access that no other") for s in found.sentences)
    # So that South is not called slow for its steel.
    assert not found.pairs.filter(pl.col("second") == "South")["different"].any()


def test_crews_that_never_change_pots_are_warned_of() -> None:
    rows = shifts({"East": 15.0, "North": 18.0}).with_columns(
        (pl.lit("pot of ") + pl.col("crew")).alias("pot")
    )
    found = compare(rows, AREA)
    assert any("its own pot throughout" in s for s in found.sentences)


def test_an_area_typed_ten_times_too_large_is_asked_about_and_not_dropped() -> None:
    rows = shifts({"East": 15.0, "North": 15.0})
    spoilt = rows.with_columns(
        pl.when(pl.col("shift") == "East 4")
        .then(pl.col("area_m2") * 10.0)
        .otherwise(pl.col("area_m2"))
        .alias("area_m2")
    )
    found = compare(spoilt, AREA)
    assert found.unusual["shift"].to_list() == ["East 4"]
    assert 6.0 < found.unusual["times_expected"][0] < 14.0
    assert found.groups["used"].to_list() == [12, 12]
    assert compare(rows, AREA).unusual.is_empty()


@pytest.mark.parametrize("by", GROUPS)
def test_every_grouping_stands_with_no_row_and_with_empty_columns(by: str) -> None:
    empty = with_schema(pl.DataFrame({"shift": [], "pot": []}))
    assert compare(empty, AREA, by).groups.is_empty()
    found = compare(shifts({"East": 15.0, "North": 15.0}), AREA, by, draws=400)
    assert found.groups.height + (by in ("bore_m", "abrasive")) >= 1
    with pytest.raises(ValueError, match="none of"):
        compare(empty, AREA, "person")


def test_adjusting_takes_what_grades_explain_away() -> None:
    # Both crews alike; one has three shifts in four of steel that takes twice as long.
    rows = shifts({"East": 16.0, "North": 16.0}, each=24, scatter=0.1).with_row_index("n")
    hard = (pl.col("n") % 4 < 3) == (pl.col("crew") == "East")
    rows = with_schema(
        rows.with_columns(
            pl.when(hard).then(pl.lit("Sa 3")).otherwise(pl.lit("Sa 2")).alias("prep_grade"),
            (pl.col("area_m2") * pl.when(hard).then(0.5).otherwise(1.0)).alias("area_m2"),
        ).drop("n")
    )
    found = compare(rows, AREA)
    east, north = found.groups.to_dicts()
    assert east["rate"] / north["rate"] < 0.85
    assert found.adjusted_for == ("prep_grade",)
    assert not found.pairs["different"][0]
    assert abs(east["effect"]) < 0.08


def test_same_seed_same_figures() -> None:
    rows = shifts({"East": 15.0, "North": 18.0})
    one, same = compare(rows, AREA, seed=3), compare(rows, AREA, seed=3)
    assert one.groups.equals(same.groups) and one.pairs.equals(same.pairs)
    assert not one.groups.equals(compare(rows, AREA, seed=4).groups)


# --- the model beneath -----------------------------------------------------------------------


def test_columns_that_hang_on_each_other_are_refused_by_the_model_and_left_out_above() -> None:
    y = np.arange(10.0)
    x = np.column_stack([np.ones(10), np.arange(10.0), 2.0 * np.arange(10.0)])
    one = Factor("a", np.arange(10) % 3, ("x", "y", "z"))
    with pytest.raises(ValueError, match="hang on each other"):
        fit_reml(y, x, [one])
    with pytest.raises(ValueError, match="no more rows"):
        posterior(y[:2], x[:2, :2], [one])
    rows = shifts({"East": 15.0, "North": 15.0}).with_columns(
        pl.when(pl.col("pot") == "pot 0").then(pl.lit("B")).otherwise(pl.lit("C"))
        .alias("rust_grade"),
        pl.when(pl.col("pot") == "pot 0").then(pl.lit("deck")).otherwise(pl.lit("tank"))
        .alias("access"),
    )  # fmt: skip
    columns = work_terms(rows).columns(rows)
    assert np.linalg.matrix_rank(columns) == columns.shape[1] == 2


def test_rows_may_count_by_their_length_and_the_data_say_so() -> None:
    rng = np.random.default_rng(0)
    weight = np.exp(rng.normal(0.0, 1.0, 300))
    codes = rng.integers(0, 5, 300)
    one = Factor("a", codes, tuple("abcde"))
    x = np.ones((300, 1))
    sure = posterior(rng.normal(0, 1, 300) / np.sqrt(weight), x, [one], weight, draws=500)
    same = posterior(rng.normal(0, 1, 300), x, [one], weight, draws=500)
    assert sure.weight_power.mean() > 0.9 and same.weight_power.mean() < 0.1


@st.composite
def any_rows(draw: st.DrawFn) -> pl.DataFrame:
    """Shift rows of any yard: few or many, most columns missing here and there."""
    count = draw(st.integers(0, 30))

    def column(values: st.SearchStrategy[object]) -> list[object]:
        rare = draw(st.sampled_from([0, 1, 3]))
        some = st.one_of(st.none(), values) if rare == 1 else st.none() if rare == 0 else values
        return draw(st.lists(some, min_size=count, max_size=count))

    few = st.sampled_from(["", "a", "b", "c"])
    seconds = st.floats(0.0, 3e4)
    columns = {
        "crew": few, "job": few, "prep_grade": few, "rust_grade": few, "access": few,
        "abrasive": few, "bore_m": st.sampled_from([0.008, 0.0095, 0.011]),
        "nozzle_pa": st.floats(4e5, 8e5), "blast_s": seconds, "elapsed_s": seconds,
        "no_data_s": seconds, "paid_s": seconds, "area_m2": st.floats(0.0, 500.0),
        "abrasive_kg": st.floats(0.0, 5000.0), "people": st.sampled_from([1.0, 3.0]),
    }  # fmt: skip
    made: dict[str, list[object]] = {name: column(values) for name, values in columns.items()}
    made["shift"] = draw(st.lists(st.sampled_from("klmnop"), min_size=count, max_size=count))
    made["pot"] = draw(st.lists(st.sampled_from("xy"), min_size=count, max_size=count))
    types = {name: SHIFT_ROW_SCHEMA[name] for name in made}
    return with_schema(pl.DataFrame(made, schema=types))


@given(any_rows(), st.sampled_from(sorted(MEASURES)), st.sampled_from(sorted(GROUPS)))
@settings(max_examples=60, deadline=None)
def test_no_yard_is_too_odd_and_no_row_is_lost(rows: pl.DataFrame, name: str, by: str) -> None:
    found = compare(rows, MEASURES[name], by, draws=60, show_single=True)
    groups = found.groups
    named = judged(rows, MEASURES[name], by)["reason"]
    assert groups["used"].sum() == (named == "").sum()
    assert found.left_out.height == (named != "").sum()
    known = groups.filter(pl.col("rate_low").is_not_null())
    assert known.filter(pl.col("rate_low") > pl.col("rate_high")).is_empty()
    numbers = groups.select(pl.selectors.float()).to_numpy()
    assert not np.isinf(numbers.astype(float)).any()
    job = NewJob(100.0, "a", rust_grade="b", access="c")
    asked = estimate(rows, job, draws=60)
    lines = asked.lines.select("low", "middle", "high").to_numpy()
    assert np.isfinite(lines).all() and np.all(np.diff(lines, axis=1) >= 0.0)
