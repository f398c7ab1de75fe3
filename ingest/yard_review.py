"""What the yard file says of reviewing a shift: what counts as a stop, and what is aimed at."""

from __future__ import annotations

from pydantic import Field

from ingest.yard_values import Table


class Review(Table):
    """Thresholds and aims of a shift's review.

    Parameters
    ----------
    stop_s : float
        Nobody blasting for this long is a stop that wants a reason; shorter ones are pauses. [s]
    refill_most_s : float
        A refill takes up to this long; what a stop with a refill lasts longer wants a reason. [s]
    nozzle_target_pa : float
        Pressure wanted at the nozzle, gauge. [Pa]
    supply_target_pa : float or None
        Manifold pressure under which people wait for air, gauge; ``None``: waiting for air is
        known only where somebody says so. [Pa]
    loss_per_psi : float
        Share of production lost for each psi under 100 psi at the nozzle, by the trade's rule of
        thumb (common practice, no source). [1/psi]
    while_blasting_factor : float
        Share of the air of theory that passes a nozzle while abrasive does; 0.81 is the mean of
        the trade's chart, which was metered while blasting. [-]
    """

    stop_s: float = Field(300.0, ge=30, le=7_200)
    refill_most_s: float = Field(900.0, ge=60, le=7_200)
    nozzle_target_pa: float = Field(690_000.0, ge=100_000, le=2_000_000)
    supply_target_pa: float | None = Field(None, ge=100_000, le=2_500_000)
    loss_per_psi: float = Field(0.015, ge=0, le=0.03)
    while_blasting_factor: float = Field(0.81, ge=0.3, le=1.0)
