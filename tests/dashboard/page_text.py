"""What a page says, for the tests that read it, and a data folder of their own to look at."""

from __future__ import annotations

import html
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

from dashboard import words


def markup(app: AppTest) -> str:
    """The HTML of a page, but for its style sheet."""
    pieces = [element.proto.body for element in app.get("html")]
    return "\n".join(piece for piece in pieces if not piece.startswith("<style>"))


def text(app: AppTest) -> str:
    """What a page says, as it is read out: without what is hidden from readers, spaces alike."""
    said = re.sub(r'<span aria-hidden="true">[^<]*</span>', "", markup(app))
    plain = html.unescape(re.sub(r"<[^>]+>", " ", said))
    return re.sub(r"\s+", " ", plain.replace(words.NBSP, " ").replace("\u202f", " "))


@contextmanager
def looked_at(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A copy of a data folder that pages look at, with nothing kept from before or for later."""
    folder = shutil.copytree(made, tmp_path / "data")
    monkeypatch.setenv("GRITBOOK_DATA", str(folder))
    monkeypatch.setenv("GRITBOOK_YARD", str(folder / "yard.toml"))
    st.cache_data.clear()
    st.cache_resource.clear()
    yield folder
    st.cache_data.clear()
    st.cache_resource.clear()
