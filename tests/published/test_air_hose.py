"""Hose loss against the isothermal equation solved elsewhere, fluids and the trade's hose table.

Cases A to C: isothermal flow with Colebrook's factor, 10 µm, 20 degC: computed with scipy and
fluids 1.3.1. Harris's compressed-air formula is here only to show that it is no truth for rubber.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from analytics import air

PSI_PA = 6_894.757
R_T = 287.05 * 293.15
ROUGHNESS_M = 10e-6

#: D m, L m, p1 Pa, kg/s, Re, f, p2 kPa, isothermal, incompressible and Harris's fall kPa
CASES = {
    "A": (31.75e-3, 15.24, 790.80e3, 0.11138, 2.453e5, 0.01742, 781.92, 8.876, 8.803, 14.77),
    "B": (32.00e-3, 40.00, 859.75e3, 0.13300, 2.907e5, 0.01711, 830.54, 29.21, 28.62, 48.78),
    "C": (25.40e-3, 20.00, 790.80e3, 0.11138, 3.067e5, 0.01755, 754.18, 36.62, 35.53, 63.40),
}


def factor(flow_kg_s: float, diameter_m: float) -> float:
    reynolds = air.reynolds_number(flow_kg_s, diameter_m)
    return float(air.darcy_friction_factor(reynolds, ROUGHNESS_M / diameter_m))


@pytest.mark.parametrize("case", CASES)
def test_cases(case):
    diameter, length, p1, flow, reynolds, friction, p2_kpa, fall_kpa, dense_kpa, _ = CASES[case]
    assert float(air.reynolds_number(flow, diameter)) == pytest.approx(reynolds, rel=2e-4)
    f = factor(flow, diameter)
    assert f == pytest.approx(friction, abs=6e-6)
    p2 = float(air.hose_outlet_pa(p1, flow, diameter, length, f))
    assert p2 / 1e3 == pytest.approx(p2_kpa, abs=0.006)
    assert (p1 - p2) / 1e3 == pytest.approx(fall_kpa, rel=3e-4)
    # the fall of an incompressible fluid as dense as at the inlet is what it tends to
    flux = flow / float(air.bore_area_m2(diameter))
    dense = f * length / diameter * flux**2 / (2.0 * p1 / R_T)
    assert dense / 1e3 == pytest.approx(dense_kpa, rel=3e-4)
    assert p1 - p2 > dense


@pytest.mark.parametrize("case", CASES)
def test_cases_against_fluids(case):
    # fluids' docstring calls its density an average; only the density of the UPSTREAM state makes
    # its formula the equation above. With the mean one it is 0.6 to 2.5 % off: computed.
    fluids = pytest.importorskip("fluids")
    diameter, length, p1, flow = CASES[case][:4]
    reynolds = float(air.reynolds_number(flow, diameter))
    f = fluids.friction_factor(Re=reynolds, eD=ROUGHNESS_M / diameter)
    p2 = float(air.hose_outlet_pa(p1, flow, diameter, length, f))
    found = fluids.isothermal_gas(rho=p1 / R_T, fd=f, P1=p1, P2=p2, L=length, D=diameter)
    assert found == pytest.approx(flow, rel=1e-9)
    mean_density = (p1 + p2) / 2.0 / R_T
    wrong = fluids.isothermal_gas(rho=mean_density, fd=f, P1=p1, P2=p2, L=length, D=diameter)
    assert 0.002 < 1.0 - wrong / flow < 0.02


@pytest.mark.parametrize(
    ("reynolds", "relative", "expected"),
    [(1e5, 0.0, 0.017990), (1e5, 1e-4, 0.018514), (5e5, 3e-4, 0.016275)],
)
def test_colebrook(reynolds, relative, expected):
    # Colebrook's equation solved with fluids 1.3.1: computed
    found = float(air.darcy_friction_factor(reynolds, relative))
    assert found == pytest.approx(expected, abs=6e-7)


def test_colebrook_over_the_whole_range_against_fluids():
    fluids = pytest.importorskip("fluids")
    for reynolds in np.logspace(math.log10(2_100.0), 7.0, 21):
        for relative in (0.0, 1e-6, 1e-4, 3e-4, 1e-2, 5e-2):
            found = float(air.darcy_friction_factor(reynolds, relative))
            with np.errstate(over="ignore"):  # inside fluids, which then takes another branch
                exact = fluids.friction.Colebrook(reynolds, relative)
            assert found == pytest.approx(exact, rel=1e-9), (reynolds, relative)
            # and the equation itself, whatever a library says
            root = 1.0 / math.sqrt(found)
            right = -2.0 * math.log10(relative / 3.7 + 2.51 / reynolds * root)
            assert root == pytest.approx(right, rel=1e-12)


def test_laminar_flow():
    # Hagen and Poiseuille: 64/Re, textbook
    assert air.darcy_friction_factor([100.0, 2_000.0], 0.01).tolist() == [0.64, 0.032]


#: bore [in]: what the trade prints, isothermal smooth theory, Harris; psi
TRADE_HOSE = {0.75: (11.1, 10.74, 18.9), 1.0: (2.4, 2.388, 4.10), 1.25: (0.7, 0.774, 1.25),
              1.5: (0.2, 0.312, 0.477)}  # fmt: skip


@pytest.mark.parametrize("bore_in", TRADE_HOSE)
def test_trade_hose_table_is_smooth_hose_theory(bore_in):
    # 150 cfm of air alone, 100 psig, 50 ft: printed (published), theory and Harris (computed)
    printed, smooth, harris = TRADE_HOSE[bore_in]
    flow = float(air.mass_flow_of_free_air_kg_s(150.0, "cfm"))
    diameter, p1 = bore_in * 25.4e-3, 790_800.0
    p2 = float(air.hose_outlet_pa(p1, flow, diameter, 15.24, factor(flow, diameter)))
    fall = (p1 - p2) / PSI_PA
    # "smooth" is the 10 µm of the cases above
    assert fall == pytest.approx(smooth, rel=1e-3)
    # a band: the table has one digit after the point and no couplings
    assert fall == pytest.approx(printed, abs=0.13, rel=0.04)
    assert 1.5 < harris / fall < 1.8


def test_the_example_in_the_documentation_of_fluids():
    # isothermal_gas(rho=11.3, fd=0.00185, P1=1E6, P2=9E5, L=1000, D=0.5) -> 145.48 kg/s: published
    # in its documentation; density of the upstream state, so R T = P1/rho
    flow, length, diameter, friction = 145.48, 1000.0, 0.5, 0.00185
    kelvin = 1e6 / 11.3 / 287.05
    found = float(air.hose_outlet_pa(1e6, flow, diameter, length, friction, kelvin))
    assert found == pytest.approx(9e5, rel=2e-5)


@pytest.mark.parametrize(("bore_in", "loaded_psi"), [(1.0, 16.0), (1.25, 7.0), (1.5, 2.0)])
def test_a_hose_that_carries_abrasive_loses_several_times_as_much(bore_in, loaded_psi):
    # a trade test over 50 ft (published; its nozzle is not stated, 150 cfm taken): so the loss of a
    # loaded hose is fitted, never predicted from clean air
    flow = float(air.mass_flow_of_free_air_kg_s(150.0, "cfm"))
    diameter, p1 = bore_in * 25.4e-3, 790_800.0
    p2 = float(air.hose_outlet_pa(p1, flow, diameter, 15.24, factor(flow, diameter)))
    assert 6.0 < loaded_psi / ((p1 - p2) / PSI_PA) < 10.0


def test_choking_at_the_end_of_a_long_hose():
    # isothermal flow ends where p2 = G sqrt(R T), textbook; the equation solved by scipy below it
    diameter, length, f, p1 = 0.0254, 100.0, 0.018, 800e3
    area = math.pi / 4 * diameter**2

    def left_over(p2: float, flow: float) -> float:
        flux = flow / area
        return p1**2 - p2**2 - flux**2 * R_T * (f * length / diameter + 2.0 * math.log(p1 / p2))

    def at_most(flow: float) -> float:
        return left_over(flow / area * math.sqrt(R_T), flow)

    largest = brentq(at_most, 1e-3, 1.0, xtol=1e-14)
    assert np.isnan(air.hose_outlet_pa(p1, largest * 1.000001, diameter, length, f))
    for share in (0.1, 0.5, 0.9, 0.99, 0.999999):
        flow = share * largest
        sonic = flow / area * math.sqrt(R_T)
        exact = brentq(left_over, sonic, p1, args=(flow,), xtol=1e-6)
        found = float(air.hose_outlet_pa(p1, flow, diameter, length, f))
        assert found == pytest.approx(exact, rel=1e-7)


def test_loss_index_of_a_worn_nozzle_grows_with_the_fourth_power_of_its_bore():
    # scipy finds the pressures of pot, hose and choked nozzle in series, with the full equation
    diameter, length, f, p1 = 31.75e-3, 15.24, 0.10, 700e3
    indices = []
    for bore_m in (9.525e-3, 1.1 * 9.525e-3):

        def excess(p2: float, bore_m: float = bore_m) -> float:
            flow = 0.040415 * math.pi / 4 * bore_m**2 * p2 / math.sqrt(293.15)
            return float(air.hose_outlet_pa(p1, flow, diameter, length, f)) - p2

        indices.append(air.hose_loss_index(p1, brentq(excess, 3e5, p1, xtol=1e-6)))
    assert float(air.relative_bore(indices[1], indices[0])) == pytest.approx(1.1, rel=1e-3)
