"""SenML in CBOR: the same readings as JSON gives, and nothing that a hostile pack can gain."""

from __future__ import annotations

import base64
import io
import json
import struct
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import RawMessage, Reading
from ingest.wire import cbor, reasons
from ingest.wire.columns import ColumnDecoder
from ingest.wire.senml import decode

NOW_US = 1_760_000_000_000_000

#: RFC 8428, section 6, table 4, written out again so that a slip in the reader shows.
TABLE_4 = {
    "bver": -1, "bn": -2, "bt": -3, "bu": -4, "bv": -5, "bs": -6,
    "n": 0, "u": 1, "v": 2, "vs": 3, "vb": 4, "s": 5, "t": 6, "ut": 7, "vd": 8,
}  # fmt: skip


def to_cbor(records: list[dict[str, Any]]) -> bytes:
    return cbor2.dumps([{TABLE_4.get(k, k): v for k, v in r.items()} for r in records])


def test_the_rfcs_example_in_bytes_written_by_hand() -> None:
    # The pack of RFC 8428, section 5.1.2, byte by byte after its table 4 and RFC 8949.
    payload = bytes.fromhex(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a"
        "22fb41d303a15b00106223614120050067766f6c7461676501615602fb405e06"
        "6666666666a3006763757272656e74062402fb3ff3333333333333"
        "a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74"
        "062202fb3ff6666666666666a3006763757272656e74062102f93e00"
        "a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74"
        "060002fb3ffb333333333333"
    )
    records, rejects, version = cbor.read_records(payload)
    assert not rejects and version == 5
    name = "urn:dev:ow:10e2073a0108006:"
    assert [(r.name, r.unit, r.value) for r in records] == [
        (name + "voltage", "V", 120.1),
        *((name + "current", "A", value) for value in (1.2, 1.3, 1.4, 1.5, 1.6, 1.7)),
    ]
    assert [r.base_seconds + r.seconds for r in records] == [
        1.276020076001e09, *(1.276020071001e09 + n for n in range(6)),
    ]  # fmt: skip


VALUES = st.one_of(
    st.fixed_dictionaries({"v": st.floats(allow_nan=False, allow_infinity=False)}),
    st.fixed_dictionaries({"v": st.integers(-(2**53), 2**53)}),
    st.fixed_dictionaries({"vb": st.booleans()}),
    st.fixed_dictionaries({"vs": st.text(max_size=20)}),
    st.fixed_dictionaries({"vd": st.binary(max_size=20)}),
    st.fixed_dictionaries({"s": st.floats(-1e9, 1e9)}),
    st.just({}),
)
RECORDS = st.builds(
    lambda own, base, value: {**base, **own, **value},
    st.fixed_dictionaries(
        {"n": st.sampled_from(["pot", "deadman", "seq", "air_temp", "odd", "", "a b"])},
        optional={
            "u": st.sampled_from(["Pa", "hPa", "mA", "Cel", "bar", ""]),
            "t": st.one_of(st.floats(-100, 100), st.integers(-100, 100), st.just(2.0**28)),
            "ut": st.integers(0, 60),
        },
    ),
    st.fixed_dictionaries(
        {},
        optional={
            "bn": st.sampled_from(["pot-1/", "pot-2/", "x", "/"]),
            "bt": st.one_of(st.just(1_760_000_000), st.just(1_760_000_000.25), st.just(0)),
            "bu": st.sampled_from(["Pa", "mA", "count"]),
            "bv": st.integers(0, 5),
            "bver": st.sampled_from([5, 10, 11]),
            "extra": st.integers(0, 5),
            "must_": st.integers(0, 5),
        },
    ),
    VALUES,
)


@settings(max_examples=400, deadline=None)
@given(st.lists(RECORDS, min_size=1, max_size=8))
def test_json_and_cbor_of_one_pack_give_the_same(records: list[dict[str, Any]]) -> None:
    as_json = [
        {
            k: base64.urlsafe_b64encode(v).rstrip(b"=").decode() if k == "vd" else v
            for k, v in record.items()
        }
        for record in records
    ]
    from_json = decode(json.dumps(as_json).encode(), NOW_US)
    from_cbor = decode(to_cbor(records), NOW_US, "cbor")
    # Readings of text have NaN as their number, which equals nothing: compare what is written.
    assert repr(from_cbor.readings) == repr(from_json.readings)
    assert [r.reason for r in from_cbor.rejects] == [r.reason for r in from_json.rejects]


@pytest.mark.parametrize("kind", ["application/senml+cbor", "112"])
def test_the_content_type_says_which(kind: str) -> None:
    payload = to_cbor([{"bn": "pot-1/", "n": "pot", "u": "Pa", "v": 650_000}])
    columns = ColumnDecoder().decode([RawMessage("mqtt", "", kind, NOW_US, False, payload)])
    assert columns.value.tolist() == [650_000.0] and not columns.rejects
    wrong = ColumnDecoder().decode([RawMessage("mqtt", "", "110", NOW_US, False, payload)])
    assert [reject.reason for _, reject in wrong.rejects] in ([reasons.NOT_JSON], ["not UTF-8"])


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", reasons.NOT_CBOR),
        (b"\x81", reasons.NOT_CBOR),
        (cbor2.dumps([{0: "pot-1/pot"}]) + b"\x00", reasons.NOT_CBOR),
        (b"\x80", reasons.NOT_A_PACK),
        (b"\x01", reasons.NOT_A_PACK),
        (b"\x81\x01", reasons.NOT_A_RECORD),
        (b"\x9b\x00\xff\xff\xff\xff\xff\xff\xff\x01", reasons.NOT_CBOR),
        (b"\xba\x7f\xff\xff\xff\x01\x01", reasons.NOT_CBOR),
        (b"\x7b\x00\xff\xff\xff\xff\xff\xff\xff", reasons.NOT_CBOR),
        (b"\x81" * 100_000 + b"\x01", reasons.TOO_DEEP),
        (cbor2.dumps([0] * 50_001), reasons.TOO_MANY_RECORDS),
        (b"\x00" * (1 << 20) + b"\x00", reasons.TOO_LARGE),
        (b"\x81\xa2\x00\x61a\x00\x61b", reasons.NOT_CBOR),  # a label twice
        (bytes.fromhex("d81c81d81d00"), reasons.NOT_CBOR),  # an array that holds itself
        (cbor2.dumps([{0: "p/x", 2: cbor2.CBORTag(5, [10**9, 1])}]), reasons.NOT_CBOR),
        (cbor2.dumps([{0: "p/x", 2: cbor2.CBORTag(35, "(")}]), reasons.NOT_CBOR),
        (cbor2.dumps([{0: "p/x", 2: cbor2.CBORTag(4, [10**9, 1])}]), reasons.NUMBER_OUT_OF_RANGE),
        (cbor2.dumps([{0: "p/x", 2: 10**400}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: "p/x", 2: float("nan")}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: "p/x", "v": 1}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: "p/x", 4: 1}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: "p/x", 8: "text"}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: b"p/x", 2: 1}]), reasons.FIELD_WRONG),
        (cbor2.dumps([{0: "p/x", 2: 1, "must_": 1}]), reasons.FIELD_NOT_UNDERSTOOD),
    ],
)
def test_what_is_not_a_pack_is_refused_with_its_reason(payload: bytes, reason: str) -> None:
    read = decode(payload, NOW_US, "cbor")
    assert not read.readings
    assert reason in [reject.reason for reject in read.rejects]


def test_half_floats_decimals_and_indefinite_arrays_are_numbers_and_packs() -> None:
    record = b"\xa3\x00\x69pot-1/pot\x01\x62Pa\x02"
    half = b"\xf9" + struct.pack(">e", 1.5)
    assert decode(b"\x9f" + record + half + b"\xff", NOW_US, "cbor").readings == [
        Reading("pot-1", "pot", NOW_US, 1.5, "Pa")
    ]
    decimal = cbor2.dumps(cbor2.CBORTag(4, [-1, 6_500_001]))
    assert decode(b"\x81" + record + decimal, NOW_US, "cbor").readings[0].value == 650_000.1


@settings(max_examples=500, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_readings_or_rejects(payload: bytes) -> None:
    read = decode(payload, NOW_US, "cbor")
    assert read.readings or read.rejects


def test_a_sequence_is_read_item_by_item() -> None:
    file = io.BytesIO(cbor2.dumps([1]) + cbor2.dumps([2]) + b"\x81")
    assert [cbor.next_item(file), cbor.next_item(file)] == [[1], [2]]
    with pytest.raises(cbor.NotCbor):
        cbor.next_item(file)
    with pytest.raises(EOFError):
        cbor.next_item(io.BytesIO())
