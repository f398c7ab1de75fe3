"""Where a shift's time went, to the microsecond: what was measured, and what people said of stops.

A pot's time is shared among parts that add up to the whole. Readings say when somebody blasted,
when the pot was only filling with air, and when nothing was heard. The rest nobody blasted: a stop
that readings or bags explain, or for which somebody gave a reason, counts as that; a short one is
a pause; a long one without a reason is told as unexplained, never guessed.

Parts are running totals over time, so whatever way a shift is cut (at midnight, at a change of job,
into hours) the pieces add up to it.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics import hours
from analytics.hours import Total, microseconds
from ingest.stop_reasons import STOP_REASONS

Ints = npt.NDArray[np.int64]
Span = tuple[int, int]

_US = 1_000_000

#: Parts of a pot's time: measured, then reasons, then what is left.
BLASTING, PRESSURISING, PAUSE, UNEXPLAINED, NO_DATA = (
    "blasting", "pressurising", "pause", "unexplained", "no_data",
)  # fmt: skip
PARTS = (BLASTING, PRESSURISING, *STOP_REASONS, PAUSE, UNEXPLAINED, NO_DATA)

#: Bags may be tipped in a stop of at least this length. [s]
LEAST_REFILL_S = 45.0
#: Bags may be entered for so long after they were tipped. [s]
_ENTERED_LATE_S = 1_500.0
#: A stretch of a stop shorter than this is counted, but not listed by itself. [s]
_LISTED_S = 30.0
#: A manifold under this share of its target is switched off, not waited for. [-]
_SWITCHED_OFF = 0.5

#: Stops that want a reason, or have one: a row a stretch of one part.
STOP_SCHEMA: dict[str, Any] = {
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "idle_s": pl.Float64,  # of it the time that was heard
    "reason": pl.String,  # the part that it counts as; empty: unexplained
    "how": pl.String,  # entered, found (by readings or bags), or empty
    "offered": pl.String,  # a guess to be tapped, never counted
}


@dataclass(frozen=True)
class UseSettings:
    """What counts as a stop; from the yard file's ``[review]``.

    Parameters
    ----------
    stop_s : float
        From this length on a stop wants a reason. [s]
    refill_most_s : float
        A refill explains up to this much of a stop. [s]
    """

    stop_s: float = 300.0
    refill_most_s: float = 900.0


@dataclass(frozen=True)
class TimeUse:
    """How a stretch of a pot's time was used.

    Parameters
    ----------
    parts : dict of str to int
        Part, one of :data:`PARTS`, to its time; they add up to the stretch. [us]
    blast_low_us, blast_high_us : int
        Blasting with silence counted as off, and as on where it may have been. [us]
    """

    parts: dict[str, int]
    blast_low_us: int
    blast_high_us: int

    @property
    def elapsed_us(self) -> int:
        """The whole stretch. [us]"""
        return sum(self.parts.values())

    def seconds(self, part: str) -> float:
        """One part. [s]"""
        return self.parts[part] / _US

    def between_s(self, part: str) -> tuple[float, float]:
        """Low and high of a part: silence may have been any of them. [s]"""
        if part == BLASTING:
            return self.blast_low_us / _US, self.blast_high_us / _US
        if part == NO_DATA:
            return self.seconds(NO_DATA), self.seconds(NO_DATA)
        return self.seconds(part), (self.parts[part] + self.parts[NO_DATA]) / _US

    def plus(self, other: TimeUse) -> TimeUse:
        """Two stretches together."""
        return TimeUse(
            {part: us + other.parts[part] for part, us in self.parts.items()},
            self.blast_low_us + other.blast_low_us,
            self.blast_high_us + other.blast_high_us,
        )


@dataclass(frozen=True)
class TimeLedger:
    """Running totals of every part over a shift, and its stops.

    Parameters
    ----------
    from_us, to_us : int
        The shift. [us since 1970 UTC]
    totals : dict of str to Total
        Every part but the pauses, which are what is left.
    blast_low, blast_high, silent : Total
        Bounds of the blasting, and silence that may have been blasting.
    stops : polars.DataFrame
        :data:`STOP_SCHEMA`.
    """

    from_us: int
    to_us: int
    totals: dict[str, Total]
    blast_low: Total
    blast_high: Total
    silent: Total
    stops: pl.DataFrame

    def within(self, from_us: int, to_us: int) -> TimeUse:
        """How a stretch within the shift was used.

        Parameters
        ----------
        from_us, to_us : int
            Half-open; clipped to the shift. [us since 1970 UTC]
        """
        begin = min(max(from_us, self.from_us), self.to_us)
        end = min(max(to_us, begin), self.to_us)

        def of(total: Total) -> int:
            return int(total.us_within(np.array([begin]), np.array([end]))[0])

        parts = {part: of(self.totals[part]) if part in self.totals else 0 for part in PARTS}
        parts[PAUSE] = end - begin - sum(parts.values())
        return TimeUse(parts, of(self.blast_low), of(self.blast_high) + of(self.silent))

    @property
    def whole(self) -> TimeUse:
        """The whole shift."""
        return self.within(self.from_us, self.to_us)


def time_ledger(
    cycles: pl.DataFrame,
    totals: hours.PotHours,
    from_at: dt.datetime,
    to_at: dt.datetime,
    reasons: pl.DataFrame,
    refills: Sequence[dt.datetime] = (),
    waiting: Sequence[Span] = (),
    settings: UseSettings | None = None,
) -> TimeLedger:
    """Share a stretch of one pot's time among its parts.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, ascending; all that reach into the stretch.
    totals : PotHours
        The pot's running totals.
    from_at, to_at : datetime
        The stretch, half-open, naive UTC.
    reasons : polars.DataFrame
        ``from_at, to_at, reason`` that people gave for this pot, in the order of entry: a later one
        comes before an earlier one. A reason counts where nobody blasted and the box was heard.
    refills : sequence of datetime
        When bags were tipped, as entered or found from pressures, naive UTC.
    waiting : sequence of (int, int)
        When people waited for air, from :func:`waiting_for_air`. [us since 1970 UTC]
    settings : UseSettings, optional
        What counts as a stop.

    Returns
    -------
    TimeLedger
        Its parts add up to the stretch, also where it is cut.
    """
    rules = settings or UseSettings()
    begin, end = microseconds(from_at), microseconds(to_at)
    end = max(begin, end)
    span_from = _column_us(cycles, "span_from_at")
    span_to = _column_us(cycles, "span_to_at")
    # Whole microseconds, so that no rounding makes a part of a cycle longer than the cycle.
    blast_us = np.rint(cycles["blast_s"].to_numpy() * _US)
    held_us = np.maximum(np.rint(cycles["deadman_s"].to_numpy() * _US), blast_us)
    filling_us = held_us - blast_us
    waited_us = _waited_while_filling(cycles, filling_us, waiting)
    silent = _complement(begin, end, _spans_of(totals.heard, begin, end))
    held = _clipped(zip(span_from.tolist(), span_to.tolist(), strict=True), begin, end)
    idle = _less(_complement(begin, end, held), silent)
    counted = cycles.filter(~pl.col("flicker"))
    groups = _stops(idle, _column_us(counted, "span_from_at"))
    tipped = _tipped_in(groups, [microseconds(at) for at in refills])
    reasons = reasons.filter((pl.col("from_at") < to_at) & (pl.col("to_at") > from_at))
    spans: dict[str, list[Span]] = {}
    rows = []
    for number, pieces in enumerate(groups):
        shares, how = _judged(pieces, reasons, tipped.get(number), waiting, rules)
        for part, mine in shares.items():
            spans.setdefault(part, []).extend(mine)
        length = sum(b - a for a, b in pieces)
        if length >= rules.stop_s * _US:
            rows += _stop_rows(shares, how, begin, end)
    spans.pop(PAUSE, None)
    made: dict[str, Total] = {
        BLASTING: hours.total(span_from, span_to, cycles["blast_s"].to_numpy()),
        PRESSURISING: hours.total(span_from, span_to, (filling_us - waited_us) / _US),
        NO_DATA: _span_total(silent),
    }
    for part, mine in spans.items():
        if part != "air":
            made[part] = _span_total(sorted(mine))
    made["air"] = _together(
        hours.total(span_from, span_to, waited_us / _US), _span_total(sorted(spans.get("air", [])))
    )
    return TimeLedger(
        begin, end, made, totals.blast_low, totals.blast_high, totals.silent,
        pl.DataFrame(rows, schema=STOP_SCHEMA, orient="row"),
    )  # fmt: skip


def waiting_for_air(
    signals: pl.DataFrame, cycles: pl.DataFrame, target_pa: float, gap_s: float = 2.0
) -> list[Span]:
    """When the manifold stood under its target while the handle was held, or right after.

    A stretch under the target counts from where the handle was first held in it, until the manifold
    is back. Under half of the target the compressor is off: that is not waiting.

    Parameters
    ----------
    signals : polars.DataFrame
        ``sampled_at`` (naive UTC) and ``supply_pa`` [Pa gauge], ascending.
    cycles : polars.DataFrame
        ``span_from_at``, ``span_to_at``.
    target_pa : float
        Manifold pressure wanted. [Pa gauge]
    gap_s : float
        Silence longer than this ends a stretch. [s]

    Returns
    -------
    list of (int, int)
        Half-open, ascending. [us since 1970 UTC]
    """
    known = signals.select("sampled_at", "supply_pa").drop_nulls()
    if known.is_empty() or cycles.is_empty():
        return []
    at = _column_us(known, "sampled_at")
    supply = known["supply_pa"].to_numpy()
    low = (supply < target_pa) & (supply >= _SWITCHED_OFF * target_pa)
    joined = low[:-1] & low[1:] & (np.diff(at) <= gap_s * _US)
    starts = np.flatnonzero(low & np.concatenate(([True], ~joined)))
    ends = np.flatnonzero(low & np.concatenate((~joined, [True])))
    held_from, held_to = _column_us(cycles, "span_from_at"), _column_us(cycles, "span_to_at")
    found = []
    for first, last in zip(starts.tolist(), ends.tolist(), strict=True):
        begin = int(at[first])
        # Low lasts up to the next sample, which says otherwise, but not across a gap.
        nxt = int(at[last + 1]) if last + 1 < at.size else int(at[last])
        end = nxt if nxt - int(at[last]) <= gap_s * _US else int(at[last])
        touching = np.flatnonzero((held_to > begin) & (held_from < end))
        if touching.size:
            found.append((max(begin, int(held_from[touching[0]])), end))
    return [(a, b) for a, b in found if b > a]


# --- in between ------------------------------------------------------------------------------


def _column_us(frame: pl.DataFrame, name: str) -> Ints:
    return frame[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def _spans_of(total: Total, begin: int, end: int) -> list[Span]:
    pairs = total.at_us.reshape(-1, 2).tolist()
    return _clipped(((a, b) for a, b in pairs), begin, end)


def _clipped(spans: Iterable[Span], begin: int, end: int) -> list[Span]:
    return [(max(a, begin), min(b, end)) for a, b in spans if min(b, end) > max(a, begin)]


def _reaching(spans: Sequence[Span], begin: int, end: int) -> Sequence[Span]:
    """Of spans that are ascending and do not overlap, those that reach into a stretch."""
    # A shift has hundreds of stops and of waits: each is not to be held against all of the others.
    first = bisect_right(spans, begin, key=lambda span: span[1])
    return spans[first : bisect_left(spans, end, lo=first, key=lambda span: span[0])]


def _complement(begin: int, end: int, spans: list[Span]) -> list[Span]:
    """What lies between spans that are ascending and do not overlap."""
    left, at = [], begin
    for a, b in spans:
        if a > at:
            left.append((at, a))
        at = max(at, b)
    if at < end:
        left.append((at, end))
    return left


def _less(spans: list[Span], taken: list[Span]) -> list[Span]:
    """Spans without what others take from them; both ascending."""
    left: list[Span] = []
    for a, b in spans:
        inside = _clipped(_reaching(taken, a, b), a, b)
        left += _complement(a, b, inside)
    return left


def _common(spans: list[Span], others: Iterable[Span]) -> list[Span]:
    return sorted(piece for a, b in others for piece in _clipped(spans, a, b))


def _span_total(spans: list[Span]) -> Total:
    begin = np.array([a for a, _ in spans], dtype=np.int64)
    end = np.array([b for _, b in spans], dtype=np.int64)
    return hours.total(begin, end, (end - begin) / _US)


def _together(one: Total, other: Total) -> Total:
    """The sum of two totals whose spans do not overlap."""
    at = np.union1d(one.at_us, other.at_us)
    return Total(at, one.us_up_to(at) + other.us_up_to(at))


def _waited_while_filling(
    cycles: pl.DataFrame, filling_us: npt.NDArray[np.float64], waiting: Sequence[Span]
) -> npt.NDArray[np.float64]:
    """How much of each cycle's filling the manifold was under its target; it fills first. [us]"""
    pressed = _column_us(cycles, "pressed_at")
    waited = np.zeros(pressed.size)
    if not waiting:
        return waited
    for number in np.flatnonzero(filling_us > 0.0).tolist():
        begin = int(pressed[number])
        fill = (begin, begin + int(filling_us[number]))
        inside = sum(b - a for a, b in _clipped(_reaching(waiting, *fill), *fill))
        waited[number] = min(float(inside), float(filling_us[number]))
    return waited


def _stops(idle: list[Span], pressed_us: Ints) -> list[list[Span]]:
    """Idle pieces between one counted cycle and the next; flickers do not end a stop."""
    groups: list[list[Span]] = []
    last = -1
    for piece in idle:
        number = int(np.searchsorted(pressed_us, piece[0], side="right"))
        if groups and number == last:
            groups[-1].append(piece)
        else:
            groups.append([piece])
        last = number
    return groups


def _tipped_in(groups: list[list[Span]], refills_us: list[int]) -> dict[int, int]:
    """Stop to the instant at which bags were tipped in it.

    Bags entered for a time in which somebody blasted were entered late: they belong to the longest
    stop that ended shortly before.
    """
    wanted = LEAST_REFILL_S * _US
    long = [
        (number, pieces[0][0], pieces[-1][1], length)
        for number, pieces in enumerate(groups)
        if (length := sum(b - a for a, b in pieces)) >= wanted
    ]
    found: dict[int, int] = {}
    for at in refills_us:
        inside = [number for number, begin, end, _ in long if begin <= at < end]
        before = [(length, number, end) for number, _, end, length in long
                  if end <= at <= end + _ENTERED_LATE_S * _US]  # fmt: skip
        if inside:
            found.setdefault(inside[0], at)
        elif before:
            _, number, end = max(before)
            found.setdefault(number, end - 1)
    return found


def _judged(
    pieces: list[Span],
    reasons: pl.DataFrame,
    tipped_us: int | None,
    waiting: Sequence[Span],
    rules: UseSettings,
) -> tuple[dict[str, list[Span]], dict[str, str]]:
    """What each part has of a stop, and how that is known."""
    length = sum(b - a for a, b in pieces)
    begin, end = pieces[0][0], pieces[-1][1]
    left = pieces
    shares: dict[str, list[Span]] = {}
    how: dict[str, str] = {}

    def take(part: str, spans: Iterable[Span], known: str) -> None:
        nonlocal left
        mine = _common(left, spans)
        if mine:
            shares[part] = sorted(shares.get(part, []) + mine)
            left = _less(left, mine)
            how.setdefault(part, known)

    for row in reversed(list(reasons.select("from_at", "to_at", "reason").iter_rows())):
        a, b = microseconds(row[0]), microseconds(row[1])
        if a < end and b > begin:
            take(str(row[2]), [(a, b)], "entered")
    take("air", _reaching(waiting, begin, end), "found")
    if tipped_us is not None:
        most = round(rules.refill_most_s * _US)
        # At the end of the stop that it is nearer to, so that what is left is of one piece.
        first = begin if tipped_us - begin <= end - tipped_us else max(end - most, begin)
        take("refill", [(first, first + most)], "found")
    if left:
        shares[PAUSE if length < rules.stop_s * _US else UNEXPLAINED] = left
    return shares, how


def _stop_rows(
    shares: dict[str, list[Span]], how: dict[str, str], begin: int, end: int
) -> list[tuple[object, ...]]:
    """A stop as rows of the table: a row a stretch of one part."""
    pieces = sorted((a, b, part) for part, mine in shares.items() for a, b in mine)
    runs: list[list[Any]] = []
    for a, b, part in pieces:
        if runs and runs[-1][2] == part:
            runs[-1][1], runs[-1][3] = b, runs[-1][3] + b - a
        else:
            runs.append([a, b, part, b - a])
    rows: list[tuple[object, ...]] = []
    for a, b, part, idle in runs:
        if idle < _LISTED_S * _US and len(runs) > 1:
            continue
        open_yet = part == UNEXPLAINED
        offered = ""
        if open_yet:
            offered = "set_up" if a == begin or b == end else "break" if idle > 1200 * _US else ""
        rows.append(
            (
                _instant(a), _instant(b), idle / _US, "" if open_yet else part,
                how.get(part, ""), offered,
            )
        )  # fmt: skip
    return rows


def _instant(at_us: int) -> dt.datetime:
    return dt.datetime(1970, 1, 1) + dt.timedelta(microseconds=at_us)  # noqa: DTZ001
