"""`gritbook init` and `gritbook check`."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from dashboard.commands import yard
from ingest.config import load_yard

app = typer.Typer()
app.command("init")(yard.init)
app.command("check")(yard.check)
runner = CliRunner()


def test_init_writes_a_file_that_loads_and_never_replaces_one(tmp_path: Path) -> None:
    data = tmp_path / "data"
    first = runner.invoke(app, ["init", "--data", str(data), "--time-zone", "Europe/Berlin"])
    assert first.exit_code == 0 and "gritbook check" in first.stdout
    written = load_yard(data / "yard.toml")
    assert written.site.time_zone == "Europe/Berlin"
    (data / "yard.toml").write_text("mine")
    again = runner.invoke(app, ["init", "--data", str(data)])
    assert again.exit_code == 1 and "--force" in again.stderr
    assert (data / "yard.toml").read_text() == "mine"
    assert runner.invoke(app, ["init", "--data", str(data), "--force"]).exit_code == 0
    assert load_yard(data / "yard.toml").pot_names == ("pot-1",)


def test_init_takes_this_computers_zone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for zone, expected in (("America/Chicago", "America/Chicago"), ("Nowhere/There", "UTC")):
        monkeypatch.setenv("TZ", zone)
        path = tmp_path / f"{expected.replace('/', '-')}.toml"
        assert runner.invoke(app, ["init", "--yard", str(path)]).exit_code == 0
        assert load_yard(path).site.time_zone == expected


def test_init_refuses_a_zone_there_is_not_and_a_place_it_may_not_write(tmp_path: Path) -> None:
    bad = runner.invoke(app, ["init", "--data", str(tmp_path / "d"), "--time-zone", "Mars"])
    assert bad.exit_code == 1 and "no such time zone" in bad.stderr
    assert not (tmp_path / "d").exists()
    (tmp_path / "file").write_text("")
    blocked = runner.invoke(app, ["init", "--data", str(tmp_path / "file" / "d")])
    assert blocked.exit_code == 1 and "cannot be written" in blocked.stderr


def test_check_ends_with_1_only_where_something_is_broken(tmp_path: Path) -> None:
    data = tmp_path / "data"
    runner.invoke(app, ["init", "--data", str(data)])
    path = data / "yard.toml"
    text = path.read_text()
    begin, end = text.index("[mqtt]"), text.index("# --- A serial line")
    no_broker = text[:begin] + text[end:]
    begin, end = no_broker.index("[[box]]"), no_broker.index("# --- The transducer")
    path.write_text(no_broker[:begin] + no_broker[end:])
    good = runner.invoke(app, ["check", "--data", str(data)])
    assert good.exit_code == 0, good.stdout
    assert "ok    yard file" in good.stdout and "look  ingest" in good.stdout
    path.write_text(path.read_text().replace("plate_pa = 862000", "plate_pa = 125"))
    bad = runner.invoke(app, ["check", "--data", str(data), "--format", "json"])
    assert bad.exit_code == 1
    (fault,) = [f for f in json.loads(bad.stdout) if f["status"] == "fail"]
    assert fault["subject"] == "yard file" and "write 862000" in fault["what"]
    assert "Traceback" not in bad.stdout + bad.stderr


def test_check_without_a_yard_file_says_init(tmp_path: Path) -> None:
    result = runner.invoke(app, ["check", "--data", str(tmp_path)])
    assert result.exit_code == 1 and "gritbook init" in result.stdout
    wrong = runner.invoke(app, ["check", "--data", str(tmp_path), "--format", "xml"])
    assert wrong.exit_code == 1 and "Choose table or json" in wrong.stderr
