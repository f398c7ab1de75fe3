"""The documents tell the truth: what they name is there, and what is there they name."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from dashboard.cli import app
from ingest.channels import CHANNELS
from ingest.parts import DEFAULT_RULES, PART_WORDS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = sorted(
    {c.name for c in app.registered_commands if c.name}
    | {g.name for g in app.registered_groups if isinstance(g.name, str)}
)
#: Of these the help is asked as a person does: of one for all, and of the one that hands what it
#: is asked on to another program.
PROGRAMS = ("shift", "feed")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stands_in_the_readme_and_has_help(command: str) -> None:
    assert f"| `gritbook {command}` |" in README
    if command in PROGRAMS:
        return  # as a program, below
    done = CliRunner().invoke(app, [command, "--help"])
    assert done.exit_code == 0, done.output
    assert "Usage:" in done.stdout


@pytest.mark.parametrize("command", PROGRAMS)
def test_the_program_itself_gives_help(command: str) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", command, "--help"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Usage:" in done.stdout


def test_the_readme_names_no_command_that_is_not_there() -> None:
    named = set(re.findall(r"\| `gritbook (\w+)`", README))
    assert named == set(COMMANDS)


def test_files_named_in_developers_are_there() -> None:
    named = re.findall(
        r"`((?:ingest|analytics|dashboard|simulated_feeds|tests)/[\w./]+)`", DEVELOPERS
    )
    assert named
    for path in named:
        assert (ROOT / path).exists(), path


def test_the_readmes_commands_use_the_pinned_versions() -> None:
    for heading in ("## See it work", "## Pass the tests"):
        block = README.split(heading)[1].split("```")[1]
        assert "-c .ci/constraints.txt" in block
    pinned = {
        line.split("==")[0].lower().replace("_", "-")
        for line in (ROOT / ".ci" / "constraints.txt").read_text().splitlines()
    }
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = itertools.chain.from_iterable(project["optional-dependencies"].values())
    for requirement in [*project["dependencies"], *extras]:
        name = re.split(r"[<>=\[ ]", requirement)[0].lower().replace("_", "-")
        assert name in pinned, f"{name} is not pinned"


def test_no_lock_or_document_names_a_host_or_a_machine() -> None:
    for path in (ROOT / ".ci" / "constraints.txt", ROOT / "README.md", ROOT / "DEVELOPERS.md"):
        text = path.read_text(encoding="utf-8")
        assert "://" not in text.replace("http://127.0.0.1", ""), path.name


def test_every_default_rule_says_what_it_rests_on() -> None:
    assert {rule.part for rule in DEFAULT_RULES} <= set(PART_WORDS)
    for rule in DEFAULT_RULES:
        assert rule.source.startswith(("common practice", "law", "plate", "standard"))


def test_every_channel_is_in_the_yard_template_or_the_box_guide() -> None:
    template = (ROOT / "ingest" / "yard_template.toml").read_text(encoding="utf-8")
    for channel in CHANNELS.values():
        assert channel.name in template, channel.name
