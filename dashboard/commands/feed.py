"""The command that starts the simulated box.

The feed is a program of its own that shares no code with the rest, so that an error cannot cancel
itself: what it is given on the command line is passed on as it stands.
"""

from __future__ import annotations

import subprocess
import sys

import typer


def feed(context: typer.Context) -> None:
    """Stand in for the sensor box: a simulated pot, live or as a yard's history."""
    command = [sys.executable, "-m", "simulated_feeds", *context.args]
    with subprocess.Popen(command) as process:
        while True:
            try:
                status = process.wait()
                break
            except KeyboardInterrupt:
                # The terminal has told the feed as well; wait for its clean end.
                continue
    raise typer.Exit(status)
