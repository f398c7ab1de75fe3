"""Upkeep: what is due and why, and its sign-off."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import polars as pl
import streamlit as st

from analytics.part_frames import START
from dashboard import (
    data,
    entered_data,
    entry,
    entry_drafts,
    entry_undo,
    key_words,
    look,
    redraw,
    spoken,
    time_words,
    to_print,
    upkeep_words,
    words,
    words_ahead,
)
from dashboard.access import session
from dashboard.upkeep_words import measured_words
from dashboard.views import upkeep_history, upkeep_life
from ingest.config import Yard
from ingest.parts import (
    BEFORE_TOUCHING,
    PART_CAUTIONS,
    RESULTS,
    START_ITEMS,
    caution_of,
    part_at,
    position_of,
)

EVERY_POT = "Every pot"


def page() -> None:
    """Upkeep."""
    look.put(
        look.title(
            "Upkeep",
            "What is due, and why. A check that is not due yet is no promise that the part is "
            "fit: look at it whenever something seems wrong.",
        ),
        look.caution(),
    )
    described = data.yard()
    if not data.has_store():
        look.put(
            look.note(
                "Nothing is counted yet.",
                "Checks appear here once a box has been heard, or once you enter in the log book "
                "which parts are fitted.",
            )
        )
        redraw.when_there_is_more(None)
        return
    if (done := st.session_state.pop("upkeep-done", None)) is not None:
        look.put(look.note(*done))
    version = data.kept(data.version).value
    entry_undo.draw(described, data.kept(entered_data.record_log, version).value, "upkeep-done")
    upkeep = data.kept(data.upkeep_list, version)
    if upkeep.is_old:
        look.put(look.as_of(upkeep.read_at, described.site.zone))
    if upkeep.value.due.is_empty():
        look.put(
            look.note(
                "Nothing is counted yet.",
                "Figures appear some seconds after the first readings have come in.",
            )
        )
        redraw.when_there_is_more(version)
        return
    _loosened(upkeep.value.due)
    pot = _choose_pot(described)
    rows = upkeep_words.listed(upkeep.value.due)
    found = upkeep.value.found
    if pot != EVERY_POT:
        rows, found = rows.filter(pl.col("pot") == pot), found.filter(pl.col("pot") == pot)
    _start(described, upkeep.value, pot)
    if found.height:
        look.put(look.heading("Found not good, not replaced yet"))
        _in_columns(found, lambda row: _finding(described, version, upkeep.value, row))
    for states, title, under in (
        (("overdue", "due"), "Due", "Most urgent first."),
        (("soon",), "Due soon", ""),
        (("ok",), "Not due", ""),
    ):
        some = rows.filter(pl.col("state").is_in(states))
        if some.height:
            look.put(look.heading(f"{title} ({some.height})", under))
            _in_columns(some, lambda row: _check(described, version, upkeep.value, row))
        if states == ("soon",):
            upkeep_life.together(described, upkeep.value.due, pot)
    upkeep_life.lives(described, version)
    _to_print(version, pot)


def _in_columns(rows: pl.DataFrame, draw: Callable[[dict[str, Any]], None]) -> None:
    """Cards side by side, read row by row; on a phone they stand in the same order."""
    cards = list(rows.iter_rows(named=True))
    for first in range(0, len(cards), 2):
        for column, row in zip(st.columns(2, gap="medium"), cards[first : first + 2], strict=False):
            with column:
                draw(row)


def _choose_pot(described: Yard) -> str:
    options = [EVERY_POT, *described.pot_names]
    asked = st.query_params.get("pot", "")
    st.session_state.setdefault("upkeep-pot", asked if asked in options else EVERY_POT)

    def called(pot: str) -> str:
        return words.label(data.pot_title(described, pot))

    def keep() -> None:
        st.query_params["pot"] = st.session_state["upkeep-pot"]

    return st.segmented_control(
        "Pot",
        options,
        key="upkeep-pot",
        format_func=called,
        required=True,
        wrap=True,
        on_change=keep,
    )


def _loosened(due: pl.DataFrame) -> None:
    for said, why in upkeep_words.loosened(due):
        look.put(look.note(said, why, "warn"))


def _finding(
    described: Yard, version: data.Version, upkeep: data.Upkeep, row: dict[str, Any]
) -> None:
    zone = described.site.zone
    said = " ".join(t for t in (measured_words(row), row["note"]) if t)
    with st.container(key=f"due-overdue-found-{_spot(row)}"):
        look.put(
            f'<article><div class="gb-top">'
            f"<h3>{look.shown(words.sentence(part_at(row['part'], row['position'])))}, "
            f"{look.shown(data.pot_title(described, row['pot']))}</h3>"
            f"{look.badge(key_words.RESULT_WORDS[row['result']], 'alarm')}</div>"
            f"<p>Found on {look.shown(time_words.day_and_time(row['at'], zone))} by "
            f"{look.shown(row['by'])}. {look.shown(said)}</p></article>"
        )
        _foot(described, version, upkeep, row, "found")


def _check(
    described: Yard, version: data.Version, upkeep: data.Upkeep, row: dict[str, Any]
) -> None:
    zone = described.site.zone
    used, since = upkeep_words.used(row), upkeep_words.since(row, zone)
    counts, source = upkeep_words.counts(row), upkeep_words.source(row)
    waiting = ""
    newest = _newest_check(upkeep, row)
    if newest is not None:
        waiting = (
            f"<p><b>Signed off {look.shown(key_words.RESULT_WORDS[newest['result']].lower())} by "
            f"{look.shown(newest['by'])} at {look.shown(time_words.clock(newest['at'], zone))}.</b>"
            " The count begins anew within seconds.</p>"
        )
    with st.container(key=f"due-{row['state']}-{_spot(row)}"):
        look.put(
            f'<article><div class="gb-top">'
            f"<h3>{look.shown(words.sentence(part_at(row['part'], row['position'])))}, "
            f"{look.shown(data.pot_title(described, row['pot']))}</h3>"
            f"{look.badge(key_words.STATE_WORDS[row['state']], key_words.state_kind(row['state']))}"
            "</div>"
            f"<p>{look.shown(spoken.page_units(words.sentence(row['what'])))}.</p>"
            f"{look.used_bar(row['share'], row['state'], used)}"
            f"<p><b>{look.shown(used)}</b> {look.shown(since)}</p>"
            f"{_ahead(row)}"
            f'<p class="gb-quiet">{look.shown(counts)}</p>'
            f'<p class="gb-quiet">{look.shown(source)}</p>{_careful(row)}{waiting}</article>'
        )
        _foot(described, version, upkeep, row, "due")


def _ahead(row: dict[str, Any]) -> str:
    """When the limit will pass, where it has not."""
    if row["rests_on"] in ("passed", "condition"):
        return ""
    said = words_ahead.when(row)
    return f"<p>Limit passes: <b>{look.shown(said[:1].lower() + said[1:])}</b></p>"


def _spot(row: dict[str, Any]) -> str:
    """Names a check in keys: pot and part, with position and rule where they are not the usual."""
    spot = f"{row['pot']}-{row['part']}"
    if row["position"] != position_of(row["part"]):
        spot += f"-{row['position']}"
    return spot if row["rule"] in ("", row["part"]) else f"{spot}-{row['rule']}"


def _newest_check(upkeep: data.Upkeep, row: dict[str, Any]) -> dict[str, Any] | None:
    """A check that begins the count anew but that the figures do not know yet."""
    later = upkeep.checks.filter(
        (pl.col("pot") == row["pot"])
        & (pl.col("part") == row["part"])
        & (pl.col("position") == row["position"])
        & pl.col("rule").is_in(["", row["rule"]])
        & pl.col("result").is_in(["replaced"] if row["task"] == "replace" else _BEGIN_ANEW)
        & (pl.col("at") > row["since_at"])
    ).sort("at")
    return later.row(-1, named=True) if later.height else None


def _foot(
    described: Yard, version: data.Version, upkeep: data.Upkeep, row: dict[str, Any], place: str
) -> None:
    """Ways on from a card: to sign it off, and to what was known of it before."""
    mine, name = (_spot(row), place), f"sign-{place}-{_spot(row)}"
    may_sign = session.may_enter("check")
    signing = may_sign and (st.session_state.get("upkeep-open") == mine or entry_drafts.waits(name))
    looking = st.session_state.get("upkeep-history") == mine
    if signing:
        _sign_off(described, row, name)
    else:
        with st.container(horizontal=True):
            if may_sign:
                st.button(
                    "Sign off",
                    key=f"open-{place}-{_spot(row)}",
                    on_click=lambda: st.session_state.update({"upkeep-open": mine}),
                )
            st.button(
                "Close history" if looking else "History",
                key=f"history-{place}-{_spot(row)}",
                on_click=lambda: st.session_state.update(
                    {"upkeep-history": None if looking else mine}
                ),
            )
    if signing or looking:
        upkeep_history.show(described, version, upkeep, row, f"{place}-{_spot(row)}")


def _sign_off(described: Yard, row: dict[str, Any], name: str) -> None:
    form = entry_drafts.opened(name)
    look.put(look.note("Before this.", caution_of(row["part"]), "warn"))
    entry_drafts.brought_back(form, lambda at: time_words.day_and_time(at, described.site.zone))
    with st.form(form.key, border=False):
        body = entry.sign_off_fields(described, row["part"], form)
        by = entry.who(f"{form.key}-by", form)
        with st.container(horizontal=True):
            saved = st.form_submit_button("Save sign-off", type="primary")
            closed = st.form_submit_button("Close")
    if closed:
        entry_drafts.closed(form.name)
        st.session_state["upkeep-open"] = None
        st.rerun()
    if saved:
        body |= {name: row[name] for name in ("pot", "part", "position")}
        # A rule of its own is signed off by itself; the main check speaks for the part.
        body["rule"] = row["rule"] if row["rule"] not in (row["part"], START) else ""
        if _saved("check", body, by, form):
            st.session_state["upkeep-open"] = None
            st.session_state["upkeep-done"] = _done(described, body, by)
            st.rerun()


def _saved(kind: str, body: dict[str, Any], by: str, form: entry_drafts.Form) -> bool:
    """Keep the photo, then the entry; what is missing or refused is said, and nothing is lost."""
    taken = body.pop("photo_file", None)

    def write() -> str:
        if taken is not None:
            body["photo"] = entered_data.keep_photo(taken.getvalue())
        return entered_data.enter(kind, body, by, once=form.once)

    if entry.save(write, kind, body, by) is None:
        return False
    entry_drafts.closed(form.name)
    return True


def _careful(row: dict[str, Any]) -> str:
    """What stands with the task itself, where it is due or nearly so."""
    said = PART_CAUTIONS.get(row["part"], "")
    is_open = st.session_state.get("upkeep-open") == (_spot(row), "due")
    if row["state"] == "ok" or is_open or not said:
        return ""
    return f"<p><b>Careful.</b> {look.shown(said)}</p>"


def _done(described: Yard, body: dict[str, Any], by: str) -> tuple[str, str]:
    pot = data.pot_title(described, body["pot"])
    said = (
        f"Signed off: {part_at(body['part'], body['position'])} on {pot}, "
        f"{key_words.RESULT_WORDS[body['result']].lower()}, by {by.strip()}."
    )
    if body.get("photo"):
        said = said[:-1] + ", with a photo."
    if body["result"] in ("good", "replaced"):
        return said, "Its count begins anew within seconds."
    return said, "It stays due until it is replaced."


# --- the start of a shift --------------------------------------------------------------------


def _start(described: Yard, upkeep: data.Upkeep, pot: str) -> None:
    if pot == EVERY_POT:
        return
    zone = described.site.zone
    mine = upkeep.starts.filter(pl.col("pot") == pot).sort("at")
    last = mine.row(-1, named=True) if mine.height else None
    said = "No start of a shift was entered yet."
    if last is not None:
        no = [item.words for name, item in START_ITEMS.items() if last[name] == "no"]
        done = sum(last[name] != "not_done" for name in START_ITEMS)
        said = (
            f"Last on {time_words.day_and_time(last['at'], zone)} by {last['by']}: {done} of "
            f"{len(START_ITEMS)} looked at" + (f"; not so: {'; '.join(no)}." if no else ".")
        )
    look.put(look.heading("Start of a shift", said))
    name = f"start-{pot}"
    if st.session_state.get("upkeep-open") != (pot, "start") and not entry_drafts.waits(name):
        st.button(
            "Look at the pot",
            key=f"open-{name}",
            on_click=lambda: st.session_state.update({"upkeep-open": (pot, "start")}),
        )
        return
    form = entry_drafts.opened(name)
    look.put(look.note("Before this.", BEFORE_TOUCHING, "warn"))
    entry_drafts.brought_back(form, lambda at: time_words.day_and_time(at, described.site.zone))
    with st.form(form.key, border=False):
        body = entry.start_fields(described, form)
        by = entry.who(f"{form.key}-by", form)
        with st.container(horizontal=True):
            saved = st.form_submit_button("Save start", type="primary")
            closed = st.form_submit_button("Close")
    if closed:
        entry_drafts.closed(form.name)
        st.session_state["upkeep-open"] = None
        st.rerun()
    if saved and _saved("shift_start", body | {"pot": pot}, by, form):
        st.session_state["upkeep-open"] = None
        st.session_state["upkeep-done"] = (
            f"Saved: start of a shift on {data.pot_title(described, pot)}, by {by.strip()}.", "",
        )  # fmt: skip
        st.rerun()


# --- to print ---------------------------------------------------------------------------------


def _to_print(version: data.Version, pot: str) -> None:
    of = "" if pot == EVERY_POT else pot
    to_print.offer(
        version, "upkeep", of, "The week's upkeep to print",
        "What is due and what comes, with room to tick off by hand.", "Make the week's upkeep",
    )  # fmt: skip
    if of:
        to_print.offer(
            version, "part", of, "Record to print",
            "Parts, hours, checks and corrections of this pot, with the seal of all entries.",
            "Make the record",
        )  # fmt: skip


#: Results that begin the count of a check anew.
_BEGIN_ANEW = [result for result, (begins_anew, _) in RESULTS.items() if begins_anew]


if __name__ == "__main__":
    page()
