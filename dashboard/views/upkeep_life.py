"""What the upkeep page shows of the time ahead and behind: a week's checks together, and lives."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from analytics import pipeline
from analytics.forecast import site_date
from analytics.forecast import together as by_week
from analytics.lifetimes import Learned
from analytics.weibull_life import WeibullLife
from dashboard import charts_due, charts_life, data, look, time_words, words, words_ahead
from dashboard.chart_table import chart_with_table
from dashboard.upkeep_calendar import upkeep_calendar
from ingest.config import Yard
from ingest.parts import part_at

#: Weeks whose checks are listed together, this one among them.
_WEEKS = 3
#: Weeks that the bars look ahead: further on, every part has its day.
_AHEAD_WEEKS = 6


def together(described: Yard, due: pl.DataFrame, pot: str) -> None:
    """The checks of each pot that can be done together, week by week, and the calendar file.

    Parameters
    ----------
    described : Yard
        The yard file.
    due : polars.DataFrame
        What :func:`analytics.upkeep_ahead.upkeep_ahead` gave.
    pot : str
        The pot chosen; any other text: all of them.
    """
    mine = due.filter(pl.col("pot") == pot) if pot in described.pot_names else due
    now = pipeline.utc_now()
    groups = by_week(mine, site_date(now, described.site.zone), _WEEKS)
    look.put(
        look.heading(
            "Together, week by week",
            "By the earliest day on which a limit may pass, so that a pot is opened once. Checks "
            "of every day are not listed.",
            "together",
        )
    )
    if groups.is_empty():
        look.put(look.note("Nothing passes in these weeks, as far as can be told."))
    else:
        look.put(
            look.table(
                ("Week from", "Pot", "Checks"),
                [
                    (
                        time_words.day(row["week_on"]),
                        data.pot_title(described, row["pot"]),
                        _names(row["rules"]),
                    )
                    for row in groups.iter_rows(named=True)
                ],
                words_ahead.FORECAST_MEANS,
            )
        )
    _ahead(described, mine, site_date(now, described.site.zone))
    written, left_out = upkeep_calendar(mine, described, now)
    with st.container(horizontal=True):
        st.download_button(
            "Download as calendar", lambda: written, on_click="ignore", file_name="upkeep.ics",
            mime="text/calendar", key="upkeep-calendar",
        )  # fmt: skip
    if left_out:
        look.put(
            f'<p class="gb-under">{words.counted(left_out, "check has", "checks have")} no day '
            "yet; the cards below say why.</p>"
        )


def _ahead(described: Yard, mine: pl.DataFrame, today: dt.date) -> None:
    """The days as bars, from earliest to latest, of what has a date and is not of every day."""
    rows = (
        mine.filter(
            pl.col("passes_from_on").is_not_null() & pl.col("passes_to_on").is_not_null()
            & (pl.col("every_days").is_null() | (pl.col("every_days") > 1))
            & (pl.col("passes_from_on") <= today + dt.timedelta(weeks=_AHEAD_WEEKS))
        )
        .sort("passes_from_on", "pot", "part")
        .select(
            pl.struct("pot", "part", "position").map_elements(
                lambda one: f"{data.pot_title(described, one['pot'])}: "
                f"{part_at(one['part'], one['position'])}",
                return_dtype=pl.String,
            ).alias("check"),
            pl.col("passes_from_on").alias("from_on"), pl.col("passes_to_on").alias("to_on"),
        )
        .unique("check", keep="first", maintain_order=True)
    )  # fmt: skip
    if rows.is_empty():
        return
    chart_with_table(
        charts_due.due_ahead(rows, today, look.palette()),
        rows.rename({"check": "Check", "from_on": "Earliest", "to_on": "Latest"}),
        says=f"When {words.counted(rows.height, 'check', 'checks')} will be due, as ranges; "
        "the dashed line is today.",
        key="due-ahead", file="due-ahead",
    )  # fmt: skip


def _names(rules: list[dict[str, str]]) -> str:
    names = dict.fromkeys(part_at(rule["part"], rule["position"]) for rule in rules)
    return words.sentence(", ".join(names))


def lives(described: Yard, version: data.Version) -> None:
    """How long parts last: a curve, what the checks find, and a sentence; few data: that only."""
    known, learned = data.kept(
        data.lives_learned, version.data, version.yard_changed_ns, version.entered
    ).value
    if not learned:
        return
    look.put(look.heading("How long parts last", words_ahead.LIFE_MEANS, "lives"))
    told = [one for one in learned if isinstance(one.life, WeibullLife)]
    if told:
        # Those with a check to be judged come first.
        told.sort(key=lambda one: one.checks is None)
        titles = [words_ahead.life_title(one) for one in told]
        chosen = titles[0]
        if len(titles) > 1:
            chosen = st.selectbox("Part", titles, key="life-of") or titles[0]
        _life(told[titles.index(chosen)], known)
    few = words_ahead.too_few(learned)
    if few:
        items = "".join(
            f"<li><b>{look.shown(name)}</b> {look.shown(reason)}</li>" for name, reason in few
        )
        look.put(f'<ul class="gb-duelist">{items}</ul>')


def _life(one: Learned, known: pl.DataFrame) -> None:
    mine = known.filter((pl.col("part") == one.part) & (pl.col("position") == one.position))
    said = words_ahead.life_sentences(one)
    look.put(
        look.note(said[0], " ".join(said[1:]), "warn" if one.propose is not None else "plain"),
    )
    st.altair_chart(
        charts_life.life_curve(one, mine, look.palette()), theme=None, width="stretch",
        alt=" ".join(said),
    )  # fmt: skip
    look.put(f'<p class="gb-under">{look.shown(words_ahead.CHART_MEANS)}</p>')
    if one.checks is not None:
        look.put(
            look.table(
                ("Checked every", "Worn at the first check, of 100", "At the one after, of those "
                 "good", "Blasted with, worn and unnoticed, on average"),
                [words_ahead.check_row(one.axis, row) for row in
                 one.checks.iter_rows(named=True)],
                words_ahead.life_basis(one),
            )
        )  # fmt: skip
    with st.container(horizontal=True):
        st.download_button(
            "Download the lives as CSV", mine.write_csv, on_click="ignore",
            file_name=f"lives-{one.part}.csv", mime="text/csv", key="lives-csv",
        )  # fmt: skip
