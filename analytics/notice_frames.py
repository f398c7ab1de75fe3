"""Reads what notices rest on, how they stand, and what was told; a part of ``frames``.

As there: an open read window in, a frame that stands by itself out, instants UTC without a zone.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics.frames import LATEST, read_frame
from analytics.notice_spans import FAULTY_SHARE
from analytics.notices import ENTRY_SCHEMA, NOTICE_SCHEMA
from analytics.record_frames import Only, current_records
from analytics.watch import HEARD

if TYPE_CHECKING:
    import duckdb

#: When what was corrected since was first entered; of other records their own instant is that.
_FIRST_ENTERED = """
WITH RECURSIVE chain(record_id, entered_at) AS (
    SELECT r.record_id, first.recorded_at FROM record AS r
    JOIN record AS first ON r.supersedes = first.record_id AND first.supersedes IS NULL
    UNION ALL
    SELECT r.record_id, chain.entered_at FROM record r JOIN chain ON r.supersedes = chain.record_id
) SELECT record_id, entered_at FROM chain
"""


def pressure_watch(con: duckdb.DuckDBPyConnection, pot_id: int) -> pl.DataFrame:
    """Watched stretches of a pot, with those rows of what was heard that may end one.

    Returns
    -------
    polars.DataFrame
        ``analytics.watch.WATCH_SCHEMA``.
    """
    ((is_open,),) = con.execute(
        "SELECT count(*) > 0 FROM pressure_watch WHERE pot_id = $pot AND off_at IS NULL "
        "AND NOT starts_with(watch, $heard)",
        {"pot": pot_id, "heard": HEARD},
    ).fetchall()
    if not is_open:
        return read_frame(
            con,
            "SELECT * EXCLUDE (pot_id) FROM pressure_watch WHERE pot_id = $pot "
            "AND NOT starts_with(watch, $heard) ORDER BY watch, from_at",
            pot=pot_id,
            heard=HEARD,
        )
    return read_frame(
        con,
        "WITH mine AS (SELECT * EXCLUDE (pot_id) FROM pressure_watch WHERE pot_id = $pot), "
        "open AS (SELECT watch, to_at FROM mine WHERE NOT starts_with(watch, $heard) "
        "AND off_at IS NULL), "
        "heard AS (SELECT * FROM mine WHERE starts_with(watch, $heard)) "
        "SELECT * FROM mine WHERE NOT starts_with(watch, $heard) UNION "
        "SELECT h.* FROM open ASOF JOIN heard AS h "
        "ON h.watch = $heard || open.watch AND open.to_at < h.from_at ORDER BY watch, from_at",
        pot=pot_id,
        heard=HEARD,
    )


def faulty_minutes(con: duckdb.DuckDBPyConnection, pot_id: int) -> pl.DataFrame:
    """Minutes of a pot with enough bad readings to count: ``analytics.quality.FAULT_SCHEMA``."""
    return read_frame(
        con,
        "SELECT * EXCLUDE (pot_id) FROM signal_fault WHERE pot_id = $pot "
        "AND loop_bad + range_bad + rate_bad + moving_bad >= $share * readings "
        "ORDER BY channel, from_at",
        pot=pot_id,
        share=FAULTY_SHARE,
    )


def trouble_states(con: duckdb.DuckDBPyConnection) -> dict[int, str]:
    """What each pot's spans of trouble were made of."""
    rows = con.execute("SELECT pot_id, made_of FROM trouble_state").fetchall()
    return {pot_id: made_of for pot_id, made_of in rows}


def trouble_spans(con: duckdb.DuckDBPyConnection, pot_id: int) -> pl.DataFrame:
    """Spans of trouble of a pot: ``analytics.trouble_spans.SPAN_SCHEMA``."""
    return read_frame(
        con,
        "SELECT * EXCLUDE (pot_id) FROM trouble_span WHERE pot_id = $pot ORDER BY from_at, trouble",
        pot=pot_id,
    )


def entered(
    con: duckdb.DuckDBPyConnection,
    kind: str,
    columns: dict[str, Any],
    only: Only | None = None,
) -> pl.DataFrame:
    """Records of a kind as they stand, with when each was first entered.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    kind : str
        A key of :data:`ingest.record_bodies.BODIES`.
    columns : dict
        Keys of the record with their types.
    only : Only, optional
        Which of them; by default all.

    Returns
    -------
    polars.DataFrame
        ``entered_at`` and the columns asked for; a key that a record lacks is null.
    """
    own = {"record_id": pl.String(), "recorded_at": pl.Datetime("us")}
    rows = current_records(
        con, kind, {name: (name, kind_of) for name, kind_of in (own | columns).items()}, only
    )
    return rows.join(
        read_frame(con, _FIRST_ENTERED), on="record_id", how="left", maintain_order="left"
    ).select(pl.coalesce("entered_at", "recorded_at").alias("entered_at"), *columns)


def _kept(value: object) -> object:
    if isinstance(value, dt.datetime) and value.tzinfo is not None:
        return value.astimezone(dt.UTC).replace(tzinfo=None)
    return value


def notice_entries(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What people said of notices: ``analytics.notices.ENTRY_SCHEMA``."""
    from ingest import record_rows

    rows = [
        {
            **{name: _kept(row.get(name)) for name in ENTRY_SCHEMA},
            "kind": kind,
            "by": row["recorded_by"],
            "why": row.get("why") or row.get("note") or "",
        }
        for kind in ("notice_seen", "notice_put_off")
        for row in record_rows.current(con, kind)
    ]
    return pl.DataFrame(rows, schema=ENTRY_SCHEMA, orient="row")


def notices(con: duckdb.DuckDBPyConnection, cleared_from_at: dt.datetime | None = None) -> Any:
    """Notices as they were last derived: ``analytics.notices.NOTICE_SCHEMA``.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    cleared_from_at : datetime, optional
        Leave out those that had cleared before this instant; by default none.
    """
    return read_frame(
        con,
        f"SELECT {', '.join(NOTICE_SCHEMA)} FROM notice "
        "WHERE $since IS NULL OR cleared_at IS NULL OR cleared_at >= $since "
        "ORDER BY raised_at, pot, cause, notice_id",
        since=cleared_from_at,
    )


def open_count(con: duckdb.DuckDBPyConnection) -> int:
    """How many notices have not cleared."""
    ((count,),) = con.execute("SELECT count(*) FROM notice WHERE cleared_at IS NULL").fetchall()
    return int(count)


def notice_events(
    con: duckdb.DuckDBPyConnection,
    from_at: dt.datetime | None = None,
    notice_id: str | None = None,
    among: list[str] | None = None,
) -> pl.DataFrame:
    """What became of notices, as it was found, oldest first.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    from_at : datetime, optional
        Found from this instant on; by default all.
    notice_id : str, optional
        Of one notice only.
    among : list of str, optional
        Of these notices only.
    """
    return read_frame(
        con,
        "SELECT * FROM notice_event WHERE noticed_at >= $from_at AND noticed_at < $latest "
        "AND ($notice IS NULL OR notice_id = $notice) "
        "AND ($among::VARCHAR[] IS NULL OR list_contains($among, notice_id)) ORDER BY event_id",
        from_at=from_at or dt.datetime(1, 1, 1),  # noqa: DTZ001 - naive UTC
        latest=LATEST,
        notice=notice_id,
        among=among,
    )


def sent(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What was sent, or is tried again: rows of ``notice_sent``."""
    return read_frame(con, "SELECT * FROM notice_sent ORDER BY message_id, channel")
