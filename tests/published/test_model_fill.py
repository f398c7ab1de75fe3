"""The simulated pot fills, leaks and exhausts as ISO 6358 says it must.

The expected times and pressures were computed with scipy's solve_ivp (rtol 1e-10) from ISO
6358-1:2013's flow law, with its ANR reference density, for an isothermal or an adiabatic vessel;
the isothermal ones agree with the closed form to 1e-9. Mark: computed. The project asks for 2 %;
the model is held to 0.5 %, of which 0.33 % is the gas constant (287.05 against the ANR's 288).
"""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds import model
from simulated_feeds.plant import SPECIFIC_HEAT_VOLUME_J_KG_K, Plant, resting_state

PSI_PA = 6894.757
SUPPLY_PSI_PA = 790_800.0 - 101_325.0
INTERVAL_S = 0.02
ISOTHERMAL_W_K = 1e9
WITHIN = 0.005


def reference_plant(**values: float) -> Plant:
    """A vessel on a supply that never sags, with nothing but a fill path, a leak or an exhaust."""
    assumptions = {
        "hold_supply": 1.0,
        "wall_w_k": ISOTHERMAL_W_K,
        "grain_w_k_kg": 0.0,
        "choke_m3_s_pa": 0.0,
        "metering_gas_m3_s_pa": 0.0,
        "drain_m3_s_pa": 0.0,
        "popup_open_m3_s_pa": 0.0,
        "relief_pa": 1e9,
        "leak_m3_s_pa": 0.0,
        "vessel_m3": 0.184,
        "fill_m3_s_pa": 1.0e-7,
        "fill_ratio": 0.30,
        "exhaust_m3_s_pa": 1.0e-7,
        "exhaust_ratio": 0.30,
        "leak_ratio": 0.30,
    }
    return Plant(**{**assumptions, **values})


def filled(plant: Plant, supply_gauge_pa: float, seconds: float) -> np.ndarray:
    """Open the fill path at once and give the pot's gauge pressure from t = 0 on."""
    state = resting_state(plant, supply_pa=supply_gauge_pa)
    state["signal"] = state["main_open"] = state["pinched"] = 1.0
    state["pinch_was_closed"] = 1.0
    samples = np.zeros((model.ROWS, round(seconds / INTERVAL_S)))
    model.advance(state, plant.row(), True, INTERVAL_S, samples.shape[1], False, samples, 0)
    return np.concatenate([[0.0], samples[model.POT]])


def emptied(plant: Plant, start_gauge_pa: float, seconds: float, pinched: bool) -> np.ndarray:
    """Let the pot blow down, or only leak when pinched, with the air valve shut."""
    state = resting_state(plant)
    state["pinched"] = 1.0 if pinched else 0.0
    state["pot_kg"] *= (start_gauge_pa + plant.atmosphere_pa) / plant.atmosphere_pa
    state["pot_j"] = state["pot_kg"] * SPECIFIC_HEAT_VOLUME_J_KG_K * plant.air_k
    samples = np.zeros((model.ROWS, round(seconds / INTERVAL_S)))
    model.advance(state, plant.row(), False, INTERVAL_S, samples.shape[1], False, samples, 0)
    return np.concatenate([[start_gauge_pa], samples[model.POT]])


def first_at(pressure_pa: np.ndarray, limit_pa: float, rising: bool = True) -> float:
    """Give when a pressure first passes a limit [s], between samples."""
    passed = pressure_pa >= limit_pa if rising else pressure_pa <= limit_pa
    assert passed.any(), f"never reached {limit_pa} Pa; ended at {pressure_pa[-1]} Pa"
    index = int(np.argmax(passed))
    before, after = pressure_pa[index - 1], pressure_pa[index]
    return float((index - 1 + (limit_pa - before) / (after - before)) * INTERVAL_S)


FILLS = [
    # vessel m3, C, leak C, [(psig, s)]
    (0.184, 10e-8, 0.0, [(50, 8.141), (90, 16.89), (95, 18.82), (98, 20.50)]),
    (0.085, 10e-8, 0.0, [(50, 3.761), (90, 7.802), (95, 8.692), (98, 9.472)]),
    (0.184, 25e-8, 0.0, [(50, 3.256), (90, 6.756), (95, 7.526), (98, 8.202)]),
    (0.184, 10e-8, 1e-8, [(50, 8.434), (90, 18.27), (95, 20.77), (98, 23.36)]),
    (0.184, 10e-8, 4e-8, [(50, 9.490), (90, 26.36)]),
    (0.085, 10e-8, 1e-8, [(50, 3.896), (90, 8.441), (95, 9.594), (98, 10.79)]),
]


@pytest.mark.parametrize(("vessel_m3", "fill", "leak", "times"), FILLS)
def test_fills_as_iso_6358_solved_by_scipy(vessel_m3, fill, leak, times):
    plant = reference_plant(vessel_m3=vessel_m3, fill_m3_s_pa=fill, leak_m3_s_pa=leak)
    pot_pa = filled(plant, SUPPLY_PSI_PA, 40.0)
    found = [first_at(pot_pa, psig * PSI_PA) for psig, _ in times]
    assert found == pytest.approx([seconds for _, seconds in times], rel=WITHIN)


@pytest.mark.parametrize(
    ("leak_share", "final_psig"),
    [(0.05, 99.90), (0.1, 99.60), (0.2, 98.42), (0.4, 94.01), (0.6, 87.55)],
)
def test_a_leak_settles_where_the_closed_form_says(leak_share, final_psig):
    # ISO 6358 balance of fill and choked leak, b 0.3: closed form, computed
    plant = reference_plant(fill_m3_s_pa=25e-8, leak_m3_s_pa=leak_share * 25e-8)
    pot_pa = filled(plant, SUPPLY_PSI_PA, 90.0)
    assert pot_pa[-1] / PSI_PA == pytest.approx(final_psig, abs=0.15)


def test_a_leak_of_a_tenth_shows_in_the_time_and_hardly_in_the_pressure():
    tight = filled(reference_plant(), SUPPLY_PSI_PA, 40.0)
    leaky = filled(reference_plant(leak_m3_s_pa=1e-8), SUPPLY_PSI_PA, 40.0)
    longer = first_at(leaky, 95 * PSI_PA) / first_at(tight, 95 * PSI_PA)
    assert longer == pytest.approx(1.104, abs=0.005)
    assert (tight[-1] - leaky[-1]) / PSI_PA == pytest.approx(0.40, abs=0.05)


@pytest.mark.parametrize(
    ("share_of_supply", "seconds"), [(0.5, 4.922), (0.9, 11.73), (0.95, 13.21), (0.99, 15.15)]
)
def test_fills_faster_without_heat_exchange(share_of_supply, seconds):
    plant = reference_plant(wall_w_k=0.0)
    pot_pa = filled(plant, SUPPLY_PSI_PA, 40.0)
    found = first_at(pot_pa, share_of_supply * 790_800.0 - plant.atmosphere_pa)
    assert found == pytest.approx(seconds, rel=WITHIN)


@pytest.mark.parametrize(
    ("vessel_m3", "fill", "ratio", "supply_pa", "leak", "wall_w_k", "seconds", "settles_pa"),
    [
        (0.184, 2.0e-7, 0.35, 800e3, 0.0, ISOTHERMAL_W_K, 8.1252, 800.0e3),
        (0.110, 2.0e-7, 0.35, 800e3, 0.0, ISOTHERMAL_W_K, 4.8575, 800.0e3),
        (0.184, 2.0e-7, 0.35, 800e3, 1.0e-8, ISOTHERMAL_W_K, 8.4143, 799.4e3),
        (0.184, 2.0e-7, 0.35, 800e3, 2.0e-8, ISOTHERMAL_W_K, 8.7341, 797.4e3),
        (0.085, 1.5e-7, 0.40, 700e3, 0.0, ISOTHERMAL_W_K, 4.8202, 700.0e3),
        (0.184, 2.0e-7, 0.35, 800e3, 0.0, 0.0, 5.8037, 800.0e3),
    ],
)
def test_fills_to_nine_tenths_of_the_supply(
    vessel_m3, fill, ratio, supply_pa, leak, wall_w_k, seconds, settles_pa
):
    # the same law from 100 kPa absolute with R 287.05, scipy solve_ivp rtol 1e-10: computed
    plant = reference_plant(
        atmosphere_pa=100e3,
        vessel_m3=vessel_m3,
        fill_m3_s_pa=fill,
        fill_ratio=ratio,
        leak_m3_s_pa=leak,
        wall_w_k=wall_w_k,
    )
    pot_pa = filled(plant, supply_pa - 100e3, 60.0)
    assert first_at(pot_pa, 0.9 * supply_pa - 100e3) == pytest.approx(seconds, rel=0.002)
    assert pot_pa[-1] + 100e3 == pytest.approx(settles_pa, rel=0.001)


EXHAUSTS = [
    (0.184, 10e-8, ISOTHERMAL_W_K, [10.53, 22.02, 28.58, 33.50, 38.02, 40.34]),
    (0.184, 10e-8, 0.0, [7.838, 17.15, 22.85, 27.30, 31.51, 33.70]),
    (0.085, 10e-8, ISOTHERMAL_W_K, [4.865, 10.17, 13.20, 15.48, 17.56, 18.63]),
    (0.184, 25e-8, ISOTHERMAL_W_K, [4.212, 8.808, 11.43, 13.40, 15.21, 16.14]),
]


@pytest.mark.parametrize(("vessel_m3", "exhaust", "wall_w_k", "times"), EXHAUSTS)
def test_exhausts_as_iso_6358_solved_by_scipy(vessel_m3, exhaust, wall_w_k, times):
    plant = reference_plant(vessel_m3=vessel_m3, exhaust_m3_s_pa=exhaust, wall_w_k=wall_w_k)
    pot_pa = emptied(plant, SUPPLY_PSI_PA, 50.0, pinched=False)
    found = [first_at(pot_pa, psig * PSI_PA, rising=False) for psig in (50, 20, 10, 5, 2, 1)]
    assert found == pytest.approx(times, rel=WITHIN)


@pytest.mark.parametrize(
    ("vessel_m3", "exhaust", "start_pa", "seconds"),
    [
        (0.184, 5e-7, 800e3, 5.7796),
        (0.110, 5e-7, 800e3, 3.4552),
        (0.085, 4e-7, 700e3, 3.1966),
    ],
)
def test_exhausts_to_a_tenth(vessel_m3, exhaust, start_pa, seconds):
    # the same law, R 287.05, isothermal: computed
    plant = reference_plant(atmosphere_pa=100e3, vessel_m3=vessel_m3, exhaust_m3_s_pa=exhaust)
    pot_pa = emptied(plant, start_pa - 100e3, 10.0, pinched=False)
    found = first_at(pot_pa, 0.1 * (start_pa - 100e3), rising=False)
    assert found == pytest.approx(seconds, rel=0.005)


@pytest.mark.parametrize(
    ("leak", "fall_psi"), [(0.05e-8, 1.86), (0.1e-8, 3.68), (0.5e-8, 17.3), (1.0e-8, 31.9)]
)
def test_a_shut_in_pot_loses_in_a_minute_what_its_leak_says(leak, fall_psi):
    plant = reference_plant(leak_m3_s_pa=leak, wedge_stuck=1.0)
    pot_pa = emptied(plant, SUPPLY_PSI_PA, 60.0, pinched=True)
    assert (pot_pa[0] - pot_pa[-1]) / PSI_PA == pytest.approx(fall_psi, rel=0.01)


def test_fill_time_follows_the_free_volume():
    # garnet, particle density 4.1 t/m3 (from memory): 52 to 60 % of its bulk is solid
    empty = filled(reference_plant(), SUPPLY_PSI_PA, 40.0)
    plant = reference_plant()
    state = resting_state(plant, abrasive_kg=300.0, supply_pa=SUPPLY_PSI_PA)
    state["signal"] = state["main_open"] = state["pinched"] = 1.0
    samples = np.zeros((model.ROWS, 2000))
    model.advance(state, plant.row(), True, INTERVAL_S, 2000, False, samples, 0)
    full = np.concatenate([[0.0], samples[model.POT]])
    free_share = 1.0 - 300.0 / plant.particle_kg_m3 / plant.vessel_m3
    found = first_at(full, 90 * PSI_PA) / first_at(empty, 90 * PSI_PA)
    assert found == pytest.approx(free_share, rel=0.002)
