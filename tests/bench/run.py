"""All benches by one command, each figure a ratio to a baseline of the same run.

Run: python tests/bench/run.py [--short] [--to FILE] [--only NAME] [--commit]

Prints a table, writes it as JSON where told, and compares it with the figures last committed
(``figures.json``). It fails only where a ratio is over twice the committed one: less than that may
be the machine. A limit that is passed is marked, and fails nothing. ``--commit`` puts this run's
figures in the place of the committed ones.
"""

from __future__ import annotations

import argparse
import datetime as dt
import importlib
import importlib.util
import json
import math
import sys
import tempfile
import time
from dataclasses import asdict
from pathlib import Path

from measure import GROSS, Row, cores

FIGURES = Path(__file__).with_name("figures.json")

#: Modules with a function ``rows(folder, short)``, in this order; where one is not there yet its
#: place stays free.
MODULES = ("rows_derive", "rows_ingest", "rows_start", "rows_pages", "rows_reports")


def measured(short: bool, only: str | None) -> list[Row]:
    """Run the benches, telling each row as soon as it is known."""
    found: list[Row] = []
    with tempfile.TemporaryDirectory(prefix="bench-") as name:
        for module in MODULES:
            if only not in (None, module):
                continue
            if importlib.util.find_spec(module) is None:
                continue
            begun = time.monotonic()
            for row in importlib.import_module(module).rows(Path(name), short):
                found.append(row)
                print(told(row), flush=True)
            print(f"  {module}: {time.monotonic() - begun:.0f} s", flush=True)
    return found


def told(row: Row) -> str:
    """A row as a line."""
    limit = ""
    if row.limit is not None:
        over = row.judged() > row.limit
        limit = f"  {'OVER' if over else 'within'} {row.limit:.2f}"
    processor = "" if math.isnan(row.processor_ratio) else f" ({row.processor_ratio:.2f} processor)"
    return (
        f"{row.name:48} {row.work_s * 1e3:9.1f} ms  {row.ratio:8.2f}{processor} x {row.baseline} "
        f"({row.baseline_s * 1e3:.1f} ms){limit}"
    )


def regressions(found: list[Row], committed: dict[str, float]) -> list[str]:
    """Rows over twice their committed ratio, as sentences."""
    return [
        f"{row.name}: {row.judged():.2f} x {row.baseline}, committed {committed[row.name]:.2f}"
        for row in found
        # By either clock: one of them alone may be the machine's other work.
        if row.name in committed and min(row.judged(), row.ratio) > GROSS * committed[row.name]
    ]


def main() -> None:
    """Run, tell, write, compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="at most three minutes")
    parser.add_argument("--to", type=Path, help="write the figures as JSON")
    parser.add_argument("--only", choices=MODULES, help="one module's rows")
    parser.add_argument("--commit", action="store_true", help="keep them as the committed ones")
    chosen = parser.parse_args()
    begun = time.monotonic()
    found = measured(chosen.short, chosen.only)
    form = "short" if chosen.short else "full"
    print(f"{form} form on {cores()} cores in {time.monotonic() - begun:.0f} s")
    if chosen.to is not None:
        rows = [
            {k: None if isinstance(v, float) and math.isnan(v) else v for k, v in asdict(r).items()}
            for r in found
        ]
        at = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        chosen.to.write_text(
            json.dumps({"form": form, "cores": cores(), "at": at, "rows": rows}, indent=1) + "\n"
        )
    committed = json.loads(FIGURES.read_text()) if FIGURES.exists() else {}
    worse = regressions(found, committed.get(form, {}))
    if chosen.commit:
        kept = committed.get(form, {}) | {row.name: round(row.judged(), 3) for row in found}
        FIGURES.write_text(json.dumps(committed | {form: kept}, indent=1, sort_keys=True) + "\n")
    elif worse:
        print(f"Over {GROSS:g} times the committed ratio:\n  " + "\n  ".join(worse))
        sys.exit(1)


if __name__ == "__main__":
    main()
