"""A number typed in the viewer's unit, and had in SI."""

from __future__ import annotations

import streamlit as st

from dashboard import units


def unit_field(
    quantity: str,
    label: str,
    value_si: float | None,
    least_si: float,
    most_si: float,
    step: float | None = None,
    says: str | None = None,
) -> float | None:
    """An entry field with the viewer's unit in its label.

    Parameters
    ----------
    quantity : str
        A key of :data:`dashboard.units.QUANTITIES`.
    label : str
        What it is; the unit is put behind it, so that another unit makes another field.
    value_si : float or None
        What stands in it at first; ``None`` leaves it empty.
    least_si, most_si : float
        What is taken.
    step : float or None
        Of plus and minus, in the metric unit and the other alike; by default the unit's own.
    says : str or None
        What is shown to whoever asks.

    Returns
    -------
    float or None
        In SI; ``None`` where it is empty.
    """
    unit = units.current().of(quantity)
    typed = st.number_input(
        f"{label} [{unit.name}]", help=says, format="%g", step=step or unit.step,
        min_value=units.typed(quantity, least_si), max_value=units.typed(quantity, most_si),
        value=None if value_si is None else units.typed(quantity, value_si),
    )  # fmt: skip
    return None if typed is None else units.stored(quantity, float(typed))
