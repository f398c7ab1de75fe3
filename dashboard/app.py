"""Page settings and the frame around every page; `gritbook pages` runs this file.

The pages themselves are listed in ``dashboard/navigation.py``.
"""

from __future__ import annotations

import streamlit as st

from dashboard import data, entry_drafts, key_words, look, navigation, viewer_units, words
from dashboard.access import session

st.set_page_config(page_title="Gritbook", layout="wide", initial_sidebar_state="collapsed")
first, *others = navigation.PAGES
pages = {
    # Served at the site's own address; the name is only reserved, and must not be the way's.
    first.file: st.Page(first.file, title=first.title, url_path="first", default=True),
    **{way.file: st.Page(way.file, title=way.title, url_path=way.path) for way in others},
}


def to_the_front() -> None:
    """Lead whoever types the first page's name to it: its address is the site's own."""
    st.switch_page(first.file, query_params=navigation.carried())


front = st.Page(to_the_front, title="Gritbook", url_path=first.path)
page = st.navigation([*pages.values(), front], position="hidden")
if page is front:
    page.run()
here = next(file for file, entry in pages.items() if entry is page)
look.dress()
entry_drafts.listen()
with look.sentences(whole_page=True):
    viewer = session.require("look at the pages")
    session.seen()
    with st.container(
        key="masthead",
        horizontal=True,
        vertical_alignment="bottom",
        horizontal_alignment="distribute",
    ):
        with st.container(width="content"):
            described = data.yard() if data.place().yard.exists() else None
            site = (described.site.title or described.site.name) if described else ""
            look.put(
                f'<div class="gb-left"><div><div class="gb-mark"><span></span>Gritbook</div>'
                f'<div class="gb-site">{look.shown(site)}</div></div>{session.who_is_here(viewer)}'
                "</div>"
            )
        viewer_units.switch()
        navigation.main_ways(here)
    navigation.other_ways(here)
    if data.yard().site.invented:
        look.put(f'<p class="gb-invented">{look.shown(words.INVENTED)}</p>')
    if looser := key_words.loosened(data.yard()):
        look.put(f'<p class="gb-loose">{look.shown(looser)}</p>')
    page.run()
    navigation.drawn()
entry_drafts.keep()
