"""A slice of a card file into the tables. The caller owns the transaction.

Rows that nothing in the store or in the slice competes with go in with one statement; only the
rest is compared value by value, by :func:`ingest.store.insert.insert_readings`. Both ways keep to
its rule: the first value of an instant stays.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.channels import CHANNELS
from ingest.errors import ImportRefused
from ingest.sources.card_columns import Column, likely_channel
from ingest.sources.card_form import Form
from ingest.sources.files import Slice
from ingest.store.archive_reading import (
    TABLES,
    WITHOUT_MESSAGES,
    archived,
    bring_back,
    stored_rows,
)
from ingest.store.sample_rows import add_samples
from ingest.wire.reasons import VALUE_CONFLICT

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_PIECE = 300_000
# What rows of quarantine are marked with. Not the content type of a message: read again as one, a
# pack from a card would be placed by when the card was brought in.
_TYPES = {
    "csv": "text/csv",
    "parquet": "application/vnd.apache.parquet",
    "senml": "card of SenML",
}


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

    def begin_again(self) -> None:
        """Forget all counts, for a transaction that was rolled back."""
        vars(self).update(vars(Outcome(self.path, self.form)))

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


class Seen(NamedTuple):
    """What a slice holds.

    Parameters
    ----------
    good : int
        Rows that could be read.
    from_at, to_at : datetime or None
        First and last instant of those, UTC without a zone.
    ascending : bool
        Each is later than the one before it.
    """

    good: int
    from_at: dt.datetime | None
    to_at: dt.datetime | None
    ascending: bool


def refuse_hopeless(outcome: Outcome) -> None:
    """Refuse a file of which not one row could be read.

    Raises
    ------
    ImportRefused
        So it is.
    """
    if outcome.rows and outcome.refused == outcome.rows:
        raise ImportRefused(
            f"No row of {outcome.path.name} can be taken; {outcome.first_refusal}.",
            "Nothing was saved; mend the file, or look at --utc, --local and --format.",
        )


@contextmanager
def rows_of(con: duckdb.DuckDBPyConnection, piece: Slice) -> Iterator[str]:
    """The rows of a slice as a table expression, for the length of a block."""
    if piece.frame is None:
        yield f"({piece.sql})"
        return
    con.register("card_slice", piece.frame.to_arrow())
    try:
        yield "card_slice"
    finally:
        con.unregister("card_slice")


def look_at(con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome) -> Seen:
    """Count what is in a slice, and add it to the outcome."""
    wide = outcome.form is not None and outcome.form.layout == "wide"
    measures = "".join(
        f", count({_present(n, piece)}), max(c{n})"
        if wide
        else f", count(*) FILTER (series = {n}), max(value) FILTER (series = {n})"
        for n in range(len(piece.columns))
    )
    good, from_at, to_at, ascending, *measured = _one(
        con,
        "SELECT count(*), min(sampled_at), max(sampled_at), "
        f"coalesce(bool_and(sampled_at > before), true){measures} FROM "
        f"(SELECT *, lag(sampled_at) OVER () AS before FROM {rows} AS r WHERE reason IS NULL)",
    )
    outcome.rows += piece.rows
    if good:
        first, last = from_at.replace(tzinfo=dt.UTC), to_at.replace(tzinfo=dt.UTC)
        outcome.from_at = min(outcome.from_at or first, first)
        outcome.to_at = max(outcome.to_at or last, last)
    for number, column in enumerate(piece.columns):
        count, largest = measured[2 * number], measured[2 * number + 1]
        outcome.counts[column] = outcome.counts.get(column, 0) + count
        if largest is not None:
            outcome.largest[column] = max(largest, outcome.largest.get(column, largest))
    if good < piece.rows:
        for reason, count, line in con.execute(
            f"SELECT reason, count(*), min(line) FROM {rows} AS r WHERE reason IS NOT NULL "
            "GROUP BY reason ORDER BY min(line)"
        ).fetchall():
            outcome.first_refusal = outcome.first_refusal or f"line {line}: {reason}"
            outcome.reasons[reason] = outcome.reasons.get(reason, 0) + count
            outcome.refused += count
    if outcome.rate_hz is None and good > 1:
        of_one = "" if wide else "WHERE series = (SELECT mode(series) FROM head)"
        (interval_us,) = _one(
            con,
            f"WITH head AS (SELECT * FROM {rows} AS r WHERE reason IS NULL LIMIT 10000) "
            "SELECT median(step) FROM (SELECT epoch_us(sampled_at) - lag(epoch_us(sampled_at)) "
            f"OVER (ORDER BY sampled_at) AS step FROM head {of_one}) WHERE step > 0",
        )
        outcome.rate_hz = 1e6 / float(interval_us) if interval_us else None
    return Seen(good, from_at, to_at, ascending)


def count_stored(
    con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str
) -> None:
    """Add to the outcome how much of a slice the store holds. Reads only."""
    assert outcome.form is not None
    first, last = _one(con, f"SELECT min(sampled_at), max(sampled_at) FROM {rows} AS r")
    of_pot = _pot_ids(con, pot)
    samples, readings = (
        stored_rows(con, table, of_pot, first, last, messages=False) for table in TABLES
    )
    for number, column in enumerate(piece.columns):
        if outcome.form.layout == "wide":
            value, text, here = f"c{number}", _text(number, piece), "true"
        else:
            value, text, here = "value", "text", f"series = {number}"
        if column.table_column:
            stored = f"CAST({column.table_column} AS DOUBLE)"
            held = (
                f"SELECT sampled_at, {stored} AS held, CAST(NULL AS VARCHAR) AS held_text "
                f"FROM {samples} JOIN pot USING (pot_id) "
                f"WHERE pot = $pot AND {column.table_column} IS NOT NULL"
            )
        else:
            held = (
                f"SELECT sampled_at, value AS held, text AS held_text FROM {readings} "
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


class SliceWriter:
    """Puts one slice into the tables.

    Parameters
    ----------
    con : DuckDBPyConnection
        Inside a transaction.
    rows : str
        The slice's rows as a table expression.
    piece : Slice
        The slice.
    outcome : Outcome
        Its counts are added to.
    pot : str
        The pot the card is of.
    import_id : int
        Row of ``import_file``.
    now : datetime
        When it is brought in, aware.
    """

    def __init__(
        self, con: duckdb.DuckDBPyConnection, rows: str, piece: Slice, outcome: Outcome, pot: str,
        import_id: int, now: dt.datetime,
    ) -> None:  # fmt: skip
        assert outcome.form is not None
        self._con, self._rows, self._piece, self._outcome = con, rows, piece, outcome
        self._form, self._pot, self._now = outcome.form, pot, now
        self._from_file = {"now": now.replace(tzinfo=None), "message": -import_id}

    def write(self, seen: Seen) -> None:
        """Quarantine what could not be read, and insert the rest."""
        from ingest.store.insert import places_of as places
        from ingest.store.insert import series_of

        if self._outcome.refused:
            self._quarantine_refused()
        if not seen.good or seen.from_at is None or seen.to_at is None:
            return
        columns = self._piece.columns
        series = [series_of(self._pot, column.channel, column.unit) for column in columns]
        placed = places(self._con, series, int(self._now.timestamp() * 1_000_000))
        pot_id = placed[0].pot_id
        before = self._outcome.readings
        if self._form.layout == "wide":
            fast = [n for n, column in enumerate(columns) if column.table_column]
            if fast and seen.ascending and not self._holds("sample", seen, pot_id):
                self._append_samples(f"{self._rows} AS card", fast, pot_id, "reason IS NULL")
            elif fast:
                self._merge_samples(fast, pot_id, seen)
        for number, column in enumerate(columns):
            is_long = self._form.layout == "long"
            if column.table_column and not is_long:
                continue
            value, text = (
                ("value", "text") if is_long else (f"c{number}", _text(number, self._piece))
            )
            present = "reason IS NULL AND " + (
                f"series = {number}" if is_long else f"({value} IS NOT NULL OR {text} IS NOT NULL)"
            )
            channel_id = placed[number].channel_id
            if (
                not column.table_column
                and not self._holds("reading", seen, pot_id, channel_id)
                and self._each_once(present)
            ):
                ((added,),) = self._con.execute(
                    f"INSERT INTO reading SELECT $pot, $channel, sampled_at, $now, "
                    f"{value}, {text}, $message FROM {self._rows} AS card WHERE {present} "
                    "ORDER BY sampled_at",
                    {**self._from_file, "pot": pot_id, "channel": channel_id},
                ).fetchall()
                self._outcome.readings += int(added)
            else:
                self._compare(
                    f"SELECT line, sampled_at, {value} AS value, {text} AS text "
                    f"FROM {self._rows} AS card WHERE {present} ORDER BY line",
                    column,
                )
        if self._outcome.readings > before:
            self._con.execute(
                "INSERT INTO touched VALUES (nextval('touched_number'), ?, ?, ?)",
                [pot_id, seen.from_at, seen.to_at],
            )

    def _each_once(self, present: str) -> bool:
        rows, instants = _one(
            self._con,
            f"SELECT count(*), count(DISTINCT sampled_at) FROM {self._rows} AS card "
            f"WHERE {present}",
        )
        return bool(rows == instants)

    def _holds(self, table: str, seen: Seen, pot_id: int, channel_id: int | None = None) -> bool:
        and_channel = "" if channel_id is None else f" AND channel_id = {channel_id}"
        found = self._con.execute(
            f"SELECT 1 FROM {WITHOUT_MESSAGES[table]} WHERE pot_id = ? "
            f"AND sampled_at BETWEEN ? AND ?{and_channel} LIMIT 1",
            [pot_id, seen.from_at, seen.to_at],
        ).fetchall()
        return bool(found or archived(self._con, table, {pot_id}, seen.from_at, seen.to_at))

    def _append_samples(self, rows: str, fast: list[int], pot_id: int, condition: str) -> None:
        """Insert rows whose instants are new."""
        names, values, bits = [], [], []
        for number in fast:
            column = self._piece.columns[number]
            name, value = column.table_column, f"c{number}"
            assert name is not None
            names.append(name)
            values.append(
                f"{value} <> 0" if name == "deadman" else
                f"CAST({value} AS BIGINT)" if name == "seq" else
                # Minus nought is nought.
                f"{value} + 0.0"
            )  # fmt: skip
            channel = CHANNELS[column.channel]
            if channel.bad_bit and name == channel.column:
                bits.append(
                    f"CASE WHEN {value} < {channel.low} OR {value} > {channel.high} "
                    f"THEN {int(channel.bad_bit)} ELSE 0 END"
                )
        some = " OR ".join(f"c{number} IS NOT NULL" for number in fast)
        what = ", ".join(f"{value} AS {name}" for name, value in zip(names, values, strict=True))
        add_samples(
            self._con,
            self._con.sql(
                f"SELECT $pot::SMALLINT AS pot_id, sampled_at, $now::TIMESTAMP AS arrived_at, "
                f"{what}, {' + '.join(bits) or '0'} AS quality, $message::BIGINT AS message_id "
                f"FROM {rows} WHERE ({condition}) AND ({some})",
                params={**self._from_file, "pot": pot_id},
            ).pl(),
        )
        counts = ", ".join(f"count(c{number})" for number in fast)
        self._outcome.readings += sum(
            _one(self._con, f"SELECT {counts} FROM {rows} WHERE {condition}")
        )

    def _merge_samples(self, fast: list[int], pot_id: int, seen: Seen) -> None:
        """Insert rows that share instants with the store, or have some of their own twice."""
        names = {number: self._piece.columns[number].table_column for number in fast}
        same = " AND ".join(
            f"(c{n} IS NULL OR held.{name} = {f'(c{n} <> 0)' if name == 'deadman' else f'c{n}'})"
            for n, name in names.items()
        )
        counted = " + ".join(f"(c{n} IS NOT NULL)::INTEGER" for n in fast)
        stored = stored_rows(self._con, "sample", pot_id, seen.from_at, seen.to_at, messages=False)
        self._con.execute(
            f"CREATE OR REPLACE TEMP TABLE card_row AS SELECT card.*, {counted} AS readings, "
            "count(*) OVER (PARTITION BY card.sampled_at) > 1 AS double, "
            "held.sampled_at IS NOT NULL AS held, "
            f"coalesce(held.sampled_at IS NOT NULL AND {same}, false) AS same "
            f"FROM (SELECT * FROM {self._rows} AS r WHERE reason IS NULL) AS card "
            f"LEFT JOIN (SELECT * FROM {stored} WHERE pot_id = $pot AND sampled_at BETWEEN $first "
            "AND $last) AS held USING (sampled_at) ORDER BY card.sampled_at, card.line",
            {"pot": pot_id, "first": seen.from_at, "last": seen.to_at},
        )
        try:
            (repeated,) = _one(self._con, "SELECT sum(readings) FROM card_row WHERE same")
            self._outcome.repeated += int(repeated or 0)
            if stored != WITHOUT_MESSAGES["sample"]:
                # A day lies in one place only: what is new on an archived one brings it back.
                new_days = self._con.execute(
                    "SELECT DISTINCT CAST(sampled_at AS DATE) FROM card_row "
                    "WHERE NOT held AND NOT double"
                ).fetchall()
                bring_back(self._con, "sample", {(pot_id, day) for (day,) in new_days})
            self._append_samples("card_row", fast, pot_id, "NOT held AND NOT double")
            for number in fast:
                self._compare(
                    f"SELECT line, sampled_at, c{number} AS value, CAST(NULL AS VARCHAR) AS text "
                    f"FROM card_row WHERE NOT same AND (held OR double) AND c{number} IS NOT NULL "
                    "ORDER BY line",
                    self._piece.columns[number],
                )
        finally:
            self._con.execute("DROP TABLE card_row")

    def _compare(self, query: str, column: Column) -> None:
        """Insert readings of one column that may be in the store already."""
        import polars as pl

        from ingest.store.insert import Status, insert_readings

        frame: pl.DataFrame = self._con.sql(query).pl()
        for piece in frame.iter_slices(_PIECE):
            if piece.is_empty():
                continue
            status = insert_readings(
                self._con,
                piece.select(
                    pl.lit(self._pot).alias("pot"),
                    pl.lit(column.channel).alias("channel"),
                    pl.lit(column.unit).alias("unit"),
                    "sampled_at",
                    pl.lit(self._from_file["now"]).cast(pl.Datetime("us")).alias("arrived_at"),
                    "value",
                    pl.lit(self._from_file["message"], pl.Int64).alias("message_id"),
                    "text",
                ),
            )
            self._outcome.readings += int((status == Status.NEW).sum())
            self._outcome.repeated += int((status == Status.REPEATED).sum())
            conflicts = piece.filter(status == Status.CONFLICT)
            if conflicts.height:
                self._quarantine_conflicts(conflicts, column)

    def _quarantine_refused(self) -> None:
        self._con.execute(
            "INSERT INTO quarantine SELECT nextval('quarantine_number'), $source, $topic, $type, "
            "$now, reason, 'line ' || line, encode(coalesce(raw, '')), $message, NULL "
            f"FROM {self._rows} AS r WHERE reason IS NOT NULL ORDER BY line",
            self._quarantined(),
        )

    def _quarantine_conflicts(self, conflicts: pl.DataFrame, column: Column) -> None:
        """One row for all of them: a card that rounds otherwise has one at every instant."""
        self._outcome.conflicts += conflicts.height
        self._con.execute(
            "INSERT INTO quarantine VALUES (nextval('quarantine_number'), $source, $topic, "
            "'text/csv', $now, $reason, $detail, $payload, $message, NULL)",
            {
                **{k: v for k, v in self._quarantined().items() if k != "type"},
                "reason": VALUE_CONFLICT,
                "detail": f"{conflicts.height} of {column.name}, first on line "
                f"{conflicts['line'][0]}",
                "payload": conflicts.select("line", "sampled_at", "value", "text")
                .write_csv()
                .encode(),
            },
        )

    def _quarantined(self) -> dict[str, Any]:
        return {
            **self._from_file,
            "source": f"card:{self._outcome.path.name}",
            "topic": self._pot,
            "type": _TYPES[self._form.kind],
        }


def _pot_ids(con: duckdb.DuckDBPyConnection, pot: str) -> set[int]:
    rows = con.execute("SELECT pot_id FROM pot WHERE pot = ?", [pot]).fetchall()
    return {number for (number,) in rows}


def _present(number: int, piece: Slice) -> str:
    """What is not null where a wide row has a reading in a column, number or text."""
    text = _text(number, piece)
    return f"c{number}" if text == _NO_TEXT else f"coalesce(CAST(c{number} AS VARCHAR), {text})"


_NO_TEXT = "CAST(NULL AS VARCHAR)"


def _text(number: int, piece: Slice) -> str:
    has_text = piece.frame is not None and f"t{number}" in piece.frame.columns
    return f"t{number}" if has_text else _NO_TEXT


def _one(
    con: duckdb.DuckDBPyConnection, sql: str, values: dict[str, Any] | None = None
) -> tuple[Any, ...]:
    """The one row of a query. DuckDB minds a result that was not read to its end."""
    (row,) = con.execute(sql, values or {}).fetchall()
    return row
