"""`gritbook boxes`: what a table and a program get of how boxes are heard."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import typer
from typer.testing import CliRunner

from dashboard.commands.boxes import boxes
from ingest.readings import RawMessage
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

app = typer.Typer()
app.command()(boxes)

YARD = """
[site]
name = "yard"
time_zone = "Europe/Berlin"
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = 0.2
plate_pa = 862000
[[pot]]
name = "pot-2"
volume_m3 = 0.2
plate_pa = 862000
[[pot]]
name = "pot-3"
volume_m3 = 0.2
plate_pa = 862000
"""


def test_lost_repeated_and_silent_boxes_show(tmp_path: Path) -> None:
    (tmp_path / "yard.toml").write_text(YARD)
    now_s = dt.datetime.now(dt.UTC).timestamp()
    with Journal(tmp_path) as journal:
        for pot, ago_s, gone in (("pot-1", 3, {40, 41}), ("pot-2", 3600, {7})):
            for number in [n for n in range(100) if n not in gone] + [50]:
                at_s = now_s - ago_s - (100 - number) / 10
                pack = [
                    {"bn": f"{pot}/", "bt": at_s, "n": "seq", "u": "count", "v": number},
                    {"n": "pot", "u": "Pa", "v": 6e5},
                ]
                journal.append(
                    RawMessage(
                        "mqtt", f"g/yard/{pot}/readings", "", round((at_s + 0.2) * 1e6), False,
                        json.dumps(pack).encode(),
                    )
                )  # fmt: skip
    assert StoreWriter(tmp_path, ["pot-1", "pot-2"]).take() is not None
    result = CliRunner().invoke(app, ["--data", str(tmp_path), "--format", "json"])
    assert result.exit_code == 0, result.output
    one, two, three = json.loads(result.output)
    assert (one["pot"], one["lost"], one["repeated"], one["restarts"]) == ("pot-1", 2, 2, 0)
    assert abs(one["rate_hz"] - 10.0) < 0.01
    assert one["says"] == ""
    assert (two["lost"], two["says"]) == (1, "silent while pot-1 talk")
    assert (three["instants"], three["lost"], three["says"]) == (0, None, "never heard")
    shown = CliRunner().invoke(app, ["--data", str(tmp_path), "--pot", "pot-2"])
    assert shown.exit_code == 0 and "Lost by the message counter" in shown.output
