"""The last entry within reach: what was entered just now, and one tap that takes it back.

Taking back is a withdrawal: the entry stays in the history. Where its shift's sheet is signed, the
sheet shows it as changed after signing, and so it wants a reason.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import streamlit as st

from dashboard import (
    entered_data,
    entry,
    entry_parts,
    entry_production,
    key_words,
    look,
    time_words,
)
from ingest.config import Yard

#: How long an entry is offered to be taken back.
OFFERED_FOR = dt.timedelta(minutes=30)
#: What is said where nobody has to say more.
REASON = "taken back at once by who entered it"


def draw(described: Yard, log: list[dict[str, Any]], done: str) -> None:
    """The viewer's last entry, if it is recent and still stands, with the way to take it back.

    Parameters
    ----------
    described : Yard
        For the site's zone.
    log : list of dict
        Rows of :func:`dashboard.entered_data.record_log`, newest first.
    done : str
        Where the page looks for what to say after it was taken back.
    """
    by = entry.whose()
    last = newest(log, by, dt.datetime.now(dt.UTC).replace(tzinfo=None))
    if last is None:
        return
    kind, record_id = last["kind"], last["record_id"]
    at = time_words.clock(last["recorded_at"], described.site.zone)
    body = last["body"]
    told = entry_production.sentence(kind, body) or entry_parts.sentence(kind, body)
    said = f"{key_words.KIND_WORDS[kind]}: {told or body.get('shift') or body.get('crew', '')}"
    with st.container(key="take-back"):
        reason = REASON
        if shift := entered_data.signed_over(record_id):
            reason = st.text_input(
                f"The sheet of {shift} is signed. Why your last entry is taken back",
                key=f"take-back-why-{record_id}", max_chars=500,
            )  # fmt: skip
        with st.container(horizontal=True, vertical_alignment="center", wrap=False, gap=None):
            look.put(
                f'<div class="gb-entry"><b>Your last entry, {look.shown(at)}</b>'
                f"<span>{look.shown(said)}</span></div>"
            )
            taken = st.button("Take back", key=f"take-back-{record_id}", width=124)
        if not taken:
            return
        if not reason.strip():
            look.put(look.note("Not taken back yet.", "Say why; it shows on the sheet.", "alarm"))
            return
        if entry.attempt(lambda: entered_data.withdraw(record_id, by, reason)) is not None:
            st.session_state[done] = ("Taken back.", "It stays in the history.")
            st.rerun()


def newest(log: list[dict[str, Any]], by: str, now_at: dt.datetime) -> Mapping[str, Any] | None:
    """The newest entry of a person that can be taken back; ``None``: there is none.

    A correction is not: taking it back would take the whole entry away.
    """
    for row in log:
        recorded_at = row["recorded_at"].replace(tzinfo=None)
        if row["recorded_by"] != by or row["kind"] not in entry.KINDS:
            continue
        is_gone = row["superseded"] or row["withdrawn"] or row["supersedes"]
        return None if is_gone or now_at - recorded_at > OFFERED_FOR else row
    return None
