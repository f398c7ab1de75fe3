"""How a command prints a frame: a table for people, or JSON, CSV or Parquet for programs.

For programs figures stay in SI with the unit in the column's name, and instants are ISO-8601 UTC.
For people hours, kPa and the site's own time are shown.
"""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import datetime as dt

    import polars as pl

    from ingest.config import Yard


#: Texts up to this long are never cut. [characters]
_SHORT = 10


class Format(StrEnum):
    """What a command prints."""

    table = "table"
    json = "json"
    csv = "csv"
    parquet = "parquet"


FormatOption = Annotated[Format, typer.Option("--format", help="What to print.")]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", help="Write here and not to standard output.", show_default=False),
]
PotOption = Annotated[str | None, typer.Option("--pot", help="Only this pot.", show_default=False)]
FromOption = Annotated[
    str | None,
    typer.Option(
        "--from", help="From this date or time on, in the site's time.", show_default=False
    ),
]
ToOption = Annotated[
    str | None,
    typer.Option(
        "--to",
        help="Before this time, in the site's time; of a date, up to its end.",
        show_default=False,
    ),
]


def window(
    yard: Yard, from_text: str | None, to_text: str | None
) -> tuple[dt.datetime | None, dt.datetime | None]:
    """What ``--from`` and ``--to`` mean, as naive UTC instants; ``None`` where not given.

    Raises
    ------
    typer.BadParameter
        One of them is no date or time, or they are in the wrong order.
    """
    import datetime as dt

    from analytics.hours import naive_utc
    from ingest.instants import utc_instant

    bounds: list[dt.datetime | None] = []
    for option, text in (("--from", from_text), ("--to", to_text)):
        if text is None:
            bounds.append(None)
            continue
        try:
            value: object = text
            if option == "--to" and len(text.strip()) == 10:
                value = dt.date.fromisoformat(text.strip()) + dt.timedelta(days=1)
            bounds.append(naive_utc(utc_instant(value, yard.site.zone)))
        except ValueError as error:
            raise typer.BadParameter(f"{option}: {error}") from error
    from_at, to_at = bounds
    if from_at is not None and to_at is not None and from_at >= to_at:
        raise typer.BadParameter("--from is not before --to; turn them round.")
    return from_at, to_at


def known_pots(yard: Yard, pot: str | None) -> list[str]:
    """The pots that ``--pot`` names: that one, or all of the yard file.

    Raises
    ------
    typer.BadParameter
        The yard file has no pot of that name.
    """
    if pot is None:
        return list(yard.pot_names)
    if pot not in yard.pot_names:
        raise typer.BadParameter(
            f'there is no pot "{pot}" in the yard file; it has {", ".join(yard.pot_names)}.'
        )
    return [pot]


def emit(
    frame: pl.DataFrame,
    form: Format,
    out: Path | None,
    yard: Yard,
    *,
    title: str = "",
    people: dict[str, str] | None = None,
    note: str = "",
) -> None:
    """Print a frame.

    Parameters
    ----------
    frame : polars.DataFrame
        SI, instants naive UTC in columns that end in ``_at``.
    form : Format
        What to print.
    out : Path or None
        Where to; ``None``: standard output.
    yard : Yard
        For the site's time zone.
    title, note : str
        Above and below a table for people.
    people : dict, optional
        The columns that people see: column -> heading; all of them by default.
    """
    if form is Format.table:
        _table(frame, yard, title, people or {name: name for name in frame.columns}, note, out)
        return
    import polars as pl

    instants = [n for n, dtype in frame.schema.items() if isinstance(dtype, pl.Datetime)]
    if form is Format.parquet:
        if out is None and sys.stdout.isatty():
            raise typer.BadParameter("Parquet is not for a terminal; give --out FILE.")
        frame.with_columns(pl.col(instants).dt.replace_time_zone("UTC")).write_parquet(
            out or sys.stdout.buffer
        )
        return
    text = frame.with_columns(pl.col(instants).dt.strftime("%Y-%m-%dT%H:%M:%S%.6fZ"))
    written = text.write_json() if form is Format.json else text.write_csv()
    if out is None:
        typer.echo(written.rstrip("\n"))
    else:
        out.write_text(written.rstrip("\n") + "\n", encoding="utf-8")


def _table(
    frame: pl.DataFrame,
    yard: Yard,
    title: str,
    people: dict[str, str],
    note: str,
    out: Path | None,
) -> None:
    from rich.console import Console
    from rich.table import Table

    if out is not None:
        raise typer.BadParameter("--out goes with --format json, csv or parquet.")
    console = Console()
    if yard.site.invented:
        console.print("Invented yard: these figures are of no real site.", style="italic")
    if frame.is_empty():
        console.print(f"{title}: nothing yet." if title else "Nothing yet.")
        return
    table = Table(title=title or None, title_justify="left", box=None, pad_edge=False)
    cells = [
        [_cell(name, value, yard) for name, value in row.items()]
        for row in frame.select(list(people)).iter_rows(named=True)
    ]
    for number, (name, heading) in enumerate(people.items()):
        numeric = frame.schema[name].is_numeric()
        longest = max(len(row[number]) for row in cells)
        table.add_column(
            _heading(name, heading),
            justify="right" if numeric else "left",
            no_wrap=numeric,
            # On a narrow terminal long texts give way, names do not.
            min_width=longest if longest <= _SHORT else None,
        )
    for row in cells:
        table.add_row(*row)
    console.print(table)
    if note:
        console.print(note, style="dim", markup=False)


def _quantity(name: str) -> str | None:
    """Quantity of a column whose unit stands in its heading, by the unit in its name."""
    for end, quantity in (
        ("_kg_m2", "per_area"), ("_m2_blast_h", "area"), ("_m2", "area"), ("_kg", "mass"),
    ):  # fmt: skip
        if name.endswith(end):
            return quantity
    return None


def _heading(name: str, heading: str) -> str:
    from dashboard import units

    if _quantity(name) is None:
        return heading
    return heading.replace("m²", units.unit("area")).replace("kg", units.unit("mass"))


def _cell(name: str, value: object, yard: Yard) -> str:
    import datetime as dt

    from dashboard import units, words

    if value is None:
        return "–"
    if isinstance(value, dt.datetime):
        local = value.replace(tzinfo=dt.UTC).astimezone(yard.site.zone)
        return local.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if name.endswith("_pa"):
            return words.with_unit("pressure", value)
        if (quantity := _quantity(name)) is not None:
            value /= units.factor(quantity)
        digits = 1 if name.endswith("_s") else 2
        return f"{value:,.{digits}f}"
    from rich.markup import escape

    return escape(str(value))
