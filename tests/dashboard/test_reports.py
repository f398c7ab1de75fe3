"""Reports that people print and send: figures as programs get them, numbered, nothing interpreted.

Paper sizes are those of ISO 216 (A4, 210 mm x 297 mm) and ANSI/ASME Y14.1 (A, 8.5 in x 11 in), at
72 points an inch.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import html.parser
import io
import json
import re
import shutil
import socket
from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

import polars as pl
import pypdf
import pytest
import test_sheet
from click.testing import Result
from typer.testing import CliRunner

from analytics.pipeline import derive
from dashboard.cli import app as commands
from dashboard.reports import content, part_record, shift_sheet, web, weeks_upkeep, writing
from dashboard.reports.content import Note, Report
from dashboard.reports.pdf import pdf
from dashboard.sheet_words import Said
from ingest import records
from ingest.config import Yard, load_yard
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

NOW = dt.datetime(2026, 5, 6, 12)
#: What a page description or a page would make something of, if it were let to.
NASTY = (
    '#eval("1+1") $x^2$ *bold* _it_ `raw` @ref <lab> \\emph{x} \\u{41} // c /* c */ ~ -- = H '
    "<script>alert(1)</script> <img src=http://evil.example/x.png> &amp; ]] }} \u202e \u4e2d"
)


def gritbook(place: Path, *words: str) -> Result:
    environment = {"GRITBOOK_DATA": str(place), "GRITBOOK_YARD": str(place / "yard.toml")}
    return CliRunner().invoke(commands, list(words), env=environment)


def good(place: Path, *words: str) -> str:
    result = gritbook(place, *words)
    assert result.exit_code == 0, result.output
    return result.stdout


def refused(place: Path, *words: str) -> str:
    result = gritbook(place, *words)
    assert result.exit_code == 1, result.output
    assert "Traceback" not in result.output
    return " ".join(result.stderr.split())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("reports") / "data"
    test_sheet.make(place)
    return place


@pytest.fixture
def place(tmp_path: Path, made: Path) -> Path:
    """Three hours of a shift at 2 Hz, with a stop of twenty minutes."""
    return shutil.copytree(made, tmp_path / "data")


@pytest.fixture
def yard(place: Path) -> Yard:
    return load_yard(place / "yard.toml")


def monday(place: Path) -> Report:
    with read_window(place) as con:
        return shift_sheet.compose(con, load_yard(place / "yard.toml"), "monday", NOW)


@pytest.fixture(scope="module")
def report(made: Path) -> Report:
    """The sheet of that shift, as it is before anything more is entered."""
    return monday(made)


def text_of(made: bytes) -> str:
    reader = pypdf.PdfReader(io.BytesIO(made))
    text = "\n".join(page.extract_text() for page in reader.pages)
    # Spaces within numbers and before units are narrow and do not break.
    return re.sub(r"[\u00a0\u202f ]+", " ", text)


# --- the figures -----------------------------------------------------------------------------


def rounded(value: float, digits: int) -> str:
    """To the nearest, from the number's own decimal digits; thousands set apart."""
    step = Decimal(1).scaleb(-digits)
    told = f"{Decimal(repr(value)).quantize(step, ROUND_HALF_EVEN):,f}"
    return told.replace(",", " ")


def three_places(value: float) -> str:
    """An amount: one decimal below a hundred, whole from there on."""
    return rounded(value, 0 if abs(value) >= 100 else 1)


def test_each_figure_of_the_pdf_is_that_of_the_command(place: Path, tmp_path: Path) -> None:
    """The PDF is read back, the figures are rounded here from what programs get."""
    to = tmp_path / "monday.pdf"
    said = good(place, "report", "shift", "monday", "--to", str(to))
    told = text_of(to.read_bytes())
    part = json.loads(good(place, "shift", "monday", "--format", "json"))
    assert len(part) == 1
    row = part[0]
    summary = next(
        one for one in json.loads(good(place, "shift", "--format", "json"))
        if one["shift"] == "monday"
    )  # fmt: skip
    number = re.search(r"shift sheet (SHIFT-\S+?)\.\n", said)
    assert number is not None and number[1] in told
    hours = rounded(row["blast_s"] / 3600, 2)
    pages = [page.split("Pot 1", 1)[-1] for page in (told,)]
    assert re.search(rf"Blast-on\s+{hours} h", told)
    assert re.search(rf"Pinch cycles\s+{row['cycles']}\b", pages[0])
    assert re.search(rf"Dead-man open\s+{rounded(summary['deadman_s'] / 3600, 2)} h", told)
    assert re.search(rf"Area\s+{three_places(row['area_m2'])} m²", told)
    assert re.search(rf"Paid\s+{rounded(row['paid_s'] / 3600, 1)} h", told)
    pace = row["area_m2"] / row["blast_s"] * 3600
    assert re.search(rf"Pace\s+{three_places(pace)} m²/", told)
    per_area = row["abrasive_kg"] / row["area_m2"]
    assert re.search(rf"Abrasive\s+{three_places(per_area)} kg/m²", told)
    for column in ("supply_pa", "pot_pa", "nozzle_pa"):
        assert f"{rounded(summary[column] / 1000, 0)} kPa" in told
    for column in ("drop_supply_pot_pa", "drop_pot_nozzle_pa"):
        drop = summary[column] / 1000
        assert (f"−{rounded(drop, 0)} kPa" if abs(drop) >= 5 else "under 5 kPa") in told
    cost = row["abrasive_cost"]
    assert re.search(rf"Cost\s+{three_places(cost)} EUR", told)
    low, high = (rounded(row[f"blast_{end}_s"] / 3600, 2) for end in ("low", "high"))
    assert (low == high) or f"between {low} and {high} h" in told


def test_a_figure_changed_is_another_number_and_changed_after_signing_is_shown(
    place: Path, yard: Yard
) -> None:
    first = monday(place)
    good(place, "record", "sign", "monday", "--by", "Supervisor A")
    signed = monday(place)
    assert signed.number != first.number
    assert "Signed by Supervisor A" in text_of(pdf(signed))
    records.add(
        place, yard, "area",
        {"job": "Girders", "shift": "monday", "pot": "pot-1", "area_m2": 5.0,
         "at": "2026-05-04T08:58Z"},
        by="Tender 1", via="command", reason="measured again",
    )  # fmt: skip
    told = text_of(pdf(monday(place)))
    assert "Changed after it was signed." in told and "measured again" in told
    assert "Area was 40.0 when signed, and is 45.0 m² now." in told


# --- the same contents, the same bytes -------------------------------------------------------


@pytest.mark.parametrize(("paper", "points"), [("a4", (595.276, 841.890)), ("letter", (612, 792))])
def test_paper_is_what_the_standards_say(report: Report, paper: str, points: Any) -> None:
    reader = pypdf.PdfReader(io.BytesIO(pdf(report, paper)))
    for page in reader.pages:
        assert tuple(float(side) for side in page.mediabox[2:]) == pytest.approx(points, abs=0.01)


def test_the_same_contents_give_the_same_number_and_the_same_bytes(
    place: Path, report: Report
) -> None:
    one, other = report, monday(place)
    assert one.number == other.number
    assert pdf(one) == pdf(other)
    assert web.page(one) == web.page(other)
    with read_window(place) as con:
        later = shift_sheet.compose(
            con, load_yard(place / "yard.toml"), "monday", NOW + dt.timedelta(days=3)
        )
    assert later.number == one.number, "a shift that is over does not change by waiting"


def test_the_number_goes_by_all_that_is_said() -> None:
    def report(**changed: Any) -> Report:
        told: dict[str, Any] = {
            "kind": "shift", "title": "t", "under": "", "site": "s", "zone": "UTC",
            "on": NOW.date(), "as_of": NOW, "facts": (("a", "b"),),
            "blocks": (content.Figures((Said("Blast-on", "1.00", "h"),)),),
        }  # fmt: skip
        return Report(**told | changed)

    first = report()
    assert re.fullmatch(r"SHIFT-2026-05-06-[0-9a-f]{8}", first.number)
    others = [
        report(title="u"), report(under="x"), report(zone="Europe/Berlin"), report(facts=()),
        report(as_of=NOW + dt.timedelta(seconds=1)), report(blocks=()),
        report(blocks=(content.Figures((Said("Blast-on", "1.01", "h"),)),)),
        report(blocks=(content.Drawing("<svg/>", "alt"),)),
        report(blocks=(content.Drawing("<svg a=''/>", "alt"),)),
        report(blocks=(content.Photo(b"1", "image/png", ""),)),
        report(blocks=(content.Photo(b"2", "image/png", ""),)),
        report(blocks=(content.Photo(None, "image/png", ""),)),
    ]  # fmt: skip
    numbers = [one.number for one in (first, *others)]
    assert len(set(numbers)) == len(numbers)


def test_a_pdf_says_what_it_is_to_programs(report: Report) -> None:
    reader = pypdf.PdfReader(io.BytesIO(pdf(report)))
    catalogue: Any = reader.trailer["/Root"]
    assert catalogue["/Lang"] == "en"
    assert catalogue["/MarkInfo"]["/Marked"]
    assert "/StructTreeRoot" in catalogue
    assert reader.metadata is not None
    assert reader.metadata.title == "monday, Shift sheet"
    assert reader.metadata.creation_date == report.as_of.replace(tzinfo=dt.UTC)
    packet = catalogue["/Metadata"].get_data().decode()
    # Tables 7 and 8 of ISO 14289-1 and ISO 19005-2 name these properties; from memory.
    assert re.search(r"pdfuaid:part\D{1,3}1\b", packet)
    assert re.search(r"pdfaid:part\D{1,3}2\b", packet)
    assert catalogue["/ViewerPreferences"]["/DisplayDocTitle"]


def test_pages_are_numbered_of_all(report: Report) -> None:
    reader = pypdf.PdfReader(io.BytesIO(pdf(report)))
    last = len(reader.pages)
    assert last >= 2
    for number, page in enumerate(reader.pages, 1):
        assert f"Page {number} of {last}" in page.extract_text()


# --- HTML by itself --------------------------------------------------------------------------


class Seen(html.parser.HTMLParser):
    """Tags, what would be loaded, headings in their order, and tables."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.loaded: list[str] = []
        self.levels: list[int] = []
        self.ids: list[str] = []
        self.handlers: list[str] = []
        self.unnamed = 0
        self.headers: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self.tags.append(tag)
        self.loaded += [
            value or "" for name, value in attrs
            if name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href")
        ]  # fmt: skip
        self.handlers += [name for name, _ in attrs if name.startswith("on")]
        if told.get("id"):
            self.ids.append(str(told["id"]))
        if re.fullmatch("h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag == "th":
            self.headers.append(told.get("scope"))
        if tag == "svg" and not told.get("aria-label") and told.get("aria-hidden") != "true":
            self.unnamed += 1
        if tag == "img" and not told.get("alt"):
            self.unnamed += 1


def seen(page: str) -> Seen:
    found = Seen()
    found.feed(page)
    found.close()
    return found


def test_html_loads_nothing_and_is_in_good_order(report: Report) -> None:
    page = web.page(report)
    found = seen(page)
    assert found.loaded == [] and found.handlers == []
    assert not {"script", "link", "iframe", "object", "base", "form"} & set(found.tags)
    assert "http" not in page and "@import" not in page and "url(" not in re.sub(
        r"url\(#[\w-]+\)", "", page
    )  # fmt: skip
    assert found.unnamed == 0
    assert found.levels[0] == 1 and found.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(found.levels, found.levels[1:], strict=False))
    assert found.tags.count("table") == found.tags.count("caption") > 2
    assert set(found.headers) == {"col", "row"}
    assert len(found.ids) == len(set(found.ids))
    for wanted in ("prefers-color-scheme: dark", "@media print", "width=device-width", "@page"):
        assert wanted in page


# --- what people typed -----------------------------------------------------------------------


def test_what_people_typed_is_shown_and_nothing_else(place: Path, yard: Yard) -> None:
    records.add(
        place, yard, "part_fitted",
        {"pot": "pot-1", "part": "pinch_hose", "tag": "H#17 $a$", "at": "2026-05-04T05:00Z"},
        by="Tender <1>", via="command",
    )  # fmt: skip
    records.add(
        place, yard, "check",
        {"pot": "pot-1", "part": "pinch_hose", "result": "worn", "note": NASTY,
         "at": "2026-05-04T10:00Z"},
        by="#let x", via="command",
    )  # fmt: skip
    derive(place, yard, now=NOW)
    with read_window(place) as con:
        told = part_record.record_of(con, yard, NOW, ["pot-1"])
        reports = [part_record.compose(told, yard, NOW), weeks_upkeep.compose(con, yard, NOW)]
    for report in reports:
        page = web.page(report)
        found = seen(page)
        assert "script" not in found.tags and "img" not in found.tags and found.loaded == []
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
        # Typst breaks lines where it likes, and spells out what turns text round.
        flat = re.sub(r"\s", "", text_of(pdf(report)))
        shown = re.sub(r"\s", "", NASTY.replace("\u202e", "[U+202E]"))
        bare = shown.removesuffix("\u4e2d")
        assert bare in flat
        assert flat.partition(bare)[2].startswith(("\u4e2d", "[U+4E2D]"))


@pytest.mark.parametrize(
    "title", ["", "\x00\x07", "\ud800", "\U0001f600" * 50, "x" * 3000, "#" * 9]
)
def test_no_title_stops_a_report(report: Report, title: str) -> None:
    named = dataclasses.replace(report, title=title, blocks=(Note(title, title, "warn"),))
    assert pdf(named).startswith(b"%PDF")
    assert writing.made(named, "html").endswith(b"</html>\n")


# --- without a network -----------------------------------------------------------------------


def test_nothing_reaches_for_a_network(
    place: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Sockets are shut in this process; a proxy that is nowhere shuts those that are not ours."""

    def shut(*_: object, **__: object) -> None:
        raise OSError("no network here")

    monkeypatch.setattr(socket, "socket", shut)
    monkeypatch.setattr(socket, "create_connection", shut)
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY"):
        monkeypatch.setenv(name, "http://127.0.0.1:9")
        monkeypatch.setenv(name.lower(), "http://127.0.0.1:9")
    report = monday(place)
    assert any(isinstance(block, content.Drawing) for block in report.blocks)
    assert pdf(report).startswith(b"%PDF")


# --- short, long, and nothing ----------------------------------------------------------------


def test_what_is_not_there_is_a_sentence(place: Path, tmp_path: Path) -> None:
    to = str(tmp_path / "x.pdf")
    assert 'There is no shift "tuesday".' in refused(
        place, "report", "shift", "tuesday", "--to", to
    )
    assert '"May" is no month.' in refused(place, "report", "month", "May", "--to", to)
    assert "has not begun yet" in refused(place, "report", "month", "2999-01", "--to", to)
    assert 'No part "H99" was ever entered.' in refused(place, "report", "part", "H99", "--to", to)
    nowhere = str(tmp_path / "no" / "folder" / "x.pdf")
    assert "cannot be written" in refused(place, "report", "shift", "monday", "--to", nowhere)
    assert not Path(to).exists()


def test_a_shift_of_which_nothing_was_heard(place: Path, yard: Yard) -> None:
    records.add(
        place, yard, "shift",
        {"shift": "silent", "crew": "Blue", "job": "Girders", "pots": ["pot-1"],
         "from_at": "2026-05-05T06:00Z", "to_at": "2026-05-05T09:00Z"},
        by="Supervisor A", via="command",
    )  # fmt: skip
    derive(place, yard, now=NOW)
    with read_window(place) as con:
        report = shift_sheet.compose(con, yard, "silent", NOW)
    told = text_of(pdf(report))
    assert "Readings cover" in told and "0.00 h" in told
    assert "No area was entered" in told
    assert "between 0.00 and 3.00 h" in told, "silence in a booked shift may have been blasting"


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[tuple[Path, Yard]]:
    """A yard with a store and nothing in it."""
    place = tmp_path / "empty"
    place.mkdir()
    (place / "yard.toml").write_text(test_sheet.YARD, encoding="utf-8")
    yard = load_yard(place / "yard.toml")
    derive(place, yard, now=NOW)
    yield place, yard


@pytest.mark.parametrize(
    "words", [("upkeep",), ("part",), ("month", "2026-05")], ids=["upkeep", "part", "month"]
)
@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_a_yard_without_data_has_reports_that_say_so(
    empty: tuple[Path, Yard], words: tuple[str, ...], kind: str
) -> None:
    place, _ = empty
    to = place / f"it.{kind}"
    good(place, "report", *words, "--to", str(to))
    made = to.read_bytes()
    told = text_of(made) if kind == "pdf" else made.decode()
    wanted = {
        "upkeep": "Nothing is counted yet.", "part": "Nothing was entered yet.",
        "month": "No shift began in May 2026.",
    }  # fmt: skip
    assert wanted[words[0]] in told
    assert "Invented scenario" in told and "Europe/Berlin" in told


def long_shift(place: Path) -> Yard:
    """The longest shift there is, a day, with a stop of five minutes in each quarter of an hour."""
    place.mkdir()
    (place / "yard.toml").write_text(test_sheet.YARD, encoding="utf-8")
    yard = load_yard(place / "yard.toml")
    begin = test_sheet.BEGIN
    step = 2
    seconds = range(0, 86_400, step)
    is_open = [(s % 900) < 570 and (s % 100) < 70 for s in seconds]
    frame = pl.DataFrame(
        {
            "sampled_at": [begin + dt.timedelta(seconds=s) for s in seconds],
            "deadman": is_open,
            "pot_pa": [700e3 if on else 0.0 for on in is_open],
            "supply_pa": [720e3] * len(is_open),
        }
    ).with_columns(
        pl.lit(1, pl.Int16).alias("pot_id"), pl.lit(0, pl.Int32).alias("quality"),
        pl.lit(0).alias("message_id"), pl.col("sampled_at").alias("arrived_at"),
    )  # fmt: skip
    with write_window(place) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        con.register("incoming", frame.to_arrow())
        add_samples(con, frame)
        con.execute(
            "INSERT INTO touched SELECT nextval('touched_number'), 1, min(sampled_at), "
            "max(sampled_at) FROM incoming"
        )
        con.unregister("incoming")
    end = begin + dt.timedelta(days=1)
    for kind, body in (
        ("crew", {"crew": "Blue", "size": 3}),
        ("job", {"job": "Girders"}),
        ("shift", {"shift": "long", "crew": "Blue", "job": "Girders", "pots": ["pot-1"],
                   "from_at": f"{begin.isoformat()}Z", "to_at": f"{end.isoformat()}Z"}),
    ):  # fmt: skip
        records.add(place, yard, kind, body, by="Supervisor A", via="command")
    derive(place, yard, now=end + dt.timedelta(days=1))
    return yard


def test_tables_of_a_very_long_shift_repeat_their_heads(tmp_path: Path) -> None:
    yard = long_shift(tmp_path / "data")
    with read_window(tmp_path / "data") as con:
        report = shift_sheet.compose(con, yard, "long", test_sheet.BEGIN + dt.timedelta(days=4))
    tables = [block for block in report.blocks if isinstance(block, content.Table)]
    stops = next(block for block in tables if block.head[-1] == "Known by")
    assert len(stops.rows) >= 90
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf(report))).pages]
    with_rows = [page for page in pages if len(re.findall("no reason yet", page)) > 5]
    assert len(with_rows) >= 3
    assert all("Known by" in page for page in with_rows)


def test_units_are_the_reader_s(place: Path, tmp_path: Path) -> None:
    """Metric is what the first test reads; here it is inch and pound."""
    to = tmp_path / "x.pdf"
    good(place, "report", "shift", "monday", "--to", str(to), "--units", "inch-pound")
    told = text_of(to.read_bytes())
    summary = json.loads(good(place, "shift", "--format", "json"))[0]
    # 1 psi = 6 894.757 Pa, 1 ft2 = 0.092 903 04 m2: NIST Special Publication 811 (2008), B.8.
    stairs = told.partition("Pressure while blasting")[2].partition("When the dead-man")[0]
    assert f"{round(summary['pot_pa'] / 6894.757)} psi" in stairs and "kPa" not in stairs
    assert re.search(rf"Area\s+{round(summary['area_m2'] / 0.09290304)} ft²", told)


def test_the_page_and_the_report_ask_the_same(place: Path) -> None:
    """Whatever a sheet says on the page stands on the report, word for word."""
    from analytics.pipeline import utc_now
    from analytics.sheets import shift_sheet as composed
    from dashboard import sheet_words

    yard = load_yard(place / "yard.toml")
    with read_window(place) as con:
        sheet = composed(con, yard, "monday", utc_now())
    said: list[Said] = []
    for block in monday(place).blocks:
        if isinstance(block, content.Figures):
            said += block.said
    for figure in sheet_words.figures(sheet, yard):
        assert figure in said
