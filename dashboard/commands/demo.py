"""The command that shows everything on an invented yard."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands.options import sentences


def demo(
    data: Annotated[
        Path | None,
        typer.Option(
            "--data",
            help="Keep the demonstration's data in this folder; by default they go when it ends.",
            show_default=False,
        ),
    ] = None,
    port: Annotated[int, typer.Option("--port", help="Where the pages are.")] = 8501,
    seconds: Annotated[
        float | None,
        typer.Option(
            "--seconds", help="End by itself so long after the pages are up.", show_default=False
        ),
    ] = None,
    browser: Annotated[
        bool, typer.Option("--browser/--no-browser", help="Open the pages in a browser.")
    ] = True,
) -> None:
    """Show it: an invented yard, three weeks of history, and two pots that blast while you look.

    Pot 1's box speaks over a broker, pot 2's over a serial line. Ctrl-C ends everything.
    """
    with sentences():
        import tempfile
        import threading
        import time
        import webbrowser

        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        from dashboard import demo as work

        if data is not None:
            work.claim(data)
        console = Console()
        stop = threading.Event()
        work.on_signals(stop)
        begun = time.monotonic()
        progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TimeElapsedColumn(),
            console=console,
            disable=not console.is_terminal,
        )
        task = progress.add_task("Getting ready", total=1.0)

        def tell(words: str, share: float) -> None:
            if console.is_terminal:
                progress.update(task, description=words, completed=share)
            else:
                console.print(f"{words} …")

        def ready(address: str) -> None:
            progress.stop()
            console.print(
                f"\nThe pages are at {address} ({time.monotonic() - begun:.0f} s). "
                "Pot 1 comes over a broker, pot 2 over a serial line.\n"
                "The yard, its people and its figures are invented. Ctrl-C ends everything."
            )
            if browser:
                webbrowser.open(address)
            if seconds is not None:
                timer = threading.Timer(seconds, stop.set)
                timer.daemon = True
                timer.start()

        with tempfile.TemporaryDirectory(
            prefix="gritbook-demo-", ignore_cleanup_errors=True
        ) as gone:
            folder = data if data is not None else Path(gone)
            progress.start()
            try:
                work.run(folder, port, tell, ready, stop)
            finally:
                progress.stop()
        console.print("Ended; everything was stopped cleanly.")
