"""What a new job will take, from the yard's own history; else only what the trade expects.

Three rates are learned, each with what steel, access, nozzle and pressure do to it and with how
much jobs, crews, pots and shifts differ: area a blast hour, abrasive a blast hour, blast time a
shift hour. The new job is then worked many times over, shift by shift, with rates drawn from what
the history leaves possible; its range is what nine in ten of those jobs took.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.costs import price_at
from analytics.job_draws import AREA, LEAST_JOBS, LEAST_ROWS, NewJob, Worked, worked
from analytics.shift_rows import judged
from analytics.trade_ranges import METERED_AIR, FeedCheck, feed_check, practice_kg_m2, practice_m2_h

if TYPE_CHECKING:
    from ingest.config import Yard

Floats = npt.NDArray[np.float64]

LEVEL = 0.90


@dataclass(frozen=True)
class Prices:
    """Prices in the yard's money; ``None`` is not known, and then not counted.

    Parameters
    ----------
    person_h : float or None
        An hour of one person.
    abrasive_kg : float or None
        A kilogram of abrasive.
    machine_h : float or None
        An hour of compressor, fuel and pots together, while the job is worked at.
    """

    person_h: float | None = None
    abrasive_kg: float | None = None
    machine_h: float | None = None


class KnownBore(NamedTuple):
    """The bore of a nozzle that is in use.

    Parameters
    ----------
    bore_m : float
        Its diameter. [m]
    pot : str
        Whose.
    measured_at : datetime or None
        When a check measured it; UTC. ``None``: it is as bought, by the yard file.
    """

    bore_m: float
    pot: str
    measured_at: dt.datetime | None


def known_bore(
    yard: Yard, bores: pl.DataFrame, pot: str, low_m: float, high_m: float
) -> KnownBore | None:
    """The bore that an estimate begins with: one that works in the yard now.

    Parameters
    ----------
    yard : Yard
        For its pots, and the bores of their nozzles as bought.
    bores : polars.DataFrame
        As :func:`analytics.entry_frames.nozzle_bores` gives them, oldest first.
    pot : str
        Its nozzle before those of others, if anything is known of it; empty: of none.
    low_m, high_m : float
        Bores outside are passed over. [m]

    Returns
    -------
    KnownBore or None
        A pot's as measured since it was fitted, else as in the yard file; of other pots the one
        that was measured last, else the first in the yard file. ``None``: no nozzle's bore is
        known.
    """
    # A nozzle fitted since, whose bore nobody has measured, ends what was known.
    row = pl.int_range(pl.len())
    fitted = pl.when(pl.col("bore_m").is_null()).then(row).max().over("pot")
    mine = bores.filter(
        pl.col("pot").is_in(yard.pot_names)
        & pl.col("bore_m").is_between(low_m, high_m)
        & (row > fitted.fill_null(-1))
    )
    of_pot = mine.filter(pl.col("pot") == pot)
    known = [
        KnownBore(each.nozzle_bore_m, each.name, None)
        for each in yard.pots
        if each.nozzle_bore_m is not None and low_m <= each.nozzle_bore_m <= high_m
    ]
    if of_pot.is_empty() and (bought := [one for one in known if one.pot == pot]):
        return bought[0]
    measured = mine if of_pot.is_empty() else of_pot
    if measured.height:
        newest = measured.row(-1, named=True)
        return KnownBore(newest["bore_m"], newest["pot"], newest["at"])
    return known[0] if known else None


#: A row a figure. ``rests_on``: ``history``, ``physics`` (a law of flow, with the trade's metered
#: share of air), ``practice`` (common practice, no source).
LINE_SCHEMA: dict[str, Any] = {
    "what": pl.String,
    "unit": pl.String,
    "low": pl.Float64,
    "middle": pl.Float64,
    "high": pl.Float64,
    "rests_on": pl.String,
}


@dataclass(frozen=True)
class Estimate:
    """What a job will take.

    Parameters
    ----------
    lines : polars.DataFrame
        :data:`LINE_SCHEMA`: ``blast_h`` of all nozzles together, ``shift_h`` on the clock,
        ``person_h``, ``abrasive_kg``, ``air_kg``, ``money``. Without enough history only what
        physics and common practice say.
    practice : polars.DataFrame
        The same lines by common practice, to set beside the yard's own; empty for a grade that
        practice has no range for.
    feed : FeedCheck
        Whether the compressor can feed the nozzles.
    shifts, jobs : int
        Of the history that it rests on.
    has_history : bool
        Whether the yard's own history was enough.
    sentences : tuple of str
        What a reader must know beside the figures.
    """

    lines: pl.DataFrame
    practice: pl.DataFrame
    feed: FeedCheck
    shifts: int
    jobs: int
    has_history: bool
    sentences: tuple[str, ...] = field(default=())


def estimate(
    rows: pl.DataFrame,
    job: NewJob,
    prices: Prices | None = None,
    level: float = LEVEL,
    draws: int = 2000,
    seed: int = 0,
) -> Estimate:
    """Estimate a new job.

    Parameters
    ----------
    rows : polars.DataFrame
        The yard's history, :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.
    job : NewJob
        What is asked about.
    prices : Prices, optional
        None known by default.
    level : float
        Of the ranges: this share of like jobs will fall within. [-]
    draws : int
        Jobs worked.
    seed : int
        Of the random numbers.

    Returns
    -------
    Estimate
        Not a promise: weather, breakdowns and inspection are in it as far as the history has them.

    Raises
    ------
    ValueError
        Area, bore, nozzles or people are not more than nought.
    """
    if not (job.area_m2 > 0.0 and job.bore_m > 0.0 and job.nozzles >= 1 and job.people > 0.0):
        raise ValueError("area, bore, nozzles and people must be more than nought")
    prices = prices or Prices()
    used = judged(rows, AREA, "job").filter(pl.col("reason") == "")
    jobs = used["job"].n_unique() if used.height else 0
    sentences: list[str] = []
    pressure = job.nozzle_pa or _usual_pressure(used, sentences)
    feed = feed_check(job.bore_m, pressure, job.nozzles, job.free_air_m3_s)
    practice = _practice(job, feed)
    refused = _refusal(used, jobs, job)
    if refused:
        sentences.insert(0, refused)
        if practice.is_empty():
            sentences.append(f"Common practice has no range for {job.prep_grade or 'no grade'}.")
        else:
            sentences.append(
                "What is shown is common practice for one yard or another, not this yard's own: "
                "half as much again or half as much would be no surprise."
            )
        return Estimate(practice, practice, feed, used.height, jobs, False, tuple(sentences))
    drawn = worked(rows, used, job, pressure, draws, seed, sentences)
    lines = _lines(drawn, job, feed, prices, level, sentences)
    if job.crew and job.crew not in set(used["crew"]):
        sentences.append(f"{job.crew} is not in the history: any of the yard's crews was taken.")
    if feed.verdict == "short" and feed.holds_pa is not None:
        sentences.append(
            f"The figures are for {pressure / 1e3:.0f} kPa at the nozzle. With this compressor "
            "less can be expected, and the job will take longer."
        )
    return Estimate(lines, practice, feed, used.height, jobs, True, tuple(sentences))


def _usual_pressure(used: pl.DataFrame, sentences: list[str]) -> float:
    middle = used["nozzle_pa"].median() if used.height else None
    if isinstance(middle, float):
        sentences.append(f"Pressure at the nozzle as usual in this yard: {middle / 1e3:.0f} kPa.")
        return middle
    sentences.append("No nozzle pressure is known here: 690 kPa was taken, as the trade does.")
    return 690_000.0


def _refusal(used: pl.DataFrame, jobs: int, job: NewJob) -> str:
    """Why the history is not enough; empty where it is."""
    if used.height < LEAST_ROWS or jobs < LEAST_JOBS:
        return (
            f"There is too little history to estimate from: {used.height} shifts that count, of "
            f"{jobs} jobs; at least {LEAST_ROWS} of {LEAST_JOBS} are needed."
        )
    if job.prep_grade not in set(used["prep_grade"].fill_null("")):
        return f"This yard has no history of {job.prep_grade or 'a job without a grade'}."
    return ""


# --- figures ---------------------------------------------------------------------------------


def _frame(lines: Iterable[tuple[str, str, float, float, float, str]]) -> pl.DataFrame:
    return pl.DataFrame(list(lines), schema=LINE_SCHEMA, orient="row")


def _lines(
    drawn: Worked,
    job: NewJob,
    feed: FeedCheck,
    prices: Prices,
    level: float,
    sentences: list[str],
) -> pl.DataFrame:
    ends = [0.5 - level / 2.0, 0.5, 0.5 + level / 2.0]

    def line(what: str, unit: str, totals: Floats, rests_on: str = "history") -> Any:
        low, middle, high = (float(v) for v in np.quantile(totals, ends))
        return what, unit, low, middle, high, rests_on

    lines = [line("blast_h", "h", drawn.blast_h)]
    person_h = None
    if drawn.shift_h is not None:
        person_h = drawn.shift_h * job.people
        lines += [line("shift_h", "h", drawn.shift_h), line("person_h", "h", person_h)]
    else:
        sentences.append("Shift hours are not known here, so neither are paid hours.")
    if drawn.abrasive_kg is not None:
        lines.append(line("abrasive_kg", "kg", drawn.abrasive_kg))
    else:
        sentences.append("Too few shifts have abrasive entered or weighed to estimate it.")
    least_h, middle_h, most_h = (float(v) for v in np.quantile(drawn.blast_h, ends))
    lines.append(_air_line(least_h, middle_h, most_h, job, feed))
    money, priced, unpriced = np.zeros(drawn.blast_h.size), [], []
    for name, price, amount in (
        ("wages", prices.person_h, person_h),
        ("abrasive", prices.abrasive_kg, drawn.abrasive_kg),
        ("machines", prices.machine_h, drawn.shift_h),
    ):
        if price is None or amount is None:
            unpriced.append(name)
            continue
        priced.append(name)
        money = money + price * amount
    if priced:
        lines.append(line("money", "", money))
        if unpriced:
            sentences.append(
                f"Money is for {' and '.join(priced)} only: no price or amount is known for "
                f"{' and '.join(unpriced)}."
            )
    return _frame(lines)


def _air_line(low_h: float, middle_h: float, high_h: float, job: NewJob, feed: FeedCheck) -> Any:
    """Air through the nozzles: hours, the flow of a bore, the share metered while blasting."""
    each = feed.demand_kg_s[1] / METERED_AIR[1] / job.nozzles * 3600.0
    least, mean, most = METERED_AIR
    return (
        "air_kg", "kg", low_h * each * least, middle_h * each * mean, high_h * each * most,
        "physics",
    )  # fmt: skip


def _practice(job: NewJob, feed: FeedCheck) -> pl.DataFrame:
    """Blast hours, abrasive and air by common practice alone."""
    rate = practice_m2_h(job.prep_grade, job.rust_grade, job.bore_m)
    used = practice_kg_m2(job.prep_grade, job.rust_grade)
    if rate is None or used is None:
        return _frame([])
    low, high = job.area_m2 / rate[1], job.area_m2 / rate[0]
    middle = job.area_m2 / (0.5 * (rate[0] + rate[1]))
    air = _air_line(low, middle, high, job, feed)
    return _frame(
        [
            ("blast_h", "h", low, middle, high, "practice"),
            (
                "abrasive_kg", "kg", job.area_m2 * used[0], 0.5 * job.area_m2 * (used[0] + used[1]),
                job.area_m2 * used[1], "practice",
            ),
            (*air[:5], "practice"),
        ]
    )  # fmt: skip


def known_prices(
    rows: pl.DataFrame,
    prices: pl.DataFrame,
    kinds: pl.DataFrame,
    at: dt.datetime,
    crew: str = "",
) -> Prices:
    """Prices that people entered: the wage in force, and that of the abrasive used most.

    Parameters
    ----------
    rows : polars.DataFrame
        The yard's history; ``abrasive`` and ``abrasive_kg``.
    prices : polars.DataFrame
        ``price_of, price, from_at, crew``, as :func:`analytics.costs.price_at` takes them.
    kinds : polars.DataFrame
        ``abrasive, price_kg``.
    at : datetime
        Naive UTC.
    crew : str
        Whose wage.

    Returns
    -------
    Prices
        Without a price of machines, which nobody enters by the hour.
    """
    used = (
        rows.filter(pl.col("abrasive").is_not_null())
        .group_by("abrasive")
        .agg(pl.col("abrasive_kg").sum())
        .sort("abrasive_kg", "abrasive", descending=[True, False])
    )
    known = dict(kinds.select("abrasive", "price_kg").iter_rows())
    return Prices(
        person_h=price_at(prices, "wage_h", at, crew),
        abrasive_kg=known.get(used["abrasive"][0]) if used.height else None,
    )
