"""The `gritbook` command: one function a command, each in ``dashboard/commands``."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands import (
    archive,
    backup,
    boxes,
    card,
    clocks,
    compare,
    demo,
    derive,
    estimate,
    export,
    feed,
    figures,
    ingest,
    life,
    notices,
    pages,
    part,
    people,
    record,
    record_parts,
    record_production,
    repair,
    report,
    shift,
    signals,
    yard,
)

app = typer.Typer(
    name="gritbook",
    help="Real blast hours, pinch cycles, pressure drops and upkeep from a sensor box on a pot.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

_START, _RUN, _ENTER, _ASK = "Set up", "Run", "Enter", "Ask"

app.command("demo", rich_help_panel=_START)(demo.demo)
app.command("init", rich_help_panel=_START)(yard.init)
app.command("check", rich_help_panel=_START)(yard.check)

app.command("ingest", rich_help_panel=_RUN)(ingest.ingest)
app.command("derive", rich_help_panel=_RUN)(derive.derive)
app.command("repair", rich_help_panel=_RUN)(repair.repair)
app.command("archive", rich_help_panel=_RUN)(archive.archive)
app.command("backup", rich_help_panel=_RUN)(backup.backup)
app.command("restore", rich_help_panel=_RUN)(backup.restore)
app.command("pages", rich_help_panel=_RUN)(pages.pages)
app.add_typer(people.app, name="people", rich_help_panel=_RUN)
app.command("notify", rich_help_panel=_RUN)(notices.notify)
app.command(
    "feed",
    rich_help_panel=_RUN,
    add_help_option=False,
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
)(feed.feed)

# Its commands are added to those of `record`.
assert record_production.app is record_parts.app is record.app
app.add_typer(record.app, name="record", rich_help_panel=_ENTER)
app.command("import", rich_help_panel=_ENTER)(card.import_card)
app.command("quarantine", rich_help_panel=_ENTER)(ingest.quarantine)

app.add_typer(notices.app, name="notices", rich_help_panel=_ASK)
app.command("shift", rich_help_panel=_ASK)(shift.shift)
app.command("cycles", rich_help_panel=_ASK)(figures.cycles)
app.command("hours", rich_help_panel=_ASK)(figures.hours)
app.command("upkeep", rich_help_panel=_ASK)(figures.upkeep)
app.command("part", rich_help_panel=_ASK)(part.part)
app.command("life", rich_help_panel=_ASK)(life.life)
app.command("boxes", rich_help_panel=_ASK)(boxes.boxes)
app.command("signals", rich_help_panel=_ASK)(signals.signals)
app.command("clocks", rich_help_panel=_ASK)(clocks.clocks)
app.command("condition", rich_help_panel=_ASK)(figures.condition)
app.command("readings", rich_help_panel=_ASK)(figures.readings)
app.command("jobs", rich_help_panel=_ASK)(export.jobs)
app.command("stock", rich_help_panel=_ASK)(export.stock)
app.command("compare", rich_help_panel=_ASK)(compare.compare)
app.command("estimate", rich_help_panel=_ASK)(estimate.estimate)
app.add_typer(report.app, name="report", rich_help_panel=_ASK)
app.command("export", rich_help_panel=_ASK)(export.export)
app.command("dictionary", rich_help_panel=_ASK)(export.dictionary)


@app.callback()
def before(
    read_in: Annotated[
        str,
        typer.Option(
            "--units",
            envvar="GRITBOOK_UNITS",
            help="What tables and sentences are read in: metric or inch-pound. JSON, CSV and "
            "Parquet stay in SI.",
        ),
    ] = "metric",
) -> None:
    """Real blast hours, pinch cycles, pressure drops and upkeep from a sensor box on a pot."""
    from dashboard import units

    chosen = units.named(read_in)
    if chosen is None:
        raise typer.BadParameter(f"{read_in!r} is not known: {' or '.join(units.CHOICES)}.")
    units.set_for_process(chosen)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
