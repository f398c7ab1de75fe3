"""How fast a pot fills and empties with air: one fit a cycle, and what all cycles of a pot share.

While the dead-man is held the pot fills from the manifold. How fast says how much room the air
has: x = V/C, free volume over the conductance of the filling path. A leak slows the fill too, but
late rather than early, so both come out of one fit. The gas is not isothermal in an emptying pot
(few grains take little heat), so that is fitted too, with unknowns that all fills of a stretch
share; see ``fill_kernel`` for the equations.

Assumptions: an ISO 6358 path (one sonic conductance, one critical ratio) from manifold to pot; a
leak to the open air that is choked for most of the fill; air, wall and grains at one temperature
before the press. Valid for fills from below half to above six tenths of the manifold's pressure.
Without a supply channel there is no fit: a sagging manifold looks like a leak.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics import window_kernel as kernel
from analytics.cycles import Signals, signal_arrays
from analytics.exactly import fixed
from analytics.exhaust_kernel import fit_exhausts
from analytics.fill_kernel import (
    GAS_CONSTANT_J_KG_K,
    REFERENCE_DENSITY_KG_M3,
    REFERENCE_K,
)
from analytics.fill_lanes import fit_fills
from analytics.path_kernel import carry_fits, without_opening
from analytics.room import Room

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

STANDARD_ATMOSPHERE_PA = 101_325.0
HEAT_CAPACITY_J_KG_K = 1005.0  #: of air at constant pressure [J/(kg K)]

#: The fit looks where the pot is between these shares of the manifold's pressure (absolute),
#: by the model. Below, valves still move; above, the flow hangs on the difference of two
#: transducers.
LOOK_FROM, LOOK_TO = 0.20, 0.965
#: Once the two transducers' difference is known from full pots, fits may look nearer to the
#: manifold's pressure, where a leak shows most.
LOOK_TO_LAST = 0.98
#: A press let go before this share was reached is too short for a fit.
LEAST_SHARE = 0.60
#: Longest fill looked at; a leak can keep a pot below ``LOOK_TO`` for ever. [s]
LONGEST_S = 45.0
#: Most samples a second that a fit uses; faster ones are averaged. [1/s]
FASTEST_HZ = 12.5
#: A pot above this when pressed had not been vented. [Pa gauge]
VENTED_PA = 20_000.0
#: Share of the manifold's pressure that the model itself is taken to be off by (our estimate).
MODEL_ERROR = 0.0006


@dataclass(frozen=True)
class PotFacts:
    """What is known of a pot before anything is measured.

    Parameters
    ----------
    volume_m3 : float
        Inner volume of the vessel, from the yard file. [m3]
    volume_error : float
        Its relative standard error. [-]
    particle_kg_m3 : float
        Density of the grains themselves: garnet about 4100 (from memory). [kg/m3]
    particle_error : float
        Its relative standard error. [-]
    air_k : float
        Temperature of the air; 293.15 where no channel measures it. [K]
    outside_pa : float
        Pressure of the open air. [Pa absolute]
    full_kg : float or None
        Abrasive that the pot is usually filled with, if known; only scales prior widths. [kg]
    """

    volume_m3: float
    volume_error: float = 0.02
    particle_kg_m3: float = 4100.0
    particle_error: float = 0.03
    air_k: float = REFERENCE_K
    outside_pa: float = STANDARD_ATMOSPHERE_PA
    full_kg: float | None = None


@dataclass(frozen=True)
class Samples:
    """Signals as arrays for the fits: seconds from the first, gauge pressures, NaN where bad.

    ``edges`` keeps where cycles lie in them (:func:`edges_of`), for every look asks for it; what is
    reckoned for each sample may lie in ``room`` as they do.
    """

    origin_us: int
    at_s: Floats
    deadman: Bools
    supply_pa: Floats
    pot_pa: Floats
    nozzle_pa: Floats
    period_s: float
    edges: list[tuple[pl.DataFrame, Edges]] = field(default_factory=list, repr=False, compare=False)
    room: Room = field(default_factory=Room, repr=False, compare=False)


def prepared(signals: pl.DataFrame) -> Samples:
    """Signals as arrays: pressures carried over gaps of a few samples, supply without its noise.

    Parameters
    ----------
    signals : polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``.
    """
    return prepared_arrays(signal_arrays(signals))


def prepared_arrays(signals: Signals, room: Room | None = None) -> Samples:
    """As :func:`prepared`, from arrays.

    Parameters
    ----------
    signals : analytics.cycles.Signals
    room : Room, optional
        Where the samples may lie: they are lost when it is used for others.
    """
    room = room or Room()
    at_us, deadman = signals.at_us, signals.deadman
    if signals.known is not None:
        last = np.maximum.accumulate(np.where(signals.known, np.arange(deadman.size), -1))
        deadman = fixed(np.where(last >= 0, deadman[last], False))
    origin_us = int(at_us[0]) if at_us.size else 0
    at_s = room.empty("at_s", at_us.size)
    kernel.seconds_since(at_us, origin_us, at_s)
    period_s = float(np.median(np.diff(at_s[:2000]))) if at_us.size > 1 else 0.1
    limit = max(round(0.5 / period_s), 1)
    supply, pot, nozzle = (
        _carried_over(values, limit)
        for values in (signals.supply_pa, signals.pot_pa, signals.nozzle_pa)
    )
    return Samples(
        origin_us=origin_us,
        at_s=fixed(at_s),
        deadman=deadman,
        supply_pa=fixed(_smoothed(supply, _supply_half_s(supply) / period_s, room)),
        pot_pa=pot,
        nozzle_pa=nozzle,
        period_s=period_s,
        room=room,
    )


def _carried_over(values: Floats, limit: int) -> Floats:
    """The last reading carried over at most ``limit`` lost ones."""
    seen = fixed(values)
    if not kernel.lost_readings(seen):
        return seen
    out = np.empty(values.size)
    kernel.carry_over(seen, limit, out)
    return fixed(out)


def _supply_half_s(supply_pa: Floats) -> float:
    """Half width over which the manifold's pressure is averaged: wider where it is noisy. [s]

    Noise in it would bend the flow function, which is steep where pot and manifold are close.
    """
    noise = kernel.noise_of_run(supply_pa[:40_000])
    if not np.isfinite(noise):
        noise = 1000.0
    return float(np.clip(0.25 * np.sqrt(noise / 2500.0), 0.15, 0.6))


def _smoothed(values: Floats, half_width: float, room: Room) -> Floats:
    """A triangular mean over ``half_width`` samples to either side."""
    half = max(round(half_width), 1)
    if values.size <= 2 * half:
        return values
    out = room.empty("supply_pa", values.size)
    kernel.triangular_mean(values, half, out)
    return out


def noise_of(samples: Samples) -> float:
    """Standard deviation of the pot transducer's noise, from second differences under pressure.

    Notes
    -----
    The median absolute second difference of white noise is 0.6745 sqrt(6) sigma. At rest a
    current loop may stand at the end of its range, which cuts the noise off. [Pa]
    """
    noise = kernel.noise_under_pressure(samples.deadman, samples.pot_pa, 10.0 * VENTED_PA, 20_000)
    return float(max(noise, 100.0)) if np.isfinite(noise) else 1000.0


@dataclass(frozen=True)
class Edges:
    """Where each cycle lies in the samples, and what held just before its press."""

    press: Ints
    release: Ints
    before: Ints
    following: Ints
    rest_s: Floats


def edges_of(samples: Samples, cycles: pl.DataFrame) -> Edges:
    """Where cycles lie in samples; reckoned once for the same frame."""
    for of, known in samples.edges:
        if of is cycles:
            return known
    found = _edges_of(samples, cycles)
    samples.edges[:] = [(cycles, found)]
    return found


def _edges_of(samples: Samples, cycles: pl.DataFrame) -> Edges:
    def index(name: str) -> Ints:
        at_us = cycles[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
        return np.searchsorted(samples.at_s, (at_us - samples.origin_us) * 1e-6 - 1e-9)

    press, release = index("pressed_at"), index("released_at")
    release = np.minimum(release, max(samples.at_s.size - 1, 0))
    before = np.concatenate(([0], release[:-1]))
    following = np.concatenate((press[1:], [samples.at_s.size]))
    rest_s = samples.at_s[np.minimum(press, samples.at_s.size - 1)] - samples.at_s[before]
    if rest_s.size:
        rest_s = rest_s.copy()
        rest_s[0] = np.inf if press[0] > 0 else 0.0
    return Edges(press, release, before, following, rest_s)


def _zeros(samples: Samples, edges: Edges) -> Floats:
    """What the pot's transducer reads while the pot stands vented, cycle by cycle. [Pa]"""
    found = np.full(edges.press.size, np.nan)
    # The median: noise about zero may be cut off at the lower end of the loop's range.
    kernel.rest_levels(
        edges.press, edges.before, samples.pot_pa, round(14.0 / samples.period_s),
        max(round(25.0 / samples.period_s), 3), 5, VENTED_PA, True, found,
    )  # fmt: skip
    known = np.flatnonzero(np.isfinite(found))
    if known.size == 0:
        return np.zeros(edges.press.size)
    steady = kernel.medians_about(found[known], min(9, known.size) // 2)
    return np.asarray(np.interp(np.arange(edges.press.size), known, steady))


@dataclass(frozen=True)
class FillWindows:
    """The samples of a stretch's fills, one after the other, as the kernel takes them.

    Parameters
    ----------
    cycle : numpy.ndarray of int, shape (m,)
        Which cycle each fill belongs to.
    first, after, at_s, supply_pa, pot_pa, weight, start_pa : numpy.ndarray
        As in :func:`analytics.fill_lanes.fit_fills`.
    guess : numpy.ndarray, shape (m,)
        ln x of an isothermal fill that takes as long.
    vented : numpy.ndarray of bool, shape (m,)
        The pot stood vented before the press.
    reason, caution : list of str, one a cycle
        Why there is no fit; what makes one less sure. Empty otherwise.
    pot_zero_pa : numpy.ndarray, shape (cycles,)
        What the pot's transducer reads while the pot stands vented. [Pa]
    noise_pa : float
        Standard deviation of the pot transducer's noise. [Pa]
    """

    cycle: Ints
    first: Ints
    after: Ints
    at_s: Floats
    supply_pa: Floats
    pot_pa: Floats
    weight: Floats
    start_pa: Floats
    guess: Floats
    vented: Bools
    reason: list[str]
    caution: list[str]
    pot_zero_pa: Floats
    noise_pa: float

    def chosen(self, which: Ints) -> FillWindows:
        """Some of the windows, by their numbers; one may be there several times."""
        return replace(
            self,
            cycle=self.cycle[which],
            first=self.first[which],
            after=self.after[which],
            start_pa=self.start_pa[which],
            guess=self.guess[which],
            vented=self.vented[which],
        )


@dataclass(frozen=True)
class FillFits:
    """What the fits of a stretch found; arrays have one entry a window.

    Parameters
    ----------
    own : numpy.ndarray, shape (m, 3)
        ln x, opening instant [s], leak ratio.
    held : numpy.ndarray, shape (m, 3)
        Critical ratio, ln h, supply zero [Pa] that were held.
    start_k : numpy.ndarray, shape (m,)
        Temperature of the gas at the press that was taken. [K]
    full, slope : numpy.ndarray, shape (m, 6, 6), (m, 6)
        As in :func:`analytics.fill_lanes.fit_fills`.
    information, pull : numpy.ndarray, shape (m, 5, 5), (m, 5)
        Normal matrix of (ln x, leak ratio, critical ratio, ln h, supply zero) with the opening
        instant eliminated, and its gradient, both at the fit and without the priors of ln x and of
        the leak: near the fit the log-likelihood of a change ``v`` is
        ``pull . v - v . information . v / 2``.
    misfit : numpy.ndarray, shape (m,)
        Root mean square of the residuals over their expected size. [-]
    """

    own: Floats
    held: Floats
    start_k: Floats
    full: Floats
    slope: Floats
    information: Floats
    pull: Floats
    misfit: Floats


@dataclass(frozen=True)
class Exhausts:
    """Fits of the exhausts; one entry a cycle, NaN where there is none.

    Parameters
    ----------
    rate, error : numpy.ndarray
        Exhaust conductance over free volume [1/(s Pa)], and its relative standard error.
    delay_s : numpy.ndarray
        First sample that says shut to the effective opening. [s]
    misfit : numpy.ndarray
        Root mean square of the residuals over their expected size. [-]
    held_pa : numpy.ndarray
        Pot pressure at the release. [Pa gauge]
    end_k : numpy.ndarray
        Temperature of the gas at the last sample looked at. [K]
    end_s : numpy.ndarray
        That sample's time, seconds from the first sample. [s]
    """

    rate: Floats
    error: Floats
    delay_s: Floats
    misfit: Floats
    held_pa: Floats
    end_k: Floats
    end_s: Floats


def _pieces(
    begins: Ints, lengths: Ints, each: int, *columns: tuple[Floats, Floats]
) -> tuple[Ints, Ints, list[Floats]]:
    """Pieces of columns one after the other, in means over ``each`` samples: first, after, values.

    With each column goes what is taken off each of its pieces.
    """
    after = np.cumsum(lengths // each)
    joined = []
    for values, less in columns:
        out = np.empty(int(after[-1]) if after.size else 0)
        kernel.binned(begins, lengths, each, values, less, out)
        joined.append(out)
    return after - lengths // each, after, joined


#: What is said of a fill, by the kernel's numbers.
_REASONS = (
    "", "too short a press", "pressures missing", "pressurised before the press",
    "the pot did not fill",
)  # fmt: skip
_CAUTIONS = ("", "not vented before", "supply sagged")


def fill_windows(samples: Samples, cycles: pl.DataFrame, facts: PotFacts) -> FillWindows:
    """Cut out the samples of each cycle's fill, and say of the others why they have none.

    Parameters
    ----------
    samples : Samples
        From :func:`prepared`.
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, cycles that lie within the samples.
    facts : PotFacts
        What is known of the pot.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    noise_pa = noise_of(samples)
    zeros = _zeros(samples, edges)
    each = max(round(1.0 / (samples.period_s * FASTEST_HZ)), 1)
    # Where a fit begins and ends must not hang on single noisy samples: wide means decide.
    smooth = max(round(float(np.clip(0.2 * noise_pa / 2500.0, 0.5, 1.2)) / samples.period_s), 3)
    why, less_sure, begins, lengths = (np.zeros(count, dtype=np.int64) for _ in range(4))
    rest_pa, rate = np.full(count, np.nan), np.full(count, np.nan)
    kernel.look_at_fills(
        edges.press, edges.release, edges.rest_s, samples.pot_pa, samples.supply_pa, zeros,
        facts.outside_pa, samples.period_s, smooth, round(LONGEST_S / samples.period_s),
        round(1.0 / samples.period_s), LOOK_TO_LAST, LEAST_SHARE, VENTED_PA, noise_pa, why,
        less_sure, begins, lengths, rest_pa, rate,
    )  # fmt: skip
    chosen = np.flatnonzero(why == kernel.FITS)
    begin = begins[chosen]
    outside = np.full(chosen.size, -facts.outside_pa)
    first, after, (at_s, supply_pa, pot_pa) = _pieces(
        begin, lengths[chosen], each, (samples.at_s, samples.at_s[begin]),
        (samples.supply_pa, outside), (samples.pot_pa, zeros[chosen] + outside),
    )  # fmt: skip
    error = np.sqrt(noise_pa**2 / each + (MODEL_ERROR * supply_pa) ** 2)
    vented = less_sure[chosen] != kernel.NOT_VENTED
    return FillWindows(
        cycle=chosen,
        first=first,
        after=after,
        at_s=at_s,
        supply_pa=supply_pa,
        pot_pa=pot_pa,
        weight=1.0 / np.maximum(error, 1.0),
        start_pa=facts.outside_pa + np.where(vented, 0.0, rest_pa[chosen]),
        guess=-np.log(rate[chosen] / _sonic(facts)),
        vented=vented,
        reason=[_REASONS[number] for number in why],
        caution=[_CAUTIONS[number] for number in less_sure],
        pot_zero_pa=zeros,
        noise_pa=noise_pa,
    )


def _sonic(facts: PotFacts) -> float:
    """Absolute pressure that a sonic conductance over a volume adds in a second, over it. [-]"""
    return float(REFERENCE_DENSITY_KG_M3 * GAS_CONSTANT_J_KG_K * np.sqrt(REFERENCE_K * facts.air_k))


#: Priors of a fill's own unknowns: ln x within a factor of about three of the isothermal guess;
#: opening 0.35 s after the last sample that said shut, give or take 0.5 s; leak below some 30 %
#: of the filling path (our estimates; wide against what a fill tells).
OPENING_S, OPENING_SPREAD_S = 0.35, 0.5
_OWN_WEIGHT = 1.0 / np.array([1.0, OPENING_SPREAD_S, 0.3]) ** 2
#: Changes of what is held, and of the start's temperature, within which a fit stays good: its
#: linearisation carries it over.
_LITTLE_HELD, _LITTLE_K = np.array([0.004, 0.04, 60.0]), 1.0
#: A fit ends where its next step would better its cost by less than this: a third of a standard
#: error away, and that step is taken without another look.
_ENOUGH = 0.1
#: Most that a fit's start is moved by what is held having moved, as its steps are.
_MOST_CARRIED = np.array([0.3, 1.0, 0.3])
#: What is held may have moved by so many times a little for that: further, lines are no guide.
_NEAR_BY = 10.0


def fit_fill_windows(
    windows: FillWindows,
    held: Floats,
    facts: PotFacts,
    start: Floats | None = None,
    start_k: Floats | None = None,
    rounds: int = 8,
    before: FillFits | None = None,
    rough: bool = True,
    near: tuple[Floats, Floats] | None = None,
    look_to: float = LOOK_TO,
) -> FillFits:
    """Fit ln x, the opening instant and the leak ratio of each fill, with the rest held.

    Parameters
    ----------
    windows : FillWindows
        From :func:`fill_windows`.
    held : numpy.ndarray, shape (m, 3)
        Critical ratio, ln h, supply zero [Pa] of each fill.
    facts : PotFacts
        What is known of the pot.
    start : numpy.ndarray, shape (m, 3), optional
        Where to start from; the isothermal guess by default.
    start_k : numpy.ndarray, shape (m,), optional
        Temperature of the gas at each press; the air's by default. [K]
    rounds : int
        Most iterations of a fit.
    before : FillFits, optional
        Fits made earlier: those for which little has changed since are kept as they are.
    rough : bool
        What is looked at hangs on the start; from a rough one the fits look once more. Without
        fits made earlier only.
    near : tuple of numpy.ndarray, shape (m, 3), optional
        Middle and spread of what is known of the own unknowns: the fits then stand near it, and
        what they say does not hang on where noise took them.
    look_to : float
        Share of the manifold's pressure up to which the fits look, ``LOOK_TO_LAST`` at most. [-]
    """
    size = windows.cycle.size
    middle = np.zeros((size, 3))
    middle[:, 0], middle[:, 1] = windows.guess, OPENING_S
    weight = np.broadcast_to(_OWN_WEIGHT, (size, 3)).copy()
    if near is not None:
        middle, weight = near[0], 1.0 / near[1] ** 2
    own = middle.copy() if start is None else start.copy()
    full, slope, misfit = np.zeros((size, 6, 6)), np.zeros((size, 6)), np.zeros(size)
    held = np.array(held, dtype=np.float64)
    gas_k = np.full(size, facts.air_k) if start_k is None else start_k
    which = np.arange(size)
    if before is not None:
        stays = np.zeros(size, dtype=np.bool_)
        carry_fits(
            before.own, before.held, before.start_k, before.full, before.slope, held, gas_k,
            weight, middle, near is not None, _LITTLE_HELD, _LITTLE_K, _NEAR_BY, _MOST_CARRIED,
            own, stays,
        )  # fmt: skip
        held[stays] = before.held[stays]
        full[stays], slope[stays] = before.full[stays], before.slope[stays]
        misfit[stays], gas_k = before.misfit[stays], np.where(stays, before.start_k, gas_k)
        which = np.flatnonzero(~stays)
    if which.size:
        some, some_full, some_slope = own[which], full[which], slope[which]
        some_misfit = np.zeros(which.size)
        # To choose what is looked at, a first step from a rough start is near enough.
        for most in (1, rounds) if before is None and rough else (rounds,):
            fit_fills(
                windows.first[which], windows.after[which], windows.at_s, windows.supply_pa,
                windows.pot_pa, windows.weight, windows.start_pa[which], gas_k[which], some,
                held[which], middle[which], weight[which], facts.air_k, facts.outside_pa, most,
                _ENOUGH, LOOK_FROM, look_to, some_full, some_slope, some_misfit,
            )  # fmt: skip
        own[which], full[which], slope[which], misfit[which] = (
            some, some_full, some_slope, some_misfit
        )  # fmt: skip
    information, pull = np.empty((size, 5, 5)), np.empty((size, 5))
    without_opening(own, full, slope, middle, weight, information, pull)
    return FillFits(own, held, gas_k, full, slope, information, pull, misfit)


#: Critical ratio taken for the exhaust path (the trade's usual reference cases).
EXHAUST_RATIO = 0.30
_EXHAUST_LONGEST_S = 60.0


@dataclass(frozen=True)
class ExhaustWindows:
    """The samples of a stretch's exhausts, one after the other, as the kernel takes them.

    Parameters
    ----------
    cycle : numpy.ndarray of int, shape (m,)
        Which cycle each exhaust belongs to.
    first, after, at_s, pot_pa, weight, start_pa : numpy.ndarray
        As in :func:`analytics.exhaust_kernel.fit_exhausts`.
    guess : numpy.ndarray, shape (m, 2)
        ln of conductance over free volume, and the opening instant, to begin with.
    held_pa, end_s : numpy.ndarray, shape (cycles,)
        As in :class:`Exhausts`.
    """

    cycle: Ints
    first: Ints
    after: Ints
    at_s: Floats
    pot_pa: Floats
    weight: Floats
    start_pa: Floats
    guess: Floats
    held_pa: Floats
    end_s: Floats


def exhaust_windows(
    samples: Samples, cycles: pl.DataFrame, windows: FillWindows, facts: PotFacts
) -> ExhaustWindows:
    """Cut out the samples of each cycle's exhaust.

    Parameters
    ----------
    samples, cycles, windows, facts
        As for :func:`fill_windows`, and what it gave.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    each = max(round(1.0 / (samples.period_s * FASTEST_HZ)), 1)
    held_pa, end_s = np.full(count, np.nan), np.full(count, np.nan)
    lengths, half_after = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    kernel.look_at_exhausts(
        edges.press, edges.release, edges.following, samples.pot_pa, windows.pot_zero_pa,
        windows.noise_pa, max(round(0.6 / samples.period_s), 1),
        round(_EXHAUST_LONGEST_S / samples.period_s), held_pa, lengths, half_after,
    )  # fmt: skip
    chosen = np.flatnonzero(lengths)
    begin = edges.release[chosen]
    first, after, (at_s, pot_pa) = _pieces(
        begin, lengths[chosen], each, (samples.at_s, samples.at_s[begin]),
        (samples.pot_pa, windows.pot_zero_pa[chosen] - facts.outside_pa),
    )  # fmt: skip
    end_s[chosen] = samples.at_s[begin + lengths[chosen] - 1]
    half_s = np.maximum(half_after[chosen] * samples.period_s, 0.3)
    return ExhaustWindows(
        cycle=chosen,
        first=first,
        after=after,
        at_s=at_s,
        pot_pa=pot_pa,
        weight=1.0 / np.sqrt(windows.noise_pa**2 / each + (0.003 * pot_pa) ** 2),
        start_pa=held_pa[chosen] + facts.outside_pa,
        guess=np.stack([-np.log(half_s / 0.6 * _sonic(facts)), np.full(chosen.size, 0.3)], axis=1),
        held_pa=held_pa,
        end_s=end_s,
    )


def fit_exhaust_windows(
    windows: ExhaustWindows, heat: Floats, facts: PotFacts, before: Exhausts | None = None
) -> Exhausts:
    """Fit each exhaust: conductance over free volume, and when it opened.

    Parameters
    ----------
    windows : ExhaustWindows
        From :func:`exhaust_windows`.
    heat : numpy.ndarray, shape (cycles,)
        Heat conductance over free volume at the end of each cycle. [W/(K m3)]
    facts : PotFacts
        What is known of the pot.
    before : Exhausts, optional
        Fits made earlier, to begin with.
    """
    chosen, size = windows.cycle, windows.cycle.size
    rate, error, delay_s, misfit, all_end_k = (
        np.full(windows.end_s.size, np.nan) for _ in range(5)
    )  # fmt: skip
    found = Exhausts(rate, error, delay_s, misfit, windows.held_pa, all_end_k, windows.end_s)
    if not size:
        return found
    unknown = windows.guess.copy()
    if before is not None:
        unknown = np.stack([np.log(before.rate[chosen]), before.delay_s[chosen]], axis=1)
    variance, cost, end_k = (np.zeros(size) for _ in range(3))
    fit_exhausts(
        windows.first, windows.after, windows.at_s, windows.pot_pa, windows.weight,
        windows.start_pa, unknown, heat[chosen], EXHAUST_RATIO, facts.air_k, facts.outside_pa, 12,
        _ENOUGH, variance, cost, end_k,
    )  # fmt: skip
    found.rate[chosen] = np.exp(unknown[:, 0])
    found.error[chosen] = np.sqrt(variance)
    found.delay_s[chosen] = unknown[:, 1]
    found.misfit[chosen] = np.sqrt(cost / np.maximum(windows.after - windows.first - 2, 1))
    found.end_k[chosen] = end_k
    return found


def temperatures_at_press(
    samples: Samples, cycles: pl.DataFrame, windows: FillWindows, exhausts: Exhausts,
    heat: Floats, facts: PotFacts,
) -> Floats:  # fmt: skip
    """The gas in the pot at each press: cooled by the exhaust before, warmed again since. [K]

    At constant pressure the gas warms with tau = rho cp / h.

    Parameters
    ----------
    samples, cycles, windows, exhausts, facts
        As above.
    heat : numpy.ndarray, shape (cycles,)
        Heat conductance over free volume at the end of each cycle. [W/(K m3)]

    Returns
    -------
    numpy.ndarray, shape (m,)
        One a window.
    """
    edges = edges_of(samples, cycles)
    at_s = samples.at_s[np.minimum(edges.press, samples.at_s.size - 1)]
    start_k = np.full(edges.press.size, facts.air_k)
    waited_s = at_s[1:] - exhausts.end_s[:-1]
    density = facts.outside_pa / (GAS_CONSTANT_J_KG_K * facts.air_k)
    lag_s = density * HEAT_CAPACITY_J_KG_K / heat[:-1]
    warmed = (exhausts.end_k[:-1] - facts.air_k) * np.exp(-np.maximum(waited_s, 0.0) / lag_s)
    start_k[1:] += np.nan_to_num(warmed)
    return np.asarray(np.clip(start_k[windows.cycle], 0.6 * facts.air_k, 1.1 * facts.air_k))
