"""Looks through a pot's spells for those to be weighed: from where on, and what is noted of it."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import polars as pl

from analytics import condition_frames, frames
from analytics.spells import PAUSE_H
from ingest.config import Yard
from ingest.store.connection import write_window

if TYPE_CHECKING:
    import duckdb

#: Spells that are looked through though they have not changed, before it is noted that they need
#: not be: to write that takes as long as to look through some.
_LOOKED_AT = 12
#: A change reaches no spell that ended so long before it: cycles that far apart are two spells.
_APART = dt.timedelta(hours=PAUSE_H + 1.0)


@dataclass
class Look:
    """A look through a pot's spells: what for, what was known before it, what it found."""

    pot_id: int
    made_of: str
    known: condition_frames.SpellState | None
    full: bool
    found: list[dt.datetime] = field(default_factory=list)

    def begin(self, con: duckdb.DuckDBPyConnection) -> dt.datetime | None:
        """From where on; it is the begin of a spell, so that those after it are cut alike."""
        known = self.known
        if self.full or known is None or known.made_of != self.made_of:
            return None
        if known.from_at < frames.EARLIEST + _APART:
            return None
        return condition_frames.last_spell_before(con, self.pot_id, known.from_at - _APART)

    def to_keep(self, left: dt.datetime | None) -> dt.datetime | None:
        """From when on it must be looked next time, where that is worth noting; ``left``: the
        first spell that still waits."""
        if not self.found:
            return None
        from_at = self.found[-1] if left is None else left
        if self.known is not None and self.known.made_of == self.made_of:
            gains = len(self.found) > _LOOKED_AT and from_at > self.known.from_at
            return from_at if gains else None
        return from_at


class SpellLook(NamedTuple):
    """What a look through a pot's spells needs of the store.

    Parameters
    ----------
    pot : str
        The pot.
    look : Look
        What for, and from where on.
    settings : str
        Fingerprint of what weighing rests on beside cycles and entries.
    entries : polars.DataFrame
        ``at, abrasive_kg`` that people entered for the pot.
    cycles : polars.DataFrame
        Its cycles from there on.
    known : dict of datetime to str
        Of the spells that are there from there on: the begin, and the fingerprint.
    """

    pot: str
    look: Look
    settings: str
    entries: pl.DataFrame
    cycles: pl.DataFrame
    known: dict[dt.datetime, str]


def read_looks(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    full: bool,
    pots: Mapping[str, int],
    settings: Mapping[int, str],
    entries: Mapping[str, pl.DataFrame],
    cycles: Mapping[int, pl.DataFrame],
) -> Iterator[SpellLook]:
    """What looking through the spells of each pot of the yard needs; an open window.

    ``settings`` are fingerprints of what weighing rests on beside cycles and entries; ``cycles``
    are all of a pot, where they are known.
    """
    known_states = condition_frames.spell_states(con)
    for pot, pot_id in pots.items():
        if yard.pot(pot) is None:
            continue
        mine = entries[pot]
        look = Look(pot_id, _print(settings[pot_id], mine), known_states.get(pot_id), full)
        looked_from = look.begin(con)
        its = cycles.get(pot_id) if looked_from is None else None
        if its is None:
            its = frames.cycles(con, pot_id, looked_from)
        known = condition_frames.made_of_spells(con, pot_id, looked_from)
        yield SpellLook(pot, look, settings[pot_id], mine, its, known)


def keep_looks(data: Path, looks: list[Look], left: dict[int, dt.datetime]) -> None:
    """Note from when on each pot must be looked through next time; ``left``: the first spell of a
    pot that still waits."""
    news = [(look, look.to_keep(left.get(look.pot_id))) for look in looks]
    if all(from_at is None for _, from_at in news):
        return
    with write_window(data) as con:
        for look, from_at in news:
            if from_at is None:
                continue
            row = {"pot": look.pot_id, "made_of": look.made_of, "from_at": from_at}
            if look.known is None:
                con.execute(
                    "INSERT INTO spell_state VALUES ($pot, $made_of, $from_at, 0) "
                    "ON CONFLICT DO NOTHING",
                    row,
                )
            else:
                # Where cycles were written since they were read, their writer has noted it.
                con.execute(
                    "UPDATE spell_state SET made_of = $made_of, from_at = $from_at "
                    "WHERE pot_id = $pot AND changes = $changes",
                    row | {"changes": look.known.changes},
                )


def _print(settings: str, entries: pl.DataFrame) -> str:
    """What changes with the settings and with the entries of a pot."""
    text = repr((settings, sorted(entries.rows(), key=repr)))
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()
