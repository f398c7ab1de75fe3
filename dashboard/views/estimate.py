"""Estimate: what a new job will take, from the yard's own history."""

from __future__ import annotations

import polars as pl
import streamlit as st

from analytics.estimate import Estimate, Prices, estimate, known_bore, known_prices
from analytics.job_draws import NewJob
from analytics.pipeline import utc_now
from dashboard import compare_words as told
from dashboard import (
    data,
    entered_data,
    entry,
    look,
    redraw,
    shifts_data,
    spoken,
    time_words,
    units,
    words,
)
from dashboard.unit_field import unit_field
from ingest.config import Yard
from ingest.production_bodies import ACCESS_WORDS

PREPARATION = ("Sa 1", "Sa 2", "Sa 2½", "Sa 3")
RUST = ("", "A", "B", "C", "D", "coated")
ANY_CREW = ""
#: Bores of nozzles that are estimated with, and one that is common (3/8 in). [m]
BORE_LOW_M, BORE_HIGH_M, BORE_COMMON_M = 0.003, 0.030, 0.0095


def page() -> None:
    """Estimate."""
    look.put(
        look.title(
            "Estimate",
            "What a new job will take, from this yard's own shifts. Nine in ten like jobs should "
            "fall within the ranges.",
        )
    )
    described = data.yard()
    if not data.has_store():
        look.put(
            look.note(
                "There is no history to estimate from.",
                "Enter shifts, jobs and areas in the log book, and let a box be heard "
                "(gritbook ingest).",
            )
        )
        redraw.when_there_is_more(None)
        return
    version = data.kept(data.version).value
    rows = data.kept(shifts_data.shift_rows, version).value
    prices, kinds = data.kept(shifts_data.price_book, version).value
    crews = data.kept(entered_data.names, version).value["crew"]
    asked = _form(described, crews, data.kept(shifts_data.nozzle_bores, version).value)
    if asked is None:
        return
    job, machine_h = asked
    known = known_prices(rows, prices, kinds, utc_now(), job.crew)
    found = estimate(rows, job, Prices(known.person_h, known.abrasive_kg, machine_h))
    _shown(found, job, described)


def _bore(described: Yard, bores: pl.DataFrame) -> tuple[float, str]:
    """The bore that stands in the form at first, and where it is from."""
    pot = st.query_params.get("pot") or entry.remembered("pot", "")
    found = known_bore(described, bores, pot, BORE_LOW_M, BORE_HIGH_M)
    if found is None:
        return BORE_COMMON_M, "A common bore: no nozzle was measured, and the yard file has none."
    title = data.pot_title(described, found.pot)
    if found.measured_at is None:
        return found.bore_m, f"As the yard file has it for {title}."
    day = time_words.day(found.measured_at, described.site.zone)
    return found.bore_m, f"As last measured on {title}, {day}."


def _form(
    described: Yard, crews: list[str], bores: pl.DataFrame
) -> tuple[NewJob, float | None] | None:
    bore_m, bore_from = _bore(described, bores)
    with st.form("estimate", border=False):
        first, second, third = st.columns(3, gap="medium")
        with first:
            area_m2 = unit_field("area", "Area", 200.0, 1.0, 1e6, step=10.0)
            prep = st.selectbox("Preparation grade", PREPARATION, index=2)
            rust = st.selectbox("Rust grade", RUST, format_func=lambda r: r or "not known")
        with second:
            access = st.selectbox(
                "Access", ["", *ACCESS_WORDS],
                format_func=lambda a: ACCESS_WORDS[a] if a else "not known",
            )  # fmt: skip
            crew = st.selectbox(
                "Crew", [ANY_CREW, *crews],
                format_func=lambda c: words.label(c) if c else "any of the yard's",
            )  # fmt: skip
            people = st.number_input("People at once", min_value=1, max_value=100, value=2)
        with third:
            nozzles = st.number_input("Nozzles at once", min_value=1, max_value=20, value=1)
            bore = unit_field(
                "bore", "Bore of the nozzle", bore_m, BORE_LOW_M, BORE_HIGH_M, says=bore_from
            )
            air_m3_s = unit_field(
                "free_air", "Compressor, free air", None, 0.1 / 60.0, 200.0 / 60.0,
                says=f"{words.sentence(units.free_air())}. Left empty: not known.",
            )  # fmt: skip
        machine_h = None
        if data.sees_money():
            machine_h = st.number_input(
                f"An hour of compressor, fuel and pots [{described.site.currency or 'money'}]",
                min_value=0.0, value=None, step=5.0,
                help="Left empty: money counts wages and abrasive only, at the prices entered.",
            )  # fmt: skip
        asked = st.form_submit_button("Estimate", type="primary")
    if asked:
        st.session_state["estimate-asked"] = True
    if not st.session_state.get("estimate-asked"):
        return None
    job = NewJob(
        area_m2 or 1.0, prep, rust, access, bore or bore_m, int(nozzles), float(people), None, crew,
        air_m3_s,
    )  # fmt: skip
    return job, machine_h


def _shown(found: Estimate, job: NewJob, described: Yard) -> None:
    if not found.has_history:
        first, *rest = (spoken.page_units(sentence) for sentence in found.sentences)
        look.put(look.note(first, " ".join(rest), "warn"))
    if found.lines.height:
        look.put(look.figures(_figures(found, described)))
    look.put(
        look.note(
            f"Compressor: {told.VERDICT_WORDS[found.feed.verdict].lower()}.",
            spoken.page_units(found.feed.sentence),
            "warn" if found.feed.verdict in ("short", "tight") else "plain",
        )
    )
    if found.has_history:
        said = "".join(
            f"<li>{look.shown(spoken.page_units(text))}</li>"
            for text in (told.history(found), *found.sentences)
        )
        look.put(look.heading("To be read with it"), f'<ul class="gb-duelist">{said}</ul>')
        if found.practice.height:
            look.put(look.heading("Common practice, not this yard"), _practice(found, described))
    look.put(f'<p class="gb-caution"><b>Caution.</b> {look.shown(told.ESTIMATE_CAUTION)}</p>')
    st.download_button(
        "Download as CSV", told.estimate_file(found, described).write_csv, on_click="ignore",
        file_name="estimate.csv", mime="text/csv", key="estimate-csv",
    )  # fmt: skip


def _figures(found: Estimate, described: Yard) -> list[look.Figure]:
    return [
        look.Figure(
            told.LINE_WORDS[row["what"]],
            told.estimate_value(row, "middle"),
            told.estimate_unit(row, described),
            f"{told.estimate_value(row, 'low')} to {told.estimate_value(row, 'high')}",
            words.sentence(told.RESTS_ON_WORDS[row["rests_on"]]),
        )
        for row in found.lines.iter_rows(named=True)
    ]


def _practice(found: Estimate, described: Yard) -> str:
    return look.table(
        ("What", "Low", "High", "Unit"),
        [
            (
                told.LINE_WORDS[row["what"]], told.estimate_value(row, "low"),
                told.estimate_value(row, "high"), told.estimate_unit(row, described),
            )
            for row in found.practice.iter_rows(named=True)
        ],
        "Rules of thumb of the trade, to set beside: half as much again or half as much is usual.",
    )  # fmt: skip


if __name__ == "__main__":
    page()
