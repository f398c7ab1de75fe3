"""When checks will be due: a bar a check, from the earliest day to the latest, from today on."""

from __future__ import annotations

import datetime as dt

import altair as alt
import polars as pl

from dashboard.palette import Palette
from dashboard.theme import SMALL, themed

#: Most checks drawn, the earliest; and the room of one. [px]
MOST, _ROW = 20, 24


def due_ahead(rows: pl.DataFrame, today: dt.date, colours: Palette) -> alt.LayerChart:
    """Checks by the day on which their limit will pass, as ranges.

    Parameters
    ----------
    rows : polars.DataFrame
        ``check``, ``from_on``, ``to_on``, none of them null, at least one row; drawn in its order.
    today : date
        At the site: a line is drawn there.
    colours : Palette
        The viewer's.
    """
    drawn = rows.head(MOST).with_columns(
        # A day is as wide as a day: a range of one day is no point without width.
        (pl.col("to_on") + dt.timedelta(days=1)).alias("end_on"),
        (pl.col("from_on") <= today).alias("passed"),
    )
    shown = drawn.with_columns(pl.col("from_on", "to_on", "end_on").cast(pl.Datetime("ms")))
    y = alt.Y(
        "check:N", sort=drawn["check"].to_list(), title=None,
        axis=alt.Axis(labelLimit=170, labelFontSize=SMALL, grid=False, ticks=False, domain=False),
    )  # fmt: skip
    x_axis = alt.Axis(format="%-d %b", tickCount=5, labelOverlap=True, title=None)
    x_scale = alt.Scale(type="utc", nice="day")
    bars = (
        alt.Chart(shown.to_pandas())
        .mark_bar(height=12)
        .encode(
            x=alt.X("from_on:T", scale=x_scale, axis=x_axis), x2="end_on:T", y=y,
            color=alt.Color(
                "passed:N", legend=None,
                scale=alt.Scale(domain=[True, False], range=[colours.alarm, colours.idle]),
            ),
            tooltip=[
                alt.Tooltip("check:N", title=" "),
                alt.Tooltip("from_on:T", format="%-d %b %Y", title="earliest"),
                alt.Tooltip("to_on:T", format="%-d %b %Y", title="latest"),
            ],
        )
    )  # fmt: skip
    now = alt.Chart(pl.DataFrame({"at": [dt.datetime.combine(today, dt.time())]}).to_pandas())
    line = now.mark_rule(color=colours.ink, strokeWidth=2, strokeDash=[4, 3]).encode(
        x=alt.X("at:T", scale=x_scale, axis=x_axis)
    )
    chart = alt.layer(bars, line).properties(
        width="container", height=_ROW * drawn.height + 10,
        autosize=alt.AutoSizeParams(type="fit-x", contains="padding"),
    )  # fmt: skip
    return themed(chart, colours)
