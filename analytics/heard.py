"""How boxes were heard, composed for commands and pages; writes nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics import box_frames, frames
from analytics.box_signs import HourHeard
from analytics.box_values import newest_values
from analytics.boxes import health, silent_beside_others
from analytics.pipeline import transducer_laws
from ingest.clocks import Correction, estimate

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard
    from ingest.store.clock_rows import Taken

#: A box's newest value of a channel is looked for in so much time before it was last heard: slow
#: channels come every minute or so.
NEWEST_WITHIN = dt.timedelta(minutes=15)

#: How a box was heard in a stretch of time.
HEARD_SCHEMA: dict[str, Any] = {
    "instants": pl.Int64, "rate_hz": pl.Float64, "lost": pl.Int64, "restarts": pl.Int64,
    "late": pl.Int64, "latest_s": pl.Float64, "silences": pl.Int64, "silent_s": pl.Float64,
}  # fmt: skip


def boxes_heard(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Sequence[str],
    from_at: dt.datetime,
    to_at: dt.datetime | None,
    now: dt.datetime,
) -> pl.DataFrame:
    """How well each pot's box is heard, a row a pot.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    pots : sequence of str
        Names of the pots.
    from_at, to_at : datetime
        Samples looked at, half-open, naive UTC; ``None``: to the last.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``pot``, ``last_heard_at``, ``repeated`` (since the beginning), :data:`HEARD_SCHEMA`, and
        ``says`` in words what the numbers do not.
    """
    numbers = frames.pots(con)
    by_pot = (
        frames.source_counts(con)
        .group_by("pot")
        .agg(pl.col("last_arrived_at").max(), pl.col("repeated").sum())
    )
    last_at = dict(by_pot.select("pot", "last_arrived_at").iter_rows())
    repeated = dict(by_pot.select("pot", "repeated").iter_rows())
    ours = {name: last_at[name] for name in yard.pot_names if name in last_at}
    silent = {
        silence.pot: silence
        for silence in silent_beside_others(ours, {name: yard.gap_s(name) for name in ours}, now)
    }
    rows = []
    for name in pots:
        found = health(
            frames.arrivals(con, numbers.get(name, -1), from_at, to_at), yard.gap_s(name)
        )
        says = "" if name in ours else "never heard"
        if name in silent:
            says = f"silent while {', '.join(silent[name].talking[:3])} talk"
        rows.append(
            {
                "pot": name,
                "last_heard_at": last_at.get(name),
                "repeated": int(repeated.get(name, 0)),
                **{k: v for k, v in found._asdict().items() if k in HEARD_SCHEMA},
                "says": says,
            }
        )
    schema = {
        "pot": pl.String, "last_heard_at": pl.Datetime("us"), "repeated": pl.Int64,
        **HEARD_SCHEMA, "says": pl.String,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema)


def stretch_heard(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pot: str,
    from_at: dt.datetime,
    to_at: dt.datetime,
) -> dict[str, Any]:
    """How well a pot's box was heard in a stretch, such as a day: keys of :data:`HEARD_SCHEMA`."""
    number = frames.pots(con).get(pot, -1)
    found = health(frames.arrivals(con, number, from_at, to_at), yard.gap_s(pot))
    return {name: getattr(found, name) for name in HEARD_SCHEMA}


def clock_found(
    con: duckdb.DuckDBPyConnection,
    pot: str,
    held: Sequence[Taken],
    from_at: dt.datetime | None = None,
) -> list[Correction]:
    """Where a box's clock was wrong and is not corrected for yet.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot : str
        Its name; one that was never heard has no clock that was wrong.
    held : sequence of Taken
        Corrections of the pot; ``ingest.store.clock_rows.listed``.
    from_at : datetime or None
        Arrivals from here on, naive UTC; ``None``: all.
    """
    heard = frames.clock_messages(con, frames.pots(con).get(pot, -1), from_at)
    for row in held:
        if row.pot == pot and row.withdrawn_at is None:
            heard = heard.filter(
                (pl.col("arrived_at") < row.arrived_from_at)
                | (pl.col("arrived_at") >= row.arrived_to_at)
            )
    return _estimated(heard)


def _estimated(messages: pl.DataFrame) -> list[Correction]:
    return estimate(
        messages["sampled_at"].cast(pl.Int64).to_numpy(),
        messages["arrived_at"].cast(pl.Int64).to_numpy(),
        messages["seq"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
    )


def lately_heard(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pot: str,
    from_at: dt.datetime,
    now: dt.datetime,
) -> HourHeard:
    """What came of a pot's box from an instant on, for :func:`analytics.box_signs.signs`."""
    number = frames.pots(con).get(pot, -1)
    counts = frames.source_counts(con).filter(pl.col("pot") == pot)
    samples = box_frames.arrived_samples(con, number, from_at, now)
    last_at = counts["last_arrived_at"].max()
    return HourHeard(
        samples,
        box_frames.arrived_slow(con, number, from_at, now),
        health(samples.select("sampled_at", "arrived_at", "seq"), yard.gap_s(pot)),
        _estimated(frames.clock_messages(con, number, from_at, now)),
        last_at if isinstance(last_at, dt.datetime) else None,
    )


def newest_of(con: duckdb.DuckDBPyConnection, yard: Yard, pot: str) -> pl.DataFrame:
    """Each channel's newest value: :data:`analytics.box_values.NEWEST_SCHEMA`."""
    number = frames.pots(con).get(pot, -1)
    last_at = frames.last_heard(con, number)
    if last_at is None:
        never = dt.datetime(2000, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store
        nothing = frames.samples(con, number, never, never)
        return newest_values(frames.readings(con, number, never, never), nothing, [])
    end = last_at + dt.timedelta(microseconds=1)
    moved = frames.largest_shift(con, number)
    return newest_values(
        frames.readings(con, number, last_at - NEWEST_WITHIN, end),
        frames.samples(con, number, last_at - NEWEST_WITHIN - moved, last_at + moved),
        transducer_laws(yard, pot),
    )
