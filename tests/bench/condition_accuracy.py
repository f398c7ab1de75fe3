"""Write analytics/ACCURACY.md: how well the condition step does, against simulated truth.

    python tests/bench/condition_accuracy.py weigh OUT.json [POTS] [HOURS]
    python tests/bench/condition_accuracy.py faults OUT.json [POTS]
    python tests/bench/condition_accuracy.py page WEIGH.json FAULTS.json PAGE.md

The first two take minutes to half an hour; the page is made of what they measured.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import spearmanr

sys.path.insert(0, str(Path(__file__).resolve().parent))
import condition_trials as trials

RATES, NOISES = (5.0, 10.0, 25.0, 50.0), (0.0025, 0.01)


def weigh_one(task: tuple[int, float]) -> list[dict[str, Any]]:
    """One pot at 10 Hz with both noises, and every fourth pot at the other rates too."""
    number, hours = task
    trial = trials.make_trial(number, hours=hours)
    rates = RATES if number % 4 == 0 else (10.0,)
    return [
        trials.judged(trial, rate, noise) | {"rate_hz": rate, "noise": noise}
        for rate in rates
        for noise in NOISES
    ]


def weigh_all(pots: int, hours: float, workers: int = 2) -> list[dict[str, Any]]:
    """All pots, on two cores."""
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(workers) as pool:
        for found in pool.map(weigh_one, [(n, hours) for n in range(pots)]):
            rows += found
    return rows


def summed(rows: list[dict[str, Any]]) -> dict[str, float]:
    """The figures of a table's line from the trials behind it."""
    good = [row for row in rows if row["fitted"]]

    def column(name: str) -> np.ndarray:
        return np.array([row[name] for row in good])

    return {
        "pots": len(rows),
        "fitted": len(good),
        "rms": float(np.sqrt(np.mean(column("rms") ** 2))),
        "median": float(np.median(column("rms"))),
        "worst_tenth": float(np.quantile(column("rms"), 0.9)),
        "covered": float(np.mean(column("covered"))),
        "use_within_5": float(np.mean(np.abs(column("use_off")) < 0.05)),
        "use_rms": float(np.sqrt(np.mean(column("use_off") ** 2))),
        "use_covered": float(np.mean(column("use_covered"))),
        "recall": float(column("hit").sum() / column("tipped").sum()),
        "precision": float(column("found_right").sum() / max(column("found").sum(), 1)),
        "leak_rank": float(spearmanr(column("leak"), column("true_leak"))[0]),
        "anchored": float(np.mean(column("emptied") > 0)),
    }


def weigh_table(rows: list[dict[str, Any]]) -> list[str]:
    """Markdown lines: error by rate and noise."""
    lines = [
        "| rate, 1/s | noise, of range | pots | rms, of full load | median pot | worst tenth above "
        "| 90 % interval covers | use within 5 % | use, rms | use's interval covers "
        "| tippings: recall | precision | leak, rank correlation |",
        "|" + "---|" * 13,
    ]
    for noise in NOISES:
        for rate in RATES:
            s = summed([r for r in rows if r["rate_hz"] == rate and r["noise"] == noise])
            lines.append(
                f"| {rate:g} | {100 * noise:g} % | {s['pots']} | {100 * s['rms']:.2f} % "
                f"| {100 * s['median']:.2f} % | {100 * s['worst_tenth']:.2f} % "
                f"| {100 * s['covered']:.0f} % | {100 * s['use_within_5']:.1f} % "
                f"| {100 * s['use_rms']:.2f} % | {100 * s['use_covered']:.0f} % "
                f"| {s['recall']:.3f} | {s['precision']:.3f} | {s['leak_rank']:.2f} |"
            )
    return lines


def main() -> None:
    """Run what the command line asks for."""
    what, *rest = sys.argv[1:]
    if what == "weigh":
        pots, hours = int(rest[1]) if len(rest) > 1 else 200, float(rest[2]) if rest[2:] else 8.0
        Path(rest[0]).write_text(json.dumps(weigh_all(pots, hours)), encoding="utf-8")


if __name__ == "__main__":
    main()
