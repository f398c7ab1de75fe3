"""A report as HTML that stands by itself: nothing is loaded from anywhere, nothing runs."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Iterable
from dataclasses import fields, replace
from pathlib import Path

from dashboard.palette import DARK, LIGHT, Palette
from dashboard.reports.content import (
    KINDS,
    Block,
    Cell,
    Drawing,
    Figures,
    Heading,
    Lines,
    Note,
    Photo,
    Report,
    Run,
    Stairs,
    Table,
    ToSign,
)
from dashboard.reports.drawings import INK, hatches, swatch
from dashboard.reports.typst_layout import PAPERS

_STYLE = Path(__file__).parent / "report.css"
#: Colour of a drawing -> its name in the style sheet, which knows it by day and by night.
_NAMES = {
    getattr(INK, field.name).lower(): {"blasting": "pot"}.get(field.name, field.name)
    for field in fields(INK)
}
_HEX = re.compile("|".join(_NAMES), re.IGNORECASE)
#: Columns up to which a table fits a phone.
_FEW = 3


def page(report: Report, paper: str = "a4") -> str:
    """A report as one HTML document.

    Parameters
    ----------
    report : Report
        What it says.
    paper : str
        Key of :data:`dashboard.reports.typst_layout.PAPERS`, for whoever prints it.
    """
    _, side, top, bottom = PAPERS[paper]
    size = {"a4": "A4", "letter": "letter"}[paper]
    number = report.number
    style = (
        f"@page {{ size: {size}; margin: {top}mm {side}mm {bottom}mm; "
        f'@bottom-left {{ content: "{number}"; font: 7pt monospace; color: {INK.quiet}; }} '
        '@bottom-right { content: "Page " counter(page) " of " counter(pages); '
        f"font: 8pt sans-serif; color: {INK.quiet}; }} }}\n"
        f"{_colours()}{_STYLE.read_text(encoding='utf-8')}"
    )
    facts = "".join(
        f"<div><dt>{_shown(label)}</dt><dd>{_shown(value)}</dd></div>"
        for label, value in report.facts
    )
    body = "".join(_block(block, index) for index, block in enumerate(report.blocks))
    kind = KINDS[report.kind][0]
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f'<meta name="date" content="{report.as_of.isoformat()}Z">'
        f"<title>{_shown(report.named)}, {kind}</title><style>{style}</style></head><body>"
        f'<svg width="0" height="0" style="position:absolute" aria-hidden="true">'
        f"{_coloured(hatches())}</svg><main>"
        '<header><div class="mast"><span class="mark"><i></i>Gritbook</span>'
        f'<span>{_shown(report.site)}</span></div><p class="kind">{kind}</p>'
        f"<h1>{_shown(report.named)}</h1>"
        + (f"<p>{_shown(report.under)}</p>" if report.under else "")
        + f'<dl class="facts"><div><dt>Report</dt><dd><code>{number}</code></dd></div>{facts}</dl>'
        f'</header>{body}<p class="foot"><code>{number}</code></p></main></body></html>\n'
    )


def _colours() -> str:
    """The two palettes of the pages as names; on paper the light one, on white."""

    def named(palette: Palette) -> str:
        return "".join(f"--{f.name}: {getattr(palette, f.name)}; " for f in fields(palette))

    return (
        f":root {{ {named(LIGHT)}}}\n"
        f"@media (prefers-color-scheme: dark) {{ :root {{ {named(DARK)}}} }}\n"
        f"@media print {{ :root {{ {named(replace(INK, ground=LIGHT.ground))}}} }}\n"
    )


def _shown(text: object) -> str:
    return html.escape(str(text), quote=True)


def _block(block: Block, index: int) -> str:
    if isinstance(block, Heading):
        under = f'<p class="under">{_shown(block.under)}</p>' if block.under else ""
        return f"<h{block.level}>{_shown(block.text)}</h{block.level}>{under}"
    if isinstance(block, Note):
        if block.kind == "invented":
            return f'<p class="note invented">{_shown(block.text)}</p>'
        more = f" {_shown(block.more)}" if block.more else ""
        return f'<p class="note {block.kind}"><b>{_shown(block.text)}</b>{more}</p>'
    if isinstance(block, Lines):
        return f'<div class="lines">{"".join(f"<p>{_shown(x)}</p>" for x in block.lines)}</div>'
    if isinstance(block, Figures):
        return f'<dl class="figures">{"".join(map(_figure, block.said))}</dl>'
    if isinstance(block, Stairs):
        return _stairs(block)
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Drawing):
        caption = f"<figcaption>{_shown(block.caption)}</figcaption>" if block.caption else ""
        return (
            f'<figure><div class="drawing" tabindex="0">'
            f"{inline(block.svg, block.alt, f'd{index}')}</div>{caption}</figure>"
        )
    if isinstance(block, Photo):
        return _photo(block)
    if isinstance(block, ToSign):
        return f'<p class="sign">{"".join(f"<span>{_shown(n)}</span>" for n in block.names)}</p>'
    raise TypeError(f"no such block: {type(block).__name__}")


def _figure(said: object) -> str:
    label, value, unit, more, between = said  # type: ignore[misc]
    shown_unit = f" <small>{_shown(unit)}</small>" if unit else ""
    rest = f"<span>{_shown(between)}</span>" if between else ""
    rest += f'<span class="more">{_shown(more)}</span>' if more else ""
    return f"<div><dt>{_shown(label)}</dt><dd><b>{_shown(value)}</b>{shown_unit}{rest}</dd></div>"


def _stairs(block: Stairs) -> str:
    steps = []
    for channel, label, value, unit, lost in block.steps:
        fell = f"<i>{_shown(lost)}</i>" if lost else ""
        number = f"<b>{_shown(value)}</b> <small>{_shown(unit)}</small>" if unit else _shown(value)
        steps.append(
            f'<div style="border-color:var(--{channel})">{fell}<span>{_shown(label)}</span>'
            f"{number}</div>"
        )
    return f'<p class="under">{_shown(block.title)}</p><div class="stairs">{"".join(steps)}</div>'


def _table(block: Table) -> str:
    def side(column: int) -> str:
        return ' class="n"' if column in block.numbers else ""

    head = "".join(
        f'<th scope="col"{side(i)}>{_shown(text)}</th>' for i, text in enumerate(block.head)
    )
    rows = []
    for row in block.rows:
        cells = [f'<th scope="row"{side(0)}>{_cell(row[0])}</th>']
        cells += [f"<td{side(i)}>{_cell(one)}</td>" for i, one in enumerate(row) if i]
        rows.append(f"<tr>{''.join(cells)}</tr>")
    caption = f"<caption>{_shown(block.caption)}</caption>" if block.caption else ""
    few = ' class="few"' if len(block.head) <= _FEW else ""
    return (
        f'<div class="scroll" tabindex="0"><table{few}>{caption}<thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _cell(lines: Cell) -> str:
    return "<br>".join("".join(map(_run, line)) for line in lines)


def _run(run: Run) -> str:
    text = _shown(run.text)
    if run.style == "bar":
        wide = min(max(run.share, 0.0), 1.25) / 1.25 * 100
        return (
            f'<span class="bar {run.state}" role="img" aria-label="{text}">'
            f'<i style="width:{wide:.1f}%"></i></span>'
        )
    if run.style == "swatch":
        return f'<span class="swatch" aria-hidden="true">{inline(swatch(run.text), "", "s")}</span>'
    if run.style == "badge":
        return f'<span class="badge {run.state}">{text}</span>'
    tag, named = {
        "bold": ("b", ""), "gone": ("s", ""), "code": ("code", ""), "quiet": ("span", "quiet"),
    }.get(run.style, ("", ""))  # fmt: skip
    if not tag:
        return text
    side = f' class="{named}"' if named else ""
    return f"<{tag}{side}>{text}</{tag}>"


def _photo(block: Photo) -> str:
    if block.content is None:
        return f'<p class="photo lost">{_shown(block.caption)}</p>'
    coded = base64.b64encode(block.content).decode()
    return (
        f'<figure class="photo"><img alt="{_shown(block.caption)}" '
        f'src="data:{block.media};base64,{coded}">'
        f"<figcaption>{_shown(block.caption)}</figcaption></figure>"
    )


def _coloured(svg: str) -> str:
    """A drawing with the page's colours, by day and by night."""
    return _HEX.sub(lambda m: f"var(--{_NAMES[m[0].lower()]})", svg)


_NAMESPACES = re.compile(r'\s+xmlns(?::\w+)?="[^"]*"')
_IDS = re.compile(r'\bid="([^"]+)"')


def inline(svg: str, alt: str, prefix: str) -> str:
    """A drawing as part of a page: the page's colours, names of its own, and what it shows.

    Parameters
    ----------
    svg : str
        The drawing, in the colours of :data:`dashboard.reports.drawings.INK`.
    alt : str
        What it shows; empty: it says nothing that is not said beside it.
    prefix : str
        Put before names within it, so that two drawings on a page do not share them.
    """
    # The hatches stand on the page once, for all.
    drawn = _coloured(_NAMESPACES.sub("", svg.replace(hatches(), "")))
    names: Iterable[str] = set(_IDS.findall(drawn))
    for name in names:
        drawn = drawn.replace(f'id="{name}"', f'id="{prefix}-{name}"')
        drawn = drawn.replace(f"url(#{name})", f"url(#{prefix}-{name})")
    said = f'role="img" aria-label="{_shown(alt)}"' if alt else 'aria-hidden="true"'
    return drawn.replace("<svg", f"<svg {said}", 1)
