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


#: A pressure or a temperature comes back by at most so much of what it is off by, in a step.
MOST_BACK = 1.5
