"""`gritbook repair` makes a lost or damaged store anew from the journal and the records' log."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path

if TYPE_CHECKING:
    from ingest.store.repair import Plan


def repair(
    data: DataOption = None,
    yard: YardOption = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it; without it only say what would be done.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Make the store anew even where it is whole.")
    ] = False,
) -> None:
    """Look whether the store is whole, and make it anew from the journal where it is not."""
    with sentences():
        from dashboard.commands.ingest import admission_of, pots_of_source
        from ingest.config import load_yard
        from ingest.store import repair as repairing

        folder = data_folder(data)
        known = load_yard(yard_path(yard, data))
        planned = repairing.plan(folder)
        state = planned.diagnosis.state
        typer.echo(planned.diagnosis.what)
        if state == "newer":
            typer.echo("Install that version or a later one; nothing here is damaged.")
            raise typer.Exit(1)
        if state == "read-only" and not force:
            typer.echo("Give the user that runs Gritbook the right to; nothing is damaged.")
            raise typer.Exit(1)
        if state == "sound" and not force:
            typer.echo("Nothing needs doing.")
            return
        for line in steps(planned):
            typer.echo(line)
        if not yes:
            typer.echo("Nothing was done. Run it again with --yes to do this.")
            raise typer.Exit(1)
        done = repairing.rebuild(
            folder,
            [pot.name for pot in known.pots],
            pots_of_source(known),
            admission_of(known),
            typer.echo,
            archive_places=[p for p in (known.archive.place, known.archive.cold_place) if p],
        )
        typer.echo(
            f"The store is there again: {done.messages:,} messages, {done.readings:,} readings, "
            f"{done.quarantined:,} in quarantine, {done.records:,} records of people."
        )
        for sentence in done.lost:
            typer.echo(sentence)
        if planned.imports:
            typer.echo(
                f"Bring these in again to be sure; nothing doubles: {_list(planned.imports)}."
            )
        typer.echo("Run `gritbook derive --full` for the figures.")


def steps(planned: Plan) -> list[str]:
    """What rebuilding would do, a sentence each."""
    begins = f" from {planned.begins_at:%Y-%m-%d %H:%M} UTC on" if planned.begins_at else ""
    lines = ["What will be done:"]
    if planned.diagnosis.state != "missing":
        lines.append("- The store is put aside in the same folder, and kept.")
    lines += [
        f"- A new one is made from the journal: {planned.segments:,} segments, "
        f"{planned.journal_bytes / 1e6:,.1f} MB{begins}.",
        f"- {planned.records:,} records of people come back from records.log.",
    ]
    if planned.damaged_lines:
        lines.append(f"- {planned.damaged_lines:,} lines of records.log cannot be read.")
    if not planned.complete:
        lines.append(
            "- The journal does not reach back to its beginning: older readings are copied from "
            "the old store as far as it can be read."
        )
    if planned.imports is None:
        lines.append(
            "- What card files brought is not in the journal, and the old store cannot be asked "
            "which there were: bring them in again with `gritbook import`."
        )
    elif planned.imports:
        lines.append(
            "- What card files brought is not in the journal; it is copied from the old store "
            f"where that can be read: {_list(planned.imports)}."
        )
    return lines


def _list(names: tuple[str, ...], most: int = 20) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
