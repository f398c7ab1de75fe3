"""SenML logs from a card: the same readings as over the network, twice changes nothing."""

from __future__ import annotations

import json
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import cbor2
import pytest

from ingest.card_import import bring_in
from ingest.config import parse_yard
from ingest.errors import ImportRefused
from ingest.readings import RawMessage
from ingest.sources import card_senml
from ingest.store.card_slice import Outcome
from ingest.store.connection import read_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter
from ingest.wire import reasons
from ingest.wire.cbor import LABELS

BEGIN_S = 1_760_000_000
YARD = parse_yard("""
[site]
name = "test-yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
""")


def records(number: int) -> list[dict[str, Any]]:
    """What a box sends of one second."""
    return [
        {"bn": "pot-1/", "bt": BEGIN_S + number, "bu": "mA", "n": "seq", "u": "count", "v": number},
        {"n": "pot", "v": 12.0 + number % 7},
        {"n": "deadman", "vb": number % 2 == 1},
        {"n": "pot", "t": 0.5, "v": 12.5},
        {"n": "supply", "t": 0.5, "u": "hPa", "v": 7000 + number},
        {"n": "air_temp", "u": "Cel", "v": 20.5},
        {"n": "odd", "vs": f"mark {number}"},
    ]


def as_lines(packs: list[list[dict[str, Any]]]) -> bytes:
    return b"".join(json.dumps(pack).encode() + b"\n" for pack in packs)


def as_sequence(packs: list[list[dict[str, Any]]]) -> bytes:
    texts = [json.dumps(pack).encode() for pack in packs]
    return b"".join(b"\x1e" + text + b" *%08X\n" % zlib.crc32(text) for text in texts)


def as_cbor(packs: list[list[dict[str, Any]]]) -> bytes:
    labels = {name: label for label, name in LABELS.items()}
    return b"".join(
        cbor2.dumps([{labels[k]: v for k, v in record.items()} for record in pack])
        for pack in packs
    )


def take(data: Path, path: Path, **options: Any) -> Outcome:
    (outcome,) = bring_in(data, YARD, [path], "pot-1", **options)
    return outcome


def stored(data: Path) -> list[tuple[Any, ...]]:
    with read_window(data) as con:
        fast = con.sql(
            "SELECT sampled_at, seq, supply_pa, pot_ma, deadman FROM sample ORDER BY sampled_at"
        ).fetchall()
        slow = con.sql(
            "SELECT sampled_at, channel, value, text FROM reading JOIN channel USING (channel_id) "
            "ORDER BY ALL"
        ).fetchall()
    return [*fast, *slow]


def over_network(data: Path, packs: list[list[dict[str, Any]]]) -> list[tuple[Any, ...]]:
    with Journal(data) as journal:
        for pack in packs:
            arrived_us = (BEGIN_S + 10_000) * 10**6
            journal.append(RawMessage("mqtt", "", "", arrived_us, False, json.dumps(pack).encode()))
    StoreWriter(data, None).take()
    return stored(data)


@pytest.mark.parametrize("form", [as_lines, as_sequence, as_cbor])
def test_a_log_gives_what_the_network_gives_and_twice_changes_nothing(
    tmp_path: Path, form: Any
) -> None:
    packs = [records(n) for n in range(50)]
    path = tmp_path / "card.senml"
    path.write_bytes(form(packs))
    data = tmp_path / "card"
    seen = take(data, path, dry_run=True)
    outcome = take(data, path)
    assert outcome.form is not None and outcome.form.kind == "senml"
    assert (outcome.readings, outcome.refused, outcome.conflicts) == (350, 0, 0)
    assert (seen.readings, seen.refused) == (350, 0)
    before = stored(data)
    assert before == over_network(tmp_path / "network", packs)
    assert take(data, path).brought_in_at is not None
    # The same packs in another file, in another order and with another end, double nothing.
    other = tmp_path / "other.senml"
    other.write_bytes(as_lines([*reversed(packs), records(50)]))
    again = take(data, other)
    assert (again.readings, again.repeated, again.conflicts) == (7, 350, 0)
    assert take(tmp_path / "network", path).readings == 0
    assert stored(tmp_path / "network") == before


def test_slices_do_not_matter(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "card.senml"
    path.write_bytes(as_lines([records(n) for n in range(100)]))
    take(tmp_path / "whole", path)
    monkeypatch.setattr(card_senml, "SLICE_BYTES", 3_000)
    monkeypatch.setattr(card_senml, "_BLOCK_BYTES", 101)
    take(tmp_path / "sliced", path)
    assert stored(tmp_path / "sliced") == stored(tmp_path / "whole")


def test_what_cannot_be_read_is_quarantined_with_its_line(tmp_path: Path) -> None:
    good, foreign = records(1), [{**records(2)[0], "bn": "pot-9/"}, *records(2)[1:]]
    no_clock = [{"n": "pot-1/pot", "u": "Pa", "v": 1, "t": -5}]
    later = [{"n": "pot-1/pot", "u": "Pa", "v": 1, "bt": BEGIN_S + 10**9}]
    half_bad = [*records(3), {"n": "pot", "u": "bar", "t": 0.7, "v": 6}]
    path = tmp_path / "card.senml"
    torn = json.dumps(records(4)).encode()[:60]
    path.write_bytes(as_lines([good, foreign, no_clock, later, half_bad]) + torn)
    outcome = take(tmp_path / "data", path)
    assert outcome.readings == 14
    assert outcome.reasons == {
        reasons.POT_ELSEWHERE: 1,
        card_senml.RELATIVE_ON_CARD: 1,
        reasons.TIME_AHEAD: 1,
        reasons.UNIT_WRONG: 1,
        reasons.NOT_JSON: 1,
    }
    with read_window(tmp_path / "data") as con:
        rows = con.sql("SELECT detail, payload FROM quarantine ORDER BY detail").fetchall()
    assert [row[0] for row in rows] == [f"line {n}" for n in (2, 3, 4, 5, 6)]
    assert rows[4][1] == torn


def test_a_torn_cbor_log_gives_all_before_the_tear(tmp_path: Path) -> None:
    path = tmp_path / "card.cbor"
    path.write_bytes(as_cbor([records(n) for n in range(10)])[:-5])
    outcome = take(tmp_path / "data", path)
    assert outcome.readings == 63 and outcome.reasons == {reasons.NOT_CBOR: 1}


def test_two_values_of_one_instant_are_compared(tmp_path: Path) -> None:
    twice = [records(1)[0], *({"n": "pot", "v": value} for value in (12.0, 12.0, 13.0))]
    path = tmp_path / "card.senml"
    path.write_bytes(as_lines([twice]))
    outcome = take(tmp_path / "data", path)
    assert (outcome.readings, outcome.repeated, outcome.conflicts) == (2, 1, 1)


def test_a_log_of_another_pot_is_refused_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "card.senml"
    path.write_bytes(as_lines([[{"n": "pot-7/pot", "u": "Pa", "v": 1, "bt": BEGIN_S}]]))
    with pytest.raises(ImportRefused, match=r"No row of card\.senml can be taken"):
        take(tmp_path / "data", path)


PEAK = """
import resource, sys
from pathlib import Path
from ingest.card_import import bring_in
from ingest.config import parse_yard
yard = parse_yard(Path(sys.argv[1]).read_text())
(outcome,) = bring_in(Path(sys.argv[2]), yard, [Path(sys.argv[3])], "pot-1")
print(outcome.readings, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)
"""


@pytest.mark.slow
def test_memory_does_not_grow_with_the_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    yard = tmp_path / "yard.toml"
    yard.write_text(
        '[site]\nname = "y"\ntime_zone = "UTC"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    )
    peaks = []
    for megabytes in (40, 400):
        path = tmp_path / f"{megabytes}.senml"
        wanted = 0
        with path.open("wb") as file:
            second = 0
            while file.tell() < megabytes << 20:
                pack: list[dict[str, Any]] = [
                    {"n": channel, "t": n / 10, "v": 12.0 + (second + n) % 97 / 10}
                    for n in range(10)
                    for channel in ("supply", "pot", "nozzle")
                ]
                pack[0] |= {"bn": "pot-1/", "bt": BEGIN_S + second, "bu": "mA"}
                file.write(json.dumps(pack, separators=(",", ":")).encode() + b"\n")
                wanted += 30
                second += 1
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(yard), str(tmp_path / f"data-{megabytes}"), str(path)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        readings, peak = map(int, done.stdout.split())
        assert readings == wanted
        peaks.append(peak)
        path.unlink()
    with capsys.disabled():
        print(f"\nSenML log of 40 MB: {peaks[0]} MB at most in memory; of 400 MB: {peaks[1]} MB")
    assert peaks[1] < 1.5 * peaks[0] + 100
