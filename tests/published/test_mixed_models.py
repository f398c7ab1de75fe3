"""Mixed models against what is printed of published data sets.

Dyestuff, Penicillin: O. L. Davies, P. L. Goldsmith (eds.), Statistical Methods in Research and
Production, 4th ed. 1972, as handed out with R's lme4, whose output is quoted. Dietox: pigs fed with
vitamin E and copper, handed out with statsmodels, whose tests quote lme4. The values of Dyestuff
are from memory but for the closed form, which is computed here by hand.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analytics.mixed_model import Factor, fit_reml, posterior

DYESTUFF = np.array(
    [
        [1545, 1440, 1440, 1520, 1580], [1540, 1555, 1490, 1560, 1495],
        [1595, 1550, 1605, 1510, 1560], [1445, 1440, 1595, 1465, 1545],
        [1595, 1630, 1515, 1635, 1625], [1520, 1455, 1450, 1480, 1445],
    ],
    dtype=float,
)  # fmt: skip

#: Diameter of growth on 24 plates, six samples each. [mm]
_PENICILLIN_MM = """
    27 23 26 23 23 21  27 23 26 23 23 21  25 21 25 24 24 20  26 23 25 23 23 20
    25 22 26 22 23 20  24 22 25 23 22 19  24 20 23 21 22 19  26 22 26 24 24 21
    24 21 24 22 22 20  24 21 24 23 22 19  26 23 26 24 24 21  25 22 26 24 24 20
    26 24 26 24 25 22  26 23 26 23 23 20  26 23 25 24 24 22  25 22 25 23 23 20
    25 21 24 23 23 20  25 22 24 23 23 19  24 21 23 21 21 19  26 23 26 24 24 21
    25 21 24 22 22 18  25 22 25 22 22 20  24 21 24 22 24 19  24 21 24 22 21 18
"""
PENICILLIN = np.array([float(written) for written in _PENICILLIN_MM.split()])


def batches() -> Factor:
    return Factor("batch", np.repeat(np.arange(6), 5), tuple("ABCDEF"))


def test_dyestuff_as_printed_and_by_hand() -> None:
    fit = fit_reml(DYESTUFF.ravel(), np.ones((30, 1)), [batches()])
    # lme4 prints 1527.50 (19.38), 1764, 2451, REML criterion 319.65
    assert fit.beta[0] == pytest.approx(1527.50, abs=0.005)
    assert fit.beta_se[0] == pytest.approx(19.38, abs=0.005)
    assert fit.criterion == pytest.approx(319.6543, abs=1e-4)
    # Closed form of a balanced one-way layout.
    within = DYESTUFF.var(axis=1, ddof=1).mean()
    between = 5.0 * DYESTUFF.mean(axis=1).var(ddof=1)
    assert (within, between) == pytest.approx((2451.25, 11271.5))
    assert fit.residual_variance == pytest.approx(within, rel=1e-5)
    assert fit.variance["batch"] == pytest.approx((between - within) / 5.0, rel=1e-5)
    # Shrunken means, by hand: weight 0.782527 of the way from the mean of all.
    shrunk = fit.beta[0] + fit.effects["batch"]
    printed = [1509.89, 1527.89, 1556.06, 1504.42, 1584.23, 1482.50]
    assert shrunk == pytest.approx(printed, abs=0.006)


def test_penicillin_as_printed_by_crossed_plates_and_samples() -> None:
    plates = Factor("plate", np.repeat(np.arange(24), 6), tuple("abcdefghijklmnopqrstuvwx"))
    samples = Factor("sample", np.tile(np.arange(6), 24), tuple("ABCDEF"))
    fit = fit_reml(PENICILLIN, np.ones((144, 1)), [plates, samples])
    # lme4 and MixedModels.jl print 330.860589; 22.9722 (0.8086); 0.716908, 3.730903, 0.302415
    assert fit.criterion == pytest.approx(330.860589, abs=1e-6)
    assert fit.beta[0] == pytest.approx(22.9722, abs=5e-5)
    assert fit.beta_se[0] == pytest.approx(0.8085723, abs=2e-6)
    assert fit.variance["plate"] == pytest.approx(0.716908, abs=2e-5)
    assert fit.variance["sample"] == pytest.approx(3.730903, abs=2e-5)
    assert fit.residual_variance == pytest.approx(0.302415, abs=1e-6)
    assert fit.nought == ()


def test_dietox_as_its_tests_quote() -> None:
    pandas = pytest.importorskip("pandas")
    statsmodels = pytest.importorskip("statsmodels")
    path = Path(statsmodels.__file__).parent / "regression" / "tests" / "results" / "dietox.csv"
    rows = pandas.read_csv(path)
    pigs, codes = np.unique(rows["Pig"].to_numpy(), return_inverse=True)
    x = np.column_stack([np.ones(len(rows)), rows["Time"].to_numpy(dtype=float)])
    fit = fit_reml(
        rows["Weight"].to_numpy(dtype=float), x, [Factor("pig", codes, tuple(map(str, pigs)))]
    )
    assert (len(rows), len(pigs)) == (861, 72)
    assert fit.beta == pytest.approx([15.723523, 6.942505], abs=1e-6)
    assert fit.residual_variance == pytest.approx(11.36692, abs=1e-5)
    assert fit.variance["pig"] == pytest.approx(40.39395, abs=1e-4)
    assert -0.5 * fit.criterion == pytest.approx(-2404.775, abs=5e-4)


def test_crossed_factors_with_weights_as_statsmodels_finds_them() -> None:
    # The reference library on invented rows: one group, a variance component for each factor.
    pandas = pytest.importorskip("pandas")
    mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(5)
    n = 60
    crew, pot = rng.integers(0, 5, n), rng.integers(0, 4, n)
    x = np.column_stack([np.ones(n), rng.standard_normal(n)])
    y = x @ [1.0, 0.3] + rng.normal(0, 0.5, 5)[crew] + rng.normal(0, 0.4, 4)[pot]
    y += rng.normal(0, 0.3, n)
    ours = fit_reml(y, x, [Factor("crew", crew, tuple("abcde")), Factor("pot", pot, tuple("wxyz"))])
    rows = pandas.DataFrame({"y": y, "x": x[:, 1], "crew": crew, "pot": pot, "one": 1})
    theirs = mixed.MixedLM.from_formula(
        "y ~ x", rows, groups="one", re_formula="0",
        vc_formula={"crew": "0 + C(crew)", "pot": "0 + C(pot)"},
    ).fit(method=["lbfgs"])  # fmt: skip
    assert ours.beta == pytest.approx(theirs.fe_params.to_numpy(), abs=2e-4)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=1e-3)
    names = theirs.model.exog_vc.names
    assert [ours.variance[name] for name in names] == pytest.approx(theirs.vcomp, rel=5e-3)
    assert -0.5 * ours.criterion >= theirs.llf - 1e-6


def test_intervals_of_the_dyestuff_batches_are_wider_than_with_spreads_taken_for_known() -> None:
    y, x = DYESTUFF.ravel(), np.ones((30, 1))
    fit, drawn = fit_reml(y, x, [batches()]), posterior(y, x, [batches()], seed=3)
    assert drawn.effective > 100.0
    means = drawn.beta[:, 0][:, None] + drawn.effects["batch"]
    assert means.mean(axis=0) == pytest.approx(fit.beta[0] + fit.effects["batch"], abs=12.0)
    assert drawn.beta[:, 0].std() > fit.beta_se[0]
    # Six batches leave their spread open by a factor of three or so.
    low, high = np.quantile(drawn.spread["batch"], [0.05, 0.95])
    assert low < 42.0 < high and high / low > 2.5
