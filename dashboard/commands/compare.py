"""`gritbook compare`: crews, jobs, pots, nozzles and abrasives, as they did and under like
conditions."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, FromOption, OutOption, ToOption, emit

if TYPE_CHECKING:
    import polars as pl

    from analytics.compare import Comparison
    from ingest.config import Yard


#: Shifts that do not count, printed for people.
_LEFT_OUT_SHOWN = 30
#: Pairs that cannot be told apart, printed for people.
_PAIRS_SHOWN = 6


class By(StrEnum):
    """What is compared."""

    crew = "crew"
    job = "job"
    pot = "pot"
    nozzle = "nozzle"
    abrasive = "abrasive"

    @property
    def column(self) -> str:
        """The column of the shift rows that it stands for."""
        return "bore_m" if self is By.nozzle else self.value


class Rate(StrEnum):
    """The rate that is compared."""

    area_blast = "area-per-blast-hour"
    area_paid = "area-per-paid-hour"
    abrasive = "abrasive-per-area"
    air = "air-per-area"
    cost = "cost-per-area"

    @property
    def measure(self) -> str:
        """Its key in :data:`analytics.shift_rows.MEASURES`."""
        return {
            Rate.area_blast: "area_m2_blast_h",
            Rate.area_paid: "area_m2_paid_h",
            Rate.abrasive: "abrasive_kg_m2",
            Rate.air: "air_kg_m2",
            Rate.cost: "cost_m2",
        }[self]


class Part(StrEnum):
    """Which of its frames a program gets."""

    groups = "groups"
    pairs = "pairs"
    left_out = "left-out"
    unusual = "unusual"


def compare(
    by: Annotated[By, typer.Option("--by", help="What to compare.")] = By.crew,
    rate: Annotated[Rate, typer.Option("--rate", help="By which rate.")] = Rate.area_blast,
    from_: FromOption = None,
    to: ToOption = None,
    part: Annotated[
        Part, typer.Option("--part", help="What programs get: --format json, csv or parquet.")
    ] = Part.groups,
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Compare crews, jobs, pots, nozzles or abrasives: sums, and under like conditions.

    Crews of one person are not shown. Shifts that do not count are listed, with the reason.
    """
    with sentences():
        from analytics.compare import compare as compared
        from analytics.exports import between
        from analytics.part_rows import shift_rows
        from analytics.pipeline import utc_now
        from analytics.shift_rows import MEASURES
        from dashboard.commands.output import window
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        from_at, to_at = window(loaded, from_, to)
        with read_window(data_folder(data)) as con:
            rows = shift_rows(con, loaded, utc_now())
        rows = between(rows, "from_at", from_at, to_at)
        found = compared(rows, MEASURES[rate.measure], by.column)
        if form is not Format.table:
            frames = {
                Part.groups: found.groups, Part.pairs: found.pairs,
                Part.left_out: found.left_out, Part.unusual: found.unusual,
            }  # fmt: skip
            emit(frames[part], form, out, loaded)
            return
        _print(found, loaded, out)


def _print(found: Comparison, yard: Yard, out: object) -> None:
    import polars as pl

    from dashboard import compare_words as told

    if out is not None:
        raise typer.BadParameter("--out goes with --format json, csv or parquet.")
    rows = found.groups.to_dicts()
    shown = pl.DataFrame(
        [
            (
                row["group"], told.counted_of(row), told.rate(row["rate"]),
                told.between(row["rate_low"], row["rate_high"]), told.rate(row["adjusted"]),
                told.between(row["adjusted_low"], row["adjusted_high"]), told.effect(row),
            )
            for row in rows
        ],
        schema=[
            found.by, "shifts that count", "done", "90 % range", "adjusted", "range of it",
            "against the middle",
        ],
        orient="row",
    )  # fmt: skip
    _table(shown, yard, told.measure_title(found.measure.name))
    apart, alike = (found.pairs.filter(pl.col("different") == told_apart)["sentence"]
                    for told_apart in (True, False))  # fmt: skip
    lines = [told.adjusted_for(found), *found.sentences, *apart, *alike.head(_PAIRS_SHOWN)]
    if alike.len() > _PAIRS_SHOWN:
        more = alike.len() - _PAIRS_SHOWN
        lines.append(f"and {more} more that cannot be told apart; --part pairs lists all.")
    typer.echo("\n".join(line for line in lines if line))
    if found.unusual.height:
        typer.echo("Far from what the others lead to expect; look at their entries:")
    for row in found.unusual.to_dicts():
        typer.echo(
            f"  {row['shift']}, {row['pot']}, {row['group']}: {told.rate(row['rate'])}, "
            f"{told.rate(row['times_expected'])} times what is expected"
        )
    if found.left_out.is_empty():
        return
    more = found.left_out.height - _LEFT_OUT_SHOWN
    typer.echo(f"Shifts that do not count ({found.left_out.height}):")
    for row in found.left_out.head(_LEFT_OUT_SHOWN).to_dicts():
        group = f", {row['group']}" if row["group"] else ""
        typer.echo(f"  {row['shift']}, {row['pot']}{group}: {told.reason(row['reason'])}")
    if more > 0:
        typer.echo(f"  and {more} more; --part left-out --format csv lists all.")


def _table(frame: pl.DataFrame, yard: Yard, title: str) -> None:
    emit(frame, Format.table, None, yard, title=title)
