"""Most memory that deriving a yard takes, from few working days to a year of 8 pots at 10 Hz.

Run: python tests/bench/year_memory.py [--pots 8] [--days 1 30 250] [--folder FOLDER]

The store holds a shift of ten hours a pot and day, tiled by the database; a year has about 250 of
them. Each store is derived wholly by a process of its own, whose high-water mark is printed. Linux
only.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tempfile
import time
from pathlib import Path

import polars as pl
from bench_derive import put_samples, shift_samples
from bench_upkeep import yard_text
from rows_derive import peak_mb

from ingest.config import parse_yard
from ingest.store.connection import read_window, write_window

FIRST = dt.datetime(2025, 6, 2, 6)

#: Days of a pot that are tiled in a transaction: the database keeps all of one in memory.
_AT_ONCE = 24


def fill(data: Path, pots: int, days: int) -> int:
    """A store with a shift a day for each pot, five days a week; how many rows."""
    shift = shift_samples().with_columns(since=pl.col("sampled_at") - dt.datetime(2026, 3, 2, 6))
    with write_window(data) as con:
        con.execute("INSERT INTO pot SELECT i, 'pot-' || i FROM range(1, $n) t(i)", {"n": pots + 1})
    worked = [
        (pot_id, FIRST + dt.timedelta(days=day + day // 5 * 2))
        for day in range(days)
        for pot_id in range(1, pots + 1)
    ]
    for begin in range(0, len(worked), _AT_ONCE):
        with write_window(data) as con:
            for pot_id, at in worked[begin : begin + _AT_ONCE]:
                moved = pl.lit(at).cast(pl.Datetime("us"))
                samples = shift.select(
                    (moved + pl.col("since")).alias("sampled_at"),
                    "deadman", "supply_pa", "pot_pa", "nozzle_pa",
                )  # fmt: skip
                put_samples(con, pot_id, samples)
    with read_window(data) as con:
        ((rows,),) = con.execute("SELECT count(*) FROM sample").fetchall()
    return int(rows)


def main() -> None:
    """Fill, derive, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pots", type=int, default=8)
    parser.add_argument("--days", type=int, nargs="+", default=[1, 30, 250])
    parser.add_argument("--folder", type=Path, help="where stores are kept and found again")
    chosen = parser.parse_args()
    yard = parse_yard(yard_text(chosen.pots))
    with tempfile.TemporaryDirectory(prefix="memory-") as name:
        folder = chosen.folder or Path(name)
        for days in chosen.days:
            data = folder / f"{chosen.pots}-pots-{days}-days"
            begun = time.monotonic()
            rows = "rows as found" if data.exists() else f"{fill(data, chosen.pots, days):,} rows"
            filled = time.monotonic()
            most = peak_mb(data, yard)
            print(
                f"{days} days of {chosen.pots} pots, {rows} in {filled - begun:.0f} s: derived in "
                f"{time.monotonic() - filled:.0f} s, most memory {most} MB (want <= 600)",
                flush=True,
            )


if __name__ == "__main__":
    main()
