"""Lose, repeat, reorder and garble messages on their way, as bad lines do."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from ..faults.fault_set import FaultSet


class Below(Protocol):
    """The feed that messages are sent through in the end."""

    sent: int

    def frame(self, pack: bytes) -> bytes:
        """Give the bytes that carry a pack.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """

    def send_bytes(self, line: bytes) -> None:
        """Send bytes as they are.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """


class Mangled:
    """A feed that mistreats what it is given, by the message faults of a fault set.

    Each message draws the same number of chances whatever happens to it, so one fault more does
    not change what another does. Counts are kept by fault, for the truth.

    Parameters
    ----------
    feed : Below
        What it is sent through in the end.
    faults : FaultSet
        Its message faults, and its seed.
    """

    def __init__(self, feed: Below, faults: FaultSet) -> None:
        self.feed = feed
        self.shares = faults.message_faults()
        self.counts = dict.fromkeys(self.shares, 0)
        self._random = np.random.default_rng(np.random.SeedSequence([faults.seed, 0x3A]))
        self._kept_back: bytes | None = None

    def frame(self, pack: bytes) -> bytes:
        """Frame as the feed below does.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        return self.feed.frame(pack)

    def send(self, pack: bytes) -> None:
        """Frame a pack and send it, or not.

        Parameters
        ----------
        pack : bytes
            SenML JSON.
        """
        self.send_bytes(self.frame(pack))

    def send_bytes(self, line: bytes) -> None:
        """Send bytes as the faults will have it.

        Parameters
        ----------
        line : bytes
            What goes on the wire.
        """
        lost, repeated, reordered, garbled = self._random.random(4)
        places = self._random.integers(0, len(line) - 1, 3)
        flips = self._random.integers(1, 128, 3)
        if self._happens("message_garbled", garbled):
            line = garble(line, places.tolist(), flips.tolist())
        if self._happens("message_lost", lost):
            return
        if self._kept_back is None and self._happens("message_reordered", reordered):
            self._kept_back = line
            return
        self.feed.send_bytes(line)
        if self._happens("message_repeated", repeated):
            self.feed.send_bytes(line)
        if self._kept_back is not None:
            kept, self._kept_back = self._kept_back, None
            self.feed.send_bytes(kept)

    def finish(self) -> None:
        """Send what was still kept back."""
        if self._kept_back is not None:
            kept, self._kept_back = self._kept_back, None
            self.feed.send_bytes(kept)

    def _happens(self, name: str, chance: float) -> bool:
        happens = chance < self.shares.get(name, 0.0)
        if happens:
            self.counts[name] += 1
        return bool(happens)


def garble(line: bytes, places: list[int], flips: list[int]) -> bytes:
    """Give a line with bits of some of its bytes flipped; its last byte, the line feed, stays.

    Parameters
    ----------
    line : bytes
        At least two bytes.
    places : list of int
        Which bytes, from 0 to the last but one.
    flips : list of int
        Which bits of each, 1 to 127.

    Examples
    --------
    >>> garble(b"abc", [0], [1])
    b'`bc'
    """
    changed = bytearray(line)
    for place, flip in zip(places, flips, strict=True):
        changed[place] ^= flip
    return bytes(changed)
