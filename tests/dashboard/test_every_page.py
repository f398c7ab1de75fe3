"""Every page on the demonstration's three weeks: on a phone and wide, by day and by night.

What axe-core finds serious against WCAG 2.2 AA, an error in the browser's console, or anything that
stands out of the window fails. Pictures go where ``GRITBOOK_PICTURES`` says, to be looked at.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from test_browser import FORBIDDEN, browser, chromium, wait_for, watched

from dashboard import demo
from dashboard.navigation import PAGES, Way

__all__ = ["browser"]

pytestmark = pytest.mark.slow

SIZES = {"wide": (1280, 900), "phone": (390, 844)}
#: WCAG 2.2 AA, and axe-core's own good practices; the size of targets is off by default.
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "rules": {"target-size": {"enabled": True}},
    "resultTypes": ["violations"],
}
#: Drawn by Streamlit around every page, out of our reach; each with what it is.
NOT_OURS: dict[str, str] = {}

STILL = """() => !document.querySelector(
  '[data-testid="stSpinner"], [data-testid="stSkeleton"], [data-stale="true"]')
  && document.querySelector('[data-testid="stApp"]')?.getAttribute('data-test-script-state')
     !== 'running'
  && document.querySelector('h1')"""


class Shown(NamedTuple):
    """Pages of the demonstration's history."""

    address: str
    pictures: Path


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shown]:
    chromium()
    folder = tmp_path_factory.mktemp("demo")
    children = demo.Children(folder / "logs")
    port = demo.free_port()
    demo.prepare(folder, demo.free_port(), "/dev/null", children, lambda what, share: None)
    children.stop()
    pages = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "pages", "--data", str(folder),
         "--yard", str(folder / "yard.toml"), "--port", str(port), "--no-browser"],
        stdout=(folder / "pages.log").open("wb"), stderr=subprocess.STDOUT,
    )  # fmt: skip
    pictures = Path(os.environ.get("GRITBOOK_PICTURES") or tmp_path_factory.mktemp("pictures"))
    pictures.mkdir(parents=True, exist_ok=True)
    try:
        wait_for(f"http://127.0.0.1:{port}")
        yield Shown(f"http://127.0.0.1:{port}", pictures)
    finally:
        pages.terminate()
        try:
            pages.wait(20)
        except subprocess.TimeoutExpired:
            pages.kill()
            pages.wait()
        shutil.rmtree(folder, ignore_errors=True)


def settle(page: Any) -> None:
    """Wait until the page's script has run and its charts are drawn."""
    page.wait_for_selector("h1")
    page.wait_for_function(STILL, timeout=60_000)
    page.wait_for_timeout(700)
    page.wait_for_function(STILL, timeout=60_000)


def findings(page: Any) -> list[str]:
    """What axe-core finds serious or critical, in lines."""
    from axe_playwright_python.sync_playwright import Axe

    response = Axe().run(page, options=RULES).response
    found = response["violations"]
    # A page on which hardly a rule applied was not looked at.
    assert len(response["passes"]) > 20
    return [
        f"{one['impact']} {one['id']}: {node['target']} {node['html'][:160]}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
        if not any(part in str(node["target"]) for part in NOT_OURS)
    ]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("way", PAGES, ids=lambda way: way.path)
def test_a_page_is_fit_to_be_read(
    shown: Shown, browser: Any, way: Way, size: str, scheme: str
) -> None:
    errors: list[str] = []
    width, height = SIZES[size]
    page = watched(
        browser, errors, viewport={"width": width, "height": height}, color_scheme=scheme
    )
    try:
        page.goto(f"{shown.address}/{way.path}")
        settle(page)
        seen = page.evaluate("window.seenForbidden")
        assert not seen, seen
        assert not FORBIDDEN.search(page.inner_text("body"))
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), (
            "something stands out of the window"
        )
        assert findings(page) == []
        assert errors == []
        # The page scrolls within the window, so the window is made as high as the page.
        tall = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
        page.set_viewport_size({"width": width, "height": min(int(tall) + 20, 9000)})
        settle(page)
    finally:
        page.screenshot(path=shown.pictures / f"{way.path}-{size}-{scheme}.png")
        page.context.close()
