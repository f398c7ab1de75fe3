"""The path that a pot takes through a stretch: fits of each fill, and the smoother over them all.

A round fits the fills where the path was last, and smooths anew. What happened between the cycles
is told to it (``tippings``).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.blasting import exposures, find_emptied
from analytics.fill import (
    LOOK_TO_LAST,
    OPENING_S,
    OPENING_SPREAD_S,
    Exhausts,
    FillFits,
    FillWindows,
    PotFacts,
    Samples,
    edges_of,
    exhaust_windows,
    fit_exhaust_windows,
    fit_fill_windows,
    temperatures_at_press,
)
from analytics.path_kernel import (
    doubt_fits,
    heats,
    next_about,
    tell,
)
from analytics.plateau import find_plateaus
from analytics.weigh_kernel import (
    ALL,
    MEANS,
    PER_KG,
    STATES,
    WORK,
    XI,
    XI_EMPTY,
    predicted_all,
    smooth,
)
from analytics.weigh_priors import SPREADS, first_guess

Floats = npt.NDArray[np.float64]

#: Spread of a cycle's consumption about the drifting feed, of the feed's own drift from cycle to
#: cycle, and of the leak ratio's drift from cycle to cycle (our estimates).
FEED_NOISE, FEED_WALK, LEAK_WALK = 0.05, 0.015, 0.002
#: The same for a leak that is taken not to change in the stretch.
STEADY_LEAK_WALK = 0.0002
#: What the model of the gas is off by in ln x (our estimate): always, and besides where the gas
#: has no time to take up the grains' temperature; the same for the leak, and for the exhaust.
FILL_ERROR, HEAT_ERROR, LEAK_ERROR, EXHAUST_ERROR = 0.006, 0.03, 0.003, 0.006
#: The exhaust's conductance drifts by so much from cycle to cycle.
EXHAUST_WALK = 0.003
#: Heat that a cubic metre of the gas takes up, and how long it has for that in a fill and in an
#: exhaust.
_GAS_J_K_M3 = 5.0 * 718.0
_FILL_S, _EXHAUST_S = 5.0, 2.0
#: Standard error of the room in a pot seen to run empty, as a share of all of it: grains left on
#: the cone; and where only arithmetic says that the pot must have been about empty.
_EMPTY_ERROR, _FLOOR_ERROR = 0.002, 0.03
_ERRORS = (FILL_ERROR, HEAT_ERROR, LEAK_ERROR, _EMPTY_ERROR, _FLOOR_ERROR, EXHAUST_ERROR)

#: A path stays where it is when a round moves no room by more than this share of the empty pot's:
#: a few hundredths of a kilogram, where errors are kilograms.
_SETTLED = 1e-4


class Path:
    """States of a stretch's cycles, with all that they are made from; changed round by round."""

    def __init__(
        self, samples: Samples, cycles: pl.DataFrame, facts: PotFacts,
        bags: pl.DataFrame | None, windows: FillWindows,
    ) -> None:  # fmt: skip
        self.samples, self.cycles, self.facts, self.windows = samples, cycles, facts, windows
        self.count = cycles.height
        self.edges = edges_of(samples, cycles)
        self.vents = exhaust_windows(samples, cycles, windows, facts)
        self.bags = _entries(bags, samples.origin_us)
        self.exposure, running = exposures(samples, cycles, facts, windows.pot_zero_pa)
        self.emptied = find_emptied(samples, cycles, facts)
        ran = np.flatnonzero(self.emptied.ran_empty)
        self.exposure[ran] = running[self.emptied.at_index[ran]] - running[self.edges.press[ran]]
        self.exposure[self.emptied.began_empty] = 0.0
        self.plateaus = find_plateaus(
            samples, cycles, windows, facts, self.emptied.began_empty,
            np.where(self.emptied.ran_empty, self.emptied.at_index, -1),
        )  # fmt: skip
        self.has_fit = np.zeros(self.count, dtype=np.int64)
        # A pot pressed while it still exhausts goes on falling till the wedge shuts, and its gas is
        # cold: fitted for what it is worth, but not weighed.
        self.has_fit[windows.cycle[windows.vented]] = 1
        self.scale = float(np.exp(np.median(windows.guess)))
        self.about, self.mean0, self.cov0 = first_guess(windows, facts, self.count, self.scale)
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
        # Of the last smoothing, as far as it was wanted (`known`).
        self.cov = np.zeros((self.count, STATES, STATES))
        self.jump_variance = np.zeros(self.count)
        self.known = MEANS
        self.work = np.empty((self.count, WORK))
        # What the smoother is told, written anew each time.
        self._at, self._pull = np.empty((self.count, 5)), np.empty((self.count, 5))
        self._information = np.empty((self.count, 5, 5))
        self._told = tuple(np.empty(self.count) for _ in range(6))
        self._nothing = np.full(self.count, np.nan)
        self.surprise = np.full(self.count, np.nan)
        self.surprise_sd = np.full(self.count, np.nan)

    def hold(self, share: float) -> None:
        """Scale the priors' spreads of what all fills share."""
        for which, spread in SPREADS.items():
            self.cov0[which, which] = (share * spread) ** 2

    def round(self, wanted: int = MEANS) -> None:
        self.fit(4)
        self.smooth(wanted)

    def settle(self, most: int) -> None:
        """Rounds until the path stays where it is, at most so many."""
        for _ in range(most):
            before = self.mean
            self.round()
            room = np.abs(self.mean[:, [XI, XI_EMPTY]] - before[:, [XI, XI_EMPTY]])
            if float(room.max()) < _SETTLED * float(self.mean[-1, XI_EMPTY]):
                return

    def fit(self, rounds: int) -> None:
        windows, about = self.windows, self.about[self.windows.cycle]
        expected = self._expected(about, np.zeros(windows.cycle.size))
        start = expected[:, [0, 0, 1]]
        start[:, 1] = OPENING_S
        self.fits = fit_fill_windows(
            windows, expected[:, 2:], self.facts, start, self.start_k, rounds, self.fits
        )
        self.trust = 1.0 / np.maximum(self.fits.misfit, 1.0) ** 2

    def fit_about_path(self) -> None:
        """Fit every fill once more near the smoothed path, and further up.

        A fit alone stands where noise took it, and how much it claims to know hangs on where that
        is: many such fits together lean to one side. About the path they do not.
        """
        assert self.fits is not None
        windows, about = self.windows, self.about[self.windows.cycle]
        coldness = self._coldness()[windows.cycle]
        expected = self._expected(about, coldness)
        middle = expected[:, [0, 0, 1]]
        middle[:, 1] = OPENING_S
        spread = np.empty_like(middle)
        spread[:, 0], spread[:, 1] = FILL_ERROR + HEAT_ERROR * coldness, OPENING_SPREAD_S
        spread[:, 2] = LEAK_ERROR
        start = np.where([True, False, True], middle, self.fits.own)
        self.fits = fit_fill_windows(
            windows, expected[:, 2:], self.facts, start, self.start_k, 4, self.fits,
            near=(middle, spread), look_to=LOOK_TO_LAST,
        )  # fmt: skip
        self.trust = 1.0 / np.maximum(self.fits.misfit, 1.0) ** 2

    def _expected(self, states: Floats, coldness: Floats) -> Floats:
        """What fills would measure at some states, a row each (``weigh_kernel.predicted``)."""
        out = np.zeros((states.shape[0], 5))
        predicted_all(states, self.scale, coldness, out)
        return out

    def _coldness(self) -> Floats:
        """How little heat the gas has time for in a fill: 1 none, 0 as much as it needs."""
        return self._coldness_of(self.heat())

    def heat(self) -> Floats:
        """Heat conductance over free volume at the end of each cycle. [W/(K m3)]"""
        heat = np.empty(self.count)
        heats(self.about, self.exposure, self.scale, heat)
        return heat

    def exhaust(self) -> None:
        heat = self.heat()
        self.exhausts = fit_exhaust_windows(self.vents, heat, self.facts, self.exhausts)
        self.start_k = temperatures_at_press(
            self.samples, self.cycles, self.windows, self.exhausts, heat, self.facts
        )

    def smooth(self, wanted: int = MEANS) -> float:
        """Smooth anew; ``wanted`` as in the kernel: most rounds need no covariances."""
        assert self.fits is not None
        fits, vents = self.fits, self.exhausts
        rate, error, misfit = (
            (self._nothing,) * 3 if vents is None else (vents.rate, vents.error, vents.misfit)
        )
        at, information, pull = self._at, self._information, self._pull
        trust, coldness, empty_error, began_error, exhaust, exhaust_error = self._told
        tell(
            self.windows.cycle, fits.own, fits.held, fits.information, fits.pull, self.trust,
            self.about, self.exposure, self.scale, self.floor, self.emptied.ran_empty,
            self.emptied.began_empty, rate, error, misfit, _ERRORS,
            (_FILL_S / _GAS_J_K_M3, _EXHAUST_S / _GAS_J_K_M3), at, information, pull, trust,
            coldness, empty_error, began_error, exhaust, exhaust_error,
        )  # fmt: skip
        mean = np.zeros((self.count, STATES))
        likelihood = smooth(
            self.mean0, self.cov0, self.about, self.scale, self.has_fit, at, information, pull,
            trust, coldness, self.exposure, FEED_NOISE, FEED_WALK, self.leak_walk, empty_error,
            began_error, exhaust, exhaust_error, EXHAUST_WALK, self.plateaus.gap_pa,
            self.plateaus.error_pa, self.plateaus.supply_pa, self.happened, self.tipped,
            self.tipped_error, 0.5 * float(self.about[0, XI_EMPTY]), wanted, self.work, mean,
            self.cov, self.jump_variance, self.surprise, self.surprise_sd,
        )  # fmt: skip
        known = self.cov if wanted == ALL else self.cov[-1]
        about = self.about.copy()
        floor = self.floor.copy()
        if not (np.isfinite(known).all() and next_about(mean, self.exposure, about, floor)):
            raise np.linalg.LinAlgError("readings that no path of a pot leads through")
        self.mean, self.known, self.about, self.floor = mean, wanted, about, floor
        return float(likelihood)

    @staticmethod
    def _coldness_of(heat: Floats) -> Floats:
        """How little heat the gas has time for in a fill, by its heat conductance over free volume.

        One over one and how many of its time constants the gas has; ``path_kernel.tell`` has it so.
        """
        return np.asarray(1.0 / (1.0 + heat * _FILL_S / _GAS_J_K_M3))

    def doubt(self) -> None:
        """Trust fits less that stand far from the smoothed path (Huber, 2.5 standard errors)."""
        assert self.fits is not None
        self.trust = self.trust.copy()
        doubt_fits(
            self.windows.cycle, self.fits.own, self.fits.information, self.fits.pull, self.mean,
            self.scale, self.trust,
        )  # fmt: skip

    def scale_off(self) -> float:
        """How far bags and vessel disagree about a kilogram's room, in standard errors."""
        facts, state = self.facts, self.mean[-1]
        expected = facts.volume_m3 * facts.particle_kg_m3
        found = float(state[XI_EMPTY] / state[PER_KG])
        return (found / expected - 1.0) / float(np.hypot(facts.volume_error, facts.particle_error))

    def _kept(self) -> dict[str, Any]:
        names = ("about", "mean", "happened", "tipped", "tipped_error", "floor", "trust")
        kept: dict[str, Any] = {name: getattr(self, name).copy() for name in names}
        return kept | {"fits": self.fits, "given": dict(self.given)}

    def _restore(self, kept: dict[str, Any]) -> None:
        for name, value in kept.items():
            setattr(self, name, value)
        # What is told of the means beside them is of another path: smoothed anew it is there again.
        self.known = MEANS


def _entries(bags: pl.DataFrame | None, origin_us: int) -> list[tuple[float, float]]:
    if bags is None or bags.is_empty():
        return []
    at = bags["at"].cast(pl.Datetime("us")).cast(pl.Int64).to_list()
    return [
        ((a - origin_us) * 1e-6, float(kg)) for a, kg in zip(at, bags["abrasive_kg"], strict=True)
    ]
