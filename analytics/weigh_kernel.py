"""The smoother over a stretch's cycles, compiled: Kalman filter and Rauch-Tung-Striebel smoother.

The state at each press, all in plain units of the fill:

    0  xi      x / x_scale: free volume over fill conductance, scaled
    1  phi     what blasting adds to xi a second of exposure
    2  leak    leak over fill conductance
    3  ln W    heat taken by the wall, and
    4  ln B    by the grains: h x = W + B (x_empty - x)
    5  xi_e    xi of the empty pot
    6  c       xi a kilogram of abrasive: the kilograms in the pot are (xi_e - xi) / c
    7  b       critical ratio of the filling path
    8  d       supply's zero error [kPa]
    9  used    what blasting has added to xi so far
    10 jump    what the last tipping took from xi
    11 kappa   ln of exhaust over fill conductance
    12 slack   what the model of the gas is off by in ln x, times how little heat it has time for

States 3 to 8 never change. Between presses xi grows by phi times the exposure, and falls by a
jump where abrasive was tipped; phi and leak walk at random. What a fill measured enters as the
information that ``fit_fills`` left, linearised where the last round stood (iterated smoother,
which is Gauss-Newton on everything at once).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.fill_kernel import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STATES = 13
XI, PHI, LEAK, LN_WALL, LN_GRAINS, XI_EMPTY, PER_KG = range(7)
RATIO, ZERO, USED, JUMP, KAPPA, SLACK = range(7, STATES)

#: Width of the bend where the grains' share of the heat ends, as a share of the empty pot's room.
SOFT = 0.01

#: Conductance of what leaves with the grains, over that of the filling path (our estimate).
METERED = 0.01

#: Kinds of what can happen between two presses.
NOTHING, TIPPED, UNKNOWN_JUMP = 0, 1, 2


@compiled
def predicted(state: Floats, scale: float, coldness: float, out: Floats, jacobian: Floats) -> None:
    """What a fill would measure at a state: (ln x, leak, ratio, ln h, zero in Pa), with slopes."""
    xi = state[XI]
    wall = math.exp(state[LN_WALL])
    grains = math.exp(state[LN_GRAINS])
    gap = state[XI_EMPTY] - xi
    # a smooth max(gap, 0): a pot that reads a little less than empty still has a slope
    soft = SOFT * state[XI_EMPTY]
    bend = math.exp(-abs(gap) / soft)
    full = (max(gap, 0.0) + soft * math.log1p(bend)) * scale
    share = 1.0 / (1.0 + bend) if gap > 0.0 else bend / (1.0 + bend)
    heat = wall + grains * full
    out[0] = math.log(xi * scale) + state[SLACK] * coldness
    out[1] = state[LEAK]
    out[2] = state[RATIO]
    out[3] = math.log(heat / (xi * scale))
    out[4] = state[ZERO] * 1000.0
    jacobian[:] = 0.0
    jacobian[0, XI] = 1.0 / xi
    jacobian[0, SLACK] = coldness
    jacobian[1, LEAK] = 1.0
    jacobian[2, RATIO] = 1.0
    jacobian[3, XI] = -1.0 / xi - grains * scale * share / heat
    jacobian[3, XI_EMPTY] = grains * scale * share / heat
    jacobian[3, LN_WALL] = wall / heat
    jacobian[3, LN_GRAINS] = grains * full / heat
    jacobian[4, ZERO] = 1000.0


@compiled
def settled(leak: float, ratio: float) -> tuple[float, float, float]:
    """How far under its supply a leaking pot settles, as a share, with slopes by leak and ratio.

    ``1 - air.settled_ratio``, near enough for leaks below a third of the filling path.
    """
    half = 0.5 * leak * leak
    return half * (1.0 - ratio), leak * (1.0 - ratio), -half


@compiled
def smooth(
    mean0: Floats, cov0: Floats, about: Floats, scale: float, measured: Ints, at: Floats,
    information: Floats, pull: Floats, trust: Floats, coldness: Floats, exposure: Floats,
    feed_noise: float, feed_walk: float, leak_walk: float, empty_error: Floats,
    start_empty_error: Floats, exhaust: Floats, exhaust_error: Floats, exhaust_walk: float,
    gap: Floats, gap_error: Floats, gap_supply: Floats,
    happened: Ints, tipped_kg: Floats, tipped_error_kg: Floats, wide: float,
    mean: Floats, cov: Floats, surprise: Floats, surprise_sd: Floats,
) -> float:  # fmt: skip
    """Filter forward, smooth backward; returns the log-likelihood of the surprises of ln x.

    Parameters
    ----------
    mean0, cov0 : numpy.ndarray, shape (13,), (13, 13)
        The state at the first press, before anything is measured.
    about : numpy.ndarray, shape (n, 13)
        Where to linearise.
    scale : float
        x_scale. [s Pa]
    measured : numpy.ndarray of int, shape (n,)
        1 where the cycle has a fit.
    at : numpy.ndarray, shape (n, 5)
        Where each fit stands: (ln x, leak, ratio, ln h, zero in Pa).
    information, pull : numpy.ndarray, shape (n, 5, 5), (n, 5)
        From ``fit_fills``.
    trust : numpy.ndarray, shape (n,)
        Factor on a fit's information: below 1 for one that is doubted. [-]
    coldness : numpy.ndarray, shape (n,)
        How little heat the gas has time for in a fill, 0 to 1. [-]
    exposure : numpy.ndarray, shape (n,)
        Seconds of blasting, scaled by pressure. [s]
    feed_noise, feed_walk, leak_walk : float
        Standard deviations: of a cycle's consumption as a share of it; of phi's change from
        cycle to cycle as a share; of the leak ratio's change.
    empty_error : numpy.ndarray, shape (n,)
        Where the pot ran empty in this cycle: standard error of xi then; else NaN.
    start_empty_error : numpy.ndarray, shape (n,)
        Where it was empty when pressed, likewise.
    exhaust, exhaust_error : numpy.ndarray, shape (n,)
        ln of the exhaust's conductance over free volume, and its standard error; NaN: none.
    exhaust_walk : float
        Standard deviation of kappa's change from cycle to cycle. [-]
    gap, gap_error, gap_supply : numpy.ndarray, shape (n,)
        Pot less manifold once the pot is full, its standard error, and the manifold's pressure
        then [Pa]; NaN: none.
    happened, tipped_kg, tipped_error_kg : numpy.ndarray, shape (n,)
        What happened after the cycle; with TIPPED the kilograms and their error.
    wide : float
        Standard deviation of an unknown jump. [xi]
    mean, cov : numpy.ndarray, shape (n, 13), (n, 13, 13)
        Written: smoothed.
    surprise, surprise_sd : numpy.ndarray, shape (n,)
        Written: how far ln x was from its prediction by all earlier cycles, and the standard
        deviation expected; NaN without a fit.
    """
    n = exposure.size
    forward = np.zeros((n, STATES))
    forward_cov = np.zeros((n, STATES, STATES))
    before = np.zeros((n, STATES))
    before_cov = np.zeros((n, STATES, STATES))
    moves = np.zeros((n, STATES, STATES))
    m = mean0.copy()
    p = cov0.copy()
    unit = np.eye(STATES)
    y = np.zeros(5)
    jac = np.zeros((5, STATES))
    likelihood = 0.0
    for k in range(n):
        before[k] = m
        before_cov[k] = p
        surprise[k] = np.nan
        surprise_sd[k] = np.nan
        if measured[k] == 1:
            predicted(about[k], scale, coldness[k], y, jac)
            lam = information[k] * trust[k]
            g = pull[k] * trust[k]
            v0 = y - at[k]
            # surprise of ln x and leak, the rest as the state has it
            vm = v0 + jac @ (m - about[k])
            block = np.linalg.inv(lam[:2, :2] + np.diag(np.array([1e-9, 1e-6])))
            cross = lam[:2, 2:].copy()
            found = block @ (g[:2] - cross @ vm[2:])
            slope = jac[:2] + block @ cross @ jac[2:]
            spread = block + slope @ p @ slope.T
            surprise[k] = found[0] - vm[0]
            surprise_sd[k] = math.sqrt(max(spread[0, 0], 1e-18))
            z = surprise[k] / surprise_sd[k]
            likelihood -= 0.5 * min(z * z, 25.0) + math.log(surprise_sd[k])
            a = jac.T @ lam @ jac
            right = jac.T @ (g - lam @ v0) + a @ about[k]
            p_new = np.linalg.solve(unit + p @ a, p)
            p_new = 0.5 * (p_new + p_new.T)
            m = m + p_new @ (right - a @ m)
            p = p_new
        for which in range(2):
            error = start_empty_error[k] if which == 0 else empty_error[k]
            if not math.isnan(error):
                row = np.zeros(STATES)
                row[XI] = 1.0
                row[XI_EMPTY] = -1.0
                if which == 1:
                    row[PHI] = exposure[k]
                ph = p @ row
                s = row @ ph + error * error
                m = m - ph * ((row @ m) / s)
                p = p - np.outer(ph, ph) / s
        if not math.isnan(exhaust[k]):
            row = np.zeros(STATES)
            end = max(about[k, XI] + about[k, PHI] * exposure[k], 1e-3)
            row[XI] = -1.0 / end
            row[PHI] = -exposure[k] / end
            row[KAPPA] = 1.0
            # kappa - ln x at the release, linearised
            expected = about[k, KAPPA] - math.log(end * scale) + row @ (m - about[k])
            ph = p @ row
            s = row @ ph + exhaust_error[k] ** 2
            off = exhaust[k] - expected
            if off * off < 25.0 * s:
                m = m + ph * (off / s)
                p = p - np.outer(ph, ph) / s
        if not math.isnan(gap[k]):
            row = np.zeros(STATES)
            leak, ratio = max(about[k, LEAK], 0.0) + METERED, about[k, RATIO]
            low, by_leak, by_ratio = settled(leak, ratio)
            row[ZERO] = 1000.0
            row[LEAK] = -gap_supply[k] * by_leak
            row[RATIO] = -gap_supply[k] * by_ratio
            expected = about[k, ZERO] * 1000.0 - gap_supply[k] * low + row @ (m - about[k])
            ph = p @ row
            s = row @ ph + gap_error[k] ** 2
            m = m + ph * ((gap[k] - expected) / s)
            p = p - np.outer(ph, ph) / s
        forward[k] = m
        forward_cov[k] = p
        f = np.eye(STATES)
        q = np.zeros((STATES, STATES))
        f[XI, PHI] = exposure[k]
        f[USED, PHI] = exposure[k]
        fed = abs(about[k, PHI]) * exposure[k]
        noise = (feed_noise * fed) ** 2 + 1e-12
        q[XI, XI] += noise
        q[USED, USED] += noise
        q[XI, USED] += noise
        q[USED, XI] += noise
        q[PHI, PHI] += (feed_walk * about[k, PHI]) ** 2
        q[LEAK, LEAK] += leak_walk * leak_walk
        q[KAPPA, KAPPA] += exhaust_walk * exhaust_walk
        if happened[k] == TIPPED:
            f[JUMP, JUMP] = 0.0
            f[JUMP, PER_KG] = tipped_kg[k]
            f[XI, PER_KG] = -tipped_kg[k]
            noise = (tipped_error_kg[k] * about[k, PER_KG]) ** 2
            q[JUMP, JUMP] += noise
            q[XI, XI] += noise
            q[XI, JUMP] -= noise
            q[JUMP, XI] -= noise
        elif happened[k] == UNKNOWN_JUMP:
            f[JUMP, JUMP] = 0.0
            noise = wide * wide
            q[JUMP, JUMP] += noise
            q[XI, XI] += noise
            q[XI, JUMP] -= noise
            q[JUMP, XI] -= noise
        moves[k] = f
        m = f @ m
        p = f @ p @ f.T + q
        p = 0.5 * (p + p.T)
    mean[n - 1] = forward[n - 1]
    cov[n - 1] = forward_cov[n - 1]
    for k in range(n - 2, -1, -1):
        ahead = before_cov[k + 1] + 1e-18 * unit
        gain = np.linalg.solve(ahead, moves[k] @ forward_cov[k]).T
        mean[k] = forward[k] + gain @ (mean[k + 1] - before[k + 1])
        smoothed = forward_cov[k] + gain @ (cov[k + 1] - before_cov[k + 1]) @ gain.T
        cov[k] = 0.5 * (smoothed + smoothed.T)
    return likelihood
