"""The parts of one blast pot and its air supply, and the state the model keeps of them.

`Plant` is what is bolted together and how worn it is; `STATE` is what changes while it runs. Both
are handed to the compiled model as structured arrays of one row, so that the model reads
`plant.vessel_m3` and not `plant[7]`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from .flows import ATMOSPHERE_PA, GAMMA, GAS_CONSTANT_J_KG_K

SPECIFIC_HEAT_VOLUME_J_KG_K = GAS_CONSTANT_J_KG_K / (GAMMA - 1.0)
"""Specific heat of air at constant volume [J/(kg K)]."""
SPECIFIC_HEAT_PRESSURE_J_KG_K = GAMMA * SPECIFIC_HEAT_VOLUME_J_KG_K
"""Specific heat of air at constant pressure [J/(kg K)]."""


@dataclass(frozen=True, slots=True)
class Plant:
    """Everything that shapes the pressures of one pot, in SI units, pressures gauge unless named.

    The defaults are a 6.5 cubic foot pot on a 10.6 m3/min compressor with a 3/8 inch nozzle, in
    good order. Sizes follow common practice (no source) where no reference is given.

    Attributes
    ----------
    air_k, atmosphere_pa : float
        Temperature of the delivered air [K] and the pressure outside [Pa absolute].
    hold_supply : float
        1 keeps the manifold pressure as it is, whatever is drawn: the reference fill cases.
    compressor_kg_s, load_pa, unload_pa, compressor_lag_s : float
        Free air delivery [kg/s], pressures at which it loads and unloads [Pa], time it takes [s].
    receiver_m3, manifold_m3 : float
        Volumes of the receiver, and of bull hose, separator and manifold together [m3].
    bull_diameter_m, bull_length_m, roughness_m : float
        Bull hose, and the wall roughness of both hoses [m].
    separator_resistance : float
        k of the moisture separator in p1^2 - p2^2 = k m^2 [Pa2 s2/kg2]; rises as it fills.
    drain_m3_s_pa : float
        Separator drain, cracked open all shift: sonic conductance [m3/(s Pa)].
    vessel_m3, particle_kg_m3 : float
        Volume of the pot [m3] and density of the grains themselves [kg/m3].
    fill_m3_s_pa, fill_ratio : float
        Path from manifold into the pot: sonic conductance [m3/(s Pa)] and critical ratio [-].
    exhaust_m3_s_pa, exhaust_ratio : float
        Path out through the open pinch hose, likewise.
    leak_m3_s_pa, leak_ratio : float
        What the pinched hose lets through, likewise.
    popup_leak_m3_s_pa, popup_open_m3_s_pa, popup_seat_pa : float
        Leak of the seated pop-up valve, its conductance while it hangs open [m3/(s Pa)], and the
        pot pressure that holds it on its seat [Pa].
    bypass_m3_s_pa : float
        What a shut main air valve still lets into the pot [m3/(s Pa)].
    wedge_stuck : float
        1 holds the wedge where it is pinched: the pot cannot exhaust through its hose.
    wedge_forced : float
        1 lets the wedge fall shut again some seconds after a release.
    relief_pa, relief_reseat, relief_m3_s_pa : float
        Relief valve: set pressure [Pa], share of it at which it shuts [-], conductance.
    choke_m3_s_pa, choke_ratio : float
        Choke valve in the pusher line.
    hose_diameter_m, hose_length_m, hose_loading : float
        Blast hose [m], and what a unit of abrasive a unit of air adds to its friction [-].
    bore_m, discharge, nozzle_loading : float
        Nozzle throat [m], its coefficient with clean air [-], and how far abrasive takes the
        place of air: m = m_clean / (1 + nozzle_loading Z) [-].
    feed_kg_s, knob : float
        Abrasive at 790.8 kPa absolute with the knob at 1 [kg/s], and the knob [-].
    feed_head_pa, feed_reference_pa : float
        Weight of the abrasive as a pressure, and the usual excess of pot over hose [Pa].
    metering_gas_m3_s_pa : float
        Air through the metering valve when no abrasive fills it [m3/(s Pa)].
    wall_w_k, grain_w_k_kg : float
        Heat between pot air and wall [W/K], and grains, a kilogram of them [W/(K kg)].
    press_lag_s, release_lag_s : float
        Time constants of the return signal in the twin line [s].
    valve_lag_s : float
        Time in which main air valve and wedge move [s].
    hose_lag_s : float
        Time constant of the air in the blast hose [s].
    """

    air_k: float = 293.15
    atmosphere_pa: float = ATMOSPHERE_PA
    hold_supply: float = 0.0
    compressor_kg_s: float = 0.213
    load_pa: float = 700_000.0
    unload_pa: float = 770_000.0
    compressor_lag_s: float = 0.6
    receiver_m3: float = 0.6
    manifold_m3: float = 0.08
    bull_diameter_m: float = 0.0508
    bull_length_m: float = 30.0
    roughness_m: float = 10e-6
    separator_resistance: float = 1.2e12
    drain_m3_s_pa: float = 2.0e-9
    vessel_m3: float = 0.18406
    particle_kg_m3: float = 4100.0
    fill_m3_s_pa: float = 2.0e-7
    fill_ratio: float = 0.35
    exhaust_m3_s_pa: float = 5.0e-7
    exhaust_ratio: float = 0.30
    leak_m3_s_pa: float = 2.0e-11
    leak_ratio: float = 0.30
    popup_leak_m3_s_pa: float = 0.0
    popup_open_m3_s_pa: float = 1.5e-6
    popup_seat_pa: float = 3_000.0
    bypass_m3_s_pa: float = 0.0
    wedge_stuck: float = 0.0
    wedge_forced: float = 0.0
    relief_pa: float = 862_000.0
    relief_reseat: float = 0.92
    relief_m3_s_pa: float = 8.0e-7
    choke_m3_s_pa: float = 6.0e-7
    choke_ratio: float = 0.40
    hose_diameter_m: float = 0.03175
    hose_length_m: float = 20.0
    hose_loading: float = 4.5
    bore_m: float = 0.009525
    discharge: float = 0.97
    nozzle_loading: float = 0.18
    feed_kg_s: float = 0.105
    knob: float = 1.0
    feed_head_pa: float = 6_000.0
    feed_reference_pa: float = 8_000.0
    metering_gas_m3_s_pa: float = 2.0e-8
    wall_w_k: float = 30.0
    grain_w_k_kg: float = 8.0
    press_lag_s: float = 0.25
    release_lag_s: float = 0.45
    valve_lag_s: float = 0.15
    hose_lag_s: float = 0.15

    def row(self) -> np.ndarray:
        """Give the plant as a structured array of one row, the form the model reads."""
        array = np.zeros(1, PLANT)
        for name in PLANT.names or ():
            array[name] = getattr(self, name)
        return array

    def changed(self, **values: float) -> Plant:
        """Give a copy with some values changed; an unknown name is a TypeError."""
        return replace(self, **values)


PLANT = np.dtype([(field.name, np.float64) for field in fields(Plant)])

_STATE_NAMES = (
    # what the air is doing
    "receiver_kg", "manifold_pa", "pot_kg", "pot_j", "abrasive_kg",
    "signal", "main_open", "pinched", "popup_seated", "relief_open",
    "compressor_loaded", "compressor_kg_s", "bull_friction", "hose_friction",
    "bull_log", "hose_log", "loading", "hose_pa", "nozzle_pa", "inlet_pa",
    "nozzle_kg_s", "bull_kg_s", "feed_kg_s",
    # the ledger: sums since the start, so that balances can be closed
    "delivered_kg", "bull_kg", "fill_kg", "vent_kg", "choke_kg", "drain_kg", "nozzle_kg",
    "enthalpy_in_j", "enthalpy_out_j", "heat_j", "work_j", "fed_kg",
    # the truth of the present cycle; the caller resets it
    "time_s", "pressed_s", "released_s", "on_s", "blast_s", "pressurised", "rise_s",
    "release_gauge_pa", "exhaust_s", "pinch_closings", "pinch_was_closed", "peak_pa",
    "switch_on_s", "switch_off_s", "relief_s", "blasting_supply_pa_s", "blasting_nozzle_pa_s",
)  # fmt: skip

STATE = np.dtype([(name, np.float64) for name in _STATE_NAMES])
"""What the model keeps from one step to the next; every field is a float."""

CYCLE_FIELDS = (
    "on_s", "blast_s", "pressurised", "peak_pa", "relief_s", "pinch_closings",
    "blasting_supply_pa_s", "blasting_nozzle_pa_s", "release_gauge_pa",
)  # fmt: skip


def resting_state(
    plant: Plant, *, abrasive_kg: float = 0.0, supply_pa: float | None = None
) -> np.ndarray:
    """Give the state of a vented pot with the compressor up to pressure and nobody blasting.

    Parameters
    ----------
    plant : Plant
        The pot and its air supply.
    abrasive_kg : float
        Abrasive in the pot [kg].
    supply_pa : float, optional
        Gauge pressure of receiver and manifold [Pa]; the unload pressure when not given.

    Returns
    -------
    numpy.ndarray
        Structured array of one row, dtype `STATE`.

    Raises
    ------
    ValueError
        When the abrasive would not fit into the vessel.
    """
    free_m3 = plant.vessel_m3 - abrasive_kg / plant.particle_kg_m3
    if free_m3 <= 0.0:
        raise ValueError(
            f"{abrasive_kg:.0f} kg of abrasive does not fit into {plant.vessel_m3:.3f} m3"
        )
    supply_abs_pa = plant.atmosphere_pa + (plant.unload_pa if supply_pa is None else supply_pa)
    state = np.zeros(1, STATE)
    gas = GAS_CONSTANT_J_KG_K * plant.air_k
    state["receiver_kg"] = supply_abs_pa * plant.receiver_m3 / gas
    state["manifold_pa"] = supply_abs_pa
    state["inlet_pa"] = supply_abs_pa
    state["pot_kg"] = plant.atmosphere_pa * free_m3 / gas
    state["pot_j"] = state["pot_kg"] * SPECIFIC_HEAT_VOLUME_J_KG_K * plant.air_k
    state["abrasive_kg"] = abrasive_kg
    state["hose_pa"] = plant.atmosphere_pa
    state["nozzle_pa"] = plant.atmosphere_pa
    state["bull_friction"] = 0.02
    state["hose_friction"] = 0.02
    start_cycle(state)
    return state


def start_cycle(state: np.ndarray) -> None:
    """Clear what the state has gathered about a cycle, so that the next one starts from nothing.

    Parameters
    ----------
    state : numpy.ndarray, shape (1,), dtype STATE
        Changed in place.
    """
    for name in CYCLE_FIELDS:
        state[name] = 0.0
    for name in ("pressed_s", "released_s", "rise_s", "exhaust_s", "switch_on_s", "switch_off_s"):
        state[name] = np.nan
