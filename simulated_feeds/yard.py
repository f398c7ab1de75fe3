"""An invented blasting contractor: its pots, crews, jobs and calendar, and what they did in it.

`plan_yard` draws the calendar; `run_pot` lets the model live through it for one pot and yields one
worked shift after the other. Everything hangs on the seed: each pot has a generator of its own, so
pots can be made in any order, or only some of them, with the same bytes.

The contractor, its people, jobs and places do not exist.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from .contractor import (
    BAG_KG,
    CREWS,
    JOBS,
    POOR_FIRST_HOSE,
    POT_SIZES,
    YARDS,
    Crew,
    Job,
    pot_plant,
)
from .faults.fault_set import FaultSet
from .mishaps import draw_mishaps, put_right
from .plant import resting_state
from .pot_shift import Habits, ShiftPlan, ShiftResult, run_shift
from .signals import Transducer
from .wear import PinchHose, Worn
from .weather import Weather, draw_weather

BOX_MARGIN_S = 900.0
"""The box is switched on so long before people come, and off so long after they leave [s]."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift as planned: who, where, on what, and when in UTC."""

    name: str
    crew: Crew
    yard: str
    job: Job
    pots: tuple[str, ...]
    from_at: datetime
    to_at: datetime
    rained_off: bool


@dataclass(frozen=True, slots=True)
class Yard:
    """The calendar of the whole contractor.

    Attributes
    ----------
    seed : int
        What everything was drawn from.
    zone : str
        Time zone shifts are kept in.
    from_date, to_date : date
        First and last local day, both worked.
    pots : tuple of str
        Names of the pots.
    rate_hz : float
        Samples a second [1/s].
    shifts : tuple of Shift
        In order of their start.
    weather : Weather
        Over the whole time.
    mishaps : bool
        False leaves only wear, and no faults besides.
    """

    seed: int
    zone: str
    from_date: date
    to_date: date
    pots: tuple[str, ...]
    rate_hz: float
    shifts: tuple[Shift, ...]
    weather: Weather
    mishaps: bool = True


@dataclass(slots=True)
class WorkedShift:
    """One pot's share of a shift, true and as people will report it.

    Attributes
    ----------
    pot : str
        The pot.
    shift : Shift
        The shift it belongs to.
    box_on_us : int
        UNIX time the box was switched on, true time [us].
    result : ShiftResult
        Samples, cycles, refills.
    air_c : float
        Air temperature half way [degC].
    area_m2 : float
        What was truly blasted [m2].
    used_kg : float
        Abrasive that truly left the pot [kg].
    faults : FaultSet
        What was wrong besides wear.
    hose : dict
        Cycle-by-cycle truth of the pinch hose: `hose_tag`, `hose_cycles`, `hose_blast_h`.
    part_events : list of dict
        Parts looked at or changed before the shift, with their truth.
    """

    pot: str
    shift: Shift
    box_on_us: int
    result: ShiftResult
    air_c: float
    area_m2: float
    used_kg: float
    faults: FaultSet
    hose: dict[str, list[float | str]] = field(default_factory=dict)
    part_events: list[dict[str, object]] = field(default_factory=list)


def generator(seed: int, *names: str) -> np.random.Generator:
    """Give a random generator of its own for each combination of seed and names.

    Parameters
    ----------
    seed : int
        Seed of the scenario.
    *names : str
        What the generator is for.
    """
    words = [seed & 0xFFFFFFFF]
    for name in names:
        words.append(int.from_bytes(name.encode()[:16].ljust(16, b"\0"), "little"))
    return np.random.default_rng(np.random.SeedSequence(words))


def history_end(until: date, zone: str) -> datetime:
    """Give the midnight at which a history ends that runs up to and with a local date, in UTC.

    Parameters
    ----------
    until : date
        Last local day, worked as any other.
    zone : str
        IANA time zone.
    """
    return datetime.combine(until + timedelta(days=1), time(), ZoneInfo(zone)).astimezone(UTC)


def plan_yard(
    seed: int,
    until: date,
    days: int,
    pots: int,
    rate_hz: float = 10.0,
    zone: str = "Europe/Amsterdam",
    *,
    mishaps: bool = True,
) -> Yard:
    """Draw the calendar of a yard: which crew works when, where, on which job, and when it rains.

    Parameters
    ----------
    seed : int
        Same seed, same calendar.
    until : date
        Last local day, worked as any other.
    days : int
        Days in all, at least 1.
    pots : int
        Pots, 1 to 8.
    rate_hz : float
        Samples a second [1/s].
    zone : str
        IANA time zone the shifts are kept in.
    mishaps : bool
        False leaves only wear, and no faults besides.

    Returns
    -------
    Yard
        The calendar.

    Raises
    ------
    ValueError
        When days or pots are out of range.
    """
    if not 1 <= pots <= len(POT_SIZES):
        raise ValueError(f"a yard has 1 to {len(POT_SIZES)} pots, not {pots}")
    if days < 1:
        raise ValueError(f"a yard's history has at least one day, not {days}")
    random = generator(seed, "calendar")
    local = ZoneInfo(zone)
    first = until - timedelta(days=days - 1)
    midnight = datetime.combine(first, time(), UTC).timestamp()
    weather = draw_weather(midnight, days + 2, generator(seed, "weather"))
    jobs = [JOBS[index] for index in random.permutation(len(JOBS))]
    at_job = {crew.name: (index, 0.0) for index, crew in enumerate(CREWS)}
    taken = len(CREWS)
    over_at = history_end(until, zone)
    shifts: list[Shift] = []
    for day_number in range(days):
        day = first + timedelta(days=day_number)
        for crew_number, crew in enumerate(CREWS):
            # drawn for every crew, so that fewer pots leave the others' calendar as it was
            late_s, longer_h, absent = (
                random.uniform(0.0, 600.0), random.normal(0.0, 0.35), random.random() < 0.03,
            )  # fmt: skip
            weeks = day.isocalendar().week
            if day.weekday() not in crew.weekdays or weeks % crew.every_weeks or absent:
                continue
            numbers = tuple(number for number in crew.pots if number <= pots)
            if not numbers:
                continue
            index, done_m2 = at_job[crew.name]
            job = jobs[index % len(jobs)]
            if done_m2 > job.planned_m2:
                index, done_m2 = taken, 0.0
                taken += 1
                job = jobs[index % len(jobs)]
            at_job[crew.name] = (index, done_m2 + 62.0 * len(numbers))
            starts = datetime.combine(day, crew.starts, local).astimezone(UTC)
            if day == until and starts + timedelta(hours=crew.hours) > over_at:
                continue  # still at work when the history ends
            starts += timedelta(seconds=round(late_s))
            length_h = float(np.clip(crew.hours + longer_h, 7.5, 10.0))
            rained_off = weather.rains(starts.timestamp()) and crew_number % 2 == 0
            if rained_off:
                length_h *= 0.35
            shifts.append(
                Shift(
                    f"{day.isoformat()}-{crew.name}",
                    crew,
                    YARDS[crew_number % len(YARDS)],
                    job,
                    tuple(f"pot-{number}" for number in numbers),
                    starts,
                    starts + timedelta(seconds=round(length_h * 3600.0)),
                    rained_off,
                )
            )
    shifts.sort(key=lambda shift: (shift.from_at, shift.name))
    names = tuple(f"pot-{number}" for number in range(1, pots + 1))
    return Yard(seed, zone, first, until, names, rate_hz, tuple(shifts), weather, mishaps)


def pot_transducers(seed: int, pot: str) -> tuple[Transducer, Transducer, Transducer]:
    """Draw the supply, pot and nozzle transducer of a pot: each has errors of its own.

    Parameters
    ----------
    seed : int
        Seed of the scenario.
    pot : str
        The pot.
    """
    random = generator(seed, pot, "transducers")
    supply, vessel, nozzle = (
        Transducer(
            noise_pa=float(random.uniform(200.0, 350.0)),
            zero_pa=float(random.normal(0.0, 800.0)),
            gain=float(1.0 + random.normal(0.0, 0.001)),
            warmth_pa_k=float(random.normal(0.0, 30.0)),
        )
        for _ in range(3)
    )
    return supply, vessel, nozzle


def run_pot(yard: Yard, pot: str) -> Iterator[WorkedShift]:
    """Let one pot live through the yard's calendar, one worked shift at a time.

    Parameters
    ----------
    yard : Yard
        The calendar.
    pot : str
        Name of one of its pots.

    Yields
    ------
    WorkedShift
        In order of time.
    """
    random = generator(yard.seed, pot, "work")
    plant, full_kg = pot_plant(pot)
    healthy = plant.row()
    row = healthy.copy()
    state = resting_state(plant, abrasive_kg=0.0)
    interval_s = 1.0 / yard.rate_hz
    first_at = datetime.combine(yard.from_date, time(), UTC) - timedelta(hours=6)
    hose = PinchHose.new(pot, 1, first_at, random)
    if pot in POOR_FIRST_HOSE:
        hose.life_factor = 0.62
    worn = Worn(plant, hose, random)
    shifts = [shift for shift in yard.shifts if pot in shift.pots]
    wrong = draw_mishaps(len(shifts), generator(yard.seed, pot, "mishaps"))
    for number, shift in enumerate(shifts):
        faults = FaultSet(wrong[number] if yard.mishaps else {}, yard.seed * 10_007 + number)
        events = worn.look_over(pot, shift.from_at, random)
        if yard.mishaps and number:
            events += put_right(wrong[number - 1], wrong[number], shift.from_at)
        box_on_s = round(shift.from_at.timestamp() - BOX_MARGIN_S)
        from_s = shift.from_at.timestamp() - box_on_s
        to_s = shift.to_at.timestamp() - box_on_s
        air, _, _ = yard.weather.at(0.5 * (shift.from_at.timestamp() + shift.to_at.timestamp()))
        healthy["air_k"] = 273.15 + max(float(air), -5.0) + 8.0
        row[:] = healthy
        worn.start_shift()

        def before_cycle(
            plant_row: np.ndarray,
            state: np.ndarray,
            _time_s: float,
            faults: FaultSet = faults,
        ) -> None:
            worn.before_cycle(healthy, state)
            faults.change_plant(plant_row, healthy)

        result = run_shift(
            state,
            row,
            ShiftPlan(
                from_s + float(random.uniform(600.0, 2400.0)),
                to_s - float(random.uniform(300.0, 1500.0)),
                to_s + BOX_MARGIN_S,
                _breaks(from_s, to_s, random),
            ),
            Habits(),
            interval_s,
            random,
            pot_full_kg=full_kg,
            bag_kg=BAG_KG,
            before_cycle=before_cycle,
        )
        worn.end_shift(result)
        cycles = result.cycles
        used_kg = float(np.sum(cycles["abrasive_start_kg"] - cycles["abrasive_end_kg"]))
        yield WorkedShift(
            pot,
            shift,
            box_on_s * 1_000_000,
            result,
            float(air),
            _area_m2(cycles, shift, random),
            used_kg,
            faults,
            worn.hose_truth(result),
            events,
        )


def _breaks(
    from_s: float, to_s: float, random: np.random.Generator
) -> tuple[tuple[float, float], ...]:
    """Draw morning break, meal and afternoon break: start and length [s]."""
    span_s = to_s - from_s
    return tuple(
        (from_s + share * span_s + float(random.normal(0.0, 300.0)), length_s)
        for share, length_s in (
            (0.26, float(random.uniform(780.0, 1200.0))),
            (0.50, float(random.uniform(1700.0, 2500.0))),
            (0.76, float(random.uniform(700.0, 1100.0))),
        )
    )


def _area_m2(cycles: dict[str, np.ndarray], shift: Shift, random: np.random.Generator) -> float:
    """Give the area a pot truly blasted: abrasive over kg/m2, less what low pressure costs.

    1.5 % a psi below 100 psi (6.9 kPa each, 690 kPa), compounded, is common practice without a
    controlled study.
    """
    used_kg = cycles["abrasive_start_kg"] - cycles["abrasive_end_kg"]
    short_psi = np.clip((690_000.0 - np.nan_to_num(cycles["mean_nozzle_pa"])) / 6894.757, 0, 45)
    useful_kg = float(np.sum(used_kg * 0.985**short_psi))
    luck = float(random.lognormal(0.0, 0.06))
    return useful_kg / shift.job.kg_m2 * shift.crew.skill * luck
