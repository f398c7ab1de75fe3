"""A pot that runs on for ever, a second at a time, for the feeds that send it live."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from . import model
from .plant import Plant, resting_state, start_cycle
from .pot_shift import Habits, tip_bags
from .signals import Transducer
from .wire import Second
from .yard import BAG_KG, generator

LIVE_HABITS = Habits(burst_s=28.0, long_s=60.0, long_share=0.15, rest_s=8.0, move_s=25.0)
"""Shorter bursts and rests than on a working day: somebody is watching."""
SLOW_EVERY_S = 10.0


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

    def seconds(self, from_s: float) -> Iterator[Second]:
        """Yield what the box reads, a second of pot time at a time, without end.

        Parameters
        ----------
        from_s : float
            UNIX time of the first sample [s].

        Yields
        ------
        Second
            In order of time, without gaps.
        """
        random = generator(self.seed, "live")
        noise = generator(self.seed, "live box")
        rows = {"supply": model.SUPPLY, "inlet": model.INLET, "pot": model.POT}
        rows["nozzle"] = model.NOZZLE
        each = max(round(self.rate_hz), 1)
        interval_s = 1.0 / each
        offsets = np.arange(each) * interval_s
        state = resting_state(self.plant, abrasive_kg=self.full_kg)
        state["time_s"] = -interval_s
        samples = np.zeros((model.ROWS, each + 1))
        held = False
        until_s = 4.0
        filling_s = 0.0
        number = 0
        while True:
            plant_row = self.plant.row()
            # the switch's own memory sits in the sample before
            samples[:, 0] = samples[:, each]
            done = 0
            while done < each:
                now_s = number + done * interval_s
                if now_s >= until_s - 1e-9:
                    if held:
                        held = False
                        until_s = now_s + self.habits.rest(random)
                        if float(state["abrasive_kg"][0]) < 0.08 * self.full_kg:
                            filling_s = until_s = now_s + 45.0
                    else:
                        if filling_s:
                            missing_kg = self.full_kg - float(state["abrasive_kg"][0])
                            tip_bags(state, plant_row, max(int(missing_kg // BAG_KG), 0), BAG_KG)
                            filling_s = 0.0
                        held = True
                        start_cycle(state)
                        until_s = now_s + self.habits.burst(random)
                left = round((until_s - now_s) / interval_s)
                wanted = min(max(left, 1), each - done)
                done += model.advance(
                    state, plant_row, held, interval_s, wanted, False, samples, 1 + done
                )
            yield self._second(from_s, number, offsets, samples[:, 1:], rows, noise)
            number += 1

    def _second(
        self,
        from_s: float,
        number: int,
        offsets_s: np.ndarray,
        samples: np.ndarray,
        rows: dict[str, int],
        noise: np.random.Generator,
    ) -> Second:
        """Give a second of true samples as the box reads it."""
        air_c = 14.0 + 4.0 * np.sin(number / 3000.0)
        fast = {}
        for channel, transducer in self.transducers.items():
            measured = transducer.measure(samples[rows[channel]], offsets_s[-1], air_c, noise)
            fast[channel] = transducer.loop_ma(measured) if self.unit == "mA" else measured
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
        return Second(
            from_s + number,
            offsets_s,
            fast,
            samples[model.SWITCH] > 0.5,
            slow,
            number,
            self.unit,
        )
