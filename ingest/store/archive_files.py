"""A day of a pot as a Parquet file: small, exact, and readable without Gritbook.

Layout, version 1. A file of ``sample`` has the columns of the store's table, ascending by
``sampled_at``; one of ``reading`` names channel and unit in words, ascending by them first. The pot
is in the path and in the file's metadata, not in a column.

- A column of doubles that are whole numbers of a step is kept as those, ``supply_pa`` as
  ``supply_pa_q`` (INT32 or INT64); the value is ``q / divisor * factor``, in this order, and has
  been compared bit for bit. Any other stays a DOUBLE under its own name. A reader that multiplies
  by the reciprocal instead of dividing, as an expression of Polars does, is off in the last bit.
- A column without any value is left out.
- Whole numbers and instants are DELTA_BINARY_PACKED, switches RLE, words and quality a dictionary,
  doubles a dictionary or BYTE_STREAM_SPLIT; all of it zstd.
- The metadata key ``gritbook`` is JSON that says all this: ``columns`` has, for each column of the
  table, where it is stored and its divisor and factor; ``duckdb`` is a SELECT list that gives the
  table's columns back in DuckDB.

Importing this loads neither Polars nor PyArrow.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.errors import StoreError

if TYPE_CHECKING:
    import polars as pl
    import pyarrow

VERSION = 1
METADATA_KEY = b"gritbook"

#: Columns of each table as readers get them, and their types in DuckDB.
COLUMNS: dict[str, dict[str, str]] = {
    "sample": {
        "sampled_at": "TIMESTAMP", "arrived_at": "TIMESTAMP", "seq": "BIGINT",
        "supply_pa": "DOUBLE", "inlet_pa": "DOUBLE", "pot_pa": "DOUBLE", "nozzle_pa": "DOUBLE",
        "deadman": "BOOLEAN",
        "supply_ma": "DOUBLE", "inlet_ma": "DOUBLE", "pot_ma": "DOUBLE", "nozzle_ma": "DOUBLE",
        "quality": "INTEGER", "message_id": "BIGINT",
    },
    "reading": {
        "channel": "VARCHAR", "unit": "VARCHAR", "sampled_at": "TIMESTAMP",
        "arrived_at": "TIMESTAMP", "value": "DOUBLE", "text": "VARCHAR", "message_id": "BIGINT",
    },
}  # fmt: skip
#: What the rows of a file ascend by.
ORDER = {
    "sample": ("sampled_at", "message_id"),
    "reading": ("channel", "unit", "sampled_at", "message_id"),
}
_ROWS_A_GROUP = 1 << 17
_LEVEL = 9


class Stored(NamedTuple):
    """Where a column of the table is in a file.

    Parameters
    ----------
    name : str or None
        Its column there; ``None``: it has no value on that day.
    divisor, factor : float
        Of a column of whole numbers: the value is ``q / divisor * factor``. Both 0.0: the value
        itself is stored.
    """

    name: str | None
    divisor: float = 0.0
    factor: float = 0.0

    @property
    def counted(self) -> bool:
        """Whether whole numbers of a step are stored."""
        return self.divisor != 0.0


class Layout(NamedTuple):
    """How a file is to be read.

    Parameters
    ----------
    table : str
        ``sample`` or ``reading``.
    columns : mapping of str to Stored
        For each column of the table.
    """

    table: str
    columns: Mapping[str, Stored]

    def text(self) -> str:
        """As JSON, the same for the same layout; of a file's metadata a part."""
        return json.dumps(
            {
                name: {
                    "stored": stored.name,
                    **(
                        {"divisor": stored.divisor, "factor": stored.factor}
                        if stored.counted
                        else {}
                    ),
                }
                for name, stored in self.columns.items()
            }
        )

    def sql(self, name: str) -> str:
        """A column of the table as an expression of DuckDB over the file's columns."""
        stored, kind = self.columns[name], COLUMNS[self.table][name]
        if stored.name is None:
            return f"CAST(NULL AS {kind})"
        if not stored.counted:
            return stored.name
        # A literal with a point would be a DECIMAL, and its product another value.
        value = f"CAST({stored.name} AS DOUBLE)"
        if stored.divisor != 1.0:
            value += f" / CAST('{stored.divisor!r}' AS DOUBLE)"
        if stored.factor != 1.0:
            value += f" * CAST('{stored.factor!r}' AS DOUBLE)"
        return value

    def select_list(self) -> str:
        """All columns of the table as a SELECT list of DuckDB."""
        return ", ".join(f"{self.sql(name)} AS {name}" for name in self.columns)


def layout_of(table: str, text: str) -> Layout:
    """A layout from its JSON."""
    said: dict[str, dict[str, Any]] = json.loads(text)
    return Layout(
        table,
        {
            name: Stored(one["stored"], one.get("divisor", 0.0), one.get("factor", 0.0))
            for name, one in said.items()
        },
    )


def encode_day(rows: pyarrow.Table, table: str, about: Mapping[str, str]) -> tuple[bytes, Layout]:
    """A day's rows as the bytes of a file.

    Parameters
    ----------
    rows : pyarrow.Table
        Columns of :data:`COLUMNS`, in :data:`ORDER`.
    table : str
        ``sample`` or ``reading``.
    about : mapping of str to str
        ``site``, ``pot`` and ``day``, for the metadata.

    Returns
    -------
    tuple of bytes and Layout
        The same bytes for the same rows.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns: dict[str, Stored] = {}
    arrays: dict[str, pa.Array] = {}
    encodings: dict[str, str] = {}
    by_dictionary: list[str] = []
    for name in COLUMNS[table]:
        column = rows[name].combine_chunks()
        if column.null_count == len(column):
            columns[name] = Stored(None)
            continue
        kind = column.type
        stored = Stored(name)
        if pa.types.is_floating(kind):
            column, stored = _counted(name, column)
        assert stored.name is not None
        columns[name], arrays[stored.name] = stored, column
        if stored.counted or name in ("seq", "message_id") or pa.types.is_timestamp(kind):
            encodings[stored.name] = "DELTA_BINARY_PACKED"
        elif pa.types.is_boolean(kind):
            encodings[stored.name] = "RLE"
        elif pa.types.is_floating(kind) and _many_values(column):
            encodings[stored.name] = "BYTE_STREAM_SPLIT"
        else:
            by_dictionary.append(stored.name)
    layout = Layout(table, columns)
    said = {
        "version": VERSION,
        "table": table,
        **about,
        "rows": rows.num_rows,
        "value": "stored / divisor * factor, in this order, in double precision",
        "columns": json.loads(layout.text()),
        "duckdb": layout.select_list(),
    }
    written = pa.table(arrays)
    into = io.BytesIO()
    with pq.ParquetWriter(
        into,
        written.schema,
        compression="zstd",
        compression_level=_LEVEL,
        use_dictionary=by_dictionary,
        column_encoding=encodings,
        store_schema=False,
    ) as writer:
        writer.write_table(written, row_group_size=_ROWS_A_GROUP)
        writer.add_key_value_metadata({METADATA_KEY: json.dumps(said).encode()})
    return into.getvalue(), layout


def _counted(name: str, column: pyarrow.Array) -> tuple[pyarrow.Array, Stored]:
    """A column of doubles as whole numbers, where they give it back to the bit."""
    import numpy as np
    import pyarrow as pa

    from ingest.store.archive_scale import find_scale

    present = column.is_valid().to_numpy(zero_copy_only=False)
    found = find_scale(column.drop_null().to_numpy(zero_copy_only=False))
    if found is None:
        return column, Stored(name)
    counts, scale = found
    wide = np.zeros(len(column), np.int64)
    wide[present] = counts
    kind = pa.int32() if np.abs(counts).max() < 1 << 31 else pa.int64()
    array = pa.array(wide, pa.int64(), mask=~present).cast(kind)
    return array, Stored(f"{name}_q", scale.divisor, scale.factor)


def _many_values(column: pyarrow.Array) -> bool:
    return len(column[: 1 << 14].unique()) * 4 > min(len(column), 1 << 14)


def decode_day(source: bytes | Path) -> tuple[pyarrow.Table, dict[str, Any]]:
    """A file's rows as the store had them, and what its metadata says.

    Parameters
    ----------
    source : bytes or Path
        The file, or what is in it.

    Returns
    -------
    tuple of pyarrow.Table and dict
        Columns of :data:`COLUMNS`.

    Raises
    ------
    StoreError
        It is no archive file, or one of a newer Gritbook.
    """
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    opened = pa.BufferReader(source) if isinstance(source, bytes) else source
    told = source.name if isinstance(source, Path) else "The archive file"
    try:
        with pq.ParquetFile(opened) as file:
            said = _said(file.metadata.metadata, told)
            stored = file.read()
    except (pa.ArrowException, OSError) as error:
        raise _unreadable(told, str(error).splitlines()[0]) from error
    types = {
        "TIMESTAMP": pa.timestamp("us"), "BIGINT": pa.int64(), "DOUBLE": pa.float64(),
        "BOOLEAN": pa.bool_(), "INTEGER": pa.int32(), "VARCHAR": pa.string(),
    }  # fmt: skip
    table = said["table"]
    layout = layout_of(table, json.dumps(said["columns"]))
    columns: dict[str, Any] = {}
    for name, kind in COLUMNS[table].items():
        where = layout.columns.get(name, Stored(None))
        if where.name is None:
            columns[name] = pa.nulls(stored.num_rows, types[kind])
        elif where.counted:
            counts = stored[where.name].cast(pa.float64())
            columns[name] = pc.multiply(pc.divide(counts, where.divisor), where.factor)
        else:
            columns[name] = stored[where.name].cast(types[kind])
    return pa.table(columns), said


def _said(metadata: Mapping[bytes, bytes] | None, told: str) -> dict[str, Any]:
    text = (metadata or {}).get(METADATA_KEY)
    if text is None:
        raise _unreadable(told, "it says nothing of itself")
    said: dict[str, Any] = json.loads(text)
    if said.get("version") != VERSION:
        raise StoreError(
            f"{told} was written by a newer Gritbook (layout {said.get('version')}).",
            "Install that version or a later one.",
        )
    return said


def _unreadable(told: str, why: str) -> StoreError:
    return StoreError(
        f"{told} cannot be read as a file of the archive: {why}.",
        "Bring it back from a backup with `gritbook restore`.",
    )


def read_day(path: Path, columns: Sequence[str] | None = None) -> pl.DataFrame:
    """A day of ``sample`` or ``reading`` as a Polars frame, as the store had it.

    Parameters
    ----------
    path : Path
        A file of the archive, on this computer.
    columns : sequence of str, optional
        Columns of the table, of :data:`COLUMNS`; without it all. Only these are read.

    Returns
    -------
    polars.DataFrame
        In the order asked; ``sample`` ascends by ``sampled_at``.

    Raises
    ------
    StoreError
        It is no archive file, or one of a newer Gritbook.
    """
    import polars as pl
    import polars.exceptions

    try:
        text = pl.read_parquet_metadata(path).get(METADATA_KEY.decode(), "")
        said = _said({METADATA_KEY: text.encode()} if text else None, path.name)
        layout = layout_of(said["table"], json.dumps(said["columns"]))
        wanted = list(columns or COLUMNS[layout.table])
        return _frame(path, layout, wanted)
    except (polars.exceptions.PolarsError, OSError) as error:
        raise _unreadable(path.name, str(error).splitlines()[0]) from error


def _frame(path: Path, layout: Layout, wanted: Iterable[str]) -> pl.DataFrame:
    import polars as pl

    types = {
        "TIMESTAMP": pl.Datetime("us"), "BIGINT": pl.Int64(), "DOUBLE": pl.Float64(),
        "BOOLEAN": pl.Boolean(), "INTEGER": pl.Int32(), "VARCHAR": pl.String(),
    }  # fmt: skip
    chosen = []
    divided: dict[str, Stored] = {}
    for name in wanted:
        where = layout.columns.get(name, Stored(None))
        if where.name is None:
            chosen.append(pl.lit(None, types[COLUMNS[layout.table][name]]).alias(name))
        elif where.counted:
            value = pl.col(where.name).cast(pl.Float64)
            if where.divisor != 1.0:
                divided[name] = where
            elif where.factor != 1.0:
                value = value * where.factor
            chosen.append(value.alias(name))
        else:
            chosen.append(pl.col(where.name).alias(name))
    frame = pl.scan_parquet(path).select(chosen).collect()
    # An expression would multiply by the reciprocal, which differs in the last bit.
    return frame.with_columns(_divided(frame[name], where) for name, where in divided.items())


def _divided(counts: pl.Series, where: Stored) -> pl.Series:
    import numpy as np
    import polars as pl

    values = counts.fill_null(0.0).to_numpy() / where.divisor * where.factor
    if not counts.null_count():
        return pl.Series(counts.name, values)
    values = np.where(counts.is_null().to_numpy(), np.nan, values)
    return pl.Series(counts.name, values).fill_nan(None)
