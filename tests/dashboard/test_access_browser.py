"""Signing in through a real browser: TLS, an identity provider, an entry, the way out."""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yards
from browsing import Pages, opened_page
from test_access import self_signed
from test_access_gate import Provider, provider_server, write_settings

from dashboard.access import audit, people
from dashboard.access.session import SECURE_COOKIE
from ingest.store.connection import read_window, write_window

pytestmark = pytest.mark.slow

YARD = yards.site() + yards.pot()


@pytest.fixture
def data(tmp_path: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    (folder / "yard.toml").write_text(YARD, encoding="utf-8")
    people.add(folder, "Owner One", "owner", "four odd words together")
    with write_window(folder):
        pass  # a store, so that the page that refreshes itself has something to refresh
    people.add(folder, "Supervisor One", "supervisor", None, "one@example.org")
    return folder


@pytest.fixture
def address(data: Path, tmp_path: Path) -> Iterator[str]:
    """The pages over TLS on every address of this computer, and where they are."""
    certificate, key = self_signed(tmp_path)
    pages = Pages(
        data, "--address", "0.0.0.0", "--certificate", str(certificate), "--key", str(key),
        trusting=ssl.create_default_context(cafile=str(certificate)),
    )  # fmt: skip
    provider = Provider()
    server = provider_server(provider)
    write_settings(data, provider.issuer, pages.address)
    try:
        with pages:
            yield pages.address
    finally:
        server.shutdown()
        server.server_close()


def test_through_an_identity_provider_to_an_entry_and_out(
    data: Path, address: str, browser: Any
) -> None:
    settings = {"ignore_https_errors": True, "viewport": {"width": 390, "height": 844}}
    page = opened_page(browser, **settings)
    page.goto(f"{address}/logbook")
    page.get_by_role("link", name="Sign in with the test provider").click()
    page.get_by_role("heading", name="Log book", level=1).wait_for()
    assert page.url == f"{address}/logbook"
    crew = page.get_by_role("radio", name="Crew").or_(page.get_by_role("button", name="Crew"))
    crew.first.click()
    page.get_by_label("Name of the crew").fill("crew-a")
    page.get_by_label("People in it").fill("3")
    page.get_by_role("button", name="Save crew").wait_for()
    assert page.get_by_label("Your name").count() == 0
    page.get_by_role("button", name="Save crew").click()
    page.get_by_text("Saved: crew").wait_for()
    assert entered(data) == [("crew", "Supervisor One", "page")]
    (kept,) = [c for c in page.context.cookies() if c["name"] == SECURE_COOKIE]
    assert kept["httpOnly"] and kept["secure"] and kept["sameSite"] == "Lax"
    assert SECURE_COOKIE not in page.evaluate("document.cookie")
    page.locator(".gb-me").click()
    page.get_by_role("button", name="Sign out", exact=True).click()
    page.get_by_role("heading", name="Sign in", level=1).wait_for()
    # A copy of the cookie in another browser, kept from before signing out.
    again = opened_page(browser, **settings)
    again.context.add_cookies([kept])
    again.goto(f"{address}/logbook")
    again.get_by_role("heading", name="Sign in", level=1).wait_for()
    whats = [line["what"] for line in audit.lines(data)]
    page.context.close()
    again.context.close()
    assert whats == ["added", "added", "signed in", "signed out"]


def entered(folder: Path) -> list[tuple[str, str, str]]:
    with read_window(folder) as con:
        return con.execute("SELECT kind, recorded_by, via FROM record").fetchall()


def test_by_password_on_a_phone_in_the_dark_and_what_a_page_shows_meanwhile(
    data: Path, address: str, browser: Any
) -> None:
    page = opened_page(
        browser, ignore_https_errors=True, viewport={"width": 390, "height": 844},
        color_scheme="dark",
    )  # fmt: skip
    page.goto(address)
    page.get_by_role("button", name="Sign in").wait_for()
    for element in page.locator("button, .gb-way, input[type=text], input[type=password]").all():
        if element.is_visible():
            assert element.bounding_box()["height"] >= 56, "too small for a glove"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_label("Name").fill("owner one")
    page.get_by_label("Password", exact=True).fill("four odd words together")
    page.get_by_label("Show what I type").check()
    assert page.get_by_label("Password", exact=True).get_attribute("type") == "text"
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("heading", name="Yard now").wait_for()
    assert "Owner One" in page.locator(".gb-me").inner_text()
    # Stopped from elsewhere, while the page stands open: what refreshes itself says so.
    people.add(data, "Owner Two", "owner", "brass kettle under snow")
    people.set_disabled(data, "Owner One", disabled=True)
    page.get_by_role("link", name="Sign in again").first.wait_for()
    page.get_by_role("link", name="Sign in again").first.click()
    page.get_by_role("heading", name="Sign in", level=1).wait_for()
    page.context.close()
