"""Simulated months whose crews are known: do intervals cover, and are equal crews left alone?

Months come from a model of their own here: jobs of some days each, with a grade and an access;
crews that change pots; nozzle bore, pressure, weather of a day. Nothing in it is fitted to any
result of ours.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from analytics.compare import compare
from analytics.shift_rows import MEASURES, with_schema

#: What grade, rust and access do to the logarithm of a rate.
PREPARATION = {"Sa 2": 0.30, "Sa 2½": 0.0, "Sa 3": -0.40}
RUST = {"A": 0.10, "B": 0.05, "C": 0.0, "D": -0.35}
ACCESS = {"ground": 0.0, "scaffold": -0.20, "tank": -0.30}

#: Known effects of the crews of a month on the logarithm of its rate.
UNLIKE = (-0.15, -0.05, 0.05, 0.15)
EQUAL = (0.0, 0.0, 0.0, 0.0)
ONE_APART = (0.0, 0.0, 0.0, 0.4)


def month(
    seed: int, effects: tuple[float, ...], days: int = 22, both_pots: bool = False
) -> pl.DataFrame:
    """Shift rows of a month of several crews; with ``both_pots`` each works two pots a shift."""
    rng = np.random.default_rng(seed)
    crews = len(effects)
    pots = rng.normal(0.0, 0.06, crews)
    jobs: dict[str, tuple[str, str, str, float]] = {}
    at_job, days_left = [""] * crews, [0] * crews
    rows = []
    for day in range(days):
        order = rng.permutation(crews)
        for crew, effect in enumerate(effects):
            if days_left[crew] == 0:
                if jobs and rng.random() < 0.35:
                    at_job[crew] = str(rng.choice(list(jobs)))
                else:
                    at_job[crew] = f"job {len(jobs) + 1}"
                    jobs[at_job[crew]] = (
                        str(rng.choice(list(PREPARATION), p=[0.25, 0.6, 0.15])),
                        str(rng.choice(list(RUST))),
                        str(rng.choice(list(ACCESS))),
                        rng.normal(0.0, 0.1),
                    )
                days_left[crew] = int(rng.integers(3, 8))
            days_left[crew] -= 1
            prep, rust, access, steel = jobs[at_job[crew]]
            weather = rng.normal(0.0, 0.1) if both_pots else 0.0
            for pot in order[[crew, (crew + 1) % crews][: 1 + both_pots]]:
                bore_m, nozzle_pa = rng.choice([0.0095, 0.011]), rng.normal(6.6e5, 4e4)
                blast_s = rng.uniform(1.5, 5.5) * 3600.0
                log_rate = (
                    np.log(14.0)
                    + PREPARATION[prep] + RUST[rust] + ACCESS[access] + steel + weather
                    + 2.0 * np.log(bore_m / 0.0095) + 1.4 * np.log(nozzle_pa / 6.9e5)
                    + effect + pots[pot] + rng.normal(0.0, 0.2)
                )  # fmt: skip
                rows.append(
                    (
                        f"{day}-{crew}", f"pot {pot}", f"crew {crew}", at_job[crew], prep, rust,
                        access, bore_m, nozzle_pa, blast_s, 3.0,
                        blast_s / 3600.0 * np.exp(log_rate),
                    )
                )  # fmt: skip
    names = [
        "shift", "pot", "crew", "job", "prep_grade", "rust_grade", "access", "bore_m",
        "nozzle_pa", "blast_s", "people", "area_m2",
    ]  # fmt: skip
    return with_schema(pl.DataFrame(rows, schema=names, orient="row"))


def trial(
    seeds: range, effects: tuple[float, ...], both_pots: bool = False
) -> tuple[float, float, float]:
    """Share of intervals that cover, of months in which equal crews are called different, and of
    unlike pairs told apart."""
    truth = np.expm1(np.array(effects) - np.mean(effects))
    covered, false_alarms, told = [], [], []
    for seed in seeds:
        found = compare(
            month(seed, effects, both_pots=both_pots), MEASURES["area_m2_blast_h"],
            seed=seed, draws=1500,
        )  # fmt: skip
        low, high = (found.groups[c].to_numpy() for c in ("effect_low", "effect_high"))
        covered.append((low <= truth) & (truth <= high))
        known = {f"crew {k}": e for k, e in enumerate(effects)}
        equal = [known[p["first"]] == known[p["second"]] for p in found.pairs.to_dicts()]
        called = found.pairs["different"].to_numpy()
        false_alarms.append(bool(np.any(called & equal)))
        told.extend(called[~np.array(equal)])
    return float(np.mean(covered)), float(np.mean(false_alarms)), float(np.mean(told or [0.0]))


def test_a_few_months_of_unlike_crews() -> None:
    covered, _, told = trial(range(1000, 1025), ONE_APART)
    # 25 months of four crews: 0.90 within three standard errors, crews of a month being alike.
    assert 0.78 <= covered <= 0.98
    assert told > 0.4  # a crew that does half as much again is seen, most months


@pytest.mark.slow
def test_intervals_cover_known_effects_over_200_months() -> None:
    covered, _, told = trial(range(200), UNLIKE)
    print(f"known effects: covered {covered:.3f}, pairs told apart {told:.3f}")
    assert 0.85 <= covered <= 0.95


@pytest.mark.slow
def test_equal_crews_are_called_different_at_most_5_percent_of_the_time() -> None:
    covered, false_alarms, _ = trial(range(200), EQUAL)
    print(f"equal: covered {covered:.3f}, called different {false_alarms:.3f}")
    assert false_alarms <= 0.05
    _, false_alarms, told = trial(range(200, 250), ONE_APART)
    print(f"one apart: equal ones called different {false_alarms:.3f}, told apart {told:.3f}")
    assert false_alarms <= 0.05
