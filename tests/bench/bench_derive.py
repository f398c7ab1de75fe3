"""Time to derive one 10 h shift of four channels at 10 Hz, beside one Polars scan of the same.

Run: python tests/bench/bench_derive.py [--repeats 7]

Prints one JSON object. ``ratio_to_scan`` is the figure to quote: both are timed in turn in the same
run, so a slow or busy machine slows both.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from analytics.cycles import CycleSettings, find_cycles
from analytics.pipeline import derive
from analytics.signals import signals
from ingest.config import parse_yard
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

RATE_HZ, HOURS = 10, 10


def shift_samples(seed: int = 1) -> pl.DataFrame:
    """A shift of presses of about a minute with pauses, the pot and the nozzle following."""
    rng = np.random.default_rng(seed)
    count = RATE_HZ * 3600 * HOURS
    lengths = rng.integers(5 * RATE_HZ, 120 * RATE_HZ, size=count // (20 * RATE_HZ))
    edges = np.cumsum(lengths)
    deadman = np.searchsorted(edges, np.arange(count), side="right") % 2 == 1
    pot = np.zeros(count)
    for i in range(1, count):
        goal = 700e3 if deadman[i] else 0.0
        pot[i] = pot[i - 1] + 0.05 * (goal - pot[i - 1])
    noise = rng.normal(0, 300, (3, count))
    quantum = 250.0
    begin = dt.datetime(2026, 3, 2, 6)
    return pl.DataFrame(
        {
            "sampled_at": pl.datetime_range(
                begin,
                begin + dt.timedelta(hours=HOURS),
                f"{1000 // RATE_HZ}ms",
                closed="left",
                time_unit="us",
                eager=True,
            ),
            "deadman": deadman,
            "supply_pa": quantum * np.round((720e3 + noise[0]) / quantum) + 0.0,
            "pot_pa": quantum * np.round((pot + noise[1]) / quantum) + 0.0,
            "nozzle_pa": quantum * np.round((pot * 0.9 * deadman + noise[2]) / quantum) + 0.0,
        }
    )


def put_samples(con: duckdb.DuckDBPyConnection, pot_id: int, frame: pl.DataFrame) -> None:
    """Samples into the store as ingest leaves them, but for their messages."""
    add_samples(
        con,
        frame.with_columns(
            arrived_at="sampled_at", pot_id=pl.lit(pot_id), quality=pl.lit(0), message_id=pl.lit(0)
        ),
    )


def seconds_of(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=7)
    repeats = parser.parse_args().repeats
    frame = shift_samples()
    yard = parse_yard(
        '[site]\nname = "bench"\ntime_zone = "UTC"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 1_000_000\n'
    )
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        parquet = data / "shift.parquet"
        frame.write_parquet(parquet, compression="zstd")
        with write_window(data) as con:
            con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
            put_samples(con, 1, frame)
        samples = frame.with_columns(pl.lit(0).alias("quality")).with_columns(
            pl.lit(None, pl.Float64).alias(f"{c}_ma") for c in ("supply", "pot", "nozzle")
        )

        def scan() -> None:
            pl.scan_parquet(parquet).select(
                pl.col("deadman").sum(), pl.col("supply_pa", "pot_pa", "nozzle_pa").mean()
            ).collect()

        def transfer() -> None:
            with read_window(data) as con:
                con.sql("SELECT sampled_at, deadman, supply_pa, pot_pa, nozzle_pa FROM sample").pl()

        timed: dict[str, list[float]] = {"scan": [], "transfer": [], "cycles": [], "derive": []}
        for _ in range(repeats + 1):
            timed["scan"].append(seconds_of(scan))
            timed["transfer"].append(seconds_of(transfer))
            timed["cycles"].append(
                seconds_of(lambda: find_cycles(signals(samples, []), CycleSettings()))
            )
            timed["derive"].append(seconds_of(lambda: derive(data, yard, full=True)))
        median = {name: statistics.median(values[1:]) for name, values in timed.items()}
        with read_window(data) as con:
            ((cycles,),) = con.execute("SELECT count(*) FROM cycle").fetchall()
    print(
        json.dumps(
            {
                "bench": "derive one 10 h shift, 4 channels at 10 Hz",
                "cycles": cycles,
                **{f"{name}_s": round(value, 4) for name, value in median.items()},
                "cycles_ratio_to_scan": round(median["cycles"] / median["scan"], 1),
                "cycles_ratio_to_transfer": round(median["cycles"] / median["transfer"], 2),
                "ratio_to_scan": round(median["derive"] / median["scan"], 1),
                "ratio_to_transfer": round(median["derive"] / median["transfer"], 2),
            }
        )
    )


if __name__ == "__main__":
    main()
