"""The calendar of what is due, read back with the library, and the commands that tell ahead."""

from __future__ import annotations

import datetime as dt
import html
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from icalendar import Calendar
from streamlit.testing.v1 import AppTest
from typer.testing import CliRunner

from analytics.forecast import DAILY_SCHEMA, LOOK_BACK_DAYS, passing
from analytics.pipeline import derive
from analytics.upkeep import UpkeepRule, due_list
from analytics.upkeep_ahead import lives_learned, recent_use, upkeep_ahead
from analytics.weibull_life import WeibullLife
from dashboard import charts_life, data, look, words, words_ahead
from dashboard.cli import app
from dashboard.upkeep_calendar import upkeep_calendar
from ingest import record_rows, records
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

YARD = """
[site]
name = "test-yard"
title = "Yard; one, two"
time_zone = "Europe/Berlin"
invented = true
[[pot]]
name = "pot-1"
title = "Big pot"
volume_m3 = 0.184
plate_pa = 1_000_000
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 1_000_000
"""
NOW = dt.datetime(2026, 6, 1, 22, 30)  # half past midnight of the 2nd at the site
RULES = [
    UpkeepRule("pinch_hose", "wall and bore", 40.0, None, None, 0.1, "common practice"),
    UpkeepRule(
        "relief_valve", "taken out, seat checked", None, None, 91.0, 0.1, "common practice",
        True, "new valve", "Supervisor A",
    ),
    UpkeepRule("separator", "drained", None, None, 1.0, 0.1, "common practice"),
]  # fmt: skip


def ahead(now: dt.datetime = NOW, hose_h: float = 20.0, hose_since: int = 5) -> pl.DataFrame:
    usage = pl.DataFrame(
        [
            ("pot-1", "pinch_hose", now.replace(hour=6) - dt.timedelta(days=hose_since), hose_h),
            ("pot-1", "relief_valve", dt.datetime(2026, 3, 20, 23, 10), 300.0),
            ("pot-1", "separator", dt.datetime(2026, 5, 28, 5), 15.0),
            ("pot-2", "pinch_hose", dt.datetime(2026, 5, 28, 5), 15.0),
        ],
        schema=["pot", "part", "from_at", "h"], orient="row",
    ).select(
        "pot", "part", pl.lit("checked").alias("since"), pl.col("from_at").cast(pl.Datetime("us")),
        *((pl.col("h") * 3600).alias(name) for name in ("blast_s", "blast_low_s", "blast_high_s")),
        pl.lit(900).alias("cycles"), pl.lit(0.0).alias("no_data_s"),
    )  # fmt: skip
    today = dt.date(2026, 6, 2)
    days = [today - dt.timedelta(days=back) for back in range(LOOK_BACK_DAYS, -1, -1)]
    daily = pl.DataFrame(
        [
            ("pot-1", day, float(day.weekday() < 5) * (3 + day.day % 4), 100.0, 8.0)
            for day in days
        ],
        schema=DAILY_SCHEMA, orient="row",
    )  # fmt: skip
    booked = pl.DataFrame(schema={"pot": pl.String, "day": pl.Date, "booked_h": pl.Float64})
    return passing(due_list(usage, RULES, now), daily, booked, now, ZoneInfo("Europe/Berlin"))


def events(frame: pl.DataFrame, now: dt.datetime = NOW) -> dict[str, dict]:
    written, _ = upkeep_calendar(frame, parse_yard(YARD), now)
    read = Calendar.from_ical(written)
    return {str(event["SUMMARY"]): event for event in read.walk("VEVENT")}


def test_it_reads_back_with_the_days_of_the_site() -> None:
    frame = ahead()
    written, left_out = upkeep_calendar(frame, parse_yard(YARD), NOW)
    calendar = Calendar.from_ical(written)
    assert str(calendar["X-WR-TIMEZONE"]) == "Europe/Berlin"
    assert str(calendar["METHOD"]) == "PUBLISH"
    assert str(calendar["X-WR-CALNAME"]) == "Upkeep, Yard; one, two"
    # The hose of a pot never heard has no day.
    assert left_out == 1 and len(calendar.walk("VEVENT")) == 3
    found = events(frame)
    # 91 days after ten past midnight of 21 March at the site.
    relief = found["check relief valve, Big pot"]
    assert relief["DTSTART"].dt == dt.date(2026, 6, 20)
    assert relief["DTEND"].dt == dt.date(2026, 6, 21)
    assert str(relief["STATUS"]) == "CONFIRMED"
    assert "Sat 20 Jun 2026, 01:10" in relief["DESCRIPTION"]
    # It is the site's next day already when UTC still has the day before.
    assert found["Overdue: check moisture separator, Big pot"]["DTSTART"].dt == dt.date(2026, 6, 2)


def test_a_range_stands_on_its_earliest_day_and_says_the_range() -> None:
    frame = ahead()
    row = frame.filter((pl.col("part") == "pinch_hose") & (pl.col("pot") == "pot-1")).row(
        0, named=True
    )
    assert row["passes_from_on"] < row["passes_to_on"]
    hose = events(frame)["check pinch hose, Big pot"]
    assert hose["DTSTART"].dt == row["passes_from_on"]
    assert words_ahead.when(row) in hose["DESCRIPTION"]
    assert str(hose["STATUS"]) == "TENTATIVE"
    assert str(hose["TRANSP"]) == "TRANSPARENT"


def test_every_event_carries_the_caution_and_promises_nothing() -> None:
    for event in events(ahead()).values():
        said = str(event["DESCRIPTION"])
        assert words.CAUTION in said
        assert "no promise" in said
        assert "safe" not in said.lower()
        assert words.INVENTED in said
    assert "Loosened by Supervisor A: new valve" in str(
        events(ahead())["check relief valve, Big pot"]["DESCRIPTION"]
    )


def test_an_event_keeps_its_name_while_its_day_moves_until_it_is_signed_off() -> None:
    hose = "check pinch hose, Big pot"
    first = events(ahead())[hose]
    later = NOW + dt.timedelta(hours=20)
    moved = events(ahead(later, hose_h=27.0, hose_since=6), later)
    # The count began at the same instant: six days back a day later.
    assert moved[hose]["UID"] == first["UID"]
    assert moved[hose]["SEQUENCE"] > first["SEQUENCE"]
    assert moved[hose]["DTSTAMP"].dt > first["DTSTAMP"].dt
    signed_off = events(ahead(later, hose_h=1.0, hose_since=1), later)[hose]
    assert signed_off["UID"] != first["UID"]


def test_writing_it_twice_gives_the_same_bytes() -> None:
    yard = parse_yard(YARD)
    assert upkeep_calendar(ahead(), yard, NOW) == upkeep_calendar(ahead(), yard, NOW)


# --- through the commands --------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine weeks of one pot: five hours a working day, a new hose each week, looked at thrice."""
    data = tmp_path_factory.mktemp("worked")
    (data / "yard.toml").write_text(YARD, encoding="utf-8")
    yard = parse_yard(YARD)
    first = dt.datetime.combine(NOW.date() - dt.timedelta(days=63), dt.time(6))
    with write_window(data) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        heard = con.sql(
            "SELECT 1 AS pot_id, m AS sampled_at, m AS arrived_at, "
            "false AS deadman, 0 AS quality, 0 AS message_id FROM (SELECT unnest([$a, $b]) AS m)",
            params={"a": first, "b": NOW - dt.timedelta(minutes=5)},
        )
        add_samples(con, heard.pl())
    lines = []
    for index in range(9):
        entries = [(0.0, "part_fitted", {"tag": f"hose-{index}"})]
        # Of three hoses one is found worn at the second look and one at the third.
        for number, days in enumerate((2.2, 4.2, 6.8)):
            result = "worn" if number == index % 3 + 1 else "good"
            entries.append((days, "check", {"result": result}))
        for days, kind, body in entries:
            at = (first + dt.timedelta(days=7 * index + days)).isoformat() + "Z"
            whole = {"pot": "pot-1", "part": "pinch_hose", "at": at} | body
            lines.append(json.dumps({"kind": kind, "recorded_at": at,
                                     "recorded_by": "Maintainer 1", "body": whole}))  # fmt: skip
    written = data / "records.jsonl"
    written.write_text("\n".join(lines), encoding="utf-8")
    records.load_file(data, yard, written)
    derive(data, yard, now=NOW)
    with write_window(data) as con:
        con.execute("DELETE FROM gap")
        con.execute(
            "INSERT INTO cycle BY NAME SELECT 1 AS pot_id, m AS pressed_at, "
            "m + INTERVAL 500 SECOND AS released_at, m AS span_from_at, "
            "m + INTERVAL 500 SECOND AS span_to_at, 'press' AS began_by, 'release' AS ended_by, "
            "false AS flicker, true AS confirmed, 5000 AS samples, 500.0 AS deadman_s, "
            "500.0 AS deadman_low_s, 500.0 AS deadman_high_s, 480.0 AS blast_s, "
            "480.0 AS blast_low_s, 480.0 AS blast_high_s, 500.0 AS pinched_s FROM "
            "(SELECT $a::TIMESTAMP + d * INTERVAL 1 DAY + i * INTERVAL 550 SECOND AS m "
            "FROM range(0, 64) t(d), range(0, 38) u(i)) "
            "WHERE m < $now AND isodow(m) < 6 ORDER BY m",
            {"a": first, "now": NOW},
        )
    derive(data, yard, now=NOW)
    return data


@pytest.fixture
def worked(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it, to be written to; commands take the clock to show ``NOW``."""
    monkeypatch.setattr("analytics.pipeline.utc_now", lambda: NOW)
    return Path(shutil.copytree(made, tmp_path / "data"))


def run(data: Path, *arguments: str) -> str:
    done = CliRunner().invoke(app, [*arguments, "--data", str(data)])
    assert done.exit_code == 0, done.output
    return done.output


def test_use_of_the_last_weeks_is_what_the_cycles_say(worked: Path) -> None:
    yard: Yard = parse_yard(YARD)
    with read_window(worked) as con:
        daily, booked = recent_use(con, yard, NOW)
        ((hours,),) = con.execute(
            "SELECT sum(blast_high_s) / 3600 FROM cycle WHERE pressed_at >= $a",
            {"a": dt.datetime.combine(daily["day"].min(), dt.time()) - dt.timedelta(hours=2)},
        ).fetchall()
    assert daily["day"].is_sorted() and daily.height == LOOK_BACK_DAYS + 1
    assert daily["blast_h"].sum() == pytest.approx(hours, abs=0.01)
    assert booked.is_empty()
    whole = daily[1:-1].filter(pl.col("day").dt.weekday() < 6)
    assert whole["blast_h"].to_list() == pytest.approx([38 * 480 / 3600] * whole.height)
    assert whole["cycles"].to_list() == [38.0] * whole.height


def test_booked_shifts_ahead_are_read(worked: Path) -> None:
    yard = parse_yard(YARD)
    begin = dt.datetime.combine(NOW.date() + dt.timedelta(days=2), dt.time(6))
    for kind, body in (
        ("crew", {"crew": "crew-a", "size": 2}),
        ("job", {"job": "tank"}),
        ("shift", {"shift": "ahead", "crew": "crew-a", "job": "tank", "pots": ["pot-1", "pot-2"],
                   "from_at": begin.isoformat() + "Z",
                   "to_at": (begin + dt.timedelta(hours=7.5)).isoformat() + "Z"}),
    ):  # fmt: skip
        records.add(worked, yard, kind, body, by="Supervisor A", via="command")
    with read_window(worked) as con:
        _, booked = recent_use(con, yard, NOW)
    assert booked.rows() == [("pot-1", begin.date(), 7.5), ("pot-2", begin.date(), 7.5)]


def test_upkeep_as_json_has_the_days(worked: Path) -> None:
    rows = json.loads(run(worked, "upkeep", "--pot", "pot-1", "--format", "json"))
    hose = next(row for row in rows if row["rule"] == "pinch_hose")
    assert {"passes_from_on", "passes_on", "passes_to_on", "passes_at", "rests_on"} <= set(hose)
    with read_window(worked) as con:
        frame = upkeep_ahead(con, parse_yard(YARD), NOW)
    assert [str(day) for day in frame.filter(pl.col("pot") == "pot-1")["passes_to_on"]] == [
        str(row["passes_to_on"]) for row in rows
    ]


def test_upkeep_writes_a_calendar_and_says_how_many(worked: Path, tmp_path: Path) -> None:
    out = tmp_path / "upkeep.ics"
    said = run(worked, "upkeep", "--pot", "pot-1", "--calendar", str(out))
    found = Calendar.from_ical(out.read_bytes()).walk("VEVENT")
    assert f"Wrote {len(found)} checks" in said
    assert any("pinch hose" in str(event["SUMMARY"]) for event in found)


def test_a_calendar_that_cannot_be_written_is_a_sentence(worked: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(
        app, ["upkeep", "--data", str(worked), "--calendar", str(tmp_path / "no" / "u.ics")]
    )
    assert done.exit_code == 2
    # The box around it breaks the sentence where the path happens to end.
    assert "cannot be written" in " ".join(done.output.replace("│", " ").split())


def test_life_tells_of_hoses_and_never_proposes_longer(worked: Path) -> None:
    rows = json.loads(run(worked, "life", "--format", "json"))
    hose = [r for r in rows if r["part"] == "pinch_hose" and r["axis"] == "blast_h"]
    assert hose[0]["worn"] == 6 and hose[0]["too_few"] is None
    assert [r["every"] for r in hose] == [40.0, 30.0, 25.0, 20.0]
    assert all(r["propose"] is None or r["propose"] < 40.0 for r in hose)
    said = " ".join(run(worked, "life").split())
    assert "At your 40 h check" in said.replace(words.NBSP, " ")
    parts = json.loads(run(worked, "life", "--parts", "--format", "json"))
    assert {row["tag"] for row in parts} == {f"hose-{index}" for index in range(9)}
    assert sum(row["ending"] == "worn" for row in parts) == 6


def test_with_few_worn_it_says_so_and_nothing_else(worked: Path) -> None:
    yard = parse_yard(YARD)
    with read_window(worked) as con:
        worn = [row for row in record_rows.current(con, "check") if row["result"] == "worn"]
    records.withdraw(worked, worn[-1]["record_id"], by="Maintainer 1", reason="wrong hose")
    derive(worked, yard, now=NOW)
    said = " ".join(run(worked, "life").split())
    assert "5 of 9 found worn so far; it takes 6 to learn from." in said
    assert "of 100" not in said and "Half are worn" not in said


# --- on the page -----------------------------------------------------------------------------


@pytest.fixture
def upkeep_page(worked: Path, show: Callable[[Path], None]) -> Callable[[], AppTest]:
    show(worked)
    whole = str(Path(data.__file__).parent / "app.py")
    return lambda: AppTest.from_file(whole, default_timeout=60).run().switch_page(
        "views/upkeep.py"
    ).run()  # fmt: skip


def said_on(page: AppTest) -> str:
    assert not page.exception, [one.message for one in page.exception]
    pieces = [one.proto.body for one in page.get("html")]
    plain = re.sub(r"<[^>]+>", " ", " ".join(p for p in pieces if not p.startswith("<style>")))
    return re.sub(r"\s+", " ", html.unescape(plain).replace(words.NBSP, " "))


def test_the_page_tells_when_limits_pass_and_what_can_be_done_together(
    upkeep_page: Callable[[], AppTest],
) -> None:
    page = upkeep_page()
    said = said_on(page)
    assert "Limit passes: " in said
    assert "Together, week by week" in said
    with read_window(data.place().data) as con:
        frame = upkeep_ahead(con, parse_yard(YARD), NOW)
    row = frame.filter(pl.col("rests_on").is_in(["use", "calendar"])).row(0, named=True)
    assert words_ahead.when(row)[1:] in said
    assert words_ahead.FORECAST_MEANS in said
    labels = [button.proto.label for button in page.get("download_button")]
    assert "Download as calendar" in labels and "Download the lives as CSV" in labels


def charts_of(page: AppTest, about: str) -> list[Any]:
    """The charts of a page whose drawing holds a word."""
    return [chart for chart in page.get("vega_lite_chart") if about in chart.proto.spec]


def test_the_page_tells_of_lives_with_a_chart_its_table_and_a_sentence(
    upkeep_page: Callable[[], AppTest],
) -> None:
    page = upkeep_page()
    said = said_on(page)
    assert re.search(r"At your 40 h check, \d+ of 100 are already worn \(between", said)
    assert "40 h, in force" in said
    assert words_ahead.LIFE_MEANS in said
    assert len(charts_of(page, "Worn, of 100")) == 1
    # When checks will be due stands above, on a chart of its own.
    assert len(page.get("vega_lite_chart")) == 1 + len(charts_of(page, "passed"))
    assert "safe to open" not in said.lower()


def test_a_page_with_few_worn_shows_no_curve(
    worked: Path, upkeep_page: Callable[[], AppTest]
) -> None:
    with read_window(worked) as con:
        found = [row for row in record_rows.current(con, "check") if row["result"] == "worn"]
    records.withdraw(worked, found[-1]["record_id"], by="Maintainer 1", reason="wrong hose")
    derive(worked, parse_yard(YARD), now=NOW)
    page = upkeep_page()
    said = said_on(page)
    assert "5 of 9 found worn so far; it takes 6 to learn from." in said
    assert "of 100" not in said
    assert not charts_of(page, "Worn, of 100")


@pytest.mark.parametrize("colours", [look.LIGHT, look.DARK])
def test_the_curve_is_drawn_with_its_limit_and_each_life(
    worked: Path, colours: look.Palette
) -> None:
    with read_window(worked) as con:
        known, learned = lives_learned(con, parse_yard(YARD))
    for one in learned:
        if isinstance(one.life, WeibullLife):
            drawn = charts_life.life_curve(one, known, colours).to_dict()
            kinds = [layer["mark"]["type"] for layer in drawn["layer"]]
            # A band, a line, two sorts of lives; with a limit two sorts of it and its word.
            assert kinds[:4] == ["area", "line", "rule", "rule"]
            assert len(kinds) == (7 if one.checks is not None else 4)
