"""The record of a part or of a pot as a report: what it did, where, its checks, every correction.

What was corrected or withdrawn stands there too, struck through, with who did it and why. It
carries the seal of all that was entered, against which `gritbook record seal` can be asked later.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import figures, frames, part_frames
from dashboard import key_words, spoken, time_words, words
from dashboard.reports.content import (
    Block,
    Cell,
    Heading,
    Lines,
    Note,
    Photo,
    Report,
    Run,
    Table,
    ToSign,
    cell,
)
from dashboard.reports.frame import opening, site_title, trust
from dashboard.upkeep_words import hours_between, listed, measured_words
from ingest.config import Yard
from ingest.errors import RecordRefused
from ingest.parts import (
    PART_WORDS,
    START_ITEMS,
    caution_of,
    part_at,
    position_of,
)
from ingest.photos import MEDIA_TYPES
from ingest.store import record_chain
from ingest.yard_faults import suggestion

if TYPE_CHECKING:
    import duckdb

When = Callable[[dt.datetime | None], str]


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
    # To the minute, as the record says: whoever makes it twice within one gets the same.
    due = figures.upkeep_due(con, yard, now.replace(second=0, microsecond=0)).filter(
        pl.col("part_id").is_in(ids)
    )
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
        title = f"parts of {', '.join(words.pot_title(yard, pot) for pot in pots)}"
    if kind or asked:
        title = " ".join(word for word in (PART_WORDS.get(kind, ""), tag) if word)
        if not kind and lives.height:
            title = f"{PART_WORDS[lives['part'][0]]} {tag}"
    return Told(
        title, lives, stays, checks, chosen, due, str(record_chain.seal_of(con)),
        frames.store_version(con)[0],
    )  # fmt: skip


def known_kind(kind: str) -> None:
    """Refuse a kind of part that there is not; the empty one stands for all.

    Raises
    ------
    RecordRefused
        There is no such kind.
    """
    if kind and kind not in PART_WORDS:
        raise RecordRefused(
            f'There is no kind of part "{kind}"{suggestion(kind, PART_WORDS)}.',
            f"There are {', '.join(PART_WORDS)}.",
        )


def known(told: Told, tag: str, kind: str, pot: str | None) -> None:
    """Refuse a record of a part that nobody ever entered.

    Raises
    ------
    RecordRefused
        A tag or a kind was asked for, and there is no such part.
    """
    if (tag or kind) and told.lives.is_empty():
        named = " ".join(word for word in (kind, tag) if word)
        raise RecordRefused(
            f'No part "{named}" was ever entered{f" on {pot}" if pot else ""}.',
            "`gritbook part` shows all of them.",
        )


def compose(
    told: Told,
    yard: Yard,
    now: dt.datetime,
    photo: Callable[[str], bytes | None] | None = None,
) -> Report:
    """The record as a report.

    Parameters
    ----------
    told : Told
        What it is made from.
    yard : Yard
        For the site, its zone, and what pots are called.
    now : datetime
        Naive UTC, the same as for what it is made from: days run up to here.
    photo : callable, optional
        Gives the bytes of a photo by its name; photos are then shown. Without it their digests
        stand there.
    """
    zone = yard.site.zone

    def when(at: dt.datetime | None) -> str:
        return time_words.day_and_time(at, zone) if at is not None else words.NONE

    kinds = list(dict.fromkeys(told.lives["part"])) if told.lives.height else []
    caution = caution_of(kinds[0]) if len(kinds) == 1 else words.CAUTION
    blocks: list[Block] = [
        *opening(yard, caution), *_loosened(told.due), *_parts(told, when),
        *_stays(told, yard, when), *_due(told, when), *_entries(told, yard, when),
        *_photos(told, photo),
        *trust(
            "Hours come from the dead-man, confirmed by the pot's pressure; where data are missing "
            "they are a range, and limits are compared with its upper end. A part is not fit "
            "because its limit is not reached. Entries are never overwritten: each is linked to "
            "the one before it, and an altered row breaks the chain. This is a record of what "
            "people entered, not an inspection record under pressure-equipment law."
        ),
        Heading("Seal of all entries", "As it was when this was made.", 3),
        Table("Whether it still stands: `gritbook record seal`, with these characters.",
              ("Seal",), ((cell(Run(told.seal, "code")),),)),
        ToSign(("Name", "Date", "Signature")),
    ]  # fmt: skip
    as_of = now.replace(second=0, microsecond=0)
    return Report(
        "part", words.sentence(told.title),
        f"{words.counted(told.lives.height, 'part', 'parts')}, "
        f"{words.counted(len(told.entries), 'entry', 'entries')}",
        site_title(yard), zone.key, time_words.in_zone(as_of, zone).date(), as_of,
        (
            ("Days up to", when(as_of)),
            ("Hours up to", when(told.derived_at)),
            ("Site, time zone", f"{site_title(yard)}, {zone.key}"),
        ),
        tuple(blocks),
    )  # fmt: skip


def _loosened(due: pl.DataFrame) -> list[Block]:
    return [
        Note(
            f"A looser rule than common practice holds here: {spoken.page_units(row['what'])}.",
            f"{key_words.limits_page(row['loosened_by'])}. Decided by {row['by']}: {row['reason']}",
            "warn",
        )
        for row in due.filter("loosened")
        .unique(["rule", "by", "reason"], maintain_order=True)
        .iter_rows(named=True)
    ]


def _name(row: dict[str, Any]) -> Cell:
    named = Run(words.sentence(part_at(row["part"], row["position"])))
    return cell([named, Run(f" {row['tag']}", "bold")] if row["tag"] else [named])


def _parts(told: Told, when: When) -> list[Block]:
    rows = [
        (
            _name(row),
            cell(f"{when(row['first_at'])}{'' if row['basis'] == 'fitted' else ' (not entered)'}"),
            cell("on" if row["is_on"] else f"off {when(row['last_at'])}"),
            cell(hours_between(row["blast_low_us"] / 1e6, row["blast_high_us"] / 1e6)),
            cell(
                f"{words.plain_number(row['cycles_low'])} to "
                f"{words.plain_number(row['cycles_high'])}"
                if row["cycles_low"] != row["cycles_high"]
                else words.plain_number(row["cycles"])
            ),
            cell(f"{row['days']:.0f}"),
        )
        for row in told.lives.iter_rows(named=True)
    ]
    if not rows:
        return [Heading("What it did"), Note("No such part was heard of or entered yet.")]
    head = ("Part", "First on", "Now", "Blast hours", "Pinch cycles", "Days on a pot")
    return [
        Heading("What it did"),
        Table("Hours and cycles from low to high, wherever it was.", head, tuple(rows), (3, 4, 5),
              (2.6, 2.2, 2.2, 1.5, 1.5, 1)),
    ]  # fmt: skip


def _stays(told: Told, yard: Yard, when: When) -> list[Block]:
    if told.stays.height <= told.lives.height:
        return []
    ends = {"": "on", "moved": "moved", "removed": "taken off", "replaced": "replaced"}
    rows = [
        (
            _name(row), cell(words.pot_title(yard, row["pot"])), cell(when(row["from_at"])),
            cell(when(row["to_at"])),
            cell(ends[row["ended_by"]] + (f", {row['because']}" if row["because"] else "")),
            cell(hours_between(row["blast_low_us"] / 1e6, row["blast_high_us"] / 1e6)),
        )
        for row in told.stays.sort("from_at", descending=True).iter_rows(named=True)
    ]  # fmt: skip
    head = ("Part", "Pot", "From", "To", "Then", "Blast hours")
    return [
        Heading("Where it was"),
        Table("Place by place, the newest first.", head, tuple(rows), (5,),
              (2.4, 1, 2, 2, 1.6, 1.3)),
    ]  # fmt: skip


def _due(told: Told, when: When) -> list[Block]:
    rows = []
    for row in listed(told.due).iter_rows(named=True):
        used = words.used_of(row["trigger"], row["used"], row["limit"])
        rows.append(
            (
                _name(row), cell(spoken.page_units(words.sentence(row["what"]))),
                cell(Run(key_words.STATE_WORDS[row["state"]], "badge", state=row["state"]),
                     Run(used, "bar", round(row["share"], 2), row["state"]), used),
                cell(f"the {key_words.SINCE_WORDS[row['since']]}, {when(row['since_at'])}"),
                cell(Run(row["source"], "quiet")),
            )
        )  # fmt: skip
    if not rows:
        return []
    return [
        Heading("What is to be checked"),
        Table("Each check in force, the most urgent first.",
              ("Part", "Check", "Used", "Since", "Rests on"), tuple(rows), (),
              (1.9, 2.2, 1.9, 1.7, 2)),
    ]  # fmt: skip


def _entries(told: Told, yard: Yard, when: When) -> list[Block]:
    lives = {
        (row["record_id"], row["part"]): row
        for row in told.checks.iter_rows(named=True)
        if row["life_s"] is not None
    }
    rows = []
    for chain in sorted(told.entries, key=lambda chain: _done_at(chain[-1]), reverse=True):
        newest = next((row for row in reversed(chain) if not row["withdrawn"]), chain[-1])
        lines: list[Run | Sequence[Run]] = []
        for index, row in enumerate(chain):
            style = "gone" if index < len(chain) - 1 else "plain"
            said = [Run("Withdrawn.", style)] if row["withdrawn"] else _sentence(row, style)
            why = f": {row['reason']}" if row["reason"] else ""
            by = f" Entered by {row['recorded_by']} {when(row['recorded_at'])}, row {row['number']}"
            lines.append([*said, Run(f"{by}{why}.", "quiet")])
        life = lives.get((chain[-1]["record_id"], newest.get("part", "")))
        by_then = (
            cell(
                f"{hours_between(life['life_low_s'], life['life_high_s'])}; "
                f"{words.plain_number(life['life_cycles'])}"
            )
            if life
            else cell("")
        )
        part = newest.get("part")
        named = (
            part_at(part, position_of(part, newest.get("position"))) if part else "start of a shift"
        )
        rows.append(
            (
                cell(when(_done_at(newest))), cell(words.pot_title(yard, newest["pot"])),
                cell(words.sentence(named)), cell(*lines), by_then,
            )
        )  # fmt: skip
    if not rows:
        return [Heading("Entries"), Note("Nothing was entered yet.")]
    blocks: list[Block] = [
        Heading("Entries"),
        Table("Everything entered, the newest first; struck through: corrected or withdrawn.",
              ("When", "Pot", "Part", "What", "By then, h; cycles"), tuple(rows), (4,),
              (1.6, 0.9, 1.6, 4.4, 1.3)),
    ]  # fmt: skip
    if any(row["kind"] == "shift_start" for chain in told.entries for row in chain):
        asked = "; ".join(item.words for item in START_ITEMS.values())
        blocks.append(Lines((f"At the start of a shift is asked: {asked}.",)))
    return blocks


def _done_at(row: dict[str, Any]) -> dt.datetime:
    text = row.get("at")
    if isinstance(text, str):
        return dt.datetime.fromisoformat(text).astimezone(dt.UTC).replace(tzinfo=None)
    at: dt.datetime = row["recorded_at"]
    return at


def _sentence(row: dict[str, Any], style: str) -> list[Run]:
    """What an entry says."""
    kind = row["kind"]
    if kind == "part_fitted":
        tag = f", tag {row['tag']}" if row.get("tag") else ""
        text = f"Fitted{tag}."
    elif kind == "part_removed":
        text = f"Taken off: {row['because']}."
    elif kind == "shift_start":
        answers = {key: row.get(key, "not_done") for key in START_ITEMS}
        yes = sum(answer == "yes" for answer in answers.values())
        said = [f"{yes} of {len(START_ITEMS)} yes"]
        for answer, called in (("no", "NO"), ("not_done", "not done")):
            items = [START_ITEMS[key].words for key, one in answers.items() if one == answer]
            if items:
                said.append(f"{called}: {', '.join(items)}")
        text = "; ".join(said) + "."
    else:
        rule = f" ({row['rule']})" if row.get("rule") else ""
        measured = measured_words(row)
        text = f"{key_words.RESULT_WORDS[row['result']]}{rule}."
        text += f" Measured: {measured}." if measured else ""
        text += f" New one: tag {row['new_tag']}." if row.get("new_tag") else ""
    if row.get("note"):
        text += f" “{row['note']}”"
    runs = [Run(text, style)]
    if row.get("photo"):
        runs += [Run(" Photo "), Run(f"{row['photo'][:12]}…", "code")]
    return runs


def _photos(told: Told, photo: Callable[[str], bytes | None] | None) -> list[Block]:
    shown: list[Block] = []
    for chain in told.entries:
        row = chain[-1]
        name = row.get("photo", "")
        if not name or row["withdrawn"]:
            continue
        content = photo(name) if photo is not None else None
        caption = f"{PART_WORDS.get(row.get('part', ''), 'start of a shift')}, SHA-256 {name[:64]}"
        if photo is None:
            shown.append(Lines((caption,)))
            continue
        if content is None:
            caption += ": MISSING OR CHANGED"
        shown.append(Photo(content, MEDIA_TYPES[name[65:]], words.sentence(caption)))
    return [Heading(f"Photos ({len(shown)})"), *shown] if shown else []
