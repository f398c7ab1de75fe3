"""Rows of deriving: cycles with pressure statistics, the whole of it, weighing, and a cold look.

A **scan** is Polars reading ``sampled_at``, ``deadman`` and three pressures of the same shifts
from Parquet and taking a maximum, a sum and three means; a **transfer** is DuckDB giving the same
columns of the same shifts as frames, and nothing else.

Rows without weighing are of one made-up shift on each day. Weighing looks for a pot that fills,
empties and is tipped into, and on readings that no pot gives it does other work than in a yard: its
rows are of shifts worked by the simulated pot, each with its own bursts, and of the bags entered.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import duckdb
import polars as pl
from bench_derive import put_samples, shift_samples
from condition_trials import BAG_KG, EPOCH, make_trial, read
from measure import Row, by_turns, cores

from analytics import frames
from analytics.cycles import FoundArrays, found_frames, found_in
from analytics.pipeline import derive, piece_settings
from analytics.signals import judged_arrays
from analytics.weighing import derive_and_weigh, weigh_spells
from ingest import records
from ingest.config import Yard, parse_yard
from ingest.store.archive_files import COLUMNS as ARCHIVED
from ingest.store.archive_files import encode_day, read_day
from ingest.store.connection import read_window, write_window

BEGIN = dt.datetime(2026, 3, 2)
COLUMNS = ["sampled_at", "deadman", "supply_pa", "pot_pa", "nozzle_pa"]


def bench_yard() -> Yard:
    """A yard with one pot."""
    return parse_yard(
        '[site]\nname = "bench"\ntime_zone = "UTC"\n'
        '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.184\nplate_pa = 1_000_000\n'
    )


def day_file(archive: Path, day: int) -> Path:
    return archive / f"day-{day:04}.parquet"


def fill(data: Path, archive: Path, shifts: int) -> None:
    """The same shift on each of some days: in a store, and in a Parquet file a day."""
    frame = shift_samples()
    archive.mkdir()
    for day in range(shifts):
        moved = frame.with_columns(pl.col("sampled_at") + dt.timedelta(days=day))
        moved.write_parquet(day_file(archive, day), compression="zstd")
    with write_window(data) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        for day in range(shifts):
            put_samples(con, 1, frame.with_columns(pl.col("sampled_at") + dt.timedelta(days=day)))


def seal(data: Path, sealed: Path, shifts: int) -> None:
    """The days of a store in files as the archive keeps them."""
    sealed.mkdir()
    given = {"arrived_at": "sampled_at AS arrived_at", "message_id": "0::BIGINT AS message_id"}
    columns = ", ".join(given.get(name, name) for name in ARCHIVED["sample"])
    for day in range(shifts):
        begin = BEGIN + dt.timedelta(days=day)
        with read_window(data) as con:
            table = con.sql(
                f"SELECT {columns} FROM sample_value WHERE pot_id = 1 AND sampled_at >= $from_at "
                "AND sampled_at < $to_at ORDER BY sampled_at",
                params={"from_at": begin, "to_at": begin + dt.timedelta(days=1)},
            ).to_arrow_table()
        about = {"site": "bench", "pot": "pot-1", "day": begin.date().isoformat()}
        content, _ = encode_day(table.combine_chunks(), "sample", about)
        day_file(sealed, day).write_bytes(content)


#: The pot whose shifts are weighed, how long they are [h], and the noise of its transducers as a
#: share of their range.
_POT, _HOURS, _NOISE = 5, 10.0, 0.0025


def worked_yard() -> Yard:
    """A yard with the simulated pot, its volume as its plate has it."""
    volume_m3 = make_trial(_POT, 10.0, 0.25).known_volume_m3
    return parse_yard(
        '[site]\nname = "bench"\ntime_zone = "UTC"\n'
        f'[[pot]]\nname = "pot-1"\nvolume_m3 = {volume_m3!r}\nplate_pa = 1_000_000\n'
    )


def fill_worked(data: Path, archive: Path, yard: Yard, shifts: int) -> None:
    """Shifts that a simulated pot was worked through, as :func:`fill` leaves them, with the bags
    entered some minutes after they were tipped."""
    archive.mkdir()
    tipped: list[tuple[dt.datetime, int]] = []
    with write_window(data) as con:
        con.execute("INSERT INTO pot VALUES (1, 'pot-1')")
        for day in range(shifts):
            trial = make_trial(_POT, 10.0, _HOURS, shift=day)
            frame = read(trial, 10.0, _NOISE)
            frame.write_parquet(day_file(archive, day), compression="zstd")
            put_samples(con, 1, frame)
            begin = EPOCH + dt.timedelta(microseconds=trial.begin_us)
            tipped += [(begin + dt.timedelta(seconds=at_s), bags) for at_s, bags in trial.refills]
    for at, bags in tipped:
        entered_at = (at + dt.timedelta(minutes=5)).replace(tzinfo=dt.UTC)
        body = {"pot": "pot-1", "at": entered_at.isoformat(), "bags": bags, "bag_kg": BAG_KG}
        records.add(data, yard, "abrasive", body, by="bench", via="command", at=entered_at)


def scan(archive: Path) -> None:
    pl.scan_parquet(archive / "*.parquet").select(
        pl.col("sampled_at").max(),
        pl.col("deadman").sum(),
        pl.col("supply_pa", "pot_pa", "nozzle_pa").mean(),
    ).collect()


def day_from_store(con: duckdb.DuckDBPyConnection, day: int) -> pl.DataFrame:
    return frames.read_frame(
        con,
        f"SELECT {', '.join(COLUMNS)} FROM sample_value WHERE pot_id = 1 "
        "AND sampled_at >= $from_at AND sampled_at < $to_at",
        from_at=BEGIN + dt.timedelta(days=day),
        to_at=BEGIN + dt.timedelta(days=day + 1),
    )


def transfer(data: Path, shifts: int) -> None:
    with read_window(data) as con:
        for day in range(shifts):
            day_from_store(con, day)


def cycles_of_files(folder: Path, shifts: int, read: Callable[..., pl.DataFrame]) -> int:
    """Cycles with their pressures, a file a day."""
    settings = piece_settings(bench_yard(), "pot-1")

    def cycles_of_day(day: int) -> FoundArrays:
        samples = read(day_file(folder, day), columns=COLUMNS)
        return found_in(judged_arrays(samples, settings.laws).signals, settings.cycles)

    with ThreadPoolExecutor(cores()) as pool:
        found = list(pool.map(cycles_of_day, range(shifts)))
    return found_frames(found).cycles.height


def cycles_of_store(data: Path, shifts: int) -> int:
    """Cycles with their pressures, from the same frames as a bare transfer brings."""
    settings = piece_settings(bench_yard(), "pot-1")

    def cycles_of_days(first: int) -> list[FoundArrays]:
        with read_window(data) as con:
            held = [day_from_store(con, d) for d in range(first, min(first + 5, shifts))]
        return [
            found_in(judged_arrays(samples, settings.laws).signals, settings.cycles)
            for samples in held
        ]

    with ThreadPoolExecutor(cores()) as pool:
        found = [f for each in pool.map(cycles_of_days, range(0, shifts, 5)) for f in each]
    return found_frames(found).cycles.height


def peak_mb(data: Path, yard: Yard, weigh: bool = False) -> int:
    """Most memory that a process took that derives a store from the first sample on. [MB]"""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(_derive_alone, data, yard, weigh).result()


def _derive_alone(data: Path, yard: Yard, weigh: bool) -> int:
    (derive_and_weigh if weigh else derive)(data, yard, full=True)
    # Not getrusage: what the parent took before it started this process counts there too.
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1024
    raise RuntimeError("this system does not tell how much memory a process took at most")


def minute_means(data: Path) -> int:
    """A shift's means by the minute and its time on, from a connection that is opened for it."""
    with read_window(data) as con:
        rows = con.execute(
            "SELECT time_bucket(INTERVAL 1 MINUTE, sampled_at) AS minute, avg(supply_pa), "
            "avg(pot_pa), avg(nozzle_pa), avg(deadman::INTEGER) * 60 AS on_s FROM sample_value "
            "WHERE pot_id = 1 AND sampled_at >= $from_at AND sampled_at < $to_at "
            "GROUP BY minute ORDER BY minute",
            {"from_at": BEGIN, "to_at": BEGIN + dt.timedelta(days=1)},
        ).fetchall()
    return len(rows)


def opened(data: Path) -> None:
    with read_window(data):
        pass


def few_of(folder: Path, short: bool) -> tuple[Path, int]:
    """A store with a few shifts, derived, and how many they are; made once in a folder."""
    few, shifts = folder / "few", 1 if short else 4
    if not few.exists():
        fill(few, folder / "few-archive", shifts)
        derive_and_weigh(few, bench_yard(), full=True)
    return few, shifts


def rows(folder: Path, short: bool) -> Iterator[Row]:
    """Rows of deriving; each given as soon as it is measured."""
    shifts, repeats = (10, 2) if short else (100, 5)
    data, archive = folder / "derive", folder / "archive"
    fill(data, archive, shifts)
    yard = bench_yard()
    derive(data, yard, full=True)  # compiled before it is timed
    of = f"of {shifts} shifts"
    yield by_turns(
        f"cycles from Parquet {of}", lambda: cycles_of_files(archive, shifts, pl.read_parquet),
        "Polars scan", lambda: scan(archive), repeats=repeats, limit=1.6,
    )  # fmt: skip
    sealed = folder / "sealed"
    seal(data, sealed, shifts)
    yield by_turns(
        f"cycles from the archive's files {of}", lambda: cycles_of_files(sealed, shifts, read_day),
        "Polars scan", lambda: scan(archive), repeats=repeats, limit=1.6,
    )  # fmt: skip
    yield by_turns(
        f"cycles from DuckDB {of}", lambda: cycles_of_store(data, shifts),
        "bare transfer", lambda: transfer(data, shifts), repeats=repeats, limit=3.3,
    )  # fmt: skip
    yield by_turns(
        f"derive without weighing {of}", lambda: derive(data, yard, full=True),
        "Polars scan", lambda: scan(archive), repeats=repeats, limit=6.0,
    )  # fmt: skip
    worked, worked_archive, pot_yard = folder / "worked", folder / "worked-archive", worked_yard()
    fill_worked(worked, worked_archive, pot_yard, shifts)
    derive(worked, pot_yard, full=True)
    yield by_turns(
        f"weighing {of}", lambda: weigh_spells(worked, pot_yard, full=True),
        "Polars scan", lambda: scan(worked_archive), repeats=repeats,
    )  # fmt: skip
    yield by_turns(
        f"derive with weighing {of}",
        lambda: derive_and_weigh(worked, pot_yard, full=True),
        "Polars scan", lambda: scan(worked_archive), repeats=repeats, limit=6.0,
    )  # fmt: skip
    few, few_shifts = few_of(folder, short)
    yield by_turns(
        "a shift's minutes, connection cold", lambda: minute_means(data),
        "opening alone", lambda: opened(data), repeats=9,
    )  # fmt: skip
    if short:
        return
    yield from scaling(data, yard, 3)
    if sys.platform == "linux":
        small = peak_mb(few, yard)
        large = peak_mb(data, yard)
        with_weighing = peak_mb(worked, pot_yard, weigh=True)
        print(
            f"most memory, {few_shifts} shifts {small} MB, {shifts} {large} MB, "
            f"{shifts} with weighing {with_weighing} MB (want <= 600)"
        )
        yield Row(
            "memory of many shifts", "of few", large, small, large / small, float("nan"), None
        )


def scaling(data: Path, yard: Yard, repeats: int) -> Iterator[Row]:
    """Deriving with 2 and 4 processes beside 1."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, context) as one:
        derive(data, yard, full=True, executor=one)
        for processes in (2, 4):
            with ProcessPoolExecutor(processes, context) as more:
                yield by_turns(
                    f"derive with {processes} processes ({cores()} cores)",
                    lambda pool=more: derive(data, yard, full=True, executor=pool),
                    "with 1", lambda: derive(data, yard, full=True, executor=one),
                    repeats=repeats, elsewhere=True,
                )  # fmt: skip
