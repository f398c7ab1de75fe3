"""What a reader of a comparison must know beside its figures, and rows to be asked about."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.mixed_model import Factor, fit_reml
from analytics.work_terms import CATEGORIES, TERM_WORDS, WorkTerms

Floats = npt.NDArray[np.float64]

#: A rate further from what the model expects than so many of its scatters is asked about.
UNUSUAL = 4.0
#: So many of them are looked for.
_MOST_UNUSUAL = 6

UNUSUAL_SCHEMA: dict[str, Any] = {
    "shift": pl.String,
    "pot": pl.String,
    "group": pl.String,
    "from_at": pl.Datetime("us"),
    "rate": pl.Float64,
    "times_expected": pl.Float64,
}


class Unusual(NamedTuple):
    """Rows far from what the others lead to expect, and factors whose spread is most likely nought.

    Parameters
    ----------
    rows : polars.DataFrame
        :data:`UNUSUAL_SCHEMA`.
    nought : tuple of str
        Of the model of all rows.
    """

    rows: pl.DataFrame
    nought: tuple[str, ...]


def caveats(
    used: pl.DataFrame,
    terms: WorkTerms,
    by: str,
    words: tuple[str, str],
    enough: Sequence[str],
    nought: tuple[str, ...],
) -> list[str]:
    """Sentences about what adjusting cannot do with these rows.

    Parameters
    ----------
    used : polars.DataFrame
        Rows that count, with ``group``.
    terms : WorkTerms
        What is adjusted for.
    by : str
        The column that is compared.
    words : (str, str)
        What one group is called, and several.
    enough : sequence of str
        Groups that have an adjusted figure.
    nought : tuple of str
        Factors whose most likely spread is nought.

    Returns
    -------
    list of str
        The weightiest first.
    """
    one, many = words
    said = []
    if "group" in nought:
        said.append(
            f"Differences between {many} are not larger than shifts differ anyway: the most likely "
            "spread between them is nought."
        )
    cells = [name for name in CATEGORIES if name != by]
    keys = used.select("group", pl.concat_str(pl.col(cells).fill_null(""), separator="|"))
    cell = keys.columns[1]
    shared = keys.unique().group_by(cell).len().filter(pl.col("len") > 1)[cell]
    alone = [
        name
        for name in enough
        if not keys.filter(pl.col("group") == name)[cell].is_in(shared.implode()).any()
    ]
    if alone:
        said.append(
            f"{listed(alone)} had steel and access that no other {one} had. What is the {one}'s "
            "and what is the steel's can hardly be told apart there, and the range does not know "
            "all of it."
        )
    for other in ("crew", "pot", "job"):
        if other != by and _same_partition(used, other):
            said.append(
                f"Each {one} had its own {other} throughout: what is the {one}'s and what is the "
                f"{other}'s cannot be told apart."
            )
    few = [TERM_WORDS[name] for name, why in terms.left_out.items() if why == "few"]
    if few:
        said.append(f"Not allowed for, because there are too few shifts: {listed(few)}.")
    return said


def _same_partition(used: pl.DataFrame, other: str) -> bool:
    together = used.select("group", other).unique().height
    return together == used["group"].n_unique() == used[other].n_unique()


def unusual_rows(
    used: pl.DataFrame, y: Floats, x: Floats, made: Sequence[Factor], weights: Floats
) -> Unusual:
    """Rows far from what the others lead to expect: asked about, not dropped.

    The wildest is taken out and the model fitted anew, as long as one is wild, so that a slip does
    not draw what is expected to itself and make its neighbours look odd.

    Parameters
    ----------
    used : polars.DataFrame
        Rows that count, with ``group``.
    y, x, made, weights
        The model's, see :func:`analytics.mixed_model.fit_reml`.
    """
    nought: tuple[str, ...] | None = None
    kept = np.ones(y.size, dtype=bool)
    for _ in range(_MOST_UNUSUAL + 1):
        mine = [Factor(f.name, f.codes[kept], f.levels) for f in made]
        fit = fit_reml(y[kept], x[kept], mine, weights[kept])
        nought = fit.nought if nought is None else nought
        expected = x @ fit.beta + np.sum([fit.effects[f.name][f.codes] for f in made], axis=0)
        off = y - expected
        # By the middle half, which a wild row does not widen.
        scatter = float(np.subtract(*np.quantile(off[kept], [0.75, 0.25]))) / 1.349
        wild = np.abs(off) * np.sqrt(weights) > UNUSUAL * max(scatter, 1e-9)
        if not np.any(wild & kept):
            break
        furthest = np.argmax(np.where(kept, np.abs(off), -1.0))
        without = kept & (np.arange(y.size) != furthest)
        if np.linalg.matrix_rank(x[without]) < x.shape[1] or without.sum() <= x.shape[1] + 2:
            break
        kept = without
    rows = used.with_columns(
        pl.Series("rate", np.exp(y)), pl.Series("times_expected", np.exp(off))
    ).filter(pl.Series(wild))
    return Unusual(rows.select(list(UNUSUAL_SCHEMA)), nought or ())


def listed(names: Sequence[str]) -> str:
    """Names in a sentence.

    Examples
    --------
    >>> listed(["North", "South", "East"])
    'North, South and East'
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
