"""The commands that archive, back up and restore, and the yard file's table."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import polars as pl
import pytest
from typer.testing import CliRunner

from dashboard.cli import app
from ingest.config import parse_yard
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.sample_rows import add_samples
from ingest.yard_faults import YardFaults

YARD = """
[site]
name = "yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862000
"""


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    begin = dt.datetime(2026, 3, 2, 8)
    rows = pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=n / 2) for n in range(200)],
            "pot_pa": [250.0 * (n % 17) for n in range(200)],
        }
    )
    with write_window(folder) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        add_samples(
            con,
            rows.with_columns(
                arrived_at="sampled_at", pot_id=pl.lit(1), quality=pl.lit(0), message_id=pl.lit(0)
            ),
        )
    (folder / "yard.toml").write_text(YARD)
    return folder


def said(*arguments: str | Path, code: int = 0) -> str:
    done = CliRunner().invoke(app, [str(one) for one in arguments])
    assert done.exit_code == code, done.output
    return " ".join(done.output.split())


def test_archive_back_up_and_restore(data: Path, tmp_path: Path) -> None:
    assert "1 files, 200 rows" in said("archive", "--data", data, "--pack")
    assert "as it was written" in said("archive", "--data", data, "--check")
    to, back = tmp_path / "backups", tmp_path / "back"
    assert "were copied" in said("backup", to, "--data", data, "--keep", "2")
    assert "is whole" in said("backup", to, "--check")
    assert "read back" in said("restore", to, "--to", back)
    assert (back / "yard.toml").read_text() == YARD
    assert "as it was written" in said("archive", "--data", back, "--check")
    assert "not empty" in said("restore", to, "--to", back, code=1)
    # Damage shows, and the way out is named.
    next((back / "archive").rglob("*.parquet")).unlink()
    assert "gritbook restore" in said("archive", "--data", back, "--check", code=1)


def test_deleting_wants_a_name_and_a_yes(data: Path) -> None:
    said("archive", "--data", data)
    for missing in ([], ["--by", "owner"], ["--yes"]):
        told = said("archive", "--data", data, "--delete-before", "2026-04-01", *missing, code=1)
        assert "gone for good" in told
    told = said(
        "archive", "--data", data, "--delete-before", "2026-04-01", "--by", "owner", "--yes"
    )
    assert "1 files are deleted" in told
    with read_window(data) as con:
        assert con.execute("SELECT rows, deleted_by FROM archive_gone").fetchall() == [
            (200, "owner")
        ]


def test_nothing_is_archived_that_is_young_or_not_derived(data: Path) -> None:
    assert "0 files" in said("archive", "--data", data, "--days", "100000")
    with write_window(data) as con:
        con.execute("INSERT INTO touched VALUES (1, 1, '2026-03-02 08:00', '2026-03-02 08:01')")
    assert "gritbook derive" in said("archive", "--data", data)
    assert store_path(data).exists() and not (data / "archive").exists()


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('place = "s3://key:secret@bucket/grit"', "password"),
        ('place = "somewhere"', "whole path"),
        ("cold_days = 700", "cold_place"),
        ('days = 90\ncold_days = 60\ncold_place = "/mnt/cold"', "cold_days"),
        ("days = 0", "days"),
        ("hours = 3", "hours"),
    ],
)
def test_faults_of_the_table_are_told(table: str, told: str) -> None:
    with pytest.raises(YardFaults, match=told):
        parse_yard(f"{YARD}[archive]\n{table}\n")


def test_the_tables_defaults_keep_everything() -> None:
    settings = parse_yard(YARD).archive
    assert (settings.days, settings.place, settings.cold_days, settings.drop_journal) == (
        60, "", None, False,
    )  # fmt: skip
