"""Nozzle pressure against its target, what the shortfall cost by a rule and by the yard, and air.

The rule of thumb is common practice without a controlled study behind it. Beside it stands what the
yard's own shifts say: the logarithm of area per blast hour against nozzle pressure, within each
job, so that an easy job at high pressure does not look like the pressure's doing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.air_nozzle import nozzle_air_demand_kg_s
from analytics.air_production import production_lost
from analytics.air_states import PA_PER_PSI
from analytics.shift_rows import MEASURES, judged

Floats = npt.NDArray[np.float64]

#: Where more of the blast time than this lies under 70 psi, the rule says nothing. [-]
MOST_REFUSED = 0.2
#: The yard's own regression wants so many degrees of freedom, and so much spread of pressure.
LEAST_FREEDOM = 10
LEAST_SPREAD_PSI = 1.5


@dataclass(frozen=True)
class NozzleKept:
    """How a pot's nozzle pressure was kept.

    Parameters
    ----------
    mean_pa : float or None
        Weighted by blast time, gauge; ``None``: not measured. [Pa]
    under_share : float or None
        Share of the blast time with the cycle's median under the target. [-]
    short_pa : float or None
        Mean of what lacked to the target, nought where nothing did. [Pa]
    rule_lost : float or None
        Share of production lost by the rule of thumb, counted from 100 psi; ``None``: not
        measured, or too much of the time under 70 psi, where the rule is not to be used. [-]
    refused_share : float
        Share of the blast time under 70 psi. [-]
    """

    mean_pa: float | None
    under_share: float | None
    short_pa: float | None
    rule_lost: float | None
    refused_share: float


def nozzle_kept(cycles: pl.DataFrame, target_pa: float, loss_per_psi: float = 0.015) -> NozzleKept:
    """How nozzle pressure was kept over a shift's cycles.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``nozzle_pa`` (steady median, gauge; null: none) and ``blast_s``.
    target_pa : float
        Pressure wanted. [Pa gauge]
    loss_per_psi : float
        Of the rule of thumb. [1/psi]

    Examples
    --------
    >>> cycles = pl.DataFrame({"nozzle_pa": [620_528.0, 689_476.0], "blast_s": [60.0, 180.0]})
    >>> kept = nozzle_kept(cycles, 690_000.0)
    >>> kept.under_share, round(kept.rule_lost, 4)
    (1.0, 0.0375)
    """
    return kept_of(*pressed(cycles), target_pa, loss_per_psi)


def pressed(cycles: pl.DataFrame) -> tuple[Floats, Floats]:
    """Nozzle pressure of cycles, NaN where there is none, and their blast time. [Pa gauge, s]"""
    return (
        cycles["nozzle_pa"].cast(pl.Float64).fill_null(np.nan).to_numpy(),
        cycles["blast_s"].cast(pl.Float64).fill_null(0.0).to_numpy(),
    )


def kept_of(
    nozzle_pa: Floats, blast_s: Floats, target_pa: float, loss_per_psi: float = 0.015
) -> NozzleKept:
    """As :func:`nozzle_kept`, from :func:`pressed`: slices of it, where there are many shifts."""
    known = np.isfinite(nozzle_pa) & (blast_s > 0.0)
    if not known.any():
        return NozzleKept(None, None, None, None, 0.0)
    pressure, weight = nozzle_pa[known], blast_s[known]
    weight = weight / weight.sum()
    lost = production_lost(pressure, "linear", loss_per_psi)
    allowed = np.isfinite(lost)
    refused = float(weight[~allowed].sum())
    rule = None
    if refused <= MOST_REFUSED and allowed.any():
        rule = float(np.average(lost[allowed], weights=weight[allowed]))
    return NozzleKept(
        mean_pa=float(np.sum(weight * pressure)),
        under_share=float(weight[pressure < target_pa].sum()),
        short_pa=float(np.sum(weight * np.maximum(target_pa - pressure, 0.0))),
        rule_lost=rule,
        refused_share=refused,
    )


def air_used_kg(cycles: pl.DataFrame, bore_m: float | None) -> float | None:
    """Air through a nozzle over cycles, by the nozzle equation, as if it carried no abrasive.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``nozzle_pa`` [Pa gauge] and ``blast_s``.
    bore_m : float or None
        Bore of the nozzle. [m]

    Returns
    -------
    float or None
        Cycles without a nozzle pressure are taken as the mean of the others; ``None`` where half of
        the blast time or more has none, or no bore is known. [kg]
    """
    return air_of(*pressed(cycles), bore_m)


def air_of(nozzle_pa: Floats, blast_s: Floats, bore_m: float | None) -> float | None:
    """As :func:`air_used_kg`, from :func:`pressed`. [kg]"""
    if bore_m is None or nozzle_pa.size == 0:
        return None
    known = np.isfinite(nozzle_pa)
    whole, seen = float(blast_s.sum()), float(blast_s[known].sum())
    if whole <= 0.0 or seen <= 0.5 * whole:
        return None
    flow = nozzle_air_demand_kg_s(bore_m, nozzle_pa[known])
    return float(np.sum(flow * blast_s[known])) * whole / seen


@dataclass(frozen=True)
class OwnEffect:
    """What a psi less at the nozzle costs in this yard, from its own shifts.

    Parameters
    ----------
    per_psi, low, high : float or None
        Share of production lost a psi, and its 90 % interval; ``None``: it cannot be told. [1/psi]
    shifts : int
        Rows that it rests on.
    why_not : str
        ``few`` (too few shifts), ``alike`` (pressures too much alike), or empty.
    """

    per_psi: float | None
    low: float | None
    high: float | None
    shifts: int
    why_not: str

    def lost(self, short_pa: float | None) -> tuple[float, float, float] | None:
        """Share lost for a shortfall, low and high; ``None`` where it cannot be told. [-]"""
        if self.per_psi is None or self.low is None or self.high is None or short_pa is None:
            return None
        psi = short_pa / PA_PER_PSI
        middle, low, high = (
            float(-np.expm1(-slope * psi)) for slope in (self.per_psi, self.low, self.high)
        )
        return middle, low, high


def own_effect(rows: pl.DataFrame) -> OwnEffect:
    """The yard's own regression of area per blast hour on nozzle pressure, within jobs.

    ln(m2/h) = a(job) + s p

    Parameters
    ----------
    rows : polars.DataFrame
        :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`; rows that cannot count are left out.

    Returns
    -------
    OwnEffect
        The slope with Student's interval. Jobs with one shift say nothing and are not counted.
    """
    counted = judged(rows, MEASURES["area_m2_blast_h"], by="job").filter(
        (pl.col("reason") == "") & pl.col("nozzle_pa").is_not_null()
    )
    counted = counted.filter(pl.len().over("job") >= 2)
    count = counted.height
    jobs = counted["job"].n_unique() if count else 0
    freedom = count - jobs - 1
    if freedom < LEAST_FREEDOM:
        return OwnEffect(None, None, None, count, "few")
    within = counted.select(
        x=pl.col("nozzle_pa") / PA_PER_PSI, y=(pl.col("area_m2") / pl.col("blast_s")).log(),
        job="job",
    ).select(
        x=pl.col("x") - pl.col("x").mean().over("job"),
        y=pl.col("y") - pl.col("y").mean().over("job"),
    )  # fmt: skip
    x, y = within["x"].to_numpy(), within["y"].to_numpy()
    squares = float(np.sum(x**2))
    if np.sqrt(squares / count) < LEAST_SPREAD_PSI:
        return OwnEffect(None, None, None, count, "alike")
    slope = float(np.sum(x * y) / squares)
    error = float(np.sqrt(np.sum((y - slope * x) ** 2) / freedom / squares))
    from scipy.special import stdtrit  # type: ignore[import-untyped]

    half = float(stdtrit(freedom, 0.95)) * error
    return OwnEffect(slope, slope - half, slope + half, count, "")
