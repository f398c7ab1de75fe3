"""`gritbook pages`: the pages in a browser, on this computer only unless told otherwise."""

from __future__ import annotations

import ssl
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from ingest.errors import AccessError

if TYPE_CHECKING:
    from dashboard.serve import Encryption


def pages(
    data: DataOption = None,
    yard: YardOption = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="TCP port.")] = 8617,
    address: Annotated[
        str,
        typer.Option(help="Address to listen on. The default is this computer only."),
    ] = "127.0.0.1",
    browser: Annotated[bool, typer.Option(help="Open the first page in the browser.")] = True,
    certificate: Annotated[
        Path | None,
        typer.Option(help="Certificate (PEM) to serve the pages encrypted with; needs --key."),
    ] = None,
    key: Annotated[
        Path | None, typer.Option(help="Its key (PEM); a file that only its owner can read.")
    ] = None,
    unencrypted: Annotated[
        bool,
        typer.Option(
            "--unencrypted",
            help="Serve other computers in the clear: only where something in between encrypts.",
        ),
    ] = False,
) -> None:
    """Yard now, shift review, upkeep and log book in a browser; keeps figures up to date."""
    from dashboard.serve import is_this_computer, serve

    with sentences():
        encryption = _encryption(certificate, key)
        _refuse_unguarded(
            data_folder(data), is_this_computer(address), encryption is not None or unencrypted
        )
        scheme = "http" if encryption is None else "https"
        typer.echo(f"Pages at {scheme}://{address}:{port} (Ctrl-C ends)", err=True)
        status = serve(data_folder(data), yard_path(yard, data), port, address, browser, encryption)
    if status:
        raise typer.Exit(status)


def _refuse_unguarded(data: Path, is_this_computer: bool, is_covered: bool) -> None:
    from dashboard.access import openid, people

    # Both are looked at in any case: what cannot be used is said now, not at the first sign-in.
    openid.settings(data)
    active = [p for p in people.everybody(data) if not p.disabled]
    if is_this_computer:
        return
    if not active:
        raise AccessError(
            "The pages are not opened to other computers: nobody was added who may sign in.",
            "Run `gritbook people add NAME --role owner`, then add the others.",
        )
    if not is_covered:
        raise AccessError(
            "The pages are not opened to other computers: passwords would go in the clear.",
            "Give --certificate and --key; or --unencrypted, only where what is in between "
            "encrypts.",
        )


def _encryption(certificate: Path | None, key: Path | None) -> Encryption | None:
    from dashboard.access.book import refuse_open_to_others
    from dashboard.serve import Encryption

    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise AccessError("A certificate and its key go together.", "Give --certificate and --key.")
    refuse_open_to_others(key, "The key")
    try:
        # A locked key is refused rather than asked for at the terminal.
        ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key, password="")
    except (OSError, ValueError) as error:
        raise AccessError(
            f"The certificate {certificate} and the key {key} cannot be used together.",
            "They must be a pair in PEM form, the key not locked by a password.",
        ) from error
    return Encryption(certificate.resolve(), key.resolve())
