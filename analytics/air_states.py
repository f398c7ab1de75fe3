"""States that air is counted in: gauge and absolute pressure, and volume flow of free air.

A flow in cubic metres needs a reference. ``DRY_FREE_AIR`` and ``ANR`` differ by 1.6 %, so what is
kept is mass flow, and a volume flow always names its reference.

References
----------
.. [1] ISO 8778 reference atmosphere ANR (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: Standard atmosphere. [Pa absolute]
STANDARD_ATMOSPHERE_PA = 101_325.0
#: Specific gas constant of dry air. [J/(kg K)]
GAS_CONSTANT_J_KG_K = 287.05
#: Ratio of the specific heats of air as an ideal gas. [-]
HEAT_CAPACITY_RATIO = 1.4
#: Dynamic viscosity of air at 20 °C; it hardly depends on pressure (CoolProp 8.0.0). [Pa s]
VISCOSITY_PA_S = 1.8206e-5
#: 20 °C. [K]
ROOM_K = 293.15
#: One pound-force a square inch. [Pa]
PA_PER_PSI = 6_894.757293168

#: Volume flow units as people write them, in m3/s. The reference state is another matter.
M3_S_PER: Mapping[str, float] = {
    "m3/s": 1.0,
    "m3/min": 1.0 / 60.0,
    "m3/h": 1.0 / 3_600.0,
    "L/s": 1e-3,
    "L/min": 1e-3 / 60.0,
    "cfm": 0.3048**3 / 60.0,
}


@dataclass(frozen=True)
class AirReference:
    """A state that a volume flow of air refers to.

    Parameters
    ----------
    name : str
        As it is written after a figure.
    temperature_k : float
        Temperature. [K]
    pressure_pa : float
        Absolute pressure. [Pa]
    density_kg_m3 : float
        Density of the air in that state. [kg/m3]
    """

    name: str
    temperature_k: float
    pressure_pa: float
    density_kg_m3: float


#: Dry air at 20 °C and 101.325 kPa: 1.2041 kg/m3 as an ideal gas.
DRY_FREE_AIR = AirReference(
    "dry air, 20 °C, 101.325 kPa",
    ROOM_K,
    STANDARD_ATMOSPHERE_PA,
    STANDARD_ATMOSPHERE_PA / (GAS_CONSTANT_J_KG_K * ROOM_K),
)
#: ISO 8778's reference atmosphere, to which ISO 6358 refers a sonic conductance (from memory).
ANR = AirReference("ANR: 20 °C, 100 kPa, 65 % RH", ROOM_K, 100_000.0, 1.185)


def as_floats(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def gauge_pa(absolute_pa: npt.ArrayLike, atmosphere_pa: npt.ArrayLike) -> Floats:
    """Gauge pressure of an absolute one, at a stated atmosphere.

    Parameters
    ----------
    absolute_pa : array_like
        Absolute pressure. [Pa]
    atmosphere_pa : array_like
        Absolute pressure around, from a barometer or :func:`atmosphere_at_altitude_pa`. [Pa]

    Returns
    -------
    ndarray of float64
        Gauge pressure. [Pa]

    Examples
    --------
    >>> float(gauge_pa(801_325.0, 101_325.0))
    700000.0
    """
    return np.asarray(as_floats(absolute_pa) - as_floats(atmosphere_pa))


def absolute_pa(gauge_pa: npt.ArrayLike, atmosphere_pa: npt.ArrayLike) -> Floats:
    """Absolute pressure of a gauge one, at a stated atmosphere.

    Parameters
    ----------
    gauge_pa : array_like
        Gauge pressure. [Pa]
    atmosphere_pa : array_like
        Absolute pressure around, from a barometer or :func:`atmosphere_at_altitude_pa`. [Pa]

    Returns
    -------
    ndarray of float64
        Absolute pressure. [Pa]

    Examples
    --------
    >>> float(absolute_pa(700_000.0, 101_325.0))
    801325.0
    """
    return np.asarray(as_floats(gauge_pa) + as_floats(atmosphere_pa))


def atmosphere_at_altitude_pa(altitude_m: npt.ArrayLike) -> Floats:
    """Pressure of the standard atmosphere at an altitude, for a site without a barometer.

    p = 101325 (1 - 0.0065 H / 288.15)^5.255880

    Parameters
    ----------
    altitude_m : array_like
        Geopotential altitude, -2000 to 11000. [m]

    Returns
    -------
    ndarray of float64
        Absolute pressure; NaN outside the range. Weather moves the true one by some 3 %. [Pa]

    Examples
    --------
    >>> round(float(atmosphere_at_altitude_pa(1_000.0)), -1)
    89870.0

    References
    ----------
    ISO 2533:1975, standard atmosphere, troposphere (from memory).
    """
    altitude = as_floats(altitude_m)
    within = (altitude >= -2_000.0) & (altitude <= 11_000.0)
    share = 1.0 - 0.0065 * np.where(within, altitude, np.nan) / 288.15
    return np.asarray(STANDARD_ATMOSPHERE_PA * share**5.255880)


def free_air(
    mass_flow_kg_s: npt.ArrayLike, unit: str = "m3/s", reference: AirReference = DRY_FREE_AIR
) -> Floats:
    """Volume flow of a mass flow of air, in a unit and at a stated reference.

    Parameters
    ----------
    mass_flow_kg_s : array_like
        Mass flow. [kg/s]
    unit : str
        One of ``M3_S_PER``.
    reference : AirReference
        The state that the volume is counted in.

    Returns
    -------
    ndarray of float64
        Volume flow. [unit]

    Raises
    ------
    ValueError
        The unit is unknown.

    Examples
    --------
    >>> round(float(free_air(0.13301, "cfm")), 1)
    234.1
    """
    flow = as_floats(mass_flow_kg_s)
    return np.asarray(flow / (reference.density_kg_m3 * _m3_s_per(unit)))


def mass_flow_of_free_air_kg_s(
    volume_flow: npt.ArrayLike, unit: str = "m3/s", reference: AirReference = DRY_FREE_AIR
) -> Floats:
    """Mass flow of a volume flow of free air; the inverse of :func:`free_air`.

    Parameters
    ----------
    volume_flow : array_like
        Volume flow. [unit]
    unit : str
        One of ``M3_S_PER``.
    reference : AirReference
        The state that the volume is counted in.

    Returns
    -------
    ndarray of float64
        Mass flow. [kg/s]

    Raises
    ------
    ValueError
        The unit is unknown.

    Examples
    --------
    >>> round(float(mass_flow_of_free_air_kg_s(196.0, "cfm")), 5)
    0.11138
    """
    flow = as_floats(volume_flow)
    return np.asarray(flow * (reference.density_kg_m3 * _m3_s_per(unit)))


def _m3_s_per(unit: str) -> float:
    if unit not in M3_S_PER:
        raise ValueError(f"{unit} is none of {', '.join(M3_S_PER)}")
    return M3_S_PER[unit]
