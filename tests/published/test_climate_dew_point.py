"""Dew points against the Magnus form's table, the ASHRAE formulation and compressed-air figures.

Marks: Magnus of WMO-No. 8 (second hand) and psychrolib 2.5.0 (ASHRAE Fundamentals 2017), both
computed. ISO 8502-4:2017's 3 degC: second hand.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest

from analytics import climate

#: air degC, relative humidity %, Magnus, psychrolib, least temperature of the steel
TABLE = [
    (5, 80, 1.834, 1.841, 4.83),
    (10, 90, 8.434, 8.437, 11.43),
    (15, 60, 7.292, 7.307, 10.29),
    (20, 50, 9.255, 9.272, 12.26),
    (25, 60, 16.693, 16.701, 19.69),
    (25, 85, 22.300, 22.302, 25.30),
    (30, 70, 23.927, 23.928, 26.93),
    (35, 40, 19.384, 19.385, 22.38),
    (40, 30, 19.132, 19.125, 22.13),
    (20, 100, 20.000, 20.000, 23.00),
    (0, 85, -2.222, -1.959, 0.78),
]
SEVEN_BAR_GAUGE_PA = 801_325.0


@pytest.fixture(scope="module")
def psychrolib():
    """In SI, as plain Python: with Numba it compiles each of its functions when first called."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(sys.modules, "numba", None)
        found = pytest.importorskip("psychrolib")
    found.SetUnitSystem(found.SI)
    return found


@pytest.mark.parametrize(("air_c", "humidity", "magnus", "ashrae", "steel_c"), TABLE)
def test_dew_point_table(air_c, humidity, magnus, ashrae, steel_c):
    found = float(climate.dew_point_over_water_c(air_c, humidity))
    assert found == pytest.approx(magnus, abs=6e-4)
    if air_c > 0:
        assert found == pytest.approx(ashrae, abs=0.02)
    assert found + climate.REQUIRED_MARGIN_K == pytest.approx(steel_c, abs=0.006)


@pytest.mark.parametrize(("air_c", "humidity", "magnus", "ashrae", "steel_c"), TABLE)
def test_three_degree_rule_at_its_edge(air_c, humidity, magnus, ashrae, steel_c):
    margins = climate.steel_margin_k([steel_c + 0.01, steel_c - 0.01], air_c, humidity)
    assert climate.steel_margin_ok(margins).tolist() == [True, False]


def test_against_psychrolib_over_the_range(psychrolib):
    for air_c in np.arange(2.0, 50.0, 4.0):
        for humidity in (20.0, 40.0, 60.0, 80.0, 95.0, 100.0):
            exact = psychrolib.GetTDewPointFromRelHum(float(air_c), humidity / 100.0)
            if exact > 0.0:
                found = float(climate.dew_point_over_water_c(air_c, humidity))
                # the table's rows agree to 0.02 K; dry air and heat take it to 0.04 K
                assert found == pytest.approx(exact, abs=0.045), (air_c, humidity)


def test_below_freezing_psychrolib_gives_the_frost_point(psychrolib):
    # -10 degC, 80 %: frost point -12.49, dew point over water -12.80: computed
    over_water = float(climate.dew_point_over_water_c(-10.0, 80.0))
    assert over_water == pytest.approx(-12.80, abs=0.006)
    frost = psychrolib.GetTDewPointFromRelHum(-10.0, 0.80)
    assert frost == pytest.approx(-12.49, abs=0.006)
    # psychrolib's humidity is over ice there, so its frost point is that of the vapour over ice
    vapour = 0.80 * climate.saturation_over_ice_pa(-10.0)
    assert float(climate.frost_point_of_vapour_c(vapour)) == pytest.approx(frost, abs=0.03)


def test_saturation_pressure_at_20_degrees(psychrolib):
    # 2332.60 Pa by Magnus, 2338.80 Pa by ASHRAE: computed
    found = float(climate.saturation_over_water_pa(20.0))
    assert found == pytest.approx(2332.60, abs=0.006)
    assert psychrolib.GetSatVapPres(20.0) == pytest.approx(2338.80, abs=0.006)
    assert found == pytest.approx(2338.80, rel=0.003)


@pytest.mark.parametrize("celsius", [1.0, 10.0, 25.0, 40.0, 55.0])
def test_saturation_pressure_against_coolprop(celsius):
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    exact = coolprop.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")
    assert float(climate.saturation_over_water_pa(celsius)) == pytest.approx(exact, rel=5e-3)


@pytest.mark.parametrize("celsius", [-40.0, -20.0, -5.0])
def test_saturation_pressure_over_ice_against_psychrolib(psychrolib, celsius):
    exact = psychrolib.GetSatVapPres(celsius)
    assert float(climate.saturation_over_ice_pa(celsius)) == pytest.approx(exact, rel=5e-3)


@pytest.mark.parametrize(
    ("pressure_dew_c", "dew_c", "frost_c"),
    [(3, -23.14, -20.78), (10, -17.56, -15.69), (20, -9.65, -8.57), (30, -1.81, -1.60),
     (40, 5.96, None)],
)  # fmt: skip
def test_pressure_dew_point_let_down(pressure_dew_c, dew_c, frost_c):
    # 7 bar gauge, Magnus over water and over ice: computed
    found = float(climate.atmospheric_dew_point_c(pressure_dew_c, SEVEN_BAR_GAUGE_PA))
    assert found == pytest.approx(dew_c, abs=0.006)
    frost = float(climate.frost_point_of_vapour_c(climate.saturation_over_water_pa(found)))
    assert frost == pytest.approx(np.nan if frost_c is None else frost_c, abs=0.006, nan_ok=True)


@pytest.mark.parametrize(
    ("air_c", "humidity", "pressure_dew_c"), [(20, 50, 44.27), (25, 60, 53.95), (30, 70, 63.45)]
)
def test_ambient_air_compressed(air_c, humidity, pressure_dew_c):
    # to 7 bar gauge with no water taken out: computed
    dew = climate.dew_point_over_water_c(air_c, humidity)
    found = float(climate.pressure_dew_point_c(dew, SEVEN_BAR_GAUGE_PA))
    assert found == pytest.approx(pressure_dew_c, abs=0.006)


@pytest.mark.parametrize(
    ("air_c", "humidity", "cooled_c", "kg_h"),
    [(30, 70, 40, 4.40), (30, 70, 30, 5.23), (25, 60, 30, 2.98)],
)
def test_condensate_of_five_cubic_metres_a_minute(air_c, humidity, cooled_c, kg_h):
    # 177 cfm drawn in, 7 bar gauge: computed
    found = climate.condensate_kg_h(5 / 60, air_c, humidity, cooled_c, SEVEN_BAR_GAUGE_PA)
    assert float(found) == pytest.approx(kg_h, abs=0.006)


def test_condensate_against_psychrolib(psychrolib):
    # humidity ratios by ASHRAE's formulation, dry air as an ideal gas: computed; it also states
    # the enhancement factor's absence, hence 2 %
    drawn = psychrolib.GetHumRatioFromRelHum(30.0, 0.70, 101_325.0)
    kept = psychrolib.GetSatHumRatio(40.0, SEVEN_BAR_GAUGE_PA)
    dry_kg_s = 5 / 60 / psychrolib.GetMoistAirVolume(30.0, drawn, 101_325.0)
    found = climate.condensate_kg_h(5 / 60, 30.0, 70.0, 40.0, SEVEN_BAR_GAUGE_PA)
    assert float(found) == pytest.approx(3_600 * dry_kg_s * (drawn - kept), rel=0.02)


def test_two_points_of_humidity_are_four_tenths_of_a_degree():
    # at 85 %: from memory, about 0.4 K
    low, high = climate.dew_point_over_water_c(20.0, [84.0, 86.0])
    assert high - low == pytest.approx(0.4, abs=0.06)
