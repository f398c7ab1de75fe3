"""Frames made of columns at once.

A series for each column takes as long as a fit of a fill does, and Python's lock meanwhile. Arrow
makes an array of each in a third of that, and Polars takes all of them over in one step.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl

if TYPE_CHECKING:
    import pyarrow as pa


def frame_of(columns: Mapping[str, Any], schema: Mapping[str, Any], height: int) -> pl.DataFrame:
    """A frame of columns; not a number becomes null.

    Parameters
    ----------
    columns : mapping
        By name: an array (instants as ``datetime64[us]``), one of Arrow, a list, or a series;
        where there is none the column is null throughout.
    schema : mapping
        Names and kinds: truth values, instants in microseconds, numbers, strings.
    height : int
        How many rows there are.

    Examples
    --------
    >>> import numpy as np
    >>> columns = {"used_kg": np.array([1.5, np.nan]), "why": ["", "short"]}
    >>> frame_of(columns, {"used_kg": pl.Float64, "why": pl.String, "at": pl.Datetime("us")}, 2)
    shape: (2, 3)
    ┌─────────┬───────┬──────────────┐
    │ used_kg ┆ why   ┆ at           │
    │ ---     ┆ ---   ┆ ---          │
    │ f64     ┆ str   ┆ datetime[μs] │
    ╞═════════╪═══════╪══════════════╡
    │ 1.5     ┆       ┆ null         │
    │ null    ┆ short ┆ null         │
    └─────────┴───────┴──────────────┘
    """
    # Imported here: whoever only looks at cycles that were found need not wait for it.
    import pyarrow as pa

    kinds = _kinds()
    arrays = [_array(columns.get(name), kinds[kind], height) for name, kind in schema.items()]
    return pl.DataFrame(pa.RecordBatch.from_arrays(arrays, names=list(schema)))


@cache
def _kinds() -> dict[Any, pa.DataType]:
    """Arrow's kinds by Polars'."""
    import pyarrow as pa

    return {
        pl.Boolean: pa.bool_(),
        pl.Datetime("us"): pa.timestamp("us"),
        pl.Float64: pa.float64(),
        pl.Int16: pa.int16(),
        pl.Int32: pa.int32(),
        pl.Int64: pa.int64(),
        pl.String: pa.string(),
    }


def _array(values: Any, kind: pa.DataType, height: int) -> pa.Array:
    import pyarrow as pa

    if isinstance(values, pa.Array):
        return values
    if values is None:
        return pa.nulls(height, kind)
    if isinstance(values, pl.Series):
        array = values.to_arrow()
        return array if array.type == kind else array.cast(kind)
    return pa.array(values, kind, from_pandas=True)
