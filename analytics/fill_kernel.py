"""The gas in a pot while it fills or exhausts, compiled: what the fits of ``fill.py`` iterate.

State of the gas is its pressure p and density rho (T = p / (R rho)); a = C/V is the path's sonic
conductance over the free volume, so that no volume is known to this module:

    filling     drho/dt = a rho0 sqrt(T0/Ta) ps phi(p/ps) - a lam rho0 sqrt(T0/T) p phi(pa/p)
    exhausting  drho/dt = - a rho0 sqrt(T0/T) p phi(pa/p)
    both        dp/dt   = gamma R (in Ta - out T) + (gamma - 1) h (Ta - T)

with lam = leak over fill conductance and h = heat conductance over free volume, which grows with
the abrasive in the pot, because grains take heat far faster than the wall does.

Pressures absolute [Pa], temperatures [K], times [s]. ISO 6358-1:2013 flow function (index 0.5).
Heun's rule with steps of at most 60 ms: within 2e-4 of a fine solution on the published cases.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

GAS_CONSTANT_J_KG_K = 287.05  #: dry air [J/(kg K)]
GAMMA = 1.4  #: ratio of specific heats of air [-]
REFERENCE_DENSITY_KG_M3 = 1.185  #: ISO 8778 reference atmosphere [kg/m3]
REFERENCE_K = 293.15  #: its temperature [K]
LEAK_RATIO = 0.3  #: critical pressure ratio taken for a leak to the open air [-]
LONGEST_STEP_S = 0.06

#: Unknowns of one fill: ln x, opening instant [s], leak over fill conductance.
OWN = 3
#: What is held while a fill's own unknowns are fitted, and learned from all fills together:
#: critical ratio [-], ln h, supply's zero error [Pa].
HELD = 3


#: Liberties that the compiler may take: none that forgets about NaN.
_LOOSE = {"reassoc", "contract", "arcp", "nsz"}


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """Compile, with the result kept on disk where a folder for that can be written."""
    try:
        return njit(cache=True, nogil=True, error_model="numpy", fastmath=_LOOSE)(function)
    except RuntimeError:
        return njit(nogil=True, error_model="numpy", fastmath=_LOOSE)(function)


@compiled
def flow_share(ratio: float, critical_ratio: float) -> float:
    """ISO 6358-1's phi: the share of the sonic flow that passes at p2/p1 [-].

    Examples
    --------
    >>> flow_share(0.2, 0.3), flow_share(1.0, 0.3)
    (1.0, 0.0)
    """
    if ratio <= critical_ratio:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    part = (ratio - critical_ratio) / (1.0 - critical_ratio)
    return math.sqrt(1.0 - part * part)


@compiled
def _rates(
    p: float, rho: float, ps: float, a: float, lam: float, h: float, b: float, air_k: float,
    outside_pa: float, filling: bool,
) -> tuple[float, float]:  # fmt: skip
    k = p / (GAS_CONSTANT_J_KG_K * rho)
    out_share = flow_share(outside_pa / p, LEAK_RATIO if filling else b)
    sonic = a * REFERENCE_DENSITY_KG_M3
    leaving = sonic * math.sqrt(REFERENCE_K / k) * p * out_share
    entering = 0.0
    if filling:
        leaving *= lam
        entering = sonic * math.sqrt(REFERENCE_K / air_k) * ps * flow_share(p / ps, b)
    dp = GAMMA * GAS_CONSTANT_J_KG_K * (entering * air_k - leaving * k)
    dp += (GAMMA - 1.0) * h * (air_k - k)
    return dp, entering - leaving


@compiled
def run_gas(
    at_s: Floats, supply_pa: Floats, offset_pa: float, start_s: float, start_pa: float,
    start_k: float, a: float, lam: float, h: float, b: float, air_k: float, outside_pa: float,
    filling: bool, out: Floats,
) -> float:  # fmt: skip
    """Pressure of the gas at each instant; before ``start_s`` it stands at ``start_pa``.

    Parameters
    ----------
    at_s, supply_pa : numpy.ndarray, shape (n,)
        Ascending instants [s] and the manifold's pressure then [Pa absolute]; between them the
        supply is taken as a straight line. While exhausting the supply is not used.
    offset_pa : float
        Added to the supply's pressure [Pa].
    start_s, start_pa, start_k : float
        When the path opens, and the gas then.
    a : float
        Conductance of the path over free volume [1/(s Pa)].
    lam : float
        Leak over fill conductance [-].
    h : float
        Heat conductance over free volume [W/(K m3)].
    b : float
        Critical ratio of the path [-].
    air_k, outside_pa : float
        Temperature of air, wall and grains [K]; pressure outside [Pa absolute].
    filling : bool
        False: the path leads outside.
    out : numpy.ndarray, shape (n,)
        Written: pressure [Pa absolute].

    Returns
    -------
    float
        Temperature of the gas at the last instant [K].
    """
    p = start_pa
    rho = p / (GAS_CONSTANT_J_KG_K * start_k)
    now_s = start_s
    for i in range(at_s.size):
        span_s = at_s[i] - now_s
        if span_s > 0.0:
            here = supply_pa[i] + offset_pa
            slope = 0.0
            if i > 0:
                slope = (supply_pa[i] - supply_pa[i - 1]) / (at_s[i] - at_s[i - 1])
            steps = max(math.ceil(span_s / LONGEST_STEP_S - 1e-6), 1)
            step_s = span_s / steps
            for j in range(steps):
                ps0 = here - slope * (span_s - j * step_s)
                ps1 = here - slope * (span_s - (j + 1) * step_s)
                dp0, dr0 = _rates(p, rho, ps0, a, lam, h, b, air_k, outside_pa, filling)
                p1 = max(p + step_s * dp0, 1000.0)
                r1 = max(rho + step_s * dr0, 0.01)
                dp1, dr1 = _rates(p1, r1, ps1, a, lam, h, b, air_k, outside_pa, filling)
                p = max(p + 0.5 * step_s * (dp0 + dp1), 1000.0)
                rho = max(rho + 0.5 * step_s * (dr0 + dr1), 0.01)
            now_s = at_s[i]
        out[i] = p
    return p / (GAS_CONSTANT_J_KG_K * rho)


@compiled
def _run_fills(
    at_s: Floats, supply_pa: Floats, start_pa: float, start_k: float, unknown: Floats,
    air_k: float, outside_pa: float, out: Floats,
) -> None:  # fmt: skip
    """Pressures of a fill under several sets of unknowns at once, as :func:`run_gas` has them.

    The same equations without a branch in the inner loop, so that the sets run side by side in
    the processor's vector unit.

    Parameters
    ----------
    at_s, supply_pa, start_pa, start_k, air_k, outside_pa
        As in :func:`run_gas`.
    unknown : numpy.ndarray, shape (6, c)
        A column a set: ln x, opening instant, leak ratio, critical ratio, ln h, supply zero.
    out : numpy.ndarray, shape (n, c)
        Written: pressure [Pa absolute].
    """
    sets = unknown.shape[1]
    p, rho, now_s = np.empty(sets), np.empty(sets), np.empty(sets)
    into, lost, heat, width = np.empty(sets), np.empty(sets), np.empty(sets), np.empty(sets)
    p1, r1, dp0, dr0 = np.empty(sets), np.empty(sets), np.empty(sets), np.empty(sets)
    ratio, zero, step_s = unknown[3], unknown[5], np.empty(sets)
    for c in range(sets):
        a = math.exp(-unknown[0, c])
        p[c], rho[c], now_s[c] = start_pa, start_pa / (GAS_CONSTANT_J_KG_K * start_k), unknown[1, c]
        into[c] = a * REFERENCE_DENSITY_KG_M3 * math.sqrt(REFERENCE_K / air_k)
        # leaving = lost sqrt(1/k) p = lost sqrt(R rho p)
        lost[c] = (
            a
            * unknown[2, c]
            * REFERENCE_DENSITY_KG_M3
            * math.sqrt(REFERENCE_K * GAS_CONSTANT_J_KG_K)
        )
        heat[c] = (GAMMA - 1.0) * math.exp(unknown[4, c])
        width[c] = 1.0 / (1.0 - ratio[c])
    by_flow = GAMMA * GAS_CONSTANT_J_KG_K
    for i in range(at_s.size):
        longest = 0.0
        for c in range(sets):
            span_s = max(at_s[i] - now_s[c], 0.0)
            step_s[c] = span_s
            longest = max(longest, span_s)
        if longest > 0.0:
            slope = 0.0
            if i > 0:
                slope = (supply_pa[i] - supply_pa[i - 1]) / (at_s[i] - at_s[i - 1])
            steps = max(math.ceil(longest / LONGEST_STEP_S - 1e-6), 1)
            for c in range(sets):
                step_s[c] /= steps
                now_s[c] = max(now_s[c], at_s[i])
            for j in range(steps):
                for c in range(sets):
                    ps = supply_pa[i] + zero[c] - slope * (steps - j) * step_s[c]
                    part = (p[c] / ps - ratio[c]) * width[c]
                    part = part if part > 0.0 else 0.0
                    part = part if part < 1.0 else 1.0
                    entering = into[c] * ps * math.sqrt(1.0 - part * part)
                    part = (outside_pa / p[c] - LEAK_RATIO) * (1.0 / (1.0 - LEAK_RATIO))
                    part = part if part > 0.0 else 0.0
                    part = part if part < 1.0 else 1.0
                    k = p[c] / (GAS_CONSTANT_J_KG_K * rho[c])
                    leaving = lost[c] * math.sqrt(rho[c] * p[c] * (1.0 - part * part))
                    dp0[c] = by_flow * (entering * air_k - leaving * k) + heat[c] * (air_k - k)
                    dr0[c] = entering - leaving
                    q = p[c] + step_s[c] * dp0[c]
                    r = rho[c] + step_s[c] * dr0[c]
                    p1[c] = q if q > 1000.0 else 1000.0
                    r1[c] = r if r > 0.01 else 0.01
                for c in range(sets):
                    ps = supply_pa[i] + zero[c] - slope * (steps - j - 1) * step_s[c]
                    part = (p1[c] / ps - ratio[c]) * width[c]
                    part = part if part > 0.0 else 0.0
                    part = part if part < 1.0 else 1.0
                    entering = into[c] * ps * math.sqrt(1.0 - part * part)
                    part = (outside_pa / p1[c] - LEAK_RATIO) * (1.0 / (1.0 - LEAK_RATIO))
                    part = part if part > 0.0 else 0.0
                    part = part if part < 1.0 else 1.0
                    k = p1[c] / (GAS_CONSTANT_J_KG_K * r1[c])
                    leaving = lost[c] * math.sqrt(r1[c] * p1[c] * (1.0 - part * part))
                    dp = by_flow * (entering * air_k - leaving * k) + heat[c] * (air_k - k)
                    q = p[c] + 0.5 * step_s[c] * (dp0[c] + dp)
                    r = rho[c] + 0.5 * step_s[c] * (dr0[c] + entering - leaving)
                    p[c] = q if q > 1000.0 else 1000.0
                    rho[c] = r if r > 0.01 else 0.01
        for c in range(sets):
            out[i, c] = p[c]


@compiled
def _solve(matrix: Floats, right: Floats) -> Floats:
    """Solve a small positive definite system by Cholesky's method; columns of ``right``."""
    n = matrix.shape[0]
    low = np.zeros((n, n))
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= low[i, k] * low[j, k]
            if i == j:
                low[i, i] = math.sqrt(max(total, 1e-300))
            else:
                low[i, j] = total / low[j, j]
    x = right.copy()
    for c in range(right.shape[1]):
        for i in range(n):
            for k in range(i):
                x[i, c] -= low[i, k] * x[k, c]
            x[i, c] /= low[i, i]
        for i in range(n - 1, -1, -1):
            for k in range(i + 1, n):
                x[i, c] -= low[k, i] * x[k, c]
            x[i, c] /= low[i, i]
    return x


@compiled
def _normal(
    at_s: Floats, supply_pa: Floats, pot_pa: Floats, weight: Floats, start_pa: float,
    start_k: float, own: Floats, held: Floats, air_k: float, outside_pa: float, total: int,
    hessian: Floats, gradient: Floats,
) -> float:  # fmt: skip
    """Gauss-Newton normal matrix and gradient of one fill (own, then held); returns the cost.

    Residuals are weighed down as Huber's estimator does beyond 2.5 standard deviations.
    """
    n = at_s.size
    step = np.array([1e-4, 1e-3, 1e-4, 1e-4, 1e-3, 20.0])
    unknown = np.empty((OWN + HELD, total + 1))
    for c in range(total + 1):
        for r in range(OWN):
            unknown[r, c] = own[r]
            unknown[OWN + r, c] = held[r]
        if c:
            unknown[c - 1, c] += step[c - 1]
    ran = np.empty((n, total + 1))
    _run_fills(at_s, supply_pa, start_pa, start_k, unknown, air_k, outside_pa, ran)
    base = ran[:, 0].copy()
    cost = 0.0
    factor = np.empty(n)
    for i in range(n):
        z = abs(base[i] - pot_pa[i]) * weight[i]
        factor[i] = weight[i] if z <= 2.5 else weight[i] * math.sqrt(2.5 / z)
        cost += z * z if z <= 2.5 else 5.0 * z - 6.25
    jacobian = np.empty((n, total))
    for i in range(n):
        for c in range(total):
            jacobian[i, c] = (ran[i, c + 1] - base[i]) / step[c] * factor[i]
    for c in range(total):
        slope = 0.0
        for i in range(n):
            slope += jacobian[i, c] * (pot_pa[i] - base[i]) * factor[i]
        gradient[c] = slope
        for d in range(c + 1):
            inner = 0.0
            for i in range(n):
                inner += jacobian[i, c] * jacobian[i, d]
            hessian[c, d] = inner
            hessian[d, c] = inner
    return cost


@compiled
def fit_fills(
    first: Ints, after: Ints, at_s: Floats, supply_pa: Floats, pot_pa: Floats, weight: Floats,
    start_pa: Floats, start_k: Floats, own: Floats, held: Floats, prior_mean: Floats,
    prior_weight: Floats, air_k: float, outside_pa: float, rounds: int, look_from: float,
    look_to: float, information: Floats, pull: Floats, misfit: Floats,
) -> None:  # fmt: skip
    """Fit each fill's own unknowns, and tell what the fill says of everything.

    Levenberg-Marquardt, ``rounds`` at most, under a prior. Afterwards ``information`` is the
    normal matrix of (ln x, leak ratio, critical ratio, ln h, supply zero) with the opening
    instant eliminated (Schur complement), and ``pull`` its gradient, both at the fit and both
    without the priors of ln x and of the leak: near the fit the log-likelihood of a change
    ``v`` is ``pull . v - v . information . v / 2``.

    Parameters
    ----------
    first, after : numpy.ndarray of int, shape (m,)
        Samples of each fill: from ``first``, before ``after``.
    at_s, supply_pa, pot_pa, weight : numpy.ndarray, shape (n,)
        Samples: instant after the press [s], absolute pressures [Pa], one over the standard
        deviation [1/Pa]; weight 0 is not looked at.
    start_pa, start_k : numpy.ndarray, shape (m,)
        The gas at the press.
    own : numpy.ndarray, shape (m, 3)
        First guess of ln x, opening instant, leak ratio; overwritten with the fit.
    held : numpy.ndarray, shape (m, 3)
        Critical ratio, ln h, supply zero of each fill.
    prior_mean, prior_weight : numpy.ndarray, shape (m, 3)
        What is known of the own unknowns, and one over its variance.
    air_k, outside_pa : float
        Temperature [K]; pressure outside [Pa absolute].
    rounds : int
        Most iterations.
    look_from, look_to : float
        Samples count where the model's pressure at the first guess is between these shares of the
        manifold's: what is looked at then does not hang on the noise of single samples.
    information, pull : numpy.ndarray, shape (m, 5, 5) and (m, 5)
        Written.
    misfit : numpy.ndarray, shape (m,)
        Written: root mean square of the weighted residuals (Huber's beyond 2.5).
    """
    total = OWN + HELD
    full = np.zeros((total, total))
    slope = np.zeros(total)
    order = np.array([0, 2, 3, 4, 5])
    for m in range(first.size):
        lo, hi = first[m], after[m]
        t, s, y = at_s[lo:hi], supply_pa[lo:hi], pot_pa[lo:hi]
        mine = own[m]
        kept = mine.copy()
        w = np.zeros(hi - lo)
        base = np.empty(hi - lo)
        run_gas(
            t, s, held[m, 2], mine[1], start_pa[m], start_k[m], math.exp(-mine[0]), mine[2],
            math.exp(held[m, 1]), held[m, 0], air_k, outside_pa, True, base,
        )  # fmt: skip
        used, end = 0, 1
        for i in range(hi - lo):
            share = base[i] / s[i]
            if look_from <= share <= look_to:
                w[i] = weight[lo + i]
                used += 1
                end = i + 1
        t, s, y, w = t[:end], s[:end], y[:end], w[:end]
        damping = 1e-3
        before = np.inf
        matrix = np.zeros((OWN, OWN))
        right = np.zeros((OWN, 1))
        for turn in range(2 * rounds + 1):
            here = _normal(
                t, s, y, w, start_pa[m], start_k[m], mine, held[m], air_k, outside_pa, OWN,
                full, slope,
            )  # fmt: skip
            for c in range(OWN):
                off = prior_mean[m, c] - mine[c]
                here += prior_weight[m, c] * off * off
            if here <= before:
                gained = before - here
                before = here
                kept[:] = mine
                damping = max(damping * 0.1, 1e-7)
                for c in range(OWN):
                    for d in range(OWN):
                        matrix[c, d] = full[c, d]
                    matrix[c, c] += prior_weight[m, c]
                    right[c, 0] = slope[c] + prior_weight[m, c] * (prior_mean[m, c] - mine[c])
                if turn >= rounds or gained < 1e-3:
                    break
            else:
                damping *= 10.0
            damped = matrix.copy()
            for c in range(OWN):
                damped[c, c] *= 1.0 + damping
            move = _solve(damped, right)
            mine[0] = kept[0] + min(max(move[0, 0], -0.3), 0.3)
            mine[1] = kept[1] + min(max(move[1, 0], -1.0), 1.0)
            mine[2] = kept[2] + min(max(move[2, 0], -0.3), 0.3)
        mine[:] = kept
        cost = _normal(
            t, s, y, w, start_pa[m], start_k[m], mine, held[m], air_k, outside_pa, total,
            full, slope,
        )  # fmt: skip
        misfit[m] = math.sqrt(cost / max(used - OWN, 1))
        opening = full[1, 1] + prior_weight[m, 1]
        opening_slope = slope[1] + prior_weight[m, 1] * (prior_mean[m, 1] - mine[1])
        for c in range(5):
            for d in range(5):
                information[m, c, d] = (
                    full[order[c], order[d]] - full[order[c], 1] * full[1, order[d]] / opening
                )
            pull[m, c] = slope[order[c]] - full[order[c], 1] * opening_slope / opening


@compiled
def fit_exhausts(
    first: Ints, after: Ints, at_s: Floats, pot_pa: Floats, weight: Floats, start_pa: Floats,
    own: Floats, heat: Floats, ratio: float, air_k: float, outside_pa: float, rounds: int,
    variance: Floats, cost: Floats, end_k: Floats,
) -> None:  # fmt: skip
    """Fit ln a and the opening instant of each exhaust, from the pressure held at the release.

    Parameters
    ----------
    first, after, at_s, pot_pa, weight : numpy.ndarray
        As for :func:`fit_fills`, instants after the release.
    start_pa : numpy.ndarray, shape (m,)
        Pressure held [Pa absolute].
    own : numpy.ndarray, shape (m, 2)
        First guess of ln a and of the opening instant; overwritten.
    heat : numpy.ndarray, shape (m,)
        Heat conductance over free volume [W/(K m3)].
    ratio, air_k, outside_pa : float
        Critical ratio of the exhaust [-], temperature [K], pressure outside [Pa absolute].
    rounds : int
        Most iterations.
    variance, cost, end_k : numpy.ndarray, shape (m,)
        Written: variance of ln a, weighted squares, gas temperature at the last sample [K].
    """
    for m in range(first.size):
        lo, hi = first[m], after[m]
        t, y, w = at_s[lo:hi], pot_pa[lo:hi], weight[lo:hi]
        n = hi - lo
        base = np.empty(n)
        moved = np.empty(n)
        jacobian = np.empty((n, 2))
        factor = np.empty(n)
        matrix = np.zeros((2, 2))
        slope = np.zeros((2, 1))
        mine = own[m]
        before = np.inf
        damping = 1e-3
        kept = mine.copy()
        step = np.array([1e-4, 1e-3])
        for turn in range(rounds + 1):
            end_k[m] = run_gas(
                t, y, 0.0, mine[1], start_pa[m], air_k, math.exp(mine[0]), 0.0, heat[m], ratio,
                air_k, outside_pa, False, base,
            )  # fmt: skip
            total = 0.0
            for i in range(n):
                z = abs(base[i] - y[i]) * w[i]
                factor[i] = w[i] if z <= 2.5 else w[i] * math.sqrt(2.5 / z)
                total += z * z if z <= 2.5 else 5.0 * z - 6.25
            if total <= before:
                gained = before - total
                before = total
                kept[:] = mine
                damping = max(damping * 0.1, 1e-6)
                for c in range(2):
                    value = mine[c]
                    mine[c] = value + step[c]
                    run_gas(
                        t, y, 0.0, mine[1], start_pa[m], air_k, math.exp(mine[0]), 0.0, heat[m],
                        ratio, air_k, outside_pa, False, moved,
                    )  # fmt: skip
                    mine[c] = value
                    for i in range(n):
                        jacobian[i, c] = (moved[i] - base[i]) / step[c] * factor[i]
                for c in range(2):
                    slope[c, 0] = 0.0
                    for i in range(n):
                        slope[c, 0] += jacobian[i, c] * (y[i] - base[i]) * factor[i]
                    for d in range(2):
                        inner = 0.0
                        for i in range(n):
                            inner += jacobian[i, c] * jacobian[i, d]
                        matrix[c, d] = inner
                if turn > 0 and gained < 1e-3:
                    break
            else:
                mine[:] = kept
                damping *= 10.0
            if turn == rounds:
                break
            damped = matrix.copy()
            damped[0, 0] = damped[0, 0] * (1.0 + damping) + 1.0
            damped[1, 1] = damped[1, 1] * (1.0 + damping) + 1.0
            move = _solve(damped, slope)[:, 0]
            mine[0] = kept[0] + min(max(move[0], -0.5), 0.5)
            mine[1] = kept[1] + min(max(move[1], -0.5), 0.5)
        mine[:] = kept
        matrix[0, 0] += 1.0
        matrix[1, 1] += 1.0
        variance[m] = _solve(matrix, np.eye(2))[0, 0]
        cost[m] = before
