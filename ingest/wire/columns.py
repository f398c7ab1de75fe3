"""Many messages at once: columns of readings for the store writer.

Packs of the common form (base fields in the first record only, ``n u t v vb`` in the others) take
a fast way without a Python step a reading: about ten times as fast as the careful reader. Every
other pack goes to :func:`ingest.wire.senml.decode`. Both give the same readings to the last bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from ingest.readings import RawMessage, Reject
from ingest.wire import framing, reasons, rfc8428, senml
from ingest.wire.senml import Slot

#: Content types of SenML JSON over MQTT 5; empty means the same.
SENML_JSON = frozenset({"", "application/senml+json", "110"})
#: And of SenML CBOR. 110 and 112 are their numbers among CoAP's content formats, RFC 8428, 12.3.
SENML_CBOR = frozenset({"application/senml+cbor", "112"})
#: Content types a serial source gives its lines.
LINE_OPTIONAL = "line;crc=optional"
LINE_REQUIRED = "line;crc=required"
LINE_CUT = "line;too-long"

#: Ways of sending (name, unit, kind) that are remembered before the memory is started anew.
_REMEMBERED = 50_000


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


class _Common(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A record of the common form. An unknown field fails, and the pack goes the careful way."""

    n: str = ""
    u: str | None = None
    t: float = 0.0
    v: float | None = None
    vb: bool | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None


_decode_common = msgspec.json.Decoder(list[_Common]).decode
_Key = tuple[str, str | None, bool]


class ColumnDecoder:
    """Decode batches of messages; remembers how names and units map to slots from batch to batch.

    The memory is bounded and holds nothing that changes what is read.
    """

    def __init__(self) -> None:
        self._forget()

    def _forget(self) -> None:
        self._slots: list[Slot] = []
        self._numbers: dict[Slot, int] = {}
        # By (base name, base unit), then by (name, unit, is a switch): the slot's number, or -1
        # where the careful reader has to say what is wrong.
        self._known: dict[tuple[str, str | None], dict[_Key, int]] = {}
        self._count = 0

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
        if self._count > _REMEMBERED:
            self._forget()
        batch = _Batch()
        for number, message in enumerate(messages):
            payload = payload_of(message)
            if isinstance(payload, Reject):
                batch.rejects.append((number, payload))
            elif message.content_type in SENML_CBOR:
                self._take_careful(batch, number, payload, message.arrived_us, "cbor")
            elif not self._take_common(batch, number, payload):
                self._take_careful(batch, number, payload, message.arrived_us)
        return self._columns(batch, messages)

    def _take_common(self, batch: _Batch, number: int, payload: bytes) -> bool:
        """Take a pack of the common form; ``False``, and nothing taken, where it is not of it."""
        if len(payload) > rfc8428.MAX_MESSAGE_BYTES:
            return False
        try:
            records = _decode_common(payload)
        except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
            # Not of the common form, or not a pack at all: the careful reader says which.
            return False
        if not 0 < len(records) <= rfc8428.MAX_RECORDS:
            return False
        first = records[0]
        if first.v is None and first.vb is None:
            return False
        base_fields = 3 - (first.bn, first.bt, first.bu).count(None)
        # Base fields of later records would show as further `"b` in the bytes, or be hidden by an
        # escape. Counting bytes is far cheaper than looking at every record. A null is no value,
        # but would pass for an absent field.
        if payload.count(b'"b') != base_fields or b"\\" in payload or b"null" in payload:
            return False
        known = self._known.setdefault((first.bn or "", first.bu), {})
        keys = [(record.n, record.u, record.v is None) for record in records]
        try:
            slots = [known[key] for key in keys]
        except KeyError:
            self._learn(known, first.bn or "", first.bu, keys)
            slots = [known[key] for key in keys]
        if min(slots) < 0:
            return False
        numbers = [record.v for record in records]
        switches = [record.vb for record in records]
        if numbers.count(None) + switches.count(None) != len(records):
            return False
        values = [
            number if switch is None else switch
            for number, switch in zip(numbers, switches, strict=True)
        ]
        if None in values:
            return False
        batch.slots += slots
        batch.seconds += [record.t for record in records]
        batch.values += values  # type: ignore[arg-type]  # no None is left, which mypy cannot see
        batch.parts.append((number, len(records), senml.microseconds(first.bt or 0.0)))
        return True

    def _learn(
        self, known: dict[_Key, int], base_name: str, base_unit: str | None, keys: list[_Key]
    ) -> None:
        for key in keys:
            if key in known:
                continue
            name, unit, switch = key
            unit = base_unit if unit is None else unit
            number = -1
            if rfc8428.name_allowed(base_name + name) and len(unit or "") <= (
                rfc8428.MAX_UNIT_LENGTH
            ):
                slot = senml.place(base_name + name, unit, "vb" if switch else "v")
                if isinstance(slot, Slot):
                    number = self._number(slot)
            known[key] = number
            self._count += 1

    def _number(self, slot: Slot) -> int:
        number = self._numbers.get(slot)
        if number is None:
            number = self._numbers[slot] = len(self._slots)
            self._slots.append(slot)
        return number

    def _take_careful(
        self,
        batch: _Batch,
        number: int,
        payload: bytes,
        arrived_us: int,
        form: senml.Form = "json",
    ) -> None:
        (readings, rejects), relative = senml.decode_with_time(payload, arrived_us, form)
        if relative:
            batch.relative.add(number)
        batch.rejects += [(number, reject) for reject in rejects]
        numeric = 0
        for reading in readings:
            # The value is in its kept unit already, so its slot must not scale it again.
            slot = senml.kept(reading)
            if reading.text is not None:
                batch.texts.append(
                    TextReading(number, self._number(slot), reading.at_us, reading.text)
                )
                continue
            batch.slots.append(self._number(slot))
            batch.exact_at_us[len(batch.values)] = reading.at_us
            batch.values.append(reading.value)
            batch.seconds.append(0.0)
            numeric += 1
        if numeric:
            batch.parts.append((number, numeric, 0.0))

    def _columns(self, batch: _Batch, messages: Sequence[RawMessage]) -> Columns:
        counts = np.array([count for _, count, _ in batch.parts], np.int64)
        message = np.repeat(np.array([n for n, _, _ in batch.parts], np.int32), counts)
        arrived_us = np.repeat(
            np.array([messages[n].arrived_us for n, _, _ in batch.parts], np.int64), counts
        )
        base_us = np.repeat(np.array([us for _, _, us in batch.parts], np.float64), counts)
        slot = np.array(batch.slots, np.int32)
        factor = np.array([s.factor for s in self._slots], np.float64)
        offset = np.array([s.offset for s in self._slots], np.float64)
        with np.errstate(over="ignore", invalid="ignore"):
            at_us = base_us + np.rint(np.array(batch.seconds, np.float64) * 1e6)
            from_arrival = at_us < senml.RELATIVE_BELOW_US
            at_us += np.where(from_arrival, arrived_us, 0)
            value = np.array(batch.values, np.float64)
            if len(slot):
                value = value * factor[slot] + offset[slot]
        for index, exact_us in batch.exact_at_us.items():
            at_us[index] = exact_us
            from_arrival[index] = False  # the careful reader has said it by message
        relative = frozenset(batch.relative).union(np.unique(message[from_arrival]).tolist())
        columns = Columns(
            list(self._slots), message, slot, _whole(at_us), value, batch.texts, batch.rejects,
            relative,
        )  # fmt: skip
        return _without_wrong(columns, at_us, arrived_us)


class _Batch:
    """What has been taken of a batch so far, as plain lists."""

    def __init__(self) -> None:
        self.slots: list[int] = []
        self.seconds: list[float] = []
        self.values: list[float] = []
        #: Message, number of readings, base time [us].
        self.parts: list[tuple[int, int, float]] = []
        #: Times the careful reader has worked out already, by reading. [us since 1970 UTC]
        self.exact_at_us: dict[int, int] = {}
        self.texts: list[TextReading] = []
        self.rejects: list[tuple[int, Reject]] = []
        self.relative: set[int] = set()


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


def _without_wrong(
    columns: Columns, at_us: npt.NDArray[np.float64], arrived_us: npt.NDArray[np.int64]
) -> Columns:
    """Take out readings whose time or value cannot be, as rejects."""
    if not len(columns.slot):
        return columns
    slots = columns.slots
    is_deadman = np.array([s.column == "deadman" for s in slots])[columns.slot]
    is_seq = np.array([s.column == "seq" for s in slots])[columns.slot]
    value = columns.value
    with np.errstate(invalid="ignore"):
        time_ok = (at_us >= senml.EARLIEST_US) & (at_us <= arrived_us + senml.AHEAD_US)
        value_ok = np.isfinite(value)
        value_ok &= ~is_deadman | (value == 0.0) | (value == 1.0)
        value_ok &= ~is_seq | ((value >= 0) & (value < 2.0**53) & (value == np.floor(value)))
    ok = time_ok & value_ok
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
