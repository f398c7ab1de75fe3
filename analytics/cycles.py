"""Cycles: one dead-man opening each, corroborated by the pot's pressure; and gaps.

A cycle comes from the dead-man signal, never from pressure alone: pressure lags when it rises and
lingers when it falls, so hours from pressure are too many. Pressure then says whether the wedge
really closed (``confirmed``), when the pot was pressurised (blast time) and how the pot behaved.

Between two samples nothing is known. So every duration has three figures: ``low`` counts only the
time between two samples that both say on, ``high`` the time with at least one of them, and the
middle is halfway. Sums run in whole microseconds, so a figure does not depend on where a
calculation was begun, and an incremental result equals a full one to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_US = 1_000_000

#: Rise over the pressure at the press that counts as the pot's answer, as a fraction of the
#: manifold's pressure: over the noise of a 1 % transducer (three standard deviations).
_ANSWER_FRACTION = 0.03
#: The same where no manifold pressure is measured. [Pa]
_ANSWER_PA = 20_000.0
#: Pressurised "to 90 %" of the manifold and exhausted "to 10 %" of what the pot held.
_PRESSURISED_TO = 0.90
_EXHAUSTED_TO = 0.10
#: Pressures still move for a while after the pot counts as full; medians begin this long after. [s]
_SETTLE_S = 2.0
#: A pot that never fills is looked at from this long after the press. [s]
_SLOW_S = 10.0
#: Fall under the held pressure that shows that the wedge has opened.
_OPENING_FRACTION = 0.03


@dataclass(frozen=True)
class CycleSettings:
    """What turns samples into cycles; the yard file's ``[derive]`` and the box's ``gap_s``.

    Parameters
    ----------
    gap_s : float
        Silence longer than this is a gap. [s]
    release_debounce_s : float
        The dead-man shut for less than this is contact bounce, not a release. [s]
    press_debounce_s : float
        Open for less than this without an answer from the pot is a flicker, not a cycle. [s]
    pressurised_on, pressurised_off : float
        Fractions of the manifold's pressure at which the pot begins and ceases to count as
        pressurised. [-]
    pressurised_pa, unpressurised_pa : float
        The same where no manifold pressure is measured. [Pa gauge]
    align_s : float
        Oldest value of a pressure that still stands for an instant. [s]
    quiet_s : float
        After this long with the dead-man shut, nothing earlier matters any more; the search for
        the exhaust ends here. [s]
    has_pot : bool
        The pot has a pressure transducer; where it is silent, blast time is then an interval.
    """

    gap_s: float = 2.0
    release_debounce_s: float = 0.25
    press_debounce_s: float = 0.15
    pressurised_on: float = 0.70
    pressurised_off: float = 0.50
    pressurised_pa: float = 300_000.0
    unpressurised_pa: float = 200_000.0
    align_s: float = 0.5
    quiet_s: float = 180.0
    has_pot: bool = True


#: Columns of the cycle frame and their types; the store's table ``cycle`` without ``pot_id``.
CYCLE_SCHEMA: dict[str, Any] = {
    "pressed_at": pl.Datetime("us"),
    "released_at": pl.Datetime("us"),
    "span_from_at": pl.Datetime("us"),
    "span_to_at": pl.Datetime("us"),
    "began_by": pl.String,
    "ended_by": pl.String,
    "flicker": pl.Boolean,
    "confirmed": pl.Boolean,
    "samples": pl.Int32,
    "deadman_s": pl.Float64,
    "deadman_low_s": pl.Float64,
    "deadman_high_s": pl.Float64,
    "blast_s": pl.Float64,
    "blast_low_s": pl.Float64,
    "blast_high_s": pl.Float64,
    "pinched_s": pl.Float64,
    "press_delay_s": pl.Float64,
    "pressurise_s": pl.Float64,
    "exhaust_s": pl.Float64,
    "supply_pa": pl.Float64,
    "pot_pa": pl.Float64,
    "nozzle_pa": pl.Float64,
    "drop_supply_pot_pa": pl.Float64,
    "drop_pot_nozzle_pa": pl.Float64,
    "peak_pot_pa": pl.Float64,
}

GAP_SCHEMA: dict[str, Any] = {
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "deadman_before": pl.Boolean,
    "deadman_after": pl.Boolean,
}

#: What the functions below read. Pressures are gauge, calibrated, null where bad or not sampled.
SIGNAL_SCHEMA: dict[str, Any] = {
    "sampled_at": pl.Datetime("us"),
    "deadman": pl.Boolean,
    "supply_pa": pl.Float64,
    "pot_pa": pl.Float64,
    "nozzle_pa": pl.Float64,
}


@dataclass(frozen=True)
class Found:
    """What a stretch of signals holds: ``cycles`` (CYCLE_SCHEMA) and ``gaps`` (GAP_SCHEMA)."""

    cycles: pl.DataFrame
    gaps: pl.DataFrame


@dataclass(frozen=True)
class _Signals:
    """The signals at the instants of the dead-man's samples, as arrays of one length."""

    at_us: Ints
    deadman: Bools
    supply_pa: Floats
    pot_pa: Floats
    nozzle_pa: Floats


def find_cycles(signals: pl.DataFrame, settings: CycleSettings) -> Found:
    """Find the dead-man openings and the gaps in a stretch of signals.

    Parameters
    ----------
    signals : polars.DataFrame
        Columns of ``SIGNAL_SCHEMA``, ascending in ``sampled_at`` without repeats. Rows where the
        dead-man is null only carry pressures, which stand for later instants within ``align_s``.
    settings : CycleSettings
        Thresholds.

    Returns
    -------
    Found
        Cycles ascending in ``pressed_at`` that do not overlap, and gaps. An opening that touches
        a gap is cut there and says so in ``began_by`` or ``ended_by``; a stretch that ends while
        the dead-man is open ends with a cycle that says ``open``.

    Notes
    -----
    Accuracy is that of the sampling: an edge lies somewhere between two samples. Delays are
    measured from the middle of the edge and interpolated on the pressure, so they are good to
    about one sampling interval.

    Examples
    --------
    >>> from datetime import datetime, timedelta
    >>> second = [datetime(2026, 1, 5) + timedelta(seconds=i) for i in range(6)]
    >>> frame = pl.DataFrame({"sampled_at": second,
    ...     "deadman": [False, True, True, True, False, False],
    ...     "supply_pa": [7e5] * 6, "pot_pa": [0.0, 0.0, 6e5, 7e5, 1e5, 0.0],
    ...     "nozzle_pa": [None] * 6}, schema=SIGNAL_SCHEMA)
    >>> cycle = find_cycles(frame, CycleSettings()).cycles.row(0, named=True)
    >>> cycle["deadman_low_s"], cycle["deadman_s"], cycle["deadman_high_s"]
    (2.0, 3.0, 4.0)
    >>> cycle["blast_low_s"], cycle["blast_s"], cycle["blast_high_s"]
    (1.0, 2.0, 3.0)
    """
    s = _at_deadman_samples(signals, settings)
    if s.at_us.size == 0:
        return Found(pl.DataFrame(schema=CYCLE_SCHEMA), pl.DataFrame(schema=GAP_SCHEMA))
    step_us = np.diff(s.at_us)
    is_gap = step_us > round(settings.gap_s * _US)
    on = _debounced(s, is_gap, settings)
    starts, ends = _runs(on, is_gap)
    gap_at = np.flatnonzero(is_gap)
    gaps = pl.DataFrame(
        {
            "from_at": s.at_us[gap_at],
            "to_at": s.at_us[gap_at + 1],
            "deadman_before": on[gap_at],
            "deadman_after": on[gap_at + 1],
        },
        schema_overrides={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us")},
    ).select(list(GAP_SCHEMA))
    if starts.size == 0:
        return Found(pl.DataFrame(schema=CYCLE_SCHEMA), gaps)
    return Found(_cycle_frame(s, on, is_gap, starts, ends, settings), gaps)


def memoryless_from(signals: pl.DataFrame, settings: CycleSettings) -> Ints:
    """Instants from which cycles can be found without knowing what came before.

    Such an instant is the first sample after a gap, or a sample that follows ``quiet_s`` of the
    raw dead-man shut with no gap. What is found from there on does not depend on what lies
    before, and what lies before is complete.

    Parameters
    ----------
    signals : polars.DataFrame
        As for :func:`find_cycles`; only ``sampled_at`` and ``deadman`` are read.
    settings : CycleSettings
        Thresholds.

    Returns
    -------
    numpy.ndarray of int64, shape (n,)
        Ascending instants. [us since 1970 UTC]
    """
    rows = signals.filter(pl.col("deadman").is_not_null())
    at_us = _us(rows["sampled_at"])
    if at_us.size == 0:
        return at_us
    deadman = rows["deadman"].to_numpy().astype(np.bool_)
    after_gap = np.concatenate(
        ([False], np.diff(at_us) > round(settings.gap_s * _US)), dtype=np.bool_
    )
    # The last instant at which something mattered: the dead-man open, a gap, or the beginning.
    matters = deadman | after_gap
    matters[0] = True
    last = np.maximum.accumulate(np.where(matters, np.arange(at_us.size), 0))
    quiet = at_us - at_us[last] >= round(settings.quiet_s * _US)
    return at_us[quiet | after_gap]


def _us(instants: pl.Series) -> Ints:
    return instants.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def _at_deadman_samples(signals: pl.DataFrame, settings: CycleSettings) -> _Signals:
    rows = signals
    pressures = ("supply_pa", "pot_pa", "nozzle_pa")
    if signals["deadman"].null_count():
        # Polled channels come at instants of their own: carry each forward, but not for long.
        oldest = pl.duration(microseconds=round(settings.align_s * _US))
        rows = signals.with_columns(
            pl.when(
                pl.col("sampled_at")
                - pl.when(pl.col(name).is_not_null()).then(pl.col("sampled_at")).forward_fill()
                <= oldest
            )
            .then(pl.col(name).forward_fill())
            .alias(name)
            for name in pressures
        ).filter(pl.col("deadman").is_not_null())
    values = {
        name: rows[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in pressures
    }
    return _Signals(
        at_us=_us(rows["sampled_at"]),
        deadman=rows["deadman"].to_numpy().astype(np.bool_),
        supply_pa=values["supply_pa"],
        pot_pa=values["pot_pa"],
        nozzle_pa=values["nozzle_pa"],
    )


def _runs(on: Bools, is_gap: Bools) -> tuple[Ints, Ints]:
    """First index of each run of ``on`` and the index after its last, cut at gaps."""
    begins = on.copy()
    begins[1:] &= ~on[:-1] | is_gap
    finishes = on.copy()
    finishes[:-1] &= ~on[1:] | is_gap
    return np.flatnonzero(begins), np.flatnonzero(finishes) + 1


def _debounced(s: _Signals, is_gap: Bools, settings: CycleSettings) -> Bools:
    """The dead-man with pauses shorter than the release debounce filled in."""
    starts, ends = _runs(s.deadman, is_gap)
    on = s.deadman.copy()
    if starts.size < 2:
        return on
    gaps_before = np.concatenate(([0], np.cumsum(is_gap)))
    pause_from, pause_to = ends[:-1], starts[1:]
    same_segment = gaps_before[pause_from - 1] == gaps_before[pause_to]
    # A pause is bounded by the first sample that says shut and the next one that says open.
    shut_at = s.at_us[np.minimum(pause_from, s.at_us.size - 1)]
    short = s.at_us[pause_to] - shut_at < round(settings.release_debounce_s * _US)
    for first, last in zip(
        pause_from[short & same_segment], pause_to[short & same_segment], strict=True
    ):
        on[first:last] = True
    return on


def _pressurised(s: _Signals, starts: Ints, settings: CycleSettings) -> tuple[Bools, Bools]:
    """Whether the pot counts as pressurised at each sample of a cycle, and whether it is known.

    Hysteresis that begins anew at each press, so that nothing before a press matters.
    """
    with_supply = np.isfinite(s.supply_pa)
    up_pa = np.where(with_supply, settings.pressurised_on * s.supply_pa, settings.pressurised_pa)
    down_pa = np.where(
        with_supply, settings.pressurised_off * s.supply_pa, settings.unpressurised_pa
    )
    measured = np.isfinite(s.pot_pa)
    up = measured & (s.pot_pa >= np.maximum(up_pa, settings.unpressurised_pa * 0.5))
    down = measured & (s.pot_pa <= down_pa)
    number = np.arange(s.at_us.size)
    press = np.zeros(s.at_us.size, dtype=np.int64)
    press[starts] = starts
    press = np.maximum.accumulate(press)
    last_up = np.maximum.accumulate(np.where(up, number, -1))
    last_down = np.maximum.accumulate(np.where(down & ~up, number, -1))
    last_measured = np.maximum.accumulate(np.where(measured, number, -1))
    return (last_up >= press) & (last_up > last_down), last_measured >= press


def _cycle_frame(
    s: _Signals,
    on: Bools,
    is_gap: Bools,
    starts: Ints,
    ends: Ints,
    settings: CycleSettings,
) -> pl.DataFrame:
    size = s.at_us.size
    last = ends - 1
    cut_before = np.concatenate(([True], is_gap))
    led = ~cut_before[starts]  # a sample of the same segment says shut before the press
    followed = ~np.concatenate((cut_before, [True]))[ends]  # and one after the release
    span_from = np.where(led, starts - 1, starts)
    released = np.where(followed, ends, last)

    pressurised, known = _pressurised(s, starts, settings)
    blasting = on & (pressurised | ~known)
    surely = on & pressurised & known if settings.has_pot else on
    deadman_low_us, deadman_high_us = _durations(s.at_us, on, is_gap, span_from, released)
    blast_low_us, blast_high_us = _durations(s.at_us, blasting, is_gap, span_from, released)
    surely_low_us, _ = _durations(s.at_us, surely, is_gap, span_from, released)

    # The middle of each edge, from which delays are measured; unknown where a gap cut it off.
    pressed_us = np.where(led, (s.at_us[starts] + s.at_us[span_from]) / 2, np.nan)
    released_us = np.where(followed, (s.at_us[released] + s.at_us[last]) / 2, np.nan)
    until = _until(s, is_gap, starts, ends, settings)

    measured = np.isfinite(s.pot_pa)
    rest_pa = np.where(measured[span_from], s.pot_pa[span_from], s.pot_pa[starts])
    supply_at_press_pa = s.supply_pa[starts]
    answer_pa = rest_pa + np.where(
        np.isfinite(supply_at_press_pa), _ANSWER_FRACTION * supply_at_press_pa, _ANSWER_PA
    )
    answered = _first_in(s.pot_pa >= _per_sample(answer_pa, starts, size), starts, until)
    full_pa = _PRESSURISED_TO * s.supply_pa
    full = _first_in(s.pot_pa >= full_pa, starts, ends)
    # A pot that held pressure at the press tells nothing about how long it takes to fill.
    was_empty = rest_pa <= settings.pressurised_off * supply_at_press_pa

    held_pa = s.pot_pa[last]
    exhausted_pa = _EXHAUSTED_TO * held_pa
    exhausted = _first_in(s.pot_pa <= _per_sample(exhausted_pa, starts, size), released, until)
    opening_pa = (1 - _OPENING_FRACTION) * held_pa
    opened = _first_in(s.pot_pa <= _per_sample(opening_pa, starts, size), released, until)

    press_delay_s = (_crossing_us(s, answered, answer_pa, starts) - pressed_us) / _US
    pressurise_s = (_crossing_us(s, full, full_pa[full], starts) - pressed_us) / _US
    release_delay_s = (_crossing_us(s, opened, opening_pa, released) - released_us) / _US
    exhaust_s = (_crossing_us(s, exhausted, exhausted_pa, released) - released_us) / _US

    has_value = _any_in(measured, starts, ends)
    confirmed = has_value & ((answered >= 0) | _any_in(pressurised & known, starts, ends))
    deadman_s = (deadman_low_us + deadman_high_us) / (2 * _US)
    pinched_s = np.maximum(
        deadman_s - np.nan_to_num(press_delay_s) + np.nan_to_num(release_delay_s), 0.0
    )
    short = s.at_us[released] - s.at_us[starts] < round(settings.press_debounce_s * _US)
    flicker = led & followed & ~confirmed & short
    counts = ~flicker  # what a flicker lasted stays in the high figures only
    instants = {
        "pressed_at": s.at_us[starts],
        "released_at": s.at_us[released],
        "span_from_at": s.at_us[span_from],
        "span_to_at": s.at_us[released],
    }
    return (
        pl.DataFrame(
            {
                **instants,
                "began_by": np.where(led, "press", "gap"),
                "ended_by": np.where(followed, "release", np.where(ends == size, "open", "gap")),
                "flicker": flicker,
                "confirmed": confirmed,
                "samples": (ends - starts).astype(np.int32),
                "deadman_s": counts * deadman_s,
                "deadman_low_s": counts * deadman_low_us / _US,
                "deadman_high_s": deadman_high_us / _US,
                "blast_s": counts * (blast_low_us + blast_high_us) / (2 * _US),
                "blast_low_s": counts * surely_low_us / _US,
                "blast_high_s": blast_high_us / _US,
                "pinched_s": np.where(has_value & ~confirmed, 0.0, counts * pinched_s),
                "press_delay_s": press_delay_s,
                "pressurise_s": np.where(was_empty, pressurise_s, np.nan),
                "exhaust_s": np.where(full >= 0, exhaust_s, np.nan),
                **_steady_medians(s, blasting, full, starts, ends),
                "peak_pot_pa": _max_in(s.pot_pa, starts, until),
            },
            schema_overrides={name: pl.Datetime("us") for name in instants},
        )
        .with_columns(
            pl.col(pl.Float64).fill_nan(None),
            pl.when(pl.Series(has_value)).then(pl.col("confirmed")).alias("confirmed"),
        )
        .select(list(CYCLE_SCHEMA))
    )


def _until(s: _Signals, is_gap: Bools, starts: Ints, ends: Ints, settings: CycleSettings) -> Ints:
    """Index after the last sample that still belongs to a cycle's story: its exhaust included."""
    size = s.at_us.size
    next_press = np.concatenate((starts[1:], [size]))
    gap_at = np.concatenate((np.flatnonzero(is_gap) + 1, [size]))
    next_gap = gap_at[np.searchsorted(gap_at, ends - 1, side="right")]
    quiet = np.searchsorted(s.at_us, s.at_us[ends - 1] + round(settings.quiet_s * _US))
    return np.maximum(np.minimum(np.minimum(next_press, next_gap), quiet), ends)


def _durations(at_us: Ints, on: Bools, is_gap: Bools, first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Time on between the samples ``first`` and ``last``: with both ends on, with either [us]."""
    step_us = np.where(is_gap, 0, np.diff(at_us))
    both = np.concatenate(([0], np.cumsum(step_us * (on[:-1] & on[1:]))))
    either = np.concatenate(([0], np.cumsum(step_us * (on[:-1] | on[1:]))))
    return both[last] - both[first], either[last] - either[first]


def _per_sample(level: Floats, starts: Ints, size: int) -> Floats:
    """Each cycle's level at every sample from its press to the next; NaN before the first."""
    counts = np.diff(np.concatenate((starts, [size])))
    return np.concatenate((np.full(starts[0], np.nan), np.repeat(level, counts)))


def _first_in(condition: Bools, first: Ints, after: Ints) -> Ints:
    """Index of the first sample from ``first``, before ``after``, that meets it; -1 where none."""
    met = np.concatenate((np.flatnonzero(condition), [condition.size]))
    found = met[np.searchsorted(met, np.minimum(first, condition.size))]
    return np.where(found < after, found, -1)


def _any_in(condition: Bools, first: Ints, after: Ints) -> Bools:
    count = np.concatenate(([0], np.cumsum(condition)))
    return count[after] > count[first]


def _max_in(values: Floats, first: Ints, after: Ints) -> Floats:
    padded = np.concatenate((values, [np.nan]))
    bounds = np.stack((first, after), axis=1).ravel()
    return np.fmax.reduceat(padded, bounds)[::2]


def _crossing_us(s: _Signals, index: Ints, level: Floats, first: Ints) -> Floats:
    """When the pot's pressure crossed a level on its way to sample ``index`` [us]; NaN: never."""
    here = np.maximum(index, 0)
    before = np.maximum(here - 1, 0)
    rise = s.pot_pa[here] - s.pot_pa[before]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.clip((level - s.pot_pa[before]) / rise, 0.0, 1.0)
    crossed = s.at_us[before] + part * (s.at_us[here] - s.at_us[before])
    # The sample before belongs to another story, or had no pressure: the sample itself stands.
    crossed = np.where((index > first) & np.isfinite(crossed), crossed, s.at_us[here])
    return np.where(index >= 0, crossed, np.nan)


def _steady_medians(
    s: _Signals, blasting: Bools, full: Ints, starts: Ints, ends: Ints
) -> dict[str, pl.Series]:
    """Medians while the pressures stand; null where an opening was too short for that.

    They begin a little after the pot has 90 % of the manifold; where it never has (a leak), with
    the later half of the opening.
    """
    size = s.at_us.size
    number = np.arange(starts.size)
    settled = np.searchsorted(s.at_us, s.at_us[full] + round(_SETTLE_S * _US))
    slow = np.searchsorted(s.at_us, s.at_us[starts] + round(_SLOW_S * _US))
    steady_from = np.where(full >= 0, settled, np.maximum((starts + ends) // 2, slow))
    steady_from = np.minimum(steady_from, ends)
    counts = ends - steady_from
    sample = np.repeat(steady_from - np.concatenate(([0], np.cumsum(counts)[:-1])), counts)
    sample = sample + np.arange(sample.size)
    sample = np.minimum(sample, size - 1)
    cycle = np.repeat(number, counts)
    kept = blasting[sample]
    names = ("supply_pa", "pot_pa", "nozzle_pa", "drop_supply_pot_pa", "drop_pot_nozzle_pa")
    rows = pl.DataFrame(
        {
            "cycle": cycle[kept],
            "supply_pa": s.supply_pa[sample[kept]],
            "pot_pa": s.pot_pa[sample[kept]],
            "nozzle_pa": s.nozzle_pa[sample[kept]],
        }
    ).with_columns(
        (pl.col("supply_pa") - pl.col("pot_pa")).alias("drop_supply_pot_pa"),
        (pl.col("pot_pa") - pl.col("nozzle_pa")).alias("drop_pot_nozzle_pa"),
    )
    medians = rows.group_by("cycle").agg(pl.col(name).fill_nan(None).median() for name in names)
    joined = pl.DataFrame({"cycle": number}).join(
        medians, on="cycle", how="left", maintain_order="left"
    )
    return {name: joined[name] for name in names}
