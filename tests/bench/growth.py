"""What pages ask and what deriving takes while a yard grows: after a month, a year, five years.

Run: python tests/bench/growth.py [--pots 4] [--rate 1] [--days 30 365 1826] [--to FILE]
                                  [--keep FOLDER]

Prints a table; each row should stay flat. The store is made up by the database itself: cycles,
gaps, records and checks of working days as in ``bench_upkeep``, and samples of one shift tiled over
all the days that were worked. Nobody enters bags or area there, so every shift is noticed for good:
more notices stand than a yard has. Nothing is archived either: what asks for samples grows by some
milliseconds, for a window that has just been opened looks up each block of ``sample_kept`` anew.
An increment is a minute of readings that came in since the last one. ``--keep`` leaves the stores
in a folder as they were made, and takes copies of those that are there. Times are of the processor,
of all stores by turns. [ms] After so much was put into a store at once its writers put small groups
of rows together, a little each time; that is in the times of the first increments.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TypeVar

import polars as pl
from bench_derive import put_samples, shift_samples
from bench_upkeep import NOW, fill, yard_text

from analytics import frames, record_frames
from analytics.figures import upkeep_due
from analytics.indicators import INDICATORS
from analytics.noticing import derive_notices
from analytics.pipeline import derive
from analytics.spells import spells
from analytics.upkeep_ahead import upkeep_ahead
from analytics.weighing import WEIGHING_VERSION, weigh_spells
from analytics.writing import (
    insert,
    note_derived,
)
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, store_path, write_window
from ingest.store.sample_rows import add_samples

_Told = TypeVar("_Told")

#: Days of a pot that are tiled in a transaction: the database keeps all of one in memory.
_AT_ONCE = 200
#: Increments, of which the first does not count.
_TURNS = 10
#: A work, and the time it took; ``None`` where that does not count.
Timing = tuple[str, float | None]
#: An instant as records have it.
_AT = "%Y-%m-%dT%H:%M:%SZ"


def tile(data: Path, rate_hz: float) -> None:
    """Samples of a shift on each day that a pot has cycles."""
    every = max(1, round(10 / rate_hz))
    shift = (
        shift_samples()
        .gather_every(every)
        .with_columns(since=pl.col("sampled_at") - dt.datetime(2026, 3, 2, 6))
    )
    with read_window(data) as con:
        worked = con.execute(
            "SELECT DISTINCT pot_id, date_trunc('day', pressed_at) AS day FROM cycle "
            "ORDER BY day, pot_id"
        ).fetchall()
    of_a_day = shift.filter(pl.col("since") < dt.timedelta(hours=8))
    for begin in range(0, len(worked), _AT_ONCE):
        with write_window(data) as con:
            for pot_id, day in worked[begin : begin + _AT_ONCE]:
                moved = pl.lit(day + dt.timedelta(hours=6)).cast(pl.Datetime("us"))
                put_samples(
                    con,
                    pot_id,
                    of_a_day.select(
                        (moved + pl.col("since")).alias("sampled_at"),
                        "deadman", "supply_pa", "pot_pa", "nozzle_pa",
                    ),
                )  # fmt: skip


def one_minute_more(data: Path, number: int) -> dt.datetime:
    """A minute of readings of pot 1 at 10 Hz behind all others; when it ends."""
    begin = NOW + dt.timedelta(minutes=number)
    with write_window(data) as con:
        minute = con.sql(
            "SELECT 1 AS pot_id, "
            "$begin::TIMESTAMP + i * INTERVAL 100 MILLISECOND AS sampled_at, "
            "sampled_at AS arrived_at, i BETWEEN 100 AND 400 AS deadman, 7e5 AS supply_pa, "
            "CASE WHEN deadman THEN 6.5e5 ELSE 0 END AS pot_pa, 0 AS quality, 0 AS message_id "
            "FROM range(0, 600) t(i)",
            params={"begin": begin},
        )
        add_samples(con, minute.pl())
        con.execute(
            "INSERT INTO touched VALUES (nextval('touched_number'), 1, $from_at, $to_at)",
            {"from_at": begin, "to_at": begin + dt.timedelta(seconds=59.9)},
        )
    return begin + dt.timedelta(minutes=1)


def enter(data: Path, number: int) -> None:
    """A look at a nozzle today, and a shift's area."""
    bodies = (
        ("check", {"pot": "pot-1", "part": "nozzle", "result": "good", "at": f"{NOW:{_AT}}"}),
        ("area", {"pot": "pot-1", "shift": "", "job": "tank", "area_m2": 9.0,
                  "at": f"{NOW - dt.timedelta(hours=16):{_AT}}"}),
    )  # fmt: skip
    with write_window(data) as con:
        for nth, (kind, body) in enumerate(bodies):
            con.execute(
                "INSERT INTO record BY NAME SELECT $id AS record_id, $kind AS kind, "
                "$at::TIMESTAMP AS recorded_at, 'Tender 1' AS recorded_by, 'file' AS via, "
                "false AS withdrawn, '' AS reason, $body AS body, $number AS number",
                {"id": f"today{number}-{nth}", "kind": kind, "at": NOW, "body": json.dumps(body),
                 "number": 2 * number + nth + 1},
            )  # fmt: skip


def milliseconds(
    name: str, data: Path, work: Callable[[], object], repeats: int
) -> Iterator[Timing]:
    """The processor's time, after a run that does not count."""
    for turn in range(repeats + 1):
        # Another store was looked at since: what starts the engine again is no part of it.
        with read_window(data):
            pass
        begun = time.process_time()
        work()
        yield name, 1e3 * (time.process_time() - begun) if turn else None


def after_each(
    name: str, turns: Iterable[int], change: Callable[[int], _Told], work: Callable[[_Told], object]
) -> Iterator[Timing]:
    """The processor's time of work after each of some changes, but the first. [ms]"""
    for number, turn in enumerate(turns):
        changed = change(turn)
        begun = time.process_time()
        work(changed)
        yield name, 1e3 * (time.process_time() - begun) if number else None


def as_weighed(data: Path) -> None:
    """Rows of all spells, but those with the newest readings, as if they had been weighed."""
    with write_window(data) as con:
        states = frames.derive_states(con)
        for pot_id in frames.pots(con).values():
            nothing = record_frames.abrasives(con).select("at", "abrasive_kg").clear()
            settings = f"{WEIGHING_VERSION}:{states[pot_id]}"
            found = spells(frames.cycles(con, pot_id), nothing, settings)
            insert(
                con,
                "spell",
                found.filter(pl.col("from_at") < NOW).with_columns(
                    pl.lit(pot_id, pl.Int16).alias("pot_id"), pl.lit("[]").alias("questions")
                ),
            )


def as_charted(data: Path) -> None:
    """Condition of every cycle of the weighed spells: figures that wander a little by chance."""
    columns = {
        i.name: f"{1.0 if i.relative else 0.0} + {0.6 * i.matters} * (hash(c.pot_id, c.pressed_at, "
        f"'{i.name}') % 1000 / 1000.0 - 0.5)"
        for i in INDICATORS
    }
    columns |= {"abrasive_start_kg": f"{columns['feed_kg_s']} + 99.0", "fill_m3_s_pa": "1.0"}
    columns |= {"leak_error_m3_s_pa": "2e-9", "fit_caution": "''"}
    with write_window(data) as con:
        con.execute("DELETE FROM condition")
        con.execute(
            "INSERT INTO condition BY NAME SELECT c.pot_id, s.from_at AS spell_from_at, "
            f"c.pressed_at, {', '.join(f'{what} AS {name}' for name, what in columns.items())} "
            "FROM cycle AS c ASOF JOIN spell AS s ON c.pot_id = s.pot_id "
            "AND c.pressed_at >= s.from_at WHERE NOT c.flicker AND c.pressed_at <= s.to_at "
            "ORDER BY c.pressed_at, c.pot_id"
        )


def weigh_on(data: Path, number: int) -> None:
    """The newest spell of pot 1 as weighed anew, with eight cycles more."""
    with write_window(data) as con:
        ((from_at,),) = con.execute("SELECT max(from_at) FROM spell WHERE pot_id = 1").fetchall()
        spell = {"from_at": from_at}
        con.execute(
            "UPDATE spell SET made_of = $number WHERE pot_id = 1 AND from_at = $from_at",
            spell | {"number": str(number)},
        )
        con.execute(
            "INSERT INTO condition SELECT * REPLACE (pressed_at + INTERVAL 64 MINUTE AS pressed_at)"
            " FROM condition WHERE pot_id = 1 AND spell_from_at = $from_at "
            "ORDER BY pressed_at DESC LIMIT 8",
            spell,
        )
        note_derived(con, 1, from_at)


def made(data: Path, yard: Yard, pots: int, days: int, rate_hz: float) -> None:
    """Make a store of so many days."""
    fill(data, yard, pots, days)
    tile(data, rate_hz)


def grown(data: Path, yard: Yard) -> Iterator[Timing]:
    """Time what is asked of a store, one work after the other."""
    with read_window(data) as con:
        ((samples,),) = con.execute("SELECT count(*) FROM sample").fetchall()
    yield "samples [M]", samples / 1e6
    yield "store [MB]", store_path(data).stat().st_size / 1e6
    with read_window(data) as con:
        ((last_at,),) = con.execute("SELECT max(pressed_at) FROM cycle").fetchall()
    yield from after_each(
        "derive, a minute more", range(_TURNS),
        lambda turn: one_minute_more(data, turn), lambda now: derive(data, yard, now=now),
    )  # fmt: skip
    at = NOW + dt.timedelta(minutes=_TURNS + 1)
    yield from after_each(
        "derive, two entries of today", range(4),
        lambda turn: enter(data, turn), lambda _: derive(data, yard, now=at),
    )  # fmt: skip
    as_weighed(data)
    weigh_spells(data, yard, most_s=-1.0)
    yield from milliseconds(
        "listing spells", data, lambda: weigh_spells(data, yard, most_s=-1.0), 3
    )
    begun = time.process_time()
    derive_notices(data, yard, now=at)
    yield "notices, the first time", 1e3 * (time.process_time() - begun)
    yield from milliseconds("notices, again", data, lambda: derive_notices(data, yard, now=at), 3)

    def a_minute_and_entries(turn: int) -> dt.datetime:
        enter(data, turn)
        now = one_minute_more(data, turn)
        derive(data, yard, now=now)
        return now

    yield from after_each(
        "notices, a minute and entries on", range(_TURNS, _TURNS + 4), a_minute_and_entries,
        lambda now: derive_notices(data, yard, now=now),
    )  # fmt: skip
    at = NOW + dt.timedelta(minutes=_TURNS + 4)
    as_charted(data)
    with write_window(data) as con:
        con.execute("DELETE FROM trouble_state")
    begun = time.process_time()
    derive_notices(data, yard, now=at)
    yield "notices, all charts made", 1e3 * (time.process_time() - begun)
    yield from after_each(
        "notices, a spell weighed on", range(6),
        lambda turn: weigh_on(data, turn), lambda _: derive_notices(data, yard, now=at),
    )  # fmt: skip

    def asked(ask: Callable[..., object]) -> Callable[[], object]:
        def work() -> object:
            with read_window(data) as con:
                return ask(con)

        return work

    day = dt.timedelta(days=1)
    for name, ask in (
        ("opening alone", lambda con: None),
        ("yard now: last heard, version", lambda con: (frames.last_heard(con, 1),
                                                       frames.store_version(con))),
        ("shifts of a week", lambda con: frames.shift_summaries(con, NOW - 7 * day)),
        ("cycles of a day", lambda con: frames.cycles(con, 1, last_at - day, last_at)),
        ("readings of an hour",
         lambda con: frames.samples(con, 1, last_at - dt.timedelta(hours=1), last_at)),
        ("what is due", lambda con: upkeep_due(con, yard, NOW)),
        ("what will be due, with dates", lambda con: upkeep_ahead(con, yard, NOW)),
    ):  # fmt: skip
        yield from milliseconds(name, data, asked(ask), 5)


def main() -> None:
    """Grow, time, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pots", type=int, default=4)
    parser.add_argument("--rate", type=float, default=1.0, help="of the tiled samples [Hz]")
    parser.add_argument("--days", type=int, nargs="+", default=[30, 365, 1826])
    parser.add_argument("--keep", type=Path, help="leave the stores here, and use those there")
    parser.add_argument("--to", type=Path, help="write the table as JSON")
    chosen = parser.parse_args()
    yard = parse_yard(yard_text(chosen.pots))
    with tempfile.TemporaryDirectory(prefix="growth-") as folder:
        stores: dict[int, Path] = {}
        for days in chosen.days:
            name = f"{chosen.pots}-pots-{days}-days-{chosen.rate:g}-Hz"
            kept = stores[days] = (chosen.keep or Path(folder)) / name
            if not (kept / "made").exists():
                kept.mkdir(parents=True)
                made(kept, yard, chosen.pots, days, chosen.rate)
                (kept / "made").touch()
            if chosen.keep is not None:
                stores[days] = Path(folder) / name
                shutil.copytree(kept, stores[days])
                with write_window(stores[days]):
                    pass  # brings one up to date that an older Gritbook made
        # What is compiled and brought in first is no part of any of them.
        first = Path(folder) / "first"
        made(first, yard, chosen.pots, 3, 0.1)
        for _ in grown(first, yard):
            pass
        times: dict[str, dict[int, list[float]]] = {}
        # By turns: what else the machine does is not the same from one minute to the next.
        for turn in zip(*(grown(data, yard) for data in stores.values()), strict=True):
            for days, (name, value) in zip(stores, turn, strict=True):
                if value is not None:
                    times.setdefault(name, {}).setdefault(days, []).append(value)
    table = {
        days: {name: statistics.median(found[days]) for name, found in times.items()}
        for days in stores
    }
    print(f"{'':34}" + "".join(f"{days:>10} d" for days in table))
    for name in next(iter(table.values())):
        print(f"{name:34}" + "".join(f"{figures[name]:12.1f}" for figures in table.values()))
    if chosen.to is not None:
        chosen.to.write_text(json.dumps(table, indent=1) + "\n")


if __name__ == "__main__":
    main()
