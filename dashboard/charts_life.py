"""The chart of a life: how many of a hundred are worn by a use, over the lives that taught it."""

from __future__ import annotations

import altair as alt
import polars as pl

from analytics.lifetimes import AXES, Learned
from analytics.weibull_life import WeibullLife, curve
from dashboard.palette import Palette
from dashboard.theme import FONT, SMALL, themed

#: Most lives drawn, the newest.
_MOST = 60
#: How much of the height is for them.
_BELOW = 30.0

_TITLES = {"blast_h": "Blast hours since new", "cycles": "Pinch cycles since new"}


def life_curve(
    learned: Learned, known: pl.DataFrame, colours: Palette, height: int = 340
) -> alt.LayerChart:
    """How many of a hundred are worn by each use, with the band, the limit, and each life below.

    Parameters
    ----------
    learned : Learned
        With a fitted life.
    known : polars.DataFrame
        ``analytics.lifetimes.LIFE_SCHEMA`` of the same parts.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    assert isinstance(learned.life, WeibullLife)
    good, worn = AXES[learned.axis]
    rows = known.filter((pl.col(good) > 0) | pl.col(worn).is_not_null()).tail(_MOST)
    # What matters lies about the limit; a few that lasted long would press it against the axis.
    longest = (
        max(2.5 * learned.limit, learned.life.use_at(0.75)[0])
        if learned.limit is not None
        else learned.life.use_at(0.95)[0]
    )
    drawn = curve(learned.life, longest).select(
        "use", *(pl.col(f"worn_share{end}") * 100.0 for end in ("", "_low", "_high"))
    )
    x_scale = alt.Scale(domain=[0, longest], nice=False)
    x = alt.X(
        "use:Q", title=_TITLES[learned.axis], scale=x_scale,
        axis=alt.Axis(tickCount=7, grid=False, labelFlush=True),
    )  # fmt: skip
    y_scale = alt.Scale(domain=[-_BELOW, 100], nice=False)
    y_axis = alt.Axis(values=[0, 25, 50, 75, 100])
    base = alt.Chart(drawn.to_pandas())
    layers: list[alt.Chart] = [
        base.mark_area(color=colours.pot, opacity=0.22, clip=True).encode(
            x=x,
            y=alt.Y("worn_share_low:Q", title="Worn, of 100", scale=y_scale, axis=y_axis),
            y2="worn_share_high:Q",
        ),
        base.mark_line(color=colours.pot, strokeWidth=2.4, clip=True).encode(
            x=x,
            y=alt.Y("worn_share:Q", scale=y_scale),
            tooltip=[
                alt.Tooltip("use:Q", format=".0f", title=_TITLES[learned.axis].lower()),
                alt.Tooltip("worn_share:Q", format=".0f", title="worn, of 100"),
                alt.Tooltip("worn_share_low:Q", format=".0f", title="at least"),
                alt.Tooltip("worn_share_high:Q", format=".0f", title="at most"),
            ],
        ),
        *_lives(rows, good, worn, x_scale, y_scale, colours),
    ]
    if learned.checks is not None:
        limits = learned.checks.select(
            "every",
            pl.when("in_force").then(pl.lit("your check")).otherwise(pl.lit("")).alias("words"),
            "in_force",
        )
        rules = alt.Chart(limits.to_pandas()).encode(x=alt.X("every:Q", scale=x_scale))
        layers += [
            rules.transform_filter("datum.in_force").mark_rule(color=colours.ink, strokeWidth=2),
            rules.transform_filter("!datum.in_force").mark_rule(
                color=colours.quiet, strokeWidth=1.2, strokeDash=[4, 4]
            ),
            rules.mark_text(
                align="left",
                dx=6,
                baseline="top",
                fontSize=SMALL,
                fontWeight=600,
                color=colours.ink,
                font=FONT,
            ).encode(text="words:N", y=alt.value(4)),
        ]
    chart = alt.layer(*layers).properties(width="container", height=height)
    return themed(chart, colours)


def measured(rows: pl.DataFrame, title: str, colours: Palette, height: int = 220) -> alt.LayerChart:
    """What was measured on parts over the hours that each had blasted; a line a part.

    Parameters
    ----------
    rows : polars.DataFrame
        ``use`` [h], ``found``, ``part_id``, ``tag``, ``is_newest``, in the order of time.
    title : str
        Of what was measured, with its unit.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    colour = alt.Color(
        "is_newest:N", legend=None,
        scale=alt.Scale(domain=[True, False], range=[colours.pot, colours.idle]),
    )  # fmt: skip
    base = alt.Chart(rows.to_pandas()).encode(
        x=alt.X(
            "use:Q", title=_TITLES["blast_h"], scale=alt.Scale(zero=True),
            axis=alt.Axis(tickCount=6, grid=False),
        ),
        y=alt.Y("found:Q", title=title, scale=alt.Scale(zero=False), axis=alt.Axis(tickCount=5)),
        color=colour,
    )  # fmt: skip
    lines = base.mark_line(strokeWidth=2).encode(
        detail="part_id:N",
        strokeDash=alt.StrokeDash(
            "is_newest:N",
            legend=None,
            scale=alt.Scale(domain=[True, False], range=[[1, 0], [4, 3]]),
        ),
    )
    points = base.mark_point(filled=True, size=70, opacity=1).encode(
        tooltip=[
            alt.Tooltip("use:Q", format=".1f", title="blast hours"),
            alt.Tooltip("found:Q", format=".4~g", title=title),
            alt.Tooltip("tag:N", title="tag"),
        ]
    )
    chart = alt.layer(lines, points).properties(width="container", height=height)
    return themed(chart, colours)


def _lives(
    rows: pl.DataFrame,
    good: str,
    worn: str,
    x_scale: alt.Scale,
    y_scale: alt.Scale,
    colours: Palette,
) -> list[alt.Chart]:
    """Each life under the axis: thin while known good, thick where it wore out."""
    if rows.is_empty():
        return []
    step = (_BELOW - 5.0) / rows.height
    by_length = rows.sort(pl.max_horizontal(good, worn), maintain_order=True)
    placed = by_length.with_row_index("number").select(
        (-4.0 - step * pl.col("number")).alias("y"),
        pl.col(good).alias("use"),
        pl.col(worn).alias("to_use"),
        pl.lit(0.0).alias("from_use"),
        "tag",
        "pot",
    )
    lines = alt.Chart(placed.to_pandas())
    y = alt.Y("y:Q", scale=y_scale)
    width = max(min(2.6 * step, 6.0), 1.2)
    tips = [
        alt.Tooltip("tag:N", title="part"), alt.Tooltip("pot:N", title="last on"),
        alt.Tooltip("use:Q", format=".0f", title="known good at"),
        alt.Tooltip("to_use:Q", format=".0f", title="found worn at"),
    ]  # fmt: skip
    return [
        lines.mark_rule(color=colours.quiet, strokeWidth=1.0, clip=True).encode(
            x=alt.X("from_use:Q", scale=x_scale), x2="use:Q", y=y, tooltip=tips
        ),
        lines.transform_filter("isValid(datum.to_use)")
        .mark_rule(color=colours.nozzle, strokeWidth=width, clip=True)
        .encode(x=alt.X("use:Q", scale=x_scale), x2="to_use:Q", y=y, tooltip=tips),
    ]
