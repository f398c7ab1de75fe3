"""Whether a reading may count: each cause apart, so that a page can say why a minute is left out.

Every rule looks only at a reading, its two neighbours, or the ten minutes it lies in
(:data:`BLOCK_S`, counted from midnight UTC). So what is judged does not depend on where a
calculation was begun, as long as whole blocks are read: :func:`whole_blocks`.

===========  ===================================================================================
mask         true where
===========  ===================================================================================
loop_ok      the loop current is not a failure: above 3.6 and below 21.0 mA (NAMUR NE 43)
certain_ok   it lies in the measuring band, 3.8 to 20.5 mA; else it counts, with a warning
range_ok     the pressure is one that this channel can have
rate_ok      it is not a jump away and back that no vessel can make
moving_ok    the channel moved within its minute, or nothing else did either
===========  ===================================================================================

A transducer that sends pascals is judged by the current that its range says it would have had.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import polars as pl

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_US = 1_000_000

#: NAMUR NE 43 (seen second hand): a current at or beyond these is a failure of the transmitter.
FAILURE_MA = (3.6, 21.0)
#: NAMUR NE 43: within these it measures. Between the two bands it is saturated, and uncertain.
MEASURING_MA = (3.8, 20.5)
#: Loop current at the lower and upper end of the range (IEC 60381-1's 4 to 20 mA). [mA]
LOOP_MA = (4.0, 20.0)

#: Rules look no further than the block of this length that a reading lies in. [s]
BLOCK_S = 600
#: Neighbours further apart than this say nothing about a jump. [s]
NEIGHBOUR_S = 1.0
#: Stuck values are looked for, and causes are counted, a minute at a time. [s]
MINUTE_S = 60

#: Fastest believable change. Filling a pot of 0.03 m3 (the smallest) through a choked 25 mm bore
#: from 1 MPa takes it up by 2 MPa/s at most, an estimate from the choked flow of air
#: (``analytics.air``); behind the nozzle's hose there is hardly a vessel at all. [Pa/s]
FASTEST_PA_S = {"supply": 2.0e6, "inlet": 2.0e6, "pot": 2.0e6, "nozzle": 2.0e7}

#: Readings that a minute must have for one value throughout to be a fault. A transducer's noise is
#: above a step of its converter, or a converter of its kind would not have been used.
STUCK_READINGS = 100
#: What another channel must have moved meanwhile, as a part of the span. [-]
OTHERS_MOVED = 0.2
#: Span where none is known: that of the common transducer for a blast pot. [Pa]
USUAL_SPAN_PA = 1.0e6

#: At rest near zero: within this part of the span, and this quiet. [-]
ZERO_WITHIN, ZERO_QUIET = 0.05, 0.004


@dataclass(frozen=True)
class ChannelQuality:
    """Masks over the samples of one pressure channel; true where there is no reading.

    Parameters
    ----------
    loop_ok, range_ok, rate_ok, moving_ok : numpy.ndarray of bool, shape (n,)
        A reading counts where all are true.
    certain_ok : numpy.ndarray of bool, shape (n,)
        Where it is false and the others are true the reading counts, with a warning.
    """

    loop_ok: Bools
    range_ok: Bools
    rate_ok: Bools
    moving_ok: Bools
    certain_ok: Bools

    @property
    def counts_ok(self) -> Bools:
        """Where a reading counts."""
        return self.loop_ok & self.range_ok & self.rate_ok & self.moving_ok


#: The causes in the order in which a reading's first one is looked for, without ``_ok``.
CAUSES = tuple(field.name.removesuffix("_ok") for field in fields(ChannelQuality))


def loop_ok(current_ma: Floats) -> Bools:
    """Whether a loop current is a measurement at all, not a transmitter's failure signal.

    Parameters
    ----------
    current_ma : numpy.ndarray
        Loop current. [mA]

    Returns
    -------
    numpy.ndarray of bool
        False at and beyond 3.6 and 21.0 mA; true for NaN, where there is no reading.

    Examples
    --------
    >>> loop_ok(np.array([3.6, 3.61, 12.0, 20.99, 21.0])).tolist()
    [False, True, True, True, False]

    References
    ----------
    NAMUR NE 43, "Standardisation of the signal level for the failure information of digital
    transmitters".
    """
    low, high = FAILURE_MA
    return ~((current_ma <= low) | (current_ma >= high))


def certain_ok(current_ma: Floats) -> Bools:
    """Whether a loop current lies in the measuring band, 3.8 to 20.5 mA, both ends included.

    Parameters
    ----------
    current_ma : numpy.ndarray
        Loop current. [mA]

    Returns
    -------
    numpy.ndarray of bool
        True for NaN, where there is no reading.

    Examples
    --------
    >>> certain_ok(np.array([3.79, 3.8, 20.5, 20.51])).tolist()
    [False, True, True, False]
    """
    low, high = MEASURING_MA
    return ~((current_ma < low) | (current_ma > high))


def rate_ok(at_us: Ints, pressure_pa: Floats, fastest_pa_s: float) -> Bools:
    """Whether a reading is not a jump away from both its neighbours, faster than can be.

    A step that stays is none: where a reading differs from the one before but not from the one
    after, it is the pressure that has changed.

    Parameters
    ----------
    at_us : numpy.ndarray of int64
        Ascending instants. [us]
    pressure_pa : numpy.ndarray
        Readings of one channel, none missing. [Pa]
    fastest_pa_s : float
        Fastest believable change. [Pa/s]

    Returns
    -------
    numpy.ndarray of bool

    Examples
    --------
    >>> at = np.arange(4) * 100_000
    >>> rate_ok(at, np.array([0.0, 9e5, 0.0, 0.0]), 2e6).tolist()
    [True, False, True, True]
    >>> rate_ok(at, np.array([0.0, 9e5, 9e5, 9e5]), 2e6).tolist()
    [True, True, True, True]
    """
    ok = np.ones(pressure_pa.size, dtype=np.bool_)
    if pressure_pa.size < 3:
        return ok
    step_s = np.diff(at_us) / _US
    step_pa = np.diff(pressure_pa)
    near = (step_s > 0) & (step_s <= NEIGHBOUR_S)
    fast = near & (np.abs(step_pa) > fastest_pa_s * step_s)
    away_and_back = fast[:-1] & fast[1:] & (step_pa[:-1] * step_pa[1:] < 0)
    # Back to where it was: else two steps in opposite directions would make the middle one wrong.
    back = np.abs(step_pa[:-1] + step_pa[1:]) < 0.5 * np.minimum(
        np.abs(step_pa[:-1]), np.abs(step_pa[1:])
    )
    ok[1:-1] = ~(away_and_back & back)
    return ok


def whole_blocks(from_at: dt.datetime, to_at: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """The blocks that must be read whole to judge readings, and that a change can reach.

    Parameters
    ----------
    from_at, to_at : datetime
        First and last instant. Naive UTC.

    Returns
    -------
    tuple of datetime
        Begin of the first block and end of the last, a neighbour on either side included.

    Examples
    --------
    >>> begin, end = whole_blocks(dt.datetime(2026, 1, 5, 6, 10), dt.datetime(2026, 1, 5, 6, 15))
    >>> begin.isoformat(), end.isoformat()
    ('2026-01-05T06:00:00', '2026-01-05T06:20:00')
    """
    neighbour = dt.timedelta(seconds=NEIGHBOUR_S)
    return block_begin(from_at - neighbour), block_begin(to_at + neighbour) + _BLOCK


_BLOCK = dt.timedelta(seconds=BLOCK_S)


def block_begin(instant: dt.datetime) -> dt.datetime:
    """The begin of the block that an instant lies in. Naive UTC."""
    midnight = instant.replace(hour=0, minute=0, second=0, microsecond=0)
    return midnight + ((instant - midnight) // _BLOCK) * _BLOCK


@dataclass(frozen=True)
class Readings:
    """What is judged of one channel, as arrays over the same samples.

    Parameters
    ----------
    pressure_pa : numpy.ndarray, shape (n,)
        As read, before calibration; NaN where there is no reading. [Pa gauge]
    current_ma : numpy.ndarray, shape (n,)
        The loop current, sent or reckoned from the range; NaN where neither is known. [mA]
    flagged : numpy.ndarray of bool, shape (n,)
        What ingest found outside of what the channel can have.
    span_pa : float
        Of the transducer. [Pa]
    """

    pressure_pa: Floats
    current_ma: Floats
    flagged: Bools
    span_pa: float


def judge(at_us: Ints, readings: dict[str, Readings]) -> dict[str, ChannelQuality]:
    """The masks of all channels of one pot.

    Parameters
    ----------
    at_us : numpy.ndarray of int64, shape (n,)
        Ascending instants, in whole blocks. [us since 1970 UTC]
    readings : dict
        By channel; over the same instants.

    Returns
    -------
    dict
        By channel.
    """
    judged = {}
    stuck = _stuck(at_us, readings)
    for channel, read in readings.items():
        measured = ~np.isnan(read.pressure_pa)
        jumps = np.ones(at_us.size, dtype=np.bool_)
        jumps[measured] = rate_ok(
            at_us[measured], read.pressure_pa[measured], FASTEST_PA_S[channel]
        )
        judged[channel] = ChannelQuality(
            loop_ok=loop_ok(read.current_ma),
            range_ok=~(read.flagged & measured),
            rate_ok=jumps,
            moving_ok=~stuck[channel],
            certain_ok=certain_ok(read.current_ma),
        )
    return judged


def _stuck(at_us: Ints, readings: dict[str, Readings]) -> dict[str, Bools]:
    """Where a channel kept one value for a minute in which another moved."""
    minute = at_us // (MINUTE_S * _US)
    begins = np.flatnonzero(np.diff(minute, prepend=-1)) if at_us.size else np.zeros(0, np.int64)
    lengths = np.diff(np.append(begins, at_us.size))
    moved: dict[str, Floats] = {}
    counts: dict[str, Ints] = {}
    for channel, read in readings.items():
        if begins.size == 0:
            moved[channel], counts[channel] = np.zeros(0), np.zeros(0, np.int64)
            continue
        measured = ~np.isnan(read.pressure_pa)
        high = np.maximum.reduceat(np.where(measured, read.pressure_pa, -np.inf), begins)
        low = np.minimum.reduceat(np.where(measured, read.pressure_pa, np.inf), begins)
        counts[channel] = np.add.reduceat(measured.astype(np.int64), begins)
        moved[channel] = np.where(counts[channel] > 0, high - low, 0.0) / read.span_pa
    stuck = {}
    for channel, read in readings.items():
        others = np.zeros(begins.size)
        for other, by in moved.items():
            if other != channel:
                others = np.maximum(others, by)
        at_rest = (
            (moved[channel] == 0.0) & (counts[channel] >= STUCK_READINGS) & (others >= OTHERS_MOVED)
        )
        stuck[channel] = np.repeat(at_rest, lengths) & ~np.isnan(read.pressure_pa)
    return stuck


#: What is kept of bad and uncertain readings: a row a channel and minute that has any.
FAULT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "channel": pl.String,
    "from_at": pl.Datetime("us"),
    "readings": pl.Int32,
    **{f"{cause}_bad": pl.Int32 for cause in CAUSES},
}


def faults_by_minute(
    at_us: Ints, readings: dict[str, Readings], judged: dict[str, ChannelQuality]
) -> pl.DataFrame:
    """How many readings of each minute must not count, by cause.

    Parameters
    ----------
    at_us : numpy.ndarray of int64, shape (n,)
        Ascending instants. [us since 1970 UTC]
    readings : dict
        By channel.
    judged : dict
        By channel, from :func:`judge`.

    Returns
    -------
    polars.DataFrame
        :data:`FAULT_SCHEMA`; minutes in which all is well have no row. A reading that is bad for
        two causes counts under both; ``certain_bad`` are those that count with a warning.
    """
    found = []
    minute_us = at_us - at_us % (MINUTE_S * _US)
    for channel, quality in judged.items():
        measured = ~np.isnan(readings[channel].pressure_pa) | ~np.isnan(
            readings[channel].current_ma
        )
        bad = {f"{cause}_bad": ~getattr(quality, f"{cause}_ok") for cause in CAUSES}
        # What has failed is not counted as uncertain as well.
        bad["certain_bad"] &= quality.loop_ok
        troubled = np.unique(minute_us[np.logical_or.reduce(list(bad.values()))])
        if troubled.size == 0:
            continue
        kept = np.isin(minute_us, troubled) & measured
        found.append(
            pl.DataFrame(
                {
                    "channel": channel,
                    "from_at": minute_us[kept],
                    **{name: mask[kept] for name, mask in bad.items()},
                }
            )
            .group_by("channel", "from_at", maintain_order=True)
            .agg(
                pl.len().alias("readings"),
                *(pl.col(name).sum() for name in bad),
            )
        )
    if not found:
        return pl.DataFrame(schema=FAULT_SCHEMA)
    return (
        pl.concat(found)
        .with_columns(pl.col("from_at").cast(pl.Datetime("us")))
        .select(pl.col(name).cast(kind) for name, kind in FAULT_SCHEMA.items())
        .sort("channel", "from_at")
    )


#: A stretch at rest: how far from zero a transducer stood.
ZERO_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "channel": pl.String,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "readings": pl.Int32,
    "offset_pa": pl.Float64,
    "spread_pa": pl.Float64,
}


def rests(signals: pl.DataFrame, spans_pa: dict[str, float], gap_s: float) -> pl.DataFrame:
    """What a channel reads while the dead-man is shut and its pressure stands still near zero.

    Block by block of ten minutes: the dead-man shut in every sample, no silence, the whole block
    sampled, and the readings within 0.4 % of the span of one another and 5 % of zero. The median
    is then the zero offset that is left after calibration: what a calibration would take off.

    **It does not show that a pot is vented.** A blocked sensing line stands still near zero too.

    Parameters
    ----------
    signals : polars.DataFrame
        ``sampled_at``, ``deadman`` and ``<channel>_pa``, ascending, in whole blocks.
    spans_pa : dict
        Span of each channel to look at. [Pa]
    gap_s : float
        Silence longer than this is a gap. [s]

    Returns
    -------
    polars.DataFrame
        :data:`ZERO_SCHEMA`, one row a channel and block. ``spread_pa`` is highest less lowest.
    """
    rows = signals.filter(pl.col("deadman").is_not_null()).with_columns(
        from_at=pl.col("sampled_at").dt.truncate(f"{BLOCK_S}s")
    )
    found = [pl.DataFrame(schema=ZERO_SCHEMA)]
    gap = pl.duration(microseconds=round(gap_s * _US))
    for channel, span_pa in spans_pa.items():
        pressure = pl.col(f"{channel}_pa")
        at = pl.col("sampled_at").filter(pressure.is_not_null())
        found.append(
            rows.group_by("from_at", maintain_order=True)
            .agg(
                at.max().alias("last_at"),
                at.min().alias("first_at"),
                at.diff().max().alias("longest"),
                pl.col("deadman").any().alias("open"),
                pressure.count().alias("readings"),
                pressure.median().alias("offset_pa"),
                (pressure.max() - pressure.min()).alias("spread_pa"),
            )
            .filter(
                ~pl.col("open")
                & (pl.col("readings") > 1)
                & (pl.col("longest") <= gap)
                & (pl.col("first_at") - pl.col("from_at") <= gap)
                & (pl.col("from_at") + _BLOCK - pl.col("last_at") <= gap)
                & (pl.col("spread_pa") <= ZERO_QUIET * span_pa)
                & (pl.col("offset_pa").abs() <= ZERO_WITHIN * span_pa)
            )
            .with_columns(channel=pl.lit(channel), to_at=pl.col("from_at") + _BLOCK)
            .select(pl.col(name).cast(kind) for name, kind in ZERO_SCHEMA.items())
        )
    return pl.concat(found).sort("channel", "from_at")


def zero_checks(rests: pl.DataFrame) -> pl.DataFrame:
    """One row a rest: blocks of a channel that follow one another, taken together.

    Parameters
    ----------
    rests : polars.DataFrame
        :data:`ZERO_SCHEMA`, from :func:`rests`.

    Returns
    -------
    polars.DataFrame
        :data:`ZERO_SCHEMA`; ``offset_pa`` is the mean of the blocks' medians, ``spread_pa`` the
        largest of theirs.
    """
    ordered = rests.sort("channel", "from_at").with_columns(
        rest=(
            (pl.col("channel") != pl.col("channel").shift())
            | (pl.col("from_at") != pl.col("to_at").shift())
        )
        .fill_null(True)
        .cum_sum()
    )
    return (
        ordered.group_by("rest", maintain_order=True)
        .agg(
            pl.col("channel").first(),
            pl.col("from_at").min(),
            pl.col("to_at").max(),
            pl.col("readings").sum(),
            pl.col("offset_pa").mean(),
            pl.col("spread_pa").max(),
        )
        .select(pl.col(name).cast(kind) for name, kind in ZERO_SCHEMA.items())
    )
