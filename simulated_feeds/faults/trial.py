"""A fixed run of bursts on a test stand, with and without faults, to see what each does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .. import model
from ..plant import Plant, resting_state, start_cycle
from ..signals import Transducer
from .fault_set import FaultSet

BURSTS, ON_S, OFF_S, LEAD_S = 8, 40.0, 30.0, 10.0
RATE_HZ = 10


@dataclass(frozen=True, slots=True)
class Trial:
    """What the test stand recorded.

    Attributes
    ----------
    time_s : numpy.ndarray, shape (n,)
        True time since the start [s].
    clock_s : numpy.ndarray, shape (n,)
        The same by the box's clock [s].
    supply_pa, inlet_pa, pot_pa, nozzle_pa : numpy.ndarray, shape (n,)
        Measured gauge pressures [Pa].
    deadman : numpy.ndarray, shape (n,), bool
        Measured switch.
    seq : numpy.ndarray, shape (n,), int
        Counter of the message each sample came in.
    held : numpy.ndarray, shape (n,), bool
        Truth: the handle.
    true : numpy.ndarray, shape (6, n)
        Truth, as `model.advance` writes it.
    sent : numpy.ndarray, shape (n,), bool
        Whether the box sent it.
    cycles : list of dict
        Truth of each burst: `rise_s`, `exhaust_s`, `blast_s`, `relief_s`, `fed_kg`.
    """

    time_s: np.ndarray
    clock_s: np.ndarray
    supply_pa: np.ndarray
    inlet_pa: np.ndarray
    pot_pa: np.ndarray
    nozzle_pa: np.ndarray
    deadman: np.ndarray
    seq: np.ndarray
    held: np.ndarray
    true: np.ndarray
    sent: np.ndarray
    cycles: list[dict[str, float]]


def run_trial(
    faults: FaultSet | None = None,
    plant: Plant | None = None,
    *,
    bursts: int = BURSTS,
    abrasive_kg: float = 220.0,
) -> Trial:
    """Run bursts of 40 s with 30 s between on a test stand.

    Parameters
    ----------
    faults : FaultSet, optional
        None is healthy.
    plant : Plant, optional
        The default plant when not given.
    bursts : int
        How many.
    abrasive_kg : float
        In the pot at the start [kg].

    Returns
    -------
    Trial
        Same faults and seed, same arrays.
    """
    faults = faults or FaultSet()
    plant = plant or Plant()
    healthy = plant.row()
    row = healthy.copy()
    interval_s = 1.0 / RATE_HZ
    count = round((LEAD_S + bursts * (ON_S + OFF_S)) * RATE_HZ)
    true = np.zeros((model.ROWS, count))
    held = np.zeros(count, dtype=bool)
    state = resting_state(plant, abrasive_kg=abrasive_kg)
    state["time_s"] = -interval_s
    done = model.advance(state, row, False, interval_s, round(LEAD_S * RATE_HZ), False, true, 0)
    cycles = []
    for _ in range(bursts):
        start_cycle(state)
        faults.change_plant(row, healthy)
        before_kg = float(state["fed_kg"][0])
        on = round(ON_S * RATE_HZ)
        held[done : done + on] = True
        done += model.advance(state, row, True, interval_s, on, False, true, done)
        off = round(OFF_S * RATE_HZ)
        done += model.advance(state, row, False, interval_s, off, False, true, done)
        cycle = {
            name: float(state[name][0]) for name in ("rise_s", "exhaust_s", "blast_s", "relief_s")
        }
        cycles.append(cycle | {"fed_kg": float(state["fed_kg"][0]) - before_kg})
    random = np.random.default_rng(np.random.SeedSequence([faults.seed, 0x51]))
    transducer = Transducer()
    measured = [
        transducer.measure(true[line], interval_s, 20.0, random)
        for line in (model.SUPPLY, model.INLET, model.POT, model.NOZZLE)
    ]
    times = np.arange(count) * interval_s
    pot_pa, deadman = faults.change_readings(times, measured[2], true[model.SWITCH] > 0.5)
    seconds = np.arange(count) // RATE_HZ
    sent, counter, off_s = faults.judge_seconds(seconds)
    return Trial(
        times, times + off_s, measured[0], measured[1], pot_pa, measured[3], deadman, counter,
        held, true, sent, cycles,
    )  # fmt: skip
