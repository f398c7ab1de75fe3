"""How a report lies on paper, in Typst's language.

The report comes in as ``report.json`` and its pictures as files beside it. No text of a report is
ever part of this source: it is read as data and shown as it stands.
"""

# Typst reads better with a thing a line.
# ruff: noqa: E501

from __future__ import annotations

#: Paper -> its name in Typst, side, top and bottom margin [mm]. The measure is 174 mm on both, so
#: that a table breaks alike; the shorter sheet gives up margin, not type.
PAPERS: dict[str, tuple[str, float, float, float]] = {
    "a4": ("a4", 18.0, 21.0, 20.0),
    "letter": ("us-letter", 20.95, 18.0, 17.0),
}

LAYOUT = r"""
#let d = json("report.json")
#let hue(name) = rgb(d.colours.at(name))
#let ink = hue("ink")
#let quiet = hue("quiet")
#let steel = hue("line")
#let mist = hue("ground")
#let warn = hue("warn")
#let alarm = hue("alarm")
#let mono = ("DejaVu Sans Mono",)

#set document(
  title: d.title + ", " + d.kind, author: d.site, keywords: (d.number,),
  date: datetime(
    year: d.dated.at(0), month: d.dated.at(1), day: d.dated.at(2),
    hour: d.dated.at(3), minute: d.dated.at(4), second: d.dated.at(5)),
)
#set page(
  paper: d.paper,
  margin: (x: d.margin.at(0) * 1mm, top: d.margin.at(1) * 1mm, bottom: d.margin.at(2) * 1mm),
  header-ascent: 35%, footer-descent: 32%,
  header: context {
    if counter(page).get().first() > 1 {
      set text(size: 8pt, fill: quiet)
      block(width: 100%, stroke: (bottom: 0.4pt + steel), inset: (bottom: 4pt),
        grid(columns: (1fr, auto), column-gutter: 6mm,
          [#strong(d.title)#h(0.8em)#d.kind],
          d.site))
    }
  },
  footer: context {
    set text(size: 8pt, fill: quiet)
    block(width: 100%, stroke: (top: 0.4pt + steel), inset: (top: 4pt),
      grid(columns: (1fr, auto),
        [#text(font: mono, size: 7pt, d.number)#if d.invented [#h(1.2em)#strong[Invented yard]]],
        [Page #counter(page).display() of #counter(page).final().first()]))
  },
)
#set text(font: d.fonts, size: 9.6pt, fill: ink, lang: "en", number-type: "lining",
  number-width: "tabular", fallback: true)
#set par(leading: 0.55em, spacing: 0.75em, justify: false)
#show raw: set text(font: mono)

#show heading.where(level: 1): it => block(above: 0pt, below: 8pt,
  text(size: 25pt, weight: "bold", tracking: -0.3pt, it.body))
#show heading.where(level: 2): it => block(above: 20pt, below: 8pt, sticky: true, width: 100%,
  stroke: (top: 1.4pt + ink), inset: (top: 5pt), text(size: 14pt, weight: "bold", it.body))
#show heading.where(level: 3): it => block(above: 14pt, below: 7pt, sticky: true,
  text(size: 11pt, weight: "bold", it.body))

// A figure of the document is a table or a drawing with its caption: neither counts.
#set figure(numbering: none, supplement: none, gap: 5pt)
#show figure: set block(breakable: true)
#show figure: set align(left)
#set figure.caption(separator: none)
#show figure.caption: it => block(sticky: true, text(size: 8.4pt, fill: quiet, it.body))
#show figure.where(kind: table): set figure.caption(position: top)
#show figure.where(kind: image): set figure.caption(position: bottom)
#show figure.where(kind: image): set block(breakable: false)

#let tone(state) = if state in ("due", "overdue", "alarm") { alarm } else if state in ("soon", "warn") { warn } else { quiet }

// How far along a limit something is: the mark is the limit.
#let bar(share, state) = pdf.artifact(box(width: 26mm, height: 6pt, stroke: 0.5pt + quiet, {
  place(left + top, rect(width: calc.min(share, 1.25) / 1.25 * 100%, height: 100%,
    fill: if state in ("due", "overdue") { alarm } else if state == "soon" { hue("filling") } else { hue("idle") }))
  place(left + top, dx: 80%, dy: -2pt, line(start: (0pt, 0pt), end: (0pt, 10pt), stroke: 1.2pt + ink))
}))

#let run(r) = {
  if r.style == "bold" { strong(r.text) }
  else if r.style == "quiet" { text(size: 8.4pt, fill: quiet, r.text) }
  else if r.style == "gone" { strike(text(fill: quiet, r.text)) }
  else if r.style == "code" { text(font: mono, size: 7.2pt, r.text) }
  else if r.style == "badge" {
    box(stroke: 0.8pt + tone(r.state), radius: 1.5pt, inset: (x: 3pt, y: 2pt),
      fill: if r.state in ("overdue", "due") { alarm } else { white },
      text(size: 7.8pt, weight: "bold",
        fill: if r.state in ("overdue", "due") { white } else { tone(r.state) }, r.text))
  }
  else if r.style == "bar" { bar(r.share, r.state) }
  else if r.style == "swatch" {
    pdf.artifact(box(baseline: 1pt, image("swatch-" + r.text + ".svg", width: 8pt, height: 8pt)))
    h(5pt)
  }
  else { r.text }
}
#let cell(lines) = lines.map(runs => runs.map(run).join()).join(linebreak())

#let heading-block(b) = {
  // A new page only where much of this one is used: half-empty sheets are no order.
  if b.fresh { context { if here().position().y > page.height * 0.42 { colbreak(weak: true) } } }
  heading(level: b.level, b.text)
  if b.under != "" { block(above: 6pt, below: 8pt, sticky: true, text(size: 8.8pt, fill: quiet, b.under)) }
}

#let hatch = tiling(size: (6pt, 6pt), {
  place(line(start: (0%, 100%), end: (100%, 0%), stroke: 1.6pt + ink))
})

#let note(b) = {
  if b.kind == "invented" {
    block(above: 8pt, below: 8pt, grid(columns: (15pt, 1fr), column-gutter: 8pt, align: horizon,
      pdf.artifact(rect(width: 15pt, height: 15pt, fill: hatch)), strong(b.text)))
  } else if b.kind == "answer" {
    block(above: 8pt, below: 8pt, { strong(b.text); [ ]; b.more })
  } else {
    let edge = if b.kind in ("warn", "caution") { warn } else { ink }
    block(above: 8pt, below: 8pt, width: 100%, breakable: false, sticky: b.kind == "plain",
      fill: if b.kind == "caution" { white } else { mist },
      stroke: (left: 3.5pt + edge), inset: (left: 9pt, right: 8pt, y: if b.kind == "caution" { 2pt } else { 6pt }), {
        strong(b.text)
        if b.more != "" { [ ]; b.more }
      })
  }
}

#let lines(b) = block(above: 6pt, below: 8pt, {
  set par(spacing: 0.5em)
  for one in b.lines { par(text(size: 8.8pt, fill: quiet, one)) }
})

#let figures(b) = block(above: 7pt, below: 15pt, grid(columns: (1fr,) * 3, column-gutter: 7mm, row-gutter: 9pt,
  ..b.said.map(f => block(width: 100%, breakable: false, stroke: (top: 0.6pt + steel), inset: (top: 4pt), {
    set par(leading: 4pt, spacing: 4.4pt)
    text(size: 8.6pt, fill: quiet, f.label)
    parbreak()
    text(size: 18pt, weight: "bold", f.value)
    if f.unit != "" { h(3pt); text(size: 9.5pt, fill: quiet, f.unit) }
    if f.between != "" { parbreak(); text(size: 8.2pt, f.between) }
    if f.more != "" { parbreak(); text(size: 8.2pt, fill: quiet, f.more) }
  }))))

#let stairs(b) = block(above: 8pt, below: 12pt, breakable: false, width: 100%, {
  text(size: 8.6pt, fill: quiet, b.title)
  v(-2pt)
  grid(columns: (1fr,) * b.steps.len(), column-gutter: 4mm,
    ..b.steps.enumerate().map(((i, s)) => {
      let (channel, label, value, unit, lost) = s
      v(i * 13pt)
      block(width: 100%, inset: (top: 5pt),
        stroke: (top: (paint: hue(channel), thickness: 3pt,
          dash: if channel == "nozzle" { (7pt, 3pt) } else { none })), {
        set par(leading: 4pt, spacing: 4.4pt)
        if lost != "" { text(size: 8.6pt, lost); parbreak() }
        text(size: 8.6pt, fill: quiet, label)
        parbreak()
        if unit == "" { text(size: 11pt, fill: quiet, value) } else {
          text(size: 17pt, weight: "bold", value); h(3pt); text(size: 9.5pt, fill: quiet, unit)
        }
      })
    }))
})

#let table-block(b) = {
  let n = b.head.len()
  let widths = if b.widths.len() == 0 { (1fr,) * n } else { b.widths.map(w => if w == 0 { auto } else { w * 1fr }) }
  let side(i) = if i in b.numbers { right } else { left }
  show table.cell: set text(size: 9pt)
  show table.cell.where(y: 0): set text(size: 8.4pt, weight: "bold", hyphenate: false)
  set text(hyphenate: true)
  // A short table stays on one page; one that might not fit on a page is never held together.
  let letters = b.rows.flatten().map(r => r.text.len()).sum(default: 0)
  show figure: set block(breakable: b.rows.len() > 10 or letters > 900)
  block(above: 8pt, below: 10pt, figure(kind: table,
    caption: if b.caption == "" { none } else { b.caption },
    table(columns: widths, align: (x, y) => side(x) + if y == 0 { bottom } else { top },
      inset: (x, y) => (left: if x == 0 { 0pt } else { 5pt }, right: if x == n - 1 { 0pt } else { 5pt }, y: 4pt),
      stroke: (x, y) => (bottom: if y == 0 { 0.9pt + ink } else { 0.4pt + steel }),
      table.header(..b.head.map(h => h)),
      ..b.rows.map(row => row.map(c => table.cell(breakable: row.len() < 4, cell(c)))).flatten())))
}

#let drawing(b) = block(above: 8pt, below: 10pt, width: 100%, figure(kind: image,
  caption: if b.caption == "" { none } else { b.caption },
  image(b.file, width: 100%, alt: b.alt)))

#let photo(b) = block(above: 6pt, below: 8pt, breakable: false,
  if b.file == "" { text(fill: alarm, b.caption) } else {
    figure(kind: image, caption: b.caption, image(b.file, width: 72mm, alt: b.caption)) })

#let to-sign(b) = block(above: 22mm, breakable: false, grid(columns: (1fr,) * b.names.len(), column-gutter: 9mm,
  ..b.names.map(n => block(width: 100%, stroke: (top: 0.7pt + ink), inset: (top: 3pt), text(size: 8.4pt, n)))))

// The masthead: thick rule, mark, site.
#block(width: 100%, stroke: (top: 2.6pt + ink), inset: (top: 7pt), below: 13pt,
  grid(columns: (auto, 1fr), align: (left + horizon, right + horizon), {
    pdf.artifact(box(baseline: 1pt, width: 10pt, height: 10pt, {
      for i in range(3) { place(dx: i * 3.4pt, rect(width: 1.7pt, height: 10pt, fill: ink)) }
    }))
    h(3pt)
    text(size: 13pt, weight: "bold", "Gritbook")
  }, text(size: 9pt, fill: quiet, d.site)))
#block(below: 6pt, text(size: 9.6pt, fill: quiet, d.kind))
= #d.title
#if d.under != "" { text(size: 10.6pt, d.under) }
#block(above: 11pt, below: 11pt, width: 100%, stroke: (top: 0.6pt + steel, bottom: 0.6pt + steel), inset: (y: 6pt),
  grid(columns: (1fr, 1fr), column-gutter: 8mm, row-gutter: 4pt,
    ..(("Report", d.number), ..d.facts).map(((label, value)) => grid(columns: (24mm, 1fr),
      text(size: 8.6pt, fill: quiet, label),
      if label == "Report" { text(font: mono, size: 7.6pt, value) } else { text(size: 8.9pt, value) }))))

#for b in d.blocks {
  if b.is == "Heading" { heading-block(b) }
  else if b.is == "Note" { note(b) }
  else if b.is == "Lines" { lines(b) }
  else if b.is == "Figures" { figures(b) }
  else if b.is == "Stairs" { stairs(b) }
  else if b.is == "Table" { table-block(b) }
  else if b.is == "Drawing" { drawing(b) }
  else if b.is == "Photo" { photo(b) }
  else if b.is == "ToSign" { to-sign(b) }
}
"""
