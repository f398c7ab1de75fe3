"""No air, no energy and no abrasive appears or vanishes in the simulated pot.

Source: conservation of mass and the first law for an open system, textbook; each balance is closed
to a millionth of what went through.
"""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds import model
from simulated_feeds.faults import FaultSet
from simulated_feeds.flows import GAS_CONSTANT_J_KG_K
from simulated_feeds.plant import Plant, resting_state
from simulated_feeds.pot_shift import tip_bags

CLOSED = 1e-6


def worked(faults: dict[str, float], plant: Plant) -> tuple[np.ndarray, np.ndarray]:
    """Give the state before and after a dozen bursts of all lengths, with a refill half way."""
    state = resting_state(plant, abrasive_kg=60.0)
    before = state.copy()
    healthy = plant.row()
    row = healthy.copy()
    fault_set = FaultSet(faults, 5)
    samples = np.zeros((model.ROWS, 5000))
    for burst, seconds in enumerate((2.0, 40.0, 5.0, 90.0, 120.0, 3.0) * 2):
        fault_set.change_plant(row, healthy)
        model.advance(state, row, True, 0.1, round(seconds * 10), False, samples, 0)
        model.advance(state, row, False, 0.1, 50 + 40 * burst, False, samples, 0)
        if burst == 6:
            tip_bags(state, row, 4, 25.0)
    return before[0], state[0]


CASES = [
    {},
    {"pinch_leak": 0.8},
    {"stays_pressurised": 0.5, "slow_exhaust": 0.6},
    {"pressurises_alone": 0.7, "metering_flooded": 1.0},
    {"over_pressure": 1.0, "wet_air": 0.8},
    {"compressor_starved": 1.0, "nozzle_wear": 1.0},
]


@pytest.mark.parametrize("faults", CASES, ids=lambda faults: "+".join(faults) or "healthy")
def test_mass_of_air_closes(faults):
    plant = Plant()
    before, after = worked(faults, plant)
    gas = GAS_CONSTANT_J_KG_K * plant.air_k
    through = float(after["delivered_kg"])
    assert through > 10.0
    receiver = float(after["receiver_kg"] - before["receiver_kg"])
    assert receiver == pytest.approx(
        float(after["delivered_kg"] - after["bull_kg"]), abs=CLOSED * through
    )
    manifold = float(after["manifold_pa"] - before["manifold_pa"]) * plant.manifold_m3 / gas
    left = after["bull_kg"] - after["fill_kg"] - after["choke_kg"] - after["drain_kg"]
    assert manifold == pytest.approx(float(left), abs=CLOSED * through)
    metered = after["nozzle_kg"] - after["choke_kg"]
    pot = float(after["pot_kg"] - before["pot_kg"])
    assert pot == pytest.approx(
        float(after["fill_kg"] - after["vent_kg"] - metered), abs=CLOSED * through
    )


@pytest.mark.parametrize("faults", CASES, ids=lambda faults: "+".join(faults) or "healthy")
def test_energy_of_the_pot_closes(faults):
    before, after = worked(faults, Plant(wall_w_k=20.0, grain_w_k_kg=1.0))
    through = float(after["enthalpy_in_j"])
    assert through > 1e5
    kept = after["enthalpy_in_j"] - after["enthalpy_out_j"] + after["heat_j"] - after["work_j"]
    gained = float(after["pot_j"] - before["pot_j"])
    assert gained == pytest.approx(float(kept), abs=CLOSED * through)


def test_abrasive_closes():
    before, after = worked({}, Plant())
    gone = float(before["abrasive_kg"] + 100.0 - after["abrasive_kg"])
    assert gone == pytest.approx(float(after["fed_kg"]), abs=CLOSED * 100.0)
    assert gone > 30.0


def test_warm_pot_cools_and_pressure_follows_the_gas_law():
    # adiabatic filling warms the air; p V = m R T must still hold at the end
    plant = Plant(wall_w_k=0.0, grain_w_k_kg=0.0, choke_m3_s_pa=0.0)
    state = resting_state(plant)
    samples = np.zeros((model.ROWS, 100))
    model.advance(state, plant.row(), True, 0.1, 100, False, samples, 0)
    kelvin = float(state["pot_j"][0] / state["pot_kg"][0]) / (GAS_CONSTANT_J_KG_K / 0.4)
    assert kelvin > plant.air_k + 40.0
    pressure_pa = float(state["pot_kg"][0]) * GAS_CONSTANT_J_KG_K * kelvin / plant.vessel_m3
    gauge_pa = float(samples[model.POT, -1])
    assert gauge_pa + plant.atmosphere_pa == pytest.approx(pressure_pa, rel=1e-9)
