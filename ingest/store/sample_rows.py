"""How ``sample`` is kept: counts in place of doubles, and what a message has in common kept once.

``sample`` is a view. Its rows lie in ``sample_kept``, where each transducer has two columns: ``n``,
a whole number of steps, and ``by``, what gives the value back from it. DuckDB packs such counts
into a few bits and a step that stays the same into none. Where there is no ``n``, ``by`` is the
value itself: what is no whole number of steps stays a double, and every value comes back bit for
bit. When a message arrived and where it lies in the journal are in ``message``, a row a message,
for they are wanted seldom; ``sample_value`` is the view without them, and so without a join.

Whoever adds, fills or removes rows of ``sample`` does it here; reading is plain SQL. The caller
owns the transaction.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.store import schema
from ingest.store.archive_scale import Scale, find_scale

if TYPE_CHECKING:
    import duckdb
    import polars as pl
    import pyarrow

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Columns of ``sample`` that are kept as counts.
COUNTED = (
    "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa", "supply_ma", "inlet_ma", "pot_ma", "nozzle_ma",
)  # fmt: skip
#: Columns of the view ``sample_value``, in its order: what was measured, without the message.
VALUE_VIEW = (
    "pot_id", "sampled_at", "seq", "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa", "deadman",
    "supply_ma", "inlet_ma", "pot_ma", "nozzle_ma", "quality",
)  # fmt: skip
#: Counts below this are kept; a FLOAT has them all exactly.
_MOST = 2.0**24
# Kept as FLOAT: DuckDB packs whole numbers as differences, in widths that are powers of two, and a
# FLOAT that is whole in the width it needs, with the odd ones beside it. What leaps at each press
# takes two thirds of the room so; what moves smoothly takes less as a whole number.
_LEAPING = ("nozzle_pa", "nozzle_ma")


class SampleRows(NamedTuple):
    """Rows of ``sample`` as arrays of equal length; in floats, not a number: no value.

    Parameters
    ----------
    pot_id, at_us, arrived_us, message_id, quality : array of int64
        Instants in [us since 1970 UTC].
    seq : array of int64
        Of those that ``seq_here`` says; of the others anything.
    seq_here : array of bool
    deadman : array of float64 or None
        0 or 1; ``None``: of no row.
    values : dict of str to array of float64
        Of ``COUNTED`` what there is.
    """

    pot_id: Ints
    at_us: Ints
    arrived_us: Ints
    message_id: Ints
    quality: Ints
    seq: Ints
    seq_here: Bools
    deadman: Floats | None
    values: dict[str, Floats]

    def only(self, here: Bools) -> SampleRows:
        """Some of the rows."""
        if here.all():
            return self
        return SampleRows(
            self.pot_id[here],
            self.at_us[here],
            self.arrived_us[here],
            self.message_id[here],
            self.quality[here],
            self.seq[here],
            self.seq_here[here],
            None if self.deadman is None else self.deadman[here],
            {name: values[here] for name, values in self.values.items()},
        )


#: The table in which samples lie, and the view of their values without messages.
KEPT, VALUES = "sample_kept", "sample_value"


def heard_in(column: str) -> str:
    """The column of ``KEPT`` that has something just where a transducer's column has a value."""
    return f"{column}_by"


def value_sql(column: str) -> str:
    """The value of a transducer's column in SQL, from what is kept of it."""
    n, by = f"{column}_n", f"{column}_by"
    return f"CASE WHEN {n} IS NULL THEN {by} WHEN {by} > 0 THEN {n} * {by} ELSE {n} / -{by} END"


def steps_sql(column: str) -> str:
    """Of rows, in SQL: what :func:`step_of` wants to know of a transducer's column, four numbers.

    To have DuckDB conclude from them takes it longer than to look at some hundred thousand rows.
    """
    n, by = f"{column}_n", f"{column}_by"
    return f"count({by}), count({n}), min({by}), max({by})"


def step_of(values: int, counts: int, least: float | None, most: float | None) -> float | None:
    """The one step that all values of a column are counts of, as it is kept; ``None``: there is
    none.

    Parameters
    ----------
    values, counts : int
        How many values there are, and how many of them are counts.
    least, most : float or None
        Of their steps, as they are kept.

    Examples
    --------
    >>> step_of(3, 3, 100.0, 100.0), step_of(3, 2, 100.0, 100.0), step_of(3, 3, 50.0, 100.0)
    (100.0, None, None)
    """
    return least if counts == values and least == most and least else None


def counts_sql(column: str, step: float) -> str:
    """What gives the values of a transducer's column that are all counts of one step: its counts,
    to be multiplied with the step, or, where they are divided, the values, to the bit those of
    :func:`value_sql`."""
    # Polars would multiply with the inverse, which is not the same to the bit.
    return f"{column}_n" if step > 0 else f"{column}_n / '{-step!r}'::DOUBLE"


def _views() -> str:
    value = {column: f"{value_sql(column)} AS {column}" for column in COUNTED}
    value["seq"] = "CASE WHEN seq_here THEN seq_last END AS seq"
    what = [value.get(column, column) for column in VALUE_VIEW]
    whole = [*what[:2], "m.arrived_at", *what[2:], "m.message_id"]
    return (
        f"CREATE VIEW sample_value AS SELECT {', '.join(what)} FROM sample_kept;"
        f"CREATE VIEW sample AS SELECT {', '.join(whole)} "
        "FROM sample_kept AS k LEFT JOIN message AS m ON m.message_no = k.message_no;"
    )


def make_tables(con: duckdb.DuckDBPyConnection) -> None:
    """Make the tables and views that the module speaks of, of a store that has none of them."""
    con.execute(schema.KEPT_SAMPLES)
    con.execute(_views())


def add_samples(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> int:
    """Add rows to ``sample``; returns how many.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    rows : polars.DataFrame
        Rows whose pot and instant are not there yet, best a pot's together and ascending:
        ``pot_id``, ``sampled_at`` and ``arrived_at`` (Datetime("us"), UTC without a zone),
        ``quality``, ``message_id``, and of ``seq``, ``deadman`` (Boolean, or 0 and 1) and
        ``COUNTED`` what there is; null: no value.
    """
    return add_rows(con, _arrays_of(rows))


def add_rows(con: duckdb.DuckDBPyConnection, rows: SampleRows) -> int:
    """Add rows to ``sample``, as arrays; otherwise as :func:`add_samples`."""
    import pyarrow as pa

    count = len(rows.at_us)
    if not count:
        return 0
    starts = np.ones(count, np.bool_)
    starts[1:] = (np.diff(rows.message_id) != 0) | (np.diff(rows.arrived_us) != 0)
    (numbers,) = con.execute(
        "SELECT nextval('message_number') FROM range($count)", {"count": int(starts.sum())}
    ).fetchnumpy().values()  # fmt: skip
    new_row = (
        _kept(con, rows)
        .append_column("message_no", pa.array(np.asarray(numbers)[np.cumsum(starts) - 1]))
        .append_column("arrived_at", pa.array(_instants(rows.arrived_us)))
        .append_column("message_id", pa.array(rows.message_id))
        .append_column("starts", pa.array(starts))
    )
    _insert(con, new_row)
    return count


def _insert(con: duckdb.DuckDBPyConnection, new_row: pyarrow.Table) -> None:
    # DuckDB finds the rows by their name here; to register them costs as much as an insert.
    con.execute(
        "INSERT INTO message BY NAME "
        "SELECT message_no, arrived_at, message_id FROM new_row WHERE starts"
    )
    con.execute(
        "INSERT INTO sample_kept BY NAME "
        "SELECT * EXCLUDE (arrived_at, message_id, starts) FROM new_row"
    )


def fill_samples(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> None:
    """Put values that came later than others of their instant into that instant's row.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    rows : polars.DataFrame
        As for :func:`add_samples`, of instants that have a row. Of a row only what it has not got
        yet is taken, and ``quality``'s bits are added; the message stays that of the first.
    """
    fill_rows(con, _arrays_of(rows))


def fill_rows(con: duckdb.DuckDBPyConnection, rows: SampleRows) -> None:
    """Fill rows of ``sample``, from arrays; otherwise as :func:`fill_samples`."""
    if not len(rows.at_us):
        return
    late = _kept(con, rows)
    sets = [
        "seq_last = CASE WHEN held.seq_here OR NOT late.seq_here THEN held.seq_last "
        "ELSE late.seq_last END",
        "seq_here = held.seq_here OR late.seq_here",
        "quality = held.quality | late.quality",
    ]
    if "deadman" in late.column_names:
        sets.append("deadman = coalesce(held.deadman, late.deadman)")
    for column in COUNTED:
        if f"{column}_by" not in late.column_names:
            continue
        # A double without a count has its value in "by": there is one where either is.
        none = f"held.{column}_n IS NULL AND held.{column}_by IS NULL"
        sets += [
            f"{column}_{part} = CASE WHEN {none} THEN late.{column}_{part} "
            f"ELSE held.{column}_{part} END"
            for part in ("n", "by")
        ]
    con.register("late_row", late)
    try:
        con.execute(
            f"UPDATE sample_kept AS held SET {', '.join(sets)} FROM late_row AS late "
            "WHERE held.pot_id = late.pot_id AND held.sampled_at = late.sampled_at "
            "AND held.sampled_at BETWEEN make_timestamp($begin) AND make_timestamp($end)",
            {"begin": int(rows.at_us.min()), "end": int(rows.at_us.max())},
        )
    finally:
        con.unregister("late_row")


def remove_samples(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime, to_at: dt.datetime
) -> None:
    """Remove a pot's rows from ``from_at`` on, before ``to_at``, and messages left without any."""
    of_span = "pot_id = $pot AND sampled_at >= $from_at AND sampled_at < $to_at"
    span = {"pot": pot_id, "from_at": from_at, "to_at": to_at}
    con.execute(
        "CREATE TEMP TABLE message_gone AS SELECT DISTINCT message_no FROM sample_kept "
        f"WHERE {of_span}",
        span,
    )
    con.execute(f"DELETE FROM sample_kept WHERE {of_span}", span)
    # The ends narrow the look to the blocks that can hold such a message.
    con.execute(
        "DELETE FROM message WHERE message_no IN (FROM message_gone) AND message_no NOT IN "
        "(SELECT message_no FROM sample_kept WHERE message_no BETWEEN "
        "(SELECT min(message_no) FROM message_gone) AND (SELECT max(message_no) FROM message_gone))"
    )
    con.execute("DROP TABLE message_gone")


def _arrays_of(rows: pl.DataFrame) -> SampleRows:
    """Rows of a frame as arrays."""
    import polars as pl

    def whole(name: str) -> Ints:
        return rows[name].cast(pl.Int64).to_numpy()

    def instants(name: str) -> Ints:
        return rows[name].cast(pl.Datetime("us")).to_physical().to_numpy()

    def floats(name: str) -> Floats:
        return rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

    seq, seq_here = np.zeros(rows.height, np.int64), np.zeros(rows.height, np.bool_)
    if "seq" in rows.columns:
        seq = rows["seq"].cast(pl.Int64).fill_null(0).to_numpy()
        seq_here = rows["seq"].is_not_null().to_numpy()
    return SampleRows(
        whole("pot_id"),
        instants("sampled_at"),
        instants("arrived_at"),
        whole("message_id"),
        whole("quality"),
        seq,
        seq_here,
        floats("deadman") if "deadman" in rows.columns else None,
        {column: floats(column) for column in COUNTED if column in rows.columns},
    )


def _instants(us: Ints) -> npt.NDArray[np.datetime64]:
    return us.astype(np.int64, copy=False).view("datetime64[us]")


def _kept(con: duckdb.DuckDBPyConnection, rows: SampleRows) -> pyarrow.Table:
    """Rows as ``sample_kept`` has them, but for the number of their message."""
    import pyarrow as pa

    def some(values: Floats, kind: pyarrow.DataType | None = None) -> pyarrow.Array:
        none = np.isnan(values)
        return pa.array(values if kind is None else np.where(none, 0, values), kind, mask=none)

    kept = {
        "pot_id": pa.array(rows.pot_id.astype(np.int16)),
        "sampled_at": pa.array(_instants(rows.at_us)),
        "seq_last": pa.array(_carried(rows.seq, rows.seq_here)),
        "seq_here": pa.array(rows.seq_here),
        "quality": pa.array(rows.quality.astype(np.int32)),
    }
    if rows.deadman is not None:
        kept["deadman"] = pa.array(rows.deadman != 0, mask=np.isnan(rows.deadman))
    pots = [(int(pot), rows.pot_id == pot) for pot in np.unique(rows.pot_id)]
    steps = {
        (pot, column): by
        for pot, column, by in con.execute('SELECT pot_id, "column", "by" FROM step').fetchall()
    }
    for column, values in rows.values.items():
        if np.isnan(values).all():
            continue
        counts, by = _count(con, values, pots, column, steps)
        leaps = column in _LEAPING
        kept[f"{column}_n"] = some(counts, pa.float32() if leaps else pa.int32())
        kept[f"{column}_by"] = some(by)
    return pa.table(kept)


def _carried(seq: Ints, here: Bools) -> Ints:
    """A counter in each row: the last one before it, or else the first; nought: there is none."""
    if here.all() or not here.any():
        return seq if here.all() else np.zeros(len(seq), np.int64)
    last = np.maximum.accumulate(np.where(here, np.arange(len(seq)), -1))
    return seq[np.where(last < 0, int(np.argmax(here)), last)]


def _count(
    con: duckdb.DuckDBPyConnection,
    values: Floats,
    pots: list[tuple[int, Bools]],
    column: str,
    steps: dict[tuple[int, str], float],
) -> tuple[Floats, Floats]:
    """Counts, and what gives the values back; not a number where there is none."""
    counts, by, there = np.full(len(values), np.nan), values.copy(), ~np.isnan(values)
    for pot, of_pot in pots:
        here = np.flatnonzero(there & of_pot)
        if not len(here):
            continue
        wanted = values[here]
        step = steps.get((pot, column))
        found, fits = _in_steps(wanted, step) if step else (None, np.zeros(len(wanted), bool))
        # One odd value must not make the step of all that follow finer.
        if 2 * int(fits.sum()) < len(wanted):
            finer = _step_of(wanted, step)
            if finer is not None:
                step = finer
                _set_step(con, pot, column, finer, known=(pot, column) in steps)
                found, fits = _in_steps(wanted, step)
        if found is not None and step is not None:
            counts[here[fits]] = found[fits]
            by[here[fits]] = step
    return counts, by


def _in_steps(values: Floats, by: float) -> tuple[Ints, Bools]:
    """Whole numbers of steps, and which values come back from theirs bit for bit."""
    with np.errstate(over="ignore", invalid="ignore"):
        near = np.rint(values / by if by > 0 else values * -by)
        near = np.where(np.abs(near) < _MOST, near, 0.0)
        counts = near.astype(np.int64)
        # From the counts and not from ``near``: minus zero is not zero.
        back = counts * by if by > 0 else counts / -by
    same: Bools = back.view(np.int64) == values.view(np.int64)
    return counts, same


def _step_of(values: Floats, known: float | None) -> float | None:
    """The largest step that values and the one known have in common; ``None``: there is none."""
    tried = values if known is None else np.append(values, known if known > 0 else -1.0 / known)
    found = find_scale(tried)
    if found is None:
        return None
    return next(
        (by for by in _as_one(found[1]) if bool(_in_steps(values, by)[1].all())),
        None,
    )


def _as_one(scale: Scale) -> list[float]:
    """A scale as one number: what a count is multiplied by, or, below zero, divided by."""
    if scale.divisor == 1.0:
        return [scale.factor]
    if scale.factor == 1.0:
        return [-scale.divisor]
    return [scale.factor / scale.divisor, -scale.divisor / scale.factor]


def _set_step(
    con: duckdb.DuckDBPyConnection, pot: int, column: str, by: float, known: bool
) -> None:
    if known:
        con.execute(
            'UPDATE step SET "by" = $by WHERE pot_id = $pot AND "column" = $column',
            {"by": by, "pot": pot, "column": column},
        )
    else:
        con.execute("INSERT INTO step VALUES (?, ?, ?)", [pot, column, by])
