"""The whole condition step of one 10 h shift at 10 Hz, against one scan of the same columns.

python tests/bench/bench_condition.py
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parent))
import condition_trials as trials

from analytics.condition import condition_of
from analytics.cycles import CycleSettings, find_cycles
from analytics.fill import PotFacts


def best_of(times: int, work: Callable[[], object]) -> float:
    """Least processor time of some runs [s]: that of one core, whatever else the machine does."""
    best = float("inf")
    for _ in range(times):
        begun = time.process_time()
        work()
        best = min(best, time.process_time() - begun)
    return best


def main() -> None:
    """Print the times and their ratio."""
    trial = trials.make_trial(5, 10.0, 10.0)
    signals = trials.read(trial, 10.0, 0.0025)
    cycles = find_cycles(signals, CycleSettings()).cycles
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    bags = trials.bags_entered(trial)
    condition_of(signals, cycles, facts, bags)  # compiled before it is timed

    def scan() -> pl.DataFrame:
        names = ("supply_pa", "pot_pa", "nozzle_pa")
        return signals.select(
            *(pl.col(n).mean().alias(f"{n}_mean") for n in names),
            *(pl.col(n).max().alias(f"{n}_max") for n in names),
            pl.col("deadman").sum(),
            pl.col("sampled_at").max(),
        )

    step_s = best_of(5, lambda: condition_of(signals, cycles, facts, bags))
    cycles_s = best_of(5, lambda: find_cycles(signals, CycleSettings()))
    scan_s = best_of(20, scan)
    print(f"{signals.height} samples, {cycles.height} cycles")
    print(f"one scan of the columns {1e3 * scan_s:8.2f} ms")
    print(f"finding the cycles      {1e3 * cycles_s:8.2f} ms, {cycles_s / scan_s:6.1f} scans")
    print(f"condition step          {1e3 * step_s:8.2f} ms, {step_s / scan_s:6.1f} scans")


if __name__ == "__main__":
    main()
