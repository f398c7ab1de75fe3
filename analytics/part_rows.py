"""Rows of shifts, pot by pot and job by job: hours, area, abrasive, air and money, from the store.

Each takes an open read window and writes nothing. What belongs to a shift lands in exactly one of
its parts, so parts add up to the shift.
"""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import entry_frames, figures, hours, record_frames
from analytics.costs import Costs, PriceList, shift_costs
from analytics.nozzle_kept import air_of, kept_of, pressed
from analytics.shift_rows import SHIFT_ROW_SCHEMA, costs_alike, with_schema
from analytics.work_parts import placed, work_parts

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

#: Columns that a part of a shift has beside those that comparing takes.
PART_ROW_SCHEMA: dict[str, Any] = SHIFT_ROW_SCHEMA | {
    "part": pl.Int64,
    "reblast_m2": pl.Float64,
    "cycles": pl.Int64,
    "fuel_l": pl.Float64,
    "waste_kg": pl.Float64,
    "wages_cost": pl.Float64,
    "abrasive_cost": pl.Float64,
    "fuel_cost": pl.Float64,
    "waste_cost": pl.Float64,
    "lacking": pl.String,  # what was used but has no price
    "air_theory_kg": pl.Float64,  # through the nozzle without abrasive
    "planned_m2": pl.Float64,
    "item": pl.String,
}


@dataclass(frozen=True)
class Book:
    """What people entered about production, read once. Frames as their readers give them."""

    shifts: pl.DataFrame
    parts: pl.DataFrame
    jobs: pl.DataFrame
    areas: pl.DataFrame
    abrasives: pl.DataFrame
    net: pl.DataFrame
    moves: pl.DataFrame
    kinds: pl.DataFrame
    fuels: pl.DataFrame
    prices: pl.DataFrame
    reasons: pl.DataFrame
    signatures: pl.DataFrame
    bores: pl.DataFrame


def read_book(con: duckdb.DuckDBPyConnection) -> Book:
    """Everything entered about production, as it stands."""
    shifts, areas = record_frames.shifts(con), record_frames.areas(con)
    return Book(
        shifts=shifts,
        parts=work_parts(shifts, entry_frames.job_changes(con), entry_frames.crews(con), areas),
        jobs=entry_frames.jobs(con),
        areas=areas,
        abrasives=record_frames.abrasives(con),
        net=entry_frames.abrasive_net(con),
        moves=entry_frames.abrasive_moves(con),
        kinds=entry_frames.abrasive_kinds(con),
        fuels=entry_frames.fuels(con),
        prices=entry_frames.prices(con),
        reasons=entry_frames.stop_reasons(con),
        signatures=entry_frames.signatures(con),
        bores=entry_frames.nozzle_bores(con),
    )


def part_rows(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    now: dt.datetime,
    shifts: Sequence[str] | None = None,
    book: Book | None = None,
) -> pl.DataFrame:
    """A row a shift, pot and job: its hours, area, abrasive, air and money.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC; a shift under way is reckoned up to here, one not begun is left out.
    shifts : sequence of str, optional
        Only these; by default all.
    book : Book, optional
        What was read already.

    Returns
    -------
    polars.DataFrame
        :data:`PART_ROW_SCHEMA`. A shift on one job is one row a pot. Bags are shared among a
        shift's parts by blast time, for what is tipped in one is blasted in the next.
    """
    return rows_of(read_history(con, yard, now, shifts, book), yard, now)


@dataclass(frozen=True)
class History:
    """What rows of shifts are made of, read at once.

    Parameters
    ----------
    book : Book
        What people entered.
    parts : polars.DataFrame
        Parts of shifts that are asked about: of ``book.parts``.
    pots : dict of str to analytics.figures.PotHistory
        The pots of ``parts``.
    """

    book: Book
    parts: pl.DataFrame
    pots: dict[str, figures.PotHistory]


def read_history(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    now: dt.datetime,
    shifts: Sequence[str] | None = None,
    book: Book | None = None,
) -> History:
    """What :func:`rows_of` works on, so that the store is let go before the work; see there."""
    known = book or read_book(con)
    parts = known.parts.filter(pl.col("from_at") < now)
    within = None
    if shifts is not None:
        parts = parts.filter(pl.col("shift").is_in(list(shifts)))
        ends = parts.select(pl.col("from_at").min(), pl.col("to_at").max())
        within = ends.row(0) if parts.height else None
    pots = [str(pot) for pot in parts["pot"].unique(maintain_order=True)]
    histories = {pot: figures.pot_history(con, pot, known.shifts, within) for pot in pots}
    return History(known, parts, histories)


def rows_of(history: History, yard: Yard, now: dt.datetime) -> pl.DataFrame:
    """As :func:`part_rows`, from what was read before.

    Parameters
    ----------
    history : History
        From :func:`read_history`.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC, as for :func:`read_history`.
    """
    known, parts = history.book, history.parts
    if parts.is_empty():
        return pl.DataFrame(schema=PART_ROW_SCHEMA)
    timed = []
    for (pot,), mine in parts.group_by("pot", maintain_order=True):
        timed.append(_timed(history.pots[str(pot)], yard, str(pot), mine, known, now))
    rows = pl.concat(timed)
    rows = _with_area(rows, known)
    rows = _with_abrasive(rows, known)
    rows = _with_fuel(rows, known)
    rows = _with_costs(rows, known)
    described = known.jobs.select(
        "job", "item", "rust_grade", "prep_grade", "access", "place", "planned_m2"
    )
    rows = rows.join(described, on="job", how="left", maintain_order="left")
    return rows.select(pl.col(name).cast(dtype) for name, dtype in PART_ROW_SCHEMA.items()).sort(
        "from_at", "shift", "pot", "part"
    )


def shift_rows(con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime) -> pl.DataFrame:
    """The frame that comparing and estimating take: :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC.
    """
    return compared(part_rows(con, yard, now))


def compared(rows: pl.DataFrame) -> pl.DataFrame:
    """Of :func:`part_rows` of all shifts, what comparing and estimating take."""
    return with_schema(costs_alike(rows).select(list(SHIFT_ROW_SCHEMA)))


def _timed(
    history: figures.PotHistory,
    yard: Yard,
    pot: str,
    parts: pl.DataFrame,
    book: Book,
    now: dt.datetime,
) -> pl.DataFrame:
    """Parts of one pot with what its readings say of each."""
    totals = history.totals(yard)
    cycles = history.cycles.filter(~pl.col("flicker"))
    ends = parts.select(pl.min_horizontal("to_at", pl.lit(now)).alias("to_at"))["to_at"]
    from_us = parts["from_at"].cast(pl.Int64).to_numpy()
    to_us = np.maximum(ends.cast(pl.Int64).to_numpy(), from_us)
    windows = hours.windows(totals, from_us, to_us).select(
        "elapsed_s", "blast_s", "blast_low_s", "blast_high_s", "no_data_s", "cycles"
    )
    said = []
    # Cycles are in order: a slice each, for years of them are not to be looked through for each.
    pressed_us = cycles["pressed_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    firsts, lasts = np.searchsorted(pressed_us, from_us), np.searchsorted(pressed_us, to_us)
    nozzle_pa, blast_s = pressed(cycles)
    bores = bores_of(yard, pot, book.bores, parts["from_at"].to_list())
    for bore_m, first, last in zip(bores, firsts, lasts, strict=True):
        inside = nozzle_pa[first:last], blast_s[first:last]
        theory_kg = air_of(*inside, bore_m)
        kept = kept_of(*inside, yard.review.nozzle_target_pa)
        metered_kg = None if theory_kg is None else theory_kg * yard.review.while_blasting_factor
        said.append((bore_m, kept.mean_pa, theory_kg, metered_kg))
    measured = pl.DataFrame(
        said,
        schema=dict.fromkeys(("bore_m", "nozzle_pa", "air_theory_kg", "air_kg"), pl.Float64),
        orient="row",
    )
    return pl.concat(
        [parts.with_columns(ends.alias("to_at")), windows, measured], how="horizontal"
    ).with_columns(
        (pl.col("people") * pl.col("elapsed_s")).alias("paid_s"),
        pl.col("to_at").clip(lower_bound=pl.col("from_at")),
    )


def bore_of(yard: Yard, pot: str, bores: pl.DataFrame, at: dt.datetime) -> float | None:
    """The bore of a pot's nozzle then: as measured since it was fitted, else as in the yard file.
    [m]"""
    return bores_of(yard, pot, bores, [at])[0]


def bores_of(
    yard: Yard, pot: str, bores: pl.DataFrame, at: Sequence[dt.datetime]
) -> list[float | None]:
    """The bore of a pot's nozzle at each of some instants, as :func:`bore_of`. [m]"""
    described = yard.pot(pot)
    otherwise = described.nozzle_bore_m if described else None
    mine = bores.filter(pl.col("pot") == pot).sort("at", maintain_order=True)
    since, measured = mine["at"].to_list(), mine["bore_m"].to_list()
    known = (measured[k - 1] if (k := bisect_right(since, one)) else None for one in at)
    return [otherwise if bore_m is None else float(bore_m) for bore_m in known]


_PART = ["shift", "pot", "part"]


def _with_area(rows: pl.DataFrame, book: Book) -> pl.DataFrame:
    """Area by the part that is on its job; what was done over again apart."""
    mine = placed(book.areas, rows.select(*_PART, "job", "from_at", "to_at"))
    sums = mine.group_by(_PART).agg(
        pl.col("area_m2").filter(~pl.col("reblast")).sum().alias("area_m2"),
        pl.col("area_m2").filter(pl.col("reblast")).sum().alias("reblast_m2"),
        (~pl.col("reblast")).sum().alias("first"),
    )
    joined = rows.join(sums, on=_PART, how="left", maintain_order="left")
    # No entry is not known; an entry of work done over alone is no new area.
    return joined.with_columns(
        pl.when(pl.col("first") > 0).then("area_m2"), pl.col("reblast_m2").fill_null(0.0)
    ).drop("first")


def _shares(rows: pl.DataFrame, over: list[str]) -> pl.DataFrame:
    """Each part's share of its shift (and pot): by blast time, else by time, else all to one."""
    weight = (
        pl.when(pl.col("blast_s").sum().over(over) > 0.0)
        .then("blast_s")
        .when(pl.col("elapsed_s").sum().over(over) > 0.0)
        .then("elapsed_s")
        .otherwise((pl.int_range(pl.len()).over(over) == 0).cast(pl.Float64))
    )
    return rows.select(*_PART, weight.alias("weight")).with_columns(
        (pl.col("weight") / pl.col("weight").sum().over(over)).alias("share")
    )


def _with_abrasive(rows: pl.DataFrame, book: Book) -> pl.DataFrame:
    shared = _shares(rows, ["shift", "pot"])
    whole = rows.select(*_PART, "from_at", "to_at", "job")
    # One part a shift and pot is enough to place bags in a shift.
    net = placed(book.net, whole)
    by_kind = net.group_by("shift", "pot", pl.col("abrasive").fill_null("")).agg(
        pl.col("abrasive_kg").sum()
    )
    mine = (
        shared.join(by_kind, on=["shift", "pot"])
        .with_columns(pl.col("abrasive_kg") * pl.col("share"))
        .sort("abrasive_kg", descending=True)
    )
    told = mine.group_by(_PART, maintain_order=True).agg(
        pl.col("abrasive").first(),
        pl.col("abrasive_kg").sum(),
        pl.struct("abrasive", "abrasive_kg").alias("kinds"),
    )
    reused = book.moves.filter((pl.col("move") == "swept") & (pl.col("goes") == "reuse"))
    reused = _with_pot(reused, rows)
    back = (
        placed(reused.select("shift", "pot", "at", "kg"), whole)
        .group_by("shift", "pot")
        .agg(pl.col("kg").sum())
    )
    back = shared.join(back, on=["shift", "pot"]).select(
        *_PART, back_kg=pl.col("kg") * pl.col("share")
    )
    return (
        rows.join(told, on=_PART, how="left", maintain_order="left")
        .join(back, on=_PART, how="left", maintain_order="left")
        .with_columns((pl.col("abrasive_kg") - pl.col("back_kg").fill_null(0.0)).alias("waste_kg"))
        .drop("back_kg")
    )


def _with_pot(moves: pl.DataFrame, rows: pl.DataFrame) -> pl.DataFrame:
    """Moves that name a shift but no pot, put on the shift's first one."""
    first = rows.group_by("shift", maintain_order=True).agg(pl.col("pot").first().alias("first"))
    return (
        moves.join(first, on="shift", how="left")
        .with_columns(
            pl.when(pl.col("pot") == "").then(pl.col("first").fill_null("")).otherwise("pot")
            .alias("pot")
        )
        .filter(pl.col("pot") != "")
        .drop("first")
    )  # fmt: skip


def _with_fuel(rows: pl.DataFrame, book: Book) -> pl.DataFrame:
    fuel = book.fuels.group_by("shift").agg(pl.col("litres").sum())
    shared = _shares(rows, ["shift"]).join(fuel, on="shift", how="left")
    return rows.join(
        shared.select(*_PART, fuel_l=pl.col("litres") * pl.col("share")),
        on=_PART, how="left", maintain_order="left",
    )  # fmt: skip


def _with_costs(rows: pl.DataFrame, book: Book) -> pl.DataFrame:
    begins = dict(rows.group_by("shift").agg(pl.col("from_at").min()).iter_rows())
    prices = PriceList(book.prices)
    price_kg = {
        name: price
        for name, price in book.kinds.select("abrasive", "price_kg").iter_rows()
        if price is not None
    }
    made = [
        _costs_of(row, begins[row["shift"]], prices, price_kg) for row in rows.iter_rows(named=True)
    ]
    named = ("wages", "abrasive", "fuel", "waste")
    columns: dict[str, list[Any]] = {
        f"{item}_cost": [costs.items.get(item) for costs in made] for item in named
    }
    columns["cost"] = [costs.total for costs in made]
    columns["lacking"] = [", ".join(costs.lacking) for costs in made]
    schema = {f"{item}_cost": pl.Float64 for item in named}
    added = pl.DataFrame(columns, schema=schema | {"cost": pl.Float64, "lacking": pl.String})
    return pl.concat([rows.drop("kinds"), added], how="horizontal")


def _costs_of(
    row: dict[str, Any], begin: dt.datetime, prices: PriceList, price_kg: dict[str, float]
) -> Costs:
    kinds = {kind["abrasive"]: kind["abrasive_kg"] for kind in row["kinds"] or ()}
    return shift_costs(
        begin, row["crew"], row["paid_s"], kinds, row["fuel_l"] or 0.0, row["waste_kg"] or 0.0,
        prices, price_kg,
    )  # fmt: skip
