"""Production: what a shift's hours and abrasive brought, from what people entered."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import polars as pl

#: Pressures of a shift that are weighted by blast time.
PRESSURES = ("supply_pa", "pot_pa", "nozzle_pa", "drop_supply_pot_pa", "drop_pot_nozzle_pa")

#: Up to so many windows are summed without the compiled loop: in a process that has not used one
#: yet, it takes a second to be there.
_FEW_WINDOWS = 2_000


def blast_weighted_pressures(cycles: pl.DataFrame) -> dict[str, float | None]:
    """Means of the cycles' steady medians, each weighted by the cycle's blast time. [Pa]

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``.

    Returns
    -------
    dict
        ``supply_pa``, ``pot_pa``, ``nozzle_pa``, ``drop_supply_pot_pa``, ``drop_pot_nozzle_pa``;
        ``None`` where no cycle with blast time has the pressure.
    """
    if cycles.is_empty():
        return dict.fromkeys(PRESSURES)
    weighted = cycles.select(
        (
            (pl.col(name) * pl.col("blast_s")).sum()
            / pl.col("blast_s").filter(pl.col(name).is_not_null()).sum()
        ).alias(name)
        for name in PRESSURES
    ).fill_nan(None)
    return weighted.row(0, named=True)


def pressures_within(
    cycles: pl.DataFrame, from_us: npt.NDArray[np.int64], to_us: npt.NDArray[np.int64]
) -> pl.DataFrame:
    """:func:`blast_weighted_pressures` of the cycles pressed in each of many windows at once.

    Parameters
    ----------
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA``, ascending.
    from_us, to_us : ndarray of int64, shape (n,)
        Half-open windows, in any order. [us since 1970 UTC]

    Returns
    -------
    polars.DataFrame
        A row a window: ``supply_pa``, ``pot_pa``, ``nozzle_pa``, ``drop_supply_pot_pa``,
        ``drop_pot_nozzle_pa``. [Pa]
    """
    pressed_us = cycles["pressed_at"].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()
    begin = np.searchsorted(pressed_us, from_us)
    end = np.maximum(np.searchsorted(pressed_us, to_us), begin)
    blast_s = cycles["blast_s"].to_numpy()
    columns: dict[str, pl.Series] = {}
    for name in PRESSURES:
        value = cycles[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        is_there = ~np.isnan(value)
        weight = np.where(is_there, blast_s, 0.0)
        product = np.where(is_there, value, 0.0) * weight
        # Summed one after the other within each window, whatever else is asked for beside it.
        whole, by = _window_sums(product, begin, end), _window_sums(weight, begin, end)
        columns[name] = pl.Series(whole / np.where(by > 0.0, by, np.nan), nan_to_null=True)
    return pl.DataFrame(columns, schema=dict.fromkeys(PRESSURES, pl.Float64))


def _window_sums(
    values: npt.NDArray[np.float64], begin: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """Sums of ``values[begin:end]`` of many windows, each from its first value to its last."""
    if begin.size > _FEW_WINDOWS:
        from analytics.cycle_kernel import window_sums

        summed: npt.NDArray[np.float64] = window_sums(values, begin, end)
        return summed
    # The same to the bit, for a running sum goes in the same order.
    return np.array(
        [
            np.cumsum(values[first:last])[-1] if last > first else 0.0
            for first, last in zip(begin.tolist(), end.tolist(), strict=True)
        ],
        np.float64,
    )


def entered_totals(entries: pl.DataFrame, shifts: pl.DataFrame, amount: str) -> pl.DataFrame:
    """What people entered, summed by shift and pot.

    An entry that names its shift goes there; one that does not goes to the shift of its pot in
    which its instant lies, and to none where there is no such shift.

    Parameters
    ----------
    entries : polars.DataFrame
        ``pot``, ``shift`` (empty: not named), ``at`` (naive UTC), and the column ``amount``.
    shifts : polars.DataFrame
        ``shift``, ``pot``, ``from_at``, ``to_at`` (naive UTC, half-open).
    amount : str
        The column to sum, such as ``area_m2``.

    Returns
    -------
    polars.DataFrame
        ``shift``, ``pot``, and the sum under the name ``amount``; shifts without any entry are
        not in it.
    """
    named = entries.filter(pl.col("shift") != "").select("shift", "pot", amount)
    placed = (
        entries.filter(pl.col("shift") == "")
        .drop("shift")
        .join(shifts.select("shift", "pot", "from_at", "to_at"), on="pot")
        .filter((pl.col("at") >= pl.col("from_at")) & (pl.col("at") < pl.col("to_at")))
        .select("shift", "pot", amount)
    )
    # Listed first: each sum runs in the order of entry then, whatever else is summed beside it.
    listed = pl.concat([named, placed]).group_by("shift", "pot").agg(pl.col(amount))
    return listed.with_columns(pl.col(amount).list.sum())


def jobs_done(jobs: pl.DataFrame, areas: pl.DataFrame) -> pl.DataFrame:
    """Jobs with the area done of them, against what was planned.

    Parameters
    ----------
    jobs : polars.DataFrame
        ``job, item, planned_m2``.
    areas : polars.DataFrame
        ``job, area_m2, reblast``.

    Returns
    -------
    polars.DataFrame
        ``job, item, planned_m2, area_m2`` (done, without what was done over), ``reblast_m2``,
        ``done_share`` (null: nothing was planned) and ``reblast_share`` (of what was done).

    Examples
    --------
    >>> jobs = pl.DataFrame({"job": ["tank"], "item": [""], "planned_m2": [200.0]})
    >>> areas = pl.DataFrame({"job": ["tank"] * 3, "area_m2": [60.0, 40.0, 10.0],
    ...     "reblast": [False, False, True]})
    >>> jobs_done(jobs, areas).select("area_m2", "done_share", "reblast_share").row(0)
    (100.0, 0.5, 0.1)
    """
    done = areas.group_by("job").agg(
        pl.col("area_m2").filter(~pl.col("reblast")).sum().alias("area_m2"),
        pl.col("area_m2").filter(pl.col("reblast")).sum().alias("reblast_m2"),
    )
    return (
        jobs.select("job", "item", "planned_m2")
        .join(done, on="job", how="left", maintain_order="left")
        .with_columns(pl.col("area_m2", "reblast_m2").fill_null(0.0))
        .with_columns(
            (pl.col("area_m2") / pl.col("planned_m2")).alias("done_share"),
            pl.when(pl.col("area_m2") > 0.0)
            .then(pl.col("reblast_m2") / pl.col("area_m2"))
            .alias("reblast_share"),
        )
    )


def rates(summary: pl.DataFrame) -> pl.DataFrame:
    """Add ``abrasive_kg_m2`` and ``area_m2_blast_h`` to a frame of shift summaries.

    Parameters
    ----------
    summary : polars.DataFrame
        ``area_m2``, ``abrasive_kg`` and ``blast_s``; null where nothing was entered.

    Returns
    -------
    polars.DataFrame
        The same rows; a rate is null where its denominator is null or zero.

    Examples
    --------
    >>> rates(pl.DataFrame({"area_m2": [20.0, None], "abrasive_kg": [400.0, 100.0],
    ...     "blast_s": [7200.0, 3600.0]}))["abrasive_kg_m2"].to_list()
    [20.0, None]
    """
    return summary.with_columns(
        pl.when(pl.col("area_m2") > 0)
        .then(pl.col("abrasive_kg") / pl.col("area_m2"))
        .alias("abrasive_kg_m2"),
        pl.when(pl.col("blast_s") > 0)
        .then(pl.col("area_m2") / (pl.col("blast_s") / 3600.0))
        .alias("area_m2_blast_h"),
    )
