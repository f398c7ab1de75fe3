"""Groups with their ranges as a chart: what was done, and the same under like conditions."""

from __future__ import annotations

import altair as alt
import polars as pl

from dashboard.palette import Palette
from dashboard.theme import PLAIN, themed

#: The two figures of a group, in the order in which they are drawn.
DONE, ADJUSTED = "Done, with 90 % range", "Under like conditions, with 90 % range"
#: Room of a group. [px]
_ROW = 58
#: The axis goes no further than so many times the largest figure, and below the smallest.
_BEYOND = 1.8


def intervals(groups: pl.DataFrame, unit: str, colours: Palette) -> alt.LayerChart:
    """A bar a figure, from low to high, with a mark where the figure itself lies.

    Parameters
    ----------
    groups : polars.DataFrame
        ``analytics.compare.GROUP_SCHEMA``, at least one row; drawn in its order.
    unit : str
        Of the rates.
    colours : Palette
        The viewer's.
    """
    kinds = (
        (DONE, "rate", "rate_low", "rate_high"),
        (ADJUSTED, "adjusted", "adjusted_low", "adjusted_high"),
    )
    rows = pl.concat(
        groups.select(
            "group", pl.lit(kind).alias("kind"), pl.col(middle).alias("value"),
            pl.col(low).alias("low"), pl.col(high).alias("high"),
        ).filter(pl.col("value").is_not_null())
        for kind, middle, low, high in kinds
    )  # fmt: skip
    order = groups["group"].to_list()
    shown = [kind for kind, *_ in kinds]
    y = alt.Y(
        "group:N", sort=order, title=None,
        axis=alt.Axis(labelFontSize=PLAIN, labelLimit=150, grid=False, ticks=False, domain=False),
    )  # fmt: skip
    offset = alt.YOffset("kind:N", sort=shown)
    hue = alt.Color(
        "kind:N", scale=alt.Scale(domain=shown, range=[colours.quiet, colours.pot]),
        legend=alt.Legend(direction="vertical", labelLimit=320),
    )  # fmt: skip
    shape = alt.Shape("kind:N", scale=alt.Scale(domain=shown, range=["diamond", "circle"]))
    # A range from a few wild shifts may have no end to speak of: the axis stays with the figures.
    least, most = float(rows["value"].min()), float(rows["value"].max())  # type: ignore[arg-type]
    left = max(float(rows["low"].fill_null(least).min()), least / _BEYOND)  # type: ignore[arg-type]
    right = min(float(rows["high"].fill_null(most).max()), most * _BEYOND)  # type: ignore[arg-type]
    scale = alt.Scale(zero=False, nice=True, domain=[left, right])
    tooltip = [
        alt.Tooltip("group:N", title=" "),
        alt.Tooltip("kind:N", title="figure"),
        alt.Tooltip("value:Q", format=".3~g", title=unit),
        alt.Tooltip("low:Q", format=".3~g", title="at least"),
        alt.Tooltip("high:Q", format=".3~g", title="at most"),
    ]
    base = alt.Chart(rows.to_pandas()).encode(y=y, yOffset=offset, tooltip=tooltip)
    bars = base.mark_rule(strokeWidth=5, opacity=0.55, strokeCap="round", clip=True).encode(
        x=alt.X("low:Q", title=unit, scale=scale, axis=alt.Axis(tickCount=6)),
        x2="high:Q",
        color=hue,
    )
    marks = base.mark_point(filled=True, size=130, opacity=1).encode(
        x=alt.X("value:Q", title=unit, scale=scale), color=hue, shape=shape
    )
    chart = alt.layer(bars, marks).properties(
        width="container",
        height=_ROW * len(order) + 10,
        # So that names, however long, stay on the page.
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
    )
    return themed(chart, colours)
