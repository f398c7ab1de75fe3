"""Whoever reads in psi and pounds meets no metric unit, on any page, in any form or report."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest
import test_sheet
from page_text import looked_at, text
from streamlit.testing.v1 import AppTest

from analytics.pipeline import derive
from dashboard import compare_words, data, downloads, entered_data, entry, shifts_data, units
from dashboard.navigation import PAGES
from ingest import records
from ingest.config import load_yard

APP = str(Path(data.__file__).parent / "app.py")
#: Units in which nobody is to read who chose the others. A bar of a chart has no number before it.
METRIC = re.compile(
    r"kPa|\bkg\b|m²|m³|°C|\bµm\b|\d[\u00a0\u202f ]?bar\b|\bmm\b|\d[\u00a0\u202f ]?cm\b|\bl/min\b"
    r"|\d[\u00a0\u202f ]l\b|\[l\]|\blitres?\b|\bkilograms?\b|\bsquare metres?\b|\bm3\b|\bm2\b"
)
#: What stays metric, and why.
EXCEPTIONS = {
    "exports are in SI, and the help names their columns": re.compile(
        r"In exports \w+, in [\w/²³ ]+?(?= (What|From|When|Pages|$))"
    ),
    "sections and their lengths are typed as their standards write them": re.compile(
        r"Count, section, length in m;.*?does not matter\."
    ),
    "a gauge's reading is in the gauge's own unit, which is chosen beside it": re.compile(
        r"^(kPa|bar|mm|µm|°C)$"
    ),
    "the switch between the two has both": re.compile(r'^content: "kPa"\n$'),
    "the yard file's own text": re.compile(r"points_pa = .*? in Pa"),
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("units") / "data"
    test_sheet.make(place)
    (place / "yard.toml").write_text(
        test_sheet.YARD + '[[transducer]]\npot = "pot-1"\nchannel = "pot"\nunit = "Pa"\n'
        "range_pa = [0, 1_000_000]\n"
        "[[transducer.calibration]]\nfrom_at = 2026-01-01\noffset_pa = 1200.0\n"
        '[mqtt]\nhost = "127.0.0.1"\n'
        '[[box]]\nname = "box-1"\npot = "pot-1"\nsource = "mqtt"\nrate_hz = 2\n'
        'channels = ["supply", "pot", "nozzle", "deadman"]\n',
        encoding="utf-8",
    )
    yard = load_yard(place / "yard.toml")
    for kind, body in (
        ("price", {"price_of": "fuel_l", "price": 1.5, "from_at": "2026-01-01T00:00Z"}),
        ("price", {"price_of": "waste_kg", "price": 0.1, "from_at": "2026-01-01T00:00Z"}),
        ("fuel", {"shift": "monday", "litres": 40.0}),
        ("check", {"pot": "pot-1", "part": "nozzle", "result": "good"}),
        ("job", {"job": "Hopper", "planned_m2": 25.0, "coating_um": 250.0, "profile_low_um": 50.0}),
        ("abrasive_kind", {"abrasive": "slag", "price_kg": 0.25, "bulk_kg_m3": 1700.0}),
    ):  # fmt: skip
        records.add(place, yard, kind, body, by="Supervisor A", via="command")
    derive(place, yard)
    return place


@pytest.fixture(autouse=True)
def place(tmp_path: Path, made: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with looked_at(made, tmp_path, monkeypatch) as folder:
        yield folder


def opened(units_: str) -> AppTest:
    app = AppTest.from_file(APP, default_timeout=60)
    app.query_params["units"] = units_
    return app.run()


def said(app: AppTest) -> list[str]:
    """All that a page says: text, labels, choices, help, headings of tables, axes of charts."""
    assert not app.exception, [e.message for e in app.exception]
    told = [text(app)]
    for block in app.main:
        proto = getattr(block, "proto", None)
        for name in ("label", "help", "placeholder", "options", "spec"):
            value = getattr(proto, name, "")
            told += [value] if isinstance(value, str) else [str(one) for one in value]
    for element in app.get("vega_lite_chart"):
        told += re.findall(r'"title": ?"([^"]+)"', element.proto.spec)
    told += [str(column) for frame in app.dataframe for column in frame.value.columns]
    return [one for one in told if one]


def metric_in(texts: list[str]) -> list[str]:
    """Where a metric unit stands that is no exception."""
    found = []
    for one in texts:
        for allowed in EXCEPTIONS.values():
            one = allowed.sub(" ", one)
        found += [
            f"...{one[max(0, hit.start() - 60) : hit.end() + 20]}" for hit in METRIC.finditer(one)
        ]
    return found


@pytest.mark.parametrize("way", PAGES, ids=lambda way: way.path)
def test_no_page_has_a_metric_unit_for_who_reads_in_others(way: object) -> None:
    app = opened("inch-pound").switch_page(way.file).run()  # type: ignore[attr-defined]
    told = said(app)
    assert metric_in(told) == []
    assert any("psi" in one for one in told)  # the switch, at least: the page was looked at


def test_the_same_words_are_metric_for_who_reads_so() -> None:
    """Else the test above could not fail."""
    app = opened("metric").switch_page("views/logbook.py").run()
    assert metric_in(said(app))


def test_forms_and_entries_ask_and_tell_in_the_viewers_units(place: Path) -> None:
    app = opened("inch-pound").switch_page("views/logbook.py").run()
    told = said(app)
    assert any("0.1134 a lb" in one for one in told)  # 0.25 a kg
    assert any("10.57 US gal" in one for one in told)  # 40 l
    for kind in ("job", "abrasive_kind", "fuel", "price", "abrasive_move"):
        app.button_group(key="log-kind").set_value(kind).run()
        assert metric_in(said(app)) == [], kind
    app.button_group(key="log-kind").set_value("abrasive_kind").run()
    name = next(f for f in app.text_input if f.label.startswith("Name, as it"))
    name.set_value("grit")
    field = next(f for f in app.number_input if f.label.startswith("Price of a lb"))
    field.set_value(0.2)
    next(f for f in app.text_input if f.label == "Your name").set_value("Supervisor A")
    next(b for b in app.button if b.label.startswith("Save")).click().run()
    version = data.version()
    newest = entered_data.record_log(version)[0]
    assert newest["body"]["abrasive"] == "grit"
    assert newest["body"]["price_kg"] == pytest.approx(0.2 / units.POUND_KG, rel=1e-9)
    assert set(entry.KINDS) >= {"fuel", "price"}


def test_an_estimate_without_history_is_told_in_the_viewers_units() -> None:
    app = opened("inch-pound").switch_page("views/estimate.py").run()
    app.button[0].click().run()
    told = said(app)
    assert metric_in(told) == []
    # By hand: the nozzle of that yard reads 630 kPa, and 630 / 6.894757 = 91.4.
    assert any("at the nozzle as usual in this yard: 91 psi." in one for one in told)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "of"), [("shift", "monday"), ("month", "2026-05"), ("upkeep", ""), ("part", "pot-1")]
)
def test_reports_made_on_a_page_are_in_the_viewers_units(what: str, of: str) -> None:
    made = data.report(data.version(), what, of, "html", "a4", "inch-pound")
    plain = re.sub(r"<style.*?</style>|<[^>]+>", " ", made.content.decode(), flags=re.S)
    assert metric_in([html.unescape(plain)]) == []


def test_files_are_in_the_units_of_who_was_offered_them() -> None:
    """0.3048 m to a foot, 0.45359237 kg to a pound and 231 cubic inches to a gallon, all exact."""
    frame = pl.DataFrame(
        {"pot": ["p"], "pot_pa": [689_475.729], "area_m2": [9.290304], "used_kg": [45.359237],
         "abrasive_kg_m2": [4.88242764], "bore_m": [0.009525], "fuel_l": [3.785411784]}
    )  # fmt: skip
    with units.use(units.INCH_POUND):
        make = downloads.csv(lambda: frame)
    # It is fetched later, where nobody's page is drawn.
    head, row = make().strip().splitlines()
    assert head == "pot,pot_psi,area_ft2,used_lb,abrasive_lb_ft2,bore_in,fuel_us_gal"
    values = [float(cell) for cell in row.split(",")[1:]]
    assert values == pytest.approx([100.0, 100.0, 100.0, 1.0, 0.375, 1.0], rel=1e-6)
    assert downloads.csv(lambda: frame)() == frame.write_csv()


def test_a_comparison_by_bores_is_told_in_the_viewers_units() -> None:
    found = shifts_data.comparison(data.version(), "bore_m", "abrasive_kg_m2", None)
    assert found.groups["group"].to_list() == ["9.5 mm"]
    with units.use(units.INCH_POUND):
        told = compare_words.in_viewers_units(found)
        file = compare_words.groups_file(told, data.yard())
        rate = float(found.groups["rate"][0]) / 4.882_427_64
    assert told.groups["group"].to_list() == ["0.374 in"]  # 9.5 mm, as it is called
    assert file["rate_unit"].to_list() == ["lb/ft²"]
    assert file["rate"][0] == pytest.approx(rate, rel=1e-6)
    assert json.loads(file.write_json())[0]["abrasive_kg"] == pytest.approx(500.0)
