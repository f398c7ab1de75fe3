"""Columns of samples against the frames that DuckDB itself makes of the same rows."""

from __future__ import annotations

import datetime as dt

import duckdb
import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.room import Room
from analytics.sample_columns import Columns

EPOCH_US = 1_772_000_000_000_000

MAYBE = st.one_of(st.none(), st.integers(-(2**31), 2**31 - 1))
ROWS = st.lists(
    st.tuples(
        st.integers(0, 50), st.one_of(st.none(), st.booleans()), MAYBE,
        st.one_of(st.none(), st.floats(-1e6, 1e6)), MAYBE,
    ),
    max_size=40,
)  # fmt: skip


def put(rows: list[tuple[object, ...]]) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute(
        "CREATE TABLE s (sampled_at TIMESTAMP, deadman BOOLEAN, pot_pa INTEGER, inlet_pa DOUBLE, "
        "quality INTEGER)"
    )
    for at, *rest in rows:
        assert isinstance(at, int)
        con.execute("INSERT INTO s VALUES (make_timestamp(?), ?, ?, ?, ?)", [EPOCH_US + at, *rest])
    return con


def columns(con: duckdb.DuckDBPyConnection, batch: int, room: Room | None = None) -> Columns:
    (count,) = con.execute("SELECT count(*) FROM s").fetchall()[0]
    return Columns(con.sql("FROM s").to_arrow_reader(batch), count, {"pot_pa": 62.5}, room)


@settings(max_examples=60, deadline=None)
@given(rows=ROWS)
def test_a_frame_of_columns_is_the_frame_that_duckdb_makes(
    rows: list[tuple[object, ...]],
) -> None:
    con = put(rows)
    expected = con.sql("FROM s").pl().sort("sampled_at", maintain_order=True)
    expected = expected.with_columns(pl.col("pot_pa").cast(pl.Float64) * 62.5)
    found = columns(con, 2048)
    assert found.frame().equals(expected)
    assert found.at_us.tolist() == expected["sampled_at"].cast(pl.Int64).to_list()
    known = np.ones(len(rows), np.bool_) if found.known is None else found.known
    told = [d if k else None for d, k in zip(found.deadman.tolist(), known.tolist(), strict=True)]
    assert told == expected["deadman"].to_list()


@settings(max_examples=40, deadline=None)
@given(rows=ROWS)
def test_a_sample_put_after_the_others_is_the_last_row(rows: list[tuple[object, ...]]) -> None:
    con = put(rows)
    before = columns(con, 2048).frame()
    found = columns(con, 2048)
    found.end_with(EPOCH_US + 10**6, True)
    frame = found.frame()
    at = dt.datetime.fromtimestamp(0, dt.UTC).replace(tzinfo=None) + dt.timedelta(
        microseconds=EPOCH_US + 10**6
    )
    assert frame.head(-1).equals(before)
    assert frame.row(-1)[:2] == (at, True)
    assert frame.tail(1).fill_nan(None).select("pot_pa", "inlet_pa").row(0) == (None, None)


def test_many_batches_lie_where_one_would() -> None:
    con = duckdb.connect()
    con.execute(
        "CREATE TABLE s AS SELECT make_timestamp(1772000000000000 + i * 100000) AS sampled_at, "
        "CASE WHEN i % 7000 <> 13 THEN i % 400 > 200 END AS deadman, "
        "CASE WHEN i < 30000 OR i % 3 <> 0 THEN (i * 7919) % 4001 END::INTEGER AS pot_pa "
        "FROM range(250000) AS r(i)"
    )
    expected = con.sql("FROM s").pl().with_columns(pl.col("pot_pa").cast(pl.Float64) * 62.5)
    room = Room()
    assert columns(con, 10_000, room).frame().equals(expected)
    # What the room held before must not show, nor a place left over at the end.
    con.execute("DELETE FROM s WHERE epoch_us(sampled_at) % 1700000 > 900000")
    fewer = con.sql("FROM s").pl().with_columns(pl.col("pot_pa").cast(pl.Float64) * 62.5)
    assert 0 < fewer.height < expected.height
    assert columns(con, 4_000, room).frame().equals(fewer)


def test_rows_that_were_not_counted_come_too() -> None:
    rows = [(i, None if i == 3 else i % 2 == 0, i, 1.0, 0) for i in range(5000)]
    con = put(rows)
    expected = con.sql("FROM s").pl().with_columns(pl.col("pot_pa").cast(pl.Float64) * 62.5)
    found = Columns(con.sql("FROM s").to_arrow_reader(2048), 5, {"pot_pa": 62.5})
    found.end_with(EPOCH_US + 10**6, True)
    assert found.frame().head(-1).equals(expected)
