"""The week's upkeep as a report: what is due and what comes, with room to tick off by hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import figures, forecast, frames, part_frames
from analytics.upkeep_ahead import upkeep_ahead
from dashboard import key_words, spoken, time_words, upkeep_words, words, words_ahead
from dashboard.reports import drawings
from dashboard.reports.content import (
    Block,
    Figures,
    Heading,
    Lines,
    Note,
    Report,
    Run,
    Table,
    ToSign,
    cell,
    text_table,
)
from dashboard.reports.frame import opening, site_title, trust
from dashboard.sheet_words import Said
from ingest.parts import BEFORE_TOUCHING, PART_CAUTIONS, PART_WORDS, part_at

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

#: How far the drawing looks ahead. [d]
_AHEAD = 42
#: To be ticked by hand: what a check can find.
_BOXES = tuple(f"\u2610{words.NBSP}{word}" for word in ("good", "worn", "replaced"))
#: Weeks whose checks are listed together, this one among them.
_WEEKS = 3


def compose(
    con: duckdb.DuckDBPyConnection, yard: Yard, now: dt.datetime, pots: Sequence[str] | None = None
) -> Report:
    """What is due and what comes, of all pots or some.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC: days run up to here, hours up to when figures were last derived.
    pots : sequence of str, optional
        Only these; all by default.
    """
    zone = yard.site.zone
    now = now.replace(second=0, microsecond=0)
    today = forecast.site_date(now, zone)
    monday = today - dt.timedelta(days=today.weekday())
    due = upkeep_ahead(con, yard, now)
    found = figures.open_findings(con, part_frames.checks(con))
    if pots is not None:
        due, found = (frame.filter(pl.col("pot").is_in(pots)) for frame in (due, found))
    rows = upkeep_words.listed(due)
    derived_at = frames.store_version(con)[0]
    upto = words.NONE if derived_at is None else time_words.day_and_time(derived_at, zone)
    named = ", ".join(words.pot_title(yard, pot) for pot in pots or yard.pot_names)
    blocks: list[Block] = [
        *opening(yard, BEFORE_TOUCHING),
        *(Note(said, why, "warn") for said, why in upkeep_words.loosened(due)),
        Heading("How things stand"),
        _counted(rows, found),
        *_unheard(rows, yard),
    ]
    if rows.is_empty():
        blocks.append(
            Note(
                "Nothing is counted yet.",
                "Checks appear once a box has been heard, or once the log book says which parts "
                "are fitted.",
            )
        )
    if found.height:
        blocks += [Heading("Found not good, not replaced yet"), _found(found, yard)]
    for states, title, under in (
        (("overdue", "due"), "Due", "The most urgent first. The last column is for the hand."),
        (("soon",), "Due soon", "The last column is for the hand."),
    ):
        some = rows.filter(pl.col("state").is_in(states))
        if some.height:
            blocks += [Heading(f"{title} ({some.height})"), _checks(some, yard, under)]
    blocks += _careful(rows)
    blocks += _coming(rows, yard, today, now)
    rest = rows.filter(pl.col("state") == "ok")
    if rest.height:
        blocks += [
            Heading(f"Not due ({rest.height})"),
            _rest(rest, yard),
        ]
    blocks += [
        *trust(
            "Hours are counted from the dead-man, confirmed by the pot's pressure, and limits are "
            f"compared with their upper end. {words_ahead.FORECAST_MEANS} Signing here signs "
            "nothing off in Gritbook: enter what was done in the log book."
        ),
        ToSign(("Done by", "Date", "Seen by")),
    ]
    return Report(
        "upkeep", f"Week from {time_words.day(monday)}", named, site_title(yard), zone.key, today,
        now,
        (
            ("Days up to", time_words.day_and_time(now, zone)),
            ("Hours up to", upto),
            ("Site, time zone", f"{site_title(yard)}, {zone.key}"),
        ),
        tuple(blocks),
    )  # fmt: skip


def _counted(rows: pl.DataFrame, found: pl.DataFrame) -> Figures:
    states = rows["state"].value_counts()
    number = dict(states.iter_rows())
    return Figures(
        (
            Said("Due", f"{number.get('overdue', 0) + number.get('due', 0)}", "",
                 f"{number.get('overdue', 0)} of them overdue"),
            Said("Due soon", f"{number.get('soon', 0)}"),
            Said("Found not good, not replaced", f"{found.height}"),
        )
    )  # fmt: skip


def _unheard(rows: pl.DataFrame, yard: Yard) -> list[Block]:
    """How much of the time that limits rest on was not heard."""
    said = []
    for pot in yard.pot_names:
        mine = rows.filter(pl.col("pot") == pot)
        most = mine["no_data_h"].max() if mine.height else None
        if isinstance(most, float) and most > 0.05:
            said.append(
                f"{words.pot_title(yard, pot)}: up to {words.hours(most * 3600, 1)} h without "
                "readings since a check; where they may have been blasting, the hours used "
                "hold them."
            )
    return [Lines(tuple(said))] if said else []


def _part(row: dict[str, Any], yard: Yard) -> list[Any]:
    tag = f", tag {row['tag']}" if row.get("tag") else ""
    return [
        Run(words.sentence(part_at(row["part"], row["position"])), "bold"),
        Run(f", {words.pot_title(yard, row['pot'])}{tag}"),
    ]


def _checks(some: pl.DataFrame, yard: Yard, under: str) -> Table:
    zone = yard.site.zone
    rows = []
    for row in some.iter_rows(named=True):
        used = upkeep_words.used(row)
        when = "" if row["rests_on"] in ("passed", "condition") else words_ahead.when(row)
        rows.append(
            (
                cell(_part(row, yard), spoken.page_units(words.sentence(row["what"])),
                     Run(upkeep_words.source(row), "quiet")),
                cell(Run(key_words.STATE_WORDS[row["state"]], "badge", state=row["state"]),
                     Run(used, "bar", round(row["share"], 2), row["state"]), used,
                     Run(upkeep_words.since(row, zone), "quiet"),
                     *([Run(when, "quiet")] if when else [])),
                cell(Run(upkeep_words.counts(row), "quiet")),
                cell(*_BOXES, Run("By, when:", "quiet"), ""),
            )
        )  # fmt: skip
    return Table(
        under,
        ("Check", "Used", "Counted", "Done"), tuple(rows), (), (3.2, 2.5, 1.9, 1.7),
    )  # fmt: skip


def _found(found: pl.DataFrame, yard: Yard) -> Table:
    zone = yard.site.zone
    rows = [
        (
            cell(_part(row, yard)), cell(key_words.RESULT_WORDS[row["result"]]),
            cell(time_words.day_and_time(row["at"], zone)), cell(row["by"]),
            cell("; ".join(t for t in (upkeep_words.measured_words(row), row["note"]) if t)
                 or words.NONE),
        )
        for row in found.iter_rows(named=True)
    ]  # fmt: skip
    return Table("They stay here until they are replaced.",
                 ("Part", "Found", "When", "By", "Measured, note"), tuple(rows), (),
                 (2.4, 1.3, 1.7, 1.3, 2.4))  # fmt: skip


def _careful(rows: pl.DataFrame) -> list[Block]:
    """What stands with each kind of part that is due or nearly so."""
    near = rows.filter(pl.col("state") != "ok")
    said = [
        f"{words.sentence(PART_WORDS[part])}: {PART_CAUTIONS[part]}"
        for part in dict.fromkeys(near["part"])
        if PART_CAUTIONS.get(part)
    ]
    return [Heading("Take care of", level=3), Lines(tuple(said))] if said else []


def _coming(rows: pl.DataFrame, yard: Yard, today: dt.date, now: dt.datetime) -> list[Block]:
    blocks: list[Block] = []
    groups = forecast.together(rows, today, _WEEKS)
    if groups.height:
        told = [
            (
                time_words.day(row["week_on"]), words.pot_title(yard, row["pot"]),
                words.sentence(
                    ", ".join(dict.fromkeys(part_at(r["part"], r["position"])
                                            for r in row["rules"]))
                ),
            )
            for row in groups.iter_rows(named=True)
        ]  # fmt: skip
        blocks += [
            Heading("Together, week by week"),
            text_table("By the earliest day on which a limit may pass, so that a pot is opened "
                       "once. Checks of every day are not listed.",
                       ("Week from", "Pot", "Checks"), told, (), (1.4, 1, 5)),
        ]  # fmt: skip
    last = today + dt.timedelta(days=_AHEAD)
    ahead = [
        {
            "name": f"{words.sentence(part_at(row['part'], row['position']))}, "
                    f"{words.pot_title(yard, row['pot'])}",
            "from_on": row["passes_from_on"],
            "on": row["passes_on"] or row["passes_from_on"],
            "to_on": row["passes_to_on"] or last,
        }
        for row in rows.filter(
            pl.col("passes_from_on").is_not_null() & (pl.col("passes_from_on") < last)
            & (pl.col("state") != "overdue") & (pl.col("state") != "due")
            & (pl.col("every_days").is_null() | (pl.col("every_days") >= _ROUTINE))
        )
        .sort("passes_from_on", "pot", "part", "rule")
        .iter_rows(named=True)
    ]  # fmt: skip
    # A part may have several checks: each has a line of its own.
    seen: dict[str, int] = {}
    for row in ahead:
        name = str(row["name"])
        seen[name] = seen.get(name, 0) + 1
        if seen[name] > 1:
            row["name"] = f"{name} ({seen[name]})"
    if ahead:
        if not groups.height:
            blocks.append(Heading("Coming"))
        blocks.append(Heading("When limits may pass, six weeks ahead", level=3))
        blocks.append(drawings.ahead(ahead[:_DRAWN], today, last))
    return blocks


#: Checks of every day are no plan for weeks. [d]
_ROUTINE = 7
#: Lines that a drawing takes on one page.
_DRAWN = 26


def _rest(rest: pl.DataFrame, yard: Yard) -> Table:
    rows = []
    for row in rest.iter_rows(named=True):
        used = upkeep_words.used(row)
        rows.append(
            (
                cell(_part(row, yard)),
                cell(spoken.page_units(words.sentence(row["what"]))),
                cell([Run(used, "bar", round(row["share"], 2), row["state"])], used),
                cell(words_ahead.when(row)),
            )
        )
    return Table("No promise that any of these parts is fit.",
                 ("Part", "Check", "Used", "Limit passes"), tuple(rows), (),
                 (2.4, 2.6, 2, 2.2))  # fmt: skip
