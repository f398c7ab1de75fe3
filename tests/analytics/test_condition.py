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
from analytics.indicators import CHANGE_SCHEMA, INDICATORS, changes

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


def moved(**sizes: float) -> pl.DataFrame:
    """Changes in which these indicators signal, so many times what matters; ``scatter_`` first."""
    at = dt.datetime(2026, 1, 8)
    rows = []
    for indicator in INDICATORS:
        key = ("scatter_" if indicator.scatter else "") + indicator.name
        size = sizes.get(key, 0.0)
        matters = indicator.matters * (0.2 if indicator.relative else 1.0)
        rows.append(
            {
                "indicator": indicator.name, "scatter": indicator.scatter, "at": at,
                "since_at": dt.datetime(2026, 1, 5), "reference": 0.2, "spread": matters / 8.0,
                "now": 0.2 + size * matters, "change": size * matters,
                "relative": size * matters / 0.2, "size": size, "signal": abs(size) >= 1.0,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=CHANGE_SCHEMA)


def test_clean_air_and_bull_hose_tell_nozzle_from_choke_and_metering_valve() -> None:
    worn = moved(clean_loss_index=5.0, bull_loss_index=1.2, grain_loss_index=2.0)
    (first, *_) = suggestions(worn)
    assert (first.trouble, first.alike) == ("nozzle_wear", ())
    # Loss for its flow grows with the fourth power of the bore: 1.30^(1/4) = 1.068.
    assert "a bore 7 % wider would do it" in first.sentence
    (first, *_) = suggestions(moved(clean_loss_index=5.0, grain_loss_index=1.2))
    assert (first.trouble, first.alike) == ("choke_part_shut", ())
    (first, *_) = suggestions(moved(grain_loss_index=1.8, feed_kg_s=1.2))
    assert (first.trouble, first.alike) == ("metering_flooded", ())


def test_two_that_the_signals_do_not_tell_apart_are_both_named_and_checked() -> None:
    between = moved(leak_m3_s_pa=3.0, scatter_leak_m3_s_pa=0.7)
    (first, *rest) = suggestions(between)
    assert {first.trouble, *first.alike} == {"pinch_leak", "popup_unseated"}
    assert "do not tell which" in first.sentence
    assert "pinch hose" in first.sentence and "pop-up" in first.sentence
    assert "pinch hose" in first.check and "pop-up valve" in first.check
    assert not {"pinch_leak", "popup_unseated"} & {s.trouble for s in rest}
    # Without a nozzle's pressure a wedge that sticks and a missed switch look alike.
    blind = moved(left_after_share=3.0, pressurised_unheld_share=3.0)
    (first, *_) = suggestions(blind)
    assert (first.trouble, first.alike) == ("stays_pressurised", ())
    (first, *_) = suggestions(blind.filter(pl.col("indicator") != "blown_unheld_share"))
    assert (first.trouble, first.alike) == ("stays_pressurised", ("deadman_missed",))


def test_a_reading_that_is_wrong_comes_before_what_is_read_off_it() -> None:
    wrong = moved(standing_still_share=1.2, left_after_share=3.0, pressurised_unheld_share=3.0)
    assert suggestions(wrong)[0].trouble == "transducer_stuck"
    assert "trust no pot reading" in suggestions(wrong)[0].check


def test_a_pot_that_lags_its_hose_explains_a_feed_that_starves() -> None:
    assert (
        suggestions(moved(grain_loss_index=-2.0, feed_kg_s=-2.0))[0].trouble == "metering_starved"
    )
    lagging = moved(leak_m3_s_pa=2.0, grain_loss_index=-2.0, feed_kg_s=-2.0)
    assert [s.trouble for s in suggestions(lagging)] == ["pinch_leak"]


def test_what_was_told_once_does_not_change_with_what_comes_later() -> None:
    random = np.random.default_rng(8)
    days = np.repeat(random.normal(0.0, 0.015, 25), 40)
    loss = 0.3 * (1.0 + days + 0.02 * random.standard_normal(1000))
    loss[700:] *= 1.4
    whole = changes(table(1000, clean_loss_index=loss))
    for count in (400, 640, 800):
        before = changes(table(1000, clean_loss_index=loss).head(count))
        assert before.equals(whole.head(before.height))
    assert not whole.filter(pl.col("at") < whole["at"][0] + dt.timedelta(seconds=90 * 560))[
        "signal"
    ].any()
    assert whole["signal"][-1]


def test_a_day_unlike_the_first_joins_the_past_and_a_fault_does_not() -> None:
    random = np.random.default_rng(9)
    loss = 0.3 * (1.0 + 0.01 * random.standard_normal(900))
    loss[120:600] *= 1.035  # the first day was the odd one
    calm = changes(table(900, clean_loss_index=loss))
    assert not calm["signal"].any()
    assert calm["reference"][-1] == pytest.approx(0.3 * 1.035, rel=0.01)
    loss[120:] *= 1.2
    ill = changes(table(900, clean_loss_index=loss))
    assert ill["signal"][-1] and ill["reference"][-1] == pytest.approx(0.3, rel=0.01)


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
