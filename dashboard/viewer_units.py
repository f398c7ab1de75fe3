"""Which units a viewer reads in: from the address, else from the visit, else from the last one.

The address carries the choice from page to page and to whoever a link is sent to; a cookie keeps
it on this device for the next visit. It holds no more than the name of the choice.
"""

from __future__ import annotations

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from dashboard import navigation, units

#: Key in the address, and of the cookie that remembers it.
KEY, COOKIE = "units", "gritbook-units"
_KEPT_S = 400 * 86_400
#: What is to be put into the cookie by the run that follows a choice.
_NEW = "units-new"


def chosen() -> units.Units | None:
    """The units of the viewer whose page is being drawn; ``None`` where none was chosen.

    Threads that draw no page (the one that serves, the one that derives) have no viewer.
    """
    if get_script_run_ctx(suppress_warning=True) is None:
        return None
    for name in (
        st.query_params.get(KEY),
        st.session_state.get(KEY),
        st.context.cookies.get(COOKIE),
    ):
        if (found := units.named(name)) is not None:
            return found
    return None


def _choose() -> None:
    name = st.session_state["units-switch"]
    st.session_state[KEY] = st.session_state[_NEW] = name
    navigation.keep(**{KEY: name})


def switch() -> None:
    """Let the viewer choose; drawn once a page, before anything that has a unit."""
    units.follow(chosen)
    asked = units.named(st.query_params.get(KEY))
    if asked is not None:
        st.session_state[KEY] = asked.name
    st.session_state["units-switch"] = units.current().name
    st.segmented_control(
        "Units", list(units.CHOICES), key="units-switch", label_visibility="collapsed",
        format_func=lambda name: units.CHOICES[name].of("pressure").name, on_change=_choose,
        required=True, width="content",
    )  # fmt: skip
    if (new := st.session_state.pop(_NEW, None)) is not None:
        # Only names of our own get here: the switch offers no others.
        st.html(
            f"<script>document.cookie = '{COOKIE}={units.CHOICES[new].name}; path=/; "
            f"max-age={_KEPT_S}; SameSite=Lax';</script>",
            unsafe_allow_javascript=True,
        )
