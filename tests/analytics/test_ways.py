"""The abrasive of a shift three ways, against falls and refills that are known."""

from __future__ import annotations

import datetime as dt
import doctest

import numpy as np
import polars as pl
import pytest

from analytics import ways
from analytics.ways import Way, abrasive_ways, level_change, load_cell_way, pressure_way

BEGIN = dt.datetime(2026, 3, 2, 6)


def at(seconds: float) -> dt.datetime:
    return BEGIN + dt.timedelta(seconds=float(seconds))


def shift(cycles: int = 60, rest_s: float = 90.0, blast_s: float = 120.0) -> pl.DataFrame:
    press = 120.0 + np.arange(cycles) * (rest_s + blast_s)
    return pl.DataFrame(
        {
            "pressed_at": [at(s) for s in press],
            "released_at": [at(s + blast_s) for s in press],
            "blast_s": [blast_s] * cycles,
            "flicker": [False] * cycles,
        }
    )


def weighed(cycles: pl.DataFrame, feed: float = 0.2, every: float = 1.0, noise: float = 0.0,
            refill_after: int = 8, seed: int = 3) -> tuple[pl.DataFrame, float]:  # fmt: skip
    """Readings of a load cell on a pot, and what truly left it."""
    press = [(a - BEGIN).total_seconds() for a in cycles["pressed_at"]]
    release = [(a - BEGIN).total_seconds() for a in cycles["released_at"]]
    t = np.arange(0.0, release[-1] + 120.0, every)
    mass = np.full(t.size, 400.0)
    for i, (p, r) in enumerate(zip(press, release, strict=True)):
        mass -= feed * np.clip(t - p, 0.0, r - p)
        if i % refill_after == refill_after - 1:
            mass += refill_after * feed * (r - p) * np.clip((t - r - 35.0) / 20.0, 0.0, 1.0)
    blasting = np.zeros(t.size, dtype=bool)
    for p, r in zip(press, release, strict=True):
        blasting |= (t >= p) & (t < r)
    rng = np.random.default_rng(seed)
    mass = mass + rng.normal(0.0, noise, t.size) + np.where(blasting, 15.0, 0.0)
    true_kg = feed * sum(r - p for p, r in zip(press, release, strict=True))
    return pl.DataFrame({"sampled_at": [at(s) for s in t], "value": mass}), true_kg


# --- load cell -------------------------------------------------------------------------------


def test_falls_are_summed_and_refills_are_not() -> None:
    cycles = shift()
    mass, true_kg = weighed(cycles)
    found = load_cell_way(mass, cycles)
    assert found is not None
    # The reaction of 15 kg while blasting is not in it, nor the refills of 192 kg each.
    assert found.kg == pytest.approx(true_kg, abs=1e-6)
    assert found.seen_share == 1.0


def test_noise_does_not_add_up_over_cycles() -> None:
    cycles = shift()
    errors, inside = [], 0
    for seed in range(40):
        mass, true_kg = weighed(cycles, noise=2.0, seed=seed)
        found = load_cell_way(mass, cycles)
        assert found is not None
        errors.append(found.kg - true_kg)
        inside += found.low_kg <= true_kg <= found.high_kg
    # Summing raw falls would have an error of 2 sqrt(2 * 60) = 22 kg, and falls alone a bias.
    assert np.std(errors) < 4.0 and abs(np.mean(errors)) < 2.0
    assert inside >= 32


def test_wild_readings_move_nothing() -> None:
    cycles = shift()
    mass, true_kg = weighed(cycles, noise=0.5)
    wild = mass.with_columns(
        pl.when(pl.int_range(pl.len()) % 37 == 5)
        .then(4_000.0)
        .otherwise(pl.col("value"))
        .alias("value")
    )
    found = load_cell_way(wild, cycles)
    assert found is not None
    assert found.kg == pytest.approx(true_kg, rel=0.02)


def test_a_cell_that_was_off_for_half_the_shift_is_not_whole() -> None:
    cycles = shift()
    mass, true_kg = weighed(cycles)
    half = mass.filter(pl.col("sampled_at") < cycles["pressed_at"][30])
    found = load_cell_way(half, cycles)
    assert found is not None and not found.whole
    assert found.seen_share == pytest.approx(0.5, abs=0.03)
    assert found.low_kg < true_kg < found.high_kg
    assert abrasive_ways(None, found, None, 7200.0).used == ""


def test_short_rests_without_a_reading_are_bridged() -> None:
    cycles = shift(rest_s=4.0)
    mass, true_kg = weighed(cycles, refill_after=1000)
    sparse = mass.filter(pl.int_range(pl.len()) % 9 == 0)
    found = load_cell_way(sparse, cycles)
    assert found is not None
    assert found.kg == pytest.approx(true_kg, rel=0.01)


def test_without_readings_or_cycles_there_is_no_way() -> None:
    cycles = shift(3)
    mass, _ = weighed(cycles)
    assert load_cell_way(mass.clear(), cycles) is None
    assert load_cell_way(mass, cycles.clear()) is None
    flickers = cycles.with_columns(pl.lit(True).alias("flicker"))
    assert load_cell_way(mass, flickers) is None


# --- pressures -------------------------------------------------------------------------------


def spell_of(cycles: pl.DataFrame, used: float) -> tuple[pl.DataFrame, pl.DataFrame]:
    each = used / cycles.height
    conditions = pl.DataFrame(
        {
            "pressed_at": cycles["pressed_at"],
            "used_kg": [each] * cycles.height,
            "abrasive_start_kg": [300.0 - 2.0 * i for i in range(cycles.height)],
            "abrasive_end_kg": [298.0 - 2.0 * i for i in range(cycles.height)],
        }
    )
    spells = pl.DataFrame(
        {
            "from_at": [cycles["pressed_at"][0]],
            "to_at": [cycles["released_at"][-1]],
            "used_kg": [used],
            "used_low_kg": [used - 50.0],
            "used_high_kg": [used + 70.0],
        }
    )
    return conditions, spells


def test_a_whole_spell_counts_with_its_total_and_interval() -> None:
    cycles = shift()
    conditions, spells = spell_of(cycles, 1_500.0)
    found = pressure_way(cycles, conditions, spells, at(0), at(1e6))
    assert found is not None
    assert (found.kg, found.low_kg, found.high_kg) == pytest.approx((1500.0, 1450.0, 1570.0))
    assert found.whole


def test_a_part_of_a_spell_counts_with_its_share_and_a_wider_interval() -> None:
    cycles = shift()
    conditions, spells = spell_of(cycles, 1_500.0)
    found = pressure_way(cycles, conditions, spells, at(0), cycles["pressed_at"][15])
    assert found is not None
    assert found.kg == pytest.approx(375.0)
    assert found.kg - found.low_kg == pytest.approx(25.0)  # 50 * sqrt(1/4)
    assert found.seen_share == pytest.approx(1.0)


def test_two_halves_of_a_spell_make_the_whole() -> None:
    cycles = shift()
    conditions, spells = spell_of(cycles, 1_500.0)
    middle = cycles["pressed_at"][23]
    early = pressure_way(cycles, conditions, spells, at(0), middle)
    late = pressure_way(cycles, conditions, spells, middle, at(1e6))
    assert early is not None and late is not None
    assert early.kg + late.kg == pytest.approx(1_500.0)


def test_cycles_that_are_not_weighed_yet_are_told() -> None:
    cycles = shift()
    conditions, spells = spell_of(cycles.head(30), 700.0)
    found = pressure_way(cycles, conditions, spells, at(0), at(1e6))
    assert found is not None and not found.whole
    assert found.seen_share == pytest.approx(0.5)
    assert pressure_way(cycles, conditions.clear(), spells, at(0), at(1e6)) is None


def test_the_change_of_the_level_is_from_first_to_last() -> None:
    cycles = shift(10)
    conditions, _ = spell_of(cycles, 100.0)
    assert level_change(conditions, at(0), at(1e6)) == pytest.approx(-20.0)
    assert level_change(conditions.clear(), at(0), at(1e6)) is None


# --- which one -------------------------------------------------------------------------------

CELL = Way("load_cell", 980.0, 960.0, 1000.0)
ESTIMATE = Way("pressure", 1020.0, 950.0, 1090.0)


def test_bags_come_first_then_the_cell_then_the_estimate() -> None:
    assert abrasive_ways(1_000.0, CELL, ESTIMATE, 7200.0).used == "bags"
    assert abrasive_ways(None, CELL, ESTIMATE, 7200.0).used == "load_cell"
    assert abrasive_ways(None, None, ESTIMATE, 7200.0).used == "pressure"
    assert abrasive_ways(None, None, None, 7200.0).used == ""


def test_bags_far_from_what_was_measured_are_doubted() -> None:
    found = abrasive_ways(600.0, CELL, ESTIMATE, 7200.0)
    assert (found.used, found.bags_doubt) == ("load_cell", "apart")
    assert found.apart["bags"] == pytest.approx((600.0 - 980.0) / 980.0)
    # The pot was 380 kg emptier at the end: then the bags do fit.
    emptier = abrasive_ways(600.0, CELL, ESTIMATE, 7200.0, level_change_kg=-380.0)
    assert (emptier.used, emptier.bags_doubt) == ("bags", "")
    assert emptier.apart["load_cell"] == pytest.approx(0.0)


def test_bags_before_the_first_and_after_the_last_cycle_are_not_use() -> None:
    # 1,000 kg entered: 200 before the first press, 200 after the last release; the pot went from
    # 200 to 50, so 750 were used.
    cell = Way("load_cell", 750.0, 740.0, 760.0)
    found = abrasive_ways(1_000.0, cell, None, 7200.0, level_change_kg=-150.0, outside_kg=400.0)
    assert (found.used, found.bags_doubt) == ("bags", "")
    assert found.apart["load_cell"] == pytest.approx(0.0)


def test_a_tipping_entered_late_does_not_doubt_the_bags() -> None:
    # All of 1,000 kg went through, but 400 of them were entered after the work.
    cell = Way("load_cell", 1_000.0, 990.0, 1_010.0)
    found = abrasive_ways(1_000.0, cell, None, 7200.0, level_change_kg=0.0, outside_kg=400.0)
    assert found.bags_doubt == ""
    assert abrasive_ways(1_600.0, cell, None, 7200.0, None, 0.0).bags_doubt == "apart"


def test_ways_of_a_stretch_put_entries_before_and_after_its_cycles_aside() -> None:
    cycles = shift()
    conditions, spells = spell_of(cycles, 1_500.0)
    conditions = conditions.with_columns(
        pl.lit(100.0).alias("abrasive_start_kg"), pl.lit(100.0).alias("abrasive_end_kg")
    )
    mass, true_kg = weighed(cycles)
    entries = pl.DataFrame(
        {
            "at": [at(0), at(3_000), cycles["released_at"][-1] + dt.timedelta(minutes=5)],
            "abrasive_kg": [200.0, 1_450.0, 225.0],
        }
    )
    found = ways.ways_of(1_875.0, 50.0, entries, mass, cycles, conditions, spells, at(0), at(1e6))
    assert (found.used, found.bags_doubt, found.outside_kg) == ("bags", "", 425.0)
    assert found.apart["load_cell"] == pytest.approx((true_kg - 1_450.0) / 1_450.0)
    assert found.apart["pressure"] == pytest.approx(50.0 / 1_450.0)
    assert found.kg_m2["bags"] == pytest.approx(37.5)
    # The second half of the spell holds half of what it used.
    middle = cycles["pressed_at"][30]
    half = ways.ways_of(
        None, None, entries.clear(), mass, cycles, conditions, spells, middle, at(1e6)
    )
    assert half.used == "load_cell"
    pressed = half.way("pressure")
    assert pressed is not None and pressed.kg == pytest.approx(750.0)


def test_a_wide_estimate_does_not_overrule_bags() -> None:
    wide = Way("pressure", 1000.0, 400.0, 1600.0)
    assert abrasive_ways(1_500.0, None, wide, 7200.0).used == "bags"
    narrow = Way("pressure", 1000.0, 950.0, 1050.0)
    assert abrasive_ways(1_500.0, None, narrow, 7200.0).used == "pressure"


def test_without_a_measurement_only_a_rate_that_no_nozzle_has_is_doubted() -> None:
    assert abrasive_ways(800.0, None, None, 7200.0).used == "bags"
    assert abrasive_ways(9_000.0, None, None, 7200.0).bags_doubt == "rate"
    assert abrasive_ways(25.0, None, None, 7200.0).bags_doubt == "rate"


def test_an_estimate_of_half_the_shift_does_not_doubt_bags() -> None:
    part = Way("pressure", 400.0, 380.0, 420.0, 0.5)
    found = abrasive_ways(1_000.0, None, part, 7200.0)
    assert (found.used, found.bags_doubt) == ("bags", "")


def test_area_gives_each_way_its_rate() -> None:
    found = abrasive_ways(1_000.0, CELL, ESTIMATE, 7200.0, area_m2=40.0)
    assert found.kg_m2 == pytest.approx({"bags": 25.0, "load_cell": 24.5, "pressure": 25.5})
    assert abrasive_ways(1_000.0, CELL, ESTIMATE, 7200.0, area_m2=0.0).kg_m2 == {}


def test_the_example_holds() -> None:
    done = doctest.testmod(ways)
    assert done.attempted >= 2 and done.failed == 0
