"""Random pots, compressors and transducers with known truth, for judging the condition step.

Each trial is a plant drawn at random, worked through half a shift by the physical model and read
by transducers with errors of their own. The analyses see only what a box would send and what
people would enter.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from analytics.condition import condition_of
from analytics.cycles import CycleSettings, find_cycles
from analytics.fill import PotFacts
from analytics.pot import weigh_pot
from analytics.signals import TransducerLaw
from analytics.signals import judged as judged_signals
from analytics.weighing import stuck_minutes
from simulated_feeds import model
from simulated_feeds.faults.fault_set import FaultSet
from simulated_feeds.plant import Plant, resting_state
from simulated_feeds.pot_shift import Habits, ShiftPlan, run_shift
from simulated_feeds.signals import Transducer

BAG_KG = 25.0
#: Standard deviations: of what bags weigh about what they say, and of what is spilt or left over.
BAGS_OFF, SPILT_KG = 0.007, 1.0
RANGE_PA = 1_000_000.0
#: Walk of a transducer's zero with its own warmth, per 800 Pa of its zero error. [Pa/K]
WARMTH_PA_K = 100.0
EPOCH = dt.datetime(1970, 1, 1)
#: Ranges of the box's transducers.
LAWS = [TransducerLaw(name, 0.0, RANGE_PA) for name in ("supply", "pot", "nozzle")]
BEGIN_US = 1_767_600_000_000_000  # an instant in January 2026


@dataclass
class Trial:
    """A random pot's half shift: true samples at ``rate_hz``, truth, and what people know."""

    number: int
    plant: Plant
    rate_hz: float
    true: np.ndarray
    cycles: dict[str, np.ndarray]
    refills: list[tuple[float, int]]
    full_kg: float
    known_volume_m3: float
    air_k: float
    errors: tuple[tuple[float, float, float], ...]
    faults: FaultSet = field(default_factory=FaultSet)
    begin_us: int = BEGIN_US
    air_c: float = 20.0


@dataclass(frozen=True)
class Day:
    """What is another from day to day though nothing is wrong; all invented, no source.

    Parameters
    ----------
    warmer_k : float
        Air over the pot's usual. [K]
    atmosphere_pa : float
        Over the usual. [Pa]
    feed : float
        Abrasive feed over the usual, with another lot of garnet and a hand on the valve. [-]
    bursts, rests : float
        How much longer this crew holds on and lets go. [-]
    """

    warmer_k: float = 0.0
    atmosphere_pa: float = 0.0
    feed: float = 1.0
    bursts: float = 1.0
    rests: float = 1.0

    @classmethod
    def drawn(cls, number: int, shift: int) -> Day:
        """Draw a pot's day; same number and shift, same day."""
        random = np.random.default_rng(np.random.SeedSequence([number, shift, 0xDA4]))
        return cls(
            warmer_k=float(random.normal(0.0, 4.0)),
            atmosphere_pa=float(random.normal(0.0, 800.0)),
            feed=float(random.lognormal(0.0, 0.03)),
            bursts=float(random.lognormal(0.0, 0.25)),
            rests=float(random.lognormal(0.0, 0.25)),
        )


def draw_plant(random: np.random.Generator) -> tuple[Plant, float]:
    """Draw a pot with its air supply and nozzle, and the abrasive people fill it with [kg]."""
    vessel_m3 = float(random.choice([0.085, 0.110, 0.18406, 0.2]) * random.uniform(0.97, 1.03))
    bore_m = float(random.choice([0.0079375, 0.009525, 0.0111125]) * random.uniform(1.0, 1.08))
    share = (bore_m / 0.009525) ** 2
    plant = Plant(
        air_k=float(random.uniform(276.0, 308.0)),
        atmosphere_pa=float(random.normal(101_325.0, 900.0)),
        compressor_kg_s=float(0.2 * share * random.uniform(0.9, 1.4)),
        load_pa=float(random.uniform(620_000.0, 720_000.0)),
        unload_pa=float(random.uniform(735_000.0, 790_000.0)),
        receiver_m3=float(random.uniform(0.15, 0.6)),
        manifold_m3=float(random.uniform(0.05, 0.12)),
        bull_length_m=float(random.uniform(15.0, 60.0)),
        separator_resistance=float(random.uniform(0.8e12, 2.0e12)),
        vessel_m3=vessel_m3,
        particle_kg_m3=float(random.uniform(3950.0, 4200.0)),
        fill_m3_s_pa=float(2.0e-7 * np.sqrt(vessel_m3 / 0.184) * random.uniform(0.7, 1.3)),
        fill_ratio=float(random.uniform(0.25, 0.5)),
        exhaust_m3_s_pa=float(random.uniform(3.0e-7, 7.0e-7)),
        exhaust_ratio=float(random.uniform(0.2, 0.45)),
        leak_m3_s_pa=float(10.0 ** random.uniform(-9.3, -7.5)),
        choke_m3_s_pa=float(random.uniform(5.0e-7, 8.0e-7) * share),
        hose_diameter_m=0.03175,
        hose_length_m=float(random.uniform(15.0, 40.0)),
        hose_loading=float(random.uniform(3.5, 5.5)),
        bore_m=bore_m,
        discharge=float(random.uniform(0.94, 0.98)),
        nozzle_loading=float(random.uniform(0.14, 0.22)),
        feed_kg_s=float(0.1 * share * random.uniform(0.7, 1.15)),
        metering_gas_m3_s_pa=float(random.uniform(1.0e-8, 3.0e-8)),
        wall_w_k=float(random.uniform(15.0, 60.0) * (vessel_m3 / 0.184) ** (2 / 3)),
        grain_w_k_kg=float(random.uniform(4.0, 16.0)),
        press_lag_s=float(random.uniform(0.15, 0.4)),
        release_lag_s=float(random.uniform(0.3, 0.6)),
        valve_lag_s=float(random.uniform(0.1, 0.3)),
    )
    return plant, float(np.floor(vessel_m3 * 2200 * random.uniform(0.55, 0.68) / 25) * 25)


def make_trial(
    number: int,
    rate_hz: float = 50.0,
    hours: float = 8.0,
    faults: FaultSet | None = None,
    plant: Plant | None = None,
    shift: int = 0,
    day: Day | None = None,
) -> Trial:
    """Work one random pot through a shift of ``hours``; same number and shift, same trial."""
    day = day or Day()
    random = np.random.default_rng(np.random.SeedSequence([number, 0xC0DE]))
    drawn, full_kg = draw_plant(random)
    plant = plant or drawn
    errors = tuple(
        (
            float(random.normal(0.0, 800.0)),
            1.0 + float(random.normal(0.0, 0.001)),
            float(random.uniform(0.0, 0.06)),
        )
        for _ in range(3)
    )
    known = plant.vessel_m3 * (1.0 + float(random.normal(0.0, 0.01)))
    plant = plant.changed(
        air_k=plant.air_k + day.warmer_k,
        atmosphere_pa=plant.atmosphere_pa + day.atmosphere_pa,
        feed_kg_s=plant.feed_kg_s * day.feed,
    )
    usual = Habits()
    habits = Habits(
        touch_s=usual.touch_s * day.bursts, burst_s=usual.burst_s * day.bursts,
        long_s=usual.long_s * day.bursts, rest_s=usual.rest_s * day.rests,
        move_s=usual.move_s * day.rests,
    )  # fmt: skip
    row = plant.row()
    healthy = row.copy()
    change = None
    if faults is not None:

        def change(plant_row: np.ndarray, _state: np.ndarray, _at_s: float) -> None:
            faults.change_plant(plant_row, healthy)

    random = np.random.default_rng(np.random.SeedSequence([number, shift, 0xC0DE]))
    state = resting_state(plant, abrasive_kg=0.0)
    break_s = float(random.uniform(0.4, 0.6)) * hours * 3600.0
    plan = ShiftPlan(400.0, hours * 3600.0 - 300.0, hours * 3600.0, ((break_s, 1500.0),))
    result = run_shift(
        state, row, plan, habits, 1.0 / rate_hz, random,
        pot_full_kg=full_kg, bag_kg=BAG_KG, before_cycle=change,
    )  # fmt: skip
    return Trial(
        number, plant, rate_hz, result.samples, result.cycles, result.refills, full_kg, known,
        plant.air_k, errors, faults or FaultSet(), BEGIN_US + shift * 86_400_000_000,
        20.0 + day.warmer_k,
    )  # fmt: skip


def read(trial: Trial, rate_hz: float, noise: float, seed: int = 0) -> pl.DataFrame:
    """What a box at ``rate_hz`` makes of a trial, with noise as a share of the range."""
    random = np.random.default_rng(
        np.random.SeedSequence([trial.number, trial.begin_us % 65_521, seed, round(1e6 * noise)])
    )
    every = round(trial.rate_hz / rate_hz)
    columns = {}
    for name, line, (zero_pa, gain, lag_s) in zip(
        ("supply_pa", "pot_pa", "nozzle_pa"),
        (model.SUPPLY, model.POT, model.NOZZLE),
        trial.errors,
        strict=True,
    ):
        # A hundredth of a per cent of the range a kelvin: half of what makers allow (from memory).
        warmth = WARMTH_PA_K * float(np.sign(zero_pa)) * min(abs(zero_pa) / 800.0, 2.0)
        transducer = Transducer(
            noise_pa=noise * RANGE_PA, zero_pa=zero_pa, gain=gain, lag_s=lag_s, warmth_pa_k=warmth
        )
        lagged = Transducer(noise_pa=0.0, resolution_pa=1.0, lag_s=lag_s).measure(
            trial.true[line], 1.0 / trial.rate_hz, 20.0, random
        )
        columns[name] = Transducer(
            noise_pa=transducer.noise_pa, zero_pa=zero_pa, gain=gain, warmth_pa_k=warmth
        ).measure(lagged[::every], 1.0 / rate_hz, trial.air_c, random)
    deadman = trial.true[model.SWITCH][::every] > 0.5
    times_s = np.arange(len(deadman)) * (every / trial.rate_hz)
    if trial.faults.faults:
        columns["pot_pa"], deadman = trial.faults.change_readings(
            times_s, columns["pot_pa"], deadman
        )
    at_us = trial.begin_us + np.rint(times_s * 1e6).astype(np.int64)
    return pl.DataFrame(
        {
            "sampled_at": pl.Series(at_us).cast(pl.Datetime("us")),
            "deadman": deadman,
            **columns,
        }
    ).select("sampled_at", "deadman", "supply_pa", "pot_pa", "nozzle_pa")


def bags_entered(trial: Trial, seed: int = 0) -> pl.DataFrame:
    """What people enter of a trial's refills: ``at`` some minutes late, and ``abrasive_kg``.

    What went into the pot is off from what the bags say by ``BAGS_OFF`` and ``SPILT_KG``.
    """
    random = np.random.default_rng(np.random.SeedSequence([trial.number, seed, 7]))
    late_s = [random.uniform(60.0, 900.0) for _ in trial.refills]
    rows = [
        (
            trial.begin_us + round((at_s + late) * 1e6),
            bags * BAG_KG * (1.0 + random.normal(0.0, BAGS_OFF)) + random.normal(0.0, SPILT_KG),
        )
        for (at_s, bags), late in zip(trial.refills, late_s, strict=True)
    ]
    return pl.DataFrame(
        rows, schema={"at": pl.Int64, "abrasive_kg": pl.Float64}, orient="row"
    ).with_columns(pl.col("at").cast(pl.Datetime("us")))


def judged(trial: Trial, rate_hz: float, noise: float) -> dict[str, float]:
    """Weigh one trial as a box would show it, and compare with the truth."""
    signals = read(trial, rate_hz, noise)
    cycles = find_cycles(signals, CycleSettings()).cycles
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    level = weigh_pot(signals, cycles, facts, bags_entered(trial))
    if level is None:
        return {"number": trial.number, "fitted": 0.0}
    found = level.levels.drop_nulls("abrasive_start_kg")
    if found.is_empty():
        return {"number": trial.number, "fitted": 1.0, "told": 0.0}
    pressed_s = (found["pressed_at"].cast(pl.Int64).to_numpy() - trial.begin_us) * 1e-6
    at = np.argmin(np.abs(pressed_s[:, None] - trial.cycles["pressed_s"][None, :]), axis=1)
    true_kg = trial.cycles["abrasive_start_kg"][at]
    off_kg = found["abrasive_start_kg"].to_numpy() - true_kg
    low = found["abrasive_start_low_kg"].to_numpy()
    high = found["abrasive_start_high_kg"].to_numpy()
    used_kg = float(np.sum(trial.cycles["abrasive_start_kg"] - trial.cycles["abrasive_end_kg"]))
    use = level.consumption
    first_s, last_s = pressed_s[0], pressed_s[-1]
    tipped = [at_s for at_s, _ in trial.refills if first_s < at_s < last_s]
    spans = [
        ((a - EPOCH).total_seconds() - trial.begin_us * 1e-6 - 1.0,
         (b - EPOCH).total_seconds() - trial.begin_us * 1e-6 + 1.0)
        for a, b in level.tippings.select("from_at", "to_at").iter_rows()
    ]  # fmt: skip
    weighed = level.weighed
    return {
        "number": trial.number,
        "fitted": 1.0,
        "told": 1.0,
        "rms": float(np.sqrt(np.mean(off_kg**2))) / trial.full_kg,
        "covered": float(np.mean((true_kg >= low) & (true_kg <= high))),
        "use_off": use.used_kg / used_kg - 1.0,
        "use_covered": float(use.used_low_kg <= used_kg <= use.used_high_kg),
        "tipped": float(len(tipped)),
        "hit": float(sum(any(a <= t <= b for a, b in spans) for t in tipped)),
        "found": float(len(spans)),
        "found_right": float(sum(any(a <= t <= b for t in tipped) for a, b in spans)),
        "emptied": float(weighed.anchors),
        "leak": weighed.stretch_leak_m3_s_pa,
        "true_leak": trial.plant.leak_m3_s_pa,
    }


def condition_of_shift(
    number: int, shift: int, wrong: dict[str, float], noise: float = 0.0025, hours: float = 5.0
) -> pl.DataFrame:
    """Condition of one pot's shift, with its faults and a day of its own, as weighing makes it."""
    trial = make_trial(
        number, 10.0, hours, FaultSet(wrong, seed=number + shift) if wrong else None, shift=shift,
        day=Day.drawn(number, shift),
    )  # fmt: skip
    found = judged_signals(as_kept(read(trial, 10.0, noise)), LAWS)
    cycles = find_cycles(found.signals, CycleSettings()).cycles
    facts = PotFacts(trial.known_volume_m3, air_k=trial.air_k)
    stuck = stuck_minutes(found.faults)
    return condition_of(found.signals, cycles, facts, bags_entered(trial), stuck).cycles


def as_kept(signals: pl.DataFrame) -> pl.DataFrame:
    """Signals as rows of the store's table ``sample``, loop currents left to their pressures."""
    return signals.with_columns(
        *(pl.lit(None, pl.Float64).alias(f"{name}_ma") for name in ("supply", "pot", "nozzle")),
        pl.lit(0, pl.Int64).alias("quality"),
    )


def history(
    number: int, faults: list[dict[str, float]], noise: float = 0.0025, hours: float = 5.0
) -> tuple[pl.DataFrame, list[tuple[dt.datetime, dt.datetime]]]:
    """Condition of one pot over shifts on successive days, each with its faults; and the spans."""
    begin = EPOCH + dt.timedelta(microseconds=BEGIN_US)
    pieces = [
        condition_of_shift(number, shift, wrong, noise, hours) for shift, wrong in enumerate(faults)
    ]
    starts = [begin + dt.timedelta(days=shift) for shift in range(len(faults))]
    return pl.concat(pieces), [(at, at + dt.timedelta(hours=hours)) for at in starts]
