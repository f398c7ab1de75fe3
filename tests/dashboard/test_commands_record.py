"""`gritbook record`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from typer.testing import CliRunner

from dashboard.commands import record, record_parts

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
"""


assert record_parts.app is record.app


class Desk:
    """Somebody at a terminal."""

    def __init__(self, data: Path) -> None:
        self.data = data
        data.mkdir()
        (data / "yard.toml").write_text(YARD)
        self.environment = {"GRITBOOK_DATA": str(data), "GRITBOOK_BY": "Tender"}

    def type(self, *words: str, **environment: str) -> Result:
        return CliRunner().invoke(record.app, list(words), env=self.environment | environment)

    def good(self, *words: str) -> str:
        result = self.type(*words)
        assert result.exit_code == 0, result.output
        return result.stdout

    def records(self, *words: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads(self.good("list", *words, "--format", "json"))
        return found


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "data")


def test_a_days_entries(desk: Desk) -> None:
    desk.good("crew", "Blue", "--size", "3")
    desk.good("job", "Girders", "--item", "bridge girders", "--rust", "c", "--prep", "Sa 2.5")
    desk.good(
        "shift", "4 May", "--crew", "Blue", "--job", "Girders", "--pot", "pot-1",
        "--from", "2026-05-04T06:00", "--to", "2026-05-04T16:00",
    )  # fmt: skip
    desk.good("abrasive", "12", "--pot", "pot-1", "--kind", "garnet", "--shift", "4 May")
    desk.good("area", "41.5", "--job", "Girders", "--shift", "4 May", "--pot", "pot-1")
    desk.good("fitted", "pinch_hose", "--pot", "pot-1", "--tag", "H17", "--at", "2026-05-04")
    desk.good("check", "relief_valve", "good", "--pot", "pot-1", "--measured", "8.6 bar")
    found = {row["kind"]: row for row in desk.records()}
    assert list(found) == ["crew", "job", "shift", "abrasive", "area", "part_fitted", "check"]
    assert found["shift"]["from_at"] == "2026-05-04T04:00:00+00:00"
    assert found["abrasive"]["bags"] == 12 and found["abrasive"]["bag_kg"] == 25
    assert found["job"]["prep_grade"] == "Sa 2½"
    assert {row["recorded_by"] for row in found.values()} == {"Tender"}
    assert [row["kind"] for row in desk.records("fitted")] == ["part_fitted"]
    shown = desk.good("list")
    assert "area: " in shown and "area_m2 41.5" in shown and "2026-05-04 04:00Z" in shown


def test_correct_and_withdraw_by_the_end_of_an_id(desk: Desk) -> None:
    desk.good("abrasive", "12", "--pot", "pot-1", "--kind", "garnet")
    (first,) = desk.records("abrasive")
    end = first["record_id"][-6:]
    desk.good("correct", end, "bags=10", "abrasive=", "--reason", "counted twice")
    (second,) = desk.records("abrasive")
    assert (second["bags"], second["abrasive"], second["at"]) == (10, "", first["at"])
    late = desk.type("correct", end, "bags=9", "--reason", "again")
    assert late.exit_code == 1 and "Tender corrected the record" in late.stderr
    desk.good("withdraw", second["record_id"], "--reason", "other pot")
    assert desk.records("abrasive") == []
    rows = desk.records("--history", end)
    assert [(row.get("bags"), row["reason"]) for row in rows] == [
        (12, ""), (10, "counted twice"), (None, "other pot"),
    ]  # fmt: skip
    assert "withdrawn [other pot]" in desk.good("list", "--history", end)
    desk.good("correct", rows[-1]["record_id"], "bags=11", "--reason", "right after all")
    assert [row["bags"] for row in desk.records("abrasive")] == [11]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("crew", "Blue", "--size", "0"), "expected a number at least 1"),
        (("abrasive", "3", "--pot", "pot-2"), 'did you mean "pot-1"?'),
        (("check", "pinch_hoes", "good", "--pot", "pot-1"), 'did you mean "pinch_hose"?'),
        (("check", "pinch_hose", "fine", "--pot", "pot-1"), "expected one of 'good'"),
        (("area", "5", "--job", "x", "--shift", "y", "--pot", "pot-1"), "gritbook record job"),
        (("withdraw", "abcdef", "--reason", "x"), "There is no record"),
        (("list", "bags"), "Choose one of shift"),
        (("load", "none.jsonl"), "cannot be read"),
    ],
)
def test_refusals_are_sentences(desk: Desk, words: tuple[str, ...], said: str) -> None:
    desk.good("crew", "Red", "--size", "1")
    result = desk.type(*words)
    assert result.exit_code == 1
    assert said in result.stderr and "Traceback" not in result.output
    assert len(desk.records()) == 1


def test_nobody_may_enter_nothing(desk: Desk) -> None:
    result = desk.type("crew", "Blue", "--size", "1", GRITBOOK_BY="")
    assert result.exit_code == 1 and "--by" in result.stderr


def test_a_change_that_is_none(desk: Desk) -> None:
    desk.good("crew", "Blue", "--size", "1")
    (crew,) = desk.records("crew")
    for change in ("size", "colour=red"):
        result = desk.type("correct", crew["record_id"], change, "--reason", "x")
        assert result.exit_code == 1 and "it has crew, size" in result.stderr


def test_load_a_file_twice(desk: Desk, tmp_path: Path) -> None:
    line = {"kind": "crew", "recorded_at": "2026-05-04T06:00", "recorded_by": "T",
            "body": {"crew": "Blue", "size": 2}}  # fmt: skip
    path = tmp_path / "records.jsonl"
    path.write_text(json.dumps(line) + "\n")
    assert desk.good("load", str(path)) == "1 records added, 0 were there already.\n"
    assert desk.good("load", str(path)) == "0 records added, 1 were there already.\n"
