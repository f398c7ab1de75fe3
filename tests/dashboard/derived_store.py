"""A store of cycles, gaps and records in a random order, as deriving would leave it."""

from __future__ import annotations

import datetime as dt
import json
import random

import duckdb
import polars as pl

from analytics import summaries
from analytics.cycles import CYCLE_SCHEMA
from analytics.writing import insert
from ingest.config import Yard, parse_yard

PARTS = ("pinch_hose", "nozzle")
YARD_TEXT = '[site]\nname = "test-yard"\ntime_zone = "UTC"\n' + "".join(
    f'[[pot]]\nname = "{pot}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    for pot in ("pot-1", "pot-2", "pot-never-heard")
)
YARD = parse_yard(YARD_TEXT)
BEGIN = dt.datetime(2026, 3, 2, 6)


class Store:
    """Cycles, gaps and records as they would be after deriving."""

    con: duckdb.DuckDBPyConnection

    def __init__(self, seed: int) -> None:
        self.chance, self.number = random.Random(seed), 0
        self.extents: dict[int, tuple[dt.datetime, dt.datetime]] = {}
        self.standing: list[str] = []
        self.replaced: tuple[str, bool] | None = None

    def open(self, con: duckdb.DuckDBPyConnection) -> None:
        """Go on in an open write window."""
        self.con = con
        con.execute("INSERT OR IGNORE INTO pot VALUES (1, 'pot-1'), (2, 'pot-2')")

    def put_work(self, pot_id: int, from_at: dt.datetime, to_at: dt.datetime) -> dt.datetime:
        """Cycles and gaps of a stretch, in the place of what was there; where it begins, for
        what was there is cut between two of them."""
        ((from_at, to_at),) = self.con.execute(
            "SELECT least($a, min(from_at)), greatest($b, max(to_at)) FROM "
            "(SELECT span_from_at AS from_at, span_to_at AS to_at FROM cycle WHERE pot_id = $p "
            "UNION ALL SELECT from_at, to_at FROM gap WHERE pot_id = $p) "
            "WHERE from_at < $b AND to_at > $a",
            {"p": pot_id, "a": from_at, "b": to_at},
        ).fetchall()
        self.con.execute(
            "DELETE FROM cycle WHERE pot_id = $p AND pressed_at >= $a AND pressed_at < $b",
            {"p": pot_id, "a": from_at, "b": to_at},
        )
        self.con.execute(
            "DELETE FROM gap WHERE pot_id = $p AND from_at >= $a AND from_at < $b",
            {"p": pot_id, "a": from_at, "b": to_at},
        )
        at, rows, gaps = from_at, [], []
        while (at := at + dt.timedelta(minutes=self.chance.uniform(1.0, 150.0))) < to_at:
            length_s = self.chance.choice([0.3, 40.0, 600.0, 3000.0])
            end = at + dt.timedelta(seconds=length_s)
            if end >= to_at:
                break
            if self.chance.random() < 0.25:
                gaps.append((pot_id, at, end, self.chance.random() < 0.3, False))
            else:
                blast_s = length_s * self.chance.random()
                rows.append(
                    {
                        "pot_id": pot_id, "pressed_at": at, "released_at": end,
                        "began_by": self.chance.choice(["press", "gap"]), "ended_by": "release",
                        "flicker": length_s < 1.0, "confirmed": self.chance.random() < 0.9,
                        "samples": 9, "deadman_s": length_s, "deadman_low_s": 0.98 * length_s,
                        "deadman_high_s": length_s, "blast_s": blast_s,
                        "blast_low_s": 0.9 * blast_s, "blast_high_s": min(1.1 * blast_s, length_s),
                        "pinched_s": length_s, "span_from_at": at, "span_to_at": end,
                        "supply_pa": self.chance.uniform(6e5, 7e5),
                    }
                )  # fmt: skip
            at = end
        if rows:
            schema = {name: CYCLE_SCHEMA.get(name, pl.Int16) for name in rows[0]}
            insert(self.con, "cycle", pl.DataFrame(rows, schema=schema))
        if gaps:
            self.con.executemany("INSERT INTO gap VALUES (?, ?, ?, ?, ?)", gaps)
        first, last = self.extents.get(pot_id, (from_at, to_at))
        self.extents[pot_id] = min(first, from_at), max(last, to_at)
        self.con.execute(
            "INSERT OR REPLACE INTO derive_state VALUES ($p, '', $b, $a, $b)",
            {"p": pot_id, "a": self.extents[pot_id][0], "b": self.extents[pot_id][1]},
        )
        return from_at

    def work_on(self, now: dt.datetime) -> dict[int, dt.datetime]:
        """Work up to now or earlier work anew, of some pots; from when on each has changed."""
        before = {pot_id: last for pot_id, (_, last) in self.extents.items()}
        changed: dict[int, dt.datetime] = {}
        for pot_id in (1, 2):
            said = self.chance.random()
            if said < 0.55:
                changed[pot_id] = before.get(pot_id, BEGIN - dt.timedelta(hours=9))
                to_at = max(now, changed[pot_id])
            elif said < 0.7 and pot_id in before:
                back = dt.timedelta(hours=self.chance.uniform(1.0, 90.0))
                changed[pot_id] = max(self.extents[pot_id][0], before[pot_id] - back)
                to_at = changed[pot_id] + back / 3
            else:
                continue
            changed[pot_id] = self.put_work(pot_id, changed[pot_id], to_at)
        return changed

    def enter(self, kind: str, entered_at: dt.datetime, **body: object) -> None:
        """Enter a record, in the place of what ``replaced`` names."""
        self.number += 1
        older, withdrawn = self.replaced or (None, False)
        self.replaced = None
        if not withdrawn:
            self.standing.append(f"{self.number:020d}")
        self.con.execute(
            "INSERT INTO record BY NAME SELECT $id AS record_id, $kind AS kind, "
            "$at::TIMESTAMP AS recorded_at, 'Tender 1' AS recorded_by, 'file' AS via, "
            "$withdrawn AS withdrawn, '' AS reason, $body AS body, $number AS number, "
            "$older AS supersedes",
            {
                "older": older, "withdrawn": withdrawn,
                "id": f"{self.number:020d}", "kind": kind, "at": entered_at, "number": self.number,
                "body": json.dumps(body),
            },
        )  # fmt: skip

    def work_by_day(self, days: int) -> None:
        """Work of pot 1 from ``BEGIN`` on, each day with its shift and a look at the nozzle."""
        for day in range(days):
            begin = BEGIN + dt.timedelta(days=day)
            self.put_work(1, begin, begin + dt.timedelta(hours=20))
            self.enter(
                "shift", begin, shift=f"day-{day}", crew="crew-a", job="tank", people=2,
                pots=["pot-1"], from_at=f"{begin:%Y-%m-%dT%H:%M:%SZ}",
                to_at=f"{begin + dt.timedelta(hours=8):%Y-%m-%dT%H:%M:%SZ}",
            )  # fmt: skip
            self.enter("check", begin, pot="pot-1", part="nozzle", result="good",
                       at=f"{begin:%Y-%m-%dT%H:%M:%SZ}")  # fmt: skip

    def enter_something(self, now: dt.datetime) -> None:
        at = now + dt.timedelta(hours=self.chance.uniform(-60.0, 30.0))
        pot, part = self.chance.choice(YARD.pot_names), self.chance.choice(PARTS)
        told = {"pot": pot, "part": part, "at": f"{at:%Y-%m-%dT%H:%M:%SZ}"}
        kind = self.chance.choice(["part_fitted", "part_removed", "check", "shift", "area"])
        if self.standing and self.chance.random() < 0.3:
            number = self.chance.randrange(max(0, len(self.standing) - 4), len(self.standing))
            older, withdrawn = self.standing.pop(number), self.chance.random() < 0.3
            ((kind, body),) = self.con.execute(
                "SELECT kind, body FROM record WHERE record_id = $id", {"id": older}
            ).fetchall()
            self.replaced = (older, withdrawn)
            if withdrawn:
                self.enter(kind, now, **json.loads(body))
                return
        if kind == "part_fitted":
            self.enter(kind, now, **told, tag=self.chance.choice(["", "A", "B"]))
        elif kind == "part_removed":
            self.enter(kind, now, **told, because="worn", tag="")
        elif kind == "check":
            result = self.chance.choice(["good", "good", "worn", "replaced"])
            self.enter(kind, now, **told, result=result)
        elif kind == "area":
            shift = f"shift-{self.chance.randint(1, self.number)}" if self.number else ""
            self.enter(
                kind, now, pot=pot, at=told["at"], job="tank", area_m2=9.7,
                shift=self.chance.choice(["", shift]),
            )  # fmt: skip
        else:
            end = at + dt.timedelta(hours=self.chance.uniform(1.0, 30.0))
            self.enter(
                kind, now, shift=f"shift-{self.number}", crew="crew-a", job="tank", people=2,
                pots=[pot], from_at=told["at"], to_at=f"{end:%Y-%m-%dT%H:%M:%SZ}",
            )  # fmt: skip

    def summarise(self, changed: dict[int, dt.datetime], now: dt.datetime, yard: Yard) -> None:
        pots = {f"pot-{i}": i for i in self.extents}
        summaries.summarise(self.con, yard, pots, "", changed, now)
