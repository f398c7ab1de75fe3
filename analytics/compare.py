"""Crews, jobs, pots, nozzles and abrasives compared: as they did, and under like conditions.

Two figures stand side by side. The plain one is the ratio of sums of what counts. The adjusted one
asks what each would have done on the same mix of steel, access, nozzle and pressure: a mixed model
of the logarithm of each shift's rate, circumstances as fixed effects; crew, pot and job (and the
shift, where a crew works several pots) as random ones. Its estimates are shrunk to the common
middle, the more so the fewer shifts there are; its intervals count in that the spreads themselves
are not known. Two are called different only where the differences of all pairs together allow it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.caveats import UNUSUAL_SCHEMA, caveats, listed, unusual_rows
from analytics.mixed_model import Posterior, posterior
from analytics.ratios import ratio_of_sums
from analytics.shift_rows import Measure, judged
from analytics.work_terms import WorkTerms, factors, work_terms

Floats = npt.NDArray[np.float64]

#: What can be compared: column -> what one of them is called, and several.
GROUPS = {
    "crew": ("crew", "crews"),
    "job": ("job", "jobs"),
    "pot": ("pot", "pots"),
    "bore_m": ("nozzle bore", "nozzle bores"),
    "abrasive": ("abrasive", "abrasives"),
}
#: Shifts that count which a group needs for an adjusted figure, and all groups together.
LEAST_SHIFTS = 5
LEAST_ROWS = 12
#: Level of the intervals, and how often equal groups may be called different by any pair.
LEVEL = 0.90
FAMILY_ERROR = 0.05
#: Scale of the prior of what is compared: so wide that it is little shrunk beyond what data ask.
COMPARED_SCALE = 3.0
OTHER_SCALE = 1.0
#: More of a group's shifts left out than this is said.
MOST_LEFT_OUT = 1.0 / 3.0

#: A row a group. Rates are in the unit of the measure; effects are shares over the mean of groups.
GROUP_SCHEMA: dict[str, Any] = {
    "group": pl.String,
    "shifts": pl.Int64,  # rows, a shift and pot each
    "used": pl.Int64,  # of them, those that count
    "clusters": pl.Int64,  # shifts that are drawn anew for the interval
    "amount": pl.Float64,  # sums of what counts, SI
    "per": pl.Float64,
    "rate": pl.Float64,  # ratio of the sums
    "rate_low": pl.Float64,  # low and high blast time are in it
    "rate_high": pl.Float64,
    "how": pl.String,  # bootstrap, t, or empty: no interval
    "adjusted": pl.Float64,  # rate of a usual shift under the conditions of all; null: too few
    "adjusted_low": pl.Float64,
    "adjusted_high": pl.Float64,
    "effect": pl.Float64,  # against the middle of all groups; 0.1 is 10 % more
    "effect_low": pl.Float64,
    "effect_high": pl.Float64,
}
PAIR_SCHEMA: dict[str, Any] = {
    "first": pl.String,
    "second": pl.String,
    "difference": pl.Float64,  # of the first over the second; 0.1 is 10 % more
    "low": pl.Float64,  # all pairs lie within theirs at once, 95 times in 100
    "high": pl.Float64,
    "different": pl.Boolean,
    "sentence": pl.String,
}
LEFT_OUT_SCHEMA: dict[str, Any] = {
    "shift": pl.String,
    "pot": pl.String,
    "group": pl.String,
    "from_at": pl.Datetime("us"),
    "reason": pl.String,  # key of analytics.shift_rows.REASON_WORDS
}


@dataclass(frozen=True)
class Comparison:
    """What a comparison found.

    Parameters
    ----------
    by : str
        Key of :data:`GROUPS`.
    measure : Measure
        What is compared.
    groups, pairs, left_out, unusual : polars.DataFrame
        :data:`GROUP_SCHEMA`, :data:`PAIR_SCHEMA`, :data:`LEFT_OUT_SCHEMA`,
        :data:`UNUSUAL_SCHEMA`, each by name, never by rate.
    adjusted_for : tuple of str
        Circumstances that the adjusted figures allow for.
    sentences : tuple of str
        What a reader must know beside the figures, the weightiest first.
    """

    by: str
    measure: Measure
    groups: pl.DataFrame
    pairs: pl.DataFrame
    left_out: pl.DataFrame
    unusual: pl.DataFrame
    adjusted_for: tuple[str, ...]
    sentences: tuple[str, ...]


def compare(
    rows: pl.DataFrame,
    measure: Measure,
    by: str = "crew",
    level: float = LEVEL,
    seed: int = 0,
    draws: int = 4000,
    least_shifts: int = LEAST_SHIFTS,
    show_single: bool = False,
) -> Comparison:
    """Compare groups of shifts.

    Parameters
    ----------
    rows : polars.DataFrame
        :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.
    measure : Measure
        Of :data:`analytics.shift_rows.MEASURES`.
    by : str
        Key of :data:`GROUPS`.
    level : float
        Of the intervals of groups. [-]
    seed : int
        Of the random numbers.
    draws : int
        Of the model and of each bootstrap.
    least_shifts : int
        Shifts that count which a group needs for an adjusted figure.
    show_single : bool
        Show crews of one person too. They are left out by default: a rate is no judgement of a
        person.

    Returns
    -------
    Comparison
        Frames may be empty; the sentences say why.

    Raises
    ------
    ValueError
        ``by`` is none of :data:`GROUPS`.
    """
    if by not in GROUPS:
        raise ValueError(f"{by} is none of {', '.join(GROUPS)}")
    all_rows = judged(rows, measure, by).with_columns(_group_name(rows, by).alias("group"))
    left_out = all_rows.filter(pl.col("reason") != "").select(list(LEFT_OUT_SCHEMA))
    used = all_rows.filter(pl.col("reason") == "").sort("group", "from_at", "shift", "pot")
    single = set() if show_single or by != "crew" else _single(all_rows)
    order = by if by == "bore_m" else "group"
    groups_there = all_rows.filter(pl.col("group") != "").sort(order)["group"]
    names = [name for name in groups_there.unique(maintain_order=True) if name not in single]
    one, many = GROUPS[by]
    sentences: list[str] = []
    if single:
        sentences.append(
            f"{_counted(len(single), 'crew of one person is', 'crews of one person are')} not "
            "shown: a rate is no judgement of a person. Their shifts still count where steel, "
            "nozzle and pressure are allowed for."
        )
    groups = [_plain(all_rows, used, name, measure, level, draws, seed) for name in names]
    enough = [g["group"] for g in groups if g["used"] >= least_shifts]
    few = [g["group"] for g in groups if g["used"] < least_shifts]
    pairs: list[tuple[Any, ...]] = []
    unusual = pl.DataFrame(schema=UNUSUAL_SCHEMA)
    terms: WorkTerms | None = None
    if len(enough) < 2 or used.height < LEAST_ROWS:
        sentences.append(
            f"There are too few shifts to adjust: at least two {many} with {least_shifts} shifts "
            f"that count, and {LEAST_ROWS} shifts in all, are needed. Shown is only what was done, "
            "with its range."
        )
    else:
        terms, model = _model(used, measure, by, seed, draws)
        y, per = _log_rate(used, measure), used[measure.per].to_numpy()
        made = factors(used, _factor_names(by))
        groups, pairs = _adjusted(groups, enough, terms, model, used, measure, by, level)
        unusual, nought = unusual_rows(
            used, y, terms.columns(used), made, np.sqrt(per / np.median(per))
        )
        sentences += caveats(used, terms, by, GROUPS[by], enough, nought)
        if model.effective < 30.0:
            sentences.append("The ranges are rough: the shifts fit many explanations equally well.")
        if few:
            sentences.append(
                f"{listed(few)}: under {least_shifts} shifts that count, so only what was done is "
                "shown."
            )
        sentences.append(_verdict(pairs, many))
    lost = [
        f"{g['group']} ({g['shifts'] - g['used']} of {g['shifts']})"
        for g in groups
        if g["shifts"] - g["used"] > MOST_LEFT_OUT * g["shifts"]
    ]
    if lost:
        sentences.append(
            f"More than a third of the shifts do not count of: {listed(lost)}. Figures may not "
            f"stand for the {one} there."
        )
    return Comparison(
        by=by,
        measure=measure,
        groups=pl.DataFrame(groups, schema=GROUP_SCHEMA, orient="row"),
        pairs=pl.DataFrame(pairs, schema=PAIR_SCHEMA, orient="row"),
        left_out=left_out.filter(~pl.col("group").is_in(list(single))).sort("group", "from_at"),
        unusual=unusual.filter(~pl.col("group").is_in(list(single))),
        adjusted_for=terms.names if terms else (),
        sentences=tuple(sentences),
    )


def _group_name(rows: pl.DataFrame, by: str) -> pl.Expr:
    if by == "bore_m":
        return pl.format("{} mm", (pl.col(by) * 1e3).round(1)).fill_null("")
    return pl.col(by).fill_null("")


def _single(rows: pl.DataFrame) -> set[str]:
    """Crews that are one person, by their size or, where it is not known, by who was there."""
    people = rows.group_by("group").agg(
        pl.coalesce(pl.col("crew_size").max(), pl.col("people").max()).alias("most")
    )
    return set(people.filter(pl.col("most") <= 1.0)["group"])


def _log_rate(used: pl.DataFrame, measure: Measure) -> Floats:
    rate = used[measure.amount].to_numpy() / used[measure.per].to_numpy() * measure.scale
    return np.asarray(np.log(rate), dtype=np.float64)


# --- what was done ---------------------------------------------------------------------------


def _plain(
    all_rows: pl.DataFrame,
    used: pl.DataFrame,
    name: str,
    measure: Measure,
    level: float,
    draws: int,
    seed: int,
) -> dict[str, Any]:
    """A group's ratio of sums; low and high blast time widen its interval outwards."""
    mine = used.filter(pl.col("group") == name)
    row: dict[str, Any] = dict.fromkeys(GROUP_SCHEMA) | {
        "group": name,
        "shifts": all_rows.filter(pl.col("group") == name).height,
        "used": mine.height,
        "clusters": 0,
        "how": "",
    }
    if mine.is_empty():
        return row
    amount, per = mine[measure.amount].to_numpy(), mine[measure.per].to_numpy()
    found = ratio_of_sums(amount, per, mine["shift"].to_numpy(), level, draws, seed)
    low, high = found.low, found.high
    if low is not None and high is not None and measure.on_hours:
        blast = float(mine["blast_s"].sum())
        most = float(mine.select(pl.coalesce("blast_high_s", "blast_s").sum()).item()) / blast
        least = float(mine.select(pl.coalesce("blast_low_s", "blast_s").sum()).item()) / blast
        if measure.per == "blast_s":
            low, high = low / most, high / least
        else:
            low, high = low * least, high * most
    return row | {
        "clusters": found.clusters,
        "amount": float(amount.sum()),
        "per": float(per.sum()),
        "rate": found.value * measure.scale,
        "rate_low": None if low is None else low * measure.scale,
        "rate_high": None if high is None else high * measure.scale,
        "how": found.how,
    }


# --- under like conditions -------------------------------------------------------------------


def _factor_names(by: str) -> list[str]:
    """The group first, then the other things whose differences must not be taken for its own."""
    return ["group", *(name for name in ("crew", "pot", "job") if name != by)]


def _model(
    used: pl.DataFrame, measure: Measure, by: str, seed: int, draws: int
) -> tuple[WorkTerms, Posterior]:
    terms = work_terms(used, without=(by,))
    made = factors(used, _factor_names(by))
    per = used[measure.per].to_numpy()
    drawn = posterior(
        _log_rate(used, measure),
        terms.columns(used),
        made,
        per / np.median(per),
        scales=[COMPARED_SCALE if f.name == "group" else OTHER_SCALE for f in made],
        draws=draws,
        seed=seed,
    )
    return terms, drawn


def _adjusted(
    groups: list[dict[str, Any]],
    enough: list[str],
    terms: WorkTerms,
    model: Posterior,
    used: pl.DataFrame,
    measure: Measure,
    by: str,
    level: float,
) -> tuple[list[dict[str, Any]], list[tuple[Any, ...]]]:
    """Groups with their adjusted figures, and all pairs of them."""
    levels = sorted(set(used["group"]))
    effects = model.effects["group"][:, [levels.index(name) for name in enough]]
    # The mix of circumstances of all rows, each weighted by what its rate is per.
    weight = used[measure.per].to_numpy()
    usual = model.beta @ np.average(terms.columns(used), axis=0, weights=weight)
    for name, drawn in model.effects.items():
        if name != "group":
            usual = usual + drawn.mean(axis=1)
    rates = np.exp(usual[:, None] + effects)
    relative = np.exp(effects - effects.mean(axis=1, keepdims=True)) - 1.0
    ends = [0.5 - level / 2.0, 0.5, 0.5 + level / 2.0]
    rate_ends, relative_ends = (np.quantile(d, ends, axis=0) for d in (rates, relative))
    columns = ("adjusted_low", "adjusted", "adjusted_high", "effect_low", "effect", "effect_high")
    found = {
        name: dict(zip(columns, map(float, (*rate_ends[:, k], *relative_ends[:, k])), strict=True))
        for k, name in enumerate(enough)
    }
    return [g | found.get(g["group"], {}) for g in groups], _pairs(enough, effects, measure)


def _pairs(names: list[str], effects: Floats, measure: Measure) -> list[tuple[Any, ...]]:
    """Every pair's difference, within limits that hold for all pairs at once."""
    first, second = np.triu_indices(len(names), 1)
    apart = effects[:, first] - effects[:, second]
    middle, scatter = apart.mean(axis=0), apart.std(axis=0)
    furthest = np.max(np.abs(apart - middle) / scatter, axis=1)
    half = np.quantile(furthest, 1.0 - FAMILY_ERROR) * scatter
    pairs = []
    for k, (i, j) in enumerate(zip(first, second, strict=True)):
        difference, low, high = (
            float(np.expm1(v)) for v in (middle[k], middle[k] - half[k], middle[k] + half[k])
        )
        different = bool(low > 0.0 or high < 0.0)
        pairs.append(
            (
                names[i], names[j], difference, low, high, different,
                _pair_sentence(names[i], names[j], difference, low, high, different, measure),
            )
        )  # fmt: skip
    return pairs


def _pair_sentence(
    first: str,
    second: str,
    difference: float,
    low: float,
    high: float,
    different: bool,
    measure: Measure,
) -> str:
    if not different:
        return (
            f"{first} and {second} cannot be told apart: {first} may lie anywhere from "
            f"{_percent(low, '+')} to {_percent(high, '+')} against {second}."
        )
    if difference < 0.0:  # told from the one with the larger figure
        first, second = second, first
        difference, low, high = (1.0 / (1.0 + v) - 1.0 for v in (difference, high, low))
    return (
        f"{first} {measure.more_is} {_percent(difference)} more than {second} under like "
        f"conditions (between {_percent(low)} and {_percent(high)})."
    )


def _verdict(pairs: list[tuple[Any, ...]], many: str) -> str:
    called = sum(bool(pair[5]) for pair in pairs)
    if called == 0:
        return f"None of these {many} can be told apart by these shifts."
    told = (
        f"These two {many} can be told apart."
        if len(pairs) == 1
        else f"Of {len(pairs)} pairs, {called} can be told apart."
    )
    return f"{told} Where all are equal, any pair is called different at most 5 times in 100."


def _counted(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def _percent(share: float, sign: str = "-") -> str:
    return f"{100.0 * share:{sign}.0f} %".replace("-", "−")
