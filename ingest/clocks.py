"""What a box's clock was off by: arrival, message counter and box time reconciled.

This computer's clock says when a message arrived, the box's when its readings were taken. The
difference is the way here plus what the box's clock is wrong by. The way is short while messages
come as they are taken; what a box sends of its memory after an outage has a long one and says
nothing about its clock. So only stretches count in which ten seconds of arrivals hold ten seconds
of readings.

**Nothing is corrected by itself.** What is found here is shown; a person takes it, with a name, and
may withdraw it. A row of ``clock_correction`` then says for which arrivals readings are moved and
by how much. ``sample.sampled_at`` stays as it was sent: identity of readings, card files and
repetitions rest on it. The correction is applied when figures are derived, as calibrations are,
so taking or withdrawing one makes the pot's figures anew, and the same rows always give the same
figures. (Corrected on arrival, a reading could be told neither from its repetition nor from the
card's copy; corrected by an estimate that moves with each new message, figures of last week would
move too.)

A box without a clock sends times relative to now: they are placed by their arrival, and there is
nothing to correct.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_US = 1_000_000

#: Arrivals are looked at in stretches of this length. [s]
STRETCH_S = 10
#: A stretch is live if it holds as much time of readings as of arrivals, to within this. [s]
LIVE_WITHIN_S = 1.5
#: A step of the difference beyond this is a jump of the clock. [s]
JUMP_S = 2.0
#: A clock that is off by less is right: cycles are told by seconds, shifts by minutes. [s]
TOLERANCE_S = 2.0
#: Live stretches that a clock must have been heard for.
_FEWEST = 3
#: Shorter than this tells no drift. [s]
_DRIFT_OVER_S = 1_800.0
#: Drift that has not added up to this is none. [s]
_DRIFT_S = 0.5

Kind = Literal["offset", "drift", "jump", "restart"]


class Correction(NamedTuple):
    """What to add to the times that a box sent, for what arrived in a stretch of time.

    Parameters
    ----------
    arrived_from_us, arrived_to_us : int
        Arrivals it is for; up to but not including the second. [us since 1970 UTC]
    from_us, to_us : int
        First and last box time of it, as sent. [us since 1970 UTC]
    offset_s : float
        To add at ``from_us``: above zero where the box's clock was slow. [s]
    drift : float
        To add for each second since ``from_us``. [s/s]
    kind : str
        ``offset``, ``drift``; ``jump`` after the clock was set; ``restart`` after the box began
        its counter anew.
    reason : str
        What was seen, in words.
    """

    arrived_from_us: int
    arrived_to_us: int
    from_us: int
    to_us: int
    offset_s: float
    drift: float
    kind: Kind
    reason: str

    def shift_s(self, sampled_us: int) -> float:
        """What it adds to a box time [us since 1970 UTC], in seconds."""
        return self.offset_s + self.drift * (sampled_us - self.from_us) / _US


class _Heard(NamedTuple):
    """Live stretches of arrivals, one entry each."""

    begin_us: Ints
    sampled_us: Ints
    delay_s: Floats
    restarted: npt.NDArray[np.bool_]


def estimate(
    sampled_us: Ints, arrived_us: Ints, seq: Floats, tolerance_s: float = TOLERANCE_S
) -> list[Correction]:
    """Find where a box's clock was wrong, from its messages.

    Parameters
    ----------
    sampled_us : array of int64, shape (n,)
        Latest box time of each message. [us since 1970 UTC]
    arrived_us : array of int64, shape (n,)
        When each arrived, ascending. [us since 1970 UTC]
    seq : array of float64, shape (n,)
        Its counter; NaN where it has none.
    tolerance_s : float
        A clock that is off by less is right. [s]

    Returns
    -------
    list of Correction
        In the order of arrival; empty for a clock that was right.

    Examples
    --------
    >>> arrived = np.arange(600) * 1_000_000 + 1_760_000_000_000_000
    >>> [found] = estimate(arrived - 3_600_000_000, arrived, np.arange(600.0))
    >>> found.kind, round(found.offset_s)
    ('offset', 3600)
    """
    heard = _live(sampled_us, arrived_us, seq)
    count = heard.delay_s.size
    if count == 0:
        return []
    jumped = np.abs(np.diff(heard.delay_s)) > JUMP_S
    begins = np.flatnonzero(np.concatenate(([True], jumped | heard.restarted[1:])))
    ends = np.append(begins[1:], count)
    arrived_from = heard.begin_us[begins].tolist()
    arrived_from[0] = int(arrived_us[0])
    arrived_to = [*arrived_from[1:], int(arrived_us[-1]) + 1]
    found = []
    for number, (first, after) in enumerate(zip(begins.tolist(), ends.tolist(), strict=True)):
        if after - first < _FEWEST:
            continue
        at_us, delay_s = heard.sampled_us[first:after], heard.delay_s[first:after]
        offset_s, drift = _line((at_us - at_us[0]) / _US, delay_s)
        span_s = float(at_us[-1] - at_us[0]) / _US
        if max(abs(offset_s), abs(offset_s + drift * span_s)) < tolerance_s:
            continue
        kind: Kind = "drift" if drift else "offset"
        if number and heard.restarted[first]:
            kind = "restart"
        elif number:
            kind = "jump"
        found.append(
            Correction(
                arrived_from[number], arrived_to[number], int(at_us[0]), int(at_us[-1]),
                round(offset_s, 3), round(drift, 9), kind,
                _in_words(kind, offset_s, drift, heard.delay_s, first),
            )
        )  # fmt: skip
    return found


def _live(sampled_us: Ints, arrived_us: Ints, seq: Floats) -> _Heard:
    """The stretches of arrivals whose readings were taken as they came."""
    stretch = arrived_us // (STRETCH_S * _US)
    begins = np.flatnonzero(np.diff(stretch, prepend=-1))
    ends = np.append(begins, arrived_us.size)[1:]
    delay_us = arrived_us - sampled_us
    kept: list[tuple[int, int, float, bool]] = []
    highest = np.nan
    restart_due = False
    for first, after in zip(begins.tolist(), ends.tolist(), strict=True):
        numbers = seq[first:after]
        numbers = numbers[~np.isnan(numbers)]
        if numbers.size:
            # A counter that begins anew falls far; what is sent again after a lost
            # acknowledgement takes it back a little.
            restart_due |= bool(numbers[-1] < 0.5 * highest)
            highest = float(numbers[-1])
        own = delay_us[first:after]
        if after - first < 2 or np.ptp(own) > LIVE_WITHIN_S * _US:
            continue
        least = int(np.argmin(own))
        kept.append(
            (int(arrived_us[first]), int(sampled_us[first + least]), own[least] / _US, restart_due)
        )
        restart_due = False
    return _Heard(
        np.array([k[0] for k in kept], np.int64),
        np.array([k[1] for k in kept], np.int64),
        np.array([k[2] for k in kept], np.float64),
        np.array([k[3] for k in kept], np.bool_),
    )


def _line(since_s: Floats, delay_s: Floats) -> tuple[float, float]:
    """Offset and slope of the differences: through the medians of the first and last third."""
    third = since_s.size // 3
    slope = 0.0
    if third and since_s[-1] - since_s[0] >= _DRIFT_OVER_S:
        rise = float(np.median(delay_s[-third:]) - np.median(delay_s[:third]))
        run = float(np.median(since_s[-third:]) - np.median(since_s[:third]))
        slope = rise / run
        if abs(slope * (since_s[-1] - since_s[0])) < _DRIFT_S:
            slope = 0.0
    return float(np.median(delay_s - slope * since_s)), slope


def _in_words(kind: Kind, offset_s: float, drift: float, delay_s: Floats, first: int) -> str:
    side = "slow" if offset_s > 0 else "fast"
    words = f"the box's clock was {abs(offset_s):.1f} s {side}"
    if drift:
        lost = "lost" if drift > 0 else "gained"
        words += f" and {lost} {abs(drift) * 3600:.2f} s an hour"
    if kind == "jump":
        words += f", after it was set by {delay_s[first - 1] - delay_s[first]:+.1f} s"
    if kind == "restart":
        words += ", after the box had started anew"
    return words
