"""Air through nozzles and restrictions, choked and below choking; and what abrasive does to it.

Pressures are absolute unless their name says ``gauge``. The trade's nozzle chart is 0.76 to 0.85
of what the formula gives, for its air was metered while blasting. That is a
``while_blasting_factor``, no discharge coefficient.

References
----------
.. [1] ISO 9300:2022, critical flow nozzles, form of the mass flow (clause from memory).
.. [2] ISO 6358-1:2013, flow-rate characteristics of pneumatic components: sonic conductance C,
   critical pressure ratio b, subsonic index 0.5 (from memory).
.. [3] G. Rudinger, Fundamentals of Gas-Particle Flow (1980); F. E. Marble, Annu. Rev. Fluid Mech. 2
   (1970) 397, doi:10.1146/annurev.fl.02.010170.002145 (both from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.air_states import (
    ANR,
    GAS_CONSTANT_J_KG_K,
    HEAT_CAPACITY_RATIO,
    ROOM_K,
    STANDARD_ATMOSPHERE_PA,
    Floats,
    absolute_pa,
    as_floats,
)


def critical_flow_function(heat_capacity_ratio: npt.ArrayLike = HEAT_CAPACITY_RATIO) -> Floats:
    """Critical flow function of an ideal gas, the number in a choked nozzle's mass flow.

    C* = sqrt(γ (2/(γ + 1))^((γ + 1)/(γ - 1)))

    Parameters
    ----------
    heat_capacity_ratio : array_like
        γ, above 1. [-]

    Returns
    -------
    ndarray of float64
        C*; real air has 0.6851 at 1 bar to 0.6877 at 10 bar, 20 °C. [-]

    Examples
    --------
    >>> round(float(critical_flow_function()), 6)
    0.684731

    References
    ----------
    ISO 9300:2022 (clause from memory); real air computed with CoolProp 8.0.0.
    """
    gamma = as_floats(heat_capacity_ratio)
    return np.sqrt(gamma * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (gamma - 1.0)))


def critical_pressure_ratio(heat_capacity_ratio: npt.ArrayLike = HEAT_CAPACITY_RATIO) -> Floats:
    """Pressure ratio across an ideal nozzle at and below which its flow is choked.

    r* = (2/(γ + 1))^(γ/(γ - 1))

    Parameters
    ----------
    heat_capacity_ratio : array_like
        γ, above 1. [-]

    Returns
    -------
    ndarray of float64
        Throat over stagnation pressure, both absolute. [-]

    Examples
    --------
    >>> round(float(critical_pressure_ratio()), 6)
    0.528282
    """
    gamma = as_floats(heat_capacity_ratio)
    return np.asarray((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def bore_area_m2(bore_m: npt.ArrayLike) -> Floats:
    """Area of a round bore.

    Parameters
    ----------
    bore_m : array_like
        Diameter. [m]

    Returns
    -------
    ndarray of float64
        π/4 d². [m2]

    Examples
    --------
    >>> round(float(bore_area_m2(9.525e-3)) * 1e6, 3)
    71.256
    """
    return np.asarray(np.pi / 4.0 * np.square(as_floats(bore_m)))


def nozzle_flow_kg_s(
    upstream_pa: npt.ArrayLike,
    downstream_pa: npt.ArrayLike,
    upstream_k: npt.ArrayLike,
    area_m2: npt.ArrayLike,
    discharge_coefficient: npt.ArrayLike = 1.0,
    heat_capacity_ratio: float = HEAT_CAPACITY_RATIO,
) -> Floats:
    """Mass flow of air through a nozzle, choked or not.

    ṁ = Cd A p1 / sqrt(R T1) · sqrt(2γ/(γ - 1) (r^(2/γ) - r^((γ + 1)/γ))),  r = max(p2/p1, r*);
    where r = r* the root is C*, and the nozzle is choked.

    Parameters
    ----------
    upstream_pa, downstream_pa : array_like
        Absolute stagnation pressure before, and pressure after the nozzle. [Pa]
    upstream_k : array_like
        Stagnation temperature before the nozzle. [K]
    area_m2 : array_like
        Area of the throat. [m2]
    discharge_coefficient : array_like
        Cd of a clean nozzle without abrasive: 0.95 to 0.99 (from memory), 0.97 for a well-rounded
        entry (handbook, published). [-]
    heat_capacity_ratio : float
        γ. [-]

    Returns
    -------
    ndarray of float64
        Mass flow; 0 where the pressure after is not below the one before. [kg/s]

    Notes
    -----
    Ideal gas: real air at 8 bar and 20 °C passes 0.35 % more. A converging nozzle: one with a
    recovering outlet stays choked at higher ratios than r*.

    Examples
    --------
    3/8 in at 100 psig, to the atmosphere:

    >>> round(float(nozzle_flow_kg_s(790_800.0, 101_325.0, 293.15, 71.256e-6)), 5)
    0.13301

    References
    ----------
    ISO 9300:2022 for the choked form (clause from memory); St Venant and Wantzel below.
    """
    gamma = heat_capacity_ratio
    p1 = as_floats(upstream_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.clip(as_floats(downstream_pa) / p1, None, 1.0)
        ratio = np.maximum(ratio, critical_pressure_ratio(gamma))
        root = np.sqrt(
            2.0 * gamma / (gamma - 1.0) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma))
        )
        scale = np.sqrt(GAS_CONSTANT_J_KG_K * as_floats(upstream_k))
        return np.asarray(as_floats(discharge_coefficient) * as_floats(area_m2) * p1 * root / scale)


def nozzle_air_demand_kg_s(
    bore_m: npt.ArrayLike,
    nozzle_gauge_pa: npt.ArrayLike,
    air_k: npt.ArrayLike = ROOM_K,
    atmosphere_pa: npt.ArrayLike = STANDARD_ATMOSPHERE_PA,
    discharge_coefficient: npt.ArrayLike = 1.0,
    while_blasting_factor: npt.ArrayLike = 1.0,
) -> Floats:
    """Air that a blast nozzle takes at a pressure measured at the nozzle.

    Parameters
    ----------
    bore_m : array_like
        Bore of the throat; demand goes with its square. [m]
    nozzle_gauge_pa : array_like
        Gauge pressure at the nozzle. [Pa]
    air_k : array_like
        Temperature of the air before the nozzle. [K]
    atmosphere_pa : array_like
        Absolute pressure around. [Pa]
    discharge_coefficient : array_like
        Of the clean nozzle, see :func:`nozzle_flow_kg_s`. [-]
    while_blasting_factor : array_like
        Share of the air that still passes while abrasive does: 1 is air alone. The trade's chart,
        metered while blasting at 1.26 to 1.38 kg of abrasive a kg of air, is 0.76 to 0.85 of
        theory, 0.81 in the mean of 42 cells (published chart, quotient computed). [-]

    Returns
    -------
    ndarray of float64
        Mass flow. [kg/s]

    Examples
    --------
    >>> from analytics.air import PA_PER_PSI, free_air
    >>> float(free_air(nozzle_air_demand_kg_s(0.0127, 100 * PA_PER_PSI), "cfm").round(1))
    416.1
    """
    around = as_floats(atmosphere_pa)
    flow = nozzle_flow_kg_s(
        absolute_pa(nozzle_gauge_pa, around),
        around,
        air_k,
        bore_area_m2(bore_m),
        discharge_coefficient,
    )
    return np.asarray(flow * as_floats(while_blasting_factor))


def dusty_air_factor(
    loading: npt.ArrayLike,
    particle_heat_j_kg_k: npt.ArrayLike = 750.0,
    heat_capacity_ratio: float = HEAT_CAPACITY_RATIO,
) -> Floats:
    """Lower bound on the share of air that a choked nozzle passes while it carries particles.

    Γ = (cp + Z c)/(cv + Z c),  factor = C*(Γ) / C*(γ) / sqrt(1 + Z)

    Parameters
    ----------
    loading : array_like
        Z, mass flow of abrasive over mass flow of air. [-]
    particle_heat_j_kg_k : array_like
        Specific heat of the abrasive. [J/(kg K)]
    heat_capacity_ratio : float
        γ of air. [-]

    Returns
    -------
    ndarray of float64
        Air with abrasive over air alone at the same pressure. [-]

    Notes
    -----
    Equilibrium: grains move as fast and are as warm as the air in the throat. Grains of abrasive
    are far from that, so the truth lies between this and 1; at a loading of 1.33 this is 0.614,
    and the trade's chart says 0.81.

    Examples
    --------
    >>> dusty_air_factor([0.5, 1.33]).round(4).tolist()
    [0.7875, 0.6143]

    References
    ----------
    Rudinger 1980; Marble 1970 (both from memory).
    """
    z = as_floats(loading)
    at_volume = GAS_CONSTANT_J_KG_K / (heat_capacity_ratio - 1.0)
    carried = z * as_floats(particle_heat_j_kg_k)
    mixed = (heat_capacity_ratio * at_volume + carried) / (at_volume + carried)
    ratio = critical_flow_function(mixed) / critical_flow_function(heat_capacity_ratio)
    return np.asarray(ratio / np.sqrt(1.0 + z))


def restriction_flow_function(
    pressure_ratio: npt.ArrayLike, critical_ratio: npt.ArrayLike
) -> Floats:
    """Flow through a restriction as a share of its choked flow, after ISO 6358-1.

    φ = 1 for r <= b,  sqrt(1 - ((r - b)/(1 - b))²) for b < r < 1,  0 for r >= 1

    Parameters
    ----------
    pressure_ratio : array_like
        r, absolute pressure after over absolute pressure before. [-]
    critical_ratio : array_like
        b, from 0 to below 1. [-]

    Returns
    -------
    ndarray of float64
        φ. [-]

    Raises
    ------
    ValueError
        A critical ratio is not from 0 to below 1.

    Notes
    -----
    The slope is infinite at r = 1; ISO 6358-1 lets the last part be taken as laminar, which this
    does not.

    Examples
    --------
    >>> restriction_flow_function([0.2, 0.65, 1.0], 0.3).round(6).tolist()
    [1.0, 0.866025, 0.0]

    References
    ----------
    ISO 6358-1:2013, subsonic index 0.5 (from public code and notes).
    """
    b = checked_ratio(critical_ratio)
    return np.sqrt(1.0 - subsonic(as_floats(pressure_ratio), b) ** 2)


def checked_ratio(critical_ratio: npt.ArrayLike) -> Floats:
    b = as_floats(critical_ratio)
    if np.any((b < 0.0) | (b >= 1.0)):
        raise ValueError("a critical pressure ratio lies from 0 to below 1")
    return b


def subsonic(ratio: Floats, b: Floats) -> Floats:
    """How far a pressure ratio lies from choking (0) to no flow (1)."""
    return np.clip((ratio - b) / (1.0 - b), 0.0, 1.0)


def restriction_flow_kg_s(
    conductance_m3_s_pa: npt.ArrayLike,
    critical_ratio: npt.ArrayLike,
    upstream_pa: npt.ArrayLike,
    downstream_pa: npt.ArrayLike,
    upstream_k: npt.ArrayLike = ROOM_K,
) -> Floats:
    """Mass flow of air through a restriction of which C and b are known, after ISO 6358-1.

    ṁ = C p1 ρ0 sqrt(T0/T1) φ(p2/p1, b)

    Parameters
    ----------
    conductance_m3_s_pa : array_like
        Sonic conductance C; 1 dm3/(s bar) is 1e-8. [m3/(s Pa)]
    critical_ratio : array_like
        b, from 0 to below 1. [-]
    upstream_pa, downstream_pa : array_like
        Absolute pressures before and after. [Pa]
    upstream_k : array_like
        Temperature before. [K]

    Returns
    -------
    ndarray of float64
        Mass flow; 0 where the pressure after is not below the one before. [kg/s]

    Raises
    ------
    ValueError
        A critical ratio is not from 0 to below 1.

    Examples
    --------
    >>> round(float(restriction_flow_kg_s(1e-7, 0.3, 8e5, 1e5)), 6)
    0.0948

    References
    ----------
    ISO 6358-1:2013, with the reference atmosphere ANR of ISO 8778.
    """
    p1 = as_floats(upstream_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = as_floats(downstream_pa) / p1
    conductance = as_floats(conductance_m3_s_pa)
    warmth = np.sqrt(ANR.temperature_k / as_floats(upstream_k))
    share = restriction_flow_function(ratio, critical_ratio)
    return np.asarray(conductance * p1 * ANR.density_kg_m3 * warmth * share)


def orifice_conductance_m3_s_pa(
    area_m2: npt.ArrayLike,
    discharge_coefficient: npt.ArrayLike = 1.0,
    heat_capacity_ratio: float = HEAT_CAPACITY_RATIO,
) -> Floats:
    """Sonic conductance of an ideal orifice of this area.

    C = Cd A C* / (ρ0 sqrt(R T0))

    Parameters
    ----------
    area_m2 : array_like
        Area of the orifice. [m2]
    discharge_coefficient : array_like
        Cd. [-]
    heat_capacity_ratio : float
        γ. [-]

    Returns
    -------
    ndarray of float64
        C, 0.19919 dm3/(s bar) a mm2; its critical ratio is :func:`critical_pressure_ratio`, while
        real components have 0.2 to 0.5. [m3/(s Pa)]

    Examples
    --------
    A full 1/2 in bore, in dm3/(s bar):

    >>> round(float(orifice_conductance_m3_s_pa(bore_area_m2(0.0127))) * 1e8, 2)
    25.23
    """
    effective = as_floats(discharge_coefficient) * as_floats(area_m2)
    speed = np.sqrt(GAS_CONSTANT_J_KG_K * ANR.temperature_k)
    return np.asarray(
        effective * critical_flow_function(heat_capacity_ratio) / (ANR.density_kg_m3 * speed)
    )
