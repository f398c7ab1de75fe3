"""Rows of reports, each by a command in a process of its own, beside Python that does nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from measure import Row, by_turns
from rows_start import run


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of reports; after ``rows_start``, whose yard file and store they read."""
    where = ["--data", str(folder / "few"), "--yard", str(folder / "yard.toml")]
    for kind in ("pdf", "html"):
        to = str(folder / f"upkeep.{kind}")
        yield by_turns(
            f"gritbook report upkeep, {kind}",
            lambda k=kind, t=to: run(
                "-m", "dashboard.cli", "report", "upkeep", "--to", t, "--kind", k, *where
            ),
            "python -c pass", lambda: run("-c", "pass"), repeats=1 if short else 5,
        )  # fmt: skip
