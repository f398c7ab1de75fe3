"""Reads what people entered of parts, and what deriving made of it; a part of ``frames``.

As there: an open read window in, a frame that stands by itself out, instants UTC without a zone.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics.frames import read_frame
from analytics.parts_usage import EVENT_SCHEMA, Place
from analytics.record_frames import Only, Standing, current_records, kept
from ingest.parts import PART_WORDS, RESULTS, START_ITEMS, position_of

if TYPE_CHECKING:
    import duckdb

_TEXT, _INSTANT = pl.String(), pl.Datetime("us")

#: Every check as entered, the looks at the start of a shift among them.
CHECKED_SCHEMA: dict[str, pl.DataType] = {
    "record_id": _TEXT,
    "pot": _TEXT,
    "part": _TEXT,
    "position": _TEXT,
    "at": _INSTANT,
    "rule": _TEXT,  # the one that it was for; empty: all of the part's
    "result": _TEXT,
    "quantity": _TEXT,
    "value": pl.Float64(),  # in unit
    "unit": _TEXT,
    "measurement": _TEXT,
    "new_tag": _TEXT,
    "photo": _TEXT,
    "note": _TEXT,
    "by": _TEXT,
    "recorded_at": _INSTANT,
}

#: What stands as the rule of a look at the start of a shift that is no check of a rule's own.
START = "shift_start"


def checks(con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None) -> pl.DataFrame:
    """Every check and every look at the start of a shift as they stand: ``CHECKED_SCHEMA``.

    An item answered *yes* is a good check of its rule, *no* is one that failed; *not done* is
    neither.
    """
    from ingest import record_rows

    entered = current_records(
        con,
        "check",
        {
            name: ({"by": "recorded_by"}.get(name, name), dtype)
            for name, dtype in CHECKED_SCHEMA.items()
        },
        only,
    )
    if not entered.is_empty():
        entered = entered.with_columns(pl.col(pl.String).fill_null("")).with_columns(_position())
    if isinstance(only, Standing) and only.of("shift_start").is_empty():
        return entered
    rows = []
    since = only.text() if isinstance(only, Only) else None
    for row in record_rows.current(con, "shift_start", since):
        for key, item in START_ITEMS.items():
            if (answer := row.get(key, "not_done")) in ("yes", "no"):
                result = "good" if answer == "yes" else "failed"
                said = row | {
                    "measurement": item.words if answer == "yes" else f"not: {item.words}"
                }
                rows.append(_checked(said, item.part, "", result, item.rule or START))
    return pl.concat([entered, pl.DataFrame(rows, schema=CHECKED_SCHEMA, orient="row")])


def places_fitted(
    con: duckdb.DuckDBPyConnection, now: dt.datetime, standing: Standing | None = None
) -> set[Place]:
    """Where people entered that a part was fitted, up to ``now`` (naive UTC)."""
    if standing is not None:
        keys = ("pot", "part", "position", "at")
        bodies = [json.loads(body) for body in standing.of("part_fitted")["body"]]
        return _places([tuple(body.get(key) for key in keys) for body in bodies], now)
    rows = con.execute(
        "SELECT json_extract_string(body, '$.pot'), json_extract_string(body, '$.part'), "
        "json_extract_string(body, '$.position'), json_extract_string(body, '$.at') "
        "FROM record WHERE kind = 'part_fitted' AND NOT withdrawn AND record_id NOT IN "
        "(SELECT supersedes FROM record WHERE supersedes IS NOT NULL)"
    ).fetchall()
    return _places(rows, now)


def _places(rows: Iterable[tuple[Any, ...]], now: dt.datetime) -> set[Place]:
    """Of pots, parts, positions and instants as records have them, where they are up to ``now``."""
    return {
        Place(pot, part, position_of(part, position or ""))
        for pot, part, position, at in rows
        if dt.datetime.fromisoformat(at).replace(tzinfo=None) <= now
    }


def _position() -> pl.Expr:
    """What :func:`ingest.parts.position_of` makes of the columns ``part`` and ``position``."""
    typed = pl.col("position").fill_null("").str.strip_chars().str.replace_all(r"\s+", " ")
    usual = pl.col("part").replace_strict(
        {part: position_of(part) for part in PART_WORDS}, default=position_of("")
    )
    return pl.when(typed == "").then(usual).otherwise(typed.str.to_lowercase()).alias("position")


def _checked(
    row: dict[str, Any], part: str, position: str, result: str, rule: str
) -> tuple[Any, ...]:
    return (
        row["record_id"], row["pot"], part, position_of(part, position), kept(row["at"]), rule,
        result, row.get("quantity", ""), row.get("value"), row.get("unit", ""),
        row.get("measurement", ""), row.get("new_tag", ""), row.get("photo", ""),
        row.get("note", ""), row["recorded_by"], kept(row["recorded_at"]),
    )  # fmt: skip


def shift_starts(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Starts of shifts as they stand: ``record_id, pot, shift, at, by``, an answer an item."""
    from ingest import record_rows

    names = ("record_id", "pot", "shift", "at", "recorded_by", "photo", "note", *START_ITEMS)
    return pl.DataFrame(
        [
            tuple(kept(row.get(name, "not_done" if name in START_ITEMS else "")) for name in names)
            for row in record_rows.current(con, "shift_start")
        ],
        schema={name: _INSTANT if name == "at" else _TEXT for name in names},
        orient="row",
    ).rename({"recorded_by": "by"})


def entries(
    con: duckdb.DuckDBPyConnection,
    checked: pl.DataFrame | None = None,
    only: Only | Standing | None = None,
) -> pl.DataFrame:
    """Fittings, removals and checks as they stand: ``analytics.parts_usage.EVENT_SCHEMA``.

    ``checked`` is what :func:`checks` gave, where it was read already.
    """
    keys = ("at", "record_id", "pot", "part", "position", "tag", "because")
    found = [pl.DataFrame(schema=EVENT_SCHEMA)]
    for record, kind in (("part_fitted", "fitted"), ("part_removed", "removed")):
        moved = current_records(
            con, record, {key: (key, _INSTANT if key == "at" else _TEXT) for key in keys}, only
        )
        if not moved.is_empty():
            found.append(
                moved.with_columns(pl.col(pl.String).fill_null(""))
                .with_columns(_position(), pl.lit(kind).alias("kind"))
                .select(
                    *("at", "record_id", "kind", "pot", "part", "position", "tag"),
                    pl.col("because").alias("result"),
                    pl.lit("").alias("rule"),
                )
            )
    if checked is None:
        checked = checks(con, only)
    if not checked.is_empty():
        found.append(checked.select(*_AS_EVENT))
    return pl.concat(found)


def fittings(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """When parts were fitted, also where a check says so: ``pot, part, at``."""
    return read_frame(
        con,
        "SELECT json_extract_string(body, '$.pot') AS pot, "
        "json_extract_string(body, '$.part') AS part, "
        "rtrim(json_extract_string(body, '$.at'), 'Z')::TIMESTAMP AS at "
        "FROM record AS r WHERE (kind = 'part_fitted' "
        "OR kind = 'check' AND json_extract_string(body, '$.result') = 'replaced') "
        "AND NOT withdrawn AND NOT EXISTS "
        "(SELECT 1 FROM record AS newer WHERE newer.supersedes = r.record_id) "
        "ORDER BY record_id",
    )


_AS_EVENT = [
    pl.col("at"), pl.col("record_id"), pl.lit("checked").alias("kind"), pl.col("pot"),
    pl.col("part"), pl.col("position"), pl.col("new_tag").alias("tag"), pl.col("result"),
    pl.col("rule"),
]  # fmt: skip


def part_events(
    con: duckdb.DuckDBPyConnection, checked: pl.DataFrame | None = None
) -> pl.DataFrame:
    """What people entered that begins counts: ``pot, part, position, since, at``.

    ``since`` is ``fitted`` or ``checked``; a check with the result *replaced* is both. ``checked``
    is what :func:`checks` gave, where it was read already.
    """
    every = entries(con, checked)
    begun = [
        every.filter(which).with_columns(pl.lit(since).alias("since"))
        for since, which in (
            ("fitted", pl.col("kind") == "fitted"),
            ("checked", (pl.col("kind") == "checked") & pl.col("result").is_in(_RESETTING)),
            ("fitted", (pl.col("kind") == "checked") & (pl.col("result") == "replaced")),
        )
    ]
    return pl.concat(begun).select("pot", "part", "position", "since", "at")


#: Results of a check after which its count begins anew; a part found worn or failed stays due
#: until it is replaced.
_RESETTING = [result for result, (resets, _) in RESULTS.items() if resets]


# --- what deriving made of it ----------------------------------------------------------------


def stays(con: duckdb.DuckDBPyConnection, pot: str | None = None) -> pl.DataFrame:
    """Rows of ``part_stay``: which part sat where and what it did there, oldest first."""
    return read_frame(
        con,
        "SELECT * FROM part_stay WHERE $pot IS NULL OR pot = $pot "
        "ORDER BY from_at, pot, part, position",
        pot=pot,
    )


def checked_lives(con: duckdb.DuckDBPyConnection, pot: str | None = None) -> pl.DataFrame:
    """Rows of ``part_check``: each check, and all that its part had done by then, oldest first."""
    return read_frame(
        con,
        "SELECT * FROM part_check WHERE $pot IS NULL OR pot = $pot "
        "ORDER BY checked_at, pot, part, position, record_id",
        pot=pot,
    )


def newest_good_checks(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """The newest good check of each kind of part and rule: ``pot, part, rule, at, result``."""
    return read_frame(
        con,
        "SELECT pot, part, rule, max(checked_at) AS at, result FROM part_check "
        "WHERE result = 'good' GROUP BY ALL ORDER BY ALL",
    )


def lives(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What each individual part did, summed over its stays, the newest on first.

    Returns
    -------
    polars.DataFrame
        ``part, part_id, tag, pot, position`` (where it is, or was last), ``basis``, ``is_on``,
        ``first_at``, ``last_at`` (null: it is on), ``stays``, ``ended_by``, ``because``, ``days``
        on pots up to when figures were derived, ``blast_us`` with low and high, ``cycles`` with
        low and high, ``silent_us``.
    """
    return read_frame(
        con,
        "SELECT part, part_id, arg_max(tag, from_at) AS tag, arg_max(pot, from_at) AS pot, "
        "arg_max(position, from_at) AS position, arg_max(basis, from_at) AS basis, "
        "bool_or(to_at IS NULL) AS is_on, min(from_at) AS first_at, "
        "CASE WHEN bool_or(to_at IS NULL) THEN NULL ELSE max(to_at) END AS last_at, "
        "count(*) AS stays, arg_max(ended_by, from_at) AS ended_by, "
        "arg_max(because, from_at) AS because, "
        "sum(epoch_us(coalesce(to_at, (SELECT max(derived_at) FROM derive_state), from_at)) "
        "- epoch_us(from_at))::DOUBLE / 86400e6 AS days, "
        "sum(blast_us)::BIGINT AS blast_us, sum(blast_low_us)::BIGINT AS blast_low_us, "
        "sum(blast_high_us)::BIGINT AS blast_high_us, sum(cycles)::BIGINT AS cycles, "
        "sum(cycles_low)::BIGINT AS cycles_low, sum(cycles_high)::BIGINT AS cycles_high, "
        "sum(silent_us)::BIGINT AS silent_us "
        "FROM part_stay GROUP BY part, part_id ORDER BY first_at DESC, part_id",
    )


def indicator_blocks(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Blocks that rules by condition look at: ``pot`` and ``rule_condition.BLOCK_SCHEMA``."""
    return read_frame(
        con,
        "SELECT pot, indicator, scatter, block_at AS at, since_at, size, signal "
        "FROM indicator_block JOIN pot USING (pot_id) ORDER BY pot, indicator, scatter, block_at",
    )


# --- for the record of a part or a pot -------------------------------------------------------

#: Kinds of record that say what became of parts.
PART_RECORDS = ("part_fitted", "part_removed", "check", "shift_start")


def entries_with_corrections(
    con: duckdb.DuckDBPyConnection, kinds: tuple[str, ...] = PART_RECORDS
) -> list[list[dict[str, Any]]]:
    """Everything that was ever entered of some kinds, each entry with what became of it.

    Returns
    -------
    list of list of dict
        An entry is the list of its rows, first entry first; the last one counts, unless it was
        withdrawn. Rows as :func:`ingest.record_rows.history` has them, with ``number``. Oldest
        first.
    """
    names = (
        "record_id", "kind", "recorded_at", "recorded_by", "via", "supersedes", "withdrawn",
        "reason", "body", "number",
    )  # fmt: skip
    found = con.execute(
        f"SELECT {', '.join(names)} FROM record WHERE list_contains($kinds, kind) "
        "ORDER BY record_id",
        {"kinds": list(kinds)},
    ).fetchall()
    chain_of: dict[str, list[dict[str, Any]]] = {}
    chains = []
    for values in found:
        row = dict(zip(names, values, strict=True))
        row |= json.loads(row.pop("body"))
        if (chain := chain_of.get(row["supersedes"] or "")) is None:
            chain = []
            chains.append(chain)
        chain.append(row)
        chain_of[row["record_id"]] = chain
    return chains


def checks_with_lives(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Every check as it stands with the part that it was of, and what that had done by then.

    Returns
    -------
    polars.DataFrame
        ``CHECKED_SCHEMA``, ``part_id``, ``life_low_s``, ``life_s``, ``life_high_s`` (blasting, by
        then) and ``life_cycles``, newest first. A check that was not derived yet has null there.
    """
    lived = checked_lives(con).select(
        "record_id",
        "part",
        "rule",
        "part_id",
        (pl.col("blast_low_us") / 1e6).alias("life_low_s"),
        (pl.col("blast_us") / 1e6).alias("life_s"),
        (pl.col("blast_high_us") / 1e6).alias("life_high_s"),
        pl.col("cycles").alias("life_cycles"),
    )
    return (
        checks(con)
        .join(lived, on=["record_id", "part", "rule"], how="left", maintain_order="left")
        .sort("at", "record_id", descending=True)
    )
