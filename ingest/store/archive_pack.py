"""Room in the store: its rows written anew, a pot's together, and free blocks given back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import StoreError
from ingest.store.archive_writing import alone
from ingest.store.connection import DEFAULT_WAIT_S, open_store, store_path, write_window

if TYPE_CHECKING:
    import duckdb


def give_room_back(data: Path, wait_s: float) -> None:
    """Let the file shrink by the free blocks at its end; others are used again."""
    with open_store(store_path(data), read_only=False, wait_s=wait_s) as con:
        # As many groups of rows put together as DuckDB does by itself: the engine is one that
        # writers had, who do a few.
        con.execute("RESET GLOBAL max_vacuum_tasks")
        # The first frees the blocks, the second gives back those at the end.
        con.execute("CHECKPOINT")
        con.execute("CHECKPOINT")


#: What rows are packed best by: one pot's values together, ascending in time.
_PACKED_BY = {
    "sample_kept": "pot_id, sampled_at",
    "message": "message_no",
    "reading": "pot_id, channel_id, sampled_at",
}
_MOST_PACKINGS = 2


def pack(data: Path, wait_s: float = DEFAULT_WAIT_S) -> tuple[int, int]:
    """Write the store's rows anew, a pot's together, and let the file shrink.

    Small transactions of several pots leave rows mixed, which DuckDB packs badly. Each table is
    rewritten in one transaction, and rolled back where it does not hold the same rows. Meanwhile
    the store is held, and the disk must have room for the rows once more.

    Parameters
    ----------
    data : Path
        Data folder.
    wait_s : float
        How long to wait for the store. [s]

    Returns
    -------
    tuple of int
        Size of the store before and after. [bytes]

    Raises
    ------
    StoreError
        A table did not read back as it was; nothing is changed.
    StoreBusy, DiskFull
        The store could not be had, or has no room.
    """
    path = store_path(data)
    with alone(data):
        before = path.stat().st_size
        for _ in range(_MOST_PACKINGS):
            at = path.stat().st_size
            for table, order in _PACKED_BY.items():
                with write_window(data, wait_s) as con:
                    _rewrite(con, table, order)
            give_room_back(data, wait_s)
            # New rows may have gone behind the old ones: then the second time they go in front.
            if path.stat().st_size < at * 0.9:
                break
    return before, path.stat().st_size


def _rewrite(con: duckdb.DuckDBPyConnection, table: str, order: str) -> None:
    whole = f"SELECT count(*), bit_xor(hash(t)), sum(hash(t)::HUGEINT) FROM {table} AS t"
    held = con.execute(whole).fetchall()
    con.execute(f"CREATE TEMP TABLE packed_row AS FROM {table}")
    con.execute(f"DELETE FROM {table}")
    con.execute(f"INSERT INTO {table} SELECT * FROM packed_row ORDER BY {order}")
    con.execute("DROP TABLE packed_row")
    if con.execute(whole).fetchall() != held:
        raise StoreError(
            f"The table {table} did not read back as it was; it is left as it was.",
            "Run `gritbook check`, and look at the disk.",
        )
