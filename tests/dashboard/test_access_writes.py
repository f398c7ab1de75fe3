"""Who may write through the pages is decided where they write, not by which buttons they show."""

from __future__ import annotations

import ast
import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import streamlit as st
import yards
from argon2.profiles import CHEAPEST
from streamlit.testing.v1 import AppTest

from dashboard import data, entered_data
from dashboard.access import audit, book, passwords, people, roles, session, sessions
from ingest import photos, records
from ingest.config import load_yard
from ingest.errors import AccessError, NotAllowed, NotSignedIn, RecordRefused
from ingest.store.connection import read_window

Show = Callable[[Path], None]
APP = str(Path(data.__file__).parent / "app.py")
PASSWORD = "four odd words together"
YARD = yards.site() + yards.pot()
ROLES = tuple(roles.ROLE_WORDS)
NAMES = {role: f"{role.title()} One" for role in ROLES}
#: A body of every kind that a page may enter, each referring to what `place` entered.
BODIES: dict[str, dict[str, Any]] = {
    "abrasive": {"pot": "pot-1", "bags": 2, "bag_kg": 25.0, "abrasive": "garnet"},
    "area": {"job": "tank-1", "shift": "monday", "pot": "pot-1", "area_m2": 12.0},
    "stop_reason": {"pot": "pot-1", "stop_for": "weather", "from_at": "2026-03-02T07:00:00Z",
                    "to_at": "2026-03-02T07:20:00Z"},
    "check": {"pot": "pot-1", "part": "pinch_hose", "result": "good"},
    "shift_start": {"pot": "pot-1"},
    "part_fitted": {"pot": "pot-1", "part": "pinch_hose", "tag": "h-1"},
    "part_removed": {"pot": "pot-1", "part": "pinch_hose", "because": "worn"},
    "shift": {"shift": "tuesday", "crew": "crew-a", "job": "tank-1", "pots": ["pot-1"],
              "from_at": "2026-03-03T06:00:00Z", "to_at": "2026-03-03T14:00:00Z"},
    "job_change": {"shift": "monday", "job": "tank-2", "from_at": "2026-03-02T09:00:00Z"},
    "abrasive_move": {"abrasive": "garnet", "move": "delivered", "kg": 1000.0},
    "fuel": {"shift": "monday", "litres": 40.0},
    "job": {"job": "tank-9", "rust_grade": "B", "prep_grade": "Sa 2 1/2"},
    "abrasive_kind": {"abrasive": "slag"},
    "price": {"price_of": "fuel_l", "price": 1.5, "from_at": "2026-03-01T00:00:00Z"},
    "crew": {"crew": "crew-z", "size": 2},
    "signature": {"shift": "monday"},
    "notice_seen": {"pot": "pot-1", "notice": "n-1", "notice_kind": "over_plate",
                    "began_at": "2026-03-02T07:00:00Z"},
    "notice_put_off": {"pot": "pot-1", "notice": "n-1", "notice_kind": "over_plate",
                       "began_at": "2026-03-02T07:00:00Z", "why": "box is being mended",
                       "at": "2026-03-02T10:00:00Z", "until_at": "2026-03-02T12:00:00Z"},
    "yard_change": {"what": "pot-1", "before": "0" * 64, "after": "1" * 64, "kept": "yard-1.toml"},
}  # fmt: skip
JPEG = b"\xff\xd8\xff\xe0" + bytes(40) + b"\xff\xd9"


class Browser:
    """What the browser of a viewer sends as its cookie."""

    def __init__(self) -> None:
        self.token = ""


@pytest.fixture
def browser(monkeypatch: pytest.MonkeyPatch) -> Browser:
    browser = Browser()
    monkeypatch.setattr(session, "token", lambda: browser.token)
    return browser


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with one shift booked, and one person in each role."""
    folder = tmp_path_factory.mktemp("made") / "data"
    folder.mkdir()
    (folder / "yard.toml").write_text(YARD, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", passwords.PasswordHasher.from_parameters(CHEAPEST))
        for role, name in NAMES.items():
            people.add(folder, name, role, PASSWORD)
    yard = load_yard(folder / "yard.toml")
    for kind, body in (
        ("crew", {"crew": "crew-a", "size": 3}),
        ("job", {"job": "tank-1", "rust_grade": "B", "prep_grade": "Sa 2 1/2"}),
        ("job", {"job": "tank-2", "rust_grade": "B", "prep_grade": "Sa 2 1/2"}),
        ("shift", {"shift": "monday", "crew": "crew-a", "job": "tank-1", "pots": ["pot-1"],
                   "from_at": "2026-03-02T06:00:00Z", "to_at": "2026-03-02T14:00:00Z"}),
    ):  # fmt: skip
        records.add(folder, yard, kind, body, by="Setup", via="command")
    return folder


@pytest.fixture
def place(made: Path, tmp_path: Path, show: Show, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it, which the pages are of."""
    folder = tmp_path / "data"
    shutil.copytree(made, folder)
    monkeypatch.setattr(passwords, "_hasher", passwords.PasswordHasher.from_parameters(CHEAPEST))
    show(folder)
    return folder


def entered(folder: Path) -> list[tuple[str, str, str]]:
    """Kind, who and by which way, of every row since `place` was made."""
    with read_window(folder) as con:
        return con.execute(
            "SELECT kind, recorded_by, via FROM record WHERE recorded_by <> 'Setup' ORDER BY ALL"
        ).fetchall()


def test_bodies_of_every_kind_are_tried() -> None:
    assert set(BODIES) == set(roles.ENTERING)


@pytest.mark.parametrize("role", ROLES)
def test_a_role_enters_what_it_covers_and_nothing_else(
    place: Path, browser: Browser, role: str
) -> None:
    browser.token = sessions.begin(place, NAMES[role], "192.0.2.7")
    refused = set()
    for kind, body in BODIES.items():
        try:
            # The name that is typed, or forged into the page's state, counts for nothing.
            entered_data.enter(kind, body, "Owner One")
        except NotAllowed as error:
            assert "may not" in error.what and "Nothing was saved" in error.what
            refused.add(kind)
    covered = {kind for kind, action in roles.ENTERING.items() if roles.covers(role, action)}
    assert refused == set(BODIES) - covered
    assert entered(place) == sorted((kind, NAMES[role], "page") for kind in covered)
    noted = [line for line in audit.lines(place) if line["what"] == "refused"]
    assert [(n["name"], n["action"]) for n in noted] == [
        (NAMES[role], roles.ENTERING[kind]) for kind in BODIES if kind not in covered
    ]


def test_the_table_is_not_empty_of_refusals() -> None:
    """Else the test above could not fail."""
    assert not roles.covers("tender", "sign sheets") and roles.covers("supervisor", "sign sheets")
    assert not roles.covers("supervisor", "look after people")


def every_write(folder: Path) -> list[Callable[[], object]]:
    with read_window(folder) as con:
        ((record_id,),) = con.execute(
            "SELECT record_id FROM record WHERE kind = 'shift'"
        ).fetchall()
    return [
        lambda: entered_data.enter("abrasive", BODIES["abrasive"], "Owner One"),
        lambda: entered_data.correct(record_id, BODIES["shift"], "Owner One", "forged"),
        lambda: entered_data.withdraw(record_id, "Owner One", "forged"),
        lambda: entered_data.keep_photo(JPEG),
    ]


@pytest.mark.parametrize("how", ["none", "forged", "expired", "ended", "stopped", "of a hash"])
def test_no_session_that_does_not_hold_writes_or_reads(
    place: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    token = sessions.begin(place, "Owner One", "192.0.2.7")
    browser.token = token
    data.version()  # it holds so far
    if how == "none":
        browser.token = ""
    elif how == "forged":
        browser.token = token[:-1] + ("A" if token[-1] != "A" else "B")
    elif how == "expired":
        now = sessions._now_us()
        monkeypatch.setattr(sessions, "_now_us", lambda: now + (sessions.IDLE_S + 1) * 1_000_000)
    elif how == "ended":
        sessions.end(place, token)
    elif how == "stopped":
        people.add(place, "Owner Two", "owner", PASSWORD)
        people.set_disabled(place, "Owner One", disabled=True)
    else:
        browser.token = sessions.token_hash(token).hex()
    for write in every_write(place):
        with pytest.raises(NotSignedIn, match="not signed in"):
            write()
    with pytest.raises(NotSignedIn):
        data.version()
    assert not session.may("look at the pages")
    assert entered(place) == [] and not (place / photos.FOLDER_NAME).exists()


def test_with_the_access_book_gone_wrong_nobody_writes(place: Path, browser: Browser) -> None:
    browser.token = sessions.begin(place, "Owner One", "192.0.2.7")
    book.book_path(place).chmod(0o644)
    for write in every_write(place):
        with pytest.raises(AccessError, match="others than its owner"):
            write()
    assert entered(place) == []


def test_who_entered_something_corrects_it_soon_and_nobody_elses(
    place: Path, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser.token = sessions.begin(place, "Supervisor One", "192.0.2.7")
    others = entered_data.enter("abrasive", BODIES["abrasive"], "")
    browser.token = sessions.begin(place, "Tender One", "192.0.2.7")
    mine = entered_data.enter("abrasive", BODIES["abrasive"], "")
    fixed = entered_data.correct(mine, BODIES["abrasive"] | {"bags": 3}, "", "slip of the finger")
    with pytest.raises(NotAllowed, match="may not correct entries"):
        entered_data.correct(others, BODIES["abrasive"] | {"bags": 3}, "", "not mine")
    with pytest.raises(NotAllowed):
        entered_data.withdraw(others, "", "not mine")
    monkeypatch.setattr(entered_data, "OWN_CORRECTED_WITHIN", dt.timedelta(0))
    with pytest.raises(NotAllowed):
        entered_data.withdraw(fixed, "", "too late")
    browser.token = sessions.begin(place, "Supervisor One", "192.0.2.7")
    entered_data.withdraw(fixed, "", "tipped into pot 2")
    assert [who for _, who, _ in entered(place)].count("Tender One") == 2


def test_at_this_computer_without_people_everything_is_done_by_the_name_typed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setenv("GRITBOOK_YARD", str(tmp_path / "yard.toml"))
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    st.cache_data.clear()
    entered_data.enter("crew", {"crew": "crew-a", "size": 3}, "Whoever Sits Here")
    assert entered(tmp_path) == [("crew", "Whoever Sits Here", "page")]
    assert all(session.may(action) for action in roles.ACTIONS)
    with pytest.raises(RecordRefused, match="Nobody is named"):
        entered_data.enter("crew", {"crew": "crew-b", "size": 3}, " ")


# --- through the pages -----------------------------------------------------------------------


def said(app: AppTest) -> str:
    assert not app.exception, [e.message for e in app.exception]
    return "\n".join(element.proto.body for element in app.get("html"))


def test_a_page_shows_nothing_to_whom_nobody_knows(place: Path, browser: Browser) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert "You are not signed in" in said(app) and "pot-1" not in said(app)
    browser.token = sessions.begin(place, "Tender One", "192.0.2.7")
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert "You are not signed in" not in said(app) and "Tender One" in said(app)
    assert 'href="/access/me"' in said(app)
    sessions.end(place, browser.token)  # in another window
    assert "You are not signed in" in said(app.run())


def test_a_form_asks_no_name_of_who_is_signed_in_and_a_refusal_keeps_what_was_typed(
    place: Path, browser: Browser
) -> None:
    browser.token = sessions.begin(place, "Tender One", "192.0.2.7")
    app = AppTest.from_file(APP, default_timeout=60).run().switch_page("views/logbook.py").run()
    said(app)
    assert "Your name" not in [field.label for field in app.text_input]
    assert "Entered by Tender One" in said(app)


# --- what is uploaded ------------------------------------------------------------------------


def test_a_photo_is_told_by_its_content_and_its_name_is_never_used(
    place: Path, browser: Browser
) -> None:
    browser.token = sessions.begin(place, "Maintainer One", "192.0.2.7")
    kept = entered_data.keep_photo(JPEG)
    assert sorted(p.name for p in (place / photos.FOLDER_NAME).iterdir()) == [kept]
    with pytest.raises(RecordRefused, match="no whole JPEG"):
        entered_data.keep_photo(b"<script>alert(1)</script>")  # whatever it was called
    with pytest.raises(RecordRefused, match="at most"):
        entered_data.keep_photo(JPEG[:-2] + bytes(photos.LARGEST_BYTES) + JPEG[-2:])
    for path in ("../../etc/passwd", "..\\x.jpg", f"../{kept}", f"{kept}\x00", "/etc/passwd"):
        with pytest.raises(ValueError, match="no photo's name"):
            photos.photo_path(place, path)
        with pytest.raises(RecordRefused):
            entered_data.enter("check", BODIES["check"] | {"photo": path}, "")


def test_a_page_offers_what_a_role_covers(place: Path, browser: Browser) -> None:
    offered = {}
    for role in ("tender", "supervisor"):
        browser.token = sessions.begin(place, NAMES[role], "192.0.2.7")
        app = AppTest.from_file(APP, default_timeout=60).run().switch_page("views/logbook.py").run()
        said(app)
        offered[role] = set(app.button_group(key="log-kind").options)
    assert "Price" in offered["supervisor"] and "Price" not in offered["tender"]
    assert "Abrasive tipped" in offered["tender"]


def test_whoever_was_signed_out_meanwhile_finds_the_way_back(place: Path, browser: Browser) -> None:
    app = AppTest.from_file(APP, default_timeout=60).run()
    assert '<a class="gb-again" href="/access/sign-in">' in said(app)


# --- nothing beside it -----------------------------------------------------------------------

#: What writes, as modules of pages call it.
WRITERS = {
    "records.add", "records.correct", "records.withdraw", "records.load_file", "photos.keep",
    "clock_rows.put", "clock_rows.withdraw", "yard_save.replace", "retry_quarantine",
    "write_window",
}  # fmt: skip
#: What asks whether they may.
ASKERS = {"session.require", "session.writer", "_corrector"}
#: They write what no person at a page asks for: the demonstration, and notices that were sent.
NOT_PAGES = {"demo.py", "sending.py", "serve.py"}


def dotted(call: ast.Call) -> str:
    return ast.unparse(call.func)


def test_whatever_writes_for_a_page_asks_first() -> None:
    """A page that writes by another way than `data` has to ask as that does."""
    folder, found = Path(data.__file__).parent, set()
    for path in sorted(folder.rglob("*.py")):
        within = path.relative_to(folder)
        if within.parts[0] in ("commands", "access") or within.name in NOT_PAGES:
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)):
            calls = [n for n in ast.walk(function) if isinstance(n, ast.Call)]
            writes = [c.lineno for c in calls if dotted(c) in WRITERS]
            if not writes:
                continue
            found.add(f"{within}:{function.name}")
            asks = [c.lineno for c in calls if dotted(c) in ASKERS]
            assert asks and min(asks) < min(writes), f"{within}: {function.name} writes unasked"
    assert {
        "entered_data.py:enter",
        "entered_data.py:correct",
        "entered_data.py:withdraw",
        "entered_data.py:keep_photo",
    } <= found
