"""A pot that runs on for ever, a second at a time, for the feeds that send it live."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from . import model
from .contractor import BAG_KG
from .faults.fault_set import FaultSet
from .plant import Plant, resting_state, start_cycle
from .pot_shift import Habits, tip_bags
from .signals import Transducer
from .wire import Second
from .yard import generator

LIVE_HABITS = Habits(burst_s=28.0, long_s=60.0, long_share=0.15, rest_s=8.0, move_s=25.0)
"""Shorter bursts and rests than on a working day: somebody is watching."""
SLOW_EVERY_S = 10
REFILL_S = 45.0
"""A refill is quick when somebody is watching [s]."""
CHANNEL_ROWS = {
    "supply": model.SUPPLY, "inlet": model.INLET, "pot": model.POT, "nozzle": model.NOZZLE,
}  # fmt: skip


@dataclass(slots=True)
class LivePot:
    """A pot, its blaster and its box.

    Attributes
    ----------
    plant : Plant
        The pot; may be changed between seconds.
    rate_hz : float
        Samples a second [1/s], a whole number.
    seed : int
        Same seed, same signals.
    transducers : dict of str to Transducer
        Channel to transducer; channels not in it are not sent.
    habits : Habits
        How the blaster works.
    full_kg : float
        Abrasive the pot is filled to [kg].
    unit : str
        `Pa`, or `mA` to send loop currents.
    mass : bool
        True sends the pot's abrasive as `pot_mass`.
    faults : FaultSet
        What is wrong with it; message faults are the feed's business.
    tell_truth : callable, optional
        Called with the truth of each cycle once it is over: a dict, times in UNIX seconds.
    """

    plant: Plant = field(default_factory=Plant)
    rate_hz: float = 10.0
    seed: int = 1
    transducers: dict[str, Transducer] = field(
        default_factory=lambda: {
            "supply": Transducer(), "pot": Transducer(), "nozzle": Transducer(),
        }
    )  # fmt: skip
    habits: Habits = LIVE_HABITS
    full_kg: float = 250.0
    unit: str = "Pa"
    mass: bool = False
    faults: FaultSet = field(default_factory=FaultSet)
    tell_truth: Callable[[dict[str, float | int]], None] | None = None

    def seconds(self, from_s: float) -> Iterator[Second | None]:
        """Yield what the box sends, a second of pot time at a time, without end.

        Parameters
        ----------
        from_s : float
            UNIX time of the first sample [s].

        Yields
        ------
        Second or None
            In order of time; None for a second the box does not send.
        """
        random = generator(self.seed, "live")
        noise = generator(self.seed, "live box")
        each = max(round(self.rate_hz), 1)
        interval_s = 1.0 / each
        state = resting_state(self.plant, abrasive_kg=self.full_kg)
        state["time_s"] = -interval_s
        samples = np.zeros((model.ROWS, each + 1))
        healthy = self.plant.row()
        row = healthy.copy()
        self.faults.change_plant(row, healthy)
        held = False
        until_s = 4.0
        filling = False
        cycle = 0
        start_kg = self.full_kg
        number = 0
        while True:
            # the switch's own memory sits in the sample before
            samples[:, 0] = samples[:, each]
            done = 0
            while done < each:
                now_s = number + done * interval_s
                if now_s >= until_s - 1e-9:
                    held = not held
                    if held:
                        if cycle:
                            self._tell(from_s, cycle, start_kg, state, row)
                        if filling:
                            missing_kg = self.full_kg - float(state["abrasive_kg"][0])
                            tip_bags(state, row, max(int(missing_kg // BAG_KG), 0), BAG_KG)
                            filling = False
                        start_cycle(state)
                        cycle += 1
                        self.faults.change_plant(row, healthy)
                        start_kg = float(state["abrasive_kg"][0])
                        until_s = now_s + self.habits.burst(random)
                    else:
                        filling = float(state["abrasive_kg"][0]) < 0.08 * self.full_kg
                        until_s = now_s + (REFILL_S if filling else self.habits.rest(random))
                left = round((until_s - now_s) / interval_s)
                wanted = min(max(left, 1), each - done)
                done += model.advance(
                    state, row, held, interval_s, wanted, False, samples, 1 + done
                )
            yield self._second(from_s, number, samples[:, 1:], noise)
            number += 1

    def _tell(
        self, from_s: float, cycle: int, start_kg: float, state: np.ndarray, row: np.ndarray
    ) -> None:
        """Tell the truth of the cycle that the state has just been through."""
        if self.tell_truth is None:
            return
        truth: dict[str, float | int] = {"cycle": cycle}
        for name in ("pressed", "released", "switch_on", "switch_off"):
            truth[f"{name}_at"] = round(from_s + float(state[f"{name}_s"][0]), 3)
        truth["pinched"] = int(state["pinch_closings"][0])
        for name in ("on_s", "blast_s", "rise_s", "exhaust_s", "peak_pa"):
            truth[name] = round(float(state[name][0]), 3)
        truth["abrasive_start_kg"] = round(start_kg, 3)
        truth["abrasive_end_kg"] = round(float(state["abrasive_kg"][0]), 3)
        truth["leak_m3_s_pa"] = float(row["leak_m3_s_pa"][0])
        truth["bore_m"] = float(row["bore_m"][0])
        self.tell_truth(
            {name: value for name, value in truth.items() if value == value}  # never came: left out
        )

    def _second(
        self, from_s: float, number: int, samples: np.ndarray, noise: np.random.Generator
    ) -> Second | None:
        """Give a second of true samples as the box sends it, or None when it does not."""
        air_c = 14.0 + 4.0 * np.sin(number / 3000.0)
        interval_s = 1.0 / samples.shape[1]
        offsets_s = np.arange(samples.shape[1]) * interval_s
        fast = {
            channel: transducer.measure(samples[CHANNEL_ROWS[channel]], interval_s, air_c, noise)
            for channel, transducer in self.transducers.items()
        }
        slow: dict[str, float] = {}
        if number % SLOW_EVERY_S == 0:
            draws = noise.standard_normal(3)
            slow = {
                "air_temp": round(float(air_c + 0.1 * draws[0]), 1),
                "humidity": round(float(72.0 + 0.5 * draws[1]), 1),
                "steel_temp": round(float(air_c - 1.5 + 0.1 * draws[2]), 1),
            }
        if self.mass:
            slow["pot_mass"] = round(float(samples[model.ABRASIVE, -1]), 1)
        fast["pot"], deadman = self.faults.change_readings(
            number + offsets_s,
            fast["pot"],
            samples[model.SWITCH] > 0.5,
            span_pa=self.transducers["pot"].span_pa,
        )
        sent, counter, off_s = self.faults.judge_seconds(np.array([number]))
        if not sent[0]:
            return None
        if self.unit == "mA":
            fast = {name: self.transducers[name].loop_ma(fast[name]) for name in fast}
        begins_s = from_s + number + float(off_s[0])
        return Second(begins_s, offsets_s, fast, deadman, slow, int(counter[0]), self.unit)
