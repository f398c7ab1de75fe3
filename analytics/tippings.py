"""Where in a stretch abrasive was tipped into the pot, and which bags entered go with it.

A tipping takes room away between two fills. Those that surely were are taken first; then every
rest long enough is open to one, and what the fills do not ask for is dropped, the least likely
first; and a tipping moves to a neighbouring rest where the fills between say so.
"""

from __future__ import annotations

from functools import cached_property
from statistics import median

import numpy as np
import numpy.typing as npt

from analytics.blasting import TIPPING_S
from analytics.fill import OPENING_S, fit_fill_windows
from analytics.smoothed_path import FILL_ERROR, HEAT_ERROR, LEAK_ERROR, Path
from analytics.weigh_kernel import (
    JUMP,
    JUMPS,
    LN_GRAINS,
    LN_WALL,
    MEANS,
    NOTHING,
    PER_KG,
    PHI,
    RATIO,
    SLACK,
    TIPPED,
    UNKNOWN_JUMP,
    XI,
    XI_EMPTY,
    ZERO,
    blur,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Bags are entered up to so long before or after they were tipped. [s]
ENTERED_BEFORE_S, ENTERED_AFTER_S = 900.0, 2700.0
#: A tipping is believed from so many standard errors on; a smaller evidence is enough where bags
#: were entered about then.
TIPPING_SIGMA, TIPPING_SIGMA_ENTERED = 4.5, 2.0
#: Less than this is not looked for. [kg]
LEAST_TIPPING_KG = 12.0
#: What bags weigh against what is entered: relative error, and kilograms spilt.
BAG_ERROR, SPILT_KG = 0.007, 1.0
#: Moves of tippings are taken back where the likelihood falls by so much, or where bags and
#: vessel then disagree by so many standard errors.
_WORSE, _SCALE_SIGMA = 10.0, 4.0
#: A fall of ln x that only a tipping makes.
_FAR = 0.12
_SHARED_STATES = [LN_WALL, LN_GRAINS, XI_EMPTY, PER_KG, RATIO, ZERO, SLACK]
#: A tipping moves to a rest at most so many cycles away, for so much less of the cost; one
#: tipping less is worth so much.
_MOVE_CYCLES, _MOVE_GAIN, _FEWER_GAIN = 15, 6.0, 12.0
_PRUNES = 100


class TippedPath(Path):
    """A path that finds its own tippings."""

    @cached_property
    def candidates(self) -> Bools:
        """After which cycles the pot stood long enough for a tipping (not after the last)."""
        could = np.zeros(self.count, dtype=np.bool_)
        could[:-1] = self.edges.rest_s[1:] >= TIPPING_S
        # A press too short for a fit between two rests tells nothing of which it was: the longer.
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        blasted_s, fitted = np.cumsum(self.exposure), np.cumsum(self.has_fit)
        places = np.flatnonzero(could).tolist()
        for number, k in enumerate(places[:-1]):
            other = next((place for place in places[number + 1 :] if could[place]), None)
            if other is None:
                break
            if blasted_s[other] - blasted_s[k] < 20.0 and fitted[other] == fitted[k]:
                could[k if rest_s[k] < rest_s[other] else other] = False
        return could

    def obvious(self) -> Bools:
        """Rests that surely held a tipping, before anything is learned.

        The pot ran empty before; or x fell by far; or it is the rest with the largest fall of x
        near an entry of bags.
        """
        could = self.candidates
        vented = self.windows.vented
        which, log_x = self.windows.cycle[vented], self.windows.guess[vented].tolist()
        fall = np.full(self.count, -np.inf)
        open_ = np.flatnonzero(could)
        for k, at in zip(open_, np.searchsorted(which, open_, side="right").tolist(), strict=True):
            before, after = log_x[max(at - 3, 0) : at], log_x[at : at + 3]
            if before and after:
                fall[k] = median(before) - median(after)
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        surely = could & (rest_s > 150.0) & (self.emptied.ran_empty | (fall > _FAR))
        begin, end = self._gap()
        if self.bags and could.any():
            from scipy.optimize import linear_sum_assignment  # type: ignore[import-untyped]

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
        assert self.known != MEANS
        kg, error = np.zeros(self.count), np.full(self.count, np.inf)
        found = np.flatnonzero(self.happened != NOTHING)
        state = self.mean[found + 1]
        kg[found] = state[:, JUMP] / state[:, PER_KG]
        variance = self.jump_variance[found + 1] / state[:, PER_KG] ** 2
        error[found] = np.sqrt(np.maximum(variance, 1e-12))
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
            self.smooth(JUMPS)

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
        could, kg, moved = self.candidates, self.jumps()[0], False
        rest_s = np.append(self.edges.rest_s[1:], 0.0)
        tippings = np.flatnonzero(self.happened != NOTHING)
        worth: dict[int, dict[int, float]] = {}
        for place, k in enumerate(tippings):
            entered = [self.bags[n][1] for n in self.given.get(int(k), ())]
            if not worth:
                worth = self._worth(tippings[place:], could, kg)
            best, gain = -1, _MOVE_GAIN
            for other, fits_better in worth[int(k)].items():
                if self.happened[other] != NOTHING:
                    if entered:
                        continue
                    fits_better += _FEWER_GAIN
                else:
                    longer = min(rest_s[other], 300.0) / min(rest_s[k], 300.0)
                    fits_better += 4.0 * float(np.log(longer))
                if fits_better > gain:
                    best, gain = other, fits_better
            if best >= 0:
                shift = (1.0 if best > k else -1.0) * self._tipped_kg(int(k), kg)
                low, high = min(int(k), best), max(int(k), best)
                self.about[low + 1 : high + 1, XI] += shift * self.mean[k + 1, PER_KG]
                self.happened[k], self.happened[best] = NOTHING, UNKNOWN_JUMP
                self.given.pop(int(k), None)
                moved = True
                # What the others are worth was for the path as it was.
                worth = {}
        return moved

    def _tipped_kg(self, k: int, kg: Floats) -> float:
        """What was tipped after a cycle: as entered, else by the smoother."""
        entered = [self.bags[n][1] for n in self.given.get(k, ())]
        return sum(entered) if entered else float(kg[k])

    def _worth(self, tippings: Ints, could: Bools, kg: Floats) -> dict[int, dict[int, float]]:
        """For each tipping, by how much the fills between speak for each rest it could be in.

        All fills about all tippings are fitted at once, each once for all rests to a side.
        """
        reached: list[tuple[int, list[int], Ints]] = []
        for k in tippings:
            if self._tipped_kg(int(k), kg) < LEAST_TIPPING_KG:
                continue
            for step in (-1, 1):
                others = []
                for other in range(int(k) + step, int(k) + (_MOVE_CYCLES + 1) * step, step):
                    if not 0 <= other < self.count:
                        break
                    if could[other]:
                        others.append(other)
                    if self.happened[other] != NOTHING:
                        break
                if others:
                    # From the tipping on outward.
                    between = np.arange(int(k), others[-1], step) + (1 if step > 0 else 0)
                    reached.append((int(k), others, between))
        worth: dict[int, dict[int, float]] = {int(k): {} for k in tippings}
        if not reached:
            return worth
        cycles = np.concatenate([between for _, _, between in reached])
        lighter_kg = np.concatenate(
            [
                np.full(between.size, np.sign(others[0] - k) * self._tipped_kg(k, kg))
                for k, others, between in reached
            ]
        )
        usual = self.path_costs(np.arange(self.count), np.zeros(self.count))
        gains = usual[cycles] - self.path_costs(cycles, lighter_kg)
        at = 0
        for k, others, between in reached:
            sums = np.cumsum(gains[at : at + between.size])
            worth[k] |= {other: float(sums[abs(other - k) - 1]) for other in others}
            at += between.size
        return worth

    def path_costs(self, cycles: Ints, lighter_kg: Floats) -> Floats:
        """Twice the negative log-likelihood of some fills, the pot being so much lighter.

        Parameters
        ----------
        cycles : numpy.ndarray of int, shape (n,)
            A cycle may be there several times.
        lighter_kg : numpy.ndarray, shape (n,)
            Where it is nil throughout, the fits as they are are taken: they are of that path. [kg]

        Returns
        -------
        numpy.ndarray, shape (n,)
        """
        solid_kg = self.facts.volume_m3 * self.facts.particle_kg_m3
        state, exposure = self.about[cycles], self.exposure[cycles]
        end = state[:, XI] + state[:, PHI] * exposure
        kg = (state[:, XI_EMPTY] - end) / state[:, PER_KG] - lighter_kg
        # Abrasive flowed to the end, so there was some.
        flowed = self.emptied.flowed[cycles] & (exposure > 10.0)
        cost = np.where(flowed, (np.minimum(kg - 1.0, 0.0) / (0.004 * solid_kg)) ** 2, 0.0)
        window = np.full(self.count, -1)
        vented = np.flatnonzero(self.windows.vented)
        window[self.windows.cycle[vented]] = vented
        has = np.flatnonzero(window[cycles] >= 0)
        if has.size == 0:
            return cost
        which, state = window[cycles[has]], state[has]
        state[:, XI] += lighter_kg[has] * state[:, PER_KG]
        kg = (state[:, XI_EMPTY] - state[:, XI]) / state[:, PER_KG]
        cost[has] += (np.minimum(kg, 0.0) / (0.01 * solid_kg)) ** 2
        empty = state[:, XI_EMPTY]
        state[:, XI] = np.clip(state[:, XI], 0.3 * empty, 1.02 * empty)
        expected = self._expected(state, np.zeros(has.size))
        coldness = self._coldness_of(np.exp(expected[:, 3]))
        windows = self.windows.chosen(which)
        if self.fits is None or lighter_kg.any():
            start = expected[:, [0, 0, 1]]
            start[:, 1] = OPENING_S
            start_k = None if self.start_k is None else self.start_k[which]
            fits = fit_fill_windows(
                windows, expected[:, 2:], self.facts, start, start_k, 5, rough=False
            )
            own, misfit = fits.own, fits.misfit
            information, pull = fits.information, fits.pull
        else:
            own, misfit = self.fits.own[which], self.fits.misfit[which]
            information, pull = self.fits.information[which], self.fits.pull[which]
        blur(information, pull, FILL_ERROR + HEAT_ERROR * coldness, LEAK_ERROR)
        off = expected[:, :2] - own[:, [0, 2]]
        apart = np.einsum("ni,nij,nj->n", off, information[:, :2, :2], off)
        used = windows.after - windows.first
        cost[has] += np.minimum(apart, 25.0) + misfit**2 * (used - 3)
        return cost

    def try_moves(self) -> bool:
        """Move tippings, smooth anew, and take it back where that made things worse.

        Returns
        -------
        bool
            Whether any stays moved.
        """
        before = self._kept()
        likelihood, off = self.smooth(JUMPS), self.scale_off()
        if not self.move():
            return False
        self.match()
        self.round()
        self.round()
        worse = self.smooth(JUMPS) < likelihood - _WORSE
        if worse or abs(self.scale_off()) > max(_SCALE_SIGMA, abs(off)):
            self._restore(before)
            self.smooth(JUMPS)
            return False
        return True

    def look_for_more(self) -> None:
        """Open every rest to a tipping, with what is learned so far as the prior, and prune."""
        assert self.known != MEANS
        mean0, cov0 = self.mean0, self.cov0
        self.mean0, self.cov0 = mean0.copy(), cov0.copy()
        for which in _SHARED_STATES:
            self.mean0[which] = self.mean[0, which]
        for which in _SHARED_STATES:
            self.cov0[which, :] = 0.0
            self.cov0[:, which] = 0.0
        block = np.ix_(_SHARED_STATES, _SHARED_STATES)
        self.cov0[block] = self.cov[0][block]
        self.happened[self.candidates] = UNKNOWN_JUMP
        self.smooth(JUMPS)
        self.prune()
        self.mean0, self.cov0 = mean0, cov0
