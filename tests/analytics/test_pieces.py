"""Pieces of a pot's time: what is read of them, alone and one after another."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from analytics import frames, piece_frames
from analytics.pieces import FoundPiece, found_from_store, pieces_between
from analytics.pipeline import piece_settings
from ingest.config import Yard
from ingest.store.connection import read_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

BEGIN = dt.datetime(2026, 3, 2, 6)


def stretch(begin: dt.datetime, seconds: int, **values: np.ndarray) -> pl.DataFrame:
    """Two samples a second."""
    at = [begin + dt.timedelta(seconds=i / 2) for i in range(2 * seconds)]
    return pl.DataFrame({"sampled_at": at, "deadman": [i % 400 > 250 for i in range(2 * seconds)]}
        | {name: pl.Series(some, nan_to_null=True) for name, some in values.items()})  # fmt: skip


def bits(values: pl.Series) -> list[int | None]:
    return values.reinterpret(signed=True).to_list()


def test_values_come_to_the_bit_however_their_steps_are_kept(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    data, rng = tmp_path / "data", np.random.default_rng(1)
    counts = rng.integers(-40, 3000, (3, 2000)).astype(float)
    nothing = np.where(np.arange(2000) % 7 == 0, np.nan, counts[2])
    day = dt.timedelta(days=1)
    put_samples(
        data, "pot-1",
        # Products of a step, quotients of one, and some of no step at all.
        stretch(BEGIN, 1000, supply_pa=counts[0] * 250, pot_pa=counts[1] / 10, nozzle_pa=nothing,
                inlet_pa=rng.normal(0, 1, 2000)),
    )  # fmt: skip
    # The step of one becomes finer, another is heard no more, and one has an odd value.
    odd = counts[1] / 10
    odd[1234] = np.pi
    put_samples(data, "pot-1", stretch(BEGIN + day, 1000, supply_pa=counts[0] * 125, pot_pa=odd))
    put_samples(data, "pot-1", stretch(BEGIN + 2 * day, 1000, supply_pa=counts[0] * 250))
    steps = []
    for first, after in ((0, 1), (1, 2), (2, 3), (0, 3), (5, 6)):
        from_at, to_at = BEGIN + first * day, BEGIN + after * day - dt.timedelta(microseconds=1)
        with read_window(data) as con:
            whole = frames.samples(con, 1, from_at, to_at)
            read = piece_frames.samples_heard(con, 1, from_at, to_at)
            bounds: dict[str, object] = {"pot": 1, "from_at": from_at, "to_at": to_at}
            names = tuple(read.columns[2:])
            _, kept = piece_frames._steps_heard(con, "sample_value", bounds, names)
            steps.append({name for name, step in kept.items() if step is not None})
        heard = [name for name in whole.columns if whole[name].null_count() < whole.height]
        assert read.columns == [name for name in heard if name != "quality"] or whole.is_empty()
        for name in read.columns:
            assert read[name].dtype == whole[name].dtype
            if read[name].dtype == pl.Float64:
                assert bits(read[name]) == bits(whole[name]), name
            else:
                assert read[name].equals(whole[name])
    # Or the ways of keeping them would not have been told apart.
    assert steps[0] >= {"supply_pa", "pot_pa", "nozzle_pa"} and "inlet_pa" not in steps[0]
    assert "pot_pa" not in steps[1] and "supply_pa" not in steps[3]


def test_pieces_of_one_task_are_those_that_are_found_one_by_one(
    tmp_path: Path, yard: Yard, put_samples: PutSamples
) -> None:
    data, day = tmp_path / "data", dt.timedelta(days=1)
    pressure = np.where(np.arange(14_400) % 400 > 250, 7e5, 0.0)
    # A shift, one over midnight, one that begins just before midnight, and days of silence.
    for begin, seconds in (
        (BEGIN, 7200), (BEGIN + dt.timedelta(hours=17), 7200), (BEGIN + 4 * day, 7200),
        (BEGIN + 5 * day + dt.timedelta(hours=17, minutes=59, seconds=59), 600),
    ):  # fmt: skip
        put_samples(data, "pot-1", stretch(begin, seconds, pot_pa=pressure[: 2 * seconds]))
    # Pressures alone, without the dead-man, between two days with it.
    alone = stretch(BEGIN + 8 * day, 600, pot_pa=pressure[:1200])
    put_samples(data, "pot-1", alone.with_columns(deadman=pl.lit(None, pl.Boolean)))
    put_samples(data, "pot-1", stretch(BEGIN + 9 * day, 600, pot_pa=pressure[:1200]))
    settings = piece_settings(yard, "pot-1")
    with read_window(data) as con:
        pieces = pieces_between(con, 1)
    assert len(pieces) > 5
    together = found_from_store(data, pieces, settings)
    apart = [found_from_store(data, [piece], settings)[0] for piece in pieces]
    assert [told(each) for each in together] == [told(each) for each in apart]
    assert sum(each.found.whole.shape[0] for each in apart) > 50
    assert sum(each.found.gaps.shape[0] for each in apart) == 4


def told(found: FoundPiece) -> str:
    """All of it, to be compared."""
    with np.printoptions(threshold=10**9, floatmode="unique"):
        return repr(found)
