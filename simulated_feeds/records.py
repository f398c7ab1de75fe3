"""What people enter about a yard's history, with the slips people make, as `records.jsonl`.

Areas are rounded, entered late, forgotten, or swapped between two pots of a shift; now and then a
tipping goes unrecorded. What was wrong is told in the truth table `slips`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import numpy as np

from .contractor import ABRASIVE, BAG_KG, CREWS, SUPERVISORS
from .yard import WorkedShift, Yard, generator, history_end

PART_KINDS = (
    "pinch_hose", "popup_seal", "relief_valve", "nozzle", "blast_hose", "couplings", "separator",
    "deadman", "metering_valve", "screen_lid", "transducers",
)  # fmt: skip
AREA_MISSING, AREA_LATE, AREA_SWAPPED, TIPPING_MISSING = 0.03, 0.06, 0.02, 0.01
"""Chance of each slip."""


def utc_text(instant: datetime) -> str:
    """Give an instant as ISO 8601 in UTC, to the second.

    Examples
    --------
    >>> utc_text(datetime(2026, 11, 2, 6, 30, tzinfo=UTC))
    '2026-11-02T06:30:00Z'
    """
    return instant.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


class Entries:
    """Gathers what people enter while the history is made, then writes it in order of entry."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.random = generator(yard.seed, "entries")
        self.rows: list[tuple[datetime, dict[str, object]]] = []
        self.slips: list[dict[str, object]] = []
        self.areas: dict[str, list[WorkedShift]] = {}
        self._open()

    def _add(
        self, kind: str, recorded_at: datetime, recorded_by: str, body: dict[str, object]
    ) -> None:
        self.rows.append(
            (
                recorded_at,
                {
                    "kind": kind,
                    "recorded_at": utc_text(recorded_at),
                    "recorded_by": recorded_by,
                    "body": body,
                },
            )
        )

    def _open(self) -> None:
        """Enter crews, jobs, the parts each pot starts with, and the shifts as planned."""
        yard = self.yard
        start = datetime.combine(yard.from_date, time(), UTC) - timedelta(hours=6)
        used = {shift.crew.name for shift in yard.shifts}
        for number, crew in enumerate(crew for crew in CREWS if crew.name in used):
            at = start + timedelta(minutes=number)
            self._add("crew", at, SUPERVISORS[0], {"crew": crew.name, "size": crew.size})
        for pot_number, pot in enumerate(yard.pots):
            for part_number, part in enumerate(PART_KINDS):
                at = start + timedelta(minutes=10 + 2 * pot_number, seconds=5 * part_number)
                tag = f"{pot}-hose-1" if part == "pinch_hose" else f"{pot}-{part}-1"
                body: dict[str, object] = {
                    "pot": pot, "part": part, "at": utc_text(start), "tag": tag,
                }  # fmt: skip
                self._add("part_fitted", at, "Maintainer 1", body)
        jobs_seen: set[str] = set()
        for shift in yard.shifts:
            supervisor = SUPERVISORS[CREWS.index(shift.crew) % len(SUPERVISORS)]
            before = shift.from_at - timedelta(minutes=40)
            if shift.job.name not in jobs_seen:
                jobs_seen.add(shift.job.name)
                job = shift.job
                self._add(
                    "job",
                    before - timedelta(minutes=20),
                    supervisor,
                    {
                        "job": job.name, "item": job.item, "rust_grade": job.rust_grade,
                        "prep_grade": job.prep_grade, "planned_m2": job.planned_m2,
                    },
                )  # fmt: skip
            self._add(
                "shift",
                before,
                supervisor,
                {
                    "shift": shift.name, "crew": shift.crew.name, "job": shift.job.name,
                    "pots": list(shift.pots), "from_at": utc_text(shift.from_at),
                    "to_at": utc_text(shift.to_at), "people": shift.crew.size,
                },
            )  # fmt: skip

    def worked(self, worked: WorkedShift) -> None:
        """Enter what a pot's shift brought: tippings, parts looked at or changed, and its area."""
        shift = worked.shift
        tender = f"Tender {1 + CREWS.index(shift.crew)}"
        box_on = datetime.fromtimestamp(worked.box_on_us / 1e6, UTC)
        for instant_s, bags in worked.result.refills:
            at = box_on + timedelta(seconds=round(instant_s))
            if self.random.random() < TIPPING_MISSING:
                self._slip("tipping_missing", worked, f"{bags} bags never entered")
                continue
            delay = timedelta(seconds=float(self.random.uniform(60.0, 1500.0)))
            self._add(
                "abrasive",
                at + delay,
                tender,
                {
                    "pot": worked.pot, "at": utc_text(at), "bags": bags, "bag_kg": BAG_KG,
                    "abrasive": ABRASIVE, "shift": shift.name,
                },
            )  # fmt: skip
        for event in worked.part_events:
            done_at = event["at"]
            assert isinstance(done_at, datetime)
            body: dict[str, object] = {
                "pot": worked.pot, "part": event["part"], "at": utc_text(done_at),
            }  # fmt: skip
            if event["kind"] == "check":
                body |= {"result": event["result"], "note": event.get("note", "")}
            else:
                body |= {"tag": event["tag"]}
            self._add(str(event["kind"]), done_at + timedelta(minutes=3), tender, body)
        self.areas.setdefault(shift.name, []).append(worked)

    def _slip(self, kind: str, worked: WorkedShift, note: str) -> None:
        self.slips.append(
            {"kind": kind, "pot": worked.pot, "shift": worked.shift.name, "note": note}
        )

    def _enter_areas(self) -> None:
        """Enter the areas of all shifts, a little wrong as people do."""
        for name in sorted(self.areas):
            group = self.areas[name]
            told = [worked.area_m2 * float(self.random.lognormal(0.0, 0.04)) for worked in group]
            if len(group) > 1 and self.random.random() < AREA_SWAPPED:
                told = told[1:] + told[:1]
                self._slip("area_swapped", group[0], "areas of the shift's pots changed places")
            for worked, area_m2 in zip(group, told, strict=True):
                chances = self.random.random(2)
                rounded = float(np.round(area_m2 * 2.0) / 2.0)
                if chances[0] < AREA_MISSING or rounded <= 0.0:
                    self._slip("area_missing", worked, f"{rounded} m2 never entered")
                    continue
                at = worked.shift.to_at - timedelta(minutes=5)
                recorded_at = worked.shift.to_at + timedelta(minutes=12)
                if chances[1] < AREA_LATE:
                    recorded_at += timedelta(hours=float(self.random.uniform(15.0, 50.0)))
                    self._slip("area_late", worked, f"entered {utc_text(recorded_at)}")
                crew = worked.shift.crew
                self._add(
                    "area",
                    recorded_at,
                    SUPERVISORS[CREWS.index(crew) % len(SUPERVISORS)],
                    {
                        "job": worked.shift.job.name, "shift": worked.shift.name,
                        "pot": worked.pot, "area_m2": rounded, "at": utc_text(at),
                    },
                )  # fmt: skip

    def write(self, path: Path, tell_truth: Callable[..., None]) -> int:
        """Write all entries in order of their entry, and tell the truth about slips.

        Returns
        -------
        int
            How many entries were written.
        """
        self._enter_areas()
        # what would be entered after the end of the history has not been entered yet
        over_at = history_end(self.yard.to_date, self.yard.zone)
        self.rows = sorted((row for row in self.rows if row[0] < over_at), key=lambda row: row[0])
        lines = [json.dumps(row, ensure_ascii=False) for _, row in self.rows]
        path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        for slip in self.slips:
            tell_truth("slips", **slip)
        return len(lines)
