"""A check in words: how far along it is, since when, what it did, what it rests on.

Cards, printed records and the week's report say the same, because all ask here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from dashboard import key_words, time_words, words
from ingest.parts import QUANTITIES


def listed(due: pl.DataFrame) -> pl.DataFrame:
    """The checks that people see: a rule by condition that sees nothing has nothing to say."""
    return due.filter((pl.col("trigger") != "condition") | (pl.col("state") != "ok"))


def used(row: Mapping[str, Any]) -> str:
    """How far along a check is, in its own unit."""
    return words.used_of(row["trigger"], row["used"], row["limit"])


def since(row: Mapping[str, Any], zone: ZoneInfo) -> str:
    """Since when it is counted."""
    return (
        f"since the {key_words.SINCE_WORDS[row['since']]} on "
        f"{time_words.day_and_time(row['since_at'], zone)}"
    )


def counts(row: Mapping[str, Any]) -> str:
    """Hours and cycles since then, with low and high."""
    between = words.between_hours(row["blast_low_h"] * 3600, row["blast_high_h"] * 3600, 1)
    return (
        f"{words.hours(row['blast_h'] * 3600, 1)}{words.NBSP}blast hours"
        f"{f' ({between}; the higher counts)' if between else ''}, "
        f"{words.counted(row['cycles'], 'pinch cycle', 'pinch cycles')}"
    )


def source(row: Mapping[str, Any]) -> str:
    """What the rule rests on, and who loosened or set it."""
    said = f"Rule: {row['source']}"
    if row["loosened"]:
        looser = key_words.limits_page(row["loosened_by"])
        return f"{said}. Loosened by {row['by']} ({looser}): {row['reason']}"
    return f"{said}. Set by {row['by']}" if row["by"] else said


def loosened(due: pl.DataFrame) -> list[tuple[str, str]]:
    """What the site checks less often than common practice, each with who decided it and why."""
    return [
        (
            f"This site checks the {key_words.part(row['part'])} less often than common practice: "
            f"{key_words.limits_page(row['loosened_by'])}.",
            f"Decided by {row['by']}: {row['reason']}",
        )
        for row in due.filter("loosened")
        .unique(["rule", "loosened_by", "reason"], maintain_order=True)
        .iter_rows(named=True)
    ]


def hours_between(low_s: float, high_s: float) -> str:
    """Hours as a range, or one figure where both ends read alike.

    Examples
    --------
    >>> hours_between(3600.0, 3610.0), hours_between(3600.0, 7200.0)
    ('1.0', '1.0 to 2.0')
    """
    low, high = words.hours(low_s, 1), words.hours(high_s, 1)
    return low if low == high else f"{low} to {high}"


def measured_words(row: Mapping[str, Any]) -> str:
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
