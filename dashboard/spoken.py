"""Sentences of the analyses, in UTC and metric units, as the viewer reads them."""

from __future__ import annotations

import datetime as dt
import re
from zoneinfo import ZoneInfo

from dashboard import time_words, units, words

_UTC_TIMES = re.compile(r"\b(\d\d):(\d\d)(?: and (\d\d):(\d\d))? UTC\b")


def at_the_site(text: str, from_at: dt.datetime, to_at: dt.datetime, zone: ZoneInfo) -> str:
    """A sentence about a spell with its UTC times of day turned into the site's.

    Where the spell is so long that a time of day could be of two days, the sentence stays as it
    is, in UTC.

    Parameters
    ----------
    text : str
        Times as ``13:05 UTC`` or ``13:05 and 13:20 UTC``.
    from_at, to_at : datetime
        The spell, naive UTC.
    zone : ZoneInfo
        The site's.

    Examples
    --------
    >>> spell = dt.datetime(2026, 1, 5, 22), dt.datetime(2026, 1, 6, 4)
    >>> at_the_site("Filled between 23:50 and 00:10 UTC?", *spell, ZoneInfo("Europe/Berlin"))
    'Filled between 00:50 and 01:10?'
    """
    margin = dt.timedelta(hours=2)
    if to_at - from_at > dt.timedelta(hours=20):
        return text
    first = from_at - margin

    def there(hour: str, minute: str) -> str:
        at = first.replace(hour=int(hour), minute=int(minute), second=59, microsecond=999999)
        return time_words.clock(at if at >= first else at + dt.timedelta(days=1), zone)

    def told(found: re.Match[str]) -> str:
        one = there(found[1], found[2])
        return one if found[3] is None else f"{one} and {there(found[3], found[4])}"

    return _UTC_TIMES.sub(told, text)


#: Unit in a sentence of the analyses -> the quantity; what is not in it stays as it stands.
_SENTENCE_UNITS = {
    "kPa": "pressure", "kg": "mass", "m²": "area", "m³/min": "free_air", "mm": "bore",
    "°C": "temperature", "K": "warmer", "m3/(s Pa)": "conductance", "kg/m²": "per_area",
    "m²/h": "pace", "kg/min": "feed", "kg/h": "use",
}  # fmt: skip

_NUMBER = r"[-\u2212]?\d+(?:[\u202f,]\d{3})*(?:\.\d+)?(?:e[+-]?\d+)?"

_QUANTITIES_SAID = re.compile(
    rf"({_NUMBER})(?:( (?:to|and|or|±|of) )({_NUMBER}))?([ \u00a0])"
    rf"({'|'.join(re.escape(u) for u in sorted(_SENTENCE_UNITS, key=len, reverse=True))})"
    r"(?![\w/²³])"
)


def page_units(text: str) -> str:
    """A sentence of the analyses, which speak in metric units, in the viewer's.

    Examples
    --------
    >>> page_units("Leak while pinched up by 6.6e-09 m3/(s Pa): this fits")
    'Leak while pinched up by 0.66 l/(s bar): this fits'
    >>> with units.use(units.INCH_POUND):
    ...     page_units("Over 60 kPa; between 12 and 31 kg; 3 cycles")
    'Over 9 psi; between 26 and 68 lb; 3 cycles'
    """

    def told(found: re.Match[str]) -> str:
        first, word, second, space, unit = found.groups()
        quantity = _SENTENCE_UNITS[unit]
        metric = units.METRIC.of(quantity)
        if units.unit(quantity) == unit:
            return found[0]
        # Conductances are said in SI, everything else in the metric unit of pages.
        si, zero = (1.0, 0.0) if unit == "m3/(s Pa)" else (metric.si, metric.zero)

        def one(number: str) -> str:
            value = float(re.sub(r"[\u202f,]", "", number).replace("\u2212", "-"))
            if unit == "kPa" and abs(value) < 20:
                # So little is a difference, of which half a psi matters.
                return words.measure("drop", value * si)
            if unit == "m3/(s Pa)":
                return words.three_digits(units.shown(quantity, value))
            return words.measure(quantity, value * si + zero)

        rest = f"{word}{one(second)}" if second else ""
        return f"{one(first)}{rest}{space}{units.unit(quantity)}"

    return _QUANTITIES_SAID.sub(told, text)
