"""Spells: stretches of work on one pot with no long pause, the pieces in which a pot is weighed.

A spell is mostly a shift. It is cut from the cycles alone, so that it comes out the same whether
shifts were booked, late or wrong, and whenever it is computed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from bisect import bisect_left
from typing import Any

import numpy as np
import polars as pl

#: A pause longer than this ends a spell. [h]
PAUSE_H = 3.0

#: One row a spell.
SPELL_SCHEMA: dict[str, Any] = {
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "cycles": pl.Int64,
    "made_of": pl.String,
}


def spells(cycles: pl.DataFrame, entries: pl.DataFrame, settings: str) -> pl.DataFrame:
    """The spells in a pot's cycles, each with a fingerprint of what its weighing rests on.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, ascending; flickers neither begin nor end a spell.
    entries : polars.DataFrame
        ``at`` (naive UTC) and ``abrasive_kg`` of what people entered for the pot.
    settings : str
        Fingerprint of everything else that matters.

    Returns
    -------
    polars.DataFrame
        ``SPELL_SCHEMA``, ascending; ``to_at`` is the last release. ``made_of`` changes when a
        cycle of the spell, an entry in it or the settings change.

    Examples
    --------
    >>> day = dt.datetime(2026, 1, 5)
    >>> hours = [6.0, 7.0, 12.0]
    >>> cycles = pl.DataFrame({"pressed_at": [day + dt.timedelta(hours=h) for h in hours],
    ...     "released_at": [day + dt.timedelta(hours=h + 0.5) for h in hours],
    ...     "flicker": [False] * 3, "blast_s": [1700.0] * 3})
    >>> nothing = pl.DataFrame(schema={"at": pl.Datetime("us"), "abrasive_kg": pl.Float64})
    >>> spells(cycles, nothing, "")["cycles"].to_list()
    [2, 1]
    """
    counted = cycles.filter(~pl.col("flicker"))
    if counted.is_empty():
        return pl.DataFrame(schema=SPELL_SCHEMA)
    pause = pl.col("pressed_at") - pl.col("released_at").shift(1)
    numbered = counted.with_columns(
        (pause > pl.duration(seconds=round(PAUSE_H * 3600)))
        .fill_null(False)
        .cum_sum()
        .alias("spell")
    )
    figures = [name for name, kind in counted.schema.items() if kind == pl.Float64]
    grouped = numbered.group_by("spell", maintain_order=True).agg(
        pl.col("pressed_at").first().alias("from_at"),
        pl.col("released_at").last().alias("to_at"),
        pl.len().cast(pl.Int64).alias("cycles"),
        *(pl.col(name).sum() for name in figures),
    )
    # Of years there are thousands of both: each spell's entries are found by halving.
    entered = entries.select("at", "abrasive_kg").drop_nulls("at").sort("at", "abrasive_kg").rows()
    ats = [at for at, _ in entered]
    rows = []
    # Without its number: a spell is the same whatever came before it.
    for row in grouped.drop("spell").iter_rows(named=True):
        first, after = (bisect_left(ats, edge) for edge in _near(row))
        text = repr((settings, *row.values(), entered[first:after]))
        rows.append(
            (
                row["from_at"],
                row["to_at"],
                row["cycles"],
                hashlib.blake2b(text.encode(), digest_size=16).hexdigest(),
            )
        )
    return pl.DataFrame(rows, schema=SPELL_SCHEMA, orient="row")


def entries_of(spell: dict[str, Any], entries: pl.DataFrame) -> pl.DataFrame:
    """The entries that belong to a spell: those within half a pause of it."""
    from_at, to_at = _near(spell)
    if entries.is_empty():
        return entries
    at = entries["at"].to_numpy()
    # Not by an expression: a spell in some tenths of a second has no milliseconds for it.
    near = pl.Series((at >= np.datetime64(from_at)) & (at < np.datetime64(to_at)))
    return pl.DataFrame([column.filter(near) for column in entries.iter_columns()])


def _near(spell: dict[str, Any]) -> tuple[dt.datetime, dt.datetime]:
    """From when, and before when, entries belong to a spell."""
    near = dt.timedelta(hours=PAUSE_H / 2)
    return spell["from_at"] - near, spell["to_at"] + near
