"""Page settings and the ways between pages; `gritbook pages` runs this file."""

from __future__ import annotations

import streamlit as st

from dashboard import data, look, words

#: File of a page -> its short name and its path in the address. The folder is not called `pages`:
#: Streamlit makes a menu of its own from such a folder until somebody has come in by the front.
PAGES = (
    ("views/now.py", "Now", "now"),
    ("views/review.py", "Shift", "shift"),
    ("views/condition.py", "Condition", "condition"),
    ("views/upkeep.py", "Upkeep", "upkeep"),
    ("views/crews.py", "Crews", "crews"),
    ("views/estimate.py", "Estimate", "estimate"),
    ("views/logbook.py", "Log book", "logbook"),
)
#: What goes with a viewer from page to page.
CARRIED = ("pot", "shift", "day", "by")

st.set_page_config(page_title="Gritbook", layout="wide", initial_sidebar_state="collapsed")
pages = [
    st.Page(file, title=name, url_path=path, default=path == "now") for file, name, path in PAGES
]
page = st.navigation(pages, position="hidden")
look.dress()
with (
    st.container(
        key="masthead",
        horizontal=True,
        vertical_alignment="bottom",
        horizontal_alignment="distribute",
    ),
    look.sentences(),
):
    with st.container(width="content"):
        described = data.yard() if data.place().yard.exists() else None
        site = (described.site.title or described.site.name) if described else ""
        look.put(
            f'<div class="gb-mark"><span></span>Gritbook</div>'
            f'<div class="gb-site">{look.shown(site)}</div>'
        )
    carried = {key: st.query_params[key] for key in CARRIED if key in st.query_params}
    with st.container(key="ways", horizontal=True, width="content", gap=None):
        for entry in pages:
            here = "here" if entry is page else entry.url_path
            with st.container(key=f"way-{here}", width="content"):
                st.page_link(entry, label=entry.title, query_params=carried)
with look.sentences():
    if data.yard().site.invented:
        look.put(f'<p class="gb-invented">{look.shown(words.INVENTED)}</p>')
    if looser := words.loosened(data.yard()):
        look.put(f'<p class="gb-loose">{look.shown(looser)}</p>')
    page.run()
