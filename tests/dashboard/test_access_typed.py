"""Whatever people type, pages show it as text: markup, Markdown and formulas in every field."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
import streamlit as st
from browsing import Pages, opened_page, settle
from google.protobuf.message import Message
from streamlit.testing.v1 import AppTest

from analytics.pipeline import derive
from dashboard import data, entered_data, navigation
from dashboard.access import people
from ingest.config import load_yard
from ingest.record_bodies import BODIES

Show = Callable[[Path], None]
PutSamples = Callable[[Path, str, pl.DataFrame], None]

APP = str(Path(data.__file__).parent / "app.py")
#: Fits a name (80 characters); each kind of harm once.
NASTY = "<img src=x onerror=alert(1)><script>alert(2)</script>[g](http://h.example) $z$"
#: For texts that may be long.
LONG = f"{NASTY} ![p](http://h.example/p.png) **b** :material/home: <a href='javascript:alert(3)'>"
SHORT = "<b onclick=alert(5)>"
WHO = "<svg onload=alert(4)>[w](http://h.example)"
YARD = f"""
[site]
name = "test-yard"
time_zone = "Europe/Berlin"
title = '''{NASTY}'''
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
title = '''{NASTY}'''
volume_m3 = 0.184
plate_pa = 1_000_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "nozzle", "deadman"]
[[rule]]
part = "nozzle"
every_days = 1
reason = '''{NASTY}'''
by = '''{WHO}'''
"""


def bodies(begin: dt.datetime) -> list[tuple[str, dict[str, Any]]]:
    """A body of every kind, with something nasty in each field that takes any text."""

    def at(minutes: float) -> str:
        return (begin + dt.timedelta(minutes=minutes)).isoformat() + "Z"

    pot = {"pot": "pot-1"}
    notice = {**pot, "notice": NASTY, "notice_kind": "over_plate", "cause": LONG, "note": LONG,
              "began_at": at(5)}  # fmt: skip
    return [
        ("crew", {"crew": NASTY, "size": 3}),
        ("job", {"job": NASTY, "item": LONG, "rust_grade": "B", "prep_grade": "Sa 2 1/2",
                 "coating": LONG}),
        ("job", {"job": NASTY[:-1], "item": LONG, "rust_grade": "B", "prep_grade": "Sa 2 1/2"}),
        ("shift", {"shift": NASTY, "crew": NASTY, "job": NASTY, "pots": ["pot-1"],
                   "from_at": at(0), "to_at": at(120)}),
        ("job_change", {"shift": NASTY, "job": NASTY[:-1], "from_at": at(60), "note": LONG}),
        ("abrasive_kind", {"abrasive": NASTY, "price_kg": 0.3, "reorder_kg": 5000, "note": LONG}),
        ("abrasive_move", {"abrasive": NASTY, "move": "delivered", "kg": 900, "at": at(1),
                           "pot": "pot-1", "shift": NASTY, "batch": NASTY, "note": LONG}),
        ("abrasive", {**pot, "at": at(10), "bags": 4, "bag_kg": 25, "abrasive": NASTY,
                      "shift": NASTY, "batch": NASTY}),
        ("area", {**pot, "job": NASTY, "shift": NASTY, "at": at(50), "note": LONG,
                  "pieces": [{"piece": NASTY, "count": 2, "each_m2": 4.0}]}),
        ("stop_reason", {**pot, "from_at": at(70), "to_at": at(80), "stop_for": "weather",
                         "note": LONG}),
        ("fuel", {"shift": NASTY, "litres": 40, "at": at(90), "note": LONG}),
        ("price", {"price_of": "wage_h", "price": 30, "from_at": at(-999), "crew": NASTY,
                   "note": LONG}),
        ("part_fitted", {**pot, "part": "pinch_hose", "position": SHORT, "at": at(2),
                         "tag": NASTY, "note": LONG}),
        ("part_fitted", {**pot, "part": "nozzle", "at": at(2), "tag": NASTY[:-1], "note": LONG}),
        ("check", {**pot, "part": "nozzle", "at": at(100), "result": "replaced", "quantity": "bore",
                   "value": 9.9, "unit": "mm", "measurement": LONG, "new_tag": NASTY[:-2],
                   "note": LONG}),
        ("part_removed", {**pot, "part": "pinch_hose", "position": SHORT, "at": at(110),
                          "because": "worn", "tag": NASTY, "note": LONG}),
        ("shift_start", {**pot, "at": at(1), "shift": NASTY, "note": LONG}),
        ("notice_seen", {**notice, "at": at(6)}),
        ("notice_put_off", {**notice, "at": at(7), "until_at": at(60), "why": LONG}),
        ("yard_change", {"what": LONG, "before": "0" * 64, "after": "1" * 64, "kept": NASTY,
                         "change": LONG}),
        ("signature", {"shift": NASTY, "note": LONG}),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, put_samples: PutSamples) -> Path:
    """A data folder with two hours of blasting, and every kind of entry made by a page."""
    folder = tmp_path_factory.mktemp("typed") / "data"
    folder.mkdir()
    (folder / "yard.toml").write_text(YARD, encoding="utf-8")
    begin = dt.datetime.now(dt.UTC).replace(tzinfo=None, microsecond=0) - dt.timedelta(hours=3)
    put_samples(folder, "pot-1", blasting(begin))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("GRITBOOK_DATA", str(folder))
        patch.setenv("GRITBOOK_YARD", str(folder / "yard.toml"))
        st.cache_data.clear()
        for kind, body in bodies(begin):
            entered_data.enter(kind, body, WHO)
        newest = entered_data.enter("fuel", {"shift": NASTY, "litres": 5, "note": LONG}, WHO, LONG)
        entered_data.correct(newest, {"shift": NASTY, "litres": 6, "note": LONG}, WHO, LONG)
    derive(folder, load_yard(folder / "yard.toml"))
    return folder


def blasting(begin: dt.datetime) -> pl.DataFrame:
    at = np.arange(0, 7200, 0.5)
    is_open = at % 100 < 60
    pot = np.where(is_open, 700e3 * np.minimum((at % 100) / 4, 1.0), 0.0)
    return pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": is_open,
            "supply_pa": np.where(is_open, 720e3, 724e3),
            "pot_pa": pot,
            "nozzle_pa": pot * 0.9,
        }
    )


@pytest.fixture
def place(made: Path, show: Show) -> Path:
    show(made)
    return made


class Markup(HTMLParser):
    """Collects what in a piece of HTML could do something, or came from what was typed."""

    def __init__(self) -> None:
        super().__init__()
        self.harm: list[str] = []
        self.said = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = dict(attrs)
        does = tag in ("script", "iframe", "object", "embed", "svg", "link", "base", "form")
        reaches = any(
            re.search(r"javascript:|//h\.example", value or "", re.IGNORECASE)
            for name, value in attrs
            if name in ("href", "src", "srcset", "action", "style")
        )
        loads = tag == "img" and not (values.get("src") or "").startswith(("data:", "/media/"))
        if does or reaches or loads or any(name.startswith("on") for name in values):
            self.harm.append(self.get_starttag_text() or tag)

    def handle_data(self, text: str) -> None:
        self.said += text


def looked_at(body: str) -> Markup:
    markup = Markup()
    markup.feed(body)
    markup.close()
    return markup


def test_the_looking_glass_sees_harm() -> None:
    """Else what follows could not fail."""
    assert len(looked_at(NASTY).harm) == 2 and looked_at(WHO).harm and looked_at(SHORT).harm
    assert not looked_at("<b>x</b>").harm
    assert is_markdown(NASTY) and is_markdown("$z$ [g](x)") and not is_markdown("5 $ a kg")


def is_markdown(text: str) -> bool:
    """Whether Streamlit would make a link, a picture or a formula of what was typed."""
    return bool(re.search(r"(?<!\\)\](?<!\\)\(http|(?<!\\)\$z(?<!\\)\$|(?<!\\):material", text))


def texts(message: Message, within: str = "") -> Iterator[tuple[str, str]]:
    """Every text that a page sends to the browser, with the path of its field."""
    for descriptor, value in message.ListFields():
        path = f"{within}.{descriptor.name}"
        for one in value if descriptor.is_repeated else [value]:
            if isinstance(one, str):
                yield path, one
            elif isinstance(one, Message):
                yield from texts(one, path)


#: Fields that Streamlit draws as Markdown.
AS_MARKDOWN = re.compile(
    r"\.(label|help|caption|captions|content|content_icon)$|\.markdown\.body$|\.radio\.options$"
)


def nodes(app: AppTest) -> Iterator[Any]:
    waiting = [app._tree]
    while waiting:
        node = waiting.pop()
        yield node
        waiting += list(getattr(node, "children", {}).values())


@pytest.mark.parametrize("way", navigation.PAGES, ids=lambda way: way.path)
def test_what_was_typed_is_text_on_every_page(place: Path, way: navigation.Way) -> None:
    app = AppTest.from_file(APP, default_timeout=90).run()
    if way.path != "now":
        app.switch_page(way.file).run()
    assert not app.exception, [e.message for e in app.exception]
    faults, said = [], ""
    for node in nodes(app):
        proto = getattr(node, "proto", None)
        if not isinstance(proto, Message):
            continue
        if node.type == "html":
            found = looked_at(proto.body)
            faults += [f"html: {harm}" for harm in found.harm]
            said += found.said
            continue
        for path, text in texts(proto, f".{node.type}"):
            if AS_MARKDOWN.search(path) and is_markdown(text):
                faults.append(f"{path}: {text}")
    assert not faults, "\n".join(sorted(set(faults)))
    assert NASTY in said, "what was typed is not shown at all"


def test_every_kind_of_entry_was_tried() -> None:
    assert {kind for kind, _ in bodies(dt.datetime(2026, 1, 1))} == set(BODIES)


# --- in a real browser -----------------------------------------------------------------------


@pytest.fixture
def pages(made: Path, tmp_path: Path) -> Iterator[str]:
    """The pages of a copy, with somebody who may sign in."""
    folder = tmp_path / "data"
    shutil.copytree(made, folder)
    people.add(folder, WHO, "owner", "four odd words together")
    with Pages(folder) as running:
        yield running.address


# By default ``test_browser.py`` types such words into a real browser, and the words of every page
# are looked at above.
@pytest.mark.slow
def test_in_a_browser_nothing_typed_runs_loads_or_leads_away(pages: str, browser: Any) -> None:
    fired: list[str] = []
    page = opened_page(browser)
    page.on("dialog", lambda dialog: (fired.append(dialog.message), dialog.dismiss()))
    page.on(
        "request",
        lambda sent: fired.append(sent.url) if "h.example" in sent.url else None,
    )
    page.goto(f"{pages}/logbook")
    page.get_by_label("Name").fill(WHO)
    page.get_by_label("Password", exact=True).fill("four odd words together")
    page.get_by_role("button", name="Sign in").click()
    page.locator(".gb-me").wait_for()
    for way in navigation.PAGES:
        page.goto(f"{pages}/{way.path if way.path != 'now' else ''}")
        page.locator("h1").first.wait_for()
        page.locator(".gb-me").wait_for()
        settle(page, 300)
        harm = "a[href*='//h.example'], img[src='x'], [onerror], [onload], [onclick]"
        there = page.locator(harm).evaluate_all("all => all.map(one => one.outerHTML)")
        assert there == [], f"{way.path}: {there}"
        assert page.locator(".katex").count() == 0, way.path
    assert WHO in page.locator(".gb-me").inner_text()
    assert not fired, fired
    page.context.close()
