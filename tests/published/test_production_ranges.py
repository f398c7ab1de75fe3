"""Rates of shifts, the trade's ranges, and air of nozzles, against what is printed elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from analytics.ratios import bootstrap_ratios, linearised_se, ratio_of_sums
from analytics.trade_ranges import (
    METERED_AIR,
    PRACTICE_BORE_M,
    feed_check,
    practice_kg_m2,
    practice_m2_h,
)

INCH = 0.0254
CFM_M3_S = 0.4719474e-3
PSI_PA = 6_894.757

#: Eight shifts of a worked case.
AREA = [62, 71, 55, 80, 66, 74, 58, 69]
HOURS = [4.1, 4.6, 3.9, 5.2, 4.0, 5.0, 4.2, 4.4]


def test_ratio_estimator_as_worked_by_hand() -> None:
    # Formula: Cochran 1977, chapter 6. Values: computed with numpy alone, outside the project.
    found = ratio_of_sums(AREA, HOURS)
    assert found.value == pytest.approx(15.1130, abs=5e-5)
    assert linearised_se(AREA, HOURS) == pytest.approx(0.28519, abs=5e-6)
    drawn, _ = bootstrap_ratios(AREA, HOURS, 10_000, 12345)
    assert drawn.std() == pytest.approx(0.2676, abs=1e-3)
    assert np.quantile(drawn, [0.025, 0.975]) == pytest.approx([14.594, 15.634], abs=0.01)
    # Plain percentiles of eight shifts are known to be too narrow: ours are wider.
    wide = ratio_of_sums(AREA, HOURS, level=0.95)
    assert wide.low is not None and wide.high is not None
    assert wide.high - wide.low > 15.634 - 14.594


def test_mean_of_ratios_is_not_the_rate() -> None:
    # 22.152 m2/h against 31.667: computed.
    area, hours = np.array([120.0, 40.0, 15.0]), np.array([6.0, 1.6, 0.3])
    assert ratio_of_sums(area, hours).value == pytest.approx(22.152, abs=5e-4)
    assert np.mean(area / hours) == pytest.approx(31.667, abs=5e-4)


def test_practice_holds_the_handbook_figure_of_garnet() -> None:
    # Surface-preparation handbook, table of abrasives: garnet 36 grit, new steel to Sa 2 1/2,
    # 9.5 mm nozzle at 7 bar: 17.6 kg/m2, 20 m2/h (published).
    low, high = practice_m2_h("Sa 2½", "", 0.0095) or (0.0, 0.0)
    assert low < 20.0 < high
    low, high = practice_kg_m2("Sa 2½", "") or (0.0, 0.0)
    assert low < 17.6 < high
    # Grade A, well set up: 9.8 to 14.6 kg/m2 (published, supplier's article).
    low, high = practice_kg_m2("Sa 2½", "A") or (0.0, 0.0)
    assert low < 14.6 and high > 9.8


def test_area_goes_with_the_square_of_the_bore_as_the_trade_plans() -> None:
    # Planning figures at 5 lb/ft2: 9.3, 14.9, 21.4 m2/h for 1/4, 5/16, 3/8 in (published).
    planned = {1 / 4: 9.3, 5 / 16: 14.9, 3 / 8: 21.4}
    base = practice_m2_h("Sa 2½", "B", PRACTICE_BORE_M)
    assert base is not None
    for inches, m2_h in planned.items():
        found = practice_m2_h("Sa 2½", "B", inches * INCH)
        assert found is not None
        assert found[1] / base[1] == pytest.approx(m2_h / 21.4, rel=0.05)


@pytest.mark.parametrize(
    ("inches", "cells_cfm"),
    [
        (1 / 4, (47, 54, 61, 68, 74, 81, 98)),
        (5 / 16, (77, 89, 101, 113, 126, 137, 168)),
        (3 / 8, (108, 126, 143, 161, 173, 196, 237)),
        (1 / 2, (195, 224, 252, 280, 309, 338, 409)),
    ],
)
def test_demand_holds_the_trades_nozzle_chart(inches: float, cells_cfm: tuple[int, ...]) -> None:
    # Trade chart, air metered while blasting, 50 to 125 psi at the nozzle (published).
    for psig, cfm in zip((50, 60, 70, 80, 90, 100, 125), cells_cfm, strict=True):
        found = feed_check(inches * INCH, psig * PSI_PA, 1, None)
        assert found.demand_m3_s[0] * 0.99 <= cfm * CFM_M3_S <= found.demand_m3_s[2]
        newest = found.demand_m3_s[1] * METERED_AIR[2] / METERED_AIR[1]
        assert cfm * CFM_M3_S <= newest * 1.01


def test_a_compressor_rated_as_the_chart_says_has_no_room_for_wear() -> None:
    # 3/8 in at 100 psi takes 196 cfm by the chart; +10 % bore is +21 % air (computed).
    bore_m, nozzle_pa = 3 / 8 * INCH, 100 * PSI_PA
    at_chart = feed_check(bore_m, nozzle_pa, 1, 196 * CFM_M3_S)
    assert at_chart.verdict == "tight"
    assert at_chart.holds_pa == pytest.approx(nozzle_pa, rel=0.05)
    assert feed_check(bore_m, nozzle_pa, 2, 196 * CFM_M3_S).verdict == "short"
    assert feed_check(bore_m, nozzle_pa, 1, 260 * CFM_M3_S).verdict == "room"
