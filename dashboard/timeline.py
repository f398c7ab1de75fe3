"""Pressures over a shift, and closer: an hour, ten minutes, one cycle; read anew at each step.

What is shown stands in the address as ``from`` and ``to`` (UTC), so that a link shows the same, and
other pages carry it along.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, data, downloads, look, navigation, time_words, units, words
from dashboard.chart_table import chart_with_table
from ingest.config import Yard

Span = tuple[dt.datetime, dt.datetime]

#: Stands where a shift's name stands, where a day is looked at instead.
WHOLE_DAY = "A whole day"
WHOLE, HOUR, TEN, CYCLE = "All of it", "1 h", "10 min", "One cycle"
_LENGTHS = {HOUR: dt.timedelta(hours=1), TEN: dt.timedelta(minutes=10)}
#: Shown before a cycle's press and after its release.
AROUND = dt.timedelta(seconds=20)
#: No closer: a shorter stretch holds no cycle.
CLOSEST = dt.timedelta(seconds=2)


def in_address(whole: Span) -> Span:
    """The range that the address asks for, within ``whole``; all of it where it asks for none.

    Parameters
    ----------
    whole : (datetime, datetime)
        Naive UTC.
    """
    asked = [_instant(st.query_params.get(key, "")) for key in ("from", "to")]
    if asked[0] is None or asked[1] is None:
        return whole
    begin, end = max(asked[0], whole[0]), min(asked[1], whole[1])
    return (begin, end) if end - begin >= CLOSEST else whole


def _instant(text: str) -> dt.datetime | None:
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        return None
    return at.astimezone(dt.UTC).replace(tzinfo=None) if at.tzinfo is not None else at


def text_of(at: dt.datetime) -> str:
    """A naive UTC instant as it stands in the address.

    Examples
    --------
    >>> text_of(dt.datetime(2026, 1, 5, 6, 30, 1, 500_000))
    '2026-01-05T06:30:01.500Z'
    """
    return at.isoformat(timespec="milliseconds" if at.microsecond else "seconds") + "Z"


def go_to(view: Span, whole: Span) -> None:
    """Show ``view`` from now on, cut to ``whole``."""
    length = min(max(view[1] - view[0], CLOSEST), whole[1] - whole[0])
    begin = min(max(view[0], whole[0]), whole[1] - length)
    if (begin, begin + length) == whole:
        forget()
    else:
        navigation.keep(**{"from": text_of(begin), "to": text_of(begin + length)})


def forget() -> None:
    """Show all of it again: another shift or pot was chosen."""
    navigation.keep(**{"from": None, "to": None})


def step_of(view: Span, whole: Span, cycles: Sequence[Span]) -> str:
    """What a range is: the whole, an hour, ten minutes, a cycle; empty where somebody drew it.

    Examples
    --------
    >>> at = dt.datetime(2026, 1, 5, 6)
    >>> day = (at, at + dt.timedelta(hours=8))
    >>> step_of(day, day, []), step_of((at, at + dt.timedelta(hours=1)), day, [])
    ('All of it', '1 h')
    """
    if view == whole:
        return WHOLE
    for name, length in _LENGTHS.items():
        if view[1] - view[0] == length:
            return name
    return CYCLE if any(_near(view, _around(cycle, whole)) for cycle in cycles) else ""


def _around(cycle: Span, whole: Span) -> Span:
    return max(cycle[0] - AROUND, whole[0]), min(cycle[1] + AROUND, whole[1])


def _near(one: Span, other: Span) -> bool:
    millisecond = dt.timedelta(milliseconds=1)
    return all(abs(a - b) <= millisecond for a, b in zip(one, other, strict=True))


def next_view(view: Span, whole: Span, cycles: Sequence[Span], way: int) -> Span | None:
    """The range after (``way`` 1) or before (-1) this one; ``None`` where there is none.

    A range that shows a cycle goes to the next cycle, any other by its own length.

    Examples
    --------
    >>> at = dt.datetime(2026, 1, 5, 6)
    >>> hour, day = dt.timedelta(hours=1), (at, at + dt.timedelta(hours=8))
    >>> next_view((at, at + hour), day, [], 1) == (at + hour, at + 2 * hour)
    True
    >>> next_view((at, at + hour), day, [], -1) is None
    True
    """
    if step_of(view, whole, cycles) == CYCLE:
        here = next(i for i, c in enumerate(cycles) if _near(view, _around(c, whole)))
        there = here + way
        return _around(cycles[there], whole) if 0 <= there < len(cycles) else None
    length = view[1] - view[0]
    begin = min(max(view[0] + way * length, whole[0]), whole[1] - length)
    return None if begin == view[0] else (begin, begin + length)


def _choose(key: str, view: Span, whole: Span, cycles: Sequence[Span]) -> None:
    step = st.session_state[key]
    middle = view[0] + (view[1] - view[0]) / 2
    if step == WHOLE or step is None:
        forget()
    elif step == CYCLE:
        # The one in the middle of what is shown, so that coming closer stays at the place.
        go_to(_around(min(cycles, key=lambda c: abs(c[0] - middle)), whole), whole)
    else:
        half = _LENGTHS[step] / 2
        begin = view[0] if view == whole else middle - half
        go_to((begin, begin + 2 * half), whole)


def read(version: data.Version, pot: str, whole: Span) -> pl.DataFrame:
    """The pressures of the range that is shown; ``whole`` as for :func:`show`."""
    view = in_address(whole)
    return data.kept(data.trace, version.data, version.yard_changed_ns, pot, *view).value


def show(
    described: Yard, version: data.Version, pot: str, whole: Span, stretch: data.PotStretch
) -> None:
    """The chart of pressures with its ways to come closer, its table and its file.

    No fragment, though only this is drawn anew: the ways to other pages carry the range along, and
    they are drawn with the page.

    Parameters
    ----------
    described : Yard
        The yard.
    version : Version
        Of the store.
    pot : str
        Name of the pot.
    whole : (datetime, datetime)
        What can be shown, naive UTC.
    stretch : PotStretch
        Its cycles and silences.
    """
    zone = described.site.zone
    cycles = list(stretch.cycles.select("pressed_at", "released_at").sort("pressed_at").iter_rows())
    view = in_address(whole)
    _ways(view, whole, cycles)
    look.put(f'<p class="gb-under">{look.shown(_told(view, zone))}</p>')
    with look.sentences():
        trace = read(version, pot, whole)
    chart = charts.pressures(
        trace, cycles, stretch.silent, view, zone, look.palette(), can_zoom=True
    )
    peak = words.with_unit("pressure", trace["value"].max() if trace.height else None)  # type: ignore[arg-type]
    there = charts.wall(view[0], zone)
    chart_with_table(
        chart, table(trace, described),
        says=f"Pressures of {pot}, {_told(view, zone)}; the highest {peak}.",
        key=f"timeline-{pot}-{view[0]:%Y%m%dT%H%M%S}-{view[1]:%Y%m%dT%H%M%S}",
        file=f"{pot}-pressures-{view[0]:%Y-%m-%dT%H%M%S}",
        whole=downloads.csv(lambda: data.pressures(pot, *view)),
        zoom=charts.ZOOM, on_zoom=lambda selected: _zoom(selected, there, whole),
    )  # fmt: skip


def _ways(view: Span, whole: Span, cycles: Sequence[Span]) -> None:
    key = "timeline-step"
    steps = [WHOLE, *(s for s, length in _LENGTHS.items() if length < whole[1] - whole[0])]
    steps += [CYCLE] if cycles else []
    here = step_of(view, whole, cycles)
    st.session_state[key] = here if here in steps else None
    with st.container(key="timeline-ways", horizontal=True, vertical_alignment="bottom"):
        st.segmented_control(
            "Show", steps, key=key, on_change=_choose, args=(key, view, whole, cycles),
            label_visibility="collapsed",
        )  # fmt: skip
        for label, way in (("Earlier", -1), ("Later", 1)):
            there = next_view(view, whole, cycles, way)
            st.button(
                label, key=f"timeline-{label.lower()}", disabled=there is None,
                on_click=go_to, args=(there or view, whole),
            )  # fmt: skip


def _told(view: Span, zone: Any) -> str:
    begin, end = (time_words.in_zone(at, zone) for at in view)
    if view[1] - view[0] > dt.timedelta(minutes=15):
        return time_words.stretch(view[0], view[1], zone)
    return f"{time_words.day(begin)}, {begin:%H:%M:%S} to {end:%H:%M:%S}"


def table(trace: pl.DataFrame, described: Yard) -> pl.DataFrame:
    """A trace for people: the site's time, the line's name, the viewer's unit."""
    zone = described.site.zone
    unit = units.unit("pressure")
    names = {channel: line[0] for channel, line in charts.LINES.items()}
    return trace.sort("sampled_at").select(
        pl.col("sampled_at").dt.replace_time_zone("UTC").dt.convert_time_zone(zone.key)
        .dt.strftime("%H:%M:%S%.3f").alias("Time"),
        pl.col("channel").replace_strict(names).alias("Line"),
        (pl.col("value") / units.factor("pressure")).round(1).alias(f"Pressure [{unit}]"),
    )  # fmt: skip


def _zoom(selected: Mapping[str, Any], there: charts.Wall, whole: Span) -> None:
    """Show what was dragged over the chart, whose ends are milliseconds on the wall clock."""
    ends = selected.get(charts.ZOOM_FIELD) or ()
    if len(ends) != 2:
        return
    begin, end = (
        dt.datetime.fromtimestamp(ms / 1000.0, dt.UTC).replace(tzinfo=None) - there.offset
        for ms in sorted(float(end) for end in ends)
    )
    # A tap draws a range of nothing.
    if end - begin >= CLOSEST:
        go_to((begin, end), whole)
