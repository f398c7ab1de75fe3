"""The command that tells how long parts last."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, OutOption, emit

if TYPE_CHECKING:
    import polars as pl

    from analytics.lifetimes import Learned


def life(
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
    parts: Annotated[
        bool, typer.Option("--parts", help="Each part's own life, as the records tell it.")
    ] = False,
) -> None:
    """Life: how long parts last, from checks, and what a shorter interval would find."""
    with sentences():
        from analytics.upkeep_ahead import lives_learned
        from dashboard import words_ahead
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        with read_window(data_folder(data)) as con:
            known, learned = lives_learned(con, loaded)
        if parts:
            emit(
                known, form, out, loaded, title="Lives of parts",
                people={
                    "part": "part", "position": "place", "pot": "pot", "tag": "tag",
                    "fitted_at": "fitted", "ending": "found", "good_blast_h": "good at h",
                    "worn_blast_h": "worn at h", "good_cycles": "good at pinches",
                    "worn_cycles": "worn at pinches",
                },
            )  # fmt: skip
            return
        if form is Format.table:
            told = _sentences(learned)
            emit(
                told, form, out, loaded, title="How long parts last", note=words_ahead.LIFE_MEANS,
                people={"part": "part", "told": "what the records tell"},
            )  # fmt: skip
            return
        emit(life_rows(learned), form, out, loaded)


def _sentences(learned: list[Learned]) -> pl.DataFrame:
    import polars as pl

    from analytics.weibull_life import WeibullLife
    from dashboard import words_ahead

    rows = [
        (words_ahead.life_title(one), " ".join(words_ahead.life_sentences(one)))
        for one in learned
        if isinstance(one.life, WeibullLife)
    ]
    rows += words_ahead.too_few(learned)
    return pl.DataFrame(rows, schema={"part": pl.String, "told": pl.String}, orient="row")


def life_rows(learned: list[Learned]) -> pl.DataFrame:
    """What was learned as a flat table: a row an interval looked at, or one where nothing is said.

    Parameters
    ----------
    learned : list of Learned
        From :func:`analytics.upkeep_ahead.lives_learned`.

    Returns
    -------
    polars.DataFrame
        ``part, position, axis, known, worn, too_few`` (why nothing is said), ``beta``, ``eta``
        with their intervals, ``propose``, and ``analytics.lifetimes.CHECK_SCHEMA``. Uses are in
        the axis: blast hours, or cycles.
    """
    import polars as pl

    from analytics.lifetimes import CHECK_SCHEMA
    from analytics.weibull_life import WeibullLife

    rows: list[dict[str, Any]] = []
    for one in learned:
        row: dict[str, Any] = {
            "part": one.part, "position": one.position, "axis": one.axis,
            "known": one.life.lives, "worn": one.life.worn,
        }  # fmt: skip
        if not isinstance(one.life, WeibullLife):
            rows.append(row | {"too_few": one.life.reason})
            continue
        for name, values in (("beta", one.life.shape()), ("eta", one.life.scale())):
            row |= dict(zip((name, f"{name}_low", f"{name}_high"), values, strict=True))
        row["propose"] = one.propose
        checks = one.checks.iter_rows(named=True) if one.checks is not None else iter(({},))
        rows += [row | check for check in checks]
    schema = {
        "part": pl.String, "position": pl.String, "axis": pl.String, "known": pl.Int64,
        "worn": pl.Int64, "too_few": pl.String, "beta": pl.Float64, "beta_low": pl.Float64,
        "beta_high": pl.Float64, "eta": pl.Float64, "eta_low": pl.Float64, "eta_high": pl.Float64,
        "propose": pl.Float64, **CHECK_SCHEMA,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")
