"""Shards: what several ingests that share one broker's messages each keep, gathered into one store.

A worker is an ingest with a data folder of its own, ``workers/<name>`` in the yard's: its own
journal, its own store. The rows of its ``touched`` say what came in since it was last gathered, so
the instants between are read from the shard and inserted here as anything is, where the same
reading again changes nothing. Only then are those rows of ``touched`` taken out of the shard, so a
gathering that was killed is done again and doubles nothing.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ingest.channels import CHANNELS
from ingest.errors import StoreError
from ingest.store.connection import DEFAULT_WAIT_S, read_window, store_path, write_window
from ingest.wire import reasons

if TYPE_CHECKING:
    import duckdb
    import polars as pl

FOLDER = "workers"
#: A reading's ``message_id`` keeps the shard it came from above the shard's own.
_SHARD_BIT = 48
_MOST_SHARDS = 2 ** (63 - _SHARD_BIT) - 1
#: Rows of a shard that are in memory at a time.
PIECE_ROWS = 100_000
_MOST_TOUCHED = 256

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}\Z")

#: Columns of ``sample`` with the channel and unit that they hold.
_MEASURED = {
    column: (channel.name, unit)
    for channel in CHANNELS.values()
    for column, unit in ((channel.column, channel.unit), (channel.current_column, "mA"))
    if column
}


class Gathered(NamedTuple):
    """What gathering a shard brought.

    Parameters
    ----------
    shard : str
        Its name.
    readings, repeated, conflicts : int
        New readings; such as were here already; other values for an instant, quarantined.
    quarantined : int
        Messages that the worker itself could not read.
    """

    shard: str
    readings: int
    repeated: int
    conflicts: int
    quarantined: int


class _Known(NamedTuple):
    shard_id: int
    quarantine_id: int


def worker_folder(data: Path, name: str) -> Path:
    """The data folder of a worker.

    Raises
    ------
    StoreError
        The name cannot be a folder's and a client's.
    """
    if not _NAME.match(name):
        raise StoreError(
            f"{name!r} cannot be a worker's name.",
            "Use up to 40 letters, digits, - and _, beginning with a letter or a digit.",
        )
    return data / FOLDER / name


def shards_of(data: Path) -> list[Path]:
    """Folders of workers that have a store, by name."""
    folder = data / FOLDER
    if not folder.is_dir():
        return []
    return sorted(f for f in folder.iterdir() if _NAME.match(f.name) and store_path(f).exists())


def gather(data: Path, shard: Path, wait_s: float = DEFAULT_WAIT_S) -> Gathered:
    """Bring what a shard has had since the last time into the yard's store.

    Parameters
    ----------
    data : Path
        The yard's data folder.
    shard : Path
        The worker's; its name is the shard's.
    wait_s : float
        How long to wait for either store. [s]

    Returns
    -------
    Gathered

    Raises
    ------
    StoreBusy
        Another process held one of the stores for too long; gather again.
    StoreError
        A store cannot be used.
    """
    known = _known(data, shard.name, wait_s)
    new = repeated = conflicts = 0
    while touched := _touched(shard, wait_s):
        last = max(number for number, *_ in touched)
        for frame in _pieces(shard, touched, wait_s):
            with write_window(data, wait_s) as con:
                counts = _insert(con, frame, known.shard_id, shard.name)
            new, repeated, conflicts = (
                a + b for a, b in zip((new, repeated, conflicts), counts, strict=True)
            )
        with write_window(shard, wait_s) as con:
            con.execute("DELETE FROM touched WHERE touched_id <= ?", [last])
    quarantined = _gather_rest(data, shard, known, wait_s)
    return Gathered(shard.name, new, repeated, conflicts, quarantined)


def gather_all(data: Path, wait_s: float = DEFAULT_WAIT_S) -> list[Gathered]:
    """Gather every worker under the yard's data folder; see :func:`gather`."""
    return [gather(data, shard, wait_s) for shard in shards_of(data)]


def _now_us() -> int:
    return int(dt.datetime.now(dt.UTC).timestamp() * 1e6)


def _known(data: Path, name: str, wait_s: float) -> _Known:
    with write_window(data, wait_s) as con:
        found = con.execute(
            "SELECT shard_id, quarantine_id FROM shard WHERE name = ?", [name]
        ).fetchall()
        if found:
            return _Known(*found[0])
        ((number,),) = con.execute("SELECT coalesce(max(shard_id), 0) + 1 FROM shard").fetchall()
        if number > _MOST_SHARDS:
            raise StoreError(
                f"There have been {_MOST_SHARDS} shards; another cannot be told apart.",
                "Name workers alike from start to start.",
            )
        con.execute("INSERT INTO shard VALUES (?, ?, 0)", [number, name])
        return _Known(number, 0)


_Touched = tuple[int, int, dt.datetime, dt.datetime]


def _touched(shard: Path, wait_s: float) -> list[_Touched]:
    with read_window(shard, wait_s) as con:
        return [
            (int(number), int(pot), from_at, to_at)
            for number, pot, from_at, to_at in con.execute(
                "SELECT touched_id, pot_id, from_at, to_at FROM touched "
                f"ORDER BY touched_id LIMIT {_MOST_TOUCHED}"
            ).fetchall()
        ]


def _pieces(shard: Path, touched: list[_Touched], wait_s: float) -> Iterator[pl.DataFrame]:
    """What changed, as long frames for :func:`ingest.store.insert.insert_readings`."""
    for pot_id in sorted({pot for _, pot, _, _ in touched}):
        for from_at, to_at in _joined([(f, t) for _, pot, f, t in touched if pot == pot_id]):
            yield from _samples(shard, pot_id, from_at, to_at, wait_s)
            yield from _tall(shard, pot_id, from_at, to_at, wait_s)


def _joined(
    spans: list[tuple[dt.datetime, dt.datetime]],
) -> list[tuple[dt.datetime, dt.datetime]]:
    """Spans that meet or overlap, as one."""
    joined: list[tuple[dt.datetime, dt.datetime]] = []
    for from_at, to_at in sorted(spans):
        if joined and from_at <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(joined[-1][1], to_at))
        else:
            joined.append((from_at, to_at))
    return joined


def _samples(
    shard: Path, pot_id: int, from_at: dt.datetime, to_at: dt.datetime, wait_s: float
) -> Iterator[pl.DataFrame]:
    import polars as pl

    values = ", ".join(f"CAST({column} AS DOUBLE) AS {column}" for column in _MEASURED)
    measured = pl.DataFrame(
        {
            "column": list(_MEASURED),
            "channel": [channel for channel, _ in _MEASURED.values()],
            "unit": [unit for _, unit in _MEASURED.values()],
        }
    )
    after: dt.datetime | None = None
    while True:
        with read_window(shard, wait_s) as con:
            frame = con.sql(
                f"SELECT pot, sampled_at, arrived_at, message_id, {values} FROM sample "
                "JOIN pot USING (pot_id) WHERE pot_id = $pot AND sampled_at <= $to_at AND "
                f"sampled_at {'>' if after else '>='} $from_at "
                f"ORDER BY sampled_at LIMIT {PIECE_ROWS}",
                params={"pot": pot_id, "from_at": after or from_at, "to_at": to_at},
            ).pl()
        if frame.is_empty():
            return
        yield (
            frame.unpivot(
                on=list(_MEASURED),
                index=["pot", "sampled_at", "arrived_at", "message_id"],
                variable_name="column",
            )
            .drop_nulls("value")
            .join(measured, on="column", maintain_order="left")
        )
        if frame.height < PIECE_ROWS:
            return
        after = frame["sampled_at"][-1]


def _tall(
    shard: Path, pot_id: int, from_at: dt.datetime, to_at: dt.datetime, wait_s: float
) -> Iterator[pl.DataFrame]:
    begin = 0
    while True:
        with read_window(shard, wait_s) as con:
            frame: pl.DataFrame = con.sql(
                "SELECT pot, channel, unit, sampled_at, arrived_at, message_id, value, text "
                "FROM reading AS r JOIN channel USING (channel_id) "
                "JOIN pot ON pot.pot_id = r.pot_id WHERE r.pot_id = $pot "
                "AND sampled_at BETWEEN $from_at AND $to_at "
                "ORDER BY r.channel_id, sampled_at, r.rowid "
                f"LIMIT {PIECE_ROWS} OFFSET {begin}",
                params={"pot": pot_id, "from_at": from_at, "to_at": to_at},
            ).pl()
        if frame.height:
            yield frame
        if frame.height < PIECE_ROWS:
            return
        begin += PIECE_ROWS


def _insert(
    con: duckdb.DuckDBPyConnection, frame: pl.DataFrame, shard_id: int, name: str
) -> tuple[int, int, int]:
    import polars as pl

    from ingest.readings import RawMessage
    from ingest.store import quarantine
    from ingest.store.insert import Status, insert_readings

    frame = frame.with_columns(_here(pl.col("message_id"), shard_id))
    status = insert_readings(con, frame)
    conflicts = frame.filter(status == Status.CONFLICT)
    if conflicts.height:
        shown = conflicts.select("pot", "channel", "unit", "sampled_at", "value")
        pots = sorted(set(conflicts["pot"].to_list()))
        message = RawMessage(
            f"worker:{name}", ",".join(pots)[:200], "text/csv", _now_us(), False,
            shown.write_csv().encode(), 0,
        )  # fmt: skip
        row = quarantine.Refused(
            message,
            int(conflicts["message_id"][0]),
            reasons.VALUE_CONFLICT,
            f"{conflicts.height} readings of {', '.join(pots[:5])}, gathered from {name}",
        )
        quarantine.put(con, [row])
    return (
        int((status == Status.NEW).sum()),
        int((status == Status.REPEATED).sum()),
        conflicts.height,
    )


def _here(message_id: pl.Expr, shard_id: int) -> pl.Expr:
    """The number of a shard's message in this store; what the shard took from cards stays below
    nought."""
    import polars as pl

    of_shard = pl.lit(shard_id << _SHARD_BIT, pl.Int64)
    return (
        pl.when(message_id >= 0)
        .then(message_id + of_shard)
        .otherwise(message_id - of_shard)
        .alias("message_id")
    )


def _gather_rest(data: Path, shard: Path, known: _Known, wait_s: float) -> int:
    """What the worker put in quarantine, and what it counted, in one transaction."""
    with read_window(shard, wait_s) as con:
        refused = con.sql(
            "SELECT quarantine_id, source, topic, content_type, arrived_at, reason, detail, "
            "payload, message_id, retried_at FROM quarantine WHERE quarantine_id > $after "
            "ORDER BY quarantine_id",
            params={"after": known.quarantine_id},
        ).pl()
        counts = con.sql("SELECT * FROM source_count").pl()
    if refused.is_empty() and counts.is_empty():
        return 0
    with write_window(data, wait_s) as con:
        ((reached,),) = con.execute(
            "SELECT quarantine_id FROM shard WHERE shard_id = ?", [known.shard_id]
        ).fetchall()
        refused = refused.filter(refused["quarantine_id"] > reached)
        if refused.height:
            con.register("gathered", refused.to_arrow())
            con.execute(
                "INSERT INTO quarantine SELECT nextval('quarantine_number'), ? || source, topic, "
                "content_type, arrived_at, reason, detail, payload, message_id + ?, retried_at "
                "FROM gathered",
                [f"{shard.name}/", known.shard_id << _SHARD_BIT],
            )
            con.unregister("gathered")
            con.execute(
                "UPDATE shard SET quarantine_id = ? WHERE shard_id = ?",
                [int(refused["quarantine_id"][-1]), known.shard_id],
            )
        if counts.height:
            con.register("counted", counts.to_arrow())
            con.execute(
                "INSERT OR REPLACE INTO source_count SELECT ? || source, pot, messages, readings, "
                "repeated, quarantined, last_arrived_at FROM counted",
                [f"{shard.name}/"],
            )
            con.unregister("counted")
    return int(refused.height)


def of_message(message_id: int) -> tuple[int, int]:
    """Shard and the shard's own ``message_id`` of a reading's; shard 0 is the yard's own ingest."""
    if message_id < 0:
        return 0, message_id
    return message_id >> _SHARD_BIT, message_id & ((1 << _SHARD_BIT) - 1)
