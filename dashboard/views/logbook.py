"""The log book: what people enter, and what became of it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from dashboard import (
    data,
    entered_data,
    entry,
    entry_drafts,
    entry_parts,
    entry_production,
    entry_undo,
    key_words,
    look,
    shifts_data,
    time_words,
    units,
    words,
)
from dashboard.access import session
from ingest.config import Yard
from ingest.notice_kinds import NOTICE_KINDS
from ingest.record_bodies import INSTANT_KEYS

#: Entries listed at first, and how many more each time.
LISTED, MORE = 12, 24


def page() -> None:
    """The log book."""
    look.put(
        look.title(
            "Log book",
            "What no sensor knows. Nothing is ever overwritten: a correction stands beside what "
            "it corrects, with who, when and why.",
        )
    )
    described = data.yard()
    if data.has_store():
        version = data.kept(data.version).value
        read = data.kept(entered_data.record_log, version)
        log = read.value
        if read.is_old:
            look.put(look.as_of(read.read_at, described.site.zone))
    else:
        version, log = data.Version("", 0, None, 0), []
    names = entry.new_names(version)
    if (done := st.session_state.pop("log-done", None)) is not None:
        look.put(look.note(*done))
    if (record_id := st.session_state.get("log-open")) is not None:
        _one(described, version, names, record_id)
        return
    entry_undo.draw(described, log, "log-done")
    left, right = st.columns([5, 6], gap="large")
    with left:
        _new(described, names)
    with right:
        _list(described, log)
        if log:
            _heaps(described, version)


def _new(described: Yard, names: Mapping[str, Sequence[str]]) -> None:
    kinds = [kind for kind in entry.KINDS if session.may_enter(kind)]
    if st.session_state.get("log-kind") not in kinds:
        st.session_state["log-kind"] = kinds[0]
    kind = st.segmented_control(
        "Enter", kinds, key="log-kind", format_func=key_words.KIND_WORDS.__getitem__,
        required=True, wrap=True,
    )  # fmt: skip
    if kind is None:
        return
    if kind == "area" and not names["shift"]:
        look.put(look.note("There is no shift yet.", "Enter a shift first; area belongs to one."))
    if kind == "shift" and not (names["crew"] and names["job"]):
        look.put(look.note("There is no crew or no job yet.", "Enter both first."))
    # The form is emptied once an entry was saved; a refused one keeps what was typed.
    form = entry_drafts.opened(f"new-{kind}", numbered=True)
    entry_drafts.brought_back(form, lambda at: time_words.day_and_time(at, described.site.zone))
    with st.form(form.key, border=False):
        body = entry.fields(kind, described, names, {}, form)
        late = entry.late(form)
        by = entry.who(f"{form.key}-by", form)
        saved = st.form_submit_button(f"Save {key_words.KIND_WORDS[kind].lower()}", type="primary")
    if saved:
        asked = st.session_state.get("log-late", False)
        record_id = entry.save(
            lambda: entered_data.enter(kind, entry_production.finished(body), by, late, form.once),
            kind,
            body,
            by,
        )
        if record_id is None and st.session_state.get("log-late", False) != asked:
            st.session_state["log-done"] = (
                "Not saved yet: the sheet of that shift is signed.",
                "Say at the end of the form why it comes so late; it then shows on the sheet.",
            )
            st.rerun()
        if record_id is not None:
            entry_drafts.closed(form.name)
            st.session_state["log-done"] = (
                f"Saved: {key_words.KIND_WORDS[kind].lower()}, {_sentence(described, kind, body)}.",
                "If something is wrong with it, take it back, or open it and correct it.",
            )
            st.rerun()


# --- what was entered ------------------------------------------------------------------------


def _list(described: Yard, log: list[dict[str, Any]]) -> None:
    look.put(look.heading("Entered", "Newest first. Open one to correct it or take it away."))
    if not log:
        look.put(look.note("Nothing has been entered yet.", "Begin above: a crew, a job, a shift."))
        return
    with st.container(horizontal=True, vertical_alignment="bottom"):
        kinds = ["", *(k for k in entry.KINDS if k != "price" or data.sees_money())]
        kind = st.selectbox(
            "Show",
            kinds,
            format_func=lambda k: key_words.KIND_WORDS.get(k, "Everything"),
            width=240,
        )
        older = st.toggle("With corrected and withdrawn ones")
    chosen = [
        row
        for row in log
        if (not kind or row["kind"] == kind)
        and (older or not (row["superseded"] or row["withdrawn"]))
    ]
    count = st.session_state.setdefault("log-listed", LISTED)
    for row in chosen[:count]:
        with st.container(horizontal=True, vertical_alignment="center", wrap=False, gap=None):
            look.put(_line(described, row))
            st.button(
                "Open", key=f"open-{row['record_id']}", width=84,
                on_click=_open, args=(row["record_id"],),
            )  # fmt: skip
    if len(chosen) > count:
        st.button(
            f"Show {min(MORE, len(chosen) - count)} more",
            on_click=lambda: st.session_state.update({"log-listed": count + MORE}),
        )
    elif len(log) >= entered_data.NEWEST_ROWS:
        look.put(look.note("Older entries are not listed here.", "`gritbook record list` has all."))


def _heaps(described: Yard, version: data.Version) -> None:
    """Abrasive in the yard, and how far jobs are."""
    heaps, jobs = data.kept(shifts_data.heaps, version).value
    # Where nothing was delivered or counted, tippings alone say nothing about a heap.
    known = heaps.filter(
        (heaps["delivered_kg"] > 0) | heaps["counted_at"].is_not_null() | (heaps["waste_kg"] != 0)
    )
    mass = units.unit("mass")
    if known.height:
        look.put(
            look.heading("Abrasive in the yard", "Delivered, less tipped, as entered and counted."),
            look.table(
                ["abrasive", f"in stock [{mass}]", "", f"waste here [{mass}]"],
                [
                    [row["abrasive"] or "without a name", words.measure("mass", row["stock_kg"]),
                     key_words.STOCK_WORDS[row["state"]], words.measure("mass", row["waste_kg"])]
                    for row in known.iter_rows(named=True)
                ],
                "Stock and waste of each kind of abrasive",
            ),
        )  # fmt: skip
    if jobs.height:
        look.put(
            look.heading("Jobs", "Area done against planned; done over again stands apart."),
            look.table(
                ["job", f"done [{units.unit('area')}]", "planned", "", "done over again"],
                [
                    [row["job"], words.measure("area", row["area_m2"]),
                     words.measure("area", row["planned_m2"]),
                     words.percent(row["done_share"]) if row["done_share"] is not None else "",
                     words.measure("area", row["reblast_m2"]) if row["reblast_m2"] else ""]
                    for row in jobs.iter_rows(named=True)
                ],
                "Area done of each job",
            ),
        )  # fmt: skip


def _open(record_id: str | None) -> None:
    st.session_state["log-open"] = record_id


def _line(described: Yard, row: dict[str, Any]) -> str:
    gone = " gb-gone" if row["superseded"] or row["withdrawn"] else ""
    state = ""
    if row["withdrawn"]:
        state = f", withdrawn: {row['reason']}"
    elif row["superseded"]:
        state = ", corrected or withdrawn since"
    elif row["supersedes"]:
        state = f", corrected: {row['reason']}"
    elif row["reason"]:
        state = f", entered after signing: {row['reason']}"
    sentence = _sentence(described, row["kind"], row["body"], row["recorded_at"]) or "taken away"
    entered = time_words.day_and_time(row["recorded_at"], described.site.zone)
    return (
        f'<div class="gb-entry{gone}"><b>{look.shown(key_words.KIND_WORDS[row["kind"]])}: '
        f"{look.shown(sentence)}</b><span>{look.shown(row['recorded_by'])}, "
        f"{look.shown(entered)}{look.shown(state)}</span></div>"
    )


def _sentence(
    described: Yard, kind: str, body: Mapping[str, Any], recorded_at: dt.datetime | None = None
) -> str:
    """An entry in one line; the day is left out where it is that of its entry."""
    if not body:
        return ""

    told = entry_production.sentence(kind, body) or entry_parts.sentence(kind, body)
    if told is not None:
        said = told
    elif kind == "shift":
        said = f"{body['shift']}, crew {body['crew']}, {body['job']}, {', '.join(body['pots'])}"
    elif kind == "yard_change":
        said = body["what"]
    elif kind in ("notice_seen", "notice_put_off"):
        said = f"{NOTICE_KINDS[body['notice_kind']].words}, {body['pot']}"
        if kind == "notice_put_off":
            until_at = _instant(body["until_at"])
            assert until_at is not None
            said += (
                f", until {time_words.day_and_time(until_at, described.site.zone)}: {body['why']}"
            )
    else:
        said = f"{body['crew']}, {words.counted(int(body['size']), 'person', 'people')}"
    at = _instant(body.get("at") or body.get("from_at") if kind != "shift" else None)
    if at is None:
        return said
    zone = described.site.zone
    if recorded_at is not None and time_words.day(at, zone) == time_words.day(recorded_at, zone):
        return f"{said}, at {time_words.clock(at, zone)}"
    return f"{said}, {time_words.day_and_time(at, zone)}"


def _instant(value: object) -> dt.datetime | None:
    if isinstance(value, str) and value:
        return dt.datetime.fromisoformat(value)
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        return value
    return None


# --- one entry -------------------------------------------------------------------------------


def _one(
    described: Yard,
    version: data.Version,
    names: Mapping[str, Sequence[str]],
    record_id: str,
) -> None:
    st.button("Back to the log book", on_click=_open, args=(None,), key="log-back")
    chain = data.kept(entered_data.record_history, version, record_id).value
    newest = chain[-1]
    look.put(look.heading(key_words.KIND_WORDS[newest["kind"]]))
    left, right = st.columns([6, 5], gap="large")
    with right:
        look.put(_chain_table(described, chain))
        if newest["withdrawn"]:
            look.put(look.note("This entry was withdrawn.", "Correcting it brings it back."))
        else:
            _withdraw(newest)
    with left:
        if newest["kind"] in entry.KINDS:
            _correct(described, names, chain)
        else:
            look.put(
                look.note("This is not corrected.", "Withdraw it, and do it anew on Yard now.")
            )


def _correct(
    described: Yard, names: Mapping[str, Sequence[str]], chain: list[dict[str, Any]]
) -> None:
    newest = chain[-1]
    kind = newest["kind"]
    standing = next(row for row in reversed(chain) if not row["withdrawn"])
    values = {k: v for k, v in standing.items() if k in key_words.FIELD_WORDS}
    look.put(look.heading("Correct it", "What is here now; change what is wrong."))
    form = entry_drafts.opened(f"correct-{newest['record_id']}")
    entry_drafts.brought_back(form, lambda at: time_words.day_and_time(at, described.site.zone))
    with st.form(form.key, border=False):
        body = entry.fields(kind, described, names, values, form)
        body |= {name: values[name] for name in entry_parts.CARRIED if values.get(name)}
        reason = st.text_input(
            "What was wrong", form.text("reason"), key=f"{form.key}-reason", max_chars=500
        )
        by = entry.who(f"{form.key}-by", form)
        saved = st.form_submit_button("Save correction", type="primary")
    if saved:
        changed = entry.save(
            lambda: entered_data.correct(
                newest["record_id"], entry_production.finished(body), by, reason, form.once
            ),
            kind,
            body,
            by,
        )
        if changed is not None:
            entry_drafts.closed(form.name)
            st.session_state["log-done"] = ("Corrected.", "What stood there before is kept.")
            _open(changed)
            st.rerun()


def _withdraw(newest: dict[str, Any]) -> None:
    form = entry_drafts.opened(f"withdraw-{newest['record_id']}")
    key = form.key
    look.put(look.heading("Take it away", "For what never happened. It stays in the history."))
    with st.form(key, border=False):
        reason = st.text_input("Why", form.text("reason"), key=f"{key}-reason", max_chars=500)
        by = entry.who(f"{key}-by", form)
        gone = st.form_submit_button("Withdraw this entry")
    if gone:
        done = entry.attempt(lambda: entered_data.withdraw(newest["record_id"], by, reason))
        if done is not None:
            entry_drafts.closed(form.name)
            st.session_state["log-done"] = ("Withdrawn.", "It stays in the history.")
            _open(None)
            st.rerun()


def _chain_table(described: Yard, chain: list[dict[str, Any]]) -> str:
    zone = described.site.zone
    first = [k for k in key_words.FIELD_WORDS if any(k in row for row in chain)]
    rows = []
    for name in first:
        rows.append([key_words.field(name), *(_cell(row, name, zone) for row in chain)])
    rows.append(["entered by", *(row["recorded_by"] for row in chain)])
    rows.append(["entered", *(time_words.day_and_time(row["recorded_at"], zone) for row in chain)])
    if len(chain) > 1:
        rows.append(["because", *(row["reason"] for row in chain)])
    heads = ["", *("first entry" if i == 0 else "withdrawn" if row["withdrawn"] else "corrected"
                   for i, row in enumerate(chain))]  # fmt: skip
    return look.table(heads, rows, f"Record {chain[-1]['record_id']}, every version of it")


def _cell(row: dict[str, Any], name: str, zone: Any) -> str:
    value = row.get(name)
    if (told := entry_production.cell(name, value)) is not None:
        return told
    if name in INSTANT_KEYS and isinstance(value, dt.datetime):
        return time_words.day_and_time(value, zone)
    if name == "part" and value:
        return key_words.part(value)
    if name == "result" and value:
        return key_words.RESULT_WORDS[value]
    if isinstance(value, list):
        return ", ".join(value)
    if name == "price_kg" and value is not None:
        return words.price("mass", float(value))
    if name == "price" and value is not None:
        quantity = key_words.PRICED_QUANTITIES.get(str(row.get("price_of")))
        return words.price(quantity, float(value)) if quantity else f"{value:g}"
    if (quantity := key_words.FIELD_QUANTITIES.get(name)) and isinstance(value, int | float):
        return words.typed(quantity, value).removesuffix(f" {units.unit(quantity)}")
    if isinstance(value, float):
        return words.plain_number(value)
    return "" if value is None else str(value)


if __name__ == "__main__":
    page()
