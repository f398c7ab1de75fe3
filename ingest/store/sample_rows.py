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
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ingest.store import schema
from ingest.store.archive_scale import Scale, find_scale

if TYPE_CHECKING:
    import duckdb
    import polars as pl

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


def value_sql(column: str) -> str:
    """The value of a transducer's column in SQL, from what is kept of it."""
    n, by = f"{column}_n", f"{column}_by"
    return f"CASE WHEN {n} IS NULL THEN {by} WHEN {by} > 0 THEN {n} * {by} ELSE {n} / -{by} END"


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
    import polars as pl

    if rows.is_empty():
        return 0
    message = rows.select(pl.struct("message_id", "arrived_at").rle_id().alias("at"))["at"]
    firsts = rows.filter(message.diff().fill_null(1) != 0).select("message_id", "arrived_at")
    numbers = con.execute(
        "SELECT nextval('message_number') FROM range($count)", {"count": firsts.height}
    ).fetchnumpy()
    (numbers_of,) = numbers.values()
    _append(con, "message", firsts.with_columns(pl.Series("message_no", np.asarray(numbers_of))))
    _append(
        con,
        "sample_kept",
        _kept(con, rows).with_columns(
            pl.Series("message_no", np.asarray(numbers_of)[message.to_numpy()])
        ),
    )
    return rows.height


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
    if rows.is_empty():
        return
    late = _kept(con, rows)
    sets = [
        "seq_last = CASE WHEN held.seq_here OR NOT late.seq_here THEN held.seq_last "
        "ELSE late.seq_last END",
        "seq_here = held.seq_here OR late.seq_here",
        "quality = held.quality | late.quality",
    ]
    if "deadman" in late.columns:
        sets.append("deadman = coalesce(held.deadman, late.deadman)")
    for column in COUNTED:
        if f"{column}_by" not in late.columns:
            continue
        # A double without a count has its value in "by": there is one where either is.
        none = f"held.{column}_n IS NULL AND held.{column}_by IS NULL"
        sets += [
            f"{column}_{part} = CASE WHEN {none} THEN late.{column}_{part} "
            f"ELSE held.{column}_{part} END"
            for part in ("n", "by")
        ]
    con.register("late_row", late.to_arrow())
    try:
        con.execute(
            f"UPDATE sample_kept AS held SET {', '.join(sets)} FROM late_row AS late "
            "WHERE held.pot_id = late.pot_id AND held.sampled_at = late.sampled_at "
            "AND held.sampled_at BETWEEN $begin AND $end",
            {"begin": late["sampled_at"].min(), "end": late["sampled_at"].max()},
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


def _append(con: duckdb.DuckDBPyConnection, table: str, frame: pl.DataFrame) -> None:
    con.register("new_row", frame.to_arrow())
    try:
        con.execute(f"INSERT INTO {table} BY NAME FROM new_row")
    finally:
        con.unregister("new_row")


def _kept(con: duckdb.DuckDBPyConnection, rows: pl.DataFrame) -> pl.DataFrame:
    """Rows as ``sample_kept`` has them, but for the number of their message."""
    import polars as pl

    pot_id = rows["pot_id"].cast(pl.Int64).to_numpy()
    pots = [(int(pot), pot_id == pot) for pot in np.unique(pot_id)]
    seq = (
        rows["seq"].cast(pl.Int64)
        if "seq" in rows.columns
        else pl.Series("seq", [None], pl.Int64).extend_constant(None, rows.height - 1)
    )
    kept = [
        rows["pot_id"].cast(pl.Int16),
        rows["sampled_at"],
        seq.forward_fill().backward_fill().fill_null(0).alias("seq_last"),
        seq.is_not_null().alias("seq_here"),
        rows["quality"].cast(pl.Int32),
    ]
    if "deadman" in rows.columns:
        deadman = rows["deadman"]
        kept.append(deadman if deadman.dtype == pl.Boolean else (deadman != 0).alias("deadman"))
    steps = {
        (pot, column): by
        for pot, column, by in con.execute('SELECT pot_id, "column", "by" FROM step').fetchall()
    }
    counted, given = {}, [c for c in COUNTED if c in rows.columns]
    for column in given:
        if rows[column].null_count() == rows.height:
            continue
        values = rows[column].cast(pl.Float64).fill_null(np.nan).to_numpy()
        counted[f"{column}_n"], counted[f"{column}_by"] = _count(con, values, pots, column, steps)
    # Not a number: there is none. All at once, for each query of Polars costs as much as the rows.
    return pl.DataFrame(kept + [pl.Series(name, array) for name, array in counted.items()]).select(
        *(series.name for series in kept),
        *(
            pl.col(name).fill_nan(None).cast(pl.Int32)
            if name.endswith("_n") and name.removesuffix("_n") not in _LEAPING
            else pl.col(name).fill_nan(None)
            for name in counted
        ),
    )


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
