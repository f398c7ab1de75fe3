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
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from ingest.sources.card_cells import (
    EARLIEST_US,
    NO_COUNT,
    NO_SWITCH,
    NO_TIME,
    NOT_FINITE,
    TOO_EARLY,
    TOO_LATE,
    typed_long,
    typed_wide,
)
from ingest.sources.card_columns import Column
from ingest.sources.card_form import Form, Options
from ingest.sources.card_senml import rows_of_log

if TYPE_CHECKING:
    import polars as pl

#: Rows of one slice, so that memory stays bounded and the store is held for short times only.
SLICE_ROWS = 2_000_000
_BLOCK_BYTES = 16 << 20


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
    typed = typed_wide if form.layout == "wide" else typed_long
    for cells, done in rows:
        columns, frame = typed(form, cells, options)
        yield Slice(columns, frame.height, frame, "", done)


# --- the fast way: Parquet of plain numbers, read by DuckDB --------------------------------------


def _fast_slices(form: Form, options: Options) -> Iterator[Slice]:
    others = [heading for index, heading in enumerate(form.headings) if index != form.time]
    values, broken = [], []
    for index, (column, heading) in enumerate(zip(form.columns, others, strict=True)):
        cell = f"CAST({_name(heading)} AS DOUBLE)"
        value = f"CASE WHEN isfinite({cell}) THEN {_converted(cell, column)} END"
        values.append(f"{value} AS c{index}")
        if column.channel == "deadman":
            broken.append(f"WHEN {cell} NOT IN (0, 1) AND NOT isnan({cell}) THEN '{NO_SWITCH}'")
        elif column.channel == "seq":
            broken.append(f"WHEN {cell} <> floor({cell}) OR isinf({cell}) THEN '{NO_COUNT}'")
        else:
            broken.append(f"WHEN isinf({cell}) THEN '{NOT_FINITE}'")
    checks = " ".join(
        [
            f"WHEN time_us IS NULL THEN '{NO_TIME}'",
            f"WHEN time_us < {EARLIEST_US} THEN '{TOO_EARLY}'",
            f"WHEN time_us > {options.latest_us} THEN '{TOO_LATE}'",
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
