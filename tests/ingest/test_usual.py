"""The forms that boxes usually send: what is taken as one reads as the careful reader reads it."""

from __future__ import annotations

import json
import random
import struct
import time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import RawMessage, Reject
from ingest.wire import columns as columns_module
from ingest.wire import rfc8428, usual
from ingest.wire.columns import ColumnDecoder, Columns
from ingest.wire.senml import decode_with_time

NOW_US = 1_760_000_000_000_000
Row = tuple[Any, ...]


def message(payload: bytes, box: str = "g/yard/pot-1/readings", at: int = NOW_US) -> RawMessage:
    return RawMessage("mqtt", box, "", at, False, payload)


def by_columns(columns: Columns) -> tuple[list[Row], list[Row], list[tuple[int, Reject]], set[int]]:
    """Readings with the bits of their value, texts, rejects, and which times were relative."""
    slots = columns.slots
    readings = [
        (int(m), slots[s].pot, slots[s].channel, slots[s].unit, int(at), struct.pack("<d", v))
        for m, s, at, v in zip(
            columns.message, columns.slot, columns.at_us, columns.value, strict=True
        )
    ]
    texts = [
        (t.message, slots[t.slot].pot, slots[t.slot].channel, slots[t.slot].unit, t.at_us, t.text)
        for t in columns.texts
    ]
    return readings, texts, columns.rejects, set(columns.relative)


def carefully(
    messages: list[RawMessage],
) -> tuple[list[Row], list[Row], list[tuple[int, Reject]], set[int]]:
    """The same by the careful reader alone."""
    readings: list[Row] = []
    texts: list[Row] = []
    rejects: list[tuple[int, Reject]] = []
    relative = set()
    for number, heard in enumerate(messages):
        decoded, is_relative = decode_with_time(heard.payload, heard.arrived_us, "json")
        if is_relative:
            relative.add(number)
        rejects += [(number, reject) for reject in decoded.rejects]
        for r in decoded.readings:
            end = struct.pack("<d", r.value) if r.text is None else r.text
            row = (number, r.pot, r.channel, r.unit, r.at_us, end)
            (readings if r.text is None else texts).append(row)
    return readings, texts, rejects, relative


def taken(decoder: ColumnDecoder, payload: bytes, box: str = "g/yard/pot-1/readings") -> bool:
    """Whether a pack is of one of the box's forms, to the last check."""
    gathered = usual.Gathered(decoder._usual)
    if not gathered.take(0, box, payload):
        return False
    _, odd = gathered.turn()
    return not odd


def taught(*payloads: bytes) -> ColumnDecoder:
    """A decoder that has heard packs of one box."""
    decoder = ColumnDecoder()
    decoder.decode([message(payload) for payload in payloads])
    return decoder


def pack(*records: dict[str, Any]) -> bytes:
    return json.dumps(records, separators=(",", ":")).encode()


BASE = {"bn": "pot-1/", "bt": 1_760_000_000.25, "bu": "Pa"}
GOOD = pack(
    BASE | {"n": "seq", "u": "count", "v": 4711},
    {"n": "pot", "v": 650_000.5},
    {"n": "deadman", "vb": True},
    {"n": "pot", "t": 0.1, "v": 650_001},
    {"n": "deadman", "t": 0.1, "vb": False},
)
#: As GOOD, but the name that comes first comes again.
AGAIN = pack(
    BASE | {"n": "pot", "v": 1},
    {"n": "supply", "v": 2},
    {"n": "pot", "t": 0.1, "v": 3},
    {"n": "supply", "t": 0.1, "v": 4},
)


def test_what_a_box_says_each_time_is_taken_whatever_the_numbers() -> None:
    decoder = taught(GOOD)
    fewer = pack(BASE | {"n": "seq", "u": "count", "v": 1}, {"n": "deadman", "vb": False})
    spaced = json.dumps(json.loads(GOOD), indent=1).replace("\n", "\r\n\t").encode()
    other_order = (
        b'[{"v":7,"u":"count","n":"seq","bu":"Pa","bt":1760000000,"bn":"pot-1/"},'
        b'{"vb":false,"n":"deadman","t":1}]'
    )
    no_time = b'[{"bn":"pot-1/","bu":"Pa","n":"seq","u":"count","v":8},{"n":"pot","v":2,"t":-1}]'
    packs = [GOOD, fewer, spaced, other_order, no_time]
    assert [taken(decoder, payload) for payload in packs] == [True] * 5
    heard = [message(payload) for payload in packs]
    assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_forms_without_a_base_or_without_names_are_taken_too() -> None:
    for pair in (
        [b'[{"n":"pot-1/pot","u":"Pa","v":1}]', b'[{"n":"pot-1/pot","u":"Pa","v":2.5,"t":-3}]'],
        [
            b'[{"bn":"pot-1/pot","bu":"Pa","bt":1760000000,"v":1},{"t":1,"v":2}]',
            b'[{"bn":"pot-1/pot","bu":"Pa","bt":1760000060,"v":3},{"t":1,"v":4},{"v":5,"t":9}]',
        ],
    ):
        decoder = taught(pair[0])
        assert taken(decoder, pair[1])
        heard = [message(payload) for payload in pair]
        assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_base_fields_behind_the_first_record_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    decoder = taught(AGAIN)
    assert taken(decoder, AGAIN)
    records = json.loads(AGAIN)
    later = [
        pack(*records[:2], records[2] | base, records[3])
        for base in ({"bt": 1_760_000_100}, {"bn": "pot-1/"}, {"bu": "Pa"}, {"bu": "hPa"})
    ]
    assert not any(taken(decoder, payload) for payload in later)
    heard = [message(payload) for payload in (AGAIN, *later, AGAIN)]
    for at_once in (1, 5, 10_000):
        monkeypatch.setattr(columns_module, "_AT_ONCE", at_once)
        assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_another_base_or_unit_is_another_form_of_the_box() -> None:
    weather = pack({"bn": "pot-1/", "n": "air_temp", "u": "Cel", "v": 20.5})
    in_hpa = pack(BASE | {"bu": "hPa", "n": "pot", "v": 6500})
    other_pot = pack(BASE | {"bn": "pot-2/", "n": "pot", "v": 6500})
    decoder = taught(GOOD, weather, in_hpa, other_pot)
    packs = [GOOD, weather, in_hpa, other_pot] * 2
    assert all(taken(decoder, payload) for payload in packs)
    heard = [message(payload) for payload in packs]
    assert by_columns(decoder.decode(heard)) == carefully(heard)
    # The form of one box says nothing of another.
    assert not taken(decoder, GOOD, "g/yard/pot-9/readings")


def test_a_channel_that_comes_later_joins_the_form() -> None:
    decoder = taught(GOOD)
    records = json.loads(GOOD)
    more = pack(*records, {"n": "humidity", "u": "%RH", "v": 55})
    assert not taken(decoder, more)
    decoder.decode([message(more)])
    assert taken(decoder, more)
    assert taken(decoder, GOOD)


NUMBERS = [
    "0", "1", "-1", "0.1", "-0.1", "1e3", "1E3", "1e+3", "1e-3", "1.5e22", "1e-22", "123456.789",
    "9007199254740992", "0.30000000000000004", "100000000000000000", "1.7976931348623157e308",
    "5e-324", "2.2250738585072014e-308", "123456789012345678901234567890", "-0", "-0.0", "1e400",
    "0.000000000000000000000000000001", "1e23", "8.5e-23", "9007199254740993", "179.76931348623157",
    "0.1e1", "4.35", "2.675", "1e22", "1234567890123456789e-19", "18446744073709551616",
    "18446744073709551615", "-9223372036854775809", "9223372036854775807",
]  # fmt: skip


def test_every_number_is_the_same_double() -> None:
    heard = [message(b'[{"n":"pot-1/odd","v":%s}]' % n.encode()) for n in NUMBERS]
    decoder = taught(heard[0].payload)
    assert sum(taken(decoder, one.payload) for one in heard) > len(NUMBERS) - 3
    assert by_columns(decoder.decode(heard)) == carefully(heard)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=100))
def test_numbers_as_programs_write_them(values: list[float]) -> None:
    texts = [repr(v) for v in values] + [f"{v:.3f}" for v in values if abs(v) < 1e12]
    packs = [b'[{"n":"pot-1/odd","v":%s,"t":%s}]' % (t.encode(), t.encode()) for t in texts]
    decoder = taught(b'[{"n":"pot-1/odd","v":1}]')
    heard = [message(payload) for payload in packs]
    assert by_columns(decoder.decode(heard)) == carefully(heard)


ODD = [
    b"", b"[", b"[]", b"[{}]", b"{}", b"[1]", b"null", b"[null]", b"[[]]", GOOD[:-1], GOOD + b"x",
    GOOD + GOOD, GOOD + b"," + GOOD, b"[" + GOOD, b"[" + GOOD + b"]", b"\xef\xbb\xbf" + GOOD,
    GOOD + b" \n\t", b" \n" + GOOD,
    b'[{"n":"pot-1/odd","v":1,}]', b'[{"n":"pot-1/odd","v":1},]', b'[{"n":"pot-1/odd" "v":1}]',
    b'[{"n":"pot-1/odd","v":01}]', b'[{"n":"pot-1/odd","v":1.}]', b'[{"n":"pot-1/odd","v":.1}]',
    b'[{"n":"pot-1/odd","v":+1}]', b'[{"n":"pot-1/odd","v":1e}]', b'[{"n":"pot-1/odd","v":-}]',
    b'[{"n":"pot-1/odd","v":0x1}]', b'[{"n":"pot-1/odd","v":NaN}]', b'[{"n":"pot-1/odd","v":1e99}]',
    b'[{"n":"pot-1/odd","v":Infinity}]', b'[{"n":"pot-1/odd","v":"1"}]',
    b'[{"n":"pot-1/odd","v":null}]', b'[{"n":"pot-1/odd","v":true}]', b'[{"n":"pot-1/odd","vb":1}]',
    b'[{"n":"pot-1/odd","v":1,"t":null}]', b'[{"n":"pot-1/odd","v":1,"bt":null}]',
    b'[{"n":"pot-1/odd","v":1,"t":"1"}]', b'[{"n":"pot-1/odd","v":1,"u":null}]',
    b'[{"n":"pot-1/odd","v":1,"u":1}]', b'[{"n":"pot-1/odd","v":1,"u":"V"}]',
    b'[{"n":"pot-1/odd","vb":tru}]', b'[{"n":"pot-1/odd","vb":truest}]', b'[{"n":1,"v":1}]',
    b'[{"n":"pot-1/odd","v":1,"vb":true}]', b'[{"n":"pot-1/odd"}]', b'[{"v":1}]',
    b'[{"n":"pot-1/odd","vs":"x"}]', b'[{"n":"pot-1/odd","v":1,"v":2}]',
    b'[{"n":"pot-1/odd","v":1,"t":1,"t":2}]', b'[{"n":"pot-1/odd","n":"pot-1/x","v":2}]',
    b'[{"n":"pot-1/x","n":"pot-1/odd","v":2}]', b'[{"n":"pot-1/odd","n":"pot-1/odd","v":2}]',
    b'[{"n":"pot-1/o\\u0064d","v":1}]', b'[{"\\u006e":"pot-1/odd","\\u0076":1}]',
    b'[{"n":"pot-1/odd","v":1},{"\\u0062t":5,"n":"pot-1/odd","v":1}]',
    b'[{"n":"pot-1/odd\x00","v":1}]', b'[{"n":"pot-1/odd","v":1,"\xff":1}]',
    b'[{"n":"pot-1/\xc3\xa9","v":1}]', b'[{"n":"pot-1/odd","v":1},{"bn":"pot-2/","n":"odd","v":1}]',
    b'[{"n":"pot-1/odd","v":1,"bver":10}]', b'[{"n":"pot-1/odd","v":1,"bver":11}]',
    b'[{"n":"pot-1/odd","v":1,"s":1}]', b'[{"n":"pot-1/odd","v":1,"bs":1}]',
    b'[{"n":"pot-1/odd","v":1,"must_":1}]', b'[{"n":"pot-1/odd","v":1,"x":[[[]]]}]',
    b'[{"n":"pot-1/odd","v":1,"bv":5}]', b'[{"n":"pot-1/odd","v":1,"ut":1}]',
    b'[{"n":"pot-1/odd","v":1,"t":1e99}]', b'[{"n":"pot-1/odd","v":1,"t":1e308}]',
    b'[{"n":"pot-1/odd","v":1,"bt":1e308}]', b'[{"n":"pot-1/odd","v":1,"t":-1e99}]',
    b'[{"n":"nopot","v":1}]', b'[{"n":"pot-1/pot","v":1}]', b'[{"n":"pot-1/pot","u":"bar","v":1}]',
    b'[{"n":"pot-1/deadman","v":0.5}]', b'[{"n":"pot-1/deadman","v":1}]',
    b'[{"n":"pot-1/seq","v":1.5}]', b'[{"n":"pot-1/seq","v":-1}]', b'[{"n":"pot-1/seq","v":7}]',
    b'[{"n":"","v":1}]', b'[{"bn":"pot-1/odd","n":"","v":1}]', b'[{"bn":"","n":"pot-1/odd","v":1}]',
    b'[{"bn":"pot-1/","n":"odd","v":1,"bu":""}]', b'[{"bn":"pot-1/","n":"odd","v":1,"u":""}]',
    b'[{"bn":"pot-1/"},{"n":"odd","v":1}]', b'[{"n":"pot-1/odd","v":1},{"bt":5}]',
    b'[{"n":"pot-1/odd","v":1},{"n":"nopot","v":1},{"n":"pot-1/odd","v":2}]',
]  # fmt: skip


@pytest.mark.parametrize("odd", ODD)
def test_what_is_odd_is_read_as_the_careful_reader_reads_it(odd: bytes) -> None:
    known = b'[{"n":"pot-1/odd","v":1}]'
    decoder = taught(known, GOOD)
    # Twice: the first may teach a form.
    for _ in range(2):
        heard = [message(payload) for payload in (known, odd, GOOD, odd)]
        assert by_columns(decoder.decode(heard)) == carefully(heard)
    # Behind packs in a row that are alike, of a box that has just become steady.
    for steady in (known, GOOD, odd):
        heard = [message(payload) for payload in (steady, steady, steady, odd, steady)]
        assert by_columns(decoder.decode(heard)) == carefully(heard)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32), st.integers(1, 12))
def test_a_mangled_pack_is_read_the_same(seed: int, changes: int) -> None:
    rng = random.Random(seed)
    packs = []
    for _ in range(20):
        mangled = bytearray(rng.choice((GOOD, AGAIN)))
        for _ in range(changes):
            place = rng.randrange(len(mangled))
            match rng.randrange(4):
                case 0:
                    mangled[place] = rng.choice(b'[]{}",:0123456789.eE+-tfnuvb \x00\xff')
                case 1:
                    del mangled[place]
                case 2:
                    mangled.insert(place, rng.choice(b'[]{}",:0123456789.eE+- '))
                case _:
                    piece = (b'"bt":5,', b'"bn":"pot-1/",', b'"bu":"Pa",', b'"vb":true,', b'"t":1,')
                    place = mangled.find(b"{", place) + 1
                    mangled[place:place] = rng.choice(piece)
        packs.append(bytes(mangled))
    decoder = taught(GOOD, AGAIN)
    for _ in range(2):
        heard = [message(payload) for payload in (*packs, GOOD, AGAIN)]
        assert by_columns(decoder.decode(heard)) == carefully(heard)
    heard = [
        message(payload) for one in packs for good in (GOOD, AGAIN) for payload in (good, good, one)
    ]
    assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_a_box_that_says_the_same_each_time_is_known_by_it() -> None:
    box = "g/yard/pot-1/readings"
    decoder = taught(GOOD)
    assert box not in decoder._usual.steady
    decoder.decode([message(GOOD), message(GOOD)])
    steady = decoder._usual.steady[box]
    slots = decoder._slots
    assert [slots[number].channel for number in steady.slots] == [
        record["n"] for record in json.loads(GOOD)
    ]
    assert taken(decoder, GOOD) and decoder._usual.steady[box] is steady
    # The first pack that is another ends it, and two in a row that are alike begin it anew.
    fewer = pack(BASE | {"n": "seq", "u": "count", "v": 1}, {"n": "deadman", "vb": False})
    assert taken(decoder, fewer) and box not in decoder._usual.steady
    assert taken(decoder, GOOD) and box not in decoder._usual.steady
    assert taken(decoder, GOOD) and decoder._usual.steady[box] is steady
    # Base fields further behind are another pack.
    records = json.loads(GOOD)
    records[3]["bt"] = 5
    assert not taken(decoder, pack(*records)) and box not in decoder._usual.steady
    # And so is another base, or none.
    decoder.decode([message(GOOD), message(GOOD)])
    for other in ({"bn": "pot-2/"}, {"bu": "hPa"}):
        heard = [message(payload) for payload in (GOOD, GOOD, pack(records[0] | other), GOOD)]
        assert by_columns(decoder.decode(heard)) == carefully(heard)
    without = pack({"n": "seq", "u": "count", "v": 1}, *json.loads(GOOD)[1:])
    heard = [message(payload) for payload in (GOOD, GOOD, GOOD, without, GOOD)]
    assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_values_and_times_that_cannot_be_are_refused_of_a_steady_box_too() -> None:
    wrong = [
        ({"v": 1.5}, 0), ({"v": -1}, 0), ({"v": 2.0**53}, 0), ({"v": 1e300}, 1), ({"v": -0.0}, 1),
        ({"t": 1e9}, 1), ({"t": -1e9}, 1), ({"t": -2e9}, 1), ({"t": 1e305}, 1), ({"t": -1e305}, 2),
    ]  # fmt: skip
    for change, at in wrong:
        records = json.loads(GOOD)
        records[at] |= change
        decoder = taught(GOOD, GOOD, GOOD)
        heard = [message(payload) for payload in (GOOD, pack(*records), GOOD)]
        assert "g/yard/pot-1/readings" in decoder._usual.steady
        assert by_columns(decoder.decode(heard)) == carefully(heard)
        assert "g/yard/pot-1/readings" in decoder._usual.steady


def test_sequences_of_a_form_are_few_and_short() -> None:
    decoder = taught(GOOD)
    records = json.loads(GOOD)
    packs = [
        pack(*records[:count], *records[1:2] * extra) for extra in range(9) for count in (4, 5)
    ]
    heard = [message(payload) for payload in packs for _ in range(3)]
    assert by_columns(decoder.decode(heard)) == carefully(heard)
    (form,) = decoder._usual.by_box["g/yard/pot-1/readings"]
    assert form.sequences == usual._MOST_SEQUENCES_A_FORM
    long = pack(*records, *records[1:2] * usual._LONGEST_SEQUENCE)
    other = ColumnDecoder()
    heard = [message(long)] * 4
    assert by_columns(other.decode(heard)) == carefully(heard)
    assert not other._usual.steady


PLAIN = st.fixed_dictionaries(
    {"n": st.sampled_from(["pot", "supply", "deadman", "seq", "widget"])},
    optional={
        "u": st.sampled_from(["Pa", "count", "/", "V"]),
        "t": st.sampled_from([0, -1, 0.1, 0.02, 90_000, -2e9]),
        "v": st.sampled_from([0, 1, 0.5, 650_000.25, -3, 1e300]),
        "vb": st.booleans(),
        "bt": st.sampled_from([5, NOW_US / 1e6]),
    },
)
FIRST = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from(["pot-1/", "blast-2/", ""]),
        "bt": st.sampled_from([0, NOW_US / 1e6, 1e12]),
        "bu": st.sampled_from(["Pa", "hPa", ""]),
    },
)
PACK = st.tuples(FIRST, st.lists(PLAIN, min_size=1, max_size=5)).map(
    lambda drawn: pack(drawn[0] | drawn[1][0], *drawn[1][1:])
)


@settings(max_examples=300, deadline=None)
@given(st.lists(PACK, min_size=1, max_size=12))
def test_boxes_that_change_their_ways_are_read_the_same(packs: list[bytes]) -> None:
    heard = [message(payload, at=NOW_US + n) for n, payload in enumerate([*packs, *packs])]
    decoder = ColumnDecoder()
    for _ in range(2):
        assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_packs_of_many_kinds_keep_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns_module, "_AT_ONCE", 12)
    mixed = b'[{"n":"pot-1/pot","u":"Pa","v":1,"extra":1,"bt":1760000000},{"n":"pot-1/x","vs":"t"}]'
    relative = b'[{"n":"pot-1/pot","u":"Pa","v":2,"t":-1}]'
    ahead = b'[{"n":"pot-1/pot","u":"Pa","v":2,"t":1860000000}]'
    heard = [message(payload) for payload in [GOOD, mixed, b"no", relative, ahead] * 50]
    decoder = ColumnDecoder()
    assert by_columns(decoder.decode(heard)) == carefully(heard)
    assert by_columns(decoder.decode(heard)) == carefully(heard)


def test_no_more_records_or_bytes_than_the_careful_reader_takes() -> None:
    record = b'{"n":"pot-1/x","v":1}'
    decoder = taught(b"[" + record + b"]")
    many = b"[" + b",".join([b'{"v":1}'] * (rfc8428.MAX_RECORDS + 1)) + b"]"
    long = b"[" + record + b" " * rfc8428.MAX_MESSAGE_BYTES + b"]"
    nameless = taught(b'[{"bn":"pot-1/x","v":1}]')
    most = many.replace(b'{"v"', b'{"bn":"pot-1/x","v"', 1)
    for made, payload in ((decoder, many), (decoder, long), (nameless, most)):
        heard = [message(payload)]
        assert by_columns(made.decode(heard)) == carefully(heard)
        assert len(made.decode(heard).rejects) == 1


def test_made_up_names_cost_bounded_memory_and_little_time() -> None:
    rng = random.Random(1)
    decoder = ColumnDecoder()
    heard = []
    for number in range(1500):
        names = [f"x{rng.randrange(10**9)}" for _ in range(20)]
        box = f"g/yard/pot-{number % 30}/readings"
        heard.append(message(pack(*({"n": f"pot-1/{name}", "v": 1} for name in names)), box))
    began = time.process_time()
    for begin in range(0, len(heard), 100):
        decoder.decode(heard[begin : begin + 100])
    # 30,000 records; the careful reader alone takes about half a second for them.
    assert time.process_time() - began < 10
    assert len(decoder._slots) <= columns_module._REMEMBERED + 100 * 20
    assert decoder._usual.size <= columns_module._REMEMBERED
    forms = decoder._usual.by_box
    assert all(len(of_box) <= usual._MOST_FORMS_A_BOX for of_box in forms.values())
