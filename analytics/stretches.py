"""Any stretch of a pot's time summed up like a shift: a day without one, or a shift so far."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import polars as pl

from analytics import hours
from analytics.summaries import shift_rows

#: A cycle that began this long before a stretch may still reach into it.
LOOK_BACK = dt.timedelta(days=1)


def stretch_summary(
    pot: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
    cycles: pl.DataFrame,
    gaps: pl.DataFrame,
    heard: tuple[dt.datetime | None, dt.datetime | None],
    shifts: Sequence[tuple[dt.datetime, dt.datetime]],
    now: dt.datetime,
    count_silence_outside_shifts: bool = False,
) -> dict[str, object] | None:
    """Hours, cycles and pressures of a pot in a stretch of time, as a shift's summary has them.

    Parameters
    ----------
    pot : str
        The pot.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.
    cycles : polars.DataFrame
        Its cycles from ``LOOK_BACK`` before ``from_at`` on, ascending.
    gaps : polars.DataFrame
        Its gaps that touch the same time.
    heard : (datetime or None, datetime or None)
        First and last instant heard.
    shifts : sequence of (datetime, datetime)
        The pot's booked shifts: silence within them may have been blasting.
    now : datetime
        Naive UTC; the stretch is summed up to here.
    count_silence_outside_shifts : bool
        As in the yard file.

    Returns
    -------
    dict or None
        The columns of ``shift_summary`` from ``elapsed_s`` to ``drop_pot_nozzle_pa``; ``None``
        where the stretch has not begun.
    """
    totals = hours.pot_hours(cycles, gaps, heard[0], heard[1], shifts, count_silence_outside_shifts)
    stretch = pl.DataFrame(
        {"shift": [""], "pot": [pot], "crew": [""], "job": [""]}
        | {"from_at": [from_at], "to_at": [to_at]},
        schema_overrides={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us")},
    )
    rows = shift_rows(stretch, cycles, totals, now)
    return rows.row(0, named=True) if rows.height else None


def numbered(cycles: pl.DataFrame) -> pl.DataFrame:
    """Cycles with a ``number``, counted from one; a flicker is not counted and has none."""
    return cycles.with_columns(
        pl.when(~pl.col("flicker")).then((~pl.col("flicker")).cum_sum()).alias("number")
    )


def silent_spans(
    gaps: pl.DataFrame,
    heard: tuple[dt.datetime | None, dt.datetime | None],
    from_at: dt.datetime,
    to_at: dt.datetime,
    gap_s: float,
) -> tuple[tuple[dt.datetime, dt.datetime], ...]:
    """When nothing was heard in a stretch: its gaps, and the time before and after all readings.

    Parameters
    ----------
    gaps : polars.DataFrame
        ``from_at``, ``to_at`` of the gaps that touch the stretch, ascending, naive UTC.
    heard : (datetime or None, datetime or None)
        First and last instant heard; ``None``: never.
    from_at, to_at : datetime
        The stretch, naive UTC; ``to_at`` no later than now, for the time to come is not silent.
    gap_s : float
        Silence for longer than this is a gap; before the first and after the last reading too.

    Examples
    --------
    >>> hour = [dt.datetime(2026, 1, 5, h) for h in range(24)]
    >>> gap = pl.DataFrame({"from_at": [hour[9]], "to_at": [hour[10]]})
    >>> spans = silent_spans(gap, (hour[7], hour[15]), hour[6], hour[16], 2.0)
    >>> [(a.hour, b.hour) for a, b in spans]
    [(6, 7), (9, 10), (15, 16)]
    """
    first_at, last_at = heard
    if first_at is None or last_at is None:
        spans = [(from_at, to_at)]
    else:
        longer = dt.timedelta(seconds=gap_s)
        before = [(from_at, first_at)] if first_at - from_at > longer else []
        after = [(last_at, to_at)] if to_at - last_at > longer else []
        spans = [*before, *gaps.select("from_at", "to_at").iter_rows(), *after]
    clipped = [(max(a, from_at), min(b, to_at)) for a, b in spans]
    return tuple((a, b) for a, b in clipped if a < b)
