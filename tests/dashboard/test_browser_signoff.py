"""A pot tender with a phone: signs off a hose check with a photo, in four taps."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
import pytest
import yards
from browsing import Pages, assert_clean, assert_fits, keep_picture, settle, watched

from analytics.pipeline import derive, utc_now
from ingest import photos, record_rows, records
from ingest.config import Yard, load_yard
from ingest.store.connection import read_window

YARD = (
    yards.site("Europe/Amsterdam", 'title = "Test yard"\ninvented = true')
    + yards.pot(title="Pot 1")
    + yards.pot("pot-2")
    + yards.box(channels=("supply", "pot", "deadman"))
    + """
[[rule]]
part = "couplings"
every_days = 21
reason = "screwed joints, looked at daily"
by = "Maintainer 1"
"""
)

PutSamples = Callable[[Path, str, pl.DataFrame], None]


class Place(NamedTuple):
    """A yard with its pages up."""

    data: Path
    yard: Yard
    address: str


def put_history(data: Path, yard: Yard, put_samples: PutSamples) -> None:
    """Three weeks ago a hose was fitted; since then the pot blasted now and then."""
    now = utc_now().replace(microsecond=0)
    at = np.arange(0, 3000)
    is_open = (at + 20) % 100 >= 30
    for day in (20, 6, 1):
        begin = now - dt.timedelta(days=day)
        rows = pl.DataFrame(
            {
                "sampled_at": [begin + dt.timedelta(seconds=int(s)) for s in at],
                "deadman": is_open,
                "supply_pa": 700e3 + at % 7,
                "pot_pa": np.where(is_open, 690e3 + at % 5, at % 5 * 1.0),
            }
        )
        put_samples(data, "pot-1", rows)

    def enter(kind: str, days_ago: float, **body: object) -> None:
        when = (now - dt.timedelta(days=days_ago)).replace(tzinfo=dt.UTC)
        records.add(data, yard, kind, body | {"at": when}, "Maintainer 1", "command")

    enter("part_fitted", 40, pot="pot-1", part="pinch_hose", tag="H16")
    enter("check", 21, pot="pot-1", part="pinch_hose", result="worn", quantity="wall_thickness",
          value=3.5, unit="mm")  # fmt: skip
    enter("part_fitted", 20.9, pot="pot-1", part="pinch_hose", tag="H17")
    enter("check", 8, pot="pot-1", part="pinch_hose", result="good", quantity="wall_thickness",
          value=6.0, unit="mm", note="soft spot, watched")  # fmt: skip
    derive(data, yard)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, put_samples: PutSamples) -> Iterator[Place]:
    data = tmp_path_factory.mktemp("yard")
    (data / "yard.toml").write_text(YARD, encoding="utf-8")
    pages = Pages(data)
    yard = load_yard(data / "yard.toml")
    put_history(data, yard, put_samples)
    with pages:
        yield Place(data, yard, pages.address)


def photo_of_a_phone() -> bytes:
    """A JPEG of about three megabytes, as a phone's camera makes them."""
    from PIL import Image

    rng = np.random.default_rng(1)
    picture = Image.fromarray(rng.integers(0, 255, (1200, 1600, 3), dtype=np.uint8))
    made = io.BytesIO()
    picture.save(made, "JPEG", quality=88)
    return made.getvalue()


def phone(browser: Any, errors: list[str], scheme: str = "light") -> Any:
    return watched(
        browser, errors, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True,
        color_scheme=scheme,
    )  # fmt: skip


def test_a_tender_signs_off_a_hose_with_a_photo_in_four_taps(place: Place, browser: Any) -> None:
    errors: list[str] = []
    page = phone(browser, errors)
    photo = photo_of_a_phone()
    assert 1e6 < len(photo) < photos.LARGEST_BYTES
    # By the address that the phone keeps: the pot, and whose phone it is.
    page.goto(f"{place.address}/upkeep?pot=pot-1&by=Tender+2")
    card = page.locator('[class*="st-key-due-"][class*="-pot-1-pinch_hose"]').first
    card.get_by_role("button", name="Sign off").wait_for()
    keep_picture(page, "upkeep-390-light")
    taps = 0

    card.get_by_role("button", name="Sign off").tap()
    taps += 1
    with page.expect_file_chooser() as chosen:
        card.get_by_role("button", name=re.compile("Browse|Upload")).tap()
        taps += 1
    chosen.value.set_files({"name": "hose.jpg", "mimeType": "image/jpeg", "buffer": photo})
    card.get_by_text("hose.jpg").wait_for()
    card.get_by_role("radio", name="Good", exact=True).tap()
    taps += 1
    keep_picture(page, "upkeep-390-light-open")
    card.get_by_role("button", name="Save sign-off").tap()
    taps += 1
    page.get_by_text("Signed off: pinch hose on Pot 1, good, by Tender 2, with a photo.").wait_for()

    with read_window(place.data) as con:
        row = record_rows.current(con, "check")[-1]
    assert (row["recorded_by"], row["result"], row["via"]) == ("Tender 2", "good", "page")
    assert photos.read(place.data, row["photo"]) == photo
    assert taps <= 4
    assert_clean(page, errors)
    page.context.close()


@pytest.mark.parametrize(
    ("width", "scheme"),
    [(1280, "light"),
     pytest.param(390, "dark", marks=pytest.mark.slow),
     pytest.param(390, "light", marks=pytest.mark.slow),
     pytest.param(1280, "dark", marks=pytest.mark.slow)],
)  # fmt: skip
def test_history_loosened_rules_and_the_start_of_a_shift_fit(
    place: Place, browser: Any, width: int, scheme: str
) -> None:
    errors: list[str] = []
    page = watched(browser, errors, viewport={"width": width, "height": 844}, color_scheme=scheme)
    page.goto(f"{place.address}/upkeep?pot=pot-1&by=Tender+2")
    page.get_by_text(
        "This site checks the couplings and whip checks less often than common practice: "
        "21 days instead of 7."
    ).wait_for()
    card = page.locator('[class*="st-key-due-"][class*="-pot-1-pinch_hose"]').first
    card.get_by_role("button", name="History").click()
    card.locator('[data-testid="stVegaLiteChart"] svg').wait_for()
    card.get_by_text("Wall thickness [mm], by the hours blasted since new").wait_for()
    settle(page)
    assert_fits(page, "a card's history")
    keep_picture(page, f"upkeep-{width}-{scheme}-trend")
    card.get_by_role("button", name="Close history").click()
    card.get_by_text("Parts that were here").wait_for(state="hidden")
    card.get_by_role("button", name="Sign off").click()
    card.get_by_text("Parts that were here").wait_for()
    settle(page)
    said = card.inner_text()
    assert "Shut the air, open the drain and wait until it is silent" in said
    assert "H16" in said and "H17" in said and "wall thickness 6 mm" in said
    assert "soft spot, watched" in said
    assert_fits(page, "an opened card")
    keep_picture(page, f"upkeep-{width}-{scheme}-history")
    card.get_by_role("button", name="Close").click()
    page.get_by_role("button", name="Look at the pot").click()
    page.get_by_text("Dead-man works, lets go by itself").wait_for()
    assert_fits(page, "the start of a shift")
    keep_picture(page, f"upkeep-{width}-{scheme}-start")
    # What is looser stands on every page, not only here.
    looser = page.locator(".gb-loose")
    assert looser.inner_text() == (
        "Looser than common practice at this site: couplings and whip checks "
        "(21 days instead of 7; Maintainer 1)."
    )
    if width > 1000:
        for number in range(6):
            page.locator('[class*="st-key-start-pot-1-"]').nth(number).get_by_text(
                "Yes", exact=True
            ).click()
        page.get_by_role("button", name="Save start").click()
        page.get_by_text("Saved: start of a shift on Pot 1, by Tender 2.").wait_for()
        chosen = page.locator('[class*="st-key-print-part-pot-1-form"]')
        chosen.get_by_text("HTML", exact=True).click()
        page.get_by_role("button", name="Make the record").click()
        with page.expect_download() as got:
            page.get_by_role("button", name="Download PART-").click()
        text = Path(got.value.path()).read_text(encoding="utf-8")
        assert "H17" in text and "dead-man works, lets go by itself" in text
        assert "21 days instead of 7" in text
    assert_clean(page, errors)
    page.context.close()
