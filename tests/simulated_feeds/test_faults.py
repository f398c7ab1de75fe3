"""Each fault changes the signals as it says, in the direction it says, growing with severity.

The measures are taken from what the box sends, not from the model's insides.
"""

from __future__ import annotations

import numpy as np
import pytest

from simulated_feeds.faults import CATALOGUE, FaultSet, UnknownFault, parse_fault
from simulated_feeds.faults.trial import OFF_S, RATE_HZ, Trial, run_trial

SEVERITIES = (0.25, 0.5, 1.0)


def releases(trial: Trial) -> np.ndarray:
    return np.flatnonzero(trial.held[:-1] & ~trial.held[1:]) + 1


def presses(trial: Trial) -> np.ndarray:
    return np.flatnonzero(~trial.held[:-1] & trial.held[1:]) + 1


def blasting(trial: Trial) -> np.ndarray:
    """The last 5 s of each burst."""
    return np.concatenate([np.arange(at - 5 * RATE_HZ, at) for at in releases(trial)])


def resting(trial: Trial) -> np.ndarray:
    """The last 8 s before each next burst."""
    end = round(OFF_S * RATE_HZ)
    return np.concatenate(
        [np.arange(at + end - 8 * RATE_HZ, at + end - 1) for at in releases(trial)]
    )


def rise_s(trial: Trial) -> np.ndarray:
    """Time from each press until the pot stands at 90 % of its own supply."""
    share = trial.pot_pa / np.maximum(trial.supply_pa, 1.0)
    found = []
    for at in presses(trial):
        above = np.flatnonzero(share[at : at + 40 * RATE_HZ] >= 0.9)
        found.append(above[0] / RATE_HZ if len(above) else 40.0)
    return np.array(found)


def exhaust_s(trial: Trial) -> np.ndarray:
    """Time from each release until the pot stands below a tenth of what it stood at."""
    found = []
    for at in releases(trial):
        fallen = np.flatnonzero(trial.pot_pa[at : at + 29 * RATE_HZ] < 0.1 * trial.pot_pa[at - 1])
        found.append(fallen[0] / RATE_HZ if len(fallen) else 29.0)
    return np.array(found)


def worn_bore_sign(trial: Trial) -> float:
    """(p1^2 - p2^2) / p2^2 across the blast hose, absolute: grows with the bore's fourth power."""
    at = blasting(trial)
    head = trial.pot_pa[at] + 101_325.0
    nozzle = trial.nozzle_pa[at] + 101_325.0
    return float(np.mean((head**2 - nozzle**2) / nozzle**2))


def kg_a_burst(trial: Trial) -> float:
    return float(trial.true[4, 0] - trial.true[4, -1]) / len(trial.cycles)


def share_flat(trial: Trial) -> float:
    """Share of seconds in which the pot's reading does not move at all."""
    seconds = trial.pot_pa[: len(trial.pot_pa) // RATE_HZ * RATE_HZ].reshape(-1, RATE_HZ)
    return float(np.mean(np.ptp(seconds, axis=1) == 0.0))


def share_held(trial: Trial) -> float:
    return float(np.mean(trial.deadman))


def sawing_pa(trial: Trial) -> float:
    """How far the pot moves within the last 20 s of a burst."""
    return float(np.mean([np.ptp(trial.pot_pa[at - 20 * RATE_HZ : at]) for at in releases(trial)]))


def counter_restarts(trial: Trial) -> float:
    return float(np.sum(np.diff(trial.seq) < 0))


MEASURES = {
    # fault: (what is measured, direction)
    "pinch_leak": (lambda t: np.mean(rise_s(t)), +1),
    "popup_unseated": (lambda t: np.ptp(rise_s(t)), +1),
    "slow_exhaust": (lambda t: np.mean(exhaust_s(t)), +1),
    "stays_pressurised": (lambda t: np.mean(t.pot_pa[resting(t)]), +1),
    "pressurises_alone": (lambda t: np.mean(t.pot_pa[resting(t)]), +1),
    "nozzle_wear": (worn_bore_sign, +1),
    "wet_air": (lambda t: np.mean((t.inlet_pa - t.supply_pa)[blasting(t)]), +1),
    "over_pressure": (lambda t: np.max(t.supply_pa[blasting(t)]), +1),
    "relief_early": (lambda t: np.mean(t.pot_pa[blasting(t)]), -1),
    "compressor_starved": (lambda t: np.mean(t.supply_pa[blasting(t)]), -1),
    "choke_part_shut": (lambda t: np.mean(t.nozzle_pa[blasting(t)]), -1),
    "metering_starved": (kg_a_burst, -1),
    "metering_flooded": (kg_a_burst, +1),
    "transducer_stuck": (share_flat, +1),
    "transducer_drift": (lambda t: np.mean(t.pot_pa[resting(t)]), +1),
    "loop_broken": (lambda t: np.mean(t.pot_pa < -12_500.0), +1),
    "deadman_stuck": (share_held, +1),
    "deadman_missed": (share_held, -1),
    "box_silent": (lambda t: np.mean(t.sent), -1),
    "box_rebooted": (counter_restarts, +1),
    "clock_drifts": (lambda t: (t.clock_s - t.time_s)[-1], +1),
    "clock_jumped": (lambda t: np.max(np.diff(t.clock_s)), +1),
}


@pytest.fixture(scope="module")
def healthy() -> Trial:
    return run_trial()


def test_every_fault_but_those_of_messages_is_measured():
    # message faults change bytes, not signals: test_messages.py
    assert set(MEASURES) == {fault.name for fault in CATALOGUE if fault.where != "message"}


@pytest.mark.parametrize("name", MEASURES)
def test_fault_shows_in_its_direction_and_grows_with_severity(name, healthy):
    measure, direction = MEASURES[name]
    bursts = 40 if name in {"box_rebooted", "stays_pressurised"} else 8
    start = healthy if bursts == 8 else run_trial(bursts=bursts)
    values = [float(measure(start))]
    values += [
        float(measure(run_trial(FaultSet({name: severity}, 3), bursts=bursts)))
        for severity in SEVERITIES
    ]
    steps = direction * np.diff(values)
    assert (steps > 0.0).all(), f"{name}: {values}"
    # at full severity nobody could miss it
    assert steps.sum() > 0.05 * max(abs(values[0]), 1e-9), f"{name}: {values}"


@pytest.mark.parametrize("fault", CATALOGUE, ids=lambda fault: fault.name)
def test_no_severity_is_no_fault(fault, healthy):
    trial = run_trial(FaultSet({fault.name: 0.0}))
    assert np.array_equal(trial.pot_pa, healthy.pot_pa)
    assert np.array_equal(trial.deadman, healthy.deadman)
    assert trial.sent.all()


def test_a_pinch_leak_shows_in_the_time_before_it_shows_in_the_pressure(healthy):
    leaky = run_trial(FaultSet({"pinch_leak": 0.33}))  # a tenth of the filling conductance
    slower = np.mean(rise_s(leaky)) / np.mean(rise_s(healthy)) - 1.0
    at = blasting(healthy)
    short = 1.0 - np.mean((leaky.pot_pa / leaky.supply_pa)[at])
    short -= 1.0 - np.mean((healthy.pot_pa / healthy.supply_pa)[at])
    assert slower > 3.0 * short > 0.0


def test_a_large_leak_holds_the_pot_below_the_manifold(healthy):
    at = blasting(healthy)
    leaky = run_trial(FaultSet({"pinch_leak": 1.0}))
    assert np.mean((leaky.supply_pa - leaky.pot_pa)[at]) > 15e3


def test_ice_builds_up_from_release_to_release():
    exhausts = exhaust_s(run_trial(FaultSet({"wet_air": 1.0})))
    assert (np.diff(exhausts) > 0.0).sum() >= 6
    assert exhausts[-1] > 1.5 * exhausts[0]


def test_the_relief_valve_lifts_only_past_its_setting():
    at_ease, past = (run_trial(FaultSet({"over_pressure": level})) for level in (0.25, 1.0))
    assert all(cycle["relief_s"] == 0.0 for cycle in at_ease.cycles)
    assert all(cycle["relief_s"] > 0.0 for cycle in past.cycles)
    assert sawing_pa(past) > 5.0 * sawing_pa(at_ease)


def test_a_broken_loop_reads_below_the_failure_current():
    # NAMUR NE 43: 3.6 mA and less is a failure (second hand); 3.6 mA of 4..20 is -25 kPa of 1 MPa
    broken = run_trial(FaultSet({"loop_broken": 1.0}))
    assert (broken.pot_pa < -25_000.0).all()


def test_faults_together_do_not_disturb_each_other():
    both = run_trial(FaultSet({"pinch_leak": 0.5, "box_silent": 0.5}, 3))
    alone = run_trial(FaultSet({"pinch_leak": 0.5}, 3))
    assert np.array_equal(both.pot_pa, alone.pot_pa)
    silent = run_trial(FaultSet({"box_silent": 0.5}, 3))
    assert np.array_equal(both.sent, silent.sent)


def test_readings_a_second_at_a_time_come_to_the_same_as_at_once():
    whole, parts = (
        FaultSet({"transducer_stuck": 0.4, "deadman_stuck": 0.3, "transducer_drift": 0.2}, 9)
        for _ in range(2)
    )
    times = np.arange(6000) * 0.1
    pot_pa = 1e5 + 1e4 * np.sin(times)
    deadman = np.sin(times / 7.0) > 0.0
    at_once = whole.change_readings(times, pot_pa, deadman)
    pieces = [
        parts.change_readings(times[at : at + 10], pot_pa[at : at + 10], deadman[at : at + 10])
        for at in range(0, 6000, 10)
    ]
    for number in range(2):
        together = np.concatenate([piece[number] for piece in pieces])
        assert np.array_equal(at_once[number], together)
    seconds = np.arange(3000)
    severities = {"box_silent": 0.3, "box_rebooted": 0.5, "clock_jumped": 0.1, "clock_drifts": 0.7}
    box = FaultSet(severities, 9)
    one_by_one = [box.judge_seconds(np.array([second])) for second in seconds]
    for number, values in enumerate(box.judge_seconds(seconds)):
        assert values.tolist() == [piece[number][0] for piece in one_by_one]


@pytest.mark.parametrize(
    "text", ["pinch_hose", "pinch_leak:1.5", "pinch_leak:-0.1", "pinch_leak:lots", ""]
)
def test_a_fault_nobody_knows_is_refused(text):
    with pytest.raises(UnknownFault):
        parse_fault(text)


def test_every_fault_says_what_it_is():
    for fault in CATALOGUE:
        assert fault.words and fault.effect.endswith(".") and fault.dial and fault.unit
        assert fault.value(0.0) == 0.0 and fault.value(1.0) == fault.full
