"""What wears between shifts: pinch hose and nozzle, and who looks at them when.

The pinch hose leaks more with every closing and every hour; a nozzle's bore grows with what goes
through it. A crew looks the hose over about every 40 blasting hours (common practice, no source)
and does not always remember to.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from .plant import Plant
from .pot_shift import ShiftResult

NEW_LEAK_M3_S_PA = 2.0e-11
WORN_LEAK_M3_S_PA = 8.0e-9
"""Leak of a hose at the end of its usual life [m3/(s Pa)]."""
USUAL_CLOSINGS, USUAL_HOURS = 2600.0, 58.0
"""A hose's usual life in closings and in blasting hours; each counts for half (no source)."""
BORE_GROWTH_M_H = 5.5e-6
"""A nozzle grows by 1/16 inch in some 290 hours (no source) [m/h]."""
NOZZLE_LIMIT_M = 1.5875e-3
"""A nozzle 1/16 inch over its size is changed (trade rule) [m]."""
CHECK_HOURS = 40.0


@dataclass(slots=True)
class PinchHose:
    """One piece of pinch hose: its tag, how good a piece it is, and what it has been through."""

    tag: str
    fitted_at: datetime
    life_factor: float
    closings: float = 0.0
    blast_h: float = 0.0

    @classmethod
    def new(
        cls, pot: str, number: int, fitted_at: datetime, random: np.random.Generator
    ) -> PinchHose:
        """Fit a new piece; one in a row lasts some 25 % more or less than the next.

        Parameters
        ----------
        pot : str
            Where it is fitted.
        number : int
            Which piece this is there, from 1.
        fitted_at : datetime
            When.
        random : numpy.random.Generator
            Draws how good a piece it is.
        """
        return cls(f"{pot}-hose-{number}", fitted_at, float(random.lognormal(0.0, 0.25)))

    def leak_m3_s_pa(self, more_closings: float = 0.0, more_h: float = 0.0) -> float:
        """Give its leak when pinched [m3/(s Pa)], after yet more closings and hours.

        Parameters
        ----------
        more_closings : float
            Closings beyond those it has had [-].
        more_h : float
            Blasting hours beyond those it has had [h].
        """
        age = 0.5 * (self.closings + more_closings) / USUAL_CLOSINGS
        age += 0.5 * (self.blast_h + more_h) / USUAL_HOURS
        age /= self.life_factor
        leak = NEW_LEAK_M3_S_PA + WORN_LEAK_M3_S_PA * age**3
        return float(min(leak, 1.2e-7))


class Worn:
    """The parts of one pot as they wear, and the checks people make of them."""

    def __init__(self, plant: Plant, hose: PinchHose, random: np.random.Generator) -> None:
        self.plant = plant
        self.hose = hose
        self.hose_number = 1
        self.nozzle_number = 1
        self.nozzle_h = float(random.uniform(0.0, 120.0))
        self.checked_at_h = 0.0
        self.patience_h = float(random.uniform(-3.0, 6.0))
        self.shift_closings = 0.0
        self.shift_blast_s = 0.0
        self._fed_at_start_kg = 0.0
        self._before = (0.0, 0.0)

    def look_over(
        self, pot: str, shift_at: datetime, random: np.random.Generator
    ) -> list[dict[str, object]]:
        """Check the pinch hose before a shift if it is due, change it and a worn nozzle.

        Parameters
        ----------
        pot : str
            The pot.
        shift_at : datetime
            When the shift starts.
        random : numpy.random.Generator
            Decides what people do about a worn hose.

        Returns
        -------
        list of dict
            What was done, each with `kind`, `part`, `at`, and `result` or `tag`, plus the truth.
        """
        events: list[dict[str, object]] = []
        at = shift_at - timedelta(minutes=4)
        leak = self.hose.leak_m3_s_pa()
        if self.nozzle_h * BORE_GROWTH_M_H > NOZZLE_LIMIT_M:
            self.nozzle_h = 0.0
            self.nozzle_number += 1
            events.append(
                {
                    "kind": "part_fitted", "part": "nozzle", "at": at - timedelta(minutes=3),
                    "tag": f"{pot}-nozzle-{self.nozzle_number}",
                }
            )  # fmt: skip
        if self.hose.blast_h - self.checked_at_h >= CHECK_HOURS + self.patience_h:
            worn = leak > 0.35 * WORN_LEAK_M3_S_PA
            change = leak > 0.8 * WORN_LEAK_M3_S_PA or (worn and random.random() < 0.6)
            result = "replaced" if change else "worn" if worn else "good"
            events.append(self._event("check", at, leak) | {"result": result})
            self.checked_at_h = self.hose.blast_h
            self.patience_h = float(random.uniform(-3.0, 6.0))
            if change:
                events.append(self._fit(pot, at, leak, random))
        elif leak > 3.0 * WORN_LEAK_M3_S_PA:
            events.append(self._event("check", at, leak) | {"result": "failed"})
            events.append(self._fit(pot, at, leak, random))
        return events

    def _event(self, kind: str, at: datetime, leak: float) -> dict[str, object]:
        return {
            "kind": kind, "part": "pinch_hose", "at": at, "true_leak_m3_s_pa": leak,
            "closings": self.hose.closings, "blast_h": self.hose.blast_h, "tag": self.hose.tag,
        }  # fmt: skip

    def _fit(
        self, pot: str, at: datetime, leak: float, random: np.random.Generator
    ) -> dict[str, object]:
        event = self._event("part_fitted", at + timedelta(minutes=2), leak)
        self.hose_number += 1
        self.hose = PinchHose.new(pot, self.hose_number, at, random)
        self.checked_at_h = 0.0
        return event | {"tag": self.hose.tag}

    def start_shift(self) -> None:
        """Forget the counts of the shift before."""
        self.shift_closings = 0.0
        self.shift_blast_s = 0.0

    def before_cycle(self, plant_row: np.ndarray, state: np.ndarray) -> None:
        """Put the wear so far into the plant, before the model runs the next cycle.

        Parameters
        ----------
        plant_row, state : numpy.ndarray, shape (1,)
            As the model takes them; `leak_m3_s_pa` and `bore_m` are set. What this shift has
            added to the hours is taken from the abrasive it has used.
        """
        fed_kg = float(state["fed_kg"][0])
        if self.shift_closings == 0.0:
            self._fed_at_start_kg = fed_kg
        feed = float(plant_row["feed_kg_s"][0])
        self.shift_blast_s = (fed_kg - self._fed_at_start_kg) / feed
        plant_row["leak_m3_s_pa"] = self.hose.leak_m3_s_pa(
            self.shift_closings, self.shift_blast_s / 3600.0
        )
        hours = self.nozzle_h + self.shift_blast_s / 3600.0
        plant_row["bore_m"] = self.plant.bore_m + BORE_GROWTH_M_H * hours
        self.shift_closings += 1.0

    def end_shift(self, result: ShiftResult) -> None:
        """Add what the shift did to hose and nozzle.

        Parameters
        ----------
        result : ShiftResult
            What the model made of the shift.
        """
        hours = float(np.sum(result.cycles["blast_s"])) / 3600.0
        self._before = (self.hose.closings, self.hose.blast_h)
        self.hose.closings += float(np.sum(result.cycles["pinched"]))
        self.hose.blast_h += hours
        self.nozzle_h += hours

    def hose_truth(self, result: ShiftResult) -> dict[str, list[float | str]]:
        """Give the hose's tag, closings and hours at the end of each cycle of the shift.

        Parameters
        ----------
        result : ShiftResult
            The shift that was ended last.
        """
        closings, hours = self._before
        count = len(result.cycles["pinched"])
        return {
            "hose_tag": [self.hose.tag] * count,
            "hose_cycles": (closings + np.cumsum(result.cycles["pinched"])).tolist(),
            "hose_blast_h": (hours + np.cumsum(result.cycles["blast_s"]) / 3600.0).tolist(),
        }
