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
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cycles import Signals, signal_arrays
from analytics.exactly import fixed

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


#: The causes in the order in which a reading's first one is looked for: the masks without ``_ok``.
CAUSES = ("loop", "range", "rate", "moving", "certain")


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
    from analytics.signal_kernel import jumps

    ok = np.ones(pressure_pa.size, dtype=np.bool_)
    ok[jumps(fixed(at_us), fixed(pressure_pa), fastest_pa_s, NEIGHBOUR_S)] = False
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


#: What is kept of bad and uncertain readings: a row a channel and minute that has any.
FAULT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "channel": pl.String,
    "from_at": pl.Datetime("us"),
    "readings": pl.Int32,
    **{f"{cause}_bad": pl.Int32 for cause in CAUSES},
}


@dataclass(frozen=True)
class Transducer:
    """What a channel's readings are judged by.

    Parameters
    ----------
    channel : str
        ``supply``, ``inlet``, ``pot`` or ``nozzle``.
    flag : int
        Bit of what ingest found outside of what the channel can have.
    span_pa : float
        Of the transducer. [Pa]
    low_pa : float
        Pressure at the lower end of the loop current's range; NaN: nothing is known of the
        transducer, so no loop current can be read. [Pa gauge]
    """

    channel: str
    flag: int
    span_pa: float
    low_pa: float


def judge(
    at_us: Ints,
    quality: npt.NDArray[np.int32],
    channels: dict[Transducer, tuple[Floats, Floats]],
) -> tuple[dict[str, Floats], dict[str, Ints]]:
    """Readings that count, before calibration, and what is wrong with the others.

    Parameters
    ----------
    at_us : numpy.ndarray of int64, shape (n,)
        Ascending instants, in whole blocks. [us since 1970 UTC]
    quality : numpy.ndarray of int32, shape (n,)
        What ingest found; no length where it found nothing.
    channels : dict
        Of each: pressures as sent [Pa gauge] and loop currents as sent [mA], NaN where there is
        none; the currents may have no length.

    Returns
    -------
    usable : dict
        By channel; NaN where a reading must not count.
    troubled : dict
        By channel: a row a minute with any trouble, its begin [us], its readings, and how many of
        them each of :data:`CAUSES` holds for. A reading that is bad for two causes counts under
        both; those under ``certain`` count with a warning.
    """
    from analytics import signal_kernel as kernel

    begins = kernel.minute_begins(at_us, MINUTE_S * _US)
    minute_us = at_us[begins[:-1]] // (MINUTE_S * _US) * (MINUTE_S * _US)
    pressures, currents, laws = {}, {}, {}
    still = {}
    for of, (pressure_pa, current_ma) in channels.items():
        low_ma, high_ma = LOOP_MA
        law = (low_ma, of.low_pa, of.span_pa / (high_ma - low_ma))
        if math.isnan(of.low_pa):
            law, current_ma = (low_ma, math.nan, math.nan), np.zeros(0)
        elif current_ma.size:
            pressure_pa, current_ma = kernel.read(
                fixed(pressure_pa), fixed(current_ma), of.low_pa, law[2], low_ma
            )
        pressures[of], currents[of], laws[of] = fixed(pressure_pa), fixed(current_ma), law
        still[of] = kernel.still_minutes(pressures[of], begins, STUCK_READINGS)
    # How far channels moved matters only where one of them stands still.
    wanted = np.logical_or.reduce([np.zeros(begins.size - 1, np.bool_), *still.values()])
    moved = {
        of: kernel.minute_moves(pressure_pa, begins, of.span_pa, wanted)
        for of, pressure_pa in pressures.items()
    }
    usable, troubled = {}, {}
    for of, pressure_pa in pressures.items():
        others = np.zeros(begins.size - 1)
        for other, by in moved.items():
            if other is not of:
                others = np.maximum(others, by)
        stuck = still[of] & (others >= OTHERS_MOVED)
        counting_pa, found = kernel.judge(
            pressure_pa, currents[of], quality, of.flag, begins, stuck,
            kernel.jumps(at_us, pressure_pa, FASTEST_PA_S[of.channel], NEIGHBOUR_S),
            (*FAILURE_MA, *MEASURING_MA),
            laws[of],
        )  # fmt: skip
        usable[of.channel] = fixed(counting_pa) if counting_pa.size else pressure_pa
        found[:, 0] = minute_us[found[:, 0]]
        troubled[of.channel] = found
    return usable, troubled


def fault_frame(troubled: Sequence[dict[str, Ints]]) -> pl.DataFrame:
    """How many readings of each minute must not count, by cause.

    Parameters
    ----------
    troubled : sequence of dict
        From :func:`judge`, of stretches that follow one another.

    Returns
    -------
    polars.DataFrame
        :data:`FAULT_SCHEMA`, by channel and time; minutes in which all is well have no row.
    """
    found = [
        (channel, rows) for each in troubled for channel, rows in each.items() if rows.shape[0]
    ]
    if not found:
        return pl.DataFrame(schema=FAULT_SCHEMA)
    rows = np.concatenate([rows for _, rows in found])
    names = [channel for channel, rows in found for _ in range(rows.shape[0])]
    columns = [pl.Series(name, rows[:, i]) for i, name in enumerate(list(FAULT_SCHEMA)[1:])]
    return (
        pl.DataFrame([pl.Series("channel", names, pl.String), *columns])
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
    return rest_frame([rests_in(signal_arrays(signals), spans_pa, gap_s)])


def rests_in(
    signals: Signals, spans_pa: dict[str, float], gap_s: float
) -> dict[str, tuple[Ints, Floats]]:
    """Rests as :func:`rests` finds them, as arrays.

    Returns
    -------
    dict
        By channel, from :func:`analytics.block_kernel.quiet_blocks`.
    """
    from analytics.block_kernel import quiet_blocks

    known = fixed(np.zeros(0, np.bool_) if signals.known is None else signals.known)
    pressures = {"pot": signals.pot_pa, "nozzle": signals.nozzle_pa, "supply": signals.supply_pa}
    return {
        channel: quiet_blocks(
            signals.at_us, signals.deadman, known, pressures[channel], BLOCK_S * _US,
            round(gap_s * _US), ZERO_QUIET * span_pa, ZERO_WITHIN * span_pa,
        )
        for channel, span_pa in spans_pa.items()
    }  # fmt: skip


def rest_frame(found: Sequence[dict[str, tuple[Ints, Floats]]]) -> pl.DataFrame:
    """Rests of stretches that follow one another, from :func:`rests_in`, as ``ZERO_SCHEMA``."""
    every = [
        (channel, *arrays)
        for each in found
        for channel, arrays in each.items()
        if arrays[0].shape[0]
    ]
    if not every:
        return pl.DataFrame(schema=ZERO_SCHEMA)
    whole = np.concatenate([whole for _, whole, _ in every])
    figures = np.concatenate([figures for _, _, figures in every])
    return (
        pl.DataFrame(
            {
                "channel": [channel for channel, rows, _ in every for _ in range(rows.shape[0])],
                "from_at": whole[:, 0],
                "to_at": whole[:, 0] + BLOCK_S * _US,
                "readings": whole[:, 1],
                "offset_pa": figures[:, 0],
                "spread_pa": figures[:, 1],
            }
        )
        .select(pl.col(name).cast(kind) for name, kind in ZERO_SCHEMA.items())
        .sort("channel", "from_at")
    )


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
