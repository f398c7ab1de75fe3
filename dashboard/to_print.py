"""A report to print, offered on a page: made when it is asked for, then downloaded."""

from __future__ import annotations

import streamlit as st

from dashboard import data, look, units, words

#: What it can be made as -> kind and paper, and the media type.
_FORMS = {
    "PDF, A4": ("pdf", "a4"),
    "PDF, Letter": ("pdf", "letter"),
    "HTML": ("html", "a4"),
}
_MEDIA = {"pdf": "application/pdf", "html": "text/html"}


def offer(version: data.Version, what: str, of: str, title: str, under: str, make: str) -> None:
    """Offer a report: a choice of paper, a button that makes it, and one that downloads it.

    Parameters
    ----------
    version : Version
        What its figures rest on.
    what, of : str
        As :func:`dashboard.data.report` takes them.
    title, under : str
        Over the buttons; an empty title: the page has put one.
    make : str
        On the button that makes it.
    """
    if title:
        look.put(look.heading(title, under))
    key = f"print-{what}-{of}"
    with st.container(horizontal=True, vertical_alignment="bottom"):
        form = st.segmented_control(
            "As", list(_FORMS), default="PDF, A4", key=f"{key}-form", required=True, wrap=True
        )  # fmt: skip
        st.button(make, key=f"{key}-make", on_click=_asked, args=(key,))
    if not st.session_state.get(f"{key}-asked"):
        return
    kind, paper = _FORMS[form]
    with look.sentences():
        made = data.kept(data.report, version, what, of, kind, paper, units.current().name).value
        st.download_button(
            f"Download {words.label(made.number)}", made.content, f"{made.number}.{kind}",
            _MEDIA[kind], key=f"{key}-file", type="primary", on_click="ignore",
        )  # fmt: skip


def _asked(key: str) -> None:
    st.session_state[f"{key}-asked"] = True
