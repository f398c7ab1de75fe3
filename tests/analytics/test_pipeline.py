"""Incremental derive equals a full rebuild, whatever arrives in whatever order."""

from __future__ import annotations

import datetime as dt
import itertools
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics import frames, pipeline
from analytics.pieces import Piece
from analytics.pipeline import derive
from ingest import records
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

BEGIN = dt.datetime(2026, 3, 2, 6)
NOW = dt.datetime(2026, 3, 3)
DERIVED = (
    "cycle", "gap", "shift_summary", "part_usage", "part_stay", "part_check", "signal_fault",
    "zero_rest", "pressure_watch", "pot_day",
)  # fmt: skip


def run_of_a_pot(
    seconds: int, seed: int, rate_hz: float = 2.0, begin: dt.datetime = BEGIN
) -> pl.DataFrame:
    """A dead-man that comes and goes with a pot that follows it, and silences."""
    rng = np.random.default_rng(seed)
    at = np.arange(0, seconds, 1 / rate_hz)
    edges = np.cumsum(rng.choice([2, 8, 30, 200, 400], size=seconds))
    deadman = np.searchsorted(edges, at) % 2 == 1
    pot = np.zeros(at.size)
    for i in range(1, at.size):
        pot[i] = pot[i - 1] + (0.4 if deadman[i] else 0.2) * ((700e3 * deadman[i]) - pot[i - 1])
    heard = np.ones(at.size, dtype=bool)
    for start in rng.choice(seconds, size=4):
        heard &= ~((at >= start) & (at < start + rng.choice([3, 20, 300])))
    return pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": deadman,
            "supply_pa": 700e3 + rng.normal(0, 500, at.size),
            "pot_pa": pot + rng.normal(0, 500, at.size),
            "nozzle_pa": np.where(deadman, pot * 0.9, 0.0),
        }
    ).filter(pl.Series(heard))


def derived_tables(data: Path) -> dict[str, pl.DataFrame]:
    with read_window(data) as con:
        return {table: con.sql(f"SELECT * FROM {table} ORDER BY ALL").pl() for table in DERIVED}


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    for table in DERIVED:
        assert one[table].equals(other[table]), (table, one[table], other[table])


UNHURRIED = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
PIECES = given(
    seed=st.integers(0, 10_000),
    cuts=st.lists(st.integers(1, 2399), min_size=1, max_size=6, unique=True),
    order=st.randoms(use_true_random=False),
    derive_after=st.lists(st.booleans(), min_size=7, max_size=7),
)


@settings(max_examples=4, deadline=None, suppress_health_check=UNHURRIED)
@PIECES
def test_incremental_equals_full(
    yard: Yard,
    put_samples: PutSamples,
    seed: int,
    cuts: list[int],
    order: object,
    derive_after: list[bool],
) -> None:
    signal = run_of_a_pot(2400, seed)
    begin = signal["sampled_at"][0]
    bounds = [0, *sorted(cuts), 2400]
    pieces = [
        signal.filter(
            (pl.col("sampled_at") >= begin + dt.timedelta(seconds=a))
            & (pl.col("sampled_at") < begin + dt.timedelta(seconds=b))
        )
        for a, b in itertools.pairwise(bounds)
    ]
    pieces = [p for p in pieces if p.height]
    order.shuffle(pieces)  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        for piece, now_and_then in zip(pieces, derive_after, strict=False):
            put_samples(data, "pot-1", piece)
            if now_and_then:
                derive(data, yard, now=NOW)
        assert not derive(data, yard, now=NOW).full or not any(derive_after[: len(pieces)])
        incremental = derived_tables(data)
        derive(data, yard, full=True, now=NOW)
        assert_same(incremental, derived_tables(data))
        assert incremental["cycle"].height > 0


test_incremental_equals_full_many_times = pytest.mark.slow(
    settings(max_examples=40, deadline=None, suppress_health_check=UNHURRIED)(
        PIECES(test_incremental_equals_full.hypothesis.inner_test)
    )
)


def test_pieces_of_a_long_stretch_fit_together(
    tmp_path: Path, yard: Yard, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_samples(tmp_path, "pot-1", run_of_a_pot(6 * 3600, seed=3))
    derive(tmp_path, yard, now=NOW)
    whole = derived_tables(tmp_path)
    monkeypatch.setattr("analytics.pieces.PIECE", dt.timedelta(minutes=20))
    derive(tmp_path, yard, full=True, now=NOW)
    assert_same(whole, derived_tables(tmp_path))
    assert whole["cycle"].height > 20


def test_what_comes_in_while_it_is_derived_was_heard_as_far_as_cycles_reach(
    tmp_path: Path, yard: Yard, put_samples: PutSamples, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else a cycle would lie in time that counts as not heard, and a shift's pauses be negative."""
    samples = run_of_a_pot(1200, 3)
    held = samples.filter(pl.col("deadman"))["sampled_at"]
    middle = held[held.len() // 2]
    first_at = held[held.len() // 4]
    known = pl.col("sampled_at").is_between(first_at, middle)
    put_samples(tmp_path, "pot-1", samples.filter(known))
    found_in_rounds = pipeline._found_in_rounds
    late = samples.filter(~known)

    def with_more(*arguments: Any) -> Iterator[Any]:
        nonlocal late
        if late.height:
            put_samples(tmp_path, "pot-1", late)
        late = late.clear()
        yield from found_in_rounds(*arguments)

    monkeypatch.setattr(pipeline, "_found_in_rounds", with_more)
    derive(tmp_path, yard, now=NOW)
    with read_window(tmp_path) as con:
        ((begun, reached),) = con.execute(
            "SELECT min(span_from_at), max(span_to_at) FROM cycle"
        ).fetchall()
        heard = frames.heard_extents(con)[1]
    assert heard == (samples["sampled_at"][0], samples["sampled_at"][-1])
    assert heard[0] <= begun < first_at and middle < reached <= heard[1]
    first = derived_tables(tmp_path)
    derive(tmp_path, yard, now=NOW)
    assert_same(derived_tables(tmp_path), first)


def test_changed_settings_derive_everything_anew(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", run_of_a_pot(1200, seed=5))
    assert derive(tmp_path, yard, now=NOW).full == ("pot-1",)
    assert derive(tmp_path, yard, now=NOW).pots == ()
    stricter = yard.model_copy(
        update={"derive": yard.derive.model_copy(update={"pressurised_on": 0.95})}
    )
    before = derived_tables(tmp_path)["cycle"]["blast_s"].sum()
    assert derive(tmp_path, stricter, now=NOW).full == ("pot-1",)
    assert derived_tables(tmp_path)["cycle"]["blast_s"].sum() < before


def _enter(data: Path, yard: Yard, kind: str, **body: object) -> str:
    return records.add(
        data, yard, kind, body, by="Supervisor A", via="command",
        at=dt.datetime(2026, 3, 2, 20, tzinfo=dt.UTC),
    )  # fmt: skip


def test_a_shift_is_partitioned_and_carries_what_people_entered(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", run_of_a_pot(4 * 3600, seed=8))
    _enter(tmp_path, yard, "crew", crew="crew-a", size=3)
    _enter(tmp_path, yard, "job", job="tank-1", rust_grade="B", prep_grade="Sa 2 1/2")
    _enter(
        tmp_path, yard, "shift", shift="monday", crew="crew-a", job="tank-1", pots=["pot-1"],
        from_at="2026-03-02T07:30+01:00", to_at="2026-03-02T11:30+01:00", people=3,
    )  # fmt: skip
    _enter(tmp_path, yard, "area", job="tank-1", shift="monday", pot="pot-1", area_m2=30.0,
           at="2026-03-02T11:00+01:00")  # fmt: skip
    # This one names no shift: its instant does.
    _enter(tmp_path, yard, "abrasive", pot="pot-1", at="2026-03-02T08:00+01:00", bags=24)
    derive(tmp_path, yard, now=NOW)
    with read_window(tmp_path) as con:
        shift = frames.shift_summaries(con).row(0, named=True)
    assert shift["elapsed_s"] == 4 * 3600
    parts = [shift[f"{name}_s"] for name in ("blast", "filling", "idle", "no_data")]
    assert sum(parts) == pytest.approx(shift["elapsed_s"], abs=1e-6)
    # Half an hour of the shift lies before the first reading, and the silences come on top.
    assert shift["no_data_s"] >= 0.0
    assert shift["blast_low_s"] < shift["blast_s"] < shift["blast_high_s"]
    assert shift["abrasive_kg"] == 600.0
    assert shift["abrasive_kg_m2"] == 20.0
    assert shift["area_m2_blast_h"] == pytest.approx(30.0 / (shift["blast_s"] / 3600))


def test_part_usage_begins_anew_with_a_good_check_but_not_with_a_worn_one(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", run_of_a_pot(4 * 3600, seed=8))

    def used() -> dict[str, tuple[dt.datetime, int]]:
        derive(tmp_path, yard, now=NOW)
        with read_window(tmp_path) as con:
            usage = frames.part_usage(con, "pot-1").filter(pl.col("part") == "pinch_hose")
        return {r["since"]: (r["from_at"], r["cycles"]) for r in usage.iter_rows(named=True)}

    heard = used()
    assert set(heard) == {"heard"}
    _enter(tmp_path, yard, "part_fitted", pot="pot-1", part="pinch_hose", at="2026-03-02T07:30")
    fitted = used()
    assert set(fitted) == {"fitted"}
    assert fitted["fitted"][1] < heard["heard"][1]
    _enter(tmp_path, yard, "check", pot="pot-1", part="pinch_hose", at="2026-03-02T08:30",
           result="worn")  # fmt: skip
    assert used() == fitted
    _enter(tmp_path, yard, "check", pot="pot-1", part="pinch_hose", at="2026-03-02T09:30",
           result="good")  # fmt: skip
    checked = used()
    assert checked["checked"][0] == dt.datetime(2026, 3, 2, 8, 30)
    assert checked["fitted"] == fitted["fitted"]
    assert checked["checked"][1] < fitted["fitted"][1]
    _enter(tmp_path, yard, "check", pot="pot-1", part="pinch_hose", at="2026-03-02T10:30",
           result="replaced")  # fmt: skip
    replaced = used()
    assert set(replaced) == {"fitted"}, "another part: nobody has checked it yet"
    assert replaced["fitted"][0] == dt.datetime(2026, 3, 2, 9, 30)


def test_reading_stays_possible_while_deriving_and_nothing_is_left_open(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    put_samples(tmp_path, "pot-1", run_of_a_pot(1200, seed=5))
    derive(tmp_path, yard, now=NOW)
    # A read-write open in this process proves that no connection was left behind.
    con = duckdb.connect(str(tmp_path / "gritbook.duckdb"))
    assert con.sql("SELECT count(*) FROM touched").fetchall() == [(0,)]
    con.close()


# --- a rebuild that is killed ------------------------------------------------------------------

YARD_TEXT = """
[site]
name = "test-yard"
time_zone = "UTC"

[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
"""

_REBUILD = """
import datetime as dt, os, signal, sys
from pathlib import Path
from analytics import pieces, pipeline
from ingest.config import load_yard
pieces.PIECE = dt.timedelta(minutes=20)
pipeline._ROUND, pipeline._TASK = 3, 1
written = pipeline._note_done
rounds = int(sys.argv[3])
def note(con, found, rebuilds):
    global rounds
    written(con, found, rebuilds)
    rounds -= 1
    if rounds < 0:
        os.kill(os.getpid(), signal.SIGKILL)
pipeline._note_done = note
told = []
pipeline.derive(Path(sys.argv[1]), load_yard(Path(sys.argv[2])), full=True,
                now=dt.datetime(2026, 3, 3), progress=told.append)
print(told)
"""


@pytest.mark.parametrize("rounds", [2, pytest.param(0, marks=pytest.mark.slow)])
def test_a_rebuild_that_is_killed_goes_on_where_it_was(
    tmp_path: Path, put_samples: PutSamples, rounds: int
) -> None:
    signal_of_pot = run_of_a_pot(6 * 3600, seed=3)
    late = pl.col("sampled_at").is_between(
        BEGIN + dt.timedelta(minutes=35), BEGIN + dt.timedelta(minutes=40)
    )
    put_samples(tmp_path, "pot-1", signal_of_pot.filter(~late))
    yard_file = tmp_path / "yard.toml"
    yard_file.write_text(YARD_TEXT)

    def rebuild(rounds: int) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-c", _REBUILD, str(tmp_path), str(yard_file), str(rounds)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    killed = rebuild(rounds)
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    with read_window(tmp_path) as con:
        ((done,),) = con.execute("SELECT count(*) FROM piece_done").fetchall()
    # The round in which it was killed was not committed.
    assert done == 3 * rounds
    # What comes in meanwhile lies in a piece that was done, and counts all the same.
    put_samples(tmp_path, "pot-1", signal_of_pot.filter(late))
    finished = rebuild(100)
    assert finished.returncode == 0, finished.stderr
    assert ("going on where it was left" in finished.stdout) == (rounds > 0)
    resumed = derived_tables(tmp_path)
    assert resumed["cycle"].height > 20
    with read_window(tmp_path) as con:
        assert con.sql("SELECT count(*) FROM touched").fetchall() == [(0,)]
        assert con.sql("SELECT count(*) FROM piece_done").fetchall() == [(0,)]
    derive(tmp_path, parse_yard(YARD_TEXT), full=True, now=NOW)
    assert_same(resumed, derived_tables(tmp_path))


@pytest.mark.parametrize("workers", [1, 2, 3])
@pytest.mark.parametrize("count", [1, 2, 5, 6, 7, 10, 12, 13, 36])
def test_tasks_hold_every_piece_once_and_are_of_one_size(count: int, workers: int) -> None:
    begin = dt.datetime(2026, 3, 2)
    days = [begin + dt.timedelta(days=day) for day in range(count + 1)]
    pieces = [Piece(1, *ends) for ends in itertools.pairwise(days)]
    tasks = list(pipeline._tasks(pieces, workers))
    assert [piece for task in tasks for piece in task] == pieces
    sizes = {len(task) for task in tasks}
    assert max(sizes) - min(sizes) <= 1 and max(sizes) <= pipeline._TASK
    # No worker is without a task while another has more than one piece.
    assert len(tasks) >= min(workers, count)
