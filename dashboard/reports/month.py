"""A month compared as a report: what was done, crews and jobs, and what must be known with it."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import polars as pl

from analytics import exports, figures
from analytics.compare import GROUPS, Comparison, compare
from analytics.costs import MONEY, Costs, without_money
from analytics.hours import naive_utc
from analytics.part_rows import part_rows, shift_rows
from analytics.shift_rows import MEASURES
from dashboard import compare_words as told
from dashboard import time_words, units, words
from dashboard.interval_chart import intervals
from dashboard.reports import drawings
from dashboard.reports.content import Block, Figures, Heading, Lines, Note, Report, text_table
from dashboard.reports.frame import WITHOUT_MONEY, as_of, opening, site_title, trust
from dashboard.sheet_words import Said
from ingest.errors import RecordRefused

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

#: What is compared, by which rates; the first is drawn.
_BY = ("crew", "job")
_RATES = ("area_m2_blast_h", "area_m2_paid_h", "abrasive_kg_m2", "cost_m2")


def month_of(text: str, yard: Yard) -> tuple[dt.date, dt.datetime, dt.datetime]:
    """A month of the site's calendar: its first day, and its ends (half-open, naive UTC).

    Raises
    ------
    RecordRefused
        It is no month as ``2026-11``.

    Examples
    --------
    >>> import types, zoneinfo
    >>> site = types.SimpleNamespace(zone=zoneinfo.ZoneInfo("Europe/Berlin"))
    >>> month_of("2026-03", types.SimpleNamespace(site=site))[1:]
    (datetime.datetime(2026, 2, 28, 23, 0), datetime.datetime(2026, 3, 31, 22, 0))
    """
    try:
        first = dt.date.fromisoformat(f"{text.strip()}-01")
    except ValueError as error:
        raise RecordRefused(
            f'"{text}" is no month.', "Write year and month, such as 2026-11."
        ) from error
    later = (first + dt.timedelta(days=32)).replace(day=1)
    begin, end = (
        naive_utc(dt.datetime.combine(day, dt.time(), tzinfo=yard.site.zone))
        for day in (first, later)
    )
    return first, begin, end


def compose(
    con: duckdb.DuckDBPyConnection, yard: Yard, month: str, now: dt.datetime, money: bool = True
) -> Report:
    """A month's crews and jobs.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    month : str
        As ``2026-11``.
    now : datetime
        Naive UTC.
    money : bool
        Whether its reader may see prices and costs.

    Raises
    ------
    RecordRefused
        It is no month, or one that has not begun.
    """
    zone = yard.site.zone
    first, from_at, to_at = month_of(month, yard)
    name = f"{_MONTHS[first.month - 1]} {first.year}"
    if from_at >= now:
        raise RecordRefused(f"{name} has not begun yet.", "Ask for a month that has.")
    now = as_of(con, from_at, now)
    upto = min(now, to_at)
    rows = exports.between(shift_rows(con, yard, now), "from_at", from_at, to_at)
    parts = exports.between(part_rows(con, yard, now), "from_at", from_at, to_at)
    edges = figures.day_edges(from_at, min(to_at, now), yard, "day")
    if not money:
        rows, parts = without_money(rows), without_money(parts)
    by_day = figures.hours_between(con, yard, yard.pot_names, edges, now)
    blocks: list[Block] = [*opening(yard), Heading("The month")]
    if parts.is_empty():
        blocks.append(
            Note(f"No shift began in {name}.", "Shifts are booked in the log book; without them "
                 "nothing can be compared.")
        )  # fmt: skip
    else:
        blocks.append(_whole(parts, yard))
    if by_day.height:
        titles = {pot: words.pot_title(yard, pot) for pot in yard.pot_names}
        blocks += [
            Heading("Hours of each pot", level=3),
            _pots(by_day, yard),
            drawings.days_of_hours(by_day, zone, titles),
        ]
    for by in _BY if rows.height else ():
        blocks += _compared(rows, by, yard, money)
    blocks += [
        Heading("What adjusting does"),
        *(Note(question, answer, "answer") for question, answer in told.HOW_ADJUSTED),
        *trust(
            "Rates are the ratio of two sums, never a mean of ratios. Ranges hold the true figure "
            "nine times in ten. A rate is no judgement of people: single persons are not compared."
            + ("" if money else f" {WITHOUT_MONEY}")
        ),
    ]
    whole = "the whole month" if upto >= to_at else "still under way"
    return Report(
        "month", name, "Crews and jobs, as they did and under like conditions",
        site_title(yard), zone.key, first, upto.replace(microsecond=0),
        (
            ("Figures up to", f"{time_words.day_and_time(upto, zone)}, {whole}"),
            ("Site, time zone", f"{site_title(yard)}, {zone.key}"),
            ("Shifts", f"{parts['shift'].n_unique()}, all that began in the month"),
        ),
        tuple(blocks),
    )  # fmt: skip


_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September",
           "October", "November", "December")  # fmt: skip


def _sum(parts: pl.DataFrame, column: str) -> float | None:
    known = parts[column].drop_nulls()
    return float(known.sum()) if known.len() else None


def _whole(parts: pl.DataFrame, yard: Yard) -> Figures:
    """Sums of all that began in the month."""
    blast, low, high = (_sum(parts, f"blast_{end}s") for end in ("", "low_", "high_"))
    area, kg = _sum(parts, "area_m2"), _sum(parts, "abrasive_kg")
    both = parts.filter(pl.col("area_m2").is_not_null() & (pl.col("blast_s") > 0))
    used = parts.filter(pl.col("abrasive_kg").is_not_null() & (pl.col("area_m2") > 0))
    pace = _ratio(both, "area_m2", "blast_s")
    per_area = _ratio(used, "abrasive_kg", "area_m2")
    elapsed, silent = _sum(parts, "elapsed_s") or 0.0, _sum(parts, "no_data_s") or 0.0
    items = {
        item: _sum(parts, f"{item}_cost") or 0.0
        for item in ("wages", "abrasive", "fuel", "waste")
        if parts[f"{item}_cost"].drop_nulls().len()
    }
    lacking = [w for text in parts["lacking"] for w in text.split(", ") if w]
    costs = Costs(items, tuple(dict.fromkeys(lacking)))
    said = [
        Said("Blast-on", words.hours(blast, 1), "h", "", words.between_hours(low, high, 1)),
        Said("Area done", words.measure("area", area), units.unit("area"),
             "as entered" if area is not None else "none entered"),
        Said("Pace", words.measure("pace", pace), units.unit("pace"), "a blast-on hour"),
        Said("Abrasive", words.measure("mass", kg), units.unit("mass"),
             "bags entered, less what was taken back"),
        Said("Abrasive per area", words.measure("per_area", per_area), units.unit("per_area"),
             "of shifts where both are known"),
        Said("Heard", words.percent((elapsed - silent) / elapsed) if elapsed else words.NONE, "",
             f"{words.hours(silent, 1)} h of {words.hours(elapsed, 1)} h booked without readings"),
    ]  # fmt: skip
    if costs.total is not None:
        lacks = f"no price for {', '.join(costs.lacking)}" if costs.lacking else ""
        said.append(Said("Cost", words.amount(costs.total), yard.site.currency or "money", lacks))
    return Figures(tuple(said))


def _ratio(rows: pl.DataFrame, amount: str, per: str) -> float | None:
    below = float(rows[per].sum())
    return float(rows[amount].sum()) / below if below > 0.0 else None


def _pots(by_day: pl.DataFrame, yard: Yard) -> Block:
    sums = by_day.group_by("pot", maintain_order=True).agg(
        pl.col("blast_s", "blast_low_s", "blast_high_s", "no_data_s", "elapsed_s", "cycles").sum()
    )
    rows = []
    for row in sums.iter_rows(named=True):
        low, high = words.hours(row["blast_low_s"], 1), words.hours(row["blast_high_s"], 1)
        rows.append(
            (
                words.pot_title(yard, row["pot"]),
                words.hours(row["blast_s"], 1),
                words.NONE if low == high else f"{low} to {high}",
                words.plain_number(row["cycles"]),
                words.hours(row["no_data_s"], 1),
            )
        )
    return text_table(
        "The whole month, in shifts and outside. No data includes the time that a box was off.",
        ("Pot", "Blast-on [h]", "low to high", "Pinch cycles", "No data [h]"), rows, (1, 2, 3, 4),
        (2, 1, 1.3, 1, 1),
    )  # fmt: skip


#: Widths of the columns of a table of groups.
_GROUP_WIDTHS = (1.7, 1, 0.9, 1.4, 1.1, 1.4, 1.9)


def _compared(rows: pl.DataFrame, by: str, yard: Yard, money: bool) -> list[Block]:
    many = words.sentence(GROUPS[by][1])
    blocks: list[Block] = [Heading(many, "By name, not by rate.", fresh=True)]
    told_already: set[str] = set()
    shown = [name for name in _RATES if money or MEASURES[name].amount not in MONEY]
    for index, name in enumerate(shown):
        found = compare(rows, MEASURES[name], by)
        title = told.measure_named(name, yard)
        if found.groups.is_empty() or found.groups["used"].sum() == 0:
            # Every row of every reason would fill pages: why, and of how many.
            why = found.left_out["reason"].value_counts(sort=True)
            said = "; ".join(f"{told.reason(r)}: {n}" for r, n in why.iter_rows())
            blocks += [
                Heading(title, level=3),
                Lines((f"No shift counts for this rate ({said}).",)),
            ]
            continue
        blocks.append(Heading(title, level=3))
        verdict, rest = told.verdict(found)
        if verdict:
            blocks.append(Note(verdict, rest))
        some = found.groups.filter(pl.col("rate").is_not_null())
        if index == 0:
            middle = ", ".join(
                f"{row['group']} {told.rate(row['rate'])}" for row in some.iter_rows(named=True)
            )
            blocks.append(
                drawings.chart(intervals(some, title, drawings.INK), f"{title}: {middle}.",
                               "Bars: 90 % ranges.")
            )  # fmt: skip
        blocks.append(
            text_table(told.adjusted_for(found) or "As they did.", told.group_head(found),
                       told.group_rows(found), (1, 2, 3, 4, 5, 6), _GROUP_WIDTHS)
        )  # fmt: skip
        # What holds for one rate holds for the next as well: it is said once.
        new = tuple(said for said in found.sentences if said not in {*told_already, verdict})
        told_already |= set(new)
        if new:
            blocks.append(Lines(new))
        if index == 0:
            blocks += _asked_about(found, yard)
    return blocks


def _asked_about(known: Comparison, yard: Yard) -> list[Block]:

    blocks: list[Block] = []
    if known.unusual.height:
        blocks += [
            Heading("To be asked about", "Far from what the other shifts lead to expect.", 3),
            text_table("They still count. Look at their entries in the log book.",
                       told.unusual_head(known), told.unusual_rows(known, yard), (4, 5)),
        ]  # fmt: skip
    if known.left_out.height:
        count = words.counted(known.left_out.height, "shift does not count", "shifts do not count")
        blocks += [
            Heading(words.sentence(count), level=3),
            text_table("Left out of the figures above, a row a shift and pot.",
                       told.left_out_head(known), told.left_out_rows(known, yard)),
        ]  # fmt: skip
    return blocks
