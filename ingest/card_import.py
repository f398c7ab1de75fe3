"""Card files into the store: whole or not at all, and never twice.

A file is taken slice by slice, each in a short write window. Until the last one its row of
``import_file`` is marked as begun; an import that was cut off is taken up again under the same
number. What is in the store already changes nothing, whichever way it came.

Rows that nothing in the store or in the slice competes with go in with one statement; only the
rest is compared value by value (:func:`ingest.store.insert.insert_readings`).
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ingest.channels import CHANNELS
from ingest.config import Yard
from ingest.errors import ImportRefused
from ingest.sources.card_columns import Column, likely_channel
from ingest.sources.files import Form, Options, Slice, card_files, inspect, slices
from ingest.store.connection import DEFAULT_WAIT_S, read_window, store_path, write_window
from ingest.yard_faults import suggestion

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_PIECE = 300_000
_BEGUN = "begun:"

#: How far ahead of this computer's clock a card's time may be. [s]
_AHEAD_S = 86_400

_CONFLICT = "another value for this instant is in the store"

Progress = Callable[[Path, float], None]


@dataclass
class Outcome:
    """What became of a card file, or would.

    Parameters
    ----------
    path : Path
        The file.
    form : Form or None
        What it turned out to be; ``None`` where it had been brought in before.
    rows : int
        Rows read.
    readings : int
        Readings that are new.
    repeated : int
        Readings that were in the store already.
    conflicts : int
        Readings of an instant for which the store holds another value: quarantined.
    refused : int
        Rows that could not be read: quarantined.
    reasons : dict
        How many rows were refused for which reason.
    first_refusal : str
        Line and reason of the first of them.
    counts : dict
        Readings in the file, by column or series.
    largest : dict
        Largest value in the file, by column or series, in its kept unit.
    from_at, to_at : datetime or None
        First and last instant of good rows, UTC.
    rate_hz : float or None
        Typical number of instants a second. [1/s]
    brought_in_at : datetime or None
        When this very file was brought in before, UTC.
    """

    path: Path
    form: Form | None = None
    rows: int = 0
    readings: int = 0
    repeated: int = 0
    conflicts: int = 0
    refused: int = 0
    reasons: dict[str, int] = field(default_factory=dict)
    first_refusal: str = ""
    counts: dict[Column, int] = field(default_factory=dict)
    largest: dict[Column, float] = field(default_factory=dict)
    from_at: dt.datetime | None = None
    to_at: dt.datetime | None = None
    rate_hz: float | None = None
    brought_in_at: dt.datetime | None = None

    def warnings(self) -> list[str]:
        """What a person should look at, in sentences."""
        said = []
        for column in self.counts:
            if not column.known:
                close = likely_channel(column)
                meant = f"; did you mean {close}?" if close else ""
                said.append(f'"{column.name}" is no channel Gritbook knows; it is kept{meant}')
        for column, largest in self.largest.items():
            if column.unit == "Pa" and column.known and 0.0 < largest < 5_000.0:
                said.append(
                    f"the largest value of {column.channel} is {largest:.0f} Pa; "
                    "look whether its unit is right"
                )
        if self.form is not None and self.form.ignored:
            said.append(f"not read: {', '.join(self.form.ignored)}")
        return said


def bring_in(
    data: Path,
    yard: Yard,
    given: Sequence[Path],
    pot: str,
    *,
    kind: str = "auto",
    naive_utc: bool | None = None,
    atmosphere_pa: float | None = None,
    dry_run: bool = False,
    progress: Progress | None = None,
    wait_s: float = DEFAULT_WAIT_S,
) -> list[Outcome]:
    """Bring card files of one pot into the store.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file, for its zone and pots.
    given : sequence of Path
        Files, and folders whose CSV and Parquet files are all taken.
    pot : str
        The pot they are of.
    kind : str
        ``csv``, ``parquet`` or ``auto``.
    naive_utc : bool or None
        Whether times without a zone are UTC; ``None``: in Parquet yes, in CSV no.
    atmosphere_pa : float or None
        What to take off absolute pressures. [Pa]
    dry_run : bool
        Write nothing; only say what would be done.
    progress : callable, optional
        Called with a file and the fraction of it that is done.
    wait_s : float
        How long to wait for the store, each time. [s]

    Returns
    -------
    list of Outcome
        One a file, in order.

    Raises
    ------
    ImportRefused
        There is no such pot, or a file cannot be taken as a whole. Files before it stay in.
    StoreBusy, StoreError
        As of the store's windows.
    """
    if pot not in yard.pot_names:
        raise ImportRefused(
            f'There is no pot "{pot}"{suggestion(pot, yard.pot_names)}.',
            "Pots are named in the yard file.",
        )
    now = dt.datetime.now(dt.UTC)
    options = Options(
        yard.site.zone, naive_utc, atmosphere_pa,
        int((now.timestamp() + _AHEAD_S) * 1_000_000),
    )  # fmt: skip
    outcomes = []
    for path in card_files(given):
        outcome = Outcome(path)
        tell = partial(progress, path) if progress else _tell_nobody
        if dry_run:
            _look(data, pot, outcome, kind, options, tell, wait_s)
        else:
            _take(data, pot, outcome, kind, options, tell, wait_s, now)
        outcomes.append(outcome)
    return outcomes


def _one(
    con: duckdb.DuckDBPyConnection, sql: str, values: dict[str, Any] | None = None
) -> tuple[Any, ...]:
    """The one row of a query. DuckDB minds a result that was not read to its end."""
    (row,) = con.execute(sql, values or {}).fetchall()
    return row


def _tell_nobody(done: float) -> None:
    """Progress nobody asked for."""


def _sha256(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ImportRefused(
            f"The file {path} cannot be read: {error.strerror}.", "Check its permissions."
        ) from error


# --- for real --------------------------------------------------------------------------------


def _take(
    data: Path, pot: str, outcome: Outcome, kind: str, options: Options,
    tell: Callable[[float], None], wait_s: float, now: dt.datetime,
) -> None:  # fmt: skip
    digest = _sha256(outcome.path)
    import_id = 0
    if store_path(data).exists():
        with write_window(data, wait_s) as con:
            outcome.brought_in_at = _brought_in_at(con, digest, pot)
    if outcome.brought_in_at is not None:
        return
    outcome.form = inspect(outcome.path, options, kind)
    for piece, is_last in _with_last(slices(outcome.form, options)):
        with write_window(data, wait_s) as con:
            if not import_id:
                import_id = _begin(con, digest, outcome.path.name, pot, now)
            with _rows_of(con, piece) as rows:
                _look_at(con, rows, piece, outcome)
                _refuse_hopeless(outcome)
                _quarantine_refused(con, rows, piece, outcome, pot, import_id, now)
                if outcome.form.layout == "wide":
                    _insert_wide(con, rows, piece, outcome, pot, import_id, now)
                else:
                    _insert_long(con, rows, piece, outcome, pot, import_id, now)
            if is_last:
                _finish(con, digest, outcome, pot, import_id, now)
        tell(piece.done)


def _with_last(pieces: Iterator[Slice]) -> Iterator[tuple[Slice, bool]]:
    before: Slice | None = None
    for piece in pieces:
        if before is not None:
            yield before, False
        before = piece
    if before is not None:
        yield before, True


def _brought_in_at(con: duckdb.DuckDBPyConnection, digest: str, pot: str) -> dt.datetime | None:
    found = con.execute(
        "SELECT imported_at FROM import_file WHERE sha256 = ? AND pot = ?", [digest, pot]
    ).fetchall()
    return found[0][0].replace(tzinfo=dt.UTC) if found else None


def _begin(
    con: duckdb.DuckDBPyConnection, digest: str, name: str, pot: str, now: dt.datetime
) -> int:
    found = con.execute(
        "SELECT import_id FROM import_file WHERE sha256 = ? AND pot = ?", [_BEGUN + digest, pot]
    ).fetchall()
    if found:
        # It was cut off half way. Its readings will be found repeated; its refusals come anew.
        con.execute("DELETE FROM quarantine WHERE message_id = ?", [-found[0][0]])
        return int(found[0][0])
    ((number,),) = con.execute("SELECT coalesce(max(import_id), 0) + 1 FROM import_file").fetchall()
    con.execute(
        "INSERT INTO import_file VALUES (?, ?, ?, ?, ?, 0, 0, 0)",
        [number, name, _BEGUN + digest, pot, now.replace(tzinfo=None)],
    )
    return int(number)


def _finish(
    con: duckdb.DuckDBPyConnection, digest: str, outcome: Outcome, pot: str, import_id: int,
    now: dt.datetime,
) -> None:  # fmt: skip
    refused = outcome.refused + outcome.conflicts
    con.execute(
        "UPDATE import_file SET sha256 = ?, readings = ?, repeated = ?, refused = ? "
        "WHERE import_id = ?",
        [digest, outcome.readings, outcome.repeated, refused, import_id],
    )
    con.execute(
        "INSERT INTO source_count VALUES ('card', ?, 1, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET "
        "messages = messages + 1, readings = readings + excluded.readings, "
        "repeated = repeated + excluded.repeated, "
        "quarantined = quarantined + excluded.quarantined, "
        "last_arrived_at = excluded.last_arrived_at",
        [pot, outcome.readings, outcome.repeated, refused, now.replace(tzinfo=None)],
    )


def _refuse_hopeless(outcome: Outcome) -> None:
    if outcome.rows and outcome.refused == outcome.rows:
        raise ImportRefused(
            f"No row of {outcome.path.name} can be taken; {outcome.first_refusal}.",
            "Nothing was saved; mend the file, or look at --utc, --local and --format.",
        )


@contextmanager
def _rows_of(con: duckdb.DuckDBPyConnection, piece: Slice) -> Iterator[str]:
    """The rows of a slice as a table expression, for the length of a block."""
    if piece.frame is None:
        yield f"({piece.sql})"
        return
    con.register("card_slice", piece.frame.to_arrow())
    try:
        yield "card_slice"
    finally:
        con.unregister("card_slice")


def _look_at(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome
) -> None:  # fmt: skip
    """Count what is in a slice."""
    wide = outcome.form is not None and outcome.form.layout == "wide"
    columns = (
        [(f"c{n}", f"count({_any(n, piece)})") for n in range(len(piece.columns))]
        if wide
        else [
            (f"CASE WHEN series = {n} THEN value END", f"count(*) FILTER (series = {n})")
            for n in range(len(piece.columns))
        ]
    )
    measures = "".join(f", {count}, max({value})" for value, count in columns)
    found = _one(
        con,
        f"SELECT count(*), min(sampled_at), max(sampled_at){measures} FROM {rows} AS r "
        "WHERE reason IS NULL",
    )
    outcome.rows += piece.rows
    if found[1] is not None:
        outcome.from_at = min(filter(None, (outcome.from_at, found[1].replace(tzinfo=dt.UTC))))
        outcome.to_at = max(filter(None, (outcome.to_at, found[2].replace(tzinfo=dt.UTC))))
    for number, column in enumerate(piece.columns):
        count, largest = found[3 + 2 * number], found[4 + 2 * number]
        outcome.counts[column] = outcome.counts.get(column, 0) + count
        if largest is not None:
            outcome.largest[column] = max(largest, outcome.largest.get(column, largest))
    if found[0] < piece.rows:
        for reason, count, line in con.execute(
            f"SELECT reason, count(*), min(line) FROM {rows} AS r WHERE reason IS NOT NULL "
            "GROUP BY reason ORDER BY min(line)"
        ).fetchall():
            outcome.first_refusal = outcome.first_refusal or f"line {line}: {reason}"
            outcome.reasons[reason] = outcome.reasons.get(reason, 0) + count
            outcome.refused += count
    if outcome.rate_hz is None and found[0] > 1:
        key = "" if wide else "WHERE series = (SELECT mode(series) FROM head)"
        (interval_us,) = _one(
            con,
            f"WITH head AS (SELECT * FROM {rows} AS r WHERE reason IS NULL LIMIT 100000) "
            "SELECT median(step) FROM (SELECT epoch_us(sampled_at) - lag(epoch_us(sampled_at)) "
            f"OVER (ORDER BY sampled_at) AS step FROM head {key}) WHERE step > 0",
        )
        if interval_us:
            outcome.rate_hz = 1e6 / float(interval_us)


def _any(number: int, piece: Slice) -> str:
    """What is not null where a wide row has a reading in a column, number or text."""
    if piece.frame is not None and f"t{number}" in piece.frame.columns:
        return f"coalesce(CAST(c{number} AS VARCHAR), t{number})"
    return f"c{number}"


def _quarantine_refused(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str,
    import_id: int, now: dt.datetime,
) -> None:  # fmt: skip
    if not outcome.refused:
        return
    con.execute(
        "INSERT INTO quarantine SELECT nextval('quarantine_number'), $source, $pot, $type, $now, "
        "reason, 'line ' || line, CAST(encode(coalesce(raw, '')) AS BLOB), $message, NULL "
        f"FROM {rows} AS r WHERE reason IS NOT NULL ORDER BY line",
        {**_where_from(outcome, pot, import_id, now)},
    )


def _where_from(outcome: Outcome, pot: str, import_id: int, now: dt.datetime) -> dict[str, Any]:
    kind = outcome.form.kind if outcome.form else "csv"
    return {
        "source": f"card:{outcome.path.name}",
        "pot": pot,
        "type": "text/csv" if kind == "csv" else "application/vnd.apache.parquet",
        "now": now.replace(tzinfo=None),
        "message": -import_id,
    }


# --- wide ------------------------------------------------------------------------------------


def _insert_wide(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str,
    import_id: int, now: dt.datetime,
) -> None:  # fmt: skip
    from ingest.store.insert import _places as places
    from ingest.store.insert import series_of

    series = [series_of(pot, column.channel, column.unit) for column in piece.columns]
    placed = places(con, series, int(now.timestamp() * 1_000_000))
    pot_id = placed[0].pot_id
    fast = [n for n, column in enumerate(piece.columns) if column.table_column]
    tall = [n for n, column in enumerate(piece.columns) if not column.table_column]
    good, distinct, from_at, to_at = _one(
        con,
        "SELECT count(*), count(DISTINCT sampled_at), min(sampled_at), max(sampled_at) "
        f"FROM {rows} AS r WHERE reason IS NULL",
    )
    if not good:
        return
    before = outcome.readings
    from_file = {"pot": pot_id, "now": now.replace(tzinfo=None), "message": -import_id}
    if fast:
        if distinct == good and not _holds(con, "sample", from_at, to_at, pot_id):
            outcome.readings += _append_samples(con, f"{rows} AS card", piece, fast, from_file)
        else:
            _merge_samples(
                con, rows, piece, fast, outcome, pot, import_id, now, from_file, (from_at, to_at)
            )
    for number in tall:
        channel_id = placed[number].channel_id
        value, text = f"c{number}", _text_of(number, piece)
        present = f"reason IS NULL AND ({value} IS NOT NULL OR {text} IS NOT NULL)"
        if distinct == good and not _holds(con, "reading", from_at, to_at, pot_id, channel_id):
            added = con.execute(
                "INSERT INTO reading SELECT $pot, $channel, sampled_at, $now, "
                f"{value}, {text}, $message FROM {rows} AS card WHERE {present} "
                "ORDER BY sampled_at",
                {**from_file, "channel": channel_id},
            ).fetchall()
            outcome.readings += int(added[0][0])
        else:
            frame = con.sql(
                f"SELECT line, sampled_at, {value} AS value, {text} AS text FROM {rows} AS card "
                f"WHERE {present}"
            ).pl()
            _compare(con, frame, piece.columns[number], outcome, pot, import_id, now)
    if outcome.readings > before:
        _touch(con, pot_id, from_at, to_at)


def _text_of(number: int, piece: Slice) -> str:
    has_text = piece.frame is not None and f"t{number}" in piece.frame.columns
    return f"t{number}" if has_text else "CAST(NULL AS VARCHAR)"


def _holds(
    con: duckdb.DuckDBPyConnection, table: str, from_at: dt.datetime, to_at: dt.datetime,
    pot_id: int, channel_id: int | None = None,
) -> bool:  # fmt: skip
    and_channel = "" if channel_id is None else f" AND channel_id = {channel_id}"
    found = con.execute(
        f"SELECT 1 FROM {table} WHERE pot_id = ? AND sampled_at BETWEEN ? AND ?{and_channel} "
        "LIMIT 1",
        [pot_id, from_at, to_at],
    ).fetchall()
    return bool(found)


def _append_samples(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, fast: list[int],
    from_file: dict[str, Any], condition: str = "reason IS NULL",
) -> int:  # fmt: skip
    """Insert rows whose instants are new; returns how many readings that was."""
    names, values, bits = [], [], []
    for number in fast:
        column = piece.columns[number]
        name = column.table_column
        assert name is not None
        value = f"c{number}"
        names.append(name)
        values.append(
            f"{value} <> 0" if name == "deadman" else
            f"CAST({value} AS BIGINT)" if name == "seq" else value
        )  # fmt: skip
        channel = CHANNELS[column.channel]
        if channel.bad_bit and name == channel.column:
            bits.append(
                f"CASE WHEN {value} < {channel.low} OR {value} > {channel.high} "
                f"THEN {int(channel.bad_bit)} ELSE 0 END"
            )
    some = " OR ".join(f"c{number} IS NOT NULL" for number in fast)
    unsorted = con.execute(
        "SELECT 1 FROM (SELECT sampled_at < lag(sampled_at) OVER () AS back "
        f"FROM {rows} WHERE {condition}) WHERE back LIMIT 1"
    ).fetchall()
    con.execute(
        f"INSERT INTO sample (pot_id, sampled_at, arrived_at, {', '.join(names)}, quality, "
        f"message_id) SELECT $pot, sampled_at, $now, {', '.join(values)}, "
        f"{' + '.join(bits) or '0'}, $message FROM {rows} WHERE ({condition}) AND ({some})"
        + (" ORDER BY sampled_at" if unsorted else ""),
        from_file,
    )
    counts = ", ".join(f"count(c{number})" for number in fast)
    return sum(_one(con, f"SELECT {counts} FROM {rows} WHERE {condition}"))


def _merge_samples(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, fast: list[int], outcome: Outcome,
    pot: str, import_id: int, now: dt.datetime, from_file: dict[str, Any],
    span: tuple[dt.datetime, dt.datetime],
) -> None:  # fmt: skip
    """Insert a slice that shares instants with the store, or has some of its own twice."""
    columns = {number: piece.columns[number].table_column for number in fast}
    same = " AND ".join(
        f"(c{n} IS NULL OR held.{name} = {f'(c{n} <> 0)' if name == 'deadman' else f'c{n}'})"
        for n, name in columns.items()
    )
    counted = " + ".join(f"(c{n} IS NOT NULL)::INTEGER" for n in fast)
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE card_row AS SELECT card.*, {counted} AS readings, "
        "count(*) OVER (PARTITION BY card.sampled_at) > 1 AS double, "
        "held.sampled_at IS NOT NULL AS held, "
        f"coalesce(held.sampled_at IS NOT NULL AND {same}, false) AS same "
        f"FROM (SELECT * FROM {rows} AS r WHERE reason IS NULL) AS card "
        "LEFT JOIN (SELECT * FROM sample WHERE pot_id = $pot AND sampled_at BETWEEN $first "
        "AND $last) AS held USING (sampled_at) ORDER BY card.line",
        {"pot": from_file["pot"], "first": span[0], "last": span[1]},
    )
    try:
        (repeated,) = _one(con, "SELECT sum(readings) FROM card_row WHERE same")
        outcome.repeated += int(repeated or 0)
        outcome.readings += _append_samples(
            con, "card_row", piece, fast, from_file, "NOT held AND NOT double"
        )
        for number in fast:
            frame = con.sql(
                f"SELECT line, sampled_at, c{number} AS value, CAST(NULL AS VARCHAR) AS text "
                f"FROM card_row WHERE NOT same AND (held OR double) AND c{number} IS NOT NULL "
                "ORDER BY line"
            ).pl()
            _compare(con, frame, piece.columns[number], outcome, pot, import_id, now)
    finally:
        con.execute("DROP TABLE card_row")


# --- long, and whatever must be compared -------------------------------------------------------


def _insert_long(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str,
    import_id: int, now: dt.datetime,
) -> None:  # fmt: skip
    for number, column in enumerate(piece.columns):
        frame = con.sql(
            f"SELECT line, sampled_at, value, text FROM {rows} AS r "
            f"WHERE reason IS NULL AND series = {number} ORDER BY line"
        ).pl()
        _compare(con, frame, column, outcome, pot, import_id, now)


def _compare(
    con: duckdb.DuckDBPyConnection, frame: pl.DataFrame, column: Column, outcome: Outcome,
    pot: str, import_id: int, now: dt.datetime,
) -> None:  # fmt: skip
    """Insert readings of one column that may be in the store already."""
    import polars as pl

    from ingest.store.insert import Status, insert_readings

    for piece in frame.iter_slices(_PIECE):
        if piece.is_empty():
            continue
        status = insert_readings(
            con,
            piece.select(
                pl.lit(pot).alias("pot"),
                pl.lit(column.channel).alias("channel"),
                pl.lit(column.unit).alias("unit"),
                "sampled_at",
                pl.lit(now.replace(tzinfo=None)).cast(pl.Datetime("us")).alias("arrived_at"),
                "value",
                pl.lit(-import_id, pl.Int64).alias("message_id"),
                "text",
            ),
        )
        outcome.readings += int((status == Status.NEW).sum())
        outcome.repeated += int((status == Status.REPEATED).sum())
        conflicts = piece.filter(status == Status.CONFLICT)
        if conflicts.is_empty():
            continue
        outcome.conflicts += conflicts.height
        # One row for all of them: a card that rounds differently has one at every instant.
        payload = conflicts.select("line", "sampled_at", "value", "text").write_csv().encode()
        con.execute(
            "INSERT INTO quarantine VALUES (nextval('quarantine_number'), $source, $pot, $type, "
            "$now, $reason, $detail, $payload, $message, NULL)",
            {
                **_where_from(outcome, pot, import_id, now),
                "type": "text/csv",
                "reason": _CONFLICT,
                "detail": f"{conflicts.height} of {column.name}, first on line "
                f"{conflicts['line'][0]}",
                "payload": payload,
            },
        )


def _touch(
    con: duckdb.DuckDBPyConnection, pot_id: int, from_at: dt.datetime, to_at: dt.datetime
) -> None:
    con.execute(
        "INSERT INTO touched VALUES (nextval('touched_number'), ?, ?, ?)", [pot_id, from_at, to_at]
    )


# --- dry run ---------------------------------------------------------------------------------


def _look(
    data: Path, pot: str, outcome: Outcome, kind: str, options: Options,
    tell: Callable[[float], None], wait_s: float,
) -> None:  # fmt: skip
    """Find out what bringing a file in would do. Writes nothing."""
    import duckdb

    there = store_path(data).exists()
    if there:
        with read_window(data, wait_s) as con:
            outcome.brought_in_at = _brought_in_at(con, _sha256(outcome.path), pot)
    outcome.form = inspect(outcome.path, options, kind)
    for piece in slices(outcome.form, options):
        if there:
            with read_window(data, wait_s) as con, _rows_of(con, piece) as rows:
                _look_at(con, rows, piece, outcome)
                _count_stored(con, rows, piece, outcome, pot)
        else:
            with duckdb.connect() as con, _rows_of(con, piece) as rows:
                _look_at(con, rows, piece, outcome)
        tell(piece.done)
    _refuse_hopeless(outcome)
    outcome.readings = sum(outcome.counts.values()) - outcome.repeated - outcome.conflicts


def _count_stored(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str
) -> None:
    assert outcome.form is not None
    for number, column in enumerate(piece.columns):
        if outcome.form.layout == "wide":
            value, text, here = f"c{number}", _text_of(number, piece), "true"
        else:
            value, text, here = "value", "text", f"series = {number}"
        if column.table_column:
            stored = f"CAST({column.table_column} AS DOUBLE)"
            held = (
                f"SELECT sampled_at, {stored} AS held, CAST(NULL AS VARCHAR) AS held_text "
                "FROM sample JOIN pot USING (pot_id) "
                f"WHERE pot = $pot AND {column.table_column} IS NOT NULL"
            )
        else:
            held = (
                "SELECT sampled_at, value AS held, text AS held_text FROM reading "
                "JOIN channel USING (channel_id) JOIN pot ON pot.pot_id = channel.pot_id "
                "WHERE pot = $pot AND channel = $channel AND unit = $unit"
            )
        names = {} if column.table_column else {"channel": column.channel, "unit": column.unit}
        same, other = _one(
            con,
            "SELECT count(*) FILTER (same), count(*) FILTER (NOT same) FROM (SELECT "
            f"coalesce(CAST({value} AS VARCHAR), {text}) IS NOT DISTINCT FROM "
            "coalesce(CAST(held AS VARCHAR), held_text) AS same "
            f"FROM {rows} AS card JOIN ({held}) USING (sampled_at) "
            f"WHERE reason IS NULL AND {here} AND ({value} IS NOT NULL OR {text} IS NOT NULL))",
            {"pot": pot, **names},
        )
        outcome.repeated += same
        outcome.conflicts += other
