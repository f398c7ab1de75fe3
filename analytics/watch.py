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
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.cycles import Signals, signal_arrays
from analytics.exactly import fixed
from analytics.quality import BLOCK_S

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

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
    return watch_frame([watched_in(signal_arrays(signals), limits)])


def watched_in(signals: Signals, limits: WatchLimits) -> dict[str, tuple[Ints, Floats]]:
    """Stretches as :func:`watch_pressures` finds them, as arrays.

    Returns
    -------
    dict
        By watch, from :func:`analytics.block_kernel.stretches`.
    """
    from analytics.block_kernel import held, stretches

    nothing = fixed(np.zeros(0, np.bool_))
    block_us, gap_us = BLOCK_S * _US, round(limits.gap_s * _US)
    if signals.known is None:
        holding, said = signals.deadman, fixed(np.ones(signals.at_us.size, np.bool_))
    else:
        holding, said = held(
            signals.at_us, signals.deadman, signals.known, block_us, round(limits.align_s * _US)
        )
        holding, said = fixed(holding), fixed(said)
    plate_pa = float(limits.plate_pa)
    return {
        "over_plate": stretches(
            signals.at_us, signals.supply_pa, signals.pot_pa, nothing, nothing,
            (plate_pa, PLATE_CLEAR_SHARE * plate_pa), block_us, gap_us,
            int(_ORDINARY_S * _US), False,
        ),
        "unheld": stretches(
            signals.at_us, signals.pot_pa, signals.pot_pa, holding, said,
            (UNHELD_PA, UNHELD_CLEAR_PA), block_us, gap_us, int(_ORDINARY_S * _US), True,
        ),
    }  # fmt: skip


def watch_frame(found: Sequence[dict[str, tuple[Ints, Floats]]]) -> pl.DataFrame:
    """Stretches of pressure of stretches of time that follow one another, as ``WATCH_SCHEMA``."""
    from analytics import block_kernel as kernel

    every = [(watch, *arrays) for each in found for watch, arrays in each.items()]
    if not sum(whole.shape[0] for _, whole, _ in every):
        return pl.DataFrame(schema=WATCH_SCHEMA)
    whole = np.concatenate([whole for _, whole, _ in every])
    watches = np.repeat(
        [WATCHES.index(watch) for watch, _, _ in every], [rows.shape[0] for _, rows, _ in every]
    )
    names = pl.Series([*(HEARD + watch for watch in WATCHES), *WATCHES])
    after = pl.Series(["unknown", "release", "rise"])
    # `NONE_US` is what numpy has for no instant, and becomes null.
    instants = whole.view("datetime64[us]")
    columns = {
        "watch": names.gather(watches + len(WATCHES) * whole[:, kernel.KIND]),
        **{
            name: pl.Series(np.ascontiguousarray(instants[:, column]))
            for name, column in (
                ("from_at", kernel.FROM), ("over_at", kernel.OVER),
                ("to_at", kernel.TO), ("off_at", kernel.OFF),
            )
        },
        "after": after.gather(whole[:, kernel.AFTER]),
        "peak_pa": pl.Series(np.concatenate([peaks for _, _, peaks in every]), nan_to_null=True),
    }  # fmt: skip
    return pl.DataFrame(columns, schema=WATCH_SCHEMA).sort("watch", "from_at")


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
