"""Transducers, switches, weather and wear add what they say they add, and nothing else."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from simulated_feeds.faults.chance import slot_chance
from simulated_feeds.signals import LOOP_BROKEN_MA, Transducer, bounced, lagged
from simulated_feeds.wear import PinchHose, Worn
from simulated_feeds.weather import draw_weather
from simulated_feeds.yard import generator, pot_plant, pot_transducers

STEADY_PA = np.full(20_000, 700_000.0)


def rng() -> np.random.Generator:
    return np.random.default_rng(5)


def test_a_transducer_rounds_to_its_resolution_and_adds_its_noise():
    measured = Transducer(noise_pa=300.0).measure(STEADY_PA, 0.1, 20.0, rng())
    assert (measured % 250.0 == 0.0).all()
    assert measured.mean() == pytest.approx(700_000.0, abs=10.0)
    # rounding adds resolution^2 / 12 to the variance
    assert measured.std() == pytest.approx(np.sqrt(300.0**2 + 250.0**2 / 12), rel=0.03)


def test_zero_gain_and_warmth_add_up():
    transducer = Transducer(noise_pa=0.0, zero_pa=1_000.0, gain=1.01, warmth_pa_k=50.0)
    measured = transducer.measure(STEADY_PA[:1], 0.1, 30.0, rng())
    assert measured[0] == 700_000.0 * 1.01 + 1_000.0 + 500.0


def test_a_transducer_saturates_where_ne_43_ends():
    # NAMUR NE 43 measures from 3.8 to 20.5 mA (second hand): -12.5 and 1031.25 kPa of 0 to 1 MPa
    transducer = Transducer(noise_pa=0.0, resolution_pa=1.0)
    ends = transducer.measure(np.array([-80e3, 1.4e6]), 0.1, 20.0, rng())
    assert ends.tolist() == [-12_500.0, 1_031_250.0]
    assert transducer.loop_ma(ends).tolist() == [3.8, 20.5]
    assert LOOP_BROKEN_MA <= 3.6


def test_a_lag_follows_as_first_order_does():
    step = np.concatenate([np.zeros(1), np.ones(100)])
    shown = lagged(step, 2.0, 0.1)
    # 1 - exp(-t/tau) a sample after the step is 1 - exp(-0.05): first-order step response, textbook
    assert shown[1] == pytest.approx(1.0 - np.exp(-0.05))
    assert shown[20] == pytest.approx(1.0 - np.exp(-1.0))
    still = lagged(STEADY_PA[:50], 2.0, 0.1)
    assert still == pytest.approx(STEADY_PA[:50])
    slow = Transducer(noise_pa=0.0, lag_s=2.0).measure(step * 1e5, 0.1, 20.0, rng())
    assert slow[10] < 0.5e5


def test_a_switch_bounces_only_after_it_has_changed():
    switch = (np.arange(10_000) // 50) % 2 == 1
    shown, bounces = bounced(switch, 0.3, rng())
    wrong = np.flatnonzero(shown != switch)
    assert len(wrong) == bounces and 30 < bounces < 90
    assert (switch[wrong] != switch[wrong - 2]).all()
    assert np.array_equal(bounced(switch, 0.0, rng())[0], switch)


def test_chance_of_slots_is_even():
    chances = slot_chance(np.arange(20_000), 7)
    assert chances.min() >= 0.0 and chances.max() < 1.0
    share, _ = np.histogram(chances, bins=10, range=(0.0, 1.0))
    assert share.min() > 1_800 and share.max() < 2_200
    assert abs(np.corrcoef(chances[:-1], chances[1:])[0, 1]) < 0.03
    assert abs(np.corrcoef(chances, slot_chance(np.arange(20_000), 8))[0, 1]) < 0.03


def test_weather_has_seasons_days_and_wet_days():
    start = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
    weather = draw_weather(start, 365, rng())
    hours = start + np.arange(365 * 24) * 3600.0
    air, humidity, steel = weather.at(hours)
    month = (np.arange(len(hours)) // 24) // 30.4
    assert air[month == 6].mean() > air[month == 0].mean() + 10.0
    by_hour = air.reshape(-1, 24).mean(axis=0)
    assert by_hour[14:17].mean() > by_hour[2:6].mean() + 3.0
    assert humidity.min() >= 25.0 and humidity.max() <= 99.0
    late = [np.corrcoef(air[: -lag or None], steel[lag:])[0, 1] for lag in range(6)]
    assert int(np.argmax(late)) == 3
    wet = [weather.rains(start + day * 86_400.0 + 3_600.0) for day in range(365)]
    assert 15 < sum(wet) < 70


def test_a_pinch_hose_leaks_more_with_closings_and_with_hours():
    hose = PinchHose.new("pot-1", 1, datetime(2026, 1, 1, tzinfo=UTC), rng())
    fresh = hose.leak_m3_s_pa()
    assert fresh < 1e-10
    assert fresh < hose.leak_m3_s_pa(more_closings=500.0) < hose.leak_m3_s_pa(more_closings=2500.0)
    assert fresh < hose.leak_m3_s_pa(more_h=20.0) < hose.leak_m3_s_pa(more_h=60.0)
    lives = [PinchHose.new("p", 1, hose.fitted_at, rng()).life_factor for _ in range(1)]
    assert 0.4 < lives[0] < 2.5


def test_a_hose_is_checked_when_due_and_not_before():
    plant, _ = pot_plant("pot-1")
    hose = PinchHose("hose-1", datetime(2026, 1, 1, tzinfo=UTC), 0.5)
    worn = Worn(plant, hose, rng())
    at = datetime(2026, 2, 2, 6, tzinfo=UTC)
    hose.blast_h, hose.closings = 20.0, 900.0
    assert worn.look_over("pot-1", at, rng()) == []
    hose.blast_h, hose.closings = 48.0, 2_200.0
    check, fitted = worn.look_over("pot-1", at, rng())
    assert (check["kind"], check["result"]) == ("check", "replaced")
    assert (fitted["kind"], fitted["tag"]) == ("part_fitted", "pot-1-hose-2")
    assert worn.hose.blast_h == 0.0 and worn.hose.leak_m3_s_pa() < 1e-10
    assert isinstance(check["at"], datetime) and check["at"] > at - timedelta(minutes=10)


def test_transducers_of_pots_differ_and_stay_the_same():
    assert pot_transducers(7, "pot-1") == pot_transducers(7, "pot-1")
    assert pot_transducers(7, "pot-1") != pot_transducers(7, "pot-2")
    assert pot_transducers(8, "pot-1") != pot_transducers(7, "pot-1")
    first, second = generator(1, "a").random(), generator(1, "b").random()
    assert first != second == generator(1, "b").random()


def test_help_and_list_load_no_model():
    code = (
        "import sys; from typer.testing import CliRunner; from simulated_feeds.__main__ import app;"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0;"
        "assert CliRunner().invoke(app, ['live', '--help']).exit_code == 0;"
        "print(sorted({'numba', 'numpy', 'polars', 'pyarrow', 'paho'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
