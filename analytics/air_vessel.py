"""Air into and out of a vessel through a restriction: how long it takes, and where it settles.

Closed forms at one temperature; ``fill_kernel`` has the gas of a real pot, which warms and cools.
Pressures are absolute.

References
----------
.. [1] ISO 6358-1:2013, flow function with subsonic index 0.5 (from memory), integrated.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.air_nozzle import checked_ratio, subsonic
from analytics.air_states import (
    ANR,
    GAS_CONSTANT_J_KG_K,
    ROOM_K,
    STANDARD_ATMOSPHERE_PA,
    Floats,
    as_floats,
)


def exhaust_time_constant_s(
    volume_m3: npt.ArrayLike,
    conductance_m3_s_pa: npt.ArrayLike,
    air_k: npt.ArrayLike = ROOM_K,
    gas_constant_j_kg_k: float = GAS_CONSTANT_J_KG_K,
) -> Floats:
    """Time constant of a vessel behind a choked restriction, at one temperature.

    τ = V / (C ρ0 R sqrt(T0 T));  while choked, p = p_start exp(-t/τ)

    Parameters
    ----------
    volume_m3 : array_like
        Space that air can fill. [m3]
    conductance_m3_s_pa : array_like
        Sonic conductance C of the way out. [m3/(s Pa)]
    air_k : array_like
        Temperature of the air, held by vessel and abrasive. [K]
    gas_constant_j_kg_k : float
        287.05 for dry air; 288 makes ρ0 R T0 the ANR's own 100 kPa to 0.05 %. [J/(kg K)]

    Returns
    -------
    ndarray of float64
        τ; also the time a fill would take if it stayed choked from vacuum to the supply. [s]

    Examples
    --------
    >>> round(float(exhaust_time_constant_s(0.184, 1e-7, gas_constant_j_kg_k=288.0)), 2)
    18.39
    """
    inflow = ANR.density_kg_m3 * gas_constant_j_kg_k
    warmth = np.sqrt(ANR.temperature_k * as_floats(air_k))
    with np.errstate(divide="ignore"):
        return np.asarray(as_floats(volume_m3) / (as_floats(conductance_m3_s_pa) * inflow * warmth))


def fill_time_s(
    start_pa: npt.ArrayLike,
    target_pa: npt.ArrayLike,
    supply_pa: npt.ArrayLike,
    volume_m3: npt.ArrayLike,
    conductance_m3_s_pa: npt.ArrayLike,
    critical_ratio: npt.ArrayLike,
    air_k: npt.ArrayLike = ROOM_K,
    gas_constant_j_kg_k: float = GAS_CONSTANT_J_KG_K,
    polytropic_index: float = 1.0,
) -> Floats:
    """Time in which a tight vessel fills through a restriction from a supply that holds.

    With r = p/p_supply and s = max(0, (r - b)/(1 - b)):
    t = τ/n [min(r, b) + (1 - b) asin(s)], from start to target

    Parameters
    ----------
    start_pa, target_pa, supply_pa : array_like
        Absolute pressures in the vessel at first and at last, and before the restriction. [Pa]
    volume_m3 : array_like
        Space that air can fill. [m3]
    conductance_m3_s_pa, critical_ratio : array_like
        C [m3/(s Pa)] and b [-] of the way in.
    air_k : array_like
        Temperature of the supply, and of the vessel. [K]
    gas_constant_j_kg_k : float
        See :func:`exhaust_time_constant_s`. [J/(kg K)]
    polytropic_index : float
        n: 1 where vessel and abrasive hold the temperature, which a pot with abrasive nearly does;
        1.4 where no heat is exchanged. [-]

    Returns
    -------
    ndarray of float64
        Time; NaN unless start <= target <= supply. [s]

    Raises
    ------
    ValueError
        A critical ratio is not from 0 to below 1.

    Notes
    -----
    No leak and no sag of the supply: either makes it longer. The time to the supply's own pressure
    is finite here; near the end true flow is laminar and slower.

    Examples
    --------
    >>> round(float(fill_time_s(1e5, 7.2e5, 8e5, 0.184, 2e-7, 0.35)), 4)
    8.1252
    """
    start, target, supply = (as_floats(pa) for pa in (start_pa, target_pa, supply_pa))
    b = checked_ratio(critical_ratio)
    tau = exhaust_time_constant_s(volume_m3, conductance_m3_s_pa, air_k, gas_constant_j_kg_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        r0, r1 = start / supply, target / supply
        passed = (
            np.minimum(r1, b)
            - np.minimum(r0, b)
            + (1.0 - b) * (np.arcsin(subsonic(r1, b)) - np.arcsin(subsonic(r0, b)))
        )
        sensible = (start >= 0.0) & (start <= target) & (target <= supply)
        return np.where(sensible, tau / polytropic_index * passed, np.nan)


def exhaust_time_s(
    start_pa: npt.ArrayLike,
    target_pa: npt.ArrayLike,
    volume_m3: npt.ArrayLike,
    conductance_m3_s_pa: npt.ArrayLike,
    critical_ratio: npt.ArrayLike,
    atmosphere_pa: npt.ArrayLike = STANDARD_ATMOSPHERE_PA,
    air_k: npt.ArrayLike = ROOM_K,
    gas_constant_j_kg_k: float = GAS_CONSTANT_J_KG_K,
) -> Floats:
    """Time in which a vessel empties through a restriction to the atmosphere, at one temperature.

    τ ln(p_start/p) while p_atm/p <= b; then, with r = p_atm/p = b + (1 - b) sin θ, q = tan(θ/2)
    and δ² = 1 - 2b:  τ (1 - b) (2/δ) artanh(δ q / (b + (1 - b) q))

    Parameters
    ----------
    start_pa, target_pa : array_like
        Absolute pressures in the vessel at first and at last. [Pa]
    volume_m3 : array_like
        Space that air can fill. [m3]
    conductance_m3_s_pa, critical_ratio : array_like
        C [m3/(s Pa)] and b [-], b above 0, of the way out.
    atmosphere_pa : array_like
        Absolute pressure outside. [Pa]
    air_k : array_like
        Temperature of the air in the vessel. [K]
    gas_constant_j_kg_k : float
        See :func:`exhaust_time_constant_s`. [J/(kg K)]

    Returns
    -------
    ndarray of float64
        Time; NaN unless start >= target >= atmosphere. [s]

    Raises
    ------
    ValueError
        A critical ratio is not above 0 and below 1.

    Notes
    -----
    A computed time says nothing about whether a pot is vented: a blocked way out has no time.

    Examples
    --------
    >>> round(float(exhaust_time_s(8e5, 1.7e5, 0.184, 5e-7, 0.3, atmosphere_pa=1e5)), 4)
    5.7796
    """
    b = checked_ratio(critical_ratio)
    if np.any(b == 0.0):
        raise ValueError("a way out with a critical ratio of 0 has no closed form")
    start, target, around = (as_floats(pa) for pa in (start_pa, target_pa, atmosphere_pa))
    tau = exhaust_time_constant_s(volume_m3, conductance_m3_s_pa, air_k, gas_constant_j_kg_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = _since_choked(around / target, b) - _since_choked(around / start, b)
        sensible = (start >= target) & (target >= around)
        return np.where(sensible, tau * taken, np.nan)


def _since_choked(ratio: Floats, b: Floats) -> Floats:
    """Time constants from when the flow out ceases to be choked; negative before."""
    q = np.tan(np.arcsin(subsonic(ratio, b)) / 2.0)
    u = q / (b + (1.0 - b) * q)
    square = 1.0 - 2.0 * b
    delta = np.sqrt(np.abs(square))
    # near b = 1/2 both forms lose their digits: the series of artanh(δu)/δ = u + δ²u³/3 + …
    series = u + square * u**3 / 3.0
    safe = np.where(delta > 1e-4, delta, 1.0)
    inside = safe * u
    curved = np.where(square > 0.0, np.arctanh(np.minimum(inside, 1.0)), np.arctan(inside)) / safe
    slow = 2.0 * (1.0 - b) * np.where(delta > 1e-4, curved, series)
    return np.asarray(np.log(np.minimum(ratio, b) / b) + slow)


def settled_ratio(leak_ratio: npt.ArrayLike, critical_ratio: npt.ArrayLike) -> Floats:
    """Pressure at which a leaking vessel stops rising, as a share of its supply.

    With λ = C_leak/C and a = 1 + λ² (1 - b)²:  r = (b + sqrt(b² + a ((1 - b)² - b²))) / a

    Parameters
    ----------
    leak_ratio : array_like
        λ, conductance of the leak over that of the way in; 0 to 1. [-]
    critical_ratio : array_like
        b of the way in, from 0 to below 1. [-]

    Returns
    -------
    ndarray of float64
        Absolute pressure over absolute supply pressure; NaN for λ outside 0 to 1. [-]

    Raises
    ------
    ValueError
        A critical ratio is not from 0 to below 1.

    Notes
    -----
    The leak is choked and as warm as the supply; the leak's own critical ratio does not matter
    then. A tenth of the way in costs 0.35 % of the supply here but 10 % in time: time shows a leak,
    final pressure does not.

    Examples
    --------
    >>> settled_ratio([0.1, 0.4], 0.3).round(5).tolist()
    [0.99652, 0.94775]
    """
    b = checked_ratio(critical_ratio)
    leak = as_floats(leak_ratio)
    a = 1.0 + leak**2 * (1.0 - b) ** 2
    # b² + a((1-b)² - b²) in a form that is not negative for any b
    root = np.sqrt(np.maximum(b**2 + a * (1.0 - 2.0 * b), 0.0))
    within = (leak >= 0.0) & (leak <= 1.0)
    return np.where(within, (b + root) / a, np.nan)
