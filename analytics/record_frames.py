"""What people entered, as frames: records of a kind as they stand now; shifts, areas, abrasive."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl

from analytics.frames import LATEST, read_frame, read_rows

if TYPE_CHECKING:
    import duckdb

#: Columns of a record's row that frames ask for beside the keys of its body.
_ROW_COLUMNS = ("record_id", "recorded_at", "recorded_by", "via", "reason")


class Only(NamedTuple):
    """Records that tell of something from an instant on.

    Parameters
    ----------
    from_at : datetime
        Naive UTC. Fractions of a second are left out: a record that tells of something less than a
        second before may be among them.
    key : str
        The key of the record that says when: ``at``, ``to_at``.
    shifts : tuple of str
        Those, too, that name one of these shifts.
    entered_too : bool
        Those, too, that were entered from the instant on.
    """

    from_at: dt.datetime
    key: str = "at"
    shifts: tuple[str, ...] = ()
    entered_too: bool = False

    def condition(self) -> str:
        """In SQL, for ``record AS r``."""
        # Texts of instants have one form, so they stand in the order of time.
        return (
            f"AND (json_extract_string(r.body, '$.{self.key}') >= $since "
            "OR list_contains($named::VARCHAR[], json_extract_string(r.body, '$.shift')) "
            "OR recorded_at >= $entered)"
        )

    def values(self) -> dict[str, object]:
        """The parameters of :meth:`condition`."""
        entered = self.from_at if self.entered_too else LATEST
        return {"since": self.text(), "named": list(self.shifts), "entered": entered}

    def text(self) -> str:
        """The instant as records have it."""
        return f"{self.from_at:%Y-%m-%dT%H:%M:%S}"


class Standing:
    """Records of some kinds as they stand now, read at once: to ask for each kind by itself takes
    as long each time.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window.
    kinds : sequence of str
        Those that may be asked for.
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, kinds: Sequence[str]) -> None:
        self._kinds = frozenset(kinds)
        rows = _rows(con, "list_contains($kinds, kind)", None, kinds=list(kinds))
        self._none = rows.clear()
        self._of = {str(mine["kind"][0]): mine for mine in rows.partition_by("kind")}

    def of(self, kind: str) -> pl.DataFrame:
        """The rows of a kind, oldest first.

        Raises
        ------
        ValueError
            The kind was not read.
        """
        if kind not in self._kinds:
            raise ValueError(f"records of the kind {kind!r} were not read")
        return self._of.get(kind, self._none)


def _rows(
    con: duckdb.DuckDBPyConnection, which: str, only: Only | None, **values: object
) -> pl.DataFrame:
    """Rows that stand, oldest first: ``kind``, columns of the row that may be asked for, ``body``.

    ``which`` is a condition in SQL, and ``values`` its parameters.
    """
    rows = read_frame(
        con,
        f"SELECT kind, {', '.join(_ROW_COLUMNS)}, body FROM record AS r WHERE {which} "
        f"AND NOT withdrawn {'' if only is None else only.condition()} ORDER BY record_id",
        **values,
        **({} if only is None else only.values()),
    )
    # Both in one query DuckDB takes three times as long to plan.
    newer = read_rows(con, "SELECT supersedes FROM record WHERE supersedes IS NOT NULL")
    if not newer or rows.is_empty():
        return rows
    return rows.filter(~rows["record_id"].is_in([record_id for (record_id,) in newer]))


def current_records(
    con: duckdb.DuckDBPyConnection,
    kind: str,
    columns: dict[str, tuple[str, pl.DataType]],
    only: Only | Standing | None = None,
) -> pl.DataFrame:
    """Records of a kind as they stand now: column name -> key in the record and type.

    The same as :func:`ingest.record_rows.current` gives, for years of records at once. A key that a
    record lacks is null; a key of the row that the body has too is the body's. ``only`` leaves
    out those that do not concern the asker before they are taken apart, or has all that were read
    already.
    """
    if isinstance(only, Standing):
        rows = only.of(kind)
    else:
        rows = _rows(con, "kind = $kind", only, kind=kind)
    if rows.is_empty():
        # To say what would be made of rows takes a while too.
        return pl.DataFrame(schema={name: dtype for name, (_, dtype) in columns.items()})
    wanted = dict(columns.values())
    written = pl.Struct(
        {key: _TEXT if dtype == _INSTANT else dtype for key, dtype in wanted.items()}
    )
    body = pl.col("body").str.json_decode(written)

    def value(key: str, dtype: pl.DataType) -> pl.Expr:
        said = pl.col("in_body").struct.field(key)
        if dtype == _INSTANT:
            # UTC text of one form, with or without a fraction of a second.
            said = said.str.strip_suffix("Z").str.to_datetime(
                "%Y-%m-%dT%H:%M:%S%.f", time_unit="us"
            )
        return pl.coalesce(said, key) if key in _ROW_COLUMNS else said

    return rows.with_columns(in_body=body).select(
        value(key, dtype).cast(dtype).alias(name) for name, (key, dtype) in columns.items()
    )


def kept(value: object) -> object:
    """A value of a record as frames have it: instants naive UTC."""
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).replace(tzinfo=None)
    return value


_TEXT, _INSTANT, _NUMBER = pl.String(), pl.Datetime("us"), pl.Float64()


def shifts(con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None) -> pl.DataFrame:
    """Booked shifts, one row a shift and pot: ``shift, pot, crew, job, from_at, to_at, people``."""
    return current_records(
        con,
        "shift",
        {
            "shift": ("shift", _TEXT),
            "pot": ("pots", pl.List(pl.String())),
            "crew": ("crew", _TEXT),
            "job": ("job", _TEXT),
            "from_at": ("from_at", _INSTANT),
            "to_at": ("to_at", _INSTANT),
            "people": ("people", pl.Int64()),
        },
        only,
    ).explode("pot")


def areas(con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None) -> pl.DataFrame:
    """Area done, as entered: ``shift, pot, job, at, area_m2, reblast`` (done over again)."""
    return current_records(
        con,
        "area",
        {
            "shift": ("shift", _TEXT),
            "pot": ("pot", _TEXT),
            "job": ("job", _TEXT),
            "at": ("at", _INSTANT),
            "area_m2": ("area_m2", _NUMBER),
            "reblast": ("reblast", pl.Boolean()),
        },
        only,
    ).with_columns(pl.col("reblast").fill_null(value=False))


def abrasives(con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None) -> pl.DataFrame:
    """Abrasive tipped, as entered: ``shift, pot, abrasive, at, bags, bag_kg, batch,
    abrasive_kg``."""
    return current_records(
        con,
        "abrasive",
        {
            "shift": ("shift", _TEXT),
            "pot": ("pot", _TEXT),
            "abrasive": ("abrasive", _TEXT),
            "at": ("at", _INSTANT),
            "bags": ("bags", _NUMBER),
            "bag_kg": ("bag_kg", _NUMBER),
            "batch": ("batch", _TEXT),
        },
        only,
    ).with_columns(
        (pl.col("bags") * pl.col("bag_kg")).alias("abrasive_kg"), pl.col("batch").fill_null("")
    )


def record_log(con: duckdb.DuckDBPyConnection, newest: int) -> list[dict[str, Any]]:
    """The newest rows that people entered, each with what became of it.

    Returns
    -------
    list of dict
        Newest first: ``record_id``, ``kind``, ``recorded_at`` (aware), ``recorded_by``, ``via``,
        ``reason``, ``supersedes``, ``withdrawn``, ``superseded`` (a later row took its place),
        and ``body``.
    """
    import json

    columns = (
        "record_id", "kind", "recorded_at", "recorded_by", "via", "reason", "supersedes",
        "withdrawn", "superseded", "body",
    )  # fmt: skip
    found = read_rows(
        con,
        "SELECT record_id, kind, recorded_at, recorded_by, via, reason, supersedes, withdrawn, "
        "EXISTS (SELECT 1 FROM record AS newer WHERE newer.supersedes = r.record_id), body "
        "FROM record AS r ORDER BY record_id DESC LIMIT $newest",
        newest=newest,
    )
    rows = [dict(zip(columns, row, strict=True)) for row in found]
    for row in rows:
        row["recorded_at"] = row["recorded_at"].replace(tzinfo=dt.UTC)
        row["body"] = json.loads(row["body"])
    return rows
