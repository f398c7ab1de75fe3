"""Write analytics/ACCURACY.md: how well the condition step does, against simulated truth.

    python tests/bench/condition_accuracy.py weigh OUT.json [POTS] [HOURS] [FIRST]
    python tests/bench/condition_accuracy.py faults OUT.json [POTS HEALTHY DAYS [NOISE]]
    python tests/bench/condition_accuracy.py page WEIGH.json FAULTS.json PAGE.md

The first two take minutes to half an hour; the page is made of what they measured. A ``-`` in
place of a file leaves that table as it is.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import chi2, spearmanr

sys.path.insert(0, str(Path(__file__).resolve().parent))
import condition_trials as trials

from analytics.diagnosis import suggestions
from analytics.indicators import changes
from analytics.trouble_spans import trouble_spans

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


#: Pots below this number were looked at while the weighing was made and its intervals set; the
#: page's table is of pots from here on.
HELD_OUT_FROM = 1000


def weigh_all(
    pots: int, hours: float, first: int = HELD_OUT_FROM, workers: int = 2
) -> list[dict[str, Any]]:
    """All pots from number ``first`` on, on two cores."""
    rows: list[dict[str, Any]] = []
    with ProcessPoolExecutor(workers) as pool:
        for found in pool.map(weigh_one, [(first + n, hours) for n in range(pots)]):
            rows += found
    return rows


def summed(rows: list[dict[str, Any]]) -> dict[str, float]:
    """The figures of a table's line from the trials behind it."""
    good = [row for row in rows if row["fitted"] and row["told"]]

    def column(name: str) -> np.ndarray:
        return np.array([row[name] for row in good])

    return {
        "pots": len(rows),
        "told": len(good),
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
        "| rate, 1/s | noise, of range | pots | level told | rms, of full load | median pot "
        "| worst tenth above | 90 % interval covers | use within 5 % | use, rms "
        "| use's interval covers | tippings: recall | precision | leak, rank correlation |",
        "|" + "---|" * 14,
    ]
    for noise in NOISES:
        for rate in RATES:
            s = summed([r for r in rows if r["rate_hz"] == rate and r["noise"] == noise])
            lines.append(
                f"| {rate:g} | {100 * noise:g} % | {s['pots']} | {s['told']} "
                f"| {100 * s['rms']:.2f} % "
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
#: Low, middle and high severity; what comes and goes, or walks, is rarer in a yard than the rest.
SEVERITIES = {
    "stays_pressurised": (0.1, 0.25, 0.5),
    "transducer_stuck": (0.05, 0.15, 0.4),
    "transducer_drift": (0.003, 0.01, 0.03),
    "loop_broken": (0.02, 0.05, 0.2),
    "deadman_stuck": (0.02, 0.05, 0.2),
    "deadman_missed": (0.02, 0.05, 0.2),
}
USUAL_SEVERITIES = (0.25, 0.5, 0.75)
#: Cycles that a pot works in a month, at 200 a day on 24 days (our estimate).
MONTH_CYCLES = 4800
#: First pot of the trials with faults, and of those in good order; none of these was looked at
#: while indicators and limits were chosen.
FAULTY_FROM, HEALTHY_FROM = 3_100, 4_000


def severities(fault: str) -> tuple[float, float, float]:
    """Low, middle and high of a fault."""
    return SEVERITIES.get(fault, USUAL_SEVERITIES)


def faults_of_pot(task: tuple[int, float]) -> list[dict[str, Any]]:
    """One pot: two shifts in good order, then a day with each fault at each severity in turn."""
    number, noise = task
    well = pl.concat([trials.condition_of_shift(number, day, {}, noise) for day in (0, 1)])
    rows = []
    for fault in FAULTS:
        for severity in severities(fault):
            ill = trials.condition_of_shift(number, 2, {fault: severity}, noise)
            charts = changes(pl.concat([well, ill]))
            begin = ill["pressed_at"][0]
            signals = charts.filter(pl.col("signal") & (pl.col("at") >= begin))["at"]
            first = signals.min() if len(signals) else None
            missed = ill if first is None else ill.filter(pl.col("pressed_at") < first)
            named = suggestions(charts)
            best = named[0] if named else None
            rows.append(
                {
                    "fault": fault, "severity": severity, "number": number, "ill": ill.height,
                    "missed": missed.height, "seen": first is not None,
                    "alone": best is not None and best.trouble == fault and not best.alike,
                    "together": best is not None and bool(best.alike)
                    and fault in (best.trouble, *best.alike),
                    "among": any(fault in (s.trouble, *s.alike) for s in named[:3]),
                    "first_named": best.trouble if best else "",
                }
            )  # fmt: skip
    return rows


def healthy_pot(task: tuple[int, int, float]) -> list[dict[str, Any]]:
    """One pot in good order over many days: what signals, what is suggested, what is noticed."""
    number, days, noise = task
    frame = pl.concat(
        [trials.condition_of_shift(number, day, {}, noise, hours=8.0) for day in range(days)]
    )
    charts = changes(frame)
    signals = charts.filter("signal")
    # What stands between two blocks is what the page shows then; one indicator has them all.
    pace = charts.filter(pl.col("indicator") == "missing_share")["at"].to_list()
    stands: dict[str, list[int]] = {}
    for place, at in enumerate(pace):
        near = (signals["at"] <= at) & (signals["at"] > at - dt.timedelta(hours=16))
        if near.any():
            for suggestion in suggestions(charts, at):
                for trouble in (suggestion.trouble, *suggestion.alike):
                    stands.setdefault(trouble, []).append(place)
    spans = trouble_spans(charts, frame, pl.DataFrame(schema=FITTED))
    days_of = signals.select("indicator", "scatter", pl.col("at").dt.date()).unique()
    return [{
        "fault": "", "number": number, "cycles": frame.height, "blocks": len(pace),
        "indicator_days": days_of.height,
        "by_indicator": dict(days_of.group_by("indicator").len().sort("indicator").iter_rows()),
        "suggested": {name: len(places) for name, places in stands.items()},
        "runs": sum(1 + int((np.diff(places) > 1).sum()) for places in stands.values()),
        "spans": spans["trouble"].to_list(),
    }]  # fmt: skip


FITTED = {"part": pl.String, "at": pl.Datetime("us")}


def fault_all(out: Path, pots: int, well: int, days: int, noise: float) -> None:
    """Each fault at three severities on some pots, and many pots in good order; kept pot by pot."""
    rows: list[dict[str, Any]] = []
    tasks: list[Callable[[], list[dict[str, Any]]]] = []
    tasks += [partial(faults_of_pot, (FAULTY_FROM + n, noise)) for n in range(pots)]
    tasks += [partial(healthy_pot, (HEALTHY_FROM + n, days, noise)) for n in range(well)]
    for task in tasks:
        rows += task()
        out.write_text(json.dumps(rows), encoding="utf-8")


def fault_table(rows: list[dict[str, Any]]) -> list[str]:
    """Markdown lines: missed and false alarms by fault and severity."""
    healthy = [r for r in rows if not r["fault"]]
    blocks = sum(r["blocks"] for r in healthy)
    lines = [
        "| fault | severity | pots | cycles with it | missed, per 1,000 | named first, alone "
        "| first, with another | among the first three | suggested on healthy pots, per 1,000 |",
        "|" + "---|" * 9,
    ]
    for fault in FAULTS:
        stood = sum(r["suggested"].get(fault, 0) for r in healthy)
        for severity, word in zip(severities(fault), ("low", "middle", "high"), strict=True):
            mine = [r for r in rows if r["fault"] == fault and r["severity"] == severity]
            ill, missed = sum(r["ill"] for r in mine), sum(r["missed"] for r in mine)
            alone, both, among = (
                sum(r[what] for r in mine) for what in ("alone", "together", "among")
            )
            lines.append(
                f"| {fault} | {word}, {severity:g} | {len(mine)} | {ill} "
                f"| {1000 * missed / max(ill, 1):.0f} | {alone} | {both} | {among} "
                f"| {1000 * stood / max(blocks, 1):.1f} |"
            )
    return lines


def healthy_lines(rows: list[dict[str, Any]]) -> list[str]:
    """Sentences on the pots in good order."""
    healthy = [r for r in rows if not r["fault"]]
    cycles = sum(r["cycles"] for r in healthy)
    months = cycles / MONTH_CYCLES
    told = [
        f"Pots in good order: {len(healthy)}, {cycles} cycles, {months:.1f} pot-months of "
        f"{MONTH_CYCLES:,} cycles.",
        "",
        "| what counts as a notice | how many | a pot-month | 95 % upper bound |",
        "|" + "---|" * 4,
    ]
    for words, count in (
        (
            "a trouble noticed: it fits for two blocks and more",
            sum(len(r["spans"]) for r in healthy),
        ),
        ("a suggestion that comes up on the page", sum(r["runs"] for r in healthy)),
        (
            "an indicator marked as changed, each day anew",
            sum(r["indicator_days"] for r in healthy),
        ),
    ):
        most = chi2.ppf(0.95, 2 * (count + 1)) / 2.0
        told.append(f"| {words} | {count} | {count / months:.2f} | {most / months:.2f} |")
    by: dict[str, int] = {}
    for row in healthy:
        for name, days in row["by_indicator"].items():
            by[name] = by.get(name, 0) + days
    worst = sorted(by.items(), key=lambda item: -item[1])
    said = ", ".join(f"{name} {days}" for name, days in worst)
    return [*told, "", f"Indicator-days by indicator: {said or 'none'}."]


def main() -> None:
    """Run what the command line asks for."""
    what, *rest = sys.argv[1:]
    if what == "weigh":
        pots, hours = int(rest[1]) if len(rest) > 1 else 200, float(rest[2]) if rest[2:] else 8.0
        first = int(rest[3]) if rest[3:] else HELD_OUT_FROM
        Path(rest[0]).write_text(json.dumps(weigh_all(pots, hours, first)), encoding="utf-8")
    elif what == "faults":
        pots, well, days = (int(text) for text in rest[1:4]) if rest[3:] else (5, 48, 18)
        noise = float(rest[4]) if rest[4:] else 0.0025
        fault_all(Path(rest[0]), pots, well, days, noise)
    elif what == "page":
        page = Path(rest[2])
        text = page.read_text(encoding="utf-8")
        tables = {}
        if rest[0] != "-":
            weighed = json.loads(Path(rest[0]).read_text(encoding="utf-8"))
            tables["weigh"] = weigh_table(weighed)
        if rest[1] != "-":
            faults = json.loads(Path(rest[1]).read_text(encoding="utf-8"))
            tables["faults"] = [*fault_table(faults), "", *healthy_lines(faults)]
        for mark, lines in tables.items():
            begin, end = f"<!-- {mark} -->", f"<!-- /{mark} -->"
            head, rest_text = text.split(begin)
            text = head + "\n".join([begin, *lines, end]) + rest_text.split(end)[1]
        page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
