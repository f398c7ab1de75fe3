"""The trade's chart of abrasive by nozzle and pressure: what it implies, and what it is not.

The chart is printed all over the trade (published): pounds an hour of an abrasive of 100 lb/ft3
bulk, pressure at the nozzle, air metered while blasting. It is metered by volume, so it is no
table of garnet, and is used here for ratios and limits only, never as a truth about a pot.
"""

from __future__ import annotations

import numpy as np
import pytest

from analytics import air, ways
from analytics.fill import PotFacts

POUND_KG = 0.45359237
CUBIC_FOOT_M3 = 0.3048**3
#: bore [in]: air cfm, and abrasive lb/h, at 50 60 70 80 90 100 125 psig
CHART = {
    3 / 16: ((26, 30, 33, 38, 41, 45, 55), (150, 171, 196, 216, 238, 264, 319)),
    1 / 4: ((47, 54, 61, 68, 74, 81, 98), (268, 312, 354, 408, 448, 494, 608)),
    5 / 16: ((77, 89, 101, 113, 126, 137, 168), (468, 534, 604, 672, 740, 812, 982)),
    3 / 8: ((108, 126, 143, 161, 173, 196, 237), (668, 764, 864, 960, 1052, 1152, 1393)),
    7 / 16: ((147, 170, 194, 217, 240, 254, 314), (896, 1032, 1176, 1312, 1448, 1584, 1931)),
    1 / 2: ((195, 224, 252, 280, 309, 338, 409), (1160, 1336, 1512, 1680, 1856, 2024, 2459)),
}
#: The chart's own kilograms an hour at 100 psig, printed beside the pounds (published).
KG_H_AT_100 = {3 / 16: 120, 1 / 4: 224, 5 / 16: 368, 3 / 8: 523, 7 / 16: 718, 1 / 2: 918}


@pytest.mark.parametrize("bore_in", CHART)
def test_pounds_and_kilograms_of_the_chart_agree(bore_in: float) -> None:
    # some copies cut the decimals off instead of rounding them
    found = CHART[bore_in][1][5] * POUND_KG
    assert found == pytest.approx(KG_H_AT_100[bore_in], abs=1.0)


def test_abrasive_for_the_air_that_the_chart_implies() -> None:
    # 1.26 to 1.38 kg of abrasive a kg of air at 1.2041 kg/m3 in all 42 cells: computed
    ratios = np.array(
        [
            np.array(pounds) * POUND_KG / 3600.0
            / air.mass_flow_of_free_air_kg_s(np.array(cfm, dtype=float), "cfm")
            for cfm, pounds in CHART.values()
        ]
    )  # fmt: skip
    assert ratios.shape == (6, 7)
    assert ratios.min() == pytest.approx(1.26, abs=0.006)
    assert ratios.max() == pytest.approx(1.38, abs=0.006)


def test_every_nozzle_of_the_chart_is_plausible_where_bags_are_doubted() -> None:
    # 68 to 1115 kg/h; garnet's bulk density is up to 1.47 times the chart's: computed
    least = min(pounds[0] for _, pounds in CHART.values()) * POUND_KG
    most = max(pounds[-1] for _, pounds in CHART.values()) * POUND_KG
    assert (least, most) == pytest.approx((68.0, 1115.0), abs=0.6)
    assert least / 2 > ways.LEAST_KG_H and 1.47 * most < ways.MOST_KG_H
    for kg_h, used in ((least, "bags"), (1.47 * most, "bags"), (4.0, ""), (4_000.0, "")):
        assert ways.abrasive_ways(kg_h, None, None, 3600.0).used == used


def test_what_a_pot_of_garnet_holds_and_how_much_room_it_leaves_air() -> None:
    # bulk 2082 to 2355 kg/m3 (published): 383 to 433 kg in 0.184 m3 brim-full: computed; grains of
    # about 4.1 t/m3 (from memory) then take 51 to 57 % of the room, so that a full pot fills with
    # air about twice as fast as an empty one
    volume_m3 = 6.5 * CUBIC_FOOT_M3
    assert volume_m3 == pytest.approx(0.18406, abs=6e-6)
    bulk = np.array([2082.0, 2355.0])
    assert bulk / 16.01846 == pytest.approx([130.0, 147.0], abs=0.1)  # lb/ft3
    assert 0.184 * bulk == pytest.approx([383.0, 433.0], abs=0.6)
    taken = bulk / PotFacts(volume_m3).particle_kg_m3
    assert taken == pytest.approx([0.508, 0.574], abs=0.001)
    full, empty = (
        float(air.fill_time_s(101_325.0, 7e5, 7.9e5, free_m3, 2e-7, 0.35))
        for free_m3 in (volume_m3 * (1.0 - taken.mean()), volume_m3)
    )
    assert empty / full == pytest.approx(2.18, abs=0.02)


def test_one_constant_through_the_chart() -> None:
    # cfm = k d^2 psia (d in inches): 11.86 fits the chart, ideal air gives 14.51, Moss 14.48:
    # computed. The quotient 0.81 is what abrasive leaves of the air, no discharge coefficient.
    psia = np.array([50, 60, 70, 80, 90, 100, 125]) + 14.696
    scale = np.array([bore**2 * psia for bore in CHART])
    cfm = np.array([air_ for air_, _ in CHART.values()], dtype=float)
    fitted = float((scale * cfm).sum() / (scale**2).sum())
    assert fitted == pytest.approx(11.86, abs=0.006)
    ideal = air.free_air(air.nozzle_air_demand_kg_s(0.0254, 100.0 * air.PA_PER_PSI), "cfm")
    constant = float(ideal) / (100.0 + 14.696)
    assert constant == pytest.approx(14.51, abs=0.006)
    moss = 0.5303 * np.pi / 4 / np.sqrt(530.0) / 0.07494 * 60.0
    assert moss == pytest.approx(14.48, abs=0.01)
    assert fitted / constant == pytest.approx(0.817, abs=0.001)
