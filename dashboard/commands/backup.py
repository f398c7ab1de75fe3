"""`gritbook backup` copies a data folder while ingest runs; `restore` makes one from a copy."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path


def backup(
    to: Annotated[Path, typer.Argument(help="Folder of the backups, on another disk.")],
    data: DataOption = None,
    yard: YardOption = None,
    keep: Annotated[
        int | None,
        typer.Option(
            "--keep", min=1, help="Forget all but so many of the newest.", show_default=False
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Only read the newest backup and compare digests.")
    ] = False,
) -> None:
    """Copy store, journal, entries, photos, archive and yard file, while ingest and pages run.

    What did not change since the last backup is not copied again. The folder holds what people
    entered and who may sign in: keep it where only its owner reads.
    """
    with sentences():
        from ingest.errors import StoreError
        from ingest.store import backup as backing_up

        if check:
            if not backing_up.backups(to):
                raise StoreError(f"{to} holds no backup.", "Look whether it is the folder.")
            bad = backing_up.verify(to)
            for sentence in bad:
                typer.echo(sentence)
            if bad:
                raise typer.Exit(1)
            typer.echo(f"The backup {backing_up.backups(to)[-1]} is whole.")
            return
        folder = data_folder(data)
        if not folder.exists():
            raise StoreError(f"There is no data folder {folder}.", "Name it with --data.")
        done = backing_up.back_up(folder, to, yard_path(yard, data), typer.echo)
        typer.echo(
            f"Backup {done.name}: {done.files:,} files, {done.size / 1e6:,.1f} MB, of which "
            f"{done.new_files:,} were copied, {done.new_size / 1e6:,.1f} MB. The store was held "
            f"for {done.held_s:.1f} s."
        )
        for place in done.elsewhere:
            typer.echo(f"Not copied: archived days in {place}. Let that place keep copies itself.")
        if keep is not None:
            typer.echo(f"{backing_up.forget_old(to, keep)} older backups are forgotten.")


def restore(
    of: Annotated[Path, typer.Argument(help="Folder of the backups.")],
    to: Annotated[
        Path, typer.Option("--to", help="New data folder; it must be empty.", show_default=False)
    ],
    name: Annotated[
        str | None,
        typer.Option("--name", help="Which backup; by default the newest.", show_default=False),
    ] = None,
) -> None:
    """Make a data folder from a backup, and prove it by reading it back."""
    with sentences():
        from ingest.store import backup as backing_up

        done = backing_up.restore(of, to, name, typer.echo)
        for sentence in done.proven:
            typer.echo(sentence)
        typer.echo(
            f"The backup {done.name} is in {to}: {done.files:,} files, {done.size / 1e6:,.1f} MB. "
            f"Go on with `gritbook ingest --data {to}`."
        )
