"""What the tests of the pages share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from browsing import opened_browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser. A module's own: Playwright keeps a loop in the thread while it is open."""
    with opened_browser() as opened:
        yield opened
