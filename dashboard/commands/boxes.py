"""`gritbook boxes` shows how well each sensor box is heard."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import (
    Format,
    FormatOption,
    FromOption,
    OutOption,
    PotOption,
    ToOption,
    emit,
    known_pots,
    window,
)

if TYPE_CHECKING:
    import datetime as dt

    import duckdb
    import polars as pl

    from ingest.config import Yard


def boxes(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Boxes: last heard, lost, late and repeated, restarts, rate; by default of the last day."""
    with sentences():
        import datetime as dt

        from analytics.pipeline import utc_now
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        chosen = known_pots(loaded, pot)
        from_at, to_at = window(loaded, from_, to)
        now = utc_now()
        if from_at is None:
            from_at = (to_at or now) - dt.timedelta(days=1)
        with read_window(data_folder(data)) as con:
            frame = _heard(con, loaded, chosen, from_at, to_at, now)
        emit(
            frame, form, out, loaded, title="Boxes",
            note=(
                "Lost by the message counter; where a box sends none, only silence shows. Repeated "
                "is since the beginning."
            ),
            people={
                "pot": "pot", "last_heard_at": "last heard", "rate_hz": "a second", "lost": "lost",
                "late": "late", "latest_s": "by up to s", "repeated": "repeated",
                "restarts": "restarts", "silences": "silences", "silent_s": "silent s",
                "says": "so",
            },
        )  # fmt: skip


def _heard(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: list[str],
    from_at: dt.datetime,
    to_at: dt.datetime | None,
    now: dt.datetime,
) -> pl.DataFrame:
    import polars as pl

    from analytics import boxes as analysis
    from analytics import frames

    numbers = frames.pots(con)
    by_pot = (
        frames.source_counts(con)
        .group_by("pot")
        .agg(pl.col("last_arrived_at").max(), pl.col("repeated").sum())
    )
    last_at = dict(by_pot.select("pot", "last_arrived_at").iter_rows())
    repeated = dict(by_pot.select("pot", "repeated").iter_rows())
    ours = {name: last_at[name] for name in yard.pot_names if name in last_at}
    silent = {
        silence.pot: silence
        for silence in analysis.silent_beside_others(
            ours, {name: yard.gap_s(name) for name in ours}, now
        )
    }
    rows = []
    for name in pots:
        found = analysis.health(
            frames.arrivals(con, numbers.get(name, -1), from_at, to_at), yard.gap_s(name)
        )
        says = "" if name in ours else "never heard"
        if name in silent:
            says = f"silent while {', '.join(silent[name].talking[:3])} talk"
        rows.append(
            {
                "pot": name,
                "last_heard_at": last_at.get(name),
                "repeated": int(repeated.get(name, 0)),
                **{k: v for k, v in found._asdict().items() if k not in ("first_at", "last_at")},
                "says": says,
            }
        )
    return pl.DataFrame(
        rows,
        schema={
            "pot": pl.String, "last_heard_at": pl.Datetime("us"), "repeated": pl.Int64,
            "instants": pl.Int64, "rate_hz": pl.Float64, "lost": pl.Int64, "restarts": pl.Int64,
            "late": pl.Int64, "latest_s": pl.Float64, "silences": pl.Int64,
            "silent_s": pl.Float64, "says": pl.String,
        },
    )  # fmt: skip
