"""The record of a part or of a pot as one page to print or to hand over: HTML by itself.

Everything from people and from the yard file is escaped. What was corrected or withdrawn stands
there too, struck through, with who did it and why. The page carries the seal of all that was
entered, against which `gritbook record seal` can be asked later.
"""

from __future__ import annotations

import base64
import datetime as dt
import html
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import figures, frames, part_frames
from dashboard import words
from ingest.config import Yard
from ingest.parts import (
    PART_WORDS,
    QUANTITIES,
    START_ITEMS,
    caution_of,
    part_at,
    position_of,
)
from ingest.photos import MEDIA_TYPES
from ingest.store import record_chain

if TYPE_CHECKING:
    import duckdb

_STYLE = """
@page { size: A4; margin: 16mm 14mm; }
* { box-sizing: border-box; }
body { font: 10.5pt/1.4 "Liberation Sans", Arial, sans-serif; color: #111; background: #fff;
  margin: 0 auto; max-width: 190mm; padding: 6mm; }
h1 { font-size: 17pt; margin: 0 0 1mm; }
h2 { font-size: 12.5pt; margin: 7mm 0 1.5mm; break-after: avoid; }
p { margin: 0 0 2mm; }
.quiet { color: #444; }
.caution, .loose { border: 1.2pt solid #111; padding: 2mm 3mm; margin: 3mm 0; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt; }
th, td { text-align: left; vertical-align: top; padding: 1mm 2.5mm 1mm 0;
  border-bottom: 0.4pt solid #888; }
th { border-bottom: 1pt solid #111; }
tr { break-inside: avoid; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; }
s { color: #555; }
code { font: 8.5pt "Liberation Mono", monospace; overflow-wrap: anywhere; }
figure { display: inline-block; margin: 2mm 4mm 2mm 0; width: 60mm; vertical-align: top;
  break-inside: avoid; }
figure img { width: 100%; height: auto; }
figcaption { font-size: 8.5pt; overflow-wrap: anywhere; }
.sign { display: flex; gap: 12mm; margin-top: 12mm; }
.sign span { border-top: 0.8pt solid #111; flex: 1; padding-top: 1mm; font-size: 9pt; }
"""


@dataclass(frozen=True)
class Told:
    """What a record is made from.

    Parameters
    ----------
    title : str
        What the record is of.
    lives : polars.DataFrame
        ``analytics.part_frames.lives``, of the parts in it.
    stays : polars.DataFrame
        ``analytics.part_frames.stays`` of these parts.
    checks : polars.DataFrame
        ``analytics.part_frames.checks_with_lives``, of them.
    entries : list of list of dict
        ``analytics.part_frames.entries_with_corrections``, of them.
    due : polars.DataFrame
        ``analytics.upkeep.DUE_SCHEMA``, of them.
    seal : str
        Of all that was entered, when this was made.
    derived_at : datetime or None
        Up to when figures were derived; naive UTC.
    """

    title: str
    lives: pl.DataFrame
    stays: pl.DataFrame
    checks: pl.DataFrame
    entries: list[list[dict[str, Any]]]
    due: pl.DataFrame
    seal: str
    derived_at: dt.datetime | None


def record_of(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    now: dt.datetime,
    pots: Sequence[str] | None = None,
    tag: str = "",
    kind: str = "",
) -> Told:
    """All that a record says, of the parts that were asked for.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    now : datetime
        Naive UTC.
    pots : sequence of str, optional
        Only parts that were on one of these.
    tag, kind : str
        Only parts with this tag, of this kind; empty: all of them.
    """
    lives, stays = part_frames.lives(con), part_frames.stays(con)
    asked = tag.strip().casefold()
    if asked:
        lives = lives.filter(pl.col("tag").str.strip_chars().str.to_lowercase() == asked)
    if kind:
        lives = lives.filter(pl.col("part") == kind)
    if pots is not None:
        seen = stays.filter(pl.col("pot").is_in(pots))["part_id"]
        lives = lives.filter(pl.col("part_id").is_in(seen.implode()))
    # What nobody knows to be on for a moment, between two entries, is no part to speak of.
    lives = lives.filter((pl.col("basis") != "unknown") | pl.col("is_on"))
    ids = lives["part_id"].implode()
    stays = stays.filter(pl.col("part_id").is_in(ids))
    checks = part_frames.checks_with_lives(con).filter(pl.col("part_id").is_in(ids))
    due = figures.upkeep_due(con, yard, now).filter(pl.col("part_id").is_in(ids))
    mine = {*stays["fitted_by"], *stays["ended_by_record"], *checks["record_id"]}
    places = set(stays.select("pot", "part").iter_rows()) if not asked else set()
    chosen = []
    for chain in part_frames.entries_with_corrections(con):
        whole = {row["record_id"] for row in chain}
        last = next((row for row in reversed(chain) if not row["withdrawn"]), chain[-1])
        of_place = (last["pot"], last.get("part", "")) in places
        started = last["kind"] == "shift_start" and not asked and not kind
        tagged = asked and str(last.get("tag", "")).strip().casefold() == asked
        gone = chain[-1]["withdrawn"] and (of_place or tagged)
        if whole & mine or gone or (started and (pots is None or last["pot"] in pots)):
            chosen.append(chain)
    title = "parts of the yard"
    if pots is not None:
        title = f"parts of {', '.join(_title(yard, pot) for pot in pots)}"
    if kind or asked:
        title = " ".join(word for word in (PART_WORDS.get(kind, ""), tag) if word)
        if not kind and lives.height:
            title = f"{PART_WORDS[lives['part'][0]]} {tag}"
    return Told(
        f"Record: {title}", lives, stays, checks, chosen, due, str(record_chain.seal_of(con)),
        frames.store_version(con)[0],
    )  # fmt: skip


def page(
    told: Told,
    yard: Yard,
    now: dt.datetime,
    photo: Callable[[str], bytes | None] | None = None,
) -> str:
    """The record as HTML.

    Parameters
    ----------
    told : Told
        What it is made from.
    yard : Yard
        For the site, its zone, and what pots are called.
    now : datetime
        When it is printed, naive UTC.
    photo : callable, optional
        Gives the bytes of a photo by its name; photos are then shown. Without it their digests
        stand there.

    Returns
    -------
    str
        A whole document; it loads nothing from anywhere.
    """
    zone = yard.site.zone

    def when(at: dt.datetime | None) -> str:
        return words.day_and_time(at, zone) if at is not None else "–"

    kinds = list(dict.fromkeys(told.lives["part"])) if told.lives.height else []
    pieces = [
        f"<h1>{_shown(told.title)}</h1>",
        f'<p class="quiet">{_shown(yard.site.title or yard.site.name)} · printed {when(now)} · '
        f"figures up to {when(told.derived_at)}</p>",
    ]
    if yard.site.invented:
        pieces.append(f"<p><b>{_shown(words.INVENTED)}</b></p>")
    cautions = [caution_of(kinds[0])] if len(kinds) == 1 else [words.CAUTION]
    pieces.append(f'<p class="caution"><b>Caution.</b> {_shown(" ".join(cautions))}</p>')
    pieces += _loosened(told.due)
    pieces += [_parts(told, when), _stays(told, yard, when), _due(told, when)]
    pieces += [_entries(told, yard, when), _photos(told, photo)]
    pieces.append(
        "<h2>How far this can be trusted</h2><p>Hours come from the dead-man, confirmed by the "
        "pot's pressure; where data are missing they are a range, and limits are compared with its "
        "upper end. A part is not fit because its limit is not reached. Entries are never "
        "overwritten: each is linked to the one before it, and an altered row breaks the chain. "
        "This is a record of what people entered, not an inspection record under "
        "pressure-equipment law.</p>"
        f"<p>Seal of all entries when this was printed:<br><code>{_shown(told.seal)}</code><br>"
        'Whether it still stands: <code>gritbook record seal "…"</code></p>'
        '<div class="sign"><span>Name</span><span>Date</span><span>Signature</span></div>'
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{_shown(told.title)}</title><style>{_STYLE}</style></head>"
        f"<body>{''.join(pieces)}</body></html>\n"
    )


def hours_between(low_s: float, high_s: float) -> str:
    """Hours as a range, or one figure where both ends read alike.

    Examples
    --------
    >>> hours_between(3600.0, 3610.0), hours_between(3600.0, 7200.0)
    ('1.0', '1.0 to 2.0')
    """
    low, high = words.hours(low_s, 1), words.hours(high_s, 1)
    return low if low == high else f"{low} to {high}"


def measured_words(row: dict[str, Any]) -> str:
    """What was measured, in words.

    Examples
    --------
    >>> measured_words({"quantity": "bore", "value": 9.6, "unit": "mm", "measurement": "gauge 2"})
    'bore by gauge 9.6 mm; gauge 2'
    """
    said = []
    known = QUANTITIES.get(row.get("quantity") or "")
    if known is not None and row.get("value") is not None:
        said.append(f"{known.words} {row['value']:g} {row.get('unit') or ''}".strip())
    elif known is not None:
        said.append(f"{known.words}: {row.get('measurement') or ''}")
    if row.get("measurement") and not (known is not None and known.choices):
        said.append(row["measurement"])
    return "; ".join(said)


def _shown(text: object) -> str:
    return html.escape(str(text), quote=True)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], numbers: Sequence[int] = ()) -> str:
    """A table; cells are HTML already."""

    def cell(tag: str, index: int, text: str) -> str:
        return f"<{tag}{' class=n' if index in numbers else ''}>{text}</{tag}>"

    top = "".join(cell("th", i, _shown(text)) for i, text in enumerate(head))
    body = "".join(
        "<tr>" + "".join(cell("td", i, text) for i, text in enumerate(row)) + "</tr>"
        for row in rows
    )
    return (
        f'<div class="scroll"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody>'
        "</table></div>"
    )


def _loosened(due: pl.DataFrame) -> list[str]:
    return [
        f'<p class="loose"><b>A looser rule than common practice holds here: '
        f"{_shown(row['what'])}.</b> {_shown(words.limits_page(row['loosened_by']))}. Decided by "
        f"{_shown(row['by'])}: {_shown(row['reason'])}</p>"
        for row in due.filter("loosened")
        .unique(["rule", "by", "reason"], maintain_order=True)
        .iter_rows(named=True)
    ]


def _name(row: dict[str, Any]) -> str:
    tag = f" <b>{_shown(row['tag'])}</b>" if row["tag"] else ""
    return f"{_shown(part_at(row['part'], row['position']))}{tag}"


def _parts(told: Told, when: Callable[[dt.datetime | None], str]) -> str:
    rows = [
        (
            _name(row),
            f"{when(row['first_at'])}{'' if row['basis'] == 'fitted' else ' (not entered)'}",
            "on" if row["is_on"] else f"off {when(row['last_at'])}",
            hours_between(row["blast_low_us"] / 1e6, row["blast_high_us"] / 1e6),
            f"{row['cycles_low']:,} to {row['cycles_high']:,}"
            if row["cycles_low"] != row["cycles_high"]
            else f"{row['cycles']:,}",
            f"{row['days']:.0f}",
        )
        for row in told.lives.iter_rows(named=True)
    ]
    head = ("Part", "First on", "Now", "Blast hours", "Pinch cycles", "Days on a pot")
    return f"<h2>What it did</h2>{_table(head, rows, (3, 4, 5))}"


def _stays(told: Told, yard: Yard, when: Callable[[dt.datetime | None], str]) -> str:
    if told.stays.height <= told.lives.height:
        return ""
    ends = {"": "on", "moved": "moved", "removed": "taken off", "replaced": "replaced"}
    rows = [
        (
            _name(row), _shown(_title(yard, row["pot"])), when(row["from_at"]),
            when(row["to_at"]),
            _shown(ends[row["ended_by"]] + (f", {row['because']}" if row["because"] else "")),
            hours_between(row["blast_low_us"] / 1e6, row["blast_high_us"] / 1e6),
        )
        for row in told.stays.sort("from_at", descending=True).iter_rows(named=True)
    ]  # fmt: skip
    head = ("Part", "Pot", "From", "To", "Then", "Blast hours")
    return f"<h2>Where it was</h2>{_table(head, rows, (5,))}"


def _due(told: Told, when: Callable[[dt.datetime | None], str]) -> str:
    rows = [
        (
            _name(row), _shown(words.sentence(row["what"])),
            _shown(words.STATE_WORDS[row["state"]]),
            _shown(words.used_of(row["trigger"], row["used"], row["limit"])),
            _shown(f"the {words.SINCE_WORDS[row['since']]}, {when(row['since_at'])}"),
            _shown(row["source"]),
        )
        for row in told.due.iter_rows(named=True)
        # A rule by condition that sees nothing has nothing to say.
        if row["trigger"] != "condition" or row["state"] != "ok"
    ]  # fmt: skip
    if not rows:
        return ""
    head = ("Part", "Check", "State", "Used", "Since", "Rests on")
    return f"<h2>What is to be checked</h2>{_table(head, rows)}"


def _entries(told: Told, yard: Yard, when: Callable[[dt.datetime | None], str]) -> str:
    lives = {
        (row["record_id"], row["part"]): row
        for row in told.checks.iter_rows(named=True)
        if row["life_s"] is not None
    }
    rows = []
    for chain in sorted(told.entries, key=lambda chain: _done_at(chain[-1]), reverse=True):
        newest = next((row for row in reversed(chain) if not row["withdrawn"]), chain[-1])
        said = []
        for index, row in enumerate(chain):
            text = "Withdrawn." if row["withdrawn"] else _sentence(row)
            over = index < len(chain) - 1
            by = (
                f'<span class="quiet"> Entered by {_shown(row["recorded_by"])} '
                f"{when(row['recorded_at'])}, row {row['number']}"
                + (f": {_shown(row['reason'])}" if row["reason"] else "")
                + ".</span>"
            )
            said.append((f"<s>{text}</s>" if over else text) + by)
        life = lives.get((chain[-1]["record_id"], newest.get("part", "")))
        done = (
            hours_between(life["life_low_s"], life["life_high_s"]) + f"; {life['life_cycles']:,}"
            if life
            else ""
        )
        part = newest.get("part")
        named = (
            part_at(part, position_of(part, newest.get("position"))) if part else "start of a shift"
        )
        rows.append(
            (
                when(_done_at(newest)), _shown(_title(yard, newest["pot"])), _shown(named),
                "<br>".join(said), done,
            )
        )  # fmt: skip
    if not rows:
        return "<h2>Entries</h2><p>Nothing was entered yet.</p>"
    head = ("When", "Pot", "Part", "What", "By then, h; cycles")
    return f"<h2>Entries</h2>{_table(head, rows, (4,))}"


def _done_at(row: dict[str, Any]) -> dt.datetime:
    text = row.get("at")
    if isinstance(text, str):
        return dt.datetime.fromisoformat(text).astimezone(dt.UTC).replace(tzinfo=None)
    at: dt.datetime = row["recorded_at"]
    return at


def _sentence(row: dict[str, Any]) -> str:
    """What an entry says; HTML."""
    kind = row["kind"]
    if kind == "part_fitted":
        tag = f", tag {row['tag']}" if row.get("tag") else ""
        text = f"Fitted{tag}."
    elif kind == "part_removed":
        text = f"Taken off: {row['because']}."
    elif kind == "shift_start":
        answers = {"yes": "yes", "no": "NO", "not_done": "not done"}
        text = "; ".join(
            f"{item.words}: {answers[row.get(key, 'not_done')]}"
            for key, item in START_ITEMS.items()
        )
        text += "."
    else:
        rule = f" ({row['rule']})" if row.get("rule") else ""
        measured = measured_words(row)
        text = f"{words.RESULT_WORDS[row['result']]}{rule}."
        text += f" Measured: {measured}." if measured else ""
        text += f" New one: tag {row['new_tag']}." if row.get("new_tag") else ""
    said = _shown(text)
    if row.get("note"):
        said += f" “{_shown(row['note'])}”"
    if row.get("photo"):
        said += f" Photo <code>{_shown(row['photo'][:12])}…</code>"
    return said


def _photos(told: Told, photo: Callable[[str], bytes | None] | None) -> str:
    figures, names = [], []
    for chain in told.entries:
        row = chain[-1]
        name = row.get("photo", "")
        if not name or row["withdrawn"]:
            continue
        names.append(name)
        content = photo(name) if photo is not None else None
        caption = f"{PART_WORDS.get(row.get('part', ''), 'start of a shift')}, SHA-256 {name[:64]}"
        if photo is not None and content is None:
            caption += ": MISSING OR CHANGED"
        picture = (
            f'<img alt="{_shown(caption)}" src="data:{MEDIA_TYPES[name[65:]]};base64,'
            f'{base64.b64encode(content).decode()}">'
            if content is not None
            else ""
        )
        figures.append(f"<figure>{picture}<figcaption>{_shown(caption)}</figcaption></figure>")
    return f"<h2>Photos ({len(names)})</h2>{''.join(figures)}" if names else ""


def _title(yard: Yard, pot: str) -> str:
    described = yard.pot(pot)
    return (described.title if described else "") or pot
