"""Honest hours: time on as running totals, so that any window of time can be asked.

A total is a piecewise linear function of time, built from spans. What a window holds is the
difference of the total at its ends. Totals are whole microseconds, so hours are conserved exactly:
whatever way a day is cut into windows, the parts add up to the whole. Where a window cuts through
a cycle, the cycle's time is shared in proportion.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

#: A silence outside every booked shift counts as possible blasting only up to this long, unless
#: the dead-man was open on either side of it. A box that is switched off for the night says
#: nothing, and counting each night as 14 h of blasting would make every figure useless. [s]
SHORT_SILENCE_S = 1_800.0


@dataclass(frozen=True)
class Total:
    """Time on, up to any instant.

    Parameters
    ----------
    at_us : ndarray of int64, shape (n,)
        Ascending instants. [us since 1970 UTC]
    total_us : ndarray of int64, shape (n,)
        Time on up to each; linear in between, constant outside. [us]
    """

    at_us: Ints
    total_us: Ints

    def us_up_to(self, at_us: Ints) -> Ints:
        """Whole microseconds on up to each instant, never falling with time. [us]"""
        if self.at_us.size == 0:
            return np.zeros(np.shape(at_us), dtype=np.int64)
        at_us = np.asarray(at_us, dtype=np.int64)
        last = self.at_us.size - 1
        # The last instant up to which all is known, and the one after it.
        before = np.searchsorted(self.at_us, at_us, side="right") - 1
        low, high = np.clip(before, 0, last), np.clip(before + 1, 0, last)
        on_us = self.total_us[high] - self.total_us[low]
        width_us = np.maximum(self.at_us[high] - self.at_us[low], 1)
        into_us = np.clip(at_us - self.at_us[low], 0, width_us)
        # A share of one span is rounded down; every share of it by the same rule.
        shared = np.floor(into_us * (on_us / width_us)).astype(np.int64)
        return np.asarray(self.total_us[low] + np.minimum(shared, on_us))

    def us_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """Whole microseconds on in each half-open window from ``from_us`` to ``to_us``. [us]"""
        return np.asarray(self.us_up_to(to_us) - self.us_up_to(from_us))

    def up_to(self, at_us: Ints) -> Floats:
        """Seconds on up to each instant. [s]"""
        return np.asarray(self.us_up_to(at_us) / 1e6)

    def within(self, from_us: Ints, to_us: Ints) -> Floats:
        """Seconds on in each half-open window from ``from_us`` to ``to_us``. [s]"""
        return np.asarray(self.us_within(from_us, to_us) / 1e6)


def total(from_us: Ints, to_us: Ints, on_s: Floats) -> Total:
    """The running total of spans that do not overlap.

    Parameters
    ----------
    from_us, to_us : ndarray of int64, shape (n,)
        Begin and end of each span, ascending, ``to_us[i] <= from_us[i + 1]``. [us since 1970 UTC]
    on_s : ndarray of float64, shape (n,)
        Seconds on within each, spread evenly over it. [s]

    Raises
    ------
    ValueError
        The spans overlap or are not in order.

    Examples
    --------
    >>> import numpy as np
    >>> on = total(np.array([0, 10_000_000]), np.array([4_000_000, 20_000_000]),
    ...            np.array([4.0, 5.0]))
    >>> on.within(np.array([2_000_000]), np.array([15_000_000])).tolist()
    [4.5]
    """
    at_us = np.stack((from_us, to_us), axis=1).ravel().astype(np.int64)
    if at_us.size and np.any(np.diff(at_us) < 0):
        raise ValueError("spans overlap or are not in order")
    on_us = np.rint(np.asarray(on_s) * 1e6).astype(np.int64)
    return Total(at_us, np.cumsum(np.stack((np.zeros_like(on_us), on_us), axis=1).ravel()))


@dataclass(frozen=True)
class PotHours:
    """Everything about one pot that windows are asked for.

    ``heard`` is time with the box talking; ``silent`` is the silence that counts as possible
    blasting in the high figures. ``sure_us`` are the presses of those cycles that began with a
    press heard and that the pot's pressure, where it has a transducer, answered.
    """

    first_us: int | None
    last_us: int | None
    heard: Total
    silent: Total
    blast: Total
    blast_low: Total
    blast_high: Total
    deadman: Total
    deadman_low: Total
    deadman_high: Total
    pinched: Total
    pressed_us: Ints
    sure_us: Ints

    def cycles_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """Pinch cycles whose press lies in each half-open window."""
        return np.searchsorted(self.pressed_us, to_us) - np.searchsorted(self.pressed_us, from_us)

    def cycles_high_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """The same with silence counted as on, at the pot's own pace, rounded up."""
        blast_us = int(self.blast.total_us[-1]) if self.blast.total_us.size else 0
        pace = self.pressed_us.size / blast_us if blast_us else 0.0
        silent_us = self.silent.us_within(from_us, to_us)
        more = np.ceil(silent_us * pace).astype(np.int64)
        return np.asarray(self.cycles_within(from_us, to_us) + more)


def _column_us(frame: pl.DataFrame, name: str) -> Ints:
    return frame[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def microseconds(instant: dt.datetime) -> int:
    """A naive UTC instant as microseconds since 1970. [us]"""
    since = instant.replace(tzinfo=dt.UTC) - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return since // dt.timedelta(microseconds=1)


def pot_hours(
    cycles: pl.DataFrame,
    gaps: pl.DataFrame,
    first_at: dt.datetime | None,
    last_at: dt.datetime | None,
    shifts: Sequence[tuple[dt.datetime, dt.datetime]],
    count_silence_outside_shifts: bool = False,
) -> PotHours:
    """Running totals of one pot.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, ascending.
    gaps : polars.DataFrame
        ``analytics.cycles.GAP_SCHEMA``, ascending.
    first_at, last_at : datetime or None
        First and last instant heard (naive UTC); ``None``: never heard.
    shifts : sequence of (datetime, datetime)
        The pot's booked shifts (naive UTC), half-open.
    count_silence_outside_shifts : bool
        Count every silence as possible blasting.

    Returns
    -------
    PotHours
        A silence counts in the high figures where it lies in a booked shift (also before the
        first and after the last instant heard), where the dead-man was open on either side, or
        where it is no longer than ``SHORT_SILENCE_S``.
    """
    span_from, span_to = _column_us(cycles, "span_from_at"), _column_us(cycles, "span_to_at")

    def of(column: str) -> Total:
        return total(span_from, span_to, cycles[column].to_numpy())

    heard, silent = silence(gaps, first_at, last_at, shifts, count_silence_outside_shifts)
    return PotHours(
        first_us=None if first_at is None else microseconds(first_at),
        last_us=None if last_at is None else microseconds(last_at),
        heard=heard,
        silent=silent,
        blast=of("blast_s"),
        blast_low=of("blast_low_s"),
        blast_high=of("blast_high_s"),
        deadman=of("deadman_s"),
        deadman_low=of("deadman_low_s"),
        deadman_high=of("deadman_high_s"),
        pinched=of("pinched_s"),
        pressed_us=_column_us(cycles.filter(~pl.col("flicker")), "pressed_at"),
        sure_us=_column_us(
            cycles.filter(
                ~pl.col("flicker")
                & (pl.col("began_by") == "press")
                & pl.col("confirmed").fill_null(True)
            ),
            "pressed_at",
        ),
    )


def silence(
    gaps: pl.DataFrame,
    first_at: dt.datetime | None,
    last_at: dt.datetime | None,
    shifts: Sequence[tuple[dt.datetime, dt.datetime]],
    count_silence_outside_shifts: bool = False,
) -> tuple[Total, Total]:
    """Time heard, and the silence that counts as possible blasting; as :func:`pot_hours` has them.

    See Also
    --------
    pot_hours : the parameters
    """
    first_us = None if first_at is None else microseconds(first_at)
    last_us = None if last_at is None else microseconds(last_at)
    gap_from, gap_to = _column_us(gaps, "from_at"), _column_us(gaps, "to_at")
    heard_from, heard_to = _heard_spans(first_us, last_us, gap_from, gap_to)
    always = (
        np.ones(gaps.height, dtype=np.bool_)
        if count_silence_outside_shifts
        else (gaps["deadman_before"] | gaps["deadman_after"]).to_numpy()
        | (gap_to - gap_from <= SHORT_SILENCE_S * 1e6)
    )
    booked = [(microseconds(a), microseconds(b)) for a, b in shifts if b > a]
    silent_from, silent_to = _silent_spans(
        list(zip(gap_from[always].tolist(), gap_to[always].tolist(), strict=True)),
        booked,
        list(zip(heard_from.tolist(), heard_to.tolist(), strict=True)),
    )
    return (
        total(heard_from, heard_to, (heard_to - heard_from) / 1e6),
        total(silent_from, silent_to, (silent_to - silent_from) / 1e6),
    )


def _heard_spans(
    first_us: int | None, last_us: int | None, gap_from: Ints, gap_to: Ints
) -> tuple[Ints, Ints]:
    if first_us is None or last_us is None:
        nothing = np.zeros(0, dtype=np.int64)
        return nothing, nothing
    return np.concatenate(([first_us], gap_to)), np.concatenate((gap_from, [last_us]))


def _silent_spans(
    always: list[tuple[int, int]],
    booked: list[tuple[int, int]],
    heard: list[tuple[int, int]],
) -> tuple[Ints, Ints]:
    """Union of the silences that always count and of booked time, less what was heard."""
    merged: list[tuple[int, int]] = []
    for begin, end in sorted(always + booked):
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        else:
            merged.append((begin, end))
    left: list[tuple[int, int]] = []
    index = 0
    for begin, end in merged:
        while index and heard[index - 1][1] > begin:
            index -= 1
        while index < len(heard) and heard[index][1] <= begin:
            index += 1
        at = begin
        look = index
        while look < len(heard) and heard[look][0] < end:
            if heard[look][0] > at:
                left.append((at, heard[look][0]))
            at = max(at, heard[look][1])
            look += 1
        if at < end:
            left.append((at, end))
    return (
        np.array([a for a, _ in left], dtype=np.int64),
        np.array([b for _, b in left], dtype=np.int64),
    )


def windows(
    hours: PotHours, from_us: Ints, to_us: Ints, until_us: Ints | None = None
) -> pl.DataFrame:
    """Hours of one pot in windows of time.

    Parameters
    ----------
    hours : PotHours
        The pot's running totals.
    from_us, to_us : ndarray of int64, shape (n,)
        Half-open windows. [us since 1970 UTC]
    until_us : ndarray of int64, shape (n,), optional
        Silence after this does not count as possible blasting (the time has not come yet).

    Returns
    -------
    polars.DataFrame
        One row a window: ``elapsed_s``, ``blast_s``, ``blast_low_s``, ``blast_high_s``,
        ``deadman_s``, ``deadman_low_s``, ``deadman_high_s``, ``pinched_s``, ``filling_s``
        (dead-man open, pot not pressurised), ``idle_s``, ``no_data_s``, ``silent_s`` (the part of
        no data that the high figures count as on), ``cycles``. Blasting, filling, idle and no
        data add up to ``elapsed_s``.
    """
    silent_to = to_us if until_us is None else np.clip(until_us, from_us, to_us)
    silent_s = hours.silent.within(from_us, silent_to)
    elapsed_s = (to_us - from_us) / 1e6
    blast_s = hours.blast.within(from_us, to_us)
    deadman_s = hours.deadman.within(from_us, to_us)
    no_data_s = elapsed_s - hours.heard.within(from_us, to_us)
    # Rounding in the running totals is under a microsecond; no share may come out below zero.
    return pl.DataFrame(
        {
            "elapsed_s": elapsed_s,
            "blast_s": blast_s,
            "blast_low_s": hours.blast_low.within(from_us, to_us),
            "blast_high_s": hours.blast_high.within(from_us, to_us) + silent_s,
            "deadman_s": deadman_s,
            "deadman_low_s": hours.deadman_low.within(from_us, to_us),
            "deadman_high_s": hours.deadman_high.within(from_us, to_us) + silent_s,
            "pinched_s": hours.pinched.within(from_us, to_us),
            "filling_s": np.maximum(deadman_s - blast_s, 0.0),
            "idle_s": np.maximum(elapsed_s - no_data_s - np.maximum(deadman_s, blast_s), 0.0),
            "no_data_s": np.maximum(no_data_s, 0.0),
            "silent_s": silent_s,
            "cycles": hours.cycles_within(from_us, to_us).astype(np.int32),
        }
    )
