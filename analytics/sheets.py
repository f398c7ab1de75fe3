"""Composes the sheet of a shift, and the rows that comparing and exporting take, from the store.

Each takes an open read window and writes nothing. What belongs to a shift lands in exactly one of
its parts, so parts add up to the sheet.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import (
    condition_frames,
    entry_frames,
    exports,
    figures,
    frames,
    hours,
    part_frames,
)
from analytics.air_nozzle import nozzle_air_demand_kg_s
from analytics.costs import Costs, shift_costs
from analytics.cycles import CYCLE_SCHEMA
from analytics.hour_review import HourTold, best_and_worst
from analytics.hours import microseconds
from analytics.nozzle_kept import NozzleKept, nozzle_kept
from analytics.pipeline import transducer_laws
from analytics.shift_rows import SHIFT_ROW_SCHEMA, costs_alike, with_schema
from analytics.signals import signals
from analytics.stock import stock
from analytics.time_use import TimeLedger, TimeUse, UseSettings, time_ledger, waiting_for_air
from analytics.work_parts import placed, work_parts
from ingest.errors import StoreError
from ingest.production_bodies import OF_A_SHIFT

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

#: A cycle that began this long before a shift may still reach into it.
_LOOK_BACK = dt.timedelta(days=1)

#: Columns of ``sample`` with pressures of other channels than the manifold's.
_NOT_SUPPLY = tuple(
    f"{channel}_{unit}" for channel in ("inlet", "pot", "nozzle") for unit in ("pa", "ma")
)

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
    shifts, areas = frames.shifts(con), frames.areas(con)
    return Book(
        shifts=shifts,
        parts=work_parts(shifts, entry_frames.job_changes(con), entry_frames.crews(con), areas),
        jobs=entry_frames.jobs(con),
        areas=areas,
        abrasives=frames.abrasives(con),
        net=entry_frames.abrasive_net(con),
        moves=entry_frames.abrasive_moves(con),
        kinds=entry_frames.abrasive_kinds(con),
        fuels=entry_frames.fuels(con),
        prices=entry_frames.prices(con),
        reasons=entry_frames.stop_reasons(con),
        signatures=entry_frames.signatures(con),
        bores=entry_frames.nozzle_bores(con),
    )


# --- parts of shifts -------------------------------------------------------------------------


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
    known = book or read_book(con)
    parts = known.parts.filter(pl.col("from_at") < now)
    if shifts is not None:
        parts = parts.filter(pl.col("shift").is_in(list(shifts)))
    if parts.is_empty():
        return pl.DataFrame(schema=PART_ROW_SCHEMA)
    numbers = frames.pots(con)
    timed = []
    for (pot,), mine in parts.group_by("pot", maintain_order=True):
        timed.append(_timed(con, yard, str(pot), numbers.get(str(pot)), mine, known, now))
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
    return with_schema(costs_alike(part_rows(con, yard, now)).select(list(SHIFT_ROW_SCHEMA)))


def _timed(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pot: str,
    pot_id: int | None,
    parts: pl.DataFrame,
    book: Book,
    now: dt.datetime,
) -> pl.DataFrame:
    """Parts of one pot with what its readings say of each."""
    totals = figures.totals_of(con, yard, pot)
    begin, end = parts["from_at"].min(), parts["to_at"].max()
    cycles = (
        frames.cycles(con, pot_id, begin, end)  # type: ignore[arg-type]
        if pot_id
        else pl.DataFrame(schema=CYCLE_SCHEMA)
    ).filter(~pl.col("flicker"))
    ends = parts.select(pl.min_horizontal("to_at", pl.lit(now)).alias("to_at"))["to_at"]
    from_us = parts["from_at"].cast(pl.Int64).to_numpy()
    to_us = np.maximum(ends.cast(pl.Int64).to_numpy(), from_us)
    windows = hours.windows(totals, from_us, to_us).select(
        "elapsed_s", "blast_s", "blast_low_s", "blast_high_s", "no_data_s", "cycles"
    )
    said = []
    for from_at, to_at in parts.select("from_at", "to_at").iter_rows():
        inside = cycles.filter((pl.col("pressed_at") >= from_at) & (pl.col("pressed_at") < to_at))
        bore_m = bore_of(yard, pot, book.bores, from_at)
        theory_kg = air_used_kg(inside, bore_m)
        kept = nozzle_kept(inside, yard.review.nozzle_target_pa)
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
    """The bore of a pot's nozzle at an instant: as last measured, else as in the yard file. [m]"""
    measured = bores.filter((pl.col("pot") == pot) & (pl.col("at") <= at))
    if measured.height:
        return float(measured["bore_m"][-1])
    described = yard.pot(pot)
    return described.nozzle_bore_m if described else None


def air_used_kg(cycles: pl.DataFrame, bore_m: float | None) -> float | None:
    """Air through a nozzle over cycles, by the nozzle equation, as if it carried no abrasive.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``nozzle_pa`` [Pa gauge] and ``blast_s``.
    bore_m : float or None
        Bore of the nozzle. [m]

    Returns
    -------
    float or None
        Cycles without a nozzle pressure are taken as the mean of the others; ``None`` where half of
        the blast time or more has none, or no bore is known. [kg]
    """
    if bore_m is None or cycles.is_empty():
        return None
    whole = float(cycles["blast_s"].sum())
    known = cycles.filter(pl.col("nozzle_pa").is_not_null())
    seen = float(known["blast_s"].sum())
    if whole <= 0.0 or seen <= 0.5 * whole:
        return None
    flow = nozzle_air_demand_kg_s(bore_m, known["nozzle_pa"].to_numpy())
    return float(np.sum(flow * known["blast_s"].to_numpy())) * whole / seen


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
    made = [_costs_of(row, begins[row["shift"]], book) for row in rows.iter_rows(named=True)]
    named = ("wages", "abrasive", "fuel", "waste")
    columns: dict[str, list[Any]] = {
        f"{item}_cost": [costs.items.get(item) for costs in made] for item in named
    }
    columns["cost"] = [costs.total for costs in made]
    columns["lacking"] = [", ".join(costs.lacking) for costs in made]
    schema = {f"{item}_cost": pl.Float64 for item in named}
    added = pl.DataFrame(columns, schema=schema | {"cost": pl.Float64, "lacking": pl.String})
    return pl.concat([rows.drop("kinds"), added], how="horizontal")


def _costs_of(row: dict[str, Any], begin: dt.datetime, book: Book) -> Costs:
    price_kg = {
        name: price
        for name, price in book.kinds.select("abrasive", "price_kg").iter_rows()
        if price is not None
    }
    kinds = {kind["abrasive"]: kind["abrasive_kg"] for kind in row["kinds"] or ()}
    return shift_costs(
        begin, row["crew"], row["paid_s"], kinds, row["fuel_l"] or 0.0, row["waste_kg"] or 0.0,
        book.prices, price_kg,
    )  # fmt: skip


# --- the sheet of a shift --------------------------------------------------------------------


@dataclass(frozen=True)
class PotSheet:
    """A pot's share of a shift's sheet.

    Parameters
    ----------
    pot : str
        The pot.
    ledger : TimeLedger
        Where its time went.
    nozzle : NozzleKept
        How its nozzle pressure was kept.
    bore_m : float or None
        Of its nozzle. [m]
    hours : tuple of HourTold or None
        Best and worst hour.
    air_judged : bool
        Whether waiting for air could be told from the manifold.
    """

    pot: str
    ledger: TimeLedger
    nozzle: NozzleKept
    bore_m: float | None
    hours: tuple[HourTold, HourTold] | None
    air_judged: bool

    @property
    def use(self) -> TimeUse:
        """The whole shift's use of time."""
        return self.ledger.whole


@dataclass(frozen=True)
class Signed:
    """A signature under a sheet, and what has changed since.

    Parameters
    ----------
    by : str
        Who signed.
    at : datetime
        When, naive UTC.
    record_id : str
        Of the signature.
    blast_s, area_m2, abrasive_kg : float or None
        What the sheet said then. [s, m2, kg]
    note : str
        What the signer wrote.
    changes : tuple of dict
        Rows entered since: ``kind, recorded_at, recorded_by, reason, withdrawn, supersedes,
        record_id``.
    """

    by: str
    at: dt.datetime
    record_id: str
    blast_s: float | None
    area_m2: float | None
    abrasive_kg: float | None
    note: str
    changes: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class Sheet:
    """The sheet of a shift.

    Parameters
    ----------
    shift, crew : str
        Its name, and who worked.
    from_at, to_at : datetime
        As booked, naive UTC.
    over : bool
        It has ended.
    rows : polars.DataFrame
        :data:`PART_ROW_SCHEMA`.
    pots : tuple of PotSheet
        Pot by pot.
    signed : Signed or None
        ``None``: nobody has signed yet.
    """

    shift: str
    crew: str
    from_at: dt.datetime
    to_at: dt.datetime
    over: bool
    rows: pl.DataFrame
    pots: tuple[PotSheet, ...]
    signed: Signed | None

    def total(self, column: str) -> float | None:
        """The sum of a column over the sheet's rows; ``None`` where every one is null."""
        known = self.rows[column].drop_nulls()
        return float(known.sum()) if known.len() else None

    def ratio(self, amount: str, per: str, scale: float = 1.0) -> float | None:
        """Ratio of two columns' sums, over rows where both are known; ``None`` without any."""
        known = self.rows.filter(pl.col(amount).is_not_null() & (pl.col(per) > 0.0))
        below = float(known[per].sum())
        return float(known[amount].sum()) / below * scale if below > 0.0 else None

    @property
    def costs(self) -> Costs:
        """What the shift cost."""
        items = {
            item: self.total(f"{item}_cost") or 0.0
            for item in ("wages", "abrasive", "fuel", "waste")
            if self.rows[f"{item}_cost"].drop_nulls().len()
        }
        lacking = [w for text in self.rows["lacking"] for w in text.split(", ") if w]
        return Costs(items, tuple(dict.fromkeys(lacking)))


def shift_sheet(con: duckdb.DuckDBPyConnection, yard: Yard, shift: str, now: dt.datetime) -> Sheet:
    """The sheet of a shift.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    shift : str
        Its name.
    now : datetime
        Naive UTC.

    Raises
    ------
    StoreError
        There is no such shift, or it has not begun.
    """
    book = read_book(con)
    booked = book.shifts.filter(pl.col("shift") == shift)
    if booked.is_empty():
        raise StoreError(f'There is no shift "{shift}".', "Look at `gritbook record list shift`.")
    first = booked.row(0, named=True)
    if first["from_at"] >= now:
        raise StoreError(f"The shift {shift} has not begun yet.", "Look again once it has.")
    rows = part_rows(con, yard, now, [shift], book)
    pots = tuple(pot_sheets(con, yard, booked, book, now))
    return Sheet(
        shift, first["crew"], first["from_at"], first["to_at"], first["to_at"] <= now, rows, pots,
        _signed(con, first, booked["pot"].to_list(), book),
    )  # fmt: skip


def pot_sheets(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    booked: pl.DataFrame,
    book: Book,
    now: dt.datetime,
) -> Iterator[PotSheet]:
    """Where the time of shifts went, pot by pot.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    booked : polars.DataFrame
        Shifts, ``shift, pot, from_at, to_at``, that have begun.
    book : Book
        What people entered.
    now : datetime
        Naive UTC.
    """
    numbers = frames.pots(con)
    review = yard.review
    rules = UseSettings(review.stop_s, review.refill_most_s)
    totals: dict[str, hours.PotHours] = {}
    for row in booked.iter_rows(named=True):
        pot, from_at, to_at = row["pot"], row["from_at"], min(row["to_at"], now)
        pot_id = numbers.get(pot)
        if pot not in totals:
            totals[pot] = figures.totals_of(con, yard, pot)
        cycles = pl.DataFrame(schema=CYCLE_SCHEMA)
        refills = _within(book.abrasives.filter(pl.col("pot") == pot)["at"], from_at, to_at)
        waiting: list[tuple[int, int]] = []
        if pot_id:
            around = frames.cycles(con, pot_id, from_at - _LOOK_BACK, to_at)
            cycles = around.filter(pl.col("span_to_at") > from_at)
            found = condition_frames.tippings(con, pot_id, from_at, to_at)
            refills += [a + (b - a) / 2 for a, b in found.select("from_at", "to_at").iter_rows()]
            if review.supply_target_pa is not None and cycles.height:
                # Only the manifold is judged and scaled: a sixth of the time that all channels take.
                samples = frames.samples(con, pot_id, from_at, to_at).with_columns(
                    pl.lit(None, pl.Float64).alias(name) for name in _NOT_SUPPLY
                )
                waiting = waiting_for_air(
                    signals(samples, transducer_laws(yard, pot)), cycles,
                    review.supply_target_pa, yard.gap_s(pot),
                )  # fmt: skip
        ledger = time_ledger(
            cycles, totals[pot], from_at, to_at, book.reasons.filter(pl.col("pot") == pot),
            sorted(refills), waiting, rules,
        )  # fmt: skip
        inside = cycles.filter((pl.col("pressed_at") >= from_at) & ~pl.col("flicker"))
        yield PotSheet(
            pot,
            ledger,
            nozzle_kept(inside, review.nozzle_target_pa, review.loss_per_psi),
            bore_of(yard, pot, book.bores, from_at),
            best_and_worst(ledger, inside, from_at),
            review.supply_target_pa is not None and inside["supply_pa"].drop_nulls().len() > 0,
        )


def _within(at: pl.Series, from_at: dt.datetime, to_at: dt.datetime) -> list[dt.datetime]:
    return [one for one in at.to_list() if from_at <= one < to_at]


def _signed(
    con: duckdb.DuckDBPyConnection, shift: dict[str, Any], pots: list[str], book: Book
) -> Signed | None:
    signature = book.signatures.filter(pl.col("shift") == shift["shift"])
    if signature.is_empty():
        return None
    row = signature.row(-1, named=True)
    since = entry_frames.rows_since(con, row["recorded_at"])
    changes = [
        {name: change[name] for name in ("kind", "record_id", "recorded_at", "recorded_by",
                                         "withdrawn", "supersedes", "reason")}
        for change in since.iter_rows(named=True)
        if change["kind"] in (*OF_A_SHIFT, "shift")
        and any(
            _touches(json.loads(body), shift, pots)
            for body in (change["body"], change["body_before"])
            if body
        )
    ]  # fmt: skip
    return Signed(
        row["by"], row["recorded_at"], row["record_id"], row["blast_s"], row["area_m2"],
        row["abrasive_kg"], row["note"], tuple(changes),
    )  # fmt: skip


def _touches(body: dict[str, Any], shift: dict[str, Any], pots: list[str]) -> bool:
    """Whether what was entered belongs to a shift: it names it, or its pot's time."""
    if body.get("shift"):
        return bool(body["shift"] == shift["shift"])
    if body.get("pot") not in pots:
        return False
    begin, end = (
        microseconds(dt.datetime.fromisoformat(text).astimezone(dt.UTC).replace(tzinfo=None))
        for text in (body.get("from_at") or body["at"], body.get("to_at") or body["at"])
    )
    return begin < microseconds(shift["to_at"]) and end >= microseconds(shift["from_at"])


# --- exports ---------------------------------------------------------------------------------


def export_tables(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    now: dt.datetime,
    from_at: dt.datetime | None = None,
    to_at: dt.datetime | None = None,
) -> dict[str, pl.DataFrame]:
    """Every table of :data:`analytics.exports.TABLE_COLUMNS`.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC.
    from_at, to_at : datetime, optional
        Shifts that begin, cycles and entries that lie from the one on, before the other; stock is
        that at ``to_at``. Naive UTC.
    """
    book = read_book(con)
    booked = exports.between(
        book.shifts.filter(pl.col("from_at") < now), "from_at", from_at, to_at
    ).sort("from_at", "shift", "pot")
    names = booked["shift"].unique().to_list()
    ledgers = [
        (shift, sheet.pot, sheet.ledger)
        for shift, sheet in zip(
            booked["shift"], pot_sheets(con, yard, booked, book, now), strict=True
        )
    ]
    pieces = [pl.DataFrame(schema={"pot": pl.String} | CYCLE_SCHEMA)]
    pieces += [
        frames.cycles(con, number, from_at, to_at).select(pl.lit(pot).alias("pot"), pl.all())
        for pot, number in frames.pots(con).items()
    ]
    abrasive = exports.abrasive_table(book.abrasives, book.moves)
    tables = {
        "shifts": part_rows(con, yard, now, names, book),
        "cycles": pl.concat([piece.select("pot", *CYCLE_SCHEMA) for piece in pieces]),
        "areas": exports.between(book.areas, "at", from_at, to_at),
        "abrasive": exports.between(abrasive, "at", from_at, to_at),
        "stock": stock(book.moves, book.abrasives, book.kinds, to_at),
        "checks": exports.between(part_frames.checks(con), "at", from_at, to_at),
        "time_use": exports.time_use_table(ledgers),
        "stops": exports.stops_table(ledgers),
    }
    return exports.in_order(tables)
