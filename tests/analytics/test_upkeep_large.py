"""A hundred pots and five years of records: what is due is there in under a second."""

from __future__ import annotations

import datetime as dt
import time
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from analytics import figures
from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA
from analytics.hours import PotHours, microseconds, pot_hours
from analytics.parts_usage import EVENT_SCHEMA, Place, usage_of_parts
from analytics.summaries import in_seconds
from analytics.writing import insert
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window

BEGIN = dt.datetime(2021, 1, 4, 6)
NOW = dt.datetime(2026, 1, 5, 6)
POTS = [f"pot-{n}" for n in range(100)]
DAYS = (NOW - BEGIN).days


def large_yard() -> Yard:
    text = '[site]\nname = "large"\ntime_zone = "UTC"\n'
    for pot in POTS:
        text += f'[[pot]]\nname = "{pot}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    return parse_yard(text)


def instants(after_us: np.ndarray) -> pl.Series:
    return pl.Series(after_us + microseconds(BEGIN)).cast(pl.Datetime("us"))


def years_of_cycles() -> PotHours:
    """Twenty cycles of ten minutes a day."""
    day, number = np.divmod(np.arange(DAYS * 20), 20)
    pressed = instants(day * 86_400_000_000 + number * 1_200_000_000)
    released = pressed + dt.timedelta(minutes=10)
    values = {
        "pressed_at": pressed, "released_at": released, "span_from_at": pressed,
        "span_to_at": released, "flicker": False, "began_by": "press", "confirmed": True,
        "deadman_s": 600.0, "deadman_low_s": 600.0, "deadman_high_s": 600.0, "blast_s": 540.0,
        "blast_low_s": 530.0, "blast_high_s": 550.0, "pinched_s": 580.0,
    }  # fmt: skip
    cycles = pl.DataFrame(values).select([name for name in CYCLE_SCHEMA if name in values])
    return pot_hours(cycles, pl.DataFrame(schema=GAP_SCHEMA), BEGIN, NOW, [])


def years_of_entries() -> pl.DataFrame:
    """Hoses checked weekly and changed every two months, and what is looked at daily or weekly."""
    pieces = []
    for part, kind, every_days, result in (
        ("pinch_hose", "checked", 7, "good"), ("pinch_hose", "fitted", 60, ""),
        ("deadman", "checked", 1, "good"), ("separator", "checked", 1, "good"),
        ("nozzle", "checked", 7, "good"), ("couplings", "checked", 7, "good"),
        ("relief_valve", "checked", 90, "good"),
    ):  # fmt: skip
        offset = np.arange(0, DAYS, every_days)
        one = pl.DataFrame(
            {
                "at": instants(offset * 86_400_000_000),
                "record_id": [f"{part}-{kind}-{n}" for n in offset],
                "kind": kind, "part": part, "position": "1", "result": result, "rule": "",
                "tag": [f"{part}-{n}" if kind == "fitted" else "" for n in offset],
            }
        )  # fmt: skip
        tag = pl.when(pl.col("tag") == "").then(pl.lit("")).otherwise
        pieces += [
            one.with_columns(pl.lit(pot).alias("pot"), tag(pl.lit(f"{pot}-") + pl.col("tag")))
            for pot in POTS
        ]
    return pl.concat(pieces).select(list(EVENT_SCHEMA))


@pytest.mark.slow
def test_the_due_list_of_a_hundred_pots_and_five_years_is_there_in_a_second(
    tmp_path: Path,
) -> None:
    yard, hours, entries = large_yard(), years_of_cycles(), years_of_entries()
    assert entries.height > 400_000
    kinds = dict.fromkeys(rule.part for rule in yard.effective_rules())
    parts = usage_of_parts(
        entries,
        dict.fromkeys(POTS, hours),
        [Place(pot, part, "1") for pot in POTS for part in kinds],
        NOW,
    )
    with write_window(tmp_path) as con:
        for number, pot in enumerate(POTS):
            con.execute("INSERT INTO pot VALUES (?, ?)", [number, pot])
        insert(con, "part_usage", in_seconds(parts.usage))
        insert(con, "part_stay", parts.stays)
        insert(con, "part_check", parts.checks.rename({"at": "checked_at"}))
    took = []
    for _ in range(3):
        begun = time.process_time()
        with read_window(tmp_path) as con:
            due = figures.upkeep_due(con, yard, NOW)
        took.append(time.process_time() - begun)
    assert due.height == len(POTS) * len(yard.effective_rules())
    assert due.filter(pl.col("state") != "ok").height > 0
    print(f"{parts.checks.height:,} checks, due list in {min(took):.2f} s")
    assert min(took) < 1.0
