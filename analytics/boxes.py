"""How well a sensor box is heard: lost, late and repeated messages, restarts, rate, silence.

Losses show in two ways that do not need each other: the box's message counter jumps, or nothing
comes at all. All functions here take frames in and give frozen results; none reads a clock.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

#: Messages that overtake each other lie no further apart than this. [messages]
REORDERED_WITHIN = 100
#: After a restart a box counts from nought; a counter that falls back to less than this is one.
RESTARTED_BELOW = 1000
#: A reading that arrives later than this after its time was kept by the box, or its clock is off.
LATE_S = 10.0
#: Silence for so many gaps, and at least so long, is worth a word where others talk. [s]
SILENT_GAPS, SILENT_S = 10.0, 60.0


class BoxHealth(NamedTuple):
    """How a pot's box was heard.

    Parameters
    ----------
    instants : int
        Instants with a reading.
    first_at, last_at : datetime or None
        First and last arrival, UTC; ``None``: nothing was heard.
    rate_hz : float or None
        Instants a second, by the median of the time between them. [1/s]
    lost : int or None
        Messages that the counter says were sent and that did not come; ``None``: no counter.
    restarts : int
        How often the counter began anew.
    late : int
        Readings that arrived more than ``late_s`` after their time.
    latest_s : float
        The longest that one was late. [s]
    silences : int
        Stretches longer than the box's gap without a reading.
    silent_s : float
        What they come to. [s]
    """

    instants: int
    first_at: dt.datetime | None
    last_at: dt.datetime | None
    rate_hz: float | None
    lost: int | None
    restarts: int
    late: int
    latest_s: float
    silences: int
    silent_s: float


class Silence(NamedTuple):
    """A box that is silent while others talk.

    Parameters
    ----------
    pot : str
    since_at : datetime
        When it was last heard, UTC.
    silent_s : float
        [s]
    talking : tuple of str
        Pots that were heard since.
    """

    pot: str
    since_at: dt.datetime
    silent_s: float
    talking: tuple[str, ...]


def health(heard: pl.DataFrame, gap_s: float, late_s: float = LATE_S) -> BoxHealth:
    """Say how a pot's box was heard.

    Parameters
    ----------
    heard : polars.DataFrame
        ``sampled_at, arrived_at`` (naive UTC) and ``seq`` (count; null where a row has none), in
        any order.
    gap_s : float
        Nothing for longer than this is silence. [s]
    late_s : float
        [s]

    Returns
    -------
    BoxHealth

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5, 8, 0, second) for second in (0, 1, 2, 9)]
    >>> frame = pl.DataFrame({"sampled_at": at, "arrived_at": at, "seq": [1, 2, 5, 6]})
    >>> found = health(frame, gap_s=2.0)
    >>> found.lost, found.silences, found.silent_s, found.rate_hz
    (2, 1, 7.0, 1.0)
    """
    if heard.is_empty():
        return BoxHealth(0, None, None, None, None, 0, 0, 0.0, 0, 0.0)
    sampled = heard["sampled_at"].unique().sort()
    steps_s = sampled.diff().drop_nulls().dt.total_microseconds().to_numpy() / 1e6
    silent = steps_s[steps_s > gap_s]
    delay_s = (heard["arrived_at"] - heard["sampled_at"]).dt.total_microseconds().to_numpy() / 1e6
    late = delay_s > late_s
    counted = heard.drop_nulls("seq").sort("arrived_at", "sampled_at")
    lost, restarts = lost_messages(counted["seq"].cast(pl.Int64).to_numpy())
    between_s = float(np.median(steps_s)) if len(steps_s) else 0.0
    return BoxHealth(
        instants=len(sampled),
        first_at=_instant(heard["arrived_at"].min()),
        last_at=_instant(heard["arrived_at"].max()),
        rate_hz=1.0 / between_s if between_s > 0.0 else None,
        lost=lost if counted.height else None,
        restarts=restarts,
        late=int(late.sum()),
        latest_s=float(delay_s[late].max()) if late.any() else 0.0,
        silences=len(silent),
        silent_s=float(silent.sum()),
    )


def lost_messages(seq: npt.NDArray[np.int64]) -> tuple[int, int]:
    """Messages missing by their counter, and restarts of the counter.

    Parameters
    ----------
    seq : array of int64
        Counters in the order of arrival. Some may have overtaken others, or come twice; what a box
        kept and sent later may come after newer ones.

    Returns
    -------
    tuple of int
        Lost and restarts. What was lost just before a restart cannot be known and is not counted.

    Examples
    --------
    >>> lost_messages(np.array([7, 8, 10, 9, 12, 12]))
    (1, 0)
    >>> lost_messages(np.array([5000, 5001, 0, 1, 3]))
    (1, 1)
    >>> lost_messages(np.array([9000, 9500, *range(9001, 9500)]))  # the middle came later
    (0, 0)
    """
    if not len(seq):
        return 0, 0
    fell = np.diff(seq) < -REORDERED_WITHIN
    restarted = fell & (seq[1:] < RESTARTED_BELOW)
    run = np.concatenate([[0], np.cumsum(restarted)])
    lost = 0
    for number in range(int(run[-1]) + 1):
        part = np.unique(seq[run == number])
        lost += int(part[-1] - part[0]) + 1 - len(part)
    return lost, int(restarted.sum())


def silent_beside_others(
    last_at: Mapping[str, dt.datetime], gap_s: Mapping[str, float], now: dt.datetime
) -> list[Silence]:
    """Boxes that are silent while a neighbour talks: so it is the box, not the yard's network.

    Parameters
    ----------
    last_at : mapping
        When each pot was last heard; naive UTC.
    gap_s : mapping
        Each pot's gap. [s]
    now : datetime
        Naive UTC.

    Returns
    -------
    list of Silence
        The longest silent first. Empty where all are silent: then it is the network, the broker,
        ingest, or the end of the day.

    Examples
    --------
    >>> at = dt.datetime(2026, 1, 5, 8)
    >>> heard = {"a": at, "b": at + dt.timedelta(minutes=10)}
    >>> silent_beside_others(heard, {}, at + dt.timedelta(minutes=10, seconds=5))
    ... # doctest: +ELLIPSIS
    [Silence(pot='a', since_at=..., silent_s=605.0, talking=('b',))]
    >>> silent_beside_others(heard, {}, at + dt.timedelta(hours=3))
    []
    """
    allowed = {pot: max(SILENT_S, SILENT_GAPS * gap_s.get(pot, 2.0)) for pot in last_at}
    silent_s = {pot: (now - at).total_seconds() for pot, at in last_at.items()}
    talking = tuple(sorted(pot for pot in last_at if silent_s[pot] <= allowed[pot]))
    if not talking:
        return []
    found = [
        Silence(pot, at, silent_s[pot], talking)
        for pot, at in last_at.items()
        if silent_s[pot] > allowed[pot]
    ]
    return sorted(found, key=lambda silence: (-silence.silent_s, silence.pot))


def _instant(value: object) -> dt.datetime | None:
    return value if isinstance(value, dt.datetime) else None
