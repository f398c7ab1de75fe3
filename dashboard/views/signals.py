"""Signals: how the boxes are heard, and whether what they measure may count."""

from __future__ import annotations

import streamlit as st

from dashboard import (
    data,
    look,
    redraw,
    signals_data,
    words,
)
from dashboard.views import signals_heard, signals_times, signals_transducers
from ingest.config import Yard

SECTIONS = (
    ("right", "Is it right?"),
    ("values", "Last values"),
    ("days", "Day by day"),
    ("counted", "What did not count"),
    ("zero", "Zero at rest"),
    ("gaps", "Gaps of a day"),
    ("clocks", "Clocks"),
    ("calibration", "Calibration"),
    ("quarantine", "Quarantine"),
)


def page() -> None:
    """Signals."""
    look.put(
        look.title(
            "Signals",
            "How the sensor boxes are heard, and whether what they measure may count. For whoever "
            "sets a box up or looks after it.",
        ),
        look.caution(),
    )
    described = data.yard()
    if not described.boxes:
        look.put(
            look.note(
                "The yard file names no sensor box.",
                "Add a [[box]] for each pot to it, with the channels it measures; how a box is "
                "wired and what it sends stands in ingest/README.md.",
            )
        )
    if not data.has_store():
        look.put(
            look.note(
                "Nothing was ever heard here.",
                "Start gritbook ingest and switch the box on: this page then says whether it is "
                "right. gritbook check tests the way to the broker and the lines; a card is "
                "brought in with gritbook import FILE --pot NAME.",
            )
        )
        redraw.when_there_is_more(None)
        return
    version = data.kept(data.version).value
    folder, changed = version.data, version.yard_changed_ns
    heard = data.kept(signals_data.boxes, folder, changed)
    if heard.is_old:
        look.put(look.as_of(heard.read_at, described.site.zone))
    signals_heard.boxes(described, heard.value)
    pot = _choose_pot(described)
    if pot is None:
        return
    _jumps()
    signals_heard.lately(described, folder, changed, pot)
    signals_heard.days(described, version, pot)
    signals_heard.not_counted(described, version, pot)
    signals_transducers.zero(described, version, pot)
    signals_times.gaps(described, version, pot)
    signals_times.clocks(described, version, pot)
    signals_transducers.calibration(described, version, pot)
    signals_heard.quarantine(described, folder)


def _jumps() -> None:
    links = "".join(f'<a href="#{anchor}">{look.shown(called)}</a>' for anchor, called in SECTIONS)
    look.put(f'<nav class="gb-jumps" aria-label="On this page">{links}</nav>')


def _choose_pot(described: Yard) -> str | None:
    pots = list(described.pot_names)
    asked = st.session_state.get("signals-pot", st.query_params.get("pot", ""))
    st.session_state["signals-pot"] = asked if asked in pots else pots[0]

    def keep() -> None:
        st.query_params["pot"] = st.session_state["signals-pot"]

    return st.segmented_control(
        "Pot", pots, key="signals-pot", required=True, wrap=True, on_change=keep,
        format_func=lambda name: words.label(data.pot_title(described, name)),
    )  # fmt: skip


if __name__ == "__main__":
    page()
