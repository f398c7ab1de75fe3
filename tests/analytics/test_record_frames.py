"""Records as frames: the same as reading each by itself, however they were typed and corrected."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import entry_frames, part_frames, part_rows, record_frames, use_frames
from ingest import record_rows, records
from ingest.config import Yard
from ingest.parts import PART_WORDS, position_of
from ingest.store.connection import read_window, write_window

BEGIN = dt.datetime(2026, 3, 2, 6, tzinfo=dt.UTC)
ODD = 'quote " back\\slash, new\nline, tab\t, ½ 𝄞, {"a": 1}'


def enter(data: Path, yard: Yard, kind: str, body: dict[str, Any], minutes: float = 0.0) -> str:
    at = BEGIN + dt.timedelta(days=9, minutes=minutes)
    return records.add(data, yard, kind, body, by="Tender 1", via="command", at=at)


@pytest.fixture
def entered(tmp_path: Path, yard: Yard) -> Path:
    """Shifts, parts and checks with odd texts, fractions of seconds, corrections, withdrawals."""
    enter(tmp_path, yard, "crew", {"crew": "crew-a", "size": 3})
    enter(tmp_path, yard, "job", {"job": "tank"})
    for number, people in enumerate((None, 2)):
        begin = BEGIN + dt.timedelta(days=number)
        body = {"shift": f"shift {number}", "crew": "crew-a", "job": "tank",
                "pots": ["pot-1", "pot-2"], "from_at": begin.isoformat(), "people": people,
                "to_at": (begin + dt.timedelta(hours=8)).isoformat()}  # fmt: skip
        enter(tmp_path, yard, "shift", body, number)
    for number, position in enumerate(("", "Left", "right")):
        at = (BEGIN + dt.timedelta(seconds=number, microseconds=5 * number)).isoformat()
        body = {
            "pot": "pot-1",
            "part": "nozzle",
            "position": position,
            "at": at,
            "tag": f"n{number}",
        }
        enter(tmp_path, yard, "part_fitted", body, number)
    enter(tmp_path, yard, "part_removed",
          {"pot": "pot-1", "part": "nozzle", "position": "left", "because": "worn",
           "at": (BEGIN + dt.timedelta(days=4)).isoformat()}, 5)  # fmt: skip
    kept = []
    for number, result in enumerate(("good", "worn", "replaced", "failed")):
        at = (BEGIN + dt.timedelta(days=1, hours=number, microseconds=number)).isoformat()
        kept.append(
            enter(tmp_path, yard, "check",
                  {"pot": "pot-2", "part": "pinch_hose", "result": result, "at": at, "note": ODD},
                  10 + number)
        )  # fmt: skip
    records.correct(
        tmp_path, yard, kept[0],
        {"pot": "pot-2", "part": "pinch_hose", "result": "worn", "quantity": "bore", "value": 14,
         "unit": "mm", "at": BEGIN.isoformat()},
        by="Tender 2", reason="looked again", at=BEGIN + dt.timedelta(days=9, hours=1),
    )  # fmt: skip
    records.withdraw(
        tmp_path, kept[3], by="Tender 2", reason="wrong pot",
        at=BEGIN + dt.timedelta(days=9, hours=2),
    )  # fmt: skip
    return tmp_path


def naive(at: dt.datetime) -> dt.datetime:
    return at.astimezone(dt.UTC).replace(tzinfo=None)


def test_checks_are_those_that_stand(entered: Path) -> None:
    with read_window(entered) as con:
        frame = part_frames.checks(con)
        each = record_rows.current(con, "check")
    assert frame.columns == list(part_frames.CHECKED_SCHEMA)
    assert frame.height == len(each) == 3
    for row, one in zip(frame.iter_rows(named=True), each, strict=True):
        assert row["record_id"] == one["record_id"]
        assert (row["by"], row["recorded_at"]) == (one["recorded_by"], naive(one["recorded_at"]))
        assert row["at"] == naive(one["at"])
        assert row["position"] == position_of("pinch_hose", one.get("position"))
        for key in ("pot", "part", "result", "note", "quantity", "unit", "value"):
            assert row[key] == one[key]
    assert frame["note"].to_list().count(ODD.strip()) == 2


def test_fittings_and_removals_are_in_their_places(entered: Path) -> None:
    with read_window(entered) as con:
        entries = part_frames.entries(con).filter(pl.col("part") == "nozzle")
    assert entries.select("kind", "position", "tag", "result").rows() == [
        ("fitted", "1", "n0", ""), ("fitted", "left", "n1", ""), ("fitted", "right", "n2", ""),
        ("removed", "left", "", "worn"),
    ]  # fmt: skip
    assert entries["at"][1] == naive(BEGIN) + dt.timedelta(seconds=1, microseconds=5)


def test_shifts_and_what_is_booked_of_them(entered: Path) -> None:
    with read_window(entered) as con:
        shifts = record_frames.shifts(con)
        late = use_frames.booked_since(con, naive(BEGIN) + dt.timedelta(hours=9))
    begin = naive(BEGIN)
    assert shifts.select("shift", "pot", "from_at", "people").rows() == [
        ("shift 0", "pot-1", begin, None), ("shift 0", "pot-2", begin, None),
        ("shift 1", "pot-1", begin + dt.timedelta(days=1), 2),
        ("shift 1", "pot-2", begin + dt.timedelta(days=1), 2),
    ]  # fmt: skip
    assert late.rows() == shifts.filter(pl.col("shift") == "shift 1").select(
        "pot", "from_at", "to_at"
    ).rows()  # fmt: skip


def test_records_read_at_once_are_those_that_each_kind_has(entered: Path) -> None:
    kinds = ("shift", "area", "part_fitted", "part_removed", "check", "shift_start")
    with read_window(entered) as con:
        standing = record_frames.Standing(con, kinds)
        for ask in (record_frames.shifts, record_frames.areas, part_frames.checks):
            assert ask(con, standing).equals(ask(con))
            assert ask(con, standing).schema == ask(con).schema
        entries = part_frames.entries(con, only=standing)
        assert entries.equals(part_frames.entries(con))
        assert not entries.is_empty()
        assert record_frames.areas(con, standing).is_empty()
        for days in (0, 9):
            now = naive(BEGIN) + dt.timedelta(days=days)
            fitted = part_frames.places_fitted(con, now)
            assert part_frames.places_fitted(con, now, standing) == fitted
            assert len(fitted) == (3 if days else 1)
        with pytest.raises(ValueError, match="were not read"):
            record_frames.abrasives(con, standing)


def test_a_record_stored_before_a_key_was_known_lacks_it(tmp_path: Path) -> None:
    body = {"pot": "pot-1", "part": "nozzle", "at": "2026-03-02T06:00:00Z", "result": "good"}
    with write_window(tmp_path) as con:
        con.execute(
            "INSERT INTO record BY NAME SELECT 'a' AS record_id, 'check' AS kind, "
            "TIMESTAMP '2026-03-02' AS recorded_at, 'x' AS recorded_by, 'file' AS via, "
            "false AS withdrawn, '' AS reason, $body AS body",
            {"body": json.dumps(body)},
        )
    with read_window(tmp_path) as con:
        (row,) = part_frames.checks(con).iter_rows(named=True)
    assert (row["position"], row["rule"], row["value"], row["photo"]) == ("1", "", None, "")


@given(
    part=st.sampled_from([*PART_WORDS, "unknown"]),
    typed=st.text(st.sampled_from(" \tabLÉ2-"), max_size=9),
)
@settings(max_examples=200, deadline=None)
def test_positions_are_those_that_were_meant(part: str, typed: str) -> None:
    frame = pl.DataFrame({"part": [part], "position": [typed]})
    assert frame.select(part_frames._position())["position"].to_list() == [position_of(part, typed)]


def test_a_nozzle_fitted_ends_what_was_measured_of_the_one_before(
    tmp_path: Path, yard: Yard
) -> None:
    def nozzle(kind: str, hour: float, **more: Any) -> None:
        at = (BEGIN + dt.timedelta(hours=hour)).isoformat()
        enter(tmp_path, yard, kind, {"pot": "pot-1", "part": "nozzle", "at": at} | more, hour)

    def measured(hour: float, bore_mm: float, result: str) -> None:
        size = {"quantity": "bore", "value": bore_mm, "unit": "mm"}
        nozzle("check", hour, result=result, **size)

    measured(1, 9.5, "good")
    nozzle("part_fitted", 3)
    measured(3, 8.0, "good")  # of the one that was fitted in that minute
    measured(5, 9.6, "replaced")  # of the one that went
    with read_window(tmp_path) as con:
        bores = entry_frames.nozzle_bores(con)
    assert bores["bore_m"].to_list() == [
        pytest.approx(0.0095), None, pytest.approx(0.008), pytest.approx(0.0096), None,
    ]  # fmt: skip
    begin = BEGIN.replace(tzinfo=None)
    hours = [begin + dt.timedelta(hours=hour) for hour in (0, 1, 2, 4, 6)]
    bought = yard.pot("pot-1").nozzle_bore_m  # type: ignore[union-attr]
    told = part_rows.bores_of(yard, "pot-1", bores, hours)
    assert told == [
        bought, pytest.approx(0.0095), pytest.approx(0.0095), pytest.approx(0.008), bought,
    ]  # fmt: skip
