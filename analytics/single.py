"""Numbers of the gas in single precision, for the fits that run side by side.

One number in double precision would make all double that it meets, and half as many fits would go
through the processor's vector unit at a time. A pressure of 1 MPa is rounded by 0.06 Pa in single
precision, where a transducer of that range that is off by 0.1 % is off by 1000 Pa. What is summed
up over a fit is in double, so that its normal matrix is as definite as it ought to be.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from analytics.fill_kernel import GAMMA, GAS_CONSTANT_J_KG_K

Single = np.float32
Singles = npt.NDArray[np.float32]

#: Fits that run side by side: so many numbers the widest vector units hold, and on narrower ones
#: the steps of one half overlap with those of the other.
LANES = 16

NIL, HALF, ONE, TWO = Single(0.0), Single(0.5), Single(1.0), Single(2.0)
#: The gas constant [J/(kg K)], one over it, and what a flow in kelvins is by the second in pascals.
GAS, OVER_GAS = Single(GAS_CONSTANT_J_KG_K), Single(1.0 / GAS_CONSTANT_J_KG_K)
FLOW = Single(GAMMA * GAS_CONSTANT_J_KG_K)
#: Gas is never thinner: [Pa], [kg/m3].
LEAST_PA, LEAST_KG_M3 = Single(1000.0), Single(0.01)
#: Residuals beyond so many standard deviations are doubted.
_DOUBTED, _BY = Single(2.5), Single(5.0)


@njit(inline="always")
def huber(off: Single) -> tuple[np.floating, float]:
    """What a residual costs by Huber's estimator, and the square root of its weight: a square up to
    2.5 standard deviations, a straight line beyond."""
    z = abs(off)
    far = z if z > _DOUBTED else _DOUBTED
    low = z if z < _DOUBTED else _DOUBTED
    # z^2 up to 2.5, then 5 z - 6.25
    return low * low + _BY * (far - _DOUBTED), math.sqrt(_DOUBTED / far)
