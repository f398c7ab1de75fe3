"""A pot's condition: what its signals suggest, the abrasive in it, and how sure that is."""

from __future__ import annotations

import json
from typing import Any

import polars as pl
import streamlit as st

from analytics import requirements, standing
from dashboard import (
    condition_data,
    condition_words,
    data,
    key_words,
    look,
    navigation,
    redraw,
    spoken,
    time_words,
    timeline,
    words,
)
from dashboard.views.condition_abrasive import abrasive
from dashboard.views.condition_indicators import indicators
from dashboard.views.condition_suggested import suggested
from ingest.config import Yard

#: Spells that can be chosen, the newest first.
SPELLS_SHOWN = 60


def page() -> None:
    """A pot's condition."""
    look.put(
        look.title(
            "Condition",
            "What the pressures of each cycle say about air, abrasive, leak and nozzle.",
        ),
        look.caution(),
    )
    if not data.has_store():
        _nothing_yet(None)
        return
    described = data.yard()
    with data.together():
        version = data.kept(data.version).value
        heard = data.kept(data.pots_heard, version).value
    pots = [pot for pot in described.pot_names if heard.get(pot, (None, None))[0] is not None]
    if not pots:
        _nothing_yet(version)
        return
    pot = _choose_pot(described, pots)
    if pot is None:
        return
    found = data.kept(condition_data.pot_condition, version, pot)
    if found.is_old:
        look.put(look.as_of(found.read_at, described.site.zone))
    if found.value.spells.is_empty():
        look.put(
            look.note(
                "This pot has not been weighed yet.",
                "Weighing follows some minutes after the hours. It needs the manifold, the pot "
                "and the dead-man, best ten times a second; `gritbook derive` does it at once.",
            )
        )
        _how_sure(found.value)
        look.put(_not_measured(described, pot))
        redraw.when_there_is_more(version)
        return
    spell = _choose_spell(described, pot, found.value.spells)
    _pressures_of(described, version, pot, spell)
    suggested(described, found.value, spell)
    abrasive(described, version, pot, found.value, spell)
    _questions(described, found.value, spell)
    indicators(described, pot, found.value)
    _how_sure(found.value)
    look.put(_not_measured(described, pot))


def _pressures_of(described: Yard, version: data.Version, pot: str, spell: dict[str, Any]) -> None:
    """The way to the pressures of this stretch, in its first shift where one is booked."""
    shifts = data.kept(data.shift_list, version).value
    mine = shifts.filter(
        (pl.col("pot") == pot)
        & (pl.col("from_at") < spell["to_at"])
        & (pl.col("to_at") > spell["from_at"])
    ).sort("from_at")
    along = navigation.carried() | {"pot": pot}
    for key in ("shift", "day", "from", "to"):
        along.pop(key, None)
    if mine.height:
        first = mine.row(0, named=True)
        whole, along["shift"] = (first["from_at"], first["to_at"]), first["shift"]
    else:
        day = data.site_date(spell["from_at"], described)
        whole = data.site_day(day, described)
        along |= {"shift": timeline.WHOLE_DAY, "day": day.isoformat()}
    along["from"] = timeline.text_of(max(spell["from_at"], whole[0]))
    along["to"] = timeline.text_of(min(spell["to_at"], whole[1]))
    with st.container(key="condition-ways-shift"):
        st.page_link("views/review.py", label="Its pressures in the shift", query_params=along)


def _nothing_yet(version: data.Version | None) -> None:
    look.put(
        look.note(
            "There is no pot to look at yet.",
            "Figures appear once a box has been heard and `gritbook pages` or `gritbook derive` "
            "has run; a card is brought in with `gritbook import FILE --pot NAME`.",
        )
    )
    redraw.when_there_is_more(version)


# --- choosing --------------------------------------------------------------------------------


def _choose_pot(described: Yard, pots: list[str]) -> str | None:
    asked = st.session_state.get("condition-pot", st.query_params.get("pot", ""))
    st.session_state["condition-pot"] = asked if asked in pots else pots[0]

    def keep() -> None:
        st.query_params["pot"] = st.session_state["condition-pot"]

    return st.segmented_control(
        "Pot", pots, key="condition-pot", required=True, wrap=True, on_change=keep,
        format_func=lambda name: words.label(data.pot_title(described, name)),
    )  # fmt: skip


def _choose_spell(described: Yard, pot: str, spells: pl.DataFrame) -> dict[str, Any]:
    """The newest spell that could be weighed, or the one that is chosen."""
    rows = list(spells.head(SPELLS_SHOWN).iter_rows(named=True))
    by_begin = {row["from_at"].isoformat(): row for row in rows}
    first = next((key for key, row in by_begin.items() if row["used_kg"] is not None), None)
    first = first or next(iter(by_begin))
    key = f"condition-spell-{pot}"
    asked = st.session_state.get(key, st.query_params.get("spell", ""))
    st.session_state[key] = asked if asked in by_begin else first

    def called(begin: str) -> str:
        row = by_begin[begin]
        told = time_words.stretch(row["from_at"], row["to_at"], described.site.zone)
        return f"{told}, {words.counted(row['cycles'], 'cycle', 'cycles')}"

    def keep() -> None:
        st.query_params["spell"] = st.session_state[key]

    chosen = st.selectbox(
        "Work without a long pause", list(by_begin), key=key, format_func=called,
        on_change=keep, width=520,
    )  # fmt: skip
    return dict(by_begin[chosen])


# --- questions -------------------------------------------------------------------------------


def _questions(described: Yard, found: condition_data.PotCondition, spell: dict[str, Any]) -> None:
    look.put(
        look.heading(
            "Questions for the supervisor",
            "Where pressures and entries tell different stories. Either may be right.",
        )
    )
    asked = [str(question) for question in json.loads(spell["questions"])]
    if not asked:
        agree = "Bags and pressures tell the same story."
        none = "No bags were entered for it, and no tipping was found."
        look.put(look.note("None for this stretch.", agree if _has_entries(found, spell) else none))
        return
    zone = described.site.zone
    told = [
        spoken.page_units(spoken.at_the_site(q, spell["from_at"], spell["to_at"], zone))
        for q in asked
    ]
    items = "".join(f"<li>{look.shown(question)}</li>" for question in told)
    in_utc = any("UTC" in question for question in told)
    look.put(
        f'<ol class="gb-questions">{items}</ol>'
        f'<p class="gb-under">{"Times in UTC." if in_utc else "Times are the site&#x27;s."} '
        "Correct or add the entry in the log book; the pot is then weighed anew.</p>"
    )
    with st.container(key="condition-ways", horizontal=True):
        st.page_link(
            "views/logbook.py", label="Open the log book", query_params=navigation.carried()
        )


def _has_entries(found: condition_data.PotCondition, spell: dict[str, Any]) -> bool:
    mine = found.tippings.filter(
        (pl.col("to_at") > spell["from_at"]) & (pl.col("from_at") < spell["to_at"])
    )
    return bool(mine["entered_kg"].is_not_null().any())


# --- how sure --------------------------------------------------------------------------------


def _how_sure(found: condition_data.PotCondition) -> None:
    look.put(
        look.heading(
            "How sure is this",
            "A pot weighed by its pressures is an estimate. It goes wrong here:",
        )
    )
    factor = standing.steady_factor(found.tippings)
    if factor is not None:
        way = "more" if factor.factor > 1 else "less"
        look.put(
            look.note(
                f"Tippings come out {words.percent(abs(factor.factor - 1))} {way} than the bags "
                f"entered, steadily over {factor.tippings}.",
                "The pot's volume in the yard file may be wrong, or the weight of a bag, or the "
                "abrasive is of another density. Compare the volume with the vessel's plate, and "
                "weigh a bag.",
                "warn",
            )
        )
    look.put(_list(condition_words.HOW_SURE))
    look.put(
        look.heading(
            "What the suggestions do not tell apart",
            "They rest on this pot's own past, and see no part of it. It goes wrong here:",
        ),
        _list(condition_words.NOT_TOLD_APART),
    )


def _not_measured(described: Yard, pot: str) -> str:
    """What cannot be told of a pot for want of a channel, by the channels of its boxes."""
    measured = frozenset(c for box in described.boxes_of(pot) for c in box.channels)
    lacking = requirements.missing(measured)
    if not measured or not lacking:
        return ""
    rows = [
        (words.sentence(one.figure), key_words.channels(channels), words.sentence(one.without))
        for one, channels in lacking
    ]
    return look.heading(
        "What this pot's boxes do not measure", "By the channels that the yard file names for them."
    ) + look.table(("Figure", "It would need", "Without it"), rows, "What each figure needs")


def _list(said: tuple[tuple[str, str], ...]) -> str:
    items = "".join(
        f"<li><b>{look.shown(spoken.page_units(what))}.</b> "
        f"{look.shown(spoken.page_units(means))}</li>"
        for what, means in said
    )
    return f'<ul class="gb-sure">{items}</ul>'


if __name__ == "__main__":
    page()
