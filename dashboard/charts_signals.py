"""What a transducer read at rest over the weeks, as a chart."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from zoneinfo import ZoneInfo

import altair as alt
import polars as pl

from dashboard import units
from dashboard.charts import wall
from dashboard.palette import Palette
from dashboard.theme import themed

#: An axis reaches at least so far beyond what is right, as a multiple of it. [-]
_ROOM = 1.5


def zero_drift(
    rests: pl.DataFrame,
    channel: str,
    calibrated: Sequence[dt.datetime],
    right_pa: float,
    zone: ZoneInfo,
    colours: Palette,
    height: int = 190,
) -> alt.LayerChart:
    """What a transducer reads at rest, the band in which that is right, and its calibrations.

    Parameters
    ----------
    rests : polars.DataFrame
        ``analytics.quality.ZERO_SCHEMA`` of one channel, ascending; at least one row.
    channel : str
        ``pot`` or ``nozzle``: its colour.
    calibrated : sequence of datetime
        When a calibration began to hold, naive UTC; those before the first rest are left out.
    right_pa : float
        Half the band. [Pa]
    zone : ZoneInfo
        The site's.
    colours : Palette
        The viewer's.
    height : int
        Of the plot. [px]
    """
    begin, end = rests["from_at"].min(), rests["to_at"].max()
    assert isinstance(begin, dt.datetime) and isinstance(end, dt.datetime)
    there = wall(begin, zone)
    unit, factor = units.unit("pressure"), units.factor("pressure")
    shown = there.show(
        rests.select(
            pl.col("from_at").alias("at"),
            (pl.col("offset_pa") / factor).alias("read"),
            ((pl.col("to_at") - pl.col("from_at")).dt.total_minutes()).alias("minutes"),
        ),
        "at",
    )
    days = max((end - begin).days + 1, 1)
    x_axis = alt.Axis(
        format="%-d %b" if days > 1 else "%H:%M", grid=False, title=None, labelOverlap=True,
        tickCount=alt.TimeIntervalStep("day", -(-days // 6)) if days > 1 else 4,
    )  # fmt: skip
    x_scale = alt.Scale(type="utc", nice=False, padding=12)
    furthest = max(right_pa * _ROOM / factor, float(shown["read"].abs().max() or 0.0) * 1.1)
    y_scale = alt.Scale(domain=[-furthest, furthest], nice=False)
    x = alt.X("at:T", scale=x_scale, axis=x_axis)
    y = alt.Y("read:Q", scale=y_scale, axis=alt.Axis(tickCount=5), title=f"{unit} at rest")
    band = pl.DataFrame({"low": [-right_pa / factor], "high": [right_pa / factor]})
    colour = {"pot": colours.pot, "nozzle": colours.nozzle}.get(channel, colours.supply)
    layers: list[alt.Chart] = [
        alt.Chart(band.to_pandas())
        .mark_rect(color=colours.idle, opacity=0.25)
        .encode(y=alt.Y("low:Q", scale=y_scale), y2="high:Q"),
        alt.Chart(pl.DataFrame({"read": [0.0]}).to_pandas())
        .mark_rule(color=colours.quiet, strokeWidth=1.2)
        .encode(y=y),
    ]
    within = [at for at in calibrated if begin <= at <= end]
    if within:
        marks = there.show(pl.DataFrame({"at": within}, schema={"at": pl.Datetime("us")}), "at")
        layers.append(
            alt.Chart(marks.to_pandas())
            .mark_rule(color=colours.ink, strokeDash=[4, 3], strokeWidth=1.6)
            .encode(x=x, tooltip=[alt.Tooltip("at:T", format="%-d %b %Y", title="calibrated")])
        )
    layers.append(
        alt.Chart(shown.to_pandas())
        .mark_point(color=colour, filled=True, size=46, opacity=0.9)
        .encode(
            x=x, y=y,
            tooltip=[
                alt.Tooltip("at:T", format="%-d %b %H:%M", title="from"),
                alt.Tooltip("minutes:Q", title="minutes"),
                alt.Tooltip("read:Q", format=".2f", title=f"read, {unit}"),
            ],
        )
    )  # fmt: skip
    return themed(alt.layer(*layers).properties(width="container", height=height), colours)
