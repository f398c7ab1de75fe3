"""`gritbook import`: card files into the store."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import (
    DataOption,
    YardOption,
    data_folder,
    sentences,
    yard_path,
)

if TYPE_CHECKING:
    from ingest.store.card_slice import Outcome


def import_card(
    files: Annotated[list[Path], typer.Argument(help="CSV, Parquet or SenML files, or folders.")],
    pot: Annotated[str, typer.Option("--pot", help="Which pot the card was on.")],
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would be done; write nothing.")
    ] = False,
    format_: Annotated[
        str, typer.Option("--format", help="csv, parquet, senml, or auto: by the first bytes.")
    ] = "auto",
    utc: Annotated[
        bool | None,
        typer.Option(
            "--utc/--local",
            help="Times without a zone are UTC, or the site's wall clock. By default the wall "
            "clock in CSV, UTC in Parquet.",
            show_default=False,
        ),
    ] = None,
    atmosphere_kpa: Annotated[
        float | None,
        typer.Option(
            "--atmosphere-kpa",
            help="Air pressure at the site, to take off absolute pressures. [kPa]",
            min=50.0,
            max=110.0,
            show_default=False,
        ),
    ] = None,
    yard: YardOption = None,
    data: DataOption = None,
) -> None:
    """Bring in card files: `time,channel,value`; `time` and one column a channel; or SenML.

    A SenML log has the packs that the box would have sent, a line each.
    The unit stands in a column's name: pot_kpa, supply_psi, nozzle_bar, pot_ma, deadman. What is
    in the store already changes nothing. A row that cannot be read goes to quarantine.
    """
    with sentences():
        from ingest.errors import ImportRefused

        if format_ not in ("auto", "csv", "parquet", "senml"):
            raise ImportRefused(
                f'There is no format "{format_}".', "Choose csv, parquet, senml or auto."
            )
        from ingest.card_import import bring_in
        from ingest.config import load_yard

        checked = load_yard(yard_path(yard, data))
        with ExitStack() as stack:
            outcomes = bring_in(
                data_folder(data),
                checked,
                files,
                pot,
                kind=format_,
                naive_utc=utc,
                atmosphere_pa=None if atmosphere_kpa is None else atmosphere_kpa * 1000.0,
                dry_run=dry_run,
                progress=_progress_bar(stack),
            )
        for line in _told(outcomes, dry_run):
            typer.echo(line)


class _Bar:
    """A progress bar on standard error; nothing where that is no terminal."""

    def __init__(self, stack: ExitStack) -> None:
        from rich.console import Console
        from rich.progress import Progress

        console = Console(stderr=True)
        self._progress = Progress(console=console, transient=True, disable=not console.is_terminal)
        stack.enter_context(self._progress)
        self._task = self._progress.add_task("", total=1.0)

    def __call__(self, path: Path, done: float) -> None:
        self._progress.update(self._task, description=path.name, completed=done)


def _progress_bar(stack: ExitStack) -> _Bar:
    return _Bar(stack)


def _told(outcomes: Sequence[Outcome], dry_run: bool) -> list[str]:
    lines: list[str] = []
    for outcome in outcomes:
        if outcome.brought_in_at is not None:
            since = f"{outcome.brought_in_at:%Y-%m-%d %H:%M} UTC"
            lines.append(f"{outcome.path.name}: brought in {since} already; nothing to do.")
            continue
        lines += _about(outcome, dry_run)
    total = sum(outcome.readings for outcome in outcomes)
    if len(outcomes) > 1:
        verb = "would be new" if dry_run else "new"
        lines.append(f"{len(outcomes)} files: {total:,} readings {verb}.")
    if dry_run:
        lines.append("Nothing was written.")
    return lines


def _about(outcome: Outcome, dry_run: bool) -> list[str]:
    assert outcome.form is not None
    form = outcome.form
    rate = f", about {outcome.rate_hz:.3g} a second" if outcome.rate_hz else ""
    span = (
        f"{outcome.from_at:%Y-%m-%d %H:%M:%S} to {outcome.to_at:%Y-%m-%d %H:%M:%S} UTC"
        if outcome.from_at and outcome.to_at
        else "no instants"
    )
    lines = [
        f"{outcome.path.name}: {form.kind}, {form.layout}, {outcome.rows:,} rows, {span}{rate}."
    ]
    if dry_run:
        for column, count in outcome.counts.items():
            unit = f" from {column.words}" if column.words not in ("", column.unit) else ""
            known = "" if column.known else " (unknown channel, kept)"
            kept = f" in {column.unit}" if column.unit else ""
            lines.append(
                f"  {column.name}: {column.channel}{kept}{unit}{known}, {count:,} readings"
            )
    verb = "would be new" if dry_run else "new"
    parts = [f"{outcome.readings:,} readings {verb}"]
    if outcome.repeated:
        parts.append(f"{outcome.repeated:,} in the store already")
    if outcome.conflicts:
        parts.append(f"{outcome.conflicts:,} with another value than the store holds: quarantined")
    if outcome.refused:
        why = ", ".join(f"{count:,} as {reason}" for reason, count in outcome.reasons.items())
        parts.append(f"{outcome.refused:,} rows refused ({why})")
        parts.append(f"first: {outcome.first_refusal}")
    lines.append("  " + "; ".join(parts) + ".")
    lines += [f"  Look: {said}." for said in outcome.warnings()]
    return lines
