"""What the page on a pot's condition shows of the abrasive in it: level, use and tippings."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from analytics.pot import LEVEL_NOT_TOLD
from dashboard import charts, condition_data, data, downloads, look, time_words, units, words
from dashboard.chart_table import chart_with_table
from ingest.config import Yard


def abrasive(
    described: Yard,
    version: data.Version,
    pot: str,
    found: condition_data.PotCondition,
    spell: dict[str, Any],
) -> None:
    """What was weighed over a spell, or why it could not be."""
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
