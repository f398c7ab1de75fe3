"""`gritbook pages`: the pages in a browser, on this computer only unless told otherwise."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path


def pages(
    data: DataOption = None,
    yard: YardOption = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="TCP port.")] = 8617,
    address: Annotated[
        str,
        typer.Option(help="Address to listen on. The default is this computer only."),
    ] = "127.0.0.1",
    browser: Annotated[bool, typer.Option(help="Open the first page in the browser.")] = True,
) -> None:
    """Yard now, shift review, upkeep and log book in a browser; keeps figures up to date."""
    from dashboard.serve import serve

    with sentences():
        if address not in ("127.0.0.1", "::1", "localhost"):
            typer.secho(
                f"Anyone who reaches {address} can read and enter: there is no sign-in.",
                fg=typer.colors.YELLOW,
                err=True,
            )
        typer.echo(f"Pages at http://{address}:{port} (Ctrl-C ends)", err=True)
        status = serve(data_folder(data), yard_path(yard, data), port, address, browser)
    if status:
        raise typer.Exit(status)
