"""Pressures of many shifts at once are those of each by itself."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import production
from analytics.cycle_kernel import window_sums
from analytics.production import PRESSURES, blast_weighted_pressures, pressures_within

BEGIN = dt.datetime(2026, 3, 2, 6)


def test_many_windows_are_as_one_by_one() -> None:
    random = np.random.default_rng(5)
    at = [BEGIN + dt.timedelta(minutes=int(m)) for m in np.sort(random.integers(0, 9000, 400))]
    missing = random.random((5, 400)) < 0.3
    cycles = pl.DataFrame(
        {
            "pressed_at": at,
            "blast_s": np.where(random.random(400) < 0.1, 0.0, random.uniform(5, 300, 400)),
            **{
                name: np.where(missing[n], np.nan, random.uniform(1e5, 8e5, 400))
                for n, name in enumerate(PRESSURES)
            },
        }
    ).with_columns(pl.col(PRESSURES).fill_nan(None), pl.col("pressed_at").cast(pl.Datetime("us")))
    windows = [(BEGIN + dt.timedelta(minutes=int(a)), BEGIN + dt.timedelta(minutes=int(a + w)))
               for a, w in zip(random.integers(0, 9000, 40), random.integers(0, 700, 40),
                               strict=True)]  # fmt: skip
    windows += [(BEGIN - dt.timedelta(days=2), BEGIN - dt.timedelta(days=1))]
    edges = pl.DataFrame(windows, schema={"a": pl.Datetime("us"), "b": pl.Datetime("us")},
                         orient="row").cast(pl.Int64)  # fmt: skip
    found = pressures_within(cycles, edges["a"].to_numpy(), edges["b"].to_numpy())
    for row, (a, b) in zip(found.iter_rows(named=True), windows, strict=True):
        inside = cycles.filter((pl.col("pressed_at") >= a) & (pl.col("pressed_at") < b))
        alone = blast_weighted_pressures(inside)
        for name in PRESSURES:
            if alone[name] is None:
                assert row[name] is None
            else:
                assert row[name] == pytest.approx(alone[name], rel=1e-12)


@settings(max_examples=30, deadline=None)
@given(
    values=st.lists(st.floats(-1e12, 1e12), max_size=60),
    edges=st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), min_size=1, max_size=8),
)
def test_few_windows_are_summed_to_the_bit_as_many_are(
    values: list[float], edges: list[tuple[int, int]]
) -> None:
    array = np.array(values, dtype=np.float64)
    clipped = np.minimum(np.array(edges, dtype=np.int64), array.size)
    begin, end = clipped[:, 0].copy(), np.maximum(clipped[:, 0], clipped[:, 1])
    few = production._window_sums(array, begin, end)
    assert few.tolist() == window_sums(array, begin, end).tolist()


def test_a_window_without_blast_time_has_no_pressure() -> None:
    cycles = pl.DataFrame(
        {"pressed_at": [BEGIN], "blast_s": [0.0], **{name: [5e5] for name in PRESSURES}},
    ).with_columns(pl.col("pressed_at").cast(pl.Datetime("us")))
    at = np.array([0], dtype=np.int64)
    found = pressures_within(cycles, at, np.array([2**60]))
    assert found.row(0) == (None,) * len(PRESSURES)
