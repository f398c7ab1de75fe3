"""The yard set up on a page: checked, looked at, saved whole or not at all, and written down."""

from __future__ import annotations

import datetime as dt
import hashlib
import stat
from pathlib import Path

import pytest
import streamlit as st
from streamlit.testing.v1 import AppTest

import dashboard
from dashboard import setup_effects
from ingest import record_rows, yard_save
from ingest.config import load_yard, parse_yard
from ingest.errors import YardFileError
from ingest.store.connection import read_window
from ingest.yard_save import read_text, replace

APP = Path(dashboard.__file__).parent
YARD = """\
# Who changes this asks the owner.
[site]
name = "test-yard"
time_zone = "Europe/Berlin"   # its clock
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 862_000            # READ THE PLATE
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 862_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "deadman"]
[[transducer]]
pot = "pot-2"
channel = "pot"
range_pa = [0, 1_000_000]
[[transducer.calibration]]    # by the maker
from_at = 2026-03-01
offset_pa = 500
"""


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    (tmp_path / "yard.toml").chmod(0o640)
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.delenv("GRITBOOK_YARD", raising=False)
    st.cache_data.clear()
    st.cache_resource.clear()
    return tmp_path


def opened() -> AppTest:
    app = AppTest.from_file(str(APP / "views/setup.py"), default_timeout=60)
    return app.run()


def said(app: AppTest) -> str:
    assert not app.exception
    return " ".join(str(piece.proto.body) for piece in app.get("html"))


def press(app: AppTest, label: str) -> AppTest:
    # Names stand in labels escaped, for Streamlit reads labels as Markdown.
    return next(b for b in app.button if b.label.replace("\\", "") == label).click().run()


def saved(app: AppTest, by: str = "Owner 1") -> AppTest:
    app.text_input(key=next(t.key for t in app.text_input if t.label == "Your name")).set_value(by)
    return press(app, "Save to the yard file")


def test_a_plate_is_changed_looked_at_saved_and_written_down(place: Path) -> None:
    app = opened()
    assert app.number_input(key="setup-pot-0-plate_pa").value == 862.0
    app.number_input(key="setup-pot-0-plate_pa").set_value(900.0)
    press(app, "Look at the change")
    told = said(app)
    assert "-plate_pa = 862_000" in told and "+plate_pa = 900000" in told
    assert "All figures of pot-1 are made anew from its first reading on" in told
    assert (place / "yard.toml").read_text() == YARD

    saved(app)
    assert "Saved: pot-1 changed." in said(app)
    now = (place / "yard.toml").read_bytes()
    assert now.decode() == YARD.replace("862_000            #", "900000             #", 1)
    assert stat.S_IMODE((place / "yard.toml").stat().st_mode) == 0o640
    kept = list((place / yard_save.KEPT).iterdir())
    assert [one.read_text() for one in kept] == [YARD]
    with read_window(place) as con:
        (row,) = record_rows.current(con, "yard_change")
    assert (row["recorded_by"], row["what"], row["kept"]) == (
        "Owner 1", "pot-1 changed", kept[0].name,
    )  # fmt: skip
    assert row["before"] == hashlib.sha256(YARD.encode()).hexdigest()
    assert row["after"] == hashlib.sha256(now).hexdigest()
    assert "+plate_pa = 900000" in row["change"]


def test_a_calibration_by_two_points_takes_its_place_by_date(place: Path) -> None:
    app = opened()
    app.segmented_control(key="setup-room").set_value("transducer").run()
    key = "setup-calibration-0"
    app.datetime_input(key=f"{key}-from_at").set_value(dt.datetime(2026, 2, 1))
    for name, value in (("read0", 1.2), ("true0", 0.0), ("read1", 699.8), ("true1", 700.0)):
        app.number_input(key=f"{key}-{name}").set_value(value)
    press(app, "Look at the calibration")
    told = said(app)
    # By hand: gain 700 / 698.6 = 1.0020, and it reads 1.2 kPa at zero.
    assert "offset 1.2 kPa, gain 1.002." in told
    assert "All figures of pot-2 are made anew" in told and "pot-1" not in told.split("cause")[1]
    saved(app)
    first, second = load_yard(place / "yard.toml").transducers[0].calibrations
    assert first.from_at.isoformat() == "2026-01-31T23:00:00+00:00"
    assert (round(first.gain, 4), round(first.offset_pa)) == (1.002, 1200)
    assert second.offset_pa == 500
    assert "# by the maker" in (place / "yard.toml").read_text()


def test_loosening_a_check_demands_a_reason_and_a_name(place: Path) -> None:
    app = opened()
    app.segmented_control(key="setup-room").set_value("rule").run()
    key = "setup-rule-new"
    app.selectbox(key=f"{key}-part").set_value("couplings")
    app.number_input(key=f"{key}-every_days").set_value(30.0)
    press(app, "Look at the change")
    assert "looser than the default" in said(app) and "reason" in said(app)
    assert "setup-change" not in app.session_state
    app.text_input(key=f"{key}-reason").set_value("looked at daily")
    app.text_input(key=f"{key}-by").set_value("Maintainer 1")
    press(app, "Look at the change")
    assert "Looser than common practice: couplings" in said(app)
    saved(app)
    assert load_yard(place / "yard.toml").rules[0].reason == "looked at daily"


def test_pots_come_and_go_and_all_faults_are_named_at_once(place: Path) -> None:
    app = opened()
    app.selectbox(key="setup-which-pot").set_value(-1).run()
    app.text_input(key="setup-pot-new-name").set_value("Pot 3")
    app.number_input(key="setup-pot-new-volume_m3").set_value(0.085)
    app.number_input(key="setup-pot-new-plate_pa").set_value(1.0)
    press(app, "Look at the change")
    told = said(app)
    assert "has 2 faults" in told and "lower-case letters" in told and "plate_pa" in told
    assert told.count("line ") >= 2
    app.text_input(key="setup-pot-new-name").set_value("pot-3")
    app.number_input(key="setup-pot-new-plate_pa").set_value(862.0)
    press(app, "Look at the change")
    assert "pot-3 is new" in said(app) and "Ingest reads this only when it starts" in said(app)
    saved(app)
    assert load_yard(place / "yard.toml").pot_names == ("pot-1", "pot-2", "pot-3")

    # A pot that a box sits on cannot go by itself.
    app.selectbox(key="setup-which-pot").set_value(0).run()
    press(app, "Take pot-1 away")
    assert "box" in said(app) and "Nothing was saved" in said(app)
    app.selectbox(key="setup-which-pot").set_value(2).run()
    press(app, "Take pot-3 away")
    saved(app)
    assert load_yard(place / "yard.toml").pot_names == ("pot-1", "pot-2")


def test_the_whole_text_is_checked_in_the_same_way(place: Path) -> None:
    app = opened()
    area = app.text_area(key="setup-text-text")
    assert area.value == YARD
    area.set_value(YARD.replace("name = ", "nam = ", 1))
    app.button(key="FormSubmitter:setup-text-Look at the change").click().run()
    assert "nam" in said(app) and "line 3" in said(app)
    app.text_area(key="setup-text-text").set_value(YARD + "[review]\nstop_s = 240  # ours\n")
    app.button(key="FormSubmitter:setup-text-Look at the change").click().run()
    saved(app)
    assert (place / "yard.toml").read_text().endswith("stop_s = 240  # ours\n")


def test_a_file_that_changed_meanwhile_is_not_overwritten(place: Path) -> None:
    app = opened()
    app.number_input(key="setup-pot-0-plate_pa").set_value(900.0)
    press(app, "Look at the change")
    (place / "yard.toml").write_text(YARD + "# by hand\n", encoding="utf-8")
    saved(app)
    assert "changed by somebody else meanwhile" in said(app)
    assert (place / "yard.toml").read_text() == YARD + "# by hand\n"


# --- saving ----------------------------------------------------------------------------------


def test_what_fails_on_the_way_leaves_the_file_as_it_is(place: Path) -> None:
    path = place / "yard.toml"
    standing = read_text(path)

    def refuse(after: str, kept: str) -> None:
        raise YardFileError("The store is busy.")

    with pytest.raises(YardFileError, match="busy"):
        replace(place, path, "# new\n", standing.digest, refuse)

    def edit_meanwhile(after: str, kept: str) -> None:
        path.write_text("# an editor\n", encoding="utf-8")

    with pytest.raises(YardFileError, match="meanwhile"):
        replace(place, path, "# new\n", standing.digest, edit_meanwhile)
    assert path.read_text() == "# an editor\n"
    assert list(place.glob(".yard-*")) == []


def test_ends_of_lines_and_a_mark_of_byte_order_stay(tmp_path: Path) -> None:
    path = tmp_path / "yard.toml"
    path.write_bytes(b"\xef\xbb\xbf# one\r\n# two\r\n")
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    standing = read_text(link)
    assert standing.text == "# one\r\n# two\r\n"
    kept = replace(tmp_path, link, "# one\r\n", standing.digest, lambda after, name: None)
    assert path.read_bytes() == b"\xef\xbb\xbf# one\r\n"
    assert link.is_symlink() and kept.read_bytes() == b"\xef\xbb\xbf# one\r\n# two\r\n"


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("volume_m3 = 0.184", "volume_m3 = 0.19", "All figures of pot-1 are made anew"),
        ('channels = ["supply', 'gap_s = 5.0\nchannels = ["supply', "pot-1 are made anew"),
        ('host = "127.0.0.1"', 'host = "127.0.0.2"', "Ingest reads this only when it starts"),
        ('name = "test-yard"', 'name = "test-yard"\ntitle = "x"', "Pages show it at once"),
    ],
)
def test_what_a_change_causes_is_told(old: str, new: str, told: str) -> None:
    after = parse_yard(YARD.replace(old, new, 1))
    assert any(told in line for line in setup_effects.effects(parse_yard(YARD), after))
