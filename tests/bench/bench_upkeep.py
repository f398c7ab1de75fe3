"""Time to list what is due, with dates, for 100 pots and 5 years of records, beside a bare read.

Run: python tests/bench/bench_upkeep.py [--pots 100] [--years 5] [--repeats 7] [--keep FOLDER]

Prints one JSON object. ``due_s`` is the due list with its dates, ``due_alone_s`` without dates,
``bare_read_s`` reading the same columns of the same rows and nothing else; ``ratio_to_bare_read``
is the figure to quote, for both are timed in turn in the same run. ``first_due_s`` is the first
one of the process, ``due_cpu_s`` the computing in it whatever else runs, and ``command_s`` a whole
`gritbook upkeep` in a new process. ``lives_s`` is learning how long parts last, and
``summarise_s`` the part of deriving that counts what parts did.

The store is made up by the database itself: 60 presses a working day, checks of every day, of
every week and of every 40 h or so, a hose changed when found worn, every shift booked.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from analytics import use_frames
from analytics.figures import upkeep_due
from analytics.forecast import LOOK_BACK_DAYS
from analytics.frames import part_usage
from analytics.pipeline import derive
from analytics.upkeep_ahead import lives_learned, upkeep_ahead
from ingest.config import Yard, parse_yard
from ingest.store.connection import read_window, write_window
from ingest.store.sample_rows import add_samples

if TYPE_CHECKING:
    import duckdb

NOW = dt.datetime(2026, 6, 2, 3)
PRESSES_A_DAY = 60


def yard_text(pots: int) -> str:
    return '[site]\nname = "bench"\ntime_zone = "Europe/Berlin"\ninvented = true\n' + "".join(
        f'[[pot]]\nname = "pot-{i}"\nvolume_m3 = 0.184\nplate_pa = 1_000_000\n'
        for i in range(1, pots + 1)
    )


def hear(con: duckdb.DuckDBPyConnection, pots: int, days: int) -> None:
    """Pots with a sample at either end of the years, so that each was heard throughout."""
    con.execute("INSERT INTO pot SELECT i, 'pot-' || i FROM range(1, $n) t(i)", {"n": pots + 1})
    heard = con.sql(
        "SELECT pot_id, moment AS sampled_at, moment AS arrived_at, "
        "false AS deadman, 0 AS quality, 0 AS message_id FROM pot, "
        "(SELECT unnest([$first::TIMESTAMP, $last::TIMESTAMP]) AS moment)",
        params={"first": NOW - dt.timedelta(days=days), "last": NOW - dt.timedelta(hours=9)},
    )
    add_samples(con, heard.pl())


def work(con: duckdb.DuckDBPyConnection, days: int) -> None:
    """Presses and records of all working days."""
    con.execute(
        "CREATE TEMP TABLE worked AS SELECT pot_id, pot, day, "
        "row_number() OVER (PARTITION BY pot_id ORDER BY day) AS nth FROM pot, "
        "(SELECT $first::TIMESTAMP + i * INTERVAL 1 DAY AS day FROM range(0, $days) t(i)) "
        "WHERE isodow(day) < 6 AND hash(pot_id, day) % 16 > 0",
        {"first": dt.datetime.combine(NOW.date(), dt.time()) - dt.timedelta(days=days),
         "days": days},
    )  # fmt: skip
    con.execute(
        "INSERT INTO cycle BY NAME SELECT pot_id, moment AS pressed_at, "
        "moment + INTERVAL 240 SECOND AS released_at, moment AS span_from_at, "
        "moment + INTERVAL 240 SECOND AS span_to_at, 'press' AS began_by, 'release' AS ended_by, "
        "false AS flicker, true AS confirmed, 2400 AS samples, "
        "240.0 AS deadman_s, 239.9 AS deadman_low_s, 240.1 AS deadman_high_s, "
        "s AS blast_s, s - 0.1 AS blast_low_s, s + 0.1 AS blast_high_s, 240.0 AS pinched_s "
        "FROM (SELECT pot_id, day + INTERVAL 6 HOUR + i * INTERVAL 450 SECOND AS moment, "
        "180.0 + hash(pot_id, day) % 50 AS s FROM worked, range(0, $presses) t(i)) "
        "ORDER BY pot_id, moment",
        {"presses": PRESSES_A_DAY},
    )
    # Boxes are switched off from the end of a day's work to the begin of the next.
    con.execute("DELETE FROM gap")
    con.execute(
        "INSERT INTO gap BY NAME SELECT * FROM (SELECT pot_id, day + INTERVAL 14 HOUR AS from_at, "
        "lead(day, 1, $last::TIMESTAMP) OVER (PARTITION BY pot_id ORDER BY day) "
        "+ INTERVAL 5 HOUR AS to_at, false AS deadman_before, false AS deadman_after FROM worked) "
        "WHERE to_at > from_at",
        {"last": dt.datetime.combine(NOW.date(), dt.time()) - dt.timedelta(days=1)},
    )
    entries = [
        (
            "crew",
            "SELECT $first::TIMESTAMP AS moment, json_object('crew', 'crew-a', 'size', 3) AS body",
        ),
        ("job", "SELECT $first::TIMESTAMP AS moment, json_object('job', 'tank') AS body"),
        (
            "shift",
            "SELECT day AS moment, json_object('shift', pot || strftime(day, '-%Y-%m-%d'), 'crew', "
            "'crew-a', 'job', 'tank', 'pots', [pot], 'from_at', strftime(day, '%Y-%m-%dT05:30:00Z')"
            ", 'to_at', strftime(day, '%Y-%m-%dT14:30:00Z'), 'people', 3) AS body FROM worked",
        ),
        (
            "part_fitted",
            "SELECT $first::TIMESTAMP AS moment, "
            "json_object('pot', pot, 'part', part, 'position', '1', 'at', "
            "strftime($first::TIMESTAMP, '%Y-%m-%dT%H:%M:%SZ'), 'tag', pot || part, 'note', '') "
            "AS body FROM pot, (SELECT unnest(['pinch_hose', 'relief_valve', 'separator', "
            "'blast_hose', 'nozzle', 'couplings', 'deadman', 'popup_seal', 'metering_valve']) "
            "AS part)",
        ),
        (
            "check",
            # Every so many working days; every third look at a hose finds it to be replaced.
            "SELECT day + INTERVAL 5 HOUR AS moment, "
            "json_object('pot', pot, 'part', part, 'position', '1', "
            "'at', strftime(day, '%Y-%m-%dT05:00:00Z'), 'result', CASE WHEN part = "
            "'pinch_hose' AND hash(pot, day, 1) % 3 = 0 THEN 'replaced' ELSE 'good' END, 'note', "
            "'', 'measurement', '') AS body FROM worked, "
            "(SELECT unnest(['deadman', 'separator', 'blast_hose', 'nozzle', 'couplings', "
            "'pinch_hose', 'relief_valve']) AS part, unnest([1, 1, 5, 5, 5, 10, 60]) AS every) "
            "WHERE nth % every = 0",
        ),
    ]
    for number, (kind, rows) in enumerate(entries):
        con.execute(
            "INSERT INTO record BY NAME SELECT "
            f"printf('{number}%019d', row_number() OVER (ORDER BY moment)) AS record_id, "
            f"'{kind}' AS kind, moment AS recorded_at, 'Tender 1' AS recorded_by, 'file' AS via, "
            f"false AS withdrawn, '' AS reason, body::VARCHAR AS body FROM ({rows})",
            {"first": NOW - dt.timedelta(days=days)} if "$first" in rows else None,
        )


def fill(data: Path, yard: Yard, pots: int, days: int) -> float:
    """Make the store; the seconds that deriving takes with no new readings."""
    with write_window(data) as con:
        hear(con, pots, days)
    derive(data, yard, now=NOW)
    with write_window(data) as con:
        work(con, days)
    return seconds_of(lambda: derive(data, yard, now=NOW))


def bare_read(data: Path) -> int:
    """The same columns of the same rows, and nothing else."""
    begin_at = NOW - dt.timedelta(days=LOOK_BACK_DAYS + 1)
    with read_window(data) as con:
        return (
            part_usage(con).height
            + con.sql(
                "SELECT pot_id, pressed_at, blast_s, blast_high_s FROM cycle "
                "WHERE pressed_at >= $begin AND NOT flicker",
                params={"begin": begin_at},
            )
            .pl()
            .height
            + use_frames.gaps_since(con, begin_at).height
            + use_frames.booked_since(con, begin_at).height
        )


def seconds_of(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pots", type=int, default=100)
    parser.add_argument("--years", type=int, default=5)
    parser.add_argument("--repeats", type=int, default=7)
    parser.add_argument(
        "--keep", type=Path, help="make the store here, and use it when it is there"
    )
    asked = parser.parse_args()
    yard = parse_yard(yard_text(asked.pots))
    with tempfile.TemporaryDirectory() as folder:
        data = asked.keep or Path(folder)
        data.mkdir(parents=True, exist_ok=True)
        (data / "yard.toml").write_text(yard_text(asked.pots), encoding="utf-8")
        told: dict[str, object] = {"pots": asked.pots, "years": asked.years}
        if not (data / "gritbook.duckdb").exists():
            told["summarise_s"] = round(fill(data, yard, asked.pots, 365 * asked.years), 2)

        def due() -> int:
            with read_window(data) as con:
                return upkeep_ahead(con, yard, NOW).height

        def due_alone() -> int:
            with read_window(data) as con:
                return upkeep_due(con, yard, NOW).height

        def lives() -> int:
            with read_window(data) as con:
                return len(lives_learned(con, yard)[1])

        with read_window(data) as con:
            for table in ("record", "cycle", "part_check", "part_stay"):
                ((told[f"{table}_rows"],),) = con.execute(
                    f"SELECT count(*) FROM {table}"
                ).fetchall()
        told["first_due_s"] = round(seconds_of(due), 3)
        told["checks"] = due()
        works = {"due_s": due, "due_alone_s": due_alone, "bare_read_s": lambda: bare_read(data)}
        times: dict[str, list[float]] = {name: [] for name in works}
        for _ in range(asked.repeats):
            for name, one in works.items():
                times[name].append(seconds_of(one))
        told |= {name: round(statistics.median(taken), 3) for name, taken in times.items()}
        begun = time.process_time()
        due()
        told["due_cpu_s"] = round(time.process_time() - begun, 3)
        told["ratio_to_bare_read"] = round(
            statistics.median(times["due_s"]) / statistics.median(times["bare_read_s"]), 2
        )
        told["lives_s"] = round(seconds_of(lives), 3)
        told["command_s"] = round(
            seconds_of(
                lambda: subprocess.run(
                    [sys.executable, "-m", "dashboard.cli", "upkeep", "--data", str(data),
                     "--format", "json"], check=True, stdout=subprocess.DEVNULL,
                )
            ), 3,
        )  # fmt: skip
        print(json.dumps(told))


if __name__ == "__main__":
    main()
