"""What the commands print: the same figures as the store, in every form, and sentences on error."""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from analytics.pipeline import derive
from dashboard.cli import app
from ingest import records
from ingest.config import load_yard

PutSamples = Callable[[Path, str, pl.DataFrame], None]
BEGIN = dt.datetime(2026, 3, 2, 6)

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
invented = true
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, put_samples: PutSamples) -> Path:
    """A data folder with ten cycles of a minute each, and a shift booked over them; only read."""
    folder = tmp_path_factory.mktemp("filled")
    (folder / "yard.toml").write_text(YARD, encoding="utf-8")
    at = [i * 0.5 for i in range(2 * 60 * 20)]
    deadman = [int(s // 60) % 2 == 1 for s in at]
    put_samples(
        folder,
        "pot-1",
        pl.DataFrame(
            {
                "sampled_at": [BEGIN + dt.timedelta(seconds=s) for s in at],
                "deadman": deadman,
                "supply_pa": [700e3] * len(at),
                "pot_pa": [690e3 if d else 0.0 for d in deadman],
                "nozzle_pa": [610e3 if d else 0.0 for d in deadman],
            }
        ),
    )
    yard = load_yard(folder / "yard.toml")
    entered = dt.datetime(2026, 3, 2, 12, tzinfo=dt.UTC)
    for kind, body in (
        ("crew", {"crew": "crew-a", "size": 2}),
        ("job", {"job": "tank", "rust_grade": "C", "prep_grade": "Sa 2.5"}),
        ("shift", {"shift": "monday", "crew": "crew-a", "job": "tank", "pots": ["pot-1"],
                   "from_at": "2026-03-02T06:00:00Z", "to_at": "2026-03-02T06:20:00Z"}),
        ("area", {"job": "tank", "shift": "monday", "pot": "pot-1", "area_m2": 4.0,
                  "at": "2026-03-02T06:19:00Z"}),
        ("abrasive", {"pot": "pot-1", "bags": 3, "at": "2026-03-02T06:01:00Z"}),
    ):  # fmt: skip
        records.add(folder, yard, kind, body, by="Supervisor A", via="command", at=entered)
    derive(folder, yard, now=dt.datetime(2026, 3, 3))
    return folder


def run(data: Path, *arguments: str, status: int = 0) -> str:
    done = CliRunner().invoke(app, [*arguments, "--data", str(data)])
    assert done.exit_code == status, done.output
    return done.output


def test_shift_as_json_is_the_summary(filled: Path) -> None:
    (shift,) = json.loads(run(filled, "shift", "--format", "json"))
    # Ten presses of a minute each, sampled twice a second.
    assert shift["cycles"] == 10
    assert shift["deadman_s"] == pytest.approx(600.0, abs=0.26)
    assert shift["blast_s"] == pytest.approx(600.0, abs=0.26)
    assert shift["drop_supply_pot_pa"] == 10e3
    assert shift["drop_pot_nozzle_pa"] == 80e3
    assert shift["abrasive_kg_m2"] == 75.0 / 4.0
    assert shift["from_at"] == "2026-03-02T06:00:00.000000Z"


def test_forms_agree(filled: Path, tmp_path: Path) -> None:
    as_json = pl.read_json(io.StringIO(run(filled, "cycles", "--format", "json")))
    as_csv = pl.read_csv(io.StringIO(run(filled, "cycles", "--format", "csv")))
    out = tmp_path / "cycles.parquet"
    run(filled, "cycles", "--format", "parquet", "--out", str(out))
    as_parquet = pl.read_parquet(out)
    assert as_json.height == as_csv.height == as_parquet.height == 10
    assert as_json["blast_s"].to_list() == as_csv["blast_s"].to_list()
    assert as_parquet["blast_s"].to_list() == as_csv["blast_s"].to_list()
    assert as_parquet.schema["pressed_at"] == pl.Datetime("us", "UTC")


def test_from_and_to_are_the_sites_time_and_a_date_means_its_end(filled: Path) -> None:
    # 06:00 UTC is 07:00 in Berlin in March.
    some = json.loads(
        run(filled, "cycles", "--from", "2026-03-02T07:05", "--to", "2026-03-02T07:10",
            "--format", "json")
    )  # fmt: skip
    assert [c["pressed_at"][11:16] for c in some] == ["06:05", "06:07", "06:09"]
    whole_day = json.loads(run(filled, "cycles", "--to", "2026-03-02", "--format", "json"))
    assert len(whole_day) == 10


def test_hours_by_day_add_up_to_hours_in_all(filled: Path) -> None:
    days = json.loads(run(filled, "hours", "--format", "json"))
    whole = json.loads(run(filled, "hours", "--by", "all", "--format", "json"))
    assert sum(d["blast_s"] for d in days) == pytest.approx(whole[0]["blast_s"])
    assert whole[0]["blast_low_s"] <= whole[0]["blast_s"] <= whole[0]["blast_high_s"]


def test_upkeep_names_the_pinch_hose_with_its_source(filled: Path) -> None:
    due = json.loads(run(filled, "upkeep", "--format", "json"))
    hose = next(row for row in due if row["part"] == "pinch_hose")
    assert hose["cycles"] == 10
    assert hose["source"] == "common practice"
    assert "prove it is vented" in run(filled, "upkeep")


def test_readings_are_as_kept(filled: Path) -> None:
    rows = json.loads(
        run(filled, "readings", "--to", "2026-03-02T07:00:01", "--format", "json", "--pot", "pot-1")
    )
    assert {(r["channel"], r["value"]) for r in rows} == {
        ("deadman", 0.0), ("supply", 700e3), ("pot", 0.0), ("nozzle", 0.0)
    }  # fmt: skip


def test_tables_say_that_the_yard_is_invented(filled: Path) -> None:
    for command in ("shift", "cycles", "hours", "upkeep", "readings"):
        assert "Invented yard" in run(filled, command)


@pytest.mark.parametrize(
    ("arguments", "words", "status"),
    [
        (["shift", "--pot", "pot-9"], "there is no pot", 2),
        (["cycles", "--from", "2026-13-01"], "is not a date or time", 2),
        (["hours", "--from", "2026-03-02", "--to", "2026-03-01"], "not before", 2),
        (["shift", "--yard", "nowhere.toml"], "There is no yard file", 1),
    ],
)
def test_wrong_words_get_a_sentence(
    filled: Path, arguments: list[str], words: str, status: int
) -> None:
    output = run(filled, *arguments, status=status)
    assert words in " ".join(output.split())
    assert "Traceback" not in output


def test_no_store_yet_says_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    assert "gritbook ingest" in run(tmp_path, "shift", status=1)
