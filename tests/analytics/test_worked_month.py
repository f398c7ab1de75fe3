"""A month of the simulated yard, whose true figures are known, from readings to money."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from analytics import part_rows, sheets
from analytics.pipeline import derive
from analytics.ratios import ratio_of_sums
from analytics.shift_rows import MEASURES, judged
from ingest import records
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window
from simulated_feeds.history import write_history
from simulated_feeds.keeping import ABRASIVE_KG, FUEL_L, WAGE_H, WASTE_KG
from simulated_feeds.yard import plan_yard

PutSamples = Callable[[Path, str, pl.DataFrame], None]

UNTIL = dt.date(2026, 11, 22)  # clocks went back on 25 October: it is in this month
NOW = dt.datetime(2026, 11, 23)
RATE_HZ = 2.0
#: The dead-man's switch follows the handle a little late at both ends; see test_meets_readers.
SWITCH_LAG_S = 0.5


def yard_of(history: Path) -> Yard:
    about = json.loads((history / "yard.json").read_text())
    text = (
        '[site]\nname = "north-yard"\ntime_zone = "Europe/Amsterdam"\ninvented = true\n'
        'currency = "EUR"\n[mqtt]\nhost = "127.0.0.1"\n[review]\nsupply_target_pa = 600000\n'
    )
    for pot in about["pots"]:
        text += (
            f'[[pot]]\nname = "{pot["name"]}"\nvolume_m3 = {pot["vessel_m3"]}\n'
            f"plate_pa = 1000000\nnozzle_bore_m = {pot['bore_m']}\n"
            f'[[box]]\nname = "box-{pot["name"]}"\npot = "{pot["name"]}"\nrate_hz = {RATE_HZ}\n'
            'channels = ["supply", "pot", "nozzle", "deadman"]\n'
        )
    return parse_yard(text)


@pytest.mark.slow
def test_a_month_whose_truth_is_known(tmp_path: Path, put_samples: PutSamples) -> None:
    history = tmp_path / "history"
    write_history(plan_yard(7, UNTIL, 30, 2, RATE_HZ, mishaps=False), history)
    yard = yard_of(history)
    for pot in yard.pot_names:
        files = sorted((history / "readings" / pot).glob("20*.parquet"))
        frame = pl.concat([pl.read_parquet(file) for file in files]).rename({"time": "sampled_at"})
        put_samples(tmp_path, pot, frame.unique("sampled_at", keep="first").sort("sampled_at"))
    records.load_file(tmp_path, yard, history / "records.jsonl")
    derive(tmp_path, yard, now=NOW)
    with read_window(tmp_path) as con:
        rows = part_rows.part_rows(con, yard, NOW)
        book = part_rows.read_book(con)
        used = list(sheets.pot_sheets(con, yard, book.shifts, book, NOW))
    truth = pl.read_parquet(history / "truth" / "shifts.parquet")
    told = rows.join(truth, on=["shift", "pot"], suffix="_true", validate="1:1")
    assert told.height == truth.height > 30

    # Hours: within low and high, but for the switch's lag, over the month and in nearly all shifts.
    lag_h = SWITCH_LAG_S * told["cycles_true"].sum() / 3600.0
    low, high = (told[f"blast_{end}_s"].sum() / 3600.0 for end in ("low", "high"))
    assert low - lag_h <= told["blast_h"].sum() <= high
    assert told["blast_s"].sum() / 3600.0 == pytest.approx(told["blast_h"].sum(), rel=0.01)
    within = told.select(
        ((pl.col("blast_low_s") - SWITCH_LAG_S * pl.col("cycles_true")) / 3600.0
         <= pl.col("blast_h")) & (pl.col("blast_h") <= pl.col("blast_high_s") / 3600.0)
    ).to_series()  # fmt: skip
    assert within.mean() >= 0.97
    for sheet in used:
        assert sum(sheet.use.parts.values()) == sheet.ledger.to_us - sheet.ledger.from_us
        assert min(sheet.use.parts.values()) >= 0

    # Rates over the shifts that count: the truth lies within the stated 90 % interval, and within
    # 3 % of the figure (areas are rounded and a few bags were never entered).
    true_cost = (
        told["paid_s"] / 3600.0 * WAGE_H
        + told["abrasive_kg_true"] * (ABRASIVE_KG + WASTE_KG)
        + told["fuel_l"] * FUEL_L
    ).alias("cost_true")
    told = told.with_columns(true_cost, (pl.col("blast_h") * 3600.0).alias("blast_s_true"))
    for measure, amount, per in (
        ("area_m2_blast_h", "area_m2_true", "blast_s_true"),
        ("abrasive_kg_m2", "abrasive_kg_true", "area_m2_true"),
        ("cost_m2", "cost_true", "area_m2_true"),
    ):
        asked = MEASURES[measure]
        counted = judged(rows, asked).filter(pl.col("reason") == "")
        assert counted.height > 0.85 * rows.height
        mine = counted.join(told.select("shift", "pot", amount, per), on=["shift", "pot"])
        found = ratio_of_sums(
            mine[asked.amount].to_numpy(), mine[asked.per].to_numpy(),
            mine["shift"].rank("dense").to_numpy(),
        )  # fmt: skip
        true = float(mine[amount].sum() / mine[per].sum())
        assert found.low is not None and found.high is not None
        assert found.low < true < found.high, measure
        assert found.value == pytest.approx(true, rel=0.03), measure
    # Nothing is counted twice or lost: what the rows hold is what was entered.
    assert rows["area_m2"].sum() == pytest.approx(book.areas["area_m2"].sum())
    assert rows["abrasive_kg"].sum() == pytest.approx(book.abrasives["abrasive_kg"].sum())
