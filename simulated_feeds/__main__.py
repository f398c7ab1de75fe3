"""Command line of the simulated feeds: `gritbook feed`, or `python -m simulated_feeds`."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    help="Stand in for the sensor box: a simulated pot, live or as a yard's history.",
)


@app.callback()
def feed() -> None:
    """Stand in for the sensor box: a simulated pot, live or as a yard's history."""


@app.command()
def yard(
    out: Annotated[Path, typer.Option(help="Folder to write into; made when missing.")],
    seed: Annotated[int, typer.Option(help="Same seed, same bytes.")] = 7,
    until: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Last day, worked as any other.")
    ] = None,
    days: Annotated[int, typer.Option(min=1, help="Days in all.")] = 21,
    rate: Annotated[float, typer.Option(min=1.0, max=100.0, help="Samples a second.")] = 10.0,
    pots: Annotated[int, typer.Option(min=1, max=8, help="Pots of the yard.")] = 3,
    zone: Annotated[str, typer.Option(help="Time zone of the shifts.")] = "Europe/Amsterdam",
) -> None:
    """Write the history of an invented yard: readings, records and the truth."""
    from .history import write_history
    from .yard import plan_yard

    last = until.date() if until is not None else date(2026, 11, 24)
    plan = plan_yard(seed, last, days, pots, rate, zone)
    summary = write_history(plan, out, tell=lambda line: typer.echo(line, err=True))
    typer.echo(
        f"{summary.samples} samples, {summary.shifts} pot shifts, {summary.cycles} cycles, "
        f"{summary.entries} entries, {summary.bytes_written / 1e6:.1f} MB in {out}"
    )


@app.command()
def live(
    to: Annotated[
        str,
        typer.Option(
            help="mqtt://host:port[/root], serial:PORT[?baud=115200&crc=1] or pty:LINKPATH"
        ),
    ],
    pot: Annotated[str, typer.Option(help="Name of the pot.")] = "pot-1",
    site: Annotated[str, typer.Option(help="Name of the site, for MQTT topics.")] = "north-yard",
    seed: Annotated[int, typer.Option(help="Same seed, same signals.")] = 1,
    rate: Annotated[float, typer.Option(min=1.0, max=50.0, help="Samples a second.")] = 10.0,
    speed: Annotated[float, typer.Option(min=0.01, help="Pot seconds a second.")] = 1.0,
    seconds: Annotated[float, typer.Option(help="Pot seconds to send; 0 is for ever.")] = 0.0,
) -> None:
    """Send one pot live until stopped (Ctrl-C or SIGTERM), or for so many seconds."""
    from .feeds.sending import open_feed, send_live
    from .live import LivePot

    try:
        feed = open_feed(to, site=site, pot=pot)
    except (ValueError, OSError) as error:
        typer.echo(f"cannot open {to}: {error}", err=True)
        raise typer.Exit(2) from error
    told = send_live(feed, LivePot(rate_hz=rate, seed=seed), pot, speed=speed, seconds=seconds)
    typer.echo(told)


def main() -> None:
    """Run the command line under the name people call it by."""
    app(prog_name="gritbook feed")


if __name__ == "__main__":
    main()
