"""Records on production: what is taken and refused, and what a signature locks."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from analytics.sections import counted
from ingest import record_rows, records
from ingest.config import Yard
from ingest.errors import RecordRefused
from ingest.store.connection import read_window, write_window

NOW = dt.datetime(2026, 5, 5, 8, tzinfo=dt.UTC)
LATER = NOW + dt.timedelta(hours=2)


def enter(
    data: Path, yard: Yard, kind: str, why: str = "", entered: dt.datetime = NOW, **body: object
) -> str:
    return records.add(data, yard, kind, body, "Ann", "command", at=entered, reason=why)


@pytest.fixture
def worked(tmp_path: Path, yard: Yard) -> Path:
    """A shift with two jobs known, on pot-1."""
    data = tmp_path / "data"
    enter(data, yard, "crew", crew="Blue", size=3)
    enter(data, yard, "job", job="Girders")
    enter(data, yard, "job", job="Tank")
    enter(
        data, yard, "shift", shift="Monday", crew="Blue", job="Girders", pots=["pot-1"],
        from_at="2026-05-04T06:00", to_at="2026-05-04T16:00",
    )  # fmt: skip
    return data


def standing(data: Path, kind: str) -> list[dict[str, object]]:
    with read_window(data) as con:
        return record_rows.current(con, kind)


AREA = {"job": "Girders", "shift": "Monday", "pot": "pot-1", "at": "2026-05-04T15:00"}


def test_a_job_as_it_was_stored_before_its_new_keys_still_counts_and_can_be_corrected(
    worked: Path, yard: Yard
) -> None:
    old = {"job": "Old", "item": "", "rust_grade": "B", "prep_grade": "", "planned_m2": 90.0}
    with write_window(worked) as con:
        con.execute(
            "INSERT INTO record (record_id, kind, recorded_at, recorded_by, via, supersedes, "
            "withdrawn, reason, body) VALUES ('0000000000old0000000', 'job', '2026-01-01', 'Ann', "
            "'page', NULL, false, '', $body)",
            {"body": json.dumps(old)},
        )
    assert {row["job"] for row in standing(worked, "job")} == {"Old", "Girders", "Tank"}
    records.correct(
        worked, yard, "0000000000old0000000",
        old | {"access": "rope", "place": "outdoor", "profile_low_um": 40, "profile_high_um": 70},
        "Ann", "told more",
    )  # fmt: skip
    assert standing(worked, "job")[-1]["access"] == "rope"


def test_area_is_entered_whole_or_counted_from_pieces_but_never_both_apart(
    worked: Path, yard: Yard
) -> None:
    pieces = [
        {"piece": p.piece, "count": p.count, "each_m2": p.each_m2, "length_m": p.length_m}
        for p in (counted("12, IPE 200, 6"), counted("4, plate, 6, 2, 2"))
    ]
    enter(worked, yard, "area", **AREA, pieces=pieces)
    (row,) = standing(worked, "area")
    assert row["area_m2"] == pytest.approx(12 * 6 * 0.7682 + 96, abs=0.02)
    with pytest.raises(RecordRefused, match="pieces add up to 151"):
        enter(worked, yard, "area", **AREA, pieces=pieces, area_m2=150.0)
    with pytest.raises(RecordRefused, match="area_m2"):
        enter(worked, yard, "area", **AREA)
    with pytest.raises(RecordRefused, match="count"):
        enter(worked, yard, "area", **AREA, pieces=[{"piece": "IPE 200", "each_m2": 1.0}])


def test_abrasive_moves_say_where_it_went(worked: Path, yard: Yard) -> None:
    when = {"abrasive": "garnet", "at": "2026-05-04T12:00"}
    enter(worked, yard, "abrasive_move", **when, move="delivered", kg=5000, batch="B-7")
    enter(worked, yard, "abrasive_move", **when, move="counted", kg=0)
    for body, match in (
        ({"move": "swept", "kg": 10}, "waste or reuse"),
        ({"move": "returned", "kg": 10}, "taken out of"),
        ({"move": "delivered", "kg": 0}, "more than nothing"),
        ({"move": "delivered", "kg": 5, "goes": "waste"}, "swept up only"),
        ({"move": "returned", "kg": 10, "pot": "pot-9"}, "no pot"),
    ):
        with pytest.raises(RecordRefused, match=match):
            enter(worked, yard, "abrasive_move", **when, **body)


def test_a_kind_of_abrasive_in_use_keeps_its_name(worked: Path, yard: Yard) -> None:
    kind = enter(
        worked, yard, "abrasive_kind", abrasive="garnet", bulk_kg_m3=2100, particle_kg_m3=4100
    )
    enter(worked, yard, "abrasive", pot="pot-1", at="2026-05-04T09:00", bags=3, abrasive="garnet")
    with pytest.raises(RecordRefused, match="refers to it"):
        records.withdraw(worked, kind, "Ann", "no more")
    with pytest.raises(RecordRefused, match="already"):
        enter(worked, yard, "abrasive_kind", abrasive="garnet")
    with pytest.raises(RecordRefused, match="below particle_kg_m3"):
        enter(worked, yard, "abrasive_kind", abrasive="slag", bulk_kg_m3=3000, particle_kg_m3=2900)


def test_a_stop_wants_a_known_reason_and_a_job_change_a_time_within_the_shift(
    worked: Path, yard: Yard
) -> None:
    span = {"pot": "pot-1", "from_at": "2026-05-04T09:00", "to_at": "2026-05-04T09:20"}
    enter(worked, yard, "stop_reason", **span, stop_for="weather")
    with pytest.raises(RecordRefused, match=r"did you mean .weather.\?"):
        enter(worked, yard, "stop_reason", **span, stop_for="wether")
    enter(worked, yard, "job_change", shift="Monday", job="Tank", from_at="2026-05-04T11:00")
    with pytest.raises(RecordRefused, match="not within the shift"):
        enter(worked, yard, "job_change", shift="Monday", job="Tank", from_at="2026-05-04T16:00")
    with pytest.raises(RecordRefused, match='no job "Tnk"; did you mean Tank'):
        enter(worked, yard, "job_change", shift="Monday", job="Tnk", from_at="2026-05-04T12:00")


# --- signing ---------------------------------------------------------------------------------

LATE = (
    ("area", {**AREA, "area_m2": 12.0}),
    ("abrasive", {"pot": "pot-1", "at": "2026-05-04T14:00", "bags": 2}),
    ("stop_reason", {"pot": "pot-1", "from_at": "2026-05-04T15:50", "to_at": "2026-05-04T16:30",
                     "stop_for": "move"}),
    ("fuel", {"shift": "Monday", "litres": 60.0}),
    ("job_change", {"shift": "Monday", "job": "Tank", "from_at": "2026-05-04T11:00"}),
    ("abrasive_move", {"abrasive": "garnet", "move": "returned", "kg": 30, "pot": "pot-1",
                       "at": "2026-05-04T15:55"}),
)  # fmt: skip


def test_what_comes_after_signing_needs_a_reason(worked: Path, yard: Yard) -> None:
    enter(worked, yard, "signature", shift="Monday", blast_s=7200.0, area_m2=40.0)
    for kind, body in LATE:
        with pytest.raises(RecordRefused, match="was signed by Ann") as told:
            enter(worked, yard, kind, entered=LATER, **body)
        assert "with a reason" in told.value.next_step
        record_id = enter(
            worked, yard, kind, "the note was in the other coat", entered=LATER, **body
        )
        with read_window(worked) as con:
            (row,) = record_rows.history(con, record_id)
        assert row["reason"] == "the note was in the other coat"


def test_what_is_not_of_the_signed_shift_is_free(worked: Path, yard: Yard) -> None:
    enter(worked, yard, "signature", shift="Monday")
    enter(worked, yard, "abrasive", entered=LATER, pot="pot-1", bags=2)  # the day after
    enter(worked, yard, "abrasive_move", entered=LATER, abrasive="garnet", move="delivered", kg=500)
    enter(worked, yard, "check", entered=LATER, pot="pot-1", part="nozzle", result="good")


def test_a_sheet_is_signed_once_and_again_only_in_place_of_the_first(
    worked: Path, yard: Yard
) -> None:
    first = enter(worked, yard, "signature", shift="Monday")
    with pytest.raises(RecordRefused, match="was signed by Ann"):
        enter(worked, yard, "signature", shift="Monday")
    records.correct(
        worked, yard, first, {"shift": "Monday", "at": LATER, "area_m2": 52.0}, "Ann", "late area"
    )
    (row,) = standing(worked, "signature")
    assert row["area_m2"] == 52.0
    (shift,) = standing(worked, "shift")
    with pytest.raises(RecordRefused, match="refers to it"):
        records.withdraw(worked, str(shift["record_id"]), "Ann", "never was")


def test_a_file_of_records_meets_the_same_lock(worked: Path, yard: Yard, tmp_path: Path) -> None:
    enter(worked, yard, "signature", shift="Monday")
    path = tmp_path / "late.jsonl"
    line = {
        "kind": "area", "recorded_at": "2026-05-05T10:00:00Z", "recorded_by": "Ben",
        "body": AREA | {"area_m2": 9.0},
    }  # fmt: skip
    path.write_text(json.dumps(line))
    with pytest.raises(RecordRefused, match=r"late.jsonl, line 1.*was signed"):
        records.load_file(worked, yard, path)
    path.write_text(json.dumps(line | {"reason": "found on paper"}))
    assert records.load_file(worked, yard, path).added == 1
    assert records.load_file(worked, yard, path).added == 0
