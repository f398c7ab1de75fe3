"""The invented contractor: crews, jobs, pots. None of it exists."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time

from .plant import Plant

BAG_KG = 25.0
ABRASIVE = "garnet 30/60"
CONTRACTOR = "An invented contractor"
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
    access, place : str
        How the steel is reached, and whether it stands indoors; neither changes what it takes.
    """

    name: str
    item: str
    rust_grade: str
    prep_grade: str
    planned_m2: float
    kg_m2: float
    access: str = "ground"
    place: str = "outdoor"


JOBS = (
    Job("tank-4-shell", "storage tank 4, shell plates", "A", "Sa 2½", 780.0, 17.5, "scaffold"),
    Job("tank-4-roof", "storage tank 4, roof", "C", "Sa 2½", 420.0, 16.0, "ground"),
    Job("barge-7-hull", "barge 7, outside of hull", "D", "Sa 2", 960.0, 19.0, "lift"),
    Job("barge-7-deck", "barge 7, deck", "C", "Sa 2", 510.0, 13.5, "ground"),
    Job("girder-set-12", "bridge girders, set 12", "B", "Sa 2½", 640.0, 15.5, "ground", "indoor"),
    Job("girder-set-13", "bridge girders, set 13", "A", "Sa 3", 610.0, 21.0, "ground", "indoor"),
    Job("pipe-rack-2", "pipe rack 2, supports", "B", "Sa 2½", 380.0, 18.0, "lift"),
    Job("lock-gate-1", "lock gate 1, both faces", "D", "Sa 2½", 560.0, 24.0, "scaffold"),
    Job("crane-rail-9", "crane rail beams, bay 9", "A", "Sa 2½", 330.0, 16.5, "lift"),
    Job("silo-3-inside", "silo 3, inside", "C", "Sa 3", 450.0, 22.0, "confined", "indoor"),
    Job("frame-batch-31", "steel frames, batch 31", "B", "Sa 2", 720.0, 11.5, "ground", "indoor"),
    Job("buoy-batch-5", "buoys, batch 5", "D", "Sa 2", 290.0, 15.0, "ground"),
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


def pot_plant(pot: str) -> tuple[Plant, float]:
    """Give the plant of a pot as bought, and how much abrasive people fill it with [kg].

    Parameters
    ----------
    pot : str
        `pot-1` to `pot-8`.
    """
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


def plant_named(pot: str) -> tuple[Plant, float]:
    """Give the plant of one of the contractor's pots by name, and of any other pot the usual one.

    Parameters
    ----------
    pot : str
        Any name.

    Returns
    -------
    tuple of Plant and float
        The plant, and how much abrasive people fill it with [kg].

    Examples
    --------
    >>> plant_named("pot-3")[0].vessel_m3, plant_named("old-red-one")[0].vessel_m3
    (0.11, 0.18406)
    """
    if pot in {f"pot-{number}" for number in range(1, len(POT_SIZES) + 1)}:
        return pot_plant(pot)
    return Plant(), 250.0
