"""Raw samples to pressures that may count: loop current scaled, calibration applied, bad ones null.

Raw readings are never altered in the store; what is done to them here is done anew each time
figures are derived, so that a corrected calibration corrects history.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cycles import Signals, float_array, signals_of
from analytics.exactly import fixed
from analytics.hours import microseconds
from analytics.quality import USUAL_SPAN_PA, Bools, Floats, Ints, Transducer, fault_frame, judge
from ingest.readings import Quality

Flags = npt.NDArray[np.int32]

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
    found = judged_arrays(samples, laws)
    found_signals = found.signals
    deadman = pl.Series("deadman", found_signals.deadman)
    if found_signals.known is not None:
        deadman = pl.select(
            pl.when(pl.Series(found_signals.known)).then(deadman).alias("deadman")
        ).to_series()
    return Judged(
        pl.DataFrame(
            [
                pl.Series("sampled_at", found_signals.at_us).cast(pl.Datetime("us")),
                deadman.cast(pl.Boolean),
                pl.Series("supply_pa", found_signals.supply_pa, nan_to_null=True),
                pl.Series("pot_pa", found_signals.pot_pa, nan_to_null=True),
                pl.Series("nozzle_pa", found_signals.nozzle_pa, nan_to_null=True),
            ]
        ),
        fault_frame([found.troubled]),
    )


class JudgedArrays(NamedTuple):
    """As :class:`Judged`, before it is made into frames.

    Parameters
    ----------
    signals : analytics.cycles.Signals
        Ascending, one an instant.
    troubled : dict
        From :func:`analytics.quality.judge`.
    """

    signals: Signals
    troubled: dict[str, Ints]


def judged_arrays(samples: pl.DataFrame, laws: Sequence[TransducerLaw]) -> JudgedArrays:
    """Scale, judge and calibrate the rows of ``sample``; :func:`judged` as arrays."""
    from analytics import signal_kernel as kernel

    if not samples["sampled_at"].is_sorted():
        samples = samples.sort("sampled_at", maintain_order=True)
    by_channel = {law.channel: law for law in laws}
    at_us = fixed(samples["sampled_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy())
    nothing = fixed(np.zeros(0))
    channels = {}
    for channel in CHANNELS:
        law = by_channel.get(channel)
        sent_pa = _heard(samples, f"{channel}_pa")
        # Where nothing is known of the transducer a loop current cannot be read.
        sent_ma = None if law is None else _heard(samples, f"{channel}_ma")
        if sent_pa is None and sent_ma is None:
            continue  # a channel that was not heard has nothing to judge
        of = Transducer(
            channel=channel,
            flag=int(_BAD_BIT[channel]),
            span_pa=USUAL_SPAN_PA if law is None else law.high_pa - law.low_pa,
            low_pa=math.nan if law is None else law.low_pa,
        )
        channels[of] = (
            np.full(at_us.size, np.nan) if sent_pa is None else float_array(sent_pa),
            nothing if sent_ma is None else float_array(sent_ma),
        )
    usable, troubled = judge(at_us, fixed(_flags(samples)), channels)
    for channel, law in by_channel.items():
        if channel in usable and law.calibrations:
            usable[channel] = kernel.calibrated(
                at_us, usable[channel],
                np.array([(microseconds(a), *rest) for a, *rest in law.calibrations]),
            )  # fmt: skip
    deadman = samples["deadman"]
    known = deadman.is_not_null().to_numpy() if deadman.null_count() else None
    missing = np.full(at_us.size, np.nan) if len(usable.keys() & set(PRESSURES)) < 3 else nothing
    found = signals_of(
        at_us,
        (deadman if known is None else deadman.fill_null(value=False)).to_numpy(),
        known,
        *(usable.get(channel, missing) for channel in PRESSURES),
    )
    return JudgedArrays(_one_an_instant(found) if kernel.repeats(at_us) else found, troubled)


def part_of(signals: Signals, from_at: dt.datetime, to_at: dt.datetime) -> Signals:
    """Signals of a stretch of others; both ends included, naive UTC."""
    at_us = signals.at_us
    first = int(np.searchsorted(at_us, microseconds(from_at)))
    here = slice(first, int(np.searchsorted(at_us, microseconds(to_at), side="right")))
    known = signals.known
    return Signals(
        at_us[here], signals.deadman[here], None if known is None else known[here],
        signals.supply_pa[here], signals.pot_pa[here], signals.nozzle_pa[here],
    )  # fmt: skip


def _heard(samples: pl.DataFrame, name: str) -> pl.Series | None:
    """A column that has a value."""
    if name not in samples.columns:
        return None
    values = samples[name]
    return None if values.null_count() == values.len() else values


def _flags(samples: pl.DataFrame) -> Flags:
    """What ingest found; no length where it found nothing."""
    if "quality" not in samples.columns:
        return np.zeros(0, np.int32)
    flags = samples["quality"]
    if flags.min() in (None, 0) and flags.max() in (None, 0):
        return np.zeros(0, np.int32)
    return flags.cast(pl.Int32).fill_null(0).to_numpy()


def _one_an_instant(found: Signals) -> Signals:
    """The first value of each instant, where an instant stands in several rows."""
    begins = np.flatnonzero(np.diff(found.at_us, prepend=found.at_us[0] - 1))
    known = np.ones(found.at_us.size, np.bool_) if found.known is None else found.known

    def place(has: Bools) -> Ints:
        """Of each instant the place of the first value that there is, the end where none is."""
        return np.minimum.reduceat(np.where(has, np.arange(has.size), has.size), begins)

    def first(values: Floats) -> Floats:
        return np.append(values, np.nan)[place(~np.isnan(values))]

    return signals_of(
        found.at_us[begins],
        np.append(found.deadman, False)[place(known)],
        np.logical_or.reduceat(known, begins),
        first(found.supply_pa),
        first(found.pot_pa),
        first(found.nozzle_pa),
    )


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
