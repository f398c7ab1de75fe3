"""What low nozzle pressure costs in production, by the trade's rule of thumb.

Common practice without a controlled study behind it: the coefficient stays a setting, and nothing
is said below 70 psig.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from analytics.air_states import PA_PER_PSI, Floats, as_floats

#: Below this nozzle pressure the production rules say nothing (common practice, no source). [Pa g]
PRODUCTION_RULE_FROM_PA = 70.0 * PA_PER_PSI
#: The pressure that the production rules count down from (common practice, no source). [Pa g]
PRODUCTION_RULE_TO_PA = 100.0 * PA_PER_PSI


def production_lost(
    nozzle_gauge_pa: npt.ArrayLike,
    form: Literal["linear", "compound", "power"] = "linear",
    loss_per_psi: float = 0.015,
    exponent: float = 1.466,
) -> Floats:
    """Share of production that low nozzle pressure costs, by the trade's rule of thumb.

    With n psi under 100 psig:  linear c n;  compound 1 - (1 - c)^n;  power 1 - (p/100 psig)^e

    Parameters
    ----------
    nozzle_gauge_pa : array_like
        Gauge pressure at the nozzle while blasting. [Pa]
    form : {"linear", "compound", "power"}
        Which reading of the rule. The trade's hose tables use the linear one.
    loss_per_psi : float
        c; "1.5 % a psi" is common practice, and no controlled study of it was found. [1/psi]
    exponent : float
        e, from "10 % more nozzle pressure above 90 psi gives 15 % more": ln 1.15/ln 1.10. [-]

    Returns
    -------
    ndarray of float64
        Share lost; 0 from 100 psig on, where the rule says nothing. NaN below 70 psig: there it is
        not to be extrapolated (the linear form would end all production at 33 psig). [-]

    Raises
    ------
    ValueError
        The form is none of the three.

    Examples
    --------
    >>> production_lost([620528.0, 551581.0, 400000.0]).round(3).tolist()
    [0.15, 0.3, nan]

    References
    ----------
    Common practice, printed in several trade pages; no source behind them.
    """
    pressure = as_floats(nozzle_gauge_pa)
    missing_psi = np.maximum((PRODUCTION_RULE_TO_PA - pressure) / PA_PER_PSI, 0.0)
    if form == "linear":
        lost = np.asarray(loss_per_psi * missing_psi)
    elif form == "compound":
        lost = np.asarray(1.0 - (1.0 - loss_per_psi) ** missing_psi)
    elif form == "power":
        share = np.clip(pressure / PRODUCTION_RULE_TO_PA, 0.0, 1.0)
        lost = np.asarray(1.0 - share**exponent)
    else:
        raise ValueError(f"{form} is none of linear, compound, power")
    # a millionth, so that 70 psig rounded to the pascal is still 70 psig
    return np.where(pressure >= PRODUCTION_RULE_FROM_PA * (1.0 - 1e-6), lost, np.nan)


def extra_time(lost: npt.ArrayLike) -> Floats:
    """Share of time that the same work takes longer when a share of production is lost.

    L / (1 - L): 15 % less done in an hour is 17.6 % more hours, not 15 %.

    Parameters
    ----------
    lost : array_like
        L, from :func:`production_lost`, below 1. [-]

    Returns
    -------
    ndarray of float64
        Additional time over the time without the loss. [-]

    Examples
    --------
    >>> round(float(extra_time(0.15)), 3)
    0.176
    """
    share = as_floats(lost)
    with np.errstate(divide="ignore"):
        return np.asarray(share / (1.0 - share))
