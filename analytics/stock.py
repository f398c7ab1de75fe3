"""Abrasive in stock and on the waste heap, from what people entered; kilograms are conserved.

stock = delivered + returned + reused - tipped + found or missing at counts
waste = swept as waste - disposed
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

#: A row a kind of abrasive.
STOCK_SCHEMA: dict[str, Any] = {
    "abrasive": pl.String,
    "delivered_kg": pl.Float64,
    "returned_kg": pl.Float64,  # taken back out of pots
    "reused_kg": pl.Float64,  # swept up and put back into stock
    "tipped_kg": pl.Float64,
    "count_off_kg": pl.Float64,  # counted more (or less, below zero) than the entries say
    "stock_kg": pl.Float64,
    "counted_at": pl.Datetime("us"),  # last count; null: never
    "swept_waste_kg": pl.Float64,
    "disposed_kg": pl.Float64,
    "waste_kg": pl.Float64,  # swept up and not taken away yet
    "not_swept_kg": pl.Float64,  # tipped, and neither back in stock nor swept: in pots, or lost
    "reorder_kg": pl.Float64,
    "price_kg": pl.Float64,
    "state": pl.String,  # ok, order (at or under the reorder line), count (less than nothing)
}

#: Move -> its column and which way it moves the stock.
_COLUMNS = {
    "delivered": ("delivered_kg", 1.0),
    "returned": ("returned_kg", 1.0),
    "reuse": ("reused_kg", 1.0),
    "tipped": ("tipped_kg", -1.0),
    "waste": ("swept_waste_kg", 0.0),
    "disposed": ("disposed_kg", 0.0),
}


def stock(
    moves: pl.DataFrame, tipped: pl.DataFrame, kinds: pl.DataFrame, at: dt.datetime | None = None
) -> pl.DataFrame:
    """Stock and waste of every kind of abrasive at an instant.

    Parameters
    ----------
    moves : polars.DataFrame
        ``abrasive, move, goes, kg, at``.
    tipped : polars.DataFrame
        ``abrasive, abrasive_kg, at`` of bags tipped.
    kinds : polars.DataFrame
        ``abrasive, reorder_kg, price_kg``.
    at : datetime, optional
        Naive UTC; by default everything entered counts.

    Returns
    -------
    polars.DataFrame
        :data:`STOCK_SCHEMA`, by name. At one instant a count comes after what moved.

    Examples
    --------
    >>> day = [dt.datetime(2026, 5, d) for d in (1, 2, 3)]
    >>> moves = pl.DataFrame({"abrasive": "garnet", "move": ["delivered", "counted"],
    ...     "goes": "", "kg": [1000.0, 740.0], "at": [day[0], day[2]]})
    >>> tipped = pl.DataFrame({"abrasive": ["garnet"], "abrasive_kg": [250.0], "at": [day[1]]})
    >>> kinds = pl.DataFrame({"abrasive": ["garnet"], "reorder_kg": [800.0], "price_kg": [0.4]})
    >>> stock(moves, tipped, kinds).select("stock_kg", "count_off_kg", "state").row(0)
    (740.0, -10.0, 'order')
    """
    events = [
        (name, goes if move == "swept" else move, kg, when)
        for name, move, goes, kg, when in moves.select(
            "abrasive", "move", "goes", "kg", "at"
        ).iter_rows()
    ]
    events += [
        (name or "", "tipped", kg, when)
        for name, kg, when in tipped.select("abrasive", "abrasive_kg", "at").iter_rows()
    ]
    if at is not None:
        events = [event for event in events if event[3] <= at]
    events.sort(key=lambda event: (event[3], event[1] == "counted"))
    described = {
        name: (reorder, price)
        for name, reorder, price in kinds.select("abrasive", "reorder_kg", "price_kg").iter_rows()
    }
    names = sorted({event[0] for event in events} | set(described))
    rows = []
    for name in names:
        sums = dict.fromkeys(
            [column for column, _ in _COLUMNS.values()] + ["count_off_kg", "stock_kg"], 0.0
        )
        counted_at: dt.datetime | None = None
        for _, move, kg, when in (event for event in events if event[0] == name):
            if move == "counted":
                sums["count_off_kg"] += kg - sums["stock_kg"]
                sums["stock_kg"], counted_at = kg, when
            else:
                column, sign = _COLUMNS[move]
                sums[column] += kg
                sums["stock_kg"] += sign * kg
        reorder, price = described.get(name, (None, None))
        state = "ok"
        if sums["stock_kg"] < 0.0:
            state = "count"
        elif reorder is not None and sums["stock_kg"] <= reorder:
            state = "order"
        not_swept = (
            sums["tipped_kg"] - sums["returned_kg"] - sums["reused_kg"] - sums["swept_waste_kg"]
        )
        rows.append(
            {
                "abrasive": name, **sums, "counted_at": counted_at,
                "waste_kg": sums["swept_waste_kg"] - sums["disposed_kg"],
                "not_swept_kg": not_swept, "reorder_kg": reorder, "price_kg": price,
                "state": state,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=STOCK_SCHEMA)
