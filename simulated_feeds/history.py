"""A yard's history on disk: readings as a box's card would hold them, records, and the truth.

    DIR/yard.json                        what was drawn: seed, zone, pots, transducers
    DIR/readings/<pot>/<date>.parquet    fast channels, one row an instant; <date> is the UTC day
    DIR/readings/<pot>/slow-<date>.parquet  time, channel, value: about one a minute
    DIR/records.jsonl                    what people entered
    DIR/truth/<table>.parquet            what really happened
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from . import model
from .contractor import CONTRACTOR
from .faults.catalogue import BOX, BY_NAME
from .records import Entries
from .signals import Transducer, bounced
from .yard import WorkedShift, Yard, generator, pot_transducers, run_pot

FAST_COLUMNS = ("supply_pa", "pot_pa", "nozzle_pa")
DAY_US = 86_400_000_000
BOUNCE_SHARE = 0.02
GAP_SHARE = 0.3
"""Share of a pot's shifts in which its box falls silent once."""


@dataclass(slots=True)
class Truth:
    """The truth tables, gathered while the history is made.

    Attributes
    ----------
    rows : dict of str to list of dict
        Small tables, row by row.
    pieces : dict of str to list of pyarrow.Table
        Large tables, a shift at a time.
    """

    rows: dict[str, list[dict[str, object]]] = field(default_factory=dict)
    pieces: dict[str, list[pa.Table]] = field(default_factory=dict)

    def add(self, table: str, **row: object) -> None:
        """Add a row to a small table."""
        self.rows.setdefault(table, []).append(row)

    def add_columns(self, table: str, columns: dict[str, object]) -> None:
        """Add columns of equal length to a large table; NaN and NaT are written as null."""
        arrays = {
            name: pa.array(values, from_pandas=isinstance(values, np.ndarray))
            for name, values in columns.items()
        }
        self.pieces.setdefault(table, []).append(pa.table(arrays))

    def count(self, table: str) -> int:
        """Give how many rows a table has."""
        if table in self.pieces:
            return sum(piece.num_rows for piece in self.pieces[table])
        return len(self.rows.get(table, []))

    def write(self, folder: Path) -> None:
        """Write each table as `folder/<name>.parquet`."""
        folder.mkdir(parents=True, exist_ok=True)
        for name, rows in sorted(self.rows.items()):
            pq.write_table(pa.Table.from_pylist(rows), folder / f"{name}.parquet")
        for name, pieces in sorted(self.pieces.items()):
            pq.write_table(pa.concat_tables(pieces), folder / f"{name}.parquet")


@dataclass(frozen=True, slots=True)
class HistorySummary:
    """What `write_history` wrote."""

    samples: int
    shifts: int
    cycles: int
    entries: int
    bytes_written: int


class _DayFiles:
    """Gathers a pot's samples and writes a file for each UTC day they fall in."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.day = -1
        self.pieces: list[dict[str, np.ndarray]] = []
        self.slow: list[tuple[np.ndarray, str, np.ndarray]] = []
        self.bytes_written = 0

    def add(
        self, columns: dict[str, np.ndarray], slow: list[tuple[np.ndarray, str, np.ndarray]]
    ) -> None:
        """Add samples in order of time; `columns['time']` is in microseconds, UTC."""
        times = columns["time"]
        first, last = int(times[0]) // DAY_US, int(times[-1]) // DAY_US
        for day in range(first, last + 1):
            if day != self.day:
                self.flush()
                self.day = day
            low, high = np.searchsorted(times, [day * DAY_US, (day + 1) * DAY_US])
            if high > low:
                self.pieces.append({name: values[low:high] for name, values in columns.items()})
            for instants, channel, values in slow:
                chosen = (instants >= day * DAY_US) & (instants < (day + 1) * DAY_US)
                if chosen.any():
                    self.slow.append((instants[chosen], channel, values[chosen]))

    def flush(self) -> None:
        """Write the day gathered so far."""
        if not self.pieces:
            return
        self.folder.mkdir(parents=True, exist_ok=True)
        name = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=self.day)).date().isoformat()
        arrays = {
            column: np.concatenate([piece[column] for piece in self.pieces])
            for column in self.pieces[0]
        }
        table = pa.table(
            {
                "time": pa.array(arrays["time"], pa.timestamp("us")),
                **{column: pa.array(arrays[column], pa.float64()) for column in FAST_COLUMNS},
                "deadman": pa.array(arrays["deadman"], pa.bool_()),
                "seq": pa.array(arrays["seq"], pa.int64()),
            }
        )
        path = self.folder / f"{name}.parquet"
        pq.write_table(
            table,
            path,
            compression="zstd",
            compression_level=1,
            use_dictionary=list(FAST_COLUMNS),
            column_encoding={"time": "DELTA_BINARY_PACKED", "seq": "DELTA_BINARY_PACKED"},
            write_statistics=["time", "seq"],
        )
        self.bytes_written += path.stat().st_size
        slow_path = self.folder / f"slow-{name}.parquet"
        instants = np.concatenate([piece[0] for piece in self.slow])
        channels = [piece[1] for piece in self.slow for _ in range(len(piece[0]))]
        values = np.concatenate([piece[2] for piece in self.slow])
        order = np.argsort(instants, kind="stable")
        slow_table = pa.table(
            {
                "time": pa.array(instants, pa.timestamp("us")),
                "channel": pa.array(channels, pa.string()),
                "value": pa.array(values, pa.float64()),
            }
        ).take(pa.array(order))
        pq.write_table(slow_table, slow_path, compression="zstd", compression_level=1)
        self.bytes_written += slow_path.stat().st_size
        self.pieces, self.slow = [], []


def write_history(
    yard: Yard, folder: Path, tell: Callable[[str], None] | None = None
) -> HistorySummary:
    """Make a yard's whole history and write it below a folder.

    Parameters
    ----------
    yard : Yard
        From `plan_yard`.
    folder : Path
        Where to write; made when missing.
    tell : callable, optional
        Called with a line a pot, for somebody who waits.

    Returns
    -------
    HistorySummary
        How much there is.
    """
    truth = Truth()
    entries = Entries(yard)
    files_bytes = 0
    samples = 0
    worked = 0
    settings = {}
    for pot in yard.pots:
        transducers = pot_transducers(yard.seed, pot)
        settings[pot] = {
            name: asdict(transducer)
            for name, transducer in zip(("supply", "pot", "nozzle"), transducers, strict=True)
        }
        random = generator(yard.seed, pot, "box")
        files = _DayFiles(folder / "readings" / pot)
        for shift in run_pot(yard, pot):
            columns = box_samples(shift, yard, transducers, random, truth)
            files.add(columns, _slow_samples(shift, yard, columns["time"], random))
            _tell_truth(shift, yard, truth)
            entries.worked(shift)
            samples += len(columns["time"])
            worked += 1
        files.flush()
        files_bytes += files.bytes_written
        if tell is not None:
            tell(f"{pot}: {samples} samples so far")
    folder.mkdir(parents=True, exist_ok=True)
    written = entries.write(folder / "records.jsonl", truth.add)
    truth.write(folder / "truth")
    about = {
        "contractor": CONTRACTOR, "seed": yard.seed, "zone": yard.zone,
        "from_date": yard.from_date.isoformat(), "to_date": yard.to_date.isoformat(),
        "rate_hz": yard.rate_hz, "pots": list(yard.pots), "transducers": settings,
    }  # fmt: skip
    text = json.dumps(about, indent=2, ensure_ascii=False) + "\n"
    (folder / "yard.json").write_text(text, encoding="utf-8")
    return HistorySummary(samples, worked, truth.count("cycles"), written, files_bytes)


def box_samples(
    shift: WorkedShift,
    yard: Yard,
    transducers: tuple[Transducer, Transducer, Transducer],
    random: np.random.Generator,
    truth: Truth,
) -> dict[str, np.ndarray]:
    """Give what a pot's box recorded over a shift, with its clock, its counter and its gaps.

    Parameters
    ----------
    shift : WorkedShift
        What truly happened.
    yard : Yard
        For rate and weather.
    transducers : tuple of Transducer
        Supply, pot, nozzle.
    random : numpy.random.Generator
        The box's own.
    truth : Truth
        Gets gaps and clock errors.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n,)
        `time` [us, UTC by the box's clock], the fast channels, `deadman`, `seq`.
    """
    true = shift.result.samples
    count = true.shape[1]
    interval_s = 1.0 / yard.rate_hz
    columns: dict[str, np.ndarray] = {}
    for name, source, transducer in zip(
        FAST_COLUMNS, (model.SUPPLY, model.POT, model.NOZZLE), transducers, strict=True
    ):
        columns[name] = transducer.measure(true[source], interval_s, shift.air_c, random)
    columns["deadman"], bounces = bounced(true[model.SWITCH] > 0.5, BOUNCE_SHARE, random)
    if shift.faults.faults:
        columns["pot_pa"], columns["deadman"] = shift.faults.change_readings(
            np.arange(count) * interval_s,
            columns["pot_pa"],
            columns["deadman"],
            span_pa=transducers[1].span_pa,
        )
    offset_us = float(random.normal(0.0, 15_000.0))
    drift = float(random.normal(0.0, 4e-6))
    steps_us = np.arange(count) * (interval_s * 1e6)
    columns["time"] = shift.box_on_us + np.rint(offset_us + steps_us * (1.0 + drift)).astype(
        np.int64
    )
    seconds = np.arange(count) // max(round(yard.rate_hz), 1)
    columns["seq"] = seconds
    truth.add(
        "clocks", pot=shift.pot, shift=shift.shift.name, offset_s=offset_us / 1e6,
        drift_ppm=drift * 1e6, bounces=bounces,
    )  # fmt: skip
    if shift.faults.of(BOX):
        sent, counter, off_s = shift.faults.judge_seconds(seconds)
        columns["seq"] = counter
        columns["time"] += np.rint(off_s * 1e6).astype(np.int64)
        columns = {name: values[sent] for name, values in columns.items()}
        edges = np.flatnonzero(np.diff(sent.astype(np.int8), prepend=1))
        for first, last in zip(edges[::2].tolist(), [*edges[1::2].tolist(), count], strict=False):
            _tell_gap(truth, shift, "fault", first, last, interval_s)
        return columns
    return _with_gaps(columns, shift, interval_s, random, truth)


def _tell_gap(
    truth: Truth, shift: WorkedShift, kind: str, first: int, last: int, interval_s: float
) -> None:
    """Tell that the samples from `first` up to `last` were not recorded."""
    truth.add(
        "gaps",
        pot=shift.pot,
        shift=shift.shift.name,
        kind=kind,
        from_at=_instant(shift.box_on_us, first * interval_s),
        to_at=_instant(shift.box_on_us, last * interval_s),
        samples_lost=last - first,
    )


def _with_gaps(
    columns: dict[str, np.ndarray],
    shift: WorkedShift,
    interval_s: float,
    random: np.random.Generator,
    truth: Truth,
) -> dict[str, np.ndarray]:
    """Take out what the box did not record: now and then it falls silent, or starts anew."""
    chance, kind_chance, where, length_s = (
        random.random(), random.random(), random.random(), float(random.lognormal(4.6, 0.8)),
    )  # fmt: skip
    if chance >= GAP_SHARE:
        return columns
    count = len(columns["time"])
    rebooted = kind_chance < 0.4
    first = int(count * (0.05 + 0.85 * where))
    last = min(first + round(float(np.clip(length_s, 20.0, 900.0)) / interval_s), count)
    if rebooted:  # the counter starts at nothing again
        columns["seq"][last:] -= columns["seq"][min(last, count - 1)]
    kind = "rebooted" if rebooted else "silent"
    _tell_gap(truth, shift, kind, first, last, interval_s)
    keep = np.ones(count, dtype=bool)
    keep[first:last] = False
    return {name: values[keep] for name, values in columns.items()}


def _slow_samples(
    shift: WorkedShift, yard: Yard, times: np.ndarray, random: np.random.Generator
) -> list[tuple[np.ndarray, str, np.ndarray]]:
    """Give the slow channels at about one a minute, as the box would round them."""
    instants = times[:: max(round(60.0 * yard.rate_hz), 1)]
    air, humidity, steel = yard.weather.at(instants / 1e6)
    noise = random.standard_normal((3, len(instants)))
    return [
        (instants, "air_temp", np.round(air + 0.1 * noise[0], 1)),
        (instants, "humidity", np.clip(np.round(humidity + 0.6 * noise[1], 1), 0.0, 100.0)),
        (instants, "steel_temp", np.round(steel + 0.15 * noise[2], 1)),
    ]


def _tell_truth(shift: WorkedShift, yard: Yard, truth: Truth) -> None:
    """Add what truly happened in a shift to the truth tables."""
    cycles = shift.result.cycles
    name = shift.shift.name
    count = len(cycles["on_s"])
    columns: dict[str, object] = {"pot": [shift.pot] * count, "shift": [name] * count}
    for column, values in cycles.items():
        if column in {"pressed_s", "released_s", "signal_on_s", "signal_off_s"}:
            columns[column.replace("_s", "_at")] = _instants(shift.box_on_us, values)
        elif column == "pinched":
            columns[column] = values.astype(np.int64)
        else:
            columns[column] = values
    columns |= shift.hose
    truth.add_columns("cycles", columns)
    true = shift.result.samples
    each = round(60.0 * yard.rate_hz)
    after_s = np.arange(0, true.shape[1], each) / yard.rate_hz
    truth.add_columns(
        "mass",
        {
            "pot": [shift.pot] * len(after_s),
            "at": _instants(shift.box_on_us, after_s),
            "abrasive_kg": true[model.ABRASIVE, ::each],
        },
    )
    for fault, severity in shift.faults.faults.items():
        truth.add(
            "faults", pot=shift.pot, shift=name, fault=fault, severity=severity,
            value=BY_NAME[fault].value(severity), unit=BY_NAME[fault].unit,
            dial=BY_NAME[fault].dial,
            from_at=_naive(shift.shift.from_at), to_at=_naive(shift.shift.to_at),
        )  # fmt: skip
    truth.add(
        "shifts", pot=shift.pot, shift=name, crew=shift.shift.crew.name, job=shift.shift.job.name,
        from_at=_naive(shift.shift.from_at), to_at=_naive(shift.shift.to_at),
        deadman_h=float(np.sum(cycles["on_s"])) / 3600.0,
        blast_h=float(np.sum(cycles["blast_s"])) / 3600.0,
        cycles=len(cycles["on_s"]), pinched=int(np.sum(cycles["pinched"])),
        abrasive_kg=shift.used_kg, area_m2=shift.area_m2, kg_m2=shift.shift.job.kg_m2,
        rained_off=shift.shift.rained_off,
    )  # fmt: skip
    for instant_s, bags in shift.result.refills:
        truth.add("refills", pot=shift.pot, at=_instant(shift.box_on_us, instant_s), bags=bags)
    for event in shift.part_events:
        at = event["at"]
        assert isinstance(at, datetime)
        truth.add("parts", pot=shift.pot, shift=name, **(event | {"at": _naive(at)}))


def _instants(start_us: int, after_s: np.ndarray) -> np.ndarray:
    """Give UTC times so many seconds after a start; NaT where a time never came."""
    known = np.isfinite(after_s)
    after_us = np.rint(np.where(known, after_s, 0.0) * 1e6).astype(np.int64)
    instants = (start_us + after_us).astype("datetime64[us]")
    instants[~known] = np.datetime64("NaT")
    return instants


def _instant(start_us: int, after_s: float) -> datetime:
    """Give a naive UTC time so many seconds after a start."""
    return datetime(1970, 1, 1) + timedelta(microseconds=start_us + round(after_s * 1e6))  # noqa: DTZ001


def _naive(instant: datetime) -> datetime:
    return instant.astimezone(UTC).replace(tzinfo=None)
