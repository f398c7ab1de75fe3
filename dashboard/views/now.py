"""The yard now: one card a pot, from its newest readings and from the shift so far."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from analytics import pipeline, standing
from analytics.climate import REQUIRED_MARGIN_K
from dashboard import (
    charts,
    condition_data,
    data,
    key_words,
    look,
    notice_cards,
    spoken,
    time_words,
    units,
    words,
)
from ingest.config import Yard

#: How often the cards are drawn anew. [s]
EVERY_S = 3
#: After this many times the pot's gap, and never sooner than this, a pot is said to be silent.
SILENT_GAPS, SILENT_S = 5, 15.0
#: A pressure under this share of its transducer's range is only said to be under it.
FLOOR_SHARE, FLOOR_PA = 0.01, 10_000.0

CHANNELS = (("supply", "Manifold"), ("pot", "Pot"), ("nozzle", "Nozzle"))


def page() -> None:
    """The yard now."""
    described = data.yard()
    look.put(
        look.title(
            "Yard now", f"Times are the site's ({described.site.time_zone}), pressures gauge."
        ),
        look.caution(),
    )
    notice_cards.urgent()
    cards()
    notice_cards.rest()


@st.fragment(run_every=EVERY_S)
def cards() -> None:
    """All pots, drawn anew every few seconds."""
    if not data.has_store():
        look.put(
            look.note(
                "Nothing has been heard yet.",
                "Start `gritbook ingest` and switch a box on, or bring a card in with "
                "`gritbook import FILE --pot NAME`. Cards appear here by themselves.",
            )
        )
        return
    with look.sentences():
        described = data.yard()
        version = data.kept(data.version)
        now = data.kept(data.pots_now, version.value)
        so_far = data.kept(data.stretches_now, version.value)
        upkeep = data.kept(data.upkeep_list, version.value)
        weather = data.kept(condition_data.weather_now, version.value.data)
        if now.is_old or so_far.is_old or upkeep.is_old:
            look.put(look.as_of(now.read_at, described.site.zone))
        columns = st.columns(min(len(now.value), 3), gap="medium")
        for index, pot in enumerate(now.value):
            with columns[index % len(columns)]:
                look.put(
                    card(
                        described,
                        pot,
                        so_far.value.get(pot.pot),
                        upkeep.value,
                        weather.value.get(pot.pot),
                    )
                )
                _ways_on(pot.pot, so_far.value.get(pot.pot))


def _ways_on(pot: str, so_far: data.PotStretch | None) -> None:
    """Links that take the pot along, and its shift."""
    along = {"pot": pot} | ({"shift": so_far.shift} if so_far and so_far.shift else {})
    with st.container(key=f"card-ways-{pot}", horizontal=True, gap=None, wrap=False):
        st.page_link("views/review.py", label="Review", query_params=along)
        st.page_link("views/upkeep.py", label="Sign off", query_params=along)
        st.page_link("views/logbook.py", label="Enter", query_params=along)


def card(
    described: Yard,
    pot: data.PotNow,
    so_far: data.PotStretch | None,
    upkeep: data.Upkeep,
    weather: standing.Weather | None = None,
) -> str:
    """One pot's card."""
    name = data.pot_title(described, pot.pot)
    if pot.last_at is None:
        inside = look.note(
            "Not heard yet.",
            "Check that the box has power, and that its readings come in under the name "
            f"{pot.pot}; `gritbook check` looks at the broker and the line.",
        )
        return f'<section class="gb-card gb-silent"><h2>{look.shown(name)}</h2>{inside}</section>'
    age_s = (pipeline.utc_now() - pot.last_at).total_seconds()
    silent = age_s > max(SILENT_GAPS * described.gap_s(pot.pot), SILENT_S)
    kind = "gb-card gb-silent" if silent else "gb-card"
    return (
        f'<section class="{kind}">{_top(described, name, pot, age_s, silent)}'
        f"{_pressures(described, pot)}{_trace(described, pot, silent)}"
        f"{_shift(described, so_far)}{_hose(described, upkeep, pot.pot)}"
        f"{_due(upkeep, pot.pot)}{_weather(described, weather)}</section>"
    )


def _top(described: Yard, name: str, pot: data.PotNow, age_s: float, silent: bool) -> str:
    assert pot.last_at is not None
    zone = described.site.zone
    if silent:
        state = look.badge("Silent", "plain")
        heard = (
            f"Nothing heard for {time_words.duration(age_s)}. Last reading "
            f"{time_words.day_and_time(pot.last_at, zone)}; what it does now is not known."
        )
    else:
        heard = f"Heard {time_words.ago(age_s)}."
        newest = pot.newest
        if newest is None or newest.deadman is None or newest.deadman_since_at is None:
            state = look.badge("No dead-man signal", "plain")
        else:
            lasting = time_words.duration((pot.last_at - newest.deadman_since_at).total_seconds())
            if newest.deadman:
                state = look.badge("Dead-man open", "open")
                heard += f" Open for {lasting}."
            else:
                state = look.badge("Dead-man shut", "plain")
                heard += f" Shut for {lasting}."
    return (
        f'<div class="gb-top"><h2>{look.shown(name)}</h2>{state}</div>'
        f'<p class="gb-heard">{look.shown(heard)}</p>'
    )


def _pressures(described: Yard, pot: data.PotNow) -> str:
    if pot.newest is None:
        return ""
    cells = []
    for channel, label in CHANNELS:
        value = getattr(pot.newest, f"{channel}_pa")
        law = described.transducer(pot.pot, channel)
        floor = FLOOR_PA if law is None else FLOOR_SHARE * (law.range_pa[1] - law.range_pa[0])
        text = words.reading_pressure(value, floor)
        size = ' class="gb-words"' if " " in text else ""
        unit = "" if value is None else f" <i>{units.unit('pressure')}{words.NBSP}</i>"
        if value is None:
            text, size = "not measured", ' class="gb-words"'
        cells.append(
            f'<div class="gb-p-{channel}"><small>{label}</small><b{size}>{text}</b>{unit}</div>'
        )
    return f'<div class="gb-pressures">{"".join(cells)}</div>'


def _trace(described: Yard, pot: data.PotNow, silent: bool) -> str:
    if pot.trace.is_empty():
        return ""
    view = (pot.trace_from_at, pot.trace_to_at)
    drawn = charts.card_trace(pot.trace, pot.open_spans, view, look.palette())
    begin = time_words.clock(view[0], described.site.zone)
    alt = (
        f"Pressures from {begin} on; the dead-man was open "
        f"{words.counted(len(pot.open_spans), 'time', 'times')}."
    )
    end = time_words.clock(view[1], described.site.zone) if silent else "now"
    return (
        look.picture(drawn, alt)
        + f'<div class="gb-ends"><span>{begin}</span><span>{end}</span></div>'
    )


def _shift(described: Yard, so_far: data.PotStretch | None) -> str:
    if so_far is None or so_far.summary is None:
        return ""
    found: dict[str, Any] = dict(so_far.summary)
    zone = described.site.zone
    what = f"Shift {so_far.shift}" if so_far.shift else "Today"
    elapsed_s, silent_s = found["elapsed_s"], found["no_data_s"]
    if silent_s >= elapsed_s:
        return (
            f'<span class="gb-label">{look.shown(what)}</span>'
            f'<p class="gb-heard">Nothing was heard, so there are no hours to show.</p>'
        )
    length = so_far.to_at - so_far.from_at
    counted = so_far.cycles.filter(~pl.col("flicker")).select("pressed_at", "released_at")
    strokes = [
        look.Stroke(
            max((begin - so_far.from_at) / length, 0.0),
            min((end - so_far.from_at) / length, 1.0),
            kind,
        )
        for spans, kind in ((so_far.silent, "nodata"), (counted.iter_rows(), "on"))
        for begin, end in spans
    ]
    times = words.counted(found["cycles"], "time", "times")
    ribbon = look.ribbon(
        strokes,
        f"{what}: the dead-man was opened {times}",
        time_words.clock(so_far.from_at, zone),
        time_words.clock(so_far.to_at, zone),
    )
    digits = words.hours_digits(found["blast_low_s"], found["blast_high_s"], found["blast_s"])
    between = words.between_hours(found["blast_low_s"], found["blast_high_s"], digits)
    missing = f"not heard for {time_words.duration(silent_s)}" if silent_s >= 60 else ""
    figures = look.figures(
        [
            look.Figure("Blast-on", words.hours(found["blast_s"], digits), "h", between, missing),
            look.Figure("Pinch cycles", words.plain_number(found["cycles"])),
        ],
        "gb-two",
    )
    return f'<span class="gb-label">{look.shown(what)}</span>{ribbon}{figures}'


def _hose(described: Yard, upkeep: data.Upkeep, pot: str) -> str:
    rows = upkeep.due.filter((pl.col("pot") == pot) & (pl.col("rule") == "pinch_hose"))
    if rows.is_empty():
        return ""
    row = rows.row(0, named=True)
    limit_h = row["every_blast_h"]
    used = words.used_of(row["trigger"], row["used"], row["limit"])
    state, share = row["state"], row["share"]
    bar = state
    lines = [
        f"{words.counted(row['cycles'], 'pinch cycle', 'pinch cycles')} since the "
        f"{key_words.SINCE_WORDS[row['since']]}"
    ]
    if limit_h is not None and row["trigger"] != "blast_h":
        # The bar stays with the hours that the hose really closed for; the days stand beside it.
        by = "the calendar" if row["trigger"] == "days" else "pinch cycles"
        lines.insert(0, f"{key_words.STATE_WORDS[state].lower()} by {by}: {used}")
        used = words.used_of("blast_h", row["blast_high_h"], limit_h)
        share = row["blast_high_h"] / limit_h
        bar = "ok" if share < 1.0 else "due"
    between = words.between_hours(row["blast_low_h"] * 3600, row["blast_high_h"] * 3600, 1)
    if between:
        lines.append(f"hours {between}")
    kind = key_words.state_kind(state)
    word = "" if state == "ok" else look.badge(key_words.STATE_WORDS[state], kind)
    return (
        f'<div class="gb-plainrow"><span class="gb-label">Pinch hose: {look.shown(used)}</span>'
        f"{word}</div>{look.used_bar(share, bar, used)}"
        f'<span class="gb-between">{look.shown("; ".join(lines))}</span>'
    )


def _weather(described: Yard, weather: standing.Weather | None) -> str:
    """Steel over dew point, and the prompt to cover the pot; nothing where nothing is measured."""
    if weather is None:
        return ""
    read = [f"Air {words.amount(weather.humidity_percent)}{words.NBSP}% humid"]
    if weather.air_temp_c is not None:
        read.append(f"{words.temperature(weather.air_temp_c)}")
    if weather.dew_point_c is not None:
        read.append(f"dew point {words.temperature(weather.dew_point_c)}")
    at = time_words.clock(weather.at, described.site.zone)
    said = f"{', '.join(read)}, at {at}."
    pieces = []
    if weather.cover:
        pieces.append(
            f'<div class="gb-cover" role="status"><b>{look.shown(words.COVER_POT)}</b>'
            f"{look.shown(said)}</div>"
        )
    if weather.steel_margin_k is not None:
        below = (
            ""
            if weather.margin_met
            else spoken.page_units(f" Under {REQUIRED_MARGIN_K:.0f}{words.NBSP}K now.")
        )
        pieces.append(
            look.figures(
                [
                    look.Figure(
                        "Steel over dew point", words.warmer(weather.steel_margin_k),
                        units.unit("warmer"),
                        spoken.page_units(words.MARGIN_GUIDE) + below,
                        "" if weather.cover else said,
                    )
                ],
                "gb-one",
            )
        )  # fmt: skip
    return "".join(pieces)


def _due(upkeep: data.Upkeep, pot: str) -> str:
    due = upkeep.due.filter(
        (pl.col("pot") == pot) & pl.col("state").is_in(["overdue", "due", "soon"])
        & (pl.col("part") != "pinch_hose")
    )  # fmt: skip
    found = upkeep.found.filter(pl.col("pot") == pot)
    lines = [
        f"<li>{look.badge(key_words.RESULT_WORDS[row['result']], 'alarm')} "
        f"{look.shown(key_words.part(row['part']))}</li>"
        for row in found.iter_rows(named=True)
    ] + [
        "<li>"
        f"{look.badge(key_words.STATE_WORDS[row['state']], key_words.state_kind(row['state']))} "
        f"{look.shown(key_words.part(row['part']))}</li>"
        for row in due.iter_rows(named=True)
    ]
    if not lines:
        return '<span class="gb-label">Nothing else is due.</span>'
    return f'<span class="gb-label">Also due</span><ul class="gb-duelist">{"".join(lines)}</ul>'


if __name__ == "__main__":
    page()
