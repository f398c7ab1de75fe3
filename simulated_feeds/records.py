"""What people enter about a yard's history, with the slips people make, as `records.jsonl`.

Areas are rounded, entered late, forgotten, or swapped between two pots of a shift; now and then a
tipping goes unrecorded. What was wrong is told in the truth table `slips`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np

from .contractor import ABRASIVE, BAG_KG, CREWS, SUPERVISORS
from .keeping import keeping_rows, stop_rows
from .wear import NEW_LEAK_M3_S_PA, WORN_LEAK_M3_S_PA
from .yard import Shift, WorkedShift, Yard, generator, history_end

PART_KINDS = (
    "pinch_hose", "popup_seal", "relief_valve", "nozzle", "blast_hose", "couplings", "separator",
    "deadman", "metering_valve", "screen_lid", "transducers",
)  # fmt: skip
AREA_MISSING, AREA_LATE, AREA_SWAPPED, TIPPING_MISSING = 0.03, 0.06, 0.02, 0.01
"""Chance of each slip."""
CHECK_FORGOTTEN = 0.05
"""Chance that a check at the start of a shift is not done or not entered."""


def utc_text(instant: datetime) -> str:
    """Give an instant as ISO 8601 in UTC, to the second.

    Parameters
    ----------
    instant : datetime
        With a time zone.

    Examples
    --------
    >>> utc_text(datetime(2026, 11, 2, 6, 30, tzinfo=UTC))
    '2026-11-02T06:30:00Z'
    """
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


Row = tuple[datetime, dict[str, object]]


@dataclass(frozen=True, slots=True)
class PotArea:
    """What one pot truly blasted in a shift."""

    pot: str
    shift: Shift
    area_m2: float


@dataclass(slots=True)
class PotEntries:
    """What people enter about one pot, but for its areas, which they enter shift by shift.

    Attributes
    ----------
    rows : list of (datetime, dict)
        When entered, and the record.
    slips : list of dict
        What was wrong with them.
    areas : list of PotArea
        True areas, to be entered with those of the shift's other pots.
    """

    rows: list[Row] = field(default_factory=list)
    slips: list[dict[str, object]] = field(default_factory=list)
    areas: list[PotArea] = field(default_factory=list)

    def worked(self, worked: WorkedShift, random: np.random.Generator) -> None:
        """Enter what a pot's shift brought: tippings, and parts looked at or changed.

        Parameters
        ----------
        worked : WorkedShift
            What truly happened.
        random : numpy.random.Generator
            Source of the slips.
        """
        shift = worked.shift
        tender = f"Tender {1 + CREWS.index(shift.crew)}"
        box_on = datetime.fromtimestamp(worked.box_on_us / 1e6, UTC)
        for instant_s, bags in worked.result.refills:
            at = box_on + timedelta(seconds=round(instant_s))
            missing, delay_s = random.random() < TIPPING_MISSING, random.uniform(60.0, 1500.0)
            if missing:
                note = f"{bags} bags never entered"
                self.slips.append(_slip("tipping_missing", worked.pot, shift, note))
                continue
            body: dict[str, object] = {
                "pot": worked.pot, "at": utc_text(at), "bags": bags, "bag_kg": BAG_KG,
                "abrasive": ABRASIVE, "shift": shift.name,
            }  # fmt: skip
            self.rows.append(_row("abrasive", at + timedelta(seconds=float(delay_s)), tender, body))
        for event in worked.part_events:
            done_at = event["at"]
            assert isinstance(done_at, datetime)
            body = {"pot": worked.pot, "part": event["part"], "at": utc_text(done_at)}
            if event["kind"] == "check":
                body |= {"result": event["result"], "note": event.get("note", "")}
                body |= _wall(event)
            else:
                body |= {"tag": event["tag"]}
            entered_at = done_at + timedelta(minutes=3)
            self.rows.append(_row(str(event["kind"]), entered_at, tender, body))
        self.rows += routine_rows(worked.pot, shift, tender)
        self.rows += [row_of(*row) for row in stop_rows(worked, box_on, tender)]
        self.areas.append(PotArea(worked.pot, shift, worked.area_m2))


NEW_WALL_MM, WORN_WALL_MM = 8.0, 4.5
"""Wall of a pinch hose new, and at the end of its usual life (invented) [mm]."""


def _wall(event: dict[str, object]) -> dict[str, object]:
    """Give the wall that a caliper reads on a pinch hose as worn as its leak says."""
    leak = event.get("true_leak_m3_s_pa")
    if event["part"] != "pinch_hose" or not isinstance(leak, float):
        return {}
    age = max((leak - NEW_LEAK_M3_S_PA) / WORN_LEAK_M3_S_PA, 0.0) ** (1.0 / 3.0)
    wall_mm = NEW_WALL_MM - (NEW_WALL_MM - WORN_WALL_MM) * age
    return {"quantity": "wall_thickness", "value": round(max(wall_mm, 0.5), 1), "unit": "mm"}


def routine_rows(pot: str, shift: Shift, tender: str) -> list[Row]:
    """Enter what is looked at before a shift, most days, and the checks of a Monday.

    Parameters
    ----------
    pot : str
        The pot.
    shift : Shift
        The shift that begins.
    tender : str
        Who looks.

    Returns
    -------
    list of (datetime, dict)
        When entered, and the record.
    """
    random = generator(0, "routine", pot, shift.name)
    start = ["deadman", "drain"]
    monday = ["couplings", "blast_hose", "nozzle"] if shift.from_at.weekday() == 0 else []
    rows, answers, looked_at = [], {}, shift.from_at
    for part in start + monday:
        forgotten, minutes = random.random() < CHECK_FORGOTTEN, random.uniform(2.0, 14.0)
        at = shift.from_at + timedelta(minutes=round(float(minutes)))
        if part in start:
            answers[part] = "not_done" if forgotten else "yes"
            looked_at = max(looked_at, at)
            continue
        if forgotten:
            continue
        body: dict[str, object] = {
            "pot": pot, "part": part, "at": utc_text(at), "result": "good", "note": "",
        }  # fmt: skip
        rows.append(_row("check", at + timedelta(minutes=1), tender, body))
    if "yes" in answers.values():
        for item in ("plate_relief", "screen_lid", "whip_checks", "blotter"):
            answers[item] = "not_done" if random.random() < CHECK_FORGOTTEN else "yes"
        body = {"pot": pot, "at": utc_text(looked_at), **answers}
        rows.append(_row("shift_start", looked_at + timedelta(minutes=1), tender, body))
    return rows


def _row(
    kind: str, recorded_at: datetime, recorded_by: str, body: dict[str, object], reason: str = ""
) -> Row:
    record: dict[str, object] = {
        "kind": kind, "recorded_at": utc_text(recorded_at), "recorded_by": recorded_by,
        "body": body,
    }  # fmt: skip
    if reason:  # why it comes so late: the sheet may be signed already
        record["reason"] = reason
    return recorded_at, record


def row_of(at: datetime, kind: str, by: str, body: dict[str, object]) -> Row:
    """Give a row of the file from what was entered; instants in it are written as texts.

    Parameters
    ----------
    at : datetime
        When it was entered.
    kind, by : str
        Kind of record, and who entered it.
    body : dict
        What was entered.
    """
    told = {key: utc_text(v) if isinstance(v, datetime) else v for key, v in body.items()}
    return _row(kind, at, by, told)


def _slip(kind: str, pot: str, shift: Shift, note: str) -> dict[str, object]:
    return {"kind": kind, "pot": pot, "shift": shift.name, "note": note}


def _supervisor(shift: Shift) -> str:
    return SUPERVISORS[CREWS.index(shift.crew) % len(SUPERVISORS)]


def plan_rows(yard: Yard) -> list[Row]:
    """Give what is entered before the work: crews, jobs, shifts, the parts each pot starts with.

    Parameters
    ----------
    yard : Yard
        The calendar.
    """
    rows: list[Row] = []
    start = datetime.combine(yard.from_date, time(), UTC) - timedelta(hours=6)
    used = {shift.crew.name for shift in yard.shifts}
    for number, crew in enumerate(crew for crew in CREWS if crew.name in used):
        at = start + timedelta(minutes=number)
        rows.append(_row("crew", at, SUPERVISORS[0], {"crew": crew.name, "size": crew.size}))
    for pot_number, pot in enumerate(yard.pots):
        for part_number, part in enumerate(PART_KINDS):
            at = start + timedelta(minutes=10 + 2 * pot_number, seconds=5 * part_number)
            tag = f"{pot}-hose-1" if part == "pinch_hose" else f"{pot}-{part}-1"
            body: dict[str, object] = {
                "pot": pot, "part": part, "at": utc_text(start), "tag": tag,
            }  # fmt: skip
            rows.append(_row("part_fitted", at, "Maintainer 1", body))
    jobs_seen: set[str] = set()
    for shift in yard.shifts:
        before = shift.from_at - timedelta(minutes=40)
        job = shift.job
        if job.name not in jobs_seen:
            jobs_seen.add(job.name)
            body = {
                "job": job.name, "item": job.item, "rust_grade": job.rust_grade,
                "prep_grade": job.prep_grade, "planned_m2": job.planned_m2,
                "access": job.access, "place": job.place,
            }  # fmt: skip
            rows.append(_row("job", before - timedelta(minutes=20), _supervisor(shift), body))
        body = {
            "shift": shift.name, "crew": shift.crew.name, "job": job.name,
            "pots": list(shift.pots), "from_at": utc_text(shift.from_at),
            "to_at": utc_text(shift.to_at), "people": shift.crew.size,
        }  # fmt: skip
        rows.append(_row("shift", before, _supervisor(shift), body))
    return rows


def area_rows(
    areas: list[PotArea], random: np.random.Generator
) -> tuple[list[Row], list[dict[str, object]]]:
    """Enter areas, a little wrong as people do.

    Parameters
    ----------
    areas : list of PotArea
        True areas of all pots.
    random : numpy.random.Generator
        Source of every slip.

    Returns
    -------
    tuple of list
        Rows, and what was wrong with them.
    """
    rows: list[Row] = []
    slips: list[dict[str, object]] = []
    groups: dict[str, list[PotArea]] = {}
    for area in areas:
        groups.setdefault(area.shift.name, []).append(area)
    for name in sorted(groups):
        group = groups[name]
        told = [area.area_m2 * float(random.lognormal(0.0, 0.04)) for area in group]
        if len(group) > 1 and random.random() < AREA_SWAPPED:
            told = told[1:] + told[:1]
            note = "areas of the shift's pots changed places"
            slips.append(_slip("area_swapped", group[0].pot, group[0].shift, note))
        for area, told_m2 in zip(group, told, strict=True):
            missing, late, late_h = random.random(), random.random(), random.uniform(15.0, 50.0)
            rounded_m2 = float(np.round(told_m2 * 2.0) / 2.0)
            shift = area.shift
            if missing < AREA_MISSING or rounded_m2 <= 0.0:
                note = f"{rounded_m2} m2 never entered"
                slips.append(_slip("area_missing", area.pot, shift, note))
                continue
            recorded_at = shift.to_at + timedelta(minutes=12)
            if late < AREA_LATE:
                recorded_at += timedelta(hours=float(late_h))
                note = f"entered {utc_text(recorded_at)}"
                slips.append(_slip("area_late", area.pot, shift, note))
            reason = "" if late >= AREA_LATE else "found on the clipboard"
            body: dict[str, object] = {
                "job": shift.job.name, "shift": shift.name, "pot": area.pot,
                "area_m2": rounded_m2, "at": utc_text(shift.to_at - timedelta(minutes=5)),
            }  # fmt: skip
            rows.append(_row("area", recorded_at, _supervisor(shift), body, reason))
    return rows, slips


def write_records(
    yard: Yard, pots: list[PotEntries], path: Path
) -> tuple[int, list[dict[str, object]]]:
    """Write all entries in order of their entry.

    Parameters
    ----------
    yard : Yard
        The calendar.
    pots : list of PotEntries
        What was gathered pot by pot, in the order of the yard's pots.
    path : Path
        JSON lines.

    Returns
    -------
    tuple of int and list
        How many entries were written; what was wrong with them, for the truth.
    """
    rows = plan_rows(yard) + [row_of(*row) for row in keeping_rows(yard)]
    slips = []
    for entries in pots:
        rows += entries.rows
        slips += entries.slips
    areas = [area for entries in pots for area in entries.areas]
    entered, wrong = area_rows(areas, generator(yard.seed, "areas"))
    rows += entered
    # what would be entered after the end of the history has not been entered yet
    over_at = history_end(yard.to_date, yard.zone)
    rows = sorted((row for row in rows if row[0] < over_at), key=lambda row: row[0])
    lines = [json.dumps(record, ensure_ascii=False) for _, record in rows]
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return len(lines), slips + wrong
