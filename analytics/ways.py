"""The abrasive of a shift three ways: bags entered, load cell, pressures; and which one is used.

Each way can be wrong on its own: a bag is forgotten, a load cell is leant on, a vessel holds more
than its papers say. So all three are kept side by side, and how far they differ is told, not
averaged away. Bags are what was tipped, the other two what left through the nozzle: they are
compared after what the pot held more or less at the end.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]

#: Standard normal quantile of a two-sided 90 % interval.
Z_90 = 1.6449
#: Names of the ways, in the order in which they are preferred.
BAGS, LOAD_CELL, PRESSURE = "bags", "load_cell", "pressure"
ORDER = (BAGS, LOAD_CELL, PRESSURE)

#: A way is used only where it saw this share of the blast time.
LEAST_SEEN = 0.9
#: Bags further than this share from what was measured are asked about, not used (our estimate).
BAGS_APART = 0.25
#: Abrasive an hour of blasting that a nozzle can be thought to use (our estimates). [kg/h]
LEAST_KG_H, MOST_KG_H = 30.0, 3_000.0

#: At rest a load cell is read so long after a release and before a press. [s]
_EDGE_S = 30.0
#: Readings of an edge, at most.
_EDGE_READINGS = 9
#: A step at rest under this, and under four times its error, is noise and no refill. [kg]
_STEP_KG = 6.0
#: A rest without any reading is passed over up to this long: nobody tips a bag in it. [s]
_BRIDGED_S = 60.0


@dataclass(frozen=True)
class Way:
    """Abrasive that one way gives for a stretch.

    Parameters
    ----------
    name : str
        ``bags``, ``load_cell`` or ``pressure``.
    kg : float
        The abrasive. [kg]
    low_kg, high_kg : float
        Its 90 % interval; as ``kg`` for bags, whose errors nobody can know. [kg]
    seen_share : float
        Share of the blast time that it rests on. [-]
    """

    name: str
    kg: float
    low_kg: float
    high_kg: float
    seen_share: float = 1.0

    @property
    def whole(self) -> bool:
        """Whether it saw enough of the blast time to be used."""
        return self.seen_share >= LEAST_SEEN


@dataclass(frozen=True)
class Ways:
    """The ways side by side.

    Parameters
    ----------
    found : tuple of Way
        Those that there are, in the order of :data:`ORDER`.
    used : str
        Name of the one that is used; empty: none can be.
    bags_doubt : str
        Why bags are not used though entered: ``apart`` (far from what was measured), ``rate`` (no
        nozzle uses so much or so little); empty: they are, or there are none.
    level_change_kg : float or None
        What the pot held more after the last cycle than before the first; ``None``: not known. [kg]
    outside_kg : float
        Of the bags entered, those tipped before the first cycle or after the last. [kg]
    apart : dict of str to float
        Way to its difference from the one used, as a share of that, each as use: of the bags,
        those between first and last cycle, less what the pot held more after than before. [-]
    kg_m2 : dict of str to float
        Way to abrasive per area; empty where no area is known. [kg/m2]
    """

    found: tuple[Way, ...]
    used: str
    bags_doubt: str
    level_change_kg: float | None
    outside_kg: float
    apart: dict[str, float]
    kg_m2: dict[str, float]

    def way(self, name: str) -> Way | None:
        """The way of that name, where there is one."""
        return next((way for way in self.found if way.name == name), None)


def abrasive_ways(
    entered_kg: float | None,
    load_cell: Way | None,
    pressure: Way | None,
    blast_s: float,
    area_m2: float | None = None,
    level_change_kg: float | None = None,
    outside_kg: float = 0.0,
) -> Ways:
    """Put the ways side by side, and say which one is used.

    Parameters
    ----------
    entered_kg : float or None
        Bags entered; ``None``: none. [kg]
    load_cell, pressure : Way or None
        From :func:`load_cell_way` and :func:`pressure_way`.
    blast_s : float
        Blast time of the stretch. [s]
    area_m2 : float, optional
        Area done. [m2]
    level_change_kg : float, optional
        What the pot held more after the last cycle than before the first. [kg]
    outside_kg : float
        Of the bags entered, those tipped before the first cycle or after the last: they are in no
        cycle's use, but for times that were entered late. [kg]

    Returns
    -------
    Ways
        Bags are used where they are entered and plausible, else the load cell, else the estimate
        from pressures.

    Examples
    --------
    >>> ways = abrasive_ways(1000.0, None, Way("pressure", 960.0, 900.0, 1020.0), 7200.0, 40.0)
    >>> ways.used, round(ways.apart["pressure"], 3), ways.kg_m2["bags"]
    ('bags', -0.04, 25.0)
    """
    bags = None if entered_kg is None else Way(BAGS, entered_kg, entered_kg, entered_kg)
    found = tuple(way for way in (bags, load_cell, pressure) if way is not None)
    # Where the level is not known, all bags are taken as use.
    not_use_kg = 0.0 if level_change_kg is None else level_change_kg + outside_kg
    as_use = {way.name: way.kg - not_use_kg if way.name == BAGS else way.kg for way in found}
    measured = next((w for w in (load_cell, pressure) if w is not None and w.whole), None)
    doubt = ""
    if bags is not None:
        # An entry's time may be late: bags are doubted only where neither reading of it fits.
        readings = {as_use[BAGS], bags.kg - (level_change_kg or 0.0)}
        doubts = [_doubt(kg, measured, blast_s) for kg in sorted(readings)]
        doubt = doubts[0] if all(doubts) else ""
    usable = [way.name for way in found if way.whole and not (way.name == BAGS and doubt)]
    used = usable[0] if usable else ""
    base = as_use.get(used, 0.0)
    return Ways(
        found=found,
        used=used,
        bags_doubt=doubt,
        level_change_kg=level_change_kg,
        outside_kg=outside_kg,
        apart={
            name: (kg - base) / base for name, kg in as_use.items() if name != used and base > 0.0
        },
        kg_m2=(
            {way.name: way.kg / area_m2 for way in found}
            if area_m2 is not None and area_m2 > 0.0
            else {}
        ),
    )


def _doubt(bags_use_kg: float, measured: Way | None, blast_s: float) -> str:
    """Why bags are not plausible as what was used; empty where they are."""
    if measured is not None:
        half = max(
            measured.high_kg - measured.kg,
            measured.kg - measured.low_kg,
            BAGS_APART * measured.kg,
        )
        return "apart" if abs(bags_use_kg - measured.kg) > half else ""
    if blast_s < 600.0:
        return ""
    per_hour = bags_use_kg / (blast_s / 3600.0)
    return "" if LEAST_KG_H <= per_hour <= MOST_KG_H else "rate"


# --- pressures -------------------------------------------------------------------------------


def pressure_way(
    cycles: pl.DataFrame,
    conditions: pl.DataFrame,
    spells: pl.DataFrame,
    from_at: dt.datetime,
    to_at: dt.datetime,
) -> Way | None:
    """Abrasive of a stretch by its pressures, from weighed spells.

    A spell that lies wholly in the stretch counts with its total; of another, the share that its
    cycles in the stretch used.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``pressed_at``, ``blast_s`` and ``flicker`` of the stretch's cycles at least.
    conditions : polars.DataFrame
        ``pressed_at`` and ``used_kg`` of the spells' cycles, those outside the stretch too.
    spells : polars.DataFrame
        ``from_at``, ``to_at``, ``used_kg``, ``used_low_kg``, ``used_high_kg``.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.

    Returns
    -------
    Way or None
        ``None`` where nothing in the stretch is weighed. Of a part of a spell the interval is
        the spell's times the root of the share, more than a part of either a scale's or a
        level's error; intervals of several spells add up, for they may share their error.
    """
    stretch = (pl.col("pressed_at") >= from_at) & (pl.col("pressed_at") < to_at)
    counted = cycles.filter(stretch & ~pl.col("flicker"))
    weighed = conditions.filter(pl.col("used_kg").is_not_null())
    total, below, above = 0.0, 0.0, 0.0
    pressed: list[dt.datetime] = []
    for row in spells.filter(pl.col("used_kg").is_not_null()).iter_rows(named=True):
        mine = weighed.filter(
            (pl.col("pressed_at") >= row["from_at"]) & (pl.col("pressed_at") <= row["to_at"])
        )
        inside = mine.filter(stretch)
        whole = float(mine["used_kg"].sum())
        if inside.is_empty() or whole <= 0.0:
            continue
        share = float(inside["used_kg"].sum()) / whole
        wide = min(max(share, 0.0), 1.0) ** 0.5
        total += share * row["used_kg"]
        below += wide * (row["used_kg"] - row["used_low_kg"])
        above += wide * (row["used_high_kg"] - row["used_kg"])
        pressed += inside["pressed_at"].to_list()
    if not pressed:
        return None
    blast_s = float(counted["blast_s"].sum())
    seen_s = float(counted.filter(pl.col("pressed_at").is_in(pressed))["blast_s"].sum())
    return Way(
        PRESSURE, total, max(total - below, 0.0), total + above,
        seen_s / blast_s if blast_s > 0.0 else 1.0,
    )  # fmt: skip


def level_change(
    conditions: pl.DataFrame, from_at: dt.datetime, to_at: dt.datetime
) -> float | None:
    """What the pot held more after the last cycle of a stretch than before its first. [kg]

    Parameters
    ----------
    conditions : polars.DataFrame
        ``pressed_at``, ``abrasive_start_kg``, ``abrasive_end_kg``.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.

    Returns
    -------
    float or None
        ``None`` where no cycle in it is weighed. What was tipped after the last cycle, or before
        the first, is not in it.
    """
    mine = conditions.filter(
        (pl.col("pressed_at") >= from_at)
        & (pl.col("pressed_at") < to_at)
        & pl.col("abrasive_start_kg").is_not_null()
        & pl.col("abrasive_end_kg").is_not_null()
    ).sort("pressed_at")
    if mine.is_empty():
        return None
    return float(mine["abrasive_end_kg"][-1] - mine["abrasive_start_kg"][0])


# --- load cell -------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rest:
    """A load cell's readings while nobody held the handle: at its start, and at its end."""

    begin_kg: float
    begin_error: float
    end_kg: float
    end_error: float
    is_one: bool  # begin and end are one figure: their errors cancel between two runs


def load_cell_way(mass: pl.DataFrame, cycles: pl.DataFrame) -> Way | None:
    """Abrasive of a stretch by the load cell: the falls over its cycles, summed.

    The cell is read at rest only, where hose and handle do not pull at it. What it falls from one
    rest to the next was blasted; what it steps up within a rest was tipped. Where a rest shows no
    step, one median of all its readings stands for both ends, so noise cancels from cycle to
    cycle instead of adding up, and a lone wild reading moves nothing.

    Parameters
    ----------
    mass : polars.DataFrame
        ``sampled_at`` (naive UTC) and ``value`` [kg] of the channel ``pot_mass``, ascending; from
        a minute before the first cycle to a minute after the last, or more.
    cycles : polars.DataFrame
        ``pressed_at``, ``released_at``, ``blast_s``, ``flicker``, ascending.

    Returns
    -------
    Way or None
        ``None`` without a reading or a cycle. Its ``seen_share`` is of the blast time between
        rests that were read; the rest of the time is taken as alike, and widens the interval by
        half of what it stands for on either side.

    Notes
    -----
    Valid for a cell that is read at least every ten seconds. A refill in a rest that nobody read
    shows as a run that gains; such a run counts as not seen.
    """
    counted = cycles.filter(~pl.col("flicker")).sort("pressed_at")
    usable = mass.drop_nulls().filter(pl.col("value").is_finite()).sort("sampled_at")
    if counted.is_empty() or usable.is_empty():
        return None
    at_s = _seconds(usable["sampled_at"])
    values = usable["value"].to_numpy()
    press_s, release_s = _seconds(counted["pressed_at"]), _seconds(counted["released_at"])
    blast_s = counted["blast_s"].to_numpy()
    noise = _noise(values)
    count = press_s.size
    rests = [
        _rest(
            at_s, values, noise,
            release_s[i - 1] if i > 0 else press_s[0] - 2.0 * _EDGE_S,
            press_s[i] if i < count else release_s[-1] + 2.0 * _EDGE_S,
        )
        for i in range(count + 1)
    ]  # fmt: skip
    fall, seen_s, variance = 0.0, 0.0, 0.0
    begin = 0
    last_end: int | None = None
    for i in range(count):
        after = rests[i + 1]
        if after is None:
            gap_s = press_s[i + 1] - release_s[i] if i + 1 < count else np.inf
            if gap_s > _BRIDGED_S:
                begin = i + 1
            continue
        before, first = rests[begin], begin
        begin = i + 1
        if before is None:
            continue
        fallen = before.end_kg - after.begin_kg
        error = float(np.hypot(before.end_error, after.begin_error))
        if fallen < -max(4.0 * error, _STEP_KG):
            continue
        fall += fallen
        seen_s += float(blast_s[first : i + 1].sum())
        if last_end == first and before.is_one:
            variance -= before.end_error**2
            variance += after.begin_error**2
        else:
            variance += before.end_error**2 + after.begin_error**2
        last_end = i + 1
    whole_s = float(blast_s.sum())
    if seen_s <= 0.0 or whole_s <= 0.0:
        return None
    share = seen_s / whole_s
    kg = fall / share
    half = Z_90 * float(np.sqrt(max(variance, 0.0))) / share + 0.5 * (kg - fall)
    return Way(LOAD_CELL, max(kg, 0.0), max(kg - half, 0.0), max(kg + half, 0.0), share)


def _rest(at_s: Floats, values: Floats, noise: float, from_s: float, to_s: float) -> _Rest | None:
    first, last = np.searchsorted(at_s, (from_s, to_s))
    if last <= first:
        return None
    at, mine = at_s[first:last], values[first:last]
    early = mine[at <= from_s + _EDGE_S][:_EDGE_READINGS]
    late = mine[at >= to_s - _EDGE_S][-_EDGE_READINGS:]
    if not early.size or not late.size:
        return None
    begin, begin_error = _middle(early, noise)
    end, end_error = _middle(late, noise)
    if abs(end - begin) <= max(4.0 * float(np.hypot(begin_error, end_error)), _STEP_KG):
        one, error = _middle(mine, noise)
        return _Rest(one, error, one, error, True)
    return _Rest(begin, begin_error, end, end_error, False)


def _middle(values: Floats, noise: float) -> tuple[float, float]:
    """Median, and its error for normal noise: sqrt(pi/2) sigma / sqrt(n)."""
    return float(np.median(values)), 1.2533 * noise / float(np.sqrt(values.size))


def _noise(values: Floats) -> float:
    """Standard deviation of a reading's noise, from steps between neighbours, robustly. [kg]"""
    if values.size < 3:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(values))) / np.sqrt(2.0))


def _seconds(at: pl.Series) -> Floats:
    return np.asarray(at.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy() / 1e6)


def ways_of(
    entered_kg: float | None,
    area_m2: float | None,
    entries: pl.DataFrame,
    mass: pl.DataFrame,
    cycles: pl.DataFrame,
    conditions: pl.DataFrame,
    spells: pl.DataFrame,
    from_at: dt.datetime,
    to_at: dt.datetime,
) -> Ways:
    """The three ways of a stretch of one pot, from what the store has of it.

    Parameters
    ----------
    entered_kg, area_m2 : float or None
        What people entered for it. [kg, m2]
    entries : polars.DataFrame
        ``at`` (naive UTC) and ``abrasive_kg`` of the bags among it.
    mass : polars.DataFrame
        Readings of the load cell: ``sampled_at``, ``value`` [kg].
    cycles, conditions, spells : polars.DataFrame
        As for :func:`pressure_way`; cycles may go beyond the stretch.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.
    """
    stretch: Any = (pl.col("pressed_at") >= from_at) & (pl.col("pressed_at") < to_at)
    mine = cycles.filter(stretch)
    counted = mine.filter(~pl.col("flicker"))
    outside = entries.clear()
    if counted.height:
        outside = entries.filter(
            (pl.col("at") < counted["pressed_at"].min())
            | (pl.col("at") > counted["released_at"].max())
        )
    return abrasive_ways(
        entered_kg,
        load_cell_way(mass, mine),
        pressure_way(mine, conditions, spells, from_at, to_at),
        float(counted["blast_s"].sum()),
        area_m2,
        level_change(conditions, from_at, to_at),
        float(outside["abrasive_kg"].sum()),
    )
