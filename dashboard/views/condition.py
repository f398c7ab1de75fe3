"""A pot's condition: what its signals suggest, the abrasive in it, and how sure that is."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import polars as pl
import streamlit as st

from analytics import requirements, standing
from analytics.diagnosis import Suggestion
from analytics.indicators import BLOCK, INDICATORS, Indicator
from analytics.pot import LEVEL_NOT_TOLD
from dashboard import (
    charts,
    condition_data,
    condition_words,
    data,
    downloads,
    key_words,
    look,
    navigation,
    redraw,
    spoken,
    time_words,
    timeline,
    units,
    words,
)
from dashboard.chart_table import chart_with_table, figures_behind
from ingest.config import Yard

#: Spells that can be chosen, the newest first.
SPELLS_SHOWN = 60
#: Small charts beside each other, and indicators that are pictured without being asked for.
COLUMNS, FIRST = 3, 3

#: Rows of ``analytics.indicators.CHANGE_SCHEMA`` of each indicator, ascending.
Blocks = dict[tuple[str, bool], pl.DataFrame]

BY_KEY: dict[str, Indicator] = {
    condition_words.indicator_key(i.name, i.scatter): i for i in INDICATORS
}


def page() -> None:
    """A pot's condition."""
    look.put(
        look.title(
            "Condition",
            "What the pressures of each cycle say about air, abrasive, leak and nozzle.",
        ),
        look.caution(),
    )
    if not data.has_store():
        _nothing_yet(None)
        return
    described = data.yard()
    with data.together():
        version = data.kept(data.version).value
        heard = data.kept(data.pots_heard, version).value
    pots = [pot for pot in described.pot_names if heard.get(pot, (None, None))[0] is not None]
    if not pots:
        _nothing_yet(version)
        return
    pot = _choose_pot(described, pots)
    if pot is None:
        return
    found = data.kept(condition_data.pot_condition, version, pot)
    if found.is_old:
        look.put(look.as_of(found.read_at, described.site.zone))
    if found.value.spells.is_empty():
        look.put(
            look.note(
                "This pot has not been weighed yet.",
                "Weighing follows some minutes after the hours. It needs the manifold, the pot "
                "and the dead-man, best ten times a second; `gritbook derive` does it at once.",
            )
        )
        _how_sure(found.value)
        look.put(_not_measured(described, pot))
        redraw.when_there_is_more(version)
        return
    spell = _choose_spell(described, pot, found.value.spells)
    _pressures_of(described, version, pot, spell)
    _suggested(described, found.value, spell)
    _abrasive(described, version, pot, found.value, spell)
    _questions(described, found.value, spell)
    _indicators(described, pot, found.value)
    _how_sure(found.value)
    look.put(_not_measured(described, pot))


def _pressures_of(described: Yard, version: data.Version, pot: str, spell: dict[str, Any]) -> None:
    """The way to the pressures of this stretch, in its first shift where one is booked."""
    shifts = data.kept(data.shift_list, version).value
    mine = shifts.filter(
        (pl.col("pot") == pot)
        & (pl.col("from_at") < spell["to_at"])
        & (pl.col("to_at") > spell["from_at"])
    ).sort("from_at")
    along = navigation.carried() | {"pot": pot}
    for key in ("shift", "day", "from", "to"):
        along.pop(key, None)
    if mine.height:
        first = mine.row(0, named=True)
        whole, along["shift"] = (first["from_at"], first["to_at"]), first["shift"]
    else:
        day = data.site_date(spell["from_at"], described)
        whole = data.site_day(day, described)
        along |= {"shift": timeline.WHOLE_DAY, "day": day.isoformat()}
    along["from"] = timeline.text_of(max(spell["from_at"], whole[0]))
    along["to"] = timeline.text_of(min(spell["to_at"], whole[1]))
    with st.container(key="condition-ways-shift"):
        st.page_link("views/review.py", label="Its pressures in the shift", query_params=along)


def _nothing_yet(version: data.Version | None) -> None:
    look.put(
        look.note(
            "There is no pot to look at yet.",
            "Figures appear once a box has been heard and `gritbook pages` or `gritbook derive` "
            "has run; a card is brought in with `gritbook import FILE --pot NAME`.",
        )
    )
    redraw.when_there_is_more(version)


# --- choosing --------------------------------------------------------------------------------


def _choose_pot(described: Yard, pots: list[str]) -> str | None:
    asked = st.session_state.get("condition-pot", st.query_params.get("pot", ""))
    st.session_state["condition-pot"] = asked if asked in pots else pots[0]

    def keep() -> None:
        st.query_params["pot"] = st.session_state["condition-pot"]

    return st.segmented_control(
        "Pot", pots, key="condition-pot", required=True, wrap=True, on_change=keep,
        format_func=lambda name: words.label(data.pot_title(described, name)),
    )  # fmt: skip


def _choose_spell(described: Yard, pot: str, spells: pl.DataFrame) -> dict[str, Any]:
    """The newest spell that could be weighed, or the one that is chosen."""
    rows = list(spells.head(SPELLS_SHOWN).iter_rows(named=True))
    by_begin = {row["from_at"].isoformat(): row for row in rows}
    first = next((key for key, row in by_begin.items() if row["used_kg"] is not None), None)
    first = first or next(iter(by_begin))
    key = f"condition-spell-{pot}"
    asked = st.session_state.get(key, st.query_params.get("spell", ""))
    st.session_state[key] = asked if asked in by_begin else first

    def called(begin: str) -> str:
        row = by_begin[begin]
        told = time_words.stretch(row["from_at"], row["to_at"], described.site.zone)
        return f"{told}, {words.counted(row['cycles'], 'cycle', 'cycles')}"

    def keep() -> None:
        st.query_params["spell"] = st.session_state[key]

    chosen = st.selectbox(
        "Work without a long pause", list(by_begin), key=key, format_func=called,
        on_change=keep, width=520,
    )  # fmt: skip
    return dict(by_begin[chosen])


# --- suggestions -----------------------------------------------------------------------------


def _suggested(described: Yard, found: condition_data.PotCondition, spell: dict[str, Any]) -> None:
    zone = described.site.zone
    newest = spell["from_at"] == found.spells["from_at"][0]
    at = None if newest else spell["to_at"]
    when = "As things stand" if newest else f"As of {time_words.day_and_time(spell['to_at'], zone)}"
    look.put(look.heading("What the signals suggest", f"{when}. {condition_words.SUGGESTED}"))
    watched = found.watch
    if not watched.compared:
        look.put(
            look.note(
                "Too few cycles yet to compare this pot with itself.",
                f"{words.counted(watched.cycles, 'cycle', 'cycles')} weighed so far. The first "
                f"indicators are compared from about {watched.needed} on, the rest from about "
                f"{BLOCK * (max(i.reference_blocks for i in INDICATORS) + 1)}. Until then nothing "
                "is suggested, whatever happens: keep to the checks.",
            )
        )
        return
    suggestions = found.suggested(at)
    if not suggestions:
        look.put(look.note(condition_words.NO_CHANGE, condition_words.NO_CHANGE_MEANS))
    for number, suggestion in enumerate(suggestions, start=1):
        look.put(_suggestion(found, suggestion, number, at))
    look.put(f'<p class="gb-under">{look.shown(_rests_on(watched))}</p>')


def _rests_on(watched: standing.Watch) -> str:
    said = (
        f"{len(watched.compared)} of {len(INDICATORS)} indicators are compared with what this pot "
        f"itself did in up to {watched.reference_cycles} earlier cycles, in blocks of {BLOCK}; "
        f"{words.counted(watched.blocks, 'block', 'blocks')} since. "
    )
    if watched.waiting:
        said += (
            f"{words.counted(len(watched.waiting), 'waits', 'wait')} for more cycles, or for a "
            "channel that is not measured."
        )
    return said.strip()


def _suggestion(
    found: condition_data.PotCondition, suggestion: Suggestion, number: int, at: dt.datetime | None
) -> str:
    rows = []
    for key in suggestion.evidence:
        row = _newest(found.changes, BY_KEY[key], at)
        if row is not None:
            rows.append(_indicator_cells(BY_KEY[key], row))
    table = look.table(
        ("Indicator", "Used to be", "Now", "Compared since"),
        rows,
        "The evidence, in blocks of eight cycles",
    )
    rank = "Fits best" if number == 1 else "Fits too"
    return (
        f'<section class="gb-card gb-suggested"><div class="gb-top">'
        f"<h3>{look.shown(spoken.page_units(suggestion.sentence))}</h3>"
        f"{look.badge(rank, 'warn' if number == 1 else 'plain')}</div>"
        f"<p><b>What to check.</b> {look.shown(suggestion.check)}</p>{table}"
        f'<p class="gb-caution">{look.shown(suggestion.caution)}</p></section>'
    )


def _newest(
    changes: pl.DataFrame, indicator: Indicator, at: dt.datetime | None
) -> dict[str, Any] | None:
    rows = _of(changes, indicator)
    if at is not None:
        rows = rows.filter(pl.col("at") <= at)
    return rows.row(-1, named=True) if rows.height else None


def _of(changes: pl.DataFrame, indicator: Indicator) -> pl.DataFrame:
    return changes.filter(
        (pl.col("indicator") == indicator.name) & (pl.col("scatter") == indicator.scatter)
    ).sort("at")


def _indicator_cells(indicator: Indicator, row: dict[str, Any]) -> tuple[str, str, str, str]:
    unit, factor = condition_words.indicator_unit(indicator.name, indicator.unit)
    tail = f"{words.NBSP}{unit}" if unit else ""

    def told(value: float) -> str:
        return words.three_digits(value * factor)

    return (
        condition_words.INDICATOR_TITLES[
            condition_words.indicator_key(indicator.name, indicator.scatter)
        ],
        f"{told(row['reference'])} ± {told(row['spread'])}{tail}",
        f"{told(row['now'])}{tail}",
        time_words.day(row["since_at"]),
    )


# --- abrasive --------------------------------------------------------------------------------


def _abrasive(
    described: Yard,
    version: data.Version,
    pot: str,
    found: condition_data.PotCondition,
    spell: dict[str, Any],
) -> None:
    zone = described.site.zone
    look.put(
        look.heading(
            "Abrasive in the pot",
            "Weighed by how fast air fills the room that abrasive leaves. The band holds the truth "
            "nine times in ten where nothing below under “How sure is this” applies.",
        )
    )
    level = data.kept(condition_data.spell_level, version, pot, spell["from_at"], spell["to_at"])
    if spell["used_kg"] is not None and level.value.line.height < 2:
        look.put(
            look.note(
                LEVEL_NOT_TOLD,
                f"It used {words.with_unit('mass', spell['used_kg'])}, "
                f"{words.between_kg(spell['used_low_kg'], spell['used_high_kg'])}.",
            )
        )
        return
    if spell["used_kg"] is None:
        look.put(
            look.note(
                "This stretch cannot be weighed: too few fills could be used.",
                "It takes at least three presses of some seconds, each from a pot that was down. "
                "Choose an earlier stretch above, or look again later.",
            )
        )
        return
    newest = found.spells.row(0, named=True)
    if newest["from_at"] != spell["from_at"]:
        begin = time_words.day_and_time(newest["from_at"], zone)
        look.put(look.note(f"Newer work, from {begin} on, is not in this picture."))
    last = level.value.line.row(-1, named=True)
    blast_s = level.value.blast_s
    use_kg_s = spell["used_kg"] / blast_s if blast_s > 0 else None
    is_last = newest["from_at"] == spell["from_at"]
    look.put(
        look.figures(
            [
                look.Figure(
                    "Left in the pot",
                    words.measure("mass", last["kg"], last["low_kg"], last["high_kg"]),
                    units.unit("mass"),
                    words.between_kg(last["low_kg"], last["high_kg"]),
                    f"after the {'newest' if is_last else 'last'} cycle, "
                    f"{time_words.clock(last['at'], zone)}",
                ),
                look.Figure(
                    "Used a blast hour",
                    words.measure("use", use_kg_s),
                    units.unit("use"),
                    origin=f"over {words.hours(level.value.blast_s)}{words.NBSP}h of blast-on time",
                ),
                look.Figure(
                    "Used", words.measure("mass", spell["used_kg"]), units.unit("mass"),
                    words.between_kg(spell["used_low_kg"], spell["used_high_kg"]),
                    f"in {words.counted(spell['cycles'], 'cycle', 'cycles')}",
                ),
                look.Figure(
                    "Tipped", words.measure("mass", level.value.tippings["estimate_kg"].sum()),
                    units.unit("mass"),
                    origin=f"{words.counted(level.value.tippings.height, 'tipping', 'tippings')} "
                    "found in the pressures",
                ),
            ]
        )
    )  # fmt: skip
    chart = charts.pot_level(
        level.value.line, level.value.tippings, level.value.emptied, zone, look.palette()
    )
    chart_with_table(
        chart, _level_table(described, level.value.line), key="condition-level",
        says=f"Abrasive in the pot over the stretch, with its band. {_legend(level.value)}",
        file=f"{pot}-abrasive-{spell['from_at']:%Y-%m-%dT%H%M}",
        whole=downloads.csv(lambda: level.value.line),
    )  # fmt: skip
    look.put(f'<p class="gb-under">{look.shown(_legend(level.value))}</p>')
    if level.value.tippings.height:
        _all_tippings(described, level.value.tippings)


def _level_table(described: Yard, line: pl.DataFrame) -> pl.DataFrame:
    unit, si = units.unit("mass"), units.factor("mass")
    titles = {"kg": "In the pot", "low_kg": "At least", "high_kg": "At most"}
    return line.select(
        pl.col("at").dt.replace_time_zone("UTC").dt.convert_time_zone(described.site.zone.key)
        .dt.strftime("%Y-%m-%d %H:%M:%S").alias("Time"),
        *((pl.col(name) / si).round(0).alias(f"{title} [{unit}]")
          for name, title in titles.items()),
    )  # fmt: skip


def _legend(level: condition_data.SpellLevel) -> str:
    said = "Band: 90 % interval. Triangle and dashed line: abrasive tipped. "
    if level.emptied:
        times = words.counted(len(level.emptied), "time", "times")
        said += f"Cross: the pot ran empty ({times})."
    else:
        said += "No cycle in which it ran empty was found."
    return said


@st.fragment
def _all_tippings(described: Yard, tippings: pl.DataFrame) -> None:
    opened = st.expander(
        "Tippings found, and the bags entered for them", key="condition-tippings",
        on_change="rerun",
    )  # fmt: skip
    if opened.open:
        with opened:
            look.put(_tippings(described, tippings))


def _tippings(described: Yard, tippings: pl.DataFrame) -> str:
    zone = described.site.zone
    rows = []
    for row in tippings.iter_rows(named=True):
        half = 1.6449 * row["error_kg"]
        rows.append(
            (
                f"{time_words.clock(row['from_at'], zone)} to "
                f"{time_words.clock(row['to_at'], zone)}",
                f"{words.measure('mass', row['estimate_kg'])} ± {words.with_unit('mass', half)}",
                "nobody entered any"
                if row["entered_kg"] is None
                else words.with_unit("mass", row["entered_kg"]),
            )
        )
    return look.table(("Between", "Found (90 %)", "Entered"), rows, "Times are the site's.")


# --- questions -------------------------------------------------------------------------------


def _questions(described: Yard, found: condition_data.PotCondition, spell: dict[str, Any]) -> None:
    look.put(
        look.heading(
            "Questions for the supervisor",
            "Where pressures and entries tell different stories. Either may be right.",
        )
    )
    asked = [str(question) for question in json.loads(spell["questions"])]
    if not asked:
        agree = "Bags and pressures tell the same story."
        none = "No bags were entered for it, and no tipping was found."
        look.put(look.note("None for this stretch.", agree if _has_entries(found, spell) else none))
        return
    zone = described.site.zone
    told = [
        spoken.page_units(spoken.at_the_site(q, spell["from_at"], spell["to_at"], zone))
        for q in asked
    ]
    items = "".join(f"<li>{look.shown(question)}</li>" for question in told)
    in_utc = any("UTC" in question for question in told)
    look.put(
        f'<ol class="gb-questions">{items}</ol>'
        f'<p class="gb-under">{"Times in UTC." if in_utc else "Times are the site&#x27;s."} '
        "Correct or add the entry in the log book; the pot is then weighed anew.</p>"
    )
    with st.container(key="condition-ways", horizontal=True):
        st.page_link(
            "views/logbook.py", label="Open the log book", query_params=navigation.carried()
        )


def _has_entries(found: condition_data.PotCondition, spell: dict[str, Any]) -> bool:
    mine = found.tippings.filter(
        (pl.col("to_at") > spell["from_at"]) & (pl.col("from_at") < spell["to_at"])
    )
    return bool(mine["entered_kg"].is_not_null().any())


# --- indicators ------------------------------------------------------------------------------


@st.fragment
def _indicators(described: Yard, pot: str, found: condition_data.PotCondition) -> None:
    with look.sentences():
        look.put(
            look.heading(
                "Indicators",
                "Each against this pot's own past. Grey band: what it used to be, give or take its "
                "spread. Dashed: a part it hangs on was changed, and the past begins anew. "
                "Diamond: a change that matters.",
            )
        )
        blocks = _by_indicator(found.changes)
        compared = [i for i in INDICATORS if (i.name, i.scatter) in blocks]
        if not compared:
            look.put(look.note("There is nothing to draw yet.", "It needs more cycles."))
            return
        # What has changed stands first; the rest keeps its order.
        compared.sort(key=lambda i: not blocks[i.name, i.scatter]["signal"][-1])
        _small_charts(described, found, blocks, compared)
        figures_behind(
            _indicator_table(blocks, compared), key="condition-indicators",
            file=f"{pot}-indicators", whole=found.changes.write_csv,
        )  # fmt: skip
        waiting = [
            condition_words.INDICATOR_TITLES[condition_words.indicator_key(*key)].lower()
            for key in found.watch.waiting
        ]
        if waiting:
            look.put(
                f'<p class="gb-under">Not compared yet, for want of cycles or of a channel: '
                f"{look.shown(', '.join(waiting))}.</p>"
            )


def _by_indicator(changes: pl.DataFrame) -> Blocks:
    """Blocks of each indicator, ascending, by its name and whether its scatter is meant."""
    parts = changes.sort("at").partition_by("indicator", "scatter", as_dict=True)
    return {(str(name), bool(scatter)): rows for (name, scatter), rows in parts.items()}


def _small_charts(
    described: Yard, found: condition_data.PotCondition, blocks: Blocks, compared: list[Indicator]
) -> None:
    """The first few as pictures; all as charts for whoever asks: a browser takes long for each."""
    place = st.container()
    changed = sum(bool(blocks[i.name, i.scatter]["signal"][-1]) for i in compared)
    number = words.counted(len(compared), "indicator", "indicators")
    said = f"{changed} of them changed" if changed else "none of them changed"
    asked = st.toggle(f"Draw the {number} as charts to point at, {said}", key="condition-all")
    with place:
        if not asked:
            pictures = "".join(
                f"<li>{_told(i, blocks)}{_picture(i, blocks)}</li>" for i in compared[:FIRST]
            )
            look.put(f'<ul class="gb-pictures">{pictures}</ul>')
            return
        for first in range(0, len(compared), COLUMNS):
            for column, indicator in zip(
                st.columns(COLUMNS, gap="medium"), compared[first : first + COLUMNS], strict=False
            ):
                with column:
                    _small_chart(described, found, indicator, blocks)
        most = max(blocks[i.name, i.scatter].height for i in compared)
        if most > charts.BLOCKS_DRAWN:
            look.put(
                f'<p class="gb-under">Lines are thinned from up to {words.plain_number(most)} '
                "blocks each: the highest, the lowest and every change are kept; the file has all."
                "</p>"
            )


def _told(indicator: Indicator, blocks: Blocks) -> str:
    row = blocks[indicator.name, indicator.scatter].row(-1, named=True)
    title, before, now, _ = _indicator_cells(indicator, row)
    mark = look.badge("Changed", "warn") if row["signal"] else ""
    return (
        f'<div class="gb-small"><div class="gb-plainrow"><b>{look.shown(title)}</b>{mark}</div>'
        f"<span>{look.shown(now)}; used to be {look.shown(before)}</span></div>"
    )


def _alt(indicator: Indicator, blocks: Blocks) -> str:
    row = blocks[indicator.name, indicator.scatter].row(-1, named=True)
    title, before, now, _ = _indicator_cells(indicator, row)
    return f"{title}: {now}; used to be {before}. “Show the figures” has all."


def _drawn(indicator: Indicator, blocks: Blocks, factor: float) -> pl.DataFrame:
    return blocks[indicator.name, indicator.scatter].select(
        "at",
        "since_at",
        pl.col("now") * factor,
        pl.col("reference") * factor,
        ((pl.col("reference") - pl.col("spread")) * factor).alias("low"),
        ((pl.col("reference") + pl.col("spread")) * factor).alias("high"),
        "signal",
    )


def _picture(indicator: Indicator, blocks: Blocks) -> str:
    picture = charts.indicator_picture(_drawn(indicator, blocks, 1.0), look.palette())
    return look.picture(picture, _alt(indicator, blocks))


def _small_chart(
    described: Yard, found: condition_data.PotCondition, indicator: Indicator, blocks: Blocks
) -> None:
    unit, factor = condition_words.indicator_unit(indicator.name, indicator.unit)
    shown = _drawn(indicator, blocks, factor)
    changed = found.fitted.filter(pl.col("part") == indicator.part)["at"].to_list()
    look.put(_told(indicator, blocks))
    chart = charts.indicator(shown, changed, unit, described.site.zone, look.palette())
    st.altair_chart(chart, theme=None, width="stretch", alt=_alt(indicator, blocks))


def _indicator_table(blocks: Blocks, compared: list[Indicator]) -> pl.DataFrame:
    rows = []
    for indicator in compared:
        mine = blocks[indicator.name, indicator.scatter]
        row = mine.row(-1, named=True)
        title, before, now, since = _indicator_cells(indicator, row)
        rows.append((title, before, now, since, mine.height, "yes" if row["signal"] else "no"))
    return pl.DataFrame(
        rows,
        schema=["Indicator", "Used to be", "Now", "Compared since", "Blocks", "Changed"],
        orient="row",
    )


# --- how sure --------------------------------------------------------------------------------


def _how_sure(found: condition_data.PotCondition) -> None:
    look.put(
        look.heading(
            "How sure is this",
            "A pot weighed by its pressures is an estimate. It goes wrong here:",
        )
    )
    factor = standing.steady_factor(found.tippings)
    if factor is not None:
        way = "more" if factor.factor > 1 else "less"
        look.put(
            look.note(
                f"Tippings come out {words.percent(abs(factor.factor - 1))} {way} than the bags "
                f"entered, steadily over {factor.tippings}.",
                "The pot's volume in the yard file may be wrong, or the weight of a bag, or the "
                "abrasive is of another density. Compare the volume with the vessel's plate, and "
                "weigh a bag.",
                "warn",
            )
        )
    look.put(_list(condition_words.HOW_SURE))
    look.put(
        look.heading(
            "What the suggestions do not tell apart",
            "They rest on this pot's own past, and see no part of it. It goes wrong here:",
        ),
        _list(condition_words.NOT_TOLD_APART),
    )


def _not_measured(described: Yard, pot: str) -> str:
    """What cannot be told of a pot for want of a channel, by the channels of its boxes."""
    measured = frozenset(c for box in described.boxes_of(pot) for c in box.channels)
    lacking = requirements.missing(measured)
    if not measured or not lacking:
        return ""
    rows = [
        (words.sentence(one.figure), key_words.channels(channels), words.sentence(one.without))
        for one, channels in lacking
    ]
    return look.heading(
        "What this pot's boxes do not measure", "By the channels that the yard file names for them."
    ) + look.table(("Figure", "It would need", "Without it"), rows, "What each figure needs")


def _list(said: tuple[tuple[str, str], ...]) -> str:
    items = "".join(
        f"<li><b>{look.shown(spoken.page_units(what))}.</b> "
        f"{look.shown(spoken.page_units(means))}</li>"
        for what, means in said
    )
    return f'<ul class="gb-sure">{items}</ul>'


if __name__ == "__main__":
    page()
