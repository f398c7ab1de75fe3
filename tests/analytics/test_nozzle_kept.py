"""Nozzle pressure against its target, the rule of thumb, and the yard's own regression."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from analytics.air_states import PA_PER_PSI
from analytics.nozzle_kept import LEAST_FREEDOM, air_used_kg, nozzle_kept, own_effect
from analytics.shift_rows import with_schema

PSI = PA_PER_PSI


def cycles_of(pairs: list[tuple[float | None, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        pairs, schema={"nozzle_pa": pl.Float64, "blast_s": pl.Float64}, orient="row"
    )


def test_pressure_is_weighted_by_blast_time_and_the_rule_is_counted_from_100_psi() -> None:
    kept = nozzle_kept(cycles_of([(90 * PSI, 300.0), (100 * PSI, 100.0), (None, 900.0)]), 100 * PSI)
    assert kept.mean_pa == pytest.approx(92.5 * PSI)
    assert kept.under_share == pytest.approx(0.75)
    assert kept.short_pa == pytest.approx(7.5 * PSI)
    # Common practice, no source: 1.5 % a psi; 10 psi short for three quarters of the time.
    assert kept.rule_lost == pytest.approx(0.75 * 0.15)
    assert nozzle_kept(cycles_of([(90 * PSI, 1.0)]), 1e5, 0.02).rule_lost == pytest.approx(0.2)


def test_the_rule_is_refused_below_70_psi() -> None:
    some = nozzle_kept(cycles_of([(65 * PSI, 10.0), (80 * PSI, 90.0)]), 100 * PSI)
    assert some.refused_share == pytest.approx(0.1)
    assert some.rule_lost == pytest.approx(0.30)  # of the time in which it may be used
    much = nozzle_kept(cycles_of([(65 * PSI, 30.0), (80 * PSI, 70.0)]), 100 * PSI)
    assert much.rule_lost is None and much.refused_share == pytest.approx(0.3)
    nothing = nozzle_kept(cycles_of([(None, 60.0)]), 100 * PSI)
    assert nothing.mean_pa is None and nothing.rule_lost is None


def shifts(count: int, slope: float, seed: int, spread_psi: float = 5.0) -> pl.DataFrame:
    """Shifts on four jobs, the harder ones at higher pressure."""
    rng = np.random.default_rng(seed)
    job = np.arange(count) % 4
    psi = 85.0 + 3.0 * job + rng.normal(0.0, spread_psi, count)
    rate = np.exp(3.0 - 0.3 * job + slope * (psi - 85.0) + rng.normal(0.0, 0.08, count))
    hours = rng.uniform(2.0, 6.0, count)
    return with_schema(
        pl.DataFrame(
            {
                "shift": [f"s{i}" for i in range(count)], "pot": "p", "crew": "c",
                "job": [f"job-{j}" for j in job], "nozzle_pa": psi * PSI,
                "blast_s": hours * 3600.0, "area_m2": rate * hours,
                "from_at": [dt.datetime(2026, 1, 1)] * count,
            }
        )
    )  # fmt: skip


def test_the_yards_own_regression_is_ordinary_least_squares_with_a_level_for_each_job() -> None:
    # Reference library: statsmodels OLS with job dummies, Student's 90 % interval.
    import statsmodels.api as sm

    rows = shifts(40, 0.02, seed=5)
    found = own_effect(rows)
    job = rows["job"].to_numpy()
    dummies = np.stack([job == name for name in sorted(set(job))], axis=1).astype(float)
    x = np.column_stack([rows["nozzle_pa"].to_numpy() / PSI, dummies])
    y = np.log(rows["area_m2"].to_numpy() / rows["blast_s"].to_numpy())
    fitted = sm.OLS(y, x).fit()
    assert found.per_psi == pytest.approx(fitted.params[0], rel=1e-6)
    low, high = fitted.conf_int(alpha=0.10)[0]
    assert (found.low, found.high) == (pytest.approx(low, rel=1e-5), pytest.approx(high, rel=1e-5))


def test_its_interval_covers_the_truth_and_it_says_when_it_cannot_tell() -> None:
    covered = 0
    for seed in range(200):
        found = own_effect(shifts(24, 0.015, seed))
        assert found.low is not None and found.high is not None
        covered += found.low <= 0.015 <= found.high
    assert 0.85 <= covered / 200 <= 0.95
    few = own_effect(shifts(LEAST_FREEDOM + 4, 0.015, 1))
    assert few.per_psi is None and few.why_not == "few" and few.lost(1e4) is None
    alike = own_effect(shifts(60, 0.015, 1, spread_psi=0.3))
    assert alike.why_not == "alike"
    told = own_effect(shifts(60, 0.015, 1)).lost(10 * PSI)
    assert told is not None and told[1] < told[0] < told[2]
    assert own_effect(shifts(60, 0.015, 1)).lost(0.0) == (0.0, 0.0, 0.0)


def test_air_through_a_nozzle_over_a_shift() -> None:
    # 3/8 in at 100 psig: 0.13301 kg/s by theory (computed with CoolProp's ideal gas constant).
    one_hour = cycles_of([(100 * PSI, 3600.0)])
    assert air_used_kg(one_hour, 0.009525) == pytest.approx(0.13301 * 3600, rel=1e-3)
    # A cycle without a reading is taken as the mean of the others.
    more = cycles_of([(100 * PSI, 3600.0), (None, 1800.0)])
    assert air_used_kg(more, 0.009525) == pytest.approx(0.13301 * 5400, rel=1e-3)
    assert air_used_kg(cycles_of([(100 * PSI, 10.0), (None, 90.0)]), 0.009525) is None
    assert air_used_kg(one_hour, None) is None
