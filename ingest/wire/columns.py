"""Many messages at once: columns of readings for the store writer.

Packs of the form that their box usually sends take a fast way (:mod:`ingest.wire.usual`): twenty
times as fast as the careful reader. Every other pack goes to :func:`ingest.wire.senml.decode`. Both
give the same readings to the last bit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.readings import RawMessage, Reject
from ingest.wire import framing, reasons, rfc8428, senml
from ingest.wire.senml import Slot
from ingest.wire.usual import Gathered, UsualForms

#: Content types of SenML JSON over MQTT 5; empty means the same.
SENML_JSON = frozenset({"", "application/senml+json", "110"})
#: And of SenML CBOR. 110 and 112 are their numbers among CoAP's content formats, RFC 8428, 12.3.
SENML_CBOR = frozenset({"application/senml+cbor", "112"})
#: Content types a serial source gives its lines.
LINE_OPTIONAL = "line;crc=optional"
LINE_REQUIRED = "line;crc=required"
LINE_CUT = "line;too-long"

#: Slots and forms that are remembered before the memory is started anew.
_REMEMBERED = 10_000
# Readings of usual form that are turned into columns together.
_AT_ONCE = 6000


class TextReading(NamedTuple):
    """A reading whose value is text."""

    message: int
    slot: int
    at_us: int
    text: str


class Columns(NamedTuple):
    """Readings of many messages as columns of equal length, in the order sent.

    Parameters
    ----------
    slots : list of Slot
        What the numbers in ``slot`` mean.
    message : array of int32
        Which of the messages each reading came in.
    slot : array of int32
    at_us : array of int64
        [us since 1970 UTC]
    value : array of float64
        In the slot's unit.
    texts : list of TextReading
        Readings whose value is text, apart.
    rejects : list of tuple
        Message and reject.
    relative : frozenset of int
        Messages of which some time was counted from their arrival.
    """

    slots: list[Slot]
    message: npt.NDArray[np.int32]
    slot: npt.NDArray[np.int32]
    at_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    texts: list[TextReading]
    rejects: list[tuple[int, Reject]]
    relative: frozenset[int]


class ColumnDecoder:
    """Decode batches of messages; remembers the forms that boxes use from batch to batch.

    The memory is bounded and holds nothing that changes what is read.
    """

    def __init__(self) -> None:
        self._slots: list[Slot] = []
        self._numbers: dict[Slot, int] = {}
        self._usual = UsualForms(self._number)

    def decode(self, messages: Sequence[RawMessage]) -> Columns:
        """Decode a batch.

        Parameters
        ----------
        messages : sequence of RawMessage

        Returns
        -------
        Columns
            Never raises for what the bytes hold.
        """
        if max(len(self._slots), self._usual.size) > _REMEMBERED:
            self._slots, self._numbers = [], {}
            self._usual.forget()
        careful = _Careful(self._number)
        usual = _Usual(self._usual, self._slots, messages)
        take = usual.gathered.take
        left: list[int] = []
        for number, message in enumerate(messages):
            payload = message.payload
            if message.content_type not in SENML_JSON:
                text = payload_of(message)
                if isinstance(text, Reject) or message.content_type in SENML_CBOR:
                    left.append(number)
                    continue
                payload = text
            if len(payload) <= rfc8428.MAX_MESSAGE_BYTES:
                box = message.topic or message.source
                readings = take(number, box, payload)
                if readings >= _AT_ONCE:
                    usual.turn()
                if readings:
                    continue
                self._usual.learn(box, payload)
            left.append(number)
        usual.turn()
        for number in sorted(left + usual.odd):
            careful.take(number, messages[number])
        return _together(list(self._slots), usual.parts, careful)

    def _number(self, slot: Slot) -> int:
        number = self._numbers.get(slot)
        if number is None:
            number = self._numbers[slot] = len(self._slots)
            self._slots.append(slot)
        return number


class _Usual:
    """Packs of usual form, turned into columns some thousand readings at a time.

    So what is worked on stays in the processor's cache, which is half of the speed.
    """

    def __init__(
        self, forms: UsualForms, slots: list[Slot], messages: Sequence[RawMessage]
    ) -> None:
        self.gathered = Gathered(forms)
        self._slots = slots
        self._table = _SlotTable.of(slots)
        self._messages = messages
        #: Messages that were not of usual form after all.
        self.odd: list[int] = []
        self.parts: list[Columns] = []

    def turn(self) -> None:
        """Turn what waits into columns; what cannot be becomes rejects."""
        packs, odd = self.gathered.turn()
        self.odd += odd
        if not packs.numbers:
            return
        if len(self._table.factor) < len(self._slots):
            self._table = _SlotTable.of(self._slots)
        table, slot = self._table, packs.slot
        arrived_us = np.array([self._messages[n].arrived_us for n in packs.numbers], np.int64)
        message = np.repeat(np.array(packs.numbers, np.int32), packs.counts)
        with np.errstate(over="ignore", invalid="ignore"):
            at_us = np.rint(packs.seconds * 1e6)
            at_us += np.repeat(np.rint(packs.base_s * 1e6), packs.counts)
            if table.scales:
                value = packs.value * table.factor[slot]
                value += table.offset[slot]
            else:
                value = packs.value + 0.0  # as with an offset of nil, for nil has two signs
        relative: frozenset[int] = frozenset()
        if not at_us.min() >= senml.RELATIVE_BELOW_US:
            from_arrival = at_us < senml.RELATIVE_BELOW_US
            at_us[from_arrival] += np.repeat(arrived_us, packs.counts)[from_arrival]
            relative = frozenset(message[from_arrival].tolist())
        if _right(slot, at_us, value, table, int(arrived_us.min())):
            whole_us = at_us.astype(np.int64)
            self.parts.append(
                Columns(self._slots, message, slot, whole_us, value, [], [], relative)
            )
            return
        columns = Columns(self._slots, message, slot, _whole(at_us), value, [], [], relative)
        arrived_us = np.repeat(arrived_us, packs.counts)
        self.parts.append(_without_wrong(columns, table, at_us, arrived_us))


class _SlotTable(NamedTuple):
    """What holds for slots, by their number."""

    factor: npt.NDArray[np.float64]
    offset: npt.NDArray[np.float64]
    is_deadman: npt.NDArray[np.bool_]
    is_seq: npt.NDArray[np.bool_]
    #: Not every number is a value.
    is_apart: npt.NDArray[np.bool_]
    #: Any is sent in another unit than it is kept in.
    scales: bool

    @classmethod
    def of(cls, slots: Sequence[Slot]) -> _SlotTable:
        """The table for these."""
        factor = np.array([slot.factor for slot in slots], np.float64)
        offset = np.array([slot.offset for slot in slots], np.float64)
        is_deadman = np.array([slot.column == "deadman" for slot in slots], bool)
        is_seq = np.array([slot.column == "seq" for slot in slots], bool)
        scales = bool((factor != 1.0).any() or (offset != 0.0).any())
        return cls(factor, offset, is_deadman, is_seq, is_deadman | is_seq, scales)


class _Careful:
    """What the careful reader made of messages, as plain lists."""

    def __init__(self, number_of: Callable[[Slot], int]) -> None:
        self._number_of = number_of
        self.message: list[int] = []
        self.slot: list[int] = []
        self.at_us: list[int] = []
        self.value: list[float] = []
        self.texts: list[TextReading] = []
        self.rejects: list[tuple[int, Reject]] = []
        self.relative: set[int] = set()

    def take(self, number: int, message: RawMessage) -> None:
        """Take a message."""
        payload = payload_of(message)
        if isinstance(payload, Reject):
            self.rejects.append((number, payload))
            return
        form: senml.Form = "cbor" if message.content_type in SENML_CBOR else "json"
        (readings, rejects), relative = senml.decode_with_time(payload, message.arrived_us, form)
        if relative:
            self.relative.add(number)
        self.rejects += [(number, reject) for reject in rejects]
        for reading in readings:
            # The value is in its kept unit already, so its slot must not scale it again.
            slot = self._number_of(senml.kept(reading))
            if reading.text is not None:
                self.texts.append(TextReading(number, slot, reading.at_us, reading.text))
                continue
            self.message.append(number)
            self.slot.append(slot)
            self.at_us.append(reading.at_us)
            self.value.append(reading.value)


def _together(slots: list[Slot], usual: list[Columns], careful: _Careful) -> Columns:
    message = np.concatenate([*(c.message for c in usual), np.array(careful.message, np.int32)])
    columns = Columns(
        slots,
        message,
        np.concatenate([*(c.slot for c in usual), np.array(careful.slot, np.int32)]),
        np.concatenate([*(c.at_us for c in usual), np.array(careful.at_us, np.int64)]),
        np.concatenate([*(c.value for c in usual), np.array(careful.value, np.float64)]),
        careful.texts,
        [reject for c in usual for reject in c.rejects] + careful.rejects,
        frozenset(careful.relative).union(*(c.relative for c in usual)),
    )
    columns.rejects.sort(key=lambda reject: reject[0])
    if not careful.message:
        return columns
    order = np.argsort(message, kind="stable")
    return columns._replace(
        message=message[order],
        slot=columns.slot[order],
        at_us=columns.at_us[order],
        value=columns.value[order],
    )


def payload_of(message: RawMessage) -> bytes | Reject:
    """The pack in a message, by its content type."""
    kind = message.content_type
    if kind in SENML_JSON or kind in SENML_CBOR:
        return message.payload
    if kind in (LINE_OPTIONAL, LINE_REQUIRED):
        required: framing.Crc = "required" if kind == LINE_REQUIRED else "optional"
        return framing.text_of(message.payload, required)
    if kind == LINE_CUT:
        detail = f"a line holds at most {framing.MAX_LINE_BYTES} bytes"
        return Reject(reasons.LINE_TOO_LONG, detail)
    return Reject(reasons.CONTENT_TYPE_UNKNOWN, f"content type {kind[:60]!r}")


def _whole(at_us: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Times as integers; those that do not fit become 0, and are refused by their float."""
    fits = np.abs(at_us) < 9e15
    return np.where(fits, at_us, 0.0).astype(np.int64)


def _right(
    slot: npt.NDArray[np.int32],
    at_us: npt.NDArray[np.float64],
    value: npt.NDArray[np.float64],
    table: _SlotTable,
    arrived_us: int,
) -> bool:
    """Whether all times and values can be, looked at in few passes; false where that is not told.

    What is not a number is in no order, and makes the sum of all none either.
    """
    if not (at_us.min() >= senml.EARLIEST_US and at_us.max() <= arrived_us + senml.AHEAD_US):
        return False
    with np.errstate(over="ignore", invalid="ignore"):
        if not np.isfinite(value.sum()):
            return False
    apart = np.flatnonzero(table.is_apart[slot])
    number, is_deadman = value[apart], table.is_deadman[slot[apart]]
    switched = (number == 0.0) | (number == 1.0)
    counted = (number >= 0) & (number < 2.0**53) & (number == np.floor(number))
    return bool(np.where(is_deadman, switched, counted).all())


def _without_wrong(
    columns: Columns,
    table: _SlotTable,
    at_us: npt.NDArray[np.float64],
    arrived_us: npt.NDArray[np.int64],
) -> Columns:
    """Take out readings whose time or value cannot be, as rejects."""
    slots, value = columns.slots, columns.value
    is_deadman, is_seq = table.is_deadman[columns.slot], table.is_seq[columns.slot]
    with np.errstate(invalid="ignore"):
        ok = (at_us >= senml.EARLIEST_US) & (at_us <= arrived_us + senml.AHEAD_US)
        ok &= np.isfinite(value)
        ok &= ~is_deadman | (value == 0.0) | (value == 1.0)
        ok &= ~is_seq | ((value >= 0) & (value < 2.0**53) & (value == np.floor(value)))
    if ok.all():
        return columns
    first_of_message = np.searchsorted(columns.message, columns.message, side="left")
    for index in np.flatnonzero(~ok):
        slot = slots[columns.slot[index]]
        reject = senml.time_reject(float(at_us[index]), int(arrived_us[index]))
        reject = reject or senml.value_reject(slot, float(value[index]))
        assert reject is not None, "the masks above and the two functions say the same"
        number = int(index - first_of_message[index])
        named = Reject(reject.reason, f"record {number}: {reject.detail}")
        columns.rejects.append((int(columns.message[index]), named))
    return columns._replace(
        message=columns.message[ok],
        slot=columns.slot[ok],
        at_us=columns.at_us[ok],
        value=columns.value[ok],
    )
