"""What low nozzle pressure costs, as the trade says it: common practice, no study behind it."""

from __future__ import annotations

import numpy as np
import pytest

from analytics import air

PSI_PA = 6_894.757
#: nozzle psig: share left by the linear, compound and power forms, choked air mass (absolute)
RULES = {
    90: (0.850, 0.860, 0.857, 0.913),
    80: (0.700, 0.739, 0.721, 0.826),
    70: (0.550, 0.635, 0.593, 0.738),
    60: (0.400, 0.546, 0.473, 0.651),
}


@pytest.mark.parametrize("psig", [90, 80, 70])
def test_three_readings_of_the_rule(psig):
    # values of each formula: computed; the rules themselves: published in several trade pages
    for form, left in zip(("linear", "compound", "power"), RULES[psig][:3], strict=True):
        lost = float(air.production_lost(psig * PSI_PA, form))  # type: ignore[arg-type]
        assert 1.0 - lost == pytest.approx(left, abs=6e-4), form


@pytest.mark.parametrize("form", ["linear", "compound", "power"])
def test_below_70_psig_the_rule_is_refused(form):
    # formulas would still give 0.400, 0.546, 0.473 at 60 psig, and linear reaches 0 at 33 psig
    assert np.isnan(air.production_lost(np.array([60.0, 33.0, 0.0, 69.9]) * PSI_PA, form)).all()


@pytest.mark.parametrize("psig", RULES)
def test_air_through_a_choked_nozzle_falls_less_than_the_rules_say(psig):
    # absolute pressures, 14.7 psi around: computed
    flows = air.nozzle_air_demand_kg_s(0.01, np.array([psig, 100]) * PSI_PA)
    assert float(flows[0] / flows[1]) == pytest.approx(RULES[psig][3], abs=6e-4)


def test_loss_column_of_the_trade_hose_table():
    # 11.1, 2.4, 0.7, 0.2 psi printed with 16.6, 3.6, 1.0, 0.3 % (published): the linear rule
    falls = np.array([11.1, 2.4, 0.7, 0.2])
    found = 100.0 * air.production_lost((100.0 - falls) * PSI_PA)
    assert found == pytest.approx([16.6, 3.6, 1.0, 0.3], abs=0.06)


def test_exponent_of_the_second_rule():
    # 10 % more pressure, 15 % more production: ln 1.15/ln 1.10 = 1.466 (published rule, computed)
    ninety = 1.0 - float(air.production_lost(100 / 1.1 * PSI_PA, "power"))
    assert 1.0 / ninety == pytest.approx(1.15, abs=1e-4)


def test_fifteen_percent_less_work_is_seventeen_percent_more_time():
    # the trade prints "15 % longer" for 90 psi; 1/0.85 is 17.6 % longer: computed
    lost = air.production_lost(90.0 * PSI_PA)
    assert float(air.extra_time(lost)) == pytest.approx(0.176, abs=6e-4)
