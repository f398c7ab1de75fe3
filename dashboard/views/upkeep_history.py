"""What a card of the upkeep page shows of the past: checks, measurements, parts that were on."""

from __future__ import annotations

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts_life, data, entered_data, key_words, look, time_words, units, words
from dashboard.chart_table import chart_with_table
from dashboard.upkeep_words import hours_between, measured_words
from ingest.config import Yard
from ingest.parts import QUANTITIES

#: Checks and parts that a card lists; the record to print has all of them.
_CHECKS_SHOWN = 12
#: What is measured as a pressure is told in the viewer's unit, anything else as it was typed last.
_PRESSURES = ("opens_at", "reads_at_zero")
#: From so many measurements on they are drawn.
_FEWEST = 2


def show(
    described: Yard, version: data.Version, upkeep: data.Upkeep, row: dict[str, Any], key: str
) -> None:
    """Checks signed off before, what was measured, the newest photo, and the parts that were here.

    Parameters
    ----------
    described : Yard
        The yard file.
    version : Version
        Of the store.
    upkeep : Upkeep
        What the page was drawn from.
    row : dict
        Of a check or a finding: ``pot``, ``part``, ``position``.
    key : str
        Names the card in keys of widgets.
    """
    zone = described.site.zone
    place = (
        (pl.col("pot") == row["pot"])
        & (pl.col("part") == row["part"])
        & (pl.col("position") == row["position"])
    )
    mine = upkeep.checks.filter(place).sort("at", descending=True)
    if mine.is_empty():
        look.put('<p class="gb-under">No check of this part was signed off before.</p>')
    else:
        look.put(
            look.table(
                ("When", "Result", "By", "Measured", "Note"),
                [
                    (
                        time_words.day_and_time(c["at"], zone), key_words.RESULT_WORDS[c["result"]],
                        c["by"], measured_words(c), c["note"],
                    )
                    for c in mine.head(_CHECKS_SHOWN).iter_rows(named=True)
                ],
                "Signed off before",
            )
        )  # fmt: skip
        _trend(version, upkeep, place, key)
    for check in mine.filter(pl.col("photo") != "").head(1).iter_rows(named=True):
        content = entered_data.photo(check["photo"])
        if content is None:
            look.put(look.note("A photo is missing or was changed.", check["photo"], "alarm"))
        else:
            when = time_words.day_and_time(check["at"], zone)
            st.image(content, f"{when}, {check['by']}", width=320, alt="Photo of the part")
    _where(described, upkeep, place)


def _where(described: Yard, upkeep: data.Upkeep, place: pl.Expr) -> None:
    """The parts that were in a place, with what each did there and in all."""
    zone = described.site.zone
    stays = upkeep.stays.filter(place & (pl.col("basis") != "unknown"))
    lives = {life["part_id"]: life for life in upkeep.lives.iter_rows(named=True)}
    look.put(
        look.table(
            ("Tag", "From", "To", "Hours here", "Hours in all", "Pinch cycles", "Came off"),
            [
                (
                    stay["tag"] or words.NONE, time_words.day_and_time(stay["from_at"], zone),
                    time_words.day_and_time(stay["to_at"], zone) if stay["to_at"] else "on now",
                    hours_between(stay["blast_low_us"] / 1e6, stay["blast_high_us"] / 1e6),
                    hours_between(life["blast_low_us"] / 1e6, life["blast_high_us"] / 1e6),
                    words.plain_number(life["cycles"]),
                    key_words.CAME_OFF_WORDS.get(stay["because"], stay["because"]),
                )
                for stay in stays.sort("from_at", descending=True)
                .head(_CHECKS_SHOWN)
                .iter_rows(named=True)
                if (life := lives.get(stay["part_id"])) is not None
            ],
            "Parts that were here",
        )
    )  # fmt: skip


def _trend(version: data.Version, upkeep: data.Upkeep, place: pl.Expr, key: str) -> None:
    """What was measured on the parts of a place, over the hours that each had blasted by then."""
    rows = (
        data.kept(data.checks_lived, version)
        .value.filter(place & pl.col("value").is_not_null() & pl.col("life_s").is_not_null())
        .join(upkeep.lives.select("part_id", "tag"), on="part_id", how="left")
        .sort("at")
    )
    for quantity in rows["quantity"].unique(maintain_order=True):
        known = QUANTITIES.get(quantity)
        mine = rows.filter(pl.col("quantity") == quantity)
        if known is None or mine.height < _FEWEST:
            continue
        if quantity in _PRESSURES:
            unit, factor = units.unit("pressure"), units.factor("pressure")
        else:
            unit = mine["unit"][-1]
            factor = known.units[unit]
        drawn = mine.select(
            (pl.col("life_s") / 3600).alias("use"),
            (pl.col("value") * pl.col("unit").replace_strict(known.units) / factor).alias("found"),
            "part_id",
            pl.col("tag").fill_null(""),
            (pl.col("part_id") == mine["part_id"][-1]).alias("is_newest"),
            pl.col("at").dt.date().alias("day"),
        )
        title = f"{words.sentence(known.words)} [{unit}]"
        look.put(
            f'<p class="gb-label">{look.shown(title)}, by the hours blasted since new</p>'
            '<p class="gb-under">A line is a part. What it may wear down to is what its maker '
            "says; a trend is no limit.</p>"
        )
        chart_with_table(
            charts_life.measured(drawn, title, look.palette()),
            drawn.select(
                pl.col("day").alias("Checked on"), pl.col("tag").alias("Tag"),
                pl.col("use").round(1).alias("Blast hours since new"),
                pl.col("found").alias(title),
            ),
            says=f"{title}, {words.counted(drawn.height, 'measurement', 'measurements')} over the "
            "hours that each part had blasted by then.",
            key=f"trend-{key}-{quantity}", file=f"measured-{quantity}",
        )  # fmt: skip
