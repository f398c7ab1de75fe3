"""Rows of starting: commands in processes of their own, beside Python that does nothing."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from measure import Row, by_turns
from rows_derive import BEGIN, few_of

_YARD = (
    '[site]\nname = "bench"\ntime_zone = "UTC"\n'
    '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 1_000_000\n'
)


def run(*arguments: str) -> None:
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)


def where_of(folder: Path, short: bool) -> list[str]:
    """Options of a command that reads the few shifts of ``rows_derive``."""
    yard = folder / "yard.toml"
    yard.write_text(_YARD)
    return ["--data", str(few_of(folder, short)[0]), "--yard", str(yard)]


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of starting, on a store with a few shifts."""
    repeats = 3 if short else 7
    read = where_of(folder, short)
    day = f"{BEGIN:%Y-%m-%d}"
    for name, arguments in (
        ("gritbook --help", ["--help"]),
        ("gritbook cycles", ["cycles", *read, "--from", day]),
        ("gritbook upkeep", ["upkeep", *read]),
        ("gritbook derive, nothing new", ["derive", *read]),
    ):
        yield by_turns(
            name, lambda a=arguments: run("-m", "dashboard.cli", *a),
            "python -c pass", lambda: run("-c", "pass"), repeats=repeats,
        )  # fmt: skip
