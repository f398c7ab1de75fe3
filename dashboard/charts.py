"""Frames to charts, and the small drawing on a card; figures in the viewer's units.

Times on an axis are the site's: each instant is moved by the zone's offset at the left edge and
drawn as if that were UTC, so that a browser in another zone shows the same, and the axis stays
even where the clocks change within it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import NamedTuple
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl

from analytics import traces
from dashboard import theme, units, words
from dashboard.palette import Palette
from dashboard.theme import themed

#: Pressure channel -> its name on a chart, and the dash that tells it without colour.
LINES: dict[str, tuple[str, list[int]]] = {
    "supply_pa": ("Manifold", [1, 0]),
    "pot_pa": ("Pot", [1, 0]),
    "nozzle_pa": ("Nozzle", [5, 3]),
}
#: Width of a line in a short view, and in one of hours, where lines lie close. [px]
_WIDTHS = {"supply_pa": (1.2, 0.9), "pot_pa": (2.4, 1.3), "nozzle_pa": (1.6, 0.8)}
#: A chart of pressures reaches at least this high. [Pa]
LEAST_TOP_PA = 100e3
#: Name of what a viewer drags over a chart of pressures, for whoever reads it.
ZOOM = "zoom"
#: Under it the selected ends stand, in milliseconds on the wall clock since 1970.
ZOOM_FIELD = "from_at"
#: A small chart's line is broken where no block was made for so long. [h]
_APART_H = 6
#: Most blocks of a small chart's line; and from how many on each has no point of its own.
BLOCKS_DRAWN, _POINTED = 400, 120
#: From so many days on their ticks are months.
_MONTHS_FROM = 60
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


def pressures(
    trace: pl.DataFrame,
    open_spans: Sequence[Span],
    silent_spans: Sequence[Span],
    view: Span,
    zone: ZoneInfo,
    colours: Palette,
    height: int = 340,
    can_zoom: bool = False,
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
    can_zoom : bool
        Whether a stretch can be chosen on it by dragging; it is then called :data:`ZOOM`.
    """
    there = wall(view[0], zone)
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
    for spans, called, fill, opacity in (
        # The whole view, unseen: a browser draws nothing at all where no layer but the lines names
        # the ends of the axis.
        ([view], "", colours.surface, 0.0),
        (silent_spans, "No data", colours.quiet, 0.38),
        (open_spans, "Dead-man open", colours.pot, 0.16),
    ):
        shown = _clipped(spans, view)
        if shown.is_empty():
            continue
        drawn = (
            alt.Chart(there.show(shown, "from_at", "to_at").to_pandas())
            .mark_rect(color=fill, opacity=opacity)
            .encode(x=alt.X("from_at:T", scale=x_scale, axis=x_axis), x2="to_at:T")
        )
        if called:
            drawn = drawn.encode(
                tooltip=[
                    alt.Tooltip("what:N", title=" "),
                    alt.Tooltip("from_at:T", format="%H:%M:%S", title="from"),
                    alt.Tooltip("to_at:T", format="%H:%M:%S", title="to"),
                ],
            ).transform_calculate(what=f"'{called}'")
        elif can_zoom:
            drawn = drawn.add_params(
                alt.selection_interval(
                    name=ZOOM, encodings=["x"],
                    mark=alt.BrushConfig(fill=colours.quiet, fillOpacity=0.25, stroke=colours.ink),
                )
            )  # fmt: skip
        layers.append(drawn)
    is_long = within > _LONG_S
    names = [LINES[c][0] for c in LINES]
    hues = [colours.supply, colours.pot, colours.nozzle]
    lines = there.show(
        trace.select(
            pl.col("sampled_at").alias("at"),
            pl.col("channel").replace_strict({c: LINES[c][0] for c in LINES}).alias("line"),
            (pl.col("value") / units.factor("pressure")).alias("shown"),
            "piece",
        ),
        "at",
    )
    # Noise about nothing does not fill the chart, and one with no reading has an axis all the same.
    peak, least_top = lines["shown"].max(), LEAST_TOP_PA / units.factor("pressure")
    y_scale = alt.Undefined
    if not isinstance(peak, float) or peak < least_top:
        y_scale = alt.Scale(domain=[0, least_top], nice=False)
    y = alt.Y(
        "shown:Q", title=f"{units.unit('pressure')} gauge", axis=alt.Axis(tickCount=5),
        scale=y_scale,
    )  # fmt: skip
    dashes = [LINES[c][1] for c in LINES]
    # The pot's line lies on top: it is what the dead-man's shading is compared with.
    for channel in ("nozzle_pa", "supply_pa", "pot_pa"):
        name, _ = LINES[channel]
        layers.append(
            alt.Chart(lines.filter(pl.col("line") == name).to_pandas())
            .mark_line(clip=True, strokeWidth=_WIDTHS[channel][is_long])
            .encode(
                x=x,
                y=y,
                color=alt.Color("line:N", scale=alt.Scale(domain=names, range=hues)),
                strokeDash=alt.StrokeDash("line:N", scale=alt.Scale(domain=names, range=dashes)),
                detail="piece:N",
            )
        )
    chart = alt.layer(*layers).properties(width="container", height=height)
    if said := thinned_words(trace):
        chart = chart.properties(
            title=alt.TitleParams(
                said, fontSize=theme.SMALL, fontWeight="normal", color=colours.quiet
            )
        )
    return themed(chart, colours)


def thinned_words(trace: pl.DataFrame) -> str:
    """From how many readings a trace was thinned, and what was kept; empty where all are drawn.

    Parameters
    ----------
    trace : polars.DataFrame
        ``analytics.traces.TRACE_SCHEMA``.
    """
    of = trace.group_by("channel").agg(pl.col("of").max())["of"].sum()
    if not of or of <= trace.height:
        return ""
    return f"Thinned from {words.counted(of, 'reading', 'readings')}, extremes kept"


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


#: Most blocks of a small picture's line.
_PICTURED = 120


def indicator_picture(rows: pl.DataFrame, colours: Palette) -> str:
    """An indicator's past as a small drawing, as SVG: :func:`indicator` without axes.

    It takes a browser next to nothing, so that several can stand on a page at once.

    Parameters
    ----------
    rows : polars.DataFrame
        As :func:`indicator` takes them.
    colours : Palette
        The viewer's.
    """
    width, height, margin = 320.0, 96.0, 6.0
    drawn = traces.thinned_blocks(rows, 3600.0 * _APART_H, _PICTURED)
    begin_us = int(rows["at"].to_physical()[0])
    span_us = max(int(rows["at"].to_physical()[-1]) - begin_us, 1)
    values = pl.concat([drawn["now"], rows["low"], rows["high"]])
    lowest, highest = float(values.min()), float(values.max())  # type: ignore[arg-type]
    reach = max(highest - lowest, 1e-9)

    def x(at_us: int) -> float:
        return margin + max(at_us - begin_us, 0) / span_us * (width - 2.0 * margin)

    def y(value: float) -> float:
        return margin + (highest - value) / reach * (height - 2.0 * margin)

    parts = []
    spans = rows.group_by("since_at", maintain_order=True).agg(
        pl.col("at", "reference", "low", "high").last()
    )
    for since, at, reference, low, high in (
        spans.with_columns(pl.col("since_at", "at").to_physical())
        .select("since_at", "at", "reference", "low", "high")
        .iter_rows()
    ):
        left, across = x(since), max(x(at) - x(since), 1.0)
        parts.append(
            f'<rect x="{left:.1f}" y="{y(high):.1f}" width="{across:.1f}" '
            f'height="{max(y(low) - y(high), 1.0):.1f}" fill="{colours.idle}" fill-opacity="0.28"/>'
            f'<line x1="{left:.1f}" x2="{left + across:.1f}" y1="{y(reference):.1f}" '
            f'y2="{y(reference):.1f}" stroke="{colours.quiet}" stroke-width="1.2"/>'
        )
        if since > begin_us:
            parts.append(
                f'<line x1="{left:.1f}" x2="{left:.1f}" y1="0" y2="{height:.0f}" '
                f'stroke="{colours.nozzle}" stroke-width="1.6" stroke-dasharray="4 3"/>'
            )
    apart = (pl.col("piece").diff() != 0) | (pl.col("since_at").diff() != 0)
    line = drawn.select(
        pl.col("at").to_physical(), "now", "signal",
        apart.fill_null(True).cum_sum().alias("piece"),
    )  # fmt: skip
    for piece in line.partition_by("piece", maintain_order=True):
        points = [f"{x(at):.1f},{y(now):.1f}" for at, now in piece.select("at", "now").iter_rows()]
        # A piece of one block shows by its round end.
        parts.append(
            f'<polyline points="{" ".join(points if len(points) > 1 else 2 * points)}" fill="none" '
            f'stroke="{colours.pot}" stroke-width="2" stroke-linejoin="round" '
            'stroke-linecap="round"/>'
        )
    parts += [
        f'<path d="M{x(at):.1f} {y(now) - 4.5:.1f}l4.5 4.5l-4.5 4.5l-4.5 -4.5z" '
        f'fill="{colours.alarm}"/>'
        for at, now in line.filter("signal").select("at", "now").iter_rows()
    ]
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}">{"".join(parts)}</svg>'
    )


def pot_level(
    line: pl.DataFrame,
    tippings: pl.DataFrame,
    emptied: Sequence[dt.datetime],
    zone: ZoneInfo,
    colours: Palette,
    height: int = 300,
) -> alt.LayerChart:
    """Abrasive in a pot: a line with its 90 % band, tippings found, and when it ran empty.

    Parameters
    ----------
    line : polars.DataFrame
        ``analytics.standing.LINE_SCHEMA``, at least two rows.
    tippings : polars.DataFrame
        ``from_at, to_at, estimate_kg, error_kg, entered_kg``.
    emptied : sequence of datetime
        Naive UTC.
    zone : ZoneInfo
        The site's.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    there = wall(line["at"][0], zone)
    unit, si = units.unit("mass"), units.factor("mass")
    line = line.with_columns(pl.col("kg", "low_kg", "high_kg") / si)
    tippings = tippings.with_columns(pl.col("estimate_kg", "entered_kg") / si)
    x_scale = alt.Scale(type="utc", nice=False)
    x_axis = alt.Axis(
        format="%H:%M", tickCount=7, labelOverlap=True, grid=False,
        title=f"Time at the site ({there.name})",
    )  # fmt: skip
    x = alt.X("at:T", scale=x_scale, axis=x_axis)
    y_axis = alt.Axis(tickCount=5)
    base = alt.Chart(there.show(line, "at").to_pandas())
    layers: list[alt.Chart] = [
        base.mark_area(color=colours.pot, opacity=0.22, clip=True).encode(
            x=x, y=alt.Y("low_kg:Q", title=f"{unit} in the pot", axis=y_axis), y2="high_kg:Q"
        ),
        base.mark_line(color=colours.pot, strokeWidth=2, clip=True).encode(
            x=x,
            y=alt.Y("kg:Q", title=f"{unit} in the pot", axis=y_axis),
            tooltip=[
                alt.Tooltip("at:T", format="%H:%M:%S", title="at"),
                alt.Tooltip("kg:Q", format=".0f", title=unit),
                alt.Tooltip("low_kg:Q", format=".0f", title="at least"),
                alt.Tooltip("high_kg:Q", format=".0f", title="at most"),
            ],
        ),
    ]
    if tippings.height:
        marks = there.show(
            tippings.select(
                (pl.col("from_at") + (pl.col("to_at") - pl.col("from_at")) / 2).alias("at"),
                pl.col("estimate_kg"),
                pl.when(pl.col("entered_kg").is_null())
                .then(pl.lit("none"))
                .otherwise(pl.format(f"{{}} {unit}", pl.col("entered_kg").round(0).cast(pl.Int64)))
                .alias("entered"),
                (pl.lit("+") + pl.col("estimate_kg").round(0).cast(pl.Int64).cast(pl.String))
                .alias("text"),
            ).sort("at"),
            "at",
        )  # fmt: skip
        tipped = alt.Chart(marks.to_pandas()).encode(
            x=x,
            tooltip=[
                alt.Tooltip("at:T", format="%H:%M", title="tipped about"),
                alt.Tooltip("estimate_kg:Q", format=".0f", title=f"found, {unit}"),
                alt.Tooltip("entered:N", title="entered"),
            ],
        )
        top = alt.value(9)
        layers += [
            tipped.mark_rule(color=colours.nozzle, strokeDash=[3, 3], strokeWidth=1.4),
            tipped.mark_point(
                shape="triangle-down", color=colours.nozzle, filled=True, size=110, opacity=1
            ).encode(y=top),
        ]
    if emptied:
        rows = there.show(pl.DataFrame({"at": list(emptied)}), "at").to_pandas()
        layers.append(
            alt.Chart(rows)
            .mark_point(shape="cross", color=colours.alarm, filled=True, size=120, opacity=1)
            .encode(
                x=x, y=alt.datum(0),
                tooltip=[alt.Tooltip("at:T", format="%H:%M", title="ran empty by")],
            )
        )  # fmt: skip
    chart = alt.layer(*layers).properties(width="container", height=height)
    return themed(chart, colours)


def indicator(
    rows: pl.DataFrame,
    fitted: Sequence[dt.datetime],
    unit: str,
    zone: ZoneInfo,
    colours: Palette,
    height: int = 118,
) -> alt.LayerChart:
    """One indicator against its reference: small, one of many.

    Many blocks are drawn as about :data:`BLOCKS_DRAWN` of them, extremes and changes kept.

    Parameters
    ----------
    rows : polars.DataFrame
        ``at``, ``now``, ``reference``, ``low``, ``high`` in the unit shown, ``signal``, and
        ``since_at``; ascending.
    fitted : sequence of datetime
        When the part that it hangs on was changed; naive UTC.
    unit : str
        Of the vertical axis.
    zone : ZoneInfo
        The site's.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    begin = rows["since_at"].min()
    assert isinstance(begin, dt.datetime)
    there = wall(begin, zone)
    # Where nobody worked nothing was seen: a line is broken there, and over a part changed.
    drawn = traces.thinned_blocks(rows, 3600.0 * _APART_H, BLOCKS_DRAWN)
    apart = (pl.col("piece").diff() != 0) | (pl.col("since_at").diff() != 0)
    shown = there.show(
        drawn.select(
            "at", "now", "reference", "signal", apart.fill_null(True).cum_sum().alias("piece")
        ),
        "at",
    )
    x_scale = alt.Scale(type="utc", nice=False)
    # Whole days as ticks: three to five of them, so that no day is written twice.
    last = rows["at"].max()
    assert isinstance(last, dt.datetime)
    days = max((last - begin).days + 1, 1)
    ticks: alt.TimeIntervalStep | int = 3
    if days > _MONTHS_FROM:
        ticks = alt.TimeIntervalStep("month", -(-days // 120))
    elif days > 1:
        ticks = alt.TimeIntervalStep("day", -(-days // 4))
    x_axis = alt.Axis(
        format="%-d %b" if days > 1 else "%H:%M", tickCount=ticks,
        labelOverlap=True, grid=False, title=None,
    )  # fmt: skip
    x = alt.X("at:T", scale=x_scale, axis=x_axis)
    lowest, highest = rows["low"].min(), rows["high"].max()
    # A share is never under nil, and one that stays at nil needs an axis all the same.
    y_scale = alt.Scale(zero=False)
    if unit == "%" and isinstance(lowest, float) and isinstance(highest, float) and lowest <= 0.0:
        peak = rows["now"].max()
        top = max(highest, peak if isinstance(peak, float) else 0.0, 1.0)
        y_scale = alt.Scale(domain=[0.0, top], clamp=True)
    y = alt.Y("now:Q", title=unit or None, scale=y_scale, axis=alt.Axis(tickCount=3))
    # The reference counts from the time it was learned in, so its band begins there.
    spans = there.show(
        rows.group_by("since_at", maintain_order=True).agg(
            pl.col("at", "reference", "low", "high").last()
        ),
        "at", "since_at",
    )  # fmt: skip
    band = alt.Chart(spans.to_pandas()).encode(
        x=alt.X("since_at:T", scale=x_scale, axis=x_axis), x2="at:T"
    )
    lines = alt.Chart(shown.to_pandas())
    layers: list[alt.Chart] = [
        band.mark_rect(color=colours.idle, opacity=0.28).encode(
            y=alt.Y("low:Q", scale=y_scale), y2="high:Q"
        ),
        band.mark_rule(color=colours.quiet, strokeWidth=1.2).encode(y="reference:Q"),
        lines.mark_line(
            color=colours.pot, strokeWidth=1.8, strokeCap="round",
            # Among many blocks a piece of one shows by its round end.
            point=alt.OverlayMarkDef(size=7, color=colours.pot, filled=True)
            if shown.height <= _POINTED
            else False,
        ).encode(
            x=x, y=y, detail="piece:N",
            tooltip=[
                alt.Tooltip("at:T", format="%-d %b %H:%M", title="block to"),
                alt.Tooltip("now:Q", format=".3~g", title=f"now, {unit}".rstrip(", ")),
                alt.Tooltip("reference:Q", format=".3~g", title="reference"),
            ],
        ),
    ]  # fmt: skip
    if shown["signal"].any():  # a layer without a mark is read out as a picture of nothing
        layers.append(
            lines.transform_filter("datum.signal")
            .mark_point(color=colours.alarm, filled=True, size=34, opacity=1, shape="diamond")
            .encode(x=x, y=y)
        )
    changed = [at for at in fitted if begin < at < rows["at"][-1]]
    if changed:
        marks = there.show(pl.DataFrame({"at": changed}), "at").to_pandas()
        layers.append(
            alt.Chart(marks)
            .mark_rule(color=colours.nozzle, strokeDash=[4, 3], strokeWidth=1.6)
            .encode(x=x, tooltip=[alt.Tooltip("at:T", format="%-d %b %H:%M", title="part changed")])
        )
    chart = alt.layer(*layers).properties(width="container", height=height)
    return themed(chart, colours)
