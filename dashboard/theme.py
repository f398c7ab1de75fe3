"""The one look of all charts: sizes of type, colours and dashes, as an Altair theme a palette.

Both themes are registered with Altair, so that a chart drawn by a command can enable one by name.
Pages do not enable any: what is enabled counts for the whole process, and one process draws for
viewers with light and with dark looks at once. There :func:`themed` writes the same settings into
the chart itself.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, TypeVar

import altair as alt

from dashboard.palette import DARK, LIGHT, Palette

Chart = TypeVar("Chart", bound=alt.TopLevelMixin)

FONT = '"Source Sans", "Source Sans Pro", sans-serif'
#: Sizes of type in charts, each a fifth over the one before; none is under what a phone can show
#: at arm's length. [px]
SMALL, PLAIN, LARGE = 13, 14, 17
#: Dash of a series, in the order in which series are told apart without colour.
DASHES: tuple[list[int], ...] = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3])
#: Mark of a series, in the same order.
SHAPES = ("circle", "diamond", "square", "triangle-up")
LIGHT_NAME, DARK_NAME = "gritbook-light", "gritbook-dark"


def settings(colours: Palette) -> dict[str, Any]:
    """The configuration of a chart, as Vega-Lite's ``config``.

    Parameters
    ----------
    colours : Palette
        The viewer's, or a print's.
    """
    text = {"labelColor": colours.ink, "titleColor": colours.ink}
    return {
        "font": FONT,
        "background": colours.surface,
        "padding": {"left": 4, "right": 14, "top": 8, "bottom": 4},
        "view": {"stroke": None},
        "axis": {
            **text, "labelFontSize": SMALL, "titleFontSize": SMALL, "titleFontWeight": 600,
            "gridColor": colours.line, "domainColor": colours.ink, "tickColor": colours.ink,
            "gridDash": [1, 3], "labelFlush": True, "titlePadding": 8,
        },
        "legend": {
            **text, "labelFontSize": PLAIN, "orient": "top", "title": None, "symbolSize": 260,
            "symbolStrokeWidth": 3, "columnPadding": 22, "offset": 4,
        },
        "title": {
            "color": colours.ink, "fontSize": LARGE, "subtitleColor": colours.quiet,
            "subtitleFontSize": SMALL, "anchor": "start", "offset": 8,
        },
        "text": {"color": colours.ink, "fontSize": SMALL, "font": FONT},
        "range": {
            "category": [colours.pot, colours.supply, colours.nozzle, colours.idle],
            "symbol": list(SHAPES),
        },
    }  # fmt: skip


@alt.theme.register(LIGHT_NAME, enable=False)
def _light() -> alt.theme.ThemeConfig:
    return {"config": settings(LIGHT)}  # type: ignore[typeddict-item]


@alt.theme.register(DARK_NAME, enable=False)
def _dark() -> alt.theme.ThemeConfig:
    return {"config": settings(DARK)}  # type: ignore[typeddict-item]


def themed(chart: Chart, colours: Palette) -> Chart:
    """A chart with the house's settings written into it."""
    made = chart.copy(deep=False)
    made.config = _config(colours)
    return made


@lru_cache(maxsize=8)
def _config(colours: Palette) -> alt.Config:
    # Altair takes longer to make it than to draw a small chart, and charts only read it.
    return alt.Config.from_dict(settings(colours))
