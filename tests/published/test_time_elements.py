"""Indicators of ISO 22400-2 from time elements, against a worked example.

Formulas of ISO 22400-2:2014 from memory; names of the elements as public companion specifications
print them (seen). The example is worked by hand: planned busy 10 h, busy 8 h, production 4.4 h.
"""

from __future__ import annotations

import pytest

from analytics.hour_review import ELEMENT_WORDS, PART_ELEMENTS, indicators
from analytics.time_use import NO_DATA, PARTS


def test_the_worked_example() -> None:
    times = {"APT": 4.4, "AUST": 0.8, "ADET": 2.2, "ADOT": 0.6, "APMT": 0.5, "PDOT": 1.5}
    found = indicators(times)
    above, below = found["utilisation efficiency"]
    assert (above, below) == (4.4, pytest.approx(8.0))
    assert above / below == pytest.approx(0.550)
    assert found["technical efficiency"] == (4.4, pytest.approx(6.6))
    assert found["set-up ratio"] == (0.8, pytest.approx(5.2))


def test_every_part_of_a_shift_has_its_element_but_silence_has_none() -> None:
    assert set(PART_ELEMENTS) == set(PARTS) - {NO_DATA}
    assert set(PART_ELEMENTS.values()) == set(ELEMENT_WORDS)
