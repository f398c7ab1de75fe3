"""Packs and lines are what RFC 8428, RFC 7464 and the package's prose say, to the byte."""

from __future__ import annotations

import itertools
import json
import zlib

import numpy as np
import pytest

import simulated_feeds
from simulated_feeds.faults import FaultSet
from simulated_feeds.live import LivePot
from simulated_feeds.signals import Transducer
from simulated_feeds.wire import Second, senml_pack, serial_line

# RFC 8428's registry, and the secondary units of RFC 8798 that the prose allows
UNITS = {"Pa", "mA", "Cel", "%RH", "kg", "count"}


def a_second(**changes: object) -> Second:
    values: dict[str, object] = {
        "from_s": 1_800_000_000.25,
        "offsets_s": np.array([0.0, 0.5]),
        "fast": {"supply": np.array([700_000.0, 700_250.0]), "pot": np.array([0.0, 12.5])},
        "deadman": np.array([False, True]),
        "slow": {"air_temp": 11.5},
        "seq": 41,
    }
    return Second(**(values | changes))  # type: ignore[arg-type]


def resolve(pack: bytes) -> list[tuple[str, float, object]]:
    """Resolve a pack by RFC 8428 section 4.6, as far as the feeds use it: bn and bt."""
    name, base_s, found = "", 0.0, []
    for record in json.loads(pack):
        name = record.get("bn", name)
        base_s = record.get("bt", base_s)
        values = [record[key] for key in ("v", "vs", "vb", "vd") if key in record]
        assert len(values) == 1, "exactly one value a record (RFC 8428 section 4.2)"
        found.append((name + record["n"], base_s + record.get("t", 0.0), values[0]))
    return found


def test_a_pack_resolves_to_what_was_read():
    assert resolve(senml_pack("pot-1", a_second())) == [
        ("pot-1/seq", 1_800_000_000.25, 41),
        ("pot-1/supply", 1_800_000_000.25, 700_000),
        ("pot-1/supply", 1_800_000_000.75, 700_250),
        ("pot-1/pot", 1_800_000_000.25, 0),
        ("pot-1/pot", 1_800_000_000.75, 12.5),
        ("pot-1/deadman", 1_800_000_000.25, False),
        ("pot-1/deadman", 1_800_000_000.75, True),
        ("pot-1/air_temp", 1_800_000_000.25, 11.5),
    ]


def test_a_box_without_a_clock_counts_back_from_the_arrival():
    found = resolve(senml_pack("pot-1", a_second(), clock=False))
    times = [time for _, time, _ in found]
    assert max(times) == 0.0 and min(times) == -0.5
    assert all(time < 2**28 for time in times)  # RFC 8428 section 4.5.3


def test_every_channel_and_unit_is_in_the_prose():
    pot = LivePot(seed=3, mass=True)
    pot.transducers["inlet"] = Transducer()
    seconds = pot.seconds(1.8e9)
    prose = simulated_feeds.__doc__ or ""
    for _ in range(12):
        second = next(seconds)
        assert second is not None
        for record in json.loads(senml_pack("pot-1", second)):
            assert f"\n{record['n']:<13}" in prose
            assert ("u" in record) != ("vb" in record), "a boolean has no unit, all else has"
            assert record.get("u", "Pa") in UNITS
            assert f"{record.get('u', '(none)')}" in prose


def test_loop_currents_go_out_in_milliampere():
    second = next(LivePot(seed=3, unit="mA").seconds(1.8e9))
    assert second is not None
    records = [r for r in json.loads(senml_pack("p", second)) if r["n"] == "supply"]
    assert all(record["u"] == "mA" and 16.0 < record["v"] < 17.0 for record in records)


def test_a_line_is_framed_and_checked():
    line = serial_line(b'[{"n":"a"}]')
    assert line[:1] == b"\x1e" and line[-1:] == b"\n"  # RFC 7464 section 2.2
    text, trailer = line[1:-1].rsplit(b" *", 1)
    assert int(trailer, 16) == zlib.crc32(text) and len(trailer) == 8
    assert trailer == trailer.upper()
    assert serial_line(b"[]", crc=False) == b"\x1e[]\n"


def test_crc_is_the_one_of_zlib():
    # CRC-32 check value over "123456789": 0xCBF43926 (published: ISO-HDLC, zlib, PKZIP)
    assert serial_line(b"123456789").endswith(b" *CBF43926\n")


def test_no_pack_holds_what_json_cannot():
    with pytest.raises(ValueError, match="JSON"):
        senml_pack("p", a_second(slow={"air_temp": float("inf")}))


def test_same_seed_same_bytes_and_another_seed_others():
    def packs(seed: int) -> list[bytes]:
        faults = FaultSet({"popup_unseated": 0.5, "loop_broken": 0.2}, seed)
        seconds = LivePot(seed=seed, faults=faults).seconds(1.8e9)
        return [senml_pack("p", second) for second in (next(seconds) for _ in range(90)) if second]

    assert packs(5) == packs(5)
    assert packs(5) != packs(6)


def test_a_live_pot_has_no_seam_between_seconds():
    seconds = LivePot(seed=8).seconds(100.0)
    many = [next(seconds) for _ in range(200)]
    for before, after in itertools.pairwise(many):
        assert before is not None and after is not None
        assert after.seq == before.seq + 1
        assert after.from_s - before.from_s == pytest.approx(1.0)
    supply = np.concatenate([second.fast["supply"] for second in many if second])
    assert np.abs(np.diff(supply)).max() < 60e3


def test_a_live_pot_tells_the_truth_of_each_cycle():
    told: list[dict[str, float | int]] = []
    seconds = LivePot(seed=4, tell_truth=told.append).seconds(1_000.0)
    many = [next(seconds) for _ in range(600)]
    held = np.concatenate([second.deadman for second in many if second])
    turned_on = np.flatnonzero(held[1:] & ~held[:-1]) + 1
    assert [cycle["cycle"] for cycle in told] == list(range(1, len(told) + 1))
    assert len(told) >= 5
    for cycle, at in zip(told, turned_on, strict=False):
        assert cycle["switch_on_at"] == pytest.approx(1_000.0 + at / 10.0, abs=0.11)
        assert cycle["pressed_at"] < cycle["switch_on_at"]
        assert cycle["blast_s"] < cycle["on_s"]
