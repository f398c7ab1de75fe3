"""Card files: CSV and Parquet, long or wide, as slices of typed rows.

Long is ``time,channel,value`` with an optional ``unit``; wide is ``time`` and one column a channel
with the unit in its name. Nothing is written here, and no row is dropped: one that cannot be read
comes out with its reason.

A slice's rows have the columns ``line`` (counted from 1 for the first line of a CSV, or the first
row of a Parquet file), ``sampled_at`` (UTC), ``reason`` (null: good), ``raw`` (the row as written;
null where it is good), and

- wide: ``c0``, ``c1``… the values in kept units, one a column of the form, and ``t0``… the text of
  unknown columns;
- long: ``series`` (index into the slice's columns), ``value`` and ``text``.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple
from zoneinfo import ZoneInfo

from ingest.errors import ImportRefused
from ingest.sources.card_columns import Column, column_of, plain, series_column
from ingest.sources.card_senml import is_senml, rows_of_log
from ingest.wire.reasons import TIME_AHEAD

if TYPE_CHECKING:
    import polars as pl

#: Rows of one slice, so that memory stays bounded and the store is held for short times only.
SLICE_ROWS = 2_000_000
_BLOCK_BYTES = 16 << 20

_TIME_NAMES = ("time", "timestamp", "time_utc", "datetime", "date_time", "time_s", "time_ms")
_EMPTY = ("", "nan", "na", "n/a", "null", "none", "-")
_SWITCH = {
    "1": 1.0, "0": 0.0, "1.0": 1.0, "0.0": 0.0, "true": 1.0, "false": 0.0, "on": 1.0, "off": 0.0,
    "open": 1.0, "shut": 0.0, "closed": 0.0,
}  # fmt: skip

#: Instants outside are a box's clock that was not set. [us since 1970 UTC]
EARLIEST_US = int(dt.datetime(2000, 1, 1, tzinfo=dt.UTC).timestamp()) * 1_000_000

Layout = Literal["wide", "long"]
Kind = Literal["csv", "parquet", "senml"]


class Options(NamedTuple):
    """How to read a card file.

    Parameters
    ----------
    zone : ZoneInfo
        The site's zone.
    naive_utc : bool or None
        Times without a zone are UTC (true) or the site's wall clock (false); ``None``: the wall
        clock in CSV, UTC in Parquet.
    atmosphere_pa : float or None
        What to take off absolute pressures; ``None``: they are refused. [Pa]
    latest_us : int
        Later instants are a clock that is wrong. [us since 1970 UTC]
    pot : str
        The pot the card was on; a SenML log names it itself, and must name this one.
    """

    zone: ZoneInfo
    naive_utc: bool | None
    atmosphere_pa: float | None
    latest_us: int
    pot: str = ""


class Form(NamedTuple):
    """What a card file turned out to be.

    Parameters
    ----------
    path : Path
        The file.
    kind, layout : str
        ``csv``, ``parquet`` or ``senml``; ``wide`` or ``long``.
    headings : tuple of str
        As the file has them.
    time : int
        Index of the time heading.
    columns : tuple of Column
        Of a wide file, without the time; empty for a long one, and for a SenML log, whose slices
        have their own.
    ignored : tuple of str
        Headings of a long file that say nothing about a reading.
    separator : str
        Of a CSV.
    first_line : int
        Line of the first row of a CSV.
    rows : int or None
        Known beforehand for Parquet only.
    fast : bool
        Parquet that DuckDB can read straight into the store.
    """

    path: Path
    kind: Kind
    layout: Layout
    headings: tuple[str, ...]
    time: int
    columns: tuple[Column, ...]
    ignored: tuple[str, ...]
    separator: str
    first_line: int
    rows: int | None
    fast: bool


class Slice(NamedTuple):
    """Some rows of a card file.

    Parameters
    ----------
    columns : tuple of Column
        What ``c0``… or ``series`` mean.
    rows : int
        How many there are, good and bad.
    frame : polars.DataFrame or None
        The rows; ``None`` for a fast form.
    sql : str
        For a fast form: a query that gives the rows.
    done : float
        Fraction of the file read so far.
    """

    columns: tuple[Column, ...]
    rows: int
    frame: pl.DataFrame | None
    sql: str
    done: float


def card_files(given: Sequence[Path]) -> list[Path]:
    """The files meant by files and folders; those of a folder in order of their paths.

    Raises
    ------
    ImportRefused
        One is not there, or a folder holds no file of a card.
    """
    found: list[Path] = []
    for path in given:
        if path.is_dir():
            inside = sorted(p for p in path.rglob("*") if p.suffix.lower() in _ENDINGS)
            if not inside:
                raise ImportRefused(
                    f"The folder {path} holds no CSV, Parquet or SenML file.", "Name the files."
                )
            found += inside
        elif path.is_file():
            found.append(path)
        else:
            raise ImportRefused(f"There is no file {path}.", "Look at how it is spelled.")
    return list(dict.fromkeys(found))


_ENDINGS: dict[str, Kind] = {
    ".csv": "csv", ".txt": "csv", ".tsv": "csv", ".parquet": "parquet", ".pq": "parquet",
    ".senml": "senml", ".senmlc": "senml", ".jsonl": "senml", ".cbor": "senml",
}  # fmt: skip


def inspect(path: Path, options: Options, kind: str = "auto") -> Form:
    """Find out what a card file is, from its head.

    Parameters
    ----------
    path : Path
        The file.
    options : Options
        How to read it.
    kind : str
        ``csv``, ``parquet``, ``senml``, or ``auto``: by its first bytes.

    Raises
    ------
    ImportRefused
        It cannot be read or taken as a whole: no time, no unit, absolute pressures.
    """
    try:
        with path.open("rb") as file:
            head = file.read(64)
            is_parquet = head[:4] == b"PAR1"
    except OSError as error:
        raise ImportRefused(
            f"The file {path} cannot be read: {error.strerror}.", "Check its permissions."
        ) from error
    if kind == "parquet" or (kind == "auto" and is_parquet):
        return _inspect_parquet(path, options)
    if is_parquet:
        raise ImportRefused(f"{path.name} is a Parquet file.", "Leave --format out.")
    if kind == "senml" or (kind == "auto" and is_senml(head)):
        return Form(path, "senml", "wide", (), 0, (), (), "", 1, None, False)
    return _inspect_csv(path, options)


def slices(form: Form, options: Options) -> Iterator[Slice]:
    """The rows of a card file, slice by slice.

    Raises
    ------
    ImportRefused
        The file changed or is damaged further on.
    """
    if form.fast:
        yield from _fast_slices(form, options)
        return
    if form.kind == "senml":
        for log in rows_of_log(form.path, options.pot, options.latest_us):
            yield Slice(log.columns, log.frame.height, log.frame, "", log.done)
        return
    rows = _csv_rows(form) if form.kind == "csv" else _parquet_rows(form)
    typed = _typed_wide if form.layout == "wide" else _typed_long
    for cells, done in rows:
        columns, frame = typed(form, cells, options)
        yield Slice(columns, frame.height, frame, "", done)


# --- what a file is --------------------------------------------------------------------------


def _form(
    path: Path, kind: Kind, headings: Sequence[str], options: Options, separator: str = ",",
    first_line: int = 1, rows: int | None = None,
) -> Form:  # fmt: skip
    names = [plain(heading) for heading in headings]
    times = [names.index(name) for name in _TIME_NAMES if name in names]
    if not times:
        raise ImportRefused(
            f"{path.name} has no column `time`; it has {', '.join(headings) or 'nothing'}.",
            "Name the column with the time of each row `time`.",
        )
    if len(set(names)) < len(names):
        double = next(name for name in names if names.count(name) > 1)
        raise ImportRefused(f'{path.name} has the column "{double}" twice.', "Rename one.")
    time = times[0]
    if {"channel", "value"} <= set(names):
        ignored = tuple(
            heading
            for index, heading in enumerate(headings)
            if index != time and names[index] not in ("channel", "value", "unit")
        )
        return Form(path, kind, "long", tuple(headings), time, (), ignored, separator, first_line,
                    rows, False)  # fmt: skip
    columns, faults = [], []
    for index, heading in enumerate(headings):
        if index == time:
            continue
        try:
            columns.append(_gauge(column_of(heading), options))
        except ValueError as error:
            faults.append(str(error))
    if faults:
        raise ImportRefused(f"{path.name} cannot be taken: {'; '.join(faults)}.", _UNIT_STEP)
    if not columns:
        raise ImportRefused(
            f"{path.name} has no column but the time.", "Add one a channel, such as pot_kpa."
        )
    keys = [(column.channel, column.unit) for column in columns]
    if len(set(keys)) < len(keys):
        double = next(c.channel for c in columns if keys.count((c.channel, c.unit)) > 1)
        raise ImportRefused(
            f"{path.name} has more than one column for {double}.", "Leave out all but one."
        )
    return Form(path, kind, "wide", tuple(headings), time, tuple(columns), (), separator,
                first_line, rows, False)  # fmt: skip


_UNIT_STEP = "Name each column after its channel and unit, such as pot_kpa or supply_psi."


def _gauge(column: Column, options: Options) -> Column:
    if not column.absolute:
        return column
    if options.atmosphere_pa is None:
        raise ValueError(
            f'"{column.name}" is an absolute pressure and Gritbook keeps gauge pressures; give the '
            "air pressure at the site with --atmosphere-kpa, such as 101.3, to take it off"
        )
    return column._replace(offset=column.offset - options.atmosphere_pa, absolute=False)


def _inspect_csv(path: Path, options: Options) -> Form:
    with path.open("rb") as file:
        head = file.read(1 << 16).decode("utf-8-sig", errors="replace")
    for number, line in enumerate(head.splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        separator = max(",;\t", key=line.count)
        headings = next(csv.reader([line], delimiter=separator))
        return _form(path, "csv", headings, options, separator, number + 1)
    raise ImportRefused(f"{path.name} is empty.", "Name a file with a heading and rows.")


def _inspect_parquet(path: Path, options: Options) -> Form:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            schema, rows = file.schema_arrow, file.metadata.num_rows
    except (pa.ArrowException, OSError) as error:
        raise ImportRefused(
            f"{path.name} is not a Parquet file that can be read: {str(error).splitlines()[0]}",
            "It may not have been closed properly; copy it from the card again.",
        ) from error
    form = _form(path, "parquet", schema.names, options, rows=rows)
    time_type = schema.field(form.time).type
    plain_time = (
        pa.types.is_timestamp(time_type) and (time_type.tz or options.naive_utc is not False)
    ) or pa.types.is_integer(time_type)
    # Text must be read cell by cell, and a wall clock's times be told apart twice a year.
    fast = (
        form.layout == "wide"
        and plain_time
        and all(
            pa.types.is_integer(field.type)
            or pa.types.is_floating(field.type)
            or (pa.types.is_boolean(field.type) and plain(field.name) == "deadman")
            for index, field in enumerate(schema)
            if index != form.time
        )
    )
    return form._replace(fast=fast)


# --- the fast way: Parquet of plain numbers, read by DuckDB --------------------------------------


def _fast_slices(form: Form, options: Options) -> Iterator[Slice]:
    others = [heading for index, heading in enumerate(form.headings) if index != form.time]
    values, broken = [], []
    for index, (column, heading) in enumerate(zip(form.columns, others, strict=True)):
        cell = f"CAST({_name(heading)} AS DOUBLE)"
        value = f"CASE WHEN isfinite({cell}) THEN {_converted(cell, column)} END"
        values.append(f"{value} AS c{index}")
        if column.channel == "deadman":
            broken.append(f"WHEN {cell} NOT IN (0, 1) AND NOT isnan({cell}) THEN '{_NO_SWITCH}'")
        elif column.channel == "seq":
            broken.append(f"WHEN {cell} <> floor({cell}) OR isinf({cell}) THEN '{_NO_COUNT}'")
        else:
            broken.append(f"WHEN isinf({cell}) THEN '{_NOT_FINITE}'")
    checks = " ".join(
        [
            f"WHEN time_us IS NULL THEN '{_NO_TIME}'",
            f"WHEN time_us < {EARLIEST_US} THEN '{_TOO_EARLY}'",
            f"WHEN time_us > {options.latest_us} THEN '{_TOO_LATE}'",
            *broken,
        ]
    )
    cells = ", ".join(_name(heading) for heading in form.headings)
    path = str(form.path).replace("'", "''")
    total = form.rows or 0
    for begin in range(0, total, SLICE_ROWS):
        end = min(begin + SLICE_ROWS, total)
        yield Slice(
            form.columns,
            end - begin,
            None,
            "SELECT file_row_number + 1 AS line, make_timestamp(time_us) AS sampled_at, reason, "
            f"CASE WHEN reason IS NOT NULL THEN concat_ws(',', {cells}) END AS raw, "
            f"{', '.join(values)} FROM (SELECT *, CASE {checks} END AS reason FROM "
            f"(SELECT *, {_time_us(form)} AS time_us FROM "
            f"read_parquet('{path}', file_row_number = true))) "
            f"WHERE file_row_number >= {begin} AND file_row_number < {end}",
            end / total,
        )


def _time_us(form: Form) -> str:
    import pyarrow as pa
    import pyarrow.parquet as pq

    name = _name(form.headings[form.time])
    with pq.ParquetFile(form.path) as file:
        time_type = file.schema_arrow.field(form.time).type
    if pa.types.is_integer(time_type):
        return (
            f"CAST(CASE WHEN abs({name}) < 100000000000 THEN {name} * 1000000 "
            f"WHEN abs({name}) < 100000000000000 THEN {name} * 1000 ELSE {name} END AS BIGINT)"
        )
    return f"epoch_us({name})" if time_type.tz else f"epoch_us(CAST({name} AS TIMESTAMP))"


def _name(heading: str) -> str:
    return '"' + heading.replace('"', '""') + '"'


def _converted(cell: str, column: Column) -> str:
    text = cell if column.factor == 1.0 else f"{cell} * {column.factor!r}"
    return text if column.offset == 0.0 else f"{text} + {column.offset!r}"


# --- text: CSV, and Parquet that is not plain numbers ------------------------------------------

_NO_TIME = "the row has no time"
_NOT_TIME = "the time is not a time"
_NOT_INSTANT = "the local time is not one instant"
_TOO_EARLY = "the time is before 2000"
_TOO_LATE = TIME_AHEAD
_CELLS = "the row has too many or too few cells"
_NOT_NUMBER = "a value is not a number"
_NOT_FINITE = "a value is not finite"
_NO_SWITCH = "a switch is neither on nor off"
_NO_COUNT = "the message counter is not a whole number"
_NO_SERIES = "the channel or its unit cannot be taken"
_NO_VALUE = "the row has no value"


def _csv_rows(form: Form) -> Iterator[tuple[pl.DataFrame, float]]:
    """Cells as text, with ``line``, ``raw`` and ``cells_ok``."""
    size = max(form.path.stat().st_size, 1)
    line = form.first_line
    with form.path.open("rb") as file:
        for _ in range(form.first_line - 1):
            file.readline()
        rest = b""
        while block := file.read(_BLOCK_BYTES):
            whole, cut, rest_of_block = block.rpartition(b"\n")
            if not cut:
                rest += block
                continue
            text = rest + whole
            rest = rest_of_block
            frame = _cells(form, text, line)
            line += text.count(b"\n") + 1
            yield frame, file.tell() / size
        if rest.strip():
            yield _cells(form, rest, line), 1.0


def _cells(form: Form, text: bytes, first_line: int) -> pl.DataFrame:
    import polars as pl

    written = text.decode("utf-8", errors="replace").replace("\r\n", "\n").removesuffix("\r")
    lines = pl.DataFrame({"raw": written.split("\n")}).with_row_index("line", first_line)
    lines = lines.filter(pl.col("raw").str.strip_chars() != "")
    between = "\x1f"
    split = lines["raw"].str.replace_all(form.separator, between, literal=True)
    if '"' in written:
        quoted = [
            between.join(next(csv.reader(io.StringIO(raw), delimiter=form.separator), []))
            if '"' in raw
            else None
            for raw in lines["raw"]
        ]
        split = pl.Series(quoted, dtype=pl.String).zip_with(
            pl.Series([q is not None for q in quoted]), split
        )
    cells = split.str.split(between)
    return lines.with_columns(
        *(
            cells.list.get(index, null_on_oob=True).str.strip_chars().alias(f"h{index}")
            for index in range(len(form.headings))
        ),
        (cells.list.len() == len(form.headings)).alias("cells_ok"),
    )


def _parquet_rows(form: Form) -> Iterator[tuple[pl.DataFrame, float]]:
    import polars as pl

    total = max(form.rows or 0, 1)
    for begin in range(0, total, SLICE_ROWS // 4):
        frame = pl.scan_parquet(form.path).slice(begin, SLICE_ROWS // 4).collect()
        texts = []
        for index, heading in enumerate(form.headings):
            column = frame[heading]
            if column.dtype == pl.Datetime:
                zone = getattr(column.dtype, "time_zone", None)
                ending = "Z" if zone else ""
                column = (column.dt.convert_time_zone("UTC") if zone else column).dt.to_string(
                    f"%Y-%m-%dT%H:%M:%S%.6f{ending}"
                )
            texts.append(column.cast(pl.String).str.strip_chars().alias(f"h{index}"))
        cells = pl.DataFrame(texts)
        raw = pl.concat_str([pl.col(t.name).fill_null("") for t in texts], separator=",")
        yield (
            cells.with_row_index("line", begin + 1).with_columns(
                raw.alias("raw"), pl.lit(True).alias("cells_ok")
            ),
            min(1.0, (begin + frame.height) / total),
        )


def _typed_wide(
    form: Form, cells: pl.DataFrame, options: Options
) -> tuple[tuple[Column, ...], pl.DataFrame]:
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
    reason = _first_reason([(~pl.col("cells_ok"), _CELLS), *_time_faults(options), *broken])
    frame = cells.select("line", "sampled_at", reason.alias("reason"), "raw", *values)
    return form.columns, _raw_only_of_bad(frame)


def _typed_long(
    form: Form, cells: pl.DataFrame, options: Options
) -> tuple[tuple[Column, ...], pl.DataFrame]:
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
            column = _gauge(series_column(*pair), options)
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
            (~pl.col("cells_ok"), _CELLS),
            *_time_faults(options),
            (pl.col("series").is_null(), _NO_SERIES),
            (pl.col("empty"), _NO_VALUE),
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
        return number, no_text, [(filled & number.is_null(), _NO_SWITCH)]
    value = number * column.factor + column.offset
    if not column.known:
        # What is not a number is kept as text.
        is_text = filled & (number.is_null() | ~number.is_finite())
        return pl.when(number.is_finite()).then(value), pl.when(is_text).then(cell_name), []
    faults = [
        (filled & number.is_null(), _NOT_NUMBER),
        (filled & ~number.is_finite(), _NOT_FINITE),
    ]
    if column.channel == "seq":
        faults.append((number != number.floor(), _NO_COUNT))
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
        (pl.col("no_time"), _NO_TIME),
        (pl.col("not_one"), _NOT_INSTANT),
        (pl.col("sampled_at").is_null(), _NOT_TIME),
        (instant_us < EARLIEST_US, _TOO_EARLY),
        (instant_us > options.latest_us, _TOO_LATE),
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
