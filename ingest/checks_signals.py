"""Mistakes of wiring and set-up that show in the readings themselves.

Each function looks at what one pot's box sent lately and says in a sentence what it looks like, and
what to do. It is a suspicion, never a correction: readings stay as they came.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.yard_faults import pressure_hint

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

#: What is looked at: so long before the newest reading of a pot.
LATELY = dt.timedelta(hours=12)
#: Fewer instants than this say nothing.
ENOUGH = 200
_MOST_INSTANTS = 500_000

#: Clearly pressurised, and clearly not; gauge. [Pa]
_PRESSURISED_PA, _VENTED_PA = 150_000.0, 60_000.0
#: Pressures that should be in order differ the wrong way by more than a transducer errs. [Pa]
_WRONG_WAY_PA = 20_000.0
#: The atmosphere at sea level and in the mountains. [Pa]
_ATMOSPHERE_PA = (78_000.0, 108_000.0)
#: A 4-20 mA loop with the margins of NAMUR NE 43. [mA]
_LOOP_MA = (3.5, 21.5)
#: A box that samples at less than this part of its rate is too slow. [-]
RATE_SHORT = 0.8
_DEADMAN_HZ = 5.0


class Lately(NamedTuple):
    """What a pot's box sent lately, in the order of arrival; NaN where a row has no value.

    ``at_s`` and ``arrived_s`` are seconds since 1970 UTC; ``deadman`` is 1 open, 0 shut.
    """

    at_s: Floats
    arrived_s: Floats
    seq: Floats
    deadman: Floats
    supply: Floats
    inlet: Floats
    pot: Floats
    nozzle: Floats


class Suspicion(NamedTuple):
    """What it looks like, and what to do."""

    what: str
    next_step: str


class SeenWrong(NamedTuple):
    """A suspicion from the values, and what it is about: ``unit:pot``, ``stuck:pot``, ``order``,
    ``deadman``."""

    about: str
    what: str
    next_step: str


def lately(con: duckdb.DuckDBPyConnection, pot: str) -> Lately | None:
    """What a pot's box sent lately; ``None`` where it is too little to say anything."""
    columns = ", ".join(
        f"CAST({c} AS DOUBLE)"
        for c in ("seq", "deadman", "supply_pa", "inlet_pa", "pot_pa", "nozzle_pa")
    )
    found: dict[str, Any] = con.sql(
        "WITH mine AS (SELECT s.* FROM sample s JOIN pot USING (pot_id) WHERE pot = $pot "
        "AND message_id >= 0), newest AS (SELECT max(sampled_at) AS at FROM mine) "
        "SELECT epoch_us(sampled_at) / 1e6 AS at_s, epoch_us(arrived_at) / 1e6 AS arrived_s, "
        f"{columns} FROM mine, newest WHERE sampled_at > newest.at - $span "
        "ORDER BY arrived_at, sampled_at LIMIT $most",
        params={"pot": pot, "span": LATELY, "most": _MOST_INSTANTS},
    ).fetchnumpy()
    arrays = [np.ma.filled(a.astype(np.float64), np.nan) for a in found.values()]
    return Lately(*arrays) if len(arrays[0]) >= ENOUGH else None


def suspicions(heard: Lately, yard: Yard, pot: str) -> Iterator[Suspicion]:
    """Everything that looks wrong in what a pot's box sent.

    Parameters
    ----------
    heard : Lately
    yard : Yard
    pot : str
    """
    yield from (Suspicion(one.what, one.next_step) for one in seen_wrong(heard))
    yield from _counter(heard)
    yield from _clock(heard)
    yield from _rate(heard, yard, pot)


def seen_wrong(heard: Lately) -> Iterator[SeenWrong]:
    """What looks wrong in the values themselves: unit, stuck, order, the dead-man's way round."""
    spoilt: set[str] = set()
    for channel in ("supply", "inlet", "pot", "nozzle"):
        values = getattr(heard, channel)
        found = _channel(channel, values[~np.isnan(values)], heard)
        if found is not None:
            spoilt.add(channel)
            yield found
    yield from _absolute(heard, spoilt)
    yield from _order(heard, spoilt)
    if "pot" not in spoilt:
        yield from _deadman(heard)


def _channel(channel: str, values: Floats, heard: Lately) -> SeenWrong | None:
    """A channel that is nought, in another unit, a raw loop current, or stuck."""
    if len(values) < ENOUGH:
        return None
    low, high = float(values.min()), float(values.max())
    if low == high == 0.0:
        return SeenWrong(
            f"stuck:{channel}",
            f"{channel} is exactly 0 all the time.",
            "Look whether the transducer is connected and has its supply voltage, and that the "
            "box does not send 0 for what it cannot measure.",
        )
    if low >= _LOOP_MA[0] and high <= _LOOP_MA[1]:
        return SeenWrong(
            f"unit:{channel}",
            f"{channel} lies between {low:.1f} and {high:.1f} Pa: that looks like the loop "
            "current in mA, sent as Pa.",
            f'Let the box send "u":"mA", and write unit = "mA" with range_pa for {channel}.',
        )
    # At rest a gauge shows a few hundred Pa; only while somebody blasts is so little a wrong unit.
    blasted = (heard.deadman == 1.0).sum() >= ENOUGH // 2
    hint = pressure_hint(high) if blasted and 0.2 < high < 25_000.0 else None
    if hint and "looks like" in hint:
        unit = hint.split("looks like ")[1].split(";")[0]
        return SeenWrong(
            f"unit:{channel}",
            f"{channel} never goes above {high:.4g} Pa: that looks like {unit}, sent as Pa.",
            "Let the box multiply before it sends: 1 psi is 6894.757 Pa, 1 bar is 100000 Pa.",
        )
    others = [
        getattr(heard, name) for name in ("supply", "inlet", "pot", "nozzle") if name != channel
    ]
    # A pressure at rest repeats itself; one that never moves while others do is stuck.
    moving = any(np.nanmax(o) - np.nanmin(o) > 50_000.0 for o in others if not np.isnan(o).all())
    toggled = np.unique(heard.deadman[~np.isnan(heard.deadman)]).size > 1
    if low == high and (moving or toggled):
        return SeenWrong(
            f"stuck:{channel}",
            f"{channel} has been exactly {low:.0f} Pa while the others moved: it is stuck.",
            "Look at the transducer's cable, at its isolating valve, and at the box's input.",
        )
    return None


def _absolute(heard: Lately, spoilt: set[str]) -> Iterator[SeenWrong]:
    """Pressures that come to rest at the atmosphere's: the transducer is an absolute one."""
    for channel in ("pot", "nozzle"):
        values = getattr(heard, channel)
        values = values[~np.isnan(values)]
        if channel in spoilt or len(values) < ENOUGH:
            continue
        rest = np.sort(values)[: max(len(values) // 20, 20)]
        low, high = float(rest[0]), float(rest[-1])
        if _ATMOSPHERE_PA[0] < low and high < _ATMOSPHERE_PA[1] and high - low < 6_000.0:
            yield SeenWrong(
                f"unit:{channel}",
                f"{channel} comes to rest at {low / 1e3:.0f} kPa: that is the atmosphere's "
                "pressure, as an absolute transducer shows it. Gritbook takes gauge pressure.",
                "Let the box take the atmosphere off, or give the transducer a [[transducer."
                "calibration]] with that offset_pa.",
            )


def _order(heard: Lately, spoilt: set[str]) -> Iterator[SeenWrong]:
    """Air flows from the manifold to the nozzle; a pressure that rises that way is another's."""
    for upper, lower in (("supply", "pot"), ("pot", "nozzle"), ("inlet", "supply")):
        a, b = getattr(heard, upper), getattr(heard, lower)
        blasting = (heard.deadman == 1.0) & ~np.isnan(a) & ~np.isnan(b)
        blasting &= np.maximum(np.nan_to_num(a), np.nan_to_num(b)) > _PRESSURISED_PA
        if {upper, lower} & spoilt or blasting.sum() < ENOUGH:
            continue
        higher = float(np.median(b[blasting] - a[blasting]))
        if higher > _WRONG_WAY_PA:
            yield SeenWrong(
                "order",
                f"While blasting {lower} is {higher / 1e3:.0f} kPa above {upper}: the two look "
                "swapped.",
                f"Look at the box's inputs, and swap the names {upper} and {lower} there.",
            )


def _deadman(heard: Lately) -> Iterator[SeenWrong]:
    """A switch whose open and shut are the wrong way round, or that never moves."""
    known = ~np.isnan(heard.deadman) & ~np.isnan(heard.pot)
    opened, shut = known & (heard.deadman == 1.0), known & (heard.deadman == 0.0)
    high, low = heard.pot > _PRESSURISED_PA, heard.pot < _VENTED_PA
    if opened.sum() >= ENOUGH and shut.sum() >= ENOUGH:
        if high[shut].mean() > 0.6 and low[opened].mean() > 0.6:
            yield SeenWrong(
                "deadman",
                "The dead-man is open while the pot is vented and shut while it is under pressure: "
                "it looks inverted.",
                "Use the switch's other contact, or let the box turn the value round: true is "
                "open, the handle held down.",
            )
    elif (high & known).sum() >= ENOUGH and (low & known).sum() >= ENOUGH:
        stands = "open" if opened.any() else "shut"
        yield SeenWrong(
            "deadman",
            f"The dead-man has been {stands} all the time, though the pot was filled and vented.",
            "Look at the pressure switch on the return signal line, and at its two wires.",
        )


def _counter(heard: Lately) -> Iterator[Suspicion]:
    """No message counter, or two of them under one name."""
    seq = heard.seq[~np.isnan(heard.seq)]
    if not len(seq):
        yield Suspicion(
            "It sends no message counter (seq): a lost message shows only where it leaves a gap.",
            "Let the box count its messages, and send the count with each.",
        )
        return
    jumps = np.abs(np.diff(seq)) > 200
    # One restart is one jump; two boxes jump to and fro with every message.
    if len(seq) >= ENOUGH and jumps.mean() > 0.2:
        yield Suspicion(
            "Its message counter jumps to and fro all the time: two boxes send under this name.",
            "Give each box its own pot, client id and password.",
        )


def _clock(heard: Lately) -> Iterator[Suspicion]:
    """A clock in another zone: off by hours or half hours."""
    off_s = float(np.median(heard.arrived_s - heard.at_s))
    halves = round(off_s / 1800.0)
    if halves and abs(off_s - halves * 1800.0) < 120.0:
        way = "behind" if off_s > 0 else "ahead of"
        yield Suspicion(
            f"Its times are {abs(halves) / 2:g} h {way} the moment they arrive: the box keeps "
            "another zone's time.",
            "Times on the wire are UTC: set the box to UTC, or let it take its zone off.",
        )


def _rate(heard: Lately, yard: Yard, pot: str) -> Iterator[Suspicion]:
    """Fewer samples than the yard file says, or than the dead-man needs."""
    steps_s = np.diff(np.unique(heard.at_s))
    steps_s = steps_s[steps_s > 0]
    if len(steps_s) < ENOUGH // 2:
        return
    rate_hz = 1.0 / float(np.median(steps_s))
    told_hz = max((box.rate_hz for box in yard.boxes_of(pot)), default=0.0)
    if rate_hz < RATE_SHORT * told_hz:
        yield Suspicion(
            f"It samples {rate_hz:.2g} times a second; the yard file says {told_hz:g}.",
            "Set the box faster, or write what it really does as rate_hz.",
        )
    elif rate_hz < _DEADMAN_HZ and not np.isnan(heard.deadman).all():
        yield Suspicion(
            f"It samples the dead-man {rate_hz:.2g} times a second: short openings are not seen.",
            "Sample it 10 times a second or more.",
        )
