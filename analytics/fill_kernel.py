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

from analytics.cycle_kernel import chosen

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

GAS_CONSTANT_J_KG_K = 287.05  #: dry air [J/(kg K)]
GAMMA = 1.4  #: ratio of specific heats of air [-]
REFERENCE_DENSITY_KG_M3 = 1.185  #: ISO 8778 reference atmosphere [kg/m3]
REFERENCE_K = 293.15  #: its temperature [K]
LEAK_RATIO = 0.3  #: critical pressure ratio taken for a leak to the open air [-]
#: Of Heun's rule; in longer ones the gas of a full pot cannot take up the grains' temperature as
#: fast as it does, and a full pot was taken for an empty one. Twice as long where gas is dense
#: moved levels by little, but leaks so that a sound pot was told to leak.
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
def there(value: float) -> bool:
    """Whether a value is a finite number.

    Not ``math.isfinite``: that is reckoned as ``value - value``, which these liberties make nil of
    a difference whether it is there or not.

    Examples
    --------
    >>> there(1.0), there(math.nan), there(-math.inf)
    (True, False, False)
    """
    return -1e300 < value < 1e300


@compiled
def ranked(values: Floats, share: float) -> float:
    """The value below which a share of some lies, between two by a straight line; reorders them.

    Examples
    --------
    >>> ranked(np.array([3.0, 1.0, 10.0, 2.0]), 0.75)
    4.75
    """
    at = share * (values.size - 1)
    wanted = int(at)
    found = chosen(values, values.size, wanted)
    if at > wanted:
        following = values[wanted + 1]
        for i in range(wanted + 2, values.size):
            following = min(following, values[i])
        found += (at - wanted) * (following - found)
    return float(found)


@compiled
def median(values: Floats) -> float:
    """Median of the values that are there; NaN where none is.

    NumPy's costs some tens of microseconds to call, and each burst asks for a dozen.

    Examples
    --------
    >>> median(np.array([3.0, np.nan, 1.0, 10.0]))
    3.0
    """
    kept = np.empty(values.size)
    count = 0
    for i in range(values.size):
        if there(values[i]):
            kept[count] = values[i]
            count += 1
    return ranked(kept[:count], 0.5) if count else math.nan


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


#: Fills that run side by side, in the processor's vector unit.
LANES = 8
_ALL = OWN + HELD
#: All that the fills side by side need lies in one array, a row of ``LANES`` a quantity, so that
#: the compiler knows what lies where: the gas and its slopes by each unknown, where the half step
#: takes both, what is fixed for a fill, what is fixed for a sample, and the sums.
(
    _P, _RHO, _NOW, _STEP, _TURNED, _P1, _R1, _DP, _DR, _INTO, _LOST, _LEAKED, _HEAT, _RATIO,
    _WIDTH, _ZERO, _BEGIN, _HERE, _SLOPE, _READ, _WEIGHT, _COST, _LAST, _BOUND,
) = (LANES * row for row in range(24))  # fmt: skip
_SP, _SR, _SP1, _SR1, _DSP, _DSR = (LANES * (24 + _ALL * row) for row in range(6))
_SUM, _PULL = LANES * (24 + 6 * _ALL), LANES * (24 + 6 * _ALL + _ALL * (_ALL + 1) // 2)
_WORK = _PULL + LANES * _ALL
#: Where a flow hangs on a pressure without a bound (as two pressures meet), its slope has one:
#: least shares of the sonic flow into the pot, and of the square root in what leaks from it.
_LEAST_ROOT, _LEAST_LEAK = 0.02, 30.0
#: A pressure or a temperature comes back by at most so much of what it is off by, in a step.
MOST_BACK = 1.5


@njit(inline="always")
def _flows(
    p: float, rho: float, ps: float, into: float, lost: float, leak: float, heat: float,
    ratio: float, width: float, bound: float, air_k: float, outside_pa: float,
) -> tuple[
    float, float, float, float, float, float, float, float, float, float, float, float, float
]:  # fmt: skip
    """Rates of a filling pot's pressure and density, and how they hang on everything.

    Returns
    -------
    tuple of float
        dp/dt and d rho/dt; the slopes of dp/dt by p and rho, of d rho/dt by p and rho; then of the
        unknowns' own effects: by ln x (dp, d rho), leak (dp, d rho), ln h (dp); and of what enters
        by the critical ratio and by the supply's pressure.
    """
    mass = p * rho
    over = 1.0 / (ps * mass)
    by_ps, by_p, by_rho = mass * over, ps * rho * over, ps * p * over
    part = (p * by_ps - ratio) * width
    part = part if part > 0.0 else 0.0
    part = part if part < 1.0 else 1.0
    root = math.sqrt(1.0 - part * part)
    out = (outside_pa * by_p - LEAK_RATIO) * (1.0 / (1.0 - LEAK_RATIO))
    out = out if out > 0.0 else 0.0
    out = out if out < 1.0 else 1.0
    open_ = 1.0 - out * out
    loss = math.sqrt(mass * open_)
    k = (1.0 / GAS_CONSTANT_J_KG_K) * p * by_rho
    entering = into * ps * root
    away = lost * loss
    leaving = leak * away
    root_ = root if root > _LEAST_ROOT else _LEAST_ROOT
    loss_ = loss if loss > _LEAST_LEAK else _LEAST_LEAK
    both = 1.0 / (root_ * loss_)
    bend = into * part * width * loss_ * both
    bend = bend if part < 1.0 else 0.0
    in_ps = into * root + bend * p * by_ps
    in_ratio = bend * ps * (1.0 - part)
    out_p = rho * (0.5 * open_ + out * outside_pa * by_p * (1.0 / (1.0 - LEAK_RATIO)))
    out_p *= leak * lost * root_ * both
    out_rho = 0.5 * leaving * by_rho
    flow = GAMMA * GAS_CONSTANT_J_KG_K
    # Gas that takes the grains' temperature within a step has it; more would overshoot.
    most = -bound * GAS_CONSTANT_J_KG_K * rho
    warming_by = heat * (air_k - k) if heat < most else 0.0
    heat = heat if heat < most else most
    warming = heat * (air_k - k)
    dp = flow * (entering * air_k - leaving * k)
    p_by_p = -flow * (bend * air_k + k * out_p + leaving * k * by_p) - heat * k * by_p
    p_by_rho = flow * k * (leaving * by_rho - out_rho) + heat * k * by_rho
    return (
        dp + warming, entering - leaving, p_by_p, p_by_rho, -bend - out_p, -out_rho,
        -dp, leaving - entering, -flow * k * away, -away, warming_by, in_ratio, in_ps,
    )  # fmt: skip


@njit(inline="always")
def huber(off: float) -> tuple[float, float]:
    """What a residual costs by Huber's estimator, and the square root of its weight: a square up to
    2.5 standard deviations, a straight line beyond."""
    z = abs(off)
    far = z if z > 2.5 else 2.5
    low = z if z < 2.5 else 2.5
    # z^2 up to 2.5, then 5 z - 6.25
    return low * low + 5.0 * (far - 2.5), math.sqrt(2.5 / far)


@compiled
def _run_fills(
    chosen: Ints, real: int, first: Ints, ends: Ints, at_s: Floats, supply_pa: Floats,
    pot_pa: Floats, weight: Floats, look: Floats, places: Ints, start_pa: Floats,
    start_k: Floats, own: Floats,
    held: Floats, air_k: float, outside_pa: float, anew: bool, look_from: float, look_to: float,
    used: Ints, w: Floats,
) -> None:  # fmt: skip
    """Normal matrices, gradients and costs of ``LANES`` fills, in ``w``.

    The equations and the steps are :func:`run_gas`'s, but that no more heat is taken than a step
    can follow; the slopes are those of its steps.

    Residuals are weighed down as Huber's estimator does beyond 2.5 standard deviations.

    Parameters
    ----------
    chosen : numpy.ndarray of int, shape (LANES,)
        Which fills; from the ``real``-th on the last one again.
    ends : numpy.ndarray of int, shape (m,)
        Samples of each fill that are looked at, from its first one on; written where ``anew``.
    look : numpy.ndarray
        Weights of the samples that are looked at, 0 for others; written where ``anew``.
    places : numpy.ndarray of int, shape (m,)
        Where each fill's begin in it.
    anew : bool
        Choose the samples to look at: those where this run's pressure lies between the shares.
    used : numpy.ndarray of int, shape (m,)
        Written where ``anew``: how many are looked at.
    w : numpy.ndarray, shape (_WORK,)
        Written.

    Others as in :func:`fit_fills`.
    """
    lanes = chosen.size
    flow_k = GAMMA * GAS_CONSTANT_J_KG_K * air_k
    w[:] = 0.0
    longest = 0
    for c in range(lanes):
        m = chosen[c]
        a = math.exp(-own[m, 0])
        w[_P + c] = start_pa[m]
        w[_RHO + c] = start_pa[m] / (GAS_CONSTANT_J_KG_K * start_k[m])
        w[_NOW + c] = own[m, 1]
        w[_BEGIN + c] = own[m, 1]
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
    for i in range(longest):
        most_s = 0.0
        for c in range(lanes):
            m = chosen[c]
            w[_WEIGHT + c] = 0.0
            w[_STEP + c] = 0.0
            if i < ends[m]:
                at = first[m] + i
                span_s = at_s[at] - w[_NOW + c]
                w[_HERE + c] = supply_pa[at] + w[_ZERO + c]
                w[_READ + c] = pot_pa[at]
                w[_WEIGHT + c] = weight[at] if anew else look[places[m] + i]
                w[_SLOPE + c] = 0.0
                if span_s > 0.0:
                    w[_STEP + c] = span_s
                    w[_TURNED + c] = 1.0 if w[_NOW + c] == w[_BEGIN + c] else 0.0
                    w[_NOW + c] = at_s[at]
                    most_s = max(most_s, span_s)
                    if i > 0:
                        w[_SLOPE + c] = (supply_pa[at] - supply_pa[at - 1]) / (
                            at_s[at] - at_s[at - 1]
                        )
        if most_s > 0.0:
            steps = max(math.ceil(most_s / LONGEST_STEP_S - 1e-6), 1)
            for c in range(lanes):
                w[_STEP + c] /= steps
                # A later opening makes the first steps shorter, and nothing else.
                w[_TURNED + c] *= -1.0 / steps if w[_STEP + c] > 0.0 else 0.0
                # As two pressures meet, the true gas stands; a slope's steps would overshoot.
                w[_BOUND + c] = -MOST_BACK / (w[_STEP + c] + 1e-9)
            for j in range(steps):
                for c in range(lanes):
                    step_s, turned = w[_STEP + c], w[_TURNED + c]
                    before = w[_SLOPE + c] * (steps - j)
                    (
                        dp, dr, p_by_p, p_by_rho, r_by_p, r_by_rho, dp_x, dr_x, dp_leak, dr_leak,
                        dp_heat, in_ratio, in_ps,
                    ) = _flows(
                        w[_P + c], w[_RHO + c], w[_HERE + c] - before * step_s, w[_INTO + c],
                        w[_LOST + c], w[_LEAKED + c], w[_HEAT + c], w[_RATIO + c], w[_WIDTH + c],
                        w[_BOUND + c], air_k, outside_pa,
                    )  # fmt: skip
                    low = p_by_p if p_by_p < w[_BOUND + c] else w[_BOUND + c]
                    held_in = w[_BOUND + c] / low
                    p_by_p, p_by_rho = p_by_p * held_in, p_by_rho * held_in
                    r_by_p, r_by_rho = r_by_p * held_in, r_by_rho * held_in
                    w[_DP + c], w[_DR + c] = dp, dr
                    q, r = w[_P + c] + step_s * dp, w[_RHO + c] + step_s * dr
                    w[_P1 + c] = q if q > 1000.0 else 1000.0
                    w[_R1 + c] = r if r > 0.01 else 0.01
                    in_open = -before * turned * in_ps
                    sp, sr = w[_SP + c], w[_SR + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_x
                    dsr = r_by_p * sp + r_by_rho * sr + dr_x
                    w[_DSP + c], w[_DSR + c] = dsp, dsr
                    w[_SP1 + c] = sp + step_s * dsp
                    w[_SR1 + c] = sr + step_s * dsr
                    sp, sr = w[_SP + LANES + c], w[_SR + LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_open
                    dsr = r_by_p * sp + r_by_rho * sr + in_open
                    w[_DSP + LANES + c], w[_DSR + LANES + c] = dsp, dsr
                    w[_SP1 + LANES + c] = sp + step_s * dsp + turned * dp
                    w[_SR1 + LANES + c] = sr + step_s * dsr + turned * dr
                    sp, sr = w[_SP + 2 * LANES + c], w[_SR + 2 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_leak
                    dsr = r_by_p * sp + r_by_rho * sr + dr_leak
                    w[_DSP + 2 * LANES + c], w[_DSR + 2 * LANES + c] = dsp, dsr
                    w[_SP1 + 2 * LANES + c] = sp + step_s * dsp
                    w[_SR1 + 2 * LANES + c] = sr + step_s * dsr
                    sp, sr = w[_SP + 3 * LANES + c], w[_SR + 3 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_ratio
                    dsr = r_by_p * sp + r_by_rho * sr + in_ratio
                    w[_DSP + 3 * LANES + c], w[_DSR + 3 * LANES + c] = dsp, dsr
                    w[_SP1 + 3 * LANES + c] = sp + step_s * dsp
                    w[_SR1 + 3 * LANES + c] = sr + step_s * dsr
                    sp, sr = w[_SP + 4 * LANES + c], w[_SR + 4 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_heat
                    dsr = r_by_p * sp + r_by_rho * sr
                    w[_DSP + 4 * LANES + c], w[_DSR + 4 * LANES + c] = dsp, dsr
                    w[_SP1 + 4 * LANES + c] = sp + step_s * dsp
                    w[_SR1 + 4 * LANES + c] = sr + step_s * dsr
                    sp, sr = w[_SP + 5 * LANES + c], w[_SR + 5 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_ps
                    dsr = r_by_p * sp + r_by_rho * sr + in_ps
                    w[_DSP + 5 * LANES + c], w[_DSR + 5 * LANES + c] = dsp, dsr
                    w[_SP1 + 5 * LANES + c] = sp + step_s * dsp
                    w[_SR1 + 5 * LANES + c] = sr + step_s * dsr
                for c in range(lanes):
                    step_s, turned = w[_STEP + c], w[_TURNED + c]
                    before = w[_SLOPE + c] * (steps - j - 1)
                    (
                        dp, dr, p_by_p, p_by_rho, r_by_p, r_by_rho, dp_x, dr_x, dp_leak, dr_leak,
                        dp_heat, in_ratio, in_ps,
                    ) = _flows(
                        w[_P1 + c], w[_R1 + c], w[_HERE + c] - before * step_s, w[_INTO + c],
                        w[_LOST + c], w[_LEAKED + c], w[_HEAT + c], w[_RATIO + c], w[_WIDTH + c],
                        w[_BOUND + c], air_k, outside_pa,
                    )  # fmt: skip
                    low = p_by_p if p_by_p < w[_BOUND + c] else w[_BOUND + c]
                    held_in = w[_BOUND + c] / low
                    p_by_p, p_by_rho = p_by_p * held_in, p_by_rho * held_in
                    r_by_p, r_by_rho = r_by_p * held_in, r_by_rho * held_in
                    half_s, shorter = 0.5 * step_s, 0.5 * turned
                    dp_sum, dr_sum = w[_DP + c] + dp, w[_DR + c] + dr
                    q, r = w[_P + c] + half_s * dp_sum, w[_RHO + c] + half_s * dr_sum
                    w[_P + c] = q if q > 1000.0 else 1000.0
                    w[_RHO + c] = r if r > 0.01 else 0.01
                    in_open = -before * turned * in_ps
                    sp, sr = w[_SP1 + c], w[_SR1 + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_x
                    dsr = r_by_p * sp + r_by_rho * sr + dr_x
                    w[_SP + c] += half_s * (w[_DSP + c] + dsp)
                    w[_SR + c] += half_s * (w[_DSR + c] + dsr)
                    sp, sr = w[_SP1 + LANES + c], w[_SR1 + LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_open
                    dsr = r_by_p * sp + r_by_rho * sr + in_open
                    w[_SP + LANES + c] += half_s * (w[_DSP + LANES + c] + dsp) + shorter * dp_sum
                    w[_SR + LANES + c] += half_s * (w[_DSR + LANES + c] + dsr) + shorter * dr_sum
                    sp, sr = w[_SP1 + 2 * LANES + c], w[_SR1 + 2 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_leak
                    dsr = r_by_p * sp + r_by_rho * sr + dr_leak
                    w[_SP + 2 * LANES + c] += half_s * (w[_DSP + 2 * LANES + c] + dsp)
                    w[_SR + 2 * LANES + c] += half_s * (w[_DSR + 2 * LANES + c] + dsr)
                    sp, sr = w[_SP1 + 3 * LANES + c], w[_SR1 + 3 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_ratio
                    dsr = r_by_p * sp + r_by_rho * sr + in_ratio
                    w[_SP + 3 * LANES + c] += half_s * (w[_DSP + 3 * LANES + c] + dsp)
                    w[_SR + 3 * LANES + c] += half_s * (w[_DSR + 3 * LANES + c] + dsr)
                    sp, sr = w[_SP1 + 4 * LANES + c], w[_SR1 + 4 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + dp_heat
                    dsr = r_by_p * sp + r_by_rho * sr
                    w[_SP + 4 * LANES + c] += half_s * (w[_DSP + 4 * LANES + c] + dsp)
                    w[_SR + 4 * LANES + c] += half_s * (w[_DSR + 4 * LANES + c] + dsr)
                    sp, sr = w[_SP1 + 5 * LANES + c], w[_SR1 + 5 * LANES + c]
                    dsp = p_by_p * sp + p_by_rho * sr + flow_k * in_ps
                    dsr = r_by_p * sp + r_by_rho * sr + in_ps
                    w[_SP + 5 * LANES + c] += half_s * (w[_DSP + 5 * LANES + c] + dsp)
                    w[_SR + 5 * LANES + c] += half_s * (w[_DSR + 5 * LANES + c] + dsr)
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
                        w[_LAST + c] = i + 1
        for c in range(lanes):
            off = (w[_READ + c] - w[_P + c]) * w[_WEIGHT + c]
            cost, share = huber(off)
            w[_COST + c] += cost
            factor = w[_WEIGHT + c] * share
            off *= share
            s0 = w[_SP + c] * factor
            s1 = w[_SP + LANES + c] * factor
            s2 = w[_SP + 2 * LANES + c] * factor
            s3 = w[_SP + 3 * LANES + c] * factor
            s4 = w[_SP + 4 * LANES + c] * factor
            s5 = w[_SP + 5 * LANES + c] * factor
            w[_SUM + c] += s0 * s0
            w[_SUM + LANES + c] += s1 * s0
            w[_SUM + 2 * LANES + c] += s1 * s1
            w[_SUM + 3 * LANES + c] += s2 * s0
            w[_SUM + 4 * LANES + c] += s2 * s1
            w[_SUM + 5 * LANES + c] += s2 * s2
            w[_SUM + 6 * LANES + c] += s3 * s0
            w[_SUM + 7 * LANES + c] += s3 * s1
            w[_SUM + 8 * LANES + c] += s3 * s2
            w[_SUM + 9 * LANES + c] += s3 * s3
            w[_SUM + 10 * LANES + c] += s4 * s0
            w[_SUM + 11 * LANES + c] += s4 * s1
            w[_SUM + 12 * LANES + c] += s4 * s2
            w[_SUM + 13 * LANES + c] += s4 * s3
            w[_SUM + 14 * LANES + c] += s4 * s4
            w[_SUM + 15 * LANES + c] += s5 * s0
            w[_SUM + 16 * LANES + c] += s5 * s1
            w[_SUM + 17 * LANES + c] += s5 * s2
            w[_SUM + 18 * LANES + c] += s5 * s3
            w[_SUM + 19 * LANES + c] += s5 * s4
            w[_SUM + 20 * LANES + c] += s5 * s5
            w[_PULL + c] += s0 * off
            w[_PULL + LANES + c] += s1 * off
            w[_PULL + 2 * LANES + c] += s2 * off
            w[_PULL + 3 * LANES + c] += s3 * off
            w[_PULL + 4 * LANES + c] += s4 * off
            w[_PULL + 5 * LANES + c] += s5 * off
    if anew:
        for c in range(lanes):
            ends[chosen[c]] = max(int(w[_LAST + c]), 1)


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
    kept = own.copy()
    before = np.full(size, np.inf)
    damping = np.full(size, 1e-3)
    # Fills of like length run side by side.
    active = np.argsort(ends)
    chosen = np.zeros(LANES, np.int64)
    w = np.zeros(_WORK)
    damped = np.zeros((OWN, OWN))
    right = np.zeros((OWN, 1))
    for turn in range(2 * rounds + 1):
        left = 0
        for begin in range(0, active.size, LANES):
            here = min(LANES, active.size - begin)
            for c in range(LANES):
                chosen[c] = active[begin + min(c, here - 1)]
            _run_fills(
                chosen, here, first, ends, at_s, supply_pa, pot_pa, weight, look, places, start_pa,
                start_k, own, held, air_k, outside_pa, turn == 0, look_from, look_to, used, w,
            )  # fmt: skip
            for c in range(here):
                m = chosen[c]
                cost = w[_COST + c]
                for d in range(OWN):
                    cost += prior_weight[m, d] * (prior_mean[m, d] - own[m, d]) ** 2
                better = cost <= before[m]
                if better:
                    before[m] = cost
                    kept[m] = own[m]
                    damping[m] = max(damping[m] * 0.1, 1e-7)
                    misfit[m] = math.sqrt(w[_COST + c] / max(used[m] - OWN, 1))
                    at = 0
                    for d in range(_ALL):
                        slope[m, d] = w[_PULL + d * LANES + c]
                        for e in range(d + 1):
                            full[m, d, e] = w[_SUM + at * LANES + c]
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
