"""The fits of exhausts, compiled: ``LANES`` pots side by side in the processor's vector unit.

The equations are those of ``fill_kernel`` for an exhausting pot; with them run the slopes by ln a.
Nothing that acts on the gas hangs on the clock, so a later opening moves the whole curve: the slope
by the opening instant is the pressure's rate, turned. The gas is reckoned in single precision
(:mod:`analytics.single`), what is summed up over an exhaust in double.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from analytics.fill_kernel import (
    GAMMA,
    GAS_CONSTANT_J_KG_K,
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
    Single,
    Singles,
    huber,
)

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Rows of ``LANES`` of the gas and its slopes, and of what is fixed for an exhaust or a sample.
(
    _P, _RHO, _SP, _SR, _STEP, _CONDUCTANCE, _HEAT, _READ, _WEIGHT, _OPEN, _MOST,
) = (LANES * row for row in range(11))  # fmt: skip
_WORK = LANES * 11
#: And of what is summed up: instants, costs, the normal matrix and the gradient.
_NOW, _COST, _M00, _M01, _M11, _G0, _G1 = (LANES * row for row in range(7))
_SUMS = LANES * 7
#: Least share of the sonic flow that its slope is taken at: as two pressures meet it has no bound.
_LEAST_ROOT = Single(0.02)


@njit(inline="always")
def _rates(
    p: Single, rho: Single, sp: Single, sr: Single, flow: Single, heat: Single, most: Single,
    ratio: Single, air_k: Single, outside_pa: Single,
) -> tuple[Single, Single, Single, Single]:  # fmt: skip
    """Rates of pressure and density, and of their slopes by ln a."""
    # Gas that takes the grains' temperature within a step has it; more would overshoot.
    heat = heat if heat < most * rho else most * rho
    over = ONE / (p * rho)
    by_p, by_rho = rho * over, p * over
    width = ONE / (ONE - ratio)
    out = outside_pa * by_p
    part = (out - ratio) * width
    part = part if part > NIL else NIL
    part = part if part < ONE else ONE
    root = math.sqrt(ONE - part * part)
    root_ = root if root > _LEAST_ROOT else _LEAST_ROOT
    sonic = flow * math.sqrt(p * rho)
    leaving = sonic * root
    k = p * by_rho * OVER_GAS
    leaving_p = HALF * leaving * by_p + sonic * part * out * by_p * width / root_
    leaving_rho = HALF * leaving * by_rho
    dp = -FLOW * k * leaving
    p_by_p = -FLOW * k * (leaving_p + leaving * by_p) - heat * k * by_p
    p_by_rho = FLOW * k * (leaving * by_rho - leaving_rho) + heat * k * by_rho
    return (
        dp + heat * (air_k - k), -leaving, p_by_p * sp + p_by_rho * sr + dp,
        -leaving_p * sp - leaving_rho * sr - leaving,
    )  # fmt: skip


@compiled
def _run(
    chosen: Ints, first: Ints, after: Ints, at_s: Floats, pot_pa: Floats, weight: Floats,
    start_pa: Floats, own: Floats, heat: Floats, ratio: float, air_k: float, outside_pa: float,
    end_k: Floats, w: Singles, sums: Floats,
) -> None:  # fmt: skip
    """Costs, normal matrices and gradients of ``LANES`` exhausts, in ``sums``.

    Residuals are weighed down as Huber's estimator does beyond 2.5 standard deviations.
    """
    around_k, around_pa, below = Single(air_k), Single(outside_pa), Single(ratio)
    w[:] = NIL
    sums[:] = 0.0
    longest = 0
    for c in range(LANES):
        m = chosen[c]
        w[_P + c] = start_pa[m]
        w[_RHO + c] = start_pa[m] / (GAS_CONSTANT_J_KG_K * air_k)
        w[_CONDUCTANCE + c] = math.exp(own[m, 0]) * REFERENCE_DENSITY_KG_M3
        w[_CONDUCTANCE + c] *= math.sqrt(REFERENCE_K * GAS_CONSTANT_J_KG_K)
        w[_HEAT + c] = (GAMMA - 1.0) * heat[m]
        sums[_NOW + c] = own[m, 1]
        longest = max(longest, after[m] - first[m])
    for i in range(longest):
        most_s = 0.0
        for c in range(LANES):
            m = chosen[c]
            w[_WEIGHT + c] = 0.0
            w[_STEP + c] = 0.0
            at = first[m] + i
            if at < after[m]:
                w[_READ + c] = pot_pa[at]
                w[_WEIGHT + c] = weight[at]
                span_s = at_s[at] - sums[_NOW + c]
                if span_s > 0.0:
                    w[_STEP + c] = span_s
                    w[_OPEN + c] = 1.0
                    sums[_NOW + c] = at_s[at]
                    most_s = max(most_s, span_s)
        steps = max(math.ceil(most_s / LONGEST_STEP_S - 1e-6), 1)
        for c in range(LANES):
            w[_STEP + c] /= steps
            w[_MOST + c] = MOST_BACK * GAS / (w[_STEP + c] + 1e-9)
        for _ in range(steps if most_s > 0.0 else 0):
            for c in range(LANES):
                step_s = w[_STEP + c]
                p, rho, sp, sr = w[_P + c], w[_RHO + c], w[_SP + c], w[_SR + c]
                dp, dr, dsp, dsr = _rates(
                    p, rho, sp, sr, w[_CONDUCTANCE + c], w[_HEAT + c], w[_MOST + c], below,
                    around_k, around_pa,
                )  # fmt: skip
                q, r = p + step_s * dp, rho + step_s * dr
                q = q if q > LEAST_PA else LEAST_PA
                r = r if r > LEAST_KG_M3 else LEAST_KG_M3
                dp1, dr1, dsp1, dsr1 = _rates(
                    q, r, sp + step_s * dsp, sr + step_s * dsr, w[_CONDUCTANCE + c], w[_HEAT + c],
                    w[_MOST + c], below, around_k, around_pa,
                )  # fmt: skip
                q, r = p + HALF * step_s * (dp + dp1), rho + HALF * step_s * (dr + dr1)
                w[_P + c] = q if q > LEAST_PA else LEAST_PA
                w[_RHO + c] = r if r > LEAST_KG_M3 else LEAST_KG_M3
                w[_SP + c] = sp + HALF * step_s * (dsp + dsp1)
                w[_SR + c] = sr + HALF * step_s * (dsr + dsr1)
        for c in range(LANES):
            p, sp = w[_P + c], w[_SP + c]
            rate, _, _, _ = _rates(
                p, w[_RHO + c], sp, w[_SR + c], w[_CONDUCTANCE + c], w[_HEAT + c], w[_MOST + c],
                below, around_k, around_pa,
            )  # fmt: skip
            single = (w[_READ + c] - p) * w[_WEIGHT + c]
            cost, share = huber(single)
            sums[_COST + c] += cost
            factor = np.float64(w[_WEIGHT + c] * share)
            off = np.float64(single * share)
            s0, s1 = sp * factor, -rate * w[_OPEN + c] * factor
            sums[_M00 + c] += s0 * s0
            sums[_M01 + c] += s0 * s1
            sums[_M11 + c] += s1 * s1
            sums[_G0 + c] += s0 * off
            sums[_G1 + c] += s1 * off
    for c in range(LANES):
        end_k[chosen[c]] = w[_P + c] / (GAS_CONSTANT_J_KG_K * w[_RHO + c])


@compiled
def fit_exhausts(
    first: Ints, after: Ints, at_s: Floats, pot_pa: Floats, weight: Floats, start_pa: Floats,
    own: Floats, heat: Floats, ratio: float, air_k: float, outside_pa: float, rounds: int,
    enough: float, variance: Floats, cost: Floats, end_k: Floats,
) -> None:  # fmt: skip
    """Fit ln a and the opening instant of each exhaust, from the pressure held at the release.

    Levenberg-Marquardt, ``rounds`` steps at most.

    Parameters
    ----------
    first, after, at_s, pot_pa, weight : numpy.ndarray
        As for :func:`analytics.fill_kernel.fit_fills`, instants after the release.
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
    enough : float
        As for :func:`analytics.fill_kernel.fit_fills`.
    variance, cost, end_k : numpy.ndarray, shape (m,)
        Written: variance of ln a, weighted squares, gas temperature at the last sample [K].
    """
    size = first.size
    kept = own.copy()
    before = np.full(size, np.inf)
    damping = np.full(size, 1e-3)
    normal, slope = np.zeros((size, 3)), np.zeros((size, 2))
    # Exhausts of like length run side by side.
    active = np.argsort(after - first)
    chosen = np.zeros(LANES, np.int64)
    w, sums = np.zeros(_WORK, np.float32), np.zeros(_SUMS)
    for turn in range(rounds + 1):
        left = 0
        for begin in range(0, active.size, LANES):
            here = min(LANES, active.size - begin)
            for c in range(LANES):
                chosen[c] = active[begin + min(c, here - 1)]
            _run(
                chosen, first, after, at_s, pot_pa, weight, start_pa, own, heat, ratio, air_k,
                outside_pa, end_k, w, sums,
            )  # fmt: skip
            for c in range(here):
                m = chosen[c]
                better = sums[_COST + c] <= before[m]
                if better:
                    before[m] = sums[_COST + c]
                    kept[m] = own[m]
                    damping[m] = max(damping[m] * 0.1, 1e-6)
                    normal[m, 0], normal[m, 1] = sums[_M00 + c], sums[_M01 + c]
                    normal[m, 2] = sums[_M11 + c]
                    slope[m, 0], slope[m, 1] = sums[_G0 + c], sums[_G1 + c]
                else:
                    damping[m] *= 10.0
                a = normal[m, 0] * (1.0 + damping[m]) + 1.0
                b = normal[m, 2] * (1.0 + damping[m]) + 1.0
                whole = a * b - normal[m, 1] * normal[m, 1]
                move0 = (b * slope[m, 0] - normal[m, 1] * slope[m, 1]) / whole
                move1 = (a * slope[m, 1] - normal[m, 1] * slope[m, 0]) / whole
                move0 = min(max(move0, -0.5), 0.5)
                move1 = min(max(move1, -0.5), 0.5)
                own[m, 0], own[m, 1] = kept[m, 0] + move0, kept[m, 1] + move1
                if better and move0 * slope[m, 0] + move1 * slope[m, 1] < enough:
                    kept[m] = own[m]
                elif turn < rounds:
                    active[left] = m
                    left += 1
        if left == 0:
            break
        active = active[:left].copy()
    own[:] = kept
    for m in range(size):
        a, b = normal[m, 0] + 1.0, normal[m, 2] + 1.0
        variance[m] = b / (a * b - normal[m, 1] * normal[m, 1])
        cost[m] = before[m]
