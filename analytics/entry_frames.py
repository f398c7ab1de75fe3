"""Reads what people entered about production; a part of ``frames``, on ``record_frames``.

As there: an open read window in, a frame that stands by itself out, instants UTC without a zone.
Keys that a record was stored without, for they came later, are filled with their defaults.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import polars as pl

from analytics.record_frames import Only, Standing, abrasives, current_records

if TYPE_CHECKING:
    import duckdb

_TEXT, _INSTANT, _NUMBER = pl.String(), pl.Datetime("us"), pl.Float64()
_FLAG = pl.Boolean()


def jobs(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Jobs as they stand, a row each, with the keys of :class:`ingest.production_bodies.Job`."""
    texts = ("job", "item", "rust_grade", "prep_grade", "profile", "coating", "access", "place")
    numbers = ("planned_m2", "profile_low_um", "profile_high_um", "coating_um")
    return current_records(
        con,
        "job",
        {name: (name, _TEXT) for name in texts} | {name: (name, _NUMBER) for name in numbers},
    ).with_columns(pl.col(texts).fill_null(""))


def crews(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """``crew, size``."""
    return current_records(con, "crew", {"crew": ("crew", _TEXT), "size": ("size", pl.Int64())})


def abrasive_kinds(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Kinds of abrasive: ``abrasive, bulk_kg_m3, particle_kg_m3, price_kg, bag_kg, recycled,
    reorder_kg``."""
    numbers = ("bulk_kg_m3", "particle_kg_m3", "price_kg", "bag_kg", "reorder_kg")
    return current_records(
        con,
        "abrasive_kind",
        {"abrasive": ("abrasive", _TEXT)}
        | {name: (name, _NUMBER) for name in numbers}
        | {"recycled": ("recycled", _FLAG)},
    ).with_columns(pl.col("recycled").fill_null(value=False))


def abrasive_moves(
    con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None
) -> pl.DataFrame:
    """Abrasive moved: ``abrasive, move, goes, kg, at, pot, shift, batch, record_id``."""
    texts = ("abrasive", "move", "goes", "pot", "shift", "batch", "record_id")
    return current_records(
        con,
        "abrasive_move",
        {name: (name, _TEXT) for name in texts} | {"kg": ("kg", _NUMBER), "at": ("at", _INSTANT)},
        only,
    ).with_columns(pl.col(texts).fill_null(""))


def abrasive_net(
    con: duckdb.DuckDBPyConnection, only: Only | Standing | None = None
) -> pl.DataFrame:
    """What went into pots, less what was taken back out: ``shift, pot, abrasive, at, abrasive_kg``.

    What was taken back has a negative amount.
    """
    columns = ["shift", "pot", "abrasive", "at", "abrasive_kg"]
    back = (
        abrasive_moves(con, only)
        .filter(pl.col("move") == "returned")
        .with_columns((-pl.col("kg")).alias("abrasive_kg"))
    )
    return pl.concat([abrasives(con, only).select(columns), back.select(columns)])


def stop_reasons(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Reasons for stops, in the order of their entry: ``pot, from_at, to_at, reason, note,
    record_id``."""
    return current_records(
        con,
        "stop_reason",
        {
            "pot": ("pot", _TEXT),
            "reason": ("stop_for", _TEXT),
            "note": ("note", _TEXT),
            "record_id": ("record_id", _TEXT),
        }
        | {"from_at": ("from_at", _INSTANT), "to_at": ("to_at", _INSTANT)},
    )


def job_changes(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Changes of job within shifts: ``shift, job, from_at``."""
    return current_records(
        con,
        "job_change",
        {"shift": ("shift", _TEXT), "job": ("job", _TEXT), "from_at": ("from_at", _INSTANT)},
    )


def fuels(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Fuel burnt: ``shift, litres``."""
    return current_records(con, "fuel", {"shift": ("shift", _TEXT), "litres": ("litres", _NUMBER)})


def prices(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Prices, in the order of their entry: ``price_of, price, from_at, crew``."""
    return current_records(
        con,
        "price",
        {
            "price_of": ("price_of", _TEXT),
            "price": ("price", _NUMBER),
            "from_at": ("from_at", _INSTANT),
            "crew": ("crew", _TEXT),
        },
    ).with_columns(pl.col("crew").fill_null(""))


def signatures(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Signed sheets: ``shift, by, recorded_at, blast_s, area_m2, abrasive_kg, note, record_id``."""
    return current_records(
        con,
        "signature",
        {
            "shift": ("shift", _TEXT),
            "by": ("recorded_by", _TEXT),
            "recorded_at": ("recorded_at", _INSTANT),
            "blast_s": ("blast_s", _NUMBER),
            "area_m2": ("area_m2", _NUMBER),
            "abrasive_kg": ("abrasive_kg", _NUMBER),
            "note": ("note", _TEXT),
            "record_id": ("record_id", _TEXT),
        },
    )


def nozzle_bores(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """What is known of the bores of nozzles, oldest first: ``pot, at, bore_m``.

    Checks measure them. A nozzle fitted ends what was measured of the one before: its row has no
    bore, until a check measures it.
    """
    from analytics.part_frames import fittings
    from ingest.parts import QUANTITIES

    per = QUANTITIES["bore"].units
    measured = (
        current_records(
            con,
            "check",
            {
                "pot": ("pot", _TEXT),
                "part": ("part", _TEXT),
                "at": ("at", _INSTANT),
                "quantity": ("quantity", _TEXT),
                "value": ("value", _NUMBER),
                "unit": ("unit", _TEXT),
                "result": ("result", _TEXT),
            },
        )
        .filter((pl.col("part") == "nozzle") & (pl.col("quantity") == "bore"))
        .with_columns(
            (
                pl.col("value")
                * pl.col("unit").replace_strict(per, default=None, return_dtype=pl.Float64)
            ).alias("bore_m")
        )
        .filter(pl.col("bore_m").is_between(0.002, 0.040))
        # What a check replaces is what it measured; one at the instant of a fitting, the new one.
        .select("pot", "at", "bore_m", (2 * (pl.col("result") != "replaced")).alias("turn"))
    )
    fitted = (
        fittings(con)
        .filter(pl.col("part") == "nozzle")
        .select("pot", "at", pl.lit(None, pl.Float64).alias("bore_m"), pl.lit(1).alias("turn"))
    )
    return pl.concat([measured, fitted], how="vertical_relaxed").sort("at", "turn").drop("turn")


#: A row of what people changed after a sheet was signed.
CHANGE_SCHEMA: dict[str, Any] = {
    "shift": pl.String,
    "kind": pl.String,
    "record_id": pl.String,
    "recorded_at": pl.Datetime("us"),
    "recorded_by": pl.String,
    "withdrawn": pl.Boolean,
    "supersedes": pl.String,
    "reason": pl.String,
    "body": pl.String,
}


def signature_rows(con: duckdb.DuckDBPyConnection, shift: str) -> list[dict[str, Any]]:
    """Every row about a shift's signature, oldest first, those that no longer stand among them.

    Returns
    -------
    list of dict
        ``by``, ``at`` (naive UTC), ``did`` (``signed``, ``signed again`` or ``withdrawn``) and
        ``reason``.
    """
    found = con.execute(
        "SELECT r.recorded_by, r.recorded_at, r.withdrawn, r.supersedes, r.reason "
        "FROM record AS r LEFT JOIN record AS old ON old.record_id = r.supersedes "
        "WHERE r.kind = 'signature' AND $shift IN (json_extract_string(r.body, '$.shift'), "
        "json_extract_string(old.body, '$.shift')) ORDER BY r.record_id",
        {"shift": shift},
    ).fetchall()
    return [
        {
            "by": by, "at": at, "reason": reason,
            "did": "withdrawn" if withdrawn else "signed again" if supersedes else "signed",
        }
        for by, at, withdrawn, supersedes, reason in found
    ]  # fmt: skip


def rows_since(con: duckdb.DuckDBPyConnection, at: dt.datetime) -> pl.DataFrame:
    """Every row that people entered after an instant, oldest first, with the body it superseded.

    Returns
    -------
    polars.DataFrame
        :data:`CHANGE_SCHEMA` without ``shift``, and ``body_before`` (JSON; null: a first entry).
    """
    found = con.execute(
        "SELECT r.kind, r.record_id, r.recorded_at, r.recorded_by, r.withdrawn, r.supersedes, "
        "r.reason, r.body, old.body FROM record AS r LEFT JOIN record AS old "
        "ON old.record_id = r.supersedes WHERE r.recorded_at > $at ORDER BY r.record_id",
        {"at": at},
    ).fetchall()
    schema = {name: dtype for name, dtype in CHANGE_SCHEMA.items() if name != "shift"}
    return pl.DataFrame(found, schema=schema | {"body_before": pl.String}, orient="row")
