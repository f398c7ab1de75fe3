"""Whatever is heard again is found, also where it is only asked first whether anything is there."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import RawMessage
from ingest.store import batch
from ingest.store.connection import read_window, write_window
from ingest.store.insert import Status, insert_readings
from ingest.store.stored import look_up
from ingest.wire.columns import ColumnDecoder

BEGIN = dt.datetime(2026, 5, 4, 6)
HOUR_US = 3_600_000_000

# Channels of the wide table and of the tall one.
one_reading = st.tuples(
    st.integers(1, 4),
    st.sampled_from(["supply", "air_temp"]),
    st.sampled_from([0, 1, 2, 50, 51, 10**6, 10**6 + 1]),
    st.sampled_from([0, 2 * HOUR_US, 400 * 24 * HOUR_US]),
)


def frame(keys: list[tuple[int, str, int]], value: float = 1.0) -> pl.DataFrame:
    at = [BEGIN + dt.timedelta(microseconds=us) for _, _, us in keys]
    return pl.DataFrame(
        {
            "pot": [f"pot-{pot}" for pot, _, _ in keys],
            "channel": [channel for _, channel, _ in keys],
            "unit": ["Pa" if channel == "supply" else "Cel" for _, channel, _ in keys],
            "sampled_at": pl.Series(at, dtype=pl.Datetime("us")),
            "arrived_at": pl.Series(at, dtype=pl.Datetime("us")),
            "value": value,
            "message_id": 1,
        },
        schema_overrides={"value": pl.Float64, "message_id": pl.Int64},
    )


def check(data: Path, batches: list[list[tuple[int, str, int]]]) -> None:
    known: set[tuple[int, str, int]] = set()
    with write_window(data) as con:
        con.execute("DELETE FROM sample_kept; DELETE FROM reading; DELETE FROM message")
        for keys in batches:
            said = insert_readings(con, frame(keys)).to_list()
            for key, status in zip(keys, said, strict=True):
                assert status == (Status.REPEATED if key in known else Status.NEW), key
                known.add(key)


@settings(max_examples=10, deadline=None)
@given(st.lists(st.lists(one_reading, min_size=1, max_size=8), min_size=2, max_size=4))
def test_what_is_there_is_found_among_pots_and_stretches(
    tmp_path_factory: pytest.TempPathFactory,
    batches: list[list[tuple[int, str, int, int]]],
) -> None:
    # One store for all examples, emptied by each: to make one takes longer than the example.
    data = tmp_path_factory.getbasetemp() / "found"
    check(data, [[(pot, name, us + far) for pot, name, us, far in one] for one in batches])


def test_more_pots_than_are_asked_for_one_by_one_are_found_too(tmp_path: Path) -> None:
    pots = [(pot, "supply", 5) for pot in range(1, 81)]
    check(tmp_path, [pots[:40], pots])


def test_what_is_later_than_all_before_is_not_looked_up(tmp_path: Path) -> None:
    with write_window(tmp_path) as con:
        insert_readings(con, frame([(1, "supply", 5), (2, "supply", 900)]))
        asked: list[str] = []

        class Listening:
            def execute(self, query: str, *given: object) -> object:
                asked.append(query)
                return con.execute(query, *given)

        def found(pot_id: int, at_us: int) -> int:
            begin_us = int((BEGIN - dt.datetime(1970, 1, 1)).total_seconds()) * 10**6
            column, none = np.array([1]), np.array([0])
            at = np.array([begin_us + at_us])
            # Rows would be read by another method than this one.
            stored = look_up(Listening(), np.array([pot_id]), column, none, at)  # type: ignore[arg-type]
            return len(stored.groups)

        # The other pot is further on; that says nothing of this one.
        assert found(1, 6) == 0 and found(2, 899) == 0
        with pytest.raises(AttributeError, match="register"):
            found(1, 5)


def test_counts_add_up_line_by_line_and_joined(tmp_path: Path) -> None:
    decoder = ColumnDecoder()

    def taken(pots: range, at_s: int) -> None:
        pack = ",".join(
            f'{{"n":"pot-{pot}/supply","u":"Pa","t":{1_760_000_000 + at_s},"v":1}}' for pot in pots
        )
        arrived_us = (1_760_000_000 + at_s) * 10**6
        said = [
            RawMessage("file", "", "", arrived_us, False, f"[{one}]".encode())
            for one in (pack.replace("},{", "}]|[{").split("]|["))
        ]
        read = batch.decode_batch(said, list(range(len(said))), None, None, decoder)
        with write_window(tmp_path) as con:
            batch.store_batch(con, read)

    # New ones, one that is there among new ones, and more than are added one by one; twice each.
    for at_s, pots in enumerate((range(1, 3), range(2, 4), range(1, 8), range(1, 8), range(1, 2))):
        taken(pots, at_s)
        taken(pots, at_s)
    with read_window(tmp_path) as con:
        held = con.execute(
            "SELECT pot, messages, readings, repeated, epoch(last_arrived_at)::BIGINT - 1760000000 "
            "FROM source_count ORDER BY pot"
        ).fetchall()
    assert held == [
        ("pot-1", 8, 4, 4, 4), ("pot-2", 8, 4, 4, 3), ("pot-3", 6, 3, 3, 3),
        *((f"pot-{pot}", 4, 2, 2, 3) for pot in range(4, 8)),
    ]  # fmt: skip
