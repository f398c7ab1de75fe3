"""Weibull lives with censoring against published figures, and against two other fits.

Sources, beside each check: NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.1.3 with the data
of 8.2.2.1 (read on its page); the lifelines package (its fitters and its ``waltons`` data set, for
which its documentation prints 55.73 and 3.45, from memory); scipy's fit of censored data.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import optimize, stats

from analytics.weibull_life import WeibullLife, drop, fit

#: e-Handbook 8.2.2.1: ten units failed [h], ten were taken off unfailed at 500 h.
FAILED_H = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]


def published() -> WeibullLife:
    low = np.array(FAILED_H + [500] * 10, dtype=float)
    high = np.array([*FAILED_H, *[np.inf] * 10], dtype=float)
    found = fit(low, high)
    assert isinstance(found, WeibullLife)
    return found


def test_the_handbooks_example_to_its_printed_digits() -> None:
    found = published()
    # Printed: 606.5280, 1.7208, 75.135 (printed as positive; it is the negative log-likelihood),
    # AIC 154.27, mean 540.737 h. The last digit of the scale is the handbook's own rounding: three
    # other fits give 606.5275 or 606.5276.
    assert found.eta == pytest.approx(606.5280, abs=6e-4)
    assert round(found.beta, 4) == 1.7208
    assert round(-found.log_likelihood, 3) == 75.135
    assert round(4 - 2 * found.log_likelihood, 2) == 154.27
    assert round(found.mean(), 3) == 540.737
    assert (found.lives, found.worn) == (20, 10)


def test_leaving_the_censored_units_out_would_halve_the_life() -> None:
    # The mistake that censoring is for; computed beside the handbook's example with other fits.
    wrong = fit(FAILED_H, FAILED_H)
    assert isinstance(wrong, WeibullLife)
    assert wrong.eta == pytest.approx(308.5, abs=0.05)
    assert wrong.beta == pytest.approx(3.060, abs=5e-4)


def test_the_intervals_are_those_of_the_profile_likelihood() -> None:
    """The edge of the region, read another way: the likelihood maximised with one thing held."""
    found = published()
    low = np.array(FAILED_H + [500] * 10, dtype=float)
    failed = np.arange(20) < 10

    def log_likelihood(beta: float, eta: float) -> float:
        life = stats.weibull_min(beta, scale=eta)
        return float(life.logpdf(low[failed]).sum() + life.logsf(low[~failed]).sum())

    def held_share(share: float) -> float:
        """Highest log-likelihood with that share worn by 300 h."""

        def cost(beta: float) -> float:
            return -log_likelihood(beta, 300.0 / (-np.log1p(-share)) ** (1.0 / beta))

        return -float(optimize.minimize_scalar(cost, bounds=(0.3, 6.0), method="bounded").fun)

    def held_shape(beta: float) -> float:
        def cost(eta: float) -> float:
            return -log_likelihood(beta, eta)

        return -float(optimize.minimize_scalar(cost, bounds=(200, 4000), method="bounded").fun)

    deep = drop(10)
    share, share_low, share_high = (float(x[0]) for x in found.worn_by([300.0]))
    for held, middle, ends in (
        (held_share, share, (share_low, share_high)),
        (held_shape, found.beta, found.shape()[1:]),
    ):
        for end, bracket in zip(ends, ((0.02, middle), (middle, 0.9)), strict=True):
            other = optimize.brentq(
                lambda x, held=held: held(x) - found.log_likelihood + deep,
                bracket[0] if held is held_share or end < middle else middle,
                middle if end < middle else (0.9 if held is held_share else 6.0),
            )
            assert end == pytest.approx(other, rel=2e-3)


def test_the_waltons_of_lifelines() -> None:
    lifelines = pytest.importorskip("lifelines")
    from lifelines.datasets import load_waltons

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        frame = load_waltons()
        theirs = lifelines.WeibullFitter().fit(frame["T"], frame["E"])
    time, seen = frame["T"].to_numpy(float), frame["E"].to_numpy(bool)
    ours = fit(time, np.where(seen, time, np.inf))
    assert isinstance(ours, WeibullLife)
    # Printed in its documentation (from memory): lambda 55.73, rho 3.45.
    assert (round(ours.eta, 2), round(ours.beta, 2)) == (55.73, 3.45)
    assert ours.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-3)


@pytest.mark.parametrize(
    "samples", [8, pytest.param(100, marks=pytest.mark.slow)], ids=["few", "hundred"]
)
def test_lifelines_agrees_on_censored_samples(samples: int) -> None:
    from lifelines import WeibullFitter

    rng = np.random.default_rng(20261125)
    for _ in range(samples):
        beta, eta = rng.uniform(0.8, 5.0), rng.uniform(20.0, 3000.0)
        life = eta * rng.weibull(beta, int(rng.integers(10, 80)))
        taken_off = eta * rng.uniform(0.3, 2.5, life.size)
        seen = life <= taken_off
        time = np.minimum(life, taken_off)
        ours = fit(time, np.where(seen, time, np.inf), fewest=2)
        if seen.sum() < 2:
            assert not isinstance(ours, WeibullLife)
            continue
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            theirs = WeibullFitter().fit(time, seen)
        assert isinstance(ours, WeibullLife)
        assert ours.beta == pytest.approx(theirs.rho_, rel=1e-3)
        assert ours.eta == pytest.approx(theirs.lambda_, rel=1e-3)
        # Ours is never the lower of the two.
        assert ours.log_likelihood >= theirs.log_likelihood_ - 1e-6


def test_scipy_agrees_on_lives_that_ended_between_two_checks() -> None:
    rng = np.random.default_rng(7)
    compared = 0
    for _ in range(20):
        beta, eta = rng.uniform(1.2, 4.0), rng.uniform(40.0, 90.0)
        life = eta * rng.weibull(beta, 40)
        every = rng.uniform(15.0, 40.0)
        low = np.floor(life / every) * every
        worn = rng.random(40) < 0.7
        low, high = low, np.where(worn, low + every, np.inf)
        tells = (low > 0) | worn
        ours = fit(low, high)
        if not isinstance(ours, WeibullLife):
            continue
        data = stats.CensoredData(interval=np.stack((low, high), axis=1)[tells])
        theirs, _, scale = stats.weibull_min.fit(data, ours.beta * 1.2, floc=0, scale=ours.eta)
        assert ours.beta == pytest.approx(theirs, rel=1e-3)
        assert ours.eta == pytest.approx(scale, rel=1e-3)
        compared += 1
    assert compared >= 15
