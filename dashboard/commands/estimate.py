"""`gritbook estimate`: what a new job will take, from the yard's own history."""

from __future__ import annotations

from typing import Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, OutOption, emit


def estimate(
    area: Annotated[float, typer.Option("--area", min=0.1, help="To be blasted. [m2]")],
    prep: Annotated[str, typer.Option("--prep", help="Preparation grade, such as 'Sa 2.5'.")],
    rust: Annotated[str, typer.Option("--rust", help="Rust grade: A to D, or coated.")] = "",
    access: Annotated[
        str, typer.Option("--access", help="ground, lift, scaffold, rope or confined.")
    ] = "",
    crew: Annotated[str, typer.Option("--crew", help="Who will do it; else any crew.")] = "",
    people: Annotated[
        float, typer.Option("--people", min=1.0, help="On the job at once, all together.")
    ] = 2.0,
    nozzles: Annotated[int, typer.Option("--nozzles", min=1, help="Open at once.")] = 1,
    bore: Annotated[
        float, typer.Option("--bore-mm", min=3.0, max=30.0, help="Of the nozzles. [mm]")
    ] = 9.5,
    pressure: Annotated[
        float | None,
        typer.Option(
            "--pressure-kpa",
            min=100.0,
            max=2000.0,
            show_default=False,
            help="At the nozzle, gauge [kPa]; else as usual in this yard.",
        ),
    ] = None,
    air: Annotated[
        float | None,
        typer.Option(
            "--air-m3-min",
            min=0.1,
            show_default=False,
            help="What the compressor gives as free air, 20 °C and 101.325 kPa. [m3/min]",
        ),
    ] = None,
    wage: Annotated[
        float | None,
        typer.Option("--wage", help="An hour of one person; else as entered.", show_default=False),
    ] = None,
    abrasive_price: Annotated[
        float | None,
        typer.Option("--abrasive-price", help="A kilogram; else as entered.", show_default=False),
    ] = None,
    machine_price: Annotated[
        float | None,
        typer.Option(
            "--machine-price",
            show_default=False,
            help="An hour of compressor, fuel and pots together.",
        ),
    ] = None,
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Estimate a new job: hours, abrasive, air, money, and whether the compressor feeds it.

    From the yard's own history; where that is not enough it says so, and shows common practice.
    """  # fmt: skip
    with sentences():
        import polars as pl

        from analytics import entry_frames
        from analytics.estimate import Prices, known_prices
        from analytics.estimate import estimate as estimated
        from analytics.job_draws import NewJob
        from analytics.part_rows import shift_rows
        from analytics.pipeline import utc_now
        from dashboard import compare_words as told
        from ingest.config import load_yard
        from ingest.production_bodies import (
            ACCESS_WORDS,
            prep_grade_as_kept,
            rust_grade_as_kept,
        )
        from ingest.store.connection import read_window

        if access and access not in ACCESS_WORDS:
            raise typer.BadParameter(f"--access: expected one of {', '.join(ACCESS_WORDS)}.")
        try:
            grade, surface = str(prep_grade_as_kept(prep)), str(rust_grade_as_kept(rust))
        except ValueError as error:
            raise typer.BadParameter(f"--prep or --rust: {error}.") from error
        loaded = load_yard(yard_path(yard, data))
        now = utc_now()
        with read_window(data_folder(data)) as con:
            rows = shift_rows(con, loaded, now)
            known = known_prices(
                rows, entry_frames.prices(con), entry_frames.abrasive_kinds(con), now, crew
            )
        job = NewJob(
            area, grade, surface, access, bore / 1e3, nozzles, people,
            None if pressure is None else pressure * 1e3, crew, None if air is None else air / 60.0,
        )  # fmt: skip
        prices = Prices(
            known.person_h if wage is None else wage,
            known.abrasive_kg if abrasive_price is None else abrasive_price,
            machine_price,
        )
        found = estimated(rows, job, prices)
        if form is not Format.table:
            emit(found.lines, form, out, loaded)
            return
        if out is not None:
            raise typer.BadParameter("--out goes with --format json, csv or parquet.")
        shown = [
            (
                told.LINE_WORDS[row["what"]],
                *(told.estimate_value(row, which) for which in ("low", "middle", "high")),
                told.estimate_unit(row, loaded),
                told.RESTS_ON_WORDS[row["rests_on"]],
            )
            for row in found.lines.to_dicts()
        ]
        emit(
            pl.DataFrame(
                shown, schema=["what", "low", "middle", "high", "unit", "rests on"], orient="row"
            ),
            form, None, loaded, title=f"{area:g} m² to {grade}",
        )  # fmt: skip
        lines = [told.history(found)] if found.has_history else []
        lines += found.sentences
        if found.has_history and found.practice.height:
            blast = found.practice.row(0, named=True)
            lines.append(
                f"Common practice, not this yard, would say {told.estimate_value(blast, 'low')} to "
                f"{told.estimate_value(blast, 'high')} blast hours."
            )
        lines += [f"Compressor: {found.feed.sentence}", told.ESTIMATE_CAUTION]
        typer.echo("\n".join(lines))
