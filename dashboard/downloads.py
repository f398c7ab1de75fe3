"""Figures as files to download, in the units that their viewer reads in.

A column says its unit in its name, as in exports: in metric units the file is the frame as it is,
in SI; else each column is converted and called anew. What `gritbook export` writes stays in SI.
"""

from __future__ import annotations

from collections.abc import Callable

import polars as pl

from dashboard import units

#: How the name of a column in SI ends -> (quantity, how it ends in the other units); longer first.
_ENDS: dict[str, tuple[str, str]] = {
    "m3_s_pa": ("conductance", "cfm_psi"),
    "kg_m2": ("per_area", "lb_ft2"),
    "kg_m3": ("density", "lb_ft3"),
    "kg_s": ("feed", "lb_min"),
    "bore_m": ("bore", "bore_in"),
    "pa": ("pressure", "psi"),
    "kg": ("mass", "lb"),
    "m2": ("area", "ft2"),
    "m3": ("volume", "ft3"),
    "l": ("fuel", "us_gal"),
}


def in_viewers_units(frame: pl.DataFrame) -> pl.DataFrame:
    """A frame in SI with its columns in the viewer's units, and called by them.

    Parameters
    ----------
    frame : polars.DataFrame
        Any columns; a number whose name ends in a unit is converted.

    Examples
    --------
    >>> frame = pl.DataFrame({"pot_pa": [689_475.7], "used_kg": [45.359237], "cycles": [3]})
    >>> with units.use(units.INCH_POUND):
    ...     in_viewers_units(frame).select(pl.all().round(3)).to_dicts()
    [{'pot_psi': 100.0, 'used_lb': 100.0, 'cycles': 3}]
    """
    if units.current() is units.METRIC:
        return frame
    columns = []
    for name, kind in frame.schema.items():
        found = next(
            ((end, *of) for end, of in _ENDS.items() if f"_{name}".endswith(f"_{end}")), None
        )
        if found is None or not kind.is_numeric():
            columns.append(pl.col(name))
            continue
        end, quantity, other = found
        called = name.removesuffix(end) + other
        columns.append((pl.col(name) / units.factor(quantity)).alias(called))
    return frame.select(columns)


def csv(make: Callable[[], pl.DataFrame]) -> Callable[[], str]:
    """What makes a file's text when it is asked for, in the units of who was offered it.

    Parameters
    ----------
    make : callable
        Gives the frame, in SI. Run when the file is fetched, where nobody's page is drawn.
    """
    chosen = units.current()

    def written() -> str:
        with units.use(chosen):
            return in_viewers_units(make()).write_csv()

    return written
