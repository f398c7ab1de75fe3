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

from .plant import Plant, resting_state
from .pot_shift import Habits, ShiftPlan, ShiftResult, run_shift
from .signals import Transducer
from .wear import PinchHose, Worn
from .weather import Weather, draw_weather

BOX_MARGIN_S = 900.0
"""The box is switched on so long before people come, and off so long after they leave [s]."""
BAG_KG = 25.0
ABRASIVE = "garnet 30/60"
CONTRACTOR = "Ardmoor Blasting (invented)"
YARDS = ("north-yard", "dock-yard", "bridge-site")
SUPERVISORS = ("Supervisor A", "Supervisor B", "Supervisor C")


@dataclass(frozen=True, slots=True)
class Crew:
    """A crew: its key, size, usual pots, hours in local time, and how it works.

    Attributes
    ----------
    name : str
        Key of the crew and last part of its shifts' keys.
    size : int
        People.
    pots : tuple of int
        Numbers of the pots it works on.
    starts, hours : time, float
        Local start and usual length [h].
    weekdays : tuple of int
        Days it works, Monday is 0.
    every_weeks : int
        Works only each so many weeks.
    skill : float
        Area it gets from a kilogram of abrasive, against the usual [-].
    """

    name: str
    size: int
    pots: tuple[int, ...]
    starts: time
    hours: float
    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4)
    every_weeks: int = 1
    skill: float = 1.0


CREWS = (
    Crew("day-a", 3, (1, 2), time(6, 30), 9.0, skill=1.04),
    Crew("day-b", 2, (3,), time(7, 0), 8.5, skill=0.97),
    Crew("night", 2, (1,), time(21, 0), 8.0, weekdays=(1, 2, 3), every_weeks=2, skill=0.93),
    Crew("day-c", 3, (4, 5), time(6, 0), 9.5, weekdays=(0, 1, 2, 3, 4, 5), skill=1.0),
    Crew("day-d", 4, (6, 7, 8), time(7, 0), 8.0, skill=1.08),
)


@dataclass(frozen=True, slots=True)
class Job:
    """A piece of work with its steel and the finish asked for.

    Attributes
    ----------
    name, item : str
        Key and what is blasted.
    rust_grade, prep_grade : str
        ISO 8501-1 grades.
    planned_m2 : float
        Area [m2].
    kg_m2 : float
        Abrasive it truly takes at 690 kPa at the nozzle and usual skill [kg/m2]. Drawn about
        estimating practice (from memory); no rank of the rust grades is built in.
    """

    name: str
    item: str
    rust_grade: str
    prep_grade: str
    planned_m2: float
    kg_m2: float


JOBS = (
    Job("tank-4-shell", "storage tank 4, shell plates", "A", "Sa 2½", 780.0, 17.5),
    Job("tank-4-roof", "storage tank 4, roof", "C", "Sa 2½", 420.0, 16.0),
    Job("barge-7-hull", "barge 7, outside of hull", "D", "Sa 2", 960.0, 19.0),
    Job("barge-7-deck", "barge 7, deck", "C", "Sa 2", 510.0, 13.5),
    Job("girder-set-12", "bridge girders, set 12", "B", "Sa 2½", 640.0, 15.5),
    Job("girder-set-13", "bridge girders, set 13", "A", "Sa 3", 610.0, 21.0),
    Job("pipe-rack-2", "pipe rack 2, supports", "B", "Sa 2½", 380.0, 18.0),
    Job("lock-gate-1", "lock gate 1, both faces", "D", "Sa 2½", 560.0, 24.0),
    Job("crane-rail-9", "crane rail beams, bay 9", "A", "Sa 2½", 330.0, 16.5),
    Job("silo-3-inside", "silo 3, inside", "C", "Sa 3", 450.0, 22.0),
    Job("frame-batch-31", "steel frames, batch 31", "B", "Sa 2", 720.0, 11.5),
    Job("buoy-batch-5", "buoys, batch 5", "D", "Sa 2", 290.0, 15.0),
)

POT_SIZES = (
    (0.18406, 250.0), (0.18406, 250.0), (0.110, 150.0), (0.18406, 250.0),
    (0.085, 115.0), (0.18406, 250.0), (0.110, 150.0), (0.18406, 250.0),
)  # fmt: skip
"""Vessel [m3] and the abrasive people fill it with [kg], pot by pot; 0.18406 is 6.5 cubic feet."""
BORES_M = (0.009525, 0.009525, 0.0079375, 0.009525, 0.0079375, 0.011113, 0.009525, 0.009525)
"""Nozzle bores as bought [m]: 3/8, 5/16 and 7/16 inch."""

POOR_FIRST_HOSE = frozenset({"pot-2", "pot-6"})
"""Pots that begin with a poor piece of pinch hose, so that a short history has one changed."""


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
    """

    seed: int
    zone: str
    from_date: date
    to_date: date
    pots: tuple[str, ...]
    rate_hz: float
    shifts: tuple[Shift, ...]
    weather: Weather


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
    hose: dict[str, list[float | str]] = field(default_factory=dict)
    part_events: list[dict[str, object]] = field(default_factory=list)


def generator(seed: int, *names: str) -> np.random.Generator:
    """Give a random generator of its own for each combination of seed and names."""
    words = [seed & 0xFFFFFFFF]
    for name in names:
        words.append(int.from_bytes(name.encode()[:16].ljust(16, b"\0"), "little"))
    return np.random.default_rng(np.random.SeedSequence(words))


def history_end(until: date, zone: str) -> datetime:
    """Give the midnight at which a history ends that runs up to and with a local date, in UTC."""
    return datetime.combine(until + timedelta(days=1), time(), ZoneInfo(zone)).astimezone(UTC)


def plan_yard(
    seed: int,
    until: date,
    days: int,
    pots: int,
    rate_hz: float = 10.0,
    zone: str = "Europe/Amsterdam",
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
    return Yard(seed, zone, first, until, names, rate_hz, tuple(shifts), weather)


def pot_plant(pot: str) -> tuple[Plant, float]:
    """Give the plant of a pot as bought, and how much abrasive people fill it with [kg]."""
    number = int(pot.rsplit("-", 1)[1]) - 1
    vessel_m3, full_kg = POT_SIZES[number]
    bore_m = BORES_M[number]
    share = (bore_m / 0.009525) ** 2
    plant = Plant(
        vessel_m3=vessel_m3,
        bore_m=bore_m,
        feed_kg_s=0.098 * share,
        hose_length_m=(20.0, 40.0, 20.0, 30.0, 20.0, 30.0, 20.0, 40.0)[number],
        compressor_kg_s=0.213 if share < 1.2 else 0.26,
    )
    return plant, full_kg


def pot_transducers(seed: int, pot: str) -> tuple[Transducer, Transducer, Transducer]:
    """Draw the supply, pot and nozzle transducer of a pot: each has errors of its own."""
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
    row = plant.row()
    state = resting_state(plant, abrasive_kg=0.0)
    interval_s = 1.0 / yard.rate_hz
    first_at = datetime.combine(yard.from_date, time(), UTC) - timedelta(hours=6)
    hose = PinchHose.new(pot, 1, first_at, random)
    if pot in POOR_FIRST_HOSE:
        hose.life_factor = 0.62
    worn = Worn(plant, hose, random)
    for shift in yard.shifts:
        if pot not in shift.pots:
            continue
        events = worn.look_over(pot, shift.from_at, random)
        box_on_s = round(shift.from_at.timestamp() - BOX_MARGIN_S)
        from_s = shift.from_at.timestamp() - box_on_s
        to_s = shift.to_at.timestamp() - box_on_s
        air, _, _ = yard.weather.at(0.5 * (shift.from_at.timestamp() + shift.to_at.timestamp()))
        row["air_k"] = 273.15 + max(float(air), -5.0) + 8.0
        worn.start_shift()
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
            before_cycle=worn.before_cycle,
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
