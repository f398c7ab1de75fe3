"""Ways between pages carry pot, shift, range and units; empty pages say what to do."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from urllib.parse import parse_qs

import pytest
import streamlit as st
import yards
from streamlit.testing.v1 import AppTest

from dashboard import data, navigation, timeline, units
from ingest.store.connection import write_window

APP = str(Path(data.__file__).parent / "app.py")
YARD = yards.site() + yards.pot()
BOX = yards.box()
ADDRESS = {
    "pot": "pot-1", "shift": "2026-01-05-day", "day": "2026-01-05", "by": "Tender 1",
    "from": "2026-01-05T06:00:00Z", "to": "2026-01-05T07:00:00Z", "units": "inch-pound",
}  # fmt: skip
VIEWS = pytest.mark.parametrize("view", [way.file for way in navigation.PAGES])


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setenv("GRITBOOK_YARD", str(tmp_path / "yard.toml"))
    (tmp_path / "yard.toml").write_text(YARD + BOX, encoding="utf-8")
    forget()
    yield tmp_path
    units._viewers.clear()
    forget()


def forget() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


def opened(view: str, address: dict[str, str]) -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60)
    for key, value in address.items():
        app.query_params[key] = value
    app.run()
    if view != navigation.PAGES[0].file:
        app.switch_page(view).run()
    return app


def markup(app: AppTest) -> str:
    pieces = [element.proto.body for element in app.get("html")]
    return "\n".join(piece for piece in pieces if not piece.startswith("<style>"))


def said(app: AppTest) -> str:
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", markup(app))))


@VIEWS
def test_every_page_is_reached_from_every_page_with_all_that_is_carried(view: str) -> None:
    """Each page draws a link to each, and none of them loses anything."""
    app = opened(view, ADDRESS)
    assert not app.exception
    links = {link.proto.page: link.proto.query_string for link in app.get("page_link")}
    paths = {"" if way is navigation.PAGES[0] else way.path for way in navigation.PAGES}
    assert paths <= {page.strip("/") for page in links}, links
    for page, query in links.items():
        carried = {key: values[0] for key, values in parse_qs(query).items()}
        for key in ("pot", "shift", "from", "to", "units", "by"):
            assert carried.get(key) == ADDRESS[key], (page, key, query)


def test_units_follow_the_address_and_the_switch_and_stay_through_pages() -> None:
    app = opened(navigation.PAGES[0].file, {"units": "inch-pound"})
    assert app.session_state["units"] == "inch-pound"
    switch = next(group for group in app.get("button_group") if group.key == "units-switch")
    assert [option.content for option in switch.proto.options] == ["kPa", "psi"]
    switch.set_value("metric").run()
    assert app.query_params["units"] == "metric"
    assert app.session_state["units"] == "metric"
    app.switch_page("views/estimate.py").run()
    del app.query_params["units"]
    app.run()
    assert next(g for g in app.get("button_group") if g.key == "units-switch").value == "metric"


def test_an_address_with_unknown_units_or_a_broken_range_is_no_error() -> None:
    bad = {"units": "cubits", "from": "yesterday", "to": "2026-13-40", "pot": "no-such-pot"}
    for way in navigation.PAGES:
        app = opened(way.file, bad)
        assert not app.exception, way.file
    assert units.current() is units.METRIC


# --- ranges ----------------------------------------------------------------------------------

BEGIN = dt.datetime(2026, 1, 5, 6)
DAY = (BEGIN, BEGIN + dt.timedelta(hours=8))
MINUTE = dt.timedelta(minutes=1)
CYCLES = [(BEGIN + i * 10 * MINUTE, BEGIN + (i * 10 + 2) * MINUTE) for i in range(1, 6)]


def test_a_step_goes_from_cycle_to_cycle_and_back_and_ends_at_the_ends() -> None:
    view = timeline._around(CYCLES[0], DAY)
    assert timeline.step_of(view, DAY, CYCLES) == timeline.CYCLE
    seen = [view]
    while (after := timeline.next_view(seen[-1], DAY, CYCLES, 1)) is not None:
        seen.append(after)
    assert seen == [timeline._around(cycle, DAY) for cycle in CYCLES]
    assert timeline.next_view(seen[0], DAY, CYCLES, -1) is None
    assert timeline.next_view(seen[2], DAY, CYCLES, -1) == seen[1]


def test_hours_cover_a_shift_without_a_hole_and_stop_at_its_end() -> None:
    hour = dt.timedelta(hours=1)
    whole = (BEGIN, BEGIN + 7.5 * hour)
    views = [(BEGIN, BEGIN + hour)]
    while (after := timeline.next_view(views[-1], whole, [], 1)) is not None:
        views.append(after)
    assert views[-1][1] == whole[1] and len(views) == 8
    assert all(b[0] <= a[1] for a, b in pairwise(views))


def test_an_instant_of_the_address_comes_back_as_it_went() -> None:
    for at in (BEGIN, BEGIN + dt.timedelta(milliseconds=1), BEGIN.replace(microsecond=999_000)):
        assert timeline._instant(timeline.text_of(at)) == at
    assert timeline._instant("2026-01-05T07:00:00+01:00") == BEGIN
    assert timeline._instant("soon") is None


# --- nothing to show yet ---------------------------------------------------------------------


def assert_says_what_to_do(app: AppTest, view: str) -> None:
    assert not app.exception, (view, [e.message for e in app.exception])
    next_steps = re.findall(r'class="gb-note[^"]*"[^>]*><b>.*?</b><span>(.+?)</span>', markup(app))
    can_be_filled = bool(app.get("number_input") or app.get("text_input") or app.get("button"))
    leads_on = view == navigation.MORE.file
    assert next_steps or can_be_filled or leads_on, (view, said(app))


@pytest.mark.slow
@VIEWS
def test_a_page_without_a_yard_file_says_how_to_make_one(view: str, place: Path) -> None:
    (place / "yard.toml").unlink()
    app = opened(view, {})
    assert not app.exception
    assert "gritbook init" in said(app), said(app)


@pytest.mark.slow
@VIEWS
@pytest.mark.parametrize("boxes", [BOX, ""], ids=["a box", "no box"])
def test_a_page_without_readings_says_what_to_do(view: str, boxes: str, place: Path) -> None:
    (place / "yard.toml").write_text(YARD + boxes, encoding="utf-8")
    assert_says_what_to_do(opened(view, {}), view)


@VIEWS
def test_a_page_of_an_empty_store_says_what_to_do(view: str, place: Path) -> None:
    with write_window(place / "gritbook.duckdb"):
        pass
    assert_says_what_to_do(opened(view, {}), view)
