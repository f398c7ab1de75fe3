"""Entering with a bad connection, in a real browser: nothing typed is lost, nothing doubled."""

from __future__ import annotations

import datetime as dt
import re
import time
from collections.abc import Iterator
from typing import Any

import pytest
from browsing import PATIENCE_S, Pages, comes, opened_page, settle
from test_browser import YARD

from dashboard import entry_undo
from ingest import record_rows, records
from ingest.config import Yard, load_yard
from ingest.store.connection import read_window


class Place(Pages):
    """A yard whose pages can be killed and started again at the same address."""

    def entered(self, kind: str) -> list[dict[str, Any]]:
        with read_window(self.data) as con:
            return record_rows.current(con, kind)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    data = tmp_path_factory.mktemp("yard")
    (data / "yard.toml").write_text(YARD, encoding="utf-8")
    yard: Yard = load_yard(data / "yard.toml")
    for kind, body in (
        ("crew", {"crew": "A", "size": 3}),
        ("abrasive", {"pot": "pot-1", "bags": 2, "bag_kg": 20, "abrasive": "Fine"}),
        ("abrasive", {"pot": "pot-2", "bags": 2, "bag_kg": 30, "abrasive": "Coarse"}),
    ):
        records.add(data, yard, kind, body, "Tender 2", "command")
    with Place(data) as here:
        yield here


def phone(browser: Any) -> Any:
    return opened_page(
        browser, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )


def log_book(page: Any, place: Place, pot: str = "pot-1") -> None:
    page.goto(f"{place.address}/logbook?pot={pot}&by=Tender+2")
    page.get_by_role("button", name="Save abrasive").wait_for()
    # Nobody types within the instant in which a page appears.
    page.wait_for_function("!!window.gritbookEntry")
    settle(page)


def typed(page: Any) -> tuple[str, str, str]:
    return (
        page.get_by_label("Bags", exact=True).input_value(),
        page.get_by_label("Batch, as the bags say").input_value(),
        page.get_by_label("Pot", exact=True).input_value(),
    )


def kept(page: Any, *texts: str) -> None:
    """Wait until the browser has kept what was typed."""
    page.wait_for_function(
        "(texts) => texts.every(one => localStorage['gritbook-drafts']?.includes(one))", arg=texts
    )


def open_again(page: Any) -> None:
    """A page that is loaded anew, and offers what was typed."""
    page.reload()
    page.get_by_text("Not saved yet: what was typed at").wait_for()
    settle(page)


def assert_typed(page: Any, *wanted: str) -> None:
    assert comes(lambda: typed(page), wanted) == wanted


def test_what_was_typed_outlives_a_reload_and_is_entered_once(place: Place, browser: Any) -> None:
    from playwright.sync_api import expect

    page = phone(browser)
    log_book(page, place)
    # What this person tipped on this pot last.
    expect(page.get_by_label("A bag holds")).to_have_value("20")
    page.get_by_label("Bags", exact=True).fill("7")
    page.get_by_label("Batch, as the bags say").fill("LOT 9")
    page.get_by_label("Pot", exact=True).click()
    page.get_by_role("option", name="pot-2").click()
    kept(page, "LOT 9", "pot-2")

    open_again(page)
    assert_typed(page, "7", "LOT 9", "pot-2")

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
    give_up_at = time.monotonic() + 2 * PATIENCE_S
    while not entered.is_visible():
        assert time.monotonic() < give_up_at, "pressed again and again, never saved"
        save.evaluate("(button) => { button.click(); button.click(); button.click(); }")
        comes(entered.is_visible, True, 5)
    page.wait_for_function("!localStorage['gritbook-drafts'].includes('LOT 9')")
    settle(page)
    page.evaluate("(draft) => { localStorage['gritbook-drafts'] = draft; }", draft)
    open_again(page)
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
    kept(page, "LOT 10")
    place.kill()
    banner = page.locator("#gb-no-line")
    page.locator("#gb-no-line", has_text="No connection to Gritbook").wait_for()
    assert_typed(page, "8", "LOT 10", "Pot 1")
    place.start()
    # The page finds the new server by itself; what was typed stands there, and after a reload.
    banner.wait_for(state="hidden")
    settle(page, 3000)
    assert_typed(page, "8", "LOT 10", "Pot 1")
    open_again(page)
    assert_typed(page, "8", "LOT 10", "Pot 1")
    page.get_by_role("button", name="Empty it").tap()
    page.context.close()


@pytest.mark.slow
def test_every_kind_of_form_comes_back(place: Place, browser: Any) -> None:
    from playwright.sync_api import expect

    page = phone(browser)
    log_book(page, place)

    def choose(kind: str, button: str) -> None:
        page.get_by_role("radio", name=kind, exact=True).tap()
        page.get_by_role("button", name=button).wait_for()
        settle(page, 300)

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
    kept(page, "Worn, still on", "3.5", '"in"', "left side", "2026-11-02T07:35")
    choose("Shift", "Save shift")
    page.get_by_label("Pots", exact=True).click()
    page.get_by_role("option", name="pot-2").click()
    page.get_by_role("option", name="pot-3").click()
    page.keyboard.press("Escape")
    kept(page, "pot-2", "pot-3")
    choose("Kind of abrasive", "Save kind")
    page.get_by_label("Name, as it will be chosen").fill("Black")
    page.get_by_text("Used before and cleaned").tap()
    kept(page, "Black", ":true")

    open_again(page)
    # It opens with what was typed last.
    expect(page.get_by_label("Name, as it will be chosen")).to_have_value("Black")
    expect(page.get_by_role("switch", name="Used before and cleaned")).to_be_checked()
    choose("Check done", "Save check")
    worn = page.get_by_role("radio", name="Worn, still on")
    expect(worn).to_have_attribute("aria-checked", "true")
    expect(page.get_by_label("How much")).to_have_value("3.5")
    expect(page.get_by_label("Unit", exact=True)).to_have_value("in")
    expect(page.get_by_label("Note")).to_have_value("left side")
    for name, value in (("year", 2026), ("month", 11), ("day", 2), ("hour", 7), ("minute", 35)):
        part = page.get_by_role("spinbutton", name=re.compile(f"{name}, When checked"))
        expect(part).to_have_text(re.compile(f"0*{value}"))
    choose("Shift", "Save shift")
    tags = page.locator('[data-testid="stMultiSelect"] span[data-tag]')
    expect(tags).to_have_text(["pot-2", "pot-3"])
    page.get_by_role("button", name="Empty it").tap()
    expect(tags).to_have_count(0)
    page.wait_for_function("!localStorage['gritbook-drafts'].includes('new-shift')")
    # Nor is it there again later; the other forms still wait.
    open_again(page)
    choose("Shift", "Save shift")
    expect(tags).to_have_count(0)
    assert "new-shift" not in page.evaluate("localStorage['gritbook-drafts']")
    page.context.close()


@pytest.mark.slow
def test_a_form_left_for_another_comes_back_with_what_was_typed(place: Place, browser: Any) -> None:
    from playwright.sync_api import expect

    page = phone(browser)
    log_book(page, place)

    def choose(kind: str) -> None:
        page.get_by_role("radio", name=kind, exact=True).tap()
        page.get_by_role("button", name=f"Save {kind.lower()}").wait_for()
        settle(page)

    note = page.get_by_label("Note", exact=True)
    for said in ("left", "left side", "left side, again"):
        choose("Check done")
        note.fill(said)
        kept(page, f'"{said}"')
        # Typed last; yet who goes back to the check is not thrown out of it.
        choose("Fuel")
        note.fill(f"fuel {said}")
        kept(page, f'"fuel {said}"')
        choose("Check done")
        expect(note).to_have_value(said)
        expect(page.get_by_role("radio", name="Check done")).to_have_attribute(
            "aria-checked", "true"
        )
    page.context.close()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["Abrasive tipped", "Area done", "Shift", "Check done", "Job"])
def test_what_is_pressed_with_gloves_is_48_px_high(place: Place, browser: Any, kind: str) -> None:
    page = phone(browser)
    log_book(page, place)
    page.get_by_role("radio", name=kind, exact=True).tap()
    page.get_by_role("button", name=f"Save {kind.lower()}").wait_for()
    settle(page)
    low = """[...document.querySelectorAll(`[data-testid=stForm] input,
        [data-testid=stForm] textarea, [data-testid=stForm] button:not([aria-label^=Help]),
        .stButton button`)].map(e => {
          const box = e.closest('label, [role=group], [data-testid$=Container], ' +
            '[data-testid$=RootElement]') || e;
          return [e.ariaLabel || e.innerText, Math.max(e.getBoundingClientRect().height,
            box.getBoundingClientRect().height)];
        }).filter(([, height]) => height < 48)"""
    assert comes(lambda: page.evaluate(low), [], 10) == []
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
