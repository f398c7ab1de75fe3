"""The pages in a real browser, while ingest's own writer writes into the store ten times a second.

Run as a script, this file is that writer: ``python test_browser.py DATA``, ended with SIGTERM.
"""

from __future__ import annotations

import datetime as dt
import json
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import yards
from browsing import (
    FORBIDDEN,
    Pages,
    assert_clean,
    assert_fits,
    assert_scheme,
    ended,
    go,
    keep_picture,
    opened_page,
    settle,
    watched,
)

from dashboard import words
from ingest import record_rows, records
from ingest.config import Yard, load_yard
from ingest.errors import StoreBusy
from ingest.readings import RawMessage
from ingest.store.connection import read_window, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

POTS = ("pot-1", "pot-2")
#: How many times a second the writer opens the store.
WRITES_HZ = 10
#: History before the browser comes. [s]
HISTORY_S = 900

YARD = (
    yards.site("Europe/Amsterdam", 'title = "Test yard"\ninvented = true')
    + yards.pot(title="Pot 1")
    + yards.pot("pot-2")
    + yards.pot("pot-3", volume_m3="0.085", plate_pa=862_000)
    + yards.box()
    + yards.box("box-2", "pot-2", ("supply", "pot", "deadman"))
)

# --- the writer ------------------------------------------------------------------------------


def pack(pot: str, at_us: int, phase: int) -> RawMessage:
    """One instant of a pot that blasts for 8 s and rests for 5."""
    at_s = at_us / 1e6
    into = (at_s + phase) % 13.0
    is_open = into < 8.0
    pot_pa = 700e3 * (1 - 2.718 ** (-into / 0.8)) if is_open else 700e3 * 2.718 ** (-(into - 8))
    values = {"supply": 720e3 - 20e3 * is_open, "pot": pot_pa}
    if pot == "pot-1":
        values["nozzle"] = 0.9 * pot_pa * is_open
    entries: list[dict[str, Any]] = [{"bn": f"{pot}/", "bt": at_s, "n": "deadman", "vb": is_open}]
    entries += [{"n": name, "u": "Pa", "v": round(value)} for name, value in values.items()]
    return RawMessage(
        "mqtt", f"gritbook/test-yard/{pot}/readings", "", at_us, False, json.dumps(entries).encode()
    )


def write_until_told(data: Path) -> dict[str, int]:
    """Journal, sync and take into the store, ten times a second, until SIGTERM."""
    told: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: told.append(1))
    sent = windows = busy = 0
    with Journal(data) as journal:
        writer = StoreWriter(data, POTS)
        due = time.monotonic()
        while not told:
            now_us = time.time_ns() // 1000
            for phase, pot in enumerate(POTS):
                journal.append(pack(pot, now_us, phase * 4))
                sent += 1
            journal.sync()
            try:
                windows += writer.take(journal.end, wait_s=5.0) is not None
            except StoreBusy:
                busy += 1
            due = max(due + 1 / WRITES_HZ, time.monotonic() - 1)
            time.sleep(max(due - time.monotonic(), 0))
        while writer.take(journal.end, wait_s=20.0) is not None:
            windows += 1
    return {"sent": sent, "windows": windows, "busy": busy}


def write_history(data: Path, yard: Yard) -> None:
    """Readings up to now, a shift under way, and hoses fitted before it."""
    now_us = time.time_ns() // 1000
    with Journal(data) as journal:
        for back in range(HISTORY_S * 2, 0, -1):
            for phase, pot in enumerate(POTS):
                journal.append(pack(pot, now_us - back * 500_000, phase * 4))
        journal.sync()
        writer = StoreWriter(data, POTS)
        while writer.take(journal.end) is not None:
            pass
    began = dt.datetime.fromtimestamp(now_us / 1e6, dt.UTC) - dt.timedelta(seconds=HISTORY_S + 60)

    def enter(kind: str, **body: object) -> None:
        records.add(data, yard, kind, body, by="Supervisor A", via="command")

    enter("crew", crew="crew-a", size=3)
    enter("job", job="tank-1", item="tank shell", rust_grade="B", prep_grade="Sa 2 1/2")
    enter(
        "shift", shift="shift-of-today", crew="crew-a", job="tank-1", pots=list(POTS),
        from_at=began.isoformat(), to_at=(began + dt.timedelta(hours=9)).isoformat(), people=3,
    )  # fmt: skip
    for pot in POTS:
        enter("part_fitted", pot=pot, part="pinch_hose", at=began.isoformat(), tag=f"{pot}-hose")
    enter("abrasive", pot="pot-1", bags=9, bag_kg=25.0, abrasive="garnet")


# --- what the tests share --------------------------------------------------------------------


@dataclass
class Running:
    """Pages that run beside a writer."""

    data: Path
    pages: Pages
    writer: subprocess.Popen[str]

    @property
    def address(self) -> str:
        return self.pages.address


@pytest.fixture(scope="module")
def unheard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pages]:
    """Pages of a yard of which nothing was ever heard."""
    data = tmp_path_factory.mktemp("yard")
    (data / "yard.toml").write_text(YARD, encoding="utf-8")
    with Pages(data) as pages:
        yield pages


@pytest.fixture(scope="module")
def running(unheard: Pages) -> Iterator[Running]:
    """The same pages, with a history, a shift under way and a writer that never rests."""
    data = unheard.data
    write_history(data, load_yard(data / "yard.toml"))
    with ExitStack() as stack:
        writer = subprocess.Popen(
            [sys.executable, __file__, str(data)], stdout=subprocess.PIPE, text=True
        )
        stack.callback(ended, writer)
        yield Running(data, unheard, writer)


ROUND = (
    ("Shift", "Shift review", '[data-testid="stVegaLiteChart"] svg'),
    ("Upkeep", "Upkeep", '[class*="st-key-due-"]'),
    ("Condition", "Condition", ".gb-sure"),
    ("Signals", "Signals", ".gb-sign"),
    ("Help", "Help", ".gb-glossary"),
    ("Log book", "Log book", ".gb-entry"),
    ("Now", "Yard now", ".gb-card"),
)


def hose(page: Any, pot: str) -> Any:
    return page.locator(f'[class*="st-key-due-"][class*="-{pot}-pinch_hose"]').first


def upkeep_says(page: Any, card: Any, text: str) -> None:
    """Open the upkeep page until a card says it: figures are derived meanwhile, elsewhere."""
    give_up_at = time.monotonic() + 180
    go(page, "Upkeep", "Upkeep")
    while text not in (said := said_by(page, card)):
        assert time.monotonic() < give_up_at, said
        page.wait_for_timeout(1000)
        go(page, "Now", "Yard now")
        go(page, "Upkeep", "Upkeep")


def said_by(page: Any, card: Any) -> str:
    """What a card says; where there is none yet, the whole page, to be told of if none comes."""
    found = card if drawn(card) else page.locator(".stMain")
    return str(found.inner_text())


def shows(page: Any, way: str, title: str, something: str) -> None:
    """Open a page until it shows something: one drawn before figures were derived has none yet."""
    give_up_at = time.monotonic() + 180
    go(page, way, title)
    while not drawn(page.locator(something).first):
        assert time.monotonic() < give_up_at, page.locator(".stMain").inner_text()
        go(page, "Help", "Help")
        go(page, way, title)


def drawn(something: Any) -> bool:
    from playwright.sync_api import TimeoutError as TooLong

    try:
        something.wait_for(timeout=20_000)
    except TooLong:
        return False
    return True


def sign_off(page: Any, pot: str, title: str) -> None:
    card = hose(page, pot)
    upkeep_says(page, card, "since the fitting")
    card.get_by_role("button", name="Sign off").click()
    card.get_by_role("radio", name="Good").click()
    card.get_by_text("Measured, note, time").click()
    card.get_by_label("In words").fill("wall 6.1 mm")
    card.get_by_label("Your name").fill("Maintainer 1")
    card.get_by_role("button", name="Save sign-off").click()
    page.get_by_text(f"Signed off: pinch hose on {title}, good, by Maintainer 1.").wait_for()


def assert_fit_to_read(page: Any, title: str, scheme: str) -> None:
    """A page fits its window and gloves, says what it is of, and warns."""
    from playwright.sync_api import expect

    assert_fits(page, title)
    expect(page.get_by_text("Invented scenario")).to_have_count(1)
    if title != "Log book":
        expect(page.get_by_text("prove that it is vented at the pot itself")).to_have_count(1)
    assert_scheme(page, scheme)


def keep_clicking(running: Running, browser: Any, rounds: int) -> None:
    """Go through every page, again and again, and sign one check off."""
    errors: list[str] = []
    page = watched(browser, errors, viewport={"width": 1280, "height": 900}, color_scheme="light")
    page.goto(running.address)
    page.get_by_role("heading", name="Yard now").wait_for()
    page.get_by_text("Heard just now").first.wait_for()
    before = {row["record_id"] for row in checks(running)}
    sign_off(page, "pot-1", "Pot 1")
    fresh = [row for row in checks(running) if row["record_id"] not in before]
    assert [(r["pot"], r["part"], r["result"], r["measurement"]) for r in fresh] == [
        ("pot-1", "pinch_hose", "good", "wall 6.1 mm")
    ]
    assert (fresh[0]["recorded_by"], fresh[0]["via"]) == ("Maintainer 1", "page")
    for _ in range(rounds):
        for way, title, something in ROUND:
            shows(page, way, title, something)
            assert_fit_to_read(page, title, "light")
        # The cards redraw by themselves every few seconds: stay for two of them.
        page.wait_for_timeout(6500)
        page.get_by_text("Heard").nth(len(POTS) - 1).wait_for()
    # Derived in the background, and shown without anybody asking for it.
    upkeep_says(page, hose(page, "pot-1"), "since the last check")
    assert_clean(page, errors)
    assert running.pages.process is not None and running.pages.process.poll() is None
    assert running.writer.poll() is None
    said = running.pages.log.read_text(errors="replace")
    assert not FORBIDDEN.search(said), said
    page.context.close()


def checks(running: Running) -> list[dict[str, Any]]:
    with read_window(running.data) as con:
        return record_rows.current(con, "check")


# --- tests -----------------------------------------------------------------------------------


def test_a_page_that_found_nothing_fills_in_by_itself(
    unheard: Pages, browser: Any, request: pytest.FixtureRequest
) -> None:
    """The first test of this file: nobody touches the pages, and their figures come."""
    page = watched(browser, [], viewport={"width": 1280, "height": 900}, color_scheme="light")
    page.goto(f"{unheard.address}/shift")
    page.get_by_text("There is no shift to review yet.").wait_for()
    other = watched(browser, [], viewport={"width": 390, "height": 844}, color_scheme="dark")
    other.goto(f"{unheard.address}/upkeep")
    other.get_by_text("Nothing is counted yet.").wait_for()
    request.getfixturevalue("running")
    page.locator('[data-testid="stVegaLiteChart"] svg').first.wait_for()
    hose(other, "pot-1").wait_for()
    page.context.close()
    other.context.close()


def test_a_page_that_found_the_store_busy_fills_in_by_itself(
    running: Running, browser: Any
) -> None:
    """The second test of this file: a page that was read before is shown as it was."""
    page = watched(browser, [], viewport={"width": 390, "height": 844}, color_scheme="dark")
    with write_window(running.data, 60):
        page.goto(f"{running.address}/signals")
        page.get_by_text(words.STORE_BUSY).first.wait_for()
    page.locator(".gb-sign").first.wait_for()
    assert page.get_by_text(words.STORE_BUSY_STEP).count() == 0
    page.context.close()


def test_a_page_of_a_faulty_yard_file_fills_in_once_that_is_mended(
    running: Running, browser: Any
) -> None:
    """Somebody edits it in an editor while another looks at the page."""
    yard_file, emptied = running.data / "yard.toml", running.data / "emptied"
    emptied.write_text("", encoding="utf-8")
    (running.data / "mended").write_bytes(yard_file.read_bytes())
    page = watched(browser, [], viewport={"width": 390, "height": 844}, color_scheme="light")
    emptied.replace(yard_file)
    try:
        page.goto(f"{running.address}/upkeep")
        page.get_by_text("the file needs a [site] table").wait_for()
    finally:
        (running.data / "mended").replace(yard_file)
    hose(page, "pot-1").wait_for()
    assert page.get_by_text("the file needs a [site] table").count() == 0
    page.context.close()


@pytest.mark.parametrize("rounds", [1, pytest.param(20, marks=pytest.mark.slow)])
def test_every_page_while_ingest_writes(running: Running, browser: Any, rounds: int) -> None:
    keep_clicking(running, browser, rounds)


def test_what_people_type_is_shown_and_never_run(running: Running, browser: Any) -> None:
    nasty = "<img src=x onerror=\"document.title='run'\"> **bold** :red[x] $y$"
    from playwright.sync_api import expect

    page = opened_page(browser, viewport={"width": 1280, "height": 900})
    page.goto(f"{running.address}/logbook")
    page.get_by_text("Job", exact=True).click()
    form = page.locator('[data-testid="stForm"]').filter(has_text="Name of the job")
    # While the page is drawn anew the form before it is still there for a moment.
    expect(form.get_by_label("Your name")).to_have_count(1)
    settle(page)
    form.get_by_label("Name of the job").fill(f"job {nasty}"[:80])
    form.get_by_label("What is blasted").fill(nasty)
    form.get_by_label("Your name").fill(nasty)
    form.get_by_role("button", name="Save job").click()
    page.get_by_text("Saved: job").wait_for()
    listed = page.locator(".gb-entry").filter(has_text="**bold**").first
    listed.wait_for()
    assert nasty in listed.inner_text()
    assert page.locator('img[src="x"]').count() == 0
    assert page.title() != "run"
    page.context.close()


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [
        # By day in a wide window pages are gone through above.
        (390, 844, "dark"),
        pytest.param(390, 844, "light", marks=pytest.mark.slow),
        pytest.param(1280, 900, "dark", marks=pytest.mark.slow),
    ],
)
def test_every_page_fits_and_can_be_pressed_with_gloves(
    running: Running, browser: Any, width: int, height: int, scheme: str
) -> None:
    errors: list[str] = []
    page = watched(
        browser, errors, viewport={"width": width, "height": height}, color_scheme=scheme
    )
    page.goto(running.address)
    page.get_by_role("heading", name="Yard now").wait_for()
    for way, title, something in ROUND:
        go(page, way, title)
        page.locator(something).first.wait_for()
        assert_fit_to_read(page, title, scheme)
        keep_picture(page, f"{title.lower().replace(' ', '-')}-{width}-{scheme}")
    assert_clean(page, errors)
    page.context.close()


def test_stopping_is_clean_and_nothing_was_lost(running: Running) -> None:
    """The last test of this file: it ends the pages and the writer."""
    pages = running.pages.process
    assert pages is not None
    pages.send_signal(signal.SIGTERM)
    assert pages.wait(90) == 0, running.pages.log.read_text(errors="replace")
    with pytest.raises(OSError):
        urllib.request.urlopen(f"{running.address}/_stcore/health", timeout=10)
    running.writer.send_signal(signal.SIGTERM)
    told, _ = running.writer.communicate(timeout=120)
    wrote = json.loads(told)
    with read_window(running.data) as con:
        ((rows,),) = con.execute("SELECT count(*) FROM sample").fetchall()
        ((quarantined,),) = con.execute("SELECT count(*) FROM quarantine").fetchall()
    assert rows == wrote["sent"] + HISTORY_S * 2 * len(POTS)
    assert quarantined == 0
    # What a reader held up for all that time came in with the next batch: it is rare.
    assert wrote["busy"] <= 2 + 0.1 * wrote["windows"]


if __name__ == "__main__":
    print(json.dumps(write_until_told(Path(sys.argv[1]))))
