"""The sheet of a shift as a report: the whole, then each pot with its time, pressures and stops."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import figures, frames, hours, traces
from analytics.nozzle_kept import OwnEffect, own_effect
from analytics.part_rows import shift_rows
from analytics.pipeline import transducer_laws
from analytics.sheets import PotSheet, Sheet, shift_sheet
from analytics.signals import signals
from analytics.time_use import BLASTING, NO_DATA, PAUSE, PRESSURISING, UNEXPLAINED
from dashboard import condition_words, review_words, sheet_words, time_words, units, words
from dashboard.reports import drawings
from dashboard.reports.content import (
    Block,
    Cell,
    Figures,
    Heading,
    Lines,
    Note,
    Report,
    Run,
    Stairs,
    Table,
    ToSign,
    cell,
    text_table,
)
from dashboard.reports.frame import WITHOUT_MONEY, as_of, opening, site_title, trust
from dashboard.sheet_words import Said

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

#: Most points of a line in a chart on paper: finer is not to be seen.
_POINTS = 900
#: Silences that are listed one by one, the longest; the sum holds all.
_SILENCES = 24
#: Parts of an hour that have a column of their own; reasons stand together.
_OF_AN_HOUR = (BLASTING, PRESSURISING, "reasons", PAUSE, UNEXPLAINED, NO_DATA)


def compose(
    con: duckdb.DuckDBPyConnection, yard: Yard, shift: str, now: dt.datetime, money: bool = True
) -> Report:
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
    money : bool
        Whether its reader may see prices and costs.

    Raises
    ------
    StoreError
        There is no such shift, or it has not begun.
    """
    zone = yard.site.zone
    summaries = frames.shift_summaries(con).filter(pl.col("shift") == shift)
    begin = summaries["from_at"].min()
    if isinstance(begin, dt.datetime):
        now = as_of(con, begin, now)
    sheet = shift_sheet(con, yard, shift, now)
    if not money:
        sheet = sheet.without_money()
    effect = own_effect(shift_rows(con, yard, now))
    known_to = frames.store_version(con)[0] or sheet.from_at
    pots: list[Block] = []
    coverages: list[tuple[str, review_words.Coverage]] = []
    lacking: list[str] = []
    for mine in sheet.pots:
        row = summaries.filter(pl.col("pot") == mine.pot)
        found = row.row(0, named=True) if row.height else None
        blocks, covered, unknown = _pot(con, yard, sheet, mine, effect, found, known_to)
        pots += blocks
        lacking += unknown
        if covered is not None:
            coverages.append((words.pot_title(yard, mine.pot), covered))
    jobs = ", ".join(dict.fromkeys(sheet.rows["job"]))
    upto = min(known_to, sheet.to_at)
    whole = "the whole shift" if known_to >= sheet.to_at else "still under way"
    blocks = [
        *opening(yard),
        *_signed_on_top(sheet, yard),
        Heading("The shift", f"All of its pots together. Crew {sheet.crew}. Job {jobs}."),
        Figures(tuple(sheet_words.figures(sheet, yard))),
        _by_pot(sheet, yard),
        *_not_known(sheet, coverages, lacking, money),
        *pots,
        Heading("Signature"),
        *_signature(sheet, yard),
        *trust(
            "Blast-on: the dead-man was held open and the pot was pressurised. Low counts missing "
            "data as off, high as on where it may have been blasting; a figure without a range had "
            "no missing data that could change it."
            + (" Cost comes only from prices that were entered." if money else "")
        ),
        ToSign(("Name", "Date", "Signature")),
    ]
    return Report(
        "shift", shift,
        f"{time_words.stretch(sheet.from_at, sheet.to_at, zone)}, crew {sheet.crew}",
        site_title(yard), zone.key, time_words.in_zone(sheet.from_at, zone).date(),
        upto.replace(microsecond=0),
        (
            ("Figures up to", f"{time_words.day_and_time(upto, zone)}, {whole}"),
            ("Site, time zone", f"{site_title(yard)}, {zone.key}"),
            ("Signature", sheet_words.signed(sheet, zone)),
        ),
        tuple(blocks),
    )  # fmt: skip


def _signed_on_top(sheet: Sheet, yard: Yard) -> list[Block]:
    """What a reader must know before any figure: this is not what was signed."""
    changed = sheet_words.changes(sheet, yard.site.zone)
    if sheet.signed is None or not changed:
        return []
    first = "Changed after it was signed." if sheet_words.changed_since(sheet) else "Signed anew."
    return [Note(first, " ".join(changed), "warn")]


def _by_pot(sheet: Sheet, yard: Yard) -> Table:
    rows = []
    for row in sheet.rows.iter_rows(named=True):
        rows.append(
            (
                words.pot_title(yard, row["pot"]), row["job"], words.hours(row["blast_s"]),
                _range(row["blast_low_s"], row["blast_high_s"]),
                words.plain_number(row["cycles"] or 0), words.measure("area", row["area_m2"]),
                words.measure("mass", row["abrasive_kg"]), words.hours(row["no_data_s"]),
            )
        )  # fmt: skip
    head = (
        "Pot", "Job", "Blast-on [h]", "low to high", "Pinch cycles",
        f"Area [{units.unit('area')}]", f"Abrasive [{units.unit('mass')}]", "No data [h]",
    )  # fmt: skip
    return text_table(
        "By pot and job. Abrasive: bags entered, less what was taken back.", head, rows,
        (2, 3, 4, 5, 6, 7), (1.6, 2.2, 1.1, 1.7, 1, 1, 1.2, 1),
    )  # fmt: skip


def _range(low_s: float | None, high_s: float | None) -> str:
    if low_s is None or high_s is None:
        return words.NONE
    low, high = words.hours(low_s), words.hours(high_s)
    return words.NONE if low == high else f"{low} to {high}"


def _not_known(
    sheet: Sheet,
    coverages: list[tuple[str, review_words.Coverage]],
    lacking: list[str],
    money: bool,
) -> list[Block]:
    """How much was heard, and what stands on no reading, weighing or price."""
    blocks: list[Block] = [Heading("What this rests on, and what is not known")]
    for title, covered in coverages:
        blocks.append(
            Note(f"{title}: {covered.sentence}", covered.more,
                 "warn" if covered.is_thin else "plain")
        )  # fmt: skip
    said = [*lacking]
    if sheet.total("area_m2") is None:
        said.append("No area was entered: there is no pace and no abrasive per area.")
    if sheet.total("paid_s") is None:
        said.append("Nobody says how many people worked: paid hours are not known.")
    if not money:
        said.append(WITHOUT_MONEY)
    elif sheet.costs.lacking:
        said.append(f"No price was entered for {', '.join(sheet.costs.lacking)}.")
    elif sheet.costs.total is None:
        said.append("Nothing that was used has a price: there is no cost.")
    if said:
        blocks.append(Lines(tuple(dict.fromkeys(said))))
    return blocks


# --- a pot -----------------------------------------------------------------------------------


def _pot(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    sheet: Sheet,
    mine: PotSheet,
    effect: OwnEffect,
    found: dict[str, Any] | None,
    known_to: dt.datetime,
) -> tuple[list[Block], review_words.Coverage | None, list[str]]:
    zone, title = yard.site.zone, words.pot_title(yard, mine.pot)
    stretch = figures.pot_stretch(
        con, yard, mine.pot, sheet.shift, sheet.from_at, sheet.to_at, known_to
    )
    blocks: list[Block] = [Heading(title, f"Its share of the shift {sheet.shift}.", fresh=True)]
    unknown = []
    if found is None:
        blocks.append(Note("Nothing was derived of this pot yet.", "Run `gritbook derive`."))
        return blocks, None, [f"{title}: nothing was derived yet."]
    covered = review_words.coverage(
        found, stretch.silent, zone, known_to if known_to < sheet.to_at else None
    )
    three = figures.abrasive_ways(
        con, mine.pot, sheet.from_at, sheet.to_at, sheet.shift,
        found["abrasive_kg"], found["area_m2"],
    )  # fmt: skip
    blocks.append(Figures(tuple(review_words.headline(found, True, three, ""))))
    steps = review_words.stairs(found)
    blocks.append(Stairs(review_words.STAIRS_TITLE, tuple(tuple(step) for step in steps)))  # type: ignore[misc]
    view = (sheet.from_at, max(min(sheet.to_at, known_to), sheet.from_at + _MINUTE))
    spans = list(stretch.cycles.select("pressed_at", "released_at").iter_rows())
    blocks.append(Heading("When the dead-man was open", level=3))
    blocks.append(drawings.ribbon(spans, stretch.silent, view, zone, title))
    trace = _trace(con, yard, mine.pot, view)
    if trace.height:
        blocks.append(drawings.pressures(trace, spans, stretch.silent, view, zone, title))
    blocks += _time(mine, yard)
    blocks += _hour_by_hour(mine, sheet, yard, known_to)
    rows = sheet.rows.filter(pl.col("pot") == mine.pot)
    known = rows["area_m2"].drop_nulls()
    area_m2 = float(known.sum()) if known.len() else None
    blocks += [
        Heading(
            "What pressure cost, and the hours",
            "The rule of thumb and this yard's own shifts, side by side.", 3,
        ),
        Figures(
            (
                *sheet_words.nozzle_figures(mine, effect, yard, area_m2),
                *sheet_words.hour_figures(mine, zone),
            )
        ),
        Heading(
            "Abrasive three ways",
            "Bags are what was tipped; load cell and pressures are what left through the nozzle.",
            3,
        ),
        Figures(tuple(review_words.three_ways(three))),
    ]  # fmt: skip
    notes = review_words.ways_notes(three)
    if notes:
        blocks.append(Lines((" ".join(notes),)))
    if three.bags_doubt:
        blocks.append(Note(condition_words.BAGS_DOUBT[three.bags_doubt], kind="warn"))
    blocks += _stops(mine, yard)
    blocks += _silences(stretch.silent, yard)
    if not three.used:
        unknown.append(f"{title}: its abrasive is not known in any of three ways.")
    if found["nozzle_pa"] is None:
        unknown.append(f"{title}: no nozzle pressure was measured.")
    if not mine.air_judged:
        unknown.append(
            f"{title}: waiting for air is known only where somebody says so; the yard file has no "
            "supply_target_pa, or no manifold is measured."
        )
    return blocks, covered, unknown


_MINUTE = dt.timedelta(minutes=1)


def _trace(
    con: duckdb.DuckDBPyConnection, yard: Yard, pot: str, view: tuple[dt.datetime, dt.datetime]
) -> pl.DataFrame:
    pot_id = frames.pots(con).get(pot)
    if pot_id is None:
        return pl.DataFrame(schema=traces.TRACE_SCHEMA)
    frame = signals(frames.samples(con, pot_id, *view), transducer_laws(yard, pot))
    return traces.thinned(frame, ("supply_pa", "pot_pa", "nozzle_pa"), yard.gap_s(pot), _POINTS)


def _time(mine: PotSheet, yard: Yard) -> list[Block]:
    use = mine.use
    said = {row.label: row for row in sheet_words.time_rows(mine)}
    shares, rows = [], []
    for part, look, seconds in drawings.shares_of({p: use.seconds(p) for p in use.parts}):
        row = said.get(words.sentence(sheet_words.part(part)))
        if row is None:
            continue
        shares.append((look, seconds))
        rows.append(
            (
                cell([Run(look, "swatch"), Run(row.label)]),
                cell(f"{row.value}{words.NBSP}{row.unit}"),
                cell(row.more),
            )
        )
    whole = time_words.duration(use.elapsed_us / 1e6)
    low, high = use.between_s(BLASTING)
    between = words.between_hours(low, high)
    under = f"The whole shift of {whole}; blasting {between}." if between else (
        f"The whole shift of {whole}."
    )  # fmt: skip
    return [
        Heading("Where the time went", under, 3),
        drawings.time_bar(shares, f"Time use of {whole}; the table has the shares."),
        Table("The key of the bar, and each share.", ("Part", "Time", "Share, and range"),
              tuple(rows), (1,), (3, 1, 3)),
        Lines(tuple(sheet_words.iso_lines(mine))),
    ]  # fmt: skip


def _hour_by_hour(mine: PotSheet, sheet: Sheet, yard: Yard, known_to: dt.datetime) -> list[Block]:
    """A row a clock hour of the shift, in minutes."""
    zone = yard.site.zone
    end = min(sheet.to_at, known_to)
    edges = [sheet.from_at]
    at = sheet.from_at.replace(minute=0, second=0, microsecond=0) + dt.timedelta(hours=1)
    while at < end:
        if at > edges[-1]:
            edges.append(at)
        at += dt.timedelta(hours=1)
    edges.append(end)
    if end <= sheet.from_at:
        return []
    ledger = mine.ledger
    rows = []
    for begin, until in pairwise(edges):
        use = ledger.within(hours.microseconds(begin), hours.microseconds(until))
        minutes = {name: us / 60e6 for name, us in use.parts.items()}
        named = set(_OF_AN_HOUR)
        minutes["reasons"] = sum(m for name, m in minutes.items() if name not in named)
        low, high = (s / 60 for s in use.between_s(BLASTING))
        spread = f"{low:.0f} to {high:.0f}" if f"{low:.0f}" != f"{high:.0f}" else words.NONE
        figures_of = [f"{minutes[name]:.0f}" for name in _OF_AN_HOUR]
        rows.append((f"{time_words.clock(begin, zone)} to {time_words.clock(until, zone)}",
                     figures_of[0], spread, *figures_of[1:]))  # fmt: skip
    head = ("At the site", "Blasting", "low to high", "Pot filling", "Stops with a reason",
            "Short pauses", "No reason", "No data")  # fmt: skip
    return [
        Heading("Hour by hour", level=3),
        text_table("Minutes of each clock hour; rounded, each by itself.", head, rows,
                   tuple(range(1, 8)), (1.5, 1, 1.1, 1, 1.2, 1, 1, 1)),
    ]  # fmt: skip


def _stops(mine: PotSheet, yard: Yard) -> list[Block]:
    stops = mine.ledger.stops
    asked = f"{words.plain_number(yard.review.stop_s / 60.0)}{words.NBSP}min"
    head = Heading("Stops", level=3)
    if stops.is_empty():
        return [head, Lines((f"No stop of {asked} or longer in what was heard.",))]
    zone = yard.site.zone
    rows = []
    for row in stops.iter_rows(named=True):
        reason = row["reason"]
        how = {"entered": "entered", "found": "found in the readings"}.get(row["how"], "")
        said: Cell = cell(
            words.sentence(sheet_words.part(reason)) if reason else Run("no reason yet", "bold")
        )
        rows.append(
            (
                cell(
                    f"{time_words.clock(row['from_at'], zone)} to "
                    f"{time_words.clock(row['to_at'], zone)}"
                ),
                cell(time_words.duration(row["idle_s"])), said, cell(how),
            )
        )  # fmt: skip
    return [
        head,
        Table(f"Nobody blasted for {asked} or longer; each stop, as it counts above.",
              ("At the site", "Lasted", "Reason", "Known by"), tuple(rows), (1,),
              (2, 1.2, 2.4, 2)),
    ]  # fmt: skip


def _silences(silent: tuple[tuple[dt.datetime, dt.datetime], ...], yard: Yard) -> list[Block]:
    # A single one was told of already, with how much was heard.
    if len(silent) < 2:
        return []
    zone = yard.site.zone
    longest = sorted(silent, key=lambda span: span[0] - span[1])[:_SILENCES]
    rows = [
        (f"{time_words.clock(a, zone, with_seconds=True)} to "
         f"{time_words.clock(b, zone, with_seconds=True)}",
         time_words.duration((b - a).total_seconds()))
        for a, b in sorted(longest)
    ]  # fmt: skip
    count = words.counted(len(silent), "silence", "silences")
    some = f", the longest {len(rows)} of them here" if len(rows) < len(silent) else ""
    return [
        Heading("Not heard", f"{words.sentence(count)}{some}.", 3),
        text_table("Whatever happened then counts as off in the low figures.",
                   ("At the site", "Lasted"), rows, (1,), (2, 1)),
    ]  # fmt: skip


# --- signature -------------------------------------------------------------------------------


def _signature(sheet: Sheet, yard: Yard) -> list[Block]:
    zone = yard.site.zone
    blocks: list[Block] = [Note(sheet_words.signed(sheet, zone))]
    changed = sheet_words.changes(sheet, zone)
    if changed:
        blocks.append(Lines(tuple(changed)))
    signed = sheet.signed
    if signed is not None:
        was = [
            Said(f"{label} when signed", text, unit)
            for known, label, text, unit in (
                (signed.blast_s, "Blast-on", words.hours(signed.blast_s), "h"),
                (signed.area_m2, "Area", words.measure("area", signed.area_m2),
                 units.unit("area")),
                (signed.abrasive_kg, "Abrasive", words.measure("mass", signed.abrasive_kg),
                 units.unit("mass")),
            )
            if known is not None
        ]  # fmt: skip
        if was:
            blocks.append(Figures(tuple(was)))
    return blocks
