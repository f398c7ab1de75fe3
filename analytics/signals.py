"""Raw samples to pressures that may count: loop current scaled, calibration applied, bad ones null.

Raw readings are never altered in the store; what is done to them here is done anew each time
figures are derived, so that a corrected calibration corrects history.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from analytics.cycles import SIGNAL_SCHEMA
from ingest.readings import Quality

#: A transducer may read this fraction of its span beyond its range and still be believed: a small
#: negative zero offset is a valid reading (NAMUR NE 43 lets 3.8 to 20.5 mA measure, which is
#: -1.25 % to +3.1 % of the span; second hand).
_BEYOND_RANGE = (-0.0125, 0.03125)

#: Loop current at the lower and upper end of the range (IEC 60381-1's 4 to 20 mA). [mA]
_LOOP_MA = (4.0, 20.0)

_BAD_BIT = {
    "supply": Quality.SUPPLY_OUT_OF_RANGE,
    "inlet": Quality.INLET_OUT_OF_RANGE,
    "pot": Quality.POT_OUT_OF_RANGE,
    "nozzle": Quality.NOZZLE_OUT_OF_RANGE,
}

#: Pressure channels that analyses read, in the order of the signal frame.
PRESSURES = ("supply", "pot", "nozzle")


@dataclass(frozen=True)
class TransducerLaw:
    """How a transducer's signal becomes a pressure.

    Parameters
    ----------
    channel : str
        ``supply``, ``inlet``, ``pot`` or ``nozzle``.
    low_pa, high_pa : float
        Ends of the range, gauge; the pressures at 4 and 20 mA. [Pa]
    calibrations : sequence of (datetime, float, float)
        From when (naive UTC), offset [Pa] and gain [-]: true = (read - offset) * gain. Ascending.
    """

    channel: str
    low_pa: float
    high_pa: float
    calibrations: Sequence[tuple[dt.datetime, float, float]] = ()


def pressure(channel: str, law: TransducerLaw | None) -> pl.Expr:
    """The calibrated pressure of a channel, null where it must not count. [Pa gauge]

    Parameters
    ----------
    channel : str
        ``supply``, ``inlet``, ``pot`` or ``nozzle``.
    law : TransducerLaw or None
        ``None``: nothing is known of the transducer; what it sends in Pa is taken as it is, and
        loop current cannot be read.

    Returns
    -------
    polars.Expr
        Over the columns ``<channel>_pa``, ``<channel>_ma``, ``quality`` and ``sampled_at`` of
        ``sample``; named ``<channel>_pa``.

    Examples
    --------
    >>> law = TransducerLaw("pot", 0.0, 1_000_000.0)
    >>> frame = pl.DataFrame({"pot_pa": [None, 5e5, 2e6], "pot_ma": [12.0, None, None],
    ...     "quality": [0, 0, 0], "sampled_at": [dt.datetime(2026, 1, 5)] * 3})
    >>> frame.select(pressure("pot", law))["pot_pa"].to_list()
    [500000.0, 500000.0, None]
    """
    name = f"{channel}_pa"
    read = pl.col(name)
    if law is not None:
        span_pa = law.high_pa - law.low_pa
        low_ma, high_ma = _LOOP_MA
        from_loop = law.low_pa + (pl.col(f"{channel}_ma") - low_ma) * (span_pa / (high_ma - low_ma))
        read = pl.coalesce(read, from_loop)
        under, over = _BEYOND_RANGE
        believable = read.is_between(law.low_pa + under * span_pa, law.high_pa + over * span_pa)
        read = pl.when(believable).then(_calibrated(read, law))
    flagged = pl.col("quality").cast(pl.Int32) & int(_BAD_BIT[channel])
    return pl.when(flagged == 0).then(read).alias(name)


def _calibrated(read: pl.Expr, law: TransducerLaw) -> pl.Expr:
    value = read
    for from_at, offset_pa, gain in law.calibrations:
        if (offset_pa, gain) == (0.0, 1.0) and value is read:
            continue
        value = (
            pl.when(pl.col("sampled_at") >= from_at)
            .then((read - offset_pa) * gain)
            .otherwise(value)
        )
    return value


def signals(samples: pl.DataFrame, laws: Sequence[TransducerLaw]) -> pl.DataFrame:
    """The signals that :func:`analytics.cycles.find_cycles` reads, from rows of ``sample``.

    Parameters
    ----------
    samples : polars.DataFrame
        Rows of one pot, any order; the same instant may stand in several rows with different
        channels filled.
    laws : sequence of TransducerLaw
        What is known of the pot's transducers.

    Returns
    -------
    polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``, ascending, one row an instant.
    """
    by_channel = {law.channel: law for law in laws}
    frame = samples.select(
        "sampled_at", "deadman", *(pressure(c, by_channel.get(c)) for c in PRESSURES)
    )
    if not frame["sampled_at"].is_sorted():
        frame = frame.sort("sampled_at")
    if frame["sampled_at"].is_first_distinct().all():
        return frame.select(list(SIGNAL_SCHEMA))
    return (
        frame.group_by("sampled_at", maintain_order=True)
        .agg(pl.all().drop_nulls().first())
        .select(list(SIGNAL_SCHEMA))
    )
