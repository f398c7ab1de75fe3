"""`gritbook import`."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from click.testing import Result
from typer.testing import CliRunner

from dashboard.commands import card
from ingest.store.connection import read_window, store_path

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
"""

CARD = """\
time,pot_kpa,supply_psi,deadman,suply_kpa
2026-05-04 06:00:00.0,1.5,100,0,7
2026-05-04 06:00:00.1,250,101,1,8
2026-05-04 06:00:00.2,x,102,1,9
"""

app = typer.Typer()
app.command("import")(card.import_card)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    (folder / "yard.toml").write_text(YARD)
    (tmp_path / "card.csv").write_text(CARD)
    return folder


def run(data: Path, *words: str) -> Result:
    return CliRunner().invoke(app, [*words, "--pot", "pot-1", "--data", str(data)])


def test_a_dry_run_says_what_would_be_done(data: Path, tmp_path: Path) -> None:
    result = run(data, str(tmp_path / "card.csv"), "--dry-run")
    assert result.exit_code == 0, result.output
    assert "csv, wide, 3 rows, 2026-05-04 04:00:00 to 2026-05-04 04:00:00 UTC" in result.stdout
    assert "about 10 a second" in result.stdout
    assert "  supply_psi: supply in Pa from psi, 2 readings" in result.stdout
    assert "8 readings would be new; 1 rows refused (1 as a value is not a number)" in result.stdout
    assert "did you mean supply" in result.stdout
    assert result.stdout.endswith("Nothing was written.\n")
    assert not store_path(data).exists()


def test_import_and_again(data: Path, tmp_path: Path) -> None:
    first = run(data, str(tmp_path / "card.csv"))
    assert first.exit_code == 0 and "8 readings new; 1 rows refused" in first.stdout
    with read_window(data) as con:
        assert con.execute("SELECT pot_pa FROM sample ORDER BY sampled_at").fetchall() == [
            (1500.0,), (250_000.0,),
        ]  # fmt: skip
    again = run(data, str(tmp_path / "card.csv"))
    assert again.exit_code == 0 and "already; nothing to do" in again.stdout


def test_times_can_be_said_to_be_utc(data: Path, tmp_path: Path) -> None:
    result = run(data, str(tmp_path / "card.csv"), "--utc", "--dry-run")
    assert "2026-05-04 06:00:00 to" in result.stdout


def test_a_folder(data: Path, tmp_path: Path) -> None:
    folder = tmp_path / "cards"
    folder.mkdir()
    (folder / "1.csv").write_text(CARD)
    (folder / "2.csv").write_text(CARD.replace("06:00:00", "07:00:00"))
    result = run(data, str(folder))
    assert result.exit_code == 0 and "2 files: 16 readings new." in result.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("none.csv",), "There is no file none.csv"),
        (("none.csv", "--format", "xls"), "Choose csv, parquet, senml or auto"),
    ],
)
def test_refusals_are_sentences(data: Path, words: tuple[str, ...], said: str) -> None:
    result = run(data, *words)
    assert result.exit_code == 1
    assert said in result.stderr and "Traceback" not in result.output


def test_absolute_pressure_needs_the_air_pressure(data: Path, tmp_path: Path) -> None:
    path = tmp_path / "absolute.csv"
    path.write_text("time,pot_kpa_abs\n2026-05-04T04:00:00Z,801.3\n")
    refused = run(data, str(path))
    assert refused.exit_code == 1 and "--atmosphere-kpa" in refused.stderr
    taken = run(data, str(path), "--atmosphere-kpa", "101.3")
    assert taken.exit_code == 0
    with read_window(data) as con:
        ((pressure,),) = con.execute("SELECT pot_pa FROM sample").fetchall()
    assert pressure == pytest.approx(700_000.0)
