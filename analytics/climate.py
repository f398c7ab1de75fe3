"""Moisture: the dew point, how far the steel is above it, and the water in compressed air.

Below 0 °C the dew point here is that over WATER, not the frost point, which lies higher (by 2.4 K
at -23 °C); functions that mean ice say so in their names. A reading that is missing gives a figure
that is missing. Nothing here says that a surface is dry: it says what two thermometers and a
hygrometer read, at the places where they hang.

References
----------
.. [1] WMO-No. 8, Guide to Instruments and Methods of Observation, Annex 4.B: saturation over water
   (as quoted in an instrument's manual) and over ice (from memory), the Magnus form.
.. [2] ISO 8502-4:2017, guidance on the probability of condensation before paint is put on: the
   steel at least 3 °C above the dew point (second hand).
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: How far the steel is to be above the dew point (ISO 8502-4:2017, second hand). [K]
REQUIRED_MARGIN_K = 3.0
#: Relative humidity from which the pot is better covered (common practice, no source). [%]
COVER_FROM_PERCENT = 90.0
#: Air this little above its dew point: the pot is better covered (common practice). [K]
COVER_BELOW_SPREAD_K = 2.0
#: Oldest value of a slow channel that still stands for an instant.
ALIGN_WITHIN = dt.timedelta(minutes=10)

#: Saturation pressure at 0 °C in the Magnus form. [Pa]
_AT_ZERO_PA = 611.2
_OVER_WATER = (17.62, 243.12)
_OVER_ICE = (22.46, 272.62)

#: Gas constant of dry air [J/(kg K)], and mass of a mole of water over that of dry air [-].
_GAS_CONSTANT_J_KG_K = 287.05
_WATER_TO_AIR = 0.622

#: Channel -> column of the aligned frame.
CLIMATE_CHANNELS = {
    "air_temp": "air_temp_c",
    "humidity": "humidity_percent",
    "steel_temp": "steel_temp_c",
}

CLIMATE_SCHEMA: dict[str, Any] = {
    "sampled_at": pl.Datetime("us"),
    "air_temp_c": pl.Float64,
    "humidity_percent": pl.Float64,
    "steel_temp_c": pl.Float64,
    "dew_point_c": pl.Float64,
    "dew_point_spread_k": pl.Float64,
    "steel_margin_k": pl.Float64,
}


def _array(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def _magnus_pa(celsius: Floats, slope: float, offset_c: float) -> Floats:
    return np.asarray(_AT_ZERO_PA * np.exp(slope * celsius / (offset_c + celsius)))


def _inverse_magnus_c(vapour_pa: Floats, slope: float, offset_c: float) -> Floats:
    g = np.log(np.where(vapour_pa > 0.0, vapour_pa, np.nan) / _AT_ZERO_PA)
    return np.asarray(offset_c * g / (slope - g))


def saturation_over_water_pa(temperature_c: npt.ArrayLike) -> Floats:
    """Pressure of water vapour in equilibrium with water.

    e = 611.2 exp(17.62 t / (243.12 + t))

    Parameters
    ----------
    temperature_c : array_like
        t, -45 to 60. [degC]

    Returns
    -------
    ndarray of float64
        Saturation pressure; 0.3 % under the ASHRAE figure at 20 °C. [Pa]

    Examples
    --------
    >>> round(float(saturation_over_water_pa(20.0)), 1)
    2332.6

    References
    ----------
    WMO-No. 8, Annex 4.B, without its enhancement factor (0.5 % at sea level, from memory).
    """
    return _magnus_pa(_array(temperature_c), *_OVER_WATER)


def saturation_over_ice_pa(temperature_c: npt.ArrayLike) -> Floats:
    """Pressure of water vapour in equilibrium with ice.

    e = 611.2 exp(22.46 t / (272.62 + t))

    Parameters
    ----------
    temperature_c : array_like
        t, -65 to 0. [degC]

    Returns
    -------
    ndarray of float64
        Saturation pressure. [Pa]

    Examples
    --------
    >>> round(float(saturation_over_ice_pa(0.0)), 1)
    611.2

    References
    ----------
    WMO-No. 8, Annex 4.B (from memory).
    """
    return _magnus_pa(_array(temperature_c), *_OVER_ICE)


def dew_point_over_water_c(air_temp_c: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> Floats:
    """Temperature to which air is cooled when water begins to come out, over water also below 0 °C.

    With g = ln(RH/100) + 17.62 t/(243.12 + t):  td = 243.12 g / (17.62 - g)

    Parameters
    ----------
    air_temp_c : array_like
        t of the air, -45 to 60. [degC]
    humidity_percent : array_like
        Relative humidity over water, as hygrometers state it, above 0 to 100. [%]

    Returns
    -------
    ndarray of float64
        Dew point; NaN where humidity is not above 0 or is above 100. Two points of humidity amount
        to 0.4 K at 85 % (from memory). [degC]

    Notes
    -----
    NOT the frost point: at 0 °C and 85 % this is -2.22, while frost forms at -1.96 °C.

    Examples
    --------
    >>> dew_point_over_water_c([25.0, 0.0], [60.0, 85.0]).round(3).tolist()
    [16.693, -2.222]

    References
    ----------
    WMO-No. 8, Annex 4.B.
    """
    return dew_point_of_vapour_c(_vapour_pa(air_temp_c, humidity_percent))


def _vapour_pa(air_temp_c: npt.ArrayLike, humidity_percent: npt.ArrayLike) -> Floats:
    humidity = _array(humidity_percent)
    share = np.where((humidity >= 0.0) & (humidity <= 100.0), humidity / 100.0, np.nan)
    return np.asarray(share * saturation_over_water_pa(air_temp_c))


def dew_point_of_vapour_c(vapour_pa: npt.ArrayLike) -> Floats:
    """Dew point over water of a partial pressure of vapour.

    Parameters
    ----------
    vapour_pa : array_like
        Partial pressure of water vapour, above 0. [Pa]

    Returns
    -------
    ndarray of float64
        Dew point over water, also below 0 °C. [degC]

    Examples
    --------
    >>> float(dew_point_of_vapour_c(611.2))
    0.0
    """
    return _inverse_magnus_c(_array(vapour_pa), *_OVER_WATER)


def frost_point_of_vapour_c(vapour_pa: npt.ArrayLike) -> Floats:
    """Frost point of a partial pressure of vapour: where ice begins to form.

    Parameters
    ----------
    vapour_pa : array_like
        Partial pressure of water vapour, above 0 to 611.2. [Pa]

    Returns
    -------
    ndarray of float64
        Frost point, at or above the dew point over water; NaN above 611.2 Pa, where there is none.
        [degC]

    Examples
    --------
    >>> float(frost_point_of_vapour_c(611.2))
    0.0
    """
    vapour = _array(vapour_pa)
    frozen = np.where(vapour <= _AT_ZERO_PA, vapour, np.nan)
    return _inverse_magnus_c(frozen, *_OVER_ICE)


def steel_margin_k(
    steel_temp_c: npt.ArrayLike, air_temp_c: npt.ArrayLike, humidity_percent: npt.ArrayLike
) -> Floats:
    """How far the steel is above the dew point of the air.

    Parameters
    ----------
    steel_temp_c : array_like
        Temperature of the steel where it was measured; elsewhere it may be colder. [degC]
    air_temp_c : array_like
        Temperature of the air beside it. [degC]
    humidity_percent : array_like
        Relative humidity of that air. [%]

    Returns
    -------
    ndarray of float64
        Margin over the dew point over water; negative: water comes out on the steel. [K]

    Examples
    --------
    >>> round(float(steel_margin_k(19.69, 25.0, 60.0)), 2)
    3.0
    """
    return np.asarray(_array(steel_temp_c) - dew_point_over_water_c(air_temp_c, humidity_percent))


def steel_margin_ok(
    margin_k: npt.ArrayLike, required_k: float = REQUIRED_MARGIN_K, sensor_error_k: float = 0.0
) -> Bools:
    """Whether the margin that was read meets the 3 °C rule.

    Parameters
    ----------
    margin_k : array_like
        :func:`steel_margin_k`. [K]
    required_k : float
        What the rule, or the specification of the job, asks for. [K]
    sensor_error_k : float
        What the sensors may be wrong by, asked for on top. [K]

    Returns
    -------
    ndarray of bool
        True where the margin read is at least that; False where it is not, or was not read.

    Notes
    -----
    It compares two numbers. It does not say that the surface is dry, and a margin that is met
    does not make it so: rain, spray, dew of the night and colder places stay. The rule is one for
    painting; while blasting it is watched because bare steel rusts at once when water comes out.

    Examples
    --------
    >>> steel_margin_ok([3.0, 2.9, np.nan]).tolist()
    [True, False, False]

    References
    ----------
    ISO 8502-4:2017 (second hand).
    """
    return np.asarray(_array(margin_k) >= required_k + sensor_error_k)


def cover_pot(
    air_temp_c: npt.ArrayLike,
    humidity_percent: npt.ArrayLike,
    cover_from_percent: float = COVER_FROM_PERCENT,
    cover_below_spread_k: float = COVER_BELOW_SPREAD_K,
) -> Bools:
    """Whether to prompt that the pot be covered, because the air is close to saturation.

    Parameters
    ----------
    air_temp_c : array_like
        Temperature of the air. [degC]
    humidity_percent : array_like
        Its relative humidity; an hygrometer that reads over 100 is taken as reading 100. [%]
    cover_from_percent : float
        Prompt from this humidity on. [%]
    cover_below_spread_k : float
        Prompt where the air is less than this above its dew point. [K]

    Returns
    -------
    ndarray of bool
        True where either holds; False also where neither was read: no prompt is not "dry".

    Notes
    -----
    Rain may come at any humidity, and abrasive draws water well below saturation.

    Examples
    --------
    >>> cover_pot([15.0, 15.0, np.nan], [93.0, 60.0, 95.0]).tolist()
    [True, False, True]

    References
    ----------
    Common practice, no source; both thresholds are settings.
    """
    humidity = np.minimum(_array(humidity_percent), 100.0)
    air_c = _array(air_temp_c)
    spread = air_c - dew_point_over_water_c(air_c, humidity)
    return np.asarray((humidity >= cover_from_percent) | (spread < cover_below_spread_k))


def atmospheric_dew_point_c(
    pressure_dew_point_c: npt.ArrayLike,
    compressed_pa: npt.ArrayLike,
    atmosphere_pa: npt.ArrayLike = 101_325.0,
) -> Floats:
    """Dew point that compressed air has once it is let down to the atmosphere, over water.

    e_atm = e(PDP) p_atm / p

    Parameters
    ----------
    pressure_dew_point_c : array_like
        Dew point over water at the pressure. [degC]
    compressed_pa, atmosphere_pa : array_like
        Absolute pressures. [Pa]

    Returns
    -------
    ndarray of float64
        Dew point over water, also below 0 °C. [degC]

    Notes
    -----
    Vapour as an ideal gas. Without a sensor of the pressure dew point no purity class follows.

    Examples
    --------
    >>> round(float(atmospheric_dew_point_c(3.0, 801_325.0)), 2)
    -23.14
    """
    vapour = saturation_over_water_pa(pressure_dew_point_c)
    return dew_point_of_vapour_c(vapour * _array(atmosphere_pa) / _array(compressed_pa))


def pressure_dew_point_c(
    dew_point_c: npt.ArrayLike,
    compressed_pa: npt.ArrayLike,
    atmosphere_pa: npt.ArrayLike = 101_325.0,
) -> Floats:
    """Temperature below which air condenses once compressed, if no water is taken out of it.

    e(PDP) = e(td) p / p_atm

    Parameters
    ----------
    dew_point_c : array_like
        Dew point over water of the air drawn in. [degC]
    compressed_pa, atmosphere_pa : array_like
        Absolute pressures after and before. [Pa]

    Returns
    -------
    ndarray of float64
        Pressure dew point, over water. A hose that is colder has water in it. [degC]

    Examples
    --------
    >>> round(float(pressure_dew_point_c(dew_point_over_water_c(25.0, 60.0), 801_325.0)), 2)
    53.95
    """
    vapour = saturation_over_water_pa(dew_point_c)
    return dew_point_of_vapour_c(vapour * _array(compressed_pa) / _array(atmosphere_pa))


def condensate_kg_h(
    intake_m3_s: npt.ArrayLike,
    air_temp_c: npt.ArrayLike,
    humidity_percent: npt.ArrayLike,
    cooled_to_c: npt.ArrayLike,
    compressed_pa: npt.ArrayLike,
    atmosphere_pa: npt.ArrayLike = 101_325.0,
) -> Floats:
    """Water that comes out of compressed air when it cools.

    ṁ = ṁ_dry (w_in - w_out), w = 0.622 e/(p - e); e_in = RH e(t) at p_atm, e_out = e(t_cool) at p

    Parameters
    ----------
    intake_m3_s : array_like
        Volume drawn in, as it is outside: not at a reference state. [m3/s]
    air_temp_c, humidity_percent : array_like
        Of the air drawn in. [degC, %]
    cooled_to_c : array_like
        Temperature to which the compressed air cools, above 0. [degC]
    compressed_pa, atmosphere_pa : array_like
        Absolute pressures after and before. [Pa]

    Returns
    -------
    ndarray of float64
        Water per hour; 0 where the air stays above its pressure dew point. [kg/h]

    Notes
    -----
    All water that condenses is counted, wherever it is drained; aftercooler, separator and hose
    share it.

    Examples
    --------
    >>> round(float(condensate_kg_h(5.0 / 60.0, 30.0, 70.0, 40.0, 801_325.0)), 2)
    4.4
    """
    around, compressed = _array(atmosphere_pa), _array(compressed_pa)
    inside_pa = _vapour_pa(air_temp_c, humidity_percent)
    left_pa = saturation_over_water_pa(cooled_to_c)
    kelvin = _array(air_temp_c) + 273.15
    dry_kg_s = (around - inside_pa) * _array(intake_m3_s) / (_GAS_CONSTANT_J_KG_K * kelvin)
    drawn = _WATER_TO_AIR * inside_pa / (around - inside_pa)
    kept = _WATER_TO_AIR * left_pa / (compressed - left_pa)
    return np.asarray(3_600.0 * dry_kg_s * np.maximum(drawn - kept, 0.0))


def align_climate(
    readings: pl.DataFrame, align_within: dt.timedelta = ALIGN_WITHIN
) -> pl.DataFrame:
    """Readings of the slow channels side by side, with the dew point and the steel's margin.

    Parameters
    ----------
    readings : polars.DataFrame
        ``sampled_at`` (naive UTC), ``channel``, ``value``, any order; the channels ``air_temp``
        [degC], ``humidity`` [%] and ``steel_temp`` [degC] count, others are passed over. A
        repeated instant of a channel counts once, with its last row.
    align_within : timedelta
        Oldest value of a channel that still stands for an instant, both ends included. Nothing is
        taken from later and nothing is interpolated.

    Returns
    -------
    polars.DataFrame
        ``CLIMATE_SCHEMA``, ascending, one row for every instant at which one of the channels was
        read. Null where a channel has no value that young, and in every figure that needs it.

    Examples
    --------
    >>> at = dt.datetime(2026, 1, 5, 8)
    >>> later = at + dt.timedelta(minutes=4)
    >>> frame = align_climate(pl.DataFrame({
    ...     "sampled_at": [at, at, later], "channel": ["air_temp", "humidity", "steel_temp"],
    ...     "value": [25.0, 60.0, 19.69]}))
    >>> frame["steel_margin_k"].round(2).to_list()
    [None, 3.0]
    """
    slow = readings.filter(
        pl.col("channel").is_in(list(CLIMATE_CHANNELS)) & pl.col("value").is_not_null()
    ).select(
        pl.col("sampled_at").cast(pl.Datetime("us")), "channel", pl.col("value").cast(pl.Float64)
    )
    aligned = slow.select(pl.col("sampled_at").unique().sort())
    for channel, column in CLIMATE_CHANNELS.items():
        own = (
            slow.filter((pl.col("channel") == channel) & pl.col("value").is_not_nan())
            .unique("sampled_at", keep="last", maintain_order=True)
            .select("sampled_at", pl.col("value").alias(column))
            .sort("sampled_at")
        )
        aligned = aligned.join_asof(
            own, on="sampled_at", strategy="backward", tolerance=align_within
        )
    air_c, humidity, steel_c = (
        aligned[column].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for column in CLIMATE_CHANNELS.values()
    )
    dew_c = dew_point_over_water_c(air_c, humidity)
    return aligned.with_columns(
        pl.Series("dew_point_c", dew_c, pl.Float64).fill_nan(None),
        pl.Series("dew_point_spread_k", air_c - dew_c, pl.Float64).fill_nan(None),
        pl.Series("steel_margin_k", steel_c - dew_c, pl.Float64).fill_nan(None),
    ).select(pl.col(name).cast(kind) for name, kind in CLIMATE_SCHEMA.items())
