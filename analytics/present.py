"""What a pot's newest readings say, and since when."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class Present:
    """The newest readings of a pot. Instants are naive UTC, pressures gauge.

    Parameters
    ----------
    last_at : datetime
        The newest reading of all.
    deadman : bool or None
        Whether the dead-man signal was up at the newest sample of it; ``None``: no sample.
    deadman_since_at : datetime or None
        First sample from which it has read so without a gap; ``None``: no sample.
    supply_pa, pot_pa, nozzle_pa : float or None
        Newest value of each, no older than ``align_s`` before ``last_at``; ``None``: none such.
        [Pa]
    """

    last_at: dt.datetime
    deadman: bool | None
    deadman_since_at: dt.datetime | None
    supply_pa: float | None
    pot_pa: float | None
    nozzle_pa: float | None


def present(signals: pl.DataFrame, gap_s: float, align_s: float = 5.0) -> Present | None:
    """What the newest readings say.

    Parameters
    ----------
    signals : polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``, ascending.
    gap_s : float
        Silence for longer than this is a gap; what was before it says nothing about now. [s]
    align_s : float
        Oldest value of a pressure that still counts as the newest. [s]

    Returns
    -------
    Present or None
        ``None`` where there is no row.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5) + dt.timedelta(seconds=i) for i in range(4)]
    >>> frame = pl.DataFrame({"sampled_at": at, "deadman": [False, True, True, True],
    ...     "supply_pa": [7e5] * 4, "pot_pa": [0.0, 1e5, 6e5, 7e5], "nozzle_pa": [None] * 4})
    >>> now = present(frame, gap_s=2.0)
    >>> now.deadman, now.deadman_since_at.second, now.pot_pa, now.nozzle_pa
    (True, 1, 700000.0, None)
    """
    if signals.is_empty():
        return None
    last_at = signals["sampled_at"][-1]
    recent = signals.filter(pl.col("sampled_at") >= last_at - dt.timedelta(seconds=align_s))

    def newest(column: str) -> float | None:
        values = recent[column].drop_nulls()
        return float(values[-1]) if len(values) else None

    deadman = signals.select("sampled_at", "deadman").drop_nulls()
    since_at = None
    if deadman.height:
        new_run = (pl.col("deadman") != pl.col("deadman").shift()) | (
            pl.col("sampled_at").diff() > dt.timedelta(seconds=gap_s)
        )
        runs = deadman.with_columns(new_run.fill_null(True).cum_sum().alias("run"))
        since_at = runs.filter(pl.col("run") == pl.col("run").last())["sampled_at"][0]
    return Present(
        last_at=last_at,
        deadman=bool(deadman["deadman"][-1]) if deadman.height else None,
        deadman_since_at=since_at,
        supply_pa=newest("supply_pa"),
        pot_pa=newest("pot_pa"),
        nozzle_pa=newest("nozzle_pa"),
    )
