"""What the smoother of a stretch is told, and what a round takes from it, compiled.

Each is a few operations on some hundred cycles, and a stretch is smoothed some twenty times: as
array operations one by one they took as long as the smoothing itself.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.fill_kernel import compiled, there
from analytics.weigh_kernel import LEAK, LN_GRAINS, LN_WALL, PHI, RATIO, XI, XI_EMPTY, blur

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: An exhaust tells something after so long a blast, and where its fit is no worse than that.
_LEAST_EXPOSURE_S, _MOST_MISFIT = 10.0, 5.0


@compiled
def heats(about: Floats, exposure: Floats, scale: float, out: Floats) -> None:
    """Heat conductance over free volume at the end of each cycle. [W/(K m3)]

    Parameters
    ----------
    about : numpy.ndarray, shape (n, 13)
        States (``weigh_kernel``).
    exposure : numpy.ndarray, shape (n,)
        Seconds of blasting, scaled by pressure. [s]
    scale : float
        x_scale. [s Pa]
    out : numpy.ndarray, shape (n,)
        Written.
    """
    for k in range(exposure.size):
        xi = about[k, XI] + about[k, PHI] * exposure[k]
        full = max(about[k, XI_EMPTY] - xi, 0.0) * scale
        heat = math.exp(about[k, LN_WALL]) + math.exp(about[k, LN_GRAINS]) * full
        out[k] = heat / (xi * scale)


@compiled
def gather_fits(
    which: Ints, own: Floats, held: Floats, information: Floats, pull: Floats, trust: Floats,
    at: Floats, all_information: Floats, all_pull: Floats, all_trust: Floats,
) -> None:  # fmt: skip
    """Put what fits say to their cycles.

    Parameters
    ----------
    which : numpy.ndarray of int, shape (m,)
        The cycle of each fit.
    own, held, information, pull, trust : numpy.ndarray
        Of the fits: (m, 3), (m, 3), (m, 5, 5), (m, 5), (m,).
    at, all_information, all_pull, all_trust : numpy.ndarray
        Written: (n, 5), (n, 5, 5), (n, 5), (n,); nil where a cycle has no fit.
    """
    at[:] = 0.0
    all_information[:] = 0.0
    all_pull[:] = 0.0
    all_trust[:] = 0.0
    for m in range(which.size):
        k = which[m]
        at[k, 0] = own[m, 0]
        at[k, 1] = own[m, 2]
        for i in range(3):
            at[k, 2 + i] = held[m, i]
        for i in range(5):
            all_pull[k, i] = pull[m, i]
            for j in range(5):
                all_information[k, i, j] = information[m, i, j]
        all_trust[k] = trust[m]


@compiled
def empty_errors(
    floor: Bools, ran_empty: Bools, began_empty: Bools, empty: float, seen_error: float,
    floor_error: float, ended: Floats, began: Floats,
) -> None:  # fmt: skip
    """Standard errors of xi where a pot was empty at a cycle's end, and at its begin; NaN: it was
    not. ``empty``: xi of the empty pot; errors are shares of it."""
    for k in range(floor.size):
        ended[k] = floor_error * empty if floor[k] else math.nan
        if ran_empty[k]:
            ended[k] = seen_error * empty
        began[k] = seen_error * empty if began_empty[k] else math.nan


@compiled
def exhaust_rates(
    rate: Floats, error: Floats, misfit: Floats, exposure: Floats, ran_empty: Bools,
    began_empty: Bools, heat: Floats, least_error: float, heat_error: float, constants: float,
    told: Floats, told_error: Floats,
) -> None:  # fmt: skip
    """ln of each exhaust's conductance over free volume, and how far to believe it.

    Without grains the metering valve lets air out beside the exhaust, so that it says nothing.

    Parameters
    ----------
    rate, error, misfit : numpy.ndarray, shape (n,)
        As in :class:`analytics.fill.Exhausts`.
    exposure, ran_empty, began_empty : numpy.ndarray, shape (n,)
    heat : numpy.ndarray, shape (n,)
        From :func:`heats`.
    least_error, heat_error : float
        What the model is off by: always, and where the gas has no time to take up heat. [-]
    constants : float
        Time constants that a heat of 1 W/(K m3) gives. [K m3/W]
    told, told_error : numpy.ndarray, shape (n,)
        Written; ``told`` is NaN where an exhaust says nothing.
    """
    for k in range(rate.size):
        good = there(rate[k]) and rate[k] > 0.0 and not ran_empty[k] and not began_empty[k]
        good = good and exposure[k] > _LEAST_EXPOSURE_S and misfit[k] < _MOST_MISFIT
        floor = least_error + heat_error / (1.0 + heat[k] * constants)
        told[k] = math.log(rate[k]) if good else math.nan
        told_error[k] = math.sqrt(error[k] * error[k] + floor * floor)


@compiled
def tell(
    which: Ints, own: Floats, held: Floats, information: Floats, pull: Floats, trust: Floats,
    about: Floats, exposure: Floats, scale: float, floor: Bools, ran_empty: Bools,
    began_empty: Bools, rate: Floats, error: Floats, misfit: Floats,
    errors: tuple[float, float, float, float, float, float],
    constants: tuple[float, float], at: Floats, all_information: Floats, all_pull: Floats,
    all_trust: Floats, coldness: Floats, ended: Floats, began: Floats, told: Floats,
    told_error: Floats,
) -> None:  # fmt: skip
    """All that the smoother is told, in one: a call of each from Python takes as long as its work.

    Parameters
    ----------
    which, own, held, information, pull, trust
        As for :func:`gather_fits`; what a fit says is blurred (``weigh_kernel.blur``).
    about, exposure, scale
        As for :func:`heats`.
    floor, ran_empty, began_empty
        As for :func:`empty_errors`.
    rate, error, misfit
        As for :func:`exhaust_rates`.
    errors : tuple of float
        What the model is off by in ln x, always and where the gas has no time to take up heat; in
        the leak; in the room of a pot seen to run empty, and of one that must have; in an exhaust.
    constants : tuple of float
        Time constants that a heat of 1 W/(K m3) gives in a fill and in an exhaust. [K m3/W]
    at, all_information, all_pull, all_trust, coldness, ended, began, told, told_error
        Written, each as above; ``coldness``: how little heat the gas has time for, 0 to 1.
    """
    fill_error, heat_error, leak_error, seen_error, floor_error, exhaust_error = errors
    heat = np.empty(exposure.size)
    heats(about, exposure, scale, heat)
    gather_fits(
        which, own, held, information, pull, trust, at, all_information, all_pull, all_trust
    )
    off = np.empty(exposure.size)
    for k in range(exposure.size):
        coldness[k] = 1.0 / (1.0 + heat[k] * constants[0])
        off[k] = fill_error + heat_error * coldness[k]
    blur(all_information, all_pull, off, leak_error)
    empty_errors(
        floor, ran_empty, began_empty, about[0, XI_EMPTY], seen_error, floor_error, ended, began
    )
    exhaust_rates(
        rate, error, misfit, exposure, ran_empty, began_empty, heat, exhaust_error, heat_error,
        constants[1], told, told_error,
    )  # fmt: skip


@compiled
def next_about(mean: Floats, exposure: Floats, about: Floats, floor: Bools) -> bool:
    """Where the next round linearises; ``about`` and ``floor`` are written. False: a state is not a
    number, and nothing is written.

    Parameters
    ----------
    mean : numpy.ndarray, shape (n, 13)
        Smoothed states.
    exposure : numpy.ndarray, shape (n,)
        As for :func:`heats`.
    about : numpy.ndarray, shape (n, 13)
    floor : numpy.ndarray of bool, shape (n,)
        Set where a path ends below the empty pot: no pot holds less than nothing.
    """
    for k in range(mean.shape[0]):
        for i in range(mean.shape[1]):
            if not there(mean[k, i]):
                return False
    wall, grains = about[0, LN_WALL], about[0, LN_GRAINS]
    for k in range(mean.shape[0]):
        empty = mean[k, XI_EMPTY]
        if mean[k, XI] + mean[k, PHI] * exposure[k] > empty:
            floor[k] = True
        for i in range(mean.shape[1]):
            about[k, i] = mean[k, i]
        about[k, XI] = min(max(mean[k, XI], 0.3 * empty), 1.02 * empty)
        about[k, LEAK] = min(max(mean[k, LEAK], -0.05), 1.0)
        about[k, RATIO] = min(max(mean[k, RATIO], 0.1), 0.7)
        about[k, LN_WALL] = min(max(mean[k, LN_WALL], wall - 0.7), wall + 0.7)
        about[k, LN_GRAINS] = min(max(mean[k, LN_GRAINS], grains - 0.7), grains + 0.7)
    return True


@compiled
def doubt_fits(
    which: Ints, own: Floats, information: Floats, pull: Floats, mean: Floats, scale: float,
    trust: Floats,
) -> None:  # fmt: skip
    """Trust fits less that stand far from the smoothed path; ``trust`` is written.

    Parameters
    ----------
    which, own, information, pull
        As for :func:`gather_fits`.
    mean : numpy.ndarray, shape (n, 13)
        Smoothed states.
    scale : float
        x_scale. [s Pa]
    trust : numpy.ndarray, shape (m,)
    """
    for m in range(which.size):
        a00, a01 = information[m, 0, 0] + 1e-9, information[m, 0, 1]
        a11 = information[m, 1, 1] + 1e-6
        moved = (a11 * pull[m, 0] - a01 * pull[m, 1]) / (a00 * a11 - a01 * information[m, 1, 0])
        error = 1.0 / math.sqrt(max(information[m, 0, 0], 1e-12))
        off = abs(math.log(mean[which[m], XI] * scale) - own[m, 0] - moved)
        scaled = off / max(error / math.sqrt(trust[m]), 1e-9)
        trust[m] *= min(1.0, 4.0 / max(scaled, 1e-9))


@compiled
def carry_fits(
    own: Floats, held: Floats, start_k: Floats, full: Floats, slope: Floats, now_held: Floats,
    now_start_k: Floats, weight: Floats, middle: Floats, drawn: bool, little_held: Floats,
    little_k: float, near_by: float, most: Floats, carried: Floats, stays: Bools,
) -> None:  # fmt: skip
    """Where fits will stand, by their linearisation, now that what is held has moved.

    Parameters
    ----------
    own, held, start_k, full, slope : numpy.ndarray
        Fits made earlier (:class:`analytics.fill.FillFits`).
    now_held, now_start_k : numpy.ndarray, shape (m, 3), (m,)
        What is held now, and the gas at the press.
    weight, middle : numpy.ndarray, shape (m, 3)
        Prior of the own unknowns: one over its variance, and its middle.
    drawn : bool
        The prior draws fits to its middle, so that none stays; and where what is held has moved too
        far, ``carried`` is left as it is.
    little_held, little_k : numpy.ndarray of shape (3,), float
        Changes within which a fit stays good as it is.
    near_by : float
        So many times a little: further, lines are no guide.
    most : numpy.ndarray, shape (3,)
        Most that an unknown is moved.
    carried, stays : numpy.ndarray, shape (m, 3), (m,)
        Written: where to begin, and whether the fit stays as it is.
    """
    low, step = np.zeros((3, 3)), np.zeros(3)
    for m in range(own.shape[0]):
        moved = 0.0
        for i in range(3):
            moved = max(moved, abs(now_held[m, i] - held[m, i]) / little_held[i])
        warmed = abs(now_start_k[m] - start_k[m]) / little_k
        stays[m] = not drawn and moved < 1.0 and warmed < 1.0
        if stays[m] or not moved < near_by:
            if not drawn:
                for i in range(3):
                    carried[m, i] = own[m, i]
            continue
        for i in range(3):
            step[i] = 0.0
            for j in range(3):
                step[i] -= full[m, i, 3 + j] * (now_held[m, j] - held[m, j])
            if drawn:
                step[i] += slope[m, i] + weight[m, i] * (middle[m, i] - own[m, i])
        # Cholesky's factor of the own unknowns' matrix under the prior.
        for i in range(3):
            for j in range(i + 1):
                total = full[m, i, j] + (weight[m, i] if i == j else 0.0)
                for k in range(j):
                    total -= low[i, k] * low[j, k]
                low[i, j] = math.sqrt(max(total, 1e-300)) if i == j else total / low[j, j]
        for i in range(3):
            for k in range(i):
                step[i] -= low[i, k] * step[k]
            step[i] /= low[i, i]
        for i in range(2, -1, -1):
            for k in range(i + 1, 3):
                step[i] -= low[k, i] * step[k]
            step[i] /= low[i, i]
        for i in range(3):
            by = step[i] if there(step[i]) else 0.0
            carried[m, i] = own[m, i] + min(max(by, -most[i]), most[i])


@compiled
def without_opening(
    own: Floats, full: Floats, slope: Floats, middle: Floats, weight: Floats, information: Floats,
    pull: Floats,
) -> None:  # fmt: skip
    """What fits say of all but the opening instant, which is eliminated under its prior.

    Without the priors of ln x and of the leak; the opening's Schur complement.

    Parameters
    ----------
    own, full, slope : numpy.ndarray, shape (m, 3), (m, 6, 6), (m, 6)
    middle, weight : numpy.ndarray, shape (m, 3)
    information, pull : numpy.ndarray, shape (m, 5, 5), (m, 5)
        Written.
    """
    for m in range(own.shape[0]):
        over = 1.0 / (full[m, 1, 1] + weight[m, 1])
        opening_slope = slope[m, 1] + weight[m, 1] * (middle[m, 1] - own[m, 1])
        for i in range(5):
            a = i if i == 0 else i + 1
            across = full[m, a, 1] * over
            pull[m, i] = slope[m, a] - across * opening_slope
            for j in range(5):
                b = j if j == 0 else j + 1
                information[m, i, j] = full[m, a, b] - across * full[m, b, 1]
