"""What full pots tell of two transducers and of a leak; the air's closed forms are the check."""

from __future__ import annotations

import datetime as dt

import condition_trials as trials
import numpy as np
import polars as pl
import pytest

from analytics import air
from analytics.blasting import find_emptied
from analytics.cycles import CycleSettings, find_cycles
from analytics.fill import PotFacts, exhaust_windows, fill_windows, prepared
from analytics.plateau import find_plateaus
from analytics.weigh_kernel import settled


@pytest.mark.parametrize("leak", [0.01, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("ratio", [0.25, 0.35, 0.5])
def test_a_small_leak_settles_where_the_closed_form_says(leak: float, ratio: float) -> None:
    low, by_leak, by_ratio = settled(leak, ratio)
    # Against ISO 6358's flow function, solved for the pressure at which it lets in what leaks out.
    assert low == pytest.approx(float(1.0 - air.settled_ratio(leak, ratio)), rel=2.0 * leak)
    step = 1e-6
    assert by_leak == pytest.approx((settled(leak + step, ratio)[0] - low) / step, rel=1e-3)
    assert by_ratio == pytest.approx((settled(leak, ratio + step)[0] - low) / step, rel=1e-3)


@pytest.mark.parametrize("noise", [0.0025, 0.01])
def test_full_pots_show_how_far_two_transducers_differ(noise: float) -> None:
    trial = trials.make_trial(2, 10.0, 3.0)
    samples = prepared(trials.read(trial, 10.0, noise))
    cycles = find_cycles(trials.read(trial, 10.0, noise), CycleSettings()).cycles
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    windows = fill_windows(samples, cycles, facts)
    emptied = find_emptied(samples, cycles, facts)
    found = find_plateaus(samples, cycles, windows, facts, emptied.ran_empty, emptied.at_index)
    assert np.isfinite(found.gap_pa).sum() > 20
    (supply_zero_pa, supply_gain, _), (_, pot_gain, _), _ = trial.errors
    supply_pa = float(np.nanmedian(found.supply_pa)) - facts.outside_pa
    differ_pa = (pot_gain - supply_gain) * supply_pa - supply_zero_pa
    # The pot stands a little lower, for air leaves with the grains; its zero has an error too.
    within_pa = 400.0 + 0.06 * noise * trials.RANGE_PA
    assert np.nanmedian(found.gap_pa) == pytest.approx(differ_pa, abs=within_pa)


def test_a_press_too_short_to_settle_tells_nothing() -> None:
    trial = trials.make_trial(2, 10.0, 1.0)
    signals = trials.read(trial, 10.0, 0.0025)
    samples, facts = prepared(signals), PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    cycles = find_cycles(signals, CycleSettings()).cycles
    windows = fill_windows(samples, cycles, facts)
    never = np.full(cycles.height, -1)
    found = find_plateaus(
        samples, cycles, windows, facts, np.zeros(cycles.height, dtype=np.bool_), never
    )
    short = (cycles["released_at"] - cycles["pressed_at"]).dt.total_seconds().to_numpy() < 9.0
    assert short.any() and np.isnan(found.gap_pa[short]).all()


def test_an_exhaust_with_readings_lost_is_not_looked_at() -> None:
    trial = trials.make_trial(3, 10.0, 0.5)
    signals = trials.read(trial, 10.0, 0.0025)
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    cycles = find_cycles(signals, CycleSettings()).cycles

    def looked_at(signals: pl.DataFrame) -> list[int]:
        samples = prepared(signals)
        windows = fill_windows(samples, cycles, facts)
        return exhaust_windows(samples, cycles, windows, facts).cycle.tolist()

    before = looked_at(signals)
    lost = before[len(before) // 2]
    from_at = cycles["released_at"][lost] + dt.timedelta(seconds=1)
    torn = signals.with_columns(
        pl.when(pl.col("sampled_at").is_between(from_at, from_at + dt.timedelta(seconds=2)))
        .then(None).otherwise("pot_pa").alias("pot_pa")
    )  # fmt: skip
    assert looked_at(torn) == [number for number in before if number != lost]
