"""`gritbook archive` moves days that are over into files, on a disk or in an object store."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.config import Yard

_DAY = ["%Y-%m-%d"]


def archive(
    data: DataOption = None,
    yard: YardOption = None,
    days: Annotated[
        int | None,
        typer.Option(
            "--days", min=1, help="Days that ended longer ago; by default archive.days.",
            show_default=False,
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Only read every file and compare its digest.")
    ] = False,
    pack: Annotated[
        bool,
        typer.Option(
            "--pack", help="Also write the store's own rows anew, which takes less room."
        ),
    ] = False,
    delete_before: Annotated[
        dt.datetime | None,
        typer.Option(
            "--delete-before", formats=_DAY, show_default=False,
            help="Delete archived days before this one for good; needs --by and --yes.",
        ),
    ] = None,
    by: Annotated[str, typer.Option("--by", help="Who has days deleted.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="Really delete.")] = False,
) -> None:  # fmt: skip
    """Move days that are over out of the store into small files; figures stay as they are.

    Days are those of UTC. What comes late for such a day brings it back, and the next archiving
    writes it anew. Nothing is ever deleted but by --delete-before.
    """
    with sentences():
        from ingest.config import load_yard
        from ingest.errors import RecordRefused
        from ingest.store import archive as archiving
        from ingest.store import archive_care, archive_pack

        folder = data_folder(data)
        known = load_yard(yard_path(yard, data))
        now = dt.datetime.now(dt.UTC)
        if check:
            _check(folder)
            return
        if delete_before is not None:
            if not by.strip() or not yes:
                raise RecordRefused(
                    f"Days before {delete_before:%Y-%m-%d} would be gone for good.",
                    "Say who wants that with --by, and --yes.",
                )
            count = archive_care.delete(folder, delete_before.date(), by.strip(), now)
            typer.echo(f"{count} files are deleted; the store keeps a row on each.")
            return
        settings = known.archive
        before = (now - dt.timedelta(days=settings.days if days is None else days)).date()
        done = archiving.archive(
            folder, known.site.name, before, settings.place, typer.echo, now=now
        )
        for waiting in done.waiting:
            typer.echo(f"{waiting.days} more must wait: {waiting.why}.")
        typer.echo(
            f"{done.files} files, {done.rows:,} rows, {done.size / 1e6:,.1f} MB; the store had "
            f"{done.store_before / 1e6:,.1f} MB and has {done.store_after / 1e6:,.1f} MB."
        )
        if pack:
            before_pack, after_pack = archive_pack.pack(folder)
            typer.echo(
                f"Packed: the store had {before_pack / 1e6:,.1f} MB and has "
                f"{after_pack / 1e6:,.1f} MB."
            )
        _beyond(folder, known, now)


def _beyond(folder: Path, known: Yard, now: dt.datetime) -> None:
    """What the yard file wants done with old files and with the journal."""
    from ingest.store import archive_care, retention

    settings = known.archive
    if settings.cold_days is not None:
        before = (now - dt.timedelta(days=settings.cold_days)).date()
        moved = archive_care.move(folder, before, settings.cold_place, typer.echo)
        typer.echo(f"{moved} files moved to {settings.cold_place}.")
    if settings.drop_journal:
        dropped = retention.drop_archived(folder)
        typer.echo(
            f"{dropped.segments} journal segments dropped, {dropped.size / 1e6:,.1f} MB: every "
            "reading of theirs is archived."
        )


def _check(folder: Path) -> None:
    from ingest.store import archive_care

    said = archive_care.check_files(folder)
    for sentence in said:
        typer.echo(sentence)
    if said:
        typer.echo("Bring them back from a backup with `gritbook restore`.")
        raise typer.Exit(1)
    typer.echo("Every file of the archive is as it was written.")
