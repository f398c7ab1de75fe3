"""A year of the simulated yard: every limit passing is raised, in time and not before.

What is true comes from the simulator, which shares no code with analytics: hours and closings of
each pinch hose, cycle by cycle, and what its crew did about them. What Gritbook knows are the
readings of its box, with noise, a clock of its own, chatter and silences. Faults of transducers
and switches are left out: what they do to hours is tested elsewhere.
"""

from __future__ import annotations

import bisect
import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl
import pytest

from analytics.cycles import CYCLE_SCHEMA, GAP_SCHEMA, CycleSettings, find_cycles
from analytics.hours import PotHours, microseconds, pot_hours, windows
from analytics.parts_usage import EVENT_SCHEMA, Place, usage_of_parts
from analytics.rule_spans import Curve, counts, rule_spans
from analytics.summaries import in_seconds
from analytics.upkeep import UpkeepRule, due_list
from simulated_feeds.history import box_samples
from simulated_feeds.truth_tables import Truth
from simulated_feeds.yard import Yard, generator, plan_yard, pot_transducers, run_pot

#: Samples a second: enough for the dead-man's chatter to be told from a release. [1/s]
RATE_HZ = 5.0
LIMIT_H, LIMIT_CYCLES = 40.0, 500
RULES = [
    UpkeepRule("pinch_hose", "wall and bore", LIMIT_H, None, None, 0.1, "common practice",
               name="by-hours"),
    UpkeepRule("pinch_hose", "wall and bore", None, LIMIT_CYCLES, None, 0.1, "common practice",
               name="by-cycles"),
]  # fmt: skip
HOSE = "pinch_hose"


@dataclass
class PotYear:
    """What truly happened to one pot, and what Gritbook has of it."""

    pot: str
    released_at: list[dt.datetime] = field(default_factory=list)
    blast_h: list[float] = field(default_factory=list)
    closings: list[float] = field(default_factory=list)
    begun_anew_at: list[dt.datetime] = field(default_factory=list)
    events: list[tuple[object, ...]] = field(default_factory=list)
    hours: PotHours | None = None
    edges_us: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    last_at: dt.datetime | None = None

    def truly(self, from_at: dt.datetime, to_at: dt.datetime) -> tuple[float, float]:
        """Blast hours [h] and closings of cycles that ended between two instants."""
        first = bisect.bisect_right(self.released_at, from_at)
        last = bisect.bisect_right(self.released_at, to_at)
        return sum(self.blast_h[first:last]), sum(self.closings[first:last])


def naive(instant: dt.datetime) -> dt.datetime:
    return instant.astimezone(dt.UTC).replace(tzinfo=None)


def live_through(yard: Yard, pot: str) -> PotYear:
    year = PotYear(pot)
    transducers, box, truth = (
        pot_transducers(yard.seed, pot), generator(yard.seed, pot, "box"), Truth(),
    )  # fmt: skip
    settings = CycleSettings(gap_s=2.0)
    cycles, gaps, booked, edges = [], [], [], []
    before: dt.datetime | None = None
    for shift in run_pot(yard, pot):
        columns = box_samples(shift, yard, transducers, box, truth)
        at = pl.Series(columns.pop("time")).cast(pl.Datetime("us"))
        columns.pop("seq")
        found = find_cycles(pl.DataFrame({"sampled_at": at, **columns}), settings)
        cycles.append(found.cycles)
        gaps += [found.gaps] if before is None else [
            pl.DataFrame([(before, at[0], False, False)], schema=GAP_SCHEMA, orient="row"),
            found.gaps,
        ]  # fmt: skip
        before = at[-1]
        booked.append((naive(shift.shift.from_at), naive(shift.shift.to_at)))
        edges += [found.cycles["span_to_at"], found.gaps["to_at"]]
        begun = dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=shift.box_on_us)
        true = shift.result.cycles
        year.released_at += [begun + dt.timedelta(seconds=s) for s in true["released_s"].tolist()]
        # The switch on the return line lets go a moment after the hand; nobody can know better.
        lag_s = np.nan_to_num(true["signal_off_s"] - true["released_s"]) * (true["blast_s"] > 0)
        year.blast_h += ((true["blast_s"] + lag_s) / 3600.0).tolist()
        year.closings += true["pinched"].tolist()
        for event in shift.part_events:
            if event["part"] == HOSE:
                _entered(year, event)
    every = pl.concat(cycles).select(list(CYCLE_SCHEMA))
    year.last_at = before
    year.hours = pot_hours(every, pl.concat(gaps), every["pressed_at"][0], before, booked)
    ends = pl.concat([edge.cast(pl.Datetime("us")).alias("end") for edge in edges])
    year.edges_us = ends.unique().sort().cast(pl.Int64).to_numpy()
    return year


def _entered(year: PotYear, event: dict[str, object]) -> None:
    at = event["at"]
    assert isinstance(at, dt.datetime)
    at = naive(at)
    kind = "checked" if event["kind"] == "check" else "fitted"
    result, tag = str(event.get("result", "")), str(event["tag"]) if kind == "fitted" else ""
    number = f"{len(year.events):04d}"
    year.events.append((at, number, kind, year.pot, HOSE, "1", tag, result, ""))
    if result == "good" or kind == "fitted":
        year.begun_anew_at.append(at)


@pytest.mark.slow
def test_every_limit_passing_of_a_year_is_raised_within_a_cycle_and_none_before() -> None:
    yard = plan_yard(11, dt.date(2026, 11, 20), 365, 2, RATE_HZ, mishaps=False)
    passings = 0
    for pot in yard.pots:
        year = live_through(yard, pot)
        assert year.hours is not None and year.last_at is not None
        passings += _raised(year, year.hours, year.last_at)
    assert passings > 60


def _raised(year: PotYear, hours: PotHours, now: dt.datetime) -> int:
    events = pl.DataFrame(year.events, schema=EVENT_SCHEMA, orient="row")
    place = Place(year.pot, HOSE, "1")
    parts = usage_of_parts(events, {year.pot: hours}, [place], now)

    def used(from_us: np.ndarray, to_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        high_h = windows(hours, from_us, to_us)["blast_high_s"].to_numpy() / 3600.0
        return high_h, hours.cycles_high_within(from_us, to_us).astype(float)

    counted = counts(parts.stays, parts.checks.rename({"at": "checked_at"}), RULES)
    spans = rule_spans(counted, {year.pot: Curve(year.edges_us, used)}, now).filter(
        pl.col("kind") == "rule_due"
    )
    assert hours.first_us is not None
    begins = [dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=hours.first_us)]
    begins += [at for at in year.begun_anew_at if at > begins[0]]
    passings = 0
    for begin, end in zip(begins, [*begins[1:], now], strict=True):
        for rule in RULES:
            mine = spans.filter(
                pl.col("cause").str.ends_with(f"/{rule.called}")
                & (pl.col("from_at") > begin) & (pl.col("from_at") <= end)
            )  # fmt: skip
            passed_at = _truly_passed(year, rule, begin, end)
            assert mine.height <= 1
            if passed_at is not None:
                passings += 1
                # None is missed, and none comes later than the cycle after the one that passed it.
                next_one = bisect.bisect_right(year.released_at, passed_at)
                late = year.released_at[min(next_one, len(year.released_at) - 1)]
                assert mine.height == 1, (year.pot, rule.called, begin)
                assert mine["from_at"][0] <= max(late, passed_at) + dt.timedelta(minutes=1)
            if mine.height:
                _not_early(year, hours, rule, begin, mine["from_at"][0])
                _due_list_agrees(year, hours, rule, place, events, mine["from_at"][0])
    return passings


def _truly_passed(
    year: PotYear, rule: UpkeepRule, begin: dt.datetime, end: dt.datetime
) -> dt.datetime | None:
    """End of the true cycle by which a limit had truly passed; ``None``: it had not."""
    hours = closings = 0.0
    first = bisect.bisect_right(year.released_at, begin)
    for i in range(first, bisect.bisect_left(year.released_at, end)):
        hours += year.blast_h[i]
        closings += year.closings[i]
        if (rule.every_blast_h and hours >= LIMIT_H) or (
            rule.every_cycles and closings >= LIMIT_CYCLES
        ):
            return year.released_at[i]
    return None


def _not_early(
    year: PotYear, hours: PotHours, rule: UpkeepRule, begin: dt.datetime, at: dt.datetime
) -> None:
    """What was raised was at its limit, but for what missing data and sampling allow."""
    edge = [np.array([microseconds(instant)], dtype=np.int64) for instant in (begin, at)]
    row = windows(hours, *edge).row(0, named=True)
    # A silence can end, and a limit with it, within an opening: that cycle counts whole.
    under_way = bisect.bisect_right(year.released_at, at)
    until = year.released_at[min(under_way, len(year.released_at) - 1)]
    blast_h, closings = year.truly(begin, max(at, until))
    if rule.every_blast_h:
        allowed_h = (row["blast_high_s"] - row["blast_low_s"]) / 3600.0
        assert blast_h >= LIMIT_H - allowed_h, (year.pot, begin, at, blast_h, allowed_h)
        assert row["blast_high_s"] / 3600.0 >= LIMIT_H - 1e-6
    else:
        # A silence counts at the pot's pace before it, and within an opening makes two of one.
        low = int(hours.sure.within(*edge)[0])
        allowed = int(hours.cycles_high_within(*edge)[0]) - low
        assert closings >= LIMIT_CYCLES - allowed - 1, (year.pot, begin, at, closings, allowed)


def _due_list_agrees(
    year: PotYear, hours: PotHours, rule: UpkeepRule, place: Place, events: pl.DataFrame,
    at: dt.datetime,
) -> None:  # fmt: skip
    """The due list says *due* from that moment on, and *soon* at the end of the cycle before."""
    before = year.edges_us[np.searchsorted(year.edges_us, microseconds(at)) - 1]
    before_at = dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=int(before))
    states = []
    for now in (before_at, at):
        parts = usage_of_parts(events, {year.pot: hours}, [place], now)
        due = due_list(in_seconds(parts.usage), [rule], now)
        states.append(due["state"][0])
    assert states[1] == "due"
    assert states[0] in ("soon", "due")
    if rule.every_blast_h:
        assert states[0] == "soon"
