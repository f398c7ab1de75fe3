"""Entering with a bad connection, in a real browser: nothing typed is lost, nothing doubled."""

from __future__ import annotations

import datetime as dt
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import test_browser as pages_in_browser

from dashboard import entry_undo
from ingest import records
from ingest.config import Yard, load_yard
from ingest.store.connection import read_window

browser = pages_in_browser.browser


class Place:
    """A yard whose pages can be killed and started again at the same address."""

    def __init__(self, data: Path) -> None:
        self.data = data
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.pages: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with (self.data / "pages.log").open("ab") as into:
            self.pages = subprocess.Popen(
                [sys.executable, "-m", "dashboard.cli", "pages", "--data", str(self.data),
                 "--yard", str(self.data / "yard.toml"), "--port", str(self.port), "--no-browser"],
                stdout=into, stderr=subprocess.STDOUT,
            )  # fmt: skip
        pages_in_browser.wait_for(self.address)

    def kill(self) -> None:
        """End the command and the server that it started, as a power cut does."""
        if self.pages is not None:
            pid = self.pages.pid
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8")
            for each in (pid, *map(int, children.split())):
                os.kill(each, signal.SIGKILL)
            self.pages.wait()
            self.pages = None

    def entered(self, kind: str) -> list[dict[str, Any]]:
        with read_window(self.data) as con:
            return records.current(con, kind)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    pages_in_browser.chromium()
    data = tmp_path_factory.mktemp("yard")
    (data / "yard.toml").write_text(pages_in_browser.YARD, encoding="utf-8")
    yard: Yard = load_yard(data / "yard.toml")
    for kind, body in (
        ("crew", {"crew": "A", "size": 3}),
        ("abrasive", {"pot": "pot-1", "bags": 2, "bag_kg": 20, "abrasive": "Fine"}),
        ("abrasive", {"pot": "pot-2", "bags": 2, "bag_kg": 30, "abrasive": "Coarse"}),
    ):
        records.add(data, yard, kind, body, "Tender 2", "command")
    here = Place(data)
    here.start()
    yield here
    here.kill()


def phone(browser: Any) -> Any:
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    return context.new_page()


def log_book(page: Any, place: Place, pot: str = "pot-1") -> None:
    page.goto(f"{place.address}/logbook?pot={pot}&by=Tender+2")
    page.get_by_role("button", name="Save abrasive").wait_for()
    # Nobody types within the instant in which a page appears.
    page.wait_for_function("!!window.gritbookEntry")


def typed(page: Any) -> tuple[str, str, str]:
    return (
        page.get_by_label("Bags", exact=True).input_value(),
        page.get_by_label("Batch, as the bags say").input_value(),
        page.get_by_label("Pot", exact=True).input_value(),
    )


def test_what_was_typed_outlives_a_reload_and_is_entered_once(place: Place, browser: Any) -> None:
    page = phone(browser)
    log_book(page, place)
    # What this person tipped on this pot last.
    assert page.get_by_label("A bag holds").input_value() == "20"
    page.get_by_label("Bags", exact=True).fill("7")
    page.get_by_label("Batch, as the bags say").fill("LOT 9")
    page.get_by_label("Pot", exact=True).click()
    page.get_by_role("option", name="pot-2").click()
    page.wait_for_function("localStorage['gritbook-drafts']?.includes('pot-2')")

    page.reload()
    page.get_by_text("Not saved yet: what was typed at").wait_for()
    assert typed(page) == ("7", "LOT 9", "pot-2")

    banner = page.locator("#gb-no-line")
    # Offline, a save says that it is none.
    before = len(place.entered("abrasive"))
    page.context.set_offline(True)
    page.locator("#gb-no-line", has_text="No connection to Gritbook").wait_for()
    # By its place: Streamlit's own notice of a lost server hides the rest from readers of roles.
    save = page.locator('[data-testid="stFormSubmitButton"] button').first
    save.dispatch_event("click")
    page.locator("#gb-no-line", has_text="NOT saved").wait_for()
    page.context.set_offline(False)
    banner.wait_for(state="hidden")
    assert len(place.entered("abrasive")) == before

    # Pressed three times at once, and once more from a form that does not know of it.
    draft = page.evaluate("localStorage['gritbook-drafts']")
    # As a person does: until it is said to be saved. The socket may need a while to be back.
    entered = page.locator(".st-key-take-back", has_text="7 bags")
    for _ in range(6):
        save.evaluate("(button) => { button.click(); button.click(); button.click(); }")
        page.wait_for_timeout(4000)
        if entered.is_visible():
            break
    entered.wait_for()
    page.wait_for_function("!localStorage['gritbook-drafts'].includes('LOT 9')")
    page.evaluate("(draft) => { localStorage['gritbook-drafts'] = draft; }", draft)
    page.reload()
    page.get_by_text("Not saved yet: what was typed at").wait_for()
    page.get_by_role("button", name="Save abrasive").tap()
    page.get_by_text("Saved: abrasive tipped, 7 bags").wait_for()
    assert [row["batch"] for row in place.entered("abrasive")].count("LOT 9") == 1
    assert len(place.entered("abrasive")) == before + 1

    page.get_by_role("button", name="Take back").tap()
    page.get_by_text("Taken back.", exact=True).wait_for()
    assert len(place.entered("abrasive")) == before
    page.context.close()


@pytest.mark.slow
def test_what_was_typed_outlives_a_killed_server(place: Place, browser: Any) -> None:
    page = phone(browser)
    log_book(page, place)
    page.get_by_label("Bags", exact=True).fill("8")
    page.get_by_label("Batch, as the bags say").fill("LOT 10")
    page.wait_for_function("localStorage['gritbook-drafts']?.includes('LOT 10')")
    place.kill()
    banner = page.locator("#gb-no-line")
    page.locator("#gb-no-line", has_text="No connection to Gritbook").wait_for()
    assert typed(page) == ("8", "LOT 10", "Pot 1")
    place.start()
    # The page finds the new server by itself; what was typed stands there, and after a reload.
    banner.wait_for(state="hidden")
    page.wait_for_timeout(3000)
    assert typed(page) == ("8", "LOT 10", "Pot 1")
    page.reload()
    page.get_by_text("Not saved yet: what was typed at").wait_for()
    assert typed(page) == ("8", "LOT 10", "Pot 1")
    page.get_by_role("button", name="Empty it").tap()
    page.context.close()


@pytest.mark.slow
def test_every_kind_of_form_comes_back(place: Place, browser: Any) -> None:
    page = phone(browser)
    log_book(page, place)

    def choose(kind: str, button: str) -> None:
        page.get_by_role("radio", name=kind, exact=True).tap()
        page.get_by_role("button", name=button).wait_for()
        page.wait_for_timeout(900)

    choose("Check done", "Save check")
    page.get_by_role("radio", name="Worn, still on").tap()
    page.get_by_label("How much").fill("3.5")
    page.get_by_label("Unit", exact=True).click()
    page.get_by_role("option", name="in", exact=True).click()
    page.get_by_label("Note").fill("left side")
    hour = page.get_by_role("spinbutton", name=re.compile("hour, When checked"))
    for name, value in (("year", "2026"), ("month", "11"), ("day", "02"), ("hour", "07"),
                        ("minute", "35")):  # fmt: skip
        part = page.get_by_role("spinbutton", name=re.compile(f"{name}, When checked"))
        part.focus()
        page.keyboard.type(value)
    hour.blur()
    page.wait_for_timeout(300)
    choose("Shift", "Save shift")
    page.get_by_label("Pots", exact=True).click()
    page.get_by_role("option", name="pot-2").click()
    page.get_by_role("option", name="pot-3").click()
    page.keyboard.press("Escape")
    page.wait_for_timeout(300)
    choose("Kind of abrasive", "Save kind")
    page.get_by_label("Name, as it will be chosen").fill("Black")
    page.get_by_text("Used before and cleaned").tap()
    page.wait_for_timeout(300)

    page.reload()
    page.get_by_text("Not saved yet: what was typed at").wait_for()
    # It opens with what was typed last.
    assert page.get_by_label("Name, as it will be chosen").input_value() == "Black"
    assert page.get_by_role("switch", name="Used before and cleaned").is_checked()
    choose("Check done", "Save check")
    assert page.get_by_role("radio", name="Worn, still on").get_attribute("aria-checked") == "true"
    assert page.get_by_label("How much").input_value() == "3.5"
    assert page.get_by_label("Unit", exact=True).input_value() == "in"
    assert page.get_by_label("Note").input_value() == "left side"
    when = [
        page.get_by_role("spinbutton", name=re.compile(f"{name}, When checked")).inner_text()
        for name in ("year", "month", "day", "hour", "minute")
    ]
    assert [int(part) for part in when] == [2026, 11, 2, 7, 35]
    choose("Shift", "Save shift")
    tags = page.locator('[data-testid="stMultiSelect"] span[data-tag]').all_inner_texts()
    assert [tag.strip() for tag in tags] == ["pot-2", "pot-3"]
    page.get_by_role("button", name="Empty it").tap()
    page.wait_for_timeout(900)
    assert page.locator('[data-testid="stMultiSelect"] span[data-tag]').count() == 0
    page.reload()
    page.get_by_role("button", name="Save kind").wait_for()
    assert "new-shift" not in page.evaluate("localStorage['gritbook-drafts']")
    page.context.close()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["Abrasive tipped", "Area done", "Shift", "Check done", "Job"])
def test_what_is_pressed_with_gloves_is_48_px_high(place: Place, browser: Any, kind: str) -> None:
    page = phone(browser)
    log_book(page, place)
    page.get_by_role("radio", name=kind, exact=True).tap()
    page.get_by_role("button", name=f"Save {kind.lower()}").wait_for()
    page.wait_for_timeout(1200)
    low = page.evaluate(
        """[...document.querySelectorAll(`[data-testid=stForm] input, [data-testid=stForm] textarea,
        [data-testid=stForm] button:not([aria-label^=Help]), .stButton button`)].map(e => {
          const box = e.closest('label, [role=group], [data-testid$=Container], ' +
            '[data-testid$=RootElement]') || e;
          return [e.ariaLabel || e.innerText, Math.max(e.getBoundingClientRect().height,
            box.getBoundingClientRect().height)];
        }).filter(([, height]) => height < 48)"""
    )
    assert low == []
    page.context.close()


# --- the last entry --------------------------------------------------------------------------

NOW = dt.datetime(2026, 11, 28, 12, 0)


def row(minutes_ago: float, by: str = "Ann", kind: str = "abrasive", **more: Any) -> dict[str, Any]:
    standing = {"superseded": False, "withdrawn": False, "supersedes": None}
    return {
        "recorded_by": by, "kind": kind, "recorded_at": NOW - dt.timedelta(minutes=minutes_ago),
        "body": {}, **standing, **more,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("log", "found"),
    [
        ([], None),
        ([row(1)], 0),
        ([row(1, "Ben"), row(2)], 1),
        ([row(31)], None),
        ([row(1, kind="notice_seen"), row(2)], 1),
        # The newest was taken back: an older one is not offered in its place.
        ([row(1, withdrawn=True), row(2)], None),
        ([row(1, superseded=True), row(2)], None),
        # Taking a correction back would take the whole entry away.
        ([row(1, supersedes="x"), row(2, superseded=True)], None),
    ],
)
def test_the_last_entry_is_offered_while_it_is_recent_and_stands(
    log: list[dict[str, Any]], found: int | None
) -> None:
    assert entry_undo.newest(log, "Ann", NOW) is (None if found is None else log[found])
