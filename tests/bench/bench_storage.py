"""Bytes a reading in the store and in the archive, and how fast both are read, in one run.

Run: python tests/bench/bench_storage.py [--days 4] [--repeats 7] [--batch 100]

Prints one JSON object a case: a simulated pot's days as its box sends them (a message a second,
arriving with jitter, taken in small transactions), and the smoother shift of ``bench_derive``. A
reading is one value that is there: an instant's pressures and dead-man, and the message counter.
``plain`` is the same rows in Parquet with zstd as Polars writes them.
Times are CPU seconds of this process, each the least of the repeats.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import polars as pl
from bench_derive import put_samples, shift_samples

from ingest.readings import RawMessage
from ingest.store.archive import archive
from ingest.store.archive_files import read_day
from ingest.store.archive_pack import pack
from ingest.store.archive_place import Place
from ingest.store.archive_reading import archived, stored_rows
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.journal import Journal
from ingest.store.write import StoreWriter

COLUMNS = ["sampled_at", "deadman", "supply_pa", "pot_pa", "nozzle_pa"]
MEASURED = ("seq", "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa", "deadman", "supply_ma",
            "inlet_ma", "pot_ma", "nozzle_ma")  # fmt: skip


def simulated(data: Path, days: int, batch: int) -> None:
    """A simulated yard of one pot, sent message by message and taken in small batches."""
    from simulated_feeds.replay import history_days, replay_seconds
    from simulated_feeds.wire import senml_pack

    history = data / "history"
    subprocess.run(
        [sys.executable, "-m", "simulated_feeds", "yard", "--out", str(history), "--days",
         str(days), "--pots", "1", "--jobs", "1"],
        check=True, capture_output=True,
    )  # fmt: skip
    (pot,) = (path.name for path in (history / "readings").iterdir())
    chance = random.Random(1)
    with Journal(data) as journal:
        for second in replay_seconds(history, pot, history_days(history, pot)):
            arrived_s = (
                second.from_s + float(second.offsets_s[-1]) + chance.lognormvariate(-3.5, 0.6)
            )
            topic = f"gritbook/yard/{pot}/readings"
            journal.append(
                RawMessage("mqtt", topic, "", int(arrived_s * 1e6), False, senml_pack(pot, second))
            )
    writer = StoreWriter(data, None, batch)
    while writer.take() is not None:
        pass


def smooth(data: Path) -> None:
    """The shift of ``bench_derive``, put in with one statement."""
    with write_window(data) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        put_samples(con, 1, shift_samples())


def blocks(data: Path) -> tuple[int, int]:
    """Blocks of the store in use, and how large one is. [bytes]"""
    with read_window(data) as con:
        ((used, size),) = con.execute(
            "SELECT used_blocks, block_size FROM pragma_database_size() "
            "WHERE database_name = current_database()"
        ).fetchall()
    return int(used), int(size)


def least(work: Callable[[], object], repeats: int) -> float:
    took = []
    for _ in range(repeats + 1):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return min(took[1:])


def case(name: str, fill: Callable[[Path], None], repeats: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        fill(data)
        with write_window(data) as con:
            con.execute("DELETE FROM touched")
        counted = " + ".join(f"count({column})" for column in MEASURED)
        with read_window(data) as con:
            ((readings, rows),) = con.execute(f"SELECT {counted}, count(*) FROM sample").fetchall()
            frame = con.sql("SELECT * FROM sample ORDER BY sampled_at").pl()

        def hot() -> None:
            with read_window(data) as con:
                con.sql(f"SELECT {', '.join(COLUMNS)} FROM sample").pl()

        hot_s = least(hot, repeats)
        held, block_size = blocks(data)
        pack(data)
        packed, _ = blocks(data)
        plain = data / "plain.parquet"
        write_plain_s = least(lambda: frame.write_parquet(plain, compression="zstd"), 1)
        before = store_path(data).stat().st_size
        began = time.process_time()
        archive(data, "yard", dt.date(9999, 1, 1))
        archive_s = time.process_time() - began
        place = Place(data)
        with read_window(data) as con:
            files = [file for file in archived(con) if file.table == "sample"]
        # What the store takes without any sample is not the samples'.
        empty, _ = blocks(data)
        paths = [place.on_this_computer(file.path, file.sha256) for file in files]
        size = sum(file.size for file in files)

        def whole() -> None:
            with read_window(data) as con:
                source = stored_rows(con, "sample", 1)
                con.sql(f"SELECT {', '.join(COLUMNS)} FROM {source}").pl()

        def scan() -> None:
            pl.scan_parquet(plain).select(
                pl.col("deadman").sum(), pl.col("supply_pa", "pot_pa", "nozzle_pa").mean()
            ).collect()

        scan_s = least(scan, repeats)
        read_s = least(lambda: [read_day(path, COLUMNS) for path in paths], repeats)
        plain_s = least(lambda: pl.read_parquet(plain, columns=COLUMNS), repeats)
        same = pl.concat([read_day(path) for path in paths]).equals(
            frame.drop("pot_id").select(read_day(paths[0]).columns)
        )
        told = {
            "bench": name,
            "rows": rows,
            "readings": readings,
            "every_bit_read_back": same,
            "archive_bytes_a_reading": round(size / readings, 3),
            "plain_bytes_a_reading": round(plain.stat().st_size / readings, 3),
            "hot_bytes_a_reading": round((held - empty) * block_size / readings, 3),
            "packed_bytes_a_reading": round((packed - empty) * block_size / readings, 3),
            "store_bytes_before": before,
            "store_bytes_after_archiving": store_path(data).stat().st_size,
            "archiving_s": round(archive_s, 3),
            "plain_write_s": round(write_plain_s, 3),
            "read_day_s": round(read_s, 4),
            "archive_by_duckdb_s": round(least(whole, repeats), 4),
            "hot_read_s": round(hot_s, 4),
            "plain_read_s": round(plain_s, 4),
            "plain_scan_s": round(scan_s, 4),
            "read_day_to_plain_read": round(read_s / plain_s, 2),
            "read_day_to_plain_scan": round(read_s / scan_s, 2),
        }
        print(json.dumps(told))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=4)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument("--batch", type=int, default=100, help="messages a transaction")
    given = parser.parse_args()
    case(
        f"simulated pot, {given.days} days, 10 Hz, {given.batch} messages a transaction",
        lambda data: simulated(data, given.days, given.batch),
        given.repeats,
    )
    case("shift of bench_derive, 10 h at 10 Hz", smooth, given.repeats)


if __name__ == "__main__":
    main()
