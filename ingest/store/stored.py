"""What the store already holds of the instants of a batch: the look-up before an insert."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.channels import VALUE_COLUMNS
from ingest.store.archive_reading import WITHOUT_MESSAGES, archived, stored_rows

if TYPE_CHECKING:
    import duckdb
    import polars as pl

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

#: Instants further apart than this are looked up apart, so that one box with a wrong clock does
#: not make the look-up read everything between. [us]
_LOOK_UP_GAP_US = 3_600_000_000
_MOST_LOOK_UPS = 16


class Stored(NamedTuple):
    """What the store holds of the instants heard.

    ``groups`` number the wanted ones that have a value, which is in ``values`` or ``texts``;
    ``rows`` are the keys (pot_id, at_us) of all rows of ``sample`` at those instants.
    """

    groups: Ints
    values: Floats
    texts: list[str | None]
    rows: set[tuple[int, int]]


def look_up(
    con: duckdb.DuckDBPyConnection, pot_id: Ints, column: Ints, channel_id: Ints, at_us: Ints
) -> Stored:
    """Find what the store holds at instants.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
    pot_id, column, channel_id, at_us : array of int
        One wanted value each: its pot, its number among ``VALUE_COLUMNS`` or below zero for the
        tall table, its channel there, and its instant [us since 1970 UTC].

    Returns
    -------
    Stored
    """
    import polars as pl

    wanted = pl.DataFrame(
        {
            "pot_id": pot_id,
            "place": np.where(column >= 0, column, channel_id + len(VALUE_COLUMNS)),
            "at_us": at_us,
            "group": np.arange(len(at_us)),
        }
    )
    frames = [
        *_stored_samples(con, wanted.filter(pl.col("place") < len(VALUE_COLUMNS))),
        *_stored_tall(con, wanted.filter(pl.col("place") >= len(VALUE_COLUMNS))),
    ]
    if not frames:
        return Stored(np.array([], np.int64), np.array([], np.float64), [], set())
    held = pl.concat(frames)
    rows = set(
        held.filter(pl.col("place") < len(VALUE_COLUMNS)).select("pot_id", "at_us").iter_rows()
    )
    found = held.join(wanted, on=["pot_id", "place", "at_us"]).filter(
        pl.col("value").is_not_null() | pl.col("text").is_not_null()
    )
    return Stored(
        found["group"].to_numpy(),
        found["value"].fill_null(0.0).to_numpy(),
        found["text"].to_list(),
        rows,
    )


def _stored_samples(con: duckdb.DuckDBPyConnection, wanted: pl.DataFrame) -> list[pl.DataFrame]:
    import polars as pl

    columns = ", ".join(f"CAST({c} AS DOUBLE) AS {c}" for c in VALUE_COLUMNS)
    held = _matching(con, "sample", f"pot_id, epoch_us(sampled_at) AS at_us, {columns}", wanted)
    if held is None:
        return []
    places = {column: str(number) for number, column in enumerate(VALUE_COLUMNS)}
    return [
        held.rename(places)
        .unpivot(index=["pot_id", "at_us"], variable_name="place")
        .select(
            pl.col("pot_id").cast(pl.Int64),
            pl.col("place").cast(pl.Int64),
            "at_us",
            "value",
            pl.lit(None, pl.String).alias("text"),
        )
    ]


def _stored_tall(con: duckdb.DuckDBPyConnection, wanted: pl.DataFrame) -> list[pl.DataFrame]:
    import polars as pl

    what = "pot_id, channel_id, epoch_us(sampled_at) AS at_us, value, text"
    held = _matching(con, "reading", what, wanted)
    if held is None:
        return []
    return [
        held.select(
            pl.col("pot_id").cast(pl.Int64),
            (pl.col("channel_id").cast(pl.Int64) + len(VALUE_COLUMNS)).alias("place"),
            "at_us",
            "value",
            "text",
        )
    ]


def _matching(
    con: duckdb.DuckDBPyConnection, table: str, what: str, wanted: pl.DataFrame
) -> pl.DataFrame | None:
    """Rows of a table at the wanted pots and instants.

    Looked up by stretches of time, which the table's zone maps narrow to the blocks that can hold
    them; an index would cost more in every insert than it saves here.
    """
    import polars as pl

    if wanted.is_empty():
        return None
    keys = wanted.select("pot_id", "at_us").unique()
    pots = set(keys["pot_id"].unique().to_list())
    # Asked once: nearly always none of a batch's pots has a day archived that the batch is of.
    epoch = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store
    instants = keys["at_us"].to_numpy()
    first, last = (
        epoch + dt.timedelta(microseconds=int(us)) for us in (instants.min(), instants.max())
    )
    any_archived = bool(archived(con, table, pots, first, last))
    con.register("wanted_key", keys.to_arrow())
    frames = []
    try:
        for begin_us, end_us in _stretches(keys["at_us"].sort().to_numpy()):
            source = WITHOUT_MESSAGES[table]
            if any_archived:
                begin, end = (epoch + dt.timedelta(microseconds=us) for us in (begin_us, end_us))
                source = stored_rows(con, table, pots, begin, end, messages=False)
            frames.append(
                con.sql(
                    f"SELECT {what} FROM {source} AS held "
                    "WHERE sampled_at BETWEEN make_timestamp($begin) AND make_timestamp($end) "
                    "AND EXISTS (FROM wanted_key AS w WHERE w.pot_id = held.pot_id "
                    "AND make_timestamp(w.at_us) = held.sampled_at)",
                    params={"begin": int(begin_us), "end": int(end_us)},
                ).pl()
            )
    finally:
        con.unregister("wanted_key")
    held = pl.concat(frames)
    return None if held.is_empty() else held


def _stretches(at_us: Ints) -> list[tuple[int, int]]:
    """Few stretches of time that hold all instants, which are sorted."""
    gaps = np.diff(at_us)
    cuts = np.flatnonzero(gaps > _LOOK_UP_GAP_US)
    if len(cuts) >= _MOST_LOOK_UPS:
        cuts = np.sort(cuts[np.argsort(gaps[cuts])[-(_MOST_LOOK_UPS - 1) :]])
    begins = [0, *(cuts + 1)]
    ends = [*cuts, len(at_us) - 1]
    return [(int(at_us[b]), int(at_us[e])) for b, e in zip(begins, ends, strict=True)]
