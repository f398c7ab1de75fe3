"""The command that shows what is wrong with readings, and what transducers read at rest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.signals_words import CAUSE_WORDS

if TYPE_CHECKING:
    import polars as pl


def signals(
    data: DataOption = None,
    yard: YardOption = None,
    pot: Annotated[
        str | None, typer.Option("--pot", help="Only this pot.", show_default=False)
    ] = None,
    days: Annotated[float, typer.Option("--days", help="How far back to look.", min=0.01)] = 7.0,
) -> None:
    """Show which readings did not count and why, and how far from zero transducers stood at rest.

    At rest means: dead-man shut, and a pressure that stands still near zero for ten minutes. It
    does not show that a pot is vented.
    """
    with sentences():
        import datetime as dt

        from analytics import frames
        from analytics.quality import zero_checks
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        load_yard(yard_path(yard, data))
        with read_window(data_folder(data)) as con:
            for name, pot_id in frames.pots(con).items():
                last_at = frames.last_heard(con, pot_id)
                if (pot is not None and name != pot) or last_at is None:
                    continue
                from_at = last_at - dt.timedelta(days=days)
                faults = frames.signal_faults(con, pot_id, from_at)
                rests = zero_checks(frames.zero_rests(con, pot_id, from_at))
                for line in _told(name, faults, rests):
                    typer.echo(line)


def _told(pot: str, faults: pl.DataFrame, rests: pl.DataFrame) -> list[str]:
    from analytics.box_values import fault_totals

    lines = [
        f"{pot} {row['channel']}: {row['readings']:,} readings {CAUSE_WORDS[row['cause']]}, in "
        f"{row['minutes']:,} minutes, last {row['last_at']:%Y-%m-%d %H:%M} UTC."
        for row in fault_totals(faults).iter_rows(named=True)
    ]
    if not lines:
        lines.append(f"{pot}: every reading counted.")
    for row in rests.group_by("channel", maintain_order=True).last().iter_rows(named=True):
        lines.append(
            f"{pot} {row['channel']}: read {row['offset_pa'] / 1000:+.1f} kPa at rest, "
            f"{row['from_at']:%Y-%m-%d %H:%M} to {row['to_at']:%H:%M} UTC."
        )
    return lines
