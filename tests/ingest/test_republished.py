"""A box without a clock that sends again by itself: known by its counter, and nothing else lost."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cbor2
import pytest

from ingest.readings import RawMessage
from ingest.store.connection import read_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

NOW_US = 1_760_000_000_000_000


def message(
    seq: int, after_s: float, pot_pa: float, age_s: float = 0.0, **others: Any
) -> RawMessage:
    pack = [
        {"bn": "pot-1/", "bt": -age_s, "n": "seq", "u": "count", "v": seq},
        {"n": "pot", "u": "Pa", "v": pot_pa},
        {"n": "deadman", "vb": seq % 2 == 1},
    ]
    return RawMessage(
        others.get("source", "mqtt"),
        "",
        "",
        NOW_US + round(after_s * 1e6),
        False,
        json.dumps(pack).encode(),
    )


def stored(data: Path, *batches: list[RawMessage], anew: bool = False) -> tuple[int, int, int]:
    """Instants in the store, and readings new and repeated; ``anew``: ingest starts each time."""
    writer = StoreWriter(data, None)
    new = repeated = 0
    for batch in batches:
        with Journal(data) as journal:
            for one in batch:
                journal.append(one)
        if anew:
            writer = StoreWriter(data, None)
        while taken := writer.take():
            new += taken.readings
            repeated += taken.repeated
    with read_window(data) as con:
        ((count,),) = con.sql("SELECT count(*) FROM sample").fetchall()
    return int(count), new, repeated


@pytest.mark.parametrize("anew", [False, True])
@pytest.mark.parametrize("source", ["mqtt", "serial:/dev/ttyUSB0"])
def test_the_same_counter_and_readings_again_are_a_repetition(
    tmp_path: Path, anew: bool, source: str
) -> None:
    first = [message(n, n, 650_000 + n, source=source) for n in range(10)]
    # The acknowledgements of 6 to 9 were lost: the box sends them again, each with its age now.
    again = [
        message(n, 20 + n / 10, 650_000 + n, age_s=20 - n, source=source) for n in range(6, 10)
    ]
    further = [message(n, 10 + n, 650_000 + n, source=source) for n in range(20, 25)]
    assert stored(tmp_path, first, [*again, *further], anew=anew) == (15, 45, 12)


def test_another_reading_under_the_same_counter_is_another_message(tmp_path: Path) -> None:
    before = [message(n, n, 650_000) for n in range(5)]
    after_restart = [message(n, 30 + n, 400_000) for n in range(5)]
    assert stored(tmp_path, before, after_restart) == (10, 30, 0)


def test_without_a_counter_the_same_again_is_new(tmp_path: Path) -> None:
    pack = json.dumps([{"n": "pot-1/pot", "u": "Pa", "v": 0}]).encode()
    heard = [RawMessage("mqtt", "", "", NOW_US + n * 10**6, False, pack) for n in range(20)]
    assert stored(tmp_path, heard) == (20, 20, 0)


def test_a_counter_that_stands_still_loses_no_more_than_two_messages(tmp_path: Path) -> None:
    heard = [message(7, n, 650_000) for n in range(50)]
    count, new, repeated = stored(tmp_path, heard)
    assert (count, new, repeated) == (48, 144, 6)


def test_an_hour_later_it_is_a_new_message(tmp_path: Path) -> None:
    assert (
        stored(tmp_path, [message(1, 0, 5.0), message(2, 1, 5.0)], [message(1, 3_700, 5.0)])[0] == 3
    )


def test_two_pots_do_not_know_each_others_counters(tmp_path: Path) -> None:
    one = message(1, 0, 650_000)
    other = one._replace(payload=one.payload.replace(b"pot-1/", b"pot-2/"), arrived_us=NOW_US + 9)
    assert stored(tmp_path, [one, other]) == (2, 6, 0)


def test_absolute_times_are_known_by_their_instant_alone(tmp_path: Path) -> None:
    def absolute(seq: int, second: int) -> RawMessage:
        pack = [{"n": "pot-1/seq", "v": seq, "bt": NOW_US / 1e6 + second}]
        return RawMessage("mqtt", "", "", NOW_US + 10**8, False, json.dumps(pack).encode())

    # A restarted box whose counter and readings are the same as before is heard in full.
    assert stored(tmp_path, [absolute(1, 0), absolute(1, 5), absolute(1, 5)]) == (2, 2, 1)


def test_cbor_is_known_as_well(tmp_path: Path) -> None:
    def packed(seq: int, after_s: int) -> RawMessage:
        payload = cbor2.dumps([{0: "pot-1/seq", 2: seq}, {0: "pot-1/pot", 1: "Pa", 2: 5.0}])
        kind = "application/senml+cbor"
        return RawMessage("mqtt", "", kind, NOW_US + after_s * 10**6, False, payload)

    heard = [packed(1, 0), packed(2, 1), packed(1, 2), packed(3, 3)]
    assert stored(tmp_path, heard) == (3, 6, 2)
