"""`gritbook part` and the records behind it: lives, checks, photos, the page to print, the seal."""

from __future__ import annotations

import datetime as dt
import html.parser
import json
import re
from pathlib import Path

import polars as pl
import pytest
from click.testing import Result
from typer.testing import CliRunner

from analytics.pipeline import derive
from dashboard import cli
from ingest.config import load_yard
from ingest.store.connection import write_window
from ingest.store.sample_rows import add_samples

YARD = """
[site]
name = "test-yard"
title = "Test yard <b>"
time_zone = "Europe/Berlin"
invented = true
[[pot]]
name = "pot-1"
title = "Pot 1"
volume_m3 = 0.184
plate_pa = 862_000
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 862_000
[[rule]]
part = "nozzle"
every_days = 30
reason = "bore gauge <i>every</i> day"
by = "Maintainer 1"
"""
JPEG = bytes.fromhex("ffd8ffe000104a46494600") + bytes(range(200)) + bytes.fromhex("ffd9")


class Desk:
    """Somebody at a terminal, with two pots that blasted ten minutes each on the fourth of May."""

    def __init__(self, data: Path) -> None:
        self.data = data
        data.mkdir()
        (data / "yard.toml").write_text(YARD)
        self.environment = {
            "GRITBOOK_DATA": str(data), "GRITBOOK_BY": "Tender <1>", "COLUMNS": "200",
        }  # fmt: skip

    def type(self, *words: str) -> Result:
        return CliRunner().invoke(cli.app, list(words), env=self.environment)

    def good(self, *words: str) -> str:
        result = self.type(*words)
        assert result.exit_code == 0, result.output
        return result.stdout

    def refused(self, *words: str) -> str:
        result = self.type(*words)
        assert result.exit_code == 1, result.output
        return " ".join(result.stderr.split())

    def derive(self) -> None:
        derive(self.data, load_yard(self.data / "yard.toml"), now=dt.datetime(2026, 5, 6))


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    one = Desk(tmp_path / "data")
    begin = dt.datetime(2026, 5, 4, 6)
    at = [begin + dt.timedelta(seconds=s) for s in range(900)]
    frame = pl.DataFrame(
        {
            "sampled_at": at,
            "deadman": [100 <= s < 700 for s in range(900)],
            "supply_pa": [700e3 + s % 7 for s in range(900)],
            "pot_pa": [690e3 + s % 5 if 100 <= s < 700 else 1.0 * (s % 5) for s in range(900)],
        }
    )
    with write_window(one.data) as con:
        for number, pot in enumerate(("pot-1", "pot-2"), start=1):
            con.execute("INSERT INTO pot VALUES (?, ?)", [number, pot])
            rows = frame.with_columns(
                pl.lit(number, pl.Int16).alias("pot_id"), pl.col("sampled_at").alias("arrived_at"),
                pl.lit(0, pl.Int32).alias("quality"), pl.lit(0, pl.Int64).alias("message_id"),
            )  # fmt: skip
            add_samples(con, rows)
    return one


def test_a_part_moves_with_its_hours_and_shows_them(desk: Desk) -> None:
    desk.good("record", "fitted", "pinch_hose", "--pot", "pot-1", "--tag", "H17",
              "--at", "2026-05-04T07:00")  # fmt: skip
    desk.good("record", "fitted", "pinch_hose", "--pot", "pot-2", "--tag", "h17",
              "--at", "2026-05-04T08:06")  # fmt: skip
    desk.derive()
    found = desk.good("part", "--part", "pinch_hose", "--pot", "pot-2", "--format", "json")
    hose = next(row for row in json.loads(found) if row["tag"] == "h17")
    # Both pots blast from 08:01:40 on: 260 s on the first pot, the other 340 s on the second.
    assert (hose["pot"], hose["stays"], hose["is_on"]) == ("pot-2", 2, True)
    assert hose["blast_s"] == pytest.approx(600.0, abs=2.0)
    assert hose["blast_low_s"] <= hose["blast_s"] <= hose["blast_high_s"]
    said = desk.good("part", "H17")
    assert "pinch hose" in said and "Shut the air, open the drain" in " ".join(said.split())


def test_sign_offs_carry_measurement_and_photo(desk: Desk, tmp_path: Path) -> None:
    photo = tmp_path / "hose.jpg"
    photo.write_bytes(JPEG)
    done = desk.type("record", "check", "pinch_hose", "worn", "--pot", "pot-1", "--quantity",
                     "wall_thickness", "--value", "4.5", "--unit", "mm", "--photo", str(photo),
                     "--at", "2026-05-04T12:00")  # fmt: skip
    assert done.exit_code == 0
    assert "prove at the pot itself that it is vented" in done.stderr
    (row,) = json.loads(desk.good("record", "list", "check", "--format", "json"))
    assert (row["quantity"], row["value"], row["unit"]) == ("wall_thickness", 4.5, "mm")
    assert (desk.data / "photos" / row["photo"]).read_bytes() == JPEG
    said = desk.refused("record", "check", "pinch_hose", "good", "--pot", "pot-1",
                        "--quantity", "wall_thickness", "--value", "4.5")  # fmt: skip
    assert "expected wall thickness as value and unit (mm, in)" in said
    assert 'no such quantity; did you mean "bore"' in desk.refused(
        "record", "check", "nozzle", "good", "--pot", "pot-1", "--quantity", "bor",
        "--value", "9", "--unit", "mm",
    )  # fmt: skip
    (tmp_path / "notes.txt").write_text("no photo")
    assert "no whole JPEG" in desk.refused(
        "record", "check", "nozzle", "good", "--pot", "pot-1",
        "--photo", str(tmp_path / "notes.txt"),
    )  # fmt: skip
    assert 'no rule "nozzel" for this part' in desk.refused(
        "record", "check", "nozzle", "good", "--pot", "pot-1", "--rule", "nozzel"
    )


def test_the_start_of_a_shift_counts_for_its_rules_and_a_no_is_a_finding(desk: Desk) -> None:
    desk.good("record", "start", "--pot", "pot-1", "--yes", "deadman", "--yes", "screen_lid",
              "--no", "blotter", "--at", "2026-05-05T07:00")  # fmt: skip
    desk.derive()
    due = json.loads(desk.good("upkeep", "--pot", "pot-1", "--format", "json"))
    since = {row["rule"]: row["since"] for row in due}
    assert (since["deadman"], since["screen_lid"]) == ("checked", "checked")
    assert (since["separator"], since["couplings"]) == ("heard", "heard")
    (row,) = json.loads(desk.good("record", "list", "start", "--format", "json"))
    assert (row["drain"], row["blotter"]) == ("not_done", "no")
    assert 'did you mean "drain"' in desk.refused(
        "record", "start", "--pot", "pot-1", "--yes", "dran"
    )
    assert "so and not so" in desk.refused(
        "record", "start", "--pot", "pot-1", "--yes", "drain", "--no", "drain"
    )


def test_a_loosened_rule_shows_in_command_check_and_print(desk: Desk) -> None:
    desk.derive()
    said = " ".join(desk.good("upkeep", "--pot", "pot-1").split())
    assert "loosened by Maintainer 1: bore gauge <i>every</i> day" in said
    checked = " ".join(desk.type("check", "--no-burst").output.split())
    assert "nozzle is looser than the default (every_days 30 instead of 7)" in checked
    desk.good("part", "--pot", "pot-1", "--record", str(desk.data / "pot.html"))
    page = (desk.data / "pot.html").read_text(encoding="utf-8")
    assert "30 days instead of 7" in page and "Decided by Maintainer 1" in page


class Links(html.parser.HTMLParser):
    """What a page would load from elsewhere, and its tags."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.loaded += [v or "" for name, v in attrs if name in ("src", "href", "srcset", "action")]


def test_the_printed_record_stands_by_itself_and_shows_what_was_corrected(
    desk: Desk, tmp_path: Path
) -> None:
    photo = tmp_path / "hose.jpg"
    photo.write_bytes(JPEG)
    desk.good("record", "fitted", "pinch_hose", "--pot", "pot-1", "--tag", "H<17>",
              "--at", "2026-05-04T07:00")  # fmt: skip
    saved = desk.good("record", "check", "pinch_hose", "good", "--pot", "pot-1", "--at",
                      "2026-05-04T12:00", "--photo", str(photo),
                      "--note", "<script>alert(1)</script>")  # fmt: skip
    record_id = re.search(r"Saved as (\w+)\.", saved)
    assert record_id is not None
    desk.good("record", "correct", record_id[1], "result=worn", "--reason", "looked <again>")
    desk.derive()
    path = desk.data / "hose.html"
    said = desk.good("part", "H<17>", "--record", str(path), "--photos")
    page = path.read_text(encoding="utf-8")
    found = Links()
    found.feed(page)
    assert not found.tags & {"script", "link", "iframe", "b1"}
    assert all(text.startswith("data:image/jpeg;base64,") for text in found.loaded)
    assert len(found.loaded) == 1
    assert "&lt;script&gt;" in page and "H&lt;17&gt;" in page and "Test yard &lt;b&gt;" in page
    assert "<s>Good." in page and "looked &lt;again&gt;" in page and "Worn, still on." in page
    assert "prove at the pot itself that it is vented" in page
    assert "Invented scenario" in page
    seal = re.search(r"seal (\d+-[0-9a-f]{64})", said)
    assert seal is not None and seal[1] in page
    assert "still stands" in desk.good("record", "seal", seal[1])
    with write_window(desk.data) as con:
        con.execute("UPDATE record SET recorded_by = 'Nobody' WHERE number = 2")
    assert "Row 2 (" in desk.type("record", "seal").stderr
    assert "is not as it was entered" in desk.type("check", "--no-burst").output


def test_an_unknown_part_is_a_sentence(desk: Desk) -> None:
    desk.derive()
    assert 'No part "H99" was ever entered.' in desk.refused("part", "H99")
    assert 'did you mean "pinch_hose"' in desk.refused("part", "--part", "pinchhose")
