"""The two palettes: contrast by WCAG 2.2, told apart by every eye, and one theme for all charts."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import altair as alt
import numpy as np
import polars as pl
import pytest
from colour_science import MACHADO, ciede2000, contrast, lab, mixed

from dashboard import look, theme
from dashboard.palette import DARK, LIGHT, Palette

#: Difference that two series must have in every eye. One step of CIEDE2000 is about what can just
#: be told between two patches side by side; thin lines far apart need many. Common practice, no
#: source for the number.
APART = 15.0
LOOKS = pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])


@pytest.mark.parametrize(
    ("one", "other", "difference"),
    [
        # Sharma, Wu and Dalal (2005), table 1, pairs 1, 7, 10, 14, 17, 25, 34 (from memory).
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
        ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_the_measure_of_difference_is_the_published_one(
    one: tuple[float, ...], other: tuple[float, ...], difference: float
) -> None:
    assert ciede2000(np.array(one), np.array(other)) == pytest.approx(difference, abs=5e-5)


def test_the_measure_of_contrast_is_wcags_and_grey_stays_grey_in_every_eye() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    # The lightest grey that passes on white, as WCAG's own techniques name it (from memory).
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.005)
    assert all(np.allclose(matrix.sum(axis=1), 1.0, atol=2e-6) for matrix in MACHADO.values())


@LOOKS
def test_text_has_the_contrast_of_level_aa(colours: Palette) -> None:
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1."""
    for ground in (colours.ground, colours.surface):
        for text in ("ink", "quiet", "alarm", "warn"):
            assert contrast(getattr(colours, text), ground) >= 4.5, (text, ground)
    # Words on filled badges and buttons, and on the page that one is on.
    assert contrast(colours.surface, colours.alarm) >= 4.5
    assert contrast(colours.surface, colours.pot) >= 4.5
    assert contrast(colours.ground, colours.ink) >= 4.5
    # Tick labels beside what is shaded, where they may lie over it.
    assert contrast(colours.ink, mixed(colours.pot, colours.surface, 0.16)) >= 4.5


@LOOKS
def test_what_is_drawn_has_the_contrast_of_level_aa(colours: Palette) -> None:
    """WCAG 2.2, success criterion 1.4.11: 3 to 1 for what is needed to understand a graphic."""
    drawn = ("supply", "pot", "nozzle", "blasting", "filling", "idle", "alarm", "warn", "quiet")
    for ground in (colours.ground, colours.surface):
        for name in drawn:
            assert contrast(getattr(colours, name), ground) >= 3.0, (name, ground)


#: What stands side by side on one chart or bar.
TOGETHER = {
    "pressures": ("supply", "pot", "nozzle"),
    "plain shares of time": ("blasting", "filling", "idle"),
    "weighing": ("pot", "nozzle"),
    "condition": ("pot", "nozzle"),
    "groups": ("quiet", "pot"),
}
#: Pairs that differ in shape as well (a diamond and a disc, a cross and a line): half will do.
SHAPED = {"groups"}


@LOOKS
@pytest.mark.parametrize("vision", MACHADO)
@pytest.mark.parametrize("chart", TOGETHER)
def test_series_are_told_apart_by_every_eye(colours: Palette, vision: str, chart: str) -> None:
    least = APART / 2 if chart in SHAPED else APART
    for one, other in combinations(TOGETHER[chart], 2):
        apart = ciede2000(lab(getattr(colours, one), vision), lab(getattr(colours, other), vision))
        assert apart >= least, (one, other, apart)


def test_every_other_share_of_time_has_a_pattern_of_its_own() -> None:
    sheet = (Path(look.__file__).parent / "look.css").read_text(encoding="utf-8")
    patterns = {}
    for share in ("refill", "air", "known", "unexplained", "nodata"):
        rule = re.search(rf"\.gb-share\.gb-{share} {{(.*?)}}", sheet, re.DOTALL)
        assert rule is not None
        found = re.search(r"repeating-linear-gradient\((\d+deg), [^,]*? 0 (\d+px)", rule[1])
        assert found is not None, share
        patterns[share] = found.groups()
    assert len(set(patterns.values())) == len(patterns)


def test_a_palette_that_fails_is_found() -> None:
    red_green = replace(LIGHT, supply="#3A8A2E", nozzle="#B0602A")
    near = ciede2000(lab(red_green.supply, "deuteranopia"), lab(red_green.nozzle, "deuteranopia"))
    far = ciede2000(lab(red_green.supply), lab(red_green.nozzle))
    assert near < APART < far


def test_series_differ_in_dash_and_mark_too() -> None:
    assert len({tuple(dash) for dash in theme.DASHES}) == len(theme.DASHES) >= 4
    assert len(set(theme.SHAPES)) == len(theme.SHAPES) >= 4


@pytest.mark.parametrize(("name", "colours"), [(theme.LIGHT_NAME, LIGHT), (theme.DARK_NAME, DARK)])
def test_a_theme_that_is_enabled_draws_what_is_written_into_a_chart(
    name: str, colours: Palette
) -> None:
    chart = alt.Chart(pl.DataFrame({"x": [1.0], "y": [2.0]})).mark_point().encode(x="x:Q", y="y:Q")
    assert name in alt.theme.names()
    with alt.theme.enable(name):
        by_name = chart.to_dict()["config"]
    with alt.theme.enable("none"):
        written = theme.themed(chart, colours).to_dict()["config"]
    assert by_name == written == theme.settings(colours)
    assert "config" not in chart.to_dict() or chart.to_dict()["config"] != written


def test_sizes_of_type_are_a_scale_that_a_phone_can_show() -> None:
    assert theme.SMALL < theme.PLAIN < theme.LARGE and theme.SMALL >= 12
