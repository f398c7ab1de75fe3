"""What checks found that is not mended yet."""

from __future__ import annotations

import polars as pl

#: Results after which a part needs replacing.
NOT_GOOD = ("worn", "failed")


def open_findings(checks: pl.DataFrame, fitted: pl.DataFrame) -> pl.DataFrame:
    """The last check of each part, where it was not good and no part was fitted since.

    Parameters
    ----------
    checks : polars.DataFrame
        ``pot``, ``part``, ``at`` (naive UTC), ``result``, ``position`` and ``rule`` where there
        are any, and whatever goes with a check. A check for one rule clears what the same rule
        found; one for all of them clears all.
    fitted : polars.DataFrame
        ``pot``, ``part``, ``at``, and ``position`` where there is any, of parts fitted.

    Returns
    -------
    polars.DataFrame
        Rows of ``checks``, newest first.

    Examples
    --------
    >>> import datetime as dt
    >>> day = [dt.datetime(2026, 1, d) for d in (5, 6, 7)]
    >>> checks = pl.DataFrame({"pot": ["pot-1"] * 3, "part": ["nozzle", "nozzle", "separator"],
    ...     "at": day, "result": ["good", "worn", "failed"]})
    >>> fitted = pl.DataFrame({"pot": ["pot-1"], "part": ["separator"],
    ...     "at": [dt.datetime(2026, 1, 8)]})
    >>> open_findings(checks, fitted).select("part", "result").rows()
    [('nozzle', 'worn')]
    """
    place = ["pot", "part"]
    if "position" in checks.columns and "position" in fitted.columns:
        place.append("position")
    told = [*place, "rule"] if "rule" in checks.columns else place
    last = checks.sort("at").group_by(*told, maintain_order=True).last()
    if "rule" in checks.columns:
        whole = (
            checks.filter((pl.col("rule") == "") & ~pl.col("result").is_in(NOT_GOOD))
            .group_by(*place)
            .agg(pl.col("at").max().alias("whole_at"))
        )
        last = (
            last.join(whole, on=place, how="left")
            .filter(pl.col("whole_at").is_null() | (pl.col("whole_at") <= pl.col("at")))
            .drop("whole_at")
        )
    since = fitted.group_by(*place).agg(pl.col("at").max().alias("fitted_at"))
    return (
        last.filter(pl.col("result").is_in(NOT_GOOD))
        .join(since, on=place, how="left")
        .filter(pl.col("fitted_at").is_null() | (pl.col("fitted_at") <= pl.col("at")))
        .drop("fitted_at")
        .sort("at", descending=True)
        .select(checks.columns)
    )
