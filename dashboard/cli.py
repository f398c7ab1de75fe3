"""The `gritbook` command: one function a command, each in ``dashboard/commands``."""

from __future__ import annotations

import typer

app = typer.Typer(
    name="gritbook",
    help="Real blast hours, pinch cycles, pressure drops and upkeep from a sensor box on a pot.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
