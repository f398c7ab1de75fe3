"""Notices on the yard now: what wants attention at the top, the rest below the pots.

One tap acknowledges; putting off asks why and until when. Nothing here says that anything is safe:
a notice that is gone only means that the readings no longer show it.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl
import streamlit as st

from analytics import pipeline
from dashboard import (
    data,
    entered_data,
    entry,
    entry_drafts,
    look,
    spoken,
    telling,
    time_words,
    words,
)
from ingest.config import Yard
from ingest.notice_kinds import IN_DIGEST, NOTICE_KINDS, PUT_OFF_HURTING_H

#: How often notices are read anew, where nobody is putting one off. [s]
EVERY_S = 10
#: Cards at the top at most; the rest stands below.
MOST = 6
#: Rows of the log that are listed.
LOG_ROWS = 30

#: How long something can be put off from a page: words -> hours.
_FOR_HURTING = {"an hour": 1.0, "four hours": 4.0, "a shift, 12 h": PUT_OFF_HURTING_H}
_FOR = {"a shift, 12 h": 12.0, "a day": 24.0, "a week": 168.0, "a month": 720.0}


def urgent() -> None:
    """What wants attention now; nothing where nothing does."""
    if "notice-open" in st.session_state:
        _urgent()  # a form is open: it is not drawn anew under somebody's fingers
    else:
        _urgent_anew()


@st.fragment(run_every=EVERY_S)
def _urgent_anew() -> None:
    _urgent()


def _urgent() -> None:
    if not data.has_store():
        return
    with look.sentences():
        described = data.yard()
        found = data.kept(data.noticed, data.kept(data.version).value).value
        _not_sent(described, found)
        rows = _wanting(found.standing)
        if st.session_state.get("notice-open") not in [None, *rows["notice_id"].head(MOST)]:
            _open(None)  # it was acknowledged or put off elsewhere meanwhile
        if rows.is_empty():
            return
        look.put(
            look.heading(
                words.counted(rows.height, "notice", "notices"),
                "One a cause. One that is gone is no word on the state of a pot.",
            )
        )
        if not entry.remembered("by"):
            entry.remember({"by": entry.who("notice-by")})
        cards = rows.head(MOST).to_dicts()
        for first in range(0, len(cards), 2):
            pair = cards[first : first + 2]
            for column, row in zip(st.columns(2, gap="medium"), pair, strict=False):
                with column:
                    _card(described, row)
        if rows.height > MOST:
            look.put(look.note(f"{rows.height - MOST} more stand below the pots."))


def _wanting(standing: pl.DataFrame) -> pl.DataFrame:
    return standing.filter(
        pl.col("state").is_in(["raised", "cleared"]) & (pl.col("told") != IN_DIGEST)
    )


def _not_sent(described: Yard, found: data.Noticed) -> None:
    for channel, count, next_at, trouble in telling.troubles(found.sent):
        again = time_words.day_and_time(next_at, described.site.zone)
        look.put(
            look.note(
                f"{words.counted(count, 'message', 'messages')} not sent to {channel}.",
                f"{trouble} Tried again from {again} on.",
                "warn",
            )
        )


def _card(described: Yard, row: dict[str, Any]) -> None:
    kind = "alarm" if row["hurts"] else "warn"
    with st.container(key=f"due-{'overdue' if row['hurts'] else 'soon'}-{row['notice_id']}"):
        look.put(article(described, row, kind))
        key = row["notice_id"]
        if st.session_state.get("notice-open") == key or entry_drafts.waits(f"put-off-{key}"):
            _put_off(described, row)
            return
        with st.container(horizontal=True, gap="small"):
            seen = st.button("Acknowledge", key=f"seen-{key}", type="primary", width="stretch")
            later = row["state"] == "raised" and st.button(
                "Put off", key=f"later-{key}", width="stretch"
            )
        if later:
            _open(key)
            st.rerun()
        if seen:
            _enter(row, "notice_seen", {})


def article(described: Yard, row: dict[str, Any], kind: str) -> str:
    """A notice as people read it."""
    zone = described.site.zone
    since = time_words.day_and_time(row["kind_at"], zone)
    until = ""
    if row["cleared_at"] is not None:
        until = f" No longer read since {time_words.day_and_time(row['last_at'], zone)}."
    elif row["times"] > 1:
        until = f" {row['times']} times; last {time_words.day_and_time(row['last_at'], zone)}."
    also = ""
    if row["also"]:
        others = ", ".join(NOTICE_KINDS[k].words for k in row["also"].split(","))
        also = f" Also seen: {others}."
    return (
        f'<article><div class="gb-top"><h3>{look.shown(row["words"])}, '
        f"{look.shown(data.pot_title(described, row['pot']))}</h3>"
        f"{look.badge(telling.STATE_WORDS[row['state']], kind)}</div>"
        f"<p>Since {look.shown(since)}.{look.shown(until)} "
        f"{look.shown(spoken.page_units(row['said']))}{look.shown(also)}</p>"
        f"<p><b>{look.shown(row['step'])}</b></p></article>"
    )


def _open(key: str | None) -> None:
    if key is None:
        st.session_state.pop("notice-open", None)
    else:
        st.session_state["notice-open"] = key


def _put_off(described: Yard, row: dict[str, Any]) -> None:
    key = row["notice_id"]
    choices = _FOR_HURTING if row["hurts"] else _FOR
    form = entry_drafts.opened(f"put-off-{key}")
    entry_drafts.brought_back(form, lambda at: time_words.day_and_time(at, described.site.zone))
    with st.form(form.key, border=False):
        begin = form.choice("for", list(choices), next(iter(choices)))
        lasting = st.segmented_control(
            "Put off for", list(choices), default=begin or next(iter(choices)),
            key=f"{form.key}-for", required=True, wrap=True,
        )  # fmt: skip
        why = st.text_input(
            "Why it can wait", form.text("why"), key=f"{form.key}-why", max_chars=300
        )
        by = entry.who(f"{form.key}-by", form)
        saved = st.form_submit_button("Put off", type="primary", width="stretch")
    if st.button("Leave it", key=f"leave-{key}", width="stretch"):
        entry_drafts.closed(form.name)
        _open(None)
        st.rerun()
    if not saved or lasting is None:
        return
    lacking = [w for w, v in (("why it can wait", why), ("your name", by)) if not v.strip()]
    if lacking:
        look.put(look.note("Not saved yet.", f"Fill in: {', '.join(lacking)}.", "alarm"))
        return
    entry.remember({"by": by})
    until_at = pipeline.utc_now() + dt.timedelta(hours=choices[lasting])
    _enter(row, "notice_put_off", {"until_at": f"{until_at.isoformat()}Z", "why": why}, form)


def _enter(
    row: dict[str, Any], kind: str, body: dict[str, Any], form: entry_drafts.Form | None = None
) -> None:
    by = entry.remembered("by", "")
    if not by.strip():
        look.put(look.note("Not saved yet.", "Fill in your name above; once is enough.", "alarm"))
        return
    body = {**telling.about(row), **body}
    once = form.once if form else ""
    if entry.attempt(lambda: entered_data.enter(kind, body, by, once=once)) is not None:
        if form:
            entry_drafts.closed(form.name)
        _open(None)
        st.rerun()


# --- below the pots --------------------------------------------------------------------------


def rest() -> None:
    """What is acknowledged, put off or only in the digest, and what became of notices."""
    if not data.has_store():
        return
    with look.sentences():
        described = data.yard()
        found = data.kept(data.noticed, data.kept(data.version).value).value
        standing = found.standing.filter(pl.col("state") != "done")
        wanting = _wanting(standing)
        others = standing.join(wanting.head(MOST), on="notice_id", how="anti")
        if others.height:
            label = words.counted(others.height, "other notice", "other notices")
            with st.expander(f"{label}: seen, put off, or no hurry"):
                for row in others.to_dicts():
                    _small(described, row)
        if found.events.height:
            with st.expander("What became of notices"):
                look.put(_log(described, found))


def _small(described: Yard, row: dict[str, Any]) -> None:
    text, way = st.columns([5, 1], gap="small", vertical_alignment="center")
    with text:
        state = look.badge(telling.STATE_WORDS[row["state"]], "plain")
        said = look.shown(spoken.page_units(telling.line(described, row)))
        look.put(f'<p class="gb-heard">{state} {said}</p>')
    with way:
        if row["state"] in ("raised", "put_off", "cleared") and st.button(
            "Acknowledge", key=f"small-seen-{row['notice_id']}", width="stretch"
        ):
            _enter(row, "notice_seen", {})


def _log(described: Yard, found: data.Noticed) -> str:
    zone = described.site.zone
    called = dict(found.standing.select("notice_id", "words").iter_rows())
    lines = []
    for row in reversed(found.events.tail(LOG_ROWS).to_dicts()):
        words_of_it = called.get(row["notice_id"], words.sentence(NOTICE_KINDS[row["kind"]].words))
        late = ", from data that came in late" if row["late"] else ""
        lines.append(
            f'<div class="gb-entry"><b>{look.shown(telling.EVENT_WORDS[row["what"]])}: '
            f"{look.shown(words_of_it)}, {look.shown(data.pot_title(described, row['pot']))}</b>"
            f"<span>{look.shown(time_words.day_and_time(row['happened_at'], zone))}; found "
            f"{look.shown(time_words.day_and_time(row['noticed_at'], zone))}{late}. "
            f"{look.shown(spoken.page_units(row['said']))}</span></div>"
        )
    return "".join(lines)
