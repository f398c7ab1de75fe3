"""What is kept of a sample as counts and steps comes back to the bit, whatever was sent."""

from __future__ import annotations

import datetime as dt
import struct
from collections.abc import Iterator

import duckdb
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.store import sample_rows
from ingest.store.sample_rows import (
    COUNTED,
    KEPT,
    add_samples,
    fill_samples,
    heard_in,
    remove_samples,
)

BEGIN = dt.datetime(2026, 5, 4, 6)


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as opened:
        sample_rows.make_tables(opened)
        yield opened


def rows_of(
    values: list[float | None], column: str, first_s: int = 0, message: int = 0, pot: int = 1
) -> pl.DataFrame:
    at = [BEGIN + dt.timedelta(seconds=first_s + n) for n in range(len(values))]
    return pl.DataFrame(
        {
            "pot_id": pot,
            "sampled_at": pl.Series(at, dtype=pl.Datetime("us")),
            "arrived_at": pl.Series([at[-1]] * len(at), dtype=pl.Datetime("us")),
            "quality": 0,
            "message_id": message,
            column: pl.Series(values, dtype=pl.Float64),
        }
    )


def held(con: duckdb.DuckDBPyConnection, column: str) -> list[float | None]:
    found = con.execute(f"SELECT {column} FROM sample ORDER BY pot_id, sampled_at").fetchall()
    return [value for (value,) in found]


def bits(values: list[float | None]) -> list[bytes | None]:
    return [None if value is None else struct.pack("<d", value) for value in values]


# Whole counts of a converter, decimals as a box writes them, and anything that a double can be.
one_value = st.one_of(
    st.none(),
    st.integers(-4000, 4000).map(lambda n: n * 250.0),
    st.integers(-4000, 30_000).map(lambda n: n / 1000),
    st.integers(-20_000, 25_000).map(lambda n: n / 10 * 100),
    st.floats(allow_nan=False, allow_infinity=False),
)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(one_value, min_size=1, max_size=12), min_size=1, max_size=5),
    st.sampled_from(COUNTED),
)
def test_every_value_comes_back_to_the_bit(batches: list[list[float | None]], column: str) -> None:
    with duckdb.connect() as con:
        sample_rows.make_tables(con)
        first = 0
        for number, batch in enumerate(batches):
            add_samples(con, rows_of(batch, column, first, number))
            first += len(batch)
        whole = [value for batch in batches for value in batch]
        assert bits(held(con, column)) == bits(whole)
        # Values are counted without making them.
        kept = con.execute(f"SELECT count({heard_in(column)}) FROM {KEPT}").fetchall()
        assert kept == [(sum(value is not None for value in whole),)]


@pytest.mark.parametrize("column", COUNTED)
def test_a_transducers_counts_are_kept_as_counts(
    con: duckdb.DuckDBPyConnection, column: str
) -> None:
    # The first message may show a coarser step than the transducer has; the odd value out stays a
    # double and makes the step of those after it no finer.
    add_samples(con, rows_of([500.0, 1000.0, 500.0], column))
    add_samples(con, rows_of([250.0, 750.0, 1000.0], column, 10, 1))
    add_samples(con, rows_of([-250.0, 0.1, 1250.0, 0.0], column, 20, 2))
    assert held(con, column) == [
        500.0, 1000.0, 500.0, 250.0, 750.0, 1000.0, -250.0, 0.1, 1250.0, 0.0,
    ]  # fmt: skip
    kept = con.execute(
        f"SELECT {column}_n, {column}_by FROM sample_kept ORDER BY sampled_at"
    ).fetchall()
    assert kept == [
        (1, 500.0), (2, 500.0), (1, 500.0), (1, 250.0), (3, 250.0), (4, 250.0), (-1, 250.0),
        (None, 0.1), (5, 250.0), (0, 250.0),
    ]  # fmt: skip


def test_pots_have_steps_of_their_own(con: duckdb.DuckDBPyConnection) -> None:
    both = pl.concat(
        [rows_of([500.0, 750.0], "pot_pa"), rows_of([0.3, 0.7], "pot_pa", message=1, pot=2)]
    )
    add_samples(con, both)
    steps = con.execute('SELECT pot_id, "by" FROM step ORDER BY pot_id').fetchall()
    assert steps == [(1, 250.0), (2, -10.0)]
    assert held(con, "pot_pa") == [500.0, 750.0, 0.3, 0.7]


def test_what_comes_later_fills_only_what_is_missing(con: duckdb.DuckDBPyConnection) -> None:
    add_samples(
        con, rows_of([500.0, None, 0.1], "pot_pa").with_columns(seq=pl.Series([7, None, None]))
    )
    late = rows_of([1.0, 750.0, 2.0], "pot_pa", message=9).with_columns(
        supply_pa=pl.Series([1e5, None, 2e5]),
        deadman=pl.Series([True, False, None]),
        seq=pl.Series([1, 8, None]),
        quality=pl.Series([0, 4, 0]),
    )
    fill_samples(con, late)
    assert con.execute(
        "SELECT pot_pa, supply_pa, deadman, seq, quality, message_id FROM sample "
        "ORDER BY sampled_at"
    ).fetchall() == [
        (500.0, 1e5, True, 7, 0, 0), (750.0, None, False, 8, 4, 0), (0.1, 2e5, None, None, 0, 0),
    ]  # fmt: skip


def test_a_message_goes_with_the_last_of_its_rows(con: duckdb.DuckDBPyConnection) -> None:
    add_samples(con, rows_of([500.0] * 4, "pot_pa", 0, 5))
    add_samples(con, rows_of([500.0] * 4, "pot_pa", 4, 6))
    add_samples(con, rows_of([500.0] * 4, "pot_pa", 0, 7, pot=2))
    remove_samples(con, 1, BEGIN, BEGIN + dt.timedelta(seconds=6))
    assert con.execute(
        "SELECT pot_id, message_id, count(*), max(arrived_at) FROM sample GROUP BY ALL ORDER BY ALL"
    ).fetchall() == [
        (1, 6, 2, BEGIN + dt.timedelta(seconds=7)), (2, 7, 4, BEGIN + dt.timedelta(seconds=3)),
    ]  # fmt: skip
    assert con.execute("SELECT message_id FROM message ORDER BY ALL").fetchall() == [(6,), (7,)]
    # Both views have the same rows.
    ((without,),) = con.execute("SELECT count(*) FROM sample_value").fetchall()
    assert without == 6
