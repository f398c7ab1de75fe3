"""The tables that `gritbook export` writes, as frames: what stands in each, and in which order."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from analytics.cycles import CYCLE_SCHEMA
from analytics.hour_review import PART_ELEMENTS
from analytics.shift_rows import SHIFT_ROW_SCHEMA
from analytics.stock import STOCK_SCHEMA
from analytics.time_use import PARTS, STOP_SCHEMA, TimeLedger

#: Exported table -> its columns in order; each is described in :mod:`analytics.dictionary`.
TABLE_COLUMNS: dict[str, tuple[str, ...]] = {
    "shifts": (
        *(name for name in SHIFT_ROW_SCHEMA if name not in ("air_kg", "cost")),
        "part", "item", "planned_m2", "reblast_m2", "cycles", "air_theory_kg", "air_kg", "fuel_l",
        "waste_kg", "wages_cost", "abrasive_cost", "fuel_cost", "waste_cost", "cost", "lacking",
    ),
    "cycles": ("pot", *CYCLE_SCHEMA),
    "areas": ("shift", "pot", "job", "at", "area_m2", "reblast"),
    "abrasive": (
        "at", "abrasive", "move", "goes", "kg", "bags", "bag_kg", "batch", "pot", "shift",
    ),
    "stock": tuple(STOCK_SCHEMA),
    "checks": (
        "pot", "part", "position", "at", "rule", "result", "quantity", "value", "unit",
        "measurement", "new_tag", "photo", "note", "by", "recorded_at",
    ),
    "time_use": ("shift", "pot", "part", "use_s", "use_low_s", "use_high_s", "element"),
    "stops": ("shift", "pot", *STOP_SCHEMA),
}  # fmt: skip


def abrasive_table(tipped: pl.DataFrame, moves: pl.DataFrame) -> pl.DataFrame:
    """Bags tipped and what else happened to abrasive, in order of time.

    Parameters
    ----------
    tipped : polars.DataFrame
        ``at, abrasive, abrasive_kg, bags, bag_kg, pot, shift`` and ``batch`` where known.
    moves : polars.DataFrame
        ``at, abrasive, move, goes, kg, batch, pot, shift``.

    Examples
    --------
    >>> at = [dt.datetime(2026, 5, 4)]
    >>> tipped = pl.DataFrame({"at": at, "abrasive": ["garnet"], "abrasive_kg": [50.0],
    ...     "bags": [2.0], "bag_kg": [25.0], "pot": ["p"], "shift": [""], "batch": [""]})
    >>> moves = pl.DataFrame({"at": at, "abrasive": ["garnet"], "move": ["returned"],
    ...     "goes": [""], "kg": [10.0], "batch": [""], "pot": ["p"], "shift": [""]})
    >>> abrasive_table(tipped, moves)["move"].to_list()
    ['tipped', 'returned']
    """
    bags = tipped.with_columns(
        pl.lit("tipped").alias("move"), pl.lit("").alias("goes"), pl.col("abrasive_kg").alias("kg")
    )
    others = moves.with_columns(
        pl.lit(None, pl.Float64).alias("bags"), pl.lit(None, pl.Float64).alias("bag_kg")
    )
    columns = TABLE_COLUMNS["abrasive"]
    return pl.concat([bags.select(columns), others.select(columns)]).sort("at", maintain_order=True)


def time_use_table(ledgers: Sequence[tuple[str, str, TimeLedger]]) -> pl.DataFrame:
    """Where the time of shifts went, a row a shift, pot and part.

    Parameters
    ----------
    ledgers : sequence of (str, str, TimeLedger)
        Shift, pot, and its ledger.
    """
    rows = []
    for shift, pot, ledger in ledgers:
        use = ledger.whole
        for part in PARTS:
            low, high = use.between_s(part)
            rows.append(
                (shift, pot, part, use.seconds(part), low, high, PART_ELEMENTS.get(part, ""))
            )
    schema: dict[str, Any] = dict.fromkeys(TABLE_COLUMNS["time_use"], pl.Float64)
    schema |= dict.fromkeys(("shift", "pot", "part", "element"), pl.String)
    return pl.DataFrame(rows, schema=schema, orient="row")


def stops_table(ledgers: Sequence[tuple[str, str, TimeLedger]]) -> pl.DataFrame:
    """Stops of shifts; see :func:`time_use_table`."""
    named: dict[str, Any] = {"shift": pl.String, "pot": pl.String}
    pieces = [pl.DataFrame(schema=named | STOP_SCHEMA)]
    pieces += [
        ledger.stops.select(pl.lit(shift).alias("shift"), pl.lit(pot).alias("pot"), pl.all())
        for shift, pot, ledger in ledgers
    ]
    return pl.concat(pieces)


def in_order(tables: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    """The tables with exactly their columns, in order.

    Raises
    ------
    ValueError
        A table lacks a column; it would be missing in silence.
    """
    made = {}
    for name, columns in TABLE_COLUMNS.items():
        frame = tables[name]
        if lacking := [column for column in columns if column not in frame.columns]:
            raise ValueError(f"the table {name} lacks {', '.join(lacking)}")
        made[name] = frame.select(columns)
    return made


def between(
    frame: pl.DataFrame, column: str, from_at: dt.datetime | None, to_at: dt.datetime | None
) -> pl.DataFrame:
    """Rows whose instant lies from ``from_at`` on, before ``to_at``; ``None``: open."""
    if from_at is not None:
        frame = frame.filter(pl.col(column) >= from_at)
    return frame if to_at is None else frame.filter(pl.col(column) < to_at)
