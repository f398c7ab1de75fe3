"""How a box was heard: what was really lost, late or restarted is what is found."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
from hypothesis import given
from hypothesis import strategies as st

from analytics.boxes import health, lost_messages, silent_beside_others

START = dt.datetime(2026, 1, 5, 8)


def heard(seconds: list[float], seq: list[int | None], late_s: float = 0.1) -> pl.DataFrame:
    at = [START + dt.timedelta(seconds=s) for s in seconds]
    return pl.DataFrame(
        {
            "sampled_at": at,
            "arrived_at": [one + dt.timedelta(seconds=late_s) for one in at],
            "seq": seq,
        },
        schema={
            "sampled_at": pl.Datetime("us"), "arrived_at": pl.Datetime("us"), "seq": pl.Int64,
        },
    )  # fmt: skip


@given(
    st.integers(0, 10**9),
    st.sets(st.integers(1, 298), max_size=60),
    st.randoms(use_true_random=False),
    st.sets(st.integers(0, 299), max_size=20),
)
def test_what_was_taken_out_is_what_is_lost(first: int, gone: set[int], rng, twice) -> None:  # type: ignore[no-untyped-def]
    sent = [n for n in range(300) if n not in gone]
    sent += [n for n in twice if n not in gone]
    sent.sort()
    # Neighbours overtake each other.
    for at in range(0, len(sent), 20):
        part = sent[at : at + 20]
        rng.shuffle(part)
        sent[at : at + 20] = part
    assert lost_messages(np.array([first + n for n in sent])) == (len(gone), 0)


# A counter that falls by no more than 100 may be a message overtaken, not a restart.
@given(st.lists(st.tuples(st.integers(150, 3000), st.integers(0, 48)), min_size=1, max_size=6))
def test_restarts_are_counted_and_nothing_is_lost_over_them(runs: list[tuple[int, int]]) -> None:
    counters = np.concatenate([np.arange(begin, begin + length) for length, begin in runs])
    assert lost_messages(counters) == (0, len(runs) - 1)


def test_a_backlog_that_comes_after_newer_messages_is_neither_lost_nor_a_restart() -> None:
    counters = [*range(5000, 5100), *range(7000, 7050), *range(5100, 7000), *range(7050, 7100)]
    assert lost_messages(np.array(counters)) == (0, 0)
    del counters[120]
    assert lost_messages(np.array(counters)) == (1, 0)


def test_rate_silence_and_lateness() -> None:
    seconds = [n / 10 for n in range(600)] + [90 + n / 10 for n in range(600)]
    found = health(heard(seconds, list(range(1200))), gap_s=2.0)
    assert found.instants == 1200
    assert found.rate_hz is not None and abs(found.rate_hz - 10.0) < 1e-6
    assert (found.silences, found.lost, found.late) == (1, 0, 0)
    assert abs(found.silent_s - 30.1) < 1e-6
    slow = health(heard(seconds, [None] * 1200, late_s=45.0), gap_s=60.0)
    assert (slow.lost, slow.late, slow.latest_s, slow.silences) == (None, 1200, 45.0, 0)
    nothing = health(heard([], []), gap_s=2.0)
    assert (nothing.instants, nothing.last_at, nothing.lost) == (0, None, None)


def test_a_gap_of_the_counter_needs_no_silence_and_silence_no_gap_of_the_counter() -> None:
    found = health(heard([0.0, 0.1, 0.2, 0.3], [1, 2, 9, 10]), gap_s=2.0)
    assert (found.lost, found.silences) == (6, 0)
    found = health(heard([0.0, 0.1, 50.0, 50.1], [1, 2, 3, 4]), gap_s=2.0)
    assert (found.lost, found.silences) == (0, 1)


def test_one_silent_among_talkers_is_told_and_all_silent_are_not() -> None:
    now = START + dt.timedelta(minutes=30)
    at = {"a": now - dt.timedelta(seconds=5), "b": now - dt.timedelta(minutes=3), "c": START}
    found = silent_beside_others(at, {"b": 2.0}, now)
    assert [(s.pot, s.talking) for s in found] == [("c", ("a",)), ("b", ("a",))]
    # A box that is allowed long gaps is not silent yet.
    assert [s.pot for s in silent_beside_others(at, {"b": 30.0}, now)] == ["c"]
    assert silent_beside_others(at, {}, now + dt.timedelta(hours=1)) == []
    assert silent_beside_others({}, {}, now) == []
