"""A shift reviewed: where the hours went, what the nozzle got, the cycles behind each figure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

import polars as pl
import streamlit as st

from analytics import pipeline, stretches, ways
from dashboard import (
    charts,
    condition_words,
    data,
    downloads,
    key_words,
    look,
    navigation,
    redraw,
    review_words,
    sheet_page,
    sheet_words,
    shifts_data,
    time_words,
    timeline,
    to_print,
    units,
    words,
)
from dashboard.chart_table import chart_with_table, figures_behind, shares_behind
from ingest.config import Yard

WHOLE_DAY = timeline.WHOLE_DAY
#: A stretch shorter than this is not drawn yet.
SHORTEST = dt.timedelta(minutes=2)
#: Shown before a cycle's press and after its release. [s]
AROUND_CYCLE_S = 20


class Choice(NamedTuple):
    """What is being reviewed."""

    pot: str
    shift: str
    from_at: dt.datetime
    to_at: dt.datetime


def page() -> None:
    """A shift reviewed."""
    look.put(
        look.title("Shift review", "Where the hours went, and what reached the nozzle."),
        look.caution(),
    )
    if not data.has_store():
        _nothing_yet(None)
        return
    described = data.yard()
    with data.together():
        version = data.kept(data.version).value
        heard = data.kept(data.pots_heard, version).value
        shifts = data.kept(data.shift_list, version)
    pots = [pot for pot in described.pot_names if heard.get(pot, (None, None))[0] is not None]
    if not pots:
        _nothing_yet(version)
        return
    choice = _choose(described, shifts.value, pots, heard)
    if choice is None:
        return
    # Under way it is drawn up to the last whole minute, so that it is not read anew each time.
    until = min(choice.to_at, pipeline.utc_now().replace(second=0, microsecond=0))
    with data.together():
        stretch = data.kept(
            data.stretch, version, choice.pot, choice.shift, choice.from_at, choice.to_at
        )
        found = _figures_of(shifts.value, choice, stretch.value)
        if found is not None:
            shown = data.kept(
                shifts_data.abrasive_ways, version, choice.pot, choice.from_at, choice.to_at,
                choice.shift, found.get("abrasive_kg"), found.get("area_m2"),
            ).value  # fmt: skip
            if until - choice.from_at >= SHORTEST:
                timeline.read(version, choice.pot, (choice.from_at, until))
    if shifts.is_old or stretch.is_old:
        look.put(look.as_of(stretch.read_at, described.site.zone))
    if found is None:
        _not_derived(choice, until)
        redraw.when_there_is_more(version)
        return
    _coverage(described, version, stretch.value, found)
    _headline(found, bool(choice.shift), shown)
    _three_ways(shown)
    sheet = st.container()
    # Sent before what takes longer to reckon: a browser fetches what draws charts meanwhile.
    _timeline(described, version, choice, until, stretch.value)
    with sheet:
        if choice.shift:
            sheet_page.show(described, version, choice.shift, choice.pot)
            to_print.offer(
                version, "shift", choice.shift, "Sheet to print or to send",
                "The whole shift with all its pots, numbered by what it says.", "Make the sheet",
            )  # fmt: skip
        else:
            _time_use(found)
    _cycles(described, version, choice, stretch.value)


def _nothing_yet(version: data.Version | None) -> None:
    look.put(
        look.note(
            "There is no shift to review yet.",
            "Figures appear once a box has been heard and `gritbook pages` or `gritbook derive` "
            "has run; a card is brought in with `gritbook import FILE --pot NAME`.",
        )
    )
    redraw.when_there_is_more(version)


def _not_derived(choice: Choice, until: dt.datetime) -> None:
    if choice.from_at >= until:
        look.put(look.note("This stretch has not begun yet.", "Choose an earlier one."))
        return
    look.put(
        look.note(
            "The figures of this stretch are not derived yet.",
            "They appear here by themselves once `gritbook pages` or `gritbook derive` has come "
            "to them.",
        )
    )


# --- choosing --------------------------------------------------------------------------------


def _keep_in_address(name: str, key: str) -> None:
    value = st.session_state[key]
    # A stretch of another shift or day is not in this one; another pot's has the same times.
    if name in ("shift", "day"):
        timeline.forget()
    text = value.isoformat() if isinstance(value, dt.date) else str(value)
    navigation.keep(**{name: text})


def _choose(
    described: Yard,
    shifts: pl.DataFrame,
    pots: list[str],
    heard: dict[str, tuple[dt.datetime | None, dt.datetime | None]],
) -> Choice | None:
    zone = described.site.zone
    by_name = {row["shift"]: row for row in shifts.iter_rows(named=True)}
    options = [*by_name, WHOLE_DAY]
    asked = st.query_params.get("shift", "")
    st.session_state.setdefault("review-shift", asked if asked in options else options[0])
    if st.session_state["review-shift"] not in options:
        st.session_state["review-shift"] = options[0]

    def called(name: str) -> str:
        if name == WHOLE_DAY:
            return WHOLE_DAY
        row = by_name[name]
        return f"{time_words.stretch(row['from_at'], row['to_at'], zone)}, {name}"

    with st.container(horizontal=True, vertical_alignment="bottom"):
        shift = st.selectbox(
            "Shift", options, key="review-shift", format_func=called,
            on_change=_keep_in_address, args=("shift", "review-shift"), width=470,
        )  # fmt: skip
        from_at, to_at = None, None
        if shift == WHOLE_DAY:
            day = _choose_day(described, heard)
            from_at, to_at = data.site_day(day, described)
            mine = pots
        else:
            row = by_name[shift]
            from_at, to_at = row["from_at"], row["to_at"]
            mine = sorted(shifts.filter(pl.col("shift") == shift)["pot"].to_list())
        asked_pot = st.session_state.get("review-pot", st.query_params.get("pot", ""))
        st.session_state["review-pot"] = asked_pot if asked_pot in mine else mine[0]
        pot = st.segmented_control(
            "Pot", mine, key="review-pot", required=True, wrap=True,
            format_func=lambda name: words.label(data.pot_title(described, name)),
            on_change=_keep_in_address, args=("pot", "review-pot"),
        )  # fmt: skip
    if pot is None:
        return None
    if not by_name:
        look.put(
            look.note(
                "No shift is booked, so a whole day is shown.",
                "Book one in the log book: then abrasive and area count with its hours.",
            )
        )
    elif shift != WHOLE_DAY:
        row = by_name[shift]
        look.put(
            f'<p class="gb-under">Job {look.shown(row["job"])}, crew {look.shown(row["crew"])}</p>'
        )
    return Choice(pot, "" if shift == WHOLE_DAY else shift, from_at, to_at)


def _choose_day(
    described: Yard, heard: dict[str, tuple[dt.datetime | None, dt.datetime | None]]
) -> dt.date:
    ends = [data.site_date(at, described) for pair in heard.values() for at in pair if at]
    asked = st.query_params.get("day", "")
    if "review-day" not in st.session_state:
        try:
            day = dt.date.fromisoformat(asked)
        except ValueError:
            day = max(ends)
        st.session_state["review-day"] = min(max(day, min(ends)), max(ends))
    chosen = st.date_input(
        "Day", key="review-day", min_value=min(ends), max_value=max(ends), format="YYYY-MM-DD",
        on_change=_keep_in_address, args=("day", "review-day"), width=180,
    )  # fmt: skip
    return chosen if isinstance(chosen, dt.date) else max(ends)


# --- figures ---------------------------------------------------------------------------------


def _figures_of(
    shifts: pl.DataFrame, choice: Choice, stretch: data.PotStretch
) -> dict[str, Any] | None:
    if choice.shift:
        row = shifts.filter((pl.col("shift") == choice.shift) & (pl.col("pot") == choice.pot))
        return row.row(0, named=True) if row.height else None
    return dict(stretch.summary) if stretch.summary is not None else None


def _coverage(
    described: Yard, version: data.Version, stretch: data.PotStretch, found: dict[str, Any]
) -> None:
    known_to = version.derived_at
    under_way = known_to is not None and stretch.to_at > known_to
    told = review_words.coverage(
        found, stretch.silent, described.site.zone, known_to if under_way else None
    )
    look.put(look.note(told.sentence, told.more, "warn" if told.is_thin else "plain"))


def _headline(found: dict[str, Any], is_shift: bool, three: ways.Ways) -> None:
    said = review_words.headline(found, is_shift, three)
    look.put(look.heading("Figures"), look.figures(_figures(said)), _staircase(found))
    pressure = units.unit("pressure")
    figures_behind(
        pl.DataFrame(
            [
                (step.label, step.value if step.unit else "", step.lost)
                for step in review_words.stairs(found)
            ],
            schema=["where", f"pressure [{pressure}]", "lost on the way"],
            orient="row",
        ),
        key="review-stairs",
        file="pressure-to-the-nozzle",
    )


def _figures(said: Iterable[sheet_words.Said]) -> Iterator[look.Figure]:
    return (look.Figure(s.label, s.value, s.unit, s.between, s.more) for s in said)


def _three_ways(shown: ways.Ways) -> None:
    """Abrasive by bags, by load cell and by pressures, and which one is used."""
    look.put(
        look.heading(
            "Abrasive three ways",
            "Bags are what was tipped; load cell and pressures are what left through the nozzle.",
        )
    )
    notes = review_words.ways_notes(shown)
    look.put(
        look.figures(_figures(review_words.three_ways(shown))),
        f'<p class="gb-under">{look.shown(" ".join(notes))}</p>' if notes else "",
        look.note(condition_words.BAGS_DOUBT[shown.bags_doubt], kind="warn")
        if shown.bags_doubt
        else "",
    )


def _staircase(found: dict[str, Any]) -> str:
    """Pressures from manifold to nozzle, with what is lost on each step between them."""
    cells = []
    for step in review_words.stairs(found):
        lost = f"<i>{look.shown(step.lost)}</i>" if step.lost else ""
        unit = f" <small>{look.shown(step.unit)}</small>" if step.unit else ""
        cells.append(
            f'<div class="gb-step gb-p-{step.channel}">{lost}<span>{look.shown(step.label)}</span>'
            f"<b>{look.shown(step.value)}{unit}</b></div>"
        )
    return (
        f'<p class="gb-label">{look.shown(review_words.STAIRS_TITLE)}</p>'
        f'<div class="gb-stairs">{"".join(cells)}</div>'
    )


def _time_use(found: dict[str, Any]) -> None:
    shares = [
        look.Share(kind, label, found[column], f"{words.hours(found[column])}{words.NBSP}h")
        for kind, label, column in (
            ("blasting", "Blasting", "blast_s"),
            ("filling", "Pot filling", "filling_s"),
            ("idle", "Dead-man shut", "idle_s"),
            ("nodata", "No data", "no_data_s"),
        )
    ]
    whole = time_words.duration(found["elapsed_s"])
    look.put(
        look.heading("Where the time went", f"The whole stretch of {whole}."),
        look.stacked(shares, f"Time use of {whole}"),
    )
    shares_behind(shares, key="review-time", file="time-use")


# --- timeline and cycles ---------------------------------------------------------------------


def _timeline(
    described: Yard,
    version: data.Version,
    choice: Choice,
    until: dt.datetime,
    stretch: data.PotStretch,
) -> None:
    look.put(
        look.heading(
            "Pressures and dead-man",
            "Shaded: dead-man open. Grey: no data. Choose a length, or drag over the chart, to "
            "come closer: it is then read anew.",
        )
    )
    if until - choice.from_at < SHORTEST:
        look.put(
            look.note(
                "This stretch has only just begun.", "In a few minutes it is drawn here by itself."
            )
        )
        redraw.when_there_is_more(version)
        return
    timeline.show(described, version, choice.pot, (choice.from_at, until), stretch)


def _cycles(
    described: Yard, version: data.Version, choice: Choice, stretch: data.PotStretch
) -> None:
    look.put(
        look.heading(
            "Cycles",
            "One row each time the dead-man was opened. The figures above are their sum, and each "
            "can be followed: figure, cycle, reading, and the message it came in.",
            "cycles",
        )
    )
    cycles = stretches.numbered(stretch.cycles)
    if cycles.is_empty():
        look.put(look.note("The dead-man was not opened while the pot was heard."))
        return
    _all_cycles(described, choice, cycles)
    _one_cycle(described, version, choice, stretch, cycles)


@st.fragment
def _all_cycles(described: Yard, choice: Choice, cycles: pl.DataFrame) -> None:
    """The table, sent to whoever opens it: it takes a browser longer than all figures above it."""
    opened = st.expander(
        f"{words.sentence(words.counted(cycles.height, 'opening', 'openings'))} as a table",
        key="review-table", on_change="rerun",
    )  # fmt: skip
    if not opened.open:
        return
    with opened:
        table = _cycle_table(described, cycles)
        st.dataframe(
            table.to_pandas(), hide_index=True, width="stretch", height=330,
            placeholder=words.NONE,
            column_config={
                "No.": st.column_config.NumberColumn(pinned=True),
                "Opened": st.column_config.TextColumn(width="small"),
            }
            | {
                key_words.cycle_heading(name): st.column_config.NumberColumn(
                    format="%.1f", width=None
                )
                for name in ("lasted", "blast", "press_delay", "pressurise", "exhaust")
            }
            | {
                key_words.cycle_heading(name): st.column_config.NumberColumn(format="%.0f")
                for name in ("supply", "pot", "nozzle")
            },
        )  # fmt: skip
        st.download_button(
            "Download these cycles as CSV", downloads.csv(lambda: table), on_click="ignore",
            file_name=f"{choice.pot}-cycles-{choice.from_at:%Y-%m-%d}.csv", mime="text/csv",
        )  # fmt: skip


def _cycle_table(described: Yard, cycles: pl.DataFrame) -> pl.DataFrame:
    zone = described.site.zone
    between = [
        f"{words.seconds(low)} to {words.seconds(high)}"
        for low, high in cycles.select("blast_low_s", "blast_high_s").iter_rows()
    ]
    opened = [time_words.clock(at, zone, with_seconds=True) for at in cycles["pressed_at"]]
    counts = [
        "no: a flicker" if flicker
        else "yes, not answered by the pot" if confirmed is False
        else "yes"
        for flicker, confirmed in cycles.select("flicker", "confirmed").iter_rows()
    ]  # fmt: skip
    columns = {
        "number": cycles["number"],
        "pressed": pl.Series(opened),
        "lasted": cycles["deadman_s"],
        "blast": cycles["blast_s"],
        "between": pl.Series(between),
        "press_delay": cycles["press_delay_s"],
        "pressurise": cycles["pressurise_s"],
        "exhaust": cycles["exhaust_s"],
        "supply": cycles["supply_pa"] / units.factor("pressure"),
        "pot": cycles["pot_pa"] / units.factor("pressure"),
        "nozzle": cycles["nozzle_pa"] / units.factor("pressure"),
        "began": pl.Series([key_words.BEGAN_WORDS[b] for b in cycles["began_by"]]),
        "ended": pl.Series([key_words.ENDED_WORDS[e] for e in cycles["ended_by"]]),
        "counts": pl.Series(counts),
    }
    return pl.DataFrame({key_words.cycle_heading(name): column for name, column in columns.items()})


def _step(key: str, by: int, last: int) -> None:
    st.session_state[key] = min(max(st.session_state[key] + by, 0), last)


@st.fragment
def _one_cycle(
    described: Yard,
    version: data.Version,
    choice: Choice,
    stretch: data.PotStretch,
    cycles: pl.DataFrame,
) -> None:
    opened = st.expander("One cycle, down to its readings", key="review-one", on_change="rerun")
    if opened.open:
        with opened:
            _cycle(described, version, choice, stretch, cycles)


def _cycle(
    described: Yard,
    version: data.Version,
    choice: Choice,
    stretch: data.PotStretch,
    cycles: pl.DataFrame,
) -> None:
    zone = described.site.zone
    key = f"review-cycle-{choice.pot}-{choice.from_at}"
    last = cycles.height - 1
    st.session_state[key] = min(st.session_state.get(key, 0), last)

    def called(index: int) -> str:
        row = cycles.row(index, named=True)
        number = "flicker" if row["number"] is None else f"No. {row['number']}"
        return (
            f"{number}, {time_words.clock(row['pressed_at'], zone, with_seconds=True)}, "
            f"{time_words.duration(row['deadman_s'])}"
        )

    with st.container(horizontal=True, vertical_alignment="bottom"):
        st.selectbox("Cycle", range(last + 1), key=key, format_func=called, width=320)
        st.button("Earlier", on_click=_step, args=(key, -1, last), key="review-earlier")
        st.button("Later", on_click=_step, args=(key, 1, last), key="review-later")
    row = cycles.row(st.session_state[key], named=True)
    with look.sentences():
        margin = dt.timedelta(seconds=AROUND_CYCLE_S)
        view = (row["span_from_at"] - margin, row["span_to_at"] + margin)
        trace = data.kept(
            data.trace, version.data, version.yard_changed_ns, choice.pot, view[0], view[1]
        )
        spans = list(stretch.cycles.select("pressed_at", "released_at").iter_rows())
        look.put(look.figures(_cycle_figures(row)))
        chart = charts.pressures(
            trace.value, spans, stretch.silent, view, zone, look.palette(), height=240
        )
        chart_with_table(
            chart, timeline.table(trace.value, described), key="review-cycle",
            says=f"Pressures of cycle {called(st.session_state[key])}.",
            file=f"{choice.pot}-cycle-{row['pressed_at']:%Y-%m-%dT%H%M%S}",
            whole=downloads.csv(lambda: data.pressures(choice.pot, *view)),
        )  # fmt: skip
        if st.toggle("Show the readings of this cycle, as they were kept", key="review-readings"):
            _readings(version, choice, row)


def _cycle_figures(row: dict[str, Any]) -> list[look.Figure]:
    def between(name: str) -> str:
        low, high = words.seconds(row[f"{name}_low_s"]), words.seconds(row[f"{name}_high_s"])
        return "" if low == high else f"between {low} and {high}{words.NBSP}s"

    return [
        look.Figure(
            "Dead-man open", words.seconds(row["deadman_s"]), "s", between("deadman"),
            f"{key_words.BEGAN_WORDS[row['began_by']]}; {key_words.ENDED_WORDS[row['ended_by']]}",
        ),
        look.Figure("Blast-on", words.seconds(row["blast_s"]), "s", between("blast")),
        look.Figure("Pot answered after", words.seconds(row["press_delay_s"]), "s"),
        look.Figure("To 90 % of manifold", words.seconds(row["pressurise_s"]), "s"),
        look.Figure("Exhaust to 10 %", words.seconds(row["exhaust_s"]), "s"),
        look.Figure("From manifold to pot", words.drop(row["drop_supply_pot_pa"])),
        look.Figure("From pot to nozzle", words.drop(row["drop_pot_nozzle_pa"])),
    ]  # fmt: skip


def _readings(version: data.Version, choice: Choice, row: dict[str, Any]) -> None:
    end = row["span_to_at"] + dt.timedelta(microseconds=1)
    kept = data.kept(data.readings, version.data, choice.pot, row["span_from_at"], end).value
    shown = kept.head(data.READINGS_SHOWN)
    count = words.counted(kept.height, "reading", "readings")
    more = f", the first {shown.height} shown here" if kept.height > shown.height else ""
    look.put(
        f'<p class="gb-under">{look.shown(count + more)}. Not calibrated; times in UTC. A message '
        "below zero is a card that was brought in.</p>"
    )
    st.dataframe(
        shown.select(
            pl.col("sampled_at").dt.strftime("%H:%M:%S%.3f").alias("Sampled (UTC)"),
            pl.col("channel").alias("Channel"),
            pl.col("value").alias("Value"),
            pl.col("unit").alias("Unit"),
            pl.col("text").fill_null("").alias("Text"),
            pl.col("arrived_at").dt.strftime("%H:%M:%S%.3f").alias("Arrived (UTC)"),
            pl.col("message_id").alias("Message"),
        ).to_pandas(),
        hide_index=True, width="stretch", height=300,
    )  # fmt: skip
    st.download_button(
        "Download all of them as CSV", kept.write_csv, on_click="ignore",
        file_name=f"{choice.pot}-readings-{row['pressed_at']:%Y-%m-%dT%H%M%S}.csv",
        mime="text/csv", key="review-readings-csv",
    )  # fmt: skip


if __name__ == "__main__":
    page()
