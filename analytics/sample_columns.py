"""Columns of samples, filled from what DuckDB gives batch by batch, without a copy on the way.

A shift of samples is some megabytes a column. Each copy of them into memory that the system has to
give first takes longer than to read them, so they are put where they stay, and that place may be
used again (:class:`analytics.room.Room`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
import pyarrow as pa

from analytics.room import Room

Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

_US = pa.timestamp("us")


class Columns:
    """Samples of a pot, a column each, ascending; ``sampled_at`` and ``deadman`` are among them.

    Parameters
    ----------
    batches : pyarrow.RecordBatchReader
        Rows in any order of time.
    most : int
        How many rows there are; of more, all have to be moved.
    steps : mapping of str to float
        Columns that are counts, and what to multiply each with.
    room : Room, optional
        Where the columns may lie: they are lost when it is used for others.
    place : str
        Which of several in that room these are.
    """

    def __init__(
        self,
        batches: pa.RecordBatchReader,
        most: int,
        steps: Mapping[str, float],
        room: Room | None = None,
        place: str = "",
    ) -> None:
        #: A place more than there are rows: for the sample that ends a silence after them.
        self._values: dict[str, npt.NDArray[Any]] = {}
        self._kinds: dict[str, pa.DataType] = {}
        #: Where a column has a value, of those that lack some.
        self._there: dict[str, Bools] = {}
        self.height = 0
        room = room or Room()
        names = batches.schema.names
        for name, kind in zip(names, batches.schema.types, strict=True):
            self._kinds[name] = pa.float64() if name in steps else kind
            stored = _stored(self._kinds[name])
            self._values[name] = room.empty(f"{place} {name}", most + 1, stored)
        for batch in batches:
            self._make_place(self.height + batch.num_rows)
            for name, column in zip(names, batch.columns, strict=True):
                self._put(name, column, steps.get(name))
            self.height += batch.num_rows
        self._in_order()

    @property
    def at_us(self) -> Ints:
        """Instants. [us since 1970 UTC]"""
        return self._values["sampled_at"][: self.height]

    @property
    def deadman(self) -> Bools:
        """How the dead-man stands; anything where that is not known."""
        return self._values["deadman"][: self.height]

    @property
    def known(self) -> Bools | None:
        """Where that is known; ``None``: throughout."""
        there = self._there.get("deadman")
        return None if there is None else there[: self.height]

    def _make_place(self, rows: int) -> None:
        """Move to a larger place, where so many rows and one more have none."""
        if rows < self._values["sampled_at"].size:
            return
        for held in (self._values, self._there):
            for name, values in held.items():
                held[name] = np.concatenate([values, np.ones(rows, values.dtype)])

    def _put(self, name: str, column: pa.Array, step: float | None) -> None:
        first, after = self.height, self.height + len(column)
        here = self._values[name][first:after]
        found = _numbers(column)
        if step is None:
            here[:] = found
        else:
            np.multiply(found, step, out=here)
        if not column.null_count:
            return
        there = self._there.setdefault(name, np.ones(self._values[name].size, np.bool_))
        there[first:after] = column.is_valid().to_numpy(zero_copy_only=False)
        # Not a number is what an absent pressure becomes; as a null it would cost a pass.
        if here.dtype == np.float64:
            here[~there[first:after]] = np.nan
        else:
            here[~there[first:after]] = 0

    def _in_order(self) -> None:
        at_us = self.at_us
        if (at_us[1:] >= at_us[:-1]).all():
            return
        order = np.argsort(at_us, kind="stable")
        for values in (*self._values.values(), *self._there.values()):
            values[: self.height] = values[: self.height][order]

    def end_with(self, at_us: int, deadman: bool) -> None:
        """Put one sample of the dead-man after all others. [us since 1970 UTC]"""
        for name, values in self._values.items():
            values[self.height] = np.nan if values.dtype == np.float64 else 0
            there = self._there.get(name)
            if there is not None:
                there[self.height] = name in ("sampled_at", "deadman")
        self._values["sampled_at"][self.height] = at_us
        self._values["deadman"][self.height] = deadman
        self.height += 1

    def frame(self) -> pl.DataFrame:
        """The same as a frame, in the same memory: it is lost when the room is used for others."""
        arrays = [self._array(name) for name in self._values]
        frame = pl.DataFrame(pa.RecordBatch.from_arrays(arrays, names=list(self._values)))
        at = frame.get_column_index("sampled_at")
        return frame.replace_column(at, frame["sampled_at"].set_sorted())

    def _array(self, name: str) -> pa.Array:
        kind, values = self._kinds[name], self._values[name][: self.height]
        there = self._there.get(name)
        missing = None if there is None else _bits(there[: self.height])
        data = _bits(values) if values.dtype == np.bool_ else pa.py_buffer(values)
        return pa.Array.from_buffers(kind, self.height, [missing, data])


def _stored(kind: pa.DataType) -> npt.DTypeLike:
    """What a column of Arrow is kept as."""
    if kind == _US:
        return np.int64
    kept: npt.DTypeLike = kind.to_pandas_dtype()
    return kept


def _numbers(column: pa.Array) -> npt.NDArray[Any]:
    """What lies in an array of Arrow, with anything where nothing is."""
    data, size, offset = column.buffers()[1], len(column), column.offset
    if not size:
        return np.zeros(0)
    if column.type == pa.bool_():
        bits = np.unpackbits(np.frombuffer(data, np.uint8), bitorder="little")
        return bits[offset : offset + size].view(np.bool_)
    stored = np.dtype(_stored(column.type))
    return np.frombuffer(data, stored, size, offset * stored.itemsize)


def _bits(flags: Bools) -> pa.Buffer:
    return pa.py_buffer(np.packbits(flags, bitorder="little"))
