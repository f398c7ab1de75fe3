"""Weighing the pot with a pressure gauge: abrasive in the pot, its use, and its tippings.

Each fill says how much room the air has, and how much it leaks. Between fills blasting makes room
at a rate that drifts slowly, and tipping abrasive takes room away. One smoother over the cycles
of a stretch puts all that together (``weigh_kernel``), and learns at the same time what all fills
of the pot share: how heat goes into wall and grains, the path's critical ratio, the two
transducers' difference, how many kilograms go with a change of room, and how much room the empty
pot has. The scale comes from bags entered for tippings that were found; the zero from the pot
running empty, which the blast hose shows (it loses far less pressure without abrasive in it); and
both are tied by the vessel's volume and the grains' density.

Assumptions: one kind of abrasive and one nozzle in a stretch; grains do not stick in the pot;
the feed goes with pot pressure and drifts by a few per cent from cycle to cycle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.columnar import frame_of
from analytics.fill import (
    Exhausts,
    FillFits,
    FillWindows,
    PotFacts,
    Samples,
    fill_windows,
)
from analytics.smoothed_path import STEADY_LEAK_WALK
from analytics.tippings import TippedPath
from analytics.weigh_intervals import levels, ratio_error
from analytics.weigh_kernel import (
    ALL,
    JUMPS,
    LEAK,
    MEANS,
    NOTHING,
    PER_KG,
    PHI,
    STATES,
    TIPPED,
    UNKNOWN_JUMP,
    USED,
    XI,
    XI_EMPTY,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_ROUNDS = 4

_TIPPING_SCHEMA: dict[str, Any] = {
    "after_cycle": pl.Int64,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "estimate_kg": pl.Float64,
    "error_kg": pl.Float64,
    "entered_kg": pl.Float64,
}
_UNMATCHED_SCHEMA: dict[str, Any] = {"at": pl.Datetime("us"), "abrasive_kg": pl.Float64}


@dataclass(frozen=True)
class Weighed:
    """What weighing a stretch found; arrays have one entry a cycle.

    Parameters
    ----------
    start_kg, start_error_kg : numpy.ndarray
        Abrasive in the pot at the press, and its standard error. [kg]
    end_kg, end_error_kg : numpy.ndarray
        The same at the release. [kg]
    used_kg : numpy.ndarray
        What the cycle used. [kg]
    feed_kg_s, feed_error_kg_s : numpy.ndarray
        Feed at ``EXPOSURE_PA``. [kg/s]
    exposure_s : numpy.ndarray
        Blasting seconds, scaled by pressure. [s]
    leak_ratio, leak_error : numpy.ndarray
        Leak over fill conductance, smoothed. [-]
    emptied : numpy.ndarray of bool
        The pot ran empty in this cycle.
    x : numpy.ndarray
        Free volume over fill conductance, smoothed. [s Pa]
    surprise : numpy.ndarray
        How far each fill was from what all earlier ones led to expect, in standard deviations.
    total_kg, total_error_kg : float
        What the whole stretch used, and its standard error. [kg]
    conductance_m3_s_pa : float
        Of the filling path, from the vessel's volume: good to a few per cent. [m3/(s Pa)]
    tippings : polars.DataFrame
        ``after_cycle, from_at, to_at, estimate_kg, error_kg, entered_kg``: found ones; null in
        ``entered_kg`` where nobody entered any.
    unmatched : polars.DataFrame
        Entries of bags that no tipping found goes with.
    windows, fits, exhausts : FillWindows, FillFits, Exhausts
        The fits behind it.
    state, state_covariance : numpy.ndarray
        Smoothed states of the kernel.
    x_scale : float
        As in the kernel. [s Pa]
    anchors : int
        How many times the pot was seen to run empty.
    scale_off : float
        How far bags entered and the vessel's volume disagree, in standard errors.
    stretch_leak_m3_s_pa, stretch_leak_error_m3_s_pa : float
        Leak of the whole stretch, if it did not change in it, and its standard error.
        [m3/(s Pa)]
    """

    start_kg: Floats
    start_error_kg: Floats
    end_kg: Floats
    end_error_kg: Floats
    used_kg: Floats
    feed_kg_s: Floats
    feed_error_kg_s: Floats
    exposure_s: Floats
    leak_ratio: Floats
    leak_error: Floats
    emptied: Bools
    x: Floats
    surprise: Floats
    total_kg: float
    total_error_kg: float
    conductance_m3_s_pa: float
    tippings: pl.DataFrame
    unmatched: pl.DataFrame
    windows: FillWindows
    fits: FillFits
    exhausts: Exhausts
    state: Floats
    state_covariance: Floats
    x_scale: float
    anchors: int
    scale_off: float
    stretch_leak_m3_s_pa: float
    stretch_leak_error_m3_s_pa: float


def weigh(
    samples: Samples,
    cycles: pl.DataFrame,
    facts: PotFacts,
    bags: pl.DataFrame | None = None,
) -> Weighed | None:
    """Weigh the abrasive in a pot over the cycles of a stretch, best a shift.

    Parameters
    ----------
    samples : Samples
        From :func:`analytics.fill.prepared`.
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, the stretch's own, ascending, without flickers.
    facts : PotFacts
        What is known of the pot.
    bags : polars.DataFrame, optional
        What people entered: ``at`` (naive UTC) and ``abrasive_kg``.

    Returns
    -------
    Weighed or None
        ``None`` where fewer than three fills of a vented pot could be fitted.

    Notes
    -----
    Everything is local to the stretch: nothing is carried from one shift to the next.
    """
    windows = fill_windows(samples, cycles, facts)
    if int(windows.vented.sum()) < 3:
        return None
    return _Weighing(samples, cycles, facts, bags, windows).run()


class _Weighing(TippedPath):
    """The rounds of one stretch: fit, smooth, decide on tippings, and again."""

    def run(self) -> Weighed:
        self.happened[self.obvious()] = UNKNOWN_JUMP
        self.fit(8)
        self.exhaust()
        # What all fills share is held near its prior at first: from a far start it runs astray.
        self.hold(0.3)
        self.round()
        self.round(JUMPS)
        self.match()
        self.prune()
        self.hold(1.0)
        self.floor[:] = False
        self.settle(_ROUNDS)
        self.exhaust()
        self.round()
        left = self.tippings_anew()
        self.exhaust()
        self.round()
        alone = self.fits
        # A third turn moved levels by a third of a kilogram at most, where errors are kilograms.
        for turn in range(2):
            self.fit_about_path()
            self.smooth()
            self.doubt()
            self.smooth(ALL if turn == 1 else MEANS)
        weighed = self._result(left)
        leak, leak_error = self.pooled_leak()
        assert alone is not None
        return replace(
            weighed, fits=alone, stretch_leak_m3_s_pa=leak, stretch_leak_error_m3_s_pa=leak_error
        )

    def tippings_anew(self) -> list[int]:
        """Move tippings and look for more, twice unless that finds nothing; entries left over."""
        before = self._decided()
        moved = self.try_moves()
        self.look_for_more()
        left = self.match()
        # On a path that stays where it is a second look would find the same once more.
        if moved or not np.array_equal(self._decided(), before):
            self.settle(_ROUNDS)
            self.try_moves()
            self.look_for_more()
            left = self.match()
        return left

    def _decided(self) -> Floats:
        """What happened after each cycle, and what was entered for it; shape (2, n)."""
        return np.array([self.happened, np.where(self.happened == TIPPED, self.tipped, 0.0)])

    def pooled_leak(self) -> tuple[float, float]:
        """One leak for the whole stretch: the smoother again, with a leak that does not walk."""
        self.leak_walk = STEADY_LEAK_WALK
        self.smooth()
        conductance = self.facts.volume_m3 / (float(self.mean[-1, XI_EMPTY]) * self.scale)
        error = float(np.sqrt(max(self.cov[-1, LEAK, LEAK], 0.0)))
        return float(np.median(self.mean[:, LEAK])) * conductance, error * conductance

    def _result(self, left: list[int]) -> Weighed:
        assert self.fits is not None and self.exhausts is not None and self.known == ALL
        mean, cov = self.mean, self.cov
        ends = mean.copy()
        ends[:, XI] += mean[:, PHI] * self.exposure
        solid_kg = self.facts.volume_m3 * self.facts.particle_kg_m3
        seen = bool(self.emptied.ran_empty.any())
        start_kg, start_error = levels(mean, cov, np.zeros(self.count), seen, solid_kg)
        end_kg, end_error = levels(ends, cov, self.exposure, seen, solid_kg)
        per_kg = mean[:, PER_KG]
        used = np.append(np.diff(mean[:, USED]), mean[-1, PHI] * self.exposure[-1]) / per_kg
        feed = mean[:, PHI] / per_kg
        feed_error = ratio_error(mean, cov, PHI)
        last = ends[-1]
        total_state = last.copy()
        total_state[USED] += last[PHI] * self.exposure[-1]
        total = total_state[USED] / last[PER_KG]
        slope = np.zeros(STATES)
        slope[USED] = 1.0 / last[PER_KG]
        slope[PHI] = self.exposure[-1] / last[PER_KG]
        slope[PER_KG] = -total / last[PER_KG]
        total_error = float(np.sqrt(max(slope @ cov[-1] @ slope, 0.0)))
        begin, end = self._gap()
        kg, error = self.jumps()
        found = np.flatnonzero(self.happened != NOTHING)
        entered = [
            sum(self.bags[n][1] for n in self.given[int(k)]) if int(k) in self.given else None
            for k in found
        ]
        tippings = {
            "after_cycle": found,
            "from_at": _instants(self.samples.origin_us, begin[found]),
            "to_at": _instants(self.samples.origin_us, end[found]),
            "estimate_kg": kg[found],
            "error_kg": error[found],
            "entered_kg": entered,
        }
        unmatched = {
            "at": _instants(self.samples.origin_us, np.array([self.bags[n][0] for n in left])),
            "abrasive_kg": [self.bags[n][1] for n in left],
        }
        x_empty = float(mean[-1, XI_EMPTY]) * self.scale
        return Weighed(
            start_kg=start_kg,
            start_error_kg=start_error,
            end_kg=end_kg,
            end_error_kg=end_error,
            used_kg=used,
            feed_kg_s=feed,
            feed_error_kg_s=feed_error,
            exposure_s=self.exposure,
            leak_ratio=mean[:, LEAK],
            leak_error=np.sqrt(np.maximum(cov[:, LEAK, LEAK], 0.0)),
            emptied=self.emptied.ran_empty,
            x=mean[:, XI] * self.scale,
            surprise=self.surprise / self.surprise_sd,
            total_kg=float(total),
            total_error_kg=total_error,
            conductance_m3_s_pa=self.facts.volume_m3 / x_empty,
            tippings=frame_of(tippings, _TIPPING_SCHEMA, found.size),
            unmatched=frame_of(unmatched, _UNMATCHED_SCHEMA, len(left)),
            windows=self.windows,
            fits=self.fits,
            exhausts=self.exhausts,
            state=mean,
            state_covariance=cov,
            x_scale=self.scale,
            anchors=int(self.emptied.ran_empty.sum()),
            scale_off=self.scale_off(),
            stretch_leak_m3_s_pa=np.nan,
            stretch_leak_error_m3_s_pa=np.nan,
        )


def _instants(origin_us: int, after_s: Floats) -> npt.NDArray[np.datetime64]:
    """Instants so many seconds after an origin."""
    return (origin_us + np.rint(after_s * 1e6).astype(np.int64)).view("datetime64[us]")
