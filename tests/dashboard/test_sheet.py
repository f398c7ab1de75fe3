"""A shift's sheet on its page and in commands: reasons by one tap, signing, exports."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from analytics.exports import TABLE_COLUMNS
from analytics.pipeline import derive
from dashboard import data
from dashboard.cli import app as commands
from ingest import record_rows, records
from ingest.config import load_yard
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

Show = Callable[[Path], None]
APP = str(Path(data.__file__).parent / "app.py")
YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
invented = true
currency = "EUR"
[[pot]]
name = "pot-1"
title = "Pot 1"
volume_m3 = 0.184
plate_pa = 1_000_000
nozzle_bore_m = 0.0095
"""
BEGIN = dt.datetime(2026, 5, 4, 6)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the store is kept once it was made."""
    return tmp_path_factory.mktemp("sheet") / "data"


@pytest.fixture(autouse=True)
def place(tmp_path: Path, made: Path, show: Show) -> Path:
    """Three hours of a shift at 2 Hz, with a stop of twenty minutes."""
    if not made.exists():
        make(made)
    data_folder = shutil.copytree(made, tmp_path / "data")
    show(data_folder)
    return data_folder


def make(place: Path) -> None:
    place.mkdir()
    (place / "yard.toml").write_text(YARD, encoding="utf-8")
    at = np.arange(0, 3 * 3600, 0.5)
    is_open = (at % 100 < 70) & ~((at > 4000) & (at < 5200))
    pot = np.where(is_open, 700e3 * np.minimum((at % 100) / 4, 1.0), 0.0)
    frame = pl.DataFrame(
        {
            "pot_id": pl.Series([1] * at.size, dtype=pl.Int16),
            "sampled_at": [BEGIN + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": is_open,
            "supply_pa": np.where(is_open, 720e3, 724e3),
            "pot_pa": pot,
            "nozzle_pa": pot * 0.9,
            "quality": pl.Series([0] * at.size, dtype=pl.Int32),
            "message_id": [0] * at.size,
        }
    ).with_columns(pl.col("sampled_at").alias("arrived_at"))
    with write_window(place) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        con.register("incoming", frame.to_arrow())
        add_samples(con, frame)
        con.execute(
            "INSERT INTO touched SELECT nextval('touched_number'), 1, min(sampled_at), "
            "max(sampled_at) FROM incoming"
        )
        con.unregister("incoming")
    yard = load_yard(place / "yard.toml")
    for kind, body in (
        ("crew", {"crew": "Blue", "size": 3}),
        ("job", {"job": "Girders", "planned_m2": 100.0}),
        ("shift", {"shift": "monday", "crew": "Blue", "job": "Girders", "pots": ["pot-1"],
                   "from_at": "2026-05-04T06:00Z", "to_at": "2026-05-04T09:00Z"}),
        ("area", {"job": "Girders", "shift": "monday", "pot": "pot-1", "area_m2": 40.0,
                  "at": "2026-05-04T08:55Z"}),
        ("abrasive_kind", {"abrasive": "garnet", "price_kg": 0.5, "reorder_kg": 900}),
        ("abrasive_move", {"abrasive": "garnet", "move": "delivered", "kg": 1000,
                           "at": "2026-05-01"}),
        ("abrasive", {"pot": "pot-1", "bags": 20, "abrasive": "garnet", "at": "2026-05-04T06:10Z"}),
    ):  # fmt: skip
        records.add(place, yard, kind, body, by="Supervisor A", via="command")
    derive(place, yard)


def review() -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60).run()
    return app.switch_page("views/review.py").run()


def text(app: AppTest) -> str:
    bodies = [element.proto.body for element in app.get("html")]
    return "\n".join(body for body in bodies if not body.startswith("<style>"))


def standing(place: Path, kind: str) -> list[dict[str, Any]]:
    with read_window(place) as con:
        return record_rows.current(con, kind)


def test_a_stop_gets_its_reason_by_one_tap(place: Path) -> None:
    app = review()
    assert not app.exception
    assert "Stops without a reason" in text(app)
    stops = [pills for pills in app.pills if "min" in pills.label]
    assert [stop.label.split(",")[0] for stop in stops] == ["09:06 to 09:26"]
    stops[0].set_value("weather").run()
    assert standing(place, "stop_reason") == []  # nobody said who taps
    app.text_input(key="sheet-stop-by").set_value("Tender 1").run()
    (row,) = standing(place, "stop_reason")
    assert (row["stop_for"], row["recorded_by"], row["pot"]) == ("weather", "Tender 1", "pot-1")
    assert isinstance(row["from_at"], dt.datetime) and isinstance(row["to_at"], dt.datetime)
    assert (row["to_at"] - row["from_at"]).total_seconds() == pytest.approx(1200.0, abs=120.0)
    said = text(app)
    assert "Every stop has its reason." in said and "Weather, dew, rain" in said


def test_a_sheet_is_signed_and_what_comes_later_shows(place: Path) -> None:
    app = review()
    app.text_input(key="sheet-sign-by").set_value("Supervisor A")
    next(b for b in app.button if b.label == "Sign this sheet").click().run()
    assert not app.exception and "Signed by Supervisor A" in text(app)
    (row,) = standing(place, "signature")
    assert row["area_m2"] == 40.0 and row["abrasive_kg"] == 500.0
    runner = CliRunner()
    more = ["record", "area", "6", "--job", "Girders", "--shift", "monday", "--pot", "pot-1",
            "--at", "2026-05-04T10:59", "--by", "Ben"]  # fmt: skip
    refused = runner.invoke(commands, more)
    assert refused.exit_code != 0 and not [a for a in standing(place, "area") if a["area_m2"] == 6]
    assert runner.invoke(commands, [*more, "--late", "found on paper"]).exit_code == 0
    st.cache_data.clear()  # what a command entered shows on pages after two seconds
    said = text(review())
    assert "Changed after signing: area done entered by Ben" in said
    assert "found on paper" in said and "Area was 40.0 when signed, and is 46.0 m²" in said


def test_the_command_prints_the_whole_sheet(place: Path) -> None:
    done = CliRunner().invoke(commands, ["shift", "monday"])
    assert done.exit_code == 0, done.output
    for part in (
        "Invented yard", "monday:", "Not signed yet.", "Area: 40.0 m²", "Where the time went",
        "Utilisation efficiency", "Lost by the rule of thumb", "Best hour", "no reason yet",
        "theory without abrasive", "no price for wages",
    ):  # fmt: skip
        assert part in done.output, part
    nowhere = CliRunner().invoke(commands, ["shift", "tuesday"])
    assert nowhere.exit_code != 0


def test_stock_says_where_to_order(place: Path) -> None:
    done = CliRunner().invoke(commands, ["stock", "--format", "csv"])
    assert done.exit_code == 0, done.output
    head, row = done.output.strip().splitlines()
    told = dict(zip(head.split(","), row.split(","), strict=True))
    assert (told["stock_kg"], told["state"]) == ("500.0", "order")


@pytest.mark.parametrize("form", ["parquet", "csv"])
def test_exported_files_read_back_as_they_were(place: Path, tmp_path: Path, form: str) -> None:
    out = tmp_path / "out"
    done = CliRunner().invoke(commands, ["export", str(out), "--format", form])
    assert done.exit_code == 0, done.output
    for name, columns in TABLE_COLUMNS.items():
        path = out / f"{name}.{form}"
        frame = pl.read_parquet(path) if form == "parquet" else pl.read_csv(path)
        assert tuple(frame.columns) == columns, name
    assert (out / "DATA_DICTIONARY.md").exists()


def test_a_workbook_has_a_sheet_a_table_and_one_of_units(place: Path, tmp_path: Path) -> None:
    import zipfile

    out = tmp_path / "month.xlsx"
    done = CliRunner().invoke(commands, ["export", str(out)])
    assert done.exit_code == 0, done.output
    with zipfile.ZipFile(out) as book:
        names = book.read("xl/workbook.xml").decode()
        strings = book.read("xl/sharedStrings.xml").decode()
    for name in ("read me", *TABLE_COLUMNS, "units"):
        assert f'name="{name}"' in names
    assert "Invented yard" in strings and "EUR" in strings
    assert "Blast-on time: dead-man open and the pot pressurised" in strings


def test_pieces_are_counted_in_the_log_book(place: Path) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run().switch_page("views/logbook.py").run()
    next(g for g in app.button_group if g.label == "Enter").set_value("area").run()
    lines = next(area for area in app.text_area if "pieces" in (area.key or ""))
    lines.set_value("12, IPE 200, 6\n4, plate, 6, 2, 2")
    next(t for t in app.text_input if (t.key or "").endswith("-by")).set_value("Ann")
    next(b for b in app.button if b.label == "Save area done").click().run()
    assert not app.exception, app.exception
    counted = [row for row in standing(place, "area") if row.get("pieces")]
    assert counted and counted[0]["area_m2"] == pytest.approx(151.3, abs=0.1)


PIECES = [
    {"piece": "IPE 200", "count": 12, "each_m2": 4.609, "length_m": 6.0},
    {"piece": "plate 6 x 2 m, both sides", "count": 4, "each_m2": 24.0, "length_m": None},
]
KINDS: tuple[tuple[str, dict[str, object]], ...] = (
    ("area", {"job": "Girders", "shift": "monday", "pot": "pot-1", "at": "2026-05-04T08:30Z",
              "pieces": PIECES}),
    ("job", {"job": "Tank", "access": "rope", "place": "outdoor", "profile": "medium",
             "profile_low_um": 50, "profile_high_um": 75, "coating": "red lead",
             "coating_um": 300}),
    ("stop_reason", {"pot": "pot-1", "from_at": "2026-05-04T07:06Z", "to_at": "2026-05-04T07:20Z",
                     "stop_for": "inspection"}),
    ("job_change", {"shift": "monday", "job": "Girders", "from_at": "2026-05-04T08:00Z"}),
    ("abrasive_move", {"abrasive": "garnet", "move": "swept", "goes": "waste", "kg": 120,
                       "at": "2026-05-04T08:50Z", "batch": "B-1"}),
    ("price", {"price_of": "wage_h", "price": 41.5, "from_at": "2026-01-01", "crew": "Blue"}),
    ("fuel", {"shift": "monday", "litres": 55.0, "at": "2026-05-04T08:40Z"}),
)  # fmt: skip


def test_entries_on_production_can_be_opened_and_saved_unchanged(place: Path) -> None:
    yard = load_yard(place / "yard.toml")
    for kind, body in KINDS:
        records.add(place, yard, kind, body, by="Ann", via="command")
    app = AppTest.from_file(APP, default_timeout=60).run().switch_page("views/logbook.py").run()
    own = {"record_id", "recorded_at", "recorded_by", "via", "supersedes", "reason"}
    for kind, _ in KINDS:
        before = standing(place, kind)[-1]
        app.session_state["log-open"] = before["record_id"]
        app.run()
        key = f"correct-{before['record_id']}"
        app.text_input(key=f"{key}-reason").set_value("nothing changed")
        app.text_input(key=f"{key}-by").set_value("Ann")
        app.button(key=f"FormSubmitter:{key}-Save correction").click().run()
        assert not app.exception, app.exception
        after = standing(place, kind)[-1]
        assert after["supersedes"] == before["record_id"], kind
        told = [{k: v for k, v in row.items() if k not in own} for row in (before, after)]
        if kind == "area":  # the area of pieces is computed anew, to its last digit
            pieces = [[(p["piece"], p["count"]) for p in row.pop("pieces")] for row in told]
            areas = [row.pop("area_m2") for row in told]
            assert pieces[0] == pieces[1] and areas[1] == pytest.approx(areas[0], abs=0.05)
        assert told[0] == told[1], kind


def test_jobs_stand_against_their_plan(place: Path) -> None:
    done = CliRunner().invoke(commands, ["jobs", "--format", "csv"])
    assert done.exit_code == 0, done.output
    head, row = done.output.strip().splitlines()
    told = dict(zip(head.split(","), row.split(","), strict=True))
    assert (told["area_m2"], told["planned_m2"], told["done_share"]) == ("40.0", "100.0", "0.4")
