"""What a report says: a title, facts about itself, and blocks, as words that are ready to read.

Nothing here knows of paper or of a screen. Texts are taken as they are, whoever typed them: who
sets a report escapes them.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

from dashboard.sheet_words import Said

#: Kind of report -> what it is called, and what its number begins with.
KINDS: dict[str, tuple[str, str]] = {
    "shift": ("Shift sheet", "SHIFT"),
    "upkeep": ("The week's upkeep", "UPKEEP"),
    "part": ("Part record", "PART"),
    "month": ("Month compared", "MONTH"),
}


@dataclass(frozen=True)
class Run:
    """A piece of text in one style.

    Parameters
    ----------
    text : str
        As it is read.
    style : str
        ``plain``, ``bold``, ``quiet``, ``gone`` (struck through), ``code``, ``badge`` (a word in a
        frame), ``bar`` (how far along a limit; the text is read where it cannot be seen) or
        ``swatch`` (the look of a share; the text is its kind, and is not read).
    share : float
        Of a bar: how far along; 1 is the limit. [-]
    state : str
        Of a bar or a badge: ``ok``, ``soon``, ``due``, ``overdue``.
    """

    text: str
    style: str = "plain"
    share: float = 0.0
    state: str = ""


#: Lines of a cell, each of runs.
Cell = tuple[tuple[Run, ...], ...]


def cell(*lines: str | Run | Sequence[Run]) -> Cell:
    """A cell of lines; plain text, a run, or runs side by side.

    Examples
    --------
    >>> cell("12.4", Run("from 3 cycles", "quiet"))[1][0].style
    'quiet'
    """
    made: list[tuple[Run, ...]] = []
    for line in lines:
        if isinstance(line, str):
            made.append((Run(line),))
        elif isinstance(line, Run):
            made.append((line,))
        else:
            made.append(tuple(line))
    return tuple(made)


@dataclass(frozen=True)
class Heading:
    """A heading; ``level`` 2 within a report, 3 within that. ``fresh``: on a new page on paper."""

    text: str
    under: str = ""
    level: int = 2
    fresh: bool = False


@dataclass(frozen=True)
class Note:
    """A sentence that steps out: ``plain``, ``warn``, ``caution``, ``invented``, ``answer``."""

    text: str
    more: str = ""
    kind: str = "plain"


@dataclass(frozen=True)
class Lines:
    """Sentences below one another, stepping back."""

    lines: tuple[str, ...]


@dataclass(frozen=True)
class Figures:
    """Figures side by side."""

    said: tuple[Said, ...]


@dataclass(frozen=True)
class Stairs:
    """The pressure on its way: steps of channel, name, figure, unit, and what was lost to it."""

    title: str
    steps: tuple[tuple[str, str, str, str, str], ...]


@dataclass(frozen=True)
class Table:
    """A table for reading.

    Parameters
    ----------
    caption : str
        What it shows.
    head : tuple of str
        Headings of its columns.
    rows : tuple of tuple of Cell
        The first cell of a row names it.
    numbers : tuple of int
        Columns of numbers, set to the right.
    widths : tuple of float
        Shares of the width; 0: as wide as its widest word. Empty: all alike.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: tuple[int, ...] = ()
    widths: tuple[float, ...] = ()


@dataclass(frozen=True)
class Drawing:
    """A drawing.

    Parameters
    ----------
    svg : str
        Drawn with the colours of :data:`dashboard.reports.drawings.INK`.
    alt : str
        What it shows, for whoever cannot see it.
    caption : str
        Under it.
    rests_on : str
        Digest of what was drawn: the report's number goes by it, not by how it was drawn.
    """

    svg: str
    alt: str
    caption: str = ""
    rests_on: str = ""


@dataclass(frozen=True)
class Photo:
    """A photo, ``media`` as in ``image/jpeg``; no content: it is missing or was changed."""

    content: bytes | None
    media: str
    caption: str


@dataclass(frozen=True)
class ToSign:
    """Lines to sign on by hand, each named."""

    names: tuple[str, ...]


Block = Heading | Note | Lines | Figures | Stairs | Table | Drawing | Photo | ToSign


@dataclass(frozen=True)
class Report:
    """A report.

    Parameters
    ----------
    kind : str
        Key of :data:`KINDS`.
    title, under : str
        What it is of, and one line more.
    site : str
        What people call the site.
    zone : str
        The site's time zone, in which every time of day is.
    on : date
        The day it is of, at the site.
    as_of : datetime
        Up to when its figures are; naive UTC.
    facts : tuple of (str, str)
        Facts about the report itself, beside its number and its pages.
    blocks : tuple of Block
        What it says.
    """

    kind: str
    title: str
    under: str
    site: str
    zone: str
    on: dt.date
    as_of: dt.datetime
    facts: tuple[tuple[str, str], ...]
    blocks: tuple[Block, ...]

    @property
    def named(self) -> str:
        """Its title, and where there is none, what it is: a heading is never empty."""
        return self.title if self.title.strip() else KINDS[self.kind][0]

    @property
    def number(self) -> str:
        """Its number: kind, day, and eight digits of a digest of all it says.

        Whatever says the same has the same number, on whichever paper; whatever says anything
        else has another, but for one chance in 4 thousand million.
        """
        said = {
            "kind": self.kind, "title": self.title, "under": self.under, "site": self.site,
            "zone": self.zone, "on": self.on.isoformat(), "as_of": self.as_of.isoformat(),
            "facts": self.facts, "blocks": [_said(block) for block in self.blocks],
        }  # fmt: skip
        told = json.dumps(said, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
        digest = hashlib.sha256(told.encode()).hexdigest()
        return f"{KINDS[self.kind][1]}-{self.on:%Y-%m-%d}-{digest[:8]}"


def _said(block: Block) -> dict[str, Any]:
    if isinstance(block, Drawing):
        return {
            "is": "Drawing", "alt": block.alt, "caption": block.caption,
            "rests_on": block.rests_on or hashlib.sha256(block.svg.encode()).hexdigest(),
        }  # fmt: skip
    if isinstance(block, Photo):
        content = None if block.content is None else hashlib.sha256(block.content).hexdigest()
        return {"is": "Photo", "content": content, "media": block.media, "caption": block.caption}
    return {"is": type(block).__name__} | plain(block)


def plain(block: Block) -> dict[str, Any]:
    """A block as what JSON holds; figures keep their names.

    Examples
    --------
    >>> plain(Figures((Said("Blast-on", "3.8", "h"),)))["said"][0]["unit"]
    'h'
    """
    if isinstance(block, Figures):
        return {"said": [one._asdict() for one in block.said]}
    if isinstance(block, Drawing | Photo):
        return {f.name: getattr(block, f.name) for f in fields(block)}
    return asdict(block)


def text_table(
    caption: str,
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Sequence[int] = (),
    widths: Sequence[float] = (),
) -> Table:
    """A table of plain texts."""
    cells = tuple(tuple(cell(text) for text in row) for row in rows)
    return Table(caption, tuple(head), cells, tuple(numbers), tuple(widths))
