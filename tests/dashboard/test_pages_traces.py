"""Thinned traces keep every peak and every gap, and show only what was read."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.present import present
from analytics.stretches import silent_spans, stretch_summary
from analytics.traces import open_spans, thinned

BEGIN = dt.datetime(2026, 3, 2, 6)
GAP_S = 2.0


@st.composite
def frames(draw: st.DrawFn) -> pl.DataFrame:
    """Samples with jitter, silences, bad values and spikes."""
    seed = draw(st.integers(0, 10_000))
    size = draw(st.integers(0, 5_000))
    rng = np.random.default_rng(seed)
    step = rng.choice([0.05, 0.1, 0.1, 0.1, 0.2], size)
    step[rng.random(size) < draw(st.sampled_from([0.0, 0.001, 0.05, 0.6]))] = 7.0
    at = np.cumsum(step)
    value = rng.normal(7e5, 2e3, size)
    value[rng.random(size) < 0.002] = -1e4
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=round(float(s), 3)) for s in at],
            "pot_pa": [None if rng.random() < 0.01 else float(v) for v in value],
        },
        schema={"sampled_at": pl.Datetime("us"), "pot_pa": pl.Float64},
    )


@given(frame=frames(), points=st.sampled_from([4, 10, 100, 2000]))
def test_a_trace_is_a_part_of_the_samples_with_their_extremes(
    frame: pl.DataFrame, points: int
) -> None:
    trace = thinned(frame, ["pot_pa"], GAP_S, points)
    there = frame.drop_nulls()
    assert trace.height <= points
    assert trace["sampled_at"].is_sorted()
    joined = trace.join(there, on="sampled_at")
    assert joined.height == trace.height
    assert joined["value"].equals(joined["pot_pa"], check_names=False)
    if there.height:
        assert trace["value"].min() == there["pot_pa"].min()
        assert trace["value"].max() == there["pot_pa"].max()


@given(frame=frames(), points=st.sampled_from([4, 10, 100, 2000]))
def test_near_every_sample_one_is_kept_that_is_no_lower_and_one_that_is_no_higher(
    frame: pl.DataFrame, points: int
) -> None:
    """Held against numpy's own extremes of each sample's surroundings, one bucket wide."""
    there = frame.drop_nulls()
    trace = thinned(frame, ["pot_pa"], GAP_S, points)
    assert trace["of"].unique().to_list() == ([there.height] if there.height else [])
    if there.height <= points:
        assert trace.height == there.height
        return
    at = there["sampled_at"].to_physical().to_numpy()
    value = there["pot_pa"].to_numpy()
    kept_at = trace["sampled_at"].to_physical().to_numpy()
    kept = trace["value"].to_numpy()
    number = int(trace["piece"].max()) + 1  # type: ignore[arg-type]
    extra = (points - 4 * number) // 2
    # What is drawn, without its gaps; where nothing is left to share, a piece is one bucket.
    drawn = trace.group_by("piece").agg(pl.col("sampled_at").max() - pl.col("sampled_at").min())
    whole = int(drawn["sampled_at"].dt.total_microseconds().sum())
    bucket = whole / extra if extra else whole
    begin = np.searchsorted(kept_at, at - bucket, side="left")
    end = np.searchsorted(kept_at, at + bucket, side="right")
    for low, high, mine in zip(begin, end, value, strict=True):
        assert np.min(kept[low:high]) <= mine <= np.max(kept[low:high])


@given(frame=frames(), points=st.sampled_from([100, 2000]))
def test_a_gap_is_drawn_as_wide_as_it_was(frame: pl.DataFrame, points: int) -> None:
    there = frame.drop_nulls()
    trace = thinned(frame, ["pot_pa"], GAP_S, points)
    parted = trace.filter(pl.col("piece").diff().fill_null(0) > 0)["sampled_at"].to_list()
    before = trace.filter(pl.col("piece").diff(-1).cast(pl.Int64) != 0)["sampled_at"].to_list()
    ends = set(
        there.filter(pl.col("sampled_at").diff(-1) < -dt.timedelta(seconds=GAP_S))["sampled_at"]
    )
    begins = set(
        there.filter(pl.col("sampled_at").diff() > dt.timedelta(seconds=GAP_S))["sampled_at"]
    )
    assert len(parted) == len(before) == trace["piece"].n_unique() - bool(trace.height)
    assert set(parted) <= begins and set(before) <= ends


@given(frame=frames(), points=st.sampled_from([100, 2000]))
def test_no_line_is_drawn_across_a_gap(frame: pl.DataFrame, points: int) -> None:
    there = frame.drop_nulls()
    trace = thinned(frame, ["pot_pa"], GAP_S, points)
    gaps = there.filter(pl.col("sampled_at").diff() > dt.timedelta(seconds=GAP_S))["sampled_at"]
    passed = np.searchsorted(gaps.to_numpy(), trace["sampled_at"].to_numpy(), side="right")
    crossed = np.diff(passed) > 0
    parted = np.diff(trace["piece"].to_numpy().astype(np.int64)) > 0
    # As many gaps part the trace into one piece more, and a piece takes four points.
    if len(gaps) + 1 <= points // 4:
        assert np.array_equal(crossed, parted)
    else:  # only gaps that are wider than a point part it then
        assert not np.any(parted & ~crossed)


def test_what_fits_is_not_thinned() -> None:
    frame = pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=i) for i in range(50)],
            "pot_pa": [float(i) for i in range(50)],
        }
    )
    assert thinned(frame, ["pot_pa"], GAP_S, 50)["value"].to_list() == list(range(50))


def test_a_trace_needs_room_for_its_extremes() -> None:
    empty = pl.DataFrame(schema={"sampled_at": pl.Datetime("us"), "pot_pa": pl.Float64})
    with pytest.raises(ValueError, match="at least 4"):
        thinned(empty, ["pot_pa"], GAP_S, 3)


def test_a_spike_of_one_sample_in_a_shift_is_seen() -> None:
    size = 360_000
    values = np.full(size, 7e5)
    values[123_456] = 9.9e5
    frame = pl.DataFrame(
        {
            "sampled_at": pl.datetime_range(
                BEGIN, BEGIN + dt.timedelta(milliseconds=100 * (size - 1)), "100ms",
                time_unit="us", eager=True,
            ),
            "pot_pa": values,
        }
    )  # fmt: skip
    trace = thinned(frame, ["pot_pa"], GAP_S, 2000)
    assert trace.height <= 2000
    spike = trace.filter(pl.col("value") == 9.9e5)
    assert spike["sampled_at"].to_list() == [BEGIN + dt.timedelta(milliseconds=100 * 123_456)]


def test_shading_ends_where_hearing_ends() -> None:
    at = [BEGIN + dt.timedelta(seconds=s) for s in (0, 1, 2, 20, 21, 22)]
    frame = pl.DataFrame({"sampled_at": at, "deadman": [True, True, True, True, None, False]})
    assert open_spans(frame, GAP_S) == ((at[0], at[2]), (at[3], at[3]))
    assert open_spans(frame.clear(), GAP_S) == ()


def test_what_was_before_a_gap_says_nothing_about_since_when() -> None:
    at = [BEGIN + dt.timedelta(seconds=s) for s in (0, 1, 20, 21)]
    frame = pl.DataFrame(
        {
            "sampled_at": at,
            "deadman": [True] * 4,
            "supply_pa": [7e5] * 4,
            "pot_pa": [6e5, 6e5, None, None],
            "nozzle_pa": [None] * 4,
        },
        schema_overrides={"nozzle_pa": pl.Float64},
    )
    now = present(frame, GAP_S)
    assert now is not None
    assert (now.deadman, now.deadman_since_at) == (True, at[2])
    # The pot's last value is from before the silence: it is not shown as what stands now.
    assert (now.supply_pa, now.pot_pa) == (7e5, None)
    assert present(frame.clear(), GAP_S) is None


def test_silence_before_and_after_all_readings_counts_but_not_the_time_to_come() -> None:
    def at(hour: float) -> dt.datetime:
        return BEGIN + dt.timedelta(hours=hour)

    gaps = pl.DataFrame({"from_at": [at(-2), at(2)], "to_at": [at(1), at(2.5)]})
    spans = silent_spans(gaps, (at(-3), at(4)), at(0), at(6), GAP_S)
    assert spans == ((at(0), at(1)), (at(2), at(2.5)), (at(4), at(6)))
    assert silent_spans(gaps.clear(), (None, None), at(0), at(6), GAP_S) == ((at(0), at(6)),)
    late = at(6) + dt.timedelta(seconds=1)
    assert silent_spans(gaps.clear(), (at(0), at(6)), at(0), late, GAP_S) == ()


def test_a_stretch_that_has_not_begun_has_no_summary() -> None:
    from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA

    cycles, gaps = pl.DataFrame(schema=CYCLE_SCHEMA), pl.DataFrame(schema=GAP_SCHEMA)
    later = BEGIN + dt.timedelta(hours=8)
    found = stretch_summary("pot-1", BEGIN, later, cycles, gaps, (None, None), [], BEGIN)
    assert found is None
    noon = BEGIN + dt.timedelta(hours=4)
    found = stretch_summary("pot-1", BEGIN, later, cycles, gaps, (None, None), [], noon)
    assert found is not None
    assert (found["elapsed_s"], found["no_data_s"], found["blast_high_s"]) == (14400.0, 14400.0, 0)
