"""The help page: every figure of the pages is explained, and what is explained is there."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest
from test_pages import assert_sound, made, markup, one_shift, opened, place, text

from analytics.box_values import NEWEST_SCHEMA
from analytics.condition_frames import SPELL_COLUMNS
from analytics.dictionary import COLUMNS
from analytics.forecast import FORECAST_SCHEMA
from analytics.indicators import INDICATORS
from analytics.quality import FAULT_SCHEMA, ZERO_SCHEMA
from analytics.shift_rows import MEASURES
from analytics.standing import Weather
from analytics.upkeep import DUE_SCHEMA
from dashboard import (
    compare_words,
    condition_words,
    help_words,
    key_words,
    navigation,
    sheet_words,
    words,
)
from dashboard.help_words import figure_of, figures

__all__ = ["made", "one_shift", "place"]

HELP = "views/help.py"

#: Columns of the cycles' table that say which cycle, or a word of it: no figures.
NO_FIGURES = {"number", "pressed", "began", "ended", "counts"}


def explained(label: str) -> bool:
    """Whether help says what a label is; its unit may stand behind it."""
    return bool(figure_of(label) or figure_of(re.sub(r"\s*\[.*\]$", "", label)))


# --- the tables of words ---------------------------------------------------------------------


def labels_of_tables() -> list[str]:
    return [
        *(label for name, label in key_words.CYCLE_WORDS.items() if name not in NO_FIGURES),
        *condition_words.INDICATOR_TITLES.values(),
        *condition_words.WAY_WORDS.values(),
        *sheet_words.PART_WORDS.values(),
        *(measure.title for measure in MEASURES.values()),
        *compare_words.LINE_WORDS.values(),
    ]


def test_every_figure_that_the_tables_of_words_name_is_explained() -> None:
    labels = labels_of_tables()
    assert len(labels) > 50
    assert [label for label in labels if not explained(label)] == []


def test_no_two_figures_are_called_alike() -> None:
    titles = [one.title.lower() for one in figures().values()]
    assert len(titles) == len(set(titles))
    called = [label.lower() for one in figures().values() for label in one.labels]
    assert set(called) & set(titles) == set()
    assert len(called) == len(set(called))


# --- what is explained is there --------------------------------------------------------------

#: Where a figure may be kept -> the names that are there, by the code that makes them.
KEPT: dict[str, set[str]] = {
    help_words.DICTIONARY: set(COLUMNS),
    help_words.INDICATOR: {help_words.indicator_figure(one) for one in INDICATORS},
    help_words.BOX: {
        "last_heard_at",
        "repeated",
        "rate_hz",
        "lost",
        "late",
        "restarts",
        "silences",
    },
    help_words.WEIGHED: {*SPELL_COLUMNS, "left_kg", "estimate_kg"},
    help_words.CHECKS: {*DUE_SCHEMA, *FORECAST_SCHEMA, "life"},
    help_words.QUALITY: {*ZERO_SCHEMA, *FAULT_SCHEMA, "bad_readings"},
    help_words.COMPARED: {*MEASURES, "pace"},
    help_words.WEATHER: set(Weather.__annotations__) | {"steel_margin_k"},
    help_words.USE: {"hour_blasting_min", "indicators_iso", "short_pa"},
    help_words.ESTIMATE: set(compare_words.LINE_WORDS),
    help_words.READING: set(NEWEST_SCHEMA),
}


@pytest.mark.parametrize("key", figures())
def test_each_entry_is_whole_and_its_figure_exists(key: str) -> None:
    one = figures()[key]
    assert help_words.meaning(key) and one.made_of and one.act and one.title
    assert one.group in help_words.GROUPS
    assert key in KEPT[one.of], f"{key} is not made by {one.of}"
    # What the dictionary says stands there only.
    assert (one.of == help_words.DICTIONARY) == (not one.meaning)


def test_figures_of_boxes_are_columns_that_the_command_prints() -> None:
    from analytics.heard import HEARD_SCHEMA

    boxes = {key for key, one in figures().items() if one.of == help_words.BOX}
    assert boxes <= {*HEARD_SCHEMA, "last_heard_at", "repeated"}


def test_every_step_of_a_role_leads_to_a_page() -> None:
    paths = {way.path for way in navigation.PAGES}
    for steps in help_words.ROLES.values():
        assert {path for _, path in steps} <= paths


# --- the pages -------------------------------------------------------------------------------


def labels_on(app: AppTest) -> set[str]:
    """Labels of figures on a page, as they stand beside a number."""
    said = markup(app)
    found = re.findall(r'<div class="gb-figure"><dt>([^<]*)', said)
    found += re.findall(r'<div class="gb-p-\w+"><small>([^<]*)', said)
    found += re.findall(r'<div class="gb-step gb-p-\w+">(?:<i>[^<]*</i>)?<span>([^<]*)', said)
    found += re.findall(r'<li><i class="gb-share[^>]*></i><b>([^<]*)', said)
    return {html.unescape(label) for label in found}


def test_every_figure_that_pages_show_is_explained(place: Path, one_shift: Any) -> None:
    seen: set[str] = set()
    for way in navigation.PAGES:
        if way.file == HELP:
            continue
        app = opened(way.file)
        assert_sound(app)
        seen |= labels_on(app)
    assert len(seen) >= 12, seen
    assert sorted(label for label in seen if not explained(label)) == []


def test_a_figure_leads_to_its_help_and_takes_pot_and_shift_along(
    place: Path, one_shift: Any
) -> None:
    app = AppTest.from_file(str(Path(words.__file__).parent / "app.py"), default_timeout=60)
    app.query_params["pot"] = "pot-1"
    app.query_params["shift"] = "monday"
    app.run()
    app.switch_page("views/review.py").run()
    links = [html.unescape(link) for link in re.findall(r'href="(help\?[^"]*)"', markup(app))]
    assert any(link.endswith("figure=blast_s") for link in links)
    assert all("pot=pot-1" in link and "shift=monday" in link for link in links), links


def test_what_was_asked_stands_first(place: Path) -> None:
    app = opened("views/now.py")
    app.query_params["figure"] = "blast_s"
    app.switch_page(HELP).run()
    assert_sound(app)
    said = text(app)
    assert COLUMNS["blast_s"].meaning in said
    assert said.index("When not to trust it") < said.index("A way through the pages")


def test_a_figure_that_is_not_there_is_a_sentence_and_never_markup(place: Path) -> None:
    app = opened("views/now.py")
    app.query_params["figure"] = "<img src=x onerror=alert(1)>"
    app.switch_page(HELP).run()
    assert_sound(app)
    assert "There is no help on that figure" in text(app) and "<img" not in markup(app)


def test_everything_is_on_the_page_and_words_find_it(place: Path) -> None:
    app = opened(HELP)
    assert_sound(app)
    said = text(app)
    for part in (*help_words.GLOSSARY, *help_words.CAUTIONS, *help_words.BEHIND_A_FIGURE):
        assert part.replace(words.NBSP, " ") in said
    for key in figures():
        assert f'id="figure-{html.escape(key)}"' in markup(app)
    app.text_input(key="help-find").set_value("pinch cycles").run()
    assert_sound(app)
    found = re.findall(r"<h3>([^<]*)", markup(app))
    assert found[0] == "Pinch cycles" and len(found) < 12
    app.text_input(key="help-find").set_value("<b>zzz</b>").run()
    assert_sound(app)
    assert "Nothing here has “" in text(app)
    assert "<b>zzz" not in markup(app)
