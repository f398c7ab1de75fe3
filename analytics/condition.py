"""How each cycle of a pot went, against how it used to go: indicators, references, changes.

An indicator is first freed of what is known to move it without anything being wrong: how full the
pot is, what the manifold holds, what the nozzle draws. So a pot that is emptier does not look like
a hose that leaks: the leak comes out of the same fit as the free volume, and the time to
pressurise is brought to one and the same fill. Then medians of a few cycles go on an EWMA and a
CUSUM chart, against a reference from the time when the pot's history begins, or since the part
concerned was last changed. A chart speaks only of changes that would matter in practice.

What an indicator means for a part is for ``diagnosis`` to suggest and for people to find out.
Nothing here says that anything is safe, fit or vented.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.change import (
    cusum_chart,
    cusum_decision_interval,
    estimate_reference,
    ewma_chart,
    ewma_limit_width,
)
from analytics.fill import PotFacts, Samples, edges_of, prepared
from analytics.pot import LEVEL_SCHEMA, PotLevel, weigh_pot

Floats = npt.NDArray[np.float64]

#: One row a cycle; the store's table ``condition`` without ``pot_id``.
CONDITION_SCHEMA: dict[str, Any] = {
    **LEVEL_SCHEMA,
    "fit_reason": pl.String,
    "fit_caution": pl.String,
    "misfit": pl.Float64,
    "free_volume_m3": pl.Float64,
    "free_volume_error": pl.Float64,
    "fill_m3_s_pa": pl.Float64,
    "leak_m3_s_pa": pl.Float64,
    "leak_error_m3_s_pa": pl.Float64,
    "leak_smoothed_m3_s_pa": pl.Float64,
    "exhaust_m3_s_pa": pl.Float64,
    "exhaust_error": pl.Float64,
    "exhaust_delay_s": pl.Float64,
    "pressurise_reference_s": pl.Float64,
    "press_delay_s": pl.Float64,
    "holds_under_pa": pl.Float64,
    "hose_loss_index": pl.Float64,
    "sag_index": pl.Float64,
    "supply_pa": pl.Float64,
    "lowest_supply_share": pl.Float64,
    "ripple_pa": pl.Float64,
    "left_after_share": pl.Float64,
    "creep_pa": pl.Float64,
    "vented_pa": pl.Float64,
    "standing_still_share": pl.Float64,
    "missing_share": pl.Float64,
    "held_unpressurised_share": pl.Float64,
    "pressurised_unheld_share": pl.Float64,
}

#: The fill that the time to pressurise is brought to: free volume as a share of the empty pot's.
REFERENCE_FILL = 0.8
#: The pot is looked at so long after a release. [s]
_AFTER_S = 20.0


@dataclass(frozen=True)
class Condition:
    """The condition of a pot over a stretch.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``CONDITION_SCHEMA``.
    level : PotLevel or None
        The weighing behind it.
    """

    cycles: pl.DataFrame
    level: PotLevel | None


def condition_of(
    signals: pl.DataFrame | Samples,
    cycles: pl.DataFrame,
    facts: PotFacts,
    bags: pl.DataFrame | None = None,
) -> Condition:
    """Indicators of each cycle of a stretch of one pot, best a shift.

    Parameters
    ----------
    signals : polars.DataFrame or Samples
        ``analytics.cycles.SIGNAL_SCHEMA``, or what :func:`analytics.fill.prepared` made of it.
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA`` of the stretch; flickers are left out.
    facts : PotFacts
        What is known of the pot.
    bags : polars.DataFrame, optional
        ``at`` (naive UTC) and ``abrasive_kg``, as people entered them.

    Returns
    -------
    Condition
        One row a cycle. Nothing before or after the stretch matters, so stretches cut at the same
        instants give the same rows whenever they are computed.
    """
    samples = signals if isinstance(signals, Samples) else prepared(signals)
    counted = cycles.filter(~pl.col("flicker"))
    if counted.is_empty() or samples.at_s.size < 2:
        return Condition(pl.DataFrame(schema=CONDITION_SCHEMA), None)
    level = weigh_pot(samples, counted, facts, bags)
    columns: dict[str, Any] = {"pressed_at": counted["pressed_at"]}
    if level is not None:
        columns |= {name: level.levels[name] for name in LEVEL_SCHEMA}
        columns |= _from_fits(level, counted)
    columns |= _from_signals(samples, counted, facts, level)
    frame = pl.DataFrame(columns)
    missing = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in CONDITION_SCHEMA.items()
        if name not in frame.columns
    ]
    frame = frame.with_columns(missing).select(
        pl.col(name).cast(kind) for name, kind in CONDITION_SCHEMA.items()
    )
    return Condition(frame.with_columns(pl.col(pl.Float64).fill_nan(None)), level)


def _from_fits(level: PotLevel, cycles: pl.DataFrame) -> dict[str, Any]:
    w = level.weighed
    count = cycles.height
    which = w.windows.cycle

    def spread(values: Floats) -> Floats:
        out = np.full(count, np.nan)
        out[which] = values
        return out

    conductance = w.conductance_m3_s_pa
    information = w.fits.information[:, :2, :2] + np.diag([1e-9, 1e-4])
    covariance = np.linalg.inv(information)
    x_empty = w.state[:, 5] * w.x_scale
    x_end = x_empty - w.end_kg * w.state[:, 6] * w.x_scale
    to_reference = REFERENCE_FILL * x_empty / w.x
    return {
        "fit_reason": w.windows.reason,
        "fit_caution": w.windows.caution,
        "misfit": spread(w.fits.misfit),
        "free_volume_m3": spread(np.exp(w.fits.own[:, 0]) * conductance),
        "free_volume_error": spread(np.sqrt(covariance[:, 0, 0])),
        "fill_m3_s_pa": np.full(count, conductance),
        "leak_m3_s_pa": spread(w.fits.own[:, 2] * conductance),
        "leak_error_m3_s_pa": spread(np.sqrt(covariance[:, 1, 1]) * conductance),
        "leak_smoothed_m3_s_pa": w.leak_ratio * conductance,
        "exhaust_m3_s_pa": w.exhausts.rate * x_end * conductance,
        "exhaust_error": w.exhausts.error,
        "exhaust_delay_s": w.exhausts.delay_s,
        "pressurise_reference_s": _column(cycles, "pressurise_s") * to_reference,
    }


def _column(cycles: pl.DataFrame, name: str) -> Floats:
    return cycles[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _from_signals(
    samples: Samples, cycles: pl.DataFrame, facts: PotFacts, level: PotLevel | None
) -> dict[str, Any]:
    edges = edges_of(samples, cycles)
    count = edges.press.size
    names = (
        "lowest_supply_share", "ripple_pa", "left_after_share", "creep_pa", "vented_pa",
        "standing_still_share", "missing_share", "held_unpressurised_share",
        "pressurised_unheld_share", "rest_supply",
    )  # fmt: skip
    found = {name: np.full(count, np.nan) for name in names}
    after = round(_AFTER_S / samples.period_s)
    second = max(round(1.0 / samples.period_s), 1)
    for i in range(count):
        press, release = edges.press[i], edges.release[i]
        following = edges.following[i]
        pot, supply = samples.pot_pa[press:release], samples.supply_pa[press:release]
        shut = samples.pot_pa[release:following]
        before = samples.supply_pa[max(press - 3 * second, edges.before[i]) : press]
        if before.size and edges.rest_s[i] > 5.0 and np.isfinite(before).any():
            found["rest_supply"][i] = np.nanmedian(before)
        bad = ~np.isfinite(samples.pot_pa[press:following])
        found["missing_share"][i] = bad.mean() if bad.size else np.nan
        good = np.isfinite(pot) & np.isfinite(supply)
        if good.sum() > 3 * second:
            share = pot / np.maximum(supply, 1.0)
            up = np.flatnonzero(share > 0.9)
            if up.size:
                steady = slice(int(up[0]) + 2 * second, None)
                late_pot, late_supply = pot[steady], supply[steady]
                if late_pot.size > 5 * second:
                    gap = late_supply - late_pot
                    found["ripple_pa"][i] = np.nanquantile(gap, 0.95) - np.nanquantile(gap, 0.5)
                    low = np.isfinite(late_pot) & (late_pot < 0.4 * late_supply)
                    found["held_unpressurised_share"][i] = low.mean()
                    found["lowest_supply_share"][i] = np.nanmin(late_supply) / np.nanmax(supply)
                    still = np.abs(np.diff(late_pot)) < 1e-9
                    found["standing_still_share"][i] = still.mean()
        last = pot[-second:]
        held = float(np.median(last[np.isfinite(last)])) if np.isfinite(last).any() else np.nan
        if shut.size > 9 * second and held > 200_000.0:
            late = shut[8 * second :]
            found["pressurised_unheld_share"][i] = (late > 0.6 * held).mean()
        if shut.size > after + second and np.isfinite(shut[after:]).mean() > 0.9 and pot.size:
            if held > 200_000.0:
                found["left_after_share"][i] = np.nanmean(shut[after : after + second]) / held
            rest = shut[after:]
            if rest.size > 5 * second:
                ends = rest[-2 * second :], rest[: 2 * second]
                if all(np.isfinite(end).any() for end in ends):
                    found["creep_pa"][i] = np.nanmedian(ends[0]) - np.nanmedian(ends[1])
                low_rest = rest[np.abs(rest) < 40_000.0]
                if low_rest.size > second:
                    found["vented_pa"][i] = np.median(low_rest)
    outside = facts.outside_pa
    p_rest = found.pop("rest_supply") + outside
    p_supply, p_pot = _column(cycles, "supply_pa") + outside, _column(cycles, "pot_pa") + outside
    p_nozzle = _column(cycles, "nozzle_pa") + outside
    zero_pa = 0.0
    if level is not None:
        zero_pa = float(level.weighed.state[0, 8]) * 1000.0
    return {
        **found,
        "press_delay_s": _column(cycles, "press_delay_s"),
        "holds_under_pa": _column(cycles, "drop_supply_pot_pa") + zero_pa,
        "hose_loss_index": (p_pot**2 - p_nozzle**2) / p_nozzle**2,
        "sag_index": (p_rest**2 - p_supply**2) / p_nozzle**2,
        "supply_pa": _column(cycles, "supply_pa"),
    }


# -- changes


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

    @property
    def reference_blocks(self) -> int:
        """Blocks of its reference: fewer for what stands near nil in a pot that is well."""
        return 5 if self.mean or self.name == "vented_pa" else REFERENCE_BLOCKS


_LEVEL = ("abrasive_start_kg",)
INDICATORS: tuple[Indicator, ...] = (
    Indicator("leak_m3_s_pa", "leak while pinched", "m3/(s Pa)", 6e-9, part="pinch_hose"),
    Indicator("leak_m3_s_pa", "scatter of the leak", "m3/(s Pa)", 3.5e-9, scatter=True),
    Indicator("pressurise_reference_s", "time to pressurise at equal fill", "s", 0.12, True,
              (*_LEVEL, "supply_pa"), "pinch_hose"),
    Indicator("holds_under_pa", "pressure held under the manifold", "Pa", 6_000.0,
              part="pinch_hose"),
    Indicator("exhaust_m3_s_pa", "exhaust conductance", "m3/(s Pa)", 0.2, True, _LEVEL),
    Indicator("left_after_share", "pressure left 20 s after the release", "", 0.04, mean=True),
    Indicator("creep_pa", "rise of the pot while nobody holds the handle", "Pa", 12_000.0,
              mean=True),
    Indicator("hose_loss_index", "loss from pot to nozzle for its flow", "", 0.2, True,
              part="nozzle"),
    Indicator("sag_index", "manifold's sag for the nozzle's flow", "", 0.08),
    Indicator("supply_pa", "manifold pressure while blasting", "Pa", 45_000.0),
    Indicator("feed_kg_s", "abrasive feed", "kg/s", 0.2, True),
    Indicator("press_delay_s", "dead-man to first rise of the pot", "s", 0.25),
    Indicator("ripple_pa", "sawing of the pot under the manifold", "Pa", 12_000.0),
    Indicator("vented_pa", "reading while vented", "Pa", 6_000.0),
    Indicator("standing_still_share", "share of readings that do not move at all", "", 0.1,
              mean=True),
    Indicator("missing_share", "share of pot readings missing", "", 0.05, mean=True),
    Indicator("held_unpressurised_share", "dead-man on though the pot is down", "", 0.02,
              mean=True),
    Indicator("pressurised_unheld_share", "pot up though the dead-man is off", "", 0.04,
              mean=True),
)  # fmt: skip

#: Cycles a block, blocks of the reference, blocks between false signals of a chart (each side of
#: both charts together), and the weight of the newest block.
BLOCK, REFERENCE_BLOCKS, RUN_LENGTH, SMOOTHING = 8, 14, 20_000.0, 0.4
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
    eighth of what matters. A block is closed at the end of a day's work: cycles more than two
    hours apart do not share one.
    """
    pieces = [
        _indicator_changes(condition, indicator, fitted, run_length) for indicator in INDICATORS
    ]
    return pl.concat([pl.DataFrame(schema=CHANGE_SCHEMA), *pieces])


def _indicator_changes(
    condition: pl.DataFrame,
    indicator: Indicator,
    fitted: pl.DataFrame | None,
    run_length: float,
) -> pl.DataFrame:
    covariates = [c for c in indicator.covariates if condition[c].null_count() < condition.height]
    indicator = replace(indicator, covariates=tuple(covariates))
    needed = [indicator.name, "pressed_at", *covariates]
    rows = condition.select(list(dict.fromkeys(needed)))
    if indicator.name.startswith("leak"):
        rows = condition.filter(
            (pl.col("fit_caution") != "not vented before")
            & (pl.col("leak_error_m3_s_pa") < 0.12 * pl.col("fill_m3_s_pa"))
        ).select(list(dict.fromkeys(needed)))
    rows = rows.drop_nulls()
    if rows.height < BLOCK * (indicator.reference_blocks + 1):
        return pl.DataFrame(schema=CHANGE_SCHEMA)
    starts = [rows["pressed_at"][0]]
    if fitted is not None and indicator.part:
        starts += fitted.filter(pl.col("part") == indicator.part)["at"].sort().to_list()
    pieces = []
    for i, start in enumerate(starts):
        part = rows.filter(pl.col("pressed_at") >= start)
        if i + 1 < len(starts):
            part = part.filter(pl.col("pressed_at") < starts[i + 1])
        if part.height >= BLOCK * (indicator.reference_blocks + 1):
            pieces.append(_charted(part, indicator, run_length))
    return pl.concat([pl.DataFrame(schema=CHANGE_SCHEMA), *pieces])


def _charted(rows: pl.DataFrame, indicator: Indicator, run_length: float) -> pl.DataFrame:
    values = rows[indicator.name].to_numpy()
    at = rows["pressed_at"]
    blocks = indicator.reference_blocks
    learn = BLOCK * blocks
    for name in indicator.covariates:
        values = _standardised(values, rows[name].to_numpy(), learn)
    block = _blocks(at)
    numbers = np.unique(block)
    sizes = np.bincount(block)
    full = numbers[sizes[numbers] >= BLOCK // 2]
    if full.size < blocks + 1:
        return pl.DataFrame(schema=CHANGE_SCHEMA)
    summed = np.empty(full.size)
    for i, number in enumerate(full):
        mine = values[block == number]
        if indicator.scatter:
            summed[i] = 1.4826 * np.median(np.abs(mine - np.median(mine)))
        else:
            summed[i] = np.mean(mine) if indicator.mean else np.median(mine)
    reference = estimate_reference(summed[:blocks], "moving_range")
    middle = float(np.median(summed[:blocks]))
    matters = indicator.matters * (abs(middle) if indicator.relative else 1.0)
    if not matters > 0.0:
        return pl.DataFrame(schema=CHANGE_SCHEMA)
    sample = float(np.std(summed[:blocks], ddof=1))
    # A mean learned from few blocks is itself unsure: sqrt(1 + 1/n).
    spread = max(reference.sigma, sample, matters / 8.0) * np.sqrt(1.0 + 1.0 / blocks)
    later = summed[blocks:]
    width, interval = _limits(run_length)
    ewma = ewma_chart(later, middle, spread, SMOOTHING, width)
    cusum = cusum_chart(later, middle, spread, _CUSUM_K, interval)
    change = ewma.smoothed - middle
    moved = ewma.signal_low | ewma.signal_high | cusum.signal_low | cusum.signal_high
    ends = [at[int(np.flatnonzero(block == number)[-1])] for number in full[blocks:]]
    size = change / matters
    return pl.DataFrame(
        {
            "indicator": [indicator.name] * later.size,
            "scatter": [indicator.scatter] * later.size,
            "at": ends,
            "since_at": [at[0]] * later.size,
            "reference": np.full(later.size, middle),
            "spread": np.full(later.size, spread),
            "now": ewma.smoothed,
            "change": change,
            "relative": change / middle if middle else np.full(later.size, np.nan),
            "size": size,
            "signal": moved & (np.abs(size) >= 1.0),
        },
        schema=CHANGE_SCHEMA,
    )


def _standardised(values: Floats, covariate: Floats, learn: int) -> Floats:
    """Values freed of a covariate's slope, learned robustly (Theil and Sen) in the reference."""
    x, y = covariate[:learn], values[:learn]
    i, j = np.triu_indices(min(x.size, 160), 1)
    step = x[j] - x[i]
    wide = np.abs(step) > 0.2 * (np.quantile(x, 0.9) - np.quantile(x, 0.1) + 1e-12)
    if wide.sum() < 10:
        return values
    slope = float(np.median((y[j] - y[i])[wide] / step[wide]))
    return np.asarray(values - slope * (covariate - np.median(x)))


def _blocks(at: pl.Series) -> npt.NDArray[np.int64]:
    """Number of each cycle's block: eight in a row without a pause of two hours."""
    us = at.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    fresh = np.concatenate(([True], np.diff(us) > 7_200_000_000))
    begin = np.maximum.accumulate(np.where(fresh, np.arange(us.size), 0))
    return np.asarray(np.cumsum((np.arange(us.size) - begin) % BLOCK == 0)) - 1
