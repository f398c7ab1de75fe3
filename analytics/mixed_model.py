"""Linear mixed model with crossed factors: REML, and intervals that own up to unknown spreads.

y = X β + Σ_f Z_f u_f + e,   u_f ~ N(0, (θ_f σ)²),   e_i ~ N(0, σ²/w_i)

Two answers are given. :func:`fit_reml` finds the most likely spreads, as any statistics package
does. With a handful of crews the most likely spread is often nought although the crews do differ,
and intervals that take it for known are too short; so :func:`posterior` integrates over all
spreads that the data allow, each counted as its restricted likelihood says. Everything runs on
cross-products of the columns, so its cost does not grow with the number of rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Median of the prior of θ, the spread of a factor over that of single rows: a half-Cauchy, so that
#: very small and very large spreads stay possible (our choice; coverage was measured with it).
PRIOR_SCALE = 0.7
#: A most likely θ under this is nought: nothing of a spread is seen.
NOUGHT = 1e-3

#: Powers of the row weights that :func:`posterior` weighs against each other.
WEIGHT_POWERS = (0.0, 0.5, 1.0)
#: Spreads tried: first where the prior has them, then around where the data point.
_FIRST, _THEN = 320, 320
_T_DF = 5.0


class Factor(NamedTuple):
    """A factor whose levels are a sample of many: crews, pots, jobs.

    Parameters
    ----------
    name : str
        What it is called.
    codes : ndarray of int64, shape (n,)
        Level of each row, from 0.
    levels : tuple of str
        Their names.
    """

    name: str
    codes: Ints
    levels: tuple[str, ...]


@dataclass(frozen=True)
class _Products:
    """Weighted cross-products of [Z X], and y; Z stands first so that its factor does too."""

    a: Floats  # (m, m)
    b: Floats  # (m,)
    yy: float
    n: int
    p: int
    log_weight: float
    owner: Ints  # (q,): which factor a column of Z belongs to


def _products(y: Floats, x: Floats, factors: Sequence[Factor], weights: Floats) -> _Products:
    columns = [np.eye(len(f.levels))[f.codes] for f in factors]
    owner = np.repeat(np.arange(len(factors)), [len(f.levels) for f in factors])
    zx = np.hstack([*columns, x])
    weighted = zx * weights[:, None]
    return _Products(
        zx.T @ weighted, weighted.T @ y, float(y @ (weights * y)), y.size, x.shape[1],
        float(np.sum(np.log(weights))), owner.astype(np.int64),
    )  # fmt: skip


class _Solved(NamedTuple):
    """How well the model fits at each of T vectors of spreads."""

    criterion: Floats  # (T,): REML criterion, -2 log restricted likelihood
    squares: Floats  # (T,): penalised residual sum of squares r²


class _Solver:
    """Bates's penalised least squares with the factor of most levels taken out first.

    Of one factor's columns no two meet in a row, so their block of cross-products is diagonal: a
    year of jobs costs as many divisions, and only what is left is factored.
    """

    def __init__(self, parts: _Products) -> None:
        self.parts = parts
        q, m = parts.owner.size, parts.a.shape[0]
        # Without any factor nothing is taken out.
        self._most = int(np.argmax(np.bincount(parts.owner))) if q else None
        biggest = parts.owner == self._most if q else np.zeros(0, dtype=bool)
        out = np.flatnonzero(biggest)
        rest = np.flatnonzero(np.r_[~biggest, np.ones(m - q, dtype=bool)])
        self._owner = parts.owner[rest[rest < q]]
        self._rows = parts.a[out, out]
        side = np.column_stack([parts.a[np.ix_(out, rest)], parts.b[out]])
        # Column by column products, so that all spreads are done by one product of matrices.
        left = rest.size
        self._sides = (side[:, :, None] * side[:, None, :]).reshape(out.size, (left + 1) ** 2)
        self._whole = np.empty((left + 1, left + 1))
        self._whole[:left, :left] = parts.a[np.ix_(rest, rest)]
        self._whole[left, :left] = self._whole[:left, left] = parts.b[rest]
        # A hair more than y'y, so that rounding leaves something of a perfect fit.
        self._whole[left, left] = parts.yy * (1.0 + 1e-12) + 1e-300

    def at(self, theta: Floats) -> _Solved:
        """The fit at each row of θ, shape (T, factors)."""
        parts, left, own = self.parts, self._whole.shape[0] - 1, self._owner.size
        square = (
            np.zeros((theta.shape[0], 1)) if self._most is None else theta[:, [self._most]] ** 2
        )
        pivots = 1.0 + square * self._rows
        taken = ((square / pivots) @ self._sides).reshape(-1, left + 1, left + 1)
        scale = np.ones((theta.shape[0], left + 1))
        scale[:, :own] = theta[:, self._owner]
        whole = scale[:, :, None] * (self._whole - taken) * scale[:, None, :]
        whole[:, np.arange(own), np.arange(own)] += 1.0
        diagonal = np.diagonal(np.linalg.cholesky(whole), axis1=1, axis2=2)
        squares = np.asarray(diagonal[:, left] ** 2, dtype=np.float64)
        logdet = np.sum(np.log(pivots), axis=1) + 2.0 * np.sum(np.log(diagonal[:, :left]), axis=1)
        free = parts.n - parts.p
        criterion = logdet + free * (1.0 + np.log(2.0 * np.pi * squares / free)) - parts.log_weight
        return _Solved(criterion, squares)

    def factored(self, theta: Floats) -> tuple[Floats, Floats]:
        """At one θ: Cholesky factor of the precision, times σ², of spherical u and β; and those."""
        parts = self.parts
        q, m = parts.owner.size, parts.a.shape[0]
        scale = np.ones(m)
        scale[:q] = theta[parts.owner]
        whole = scale[:, None] * parts.a * scale
        whole[np.arange(q), np.arange(q)] += 1.0
        root = np.asarray(np.linalg.cholesky(whole), dtype=np.float64)
        return root, _back(root, _forward(root, scale * parts.b))


def _forward(root: Floats, right: Floats) -> Floats:
    from scipy.linalg import solve_triangular  # type: ignore[import-untyped]

    return np.asarray(solve_triangular(root, right, lower=True, check_finite=False))


def _back(root: Floats, right: Floats) -> Floats:
    from scipy.linalg import solve_triangular

    return np.asarray(solve_triangular(root.T, right, lower=False, check_finite=False))


def _checked(y: Floats, x: Floats, weights: Floats | None) -> Floats:
    if x.ndim != 2 or x.shape[0] != y.size:
        raise ValueError("x has not one row for each y")
    if y.size <= x.shape[1]:
        raise ValueError("there are no more rows than fixed effects")
    if np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the columns of x hang on each other")
    weights = np.ones(y.size) if weights is None else weights
    if not (np.all(np.isfinite(y)) and np.all(np.isfinite(x)) and np.all(weights > 0.0)):
        raise ValueError("y and x must be finite, weights above nought")
    return weights


@dataclass(frozen=True)
class RemlFit:
    """The most likely spreads, and what follows from them.

    Parameters
    ----------
    beta, beta_se : ndarray of float64, shape (p,)
        Fixed effects, and their standard errors with the spreads taken for known.
    variance : dict of str to float
        Factor to variance of its levels.
    residual_variance : float
        σ².
    effects : dict of str to ndarray
        Factor to predicted effect of each level (BLUP): shrunk to nought.
    criterion : float
        -2 log restricted likelihood.
    nought : tuple of str
        Factors whose most likely variance is nought (a singular fit).
    """

    beta: Floats
    beta_se: Floats
    variance: dict[str, float]
    residual_variance: float
    effects: dict[str, Floats]
    criterion: float
    nought: tuple[str, ...]


def fit_reml(
    y: Floats, x: Floats, factors: Sequence[Factor], weights: Floats | None = None
) -> RemlFit:
    """Fit by restricted maximum likelihood.

    Parameters
    ----------
    y : ndarray of float64, shape (n,)
        What is explained.
    x : ndarray of float64, shape (n, p)
        Columns of the fixed effects, the intercept among them, of full rank.
    factors : sequence of Factor
        Crossed or nested, at least one.
    weights : ndarray of float64, shape (n,), optional
        w; a row's variance is σ²/w.

    Returns
    -------
    RemlFit
        Intervals made from ``beta_se`` are too short where a factor has few levels.

    Raises
    ------
    ValueError
        The columns of x hang on each other, there are too few rows, or a number is not finite.

    Examples
    --------
    Six batches, five preparations of a dye each (Davies and Goldsmith 1972):

    >>> yields = np.array([
    ...     1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510,
    ...     1560, 1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450,
    ...     1480, 1445], dtype=float)
    >>> batch = Factor("batch", np.repeat(np.arange(6), 5), tuple("ABCDEF"))
    >>> fit = fit_reml(yields, np.ones((30, 1)), [batch])
    >>> round(float(fit.beta[0]), 2), round(fit.variance["batch"]), round(fit.residual_variance)
    (1527.5, 1764, 2451)

    References
    ----------
    Bates, Mächler, Bolker, Walker 2015, J. Stat. Softw. 67(1), section 3 (the criterion).
    """
    from scipy.optimize import minimize  # type: ignore[import-untyped]

    weights = _checked(y, x, weights)
    parts = _products(y, x, factors, weights)
    solver = _Solver(parts)
    count = len(factors)

    def criterion(theta: Floats) -> float:
        return float(solver.at(np.abs(theta)[None, :]).criterion[0])

    tried = _prior_points(200, count, np.full(count, 0.5))
    start = tried[np.argmin(solver.at(tried).criterion)]
    # No finer than rounding leaves the criterion: finer, and it hunts to its last try for nothing.
    least = 1e-12 * (1.0 + abs(criterion(start)))
    best = minimize(
        criterion, start, method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": max(least, 1e-11), "maxiter": 4000, "maxfev": 8000},
    )  # fmt: skip
    theta = np.abs(best.x)
    # On the edge a simplex stops short: nought is tried outright.
    for f in range(count):
        edge = np.where(np.arange(count) == f, 0.0, theta)
        if criterion(edge) <= criterion(theta) + 1e-9:
            theta = edge
    solved = solver.at(theta[None, :])
    residual = float(solved.squares[0] / (parts.n - parts.p))
    q = parts.owner.size
    lower, middle = solver.factored(theta)
    root = _forward(lower, np.eye(lower.shape[0]))
    shrunk = middle[:q] * theta[parts.owner]
    return RemlFit(
        beta=middle[q:],
        beta_se=np.sqrt(residual * np.sum(root[:, q:] ** 2, axis=0)),
        variance={f.name: float(theta[k] ** 2 * residual) for k, f in enumerate(factors)},
        residual_variance=residual,
        effects={f.name: shrunk[parts.owner == k] for k, f in enumerate(factors)},
        criterion=float(solved.criterion[0]),
        nought=tuple(f.name for k, f in enumerate(factors) if theta[k] < NOUGHT),
    )


@dataclass(frozen=True)
class Posterior:
    """Draws of everything unknown, each as likely as the data make it.

    Parameters
    ----------
    beta : ndarray of float64, shape (draws, p)
        Fixed effects.
    effects : dict of str to ndarray, each (draws, levels)
        Factor to the effects of its levels.
    spread : dict of str to ndarray, each (draws,)
        Factor to the standard deviation of its levels.
    residual : ndarray of float64, shape (draws,)
        σ: standard deviation of a row of weight 1.
    weight_power : ndarray of float64, shape (draws,)
        Power of the weights.
    effective : float
        How many equally good spreads the integration rests on; under 30 it is rough.
    """

    beta: Floats
    effects: dict[str, Floats]
    spread: dict[str, Floats]
    residual: Floats
    weight_power: Floats
    effective: float


def posterior(
    y: Floats,
    x: Floats,
    factors: Sequence[Factor],
    weights: Floats | None = None,
    scales: Sequence[float] | None = None,
    powers: Sequence[float] = WEIGHT_POWERS,
    draws: int = 4000,
    seed: int = 0,
) -> Posterior:
    """Draw effects and spreads from what the data leave possible.

    The prior is flat in β and in log σ, and a half-Cauchy in each θ, the spread of a factor
    over σ. β, u and σ are integrated in closed form; over θ by importance sampling, half of it far
    and wide and half around the bulk, so that neither nought nor a sharp peak is missed.

    Parameters
    ----------
    y, x, factors
        See :func:`fit_reml`.
    weights : ndarray of float64, shape (n,), optional
        Of each row, about 1 in the middle.
    scales : sequence of float, optional
        Of each factor's prior; :data:`PRIOR_SCALE` by default.
    powers : sequence of float
        Rows of weight w have the variance σ²/w^power; each power is tried and counts as it fits:
        0 takes all rows for equally sure, 1 takes a shift of half the hours for half as sure.
    draws : int
        How many.
    seed : int
        Of the random numbers: the same seed gives the same draws.

    Returns
    -------
    Posterior
        Quantiles of its draws are intervals that count the uncertainty of every spread in.

    Raises
    ------
    ValueError
        See :func:`fit_reml`.

    References
    ----------
    Gelman 2006, Bayesian Analysis 1(3), 515-533 (half-Cauchy priors of spreads); Owen and Zhou
    2000, J. Am. Stat. Assoc. 95, 135-143 (defensive mixtures). Both from memory.
    """
    weights = _checked(y, x, weights)
    rng = np.random.default_rng(seed)
    if np.ptp(weights) == 0.0:
        powers = powers[:1]
    solvers = [_Solver(_products(y, x, factors, weights**power)) for power in powers]
    count = len(factors)

    theta = _prior_points(_FIRST, count, rng.random(count))
    first = [s.at(theta) for s in solvers]
    likely = np.stack([-0.5 * s.criterion for s in first])
    likely -= likely.max()
    # Powers that fit far worse than another wherever one looks are not worth the time.
    good = np.logaddexp.reduce(likely, axis=1) > np.log(1e-3)
    worth = [k for k in range(len(solvers)) if good[k]]
    powers, likely = [powers[k] for k in worth], likely[worth]
    solvers, first = [solvers[k] for k in worth], [first[k] for k in worth]
    # Around the bulk of what the prior's points found, in log θ.
    share = np.exp(np.logaddexp.reduce(likely, axis=0))
    share /= share.sum()
    phi = np.log(theta)
    centre = share @ phi
    spread = (phi - centre).T @ (share[:, None] * (phi - centre)) + 0.02 * np.eye(count)
    root = np.linalg.cholesky(1.5 * spread)
    normal = rng.standard_normal((_THEN, count)) @ root.T
    more = centre + normal / np.sqrt(rng.chisquare(_T_DF, (_THEN, 1)) / _T_DF)
    more = np.clip(more, -12.0, 8.0)
    then = [s.at(np.exp(more)) for s in solvers]
    solved = [
        _Solved(*(np.concatenate(pair) for pair in zip(*two, strict=True)))
        for two in zip(first, then, strict=True)
    ]
    theta = np.vstack([theta, np.exp(more)])
    phi = np.vstack([phi, more])

    scale = np.full(count, PRIOR_SCALE) if scales is None else np.asarray(scales, dtype=np.float64)
    log_prior = _log_half_cauchy(phi, scale)
    offered = np.logaddexp(
        np.log(_FIRST) + _log_half_cauchy(phi, np.full(count, PRIOR_SCALE)),
        np.log(_THEN) + _log_t(phi - centre, root),
    )
    log_weight = np.stack([-0.5 * s.criterion + log_prior - offered for s in solved])
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    effective = float(1.0 / np.sum(weight.sum(axis=0) ** 2))

    chosen = _systematic(weight.ravel(), draws, rng)
    owner = solvers[0].parts.owner
    q, m = owner.size, solvers[0].parts.a.shape[0]
    free = y.size - x.shape[1]
    sigma = np.empty(draws)
    coefficients = np.empty((draws, m))
    for node in np.unique(chosen):
        power, point = divmod(int(node), theta.shape[0])
        mine = np.flatnonzero(chosen == node)
        lower, middle = solvers[power].factored(theta[point])
        s = np.sqrt(solved[power].squares[point] / rng.chisquare(free, mine.size))
        noise = _back(lower, rng.standard_normal((m, mine.size))).T
        sigma[mine] = s
        coefficients[mine] = middle + s[:, None] * noise
    mixed = rng.permutation(draws)
    chosen, sigma, coefficients = chosen[mixed], sigma[mixed], coefficients[mixed]
    spreads = theta[chosen % theta.shape[0]] * sigma[:, None]
    effects = coefficients[:, :q] * (theta[chosen % theta.shape[0]])[:, owner]
    return Posterior(
        beta=coefficients[:, q:],
        effects={f.name: effects[:, owner == k] for k, f in enumerate(factors)},
        spread={f.name: spreads[:, k] for k, f in enumerate(factors)},
        residual=sigma,
        weight_power=np.asarray(powers, dtype=np.float64)[chosen // theta.shape[0]],
        effective=effective,
    )


def _prior_points(number: int, count: int, shift: Floats) -> Floats:
    """Points spread evenly over the half-Cauchy prior of each θ: an additive recurrence."""
    golden = 2.0
    for _ in range(40):
        golden = (1.0 + golden) ** (1.0 / (count + 1.0))
    steps = golden ** -np.arange(1.0, count + 1.0)
    even = (shift + np.arange(1, number + 1)[:, None] * steps) % 1.0
    return np.asarray(PRIOR_SCALE * np.tan(0.5 * np.pi * np.clip(even, 1e-4, 1.0 - 1e-4)))


def _log_half_cauchy(phi: Floats, scale: Floats) -> Floats:
    """Log density of φ = log θ, θ half-Cauchy in each of its columns."""
    density = np.log(2.0 / (np.pi * scale)) + phi - np.log1p((np.exp(phi) / scale) ** 2)
    return np.asarray(np.sum(density, axis=1))


def _log_t(off: Floats, root: Floats) -> Floats:
    from scipy.special import gammaln  # type: ignore[import-untyped]

    count = root.shape[0]
    scaled = np.linalg.solve(root, off.T)
    return np.asarray(
        gammaln(0.5 * (_T_DF + count))
        - gammaln(0.5 * _T_DF)
        - 0.5 * count * np.log(_T_DF * np.pi)
        - np.sum(np.log(np.diagonal(root)))
        - 0.5 * (_T_DF + count) * np.log1p(np.sum(scaled**2, axis=0) / _T_DF)
    )


def _systematic(weight: Floats, draws: int, rng: np.random.Generator) -> Ints:
    """Indices drawn in proportion to their weight, as evenly as can be."""
    ladder = (np.arange(draws) + rng.random()) / draws
    found = np.searchsorted(np.cumsum(weight), ladder)
    return np.minimum(found, weight.size - 1).astype(np.int64)
