"""How pages look: the two palettes, the style sheet, and the pieces of HTML that pages are made of.

Colour says what a line is or how urgent something is, and never says it alone: a word, a dash or a
hatch goes with it. Everything that comes from people or from the yard file is escaped here.
"""

from __future__ import annotations

import base64
import datetime as dt
import html
import re
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import time_words, words
from dashboard.palette import DARK, LIGHT, Palette
from ingest.errors import (
    ArchiveAway,
    GritbookError,
    NotSignedIn,
    StoreBusy,
    StoreError,
    StoreUpdating,
    YardFileError,
)

#: How soon a page that found the store busy is drawn again. [s]
_AGAIN_AFTER_S = 2.0
#: What is mended elsewhere, or passes by itself: whoever has the page open must not have to ask.
_MENDED_ELSEWHERE = (StoreError, YardFileError, ArchiveAway)

_STYLE = Path(__file__).parent / "look.css"


def palette() -> Palette:
    """The palette of the look that the viewer's browser asked for."""
    return DARK if st.context.theme.type == "dark" else LIGHT


def server_options() -> list[str]:
    """Options for ``streamlit run`` that give its own widgets the same two palettes."""
    options = [
        "--theme.baseRadius=4px",
        "--theme.baseFontSize=17",
        "--theme.showWidgetBorder=true",
    ]
    for name, colours in (("light", LIGHT), ("dark", DARK)):
        options += [
            f"--theme.{name}.primaryColor={colours.ink}",
            f"--theme.{name}.backgroundColor={colours.ground}",
            f"--theme.{name}.secondaryBackgroundColor={colours.surface}",
            f"--theme.{name}.textColor={colours.ink}",
            f"--theme.{name}.borderColor={colours.quiet}",
            f"--theme.{name}.linkColor={colours.ink}",
        ]
    return options


def dress() -> None:
    """Put the style sheet on the page, with the colours of the viewer's look."""
    colours = palette()
    variables = "".join(f"--gb-{f.name}:{getattr(colours, f.name)};" for f in fields(colours))
    st.html(f"<style>:root{{{variables}}}{_style_sheet()}</style>")


@st.cache_resource
def _style_sheet() -> str:
    return _STYLE.read_text(encoding="utf-8")


def shown(text: object) -> str:
    """Text as HTML that shows it and does nothing else."""
    return html.escape(str(text), quote=True)


def put(*pieces: str) -> None:
    """Put pieces of HTML on the page; nothing where all of them are empty."""
    if whole := "".join(pieces):
        st.html(whole)


def title(text: str, under: str = "") -> str:
    """A page's heading, with one line under it."""
    line = f'<p class="gb-under">{shown(under)}</p>' if under else ""
    return f'<header class="gb-title"><h1>{shown(text)}</h1>{line}</header>'


def heading(text: str, under: str = "", anchor: str = "") -> str:
    """A heading within a page."""
    line = f'<p class="gb-under">{shown(under)}</p>' if under else ""
    name = f' id="{shown(anchor)}"' if anchor else ""
    return f'<header class="gb-heading"{name}><h2>{shown(text)}</h2>{line}</header>'


def spoken(text: str) -> str:
    """A sentence as HTML, what stands between back-ticks as a command to type."""
    return re.sub(r"`([^`]+)`", r"<code>\1</code>", shown(text))


def note(text: str, next_step: str = "", kind: str = "plain") -> str:
    """A sentence that steps out of the page: ``plain``, ``warn`` or ``alarm``."""
    step = f"<span>{spoken(next_step)}</span>" if next_step else ""
    role = "alert" if kind == "alarm" else "status"
    return f'<div class="gb-note gb-{kind}" role="{role}"><b>{spoken(text)}</b>{step}</div>'


def as_of(read_at: dt.datetime, zone: ZoneInfo) -> str:
    """The note over figures that are older than they should be."""
    at = time_words.clock(read_at, zone, with_seconds=True)
    return note(f"{words.STORE_BUSY} Shown as of {at}.", words.STORE_BUSY_STEP, "warn")


def caution() -> str:
    """What every page that touches pressure says."""
    return f'<p class="gb-caution"><b>Caution.</b> {shown(words.CAUTION)}</p>'


@dataclass(frozen=True)
class Figure:
    """A figure on a page.

    Parameters
    ----------
    label : str
        What it is.
    value, unit : str
        The number, and its unit.
    between : str
        Its interval, in words; empty where there is none.
    origin : str
        What it was made from.
    """

    label: str
    value: str
    unit: str = ""
    between: str = ""
    origin: str = ""


def figures(shown_figures: Iterable[Figure], kind: str = "") -> str:
    """Figures side by side."""
    cells = []
    for f in shown_figures:
        unit = f' <span class="gb-unit">{shown(f.unit)}</span>' if f.unit else ""
        between = f'<span class="gb-between">{shown(f.between)}</span>' if f.between else ""
        origin = f'<span class="gb-origin">{shown(f.origin)}</span>' if f.origin else ""
        cells.append(
            f'<div class="gb-figure"><dt>{shown(f.label)}{what_is_this(f.label)}</dt>'
            f'<dd><span class="gb-value">{shown(f.value)}{unit}</span>{between}{origin}</dd></div>'
        )
    return f'<dl class="gb-figures {kind}">{"".join(cells)}</dl>'


def what_is_this(label: str) -> str:
    """A link to what the help page says of a figure; nothing where it says nothing."""
    # Asked here and not above: help's words and the ways between pages draw with this module.
    from dashboard import help_words, navigation

    figure = help_words.figure_of(label)
    if not figure:
        return ""
    asked = urlencode({**navigation.carried(), "figure": figure})
    return (
        f'<a class="gb-what" href="{navigation.HELP.path}?{shown(asked)}" '
        f'aria-label="What is {shown(label)}?"><span aria-hidden="true">?</span></a>'
    )


def badge(text: str, kind: str) -> str:
    """A word in a frame: ``alarm``, ``warn``, ``plain`` or ``open``."""
    return f'<span class="gb-badge gb-{kind}">{shown(text)}</span>'


@dataclass(frozen=True)
class Share:
    """A share of a bar: ``kind`` is ``blasting``, ``filling``, ``idle`` or ``nodata``."""

    kind: str
    label: str
    amount: float
    words: str


def stacked(shares: Sequence[Share], label: str) -> str:
    """One bar of shares, with a legend that says each in words."""
    whole = sum(s.amount for s in shares)
    if whole <= 0:
        return ""
    bars = "".join(
        f'<span class="gb-share gb-{s.kind}" style="flex-grow:{s.amount / whole:.6f}"></span>'
        for s in shares
        if s.amount > 0
    )
    legend = "".join(
        f'<li><i class="gb-share gb-{s.kind}"></i><b>{shown(s.label)}</b> '
        f"<span>{shown(s.words)}, {words.percent(s.amount / whole)}</span></li>"
        for s in shares
    )
    return (
        f'<div class="gb-stacked" role="img" aria-label="{shown(label)}">{bars}</div>'
        f'<ul class="gb-legend">{legend}</ul>'
    )


def used_bar(share: float, state: str, label: str) -> str:
    """How far along a limit something is; the mark is the limit."""
    width = min(max(share, 0.0), 1.25) / 1.25 * 100
    return (
        f'<div class="gb-used" role="img" aria-label="{shown(label)}">'
        f'<span class="gb-{state}" style="width:{width:.2f}%"></span><i></i></div>'
    )


@dataclass(frozen=True)
class Stroke:
    """A stretch of a ribbon, as fractions of its length: ``on`` or ``nodata``."""

    begin: float
    end: float
    kind: str


def ribbon(strokes: Iterable[Stroke], label: str, left: str, right: str) -> str:
    """A stretch of time as a ribbon: one stroke for each time the dead-man was open."""
    drawn = "".join(
        f'<i class="gb-{s.kind}" style="left:{s.begin * 100:.3f}%;'
        f'width:{max(s.end - s.begin, 0.0) * 100:.3f}%"></i>'
        for s in strokes
    )
    return (
        f'<div class="gb-ribbon" role="img" aria-label="{shown(label)}">{drawn}</div>'
        f'<div class="gb-ends"><span>{shown(left)}</span><span>{shown(right)}</span></div>'
    )


def picture(svg: str, alt: str) -> str:
    """A drawing in line with the page."""
    coded = base64.b64encode(svg.encode()).decode()
    return f'<img class="gb-trace" alt="{shown(alt)}" src="data:image/svg+xml;base64,{coded}">'


def table(head: Sequence[str], rows: Iterable[Sequence[str]], caption: str) -> str:
    """A small table for reading; every cell is text."""
    top = "".join(f'<th scope="col">{shown(cell)}</th>' for cell in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{shown(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return (
        f'<div class="gb-scroll" tabindex="0"><table class="gb-table">'
        f"<caption>{shown(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table></div>"
    )


@st.fragment(run_every=_AGAIN_AFTER_S)
def _again_after(since_s: float) -> None:
    """Draw the whole page again when a moment has passed; the first drawing only sets it going."""
    if time.monotonic() - since_s >= _AGAIN_AFTER_S / 2:
        st.rerun(scope="app")


@contextmanager
def sentences(whole_page: bool = False) -> Iterator[None]:
    """Show Gritbook's own errors as a sentence with the next step, and end the page there.

    Parameters
    ----------
    whole_page : bool
        Whether nothing is left of the page then: it is drawn again where that may help.
    """
    try:
        yield
    except StoreBusy as error:
        if isinstance(error, StoreUpdating):
            put(note(error.what, error.next_step, "warn"))
        else:
            put(note(words.STORE_BUSY, words.STORE_BUSY_STEP, "warn"))
        # Drawn again by itself, as the words say: whoever waits has gloves on.
        _again_after(time.monotonic())
        st.stop()
    except NotSignedIn as error:
        # The gate has a page to sign in on, which is none of Streamlit's.
        put(note(error.what, error.next_step, "alarm"))
        put('<p><a class="gb-again" href="/access/sign-in">Sign in again</a></p>')
        st.stop()
    except GritbookError as error:
        put(note(error.what, error.next_step, "alarm"))
        if whole_page and isinstance(error, _MENDED_ELSEWHERE):
            _again_after(time.monotonic())
        st.stop()
