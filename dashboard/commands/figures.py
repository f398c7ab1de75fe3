"""Commands that print figures: shift, cycles, hours, upkeep, condition, readings."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import (
    Format,
    FormatOption,
    FromOption,
    OutOption,
    PotOption,
    ToOption,
    emit,
    known_pots,
    window,
)

if TYPE_CHECKING:
    import datetime as dt

    import duckdb
    import polars as pl

    from ingest.config import Yard

_INTERVAL_NOTE = (
    "low counts missing data as off, high as on; the figure itself is what the data support."
)


class By(StrEnum):
    """Windows that `hours` adds up in."""

    day = "day"
    week = "week"
    month = "month"
    all = "all"


class Asked(NamedTuple):
    """What a command was asked: the yard, the pots, and the window (naive UTC; None: open)."""

    yard: Yard
    pots: list[str]
    from_at: dt.datetime | None
    to_at: dt.datetime | None


def _asked(
    data: Path | None, yard: Path | None, pot: str | None, from_: str | None, to: str | None
) -> Asked:
    from ingest.config import load_yard

    loaded = load_yard(yard_path(yard, data))
    return Asked(loaded, known_pots(loaded, pot), *window(loaded, from_, to))


def _of_each_pot(
    data: Path | None,
    pots: list[str],
    read: Callable[[duckdb.DuckDBPyConnection, int], pl.DataFrame],
) -> pl.DataFrame:
    """What is read of each pot, one below the other, with the pot's name in front."""
    import polars as pl

    from analytics import frames
    from ingest.store.connection import read_window

    with read_window(data_folder(data)) as con:
        numbers = frames.pots(con)
        pieces = [
            read(con, numbers[name]).select(pl.lit(name).alias("pot"), pl.all())
            for name in pots
            if name in numbers
        ]
    return pl.concat(pieces) if pieces else pl.DataFrame()


def _in_hours(frame: pl.DataFrame) -> pl.DataFrame:
    """Durations a person reads in hours, beside the seconds that programs get."""
    import polars as pl

    return frame.with_columns(
        (pl.col(name) / 3600.0).alias(f"{name[:-2]}_h")
        for name in frame.columns
        if name.endswith("_s")
    )


def shift(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Shifts: blast hours, pinch cycles, pressures, abrasive and area."""
    with sentences():
        from analytics import frames
        from ingest.store.connection import read_window

        asked = _asked(data, yard, pot, from_, to)
        with read_window(data_folder(data)) as con:
            frame = frames.shift_summaries(con, asked.from_at, asked.to_at, pot)
        if form is Format.table:
            frame = _in_hours(frame)
        emit(
            frame, form, out, asked.yard, title="Shifts", note=_INTERVAL_NOTE,
            people={
                "shift": "shift", "pot": "pot", "blast_h": "blast h", "blast_low_h": "low",
                "blast_high_h": "high", "cycles": "pinches", "no_data_h": "no data h",
                "nozzle_pa": "nozzle", "drop_supply_pot_pa": "manifold–pot",
                "drop_pot_nozzle_pa": "pot–nozzle", "area_m2": "m²",
                "abrasive_kg_m2": "kg/m²", "area_m2_blast_h": "m²/blast h",
            },
        )  # fmt: skip


def cycles(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Cycles: each dead-man opening, its times and pressures."""
    with sentences():
        from analytics import frames

        asked = _asked(data, yard, pot, from_, to)
        frame = _of_each_pot(
            data, asked.pots, lambda con, n: frames.cycles(con, n, asked.from_at, asked.to_at)
        )
        emit(
            frame, form, out, asked.yard, title="Cycles",
            people={
                "pot": "pot", "pressed_at": "pressed", "began_by": "by", "ended_by": "ended by",
                "deadman_s": "dead-man s", "blast_s": "blast s", "pressurise_s": "to 90 % s",
                "exhaust_s": "exhaust s", "pot_pa": "pot", "drop_supply_pot_pa": "manifold–pot",
                "drop_pot_nozzle_pa": "pot–nozzle", "confirmed": "pot answered",
            } if frame.width else None,
        )  # fmt: skip


def hours(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    by: Annotated[By, typer.Option("--by", help="Add up by.")] = By.day,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Hours: blast-on, dead-man and pinched time with low and high, by day, week or month."""
    with sentences():
        import polars as pl

        from analytics import figures, frames
        from analytics.pipeline import utc_now
        from ingest.store.connection import read_window

        asked = _asked(data, yard, pot, from_, to)
        with read_window(data_folder(data)) as con:
            heard = [at for pair in frames.heard_extents(con).values() for at in pair if at]
            first = asked.from_at or (min(heard) if heard else None)
            last = asked.to_at or (max(heard) if heard else None)
            if first is None or last is None or first >= last:
                frame = pl.DataFrame()
            else:
                edges = figures.day_edges(first, last, asked.yard, by.value)
                frame = figures.hours_between(con, asked.yard, asked.pots, edges, utc_now())
        if form is Format.table and frame.height:
            frame = _in_hours(frame)
        emit(
            frame, form, out, asked.yard, title=f"Hours by {by.value}",
            note=_INTERVAL_NOTE + " No data includes the time that a box was switched off.",
            people={
                "pot": "pot", "from_at": "from", "to_at": "to", "blast_h": "blast h",
                "blast_low_h": "low", "blast_high_h": "high", "deadman_h": "dead-man h",
                "pinched_h": "pinched h", "cycles": "pinches", "no_data_h": "no data h",
            } if frame.height else None,
        )  # fmt: skip


def upkeep(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
    calendar: Annotated[
        Path | None,
        typer.Option(
            "--calendar", help="Write the days as a calendar (.ics) here, and print nothing else.",
            show_default=False,
        ),
    ] = None,
) -> None:  # fmt: skip
    """Upkeep: what is due and when the rest will be, by hours and cycles that really happened."""
    with sentences():
        import polars as pl

        from analytics.pipeline import utc_now
        from analytics.upkeep_ahead import upkeep_ahead
        from dashboard import words_ahead
        from ingest.parts import part_at
        from ingest.store.connection import read_window

        asked = _asked(data, yard, pot, None, None)
        now = utc_now()
        with read_window(data_folder(data)) as con:
            frame = upkeep_ahead(con, asked.yard, now)
        frame = frame.filter(pl.col("pot").is_in(asked.pots))
        if calendar is not None:
            _write_calendar(frame, asked.yard, now, calendar)
            return
        if form is Format.table:
            units = {
                "blast_h": "blast h", "cycles": "pinches", "days": "days",
                "condition": "times a change worth a look",
            }  # fmt: skip
            # A rule by condition that sees nothing has nothing to say to people.
            frame = frame.filter((pl.col("trigger") != "condition") | (pl.col("state") != "ok"))
            frame = frame.with_columns(
                pl.Series("part", [part_at(*at) for at in frame.select("part", "position").rows()],
                          pl.String),
                pl.Series("when", map(words_ahead.when, frame.iter_rows(named=True)), pl.String),
                pl.col("trigger").replace(units),
                (pl.col("source") + pl.when("loosened").then(
                    pl.format(" (loosened by {}: {}; {})", "by", "reason", "loosened_by")
                ).otherwise(pl.lit(""))).alias("source"),
            )  # fmt: skip
        emit(
            frame, form, out, asked.yard, title="Upkeep",
            people={
                "state": "state", "pot": "pot", "part": "part", "used": "used", "limit": "of",
                "trigger": "in", "when": "limit passes", "source": "rests on",
            },
            note=(
                f"Hours are the high figure. {words_ahead.FORECAST_MEANS} Before any of this: "
                "isolate, vent, prove it is vented at the pot itself; the site's own procedure, "
                "local code and a competent person decide."
            ),
        )  # fmt: skip


def _write_calendar(frame: pl.DataFrame, yard: Yard, now: dt.datetime, path: Path) -> None:
    from dashboard.upkeep_calendar import upkeep_calendar

    written, left_out = upkeep_calendar(frame, yard, now)
    try:
        path.write_bytes(written)
    except OSError as error:
        raise typer.BadParameter(f"{path} cannot be written: {error.strerror}.") from error
    typer.echo(f"Wrote {written.count(b'BEGIN:VEVENT')} checks to {path}.")
    if left_out:
        typer.echo(f"{left_out} have no day yet; `gritbook upkeep` says why.")


def condition(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Condition: what the signals suggest to look at; for programs, each cycle's figures."""
    with sentences():
        import polars as pl

        from analytics import condition_frames, figures

        asked = _asked(data, yard, pot, from_, to)
        if form is not Format.table:
            frame = _of_each_pot(
                data,
                asked.pots,
                lambda con, n: condition_frames.conditions(con, n, asked.from_at, asked.to_at),
            )
            emit(frame, form, out, asked.yard)
            return
        from dashboard.spoken import page_units
        from ingest.store.connection import read_window

        with read_window(data_folder(data)) as con:
            pieces = [
                figures.suggested(con, name, asked.to_at).select(
                    pl.lit(name).alias("pot"), pl.all()
                )
                for name in asked.pots
            ]
        told = pl.concat(pieces).with_columns(
            pl.col("sentence").map_elements(page_units, return_dtype=pl.String)
        )
        emit(
            told, form, out, asked.yard, title="What the signals suggest",
            people={"pot": "pot", "sentence": "seen", "check": "look at"},
            note=(
                "Suggestions, never a verdict; nothing here says that a part is fit. Before any of "
                "this: isolate, vent, prove it is vented at the pot itself; the site's own "
                "procedure, local code and a competent person decide."
            ),
        )  # fmt: skip


def readings(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
    most: Annotated[
        int, typer.Option("--most", min=1, help="Print at most so many in a table.")
    ] = 200,
) -> None:
    """Readings: every value as it was kept, not calibrated, with the message it came in."""
    with sentences():
        from analytics import frames

        asked = _asked(data, yard, pot, from_, to)
        frame = _of_each_pot(
            data, asked.pots, lambda con, n: frames.readings(con, n, asked.from_at, asked.to_at)
        )
        note = ""
        if form is Format.table and frame.height > most:
            note = f"The last {most} of {frame.height:,}; --format csv gives all."
            frame = frame.tail(most)
        emit(frame, form, out, asked.yard, title="Readings", note=note)
