"""`gritbook part`: what each part did, and its record to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, OutOption, PotOption, emit, known_pots

if TYPE_CHECKING:
    import polars as pl

    from dashboard.reports.part_record import Told
    from ingest.config import Yard


def part(
    tag: Annotated[
        str, typer.Argument(help="Tag of a part, for its record; by default all parts.")
    ] = "",
    kind: Annotated[
        str, typer.Option("--part", help="Only this kind of part, such as pinch_hose.")
    ] = "",
    record: Annotated[
        Path | None,
        typer.Option(
            "--record",
            help="Write the record to print here, as HTML, or as PDF where its name says so: of "
            "the part, or with --pot of the pot.",
            show_default=False,
        ),
    ] = None,
    photos: Annotated[
        bool, typer.Option("--photos", help="Put the photos themselves into the record.")
    ] = False,
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Parts: hours, cycles and days of each, with low and high, wherever it was; and its record."""
    with sentences():
        from analytics.pipeline import utc_now
        from dashboard.reports.part_record import known, known_kind, record_of
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        pots = known_pots(loaded, pot)
        known_kind(kind)
        folder = data_folder(data)
        with read_window(folder) as con:
            told = record_of(con, loaded, utc_now(), pots if pot else None, tag, kind)
        known(told, tag, kind, pot)
        if record is not None:
            _write(record, told, loaded, folder if photos else None)
            return
        _print(told, form, out, loaded, one=bool(tag))


def _write(path: Path, told: Told, yard: Yard, with_photos: Path | None) -> None:
    from analytics.pipeline import utc_now
    from dashboard.reports import writing
    from dashboard.reports.part_record import compose

    photo = writing.photos_of(with_photos) if with_photos else None
    kind = "pdf" if path.suffix.lower() == ".pdf" else "html"
    writing.write(writing.made(compose(told, yard, utc_now(), photo), kind), path)
    typer.echo(f"Wrote {path}: {len(told.entries)} entries, seal {told.seal}.")


def _print(told: Told, form: Format, out: Path | None, yard: Yard, one: bool) -> None:
    import polars as pl

    from ingest.parts import BEFORE_TOUCHING, PART_WORDS, caution_of

    lives = _in_seconds(told.lives)
    if form is not Format.table:
        emit(told.checks if one else lives, form, out, yard)
        return
    shown = lives.with_columns(
        pl.col("part").replace(PART_WORDS),
        *((pl.col(f"{name}_s") / 3600).alias(f"{name}_h")
          for name in ("blast", "blast_low", "blast_high")),
        pl.when("is_on").then(pl.lit("on")).otherwise(pl.col("ended_by")).alias("now"),
    )  # fmt: skip
    kinds = told.lives["part"].unique()
    caution = caution_of(kinds[0]) if kinds.len() == 1 else BEFORE_TOUCHING
    emit(
        shown, form, out, yard, title="Parts", note=caution,
        people={
            "part": "part", "tag": "tag", "pot": "pot", "position": "at", "now": "now",
            "first_at": "first on", "blast_h": "blast h", "blast_low_h": "low",
            "blast_high_h": "high", "cycles": "pinches", "days": "days",
        },
    )  # fmt: skip
    if not one or told.checks.is_empty():
        return
    from dashboard.upkeep_words import measured_words

    rows = told.checks.with_columns(
        pl.struct("quantity", "value", "unit", "measurement")
        .map_elements(measured_words, return_dtype=pl.String)
        .alias("measured"),
        (pl.col("life_s") / 3600).alias("life_h"),
    )
    emit(
        rows, form, out, yard, title="Checks",
        people={
            "at": "when", "pot": "pot", "result": "result", "measured": "measured", "by": "by",
            "life_h": "blast h by then", "life_cycles": "pinches", "note": "note",
        },
    )  # fmt: skip


def _in_seconds(lives: pl.DataFrame) -> pl.DataFrame:
    """Lives with their microseconds as seconds, as programs get every duration."""
    import polars as pl

    names = [name[:-3] for name in lives.columns if name.endswith("_us")]
    return lives.with_columns(
        (pl.col(f"{name}_us") / 1e6).alias(f"{name}_s") for name in names
    ).drop([f"{name}_us" for name in names])
