"""The sheet of a shift on the review page: time, rates, money, stops to be explained, signature."""

from __future__ import annotations

from typing import Any

import streamlit as st

from analytics.nozzle_kept import OwnEffect
from analytics.sheets import PotSheet, Sheet
from analytics.time_use import BLASTING, NO_DATA, PARTS, PAUSE, PRESSURISING, UNEXPLAINED
from dashboard import data, entered_data, entry, look, sheet_words, shifts_data, time_words, words
from dashboard.access import roles, session
from dashboard.chart_table import shares_behind
from dashboard.signing import signature_of
from ingest.config import Yard
from ingest.stop_reasons import STOP_REASONS

#: Stops without a reason that are offered at first, the longest, and how many more each time.
OFFERED, MORE = 6, 12

#: Part of a shift's time -> kind of share in the bar; the other reasons are alike.
_KINDS = {
    BLASTING: "blasting", PRESSURISING: "filling", "refill": "refill", "air": "air",
    PAUSE: "idle", UNEXPLAINED: "unexplained", NO_DATA: "nodata",
}  # fmt: skip

#: Reason -> the word on its button.
_BUTTONS = {
    "refill": "Refill", "air": "Air", "move": "Moving", "set_up": "Set-up", "weather": "Weather",
    "break": "Break", "inspection": "Inspection", "breakdown": "Breakdown", "upkeep": "Upkeep",
    "other": "Other",
}  # fmt: skip


def show(described: Yard, version: data.Version, shift: str, pot: str) -> None:
    """The sheet of a shift, with one of its pots looked at.

    Parameters
    ----------
    described : Yard
        The yard file.
    version : Version
        What the figures rest on.
    shift, pot : str
        The shift, and which of its pots.
    """
    sheet, effect = data.kept(shifts_data.shift_sheet, version, shift).value
    mine = next((one for one in sheet.pots if one.pot == pot), None)
    if mine is None:
        return
    _whole(described, sheet)
    _time(mine)
    _pressure(described, sheet, mine, effect)
    _stops(described, sheet, mine)
    _signature(described, sheet)


def _whole(described: Yard, sheet: Sheet) -> None:
    pots = ", ".join(data.pot_title(described, one.pot) for one in sheet.pots)
    jobs = ", ".join(dict.fromkeys(sheet.rows["job"]))
    look.put(
        look.heading("The shift's sheet", f"All of its pots together: {pots}. Job {jobs}."),
        look.figures(
            look.Figure(told.label, told.value, told.unit, "", told.more)
            for told in sheet_words.figures(sheet, described)
        ),
    )


def _time(mine: PotSheet) -> None:
    use = mine.use
    said = {row.label: row for row in sheet_words.time_rows(mine)}
    shares = []
    for part in PARTS:
        label = words.sentence(sheet_words.part(part))
        row = said.get(label)
        if row is None or use.parts[part] == 0:
            continue
        shares.append(
            look.Share(
                _KINDS.get(part, "known"), label, use.seconds(part),
                f"{row.value}{words.NBSP}{row.unit}",
            )
        )  # fmt: skip
    whole = time_words.duration(use.elapsed_us / 1e6)
    low, high = use.between_s(BLASTING)
    between = words.between_hours(low, high)
    if between:
        under = f"The whole shift of {whole}; blasting {between}."
    else:
        under = f"The whole shift of {whole}."
    lines = [*sheet_words.iso_lines(mine)]
    if not mine.air_judged:
        lines.append(
            "Waiting for air is known only where somebody says so: the yard file has no "
            "supply_target_pa, or no manifold is measured."
        )
    look.put(
        look.heading("Where the time went", under),
        look.stacked(shares, f"Time use of {whole}"),
    )
    shares_behind(shares, key="sheet-time", file="time-use")
    look.put(_paragraphs(lines))


def _pressure(described: Yard, sheet: Sheet, mine: PotSheet, effect: OwnEffect) -> None:
    rows = sheet.rows.filter(sheet.rows["pot"] == mine.pot)
    known = rows["area_m2"].drop_nulls()
    area_m2 = float(known.sum()) if known.len() else None
    look.put(
        look.heading(
            "What pressure cost, and the hours",
            "The rule of thumb and this yard's own shifts, side by side.",
        ),
        look.figures(
            look.Figure(told.label, told.value, told.unit, told.between, told.more)
            for told in (
                *sheet_words.nozzle_figures(mine, effect, described, area_m2),
                *sheet_words.hour_figures(mine, described.site.zone),
            )
        ),
    )


def _paragraphs(lines: list[str]) -> str:
    return "".join(f'<p class="gb-under">{look.shown(line)}</p>' for line in lines)


# --- stops -----------------------------------------------------------------------------------


def _stops(described: Yard, sheet: Sheet, mine: PotSheet) -> None:
    stops = mine.ledger.stops
    asked = f"{words.plain_number(described.review.stop_s / 60.0)}{words.NBSP}min"
    look.put(
        look.heading(
            "Stops",
            f"Nobody blasted for {asked} or longer. One tap says why; a later tap replaces it.",
        )
    )
    unclear = stops.filter(stops["reason"] == "").sort("idle_s", descending=True)
    if unclear.is_empty():
        look.put(look.note("Every stop has its reason." if stops.height else "There was no stop."))
    else:
        by = entry.who("sheet-stop-by")
        late = ""
        if sheet.signed is not None:
            late = st.text_input(
                "Why it comes after the sheet was signed", key="sheet-stop-late", max_chars=500
            )
        key = f"sheet-stops-{sheet.shift}-{mine.pot}"
        count = st.session_state.setdefault(key, OFFERED)
        for row in unclear.head(count).sort("from_at").iter_rows(named=True):
            _one_stop(described, mine.pot, row, by, late)
        if unclear.height > count:
            st.button(
                f"Show {min(MORE, unclear.height - count)} more",
                on_click=lambda: st.session_state.update({key: count + MORE}),
                key=f"{key}-more",
            )
    known = stops.filter(stops["reason"] != "")
    if known.height:
        zone = described.site.zone
        lines = [sheet_words.stop_line(row, zone) for row in known.iter_rows(named=True)]
        with st.expander(f"{words.counted(known.height, 'stop', 'stops')} with a reason"):
            look.put(_paragraphs(lines))


def _one_stop(described: Yard, pot: str, row: dict[str, Any], by: str, late: str) -> None:
    zone = described.site.zone
    span = f"{time_words.clock(row['from_at'], zone)} to {time_words.clock(row['to_at'], zone)}"
    offered = _BUTTONS.get(row["offered"], "")
    guess = f" Perhaps {offered.lower()}?" if offered else ""
    key = f"stop-{pot}-{row['from_at'].isoformat()}"
    reason = st.pills(
        f"{span}, {time_words.duration(row['idle_s'])}.{guess}", list(STOP_REASONS), key=key,
        format_func=_BUTTONS.__getitem__,
    )  # fmt: skip
    if reason is None:
        return
    if not by.strip():
        look.put(look.note("Not saved yet.", "Fill in your name above, once.", "alarm"))
        return
    # Stored instants are naive UTC; an entry's carry their zone.
    body = {
        "pot": pot, "from_at": f"{row['from_at'].isoformat()}Z",
        "to_at": f"{row['to_at'].isoformat()}Z", "stop_for": reason,
    }  # fmt: skip
    saved = entry.attempt(lambda: entered_data.enter("stop_reason", body, by, late))
    if saved is not None:
        entry.remember({"by": by})
        st.rerun()


# --- signature -------------------------------------------------------------------------------


def _signature(described: Yard, sheet: Sheet) -> None:
    zone = described.site.zone
    look.put(
        look.heading(
            "Signature",
            "A signature says that the sheet is right as far as the signer knows. It closes the "
            "shift's entries: what comes later needs a reason, and shows here.",
        )
    )
    changed = sheet_words.changes(sheet, zone)
    look.put(
        look.note(sheet_words.signed(sheet, zone)),
        *(look.note(line, kind="warn") for line in changed),
    )
    if not sheet.over:
        return
    signed = sheet.signed
    if signed is not None and not sheet_words.changed_since(sheet):
        return
    if not session.may_enter("signature"):
        who = roles.who_may(roles.entering("signature"))
        look.put(f'<p class="gb-under">To be signed by: {look.shown(who)}.</p>')
        return
    with st.form(f"sign-{sheet.shift}", border=False):
        why = ""
        if signed is not None:
            why = st.text_input("Why it is signed again", key="sheet-sign-why", max_chars=500)
        note = st.text_input("Note", key="sheet-sign-note", max_chars=500)
        by = entry.who("sheet-sign-by")
        pressed = st.form_submit_button(
            "Sign this sheet" if signed is None else "Sign what stands there now", type="primary"
        )
    if not pressed:
        return

    def sign() -> str:
        body = signature_of(sheet, note)
        if signed is None:
            return entered_data.enter("signature", body, by)
        return entered_data.correct(signed.record_id, body, by, why)

    if entry.attempt(sign) is not None:
        entry.remember({"by": by})
        st.rerun()
