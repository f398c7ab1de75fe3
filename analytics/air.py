"""Air through nozzles, restrictions and hoses, into and out of a vessel; and what it is called.

Every function takes and returns SI values and works element by element on arrays that broadcast.
Pressures are ABSOLUTE unless their name says ``gauge``. A value that is NaN, or that lies outside
what a formula holds for, gives NaN; a setting that makes no sense raises.

One name for five rooms, each with its sources:

- ``air_states``: gauge and absolute, free air and its reference;
- ``air_nozzle``: nozzles and restrictions, choked and below, and what abrasive does to the flow;
- ``air_hose``: friction and loss in a hose, and the nozzle's growth from it;
- ``air_vessel``: filling, emptying, and where a leaking vessel settles;
- ``air_production``: the trade's rule of thumb about low pressure.
"""

from __future__ import annotations

from analytics.air_hose import (
    darcy_friction_factor,
    hose_loss_index,
    hose_outlet_pa,
    relative_bore,
    reynolds_number,
)
from analytics.air_nozzle import (
    bore_area_m2,
    critical_flow_function,
    critical_pressure_ratio,
    dusty_air_factor,
    nozzle_air_demand_kg_s,
    nozzle_flow_kg_s,
    orifice_conductance_m3_s_pa,
    restriction_flow_function,
    restriction_flow_kg_s,
)
from analytics.air_production import (
    PRODUCTION_RULE_FROM_PA,
    PRODUCTION_RULE_TO_PA,
    extra_time,
    production_lost,
)
from analytics.air_states import (
    ANR,
    DRY_FREE_AIR,
    GAS_CONSTANT_J_KG_K,
    HEAT_CAPACITY_RATIO,
    M3_S_PER,
    PA_PER_PSI,
    ROOM_K,
    STANDARD_ATMOSPHERE_PA,
    VISCOSITY_PA_S,
    AirReference,
    absolute_pa,
    atmosphere_at_altitude_pa,
    free_air,
    gauge_pa,
    mass_flow_of_free_air_kg_s,
)
from analytics.air_vessel import (
    exhaust_time_constant_s,
    exhaust_time_s,
    fill_time_s,
    settled_ratio,
)

__all__ = [
    "ANR",
    "DRY_FREE_AIR",
    "GAS_CONSTANT_J_KG_K",
    "HEAT_CAPACITY_RATIO",
    "M3_S_PER",
    "PA_PER_PSI",
    "PRODUCTION_RULE_FROM_PA",
    "PRODUCTION_RULE_TO_PA",
    "ROOM_K",
    "STANDARD_ATMOSPHERE_PA",
    "VISCOSITY_PA_S",
    "AirReference",
    "absolute_pa",
    "atmosphere_at_altitude_pa",
    "bore_area_m2",
    "critical_flow_function",
    "critical_pressure_ratio",
    "darcy_friction_factor",
    "dusty_air_factor",
    "exhaust_time_constant_s",
    "exhaust_time_s",
    "extra_time",
    "fill_time_s",
    "free_air",
    "gauge_pa",
    "hose_loss_index",
    "hose_outlet_pa",
    "mass_flow_of_free_air_kg_s",
    "nozzle_air_demand_kg_s",
    "nozzle_flow_kg_s",
    "orifice_conductance_m3_s_pa",
    "production_lost",
    "relative_bore",
    "restriction_flow_function",
    "restriction_flow_kg_s",
    "reynolds_number",
    "settled_ratio",
]
