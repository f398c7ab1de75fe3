"""Words, numbers and units as people read them: SI in, text out. No page formats a number."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashboard import units

if TYPE_CHECKING:
    from ingest.config import Yard

#: Keeps a number and its unit on one line.
NBSP = "\u00a0"

#: Written where there is no figure.
NONE = "–"

CAUTION = (
    "Before anyone touches the pot: isolate it, vent it, and prove that it is vented at the pot "
    "itself. Follow the site's own procedure, local code and a competent person. Gritbook is not "
    "a gauge to work by: a blocked port reads zero."
)
INVENTED = "Invented scenario: this yard, its people and its readings are made up."
STORE_BUSY = "The store is being written to just now."
STORE_BUSY_STEP = "This page fills in as soon as it is free; nothing is lost."


def price(quantity: str, price_si: float) -> str:
    """A price for one of a quantity's SI unit, for one of the viewer's, to four digits.

    Examples
    --------
    >>> with units.use(units.INCH_POUND):
    ...     price("mass", 0.5)
    '0.2268'
    >>> price("mass", 0.31)
    '0.31'
    """
    if units.current() is units.METRIC:
        return f"{price_si:g}"
    return f"{price_si * units.factor(quantity):.4g}"


def _number(value: float, digits: int) -> str:
    """A number with thin spaces between thousands and a true minus sign."""
    text = f"{value:,.{digits}f}".replace(",", "\u202f")
    if float(f"{value:.{digits}f}") == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "\u2212")


def hours_digits(low_s: float | None, high_s: float | None, value_s: float) -> int:
    """Decimals of an hour figure that its interval supports.

    Two up to 10 h, one above; one less where the interval is wider than half an hour.
    """
    digits = 2 if abs(value_s) < 36_000 else 1
    if low_s is not None and high_s is not None and high_s - low_s > 1_800:
        digits -= 1
    return digits


def hours(value_s: float | None, digits: int = 2) -> str:
    """Seconds as hours, without the unit.

    Examples
    --------
    >>> hours(13_834.0), hours(116_640.0, 1), hours(None)
    ('3.84', '32.4', '–')
    """
    return NONE if value_s is None else _number(value_s / 3600.0, digits)


def between_hours(low_s: float | None, high_s: float | None, digits: int = 2) -> str:
    """The interval of an hour figure; empty where both ends read alike.

    Examples
    --------
    >>> between_hours(13_680.0, 14_400.0).replace(NBSP, " ")
    'between 3.80 and 4.00 h'
    """
    if low_s is None or high_s is None or hours(low_s, digits) == hours(high_s, digits):
        return ""
    return f"between {hours(low_s, digits)} and {hours(high_s, digits)}{NBSP}h"


def kpa(value_pa: float | None) -> str:
    """Pascal as whole kilopascal, without the unit: a transducer of a pot is good to a few kPa.

    Examples
    --------
    >>> kpa(752_340.0), kpa(-400.0), kpa(None)
    ('752', '0', '–')
    """
    return NONE if value_pa is None else _number(value_pa / 1000.0, 0)


def measure(
    quantity: str, value_si: float | None, low_si: float | None = None, high_si: float | None = None
) -> str:
    """A figure in the viewer's unit, without the unit, with no more digits than are known.

    Parameters
    ----------
    quantity : str
        A key of :data:`dashboard.units.QUANTITIES`.
    value_si : float or None
        In the quantity's SI unit; ``None`` is a dash.
    low_si, high_si : float or None
        Its interval, where there is one: the figure then ends where the interval's half begins.

    Examples
    --------
    >>> measure("pressure", 752_340.0), measure("area", 31.46), measure("mass", None)
    ('752', '31.5', '–')
    >>> measure("mass", 4752.0, 4100.0, 5300.0)
    '4\u202f800'
    >>> with units.use(units.INCH_POUND):
    ...     measure("pressure", 752_340.0), measure("per_area", 18.5)
    ('109', '3.79')
    """
    if value_si is None:
        return NONE
    value = units.shown(quantity, value_si)
    digits = units.current().of(quantity).decimals
    if low_si is not None and high_si is not None:
        known = units.decimals_of(units.shown(quantity, low_si), units.shown(quantity, high_si))
        digits = min(digits, known)
    elif abs(value) >= 100:
        digits = 0
    return _number(round(value, digits), max(digits, 0))


def with_unit(
    quantity: str, value_si: float | None, low_si: float | None = None, high_si: float | None = None
) -> str:
    """:func:`measure` with its unit, on one line.

    Examples
    --------
    >>> with units.use(units.INCH_POUND):
    ...     with_unit("mass", 25.0).replace(NBSP, " "), with_unit("temperature", -1.26)
    ('55 lb', '30\xa0°F')
    """
    if value_si is None:
        return NONE
    return f"{measure(quantity, value_si, low_si, high_si)}{NBSP}{units.unit(quantity)}"


def between(quantity: str, low_si: float | None, high_si: float | None) -> str:
    """The 90 % interval of a figure, with its unit; empty where there is none.

    Examples
    --------
    >>> between("per_area", 17.94, 19.1).replace(NBSP, " "), between("mass", None, 3.0)
    ('90 %: between 17.9 and 19.1 kg/m²', '')
    """
    if low_si is None or high_si is None:
        return ""
    ends = [measure(quantity, end, low_si, high_si) for end in (low_si, high_si)]
    return f"90{NBSP}%: between {ends[0]} and {ends[1]}{NBSP}{units.unit(quantity)}"


def pressure(value_pa: float | None) -> str:
    """A gauge pressure in the viewer's unit, without the unit.

    Examples
    --------
    >>> pressure(-400.0), pressure(None)
    ('0', '–')
    """
    return measure("pressure", value_pa)


def reading_pressure(value_pa: float | None, floor_pa: float) -> str:
    """A pressure as read just now; under ``floor_pa`` it only says that it is under it.

    Near zero a transducer cannot tell a little pressure from none, so no digits are shown there.
    The floor is rounded up: what lies under it must lie under what is written.

    Examples
    --------
    >>> reading_pressure(748_000.0, 10_000.0), reading_pressure(1_500.0, 10_000.0)
    ('748', 'under 10')
    >>> with units.use(units.INCH_POUND):
    ...     reading_pressure(1_500.0, 10_000.0)
    'under 2'
    """
    if value_pa is not None and value_pa < floor_pa:
        return f"under {_number(math.ceil(units.shown('pressure', floor_pa) - 1e-9), 0)}"
    return pressure(value_pa)


def seconds(value_s: float | None) -> str:
    """Seconds without the unit: two decimals under 10 s, one above."""
    if value_s is None:
        return NONE
    return _number(value_s, 2 if abs(value_s) < 10 else 1)


def amount(value: float | None) -> str:
    """An amount to three digits or whole, whichever says more.

    Examples
    --------
    >>> amount(31.46), amount(4750.0), amount(6.0), amount(None)
    ('31.5', '4\\u202f750', '6.0', '–')
    """
    if value is None:
        return NONE
    return _number(value, 0 if abs(value) >= 100 else 1)


def typed(quantity: str, value_si: float) -> str:
    """What somebody typed, in the viewer's unit, with it; to four digits where it was not his.

    Examples
    --------
    >>> typed("mass", 25.0), typed("area", 31.25)
    ('25 kg', '31.25 m²')
    >>> with units.use(units.INCH_POUND):
    ...     typed("mass", 22.6796185), typed("mass", 25.0)
    ('50 lb', '55.12 lb')
    """
    value = units.typed(quantity, float(value_si))
    if not value.is_integer() and units.current() is not units.METRIC:
        value = float(f"{value:.4g}")
    return f"{plain_number(value)} {units.unit(quantity)}"


def plain_number(value: float) -> str:
    """A number as somebody typed it: no decimals that were not there."""
    return _number(value, 0) if float(value).is_integer() else f"{value:g}"


def percent(share: float) -> str:
    """A share as whole per cent.

    Examples
    --------
    >>> [percent(share).replace(NBSP, " ") for share in (0.364, 0.002, 0.996, 1.0)]
    ['36 %', 'under 1 %', 'over 99 %', '100 %']
    """
    if 0 < share < 0.005:
        return f"under 1{NBSP}%"
    if 0.99 < share < 1.0:
        return f"over 99{NBSP}%"
    return f"{share * 100:.0f}{NBSP}%"


def used_of(trigger: str, used: float, limit: float) -> str:
    """How far along a limit something is, in its own unit.

    Examples
    --------
    >>> used_of("blast_h", 32.41, 40.0).replace(NBSP, " ")
    '32.4 of 40 blast hours'
    >>> used_of("days", 0.4, 1.0).replace(NBSP, " "), used_of("cycles", 900, 2000)
    ('0.4 of 1 day', '900 of 2\\u202f000 pinch cycles')
    """
    if trigger == "cycles":
        return f"{_number(used, 0)} of {_number(limit, 0)} pinch cycles"
    if trigger == "condition":
        return f"{_number(used, 1)} of {plain_number(limit)} times a change worth a look"
    unit = {"blast_h": "blast hours", "days": "day" if limit == 1 else "days"}[trigger]
    return f"{_number(used, 1)} of {plain_number(limit)}{NBSP}{unit}"


def counted(number: int, one: str, many: str) -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "gap", "gaps"), counted(1200, "gap", "gaps")
    ('1 gap', '1\\u202f200 gaps')
    """
    return f"{_number(number, 0)} {one if number == 1 else many}"


def label(text: str) -> str:
    """Text for a label that Streamlit reads as Markdown, so that it shows as it stands.

    Examples
    --------
    >>> label("*pot*")
    '\\\\*pot\\\\*'
    """
    escaped = "".join(f"\\{c}" if c in r"\`*_{}[]()<>#+-.!|~$" else c for c in text)
    return escaped.replace(":", ":\u2060")


def pot_title(yard: Yard, pot: str) -> str:
    """What people call a pot."""
    named = yard.pot(pot)
    return (named.title if named else "") or pot


def sentence(text: str) -> str:
    """Text with a capital first letter, the rest as it stands.

    Examples
    --------
    >>> sentence("bore and liner; replaced at 1.6 mm")
    'Bore and liner; replaced at 1.6 mm'
    """
    return text[:1].upper() + text[1:]


#: A difference of two transducers under this is within what they can tell. [Pa]
DROP_FLOOR_PA = 5_000.0


def drop(lost_pa: float | None) -> str:
    """Pressure lost between two transducers, with its unit; a small one only as small.

    Examples
    --------
    >>> drop(78_400.0).replace(NBSP, " "), drop(-900.0).replace(NBSP, " "), drop(None)
    ('−78 kPa', 'under 5 kPa', '–')
    >>> with units.use(units.INCH_POUND):
    ...     drop(78_400.0).replace(NBSP, " "), drop(-900.0).replace(NBSP, " ")
    ('−11.4 psi', 'under 0.8 psi')
    """
    if lost_pa is None:
        return NONE
    unit = units.current().of("drop")
    if abs(lost_pa) < DROP_FLOOR_PA:
        tenth = 10.0**unit.decimals
        floor = math.ceil(DROP_FLOOR_PA / unit.si * tenth - 1e-9) / tenth
        return f"under {_number(floor, unit.decimals)}{NBSP}{unit.name}"
    return with_unit("drop", -lost_pa)


def three_digits(value: float | None) -> str:
    """A number to three digits.

    Examples
    --------
    >>> three_digits(0.012345), three_digits(52.31), three_digits(741.6), three_digits(-0.0001)
    ('0.012', '52.3', '742', '0')
    """
    if value is None:
        return NONE
    if abs(value) < 0.0005:
        return "0"
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2 if abs(value) >= 0.1 else 3
    return _number(value, digits)


def kilograms(value: float | None) -> str:
    """Kilograms as a pot can be weighed by its pressures: whole."""
    return NONE if value is None else _number(value, 0)


def between_kg(low: float | None, high: float | None) -> str:
    """The 90 % interval of a mass, with its unit; empty where there is none.

    Examples
    --------
    >>> between_kg(12.4, 31.0).replace(NBSP, " "), between_kg(None, 3.0)
    ('90 %: between 12 and 31 kg', '')
    """
    return between("mass", low, high)


def between_amounts(low: float, high: float, unit: str) -> str:
    """The 90 % interval of an amount in a unit that is the same for every viewer.

    Examples
    --------
    >>> between_amounts(17.94, 19.1, "h").replace(NBSP, " ")
    '90 %: between 17.9 and 19.1 h'
    """
    return f"90{NBSP}%: between {amount(low)} and {amount(high)}{NBSP}{unit}"


def pace_h(m2_h: float | None) -> str:
    """Area an hour, without the unit, from square metres an hour as frames hold it.

    Examples
    --------
    >>> pace_h(12.34)
    '12.3'
    """
    return measure("pace", None if m2_h is None else m2_h / 3600.0)


def temperature(value_c: float) -> str:
    """A temperature with its unit.

    Examples
    --------
    >>> temperature(-1.26).replace(NBSP, " ")
    '−1.3 °C'
    """
    return with_unit("temperature", value_c)


def warmer(value_k: float) -> str:
    """A difference of temperatures, without the unit.

    Examples
    --------
    >>> warmer(2.96), warmer(-0.42)
    ('2.9', '−0.5')
    >>> with units.use(units.INCH_POUND):
    ...     warmer(2.99), warmer(3.0)
    ('5.3', '5.4')

    Rounded down, so that it never reads as a rule met that is not.
    """
    return _number(math.floor(units.shown("warmer", value_k) * 10 + 1e-9) / 10, 1)


def signed_percent(share: float) -> str:
    """A difference as whole per cent, with its sign.

    Examples
    --------
    >>> [signed_percent(s).replace(NBSP, " ") for s in (0.124, -0.05, 0.002)]
    ['+12 %', '−5 %', '0 %']
    """
    whole = round(share * 100)
    sign = "+" if whole > 0 else "\u2212" if whole < 0 else ""
    return f"{sign}{abs(whole)}{NBSP}%"


COVER_POT = "Cover the pot: the air is close to saturation."
MARGIN_GUIDE = (
    "Guide for painting: 3 K or more (ISO 8502-4), at the place where the sensor hangs. It does "
    "not say that the surface is dry."
)
