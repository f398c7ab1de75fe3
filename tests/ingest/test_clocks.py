"""Boxes whose clocks are wrong: found from arrivals, corrected on request, and undone again."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from analytics.pipeline import derive
from dashboard.commands.clocks import clocks
from ingest.clocks import Correction, estimate
from ingest.config import parse_yard
from ingest.errors import RecordRefused
from ingest.readings import RawMessage
from ingest.store import clock_rows
from ingest.store.connection import read_window, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

BEGIN_US = 1_760_000_000_000_000
NOW = dt.datetime(2026, 3, 3)


def true_times(seconds: int) -> np.ndarray:
    return BEGIN_US + np.arange(seconds, dtype=np.int64) * 1_000_000


def way_us(size: int, seed: int = 1) -> np.ndarray:
    """A network that takes 20 ms, and now and then a second."""
    rng = np.random.default_rng(seed)
    return (20_000 + rng.exponential(30_000, size)).astype(np.int64)


def found(
    box_us: np.ndarray, arrived_us: np.ndarray, seq: np.ndarray | None = None
) -> list[Correction]:
    counter = np.arange(box_us.size, dtype=float) if seq is None else seq
    order = np.argsort(arrived_us, kind="stable")
    return estimate(box_us[order], arrived_us[order], counter[order])


def test_a_right_clock_has_nothing_to_correct() -> None:
    true = true_times(4 * 3600)
    assert found(true, true + way_us(true.size)) == []
    assert estimate(true[:0], true[:0], np.zeros(0)) == []
    assert estimate(true[:1], true[:1], np.zeros(1)) == []


def test_an_outage_whose_messages_come_later_is_no_wrong_clock() -> None:
    true = true_times(4 * 3600)
    arrived = true + way_us(true.size)
    # An hour without a network; then all of it at twenty messages a second.
    away = slice(3600, 7200)
    arrived[away] = true[7200] + (np.arange(3600) * 50_000)
    assert found(true, arrived) == []


@given(st.floats(-90_000, 90_000).filter(lambda s: abs(s) > 3))
def test_a_constant_offset_is_found_to_the_tenth(offset_s: float) -> None:
    true = true_times(1200)
    (one,) = found(true - round(offset_s * 1e6), true + way_us(true.size))
    assert one.kind == "offset"
    assert one.offset_s == pytest.approx(offset_s, abs=0.1)


@pytest.mark.parametrize("drift", [2e-4, -2e-4, 1e-3])
def test_drift_is_found_and_taken_back(drift: float) -> None:
    true = true_times(8 * 3600)
    box = BEGIN_US + ((true - BEGIN_US) * (1 - drift)).astype(np.int64)
    corrections = found(box, true + way_us(true.size))
    for begin in range(0, true.size, 1800):
        shifts = [
            c.shift_s(int(box[begin]))
            for c in corrections
            if c.arrived_from_us <= true[begin] < c.arrived_to_us
        ]
        left_s = (true[begin] - box[begin]) / 1e6 - (shifts[0] if shifts else 0.0)
        assert abs(left_s) < 0.5, (begin, left_s)
    assert "drift" in {c.kind for c in corrections}


def test_a_clock_that_is_set_and_a_box_that_starts_anew() -> None:
    true = true_times(3 * 3600)
    box = true.copy()
    box[:3600] -= 3_600_000_000  # an hour slow until somebody sets it
    box[7200:] += 40_000_000  # then it restarts, 40 s fast
    seq = np.concatenate((np.arange(7200.0), np.arange(3600.0)))
    corrections = found(box, true + way_us(true.size), seq)
    assert [(c.kind, round(c.offset_s)) for c in corrections] == [
        ("offset", 3600),
        ("restart", -40),
    ]
    assert corrections[0].arrived_to_us == pytest.approx(true[3600], abs=20_000_000)
    assert "after the box had started anew" in corrections[1].reason
    # Set without a restart it is a jump, and the reason says by how much.
    (_, jump) = found(box, true + way_us(true.size), np.arange(3 * 3600.0))
    assert jump.kind == "jump" and "set by +40.0 s" in jump.reason


def test_a_box_without_a_clock_is_placed_by_arrival_and_needs_nothing() -> None:
    arrived = true_times(3600) + way_us(3600)
    assert found(arrived, arrived) == []


def test_repetitions_after_a_lost_acknowledgement_are_no_restart() -> None:
    true = true_times(3600) - 10_000_000
    arrived = true + 10_000_000 + way_us(3600)
    seq = np.arange(3600.0)
    seq[1800:1805] = seq[1795:1800]
    assert {c.kind for c in found(true, arrived, seq)} == {"offset"}


# --- taken, applied, withdrawn -----------------------------------------------------------------

YARD = """
[site]
name = "yard"
time_zone = "UTC"
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["deadman", "seq"]
gap_s = 5
"""


def heard(data: Path, offset_s: int, seconds: int = 1800, first: int = 0) -> None:
    """Messages of a box whose clock is slow by ``offset_s``; blasting each other minute."""
    with Journal(data) as journal:
        for number in range(first, first + seconds):
            arrived_us = BEGIN_US + number * 1_000_000
            pack = [
                {"bn": "pot-1/", "bt": arrived_us / 1e6 - offset_s, "n": "seq", "v": number},
                {"n": "deadman", "vb": number // 60 % 2 == 1},
            ]
            journal.append(RawMessage("mqtt", "", "", arrived_us, False, json.dumps(pack).encode()))
    writer = StoreWriter(data, None)
    while writer.take():
        pass


def cycles(data: Path) -> pl.DataFrame:
    with read_window(data) as con:
        return con.sql("SELECT * FROM cycle ORDER BY pressed_at").pl()


def raw(data: Path) -> list[tuple[object, ...]]:
    with read_window(data) as con:
        return con.sql("SELECT * FROM sample ORDER BY sampled_at").fetchall()


def run(data: Path, yard: Path, *others: str) -> str:
    import typer

    app = typer.Typer()
    app.command()(clocks)
    done = CliRunner().invoke(app, ["--data", str(data), "--yard", str(yard), *others])
    return done.output


def test_a_correction_moves_figures_and_withdrawing_it_brings_them_back(tmp_path: Path) -> None:
    yard_file = tmp_path / "yard.toml"
    yard_file.write_text(YARD)
    yard, data = parse_yard(YARD), tmp_path / "data"
    heard(data, 3600)
    as_sent = raw(data)
    derive(data, yard, now=NOW)
    before = cycles(data)
    assert before.height == 15
    said = run(data, yard_file)
    assert "the box's clock was 3600.0 s slow" in said
    assert "needs a name" in run(data, yard_file, "--pot", "pot-1", "--take")
    assert "1 corrections taken" in run(data, yard_file, "--pot", "pot-1", "--take", "--by", "A")
    assert derive(data, yard, now=NOW).full == ("pot-1",)
    after = cycles(data)
    moved = (after["pressed_at"] - before["pressed_at"]).unique().to_list()
    assert moved == [dt.timedelta(seconds=3600)]
    assert after["deadman_s"].to_list() == before["deadman_s"].to_list()
    # What was sent stays as it was sent, and what is corrected is not found again.
    assert raw(data) == as_sent
    said = run(data, yard_file)
    assert "slow" not in said and "correction 1" in said and "taken by A" in said
    assert "is withdrawn" in run(data, yard_file, "--withdraw", "1", "--by", "B")
    derive(data, yard, now=NOW)
    assert cycles(data).equals(before)
    assert "withdrawn by B" in run(data, yard_file)
    assert "no correction 1 that holds" in run(data, yard_file, "--withdraw", "1", "--by", "B")


def test_with_a_correction_in_force_incremental_equals_full(tmp_path: Path) -> None:
    yard = parse_yard(YARD)
    heard(tmp_path, 3600)
    far = 10**17
    one = Correction(
        0, far, BEGIN_US - 3_600_000_000, BEGIN_US, 3600.0, 1e-4, "drift", "for a test"
    )
    with write_window(tmp_path) as con:
        clock_rows.put(con, "pot-1", [one], "A", NOW)
    derive(tmp_path, yard, now=NOW)
    heard(tmp_path, 3600, 900, 1800)
    done = derive(tmp_path, yard, now=NOW)
    assert done.pots == ("pot-1",) and done.full == ()
    in_parts = cycles(tmp_path)
    derive(tmp_path, yard, full=True, now=NOW)
    assert cycles(tmp_path).equals(in_parts)
    assert in_parts.height == 22


def test_two_corrections_for_the_same_arrivals_are_refused(tmp_path: Path) -> None:
    heard(tmp_path, 3600, 60)
    one = Correction(100, 200, 0, 1, 3600.0, 0.0, "offset", "for a test")
    with write_window(tmp_path) as con:
        assert clock_rows.put(con, "pot-1", [one], "A", NOW) == [1]
        beside = one._replace(arrived_from_us=200, arrived_to_us=300)
        assert clock_rows.put(con, "pot-1", [beside], "A", NOW) == [2]
        with pytest.raises(RecordRefused, match="some of the same arrivals"):
            clock_rows.put(con, "pot-1", [one._replace(arrived_from_us=199)], "A", NOW)
        with pytest.raises(RecordRefused, match="Nothing was ever heard"):
            clock_rows.put(con, "pot-7", [one], "A", NOW)
        clock_rows.withdraw(con, 1, "B", NOW)
        assert clock_rows.put(con, "pot-1", [one], "A", NOW) == [3]
