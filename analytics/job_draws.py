"""A new job worked many times over, shift by shift, with rates drawn from what a history allows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.mixed_model import Posterior, posterior
from analytics.shift_rows import MEASURES, Measure, judged
from analytics.work_terms import CATEGORIES, TERM_WORDS, WorkTerms, factors, work_terms

Floats = npt.NDArray[np.float64]

#: History that is needed to estimate from.
LEAST_ROWS, LEAST_JOBS = 15, 3
#: Scale of the priors of how much jobs, crews and pots differ.
SPREAD_SCALE = 1.0
#: Shifts worked one by one in each drawn job; of a longer one the rest goes at its mean rate.
_SHIFTS, _BLOCK = 480, 24
_WILD = 20.0
#: A bore or a pressure this far outside those of the history is carried over, not learned. [-]
_BEYOND = 0.03
#: Rates that are learned.
AREA, FEED, SHARE = (MEASURES[n] for n in ("area_m2_blast_h", "abrasive_kg_blast_h", "blast_share"))


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
class Worked:
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


def worked(
    rows: pl.DataFrame,
    used: pl.DataFrame,
    job: NewJob,
    pressure: float,
    draws: int,
    seed: int,
    sentences: list[str],
) -> Worked:
    """Work a job ``draws`` times over.

    Parameters
    ----------
    rows : polars.DataFrame
        The yard's history, :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.
    used : polars.DataFrame
        Of them, those that count for area an hour, at least :data:`LEAST_ROWS` of
        :data:`LEAST_JOBS` jobs.
    job : NewJob
        What is asked about.
    pressure : float
        Gauge pressure at the nozzle. [Pa]
    draws, seed : int
        How many jobs, and of the random numbers.
    sentences : list of str
        What a reader must know is put here.
    """
    rng = np.random.default_rng(seed)
    learned: list[_Rate | None] = []
    for number, measure in enumerate((AREA, FEED, SHARE)):
        mine = used if measure is AREA else judged(rows, measure, "job").filter(
            pl.col("reason") == ""
        )  # fmt: skip
        if mine.height < LEAST_ROWS or mine["job"].n_unique() < LEAST_JOBS:
            learned.append(None)
            continue
        said = sentences if measure is AREA else []
        learned.append(_learn(mine, measure, job, pressure, draws, seed + number, rng, said))
    area, feed, share = learned
    assert area is not None  # _refusal
    lengths = used["blast_s"].to_numpy() / 3600.0
    usual = float(np.median(lengths))
    left = np.full(draws, float(job.area_m2))
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
    return Worked(
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
    if larger is not None and measure is not SHARE:
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
