"""What the browser keeps of typing, step by step: on a page of ours, with a clock of ours.

Fields are drawn, filled and handed over in the orders that a slow phone makes of them, which pages
that are served cannot be held to.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from browsing import opened_page

from dashboard.entry_script import SCRIPT

ADDRESS = "http://127.0.0.1:9"
PAGE = """<!doctype html><div data-testid="stApp"></div><main></main><script type="module">
import keeper from "./script.js";
window.sent = [];
window.hand = (data) => keeper({ data, setTriggerValue: (_, value) => sent.push(value) });
window.draw = (key, fields) => {
  document.querySelector("main").innerHTML = Object.entries(fields).map(([name, value]) =>
    `<div data-testid="stElementContainer" class="st-key-${key}-${name}"><input></div>`).join("");
  for (const [name, value] of Object.entries(fields)) put(`${key}-${name}`, value);
};
window.put = (own, value) => { document.querySelector(`.st-key-${own} input`).value = value; };
hand(null);
</script>"""


class Phone:
    """The page, with what Streamlit does to it."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self._nonce = "session"

    def begins(self, session: str) -> None:
        """A session begins, with no form on its page yet."""
        self._nonce = session
        self.page.evaluate("nonce => hand({ nonce, forms: [], gone: [] })", session)

    def draw(self, key: str, **fields: str) -> None:
        """Fields of a form stand on the page, in place of those before."""
        self.page.evaluate("([key, fields]) => draw(key, fields)", [key, fields])

    def put(self, own: str, value: str) -> None:
        """The page changes a field by itself."""
        self.page.evaluate("([own, value]) => put(own, value)", [own, value])

    def tell(self, name: str, key: str, restored: float = 0, gone: Any = ()) -> None:
        """The script has run: it tells which form is on the page. Its half id is its name."""
        form = {"name": name, "key": key, "once": name, "restored": restored}
        data = {"nonce": self._nonce, "forms": [form], "gone": list(gone)}
        self.page.evaluate("data => hand(data)", data)

    def type(self, own: str, value: str) -> None:
        """Somebody types into a field."""
        self.page.locator(f".st-key-{own} input").fill(value)

    def passes(self, milliseconds: int = 1000) -> None:
        """Time passes."""
        self.page.clock.run_for(milliseconds)

    def drafts(self) -> dict[str, Any]:
        return dict(json.loads(self.page.evaluate("localStorage['gritbook-drafts'] || '{}'")))

    def kept(self) -> dict[str, dict[str, Any]]:
        """What is kept, by form and field."""
        return {name: draft["fields"] for name, draft in self.drafts().items()}

    def sent(self) -> list[dict[str, Any]]:
        """What was handed over, by form and field, each time."""
        return [
            {name: draft["fields"] for name, draft in one["drafts"].items()}
            for one in self.page.evaluate("sent")
        ]


@pytest.fixture(scope="module")
def opened(browser: Any) -> Iterator[Any]:
    page = opened_page(browser)
    served = {"/": ("text/html", PAGE), "/script.js": ("text/javascript", SCRIPT)}

    def answer(route: Any) -> None:
        kind, body = served.get(route.request.url.removeprefix(ADDRESS), ("text/plain", "ok"))
        route.fulfill(content_type=kind, body=body)

    page.route(f"{ADDRESS}/**", answer)
    page.clock.install()
    yield page
    page.context.close()


@pytest.fixture
def phone(opened: Any) -> Phone:
    opened.goto(f"{ADDRESS}/")
    opened.wait_for_function("!!window.gritbookEntry")
    opened.evaluate("localStorage.clear()")
    return Phone(opened)


def test_what_the_page_fills_in_by_itself_is_no_typing(phone: Phone) -> None:
    phone.draw("new-check-0", note="", by="")
    phone.tell("new-check", "new-check-0")
    # Looked at in the instant before a text field has what it begins with.
    phone.passes()
    phone.put("new-check-0-by", "Tender 2")
    phone.page.locator("main").click(force=True, position={"x": 1, "y": 1})
    phone.passes()
    assert phone.kept() == {}
    phone.type("new-check-0-note", "left side")
    phone.passes()
    assert phone.kept() == {"new-check": {"note": "left side"}}
    phone.type("new-check-0-by", "Tender 3")
    phone.passes()
    assert phone.kept() == {"new-check": {"note": "left side", "by": "Tender 3"}}


def test_a_form_that_was_emptied_stays_so(phone: Phone) -> None:
    phone.draw("new-shift-0", note="", by="Tender 2")
    phone.tell("new-shift", "new-shift-0")
    phone.type("new-shift-0-note", "rain")
    phone.passes()
    assert phone.kept() == {"new-shift": {"note": "rain"}}
    phone.draw("new-shift-1", note="", by="")
    phone.tell("new-shift", "new-shift-1", gone=[["new-shift", "new-shift"]])
    phone.passes()
    phone.put("new-shift-1-by", "Tender 2")
    phone.page.locator(".st-key-new-shift-1-note input").click()
    phone.passes()
    assert phone.kept() == {}


def test_a_name_that_the_browser_fills_in_is_kept(phone: Phone) -> None:
    phone.draw("new-check-0", by="")
    phone.tell("new-check", "new-check-0")
    phone.page.evaluate("""() => {
      put("new-check-0-by", "Tender 2");
      const input = document.querySelector(".st-key-new-check-0-by input");
      input.dispatchEvent(new Event("input", { bubbles: true }));
    }""")
    phone.passes()
    assert phone.kept() == {"new-check": {"by": "Tender 2"}}


def test_typing_into_a_form_that_is_still_being_drawn_is_handed_over(phone: Phone) -> None:
    phone.draw("new-check-0", note="", value="")
    phone.tell("new-check", "new-check-0")
    phone.type("new-check-0-note", "left side")
    phone.passes()
    phone.draw("new-shift-0", people="")
    phone.tell("new-shift", "new-shift-0")
    # Back to the first; its fields are there long before the page is.
    phone.draw("new-check-0", note="", value="")
    phone.type("new-check-0-value", "3.5")
    phone.passes()
    phone.tell("new-check", "new-check-0")
    assert phone.sent()[-1:] == [{"new-check": {"note": "left side", "value": "3.5"}}]


def test_typing_while_a_form_is_brought_back_is_not_lost(phone: Phone) -> None:
    phone.draw("new-check-0", note="")
    phone.tell("new-check", "new-check-0")
    phone.type("new-check-0-note", "left")
    phone.passes()
    handed_at = phone.drafts()["new-check"]["at"]
    # Brought back with what was handed over; what was typed since is handed over too, once.
    phone.type("new-check-0-note", "left side")
    phone.passes()
    phone.draw("new-check-1", note="left")
    phone.tell("new-check", "new-check-1", handed_at)
    assert phone.sent() == [{"new-check": {"note": "left side"}}]
    phone.draw("new-check-2", note="left side")
    phone.tell("new-check", "new-check-2", phone.drafts()["new-check"]["at"])
    phone.passes()
    assert len(phone.sent()) == 1


def test_a_form_left_and_opened_again_has_what_was_typed_last(phone: Phone) -> None:
    phone.draw("new-check-1", note="left")
    phone.tell("new-check", "new-check-1", 5.0)
    phone.type("new-check-1-note", "left side")
    phone.passes()
    phone.draw("new-shift-0", people="")
    phone.tell("new-shift", "new-shift-0")
    # Streamlit draws it as it was brought back at first.
    phone.draw("new-check-1", note="left")
    phone.page.locator(".st-key-new-check-1-note input").click()
    phone.passes()
    phone.tell("new-check", "new-check-1", 5.0)
    assert phone.sent() == [{"new-check": {"note": "left side"}}]
    assert phone.kept() == {"new-check": {"note": "left side"}}


def test_what_was_typed_last_is_kept_when_the_phone_puts_the_page_away(phone: Phone) -> None:
    phone.draw("new-check-0", note="")
    phone.tell("new-check", "new-check-0")
    phone.type("new-check-0-note", "left side")
    phone.page.evaluate("""() => {
      Object.defineProperty(document, "hidden", { value: true });
      document.dispatchEvent(new Event("visibilitychange"));
    }""")
    assert phone.kept() == {"new-check": {"note": "left side"}}


def test_a_session_that_begins_while_somebody_types_draws_nothing_again(phone: Phone) -> None:
    phone.begins("signing in")
    phone.draw("k1", crew="")
    phone.type("k1-crew", "crew-a")
    phone.passes()
    phone._nonce = "signed in"
    phone.tell("new-crew", "k1")
    phone.passes()
    assert phone.sent() == []
    assert phone.kept() == {"new-crew": {"crew": "crew-a"}}
