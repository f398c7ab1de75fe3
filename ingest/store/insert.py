"""Readings into the tables, never doubled. The caller owns the transaction.

A reading is one value of one channel of one pot at one instant, and the first value heard for an
instant stays. The same value again is ``repeated`` and changes nothing; another value is a
``conflict``, which the caller quarantines. So bringing anything in twice changes nothing, and the
tables do not depend on how what was heard was cut into batches.

Fast channels of one pot and instant share a row of ``sample``, whichever messages they came in;
the row's ``arrived_at`` and ``message_id`` are those of the first.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import IntEnum
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.channels import CHANNELS, VALUE_COLUMNS
from ingest.store.archive_reading import bring_back, days_of
from ingest.store.sample_rows import COUNTED, SampleRows, add_rows, fill_rows
from ingest.store.stored import Floats, Ints, look_up

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_COLUMN_NUMBER = {column: number for number, column in enumerate(VALUE_COLUMNS)}
# Ranges and bits by column number; a column without a bit never sets one.
_RANGES = [
    (_COLUMN_NUMBER[c.column], c.low, c.high, int(c.bad_bit))
    for c in CHANNELS.values()
    if c.column and c.bad_bit
]


class Status(IntEnum):
    """What became of a reading."""

    NEW = 0
    REPEATED = 1
    CONFLICT = 2


class Series(NamedTuple):
    """One channel of one pot in one unit; ``column`` is that of ``sample``, if it has one."""

    pot: str
    channel: str
    unit: str
    column: str | None
    known: bool


class Heard(NamedTuple):
    """Readings as columns of equal length, in the order heard.

    Parameters
    ----------
    series : array of int
        Index into the list of series that goes with it.
    at_us, arrived_us : array of int
        [us since 1970 UTC]
    value : array of float
        In the series' unit; ignored where there is a text.
    message_id : array of int
    texts : dict
        The text, by index, of the readings whose value is text.
    """

    series: Ints
    at_us: Ints
    arrived_us: Ints
    value: Floats
    message_id: Ints
    texts: dict[int, str]


def series_of(pot: str, channel: str, unit: str) -> Series:
    """The series of a channel whose value is in its kept unit: SI, or ``mA`` for a loop current.

    Raises
    ------
    ValueError
        A known channel is not kept in that unit.
    """
    known = CHANNELS.get(channel)
    if known is None:
        return Series(pot, channel, unit, None, False)
    if unit == "mA" and known.current_column:
        return Series(pot, channel, unit, known.current_column, True)
    if unit != known.unit:
        raise ValueError(f"{channel} is kept in {known.unit}, not in {unit!r}")
    return Series(pot, channel, unit, known.column, True)


def insert_readings(con: duckdb.DuckDBPyConnection, readings: pl.DataFrame) -> pl.Series:
    """Insert readings that are not in the store yet.

    For card files, in pieces of a few hundred thousand readings. Makes rows of ``pot``,
    ``channel``, ``sample``, ``reading`` and ``touched``; the caller opens the write window and
    records the rest (``import_file``).

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        Inside a transaction of :func:`ingest.store.connection.write_window`.
    readings : polars.DataFrame
        One row a reading, in the order that decides which of two values for an instant stays:

        - ``pot``, ``channel``, ``unit`` : String, Categorical or Enum. The unit is the one kept:
          :attr:`ingest.channels.Channel.unit`, or ``mA``; any for an unknown channel.
        - ``sampled_at``, ``arrived_at`` : Datetime("us"), UTC without a zone.
        - ``value`` : Float64, finite. A switch is 0 or 1, ``seq`` a whole number.
        - ``message_id`` : Int64. For a card file minus its ``import_id``.
        - ``text`` : String, optional; where it is not null it is the value.

    Returns
    -------
    polars.Series
        UInt8, one :class:`Status` a row.

    Raises
    ------
    ValueError
        A known channel is in a unit it is not kept in.
    """
    import polars as pl

    keys = readings.select("pot", "channel", "unit")
    distinct = keys.unique(maintain_order=True).with_row_index("series")
    numbers = keys.join(distinct, on=["pot", "channel", "unit"], maintain_order="left")["series"]
    series = [series_of(str(p), str(c), str(u)) for _, p, c, u in distinct.rows()]
    texts: dict[int, str] = {}
    if "text" in readings.columns:
        found = readings.with_row_index("row").filter(pl.col("text").is_not_null())
        texts = dict(zip(found["row"].to_list(), found["text"].to_list(), strict=True))
    heard = Heard(
        numbers.cast(pl.Int64).to_numpy(),
        readings["sampled_at"].cast(pl.Datetime("us")).to_physical().to_numpy(),
        readings["arrived_at"].cast(pl.Datetime("us")).to_physical().to_numpy(),
        readings["value"].cast(pl.Float64).fill_null(0.0).to_numpy(),
        readings["message_id"].cast(pl.Int64).to_numpy(),
        texts,
    )
    return pl.Series("status", insert_heard(con, series, heard), dtype=pl.UInt8)


def insert_heard(
    con: duckdb.DuckDBPyConnection, series: Sequence[Series], heard: Heard
) -> npt.NDArray[np.uint8]:
    """Insert readings that are not in the store yet; the columns' form of the above.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        Inside a transaction.
    series : sequence of Series
        What the numbers in ``heard.series`` mean.
    heard : Heard

    Returns
    -------
    array of uint8
        One :class:`Status` a reading.
    """
    status = np.zeros(len(heard.series), np.uint8)
    if not len(status):
        return status
    used = np.unique(heard.series)
    places = places_of(con, [series[n] for n in used], int(heard.arrived_us.min()))
    place_number = np.searchsorted(used, heard.series)
    # Two series may share an identity: the same channel sent in Pa and in hPa is one column.
    identities, identity_of = np.unique(
        [(p.pot_id, p.column, p.channel_id) for p in places], axis=0, return_inverse=True
    )
    pot_id, column, channel_id = identities[identity_of.reshape(-1)[place_number]].T
    identity = identity_of.reshape(-1)[place_number]
    text_id = _text_ids(len(status), heard.texts)

    order = np.lexsort((heard.at_us, identity))
    starts = np.ones(len(order), bool)
    starts[1:] = (identity[order][1:] != identity[order][:-1]) | (
        heard.at_us[order][1:] != heard.at_us[order][:-1]
    )
    group = np.empty(len(order), np.int64)
    group[order] = np.cumsum(starts) - 1
    first = order[starts]
    reference = heard.value[first].copy()
    reference_text = text_id[first].copy()

    stored = look_up(con, pot_id[first], column[first], channel_id[first], heard.at_us[first])
    reference[stored.groups] = stored.values
    reference_text[stored.groups] = [
        _id_of_text(text, heard.texts, text_id) for text in stored.texts
    ]
    same = np.where(
        text_id >= 0, text_id == reference_text[group], heard.value == reference[group]
    ) & ((text_id >= 0) == (reference_text[group] != -1))
    status[:] = np.where(same, Status.REPEATED, Status.CONFLICT)
    fresh = np.ones(len(first), bool)
    fresh[stored.groups] = False
    new = first[fresh]
    status[new] = Status.NEW

    is_sample = column[new] >= 0
    # What is new on an archived day brings that day back first: a day lies in one place only.
    for table, here in (("sample", is_sample), ("reading", ~is_sample)):
        if table in stored.archived:
            bring_back(con, table, days_of(pot_id[new[here]], heard.at_us[new[here]]))
    _insert_samples(
        con, heard, new[is_sample], pot_id[new[is_sample]], column[new[is_sample]], stored.rows
    )
    tall = new[~is_sample]
    _insert_tall(con, heard, tall, pot_id[tall], channel_id[tall])
    _touch(con, pot_id[new], heard.at_us[new])
    return status


class _Place(NamedTuple):
    pot_id: int
    column: int
    channel_id: int


def places_of(
    con: duckdb.DuckDBPyConnection, series: Sequence[Series], heard_us: int
) -> list[_Place]:
    """Find or make the rows of ``pot`` and ``channel``.

    A channel with a column is the same whatever its ``channel_id``, which is 0 there.
    """
    pots: dict[str, int] = {}
    channels: dict[tuple[int, str, str], int] = {}
    for pot_id, name, channel_id, unit in con.execute(
        "SELECT pot_id, pot, NULL, NULL FROM pot "
        "UNION ALL SELECT pot_id, channel, channel_id, unit FROM channel"
    ).fetchall():
        if channel_id is None:
            pots[name] = pot_id
        else:
            channels[pot_id, name, unit] = channel_id
    # In an order of their own: which number a pot gets is not to hang on chance.
    for pot in sorted({s.pot for s in series} - pots.keys()):
        pots[pot] = max(pots.values(), default=0) + 1
        con.execute("INSERT INTO pot VALUES (?, ?)", [pots[pot], pot])
    places = []
    for one in series:
        key = (pots[one.pot], one.channel, one.unit)
        if key not in channels:
            channels[key] = max(channels.values(), default=0) + 1
            con.execute(
                "INSERT INTO channel VALUES (?, ?, ?, ?, ?, make_timestamp(?))",
                [channels[key], *key, one.known, heard_us],
            )
        column = _COLUMN_NUMBER[one.column] if one.column else -1
        places.append(_Place(key[0], column, 0 if one.column else channels[key]))
    return places


def _text_ids(count: int, texts: dict[int, str]) -> Ints:
    """A number for each text, equal for equal texts; -1 for a reading that is a number."""
    ids = np.full(count, -1, np.int64)
    known: dict[str, int] = {}
    for index, text in texts.items():
        ids[index] = known.setdefault(text, len(known))
    return ids


def _id_of_text(text: str | None, texts: dict[int, str], ids: Ints) -> int:
    if text is None:
        return -1
    # -2 is the number of no text heard in this batch.
    return next((int(ids[index]) for index, heard in texts.items() if heard == text), -2)


def _insert_samples(
    con: duckdb.DuckDBPyConnection,
    heard: Heard,
    new: Ints,
    pot_id: Ints,
    column: Ints,
    rows: set[tuple[int, int]],
) -> None:
    if not len(new):
        return
    at_us = heard.at_us[new]
    order = np.lexsort((new, at_us, pot_id))
    starts = np.ones(len(order), bool)
    starts[1:] = (pot_id[order][1:] != pot_id[order][:-1]) | (at_us[order][1:] != at_us[order][:-1])
    row = np.cumsum(starts) - 1
    first = order[starts]
    values = np.full((len(VALUE_COLUMNS), len(first)), np.nan)
    values[column[order], row] = heard.value[new[order]]
    quality = np.zeros(len(first), np.int64)
    for number, low, high, bit in _RANGES:
        with np.errstate(invalid="ignore"):
            quality |= np.where((values[number] < low) | (values[number] > high), bit, 0)
    seq = values[_COLUMN_NUMBER["seq"]]
    here = ~np.isnan(seq)
    fresh = SampleRows(
        pot_id[first],
        at_us[first],
        heard.arrived_us[new[first]],
        heard.message_id[new[first]],
        quality,
        np.where(here, seq, 0).astype(np.int64),
        here,
        values[_COLUMN_NUMBER["deadman"]],
        # Minus nought is nought; a box that rounds may write it.
        {name: values[_COLUMN_NUMBER[name]] + 0.0 for name in COUNTED},
    )
    there = np.zeros(len(first), np.bool_)
    if rows:
        keys = zip(fresh.pot_id.tolist(), fresh.at_us.tolist(), strict=True)
        there = np.array([key in rows for key in keys], np.bool_)
    fill_rows(con, fresh.only(there))
    add_rows(con, fresh.only(~there))


def _insert_tall(
    con: duckdb.DuckDBPyConnection, heard: Heard, new: Ints, pot_id: Ints, channel_id: Ints
) -> None:
    import polars as pl

    if not len(new):
        return
    texts = [heard.texts.get(int(index)) for index in new]
    frame = pl.DataFrame(
        {
            "pot_id": pot_id,
            "channel_id": channel_id,
            "at_us": heard.at_us[new],
            "arrived_us": heard.arrived_us[new],
            "value": heard.value[new],
            "text": pl.Series(texts, dtype=pl.String),
            "message_id": heard.message_id[new],
        }
    ).sort("pot_id", "channel_id", "at_us")
    _append(
        con,
        "reading",
        "pot_id, channel_id, sampled_at, arrived_at, value, text, message_id",
        "pot_id, channel_id, make_timestamp(at_us), make_timestamp(arrived_us), "
        "CASE WHEN text IS NULL THEN value END, text, message_id",
        frame,
    )


def _touch(con: duckdb.DuckDBPyConnection, pot_id: Ints, at_us: Ints) -> None:
    """Note the first and last instant that changed, a pot."""
    touched: list[int] = []
    for pot in np.unique(pot_id):
        changed = at_us[pot_id == pot]
        touched += (int(pot), int(changed.min()), int(changed.max()))
    if touched:
        row = "(nextval('touched_number'), ?, make_timestamp(?), make_timestamp(?))"
        con.execute(f"INSERT INTO touched VALUES {', '.join([row] * (len(touched) // 3))}", touched)


def _append(
    con: duckdb.DuckDBPyConnection, table: str, into: str, what: str, frame: pl.DataFrame
) -> None:
    if frame.is_empty():
        return
    # DuckDB finds the frame by its name here; to register it costs as much as to add few rows.
    con.execute(f"INSERT INTO {table} ({into}) SELECT {what} FROM frame")
