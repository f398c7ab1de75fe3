"""Units at the edge: factors against printed ones, and what is typed comes back as it was typed."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import cast

import pytest
import scipy.constants as physics
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from dashboard import spoken, units, words
from dashboard.cli import app
from dashboard.commands import output
from ingest.config import Yard

#: Floats of a table do not ask where the site is.
_NO_YARD = cast(Yard, None)

#: NIST Special Publication 811 (2008), appendix B.8: factor as printed, seven digits.
NIST_SP_811 = {
    "pressure": 6.894757e3,  # pound-force per square inch (psi) to pascal
    "mass": 4.535924e-1,  # pound (avoirdupois) to kilogram
    "area": 9.290304e-2,  # square foot to square meter
    "bore": 2.54e-2,  # inch to meter
    "length": 3.048e-1,  # foot to meter
    "film": 2.54e1,  # mil (0.001 in) to micrometer
    "warmer": 5.555556e-1,  # degree Fahrenheit (interval) to kelvin
    "free_air": 4.719474e-4,  # cubic foot per minute to cubic meter per second
    "volume": 2.831685e-2,  # cubic foot to cubic meter
    "fuel": 3.785412,  # gallon (U.S.) to liter
    "density": 1.601846e1,  # pound per cubic foot to kilogram per cubic meter
    "per_area": 4.882428,  # pound per square foot to kilogram per square meter
    "feed": 7.559873e-3,  # pound per minute to kilogram per second
    "use": 1.259979e-4,  # pound per hour to kilogram per second
}


@pytest.mark.parametrize("quantity", NIST_SP_811)
def test_factors_are_the_printed_ones_of_nist(quantity: str) -> None:
    _, inch_pound = units.QUANTITIES[quantity]
    assert f"{inch_pound.si:.6e}" == f"{NIST_SP_811[quantity]:.6e}"


def test_factors_are_those_of_scipy_to_the_last_digit() -> None:
    assert pytest.approx(physics.psi, rel=1e-15) == units.PSI_PA
    assert pytest.approx(physics.pound, rel=1e-15) == units.POUND_KG
    assert pytest.approx(physics.foot, rel=1e-15) == units.FOOT_M
    assert pytest.approx(physics.inch, rel=1e-15) == units.INCH_M


@pytest.mark.parametrize("celsius", [-40.0, -17.5, 0.0, 20.0, 37.0, 100.0])
def test_temperatures_are_scipys(celsius: float) -> None:
    with units.use(units.INCH_POUND):
        shown = units.shown("temperature", celsius)
        assert shown == pytest.approx(
            physics.convert_temperature(celsius, "Celsius", "Fahrenheit"), abs=1e-9
        )
        assert units.stored("temperature", shown) == pytest.approx(celsius, abs=1e-9)


@given(
    quantity=st.sampled_from(sorted(units.QUANTITIES)),
    typed=st.decimals(min_value=-99_999, max_value=99_999, places=4).map(float),
    chosen=st.sampled_from(list(units.CHOICES.values())),
)
def test_what_is_typed_comes_back_as_it_was_typed(
    quantity: str, typed: float, chosen: units.Units
) -> None:
    with units.use(chosen):
        kept = units.stored(quantity, typed)
        tolerance = 1e-9 if quantity != "temperature" else 1e-6
        assert units.typed(quantity, kept) == pytest.approx(typed, rel=1e-9, abs=tolerance)


@given(
    quantity=st.sampled_from(sorted(units.QUANTITIES)),
    low=st.floats(-1e4, 1e4), width=st.floats(1e-3, 1e4),
)  # fmt: skip
def test_a_greater_value_never_reads_smaller(quantity: str, low: float, width: float) -> None:
    for chosen in units.CHOICES.values():
        with units.use(chosen):
            assert units.shown(quantity, low) < units.shown(quantity, low + width)


@given(value=st.floats(-1e6, 1e6), half=st.floats(1e-2, 1e6))
def test_digits_end_where_the_uncertainty_begins(value: float, half: float) -> None:
    """GUM (JCGM 100:2008) 7.2.6: at most two digits of an uncertainty; and rounding hides none."""
    decimals = units.decimals_of(value - half, value + half)
    step = 10.0**-decimals
    assert step <= half * 1.01 and half / step < 36.0
    assert abs(round(value, decimals) - value) <= 0.51 * half


def test_no_figure_has_seven_digits_or_loses_its_sign() -> None:
    with units.use(units.INCH_POUND):
        assert words.measure("mass", 1234.5678) == "2\u202f722"
        assert words.measure("mass", 1234.5678, 1000.0, 1500.0) == "2\u202f700"
        assert words.with_unit("free_air", 10.0 / 60.0).replace(words.NBSP, " ") == "353 cfm"
        assert words.with_unit("temperature", -17.8).replace(words.NBSP, " ") == "0 °F"
        assert words.drop(-20_000.0).replace(words.NBSP, " ") == "2.9 psi"
    assert words.with_unit("free_air", 10.0 / 60.0).replace(words.NBSP, " ") == "10.0 m³/min"


@given(value_pa=st.floats(0.0, 60_000.0), floor_pa=st.floats(1_000.0, 60_000.0))
def test_a_reading_under_the_floor_lies_under_what_is_written(
    value_pa: float, floor_pa: float
) -> None:
    for chosen in units.CHOICES.values():
        with units.use(chosen):
            text = words.reading_pressure(value_pa, floor_pa)
            if text.startswith("under "):
                assert units.shown("pressure", value_pa) < float(text.removeprefix("under "))


def test_sentences_change_every_figure_and_nothing_else() -> None:
    said = "1 050 kPa was read in 2 cycles; the plate says 1,000 kPa. Fill 12 ± 3 kg, 3 K, 5 kg/m²."
    assert spoken.page_units(said.replace("1 050", "1\u202f050")) == said.replace(
        "1 050", "1\u202f050"
    )
    with units.use(units.INCH_POUND):
        assert spoken.page_units(said.replace("1 050", "1\u202f050")) == (
            "152 psi was read in 2 cycles; the plate says 145 psi. Fill 26 ± 7 lb, 5.4 °F, "
            "1.02 lb/ft²."
        )


def test_each_thread_has_its_viewers_units_and_a_fragment_asks_anew() -> None:
    chosen: dict[str, units.Units] = {}

    def draw(units_of_viewer: units.Units) -> str:
        with units.use(units_of_viewer):
            return units.unit("pressure")

    with ThreadPoolExecutor(4) as pool:
        told = list(pool.map(draw, [units.METRIC, units.INCH_POUND] * 20))
    assert told == ["kPa", "psi"] * 20
    before = list(units._viewers)
    try:
        units.follow(lambda: chosen.get("me"))
        assert units.unit("mass") == "kg"
        chosen["me"] = units.INCH_POUND
        with ThreadPoolExecutor(1) as pool:
            assert pool.submit(units.unit, "mass").result() == "lb"
        with units.use(units.METRIC):
            assert units.unit("mass") == "kg"
    finally:
        units._viewers[:] = before


def test_factors_for_columns_refuse_what_has_a_zero_of_its_own() -> None:
    with units.use(units.INCH_POUND), pytest.raises(ValueError, match="zero"):
        units.factor("temperature")
    assert math.isclose(units.factor("pressure"), 1e3)


def test_a_command_reads_in_the_units_asked_for_and_the_next_one_in_its_own() -> None:
    runner = CliRunner()
    assert runner.invoke(app, ["--units", "cubits", "dictionary"]).exit_code == 2
    assert runner.invoke(app, ["--units", "inch-pound", "dictionary"]).exit_code == 0
    assert units.unit("pressure") == "psi"
    assert runner.invoke(app, ["dictionary"]).exit_code == 0
    assert units.unit("pressure") == "kPa"


def test_tables_of_commands_convert_a_column_and_its_heading_together() -> None:
    for name, heading, value in (
        ("area_m2", "m²", 100.0), ("stock_kg", "stock kg", 100.0),
        ("abrasive_kg_m2", "kg/m²", 20.0),
        ("area_m2_blast_h", "m²/blast h", 12.0),
    ):  # fmt: skip
        with units.use(units.INCH_POUND):
            told = (
                output._heading(name, heading),
                float(output._cell(name, value, _NO_YARD).replace(",", "")),
            )
        metric = output._heading(name, heading), float(output._cell(name, value, _NO_YARD))
        assert metric == (heading, value)
        quantity = {"m²": physics.foot**2, "kg": physics.pound}
        expected, words_of = value, heading
        for unit, si in quantity.items():
            if unit in heading:
                expected = expected * si if f"/{unit}" in heading else expected / si
                words_of = words_of.replace(unit, {"m²": "ft²", "kg": "lb"}[unit])
        assert told[0] == words_of
        assert told[1] == pytest.approx(expected, abs=0.006)
    with units.use(units.INCH_POUND):
        assert output._cell("pot_pa", 7e5, _NO_YARD).replace(words.NBSP, " ") == "102 psi"
    assert output._cell("pot_pa", 7e5, _NO_YARD).replace(words.NBSP, " ") == "700 kPa"
