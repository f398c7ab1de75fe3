"""The simulated hoses lose what isothermal flow in a long pipe loses.

Sources: p1^2 - p2^2 = G^2 R T (f L/D + 2 ln(p1/p2)) with Colebrook's friction factor, textbook
(Crane TP-410, Perry: from memory), cases computed; fluids' `isothermal_gas` with the density at
the upstream state (computed); a trade hose table for air only (published).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulated_feeds import model
from simulated_feeds.flows import (
    AIR_VISCOSITY_PA_S,
    friction_step,
    hose_resistance,
)
from simulated_feeds.plant import Plant, resting_state

AIR_K = 293.15
ROUGHNESS_M = 10e-6


def friction(flow_kg_s: float, diameter_m: float, roughness_m: float = ROUGHNESS_M) -> float:
    """Take the model's friction steps until they no longer move."""
    factor = 0.02
    for _ in range(40):
        factor = friction_step(factor, flow_kg_s, diameter_m, roughness_m)
    return factor


def pressure_after(p1_pa: float, flow_kg_s: float, diameter_m: float, length_m: float) -> float:
    """Give the pressure after a hose, the logarithm taken from the step before as in the model."""
    factor = friction(flow_kg_s, diameter_m)
    p2_pa, log_term = p1_pa, 0.0
    for _ in range(40):
        resistance = hose_resistance(diameter_m, length_m, factor, log_term, AIR_K)
        p2_pa = math.sqrt(p1_pa**2 - resistance * flow_kg_s**2)
        log_term = 2.0 * math.log(p1_pa / p2_pa)
    return p2_pa


@pytest.mark.parametrize(
    ("diameter_m", "length_m", "p1_kpa", "flow_kg_s", "factor", "p2_kpa", "fall_kpa"),
    [
        (31.75e-3, 15.24, 790.80, 0.11138, 0.01742, 781.92, 8.876),
        (32.00e-3, 40.00, 859.75, 0.13300, 0.01711, 830.54, 29.21),
        (25.40e-3, 20.00, 790.80, 0.11138, 0.01755, 754.18, 36.62),
    ],
)
def test_hose_cases(diameter_m, length_m, p1_kpa, flow_kg_s, factor, p2_kpa, fall_kpa):
    assert friction(flow_kg_s, diameter_m) == pytest.approx(factor, abs=5e-6)
    p2_pa = pressure_after(p1_kpa * 1e3, flow_kg_s, diameter_m, length_m)
    assert p2_pa / 1e3 == pytest.approx(p2_kpa, abs=0.01)
    assert p1_kpa - p2_pa / 1e3 == pytest.approx(fall_kpa, rel=1e-3)


@pytest.mark.parametrize(
    ("reynolds", "relative", "factor"),
    [(1e5, 0.0, 0.017990), (1e5, 1e-4, 0.018514), (5e5, 3e-4, 0.016275)],
)
def test_colebrook(reynolds, relative, factor):
    # Colebrook's equation solved: computed
    diameter_m = 0.05
    flow_kg_s = reynolds * math.pi * diameter_m * AIR_VISCOSITY_PA_S / 4.0
    found = friction(flow_kg_s, diameter_m, relative * diameter_m)
    assert found == pytest.approx(factor, abs=1e-6)


@pytest.mark.parametrize(
    ("diameter_in", "fall_psi"), [(0.75, 10.74), (1.0, 2.388), (1.25, 0.774), (1.5, 0.312)]
)
def test_trade_hose_table_is_smooth_hose_theory(diameter_in, fall_psi):
    # 150 cfm of air alone, 100 psig, 50 ft. The trade prints 11.1, 2.4, 0.7, 0.2 psi (published);
    # smooth isothermal theory is what is asked of the model here (computed).
    flow_kg_s = 150 * 0.4719474e-3 * 1.2041
    p1_pa = 790_800.0
    diameter_m = diameter_in * 25.4e-3
    found = (p1_pa - pressure_after(p1_pa, flow_kg_s, diameter_m, 15.24)) / 6894.757
    assert found == pytest.approx(fall_psi, rel=0.02)


@pytest.mark.parametrize("length_m", [10.0, 20.0, 40.0])
@pytest.mark.parametrize("diameter_m", [0.0254, 0.03175])
def test_the_running_model_agrees_with_fluids(length_m, diameter_m):
    fluids = pytest.importorskip("fluids")
    plant = Plant(
        hold_supply=1.0,
        hose_length_m=length_m,
        hose_diameter_m=diameter_m,
        metering_gas_m3_s_pa=0.0,
    )
    state = resting_state(plant, supply_pa=700_000.0)
    samples = np.zeros((model.ROWS, 300))
    model.advance(state, plant.row(), True, 0.1, 300, False, samples, 0)
    end = state[0]
    head_pa, nozzle_pa = float(end["hose_pa"]), float(end["nozzle_pa"])
    flow = fluids.isothermal_gas(
        rho=head_pa / (287.05 * plant.air_k),
        fd=fluids.friction_factor(
            Re=4 * float(end["nozzle_kg_s"]) / (math.pi * diameter_m * AIR_VISCOSITY_PA_S),
            eD=plant.roughness_m / diameter_m,
        ),
        P1=head_pa,
        P2=nozzle_pa,
        L=length_m,
        D=diameter_m,
    )
    assert float(end["nozzle_kg_s"]) == pytest.approx(flow, rel=0.02)


def test_abrasive_takes_several_times_the_pressure_of_air_alone():
    # Trade test, 50 ft of 1 1/4 in hose: 7 psi with abrasive against 0.7 psi (published, nozzle not
    # stated), so only "several times" is a fact.
    lost = []
    for abrasive_kg in (0.0, 200.0):
        plant = Plant(hold_supply=1.0, hose_length_m=15.24)
        state = resting_state(plant, supply_pa=700_000.0, abrasive_kg=abrasive_kg)
        samples = np.zeros((model.ROWS, 300))
        model.advance(state, plant.row(), True, 0.1, 300, False, samples, 0)
        lost.append(float(state["hose_pa"][0] - state["nozzle_pa"][0]))
    assert 3.0 < lost[1] / lost[0] < 12.0
