"""Steady flow from the manifold through choke valve, blast hose and nozzle to the open air."""

from __future__ import annotations

import math

from .flows import (
    ANR_DENSITY_KG_M3,
    ANR_TEMPERATURE_K,
    CRITICAL_RATIO,
    compiled,
    nozzle_pressure_pa,
    restriction_kg_s,
)


@compiled
def blast_line(
    manifold_pa: float,
    choke_m3_s_pa: float,
    choke_ratio: float,
    extra_kg_s: float,
    flow_per_pa: float,
    resistance: float,
    atmosphere_pa: float,
    air_k: float,
) -> tuple[float, float, float]:
    """Solve the steady flow from manifold through choke valve, blast hose and nozzle.

    Parameters
    ----------
    manifold_pa : float
        Pressure before the choke valve [Pa absolute].
    choke_m3_s_pa, choke_ratio : float
        Choke valve, ISO 6358 [m3/(s Pa)] and [-].
    extra_kg_s : float
        Air that joins after the choke valve, through the metering valve [kg/s].
    flow_per_pa : float
        Choked flow of the nozzle over absolute pressure [kg/(s Pa)].
    resistance : float
        k of the blast hose in p1^2 - p2^2 = k m^2 [Pa2 s2/kg2].
    atmosphere_pa, air_k : float
        Outside pressure [Pa absolute] and air temperature [K].

    Returns
    -------
    tuple of float
        Flow through the choke valve [kg/s]; pressure at the hose's head and at the nozzle
        [Pa absolute].
    """
    sonic = choke_m3_s_pa * manifold_pa * ANR_DENSITY_KG_M3 * math.sqrt(ANR_TEMPERATURE_K / air_k)
    if sonic <= 0.0:
        nozzle_pa = nozzle_pressure_pa(extra_kg_s, flow_per_pa, atmosphere_pa)
        return 0.0, math.sqrt(nozzle_pa**2 + resistance * extra_kg_s**2), nozzle_pa
    # With the nozzle choked the whole line is one conductance: m = g p at the hose's head, and
    # phi(r) = slope r - share has a closed form.
    line = flow_per_pa / math.sqrt(1.0 + resistance * flow_per_pa * flow_per_pa)
    slope = line * manifold_pa / sonic
    share = extra_kg_s / sonic
    ratio = (1.0 + share) / slope
    if ratio > choke_ratio:
        width = 1.0 / ((1.0 - choke_ratio) * (1.0 - choke_ratio))
        square = slope * slope + width
        half = slope * share + choke_ratio * width
        rest = share * share + choke_ratio * choke_ratio * width - 1.0
        ratio = min((half + math.sqrt(max(half * half - square * rest, 0.0))) / square, 1.0)
    hose_pa = ratio * manifold_pa
    flow = line * hose_pa
    if flow / flow_per_pa * CRITICAL_RATIO >= atmosphere_pa and flow > extra_kg_s:
        return flow - extra_kg_s, hose_pa, flow / flow_per_pa
    low = 0.0
    high = sonic
    for _ in range(30):
        middle = 0.5 * (low + high)
        nozzle_pa = nozzle_pressure_pa(middle + extra_kg_s, flow_per_pa, atmosphere_pa)
        hose_pa = math.sqrt(nozzle_pa**2 + resistance * (middle + extra_kg_s) ** 2)
        if restriction_kg_s(choke_m3_s_pa, choke_ratio, manifold_pa, hose_pa, air_k) > middle:
            low = middle
        else:
            high = middle
    nozzle_pa = nozzle_pressure_pa(low + extra_kg_s, flow_per_pa, atmosphere_pa)
    return low, math.sqrt(nozzle_pa**2 + resistance * (low + extra_kg_s) ** 2), nozzle_pa
