"""Rows of ingest: decoding, the journal, and from the journal into the store."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from bench_ingest import messages
from measure import Row, by_turns

from ingest.readings import RawMessage
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal import Journal
from ingest.store.journal_frames import encode
from ingest.store.sample_rows import add_samples
from ingest.store.write import StoreWriter
from ingest.wire import columns

_AT_ONCE = 2_000_000


def json_columns(batch: list[RawMessage]) -> dict[str, Any]:
    """Columns by the standard library's reader of JSON and nothing else."""
    at, channel, value, base_s = [], [], [], 0.0
    for message in batch:
        for record in json.loads(message.payload):
            base_s = record.get("bt", base_s)
            at.append(base_s + record["t"])
            channel.append(record["n"])
            value.append(record["v"] if "v" in record else float(record["vb"]))
    return {"at": np.array(at), "channel": channel, "value": np.array(value)}


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of ingest."""
    repeats = 5 if short else 9
    batch = messages(1_000 if short else 5_000, 10)
    decoder = columns.ColumnDecoder()
    yield by_turns(
        "decode into columns", lambda: decoder.decode(batch),
        "json into columns", lambda: json_columns(batch), repeats=repeats, limit=1 / 2.2,
    )  # fmt: skip
    yield from journal_rows(folder, repeats)
    yield from take_rows(folder, repeats, 0)
    if not short:
        yield from take_rows(folder, repeats, 100_000_000)


def journal_rows(folder: Path, repeats: int) -> Iterator[Row]:
    """Group commits of a hundred messages beside bare writing and syncing of the same bytes."""
    import os

    batch = messages(5_000, 2)
    frames = [encode([message]) for message in batch]

    def bare() -> None:
        with (
            tempfile.TemporaryDirectory(dir=folder) as name,
            (Path(name) / "bare").open("xb", buffering=0) as file,
        ):
            for begin in range(0, len(frames), 100):
                os.write(file.fileno(), b"".join(frames[begin : begin + 100]))
                os.fdatasync(file.fileno())

    def journal() -> None:
        with tempfile.TemporaryDirectory(dir=folder) as name, Journal(Path(name)) as kept:
            for begin in range(0, len(batch), 100):
                for message in batch[begin : begin + 100]:
                    kept.append(message)
                kept.sync()

    yield by_turns("journal in groups of 100", journal, "bare fdatasync", bare, repeats=repeats)


def take_rows(folder: Path, repeats: int, before: int) -> Iterator[Row]:
    """The journal's next messages into the store, beside DuckDB opening, appending and closing."""
    import duckdb

    data = folder / f"take-{before}"
    bare_path = folder / f"bare-{before}.duckdb"
    batch = messages(50 * (repeats + 2), 10)
    with write_window(data) as con:
        if before:
            # Rows of other pots and other years, as a store of that size has.
            for begin in range(0, before, _AT_ONCE):
                rows = con.sql(
                    "SELECT (1000 + i // 10 % 50)::SMALLINT AS pot_id, "
                    "TIMESTAMP '2020-01-01' + i * INTERVAL 2 MILLISECOND AS sampled_at, "
                    "TIMESTAMP '2020-01-01' + i // 10 * INTERVAL 20 MILLISECOND AS arrived_at, "
                    "(i % 800) * 1000.0::DOUBLE AS supply_pa, "
                    "(i % 700) * 1000.0::DOUBLE AS pot_pa, i % 7 < 3 AS deadman, 0 AS quality, "
                    "i // 10 AS message_id FROM range($begin, $end) t(i)",
                    params={"begin": begin, "end": min(before, begin + _AT_ONCE)},
                )
                add_samples(con, rows.pl())
    with Journal(data) as journal:
        for message in batch[:50]:
            journal.append(message)
    writer = StoreWriter(data, None)
    while writer.take():
        pass
    with read_window(data) as con:
        taken = con.sql("SELECT * FROM sample WHERE pot_id < 1000").to_arrow_table()
    with duckdb.connect(str(bare_path)) as con:
        con.register("taken", taken)
        con.execute("CREATE TABLE sample AS FROM taken LIMIT 0")
        if before:
            con.execute(f"ATTACH '{store_path(data)}' AS filled (READ_ONLY)")
            con.execute("INSERT INTO sample FROM filled.sample")
    # The turns' messages wait in the journal, a take's worth a segment: what is timed is the way
    # from the journal into the store. The way into the journal has a row of its own.
    ends = []
    for number in range(50, len(batch), 50):
        with Journal(data) as journal:
            for message in batch[number : number + 50]:
                journal.append(message)
            journal.sync()
            ends.append(journal.end)
    waiting = iter(ends)

    def take() -> None:
        if writer.take(next(waiting)) is None:
            raise RuntimeError("nothing waited in the journal")

    def bare() -> None:
        with duckdb.connect(str(bare_path)) as con:
            con.register("taken", taken)
            con.execute("INSERT INTO sample FROM taken")

    of = f"onto {before:.0e} rows" if before else "onto none"
    yield by_turns(
        f"journal to store, 500 instants {of}", take, "open, append, close", bare,
        repeats=repeats, limit=1.3,
    )  # fmt: skip
