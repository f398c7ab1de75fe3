"""A chart with what it was drawn from: the figures as a table on demand, and as a file."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl
import streamlit as st

from dashboard import look

#: Rows of the table that are sent to a browser; the file has all.
ROWS_SHOWN = 500


def chart_with_table(
    chart: alt.TopLevelMixin,
    table: pl.DataFrame,
    *,
    says: str,
    key: str,
    file: str,
    whole: Callable[[], str] | None = None,
    zoom: str = "",
    on_zoom: Callable[[Mapping[str, Any]], None] | None = None,
) -> None:
    """Draw a chart, and under it its figures, which are sent only to whoever asks for them.

    Parameters
    ----------
    chart : altair chart
        Dressed (:func:`dashboard.theme.themed`).
    table : polars.DataFrame
        What it shows, with headings for people.
    says : str
        The chart in a sentence, for whoever does not see it.
    key : str
        Of the widgets; one on a page.
    file : str
        Name of the file without its ending.
    whole : callable or None
        Makes the file's text when it is asked for; the table, where there is nothing more.
    zoom : str
        Name of a selection of the chart; with it ``on_zoom`` must be given.
    on_zoom : callable or None
        Takes what was selected, before the page is drawn anew.
    """
    if on_zoom is not None:
        taken = on_zoom

        def select() -> None:
            taken(st.session_state[f"{key}-chart"].selection.get(zoom) or {})

        st.altair_chart(
            chart, theme=None, width="stretch", alt=says, key=f"{key}-chart",
            on_select=select, selection_mode=zoom,
        )  # fmt: skip
    else:
        st.altair_chart(chart, theme=None, width="stretch", alt=says)
    figures_behind(table, key=key, file=file, whole=whole)


def figures_behind(
    table: pl.DataFrame, *, key: str, file: str, whole: Callable[[], str] | None = None
) -> None:
    """What something drawn shows, as a table on demand and as a file; see above."""
    with st.container(key=f"behind-{key}", horizontal=True, vertical_alignment="center"):
        is_asked = st.toggle("Show the figures", key=f"{key}-table")
        st.download_button(
            "Download as CSV", whole if whole is not None else table.write_csv,
            file_name=f"{file}.csv", mime="text/csv", key=f"{key}-csv", on_click="ignore",
        )  # fmt: skip
    if is_asked:
        shown = table.head(ROWS_SHOWN)
        st.dataframe(
            shown.to_pandas(), hide_index=True, width="stretch",
            height=min(36 * (shown.height + 1) + 3, 330),
        )  # fmt: skip
        if table.height > shown.height:
            st.caption(f"The first {shown.height} of {table.height} rows; the file has all.")


def shares_behind(shares: Sequence[look.Share], *, key: str, file: str) -> None:
    """The figures of a bar of shares (:func:`dashboard.look.stacked`), which are seconds."""
    table = pl.DataFrame(
        {
            "what": [share.label for share in shares],
            "hours": [round(share.amount / 3600, 4) for share in shares],
        },
        schema={"what": pl.String, "hours": pl.Float64},
    )
    figures_behind(table, key=key, file=file)
