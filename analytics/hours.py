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

#: The pace at which silence's cycles are counted is that of this much blasting before it. [us]
#: A week or two of work: some hundred openings, so that chance moves it by a few per cent only,
#: and near enough for the same crew, hose and kind of work. What comes later changes it no more.
PACE_US = 40 * 3_600_000_000

DAY_US = 86_400_000_000

#: What :func:`pot_hours` takes of cycles.
CYCLE_COLUMNS = (
    "pressed_at", "flicker", "began_by", "confirmed", "span_from_at", "span_to_at", "blast_s",
    "blast_low_s", "blast_high_s", "deadman_s", "deadman_low_s", "deadman_high_s", "pinched_s",
)  # fmt: skip


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
    return _total_at(_edges(from_us, to_us), on_s)


def _edges(from_us: Ints, to_us: Ints) -> Ints:
    at_us = np.stack((from_us, to_us), axis=1).ravel().astype(np.int64)
    if at_us.size and np.any(np.diff(at_us) < 0):
        raise ValueError("spans overlap or are not in order")
    return at_us


def _total_at(at_us: Ints, on_s: Floats) -> Total:
    on_us = np.rint(np.asarray(on_s) * 1e6).astype(np.int64)
    return Total(at_us, np.cumsum(np.stack((np.zeros_like(on_us), on_us), axis=1).ravel()))


@dataclass(frozen=True)
class Count:
    """How often something was, up to any instant.

    Parameters
    ----------
    at_us : ndarray of int64, shape (n,)
        When it was, ascending. [us since 1970 UTC]
    """

    at_us: Ints

    def up_to(self, at_us: Ints) -> Ints:
        """How often before each instant."""
        return np.asarray(np.searchsorted(self.at_us, at_us))

    def within(self, from_us: Ints, to_us: Ints) -> Ints:
        """How often in each half-open window."""
        return np.asarray(self.up_to(to_us) - self.up_to(from_us))


@dataclass(frozen=True)
class Pace:
    """How many cycles a pot makes in an hour of blasting, before any UTC day.

    It is that of the days before which hold ``PACE_US`` of blasting, the last ones. Before there
    was so much, it is that of the first days that do, or of all there are. So it looks ahead only
    until a pot has blasted for that long; after that nothing that comes later changes it.

    Parameters
    ----------
    day_us : ndarray of int64, shape (n,)
        Begins of UTC days, ascending; days without blasting and presses may be left out. [us]
    blast_us : ndarray of int64, shape (n,)
        Blasting in each. [us]
    presses : ndarray of int64, shape (n,)
        Cycles that began in each.

    Examples
    --------
    >>> import numpy as np
    >>> days = np.arange(3) * DAY_US
    >>> pace = Pace(days, np.full(3, PACE_US), np.array([400, 800, 40]))
    >>> (pace.before(np.arange(4) * DAY_US) * 3_600_000_000).round(6).tolist()
    [10.0, 10.0, 20.0, 1.0]
    """

    day_us: Ints
    blast_us: Ints
    presses: Ints

    def before(self, day_us: Ints) -> Floats:
        """Cycles a microsecond of blasting that silence on each day is counted with. [1/us]"""
        blast_us = np.concatenate(([0], np.cumsum(self.blast_us)))
        presses = np.concatenate(([0], np.cumsum(self.presses)))
        end = np.searchsorted(self.day_us, day_us)
        # The shortest stretch of whole days before that holds enough; else the first that does.
        begin = np.searchsorted(blast_us, blast_us[end] - PACE_US, side="right") - 1
        begin = np.maximum(begin, 0)
        first = min(int(np.searchsorted(blast_us, PACE_US)), self.day_us.size)
        end = np.where(blast_us[end] < PACE_US, first, end)
        over_us = blast_us[end] - blast_us[begin]
        return np.asarray((presses[end] - presses[begin]) / np.maximum(over_us, 1) * (over_us > 0))


@dataclass(frozen=True)
class SilentCycles:
    """Cycles that silence may hide, up to any instant, in millionths of a cycle.

    Parameters
    ----------
    silent : Total
        The silence that counts as possible blasting.
    pace : Pace
        At what pace.
    day_us, before : ndarray of int64, shape (n,) and (n + 1,)
        Begins of the UTC days with such silence, and the millionths before each and after all.
    """

    silent: Total
    pace: Pace
    day_us: Ints
    before: Ints

    def millionths_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """Millionths of a cycle in each half-open window."""
        return np.asarray(self._up_to(to_us) - self._up_to(from_us))

    def _up_to(self, at_us: Ints) -> Ints:
        begin_us = at_us // DAY_US * DAY_US
        before = self.before[np.searchsorted(self.day_us, begin_us)]
        return before + millionths(self.silent.us_within(begin_us, at_us), self.pace, begin_us)


def millionths(silent_us: Ints, pace: Pace, day_us: Ints) -> Ints:
    """Cycles that silence on UTC days may hide, in whole millionths, rounded down."""
    return np.floor(silent_us * pace.before(day_us) * 1e6).astype(np.int64)


def days_between(from_us: Ints, to_us: Ints) -> Ints:
    """Begins of the UTC days that spans touch, ascending, each once. [us since 1970 UTC]"""
    first, last = from_us // DAY_US, (np.maximum(to_us, from_us + 1) - 1) // DAY_US
    count = last - first + 1
    offset = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    return np.unique(np.repeat(first, count) + offset) * DAY_US


def silent_cycles(silent: Total, pace: Pace) -> SilentCycles:
    """The running total of cycles that silence may hide.

    Parameters
    ----------
    silent : Total
        From :func:`silence`: its instants are begins and ends by turns.
    pace : Pace
        The pot's.
    """
    days = days_between(silent.at_us[0::2], silent.at_us[1::2])
    each = millionths(silent.us_within(days, days + DAY_US), pace, days)
    return SilentCycles(silent, pace, days, np.concatenate(([0], np.cumsum(each))))


@dataclass(frozen=True)
class PotHours:
    """Everything about one pot that windows are asked for.

    ``heard`` is time with the box talking; ``silent`` is the silence that counts as possible
    blasting in the high figures, and ``silent_cycles`` what it may hide. ``sure`` are the presses
    of those cycles that began with a press heard and that the pot's pressure, where it has a
    transducer, answered.
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
    pressed: Count
    sure: Count
    silent_cycles: SilentCycles

    def cycles_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """Pinch cycles whose press lies in each half-open window."""
        return self.pressed.within(from_us, to_us)

    def cycles_high_within(self, from_us: Ints, to_us: Ints) -> Ints:
        """The same with silence counted as on, at the pace of :class:`Pace`, rounded up."""
        more = -(-self.silent_cycles.millionths_within(from_us, to_us) // 1_000_000)
        return np.asarray(self.cycles_within(from_us, to_us) + more)


def _column_us(frame: pl.DataFrame, name: str) -> Ints:
    return frame[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def microseconds(instant: dt.datetime) -> int:
    """A naive UTC instant as microseconds since 1970. [us]"""
    since = instant.replace(tzinfo=dt.UTC) - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return since // dt.timedelta(microseconds=1)


def instant_of(at_us: int) -> dt.datetime:
    """An instant as the store keeps it, naive UTC, from microseconds since 1970 UTC."""
    begin = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store
    return begin + at_us * dt.timedelta(microseconds=1)


def naive_utc(instant: dt.datetime) -> dt.datetime:
    """An instant as the store keeps it: UTC without a zone."""
    return instant.astimezone(dt.UTC).replace(tzinfo=None)


def pot_hours(
    cycles: pl.DataFrame,
    gaps: pl.DataFrame,
    first_at: dt.datetime | None,
    last_at: dt.datetime | None,
    shifts: Sequence[tuple[dt.datetime, dt.datetime]],
    count_silence_outside_shifts: bool = False,
    pace: Pace | None = None,
) -> PotHours:
    """Running totals of one pot.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, ascending; ``CYCLE_COLUMNS`` of it will do.
    gaps : polars.DataFrame
        ``analytics.cycles.GAP_SCHEMA``, ascending.
    first_at, last_at : datetime or None
        First and last instant heard (naive UTC); ``None``: never heard.
    shifts : sequence of (datetime, datetime)
        The pot's booked shifts (naive UTC), half-open.
    count_silence_outside_shifts : bool
        Count every silence as possible blasting.
    pace : Pace, optional
        What silence's cycles are counted with; by default that of ``cycles``, which are then all
        the pot's cycles.

    Returns
    -------
    PotHours
        A silence counts in the high figures where it lies in a booked shift (also before the
        first and after the last instant heard), where the dead-man was open on either side, or
        where it is no longer than ``SHORT_SILENCE_S``.
    """
    # All totals of cycles have their instants in common; years of them are held once.
    edges_us = _edges(_column_us(cycles, "span_from_at"), _column_us(cycles, "span_to_at"))

    def of(column: str) -> Total:
        return _total_at(edges_us, cycles[column].to_numpy())

    heard, silent = silence(gaps, first_at, last_at, shifts, count_silence_outside_shifts)
    blast = of("blast_s")
    pressed_us = _column_us(cycles, "pressed_at")[~cycles["flicker"].to_numpy()]
    if pace is None:
        pace = pace_of(blast, pressed_us)
    return PotHours(
        first_us=None if first_at is None else microseconds(first_at),
        last_us=None if last_at is None else microseconds(last_at),
        heard=heard,
        silent=silent,
        blast=blast,
        blast_low=of("blast_low_s"),
        blast_high=of("blast_high_s"),
        deadman=of("deadman_s"),
        deadman_low=of("deadman_low_s"),
        deadman_high=of("deadman_high_s"),
        pinched=of("pinched_s"),
        pressed=Count(pressed_us),
        sure=Count(
            _column_us(
                cycles.filter(
                    ~pl.col("flicker")
                    & (pl.col("began_by") == "press")
                    & pl.col("confirmed").fill_null(True)
                ),
                "pressed_at",
            )
        ),
        silent_cycles=silent_cycles(silent, pace),
    )


def pace_of(blast: Total, pressed_us: Ints) -> Pace:
    """The pace of a pot whose blasting and presses are all known.

    Parameters
    ----------
    blast : Total
        From the pot's first cycle on.
    pressed_us : ndarray of int64, shape (n,)
        When each cycle that counts began, ascending. [us since 1970 UTC]
    """
    days = np.union1d(
        days_between(blast.at_us[0::2], blast.at_us[1::2]), pressed_us // DAY_US * DAY_US
    )
    presses = Count(pressed_us).within(days, days + DAY_US)
    return Pace(days, blast.us_within(days, days + DAY_US), presses)


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
