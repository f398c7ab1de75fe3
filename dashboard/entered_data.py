"""What the pages read and write of what people entered."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import streamlit as st

from analytics import record_frames
from dashboard import data
from dashboard.access import roles, session
from ingest import photos, record_book, record_rows, records
from ingest.errors import RecordRefused

#: How long an entry waits; people would rather wait than type again. [s]
ENTRY_WAIT_S = 15.0

#: How long somebody may correct what they entered, where their role covers no more.
OWN_CORRECTED_WITHIN = dt.timedelta(hours=14)

#: Most rows of the log book that a page reads.
NEWEST_ROWS = 400

#: Keys of records' bodies that are money.
PRICE_FIELDS = frozenset({"price", "price_kg"})


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=4, show_spinner=False)
def names(version: data.Version) -> dict[str, list[str]]:
    """Crews, jobs, shifts and abrasives that can be chosen, the newest first."""
    with data.window() as con:
        found = {
            kind: [row[kind] for row in reversed(record_rows.current(con, kind))]
            for kind in ("crew", "job", "shift")
        }
        grit = [
            row["abrasive"]
            for kind in ("abrasive_kind", "abrasive")
            for row in reversed(record_rows.current(con, kind))
        ]
    found["abrasive"] = list(dict.fromkeys(name for name in grit if name))
    return found


def record_log(version: data.Version) -> list[dict[str, Any]]:
    """The newest rows that people entered, each with what became of it."""
    log = _record_log(version)
    if data.sees_money():
        return log
    return [
        row | {"body": {k: v for k, v in row["body"].items() if k not in PRICE_FIELDS}}
        for row in log
        if row["kind"] != "price"
    ]


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=4, show_spinner=False)
def _record_log(version: data.Version) -> list[dict[str, Any]]:
    with data.window() as con:
        return record_frames.record_log(con, NEWEST_ROWS)


def record_history(version: data.Version, record_id: str) -> list[dict[str, Any]]:
    """Every row of the chain that a record belongs to, first entry first.

    Raises
    ------
    NotAllowed
        It is a price, which whoever asks may not see.
    """
    chain = _record_history(version, record_id)
    if data.sees_money():
        return chain
    if any(row["kind"] == "price" for row in chain):
        session.require("see prices and costs")
    return [{k: v for k, v in row.items() if k not in PRICE_FIELDS} for row in chain]


@st.cache_data(ttl=data.FIGURE_TTL_S, max_entries=16, show_spinner=False)
def _record_history(version: data.Version, record_id: str) -> list[dict[str, Any]]:
    with data.window() as con:
        return record_rows.history(con, record_id)


def keep_photo(content: bytes) -> str:
    """Keep a photo; the name that a record's ``photo`` takes.

    Raises
    ------
    NotAllowed
        Whoever is at the page may not.
    RecordRefused
        It is no photo, too large, or cannot be written.
    """
    session.require("add photos")
    return photos.keep(data.place().data, content)


def photo(name: str) -> bytes | None:
    """A photo's bytes; ``None``: it is gone, or is not what was kept."""
    return photos.read(data.place().data, name)


def enter(kind: str, body: Mapping[str, Any], by: str, late: str = "", once: str = "") -> str:
    """Write down what somebody entered on a page; ``late``: why it comes after a signature.

    ``once`` is the form's own, from :func:`ingest.record_ids.new_once`: sent twice, entered once.

    All that pages write comes through here, :func:`correct` and :func:`withdraw`: who may is
    decided here, and ``by`` counts only where nobody has to sign in.

    Raises
    ------
    NotAllowed
        Whoever is at the page may not.
    RecordRefused
        What was typed cannot be.
    StoreBusy
        The store was held for too long; the sentence repeats what was typed.
    """
    by = _named(session.writer(roles.entering(kind), by))
    record_id = records.add(
        data.place().data, data.yard(), kind, body, by=by, via="page", wait_s=ENTRY_WAIT_S,
        reason=late, once=once,
    )  # fmt: skip
    data.forget_version()
    return record_id


def correct(record_id: str, body: Mapping[str, Any], by: str, reason: str, once: str = "") -> str:
    """Put a new row in the place of one that was entered; raises as :func:`enter` does."""
    by = _named(_corrector(record_id, by))
    new = records.correct(
        data.place().data, data.yard(), record_id, body, by, reason, via="page",
        wait_s=ENTRY_WAIT_S, once=once,
    )  # fmt: skip
    data.forget_version()
    return new


def withdraw(record_id: str, by: str, reason: str) -> str:
    """Take away something that was entered; raises as :func:`enter` does."""
    by = _named(_corrector(record_id, by))
    new = records.withdraw(
        data.place().data, record_id, by, reason, via="page", wait_s=ENTRY_WAIT_S
    )
    data.forget_version()
    return new


def signed_over(record_id: str) -> str:
    """The signed shift that an entry belongs to; empty: none is."""
    with data.window() as con:
        return record_book.signed_over(con, record_id)


def _corrector(record_id: str, typed: str) -> str:
    """Who corrects: whoever may correct anything, else who entered it, soon, and may enter such."""
    if session.may("correct entries"):
        return session.writer("correct entries", typed)
    with data.window() as con:
        chain = record_rows.history(con, record_id)
    mine = chain[-1]["recorded_by"] == session.person().name
    soon = dt.datetime.now(dt.UTC) - chain[0]["recorded_at"] < OWN_CORRECTED_WITHIN
    if mine and soon and session.may(roles.entering(chain[0]["kind"])):
        return session.writer("correct own entries", typed)
    return session.writer("correct entries", typed)


def _named(by: str) -> str:
    if not by.strip():
        raise RecordRefused("Nobody is named as the one who enters this.", "Fill in your name.")
    return by
