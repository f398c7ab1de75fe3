"""The command that shows what boxes' clocks were off by, and corrects for it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path

if TYPE_CHECKING:
    from ingest.clocks import Correction


def clocks(
    data: DataOption = None,
    yard: YardOption = None,
    pot: Annotated[
        str | None, typer.Option("--pot", help="Only this pot.", show_default=False)
    ] = None,
    take: Annotated[
        bool, typer.Option("--take", help="Correct for what is found; needs --pot and --by.")
    ] = False,
    withdraw: Annotated[
        int | None,
        typer.Option("--withdraw", help="Let this correction hold no longer.", show_default=False),
    ] = None,
    by: Annotated[str, typer.Option("--by", help="Who corrects or withdraws.")] = "",
) -> None:
    """Show where a box's clock was wrong by its arrivals, and the corrections there are.

    A correction moves readings when figures are derived; what was sent stays as it was sent, and
    withdrawing the correction brings the old figures back.
    """
    with sentences():
        from ingest.config import load_yard
        from ingest.errors import RecordRefused
        from ingest.store import clock_rows
        from ingest.store.connection import read_window, write_window

        folder = data_folder(data)
        load_yard(yard_path(yard, data))
        now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
        if withdraw is not None:
            with write_window(folder) as con:
                clock_rows.withdraw(con, withdraw, by, now)
            typer.echo(f"Correction {withdraw} is withdrawn. `gritbook derive` applies that.")
            return
        if take and pot is None:
            raise RecordRefused("A correction is for one pot.", "Name it with --pot.")
        found = _found(folder, pot)
        if take and pot is not None:
            with write_window(folder) as con:
                numbers = clock_rows.put(con, pot, found.get(pot, []), by, now)
            typer.echo(f"{len(numbers)} corrections taken. `gritbook derive` applies them.")
            return
        with read_window(folder) as con:
            held = clock_rows.listed(con, pot)
        for name, corrections in found.items():
            for one in corrections:
                begin, end = _utc(one.arrived_from_us), _utc(one.arrived_to_us)
                typer.echo(f"{name}: {begin} to {end} UTC: {one.reason}.")
        for row in held:
            state = f", withdrawn by {row.withdrawn_by}" if row.withdrawn_at else ""
            typer.echo(
                f"{row.pot}: correction {row.correction_id}, arrivals "
                f"{row.arrived_from_at:%Y-%m-%d %H:%M} to {row.arrived_to_at:%Y-%m-%d %H:%M} UTC, "
                f"{row.offset_s:+.1f} s, taken by {row.taken_by}{state}."
            )
        if not held and not any(found.values()):
            typer.echo("Every clock was right to within two seconds.")


def _found(folder: Path, pot: str | None) -> dict[str, list[Correction]]:
    """What is not corrected for yet, by pot."""
    from analytics import frames
    from analytics.heard import clock_found
    from ingest.store import clock_rows
    from ingest.store.connection import read_window

    with read_window(folder) as con:
        return {
            name: clock_found(con, name, clock_rows.listed(con, name))
            for name in frames.pots(con)
            if pot is None or name == pot
        }


def _utc(at_us: int) -> str:
    return f"{dt.datetime.fromtimestamp(at_us / 1e6, dt.UTC):%Y-%m-%d %H:%M}"
