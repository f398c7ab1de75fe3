"""The commands that take readings in and look into quarantine."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from dashboard.commands.ingest import ingest, pots_of_source, quarantine, sources_of, status_line
from ingest.config import parse_yard
from ingest.errors import YardFileError
from ingest.health import Health
from ingest.readings import RawMessage
from ingest.sources.serial_line import SerialSettings, SerialSource
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

HEAD = '[site]\nname = "yard"\ntime_zone = "UTC"\n'
POT = '[[pot]]\nname = "{}"\nvolume_m3 = 0.184\nplate_pa = 862000\n'

app = typer.Typer()
app.command("ingest")(ingest)
app.command("quarantine")(quarantine)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A store with one message of a pot that the yard file does not know."""
    (tmp_path / "yard.toml").write_text(HEAD + POT.format("pot-1"))
    pack = [{"n": "pot-2/supply", "u": "Pa", "v": 7e5}]
    message = RawMessage("mqtt", "", "", 1_760_000_000_000_000, False, json.dumps(pack).encode())
    with Journal(tmp_path) as journal:
        journal.append(message)
    StoreWriter(tmp_path, ["pot-1"]).take()
    return tmp_path


def run(data: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, [*arguments, "--data", str(data)])
    return result.exit_code, result.output


def test_quarantine_is_listed_by_reason(data: Path) -> None:
    status, shown = run(data, "quarantine")
    assert status == 0
    assert "pot is not" in shown
    status, shown = run(data, "quarantine", "--format", "json")
    (line,) = json.loads(shown)
    assert (line["reason"], line["waiting"], line["detail"]) == (
        "pot is not in the yard file",
        1,
        "pot-2: 1 reading",
    )


def test_quarantine_is_tried_again_with_the_mended_yard_file(data: Path) -> None:
    assert run(data, "quarantine", "--retry") == (
        0,
        "1 messages read again: 0 readings stored, 0 entries settled.\n",
    )
    (data / "yard.toml").write_text(HEAD + POT.format("pot-1") + POT.format("pot-2"))
    status, shown = run(data, "quarantine", "--retry", "--format", "json")
    assert (status, json.loads(shown)) == (0, {"messages": 1, "readings": 1, "settled": 1})
    assert json.loads(run(data, "quarantine", "--format", "json")[1])[0]["waiting"] == 0


def test_without_a_store_or_a_source_a_sentence_says_so(tmp_path: Path) -> None:
    status, shown = run(tmp_path, "quarantine")
    assert (status, "There is no store" in shown) == (1, True)
    (tmp_path / "yard.toml").write_text(HEAD + POT.format("pot-1"))
    status, shown = run(tmp_path, "ingest")
    assert status == 1
    assert "names nothing to take readings from" in shown
    assert "Traceback" not in shown


def test_the_yard_file_becomes_sources(monkeypatch: pytest.MonkeyPatch) -> None:
    yard = parse_yard(
        HEAD
        + '[mqtt]\nhost = "broker"\nusername = "u"\npassword_env = "GRITBOOK_TEST_PASSWORD"\n'
        + '[[serial]]\nport = "/dev/ttyX"\ncrc = "required"\npots = ["pot-1"]\n'
        + '[[serial]]\nport = "socket://127.0.0.1:9"\n'
        + POT.format("pot-1")
    )
    with pytest.raises(YardFileError, match="GRITBOOK_TEST_PASSWORD"):
        sources_of(yard)
    monkeypatch.setenv("GRITBOOK_TEST_PASSWORD", "secret word")
    sources = sources_of(yard)
    assert [s.name for s in sources] == [
        "mqtt", "serial:/dev/ttyX", "serial:socket://127.0.0.1:9",
    ]  # fmt: skip
    assert "secret word" not in repr(vars(sources[0]))
    assert pots_of_source(yard) == {"serial:/dev/ttyX": ("pot-1",)}


def test_the_status_line_says_what_is_wrong() -> None:
    health = Health([SerialSource(SerialSettings("/dev/ttyX"))])
    health.messages, health.readings, health.quarantined = 1200, 4800, 3
    health.waiting_bytes = 2_500_000
    health.trouble("store", "The store was held.")
    assert status_line(health.facts()) == (
        "1,200 messages · 4,800 readings · 3 in quarantine · 2.5 MB wait in the journal · "
        "serial:/dev/ttyX not open yet · The store was held."
    )
