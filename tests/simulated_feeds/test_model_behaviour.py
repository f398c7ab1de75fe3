"""The model behaves as the trade says a pot does, and stays sane over its whole range."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulated_feeds import flows, model
from simulated_feeds.faults import CATALOGUE, FaultSet
from simulated_feeds.faults.trial import run_trial
from simulated_feeds.flows import PHYSICS_FILES
from simulated_feeds.plant import Plant, resting_state, start_cycle

PLANT_FAULTS = [fault.name for fault in CATALOGUE if fault.where == "plant"]


def burst(plant: Plant, on_s: float, off_s: float = 30.0, abrasive_kg: float = 200.0):
    """Hold the dead-man once; give samples at 10 Hz and the final state."""
    state = resting_state(plant, abrasive_kg=abrasive_kg)
    on, off = round(on_s * 10), round(off_s * 10)
    samples = np.zeros((model.ROWS, on + off))
    row = plant.row()
    model.advance(state, row, True, 0.1, on, False, samples, 0)
    model.advance(state, row, False, 0.1, off, False, samples, on)
    return samples, state[0]


def test_the_signal_comes_before_the_pressure_and_goes_before_it():
    samples, state = burst(Plant(), 30.0)
    switched_on = int(np.argmax(samples[model.SWITCH] > 0.5))
    pressurised = int(np.argmax(samples[model.POT] > 100e3))
    assert 0 < switched_on < pressurised < 20
    switched_off = 300 + int(np.argmax(samples[model.SWITCH, 300:] < 0.5))
    vented = 300 + int(np.argmax(samples[model.POT, 300:] < 50e3))
    assert 300 < switched_off < vented
    assert 3.0 < float(state["rise_s"]) < 10.0
    assert 3.0 < float(state["exhaust_s"]) < 30.0


def test_a_touch_pinches_the_hose_but_does_not_blast():
    _, state = burst(Plant(), 2.0)
    assert float(state["pinch_closings"]) == 1.0
    assert float(state["on_s"]) == pytest.approx(2.0, abs=1e-6)
    assert float(state["blast_s"]) == 0.0


def test_blasting_time_lacks_only_the_rise():
    _, state = burst(Plant(), 60.0)
    missing_s = float(state["on_s"] - state["blast_s"])
    assert 1.0 < missing_s < float(state["rise_s"]) + 0.5


def test_an_empty_pot_takes_about_twice_as_long_to_fill():
    brim = 0.18406 * 2200.0
    _, full = burst(Plant(hold_supply=1.0), 30.0, abrasive_kg=0.95 * brim)
    _, empty = burst(Plant(hold_supply=1.0, wall_w_k=1e9), 30.0, abrasive_kg=0.0)
    assert 1.6 < float(empty["rise_s"] / full["rise_s"]) < 2.4


def test_an_empty_pot_gives_no_more_abrasive_and_the_nozzle_gains_pressure():
    plant = Plant()
    state = resting_state(plant, abrasive_kg=3.0)
    samples = np.zeros((model.ROWS, 1200))
    made = model.advance(state, plant.row(), True, 0.1, 1200, True, samples, 0)
    assert made < 1200 and float(state["abrasive_kg"][0]) == 0.0
    laden = samples[model.NOZZLE, made - 150]
    model.advance(state, plant.row(), True, 0.1, 1200 - made, False, samples, made)
    assert samples[model.NOZZLE, -1] > laden + 5e3
    assert float(state["fed_kg"][0]) == pytest.approx(3.0, abs=1e-9)


def test_abrasive_follows_pressure_and_knob():
    fed = {}
    for supply_pa in (500e3, 700e3):
        for knob in (0.5, 1.0):
            plant = Plant(hold_supply=1.0, knob=knob)
            state = resting_state(plant, abrasive_kg=200.0, supply_pa=supply_pa)
            samples = np.zeros((model.ROWS, 600))
            model.advance(state, plant.row(), True, 0.1, 600, False, samples, 0)
            fed[supply_pa, knob] = float(state["feed_kg_s"][0])
    assert fed[700e3, 1.0] > fed[500e3, 1.0] > 0.03
    assert 1.4 < fed[700e3, 1.0] / fed[700e3, 0.5] < 2.0


def test_the_relief_valve_lifts_above_its_setting_and_shuts_again():
    trial = run_trial(FaultSet({"over_pressure": 1.0}))
    assert all(cycle["relief_s"] > 0.0 for cycle in trial.cycles)
    assert trial.true[model.POT].max() < 862e3 + 25e3
    held = trial.true[model.POT][trial.held]
    assert held[300:].min() < 0.93 * 862e3  # it saws


def test_the_compressor_loads_and_unloads_inside_its_band():
    plant = Plant()
    state = resting_state(plant, abrasive_kg=0.0, supply_pa=650e3)
    samples = np.zeros((model.ROWS, 6000))
    model.advance(state, plant.row(), False, 0.1, 6000, False, samples, 0)
    late = samples[model.SUPPLY, 3000:]
    assert late.min() > 690e3 and late.max() < 790e3


@settings(max_examples=60, deadline=None)
@given(
    vessel_m3=st.sampled_from([0.085, 0.11, 0.184]),
    manifold_m3=st.floats(0.02, 0.15),
    receiver_m3=st.floats(0.05, 0.5),
    fill=st.floats(5e-8, 6e-7),
    bore_m=st.floats(0.0047, 0.0127),
    wall_w_k=st.sampled_from([0.0, 30.0, 1e9]),
    interval_s=st.sampled_from([0.02, 0.05, 0.1, 0.2]),
    faults=st.dictionaries(st.sampled_from(PLANT_FAULTS), st.floats(0.0, 1.0), max_size=3),
    seed=st.integers(0, 10_000),
)
def test_pressures_stay_within_what_drives_them(
    vessel_m3, manifold_m3, receiver_m3, fill, bore_m, wall_w_k, interval_s, faults, seed
):
    plant = Plant(
        vessel_m3=vessel_m3, manifold_m3=manifold_m3, receiver_m3=receiver_m3,
        fill_m3_s_pa=fill, bore_m=bore_m, wall_w_k=wall_w_k,
    )  # fmt: skip
    fault_set = FaultSet(faults, seed)
    healthy = plant.row()
    row = healthy.copy()
    state = resting_state(plant, abrasive_kg=60.0)
    random = np.random.default_rng(seed)
    samples = np.zeros((model.ROWS, 900))
    done = 0
    while done < 900:
        start_cycle(state)
        fault_set.change_plant(row, healthy)
        for held in (True, False):
            count = min(int(random.integers(1, 150)), 900 - done)
            model.advance(state, row, held, interval_s, count, False, samples, done)
            done += count
    assert np.isfinite(samples).all()
    # 1.3: the hottest an adiabatic rise makes a wedged pot is well below it
    assert samples[:4].max() < 1.3 * (770e3 + 200e3 * faults.get("over_pressure", 0.0) + 60e3)
    assert samples[:4].min() > -20e3  # a shut, warm pot may cool to a little below the air outside
    assert (np.diff(samples[model.ABRASIVE]) <= 0.0).all()


def test_steps_of_another_length_come_to_the_same():
    ends = []
    for interval_s in (0.1, 0.02):
        plant = Plant()
        state = resting_state(plant, abrasive_kg=150.0)
        samples = np.zeros((model.ROWS, round(40 / interval_s)))
        count = samples.shape[1]
        model.advance(state, plant.row(), True, interval_s, count, False, samples, 0)
        ends.append(
            [float(state[name][0]) for name in ("rise_s", "blast_s", "fed_kg", "nozzle_pa")]
        )
    assert ends[0] == pytest.approx(ends[1], rel=0.02)


def test_abrasive_that_does_not_fit_is_refused():
    with pytest.raises(ValueError, match="does not fit"):
        resting_state(Plant(vessel_m3=0.05), abrasive_kg=300.0)


def test_a_change_in_a_formula_reaches_what_was_compiled_with_it(tmp_path):
    package = tmp_path / "simulated_feeds"
    package.mkdir()
    for name in ("__init__.py", *PHYSICS_FILES):
        shutil.copy(Path(flows.__file__).parent / name, package / name)
    code = (
        f"import sys; sys.path.insert(0, {str(tmp_path)!r});"
        "from simulated_feeds.blast_line import blast_line;"
        "print(blast_line(8e5, 6e-7, 0.4, 0.0, 1.6e-7, 1e12, 101325.0, 293.15)[0])"
    )

    def flow() -> float:
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")}
        done = subprocess.run(
            [sys.executable, "-c", code], cwd=tmp_path, env=environment, check=True,
            capture_output=True, text=True,
        )  # fmt: skip
        return float(done.stdout)

    before = flow()
    assert list((tmp_path / "cache").rglob("*.nbi")), "nothing was kept"
    changed = package / "flows.py"
    text = changed.read_text(encoding="utf-8")
    density = "ANR_DENSITY_KG_M3 = 1.185"
    assert density in text
    changed.write_text(text.replace(density, "ANR_DENSITY_KG_M3 = 0.1185"), encoding="utf-8")
    assert flow() < 0.5 * before
