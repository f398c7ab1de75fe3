"""Drawings of reports: charts by vl-convert, without a browser and without a network, and small
drawings of our own.

All are drawn once, for white paper; the HTML gives the same colours other names, so that a reader
in the dark sees light lines.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import html
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, cast
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl
import vl_convert

from analytics.time_use import BLASTING, NO_DATA, PARTS, PAUSE, PRESSURISING, UNEXPLAINED
from dashboard import charts, theme, time_words, words
from dashboard.palette import LIGHT
from dashboard.reports.content import Drawing

#: Colours of everything drawn here: those of the light pages, on white.
INK = replace(LIGHT, ground="#FFFFFF", surface="#FFFFFE")
#: Width of every chart [px]; it is set as wide as the measure, so that its type is 9 points.
WIDTH = 640
#: Font of charts: that of the paper. Where a page has another, its style says so.
FONT = "Libertinus Serif"

#: Look of a share -> its colour, and how it is hatched: ``""``, ``/``, ``\\``, ``|``.
SWATCHES: dict[str, tuple[str, str]] = {
    "blasting": (INK.blasting, ""),
    "filling": (INK.filling, ""),
    "refill": (INK.supply, ""),
    "air": (INK.nozzle, ""),
    "idle": (INK.idle, ""),
    "known": (INK.idle, "|"),
    "unexplained": (INK.warn, "/"),
    "nodata": (INK.quiet, "\\"),
}
#: Part of a shift's time -> its look; reasons without one of their own are alike.
LOOK_OF_PART = {
    BLASTING: "blasting", PRESSURISING: "filling", "refill": "refill", "air": "air",
    PAUSE: "idle", UNEXPLAINED: "unexplained", NO_DATA: "nodata",
}  # fmt: skip


def chart(drawn: alt.LayerChart, alt_text: str, caption: str = "", height: int = 0) -> Drawing:
    """A chart as a drawing.

    Parameters
    ----------
    drawn : altair.LayerChart
        As for a page, in the colours of :data:`INK`.
    alt_text, caption : str
        What it shows, and what stands under it.
    height : int
        Of the plot; 0: as it is. [px]
    """
    size: dict[str, Any] = {"width": WIDTH, "autosize": alt.AutoSizeParams(type="fit-x",
                            contains="padding")}  # fmt: skip
    if height:
        size["height"] = height
    return _drawn(drawn.properties(**size), alt_text, caption)


def _drawn(chart_of_any_kind: Any, alt_text: str, caption: str) -> Drawing:
    spec = chart_of_any_kind.to_dict()
    spec.setdefault("config", {})
    spec["config"] |= {"font": FONT, "background": INK.surface}
    # Names stand clear of the plot, for whoever sets them has other widths than whoever drew.
    spec["config"]["axisY"] = {"labelPadding": 7, "labelFlush": False}
    # Schema "v6.4.1" -> what vl-convert calls it.
    version = ".".join(alt.SCHEMA_VERSION.removeprefix("v").split(".")[:2])
    svg = _settled(vl_convert.vegalite_to_svg(spec, vl_version=version))
    # The data alone: another colour or another size of type says nothing else.
    told = json.dumps([spec["datasets"][name] for name in sorted(spec["datasets"])], default=str)
    return Drawing(svg, alt_text, caption, hashlib.sha256(told.encode()).hexdigest())


_SPOKEN = re.compile(r' (?:aria-[a-z]+|role)="[^"]*"')
_CLIPS = re.compile(r"\bclip\d+\b")


def _settled(svg: str) -> str:
    """A chart without what differs between two drawings of it, and without its marks' names.

    Clips are numbered through all drawings of a process. Marks say their values one by one, some
    thousand of them: the drawing's own description stands for them.
    """
    names: dict[str, str] = {}

    def named(found: re.Match[str]) -> str:
        return names.setdefault(found[0], f"clip{len(names)}")

    return _CLIPS.sub(named, _SPOKEN.sub("", svg))


def pressures(
    trace: pl.DataFrame,
    open_spans: Sequence[charts.Span],
    silent: Sequence[charts.Span],
    view: charts.Span,
    zone: ZoneInfo,
    pot: str,
) -> Drawing:
    """Pressures of a pot over a shift, as the review page draws them."""
    drawn = charts.pressures(trace, open_spans, silent, view, zone, INK, height=165)
    peak = trace["value"].max() if trace.height else None
    most = words.with_unit("pressure", cast("float | None", peak))
    said = (
        f"Pressures of {pot} over time; the highest is {most}."
        if peak is not None
        else f"No pressure of {pot} was read."
    )
    return chart(
        drawn, said,
        "Shaded: dead-man open. Grey: no data. Drawn with every peak kept; figures are made from "
        "all readings, not from this drawing.",
    )  # fmt: skip


def ribbon(
    open_spans: Iterable[charts.Span],
    silent: Iterable[charts.Span],
    view: charts.Span,
    zone: ZoneInfo,
    pot: str,
) -> Drawing:
    """A stretch as a ribbon: one stroke for each time the dead-man was open, the hours under it."""
    width, height = 640.0, 30.0
    begin, end = view
    whole = (end - begin).total_seconds()

    def x(at: dt.datetime) -> float:
        return min(max((at - begin).total_seconds() / whole, 0.0), 1.0) * width

    parts = [
        hatches(), f'<rect x="0" y="0" width="{width:.0f}" height="{height:.0f}" fill="{INK.line}" '
        'fill-opacity="0.35"/>',
    ]  # fmt: skip
    for spans, fill in ((silent, "url(#h-nodata)"), (open_spans, INK.pot)):
        parts += [
            f'<rect x="{x(a):.2f}" y="0" width="{max(x(b) - x(a), 0.4):.2f}" '
            f'height="{height:.0f}" fill="{fill}"/>'
            for a, b in spans
            if a < end and b > begin
        ]
    parts.append(f'<rect x="0" y="{height:.0f}" width="{width:.0f}" height="1" fill="{INK.ink}"/>')
    step = next(h for h in (1, 2, 3, 4, 6, 12, 24, 168) if whole / 3600 / h <= 13)
    first = begin.replace(minute=0, second=0, microsecond=0)
    for hour in range(1, int(whole // 3600) + 2):
        at = first + dt.timedelta(hours=hour)
        there = time_words.in_zone(at, zone)
        if at >= end or there.hour % min(step, 24):
            continue
        parts.append(
            f'<rect x="{x(at):.2f}" y="{height:.0f}" width="1" height="5" fill="{INK.ink}"/>'
            f'<text x="{x(at):.2f}" y="{height + 18:.0f}" text-anchor="middle" font-size="12" '
            f'fill="{INK.ink}">{there:%H:%M}</text>'
        )
    said = f"When the dead-man of {pot} was open, {time_words.stretch(begin, end, zone)}."
    return Drawing(
        _svg(width, height + 22, parts), said, "Each stroke: dead-man open. Hatched: no data."
    )


def time_bar(shares: Sequence[tuple[str, float]], label: str) -> Drawing:
    """Shares of a stretch as one bar: ``(look, amount)``; the table with it is its key."""
    width, height, gap = 640.0, 26.0, 1.5
    whole = sum(amount for _, amount in shares)
    parts, left = [hatches()], 0.0
    for kind, amount in shares:
        wide = amount / whole * width if whole > 0 else 0.0
        if wide > 0:
            parts.append(_filled(kind, left, max(wide - gap, 0.6), height))
        left += wide
    return Drawing(_svg(width, height, parts), label)


def swatch(kind: str) -> str:
    """The look of a share as a small square."""
    return _svg(12, 12, [hatches(), _filled(kind, 0, 12, 12)])


def shares_of(seconds: Mapping[str, float]) -> list[tuple[str, str, float]]:
    """Parts of a shift's time in their order: part, look, time. [s]"""
    return [(part, LOOK_OF_PART.get(part, "known"), seconds[part]) for part in PARTS]


def days_of_hours(rows: pl.DataFrame, zone: ZoneInfo, titles: Mapping[str, str]) -> Drawing:
    """Blast-on hours day by day, a colour a pot, with the range that silence leaves.

    Parameters
    ----------
    rows : polars.DataFrame
        ``pot, from_at, blast_s, blast_low_s, blast_high_s``, a row a pot and day; naive UTC, [s].
    zone : ZoneInfo
        The site's.
    titles : mapping
        Pot to what people call it.
    """
    drawn_rows = pl.DataFrame(
        [
            {
                # Noon, so that no reader's zone makes another day of it.
                "day": time_words.in_zone(row["from_at"], zone).strftime("%Y-%m-%dT12:00:00Z"),
                "pot": titles[row["pot"]], "h": row["blast_s"] / 3600,
                "low": row["blast_low_s"] / 3600, "high": row["blast_high_s"] / 3600,
            }
            for row in rows.iter_rows(named=True)
        ],
        schema={"day": pl.String, "pot": pl.String, "h": pl.Float64, "low": pl.Float64,
                "high": pl.Float64},
    )  # fmt: skip
    names = [name for name in titles.values() if name in set(drawn_rows["pot"])]
    base = alt.Chart(drawn_rows.to_pandas()).encode(
        x=alt.X("day:T", timeUnit="utcyearmonthdate", title=None,
                axis=alt.Axis(format="%-d %b", grid=False, tickCount=8, labelOverlap=True),
                scale=alt.Scale(type="utc")),
    )  # fmt: skip
    shown = alt.layer(
        base.mark_bar(width={"band": 0.62}, color=INK.pot, opacity=0.85).encode(
            y=alt.Y("h:Q", title=None, axis=alt.Axis(tickCount=3))
        ),
        base.mark_rule(color=INK.ink, strokeWidth=1.2).encode(y="low:Q", y2="high:Q"),
    ).properties(width=WIDTH - 90, height=64)
    if len(names) > 1:
        faceted = shown.facet(
            row=alt.Row("pot:N", sort=names, title=None,
                        header=alt.Header(labelAngle=0, labelAlign="left", labelFontSize=13,
                                          labelColor=INK.ink)),
            spacing=8,
        )  # fmt: skip
    else:
        faceted = shown
    most = drawn_rows["h"].max()
    most_h = words.hours(cast(float, most or 0.0) * 3600, 1)
    said = f"Blast-on hours of each day and pot; the most in a day is {most_h} h."
    return _drawn(theme.themed(faceted, INK), said,
                     "Hours blasted, day by day. Bars: what the data support. Lines: from low to "
                     "high, where data are missing.")  # fmt: skip


def ahead(rows: Sequence[Mapping[str, Any]], first: dt.date, last: dt.date) -> Drawing:
    """When limits will pass: a bar from the earliest to the latest day, a mark on the middle one.

    Parameters
    ----------
    rows : sequence of mapping
        ``name, from_on, on, to_on``; drawn in their order.
    first, last : date
        Ends of the axis; what lies beyond is cut off there.
    """

    def at(day: dt.date) -> str:
        return f"{min(max(day, first), last).isoformat()}T12:00:00Z"

    frame = pl.DataFrame(
        [
            {"name": row["name"], "a": at(row["from_on"]), "b": at(row["to_on"]),
             "m": at(row["on"])}
            for row in rows
        ]
    )  # fmt: skip
    order = [row["name"] for row in rows]
    y = alt.Y("name:N", sort=order, title=None,
              axis=alt.Axis(labelLimit=260, grid=True, ticks=False, domain=False))  # fmt: skip
    scale = alt.Scale(type="utc", domain=[at(first), at(last)], nice=False)
    axis = alt.Axis(format="%-d %b", tickCount=7, grid=False, title=None)
    base = alt.Chart(frame.to_pandas()).encode(y=y)
    bars = base.mark_rule(strokeWidth=6, color=INK.pot, opacity=0.5, strokeCap="butt").encode(
        x=alt.X("a:T", scale=scale, axis=axis), x2="b:T"
    )
    marks = base.mark_tick(color=INK.ink, thickness=2.5, size=13).encode(
        x=alt.X("m:T", scale=scale, axis=axis)
    )
    drawn = alt.layer(bars, marks).properties(height=19 * len(rows) + 8)
    said = (
        f"From {time_words.day(first)} to {time_words.day(last)}: when the limits of "
        f"{words.counted(len(rows), 'check', 'checks')} may pass; the tables have the same days."
    )
    return chart(
        theme.themed(drawn, INK), said,
        "Bar: the day lies in it nine times in ten. Stroke: the middle day.",
    )  # fmt: skip


# --- drawing by hand -------------------------------------------------------------------------


def _filled(kind: str, left: float, wide: float, high: float) -> str:
    colour, hatch = SWATCHES[kind]
    fill = f"url(#h-{kind})" if hatch else colour
    edge = (
        f'<rect x="{left + 0.5:.2f}" y="0.5" width="{max(wide - 1, 0.1):.2f}" '
        f'height="{high - 1:.0f}" fill="none" stroke="{colour}"/>'
        if hatch
        else ""
    )
    return (
        f'<rect x="{left:.2f}" y="0" width="{wide:.2f}" height="{high:.0f}" fill="{fill}"/>{edge}'
    )


def hatches() -> str:
    """The hatches: told apart without colour."""
    made = []
    for kind, (colour, hatch) in SWATCHES.items():
        if hatch == "|":
            made.append(
                f'<pattern id="h-{kind}" width="8" height="8" patternUnits="userSpaceOnUse">'
                f'<rect width="5" height="8" fill="{colour}"/></pattern>'
            )
        elif hatch:
            turned = 45 if hatch == "/" else -45
            thick = 4 if hatch == "/" else 2
            made.append(
                f'<pattern id="h-{kind}" width="7" height="7" patternUnits="userSpaceOnUse" '
                f'patternTransform="rotate({turned})"><rect width="{thick}" height="7" '
                f'fill="{colour}"/></pattern>'
            )
    return f"<defs>{''.join(made)}</defs>"


def _svg(width: float, height: float, parts: Iterable[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" height="{height:.0f}" font-family="{html.escape(FONT)}">'
        f"{''.join(parts)}</svg>"
    )
