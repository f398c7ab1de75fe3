"""Parts fitted, moved, taken off, corrected, with late shifts and late data, in any order.

Whatever happens: the hours of all parts in a place are the hours of the place, to the microsecond;
no sign-off is lost; what was derived piece by piece equals what is derived at once; and a row that
is edited breaks the chain there.
"""

from __future__ import annotations

import datetime as dt
import shutil
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    initialize,
    multiple,
    precondition,
    rule,
    run_state_machine_as_test,
)

from analytics import figures, frames, part_frames
from analytics.hours import microseconds
from analytics.pipeline import derive
from ingest import records
from ingest.config import parse_yard
from ingest.errors import RecordRefused
from ingest.store import record_chain, records_log
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

YARD = parse_yard(
    """
[site]
name = "test-yard"
time_zone = "UTC"
"""
    + "".join(
        f'[[pot]]\nname = "{pot}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
        for pot in ("pot-1", "pot-2")
    )
)
BEGIN = dt.datetime(2026, 3, 2, 6)
NOW = dt.datetime(2026, 3, 6)
#: When a piece of readings begins: hours after ``BEGIN``; each is 20 minutes.
PIECES = (0.0, 1.0, 24.0, 25.5, 48.0)

POTS = st.sampled_from(["pot-1", "pot-2"])
KINDS = st.sampled_from(["pinch_hose", "nozzle"])
POSITIONS = st.sampled_from(["", "left"])
TAGS = st.sampled_from(["", "A", "B", "C"])
#: Within the pieces as often as between them.
HOURS = st.one_of(
    st.builds(lambda p, h: p + h, st.sampled_from(PIECES), st.floats(0.0, 0.33)),
    st.floats(-2.0, 72.0),
)


def instant(hours: float) -> dt.datetime:
    return (BEGIN + dt.timedelta(hours=hours)).replace(tzinfo=dt.UTC)


def piece(pot: str, number: int) -> pl.DataFrame:
    """Twenty minutes of a dead-man that comes and goes, with a pot that follows and a silence."""
    rng = np.random.default_rng([number, int(pot[-1])])
    at = np.arange(0.0, 1200.0, 1.0)
    edges = np.cumsum(rng.choice([4, 20, 60, 150], size=200))
    deadman = np.searchsorted(edges, at) % 2 == 1
    pot_pa = np.convolve(deadman * 700e3, [0.3, 0.3, 0.2, 0.2])[: at.size]
    heard = ~((at > 400.0) & (at < 400.0 + rng.choice([2, 60, 300])))
    begin = BEGIN + dt.timedelta(hours=PIECES[number])
    return pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": deadman,
            "supply_pa": 720e3 + rng.normal(0, 500, at.size),
            "pot_pa": pot_pa + rng.normal(0, 500, at.size),
        }
    ).filter(pl.Series(heard))


def put(data: Path, pot: str, frame: pl.DataFrame) -> None:
    with write_window(data) as con:
        con.execute(
            "INSERT INTO pot SELECT coalesce(max(pot_id), 0) + 1, $pot FROM pot "
            "HAVING NOT coalesce(bool_or(pot = $pot), false)",
            {"pot": pot},
        )
        ((number,),) = con.execute("SELECT pot_id FROM pot WHERE pot = $p", {"p": pot}).fetchall()
        rows = frame.with_columns(
            pl.lit(number, pl.Int16).alias("pot_id"), pl.col("sampled_at").alias("arrived_at"),
            pl.lit(0, pl.Int32).alias("quality"), pl.lit(0, pl.Int64).alias("message_id"),
        )  # fmt: skip
        con.register("incoming", rows.to_arrow())
        add_samples(con, rows)
        con.execute(
            "INSERT INTO touched SELECT nextval('touched_number'), $pot, min(sampled_at), "
            "max(sampled_at) FROM incoming",
            {"pot": number},
        )
        con.unregister("incoming")


def derived(data: Path) -> dict[str, pl.DataFrame]:
    with read_window(data) as con:
        return {
            table: con.sql(f"SELECT * FROM {table} ORDER BY ALL").pl()
            for table in ("part_usage", "part_stay", "part_check")
        }


class Parts(RuleBasedStateMachine):
    """A yard of two pots whose people enter what they did when they come to it."""

    standing = Bundle("standing")

    @initialize()
    def begin(self) -> None:
        self.data = Path(tempfile.mkdtemp(prefix="parts-"))
        self.rows = 0
        self.shifts = 0
        self.entered: dict[str, dict[str, Any]] = {}
        self.waiting = [(pot, n) for pot in ("pot-1", "pot-2") for n in range(len(PIECES))]
        for kind, body in (("crew", {"crew": "a", "size": 2}), ("job", {"job": "j"})):
            self._add(kind, body)
        put(self.data, *self._take(0))

    def teardown(self) -> None:
        if not hasattr(self, "data"):
            return
        self._tampered()
        shutil.rmtree(self.data)

    # --- what people and boxes do

    @rule(
        target=standing, pot=POTS, part=KINDS, position=POSITIONS, tag=TAGS, hours=HOURS,
    )  # fmt: skip
    def fit_or_move(self, pot: str, part: str, position: str, tag: str, hours: float) -> str:
        body = {"pot": pot, "part": part, "position": position, "tag": tag}
        return self._add("part_fitted", body | {"at": instant(hours)})

    @rule(
        target=standing, pot=POTS, part=KINDS, position=POSITIONS, hours=HOURS,
        because=st.sampled_from(["worn", "failed", "good", "other"]),
    )  # fmt: skip
    def take_off(self, pot: str, part: str, position: str, hours: float, because: str) -> str:
        body = {"pot": pot, "part": part, "position": position, "because": because}
        return self._add("part_removed", body | {"at": instant(hours)})

    @rule(
        target=standing, pot=POTS, part=KINDS, position=POSITIONS, hours=HOURS,
        result=st.sampled_from(["good", "worn", "replaced", "failed"]),
    )  # fmt: skip
    def sign_off(self, pot: str, part: str, position: str, hours: float, result: str) -> str:
        body = {"pot": pot, "part": part, "position": position, "result": result}
        return self._add("check", body | {"at": instant(hours)})

    @rule(target=standing, pot=POTS, hours=HOURS)
    def begin_a_shift(self, pot: str, hours: float) -> str:
        body = {"pot": pot, "deadman": "yes", "drain": "no", "at": instant(hours)}
        return self._add("shift_start", body)

    @rule(pot=POTS, hours=st.integers(-2, 60), length=st.integers(1, 8))
    def enter_a_shift_late(self, pot: str, hours: int, length: int) -> None:
        body = {
            "shift": f"s{self.shifts}", "crew": "a", "job": "j", "pots": [pot],
            "from_at": instant(hours), "to_at": instant(hours + length),
        }  # fmt: skip
        self.shifts += 1
        try:
            self._add("shift", body)
        except RecordRefused:
            return  # it overlaps another

    @rule(target=standing, record_id=standing, hours=HOURS, pot=POTS)
    def correct(self, record_id: str, hours: float, pot: str) -> Any:
        body = self.entered.get(record_id)
        if body is None:
            return multiple()
        changed = body | {"at": instant(hours), "pot": pot}
        new = records.correct(self.data, YARD, record_id, changed, "Supervisor", "wrong time")
        self.rows += 1
        self.entered[new] = changed
        del self.entered[record_id]
        return new

    @rule(record_id=standing)
    def withdraw(self, record_id: str) -> None:
        if self.entered.pop(record_id, None) is not None:
            records.withdraw(self.data, record_id, "Supervisor", "did not happen")
            self.rows += 1

    @precondition(lambda self: self.waiting)
    @rule(which=st.integers(0, 9))
    def hear(self, which: int) -> None:
        put(self.data, *self._take(which % len(self.waiting)))

    # --- what must hold

    @rule(full=st.booleans())
    def derive_and_look(self, full: bool) -> None:
        derive(self.data, YARD, now=NOW)
        found = derived(self.data)
        self._conserved(found["part_stay"])
        self._sign_offs(found["part_check"])
        if full:
            derive(self.data, YARD, full=True, now=NOW)
            for table, frame in derived(self.data).items():
                assert frame.equals(found[table]), table

    def _conserved(self, stays: pl.DataFrame) -> None:
        with read_window(self.data) as con:
            totals = {pot: figures.totals_of(con, YARD, pot) for pot in YARD.pot_names}
        for (pot, _, _), mine in stays.sort("from_at").group_by("pot", "part", "position"):
            assert mine["to_at"].to_list()[:-1] == mine["from_at"].to_list()[1:]
            assert mine["to_at"][-1] is None
            begin = np.array([microseconds(mine["from_at"][0])], dtype=np.int64)
            end = np.array([microseconds(NOW)], dtype=np.int64)
            of_pot = totals[str(pot)]
            silent_us = of_pot.silent.us_within(begin, end)[0]
            assert mine["blast_us"].sum() == of_pot.blast.us_within(begin, end)[0]
            assert mine["blast_low_us"].sum() == of_pot.blast_low.us_within(begin, end)[0]
            assert mine["silent_us"].sum() == silent_us
            high_us = of_pot.blast_high.us_within(begin, end)[0] + silent_us
            assert mine["blast_high_us"].sum() == high_us
            assert mine["cycles"].sum() == of_pot.cycles_within(begin, end)[0]
        tags = stays.filter((pl.col("tag") != "") & pl.col("to_at").is_null())
        assert tags["part_id"].is_unique().all(), "no part is in two places"

    def _sign_offs(self, checks: pl.DataFrame) -> None:
        with read_window(self.data) as con:
            standing = part_frames.checks(con)
            assert con.execute("SELECT count(*) FROM record").fetchall() == [(self.rows,)]
            assert record_chain.faults(con, records_log.read(self.data).rows) == []
            assert frames.store_version(con)[1] == self.rows
        asked = standing.select("record_id", "pot", "part", "result", "rule").sort(pl.all())
        counted = checks.select("record_id", "pot", "part", "result", "rule").sort(pl.all())
        assert counted.equals(asked), "each sign-off counts once"

    def _tampered(self) -> None:
        with write_window(self.data) as con:
            # Another row each time, from what the run happened to enter.
            number = 1 + sum(len(text) for text in self.entered) % self.rows
            con.execute("UPDATE record SET body = body || ' ' WHERE number = $n", {"n": number})
            assert [fault.number for fault in record_chain.faults(con)] == [number]

    # --- in between

    def _take(self, which: int) -> tuple[str, pl.DataFrame]:
        pot, number = self.waiting.pop(which)
        return pot, piece(pot, number)

    def _add(self, kind: str, body: dict[str, Any]) -> str:
        record_id = records.add(self.data, YARD, kind, body, "Tender", "page", instant(100))
        self.rows += 1
        self.entered[record_id] = body
        return record_id


def run(examples: int, steps: int) -> None:
    run_state_machine_as_test(
        Parts,
        settings=settings(
            max_examples=examples, stateful_step_count=steps, deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip


def test_hours_are_conserved_and_no_sign_off_is_lost() -> None:
    run(examples=2, steps=14)


@pytest.mark.slow
def test_hours_are_conserved_and_no_sign_off_is_lost_in_long_histories() -> None:
    run(examples=12, steps=30)
