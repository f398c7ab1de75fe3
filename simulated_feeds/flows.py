"""Flow of air through restrictions, nozzles and hoses, compiled so that the model can call them.

Every function takes and returns SI values, pressures ABSOLUTE. None keeps state, so each can be
checked alone against the formula it is named after.

References
----------
.. [1] ISO 6358-1:2013, flow-rate characteristics of pneumatic components: sonic conductance C,
   critical pressure ratio b, subsonic index 0.5, reference atmosphere ANR.
.. [2] ISO 9300, critical flow function of an ideal gas (clause from memory).
.. [3] Isothermal flow in a long pipe and the Colebrook friction factor: textbook (Crane TP-410,
   Perry), from memory.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from numba import njit

ATMOSPHERE_PA = 101_325.0
"""Standard atmosphere [Pa absolute]."""
ANR_DENSITY_KG_M3 = 1.185
"""Density of the ISO 8778 reference atmosphere that ISO 6358 refers C to [kg/m3] (memory)."""
ANR_TEMPERATURE_K = 293.15
"""Temperature of that reference atmosphere [K]."""
GAS_CONSTANT_J_KG_K = 287.05
"""Specific gas constant of dry air [J/(kg K)]."""
GAMMA = 1.4
"""Ratio of specific heats of air [-]."""
CRITICAL_FLOW_FUNCTION = math.sqrt(GAMMA * (2 / (GAMMA + 1)) ** ((GAMMA + 1) / (GAMMA - 1)))
"""Ideal critical flow function of air, 0.684731 [-]."""
CRITICAL_RATIO = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
"""Ideal critical pressure ratio of air, 0.528282 [-]."""
AIR_VISCOSITY_PA_S = 1.8206e-5
"""Dynamic viscosity of air at 20 degC [Pa s] (CoolProp, computed)."""
LAMINAR_RATIO = 0.998
"""Above this pressure ratio a restriction is taken as linear, as ISO 6358-1 allows near 1 [-]."""

PHYSICS_FILES = ("flows.py", "blast_line.py", "plant.py", "model.py")
"""Files whose functions and constants are compiled into each other."""


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile a function, keeping the result on disk where a folder for that can be written.

    Numba refuses `cache=True` with RuntimeError when neither the package's folder nor the user's
    cache folder is writable (a read-only container); the model then compiles at each start. What
    was kept is thrown away when any file of the physics is newer: numba looks at the function's own
    file only, and would go on with the old body of a function that this one calls.

    Parameters
    ----------
    function : callable
        Plain Python that numba can compile.
    """
    try:
        kept = njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return njit(nogil=True, error_model="numpy")(function)
    changed_s = max((Path(__file__).parent / name).stat().st_mtime for name in PHYSICS_FILES)
    with contextlib.suppress(OSError):  # no such folder yet, or not ours to clean: numba copes
        for index in Path(str(kept.stats.cache_path)).glob(f"*.{function.__name__}-*.nbi"):
            if index.stat().st_mtime < changed_s:
                index.unlink()
    return kept


@compiled
def restriction_kg_s(
    conductance_m3_s_pa: float,
    critical_ratio: float,
    upstream_pa: float,
    downstream_pa: float,
    upstream_k: float,
) -> float:
    """Give the mass flow of air through a restriction as ISO 6358-1 describes it.

    m = C p1 rho0 sqrt(T0/T1) phi(r), r = p2/p1, phi = 1 up to b, then
    sqrt(1 - ((r - b)/(1 - b))^2), and linear to zero above r = 0.998.

    Parameters
    ----------
    conductance_m3_s_pa : float
        Sonic conductance C [m3/(s Pa)]; zero or less passes nothing.
    critical_ratio : float
        Critical pressure ratio b [-], 0 < b < 0.998.
    upstream_pa, downstream_pa : float
        Absolute pressures [Pa]; no flow when downstream is not below upstream.
    upstream_k : float
        Gas temperature upstream [K].

    Returns
    -------
    float
        Mass flow [kg/s], never negative.

    Examples
    --------
    >>> round(restriction_kg_s(1e-7, 0.3, 790_800.0, 101_325.0, 293.15), 6)
    0.09371
    """
    if upstream_pa <= downstream_pa or conductance_m3_s_pa <= 0.0:
        return 0.0
    ratio = downstream_pa / upstream_pa
    sonic = (
        conductance_m3_s_pa
        * upstream_pa
        * ANR_DENSITY_KG_M3
        * math.sqrt(ANR_TEMPERATURE_K / upstream_k)
    )
    if ratio <= critical_ratio:
        return sonic
    if ratio <= LAMINAR_RATIO:
        part = (ratio - critical_ratio) / (1.0 - critical_ratio)
        return sonic * math.sqrt(1.0 - part * part)
    part = (LAMINAR_RATIO - critical_ratio) / (1.0 - critical_ratio)
    return sonic * math.sqrt(1.0 - part * part) * (1.0 - ratio) / (1.0 - LAMINAR_RATIO)


@compiled
def choked_flow_per_pa(bore_m: float, discharge: float, temperature_k: float) -> float:
    """Give the choked mass flow of air through a nozzle a pascal of absolute pressure before it.

    m/p0 = Cd A C* / sqrt(R T0), the ideal critical flow function of ISO 9300.

    Parameters
    ----------
    bore_m : float
        Throat diameter [m].
    discharge : float
        Discharge coefficient [-].
    temperature_k : float
        Stagnation temperature before the nozzle [K].

    Returns
    -------
    float
        Mass flow over absolute pressure [kg/(s Pa)].

    Examples
    --------
    A 3/8 inch bore at 100 psig and 20 degC passes 0.13301 kg/s (ISO 9300 form, computed):

    >>> round(choked_flow_per_pa(9.525e-3, 1.0, 293.15) * 790_801.0, 5)
    0.13301
    """
    area_m2 = 0.25 * math.pi * bore_m * bore_m
    return (
        discharge
        * area_m2
        * CRITICAL_FLOW_FUNCTION
        / math.sqrt(GAS_CONSTANT_J_KG_K * temperature_k)
    )


@compiled
def nozzle_pressure_pa(flow_kg_s: float, flow_per_pa: float, atmosphere_pa: float) -> float:
    """Give the pressure before a nozzle that drives a given flow through it to the open air.

    Choked, p = m / (m/p). Below that the subsonic branch is the ISO 6358 ellipse with the ideal
    critical ratio, whose inverse is the root of a quadratic.

    Parameters
    ----------
    flow_kg_s : float
        Mass flow [kg/s].
    flow_per_pa : float
        Choked flow over pressure from `choked_flow_per_pa` [kg/(s Pa)].
    atmosphere_pa : float
        Pressure after the nozzle [Pa absolute].

    Returns
    -------
    float
        Pressure before the nozzle [Pa absolute], not below the atmosphere.
    """
    choked_pa = flow_kg_s / flow_per_pa
    if choked_pa * CRITICAL_RATIO >= atmosphere_pa:
        return choked_pa
    width = 1.0 / ((1.0 - CRITICAL_RATIO) * (1.0 - CRITICAL_RATIO))
    square = 1.0 - CRITICAL_RATIO * CRITICAL_RATIO * width
    half = atmosphere_pa * CRITICAL_RATIO * width
    rest = -(atmosphere_pa * atmosphere_pa * width) - choked_pa * choked_pa
    nozzle_pa: float = (math.sqrt(half * half - square * rest) - half) / square
    return nozzle_pa


@compiled
def friction_step(
    friction: float, flow_kg_s: float, diameter_m: float, roughness_m: float
) -> float:
    """Take one fixed-point step of the Colebrook equation for the Darcy friction factor.

    1/sqrt(f) = -2 log10(e/(3.7 D) + 2.51/(Re sqrt(f))). The model takes a step each time step, so
    the factor converges within a few steps and follows the flow.

    Parameters
    ----------
    friction : float
        Darcy friction factor so far [-], positive.
    flow_kg_s : float
        Mass flow [kg/s].
    diameter_m, roughness_m : float
        Inner diameter and wall roughness [m].

    Returns
    -------
    float
        A better friction factor [-]; the one given where the flow is not turbulent (Re < 4000).
    """
    reynolds = 4.0 * flow_kg_s / (math.pi * diameter_m * AIR_VISCOSITY_PA_S)
    if reynolds < 4000.0:
        return friction
    inner = roughness_m / (3.7 * diameter_m) + 2.51 / (reynolds * math.sqrt(friction))
    root = -2.0 * math.log10(inner)
    return 1.0 / (root * root)


@compiled
def hose_resistance(
    diameter_m: float, length_m: float, friction: float, log_term: float, temperature_k: float
) -> float:
    """Give k in p1^2 - p2^2 = k m^2 for isothermal flow of air in a long hose.

    k = R T / A^2 (f L/D + 2 ln(p1/p2)).

    Parameters
    ----------
    diameter_m, length_m : float
        Inner diameter and length [m].
    friction : float
        Darcy friction factor, with whatever the abrasive adds to it [-].
    log_term : float
        2 ln(p1/p2), the acceleration of the air [-].
    temperature_k : float
        Temperature of the air [K].

    Returns
    -------
    float
        k [Pa2 s2/kg2].
    """
    area_m2 = 0.25 * math.pi * diameter_m * diameter_m
    return (
        GAS_CONSTANT_J_KG_K
        * temperature_k
        / (area_m2 * area_m2)
        * (friction * length_m / diameter_m + log_term)
    )
