"""The one table of channel names, units, columns and plausible ranges.

A fast channel has a column of its own in the wide table ``sample``; every other channel, known or
not, goes to the tall table ``reading``. Pressures are gauge.
"""

from __future__ import annotations

from typing import NamedTuple

from ingest.readings import Quality


class Channel(NamedTuple):
    """A channel that Gritbook knows.

    Parameters
    ----------
    name : str
        The last part of the SenML name, such as ``pot``.
    unit : str
        The unit the value is kept in: ``Pa``, ``Cel``, ``%RH``, ``kg``, ``count``, or ``/`` for a
        switch.
    column : str or None
        Column of the wide table; ``None`` for a slow channel.
    current_column : str or None
        Column for the raw loop current of the same transducer [mA]; ``None`` where there is none.
    low, high : float
        Plausible range in ``unit``; a value outside is kept and flagged.
    bad_bit : Quality
        The quality bit that a value outside the range sets.
    words : str
        What people call it.
    """

    name: str
    unit: str
    column: str | None
    current_column: str | None
    low: float
    high: float
    bad_bit: Quality
    words: str


# A pressure below -20 kPa gauge or above 25 bar is no blast pot's; the transducer's own range in
# the yard file is tighter and is applied when figures are derived.
_LOW_PA, _HIGH_PA = -20_000.0, 2_500_000.0

CHANNELS: dict[str, Channel] = {
    c.name: c
    for c in (
        Channel("supply", "Pa", "supply_pa", "supply_ma", _LOW_PA, _HIGH_PA,
                Quality.SUPPLY_OUT_OF_RANGE, "manifold, after the moisture separator"),
        Channel("inlet", "Pa", "inlet_pa", "inlet_ma", _LOW_PA, _HIGH_PA,
                Quality.INLET_OUT_OF_RANGE, "before the moisture separator"),
        Channel("pot", "Pa", "pot_pa", "pot_ma", _LOW_PA, _HIGH_PA,
                Quality.POT_OUT_OF_RANGE, "pot"),
        Channel("nozzle", "Pa", "nozzle_pa", "nozzle_ma", _LOW_PA, _HIGH_PA,
                Quality.NOZZLE_OUT_OF_RANGE, "nozzle"),
        Channel("deadman", "/", "deadman", None, 0.0, 1.0, Quality.OK, "dead-man"),
        Channel("seq", "count", "seq", None, 0.0, 2.0**53, Quality.OK, "message counter"),
        Channel("air_temp", "Cel", None, None, -50.0, 70.0, Quality.OK, "air temperature"),
        Channel("humidity", "%RH", None, None, 0.0, 100.0, Quality.OK, "relative humidity"),
        Channel("steel_temp", "Cel", None, None, -50.0, 120.0, Quality.OK, "steel temperature"),
        Channel("pot_mass", "kg", None, None, -50.0, 5_000.0, Quality.OK, "load cell"),
    )
}  # fmt: skip

#: Columns of ``sample`` that hold a measured value, in the table's order.
VALUE_COLUMNS: tuple[str, ...] = (
    "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa", "deadman", "seq",
    "supply_ma", "inlet_ma", "pot_ma", "nozzle_ma",
)  # fmt: skip

# Units a box may send, and what turns them into the channel's own: value * factor + offset.
# RFC 8798's secondary units are taken although version 10 packs should not carry them, for boxes
# do send hPa; a unit that is not here is refused for a known channel and kept for an unknown one.
UNIT_FACTORS: dict[tuple[str, str], tuple[float, float]] = {
    ("Pa", "Pa"): (1.0, 0.0),
    ("hPa", "Pa"): (100.0, 0.0),
    ("Cel", "Cel"): (1.0, 0.0),
    ("K", "Cel"): (1.0, -273.15),
    ("%RH", "%RH"): (1.0, 0.0),
    ("kg", "kg"): (1.0, 0.0),
    ("g", "kg"): (0.001, 0.0),
    ("count", "count"): (1.0, 0.0),
    ("/", "/"): (1.0, 0.0),
}
