"""What people enter besides tippings and areas: prices, deliveries, fuel, reasons for stops.

All of it is invented. Reasons are given for the begin and the end of most shifts and for their
breaks; other stops are left without one, as happens.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, time, timedelta

from .contractor import ABRASIVE, BAG_KG, SUPERVISORS
from .yard import WorkedShift, Yard, generator

WAGE_H, FUEL_L, WASTE_KG, ABRASIVE_KG = 41.5, 1.62, 0.12, 0.42
"""Prices of a paid hour, a litre of fuel, a kilogram of waste, a kilogram of abrasive [money]."""
WEEKLY_KG = 6500.0
"""Abrasive delivered a week for each pot [kg]."""
FUEL_L_H = 17.0
"""Fuel a pot's compressor burns in an hour [l/h]."""
UNSIGNED_DAYS = 2
"""Sheets of so many last days are not signed yet [d]."""
REASON_FORGOTTEN = 0.25
"""Chance that nobody says why a stop was."""
BREAK_FROM_S = 720.0
"""A pause longer than this without a refill was a break [s]."""

Entry = tuple[datetime, str, str, dict[str, object]]


def keeping_rows(yard: Yard) -> Iterator[Entry]:
    """Give prices, kinds of abrasive, deliveries, and of each shift its fuel and its signature.

    Parameters
    ----------
    yard : Yard
        The calendar.

    Yields
    ------
    tuple
        When entered, kind of record, who entered it, body with instants.
    """
    start = datetime.combine(yard.from_date, time(), UTC) - timedelta(hours=5)
    owner = SUPERVISORS[0]
    for number, (what, price) in enumerate(
        (("wage_h", WAGE_H), ("fuel_l", FUEL_L), ("waste_kg", WASTE_KG))
    ):
        at = start + timedelta(minutes=number)
        yield at, "price", owner, {"price_of": what, "price": price, "from_at": start}
    kind: dict[str, object] = {
        "abrasive": ABRASIVE, "bulk_kg_m3": 2150.0, "particle_kg_m3": 4100.0,
        "price_kg": ABRASIVE_KG, "bag_kg": BAG_KG,
        "reorder_kg": round(0.5 * WEEKLY_KG * len(yard.pots), -2),
    }  # fmt: skip
    yield start + timedelta(minutes=5), "abrasive_kind", owner, kind
    for day in range((yard.to_date - yard.from_date).days + 1):
        on = yard.from_date + timedelta(days=day)
        if day and on.weekday():
            continue
        at = datetime.combine(on, time(5, 30), UTC) - timedelta(hours=0 if day else 10)
        body: dict[str, object] = {
            "abrasive": ABRASIVE, "move": "delivered", "kg": WEEKLY_KG * len(yard.pots),
            "at": at, "batch": f"B-{on:%y%m%d}",
        }  # fmt: skip
        yield at + timedelta(minutes=20), "abrasive_move", owner, body
    for shift in yard.shifts:
        hours = (shift.to_at - shift.from_at).total_seconds() / 3600.0
        litres = 5.0 * round(FUEL_L_H * hours * len(shift.pots) / 5.0)
        done = shift.to_at - timedelta(minutes=4)
        yield done, "fuel", owner, {"shift": shift.name, "litres": litres, "at": done}
        # The newest sheets lie on the desk yet.
        signed = shift.to_at + timedelta(minutes=55)
        if shift.to_at.date() < yard.to_date - timedelta(days=UNSIGNED_DAYS):
            yield signed, "signature", owner, {"shift": shift.name, "at": signed}


def stop_rows(worked: WorkedShift, box_on: datetime, tender: str) -> Iterator[Entry]:
    """Give the reasons that people enter for a pot's stops.

    Parameters
    ----------
    worked : WorkedShift
        What truly happened.
    box_on : datetime
        When the box was switched on, true time.
    tender : str
        Who enters them.

    Yields
    ------
    tuple
        As from `keeping_rows`.
    """
    shift, cycles = worked.shift, worked.result.cycles
    if not len(cycles["pressed_s"]):
        return
    random = generator(0, "stops", worked.pot, shift.name)
    pressed = [box_on + timedelta(seconds=round(float(s))) for s in cycles["pressed_s"]]
    released = [box_on + timedelta(seconds=round(float(s))) for s in cycles["released_s"]]
    refills = [box_on + timedelta(seconds=float(s)) for s, _ in worked.result.refills]
    stops = [(shift.from_at, pressed[0], "set_up"), (released[-1], shift.to_at, "set_up")]
    for begin, end in zip(released, pressed[1:], strict=False):
        tipped = any(begin <= at <= end for at in refills)
        if (end - begin).total_seconds() > BREAK_FROM_S and not tipped:
            stops.append((begin, end, "break"))
    for begin, end, reason in sorted(stops):
        if random.random() < REASON_FORGOTTEN or (end - begin).total_seconds() < 60.0:
            continue
        body: dict[str, object] = {
            "pot": worked.pot, "from_at": begin, "to_at": end, "stop_for": reason,
        }  # fmt: skip
        yield shift.to_at + timedelta(minutes=8), "stop_reason", tender, body
