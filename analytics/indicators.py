"""What of a pot is watched, and where each indicator stands against its reference.

An indicator is freed of what is known to move it without anything being wrong: how full the pot
is, what the manifold holds. Then medians of a few cycles go on an EWMA and a CUSUM chart, against
a reference from the time when the pot's history begins, or since the part concerned was last
changed. A chart speaks only of changes that would matter in practice.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import median
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.change import (
    CHART_BEGINS,
    ChartState,
    charts_go_on,
    cusum_chart,
    cusum_decision_interval,
    estimate_reference,
    ewma_chart,
    ewma_limit_width,
)

Floats = npt.NDArray[np.float64]

#: One pound a square inch: by the trade's rule one and a half per cent of production at the
#: nozzle (common practice, no study behind it), and so the least that is worth a walk. [Pa]
PSI_PA = 6_894.757


#: An index of loss is twice a fall of pressure over the pressure, near enough: half a psi of 750
#: kPa. Two common transducers of 1 MPa may walk by as much with a day's weather, at 0.02 % of the
#: range a kelvin (makers' data sheets, from memory). [-]
CLEAN_FLOOR = 0.009


@dataclass(frozen=True)
class Indicator:
    """An indicator, and what of it is a change worth telling.

    Parameters
    ----------
    name : str
        Column of ``CONDITION_SCHEMA``.
    words, unit : str
        In a sentence; unit of ``matters``, empty for a share.
    matters : float
        Least change that matters in practice (our estimates): in the column's unit, or with
        ``relative`` as a share of the reference.
    relative : bool
        Changes are told as shares of the reference.
    covariates : tuple of str
        Columns that move it though nothing is wrong.
    part : str
        Part whose change starts a new reference; empty: none.
    scatter : bool
        Its scatter within a block is looked at, not its level.
    mean : bool
        A block is summed up by its mean: for what happens in some cycles only.
    error : str
        Column of each cycle's own standard error; scatter is then told in multiples of it. [-]
    floor : float
        What matters is never less than this, in the column's unit: transducers' own errors.
    """

    name: str
    words: str
    unit: str
    matters: float
    relative: bool = False
    covariates: tuple[str, ...] = ()
    part: str = ""
    scatter: bool = False
    mean: bool = False
    error: str = ""
    floor: float = 0.0

    @property
    def reference_blocks(self) -> int:
        """Blocks of its reference: fewer for what stands near nil in a pot that is well."""
        return 5 if self.mean or self.name == "vented_pa" else REFERENCE_BLOCKS


_LEVEL = ("abrasive_start_kg",)
INDICATORS: tuple[Indicator, ...] = (
    Indicator("leak_m3_s_pa", "leak while pinched", "m3/(s Pa)", 6e-9, part="pinch_hose"),
    Indicator("leak_m3_s_pa", "scatter of the leak", "", 1.2, scatter=True,
              error="leak_error_m3_s_pa"),
    Indicator("pressurise_reference_s", "time to pressurise at equal fill", "s", 0.12, True,
              (*_LEVEL, "supply_pa"), "pinch_hose"),
    Indicator("holds_under_pa", "pressure held under the manifold", "Pa", 6_000.0,
              part="pinch_hose"),
    Indicator("exhaust_m3_s_pa", "exhaust conductance", "m3/(s Pa)", 0.14, True, _LEVEL),
    Indicator("left_after_share", "pressure left 20 s after the release", "", 0.04, mean=True),
    Indicator("creep_pa", "rise of the pot while nobody holds the handle", "Pa", 12_000.0,
              mean=True),
    Indicator("clean_loss_index", "loss of clean air from manifold to nozzle, for its flow", "",
              0.06, True, part="nozzle", floor=CLEAN_FLOOR),
    Indicator("grain_loss_index", "loss that the abrasive adds on the way to the nozzle", "", 0.15,
              True, part="nozzle", floor=CLEAN_FLOOR),
    Indicator("bull_loss_index", "loss before the manifold, for its flow", "", 0.25, True,
              floor=CLEAN_FLOOR),
    Indicator("receiver_pa", "pressure that the compressor holds to the end of a burst", "Pa",
              PSI_PA),
    Indicator("supply_pa", "manifold pressure while blasting", "Pa", 3.0 * PSI_PA),
    Indicator("feed_kg_s", "abrasive feed", "kg/s", 0.2, True),
    Indicator("press_delay_s", "dead-man to first rise of the pot", "s", 0.25),
    Indicator("ripple_pa", "sawing of the pot under the manifold", "Pa", 12_000.0),
    Indicator("vented_pa", "reading while vented", "Pa", 3_500.0),
    Indicator("standing_still_share", "share of readings that do not move at all", "", 0.02,
              mean=True),
    Indicator("missing_share", "share of pot readings missing", "", 0.015, mean=True),
    Indicator("held_unpressurised_share", "dead-man on though nothing is blasted", "", 0.01,
              mean=True),
    Indicator("pressurised_unheld_share", "pot up though the dead-man is off", "", 0.04,
              mean=True),
    Indicator("blown_unheld_share", "nozzle blasting though the dead-man is off", "", 0.03,
              mean=True),
)  # fmt: skip


def columns_of(names: AbstractSet[str]) -> tuple[str, ...]:
    """What charts of some indicators, and spans of trouble, read of ``CONDITION_SCHEMA``."""
    mine = [(i.name, *i.covariates) for i in INDICATORS if i.name in names]
    leak = ("fit_caution", "leak_error_m3_s_pa", "fill_m3_s_pa")
    wanted = ("pressed_at", *leak, *(name for found in mine for name in found))
    return tuple(dict.fromkeys(wanted))


COLUMNS_CHARTED = columns_of({i.name for i in INDICATORS})

#: Cycles a block, blocks of the reference, blocks between false signals of a chart (each side of
#: both charts together), and the weight of the newest block.
BLOCK, REFERENCE_BLOCKS, RUN_LENGTH, SMOOTHING = 8, 14, 20_000.0, 0.4
#: After a longer pause a block is closed, full or not.
BLOCK_PAUSE = dt.timedelta(hours=2)
#: Until so many blocks, some three days' work, blocks that lie near the reference join it: weather
#: and crew are another each day, and a reference of the first day alone knows one of them only.
LEARN_BLOCKS, NEAR = 75, 0.75
#: Half of the shift a CUSUM is tuned to. [sigma]
_CUSUM_K = 0.75

CHANGE_SCHEMA: dict[str, Any] = {
    "indicator": pl.String,
    "scatter": pl.Boolean,
    "at": pl.Datetime("us"),
    "since_at": pl.Datetime("us"),
    "reference": pl.Float64,
    "spread": pl.Float64,
    "now": pl.Float64,
    "change": pl.Float64,
    "relative": pl.Float64,
    "size": pl.Float64,
    "signal": pl.Boolean,
}


@lru_cache(maxsize=4)
def _limits(run_length: float) -> tuple[float, float]:
    return (
        ewma_limit_width(SMOOTHING, 2.0 * run_length),
        cusum_decision_interval(_CUSUM_K, 2.0 * run_length),
    )


def changes(
    condition: pl.DataFrame,
    fitted: pl.DataFrame | None = None,
    run_length: float = RUN_LENGTH,
) -> pl.DataFrame:
    """Where each indicator stands against its reference, block by block.

    Parameters
    ----------
    condition : polars.DataFrame
        ``CONDITION_SCHEMA``, a pot's whole history, ascending.
    fitted : polars.DataFrame, optional
        ``part`` and ``at`` (naive UTC) of parts fitted: an indicator that hangs on the part takes
        a new reference from there.
    run_length : float
        Blocks of eight cycles between false signals of an indicator, as far as blocks are
        independent and normal; what matters in practice is asked besides. [blocks]

    Returns
    -------
    polars.DataFrame
        ``CHANGE_SCHEMA``: one row an indicator and block after its reference; ``size`` is the
        change over what matters.

    Notes
    -----
    Sigma is that of block medians within the reference, from moving ranges, but at least an
    eighth of what matters. The reference takes in later blocks near it until ``LEARN_BLOCKS``, so
    that it knows some days; a block is only ever compared with blocks before it. A block is closed
    at the end of a day's work: cycles more than two hours apart do not share one.
    """
    pieces = [
        _indicator_changes(condition, indicator, fitted, run_length) for indicator in INDICATORS
    ]
    return pl.concat([pl.DataFrame(schema=CHANGE_SCHEMA), *pieces])


class ReckonWholly(Exception):
    """What is new changes what was told of before: nothing can go on from there."""


@dataclass(frozen=True)
class Learned:
    """What a chart goes by once nothing joins its reference any more, and where it stands.

    Parameters
    ----------
    slopes : tuple of (float, float)
        Of each covariate: slope, and the middle from which it is reckoned.
    middle, matters, spread : float
        What each block is compared with.
    state : ChartState
        Where the charts stand.
    """

    slopes: tuple[tuple[float, float], ...]
    middle: float
    matters: float
    spread: float
    state: ChartState


@dataclass(frozen=True)
class Stretch:
    """An indicator's chart since its reference began, as far as it was looked at.

    Parameters
    ----------
    from_at : datetime or None
        Its first cycle; ``None``: there is none yet.
    told : int
        Blocks told of.
    learned : Learned or None
        ``None``: the chart is still learning, so to go on needs its cycles from the first on.
    """

    from_at: dt.datetime | None = None
    told: int = 0
    learned: Learned | None = None


def _indicator_changes(
    condition: pl.DataFrame,
    indicator: Indicator,
    fitted: pl.DataFrame | None,
    run_length: float,
) -> pl.DataFrame:
    known = {c for c in indicator.covariates if condition[c].null_count() < condition.height}
    found = stretches(condition, indicator, known, starts_of(indicator, fitted), run_length)
    return found[0]


def starts_of(indicator: Indicator, fitted: pl.DataFrame | None) -> list[dt.datetime]:
    """Instants at which an indicator takes a new reference, ascending."""
    if fitted is None or not indicator.part:
        return []
    return fitted.filter(pl.col("part") == indicator.part)["at"].sort().to_list()


def stretches(
    condition: pl.DataFrame,
    indicator: Indicator,
    known: AbstractSet[str],
    starts: Sequence[dt.datetime],
    run_length: float = RUN_LENGTH,
    before: Stretch | None = None,
) -> tuple[pl.DataFrame, Stretch]:
    """Charts of one indicator, from its beginning or going on from where it stood.

    Parameters
    ----------
    condition : polars.DataFrame
        ``CONDITION_SCHEMA``, ascending: from the first cycle on, or what came since ``before``;
        before that too, from the stretch's first cycle on, while the chart is learning.
    indicator : Indicator
    known : set of str
        Covariates of which the pot has any value at all.
    starts : sequence of datetime
        When references begin anew within the cycles.
    run_length : float
        As for :func:`changes`.
    before : Stretch, optional
        How things stood.

    Returns
    -------
    (polars.DataFrame, Stretch)
        ``CHANGE_SCHEMA``, and how the last stretch stands.
    """
    indicator = replace(indicator, covariates=tuple(c for c in indicator.covariates if c in known))
    rows = _rows_of(condition, indicator)
    stretch = before or Stretch()
    pieces = [pl.DataFrame(schema=CHANGE_SCHEMA)]
    for from_at, to_at in zip([None, *starts], [*starts, None], strict=True):
        part = rows
        if from_at is not None:
            part, stretch = part.filter(pl.col("pressed_at") >= from_at), Stretch()
        if to_at is not None:
            part = part.filter(pl.col("pressed_at") < to_at)
        found, stretch = _charted(part, indicator, run_length, stretch)
        pieces.append(found)
    return pl.concat(pieces), stretch


def _rows_of(condition: pl.DataFrame, indicator: Indicator) -> pl.DataFrame:
    needed = [indicator.name, "pressed_at", *indicator.covariates]
    if indicator.error:
        needed.append(indicator.error)
    if indicator.name.startswith("leak"):
        condition = condition.filter(
            (pl.col("fit_caution") != "not vented before")
            & (pl.col("leak_error_m3_s_pa") < 0.12 * pl.col("fill_m3_s_pa"))
        )
    return condition.select(list(dict.fromkeys(needed))).drop_nulls()


def _charted(
    rows: pl.DataFrame, indicator: Indicator, run_length: float, before: Stretch
) -> tuple[pl.DataFrame, Stretch]:
    """One stretch: wholly, or from where a learned chart stood."""
    nothing = pl.DataFrame(schema=CHANGE_SCHEMA)
    if rows.is_empty():
        return nothing, before
    at = rows["pressed_at"]
    learned = before.learned
    since_at = at[0] if learned is None else before.from_at
    still = Stretch(since_at)
    blocks = 0 if learned else indicator.reference_blocks
    if rows.height < BLOCK * (blocks + 1) and not learned:
        return nothing, still
    values = rows[indicator.name].to_numpy()
    slopes = []
    for i, name in enumerate(indicator.covariates):
        covariate = rows[name].to_numpy()
        slope = learned.slopes[i] if learned else _slope(values, covariate, BLOCK * blocks)
        values = _standardised(values, covariate, slope)
        slopes.append(slope)
    block = _blocks(at)
    numbers = np.unique(block)
    sizes = np.bincount(block)
    full = numbers[sizes[numbers] >= BLOCK // 2]
    if full.size < blocks + 1:
        return nothing, before if learned else still
    errors = rows[indicator.error].to_numpy() if indicator.error else np.ones(values.size)
    begins = np.searchsorted(block, full)
    summed = _summed(values, errors, begins, sizes[full], indicator)
    later = summed[blocks:]
    if learned:
        if not np.isfinite(later).all():
            raise ReckonWholly  # what is no number leaves a chart where it was
        compared = (learned.middle, learned.matters, learned.spread)
        middle, matters, spread = (np.full(later.size, known) for known in compared)
    else:
        middle, matters, spread = _references(summed, indicator)
    if not matters.all():
        return nothing, still
    width, interval = _limits(run_length)
    state = None
    if learned:
        deviation, high, low, state = charts_go_on(
            later, middle, spread, SMOOTHING, _CUSUM_K, learned.state
        )
        now = middle + deviation
        # After so many blocks the limits stand where they tend to, to the last bit.
        half = width * spread * np.sqrt(SMOOTHING / (2.0 - SMOOTHING))
        moved = (np.abs(deviation) > half) | (np.maximum(high, low) > interval)
    else:
        ewma = ewma_chart(later, middle, spread, SMOOTHING, width)
        cusum = cusum_chart(later, middle, spread, _CUSUM_K, interval)
        now = ewma.smoothed
        moved = ewma.signal_low | ewma.signal_high | cusum.signal_low | cusum.signal_high
        sound = np.isfinite(later).all() and (spread > 0.0).all()
        if later.size >= LEARN_BLOCKS - blocks + 2 and sound:
            *_, state = charts_go_on(later, middle, spread, SMOOTHING, _CUSUM_K, CHART_BEGINS)
    change = now - middle
    ends = at.gather(begins[blocks:] + sizes[full[blocks:]] - 1)
    size = change / matters
    found = pl.DataFrame(
        {
            "indicator": pl.Series([indicator.name]).new_from_index(0, later.size),
            "scatter": pl.Series([indicator.scatter]).new_from_index(0, later.size),
            "at": ends,
            "since_at": pl.Series([since_at], dtype=at.dtype).new_from_index(0, later.size),
            "reference": middle,
            "spread": spread,
            "now": now,
            "change": change,
            "relative": np.divide(
                change, middle, out=np.full(later.size, np.nan), where=middle != 0.0
            ),
            "size": size,
            "signal": moved & (np.abs(size) >= 1.0),
        },
        schema=CHANGE_SCHEMA,
    )
    knows = None
    if state is not None:
        knows = Learned(
            tuple(slopes), float(middle[-1]), float(matters[-1]), float(spread[-1]), state
        )
    return found, Stretch(since_at, before.told * bool(learned) + later.size, knows)


def _summed(
    values: Floats,
    errors: Floats,
    begins: npt.NDArray[np.int64],
    sizes: npt.NDArray[np.int64],
    indicator: Indicator,
) -> Floats:
    """Each block in one number; blocks of a size are taken together, for there are thousands."""
    summed = np.empty(begins.size)
    for size in np.unique(sizes):
        mine = sizes == size
        within = begins[mine][:, np.newaxis] + np.arange(size)
        rows = values[within]
        if indicator.scatter:
            off = (rows - np.median(rows, axis=1, keepdims=True)) / errors[within]
            summed[mine] = 1.4826 * np.median(np.abs(off), axis=1)
        else:
            summed[mine] = np.mean(rows, axis=1) if indicator.mean else np.median(rows, axis=1)
    return summed


def _references(summed: Floats, indicator: Indicator) -> tuple[Floats, Floats, Floats]:
    """What each block after the reference is compared with: middle, what matters, and spread.

    A block is compared only with blocks before it, so what was told once does not change later.
    """
    blocks = indicator.reference_blocks
    joined = summed[:blocks].tolist()
    out = np.empty((3, summed.size - blocks))
    fresh = True
    for j, value in enumerate(summed[blocks:]):
        if fresh:
            known = np.array(joined)
            middle = median(joined)
            matters = indicator.matters * (abs(middle) if indicator.relative else 1.0)
            matters = max(matters, indicator.floor)
            sigma = estimate_reference(known, "moving_range").sigma
            # A mean learned from few blocks is itself unsure: sqrt(1 + 1/n).
            spread = max(sigma, float(np.std(known, ddof=1)), matters / 8.0)
            spread *= np.sqrt(1.0 + 1.0 / known.size)
        out[:, j] = middle, matters, spread
        if blocks + j >= LEARN_BLOCKS and not fresh:
            # Nothing joins any more: thousands of blocks are compared with the same.
            out[:, j:] = out[:, j : j + 1]
            break
        fresh = blocks + j < LEARN_BLOCKS and abs(value - middle) <= NEAR * matters
        if fresh:
            joined.append(float(value))
    return out[0], out[1], out[2]


def _slope(values: Floats, covariate: Floats, learn: int) -> tuple[float, float]:
    """A covariate's slope, learned robustly (Theil and Sen) in the reference, and its middle."""
    x, y = covariate[:learn], values[:learn]
    i, j = np.triu_indices(min(x.size, 160), 1)
    step = x[j] - x[i]
    wide = np.abs(step) > 0.2 * (np.quantile(x, 0.9) - np.quantile(x, 0.1) + 1e-12)
    if wide.sum() < 10:
        return 0.0, 0.0
    return float(np.median((y[j] - y[i])[wide] / step[wide])), float(np.median(x))


def _standardised(values: Floats, covariate: Floats, slope: tuple[float, float]) -> Floats:
    """Values freed of a covariate's slope."""
    by, middle = slope
    return np.asarray(values - by * (covariate - middle)) if by else values


def _blocks(at: pl.Series) -> npt.NDArray[np.int64]:
    """Number of each cycle's block: eight in a row without a pause of two hours."""
    us = at.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    fresh = np.concatenate(([True], np.diff(us) > BLOCK_PAUSE // dt.timedelta(microseconds=1)))
    begin = np.maximum.accumulate(np.where(fresh, np.arange(us.size), 0))
    return np.asarray(np.cumsum((np.arange(us.size) - begin) % BLOCK == 0)) - 1
