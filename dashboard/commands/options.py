"""Options that several commands share, and how a command ends with a sentence."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        envvar="GRITBOOK_DATA",
        help="Data folder; by default this computer's folder for user data.",
        show_default=False,
    ),
]
YardOption = Annotated[
    Path | None,
    typer.Option(
        "--yard",
        envvar="GRITBOOK_YARD",
        help="Yard file; by default yard.toml in the data folder.",
        show_default=False,
    ),
]


def data_folder(data: Path | None) -> Path:
    """The data folder to use: the one given, or the platform's own for user data."""
    if data is not None:
        return data
    import platformdirs

    return Path(platformdirs.user_data_dir("gritbook", appauthor=False))


def yard_path(yard: Path | None, data: Path | None) -> Path:
    """The yard file to use: the one given, or ``yard.toml`` in the data folder."""
    return yard if yard is not None else data_folder(data) / "yard.toml"


@contextmanager
def sentences() -> Iterator[None]:
    """Turn Gritbook's own errors into one sentence on standard error and exit status 1."""
    from ingest.errors import GritbookError

    try:
        yield
    except GritbookError as error:
        typer.secho(error.what, fg=typer.colors.RED, err=True)
        if error.next_step:
            typer.echo(error.next_step, err=True)
        raise typer.Exit(1) from error
