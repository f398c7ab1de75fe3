"""What a new job will take, from the yard's own history; else only what the trade expects.

Three rates are learned, each with what steel, access, nozzle and pressure do to it and with how
much jobs, crews, pots and shifts differ: area a blast hour, abrasive a blast hour, blast time a
shift hour. The new job is then worked many times over, shift by shift, with rates drawn from what
the history leaves possible; its range is what nine in ten of those jobs took.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.mixed_model import Posterior, posterior
from analytics.shift_rows import MEASURES, Measure, judged
from analytics.trade_ranges import METERED_AIR, FeedCheck, feed_check, practice_kg_m2, practice_m2_h
from analytics.work_terms import CATEGORIES, TERM_WORDS, WorkTerms, factors, work_terms

Floats = npt.NDArray[np.float64]

#: History that is needed to estimate from.
LEAST_ROWS, LEAST_JOBS = 15, 3
LEVEL = 0.90
#: Scale of the priors of how much jobs, crews and pots differ.
SPREAD_SCALE = 1.0
#: Shifts worked one by one in each drawn job; of a longer one the rest goes at its mean rate.
_SHIFTS, _BLOCK = 480, 24
_WILD = 20.0
#: A bore or a pressure this far outside those of the history is carried over, not learned. [-]
_BEYOND = 0.03
#: Rates that are learned.
_AREA, _FEED, _SHARE = (
    MEASURES[n] for n in ("area_m2_blast_h", "abrasive_kg_blast_h", "blast_share")
)


@dataclass(frozen=True)
class NewJob:
    """A job that is asked about.

    Parameters
    ----------
    area_m2 : float
        To be brought to grade. [m2]
    prep_grade, rust_grade : str
        ISO 8501-1, as records keep them; rust grade may be empty.
    access : str
        In the yard's own words; may be empty.
    bore_m : float
        Of the nozzles. [m]
    nozzles : int
        That work at once.
    people : float
        On the job at once, all together.
    nozzle_pa : float or None
        Gauge pressure at the nozzle; ``None``: as the yard usually works. [Pa]
    crew : str
        Who will do it; empty: any of the yard's crews.
    free_air_m3_s : float or None
        What the compressor gives as free air, 20 °C and 101.325 kPa. [m3/s]
    """

    area_m2: float
    prep_grade: str
    rust_grade: str = ""
    access: str = ""
    bore_m: float = 0.0095
    nozzles: int = 1
    people: float = 2.0
    nozzle_pa: float | None = None
    crew: str = ""
    free_air_m3_s: float | None = None


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
    used = judged(rows, _AREA, "job").filter(pl.col("reason") == "")
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
    worked = _work(rows, used, job, pressure, draws, seed, sentences)
    lines = _lines(worked, job, feed, prices, level, sentences)
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


# --- working the job -------------------------------------------------------------------------


@dataclass(frozen=True)
class _Worked:
    """Totals of each drawn job, shape (draws,)."""

    blast_h: Floats
    shift_h: Floats | None
    abrasive_kg: Floats | None


@dataclass(frozen=True)
class _Rate:
    """A learned rate of the new job: its middle in each draw, and how shifts scatter about it."""

    log_middle: Floats  # (draws,)
    shift_sd: Floats  # (draws,): shift to shift, whatever its length
    row_sd: Floats  # (draws,): of a shift of usual length
    power: Floats  # (draws,): how much surer a longer shift is

    def drawn(self, rng: np.random.Generator, weight: Floats) -> Floats:
        """Rates of shifts, ``weight`` (draws, shifts) being their length over the usual one."""
        scatter = self.row_sd[:, None] * weight ** (-0.5 * self.power[:, None])
        scatter = np.hypot(scatter, self.shift_sd[:, None])
        logs = self.log_middle[:, None] + scatter * rng.standard_normal(weight.shape)
        # A history of three jobs allows wild ones; they stay within what a computer can count.
        return np.asarray(np.exp(np.clip(logs, -_WILD, _WILD)))


def _work(
    rows: pl.DataFrame,
    used: pl.DataFrame,
    job: NewJob,
    pressure: float,
    draws: int,
    seed: int,
    sentences: list[str],
) -> _Worked:
    rng = np.random.default_rng(seed)
    learned: list[_Rate | None] = []
    for number, measure in enumerate((_AREA, _FEED, _SHARE)):
        mine = used if measure is _AREA else judged(rows, measure, "job").filter(
            pl.col("reason") == ""
        )  # fmt: skip
        if mine.height < LEAST_ROWS or mine["job"].n_unique() < LEAST_JOBS:
            learned.append(None)
            continue
        said = sentences if measure is _AREA else []
        learned.append(_learn(mine, measure, job, pressure, draws, seed + number, rng, said))
    area, feed, share = learned
    assert area is not None  # _refusal
    lengths = used["blast_s"].to_numpy() / 3600.0
    usual = float(np.median(lengths))
    left = np.full(draws, job.area_m2)
    blast, clock, mass = (np.zeros(draws) for _ in range(3))
    for _ in range(0, _SHIFTS, _BLOCK):
        hours = rng.choice(lengths, (draws, _BLOCK))
        weight = hours / usual
        done = hours * area.drawn(rng, weight)
        before = np.cumsum(done, axis=1) - done
        # The last shift ends when the area is done.
        part = np.clip((left[:, None] - before) / done, 0.0, 1.0)
        blast += np.sum(hours * part, axis=1)
        if feed is not None:
            mass += np.sum(hours * part * feed.drawn(rng, weight), axis=1)
        if share is not None:
            at_work = np.minimum(share.drawn(rng, weight), 1.0)
            clock += np.sum(hours * part / at_work, axis=1)
        left -= np.sum(done * part, axis=1)
        if np.all(left <= 1e-9 * job.area_m2):
            break
    done_m2 = job.area_m2 - np.maximum(left, 0.0)
    longer = job.area_m2 / done_m2
    return _Worked(
        blast * longer,
        clock * longer / job.nozzles if share is not None else None,
        mass * longer if feed is not None else None,
    )


def _learn(
    mine: pl.DataFrame,
    measure: Measure,
    job: NewJob,
    pressure: float,
    draws: int,
    seed: int,
    rng: np.random.Generator,
    sentences: list[str],
) -> _Rate:
    """Fit one rate, and draw what it will be on the new job."""
    per = mine[measure.per].to_numpy()
    y = np.log(mine[measure.amount].to_numpy() / per * measure.scale)
    terms = work_terms(mine)
    made = factors(mine, ("crew", "pot", "job"))
    found = posterior(
        y, terms.columns(mine), made, per / np.median(per),
        scales=[SPREAD_SCALE] * len(made), draws=draws, seed=seed,
    )  # fmt: skip
    middle = _fixed_part(mine, terms, found, job, pressure, measure, rng, sentences)
    for name in ("crew", "pot"):
        if name not in found.effects:
            continue
        levels = sorted(set(mine[name].fill_null("").to_list()))
        effects = found.effects[name]
        if name == "crew" and job.crew in levels:
            middle = middle + effects[:, levels.index(job.crew)]
        else:
            middle = middle + effects[np.arange(draws), rng.integers(0, len(levels), draws)]
    row_sd = found.residual
    if "job" in found.spread:
        middle = middle + found.spread["job"] * rng.standard_normal(draws)
    else:
        # Each job has a single shift: what differs may be the job's, and does not average out.
        middle = middle + found.residual * rng.standard_normal(draws)
        row_sd = np.zeros(draws)
    return _Rate(middle, found.spread.get("shift", np.zeros(draws)), row_sd, found.weight_power)


def _fixed_part(
    mine: pl.DataFrame,
    terms: WorkTerms,
    found: Posterior,
    job: NewJob,
    pressure: float,
    measure: Measure,
    rng: np.random.Generator,
    sentences: list[str],
) -> Floats:
    """The rate's logarithm by circumstances; what is not given is as in a shift taken at random."""
    draws = found.residual.size
    like = mine[rng.integers(0, mine.height, draws)]
    given: dict[str, Any] = {}
    for name in CATEGORIES:
        asked = getattr(job, name)
        if asked and asked in set(mine[name].fill_null("")):
            given[name] = asked
        elif asked:
            sentences.append(
                f"{TERM_WORDS[name].capitalize()} {asked} is not in the history: it was taken as "
                "any that is, which widens the range."
            )
    larger, bore = _beyond(mine["bore_m"], job.bore_m)
    if larger is not None:
        given["bore_m"] = bore
    if larger not in (None, 1.0):
        sentences.append(
            f"The yard has not worked with {job.bore_m * 1e3:.1f} mm: its figures at "
            f"{bore * 1e3:.1f} mm were carried over by the area of the bore, which is physics, "
            "not history."
        )
    outside, known = _beyond(mine["nozzle_pa"], pressure)
    if outside is not None:
        given["nozzle_pa"] = known
    if outside not in (None, 1.0):
        sentences.append(
            f"The yard has not worked at {pressure / 1e3:.0f} kPa: its figures at "
            f"{known / 1e3:.0f} kPa were taken. Common practice says 1.5 % of production a psi; "
            "no study is behind it."
        )
    like = like.with_columns(
        pl.lit(value).cast(like.schema[n]).alias(n) for n, value in given.items()
    )
    middle = np.sum(terms.columns(like) * found.beta, axis=1)
    # Area and abrasive an hour go with the air, and so with the bore's area.
    if larger is not None and measure is not _SHARE:
        middle = middle + 2.0 * np.log(larger)
    return np.asarray(middle, dtype=np.float64)


def _beyond(column: pl.Series, asked: float) -> tuple[float | None, float]:
    """How much larger than any known value one is, and the known one; ``None``: none is known."""
    known = column.drop_nulls()
    if known.is_empty():
        return None, asked
    value = known.to_numpy()
    nearest = float(np.clip(asked, value.min(), value.max()))
    if abs(np.log(asked / nearest)) <= _BEYOND:
        return 1.0, nearest
    return asked / nearest, nearest


# --- figures ---------------------------------------------------------------------------------


def _frame(lines: Iterable[tuple[str, str, float, float, float, str]]) -> pl.DataFrame:
    return pl.DataFrame(list(lines), schema=LINE_SCHEMA, orient="row")


def _lines(
    worked: _Worked,
    job: NewJob,
    feed: FeedCheck,
    prices: Prices,
    level: float,
    sentences: list[str],
) -> pl.DataFrame:
    ends = [0.5 - level / 2.0, 0.5, 0.5 + level / 2.0]

    def line(what: str, unit: str, drawn: Floats, rests_on: str = "history") -> Any:
        low, middle, high = (float(v) for v in np.quantile(drawn, ends))
        return what, unit, low, middle, high, rests_on

    lines = [line("blast_h", "h", worked.blast_h)]
    person_h = None
    if worked.shift_h is not None:
        person_h = worked.shift_h * job.people
        lines += [line("shift_h", "h", worked.shift_h), line("person_h", "h", person_h)]
    else:
        sentences.append("Shift hours are not known here, so neither are paid hours.")
    if worked.abrasive_kg is not None:
        lines.append(line("abrasive_kg", "kg", worked.abrasive_kg))
    else:
        sentences.append("Too few shifts have abrasive entered or weighed to estimate it.")
    least_h, middle_h, most_h = (float(v) for v in np.quantile(worked.blast_h, ends))
    lines.append(_air_line(least_h, middle_h, most_h, job, feed))
    money, priced, unpriced = np.zeros(worked.blast_h.size), [], []
    for name, price, amount in (
        ("wages", prices.person_h, person_h),
        ("abrasive", prices.abrasive_kg, worked.abrasive_kg),
        ("machines", prices.machine_h, worked.shift_h),
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


def at_pressure(job: NewJob, nozzle_pa: float) -> NewJob:
    """The same job at another nozzle pressure, such as the one that a compressor can hold. [Pa]"""
    return replace(job, nozzle_pa=nozzle_pa)
