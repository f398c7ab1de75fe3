"""Each page with no data, with one shift, and with a store that somebody holds."""

from __future__ import annotations

import datetime as dt
import html
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import polars as pl
import pytest
import streamlit as st
import yards
from page_text import markup, text
from streamlit.testing.v1 import AppTest

from analytics.pipeline import derive
from dashboard import data, entered_data, words
from ingest import record_rows, records
from ingest.config import Yard, load_yard
from ingest.parts import PART_CAUTIONS
from ingest.store.connection import read_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]

APP = str(Path(data.__file__).parent / "app.py")
NOW, REVIEW = "views/now.py", "views/review.py"
UPKEEP, LOGBOOK = "views/upkeep.py", "views/logbook.py"
VIEWS = (NOW, REVIEW, UPKEEP, LOGBOOK)
TITLES = {NOW: "Yard now", REVIEW: "Shift review", UPKEEP: "Upkeep", LOGBOOK: "Log book"}

YARD = (
    yards.site(more='title = "Yard <b>one</b>"\ninvented = {invented}')
    + yards.pot(title="Pot 1")
    + yards.pot("pot-2", volume_m3="0.085", plate_pa=862_000)
    + yards.box()
    + """
[[rule]]
part = "nozzle"
every_days = 14
reason = "bore gauge read every day"
by = "Maintainer 1"
"""
)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A data folder with a yard file, and pages that know of nothing read before."""
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setenv("GRITBOOK_YARD", str(tmp_path / "yard.toml"))
    (tmp_path / "yard.toml").write_text(YARD.format(invented="true"), encoding="utf-8")
    forget()
    yield tmp_path
    forget()


def forget() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


def opened(view: str) -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60).run()
    return app if view == NOW else app.switch_page(view).run()


def assert_sound(app: AppTest) -> None:
    assert not app.exception, [e.message for e in app.exception]
    said = text(app).lower()
    assert "safe to open" not in said and "safe to enter" not in said
    assert "traceback" not in said


@pytest.fixture(scope="session")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the store with one shift is kept once it was made."""
    return tmp_path_factory.mktemp("one-shift") / "gritbook.duckdb"


@pytest.fixture
def one_shift(place: Path, put_samples: PutSamples, made: Path) -> Yard:
    """Two hours of blasting at 4 Hz, with one silence of six minutes, booked and derived."""
    yard = load_yard(place / "yard.toml")
    if not made.exists():
        make_one_shift(place, yard, put_samples)
        shutil.copyfile(place / made.name, made)
    shutil.copyfile(made, place / made.name)
    return yard


def make_one_shift(place: Path, yard: Yard, put_samples: PutSamples) -> None:
    begin = dt.datetime.now(dt.UTC).replace(tzinfo=None, microsecond=0) - dt.timedelta(hours=3)
    at = np.arange(0, 7200, 0.25)
    is_open = at % 100 < 60
    pot = np.where(is_open, 700e3 * np.minimum((at % 100) / 4, 1.0), 0.0)
    frame = pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=float(s)) for s in at],
            "deadman": is_open,
            # A manifold gives a little while air is drawn; one that never moves counts as stuck.
            "supply_pa": np.where(is_open, 720e3, 724e3),
            "pot_pa": pot,
            "nozzle_pa": pot * 0.9,
        }
    ).filter(~pl.Series((at >= 3000) & (at < 3360)))
    put_samples(place, "pot-1", frame)
    end = begin + dt.timedelta(hours=2)
    utc = (begin.replace(tzinfo=dt.UTC), end.replace(tzinfo=dt.UTC))

    def enter(kind: str, **body: object) -> None:
        records.add(place, yard, kind, body, by="Supervisor A", via="command")

    enter("crew", crew="crew-a", size=3)
    enter("job", job="tank-1", item="shell", rust_grade="B", prep_grade="Sa 2 1/2")
    enter(
        "shift", shift="monday", crew="crew-a", job="tank-1", pots=["pot-1"],
        from_at=utc[0].isoformat(), to_at=utc[1].isoformat(), people=3,
    )  # fmt: skip
    middle = (utc[0] + dt.timedelta(hours=1)).isoformat()
    enter("area", job="tank-1", shift="monday", pot="pot-1", area_m2=24.0, at=middle)
    enter("abrasive", pot="pot-1", at=middle, bags=24, bag_kg=25.0, abrasive="garnet")
    enter("part_fitted", pot="pot-1", part="pinch_hose", at=utc[0].isoformat(), tag="hose-1")
    derive(place, yard)


@contextmanager
def held(place: Path, meanwhile: str = "nullcontext()") -> Iterator[None]:
    """Another process that has the store open for writing and does not let go."""
    holder = subprocess.Popen(
        [sys.executable, "-c",
         "import duckdb, sys\nfrom contextlib import nullcontext\n"
         "from ingest.store import updating\ncon = duckdb.connect(sys.argv[1])\n"
         f"with {meanwhile}:\n updating.far(3, 7)\n print('held', flush=True)\n sys.stdin.read()",
         str(place / "gritbook.duckdb")],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert holder.stdout is not None and holder.stdin is not None
    try:
        assert holder.stdout.readline().strip() == "held"
        yield
    finally:
        holder.stdin.close()
        holder.wait(90)
        holder.stdout.close()


# --- no data ---------------------------------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS)
def test_without_a_store_each_page_says_what_to_do_next(view: str) -> None:
    app = opened(view)
    assert_sound(app)
    said = text(app)
    assert TITLES[view] in said
    assert re.search(r"gritbook (ingest|import|pages)|Begin above|log book", said)


@pytest.mark.parametrize("view", VIEWS)
def test_without_a_yard_file_each_page_says_so(view: str, place: Path) -> None:
    (place / "yard.toml").unlink()
    app = opened(view)
    assert_sound(app)
    assert "There is no yard file" in text(app) and "gritbook init" in text(app)


def test_a_fault_in_the_yard_file_is_a_sentence_with_its_line(place: Path) -> None:
    faulty = YARD.format(invented="true").replace("plate_pa = 862_000", "plate_pa = -5")
    (place / "yard.toml").write_text(faulty, encoding="utf-8")
    app = opened(NOW)
    assert_sound(app)
    assert "plate_pa" in text(app) and "line" in text(app)


@pytest.mark.parametrize("view", VIEWS)
def test_every_page_says_that_an_invented_yard_is_invented(view: str) -> None:
    assert words.INVENTED in text(opened(view))


def test_a_real_yard_is_not_called_invented(place: Path) -> None:
    (place / "yard.toml").write_text(YARD.format(invented="false"), encoding="utf-8")
    assert words.INVENTED not in text(opened(NOW))


@pytest.mark.parametrize("view", (NOW, REVIEW, UPKEEP))
def test_pages_that_touch_pressure_carry_the_caution(
    view: str, request: pytest.FixtureRequest
) -> None:
    assert words.CAUTION in text(opened(view))
    request.getfixturevalue("one_shift")
    forget()
    assert words.CAUTION in text(opened(view))


def test_what_the_yard_file_says_is_text(place: Path) -> None:
    app = opened(NOW)
    assert "<b>one</b>" not in markup(app)
    assert "Yard <b>one</b>" in html.unescape(markup(app))


# --- one shift -------------------------------------------------------------------------------


def test_the_yard_now_says_plainly_that_a_pot_is_silent(place: Path, one_shift: Yard) -> None:
    app = opened(NOW)
    assert_sound(app)
    said = text(app)
    assert "Silent" in said and "Nothing heard for 1 h" in said
    assert "what it does now is not known" in said
    assert "Not heard yet" in said  # pot-2


def test_the_yard_now_shows_what_was_read_just_now(place: Path, put_samples: PutSamples) -> None:
    yard = load_yard(place / "yard.toml")
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    seconds = np.arange(-300, 0, 0.25)
    is_open = seconds >= -60
    put_samples(
        place,
        "pot-1",
        pl.DataFrame(
            {
                "sampled_at": [now + dt.timedelta(seconds=float(s)) for s in seconds],
                "deadman": is_open,
                "supply_pa": np.full(seconds.size, 721e3),
                "pot_pa": np.where(is_open, 698e3, 1200.0),
                "nozzle_pa": np.where(is_open, 612e3, 300.0),
            }
        ),
    )
    records.add(
        place, yard, "part_fitted", {"pot": "pot-1", "part": "pinch_hose", "at": "2026-01-05"},
        by="Maintainer 1", via="command",
    )  # fmt: skip
    derive(place, yard)
    app = opened(NOW)
    assert_sound(app)
    said = text(app)
    assert "Dead-man open" in said and "Open for" in said
    for number in ("721 kPa", "698 kPa", "612 kPa"):
        assert number in said
    assert "blast hours" in said and "Pinch hose:" in said
    assert 'alt="Pressures from' in markup(app)


def test_a_pot_that_reads_near_zero_is_never_called_vented(
    place: Path, put_samples: PutSamples
) -> None:
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    put_samples(
        place,
        "pot-1",
        pl.DataFrame(
            {
                "sampled_at": [now - dt.timedelta(seconds=s) for s in range(30, 0, -1)],
                "deadman": [False] * 30,
                "supply_pa": [720e3] * 30,
                "pot_pa": [800.0] * 30,
                "nozzle_pa": [0.0] * 30,
            }
        ),
    )
    derive(place, load_yard(place / "yard.toml"))
    app = opened(NOW)
    assert_sound(app)
    said = text(app).replace(words.CAUTION, "")
    assert "under 10" in said
    assert not re.search(r"\bvented\b|\bempty\b|\bsafe\b|no pressure", said, re.IGNORECASE)


def test_a_shift_is_reviewed_with_its_interval_coverage_and_shares(
    place: Path, one_shift: Yard
) -> None:
    app = opened(REVIEW)
    assert_sound(app)
    said = text(app)
    with read_window(place) as con:
        blast, low, high, cycles, silent, rate, pace = con.execute(
            "SELECT blast_s, blast_low_s, blast_high_s, cycles, no_data_s, abrasive_kg_m2, "
            "area_m2_blast_h FROM shift_summary"
        ).fetchall()[0]
    assert f"Blast-on {blast / 3600:.2f} h" in said
    assert f"between {low / 3600:.2f} and {high / 3600:.2f} h" in said
    assert f"Pinch cycles {cycles}" in said
    assert rate == 25.0 and "Abrasive 25.0 kg/m²" in said
    assert f"Pace {pace:.1f} m²/h" in said
    assert "Not heard once, for 6 min" in said and silent > 300
    assert "Manifold 720 kPa" in said
    # The shares are the whole shift: they add up to two hours.
    parts = (
        "Blasting", "Pot filling with air", "Refilling the pot", "Short pauses",
        "Stops without a reason", "No data",
    )  # fmt: skip
    shares = re.findall(rf"({'|'.join(parts)}) ([\d.]+) h", said)
    assert shares[0][0] == "Blasting" and shares[-1][0] == "No data"
    assert sum(float(h) for _, h in shares) == pytest.approx(2.0, abs=0.03)


def test_a_figure_can_be_followed_to_its_cycles_and_readings(place: Path, one_shift: Yard) -> None:
    app = opened(REVIEW)
    # What takes a browser long is sent to whoever opens it.
    assert not app.dataframe and len(app.get("vega_lite_chart")) == 1
    for opened_now in ("review-table", "review-one"):
        app.session_state[opened_now] = True
    app.run()
    assert_sound(app)
    assert len(app.get("vega_lite_chart")) == 2
    table = app.dataframe[0].value
    with read_window(place) as con:
        ((cycles,),) = con.execute("SELECT count(*) FROM cycle").fetchall()
    assert len(table) == cycles
    assert table["No."].max() == cycles
    first = text(app)
    app.button(key="review-later").click().run()
    assert_sound(app)
    assert text(app) != first
    app.toggle(key="review-readings").set_value(True).run()
    assert_sound(app)
    kept = app.dataframe[-1].value
    assert set(kept["Channel"]) == {"deadman", "supply", "pot", "nozzle"}
    assert "Message" in kept.columns and len(kept) > 100


def test_a_day_is_reviewed_where_no_shift_is_booked(place: Path, one_shift: Yard) -> None:
    for kind in ("area", "abrasive", "shift"):
        with read_window(place) as con:
            rows = record_rows.current(con, kind)
        for row in rows:
            records.withdraw(place, row["record_id"], "Supervisor A", "for this test")
    derive(place, one_shift)
    app = opened(REVIEW)
    assert_sound(app)
    assert "No shift is booked, so a whole day is shown" in text(app)
    assert "Blast-on" in text(app) and "Area done" not in text(app)
    with read_window(place) as con:
        ((last_at,),) = con.execute("SELECT max(last_at) FROM derive_state").fetchall()
    assert app.date_input(key="review-day").value == data.site_date(last_at, one_shift)


def test_links_open_the_pot_and_shift_they_name(place: Path, one_shift: Yard) -> None:
    records.add(
        place, one_shift, "shift",
        {"shift": "tuesday", "crew": "crew-a", "job": "tank-1", "pots": ["pot-1", "pot-2"],
         "from_at": (dt.datetime.now(dt.UTC) - dt.timedelta(minutes=50)).isoformat(),
         "to_at": (dt.datetime.now(dt.UTC) + dt.timedelta(hours=7)).isoformat()},
        by="Supervisor A", via="command",
    )  # fmt: skip
    derive(place, one_shift)
    app = AppTest.from_file(APP, default_timeout=60)
    app.query_params["shift"] = "monday"
    app.query_params["pot"] = "pot-1"
    app.run().switch_page(REVIEW).run()
    assert_sound(app)
    assert app.selectbox(key="review-shift").value == "monday"
    app = opened(REVIEW)
    assert app.selectbox(key="review-shift").value == "tuesday"


def test_upkeep_says_what_why_since_when_and_on_what_ground(place: Path, one_shift: Yard) -> None:
    app = opened(UPKEEP)
    assert_sound(app)
    said = text(app)
    assert "Pinch hose, Pot 1" in said and "of 7 days" in said
    assert "since the fitting on" in said and "since the first reading on" in said
    assert "Rule: common practice" in said
    assert "checks the nozzle less often than common practice: 14 days instead of 7." in said
    assert "Loosened by Maintainer 1 (14 days instead of 7): bore gauge read every day" in said


def sign(app: AppTest, part: str, result: str | None, by: str) -> None:
    app.button(key=f"open-due-pot-1-{part}").click().run()
    assert "prove at the pot itself that it is vented" in text(app)
    assert PART_CAUTIONS[part] in text(app), "what to take care of stands with the task"
    key = f"sign-due-pot-1-{part}"
    if result is not None:
        app.segmented_control(key=f"{key}-result").set_value(result)
    app.text_input(key=f"{key}-measurement").set_value("wall 6 mm")
    app.text_input(key=f"{key}-by").set_value(by)
    next(b for b in app.button if b.label == "Save sign-off").click()
    app.run()


def test_a_sign_off_goes_into_the_store_and_is_seen_at_once(place: Path, one_shift: Yard) -> None:
    app = opened(UPKEEP)
    sign(app, "pinch_hose", "good", "Maintainer 1")
    assert_sound(app)
    said = text(app)
    assert "Signed off: pinch hose on Pot 1, good, by Maintainer 1." in said
    assert "Signed off good by Maintainer 1" in said  # the card, before figures are derived anew
    with read_window(place) as con:
        (row,) = record_rows.current(con, "check")
    assert (row["pot"], row["part"], row["result"]) == ("pot-1", "pinch_hose", "good")
    assert (row["measurement"], row["recorded_by"], row["via"]) == (
        "wall 6 mm", "Maintainer 1", "page",
    )  # fmt: skip
    derive(place, one_shift)
    forget()
    app = opened(UPKEEP)
    assert "since the last check on" in text(app)
    app.button(key="open-due-pot-1-pinch_hose").click().run()
    assert "Signed off before" in text(app) and "wall 6 mm" in text(app)


def test_a_failed_check_stays_on_top_until_the_part_is_replaced(
    place: Path, one_shift: Yard
) -> None:
    app = opened(UPKEEP)
    sign(app, "pinch_hose", "failed", "Maintainer 1")
    assert "It stays due until it is replaced." in text(app)
    assert "Found not good, not replaced yet" in text(app)
    assert "Failed" in text(opened(NOW))


def test_a_sign_off_without_a_result_or_a_name_says_what_is_missing(
    place: Path, one_shift: Yard
) -> None:
    app = opened(UPKEEP)
    sign(app, "pinch_hose", None, "")
    assert_sound(app)
    assert "Not saved yet." in text(app) and "Fill in: result, your name." in text(app)
    key = "sign-due-pot-1-pinch_hose"
    assert app.text_input(key=f"{key}-measurement").value == "wall 6 mm"
    with read_window(place) as con:
        assert record_rows.current(con, "check") == []


# --- the log book ----------------------------------------------------------------------------


def test_bags_are_entered_and_the_next_entry_remembers_what_it_can(place: Path) -> None:
    app = opened(LOGBOOK)
    app.number_input(key="new-abrasive-0-bags").set_value(9.0)
    app.text_input(key="new-abrasive-0-by").set_value("Tender 1")
    app.button(key="FormSubmitter:new-abrasive-0-Save abrasive tipped").click().run()
    assert_sound(app)
    assert "Saved: abrasive tipped, 9 bags" in text(app)
    with read_window(place) as con:
        (row,) = record_rows.current(con, "abrasive")
    assert (row["pot"], row["bags"], row["bag_kg"], row["recorded_by"]) == (
        "pot-1", 9.0, 25.0, "Tender 1",
    )  # fmt: skip
    assert app.text_input(key="new-abrasive-1-by").value == "Tender 1"
    assert app.number_input(key="new-abrasive-1-bags").value == 9.0


def test_a_refused_entry_says_why_and_keeps_what_was_typed(place: Path, one_shift: Yard) -> None:
    app = opened(LOGBOOK)
    app.segmented_control(key="log-kind").set_value("crew").run()
    app.text_input(key="new-crew-0-crew").set_value("crew-a")
    app.number_input(key="new-crew-0-size").set_value(4)
    app.text_input(key="new-crew-0-by").set_value("Supervisor A")
    app.button(key="FormSubmitter:new-crew-0-Save crew").click().run()
    assert_sound(app)
    assert 'There is a crew "crew-a" already' in text(app)
    assert app.text_input(key="new-crew-0-crew").value == "crew-a"
    assert app.number_input(key="new-crew-0-size").value == 4


def open_newest(app: AppTest, kind: str, place: Path) -> str:
    with read_window(place) as con:
        record_id = record_rows.current(con, kind)[-1]["record_id"]
    app.button(key=f"open-{record_id}").click().run()
    return str(record_id)


def test_a_correction_stands_beside_what_it_corrects(place: Path, one_shift: Yard) -> None:
    app = opened(LOGBOOK)
    record_id = open_newest(app, "area", place)
    key = f"correct-{record_id}"
    assert app.number_input(key=f"{key}-area_m2").value == 24.0
    app.number_input(key=f"{key}-area_m2").set_value(26.5)
    app.text_input(key=f"{key}-by").set_value("Supervisor B")
    app.button(key=f"FormSubmitter:{key}-Save correction").click().run()
    assert "A correction or withdrawal needs a reason." in text(app)
    app.text_input(key=f"{key}-reason").set_value("measured again")
    app.button(key=f"FormSubmitter:{key}-Save correction").click().run()
    assert_sound(app)
    said = text(app)
    assert "Corrected." in said and "measured again" in said
    assert "24" in said and "26.5" in said and "Supervisor B" in said
    with read_window(place) as con:
        (row,) = record_rows.current(con, "area")
        history = record_rows.history(con, record_id)
    assert row["area_m2"] == 26.5
    # What was not touched keeps its instant to the microsecond.
    assert row["at"] == history[0]["at"]


def test_a_withdrawn_entry_leaves_the_list_but_not_the_history(
    place: Path, one_shift: Yard
) -> None:
    app = opened(LOGBOOK)
    record_id = open_newest(app, "abrasive", place)
    key = f"withdraw-{record_id}"
    app.text_input(key=f"{key}-reason").set_value("entered twice")
    app.text_input(key=f"{key}-by").set_value("Tender 1")
    app.button(key=f"FormSubmitter:{key}-Withdraw this entry").click().run()
    assert_sound(app)
    assert "Withdrawn." in text(app)
    assert "24 bags" not in text(app)
    app.toggle[0].set_value(True).run()
    assert "24 bags" in text(app) and "entered twice" in text(app)


@pytest.mark.parametrize("kind", ["area", "abrasive", "shift", "job", "crew", "part_fitted"])
def test_every_kind_of_entry_can_be_opened_and_saved_unchanged(
    kind: str, place: Path, one_shift: Yard
) -> None:
    with read_window(place) as con:
        before = record_rows.current(con, kind)[-1]
    app = opened(LOGBOOK)
    key = f"correct-{open_newest(app, kind, place)}"
    app.text_input(key=f"{key}-reason").set_value("nothing changed")
    app.text_input(key=f"{key}-by").set_value("Supervisor A")
    app.button(key=f"FormSubmitter:{key}-Save correction").click().run()
    assert_sound(app)
    with read_window(place) as con:
        after = record_rows.current(con, kind)[-1]
    own = {"record_id", "recorded_at", "recorded_by", "via", "supersedes", "reason"}
    assert after["supersedes"] == before["record_id"]
    assert {k: v for k, v in after.items() if k not in own} == {
        k: v for k, v in before.items() if k not in own
    }


NASTY = (
    '<script>alert(1)</script>[x](javascript:alert(1)) :red[y] **z** $q$ <img src=x onerror="a">'
)


def test_what_people_type_is_never_markup(place: Path, one_shift: Yard) -> None:
    for kind, body in (
        ("job", {"job": NASTY[:80], "item": NASTY}),
        ("check", {"pot": "pot-1", "part": "pinch_hose", "result": "worn", "note": NASTY,
                   "measurement": NASTY}),
        ("part_fitted", {"pot": "pot-1", "part": "nozzle", "tag": NASTY}),
        ("abrasive", {"pot": "pot-1", "bags": 2, "abrasive": NASTY}),
    ):  # fmt: skip
        records.add(place, one_shift, kind, body, by=NASTY, via="file")
    derive(place, one_shift)
    for view in VIEWS:
        app = opened(view)
        assert_sound(app)
        if view == UPKEEP:
            app.button(key="open-due-pot-1-pinch_hose").click().run()
        assert "<script" not in markup(app) and "<img src=x" not in markup(app)
        # Labels are Markdown to Streamlit; nothing that was typed may stand in one.
        labels = [b.label for b in app.button] + [t.label for t in app.text_input]
        assert not any("alert" in label for label in labels)
        assert not app.markdown
    assert NASTY in html.unescape(markup(opened(LOGBOOK)))


# --- a store that somebody holds -------------------------------------------------------------


@pytest.mark.parametrize("view", VIEWS)
def test_a_held_store_that_was_never_read_is_a_sentence(
    view: str, place: Path, one_shift: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data, "PAGE_WAIT_S", 0.3)
    with held(place):
        app = opened(view)
        assert_sound(app)
        assert words.STORE_BUSY in text(app) and words.STORE_BUSY_STEP in text(app)


def test_a_store_that_is_being_brought_up_to_date_is_said_to_be(
    place: Path, one_shift: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data, "PAGE_WAIT_S", 0.3)
    with held(place, "updating.telling(con)"):
        app = opened(NOW)
        assert_sound(app)
        assert "being brought up to date" in text(app) and "3 of 7 days of pots" in text(app)
        assert words.STORE_BUSY not in text(app)
    st.cache_data.clear()
    app.run()
    assert "being brought up to date" not in text(app)


@pytest.mark.parametrize("view", VIEWS)
def test_a_held_store_leaves_what_was_shown_last_with_a_note(
    view: str, place: Path, one_shift: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(data, "PAGE_WAIT_S", 0.3)
    app = opened(view)
    shown = {NOW: "Silent", REVIEW: "Blast-on", UPKEEP: "Pinch hose", LOGBOOK: "24 bags"}[view]
    assert shown in text(app)
    st.cache_data.clear()
    with held(place):
        app.run()
        assert_sound(app)
        assert shown in text(app)
        assert f"{words.STORE_BUSY} Shown as of" in text(app)
    st.cache_data.clear()
    app.run()
    assert shown in text(app) and words.STORE_BUSY not in text(app)


def test_an_entry_that_meets_a_held_store_says_that_it_was_not_saved(
    place: Path, one_shift: Yard, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(LOGBOOK)
    monkeypatch.setattr(entered_data, "ENTRY_WAIT_S", 0.3)
    app.number_input(key="new-abrasive-0-bags").set_value(7.0)
    app.text_input(key="new-abrasive-0-by").set_value("Tender 1")
    with held(place):
        app.button(key="FormSubmitter:new-abrasive-0-Save abrasive tipped").click().run()
        assert_sound(app)
        assert "was NOT saved" in text(app)
        assert app.number_input(key="new-abrasive-0-bags").value == 7.0
    app.button(key="FormSubmitter:new-abrasive-0-Save abrasive tipped").click().run()
    assert "Saved: abrasive tipped, 7 bags" in text(app)
