"""`gritbook report`: what people print and send, as PDF or as HTML."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import PotOption, known_pots

if TYPE_CHECKING:
    import datetime as dt

    import duckdb

    from dashboard.reports.content import Report
    from ingest.config import Yard

app = typer.Typer(
    help="What people print and send: shift sheet, week's upkeep, part record, month compared.",
    no_args_is_help=True,
)


class Paper(StrEnum):
    """Paper that a report is laid out for."""

    a4 = "a4"
    letter = "letter"


class Kind(StrEnum):
    """What a report is written as."""

    pdf = "pdf"
    html = "html"


class Measured(StrEnum):
    """The units of a report."""

    metric = "metric"
    inch_pound = "inch-pound"


FileOption = Annotated[Path, typer.Option("--to", help="Write it here.", show_default=False)]
PaperOption = Annotated[Paper, typer.Option("--paper", help="The paper it is laid out for.")]
KindOption = Annotated[
    Kind | None,
    typer.Option("--kind", help="PDF or HTML; by default as the file's name ends, else PDF.",
                 show_default=False),
]  # fmt: skip
UnitsOption = Annotated[Measured, typer.Option("--units", help="In which units people read it.")]
AtOption = Annotated[
    str | None,
    typer.Option("--at", help="Days run up to this time, in the site's time; by default up to now. "
                 "Hours are always the newest.",
                 show_default=False),
]  # fmt: skip

Composer = Callable[["duckdb.DuckDBPyConnection", "Yard", "dt.datetime"], "Report"]


def written(
    compose: Composer, to: Path, paper: Paper, kind: Kind | None, units: Measured,
    data: Path | None, yard: Path | None, at: str | None = None,
) -> None:  # fmt: skip
    """Compose a report in one read window, set it, write it, and say its number."""
    with sentences():
        from analytics.hours import naive_utc
        from analytics.pipeline import utc_now
        from dashboard import units as ways_of_measuring
        from dashboard.reports import content, writing
        from ingest.config import load_yard
        from ingest.instants import utc_instant
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        try:
            now = utc_now() if at is None else naive_utc(utc_instant(at, loaded.site.zone))
        except ValueError as error:
            raise typer.BadParameter(f"--at: {error}") from error
        form = kind or Kind("html" if to.suffix.lower() in (".html", ".htm") else "pdf")
        with ways_of_measuring.use(ways_of_measuring.CHOICES[units.value]):
            with read_window(data_folder(data)) as con:
                report = compose(con, loaded, now)
            made = writing.made(report, form.value, paper.value)
        writing.write(made, to)
        typer.echo(f"Wrote {to}: {content.KINDS[report.kind][0].lower()} {report.number}.")


@app.command("shift")
def shift(
    name: Annotated[str, typer.Argument(help="The shift.", show_default=False)],
    to: FileOption,
    paper: PaperOption = Paper.a4,
    kind: KindOption = None,
    units: UnitsOption = Measured.metric,
    data: DataOption = None,
    yard: YardOption = None,
) -> None:
    """The sheet of a shift: hours, stops, pressures, abrasive, cost, and who signed."""

    def compose(con: duckdb.DuckDBPyConnection, loaded: Yard, now: dt.datetime) -> Report:
        from dashboard.reports import shift_sheet

        return shift_sheet.compose(con, loaded, name, now)

    written(compose, to, paper, kind, units, data, yard)


@app.command("upkeep")
def upkeep(
    to: FileOption,
    pot: PotOption = None,
    at: AtOption = None,
    paper: PaperOption = Paper.a4,
    kind: KindOption = None,
    units: UnitsOption = Measured.metric,
    data: DataOption = None,
    yard: YardOption = None,
) -> None:
    """The week's upkeep: what is due, what comes, with room to tick off by hand."""

    def compose(con: duckdb.DuckDBPyConnection, loaded: Yard, now: dt.datetime) -> Report:
        from dashboard.reports import weeks_upkeep

        return weeks_upkeep.compose(con, loaded, now, known_pots(loaded, pot) if pot else None)

    written(compose, to, paper, kind, units, data, yard, at)


@app.command("part")
def part(
    to: FileOption,
    tag: Annotated[
        str, typer.Argument(help="Tag of a part; left out: all parts, or those of --pot.")
    ] = "",
    part_kind: Annotated[
        str, typer.Option("--part", help="Only this kind of part, such as pinch_hose.")
    ] = "",
    pot: PotOption = None,
    photos: Annotated[
        bool, typer.Option("--photos", help="Put the photos themselves into it.")
    ] = False,
    at: AtOption = None,
    paper: PaperOption = Paper.a4,
    kind: KindOption = None,
    units: UnitsOption = Measured.metric,
    data: DataOption = None,
    yard: YardOption = None,
) -> None:
    """The record of a part or of a pot: hours, checks and corrections, under the seal."""

    def compose(con: duckdb.DuckDBPyConnection, loaded: Yard, now: dt.datetime) -> Report:
        from dashboard.reports import part_record, writing

        pots = known_pots(loaded, pot) if pot else None
        part_record.known_kind(part_kind)
        told = part_record.record_of(con, loaded, now, pots, tag, part_kind)
        part_record.known(told, tag, part_kind, pot)
        return part_record.compose(
            told, loaded, now, writing.photos_of(data_folder(data)) if photos else None
        )

    written(compose, to, paper, kind, units, data, yard, at)


@app.command("month")
def month(
    name: Annotated[str, typer.Argument(help="The month, such as 2026-11.", show_default=False)],
    to: FileOption,
    paper: PaperOption = Paper.a4,
    kind: KindOption = None,
    units: UnitsOption = Measured.metric,
    data: DataOption = None,
    yard: YardOption = None,
) -> None:
    """A month compared: crews and jobs, as they did and under like conditions."""

    def compose(con: duckdb.DuckDBPyConnection, loaded: Yard, now: dt.datetime) -> Report:
        from dashboard.reports import month as months

        return months.compose(con, loaded, name, now)

    written(compose, to, paper, kind, units, data, yard)
