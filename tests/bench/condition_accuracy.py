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
import polars as pl
from scipy.stats import spearmanr

sys.path.insert(0, str(Path(__file__).resolve().parent))
import condition_trials as trials

from analytics.diagnosis import suggestions
from analytics.indicators import changes

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


FAULTS = (
    "pinch_leak", "popup_unseated", "slow_exhaust", "stays_pressurised", "pressurises_alone",
    "nozzle_wear", "wet_air", "over_pressure", "relief_early", "compressor_starved",
    "choke_part_shut", "metering_starved", "metering_flooded", "transducer_stuck",
    "transducer_drift", "loop_broken", "deadman_stuck", "deadman_missed",
)  # fmt: skip
SEVERITIES = {"transducer_drift": (0.01, 0.03), "loop_broken": (0.05, 0.2),
              "deadman_stuck": (0.05, 0.2), "deadman_missed": (0.05, 0.2)}  # fmt: skip


def fault_one(task: tuple[str, float, int]) -> dict[str, Any]:
    """Two shifts in good order, then one with the fault; or seven in good order."""
    fault, severity, number = task
    wrong: list[dict[str, float]] = [{}, {}, {fault: severity}] if fault else [{}] * 7
    frame, spans = trials.history(number, wrong, hours=5.0)
    charts = changes(frame)
    standing = charts.filter("signal")
    ill_from = spans[2][0] if fault else spans[-1][1]
    well = frame.filter(pl.col("pressed_at") < ill_from)
    ill = frame.filter(pl.col("pressed_at") >= ill_from)
    before = standing.filter(pl.col("at") < ill_from)
    after = standing.filter(pl.col("at") >= ill_from)
    first = after["at"].min() if after.height else None
    missed = ill.height if first is None else ill.filter(pl.col("pressed_at") < first).height
    named = [s.trouble for s in suggestions(charts)] if fault else []
    # A notice is a run of signals of one indicator.
    runs = before.select("indicator", "scatter", pl.col("at").dt.date()).unique().height
    return {
        "fault": fault, "severity": severity, "number": number, "well": well.height,
        "ill": ill.height, "missed": missed, "false_blocks": before.height, "false_notices": runs,
        "named_first": bool(named[:1] == [fault]), "named": fault in named[:3],
    }  # fmt: skip


def fault_all(pots: int, workers: int = 2) -> list[dict[str, Any]]:
    """Each fault at two severities on some pots, and pots in good order."""
    tasks = [("", 0.0, 400 + n) for n in range(6 * pots)]
    for number, fault in enumerate(FAULTS):
        for severity in SEVERITIES.get(fault, (0.25, 0.5)):
            tasks += [(fault, severity, 300 + 7 * number + n) for n in range(pots)]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(fault_one, tasks))


def fault_table(rows: list[dict[str, Any]]) -> list[str]:
    """Markdown lines: missed and false alarms by fault and severity."""
    lines = [
        "| fault | severity | cycles with it | missed, per 1,000 | false before it, per 1,000 "
        "| named first | among the first three |",
        "|" + "---|" * 7,
    ]
    for fault in FAULTS:
        for severity in SEVERITIES.get(fault, (0.25, 0.5)):
            mine = [r for r in rows if r["fault"] == fault and r["severity"] == severity]
            ill, well = sum(r["ill"] for r in mine), sum(r["well"] for r in mine)
            missed, false = sum(r["missed"] for r in mine), sum(r["false_blocks"] for r in mine)
            first, named = sum(r["named_first"] for r in mine), sum(r["named"] for r in mine)
            lines.append(
                f"| {fault} | {severity:g} | {ill} | {1000 * missed / max(ill, 1):.0f} "
                f"| {1000 * 8 * false / max(well, 1):.1f} | {first} of {len(mine)} "
                f"| {named} of {len(mine)} |"
            )
    return lines


def main() -> None:
    """Run what the command line asks for."""
    what, *rest = sys.argv[1:]
    if what == "weigh":
        pots, hours = int(rest[1]) if len(rest) > 1 else 200, float(rest[2]) if rest[2:] else 8.0
        Path(rest[0]).write_text(json.dumps(weigh_all(pots, hours)), encoding="utf-8")
    elif what == "faults":
        pots = int(rest[1]) if len(rest) > 1 else 3
        Path(rest[0]).write_text(json.dumps(fault_all(pots)), encoding="utf-8")
    elif what == "page":
        weighed, faults = (json.loads(Path(p).read_text(encoding="utf-8")) for p in rest[:2])
        page = Path(rest[2])
        text = page.read_text(encoding="utf-8")
        healthy = [r for r in faults if not r["fault"]]
        notices = sum(r["false_notices"] for r in healthy)
        cycles = sum(r["well"] for r in healthy)
        said = (
            f"Pots in good order: {notices} notices in {cycles} cycles of {len(healthy)} pots, "
            f"{4800 * notices / max(cycles, 1):.2f} a pot-month of 4,800 cycles."
        )
        for mark, lines in (
            ("weigh", weigh_table(weighed)), ("faults", [*fault_table(faults), "", said]),
        ):  # fmt: skip
            begin, end = f"<!-- {mark} -->", f"<!-- /{mark} -->"
            head, rest_text = text.split(begin)
            text = head + "\n".join([begin, *lines, end]) + rest_text.split(end)[1]
        page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
