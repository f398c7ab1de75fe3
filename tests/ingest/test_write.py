"""The store writer: the journal into the tables, once, whatever happens in between."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import StoreBusy
from ingest.readings import RawMessage
from ingest.store import batch, quarantine
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.insert import Status, insert_readings
from ingest.store.journal import Journal
from ingest.store.journal_frames import journal_folder, read_from, segment_path
from ingest.store.retry import retry_quarantine
from ingest.store.write import StoreWriter, stored_mark
from ingest.wire import reasons

NOW_US = 1_760_000_000_000_000
POTS = frozenset({"pot-1", "pot-2"})


def message(
    *records: dict[str, Any],
    arrived_us: int = NOW_US,
    repeated: bool = False,
    transport_id: int = 0,
    payload: bytes | None = None,
    source: str = "mqtt",
    pot: str = "pot-1",
) -> RawMessage:
    body = payload if payload is not None else json.dumps(records).encode()
    # Only over a broker do messages have a topic.
    topic = f"gritbook/yard/{pot}/readings" if source == "mqtt" else ""
    return RawMessage(source, topic, "", arrived_us, repeated, body, transport_id)


def supply(value: float, at_s: float = 0.0, pot: str = "pot-1") -> dict[str, Any]:
    return {"n": f"{pot}/supply", "u": "Pa", "t": NOW_US / 1e6 + at_s, "v": value}


def journal(data: Path, *messages: RawMessage) -> None:
    with Journal(data) as opened:
        for one in messages:
            opened.append(one)


def take_all(data: Path, batch_messages: int = 1000) -> list[Any]:
    writer = StoreWriter(data, POTS, batch_messages)
    taken = []
    while (one := writer.take()) is not None:
        taken.append(one)
    return taken


def rows(data: Path, query: str) -> list[tuple[Any, ...]]:
    with read_window(data) as con:
        return con.execute(query).fetchall()


def test_a_pack_becomes_one_row_an_instant(tmp_path: Path) -> None:
    journal(
        tmp_path,
        message(
            {"bn": "pot-1/", "bt": 1.75e9, "bu": "Pa", "n": "supply", "v": 700_000},
            {"n": "pot", "v": 650_000},
            {"n": "nozzle", "u": "mA", "v": 12.5},
            {"n": "deadman", "vb": True},
            {"n": "seq", "u": "count", "v": 17},
            {"n": "pot", "t": 0.1, "v": 3e6},
            {"n": "air_temp", "u": "Cel", "v": 21.5},
            {"n": "box_state", "vs": "warm"},
        ),
    )
    (taken,) = take_all(tmp_path)
    assert (taken.messages, taken.readings, taken.repeated, taken.quarantined) == (1, 8, 0, 0)
    at = dt.datetime(2025, 6, 15, 15, 6, 40)
    arrived = dt.datetime(2025, 10, 9, 8, 53, 20)
    assert rows(
        tmp_path,
        "SELECT sampled_at, arrived_at, seq, supply_pa, pot_pa, nozzle_ma, deadman, quality "
        "FROM sample ORDER BY sampled_at",
    ) == [
        (at, arrived, 17, 700_000.0, 650_000.0, 12.5, True, 0),
        (at + dt.timedelta(milliseconds=100), arrived, None, None, 3e6, None, None, 4),
    ]
    assert rows(
        tmp_path,
        "SELECT channel, unit, known, value, text FROM reading JOIN channel USING (channel_id) "
        "ORDER BY channel",
    ) == [("air_temp", "Cel", True, 21.5, None), ("box_state", "", False, None, "warm")]
    assert rows(tmp_path, "SELECT from_at, to_at FROM touched") == [
        (at, at + dt.timedelta(milliseconds=100))
    ]
    assert rows(tmp_path, "FROM source_count") == [("mqtt", "pot-1", 1, 8, 0, 0, arrived)]
    (entry,) = read_from(tmp_path)
    assert rows(tmp_path, "SELECT DISTINCT message_id FROM sample") == [(entry.begin.message_id,)]


def test_the_same_value_again_is_repeated_and_another_is_quarantined(tmp_path: Path) -> None:
    journal(tmp_path, message(supply(5)))
    take_all(tmp_path)
    journal(
        tmp_path, message(supply(5), supply(6)), message(supply(5, 1), supply(6, 1), supply(5, 1))
    )
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.repeated, taken.quarantined) == (1, 2, 2)
    assert rows(tmp_path, "SELECT supply_pa FROM sample") == [(5.0,), (5.0,)]
    found = rows(tmp_path, "SELECT reason, detail FROM quarantine ORDER BY quarantine_id")
    assert [reason for reason, _ in found] == [reasons.VALUE_CONFLICT] * 2
    assert found[0][1] == "pot-1/supply 2025-10-09T08:53:20.000000Z 6 Pa"
    assert rows(tmp_path, "SELECT count(*) FROM touched") == [(2,)]


def test_channels_of_one_instant_share_a_row_over_batches(tmp_path: Path) -> None:
    at = NOW_US / 1e6
    parts = [
        {"n": "pot-1/supply", "u": "Pa", "v": 1.0},
        {"n": "pot-1/pot", "u": "Pa", "v": 9e6},
        {"n": "pot-1/deadman", "vb": False},
        {"n": "pot-1/seq", "v": 3},
    ]
    for part in parts:
        journal(tmp_path, message({**part, "t": at}))
        take_all(tmp_path)
    assert rows(tmp_path, "SELECT supply_pa, pot_pa, deadman, seq, quality FROM sample") == [
        (1.0, 9e6, False, 3, 4)
    ]


def test_what_cannot_be_read_is_quarantined_and_the_rest_is_stored(tmp_path: Path) -> None:
    good = supply(1)
    body = json.dumps(
        [
            good,
            {"n": "pot-9/supply", "u": "Pa", "v": 1},
            {"n": "pot-1/supply", "u": "bar", "v": 1},
            {"n": "pot-1/pot", "u": "Pa", "v": 1, "t": NOW_US / 1e6 + 90_000},
        ]
    ).encode()
    journal(tmp_path, message(payload=body), message(payload=b"\xff\x00"))
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.quarantined) == (1, 4)
    found = rows(tmp_path, "SELECT reason, detail, payload FROM quarantine ORDER BY 1")
    assert [(reason, detail) for reason, detail, _ in found] == [
        (reasons.NOT_JSON, "JSON is malformed: invalid character (byte 0)"),
        (reasons.POT_UNKNOWN, "pot-9: 1 reading"),
        (reasons.TIME_AHEAD, "record 3: t is 90000 s ahead"),
        (reasons.UNIT_WRONG, "record 2: u 'bar' for supply"),
    ]
    assert [bytes(payload) for _, _, payload in found] == [b"\xff\x00", body, body, body]


def test_retry_stores_what_the_mended_yard_file_knows(tmp_path: Path) -> None:
    records = [
        supply(1),
        {"n": "pot-9/supply", "u": "Pa", "v": 2},
        {"n": "pot-9/pot", "u": "Pa", "v": 3},
        {"n": "pot-1/pot", "u": "psi", "v": 1},
    ]
    other = message({"n": "pot-8/supply", "u": "Pa", "v": 2}, source="serial:a")
    journal(tmp_path, message(*records, source="serial:a"), other)
    take_all(tmp_path)
    assert retry_quarantine(tmp_path, POTS) == (2, 0, 0)
    assert retry_quarantine(tmp_path, POTS | {"pot-9"}) == (2, 2, 1)
    assert rows(
        tmp_path, "SELECT pot, supply_pa, pot_pa FROM sample JOIN pot USING (pot_id) ORDER BY pot"
    ) == [("pot-1", 1.0, None), ("pot-9", 2.0, 3.0)]
    with read_window(tmp_path) as con:
        counts = {c.reason: (c.waiting, c.retried) for c in quarantine.counts(con)}
    assert counts == {reasons.POT_UNKNOWN: (1, 1), reasons.UNIT_WRONG: (1, 0)}
    before = rows(tmp_path, "FROM source_count ORDER BY ALL")
    assert retry_quarantine(tmp_path, POTS | {"pot-9"}) == (2, 0, 0)
    assert rows(tmp_path, "FROM source_count ORDER BY ALL") == before
    assert sum(row[2] for row in before) == 2


def test_a_line_may_speak_of_its_own_pots_only(tmp_path: Path) -> None:
    both = (supply(1), supply(2, pot="pot-2"))
    journal(
        tmp_path, message(*both, source="serial:a"), message(supply(3, 1, "pot-2"), pot="pot-2")
    )
    own = {"serial:a": ("pot-1",)}
    writer = StoreWriter(tmp_path, POTS, pots_of_source=own)
    taken = writer.take()
    assert taken is not None
    assert (taken.readings, taken.quarantined) == (2, 1)
    assert rows(tmp_path, "SELECT reason, detail FROM quarantine") == [
        (reasons.POT_ELSEWHERE, "pot-2: 1 reading")
    ]
    assert retry_quarantine(tmp_path, POTS, own) == (1, 0, 0)
    assert retry_quarantine(tmp_path, POTS, {"serial:a": ("pot-1", "pot-2")}) == (1, 1, 1)


def test_a_topic_binds_its_message_to_its_own_pot(tmp_path: Path) -> None:
    """A broker that lets a box publish under its own pot lets it say whatever there."""
    both = (supply(1), supply(2, pot="pot-2"))
    journal(tmp_path, message(*both), message(supply(3, 1, "pot-2"), pot="pot-3"))
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.quarantined) == (1, 2)
    assert (
        rows(tmp_path, "SELECT reason, detail FROM quarantine ORDER BY quarantine_id")
        == [(reasons.POT_OF_OTHER_TOPIC, "pot-2: 1 reading")] * 2
    )
    # With `strict = false` in the yard file they are taken, those in quarantine too.
    assert retry_quarantine(tmp_path, POTS) == (2, 0, 0)
    loose = batch.Admission(own_topic=False)
    assert retry_quarantine(tmp_path, POTS, admission=loose) == (2, 2, 2)


def test_a_clock_that_was_never_set_is_quarantined(tmp_path: Path) -> None:
    never_set = {"n": "pot-1/supply", "u": "Pa", "t": 1_577_836_800, "v": 5}  # 2020-01-01
    just = {"n": "pot-1/supply", "u": "Pa", "t": 1_704_067_200, "v": 5}  # 2024-01-01
    journal(tmp_path, message(never_set), message(just))
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.quarantined) == (1, 1)
    assert rows(tmp_path, "SELECT reason, detail FROM quarantine") == [
        (reasons.TIME_LONG_AGO, "pot-1: 1 reading")
    ]
    sooner = batch.Admission(earliest_us=1_577_836_800_000_000)
    assert retry_quarantine(tmp_path, POTS, admission=sooner) == (1, 1, 1)


def test_a_redelivered_message_with_relative_times_is_not_doubled(tmp_path: Path) -> None:
    relative = {"n": "pot-1/supply", "u": "Pa", "v": 5}
    journal(
        tmp_path,
        message(relative, transport_id=7),
        message(relative, transport_id=8, arrived_us=NOW_US + 1_000_000),
    )
    take_all(tmp_path)
    journal(
        tmp_path,
        message(relative, transport_id=8, arrived_us=NOW_US + 2_000_000, repeated=True),
        # Marked, but the first try never got here: it is news.
        message(relative, transport_id=9, arrived_us=NOW_US + 3_000_000, repeated=True),
        # Sent again once more.
        message(relative, transport_id=9, arrived_us=NOW_US + 4_000_000, repeated=True),
        # Unmarked with a used number: the broker has come round to it again.
        message(relative, transport_id=7, arrived_us=NOW_US + 5_000_000),
    )
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.repeated) == (2, 2)
    assert [
        row[0] for row in rows(tmp_path, "SELECT epoch_us(sampled_at) FROM sample ORDER BY 1")
    ] == [NOW_US + s * 1_000_000 for s in (0, 1, 3, 5)]


def test_damage_in_the_journal_is_quarantined_with_its_bytes(tmp_path: Path) -> None:
    journal(tmp_path, message(supply(1)), message(supply(2, 1)), message(supply(3, 2)))
    entries = list(read_from(tmp_path))
    path = segment_path(journal_folder(tmp_path), 1)
    whole = bytearray(path.read_bytes())
    whole[entries[1].begin.offset + 40] ^= 1
    path.write_bytes(whole)
    take_all(tmp_path)
    assert rows(tmp_path, "SELECT supply_pa FROM sample ORDER BY 1") == [(1.0,), (3.0,)]
    begin, end = entries[1].begin.offset, entries[1].end.offset
    assert rows(tmp_path, "SELECT reason, detail, octet_length(payload) FROM quarantine") == [
        (
            reasons.JOURNAL_DAMAGED,
            f"segment 1, {end - begin} bytes from {begin}",
            end - begin,
        )
    ]


class Killed(BaseException):
    """Stands for the process ending at a step."""


@pytest.mark.parametrize(
    ("module", "step"),
    [
        ("ingest.store.write", "decode_batch"),
        ("ingest.store.write", "store_batch"),
        ("ingest.store.batch", "insert_heard"),
        ("ingest.store.insert", "_insert_tall"),
        ("ingest.store.insert", "_touch"),
        ("ingest.store.quarantine", "put"),
        ("ingest.store.batch", "_count"),
        ("ingest.store.write", "_move_mark"),
    ],
)
@pytest.mark.parametrize("after", [False, True])
def test_an_end_at_any_step_neither_loses_nor_doubles(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, step: str, after: bool
) -> None:
    journal(
        tmp_path,
        *[
            message(
                supply(n, n),
                {"n": "pot-1/air_temp", "u": "Cel", "v": 20},
                {"n": "x", "v": 1},
                transport_id=n + 1,
            )
            for n in range(6)
        ],
    )
    writer = StoreWriter(tmp_path, POTS, 2)
    writer.take()
    target = f"{module}.{step}"
    import importlib

    real: Callable[..., Any] = getattr(importlib.import_module(module), step)

    def killed(*arguments: Any, **named: Any) -> Any:
        if after:
            real(*arguments, **named)
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr(target, killed)
        with pytest.raises(Killed):
            writer.take()
    take_all(tmp_path, 3)
    assert rows(tmp_path, "SELECT count(*), count(DISTINCT sampled_at) FROM sample") == [(6, 6)]
    assert rows(tmp_path, "SELECT count(*) FROM reading") == [(1,)]
    assert rows(tmp_path, "SELECT count(*) FROM quarantine") == [(6,)]
    assert rows(tmp_path, "SELECT messages, readings, repeated FROM source_count") == [(6, 7, 5)]


def test_a_held_store_makes_the_batch_wait_and_is_not_counted_twice(tmp_path: Path) -> None:
    relative = {"n": "pot-1/supply", "u": "Pa", "v": 5}
    journal(tmp_path, message(relative, transport_id=4))
    writer = StoreWriter(tmp_path, POTS)
    writer.take()
    journal(tmp_path, message(relative, transport_id=5, arrived_us=NOW_US + 1, repeated=True))
    holder = duckdb.connect(str(store_path(tmp_path)), read_only=True)
    for _ in range(2):
        with pytest.raises(StoreBusy):
            writer.take(wait_s=0.05)
    holder.close()
    taken = writer.take()
    assert taken is not None
    assert (taken.readings, taken.repeated) == (1, 0)


def test_two_writers_do_not_double(tmp_path: Path) -> None:
    """One may be left over from an ingest that was killed."""
    journal(tmp_path, *[message(supply(n, n)) for n in range(9)])
    one, other = StoreWriter(tmp_path, POTS, 2), StoreWriter(tmp_path, POTS, 3)
    one.take()
    other.take()
    while one.take() or other.take():
        pass
    assert rows(tmp_path, "SELECT messages, readings, repeated FROM source_count") == [(9, 9, 0)]
    assert one.at == stored_mark(tmp_path)


def test_far_apart_instants_are_found_again(tmp_path: Path) -> None:
    far = [message(supply(n, -n * 86_400 * 15)) for n in range(40)]
    journal(tmp_path, *far)
    take_all(tmp_path)
    journal(tmp_path, *far)
    (taken,) = take_all(tmp_path)
    assert (taken.readings, taken.repeated) == (0, 40)


values = st.sampled_from([0.0, 1.0, 700_000.0, 3e6])
records = st.builds(
    lambda pot, channel, at, value, relative: {
        "n": f"{pot}/{channel[0]}",
        **({"u": channel[1]} if channel[1] else {}),
        **({"t": NOW_US / 1e6 + at} if not relative else {"t": at}),
        **(
            {"vb": value > 0}
            if channel[0] == "deadman"
            else {"vs": str(value)}
            if channel[0] == "state"
            else {"v": value}
        ),
    },
    st.sampled_from(["pot-1", "pot-2", "pot-3"]),
    st.sampled_from(
        [("supply", "Pa"), ("supply", "hPa"), ("supply", "mA"), ("pot", "Pa"), ("deadman", None),
         ("seq", "count"), ("air_temp", "Cel"), ("odd", "V"), ("state", None), ("pot", "bar")]
    ),
    st.sampled_from([0.0, -1.0, -0.5, 100_000.0]),
    values,
    st.booleans(),
)  # fmt: skip
sent = st.builds(
    lambda found, late, again, number: message(
        *found, arrived_us=NOW_US + late * 500_000, repeated=again, transport_id=number
    ),
    st.lists(records, min_size=1, max_size=5),
    st.integers(0, 2),
    st.booleans(),
    st.integers(0, 3),
)

TABLES = (
    "SELECT pot, sampled_at, * EXCLUDE (pot_id, sampled_at) FROM sample JOIN pot USING (pot_id)",
    "SELECT pot, channel, unit, sampled_at, arrived_at, value, text, message_id "
    "FROM reading JOIN pot USING (pot_id) JOIN channel USING (channel_id)",
    "SELECT * EXCLUDE (quarantine_id) FROM quarantine",
    "FROM source_count",
    "FROM mark",
    "SELECT pot, min(from_at), max(to_at) FROM touched JOIN pot USING (pot_id) GROUP BY pot",
    "SELECT pot, channel, unit, known FROM channel JOIN pot USING (pot_id)",
)


MESSAGES_AND_SIZES = given(
    st.lists(sent, min_size=1, max_size=8),
    st.lists(st.integers(1, 4), min_size=1, max_size=8),
)


@settings(max_examples=8, deadline=None)
@MESSAGES_AND_SIZES
def test_the_tables_do_not_depend_on_the_batches(
    tmp_path_factory: pytest.TempPathFactory, messages: list[RawMessage], sizes: list[int]
) -> None:
    at_once = tmp_path_factory.mktemp("once")
    in_parts = tmp_path_factory.mktemp("parts")
    for data in (at_once, in_parts):
        journal(data, *messages)
    take_all(at_once)
    for size in [*sizes, *[1] * len(messages)]:
        # A new writer each time: its memory must not matter either.
        StoreWriter(in_parts, POTS, size).take()
    for table in TABLES:
        query = f"FROM ({table}) ORDER BY ALL"
        assert rows(at_once, query) == rows(in_parts, query), table


test_the_tables_do_not_depend_on_the_batches_many_times = pytest.mark.slow(
    settings(max_examples=40, deadline=None)(
        MESSAGES_AND_SIZES(test_the_tables_do_not_depend_on_the_batches.hypothesis.inner_test)
    )
)


def test_insert_readings_takes_frames_and_says_what_became_of_each(tmp_path: Path) -> None:
    at = dt.datetime(2025, 1, 1, 12)
    frame = pl.DataFrame(
        {
            "pot": ["p"] * 5,
            "channel": ["pot", "pot", "pot", "deadman", "note"],
            "unit": ["Pa", "Pa", "Pa", "/", ""],
            "sampled_at": [at] * 5,
            "arrived_at": [at] * 5,
            "value": [5.0, 5.0, 6.0, 1.0, None],
            "message_id": [-1] * 5,
            "text": [None, None, None, None, "hello"],
        },
        schema_overrides={"sampled_at": pl.Datetime("us"), "arrived_at": pl.Datetime("us")},
    )
    with write_window(tmp_path) as con:
        assert insert_readings(con, frame).to_list() == [
            Status.NEW, Status.REPEATED, Status.CONFLICT, Status.NEW, Status.NEW,
        ]  # fmt: skip
    with write_window(tmp_path) as con:
        assert insert_readings(con, frame).to_list() == [
            Status.REPEATED, Status.REPEATED, Status.CONFLICT, Status.REPEATED, Status.REPEATED,
        ]  # fmt: skip
        assert insert_readings(con, frame.clear()).to_list() == []
        with pytest.raises(ValueError, match="kept in Pa"):
            insert_readings(con, frame.with_columns(unit=pl.lit("bar")))
    assert rows(tmp_path, "SELECT pot_pa, deadman FROM sample") == [(5.0, True)]


def test_an_empty_batch_is_no_trouble(tmp_path: Path) -> None:
    empty = batch.decode_batch([], [], POTS)
    with write_window(tmp_path) as con:
        assert batch.store_batch(con, empty)[:4] == (0, 0, 0, 0)
    assert StoreWriter(tmp_path, POTS).take() is None
    assert np.array_equal(empty.message_of, [])
