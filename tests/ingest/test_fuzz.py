"""Random and mutated messages and serial bytes through the real journal and the real writer.

Nothing ends it, memory stays bounded, and each message is told of in the end: its readings are in
the store, or it stands in quarantine, or it was the same as one that is.
"""

from __future__ import annotations

import json
import random
import resource
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.readings import RawMessage
from ingest.store.batch import decode_batch
from ingest.store.connection import read_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter
from ingest.wire.columns import LINE_OPTIONAL, LINE_REQUIRED
from ingest.wire.framing import LineSplitter

NOW_US = 1_760_000_000_000_000
POTS = ("pot-1", "pot-2")

#: Bits that mutations put in: what JSON, SenML and CBOR are made of, and what breaks readers.
_PIECES = [
    b"[", b"]", b"{", b"}", b'"', b":", b",", b"\\", b"\\u0000", b"\\ud800", b"null", b"true",
    b"NaN", b"1e999", b"-0", b"1E-400", b"99999999999999999999999", b'"bn"', b'"bt"', b'"bu"',
    b'"bv"', b'"bs"', b'"bver"', b'"n"', b'"u"', b'"v"', b'"vs"', b'"vb"', b'"vd"', b'"t"', b'"s"',
    b'"x_"', b'"pot-1/"', b'"pot-2/"', b'"seq"', b'"deadman"', b"\xff", b"\xc3\x28", b"\x00",
    b"\x1e", b"\n", b" *00000000", b"[" * 600, b"\x9f", b"\xa1", b"\xfb\x7f\xf0", b"\x1b\xff",
]  # fmt: skip
_TYPES = ["", "", "", "application/senml+json", "application/senml+cbor", "112", "text/plain"]


def packs(rng: random.Random, number: int) -> bytes:
    """A message as a box sends it, each a little different."""
    pot = POTS[rng.randrange(2)]
    base = {"bn": f"{pot}/", "n": "seq", "u": "count", "v": number}
    if rng.random() < 0.7:
        base["bt"] = NOW_US / 1e6 - rng.randrange(10**6) / 10
    pack: list[dict[str, object]] = [base]
    for _ in range(rng.randrange(1, 5)):
        name = rng.choice(["supply", "pot", "nozzle", "humidity", "widget", "inlet"])
        unit = {"humidity": "%RH", "widget": "V"}.get(name, rng.choice(["Pa", "Pa", "hPa", "mA"]))
        pack.append({"n": name, "u": unit, "t": rng.randrange(50) / 50, "v": rng.random() * 1e6})
    if rng.random() < 0.5:
        pack.append({"n": "deadman", "vb": rng.random() < 0.5})
    return json.dumps(pack, separators=(",", ":")).encode()


def mutated(rng: random.Random, text: bytes) -> bytes:
    """Some bytes of a message changed, doubled, cut, swapped or put in."""
    body = bytearray(text)
    for _ in range(rng.randrange(1, 6)):
        at = rng.randrange(len(body) + 1)
        match rng.randrange(7):
            case 0 if at < len(body):
                body[at] ^= 1 << rng.randrange(8)
            case 1:
                body[at:at] = rng.choice(_PIECES)
            case 2:
                del body[at : at + rng.randrange(1, 12)]
            case 3:
                body[at:at] = body[at : at + rng.randrange(1, 60)]
            case 4:
                del body[at:]
            case 5:
                body[at : at + 4] = rng.randbytes(rng.randrange(1, 8))
            case _:
                body[at : at + 1] = rng.choice(_PIECES)
    return bytes(body)


def hostile(seed: int, count: int) -> Iterator[RawMessage]:
    """So many messages, of which most are mutated and some are noise or sound."""
    rng = random.Random(seed)
    for number in range(count):
        kind = rng.random()
        text = packs(rng, number)
        if kind < 0.75:
            text = mutated(rng, text)
        elif kind < 0.85:
            text = rng.randbytes(rng.randrange(0, 200))
        arrived_us = NOW_US + number * 37
        if rng.random() < 0.3:
            content = rng.choice([LINE_OPTIONAL, LINE_REQUIRED])
            if rng.random() < 0.5:
                text += b" *%08X" % (zlib.crc32(text) ^ (rng.random() < 0.3))
            yield RawMessage("serial:a", "", content, arrived_us, False, text)
            continue
        topic = f"g/yard/{rng.choice(POTS)}/readings" if rng.random() < 0.98 else "odd"
        yield RawMessage(
            "mqtt", topic, rng.choice(_TYPES), arrived_us, rng.random() < 0.1, text,
            number % 65_535 + 1,
        )  # fmt: skip


def run(data: Path, seed: int, count: int, at_once: int = 20_000) -> dict[str, int]:
    """Bring hostile messages through journal and writer, and account for every one of them."""
    writer = StoreWriter(data, POTS, at_once)
    told = 0
    totals = {"messages": 0, "readings": 0, "repeated": 0, "quarantined": 0, "silent": 0}
    source = hostile(seed, count)
    with Journal(data) as journal:
        while told < count:
            for _ in range(min(at_once, count - told)):
                journal.append(next(source))
                told += 1
            journal.sync()
            while (taken := writer.take(journal.end)) is not None:
                totals["messages"] += taken.messages
                totals["readings"] += taken.readings
                totals["repeated"] += taken.repeated
                totals["quarantined"] += taken.quarantined
    totals["silent"] = _without_trace(seed, count)
    totals["high_water_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    return totals


def _without_trace(seed: int, count: int) -> int:
    """Messages that give neither a reading nor a reject: only packs that set base fields alone."""
    silent = 0
    source = hostile(seed, count)
    at_once = 5_000
    for begin in range(0, count, at_once):
        part = [next(source) for _ in range(min(at_once, count - begin))]
        batch = decode_batch(part, list(range(1, len(part) + 1)), POTS)
        told = set((batch.heard.message_id - 1).tolist())
        told |= {row.message_id - 1 for row in batch.refused}
        for number in set(range(len(part))) - told:
            assert _sets_base_fields_only(part[number]), part[number]
            silent += 1
    return silent


def _sets_base_fields_only(message: RawMessage) -> bool:
    """RFC 8428, 5.1.7: a record without name and value only sets what holds for later ones."""
    body = message.payload
    text = body.rpartition(b" *")[0] if message.content_type.startswith("line") else body
    for form in (body, text):
        try:
            pack = json.loads(form.strip(b" \t\r\n\x1e"))
        except (ValueError, RecursionError):
            continue
        return all(not {"n", "v", "vs", "vb", "vd", "s"} & set(record) for record in pack)
    return False


PROGRAM = """
import importlib.util, json, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("fuzz", sys.argv[1])
fuzz = importlib.util.module_from_spec(spec)
spec.loader.exec_module(fuzz)
print(json.dumps(fuzz.run(Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))))
"""


def account(data: Path, seed: int, count: int) -> dict[str, int]:
    """The run in a process of its own, for its memory; its counts, checked against the store."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, __file__, str(data), str(seed), str(count)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    totals: dict[str, int] = json.loads(done.stdout)
    assert totals["messages"] == count
    with read_window(data) as con:
        ((messages, readings, repeated, quarantined),) = con.execute(
            "SELECT sum(messages), sum(readings), sum(repeated), sum(quarantined) FROM source_count"
        ).fetchall()
        ((rows,),) = con.execute("SELECT count(*) FROM quarantine").fetchall()
    assert (messages, readings, repeated) == (count, totals["readings"], totals["repeated"])
    assert quarantined == totals["quarantined"] == rows
    # Both ways out were taken by many, so that this test shows something of each.
    assert totals["readings"] > count / 4
    assert totals["quarantined"] > count / 4
    return totals


def test_twenty_thousand_hostile_messages_are_stored_or_quarantined(tmp_path: Path) -> None:
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    totals = account(tmp_path / "data", 1, 20_000)
    # The tests before this one have a high-water mark of their own.
    assert totals["high_water_mb"] < max(900, before_mb + 300)


@pytest.mark.slow
def test_a_million_hostile_messages_are_stored_or_quarantined_in_bounded_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    few = account(tmp_path / "few", 2, 100_000)
    many = account(tmp_path / "many", 3, 1_000_000)
    with capsys.disabled():
        print(
            f"\n{many['messages']:,} messages: {many['readings']:,} readings, "
            f"{many['quarantined']:,} rows of quarantine, {many['silent']:,} with base fields "
            f"only; memory high-water {many['high_water_mb']} MB "
            f"(after 100,000: {few['high_water_mb']} MB)"
        )
    # Ten times the messages must not take ten times the memory; what is let grow is DuckDB's cache.
    assert many["high_water_mb"] < 2 * few["high_water_mb"] + 200


@given(
    st.lists(st.binary(max_size=300), max_size=6),
    st.sampled_from([LINE_OPTIONAL, LINE_REQUIRED, *sorted(set(_TYPES))]),
)
@settings(max_examples=300, deadline=None)
def test_any_bytes_become_readings_or_rejects(payloads: list[bytes], content: str) -> None:
    source = "serial:a" if content.startswith("line") else "mqtt"
    messages = [
        RawMessage(source, "g/yard/pot-1/readings" if source == "mqtt" else "", content, NOW_US,
                   False, body, 1 + number)
        for number, body in enumerate(payloads)
    ]  # fmt: skip
    batch = decode_batch(messages, list(range(1, 1 + len(messages))), POTS)
    told = set(batch.heard.message_id.tolist()) | {row.message_id for row in batch.refused}
    for number in set(range(1, 1 + len(messages))) - told:
        assert _sets_base_fields_only(messages[number - 1])


@pytest.mark.parametrize("seed", range(3))
def test_serial_noise_of_any_cut_keeps_its_bytes_and_bounds_its_memory(seed: int) -> None:
    rng = random.Random(seed)
    stream = bytearray()
    while len(stream) < 300_000:
        text = packs(rng, len(stream))
        line = b"\x1e" + text + b" *%08X\n" % zlib.crc32(text)
        stream += mutated(rng, line) if rng.random() < 0.7 else line
        if rng.random() < 0.01:
            stream += b"z" * rng.randrange(200_000)
    splitter = LineSplitter()
    heard = []
    at = 0
    while at < len(stream):
        size = rng.choice([1, 3, 17, 512, 4096])
        heard += splitter.feed(bytes(stream[at : at + size]))
        at += size
        # What lies in it unfinished is never more than one longest line.
        assert len(splitter._rest) <= splitter._longest
    heard += splitter.close()
    # Nothing is thrown away but the delimiters and blank lines.
    kept = b"".join(line.raw for line in heard)
    sent = b"".join(line for line in stream.replace(b"\x1e", b"\n").split(b"\n") if line.strip())
    assert kept == sent
    # Cut another way it gives the same lines.
    again = LineSplitter()
    assert again.feed(bytes(stream)) + again.close() == heard
