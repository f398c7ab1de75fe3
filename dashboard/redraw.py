"""Pages that have nothing to show yet, and draw themselves again as soon as there is something."""

from __future__ import annotations

import streamlit as st

from dashboard import data
from ingest.errors import NotSignedIn, StoreBusy

#: How often it is asked whether there is something. [s]
EVERY_S = 2.0


@st.fragment(run_every=EVERY_S)
def when_there_is_more(known: data.Version | None) -> None:
    """Draw the whole page again when figures, entries or the yard file have changed.

    Parameters
    ----------
    known : Version or None
        What the page was drawn from; None where there was no store at all.
    """
    if _is_more(known):
        st.rerun(scope="app")


def _is_more(known: data.Version | None) -> bool:
    if known is None:
        return data.has_store()
    try:
        return data.version() != known
    except StoreBusy:
        return False
    except NotSignedIn:
        # The page says what to do; this piece of it has no place for that.
        return True
