"""Traces for charts: few points, with every peak kept and every gap left open.

A chart is not a computation: figures are never made from what is returned here. The choosing is
done by tsdownsample's MinMax. Its MinMaxLTTB, which draws smoother, was tried and is not taken: of
what MinMax keeps it leaves out what lies near a straight line, and so the lowest or highest sample
of a bucket.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
import polars as pl
from tsdownsample import MinMaxDownsampler

#: Columns of a thinned trace.
TRACE_SCHEMA: dict[str, pl.DataType] = {
    "sampled_at": pl.Datetime("us"),
    "channel": pl.String(),
    "value": pl.Float64(),
    "piece": pl.UInt32(),
    "of": pl.UInt32(),
}


def thinned(
    signals: pl.DataFrame, channels: Sequence[str], gap_s: float, points: int = 2000
) -> pl.DataFrame:
    """Each channel as at most ``points`` of its own samples, its extremes among them.

    Each stretch between gaps is cut into buckets of equal length, and of each bucket the lowest and
    the highest sample stay, in their order, and the first and the last of the stretch, so that a
    gap is drawn as wide as it was. No peak is lost however short it was, which every n-th sample or
    a mean would do. A bucket is no longer than what is drawn, without its gaps, divided by
    ``(points - 4 * pieces) // 2``.

    Parameters
    ----------
    signals : polars.DataFrame
        ``sampled_at``, ascending, and the channels.
    channels : sequence of str
        Columns to thin.
    gap_s : float
        Silence of a channel for longer than this parts its trace in two. Where there are more
        gaps than points allow, only those longer than a bucket part it: the others would be
        narrower than a point.
    points : int
        Most points of a channel, at least 4.

    Returns
    -------
    polars.DataFrame
        ``TRACE_SCHEMA``, ascending by channel and instant; ``piece`` numbers the stretches
        between gaps, so that a line is drawn within a piece only, and ``of`` says how many
        readings the channel had. A channel without a single value is not in it.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5) + dt.timedelta(seconds=i) for i in range(1000)]
    >>> frame = pl.DataFrame({"sampled_at": at, "pot_pa": [0.0] * 500 + [7e5] + [0.0] * 499})
    >>> trace = thinned(frame, ["pot_pa"], gap_s=2.0, points=20)
    >>> trace.height <= 20, trace["value"].max()
    (True, 700000.0)
    """
    if points < 4:
        raise ValueError("a trace takes at least 4 points")
    pieces = [_thinned(signals, name, gap_s, points) for name in channels]
    return pl.concat([pl.DataFrame(schema=TRACE_SCHEMA), *pieces])


def thinned_blocks(blocks: pl.DataFrame, apart_s: float, points: int = 400) -> pl.DataFrame:
    """Blocks of an indicator as about ``points`` of them: extremes kept, and each change.

    Parameters
    ----------
    blocks : polars.DataFrame
        ``at``, ascending, ``now``, ``signal`` and whatever else; of one indicator.
    apart_s : float
        As ``gap_s`` of :func:`thinned`.
    points : int
        Most blocks, but for the first of each run of signals that has no other left.

    Returns
    -------
    polars.DataFrame
        Rows of ``blocks``, and the ``piece`` that each is drawn in.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5) + dt.timedelta(minutes=i) for i in range(1000)]
    >>> frame = pl.DataFrame({
    ...     "at": at, "now": [1.0] * 500 + [9.0] + [1.0] * 499,
    ...     "signal": [i == 700 for i in range(1000)],
    ... })
    >>> few = thinned_blocks(frame, 21_600.0, points=20)
    >>> few.height <= 21, few["now"].max(), few["signal"].sum()
    (True, 9.0, 1)
    """
    trace = thinned(
        blocks.select(pl.col("at").alias("sampled_at"), "now"), ["now"], apart_s, points
    )
    kept = trace.select(pl.col("sampled_at").alias("at"), "piece")
    run = pl.col("signal").rle_id()
    return (
        blocks.join(kept, on="at", how="left", maintain_order="left")
        .with_columns(
            pl.col("piece").forward_fill(),
            pl.col("piece").is_not_null().alias("kept"),
        )
        .filter(
            pl.col("kept")
            | (pl.col("signal") & ~pl.col("kept").any().over(run) & run.is_first_distinct())
        )
        .drop("kept")
    )


def _thinned(signals: pl.DataFrame, channel: str, gap_s: float, points: int) -> pl.DataFrame:
    rows = signals.select("sampled_at", pl.col(channel).cast(pl.Float64).alias("value")).filter(
        pl.col("value").is_not_null()
    )
    if rows.is_empty():
        return pl.DataFrame(schema=TRACE_SCHEMA)
    of = rows.height
    rows = _parted(rows, round(gap_s * 1e6))
    if rows.height > points:
        first, last = rows["sampled_at"][0], rows["sampled_at"][-1]
        span_us = (last - first) // dt.timedelta(microseconds=1) + 1
        # A piece keeps four samples at least: its ends, its lowest and its highest.
        if int(rows["piece"][-1]) + 1 > points // 4:
            rows = _parted(rows, max(round(gap_s * 1e6), 4 * span_us // (points - 3)))
        rows = rows[_kept(rows, points)]
    return rows.select(
        "sampled_at",
        pl.lit(channel).alias("channel"),
        "value",
        pl.col("piece").cast(pl.UInt32),
        pl.lit(of, dtype=pl.UInt32).alias("of"),
    )


def _kept(rows: pl.DataFrame, points: int) -> np.ndarray:
    at_us = rows["sampled_at"].to_physical().to_numpy()
    value = np.ascontiguousarray(rows["value"].to_numpy())
    begins = np.flatnonzero(np.diff(rows["piece"].to_numpy(), prepend=-1))
    ends = np.append(begins[1:], rows.height)
    spans_us = at_us[ends - 1] - at_us[begins]
    buckets = 1 + ((points - 4 * len(begins)) // 2) * spans_us // max(int(spans_us.sum()), 1)
    # The ends are ours to keep: tsdownsample 0.1.5 leaves out the very last sample where it stands
    # alone in its bucket, and takes no fewer than two buckets.
    chosen = [begins, ends - 1]
    lowest_highest = MinMaxDownsampler()  # type: ignore[no-untyped-call]
    for begin, end, count in zip(begins, ends, buckets, strict=True):
        within = value[begin:end]
        if count < 2:
            found = np.array([within.argmin(), within.argmax()])
        else:
            found = lowest_highest.downsample(at_us[begin:end], within, n_out=2 * int(count))
        chosen.append(begin + found.astype(np.int64))
    return np.unique(np.concatenate(chosen))


def _parted(rows: pl.DataFrame, gap_us: int) -> pl.DataFrame:
    step = pl.col("sampled_at").diff().dt.total_microseconds().fill_null(0)
    return rows.with_columns((step > gap_us).cum_sum().cast(pl.UInt32).alias("piece"))


def open_spans(signals: pl.DataFrame, gap_s: float) -> tuple[tuple[dt.datetime, dt.datetime], ...]:
    """When the dead-man read open, from the first sample that says so to the last, for shading.

    Parameters
    ----------
    signals : polars.DataFrame
        ``sampled_at``, ascending, and ``deadman``.
    gap_s : float
        Silence for longer than this parts a span in two. [s]

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5, 6, 0, s) for s in (0, 1, 2, 3, 30)]
    >>> frame = pl.DataFrame({"sampled_at": at, "deadman": [False, True, True, True, True]})
    >>> [(a.second, b.second) for a, b in open_spans(frame, 2.0)]
    [(1, 3), (30, 30)]
    """
    rows = signals.select("sampled_at", "deadman").drop_nulls()
    new_run = (pl.col("deadman") != pl.col("deadman").shift()) | (
        pl.col("sampled_at").diff() > dt.timedelta(seconds=gap_s)
    )
    runs = (
        rows.with_columns(new_run.fill_null(True).cum_sum().alias("run"))
        .filter("deadman")
        .group_by("run", maintain_order=True)
        .agg(pl.col("sampled_at").first().alias("from_at"), pl.col("sampled_at").last().alias("to"))
    )
    return tuple(runs.select("from_at", "to").iter_rows())
