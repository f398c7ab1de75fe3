"""Pages in a real browser, for the tests that look at them: served, opened, watched, gone through.

A test that fails because a machine is busy is a fault of the test. So nothing here, and nothing in
the tests that use it, counts or clicks what may not be drawn yet: it waits for what must be there.
The limits of such waits are long; they matter only where something is wrong.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import ssl
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
from ports import free_port

from dashboard.navigation import DAILY, MORE

#: How long is waited for what must come. [s]
PATIENCE_S = 90.0
#: Below this width the ways that are not used in every shift are on the page *More*. [px]
NARROW_PX = 641

#: What must never be read on a page.
FORBIDDEN = re.compile(
    r"traceback|exception|could not set lock|conflicting lock|io error|storebusy|duckdb\.|"
    r"is being written to just now|was held by another|safe to open|pot is vented|"
    r"uncaught app|connection error",
    re.IGNORECASE,
)
#: A deep link makes Streamlit look for its server below the page first; that is no fault of ours.
PROBES = re.compile(r"/_stcore/(health|host-config)")


# --- pages that run --------------------------------------------------------------------------


def ended(process: subprocess.Popen[Any], wait_s: float = 60.0) -> None:
    """End a process that was started, by force where asking does not help."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(wait_s)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_for(
    address: str,
    process: subprocess.Popen[Any],
    log: Path | None = None,
    trusting: ssl.SSLContext | None = None,
) -> None:
    """Wait until a server of pages answers, or has ended without."""
    give_up_at = time.monotonic() + PATIENCE_S
    while True:
        try:
            urllib.request.urlopen(
                f"{address}/_stcore/health", timeout=10, context=trusting
            ).close()
            return
        except OSError:
            told = log.read_text(errors="replace") if log else ""
            assert process.poll() is None, f"the pages ended: {told}"
            assert time.monotonic() < give_up_at, f"the pages did not come up: {told}"
            time.sleep(0.1)


class Pages:
    """`gritbook pages` on a data folder, which can be killed and started again at its address.

    Parameters
    ----------
    data : Path
        The data folder, with its yard file.
    *options : str
        What else the command is given.
    trusting : SSLContext, optional
        What trusts its certificate, where it is served by TLS.
    """

    def __init__(self, data: Path, *options: str, trusting: ssl.SSLContext | None = None) -> None:
        chromium()
        self.data = data
        self.port = free_port()
        self.address = f"{'https' if trusting else 'http'}://127.0.0.1:{self.port}"
        self.log = data.parent / f"{data.name}-pages.log"
        self.process: subprocess.Popen[bytes] | None = None
        self._options = options
        self._trusting = trusting

    def start(self) -> None:
        """Start them, and wait until they answer."""
        with self.log.open("ab") as into:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dashboard.cli", "pages", "--data", str(self.data),
                 "--yard", str(self.data / "yard.toml"), "--port", str(self.port), "--no-browser",
                 *self._options],
                stdout=into, stderr=subprocess.STDOUT,
            )  # fmt: skip
        wait_for(self.address, self.process, self.log, self._trusting)

    def kill(self) -> None:
        """End the command and the server that it started, as a power cut does."""
        if self.process is not None:
            pid = self.process.pid
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="utf-8")
            for each in (pid, *map(int, children.split())):
                os.kill(each, signal.SIGKILL)
            self.process.wait()
            self.process = None

    def __enter__(self) -> Pages:
        with ExitStack() as stack:
            stack.callback(self.end)
            self.start()
            stack.pop_all()
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def end(self) -> None:
        """End them as a person would."""
        if self.process is not None:
            ended(self.process)


# --- a browser -------------------------------------------------------------------------------


def chromium() -> str:
    """Debian's browser; where CI has none that is a failure, elsewhere a reason to skip."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None and os.environ.get("CI") == "true":
        pytest.fail("chromium is not installed; .ci/run installs it")
    if found is None:
        pytest.skip("chromium is not installed")
    return found


@contextmanager
def opened_browser() -> Iterator[Any]:
    """A browser that speaks to nobody but the pages."""
    executable = chromium()
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=PATIENCE_S * 1000)
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path=executable,
            timeout=PATIENCE_S * 1000,
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


def opened_page(browser: Any, **settings: Any) -> Any:
    """A page of a viewer of its own, with patience."""
    page = browser.new_context(**settings).new_page()
    page.set_default_timeout(PATIENCE_S * 1000)
    return page


def watched(browser: Any, errors: list[str], **settings: Any) -> Any:
    """A viewer whose pages are watched for what must not be there."""
    page = opened_page(browser, **settings)
    page.add_init_script(WATCH.replace("PATTERN", json.dumps(FORBIDDEN.pattern)))
    page.on("pageerror", lambda error: errors.append(f"page error: {error}"))

    def heard(message: Any) -> None:
        if message.type == "error" and not PROBES.search(message.location.get("url", "")):
            errors.append(f"console: {message.text} {message.location.get('url', '')}")

    page.on("console", heard)
    return page


# --- on a page -------------------------------------------------------------------------------


def go(page: Any, way: str, title: str) -> None:
    """Go to a page as a viewer would: by a row of ways, on a phone where need be by "More"."""
    bar = page.locator(".st-key-ways")
    # By what is used in every shift, not by what happens to be drawn: rows come one by one.
    if way in {each.title for each in DAILY}:
        row = bar
    elif page.viewport_size["width"] >= NARROW_PX:
        row = page.locator(".st-key-byways")
    else:
        bar.get_by_text(MORE.title, exact=True).click()
        row = page.locator('[class*="st-key-onward-"]')
    row.get_by_text(way, exact=True).first.click()
    page.get_by_role("heading", name=title, level=1).wait_for()


#: True once the page's script has run and nothing of the run before is left.
STILL = """() => !document.querySelector(
  '[data-testid="stSpinner"], [data-testid="stSkeleton"], [data-stale="true"]')
  && document.querySelector('[data-testid="stApp"]')?.getAttribute('data-test-script-state')
     !== 'running'
  && !!document.querySelector('h1')"""


def settle(page: Any, longer_ms: int = 200) -> None:
    """Wait until the page's script has run, and has run again where that made it run again."""
    page.wait_for_function(STILL)
    page.wait_for_timeout(longer_ms)
    page.wait_for_function(STILL)


def comes(look: Callable[[], Any], wanted: Any, wait_s: float = PATIENCE_S) -> Any:
    """What is seen in the end: what is wanted as soon as it is there, else what there is."""
    give_up_at = time.monotonic() + wait_s
    while (seen := look()) != wanted and time.monotonic() < give_up_at:
        time.sleep(0.1)
    return seen


#: What is pressed with gloves on, with its height, where that is too low.
LOW = """() => [...document.querySelectorAll('.stButton button, .stFormSubmitButton button, ' +
    '[data-testid=stPageLink] a, [data-testid=stButtonGroup] button, .stDownloadButton button')]
  .filter(e => e.getClientRects().length)
  .map(e => [e.innerText, e.getBoundingClientRect().height])
  .filter(([text, height]) => height > 0 && height < 48)"""


def assert_fits(page: Any, title: str) -> None:
    """Nothing stands out of the window, and everything can be pressed with gloves."""
    settle(page)
    wide = "document.documentElement.scrollWidth <= window.innerWidth"
    assert comes(lambda: page.evaluate(wide), True, 10), f"{title} is wider than the window"
    assert comes(lambda: page.evaluate(LOW), [], 10) == [], f"{title}: too low for gloves"


def assert_scheme(page: Any, scheme: str) -> None:
    """The page is bright by day and dark by night."""
    ground = page.evaluate("getComputedStyle(document.querySelector('.stApp')).backgroundColor")
    brightness = sum(int(n) for n in re.findall(r"\d+", ground)[:3]) / 3
    assert (brightness < 100) == (scheme == "dark")


def assert_clean(page: Any, errors: list[str]) -> None:
    """Nothing was ever shown that must not be, and the browser had nothing to complain of."""
    assert page.evaluate("window.seenForbidden") == []
    assert errors == []


def keep_picture(page: Any, name: str) -> None:
    """Keep a picture of the whole page where ``GRITBOOK_SCREENSHOTS`` says, to be looked at."""
    folder = os.environ.get("GRITBOOK_SCREENSHOTS")
    if not folder:
        return
    size = page.viewport_size
    tall = page.evaluate("document.querySelector('.stMainBlockContainer').scrollHeight")
    page.set_viewport_size({"width": size["width"], "height": min(int(tall) + 40, 6000)})
    settle(page, 800)
    page.screenshot(path=str(Path(folder) / f"{name}.png"))
    page.set_viewport_size(size)
