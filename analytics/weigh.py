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

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.optimize import linear_sum_assignment  # type: ignore[import-untyped]

from analytics.fill import (
    Exhausts,
    FillFits,
    FillWindows,
    PotFacts,
    Samples,
    edges_of,
    fill_windows,
    fit_exhaust_windows,
    fit_fill_windows,
    temperatures_at_press,
)
from analytics.weigh_kernel import (
    JUMP,
    KAPPA,
    LEAK,
    LN_GRAINS,
    LN_WALL,
    NOTHING,
    PER_KG,
    PHI,
    RATIO,
    SLACK,
    STATES,
    TIPPED,
    UNKNOWN_JUMP,
    USED,
    XI,
    XI_EMPTY,
    ZERO,
    predicted,
    smooth,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Exposure is blasting time times pressure over this. [Pa absolute]
EXPOSURE_PA = 800_000.0
#: Abrasive flows only while the pot holds this share of the manifold's pressure: below, air from
#: the hose keeps it up. A pot that a leak keeps lower is taken where it stands.
FEEDS_FROM = 0.97
#: Nobody opens, fills and closes a pot in less. [s]
TIPPING_S = 45.0
#: Bags are entered up to so long before or after they were tipped. [s]
ENTERED_BEFORE_S, ENTERED_AFTER_S = 900.0, 2700.0
#: A tipping is believed from so many standard errors on; a smaller evidence is enough where bags
#: were entered about then.
TIPPING_SIGMA, TIPPING_SIGMA_ENTERED = 4.5, 2.0
#: Less than this is not looked for. [kg]
LEAST_TIPPING_KG = 12.0
#: What bags weigh against what is entered: relative error, and kilograms spilt.
BAG_ERROR, SPILT_KG = 0.007, 1.0
#: Spread of a cycle's consumption about the drifting feed, of the feed's own drift from cycle to
#: cycle, and of the leak ratio's drift from cycle to cycle (our estimates).
FEED_NOISE, FEED_WALK, LEAK_WALK = 0.05, 0.015, 0.002
#: What the model of the gas is off by in ln x (our estimate): always, and besides where the gas
#: has no time to take up the grains' temperature; the same for the leak, and for the exhaust.
FILL_ERROR, HEAT_ERROR, LEAK_ERROR, EXHAUST_ERROR = 0.006, 0.03, 0.003, 0.006
#: The part of that which all fills of a stretch share.
HEAT_SLACK = 0.03
#: The exhaust's conductance drifts by so much from cycle to cycle.
EXHAUST_WALK = 0.003
_GAS_KG_M3, _GAS_J_KG_K = 5.0, 718.0
#: Standard normal quantile of a two-sided 90 % interval.
Z_90 = 1.6449

_WALL_W_M2_K = 25.0
_GRAINS_W_M3_K = 40_000.0
#: Spread of ln W, ln B, critical ratio, supply zero [kPa] (our estimates: a film that air stirs
#: over metal and over sand, each within a factor of two).
_SPREADS = {LN_WALL: 0.7, LN_GRAINS: 0.7, RATIO: 0.12, ZERO: 1.5}
_RATIO = 0.38
#: What the zero of a pot that was never seen empty is off by besides, as a share of the grains
#: that would fill the vessel solid (from trials against a physical model; see ACCURACY.md).
UNANCHORED_ERROR = 0.013
#: Standard error of the room in a pot seen to run empty, as a share of all of it: grains left on
#: the cone; and where only arithmetic says that the pot must have been about empty.
_EMPTY_ERROR, _FLOOR_ERROR = 0.002, 0.03
#: Moves of tippings are taken back where the likelihood falls by so much, or where bags and
#: vessel then disagree by so many standard errors.
_WORSE, _SCALE_SIGMA = 10.0, 4.0
#: A fall of ln x that only a tipping makes.
_FAR = 0.12
_SHARED_STATES = [LN_WALL, LN_GRAINS, XI_EMPTY, PER_KG, RATIO, ZERO, SLACK]
#: A tipping moves to a rest at most so many cycles away, for so much less of the cost; one
#: tipping less is worth so much.
_MOVE_CYCLES, _MOVE_GAIN, _FEWER_GAIN = 15, 6.0, 12.0
_ROUNDS = 4
_PRUNES = 100


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


def exposures(
    samples: Samples, cycles: pl.DataFrame, facts: PotFacts, pot_zero_pa: Floats
) -> tuple[Floats, Floats]:
    """Blasting seconds of each cycle scaled by the pot's pressure, and running from the first.

    Parameters
    ----------
    samples, cycles, facts
        As for :func:`weigh`.
    pot_zero_pa : numpy.ndarray, shape (cycles,)
        The pot transducer's zero. [Pa]

    Returns
    -------
    tuple of numpy.ndarray
        Exposure a cycle [s]; and at each sample the exposure since the first [s].
    """
    edges = edges_of(samples, cycles)
    count = samples.at_s.size
    blasting = np.zeros(count, dtype=np.bool_)
    floor = np.full(count, FEEDS_FROM)
    half = max(round(0.25 / samples.period_s), 1)
    pot = _mean_about(samples.pot_pa, half) + facts.outside_pa
    with np.errstate(invalid="ignore"):
        share = pot / (samples.supply_pa + facts.outside_pa)
    for i in range(edges.press.size):
        begin, stop = edges.press[i], edges.release[i]
        blasting[begin:stop] = True
        if (stop - begin) * samples.period_s > 20.0:
            late = share[(begin + stop) // 2 : stop : 4]
            late = late[np.isfinite(late)]
            if late.size:
                floor[begin:stop] = min(FEEDS_FROM, float(np.median(late)) - 0.015)
    with np.errstate(invalid="ignore"):
        rate = np.where(blasting & (share >= floor), pot / EXPOSURE_PA, 0.0)
    step_s = np.diff(samples.at_s, append=samples.at_s[-1:])
    step_s = np.where(step_s > 5.0, 0.0, step_s)
    running = np.concatenate(([0.0], np.cumsum(rate * step_s)))
    return running[edges.release] - running[edges.press], running


def _mean_about(values: Floats, half: int) -> Floats:
    padded = np.concatenate((np.repeat(values[:1], half), values, np.repeat(values[-1:], half)))
    sums = np.concatenate(([0.0], np.cumsum(np.nan_to_num(padded))))
    width = 2 * half + 1
    out = (sums[width:] - sums[:-width]) / width
    return np.where(np.isfinite(values), out, np.nan)


@dataclass(frozen=True)
class Emptied:
    """Where the pot ran empty: in which cycles, at which sample; where it already was, and where
    abrasive was seen to flow to the end."""

    ran_empty: Bools
    at_index: Ints
    began_empty: Bools
    flowed: Bools


#: The pot ran empty where the hose's loss has fallen by this share in the last seconds before a
#: release, by at least so many standard errors, and the pot is then left alone long enough for a
#: tipping (a clump that breaks loose does not make people fill the pot).
_EMPTY_FALL, _EMPTY_SIGMA = 0.12, 4.5


def find_emptied(samples: Samples, cycles: pl.DataFrame, facts: PotFacts) -> Emptied:
    """Find the cycles in which the pot ran empty, from the blast hose's loss.

    Abrasive makes the loss from pot to nozzle several times that of clean air. When none comes
    any more the loss (p1^2 - p2^2)/p2^2 falls within seconds, and stays there until the blaster
    lets go, which is soon. Without a nozzle channel nothing is found.

    Parameters
    ----------
    samples, cycles, facts
        As for :func:`weigh`.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    ran, index, began = np.zeros(count, bool), np.full(count, -1), np.zeros(count, bool)
    if not np.isfinite(samples.nozzle_pa).any():
        return Emptied(ran, index, began, np.zeros(count, bool))
    p1, p2 = samples.pot_pa + facts.outside_pa, samples.nozzle_pa + facts.outside_pa
    with np.errstate(invalid="ignore", divide="ignore"):
        loss = (p1 / p2) ** 2 - 1.0
        share = p1 / (samples.supply_pa + facts.outside_pa)
    settle = round(1.5 / samples.period_s)
    last = max(round(2.5 / samples.period_s), 6)
    near, far = round(18.0 / samples.period_s), round(50.0 / samples.period_s)
    middle = np.full(count, np.nan)
    for i in range(count):
        begin, stop = edges.press[i], edges.release[i]
        up = np.flatnonzero(share[begin:stop] > FEEDS_FROM)
        if up.size == 0:
            continue
        values = loss[begin + up[0] + settle : stop]
        if values.size < 2 * last or not np.isfinite(values).all():
            continue
        middle[i] = float(np.median(values))
        if values.size < near + 2 * last or (i < count - 1 and edges.rest_s[i + 1] < TIPPING_S):
            continue
        before, end = values[-far:-near], values[-last:]
        noise = np.median(np.abs(np.diff(values[-far:]))) / (0.6745 * np.sqrt(2.0))
        error = noise * np.sqrt(1.0 / before.size + 1.0 / last)
        usual, fall = float(np.mean(before)), float(np.mean(before) - np.mean(end))
        if fall > _EMPTY_FALL * usual and fall > _EMPTY_SIGMA * error:
            ran[i] = True
            half = _mean_about(values[-near:], last // 3) < usual - 0.5 * fall
            full = np.flatnonzero(~half)
            index[i] = stop - near + (int(full[-1]) + 1 if full.size else 0)
    usual = float(np.nanmedian(middle)) if np.isfinite(middle).any() else np.nan
    with np.errstate(invalid="ignore"):
        began = middle < (1.0 - 2.0 * _EMPTY_FALL) * usual
    began = began & ~ran & np.concatenate(([False], ran[:-1]))
    return Emptied(ran, index, began, np.isfinite(middle) & ~ran & ~began)


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


class _Weighing:
    """The rounds of one stretch: fit, smooth, decide on tippings, and again."""

    def __init__(
        self, samples: Samples, cycles: pl.DataFrame, facts: PotFacts,
        bags: pl.DataFrame | None, windows: FillWindows,
    ) -> None:  # fmt: skip
        self.samples, self.cycles, self.facts, self.windows = samples, cycles, facts, windows
        self.count = cycles.height
        self.edges = edges_of(samples, cycles)
        self.bags = _entries(bags, samples.origin_us)
        self.exposure, running = exposures(samples, cycles, facts, windows.pot_zero_pa)
        self.emptied = find_emptied(samples, cycles, facts)
        ran = np.flatnonzero(self.emptied.ran_empty)
        self.exposure[ran] = running[self.emptied.at_index[ran]] - running[self.edges.press[ran]]
        self.exposure[self.emptied.began_empty] = 0.0
        self.has_fit = np.zeros(self.count, dtype=np.int64)
        # A pot pressed while it still exhausts goes on falling till the wedge shuts, and its gas is
        # cold: fitted for what it is worth, but not weighed.
        self.has_fit[windows.cycle[windows.vented]] = 1
        self.scale = float(np.exp(np.median(windows.guess)))
        self.about, self.mean0, self.cov0 = self._begin()
        self.start_k: Floats | None = None
        self.exhausts: Exhausts | None = None
        self.fits: FillFits | None = None
        self.trust = np.ones(windows.cycle.size)
        self.happened = np.zeros(self.count, dtype=np.int64)
        self.tipped = np.zeros(self.count)
        self.tipped_error = np.ones(self.count)
        self.leak_walk = LEAK_WALK
        self.given: dict[int, list[int]] = {}
        self.floor = np.zeros(self.count, dtype=np.bool_)
        self.mean = self.about
        self.cov = np.zeros((self.count, STATES, STATES))
        self.surprise = np.full(self.count, np.nan)
        self.surprise_sd = np.full(self.count, np.nan)

    def _begin(self) -> tuple[Floats, Floats, Floats]:
        """Priors, and a first trajectory to linearise about."""
        facts, windows = self.facts, self.windows
        known = np.exp(windows.guess[windows.vented]) / self.scale
        xi = np.interp(np.arange(self.count), windows.cycle[windows.vented], known)
        empty = 1.08 * float(np.quantile(known, 0.97))
        alpha = facts.volume_m3 * facts.particle_kg_m3
        alpha_error = float(np.hypot(facts.volume_error, facts.particle_error))
        per_kg = empty / alpha
        conductance = facts.volume_m3 / (empty * self.scale)
        wall_w_k = _WALL_W_M2_K * 5.5 * facts.volume_m3 ** (2.0 / 3.0)
        mean = np.zeros(STATES)
        mean[XI], mean[PHI], mean[XI_EMPTY], mean[PER_KG] = xi[0], 0.1 * per_kg, empty, per_kg
        mean[LN_WALL], mean[LN_GRAINS] = np.log(wall_w_k / conductance), np.log(_GRAINS_W_M3_K)
        mean[RATIO] = _RATIO
        cov = np.zeros((STATES, STATES))
        cov[XI, XI] = 0.4**2
        cov[PHI, PHI] = (0.15 * per_kg) ** 2
        cov[LEAK, LEAK] = 0.15**2
        for which, spread in _SPREADS.items():
            cov[which, which] = spread**2
        cov[XI_EMPTY, XI_EMPTY] = (0.25 * empty) ** 2
        cov[XI_EMPTY, PER_KG] = cov[PER_KG, XI_EMPTY] = cov[XI_EMPTY, XI_EMPTY] / alpha
        cov[PER_KG, PER_KG] = cov[XI_EMPTY, XI_EMPTY] / alpha**2 + (alpha_error * per_kg) ** 2
        mean[KAPPA] = 0.9
        cov[KAPPA, KAPPA] = 1.0
        cov[SLACK, SLACK] = HEAT_SLACK**2
        cov[JUMP, JUMP] = 1e-12
        cov[USED, USED] = 1e-14
        about = np.tile(mean, (self.count, 1))
        about[:, XI] = np.minimum(xi, 0.97 * empty)
        return about, mean, cov

    # -- the two halves of a round

    def fit(self, rounds: int) -> None:
        windows, about = self.windows, self.about[self.windows.cycle]
        held = np.zeros((windows.cycle.size, 3))
        y, jacobian = np.zeros(5), np.zeros((5, STATES))
        start = np.zeros((windows.cycle.size, 3))
        for i in range(windows.cycle.size):
            predicted(about[i], self.scale, 0.0, y, jacobian)
            held[i] = y[2:]
            start[i, 0], start[i, 2] = y[0], y[1]
        start[:, 1] = 0.35 if self.fits is None else self.fits.own[:, 1]
        if self.fits is not None:
            start = self.fits.own
        self.fits = fit_fill_windows(
            windows, held, self.facts, start, self.start_k, rounds, self.fits
        )
        self.trust = 1.0 / np.maximum(self.fits.misfit, 1.0) ** 2

    def _coldness(self) -> Floats:
        """How little heat the gas has time for in a fill: 1 none, 0 as much as it needs."""
        return np.asarray(1.0 / (1.0 + self._heat_constants(self.heat(), 5.0)))

    def heat(self) -> Floats:
        """Heat conductance over free volume at the end of each cycle. [W/(K m3)]"""
        state = self.about.copy()
        state[:, XI] += state[:, PHI] * self.exposure
        full = np.maximum(state[:, XI_EMPTY] - state[:, XI], 0.0) * self.scale
        heat = np.exp(state[:, LN_WALL]) + np.exp(state[:, LN_GRAINS]) * full
        return np.asarray(heat / (state[:, XI] * self.scale))

    def exhaust(self) -> None:
        heat = self.heat()
        self.exhausts = fit_exhaust_windows(
            self.samples, self.cycles, self.windows, heat, self.facts
        )
        self.start_k = temperatures_at_press(
            self.samples, self.cycles, self.windows, self.exhausts, heat, self.facts
        )

    def smooth(self) -> float:
        assert self.fits is not None
        n = self.count
        at, information, pull = np.zeros((n, 5)), np.zeros((n, 5, 5)), np.zeros((n, 5))
        trust = np.zeros(n)
        which = self.windows.cycle
        at[which, 0], at[which, 1] = self.fits.own[:, 0], self.fits.own[:, 2]
        at[which, 2:] = self.fits.held
        information[which], pull[which] = self.fits.information, self.fits.pull
        trust[which] = self.trust
        coldness = self._coldness()
        _blur(information, pull, FILL_ERROR + HEAT_ERROR * coldness)
        empty = self.about[0, XI_EMPTY]
        empty_error = np.where(self.floor, _FLOOR_ERROR * empty, np.nan)
        empty_error[self.emptied.ran_empty] = _EMPTY_ERROR * empty
        began_error = np.where(self.emptied.began_empty, _EMPTY_ERROR * empty, np.nan)
        exhaust, exhaust_error = self._exhaust_rates()
        mean, cov = np.zeros((n, STATES)), np.zeros((n, STATES, STATES))
        likelihood = smooth(
            self.mean0, self.cov0, self.about, self.scale, self.has_fit, at, information, pull,
            trust, coldness, self.exposure, FEED_NOISE, FEED_WALK, self.leak_walk, empty_error,
            began_error, exhaust, exhaust_error, EXHAUST_WALK, self.happened, self.tipped,
            self.tipped_error, 0.5 * float(self.about[0, XI_EMPTY]), mean, cov,
            self.surprise, self.surprise_sd,
        )  # fmt: skip
        self.mean, self.cov = mean, cov
        was = self.about[0]
        self.about = mean.copy()
        empty = mean[:, XI_EMPTY]
        self.about[:, XI] = np.clip(mean[:, XI], 0.3 * empty, 1.02 * empty)
        # No pot holds less than nothing: where the path would, it is held at the empty pot.
        end = mean[:, XI] + mean[:, PHI] * self.exposure
        self.floor |= end > empty
        self.about[:, LEAK] = np.clip(mean[:, LEAK], -0.05, 1.0)
        self.about[:, RATIO] = np.clip(mean[:, RATIO], 0.1, 0.7)
        for state in (LN_WALL, LN_GRAINS):
            self.about[:, state] = np.clip(mean[:, state], was[state] - 0.7, was[state] + 0.7)
        return float(likelihood)

    def _exhaust_rates(self) -> tuple[Floats, Floats]:
        """ln of each exhaust's conductance over free volume, and how far to believe it."""
        none = np.full(self.count, np.nan)
        if self.exhausts is None:
            return none, none
        rate, error = np.log(self.exhausts.rate), self.exhausts.error
        # Without grains the metering valve lets air out beside the exhaust.
        good = np.isfinite(rate) & ~self.emptied.ran_empty & ~self.emptied.began_empty
        good &= (self.exposure > 10.0) & (self.exhausts.misfit < 5.0)
        floor = EXHAUST_ERROR + HEAT_ERROR / (1.0 + self._heat_constants(self.heat(), 2.0))
        return np.where(good, rate, np.nan), np.hypot(error, floor)

    @staticmethod
    def _heat_constants(heat: Floats, during_s: float) -> Floats:
        """How many of its time constants the gas has to take up the grains' temperature."""
        return np.asarray(heat * during_s / (_GAS_KG_M3 * _GAS_J_KG_K))

    def doubt(self) -> None:
        """Trust fits less that stand far from the smoothed path (Huber, 2.5 standard errors)."""
        assert self.fits is not None
        error = 1.0 / np.sqrt(np.maximum(self.fits.information[:, 0, 0], 1e-12))
        off = np.log(self.mean[self.windows.cycle, XI] * self.scale) - self.fits.own[:, 0]
        scaled = np.abs(off) / np.maximum(error / np.sqrt(self.trust), 1e-9)
        self.trust = self.trust * np.minimum(1.0, 4.0 / np.maximum(scaled, 1e-9))

    # -- tippings

    def candidates(self) -> Bools:
        """After which cycles the pot stood long enough for a tipping (not after the last)."""
        could = np.zeros(self.count, dtype=np.bool_)
        could[:-1] = self.edges.rest_s[1:] >= TIPPING_S
        # A press too short for a fit between two rests tells nothing of which it was: the longer.
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        for k in np.flatnonzero(could)[:-1]:
            following = np.flatnonzero(could[k + 1 :])
            other = k + 1 + int(following[0])
            little = float(self.exposure[k + 1 : other + 1].sum()) < 20.0
            if little and not self.has_fit[k + 1 : other + 1].any():
                could[k if rest_s[k] < rest_s[other] else other] = False
        return could

    def obvious(self) -> Bools:
        """Rests that surely held a tipping, before anything is learned.

        The pot ran empty before; or x fell by far; or it is the rest with the largest fall of x
        near an entry of bags.
        """
        could = self.candidates()
        vented = self.windows.vented
        which, log_x = self.windows.cycle[vented], self.windows.guess[vented]
        fall = np.full(self.count, -np.inf)
        for k in np.flatnonzero(could):
            before, after = log_x[which <= k][-3:], log_x[which > k][:3]
            if before.size and after.size:
                fall[k] = float(np.median(before) - np.median(after))
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        surely = could & (rest_s > 150.0) & (self.emptied.ran_empty | (fall > _FAR))
        begin, end = self._gap()
        if self.bags and could.any():
            # Each entry to a rest of its own: long, soon before it, and x fell most.
            at = np.array([at_s for at_s, _ in self.bags])[:, None]
            early = np.maximum(begin - at, 0.0) / ENTERED_BEFORE_S
            away = np.maximum(early, (at - end) / ENTERED_AFTER_S)
            score = np.minimum(rest_s / 300.0, 1.0) ** 2
            score = score * (0.1 + np.maximum(fall, 0.0) + 0.2 * self.emptied.ran_empty)
            # Few enter a tipping before it is done.
            score = score * np.where(early > 0.0, 0.3, 1.0 - 0.5 * np.clip(away, 0.0, 1.0))
            score = np.where(could & (away < 1.0) & ((fall > -0.05) | (rest_s > 150.0)), score, 0.0)
            for number, k in zip(*linear_sum_assignment(score, maximize=True), strict=True):
                surely[k] |= bool(score[number, k] > 0.0)
        return surely

    def entered_near(self, sure: Floats) -> Bools:
        """For each entry of bags the one open rest about its time that is most surely a tipping."""
        near = np.zeros(self.count, dtype=np.bool_)
        begin, end = self._gap()
        for at_s, _ in self.bags:
            about = (at_s > begin - ENTERED_BEFORE_S) & (at_s < end + ENTERED_AFTER_S)
            about &= self.happened != NOTHING
            if about.any():
                near[int(np.argmax(np.where(about, sure, -np.inf)))] = True
        return near

    def _gap(self) -> tuple[Floats, Floats]:
        """When the rest after each cycle begins and ends, seconds from the first sample."""
        at_s = self.samples.at_s
        last = at_s.size - 1
        begin = at_s[np.minimum(self.edges.release, last)]
        end = np.append(at_s[np.minimum(self.edges.press[1:], last)], at_s[-1])
        return begin, end

    def jumps(self) -> tuple[Floats, Floats]:
        """Kilograms tipped after each cycle by the smoother, and their standard error."""
        kg, error = np.zeros(self.count), np.full(self.count, np.inf)
        for k in np.flatnonzero(self.happened != NOTHING):
            state, cov = self.mean[k + 1], self.cov[k + 1]
            kg[k] = state[JUMP] / state[PER_KG]
            slope = np.zeros(STATES)
            slope[JUMP] = 1.0 / state[PER_KG]
            error[k] = np.sqrt(max(slope @ cov @ slope, 1e-12))
        return kg, error

    def prune(self) -> None:
        """Drop tippings that the data do not ask for, the least likely first."""
        # Opening, tipping and closing takes minutes: a short rest has to show more.
        short = 1.0 + (120.0 / np.append(np.maximum(self.edges.rest_s[1:], 1.0), 1.0)) ** 2
        for _ in range(_PRUNES):
            kg, error = self.jumps()
            near = self.entered_near(kg / error / short)
            need = short * np.where(near, TIPPING_SIGMA_ENTERED, TIPPING_SIGMA)
            asked = np.flatnonzero(self.happened == UNKNOWN_JUMP)
            if asked.size == 0:
                return
            sure = kg[asked] / error[asked] / need[asked]
            sure = np.where(kg[asked] < LEAST_TIPPING_KG, np.minimum(sure, 0.4), sure)
            weak = asked[sure < 1.0]
            if weak.size == 0:
                return
            order = np.argsort(sure[sure < 1.0])
            # Neighbours share their evidence: of two side by side only the weaker goes at once.
            gone: list[int] = []
            for k in weak[order]:
                if not any(abs(int(k) - other) < 4 for other in gone):
                    gone.append(int(k))
            self.happened[gone] = NOTHING
            self.smooth()

    def match(self) -> list[int]:
        """Give each entry of bags to a tipping found, by time and amount; numbers of the rest.

        What was tipped before the first press cannot be seen, and is no question.
        """
        self.happened[self.happened == TIPPED] = UNKNOWN_JUMP
        found = np.flatnonzero(self.happened != NOTHING)
        begin, end = self._gap()
        kg, error = self.jumps()
        first_s = self.samples.at_s[self.edges.press[0]]
        pairs: list[tuple[float, int, int]] = []
        left = []
        for number, (at_s, entered) in enumerate(self.bags):
            reached = False
            for k in (-1, *found):
                from_s, to_s = (-np.inf, first_s) if k < 0 else (begin[k], end[k])
                away = max((from_s - at_s) / ENTERED_BEFORE_S, (at_s - to_s) / ENTERED_AFTER_S, 0.0)
                if away >= 1.0:
                    continue
                reached = True
                off = 0.5 if k < 0 else abs(kg[k] - entered) / (2.0 * error[k] + 0.1 * entered)
                pairs.append((off + 2.0 * away, number, int(k)))
            if not reached:
                left.append(number)
        given: dict[int, list[int]] = {}
        placed: set[int] = set()
        for _, number, k in sorted(pairs):
            if number in placed:
                continue
            sofar = sum(self.bags[n][1] for n in given.get(k, ()))
            # A second entry for one tipping only where the amount asks for it.
            if k >= 0 and sofar and abs(kg[k] - sofar - self.bags[number][1]) > abs(kg[k] - sofar):
                continue
            given.setdefault(k, []).append(number)
            placed.add(number)
        left += [n for n in range(len(self.bags)) if n not in placed and n not in left]
        given.pop(-1, None)
        for k, numbers in given.items():
            entered = sum(self.bags[n][1] for n in numbers)
            if abs(kg[k] - entered) <= 4.0 * np.hypot(error[k], 0.08 * entered):
                self.happened[k] = TIPPED
                self.tipped[k] = entered
                self.tipped_error[k] = np.hypot(BAG_ERROR * entered, SPILT_KG)
        self.given = given
        return sorted(left)

    def move(self) -> bool:
        """Move tippings to a neighbouring rest where the fills between the two say so.

        Nearly empty and nearly full pots can fill alike (little heat, little room), so the path
        the smoother is on holds itself up. Here the fills between two rests are fitted anew
        under both paths, and the better one wins.

        Returns
        -------
        bool
            Whether any tipping was moved.
        """
        could, kg, moved = self.candidates(), self.jumps()[0], False
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        for k in np.flatnonzero(self.happened != NOTHING):
            entered = [self.bags[n][1] for n in self.given.get(int(k), ())]
            best, gain, tipped_kg = -1, _MOVE_GAIN, sum(entered) if entered else float(kg[k])
            if tipped_kg < LEAST_TIPPING_KG:
                continue
            for other in np.flatnonzero(could):
                low, high = int(min(k, other)), int(max(k, other))
                if other == k or high - low > _MOVE_CYCLES:
                    continue
                if (self.happened[low + 1 : high] != NOTHING).any():
                    continue
                between = np.arange(low + 1, high + 1)
                lighter_kg = (1.0 if other > k else -1.0) * tipped_kg
                worth = self.path_cost(between, 0.0) - self.path_cost(between, lighter_kg)
                if self.happened[other] != NOTHING:
                    if entered:
                        continue
                    worth += _FEWER_GAIN
                else:
                    worth += 4.0 * np.log(min(rest_s[other], 300.0) / min(rest_s[k], 300.0))
                if worth > gain:
                    best, gain = int(other), worth
            if best >= 0:
                shift = (1.0 if best > k else -1.0) * tipped_kg * self.mean[k + 1, PER_KG]
                low, high = min(int(k), best), max(int(k), best)
                self.about[low + 1 : high + 1, XI] += shift
                self.happened[k], self.happened[best] = NOTHING, UNKNOWN_JUMP
                self.given.pop(int(k), None)
                moved = True
        return moved

    def path_cost(self, cycles: Ints, lighter_kg: float) -> float:
        """Twice the negative log-likelihood of some fills, the pot being so much lighter."""
        windows = self.windows
        which = np.flatnonzero(np.isin(windows.cycle, cycles) & windows.vented)
        if which.size == 0:
            return 0.0
        size = windows.cycle.size
        held, start, expected = np.zeros((size, 3)), np.zeros((size, 3)), np.zeros((size, 2))
        y, jacobian = np.zeros(5), np.zeros((5, STATES))
        coldness, impossible = np.zeros(size), 0.0
        solid_kg = self.facts.volume_m3 * self.facts.particle_kg_m3
        for k in cycles:
            # Abrasive flowed to the end, so there was some.
            if self.emptied.flowed[k] and self.exposure[k] > 10.0:
                state = self.about[k]
                end = state[XI] + state[PHI] * self.exposure[k]
                kg = (state[XI_EMPTY] - end) / state[PER_KG] - lighter_kg
                impossible += (min(kg - 1.0, 0.0) / (0.004 * solid_kg)) ** 2
        for i in which:
            state = self.about[windows.cycle[i]].copy()
            state[XI] = state[XI] + lighter_kg * state[PER_KG]
            kg = (state[XI_EMPTY] - state[XI]) / state[PER_KG]
            impossible += (min(kg, 0.0) / (0.01 * solid_kg)) ** 2
            state[XI] = np.clip(state[XI], 0.3 * state[XI_EMPTY], 1.02 * state[XI_EMPTY])
            predicted(state, self.scale, 0.0, y, jacobian)
            held[i], expected[i] = y[2:], y[:2]
            start[i] = y[0], 0.35, y[1]
            coldness[i] = 1.0 / (1.0 + self._heat_constants(np.exp(y[3:4]), 5.0)[0])
        fits = self.fits
        if lighter_kg or fits is None:  # the path as it is has been fitted already
            fits = fit_fill_windows(windows, held, self.facts, start, self.start_k, 5, None, which)
        information, pull = fits.information[which].copy(), fits.pull[which].copy()
        _blur(information, pull, FILL_ERROR + HEAT_ERROR * coldness[which])
        off = expected[which] - fits.own[which][:, [0, 2]]
        cost = np.einsum("ni,nij,nj->n", off, information[:, :2, :2], off)
        used = windows.after[which] - windows.first[which]
        fitted = np.minimum(cost, 25.0) + fits.misfit[which] ** 2 * (used - 3)
        return float(np.sum(fitted)) + impossible

    def run(self) -> Weighed:
        self.happened[self.obvious()] = UNKNOWN_JUMP
        self.fit(8)
        self.exhaust()
        # What all fills share is held near its prior at first: from a far start it runs astray.
        self.hold(0.3)
        self.round()
        self.round()
        self.match()
        self.prune()
        self.hold(1.0)
        self.floor[:] = False
        for _ in range(_ROUNDS):
            self.round()
        self.exhaust()
        self.round()
        self.try_moves()
        self.look_for_more()
        self.match()
        for _ in range(_ROUNDS):
            self.round()
        self.try_moves()
        self.look_for_more()
        left = self.match()
        self.exhaust()
        for _ in range(2):
            self.round()
            self.doubt()
            self.smooth()
        return self._result(left)

    def try_moves(self) -> None:
        """Move tippings, smooth anew, and take it back where that made things worse."""
        before = self._kept()
        likelihood, off = self.smooth(), self.scale_off()
        if not self.move():
            return
        self.match()
        self.round()
        self.round()
        worse = self.smooth() < likelihood - _WORSE
        if worse or abs(self.scale_off()) > max(_SCALE_SIGMA, abs(off)):
            self._restore(before)
            self.smooth()

    def scale_off(self) -> float:
        """How far bags and vessel disagree about a kilogram's room, in standard errors."""
        facts, state = self.facts, self.mean[-1]
        expected = facts.volume_m3 * facts.particle_kg_m3
        found = float(state[XI_EMPTY] / state[PER_KG])
        return (found / expected - 1.0) / float(np.hypot(facts.volume_error, facts.particle_error))

    def _kept(self) -> dict[str, Any]:
        names = ("about", "mean", "cov", "happened", "tipped", "tipped_error", "floor", "trust")
        kept: dict[str, Any] = {name: getattr(self, name).copy() for name in names}
        return kept | {"fits": self.fits, "given": dict(self.given)}

    def _restore(self, kept: dict[str, Any]) -> None:
        for name, value in kept.items():
            setattr(self, name, value)

    def look_for_more(self) -> None:
        """Open every rest to a tipping, with what is learned so far as the prior, and prune."""
        mean0, cov0 = self.mean0, self.cov0
        self.mean0, self.cov0 = mean0.copy(), cov0.copy()
        for which in _SHARED_STATES:
            self.mean0[which] = self.mean[0, which]
        for which in _SHARED_STATES:
            self.cov0[which, :] = 0.0
            self.cov0[:, which] = 0.0
        block = np.ix_(_SHARED_STATES, _SHARED_STATES)
        self.cov0[block] = self.cov[0][block]
        self.happened[self.candidates()] = UNKNOWN_JUMP
        self.smooth()
        self.prune()
        self.mean0, self.cov0 = mean0, cov0

    def hold(self, share: float) -> None:
        """Scale the priors' spreads of what all fills share."""
        for which, spread in _SPREADS.items():
            self.cov0[which, which] = (share * spread) ** 2

    def round(self) -> None:
        self.fit(4)
        self.smooth()

    def _result(self, left: list[int]) -> Weighed:
        assert self.fits is not None and self.exhausts is not None
        mean, cov = self.mean, self.cov
        ends = mean.copy()
        ends[:, XI] += mean[:, PHI] * self.exposure
        start_kg, start_error = _kilograms(mean, cov, np.zeros(self.count))
        end_kg, end_error = _kilograms(ends, cov, self.exposure)
        if not self.emptied.ran_empty.any():
            # Where nothing shows the empty pot, the zero rests on the model of the gas alone.
            loose_kg = UNANCHORED_ERROR * self.facts.volume_m3 * self.facts.particle_kg_m3
            start_error, end_error = np.hypot(start_error, loose_kg), np.hypot(end_error, loose_kg)
        per_kg = mean[:, PER_KG]
        used = np.append(np.diff(mean[:, USED]), mean[-1, PHI] * self.exposure[-1]) / per_kg
        feed = mean[:, PHI] / per_kg
        feed_error = _ratio_error(mean, cov, PHI)
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
        moment = [_instant(self.samples.origin_us, s) for s in begin[found]]
        until = [_instant(self.samples.origin_us, s) for s in end[found]]
        entered = [
            sum(self.bags[n][1] for n in self.given[int(k)]) if int(k) in self.given else None
            for k in found
        ]
        tippings = pl.DataFrame(
            {
                "after_cycle": found, "from_at": moment, "to_at": until,
                "estimate_kg": kg[found], "error_kg": error[found], "entered_kg": entered,
            },
            schema={
                "after_cycle": pl.Int64, "from_at": pl.Datetime("us"), "to_at": pl.Datetime("us"),
                "estimate_kg": pl.Float64, "error_kg": pl.Float64, "entered_kg": pl.Float64,
            },
        )  # fmt: skip
        unmatched = pl.DataFrame(
            {
                "at": [_instant(self.samples.origin_us, self.bags[n][0]) for n in left],
                "abrasive_kg": [self.bags[n][1] for n in left],
            },
            schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64},
        )
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
            tippings=tippings,
            unmatched=unmatched,
            windows=self.windows,
            fits=self.fits,
            exhausts=self.exhausts,
            state=mean,
            state_covariance=cov,
            x_scale=self.scale,
            anchors=int(self.emptied.ran_empty.sum()),
            scale_off=self.scale_off(),
        )


def _blur(information: Floats, pull: Floats, error: Floats) -> None:
    """Add a variance of ln x (and a small one of the leak) to what fits say; in place.

    (L^-1 + S)^-1 = L - L e (1/s^2 + e'L e)^-1 e'L for S = s^2 e e'.
    """
    for column, spread in ((0, error), (1, np.full(error.size, LEAK_ERROR))):
        row = information[:, column, :].copy()
        share = 1.0 / (1.0 / spread**2 + row[:, column])
        information -= share[:, None, None] * row[:, :, None] * row[:, None, :]
        pull -= (share * pull[:, column])[:, None] * row


def _entries(bags: pl.DataFrame | None, origin_us: int) -> list[tuple[float, float]]:
    if bags is None or bags.is_empty():
        return []
    at = bags["at"].cast(pl.Datetime("us")).cast(pl.Int64).to_list()
    return [
        ((a - origin_us) * 1e-6, float(kg)) for a, kg in zip(at, bags["abrasive_kg"], strict=True)
    ]


def _instant(origin_us: int, after_s: float) -> dt.datetime:
    moment = dt.datetime.fromtimestamp(0, dt.UTC)
    moment += dt.timedelta(microseconds=origin_us + round(after_s * 1e6))
    return moment.replace(tzinfo=None)


def _kilograms(state: Floats, cov: Floats, exposure: Floats) -> tuple[Floats, Floats]:
    """(xi_empty - xi) / c of each state, and its standard error (first order)."""
    kg = (state[:, XI_EMPTY] - state[:, XI]) / state[:, PER_KG]
    slope = np.zeros_like(state)
    slope[:, XI_EMPTY] = 1.0 / state[:, PER_KG]
    slope[:, XI] = -1.0 / state[:, PER_KG]
    slope[:, PHI] = -exposure / state[:, PER_KG]
    slope[:, PER_KG] = -kg / state[:, PER_KG]
    variance = np.einsum("ni,nij,nj->n", slope, cov, slope)
    return kg, np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _ratio_error(state: Floats, cov: Floats, which: int) -> Floats:
    ratio = state[:, which] / state[:, PER_KG]
    slope = np.zeros_like(state)
    slope[:, which] = 1.0 / state[:, PER_KG]
    slope[:, PER_KG] = -ratio / state[:, PER_KG]
    variance = np.einsum("ni,nij,nj->n", slope, cov, slope)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
