"""Air, over the whole range it holds for: signs, order, limits, round trips, arrays, bad values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics import air

bores = st.floats(1e-3, 30e-3)
gauges = st.floats(0.0, 2e6)
ratios = st.floats(0.05, 0.9)
shares = st.floats(0.0, 1.0)
kelvins = st.floats(230.0, 350.0)


@given(bores, gauges, gauges, kelvins)
def test_demand_rises_with_pressure_and_is_never_negative(bore, one, other, kelvin):
    low, high = sorted((one, other))
    less, more = air.nozzle_air_demand_kg_s(bore, np.array([low, high]), kelvin)
    assert 0.0 <= less <= more


@given(gauges, st.floats(1.01, 3.0))
def test_demand_goes_with_the_square_of_the_bore(gauge, growth):
    small, large = air.nozzle_air_demand_kg_s(np.array([5e-3, 5e-3 * growth]), gauge)
    assert large == pytest.approx(small * growth**2, rel=1e-12)


@given(st.floats(1e4, 2e6), shares)
def test_choked_flow_is_the_most_that_passes(upstream, ratio):
    flow = air.nozzle_flow_kg_s(upstream, ratio * upstream, 293.15, 1e-4)
    choked = air.nozzle_flow_kg_s(upstream, 0.0, 293.15, 1e-4)
    assert 0.0 <= flow <= choked * (1 + 1e-12)
    if ratio < 0.528:
        assert flow == pytest.approx(choked, rel=1e-12)
    if ratio > 0.54:
        assert flow < choked * 0.9999


def test_nothing_passes_without_a_fall():
    assert air.nozzle_flow_kg_s(5e5, [5e5, 6e5], 293.15, 1e-4).tolist() == [0.0, 0.0]
    assert air.restriction_flow_kg_s(1e-7, 0.3, 5e5, [5e5, 6e5]).tolist() == [0.0, 0.0]


def test_missing_values_stay_missing():
    gap = np.array([np.nan, 5e5])
    for found in (
        air.nozzle_flow_kg_s(gap, 1e5, 293.15, 1e-4),
        air.restriction_flow_kg_s(1e-7, 0.3, gap, 1e5),
        air.hose_outlet_pa(gap, 0.05, 0.0254, 10.0, 0.02),
        air.fill_time_s(1e5, gap, 8e5, 0.1, 1e-7, 0.3),
        air.exhaust_time_s(gap, 2e5, 0.1, 1e-7, 0.3),
        air.production_lost(gap + 1e5),
        air.hose_loss_index(gap, 4e5),
        air.relative_bore(gap, 4e5),
        air.darcy_friction_factor(gap),
    ):
        assert np.isnan(found).tolist() == [True, False]


@given(shares, shares, ratios)
def test_flow_function_falls_from_one_to_nothing(one, other, b):
    low, high = sorted((one, other))
    at_low, at_high = air.restriction_flow_function([low, high], b)
    assert 0.0 <= at_high <= at_low <= 1.0
    assert float(air.restriction_flow_function(b, b)) == 1.0
    assert float(air.restriction_flow_function(1.0, b)) == 0.0


@given(st.floats(0.53, 1.0))
def test_flow_function_with_the_ideal_ratio_is_near_the_ideal_nozzle(ratio):
    # the ellipse of ISO 6358 against St Venant and Wantzel: within 1 % of the choked flow
    b = float(air.critical_pressure_ratio())
    ideal = air.nozzle_flow_kg_s(1e6, ratio * 1e6, 293.15, 1e-4)
    conductance = air.orifice_conductance_m3_s_pa(1e-4)
    found = air.restriction_flow_kg_s(conductance, b, 1e6, ratio * 1e6)
    choked = air.nozzle_flow_kg_s(1e6, 0.0, 293.15, 1e-4)
    assert abs(float((found - ideal) / choked)) < 0.01


@pytest.mark.parametrize("b", [-0.1, 1.0, 1.5])
def test_a_critical_ratio_that_is_none_is_refused(b):
    with pytest.raises(ValueError, match="critical pressure ratio"):
        air.restriction_flow_function(0.5, b)


@given(st.floats(1e-4, 1.0), st.sampled_from(sorted(air.M3_S_PER)))
def test_free_air_there_and_back(flow, unit):
    for reference in (air.DRY_FREE_AIR, air.ANR):
        volume = air.free_air(flow, unit, reference)
        back = air.mass_flow_of_free_air_kg_s(volume, unit, reference)
        assert float(back) == pytest.approx(flow, rel=1e-12)


def test_an_unknown_unit_is_refused():
    with pytest.raises(ValueError, match="scfm is none of"):
        air.free_air(1.0, "scfm")


@given(gauges, st.floats(6e4, 1.1e5))
def test_gauge_there_and_back(gauge, atmosphere):
    back = air.gauge_pa(air.absolute_pa(gauge, atmosphere), atmosphere)
    assert float(back) == pytest.approx(gauge, abs=1e-9)


def test_altitude_outside_the_troposphere_has_no_figure():
    assert np.isnan(air.atmosphere_at_altitude_pa([-3_000.0, 12_000.0, np.nan])).all()
    assert float(air.atmosphere_at_altitude_pa(0.0)) == 101_325.0


@given(st.floats(2_050.0, 1e8), st.floats(0.0, 0.05), st.floats(1.01, 10.0))
def test_friction_falls_with_speed_and_rises_with_roughness(reynolds, rough, growth):
    here, faster = air.darcy_friction_factor([reynolds, growth * reynolds], rough)
    rougher = air.darcy_friction_factor(reynolds, min(growth * rough + 1e-6, 0.05))
    assert 0.0 < faster <= here
    assert here * (1 - 1e-12) <= rougher < 0.1


def test_no_friction_factor_without_flow():
    assert np.isnan(air.darcy_friction_factor([0.0, -1.0, np.nan])).all()


@given(
    st.floats(2e5, 2e6), st.floats(1e-4, 0.3), st.floats(0.015, 0.05), st.floats(0.1, 200.0),
    st.floats(0.008, 0.2), kelvins,
)  # fmt: skip
def test_hose_outlet_satisfies_the_equation(inlet, flow, diameter, length, friction, kelvin):
    outlet = float(air.hose_outlet_pa(inlet, flow, diameter, length, friction, kelvin))
    flux2_rt = (flow / (np.pi / 4 * diameter**2)) ** 2 * air.GAS_CONSTANT_J_KG_K * kelvin
    if np.isnan(outlet):
        # not even at the sonic end does the pressure suffice
        at_most = flux2_rt * (friction * length / diameter + np.log(inlet**2 / flux2_rt))
        assert flux2_rt >= inlet**2 or inlet**2 - flux2_rt < at_most * (1 + 1e-12)
        return
    assert np.sqrt(flux2_rt) * (1 - 1e-6) <= outlet < inlet
    right = flux2_rt * (friction * length / diameter + 2 * np.log(inlet / outlet))
    assert inlet**2 - outlet**2 == pytest.approx(right, abs=1e-12 * inlet**2)


@given(st.floats(0.001, 0.1), st.floats(1.0, 3.0))
def test_more_flow_loses_more(flow, growth):
    less, more = air.hose_outlet_pa(8e5, [flow, growth * flow], 0.03175, 20.0, 0.02)
    assert np.isnan(more) or more <= less


def test_no_flow_loses_nothing():
    assert float(air.hose_outlet_pa(8e5, 0.0, 0.03, 20.0, 0.02)) == 8e5


def test_hose_outlet_broadcasts():
    found = air.hose_outlet_pa(
        np.full((3, 1), 8e5), np.array([0.01, 0.05, 0.1, 5.0]), 0.03, 20.0, 0.02
    )
    assert found.shape == (3, 4)
    assert np.isnan(found[:, 3]).all()
    assert np.all(np.diff(found[:, :3], axis=1) < 0)


@given(st.floats(3e5, 1e6), ratios, shares, shares, st.floats(0.01, 0.5), st.floats(1e-9, 1e-6))
def test_fill_times_add_up(supply, b, one, other, volume, conductance):
    low, high = sorted((one, other))
    start, middle, end = 1e5 + np.array([0.0, low, high]) * (supply - 1e5)
    vessel = (supply, volume, conductance, b)
    whole = float(air.fill_time_s(start, end, *vessel))
    parts = air.fill_time_s([start, middle], [middle, end], *vessel)
    assert np.all(parts >= 0.0)
    assert float(parts.sum()) == pytest.approx(whole, rel=1e-9, abs=1e-9)


@given(st.floats(2e5, 1e6), st.floats(0.01, 0.99), shares, shares)
def test_exhaust_times_add_up(start, b, one, other):
    low, high = sorted((one, other))
    end, middle = 1.01e5 + np.array([low, high]) * (start - 1.01e5)
    vessel = (0.1, 1e-7, b, 1e5)
    whole = float(air.exhaust_time_s(start, end, *vessel))
    parts = air.exhaust_time_s([start, middle], [middle, end], *vessel)
    assert np.all(parts >= -1e-9)
    assert float(parts.sum()) == pytest.approx(whole, rel=1e-9, abs=1e-9)


def test_times_that_cannot_be_have_no_figure():
    above_supply, wrong_way = air.fill_time_s([1e5, 5e5], [9e5, 4e5], 8e5, 0.1, 1e-7, 0.3)
    assert np.isnan(above_supply) and np.isnan(wrong_way)
    assert np.isnan(air.exhaust_time_s([2e5, 5e5], [3e5, 0.9e5], 0.1, 1e-7, 0.3)).all()
    with pytest.raises(ValueError, match="no closed form"):
        air.exhaust_time_s(5e5, 2e5, 0.1, 1e-7, 0.0)


def test_a_way_that_is_shut_takes_for_ever():
    assert float(air.fill_time_s(1e5, 5e5, 8e5, 0.1, 0.0, 0.3)) == np.inf


@given(shares, shares, ratios)
def test_a_larger_leak_settles_lower_and_in_balance(one, other, b):
    small, large = sorted((one, other))
    at_small, at_large = air.settled_ratio([small, large], b)
    assert b - 1e-9 <= at_large <= at_small <= 1.0 + 1e-12
    balance = air.restriction_flow_function(at_large, b) - large * at_large
    # φ is vertical at 1, so its own rounding shows as the root of it
    assert float(balance) == pytest.approx(0.0, abs=1e-6)


def test_a_leak_larger_than_the_way_in_has_no_figure_here():
    assert np.isnan(air.settled_ratio([1.1, -0.1], 0.3)).all()
    assert float(air.settled_ratio(0.0, 0.3)) == pytest.approx(1.0, rel=1e-15)


@given(st.floats(0.0, 10.0), st.floats(0.0, 10.0), st.floats(300.0, 1_200.0))
def test_more_abrasive_leaves_less_air(one, other, heat):
    light, heavy = sorted((one, other))
    at_light, at_heavy = air.dusty_air_factor([light, heavy], heat)
    assert 0.0 < at_heavy <= at_light <= 1.0 + 1e-12


@given(st.floats(0.01, 1.0), st.floats(0.5, 2.0))
def test_relative_bore_there_and_back(index, growth):
    assert float(air.relative_bore(index * growth**4, index)) == pytest.approx(growth, rel=1e-12)


def test_a_hose_whose_pressure_does_not_fall_has_no_index():
    assert np.isnan(air.hose_loss_index([5e5, 4e5, 5e5], [5e5, 5e5, 0.0])).all()
    assert np.isnan(air.relative_bore([np.nan, 0.1, -0.1], [0.1, 0.0, 0.1])).all()


@given(
    st.floats(70.0, 130.0), st.floats(70.0, 130.0), st.sampled_from(["linear", "compound", "power"])
)
def test_less_pressure_never_costs_less(one, other, form):
    low, high = sorted((one, other))
    at_low, at_high = air.production_lost(np.array([low, high]) * air.PA_PER_PSI, form)
    assert 0.0 <= at_high <= at_low <= 0.45 + 1e-9
    assert high < 100.0 or at_high < 1e-12


def test_the_coefficient_is_a_setting_and_the_form_is_checked():
    ninety = 90.0 * air.PA_PER_PSI
    assert float(air.production_lost(ninety, loss_per_psi=0.01)) == pytest.approx(0.10)
    with pytest.raises(ValueError, match="none of linear, compound, power"):
        air.production_lost(ninety, "cubic")
    assert float(air.extra_time(1.0)) == np.inf
