"""How long each page takes until it can be used, alone and with four more people looking.

Run: python tests/bench/bench_pages.py [--data FOLDER --yard FILE] [--people 5]
     [--pages shift,condition] [--to FILE]

Without ``--data`` the demonstration's three weeks are made first. A page counts as usable when its
script has run to its end and its charts are drawn. ``ratio`` is the time while four others look
over the time alone, in the same run. The others are sessions of their own that draw the same page
anew every two seconds, over the pages' own websocket but without a browser: people's devices draw
for themselves, and not on this computer. ``kilobytes`` is what the browser received for the page
over its websocket, which is all but Streamlit's own files, and ``messages`` how many it came in.
``browser_s`` is the processor time of the page's main thread in the browser, which says more than
seconds where the machine has other work, too.
How long a page holds the store is measured in this process, with Streamlit's own test runner, from
a connection's opening to its end; ``cpu_s`` is the processor time of that run, from cold caches.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from playwright.async_api import Browser, async_playwright
from streamlit.proto.BackMsg_pb2 import BackMsg
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg
from websockets.asyncio.client import connect
from websockets.typing import Origin, Subprotocol

from dashboard import demo
from dashboard.navigation import PAGES, Way

#: The page's script has ended and nothing on it is older than that.
STILL = """() => document.querySelector('h1')
  && document.querySelector('[data-testid="stApp"]')?.getAttribute('data-test-script-state')
     === 'notRunning'
  && !document.querySelector('[data-testid="stSkeleton"], [data-stale="true"]')
  && [...document.querySelectorAll('[data-testid="stVegaLiteChart"]')]
     .every(chart => chart.querySelector('svg, canvas'))"""
CHROMIUM = [
    "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--disable-quic",
]  # fmt: skip


@contextmanager
def served(data: Path, yard: Path) -> Iterator[str]:
    """Pages on a data folder; their address."""
    port = demo.free_port()
    pages = subprocess.Popen(
        [sys.executable, "-m", "dashboard.cli", "pages", "--data", str(data),
         "--yard", str(yard), "--port", str(port), "--no-browser"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        give_up_at = time.monotonic() + 90
        while True:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health"):
                    break
            except OSError:
                if time.monotonic() > give_up_at:
                    raise SystemExit("The pages did not come up.") from None
                time.sleep(0.3)
        yield f"http://127.0.0.1:{port}"
    finally:
        pages.terminate()
        pages.wait(30)


class Visit(NamedTuple):
    """A page opened: seconds until it can be used, processor time, messages and their bytes."""

    seconds: float
    browser_s: float
    messages: int
    received: int


async def visit(browser: Browser, address: str) -> Visit:
    """Open a page in a window of its own."""
    context = await browser.new_context(viewport={"width": 1280, "height": 900})
    sizes: list[int] = []
    try:
        page = await context.new_page()
        tools = await context.new_cdp_session(page)
        await tools.send("Performance.enable", {"timeDomain": "threadTicks"})

        def count(frame: Any) -> None:
            sizes.append(len(frame if isinstance(frame, bytes) else frame.encode()))

        page.on("websocket", lambda socket: socket.on("framereceived", count))
        begun = time.perf_counter()
        await page.goto(address)
        await page.wait_for_function(STILL, timeout=120_000)
        seconds = time.perf_counter() - begun
        told = (await tools.send("Performance.getMetrics"))["metrics"]
        busy = next(one["value"] for one in told if one["name"] == "TaskDuration")
        return Visit(seconds, busy, len(sizes), sum(sizes))
    finally:
        await context.close()


async def look_on(address: str, path: str, stop: asyncio.Event, looks: list[float]) -> None:
    """A person who looks at a page: it is drawn anew every two seconds until told to stop."""
    stream = address.replace("http://", "ws://") + "/_stcore/stream"
    async with connect(
        stream, subprotocols=[Subprotocol("streamlit")], origin=Origin(address), max_size=None
    ) as line:
        while not stop.is_set():
            begun = time.perf_counter()
            asked = BackMsg()
            asked.rerun_script.page_name = path
            await line.send(asked.SerializeToString())
            while True:
                answer = ForwardMsg()
                answer.ParseFromString(bytes(await line.recv(decode=False)))
                if answer.WhichOneof("type") == "script_finished":
                    break
            looks.append(time.perf_counter() - begun)
            await asyncio.sleep(2.0)


async def measure(
    address: str, people: int, repeats: int, ways: tuple[Way, ...]
) -> dict[str, dict[str, float | None]]:
    """Each page by one person alone, and while others look at it."""
    figures: dict[str, dict[str, float | None]] = {}
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=shutil.which("chromium") or shutil.which("chromium-browser"),
            args=CHROMIUM,
        )
        await visit(browser, address)  # Streamlit's own files come once
        for way in ways:
            at = f"{address}/{'' if way is PAGES[0] else way.path}"
            await visit(browser, at)
            alone = [await visit(browser, at) for _ in range(repeats)]
            stop, looks = asyncio.Event(), list[float]()
            path = "" if way is PAGES[0] else way.path
            others = [
                asyncio.create_task(look_on(address, path, stop, looks)) for _ in range(people - 1)
            ]
            await asyncio.sleep(2.0)
            together = [await visit(browser, at) for _ in range(repeats)]
            stop.set()
            await asyncio.gather(*others)
            one = statistics.median(seen.seconds for seen in alone)
            many = statistics.median(seen.seconds for seen in together)
            figures[way.path] = {
                "one_s": round(one, 2),
                f"beside_{people - 1}_s": round(many, 2),
                "ratio": round(many / one, 2),
                "others_s": round(statistics.median(looks), 2) if looks else None,
                "looks": len(looks),
                "browser_s": round(statistics.median(seen.browser_s for seen in alone), 2),
                "messages": alone[-1].messages,
                "kilobytes": round(alone[-1].received / 1e3, 1),
            }
        await browser.close()
    return figures


def holds(data: Path, yard: Path, ways: tuple[Way, ...]) -> dict[str, dict[str, float]]:
    """How often each page opens the store, and how long it holds it at most. [s]"""
    import streamlit as st
    from streamlit.testing.v1 import AppTest

    import dashboard
    from ingest.store import connection

    os.environ |= {"GRITBOOK_DATA": str(data), "GRITBOOK_YARD": str(yard)}
    held: list[float] = []
    opened = connection.open_store

    @contextmanager
    def noted(path: Path, read_only: bool, wait_s: float) -> Iterator[Any]:
        with opened(path, read_only, wait_s) as con:
            begun = time.perf_counter()
            yield con
        held.append(time.perf_counter() - begun)

    connection.open_store = noted  # type: ignore[assignment]
    figures = {}
    app = AppTest.from_file(str(Path(dashboard.__file__).parent / "app.py"), default_timeout=120)
    for way in ways:
        app.run()
        if way is not PAGES[0]:
            app.switch_page(way.file)
        st.cache_data.clear()
        held.clear()
        begun = time.process_time()
        app.run()
        took = time.process_time() - begun
        if app.exception:
            raise SystemExit(f"{way.path}: {app.exception[0].message}")
        figures[way.path] = {
            "cpu_s": round(took, 2),
            "reads": len(held),
            "longest_read_s": round(max(held, default=0.0), 3),
        }
    connection.open_store = opened
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--yard", type=Path)
    parser.add_argument("--people", type=int, default=5)
    parser.add_argument("--pages", help="paths, with commas between; all by default")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--to", type=Path)
    given = parser.parse_args()
    asked = given.pages.split(",") if given.pages else [way.path for way in PAGES]
    ways = tuple(way for way in PAGES if way.path in asked)
    # As `gritbook pages` has it: threads that wait for each other would be counted as work.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with tempfile.TemporaryDirectory() as name:
        data = given.data or Path(name)
        if given.data is None:
            children = demo.Children(data / "logs")
            demo.prepare(data, demo.free_port(), "/dev/null", children, lambda what, share: None)
        yard = given.yard or data / "yard.toml"
        held = holds(data, yard, ways)
        with served(data, yard) as address:
            figures = asyncio.run(measure(address, given.people, given.repeats, ways))
    found = {
        "bench": "pages",
        "people": given.people,
        "pages": {way.path: held[way.path] | figures[way.path] for way in ways},
    }
    print(json.dumps(found, indent=1))
    if given.to:
        given.to.write_text(json.dumps(found, indent=1) + "\n")


if __name__ == "__main__":
    main()
