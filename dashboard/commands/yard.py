"""`gritbook init` writes a yard file, `gritbook check` tests what it names."""

from __future__ import annotations

import json
from typing import Annotated

import typer

from dashboard.commands.options import (
    DataOption,
    YardOption,
    data_folder,
    sentences,
    yard_path,
)

_MARKS = {
    "ok": ("ok  ", typer.colors.GREEN),
    "warn": ("look", typer.colors.YELLOW),
    "fail": ("FAIL", typer.colors.RED),
}


def init(
    yard: YardOption = None,
    data: DataOption = None,
    time_zone: Annotated[
        str | None,
        typer.Option(
            "--time-zone",
            help="The site's zone, such as Europe/Berlin; by default this computer's.",
            show_default=False,
        ),
    ] = None,
    force: Annotated[bool, typer.Option("--force", help="Replace a yard file.")] = False,
) -> None:
    """Write a commented yard file to begin from."""
    with sentences():
        from importlib import resources

        from ingest.config import parse_yard
        from ingest.errors import YardFileError

        path = yard_path(yard, data)
        if path.exists() and not force:
            raise YardFileError(
                f"There is a yard file {path} already.",
                "Edit that one, name another with --yard, or replace it with --force.",
            )
        text = resources.files("ingest").joinpath("yard_template.toml").read_text("utf-8")
        zone = time_zone or _zone_of_this_computer()
        text = text.replace('time_zone = "UTC" ', f'time_zone = "{zone}" ')
        parse_yard(text, path.name)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise YardFileError(
                f"The yard file {path} cannot be written: {error.strerror}.",
                "Choose another place with --yard or --data.",
            ) from error
        typer.echo(f"Wrote {path}.")
        typer.echo("Edit it to say what stands in your yard, then run `gritbook check`.")


def check(
    yard: YardOption = None,
    data: DataOption = None,
    burst: Annotated[
        bool,
        typer.Option(
            "--burst/--no-burst",
            help="Try whether the broker drops messages for a client that is away.",
        ),
    ] = True,
    format_: Annotated[str, typer.Option("--format", help="table or json.")] = "table",
) -> None:
    """Test what the yard file names, and say what to do. Ends with 1 where something is broken."""
    with sentences():
        from ingest.checks import check_all
        from ingest.errors import YardFileError

        if format_ not in ("table", "json"):
            raise YardFileError(f'There is no format "{format_}".', "Choose table or json.")
        findings = []
        for finding in check_all(yard_path(yard, data), data_folder(data), burst=burst):
            findings.append(finding)
            if format_ == "table":
                mark, colour = _MARKS[finding.status]
                typer.secho(mark, fg=colour, nl=False)
                typer.echo(f"  {finding.subject}: {finding.what}")
                if finding.next_step:
                    typer.echo(f"      {finding.next_step}")
        if format_ == "json":
            typer.echo(json.dumps([f._asdict() for f in findings], ensure_ascii=False, indent=1))
    if any(finding.status == "fail" for finding in findings):
        raise typer.Exit(1)


def _zone_of_this_computer() -> str:
    """The IANA name of this computer's zone where it can be told, else UTC."""
    import os
    from pathlib import Path
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    named = os.environ.get("TZ", "").removeprefix(":")
    if not named:
        parts = Path("/etc/localtime").resolve().parts
        named = "/".join(parts[parts.index("zoneinfo") + 1 :]) if "zoneinfo" in parts else ""
    try:
        return ZoneInfo(named).key if named else "UTC"
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return "UTC"
