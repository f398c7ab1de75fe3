"""Rows of pages: each drawn from cold caches, beside the page that only lists the others."""

from __future__ import annotations

import logging
import os
from collections.abc import Iterator
from pathlib import Path

from measure import Row, by_turns
from rows_start import where_of

import dashboard

#: Drawn on the few shifts of ``rows_derive``; their own sizes are ``bench_pages.py``'s matter.
SHOWN = ("now", "shift", "condition", "upkeep", "signals")


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of pages, on a store with a few shifts."""
    # Streamlit warns at every cache that no server runs.
    logging.disable(logging.WARNING)
    import streamlit as st
    from streamlit.testing.v1 import AppTest

    from dashboard.navigation import MORE, PAGES, Way

    _, data, _, yard = where_of(folder, short)
    os.environ |= {"GRITBOOK_DATA": data, "GRITBOOK_YARD": yard}
    app = AppTest.from_file(str(Path(dashboard.__file__).parent / "app.py"), default_timeout=120)

    def drawn(way: Way) -> None:
        st.cache_data.clear()
        app.switch_page(way.file).run()
        if app.exception:
            raise SystemExit(f"{way.path}: {app.exception[0].message}")

    app.run()
    for way in PAGES:
        if way.path in SHOWN:
            yield by_turns(
                f"page {way.path}, cold caches", lambda w=way: drawn(w),
                "page more", lambda: drawn(MORE), repeats=3 if short else 7,
            )  # fmt: skip
