"""Message faults lose, repeat, reorder and garble as many messages as asked, and no others."""

from __future__ import annotations

import itertools
import zlib

import pytest

from simulated_feeds.faults import FaultSet
from simulated_feeds.feeds.mangle import Mangled
from simulated_feeds.wire import serial_line


class Tray:
    """A feed that keeps what it is given."""

    def __init__(self) -> None:
        self.sent = 0
        self.lines: list[bytes] = []

    def frame(self, pack: bytes) -> bytes:
        return serial_line(pack)

    def send_bytes(self, line: bytes) -> None:
        self.sent += 1
        self.lines.append(line)


def through(faults: dict[str, float], count: int = 2000, seed: int = 1) -> tuple[Tray, Mangled]:
    tray = Tray()
    mangled = Mangled(tray, FaultSet(faults, seed))
    for number in range(count):
        mangled.send(b'[{"n":"seq","v":%d}]' % number)
    mangled.finish()
    return tray, mangled


def numbers(lines: list[bytes]) -> list[int]:
    return [int(line.split(b":")[2].split(b"}")[0]) for line in lines]


def fits(line: bytes) -> bool:
    text, found, trailer = line[1:-1].rpartition(b" *")
    return bool(found) and b"%08X" % zlib.crc32(text) == trailer


@pytest.mark.parametrize("severity", [0.2, 0.5, 1.0])
def test_messages_are_lost(severity):
    tray, mangled = through({"message_lost": severity})
    lost = set(range(2000)) - set(numbers(tray.lines))
    assert len(lost) == mangled.counts["message_lost"] == 2000 - tray.sent
    assert len(lost) / 2000 == pytest.approx(0.5 * severity, abs=0.04)


@pytest.mark.parametrize("severity", [0.2, 0.5, 1.0])
def test_messages_are_repeated_byte_for_byte(severity):
    tray, mangled = through({"message_repeated": severity})
    assert sorted(set(tray.lines)) == sorted(through({})[0].lines)
    assert tray.sent - 2000 == mangled.counts["message_repeated"]
    assert (tray.sent - 2000) / 2000 == pytest.approx(severity, abs=0.04)


@pytest.mark.parametrize("severity", [0.2, 0.5, 1.0])
def test_messages_change_places_and_none_is_lost(severity):
    tray, mangled = through({"message_reordered": severity})
    found = numbers(tray.lines)
    assert sorted(found) == list(range(2000))
    swapped = sum(after < before for before, after in itertools.pairwise(found))
    assert 0 < swapped <= mangled.counts["message_reordered"]


def test_more_severity_more_out_of_order():
    swaps = []
    for severity in (0.1, 0.4, 1.0):
        found = numbers(through({"message_reordered": severity})[0].lines)
        swaps.append(sum(b < a for a, b in itertools.pairwise(found)))
    assert swaps[0] < swaps[1] < swaps[2]


@pytest.mark.parametrize("severity", [0.2, 0.5, 1.0])
def test_garbled_messages_do_not_fit_their_check(severity):
    tray, mangled = through({"message_garbled": severity})
    assert tray.sent == 2000
    assert all(line.endswith(b"\n") for line in tray.lines)
    wrong = sum(not fits(line) or line[:1] != b"\x1e" for line in tray.lines)
    assert wrong == mangled.counts["message_garbled"]
    assert wrong / 2000 == pytest.approx(0.5 * severity, abs=0.04)


def test_without_faults_nothing_is_touched():
    tray, mangled = through({})
    assert numbers(tray.lines) == list(range(2000)) and all(map(fits, tray.lines))
    assert mangled.counts == {}


def test_one_fault_more_does_not_change_what_another_does():
    alone = set(numbers(through({"message_lost": 0.3})[0].lines))
    both = set(numbers(through({"message_lost": 0.3, "message_repeated": 0.6})[0].lines))
    assert alone == both
