"""What the readings of each burst show: before the press, while the pot fills, held, after release.

Medians and shares of the pressures of one cycle and of the rest after it. Which of them have
changed is for ``indicators`` to say, and what that may mean for ``diagnosis``.

Three of them part what a burst would otherwise mix:

* **Clean line.** While the pot still fills it lies under the pressure at the head of the blast
  hose, so no grain can fall through the metering valve: manifold to nozzle then passes clean air,
  through choke valve, hose and bore alone. Later in the burst grains add to the hose's loss.
* **Bull line.** When the burst ends the flow stops, and the manifold comes up within two seconds
  to what the compressor's receiver holds. That step is what hose and separator took for the flow;
  how far the receiver itself has fallen is the compressor's affair.
* **Handle.** A pot that stays up with the dead-man off either still blasts (the nozzle's pressure
  is up as well: the switch is wrong) or is shut in (the nozzle is down: it did not exhaust).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.fill import Edges, PotFacts, Samples, edges_of
from analytics.fill_kernel import compiled, there
from analytics.rank_kernel import (
    any_there,
    count_there,
    count_within,
    median,
    median_within,
    over_median,
    two_ranked,
)
from analytics.window_kernel import mark_runs, medians_about, rest_levels

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

#: The pot is looked at so long after a release. [s]
AFTER_S = 20.0
#: A transducer further from nil than this at rest is not at rest. [Pa]
REST_PA = 20_000.0
#: A pot that held less than this was not up. [Pa]
UP_PA = 200_000.0
#: Grains left in a hose of some tens of metres are blown out by then (air does 20 m/s and more
#: there), and the valves stand. [s]
CLEAN_FROM_S = 1.2
#: Pot under nozzle by this: transducers' errors and the weight of the grains on the valve, which
#: is a few kPa, together. [Pa]
CLEAN_UNDER_PA = 15_000.0
#: Readings from which a clean line is told.
CLEAN_READINGS = 4
#: After a release the manifold has come to rest on the receiver by the first, and is followed to
#: the second. [s]
STILL_S, FOLLOWED_S = 2.5, 7.0
#: The flow stops about so long after the switch says off: its signal bleeds down first. [s]
STOPS_S = 0.6
#: A shorter burst says little about what the compressor holds; or about steady pressures. [s]
LONG_BURST_S, STEADY_BURST_S = 25.0, 20.0
#: A pot that has not begun to answer by then will not. [s]
NO_ANSWER_S = 8.0
#: What a pot reads that has long been released counts as a zero within this. [Pa]
LOW_PA = 40_000.0
#: So many equal readings in a row are a reading that stands still. [s]
STILL_FOR_S = 2.0

#: Columns that :func:`readings_of_bursts` gives, all Float64, one row a cycle.
COLUMNS = (
    "press_delay_s", "holds_under_pa", "clean_loss_index", "grain_loss_index", "bull_loss_index",
    "receiver_pa", "supply_pa", "lowest_supply_share", "ripple_pa", "left_after_share",
    "creep_pa", "vented_pa", "standing_still_share", "missing_share",
    "held_unpressurised_share", "pressurised_unheld_share", "blown_unheld_share",
)  # fmt: skip


def readings_of_bursts(
    samples: Samples, cycles: pl.DataFrame, facts: PotFacts, pot_zero_pa: float = 0.0,
    stuck: Bools | None = None,
) -> dict[str, Floats]:  # fmt: skip
    """Each cycle's figures, ``COLUMNS``; NaN where a cycle does not show one.

    Parameters
    ----------
    samples : Samples
        Signals of the stretch.
    cycles : polars.DataFrame
        ``analytics.cycles.CYCLE_SCHEMA`` without flickers, ascending.
    facts : PotFacts
        What is known of the pot; only the outside pressure is used.
    pot_zero_pa : float
        What the pot's transducer reads more than the manifold's at one pressure. [Pa]
    stuck : ndarray of bool, optional
        Samples whose pot reading was left out because it stood still.
    """
    edges = edges_of(samples, cycles)
    count = edges.press.size
    standing = _standing(samples)
    halted = standing[:0]
    if stuck is not None and stuck.any():
        halted, standing = stuck, standing | stuck
    nozzle_zero_pa = _nozzle_zeros(samples, edges)
    rows = np.full((count, len(COLUMNS)), np.nan)
    _each_burst(
        edges.press.astype(np.int64), edges.release.astype(np.int64),
        edges.following.astype(np.int64), _as_read(samples.pot_pa), _as_read(samples.supply_pa),
        _as_read(samples.nozzle_pa), halted, standing, nozzle_zero_pa,
        samples.period_s, facts.outside_pa, any_there(samples.nozzle_pa), rows,
    )  # fmt: skip
    found = {name: rows[:, at].copy() for at, name in enumerate(COLUMNS)}
    # A short burst ends while pressures still settle.
    steady = np.where(_column(cycles, "deadman_s") >= STEADY_BURST_S, 1.0, np.nan)
    p_supply = _column(cycles, "supply_pa") + facts.outside_pa
    p_nozzle = _column(cycles, "nozzle_pa") - nozzle_zero_pa + facts.outside_pa
    loaded = (p_supply**2 - p_nozzle**2) / p_nozzle**2
    return found | {
        "supply_pa": steady * _column(cycles, "supply_pa"),
        "press_delay_s": _column(cycles, "press_delay_s"),
        "holds_under_pa": steady * (_column(cycles, "drop_supply_pot_pa") + pot_zero_pa),
        "grain_loss_index": steady * loaded - found["clean_loss_index"],
    }


def _column(cycles: pl.DataFrame, name: str) -> Floats:
    # What is null comes as not a number.
    return cycles[name].to_numpy()


def _as_read(values: Floats) -> Floats:
    """The same array, not to be written to, so that what is compiled sees one kind."""
    view = values.view()
    view.flags.writeable = False
    return view


def _nozzle_zeros(samples: Samples, edges: Edges) -> Floats:
    """What the nozzle's transducer reads with no air on it, over some cycles: its zero. [Pa]

    A nozzle is open to the air, so its reading at rest is nil but for the transducer's error.
    """
    second = max(round(1.0 / samples.period_s), 1)
    found = np.full(edges.press.size, np.nan)
    rest_levels(
        edges.press, edges.before, samples.nozzle_pa, 4 * second, 20 * second, second, REST_PA,
        False, found,
    )  # fmt: skip
    known = np.flatnonzero(np.isfinite(found))
    if not known.size:
        return np.zeros(found.size)
    return np.asarray(np.interp(np.arange(found.size), known, medians_about(found[known], 10)))


(
    _CLEAN, _BULL, _RECEIVER, _LOWEST, _RIPPLE, _LEFT, _CREEP, _VENTED, _STILL, _MISSING,
    _UNPRESSURISED, _UNHELD, _BLOWN,
) = (
    COLUMNS.index(name)
    for name in (
        "clean_loss_index", "bull_loss_index", "receiver_pa", "lowest_supply_share", "ripple_pa",
        "left_after_share", "creep_pa", "vented_pa", "standing_still_share", "missing_share",
        "held_unpressurised_share", "pressurised_unheld_share", "blown_unheld_share",
    )
)  # fmt: skip


@compiled
def _each_burst(
    press: Ints, release: Ints, following: Ints, pot_pa: Floats, supply_pa: Floats,
    nozzle_pa: Floats, halted: Bools, standing: Bools, nozzle_zero_pa: Floats, period_s: float,
    outside_pa: float, has_nozzle: bool, rows: Floats,
) -> None:  # fmt: skip
    """Fill a row a cycle with what its readings show, in the places of ``COLUMNS``.

    ``halted`` has no length where no reading was left out for standing still.
    """
    second = max(round(1.0 / period_s), 1)
    for i in range(press.size):
        begin, end, until = press[i], release[i], following[i]
        pot, supply, nozzle = pot_pa[begin:end], supply_pa[begin:end], nozzle_pa[begin:end]
        held_pa = median(pot[-second:])
        row = rows[i]
        _while_held(pot, supply, nozzle, second, period_s, row)
        _clean_line(pot, supply, nozzle, period_s, outside_pa, nozzle_zero_pa[i], row)
        _bull_line(
            begin, end, until, pot, nozzle, supply_pa, nozzle_pa, second, period_s, outside_pa,
            has_nozzle, row,
        )  # fmt: skip
        _after_release(
            pot_pa[end:until], nozzle_pa[end + 8 * second : until], nozzle, held_pa, pot.size > 0,
            second, round(AFTER_S / period_s), row,
        )  # fmt: skip
        if until > begin:
            lost = until - begin - count_there(pot_pa[begin:until])
            if lost and halted.size:
                for k in range(begin, until):
                    lost -= halted[k] and not there(pot_pa[k])
            row[_MISSING] = lost / (until - begin)
        # At rest none need move.
        if end - begin - second > 3 * second:
            still = 0
            for k in range(begin + second, end):
                still += standing[k]
            row[_STILL] = still / (end - begin - second)


@compiled
def _while_held(
    pot: Floats, supply: Floats, nozzle: Floats, second: int, period_s: float, row: Floats
) -> None:
    """Ripple and shares of the steady part: from two seconds after the pot came up."""
    good, up = 0, -1
    for i in range(pot.size):
        good += there(pot[i]) & there(supply[i])
    if good <= 3 * second:
        return
    for i in range(pot.size):
        if there(pot[i]) and there(supply[i]) and pot[i] / max(supply[i], 1.0) > 0.9:
            up = i
            break
    if up < 0:
        _never_up(pot, supply, nozzle, second, round(NO_ANSWER_S / period_s), row)
        return
    most = _most(supply)
    from_ = up + 2 * second
    pot, supply, nozzle = pot[from_:], supply[from_:], nozzle[from_:]
    if pot.size <= 5 * second or not any_there(supply):
        return
    # The pot takes seconds to exhaust, the hose a fraction of one. An empty pot lets more air
    # through, so the nozzle's pressure then rises: it falls away only where the air is shut.
    usual = median(nozzle[: 3 * second])
    gap = np.empty(pot.size)
    off, told = 0, 0
    for i in range(pot.size):
        shut = (pot[i] < 0.4 * supply[i]) | (nozzle[i] < 0.3 * usual)
        between = supply[i] - pot[i]
        tells = there(between) & (not shut)
        gap[i] = between if tells else math.nan
        off += shut
        told += tells
    row[_UNPRESSURISED] = off / pot.size
    row[_LOWEST] = _least(supply) / most
    if told > 2 * second:
        row[_RIPPLE] = _ripple(gap, told)


@compiled
def _ripple(gap: Floats, told: int) -> float:
    """From the median to what nineteen in twenty lie under, of values of which ``told`` are."""
    if told < gap.size:
        kept = 0
        for i in range(gap.size):
            if there(gap[i]):
                gap[kept] = gap[i]
                kept += 1
        gap = gap[:told]
    half = (told - 1) // 2
    middle, following = two_ranked(gap, half)
    if told % 2 == 0:
        middle += 0.5 * (following - middle)
    at = 0.95 * (told - 1) - half
    rank = int(at)
    high, following = two_ranked(gap, half + rank)
    if at > rank:
        high += (at - rank) * (following - high)
    return float(high - middle)


@compiled
def _most(values: Floats) -> float:
    """The greatest; -inf where none is. Four side by side, for each waits for the one before."""
    a = b = c = d = -math.inf
    whole = values.size // 4 * 4
    for i in range(0, whole, 4):
        a = values[i] if values[i] > a else a
        b = values[i + 1] if values[i + 1] > b else b
        c = values[i + 2] if values[i + 2] > c else c
        d = values[i + 3] if values[i + 3] > d else d
    for i in range(whole, values.size):
        a = values[i] if values[i] > a else a
    return float(max(max(a, b), max(c, d)))


@compiled
def _least(values: Floats) -> float:
    """The least of those that are there; inf where none is."""
    a = b = c = d = math.inf
    whole = values.size // 4 * 4
    for i in range(0, whole, 4):
        e, f, g, h = values[i], values[i + 1], values[i + 2], values[i + 3]
        a = e if (e < a) & (e > -1e300) else a
        b = f if (f < b) & (f > -1e300) else b
        c = g if (g < c) & (g > -1e300) else c
        d = h if (h < d) & (h > -1e300) else d
    for i in range(whole, values.size):
        a = values[i] if (values[i] < a) & (values[i] > -1e300) else a
    return float(min(min(a, b), min(c, d)))


@compiled
def _never_up(
    pot: Floats, supply: Floats, nozzle: Floats, second: int, after: int, row: Floats
) -> None:
    """A switch that says held, air at the manifold, and neither pot nor nozzle that answers."""
    pot, supply, nozzle = pot[after:], supply[after:], nozzle[after:]
    if pot.size < second or not median(supply) > UP_PA:
        return
    for i in range(pot.size):
        if not pot[i] < 0.4 * supply[i] or nozzle[i] > 0.3 * supply[i]:
            return
    row[_UNPRESSURISED] = 1.0


@compiled
def _clean_line(
    pot: Floats, supply: Floats, nozzle: Floats, period_s: float, outside_pa: float,
    nozzle_zero_pa: float, row: Floats,
) -> None:  # fmt: skip
    """Loss from manifold to nozzle while the pot fills: clean air through choke, hose and bore."""
    begin = round(CLEAN_FROM_S / period_s)
    pot, supply, nozzle = pot[begin:], supply[begin:], nozzle[begin:]
    end = 0
    while end < pot.size and pot[end] < nozzle[end] - CLEAN_UNDER_PA:
        end += 1
    if end == pot.size or end < CLEAN_READINGS:
        return
    if not median(nozzle[:end]) > 0.3 * median(supply[:end]):
        return
    # The later part: the earlier the more of what the last burst left in the hose.
    p_supply = supply[end // 3 : end].mean() + outside_pa
    p_nozzle = nozzle[end // 3 : end].mean() - nozzle_zero_pa + outside_pa
    row[_CLEAN] = (p_supply**2 - p_nozzle**2) / p_nozzle**2


@compiled
def _bull_line(
    begin: int, end: int, until: int, pot: Floats, nozzle: Floats, supply_pa: Floats,
    nozzle_pa: Floats, second: int, period_s: float, outside_pa: float, has_nozzle: bool,
    row: Floats,
) -> None:  # fmt: skip
    """Step of the manifold when the flow stops, and the receiver's level that it comes up to.

    The flow is taken as the nozzle's, in proportion to its absolute pressure (choked); where none
    is measured, to the pot's, which is that at the head of the hose.
    """
    first, last = end + round(STILL_S / period_s), end + round(FOLLOWED_S / period_s)
    after = supply_pa[first : max(min(last, until - second // 2), first)]
    if end - begin < 6 * second or after.size < round(1.5 * second):
        return
    before_pa = median(supply_pa[max(end - 2 * second, begin) : end])
    if not (np.isfinite(after).all() and there(before_pa)):
        return
    # Back to where the flow stopped: meanwhile the compressor has refilled the receiver a little.
    middle, mean, along, square = 0.5 * (after.size - 1), after.mean(), 0.0, 0.0
    for i in range(after.size):
        along += (i - middle) * (after[i] - mean)
        square += (i - middle) ** 2
    slope = along / square
    receiver = mean - slope * (middle + (STILL_S - STOPS_S) / period_s)
    if slope < 0.0:
        receiver = max(receiver, after.min())
    if has_nozzle:
        # The nozzle blew up to the release and no longer after it: the switch told true.
        before = median(nozzle[-2 * second :])
        still = median(nozzle_pa[first : max(min(last, until), first)])
        if not (still < 0.3 * before and over_median(before, 0.6, nozzle)):
            return
    if end - begin >= round(LONG_BURST_S / period_s):
        row[_RECEIVER] = receiver
    p_flow = median(nozzle[-2 * second :] if has_nozzle else pot[-2 * second :]) + outside_pa
    if there(p_flow) and p_flow > 2.0 * outside_pa:
        p_before, p_after = before_pa + outside_pa, receiver + outside_pa
        row[_BULL] = (p_after**2 - p_before**2) / p_flow**2


@compiled
def _after_release(
    shut: Floats, nozzle_after: Floats, nozzle: Floats, held_pa: float, was_held: bool, second: int,
    after: int, row: Floats,
) -> None:  # fmt: skip
    """Pressure with nobody on the handle; where the nozzle still blows, somebody is."""
    if shut.size > 9 * second and held_pa > UP_PA:
        usual = median(nozzle[-second:])
        blown = count_within(nozzle_after, 0.6 * usual, math.inf)
        if usual > UP_PA and any_there(nozzle_after):
            row[_BLOWN] = blown / nozzle_after.size
        if blown:
            return
        unheld = count_within(shut[8 * second :], 0.6 * held_pa, math.inf)
        row[_UNHELD] = unheld / (shut.size - 8 * second)
    if not (shut.size > after + second and was_held):
        return
    rest = shut[after:]
    if not count_there(rest) / rest.size > 0.9:
        return
    if held_pa > UP_PA and any_there(rest[:second]):
        row[_LEFT] = np.nanmean(rest[:second]) / held_pa
    if rest.size > 5 * second:
        row[_CREEP] = median(rest[-2 * second :]) - median(rest[: 2 * second])
        if count_within(rest, -LOW_PA, LOW_PA) > second:
            row[_VENTED] = median_within(rest, -LOW_PA, LOW_PA)


def _standing(samples: Samples) -> Bools:
    """Samples that lie in a run of equal readings of the pot, two seconds or longer."""
    pot = samples.pot_pa
    least = max(round(STILL_FOR_S / samples.period_s), 3)
    out = np.zeros(pot.size, dtype=np.bool_)
    mark_runs(pot, least, out)
    return out
