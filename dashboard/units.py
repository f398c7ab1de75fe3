"""The two ways of measuring a viewer may read in: metric, and the foot's and pound's.

The store, the analyses, exports and anything for machines stay in SI. Here a figure leaves it, and
here what somebody typed comes back. Which way counts is asked in this order: what :func:`use` set
for a stretch of code (a command, a printed report, a test), what the page's viewer chose
(:func:`follow`), else metric.

Factors are made from what is exact by definition, and tests hold them against the printed ones of
NIST Special Publication 811 (2008), appendix B.8, and against ``scipy.constants``:
1 in = 0.0254 m, 1 ft = 0.3048 m, 1 lb = 0.453 592 37 kg, 1 lbf = 1 lb x 9.806 65 m/s2 (all exact),
so 1 psi = 1 lbf/in2 = 6 894.757 Pa; t/degF = 1.8 t/degC + 32 (exact).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass

INCH_M = 0.0254
FOOT_M = 0.3048
POUND_KG = 0.453_592_37
STANDARD_GRAVITY_M_S2 = 9.806_65
PSI_PA = POUND_KG * STANDARD_GRAVITY_M_S2 / INCH_M**2
FOOT2_M2 = FOOT_M**2
FOOT3_M3 = FOOT_M**3
#: The gallon of the United States, 231 cubic inches. [l]
US_GALLON_L = 231.0 * INCH_M**3 * 1e3
#: Cubic feet a minute. [m3/s]
CFM_M3_S = FOOT3_M3 / 60.0

#: What is said of a flow of free air: the state in which its volume is counted here. Makers count
#: in others, so a cubic foot a minute means nothing without it.
FREE_AIR = "free air, dry, at 20 °C and 101.325 kPa"
FREE_AIR_INCH_POUND = "free air, dry, at 68 °F and 14.70 psi absolute"


@dataclass(frozen=True)
class Unit:
    """A unit as people read it.

    Parameters
    ----------
    name : str
        As it stands behind a number.
    si : float
        What one of it is in the quantity's SI unit.
    decimals : int
        Decimals of a figure whose uncertainty is not known: no finer than the sensor is good for.
    step : float
        What one press on plus or minus adds in an entry field.
    zero : float
        Where its nought lies, in the SI unit; only temperatures have one.
    """

    name: str
    si: float
    decimals: int = 0
    step: float = 1.0
    zero: float = 0.0


#: Quantity -> (metric, inch-pound). The SI unit is the one that columns are named for; a
#: temperature is kept in degrees Celsius, as sensors and records give it.
QUANTITIES: dict[str, tuple[Unit, Unit]] = {
    # [Pa], gauge. Pots' transducers are good to some kPa, so to about a psi.
    "pressure": (Unit("kPa", 1e3, 0, 10.0), Unit("psi", PSI_PA, 0, 1.0)),
    # [Pa], a small difference: half a psi is worth telling.
    "drop": (Unit("kPa", 1e3, 0, 1.0), Unit("psi", PSI_PA, 1, 0.5)),
    "mass": (Unit("kg", 1.0, 0, 5.0), Unit("lb", POUND_KG, 0, 10.0)),
    "area": (Unit("m²", 1.0, 1, 1.0), Unit("ft²", FOOT2_M2, 0, 10.0)),
    "bore": (Unit("mm", 1e-3, 1, 0.5), Unit("in", INCH_M, 3, 0.0625)),
    "length": (Unit("m", 1.0, 1, 1.0), Unit("ft", FOOT_M, 0, 1.0)),
    # [µm], as records keep a profile or a coating; a mil is a thousandth of an inch.
    "film": (Unit("µm", 1.0, 0, 5.0), Unit("mil", INCH_M * 1e3, 1, 0.5)),
    "temperature": (Unit("°C", 1.0, 1, 1.0), Unit("°F", 5.0 / 9.0, 0, 1.0, -160.0 / 9.0)),
    "warmer": (Unit("K", 1.0, 1, 1.0), Unit("°F", 5.0 / 9.0, 1, 1.0)),
    # [m3/s] of free air: a mass of air, in the volume that it has at that state.
    "free_air": (Unit("m³/min", 1.0 / 60.0, 1, 0.5), Unit("cfm", CFM_M3_S, 0, 5.0)),
    "free_air_volume": (Unit("m³", 1.0, 0, 10.0), Unit("ft³", FOOT3_M3, 0, 100.0)),
    "volume": (Unit("m³", 1.0, 3, 0.01), Unit("ft³", FOOT3_M3, 1, 0.5)),
    # [l], as records keep it.
    "fuel": (Unit("l", 1.0, 1, 5.0), Unit("US gal", US_GALLON_L, 1, 1.0)),
    "density": (Unit("kg/m³", 1.0, 0, 50.0), Unit("lb/ft³", POUND_KG / FOOT3_M3, 0, 5.0)),
    "per_area": (Unit("kg/m²", 1.0, 1), Unit("lb/ft²", POUND_KG / FOOT2_M2, 2)),
    # [m2/s]
    "pace": (Unit("m²/h", 1.0 / 3600.0, 1), Unit("ft²/h", FOOT2_M2 / 3600.0, 0)),
    # [kg/s]
    "feed": (Unit("kg/min", 1.0 / 60.0, 1), Unit("lb/min", POUND_KG / 60.0, 1)),
    "use": (Unit("kg/h", 1.0 / 3600.0, 0), Unit("lb/h", POUND_KG / 3600.0, 0)),
    # [m3/(s Pa)], sonic conductance (ISO 6358): free air a unit of absolute pressure upstream.
    "conductance": (Unit("l/(s bar)", 1e-8, 2), Unit("cfm/psi", CFM_M3_S / PSI_PA, 3)),
}  # fmt: skip


@dataclass(frozen=True)
class Units:
    """A way of measuring.

    Parameters
    ----------
    name : str
        As it stands in an address and behind ``--units``.
    words : str
        As a viewer chooses it.
    """

    name: str
    words: str

    def of(self, quantity: str) -> Unit:
        """The unit of a quantity; a quantity that is not known raises ``KeyError``."""
        metric, inch_pound = QUANTITIES[quantity]
        return inch_pound if self.name == INCH_POUND.name else metric


METRIC = Units("metric", "kPa, kg, m²")
INCH_POUND = Units("inch-pound", "psi, lb, ft²")
CHOICES: dict[str, Units] = {METRIC.name: METRIC, INCH_POUND.name: INCH_POUND}

_set: ContextVar[Units | None] = ContextVar("units", default=None)
_viewers: list[Callable[[], Units | None]] = []


def named(name: str | None) -> Units | None:
    """The units of a name; ``None`` for any other text, as an address may hold anything.

    Examples
    --------
    >>> named("inch-pound") is INCH_POUND, named("cubits"), named(None)
    (True, None, None)
    """
    return CHOICES.get(name or "")


def is_inch_pound(unit: str) -> bool:
    """Whether a gauge's unit is the one that this viewer reads in and not metric.

    Examples
    --------
    >>> is_inch_pound("psi")
    False
    >>> with use(INCH_POUND):
    ...     is_inch_pound("psi"), is_inch_pound("kPa")
    (True, False)
    """
    return current() is INCH_POUND and unit in {two.name for _, two in QUANTITIES.values()}


def follow(viewer: Callable[[], Units | None]) -> None:
    """Ask ``viewer`` whenever nothing else was set: it knows whose page is being drawn.

    Streamlit runs a fragment in another thread than its page, so that what the page had set would
    be lost there; asked anew, it is not.
    """
    _viewers[:] = [viewer]


def current() -> Units:
    """The units that count here and now."""
    chosen = _set.get()
    if chosen is None and _viewers:
        chosen = _viewers[0]()
    return chosen or METRIC


@contextmanager
def use(units: Units) -> Iterator[None]:
    """Let ``units`` count within, whatever the viewer chose.

    Examples
    --------
    >>> with use(INCH_POUND):
    ...     round(shown("pressure", 700e3), 1), unit("pressure")
    (101.5, 'psi')
    """
    before = _set.set(units)
    try:
        yield
    finally:
        _set.reset(before)


def set_for_process(units: Units) -> None:
    """Let ``units`` count from here on; for a command, which is one process."""
    _set.set(units)


def unit(quantity: str) -> str:
    """Name of the unit that a quantity is shown in."""
    return current().of(quantity).name


def shown(quantity: str, value_si: float) -> float:
    """A value in SI, in the unit that it is shown in.

    Examples
    --------
    >>> shown("mass", 25.0), shown("pressure", 752_340.0)
    (25.0, 752.34)
    >>> with use(INCH_POUND):
    ...     round(shown("temperature", -40.0), 9)
    -40.0
    """
    of = current().of(quantity)
    return (value_si - of.zero) / of.si


def stored(quantity: str, typed: float) -> float:
    """What somebody typed in the unit shown, in SI.

    Examples
    --------
    >>> with use(INCH_POUND):
    ...     stored("mass", 50.0)
    22.6796185
    """
    of = current().of(quantity)
    return typed * of.si + of.zero


def typed(quantity: str, value_si: float) -> float:
    """A stored value as an entry field shows it: as it was typed, without the digits of the factor.

    Nobody types more than nine digits, and a factor and its inverse spoil fewer than six of the
    sixteen that a number has.

    Examples
    --------
    >>> with use(INCH_POUND):
    ...     typed("mass", stored("mass", 100.0))
    100.0
    """
    return float(f"{shown(quantity, value_si):.9g}")


def free_air() -> str:
    """The state in which a volume of free air is counted, in the viewer's units."""
    return FREE_AIR_INCH_POUND if current() == INCH_POUND else FREE_AIR


def factor(quantity: str) -> float:
    """What a column in SI is divided by for a chart; not for temperatures, which have a zero."""
    of = current().of(quantity)
    if of.zero:
        raise ValueError(f"{quantity} has a zero of its own: use shown()")
    return of.si


def decimals_of(low: float, high: float) -> int:
    """Decimals that a figure deserves whose interval is ``low`` to ``high``; under 0: tens.

    Half the interval is told to one significant digit, or to two where its first digits are under
    355, and the figure ends at the same place. Common practice among physicists, from memory; it
    keeps within JCGM 100:2008 (GUM) 7.2.6, at most two digits of an uncertainty.

    Examples
    --------
    >>> decimals_of(17.94, 19.1), decimals_of(12.4, 31.0), decimals_of(1100.0, 2300.0)
    (1, 0, -2)
    >>> decimals_of(5.0, 5.0)
    9
    """
    half = abs(high - low) / 2.0
    if not half > 0.0 or not math.isfinite(half):
        return 9
    place = math.floor(math.log10(half))
    leading = half / 10.0**place
    if leading < 3.55:
        place -= 1
    return -place
