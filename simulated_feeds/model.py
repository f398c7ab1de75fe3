"""The physics of one blast pot, stepped through time by one compiled function.

What is solved
--------------
Receiver
    mass from what the compressor delivers and the bull hose takes, at constant temperature; the
    compressor loads below one pressure and unloads above another.
Manifold
    p1^2 - p2^2 = k m^2 through bull hose and separator, solved implicitly each step (a quadratic),
    so that a short volume at the end of a long hose stays stable and no air is lost.
Pot
    mass m and internal energy U of the air, midpoint rule for what flows and an exact exponential
    for the heat between air, wall and grains: dm = m_in - m_out,
    dU = m_in cp T_in - m_out cp T - p dV + Q, p = m R T / V, V = vessel - abrasive / grain density.
Blast line
    choke valve (ISO 6358), hose with abrasive (isothermal) and nozzle (ISO 9300) as a steady flow
    at each instant: a closed form while the nozzle is choked, a bisection while it is not.
Dead-man
    first-order pneumatic signal in the twin line; the pressure switch, the main air valve and the
    wedge each act at their own level of it.

`advance` writes true, noise-free samples; `signals` makes of them what a transducer would send.
"""

from __future__ import annotations

import math

import numpy as np

from .blast_line import blast_line
from .flows import (
    GAMMA,
    GAS_CONSTANT_J_KG_K,
    choked_flow_per_pa,
    compiled,
    friction_step,
    hose_resistance,
    restriction_kg_s,
)
from .plant import SPECIFIC_HEAT_PRESSURE_J_KG_K, SPECIFIC_HEAT_VOLUME_J_KG_K

SUPPLY, POT, NOZZLE, INLET, ABRASIVE, SWITCH = range(6)
"""Rows of the samples `advance` writes: gauge [Pa] x 4, [kg], and the switch as 0 or 1."""
ROWS = 6

STEP_S = 0.05
"""Longest step while anything moves [s]."""
SWITCH_ON, SWITCH_OFF = 0.50, 0.40
"""Return signal, as a share of its full pressure, at which the box's pressure switch acts [-]."""
VALVES_ON, VALVES_OFF = 0.60, 0.35
"""The same for the main air valve and the wedge [-]."""
PRESSURISED_ON, PRESSURISED_OFF = 0.70, 0.50
"""Pot gauge over supply gauge at which blasting counts as begun and as over [-]."""
SEATING_FLOW_KG_S = 0.004
"""Flow through the stand pipe that lifts the pop-up valve [kg/s]."""
REFERENCE_PA = 790_800.0
"""Absolute pressure at which `Plant.feed_kg_s` is given [Pa]."""
WEDGE_FALLS_S = 10.0
"""After so long a wedge that does not stay open has fallen shut again [s]."""
VENTED_PA = 150.0
"""Gauge pressure below which a pot left alone is taken as still [Pa]."""


@compiled
def advance(
    state_rows: np.ndarray,
    plant_rows: np.ndarray,
    held: bool,
    interval_s: float,
    samples: int,
    stop_when_empty: bool,
    out: np.ndarray,
    first: int,
) -> int:
    """Run the pot for a number of samples with the dead-man held or let go.

    Parameters
    ----------
    state_rows : numpy.ndarray, shape (1,), dtype STATE
        Where things stand; changed in place.
    plant_rows : numpy.ndarray, shape (1,), dtype PLANT
        The plant, taken as constant over this call.
    held : bool
        True while the blaster holds the handle.
    interval_s : float
        Time between samples [s].
    samples : int
        How many samples to make.
    stop_when_empty : bool
        True returns early once no abrasive is left.
    out : numpy.ndarray, shape (6, n)
        Rows supply, pot, nozzle, inlet [Pa gauge], abrasive [kg], switch [0 or 1]; columns from
        `first` on are written, each the state at the end of its interval.
    first : int
        Column to begin at.

    Returns
    -------
    int
        How many samples were made.
    """
    state = state_rows[0]
    plant = plant_rows[0]
    air_k = plant.air_k
    outside_pa = plant.atmosphere_pa
    gas = GAS_CONSTANT_J_KG_K * air_k
    steps = max(1, math.ceil(interval_s / STEP_S - 1e-9))
    clean_flow_per_pa = choked_flow_per_pa(plant.bore_m, plant.discharge, air_k)
    for sample in range(samples):
        free_m3 = plant.vessel_m3 - state.abrasive_kg / plant.particle_kg_m3
        pot_k = state.pot_j / (state.pot_kg * SPECIFIC_HEAT_VOLUME_J_KG_K)
        pot_pa = state.pot_kg * GAS_CONSTANT_J_KG_K * pot_k / free_m3
        still = (
            not held
            and state.signal < 1e-3
            and state.main_open <= 0.0
            and pot_pa - outside_pa < VENTED_PA
            and plant.bypass_m3_s_pa <= 0.0
        )
        count = 1 if still else steps
        step_s = interval_s / count
        press = 1.0 - math.exp(-step_s / plant.press_lag_s)
        release = 1.0 - math.exp(-step_s / plant.release_lag_s)
        compressor = 1.0 - math.exp(-step_s / plant.compressor_lag_s)
        hose_follow = 1.0 - math.exp(-step_s / plant.hose_lag_s)
        load_follow = 1.0 - math.exp(-step_s / 0.4)
        stroke = step_s / plant.valve_lag_s
        bull_resistance = (
            hose_resistance(
                plant.bull_diameter_m,
                plant.bull_length_m,
                state.bull_friction,
                state.bull_log,
                air_k,
            )
            + plant.separator_resistance
        )
        for _ in range(count):
            # -- dead-man: the signal in the twin line, then the valves it moves
            state.time_s += step_s
            if held:
                state.signal += (1.0 - state.signal) * press
                state.on_s += step_s
                if math.isnan(state.pressed_s):
                    state.pressed_s = state.time_s - step_s
            else:
                state.signal -= state.signal * release
                if math.isnan(state.released_s) and not math.isnan(state.pressed_s):
                    state.released_s = state.time_s - step_s
                    state.release_gauge_pa = pot_pa - outside_pa
            if math.isnan(state.switch_on_s):
                if state.signal > SWITCH_ON:
                    state.switch_on_s = state.time_s
            elif state.signal < SWITCH_OFF and math.isnan(state.switch_off_s):
                state.switch_off_s = state.time_s
            open_wanted = state.signal > VALVES_ON or (
                state.signal > VALVES_OFF and state.main_open > 0.5
            )
            if open_wanted:
                state.main_open = min(1.0, state.main_open + stroke)
            else:
                state.main_open = max(0.0, state.main_open - stroke)
            fallen_shut = plant.wedge_forced > 0.5 and (
                math.isnan(state.released_s) or state.time_s - state.released_s > WEDGE_FALLS_S
            )
            if open_wanted or (fallen_shut and not held):
                state.pinched = min(1.0, state.pinched + stroke)
            elif plant.wedge_stuck < 0.5:
                state.pinched = max(0.0, state.pinched - stroke)
            if state.pinched > 0.9 and state.pinch_was_closed < 0.5:
                state.pinch_was_closed = 1.0
                state.pinch_closings += 1.0
            elif state.pinched < 0.5:
                state.pinch_was_closed = 0.0

            # -- compressor and receiver
            receiver_pa = state.receiver_kg * gas / plant.receiver_m3
            if receiver_pa - outside_pa > plant.unload_pa - 2_000.0:
                state.compressor_loaded = 0.0
            elif receiver_pa - outside_pa < plant.load_pa:
                state.compressor_loaded = 1.0
            # loaded, its inlet throttles over the upper half of the band
            short_pa = plant.unload_pa - (receiver_pa - outside_pa)
            throttle = min(max(short_pa / (0.5 * (plant.unload_pa - plant.load_pa)), 0.0), 1.0)
            delivery = plant.compressor_kg_s * state.compressor_loaded * throttle
            state.compressor_kg_s += (delivery - state.compressor_kg_s) * compressor

            # -- pot: flows at the state, half a step on, flows there
            manifold_pa = state.manifold_pa
            fill_conductance = plant.fill_m3_s_pa * state.main_open + plant.bypass_m3_s_pa
            exhaust_conductance = (
                plant.exhaust_m3_s_pa * (1.0 - state.pinched) + plant.leak_m3_s_pa * state.pinched
            )
            vent_ratio = plant.leak_ratio if state.pinched >= 1.0 else plant.exhaust_ratio
            popup = plant.popup_leak_m3_s_pa
            if state.popup_seated < 0.5:
                popup += plant.popup_open_m3_s_pa
            relief = plant.relief_m3_s_pa if state.relief_open > 0.5 else 0.0
            # the last two kilograms cover the valve less and less, and then there are none
            grains = min(1.0, 0.2 + 0.4 * state.abrasive_kg) if state.abrasive_kg > 0.0 else 0.0
            gas_conductance = plant.metering_gas_m3_s_pa * (1.0 - 0.9 * grains)
            conduct_w_k = plant.wall_w_k + plant.grain_w_k_kg * state.abrasive_kg
            fed_kg = state.feed_kg_s * step_s
            joint_m3 = free_m3
            if plant.hold_supply < 0.5:
                joint_m3 = free_m3 * plant.manifold_m3 / (free_m3 + plant.manifold_m3)
            fill = 0.0
            vent = 0.0
            metered = 0.0
            if not still:
                trial_kg = state.pot_kg
                trial_k = pot_k
                trial_pa = pot_pa
                for half in range(2):
                    fill = restriction_kg_s(
                        fill_conductance, plant.fill_ratio, manifold_pa, trial_pa, air_k
                    )
                    # never past each other within a step; back out of the pot where the manifold
                    # sags below it
                    most = (manifold_pa - trial_pa) * joint_m3 / (GAMMA * gas * step_s)
                    if most >= 0.0:
                        fill = min(fill, most)
                    else:
                        fill = -restriction_kg_s(
                            plant.fill_m3_s_pa * state.main_open,
                            plant.fill_ratio,
                            trial_pa,
                            manifold_pa,
                            trial_k,
                        )
                        fill = max(fill, 0.5 * most)
                    vent = (
                        restriction_kg_s(
                            exhaust_conductance, vent_ratio, trial_pa, outside_pa, trial_k
                        )
                        + restriction_kg_s(popup, 0.3, trial_pa, outside_pa, trial_k)
                        + restriction_kg_s(relief, 0.4, trial_pa, outside_pa, trial_k)
                    )
                    most = (trial_pa - outside_pa) * free_m3 / (GAMMA * gas * step_s)
                    vent = min(vent, max(most + fill, 0.0))
                    metered = restriction_kg_s(
                        gas_conductance, 0.3, trial_pa, state.hose_pa, trial_k
                    )
                    if half == 1:
                        break
                    half_s = 0.5 * step_s
                    trial_kg = state.pot_kg + (fill - vent - metered) * half_s
                    fill_k = air_k if fill >= 0.0 else pot_k
                    trial_j = state.pot_j + SPECIFIC_HEAT_PRESSURE_J_KG_K * half_s * (
                        fill * fill_k - (vent + metered) * pot_k
                    )
                    trial_k = trial_j / (trial_kg * SPECIFIC_HEAT_VOLUME_J_KG_K)
                    capacity = trial_kg * SPECIFIC_HEAT_VOLUME_J_KG_K
                    trial_k = air_k + (trial_k - air_k) * math.exp(-conduct_w_k * half_s / capacity)
                    trial_pa = trial_kg * GAS_CONSTANT_J_KG_K * trial_k / free_m3
                # -- the step itself, with its ledger
                fill_k = air_k if fill >= 0.0 else trial_k
                entering = fill * fill_k * SPECIFIC_HEAT_PRESSURE_J_KG_K * step_s
                leaving = (vent + metered) * trial_k * SPECIFIC_HEAT_PRESSURE_J_KG_K * step_s
                work = trial_pa * fed_kg / plant.particle_kg_m3
                state.pot_kg += (fill - vent - metered) * step_s
                before_j = state.pot_j + entering - leaving - work
                capacity = state.pot_kg * SPECIFIC_HEAT_VOLUME_J_KG_K
                pot_k = before_j / capacity
                pot_k = air_k + (pot_k - air_k) * math.exp(-conduct_w_k * step_s / capacity)
                state.pot_j = pot_k * capacity
                state.enthalpy_in_j += entering
                state.enthalpy_out_j += leaving
                state.work_j += work
                state.heat_j += state.pot_j - before_j
                state.abrasive_kg = max(state.abrasive_kg - fed_kg, 0.0)
                state.fed_kg += fed_kg
                state.fill_kg += fill * step_s
                state.vent_kg += vent * step_s
                free_m3 = plant.vessel_m3 - state.abrasive_kg / plant.particle_kg_m3
                pot_pa = state.pot_kg * GAS_CONSTANT_J_KG_K * pot_k / free_m3
            pot_gauge_pa = pot_pa - outside_pa
            if fill > SEATING_FLOW_KG_S or pot_gauge_pa > plant.popup_seat_pa:
                state.popup_seated = 1.0
            elif fill <= SEATING_FLOW_KG_S * 0.5 and pot_gauge_pa < plant.popup_seat_pa:
                state.popup_seated = 0.0
            if pot_gauge_pa > plant.relief_pa:
                state.relief_open = 1.0
            elif pot_gauge_pa < plant.relief_pa * plant.relief_reseat:
                state.relief_open = 0.0
            if state.relief_open > 0.5:
                state.relief_s += step_s

            # -- blast line and abrasive
            choke = 0.0
            if still:
                state.hose_pa = outside_pa
                state.nozzle_pa = outside_pa
                state.nozzle_kg_s = 0.0
                state.feed_kg_s = 0.0
                state.loading = 0.0
            else:
                flow_per_pa = clean_flow_per_pa / (1.0 + plant.nozzle_loading * state.loading)
                resistance = hose_resistance(
                    plant.hose_diameter_m,
                    plant.hose_length_m,
                    state.hose_friction * (1.0 + plant.hose_loading * state.loading),
                    state.hose_log,
                    air_k,
                )
                choke, hose_pa, nozzle_pa = blast_line(
                    manifold_pa,
                    plant.choke_m3_s_pa * state.main_open,
                    plant.choke_ratio,
                    metered,
                    flow_per_pa,
                    resistance,
                    outside_pa,
                    air_k,
                )
                state.nozzle_kg_s = choke + metered
                state.hose_log = 2.0 * math.log(hose_pa / nozzle_pa)
                state.hose_pa += (hose_pa - state.hose_pa) * hose_follow
                state.nozzle_pa += (nozzle_pa - state.nozzle_pa) * hose_follow
                excess = plant.feed_head_pa + pot_pa - state.hose_pa
                drive = excess / (plant.feed_head_pa + plant.feed_reference_pa)
                drive = math.sqrt(min(max(drive, 0.0), 4.0))
                wanted = (
                    plant.feed_kg_s * plant.knob * state.main_open * drive * grains
                    * state.hose_pa / REFERENCE_PA
                )  # fmt: skip
                state.feed_kg_s = min(wanted, state.abrasive_kg / step_s)
                if state.nozzle_kg_s > 1e-4:
                    loading = state.feed_kg_s / state.nozzle_kg_s
                    state.loading += (loading - state.loading) * load_follow
                state.choke_kg += choke * step_s
                state.nozzle_kg += state.nozzle_kg_s * step_s

            # -- manifold: implicit in what the bull hose brings
            drain = restriction_kg_s(plant.drain_m3_s_pa, 0.3, manifold_pa, outside_pa, air_k)
            if plant.hold_supply < 0.5:
                # p = without + gain * bull, and bull = sqrt((receiver^2 - p^2) / k), is a quadratic
                gain = step_s * gas / plant.manifold_m3
                without_pa = manifold_pa - gain * (fill + choke + drain)
                bull = 0.0
                if without_pa < receiver_pa:
                    stiff = gain * gain / bull_resistance
                    inner = stiff * ((1.0 + stiff) * receiver_pa**2 - without_pa**2)
                    to_pa = (without_pa + math.sqrt(inner)) / (1.0 + stiff)
                    bull = (to_pa - without_pa) / gain
                state.manifold_pa = without_pa + gain * bull
                state.bull_kg_s = bull
                state.bull_kg += bull * step_s
                state.delivered_kg += state.compressor_kg_s * step_s
                state.receiver_kg += (state.compressor_kg_s - bull) * step_s
            state.drain_kg += drain * step_s

            # -- truth of the cycle
            supply_gauge_pa = state.manifold_pa - outside_pa
            if supply_gauge_pa > 0.0:
                share = pot_gauge_pa / supply_gauge_pa
                if share >= PRESSURISED_ON:
                    state.pressurised = 1.0
                elif share < PRESSURISED_OFF:
                    state.pressurised = 0.0
                if share >= 0.9 and math.isnan(state.rise_s) and held:
                    state.rise_s = state.time_s - state.pressed_s
            if held and state.pressurised > 0.5:
                state.blast_s += step_s
                state.blasting_supply_pa_s += supply_gauge_pa * step_s
                state.blasting_nozzle_pa_s += (state.nozzle_pa - outside_pa) * step_s
            if pot_gauge_pa > state.peak_pa:
                state.peak_pa = pot_gauge_pa
            if (
                not held
                and math.isnan(state.exhaust_s)
                and not math.isnan(state.released_s)
                and pot_gauge_pa < 0.1 * state.release_gauge_pa
            ):
                state.exhaust_s = state.time_s - state.released_s

        # -- friction, once a sample is enough
        state.bull_friction = friction_step(
            state.bull_friction, state.bull_kg_s, plant.bull_diameter_m, plant.roughness_m
        )
        state.hose_friction = friction_step(
            state.hose_friction, state.nozzle_kg_s, plant.hose_diameter_m, plant.roughness_m
        )
        inlet_square = (
            state.manifold_pa * state.manifold_pa
            + plant.separator_resistance * state.bull_kg_s * state.bull_kg_s
        )
        state.inlet_pa = math.sqrt(inlet_square)
        receiver_pa = state.receiver_kg * gas / plant.receiver_m3
        state.bull_log = 2.0 * math.log(max(receiver_pa / state.inlet_pa, 1.0))
        column = first + sample
        out[SUPPLY, column] = state.manifold_pa - outside_pa
        out[POT, column] = pot_pa - outside_pa
        out[NOZZLE, column] = state.nozzle_pa - outside_pa
        out[INLET, column] = state.inlet_pa - outside_pa
        out[ABRASIVE, column] = state.abrasive_kg
        switch_held = state.signal > SWITCH_ON or (
            state.signal > SWITCH_OFF and column > 0 and out[SWITCH, column - 1] > 0.5
        )
        out[SWITCH, column] = 1.0 if switch_held else 0.0
        if stop_when_empty and state.abrasive_kg <= 0.0:
            return sample + 1
    return samples
