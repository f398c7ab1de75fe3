"""Filling and emptying a vessel by ISO 6358: closed forms, and scipy where there is none.

Cases F1 to F6 and E1 to E3: supply 100 psig = 790.80 kPa absolute, from or to 101.325 kPa,
293.15 K, b 0.30, ANR with R 288 (so ρ0 R T0 = 100.046 kPa), scipy solve_ivp rtol 1e-10: computed.
The others start from 100 kPa with R 287.05: computed alike.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analytics import air

PSI_PA = 6_894.757
SUPPLY_PA = 790_800.0
AROUND_PA = 101_325.0
ANR_GAS = 288.0
B = 0.30


def absolute(psig: float) -> float:
    return psig * PSI_PA + AROUND_PA


def integrated_times(
    targets_pa: list[float],
    *,
    volume_m3: float,
    fill: float = 0.0,
    leak: float = 0.0,
    out: float = 0.0,
    start_pa: float = AROUND_PA,
    index: float = 1.0,
    fill_b: float = B,
    supply_pa: float = SUPPLY_PA,
    around_pa: float = AROUND_PA,
    gas: float = ANR_GAS,
    emptying_adiabatic: bool = False,
) -> list[float]:
    """When a vessel first passes each pressure, by scipy on our flow function; nan for never."""

    def slope(_: float, state: np.ndarray) -> list[float]:
        p = state[0]
        kelvin = 293.15 * (p / start_pa) ** (0.4 / 1.4) if emptying_adiabatic else 293.15
        gain = air.restriction_flow_kg_s(fill, fill_b, supply_pa, p)
        loss = air.restriction_flow_kg_s(leak + out, B, p, around_pa, kelvin)
        n = 1.4 if emptying_adiabatic else index
        return [n * gas * kelvin / volume_m3 * float(gain - loss)]

    events = [lambda t, y, target=target: y[0] - target for target in targets_pa]
    found = solve_ivp(slope, (0.0, 60.0), [start_pa], events=events, rtol=1e-9, atol=1e-3,
                      max_step=0.2)  # fmt: skip
    return [float(times[0]) if times.size else math.nan for times in found.t_events]


#: case: V m3, C 1e-8, C_leak 1e-8, K 1/s, s to 50, 90, 95, 98 psig, s to full
FILLS = {
    "F1": (0.184, 10, 0, 0.05437, (8.141, 16.89, 18.82, 20.50), 23.38),
    "F2": (0.085, 10, 0, 0.1177, (3.761, 7.802, 8.692, 9.472), 10.80),
    "F3": (0.184, 25, 0, 0.1359, (3.256, 6.756, 7.526, 8.202), 9.353),
    "F4": (0.184, 10, 1, 0.05437, (8.434, 18.27, 20.77, 23.36), math.nan),
    "F5": (0.184, 10, 4, 0.05437, (9.490, 26.36, math.nan, math.nan), math.nan),
    "F6": (0.085, 10, 1, 0.1177, (3.896, 8.441, 9.594, 10.79), math.nan),
}
PSIG = (50.0, 90.0, 95.0, 98.0)


@pytest.mark.parametrize("case", ["F1", "F2", "F3"])
def test_tight_fills_by_the_closed_form(case):
    volume, conductance, _, rate, times, full = FILLS[case]
    tau = air.exhaust_time_constant_s(volume, conductance * 1e-8, gas_constant_j_kg_k=ANR_GAS)
    assert 1.0 / float(tau) == pytest.approx(rate, rel=5e-4)
    targets = [absolute(psig) for psig in PSIG] + [SUPPLY_PA]
    found = air.fill_time_s(
        AROUND_PA, targets, SUPPLY_PA, volume, conductance * 1e-8, B, gas_constant_j_kg_k=ANR_GAS
    )
    assert found == pytest.approx([*times, full], rel=5e-4)


@pytest.mark.parametrize("case", FILLS)
def test_fills_by_integration_of_the_flow_function(case):
    volume, conductance, leak, _, times, _ = FILLS[case]
    found = integrated_times(
        [absolute(psig) for psig in PSIG],
        volume_m3=volume, fill=conductance * 1e-8, leak=leak * 1e-8,
    )  # fmt: skip
    assert found == pytest.approx(times, rel=5e-4, nan_ok=True)


def test_first_fill_to_shares_of_the_supply():
    # F1 to 0.5, 0.9, 0.95, 0.99 of the absolute supply, isothermal and adiabatic: computed
    shares = np.array([0.5, 0.9, 0.95, 0.99]) * SUPPLY_PA
    for index, times in ((1.0, (6.891, 16.42, 18.49, 21.20)), (1.4, (4.922, 11.73, 13.21, 15.15))):
        found = air.fill_time_s(
            AROUND_PA, shares, SUPPLY_PA, 0.184, 1e-7, B,
            gas_constant_j_kg_k=ANR_GAS, polytropic_index=index,
        )  # fmt: skip
        assert found == pytest.approx(times, rel=5e-4)


def test_first_fill_through_an_ideal_orifice_of_the_same_conductance():
    # St Venant and Wantzel, r_crit 0.528: 6.839, 15.22, 16.94, 19.18 s: computed
    area = 1e-7 / float(air.orifice_conductance_m3_s_pa(1.0))

    def slope(_: float, state: np.ndarray) -> list[float]:
        flow = air.nozzle_flow_kg_s(SUPPLY_PA, state[0], 293.15, area)
        return [ANR_GAS * 293.15 / 0.184 * float(flow)]

    events = [
        lambda t, y, share=share: y[0] - share * SUPPLY_PA for share in (0.5, 0.9, 0.95, 0.99)
    ]
    found = solve_ivp(
        slope, (0, 30), [AROUND_PA], events=events, rtol=1e-9, atol=1e-3, max_step=0.1
    )
    times = [float(at[0]) for at in found.t_events]
    assert times == pytest.approx([6.839, 15.22, 16.94, 19.18], rel=1e-3)


@pytest.mark.parametrize(
    ("leak_ratio", "ratio", "psig"),
    [(0.05, 0.99913, 99.90), (0.1, 0.99652, 99.60), (0.2, 0.98625, 98.42), (0.4, 0.94775, 94.01),
     (0.6, 0.89145, 87.55)],
)  # fmt: skip
def test_where_a_leaking_vessel_settles(leak_ratio, ratio, psig):
    # b 0.3 for both: computed
    found = float(air.settled_ratio(leak_ratio, B))
    assert found == pytest.approx(ratio, abs=6e-6)
    assert (found * SUPPLY_PA - AROUND_PA) / PSI_PA == pytest.approx(psig, abs=0.006)


def test_time_shows_a_leak_and_final_pressure_does_not():
    # a leak of a tenth: 0.40 psi at the end, t to 95 psig +10.4 %, to 98 psig +14 %: computed
    tight = air.fill_time_s(
        AROUND_PA, [absolute(95), absolute(98)], SUPPLY_PA, 0.184, 1e-7, B,
        gas_constant_j_kg_k=ANR_GAS,
    )  # fmt: skip
    leaky = integrated_times([absolute(95), absolute(98)], volume_m3=0.184, fill=1e-7, leak=1e-8)
    assert np.array(leaky) / tight == pytest.approx([1.104, 1.14], abs=1.5e-3)
    lost = (1.0 - float(air.settled_ratio(0.1, B))) * SUPPLY_PA / PSI_PA
    assert lost == pytest.approx(0.40, abs=0.005)


@pytest.mark.parametrize(
    ("volume", "conductance", "ratio", "supply", "leak", "index", "seconds", "settles_kpa"),
    [
        (0.184, 2.0e-7, 0.35, 800e3, 0.0, 1.0, 8.1252, 800.0),
        (0.110, 2.0e-7, 0.35, 800e3, 0.0, 1.0, 4.8575, 800.0),
        (0.184, 2.0e-7, 0.35, 800e3, 1.0e-8, 1.0, 8.4143, 799.4),
        (0.184, 2.0e-7, 0.35, 800e3, 2.0e-8, 1.0, 8.7341, 797.4),
        (0.085, 1.5e-7, 0.40, 700e3, 0.0, 1.0, 4.8202, 700.0),
        (0.184, 2.0e-7, 0.35, 800e3, 0.0, 1.4, 5.8037, 800.0),
    ],
)
def test_time_to_nine_tenths(volume, conductance, ratio, supply, leak, index, seconds, settles_kpa):
    # from 100 kPa absolute, R 287.05: computed
    if leak == 0.0:
        found = float(
            air.fill_time_s(
                1e5, 0.9 * supply, supply, volume, conductance, ratio, polytropic_index=index
            )
        )
        assert found == pytest.approx(seconds, abs=6e-5)
    (integrated,) = integrated_times(
        [0.9 * supply], volume_m3=volume, fill=conductance, fill_b=ratio, leak=leak, start_pa=1e5,
        supply_pa=supply, around_pa=1e5, index=index, gas=287.05,
    )  # fmt: skip
    assert integrated == pytest.approx(seconds, abs=2e-4)
    settled = float(air.settled_ratio(leak / conductance, ratio)) * supply / 1e3
    assert settled == pytest.approx(settles_kpa, abs=0.06)


#: case: V m3, C 1e-8, tau s, s to 50, 20, 10, 5, 2, 1 psig, s until it is no longer choked
EXHAUSTS = {
    "E1": (0.184, 10, 18.39, (10.53, 22.02, 28.58, 33.50, 38.02, 40.34), 15.65),
    "E2": (0.085, 10, 8.496, (4.865, 10.17, 13.20, 15.48, 17.56, 18.63), 7.228),
    "E3": (0.184, 25, 7.357, (4.212, 8.808, 11.43, 13.40, 15.21, 16.14), 6.259),
}
DOWN_PSIG = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0)


@pytest.mark.parametrize("case", EXHAUSTS)
def test_exhausts_by_the_closed_form_and_by_integration(case):
    volume, conductance, tau, times, choked_s = EXHAUSTS[case]
    found = air.exhaust_time_constant_s(volume, conductance * 1e-8, gas_constant_j_kg_k=ANR_GAS)
    assert float(found) == pytest.approx(tau, rel=5e-4)
    targets = [absolute(psig) for psig in DOWN_PSIG]
    closed = air.exhaust_time_s(
        SUPPLY_PA, [*targets, AROUND_PA / B], volume, conductance * 1e-8, B,
        gas_constant_j_kg_k=ANR_GAS,
    )  # fmt: skip
    assert closed == pytest.approx([*times, choked_s], rel=5e-4)
    integrated = integrated_times(
        targets, volume_m3=volume, out=conductance * 1e-8, start_pa=SUPPLY_PA
    )
    assert integrated == pytest.approx(closed[:-1].tolist(), rel=1e-5)


def test_exhaust_ceases_to_be_choked_at_337_75_kpa():
    # E1: computed
    tau = air.exhaust_time_constant_s(0.184, 1e-7, gas_constant_j_kg_k=ANR_GAS)
    assert SUPPLY_PA * math.exp(-15.65 / float(tau)) == pytest.approx(337_750.0, rel=5e-4)


def test_exhaust_without_heat_exchange_by_integration():
    # E1 adiabatic: 7.838, 17.15, 22.85, 27.30, 31.51, 33.70 s: computed
    found = integrated_times(
        [absolute(psig) for psig in DOWN_PSIG], volume_m3=0.184, out=1e-7, start_pa=SUPPLY_PA,
        emptying_adiabatic=True,
    )  # fmt: skip
    assert found == pytest.approx([7.838, 17.15, 22.85, 27.30, 31.51, 33.70], rel=5e-4)


@pytest.mark.parametrize(
    ("volume", "conductance", "start", "seconds"),
    [(0.184, 5e-7, 800e3, 5.7796), (0.110, 5e-7, 800e3, 3.4552), (0.085, 4e-7, 700e3, 3.1966)],
)
def test_exhaust_to_a_tenth_of_the_gauge_pressure(volume, conductance, start, seconds):
    # b 0.3, to 100 kPa, R 287.05: computed
    target = 1e5 + 0.1 * (start - 1e5)
    found = air.exhaust_time_s(start, target, volume, conductance, B, atmosphere_pa=1e5)
    assert float(found) == pytest.approx(seconds, abs=6e-5)


@pytest.mark.parametrize("b", [0.1, 0.2, 0.4, 0.4999999, 0.5, 0.5000001, 0.528, 0.7])
def test_exhaust_for_every_critical_ratio_against_integration(b):
    # dp/dt = -p φ(p_atm/p)/τ in dimensionless form, by scipy's quadrature
    from scipy.integrate import quad

    def waits(log_p: float) -> float:
        return 1.0 / float(air.restriction_flow_function(AROUND_PA / math.exp(log_p), b))

    found = float(air.exhaust_time_s(SUPPLY_PA, absolute(1.0), 0.184, 1e-7, b))
    tau = float(air.exhaust_time_constant_s(0.184, 1e-7))
    limits = (math.log(absolute(1.0)), math.log(SUPPLY_PA))
    edge = math.log(AROUND_PA / b)
    exact, _ = quad(waits, *limits, points=[edge] if edge < limits[1] else None, epsabs=1e-11)
    assert found == pytest.approx(tau * exact, rel=1e-8)


@pytest.mark.parametrize(
    ("leak", "fall_psi", "hole_mm"),
    [(0.05e-8, 1.86, 0.72), (0.1e-8, 3.68, 1.02), (0.5e-8, 17.3, 2.27), (1.0e-8, 31.9, 3.21)],
)
def test_shut_in_decay_of_a_minute(leak, fall_psi, hole_mm):
    # V 0.184 m3 from 100 psig; hole: sharp, Cd 0.62: computed
    tau = float(air.exhaust_time_constant_s(0.184, leak, gas_constant_j_kg_k=ANR_GAS))
    after = SUPPLY_PA * math.exp(-60.0 / tau)
    assert after > AROUND_PA / B
    assert (SUPPLY_PA - after) / PSI_PA == pytest.approx(fall_psi, abs=0.06)
    back = air.exhaust_time_s(SUPPLY_PA, after, 0.184, leak, B, gas_constant_j_kg_k=ANR_GAS)
    assert float(back) == pytest.approx(60.0, rel=1e-9)
    hole = air.orifice_conductance_m3_s_pa(air.bore_area_m2(hole_mm * 1e-3), 0.62)
    assert float(hole) == pytest.approx(leak, rel=0.01)


@pytest.mark.parametrize(
    ("bore_in", "dm3_s_bar"), [(0.375, 14.19), (0.5, 25.23), (0.75, 56.78), (1.0, 100.9)]
)
def test_conductance_of_an_ideal_orifice(bore_in, dm3_s_bar):
    # C [dm3/(s bar)] = 0.19919 Cd A [mm2]: computed
    area = air.bore_area_m2(bore_in * 25.4e-3)
    found = float(air.orifice_conductance_m3_s_pa(area)) * 1e8
    assert found == pytest.approx(dm3_s_bar, rel=4e-4)
    assert found / (float(area) * 1e6) == pytest.approx(0.19919, abs=6e-6)


def test_free_volume_sets_the_fill_time():
    # garnet 4.1 t/m3 in grain, 2.2 in bulk (from memory): half full 0.73, nine tenths full 0.52 of
    # the empty time: computed
    shares = 1.0 - np.array([0.5, 0.9]) * 2.2 / 4.1
    found = air.fill_time_s(AROUND_PA, 7e5, SUPPLY_PA, 0.184 * shares, 1e-7, B)
    empty = air.fill_time_s(AROUND_PA, 7e5, SUPPLY_PA, 0.184, 1e-7, B)
    assert found / empty == pytest.approx([0.73, 0.52], abs=0.006)
