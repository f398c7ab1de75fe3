"""Has something changed? EWMA and CUSUM charts of an indicator, and how often they cry wolf.

A chart compares a series with a reference mean and sigma. What it is worth is said by its run
length: how many observations pass on average until it signals, while nothing has changed (long,
please) and after a change (short). The second half of this module computes run lengths, and finds
the limits that a stated run length asks for.

All run lengths hold for independent, normal observations with a KNOWN mean and sigma. A reference
estimated from few cycles, or an indicator that follows temperature, crew or the level in the pot,
signals far more often: take out what is known first.

References
----------
.. [1] ISO 7870-6:2016, EWMA control charts; ISO 7870-4:2021, CUSUM charts (editions from memory).
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4 (published).
.. [3] J. M. Lucas, M. S. Saccucci, Technometrics 32 (1990) 1, doi:10.1080/00401706.1990.10484583.
.. [4] J. M. Lucas, R. B. Crosier, Technometrics 24 (1982) 199, doi:10.1080/00401706.1982.10487759.
.. [5] S. V. Crowder, Technometrics 29 (1987) 401: the integral equation (all three from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: Mean of the range of two normal observations over sigma, 2/sqrt(π). [-]
_RANGE_OF_TWO = 2.0 / np.sqrt(np.pi)
#: Sigma over the median absolute deviation of normal observations. [-]
_SIGMA_PER_MAD = 1.482602218505602

#: Gauss-Legendre points to a standard deviation of the kernel; 6 leave no digit to be seen.
_POINTS_PER_SIGMA = 6.0
_LEAST_POINTS = 48

#: Observations whose sums are taken at once, at most.
_CHUNK = 4_096


@dataclass(frozen=True)
class Reference:
    """What an indicator is compared with.

    Parameters
    ----------
    mean, sigma : float
        Centre and standard deviation, in the indicator's own unit.
    observations : int
        How many it was estimated from.
    method : str
        How sigma was estimated.
    """

    mean: float
    sigma: float
    observations: int
    method: str


@dataclass(frozen=True)
class EwmaChart:
    """An EWMA chart: arrays as long as the series.

    Parameters
    ----------
    smoothed : ndarray of float64
        The moving average, in the indicator's unit; carried where there was no observation.
    lower, upper : ndarray of float64
        Its limits.
    signal_low, signal_high : ndarray of bool
        An observation took the average under the lower, over the upper limit.
    """

    smoothed: Floats
    lower: Floats
    upper: Floats
    signal_low: Bools
    signal_high: Bools


@dataclass(frozen=True)
class CusumChart:
    """A two-sided tabular CUSUM: arrays as long as the series.

    Parameters
    ----------
    low, high : ndarray of float64
        Sums of what lies under and over the mean by more than the reference value, in sigma, none
        negative; carried where there was no observation.
    signal_low, signal_high : ndarray of bool
        An observation took or kept the sum over the decision interval.
    """

    low: Floats
    high: Floats
    signal_low: Bools
    signal_high: Bools


def estimate_reference(
    values: npt.ArrayLike, method: Literal["moving_range", "sample", "median"] = "moving_range"
) -> Reference:
    """Mean and sigma of a series from a time when all was well.

    Parameters
    ----------
    values : array_like, shape (n,)
        Observations in order; NaN counts as none.
    method : {"moving_range", "sample", "median"}
        Sigma from the mean range of two successive observations over 1.128, which a slow drift
        hardly widens; the sample standard deviation; or median and median absolute deviation times
        1.4826, which a few wild observations hardly move.

    Returns
    -------
    Reference
        NaN mean and sigma where there are fewer than two observations.

    Raises
    ------
    ValueError
        The method is none of the three.

    Examples
    --------
    >>> estimate_reference([4.0, 6.0, np.nan, 4.0, 6.0], "sample").mean
    5.0

    References
    ----------
    ISO 7870-2:2013, individuals and moving range (clause from memory).
    """
    series = np.asarray(values, dtype=np.float64)
    series = series[~np.isnan(series)]
    if method not in ("moving_range", "sample", "median"):
        raise ValueError(f"{method} is none of moving_range, sample, median")
    if series.size < 2:
        return Reference(np.nan, np.nan, series.size, method)
    centre = float(np.mean(series))
    if method == "moving_range":
        sigma = float(np.mean(np.abs(np.diff(series)))) / _RANGE_OF_TWO
    elif method == "sample":
        sigma = float(np.std(series, ddof=1))
    else:
        centre = float(np.median(series))
        sigma = _SIGMA_PER_MAD * float(np.median(np.abs(series - centre)))
    return Reference(centre, float(sigma), series.size, method)


def ewma_chart(
    values: npt.ArrayLike,
    mean: npt.ArrayLike,
    sigma: npt.ArrayLike,
    smoothing: float,
    limit_width: float,
    limits: Literal["exact", "asymptotic"] = "exact",
    groups: npt.ArrayLike | None = None,
) -> EwmaChart:
    """Exponentially weighted moving average of a series, with its limits.

    z_t = λ x_t + (1 - λ) z_(t-1), z_0 = μ;  μ ± L σ sqrt(λ/(2 - λ)), "exact": times
    sqrt(1 - (1 - λ)^(2t)), t counting observations

    Parameters
    ----------
    values : array_like, shape (n,)
        x, in order; NaN is no observation: the average is carried and nothing signals.
    mean, sigma : array_like, scalar or shape (n,)
        μ and σ; arrays where each observation has its own, such as a reference for each part. An
        observation without a usable one (NaN, or a σ of 0) is none.
    smoothing : float
        λ, above 0 to 1; 1 is a Shewhart chart. [-]
    limit_width : float
        L, in standard deviations of the average; :func:`ewma_limit_width` finds it. [-]
    limits : {"exact", "asymptotic"}
        Limits that widen from the start on as the average's own spread does, or those that it
        tends to.
    groups : array_like or None, shape (n,)
        Where this differs from the entry before, such as at a part newly fitted, the chart starts
        anew.

    Returns
    -------
    EwmaChart
        Averages are taken of x - μ, so they start at μ and follow it where it changes.

    Raises
    ------
    ValueError
        The smoothing, the width, the kind of limits or the shape of the arrays makes no sense.

    Examples
    --------
    >>> chart = ewma_chart([52.0, 47.0, 53.0], 50.0, 2.0539, 0.3, 3.0)
    >>> chart.smoothed.round(2).tolist()
    [50.6, 49.52, 50.56]
    >>> (chart.upper - 50.0).round(4).tolist()
    [1.8485, 2.2564, 2.4314]

    References
    ----------
    ISO 7870-6:2016; the example is that of the NIST/SEMATECH e-Handbook, 6.3.2.4.
    """
    # SciPy is imported where it is used: a command with nothing to reckon shall not wait for it.
    from scipy.signal import lfilter  # type: ignore[import-untyped]

    _check_smoothing(smoothing, limit_width)
    if limits not in ("exact", "asymptotic"):
        raise ValueError(f"{limits} is none of exact, asymptotic")
    series, centre, spread = _series(values, mean, sigma)
    seen = ~np.isnan(series)
    deviation = np.zeros_like(series)
    count = np.zeros(series.shape, dtype=np.int64)
    for part in _stretches(series, groups):
        mine = seen[part]
        count[part] = np.cumsum(mine)
        filtered = lfilter([smoothing], [1.0, smoothing - 1.0], (series - centre)[part][mine])
        deviation[part] = np.concatenate([[0.0], filtered])[count[part]]
    half = limit_width * spread * np.sqrt(smoothing / (2.0 - smoothing))
    if limits == "exact":
        half = half * np.sqrt(1.0 - (1.0 - smoothing) ** (2.0 * count))
    return EwmaChart(
        smoothed=centre + deviation,
        lower=centre - half,
        upper=centre + half,
        signal_low=seen & (deviation < -half),
        signal_high=seen & (deviation > half),
    )


def cusum_chart(
    values: npt.ArrayLike,
    mean: npt.ArrayLike,
    sigma: npt.ArrayLike,
    reference_value: float,
    decision_interval: float,
    head_start: float = 0.0,
    reset_after_signal: bool = False,
    groups: npt.ArrayLike | None = None,
) -> CusumChart:
    """Tabular cumulative sums of a series, to either side.

    With y = (x - μ)/σ:  S⁺ = max(0, S⁺ + y - k),  S⁻ = max(0, S⁻ - y - k);  signal above h

    Parameters
    ----------
    values : array_like, shape (n,)
        x, in order; NaN is no observation: the sums are carried and nothing signals.
    mean, sigma : array_like, scalar or shape (n,)
        μ and σ; a σ of 1 makes k and h those of the indicator's own unit. An observation without a
        usable one (NaN, or a σ of 0) is none.
    reference_value : float
        k, half of the shift that is to be found, in sigma. [-]
    decision_interval : float
        h, in sigma; :func:`cusum_decision_interval` finds it. [-]
    head_start : float
        Where both sums start ("fast initial response"), usually 0 or h/2. [-]
    reset_after_signal : bool
        Start both sums anew after an observation that signals, rather than let them run on.
    groups : array_like or None, shape (n,)
        Where this differs from the entry before, the chart starts anew.

    Returns
    -------
    CusumChart
        Sums in sigma.

    Raises
    ------
    ValueError
        The reference value, the interval, the head start or the shape of the arrays makes no sense.

    Notes
    -----
    Without a loop over observations: with the running total T of y - k from a start s,
    S⁺ = T - min(-s, least T so far).

    Examples
    --------
    >>> chart = cusum_chart([102.0, 94.8, 98.3, 98.4], 99.0, 1.0, 1.0, 10.0)
    >>> chart.high.round(1).tolist(), chart.low.round(1).tolist()
    ([2.0, 0.0, 0.0, 0.0], [0.0, 3.2, 2.9, 2.5])

    References
    ----------
    ISO 7870-4:2021; the example is Montgomery and Runger's 16-6 (published).
    """
    _check_cusum(reference_value, decision_interval, head_start)
    series, centre, spread = _series(values, mean, sigma)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = (series - centre) / spread
    seen = np.isfinite(scaled)
    low, high = np.zeros_like(series), np.zeros_like(series)
    for part in _stretches(series, groups):
        at, rise, fall, ahead = part.start, head_start, head_start, _CHUNK
        while at < part.stop:
            end = min(at + ahead, part.stop)
            place = np.cumsum(seen[at:end])
            y = scaled[at:end][seen[at:end]]
            rises = _sums(y - reference_value, rise)
            falls = _sums(-y - reference_value, fall)
            over = np.flatnonzero(np.maximum(rises, falls)[1:] > decision_interval)
            resets = reset_after_signal and over.size > 0
            if resets:
                end = at + int(np.searchsorted(place, over[0] + 1)) + 1
            high[at:end], low[at:end] = rises[place[: end - at]], falls[place[: end - at]]
            rise, fall = (head_start, head_start) if resets else (high[end - 1], low[end - 1])
            # where one signal follows another there is little use in looking far ahead
            ahead = 64 if resets else min(4 * ahead, _CHUNK)
            at = end
    return CusumChart(
        low=low,
        high=high,
        signal_low=seen & (low > decision_interval),
        signal_high=seen & (high > decision_interval),
    )


def _sums(steps: Floats, start: float) -> Floats:
    """The one-sided sum at the start and after each step."""
    total = np.concatenate([[0.0], np.cumsum(steps)])
    return np.asarray(total - np.minimum.accumulate(np.concatenate([[-start], total[1:]])))


class ChartState(NamedTuple):
    """Where both charts of a series stand after an observation, to go on from there to the bit.

    Parameters
    ----------
    deviation : float
        Moving average less the mean.
    place : int
        Observations since the CUSUM's running totals were last begun.
    high, low : (float, float)
        Running total, and the least that it was, of either side. [sigma]
    """

    deviation: float
    place: int
    high: tuple[float, float]
    low: tuple[float, float]


#: Before the first observation.
CHART_BEGINS = ChartState(0.0, 0, (0.0, 0.0), (0.0, 0.0))


def charts_go_on(
    values: npt.ArrayLike,
    mean: npt.ArrayLike,
    sigma: npt.ArrayLike,
    smoothing: float,
    reference_value: float,
    state: ChartState,
) -> tuple[Floats, Floats, Floats, ChartState]:
    """Both charts over what comes after a state.

    Parameters
    ----------
    values : array_like, shape (n,)
        x, in order, finite.
    mean, sigma : array_like, scalar or shape (n,)
        μ and σ, usable for each.
    smoothing, reference_value : float
        λ of the EWMA, and k of the CUSUM. [-], [sigma]
    state : ChartState
        Where the charts stand before.

    Returns
    -------
    (ndarray, ndarray, ndarray, ChartState)
        Averages less the mean, sums to the high and to the low side, and where the charts stand
        after: those of :func:`ewma_chart` and :func:`cusum_chart` of the whole series.

    Examples
    --------
    >>> x = [52.0, 47.0, 53.0]
    >>> *_, state = charts_go_on(x[:2], 50.0, 2.0, 0.3, 0.5, CHART_BEGINS)
    >>> deviation, high, low, _ = charts_go_on(x[2:], 50.0, 2.0, 0.3, 0.5, state)
    >>> bool(deviation[0] + 50.0 == ewma_chart(x, 50.0, 2.0, 0.3, 3.0).smoothed[2])
    True
    """
    from scipy.signal import lfilter

    series, centre, spread = _series(values, mean, sigma)
    carried = [-(smoothing - 1.0) * state.deviation]
    deviation, _ = lfilter(
        [smoothing], [1.0, smoothing - 1.0], series - centre, zi=np.array(carried)
    )
    y = (series - centre) / spread
    high, low = np.empty_like(series), np.empty_like(series)
    at, place, rise, fall = 0, state.place, state.high, state.low
    while at < series.size:
        if place == _CHUNK:
            above, under = rise[0] - rise[1], fall[0] - fall[1]
            place, rise, fall = 0, (0.0, -above), (0.0, -under)
        end = min(at + _CHUNK - place, series.size)
        high[at:end], rise = _sums_go_on(y[at:end] - reference_value, rise)
        low[at:end], fall = _sums_go_on(-y[at:end] - reference_value, fall)
        place, at = place + end - at, end
    last = float(deviation[-1]) if series.size else state.deviation
    return np.asarray(deviation), high, low, ChartState(last, place, rise, fall)


def _sums_go_on(steps: Floats, before: tuple[float, float]) -> tuple[Floats, tuple[float, float]]:
    total = np.cumsum(np.concatenate([[before[0]], steps]))
    least = np.minimum.accumulate(np.concatenate([[before[1]], total[1:]]))
    return (total - least)[1:], (float(total[-1]), float(least[-1]))


def _series(
    values: npt.ArrayLike, mean: npt.ArrayLike, sigma: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    series = np.asarray(values, dtype=np.float64)
    if series.ndim != 1:
        raise ValueError("a series has one dimension")
    centre = np.broadcast_to(np.asarray(mean, dtype=np.float64), series.shape)
    spread = np.broadcast_to(np.asarray(sigma, dtype=np.float64), series.shape)
    if np.any(spread < 0.0):
        raise ValueError("sigma is negative")
    usable = np.isfinite(series) & np.isfinite(centre) & np.isfinite(spread) & (spread > 0.0)
    return np.where(usable, series, np.nan), centre, spread


def _stretches(series: Floats, groups: npt.ArrayLike | None) -> Iterator[slice]:
    """Slices of a series in which the group stays the same."""
    starts = np.zeros(1, dtype=np.int64)
    if groups is not None:
        label = np.asarray(groups)
        if label.shape != series.shape:
            raise ValueError("groups are as many as values")
        starts = np.concatenate([starts, np.flatnonzero(label[1:] != label[:-1]) + 1])
    for start, stop in zip(starts, [*starts[1:], series.size], strict=True):
        yield slice(int(start), int(stop))


def _check_smoothing(smoothing: float, limit_width: float) -> None:
    if not 0.0 < smoothing <= 1.0:
        raise ValueError("smoothing lies above 0 and up to 1")
    if not limit_width > 0.0:
        raise ValueError("the width of the limits is above 0")


def _check_cusum(reference_value: float, decision_interval: float, head_start: float) -> None:
    if not reference_value >= 0.0:
        raise ValueError("the reference value is 0 or above")
    if not decision_interval > 0.0:
        raise ValueError("the decision interval is above 0")
    if not 0.0 <= head_start <= decision_interval:
        raise ValueError("the head start lies from 0 to the decision interval")


def _density(standard: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * standard**2) / np.sqrt(2.0 * np.pi))


@lru_cache(maxsize=64)
def _legendre(count: int) -> tuple[Floats, Floats]:
    points, weights = np.polynomial.legendre.leggauss(count)
    points.flags.writeable = weights.flags.writeable = False
    return points, weights


def _nodes(low: float, high: float, kernel_sigma: float) -> tuple[Floats, Floats]:
    """Gauss-Legendre points and weights, dense enough for a normal kernel of this sigma."""
    count = max(_LEAST_POINTS, int(np.ceil(_POINTS_PER_SIGMA * (high - low) / kernel_sigma)))
    points, weights = _legendre(count)
    half = (high - low) / 2.0
    return low + half * (points + 1.0), half * weights


def ewma_run_length(
    smoothing: float,
    limit_width: float,
    shift: float = 0.0,
    limits: Literal["exact", "asymptotic"] = "asymptotic",
) -> float:
    """Average number of observations until an EWMA chart signals.

    L(u) = 1 + 1/λ ∫ L(y) φ((y - (1 - λ) u)/λ - δ) dy over the limits, from u = 0

    Parameters
    ----------
    smoothing : float
        λ, above 0 to 1. [-]
    limit_width : float
        L. [-]
    shift : float
        δ, from the first observation on, in sigma. [-]
    limits : {"exact", "asymptotic"}
        As in :func:`ewma_chart`. Exact ones signal sooner, mostly after a shift at the start.

    Returns
    -------
    float
        Average run length; with a shift of 0, observations between false signals. [observations]

    Raises
    ------
    ValueError
        A setting makes no sense.

    Notes
    -----
    The integral is a sum over Gauss-Legendre points. Known mean and sigma, independent normal
    observations.

    Examples
    --------
    >>> round(ewma_run_length(0.10, 2.814), 1)
    499.6
    >>> round(ewma_run_length(1.0, 3.0), 1)
    370.4

    References
    ----------
    Crowder 1987; Lucas and Saccucci 1990 for limits and their run lengths (from memory).
    """
    _check_smoothing(smoothing, limit_width)
    if limits not in ("exact", "asymptotic"):
        raise ValueError(f"{limits} is none of exact, asymptotic")
    keep = 1.0 - smoothing
    widest = limit_width * np.sqrt(smoothing / (2.0 - smoothing))

    def kernel(to: Floats, start: Floats) -> Floats:
        """Density of the average after an observation, rows by where it comes to."""
        return _density((to[:, None] - keep * start[None, :]) / smoothing - shift) / smoothing

    points, weights = _nodes(-widest, widest, smoothing)
    steady = np.linalg.solve(
        np.eye(points.size) - kernel(points, points).T * weights, np.ones(points.size)
    )
    if limits == "asymptotic":
        first = _density(points / smoothing - shift) / smoothing
        return float(1.0 + np.sum(weights * first * steady))
    # Exact limits: carry the density of the average, cut at the limits of each observation, until
    # the limits stand still; what is left then lives on as in the steady chart.
    run_length, at, mass, count = 1.0, np.zeros(1), np.ones(1), 0
    while True:
        count += 1
        half = widest * np.sqrt(1.0 - keep ** (2.0 * count))
        settled = half > widest * (1.0 - 1e-7)
        to, weight = (points, weights) if settled else _nodes(-half, half, smoothing)
        mass = weight * (kernel(to, at) @ mass)
        if settled:
            return float(run_length + np.sum(mass * steady))
        run_length += float(np.sum(mass))
        at = to


def cusum_run_length(
    reference_value: float,
    decision_interval: float,
    shift: float = 0.0,
    two_sided: bool = True,
    head_start: float = 0.0,
) -> float:
    """Average number of observations until a tabular CUSUM signals.

    One side, from s: L(s) = 1 + L(0) Φ(k - s - δ) + ∫ L(y) φ(y + k - s - δ) dy, y from 0 to h.
    Two sides that both start at 0: 1/L = 1/L⁺ + 1/L⁻.

    Parameters
    ----------
    reference_value, decision_interval : float
        k and h, in sigma. [-]
    shift : float
        δ, from the first observation on, in sigma; up for the one-sided chart. [-]
    two_sided : bool
        Both sides are watched. Printed tables mix the two: say which.
    head_start : float
        Where the sums start, in sigma. [-]

    Returns
    -------
    float
        Average run length; with a shift of 0, observations between false signals. [observations]

    Raises
    ------
    ValueError
        A setting makes no sense, or head starts of a two-sided chart are above h/2 + k.

    Notes
    -----
    The integral is a sum over Gauss-Legendre points. With head starts s the two sides combine as
    (L⁺(s) L⁻(0) + L⁺(0) L⁻(s) - L⁺(0) L⁻(0)) / (L⁺(0) + L⁻(0)): up to s = h/2 + k one sum is at 0
    whenever the other signals, for while both are above 0 their total only falls.

    Examples
    --------
    >>> round(cusum_run_length(0.5, 5.0, two_sided=False), 1), round(cusum_run_length(0.5, 5.0), 1)
    (930.9, 465.4)

    References
    ----------
    Lucas and Crosier 1982 (from memory); ISO 7870-4:2021.
    """
    _check_cusum(reference_value, decision_interval, head_start)
    up = _one_side(reference_value, decision_interval, shift)
    if not two_sided:
        return up(head_start)
    if head_start > decision_interval / 2.0 + reference_value:
        raise ValueError("head starts of two sides are at most h/2 + k")
    down = _one_side(reference_value, decision_interval, -shift)
    up_0, down_0 = up(0.0), down(0.0)
    # 1/(1/a + 1/b) in a form that survives the huge run length of the side that is not shifted
    if head_start == 0.0:
        return 1.0 / (1.0 / up_0 + 1.0 / down_0)
    share_up, share_down = 1.0 / (1.0 + up_0 / down_0), 1.0 / (1.0 + down_0 / up_0)
    return up(head_start) * share_up + down(head_start) * share_down - up_0 * share_up


def _one_side(k: float, h: float, shift: float) -> Callable[[float], float]:
    """Run length of a one-sided CUSUM as a function of where it starts."""
    from scipy.special import ndtr  # type: ignore[import-untyped]

    points, weights = _nodes(0.0, h, 1.0)
    # unknowns: L(0), then L at the points
    start = np.concatenate([[0.0], points])

    def row(from_sum: Floats) -> Floats:
        down = ndtr(k - from_sum - shift)[:, None]
        stay = _density(points[None, :] + k - from_sum[:, None] - shift) * weights
        return np.concatenate([down, stay], axis=1)

    known = np.linalg.solve(np.eye(start.size) - row(start), np.ones(start.size))
    return lambda from_sum: float(1.0 + (row(np.array([from_sum])) @ known)[0])


def ewma_limit_width(
    smoothing: float, run_length: float, limits: Literal["exact", "asymptotic"] = "asymptotic"
) -> float:
    """Width of an EWMA chart's limits for a stated run length between false signals.

    Parameters
    ----------
    smoothing : float
        λ, above 0 to 1. [-]
    run_length : float
        Observations between false signals, 10 to 1e6. [observations]
    limits : {"exact", "asymptotic"}
        As in :func:`ewma_chart`.

    Returns
    -------
    float
        L, in standard deviations of the average. [-]

    Raises
    ------
    ValueError
        A setting makes no sense.

    Examples
    --------
    >>> round(ewma_limit_width(0.10, 499.6), 3)
    2.814
    """
    _check_run_length(run_length)
    _check_smoothing(smoothing, 1.0)
    return _solved(lambda width: ewma_run_length(smoothing, width, 0.0, limits), run_length)


def cusum_decision_interval(
    reference_value: float, run_length: float, two_sided: bool = True, head_start_share: float = 0.0
) -> float:
    """Decision interval of a CUSUM for a stated run length between false signals.

    Parameters
    ----------
    reference_value : float
        k, in sigma, 0.05 to 3. [-]
    run_length : float
        Observations between false signals, 10 to 1e6. [observations]
    two_sided : bool
        Both sides are watched.
    head_start_share : float
        Head start as a share of the interval, 0 to below 1; usually 0 or 0.5. [-]

    Returns
    -------
    float
        h, in sigma. [-]

    Raises
    ------
    ValueError
        A setting makes no sense, or no interval gives that run length.

    Examples
    --------
    >>> round(cusum_decision_interval(0.5, 465.4), 3)
    5.0
    """
    _check_run_length(run_length)
    if not 0.0 <= head_start_share < 1.0:
        raise ValueError("the head start's share lies from 0 to below 1")
    _check_cusum(reference_value, 1.0, 0.0)
    return _solved(
        lambda interval: cusum_run_length(
            reference_value, interval, 0.0, two_sided, head_start_share * interval
        ),
        run_length,
    )


def _check_run_length(run_length: float) -> None:
    if not 10.0 <= run_length <= 1e6:
        raise ValueError("a run length to design for lies from 10 to 1e6 observations")


def _solved(run_length_of: Callable[[float], float], run_length: float) -> float:
    """The setting at which a run length that grows with it takes a value."""
    from scipy.optimize import brentq  # type: ignore[import-untyped]

    def off(setting: float) -> float:
        return float(np.log(run_length_of(setting) / run_length))

    low, high = 0.01, 1.0
    if off(low) > 0.0:
        raise ValueError("even the narrowest limits run longer than that")
    while off(high) < 0.0:
        low, high = high, high * 1.5
        if high > 200.0:
            raise ValueError("no limits run that long")
    return float(brentq(off, low, high, xtol=1e-8))
