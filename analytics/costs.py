"""What a shift cost, from prices and wages that people entered; nothing is guessed.

Money is in the site's currency and never converted. What was used but has no price is named beside
the sum, so that a sum never looks whole when it is not.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

#: Items of a shift's cost, in the order in which they are shown.
ITEMS = ("wages", "abrasive", "fuel", "waste")
#: Columns of shifts' rows, and of their parts', that are money.
MONEY = frozenset({"cost", *(f"{item}_cost" for item in ITEMS)})
ITEM_WORDS = {
    "wages": "wages", "abrasive": "abrasive", "fuel": "fuel", "waste": "waste taken away",
}  # fmt: skip


@dataclass(frozen=True)
class Costs:
    """What a shift, or a part of one, cost.

    Parameters
    ----------
    items : dict of str to float
        Item of :data:`ITEMS` to its money; items that were not used or have no price are absent.
    lacking : tuple of str
        What was used but has no price, in words.
    """

    items: dict[str, float]
    lacking: tuple[str, ...] = ()

    @property
    def total(self) -> float | None:
        """The sum of what is known; ``None`` where nothing has a price."""
        return sum(self.items.values()) if self.items else None

    def per_m2(self, area_m2: float | None) -> float | None:
        """Money per square metre; ``None`` without money or area."""
        return None if self.total is None or not area_m2 else self.total / area_m2


def without_money(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of shifts, or of their parts, for somebody who is shown no money.

    Parameters
    ----------
    rows : polars.DataFrame
        Any columns; those of :data:`MONEY` are money.

    Returns
    -------
    polars.DataFrame
        The same columns: money null, ``lacking`` empty, as which prices there are tells of them.

    Examples
    --------
    >>> rows = pl.DataFrame({"area_m2": [12.0], "wages_cost": [640.0], "lacking": ["fuel"]})
    >>> without_money(rows).row(0)
    (12.0, None, '')
    """
    money = [name for name in rows.columns if name in MONEY]
    rows = rows.with_columns(pl.lit(None, pl.Float64).alias(name) for name in money)
    return rows.with_columns(lacking=pl.lit("")) if "lacking" in rows.columns else rows


def price_at(prices: pl.DataFrame, price_of: str, at: dt.datetime, crew: str = "") -> float | None:
    """The price in force at an instant.

    Parameters
    ----------
    prices : polars.DataFrame
        ``price_of, price, from_at, crew`` in the order of entry.
    price_of : str
        A key of :data:`ingest.production_bodies.PRICE_WORDS`.
    at : datetime
        Naive UTC.
    crew : str
        A wage of this crew comes before one of all crews.

    Returns
    -------
    float or None
        The latest price that had begun; of two that begin at once, the one entered later.

    Examples
    --------
    >>> at = dt.datetime(2026, 5, 4)
    >>> prices = pl.DataFrame({"price_of": ["wage_h", "wage_h"], "price": [40.0, 44.0],
    ...     "from_at": [dt.datetime(2026, 1, 1)] * 2, "crew": ["", "Blue"]})
    >>> price_at(prices, "wage_h", at, "Blue"), price_at(prices, "wage_h", at, "Red")
    (44.0, 40.0)
    """
    return PriceList(prices).at(price_of, at, crew)


class PriceList:
    """Prices in order of their beginning: a year of shifts asks for thousands of them.

    Parameters
    ----------
    prices : polars.DataFrame
        As for :func:`price_at`.
    """

    def __init__(self, prices: pl.DataFrame) -> None:
        self._begun: dict[tuple[str, str], tuple[list[dt.datetime], list[float]]] = {}
        if prices.is_empty():
            return
        in_order = prices.sort("from_at", maintain_order=True)
        for price_of, crew, from_at, price in in_order.select(
            "price_of", "crew", "from_at", "price"
        ).iter_rows():
            starts, amounts = self._begun.setdefault((price_of, crew), ([], []))
            starts.append(from_at)
            amounts.append(price)

    def at(self, price_of: str, at: dt.datetime, crew: str = "") -> float | None:
        """The price in force at an instant, as :func:`price_at` has it."""
        for name in dict.fromkeys((crew, "")):
            starts, amounts = self._begun.get((price_of, name), ([], []))
            begun = bisect_right(starts, at)
            if begun:
                return float(amounts[begun - 1])
        return None


def shift_costs(
    at: dt.datetime,
    crew: str,
    paid_s: float | None,
    abrasive_kg: Mapping[str, float],
    litres: float,
    waste_kg: float,
    prices: pl.DataFrame | PriceList,
    abrasive_price_kg: Mapping[str, float],
) -> Costs:
    """What a shift cost.

    Parameters
    ----------
    at : datetime
        When it began, naive UTC: the prices then hold for all of it.
    crew : str
        Whose wage.
    paid_s : float or None
        Paid time of all its people together. [s]
    abrasive_kg : mapping of str to float
        Kind of abrasive to what was tipped, less what was taken back. [kg]
    litres : float
        Fuel. [l]
    waste_kg : float
        Waste that it left. [kg]
    prices : polars.DataFrame or PriceList
        As for :func:`price_at`; a list where many shifts are asked about.
    abrasive_price_kg : mapping of str to float
        Kind of abrasive to its price, those that have one. [1/kg]
    """
    items: dict[str, float] = {}
    lacking: list[str] = []

    def put(item: str, amount: float | None, price: float | None, words: str) -> None:
        if amount is None or amount == 0.0:
            return
        if price is None:
            lacking.append(words)
        else:
            items[item] = items.get(item, 0.0) + amount * price

    known = prices if isinstance(prices, PriceList) else PriceList(prices)
    wage = known.at("wage_h", at, crew)
    put("wages", None if paid_s is None else paid_s / 3600.0, wage, "wages")
    if paid_s is None:
        lacking.append("wages (nobody says how many people)")
    for kind, kg in abrasive_kg.items():
        named = kind or "abrasive without a name"
        put("abrasive", kg, abrasive_price_kg.get(kind), named)
    put("fuel", litres, known.at("fuel_l", at), "fuel")
    # Not every yard pays for its waste: without a price it costs nothing here, and is not lacking.
    waste_price = known.at("waste_kg", at)
    if waste_price is not None:
        put("waste", waste_kg, waste_price, "waste")
    return Costs(items, tuple(lacking))
