"""The condition page in a real browser, on a simulated pot whose pinch hose begins to leak."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import condition_trials as trials
import polars as pl
import pytest
import yards
from browsing import (
    Pages,
    assert_clean,
    assert_fits,
    assert_scheme,
    comes,
    keep_picture,
    settle,
    watched,
)

from analytics.pipeline import derive
from analytics.weighing import weigh_spells
from ingest import records
from ingest.config import load_yard

#: The page without a weighed pot is in ``test_browser.py``, which always runs.
pytestmark = pytest.mark.slow

#: Shifts of a pot: two in good order, one with a leaking hose.
SHIFTS: tuple[dict[str, float], ...] = ({}, {}, {"pinch_leak": 0.25})
HOURS = 3.5

YARD = (
    yards.site("Europe/Amsterdam", 'title = "Test yard"\ninvented = true')
    + yards.pot(title="Pot 1", volume_m3="{volume_m3}")
    + yards.box()
)


@pytest.fixture(scope="module")
def address(
    tmp_path_factory: pytest.TempPathFactory,
    put_samples: Callable[[Path, str, pl.DataFrame], None],
) -> Iterator[str]:
    """Pages on three shifts of a simulated pot that ended an hour ago, weighed."""
    data = tmp_path_factory.mktemp("yard")
    pages = Pages(data)
    yard_file = data / "yard.toml"
    number = 1001
    plant, _ = trials.draw_plant(trials.np.random.default_rng([number, 0xC0DE]))
    yard_file.write_text(YARD.format(volume_m3=round(plant.vessel_m3, 4)), encoding="utf-8")
    yard = load_yard(yard_file)
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None, microsecond=0)
    for shift, wrong in enumerate(SHIFTS):
        faults = trials.FaultSet(wrong, seed=number) if wrong else None
        trial = trials.make_trial(number, 10.0, HOURS, faults, shift=shift)
        signals = trials.read(trial, 10.0, 0.0025)
        begin = now - dt.timedelta(days=len(SHIFTS) - 1 - shift, hours=HOURS + 1.0)
        put_samples(
            data,
            "pot-1",
            signals.with_columns(
                pl.col("sampled_at") - pl.lit(signals["sampled_at"][0]) + pl.lit(begin)
            ),
        )
        for at_s, bags in trial.refills[1:]:
            at = begin + dt.timedelta(seconds=at_s + 240.0)
            records.add(
                data, yard, "abrasive",
                {"pot": "pot-1", "at": at.replace(tzinfo=dt.UTC).isoformat(), "bags": bags,
                 "bag_kg": trials.BAG_KG, "abrasive": "garnet"},
                by="Pot tender A", via="command",
            )  # fmt: skip
    derive(data, yard)
    weigh_spells(data, yard)
    with pages:
        yield pages.address


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [
        (1280, 900, "light"),
        (390, 844, "dark"),
        (390, 844, "light"),
        (1280, 900, "dark"),
    ],
)
def test_the_condition_page_fits_and_tells_of_the_leak(
    address: str, browser: Any, width: int, height: int, scheme: str
) -> None:
    from playwright.sync_api import expect

    errors: list[str] = []
    page = watched(
        browser, errors, viewport={"width": width, "height": height}, color_scheme=scheme
    )
    page.goto(f"{address}/condition?pot=pot-1")
    page.get_by_role("heading", name="Condition", level=1).wait_for()
    best = page.locator(".gb-suggested").first
    best.wait_for()
    settle(page)
    said = best.inner_text()
    assert "air getting past the pinch hose" in said and "What to check" in said
    assert "prove it is vented" in said
    page.get_by_text("What this pot's boxes do not measure").wait_for()
    charts = page.locator('[data-testid="stVegaLiteChart"] svg')
    charts.first.wait_for()
    expect(page.locator(".gb-pictures .gb-trace")).to_have_count(3)
    keep_picture(page, f"condition-first-{width}-{scheme}")
    page.get_by_text("Draw the", exact=False).click()
    charts.nth(12).wait_for()
    # The level's line and each indicator's are drawn, not only their frames.
    for number in range(12):
        charts.nth(number).locator(".mark-line path").first.wait_for(state="attached")
    assert_fits(page, "Condition")
    cut = (
        "[...document.querySelectorAll('.gb-card, .gb-figure, .gb-small')]"
        ".filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.innerText.slice(0, 60))"
    )
    assert comes(lambda: page.evaluate(cut), [], 10) == [], "wider than its box"
    expect(page.get_by_text("Invented scenario")).to_have_count(1)
    expect(page.get_by_text("prove that it is vented at the pot itself")).to_have_count(1)
    assert_scheme(page, scheme)
    keep_picture(page, f"condition-{width}-{scheme}")
    assert_clean(page, errors)
    page.context.close()
