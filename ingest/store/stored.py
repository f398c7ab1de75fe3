"""What the store already holds of the instants of a batch: the look-up before an insert."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.channels import VALUE_COLUMNS
from ingest.store.archive_reading import DAY_US, WITHOUT_MESSAGES, stored_rows

if TYPE_CHECKING:
    import duckdb
    import polars as pl

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

#: Instants further apart than this are looked up apart, so that one box with a wrong clock does
#: not make the look-up read everything between. [us]
_LOOK_UP_GAP_US = 3_600_000_000
_MOST_LOOK_UPS = 16
#: Stretches of pots of which it is asked at once whether anything is there.
_MOST_ASKED = 64
# Where the rows of a table lie: asked so, a view with all its sums need not be taken apart.
_LIES_IN = {"sample": "sample_kept", "reading": "reading"}
_EPOCH = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC, as in the store


class Stored(NamedTuple):
    """What the store holds of the instants heard.

    ``groups`` number the wanted ones that have a value, which is in ``values`` or ``texts``;
    ``rows`` are the keys (pot_id, at_us) of all rows of ``sample`` at those instants.
    ``archived`` names the tables of which one of those days lies in the archive, or nearly.
    """

    groups: Ints
    values: Floats
    texts: list[str | None]
    rows: set[tuple[int, int]]
    archived: frozenset[str] = frozenset()


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
    is_sample = column >= 0
    archives: set[str] = set()
    asked: list[str] = []
    for table, here in (("sample", is_sample), ("reading", ~is_sample)):
        if not here.any():
            continue
        in_archive = _any_archived(con, table, pot_id[here], at_us[here])
        if in_archive:
            archives.add(table)
        # Nearly always what is heard is later than all before, and that is cheap to see.
        if in_archive or _any_hot(con, table, pot_id[here], at_us[here]):
            asked.append(table)
    if not asked:
        return _nothing(archives)
    import polars as pl

    wanted = pl.DataFrame(
        {
            "pot_id": pot_id,
            "place": np.where(is_sample, column, channel_id + len(VALUE_COLUMNS)),
            "at_us": at_us,
            "group": np.arange(len(at_us)),
        }
    )
    frames: list[pl.DataFrame] = []
    if "sample" in asked:
        of_it = wanted.filter(pl.col("place") < len(VALUE_COLUMNS))
        frames += _stored_samples(con, of_it, "sample" in archives)
    if "reading" in asked:
        of_it = wanted.filter(pl.col("place") >= len(VALUE_COLUMNS))
        frames += _stored_tall(con, of_it, "reading" in archives)
    if not frames:
        return _nothing(archives)
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
        frozenset(archives),
    )


def _nothing(archives: set[str]) -> Stored:
    return Stored(np.array([], np.int64), np.array([], np.float64), [], set(), frozenset(archives))


def _any_archived(con: duckdb.DuckDBPyConnection, table: str, pot_id: Ints, at_us: Ints) -> bool:
    """Whether a file of the archive may hold one of the days asked for."""
    day_of = at_us // DAY_US
    return bool(
        con.execute(
            "SELECT 1 FROM archive_file WHERE table_name = $table "
            f"AND pot_id IN ({', '.join(str(int(pot)) for pot in np.unique(pot_id))}) "
            "AND first_at < make_timestamp($to) AND last_at >= make_timestamp($from) LIMIT 1",
            {
                "table": table,
                "from": int(day_of.min()) * DAY_US,
                "to": (int(day_of.max()) + 1) * DAY_US,
            },
        ).fetchall()
    )


def _any_hot(con: duckdb.DuckDBPyConnection, table: str, pot_id: Ints, at_us: Ints) -> bool:
    """Whether a table has a row of a pot within the stretches in which that pot was heard."""
    spans = [
        (int(pot), *span)
        for pot in np.unique(pot_id)
        for span in _stretches(np.unique(at_us[pot_id == pot]))
    ]
    if len(spans) > _MOST_ASKED:
        return True
    one = "pot_id = {} AND sampled_at >= {} AND sampled_at <= {}"
    where = " OR ".join(
        f"({one.format(pot, _instant(begin), _instant(end))})" for pot, begin, end in spans
    )
    if len(spans) > 1:
        begin, end = min(span[1] for span in spans), max(span[2] for span in spans)
        # Said once more for all: with this the blocks that can hold one are found.
        within = f"sampled_at >= {_instant(begin)} AND sampled_at <= {_instant(end)}"
        where = f"{within} AND ({where})"
    return bool(con.execute(f"SELECT 1 FROM {_LIES_IN[table]} WHERE {where} LIMIT 1").fetchall())


def _instant(at_us: int) -> str:
    """An instant in SQL. [us since 1970 UTC] Written out it takes a fifth of a statement less than
    to have it made."""
    return f"TIMESTAMP '{np.datetime_as_string(np.datetime64(at_us, 'us'))}'"


def _stored_samples(
    con: duckdb.DuckDBPyConnection, wanted: pl.DataFrame, any_archived: bool
) -> list[pl.DataFrame]:
    import polars as pl

    columns = ", ".join(f"CAST({c} AS DOUBLE) AS {c}" for c in VALUE_COLUMNS)
    what = f"pot_id, epoch_us(sampled_at) AS at_us, {columns}"
    held = _matching(con, "sample", what, wanted, any_archived)
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


def _stored_tall(
    con: duckdb.DuckDBPyConnection, wanted: pl.DataFrame, any_archived: bool
) -> list[pl.DataFrame]:
    import polars as pl

    what = "pot_id, channel_id, epoch_us(sampled_at) AS at_us, value, text"
    held = _matching(con, "reading", what, wanted, any_archived)
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
    con: duckdb.DuckDBPyConnection,
    table: str,
    what: str,
    wanted: pl.DataFrame,
    any_archived: bool,
) -> pl.DataFrame | None:
    """Rows of a table at the wanted pots and instants.

    Looked up by stretches of time, which the table's zone maps narrow to the blocks that can hold
    them; an index would cost more in every insert than it saves here.
    """
    import polars as pl

    keys = wanted.select("pot_id", "at_us").unique()
    pots = set(keys["pot_id"].unique().to_list())
    con.register("wanted_key", keys.to_arrow())
    frames = []
    try:
        for begin_us, end_us in _stretches(keys["at_us"].sort().to_numpy()):
            source = WITHOUT_MESSAGES[table]
            if any_archived:
                begin, end = (_EPOCH + dt.timedelta(microseconds=us) for us in (begin_us, end_us))
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
