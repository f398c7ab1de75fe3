"""Spells: stretches of work on one pot with no long pause, the pieces in which a pot is weighed.

A spell is mostly a shift. It is cut from the cycles alone, so that it comes out the same whether
shifts were booked, late or wrong, and whenever it is computed.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
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
    figures = [name for name, kind in cycles.schema.items() if kind == pl.Float64]
    counts = ~cycles["flicker"].to_numpy()
    pressed, released = (
        cycles[name].to_numpy()[counts].astype("datetime64[us]")
        for name in ("pressed_at", "released_at")
    )
    if not pressed.size:
        return pl.DataFrame(schema=SPELL_SCHEMA)
    # Not by expressions: they wake threads, which for the cycles of a day takes longer than that.
    pause = np.timedelta64(round(PAUSE_H * 3_600_000_000), "us")
    cuts = [0, *(np.flatnonzero(pressed[1:] - released[:-1] > pause) + 1).tolist(), pressed.size]
    values = np.nan_to_num(np.array([cycles[name].to_numpy()[counts] for name in figures]))
    # Of years there are thousands of both: each spell's entries are found by halving.
    entered = sorted(
        (
            (at, kg)
            for at, kg in zip(entries["at"], entries["abrasive_kg"], strict=True)
            if at is not None
        ),
        key=lambda row: (row[0], row[1] is not None, row[1] or 0.0),
    )
    ats = [at for at, _ in entered]
    rows = []
    for begin, end in itertools.pairwise(cuts):
        from_at, to_at = pressed[begin].item(), released[end - 1].item()
        first, after = (bisect_left(ats, edge) for edge in _near(from_at, to_at))
        # Of the spell's own, in one row each: what lies before it must not change a last place.
        sums = np.ascontiguousarray(values[:, begin:end]).sum(axis=1).tolist()
        text = repr((settings, from_at, to_at, end - begin, *sums, entered[first:after]))
        made_of = hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
        rows.append((from_at, to_at, end - begin, made_of))
    return pl.DataFrame(rows, schema=SPELL_SCHEMA, orient="row")


def entries_of(spell: dict[str, Any], entries: pl.DataFrame) -> pl.DataFrame:
    """The entries that belong to a spell: those within half a pause of it."""
    return entries_between(entries, *_near(spell["from_at"], spell["to_at"]))


def entries_between(
    entries: pl.DataFrame, from_at: dt.datetime, to_at: dt.datetime
) -> pl.DataFrame:
    """Entries from an instant on, before another."""
    if entries.is_empty():
        return entries
    at = entries["at"].to_numpy()
    # Not by an expression: a spell in some tenths of a second has no milliseconds for it.
    near = pl.Series((at >= np.datetime64(from_at)) & (at < np.datetime64(to_at)))
    return pl.DataFrame([column.filter(near) for column in entries.iter_columns()])


def _near(from_at: dt.datetime, to_at: dt.datetime) -> tuple[dt.datetime, dt.datetime]:
    """From when, and before when, entries belong to a spell."""
    near = dt.timedelta(hours=PAUSE_H / 2)
    return from_at - near, to_at + near
