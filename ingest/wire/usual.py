"""What a box usually sends, read by a decoder made for it.

A box says the same things each time, with new numbers: the same names and units behind the same
base name. From a pack that holds nothing else, :class:`UsualForms` learns the form and has msgspec
make a decoder for exactly that: a class a name, told apart by the name, which knows its slot. What
such a decoder takes is of that form and cannot mean anything else; every other pack is left to
:mod:`ingest.wire.senml`, which knows all of RFC 8428.

A form is: an array of records that each have a name of the form (or none has a name), its unit
where it has one, ``v`` or ``vb`` as ever, and ``t`` or not; base name, base unit and base time in
the first record only.

Most boxes say the same names in the same order each time. A box whose packs do has a decoder for
just that sequence, which need not look for names, and whose slots are known beforehand; the first
pack that differs ends it, and is read the way before.
"""

from __future__ import annotations

import operator
import struct
from collections import Counter
from collections.abc import Callable, Sequence
from functools import reduce
from itertools import compress
from typing import Any, Literal, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import UNSET, UnsetType

from ingest.wire import rfc8428, senml
from ingest.wire.senml import Slot

# Somebody who makes up names must not cost memory or time without end.
_MOST_WAYS_A_FORM = 64
_MOST_FORMS_A_BOX = 4
_MOST_LESSONS_A_BOX = 16
_MOST_BOXES = 2000
_MOST_SEQUENCES_A_FORM = 8
_LONGEST_SEQUENCE = 512

_UNREADABLE = (msgspec.DecodeError, UnicodeDecodeError, RecursionError)


class _Plain(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """A record with nothing out of the common, for learning from. Null is no value here."""

    n: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    t: float | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    bn: str | UnsetType = UNSET
    bt: float | UnsetType = UNSET
    bu: str | UnsetType = UNSET


_decode_plain = msgspec.json.Decoder(list[_Plain]).decode


class _Way(NamedTuple):
    """How one name's values are sent, and where they go."""

    name: str | UnsetType
    unit: str | UnsetType
    switch: bool
    slot: int


class _Sequence(NamedTuple):
    """What a box says each time in the same order, and the decoder for it."""

    decode: Callable[[bytes], Sequence[Any]]
    base_name: str | UnsetType
    base_unit: str | UnsetType
    slots: npt.NDArray[np.int32]


class _Form:
    """Names behind one base name and base unit, and the decoder for them."""

    def __init__(self, base: tuple[str | UnsetType, str | UnsetType]) -> None:
        self.base_name, self.base_unit = base
        self.ways: dict[str | UnsetType, _Way] = {}
        self._heads: set[str | UnsetType] = set()
        self.decode: Callable[[bytes], list[Any]]
        self._way_of: dict[type, _Way] = {}
        self._sequences: dict[tuple[type, ...], _Sequence] = {}

    def takes_in(self, ways: Sequence[_Way]) -> bool:
        """Whether the form can hold these ways as well: one a name, and named or not alike."""
        all_ways = {*ways, *self.ways.values()}
        names = {way.name for way in all_ways}
        one_a_name = len(names) == len(all_ways) and (UNSET not in names or names == {UNSET})
        return one_a_name and len(names) <= _MOST_WAYS_A_FORM

    def add(self, ways: Sequence[_Way]) -> None:
        """Hold these ways too; the first is of a record that may carry base fields."""
        self.ways.update((way.name, way) for way in ways)
        self._heads.add(ways[0].name)
        kinds = [
            # Alone a tag may be missing, as far as msgspec is concerned; among several it may not.
            self._kind(way, way.name in self._heads, len(self.ways) > 1)
            for way in self.ways.values()
        ]
        self.decode = msgspec.json.Decoder(list[reduce(operator.or_, kinds)]).decode  # type: ignore[misc]
        self._way_of = dict(zip(kinds, self.ways.values(), strict=True))
        self._sequences = {}

    @property
    def sequences(self) -> int:
        """How many sequences there are."""
        return len(self._sequences)

    def sequence_of(self, records: Sequence[Any]) -> _Sequence | None:
        """The sequence of a pack's records; none where there are too many, or it is too long."""
        kinds = tuple(map(type, records))
        known = self._sequences.get(kinds)
        if known is not None:
            return known
        if len(self._sequences) >= _MOST_SEQUENCES_A_FORM or len(kinds) > _LONGEST_SEQUENCE:
            return None
        ways = [self._way_of[kind] for kind in kinds]
        # Base fields have no place behind the first record, so that none is there unseen.
        plain = {way: self._kind(way, False, False) for way in ways}
        told: Any = tuple[(self._kind(ways[0], True, False), *(plain[way] for way in ways[1:]))]  # type: ignore[misc]
        self._sequences[kinds] = _Sequence(
            msgspec.json.Decoder(told).decode, self.base_name, self.base_unit,
            np.array([way.slot for way in ways], np.int32),
        )  # fmt: skip
        return self._sequences[kinds]

    def _kind(self, way: _Way, head: bool, tagged: bool) -> Any:
        """The class of records of a way: with base fields or not, told by a tag among others or
        not."""
        # In the order of the RFC's examples: msgspec looks for a field behind the last one first.
        fields: list[tuple[str, Any] | tuple[str, Any, Any]] = [
            ("t", float, 0.0),
            ("v", bool if way.switch else float),
        ]
        if way.unit is not UNSET:
            fields.insert(0, ("u", Literal[way.unit]))
        tag = way.name if isinstance(way.name, str) and tagged else None
        if tag is None and way.name is not UNSET:
            fields.insert(0, ("n", Literal[way.name]))
        namespace: dict[str, Any] = {"slot": way.slot}
        for name, value in (("bn", self.base_name), ("bu", self.base_unit), ("bt", 0.0)):
            if not head or value is UNSET:
                namespace[name] = UNSET
            else:
                known = float if name == "bt" else Literal[value]
                fields.append((name, known | UnsetType, UNSET))
        return msgspec.defstruct(
            "Record",
            fields,
            namespace=namespace,
            rename={"v": "vb"} if way.switch else None,
            forbid_unknown_fields=True,
            kw_only=True,
            gc=False,
            tag_field=None if tag is None else "n",
            tag=tag,
        )


class UsualForms:
    """The forms of all boxes that were heard.

    Parameters
    ----------
    number_of : callable
        Gives a slot its number.
    """

    def __init__(self, number_of: Callable[[Slot], int]) -> None:
        self._number_of = number_of
        self._lessons: Counter[str] = Counter()
        self.forget()

    def forget(self) -> None:
        """Start anew. How often a box has taught us is kept, so that none can make us busy."""
        #: The forms of each box: of a topic or a line, which says the same things each time.
        self.by_box: dict[str, list[_Form]] = {}
        #: The sequence that a box's last packs had, where it is the same each time.
        self.steady: dict[str, _Sequence] = {}
        # Records of each box's last pack that was read without one.
        self._lengths: dict[str, int] = {}
        # By slot: whether records of it may carry base fields.
        self._is_head = np.zeros(0, bool)
        #: Classes made, roughly.
        self.size = 0

    def may_be_head(self, slot: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
        """Whether records of these slots may carry base fields."""
        return self._is_head[slot]

    def note(self, box: str, form: _Form, records: Sequence[Any]) -> None:
        """Take a box for steady whose pack has as many records as the one before.

        Parameters
        ----------
        box : str
        form : _Form
            Of the box.
        records : sequence
            The pack, as ``form`` decoded it.
        """
        if self._lengths.get(box) == len(records):
            known = form.sequences
            sequence = form.sequence_of(records)
            if sequence is not None:
                self.steady[box] = sequence
                # A class takes some hundred times as much as a place in a sequence.
                self.size += (form.sequences - known) * (1 + len(records) // 100)
        self._lengths[box] = len(records)

    def learn(self, box: str, payload: bytes) -> None:
        """Learn from a pack of none of the box's forms, where it holds nothing uncommon.

        Parameters
        ----------
        box : str
            Its topic or line.
        payload : bytes
        """
        if self._lessons[box] >= _MOST_LESSONS_A_BOX or (
            box not in self._lessons and len(self._lessons) >= _MOST_BOXES
        ):
            return
        try:
            records = _decode_plain(payload)
        except _UNREADABLE:
            return
        base = (records[0].bn, records[0].bu) if records else (UNSET, UNSET)
        ways = self._ways(records, *base)
        if not ways:
            return
        self._lessons[box] += 1
        forms = self.by_box.setdefault(box, [])
        form = next(
            (f for f in forms if (f.base_name, f.base_unit) == base and f.takes_in(ways)), None
        )
        if form is None:
            if len(forms) >= _MOST_FORMS_A_BOX:
                return
            form = _Form(base)
            if not form.takes_in(ways):
                return
            forms.append(form)
        form.add(ways)
        unseen = max(way.slot for way in ways) + 1 - len(self._is_head)
        self._is_head = np.append(self._is_head, np.zeros(max(0, unseen), bool))
        self._is_head[ways[0].slot] = True
        self.size += len(form.ways)

    def _ways(
        self,
        records: Sequence[_Plain],
        base_name: str | UnsetType,
        base_unit: str | UnsetType,
    ) -> list[_Way]:
        """The ways of a pack; none where it has too many, or holds what is not common."""
        ways: dict[_Way, None] = {}
        for number, record in enumerate(records):
            if (record.v is UNSET) == (record.vb is UNSET):
                return []
            if number and not (record.bn is record.bt is record.bu is UNSET):
                return []
            name = (base_name or "") + (record.n or "")
            unit = record.u if record.u is not UNSET else (base_unit or None)
            if not rfc8428.name_allowed(name) or len(unit or "") > rfc8428.MAX_UNIT_LENGTH:
                return []
            slot = senml.place(name, unit, "v" if record.vb is UNSET else "vb")
            if not isinstance(slot, Slot):
                return []
            ways[_Way(record.n, record.u, record.v is UNSET, self._number_of(slot))] = None
            if len(ways) > _MOST_WAYS_A_FORM:
                return []
        return list(ways)


class Packs(NamedTuple):
    """Packs of usual form as columns of equal length.

    Parameters
    ----------
    numbers : list of int
        The packs' numbers, as they were given.
    counts : array of int64
        Readings of each pack.
    base_s : array of float64
        Base time of each pack. [s]
    slot, seconds, value : array
        Of each reading: slot, own time [s], value as sent.
    """

    numbers: list[int]
    counts: npt.NDArray[np.int64]
    base_s: npt.NDArray[np.float64]
    slot: npt.NDArray[np.int32]
    seconds: npt.NDArray[np.float64]
    value: npt.NDArray[np.float64]


class Gathered:
    """Packs of usual form, gathered until they are turned into columns together.

    Parameters
    ----------
    forms : UsualForms
    """

    def __init__(self, forms: UsualForms) -> None:
        self._forms = forms
        self._begin()

    def _begin(self) -> None:
        self._numbers: list[int] = []
        self._counts: list[int] = []
        self._base_s: list[float | UnsetType] = []
        self._records: list[Any] = []
        # Of each pack of a steady box; none of others.
        self._slots: list[npt.NDArray[np.int32]] = []

    def take(self, number: int, box: str, payload: bytes) -> int:
        """Take a pack where it is of one of its box's forms.

        Parameters
        ----------
        number : int
            What the pack is known by.
        box : str
        payload : bytes

        Returns
        -------
        int
            How many readings are gathered now; 0 where the pack was not taken.
        """
        steady = self._forms.steady.get(box)
        if steady is not None:
            # Nothing is called here that need not be: it is done for each pack.
            try:
                records = steady.decode(payload)
            except _UNREADABLE:
                pass  # the next one may be of the sequence again, but two in a row are to tell
            else:
                if self._kept(number, steady, records):
                    self._slots.append(steady.slots)
                    return len(self._records)
            del self._forms.steady[box]
        for form in self._forms.by_box.get(box, ()):
            try:
                records = form.decode(payload)
            except _UNREADABLE:
                continue
            if 0 < len(records) <= rfc8428.MAX_RECORDS and self._kept(number, form, records):
                self._forms.note(box, form, records)
                return len(self._records)
        return 0

    def _kept(self, number: int, form: _Form | _Sequence, records: Sequence[Any]) -> bool:
        """Keep a pack, where it has the form's base."""
        first = records[0]
        if first.bn != form.base_name or first.bu != form.base_unit:
            return False
        self._numbers.append(number)
        self._counts.append(len(records))
        self._base_s.append(first.bt)
        self._records += records
        return True

    def turn(self) -> tuple[Packs, list[int]]:
        """Turn what was taken into columns, and begin anew.

        Returns
        -------
        Packs
        list of int
            Numbers of packs that are not of usual form after all, and not in the columns.
        """
        records = self._records
        counts = np.array(self._counts, np.int64)
        base_s = np.array([0.0 if s is UNSET else s for s in self._base_s], np.float64)
        numbers = self._numbers
        if numbers and len(self._slots) == len(numbers):
            slot, odd = np.concatenate(self._slots), list[int]()
        else:
            slot = _packed("i", [record.slot for record in records])
            odd = self._with_later_bases(slot, counts)
        if odd:
            fine = np.ones(len(counts), bool)
            fine[odd] = False
            records = list(compress(records, np.repeat(fine, counts)))
            slot = slot[np.repeat(fine, counts)]
            counts, base_s = counts[fine], base_s[fine]
            numbers = list(compress(numbers, fine))
        packs = Packs(
            numbers,
            counts,
            base_s,
            slot,
            _packed("d", [record.t for record in records]),
            _packed("d", [record.v for record in records]),
        )
        of_odd = [self._numbers[index] for index in odd]
        self._begin()
        return packs, of_odd

    def _with_later_bases(
        self, slot: npt.NDArray[np.int32], counts: npt.NDArray[np.int64]
    ) -> list[int]:
        """Packs with base fields behind the first record: what lies between means another thing."""
        ends = np.cumsum(counts)
        may = self._forms.may_be_head(slot)
        may[ends - counts] = False
        found = [
            place
            for place in np.flatnonzero(may).tolist()
            if (record := self._records[place]).bn is not UNSET
            or record.bt is not UNSET
            or record.bu is not UNSET
        ]
        return sorted(set(np.searchsorted(ends, found, side="right").tolist()))


def _packed(kind: str, numbers: Sequence[float]) -> npt.NDArray[Any]:
    """Python's numbers as an array: packing them takes a third of the time that NumPy would."""
    return np.frombuffer(struct.pack(f"{len(numbers)}{kind}", *numbers), np.dtype(kind))
