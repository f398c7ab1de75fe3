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

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.columnar import frame_of
from analytics.exactly import fixed

if TYPE_CHECKING:
    import pyarrow as pa

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_US = 1_000_000


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


class Signals(NamedTuple):
    """Signals as arrays of one length, one instant each, ascending.

    Parameters
    ----------
    at_us : ndarray of int64
        Instants. [us since 1970 UTC]
    deadman : ndarray of bool
        Open.
    known : ndarray of bool or None
        Where the dead-man was sampled; ``None``: everywhere.
    supply_pa, pot_pa, nozzle_pa : ndarray of float64
        NaN where bad or not sampled. [Pa gauge]
    """

    at_us: Ints
    deadman: Bools
    known: Bools | None
    supply_pa: Floats
    pot_pa: Floats
    nozzle_pa: Floats


class FoundArrays(NamedTuple):
    """What :func:`found_in` gives, before it is made into frames (:func:`found_frames`).

    Parameters
    ----------
    whole, figures : ndarray
        From :func:`analytics.cycle_kernel.cycle_figures`.
    gaps : ndarray of int64, shape (n, 4)
        From, to [us], the dead-man before and after.
    """

    whole: Ints
    figures: Floats
    gaps: Ints


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
    return found_frames([found_in(signal_arrays(signals), settings)])


def signal_arrays(signals: pl.DataFrame) -> Signals:
    """A frame of ``SIGNAL_SCHEMA`` as arrays; those of a frame without nulls are not copied."""
    deadman = signals["deadman"]
    known = deadman.is_not_null().to_numpy() if deadman.null_count() else None
    supply_pa, pot_pa, nozzle_pa = (
        float_array(signals[name]) for name in ("supply_pa", "pot_pa", "nozzle_pa")
    )
    return signals_of(
        _us(signals["sampled_at"]),
        (deadman if known is None else deadman.fill_null(value=False)).to_numpy(),
        known,
        supply_pa,
        pot_pa,
        nozzle_pa,
    )


def signals_of(
    at_us: Ints,
    deadman: Bools,
    known: Bools | None,
    supply_pa: Floats,
    pot_pa: Floats,
    nozzle_pa: Floats,
) -> Signals:
    """Signals as compiled functions take them: lying close together, not to be written to."""
    return Signals(
        fixed(np.ascontiguousarray(at_us)),
        fixed(np.ascontiguousarray(deadman)),
        None if known is None else fixed(known),
        fixed(supply_pa),
        fixed(pot_pa),
        fixed(nozzle_pa),
    )


def float_array(values: pl.Series) -> Floats:
    """A column as numbers, NaN where it is null."""
    numbers = values if values.dtype == pl.Float64 else values.cast(pl.Float64)
    return np.ascontiguousarray(
        (numbers.fill_null(float("nan")) if numbers.null_count() else numbers).to_numpy()
    )


def found_in(signals: Signals, settings: CycleSettings) -> FoundArrays:
    """Cycles and gaps as :func:`find_cycles` finds them, as arrays.

    Parameters
    ----------
    signals : Signals
        Ascending.
    settings : CycleSettings
        Thresholds.
    """
    from analytics.cycle_kernel import cycle_figures, dead_man_runs

    s = _at_deadman_samples(signals, settings)
    runs, gap_at = dead_man_runs(
        s.at_us, s.deadman, round(settings.gap_s * _US), round(settings.release_debounce_s * _US)
    )
    whole, figures = cycle_figures(
        s.at_us, s.supply_pa, s.pot_pa, s.nozzle_pa, runs, gap_at,
        round(settings.press_debounce_s * _US),
        round(settings.quiet_s * _US),
        (
            float(settings.pressurised_on), float(settings.pressurised_off),
            float(settings.pressurised_pa), float(settings.unpressurised_pa),
        ),
        settings.has_pot,
    )  # fmt: skip
    gaps = np.stack(
        (s.at_us[gap_at], s.at_us[gap_at + 1], s.deadman[gap_at], s.deadman[gap_at + 1]), axis=1
    )
    return FoundArrays(whole, figures, gaps)


def found_frames(found: Sequence[FoundArrays]) -> Found:
    """What was found in stretches that follow one another, as frames.

    Parameters
    ----------
    found : sequence of FoundArrays
        In the order of time.
    """
    from analytics import cycle_kernel as kernel

    whole = np.concatenate([np.zeros((0, 5), np.int64), *(f.whole for f in found)])
    figures = np.concatenate([np.zeros((16, 0)), *(f.figures for f in found)], axis=1)
    gaps = np.concatenate([np.zeros((0, 4), np.int64), *(f.gaps for f in found)])
    flags = whole[:, kernel.FLAGS]

    def said(bit: int) -> Bools:
        return np.asarray((flags & bit) != 0)

    def instants(column: Ints) -> npt.NDArray[np.datetime64]:
        return np.ascontiguousarray(column).view("datetime64[us]")

    # By the column: an expression wakes threads, which for a day takes longer than all the rest.
    ended = np.where(said(kernel.FOLLOWED), 0, np.where(said(kernel.TO_THE_END), 1, 2))
    confirmed = np.where(said(kernel.HAS_POT), said(kernel.CONFIRMED).astype(np.int64), 2)
    released_at = instants(whole[:, kernel.RELEASED])
    cycles = {
        "pressed_at": instants(whole[:, kernel.PRESSED]),
        "released_at": released_at,
        "span_from_at": instants(whole[:, kernel.SPAN_FROM]),
        "span_to_at": released_at,
        "began_by": _one_of(["gap", "press"], said(kernel.LED)),
        "ended_by": _one_of(["release", "open", "gap"], ended),
        "flicker": said(kernel.FLICKER),
        "confirmed": _one_of([False, True, None], confirmed),
        "samples": whole[:, kernel.SAMPLES],
        **dict(zip(kernel.FIGURES, figures, strict=True)),
    }
    of_gaps = {
        "from_at": instants(gaps[:, 0]),
        "to_at": instants(gaps[:, 1]),
        "deadman_before": gaps[:, 2] != 0,
        "deadman_after": gaps[:, 3] != 0,
    }
    return Found(
        frame_of(cycles, CYCLE_SCHEMA, whole.shape[0]),
        frame_of(of_gaps, GAP_SCHEMA, gaps.shape[0]),
    )


def _one_of(values: list[Any], which: npt.NDArray[Any]) -> pa.Array:
    """Some values, each by its place in a list."""
    import pyarrow as pa

    return pa.array(np.array(values, object)[which.astype(np.int8)], from_pandas=True)


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
    return memoryless_in(_us(rows["sampled_at"]), rows["deadman"].to_numpy(), settings)


def memoryless_in(at_us: Ints, deadman: Bools, settings: CycleSettings) -> Ints:
    """As :func:`memoryless_from`, from arrays that lack nothing."""
    from analytics.cycle_kernel import memoryless

    new = memoryless(
        fixed(at_us), fixed(deadman), round(settings.gap_s * _US), round(settings.quiet_s * _US)
    )
    return np.asarray(at_us[new])


def _us(instants: pl.Series) -> Ints:
    return instants.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def _at_deadman_samples(signals: Signals, settings: CycleSettings) -> Signals:
    """The signals at the instants of the dead-man's samples."""
    if signals.known is None:
        return signals
    from analytics.cycle_kernel import carried

    # Polled channels come at instants of their own: carry each forward, but not for long.
    oldest_us = round(settings.align_s * _US)
    supply_pa, pot_pa, nozzle_pa = (
        carried(signals.at_us, values, signals.known, oldest_us)
        for values in (signals.supply_pa, signals.pot_pa, signals.nozzle_pa)
    )
    return signals_of(
        signals.at_us[signals.known], signals.deadman[signals.known], None,
        supply_pa, pot_pa, nozzle_pa,
    )  # fmt: skip
