"""The faults by name: what the trade calls them, what the dial means, what they do to the signals.

A severity runs from 0, nothing, to 1, as bad as it gets while people still blast. `value` is the
dial in physical units, and goes into the truth.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

PLANT, SENSOR, BOX, MESSAGE = "plant", "sensor", "box", "message"


@dataclass(frozen=True, slots=True)
class Occasion:
    """When a plant fault is asked what it does: before which opening, and with which draws.

    Attributes
    ----------
    cycle : int
        Openings since the fault began, from 0.
    random : numpy.random.Generator
        The fault's own.
    """

    cycle: int
    random: np.random.Generator


PlantChange = Callable[[np.ndarray, float, Occasion], None]


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes
    ----------
    name : str
        Key on the command line.
    where : str
        `plant`, `sensor`, `box` or `message`: what it changes.
    words : str
        What people at the pot call it.
    effect : str
        What it does to the signals.
    dial, unit : str
        What `value` is, and its unit.
    full : float
        Value of the dial at severity 1.
    change : callable, optional
        For plant faults: changes the plant's row before an opening.
    """

    name: str
    where: str
    words: str
    effect: str
    dial: str
    unit: str
    full: float
    change: PlantChange | None = None

    def value(self, severity: float) -> float:
        """Give the dial at a severity, in the fault's unit.

        Parameters
        ----------
        severity : float
            0 to 1 [-].
        """
        return self.full * severity


def _scale(name: str, full: float) -> PlantChange:
    """Make a fault that multiplies a value of the plant by 1 + full * severity."""

    def change(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
        row[name] *= 1.0 + full * severity

    return change


def _add(name: str, full: float) -> PlantChange:
    """Make a fault that adds full * severity to a value of the plant."""

    def change(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
        row[name] += full * severity

    return change


def _popup(row: np.ndarray, severity: float, occasion: Occasion) -> None:
    # grit lies differently on the seat each time
    row["popup_leak_m3_s_pa"] += 6.0e-8 * severity * occasion.random.uniform(0.2, 1.0)


def _stays(row: np.ndarray, severity: float, occasion: Occasion) -> None:
    row["wedge_stuck"] = 1.0 if occasion.random.random() < severity else 0.0


def _alone(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
    row["bypass_m3_s_pa"] += 2.0e-8 * severity
    row["wedge_forced"] = 1.0


def _wet(row: np.ndarray, severity: float, occasion: Occasion) -> None:
    row["separator_resistance"] *= 1.0 + 15.0 * severity
    # the exhaust freezes up a little more with each release, to a limit
    ice = severity * (1.0 - np.exp(-(occasion.cycle + 1) / 6.0))
    row["exhaust_m3_s_pa"] *= 1.0 - 0.75 * ice


def _over(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
    row["load_pa"] += 200_000.0 * severity
    row["unload_pa"] += 200_000.0 * severity


def _relief_early(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
    # a setting between plate and working pressure would not show
    row["relief_pa"] -= 120_000.0 + 230_000.0 * severity


def _starved(row: np.ndarray, severity: float, _occasion: Occasion) -> None:
    # a compressor has a third in hand over a 3/8 inch nozzle; below that it begins to show
    row["compressor_kg_s"] *= 0.62 - 0.32 * severity


CATALOGUE = (
    Fault(
        "pinch_leak", PLANT, "pinch hose worn and leaking",
        "The pot takes longer to come up, and a bad leak keeps it below the manifold; after the "
        "rise the final pressure hardly tells. Abrasive starves when the pot lags the hose.",
        "leak of the pinched hose", "m3/(s Pa)", 6.0e-8, _add("leak_m3_s_pa", 6.0e-8),
    ),
    Fault(
        "popup_unseated", PLANT, "grit on the pop-up seat",
        "As a pinch leak, but another one at each opening: the time to come up scatters.",
        "largest leak past the seat", "m3/(s Pa)", 6.0e-8, _popup,
    ),
    Fault(
        "slow_exhaust", PLANT, "exhaust blocked, pot slow to blow down",
        "After release the pot's pressure takes long to fall; nothing changes while blasting.",
        "exhaust conductance lost", "-", 0.9, _scale("exhaust_m3_s_pa", -0.9),
    ),
    Fault(
        "stays_pressurised", PLANT, "wedge sticks, pot stays up after release",
        "After some releases the pot hardly falls and bleeds down through the metering valve only.",
        "share of releases that stick", "-", 1.0, _stays,
    ),
    Fault(
        "pressurises_alone", PLANT, "pot comes up with nobody on the handle",
        "The pot's pressure creeps up between bursts though the dead-man is let go: the air valve "
        "passes and the wedge has fallen shut again.",
        "what the shut air valve passes", "m3/(s Pa)", 2.0e-8, _alone,
    ),
    Fault(
        "nozzle_wear", PLANT, "nozzle worn out",
        "More air through a larger bore: more is lost in the hose, pressure at the nozzle falls "
        "against the manifold, and the compressor is nearer its end.",
        "growth of the bore", "-", 0.35, _scale("bore_m", 0.35),
    ),
    Fault(
        "wet_air", PLANT, "separator full of water, exhaust icing up",
        "The separator takes more pressure while air flows, so the manifold sags under load, and "
        "each release exhausts more slowly than the last.",
        "rise of the separator's resistance", "-", 15.0, _wet,
    ),
    Fault(
        "over_pressure", PLANT, "compressor set above the pot's plate",
        "All pressures stand higher; past its setting the relief valve lifts and the pot saws.",
        "pressure above the usual setting", "Pa", 200_000.0, _over,
    ),
    Fault(
        "relief_early", PLANT, "relief valve lifts early",
        "The pot is held down to a sawtooth below the manifold though nothing is set too high.",
        "relief setting lost, beyond the 120 kPa in hand", "Pa", 230_000.0, _relief_early,
    ),
    Fault(
        "compressor_starved", PLANT, "bore too big for the compressor",
        "The manifold sags through every burst, and pot and nozzle with it.",
        "delivery lost, beyond the 38 % in hand", "-", 0.32, _starved,
    ),
    Fault(
        "choke_part_shut", PLANT, "choke valve left part shut",
        "The nozzle gets less pressure though manifold and pot are right, and runs rich.",
        "choke conductance lost", "-", 0.8, _scale("choke_m3_s_pa", -0.8),
    ),
    Fault(
        "metering_starved", PLANT, "metering valve starved",
        "Abrasive goes slower than it should; the nozzle's pressure rises a little.",
        "abrasive flow lost", "-", 0.85, _scale("knob", -0.85),
    ),
    Fault(
        "metering_flooded", PLANT, "metering valve flooding",
        "Abrasive goes faster than it should; the loaded hose takes pressure from the nozzle.",
        "abrasive flow added", "-", 1.5, _scale("knob", 1.5),
    ),
    Fault(
        "transducer_stuck", SENSOR, "pot transducer stuck",
        "The pot's reading holds one value for a while, noise and all.",
        "share of the time", "-", 1.0,
    ),
    Fault(
        "transducer_drift", SENSOR, "pot transducer drifting",
        "The pot's reading walks away, also while the pot stands vented.",
        "drift an hour", "Pa/h", 400_000.0,
    ),
    Fault(
        "loop_broken", SENSOR, "broken wire to the pot transducer",
        "The current falls to 3.5 mA, under NAMUR NE 43's failure mark, now and then or for good.",
        "share of the time", "-", 1.0,
    ),
    Fault(
        "deadman_stuck", SENSOR, "dead-man pressure switch sticks",
        "After some releases the switch still says held though the pot exhausts.",
        "share of the time", "-", 1.0,
    ),
    Fault(
        "deadman_missed", SENSOR, "dead-man pressure switch does not come on",
        "The pot comes up and blasts though the switch says nobody holds the handle.",
        "share of the time", "-", 1.0,
    ),
    Fault(
        "box_silent", BOX, "box goes silent",
        "Whole stretches are missing; the counter has gone on.",
        "share of the time", "-", 0.8,
    ),
    Fault(
        "box_rebooted", BOX, "box restarts",
        "Some seconds are missing and the counter starts from nothing.",
        "restarts an hour", "1/h", 60.0,
    ),
    Fault(
        "clock_jumped", BOX, "box clock jumps",
        "After a minute the times stand off by the jump and stay so.",
        "jump ahead", "s", 900.0,
    ),
    Fault(
        "clock_drifts", BOX, "box clock runs fast",
        "The box's times run ahead of the arrival further and further.",
        "drift", "s/h", 3.6,
    ),
    Fault(
        "message_lost", MESSAGE, "messages lost",
        "Single packs never arrive; the counter shows it.",
        "share lost", "-", 0.5,
    ),
    Fault(
        "message_repeated", MESSAGE, "messages repeated",
        "Packs arrive twice, byte for byte.",
        "share repeated", "-", 1.0,
    ),
    Fault(
        "message_reordered", MESSAGE, "messages out of order",
        "A pack arrives after the one that follows it.",
        "share held back", "-", 0.5,
    ),
    Fault(
        "message_garbled", MESSAGE, "messages garbled",
        "Bytes of a pack are not those that were sent: a trailer's CRC-32 no longer fits.",
        "share garbled", "-", 0.5,
    ),
)  # fmt: skip

BY_NAME = {fault.name: fault for fault in CATALOGUE}
