"""Weighing random pots against simulated truth; the whole sweep is in analytics/ACCURACY.md."""

from __future__ import annotations

import condition_trials as trials
import numpy as np
import polars as pl
import pytest
from scipy.stats import spearmanr

from analytics.condition import CONDITION_SCHEMA, condition_of
from analytics.cycles import CycleSettings, find_cycles
from analytics.fill import PotFacts
from analytics.pot import LEVEL_NOT_TOLD, weigh_pot


def figures(rows: list[dict[str, float]]) -> dict[str, float]:
    def column(name: str) -> np.ndarray:
        return np.array([row[name] for row in rows])

    return {
        "rms": float(np.sqrt(np.mean(column("rms") ** 2))),
        "covered": float(np.mean(column("covered"))),
        "leak_rank": float(spearmanr(column("leak"), column("true_leak"))[0]),
        "use_off": float(np.max(np.abs(column("use_off")))),
        "recall": float(column("hit").sum() / column("tipped").sum()),
        "precision": float(column("found_right").sum() / column("found").sum()),
    }


@pytest.mark.parametrize(("noise", "rms"), [(0.0025, 0.02), (0.01, 0.03)])
def test_a_few_random_pots_are_weighed(noise: float, rms: float) -> None:
    pots = range(10 if noise < 0.005 else 6)
    rows = [trials.judged(trials.make_trial(n, 10.0, 8.0), 10.0, noise) for n in pots]
    assert all(row["fitted"] for row in rows)
    found = figures(rows)
    assert found["rms"] < rms
    assert found["use_off"] < 0.05
    assert found["recall"] > 0.98
    assert found["precision"] > 0.95
    assert found["covered"] > 0.75


def test_no_level_is_told_where_nothing_tells_it() -> None:
    # This pot was filled before its first press and then stood full: next to nothing used.
    trial = trials.make_trial(1195, 10.0, 8.0)
    signals = trials.read(trial, 10.0, 0.0025)
    cycles = find_cycles(signals, CycleSettings()).cycles
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    level = weigh_pot(signals, cycles, facts, trials.bags_entered(trial))
    assert level is not None
    assert level.levels["abrasive_start_kg"].null_count() == level.levels.height
    assert level.levels["abrasive_end_high_kg"].null_count() == level.levels.height
    assert LEVEL_NOT_TOLD in level.questions
    used = float(np.sum(trial.cycles["abrasive_start_kg"] - trial.cycles["abrasive_end_kg"]))
    assert level.consumption.used_low_kg <= used <= level.consumption.used_high_kg


@pytest.fixture(scope="module")
def many() -> dict[float, list[dict[str, float]]]:
    """Forty random pots that nothing was set by, weighed in little and in much noise."""
    rows: dict[float, list[dict[str, float]]] = {0.0025: [], 0.01: []}
    for number in range(1000, 1040):
        trial = trials.make_trial(number, 10.0, 8.0)
        for noise, found in rows.items():
            found.append(trials.judged(trial, 10.0, noise))
    return rows


@pytest.mark.slow
@pytest.mark.parametrize(("noise", "rms"), [(0.0025, 0.02), (0.01, 0.03)])
def test_many_random_pots_are_weighed(many, noise: float, rms: float) -> None:  # type: ignore[no-untyped-def]
    rows = many[noise]
    found = figures(rows)
    assert found["rms"] < rms
    assert found["recall"] > 0.98 and found["precision"] > 0.98
    assert np.mean([abs(row["use_off"]) < 0.05 for row in rows]) > 0.98
    assert 0.85 < found["covered"] < 0.95
    assert found["leak_rank"] > 0.9


@pytest.fixture(scope="module")
def shift() -> tuple[object, pl.DataFrame, pl.DataFrame, PotFacts]:
    trial = trials.make_trial(2, 10.0, 4.0)
    signals = trials.read(trial, 10.0, 0.0025)
    cycles = find_cycles(signals, CycleSettings()).cycles
    return trial, signals, cycles, PotFacts(trial.known_volume_m3, air_k=trial.air_k)


def test_a_tipping_nobody_entered_is_asked_about(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    bags = trials.bags_entered(trial)
    # The third entry is forgotten: it stands in the middle of the shift.
    forgotten = bags[2]
    level = weigh_pot(signals, cycles, facts, bags.filter(pl.col("at") != forgotten["at"][0]))
    assert level is not None
    unasked = [q for q in level.questions if "nobody entered any bags" in q]
    assert len(unasked) == 1
    (missing,) = level.tippings.filter(pl.col("entered_kg").is_null())["estimate_kg"]
    assert missing == pytest.approx(forgotten["abrasive_kg"][0], abs=0.1 * trial.full_kg)


def test_bags_entered_for_another_pot_are_asked_about(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    bags = trials.bags_entered(trial)
    wrong = bags[1].with_columns(pl.col("at") + pl.duration(minutes=1), abrasive_kg=pl.lit(400.0))
    level = weigh_pot(signals, cycles, facts, pl.concat([bags, wrong]))
    assert level is not None
    assert any("400 kg" in question for question in level.questions)


def test_without_bags_the_level_is_still_weighed_but_less_surely(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    with_bags = weigh_pot(signals, cycles, facts, trials.bags_entered(trial))
    without = weigh_pot(signals, cycles, facts, None)
    assert with_bags is not None and without is not None
    wide = without.levels["abrasive_start_high_kg"] - without.levels["abrasive_start_low_kg"]
    narrow = with_bags.levels["abrasive_start_high_kg"] - with_bags.levels["abrasive_start_low_kg"]
    assert wide.mean() > narrow.mean()


def test_without_a_nozzle_channel_the_zero_is_less_sure(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    bags = trials.bags_entered(trial)
    seen = weigh_pot(signals, cycles, facts, bags)
    blind = weigh_pot(signals.with_columns(nozzle_pa=pl.lit(None, pl.Float64)), cycles, facts, bags)
    assert seen is not None and blind is not None
    assert seen.weighed.anchors > 0 and blind.weighed.anchors == 0
    assert blind.weighed.start_error_kg.min() > seen.weighed.start_error_kg.max()
    off_kg = blind.weighed.start_kg - seen.weighed.start_kg
    assert np.abs(off_kg).max() < 0.1 * trial.full_kg


def test_the_leak_of_a_stretch_is_pooled(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    level = weigh_pot(signals, cycles, facts, trials.bags_entered(trial))
    assert level is not None
    weighed = level.weighed
    alone = np.median(weighed.leak_error) * weighed.conductance_m3_s_pa
    assert 0.0 < weighed.stretch_leak_error_m3_s_pa < alone
    off = weighed.stretch_leak_m3_s_pa - trial.plant.leak_m3_s_pa
    assert abs(off) < 0.02 * trial.plant.fill_m3_s_pa


def test_a_pot_without_supply_pressure_is_not_weighed(shift) -> None:  # type: ignore[no-untyped-def]
    _, signals, cycles, facts = shift
    blind = signals.with_columns(supply_pa=pl.lit(None, pl.Float64))
    assert weigh_pot(blind, cycles, facts) is None
    frame = condition_of(blind, cycles, facts).cycles
    assert frame.height == cycles.filter(~pl.col("flicker")).height
    assert frame["abrasive_start_kg"].null_count() == frame.height


def test_no_cycles_make_no_rows(shift) -> None:  # type: ignore[no-untyped-def]
    _, signals, cycles, facts = shift
    frame = condition_of(signals, cycles.clear(), facts).cycles
    assert frame.height == 0 and frame.schema == pl.Schema(CONDITION_SCHEMA)


def test_the_same_stretch_gives_the_same_rows(shift) -> None:  # type: ignore[no-untyped-def]
    trial, signals, cycles, facts = shift
    bags = trials.bags_entered(trial)
    first = condition_of(signals, cycles, facts, bags).cycles
    assert first.equals(condition_of(signals, cycles, facts, bags).cycles)
