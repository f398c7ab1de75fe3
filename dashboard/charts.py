"""Frames to charts: one Altair theme for all, and the small drawing on a card.

Times on an axis are the site's: each instant is moved by the zone's offset at the left edge and
drawn as if that were UTC, so that a browser in another zone shows the same, and the axis stays
even where the clocks change within it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl

from dashboard.look import Palette

#: Pressure channel -> its name on a chart, and the dash that tells it without colour.
LINES: dict[str, tuple[str, list[int]]] = {
    "supply_pa": ("Manifold", [1, 0]),
    "pot_pa": ("Pot", [1, 0]),
    "nozzle_pa": ("Nozzle", [5, 3]),
}
#: Width of a line in a short view, and in one of hours, where lines lie close. [px]
_WIDTHS = {"supply_pa": (1.2, 0.9), "pot_pa": (2.4, 1.3), "nozzle_pa": (1.6, 0.8)}
#: From this long on a view is one of hours. [s]
_LONG_S = 3600.0

Span = tuple[dt.datetime, dt.datetime]


class Wall(NamedTuple):
    """Instants as the site's wall clock shows them, with the offset of the left edge."""

    offset: dt.timedelta
    name: str

    def show(self, frame: pl.DataFrame, *columns: str) -> pl.DataFrame:
        """The frame with these columns moved to the wall clock."""
        return frame.with_columns(
            (pl.col(c) + self.offset).dt.replace_time_zone("UTC") for c in columns
        )

    def instant(self, at: dt.datetime) -> dt.datetime:
        """One instant on the wall clock, marked as UTC for the chart."""
        return (at + self.offset).replace(tzinfo=dt.UTC)


def wall(left_at: dt.datetime, zone: ZoneInfo) -> Wall:
    """The wall clock of a chart that begins at a naive UTC instant."""
    there = left_at.replace(tzinfo=dt.UTC).astimezone(zone)
    return Wall(there.utcoffset() or dt.timedelta(0), f"{zone.key}, UTC{there:%z}")


def _theme(colours: Palette) -> dict[str, Any]:
    text = {"labelColor": colours.ink, "titleColor": colours.ink}
    return {
        "config": {
            "font": '"Source Sans", "Source Sans Pro", sans-serif',
            "background": colours.surface,
            "padding": {"left": 4, "right": 14, "top": 8, "bottom": 4},
            "view": {"stroke": None},
            "axis": {
                **text, "labelFontSize": 13, "titleFontSize": 13, "titleFontWeight": 600,
                "gridColor": colours.line, "domainColor": colours.ink, "tickColor": colours.ink,
                "gridDash": [1, 3], "labelFlush": True, "titlePadding": 8,
            },
            "legend": {
                **text, "labelFontSize": 14, "orient": "top", "title": None, "symbolSize": 260,
                "symbolStrokeWidth": 3, "columnPadding": 22, "offset": 4,
            },
        }
    }  # fmt: skip


def themed(chart: alt.LayerChart, colours: Palette) -> alt.LayerChart:
    """A chart in the one look of all charts."""
    for part, settings in _theme(colours)["config"].items():
        if isinstance(settings, dict) and part != "padding":
            chart = getattr(chart, f"configure_{part}")(**settings)
        else:
            chart = chart.configure(**{part: settings})
    return chart


def pressures(
    trace: pl.DataFrame,
    open_spans: Sequence[Span],
    silent_spans: Sequence[Span],
    view: Span,
    zone: ZoneInfo,
    colours: Palette,
    height: int = 340,
) -> alt.LayerChart:
    """Pressures over time, shaded where the dead-man was open, hatched out where nothing was heard.

    Parameters
    ----------
    trace : polars.DataFrame
        ``analytics.traces.TRACE_SCHEMA``, naive UTC, [Pa].
    open_spans, silent_spans : sequence of (datetime, datetime)
        When the dead-man was open, and when nothing was heard; naive UTC.
    view : (datetime, datetime)
        What the time axis shows, naive UTC.
    zone : ZoneInfo
        The site's.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    there = wall(view[0], zone)
    edges = [there.instant(edge).strftime("%Y-%m-%dT%H:%M:%S.%fZ") for edge in view]
    # Both ends as numbers: Vega takes milliseconds since 1970.
    domain = [int(there.instant(edge).timestamp() * 1000) for edge in view]
    x_scale = alt.Scale(type="utc", domain=domain, nice=False)
    within = (view[1] - view[0]).total_seconds()
    x_axis = alt.Axis(
        format="%H:%M" if within > 900 else "%H:%M:%S", tickCount=7, labelOverlap=True,
        title=f"Time at the site ({there.name})", grid=False,
    )  # fmt: skip
    x = alt.X("at:T", scale=x_scale, axis=x_axis)
    layers: list[alt.Chart] = []
    for spans, words, fill, opacity in (
        (silent_spans, "No data", colours.quiet, 0.38),
        (open_spans, "Dead-man open", colours.pot, 0.16),
    ):
        shown = _clipped(spans, view)
        if shown.is_empty():
            continue
        layers.append(
            alt.Chart(there.show(shown, "from_at", "to_at").to_pandas())
            .mark_rect(color=fill, opacity=opacity)
            .encode(
                x=alt.X("from_at:T", scale=x_scale, axis=x_axis),
                x2="to_at:T",
                tooltip=[
                    alt.Tooltip("what:N", title=" "),
                    alt.Tooltip("from_at:T", format="%H:%M:%S", title="from"),
                    alt.Tooltip("to_at:T", format="%H:%M:%S", title="to"),
                ],
            )
            .transform_calculate(what=f"'{words}'")
        )
    is_long = within > _LONG_S
    names = [LINES[c][0] for c in LINES]
    hues = [colours.supply, colours.pot, colours.nozzle]
    lines = there.show(
        trace.select(
            pl.col("sampled_at").alias("at"),
            pl.col("channel").replace_strict({c: LINES[c][0] for c in LINES}).alias("line"),
            (pl.col("value") / 1000.0).alias("kpa"),
            "piece",
        ),
        "at",
    )
    # The pot's line lies on top: it is what the dead-man's shading is compared with.
    for channel in ("nozzle_pa", "supply_pa", "pot_pa"):
        name, dash = LINES[channel]
        layers.append(
            alt.Chart(lines.filter(pl.col("line") == name).to_pandas())
            .mark_line(
                clip=True,
                strokeWidth=_WIDTHS[channel][is_long],
                strokeDash=[1, 0] if is_long else dash,
            )
            .encode(
                x=x,
                y=alt.Y("kpa:Q", title="kPa gauge", axis=alt.Axis(tickCount=5)),
                color=alt.Color("line:N", scale=alt.Scale(domain=names, range=hues)),
                detail="piece:N",
            )
        )
    # Keeps the axis whole where a stretch holds no reading.
    if trace.is_empty():
        layers.append(
            alt.Chart(alt.Data(values=[{"at": edge} for edge in edges])).mark_point(opacity=0)
            .encode(x=x)
        )  # fmt: skip
    chart = alt.layer(*layers).properties(width="container", height=height)
    return themed(chart, colours)


def _clipped(spans: Iterable[Span], view: Span) -> pl.DataFrame:
    begin, end = view
    rows = [(max(a, begin), min(b, end)) for a, b in spans if a < end and b > begin]
    return pl.DataFrame(
        rows, schema={"from_at": pl.Datetime("us"), "to_at": pl.Datetime("us")}, orient="row"
    )


def card_trace(
    trace: pl.DataFrame, open_spans: Sequence[Span], view: Span, colours: Palette
) -> str:
    """The last minutes as a small drawing: three lines over the dead-man's shading, as SVG."""
    width, height, top = 520.0, 92.0, 6.0
    span_s = (view[1] - view[0]).total_seconds()
    peak = trace["value"].max() if trace.height else None
    ceiling = max(float(peak) if isinstance(peak, float) else 0.0, 100_000.0) * 1.04

    def x(at: dt.datetime) -> float:
        return (at - view[0]).total_seconds() / span_s * width

    def y(value_pa: float) -> float:
        return top + (height - top) * (1.0 - max(value_pa, 0.0) / ceiling)

    parts = [
        f'<rect x="{x(max(a, view[0])):.1f}" y="0" '
        f'width="{max(x(min(b, view[1])) - x(max(a, view[0])), 1.0):.1f}" '
        f'height="{height:.0f}" fill="{colours.pot}" fill-opacity="0.16"/>'
        for a, b in open_spans
        if b > view[0] and a < view[1]
    ]
    parts.append(
        f'<line x1="0" x2="{width:.0f}" y1="{height - 0.5:.1f}" y2="{height - 0.5:.1f}" '
        f'stroke="{colours.quiet}" stroke-width="1"/>'
    )
    hues = {"supply_pa": colours.supply, "pot_pa": colours.pot, "nozzle_pa": colours.nozzle}
    for channel, (_, dash) in LINES.items():
        rows = trace.filter(pl.col("channel") == channel)
        for piece in rows.partition_by("piece", maintain_order=True):
            points = " ".join(
                f"{x(at):.1f},{y(value):.1f}"
                for at, value in piece.select("sampled_at", "value").iter_rows()
            )
            dashed = f' stroke-dasharray="{dash[0]} {dash[1]}"' if dash[1] else ""
            parts.append(
                f'<polyline points="{points}" fill="none" stroke="{hues[channel]}" '
                f'stroke-width="{_WIDTHS[channel][0]}" stroke-linejoin="round"{dashed}/>'
            )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}">{"".join(parts)}</svg>'
    )
