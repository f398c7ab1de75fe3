"""Every page on the demonstration's three weeks: on a phone and wide, by day and by night.

What axe-core finds serious against WCAG 2.2 AA, an error in the browser's console, or anything that
stands out of the window fails. Pictures go where ``GRITBOOK_PICTURES`` says, to be looked at.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from browsing import FORBIDDEN, Pages, assert_clean, comes, settle, watched
from ports import free_port

from dashboard import demo
from dashboard.navigation import PAGES, Way

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


class Shown(NamedTuple):
    """Pages of the demonstration's history."""

    address: str
    pictures: Path


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shown]:
    folder = tmp_path_factory.mktemp("demo")
    pages = Pages(folder)
    children = demo.Children(folder / "logs")
    demo.prepare(folder, free_port(), "/dev/null", children, lambda what, share: None)
    children.stop()
    pictures = Path(os.environ.get("GRITBOOK_PICTURES") or tmp_path_factory.mktemp("pictures"))
    pictures.mkdir(parents=True, exist_ok=True)
    with pages:
        yield Shown(pages.address, pictures)
    shutil.rmtree(folder, ignore_errors=True)


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
        settle(page, 700)
        assert not FORBIDDEN.search(page.inner_text("body"))
        wide = "document.documentElement.scrollWidth <= window.innerWidth"
        assert comes(lambda: page.evaluate(wide), True, 10), "something stands out of the window"
        assert findings(page) == []
        assert_clean(page, errors)
        # The page scrolls within the window, so the window is made as high as the page.
        tall = page.evaluate("document.querySelector('[data-testid=stMain]').scrollHeight")
        page.set_viewport_size({"width": width, "height": min(int(tall) + 20, 9000)})
        settle(page, 700)
    finally:
        page.screenshot(path=shown.pictures / f"{way.path}-{size}-{scheme}.png")
        page.context.close()
