"""How long a message waits until it is kept: group commits as a queue with bulk service.

Boxes send a message a second each, at phases of their own, so many boxes together look like a
Poisson stream; fewer are more even, and wait less. Ingest takes whatever waits, at most
``most_at_once``, syncs it with one call and acknowledges it: a group of ``n`` takes
``sync_s + n * message_s``. While one syncs, the next gathers. That is a queue with bulk service;
with groups of one it is the textbook's single server, against which
``tests/published/test_queueing.py`` holds it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Waits(NamedTuple):
    """What a simulated queue did.

    Parameters
    ----------
    mean_s, p50_s, p99_s, longest_s : float
        From a message's arrival to its acknowledgement. [s]
    mean_group : float
        Messages a group.
    busy : float
        Share of the time in which a group was under way.
    """

    mean_s: float
    p50_s: float
    p99_s: float
    longest_s: float
    mean_group: float
    busy: float


def poisson_arrivals(rate_hz: float, span_s: float, rng: np.random.Generator) -> Floats:
    """Instants of a Poisson stream from 0 to ``span_s``, ascending. [s]"""
    count = rng.poisson(rate_hz * span_s)
    return np.sort(rng.uniform(0.0, span_s, count))


def box_arrivals(boxes: int, span_s: float, rng: np.random.Generator) -> Floats:
    """A message a second from each box, each at its own phase, with 20 ms of network about it."""
    phases = rng.uniform(0.0, 1.0, boxes)
    beats = np.arange(int(span_s))
    instants = (phases[:, None] + beats[None, :]).ravel()
    return np.sort(instants + rng.exponential(0.02, instants.size))


def acknowledged(
    arrivals: Floats, group_s: Callable[[int], float], most_at_once: int
) -> tuple[Floats, list[int], float]:
    """When each message was acknowledged.

    Parameters
    ----------
    arrivals : array of float, shape (n,)
        Ascending. [s]
    group_s : callable
        How long a group of so many messages takes. [s]
    most_at_once : int
        Most messages of a group.

    Returns
    -------
    array of float, shape (n,)
        [s]
    list of int
        Sizes of the groups.
    float
        Time in which a group was under way. [s]
    """
    done = np.empty_like(arrivals)
    sizes: list[int] = []
    free_at = busy_s = 0.0
    first = 0
    while first < len(arrivals):
        begin = max(free_at, float(arrivals[first]))
        waiting = int(np.searchsorted(arrivals, begin, side="right")) - first
        size = min(max(waiting, 1), most_at_once)
        took_s = group_s(size)
        free_at = begin + took_s
        busy_s += took_s
        done[first : first + size] = free_at
        sizes.append(size)
        first += size
    return done, sizes, busy_s


def waits(arrivals: Floats, group_s: Callable[[int], float], most_at_once: int) -> Waits:
    """Simulate a queue (:func:`acknowledged`); the first tenth of the messages is not counted."""
    done, sizes, busy_s = acknowledged(arrivals, group_s, most_at_once)
    took = (done - arrivals)[len(arrivals) // 10 :]
    return Waits(
        float(took.mean()),
        float(np.quantile(took, 0.5)),
        float(np.quantile(took, 0.99)),
        float(took.max()),
        float(np.mean(sizes)),
        busy_s / float(done[-1] - arrivals[0]),
    )


def catching_up_s(outage_s: float, use: float) -> float:
    """How long after an outage until the queue is empty again, at a use of the server below 1. [s]

    What gathered, ``outage_s * use`` of work, is done with the share ``1 - use`` that is left over.
    """
    return outage_s * use / (1.0 - use)
