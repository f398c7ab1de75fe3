"""Instants, days and how long things lasted, as people at the site read them."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

from dashboard.words import NBSP


def duration(value_s: float) -> str:
    """How long something lasted, in the two largest units that matter.

    Examples
    --------
    >>> [duration(s).replace(NBSP, " ") for s in (4.21, 72, 3_900, 200_000)]
    ['4.2 s', '1 min 12 s', '1 h 05 min', '2 d 7 h']
    """
    if value_s < 60:
        return f"{value_s:.1f}{NBSP}s" if value_s < 10 else f"{value_s:.0f}{NBSP}s"
    whole = round(value_s)
    if whole < 3600:
        return f"{whole // 60}{NBSP}min {whole % 60:02d}{NBSP}s"
    if whole < 86_400:
        return f"{whole // 3600}{NBSP}h {whole % 3600 // 60:02d}{NBSP}min"
    return f"{whole // 86_400}{NBSP}d {whole % 86_400 // 3600}{NBSP}h"


def ago(value_s: float) -> str:
    """How long ago something was.

    Examples
    --------
    >>> ago(0.4), ago(45).replace(NBSP, " "), ago(-40).replace(NBSP, " ")
    ('just now', '45 s ago', '40 s ahead of this computer')
    """
    if value_s < -2:
        return f"{duration(-value_s)} ahead of this computer"
    return "just now" if value_s < 2 else f"{duration(value_s)} ago"


def in_zone(at: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    """An instant on the site's wall clock; a naive one is UTC, as in the store."""
    aware = at if at.tzinfo is not None else at.replace(tzinfo=dt.UTC)
    return aware.astimezone(zone)


def clock(at: dt.datetime, zone: ZoneInfo, with_seconds: bool = False) -> str:
    """Time of day at the site."""
    return in_zone(at, zone).strftime("%H:%M:%S" if with_seconds else "%H:%M")


_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def day(at: dt.datetime | dt.date, zone: ZoneInfo | None = None) -> str:
    """A day, such as ``Tue 24 Nov 2026``."""
    there = in_zone(at, zone) if isinstance(at, dt.datetime) and zone is not None else at
    return f"{_DAYS[there.weekday()]} {there.day} {_MONTHS[there.month - 1]} {there.year}"


def day_and_time(at: dt.datetime, zone: ZoneInfo) -> str:
    """A day and a time of day at the site."""
    return f"{day(at, zone)}, {clock(at, zone)}"


def stretch(from_at: dt.datetime, to_at: dt.datetime, zone: ZoneInfo) -> str:
    """From when to when, at the site."""
    begin, end = in_zone(from_at, zone), in_zone(to_at, zone)
    later = "" if begin.date() == end.date() else f"{day(end)}, "
    return f"{day(begin)}, {begin:%H:%M} to {later}{end:%H:%M}"
