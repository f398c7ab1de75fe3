"""The abrasive in a pot, its use and its tippings, as frames and figures for pages and reports.

What is computed is explained in ``weigh``, ``fill`` and their kernels; here it gets its units, its
90 % intervals and its questions to the supervisor.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from analytics.columnar import frame_of
from analytics.fill import PotFacts, Samples, prepared
from analytics.weigh import Weighed, weigh

#: Standard normal quantile of a two-sided 90 % interval.
Z_90 = 1.6449

#: Standard errors by which bags and vessel may disagree before it is asked about.
SCALE_SIGMA = 3.5

#: A level whose 90 % interval is wider, to either side, than this share of what the vessel could
#: hold is not told: it says nothing. The bound is ours; nothing published was found for it.
TELLABLE = 0.25

#: What a heap of abrasive weighs: 100 lb/ft3, the trade chart's own assumption. [kg/m3]
HEAPED_KG_M3 = 1602.0

#: What is said in its place.
LEVEL_NOT_TOLD = (
    "How full the pot was cannot be told for this stretch: it was not blasted empty, and too "
    "little was tipped and used to judge by. What it used is told, with its range."
)

#: One row a cycle: what the pot held, what it used, and what was tipped after it.
LEVEL_SCHEMA: dict[str, Any] = {
    "pressed_at": pl.Datetime("us"),
    "abrasive_start_kg": pl.Float64,
    "abrasive_start_low_kg": pl.Float64,
    "abrasive_start_high_kg": pl.Float64,
    "abrasive_end_kg": pl.Float64,
    "abrasive_end_low_kg": pl.Float64,
    "abrasive_end_high_kg": pl.Float64,
    "used_kg": pl.Float64,
    "feed_kg_s": pl.Float64,
    "exposure_s": pl.Float64,
    "ran_empty": pl.Boolean,
    "tipped_kg": pl.Float64,
    "tipped_entered_kg": pl.Float64,
}


@dataclass(frozen=True)
class Consumption:
    """What a stretch used, with its 90 % interval.

    Parameters
    ----------
    used_kg, used_low_kg, used_high_kg : float
        Abrasive that left through the nozzle. [kg]
    blast_s : float
        Blast time of the cycles. [s]
    elapsed_s : float
        From the first press to the last release. [s]
    """

    used_kg: float
    used_low_kg: float
    used_high_kg: float
    blast_s: float
    elapsed_s: float

    @property
    def kg_per_blast_hour(self) -> float:
        """Abrasive an hour of blasting. [kg/h]"""
        return self.used_kg / (self.blast_s / 3600.0) if self.blast_s > 0.0 else float("nan")

    @property
    def kg_per_hour(self) -> float:
        """Abrasive an hour of the stretch. [kg/h]"""
        return self.used_kg / (self.elapsed_s / 3600.0) if self.elapsed_s > 0.0 else float("nan")


@dataclass(frozen=True)
class PotLevel:
    """A weighed stretch.

    Parameters
    ----------
    levels : polars.DataFrame
        ``LEVEL_SCHEMA``, one row a cycle. Where :data:`TELLABLE` is not met, what the pot held is
        null throughout, and ``questions`` says so.
    consumption : Consumption
        Of the whole stretch.
    tippings : polars.DataFrame
        ``after_cycle, from_at, to_at, estimate_kg, error_kg, entered_kg``.
    questions : list of str
        What the supervisor is asked: tippings that nobody entered, entries that nothing goes with.
    weighed : Weighed
        Everything behind it.
    """

    levels: pl.DataFrame
    consumption: Consumption
    tippings: pl.DataFrame
    questions: list[str]
    weighed: Weighed


def weigh_pot(
    signals: pl.DataFrame | Samples,
    cycles: pl.DataFrame,
    facts: PotFacts,
    bags: pl.DataFrame | None = None,
) -> PotLevel | None:
    """Weigh a pot over a stretch, best a shift.

    Parameters
    ----------
    signals : polars.DataFrame or Samples
        ``analytics.cycles.SIGNAL_SCHEMA``, or what :func:`analytics.fill.prepared` made of it.
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``; flickers are left out.
    facts : PotFacts
        What is known of the pot.
    bags : polars.DataFrame, optional
        ``at`` (naive UTC) and ``abrasive_kg``, as people entered them.

    Returns
    -------
    PotLevel or None
        ``None`` where fewer than three fills could be fitted.
    """
    samples = signals if isinstance(signals, Samples) else prepared(signals)
    counted = without_flickers(cycles)
    weighed = weigh(samples, counted, facts, bags)
    if weighed is None:
        return None
    half_start, half_end = Z_90 * weighed.start_error_kg, Z_90 * weighed.end_error_kg
    told = np.nanmedian(half_start) <= TELLABLE * HEAPED_KG_M3 * facts.volume_m3
    start_kg, end_kg = (
        (weighed.start_kg, weighed.end_kg)
        if told
        else (np.full(counted.height, np.nan), np.full(counted.height, np.nan))
    )
    tipped = np.full(counted.height, np.nan)
    entered = np.full(counted.height, np.nan)
    after = weighed.tippings["after_cycle"].to_numpy()
    tipped[after] = weighed.tippings["estimate_kg"].to_numpy()
    # What is null comes as not a number.
    entered[after] = weighed.tippings["entered_kg"].to_numpy()
    columns = {
        "pressed_at": counted["pressed_at"],
        "abrasive_start_kg": start_kg,
        "abrasive_start_low_kg": np.maximum(start_kg - half_start, 0.0),
        "abrasive_start_high_kg": start_kg + half_start,
        "abrasive_end_kg": end_kg,
        "abrasive_end_low_kg": np.maximum(end_kg - half_end, 0.0),
        "abrasive_end_high_kg": end_kg + half_end,
        "used_kg": weighed.used_kg,
        "feed_kg_s": weighed.feed_kg_s,
        "exposure_s": weighed.exposure_s,
        "ran_empty": weighed.emptied,
        "tipped_kg": tipped,
        "tipped_entered_kg": entered,
    }
    levels = frame_of(columns, LEVEL_SCHEMA, counted.height)
    half_total = Z_90 * weighed.total_error_kg
    last, first = counted["released_at"][-1], counted["pressed_at"][0]
    consumption = Consumption(
        used_kg=weighed.total_kg,
        used_low_kg=max(weighed.total_kg - half_total, 0.0),
        used_high_kg=weighed.total_kg + half_total,
        blast_s=float(counted["blast_s"].sum()),
        elapsed_s=(last - first).total_seconds(),
    )
    asked = questions(weighed) + ([] if told else [LEVEL_NOT_TOLD])
    return PotLevel(levels, consumption, weighed.tippings, asked, weighed)


def without_flickers(cycles: pl.DataFrame) -> pl.DataFrame:
    """The cycles that count; the same frame where all do.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``.

    Examples
    --------
    >>> without_flickers(pl.DataFrame({"flicker": [False, True]})).height
    1
    """
    return cycles.filter(~cycles["flicker"]) if cycles["flicker"].any() else cycles


def questions(weighed: Weighed) -> list[str]:
    """What the supervisor is asked about tippings, oldest first.

    Parameters
    ----------
    weighed : Weighed
        A weighed stretch.
    """
    asked = []
    for row in weighed.tippings.iter_rows(named=True):
        about = f"about {row['estimate_kg']:.0f} kg (give or take {Z_90 * row['error_kg']:.0f} kg)"
        when = f"between {row['from_at']:%H:%M} and {row['to_at']:%H:%M} UTC"
        if row["entered_kg"] is None:
            text = f"The pot gained {about} {when}, and nobody entered any bags. Was it filled?"
        elif abs(row["estimate_kg"] - row["entered_kg"]) > max(4.0 * row["error_kg"], 12.0):
            text = (
                f"{row['entered_kg']:.0f} kg were entered {when}, but the pot gained {about}. "
                "Which is right?"
            )
        else:
            continue
        asked.append((row["from_at"], text))
    for row in weighed.unmatched.iter_rows(named=True):
        text = (
            f"{row['abrasive_kg']:.0f} kg were entered at {row['at']:%H:%M} UTC, but the pot shows "
            "no tipping about then. Was it another pot, or another time?"
        )
        asked.append((row["at"], text))
    told = [text for _, text in sorted(asked)]
    if abs(weighed.scale_off) > SCALE_SIGMA:
        told.append(
            "The bags entered and the pot's volume in the yard file do not go together. Is the "
            "weight of a bag right, were all bags entered, and is the volume right?"
        )
    return told
