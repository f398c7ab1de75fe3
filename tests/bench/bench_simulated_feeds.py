"""How fast the simulated pot runs, and how much a pot's year takes on disk.

Run: python tests/bench/bench_simulated_feeds.py [--days 5] [--rate 10] [--repeats 3]

Prints one JSON object. `times_baseline` is the figure to quote: making a history, against drawing
normal numbers and summing them with numpy over as many samples and channels in the same run, so a
slow or busy machine slows both.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np

from simulated_feeds import model
from simulated_feeds.history import HistorySummary, write_history
from simulated_feeds.plant import Plant, resting_state, start_cycle
from simulated_feeds.yard import plan_yard

CHANNELS = 3
SHIFTS_A_YEAR = 250
UNTIL = date(2026, 11, 20)


def seconds_of(work) -> float:
    start_s = time.perf_counter()
    work()
    return time.perf_counter() - start_s


def model_rate(rate_hz: float, hours: float = 2.0) -> float:
    """Give simulated seconds a wall second of the model alone, half of the time blasting."""
    plant = Plant()
    row = plant.row()
    state = resting_state(plant, abrasive_kg=250.0)
    samples = np.zeros((model.ROWS, round(60 * rate_hz)))
    half = samples.shape[1] // 2
    interval_s = 1.0 / rate_hz

    def work() -> None:
        for _ in range(round(hours * 60)):
            start_cycle(state)
            state["abrasive_kg"] = 200.0
            model.advance(state, row, True, interval_s, half, False, samples, 0)
            model.advance(state, row, False, interval_s, half, False, samples, half)

    work()
    return hours * 3600.0 / seconds_of(work)


def baseline(samples: int) -> None:
    """Draw as many numbers as the history has readings, and sum them up: no model, no file."""
    random = np.random.default_rng(1)
    for _ in range(CHANNELS):
        np.cumsum(random.standard_normal(samples))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=5)
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--repeats", type=int, default=3)
    asked = parser.parse_args()
    plan = plan_yard(7, UNTIL, asked.days, 3, asked.rate)
    model_rate(asked.rate, 0.05)  # compile, or load what was compiled
    ratios, took, summary = [], [], HistorySummary(0, 0, 0, 0, 0)
    for _ in range(asked.repeats):
        with tempfile.TemporaryDirectory() as folder:
            start_s = time.perf_counter()
            summary = write_history(plan, Path(folder))
            took.append(time.perf_counter() - start_s)
        count = summary.samples
        ratios.append(took[-1] / seconds_of(lambda count=count: baseline(count)))
    pot_seconds = summary.samples / asked.rate
    bytes_a_sample = summary.bytes_written / summary.samples
    shift_samples = summary.samples / summary.shifts
    print(
        json.dumps(
            {
                "rate_hz": asked.rate,
                "samples": summary.samples,
                "model_simulated_s_per_s": round(model_rate(asked.rate)),
                "history_simulated_s_per_s": round(pot_seconds / statistics.median(took)),
                "times_baseline": round(statistics.median(ratios), 2),
                "bytes_a_reading": round(bytes_a_sample / CHANNELS, 3),
                "mb_a_pot_year": round(bytes_a_sample * shift_samples * SHIFTS_A_YEAR / 1e6, 1),
            },
            indent=2,
        )
    )


if __name__ == "__main__":
    main()
