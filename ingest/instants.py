"""Wall-clock times as people and files write them, turned into UTC instants.

A time without a zone is the site's own. Twice a year that is not one instant: such a time is
refused with a sentence, never guessed.
"""

from __future__ import annotations

import datetime as dt
import re
from zoneinfo import ZoneInfo

_DATE_ONLY = re.compile(r"\d{4}-\d{2}-\d{2}")


def utc_from_wall(wall: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    """The UTC instant of a wall-clock time.

    Parameters
    ----------
    wall : datetime
        Naive: the site's wall clock. Aware: taken as it stands.
    zone : ZoneInfo
        The site's time zone.

    Returns
    -------
    datetime
        Aware, UTC.

    Raises
    ------
    ValueError
        The wall clock never showed this time, or showed it twice (daylight saving changes).

    Examples
    --------
    >>> utc_from_wall(dt.datetime(2026, 7, 1, 6, 0), ZoneInfo("Europe/Berlin")).isoformat()
    '2026-07-01T04:00:00+00:00'
    """
    if wall.tzinfo is not None:
        return wall.astimezone(dt.UTC)
    first = wall.replace(tzinfo=zone, fold=0)
    second = wall.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.astimezone(dt.UTC)
    there_and_back = first.astimezone(dt.UTC).astimezone(zone).replace(tzinfo=None)
    if there_and_back != wall:
        raise ValueError(
            f"{wall.isoformat(sep=' ')} did not exist in {zone.key}: the clocks were put forward"
        )
    raise ValueError(
        f"{wall.isoformat(sep=' ')} happened twice in {zone.key}: the clocks were put back; "
        f"add the offset, {first.isoformat()} or {second.isoformat()}"
    )


def utc_instant(value: object, zone: ZoneInfo) -> dt.datetime:
    """The UTC instant of a date, a datetime or ISO-8601 text.

    A bare date is its first moment in the site's zone.

    Raises
    ------
    ValueError
        It is none of these, or a wall-clock time that is not one instant.

    Examples
    --------
    >>> utc_instant("2026-07-01T06:00:00+02:00", ZoneInfo("UTC")).isoformat()
    '2026-07-01T04:00:00+00:00'
    >>> utc_instant(dt.date(2026, 7, 1), ZoneInfo("Europe/Berlin")).isoformat()
    '2026-06-30T22:00:00+00:00'
    """
    if isinstance(value, dt.datetime):
        return utc_from_wall(value, zone)
    if isinstance(value, dt.date):
        return _first_moment(value, zone)
    if isinstance(value, str):
        text = value.strip()
        try:
            if _DATE_ONLY.fullmatch(text):
                day = dt.date.fromisoformat(text)
            else:
                return utc_from_wall(dt.datetime.fromisoformat(text), zone)
        except ValueError as error:
            if "happened twice" in str(error) or "did not exist" in str(error):
                raise
            raise ValueError(
                f"{value!r} is not a date or time; write it like 2026-05-04T06:30"
            ) from error
        return _first_moment(day, zone)
    raise ValueError(f"{value!r} is not a date or time; write it like 2026-05-04T06:30")


def _first_moment(day: dt.date, zone: ZoneInfo) -> dt.datetime:
    # Some zones change their clocks at midnight. fold=0 is the first of two midnights; where
    # midnight was skipped it maps onto the very moment of the change, which is the day's first.
    return dt.datetime.combine(day, dt.time(), tzinfo=zone).astimezone(dt.UTC)
