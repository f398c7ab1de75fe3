"""Many packs of the common form at once, by a compiled reader: for batches that are large.

:class:`Scanner` remembers which name and unit is which slot, as it is told; a pack with one that it
was not told is given up, like any pack that is not plainly of the common form. The compiled reader
is :mod:`ingest.wire.scan_kernel`. It is loaded with the first large batch only: a yard whose boxes
send a few messages a second never waits for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.wire import rfc8428

#: Batches of fewer bytes are read as fast without. [bytes]
WORTH_BYTES = 1 << 18
# The shortest record there is: `{"v":1},`.
_SHORTEST_RECORD = 8
_END, _NONE = b"\xff", b"\xfe"


class Scanned(NamedTuple):
    """What was read of some packs, in their order.

    Parameters
    ----------
    counts : array of int64
        Readings of each pack; 0: it was given up.
    base_us : array of float64
        Base time of each pack. [us]
    slot, seconds, value : array
        Of each reading: slot, own time [s], value as sent.
    """

    counts: npt.NDArray[np.int64]
    base_us: npt.NDArray[np.float64]
    slot: npt.NDArray[np.int32]
    seconds: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]


class Scanner:
    """The compiled reader with its table of names."""

    def __init__(self) -> None:
        self._hashes = np.zeros(256, np.uint64)
        self._places = np.full(256, -1, np.int64)
        self._begins = np.zeros(256, np.int64)
        self._keys = bytearray()
        self._told: list[tuple[bytes, int]] = []
        self._to_tell = 0

    def tell(
        self, base_name: str, base_unit: str | None, name: str, unit: str | None, switch: bool,
        slot: int,
    ) -> None:  # fmt: skip
        """Say which slot a way of sending belongs to; once each."""
        parts = [_part(base_name), _part(base_unit), _part(name), _part(unit)]
        if None in parts:
            return  # not plain ASCII: packs with it are given up before a name is looked up
        key = b"".join(part for part in parts if part is not None) + (b"1" if switch else b"0")
        self._told.append((key, slot))

    def scan(self, packs: Sequence[bytes]) -> Scanned:
        """Read what is plainly of the common form.

        Parameters
        ----------
        packs : sequence of bytes
            One longer than :data:`ingest.wire.rfc8428.MAX_MESSAGE_BYTES` is given up.
        """
        from ingest.wire.scan_kernel import scan_packs

        self._remember()
        text = np.frombuffer(b"".join(packs), np.uint8)
        ends = np.cumsum(np.fromiter(map(len, packs), np.int64, len(packs)))
        begins = np.concatenate((np.zeros(1, np.int64), ends[:-1]))
        most = text.size // _SHORTEST_RECORD + 1
        slot, seconds, value = np.empty(most, np.int64), np.empty(most), np.empty(most)
        counts, base_s = np.empty(len(packs), np.int64), np.empty(len(packs))
        filled = scan_packs(
            text, begins, ends, rfc8428.MAX_MESSAGE_BYTES, rfc8428.MAX_RECORDS,
            self._hashes, self._places, self._begins,
            np.frombuffer(bytes(self._keys) or _END, np.uint8), slot, seconds, value, counts,
            base_s,
        )  # fmt: skip
        return Scanned(
            counts, np.rint(base_s * 1e6), slot[:filled].astype(np.int32), seconds[:filled],
            value[:filled],
        )  # fmt: skip

    def _remember(self) -> None:
        """Bring what was told into the table; at most a quarter of it is in use."""
        if self._to_tell == len(self._told):
            return
        from ingest.wire.scan_kernel import key_hash

        if 4 * len(self._told) > self._places.size:
            size = 1 << (8 * len(self._told)).bit_length()
            self._hashes = np.zeros(size, np.uint64)
            self._places = np.full(size, -1, np.int64)
            self._begins = np.zeros(size, np.int64)
            self._keys.clear()
            self._to_tell = 0
        mask = self._places.size - 1
        for key, slot in self._told[self._to_tell :]:
            value = np.uint64(key_hash(np.frombuffer(key, np.uint8)))
            place = int(value) & mask
            while self._places[place] >= 0:
                place = (place + 1) & mask
            self._hashes[place], self._places[place] = value, slot
            self._begins[place] = len(self._keys)
            self._keys += key
        self._to_tell = len(self._told)


def _part(text: str | None) -> bytes | None:
    """A part of a key with its end; ``None`` where the compiled reader would never see it."""
    if text is None:
        return _NONE + _END
    if not text.isascii() or not text.isprintable():
        return None
    return text.encode() + _END
