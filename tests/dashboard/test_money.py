"""Who may not see prices and costs is given none: not on pages, not in what is downloaded."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import test_sheet
from argon2.profiles import CHEAPEST
from page_text import looked_at, text
from streamlit.testing.v1 import AppTest

from analytics.costs import MONEY
from dashboard import data, entered_data, shifts_data
from dashboard.access import passwords, people, roles, session, sessions
from ingest import records
from ingest.config import load_yard
from ingest.errors import NotAllowed

APP = str(Path(data.__file__).parent / "app.py")
PASSWORD = "four odd words together"
SEE = ("supervisor", "owner")
#: Prices that nothing else on a page could read like, and what nine hours of people cost then.
WAGE, SLAG, SPENT = 43.217, 0.7319, 388.953
TELLING = ("43.2", "0.7319", "wages 389", "EUR", "Price", "Cost")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A yard with a shift, a wage, a price of abrasive, and one person in each role."""
    place = tmp_path_factory.mktemp("money") / "data"
    test_sheet.make(place)
    yard = load_yard(place / "yard.toml")
    for kind, body in (
        ("abrasive_kind", {"abrasive": "slag", "price_kg": SLAG}),
        ("price", {"price_of": "wage_h", "price": WAGE, "from_at": "2026-01-01T00:00Z"}),
    ):
        records.add(place, yard, kind, body, by="Supervisor A", via="command")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", passwords.PasswordHasher.from_parameters(CHEAPEST))
        for role in roles.ROLE_WORDS:
            people.add(place, f"{role.title()} One", role, PASSWORD)
    return place


@pytest.fixture
def place(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with looked_at(made, tmp_path, monkeypatch) as folder:
        yield folder


def come(place: Path, role: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let whoever is at the pages be the person in a role; what was read for others stays kept."""
    token = sessions.begin(place, f"{role.title()} One", "192.0.2.7")
    monkeypatch.setattr(session, "token", lambda: token)


def everything_given(version: data.Version) -> str:
    """What the pages are given of what has money in it, and reports as they are downloaded."""
    sheet, _ = data.kept(shifts_data.shift_sheet, version, "monday").value
    rows = data.kept(shifts_data.shift_rows, version).value
    prices, kinds = data.kept(shifts_data.price_book, version).value
    log = data.kept(entered_data.record_log, version).value
    histories = [
        data.kept(entered_data.record_history, version, row["record_id"]).value for row in log
    ]
    given = [sheet.costs, *sheet.rows.iter_rows(), *rows.iter_rows(), prices.rows(), kinds.rows(),
             log, histories]  # fmt: skip
    for what, of in (("shift", "monday"), ("month", "2026-05")):
        made = data.kept(data.report, version, what, of, "html", "a4", "metric").value
        given.append(re.sub(r"<[^>]+>", " ", made.content.decode().split("</style>")[-1]))
    return " ".join(str(one) for one in given)


def test_the_server_gives_money_to_those_who_may_see_it_and_to_nobody_else(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others come after the owner, so that what was kept for him would be found."""
    for role in (*SEE, "tender", "maintainer"):
        come(place, role, monkeypatch)
        version = data.version()
        told = everything_given(version)
        if role in SEE:
            assert all(str(price) in told for price in (WAGE, SLAG, SPENT))
            assert "Cost per area" in told and "EUR" in told
            assert (
                shifts_data.comparison(version, "crew", "cost_m2", None).measure.name == "cost_m2"
            )
            continue
        # An id holds any digits: figures of money have a point or a unit.
        for number in (WAGE, SLAG, SPENT, "Cost per area", "EUR"):
            assert str(number) not in told, (role, number)
        assert told.count("Prices and costs are left out of this copy.") == 2
        with pytest.raises(NotAllowed, match="may not see prices and costs"):
            shifts_data.comparison(version, "crew", "cost_m2", None)
        (price,) = [row for row in entered_data._record_log(version) if row["kind"] == "price"]
        with pytest.raises(NotAllowed, match="may not see prices and costs"):
            entered_data.record_history(version, price["record_id"])


@pytest.mark.parametrize("role", ["tender", "supervisor"])
def test_pages_show_money_to_those_who_may_see_it(
    place: Path, monkeypatch: pytest.MonkeyPatch, role: str
) -> None:
    come(place, role, monkeypatch)
    app = AppTest.from_file(APP, default_timeout=60).run()
    seen = []
    for view in ("review", "crews", "estimate", "logbook"):
        app.switch_page(f"views/{view}.py").run()
        assert not app.exception
        fields = [*app.selectbox, *app.number_input, *app.button_group]
        offered = [str(o) for f in fields for o in getattr(f, "options", ())]
        seen += [text(app), *(field.label for field in fields), *offered]
    told = " ".join(seen)
    found = [word for word in TELLING if word in told]
    assert found == (list(TELLING) if role in SEE else [])


def test_money_is_what_costs_are_kept_in() -> None:
    """A column of costs that is added later has to be named as money."""
    from analytics.part_rows import PART_ROW_SCHEMA
    from analytics.shift_rows import MEASURES, SHIFT_ROW_SCHEMA

    columns = {*PART_ROW_SCHEMA, *SHIFT_ROW_SCHEMA}
    assert {name for name in columns if "cost" in name} == MONEY
    assert {m.name for m in MEASURES.values() if m.amount in MONEY} == {"cost_m2"}


def test_whoever_sits_at_a_computer_where_nobody_signs_in_sees_money(place: Path) -> None:
    shutil.rmtree(place / "access")
    assert not session.sign_in_needed() and data.sees_money()
    sheet, _ = shifts_data.shift_sheet(data.version(), "monday")
    assert sheet.costs.total is not None and sheet.costs.items["wages"] == pytest.approx(SPENT)
    without = sheet.without_money()
    assert without.costs.total is None and without.costs.lacking == ()
    same = [name for name in sheet.rows.columns if name not in {*MONEY, "lacking"}]
    assert without.rows.select(same).equals(sheet.rows.select(same))
