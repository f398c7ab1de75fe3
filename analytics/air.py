"""Air through nozzles, restrictions and hoses, into and out of a vessel; and what it is called.

Every function takes and returns SI values and works element by element on arrays that broadcast.
Pressures are ABSOLUTE unless their name says ``gauge``. A value that is NaN, or that lies outside
what a formula holds for, gives NaN; a setting that makes no sense raises.

Three things that are easily mixed up:

- A flow in cubic metres needs a reference. ``DRY_FREE_AIR`` and ``ANR`` differ by 1.6 %, so what is
  kept is mass flow, and a volume flow always names its reference.
- The trade's nozzle chart is 0.76 to 0.85 of what the formula gives, for its air was metered while
  blasting. That is a ``while_blasting_factor``, no discharge coefficient.
- A hose that carries abrasive loses several times what the same hose loses with air alone:
  its ``friction_factor`` is to be fitted, never predicted.

References
----------
.. [1] ISO 9300:2022, critical flow nozzles, form of the mass flow (clause from memory).
.. [2] ISO 6358-1:2013, flow-rate characteristics of pneumatic components: sonic conductance C,
   critical pressure ratio b, subsonic index 0.5; ISO 8778 reference atmosphere ANR (from memory).
.. [3] Crane TP-410 and Perry's handbook, isothermal flow in a long pipe (from memory).
.. [4] C. F. Colebrook, J. Inst. Civ. Eng. 11 (1939) 133, doi:10.1680/ijoti.1939.13150; start of
   the iteration: S. E. Haaland, J. Fluids Eng. 105 (1983) 89, doi:10.1115/1.3240948.
.. [5] G. Rudinger, Fundamentals of Gas-Particle Flow (1980); F. E. Marble, Annu. Rev. Fluid Mech. 2
   (1970) 397, doi:10.1146/annurev.fl.02.010170.002145 (both from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

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

#: Below this nozzle pressure the production rules say nothing (common practice, no source). [Pa g]
PRODUCTION_RULE_FROM_PA = 70.0 * PA_PER_PSI
#: The pressure that the production rules count down from (common practice, no source). [Pa g]
PRODUCTION_RULE_TO_PA = 100.0 * PA_PER_PSI

#: Flow is laminar below this Reynolds number, in pipes (2040, from memory). [-]
_LAMINAR_BELOW = 2_040.0

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


def _array(values: npt.ArrayLike) -> Floats:
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
    return np.asarray(_array(absolute_pa) - _array(atmosphere_pa))


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
    return np.asarray(_array(gauge_pa) + _array(atmosphere_pa))


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
    altitude = _array(altitude_m)
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
    flow = _array(mass_flow_kg_s)
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
    flow = _array(volume_flow)
    return np.asarray(flow * (reference.density_kg_m3 * _m3_s_per(unit)))


def _m3_s_per(unit: str) -> float:
    if unit not in M3_S_PER:
        raise ValueError(f"{unit} is none of {', '.join(M3_S_PER)}")
    return M3_S_PER[unit]


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
    gamma = _array(heat_capacity_ratio)
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
    gamma = _array(heat_capacity_ratio)
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
    return np.asarray(np.pi / 4.0 * np.square(_array(bore_m)))


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
    p1 = _array(upstream_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.clip(_array(downstream_pa) / p1, None, 1.0)
        ratio = np.maximum(ratio, critical_pressure_ratio(gamma))
        root = np.sqrt(
            2.0 * gamma / (gamma - 1.0) * (ratio ** (2 / gamma) - ratio ** ((gamma + 1) / gamma))
        )
        scale = np.sqrt(GAS_CONSTANT_J_KG_K * _array(upstream_k))
        return np.asarray(_array(discharge_coefficient) * _array(area_m2) * p1 * root / scale)


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
    >>> float(free_air(nozzle_air_demand_kg_s(0.0127, 100 * PA_PER_PSI), "cfm").round(1))
    416.1
    """
    around = _array(atmosphere_pa)
    flow = nozzle_flow_kg_s(
        absolute_pa(nozzle_gauge_pa, around),
        around,
        air_k,
        bore_area_m2(bore_m),
        discharge_coefficient,
    )
    return np.asarray(flow * _array(while_blasting_factor))


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
    z = _array(loading)
    at_volume = GAS_CONSTANT_J_KG_K / (heat_capacity_ratio - 1.0)
    carried = z * _array(particle_heat_j_kg_k)
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
    b = _checked_ratio(critical_ratio)
    return np.sqrt(1.0 - _subsonic(_array(pressure_ratio), b) ** 2)


def _checked_ratio(critical_ratio: npt.ArrayLike) -> Floats:
    b = _array(critical_ratio)
    if np.any((b < 0.0) | (b >= 1.0)):
        raise ValueError("a critical pressure ratio lies from 0 to below 1")
    return b


def _subsonic(ratio: Floats, b: Floats) -> Floats:
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
    p1 = _array(upstream_pa)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = _array(downstream_pa) / p1
    conductance = _array(conductance_m3_s_pa)
    warmth = np.sqrt(ANR.temperature_k / _array(upstream_k))
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
    effective = _array(discharge_coefficient) * _array(area_m2)
    speed = np.sqrt(GAS_CONSTANT_J_KG_K * ANR.temperature_k)
    return np.asarray(
        effective * critical_flow_function(heat_capacity_ratio) / (ANR.density_kg_m3 * speed)
    )


def reynolds_number(
    mass_flow_kg_s: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    viscosity_pa_s: npt.ArrayLike = VISCOSITY_PA_S,
) -> Floats:
    """Reynolds number of a mass flow in a round pipe.

    Re = 4 ṁ / (π D μ)

    Parameters
    ----------
    mass_flow_kg_s : array_like
        Mass flow. [kg/s]
    diameter_m : array_like
        Inner diameter. [m]
    viscosity_pa_s : array_like
        Dynamic viscosity. [Pa s]

    Returns
    -------
    ndarray of float64
        Re. [-]

    Examples
    --------
    >>> round(float(reynolds_number(0.11138, 0.03175)), -2)
    245300.0
    """
    flow = _array(mass_flow_kg_s)
    return np.asarray(4.0 * flow / (np.pi * _array(diameter_m) * _array(viscosity_pa_s)))


def darcy_friction_factor(
    reynolds: npt.ArrayLike, relative_roughness: npt.ArrayLike = 0.0
) -> Floats:
    """Darcy friction factor of a round pipe.

    1/sqrt(f) = -2 lg(ε/3.7 + 2.51/(Re sqrt(f))) (Colebrook) from Re = 2040 on, 64/Re below.

    Parameters
    ----------
    reynolds : array_like
        Re, above 0. [-]
    relative_roughness : array_like
        ε, roughness over diameter, 0 to 0.05; about 10 µm for a smooth rubber hose. [-]

    Returns
    -------
    ndarray of float64
        f (the Fanning factor is a quarter of it); NaN for Re <= 0. [-]

    Notes
    -----
    Newton's steps from Haaland's formula; four leave less than 1e-12. It jumps at Re = 2040, where
    no formula holds up to about 4000. Air alone: abrasive is in none of this.

    Examples
    --------
    >>> darcy_friction_factor([1e5, 1e5, 5e5], [0.0, 1e-4, 3e-4]).round(6).tolist()
    [0.01799, 0.018514, 0.016275]

    References
    ----------
    Colebrook 1939; Haaland 1983 for the start.
    """
    given = _array(reynolds)
    re, rough = np.broadcast_arrays(
        np.where(given > 0.0, given, np.nan),
        _array(relative_roughness) / 3.7,
    )
    smooth = 2.51 / re
    root = -1.8 * np.log10(rough**1.11 + 6.9 / np.maximum(re, _LAMINAR_BELOW))
    for _ in range(4):
        inside = rough + smooth * root
        wrong = root + 2.0 * np.log10(inside)
        root = root - wrong / (1.0 + 2.0 / np.log(10.0) * smooth / inside)
    return np.where(re < _LAMINAR_BELOW, 64.0 / re, root**-2)


def hose_outlet_pa(
    inlet_pa: npt.ArrayLike,
    mass_flow_kg_s: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    length_m: npt.ArrayLike,
    friction_factor: npt.ArrayLike,
    air_k: npt.ArrayLike = ROOM_K,
) -> Floats:
    """Pressure at the end of a hose through which air flows at one temperature.

    p1² - p2² = G² R T (f L/D + 2 ln(p1/p2)),  G = ṁ/A, solved for p2

    Parameters
    ----------
    inlet_pa : array_like
        p1, absolute. [Pa]
    mass_flow_kg_s : array_like
        ṁ. [kg/s]
    diameter_m, length_m : array_like
        D and L. [m]
    friction_factor : array_like
        f, Darcy: :func:`darcy_friction_factor` for air alone, fitted for a hose with abrasive. [-]
    air_k : array_like
        T. [K]

    Returns
    -------
    ndarray of float64
        p2, absolute; NaN where the hose cannot pass so much at that inlet pressure (it chokes when
        p2 = G sqrt(R T)). [Pa]

    Notes
    -----
    Couplings are no length of hose: they are restrictions of their own.

    Examples
    --------
    50 ft of 1 1/4 in hose, 196 cfm, 100 psig, air alone:

    >>> f = darcy_friction_factor(reynolds_number(0.11138, 0.03175), 10e-6 / 0.03175)
    >>> round(float(hose_outlet_pa(790_800.0, 0.11138, 0.03175, 15.24, f)) / 1e3, 2)
    781.92

    References
    ----------
    Crane TP-410; Perry (from memory).
    """
    p1 = _array(inlet_pa)
    flux = _array(mass_flow_kg_s) / bore_area_m2(diameter_m)
    friction = _array(friction_factor) * _array(length_m) / _array(diameter_m)
    # With x = (p2/p1)² and k = G² R T/p1² the root sought is the larger one of
    # 1 - x - k f L/D + k ln x, which is concave with its top at x = k: Newton's steps from x = 1
    # fall on it from the right.
    with np.errstate(divide="ignore", invalid="ignore"):
        k = flux**2 * GAS_CONSTANT_J_KG_K * _array(air_k) / p1**2
        top = 1.0 - k - k * friction + np.where(k > 0.0, k * np.log(k), 0.0)
        passes = (k < 1.0) & (top >= 0.0)
        k, friction = np.where(passes, k, 0.0), np.where(passes, friction, 0.0)
        x = np.ones(np.broadcast_shapes(k.shape, friction.shape))
        for _ in range(60):
            step = (1.0 - x - k * friction + k * np.log(x)) / (k / x - 1.0)
            x = np.maximum(x - np.where(np.isfinite(step), step, 0.0), k)
            if np.all(np.abs(step) < 1e-15):
                break
        return np.where(passes, p1 * np.sqrt(x), np.nan)


def hose_loss_index(inlet_pa: npt.ArrayLike, outlet_pa: npt.ArrayLike) -> Floats:
    """Loss along the blast hose against the flow that a choked nozzle at its end takes.

    (p1² - p2²) / p2²

    Parameters
    ----------
    inlet_pa, outlet_pa : array_like
        Absolute pressures at the pot's end and at the nozzle's end of the hose. [Pa]

    Returns
    -------
    ndarray of float64
        Index; NaN where the pressure does not fall along the hose. [-]

    Notes
    -----
    A choked nozzle takes ṁ = k d² p2 / sqrt(T) and the hose loses p1² - p2² = F R T ṁ², so the
    index goes with d⁴ and neither with pressure nor with temperature. F holds the abrasive in the
    hose too: compare only where the loading is alike. The logarithm in the hose's law is left out,
    under 2 % of the loss in usual hoses.

    Examples
    --------
    >>> float(hose_loss_index(5.0, 4.0))
    0.5625
    """
    p1 = _array(inlet_pa)
    p2 = _array(outlet_pa)
    falls = (p1 > p2) & (p2 > 0.0)
    return np.where(falls, (p1**2 - p2**2) / np.where(falls, p2, 1.0) ** 2, np.nan)


def relative_bore(loss_index: npt.ArrayLike, reference_index: npt.ArrayLike) -> Floats:
    """Bore of the nozzle against its bore when the reference was taken, without a flow meter.

    d/d0 = (index/index0)^(1/4)

    Parameters
    ----------
    loss_index : array_like
        :func:`hose_loss_index` now. [-]
    reference_index : array_like
        The same with the nozzle as it was fitted, the same hose and a like loading. [-]

    Returns
    -------
    ndarray of float64
        1.10 is ten percent of growth in bore and 21 % more air; NaN where an index is not
        positive. An error of 4 % in the index is one of 1 % in the bore. [-]

    Examples
    --------
    >>> round(float(relative_bore(0.16 * 1.1**4, 0.16)), 6)
    1.1
    """
    now = _array(loss_index)
    then = _array(reference_index)
    good = (now > 0.0) & (then > 0.0)
    return np.where(good, (np.where(good, now, 1.0) / np.where(good, then, 1.0)) ** 0.25, np.nan)


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
    warmth = np.sqrt(ANR.temperature_k * _array(air_k))
    with np.errstate(divide="ignore"):
        return np.asarray(_array(volume_m3) / (_array(conductance_m3_s_pa) * inflow * warmth))


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
    start, target, supply = (_array(pa) for pa in (start_pa, target_pa, supply_pa))
    b = _checked_ratio(critical_ratio)
    tau = exhaust_time_constant_s(volume_m3, conductance_m3_s_pa, air_k, gas_constant_j_kg_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        r0, r1 = start / supply, target / supply
        passed = (
            np.minimum(r1, b)
            - np.minimum(r0, b)
            + (1.0 - b) * (np.arcsin(_subsonic(r1, b)) - np.arcsin(_subsonic(r0, b)))
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
    b = _checked_ratio(critical_ratio)
    if np.any(b == 0.0):
        raise ValueError("a way out with a critical ratio of 0 has no closed form")
    start, target, around = (_array(pa) for pa in (start_pa, target_pa, atmosphere_pa))
    tau = exhaust_time_constant_s(volume_m3, conductance_m3_s_pa, air_k, gas_constant_j_kg_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        taken = _since_choked(around / target, b) - _since_choked(around / start, b)
        sensible = (start >= target) & (target >= around)
        return np.where(sensible, tau * taken, np.nan)


def _since_choked(ratio: Floats, b: Floats) -> Floats:
    """Time constants from when the flow out ceases to be choked; negative before."""
    q = np.tan(np.arcsin(_subsonic(ratio, b)) / 2.0)
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
    b = _checked_ratio(critical_ratio)
    leak = _array(leak_ratio)
    a = 1.0 + leak**2 * (1.0 - b) ** 2
    # b² + a((1-b)² - b²) in a form that is not negative for any b
    root = np.sqrt(np.maximum(b**2 + a * (1.0 - 2.0 * b), 0.0))
    within = (leak >= 0.0) & (leak <= 1.0)
    return np.where(within, (b + root) / a, np.nan)


def production_lost(
    nozzle_gauge_pa: npt.ArrayLike,
    form: Literal["linear", "compound", "power"] = "linear",
    loss_per_psi: float = 0.015,
    exponent: float = 1.466,
) -> Floats:
    """Share of production that low nozzle pressure costs, by the trade's rule of thumb.

    With n psi under 100 psig:  linear c n;  compound 1 - (1 - c)^n;  power 1 - (p/100 psig)^e

    Parameters
    ----------
    nozzle_gauge_pa : array_like
        Gauge pressure at the nozzle while blasting. [Pa]
    form : {"linear", "compound", "power"}
        Which reading of the rule. The trade's hose tables use the linear one.
    loss_per_psi : float
        c; "1.5 % a psi" is common practice, and no controlled study of it was found. [1/psi]
    exponent : float
        e, from "10 % more nozzle pressure above 90 psi gives 15 % more": ln 1.15/ln 1.10. [-]

    Returns
    -------
    ndarray of float64
        Share lost; 0 from 100 psig on, where the rule says nothing. NaN below 70 psig: there it is
        not to be extrapolated (the linear form would end all production at 33 psig). [-]

    Raises
    ------
    ValueError
        The form is none of the three.

    Examples
    --------
    >>> production_lost([620528.0, 551581.0, 400000.0]).round(3).tolist()
    [0.15, 0.3, nan]

    References
    ----------
    Common practice, printed in several trade pages; no source behind them.
    """
    pressure = _array(nozzle_gauge_pa)
    missing_psi = np.maximum((PRODUCTION_RULE_TO_PA - pressure) / PA_PER_PSI, 0.0)
    if form == "linear":
        lost = np.asarray(loss_per_psi * missing_psi)
    elif form == "compound":
        lost = np.asarray(1.0 - (1.0 - loss_per_psi) ** missing_psi)
    elif form == "power":
        share = np.clip(pressure / PRODUCTION_RULE_TO_PA, 0.0, 1.0)
        lost = np.asarray(1.0 - share**exponent)
    else:
        raise ValueError(f"{form} is none of linear, compound, power")
    # a millionth, so that 70 psig rounded to the pascal is still 70 psig
    return np.where(pressure >= PRODUCTION_RULE_FROM_PA * (1.0 - 1e-6), lost, np.nan)


def extra_time(lost: npt.ArrayLike) -> Floats:
    """Share of time that the same work takes longer when a share of production is lost.

    L / (1 - L): 15 % less done in an hour is 17.6 % more hours, not 15 %.

    Parameters
    ----------
    lost : array_like
        L, from :func:`production_lost`, below 1. [-]

    Returns
    -------
    ndarray of float64
        Additional time over the time without the loss. [-]

    Examples
    --------
    >>> round(float(extra_time(0.15)), 3)
    0.176
    """
    share = _array(lost)
    with np.errstate(divide="ignore"):
        return np.asarray(share / (1.0 - share))
