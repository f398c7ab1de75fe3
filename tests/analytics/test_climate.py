"""Climate over the range it holds for, and slow readings set side by side."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics import climate

AT = dt.datetime(2026, 3, 2, 7)
celsius = st.floats(-40.0, 55.0)
percents = st.floats(1.0, 100.0)


def minutes(count: float) -> dt.datetime:
    return AT + dt.timedelta(minutes=count)


def long(*rows: tuple[float, str, float | None]) -> pl.DataFrame:
    return pl.DataFrame(
        [(minutes(at), channel, value) for at, channel, value in rows],
        schema={"sampled_at": pl.Datetime("us"), "channel": pl.String, "value": pl.Float64},
        orient="row",
    )


@given(celsius, percents)
def test_dew_point_is_never_above_the_air(air_c, humidity):
    dew = float(climate.dew_point_over_water_c(air_c, humidity))
    assert dew <= air_c + 1e-9
    assert float(climate.saturation_over_water_pa(dew)) == pytest.approx(
        humidity / 100.0 * float(climate.saturation_over_water_pa(air_c)), rel=1e-9
    )


@given(celsius, percents, percents)
def test_dew_point_rises_with_humidity(air_c, one, other):
    low, high = sorted((one, other))
    dry, damp = climate.dew_point_over_water_c(air_c, [low, high])
    assert dry <= damp


@given(celsius)
def test_saturated_air_is_at_its_dew_point(air_c):
    assert float(climate.dew_point_over_water_c(air_c, 100.0)) == pytest.approx(air_c, abs=1e-9)


@given(st.floats(-40.0, -0.1))
def test_frost_forms_above_the_dew_point_over_water(dew_c):
    vapour = climate.saturation_over_water_pa(dew_c)
    frost = float(climate.frost_point_of_vapour_c(vapour))
    assert dew_c < frost < 0.0
    assert float(climate.saturation_over_ice_pa(frost)) == pytest.approx(float(vapour), rel=1e-9)


@given(celsius, st.floats(2e5, 1.5e6), st.floats(6e4, 1.1e5))
def test_pressure_dew_point_there_and_back(dew_c, compressed, atmosphere):
    under = climate.pressure_dew_point_c(dew_c, compressed, atmosphere)
    assert float(under) > dew_c
    back = climate.atmospheric_dew_point_c(under, compressed, atmosphere)
    assert float(back) == pytest.approx(dew_c, abs=1e-9)


@given(st.floats(5.0, 45.0), percents, st.floats(2.0, 60.0), st.floats(0.0, 20.0))
def test_cooler_air_gives_more_water_and_never_more_than_was_drawn(air_c, humidity, cooled, less):
    flow, pressure = 0.1, 8e5
    warm, cold = climate.condensate_kg_h(flow, air_c, humidity, [cooled, cooled - less], pressure)
    vapour = humidity / 100.0 * float(climate.saturation_over_water_pa(air_c))
    drawn_kg_h = 3_600 * flow * vapour / (461.5 * (air_c + 273.15))
    assert 0.0 <= warm <= cold <= drawn_kg_h * 1.001
    if (
        cooled
        > float(
            climate.pressure_dew_point_c(climate.dew_point_over_water_c(air_c, humidity), pressure)
        )
        + 1.0
    ):
        assert warm == 0.0


@pytest.mark.parametrize("humidity", [0.0, -1.0, 100.1, np.nan])
def test_humidity_that_is_none_has_no_dew_point(humidity):
    assert np.isnan(climate.dew_point_over_water_c(20.0, humidity))
    assert np.isnan(climate.steel_margin_k(20.0, 20.0, humidity))
    assert not climate.steel_margin_ok(climate.steel_margin_k(40.0, 20.0, humidity))


def test_margin_may_ask_for_the_sensors_errors_too():
    assert climate.steel_margin_ok([3.5, 3.3], sensor_error_k=0.4).tolist() == [True, False]
    assert climate.steel_margin_ok([4.9, 5.0], required_k=5.0).tolist() == [False, True]


def test_cover_prompt_by_humidity_or_by_spread():
    # at 20 degC a spread of 2 K is 88 %: the spread prompts before the humidity does
    found = climate.cover_pot(20.0, [80.0, 89.0, 90.0, 101.0, np.nan])
    assert found.tolist() == [False, True, True, True, False]
    assert climate.cover_pot(20.0, 80.0, cover_from_percent=75.0)
    assert climate.cover_pot(20.0, 80.0, cover_below_spread_k=5.0)
    assert not climate.cover_pot(20.0, 89.0, cover_below_spread_k=1.0)


def test_readings_at_staggered_times_stand_side_by_side():
    frame = climate.align_climate(
        long(
            (0, "air_temp", 25.0), (3, "humidity", 60.0), (6, "steel_temp", 19.0),
            (6, "pot_mass", 400.0), (10, "air_temp", 20.0), (10, "humidity", 50.0),
            (30, "steel_temp", 18.0),
        )
    )  # fmt: skip
    assert frame.schema == pl.Schema(climate.CLIMATE_SCHEMA)
    assert frame["sampled_at"].to_list() == [minutes(m) for m in (0, 3, 6, 10, 30)]
    assert frame["air_temp_c"].to_list() == [25.0, 25.0, 25.0, 20.0, None]
    assert frame["humidity_percent"].to_list() == [None, 60.0, 60.0, 50.0, None]
    assert frame["steel_temp_c"].to_list() == [None, None, 19.0, 19.0, 18.0]
    # 25 degC and 60 %: 16.693; 20 degC and 50 %: 9.255 (Magnus of WMO-No. 8, computed)
    assert frame["dew_point_c"].round(3).to_list() == [None, 16.693, 16.693, 9.255, None]
    assert frame["dew_point_spread_k"].round(3).to_list() == [None, 8.307, 8.307, 10.745, None]
    assert frame["steel_margin_k"].round(3).to_list() == [None, None, 2.307, 9.745, None]


def test_a_value_stands_exactly_as_long_as_stated():
    readings = long((0, "air_temp", 25.0), (5, "steel_temp", 1.0), (5.001, "steel_temp", 2.0))
    frame = climate.align_climate(readings, dt.timedelta(minutes=5))
    assert frame["air_temp_c"].to_list() == [25.0, 25.0, None]


def test_order_repeats_and_missing_values_of_the_readings():
    readings = long(
        (2, "humidity", 60.0), (0, "air_temp", 24.0), (0, "air_temp", 25.0),
        (1, "humidity", None), (2, "air_temp", float("nan")),
    )  # fmt: skip
    frame = climate.align_climate(readings)
    assert frame["sampled_at"].to_list() == [minutes(0), minutes(2)]
    assert frame["air_temp_c"].to_list() == [25.0, 25.0]
    assert frame["dew_point_c"].round(3).to_list() == [None, 16.693]


def test_no_readings_give_an_empty_frame():
    empty = long().clear()
    assert climate.align_climate(empty).schema == pl.Schema(climate.CLIMATE_SCHEMA)
    assert climate.align_climate(long((0, "pot_mass", 1.0))).is_empty()


@given(st.lists(st.tuples(st.integers(0, 60), st.sampled_from(sorted(climate.CLIMATE_CHANNELS)),
                          st.floats(1.0, 40.0)), max_size=30))  # fmt: skip
def test_alignment_never_looks_ahead(rows):
    whole = climate.align_climate(long(*rows))
    early = climate.align_climate(long(*[row for row in rows if row[0] <= 30]))
    assert whole.filter(pl.col("sampled_at") <= minutes(30)).equals(early)
