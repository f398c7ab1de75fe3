"""A shift's sheet from the store, conserved through corrections, midnight, clocks and jobs."""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import sheets
from analytics.exports import TABLE_COLUMNS
from analytics.figures import day_edges
from analytics.hours import microseconds
from analytics.pipeline import derive
from analytics.ratios import ratio_of_sums
from ingest import record_rows, records
from ingest.config import Yard
from ingest.errors import StoreError
from ingest.store.connection import read_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

#: A night in Berlin in which clocks go back: nine hours from 21:00 to 05:00.
BEGIN = dt.datetime(2026, 10, 24, 19)
END = dt.datetime(2026, 10, 25, 4)
NOW = dt.datetime(2026, 10, 26)
ENTERED = dt.datetime(2026, 10, 25, 6, tzinfo=dt.UTC)


def enter(data: Path, yard: Yard, kind: str, **body: object) -> str:
    return records.add(data, yard, kind, body, "Ann", "command", at=ENTERED)


def readings() -> pl.DataFrame:
    at = np.arange(0, 9 * 3600, 0.5)
    is_open = (at % 200 < 120) & ~((at > 9000) & (at < 12000))
    pot = np.where(is_open, 700e3 * np.minimum((at % 200) / 5, 1.0), 0.0)
    return pl.DataFrame(
        {
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": is_open,
            "supply_pa": np.where(is_open, 720e3, 724e3),
            "pot_pa": pot,
            "nozzle_pa": pot * 0.9,
        }
    ).filter(~pl.Series((at >= 20000) & (at < 20600)))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the night is kept once it was made."""
    return tmp_path_factory.mktemp("night") / "data"


@pytest.fixture
def night(tmp_path: Path, made: Path, yard: Yard, put_samples: PutSamples) -> Path:
    """The night on pot-1, with area, bags, fuel and prices."""
    if not made.exists():
        make_night(made, yard, put_samples)
    return shutil.copytree(made, tmp_path / "data")


def make_night(tmp_path: Path, yard: Yard, put_samples: PutSamples) -> None:
    put_samples(tmp_path, "pot-1", readings())
    enter(tmp_path, yard, "crew", crew="Blue", size=3)
    for job in ("Girders", "Tank"):
        enter(tmp_path, yard, "job", job=job, planned_m2=100.0)
    enter(
        tmp_path, yard, "shift", shift="night", crew="Blue", job="Girders", pots=["pot-1"],
        from_at="2026-10-24T21:00", to_at="2026-10-25T05:00",
    )  # fmt: skip
    enter(tmp_path, yard, "abrasive_kind", abrasive="garnet", price_kg=0.4)
    enter(tmp_path, yard, "price", price_of="wage_h", price=40, from_at="2026-01-01")
    enter(tmp_path, yard, "price", price_of="fuel_l", price=1.5, from_at="2026-01-01")
    enter(tmp_path, yard, "fuel", shift="night", litres=80, at="2026-10-25T04:00")
    for at, bags in (("22:30", 10), ("23:45", 8)):
        enter(tmp_path, yard, "abrasive", pot="pot-1", bags=bags, abrasive="garnet",
              at=f"2026-10-24T{at}")  # fmt: skip
    enter(tmp_path, yard, "abrasive_move", move="returned", kg=50, abrasive="garnet", pot="pot-1",
          at="2026-10-25T04:30")  # fmt: skip
    area = {"shift": "night", "pot": "pot-1"}
    enter(tmp_path, yard, "area", **area, job="Girders", area_m2=30, at="2026-10-24T23:50")
    enter(tmp_path, yard, "area", **area, job="Tank", area_m2=12, at="2026-10-25T04:50")
    enter(tmp_path, yard, "area", **area, job="Girders", area_m2=5, reblast=True,
          at="2026-10-25T01:00")  # fmt: skip
    derive(tmp_path, yard, now=NOW)


def sheet_of(data: Path, yard: Yard) -> sheets.Sheet:
    with read_window(data) as con:
        return sheets.shift_sheet(con, yard, "night", NOW)


ADDITIVE = (
    "elapsed_s", "blast_s", "blast_low_s", "blast_high_s", "no_data_s", "paid_s", "area_m2",
    "reblast_m2", "abrasive_kg", "waste_kg", "fuel_l", "cost", "cycles",
)  # fmt: skip


def test_the_night_by_hand(night: Path, yard: Yard) -> None:
    sheet = sheet_of(night, yard)
    assert sheet.total("elapsed_s") == 9 * 3600  # not eight: clocks went back
    assert sheet.total("paid_s") == 3 * 9 * 3600
    assert (sheet.total("area_m2"), sheet.total("reblast_m2")) == (42.0, 5.0)
    assert sheet.total("abrasive_kg") == 18 * 25 - 50
    assert sheet.costs.items == pytest.approx(
        {"wages": 27 * 40.0, "abrasive": 160.0, "fuel": 120.0}
    )
    assert sheet.costs.lacking == ()
    assert sheet.ratio("abrasive_kg", "area_m2") is not None
    # A job that the shift was not on yet keeps its area, without time.
    told = sheet.rows.select("job", "area_m2", "elapsed_s").rows()
    assert told == [("Girders", 30.0, 32400.0), ("Tank", 12.0, 0.0)]
    (pot,) = sheet.pots
    assert pot.use.elapsed_us == 9 * 3_600_000_000
    # 15 min of the stop with the bags of 23:45; those of 22:30 were entered after a pause of 80 s.
    assert pot.use.seconds("refill") == pytest.approx(980.0, abs=1.0) and pot.bore_m is None
    assert sheet.rows["air_kg"].null_count() == 2


def test_a_night_cut_at_midnight_and_at_the_change_of_clocks_adds_up(
    night: Path, yard: Yard
) -> None:
    (pot,) = sheet_of(night, yard).pots
    change = dt.datetime(2026, 10, 25, 1)  # 03:00 summer time
    edges = sorted({*day_edges(BEGIN, END, yard, "day"), change})
    assert edges == [BEGIN, dt.datetime(2026, 10, 24, 22), change, END]
    pieces = [pot.ledger.within(microseconds(a), microseconds(b)) for a, b in pairwise(edges)]
    whole = pieces[0].plus(pieces[1]).plus(pieces[2])
    assert whole == pot.use
    assert [piece.elapsed_us / 3.6e9 for piece in pieces] == [3.0, 3.0, 3.0]


def test_a_change_of_job_in_mid_shift_changes_no_total(night: Path, yard: Yard) -> None:
    before = sheet_of(night, yard)
    change = enter(night, yard, "job_change", shift="night", job="Tank", from_at="2026-10-25T00:10")
    after = sheet_of(night, yard)
    for name in ADDITIVE:
        assert after.total(name) == pytest.approx(before.total(name), rel=1e-12), name
    told = {row["job"]: row for row in after.rows.iter_rows(named=True)}
    assert told["Girders"]["elapsed_s"] == pytest.approx(3 * 3600 + 600)
    assert (told["Girders"]["area_m2"], told["Tank"]["area_m2"]) == (30.0, 12.0)
    assert told["Tank"]["abrasive_kg"] > 0.0 and told["Tank"]["wages_cost"] > 0.0
    assert after.pots[0].use == before.pots[0].use
    records.withdraw(night, change, "Ann", "it was the day after")
    assert sheet_of(night, yard).rows.equals(before.rows)


def test_what_changes_after_signing_stands_on_the_sheet(night: Path, yard: Yard) -> None:
    signed = records.add(
        night, yard, "signature", {"shift": "night", "area_m2": 42.0}, "Ben", "command",
        at=dt.datetime(2026, 10, 25, 7, tzinfo=dt.UTC),
    )  # fmt: skip
    sheet = sheet_of(night, yard)
    assert sheet.signed is not None and sheet.signed.changes == ()
    (area, *_) = [row for row in _current(night, "area") if row["area_m2"] == 30.0]
    records.correct(
        night, yard, area["record_id"],
        {k: area[k] for k in ("job", "shift", "pot", "at")} | {"area_m2": 33.0},
        "Ann", "one girder more", at=dt.datetime(2026, 10, 25, 8, tzinfo=dt.UTC),
    )  # fmt: skip
    records.add(
        night, yard, "abrasive", {"pot": "pot-1", "bags": 1, "at": "2026-10-25T04:00"}, "Cid",
        "command", at=dt.datetime(2026, 10, 25, 9, tzinfo=dt.UTC), reason="a bag behind the pot",
    )  # fmt: skip
    records.add(
        night, yard, "abrasive", {"pot": "pot-1", "bags": 1, "at": "2026-10-25T09:00"}, "Cid",
        "command", at=dt.datetime(2026, 10, 25, 10, tzinfo=dt.UTC),
    )  # fmt: skip
    sheet = sheet_of(night, yard)
    assert sheet.signed is not None and sheet.signed.record_id == signed
    told = [(c["kind"], c["recorded_by"], c["reason"]) for c in sheet.signed.changes]
    assert told == [
        ("area", "Ann", "one girder more"), ("abrasive", "Cid", "a bag behind the pot"),
    ]  # fmt: skip
    assert (sheet.signed.area_m2, sheet.total("area_m2")) == (42.0, 45.0)
    # A signature that is taken back opens the shift again, and says so for good.
    records.withdraw(
        night, signed, "Ben", "too early", at=dt.datetime(2026, 10, 25, 11, tzinfo=dt.UTC)
    )
    enter(night, yard, "fuel", shift="night", litres=5)
    sheet = sheet_of(night, yard)
    assert sheet.signed is None
    told = [(row["did"], row["by"], row["reason"]) for row in sheet.signatures]
    assert told == [("signed", "Ben", ""), ("withdrawn", "Ben", "too early")]


def _current(data: Path, kind: str) -> list[dict[str, Any]]:
    with read_window(data) as con:
        return record_rows.current(con, kind)


def test_a_shift_that_is_not_there_or_has_not_begun_is_a_sentence(night: Path, yard: Yard) -> None:
    with read_window(night) as con:
        with pytest.raises(StoreError, match="no shift"):
            sheets.shift_sheet(con, yard, "nihgt", NOW)
        with pytest.raises(StoreError, match="not begun"):
            sheets.shift_sheet(con, yard, "night", BEGIN)
        half = sheets.shift_sheet(con, yard, "night", BEGIN + dt.timedelta(hours=2))
    assert not half.over and half.total("elapsed_s") == 7200.0


def test_every_table_is_exported_with_its_columns(night: Path, yard: Yard) -> None:
    with read_window(night) as con:
        tables = sheets.export_tables(con, yard, NOW)
        none = sheets.export_tables(con, yard, NOW, dt.datetime(2027, 1, 1))
    assert {name: tuple(frame.columns) for name, frame in tables.items()} == TABLE_COLUMNS
    assert tables["time_use"]["use_s"].sum() == 9 * 3600
    assert tables["abrasive"]["move"].to_list() == ["tipped", "tipped", "returned"]
    assert tables["stock"]["stock_kg"].to_list() == [-400.0]
    assert all(frame.is_empty() for name, frame in none.items() if name != "stock")
    assert {name: frame.schema for name, frame in none.items()} == {
        name: frame.schema for name, frame in tables.items()
    }


# --- conservation through corrections --------------------------------------------------------


@settings(max_examples=4, deadline=None)
@given(st.data())
def test_area_mass_and_money_follow_what_stands_through_any_corrections(
    chosen: st.DataObject,
) -> None:
    yard = _yard()
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        enter(data, yard, "crew", crew="Blue", size=2)
        for job in ("Girders", "Tank"):
            enter(data, yard, "job", job=job)
        enter(
            data, yard, "shift", shift="night", crew="Blue", job="Girders", pots=["pot-1"],
            from_at="2026-10-24T21:00", to_at="2026-10-25T05:00",
        )  # fmt: skip
        enter(data, yard, "abrasive_kind", abrasive="garnet", price_kg=0.4)
        standing: dict[str, tuple[str, dict[str, Any]]] = {}
        for _ in range(chosen.draw(st.integers(2, 7))):
            kind = chosen.draw(st.sampled_from(["area", "abrasive"]))
            known = sorted(key for key, (what, _) in standing.items() if what == kind)
            if kind == "area":
                body: dict[str, Any] = {
                    "shift": "night", "pot": "pot-1", "at": "2026-10-25T04:00",
                    "job": chosen.draw(st.sampled_from(["Girders", "Tank"])),
                    "area_m2": float(chosen.draw(st.integers(1, 200))),
                    "reblast": chosen.draw(st.booleans()),
                }  # fmt: skip
            else:
                body = {
                    "pot": "pot-1", "abrasive": "garnet", "at": "2026-10-25T00:00",
                    "bags": chosen.draw(st.integers(1, 40)),
                }  # fmt: skip
            did = chosen.draw(st.sampled_from(["add", "add", "correct", "withdraw"]))
            if did == "add" or not known:
                standing[enter(data, yard, kind, **body)] = (kind, body)
                continue
            old = chosen.draw(st.sampled_from(known))
            del standing[old]
            if did == "correct":
                new = records.correct(data, yard, old, body, "Ann", "wrong", at=ENTERED)
                standing[new] = (kind, body)
            else:
                records.withdraw(data, old, "Ann", "never was", at=ENTERED)
        sheet = sheet_of(data, yard)
    areas = [body for kind, body in standing.values() if kind == "area"]
    kg = 25.0 * sum(body["bags"] for kind, body in standing.values() if kind == "abrasive")
    first = [a for a in areas if not a["reblast"]]
    assert (sheet.total("area_m2") or 0.0) == sum(a["area_m2"] for a in first)
    assert sheet.total("reblast_m2") == sum(a["area_m2"] for a in areas if a["reblast"])
    assert (sheet.total("abrasive_kg") or 0.0) == pytest.approx(kg)
    assert sheet.costs.items.get("abrasive", 0.0) == pytest.approx(0.4 * kg)


def _yard() -> Yard:
    from ingest.config import parse_yard

    return parse_yard(
        '[site]\nname = "y"\ntime_zone = "Europe/Berlin"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    )


# --- ratio of sums ---------------------------------------------------------------------------


def _rows(areas: list[float], hours: list[float]) -> pl.DataFrame:
    return pl.DataFrame({"area_m2": areas, "blast_s": [h * 3600.0 for h in hours]})


def test_a_rate_is_a_ratio_of_sums_also_where_the_mean_of_ratios_says_the_opposite() -> None:
    def sheet(rows: pl.DataFrame) -> sheets.Sheet:
        return sheets.Sheet("s", "c", BEGIN, END, True, rows, (), None)

    # One: a long slow day and a short quick hour. Other: two even days.
    one, other = _rows([90.0, 20.0], [9.0, 0.5]), _rows([98.0, 98.0], [8.0, 8.0])
    summed = [sheet(rows).ratio("area_m2", "blast_s", 3600.0) for rows in (one, other)]
    mean = [
        float(np.mean(rows["area_m2"].to_numpy() / rows["blast_s"].to_numpy())) * 3600.0
        for rows in (one, other)
    ]
    assert summed == pytest.approx([110 / 9.5, 12.25])
    assert mean == pytest.approx([25.0, 12.25])
    assert summed[0] < summed[1] and mean[0] > mean[1]  # the sign differs
    for rows, rate in zip((one, other), summed, strict=True):
        again = ratio_of_sums(rows["area_m2"].to_numpy(), rows["blast_s"].to_numpy() / 3600.0)
        assert again.value == pytest.approx(rate)
