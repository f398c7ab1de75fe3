"""One pot through one shift: somebody blasts, rests, refills and breaks, and the model follows.

`ShiftPlan` says when; `Habits` says how this crew blasts; `run_shift` steps the model burst by
burst, because what people do next depends on what the pot did (it ran empty, so they refill).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from . import model
from .flows import GAS_CONSTANT_J_KG_K
from .plant import SPECIFIC_HEAT_VOLUME_J_KG_K, start_cycle

CYCLE_COLUMNS = (
    "pressed_s", "released_s", "signal_on_s", "signal_off_s", "pinched", "on_s", "blast_s",
    "rise_90_s", "exhaust_10_s", "abrasive_start_kg", "abrasive_end_kg", "leak_m3_s_pa",
    "bore_m", "peak_pot_pa", "relief_s", "mean_supply_pa", "mean_nozzle_pa",
)  # fmt: skip
"""Columns of the truth of a cycle; times in seconds after the box was switched on."""


@dataclass(frozen=True, slots=True)
class Habits:
    """How somebody blasts, as distributions; shares need not sum to one, they are weighed.

    Attributes
    ----------
    touch_share, long_share : float
        Shares of bursts that are a short touch, and a long pass [-].
    touch_s, burst_s, long_s : float
        Median length of a touch, of an ordinary burst, of a long pass [s].
    rest_s, move_share, move_s : float
        Median pause [s]; share of pauses in which the blaster moves or rigs, and their median [s].
    """

    touch_share: float = 0.15
    long_share: float = 0.22
    touch_s: float = 3.5
    burst_s: float = 60.0
    long_s: float = 170.0
    rest_s: float = 11.0
    move_share: float = 0.17
    move_s: float = 110.0

    def burst(self, random: np.random.Generator) -> float:
        """Draw how long the dead-man is held this time [s], 1.5 to 600.

        Parameters
        ----------
        random : numpy.random.Generator
            Source of the draws.
        """
        kind = random.random()
        if kind < self.touch_share:
            median, spread = self.touch_s, 0.45
        elif kind < self.touch_share + self.long_share:
            median, spread = self.long_s, 0.45
        else:
            median, spread = self.burst_s, 0.55
        return float(np.clip(random.lognormal(np.log(median), spread), 1.5, 600.0))

    def rest(self, random: np.random.Generator) -> float:
        """Draw how long the dead-man is let go before the next burst [s], 2 to 900.

        Parameters
        ----------
        random : numpy.random.Generator
            Source of the draws.
        """
        moving = random.random() < self.move_share
        median, spread = (self.move_s, 0.6) if moving else (self.rest_s, 0.6)
        return float(np.clip(random.lognormal(np.log(median), spread), 2.0, 900.0))


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """When the box and the people are there, in seconds after the box is switched on.

    Attributes
    ----------
    from_s, to_s : float
        First and last instant at which somebody may blast [s].
    off_s : float
        When the box is switched off [s].
    breaks : tuple of (float, float)
        Start and length of each break [s].
    """

    from_s: float
    to_s: float
    off_s: float
    breaks: tuple[tuple[float, float], ...] = ()


@dataclass(slots=True)
class ShiftResult:
    """What the model made of a shift.

    Attributes
    ----------
    samples : numpy.ndarray, shape (6, n)
        True samples as `model.advance` writes them.
    cycles : dict of str to numpy.ndarray
        Truth of each dead-man opening, columns `CYCLE_COLUMNS`.
    refills : list of (float, int)
        Instant [s] and bags tipped.
    """

    samples: np.ndarray
    cycles: dict[str, np.ndarray]
    refills: list[tuple[float, int]] = field(default_factory=list)


def tip_bags(state: np.ndarray, plant_row: np.ndarray, bags: int, bag_kg: float) -> None:
    """Put bags of abrasive into a vented pot: the grains push air out through the filling port.

    Parameters
    ----------
    state, plant_row : numpy.ndarray, shape (1,)
        As the model takes them; the state is changed in place.
    bags : int
        How many, not negative.
    bag_kg : float
        Weight of one [kg].

    Raises
    ------
    ValueError
        When the pot is too small for them.
    """
    abrasive_kg = float(state["abrasive_kg"][0]) + bags * bag_kg
    free_m3 = float(plant_row["vessel_m3"][0]) - abrasive_kg / float(plant_row["particle_kg_m3"][0])
    if free_m3 <= 0.0:
        raise ValueError(f"{abrasive_kg:.0f} kg of abrasive does not fit into the pot")
    air_k = float(plant_row["air_k"][0])
    left_kg = float(plant_row["atmosphere_pa"][0]) * free_m3 / (GAS_CONSTANT_J_KG_K * air_k)
    left_j = left_kg * SPECIFIC_HEAT_VOLUME_J_KG_K * air_k
    # the ledger takes the air that left, and what tipping and warming did to the rest as work
    pushed_kg = float(state["pot_kg"][0]) - left_kg
    state["vent_kg"] += pushed_kg
    state["work_j"] += float(state["pot_j"][0]) - left_j
    state["pot_kg"] = left_kg
    state["pot_j"] = left_j
    state["abrasive_kg"] = abrasive_kg


def run_shift(
    state: np.ndarray,
    plant_row: np.ndarray,
    plan: ShiftPlan,
    habits: Habits,
    interval_s: float,
    random: np.random.Generator,
    *,
    pot_full_kg: float,
    bag_kg: float = 25.0,
    before_cycle: Callable[[np.ndarray, np.ndarray, float], None] | None = None,
) -> ShiftResult:
    """Run one pot from switching its box on to switching it off.

    Parameters
    ----------
    state, plant_row : numpy.ndarray, shape (1,)
        State and plant as the model takes them; both are changed in place.
    plan : ShiftPlan
        When people are there.
    habits : Habits
        How they blast.
    interval_s : float
        Time between samples [s].
    random : numpy.random.Generator
        Source of every draw.
    pot_full_kg : float
        Abrasive people fill the pot up to, at most [kg].
    bag_kg : float
        Weight of a bag [kg].
    before_cycle : callable, optional
        Called as `before_cycle(plant_row, state, time_s)` before each opening: wear and faults
        change the plant there.

    Returns
    -------
    ShiftResult
        True samples, cycles and refills.
    """
    total = round(plan.off_s / interval_s)
    samples = np.zeros((model.ROWS, total))
    rows: list[tuple[float, ...]] = []
    refills: list[tuple[float, int]] = []
    breaks = list(plan.breaks)
    # the clock of the model runs with the samples: sample k is taken k intervals after the start
    state["time_s"] = -interval_s
    done = 0

    def let_go_until(instant_s: float) -> None:
        nonlocal done
        wanted = min(max(round(instant_s / interval_s) - done, 0), total - done)
        done += model.advance(state, plant_row, False, interval_s, wanted, False, samples, done)

    def refill() -> None:
        bags = int((pot_full_kg - float(state["abrasive_kg"][0])) // bag_kg)
        # vent, walk over, open, tip: half a minute a bag and a few minutes round it
        let_go_until(done * interval_s + 90.0 + random.uniform(30.0, 150.0))
        if bags > 0:
            tip_bags(state, plant_row, bags, bag_kg)
            refills.append((done * interval_s, bags))
        let_go_until(done * interval_s + 22.0 * bags + random.uniform(60.0, 200.0))

    let_go_until(plan.from_s)
    if float(state["abrasive_kg"][0]) < 0.5 * pot_full_kg:
        refill()
    tired_kg = 0.06 * pot_full_kg
    while done * interval_s < plan.to_s and done < total:
        now_s = done * interval_s
        if breaks and now_s >= breaks[0][0]:
            let_go_until(now_s + breaks[0][1])
            breaks.pop(0)
            continue
        if float(state["abrasive_kg"][0]) < tired_kg:
            refill()
            tired_kg = float(random.uniform(0.0, 0.1)) * pot_full_kg
            continue
        start_cycle(state)
        if before_cycle is not None:
            before_cycle(plant_row, state, now_s)
        start_kg = float(state["abrasive_kg"][0])
        burst_s = min(habits.burst(random), plan.to_s - now_s + 5.0)
        wanted = min(max(round(burst_s / interval_s), 1), total - done)
        made = model.advance(state, plant_row, True, interval_s, wanted, True, samples, done)
        done += made
        if made < wanted:  # it ran empty: the blaster hears it, and lets go a little later
            late = min(round(float(random.uniform(2.0, 6.0)) / interval_s), wanted - made)
            late = min(late, total - done)
            done += model.advance(state, plant_row, True, interval_s, late, False, samples, done)
            tired_kg = max(tired_kg, 1.0)
        let_go_until(done * interval_s + habits.rest(random))
        rows.append(_cycle_row(state, plant_row, start_kg))
    let_go_until(plan.off_s)
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), len(CYCLE_COLUMNS))
    cycles = {name: columns[:, index] for index, name in enumerate(CYCLE_COLUMNS)}
    return ShiftResult(samples, cycles, refills)


def _cycle_row(state: np.ndarray, plant_row: np.ndarray, start_kg: float) -> tuple[float, ...]:
    """Give the truth of the cycle just gone, in the order of `CYCLE_COLUMNS`."""
    now = state[0]
    blast_s = float(now["blast_s"])
    mean = 1.0 / blast_s if blast_s > 0.0 else float("nan")
    return (
        float(now["pressed_s"]), float(now["released_s"]),
        float(now["switch_on_s"]), float(now["switch_off_s"]),
        float(now["pinch_closings"]), float(now["on_s"]), blast_s,
        float(now["rise_s"]), float(now["exhaust_s"]),
        start_kg, float(now["abrasive_kg"]),
        float(plant_row["leak_m3_s_pa"][0]), float(plant_row["bore_m"][0]),
        float(now["peak_pa"]), float(now["relief_s"]),
        float(now["blasting_supply_pa_s"]) * mean, float(now["blasting_nozzle_pa_s"]) * mean,
    )  # fmt: skip
