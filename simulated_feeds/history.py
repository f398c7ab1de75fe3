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
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from . import model
from .contractor import CONTRACTOR, pot_plant
from .day_files import FAST_COLUMNS, DayFiles
from .faults.catalogue import BOX, BY_NAME
from .records import PotEntries, write_records
from .signals import Transducer, bounced
from .truth_tables import Truth
from .yard import WorkedShift, Yard, generator, pot_transducers, run_pot

BOUNCE_SHARE = 0.02
GAP_SHARE = 0.3
"""Share of a pot's shifts in which its box falls silent once."""


@dataclass(frozen=True, slots=True)
class HistorySummary:
    """What `write_history` wrote."""

    samples: int
    shifts: int
    cycles: int
    entries: int
    bytes_written: int


@dataclass(slots=True)
class PotHistory:
    """What one pot leaves behind besides its readings on disk."""

    pot: str
    truth: Truth = field(default_factory=Truth)
    entries: PotEntries = field(default_factory=PotEntries)
    samples: int = 0
    shifts: int = 0
    bytes_written: int = 0


def write_history(
    yard: Yard,
    folder: Path,
    tell: Callable[[str], None] | None = None,
    *,
    jobs: int = 1,
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
    jobs : int
        Pots made at the same time, each by a process of its own; the bytes are the same.

    Returns
    -------
    HistorySummary
        How much there is.
    """
    folder.mkdir(parents=True, exist_ok=True)
    made: list[PotHistory] = []
    with ExitStack() as stack:
        if jobs > 1 and len(yard.pots) > 1:
            # not forked: pyarrow's threads would not survive it
            pool = ProcessPoolExecutor(min(jobs, len(yard.pots)), get_context("spawn"))
            stack.enter_context(pool)
            pots = pool.map(partial(write_pot, yard, folder), yard.pots)
        else:
            pots = map(partial(write_pot, yard, folder), yard.pots)
        for history in pots:
            made.append(history)
            if tell is not None:
                tell(f"{history.pot}: {history.samples} samples in {history.shifts} shifts")
    truth = Truth()
    for history in made:
        truth.take(history.truth)
    written, slips = write_records(
        yard, [history.entries for history in made], folder / "records.jsonl"
    )
    for slip in slips:
        truth.add("slips", **slip)
    truth.write(folder / "truth")
    about = {
        "contractor": CONTRACTOR, "seed": yard.seed, "zone": yard.zone,
        "from_date": yard.from_date.isoformat(), "to_date": yard.to_date.isoformat(),
        "rate_hz": yard.rate_hz, "mishaps": yard.mishaps,
        "pots": [_about_pot(yard, pot) for pot in yard.pots],
    }  # fmt: skip
    text = json.dumps(about, indent=2, ensure_ascii=False) + "\n"
    (folder / "yard.json").write_text(text, encoding="utf-8")
    return HistorySummary(
        sum(history.samples for history in made),
        sum(history.shifts for history in made),
        truth.count("cycles"),
        written,
        sum(history.bytes_written for history in made),
    )


def _about_pot(yard: Yard, pot: str) -> dict[str, object]:
    """Tell what is bolted together at a pot, for whoever sets up a yard file."""
    plant, full_kg = pot_plant(pot)
    transducers = zip(("supply", "pot", "nozzle"), pot_transducers(yard.seed, pot), strict=True)
    return {
        "name": pot, "vessel_m3": plant.vessel_m3, "bore_m": plant.bore_m,
        "hose_m": plant.hose_length_m, "relief_pa": plant.relief_pa, "full_kg": full_kg,
        "transducers": {name: asdict(transducer) for name, transducer in transducers},
    }  # fmt: skip


def write_pot(yard: Yard, folder: Path, pot: str) -> PotHistory:
    """Make one pot's history and write its readings; the rest is handed back.

    Parameters
    ----------
    yard : Yard
        The calendar.
    folder : Path
        The history's folder.
    pot : str
        Name of the pot.

    Returns
    -------
    PotHistory
        Truth and entries of the pot.
    """
    made = PotHistory(pot)
    transducers = pot_transducers(yard.seed, pot)
    box, people = generator(yard.seed, pot, "box"), generator(yard.seed, pot, "entries")
    files = DayFiles(folder / "readings" / pot)
    for shift in run_pot(yard, pot):
        columns = box_samples(shift, yard, transducers, box, made.truth)
        if len(columns["time"]):
            files.add(columns, _slow_samples(shift, yard, columns["time"], box))
        _tell_truth(shift, yard, made.truth)
        made.entries.worked(shift, people)
        made.samples += len(columns["time"])
        made.shifts += 1
    files.flush()
    made.bytes_written = files.bytes_written
    return made


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
