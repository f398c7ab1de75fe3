"""What the tests of the pages share."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
from browsing import opened_browser
from streamlit.components.v2 import manifest_scanner
from streamlit.runtime.scriptrunner.script_cache import ScriptCache
from streamlit.testing.v1 import app_test


@pytest.fixture(scope="session", autouse=True)
def as_in_one_server() -> Iterator[None]:
    """Let AppTests share what sessions of one server share, and what is the same for all of them.

    Each would read the metadata of every installed package, in search of Streamlit's components,
    and would compile the pages' scripts anew for every run. Both took longer than most pages.
    """
    found = functools.cache(manifest_scanner.scan_component_manifests)
    scripts = ScriptCache()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(manifest_scanner, "scan_component_manifests", found)
        patch.setattr(app_test, "ScriptCache", lambda: scripts)
        yield


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
