"""What the column names and units of a card file mean.

A column is named after its channel and its unit: ``pot_kpa``, ``supply_psi``, ``air_temp_c``.
Pressures are gauge unless the name says otherwise (``pot_psia``, ``pot_kpa_abs``).
"""

from __future__ import annotations

import difflib
import re
from typing import NamedTuple

from ingest.channels import CHANNELS

#: One pound-force a square inch, from the exact pound, standard gravity and inch. [Pa]
PSI_PA = 0.45359237 * 9.80665 / 0.0254**2


class Unit(NamedTuple):
    """A unit that may be written.

    Parameters
    ----------
    words : str
        As people write it.
    kept : str
        What the channel table keeps: kept = written * factor + offset.
    factor, offset : float
        See ``kept``.
    absolute : bool
        A pressure above vacuum, not above the air around.
    """

    words: str
    kept: str
    factor: float
    offset: float = 0.0
    absolute: bool = False


def _units() -> dict[str, Unit]:
    units: dict[str, Unit] = {}
    pressures = {
        "Pa": 1.0, "hPa": 1e2, "mbar": 1e2, "kPa": 1e3, "MPa": 1e6, "bar": 1e5, "psi": PSI_PA,
    }  # fmt: skip
    for words, factor in pressures.items():
        for ending, absolute in (("", False), ("g", False), ("a", True)):
            units[(words + ending).lower()] = Unit(words + ending, "Pa", factor, 0.0, absolute)
        for ending in ("_g", "_gauge"):
            units[words.lower() + ending] = Unit(words, "Pa", factor)
        for ending in ("_a", "_abs", "_absolute"):
            units[words.lower() + ending] = Unit(f"{words} absolute", "Pa", factor, 0.0, True)
    units["ma"] = Unit("mA", "mA", 1.0)
    for written in ("c", "degc", "deg_c", "cel", "celsius"):
        units[written] = Unit("°C", "Cel", 1.0)
    units["k"] = Unit("K", "Cel", 1.0, -273.15)
    for written in ("f", "degf", "deg_f"):
        units[written] = Unit("°F", "Cel", 5.0 / 9.0, -32.0 * 5.0 / 9.0)
    for written in ("rh", "pct", "percent", "pct_rh", "percent_rh"):
        units[written] = Unit("%RH", "%RH", 1.0)
    units["kg"] = Unit("kg", "kg", 1.0)
    units["g"] = Unit("g", "kg", 1e-3)
    units["t"] = Unit("t", "kg", 1e3)
    units["lb"] = Unit("lb", "kg", 0.45359237)
    units["count"] = Unit("count", "count", 1.0)
    units["bool"] = Unit("/", "/", 1.0)
    return units


UNITS = _units()

# Units of a long file's unit column that are no word.
_SIGNS = {"%": "pct", "%rh": "rh", "°c": "c", "°f": "f", "/": "bool"}

#: The unit that a bare column name means; others must be written.
_BARE = frozenset({"/", "count", "%RH"})


class Column(NamedTuple):
    """A column of a wide file, or a channel and unit of a long one.

    Parameters
    ----------
    name : str
        As the file writes it.
    channel : str
        The channel it is kept under.
    unit : str
        The unit it is kept in.
    factor, offset : float
        kept = written * factor + offset.
    absolute : bool
        The factor gives a pressure above vacuum.
    known : bool
        The channel table has the channel.
    words : str
        The unit as written.
    """

    name: str
    channel: str
    unit: str
    factor: float
    offset: float
    absolute: bool
    known: bool
    words: str

    @property
    def table_column(self) -> str | None:
        """The column of ``sample`` it goes to; ``None``: the tall table."""
        channel = CHANNELS.get(self.channel)
        if channel is None:
            return None
        return channel.current_column if self.unit == "mA" else channel.column


def plain(written: str) -> str:
    """A heading in lower case with ``_`` for all that is not a letter or digit.

    Examples
    --------
    >>> plain(" Pot (kPa) ")
    'pot_kpa'
    """
    return re.sub(r"[^a-z0-9]+", "_", written.strip().lower()).strip("_")


def column_of(written: str) -> Column:
    """What a heading of a wide file means.

    Parameters
    ----------
    written : str
        Heading.

    Raises
    ------
    ValueError
        A known channel without a unit, or with one of another kind.

    Examples
    --------
    >>> column_of("pot_kpa")[1:5]
    ('pot', 'Pa', 1000.0, 0.0)
    >>> column_of("air_temp_c").channel, column_of("seq").unit
    ('air_temp', 'count')
    """
    name = plain(written)
    channel, unit = _split(name)
    known = CHANNELS.get(channel)
    if known is not None and unit is None and known.unit not in _BARE:
        raise ValueError(f'the column "{written}" has no unit; {_examples(channel)}')
    return _column(written, channel, unit)


def series_column(channel: str, unit: str | None) -> Column:
    """What a channel and a unit of a long file mean.

    Without a unit column the channel may carry its unit, as in ``pot_kpa``; a bare one is in the
    unit that is kept: Pa, °C, %RH, kg.

    Raises
    ------
    ValueError
        The unit is not known, or of another kind than the channel.
    """
    name = plain(channel)
    if not name:
        raise ValueError("there is no channel")
    if unit is None or not unit.strip():
        base, split_unit = _split(name)
        return _column(channel, base, split_unit)
    sign = unit.strip().lower()
    found = UNITS.get(_SIGNS.get(sign, plain(unit)))
    if name not in CHANNELS:
        words = found.words if found else unit.strip()
        return Column(channel, name, words, 1.0, 0.0, False, False, words)
    if found is None:
        raise ValueError(f'the unit "{unit}" of {name} is not known; {_examples(name)}')
    return _column(channel, name, found)


def likely_channel(column: Column) -> str | None:
    """The known channel that an unknown one may be a misspelling of."""
    matches = difflib.get_close_matches(column.channel, CHANNELS, n=1, cutoff=0.7)
    return matches[0] if matches and not column.known else None


def _split(name: str) -> tuple[str, Unit | None]:
    if name in CHANNELS:
        return name, None
    parts = name.split("_")
    for cut in range(1, len(parts)):  # the longest unit first: kpa_abs before abs
        unit = UNITS.get("_".join(parts[cut:]))
        if unit is not None:
            return "_".join(parts[:cut]), unit
    return name, None


def _column(written: str, channel: str, unit: Unit | None) -> Column:
    known = CHANNELS.get(channel)
    if known is None:
        # An unknown channel is kept as it was written: nothing is known to convert it to.
        words = unit.words if unit else ""
        return Column(written, channel or plain(written), words, 1.0, 0.0, False, False, words)
    if unit is None:
        return Column(written, channel, known.unit, 1.0, 0.0, False, True, known.unit)
    allowed = {known.unit} | ({"mA"} if known.current_column else set())
    if unit.kept not in allowed:
        raise ValueError(f"{unit.words} is no unit of {channel}; {_examples(channel)}")
    return Column(written, channel, unit.kept, unit.factor, unit.offset, unit.absolute, True,
                  unit.words)  # fmt: skip


def _examples(channel: str) -> str:
    endings = {
        "Pa": ("pa", "kpa", "bar", "psi", "ma"),
        "Cel": ("c", "k", "f"),
        "%RH": ("rh",),
        "kg": ("kg", "lb"),
    }.get(CHANNELS[channel].unit, ())
    if not endings:
        return f"name it {channel}"
    return "name it " + " or ".join(f"{channel}_{ending}" for ending in endings)
