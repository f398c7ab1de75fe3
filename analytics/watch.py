"""Pressure where none should be: above the pot's plate, or in the pot with nobody on the dead-man.

Two levels make a deadband: a stretch begins to count at the level that raises and ends under the
level that clears, so what swings in between counts once. Stretches are found within blocks of ten
minutes (as ``quality`` judges readings), so that they do not depend on where a calculation was
begun, and joined afterwards (:func:`joined`).

A stretch ends only where a reading says so. What was pressurised when the box fell silent stays so
until it is heard again. And nothing here says that a pot without a stretch is vented: a blocked
port reads zero.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.quality import BLOCK_S

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

_US = 1_000_000

#: Above the plate's pressure counts; under this share of it no longer. Our estimate: twice the
#: error of a common transducer of 1 % of its span. [-]
PLATE_CLEAR_SHARE = 0.98
#: In the pot with the dead-man shut: from here on it counts, and under the other no longer. Our
#: estimate: well over what a common transducer is off by; 60 kPa on a lid of 200 mm is 1.9 kN. [Pa]
UNHELD_PA, UNHELD_CLEAR_PA = 60_000.0, 30_000.0
#: A release that exhausts within this long is an ordinary one and not kept. [s]
_ORDINARY_S = 20.0

#: Watches, and the name under which it is kept what was looked at at all.
WATCHES = ("over_plate", "unheld")
HEARD = "heard:"

#: One row a stretch and block; the store's table ``pressure_watch`` without ``pot_id``.
WATCH_SCHEMA: dict[str, Any] = {
    "watch": pl.String,
    "from_at": pl.Datetime("us"),
    "over_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),
    "off_at": pl.Datetime("us"),
    "after": pl.String,
    "peak_pa": pl.Float64,
}

#: Stretches joined over blocks.
STRETCH_SCHEMA: dict[str, Any] = {
    "watch": pl.String,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),  # first reading under the level that clears; null: none yet
    "last_at": pl.Datetime("us"),
    "after": pl.String,
    "peak_pa": pl.Float64,
}


@dataclass(frozen=True)
class WatchLimits:
    """What a pot is watched for.

    Parameters
    ----------
    plate_pa : float
        Highest working pressure on the vessel's plate. [Pa gauge]
    gap_s : float
        Silence for longer than this is a gap. [s]
    align_s : float
        Oldest state of the dead-man that still stands for a pressure. [s]
    """

    plate_pa: float
    gap_s: float = 2.0
    align_s: float = 0.5


@dataclass(frozen=True)
class _Line:
    """One watched value over its valid samples."""

    at_us: Ints
    value_pa: Floats
    held: Bools
    off: Bools
    over: Bools


def watch_pressures(signals: pl.DataFrame, limits: WatchLimits) -> pl.DataFrame:
    """Stretches of pressure where none should be, block by block.

    Parameters
    ----------
    signals : polars.DataFrame
        ``analytics.cycles.SIGNAL_SCHEMA``, ascending, in whole blocks.
    limits : WatchLimits
        What the pot is watched for.

    Returns
    -------
    polars.DataFrame
        ``WATCH_SCHEMA``, and one row ``heard:<watch>`` a block with the first and last sample
        that was looked at.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5) + dt.timedelta(seconds=i) for i in range(6)]
    >>> frame = pl.DataFrame({"sampled_at": at, "deadman": [False] * 6, "supply_pa": [7e5] * 6,
    ...     "pot_pa": [0.0, 4e4, 7e4, 4e4, 2e4, 0.0], "nozzle_pa": [0.0] * 6})
    >>> found = watch_pressures(frame, WatchLimits(1e6)).filter(watch="unheld").row(0, named=True)
    >>> [found[name].second for name in ("from_at", "over_at", "to_at", "off_at")], found["after"]
    ([1, 2, 3, 4], 'rise')
    """
    if signals.is_empty():
        return pl.DataFrame(schema=WATCH_SCHEMA)
    at_us = signals["sampled_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    supply_pa, pot_pa = (
        signals[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        for name in ("supply_pa", "pot_pa")
    )
    held, known = _held(signals, at_us, limits.align_s)
    rows: list[tuple[Any, ...]] = []
    highest = np.fmax(supply_pa, pot_pa)
    valid = np.isfinite(highest)
    value = highest[valid]
    rows += _stretches(
        "over_plate",
        _Line(
            at_us[valid], value, np.zeros(value.size, np.bool_),
            value < PLATE_CLEAR_SHARE * limits.plate_pa, value > limits.plate_pa,
        ),
        limits.gap_s,
    )  # fmt: skip
    valid = np.isfinite(pot_pa) & known
    value, holding = pot_pa[valid], held[valid]
    rows += _stretches(
        "unheld",
        _Line(
            at_us[valid], value, holding,
            holding | (value < UNHELD_CLEAR_PA), ~holding & (value >= UNHELD_PA),
        ),
        limits.gap_s,
    )  # fmt: skip
    schema = {name: pl.Int64 if name.endswith("_at") else t for name, t in WATCH_SCHEMA.items()}
    return (
        pl.DataFrame(rows, schema=schema, orient="row")
        .with_columns(pl.col("^.*_at$").cast(pl.Datetime("us")))
        .sort("watch", "from_at")
    )


def _held(signals: pl.DataFrame, at_us: Ints, align_s: float) -> tuple[Bools, Bools]:
    """The dead-man at every sample, carried forward within its block, and where it is known."""
    said = signals["deadman"].is_not_null().to_numpy()
    value = signals["deadman"].fill_null(value=False).to_numpy().astype(np.bool_)
    number = np.maximum.accumulate(np.where(said, np.arange(at_us.size), -1))
    here = np.maximum(number, 0)
    recent = at_us - at_us[here] <= round(align_s * _US)
    block = at_us // (BLOCK_S * _US)
    known = (number >= 0) & recent & (block[here] == block)
    return value[here] & known, known


def _stretches(watch: str, line: _Line, gap_s: float) -> list[tuple[Any, ...]]:
    size = line.at_us.size
    if size == 0:
        return []
    block = line.at_us // (BLOCK_S * _US)
    new_block = np.concatenate(([True], block[1:] != block[:-1]))
    silent = np.concatenate(([False], np.diff(line.at_us) > round(gap_s * _US)))
    firsts = np.flatnonzero(new_block)
    lasts = np.append(firsts[1:], size) - 1
    rows: list[tuple[Any, ...]] = [
        (HEARD + watch, int(line.at_us[a]), None, int(line.at_us[b]), None, "unknown", None)
        for a, b in zip(firsts, lasts, strict=True)
    ]
    on = ~line.off
    begins = on & (new_block | silent | np.concatenate(([True], line.off[:-1])))
    ends = on & np.append((new_block | silent)[1:] | line.off[1:], True)
    for first, last in zip(np.flatnonzero(begins), np.flatnonzero(ends), strict=True):
        over = np.flatnonzero(line.over[first : last + 1])
        follows = last + 1 < size and not new_block[last + 1]
        off_us = int(line.at_us[last + 1]) if follows and line.off[last + 1] else None
        after = "unknown"
        if not new_block[first] and not silent[first]:
            after = "release" if line.held[first - 1] else "rise"
        if off_us is not None and after != "unknown":
            lasted_us = off_us - int(line.at_us[first])
            if over.size == 0 or (after == "release" and lasted_us < _ORDINARY_S * _US):
                continue
        rows.append(
            (
                watch,
                int(line.at_us[first]),
                int(line.at_us[first + over[0]]) if over.size else None,
                int(line.at_us[last]),
                off_us,
                after,
                float(line.value_pa[first : last + 1].max()),
            )
        )
    return rows


def joined(watched: pl.DataFrame, watch: str) -> pl.DataFrame:
    """Stretches of one watch of one pot, joined over the edges of blocks and over silences.

    Parameters
    ----------
    watched : polars.DataFrame
        ``WATCH_SCHEMA`` of the pot's whole history.
    watch : str
        One of ``WATCHES``.

    Returns
    -------
    polars.DataFrame
        ``STRETCH_SCHEMA``, ascending: from the first reading at the level that raises to the
        first one known to be under the level that clears. Those that never reached the level
        that raises are left out.
    """
    heard = watched.filter(pl.col("watch") == HEARD + watch)["from_at"].sort().to_list()
    rows: list[tuple[Any, ...]] = []
    current: dict[str, Any] | None = None
    position = 0

    def first_heard_after(instant: dt.datetime) -> dt.datetime | None:
        # A later block's first sample that begins no stretch is under the level.
        nonlocal position
        while position < len(heard) and heard[position] <= instant:
            position += 1
        return heard[position] if position < len(heard) else None

    def close(off_at: dt.datetime | None) -> None:
        assert current is not None
        if current["over_at"] is not None:
            rows.append(
                (watch, current["over_at"], off_at, current["to_at"], current["after"],
                 current["peak_pa"])
            )  # fmt: skip

    mine = watched.filter(pl.col("watch") == watch).sort("from_at")
    for row in mine.iter_rows(named=True):
        if current is not None:
            known_off_at = first_heard_after(current["to_at"])
            if known_off_at is None or known_off_at >= row["from_at"]:
                current["to_at"] = row["to_at"]
                current["over_at"] = current["over_at"] or row["over_at"]
                current["peak_pa"] = max(current["peak_pa"], row["peak_pa"])
            else:
                close(known_off_at)
                current = dict(row)
        else:
            current = dict(row)
        if row["off_at"] is not None:
            close(row["off_at"])
            current = None
    if current is not None:
        close(first_heard_after(current["to_at"]))
    return pl.DataFrame(rows, schema=STRETCH_SCHEMA, orient="row")
