"""The pages in a real browser, while ingest's own writer writes into the store ten times a second.

Run as a script, this file is that writer: ``python test_browser.py DATA``, ended with SIGTERM.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ingest import records
from ingest.config import Yard, load_yard
from ingest.errors import StoreBusy
from ingest.readings import RawMessage
from ingest.store.connection import read_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

POTS = ("pot-1", "pot-2")
#: How many times a second the writer opens the store.
WRITES_HZ = 10
#: History before the browser comes. [s]
HISTORY_S = 1500

YARD = """
[site]
name = "test-yard"
time_zone = "Europe/Amsterdam"
title = "Test yard"
invented = true
[mqtt]
host = "127.0.0.1"
[[pot]]
name = "pot-1"
title = "Pot 1"
volume_m3 = 0.184
plate_pa = 1_000_000
[[pot]]
name = "pot-2"
volume_m3 = 0.184
plate_pa = 1_000_000
[[pot]]
name = "pot-3"
volume_m3 = 0.085
plate_pa = 862_000
[[box]]
name = "box-1"
pot = "pot-1"
channels = ["supply", "pot", "nozzle", "deadman"]
[[box]]
name = "box-2"
pot = "pot-2"
channels = ["supply", "pot", "deadman"]
"""

#: What must never be read on a page.
FORBIDDEN = re.compile(
    r"traceback|exception|could not set lock|conflicting lock|io error|storebusy|duckdb\.|"
    r"is being written to just now|was held by another|safe to open|pot is vented|"
    r"uncaught app|connection error",
    re.IGNORECASE,
)
#: A deep link makes Streamlit look for its server below the page first; that is no fault of ours.
PROBES = re.compile(r"/_stcore/(health|host-config)")


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
                windows += writer.take(journal.end, wait_s=1.0) is not None
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
    yard: Yard
    address: str
    pages: subprocess.Popen[bytes]
    writer: subprocess.Popen[str]
    log: Path


def chromium() -> str:
    """Debian's browser; where CI has none that is a failure, elsewhere a reason to skip."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None and os.environ.get("CI") == "true":
        pytest.fail("chromium is not installed; .ci/run installs it")
    if found is None:
        pytest.skip("chromium is not installed")
    return found


def wait_for(address: str, seconds: float = 40.0) -> None:
    give_up_at = time.monotonic() + seconds
    while True:
        try:
            with urllib.request.urlopen(f"{address}/_stcore/health", timeout=2):
                return
        except OSError:
            assert time.monotonic() < give_up_at, "the pages did not come up"
            time.sleep(0.2)


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    chromium()
    data = tmp_path_factory.mktemp("yard")
    yard_file = data / "yard.toml"
    yard_file.write_text(YARD, encoding="utf-8")
    yard = load_yard(yard_file)
    write_history(data, yard)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    writer = subprocess.Popen(
        [sys.executable, __file__, str(data)], stdout=subprocess.PIPE, text=True
    )
    log = data / "pages.log"
    with log.open("wb") as into:
        pages = subprocess.Popen(
            [sys.executable, "-m", "dashboard.cli", "pages",
             "--data", str(data), "--yard", str(yard_file), "--port", str(port), "--no-browser"],
            stdout=into, stderr=subprocess.STDOUT,
        )  # fmt: skip
    address = f"http://127.0.0.1:{port}"
    try:
        wait_for(address)
        yield Running(data, yard, address, pages, writer, log)
    finally:
        for process in (pages, writer):
            if process.poll() is None:
                process.terminate()
                try:
                    process.wait(20)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    executable = chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=executable,
            args=[
                "--no-sandbox", "--disable-gpu", "--no-first-run",
                "--disable-background-networking", "--disable-component-update",
                "--disable-sync", "--disable-quic",
            ],
        )  # fmt: skip
        yield opened
        opened.close()


# Notes every text that ever stands on the page, however short, and looks through it for what
# must not: a note that a page removes again a moment later counts too.
WATCH = """
(() => {
  const pattern = new RegExp(PATTERN, 'i');
  window.seenForbidden = [];
  const look = node => {
    const text = node.nodeType === 3 ? node.textContent : (node.innerText || node.textContent);
    if (text && pattern.test(text)) window.seenForbidden.push(text.slice(0, 400));
    if (node.querySelector && node.querySelector('[data-testid="stException"]'))
      window.seenForbidden.push('stException: ' + text.slice(0, 400));
  };
  new MutationObserver(changes => changes.forEach(change => {
    if (change.type === 'characterData') look(change.target);
    change.addedNodes.forEach(node => { if (node.nodeName !== 'SCRIPT') look(node); });
  })).observe(document, {subtree: true, childList: true, characterData: true});
})();
"""


def watched(browser: Any, errors: list[str], **settings: Any) -> Any:
    """A viewer whose pages are watched for what must not be there."""
    context = browser.new_context(**settings)
    context.add_init_script(WATCH.replace("PATTERN", json.dumps(FORBIDDEN.pattern)))
    page = context.new_page()
    page.set_default_timeout(20_000)
    page.on("pageerror", lambda error: errors.append(f"page error: {error}"))

    def heard(message: Any) -> None:
        if message.type == "error" and not PROBES.search(message.location.get("url", "")):
            errors.append(f"console: {message.text} {message.location.get('url', '')}")

    page.on("console", heard)
    return page


def go(page: Any, way: str, title: str) -> None:
    """Go to a page as a viewer would: by a row of ways, on a phone where need be by "More"."""
    rows = page.locator(".st-key-ways, .st-key-byways").get_by_text(way, exact=True)
    shown = rows.locator("visible=true")
    page.locator(".st-key-ways").wait_for()
    # While a page is drawn anew the second row of a wide window may not be there yet.
    if page.viewport_size["width"] < 700 and shown.count() == 0:
        page.locator(".st-key-ways").get_by_text("More", exact=True).click()
        shown = page.locator('[class*="st-key-onward-"]').get_by_text(way, exact=True)
    shown.first.click()
    page.get_by_role("heading", name=title, level=1).wait_for()


ROUND = (
    ("Shift", "Shift review", '[data-testid="stVegaLiteChart"] svg'),
    ("Upkeep", "Upkeep", '[class*="st-key-due-"]'),
    ("Condition", "Condition", ".gb-sure"),
    ("Signals", "Signals", ".gb-sign"),
    ("Help", "Help", ".gb-glossary"),
    ("Log book", "Log book", ".gb-entry"),
    ("Now", "Yard now", ".gb-card"),
)


def sign_off(page: Any, pot: str, title: str) -> None:
    go(page, "Upkeep", "Upkeep")
    page.get_by_text("since the fitting").first.wait_for()
    card = page.locator(f'[class*="st-key-due-"][class*="-{pot}-pinch_hose"]').first
    card.get_by_role("button", name="Sign off").click()
    card.get_by_role("radio", name="Good").click()
    card.get_by_text("Measured, note, time").click()
    card.get_by_label("In words").fill("wall 6.1 mm")
    card.get_by_label("Your name").fill("Maintainer 1")
    card.get_by_role("button", name="Save sign-off").click()
    page.get_by_text(f"Signed off: pinch hose on {title}, good, by Maintainer 1.").wait_for()


def keep_clicking(running: Running, browser: Any, seconds: float) -> None:
    """Go through every page, again and again, and sign one check off."""
    errors: list[str] = []
    page = watched(browser, errors, viewport={"width": 1280, "height": 900})
    end_at = time.monotonic() + seconds
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
    hose = page.locator('[class*="st-key-due-"][class*="-pot-1-pinch_hose"]').first
    anew = ""
    rounds = 0
    while time.monotonic() < end_at:
        for way, title, something in ROUND:
            go(page, way, title)
            page.locator(something).first.wait_for()
            page.wait_for_timeout(500)
            if way == "Upkeep":
                anew = hose.inner_text()
        # The cards redraw by themselves every few seconds: stay for two of them.
        page.wait_for_timeout(6500)
        assert page.get_by_text("Heard").count() >= len(POTS)
        rounds += 1
    assert rounds >= 1
    # Derived in the background, and shown without anybody asking for it.
    assert "since the last check" in anew
    assert page.evaluate("window.seenForbidden") == []
    assert errors == []
    assert running.pages.poll() is None and running.writer.poll() is None
    said = running.log.read_text(errors="replace")
    assert not FORBIDDEN.search(said), said
    page.context.close()


def checks(running: Running) -> list[dict[str, Any]]:
    with read_window(running.data) as con:
        return records.current(con, "check")


# --- tests -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "seconds", [pytest.param(30, id="30s"), pytest.param(300, id="300s", marks=pytest.mark.slow)]
)
def test_every_page_while_ingest_writes(running: Running, browser: Any, seconds: int) -> None:
    keep_clicking(running, browser, seconds)


def test_what_people_type_is_shown_and_never_run(running: Running, browser: Any) -> None:
    nasty = "<img src=x onerror=\"document.title='run'\"> **bold** :red[x] $y$"
    page = watched(browser, [], viewport={"width": 1280, "height": 900})
    page.goto(f"{running.address}/logbook")
    page.get_by_text("Job", exact=True).click()
    from playwright.sync_api import expect

    form = page.locator('[data-testid="stForm"]').filter(has_text="Name of the job")
    # While the page is drawn anew the form before it is still there for a moment.
    expect(form.get_by_label("Your name")).to_have_count(1, timeout=20_000)
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
        (1280, 900, "light"),
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
        page.wait_for_timeout(600)
        overflow = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert overflow <= 0, f"{title} is {overflow} px too wide at {width} px"
        low = page.evaluate(
            "[...document.querySelectorAll('.stButton button, .stFormSubmitButton button, "
            "[data-testid=stPageLink] a, [data-testid=stButtonGroup] button')]"
            ".filter(e => e.getClientRects().length)"
            ".map(e => [e.innerText, e.getBoundingClientRect().height])"
            ".filter(([text, height]) => height < 48)"
        )
        assert low == [], f"{title}: too low to press with gloves"
        assert page.get_by_text("Invented scenario").count() == 1
        if title != "Log book":
            assert page.get_by_text("prove that it is vented at the pot itself").count() == 1
        ground = page.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor")
        brightness = sum(int(n) for n in re.findall(r"\d+", ground)[:3]) / 3
        assert (brightness < 100) == (scheme == "dark")
        _keep_picture(page, title, width, height, scheme)
    assert page.evaluate("window.seenForbidden") == []
    assert errors == []
    page.context.close()


def _keep_picture(page: Any, title: str, width: int, height: int, scheme: str) -> None:
    folder = os.environ.get("GRITBOOK_SCREENSHOTS")
    if not folder:
        return
    tall = page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight")
    page.set_viewport_size({"width": width, "height": min(int(tall) + 40, 6000)})
    page.wait_for_timeout(800)
    name = title.lower().replace(" ", "-")
    page.screenshot(path=str(Path(folder) / f"{name}-{width}-{scheme}.png"))
    page.set_viewport_size({"width": width, "height": height})


def test_stopping_is_clean_and_nothing_was_lost(running: Running) -> None:
    """The last test of this file: it ends the pages and the writer."""
    running.pages.send_signal(signal.SIGTERM)
    assert running.pages.wait(20) == 0, running.log.read_text(errors="replace")
    with pytest.raises(OSError):
        urllib.request.urlopen(f"{running.address}/_stcore/health", timeout=1)
    running.writer.send_signal(signal.SIGTERM)
    told, _ = running.writer.communicate(timeout=40)
    wrote = json.loads(told)
    with read_window(running.data) as con:
        ((rows,),) = con.execute("SELECT count(*) FROM sample").fetchall()
        ((quarantined,),) = con.execute("SELECT count(*) FROM quarantine").fetchall()
    assert rows == wrote["sent"] + HISTORY_S * 2 * len(POTS)
    assert quarantined == 0
    # What a reader held up came in with the next batch: it is rare, and nothing is lost by it.
    assert wrote["busy"] <= 2 + 0.01 * wrote["windows"]
    assert wrote["windows"] >= 0.3 * wrote["sent"] / len(POTS)


if __name__ == "__main__":
    print(json.dumps(write_until_told(Path(sys.argv[1]))))
