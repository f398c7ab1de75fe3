"""The circumstances of a shift as columns of a model: grades, access, bore, pressure.

What is missing is a level of its own, never a guess; what cannot be told from the rest is left out,
and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.mixed_model import Factor

Floats = npt.NDArray[np.float64]

#: Circumstances, the weightiest first: the last ones give way where rows are few.
CATEGORIES = ("prep_grade", "rust_grade", "access")
NUMBERS = ("bore_m", "nozzle_pa")
TERMS = ("prep_grade", "rust_grade", "bore_m", "access", "nozzle_pa")
TERM_WORDS = {
    "prep_grade": "preparation grade",
    "rust_grade": "rust grade",
    "access": "access",
    "bore_m": "nozzle bore",
    "nozzle_pa": "nozzle pressure",
}
NOT_STATED = "not stated"
#: A level with fewer rows than this goes together with the others that are as rare.
LEAST_ROWS = 3
RARE = "rare"
#: Rows that a model wants for each of its columns.
ROWS_A_COLUMN = 5


@dataclass(frozen=True)
class Term:
    """How one circumstance becomes columns.

    Parameters
    ----------
    name : str
        A column of :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.
    levels : tuple of str
        Of a category, those that have a column; the commonest, which has none, stands first.
    middle : float
        Of a number, where its logarithm counts from.
    has_missing : bool
        Of a number, whether some rows lack it: they have a column of their own.
    """

    name: str
    levels: tuple[str, ...] = ()
    middle: float = 1.0
    has_missing: bool = False

    def columns(self, rows: pl.DataFrame) -> Floats:
        """Columns of the rows, shape (n, width)."""
        if self.levels:
            told = _level_texts(rows[self.name])
            known = [t if t in self.levels else RARE for t in told]
            return np.array([[t == level for level in self.levels[1:]] for t in known], dtype=float)
        value = rows[self.name].to_numpy().astype(np.float64)
        missing = ~(value > 0.0)
        logs = np.log(np.where(missing, self.middle, value) / self.middle)
        return np.column_stack([logs, missing] if self.has_missing else [logs])

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.levels) - 1 if self.levels else 1 + self.has_missing


@dataclass(frozen=True)
class WorkTerms:
    """The circumstances that a model uses.

    Parameters
    ----------
    terms : tuple of Term
        In order.
    kept : tuple of int
        Which of all their columns, the intercept being 0, do not hang on earlier ones.
    left_out : dict of str to str
        Circumstance to why it is not used: ``same`` (alike in every row), ``few`` (too few rows).
    """

    terms: tuple[Term, ...]
    kept: tuple[int, ...]
    left_out: dict[str, str]

    def columns(self, rows: pl.DataFrame) -> Floats:
        """The intercept and the columns of the terms, shape (n, p)."""
        every = [np.ones((rows.height, 1)), *(term.columns(rows) for term in self.terms)]
        return np.hstack(every)[:, list(self.kept)]

    @property
    def names(self) -> tuple[str, ...]:
        """Circumstances used."""
        return tuple(term.name for term in self.terms)


def _level_texts(column: pl.Series) -> list[str]:
    return [text or NOT_STATED for text in column.fill_null("").to_list()]


def _term(rows: pl.DataFrame, name: str) -> Term | None:
    """How a circumstance becomes columns; ``None`` where it is alike in every row."""
    if name in CATEGORIES:
        counts = pl.Series(_level_texts(rows[name])).value_counts(sort=True).rows()
        counts.sort(key=lambda pair: (-pair[1], pair[0]))
        common = tuple(level for level, count in counts if count >= LEAST_ROWS)
        if not common:
            return None
        has_rare = any(count < LEAST_ROWS for _, count in counts)
        levels = (*common, RARE) if has_rare else common
        return Term(name, levels) if len(levels) > 1 else None
    value = rows[name].to_numpy().astype(np.float64)
    known = value[value > 0.0]
    if known.size < LEAST_ROWS:
        return None
    has_missing = bool(known.size < value.size)
    if np.ptp(np.log(known)) < 0.01 and not has_missing:
        return None
    return Term(name, middle=float(np.exp(np.log(known).mean())), has_missing=has_missing)


def work_terms(rows: pl.DataFrame, without: Sequence[str] = ()) -> WorkTerms:
    """Choose the circumstances that rows can tell about.

    Parameters
    ----------
    rows : polars.DataFrame
        Rows that count, :data:`analytics.shift_rows.SHIFT_ROW_SCHEMA`.
    without : sequence of str
        Circumstances that are themselves compared, and so not adjusted for.

    Returns
    -------
    WorkTerms
        The intercept, and as many terms as rows allow.
    """
    terms: list[Term] = []
    left_out: dict[str, str] = {}
    width = 1
    for name in TERMS:
        if name in without:
            continue
        term = _term(rows, name)
        if term is None:
            left_out[name] = "same"
        elif (width + term.width) * ROWS_A_COLUMN > rows.height:
            left_out[name] = "few"
        else:
            terms.append(term)
            width += term.width
    every = np.hstack([np.ones((rows.height, 1)), *(t.columns(rows) for t in terms)])
    return WorkTerms(tuple(terms), _independent(every), left_out)


def _independent(columns: Floats) -> tuple[int, ...]:
    """Which columns do not hang on those before them."""
    kept: list[int] = []
    base = np.empty((columns.shape[0], 0))
    for number in range(columns.shape[1]):
        column = columns[:, number]
        rest = column - base @ (base.T @ column)
        rest = rest - base @ (base.T @ rest)
        length = np.linalg.norm(rest)
        if length > 1e-6 * max(float(np.linalg.norm(column)), 1e-12):
            kept.append(number)
            base = np.column_stack([base, rest / length])
    return tuple(kept)


def factor(rows: pl.DataFrame, name: str) -> Factor:
    """A column of names as a factor, its levels in order of their names."""
    texts = rows[name].fill_null("").to_list()
    levels = sorted(set(texts))
    place = {level: number for number, level in enumerate(levels)}
    return Factor(name, np.array([place[t] for t in texts], dtype=np.int64), tuple(levels))


def factors(rows: pl.DataFrame, names: Sequence[str]) -> list[Factor]:
    """The factors with at least two levels; ``shift`` only where several rows share shifts."""
    found = [factor(rows, name) for name in names]
    made = [f for f in found if 2 <= len(f.levels) < rows.height]
    shifts = factor(rows, "shift")
    if len(shifts.levels) <= 0.9 * rows.height and len(shifts.levels) > 1:
        made.append(shifts)
    return made
