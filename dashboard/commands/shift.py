"""`gritbook shift`: all shifts as a table, or the sheet of one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands import figures as tables
from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import (
    Format,
    FormatOption,
    FromOption,
    OutOption,
    PotOption,
    ToOption,
    emit,
)

if TYPE_CHECKING:
    import polars as pl

    from analytics.nozzle_kept import OwnEffect
    from analytics.sheets import PotSheet, Sheet
    from ingest.config import Yard


def shift(
    name: Annotated[
        str, typer.Argument(help="One shift's whole sheet; left out: all shifts.")
    ] = "",
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Shifts: hours, pinch cycles, pressures, abrasive and area; or one shift's whole sheet."""
    if not name:
        tables.shift(data, yard, pot, from_, to, form, out)
        return
    with sentences():
        from analytics.nozzle_kept import own_effect
        from analytics.part_rows import shift_rows
        from analytics.pipeline import utc_now
        from analytics.sheets import shift_sheet
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        now = utc_now()
        with read_window(data_folder(data)) as con:
            sheet = shift_sheet(con, loaded, name, now)
            effect = own_effect(shift_rows(con, loaded, now))
        if form is not Format.table:
            emit(sheet.rows, form, out, loaded)
            return
        if loaded.site.invented:
            typer.echo("Invented yard: these figures are of no real site.")
        typer.echo("\n".join(lines_of(sheet, effect, loaded)))


def lines_of(sheet: Sheet, effect: OwnEffect, yard: Yard) -> list[str]:
    """A shift's sheet as lines of text."""
    from dashboard import sheet_words as told
    from dashboard import time_words, words

    zone = yard.site.zone
    lines = [
        f"{sheet.shift}: {time_words.stretch(sheet.from_at, sheet.to_at, zone)}, crew {sheet.crew}"
        f", {', '.join(dict.fromkeys(sheet.rows['job']))}",
        told.signed(sheet, zone),
        *told.changes(sheet, zone),
        "",
        *[f"{figure.label}: {figure.said}" for figure in told.figures(sheet, yard)],
    ]
    for pot in sheet.pots:
        lines += ["", *_pot_lines(pot, sheet.rows, effect, yard)]
    return [line.replace(words.NBSP, " ").replace("\u202f", " ") for line in lines]


def _pot_lines(pot: PotSheet, rows: pl.DataFrame, effect: OwnEffect, yard: Yard) -> list[str]:
    from dashboard import sheet_words as told

    zone = yard.site.zone
    lines = [f"{pot.pot}", "  Where the time went"]
    lines += [f"    {row.label}: {row.said}" for row in told.time_rows(pot)]
    lines += [f"  {line}" for line in told.iso_lines(pot)]
    known = rows.filter(rows["pot"] == pot.pot)["area_m2"].drop_nulls()
    area_m2 = float(known.sum()) if known.len() else None
    figures = [
        *told.nozzle_figures(pot, effect, yard, area_m2), *told.hour_figures(pot, zone)
    ]  # fmt: skip
    lines += [f"  {figure.label}: {figure.said}" for figure in figures]
    stops = pot.ledger.stops
    if stops.height:
        lines.append("  Stops")
        lines += [f"    {told.stop_line(row, zone)}" for row in stops.iter_rows(named=True)]
    return lines
