"""SenML: every fault costs one record and says why, and the fast way reads as the careful one."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.channels import CHANNELS
from ingest.readings import RawMessage, Reading, Reject
from ingest.wire import reasons, rfc8428
from ingest.wire.columns import LINE_CUT, LINE_REQUIRED, ColumnDecoder, Columns
from ingest.wire.senml import decode

NOW_US = 1_760_000_000_000_000
GOOD = {"n": "pot-1/pot", "u": "Pa", "v": 650_000}
GOOD_READING = Reading("pot-1", "pot", NOW_US, 650_000.0, "Pa")


def pack(*records: Any) -> bytes:
    return json.dumps(records).encode()


def by_columns(payload: bytes, arrived_us: int = NOW_US) -> tuple[list[Reading], list[Reject]]:
    """The second time round, when the box's form has been learned if it can be."""
    message = RawMessage("mqtt", "", "", arrived_us, False, payload)
    decoder = ColumnDecoder()
    decoder.decode([message])
    return readings_of(decoder.decode([message]))


def readings_of(columns: Columns) -> tuple[list[Reading], list[Reject]]:
    readings = []
    for number, at_us, value in zip(columns.slot, columns.at_us, columns.value, strict=True):
        slot = columns.slots[number]
        readings.append(Reading(slot.pot, slot.channel, int(at_us), float(value), slot.unit))
    for text in columns.texts:
        slot = columns.slots[text.slot]
        readings.append(Reading(slot.pot, slot.channel, text.at_us, 0.0, slot.unit, text.text))
    return readings, [reject for _, reject in columns.rejects]


@pytest.mark.parametrize(
    ("record", "reason", "detail"),
    [
        ({"n": "pot-1/pot", "u": "bar", "v": 6}, reasons.UNIT_WRONG, "u 'bar' for pot"),
        ({"n": "pot-1/pot", "v": 6}, reasons.UNIT_MISSING, "u for pot"),
        ({"n": "pot-1/pot", "u": "Pa"}, reasons.NO_VALUE, ""),
        ({"n": "pot-1/pot", "u": "Pa", "v": 1, "vb": True}, reasons.SEVERAL_VALUES, "v, vb"),
        ({"n": "pot-1/pot", "u": "Pa", "vb": True}, reasons.VALUE_WRONG_KIND, "vb for pot"),
        ({"n": "pot-1/pot", "u": "Pa", "vs": "6"}, reasons.VALUE_WRONG_KIND, "vs for pot"),
        ({"n": "pot-1/pot", "u": "Pa", "s": 6}, reasons.SUM_ONLY, "s"),
        ({"n": "pot-1/pot", "u": "Pa", "v": "6"}, reasons.FIELD_WRONG, "v '6'"),
        ({"n": "pot-1/pot", "u": "Pa", "v": None}, reasons.FIELD_WRONG, "v None"),
        ({"n": "pot-1/pot", "u": "Pa", "v": True}, reasons.FIELD_WRONG, "v True"),
        ({"n": "pot-1/deadman", "vb": 1}, reasons.FIELD_WRONG, "vb 1"),
        ({"n": "pot-1/deadman", "v": 0.5}, reasons.VALUE_WRONG_KIND, "neither 0 nor 1"),
        ({"n": "pot-1/seq", "v": 1.5}, reasons.NUMBER_OUT_OF_RANGE, "v 1.5 for seq"),
        ({"n": "pot-1/seq", "v": -1}, reasons.NUMBER_OUT_OF_RANGE, "v -1 for seq"),
        ({"n": 7, "u": "Pa", "v": 1}, reasons.FIELD_WRONG, "n 7"),
        ({"n": "", "v": 1}, reasons.NAME_NOT_ALLOWED, "n ''"),
        ({"n": "/pot", "v": 1}, reasons.NAME_NOT_ALLOWED, "n '/pot'"),
        ({"n": "pot 1/pot", "v": 1}, reasons.NAME_NOT_ALLOWED, "n 'pot 1/pot'"),
        ({"n": "p" * 256, "v": 1}, reasons.NAME_NOT_ALLOWED, "n 'ppp"),
        ({"n": "pot", "v": 1}, reasons.NAME_NOT_POT_CHANNEL, "n 'pot'"),
        ({"n": "pot-1/", "v": 1}, reasons.NAME_NOT_POT_CHANNEL, "n 'pot-1/'"),
        ({**GOOD, "urgent_": 1}, reasons.FIELD_NOT_UNDERSTOOD, "'urgent_'"),
        ({**GOOD, "t": -1e12}, reasons.TIME_OUT_OF_RANGE, "t gives"),
        ({**GOOD, "t": 1e300}, reasons.TIME_OUT_OF_RANGE, "t gives"),
        ({**GOOD, "t": 2**28 + 1}, reasons.TIME_OUT_OF_RANGE, "t gives 2.68435e+08 s"),
        ({**GOOD, "t": 86_401}, reasons.TIME_AHEAD, "t is 86401 s ahead"),
        ({"n": "pot-1/odd", "vd": "a+b"}, reasons.FIELD_WRONG, "vd is not base64url"),
        ({"n": "pot-1/odd", "u": "x" * 61, "v": 1}, reasons.UNIT_WRONG, "u 'xxx"),
        ([1], reasons.NOT_A_RECORD, "not an object"),
        (5, reasons.NOT_A_RECORD, "not an object"),
    ],
)
def test_a_bad_record_costs_itself_alone(record: Any, reason: str, detail: str) -> None:
    payload = pack(GOOD, record, {**GOOD, "t": -1})
    readings, rejects = decode(payload, NOW_US)
    assert readings == [GOOD_READING, GOOD_READING._replace(at_us=NOW_US - 1_000_000)]
    (reject,) = rejects
    assert reject.reason == reason
    assert reject.detail.startswith("record 1")
    assert detail in reject.detail
    assert by_columns(payload) == (readings, rejects)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", reasons.NOT_JSON),
        (b"[", reasons.NOT_JSON),
        (b'[{"n":"pot-1/pot","u":"Pa","v":NaN}]', reasons.NOT_JSON),
        (b'[{"n":"\xff/pot","v":1}]', reasons.NOT_UTF8),
        (b"{}", reasons.NOT_A_PACK),
        (b"[]", reasons.NOT_A_PACK),
        (b"7", reasons.NOT_A_PACK),
        (b"[" * 100_000, reasons.TOO_DEEP),
        (b"[" + b" " * rfc8428.MAX_MESSAGE_BYTES + b"]", reasons.TOO_LARGE),
        (b"[" + b"1," * rfc8428.MAX_RECORDS + b"1]", reasons.TOO_MANY_RECORDS),
        (pack({**GOOD, "bver": 11}), reasons.VERSION_UNKNOWN),
        (pack({**GOOD, "bver": 9}, {**GOOD, "bver": 10}), reasons.VERSION_UNKNOWN),
    ],
)
def test_what_is_no_pack_is_one_reject(payload: bytes, reason: str) -> None:
    readings, rejects = decode(payload, NOW_US)
    assert readings == []
    assert [reject.reason for reject in rejects] == [reason]
    assert by_columns(payload) == ([], rejects)


def test_a_number_too_large_costs_its_record_alone() -> None:
    payload = b'[{"n":"pot-1/pot","u":"Pa","v":1e999},' + pack(GOOD)[1:]
    readings, rejects = decode(payload, NOW_US)
    assert readings == [GOOD_READING]
    assert rejects == [Reject(reasons.NUMBER_OUT_OF_RANGE, "record 0: v")]
    assert by_columns(payload) == (readings, rejects)


def test_values_that_add_up_to_infinity_are_refused() -> None:
    payload = pack({**GOOD, "bv": 1e308, "v": 1e308})
    assert [r.reason for r in decode(payload, NOW_US).rejects] == [reasons.NUMBER_OUT_OF_RANGE]
    payload = pack({"n": "pot-1/pot", "u": "hPa", "v": 1e307})
    assert [r.reason for r in decode(payload, NOW_US).rejects] == [reasons.NUMBER_OUT_OF_RANGE]
    assert by_columns(payload) == ([], decode(payload, NOW_US).rejects)


def test_what_leans_on_a_broken_base_field_is_refused_until_it_is_set_anew() -> None:
    payload = pack(
        {"bn": "pot-1/", "bt": "noon", "n": "pot", "u": "Pa", "v": 1},
        {"n": "pot", "u": "Pa", "v": 2},
        {"bt": NOW_US / 1e6, "n": "pot", "u": "Pa", "v": 3},
    )
    readings, rejects = decode(payload, NOW_US)
    assert [reading.value for reading in readings] == [3.0]
    assert [reject.reason for reject in rejects] == [reasons.FIELD_WRONG, reasons.BASE_UNUSABLE]


def test_units_become_the_channels_own() -> None:
    payload = pack(
        {"bn": "a/b/", "n": "supply", "u": "hPa", "v": 7000},
        {"n": "pot", "u": "mA", "v": 12.5},
        {"n": "nozzle", "u": "A", "v": 0.004},
        {"n": "air_temp", "u": "K", "v": 300.15},
        {"n": "pot_mass", "u": "g", "v": 2500},
        {"n": "deadman", "u": "/", "v": 1},
        {"n": "seq", "v": 7},
        {"n": "lamp", "vb": True, "u": "Pa"},
        {"n": "flow", "u": "m3/s", "v": 0.1},
        {"n": "label", "vs": "north"},
        {"n": "blob", "vd": "aGkgCg"},
    )
    readings, rejects = decode(payload, NOW_US)
    assert rejects == []
    assert {r.pot for r in readings} == {"a/b"}
    assert [(r.channel, r.value, r.unit) for r in readings[:9]] == [
        ("supply", 700_000.0, "Pa"),
        ("pot", 12.5, "mA"),
        ("nozzle", 4.0, "mA"),
        ("air_temp", 27.0, "Cel"),
        ("pot_mass", 2.5, "kg"),
        ("deadman", 1.0, "/"),
        ("seq", 7.0, "count"),
        ("lamp", 1.0, "/"),
        ("flow", 0.1, "m3/s"),
    ]
    assert [r.text for r in readings[9:]] == ["north", "data:;base64,aGkgCg"]
    assert all(math.isnan(r.value) for r in readings[9:])


def test_unknown_fields_are_ignored_as_the_rfc_says() -> None:
    payload = pack({**GOOD, "note": {"deep": [1]}, "ut": 5})
    assert decode(payload, NOW_US) == ([GOOD_READING], [])


def test_times_are_exact_to_the_microsecond() -> None:
    payload = pack(*[{**GOOD, "bt": 1_759_999_999.123457, "t": n / 100} for n in range(100)])
    expected = [1_759_999_999_123_457 + n * 10_000 for n in range(100)]
    assert [r.at_us for r in decode(payload, NOW_US).readings] == expected


def test_lines_and_other_content_types() -> None:
    def reason(kind: str, payload: bytes) -> str:
        message = RawMessage("serial:x", "", kind, NOW_US, False, payload)
        (_, reject), = ColumnDecoder().decode([message]).rejects  # fmt: skip
        return reject.reason

    assert reason(LINE_REQUIRED, pack(GOOD)) == reasons.CRC_MISSING
    assert reason(LINE_REQUIRED, pack(GOOD) + b" *00000000") == reasons.CRC_WRONG
    assert reason(LINE_CUT, b"xxx") == reasons.LINE_TOO_LONG
    assert reason("image/png", b"xxx") == reasons.CONTENT_TYPE_UNKNOWN


numbers = (
    st.floats(allow_nan=False, allow_infinity=False)
    | st.integers(-(2**70), 2**70)
    | st.sampled_from([0, 1, 1.5, -5, 2**28, NOW_US / 1e6, 1e308])
)
anything = st.recursive(
    st.none() | st.booleans() | numbers | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=5,
)
fields = st.fixed_dictionaries(
    {},
    optional={
        "bn": st.sampled_from(["pot-1/", "pot-2/", "", "b/", "x", '"b']) | anything,
        "bt": st.sampled_from([0, NOW_US / 1e6, NOW_US / 1e6 - 0.1]) | anything,
        "bu": st.sampled_from(["Pa", "hPa", "mA"]) | anything,
        "bv": st.sampled_from([0, 1.5]) | anything,
        "bver": st.sampled_from([5, 10]) | anything,
        "n": st.sampled_from([*CHANNELS, "odd", "battery", "pot-1/pot"]) | anything,
        "u": st.sampled_from(["Pa", "Cel", "%RH", "count", "/", "V"]) | anything,
        "t": st.sampled_from([0, -1, 0.1, 0.02, 90_000]) | anything,
        "v": numbers | anything,
        "vb": st.booleans() | anything,
        "vs": st.text(max_size=5) | anything,
        "vd": st.sampled_from(["aGk", "!"]),
        "s": numbers,
        "ut": numbers,
        "x_": anything,
        "y": anything,
    },
)
plain = st.fixed_dictionaries(
    {"n": st.sampled_from([*CHANNELS, "battery", "odd"])},
    optional={
        "u": st.sampled_from(["Pa", "Cel", "%RH", "count", "/", "kg"]),
        "t": st.sampled_from([0, -1, 0.1, 0.02, 90_000]),
        "v": st.sampled_from([0, 1, 0.5, 650_000.25, -3]),
        "vb": st.booleans(),
    },
)
first = st.fixed_dictionaries(
    {"bn": st.sampled_from(["pot-1/", "b-2/"])},
    optional={"bt": st.sampled_from([0, NOW_US / 1e6]), "bu": st.sampled_from(["Pa", "count"])},
)


def assert_both_ways_agree(payload: bytes) -> None:
    careful_readings, careful_rejects = decode(payload, NOW_US)
    readings, rejects = by_columns(payload)
    numeric = [r for r in careful_readings if r.text is None]
    texts = [r._replace(value=0.0) for r in careful_readings if r.text is not None]
    assert readings == numeric + texts
    assert rejects == careful_rejects


@settings(max_examples=120, deadline=None)
@given(st.lists(fields, max_size=5))
def test_both_ways_read_the_same_whatever_the_fields(records: list[dict[str, Any]]) -> None:
    assert_both_ways_agree(json.dumps(records).encode())


test_both_ways_read_the_same_whatever_the_fields_many_times = pytest.mark.slow(
    settings(max_examples=2000, deadline=None)(
        given(st.lists(fields, max_size=5))(
            test_both_ways_read_the_same_whatever_the_fields.hypothesis.inner_test
        )
    )
)


@given(first, st.lists(plain, min_size=1, max_size=6))
@settings(max_examples=400, deadline=None)
def test_both_ways_read_the_same_in_the_common_form(
    base: dict[str, Any], records: list[dict[str, Any]]
) -> None:
    assert_both_ways_agree(pack({**base, **records[0]}, *records[1:]))


@given(st.binary(max_size=200) | anything.map(lambda value: json.dumps(value).encode()))
@settings(max_examples=300, deadline=None)
def test_whatever_the_bytes_nothing_is_raised_and_something_is_said(payload: bytes) -> None:
    readings, rejects = decode(payload, NOW_US)
    assert_both_ways_agree(payload)
    if not readings and not rejects:
        # Only records that set base fields and nothing else say nothing.
        assert payload.lstrip().startswith(b"[")


@given(st.data(), st.lists(plain, min_size=1, max_size=4))
@settings(max_examples=200, deadline=None)
def test_a_mangled_pack_raises_nothing(data: st.DataObject, records: list[Any]) -> None:
    payload = bytearray(pack({"bn": "pot-1/", **records[0]}, *records[1:]))
    for _ in range(data.draw(st.integers(1, 4))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    assert_both_ways_agree(bytes(payload))


def test_many_messages_keep_their_order_and_their_own_arrival() -> None:
    messages = [
        RawMessage("mqtt", "", "", NOW_US + n, False, pack({**GOOD, "v": n}, {**GOOD, "vs": "x"}))
        for n in range(50)
    ]
    columns = ColumnDecoder().decode(messages)
    assert columns.message.tolist() == list(range(50))
    assert columns.at_us.tolist() == [NOW_US + n for n in range(50)]
    assert columns.value.tolist() == list(range(50))
    assert [number for number, _ in columns.rejects] == list(range(50))
