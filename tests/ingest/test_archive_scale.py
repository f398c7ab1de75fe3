"""Counts from doubles: every value comes back bit for bit, or the column is left as it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.store.archive_scale import Scale, find_scale, values_of


def bits(values: np.ndarray) -> list[int]:
    return [int(b) for b in np.asarray(values, np.float64).view(np.int64)]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1, max_size=40))
@settings(max_examples=200, deadline=None)
def test_whatever_is_scaled_comes_back_to_the_bit(values: list[float]) -> None:
    given_ = np.array(values)
    found = find_scale(given_)
    if found is not None:
        assert bits(values_of(*found)) == bits(given_)


@given(
    st.lists(st.integers(-32_768, 32_767), min_size=2, max_size=60),
    st.sampled_from([0.001, 0.005, 0.01, 0.1, 0.25, 1.0, 50.0, 250.0, 390.625, 1e6 / 4095]),
)
@settings(max_examples=200, deadline=None)
def test_counts_of_any_converter_are_found(counts: list[int], step: float) -> None:
    values = np.array(counts) * step + 0.0  # no minus zero, as on the wire
    found = find_scale(values)
    distances = np.diff(np.unique(counts))
    if step == 1e6 / 4095 and not (len(distances) and distances.min() == 1):
        # A step that is no decimal is told from two neighbouring counts only.
        return
    assert found is not None
    assert bits(values_of(*found)) == bits(values)
    assert np.abs(found[0]).max() <= max(np.abs(counts).max() * 1000, 1)


@pytest.mark.parametrize(
    ("texts", "scale"),
    [
        # Decimals as text are the nearest doubles to them, and so is a quotient of whole numbers
        # (IEEE 754-2019, 5.4.1: division is correctly rounded).
        (["4.001", "12.345", "20.000"], Scale(1000.0, 1.0)),
        (["0.5", "2.5", "1000.0"], Scale(2.0, 1.0)),
        (["720250", "-250", "0"], Scale(1.0, 250.0)),
    ],
)
def test_decimals_are_whole_numbers_of_their_last_place(texts: list[str], scale: Scale) -> None:
    values = np.array([float(text) for text in texts])
    found = find_scale(values)
    assert found is not None and found[1] == scale
    assert bits(values_of(*found)) == bits(values)


def test_what_would_lose_a_bit_is_left_as_it_is() -> None:
    assert find_scale(np.array([-0.0, 250.0])) is None
    assert find_scale(np.array([np.nan, 250.0])) is None
    assert find_scale(np.array([np.inf, 250.0])) is None
    assert find_scale(np.array([np.pi, np.e, np.sqrt(2.0)])) is None
    assert find_scale(np.array([2.0**60 + 256, 0.1])) is None
    assert find_scale(np.array([])) is None
