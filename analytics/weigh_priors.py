"""What is known of a pot before anything is measured, and where its path is first looked for."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.fill import FillWindows, PotFacts
from analytics.weigh_kernel import (
    JUMP,
    KAPPA,
    LEAK,
    LN_GRAINS,
    LN_WALL,
    PER_KG,
    PHI,
    RATIO,
    SLACK,
    STATES,
    USED,
    XI,
    XI_EMPTY,
    ZERO,
)

Floats = npt.NDArray[np.float64]

_WALL_W_M2_K = 25.0
_GRAINS_W_M3_K = 40_000.0
#: The part of that which all fills of a stretch share.
HEAT_SLACK = 0.03
#: Spread of ln W, ln B, critical ratio, supply zero [kPa] (our estimates: a film that air stirs
#: over metal and over sand, each within a factor of two).
SPREADS = {LN_WALL: 0.7, LN_GRAINS: 0.7, RATIO: 0.12, ZERO: 1.5}
_RATIO = 0.38


def first_guess(
    windows: FillWindows, facts: PotFacts, count: int, scale: float
) -> tuple[Floats, Floats, Floats]:
    """Priors, and a first path to linearise about.

    Parameters
    ----------
    windows, facts
        As for :func:`analytics.fill.fit_fill_windows`.
    count : int
        How many cycles.
    scale : float
        As in the kernel. [s Pa]

    Returns
    -------
    tuple of numpy.ndarray
        The path, shape (count, 13); mean and covariance of the first state.
    """
    known = np.exp(windows.guess[windows.vented]) / scale
    xi = np.interp(np.arange(count), windows.cycle[windows.vented], known)
    empty = 1.08 * float(np.quantile(known, 0.97))
    alpha = facts.volume_m3 * facts.particle_kg_m3
    alpha_error = float(np.hypot(facts.volume_error, facts.particle_error))
    per_kg = empty / alpha
    conductance = facts.volume_m3 / (empty * scale)
    wall_w_k = _WALL_W_M2_K * 5.5 * facts.volume_m3 ** (2.0 / 3.0)
    mean = np.zeros(STATES)
    mean[XI], mean[PHI], mean[XI_EMPTY], mean[PER_KG] = xi[0], 0.1 * per_kg, empty, per_kg
    mean[LN_WALL], mean[LN_GRAINS] = np.log(wall_w_k / conductance), np.log(_GRAINS_W_M3_K)
    mean[RATIO] = _RATIO
    cov = np.zeros((STATES, STATES))
    cov[XI, XI] = 0.4**2
    cov[PHI, PHI] = (0.15 * per_kg) ** 2
    cov[LEAK, LEAK] = 0.15**2
    for which, spread in SPREADS.items():
        cov[which, which] = spread**2
    cov[XI_EMPTY, XI_EMPTY] = (0.25 * empty) ** 2
    cov[XI_EMPTY, PER_KG] = cov[PER_KG, XI_EMPTY] = cov[XI_EMPTY, XI_EMPTY] / alpha
    cov[PER_KG, PER_KG] = cov[XI_EMPTY, XI_EMPTY] / alpha**2 + (alpha_error * per_kg) ** 2
    mean[KAPPA] = 0.9
    cov[KAPPA, KAPPA] = 1.0
    cov[SLACK, SLACK] = HEAT_SLACK**2
    cov[JUMP, JUMP] = 1e-12
    cov[USED, USED] = 1e-14
    about = np.tile(mean, (count, 1))
    about[:, XI] = np.minimum(xi, 0.97 * empty)
    return about, mean, cov
