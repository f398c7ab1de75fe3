"""Charts of the indicators on series whose truth is written down, and on simulated pots."""

from __future__ import annotations

import datetime as dt
import importlib.util
import sys
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analytics.condition import CONDITION_SCHEMA
from analytics.diagnosis import CAUTION, TROUBLES, suggestions
from analytics.indicators import INDICATORS, changes

BENCH = Path(__file__).resolve().parent.parent / "bench" / "condition_trials.py"


@pytest.fixture(scope="module")
def trials():  # type: ignore[no-untyped-def]
    if "condition_trials" not in sys.modules:
        spec = importlib.util.spec_from_file_location("condition_trials", BENCH)
        assert spec is not None and spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules["condition_trials"] = module
        spec.loader.exec_module(module)
    return sys.modules["condition_trials"]


def table(count: int, **columns: np.ndarray) -> pl.DataFrame:
    at = [dt.datetime(2026, 1, 5, 6) + dt.timedelta(seconds=90 * i) for i in range(count)]
    level = {} if "abrasive_start_kg" in columns else {"abrasive_start_kg": np.full(count, 100.0)}
    frame = pl.DataFrame({"pressed_at": at, **level, **columns})
    missing = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in CONDITION_SCHEMA.items()
        if name not in frame.columns
    ]
    return frame.with_columns(missing).select(
        pl.col(name).cast(kind) for name, kind in CONDITION_SCHEMA.items()
    )


def test_a_step_that_matters_signals_and_noise_does_not() -> None:
    random = np.random.default_rng(1)
    exhaust = 5e-7 * (1.0 + 0.03 * random.standard_normal(600))
    assert not changes(table(600, exhaust_m3_s_pa=exhaust))["signal"].any()
    exhaust[400:] *= 0.6
    found = changes(table(600, exhaust_m3_s_pa=exhaust)).filter("signal")
    assert found.height and found["size"].max() < 0.0
    first = found["at"].min() - dt.datetime(2026, 1, 5, 6)
    assert 400 <= first / dt.timedelta(seconds=90) < 430


def test_a_change_too_small_to_matter_does_not_signal() -> None:
    random = np.random.default_rng(2)
    exhaust = 5e-7 * (1.0 + 0.002 * random.standard_normal(600))
    exhaust[300:] *= 0.97  # fifteen standard deviations, but three per cent
    assert not changes(table(600, exhaust_m3_s_pa=exhaust))["signal"].any()


def test_what_follows_a_covariate_is_no_change() -> None:
    random = np.random.default_rng(3)
    level = 250.0 - np.arange(600) % 60 * 4.0
    level[300:] -= 60.0  # from here on the pot is run emptier
    times = 6.0 - 0.01 * level + 0.05 * random.standard_normal(600)
    frame = table(
        600, pressurise_reference_s=times, abrasive_start_kg=level, supply_pa=np.full(600, 7e5)
    )
    assert (
        not changes(frame).filter(pl.col("indicator") == "pressurise_reference_s")["signal"].any()
    )


def test_a_part_newly_fitted_starts_a_new_reference() -> None:
    random = np.random.default_rng(5)
    loss = 0.3 * (1.0 + 0.03 * random.standard_normal(800))
    loss[400:] *= 0.6
    frame = table(800, clean_loss_index=loss)
    assert changes(frame)["signal"].any()
    fitted = pl.DataFrame({"part": ["nozzle"], "at": [frame["pressed_at"][400]]})
    assert not changes(frame, fitted)["signal"].any()


def test_every_trouble_names_known_indicators() -> None:
    known = {("~" if i.scatter else "") + i.name for i in INDICATORS}
    for trouble in TROUBLES:
        named = {key.lstrip("+-") for key in trouble.against} | set(trouble.unless)
        named |= {by for _, by in trouble.apart} | set((trouble.together or ())[:2])
        assert set(trouble.moves) | named <= known, trouble.name
        assert {other for other, _ in trouble.apart} <= {t.name for t in TROUBLES}


def test_a_suggestion_is_no_verdict() -> None:
    random = np.random.default_rng(6)
    exhaust = 5e-7 * (1.0 + 0.03 * random.standard_normal(600))
    exhaust[400:] *= 0.5
    (found,) = suggestions(changes(table(600, exhaust_m3_s_pa=exhaust)))
    assert found.trouble == "slow_exhaust"
    assert "this fits" in found.sentence and "50 %" in found.sentence
    assert found.caution == CAUTION and "prove it is vented" in CAUTION
    assert not {"safe", "certain", "proven"} & set(found.sentence.split())


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "severity"),
    [
        ("pinch_leak", 0.4), ("slow_exhaust", 0.5), ("relief_early", 0.4), ("nozzle_wear", 0.5),
        ("metering_starved", 0.5), ("over_pressure", 0.5), ("wet_air", 0.45),
        ("transducer_drift", 0.03), ("loop_broken", 0.2), ("pressurises_alone", 0.5),
    ],
)  # fmt: skip
def test_a_simulated_fault_is_suggested(trials, fault: str, severity: float) -> None:  # type: ignore[no-untyped-def]
    frame, spans = trials.history(300, [{}, {}, {fault: severity}], hours=4.0)
    charts = changes(frame)
    assert not charts.filter(pl.col("at") < spans[2][0])["signal"].any()
    assert fault in [s.trouble for s in suggestions(charts)][:2]
