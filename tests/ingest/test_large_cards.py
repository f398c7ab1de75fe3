"""A card file larger than 2 GiB comes in whole, in memory that does not grow with it.

Where an offset or a size were kept in 32 bits with a sign, 2 GiB is where it would show.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from ingest.store.connection import read_window

YARD = """\
[site]
name = "y"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
"""
# In a process of its own, so that the highest memory is that of the import alone.
IMPORT = """
import resource, sys
from pathlib import Path
from ingest.card_import import bring_in
from ingest.config import parse_yard
yard = parse_yard(Path(sys.argv[1]).read_text())
(outcome,) = bring_in(Path(sys.argv[2]), yard, [Path(sys.argv[3])], "pot-1")
print(outcome.readings, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""
BEGIN_MS = 1_740_000_000_000
STEP_MS = 20
ROWS_AT_ONCE = 500_000
CHANNELS = ("supply_pa", "inlet_pa", "pot_pa", "nozzle_pa")


def write_card(path: Path, size_bytes: int) -> int:
    """Write a wide card of four pressures and the dead-man, a stretch at a time; gives its rows."""
    rng = np.random.default_rng(7)
    rows = 0
    with path.open("wb") as file:
        while file.tell() < size_bytes:
            number = np.arange(rows, rows + ROWS_AT_ONCE)
            at = pl.Series(BEGIN_MS + STEP_MS * number).cast(pl.Datetime("ms"))
            frame = pl.DataFrame(
                {"time_utc": at.dt.strftime("%Y-%m-%dT%H:%M:%S%.3f+00:00")}
                | {name: 600_000 + 50_000 * rng.random(ROWS_AT_ONCE) for name in CHANNELS}
                | {"deadman": (number // 3000) % 2}
            )
            rows += ROWS_AT_ONCE
            # Found again only where the row before this number was read.
            frame[-1, CHANNELS[-1]] = float(rows)
            frame.write_csv(file, include_header=file.tell() == 0)
    return rows


def brought_in(folder: Path, size_bytes: int) -> tuple[int, float]:
    """Import a card of a size; gives the highest memory [MB] and how long it took [s]."""
    folder.mkdir()
    yard, card, data = folder / "yard.toml", folder / "card.csv", folder / "data"
    yard.write_text(YARD)
    rows = write_card(card, size_bytes)
    assert card.stat().st_size >= size_bytes
    began_s = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", IMPORT, str(yard), str(data), str(card)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    took_s = time.monotonic() - began_s
    readings, peak_mb = map(int, done.stdout.split())
    card.unlink()
    assert readings == rows * (len(CHANNELS) + 1)
    with read_window(data) as con:
        found = con.execute(
            "SELECT count(*), count(DISTINCT sampled_at), epoch_ms(min(sampled_at)), "
            "epoch_ms(max(sampled_at)), arg_max(nozzle_pa, sampled_at) FROM sample"
        ).fetchone()
    last_ms = BEGIN_MS + STEP_MS * (rows - 1)
    assert found == (rows, rows, BEGIN_MS, last_ms, rows)
    for left in data.glob("*"):
        if left.is_file():
            left.unlink()
    return peak_mb, took_s


@pytest.mark.slow
def test_a_card_of_more_than_2_gib_comes_in_with_bounded_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small_mb, _ = brought_in(tmp_path / "small", 256 << 20)
    large_mb, took_s = brought_in(tmp_path / "large", (2 << 30) + 1)
    with capsys.disabled():
        print(
            f"\ncard of 256 MiB: {small_mb} MB at most in memory; of 2 GiB: {large_mb} MB, "
            f"in {took_s:.0f} s"
        )
    assert large_mb < 1.25 * small_mb + 100
