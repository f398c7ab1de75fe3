"""The page of faults shows every fault as the catalogue has it, with a picture."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from simulated_feeds.faults import CATALOGUE, pictures


def test_the_page_is_what_the_catalogue_says():
    assert (pictures.FOLDER / "README.md").read_text(encoding="utf-8") == pictures.page()


@pytest.mark.parametrize("fault", CATALOGUE, ids=lambda fault: fault.name)
def test_every_fault_has_a_picture_with_a_line_for_each_severity(fault):
    text = (pictures.FOLDER / f"{fault.name}.svg").read_text(encoding="utf-8")
    assert ElementTree.fromstring(text).tag.endswith("svg")
    for name in ("healthy", "severity 0.25", "severity 0.5", "severity 1"):
        assert f">{name}<" in text


def test_no_picture_is_left_over_and_all_are_small():
    files = list(pictures.FOLDER.glob("*.svg"))
    assert {file.stem for file in files} == {fault.name for fault in CATALOGUE}
    assert sum(file.stat().st_size for file in files) < 3_000_000


def test_the_lines_drawn_differ_where_the_fault_does_something():
    for fault in CATALOGUE:
        if fault.where == "message":
            frame, column = pictures.message_points(fault), "number"
        else:
            frame, column = pictures.trial_lines(fault), "value"
        lines = {
            name: part[column].to_list()
            for (name,), part in frame.partition_by("line", as_dict=True).items()
        }
        assert len(lines) == 4
        assert lines["severity 1"] != lines["healthy"], fault.name


@pytest.mark.slow
def test_pictures_can_be_drawn():
    pytest.importorskip("vl_convert")
    assert pictures.draw(CATALOGUE[0]).startswith("<svg")
