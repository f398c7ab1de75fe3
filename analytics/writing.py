"""What is derived, put into the store: rows of frames, what pieces hold, and notes of what changed.

Open write windows in; nothing is read here but what is being replaced.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from analytics import frames
from analytics.cycles import found_frames
from analytics.hours import instant_of
from analytics.pieces import FoundPiece, block_bounds
from analytics.quality import fault_frame, rest_frame
from analytics.watch import watch_frame

if TYPE_CHECKING:
    import duckdb


def write_found(
    con: duckdb.DuckDBPyConnection, found: Sequence[FoundPiece]
) -> dict[int, pl.DataFrame]:
    """Put what pieces hold in the place of what was derived of them before.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open write window.
    found : sequence of FoundPiece

    Returns
    -------
    dict of int to polars.DataFrame
        Cycles written of each pot, ascending: :data:`analytics.cycles.CYCLE_SCHEMA`.
    """
    by_pot: dict[int, list[FoundPiece]] = {}
    for each in found:
        by_pot.setdefault(each.piece.pot_id, []).append(each)
    cycles = {}
    for pot_id, mine in by_pot.items():
        mine.sort(key=lambda f: f.piece.from_at or frames.EARLIEST)
        told = found_frames([f.found for f in mine])
        cycles[pot_id] = told.cycles
        blocks = [block_bounds(f.piece) for f in mine]
        exact = [(f.begin_us, f.end_us) for f in mine]
        for table, instant, frame, bounds in (
            ("cycle", "pressed_at", told.cycles, exact),
            ("gap", "from_at", told.gaps, exact),
            ("signal_fault", "from_at", fault_frame([f.troubled for f in mine]), blocks),
            ("zero_rest", "from_at", rest_frame([f.rests for f in mine]), blocks),
            ("pressure_watch", "from_at", watch_frame([f.watched for f in mine]), blocks),
        ):
            for from_us, to_us in _joined(bounds):
                con.execute(
                    f"DELETE FROM {table} WHERE pot_id = $pot AND {instant} >= $from_at "
                    f"AND {instant} < $to_at",
                    {
                        "pot": pot_id,
                        "from_at": frames.EARLIEST if from_us is None else instant_of(from_us),
                        "to_at": frames.LATEST if to_us is None else instant_of(to_us),
                    },
                )
            insert(con, table, of_pot(frame, pot_id))
        begins = [frames.EARLIEST if us is None else instant_of(us) for us, _ in exact]
        note_changed(con, pot_id, min(begins))
    return cycles


def note_changed(con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime) -> None:
    """Note for weighing and notices that a pot's cycles from an instant on are others."""
    note_derived(con, pot_id, from_at)
    _note(con, "spell_state", pot_id, from_at, "$pot, '', $from_at, 1")


def note_derived(con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime) -> None:
    """Note for notices that what is derived of a pot is from an instant on another than before."""
    _note(con, "notice_changed", pot_id, from_at, "$pot, $from_at, 1")


def _note(
    con: duckdb.DuckDBPyConnection, table: str, pot_id: int, from_at: dt.datetime, first: str
) -> None:
    """Note a change from an instant on in a table with a row a pot; ``first`` is that row if it is
    the first."""
    noted = {"pot": pot_id, "from_at": from_at}
    # Mostly there is one; an insert with `ON CONFLICT` costs three times an update.
    ((known,),) = con.execute(
        f"UPDATE {table} SET from_at = least(from_at, $from_at), changes = changes + 1 "
        "WHERE pot_id = $pot",
        noted,
    ).fetchall()
    if not known:
        con.execute(f"INSERT INTO {table} VALUES ({first})", noted)


def _joined(
    bounds: Iterable[tuple[int | None, int | None]],
) -> list[tuple[int | None, int | None]]:
    """Stretches in the order of time, those that meet taken together."""
    joined: list[tuple[int | None, int | None]] = []
    for from_us, to_us in bounds:
        if joined and joined[-1][1] is not None and joined[-1][1] == from_us:
            joined[-1] = (joined[-1][0], to_us)
        else:
            joined.append((from_us, to_us))
    return joined


def insert(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    """Add the rows of a frame to a table, by the names of the columns."""
    if frame.is_empty():
        return
    # DuckDB finds the frame by its name here; to register it costs as much as to add few rows.
    con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM frame")


def of_pot(frame: pl.DataFrame, pot_id: int) -> pl.DataFrame:
    """A frame with the number of a pot in a column ``pot_id`` more."""
    numbers = np.full(frame.height, pot_id, dtype=np.int16)
    return frame.hstack([pl.Series("pot_id", numbers)])
