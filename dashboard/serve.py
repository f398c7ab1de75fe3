"""Starts the pages: Streamlit in one child, deriving and sending in another, ended together.

``python -m dashboard.serve`` is the deriving child, which also sends notices; it ends when its
standard input closes, so it never outlives whoever started it.
"""

from __future__ import annotations

import ipaddress
import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from dashboard.access.people import ALWAYS_VARIABLE
from ingest.errors import GritbookError, Terminal
from ingest.photos import LARGEST_BYTES

if TYPE_CHECKING:
    from analytics.weighing import WeighedSpells

#: How long between two derivations. [s]
DERIVE_EVERY_S = 10.0
#: How long a child may take to end by itself. [s]
_PATIENCE_S = 8.0

#: What Streamlit runs: ``app.py`` behind the gate.
SERVED = Path(__file__).parent / "served.py"


class PagesFailed(Terminal):
    """The pages could not be brought up."""


class Encryption(NamedTuple):
    """What the pages are served over TLS with: two files in PEM form."""

    certificate: Path
    key: Path


def serve(
    data: Path,
    yard: Path,
    port: int,
    address: str = "127.0.0.1",
    open_browser: bool = True,
    encryption: Encryption | None = None,
) -> int:
    """Run the pages until stopped with Ctrl-C or SIGTERM, keeping figures up to date meanwhile.

    Parameters
    ----------
    data, yard : Path
        Data folder and yard file.
    port : int
        TCP port.
    address : str
        Address to listen on; by default this computer only. Beyond it sign-in is asked of
        everybody, also where the access book is taken away meanwhile.
    open_browser : bool
        Whether to open the first page in this computer's browser.
    encryption : Encryption or None
        Certificate and key; ``None``: in the clear.

    Returns
    -------
    int
        0 after a clean stop; the status of Streamlit where it ended by itself.

    Raises
    ------
    PagesFailed
        The port is taken.
    """
    _refuse_taken(address, port)
    environment = {
        **os.environ,
        "GRITBOOK_DATA": str(data.resolve()),
        "GRITBOOK_YARD": str(yard.resolve()),
    }
    if not is_this_computer(address):
        environment[ALWAYS_VARIABLE] = "always"
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    # A session of its own: Ctrl-C in the terminal reaches this process alone, which then ends both.
    pages = subprocess.Popen(
        streamlit_command(port, address, open_browser, encryption),
        # Matrices on pages are small: threads that wait for each other cost more than they do.
        env={"OPENBLAS_NUM_THREADS": "1", **environment},
        stdin=subprocess.DEVNULL,
        start_new_session=True,
    )
    deriving = _start_deriving(environment)
    begun_at = time.monotonic()
    try:
        while not stop.wait(0.3):
            if (status := pages.poll()) is not None:
                return status or 1
            # Without it the pages still show what there is: it is started again, but not hastily.
            if deriving.poll() is not None and time.monotonic() - begun_at > DERIVE_EVERY_S:
                print("Deriving ended by itself and is started again.", file=sys.stderr, flush=True)
                _end(deriving)
                deriving, begun_at = _start_deriving(environment), time.monotonic()
        return 0
    finally:
        _end(deriving)
        _end(pages)


def _start_deriving(environment: dict[str, str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "dashboard.serve"],
        env=environment,
        stdin=subprocess.PIPE,
        start_new_session=True,
    )


def is_this_computer(address: str) -> bool:
    """Whether an address to listen on is reached from this computer only.

    Examples
    --------
    >>> is_this_computer("127.0.0.1"), is_this_computer("0.0.0.0"), is_this_computer("192.0.2.7")
    (True, False, False)
    """
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def streamlit_command(
    port: int, address: str, open_browser: bool, encryption: Encryption | None = None
) -> list[str]:
    """The command that runs the pages and nothing besides: no statistics, no prompts, no menus.

    Streamlit's own guard against forms of other sites (XSRF) stays on, as it is by default.
    """
    from dashboard import look

    return [
        sys.executable, "-m", "streamlit", "run", str(SERVED),
        f"--server.port={port}",
        f"--server.address={address}",
        f"--server.headless={'false' if open_browser else 'true'}",
        "--server.showEmailPrompt=false",
        "--server.fileWatcherType=none",
        "--server.runOnSave=false",
        f"--server.maxUploadSize={LARGEST_BYTES // 2**20}",
        "--browser.gatherUsageStats=false",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        "--client.showErrorLinks=false",
        "--logger.level=warning",
        # Its greeting would ask a service elsewhere for this computer's address.
        "--logger.hideWelcomeMessage=true",
        *look.server_options(),
        *(
            [f"--server.sslCertFile={encryption.certificate}",
             f"--server.sslKeyFile={encryption.key}"]
            if encryption else []
        ),
    ]  # fmt: skip


def is_up(port: int, address: str = "127.0.0.1") -> bool:
    """Whether the pages answer."""
    try:
        with urllib.request.urlopen(f"http://{address}:{port}/_stcore/health", timeout=2):
            return True
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


def keep_deriving(data: Path, yard_file: Path, stop: threading.Event) -> None:
    """Derive every few seconds until told to stop, and weigh the pots beside it.

    What goes wrong is said once on standard error, and again only when it changes: a store that
    is busy or a yard file being edited passes by itself.
    """
    from analytics.noticing import derive_notices
    from analytics.pipeline import derive
    from analytics.weighing import weigh_spells
    from ingest.config import load_yard
    from ingest.store.connection import store_path
    from ingest.store.shards import gather_all

    saying = {"deriving": "", "weighing": ""}

    def say(what: str, error: GritbookError | None) -> None:
        told, saying[what] = saying[what], "" if error is None else str(error)
        if error is not None and str(error) != told:
            print(error, file=sys.stderr, flush=True)

    # The first weighing after an update compiles for a minute or two, and a long history takes many
    # rounds: hours, and counts that a sign-off begins anew, must not wait for either.
    weighing: Future[WeighedSpells] | None = None
    with ThreadPoolExecutor(1, "weighing") as beside:
        while not stop.is_set():
            try:
                gather_all(data)
                if store_path(data).exists():
                    yard = load_yard(yard_file)
                    derive(data, yard)
                    if weighing is None:
                        weighing = beside.submit(
                            weigh_spells, data, yard, most_s=DERIVE_EVERY_S / 2
                        )
                    derive_notices(data, yard)
                say("deriving", None)
            except GritbookError as error:
                say("deriving", error)
            stop.wait(DERIVE_EVERY_S)
            if weighing is not None and weighing.done():
                try:
                    weighing.result()
                    say("weighing", None)
                except GritbookError as error:
                    say("weighing", error)
                weighing = None


def _refuse_taken(address: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError as error:
            raise PagesFailed(
                f"The pages cannot listen on {address} port {port}: {error.strerror}.",
                "Choose another with --port; Gritbook may be running already.",
            ) from error


def _end(child: subprocess.Popen[bytes]) -> None:
    if child.stdin is not None:
        child.stdin.close()
    if child.poll() is None:
        child.terminate()
        try:
            child.wait(_PATIENCE_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _derive_until_orphaned() -> None:
    stop = threading.Event()
    signal.signal(signal.SIGTERM, lambda *_: stop.set())

    def wait_for_the_end() -> None:
        # Not through sys.stdin: its lock, held by a reading thread, aborts Python on the way out.
        while os.read(0, 1024):
            pass
        stop.set()

    from dashboard.sending import keep_sending

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    place = Path(os.environ["GRITBOOK_DATA"]), Path(os.environ["GRITBOOK_YARD"])
    # A service that does not answer must hold up no figures.
    sending = threading.Thread(target=keep_sending, args=(*place, stop), daemon=True)
    sending.start()
    keep_deriving(*place, stop)


if __name__ == "__main__":
    _derive_until_orphaned()
