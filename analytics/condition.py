"""How each cycle of a pot went: its level, leak, fill and exhaust, and what its readings show.

A pot that is emptier must not look like a hose that leaks: the leak comes out of the same fit as
the free volume, and the time to pressurise is brought to one and the same fill. What the readings
of a burst show without a fit is ``bursts``' part; which of all this is watched, and has changed,
is for ``indicators`` to say.

What an indicator means for a part is for ``diagnosis`` to suggest and for people to find out.
Nothing here says that anything is safe, fit or vented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.bursts import COLUMNS, Bools, readings_of_bursts
from analytics.columnar import frame_of
from analytics.fill import PotFacts, Samples, prepared
from analytics.pot import LEVEL_SCHEMA, PotLevel, weigh_pot, without_flickers

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
    **dict.fromkeys(COLUMNS, pl.Float64),
}

#: A pot pressed again sooner than this is still vented or still cold. [s]
RESTED_S = 20.0
#: The fill that the time to pressurise is brought to: free volume as a share of the empty pot's.
REFERENCE_FILL = 0.8


@dataclass(frozen=True)
class Condition:
    """The condition of a pot over a stretch.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``CONDITION_SCHEMA``.
    level : PotLevel or None
        The weighing behind it.
    fits : bool
        False where the pressures fit no model of a pot that fills; what needs none is there.
    """

    cycles: pl.DataFrame
    level: PotLevel | None
    fits: bool = True


def condition_of(
    signals: pl.DataFrame | Samples,
    cycles: pl.DataFrame,
    facts: PotFacts,
    bags: pl.DataFrame | None = None,
    stuck_minutes: pl.Series | None = None,
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
    stuck_minutes : polars.Series, optional
        Begins of the minutes in which the pot's readings were left out for standing still; naive
        UTC. They then count as standing still and not as missing.

    Returns
    -------
    Condition
        One row a cycle. Nothing before or after the stretch matters, so stretches cut at the same
        instants give the same rows whenever they are computed.
    """
    samples = signals if isinstance(signals, Samples) else prepared(signals)
    counted = without_flickers(cycles)
    if counted.is_empty() or samples.at_s.size < 2:
        return Condition(pl.DataFrame(schema=CONDITION_SCHEMA), None)
    level, fits = None, True
    try:
        level = weigh_pot(samples, counted, facts, bags)
    except np.linalg.LinAlgError:
        # Readings that fit no model at all: what the readings show by themselves still stands.
        fits = False
    columns: dict[str, Any] = {"pressed_at": counted["pressed_at"]}
    if level is not None:
        columns |= {name: level.levels[name] for name in LEVEL_SCHEMA}
        columns |= _from_fits(level, counted)
    # What the fits found the pot's transducer to read more than the manifold's at one pressure.
    pot_zero_pa = 0.0 if level is None else float(level.weighed.state[0, 8]) * 1000.0
    stuck = None if stuck_minutes is None else _within(samples, stuck_minutes)
    columns |= readings_of_bursts(samples, counted, facts, pot_zero_pa, stuck)
    return Condition(frame_of(columns, CONDITION_SCHEMA, counted.height), level, fits)


def _within(samples: Samples, minutes: pl.Series) -> Bools:
    """Samples that lie in one of these minutes."""
    begins_s = (minutes.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy() - samples.origin_us) / 1e6
    out = np.zeros(samples.at_s.size, dtype=np.bool_)
    for begin, end in np.searchsorted(samples.at_s, np.column_stack((begins_s, begins_s + 60.0))):
        out[begin:end] = True
    return out


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
        # A pot that still holds air, or air still cold from its exhaust, comes up sooner.
        "pressurise_reference_s": np.where(
            _rested(cycles), _column(cycles, "pressurise_s") * to_reference, np.nan
        ),
    }


def _rested(cycles: pl.DataFrame) -> Bools:
    """Cycles before which the pot stood vented for a while."""
    rested = np.ones(cycles.height, dtype=np.bool_)
    rest = cycles["pressed_at"].to_numpy()[1:] - cycles["released_at"].to_numpy()[:-1]
    rested[1:] = rest >= np.timedelta64(round(1000 * RESTED_S), "ms")
    return rested


def _column(cycles: pl.DataFrame, name: str) -> Floats:
    # What is null comes as not a number.
    return cycles[name].to_numpy()
