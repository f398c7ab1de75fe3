"""Command line of the simulated feeds: `gritbook feed`, or `python -m simulated_feeds`."""

from __future__ import annotations

import os
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,  # help texts hold brackets
    pretty_exceptions_enable=False,
    help="Stand in for the sensor box: a simulated pot, live or as a yard's history.",
)


def _list_faults(wanted: bool) -> None:
    """Print the faults in the trade's words, then leave."""
    if not wanted:
        return
    from .faults.catalogue import CATALOGUE

    width = max(len(fault.name) for fault in CATALOGUE)
    for fault in CATALOGUE:
        typer.echo(f"{fault.name:<{width}}  {fault.words}")
        typer.echo(f"{'':<{width}}    1.0 = {fault.full:g} {fault.unit} ({fault.dial})")
    raise typer.Exit


@app.callback()
def feed(
    list_faults: Annotated[
        bool,
        typer.Option("--list", callback=_list_faults, is_eager=True, help="Name the faults."),
    ] = False,
) -> None:
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
    jobs: Annotated[
        int, typer.Option(min=0, help="Pots made at the same time; 0 is as many as processors.")
    ] = 0,
    mishaps: Annotated[bool, typer.Option(help="Whether things go wrong besides wear.")] = True,
) -> None:
    """Write the history of an invented yard: readings, records and the truth."""
    from .history import write_history
    from .yard import plan_yard

    last = until.date() if until is not None else date(2026, 11, 24)
    plan = plan_yard(seed, last, days, pots, rate, zone, mishaps=mishaps)
    summary = write_history(
        plan,
        out,
        tell=lambda line: typer.echo(line, err=True),
        jobs=jobs or os.cpu_count() or 1,
    )
    typer.echo(
        f"{summary.samples} samples, {summary.shifts} pot shifts, {summary.cycles} cycles, "
        f"{summary.entries} entries, {summary.bytes_written / 1e6:.1f} MB in {out}"
    )


@app.command()
def live(
    to: Annotated[
        str,
        typer.Option(
            help="mqtt://host:port[/root], serial:PORT[?baud=115200&crc=1], pty:LINKPATH, "
            "listen:HOST:PORT[?crc=1], modbus:LINKPATH[?device=1] or card:FILE.csv"
        ),
    ],
    pot: Annotated[str, typer.Option(help="Name of the pot.")] = "pot-1",
    site: Annotated[str, typer.Option(help="Name of the site, for MQTT topics.")] = "north-yard",
    seed: Annotated[int, typer.Option(help="Same seed, same signals.")] = 1,
    rate: Annotated[float, typer.Option(min=1.0, max=50.0, help="Samples a second.")] = 10.0,
    speed: Annotated[float, typer.Option(min=0.01, help="Pot seconds a second.")] = 1.0,
    seconds: Annotated[float, typer.Option(help="Pot seconds to send; 0 is for ever.")] = 0.0,
    fault: Annotated[
        list[str] | None, typer.Option(help="NAME:SEVERITY, 0 to 1; may be given again.")
    ] = None,
    truth: Annotated[
        Path | None, typer.Option(help="Write the truth here, a JSON object a line.")
    ] = None,
    unit: Annotated[str, typer.Option(help="Pa, or mA for loop currents.")] = "Pa",
    clock: Annotated[bool, typer.Option(help="Whether the box has a clock.")] = True,
    inlet: Annotated[bool, typer.Option(help="Send the pressure before the separator.")] = False,
    mass: Annotated[bool, typer.Option(help="Send a load cell's pot_mass.")] = False,
) -> None:
    """Send one pot live until stopped (Ctrl-C or SIGTERM), or for so many seconds."""
    from .contractor import plant_named
    from .faults.fault_set import FaultSet, UnknownFault
    from .feeds.sending import open_feed, send_live
    from .live import LivePot
    from .truth import TruthLines

    if unit not in {"Pa", "mA"}:
        typer.echo(f"unit is Pa or mA, not {unit}", err=True)
        raise typer.Exit(2)
    try:
        faults = FaultSet.from_texts(fault or [], seed)
    except UnknownFault as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(2) from error
    plant, full_kg = plant_named(pot)
    living = LivePot(plant, rate, seed, unit=unit, mass=mass, faults=faults, full_kg=full_kg)
    if inlet:
        living.transducers["inlet"] = living.transducers["supply"]
    try:
        with TruthLines(truth, pot, faults) as lines:
            living.tell_truth = lines.cycle
            opened = open_feed(to, site=site, pot=pot)
            told = send_live(opened, living, pot, speed=speed, seconds=seconds, clock=clock)
    except (ValueError, OSError) as error:
        typer.echo(f"cannot send to {to}: {error}", err=True)
        raise typer.Exit(2) from error
    typer.echo(told)


@app.command()
def replay(
    history: Annotated[Path, typer.Argument(help="A folder that `yard` wrote.")],
    to: Annotated[str, typer.Option(help="As for `live`.")],
    pot: Annotated[str, typer.Option(help="Name of the pot.")] = "pot-1",
    site: Annotated[str, typer.Option(help="Name of the site, for MQTT topics.")] = "north-yard",
    day: Annotated[
        list[str] | None, typer.Option(help="UTC day, YYYY-MM-DD; all when not given.")
    ] = None,
    speed: Annotated[
        float, typer.Option(min=0.01, help="Pot seconds a second; silent nights are skipped.")
    ] = 60.0,
    fault: Annotated[list[str] | None, typer.Option(help="Message faults, NAME:SEVERITY.")] = None,
    seed: Annotated[int, typer.Option(help="What the message faults hang on.")] = 1,
) -> None:
    """Send a pot's history again, with the times its box gave it."""
    from .faults.fault_set import FaultSet, UnknownFault
    from .feeds.sending import open_feed, send_seconds
    from .replay import due_times, history_days, replay_seconds

    try:
        faults = FaultSet.from_texts(fault or [], seed)
        days = history_days(history, pot)
        chosen = [name for name in days if not day or name in day]
        if not chosen:
            raise FileNotFoundError(f"no readings of {pot} on {', '.join(day or [])}")
        feed = open_feed(to, site=site, pot=pot)
        seconds = due_times(replay_seconds(history, pot, chosen))
        told = send_seconds(feed, seconds, pot, faults, speed=speed)
    except (UnknownFault, ValueError, OSError) as error:
        typer.echo(f"cannot replay {pot} to {to}: {error}", err=True)
        raise typer.Exit(2) from error
    typer.echo(told)


def main() -> None:
    """Run the command line under the name people call it by."""
    app(prog_name="gritbook feed")


if __name__ == "__main__":
    main()
