"""What the page on a pot's condition shows of indicators: the first as pictures, all as charts."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from analytics.indicators import INDICATORS, Indicator
from dashboard import charts, condition_data, condition_words, look, time_words, words
from dashboard.chart_table import figures_behind
from ingest.config import Yard

#: Small charts beside each other, and indicators that are pictured without being asked for.
COLUMNS, FIRST = 3, 3

#: Rows of ``analytics.indicators.CHANGE_SCHEMA`` of each indicator, ascending.
Blocks = dict[tuple[str, bool], pl.DataFrame]


def indicator_cells(indicator: Indicator, row: dict[str, Any]) -> tuple[str, str, str, str]:
    """What an indicator is called, what it used to be, what it is now, and since when."""
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


@st.fragment
def indicators(described: Yard, pot: str, found: condition_data.PotCondition) -> None:
    """Each indicator against the pot's own past."""
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
    title, before, now, _ = indicator_cells(indicator, row)
    mark = look.badge("Changed", "warn") if row["signal"] else ""
    return (
        f'<div class="gb-small"><div class="gb-plainrow"><b>{look.shown(title)}</b>{mark}</div>'
        f"<span>{look.shown(now)}; used to be {look.shown(before)}</span></div>"
    )


def _alt(indicator: Indicator, blocks: Blocks) -> str:
    row = blocks[indicator.name, indicator.scatter].row(-1, named=True)
    title, before, now, _ = indicator_cells(indicator, row)
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
        title, before, now, since = indicator_cells(indicator, row)
        rows.append((title, before, now, since, mine.height, "yes" if row["signal"] else "no"))
    return pl.DataFrame(
        rows,
        schema=["Indicator", "Used to be", "Now", "Compared since", "Blocks", "Changed"],
        orient="row",
    )
