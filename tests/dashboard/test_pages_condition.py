"""The page on a pot's condition, and what the shift and the yard now show of it."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
import streamlit as st
import yards
from page_text import markup, text
from streamlit.testing.v1 import AppTest

from analytics import standing
from analytics.condition import CONDITION_SCHEMA
from analytics.condition_frames import SPELL_COLUMNS
from analytics.indicators import CHANGE_SCHEMA, INDICATORS
from analytics.pipeline import derive
from analytics.writing import insert
from dashboard import charts, condition_data, condition_words, data, look, spoken, time_words, words
from dashboard.views import condition_indicators, condition_suggested
from ingest import records
from ingest.config import Yard, load_yard
from ingest.store.connection import read_window, write_window

PutSamples = Callable[[Path, str, pl.DataFrame], None]
APP = str(Path(data.__file__).parent / "app.py")
VIEW = "views/condition.py"
BERLIN = ZoneInfo("Europe/Berlin")

YARD = yards.site(more="invented = true") + yards.pot(title="Pot <b>1</b>") + yards.box()


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A data folder with a yard file, and pages that know of nothing read before."""
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setenv("GRITBOOK_YARD", str(tmp_path / "yard.toml"))
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    forget()
    yield tmp_path
    forget()


def forget() -> None:
    st.cache_data.clear()
    st.cache_resource.clear()


def opened(view: str = VIEW, **query: str) -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60)
    for key, value in query.items():
        app.query_params[key] = value
    app.run()
    return app if view == "views/now.py" else app.switch_page(view).run()


def assert_sound(app: AppTest) -> None:
    assert not app.exception, [e.message for e in app.exception]
    said = text(app)
    assert words.CAUTION in said
    claims = said.replace(words.CAUTION, "").lower()
    for claim in ("safe to", "is vented.", "fit for use", "is dry.", "in order"):
        assert claim not in claims.replace("does not say that the surface is dry.", "")


# --- a pot that was blasted, and weighed -----------------------------------------------------

HOURS = 6
PERIOD_S = 100


@pytest.fixture(scope="module")
def begin() -> dt.datetime:
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None, microsecond=0)
    return now - dt.timedelta(hours=HOURS + 1)


@pytest.fixture
def blasted(place: Path, worked: Path) -> Yard:
    """A copy of it, which the pages are of."""
    shutil.copytree(worked, place, dirs_exist_ok=True)
    return load_yard(place / "yard.toml")


@pytest.fixture(scope="module")
def worked(
    tmp_path_factory: pytest.TempPathFactory, put_samples: PutSamples, begin: dt.datetime
) -> Path:
    """Six hours of cycles at 1 Hz, derived and not weighed; a shift with bags and area."""
    place = tmp_path_factory.mktemp("worked")
    (place / "yard.toml").write_text(YARD, encoding="utf-8")
    yard = load_yard(place / "yard.toml")
    at = np.arange(0, HOURS * 3600)
    is_open = at % PERIOD_S < 60
    pot = np.where(is_open, 700e3 * np.minimum((at % PERIOD_S) / 4, 1.0), 0.0)
    frame = pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=int(s)) for s in at],
            "deadman": is_open,
            "supply_pa": np.full(at.size, 720e3),
            "pot_pa": pot,
            "nozzle_pa": pot * 0.9,
        }
    )
    put_samples(place, "pot-1", frame)

    def enter(kind: str, **body: object) -> None:
        records.add(place, yard, kind, body, by="Supervisor A", via="command")

    utc = [begin.replace(tzinfo=dt.UTC) + dt.timedelta(hours=h) for h in (0, 1, HOURS)]
    enter("crew", crew="crew-a", size=3)
    enter("job", job="tank-1", item="shell")
    enter(
        "shift", shift="monday", crew="crew-a", job="tank-1", pots=["pot-1"],
        from_at=utc[0].isoformat(), to_at=utc[2].isoformat(), people=3,
    )  # fmt: skip
    enter("area", job="tank-1", shift="monday", pot="pot-1", area_m2=50.0, at=utc[1].isoformat())
    enter("abrasive", pot="pot-1", at=utc[1].isoformat(), bags=40, bag_kg=25.0)
    derive(place, yard)
    return place


def weigh(
    place: Path,
    *,
    leak_from: int | None = None,
    used: float | None = 1_000.0,
    questions: tuple[str, ...] = (),
    cycles: int | None = None,
    factor: float = 1.0,
) -> None:
    """Put a weighed spell in the store: 5 kg a cycle, tipped every tenth, and perhaps a leak."""
    with read_window(place) as con:
        (pot_id,) = con.execute("SELECT pot_id FROM pot WHERE pot = 'pot-1'").fetchall()[0]
        found = con.sql("SELECT pressed_at, released_at FROM cycle ORDER BY pressed_at").pl()
    found = found.head(cycles or found.height)
    count = found.height
    rng = np.random.default_rng(5)
    number = np.arange(count)
    start = 100.0 - 5.0 * (number % 10)
    columns: dict[str, Any] = {name: [None] * count for name in CONDITION_SCHEMA}
    columns |= {
        "pressed_at": found["pressed_at"],
        "ran_empty": number == 29,
        "leak_m3_s_pa": 1e-9
        + rng.normal(0, 2e-10, count)
        + np.where(number >= (count if leak_from is None else leak_from), 3e-8, 0.0),
        "leak_error_m3_s_pa": np.full(count, 1e-9),
        "fill_m3_s_pa": np.full(count, 2e-7),
        "fit_caution": [""] * count,
        "exhaust_m3_s_pa": 5e-7 + rng.normal(0, 5e-9, count),
        "supply_pa": 720e3 + rng.normal(0, 500.0, count),
    }
    if used is not None:
        columns |= {
            "used_kg": np.full(count, used / count),
            "abrasive_start_kg": start,
            "abrasive_start_low_kg": start - 4.0,
            "abrasive_start_high_kg": start + 4.0,
            "abrasive_end_kg": start - 5.0,
            "abrasive_end_low_kg": start - 9.0,
            "abrasive_end_high_kg": start - 1.0,
        }
    frame = pl.DataFrame(columns, schema=CONDITION_SCHEMA, strict=False)
    spell = (found["pressed_at"][0], found["released_at"][-1])
    mark = [pl.lit(pot_id, pl.Int16).alias("pot_id"),
            pl.lit(spell[0], pl.Datetime("us")).alias("spell_from_at")]  # fmt: skip
    summary = pl.DataFrame(
        [{
            "pot_id": pot_id, "from_at": spell[0], "to_at": spell[1], "cycles": count,
            "made_of": "test", "used_kg": used,
            "used_low_kg": None if used is None else used - 40.0,
            "used_high_kg": None if used is None else used + 40.0,
            "questions": json.dumps(list(questions)),
        }],
        schema=SPELL_COLUMNS,
    )  # fmt: skip
    after = [i for i in range(9, count - 1, 10)]
    tippings = pl.DataFrame(
        {
            "from_at": [found["released_at"][i] for i in after],
            "to_at": [found["pressed_at"][i + 1] for i in after],
            "estimate_kg": [50.0 * factor + 0.4 * (i % 3) for i in after],
            "error_kg": [2.0] * len(after),
            "entered_kg": [None if n == 0 else 50.0 for n in range(len(after))],
        },
        schema_overrides={"entered_kg": pl.Float64},
    )
    with write_window(place) as con:
        con.execute("DELETE FROM spell")
        con.execute("DELETE FROM condition")
        con.execute("DELETE FROM tipping")
        insert(con, "spell", summary)
        insert(con, "condition", frame.with_columns(mark))
        insert(con, "tipping", tippings.with_columns(mark))
    forget()


# --- the page --------------------------------------------------------------------------------


def test_without_a_store_the_page_says_what_to_do_next() -> None:
    app = opened()
    assert_sound(app)
    assert "There is no pot to look at yet" in text(app) and "gritbook import" in text(app)


def test_a_pot_not_weighed_yet_says_what_weighing_needs(blasted: Yard, place: Path) -> None:
    with write_window(place) as con:
        con.execute("DELETE FROM spell")
    app = opened()
    assert_sound(app)
    said = text(app)
    assert "This pot has not been weighed yet" in said and "gritbook derive" in said
    assert "How sure is this" in said


def test_no_change_is_told_with_what_it_rests_on_and_promises_nothing(
    blasted: Yard, place: Path
) -> None:
    weigh(place)
    app = opened()
    assert_sound(app)
    said = text(app)
    assert condition_words.NO_CHANGE in said and condition_words.NO_CHANGE_MEANS in said
    with read_window(place) as con:
        ((cycles,),) = con.execute("SELECT count(*) FROM condition").fetchall()
    assert "up to 112 earlier cycles, in blocks of 8" in said
    blocks = int(re.findall(r"(\d+) blocks since", said)[0])
    assert blocks == pytest.approx((cycles - 112) / 8, abs=1)
    assert "wait for more cycles" in said
    assert "Fits best" not in said


def test_a_leak_is_suggested_with_evidence_a_check_and_the_caution(
    blasted: Yard, place: Path
) -> None:
    weigh(place, leak_from=150)
    app = opened()
    assert_sound(app)
    said = text(app)
    assert "air getting past the pinch hose" in said
    assert "What to check. Look the pinch hose over" in said
    assert "isolate, vent and prove it is vented" in said
    assert re.search(r"Leak while pinched 0\.(10|09)\d? ± ", said)
    assert re.search(r"3\.\d\d l/\(s bar\)", said)
    assert "m3/(s Pa)" not in said
    assert condition_words.NO_CHANGE not in said
    assert "Changed" in said


def test_too_few_cycles_are_told_as_that_and_not_as_no_change(blasted: Yard, place: Path) -> None:
    weigh(place, cycles=30)
    app = opened()
    assert_sound(app)
    said = text(app)
    assert "Too few cycles yet" in said and "30 cycles weighed so far" in said
    assert condition_words.NO_CHANGE not in said


def test_the_level_is_shown_with_its_interval_and_its_rates(blasted: Yard, place: Path) -> None:
    weigh(place)
    app = opened()
    assert "nobody entered any" not in text(app)
    app.session_state["condition-tippings"] = True
    app.run()
    said = text(app)
    with read_window(place) as con:
        ((blast_s,),) = con.execute("SELECT sum(blast_s) FROM cycle").fetchall()
        last, low, high = con.execute(
            "SELECT abrasive_end_kg, abrasive_end_low_kg, abrasive_end_high_kg FROM condition "
            "ORDER BY pressed_at DESC LIMIT 1"
        ).fetchall()[0]
    assert f"Left in the pot {last:.0f} kg 90 %: between {low:.0f} and {high:.0f} kg" in said
    assert f"Used a blast hour {1000 / (blast_s / 3600):.0f} kg/h" in said
    assert "Used 1 000 kg 90 %: between 960 and 1 040 kg" in said
    assert "Cross: the pot ran empty (1 time)" in said
    assert "nobody entered any" in said
    # The first indicators are pictured, and all of them are charts for whoever asks.
    pictures = "".join(block.body for block in app.get("html")).count('class="gb-trace"')
    assert pictures == condition_indicators.FIRST and len(app.get("vega_lite_chart")) == 1
    app.toggle(key="condition-all").set_value(True).run()
    assert_sound(app)
    assert len(app.get("vega_lite_chart")) == 1 + len(
        standing.watch(0, condition_data.pot_condition(data.version(), "pot-1").changes).compared
    )


def test_a_spell_that_could_not_be_weighed_says_so(blasted: Yard, place: Path) -> None:
    weigh(place, used=None)
    app = opened()
    assert_sound(app)
    assert "cannot be weighed: too few fills" in text(app)


def test_questions_are_asked_in_the_sites_time(
    blasted: Yard, place: Path, begin: dt.datetime
) -> None:
    at = begin + dt.timedelta(hours=2)
    weigh(place, questions=(f"50 kg were entered at {at:%H:%M} UTC. <i>Was it another pot?</i>",))
    app = opened()
    assert_sound(app)
    assert f"50 kg were entered at {time_words.clock(at, BERLIN)}. <i>Was" in text(app)
    assert "<i>Was" not in markup(app)
    assert "None for this stretch" not in text(app)


def test_questions_are_asked_in_the_viewers_units(blasted: Yard, place: Path) -> None:
    # As analytics.pot.questions words it, with 1 lb = 0.453 592 37 kg.
    weigh(place, questions=("The pot gained about 50 kg (give or take 10 kg) today.",))
    assert "about 50 kg (give or take 10 kg)" in text(opened())
    said = text(opened(units="inch-pound"))
    assert "The pot gained about 110 lb (give or take 22 lb) today." in said
    assert not re.search(r"\d kg\b", said)


def test_without_questions_the_page_says_that(blasted: Yard, place: Path) -> None:
    weigh(place)
    assert "None for this stretch. Bags and pressures tell the same story" in text(opened())


def test_a_steady_factor_points_at_the_yard_file(blasted: Yard, place: Path) -> None:
    weigh(place, factor=1.2)
    said = text(opened())
    assert "Tippings come out 21 % more than the bags entered" in said or (
        "Tippings come out 20 % more than the bags entered" in said
    )
    assert "volume in the yard file may be wrong" in said
    weigh(place)
    assert "Tippings come out" not in text(opened())


def test_the_page_tells_where_it_fails(blasted: Yard, place: Path) -> None:
    weigh(place)
    said = text(opened())
    for what, means in condition_words.HOW_SURE + condition_words.NOT_TOLD_APART:
        assert f"{what}. {means}" in said
    for word in ("volume", "density", "Five readings a second", "1 %", "sag", "Short presses"):
        assert word in said


def test_what_is_not_measured_is_said_with_what_it_would_need(blasted: Yard, place: Path) -> None:
    weigh(place)
    said = text(opened())
    assert "What this pot's boxes do not measure" in said
    assert "Steel over dew point air temperature, humidity and steel temperature" in said
    assert "Abrasive by load cell load cell" in said
    assert "Growth of the nozzle" not in said


def test_the_pot_asked_for_in_the_address_is_shown(blasted: Yard, place: Path) -> None:
    weigh(place)
    app = opened(pot="pot-1")
    assert_sound(app)
    assert app.session_state["condition-pot"] == "pot-1"
    assert "<b>1</b>" not in markup(app)


# --- the shift -------------------------------------------------------------------------------


def test_the_shift_shows_abrasive_three_ways(blasted: Yard, place: Path) -> None:
    weigh(place, used=950.0)
    app = opened("views/review.py")
    assert not app.exception
    said = text(app)
    assert "Bags entered (used) 1 000 kg 20.0 kg/m²" in said
    assert "Load cell – no load cell is read" in said
    assert "Estimate from pressures 950 kg 90 %: between 910 and 990 kg 19.0 kg/m²" in said
    assert "Bags entered used here" in said
    # The headline says which way it took, and how far the other is from it.
    assert re.search(r"Abrasive 20\.0 kg/m² 1 000 kg by bags entered; pressures [−+]\d+ %", said), (
        said
    )


def test_bags_far_from_the_estimate_are_not_used_and_asked_about(
    blasted: Yard, place: Path
) -> None:
    weigh(place, used=600.0)
    said = text(opened("views/review.py"))
    assert "Estimate from pressures (used) 600 kg" in said
    # The headline follows: the estimate's figure with its interval, and the bags beside it.
    assert re.search(
        r"Abrasive 12\.0 kg/m² 90 %: between 11\.2 and 12\.8 kg/m² 600 kg by pressures; "
        "bags entered",
        said,
    ), said
    assert condition_words.BAGS_DOUBT["apart"] in said


# --- the yard now ----------------------------------------------------------------------------


def put_weather(place: Path, humidity: float, steel_c: float, minutes_ago: float) -> None:
    at = dt.datetime.now(dt.UTC).replace(tzinfo=None) - dt.timedelta(minutes=minutes_ago)
    read = (
        ("air_temp", "Cel", 15.0),
        ("humidity", "%RH", humidity),
        ("steel_temp", "Cel", steel_c),
    )
    with write_window(place) as con:
        ((pot_id,),) = con.execute("SELECT pot_id FROM pot WHERE pot = 'pot-1'").fetchall()
        for number, (channel, unit, value) in enumerate(read, start=9_000):
            con.execute(
                "INSERT INTO channel VALUES (?, ?, ?, ?, true, ?)",
                [number, pot_id, channel, unit, at],
            )
            con.execute(
                "INSERT INTO reading (pot_id, channel_id, sampled_at, arrived_at, value, "
                "message_id) VALUES (?, ?, ?, ?, ?, 1)",
                [pot_id, number, at, at, value],
            )
    forget()


def test_close_to_saturation_the_card_says_cover_the_pot(blasted: Yard, place: Path) -> None:
    put_weather(place, humidity=95.0, steel_c=16.0, minutes_ago=1)
    app = opened("views/now.py")
    assert_sound(app)
    said = text(app)
    assert words.COVER_POT in said and "95.0 % humid" in said
    # Magnus at 15 degC and 95 %: dew point 14.21 degC.
    assert "Steel over dew point 1.7 K" in said and "Under 3 K now" in said
    assert words.MARGIN_GUIDE in said


def test_in_dry_air_there_is_a_margin_and_no_prompt(blasted: Yard, place: Path) -> None:
    put_weather(place, humidity=50.0, steel_c=16.0, minutes_ago=1)
    app = opened("views/now.py")
    assert_sound(app)
    said = text(app)
    assert words.COVER_POT not in said and "Under 3 K now" not in said
    assert "Steel over dew point 11.3 K" in said


def test_without_climate_channels_or_with_old_ones_nothing_is_said(
    blasted: Yard, place: Path
) -> None:
    assert "dew point" not in text(opened("views/now.py"))
    put_weather(place, humidity=95.0, steel_c=16.0, minutes_ago=25)
    said = text(opened("views/now.py"))
    assert "dew point" not in said and words.COVER_POT not in said


# --- its pieces ------------------------------------------------------------------------------


def test_there_are_words_for_every_indicator() -> None:
    keys = {condition_words.indicator_key(i.name, i.scatter) for i in INDICATORS}
    assert keys == set(condition_words.INDICATOR_TITLES)
    assert keys == set(condition_suggested.BY_KEY)
    for indicator in INDICATORS:
        unit, factor = condition_words.indicator_unit(indicator.name, indicator.unit)
        assert factor > 0 and "m3" not in unit
    assert set(condition_words.WAY_WORDS) == {"bags", "load_cell", "pressure"}


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/New_York", "Asia/Kolkata"])
def test_utc_times_of_a_sentence_become_the_sites(zone: str) -> None:
    from_at = dt.datetime(2026, 3, 28, 21, 30)
    to_at = dt.datetime(2026, 3, 29, 5, 0)
    site = ZoneInfo(zone)
    for minutes in range(0, 450, 30):
        at = from_at + dt.timedelta(minutes=minutes)
        told = spoken.at_the_site(f"entered at {at:%H:%M} UTC, but", from_at, to_at, site)
        assert told == f"entered at {time_words.clock(at, site)}, but"
    long = "entered at 23:00 UTC"
    assert spoken.at_the_site(long, from_at, from_at + dt.timedelta(hours=30), site) == long


def test_a_factor_is_told_only_where_it_is_steady_and_rests_on_enough() -> None:
    def rows(*pairs: tuple[float, float | None]) -> pl.DataFrame:
        return pl.DataFrame(
            pairs, schema={"estimate_kg": pl.Float64, "entered_kg": pl.Float64}, orient="row"
        )

    steady = [(60.0 + 0.1 * i, 50.0) for i in range(6)]
    found = standing.steady_factor(rows(*steady))
    assert found is not None and found.factor == pytest.approx(1.205, abs=0.01)
    assert found.tippings == 6
    assert standing.steady_factor(rows(*steady[:3])) is None
    assert standing.steady_factor(rows(*((e, None) for e, _ in steady))) is None
    assert standing.steady_factor(rows(*((50.0 + i, 50.0) for i in range(-2, 3)))) is None
    # As much scatter as factor: no steady one.
    wild = [(50.0 * f, 50.0) for f in (0.6, 1.9, 0.8, 1.5, 1.2, 0.9)]
    assert standing.steady_factor(rows(*wild)) is None


def test_the_level_line_leaves_out_what_was_not_weighed() -> None:
    begin = dt.datetime(2026, 3, 2, 6)
    pressed = [begin + dt.timedelta(minutes=i) for i in range(3)]
    conditions = pl.DataFrame(
        {
            "pressed_at": pressed,
            **{
                f"abrasive_{edge}_{kind}kg": [value, None, value]
                for edge, value in (("start", 90.0), ("end", 80.0))
                for kind in ("", "low_", "high_")
            },
        }
    )
    cycles = pl.DataFrame(
        {
            "pressed_at": pressed,
            "released_at": [at + dt.timedelta(seconds=30) for at in pressed],
        }
    )
    line = standing.level_line(conditions, cycles)
    assert line["kg"].to_list() == [90.0, 80.0, 90.0, 80.0]
    assert line["at"].is_sorted() and pressed[1] not in line["at"].to_list()


def test_charts_show_every_tipping_and_the_sites_clock() -> None:
    begin = dt.datetime(2026, 3, 2, 6)
    line = pl.DataFrame(
        {
            "at": [begin, begin + dt.timedelta(hours=2)],
            "kg": [90.0, 10.0], "low_kg": [80.0, 0.0], "high_kg": [100.0, 20.0],
        }
    )  # fmt: skip
    tippings = pl.DataFrame(
        {
            "from_at": [begin + dt.timedelta(minutes=30)],
            "to_at": [begin + dt.timedelta(minutes=40)],
            "estimate_kg": [51.0], "error_kg": [2.0], "entered_kg": [50.0],
        }
    )  # fmt: skip
    drawn = str(charts.pot_level(line, tippings, [begin], BERLIN, look.LIGHT).to_dict())
    assert "2026-03-02T07:35:00" in drawn and "50 kg" in drawn  # 06:35 UTC
    bare = charts.pot_level(line, tippings.clear(), [], BERLIN, look.DARK).to_dict()
    assert len(bare["layer"]) == 2


def test_an_indicator_begins_anew_where_its_part_was_changed() -> None:
    begin = dt.datetime(2026, 3, 2, 6)
    changed = begin + dt.timedelta(days=2)
    rows = pl.DataFrame(
        {
            "at": [begin + dt.timedelta(days=d) for d in (1, 3)],
            "since_at": [begin, changed],
            "now": [1.0, 2.0], "reference": [1.0, 2.0], "low": [0.9, 1.9], "high": [1.1, 2.1],
            "signal": [False, True],
        }
    )  # fmt: skip
    drawn = charts.indicator(rows, [changed], "kPa", BERLIN, look.LIGHT).to_dict()
    assert "part changed" in str(drawn) and len(drawn["layer"]) == 5
    # A change before all of it is not drawn.
    early = charts.indicator(rows, [begin - dt.timedelta(days=9)], "kPa", BERLIN, look.LIGHT)
    assert "part changed" not in str(early.to_dict())


def test_a_years_blocks_are_thinned_and_keep_extremes_changes_and_pauses() -> None:
    begin = dt.datetime(2026, 1, 5, 6)
    rows = pl.DataFrame(
        {
            "at": [begin + dt.timedelta(days=d, minutes=30 * n) for d in range(300)
                   for n in range(16)],
        }
    ).with_columns(
        pl.lit(begin).alias("since_at"),
        pl.int_range(pl.len()).hash(7).mod(1000).cast(pl.Float64).alias("now"),
        pl.lit(1.0).alias("reference"), pl.lit(0.9).alias("low"), pl.lit(1.1).alias("high"),
        pl.int_range(pl.len()).is_in([1234, 3000, 3001]).alias("signal"),
    )  # fmt: skip
    rows = rows.with_columns(
        pl.when(pl.int_range(pl.len()) == 2222).then(5000.0).otherwise("now").alias("now")
    )
    drawn = charts.indicator(rows, [], "", BERLIN, look.LIGHT).to_dict()
    sets = {name: one for name, one in drawn["datasets"].items() if len(one) > 1}
    (lines,) = sets.values()
    assert len(lines) <= charts.BLOCKS_DRAWN + 2 < rows.height
    assert max(row["now"] for row in lines) == 5000.0
    assert min(row["now"] for row in lines) == rows["now"].min()
    # Two runs of signals, and both are there; the band ends where the blocks do.
    told = {str(row["at"])[:10] for row in lines if row["signal"]}
    assert told == {str(rows["at"][n])[:10] for n in (1234, 3000)}
    (band,) = (one[0] for one in drawn["datasets"].values() if len(one) == 1)
    # 13:30 UTC on 31 October is 14:30 by the offset of 5 January, where the chart begins.
    assert str(band["at"])[:16] == "2026-10-31T14:30"


def test_what_is_watched_counts_cycles_blocks_and_what_waits() -> None:
    empty = standing.watch(17, pl.DataFrame(schema=CHANGE_SCHEMA))
    assert empty.compared == () and len(empty.waiting) == len(INDICATORS)
    assert (empty.cycles, empty.blocks, empty.reference_cycles) == (17, 0, 0)
    assert empty.needed == 48  # (5 + 1) blocks of 8
