"""Rows of reports, each by a command in a process of its own, beside Python that does nothing."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from measure import Row, by_turns
from rows_start import run, where_of


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of reports, on a store with a few shifts."""
    where = where_of(folder, short)
    for kind in ("pdf", "html"):
        to = str(folder / f"upkeep.{kind}")
        yield by_turns(
            f"gritbook report upkeep, {kind}",
            lambda k=kind, t=to: run(
                "-m", "dashboard.cli", "report", "upkeep", "--to", t, "--kind", k, *where
            ),
            "python -c pass", lambda: run("-c", "pass"), repeats=1 if short else 5,
        )  # fmt: skip
