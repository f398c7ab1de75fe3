"""Changes of a yard file's text: it says what was meant, and every other byte stays.

What a text says is told by ``tomllib`` of the standard library, which follows TOML 1.0.0; what is
meant is computed here on plain values, apart from the code under test.
"""

from __future__ import annotations

import copy
import datetime as dt
import difflib
import tomllib
from importlib import resources
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.config import parse_yard
from ingest.errors import YardFileError
from ingest.yard_edit import AddTable, RemoveTable, SetKey, difference, edited, written

TEMPLATE = (resources.files("ingest") / "yard_template.toml").read_text(encoding="utf-8")

keys = st.sampled_from(["name", "title", "a-1", "Ü x", "plate_pa", "7"])
values = st.one_of(
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.text(st.characters(codec="utf-8"), max_size=12),
    st.dates(dt.date(1900, 1, 1)),
    st.datetimes(dt.datetime(1900, 1, 1)),
    st.lists(st.integers(0, 9) | st.text("ab\"\\#'", max_size=3), max_size=3),
    st.lists(st.lists(st.floats(0, 1e6), min_size=2, max_size=2), min_size=2, max_size=2),
)
tables = st.dictionaries(keys, values, max_size=4)
#: Tables, arrays of tables, and tables under those, as a yard file has them.
documents = st.fixed_dictionaries(
    {"site": tables},
    optional={
        "pot": st.lists(
            st.tuples(tables, st.lists(tables, max_size=2)), min_size=1, max_size=3
        ),
        "rule": st.lists(st.tuples(tables, st.just([])), min_size=1, max_size=3),
        "review": tables,
    },
)  # fmt: skip


class Writer:
    """Writes a document as a person would: comments anywhere, odd spaces, either end of line."""

    def __init__(self, draw: Any) -> None:
        self.draw, self.comments, self.lines = draw, [], []

    def comment(self) -> str:
        self.comments.append(f"#c{len(self.comments)};é")
        return self.comments[-1]

    def filler(self) -> None:
        for kind in self.draw(st.lists(st.sampled_from(["", "#"]), max_size=2)):
            self.lines.append(self.comment() if kind else "")

    def line(self, code: str) -> None:
        spaces = self.draw(st.sampled_from(["", "", " ", "    "]))
        tail = f"{spaces}{self.comment()}" if self.draw(st.booleans()) else ""
        self.lines.append(f"{self.draw(st.sampled_from(['', '  ']))}{code}{tail}")

    def pairs(self, table: dict[str, Any]) -> None:
        for key, value in table.items():
            self.filler()
            name = key if key.isascii() and " " not in key else f'"{key}"'
            equals = self.draw(st.sampled_from(["=", " = ", "  =  "]))
            if isinstance(value, list) and value and self.draw(st.booleans()):
                self.lines.append(f"{name}{equals}[  {self.comment()}")
                self.lines += [f"  {written(one)}, {self.comment()}" for one in value]
                self.line("]")
            else:
                self.line(f"{name}{equals}{written(value)}")

    def document(self, raw: dict[str, Any]) -> str:
        for name in self.draw(st.permutations(list(raw))):
            if isinstance(raw[name], dict):
                self.filler()
                self.line(f"[{name}]")
                self.pairs(raw[name])
                continue
            for own, parts in raw[name]:
                self.filler()
                self.line(f"[[{name}]]")
                self.pairs(own)
                for part in parts:
                    self.filler()
                    self.line(f"[[{name}.part]]")
                    self.pairs(part)
        self.filler()
        end = self.draw(st.sampled_from(["\n", "\r\n"]))
        return end.join(self.lines) + self.draw(st.sampled_from(["", end]))


@st.composite
def written_documents(draw: Any) -> tuple[str, dict[str, Any], list[str]]:
    writer = Writer(draw)
    text = writer.document(draw(documents))
    return text, said(text), writer.comments


def said(text: str) -> dict[str, Any]:
    return tomllib.loads(text.replace("\r\n", "\n"))


def places(raw: dict[str, Any]) -> list[tuple[str | int, ...]]:
    found: list[tuple[str | int, ...]] = []
    for name, value in raw.items():
        if isinstance(value, dict):
            found.append((name,))
            continue
        for i, entry in enumerate(value):
            found.append((name, i))
            found += [(name, i, "part", j) for j in range(len(entry.get("part", [])))]
    return found


def at(raw: Any, path: tuple[str | int, ...]) -> Any:
    for step in path:
        raw = raw[step]
    return raw


def changes(before: str, after: str) -> tuple[list[str], list[str]]:
    """Lines that went, and lines that came; ends of lines count."""
    lines = list(difflib.ndiff(before.split("\n"), after.split("\n")))
    return (
        [line[2:] for line in lines if line.startswith("- ")],
        [line[2:] for line in lines if line.startswith("+ ")],
    )


def only_added(before: str, after: str) -> bool:
    """Whether one is the other with lines put in: every old line is there, in order."""
    rest = iter(after.split("\n"))
    old = before.split("\n")
    # A last line without an end gets one.
    return all(any(line in (one, f"{one}\r") for line in rest) for one in old if one.strip())


@settings(max_examples=60, deadline=None)
@given(written_documents(), st.data())
def test_a_key_that_is_set_says_so_and_nothing_else_changes(
    document: tuple[str, dict[str, Any], list[str]], data: st.DataObject
) -> None:
    text, raw, comments = document
    place = data.draw(st.sampled_from(places(raw)))
    key, value = data.draw(keys), data.draw(values)
    meant = copy.deepcopy(raw)
    had = key in at(meant, place)
    at(meant, place)[key] = value
    made = edited(text, [SetKey(place, key, value)])
    assert said(made) == meant
    if had:
        was_lines = text.split("\n")
        went, _ = changes(text, made)
        shared = [line for line in was_lines if line not in went]
        # Only the lines of that value differ, and no line is added or moved.
        assert [line for line in made.split("\n") if line in shared] == shared
    else:
        assert only_added(text, made)
        assert all(comment in made for comment in comments)
        assert len(made.strip().split("\n")) == len(text.strip().split("\n")) + 1
    if had and not isinstance(at(raw, place)[key], list):
        assert all(comment in made for comment in comments)
        assert len(made.split("\n")) == len(text.split("\n"))


@settings(max_examples=60, deadline=None)
@given(written_documents(), st.data())
def test_what_is_taken_away_leaves_every_comment(
    document: tuple[str, dict[str, Any], list[str]], data: st.DataObject
) -> None:
    text, raw, comments = document
    meant = copy.deepcopy(raw)
    place = data.draw(st.sampled_from(places(raw)))
    if isinstance(place[-1], int) and data.draw(st.booleans()):
        parent, position = at(meant, place[:-1]), place[-1]
        del parent[position]
        if not parent:
            del at(meant, place[:-2])[place[-2]]
        made = edited(text, [RemoveTable(place)])
    else:
        table = at(meant, place)
        own = [key for key in table if key != "part"]
        if not own:
            return
        key = data.draw(st.sampled_from(own))
        del table[key]
        made = edited(text, [SetKey(place, key, None)])
    assert said(made) == meant
    assert all(comment in made for comment in comments)
    # Whatever is new is an old line made a comment.
    went, came = changes(text, made)
    assert all(line.removeprefix("# ") in went for line in came if line)


@settings(max_examples=60, deadline=None)
@given(written_documents(), st.data())
def test_what_is_added_is_added_and_all_lines_stay(
    document: tuple[str, dict[str, Any], list[str]], data: st.DataObject
) -> None:
    text, raw, comments = document
    meant = copy.deepcopy(raw)
    arrays = [("pot",), ("rule",)] + [
        ("pot", i, "part") for i in range(len(raw.get("pot", [])))
    ]  # fmt: skip
    array = data.draw(st.sampled_from(arrays))
    entry = data.draw(tables)
    entries = at(meant, array[:-1]).setdefault(array[-1], [])
    before = data.draw(st.none() | st.integers(0, len(entries)))
    entries.insert(len(entries) if before is None else before, entry)
    made = edited(text, [AddTable(array, entry, before)])
    assert said(made) == meant
    assert only_added(text, made)
    assert all(comment in made for comment in comments)


@given(values)
def test_a_written_value_reads_back(value: Any) -> None:
    assert tomllib.loads(f"x = {written(value)}")["x"] == value


def test_the_template_is_changed_as_a_person_would() -> None:
    made = edited(
        TEMPLATE,
        [
            SetKey(("pot", 0), "plate_pa", 1_034_000.0),
            SetKey(("pot", 0), "nozzle_bore_m", 0.0095),
            AddTable(
                ("transducer", 0, "calibration"),
                {"from_at": dt.date(2026, 7, 1), "points_pa": [[1200.0, 0.0], [699800.0, 7e5]]},
            ),
            AddTable(("pot",), {"name": "pot-2", "volume_m3": 0.085, "plate_pa": 862000.0}),
            SetKey(("review",), "stop_s", 240.0),
        ],
    )
    yard = parse_yard(made)
    assert yard.pot_names == ("pot-1", "pot-2")
    assert yard.pots[0].plate_pa == 1_034_000.0 and yard.pots[0].nozzle_bore_m == 0.0095
    assert yard.review.stop_s == 240.0
    calibration = yard.transducers[0].calibrations[0]
    # By hand: gain 700000 / 698600, zero at 1200 Pa.
    assert calibration.gain == pytest.approx(1.0020040, abs=1e-7)
    assert calibration.offset_pa == pytest.approx(1200.0)
    went, came = changes(TEMPLATE, made)
    plate = "working pressure on the vessel's plate: READ THE PLATE"
    assert len(went) == 1 and plate in went[0]
    # The comment keeps its column.
    assert next(c for c in came if plate in c).index("#") == went[0].index("#")
    told = difference(TEMPLATE, made)
    assert "-plate_pa = 862000 " in told and "+plate_pa = 1034000 " in told


def test_calibrations_take_their_place_by_date() -> None:
    text = TEMPLATE.replace(
        "# [[transducer.calibration]]  # good", "[[transducer.calibration]]  # good"
    )
    text = text.replace("# from_at = 2026-01-05\n", "from_at = 2026-03-05\n", 1)
    made = edited(
        text, [AddTable(("transducer", 0, "calibration"), {"from_at": dt.date(2026, 2, 1)}, 0)]
    )
    days = [c.from_at.date() for c in parse_yard(made).transducers[0].calibrations]
    assert days == [dt.date(2026, 2, 1), dt.date(2026, 3, 5)]


@pytest.mark.parametrize(
    ("text", "edit"),
    [
        ('pot = [{ name = "a" }]\n', AddTable(("pot",), {"name": "b"})),
        ('pot = [{ name = "a" }, { name = "b" }]\n', RemoveTable(("pot", 0))),
        ('site = { name = "a" }\n', SetKey(("site",), "title", "b")),
        ("[site]\n", SetKey(("pot", 0), "name", "b")),
        ("[site]\n", SetKey(("site",), "name", None)),
        ("[site]\n", RemoveTable(("pot", 0))),
        ("[site\n", SetKey(("site",), "name", "b")),
    ],
)
def test_what_stands_in_another_form_is_refused_with_a_sentence(
    text: str, edit: SetKey | AddTable | RemoveTable
) -> None:
    with pytest.raises(YardFileError, match="whole text"):
        edited(text, [edit])


def test_a_value_within_one_line_is_changed_there() -> None:
    assert edited('site = { name = "a" } # x\n', [SetKey(("site",), "name", "b")]) == (
        'site = { name = "b" } # x\n'
    )
