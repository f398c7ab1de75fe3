"""The compiled reader: whatever it takes it reads as the careful reader does, to the last bit."""

from __future__ import annotations

import json
import random
import struct
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import RawMessage
from ingest.wire import columns as columns_module
from ingest.wire.columns import ColumnDecoder, Columns
from ingest.wire.scan import Scanner
from ingest.wire.senml import decode

NOW_US = 1_760_000_000_000_000


def message(payload: bytes) -> RawMessage:
    return RawMessage("mqtt", "", "", NOW_US, False, payload)


def rows(columns: Columns) -> list[tuple[Any, ...]]:
    """Readings in the order given, with the bits of their value."""
    return [
        (int(m), columns.slots[s].pot, columns.slots[s].channel, columns.slots[s].unit, int(at),
         struct.pack("<d", v))
        for m, s, at, v in zip(
            columns.message, columns.slot, columns.at_us, columns.value, strict=True
        )
    ]  # fmt: skip


def careful_rows(payloads: list[bytes]) -> list[tuple[Any, ...]]:
    found = []
    for number, payload in enumerate(payloads):
        for r in decode(payload, NOW_US).readings:
            if r.text is None:
                found.append(
                    (number, r.pot, r.channel, r.unit, r.at_us, struct.pack("<d", r.value))
                )
    return found


def both(monkeypatch: pytest.MonkeyPatch, payloads: list[bytes]) -> tuple[Columns, ColumnDecoder]:
    """Decode by the compiled reader, which has seen the names before."""
    monkeypatch.setattr(columns_module, "WORTH_BYTES", 0)
    decoder = ColumnDecoder()
    heard = [message(payload) for payload in payloads]
    decoder.decode(heard)
    return decoder.decode(heard), decoder


def taken(decoder: ColumnDecoder, payloads: list[bytes]) -> list[int]:
    """How many readings the compiled reader itself takes of each pack."""
    counts: list[int] = decoder._scanner.scan(payloads).counts.tolist()
    return counts


GOOD = b'[{"bn":"pot-1/","bt":1760000000.25,"bu":"Pa","n":"pot","v":650000.5},{"n":"deadman","t":0.1,"vb":true}]'  # noqa: E501


def test_the_common_form_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    spaced = json.dumps(json.loads(GOOD), indent=1).encode().replace(b"\n", b"\r\n\t")
    other_order = (
        b'[{"v":1,"n":"pot","bu":"Pa","bt":1760000000,"bn":"pot-2/"},{"vb":false,"n":"deadman"}]'
    )
    payloads = [GOOD, spaced, other_order]
    columns, decoder = both(monkeypatch, payloads)
    assert taken(decoder, payloads) == [2, 2, 2]
    assert rows(columns) == careful_rows(payloads)


NUMBERS = [
    "0", "1", "-1", "0.1", "-0.1", "1e3", "1E3", "1e+3", "1e-3", "1.5e22", "1e-22", "123456.789",
    "9007199254740992", "0.30000000000000004", "100000000000000000", "1.7976931348623157e308",
    "5e-324", "2.2250738585072014e-308", "123456789012345678901234567890", "-0", "-0.0", "1e400",
    "0.000000000000000000000000000001", "1e23", "8.5e-23", "9007199254740993", "179.76931348623157",
    "0.1e1", "4.35", "2.675", "1e22", "1234567890123456789e-19",
]  # fmt: skip


def test_every_number_is_the_nearest_double(monkeypatch: pytest.MonkeyPatch) -> None:
    payloads = [b'[{"n":"pot-1/odd","v":%s}]' % n.encode() for n in NUMBERS]
    columns, decoder = both(monkeypatch, payloads)
    assert rows(columns) == careful_rows(payloads)
    # It takes what it is for, and leaves the rest.
    assert sum(taken(decoder, payloads)) >= 15


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=200))
def test_numbers_as_programs_write_them(values: list[float]) -> None:
    decoder = ColumnDecoder()
    payloads = [b'[{"n":"pot-1/odd","v":%s}]' % repr(v).encode() for v in values]
    payloads += [b'[{"n":"pot-1/odd","v":%.3f}]' % v for v in values if abs(v) < 1e12]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(columns_module, "WORTH_BYTES", 0)
        decoder.decode([message(payloads[0])])
        columns = decoder.decode([message(payload) for payload in payloads])
    assert rows(columns) == careful_rows(payloads)


@pytest.mark.parametrize(
    "pack",
    [
        b"",
        b"[",
        b"[]",
        b"[{}]",
        b"{}",
        b"[1]",
        GOOD[:-1],
        GOOD + b"x",
        GOOD + GOOD,
        b"[" + GOOD,
        b'[{"n":"pot-1/odd","v":1,}]',
        b'[{"n":"pot-1/odd","v":1},]',
        b'[{"n":"pot-1/odd" "v":1}]',
        b'[{"n":"pot-1/odd","v":01}]',
        b'[{"n":"pot-1/odd","v":1.}]',
        b'[{"n":"pot-1/odd","v":.1}]',
        b'[{"n":"pot-1/odd","v":+1}]',
        b'[{"n":"pot-1/odd","v":1e}]',
        b'[{"n":"pot-1/odd","v":-}]',
        b'[{"n":"pot-1/odd","v":0x1}]',
        b'[{"n":"pot-1/odd","v":NaN}]',
        b'[{"n":"pot-1/odd","v":"1"}]',
        b'[{"n":"pot-1/odd","v":null}]',
        b'[{"n":"pot-1/odd","v":true}]',
        b'[{"n":"pot-1/odd","vb":1}]',
        b'[{"n":"pot-1/odd","vb":tru}]',
        b'[{"n":"pot-1/odd","vb":truest}]',
        b'[{"n":1,"v":1}]',
        b'[{"n":"pot-1/odd","v":1,"vb":true}]',
        b'[{"n":"pot-1/odd"}]',
        b'[{"n":"pot-1/odd","vs":"x"}]',
        b'[{"n":"pot-1/odd","v":1,"v":2}]',
        b'[{"n":"pot-1/odd","n":"pot-1/x","v":2}]',
        b'[{"n":"pot-1/o\\u0064d","v":1}]',
        b'[{"n":"pot-1/odd\x00","v":1}]',
        b'[{"n":"pot-1/\xc3\xa9","v":1}]',
        b'[{"n":"pot-1/odd","v":1},{"bn":"pot-2/","n":"odd","v":1}]',
        b'[{"n":"pot-1/odd","v":1,"bver":10}]',
        b'[{"n":"pot-1/odd","v":1,"s":1}]',
        b'[{"n":"pot-1/odd","v":1,"must_":1}]',
        b'[{"bn":"pot-1/","bt":1,"bu":"Pa","bv":5,"n":"odd","v":1}]',
        b'[{"n":"pot-1/odd","v":1,"ut":1}]',
        b'[{"n":"pot-1/odd","v":1e99}]',
        b'[{"n":"pot-1/odd","v":1,"t":1e99}]',
        b'[{"n":"nopot","v":1}]',
        b'[{"n":"pot-1/pot","v":1}]',
        b'[{"n":"pot-1/pot","u":"bar","v":1}]',
        b'[{"n":"pot-1/deadman","v":0.5}]',
        b'\xef\xbb\xbf[{"n":"pot-1/odd","v":1}]',
        b'[{"n":"pot-1/odd","v":1}] \n\t',
    ],
)
def test_what_is_odd_is_read_as_the_careful_reader_reads_it(
    monkeypatch: pytest.MonkeyPatch, pack: bytes
) -> None:
    known = b'[{"n":"pot-1/odd","v":1}]'
    payloads = [known, pack, GOOD, pack]
    columns, _ = both(monkeypatch, payloads)
    assert rows(columns) == careful_rows(payloads)
    without = [decode(payload, NOW_US).rejects for payload in payloads]
    assert [r for _, r in sorted(columns.rejects, key=lambda pair: pair[0])] == [
        reject for rejects in without for reject in rejects
    ]


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 12))
def test_a_mangled_pack_is_read_the_same(seed: int, changes: int) -> None:
    rng = random.Random(seed)
    payloads = []
    for _ in range(20):
        mangled = bytearray(GOOD)
        for _ in range(changes):
            place = rng.randrange(len(mangled))
            kind = rng.randrange(3)
            if kind == 0:
                mangled[place] = rng.choice(b'[]{}",:0123456789.eE+-tfnuvb \x00\xff')
            elif kind == 1:
                del mangled[place]
            else:
                mangled.insert(place, rng.choice(b'[]{}",:0123456789.eE+- '))
        payloads.append(bytes(mangled))
    payloads.append(GOOD)
    with pytest.MonkeyPatch.context() as patch:
        columns, _ = both(patch, payloads)
    assert rows(columns) == careful_rows(payloads)


def test_a_name_with_the_hash_of_another_is_not_taken_for_it() -> None:
    scanner = Scanner()
    scanner.tell("pot-1/", None, "pot", "Pa", False, 7)
    scanner._remember()
    # As if two keys met in one hash: the table's entry says something else than its bytes.
    scanner._keys[:5] = b"pot-9"
    pack = b'[{"bn":"pot-1/","n":"pot","u":"Pa","v":1}]'
    assert scanner.scan([pack]).counts.tolist() == [0]
    scanner._keys[:5] = b"pot-1"
    assert scanner.scan([pack]).slot.tolist() == [7]


def test_ten_thousand_names_stay_apart() -> None:
    scanner = Scanner()
    for number in range(10_000):
        scanner.tell(
            "", "Pa" if number % 2 else None, f"pot-{number}/pot", None, number % 3 == 0, number
        )
    packs = [
        b'[{%b"n":"pot-%d/pot",%b}]'
        % (b'"bu":"Pa",' if n % 2 else b"", n, b'"vb":true' if n % 3 == 0 else b'"v":1')
        for n in range(10_000)
    ]
    assert np.array_equal(scanner.scan(packs).slot, np.arange(10_000))


def test_packs_of_many_kinds_keep_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns_module, "WORTH_BYTES", 0)
    monkeypatch.setattr(columns_module, "_FIRST_PACKS", 3)
    careful = (
        b'[{"n":"pot-1/pot","u":"Pa","v":1,"extra":1,"bt":1760000000},{"n":"pot-1/x","vs":"t"}]'
    )
    relative = b'[{"n":"pot-1/pot","u":"Pa","v":2,"t":-1}]'
    payloads = [GOOD, careful, b"no", relative] * 50
    columns = ColumnDecoder().decode([message(payload) for payload in payloads])
    assert rows(columns) == careful_rows(payloads)
    assert columns.relative == frozenset(range(3, 200, 4))
    assert [number for number, _ in columns.rejects] == list(range(2, 200, 4))
    assert [text.message for text in columns.texts] == list(range(1, 200, 4))
