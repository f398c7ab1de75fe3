"""`gritbook export`, `gritbook dictionary`, `gritbook stock`: tables for programs and books."""

from __future__ import annotations

import datetime as dt
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, FromOption, OutOption, ToOption, emit

if TYPE_CHECKING:
    import polars as pl

    from ingest.config import Yard


class Files(StrEnum):
    """What `export` writes."""

    parquet = "parquet"
    csv = "csv"
    xlsx = "xlsx"


def export(
    out: Annotated[
        Path, typer.Argument(help="File to write for xlsx, folder for parquet and csv.")
    ],
    form: Annotated[Files, typer.Option("--format", help="What to write.")] = Files.xlsx,
    from_: FromOption = None,
    to: ToOption = None,
    data: DataOption = None,
    yard: YardOption = None,
) -> None:
    """Export shifts, cycles, areas, abrasive, stock, checks, time use and stops.

    Figures are in SI and instants in UTC; `gritbook dictionary` says what each column is, and so
    does a sheet of its own in an xlsx file.
    """
    with sentences():
        from analytics.pipeline import utc_now
        from analytics.sheets import export_tables
        from dashboard.commands.output import window
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        from_at, to_at = window(loaded, from_, to)
        with read_window(data_folder(data)) as con:
            tables = export_tables(con, loaded, utc_now(), from_at, to_at)
        write_tables(tables, form.value, out, loaded)
        counts = ", ".join(f"{name} {frame.height}" for name, frame in tables.items())
        typer.echo(f"Wrote {out} ({counts} rows).")


def write_tables(tables: dict[str, pl.DataFrame], form: str, out: Path, yard: Yard) -> None:
    """Write exported tables to files.

    Parameters
    ----------
    tables : dict
        From :func:`analytics.sheets.export_tables`.
    form : str
        ``parquet``, ``csv`` or ``xlsx``.
    out : Path
        A folder, made where it is not there; for ``xlsx`` the file.
    yard : Yard
        For the currency and whether the yard is invented.
    """
    import polars as pl

    if form == "xlsx":
        _write_workbook(tables, out, yard)
        return
    from analytics.dictionary import as_markdown

    out.mkdir(parents=True, exist_ok=True)
    for name, frame in tables.items():
        instants = [n for n, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
        path = out / f"{name}.{form}"
        if form == "parquet":
            frame.with_columns(pl.col(instants).dt.replace_time_zone("UTC")).write_parquet(path)
        else:
            frame.with_columns(pl.col(instants).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ")).write_csv(
                path
            )
    (out / "DATA_DICTIONARY.md").write_text(as_markdown(), encoding="utf-8")


#: A sheet of a workbook holds so many rows under its heading.
_SHEET_ROWS = 1_048_575


def _write_workbook(tables: dict[str, pl.DataFrame], out: Path, yard: Yard) -> None:
    import polars as pl
    import xlsxwriter

    from analytics.dictionary import COLUMNS, TABLES

    rows = [
        (table, name, _unit(COLUMNS[name].unit, yard), COLUMNS[name].meaning)
        for table, frame in tables.items()
        for name in frame.columns
    ]
    units = pl.DataFrame(rows, schema=["table", "column", "unit", "meaning"], orient="row")
    notes = [("what", "These tables come from Gritbook. SI units, instants UTC.")]
    if yard.site.invented:
        notes.append(("caution", "Invented yard: these figures are of no real site."))
    notes += [(name, TABLES[name]) for name in tables]
    with xlsxwriter.Workbook(out) as book:
        pl.DataFrame(notes, schema=["table", "rows"], orient="row").write_excel(
            book, "read me", autofit=True
        )
        for name, frame in tables.items():
            if frame.height > _SHEET_ROWS:
                notes_left = frame.height - _SHEET_ROWS
                typer.echo(
                    f"{name}: a sheet holds {_SHEET_ROWS} rows, {notes_left} are left out; "
                    "use --format parquet or csv for all of them.",
                    err=True,
                )
            frame.head(_SHEET_ROWS).write_excel(
                book, name, autofit=True, freeze_panes=(1, 0),
                dtype_formats={pl.Datetime("us"): "yyyy-mm-dd hh:mm:ss"},
            )  # fmt: skip
        units.write_excel(book, "units", autofit=True, freeze_panes=(1, 0))


def _unit(unit: str, yard: Yard) -> str:
    return (yard.site.currency or "money") if unit == "money" else unit


def dictionary(
    markdown: Annotated[
        bool, typer.Option("--markdown", help="As the text of analytics/DATA_DICTIONARY.md.")
    ] = False,
) -> None:
    """The open data dictionary: what every exported column is, and its unit."""
    with sentences():
        from analytics.dictionary import COLUMNS, TABLES, as_markdown
        from analytics.exports import TABLE_COLUMNS

        if markdown:
            typer.echo(as_markdown().rstrip("\n"))
            return
        for table, meaning in TABLES.items():
            typer.echo(f"{table}: {meaning}")
            for name in TABLE_COLUMNS[table]:
                column = COLUMNS[name]
                unit = f" [{column.unit}]" if column.unit else ""
                typer.echo(f"  {name}{unit}: {column.meaning}")
            typer.echo("")


def jobs(
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Jobs: area done against planned, and what had to be done over again."""
    with sentences():
        from analytics.part_rows import read_book
        from analytics.production import jobs_done
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        with read_window(data_folder(data)) as con:
            book = read_book(con)
        emit(
            jobs_done(book.jobs, book.areas), form, out, loaded, title="Jobs",
            note="Done is what was brought to grade, as entered; done over again is not in it.",
            people={
                "job": "job", "item": "item", "area_m2": "done m²", "planned_m2": "planned m²",
                "done_share": "share", "reblast_m2": "done over m²",
            },
        )  # fmt: skip


def stock(
    to: ToOption = None,
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Stock: abrasive in the yard, where to order more, and waste to be taken away."""
    with sentences():
        from analytics import stock as heaps
        from analytics.part_rows import read_book
        from dashboard.commands.output import window
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        at: dt.datetime | None = window(loaded, None, to)[1]
        with read_window(data_folder(data)) as con:
            book = read_book(con)
        frame = heaps.stock(book.moves, book.abrasives, book.kinds, at)
        emit(
            frame, form, out, loaded, title="Abrasive in stock",
            note=(
                "stock = delivered + returned + reused - tipped + what counts found; order: at or "
                "under the reorder line; count: less than nothing, so something was not entered."
            ),
            people={
                "abrasive": "abrasive", "stock_kg": "stock kg", "state": "state",
                "reorder_kg": "order at kg", "counted_at": "counted", "delivered_kg": "delivered",
                "tipped_kg": "tipped", "count_off_kg": "found at counts",
                "waste_kg": "waste here kg", "disposed_kg": "taken away",
            },
        )  # fmt: skip
