"""Cells of a card file, which are text, as typed rows; one that cannot be read has its reason."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING

from ingest.sources.card_columns import Column, plain, series_column
from ingest.sources.card_form import Form, Options, gauge
from ingest.wire.reasons import TIME_AHEAD

if TYPE_CHECKING:
    import polars as pl

_EMPTY = ("", "nan", "na", "n/a", "null", "none", "-")
_SWITCH = {
    "1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0, "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0,
    "open": 1.0, "shut": 0.0, "closed": 0.0,
}  # fmt: skip

#: Instants outside are a box's clock that was not set. [us since 1970 UTC]
EARLIEST_US = int(dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp()) * 1_000_000

NO_TIME = "the row has no time"
NOT_TIME = "the time is not a time"
NOT_INSTANT = "the local time is not one instant"
TOO_EARLY = "the time is before 2000"
TOO_LATE = TIME_AHEAD
CELLS = "the row has too many or too few cells"
NOT_NUMBER = "a value is not a number"
NOT_FINITE = "a value is not finite"
NO_SWITCH = "a switch is neither on nor off"
NO_COUNT = "the message counter is not a whole number"
NO_SERIES = "the channel or its unit cannot be taken"
NO_VALUE = "the row has no value"


def typed_wide(
    form: Form, cells: pl.DataFrame, options: Options
) -> tuple[tuple[Column, ...], pl.DataFrame]:
    """The columns of a wide file, and its rows as a slice has them.

    Parameters
    ----------
    form : Form
        What the file is.
    cells : polars.DataFrame
        ``line``, ``raw``, ``cells_ok``, and ``h0``… the cells as text, one a heading.
    options : Options
        How to read it.
    """
    import polars as pl

    cells = _with_instant(cells, form, options)
    indices = [index for index in range(len(form.headings)) if index != form.time]
    pairs = list(zip(indices, form.columns, strict=True))
    # Read first, judge afterwards: what is used in several expressions is worked out once.
    cells = cells.with_columns(
        *(_empty(pl.col(f"h{index}")).alias(f"e{index}") for index in indices)
    ).with_columns(
        *(
            _switch(f"h{index}").alias(f"n{index}")
            if column.channel == "deadman"
            else _number(f"h{index}", f"e{index}", form).alias(f"n{index}")
            for index, column in pairs
        )
    )
    values: list[pl.Expr] = []
    broken: list[tuple[pl.Expr, str]] = []
    for number, (index, column) in enumerate(pairs):
        value, text, faults = _value(f"h{index}", f"n{index}", f"e{index}", column)
        values.append(value.alias(f"c{number}"))
        if not column.known:
            values.append(text.alias(f"t{number}"))
        broken += faults
    reason = _first_reason([(~pl.col("cells_ok"), CELLS), *_time_faults(options), *broken])
    frame = cells.select("line", "sampled_at", reason.alias("reason"), "raw", *values)
    return form.columns, _raw_only_of_bad(frame)


def typed_long(
    form: Form, cells: pl.DataFrame, options: Options
) -> tuple[tuple[Column, ...], pl.DataFrame]:
    """The channels that a long file names in these rows, and its rows as a slice has them.

    The parameters are those of :func:`typed_wide`.
    """
    import polars as pl

    names = [plain(heading) for heading in form.headings]
    channel = pl.col(f"h{names.index('channel')}")
    unit = pl.col(f"h{names.index('unit')}") if "unit" in names else pl.lit(None, pl.String)
    keyed = _with_instant(cells, form, options).with_columns(
        channel.fill_null("").alias("channel"),
        unit.alias("unit"),
        pl.col(f"h{names.index('value')}").alias("cell"),
    )
    keyed = keyed.with_columns(_empty(pl.col("cell")).alias("empty")).with_columns(
        _number("cell", "empty", form).alias("number"), _switch("cell").alias("switch")
    )
    columns: list[Column] = []
    numbers: dict[tuple[str, str | None], int] = {}
    for pair in keyed.select("channel", "unit").unique(maintain_order=True).iter_rows():
        try:
            column = gauge(series_column(*pair), options)
        except ValueError:
            continue  # its rows get no series, and are refused for that
        known = [n for n, c in enumerate(columns) if c[1:] == column[1:]]
        numbers[pair] = known[0] if known else len(columns)
        if not known:
            columns.append(column)
    keys = pl.DataFrame(
        {
            "channel": [pair[0] for pair in numbers],
            "unit": pl.Series([pair[1] for pair in numbers], dtype=pl.String),
            "series": pl.Series(list(numbers.values()), dtype=pl.Int64),
        },
        schema_overrides={"channel": pl.String},
    )
    keyed = keyed.join(
        keys, on=["channel", "unit"], how="left", nulls_equal=True, maintain_order="left"
    )
    typed_value = pl.lit(None, pl.Float64)
    typed_text = pl.lit(None, pl.String)
    faults: list[tuple[pl.Expr, str]] = []
    for number, column in enumerate(columns):
        here = pl.col("series") == number
        read = "switch" if column.channel == "deadman" else "number"
        one, text, broken = _value("cell", read, "empty", column)
        typed_value = pl.when(here).then(one).otherwise(typed_value)
        typed_text = pl.when(here).then(text).otherwise(typed_text)
        faults += [(here & fault, reason) for fault, reason in broken]
    reason = _first_reason(
        [
            (~pl.col("cells_ok"), CELLS),
            *_time_faults(options),
            (pl.col("series").is_null(), NO_SERIES),
            (pl.col("empty"), NO_VALUE),
            *faults,
        ]
    )
    frame = keyed.select(
        "line", "sampled_at", reason.alias("reason"), "raw", "series",
        typed_value.alias("value"), typed_text.alias("text"),
    )  # fmt: skip
    return tuple(columns), _raw_only_of_bad(frame)


def _empty(cell: pl.Expr) -> pl.Expr:
    return cell.is_null() | cell.str.to_lowercase().is_in(_EMPTY)


def _switch(cell: str) -> pl.Expr:
    import polars as pl

    return (
        pl.col(cell).str.to_lowercase().replace_strict(_SWITCH, default=None,
                                                       return_dtype=pl.Float64)
    )  # fmt: skip


def _number(cell: str, empty: str, form: Form) -> pl.Expr:
    import polars as pl

    text = pl.col(cell)
    if form.separator == ";":
        text = text.str.replace(",", ".", literal=True)
    return pl.when(~pl.col(empty)).then(text.cast(pl.Float64, strict=False))


def _value(
    cell_name: str, number_name: str, empty_name: str, column: Column
) -> tuple[pl.Expr, pl.Expr, list[tuple[pl.Expr, str]]]:
    """Value in the kept unit, text, and what may be wrong with it."""
    import polars as pl

    number, filled = pl.col(number_name), ~pl.col(empty_name)
    no_text = pl.lit(None, pl.String)
    if column.channel == "deadman":
        return number, no_text, [(filled & number.is_null(), NO_SWITCH)]
    value = number * column.factor + column.offset
    if not column.known:
        # What is not a number is kept as text.
        is_text = filled & (number.is_null() | ~number.is_finite())
        return pl.when(number.is_finite()).then(value), pl.when(is_text).then(cell_name), []
    faults = [
        (filled & number.is_null(), NOT_NUMBER),
        (filled & ~number.is_finite(), NOT_FINITE),
    ]
    if column.channel == "seq":
        faults.append((number != number.floor(), NO_COUNT))
    return value, no_text, faults


def _with_instant(cells: pl.DataFrame, form: Form, options: Options) -> pl.DataFrame:
    """Add ``sampled_at``, UTC without a zone, and ``no_time`` and ``not_one`` to say what is wrong.

    Each way to write a time is tried only on what the ways before it could not read.
    """
    import polars as pl

    written = cells[f"h{form.time}"].str.replace(" ", "T", literal=True).str.to_uppercase()
    zoned = _parsed(written, "%Y-%m-%dT%H:%M:%S%.f%#z")
    if zoned.null_count() < len(zoned):
        zoned = zoned.dt.convert_time_zone("UTC")
    instant = zoned.dt.replace_time_zone(None)
    not_one = pl.repeat(False, len(instant), eager=True)
    if instant.null_count():
        naive = _parsed(written, "%Y-%m-%dT%H:%M:%S%.f")
        naive = naive.zip_with(naive.is_not_null(), _parsed(written, "%Y-%m-%dT%H:%M"))
        placed = naive
        naive_utc = options.naive_utc if options.naive_utc is not None else form.kind == "parquet"
        if not naive_utc:
            placed = (
                naive.dt.replace_time_zone(options.zone.key, ambiguous="null", non_existent="null")
                .dt.convert_time_zone("UTC")
                .dt.replace_time_zone(None)
            )
        not_one = instant.is_null() & naive.is_not_null() & placed.is_null()
        instant = instant.zip_with(instant.is_not_null(), placed)
    if (instant.is_null() & ~not_one).any():
        instant = instant.zip_with(instant.is_not_null(), _unix(written, form))
    return cells.with_columns(
        instant.alias("sampled_at"),
        not_one.alias("not_one"),
        (written.is_null() | (written == "")).alias("no_time"),
    )


def _parsed(written: pl.Series, form: str) -> pl.Series:
    return written.str.to_datetime(form, time_unit="us", strict=False)


def _unix(written: pl.Series, form: Form) -> pl.Series:
    """UNIX seconds, milliseconds or microseconds, told by their size.

    Seconds reach 1e11 in the year 5138, and milliseconds were there in 1973.
    """
    import polars as pl

    text = written.str.replace(",", ".", literal=True) if form.separator == ";" else written
    number = text.cast(pl.Float64, strict=False)
    whole = text.cast(pl.Int64, strict=False)
    factor = (
        pl.when(pl.col("number").abs() < 1e11).then(1_000_000)
        .when(pl.col("number").abs() < 1e14).then(1_000).otherwise(1)
    )  # fmt: skip
    fraction_us = pl.when(pl.col("number").is_finite()).then((pl.col("number") * factor).round())
    return pl.DataFrame({"number": number, "whole": whole}).select(
        pl.coalesce(pl.col("whole") * factor, fraction_us.cast(pl.Int64, strict=False))
        .cast(pl.Datetime("us"))
        .alias("unix")
    )["unix"]


def _time_faults(options: Options) -> list[tuple[pl.Expr, str]]:
    import polars as pl

    instant_us = pl.col("sampled_at").to_physical()
    return [
        (pl.col("no_time"), NO_TIME),
        (pl.col("not_one"), NOT_INSTANT),
        (pl.col("sampled_at").is_null(), NOT_TIME),
        (instant_us < EARLIEST_US, TOO_EARLY),
        (instant_us > options.latest_us, TOO_LATE),
    ]


def _first_reason(faults: Sequence[tuple[pl.Expr, str]]) -> pl.Expr:
    import polars as pl

    return pl.coalesce(
        *(pl.when(fault).then(pl.lit(reason)) for fault, reason in faults),
        pl.lit(None, pl.String),
    )


def _raw_only_of_bad(frame: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    return frame.with_columns(pl.when(pl.col("reason").is_not_null()).then("raw").alias("raw"))
