"""The invented yard is the same for the same seed, keeps its calendar, and its truth adds up."""

from __future__ import annotations

import hashlib
import itertools
import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from simulated_feeds.__main__ import app
from simulated_feeds.contractor import CREWS, JOBS
from simulated_feeds.faults import BY_NAME
from simulated_feeds.history import write_history
from simulated_feeds.mishaps import LIKELY, PUT_RIGHT, draw_mishaps
from simulated_feeds.records import PART_KINDS
from simulated_feeds.replay import due_times, history_days, replay_seconds
from simulated_feeds.yard import history_end, plan_yard

UNTIL = date(2026, 11, 24)
ZONE = "Europe/Amsterdam"


@pytest.fixture(scope="module")
def week(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight days of three pots at 5 Hz: two working weeks' ends, with nights."""
    folder = tmp_path_factory.mktemp("week")
    write_history(plan_yard(7, UNTIL, 8, 3, 5.0, ZONE), folder)
    return folder


def truth(folder: Path, table: str) -> pl.DataFrame:
    return pl.read_parquet(folder / "truth" / f"{table}.parquet")


def records(folder: Path, kind: str) -> list[dict]:
    lines = (folder / "records.jsonl").read_text(encoding="utf-8").splitlines()
    return [record for record in map(json.loads, lines) if record["kind"] == kind]


def readings(folder: Path, pot: str) -> pl.DataFrame:
    return pl.concat([
        pl.read_parquet(folder / "readings" / pot / f"{day}.parquet")
        for day in history_days(folder, pot)
    ])  # fmt: skip


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_same_bytes_one_pot_after_the_other_or_side_by_side(tmp_path):
    plan = plan_yard(3, UNTIL, 2, 2, 2.0, ZONE)
    for name, jobs in (("a", 1), ("b", 2)):
        write_history(plan, tmp_path / name, jobs=jobs)
    write_history(plan_yard(4, UNTIL, 2, 2, 2.0, ZONE), tmp_path / "c")
    assert digests(tmp_path / "a") == digests(tmp_path / "b")
    assert digests(tmp_path / "a") != digests(tmp_path / "c")


def test_a_pot_is_the_same_with_more_pots_beside_it(tmp_path):
    for pots in (1, 2):
        plan = plan_yard(3, UNTIL, 1, pots, 2.0, ZONE)
        write_history(plan, tmp_path / str(pots))
    alone, beside = (digests(tmp_path / str(n) / "readings" / "pot-1") for n in (1, 2))
    assert alone == beside


def test_columns_and_types_are_those_of_the_format(week):
    frame = pl.read_parquet(next((week / "readings" / "pot-1").glob("20*.parquet")))
    assert frame.schema == pl.Schema({
        "time": pl.Datetime("us"), "supply_pa": pl.Float64, "pot_pa": pl.Float64,
        "nozzle_pa": pl.Float64, "deadman": pl.Boolean, "seq": pl.Int64,
    })  # fmt: skip
    slow = pl.read_parquet(next((week / "readings" / "pot-1").glob("slow-*.parquet")))
    assert slow.columns == ["time", "channel", "value"]
    assert set(slow["channel"]) == {"air_temp", "humidity", "steel_temp"}
    assert slow["value"].is_finite().all()
    for column in ("supply_pa", "pot_pa", "nozzle_pa"):
        assert (frame[column] % 250.0 == 0.0).all()
    assert frame["time"].is_sorted() and frame["time"].dt.date().n_unique() == 1


def test_the_box_is_on_round_the_shifts_and_silent_between(week):
    shifts = truth(week, "shifts")
    for pot in ("pot-1", "pot-2", "pot-3"):
        times = readings(week, pot)["time"]
        inside = pl.Series(np.zeros(len(times), dtype=bool))
        for row in shifts.filter(pl.col("pot") == pot).iter_rows(named=True):
            margin = timedelta(seconds=901)
            inside = inside | ((times >= row["from_at"] - margin)
                               & (times <= row["to_at"] + margin))  # fmt: skip
        assert inside.all()


def test_missing_samples_are_those_the_truth_calls_gaps(week):
    shifts, gaps = truth(week, "shifts"), truth(week, "gaps")
    for pot in ("pot-1", "pot-2", "pot-3"):
        mine = shifts.filter(pl.col("pot") == pot)
        seconds = (mine["to_at"] - mine["from_at"]).dt.total_seconds().sum() + 1800 * len(mine)
        lost = gaps.filter(pl.col("pot") == pot)["samples_lost"].sum()
        assert len(readings(week, pot)) == pytest.approx(seconds * 5 - lost, abs=2 * len(mine))
        assert lost >= 0
    assert len(gaps) > 0


def test_cycles_of_the_truth_are_seen_by_the_switch(week):
    cycles = truth(week, "cycles").filter(pl.col("pot") == "pot-3")
    bad_shifts = truth(week, "faults")["shift"] if (week / "truth/faults.parquet").exists() else []
    cycles = cycles.filter(~pl.col("shift").is_in(list(bad_shifts)))
    frame = readings(week, "pot-3")
    held = np.zeros(len(frame), dtype=bool)
    times = frame["time"].to_numpy()
    for row in cycles.iter_rows(named=True):
        low, high = np.searchsorted(times, np.array(
            [row["signal_on_at"], row["signal_off_at"]], dtype="datetime64[us]"))  # fmt: skip
        held[low:high] = True
    at = np.isin(times.astype("datetime64[D]"), np.unique(
        cycles["pressed_at"].to_numpy().astype("datetime64[D]")))  # fmt: skip
    assert np.mean(held[at] == frame["deadman"].to_numpy()[at]) > 0.995


def test_hours_of_shifts_are_the_sums_of_their_cycles(week):
    cycles, shifts = truth(week, "cycles"), truth(week, "shifts")
    sums = cycles.group_by("pot", "shift").agg(
        pl.col("on_s").sum() / 3600, pl.col("blast_s").sum() / 3600, pl.len()
    )
    both = shifts.join(sums, on=["pot", "shift"])
    assert len(both) == len(shifts)
    assert both["deadman_h"].to_list() == pytest.approx(both["on_s"].to_list())
    assert both["blast_h"].to_list() == pytest.approx(both["blast_s"].to_list())
    assert (both["blast_h"] < both["deadman_h"]).all()
    assert both["cycles"].to_list() == both["len"].to_list()


def test_what_is_tipped_is_what_is_blasted_and_what_is_left(week):
    refills, shifts, mass = truth(week, "refills"), truth(week, "shifts"), truth(week, "mass")
    for pot in ("pot-1", "pot-2", "pot-3"):
        tipped_kg = 25.0 * refills.filter(pl.col("pot") == pot)["bags"].sum()
        used_kg = shifts.filter(pl.col("pot") == pot)["abrasive_kg"].sum()
        left_kg = mass.filter(pl.col("pot") == pot)["abrasive_kg"][-1]
        assert tipped_kg - used_kg == pytest.approx(left_kg, abs=3.0)
        assert used_kg > 2000.0


def test_bags_entered_are_bags_tipped_but_for_the_slips(week):
    entered = sum(record["body"]["bags"] for record in records(week, "abrasive"))
    slips = truth(week, "slips").filter(pl.col("kind") == "tipping_missing")
    forgotten = sum(int(note.split()[0]) for note in slips["note"])
    assert entered + forgotten == truth(week, "refills")["bags"].sum()


def test_areas_entered_are_near_the_truth(week):
    shifts = truth(week, "shifts")
    slips = truth(week, "slips")
    swapped = slips.filter(pl.col("kind") == "area_swapped")["shift"].to_list()
    for record in records(week, "area"):
        body = record["body"]
        row = shifts.filter((pl.col("pot") == body["pot"]) & (pl.col("shift") == body["shift"]))
        if body["shift"] not in swapped:
            assert body["area_m2"] == pytest.approx(row["area_m2"][0], rel=0.2, abs=0.5)
        assert body["job"] == row["job"][0]


def test_records_hold_their_keys_and_come_in_order_of_entry(week):
    lines = [json.loads(line) for line in (week / "records.jsonl").read_text().splitlines()]
    entered = [datetime.fromisoformat(line["recorded_at"]) for line in lines]
    assert entered == sorted(entered)
    assert max(entered) < history_end(UNTIL, ZONE)
    whole = {"kind", "recorded_at", "recorded_by", "body"}
    assert all(set(line) - {"reason"} == whole for line in lines)
    # only what comes after the sheet was signed says why
    assert {line["kind"] for line in lines if "reason" in line} <= {"area"}
    keys = {
        "crew": {"crew", "size"},
        "job": {"job", "item", "rust_grade", "prep_grade", "planned_m2", "access", "place"},
        "price": {"price_of", "price", "from_at"},
        "abrasive_kind": {
            "abrasive",
            "bulk_kg_m3",
            "particle_kg_m3",
            "price_kg",
            "bag_kg",
            "reorder_kg",
        },
        "abrasive_move": {"abrasive", "move", "kg", "at", "batch"},
        "fuel": {"shift", "litres", "at"},
        "signature": {"shift", "at"},
        "stop_reason": {"pot", "from_at", "to_at", "stop_for"},
        "shift": {"shift", "crew", "job", "pots", "from_at", "to_at", "people"},
        "area": {"job", "shift", "pot", "area_m2", "at"},
        "abrasive": {"pot", "at", "bags", "bag_kg", "abrasive", "shift"},
        "part_fitted": {"pot", "part", "at", "tag"},
        "check": {"pot", "part", "at", "result", "note"},
        "shift_start": {
            "pot",
            "at",
            "plate_relief",
            "screen_lid",
            "whip_checks",
            "drain",
            "blotter",
            "deadman",
        },
    }
    for line in lines:
        measured = {"quantity", "value", "unit"} if line["body"].get("quantity") else set()
        assert set(line["body"]) - measured == keys[line["kind"]], line
    assert any(line["kind"] == "shift_start" for line in lines)
    shifts = [record["body"]["shift"] for record in records(week, "shift")]
    assert len(shifts) == len(set(shifts))
    fitted = {(r["body"]["pot"], r["body"]["part"]) for r in records(week, "part_fitted")}
    assert fitted >= {(f"pot-{n}", part) for n in (1, 2, 3) for part in PART_KINDS}


def test_shifts_keep_local_time_over_the_change_of_the_clocks():
    # 2026-10-25: clocks in Amsterdam go back at 03:00 local
    plan = plan_yard(1, date(2026, 10, 31), 12, 8, 1.0, ZONE)
    starts = {shift.from_at.date(): shift for shift in plan.shifts if shift.crew.name == "day-a"}
    local = {day: shift.from_at.astimezone(ZoneInfo(ZONE)) for day, shift in starts.items()}
    assert all(time.hour == 6 and 30 <= time.minute <= 40 for time in local.values())
    utc_hours = {day: shift.from_at.hour for day, shift in starts.items()}
    assert {utc_hours[day] for day in utc_hours if day < date(2026, 10, 25)} == {4}
    assert {utc_hours[day] for day in utc_hours if day > date(2026, 10, 25)} == {5}


def test_nights_cross_midnight_and_no_pot_works_two_shifts_at_once():
    plan = plan_yard(1, UNTIL, 60, 8, 1.0, ZONE)
    nights = [shift for shift in plan.shifts if shift.crew.name == "night"]
    zone = ZoneInfo(ZONE)
    assert nights
    for shift in (night for night in nights if not night.rained_off):
        assert shift.from_at.astimezone(zone).date() < shift.to_at.astimezone(zone).date()
    for pot in plan.pots:
        mine = [shift for shift in plan.shifts if pot in shift.pots]
        for before, after in itertools.pairwise(mine):
            assert before.to_at + timedelta(minutes=30) < after.from_at
    assert len({shift.name for shift in plan.shifts}) == len(plan.shifts)
    assert all(7.0 < (s.to_at - s.from_at).total_seconds() / 3600 < 10.1
               for s in plan.shifts if not s.rained_off)  # fmt: skip
    assert {shift.crew.name for shift in plan.shifts} == {crew.name for crew in CREWS}
    assert len({shift.job.name for shift in plan.shifts}) >= 10
    assert any(shift.rained_off for shift in plan.shifts)
    assert all(shift.to_at <= history_end(UNTIL, ZONE) for shift in plan.shifts)


def test_jobs_have_grades_of_iso_8501_1():
    # ISO 8501-1:2007: rust grades A to D, preparation grades Sa 1, Sa 2, Sa 2½, Sa 3 (second hand)
    assert {job.rust_grade for job in JOBS} == {"A", "B", "C", "D"}
    assert {job.prep_grade for job in JOBS} <= {"Sa 1", "Sa 2", "Sa 2½", "Sa 3"}
    assert len(JOBS) == 12 and len({job.name for job in JOBS}) == 12


@pytest.mark.parametrize(("days", "pots"), [(0, 1), (1, 0), (1, 9)])
def test_a_yard_out_of_range_is_refused(days, pots):
    with pytest.raises(ValueError):
        plan_yard(1, UNTIL, days, pots)


def test_mishaps_are_known_faults_one_at_a_time():
    plan = draw_mishaps(400, np.random.default_rng(1))
    assert len(plan) == 400 and all(len(shift) <= 1 for shift in plan)
    drawn = {name for shift in plan for name in shift}
    assert drawn <= set(BY_NAME) and len(drawn) > 10
    assert 0.1 < sum(map(len, plan)) / 400 < 0.35
    for likely in LIKELY:
        assert 0.0 < likely.least < likely.most <= 1.0 and likely.shifts >= 1
    assert all(part in PART_KINDS for part, _ in PUT_RIGHT.values())


def test_without_mishaps_only_wear_is_left(tmp_path):
    write_history(plan_yard(7, UNTIL, 15, 1, 5.0, ZONE, mishaps=False), tmp_path)
    assert not (tmp_path / "truth" / "faults.parquet").exists()
    cycles = truth(tmp_path, "cycles")
    assert cycles["hose_cycles"].diff().drop_nulls().min() >= 0.0
    # within a shift the leak only grows; a change of hose comes between shifts
    growth = cycles.group_by("shift", maintain_order=True).agg(
        pl.col("leak_m3_s_pa").diff().drop_nulls().min()
    )
    assert (growth["leak_m3_s_pa"] >= 0.0).all()
    assert cycles["leak_m3_s_pa"][-1] > 10.0 * cycles["leak_m3_s_pa"][0]
    assert cycles["bore_m"][-1] > cycles["bore_m"][0]


@pytest.mark.slow
def test_a_hose_is_looked_at_about_every_40_hours_and_changed(tmp_path):
    write_history(plan_yard(7, UNTIL, 60, 2, 5.0, ZONE), tmp_path, jobs=2)
    parts = truth(tmp_path, "parts").filter(pl.col("part") == "pinch_hose")
    checks = parts.filter((pl.col("kind") == "check") & pl.col("blast_h").is_not_null())
    assert len(checks) >= 4
    assert checks["blast_h"].min() > 30.0
    fitted = parts.filter(pl.col("kind") == "part_fitted")
    assert len(fitted) >= 2 and fitted["tag"].n_unique() == len(fitted)
    told = [r for r in records(tmp_path, "part_fitted") if r["body"]["part"] == "pinch_hose"]
    assert len(told) == len(fitted) + 2


def test_history_is_replayed_message_by_message(week):
    days = history_days(week, "pot-2")[:1]
    frame = pl.read_parquet(week / "readings" / "pot-2" / f"{days[0]}.parquet")
    slow = pl.read_parquet(week / "readings" / "pot-2" / f"slow-{days[0]}.parquet")
    sent = list(due_times(replay_seconds(week, "pot-2", days)))
    seconds = [second for _, second in sent]
    assert np.concatenate([s.fast["pot"] for s in seconds]).tolist() == frame["pot_pa"].to_list()
    assert sum(len(second.slow) for second in seconds) == len(slow)
    dues = [due for due, _ in sent]
    assert dues[0] == 0.0 and dues == sorted(dues)
    assert max(np.diff(dues)) <= 60.0
    times = [second.from_s for second in seconds]
    first = frame["time"][0].replace(tzinfo=UTC).timestamp()
    assert times[0] == pytest.approx(first, abs=1e-6)


def test_a_pot_without_history_is_told(week):
    with pytest.raises(FileNotFoundError, match="pot-8"):
        history_days(week, "pot-8")


def test_the_command_line_writes_replays_and_lists(tmp_path, week):
    run = CliRunner()
    done = run.invoke(app, [
        "yard", "--out", str(tmp_path / "h"), "--days", "1", "--pots", "1", "--rate", "1",
        "--until", "2026-11-24", "--jobs", "1",
    ])  # fmt: skip
    assert done.exit_code == 0, done.output
    assert "1 pot shifts" in done.output
    day = history_days(week, "pot-3")[0]
    card = tmp_path / "card.csv"
    done = run.invoke(app, [
        "replay", str(week), "--pot", "pot-3", "--day", day, "--to", f"card:{card}",
        "--speed", "1e9",
    ])  # fmt: skip
    assert done.exit_code == 0, done.output
    expected = len(pl.read_parquet(week / "readings" / "pot-3" / f"{day}.parquet"))
    assert len(card.read_text().splitlines()) == expected + 1
    done = run.invoke(app, ["replay", str(week), "--pot", "pot-9", "--to", f"card:{card}"])
    assert done.exit_code == 2 and "pot-9" in done.output
    listed = run.invoke(app, ["--list"])
    assert listed.exit_code == 0
    for fault in BY_NAME.values():
        assert fault.name in listed.output and fault.words in listed.output
