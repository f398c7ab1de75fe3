"""Comparing and estimating: what the commands print and what the pages show, on a made-up yard."""

from __future__ import annotations

import datetime as dt
import html
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from analytics import part_rows, pipeline
from analytics.pipeline import derive
from dashboard import data, shifts_data, words
from dashboard.cli import app as cli
from ingest import records
from ingest.config import load_yard
from ingest.store import connection
from ingest.store.connection import read_window, write_window

Show = Callable[[Path], None]
PutSamples = Callable[[Path, str, pl.DataFrame], None]
APP = str(Path(data.__file__).parent / "app.py")
BEGIN = dt.datetime(2026, 3, 2, 6)
CREWS = {"Blue": (3, 14.0), "Green": (3, 22.0), "Solo": (1, 15.0)}

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
invented = true
currency = "EUR"
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
nozzle_bore_m = 0.0095
"""


def make(place: Path, put_samples: PutSamples) -> None:
    """Eighteen shifts of three crews on four jobs; one shift of Blue has no area."""
    rng = np.random.default_rng(7)
    yard = load_yard(place / "yard.toml")
    entered: list[str] = []

    def enter(kind: str, **body: object) -> None:
        row = {"kind": kind, "recorded_at": "2026-04-01T12:00:00Z", "recorded_by": "Supervisor A"}
        entered.append(json.dumps(row | {"body": body}))

    for crew, (size, _) in CREWS.items():
        enter("crew", crew=crew, size=size)
    for number in range(4):
        enter(
            "job", job=f"job-{number}", prep_grade="Sa 2.5", rust_grade="B", access="ground",
            item="plates",
        )  # fmt: skip
    enter("price", price_of="wage_h", price=40.0, from_at="2026-01-01")
    enter("abrasive_kind", abrasive="garnet", price_kg=0.5)
    at = np.arange(0.0, 2400.0, 1.0)
    is_open = at % 300 < 240
    frames = []
    for number in range(18):
        crew = list(CREWS)[number % 3]
        begin = BEGIN + dt.timedelta(days=number)
        frames.append(
            pl.DataFrame(
                {
                    "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
                    "deadman": is_open,
                    "supply_pa": np.where(is_open, 720e3, 724e3) + rng.normal(0, 500.0, at.size),
                    "pot_pa": np.where(is_open, 700e3, 0.0),
                    "nozzle_pa": np.where(is_open, 640e3, 0.0),
                }
            )
        )
        shift, job = f"shift-{number}", f"job-{(number // 2) % 4}"
        ends = (begin + dt.timedelta(seconds=2400)).isoformat() + "Z"
        enter("shift", shift=shift, crew=crew, job=job, pots=["pot-1"],
              from_at=begin.isoformat() + "Z", to_at=ends)  # fmt: skip
        middle = (begin + dt.timedelta(seconds=1200)).isoformat() + "Z"
        area = CREWS[crew][1] * 1920.0 / 3600.0 * float(np.exp(rng.normal(0.0, 0.08)))
        if number != 3:
            enter("area", job=job, shift=shift, pot="pot-1", area_m2=area, at=middle)
        enter("abrasive", pot="pot-1", at=middle, bags=area * 18.0 / 25.0, abrasive="garnet",
              shift=shift)  # fmt: skip
    put_samples(place, "pot-1", pl.concat(frames))
    (place / "entered.jsonl").write_text("\n".join(entered), encoding="utf-8")
    records.load_file(place, yard, place / "entered.jsonl")
    derive(place, yard)


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the store is kept once it was made."""
    return tmp_path_factory.mktemp("crews") / "gritbook.duckdb"


@pytest.fixture
def bare(tmp_path: Path, show: Show) -> Path:
    """A data folder with a yard file only."""
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    show(tmp_path)
    return tmp_path


@pytest.fixture
def place(bare: Path, put_samples: PutSamples, made: Path) -> Path:
    """The same with eighteen shifts in it."""
    if not made.exists():
        make(bare, put_samples)
        shutil.copyfile(bare / made.name, made)
    shutil.copyfile(made, bare / made.name)
    return bare


def run(*words_: str, code: int = 0) -> str:
    done = CliRunner().invoke(cli, list(words_), env={"COLUMNS": "200"})
    assert done.exit_code == code, done.output
    return done.output


# --- commands --------------------------------------------------------------------------------


def test_compare_prints_sums_and_adjusted_figures_and_what_does_not_count(place: Path) -> None:
    said = run("compare")
    assert "Invented yard" in said
    assert "Green did" in said and "under like conditions" in said
    assert "Solo" not in said and "no judgement of a person" in said
    assert "shift-3, pot-1, Blue: no area is entered" in said
    assert "Allowed for" in said or "Set apart" in said


def test_compare_gives_programs_its_frames(place: Path) -> None:
    groups = json.loads(run("compare", "--format", "json"))
    assert [row["group"] for row in groups] == ["Blue", "Green"]
    blue, green = groups
    assert blue["used"] == 5 and blue["shifts"] == 6 and green["used"] == 6
    assert green["rate"] == pytest.approx(22.0, rel=0.12)
    assert green["rate_low"] < green["rate"] < green["rate_high"]
    pairs = json.loads(run("compare", "--part", "pairs", "--format", "json"))
    assert [(row["first"], row["second"], row["different"]) for row in pairs] == [
        ("Blue", "Green", True)
    ]
    left_out = run("compare", "--part", "left-out", "--format", "csv").splitlines()
    assert left_out[0].startswith("shift,pot,group") and left_out[1].endswith("no_area")
    kg = json.loads(run("compare", "--rate", "abrasive-per-area", "--format", "json"))
    assert kg[0]["rate"] == pytest.approx(18.0)
    march = json.loads(run("compare", "--to", "2026-03-05", "--format", "json"))
    assert all(row["adjusted"] is None for row in march)


def test_estimate_rests_on_history_or_says_that_it_does_not(place: Path) -> None:
    said = run("estimate", "--area", "100", "--prep", "Sa 2.5", "--people", "3")
    assert "this yard's own history" in said and "Rests on 17 shifts" in said
    assert "EUR" in said and "for wages and abrasive only" in said
    assert "Air to breathe needs a supply of its own" in said
    lines = {
        row["what"]: row
        for row in json.loads(
            run("estimate", "--area", "100", "--prep", "Sa 2.5", "--format", "json")
        )
    }
    assert 3.0 < lines["blast_h"]["low"] < lines["blast_h"]["middle"] < lines["blast_h"]["high"]
    assert lines["abrasive_kg"]["middle"] == pytest.approx(1800.0, rel=0.25)
    other = run("estimate", "--area", "100", "--prep", "Sa 3", "--air-m3-min", "2")
    assert "no history of Sa 3" in other and "common practice, not this yard" in other
    assert "can be expected to hold about" in other


def test_what_cannot_be_is_a_sentence(place: Path) -> None:
    assert "expected Sa 1" in run("estimate", "--area", "10", "--prep", "shiny", code=2)
    assert "expected one of" in run(
        "estimate", "--area", "10", "--prep", "Sa 2", "--access", "boat", code=2
    )
    assert "--out goes with" in run("compare", "--out", "x.csv", code=2)


def test_without_a_store_commands_end_with_a_sentence(bare: Path) -> None:
    assert "Traceback" not in run("compare", code=1)
    assert "Traceback" not in run("estimate", "--area", "10", "--prep", "Sa 2", code=1)


# --- pages -----------------------------------------------------------------------------------


def opened(view: str) -> AppTest:
    return AppTest.from_file(APP, default_timeout=60).run().switch_page(view).run()


def text(app: AppTest) -> str:
    """What a page says, as people read it."""
    assert not app.exception, [e.message for e in app.exception]
    pieces = [e.proto.body for e in app.get("html") if not e.proto.body.startswith("<style>")]
    plain = html.unescape(re.sub(r"<[^>]+>", " ", "\n".join(pieces)))
    said = re.sub(r"\s+", " ", plain.replace(words.NBSP, " ").replace("\u202f", " "))
    assert "safe to open" not in said.lower() and "traceback" not in said.lower()
    return said


@pytest.mark.parametrize("view", ["views/crews.py", "views/estimate.py"])
def test_without_a_store_pages_say_what_to_do(bare: Path, view: str) -> None:
    assert "gritbook ingest" in text(opened(view))


def test_the_page_on_crews_shows_ranges_and_what_adjusting_does(place: Path) -> None:
    app = opened("views/crews.py")
    app.segmented_control(key="crews-period").set_value("All").run()
    said = text(app)
    assert "Green did" in said and "By name, not by rate" in said and "Solo" not in said
    assert "What adjusting does" in said and "no judgement of people" in said
    assert len(app.get("vega_lite_chart")) == 1
    assert "no area is entered" in said
    for by in ("job", "pot", "bore_m", "abrasive"):
        app.segmented_control(key="crews-by").set_value(by).run()
        assert "What adjusting does" in text(app)
    app.segmented_control(key="crews-by").set_value("crew")
    app.selectbox(key="crews-rate").set_value("air_kg_m2").run()
    text(app)


def test_the_page_on_crews_without_a_shift_in_the_period_says_why(place: Path) -> None:
    app = opened("views/crews.py")
    app.segmented_control(key="crews-period").set_value("4 weeks").run()
    assert "counts for this rate" in text(app)


def test_the_page_on_estimates_answers_when_asked(place: Path) -> None:
    app = opened("views/estimate.py")
    assert "this yard's own history" not in text(app)
    app.button[0].click().run()
    said = text(app)
    assert "This yard's own history" in said and "Rests on 17 shifts" in said
    assert "Compressor: not known here." in said
    assert "Common practice, not this yard" in said and "EUR" in said
    app.selectbox[0].set_value("Sa 3")
    app.button[0].click().run()
    assert "no history of Sa 3" in text(app)


def test_an_estimate_begins_with_the_nozzle_that_is_in_use(place: Path) -> None:
    def bore() -> Any:
        return opened("views/estimate.py").number_input[3]

    assert bore().label == "Bore of the nozzle [mm]" and bore().value == 9.5
    assert bore().help == "As the yard file has it for pot-1."
    check = {"pot": "pot-1", "part": "nozzle", "result": "good", "quantity": "bore"}
    for value, at in ((11.0, "2026-04-03T10:00"), (10.2, "2026-04-02T10:00")):
        yard = load_yard(place / "yard.toml")
        body = check | {"value": value, "unit": "mm", "at": at}
        records.add(place, yard, "check", body, by="Ann", via="command")
    data.forget_version()
    assert bore().value == 11.0
    assert bore().help == "As last measured on pot-1, Fri 3 Apr 2026."
    # It is only what stands there at first.
    app = opened("views/estimate.py")
    app.number_input[3].set_value(12.5)
    app.button[0].click().run()
    assert "has not worked with 12.5 mm" in text(app)


def test_a_comparison_is_made_anew_for_other_rows_only(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[float] = []
    compare = shifts_data.compare.compare

    def counted(rows: pl.DataFrame, *arguments: Any) -> Any:
        made.append(float(rows["area_m2"].sum()))
        return compare(rows, *arguments)

    monkeypatch.setattr(shifts_data.compare, "compare", counted)
    version = data.version()
    # Deriving again, with nothing new, changes the version but no row.
    later = version._replace(derived_at=dt.datetime(2030, 1, 1))
    first = shifts_data.comparison(version, "crew", "area_m2_blast_h", None)
    again = shifts_data.comparison(later, "crew", "area_m2_blast_h", None)
    assert len(made) == 1 and first.groups.equals(again.groups)
    rows = shifts_data.shift_rows(version)
    middle = pl.int_range(pl.len()) == rows.height // 2
    other = rows.with_columns(pl.when(middle).then(pl.col("area_m2") + 1.0).otherwise("area_m2"))
    monkeypatch.setattr(shifts_data, "_shift_rows", lambda version: other)
    shifts_data.comparison(later, "crew", "area_m2_blast_h", None)
    assert made[1:] == [pytest.approx(made[0] + 1.0)]


def test_what_is_read_together_opens_the_store_once_and_lets_it_go(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened_stores: list[Any] = []
    open_store = connection.open_store

    def counted(*arguments: Any, **named: Any) -> Any:
        opened_stores.append(open_store(*arguments, **named))
        return opened_stores[-1]

    monkeypatch.setattr(connection, "open_store", counted)
    with data.together():
        assert not opened_stores
        version = data.version()
        data.pots_heard(version)
        shifts_data.shift_rows(version)
    assert len(opened_stores) == 1
    with write_window(place, wait_s=1.0):
        pass  # nobody holds it any more
    so_far = len(opened_stores)
    with data.together():
        data.pots_heard(version)
    assert len(opened_stores) == so_far, "what is kept opens nothing"


def test_a_shift_by_itself_has_the_hours_that_it_has_among_all(place: Path) -> None:
    yard, now = load_yard(place / "yard.toml"), pipeline.utc_now()
    with read_window(place) as con:
        every = part_rows.part_rows(con, yard, now)
        names = every["shift"].unique().sort().to_list()
        for name in (names[0], names[len(names) // 2], names[-1]):
            alone = part_rows.part_rows(con, yard, now, [name])
            assert alone.equals(every.filter(pl.col("shift") == name))
