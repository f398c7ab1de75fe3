"""The pages there are, and the ways between them.

Four ways are used in every shift. They stand first, and on a phone they are all that the bar at the
bottom holds, with *More* beside them: a bar that a glove can hit has room for five. The rest is a
second row where there is room, and the page *More* on a phone.
"""

from __future__ import annotations

from typing import NamedTuple

import streamlit as st

from dashboard import look


class Way(NamedTuple):
    """A page, and how it is reached.

    Parameters
    ----------
    file : str
        Below ``dashboard/``. The folder is not called ``pages``: Streamlit makes a menu of its own
        from such a folder until somebody has come in by the front.
    title : str
        Its short name.
    path : str
        Its path in the address.
    what : str
        What it is for, as the page *More* says.
    """

    file: str
    title: str
    path: str
    what: str = ""


#: Where every figure is explained.
HELP = Way("views/help.py", "Help", "help", "What every figure is, and the words of the trade.")
#: What is used in every shift.
DAILY = (
    Way("views/now.py", "Now", "now"),
    Way("views/review.py", "Shift", "shift"),
    Way("views/upkeep.py", "Upkeep", "upkeep"),
    Way("views/logbook.py", "Log book", "logbook"),
)
#: The rest: what is for after the shift first, what is for setting up last.
SELDOM = (
    Way("views/condition.py", "Condition", "condition",
        "What a pot's pressures suggest to look at, and the abrasive in it."),
    Way("views/crews.py", "Crews", "crews",
        "Crews, jobs, pots and nozzles compared under like conditions."),
    Way("views/estimate.py", "Estimate", "estimate",
        "What a new job will take, from this yard's own shifts."),
    Way("views/signals.py", "Signals", "signals",
        "How the sensor boxes are heard, and whether what they measure may count."),
    Way("views/setup.py", "Yard set-up", "setup",
        "Pots, boxes, transducers, calibrations and checks, as the yard file has them."),
    HELP,
)  # fmt: skip
MORE = Way("views/more.py", "More", "more")

PAGES = (*DAILY, *SELDOM, MORE)
#: What goes with a viewer from page to page.
CARRIED = ("pot", "shift", "day", "by", "from", "to", "units")

_NEW_ADDRESS = "address-new"


def carried() -> dict[str, str]:
    """What of the address goes along to the next page."""
    return {key: st.query_params[key] for key in CARRIED if key in st.query_params}


def keep(**values: str | None) -> None:
    """Put values into the address from within a widget's callback; ``None`` takes one out.

    What a callback sends to the browser is dropped when the run that follows begins, so that the
    address would lag one step behind; :func:`drawn` sends it once more.
    """
    for key, value in values.items():
        if value is not None:
            st.query_params[key] = value
        elif key in st.query_params:
            del st.query_params[key]
    st.session_state[_NEW_ADDRESS] = True


def main_ways(here: str) -> None:
    """The row at the top, which is the bar at the bottom of a phone.

    Parameters
    ----------
    here : str
        File of the page that is shown.
    """
    within = here in {way.file for way in SELDOM}
    with st.container(key="ways", horizontal=True, width="content", gap=None):
        for way in (*DAILY, MORE):
            key = "here" if way.file == here else way.path
            # On a phone a page of the second row is one of "More", so that is where one is.
            _link(way, "way-here-within" if within and way is MORE else f"way-{key}")


def drawn() -> None:
    """Send the address anew where it was changed; at the end of a page, so of no run cut short."""
    if st.session_state.pop(_NEW_ADDRESS, False):
        st.query_params.update()


def other_ways(here: str) -> None:
    """The second row, for wide windows."""
    with st.container(key="byways", horizontal=True, gap=None):
        for way in SELDOM:
            _link(way, f"byway-{'here' if way.file == here else way.path}")


def _link(way: Way, key: str) -> None:
    with st.container(key=key, width="content"):
        st.page_link(way.file, label=way.title, query_params=carried())


def all_ways() -> None:
    """Every page that is not in the bar, each with what it is for."""
    for way in SELDOM:
        with st.container(key=f"onward-{way.path}"):
            st.page_link(way.file, label=way.title, query_params=carried(), width="stretch")
            look.put(f'<p class="gb-under">{look.shown(way.what)}</p>')
