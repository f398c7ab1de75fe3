"""What the page on a pot's condition suggests, with the evidence for it."""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

from analytics import standing
from analytics.diagnosis import Suggestion
from analytics.indicators import BLOCK, INDICATORS, Indicator
from dashboard import condition_data, condition_words, look, spoken, time_words, words
from dashboard.views.condition_indicators import indicator_cells
from ingest.config import Yard

BY_KEY: dict[str, Indicator] = {
    condition_words.indicator_key(i.name, i.scatter): i for i in INDICATORS
}


def suggested(described: Yard, found: condition_data.PotCondition, spell: dict[str, Any]) -> None:
    """What the signals suggest as of the end of a spell, the best fit first."""
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
            rows.append(indicator_cells(BY_KEY[key], row))
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
