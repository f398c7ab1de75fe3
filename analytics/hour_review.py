"""The best and the worst hour of a shift, and the terms of ISO 22400-2 that its time makes.

Area is entered for a shift, not for an hour, so an hour is judged by its blast time.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import polars as pl

from analytics.hours import microseconds
from analytics.production import blast_weighted_pressures
from analytics.time_use import (
    BLASTING,
    NO_DATA,
    PAUSE,
    PRESSURISING,
    UNEXPLAINED,
    TimeLedger,
    TimeUse,
)
from ingest.stop_reasons import STOP_REASONS

_HOUR_US = 3_600_000_000
#: An hour of which less was heard is not judged. [-]
_LEAST_HEARD = 0.9


@dataclass(frozen=True)
class HourTold:
    """An hour of a shift.

    Parameters
    ----------
    from_at, to_at : datetime
        Naive UTC.
    use : TimeUse
        How it was used.
    nozzle_pa : float or None
        Nozzle pressure in it, weighted by blast time. [Pa gauge]
    most : str
        The part that took most of it besides blasting.
    """

    from_at: dt.datetime
    to_at: dt.datetime
    use: TimeUse
    nozzle_pa: float | None
    most: str


def best_and_worst(
    ledger: TimeLedger, cycles: pl.DataFrame, from_at: dt.datetime
) -> tuple[HourTold, HourTold] | None:
    """The full hours of a shift with most and with least blast time.

    Parameters
    ----------
    ledger : TimeLedger
        Of the shift.
    cycles : polars.DataFrame
        Its cycles.
    from_at : datetime
        Its begin, naive UTC: hours are counted from here.

    Returns
    -------
    tuple of HourTold or None
        Best and worst; ``None`` with fewer than two full hours that were heard. Of equal ones the
        earlier.
    """
    told = []
    for number in range((ledger.to_us - ledger.from_us) // _HOUR_US):
        begin = from_at + dt.timedelta(hours=number)
        end = begin + dt.timedelta(hours=1)
        use = ledger.within(microseconds(begin), microseconds(end))
        if use.parts[NO_DATA] > (1.0 - _LEAST_HEARD) * _HOUR_US:
            continue
        inside = cycles.filter((pl.col("pressed_at") >= begin) & (pl.col("pressed_at") < end))
        others = {part: us for part, us in use.parts.items() if part != BLASTING}
        told.append(
            HourTold(
                begin, end, use, blast_weighted_pressures(inside)["nozzle_pa"],
                max(others, key=lambda part: others[part]),
            )
        )  # fmt: skip
    if len(told) < 2:
        return None
    best = max(told, key=lambda hour: (hour.use.parts[BLASTING], -microseconds(hour.from_at)))
    worst = min(told, key=lambda hour: (hour.use.parts[BLASTING], microseconds(hour.from_at)))
    return best, worst


#: Part -> time element of ISO 22400-2:2014 (element names from public companion specifications,
#: which part falls where is our reading). What was not heard falls under none.
PART_ELEMENTS: dict[str, str] = {
    BLASTING: "APT",
    PRESSURISING: "ADET",
    PAUSE: "ADET",
    UNEXPLAINED: "ADOT",
    **{reason: known.element for reason, known in STOP_REASONS.items()},
}
ELEMENT_WORDS = {
    "APT": "actual production time",
    "AUST": "actual unit set-up time",
    "ADET": "actual unit delay time",
    "ADOT": "actual unit down time",
    "APMT": "actual preventive maintenance time",
    "PDOT": "planned down time",
}


def elements(use: TimeUse) -> dict[str, float]:
    """Time elements of ISO 22400-2 of a stretch. [s]

    Parameters
    ----------
    use : TimeUse
        How the stretch was used.

    Returns
    -------
    dict
        Element to its time; with what was not heard they add up to the stretch.
    """
    found = dict.fromkeys(ELEMENT_WORDS, 0)
    for part, element in PART_ELEMENTS.items():
        found[element] += use.parts[part]
    return {element: us / 1e6 for element, us in found.items()}


def indicators(times: dict[str, float]) -> dict[str, tuple[float, float]]:
    """Indicators of ISO 22400-2 as their two terms; never a bare ratio. [s]

    Parameters
    ----------
    times : dict
        From :func:`elements`.

    Returns
    -------
    dict
        ``utilisation efficiency`` APT/AUBT, ``technical efficiency`` APT/(APT + ADET) and ``set-up
        ratio`` AUST/AUPT, with AUBT = APT + AUST + ADET + ADOT and AUPT = APT + AUST (formulas
        from memory).

    Examples
    --------
    A worked example: 4.4 h blasted of 8 h at the pot:

    >>> indicators({"APT": 4.4, "AUST": 1.0, "ADET": 2.0, "ADOT": 0.6, "APMT": 0.0, "PDOT": 1.0})[
    ...     "utilisation efficiency"]
    (4.4, 8.0)
    """
    busy = times["APT"] + times["AUST"] + times["ADET"] + times["ADOT"]
    return {
        "utilisation efficiency": (times["APT"], busy),
        "technical efficiency": (times["APT"], times["APT"] + times["ADET"]),
        "set-up ratio": (times["AUST"], times["APT"] + times["AUST"]),
    }
