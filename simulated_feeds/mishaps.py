"""What goes wrong in a yard's history: which fault, at which pot, over which shifts, how badly.

An episode ends when somebody puts it right. Which faults come, and how badly, is invented; faults
that nobody would blast on with for long last one shift.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from .faults.catalogue import BY_NAME


@dataclass(frozen=True, slots=True)
class Likely:
    """How a fault comes in a yard: its weight, severities, and longest length in shifts."""

    name: str
    weight: float
    least: float
    most: float
    shifts: int


LIKELY = (
    Likely("popup_unseated", 3.0, 0.15, 0.6, 3),
    Likely("slow_exhaust", 2.0, 0.3, 0.75, 3),
    Likely("stays_pressurised", 0.7, 0.05, 0.25, 1),
    Likely("pressurises_alone", 0.4, 0.1, 0.4, 1),
    Likely("wet_air", 3.0, 0.1, 0.45, 3),
    Likely("over_pressure", 0.4, 0.2, 0.75, 1),
    Likely("relief_early", 0.5, 0.1, 0.4, 1),
    Likely("compressor_starved", 1.2, 0.1, 0.5, 2),
    Likely("choke_part_shut", 1.5, 0.4, 0.9, 1),
    Likely("metering_starved", 1.5, 0.25, 0.6, 2),
    Likely("metering_flooded", 1.5, 0.2, 0.6, 2),
    Likely("transducer_stuck", 0.6, 0.03, 0.2, 2),
    Likely("transducer_drift", 0.8, 0.002, 0.012, 4),
    Likely("loop_broken", 0.6, 0.02, 0.15, 2),
    Likely("deadman_stuck", 0.4, 0.01, 0.05, 1),
    Likely("deadman_missed", 0.4, 0.01, 0.05, 1),
    Likely("box_silent", 0.6, 0.02, 0.15, 2),
    Likely("box_rebooted", 0.6, 0.02, 0.1, 1),
    Likely("clock_jumped", 0.4, 0.05, 0.5, 1),
)
SHIFTS_BETWEEN = 7.0
"""Shifts of a pot between the end of one episode and the next, on average."""


def draw_mishaps(shifts: int, random: np.random.Generator) -> list[dict[str, float]]:
    """Draw what goes wrong at one pot, shift by shift.

    Parameters
    ----------
    shifts : int
        Shifts the pot works.
    random : numpy.random.Generator
        Source of every draw.

    Returns
    -------
    list of dict of str to float, length `shifts`
        Fault to severity in each shift; mostly empty, never more than one fault.
    """
    weights = np.array([likely.weight for likely in LIKELY])
    weights /= weights.sum()
    plan: list[dict[str, float]] = [{} for _ in range(shifts)]
    at = int(random.geometric(1.0 / SHIFTS_BETWEEN))
    while at < shifts:
        likely = LIKELY[int(random.choice(len(LIKELY), p=weights))]
        severity = round(float(random.uniform(likely.least, likely.most)), 3)
        length = int(random.integers(1, likely.shifts + 1))
        for shift in range(at, min(at + length, shifts)):
            plan[shift][likely.name] = severity
        at += length + int(random.geometric(1.0 / SHIFTS_BETWEEN))
    return plan


PUT_RIGHT = {
    "popup_unseated": ("popup_seal", "replaced"),
    "slow_exhaust": ("pinch_hose", "good"),
    "stays_pressurised": ("deadman", "replaced"),
    "pressurises_alone": ("deadman", "replaced"),
    "wet_air": ("separator", "good"),
    "over_pressure": ("relief_valve", "good"),
    "relief_early": ("relief_valve", "replaced"),
    "choke_part_shut": ("metering_valve", "good"),
    "metering_starved": ("metering_valve", "good"),
    "metering_flooded": ("metering_valve", "good"),
    "transducer_stuck": ("transducers", "replaced"),
    "transducer_drift": ("transducers", "replaced"),
    "loop_broken": ("transducers", "good"),
    "deadman_stuck": ("deadman", "good"),
    "deadman_missed": ("deadman", "good"),
}
"""Which part is looked at when a fault is put right, and what people enter about it."""


def put_right(
    before: dict[str, float], now: dict[str, float], shift_at: datetime
) -> list[dict[str, object]]:
    """Give the checks people make when a fault of the shift before is gone in this one.

    Parameters
    ----------
    before, now : dict of str to float
        Faults of the shift before and of this one.
    shift_at : datetime
        Start of this shift.

    Returns
    -------
    list of dict
        `kind`, `part`, `at`, `result` and `note` of each check.
    """
    at = shift_at - timedelta(minutes=9)
    return [
        {
            "kind": "check", "part": PUT_RIGHT[name][0], "at": at, "result": PUT_RIGHT[name][1],
            "note": f"{BY_NAME[name].words}: put right",
        }
        for name in sorted(set(before) - set(now))
        if name in PUT_RIGHT
    ]  # fmt: skip
