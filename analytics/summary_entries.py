"""What people entered since summaries were last reckoned: which rows there are from then on.

An entry changes what shifts and parts there are from some instant on, mostly one of today: which
part sat where follows from the stays that were on then and from the entries after it. So those
rows are put anew, with nothing counted in them, and what they count is then reckoned as after
readings (:mod:`analytics.summaries`). Where rows before may be others too, :func:`put` says so,
and everything is made anew.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from analytics import entry_frames, frames, part_frames, record_frames
from analytics.hours import microseconds, naive_utc
from analytics.parts_ledger import SAME_CHANGE_S, Ledger, Stay, in_order, same_tag
from analytics.parts_usage import (
    EVENT_SCHEMA,
    USED,
    Place,
    check_rows,
    places_held,
    stay_rows,
)
from analytics.production import entered_totals
from analytics.writing import insert
from ingest.config import Yard
from ingest.parts import position_of

if TYPE_CHECKING:
    import duckdb

#: Kinds of record that change what summaries say.
KINDS = (
    "shift", "area", "abrasive", "abrasive_move",
    "part_fitted", "part_removed", "check", "shift_start",
)  # fmt: skip
#: A check and a fitting so near to one another may be one change; twice that lies between what is
#: put anew and what an entry tells of.
_ONE_CHANGE = dt.timedelta(seconds=SAME_CHANGE_S)
_BEFORE = 2 * _ONE_CHANGE + dt.timedelta(minutes=1)


class Seen(NamedTuple):
    """How many rows people had entered, and the number of the last one."""

    rows: int
    number: int


def seen(con: duckdb.DuckDBPyConnection) -> Seen:
    """What people have entered so far."""
    ((rows, number),) = con.execute("SELECT count(*), max(number) FROM record").fetchall()
    return Seen(rows, number or 0)


def changed_from(con: duckdb.DuckDBPyConnection, before: Seen, now: Seen) -> dt.datetime | None:
    """From when on what was entered since ``before``, up to ``now``, changes summaries.

    Returns
    -------
    datetime or None
        Naive UTC; ``frames.EARLIEST``: that cannot be told. ``None``: nothing of it does.
    """
    if now == before:
        return None
    if now.rows - before.rows != now.number - before.number:
        return frames.EARLIEST  # rows were brought in that have no number, or another
    # What was corrected or taken away counted from its own instant on.
    ((first,),) = con.execute(
        "WITH fresh AS (SELECT kind, body, supersedes FROM record WHERE number > $number), "
        "bodies AS (SELECT kind, body FROM fresh UNION ALL SELECT r.kind, r.body FROM record AS r "
        "JOIN fresh ON r.record_id = fresh.supersedes), "
        "mine AS (SELECT body FROM bodies WHERE list_contains($kinds, kind)) "
        "SELECT least("
        "(SELECT min(least(json_extract_string(body, '$.at')[:19], "
        "json_extract_string(body, '$.from_at')[:19])) FROM mine), "
        "(SELECT min(strftime(from_at, '%Y-%m-%dT%H:%M:%S')) FROM shift_summary AS s JOIN mine "
        "ON s.shift = json_extract_string(body, '$.shift')))",
        {"number": before.number, "kinds": list(KINDS)},
    ).fetchall()
    return None if first is None else dt.datetime.fromisoformat(first)


def places(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    now: dt.datetime,
    standing: record_frames.Standing | None = None,
) -> list[Place]:
    """The places that hold a part from the first on, whether entered or not, in order.

    ``standing`` has what people entered, where that was read already.
    """
    fitted = part_frames.places_fitted(con, now, standing)
    for pot in yard.pots:
        for part in pot.parts:
            if naive_utc(part.fitted_at) <= now:
                fitted.add(Place(pot.name, part.part, position_of(part.part, part.position)))
    return sorted(Place(*place) for place in places_held(expected(yard), fitted))


def expected(yard: Yard) -> list[Place]:
    """The usual place of every kind of part that has a rule, at every pot."""
    kinds = dict.fromkeys(rule.part for rule in yard.effective_rules())
    return [Place(pot, part, position_of(part)) for pot in yard.pot_names for part in kinds]


def part_events(yard: Yard, entries: pl.DataFrame) -> pl.DataFrame:
    """What is known of parts: ``entries`` of people, and what the yard file names.

    Parameters
    ----------
    yard : Yard
        The yard file.
    entries : polars.DataFrame
        ``analytics.parts_usage.EVENT_SCHEMA``.
    """
    named = []
    for pot in yard.pots:
        for part in pot.parts:
            position = position_of(part.part, part.position)
            mine = (f"yard:{pot.name}/{part.part}/{position}", pot.name, part.part, position)
            record_id, *where = mine
            fitted_at = naive_utc(part.fitted_at)
            named.append((fitted_at, record_id, "fitted", *where, part.tag, "", ""))
            if part.checked_at is not None:
                checked_at = naive_utc(part.checked_at)
                named.append((checked_at, record_id, "checked", *where, "", "good", ""))
    if not named:
        return entries
    return pl.concat([pl.DataFrame(named, schema=EVENT_SCHEMA, orient="row"), entries])


class Put(NamedTuple):
    """What was put anew: from when on, when something entered comes to count by itself (``None``:
    nothing does), and whether a part was somewhere for no time at all."""

    from_at: dt.datetime
    next_at: dt.datetime | None
    passed_by: bool


def put(
    con: duckdb.DuckDBPyConnection, yard: Yard, from_at: dt.datetime, now: dt.datetime
) -> Put | None:
    """Put the rows of shifts and parts from an instant on, with nothing counted in them yet.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open write window.
    yard : Yard
        The yard file.
    from_at : datetime
        What was entered before is as it was. Naive UTC.
    now : datetime
        Naive UTC; entries after it do not count yet.

    Returns
    -------
    Put or None
        ``None``: rows before may be others too, and nothing was put.
    """
    from_at = _clear_of_changes(con, from_at - _BEFORE)
    heard = frames.heard_extents(con).values()
    if any(first is not None and first >= from_at for first, _ in heard):
        return None
    shifts = record_frames.shifts(con, record_frames.Only(from_at, "to_at")).filter(
        pl.col("to_at") > from_at
    )
    _put_shifts(con, yard, shifts, from_at, now)
    events = part_events(yard, part_frames.entries(con, only=record_frames.Only(from_at)))
    events = events.filter(pl.col("at") >= from_at)
    passed_by = _put_parts(con, yard, events, from_at, now)
    to_come = [*events.filter(pl.col("at") > now)["at"],
               *shifts.filter(pl.col("from_at") >= now)["from_at"]]  # fmt: skip
    return Put(from_at, min(to_come, default=None), passed_by)


def _clear_of_changes(con: duckdb.DuckDBPyConnection, from_at: dt.datetime) -> dt.datetime:
    """An instant, or one before it, at which no change is half told."""
    while True:
        ((first,),) = con.execute(
            "SELECT min(checked_at) FROM part_check WHERE result = 'replaced' "
            "AND checked_at BETWEEN $from AND $to",
            {"from": from_at - _ONE_CHANGE, "to": from_at + _ONE_CHANGE},
        ).fetchall()
        if first is None:
            return from_at
        from_at = first - _BEFORE


def _put_shifts(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    shifts: pl.DataFrame,
    from_at: dt.datetime,
    now: dt.datetime,
) -> None:
    con.execute("DELETE FROM shift_summary WHERE to_at > $from", {"from": from_at})
    begun = shifts.filter((pl.col("from_at") < now) & pl.col("pot").is_in(list(yard.pot_names)))
    if begun.is_empty():
        return
    first = begun["from_at"].min()
    assert isinstance(first, dt.datetime)
    about = record_frames.Only(first, shifts=tuple(begun["shift"].unique().to_list()))
    rows = with_entries(
        begun.drop("people"),
        record_frames.areas(con, about),
        entry_frames.abrasive_net(con, about),
        begun,
    )
    insert(con, "shift_summary", _nothing_counted(con, "shift_summary", rows))


def with_entries(
    summary: pl.DataFrame, areas: pl.DataFrame, abrasives: pl.DataFrame, shifts: pl.DataFrame
) -> pl.DataFrame:
    """Summaries of shifts with the area done and the abrasive that people entered for them."""
    # What is done over again was counted when it was done first.
    area = entered_totals(areas.filter(~pl.col("reblast")), shifts, "area_m2")
    abrasive = entered_totals(abrasives, shifts, "abrasive_kg")
    return summary.join(area, on=["shift", "pot"], how="left", maintain_order="left").join(
        abrasive, on=["shift", "pot"], how="left", maintain_order="left"
    )


def _nothing_counted(
    con: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame
) -> pl.DataFrame:
    """Rows with nought in the columns of a table that they lack and that must have something."""
    described = con.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = $table AND NOT is_nullable",
        {"table": table},
    ).fetchall()
    return rows.with_columns(pl.lit(0).alias(name) for (name,) in described if name not in rows)


def _put_parts(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    events: pl.DataFrame,
    from_at: dt.datetime,
    now: dt.datetime,
) -> bool:
    ledger = Ledger(generation=_generations(con, from_at))
    for stay in _stays_on(con, from_at):
        ledger.go_on_from(stay)
    for row in in_order(events.filter(pl.col("at") <= now)):
        ledger.take(row)
    ledger.ended()
    since = {"from": from_at}
    gone = con.execute(
        "SELECT DISTINCT part_id FROM part_stay WHERE from_at >= $from", since
    ).fetchall()
    con.execute("DELETE FROM part_stay WHERE to_at IS NULL OR to_at >= $from", since)
    con.execute("DELETE FROM part_check WHERE checked_at >= $from", since)
    on_since = {stay.part_id for stay in ledger.stays}
    _tell_moved(con, on_since | {part_id for (part_id,) in gone}, on_since)
    nothing = np.zeros((len(ledger.stays), len(USED)), dtype=np.int64)
    insert(con, "part_stay", stay_rows(ledger.stays, nothing))
    nothing = np.zeros((len(ledger.checks), len(USED)), dtype=np.int64)
    checks = check_rows(ledger.checks, ledger.stays, nothing)
    insert(con, "part_check", checks.rename({"at": "checked_at"}))
    usage = _usage(con, yard, ledger, set(places(con, yard, now)), now)
    con.execute("DELETE FROM part_usage")
    insert(con, "part_usage", _nothing_counted(con, "part_usage", usage))
    return ledger.passed_by


def _generations(
    con: duckdb.DuckDBPyConnection, from_at: dt.datetime
) -> dict[tuple[str, str], int]:
    """How many parts there were with one tag before an instant, where there was more than one."""
    rows = con.execute(
        "SELECT DISTINCT part, tag, part_id FROM part_stay WHERE tag <> '' AND from_at < $from",
        {"from": from_at},
    ).fetchall()
    found: dict[tuple[str, str], int] = {}
    for part, tag, part_id in rows:
        known = (part, same_tag(tag))
        number = part_id.removeprefix("/".join(known)).removeprefix("/")
        if number:
            found[known] = max(int(number), found.get(known, 1))
    return found


def _stays_on(con: duckdb.DuckDBPyConnection, from_at: dt.datetime) -> list[Stay]:
    """Stays that were on at an instant, as they stood then."""
    rows = con.execute(
        "WITH was_on AS (SELECT pot, part, position, part_id, tag, basis, from_at, fitted_by "
        "FROM part_stay WHERE from_at < $from AND (to_at IS NULL OR to_at >= $from)) "
        "SELECT s.*, coalesce(last.result, '') FROM was_on AS s LEFT JOIN ("
        "SELECT s.part_id, c.pot, c.position, arg_max(c.result, (c.checked_at, c.record_id)) "
        "AS result FROM part_check AS c JOIN was_on AS s ON c.part_id = s.part_id "
        "AND c.pot = s.pot AND c.position = s.position WHERE c.checked_at < $from "
        # What is fitted at the instant of a look came after it.
        "AND (c.checked_at > s.from_at OR c.checked_at = s.from_at AND s.basis <> 'fitted') "
        "GROUP BY ALL) AS last ON last.part_id = s.part_id AND last.pot = s.pot "
        "AND last.position = s.position ORDER BY s.from_at, s.pot, s.part, s.position",
        {"from": from_at},
    ).fetchall()
    return [
        Stay(0, (pot, part, position), part_id, tag, basis, microseconds(began_at), fitted_by,
             found="" if result == "good" else result)
        for pot, part, position, part_id, tag, basis, began_at, fitted_by, result in rows
    ]  # fmt: skip


def _tell_moved(
    con: duckdb.DuckDBPyConnection, concerned: Iterable[str], on_since: Iterable[str]
) -> None:
    """What took the place of a part says whether that was on elsewhere later: it moved then."""
    con.execute(
        "UPDATE part_stay AS s SET ended_by = "
        "CASE WHEN list_contains($since, part_id) THEN 'moved' ELSE 'replaced' END "
        "WHERE list_contains($concerned, part_id) AND ended_by IN ('moved', 'replaced') "
        "AND from_at = (SELECT max(from_at) FROM part_stay AS l WHERE l.part_id = s.part_id)",
        {"concerned": sorted(concerned), "since": sorted(on_since)},
    )


def _usage(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    ledger: Ledger,
    held: set[Place],
    now: dt.datetime,
) -> pl.DataFrame:
    """Which rows there are of what parts that are on did: since they were new, since checks."""
    ids = sorted({stay.part_id for stay in ledger.on.values()})
    first = dict(
        con.execute(
            "SELECT part_id, min(from_at) FROM part_stay WHERE list_contains($ids, part_id) "
            "GROUP BY part_id",
            {"ids": ids},
        ).fetchall()
    )
    good: dict[str, list[tuple[str, dt.datetime]]] = {}
    for part_id, rule, at in con.execute(
        "SELECT part_id, rule, max(checked_at) FROM part_check WHERE result = 'good' "
        "AND list_contains($ids, part_id) GROUP BY part_id, rule",
        {"ids": ids},
    ).fetchall():
        good.setdefault(part_id, []).append((rule, at))
    rows = []
    for place, stay in ledger.on.items():
        mine = good.get(stay.part_id, [])
        if stay.basis == "unknown" and Place(*place) not in held and not mine:
            continue
        if place[0] in yard.pot_names:
            which = (*place, stay.part_id, stay.tag)
            rows.append((*which, stay.basis, "", first.get(stay.part_id, now), now))
            rows += [(*which, "checked", rule, at, now) for rule, at in mine]
    names = ("pot", "part", "position", "part_id", "tag", "since", "rule")
    instants = dict.fromkeys(("from_at", "to_at"), pl.Datetime("us"))
    schema = dict.fromkeys(names, pl.String()) | instants
    return pl.DataFrame(rows, schema=schema, orient="row")
