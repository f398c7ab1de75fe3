"""Errors of what is derived from smoothed states, and the intervals stated from them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.weigh_kernel import PER_KG, PHI, XI, XI_EMPTY

Floats = npt.NDArray[np.float64]

#: Standard errors of levels from the smoother times this are what is stated. The smoother takes
#: what the model of the gas is off by as new in each fill and each pot, and larger than it mostly
#: is (from trials against a physical model; see ACCURACY.md).
LEVEL_FACTOR = 0.72
#: Where nothing shows the empty pot, the zero rests on the model of the gas alone. In such trials
#: it was low by this on average, and off by that besides, as shares of the grains that would fill
#: the vessel solid.
UNANCHORED_LOW, UNANCHORED_ERROR = 0.007, 0.009


def levels(
    state: Floats, cov: Floats, exposure: Floats, seen_empty: bool, solid_kg: float
) -> tuple[Floats, Floats]:
    """Kilograms in the pot, and the standard error that is stated.

    Parameters
    ----------
    state, cov : numpy.ndarray, shape (n, 13), (n, 13, 13)
        Smoothed.
    exposure : numpy.ndarray, shape (n,)
        Blasting since the state, 0 for the press. [s]
    seen_empty : bool
        The pot was seen to run empty in the stretch.
    solid_kg : float
        Grains that would fill the vessel solid. [kg]
    """
    kg, error = kilograms(state, cov, exposure)
    error = LEVEL_FACTOR * error
    if seen_empty:
        return kg, error
    return kg + UNANCHORED_LOW * solid_kg, np.hypot(error, UNANCHORED_ERROR * solid_kg)


def kilograms(state: Floats, cov: Floats, exposure: Floats) -> tuple[Floats, Floats]:
    """(xi_empty - xi) / c of each state, and its standard error (first order)."""
    kg = (state[:, XI_EMPTY] - state[:, XI]) / state[:, PER_KG]
    slope = np.zeros_like(state)
    slope[:, XI_EMPTY] = 1.0 / state[:, PER_KG]
    slope[:, XI] = -1.0 / state[:, PER_KG]
    slope[:, PHI] = -exposure / state[:, PER_KG]
    slope[:, PER_KG] = -kg / state[:, PER_KG]
    variance = np.einsum("ni,nij,nj->n", slope, cov, slope)
    return kg, np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def ratio_error(state: Floats, cov: Floats, which: int) -> Floats:
    ratio = state[:, which] / state[:, PER_KG]
    slope = np.zeros_like(state)
    slope[:, which] = 1.0 / state[:, PER_KG]
    slope[:, PER_KG] = -ratio / state[:, PER_KG]
    variance = np.einsum("ni,nij,nj->n", slope, cov, slope)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))
