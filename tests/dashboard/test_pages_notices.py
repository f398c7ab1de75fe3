"""The yard now with notices: seen at once, acknowledged with one tap, put off with a reason."""

from __future__ import annotations

import datetime as dt
import html
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import polars as pl
import pytest
import streamlit as st
import yards
from streamlit.testing.v1 import AppTest

from analytics import notice_frames
from analytics.notices import lifecycle
from analytics.noticing import derive_notices
from analytics.pipeline import derive, utc_now
from dashboard import data
from ingest.config import load_yard
from ingest.store.connection import read_window, write_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

APP = str(Path(data.__file__).parent / "app.py")
YARD = yards.site() + yards.pot(title="Pot 1", plate_pa=862_000) + yards.box()


@pytest.fixture(autouse=True)
def place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, put_samples: PutSamples
) -> Iterator[Path]:
    """A pot that blasted, went above its plate for a minute, and was let go."""
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setenv("GRITBOOK_YARD", str(tmp_path / "yard.toml"))
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    st.cache_data.clear()
    st.cache_resource.clear()
    now = utc_now().replace(microsecond=0)
    at = [now - dt.timedelta(seconds=0.5 * i) for i in reversed(range(1200))]
    high = [200 <= i < 320 for i in range(1200)]
    wave = [1e3 * (i % 7) for i in range(1200)]
    pot = [(9.2e5 if h else 6.9e5) + w for h, w in zip(high, wave, strict=True)]
    frame = pl.DataFrame(
        {"sampled_at": at, "deadman": [True] * 1200, "supply_pa": [p + 9e3 for p in pot],
         "pot_pa": pot, "nozzle_pa": [p * 0.9 for p in pot]}
    )  # fmt: skip
    put_samples(tmp_path, "pot-1", frame)
    yard = load_yard(tmp_path / "yard.toml")
    derive(tmp_path, yard)
    derive_notices(tmp_path, yard)
    yield tmp_path
    st.cache_data.clear()
    st.cache_resource.clear()


def text(app: AppTest) -> str:
    pieces = [element.proto.body for element in app.get("html")]
    plain = " ".join(piece for piece in pieces if not piece.startswith("<style>"))
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", plain)))


def the_notice(folder: Path) -> dict[str, object]:
    with read_window(folder) as con:
        standing = lifecycle(
            notice_frames.notices(con), notice_frames.notice_entries(con), utc_now()
        )
    return standing.filter(pl.col("kind") == "over_plate").row(0, named=True)


def button(app: AppTest, label: str, begins: str = "") -> object:
    found = [b for b in app.button if b.label == label and (b.key or "").startswith(begins)]
    assert found, [b.label for b in app.button]
    return found[0]


def test_one_tap_acknowledges(place: Path) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert not app.exception, [e.message for e in app.exception]
    said = text(app)
    assert "Pressure above the pot's plate, Pot 1" in said and "the plate says 862 kPa" in said
    assert "procedure" in said and "safe to" not in said.lower()
    app.text_input(key="notice-by").input("Maintainer 1").run()
    button(app, "Acknowledge", "seen-").click().run()  # type: ignore[attr-defined]
    assert not app.exception, [e.message for e in app.exception]
    row = the_notice(place)
    assert (row["state"], row["by"]) == ("acknowledged", "Maintainer 1")
    assert "Acknowledged by Maintainer 1" in text(app)


def test_nobody_acknowledges_without_a_name(place: Path) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    button(app, "Acknowledge", "seen-").click().run()  # type: ignore[attr-defined]
    assert "Fill in your name" in text(app)
    assert the_notice(place)["state"] == "raised"


def test_putting_off_asks_why_and_is_for_a_shift_at_most_where_it_can_hurt(place: Path) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    button(app, "Put off", "later-").click().run()  # type: ignore[attr-defined]
    key = the_notice(place)["notice_id"]
    lengths = app.get("button_group")
    assert "a week" not in repr([getattr(one, "options", "") for one in lengths])
    button(app, "Put off").click().run()  # type: ignore[attr-defined]
    assert "Fill in: why it can wait, your name" in text(app)
    app.text_input(key=f"put-off-{key}-why").input("gauge on the compressor is being changed")
    app.text_input(key=f"put-off-{key}-by").input("Supervisor A")
    button(app, "Put off").click().run()  # type: ignore[attr-defined]
    assert not app.exception, [e.message for e in app.exception]
    row = the_notice(place)
    assert (row["state"], row["by"]) == ("put_off", "Supervisor A")
    until_at = row["until_at"]
    assert isinstance(until_at, dt.datetime)
    assert dt.timedelta(minutes=55) < until_at - utc_now() <= dt.timedelta(hours=1)
    assert "gauge on the compressor" in text(app)


def test_what_could_not_be_sent_shows(place: Path) -> None:
    with write_window(place) as con:
        con.execute(
            "INSERT INTO notice_sent VALUES ('x.raised.over_plate', 'foreman/1', NULL, 2, "
            "TIMESTAMP '2026-03-02 08:00:00', 'The service (json://…) did not take it.')"
        )
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert "1 message not sent to foreman/1." in text(app)
