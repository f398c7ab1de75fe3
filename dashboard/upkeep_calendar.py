"""The due list as a calendar (RFC 5545): a day for each check, for whatever calendar people use.

A check stands on the earliest day on which its limit may pass. Its UID stays the same until it is
signed off, so that a calendar that takes the file again moves the day and makes no second one.
"""

from __future__ import annotations

import datetime as dt
import json
import uuid
from typing import TYPE_CHECKING, Any

from analytics.forecast import site_date, together
from dashboard import key_words, spoken, time_words, words, words_ahead
from ingest.parts import part_at

if TYPE_CHECKING:
    import polars as pl

    from ingest.config import Yard

_PRODUCT = "-//Gritbook//Upkeep//EN"


def upkeep_calendar(ahead: pl.DataFrame, yard: Yard, now: dt.datetime) -> tuple[bytes, int]:
    """A calendar of what is due, and how many checks have no day to stand on.

    Parameters
    ----------
    ahead : polars.DataFrame
        What :func:`analytics.upkeep_ahead.upkeep_ahead` gave, all of it or of some pots.
    yard : Yard
        For the site, its zone and what its pots are called.
    now : datetime
        Naive UTC.

    Returns
    -------
    tuple of bytes and int
        The file in UTF-8, and the number of checks left out. Days are the site's.
    """
    from icalendar import Calendar, Event
    from icalendar.enums import STATUS, TRANSP

    stamp = now.replace(tzinfo=dt.UTC)
    name = f"Upkeep, {yard.site.title or yard.site.name}"
    calendar = Calendar.new(
        prodid=_PRODUCT, name=name, description=words_ahead.FORECAST_MEANS, method="PUBLISH",
        refresh_interval=dt.timedelta(hours=12),
        uid=uuid.uuid5(uuid.NAMESPACE_OID, f"gritbook upkeep {yard.site.name}"),
    )  # fmt: skip
    calendar.add("X-WR-TIMEZONE", yard.site.zone.key)
    beside = _beside(ahead, site_date(now, yard.site.zone))
    left_out = 0
    for row in ahead.iter_rows(named=True):
        on = row["passes_from_on"] or row["passes_to_on"]
        if on is None:
            # A rule by condition alone never has a day; the others lack one.
            left_out += row["rests_on"] != "condition"
            continue
        is_firm = row["rests_on"] in ("passed", "calendar")
        calendar.add_component(
            Event.new(
                uid=_uid(yard, row),
                start=on,
                end=on + dt.timedelta(days=1),
                summary=_summary(yard, row),
                description=_description(yard, row, beside),
                location=yard.site.title or yard.site.name,
                categories=["Upkeep"],
                status=STATUS.CONFIRMED if is_firm else STATUS.TENTATIVE,
                transparency=TRANSP.TRANSPARENT,
                # Never falls while the UID stays: hours since the count began.
                sequence=max(int((now - row["since_at"]).total_seconds() // 3600), 0),
                stamp=stamp,
                last_modified=stamp,
            )
        )
    return calendar.to_ical(), left_out


def pot_title(yard: Yard, pot: str) -> str:
    """What people call a pot."""
    named = yard.pot(pot)
    return (named.title if named else "") or pot


def _uid(yard: Yard, row: dict[str, Any]) -> str:
    counted = [
        yard.site.name, row["pot"], row["part"], row["position"], row["rule"],
        row["since_at"].isoformat(),
    ]  # fmt: skip
    return f"{uuid.uuid5(uuid.NAMESPACE_OID, json.dumps(counted))}@gritbook"


def _summary(yard: Yard, row: dict[str, Any]) -> str:
    state = "" if row["state"] in ("ok", "soon") else f"{key_words.STATE_WORDS[row['state']]}: "
    task = "replace" if row["task"] == "replace" else "check"
    return f"{state}{task} {part_at(row['part'], row['position'])}, {pot_title(yard, row['pot'])}"


def _description(yard: Yard, row: dict[str, Any], beside: dict[Any, list[str]]) -> str:
    lines = [f"{spoken.page_units(words.sentence(row['what']))}.", f"{words_ahead.when(row)}."]
    if row["passes_at"] is not None:
        lines.append(
            f"By the calendar: {time_words.day_and_time(row['passes_at'], yard.site.zone)}."
        )
    if row["trigger"] in ("blast_h", "cycles", "days"):
        used = words.used_of(row["trigger"], row["used"], row["limit"]).replace(words.NBSP, " ")
        lines.append(f"Now: {used}, missing data counted as blasting.")
    others = [name for name in beside.get(_key(row), []) if name != _name(row)]
    if others:
        lines.append(f"The same week on this pot: {', '.join(others)}.")
    lines.append(f"Rule: {row['source']}.")
    if row["loosened"]:
        lines.append(f"Loosened by {row['by']}: {row['reason']}.")
    lines += ["", words.CAUTION, words_ahead.FORECAST_MEANS]
    if yard.site.invented:
        lines.append(words.INVENTED)
    return "\n".join(lines)


def _name(row: dict[str, Any]) -> str:
    return part_at(row["part"], row["position"])


def _key(row: dict[str, Any]) -> tuple[str, dt.date]:
    on = row["passes_from_on"] or row["passes_to_on"]
    return row["pot"], on - dt.timedelta(days=on.weekday())


def _beside(ahead: pl.DataFrame, today: dt.date) -> dict[Any, list[str]]:
    """What each pot has in each week: (pot, Monday) -> names of its parts."""
    found: dict[Any, list[str]] = {}
    for row in together(ahead, today, weeks=26).iter_rows(named=True):
        names = [part_at(at["part"], at["position"]) for at in row["rules"]]
        found[(row["pot"], row["week_on"])] = list(dict.fromkeys(names))
    return found
