"""Composes the sheet of a shift, and the tables that are exported, from the store.

Each takes an open read window and writes nothing. Its rows come from :mod:`analytics.part_rows`.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

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
from analytics.costs import Costs, without_money
from analytics.cycles import CYCLE_SCHEMA
from analytics.hour_review import HourTold, best_and_worst
from analytics.hours import microseconds
from analytics.nozzle_kept import NozzleKept, nozzle_kept
from analytics.part_rows import (
    Book,
    History,
    bore_of,
    part_rows,
    read_book,
    read_history,
    rows_of,
)
from analytics.pipeline import transducer_laws
from analytics.signals import signals
from analytics.stock import stock
from analytics.time_use import TimeLedger, TimeUse, UseSettings, time_ledger, waiting_for_air
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
        ``None``: no signature stands.
    signatures : tuple of dict
        Every row about its signature, also those that no longer stand:
        :func:`analytics.entry_frames.signature_rows`.
    """

    shift: str
    crew: str
    from_at: dt.datetime
    to_at: dt.datetime
    over: bool
    rows: pl.DataFrame
    pots: tuple[PotSheet, ...]
    signed: Signed | None
    signatures: tuple[dict[str, Any], ...] = ()

    def total(self, column: str) -> float | None:
        """The sum of a column over the sheet's rows; ``None`` where every one is null."""
        known = self.rows[column].drop_nulls()
        return float(known.sum()) if known.len() else None

    def ratio(self, amount: str, per: str, scale: float = 1.0) -> float | None:
        """Ratio of two columns' sums, over rows where both are known; ``None`` without any."""
        known = self.rows.filter(pl.col(amount).is_not_null() & (pl.col(per) > 0.0))
        below = float(known[per].sum())
        return float(known[amount].sum()) / below * scale if below > 0.0 else None

    def without_money(self) -> Sheet:
        """The same sheet for somebody who is shown no prices and costs."""
        return replace(self, rows=without_money(self.rows))

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
    return sheet_of(read_sheet(con, yard, shift, now), yard, now)


@dataclass(frozen=True)
class ShiftRead:
    """What the sheet of a shift is made of, read at once: the store is let go before the work.

    Parameters
    ----------
    booked : polars.DataFrame
        The shift's rows of ``analytics.record_frames.shifts``.
    history : History
        What its rows are made of.
    pots : tuple of PotRead
        As many as ``booked`` has rows.
    signed : Signed or None
        Its signature.
    signatures : tuple of dict
        :func:`analytics.entry_frames.signature_rows`.
    """

    booked: pl.DataFrame
    history: History
    pots: tuple[PotRead, ...]
    signed: Signed | None
    signatures: tuple[dict[str, Any], ...]


def read_sheet(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    shift: str,
    now: dt.datetime,
    book: Book | None = None,
) -> ShiftRead:
    """What :func:`sheet_of` works on; parameters and errors are those of :func:`shift_sheet`."""
    book = read_book(con) if book is None else book
    booked = book.shifts.filter(pl.col("shift") == shift)
    if booked.is_empty():
        raise StoreError(f'There is no shift "{shift}".', "Look at `gritbook record list shift`.")
    first = booked.row(0, named=True)
    if first["from_at"] >= now:
        raise StoreError(f"The shift {shift} has not begun yet.", "Look again once it has.")
    history = read_history(con, yard, now, [shift], book)
    return ShiftRead(
        booked,
        history,
        tuple(_pot_reads(con, yard, booked, now)),
        _signed(con, first, booked["pot"].to_list(), book),
        tuple(entry_frames.signature_rows(con, shift)),
    )


def sheet_of(read: ShiftRead, yard: Yard, now: dt.datetime) -> Sheet:
    """The sheet of a shift, from what was read before.

    Parameters
    ----------
    read : ShiftRead
        From :func:`read_sheet`.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC, as for :func:`read_sheet`.
    """
    first = read.booked.row(0, named=True)
    totals = {pot: history.totals(yard) for pot, history in read.history.pots.items()}
    pots = tuple(
        _pot_sheet(yard, row, found, totals[row["pot"]], read.history.book, now)
        for row, found in zip(read.booked.iter_rows(named=True), read.pots, strict=True)
    )
    return Sheet(
        first["shift"], first["crew"], first["from_at"], first["to_at"], first["to_at"] <= now,
        rows_of(read.history, yard, now), pots, read.signed, read.signatures,
    )  # fmt: skip


@dataclass(frozen=True)
class PotRead:
    """A pot's readings in a shift: ``samples`` only where they tell of waiting for air."""

    cycles: pl.DataFrame
    tippings: pl.DataFrame
    samples: pl.DataFrame | None


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
    totals: dict[str, hours.PotHours] = {}
    reads = _pot_reads(con, yard, booked, now)
    for row, read in zip(booked.iter_rows(named=True), reads, strict=True):
        if row["pot"] not in totals:
            totals[row["pot"]] = figures.totals_of(con, yard, row["pot"])
        yield _pot_sheet(yard, row, read, totals[row["pot"]], book, now)


def _pot_reads(
    con: duckdb.DuckDBPyConnection, yard: Yard, booked: pl.DataFrame, now: dt.datetime
) -> Iterator[PotRead]:
    numbers = frames.pots(con)
    for row in booked.iter_rows(named=True):
        pot_id, from_at, to_at = numbers.get(row["pot"]), row["from_at"], min(row["to_at"], now)
        if not pot_id:
            nothing = pl.DataFrame(
                schema={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us")}
            )
            yield PotRead(pl.DataFrame(schema=CYCLE_SCHEMA), nothing, None)
            continue
        around = frames.cycles(con, pot_id, from_at - _LOOK_BACK, to_at)
        cycles = around.filter(pl.col("span_to_at") > from_at)
        tippings = condition_frames.tippings(con, pot_id, from_at, to_at)
        asked = yard.review.supply_target_pa is not None and cycles.height
        samples = frames.samples(con, pot_id, from_at, to_at) if asked else None
        yield PotRead(cycles, tippings, samples)


def _pot_sheet(
    yard: Yard,
    row: dict[str, Any],
    read: PotRead,
    totals: hours.PotHours,
    book: Book,
    now: dt.datetime,
) -> PotSheet:
    review, cycles = yard.review, read.cycles
    pot, from_at, to_at = row["pot"], row["from_at"], min(row["to_at"], now)
    refills = _within(book.abrasives.filter(pl.col("pot") == pot)["at"], from_at, to_at)
    refills += [a + (b - a) / 2 for a, b in read.tippings.select("from_at", "to_at").iter_rows()]
    waiting: list[tuple[int, int]] = []
    if read.samples is not None and review.supply_target_pa is not None:
        # Only the manifold is judged and scaled: all channels take six times as long.
        samples = read.samples.with_columns(pl.lit(None, pl.Float64).alias(n) for n in _NOT_SUPPLY)
        waiting = waiting_for_air(
            signals(samples, transducer_laws(yard, pot)), cycles,
            review.supply_target_pa, yard.gap_s(pot),
        )  # fmt: skip
    ledger = time_ledger(
        cycles, totals, from_at, to_at, book.reasons.filter(pl.col("pot") == pot),
        sorted(refills), waiting, UseSettings(review.stop_s, review.refill_most_s),
    )  # fmt: skip
    inside = cycles.filter((pl.col("pressed_at") >= from_at) & ~pl.col("flicker"))
    return PotSheet(
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
