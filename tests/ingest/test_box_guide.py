"""The box guide's messages are taken, and its program is run as it stands, over broker and line."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
import tomllib
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import ingest as package
from dashboard.cli import app
from ingest.channels import CHANNELS
from ingest.config import parse_yard
from ingest.health import read_health
from ingest.readings import RawMessage
from ingest.store.connection import read_window
from ingest.wire.columns import ColumnDecoder

GUIDE = (Path(package.__file__).parent / "README.md").read_text(encoding="utf-8")
NOW_US = 1_760_000_100_000_000


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", GUIDE, re.DOTALL)


@pytest.mark.parametrize("pack", blocks("json"))
def test_every_message_in_the_guide_is_taken_whole(pack: str) -> None:
    message = RawMessage("mqtt", "", "", NOW_US, False, pack.encode())
    columns = ColumnDecoder().decode([message])
    assert not columns.rejects
    assert len(columns.value) == len(json.loads(pack)) >= 5
    assert all(slot.pot == "pot-1" and slot.known for slot in columns.slots)
    assert {"seq", "deadman", "pot"} <= {slot.channel for slot in columns.slots}


def test_the_yard_file_of_the_guide_is_one() -> None:
    (part,) = blocks("toml")
    site = '[site]\nname = "my-yard"\ntime_zone = "UTC"\n[mqtt]\nhost = "localhost"\n'
    pot = '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 862000\n'
    assert tomllib.loads(part)["box"][0]["rate_hz"] == 10
    assert parse_yard(site + pot + part).boxes[0].gap_s == 3.0


def test_channels_and_commands_of_the_guide_are_there() -> None:
    channels = re.findall(r"^\| `(\w+)` \|", GUIDE, re.MULTILINE)
    assert channels and set(channels) <= set(CHANNELS)
    commands = {command.name for command in app.registered_commands}
    named = set(re.findall(r"`gritbook (\w+)", GUIDE))
    assert named and named <= commands


@pytest.fixture
def box(tmp_path: Path) -> Path:
    (program,) = blocks("python")
    path = tmp_path / "box.py"
    path.write_text(program)
    return path


def rows(data: Path) -> list[tuple[Any, ...]]:
    with read_window(data) as con:
        return con.sql(
            "SELECT epoch_us(sampled_at), seq, supply_ma, inlet_ma, pot_ma, nozzle_ma, deadman "
            "FROM sample WHERE pot_id = (SELECT pot_id FROM pot WHERE pot = 'pot-1') "
            "ORDER BY sampled_at"
        ).fetchall()


def assert_as_measured(found: list[tuple[Any, ...]], messages: int) -> None:
    assert {row[2:6] for row in found} == {(15.2, 15.36, 14.4, 13.6)}
    assert {row[6] for row in found} == {True, False}
    counters = [row[1] for row in found if row[1] is not None]
    assert counters == list(range(len(counters))) and len(counters) >= messages
    # Ten samples a message, a tenth of a second apart.
    assert len(found) == 10 * len(counters)
    assert all(found[n + 1][0] - found[n][0] == 100_000 for n in range(9))


def test_the_program_loses_nothing_though_the_broker_goes_away(
    box: Path, broker: Any, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    ingest = start_ingest(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nroot = "gritbook"\n'
        "[limits]\nmessages_per_s = 10000\n"
    )

    def facts() -> dict[str, Any]:
        return read_health(ingest.data) or {}

    wait_until(lambda: facts().get("sources", {}).get("mqtt", {}).get("state") == "connected")
    target = f"mqtt://127.0.0.1:{broker.port}/gritbook/yard"
    program = subprocess.Popen([sys.executable, str(box), "pot-1", target])
    try:
        wait_until(lambda: facts().get("messages", 0) >= 2)
        assert facts()["presence"]["pot-1"]["said"] == "online"
        broker.stop()
        time.sleep(3)
        before = facts()["messages"]
        broker.start()
        wait_until(lambda: facts().get("messages", 0) >= before + 5, 180)
        wait_until(lambda: facts()["waiting_bytes"] == 0 and facts()["readings"] > 0)
    finally:
        program.send_signal(signal.SIGTERM)
        program.wait(60)
    assert ingest.stop() == 0
    assert facts()["quarantined"] == 0
    assert_as_measured(rows(ingest.data), before + 5)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_the_program_speaks_over_a_serial_line_too(
    box: Path, start_ingest: Callable[[str], Any], wait_until: Callable[..., None]
) -> None:
    import tty

    box_end, port = os.openpty()
    tty.setraw(port)
    # The program opens the one end by its name; the other is carried to a second terminal.
    near, ours = os.openpty()
    tty.setraw(ours)
    ingest = start_ingest(f'[[serial]]\nport = "{os.ttyname(ours)}"\ncrc = "required"\n')

    def facts() -> dict[str, Any]:
        return read_health(ingest.data) or {}

    wait_until(lambda: any(s["state"] == "open" for s in facts().get("sources", {}).values()))
    program = subprocess.Popen([sys.executable, str(box), "pot-1", os.ttyname(port)])
    try:
        give_up_at = time.monotonic() + 120
        while facts().get("messages", 0) < 4:
            assert time.monotonic() < give_up_at
            os.write(near, os.read(box_end, 4096))
    finally:
        program.send_signal(signal.SIGTERM)
        program.wait(60)
    assert ingest.stop() == 0
    for end in (box_end, port, near, ours):
        os.close(end)
    assert facts()["quarantined"] == 0
    assert_as_measured(rows(ingest.data), 4)


def test_the_programs_trailer_is_the_crc_of_the_text(box: Path) -> None:
    text = box.read_text().replace("main(*sys.argv[1:])", "")
    names: dict[str, Any] = {}
    exec(compile(text, "box.py", "exec"), names)
    assert names["framed"](b"[]") == b"\x1e[] *%08X\n" % zlib.crc32(b"[]")
