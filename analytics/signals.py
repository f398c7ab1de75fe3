"""Raw samples to pressures that may count: loop current scaled, calibration applied, bad ones null.

Raw readings are never altered in the store; what is done to them here is done anew each time
figures are derived, so that a corrected calibration corrects history.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl

from analytics.cycles import SIGNAL_SCHEMA
from analytics.quality import (
    LOOP_MA,
    USUAL_SPAN_PA,
    Floats,
    Readings,
    faults_by_minute,
    judge,
)
from ingest.readings import Quality

_BAD_BIT = {
    "supply": Quality.SUPPLY_OUT_OF_RANGE,
    "inlet": Quality.INLET_OUT_OF_RANGE,
    "pot": Quality.POT_OUT_OF_RANGE,
    "nozzle": Quality.NOZZLE_OUT_OF_RANGE,
}

#: Pressure channels that analyses read, in the order of the signal frame.
PRESSURES = ("supply", "pot", "nozzle")
#: All pressure channels, which are judged.
CHANNELS = tuple(_BAD_BIT)


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


def readings_of(samples: pl.DataFrame, laws: Sequence[TransducerLaw]) -> dict[str, Readings]:
    """What each pressure channel reads, before calibration, with the loop current it had.

    What a transducer sends in Pa is judged by the loop current that its range says; where nothing
    is known of the transducer it is taken as it is, and a loop current cannot be read.

    Parameters
    ----------
    samples : polars.DataFrame
        ``<channel>_pa``, ``<channel>_ma`` and ``quality`` of rows of ``sample``.
    laws : sequence of TransducerLaw
        What is known of the pot's transducers.

    Returns
    -------
    dict
        By channel, in the order of :data:`CHANNELS`.

    Examples
    --------
    >>> frame = pl.DataFrame({"pot_pa": [None, 5e5], "pot_ma": [12.0, None], "quality": [0, 0]})
    >>> read = readings_of(frame, [TransducerLaw("pot", 0.0, 1_000_000.0)])["pot"]
    >>> read.pressure_pa.tolist(), read.current_ma.tolist()
    ([500000.0, 500000.0], [12.0, 12.0])
    """
    by_channel = {law.channel: law for law in laws}
    flags = samples["quality"].cast(pl.Int64).fill_null(0).to_numpy()
    read = {}
    for channel in CHANNELS:
        if f"{channel}_pa" not in samples.columns:
            continue
        pressure_pa = _floats(samples, f"{channel}_pa")
        current_ma = _floats(samples, f"{channel}_ma")
        law = by_channel.get(channel)
        if law is None:
            current_ma = np.full(samples.height, np.nan)
            span_pa = USUAL_SPAN_PA
        else:
            low_ma, high_ma = LOOP_MA
            span_pa = law.high_pa - law.low_pa
            scale_pa_ma = span_pa / (high_ma - low_ma)
            from_loop_pa = law.low_pa + (current_ma - low_ma) * scale_pa_ma
            sent_ma = low_ma + (pressure_pa - law.low_pa) / scale_pa_ma
            current_ma = np.where(np.isnan(pressure_pa), current_ma, sent_ma)
            pressure_pa = np.where(np.isnan(pressure_pa), from_loop_pa, pressure_pa)
        flagged = (flags & int(_BAD_BIT[channel])) != 0
        read[channel] = Readings(pressure_pa, current_ma, flagged, span_pa)
    return read


def _floats(samples: pl.DataFrame, name: str) -> Floats:
    if name not in samples.columns:
        return np.full(samples.height, np.nan)
    return samples[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


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


class Judged(NamedTuple):
    """Signals, and what was found out about the readings they were made from.

    Parameters
    ----------
    signals : polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``, ascending, one row an instant; a reading that must not
        count is null.
    faults : polars.DataFrame
        :data:`analytics.quality.FAULT_SCHEMA`.
    """

    signals: pl.DataFrame
    faults: pl.DataFrame


def judged(samples: pl.DataFrame, laws: Sequence[TransducerLaw]) -> Judged:
    """Scale, judge and calibrate the rows of ``sample``.

    Parameters
    ----------
    samples : polars.DataFrame
        Rows of one pot, any order, in whole blocks (:func:`analytics.quality.whole_blocks`); the
        same instant may stand in several rows with different channels filled.
    laws : sequence of TransducerLaw
        What is known of the pot's transducers.

    Returns
    -------
    Judged
    """
    if not samples["sampled_at"].is_sorted():
        samples = samples.sort("sampled_at", maintain_order=True)
    by_channel = {law.channel: law for law in laws}
    at_us = samples["sampled_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    readings = readings_of(samples, laws)
    found = judge(at_us, readings)
    faults = faults_by_minute(at_us, readings, found)
    pressures = []
    for channel in PRESSURES:
        name = f"{channel}_pa"
        if channel not in readings:
            pressures.append(pl.lit(None, pl.Float64).alias(name))
            continue
        counts_ok = found[channel].counts_ok
        usable = np.where(counts_ok, readings[channel].pressure_pa, np.nan)
        read = pl.lit(pl.Series(name, usable).fill_nan(None))
        law = by_channel.get(channel)
        pressures.append((read if law is None else _calibrated(read, law)).alias(name))
    frame = samples.select("sampled_at", "deadman", *pressures)
    if not frame["sampled_at"].is_first_distinct().all():
        frame = frame.group_by("sampled_at", maintain_order=True).agg(pl.all().drop_nulls().first())
    return Judged(frame.select(list(SIGNAL_SCHEMA)), faults)


def signals(samples: pl.DataFrame, laws: Sequence[TransducerLaw]) -> pl.DataFrame:
    """The signals that :func:`analytics.cycles.find_cycles` reads; :attr:`Judged.signals`.

    Parameters
    ----------
    samples : polars.DataFrame
        As for :func:`judged`. Of a stretch that does not consist of whole blocks a stuck value at
        its ends is not found.
    laws : sequence of TransducerLaw
        What is known of the pot's transducers.

    Returns
    -------
    polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``, ascending, one row an instant.
    """
    return judged(samples, laws).signals
