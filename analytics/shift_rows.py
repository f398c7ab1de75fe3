"""The frame that comparing and estimating take: a row a shift and pot, and which rows may count.

A row that cannot count is never dropped in silence: it is listed, with its reason.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

#: A row a shift and pot. Every column may be null but ``shift`` and ``pot``; a column that is not
#: there is taken for null throughout. Rows of one shift on several pots share its ``shift``.
SHIFT_ROW_SCHEMA: dict[str, Any] = {
    "shift": pl.String,
    "pot": pl.String,
    "crew": pl.String,
    "job": pl.String,
    "from_at": pl.Datetime("us"),  # naive UTC
    "to_at": pl.Datetime("us"),
    "people": pl.Float64,  # of the crew on this pot; a crew on two pots has half of it on each
    "crew_size": pl.Float64,  # of the whole crew: a crew of one person is not shown by default
    "prep_grade": pl.String,  # ISO 8501-1, as records keep it: Sa 1, Sa 2, Sa 2½, Sa 3
    "rust_grade": pl.String,  # ISO 8501-1: A to D; coated
    "access": pl.String,  # how the steel was got at, in the yard's own words
    "place": pl.String,  # indoor, outdoor
    "abrasive": pl.String,  # kind tipped most
    "bore_m": pl.Float64,  # of the nozzle
    "nozzle_pa": pl.Float64,  # gauge, at the nozzle, weighted by blast time
    "blast_s": pl.Float64,  # what the data support
    "blast_low_s": pl.Float64,  # missing data counted as off
    "blast_high_s": pl.Float64,  # missing data counted as on
    "elapsed_s": pl.Float64,  # length of the shift
    "no_data_s": pl.Float64,  # of it without readings
    "paid_s": pl.Float64,  # paid time of all its people together: person-seconds
    "area_m2": pl.Float64,  # brought to grade; work done over again is not in it
    "abrasive_kg": pl.Float64,
    "air_kg": pl.Float64,  # through the nozzle
    "cost": pl.Float64,  # in the yard's money
}

#: More of a shift than this without readings is poor data. [-]
MOST_NO_DATA_SHARE = 0.20
#: Low and high blast time further apart than this share of the figure are poor data. [-]
WIDEST_BLAST = 0.25
#: Less blast time than this makes no rate. [s]
LEAST_BLAST_S = 600.0


@dataclass(frozen=True)
class Measure:
    """A rate: one column's sum over another's.

    Parameters
    ----------
    name : str
        Key, with its units.
    amount, per : str
        Columns of :data:`SHIFT_ROW_SCHEMA`.
    scale : float
        Into the unit of the name.
    title, unit : str
        For people.
    more_is : str
        What a larger figure means: more ``did``, more ``used``, or more ``cost``.
    """

    name: str
    amount: str
    per: str
    scale: float
    title: str
    unit: str
    more_is: str

    @property
    def on_hours(self) -> bool:
        """Whether blast time, with its low and high, is one of its two terms."""
        return "blast_s" in (self.amount, self.per)


MEASURES: dict[str, Measure] = {
    m.name: m
    for m in (
        Measure("area_m2_blast_h", "area_m2", "blast_s", 3600.0, "Area per blast hour",
                "m²/blast h", "did"),
        Measure("area_m2_paid_h", "area_m2", "paid_s", 3600.0, "Area per paid hour of a person",
                "m²/paid h", "did"),
        Measure("abrasive_kg_m2", "abrasive_kg", "area_m2", 1.0, "Abrasive per area",
                "kg/m²", "used"),
        Measure("air_kg_m2", "air_kg", "area_m2", 1.0, "Air per area", "kg/m²", "used"),
        Measure("cost_m2", "cost", "area_m2", 1.0, "Cost per area", "per m²", "cost"),
        Measure("abrasive_kg_blast_h", "abrasive_kg", "blast_s", 3600.0,
                "Abrasive per blast hour", "kg/blast h", "used"),
        Measure("blast_share", "blast_s", "elapsed_s", 1.0, "Blast time per shift time",
                "h/h", "did"),
    )
}  # fmt: skip

#: Reason why a row does not count -> the words for it.
REASON_WORDS = {
    "no_crew": "no crew is named",
    "no_group": "it does not say which",
    "no_area": "no area is entered",
    "no_abrasive": "no abrasive is known",
    "no_air": "no air is known",
    "no_cost": "its cost is not known, or is of other items than most shifts' is",
    "no_paid": "its paid hours are not known",
    "no_blast": "under ten minutes of blasting",
    "no_data": "too much of it without readings",
    "wide": "low and high blast hours lie too far apart",
}

#: Amounts up to this count as none, in any unit.
NOUGHT = 1e-6

#: Column -> the reason where it is missing or nought.
_MISSING = {
    "area_m2": "no_area",
    "abrasive_kg": "no_abrasive",
    "air_kg": "no_air",
    "cost": "no_cost",
    "paid_s": "no_paid",
    "elapsed_s": "no_paid",
}


def with_schema(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with exactly the columns of :data:`SHIFT_ROW_SCHEMA`.

    Parameters
    ----------
    rows : polars.DataFrame
        Any of its columns; ``shift`` and ``pot`` at least.

    Raises
    ------
    ValueError
        ``shift`` or ``pot`` is missing, or a column that is not known is there.
    """
    unknown = sorted(set(rows.columns) - set(SHIFT_ROW_SCHEMA))
    lacking = sorted({"shift", "pot"} - set(rows.columns))
    if unknown or lacking:
        raise ValueError(f"shift rows: unknown columns {unknown}, columns missing {lacking}")
    return rows.select(
        (pl.col(name) if name in rows.columns else pl.lit(None)).cast(dtype).alias(name)
        for name, dtype in SHIFT_ROW_SCHEMA.items()
    )


def judged(rows: pl.DataFrame, measure: Measure, by: str = "crew") -> pl.DataFrame:
    """The rows with ``reason``: why a row does not count for a rate; empty where it does.

    Parameters
    ----------
    rows : polars.DataFrame
        From :func:`with_schema`.
    measure : Measure
        What is asked.
    by : str
        The column that rows are grouped by; a row without it cannot count.

    Returns
    -------
    polars.DataFrame
        As many rows as came in.

    Examples
    --------
    >>> rows = with_schema(pl.DataFrame({"shift": ["a", "b"], "pot": ["p", "p"], "crew": "one",
    ...     "blast_s": 7200.0, "area_m2": [30.0, None]}))
    >>> judged(rows, MEASURES["area_m2_blast_h"])["reason"].to_list()
    ['', 'no_area']
    """

    def absent(name: str) -> pl.Expr:
        # Nobody blasts a square millimetre; and dividing by less leads out of what numbers hold.
        return ~(pl.col(name) > NOUGHT).fill_null(False)

    tests: list[tuple[pl.Expr, str]] = [
        (pl.col(by).fill_null("") == "" if rows.schema[by] == pl.String else absent(by),
         "no_crew" if by == "crew" else "no_group"),
    ]  # fmt: skip
    tests += [
        (absent(name), _MISSING[name]) for name in (measure.amount, measure.per) if name in _MISSING
    ]
    if measure.on_hours:
        width = pl.col("blast_high_s").fill_null(pl.col("blast_s")) - pl.col(
            "blast_low_s"
        ).fill_null(pl.col("blast_s"))
        tests += [
            (
                (pl.col("no_data_s") > MOST_NO_DATA_SHARE * pl.col("elapsed_s")).fill_null(False),
                "no_data",
            ),
            (~(pl.col("blast_s") >= LEAST_BLAST_S).fill_null(False), "no_blast"),
            (width > WIDEST_BLAST * pl.col("blast_s"), "wide"),
        ]
    reason = pl.lit("")
    for condition, name in reversed(tests):
        reason = pl.when(condition).then(pl.lit(name)).otherwise(reason)
    return rows.with_columns(reason.alias("reason"))


def costs_alike(rows: pl.DataFrame) -> pl.DataFrame:
    """Keep the cost only of rows that lack the same prices as most do: like is compared with like.

    Parameters
    ----------
    rows : polars.DataFrame
        ``cost``, and ``lacking``: what was used but has no price.

    Returns
    -------
    polars.DataFrame
        The same rows; ``cost`` is null where something else, more or less, has no price.

    Examples
    --------
    >>> rows = pl.DataFrame({"cost": [900.0, 880.0, 400.0], "lacking": ["fuel", "fuel", "wages"]})
    >>> costs_alike(rows)["cost"].to_list()
    [900.0, 880.0, None]
    """
    counts = rows.filter(pl.col("cost").is_not_null())["lacking"].value_counts(sort=True)
    if counts.is_empty():
        return rows
    usual = counts.sort("count", "lacking", descending=[True, False])["lacking"][0]
    return rows.with_columns(pl.when(pl.col("lacking") == usual).then("cost").alias("cost"))
