"""Figures over archived days are those over hot ones, to the bit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analytics import frames, piece_frames
from analytics.pipeline import derive
from ingest.config import Yard
from ingest.store import archive, archive_reading
from ingest.store.connection import read_window, write_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

BEGIN = dt.datetime(2026, 3, 2, 23)
NOW = dt.datetime(2026, 3, 6)
DERIVED = ("cycle", "gap", "signal_fault", "zero_rest", "part_usage", "part_stay", "condition")


def night(begin: dt.datetime, seconds: int, seed: int) -> pl.DataFrame:
    """A dead-man that comes and goes, and pressures in the steps of a transducer."""
    rng = np.random.default_rng(seed)
    at = np.arange(0, seconds, 0.5)
    edges = np.cumsum(rng.choice([8, 30, 200, 400], size=seconds))
    deadman = np.searchsorted(edges, at) % 2 == 1
    pot = np.convolve(np.where(deadman, 700e3, 0.0), np.full(8, 1 / 8))[: at.size]
    noise = rng.normal(0, 300, (3, at.size))
    return pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": deadman,
            "supply_pa": np.round((720e3 + noise[0]) / 250) * 250,
            "pot_pa": np.round((pot + noise[1]) / 250) * 250,
            "nozzle_pa": np.round((pot * 0.9 + noise[2]) / 250) * 250,
        }
    ).with_columns(pl.col("supply_pa", "pot_pa", "nozzle_pa") + 0.0)


def tables(data: Path) -> dict[str, pl.DataFrame]:
    with read_window(data) as con:
        return {name: con.sql(f"SELECT * FROM {name} ORDER BY ALL").pl() for name in DERIVED}


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    for name, frame in one.items():
        assert frame.equals(other[name]), name


def test_a_full_derive_over_archived_days_gives_identical_tables(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    data = tmp_path / "data"
    # Over midnight, so that cycles and gaps lie across the files' edge.
    put_samples(data, "pot-1", night(BEGIN + dt.timedelta(minutes=30), 3600, 1))
    put_samples(data, "pot-1", night(BEGIN + dt.timedelta(days=2), 900, 2))
    derive(data, yard, full=True, now=NOW)
    hot = tables(data)
    assert len(hot["cycle"]) > 10
    with read_window(data) as con:
        told = (
            frames.samples(con, 1), frames.extent(con, 1), frames.last_heard(con, 1),
            frames.arrivals(con, 1), frames.clock_messages(con, 1),
            frames.deadman(con, 1, BEGIN, NOW),
        )  # fmt: skip
    assert archive.archive(data, "yard", dt.date(2026, 3, 4)).files == 2
    with read_window(data) as con:
        assert con.execute("SELECT count(*) FROM sample").fetchall() == [(1800,)]
        again = (
            frames.samples(con, 1), frames.extent(con, 1), frames.last_heard(con, 1),
            frames.arrivals(con, 1), frames.clock_messages(con, 1),
            frames.deadman(con, 1, BEGIN, NOW),
        )  # fmt: skip
    for before, after in zip(told, again, strict=True):
        if isinstance(before, pl.DataFrame) and "sampled_at" in before.columns:
            assert isinstance(after, pl.DataFrame)
            assert before.sort("sampled_at").equals(after.sort("sampled_at"))
        else:
            assert before == after
    derive(data, yard, full=True, now=NOW)
    assert_same(hot, tables(data))


@pytest.mark.parametrize("many_a_day", [piece_frames._MANY_A_DAY, 0])
def test_days_with_samples_are_the_same_hot_and_archived_wherever_they_are_cut(
    tmp_path: Path,
    yard: Yard,
    put_samples: PutSamples,
    monkeypatch: pytest.MonkeyPatch,
    many_a_day: int,
) -> None:
    # Nought: not all samples are looked at, as where days have many.
    monkeypatch.setattr(piece_frames, "_MANY_A_DAY", many_a_day)
    data, day = tmp_path / "data", dt.timedelta(days=1)
    for begin in (BEGIN, BEGIN + 2 * day, BEGIN + 5 * day):
        put_samples(data, "pot-1", night(begin, 4500, 1))
    first, last = BEGIN, BEGIN + 5 * day + dt.timedelta(seconds=4499.5)
    cuts = [
        (None, None), (None, last), (first, last + day), (first + dt.timedelta(minutes=5), last),
        # A day whose samples all lie before the cut, and one whose samples all lie after it.
        (first + dt.timedelta(minutes=90), None), (None, first + dt.timedelta(minutes=60)),
        (first + day, first + 2 * day), (None, first),
    ]  # fmt: skip

    def heard() -> list[list[dt.datetime]]:
        with read_window(data) as con:
            return [piece_frames.begins_of_pieces(con, 1, day, *cut) for cut in cuts]

    with read_window(data) as con:
        at = frames.samples(con, 1)["sampled_at"]
    expected = [
        at.filter((at >= (begin or at[0])) & (at < (end or last + day))).dt.truncate("1d")
        for begin, end in cuts
    ]
    hot = heard()
    assert hot == [days.unique().sort().to_list() for days in expected]
    assert hot[4] != hot[0] != hot[5] and hot[6] == hot[7] == []
    derive(data, yard, full=True, now=NOW)
    assert archive.archive(data, "yard", dt.date(2026, 3, 6)).files == 4
    assert heard() == hot


@pytest.mark.slow
def test_what_comes_late_for_an_archived_day_is_derived_as_anything_late(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    whole = night(BEGIN, 5400, 3)
    late = pl.col("sampled_at").is_between(
        BEGIN + dt.timedelta(seconds=1500), BEGIN + dt.timedelta(seconds=2100)
    )
    never, data = tmp_path / "never", tmp_path / "data"
    put_samples(never, "pot-1", whole)
    derive(never, yard, full=True, now=NOW)
    put_samples(data, "pot-1", whole.filter(~late))
    derive(data, yard, now=NOW)
    archive.archive(data, "yard", dt.date(2026, 3, 4))
    with write_window(data) as con:
        archive_reading.bring_back(con, "sample", {(1, BEGIN.date())})
    put_samples(data, "pot-1", whole.filter(late))
    derive(data, yard, now=NOW)
    assert_same(tables(never), tables(data))
    assert archive.archive(data, "yard", dt.date(2026, 3, 4)).files == 1
    derive(data, yard, full=True, now=NOW)
    assert_same(tables(never), tables(data))


def test_a_corrected_clock_moves_archived_readings_too(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    data = tmp_path / "data"
    put_samples(data, "pot-1", night(BEGIN, 3600, 4))
    with write_window(data) as con:
        con.execute(
            "INSERT INTO clock_correction BY NAME SELECT 1 AS correction_id, 1 AS pot_id, "
            "$begin AS from_at, $end AS to_at, $begin AS arrived_from_at, $end AS arrived_to_at, "
            "-4000.0 AS offset_s, 1e-5 AS drift, 'offset' AS kind, 'set wrongly' AS reason, "
            "'boss' AS taken_by, $end AS taken_at, '' AS withdrawn_by",
            {"begin": BEGIN, "end": BEGIN + dt.timedelta(days=1)},
        )
    derive(data, yard, full=True, now=NOW)
    hot = tables(data)
    with read_window(data) as con:
        # A stretch before the day that the file is of, into which its readings are moved.
        early = frames.samples(con, 1, BEGIN - dt.timedelta(hours=2), BEGIN)
    assert len(early)
    archive.archive(data, "yard", dt.date(2026, 3, 4))
    with read_window(data) as con:
        assert frames.samples(con, 1, BEGIN - dt.timedelta(hours=2), BEGIN).equals(early)
        assert con.execute("SELECT count(*) FROM sample").fetchall() == [(0,)]
    derive(data, yard, full=True, now=NOW)
    assert_same(hot, tables(data))
