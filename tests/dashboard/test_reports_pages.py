"""Reports offered on pages: what is downloaded is what the command writes."""

from __future__ import annotations

import io
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pypdf
import pytest
import test_sheet
from streamlit.testing.v1 import AppTest

from dashboard import data
from dashboard.reports import writing

Show = Callable[[Path], None]
APP = str(Path(data.__file__).parent / "app.py")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("reports-pages") / "data"
    test_sheet.make(place)
    return place


@pytest.fixture(autouse=True)
def place(tmp_path: Path, made: Path, show: Show) -> Path:
    folder = shutil.copytree(made, tmp_path / "data")
    show(folder)
    return folder


@pytest.mark.parametrize(
    ("view", "what", "of"),
    [("review", "shift", "monday"), ("upkeep", "upkeep", ""), ("crews", "month", None)],
)
def test_a_report_is_made_when_it_is_asked_for(view: str, what: str, of: str | None) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    app = app.switch_page(f"views/{view}.py").run()
    assert not app.exception
    if of is None:
        app.selectbox(key="crews-month").select("2026-05").run()
        of = "2026-05"
    assert not list(offered(app, what))
    app.button(key=f"print-{what}-{of}-make").click().run()
    assert not app.exception
    number = next(offered(app, what))
    assert number.startswith(what.upper())
    version = data.version()
    again = data.report(version, what, of, "pdf", "a4", "metric")
    assert again.content.startswith(b"%PDF")
    assert again.number == number
    told = pypdf.PdfReader(io.BytesIO(again.content)).pages[0].extract_text()
    assert number in re.sub(r"\s", "", told)


def offered(app: AppTest, what: str) -> Iterator[str]:
    for button in app.get("download_button"):
        found = re.search(rf"{what.upper()}-[\d-]+-[0-9a-f]{{8}}", plain(button.proto.label))
        if found:
            yield found[0]


def plain(label: str) -> str:
    """A label without the signs that keep Markdown from reading it."""
    return label.replace("\\", "")


def test_a_page_asks_the_composers_that_the_command_asks(place: Path) -> None:
    from analytics.pipeline import utc_now
    from ingest.config import load_yard
    from ingest.store.connection import read_window

    yard = load_yard(place / "yard.toml")
    with read_window(place) as con:
        for what, of in (("shift", "monday"), ("month", "2026-05")):
            composed = writing.composed(con, yard, utc_now(), what, of, money=True)
            offered_one = data.report(data.version(), what, of, "html", "a4", "metric")
            assert offered_one.number == composed.number
            assert offered_one.content == writing.made(composed, "html")
