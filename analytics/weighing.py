"""Weighs pots: takes the spells that changed, and puts condition, level and tippings in the store.

The second composer beside ``pipeline``: cycles and hours come first and are cheap; weighing a
spell costs about a second, so it runs after them, the newest spell first, and may be told how long
it may take. What is left is taken the next time. The result does not depend on the order.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import condition_frames, frames
from analytics.condition import CONDITION_SCHEMA, condition_of
from analytics.fill import PotFacts
from analytics.pieces import insert
from analytics.pipeline import transducer_laws
from analytics.signals import judged
from analytics.spells import entries_of, spells
from ingest.config import Yard
from ingest.store.connection import read_window, write_window

if TYPE_CHECKING:
    import duckdb

#: Raised when weighing itself changes, so that every spell is weighed anew.
WEIGHING_VERSION = 4

#: Signals are read from a little before the first press to the end of the last exhaust.
_BEFORE, _AFTER = dt.timedelta(seconds=60), dt.timedelta(seconds=180)

_KELVIN = 273.15

#: Asked where a spell's readings fit no model of a pot that fills.
NOT_WEIGHED = (
    "This stretch could not be weighed: its pressures fit no model of a pot that fills. Is a "
    "transducer at fault, or the vessel's volume in the yard file wrong?"
)


@dataclass(frozen=True)
class WeighedSpells:
    """What weighing did: spells weighed now, and spells still waiting."""

    weighed: int
    waiting: int


def weigh_spells(
    data: Path,
    yard: Yard,
    *,
    full: bool = False,
    most_s: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> WeighedSpells:
    """Weigh the spells whose cycles, entries or settings changed, the newest first.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    full : bool
        Every spell, whatever is there.
    most_s : float, optional
        Begin no further spell after this long. [s]
    progress : callable, optional
        Told in words what is being done.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    begun = time.monotonic()
    tell = progress or (lambda _: None)
    waiting: list[tuple[str, int, dict[str, Any]]] = []
    gone: list[tuple[int, dt.datetime]] = []
    with read_window(data) as con:
        states = frames.derive_states(con)
        every_entry = frames.abrasives(con).select("pot", "at", "abrasive_kg")
        done = condition_frames.weighed_spells(con)
        for pot, pot_id in frames.pots(con).items():
            if yard.pot(pot) is None:
                continue
            settings = f"{WEIGHING_VERSION}:{states.get(pot_id, '')}"
            found = spells(frames.cycles(con, pot_id), _of(every_entry, pot), settings)
            known = {
                row["from_at"]: row["made_of"]
                for row in done.filter(pl.col("pot_id") == pot_id).iter_rows(named=True)
            }
            waiting += [
                (pot, pot_id, row)
                for row in found.iter_rows(named=True)
                if full or known.get(row["from_at"]) != row["made_of"]
            ]
            still = set(found["from_at"])
            gone += [(pot_id, from_at) for from_at in known if from_at not in still]
    if gone:
        with write_window(data) as con:
            for pot_id, from_at in gone:
                _forget(con, pot_id, from_at)
    waiting.sort(key=lambda item: item[2]["to_at"], reverse=True)
    weighed = 0
    for pot, pot_id, spell in waiting:
        if most_s is not None and time.monotonic() - begun > most_s:
            break
        tell(f"{pot}: weighing the spell from {spell['from_at']:%Y-%m-%d %H:%M} UTC")
        _weigh(data, yard, pot, pot_id, spell, _of(every_entry, pot))
        weighed += 1
    return WeighedSpells(weighed, len(waiting) - weighed)


def _of(entries: pl.DataFrame, pot: str) -> pl.DataFrame:
    return entries.filter(pl.col("pot") == pot).select("at", "abrasive_kg")


def _weigh(
    data: Path,
    yard: Yard,
    pot: str,
    pot_id: int,
    spell: dict[str, Any],
    entries: pl.DataFrame,
) -> None:
    described = yard.pot(pot)
    assert described is not None
    from_at, to_at = spell["from_at"] - _BEFORE, spell["to_at"] + _AFTER
    with read_window(data) as con:
        rows = frames.samples(con, pot_id, from_at, to_at)
        cycles = frames.cycles(con, pot_id, spell["from_at"], spell["to_at"])
        air_c = condition_frames.mean_of_slow(con, pot_id, "air_temp", from_at, to_at)
    facts = (
        PotFacts(described.volume_m3)
        if air_c is None
        else PotFacts(described.volume_m3, air_k=air_c + _KELVIN)
    )
    found = judged(rows, transducer_laws(yard, pot))
    condition = condition_of(
        found.signals, cycles, facts, entries_of(spell, entries), stuck_minutes(found.faults)
    )
    # Readings that fit no model at all must not keep the other spells from being weighed; the
    # spell says so, and is tried again when anything of it changes.
    questions = [] if condition.fits else [NOT_WEIGHED]
    level = condition.level
    questions += level.questions if level else []
    summary = pl.DataFrame(
        [
            {
                "pot_id": pot_id,
                "from_at": spell["from_at"],
                "to_at": spell["to_at"],
                "cycles": spell["cycles"],
                "made_of": spell["made_of"],
                "used_kg": level.consumption.used_kg if level else None,
                "used_low_kg": level.consumption.used_low_kg if level else None,
                "used_high_kg": level.consumption.used_high_kg if level else None,
                "questions": json.dumps(questions, ensure_ascii=False),
            }
        ],
        schema=condition_frames.SPELL_COLUMNS,
    )
    with write_window(data) as con:
        _forget(con, pot_id, spell["from_at"])
        insert(con, "spell", summary)
        insert(
            con,
            "condition",
            _numbered(condition.cycles.select(list(CONDITION_SCHEMA)), pot_id, spell),
        )
        if level is not None:
            tippings = level.tippings.select(
                "from_at", "to_at", "estimate_kg", "error_kg", pl.col("entered_kg").cast(pl.Float64)
            )
            insert(con, "tipping", _numbered(tippings, pot_id, spell))


def stuck_minutes(faults: pl.DataFrame) -> pl.Series:
    """Minutes in which the pot's readings were left out for standing still.

    Parameters
    ----------
    faults : polars.DataFrame
        :data:`analytics.quality.FAULT_SCHEMA`.
    """
    return faults.filter((pl.col("channel") == "pot") & (pl.col("moving_bad") > 0))["from_at"]


def _numbered(frame: pl.DataFrame, pot_id: int, spell: dict[str, Any]) -> pl.DataFrame:
    return frame.with_columns(
        pl.lit(pot_id, pl.Int16).alias("pot_id"),
        pl.lit(spell["from_at"], pl.Datetime("us")).alias("spell_from_at"),
    )


def _forget(con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime) -> None:
    spell = {"pot": pot_id, "from_at": from_at}
    con.execute("DELETE FROM spell WHERE pot_id = $pot AND from_at = $from_at", spell)
    for table in ("condition", "tipping"):
        con.execute(f"DELETE FROM {table} WHERE pot_id = $pot AND spell_from_at = $from_at", spell)
