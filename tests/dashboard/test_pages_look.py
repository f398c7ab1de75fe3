"""Words, numbers, colours and small pieces of HTML that pages are made of."""

from __future__ import annotations

import dataclasses
import datetime as dt
import doctest
import itertools
import math
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from streamlit.testing.v1 import AppTest

from analytics import traces
from analytics.upkeep import UpkeepRule, due_list
from dashboard import charts, key_words, look, time_words, words
from ingest.parts import PART_WORDS
from ingest.record_bodies import BODIES

LOOKS = {"light": look.LIGHT, "dark": look.DARK}


def linear(colour: str) -> list[float]:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    return [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2's contrast ratio of two colours."""

    def luminance(colour: str) -> float:
        red, green, blue = linear(colour)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_its_own_ends() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    # WCAG's often quoted grey: the lightest on white that passes AA for text.
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("name", LOOKS)
def test_text_and_graphics_reach_wcag_aa(name: str) -> None:
    colours = LOOKS[name]
    for behind in (colours.ground, colours.surface):
        for text in ("ink", "quiet", "alarm", "warn"):
            assert contrast(getattr(colours, text), behind) >= 4.5, (name, text)
        for drawn in ("supply", "pot", "nozzle", "blasting", "filling", "idle"):
            assert contrast(getattr(colours, drawn), behind) >= 3.0, (name, drawn)
    # Text on filled badges and on what is chosen.
    assert contrast(colours.surface, colours.alarm) >= 4.5
    assert contrast(colours.surface, colours.pot) >= 4.5
    assert contrast(colours.ground, colours.ink) >= 4.5


# Machado, Oliveira and Fernandes 2009, severity 1.0, on linear RGB.
BLINDNESS = {
    "protanopia": (
        (0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ),
    "deuteranopia": (
        (0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ),
    "tritanopia": (
        (1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ),
}  # fmt: skip


def seen(colour: str, kind: str) -> tuple[float, float, float]:
    """A colour in CIE Lab as somebody with a colour blindness sees it."""
    rgb = linear(colour)
    mixed = [sum(a * b for a, b in zip(row, rgb, strict=True)) for row in BLINDNESS[kind]]
    red, green, blue = (min(max(value, 0.0), 1.0) for value in mixed)
    xyz = (
        (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505,
        0.2126 * red + 0.7152 * green + 0.0722 * blue,
        (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.089,
    )
    x, y, z = (v ** (1 / 3) if v > 0.008856 else 7.787 * v + 16 / 116 for v in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


@pytest.mark.parametrize("kind", BLINDNESS)
@pytest.mark.parametrize("name", LOOKS)
def test_the_three_lines_can_be_told_apart_without_full_colour_sight(name: str, kind: str) -> None:
    colours = LOOKS[name]
    for one, other in itertools.combinations((colours.supply, colours.pot, colours.nozzle), 2):
        # A difference of 10 in Lab is told apart at a glance.
        assert math.dist(seen(one, kind), seen(other, kind)) > 15, (name, kind, one, other)


def test_the_style_sheet_uses_only_colours_of_the_palettes() -> None:
    style = (Path(look.__file__).parent / "look.css").read_text(encoding="utf-8")
    used = set(re.findall(r"var\(--gb-(\w+)\)", style))
    known = {field.name for field in dataclasses.fields(look.Palette)}
    assert used and used <= known
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b(?!Menu)", style.replace("#MainMenu", ""))
    assert "http" not in style


def test_streamlit_gets_the_same_colours_for_both_looks() -> None:
    options = look.server_options()
    for name, colours in LOOKS.items():
        assert f"--theme.{name}.backgroundColor={colours.ground}" in options
        assert f"--theme.{name}.textColor={colours.ink}" in options


def test_the_examples_in_words_hold() -> None:
    done = doctest.testmod(words)
    assert done.attempted >= 12 and done.failed == 0


@given(st.text(max_size=60))
def test_shown_text_never_becomes_markup(text: str) -> None:
    assert not set(look.shown(text)) & set("<>\"'")


@given(st.floats(0, 1e6), st.floats(0, 1e6))
def test_an_hour_figure_lies_within_its_interval_as_written(value: float, width: float) -> None:
    low, high = value - width / 2, value + width / 2
    digits = words.hours_digits(low, high, value)
    read = [float(words.hours(v, digits).replace("\u202f", "").replace("\u2212", "-"))
            for v in (low, value, high)]  # fmt: skip
    assert read == sorted(read)


def test_numbers_have_the_digits_that_their_interval_supports() -> None:
    assert words.hours_digits(13_000.0, 14_000.0, 13_500.0) == 2
    assert words.hours_digits(10_000.0, 14_000.0, 12_000.0) == 1
    assert words.hours_digits(None, None, 40_000.0) == 1
    assert words.between_hours(3600.0, 3601.0) == ""


def test_times_are_the_sites() -> None:
    berlin = ZoneInfo("Europe/Berlin")
    at = dt.datetime(2026, 7, 1, 22, 30)
    assert time_words.clock(at, berlin) == "00:30"
    assert time_words.day(at, berlin) == "Thu 2 Jul 2026"
    assert time_words.stretch(at - dt.timedelta(hours=8), at, berlin) == (
        "Wed 1 Jul 2026, 16:30 to Thu 2 Jul 2026, 00:30"
    )


def test_there_are_words_for_everything_that_can_be_shown() -> None:
    assert set(key_words.KIND_WORDS) == set(BODIES)
    for model in BODIES.values():
        assert set(model.model_fields) <= set(key_words.FIELD_WORDS)
    assert set(key_words.RESULT_WORDS) == {"good", "worn", "replaced", "failed"}
    assert all(key_words.part(part) != part or "_" not in part for part in PART_WORDS)
    usage = pl.DataFrame(
        {"pot": ["p"], "part": ["nozzle"], "since": ["heard"], "from_at": [dt.datetime(2026, 1, 5)],
         "blast_s": [1.0], "blast_low_s": [1.0], "blast_high_s": [1.0], "cycles": [1],
         "no_data_s": [0.0]}
    )  # fmt: skip
    for days in (0.5, 0.95, 1.0, 2.0):
        rule = UpkeepRule("nozzle", "bore", None, None, 1.0, 0.1, "x")
        due = due_list(usage, [rule], dt.datetime(2026, 1, 5) + dt.timedelta(days=days))
        assert due["state"][0] in key_words.STATE_WORDS
        assert key_words.state_kind(due["state"][0]) in ("alarm", "warn", "plain")


def test_a_bar_of_shares_is_as_long_as_its_parts() -> None:
    shares = [look.Share("blasting", "Blasting", 3.0, ""), look.Share("idle", "Idle", 1.0, "")]
    drawn = look.stacked(shares, "time use")
    assert [float(x) for x in re.findall(r"flex-grow:([\d.]+)", drawn)] == [0.75, 0.25]
    assert "75" in drawn and "25" in drawn
    assert look.stacked([look.Share("idle", "Idle", 0.0, "")], "nothing") == ""


# --- charts ----------------------------------------------------------------------------------

BEGIN = dt.datetime(2026, 3, 2, 6)


def signal(seconds: int) -> pl.DataFrame:
    at = [BEGIN + dt.timedelta(seconds=s) for s in range(seconds)]
    return pl.DataFrame(
        {
            "sampled_at": at,
            "deadman": [s % 60 < 40 for s in range(seconds)],
            "supply_pa": [720e3] * seconds,
            "pot_pa": [700e3 * (s % 60 < 40) for s in range(seconds)],
            "nozzle_pa": [None] * seconds,
        },
        schema={
            "sampled_at": pl.Datetime("us"), "deadman": pl.Boolean, "supply_pa": pl.Float64,
            "pot_pa": pl.Float64, "nozzle_pa": pl.Float64,
        },
    )  # fmt: skip


def chart_of(frame: pl.DataFrame, zone: str = "Europe/Berlin") -> dict[str, object]:
    trace = traces.thinned(frame, ("supply_pa", "pot_pa", "nozzle_pa"), 2.0)
    view = (BEGIN, BEGIN + dt.timedelta(hours=2))
    spans = traces.open_spans(frame, 2.0)
    return charts.pressures(trace, spans, [], view, ZoneInfo(zone), look.LIGHT).to_dict()


def test_a_chart_shows_the_sites_clock_whatever_the_browsers_zone() -> None:
    drawn = chart_of(signal(3600))
    text = str(drawn)
    assert "2026-03-02T07:00:00" in text  # 06:00 UTC is 07:00 in Berlin in March
    assert "'type': 'utc'" in text and "Europe/Berlin, UTC+0100" in text


def test_a_chart_has_at_most_two_thousand_points_a_line() -> None:
    drawn = chart_of(signal(7200))
    data = drawn["datasets"]
    assert isinstance(data, dict)
    assert max(len(rows) for rows in data.values()) <= 2000


@pytest.mark.parametrize("seconds", [0, 1, 300])
def test_a_chart_of_little_or_nothing_still_has_its_axis(seconds: int) -> None:
    text = str(chart_of(signal(seconds)))
    assert "Time at the site" in text and "'domain': [1772434800000, 1772442000000]" in text


def test_the_small_drawing_keeps_gaps_open() -> None:
    frame = signal(300).filter(
        (pl.col("sampled_at") < BEGIN + dt.timedelta(seconds=100))
        | (pl.col("sampled_at") > BEGIN + dt.timedelta(seconds=160))
    )
    trace = traces.thinned(frame, ("pot_pa",), 2.0, 200)
    view = (BEGIN, BEGIN + dt.timedelta(seconds=300))
    assert charts.card_trace(trace, (), view, look.DARK).count("<polyline") == 2


def test_nothing_is_put_where_there_is_nothing_to_say() -> None:
    def page() -> None:
        from dashboard import look

        look.put("", "")
        look.put("", "<p>one</p>")

    app = AppTest.from_function(page).run()
    assert not app.exception
    assert [e.proto.body for e in app.get("html")] == ["<p>one</p>"]
