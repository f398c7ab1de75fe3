"""What the signals page shows of time: the gaps of a day, and clocks that were off."""

from __future__ import annotations

import datetime as dt

import polars as pl
import streamlit as st

from analytics.pipeline import utc_now
from dashboard import data, entry, look, redraw, signals_data, time_words, words
from dashboard.access import session
from ingest.config import Yard

#: Rows of gaps that the page shows; the download has them all.
ROWS_SHOWN = 40


# --- gaps ------------------------------------------------------------------------------------


def gaps(described: Yard, version: data.Version, pot: str) -> None:
    """A day's silences, and the dead-man between them."""
    zone = described.site.zone
    look.put(look.heading("Gaps of a day", "Where nothing was heard, and the dead-man.", "gaps"))
    heard = data.kept(data.pots_heard, version).value.get(pot, (None, None))
    if heard[0] is None or heard[1] is None:
        look.put(
            look.note(
                "No figures of this pot yet.",
                "They appear some seconds after its first readings have come in.",
            )
        )
        redraw.when_there_is_more(version)
        return
    first, last = (data.site_date(at, described) for at in heard if at is not None)
    today = data.site_date(utc_now(), described)
    newest = max(last, min(today, last + dt.timedelta(days=1)))
    day = _choose_day(first, newest)
    begin, end = data.site_day(day, described)
    stretch = data.kept(data.stretch, version, pot, "", begin, end).value
    upto = min(end, version.derived_at or utc_now())
    if upto <= begin:
        look.put(look.note("This day has not begun.", "Choose an earlier one."))
        return
    length = end - begin
    strokes = [
        look.Stroke(max((a - begin) / length, 0.0), min((b - begin) / length, 1.0), kind)
        for spans, kind in (
            (stretch.silent, "nodata"),
            (stretch.cycles.select("pressed_at", "released_at").iter_rows(), "on"),
        )
        for a, b in spans
    ]
    silent_s = sum((b - a).total_seconds() for a, b in stretch.silent)
    number = words.counted(len(stretch.silent), "gap", "gaps")
    look.put(
        look.ribbon(
            strokes, f"{time_words.day(day)}: {number}, {time_words.duration(silent_s)} in all",
            time_words.clock(begin, zone), time_words.clock(end, zone),
        ),
        '<ul class="gb-legend"><li><i class="gb-share gb-nodata"></i>Nothing heard</li>'
        '<li><i class="gb-share gb-blasting"></i>Dead-man open</li></ul>',
    )  # fmt: skip
    if not stretch.silent:
        look.put(look.note("No gap on this day."))
        return
    frame = pl.DataFrame(
        [(pot, a, b, (b - a).total_seconds()) for a, b in stretch.silent],
        schema={
            "pot": pl.String, "from_at": pl.Datetime("us"), "to_at": pl.Datetime("us"),
            "silent_s": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    longest = frame.sort("silent_s", descending=True).head(ROWS_SHOWN).sort("from_at")
    rows = [
        (
            time_words.clock(row["from_at"], zone, with_seconds=True),
            time_words.clock(row["to_at"], zone, with_seconds=True),
            time_words.duration(row["silent_s"]),
        )
        for row in longest.iter_rows(named=True)
    ]  # fmt: skip
    gap = f"{described.gap_s(pot):g}{words.NBSP}s"
    look.put(
        look.table(
            ("From", "To", "Lasted"),
            rows,
            f"{number}, {time_words.duration(silent_s)} in all; the longest {len(rows)} here. A "
            f"gap is silence longer than {gap}. Hours count it as off in the lower figure, and as "
            "on in the upper one where it may have been blasting.",
        )
    )
    st.download_button(
        "Download as CSV", frame.write_csv, on_click="ignore",
        file_name=f"{pot}-gaps-{day.isoformat()}.csv", mime="text/csv", key="signals-gaps-csv",
    )  # fmt: skip


def _choose_day(first: dt.date, last: dt.date) -> dt.date:
    if "signals-day" not in st.session_state:
        try:
            day = dt.date.fromisoformat(st.query_params.get("day", ""))
        except ValueError:
            day = last
        st.session_state["signals-day"] = day
    st.session_state["signals-day"] = min(max(st.session_state["signals-day"], first), last)

    def keep() -> None:
        st.query_params["day"] = st.session_state["signals-day"].isoformat()

    chosen = st.date_input(
        "Day", key="signals-day", min_value=first, max_value=last, format="YYYY-MM-DD",
        on_change=keep, width=180,
    )  # fmt: skip
    return chosen if isinstance(chosen, dt.date) else last


# --- clocks ----------------------------------------------------------------------------------


def clocks(described: Yard, version: data.Version, pot: str) -> None:
    """Clocks that were off, and taking that back."""
    zone = described.site.zone
    look.put(
        look.heading(
            "Clocks",
            "Where this box's clock was wrong by when its messages arrived. Nothing is corrected "
            "by itself: somebody takes a correction, and may withdraw it. What was sent stays.",
            "clocks",
        )
    )
    if message := st.session_state.pop("signals-clock-said", ""):
        look.put(look.note(message, "Figures follow when they are next derived, within a minute."))
    found, held = data.kept(signals_data.clocks, version.data, pot).value
    if not found:
        look.put(
            look.note(
                f"Right to within two seconds in the last {signals_data.CLOCK_DAYS} days"
                f"{', or corrected for' if held else ''}.",
                "gritbook clocks looks at all arrivals there are.",
            )
        )
    else:
        rows = [
            (
                time_words.stretch(
                    _instant(one.arrived_from_us), _instant(one.arrived_to_us), zone
                ),
                f"{one.offset_s:+.1f}".replace("-", "\u2212") + f"{words.NBSP}s",
                f"{words.sentence(one.reason)}.",
            )
            for one in found
        ]
        look.put(
            look.table(
                ("Arrived", "To add", "What was seen"),
                rows,
                f"Found in the last {signals_data.CLOCK_DAYS} days, not corrected for yet. Set "
                "the box's clock first: else it goes on being wrong.",
            )
        )
        if session.may("correct clocks"):
            with st.form("signals-take", border=False):
                by = _who("signals-take-by")
                if st.form_submit_button("Correct for what is found", type="primary"):
                    numbers: list[int] = []

                    def write() -> str:
                        numbers.extend(signals_data.take(pot, found, by))
                        return "taken"

                    if entry.attempt(write):
                        st.session_state["signals-clock-said"] = (
                            f"{words.counted(len(numbers), 'correction', 'corrections')} taken."
                        )
                        st.rerun()
    if not held:
        return
    rows = [
        (
            str(one.correction_id),
            time_words.stretch(one.arrived_from_at, one.arrived_to_at, zone),
            f"{one.offset_s:+.1f}".replace("-", "\u2212") + f"{words.NBSP}s",
            f"{one.taken_by}, {time_words.day(one.taken_at, zone)}",
            f"withdrawn by {one.withdrawn_by}, {time_words.day(one.withdrawn_at, zone)}"
            if one.withdrawn_at
            else "in force",
        )
        for one in held
    ]
    look.put(look.table(("No.", "Arrived", "Adds", "Taken by", "State"), rows, "Corrections taken"))
    in_force = [one.correction_id for one in held if one.withdrawn_at is None]
    if in_force and session.may("correct clocks"):
        with st.expander("Withdraw a correction"), st.form("signals-withdraw", border=False):
            number = st.selectbox("Correction", in_force, format_func=lambda n: f"No. {n}")
            by = _who("signals-withdraw-by")
            if st.form_submit_button("Withdraw it"):

                def undo() -> str:
                    signals_data.withdraw(int(number), by)
                    return "withdrawn"

                if entry.attempt(undo):
                    st.session_state["signals-clock-said"] = f"Correction {number} is withdrawn."
                    st.rerun()


def _who(key: str) -> str:
    """The name of whoever does this; not asked of somebody who is signed in."""
    here = session.person()
    if here.signed_in:
        return here.name
    return st.text_input(
        "Your name", entry.remembered("by", st.query_params.get("by", "")), key=key, max_chars=80,
        autocomplete="name",
    )  # fmt: skip


def _instant(at_us: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(at_us / 1e6, dt.UTC).replace(tzinfo=None)
