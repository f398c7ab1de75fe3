"""A pseudo-terminal with garbage, half lines and unplugging in between, through the real ingest."""

from __future__ import annotations

import json
import os
import random
import socket
import sys
import threading
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import serial
from serial.rfc2217 import PortManager
from serial.urlhandler import protocol_socket

from ingest.errors import SourceLost
from ingest.health import read_health
from ingest.sources.inbox import Inbox
from ingest.sources.serial_line import SerialSettings, SerialSource
from ingest.store.connection import read_window
from ingest.wire import reasons

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")

NOW_S = 1_760_000_000


class Line:
    """A pseudo-terminal under a fixed name, which can be unplugged and plugged in again."""

    def __init__(self, folder: Path) -> None:
        self.name = folder / "ttyBOX"
        self._box: int | None = None

    def plug_in(self) -> None:
        import tty

        self._box, port = os.openpty()
        tty.setraw(port)
        self.name.unlink(missing_ok=True)
        self.name.symlink_to(os.ttyname(port))
        # Kept open until ingest has it, else the first bytes would be gone.
        self._port = port

    def unplug(self) -> None:
        assert self._box is not None
        os.close(self._port)
        os.close(self._box)
        self.name.unlink()
        self._box = None

    def taken(self) -> bool:
        """Whether whoever reads the line has all that the cable held."""
        import fcntl
        import termios

        waiting = fcntl.ioctl(self._port, termios.FIONREAD, bytes(4))
        return not int.from_bytes(waiting, sys.byteorder)

    def send(self, block: bytes) -> None:
        assert self._box is not None
        while block:
            block = block[os.write(self._box, block[:512]) :]


def pack(number: int) -> bytes:
    return json.dumps(
        [
            {"bn": "pot-1/", "bt": NOW_S + number, "n": "seq", "u": "count", "v": number},
            {"n": "pot", "u": "Pa", "v": 650_000 + number},
        ],
        separators=(",", ":"),
    ).encode()


def framed(number: int) -> bytes:
    text = pack(number)
    return b"\x1e" + text + b" *%08X\n" % zlib.crc32(text)


def serial_state(data: Path) -> str:
    sources = (read_health(data) or {}).get("sources", {})
    return next((s["state"] for name, s in sources.items() if name.startswith("serial:")), "")


def messages(data: Path) -> int:
    return int((read_health(data) or {}).get("messages", 0))


def test_every_whole_line_is_stored_and_every_bad_one_quarantined(
    start_ingest: Callable[[str], Any], wait_until: Callable[..., None], tmp_path: Path
) -> None:
    line = Line(tmp_path)
    line.plug_in()
    ingest = start_ingest(f'[[serial]]\nport = "{line.name}"\ncrc = "required"\n')
    wait_until(lambda: serial_state(ingest.data) == "open", what="open")
    rng = random.Random(7)
    good: list[int] = []
    bad: list[tuple[str, bytes]] = []
    number = 0

    def send_good() -> None:
        nonlocal number
        number += 1
        good.append(number)
        line.send(framed(number))

    def send_bad(reason: str, raw: bytes) -> None:
        bad.append((reason, raw))
        line.send(raw + b"\n")

    send_bad(reasons.CRC_MISSING, framed(1)[25:-14])  # opened in the middle of a line
    for turn in range(3):
        for _ in range(40):
            send_good()
            number += 1
            whole = framed(number)[1:-1]
            match rng.randrange(6):
                case 0:
                    send_bad(reasons.CRC_MISSING, bytes(rng.choices(range(128, 256), k=30)))
                case 1:
                    flipped = bytearray(whole)
                    flipped[rng.randrange(20, 40)] ^= 1
                    send_bad(reasons.CRC_WRONG, bytes(flipped))
                case 2:
                    send_bad(reasons.CRC_MISSING, whole[:-9])
                case 3:
                    text = b'[{"n":"pot-1/pot","u":"bar","v":6}]'
                    send_bad(reasons.UNIT_WRONG, text + b" *%08X" % zlib.crc32(text))
                case 4:
                    text = b'[{"n":"\xff/pot","v":6}]'
                    send_bad(reasons.NOT_UTF8, text + b" *%08X" % zlib.crc32(text))
                case 5:
                    # A line broken off by the beginning of the next one.
                    bad.append((reasons.CRC_MISSING, whole[:30]))
                    line.send(b"\x1e" + whole[:30])
        if turn == 1:
            too_long = b"z" * 70_000
            bad.extend(
                [
                    (reasons.LINE_TOO_LONG, too_long[:65_536]),
                    (reasons.LINE_TOO_LONG, too_long[65_536:]),
                ]
            )
            line.send(too_long + b"\n")
        # What the cable still holds when it is pulled nobody can have; so it must be empty.
        lines = len(good) + len(bad)
        wait_until(lambda lines=lines: messages(ingest.data) == lines, what="all lines taken")
        half = framed(10_000 + turn)[1:40]
        bad.append((reasons.CRC_MISSING, half))
        line.send(b"\x1e" + half)
        time.sleep(0.3)  # until it is through the terminal itself
        wait_until(line.taken, what="the half line taken")
        line.unplug()
        wait_until(lambda: serial_state(ingest.data) != "open", what="gone")
        line.plug_in()
        wait_until(lambda: serial_state(ingest.data) == "open", what="open again")
    send_good()
    wait_until(lambda: _stored(ingest.data) >= len(good), 120, "the last line is in the store")
    assert ingest.stop() == 0
    line.unplug()

    with read_window(ingest.data) as con:
        stored = con.execute("SELECT seq, pot_pa FROM sample ORDER BY seq").fetchall()
        refused = con.execute("SELECT reason, payload FROM quarantine").fetchall()
    assert stored == [(n, 650_000.0 + n) for n in good]
    assert sorted((reason, bytes(raw)) for reason, raw in refused) == sorted(bad)


def _stored(data: Path) -> int:
    if not (data / "gritbook.duckdb").exists():
        return 0
    with read_window(data) as con:
        return int(con.execute("SELECT count(*) FROM sample").fetchall()[0][0])


def test_a_port_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    source = SerialSource(SerialSettings(str(tmp_path / "ttyNONE")))
    with pytest.raises(SourceLost, match=r"ttyNONE cannot be opened.*Check the cable"):
        source.run(Inbox(), threading.Event())


def test_a_network_port_works_like_a_device() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        inbox = Inbox()
        source = SerialSource(SerialSettings(f"socket://127.0.0.1:{port}"))
        trouble: list[Exception] = []

        def run() -> None:
            try:
                source.run(inbox, threading.Event())
            except SourceLost as error:
                trouble.append(error)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        box, _ = server.accept()
        box.sendall(framed(1) + framed(2) + b"half")
        box.close()
        thread.join(90)
        assert [d.message.payload for d in inbox.take(0)] == [
            framed(1)[1:-1], framed(2)[1:-1], b"half",
        ]  # fmt: skip
        assert "went away" in str(trouble[0])


def test_what_a_network_port_sends_while_it_is_being_opened_is_kept(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    slow = threading.Event()

    def update_slowly(port: object) -> None:
        """Between connecting and being open: all has arrived by then."""
        assert slow.wait(90)
        time.sleep(0.2)

    monkeypatch.setattr(protocol_socket.Serial, "_update_dtr_state", update_slowly)
    with socket.create_server(("127.0.0.1", 0)) as server:
        inbox, stop = Inbox(), threading.Event()
        source = SerialSource(SerialSettings(f"socket://127.0.0.1:{server.getsockname()[1]}"))
        thread = threading.Thread(target=source.run, args=(inbox, stop), daemon=True)
        thread.start()
        box, _ = server.accept()
        wanted = [framed(n) for n in range(50)]
        box.sendall(b"".join(wanted))
        assert source.state != "open"
        slow.set()
        heard: list[bytes] = []
        give_up_at = time.monotonic() + 90
        while len(heard) < 50 and time.monotonic() < give_up_at:
            heard += [delivery.message.payload for delivery in inbox.take(0.1)]
        stop.set()
        thread.join(90)
        box.close()
    assert [b"\x1e" + line + b"\n" for line in heard] == wanted


class FarPort:
    """A port behind RFC 2217: what `rfc2217://` asks of a server, over a real socket.

    The bytes of the line come from ``loop://``; pyserial's own port manager speaks the protocol.
    """

    def __init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.number = self._listening.getsockname()[1]
        self.line = serial.serial_for_url("loop://", timeout=0.05)
        self.speed = 0
        self._socket: socket.socket | None = None
        self._sending = threading.Lock()
        self.connected = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def write(self, block: bytes) -> None:
        """What PortManager answers with."""
        assert self._socket is not None
        with self._sending:
            self._socket.sendall(block)

    def send(self, block: bytes) -> None:
        """What the box sends: through the manager, which escapes what the protocol uses."""
        self.write(b"".join(self._manager.escape(block)))

    def _serve(self) -> None:
        self._socket, _ = self._listening.accept()
        self._manager = PortManager(self.line, self)
        self.connected.set()
        while block := self._socket.recv(4096):
            list(self._manager.filter(block))
            self.speed = self.line.baudrate

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()
        self._listening.close()
        self._thread.join(5)


# pyserial names its thread in a way that Python has left.
@pytest.mark.filterwarnings("ignore:set(Daemon|Name)")
def test_a_line_behind_rfc_2217_is_read_and_its_speed_set() -> None:
    far = FarPort()
    source = SerialSource(SerialSettings(f"rfc2217://127.0.0.1:{far.number}", 57_600, "required"))
    inbox, stop = Inbox(), threading.Event()
    lost: list[SourceLost] = []

    def run() -> None:
        try:
            source.run(inbox, stop)
        except SourceLost as error:
            lost.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    give_up_at = time.monotonic() + 90
    wanted = [framed(n) for n in range(20)]
    assert far.connected.wait(90)
    # What the far end sends while the two still agree on how to speak is kept as well.
    early = wanted[:3]
    far.send(b"".join(early))
    while source.state != "open":
        assert time.monotonic() < give_up_at, (source.state, lost)
        time.sleep(0.02)
    # 0xFF is what the protocol escapes with; it stands in no text, but noise has it.
    for number, block in list(enumerate(wanted))[3:]:
        far.send(b"\xff\xffnoise\n" + block if number == 10 else block)
    heard: list[bytes] = []
    while len(heard) < 21:
        assert time.monotonic() < give_up_at, heard
        heard += [delivery.message.payload for delivery in inbox.take(0.1)]
    assert far.speed == 57_600
    assert heard[10] == b"\xff\xffnoise"
    assert [b"\x1e" + line + b"\n" for line in heard[:10] + heard[11:]] == wanted
    stop.set()
    thread.join(90)
    far.close()
    assert not thread.is_alive() and not lost
