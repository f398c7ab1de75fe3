"""What a box's channels read: loop currents as pressures, newest values, what did not count."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl

from analytics.quality import CAUSES, LOOP_MA, Floats
from analytics.signals import CHANNELS, TransducerLaw, judged


def read_pa(samples: pl.DataFrame, channel: str, law: TransducerLaw | None) -> Floats:
    """What a channel reads, a loop current scaled by its range, before calibration.

    Parameters
    ----------
    samples : polars.DataFrame
        ``<channel>_pa`` and ``<channel>_ma`` of rows of ``sample``.
    channel : str
        The channel.
    law : TransducerLaw or None
        What is known of its transducer; without it a loop current cannot be read.

    Returns
    -------
    numpy.ndarray, shape (n,)
        NaN where there is nothing. [Pa gauge]

    Examples
    --------
    >>> frame = pl.DataFrame({"pot_pa": [None, 5e5], "pot_ma": [12.0, None]})
    >>> read_pa(frame, "pot", TransducerLaw("pot", 0.0, 1_000_000.0)).tolist()
    [500000.0, 500000.0]
    """
    pressure_pa = samples[f"{channel}_pa"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    if law is None:
        return pressure_pa
    current_ma = samples[f"{channel}_ma"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
    low_ma, high_ma = LOOP_MA
    scaled_pa = law.low_pa + (current_ma - low_ma) * (law.high_pa - law.low_pa) / (high_ma - low_ma)
    return np.where(np.isnan(pressure_pa), scaled_pa, pressure_pa)


#: A channel's newest value.
NEWEST_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "channel": pl.String,
    "sampled_at": pl.Datetime("us"),
    "raw": pl.Float64,
    "unit": pl.String,
    "text": pl.String,
    "pressure_pa": pl.Float64,
    "bad": pl.Int64,
    "cause": pl.String,
}


def newest_values(
    readings: pl.DataFrame, samples: pl.DataFrame, laws: Sequence[TransducerLaw]
) -> pl.DataFrame:
    """Each channel's newest value as it came, as a pressure, and whether its minute counts.

    Parameters
    ----------
    readings : polars.DataFrame
        ``sampled_at, channel, value, unit, text``: every kept value of the last minutes.
    samples : polars.DataFrame
        Rows of ``sample`` of the same minutes, as :func:`analytics.signals.judged` takes them.
    laws : sequence of TransducerLaw
        What is known of the pot's transducers.

    Returns
    -------
    polars.DataFrame
        :data:`NEWEST_SCHEMA`, by channel; ``pressure_pa`` is calibrated, and null for what is no
        pressure or has no range. ``bad``: how many readings of its newest minute do not count, or
        only with care, and ``cause`` the most frequent of :data:`analytics.quality.CAUSES`.
    """
    newest = readings.sort("sampled_at").group_by("channel").last().sort("channel")
    known = {law.channel: law for law in laws}
    faults = judged(samples, laws).faults if samples.height else None
    rows = []
    for row in newest.iter_rows(named=True):
        channel, pressure, bad, cause = row["channel"], None, 0, ""
        if channel in CHANNELS and samples.height:
            pressure = _newest_pa(samples, channel, known.get(channel))
            bad, cause = _newest_minute(samples, channel, faults)
        rows.append(
            (
                channel, row["sampled_at"], row["value"], row["unit"], row["text"], pressure,
                bad, cause,
            )
        )  # fmt: skip
    return pl.DataFrame(rows, schema=NEWEST_SCHEMA, orient="row")


def _newest_pa(samples: pl.DataFrame, channel: str, law: TransducerLaw | None) -> float | None:
    read = read_pa(samples, channel, law)
    there = np.flatnonzero(~np.isnan(read))
    if not there.size:
        return None
    last = int(there[-1])
    value = float(read[last])
    return value if law is None else true_pa(value, samples["sampled_at"][last], law)


def _newest_minute(
    samples: pl.DataFrame, channel: str, faults: pl.DataFrame | None
) -> tuple[int, str]:
    """How many readings of a channel's newest minute are bad, and for which cause most are."""
    has = samples.filter(
        pl.col(f"{channel}_pa").is_not_null() | pl.col(f"{channel}_ma").is_not_null()
    )
    if faults is None or has.is_empty():
        return 0, ""
    minute = has["sampled_at"].dt.truncate("1m")[-1]
    mine = fault_totals(faults.filter(pl.col("from_at") == minute)).filter(
        pl.col("channel") == channel
    )
    if mine.is_empty():
        return 0, ""
    worst = mine.sort("readings", descending=True).row(0, named=True)
    return int(worst["readings"]), str(worst["cause"])


def true_pa(read_pa: float, at: dt.datetime, law: TransducerLaw) -> float:
    """What a reading is by the calibration in force, as when figures are derived.

    Parameters
    ----------
    read_pa : float
        As read, scaled from the loop current where it came so. [Pa gauge]
    at : datetime
        Naive UTC.
    law : TransducerLaw
        The channel's.

    Examples
    --------
    >>> law = TransducerLaw("pot", 0.0, 1e6, [(dt.datetime(2026, 3, 1), 1_500.0, 1.01)])
    >>> [true_pa(101_500.0, dt.datetime(2026, month, 2), law) for month in (2, 3)]
    [101500.0, 101000.0]
    """
    in_force = [one for one in law.calibrations if one[0] <= at]
    if not in_force:
        return read_pa
    _, offset_pa, gain = in_force[-1]
    return (read_pa - offset_pa) * gain


#: What did not count, a row a channel and cause.
TOTALS_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "channel": pl.String,
    "cause": pl.String,
    "readings": pl.Int64,
    "minutes": pl.Int64,
    "last_at": pl.Datetime("us"),
}


def fault_totals(faults: pl.DataFrame) -> pl.DataFrame:
    """How many readings did not count, or count with care, by channel and cause.

    Parameters
    ----------
    faults : polars.DataFrame
        ``analytics.quality.FAULT_SCHEMA``.

    Returns
    -------
    polars.DataFrame
        :data:`TOTALS_SCHEMA`; channels in the order of ``faults``, causes in that of
        :data:`analytics.quality.CAUSES`.

    Examples
    --------
    >>> minute = dt.datetime(2026, 1, 5, 8)
    >>> causes = {f"{cause}_bad": [0, 0] for cause in CAUSES} | {"loop_bad": [7, 5]}
    >>> faults = pl.DataFrame({"channel": ["pot"] * 2, "from_at": [minute] * 2, **causes})
    >>> fault_totals(faults).rows()
    [('pot', 'loop', 12, 2, datetime.datetime(2026, 1, 5, 8, 0))]
    """
    rows = []
    for channel in faults["channel"].unique(maintain_order=True):
        of_channel = faults.filter(pl.col("channel") == channel)
        for cause in CAUSES:
            bad = of_channel.filter(pl.col(f"{cause}_bad") > 0)
            if bad.height:
                total = int(bad[f"{cause}_bad"].sum())
                rows.append((channel, cause, total, bad.height, bad["from_at"].max()))
    return pl.DataFrame(rows, schema=TOTALS_SCHEMA, orient="row")
