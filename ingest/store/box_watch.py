"""What each box brings, counted while it comes in: lost by its counter, late, restarts.

For the health file of a running ingest. `gritbook boxes` computes the same for any stretch of time
from what is stored (:mod:`analytics.boxes`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ingest.store.batch import Batch

#: As in :mod:`analytics.boxes`: messages overtake each other by no more than this, and a box that
#: restarts counts from below that.
REORDERED_WITHIN, RESTARTED_BELOW = 100, 1000
#: A message that arrives later than this after its readings' time was kept by the box. [us]
LATE_US = 10_000_000
#: Missing numbers that are remembered, for they may still come. [messages]
_MOST_MISSING = 50_000


class BoxCount(NamedTuple):
    """What one pot's box brought in a batch.

    Parameters
    ----------
    messages : int
        Messages with a reading of it.
    lost : int
        Messages missing by their counter; below zero where such came after all.
    restarts : int
        How often the counter began anew.
    late : int
        Messages that came more than ten seconds after the time of their readings.
    last_us : int
        The last arrival. [us since 1970 UTC]
    """

    messages: int
    lost: int
    restarts: int
    late: int
    last_us: int


class BoxWatch:
    """Follows the counters of all pots from batch to batch. Knows nothing from before its start."""

    def __init__(self) -> None:
        self._highest: dict[str, int] = {}
        self._missing: dict[str, set[int]] = {}

    def note(self, batch: Batch) -> dict[str, BoxCount]:
        """Count a batch that the store has.

        Parameters
        ----------
        batch : Batch

        Returns
        -------
        dict of str to BoxCount
            By pot.
        """
        heard, counts = batch.heard, {}
        if not len(heard.series):
            return {}
        # Numbers for pots: comparing names would cost more than all else here.
        pots = sorted({batch.series[n].pot for n in np.unique(heard.series)})
        pot_of_series = np.array([pots.index(s.pot) if s.pot in pots else -1 for s in batch.series])
        pot_of = pot_of_series[heard.series]
        once = ~np.isin(batch.message_of, list(batch.repeats))
        for number_of_pot, pot in enumerate(pots):
            mine = once & (pot_of == number_of_pot)
            is_seq = np.array([s.pot == pot and s.channel == "seq" for s in batch.series])
            lost = restarts = 0
            for number in heard.value[once & is_seq[heard.series]].tolist():
                more, again = self._next(pot, int(number))
                lost += more
                restarts += again
            late = mine & (heard.arrived_us - heard.at_us > LATE_US)
            counts[pot] = BoxCount(
                len(np.unique(batch.message_of[mine])),
                lost,
                restarts,
                len(np.unique(batch.message_of[late])),
                int(heard.arrived_us[mine].max()) if mine.any() else 0,
            )
        return counts

    def _next(self, pot: str, number: int) -> tuple[int, int]:
        """Take a pot's next counter: messages lost more than before it, and restarts."""
        highest = self._highest.get(pot)
        missing = self._missing.setdefault(pot, set())
        if highest is None:
            self._highest[pot] = number
            return 0, 0
        if number > highest:
            gone = range(highest + 1, number)
            if len(missing) + len(gone) <= _MOST_MISSING:
                missing.update(gone)
            self._highest[pot] = number
            return len(gone), 0
        if number in missing:
            missing.remove(number)
            return -1, 0
        if highest - number > REORDERED_WITHIN and number < RESTARTED_BELOW:
            self._highest[pot] = number
            missing.clear()
            return 0, 1
        return 0, 0
