"""The smoother over a stretch's cycles, compiled: Kalman filter, and back again.

The state at each press, all in plain units of the fill:

    0  xi      x / x_scale: free volume over fill conductance, scaled
    1  phi     what blasting adds to xi a second of exposure
    2  leak    leak over fill conductance
    3  ln W    heat taken by the wall, and
    4  ln B    by the grains: h x = W + B (x_empty - x)
    5  xi_e    xi of the empty pot
    6  c       xi a kilogram of abrasive: the kilograms in the pot are (xi_e - xi) / c
    7  b       critical ratio of the filling path
    8  d       supply's zero error [kPa]
    9  used    what blasting has added to xi so far
    10 jump    what the last tipping took from xi
    11 kappa   ln of exhaust over fill conductance
    12 slack   what the model of the gas is off by in ln x, times how little heat it has time for

States 3 to 8 never change. Between presses xi grows by phi times the exposure, and falls by a
jump where abrasive was tipped; phi and leak walk at random. What a fill measured enters as the
information that ``fit_fills`` left, linearised where the last round stood (iterated smoother,
which is Gauss-Newton on everything at once).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from analytics.fill_kernel import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STATES = 13
XI, PHI, LEAK, LN_WALL, LN_GRAINS, XI_EMPTY, PER_KG = range(7)
RATIO, ZERO, USED, JUMP, KAPPA, SLACK = range(7, STATES)

#: Width of the bend where the grains' share of the heat ends, as a share of the empty pot's room.
SOFT = 0.01

#: Conductance of what leaves with the grains, over that of the filling path (our estimate).
METERED = 0.01

#: What is wanted of a smoothing beside the means and what is known at the last press: nothing; the
#: variances of jumps, and what is known at the first press; the covariance of each state.
MEANS, JUMPS, ALL = 0, 1, 2

#: Kinds of what can happen between two presses.
NOTHING, TIPPED, UNKNOWN_JUMP = 0, 1, 2


@compiled
def predicted(state: Floats, scale: float, coldness: float, out: Floats, jacobian: Floats) -> None:
    """What a fill would measure at a state: (ln x, leak, ratio, ln h, zero in Pa), with slopes."""
    xi = state[XI]
    wall = math.exp(state[LN_WALL])
    grains = math.exp(state[LN_GRAINS])
    gap = state[XI_EMPTY] - xi
    # a smooth max(gap, 0): a pot that reads a little less than empty still has a slope
    soft = SOFT * state[XI_EMPTY]
    bend = math.exp(-abs(gap) / soft)
    full = (max(gap, 0.0) + soft * math.log1p(bend)) * scale
    share = 1.0 / (1.0 + bend) if gap > 0.0 else bend / (1.0 + bend)
    heat = wall + grains * full
    out[0] = math.log(xi * scale) + state[SLACK] * coldness
    out[1] = state[LEAK]
    out[2] = state[RATIO]
    out[3] = math.log(heat / (xi * scale))
    out[4] = state[ZERO] * 1000.0
    jacobian[:] = 0.0
    jacobian[0, XI] = 1.0 / xi
    jacobian[0, SLACK] = coldness
    jacobian[1, LEAK] = 1.0
    jacobian[2, RATIO] = 1.0
    jacobian[3, XI] = -1.0 / xi - grains * scale * share / heat
    jacobian[3, XI_EMPTY] = grains * scale * share / heat
    jacobian[3, LN_WALL] = wall / heat
    jacobian[3, LN_GRAINS] = grains * full / heat
    jacobian[4, ZERO] = 1000.0


@compiled
def predicted_all(states: Floats, scale: float, coldness: Floats, out: Floats) -> None:
    """As :func:`predicted`, a row a state, without slopes; ``out`` is written, shape (n, 5)."""
    jacobian = np.zeros((5, STATES))
    for i in range(out.shape[0]):
        predicted(states[i], scale, coldness[i], out[i], jacobian)


@compiled
def settled(leak: float, ratio: float) -> tuple[float, float, float]:
    """How far under its supply a leaking pot settles, as a share, with slopes by leak and ratio.

    ``1 - air.settled_ratio``, near enough for leaks below a third of the filling path.
    """
    half = 0.5 * leak * leak
    return half * (1.0 - ratio), leak * (1.0 - ratio), -half


#: What is read beside the fill: empty at the press, empty at the release, exhaust, full pot.
_READINGS = 4
#: Numbers that the smoother needs room for, a cycle.
WORK = STATES + STATES * STATES + 2 * 5 * STATES + 25 + 5 + 2 * _READINGS * STATES


@compiled
def _eliminate(system: Floats) -> None:
    """Solve a small system by Gauss's method with pivots, in place: (A, B) becomes (1, A^-1 B)."""
    n = system.shape[0]
    for c in range(n):
        best = c
        for i in range(c + 1, n):
            if abs(system[i, c]) > abs(system[best, c]):
                best = i
        if best != c:
            for j in range(system.shape[1]):
                system[c, j], system[best, j] = system[best, j], system[c, j]
        by = 1.0 / system[c, c]
        for j in range(c, system.shape[1]):
            system[c, j] *= by
        for i in range(n):
            if i != c:
                by = system[i, c]
                for j in range(c, system.shape[1]):
                    system[i, j] -= by * system[c, j]


@compiled
def _moved(state: Floats, exposure: float, tipped_kg: float, jumped: bool) -> None:
    """Take a state from a press to the next, in place; what is unknown of a jump apart."""
    state[XI] += exposure * state[PHI]
    state[USED] += exposure * state[PHI]
    if jumped:
        state[JUMP] = tipped_kg * state[PER_KG]
        state[XI] -= state[JUMP]


@compiled
def _moved_back(state: Floats, exposure: float, tipped_kg: float, jumped: bool) -> None:
    """The transpose of :func:`_moved`, in place."""
    if jumped:
        state[PER_KG] += tipped_kg * (state[JUMP] - state[XI])
        state[JUMP] = 0.0
    state[PHI] += exposure * (state[XI] + state[USED])


@compiled
def _moved_matrix(p: Floats, exposure: float, tipped_kg: float, jumped: bool) -> None:
    """The same for a covariance, from both sides, in place."""
    for j in range(STATES):
        _moved(p[:, j], exposure, tipped_kg, jumped)
    for i in range(STATES):
        _moved(p[i], exposure, tipped_kg, jumped)
    _symmetric(p)


@compiled
def _moved_back_matrix(b: Floats, exposure: float, tipped_kg: float, jumped: bool) -> None:
    """The transpose of :func:`_moved_matrix`, in place."""
    for j in range(STATES):
        _moved_back(b[:, j], exposure, tipped_kg, jumped)
    for i in range(STATES):
        _moved_back(b[i], exposure, tipped_kg, jumped)
    _symmetric(b)


@compiled
def _symmetric(p: Floats) -> None:
    """Give a matrix the mean of both its halves, which rounding makes differ."""
    for i in range(STATES):
        for j in range(i):
            both = 0.5 * (p[i, j] + p[j, i])
            p[i, j] = both
            p[j, i] = both


@compiled
def _look_back_at_fill(
    b: Floats, w: Floats, jac: Floats, g: Floats, bw: Floats, gbw: Floats, inner: Floats, t: Floats
) -> None:
    """The adjoint's matrix taken back over a fill, in place; the last four are room to work in."""
    for i in range(STATES):
        for j in range(5):
            bw[i, j] = 0.0
        for c in range(STATES):
            for j in range(5):
                bw[i, j] += b[i, c] * w[c, j]
    for i in range(5):
        for c in range(STATES):
            total = 0.0
            for j in range(5):
                total += g[i, j] * bw[c, j]
            gbw[i, c] = total
    # G + G w' b w G
    for i in range(5):
        for j in range(5):
            total = 0.0
            for c in range(STATES):
                total += gbw[i, c] * w[c, j]
            t[j] = total
        for j in range(5):
            total = g[i, j]
            for c in range(5):
                total += t[c] * g[c, j]
            inner[i, j] = total
    for i in range(5):
        for c in range(STATES):
            by = jac[i, c]
            if by != 0.0:
                for j in range(STATES):
                    total = -gbw[i, j]
                    b[c, j] += by * total
                    b[j, c] += by * total
                for j in range(5):
                    for d in range(STATES):
                        b[c, d] += by * inner[i, j] * jac[j, d]


@compiled
def _look_back(
    forward: Floats, forward_cov: Floats, across: Floats, weighs: Floats, pulls: Floats,
    slopes: Floats, rows: Floats, reached: Floats, over: Floats, stepped: Floats, measured: Ints,
    exposure: Floats, tipped_kg: Floats, happened: Ints, wanted: int, mean: Floats, cov: Floats,
    jump_variance: Floats,
) -> None:  # fmt: skip
    """Smooth backward: what all later cycles tell of each, without an inverse.

    Bryson and Frazier's form, modified: an adjoint state ``a`` and its matrix ``b`` run back, and
    what is smoothed is ``x - P a`` and ``P - P b P``.

    References
    ----------
    G. J. Bierman, Int. J. Control 18 (1973) 1001 (from memory): the modified form.
    """
    a, b = np.zeros(STATES), np.zeros((STATES, STATES))
    half = np.zeros((STATES, STATES))
    bw, gbw = np.zeros((STATES, 5)), np.zeros((5, STATES))
    inner, t, bp = np.zeros((5, 5)), np.zeros(5), np.zeros(STATES)
    for k in range(exposure.size - 1, -1, -1):
        p = forward_cov[k]
        for i in range(STATES):
            total = forward[k, i]
            for j in range(STATES):
                total -= p[i, j] * a[j]
            mean[k, i] = total
        if wanted == ALL or (k == 0 and wanted == JUMPS) or k == exposure.size - 1:
            for i in range(STATES):
                half[i] = 0.0
                for j in range(STATES):
                    by = p[i, j]
                    for c in range(STATES):
                        half[i, c] += by * b[j, c]
            for i in range(STATES):
                for j in range(i + 1):
                    total = p[i, j]
                    for c in range(STATES):
                        total -= half[i, c] * p[j, c]
                    cov[k, i, j] = total
                    cov[k, j, i] = total
            jump_variance[k] = cov[k, JUMP, JUMP]
        elif wanted == JUMPS:
            jump_variance[k] = p[JUMP, JUMP]
            for i in range(STATES):
                total = 0.0
                for j in range(STATES):
                    total += b[i, j] * p[JUMP, j]
                jump_variance[k] -= p[JUMP, i] * total
        if k == 0:
            break
        for which in range(_READINGS - 1, -1, -1):
            by = over[k, which]
            if by == 0.0:
                continue
            row, ph = rows[k, which], reached[k, which]
            along, twice = 0.0, 0.0
            for i in range(STATES):
                along += ph[i] * a[i]
            for i in range(STATES):
                a[i] -= row[i] * (along * by + stepped[k, which])
            if wanted == MEANS:
                continue
            for i in range(STATES):
                total = 0.0
                for j in range(STATES):
                    total += b[i, j] * ph[j]
                bp[i] = total
                twice += ph[i] * total
            for i in range(STATES):
                if row[i] != 0.0:
                    for j in range(STATES):
                        b[i, j] -= row[i] * by * bp[j]
                        b[j, i] -= row[i] * by * bp[j]
            for i in range(STATES):
                if row[i] != 0.0:
                    for j in range(STATES):
                        b[i, j] += row[i] * row[j] * by * (1.0 + twice * by)
        if measured[k] == 1:
            w, jac, g = across[k], slopes[k], weighs[k]
            for i in range(5):
                t[i] = 0.0
                for c in range(STATES):
                    t[i] += w[c, i] * a[c]
            for i in range(5):
                total = pulls[k, i]
                for j in range(5):
                    total += g[i, j] * t[j]
                for c in range(STATES):
                    a[c] -= jac[i, c] * total
            if wanted != MEANS:
                _look_back_at_fill(b, w, jac, g, bw, gbw, inner, t)
        kg = tipped_kg[k - 1] if happened[k - 1] == TIPPED else 0.0
        jumped = happened[k - 1] != NOTHING
        _moved_back(a, exposure[k - 1], kg, jumped)
        if wanted != MEANS:
            _moved_back_matrix(b, exposure[k - 1], kg, jumped)


@compiled
def smooth(
    mean0: Floats, cov0: Floats, about: Floats, scale: float, measured: Ints, at: Floats,
    information: Floats, pull: Floats, trust: Floats, coldness: Floats, exposure: Floats,
    feed_noise: float, feed_walk: float, leak_walk: float, empty_error: Floats,
    start_empty_error: Floats, exhaust: Floats, exhaust_error: Floats, exhaust_walk: float,
    gap: Floats, gap_error: Floats, gap_supply: Floats,
    happened: Ints, tipped_kg: Floats, tipped_error_kg: Floats, wide: float, wanted: int,
    work: Floats, mean: Floats, cov: Floats, jump_variance: Floats, surprise: Floats,
    surprise_sd: Floats,
) -> float:  # fmt: skip
    """Filter forward, smooth backward; returns the log-likelihood of the surprises of ln x.

    Parameters
    ----------
    mean0, cov0 : numpy.ndarray, shape (13,), (13, 13)
        The state at the first press, before anything is measured.
    about : numpy.ndarray, shape (n, 13)
        Where to linearise.
    scale : float
        x_scale. [s Pa]
    measured : numpy.ndarray of int, shape (n,)
        1 where the cycle has a fit.
    at : numpy.ndarray, shape (n, 5)
        Where each fit stands: (ln x, leak, ratio, ln h, zero in Pa).
    information, pull : numpy.ndarray, shape (n, 5, 5), (n, 5)
        From ``fit_fills``.
    trust : numpy.ndarray, shape (n,)
        Factor on a fit's information: below 1 for one that is doubted. [-]
    coldness : numpy.ndarray, shape (n,)
        How little heat the gas has time for in a fill, 0 to 1. [-]
    exposure : numpy.ndarray, shape (n,)
        Seconds of blasting, scaled by pressure. [s]
    feed_noise, feed_walk, leak_walk : float
        Standard deviations: of a cycle's consumption as a share of it; of phi's change from
        cycle to cycle as a share; of the leak ratio's change.
    empty_error : numpy.ndarray, shape (n,)
        Where the pot ran empty in this cycle: standard error of xi then; else NaN.
    start_empty_error : numpy.ndarray, shape (n,)
        Where it was empty when pressed, likewise.
    exhaust, exhaust_error : numpy.ndarray, shape (n,)
        ln of the exhaust's conductance over free volume, and its standard error; NaN: none.
    exhaust_walk : float
        Standard deviation of kappa's change from cycle to cycle. [-]
    gap, gap_error, gap_supply : numpy.ndarray, shape (n,)
        Pot less manifold once the pot is full, its standard error, and the manifold's pressure
        then [Pa]; NaN: none.
    happened, tipped_kg, tipped_error_kg : numpy.ndarray, shape (n,)
        What happened after the cycle; with TIPPED the kilograms and their error.
    wide : float
        Standard deviation of an unknown jump. [xi]
    wanted : int
        ``MEANS``, ``JUMPS`` or ``ALL``: what is written beside the means.
    work : numpy.ndarray, shape (n, ``WORK``)
        Room to work in.
    mean, cov : numpy.ndarray, shape (n, 13), (n, 13, 13)
        Written: smoothed.
    jump_variance : numpy.ndarray, shape (n,)
        Written where wanted: of each state's jump.
    surprise, surprise_sd : numpy.ndarray, shape (n,)
        Written: how far ln x was from its prediction by all earlier cycles, and the standard
        deviation expected; NaN without a fit.
    """
    n = exposure.size
    # Of each fill: the state's covariance with what it measures, what it weighs, what it pulls;
    # of each further reading: the same for one row.
    flat, at_ = work.reshape(work.size), 0
    forward = flat[at_ : at_ + n * STATES].reshape((n, STATES))
    at_ += forward.size
    forward_cov = flat[at_ : at_ + n * STATES * STATES].reshape((n, STATES, STATES))
    at_ += forward_cov.size
    across = flat[at_ : at_ + n * STATES * 5].reshape((n, STATES, 5))
    at_ += across.size
    slopes = flat[at_ : at_ + n * STATES * 5].reshape((n, 5, STATES))
    at_ += slopes.size
    weighs = flat[at_ : at_ + n * 25].reshape((n, 5, 5))
    at_ += weighs.size
    pulls = flat[at_ : at_ + n * 5].reshape((n, 5))
    at_ += pulls.size
    rows = flat[at_ : at_ + n * _READINGS * STATES].reshape((n, _READINGS, STATES))
    at_ += rows.size
    reached = flat[at_ : at_ + n * _READINGS * STATES].reshape((n, _READINGS, STATES))
    over, stepped = np.zeros((n, _READINGS)), np.zeros((n, _READINGS))
    m, p = mean0.copy(), cov0.copy()
    y, v, t = np.zeros(5), np.zeros(5), np.zeros(5)
    inner, system, row = np.zeros((5, 5)), np.zeros((5, 10)), np.zeros(STATES)
    likelihood = 0.0
    for k in range(n):
        surprise[k] = np.nan
        surprise_sd[k] = np.nan
        if measured[k] == 1:
            jac, w = slopes[k], across[k]
            predicted(about[k], scale, coldness[k], y, jac)
            for i in range(5):
                v[i] = y[i] - at[k, i]
                for j in range(STATES):
                    v[i] += jac[i, j] * (m[j] - about[k, j])
            for i in range(STATES):
                w[i, 0] = p[i, XI] * jac[0, XI] + p[i, SLACK] * jac[0, SLACK]
                w[i, 1] = p[i, LEAK]
                w[i, 2] = p[i, RATIO]
                w[i, 3] = p[i, XI] * jac[3, XI] + p[i, XI_EMPTY] * jac[3, XI_EMPTY]
                w[i, 3] += p[i, LN_WALL] * jac[3, LN_WALL] + p[i, LN_GRAINS] * jac[3, LN_GRAINS]
                w[i, 4] = p[i, ZERO] * jac[4, ZERO]
            for i in range(5):
                for j in range(5):
                    inner[i, j] = 0.0
                for c in range(STATES):
                    by = jac[i, c]
                    if by != 0.0:
                        for j in range(5):
                            inner[i, j] += by * w[c, j]
            # surprise of ln x and leak, the rest as the state has it
            a00 = information[k, 0, 0] * trust[k] + 1e-9
            a11 = information[k, 1, 1] * trust[k] + 1e-6
            a01 = information[k, 0, 1] * trust[k]
            whole = a00 * a11 - a01 * a01
            b00, b01 = a11 / whole, -a01 / whole
            found0, found1 = pull[k, 0] * trust[k], pull[k, 1] * trust[k]
            for j in range(2, 5):
                found0 -= information[k, 0, j] * trust[k] * v[j]
                found1 -= information[k, 1, j] * trust[k] * v[j]
                t[j] = (b00 * information[k, 0, j] + b01 * information[k, 1, j]) * trust[k]
            t[0], t[1] = 1.0, 0.0
            spread = b00
            for i in range(5):
                for j in range(5):
                    spread += t[i] * inner[i, j] * t[j]
            surprise[k] = b00 * found0 + b01 * found1 - v[0]
            surprise_sd[k] = math.sqrt(max(spread, 1e-18))
            z = surprise[k] / surprise_sd[k]
            likelihood -= 0.5 * min(z * z, 25.0) + math.log(surprise_sd[k])
            # (1 + L S)^-1 L, L what the fill tells and S what was known of it
            for i in range(5):
                pulls[k, i] = pull[k, i] * trust[k]
                for j in range(5):
                    system[i, 5 + j] = information[k, i, j] * trust[k]
                    pulls[k, i] -= system[i, 5 + j] * v[j]
            for i in range(5):
                for j in range(5):
                    total = 1.0 if i == j else 0.0
                    for c in range(5):
                        total += system[i, 5 + c] * inner[c, j]
                    system[i, j] = total
            _eliminate(system)
            for i in range(5):
                for j in range(5):
                    weighs[k, i, j] = 0.5 * (system[i, 5 + j] + system[j, 5 + i])
            # d - G S d: what moves the state, seen from before the fill
            for i in range(5):
                t[i] = 0.0
                for j in range(5):
                    t[i] += inner[i, j] * pulls[k, j]
            for i in range(5):
                total = pulls[k, i]
                for j in range(5):
                    total -= weighs[k, i, j] * t[j]
                v[i] = total
            for i in range(5):
                pulls[k, i] = v[i]
            for i in range(STATES):
                for j in range(5):
                    m[i] += w[i, j] * pulls[k, j]
                for j in range(5):
                    total = 0.0
                    for c in range(5):
                        total += w[i, c] * weighs[k, c, j]
                    t[j] = total
                for j in range(i + 1):
                    total = p[i, j]
                    for c in range(5):
                        total -= t[c] * w[j, c]
                    p[i, j] = total
                    p[j, i] = total
        for which in range(_READINGS):
            row[:] = 0.0
            s, off, told = 0.0, 0.0, False
            if which < 2:
                error = start_empty_error[k] if which == 0 else empty_error[k]
                told = not math.isnan(error)
                row[XI], row[XI_EMPTY] = 1.0, -1.0
                row[PHI] = exposure[k] if which == 1 else 0.0
                s = error * error
                for j in range(STATES):
                    off -= row[j] * m[j]
            elif which == 2 and not math.isnan(exhaust[k]):
                told = True
                end = max(about[k, XI] + about[k, PHI] * exposure[k], 1e-3)
                row[XI], row[PHI], row[KAPPA] = -1.0 / end, -exposure[k] / end, 1.0
                # kappa - ln x at the release, linearised
                off = exhaust[k] - about[k, KAPPA] + math.log(end * scale)
                for j in range(STATES):
                    off -= row[j] * (m[j] - about[k, j])
                s = exhaust_error[k] ** 2
            elif which == 3 and not math.isnan(gap[k]):
                told = True
                leak, ratio = max(about[k, LEAK], 0.0) + METERED, about[k, RATIO]
                low, by_leak, by_ratio = settled(leak, ratio)
                row[ZERO] = 1000.0
                row[LEAK] = -gap_supply[k] * by_leak
                row[RATIO] = -gap_supply[k] * by_ratio
                off = gap[k] - about[k, ZERO] * 1000.0 + gap_supply[k] * low
                for j in range(STATES):
                    off -= row[j] * (m[j] - about[k, j])
                s = gap_error[k] ** 2
            if not told:
                continue
            ph = reached[k, which]
            for i in range(STATES):
                ph[i] = 0.0
            for j in range(STATES):
                if row[j] != 0.0:
                    for i in range(STATES):
                        ph[i] += p[j, i] * row[j]
            for i in range(STATES):
                s += row[i] * ph[i]
            if which == 2 and not off * off < 25.0 * s:
                continue
            over[k, which] = 1.0 / s
            stepped[k, which] = off / s
            for i in range(STATES):
                rows[k, which, i] = row[i]
                m[i] += ph[i] * stepped[k, which]
                by = ph[i] * over[k, which]
                for j in range(STATES):
                    p[i, j] -= by * ph[j]
        forward[k] = m
        forward_cov[k] = p
        # What happens until the next press.
        kg = tipped_kg[k] if happened[k] == TIPPED else 0.0
        jumped = happened[k] != NOTHING
        _moved(m, exposure[k], kg, jumped)
        _moved_matrix(p, exposure[k], kg, jumped)
        fed = abs(about[k, PHI]) * exposure[k]
        noise = (feed_noise * fed) ** 2 + 1e-12
        p[XI, XI] += noise
        p[USED, USED] += noise
        p[XI, USED] += noise
        p[USED, XI] += noise
        p[PHI, PHI] += (feed_walk * about[k, PHI]) ** 2
        p[LEAK, LEAK] += leak_walk * leak_walk
        p[KAPPA, KAPPA] += exhaust_walk * exhaust_walk
        if jumped:
            noise = wide * wide
            if happened[k] == TIPPED:
                noise = (tipped_error_kg[k] * about[k, PER_KG]) ** 2
            p[JUMP, JUMP] += noise
            p[XI, XI] += noise
            p[XI, JUMP] -= noise
            p[JUMP, XI] -= noise
    _look_back(
        forward, forward_cov, across, weighs, pulls, slopes, rows, reached, over, stepped,
        measured, exposure, tipped_kg, happened, wanted, mean, cov, jump_variance,
    )  # fmt: skip
    return likelihood


@compiled
def blur(information: Floats, pull: Floats, error: Floats, leak_error: float) -> None:
    """Add a variance of ln x, and one of the leak, to what fits say; in place.

    (L^-1 + S)^-1 = L - L e (1/s^2 + e'L e)^-1 e'L for S = s^2 e e'.

    Parameters
    ----------
    information, pull : numpy.ndarray, shape (n, 5, 5), (n, 5)
    error : numpy.ndarray, shape (n,)
        Standard deviation of ln x. [-]
    leak_error : float
        Of the leak ratio. [-]
    """
    row = np.zeros(5)
    for k in range(error.size):
        for column in range(2):
            spread = error[k] if column == 0 else leak_error
            for i in range(5):
                row[i] = information[k, column, i]
            share = 1.0 / (1.0 / spread**2 + row[column])
            off = share * pull[k, column]
            for i in range(5):
                pull[k, i] -= off * row[i]
                for j in range(5):
                    information[k, i, j] -= share * row[i] * row[j]
