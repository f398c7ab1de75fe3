"""`gritbook check` and the commonest mistakes: each is made here, and found with what to do.

Those of ports, broker, disk and clock are in test_checks; together they are more than twenty.
"""

from __future__ import annotations

import datetime as dt
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ingest import checks, checks_messages, checks_signals, checks_store
from ingest.checks_signals import Lately, Suspicion
from ingest.config import Yard, parse_yard
from ingest.readings import RawMessage
from ingest.store import record_chain, records_log
from ingest.store.connection import read_window, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter
from ingest.wire.columns import LINE_REQUIRED

NOW = dt.datetime.now(dt.UTC)
TEXT = """
[site]
name = "yard"
time_zone = "Europe/Berlin"
[mqtt]
host = "127.0.0.1"
{mqtt}
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "nozzle", "deadman", "seq"]
"""


def yard(mqtt: str = "") -> Yard:
    return parse_yard(TEXT.format(mqtt=mqtt))


def shift(hz: float = 10.0, seconds: float = 600.0) -> Lately:
    """Ten minutes of sound blasting: a minute open, half a minute shut."""
    at_s = NOW.timestamp() - seconds + np.arange(int(seconds * hz)) / hz
    rng = np.random.default_rng(7)
    phase = (at_s - at_s[0]) % 90.0
    opened = phase < 60.0
    noise = rng.normal(0, 400, len(at_s))
    pot = np.where(opened, 650_000.0, 1_500.0) + noise
    return Lately(
        at_s, at_s + 0.2, np.arange(len(at_s), dtype=float), opened.astype(float),
        690_000.0 + rng.normal(0, 400, len(at_s)), np.full(len(at_s), np.nan), pot,
        np.where(opened, 600_000.0, 1_000.0) + rng.normal(0, 400, len(at_s)),
    )  # fmt: skip


def said(heard: Lately) -> list[Suspicion]:
    return list(checks_signals.suspicions(heard, yard(), "pot-1"))


SOUND = shift()


def test_a_sound_box_is_not_suspected() -> None:
    assert said(SOUND) == []
    # Nor one that does not blast just now, whose pressures are at rest.
    idle = np.zeros(len(SOUND.at_s))
    rest = np.random.default_rng(1).normal(900, 60, len(idle))
    assert said(SOUND._replace(deadman=idle, pot=rest, nozzle=rest - 300, supply=rest + 700)) == []


two_boxes = np.where(np.arange(len(SOUND.seq)) % 2 == 0, SOUND.seq, SOUND.seq + 50_000)
MISTAKES = [
    ("nought", {"nozzle": np.zeros(len(SOUND.at_s))}, "nozzle is exactly 0", "supply voltage"),
    (
        "loop current as Pa", {"pot": 4.0 + 16.0 * SOUND.pot / 1e6},
        "loop current in mA, sent as Pa", 'unit = "mA"',
    ),
    ("psi as Pa", {"pot": SOUND.pot / 6894.757}, "looks like psi", "6894.757"),
    ("bar as Pa", {"supply": SOUND.supply * SOUND.pot / 65e9}, "looks like bar", "100000"),
    ("kPa as Pa", {"nozzle": SOUND.nozzle / 1e3}, "looks like kPa", "multiply before it sends"),
    ("absolute", {"pot": SOUND.pot + 101_325.0}, "comes to rest at", "offset_pa"),
    (
        "swapped inputs", {"pot": SOUND.nozzle, "nozzle": SOUND.pot},
        "nozzle is 50 kPa above pot", "swap the names pot and nozzle",
    ),
    (
        "swapped manifold", {"supply": SOUND.pot, "pot": np.where(SOUND.deadman > 0, 690e3, 2e3)},
        "pot is 40 kPa above supply", "swap the names supply and pot",
    ),
    ("inverted", {"deadman": 1.0 - SOUND.deadman}, "looks inverted", "other contact"),
    (
        "dead-man stands", {"deadman": np.zeros(len(SOUND.at_s))},
        "has been shut all the time", "two wires",
    ),
    ("stuck", {"supply": 0 * SOUND.at_s + 432_100.0}, "432100 Pa while", "isolating valve"),
    ("no counter", {"seq": np.full(len(SOUND.at_s), np.nan)}, "no message counter", "count"),
    ("two boxes", {"seq": two_boxes}, "two boxes send under this name", "its own pot"),
    ("zone behind", {"arrived_s": SOUND.at_s + 7200.3}, "2 h behind", "UTC"),
    ("zone ahead", {"arrived_s": SOUND.at_s - 19_800.0}, "5.5 h ahead of", "UTC"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "what", "step"), [m[1:] for m in MISTAKES], ids=[m[0] for m in MISTAKES]
)
def test_each_mistake_is_found_with_what_to_do(
    change: dict[str, Any], what: str, step: str
) -> None:
    found = said(SOUND._replace(**change))
    (ours,) = [one for one in found if what in one.what]
    assert step in ours.next_step
    # And not a heap of others beside it.
    assert len(found) <= 2, found


def test_a_box_that_samples_too_seldom() -> None:
    (slow,) = said(shift(hz=2.0, seconds=1200.0))
    assert "samples 2 times a second; the yard file says 10" in slow.what
    told = parse_yard(TEXT.format(mqtt="").replace("channels", "rate_hz = 2\ngap_s = 5\nchannels"))
    (seldom,) = checks_signals.suspicions(shift(2.0, 1200.0), told, "pot-1")
    assert "dead-man 2 times a second: short openings are not seen" in seldom.what


# --- through the store -------------------------------------------------------------------------


def of(findings: Iterator[checks.Finding], subject: str) -> list[checks.Finding]:
    return [finding for finding in findings if finding.subject.startswith(subject)]


def take(data: Path, messages: list[RawMessage]) -> None:
    with Journal(data) as journal:
        for message in messages:
            journal.append(message)
    writer = StoreWriter(data, ["pot-1"])
    while writer.take() is not None:
        pass


def live(number: int, pot: str = "pot-1", topic_pot: str = "", **more: Any) -> RawMessage:
    at_s = NOW.timestamp() - 60 + number / 10
    pack = [
        {"bn": f"{pot}/", "bt": at_s, "n": "seq", "u": "count", "v": number},
        {"n": "pot", "u": "Pa", "v": 92.5 + number % 7, **more},
        {"n": "deadman", "vb": number % 100 < 60},
    ]
    body = json.dumps(pack).encode()
    topic = f"gritbook/yard/{topic_pot or pot}/readings"
    return RawMessage("mqtt", topic, "", round((at_s + 0.1) * 1e6), False, body)


def test_what_a_store_holds_is_looked_at_by_the_command(tmp_path: Path) -> None:
    take(tmp_path, [live(number) for number in range(300)])
    (found,) = of(checks_store.check_store(yard(), tmp_path, NOW), "signals of pot-1")
    assert (found.status, "looks like psi" in found.what) == ("warn", True)


def test_names_units_topics_and_clocks_that_quarantine_tells_of(tmp_path: Path) -> None:
    never_set = live(0)._replace(payload=b'[{"n":"pot-1/pot","u":"Pa","t":1577836800,"v":1}]')
    take(
        tmp_path,
        [live(n, pot="pot_1") for n in range(4)]
        + [live(9, u="psi"), live(10, topic_pot="pot-2"), never_set],
    )
    found = of(checks_store.check_store(yard(), tmp_path, NOW), "messages")
    words = " ".join(f"{f.what} {f.next_step}" for f in found)
    assert (
        '4 messages are of "pot_1", which is no pot of the yard file; the yard file has pot-1'
        in (words)
    )
    assert "have a unit that is not taken" in words and "1 psi is 6894.757 Pa" in words
    assert "name another pot than their topic (gritbook/yard/pot-2/readings)" in words
    assert "1 messages are of a clock that was never set" in words


def line(number: int, text: bytes | None = None, trailer: bytes | None = None) -> RawMessage:
    text = (
        json.dumps([{"n": "pot-1/pot", "u": "Pa", "v": number}]).encode() if text is None else text
    )
    trailer = b" *%08X" % zlib.crc32(text) if trailer is None else trailer
    arrived_us = round(NOW.timestamp() * 1e6) + number
    return RawMessage("serial:/dev/ttyS9", "", LINE_REQUIRED, arrived_us, False, text + trailer)


@pytest.mark.parametrize(
    ("messages", "what", "step"),
    [
        (
            [line(n, np.random.default_rng(n).bytes(40), b"") for n in range(20)],
            "Most of what comes on /dev/ttyS9 is noise (20 of 20", "serial.baud",
        ),
        (
            [line(n, trailer=b"") for n in range(20)],
            "20 lines on /dev/ttyS9 lack the CRC-32 trailer", 'crc = "optional"',
        ),
        (
            [line(n, trailer=b" *0000BEEF") for n in range(20)],
            "20 lines on /dev/ttyS9 were damaged on the way", "shield",
        ),
    ],
    ids=["wrong speed", "no trailer", "bad cable"],
)  # fmt: skip
def test_lines_at_the_wrong_speed_or_without_trailer(
    tmp_path: Path, messages: list[RawMessage], what: str, step: str
) -> None:
    take(tmp_path, messages)
    (found,) = of(checks_store.check_store(yard(), tmp_path, NOW), "messages")
    assert what in found.what and step in found.next_step


def test_how_boxes_publish_and_the_way_to_the_broker(tmp_path: Path) -> None:
    health = {
        "pots": {
            "pot-1": {"unassured": 12, "retained": 0},
            "pot-2": {"unassured": 0, "retained": 3},
            "pot-3": {"unassured": 0, "retained": 0},
        },
        "sources": {"mqtt": {"held_back_s": 300.0}},
    }
    (tmp_path / "ingest-health.json").write_text(json.dumps(health))
    found = of(checks.check_publishing(yard(), tmp_path), "publishing")
    assert [f.what.split(" ")[0] for f in found] == ["pot-1", "pot-2", "mqtt"]
    assert "quality of service 0 (12" in found[0].what
    assert "as retained (3" in found[1].what
    assert "read slower for 300 s" in found[2].what
    away = parse_yard(TEXT.format(mqtt='username = "u"').replace("127.0.0.1", "broker.yard"))
    (clear,) = [f for f in checks.check_publishing(away, tmp_path / "none")]
    assert "The password goes to broker.yard in the clear" in clear.what


def test_what_the_broker_refused(tmp_path: Path) -> None:
    log = tmp_path / "mosquitto.log"
    log.write_text(
        "1: Client <unknown> disconnected, not authorised.\n" * 3
        + "2: Denied PUBLISH from box-7 (d0, q1, r0, m1, 'gritbook/yard/pot-2/readings')\n"
        + "3: OpenSSL Error[0]: error:0A000086:SSL routines::certificate verify failed\n"
        + "4: Outgoing messages are being dropped for client gritbook-yard.\n"
        + "5: New connection from 192.0.2.9:1234 on port 8883.\n"
    )
    found = list(checks.check_publishing(yard(f'broker_log = "{log}"'), tmp_path))
    words = [f.what for f in found]
    assert words == [
        "The broker told of 3 connections with a wrong name or password (<unknown>).",
        "The broker told of 1 messages to a topic that is not the sender's own (box-7).",
        "The broker told of 1 connections without an accepted certificate "
        "(error:0A000086:SSL routines::certificate verify failed).",
        "The broker told of 1 warnings that messages are dropped (gritbook-yard).",
    ]
    assert "max_queued_messages 0" in found[-1].next_step
    (missing,) = checks_messages.in_broker_log(tmp_path / "none")
    assert "cannot be read" in missing.what


def test_a_journal_or_store_larger_than_expected(tmp_path: Path) -> None:
    take(tmp_path, [live(number) for number in range(50)])
    small = parse_yard(
        TEXT.format(mqtt="") + "[keep]\nwarn_journal_gb = 1e-6\nwarn_store_gb = 1e-6\n"
    )
    found = list(checks.check_sizes(small, tmp_path))
    assert [f.what.split()[1] for f in found] == ["journal", "store"]
    assert "keep.journal_days" in found[0].next_step
    assert list(checks.check_sizes(yard(), tmp_path)) == []


def test_records_whose_copy_is_late_or_damaged(tmp_path: Path) -> None:
    with write_window(tmp_path) as con:
        con.execute(
            "INSERT INTO record VALUES ('a', 'crew', now()::TIMESTAMP, 'x', 'page', NULL, false, "
            "'', '{}', NULL, NULL)"
        )
        record_chain.number_rest(con)
    with read_window(tmp_path) as con:
        whole, late = checks_store.check_records(con, tmp_path)
    assert "1 rows stand as entered; the seal is 1-" in whole.what
    assert "1 records are not in records.log yet" in late.what
    records_log.log_path(tmp_path).write_bytes(b"not a line\n")
    with read_window(tmp_path) as con:
        _, _, damaged = checks_store.check_records(con, tmp_path)
    assert "1 lines of records.log cannot be read, the first is line 1" in damaged.what
