"""Charts of pressures: an axis that is there whatever the stretch holds, in a browser too."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from browsing import chromium, comes, ended, opened_page, wait_for
from ports import free_port

from analytics.traces import TRACE_SCHEMA, thinned
from dashboard import charts, charts_due, look, units

BEGIN = dt.datetime(2026, 1, 5, 6)
VIEW = (BEGIN, BEGIN + dt.timedelta(seconds=60))
ZONE = ZoneInfo("Europe/Berlin")


def trace(*channels: str, level_pa: float = 5e5) -> pl.DataFrame:
    rows = [
        {
            "sampled_at": BEGIN + dt.timedelta(seconds=second),
            "channel": channel,
            "value": level_pa + 1000.0 * second * (level_pa > 0),
            "piece": 0,
        }
        for channel in channels
        for second in range(60)
    ]
    return pl.DataFrame(rows, schema=TRACE_SCHEMA)


OPEN = [(BEGIN, BEGIN + dt.timedelta(seconds=20))]
ALL = ("supply_pa", "pot_pa", "nozzle_pa")
STRETCHES = {
    "no spans": (trace(*ALL), []),
    "no spans, no nozzle": (trace("supply_pa", "pot_pa"), []),
    "no reading": (trace(), []),
    "nothing but zero": (trace(*ALL, level_pa=0.0), []),
    "dead-man open": (trace(*ALL), OPEN),
}


@pytest.mark.parametrize("stretch", STRETCHES)
def test_the_view_itself_is_a_layer_so_that_the_axis_has_its_ends(stretch: str) -> None:
    shown, spans = STRETCHES[stretch]
    chart = charts.pressures(shown, spans, [], VIEW, ZONE, look.LIGHT).to_dict()
    rects = [layer for layer in chart["layer"] if layer["mark"]["type"] == "rect"]
    assert len(rects) == 1 + len(spans)
    (row,) = chart["datasets"][rects[0]["data"]["name"]]
    assert (row["from_at"], row["to_at"]) == (
        "2026-01-05T07:00:00+00:00",
        "2026-01-05T07:01:00+00:00",
    )
    assert rects[0]["mark"]["opacity"] == 0.0 and "tooltip" not in rects[0]["encoding"]


def test_noise_about_nothing_does_not_fill_the_chart() -> None:
    for stretch, top in (("nothing but zero", [0, 100.0]), ("no reading", [0, 100.0])):
        shown, spans = STRETCHES[stretch]
        chart = charts.pressures(shown, spans, [], VIEW, ZONE, look.LIGHT).to_dict()
        lines = [layer for layer in chart["layer"] if layer["mark"]["type"] == "line"]
        assert [line["encoding"]["y"]["scale"]["domain"] for line in lines] == [top] * 3


def test_axis_and_figures_are_in_the_viewers_unit() -> None:
    shown, spans = STRETCHES["dead-man open"]
    tops = {}
    for chosen in units.CHOICES.values():
        with units.use(chosen):
            chart = charts.pressures(shown, spans, [], VIEW, ZONE, look.LIGHT).to_dict()
            line = next(one for one in chart["layer"] if one["mark"]["type"] == "line")
            rows = chart["datasets"][line["data"]["name"]]
            tops[chosen.name] = max(row["shown"] for row in rows)
            assert line["encoding"]["y"]["title"] == f"{units.unit('pressure')} gauge"
    assert tops["metric"] == pytest.approx(559.0)
    # NIST Special Publication 811: 1 psi is 6.894757 kPa.
    assert tops["inch-pound"] == pytest.approx(559.0 / 6.894757, rel=1e-6)


def test_a_chart_says_from_how_many_readings_it_was_thinned_and_no_more_than_that() -> None:
    many = 40_000
    at = pl.datetime_range(BEGIN, BEGIN + dt.timedelta(seconds=many - 1), "1s", eager=True)
    frame = pl.DataFrame({"sampled_at": at, "pot_pa": pl.Series(range(many), dtype=pl.Float64)})
    thin = thinned(frame, ["pot_pa"], 5.0)
    view = (BEGIN, BEGIN + dt.timedelta(seconds=many))
    chart = charts.pressures(thin, [], [], view, ZONE, look.DARK).to_dict()
    assert chart["title"]["text"] == "Thinned from 40\u202f000 readings, extremes kept"
    assert all(len(rows) <= 2000 for rows in chart["datasets"].values())
    few = charts.pressures(thinned(frame.head(500), ["pot_pa"], 5.0), [], [], view, ZONE, look.DARK)
    assert "title" not in few.to_dict()


def test_lines_differ_in_dash_as_in_colour_and_only_a_chart_to_drag_on_has_a_brush() -> None:
    shown, spans = STRETCHES["dead-man open"]
    still = charts.pressures(shown, spans, [], VIEW, ZONE, look.LIGHT).to_dict()
    line = next(one for one in still["layer"] if one["mark"]["type"] == "line")
    assert line["encoding"]["strokeDash"]["scale"]["range"][-1] == [5, 3]
    assert line["encoding"]["color"]["scale"]["domain"] == ["Manifold", "Pot", "Nozzle"]
    assert "params" not in still
    brush = charts.pressures(shown, spans, [], VIEW, ZONE, look.LIGHT, can_zoom=True).to_dict()
    assert [param["name"] for param in brush["params"]] == [charts.ZOOM]


def test_checks_ahead_are_bars_from_the_earliest_day_to_the_end_of_the_latest() -> None:
    today = dt.date(2026, 1, 5)
    rows = pl.DataFrame(
        {
            "check": [f"check {i}" for i in range(30)],
            "from_on": [today + dt.timedelta(days=i) for i in range(30)],
            "to_on": [today + dt.timedelta(days=2 * i) for i in range(30)],
        }
    )
    chart = charts_due.due_ahead(rows, today, look.DARK).to_dict()
    bars, line = chart["layer"]
    drawn = chart["datasets"][bars["data"]["name"]]
    assert len(drawn) == charts_due.MOST
    assert [row["passed"] for row in drawn] == [True] + [False] * (charts_due.MOST - 1)
    for number, row in enumerate(drawn):
        begin, end = (dt.datetime.fromisoformat(row[key]) for key in ("from_on", "end_on"))
        assert (end - begin).days == number + 1
    assert bars["encoding"]["y"]["sort"] == rows["check"].to_list()[: charts_due.MOST]
    assert line["mark"]["strokeDash"] == [4, 3]


PAGE = """
import datetime as dt
import sys
sys.path.insert(0, {folder!r})
import streamlit as st
import test_charts as t
from dashboard import charts, look
for shown, spans in t.STRETCHES.values():
    st.altair_chart(charts.pressures(shown, spans, [], t.VIEW, t.ZONE, look.LIGHT), theme=None)
"""


@pytest.mark.slow
def test_a_browser_draws_the_lines_and_the_axis_of_every_stretch(
    tmp_path: Path, browser: Any
) -> None:
    chromium()
    from playwright.sync_api import expect

    script = tmp_path / "charts_alone.py"
    script.write_text(PAGE.format(folder=str(Path(__file__).parent)), encoding="utf-8")
    address = f"http://127.0.0.1:{(port := free_port())}"
    root = Path(__file__).resolve().parent.parent.parent
    server = subprocess.Popen(
        [sys.executable, "-m", "streamlit", "run", str(script), "--server.port", str(port),
         "--server.headless", "true", "--browser.gatherUsageStats", "false",
         "--server.address", "127.0.0.1"],
        env=os.environ | {"PYTHONPATH": str(root)},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        wait_for(address, server)
        page = opened_page(browser, viewport={"width": 900, "height": 2400})
        page.goto(address)
        drawn = page.locator('[data-testid="stVegaLiteChart"] svg')
        expect(drawn).to_have_count(len(STRETCHES))
        for number, (stretch, (shown, _)) in enumerate(STRETCHES.items()):
            chart = drawn.nth(number)
            expect(chart).to_contain_text("07:00:20")
            lines = chart.locator(".mark-line path")

            def wide(lines: Any = lines) -> int:
                boxes = [lines.nth(i).bounding_box() for i in range(lines.count())]
                return sum(box is not None and box["width"] > 300 for box in boxes)

            assert comes(wide, shown["channel"].n_unique()) == shown["channel"].n_unique(), stretch
        page.context.close()
    finally:
        ended(server)
