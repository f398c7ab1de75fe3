"""Crews and jobs: compared as they did, and under like conditions."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from analytics.compare import GROUPS, Comparison
from analytics.pipeline import utc_now
from dashboard import compare_words as told
from dashboard import data, downloads, look, redraw, shifts_data, to_print, words
from dashboard.interval_chart import intervals
from ingest.config import Yard

#: What can be compared -> its name on the page.
BY = {
    "crew": "Crews", "job": "Jobs", "pot": "Pots", "bore_m": "Nozzle bores",
    "abrasive": "Abrasives",
}  # fmt: skip
RATES = ("area_m2_blast_h", "area_m2_paid_h", "abrasive_kg_m2", "air_kg_m2", "cost_m2")
#: Period -> days back; ``None``: from the first shift on.
PERIODS = {"4 weeks": 28, "12 weeks": 84, "All": None}


#: Months before this one that a report can be made of from the page; the command takes any.
_MONTHS_BACK = 23


def page() -> None:
    """Crews and jobs."""
    look.put(
        look.title(
            "Crews and jobs",
            "What was done, and what would have been done on like steel with like nozzle and "
            "pressure. Figures for planning; no judgement of people.",
        )
    )
    described = data.yard()
    if not data.has_store():
        look.put(
            look.note(
                "Nothing to compare yet.",
                "Figures appear once shifts, crews and areas are entered in the log book, and a "
                "box has been heard (gritbook ingest).",
            )
        )
        redraw.when_there_is_more(None)
        return
    by, measure, from_at = _choose(described)
    version = data.kept(data.version).value
    found = data.kept(shifts_data.comparison, version, by, measure, from_at)
    if found.is_old:
        look.put(look.as_of(found.read_at, described.site.zone))
    _shown(found.value, described)
    _to_print(described, version)


def _to_print(described: Yard, version: data.Version) -> None:
    """The report of a month; a month is what an owner looks back on."""
    here = utc_now().replace(tzinfo=dt.UTC).astimezone(described.site.zone).date()
    first = here.replace(day=1)
    months = [first]
    for _ in range(_MONTHS_BACK):
        months.append((months[-1] - dt.timedelta(days=1)).replace(day=1))
    look.put(
        look.heading(
            "Month to print or to send", "Crews and jobs of one month by every rate, with ranges."
        )
    )
    chosen = st.selectbox(
        "Month", [f"{month:%Y-%m}" for month in months], key="crews-month", width=200
    )
    to_print.offer(version, "month", chosen, "", "", "Make the month")


def _choose(described: Yard) -> tuple[str, str, dt.datetime | None]:
    with st.container(horizontal=True, vertical_alignment="bottom", gap="medium"):
        by = st.segmented_control(
            "Compare", list(BY), default="crew", format_func=BY.__getitem__, key="crews-by",
            required=True, wrap=True,
        )  # fmt: skip
        period = st.segmented_control(
            "Shifts of", list(PERIODS), default="12 weeks", key="crews-period", required=True,
            wrap=True,
        )  # fmt: skip
    measure = st.selectbox(
        "By which rate", [rate for rate in RATES if data.sees_money() or rate != "cost_m2"],
        key="crews-rate",
        format_func=lambda name: told.measure_named(name, described),
    )  # fmt: skip
    days = PERIODS[period]
    # Whole days, so that what is shown does not change from one minute to the next.
    midnight = utc_now().replace(hour=0, minute=0, second=0, microsecond=0)
    return by, measure, None if days is None else midnight - dt.timedelta(days=days)


def _shown(found: Comparison, described: Yard) -> None:
    found = told.in_viewers_units(found)
    many = GROUPS[found.by][1]
    if found.groups.is_empty() or found.groups["used"].sum() == 0:
        look.put(
            look.note(
                f"No shift of these {many} counts for this rate.",
                "Below stands why. Choose a longer period or another rate, or enter what is "
                "missing in the log book.",
            )
        )
    else:
        verdict, rest = told.verdict(found)
        if verdict:
            look.put(look.note(verdict, rest))
        some = found.groups.filter(pl.col("rate").is_not_null())
        unit = told.measure_named(found.measure.name, described)
        st.altair_chart(
            intervals(some, unit, look.palette()), width="stretch", theme=None,
            alt=f"{unit} by {GROUPS[found.by][0]}, each with its range; the table below has all.",
        )  # fmt: skip
        _table(found, unit, described)
    if found.sentences:
        items = "".join(f"<li>{look.shown(sentence)}</li>" for sentence in found.sentences)
        look.put(look.heading("To be read with it"), f'<ul class="gb-duelist">{items}</ul>')
    _pairs(found)
    _unusual(found, described)
    _left_out(found, described)
    look.put(look.heading("What adjusting does", "", "adjusting"))
    for question, answer in told.HOW_ADJUSTED:
        look.put(
            f'<div class="gb-entry"><b>{look.shown(question)}</b>'
            f"<span>{look.shown(answer)}</span></div>"
        )


def _table(found: Comparison, unit: str, described: Yard) -> None:
    under = f"{unit}. By name, not by rate. {told.adjusted_for(found)}"
    look.put(look.table(told.group_head(found), told.group_rows(found), under))
    with st.container(horizontal=True):
        st.download_button(
            "Download as CSV", downloads.csv(lambda: told.groups_file(found, described)),
            on_click="ignore",
            file_name=f"{found.by}-{found.measure.name}.csv", mime="text/csv", key="crews-csv",
        )  # fmt: skip


def _pairs(found: Comparison) -> None:
    if found.pairs.height < 2:
        return
    with st.expander("Every pair"):
        items = "".join(f"<li>{look.shown(text)}</li>" for text in found.pairs["sentence"])
        look.put(f'<ul class="gb-duelist">{items}</ul>')


def _unusual(found: Comparison, described: Yard) -> None:
    if found.unusual.is_empty():
        return
    look.put(
        look.heading("To be asked about", "Far from what the other shifts lead to expect."),
        look.table(
            told.unusual_head(found),
            told.unusual_rows(found, described),
            "They still count. Look at their entries in the log book.",
        ),
    )  # fmt: skip


def _left_out(found: Comparison, described: Yard) -> None:
    if found.left_out.is_empty():
        return
    count = words.counted(found.left_out.height, "shift does not count", "shifts do not count")
    with st.expander(words.sentence(count)):
        look.put(
            look.table(
                told.left_out_head(found),
                told.left_out_rows(found, described),
                "Left out of the figures above, a row a shift and pot",
            )
        )
        st.download_button(
            "Download them as CSV", found.left_out.write_csv, on_click="ignore",
            file_name="left-out.csv", mime="text/csv", key="crews-left-out",
        )  # fmt: skip


if __name__ == "__main__":
    page()
