"""The fits of fills, compiled: ``LANES`` fills side by side in the processor's vector unit.

The equations and the steps are those of ``fill_kernel.run_gas``, but that no more heat is taken
than a step can follow, and that steps come in pairs. How the gas hangs on the unknowns follows from
the same equations, linearised in the middle of each pair; an implicit midpoint step takes the
slopes over the pair, for they follow more smoothly than the gas itself, and need no more.

The gas is reckoned in single precision (:mod:`analytics.single`), what is summed up over a fill in
double.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from analytics.fill_kernel import (
    GAMMA,
    GAS_CONSTANT_J_KG_K,
    LEAK_RATIO,
    LONGEST_STEP_S,
    MOST_BACK,
    REFERENCE_DENSITY_KG_M3,
    REFERENCE_K,
    compiled,
)
from analytics.single import (
    FLOW,
    GAS,
    HALF,
    LANES,
    LEAST_KG_M3,
    LEAST_PA,
    NIL,
    ONE,
    OVER_GAS,
    TWO,
    Single,
    Singles,
    huber,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Unknowns of one fill: ln x, opening instant [s], leak over fill conductance.
OWN = 3
#: What is held while a fill's own unknowns are fitted, and learned from all fills together:
#: critical ratio [-], ln h, supply's zero error [Pa].
HELD = 3
_ALL = OWN + HELD
#: The gas of fills side by side lies in one array, a row of ``LANES`` a quantity, so that the
#: compiler knows what lies where: the gas at a pair's end and middle, what is fixed for a fill,
#: what is fixed for a sample, and the slopes of pressure and density by each unknown.
(
    _P, _RHO, _PM, _RM, _STEP, _TURNED, _INTO, _LOST, _LEAKED, _HEAT, _RATIO, _WIDTH, _ZERO,
    _HERE, _SLOPE, _READ, _WEIGHT, _BOUND,
) = (LANES * row for row in range(18))  # fmt: skip
_SP, _SR = (LANES * (18 + _ALL * row) for row in range(2))
_WORK = LANES * (18 + 2 * _ALL)
#: What is summed up over a fill lies in another, of double precision: instants, costs, the normal
#: matrix and the gradient.
_NOW, _BEGIN, _COST, _LAST, _SUM = (LANES * row for row in range(5))
_PULL = LANES * (4 + _ALL * (_ALL + 1) // 2)
_SUMS = _PULL + LANES * _ALL
#: Where a flow hangs on a pressure without a bound (as two pressures meet), its slope has one:
#: least shares of the sonic flow into the pot, and of the square root in what leaks from it.
_LEAST_ROOT, _LEAST_LEAK = Single(0.02), Single(30.0)
#: What comes back at most in a step, as a slope has it; and what is added to one of no length.
_BACK, _NO_STEP_S = Single(-MOST_BACK), Single(1e-9)
#: Critical ratio of a leak, and one over what lies above it.
_LEAKS_BELOW, _LEAK_WIDTH = Single(LEAK_RATIO), Single(1.0 / (1.0 - LEAK_RATIO))


@njit(inline="always")
def _rates(
    p: Single, rho: Single, ps: Single, into: Single, lost: Single, leak: Single, heat: Single,
    ratio: Single, width: Single, bound: Single, air_k: Single, outside_pa: Single,
) -> tuple[Single, Single]:  # fmt: skip
    """Rates of a filling pot's pressure and density."""
    mass = p * rho
    over = ONE / (ps * mass)
    part = (p * mass * over - ratio) * width
    part = part if part > NIL else NIL
    part = part if part < ONE else ONE
    out = (outside_pa * ps * rho * over - _LEAKS_BELOW) * _LEAK_WIDTH
    out = out if out > NIL else NIL
    out = out if out < ONE else ONE
    k = OVER_GAS * p * p * ps * over
    entering = into * ps * math.sqrt(ONE - part * part)
    leaving = leak * lost * math.sqrt(mass * (ONE - out * out))
    # Gas that takes the grains' temperature within a step has it; more would overshoot.
    most = -bound * GAS * rho
    heat = heat if heat < most else most
    dp = FLOW * (entering * air_k - leaving * k) + heat * (air_k - k)
    return dp, entering - leaving


@njit(inline="always")
def _stepped(
    p: Single, rho: Single, ps: Single, falls: Single, step_s: Single, into: Single, lost: Single,
    leak: Single, heat: Single, ratio: Single, width: Single, bound: Single, air_k: Single,
    outside_pa: Single,
) -> tuple[Single, Single]:  # fmt: skip
    """A pot's pressure and density after a step of Heun's rule; the supply changes by ``falls``."""
    dp, dr = _rates(p, rho, ps, into, lost, leak, heat, ratio, width, bound, air_k, outside_pa)
    q, s = p + step_s * dp, rho + step_s * dr
    q = q if q > LEAST_PA else LEAST_PA
    s = s if s > LEAST_KG_M3 else LEAST_KG_M3
    dq, ds = _rates(
        q, s, ps + falls, into, lost, leak, heat, ratio, width, bound, air_k, outside_pa
    )
    p, rho = p + HALF * step_s * (dp + dq), rho + HALF * step_s * (dr + ds)
    return p if p > LEAST_PA else LEAST_PA, rho if rho > LEAST_KG_M3 else LEAST_KG_M3


@njit(inline="always")
def _slopes(
    p: Single, rho: Single, ps: Single, into: Single, lost: Single, leak: Single, heat: Single,
    ratio: Single, width: Single, bound: Single, air_k: Single, outside_pa: Single,
) -> tuple[
    Single, Single, Single, Single, Single, Single, Single, Single, Single, Single, Single, Single
]:  # fmt: skip
    """How the rates of a filling pot's pressure and density hang on everything.

    Returns
    -------
    tuple of numpy.float32
        The slopes of dp/dt by p and rho, of d rho/dt by p and rho; then of the unknowns' own
        effects: by ln x (dp, d rho), leak (dp, d rho), ln h (dp); of what enters by the critical
        ratio and by the supply's pressure; and dp/dt itself.
    """
    mass = p * rho
    over = ONE / (ps * mass)
    by_ps, by_p, by_rho = mass * over, ps * rho * over, ps * p * over
    part = (p * by_ps - ratio) * width
    part = part if part > NIL else NIL
    part = part if part < ONE else ONE
    root = math.sqrt(ONE - part * part)
    out = (outside_pa * by_p - _LEAKS_BELOW) * _LEAK_WIDTH
    out = out if out > NIL else NIL
    out = out if out < ONE else ONE
    open_ = ONE - out * out
    loss = math.sqrt(mass * open_)
    k = OVER_GAS * p * by_rho
    entering = into * ps * root
    away = lost * loss
    leaving = leak * away
    root_ = root if root > _LEAST_ROOT else _LEAST_ROOT
    loss_ = loss if loss > _LEAST_LEAK else _LEAST_LEAK
    both = ONE / (root_ * loss_)
    bend = into * part * width * loss_ * both
    bend = bend if part < ONE else NIL
    in_ps = into * root + bend * p * by_ps
    in_ratio = bend * ps * (ONE - part)
    out_p = rho * (HALF * open_ + out * outside_pa * by_p * _LEAK_WIDTH)
    out_p *= leak * lost * root_ * both
    out_rho = HALF * leaving * by_rho
    most = -bound * GAS * rho
    warming_by = heat * (air_k - k) if heat < most else NIL
    heat = heat if heat < most else most
    dp = FLOW * (entering * air_k - leaving * k)
    p_by_p = -FLOW * (bend * air_k + k * out_p + leaving * k * by_p) - heat * k * by_p
    p_by_rho = FLOW * k * (leaving * by_rho - out_rho) + heat * k * by_rho
    # As two pressures meet, the true gas stands; a slope's steps would overshoot.
    low = p_by_p if p_by_p < bound else bound
    held_in = bound / low
    return (
        p_by_p * held_in, p_by_rho * held_in, (-bend - out_p) * held_in, -out_rho * held_in,
        -dp, leaving - entering, -FLOW * k * away, -away, warming_by, in_ratio, in_ps,
        dp + heat * (air_k - k),
    )  # fmt: skip


@njit(inline="always")
def _carried(
    sp: Single,
    sr: Single,
    to_p: Single,
    to_r: Single,
    m11: Single,
    m12: Single,
    m21: Single,
    m22: Single,
) -> tuple[Single, Single]:
    """A slope at a pair's end: twice its middle, which solves the step, less its begin."""
    at_p, at_r = sp + to_p, sr + to_r
    return TWO * (m22 * at_p - m12 * at_r) - sp, TWO * (m11 * at_r - m21 * at_p) - sr


@compiled
def _run_fills(
    chosen: Ints, real: int, first: Ints, ends: Ints, at_s: Floats, supply_pa: Floats,
    supply_pa_s: Floats, pot_pa: Floats, weight: Floats, look: Floats, places: Ints,
    start_pa: Floats, start_k: Floats, own: Floats, held: Floats, air_k: float, outside_pa: float,
    anew: bool, look_from: float, look_to: float, used: Ints, w: Singles, sums: Floats,
    begins: Ints,
) -> None:  # fmt: skip
    """Normal matrices, gradients and costs of ``LANES`` fills, in ``sums``.

    Residuals are weighed down as Huber's estimator does beyond 2.5 standard deviations.

    Parameters
    ----------
    chosen : numpy.ndarray of int, shape (LANES,)
        Which fills; from the ``real``-th on the last one again.
    ends : numpy.ndarray of int, shape (m,)
        Samples of each fill that are looked at, from its first one on; written where ``anew``.
    supply_pa_s : numpy.ndarray, shape (n,)
        Rate of the manifold's pressure up to each sample [Pa/s].
    look : numpy.ndarray
        Weights of the samples that are looked at, 0 for others; written where ``anew``.
    places : numpy.ndarray of int, shape (m,)
        Where each fill's begin in it.
    anew : bool
        Choose the samples to look at: those where this run's pressure lies between the shares.
    used : numpy.ndarray of int, shape (m,)
        Written where ``anew``: how many are looked at.
    w : numpy.ndarray of float32, shape (_WORK,)
        Room to work in.
    sums : numpy.ndarray, shape (_SUMS,)
        Written.
    begins : numpy.ndarray of int, shape (3, LANES)
        Room for where each fill begins and ends, and how far its places lie from there.

    Others as in :func:`fit_fills`.
    """
    lanes = chosen.size
    around_k, around_pa = Single(air_k), Single(outside_pa)
    flow_k = FLOW * around_k
    w[:] = NIL
    sums[:] = 0.0
    longest = 0
    for c in range(lanes):
        m = chosen[c]
        a = math.exp(-own[m, 0])
        w[_P + c] = start_pa[m]
        w[_RHO + c] = start_pa[m] / (GAS_CONSTANT_J_KG_K * start_k[m])
        sums[_NOW + c] = own[m, 1]
        sums[_BEGIN + c] = own[m, 1]
        w[_INTO + c] = a * REFERENCE_DENSITY_KG_M3 * math.sqrt(REFERENCE_K / air_k)
        # leaving = leak lost sqrt(1/k) p = leak lost sqrt(R rho p)
        w[_LOST + c] = a * REFERENCE_DENSITY_KG_M3 * math.sqrt(REFERENCE_K * GAS_CONSTANT_J_KG_K)
        w[_LEAKED + c] = own[m, 2]
        w[_RATIO + c] = held[m, 0]
        w[_WIDTH + c] = 1.0 / (1.0 - held[m, 0])
        w[_HEAT + c] = (GAMMA - 1.0) * math.exp(held[m, 1])
        w[_ZERO + c] = held[m, 2]
        longest = max(longest, ends[m])
        if anew:
            used[m] = 0
        begins[0, c], begins[1, c] = first[m], first[m] + ends[m]
        begins[2, c] = places[m] - first[m]
    for i in range(longest):
        most_s, seen_any = 0.0, anew
        for c in range(lanes):
            w[_WEIGHT + c] = NIL
            w[_STEP + c] = NIL
            at = begins[0, c] + i
            if at < begins[1, c]:
                span_s = at_s[at] - sums[_NOW + c]
                w[_HERE + c] = supply_pa[at] + w[_ZERO + c]
                w[_READ + c] = pot_pa[at]
                w[_WEIGHT + c] = weight[at] if anew else look[begins[2, c] + at]
                seen_any |= w[_WEIGHT + c] > NIL
                w[_SLOPE + c] = NIL
                if span_s > 0.0:
                    w[_STEP + c] = span_s
                    w[_TURNED + c] = 1.0 if sums[_NOW + c] == sums[_BEGIN + c] else 0.0
                    sums[_NOW + c] = at_s[at]
                    most_s = max(most_s, span_s)
                    if i > 0:
                        w[_SLOPE + c] = supply_pa_s[at]
        if most_s > 0.0:
            pairs = max(math.ceil(most_s / (2.0 * LONGEST_STEP_S) - 1e-6), 1)
            part, shorter = Single(0.5 / pairs), Single(-1.0 / pairs)
            for c in range(lanes):
                w[_STEP + c] *= part
                # A later opening makes the first steps shorter, and nothing else.
                w[_TURNED + c] *= shorter if w[_STEP + c] > NIL else NIL
                w[_BOUND + c] = _BACK / (w[_STEP + c] + _NO_STEP_S)
            for j in range(pairs):
                # Steps that are left to the sample: from the pair's begin, and from its middle.
                from_begin, from_middle = (
                    Single(2 * (pairs - j)),
                    Single(2 * (pairs - j) - 1),
                )
                for c in range(lanes):
                    step_s, bound = w[_STEP + c], w[_BOUND + c]
                    falls = w[_SLOPE + c] * step_s
                    ps = w[_HERE + c] - falls * from_begin
                    into, lost, leak = w[_INTO + c], w[_LOST + c], w[_LEAKED + c]
                    heat, ratio, width = w[_HEAT + c], w[_RATIO + c], w[_WIDTH + c]
                    p, r = w[_P + c], w[_RHO + c]
                    p, r = _stepped(
                        p, r, ps, falls, step_s, into, lost, leak, heat, ratio, width, bound,
                        around_k, around_pa,
                    )  # fmt: skip
                    w[_PM + c], w[_RM + c] = p, r
                    w[_P + c], w[_RHO + c] = _stepped(
                        p, r, ps + falls, falls, step_s, into, lost, leak, heat, ratio, width,
                        bound, around_k, around_pa,
                    )  # fmt: skip
                for c in range(lanes):
                    # Half of the pair's time is one of its steps.
                    half_s, turned = w[_STEP + c], w[_TURNED + c]
                    before = w[_SLOPE + c] * from_middle
                    (
                        p_by_p, p_by_rho, r_by_p, r_by_rho, dp_x, dr_x, dp_leak, dr_leak, dp_heat,
                        in_ratio, in_ps, rate,
                    ) = _slopes(
                        w[_PM + c], w[_RM + c], w[_HERE + c] - before * half_s, w[_INTO + c],
                        w[_LOST + c], w[_LEAKED + c], w[_HEAT + c], w[_RATIO + c], w[_WIDTH + c],
                        w[_BOUND + c], around_k, around_pa,
                    )  # fmt: skip
                    m11, m12 = ONE - half_s * p_by_p, -half_s * p_by_rho
                    m21, m22 = -half_s * r_by_p, ONE - half_s * r_by_rho
                    over = ONE / (m11 * m22 - m12 * m21)
                    m11, m12, m21, m22 = m11 * over, m12 * over, m21 * over, m22 * over
                    w[_SP + c], w[_SR + c] = _carried(
                        w[_SP + c], w[_SR + c], half_s * dp_x, half_s * dr_x, m11, m12, m21, m22
                    )
                    in_open = -HALF * before * turned * in_ps * half_s
                    # A pair that grows shorter lacks its rates, half of them by its middle.
                    shorter = HALF * turned
                    w[_SP + LANES + c], w[_SR + LANES + c] = _carried(
                        w[_SP + LANES + c], w[_SR + LANES + c],
                        flow_k * in_open + shorter * rate,
                        in_open - shorter * dr_x, m11, m12, m21, m22,
                    )  # fmt: skip
                    w[_SP + 2 * LANES + c], w[_SR + 2 * LANES + c] = _carried(
                        w[_SP + 2 * LANES + c], w[_SR + 2 * LANES + c], half_s * dp_leak,
                        half_s * dr_leak, m11, m12, m21, m22,
                    )  # fmt: skip
                    enters = half_s * in_ratio
                    w[_SP + 3 * LANES + c], w[_SR + 3 * LANES + c] = _carried(
                        w[_SP + 3 * LANES + c], w[_SR + 3 * LANES + c], flow_k * enters, enters,
                        m11, m12, m21, m22,
                    )  # fmt: skip
                    w[_SP + 4 * LANES + c], w[_SR + 4 * LANES + c] = _carried(
                        w[_SP + 4 * LANES + c], w[_SR + 4 * LANES + c], half_s * dp_heat, NIL,
                        m11, m12, m21, m22,
                    )  # fmt: skip
                    enters = half_s * in_ps
                    w[_SP + 5 * LANES + c], w[_SR + 5 * LANES + c] = _carried(
                        w[_SP + 5 * LANES + c], w[_SR + 5 * LANES + c], flow_k * enters, enters,
                        m11, m12, m21, m22,
                    )  # fmt: skip
        if anew:
            for c in range(lanes):
                m = chosen[c]
                if i < ends[m]:
                    share = w[_P + c] / (w[_HERE + c] - w[_ZERO + c])
                    seen = look_from <= share <= look_to
                    w[_WEIGHT + c] *= 1.0 if seen else 0.0
                    look[places[m] + i] = w[_WEIGHT + c]
                    if seen:
                        used[m] += 1 if c < real else 0
                        sums[_LAST + c] = i + 1
        if not seen_any:
            continue
        for c in range(lanes):
            single = (w[_READ + c] - w[_P + c]) * w[_WEIGHT + c]
            cost, share = huber(single)
            sums[_COST + c] += cost
            factor = np.float64(w[_WEIGHT + c] * share)
            off = np.float64(single * share)
            s0 = w[_SP + c] * factor
            s1 = w[_SP + LANES + c] * factor
            s2 = w[_SP + 2 * LANES + c] * factor
            s3 = w[_SP + 3 * LANES + c] * factor
            s4 = w[_SP + 4 * LANES + c] * factor
            s5 = w[_SP + 5 * LANES + c] * factor
            sums[_SUM + c] += s0 * s0
            sums[_SUM + LANES + c] += s1 * s0
            sums[_SUM + 2 * LANES + c] += s1 * s1
            sums[_SUM + 3 * LANES + c] += s2 * s0
            sums[_SUM + 4 * LANES + c] += s2 * s1
            sums[_SUM + 5 * LANES + c] += s2 * s2
            sums[_SUM + 6 * LANES + c] += s3 * s0
            sums[_SUM + 7 * LANES + c] += s3 * s1
            sums[_SUM + 8 * LANES + c] += s3 * s2
            sums[_SUM + 9 * LANES + c] += s3 * s3
            sums[_SUM + 10 * LANES + c] += s4 * s0
            sums[_SUM + 11 * LANES + c] += s4 * s1
            sums[_SUM + 12 * LANES + c] += s4 * s2
            sums[_SUM + 13 * LANES + c] += s4 * s3
            sums[_SUM + 14 * LANES + c] += s4 * s4
            sums[_SUM + 15 * LANES + c] += s5 * s0
            sums[_SUM + 16 * LANES + c] += s5 * s1
            sums[_SUM + 17 * LANES + c] += s5 * s2
            sums[_SUM + 18 * LANES + c] += s5 * s3
            sums[_SUM + 19 * LANES + c] += s5 * s4
            sums[_SUM + 20 * LANES + c] += s5 * s5
            sums[_PULL + c] += s0 * off
            sums[_PULL + LANES + c] += s1 * off
            sums[_PULL + 2 * LANES + c] += s2 * off
            sums[_PULL + 3 * LANES + c] += s3 * off
            sums[_PULL + 4 * LANES + c] += s4 * off
            sums[_PULL + 5 * LANES + c] += s5 * off
    if anew:
        for c in range(lanes):
            ends[chosen[c]] = max(int(sums[_LAST + c]), 1)


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
def fit_fills(
    first: Ints, after: Ints, at_s: Floats, supply_pa: Floats, pot_pa: Floats, weight: Floats,
    start_pa: Floats, start_k: Floats, own: Floats, held: Floats, prior_mean: Floats,
    prior_weight: Floats, air_k: float, outside_pa: float, rounds: int, enough: float,
    look_from: float, look_to: float, full: Floats, slope: Floats, misfit: Floats,
) -> None:  # fmt: skip
    """Fit each fill's own unknowns, and tell what the fill says of everything.

    Levenberg-Marquardt, ``rounds`` at most, under a prior.

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
    enough : float
        A fit ends where the next step would better its cost by less; that step is still taken, as
        its linearisation has it.
    look_from, look_to : float
        Samples count where the model's pressure at the first guess is between these shares of the
        manifold's: what is looked at then does not hang on the noise of single samples.
    full, slope : numpy.ndarray, shape (m, 6, 6) and (m, 6)
        Written: normal matrix of own and held unknowns at the fit, and its gradient, without
        priors.
    misfit : numpy.ndarray, shape (m,)
        Written: root mean square of the weighted residuals (Huber's beyond 2.5).
    """
    size = first.size
    ends = after - first
    used = np.zeros(size, np.int64)
    # By fill and not by sample: a fill may be fitted several times, from here and from there.
    places = np.cumsum(ends) - ends
    look = np.zeros(np.sum(ends))
    # Across a fill's first sample it says nothing, and is not asked for.
    supply_pa_s = np.zeros(at_s.size)
    for i in range(1, at_s.size):
        supply_pa_s[i] = (supply_pa[i] - supply_pa[i - 1]) / (at_s[i] - at_s[i - 1])
    kept = own.copy()
    before = np.full(size, np.inf)
    damping = np.full(size, 1e-3)
    # Fills of like length run side by side.
    active = np.argsort(ends)
    chosen = np.zeros(LANES, np.int64)
    w, sums = np.zeros(_WORK, np.float32), np.zeros(_SUMS)
    begins = np.zeros((3, LANES), np.int64)
    damped = np.zeros((OWN, OWN))
    right = np.zeros((OWN, 1))
    for turn in range(2 * rounds + 1):
        left = 0
        for begin in range(0, active.size, LANES):
            here = min(LANES, active.size - begin)
            for c in range(LANES):
                chosen[c] = active[begin + min(c, here - 1)]
            _run_fills(
                chosen, here, first, ends, at_s, supply_pa, supply_pa_s, pot_pa, weight, look,
                places, start_pa, start_k, own, held, air_k, outside_pa, turn == 0, look_from,
                look_to, used, w, sums, begins,
            )  # fmt: skip
            for c in range(here):
                m = chosen[c]
                cost = sums[_COST + c]
                for d in range(OWN):
                    cost += prior_weight[m, d] * (prior_mean[m, d] - own[m, d]) ** 2
                better = cost <= before[m]
                if better:
                    before[m] = cost
                    kept[m] = own[m]
                    damping[m] = max(damping[m] * 0.1, 1e-7)
                    misfit[m] = math.sqrt(sums[_COST + c] / max(used[m] - OWN, 1))
                    at = 0
                    for d in range(_ALL):
                        slope[m, d] = sums[_PULL + d * LANES + c]
                        for e in range(d + 1):
                            full[m, d, e] = sums[_SUM + at * LANES + c]
                            full[m, e, d] = full[m, d, e]
                            at += 1
                else:
                    damping[m] *= 10.0
                for d in range(OWN):
                    for e in range(OWN):
                        damped[d, e] = full[m, d, e]
                    damped[d, d] = (damped[d, d] + prior_weight[m, d]) * (1.0 + damping[m])
                    right[d, 0] = slope[m, d] + prior_weight[m, d] * (prior_mean[m, d] - kept[m, d])
                move = _solve(damped, right)
                gain = 0.0
                for d in range(OWN):
                    most = 1.0 if d == 1 else 0.3
                    move[d, 0] = min(max(move[d, 0], -most), most)
                    own[m, d] = kept[m, d] + move[d, 0]
                    gain += move[d, 0] * right[d, 0]
                if better and gain < enough:
                    kept[m] = own[m]
                    for d in range(_ALL):
                        for e in range(OWN):
                            slope[m, d] -= full[m, d, e] * move[e, 0]
                elif not (better and turn >= rounds):
                    active[left] = m
                    left += 1
        if left == 0:
            break
        active = active[:left].copy()
    own[:] = kept
