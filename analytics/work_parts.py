"""A shift's parts: a pot on one job each, and what was entered for it, shared out without loss.

A shift that changes its job stays one shift; its time, its bags and its area are told job by job.
Whatever is entered lands in exactly one part, so parts add up to the shift.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import polars as pl

#: A part of a shift: one pot on one job.
PART_SCHEMA: dict[str, Any] = {
    "shift": pl.String,
    "pot": pl.String,
    "part": pl.Int64,  # from 0, in order of time; a job that the shift never was on comes last
    "crew": pl.String,
    "job": pl.String,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),  # as from_at: area of a job that the shift never was on
    "people": pl.Float64,  # of the crew on this pot: a crew on two pots has half of it on each
    "crew_size": pl.Float64,
}


def work_parts(
    shifts: pl.DataFrame, changes: pl.DataFrame, crews: pl.DataFrame, areas: pl.DataFrame
) -> pl.DataFrame:
    """Cut shifts where their job changes.

    Parameters
    ----------
    shifts : polars.DataFrame
        ``shift, pot, crew, job, from_at, to_at, people``, a row a shift and pot.
    changes : polars.DataFrame
        ``shift, job, from_at`` of changes of job; those outside their shift change nothing.
    crews : polars.DataFrame
        ``crew, size``.
    areas : polars.DataFrame
        ``shift, pot, job``: a job that none of the shift's parts is on gets a part without time,
        so that its area is not lost.

    Returns
    -------
    polars.DataFrame
        :data:`PART_SCHEMA`, in the order of the shifts and of time.
    """
    sizes = dict(crews.select("crew", "size").iter_rows())
    by_shift: dict[str, list[tuple[dt.datetime, str]]] = {}
    for name, job, at in changes.select("shift", "job", "from_at").sort("from_at").iter_rows():
        by_shift.setdefault(name, []).append((at, job))
    entered: dict[tuple[str, str], list[str]] = {}
    for name, pot, job in areas.select("shift", "pot", "job").iter_rows():
        entered.setdefault((name, pot), []).append(job)
    pots = dict(shifts.group_by("shift").agg(pl.len()).iter_rows())
    rows: list[tuple[object, ...]] = []
    for row in shifts.iter_rows(named=True):
        name, pot = row["shift"], row["pot"]
        size = sizes.get(row["crew"])
        people = row["people"] or size
        share = None if people is None else people / pots[name]
        cuts = [(row["from_at"], row["job"])]
        for at, job in by_shift.get(name, []):
            if row["from_at"] < at < row["to_at"]:
                if cuts[-1][0] == at:
                    cuts.pop()  # changed twice at one instant: the later entry holds
                cuts.append((at, job))
        ends = [at for at, _ in cuts[1:]] + [row["to_at"]]
        parts = [(job, at, end) for (at, job), end in zip(cuts, ends, strict=True)]
        worked = {job for job, _, _ in parts}
        others = dict.fromkeys(job for job in entered.get((name, pot), []) if job not in worked)
        parts += [(job, row["to_at"], row["to_at"]) for job in others]
        rows += [
            (name, pot, number, row["crew"], job, at, end, share, size)
            for number, (job, at, end) in enumerate(parts)
        ]
    return pl.DataFrame(rows, schema=PART_SCHEMA, orient="row")


def placed(entries: pl.DataFrame, parts: pl.DataFrame) -> pl.DataFrame:
    """Entries with the shift and the part that they belong to.

    An entry that names its shift belongs to it, else to the shift of its pot that its instant lies
    in. Of a shift's parts an entry that names a job goes to the parts on that job; then to the one
    that its instant lies in, or that is nearest to it.

    Parameters
    ----------
    entries : polars.DataFrame
        ``shift`` (empty: not named), ``pot``, ``at``, and ``job`` where entries have one.
    parts : polars.DataFrame
        From :func:`work_parts`.

    Returns
    -------
    polars.DataFrame
        The entries that belong to a shift, each once, with ``shift`` filled in and ``part``.
    """
    numbered = entries.with_row_index("entry")
    timed = parts.filter(pl.col("to_at") > pl.col("from_at"))
    spans = timed.group_by("shift", "pot").agg(
        pl.col("from_at").min().alias("begin"), pl.col("to_at").max().alias("end")
    )
    named = numbered.filter(pl.col("shift") != "")
    found = (
        numbered.filter(pl.col("shift") == "")
        .drop("shift")
        .join(spans, on="pot")
        .filter((pl.col("at") >= pl.col("begin")) & (pl.col("at") < pl.col("end")))
        .select(named.columns)
        .unique("entry", keep="first", maintain_order=True)
    )
    every = pl.concat([named, found])
    own = parts.select("shift", "pot", "part", "from_at", "to_at", part_job="job")
    joined = every.join(own, on=["shift", "pot"])
    if "job" in entries.columns:
        joined = joined.filter(pl.col("job") == pl.col("part_job"))
    else:
        joined = joined.filter(pl.col("to_at") > pl.col("from_at"))
    last_us = pl.col("to_at") - pl.duration(microseconds=1)
    away = pl.max_horizontal(
        pl.col("from_at") - pl.col("at"), pl.col("at") - last_us, pl.duration(microseconds=0)
    )
    return (
        joined.with_columns(away.alias("away"))
        .sort("entry", "away", "part")
        .unique("entry", keep="first", maintain_order=True)
        .drop("entry", "away", "from_at", "to_at", "part_job")
    )
