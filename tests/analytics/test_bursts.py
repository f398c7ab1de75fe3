"""What the readings of a burst show, on signals drawn by hand whose truth is written down."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analytics.bursts import COLUMNS, readings_of_bursts
from analytics.cycles import SIGNAL_SCHEMA, CycleSettings, find_cycles
from analytics.fill import PotFacts, prepared

RATE_HZ = 10
BEGIN = dt.datetime(2026, 1, 5, 6)
FACTS = PotFacts(0.184)
OUTSIDE_PA = FACTS.outside_pa
#: Rest, burst and rest again. [s]
BEFORE_S, HELD_S, AFTER_S = 40.0, 60.0, 60.0


def burst(
    nozzle_clean: float | None = 650e3, nozzle_loaded: float = 600e3, receiver: float = 730e3,
    nozzle_zero: float = 0.0, switch_off_s: float = 0.0, switch_stuck_s: float = 0.0,
    shut_in: bool = False, noise: float = 50.0,
) -> pl.DataFrame:  # fmt: skip
    """A manifold at 730 kPa that stands at 700 while air flows; a pot that fills in 6 s."""
    random = np.random.default_rng(3)
    at = np.arange(0.0, BEFORE_S + HELD_S + AFTER_S, 1.0 / RATE_HZ)
    into, out = at - BEFORE_S, at - BEFORE_S - HELD_S
    flows = (into >= 0.4) & (out < 0.4)
    pot = np.where(into < 0.4, 0.0, np.minimum((into - 0.4) / 6.0, 1.0) * 698e3)
    bleeds = np.maximum(698e3 * (1.0 - 0.002 * out), 0.0) if shut_in else 698e3 * np.exp(-out / 2.0)
    pot = np.where(out >= 0.4, bleeds, pot)
    comes_up = receiver - (receiver - 700e3) * np.exp(-np.maximum(out - 0.4, 0.0) / 0.5)
    supply = np.where(flows, 700e3, np.where(out >= 0.4, comes_up, 730e3))
    nozzle = np.zeros(at.size)
    if nozzle_clean is not None:
        nozzle = np.where(flows, np.where(pot < nozzle_clean, nozzle_clean, nozzle_loaded), 0.0)
    deadman = (into >= 0.0) & (out < switch_stuck_s)
    if switch_off_s:
        deadman &= ~((into > 20.0) & (into < 20.0 + switch_off_s))
    columns = {"supply_pa": supply, "pot_pa": pot, "nozzle_pa": nozzle + nozzle_zero}
    measured = {name: value + noise * random.standard_normal(at.size)
                for name, value in columns.items()}  # fmt: skip
    frame = pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(milliseconds=100 * k) for k in range(at.size)],
            "deadman": deadman,
            **measured,
        }
    )
    if nozzle_clean is None:
        frame = frame.with_columns(pl.lit(None, pl.Float64).alias("nozzle_pa"))
    return frame.select(list(SIGNAL_SCHEMA))


def shown(signals: pl.DataFrame, stuck: np.ndarray | None = None) -> list[dict[str, float]]:
    cycles = find_cycles(signals, CycleSettings()).cycles.filter(~pl.col("flicker"))
    found = readings_of_bursts(prepared(signals), cycles, FACTS, stuck=stuck)
    assert set(found) == set(COLUMNS)
    return [{name: float(found[name][i]) for name in COLUMNS} for i in range(cycles.height)]


def index(inlet_pa: float, outlet_pa: float, over_pa: float | None = None) -> float:
    """(p1² - p2²)/p², absolute."""
    inlet, outlet = inlet_pa + OUTSIDE_PA, outlet_pa + OUTSIDE_PA
    over = outlet if over_pa is None else over_pa + OUTSIDE_PA
    return (inlet**2 - outlet**2) / over**2


def test_clean_air_abrasive_and_bull_hose_are_parted() -> None:
    (row,) = shown(burst())
    assert row["clean_loss_index"] == pytest.approx(index(700e3, 650e3), rel=0.01)
    assert row["grain_loss_index"] == pytest.approx(
        index(700e3, 600e3) - index(700e3, 650e3), rel=0.01
    )
    assert row["bull_loss_index"] == pytest.approx(index(730e3, 700e3, 600e3), rel=0.02)
    assert row["receiver_pa"] == pytest.approx(730e3, abs=1_000.0)
    assert row["supply_pa"] == pytest.approx(700e3, abs=300.0)
    assert row["held_unpressurised_share"] == row["blown_unheld_share"] == 0.0
    assert row["pressurised_unheld_share"] == row["standing_still_share"] == 0.0


def test_a_compressor_that_sinks_is_no_loss_in_the_bull_hose() -> None:
    (row,) = shown(burst(receiver=715e3))
    assert row["receiver_pa"] == pytest.approx(715e3, abs=1_000.0)
    assert row["bull_loss_index"] == pytest.approx(index(715e3, 700e3, 600e3), rel=0.03)


def test_more_abrasive_leaves_clean_airs_loss_alone() -> None:
    (usual,), (rich,) = shown(burst()), shown(burst(nozzle_loaded=560e3))
    assert rich["clean_loss_index"] == pytest.approx(usual["clean_loss_index"], rel=0.005)
    assert rich["grain_loss_index"] > 1.4 * usual["grain_loss_index"]


def test_the_nozzles_zero_is_taken_off_at_rest() -> None:
    (usual,), (walked,) = shown(burst()), shown(burst(nozzle_zero=4_000.0))
    for name in ("clean_loss_index", "grain_loss_index"):
        assert walked[name] == pytest.approx(usual[name], rel=0.01)


def test_without_a_nozzle_the_flow_is_taken_from_the_pot() -> None:
    (row,) = shown(burst(nozzle_clean=None))
    assert row["bull_loss_index"] == pytest.approx(index(730e3, 700e3, 698e3), rel=0.02)
    for name in ("clean_loss_index", "grain_loss_index", "blown_unheld_share"):
        assert np.isnan(row[name])


def test_a_switch_that_is_missed_is_no_pot_that_stays_up() -> None:
    first, second = shown(burst(switch_off_s=15.0))
    assert first["blown_unheld_share"] == 1.0
    # Nothing is said of a rest that was none; nor of the manifold, which still gave air.
    for name in ("pressurised_unheld_share", "left_after_share", "creep_pa", "bull_loss_index"):
        assert np.isnan(first[name])
    assert second["blown_unheld_share"] == 0.0


def test_a_pot_shut_in_is_no_switch_that_is_missed() -> None:
    (row,) = shown(burst(shut_in=True))
    assert row["pressurised_unheld_share"] > 0.9 and row["left_after_share"] > 0.9
    assert row["blown_unheld_share"] == 0.0


def test_a_switch_that_sticks_shows_as_soon_as_the_nozzle_is_down() -> None:
    (row,) = shown(burst(switch_stuck_s=20.0))
    # From 2 s after the pot is up to the release 80 s after the press: 20 s without air.
    assert row["held_unpressurised_share"] == pytest.approx(19.6 / 72.0, abs=0.02)
    assert np.isnan(row["bull_loss_index"])


def test_a_switch_that_says_held_with_nothing_answering() -> None:
    quiet = burst().with_columns(
        pl.lit(0.0).alias("pot_pa"),
        pl.lit(0.0).alias("nozzle_pa"),
        pl.lit(730e3).alias("supply_pa"),
    )
    assert shown(quiet)[0]["held_unpressurised_share"] == 1.0
    # With the air shut off before the manifold it is no news: somebody tries the handle.
    no_air = quiet.with_columns(pl.lit(0.0).alias("supply_pa"))
    assert np.isnan(shown(no_air)[0]["held_unpressurised_share"])


def test_what_was_left_out_for_standing_still_is_not_missing() -> None:
    signals = burst()
    inside = pl.int_range(pl.len()).is_between(600, 799)
    lost = signals.with_columns(pl.when(~inside).then("pot_pa").alias("pot_pa"))
    (row,) = shown(lost)
    assert row["missing_share"] > 0.1 and row["standing_still_share"] == 0.0
    stuck = np.zeros(signals.height, dtype=np.bool_)
    stuck[600:800] = True
    (row,) = shown(lost, stuck)
    assert row["missing_share"] == 0.0
    assert row["standing_still_share"] == pytest.approx(200 / 590, abs=0.01)
    held = signals.with_columns(
        pl.when(inside).then(pl.lit(698e3)).otherwise("pot_pa").alias("pot_pa")
    )
    assert shown(held)[0]["standing_still_share"] == pytest.approx(200 / 590, abs=0.01)


def test_ripple_is_of_the_readings_that_are_there() -> None:
    whole = burst()
    at = pl.int_range(pl.len())
    # Two seconds lost of sixty, while the pot stands steady; and two more in the manifold.
    torn = whole.with_columns(
        pl.when(at.is_between(700, 720)).then(None).otherwise("pot_pa").alias("pot_pa"),
        pl.when(at.is_between(800, 820)).then(None).otherwise("supply_pa").alias("supply_pa"),
    )
    (row,), (other,) = shown(whole), shown(torn)
    assert row["ripple_pa"] > 0.0
    assert other["ripple_pa"] == pytest.approx(row["ripple_pa"], rel=0.2)
