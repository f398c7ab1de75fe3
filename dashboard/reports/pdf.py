"""A report as PDF: laid out by Typst, tagged, archivable, the same bytes for the same report."""

from __future__ import annotations

import datetime as dt
import json
import unicodedata
from dataclasses import asdict
from typing import Any

import typst

from dashboard import words
from dashboard.palette import LIGHT
from dashboard.reports.content import KINDS, Drawing, Note, Photo, Report, plain
from dashboard.reports.drawings import SWATCHES, swatch
from dashboard.reports.typst_layout import LAYOUT, PAPERS
from ingest.errors import RecordRefused

#: What is promised to whoever reads it otherwise than by eye, and to whoever keeps it.
STANDARDS = ["ua-1", "a-2a"]
#: Within Typst itself, so that a page looks alike, and weighs alike, on every computer.
_FONTS = ["Libertinus Serif", "DejaVu Sans Mono"]
#: Beyond these a character is spelled out where no font of this computer has it.
_WRITTEN_BELOW = 0x0590
_SPELLED = Note(
    "Some characters stand here as their code points, such as U+4E2D.",
    "No font on this computer has them; the HTML of the same report does show them.",
)


def pdf(report: Report, paper: str = "a4") -> bytes:
    """A report as PDF (PDF/UA-1 and PDF/A-2a).

    Parameters
    ----------
    report : Report
        What it says.
    paper : str
        Key of :data:`dashboard.reports.typst_layout.PAPERS`.

    Raises
    ------
    RecordRefused
        Typst cannot set it; the sentence says why.
    """
    # Embedded fonts alone first; then what this computer has; then characters spelled out.
    for own_fonts, spelled in ((False, False), (True, False), (True, True)):
        try:
            return _set(report, paper, own_fonts, spelled)
        except typst.TypstError as error:
            last = error
    raise RecordRefused(
        f"The report {report.number} cannot be set: {last}.",
        "Write it as HTML (--kind html), and tell whoever looks after Gritbook.",
    ) from last


def pictures(report: Report, paper: str = "a4", ppi: float = 72.0) -> list[bytes]:
    """The pages as PNG, for looking at."""
    sources = _sources(report, paper, spelled=False)
    made = typst.compile(sources, format="png", ppi=ppi, ignore_system_fonts=True)
    return made if isinstance(made, list) else [made]


def _set(report: Report, paper: str, own_fonts: bool, spelled: bool) -> bytes:
    stamp = report.as_of.replace(tzinfo=dt.UTC)
    made: bytes = typst.compile(
        _sources(report, paper, spelled), format="pdf", pdf_standards=STANDARDS,
        timestamp=int(stamp.timestamp()), ignore_system_fonts=not own_fonts,
    )  # fmt: skip
    return made


def _sources(report: Report, paper: str, spelled: bool) -> dict[str, bytes]:
    name, *margin = PAPERS[paper]
    at = report.as_of
    files = {f"swatch-{kind}.svg": swatch(kind).encode() for kind in SWATCHES}
    blocks = []
    for index, block in enumerate(report.blocks):
        told: dict[str, Any] = {"is": type(block).__name__}
        if isinstance(block, Drawing):
            told |= {"file": f"{index}.svg", "alt": block.alt, "caption": block.caption}
            files[told["file"]] = block.svg.encode()
        elif isinstance(block, Photo):
            known = block.content is not None
            told |= {"file": f"{index}.{block.media.split('/')[-1]}" if known else ""}
            told |= {"caption": block.caption}
            if block.content is not None:
                files[told["file"]] = block.content
        else:
            told |= plain(block)
        blocks.append(told)
    if spelled:
        blocks.insert(0, {"is": "Note"} | plain(_SPELLED))
    said = {
        "kind": KINDS[report.kind][0], "title": report.named, "under": report.under,
        "site": report.site, "number": report.number, "paper": name, "margin": margin,
        "dated": [at.year, at.month, at.day, at.hour, at.minute, at.second], "fonts": _FONTS,
        "invented": any(isinstance(b, Note) and b.kind == "invented" for b in report.blocks),
        "facts": report.facts, "blocks": blocks, "colours": asdict(LIGHT),
    }  # fmt: skip
    return {
        "main.typ": LAYOUT.encode(),
        "report.json": json.dumps(_printable(said, spelled), ensure_ascii=False).encode(),
        **files,
    }


def _printable(value: Any, spelled: bool) -> Any:
    """The same with every text such that it can be printed."""
    if isinstance(value, str):
        return "".join(_character(one, spelled) for one in value)
    if isinstance(value, dict):
        return {key: _printable(one, spelled) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(one, spelled) for one in value]
    return value


def _character(one: str, spelled: bool) -> str:
    """A character as it is, or spelled out where it has no shape that means anything.

    Examples
    --------
    >>> _character("x", True), _character("\\x07", False), _character("\\u4e2d", True)
    ('x', '[U+0007]', '[U+4E2D]')
    """
    if one in "\n\t" or one in (words.NBSP, "\u202f"):
        return one
    nameless = unicodedata.category(one) in ("Cc", "Cf", "Co", "Cn", "Cs")
    far = spelled and ord(one) >= _WRITTEN_BELOW and not 0x1E00 <= ord(one) < 0x2300
    return f"[U+{ord(one):04X}]" if nameless or far else one
