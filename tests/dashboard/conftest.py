"""What the tests of the pages share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from browsing import opened_browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser. A module's own: Playwright keeps a loop in the thread while it is open."""
    with opened_browser() as opened:
        yield opened


@pytest.fixture
def show(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Path], None]]:
    """Say which data folder the pages are of; they know of nothing that was read before."""

    def forget() -> None:
        st.cache_data.clear()
        st.cache_resource.clear()

    def show(folder: Path) -> None:
        monkeypatch.setenv("GRITBOOK_DATA", str(folder))
        monkeypatch.setenv("GRITBOOK_YARD", str(folder / "yard.toml"))
        forget()

    yield show
    forget()
