"""What parts did, where only readings have come in: rows before those stay as they are.

Which part sat where follows from what people entered and does not change with readings
(:mod:`analytics.parts_usage`); how much it did changes for stays and checks after what came in. An
individual is in one place at a time, so all that it did by a check is what it did in its stays up
to then.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from analytics.hours import Ints, PotHours
from analytics.parts_usage import USAGE_SCHEMA, used_by_pots
from analytics.parts_usage import USED as _USED

_US = pl.Datetime("us")
_SUMS = list(_USED)


class Plan(NamedTuple):
    """Which rows are reckoned anew, with the windows of time that they rest on.

    Parameters
    ----------
    stays : polars.DataFrame
        Rows of ``part_stay``, with ``begin_us`` and ``end_us``. [us since 1970 UTC]
    checks : polars.DataFrame
        Rows of ``part_check``.
    pieces : polars.DataFrame
        A row a check and stay of its part that had begun by then: ``check`` (row of ``checks``),
        ``pot``, ``begin_us``, ``end_us``, ``stays_as`` (what is in the store holds), and what
        the stay did by what is in the store.
    """

    stays: pl.DataFrame
    checks: pl.DataFrame
    pieces: pl.DataFrame


def to_reckon(
    stays: pl.DataFrame, checks: pl.DataFrame, since: Mapping[str, dt.datetime], now: dt.datetime
) -> Plan:
    """The rows that lie after what has changed.

    Parameters
    ----------
    stays : polars.DataFrame
        All rows of ``part_stay``.
    checks : polars.DataFrame
        Rows of ``part_check``, all after the earliest instant in ``since``.
    since : mapping of str to datetime
        By pot, from when on what it did may have changed; naive UTC.
    now : datetime
        Naive UTC; up to when a part that is on is reckoned.
    """
    never = dt.datetime(9999, 12, 31)  # noqa: DTZ001 - naive UTC
    stays = stays.with_columns(
        pl.col("from_at").cast(pl.Int64).alias("begin_us"),
        pl.col("to_at").fill_null(now).cast(pl.Int64).alias("end_us"),
        pl.col("pot").replace_strict(since, default=never, return_dtype=_US).alias("since"),
    ).with_columns((pl.col("to_at").is_null() | (pl.col("to_at") > pl.col("since"))).alias("anew"))
    # A part that was moved brings along what it did on other pots.
    of_parts = stays.group_by("part_id").agg(pl.col("since").min().alias("part_since"))
    checks = (
        checks.join(of_parts, on="part_id", how="inner")
        .filter(pl.col("checked_at") > pl.col("part_since"))
        .drop("part_since")
        .with_row_index("check")
    )
    pieces = (
        checks.select("check", "part_id", pl.col("checked_at").cast(pl.Int64).alias("checked_us"))
        .join(stays, on="part_id")
        .filter(pl.col("begin_us") < pl.col("checked_us"))
        .select(
            "check", "pot", "begin_us",
            pl.min_horizontal("end_us", "checked_us").alias("end_us"),
            (~pl.col("anew") & (pl.col("end_us") <= pl.col("checked_us"))).alias("stays_as"),
            *_SUMS,
        )
    )  # fmt: skip
    return Plan(stays.filter("anew").drop("since", "anew"), checks, pieces)


def instants(plan: Plan) -> Iterator[tuple[str, Ints]]:
    """The ends of all windows that are asked for: pot, and instants. [us since 1970 UTC]"""
    windows = pl.concat(
        [
            frame.select("pot", "begin_us", "end_us")
            for frame in (plan.stays, plan.pieces.filter(~pl.col("stays_as")))
        ]
    )
    for (pot,), mine in windows.group_by("pot"):
        yield str(pot), mine.select("begin_us", "end_us").to_numpy().ravel().astype(np.int64)


def reckoned(plan: Plan, totals: Mapping[str, PotHours]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows of ``part_stay`` and of ``part_check`` in the place of those in the plan.

    Parameters
    ----------
    plan : Plan
    totals : mapping of str to PotHours
        Running totals of each pot.
    """
    stays = plan.stays.with_columns(_used(plan.stays, totals)).drop("begin_us", "end_us")
    anew = plan.pieces.filter(~pl.col("stays_as"))
    every = pl.concat([plan.pieces.filter("stays_as"), anew.with_columns(_used(anew, totals))])
    summed = every.group_by("check").agg(pl.col(_SUMS).sum())
    checks = (
        plan.checks.drop(_SUMS)
        .join(summed, on="check", how="left")
        .with_columns(pl.col(_SUMS).fill_null(0))
        .drop("check")
    )
    return stays, checks


def _used(windows: pl.DataFrame, totals: Mapping[str, PotHours]) -> list[pl.Series]:
    used = used_by_pots(
        windows["pot"].to_list(),
        windows["begin_us"].to_numpy(),
        windows["end_us"].to_numpy(),
        totals,
    )
    return [pl.Series(name, used[:, n], dtype=pl.Int64) for n, name in enumerate(_SUMS)]


def usage_since(
    usage: pl.DataFrame, stays: pl.DataFrame, checks: pl.DataFrame, now: dt.datetime
) -> pl.DataFrame:
    """What parts that are on did, up to ``now``.

    Parameters
    ----------
    usage : polars.DataFrame
        Rows of ``part_usage`` as they were.
    stays : polars.DataFrame
        All rows of ``part_stay``, up to date.
    checks : polars.DataFrame
        Rows of ``part_check``, up to date: the good ones that ``usage`` counts from.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``analytics.parts_usage.USAGE_SCHEMA``.
    """
    lives = stays.group_by("part_id").agg(pl.col(_SUMS).sum())
    by_then = checks.select(
        "part_id", "rule", pl.col("checked_at").alias("from_at"), pl.lit("checked").alias("since"),
        *(pl.col(name).alias(f"{name}_then") for name in _SUMS),
    ).unique(["part_id", "rule", "from_at"])  # fmt: skip
    key = ["pot", "part", "position", "part_id", "tag", "since", "rule", "from_at"]
    found = (
        usage.select(key)
        .join(lives, on="part_id", how="left")
        .join(by_then, on=["part_id", "rule", "from_at", "since"], how="left")
        .with_columns(
            pl.col(name).fill_null(0) - pl.col(f"{name}_then").fill_null(0) for name in _SUMS
        )
        # Silence's cycles were rounded up at both ends, and are again.
        .with_columns(
            pl.col("cycles_high")
            + ((pl.col("since") == "checked") & (pl.col("silent_us") > 0)).cast(pl.Int64),
            pl.lit(now, _US).alias("to_at"),
        )
    )
    return found.select(list(USAGE_SCHEMA)).sort("pot", "part", "position", "since", "rule")
