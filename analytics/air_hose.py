"""Air through hoses at one temperature: friction, what is lost on the way, and what that tells.

Pressures are absolute. A hose that carries abrasive loses several times what the same hose loses
with air alone: its ``friction_factor`` is to be fitted, never predicted.

References
----------
.. [1] Crane TP-410 and Perry's handbook, isothermal flow in a long pipe (from memory).
.. [2] C. F. Colebrook, J. Inst. Civ. Eng. 11 (1939) 133, doi:10.1680/ijoti.1939.13150; start of
   the iteration: S. E. Haaland, J. Fluids Eng. 105 (1983) 89, doi:10.1115/1.3240948.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from analytics.air_nozzle import bore_area_m2
from analytics.air_states import GAS_CONSTANT_J_KG_K, ROOM_K, VISCOSITY_PA_S, Floats, as_floats

#: Flow is laminar below this Reynolds number, in pipes (2040, from memory). [-]
_LAMINAR_BELOW = 2_040.0


def reynolds_number(
    mass_flow_kg_s: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    viscosity_pa_s: npt.ArrayLike = VISCOSITY_PA_S,
) -> Floats:
    """Reynolds number of a mass flow in a round pipe.

    Re = 4 ṁ / (π D μ)

    Parameters
    ----------
    mass_flow_kg_s : array_like
        Mass flow. [kg/s]
    diameter_m : array_like
        Inner diameter. [m]
    viscosity_pa_s : array_like
        Dynamic viscosity. [Pa s]

    Returns
    -------
    ndarray of float64
        Re. [-]

    Examples
    --------
    >>> round(float(reynolds_number(0.11138, 0.03175)), -2)
    245300.0
    """
    flow = as_floats(mass_flow_kg_s)
    return np.asarray(4.0 * flow / (np.pi * as_floats(diameter_m) * as_floats(viscosity_pa_s)))


def darcy_friction_factor(
    reynolds: npt.ArrayLike, relative_roughness: npt.ArrayLike = 0.0
) -> Floats:
    """Darcy friction factor of a round pipe.

    1/sqrt(f) = -2 lg(ε/3.7 + 2.51/(Re sqrt(f))) (Colebrook) from Re = 2040 on, 64/Re below.

    Parameters
    ----------
    reynolds : array_like
        Re, above 0. [-]
    relative_roughness : array_like
        ε, roughness over diameter, 0 to 0.05; about 10 µm for a smooth rubber hose. [-]

    Returns
    -------
    ndarray of float64
        f (the Fanning factor is a quarter of it); NaN for Re <= 0. [-]

    Notes
    -----
    Newton's steps from Haaland's formula; four leave less than 1e-12. It jumps at Re = 2040, where
    no formula holds up to about 4000. Air alone: abrasive is in none of this.

    Examples
    --------
    >>> darcy_friction_factor([1e5, 1e5, 5e5], [0.0, 1e-4, 3e-4]).round(6).tolist()
    [0.01799, 0.018514, 0.016275]

    References
    ----------
    Colebrook 1939; Haaland 1983 for the start.
    """
    given = as_floats(reynolds)
    re, rough = np.broadcast_arrays(
        np.where(given > 0.0, given, np.nan),
        as_floats(relative_roughness) / 3.7,
    )
    smooth = 2.51 / re
    root = -1.8 * np.log10(rough**1.11 + 6.9 / np.maximum(re, _LAMINAR_BELOW))
    for _ in range(4):
        inside = rough + smooth * root
        wrong = root + 2.0 * np.log10(inside)
        root = root - wrong / (1.0 + 2.0 / np.log(10.0) * smooth / inside)
    return np.where(re < _LAMINAR_BELOW, 64.0 / re, root**-2)


def hose_outlet_pa(
    inlet_pa: npt.ArrayLike,
    mass_flow_kg_s: npt.ArrayLike,
    diameter_m: npt.ArrayLike,
    length_m: npt.ArrayLike,
    friction_factor: npt.ArrayLike,
    air_k: npt.ArrayLike = ROOM_K,
) -> Floats:
    """Pressure at the end of a hose through which air flows at one temperature.

    p1² - p2² = G² R T (f L/D + 2 ln(p1/p2)),  G = ṁ/A, solved for p2

    Parameters
    ----------
    inlet_pa : array_like
        p1, absolute. [Pa]
    mass_flow_kg_s : array_like
        ṁ. [kg/s]
    diameter_m, length_m : array_like
        D and L. [m]
    friction_factor : array_like
        f, Darcy: :func:`darcy_friction_factor` for air alone, fitted for a hose with abrasive. [-]
    air_k : array_like
        T. [K]

    Returns
    -------
    ndarray of float64
        p2, absolute; NaN where the hose cannot pass so much at that inlet pressure (it chokes when
        p2 = G sqrt(R T)). [Pa]

    Notes
    -----
    Couplings are no length of hose: they are restrictions of their own.

    Examples
    --------
    50 ft of 1 1/4 in hose, 196 cfm, 100 psig, air alone:

    >>> f = darcy_friction_factor(reynolds_number(0.11138, 0.03175), 10e-6 / 0.03175)
    >>> round(float(hose_outlet_pa(790_800.0, 0.11138, 0.03175, 15.24, f)) / 1e3, 2)
    781.92

    References
    ----------
    Crane TP-410; Perry (from memory).
    """
    p1 = as_floats(inlet_pa)
    flux = as_floats(mass_flow_kg_s) / bore_area_m2(diameter_m)
    friction = as_floats(friction_factor) * as_floats(length_m) / as_floats(diameter_m)
    # With x = (p2/p1)² and k = G² R T/p1² the root sought is the larger one of
    # 1 - x - k f L/D + k ln x, which is concave with its top at x = k: Newton's steps from x = 1
    # fall on it from the right.
    with np.errstate(divide="ignore", invalid="ignore"):
        k = flux**2 * GAS_CONSTANT_J_KG_K * as_floats(air_k) / p1**2
        top = 1.0 - k - k * friction + np.where(k > 0.0, k * np.log(k), 0.0)
        passes = (k < 1.0) & (top >= 0.0)
        k, friction = np.where(passes, k, 0.0), np.where(passes, friction, 0.0)
        x = np.ones(np.broadcast_shapes(k.shape, friction.shape))
        for _ in range(60):
            step = (1.0 - x - k * friction + k * np.log(x)) / (k / x - 1.0)
            x = np.maximum(x - np.where(np.isfinite(step), step, 0.0), k)
            if np.all(np.abs(step) < 1e-15):
                break
        return np.where(passes, p1 * np.sqrt(x), np.nan)


def hose_loss_index(inlet_pa: npt.ArrayLike, outlet_pa: npt.ArrayLike) -> Floats:
    """Loss along the blast hose against the flow that a choked nozzle at its end takes.

    (p1² - p2²) / p2²

    Parameters
    ----------
    inlet_pa, outlet_pa : array_like
        Absolute pressures at the pot's end and at the nozzle's end of the hose. [Pa]

    Returns
    -------
    ndarray of float64
        Index; NaN where the pressure does not fall along the hose. [-]

    Notes
    -----
    A choked nozzle takes ṁ = k d² p2 / sqrt(T) and the hose loses p1² - p2² = F R T ṁ², so the
    index goes with d⁴ and neither with pressure nor with temperature. F holds the abrasive in the
    hose too: compare only where the loading is alike. The logarithm in the hose's law is left out,
    under 2 % of the loss in usual hoses.

    Examples
    --------
    >>> float(hose_loss_index(5.0, 4.0))
    0.5625
    """
    p1 = as_floats(inlet_pa)
    p2 = as_floats(outlet_pa)
    falls = (p1 > p2) & (p2 > 0.0)
    return np.where(falls, (p1**2 - p2**2) / np.where(falls, p2, 1.0) ** 2, np.nan)


def relative_bore(loss_index: npt.ArrayLike, reference_index: npt.ArrayLike) -> Floats:
    """Bore of the nozzle against its bore when the reference was taken, without a flow meter.

    d/d0 = (index/index0)^(1/4)

    Parameters
    ----------
    loss_index : array_like
        :func:`hose_loss_index` now. [-]
    reference_index : array_like
        The same with the nozzle as it was fitted, the same hose and a like loading. [-]

    Returns
    -------
    ndarray of float64
        1.10 is ten percent of growth in bore and 21 % more air; NaN where an index is not
        positive. An error of 4 % in the index is one of 1 % in the bore. [-]

    Examples
    --------
    >>> round(float(relative_bore(0.16 * 1.1**4, 0.16)), 6)
    1.1
    """
    now = as_floats(loss_index)
    then = as_floats(reference_index)
    good = (now > 0.0) & (then > 0.0)
    return np.where(good, (np.where(good, now, 1.0) / np.where(good, then, 1.0)) ** 0.25, np.nan)
