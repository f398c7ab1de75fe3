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

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.fill import Edges, PotFacts, Samples, edges_of
from analytics.fill_kernel import median

Floats = npt.NDArray[np.float64]
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
    found = {name: np.full(count, np.nan) for name in COLUMNS}
    lost = ~np.isfinite(samples.pot_pa)
    halted = np.zeros(lost.size, dtype=np.bool_) if stuck is None else stuck
    standing = _standing(samples) | halted
    nozzle_zero_pa = _nozzle_zeros(samples, edges)
    has_nozzle = bool(np.isfinite(samples.nozzle_pa).any())
    for i in range(count):
        one = _Burst(samples, edges, i)
        row = {
            **_while_held(one), **_clean_line(one, facts.outside_pa, float(nozzle_zero_pa[i])),
            **_bull_line(one, facts.outside_pa, has_nozzle), **_after_release(one),
        }  # fmt: skip
        whole = slice(one.press, one.following)
        if one.following > one.press:
            row["missing_share"] = float((lost[whole] & ~halted[whole]).mean())
        row["standing_still_share"] = _still_share(one, standing)
        for name, value in row.items():
            found[name][i] = value
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
    return cycles[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


class _Burst:
    """Where one cycle lies in the samples, and its pressures as slices."""

    def __init__(self, samples: Samples, edges: Edges, i: int) -> None:
        self.samples = samples
        self.press, self.release = int(edges.press[i]), int(edges.release[i])
        self.before, self.following = int(edges.before[i]), int(edges.following[i])
        self.second = max(round(1.0 / samples.period_s), 1)
        self.pot = samples.pot_pa[self.press : self.release]
        self.supply = samples.supply_pa[self.press : self.release]
        self.nozzle = samples.nozzle_pa[self.press : self.release]
        self.shut = samples.pot_pa[self.release : self.following]
        last = self.pot[-self.second :]
        self.held = median(last)

    def readings(self, seconds: float) -> int:
        """How many samples that is."""
        return round(seconds / self.samples.period_s)


def _nozzle_zeros(samples: Samples, edges: Edges) -> Floats:
    """What the nozzle's transducer reads with no air on it, over some cycles: its zero. [Pa]

    A nozzle is open to the air, so its reading at rest is nil but for the transducer's error.
    """
    second = max(round(1.0 / samples.period_s), 1)
    found = np.full(edges.press.size, np.nan)
    for i, press in enumerate(edges.press):
        rest = samples.nozzle_pa[
            max(int(edges.before[i]) + 4 * second, int(press) - 20 * second) : press
        ]
        level = median(rest) if rest.size >= second else float("nan")
        if abs(level) < REST_PA:
            found[i] = level
    known = np.flatnonzero(np.isfinite(found))
    if not known.size:
        return np.zeros(found.size)
    smooth = [median(found[known[max(k - 10, 0) : k + 11]]) for k in range(known.size)]
    return np.asarray(np.interp(np.arange(found.size), known, smooth))


def _while_held(one: _Burst) -> dict[str, float]:
    """Ripple and shares of the steady part: from two seconds after the pot came up."""
    good = np.isfinite(one.pot) & np.isfinite(one.supply)
    if good.sum() <= 3 * one.second:
        return {}
    up = np.flatnonzero(one.pot / np.maximum(one.supply, 1.0) > 0.9)
    if not up.size:
        return _never_up(one)
    steady = slice(int(up[0]) + 2 * one.second, None)
    pot, supply, nozzle = one.pot[steady], one.supply[steady], one.nozzle[steady]
    if pot.size <= 5 * one.second or not np.isfinite(supply).any():
        return {}
    # The pot takes seconds to exhaust, the hose a fraction of one. An empty pot lets more air
    # through, so the nozzle's pressure then rises: it falls away only where the air is shut.
    usual = median(nozzle[: 3 * one.second])
    off = (pot < 0.4 * supply) | (nozzle < 0.3 * usual)
    found = {
        "held_unpressurised_share": float(off.mean()),
        "lowest_supply_share": float(np.nanmin(supply) / np.nanmax(one.supply)),
    }
    gap = (supply - pot)[~off]
    if np.isfinite(gap).sum() > 2 * one.second:
        found["ripple_pa"] = float(np.nanquantile(gap, 0.95) - np.nanquantile(gap, 0.5))
    return found


def _never_up(one: _Burst) -> dict[str, float]:
    """A switch that says held, air at the manifold, and neither pot nor nozzle that answers."""
    after = slice(one.readings(NO_ANSWER_S), None)
    pot, supply, nozzle = one.pot[after], one.supply[after], one.nozzle[after]
    if pot.size < one.second or not np.nanmedian(supply) > UP_PA:
        return {}
    down = (pot < 0.4 * supply) & ~(nozzle > 0.3 * supply)
    return {"held_unpressurised_share": 1.0} if down.all() else {}


def _clean_line(one: _Burst, outside_pa: float, nozzle_zero_pa: float) -> dict[str, float]:
    """Loss from manifold to nozzle while the pot fills: clean air through choke, hose and bore."""
    begin = one.readings(CLEAN_FROM_S)
    nozzle, pot, supply = one.nozzle[begin:], one.pot[begin:], one.supply[begin:]
    over = np.flatnonzero(~(pot < nozzle - CLEAN_UNDER_PA))
    end = int(over[0]) if over.size else 0
    if end < CLEAN_READINGS or np.isnan(supply[:end]).all():
        return {}
    if not np.nanmedian(nozzle[:end]) > 0.3 * np.nanmedian(supply[:end]):
        return {}
    # The later part: the earlier the more of what the last burst left in the hose.
    part = slice(end // 3, end)
    p_supply = np.mean(supply[part]) + outside_pa
    p_nozzle = np.mean(nozzle[part]) - nozzle_zero_pa + outside_pa
    return {"clean_loss_index": float((p_supply**2 - p_nozzle**2) / p_nozzle**2)}


def _bull_line(one: _Burst, outside_pa: float, has_nozzle: bool) -> dict[str, float]:
    """Step of the manifold when the flow stops, and the receiver's level that it comes up to.

    The flow is taken as the nozzle's, in proportion to its absolute pressure (choked); where none
    is measured, to the pot's, which is that at the head of the hose.
    """
    held = one.release - one.press
    before = one.samples.supply_pa[max(one.release - 2 * one.second, one.press) : one.release]
    first, last = one.release + one.readings(STILL_S), one.release + one.readings(FOLLOWED_S)
    after = one.samples.supply_pa[first : min(last, one.following - one.second // 2)]
    if held < 6 * one.second or after.size < round(1.5 * one.second):
        return {}
    if not (np.isfinite(after).all() and np.isfinite(before).any()):
        return {}
    at_s = STILL_S - STOPS_S + np.arange(after.size) * one.samples.period_s
    # Back to where the flow stopped: meanwhile the compressor has refilled the receiver a little.
    slope, level = np.polyfit(at_s, after, 1)
    receiver = float(max(level, np.min(after)) if slope < 0.0 else level)
    if has_nozzle and not _stopped(one, first, last):
        return {}
    found = {}
    if held >= one.readings(LONG_BURST_S):
        found["receiver_pa"] = receiver
    p_flow = median((one.nozzle if has_nozzle else one.pot)[-2 * one.second :]) + outside_pa
    if np.isfinite(p_flow) and p_flow > 2.0 * outside_pa:
        p_before, p_after = median(before) + outside_pa, receiver + outside_pa
        found["bull_loss_index"] = float((p_after**2 - p_before**2) / p_flow**2)
    return found


def _stopped(one: _Burst, first: int, last: int) -> bool:
    """Whether the nozzle blew up to the release and no longer after it: the switch told true."""
    usual, before = median(one.nozzle), median(one.nozzle[-2 * one.second :])
    after = median(one.samples.nozzle_pa[first : min(last, one.following)])
    return bool(before > 0.6 * usual and after < 0.3 * before)


def _after_release(one: _Burst) -> dict[str, float]:
    """Pressure with nobody on the handle; where the nozzle still blows, somebody is."""
    found: dict[str, float] = {}
    after, second, shut = one.readings(AFTER_S), one.second, one.shut
    if shut.size > 9 * second and one.held > UP_PA:
        nozzle = one.samples.nozzle_pa[one.release + 8 * second : one.following]
        usual = median(one.nozzle[-second:])
        blown = nozzle > 0.6 * usual
        if usual > UP_PA and np.isfinite(nozzle).any():
            found["blown_unheld_share"] = float(blown.mean())
        if blown.any():
            return found
        found["pressurised_unheld_share"] = float((shut[8 * second :] > 0.6 * one.held).mean())
    if shut.size > after + second and np.isfinite(shut[after:]).mean() > 0.9 and one.pot.size:
        if one.held > UP_PA and np.isfinite(shut[after : after + second]).any():
            found["left_after_share"] = float(np.nanmean(shut[after : after + second]) / one.held)
        rest = shut[after:]
        if rest.size > 5 * second:
            found["creep_pa"] = median(rest[-2 * second :]) - median(rest[: 2 * second])
            low_rest = rest[np.abs(rest) < 40_000.0]
            if low_rest.size > second:
                found["vented_pa"] = float(np.median(low_rest))
    return found


def _standing(samples: Samples) -> Bools:
    """Samples that lie in a run of equal readings of the pot, two seconds or longer."""
    pot = samples.pot_pa
    least = max(round(STILL_FOR_S / samples.period_s), 3)
    if pot.size < least:
        return np.zeros(pot.size, dtype=np.bool_)
    begins = np.flatnonzero(np.concatenate(([True], ~(np.abs(np.diff(pot)) < 1e-9))))
    lengths = np.diff(np.append(begins, pot.size))
    return np.asarray(np.repeat(lengths >= least, lengths))


def _still_share(one: _Burst, standing: Bools) -> float:
    """Share of the held part in which the reading stands still; at rest none need move."""
    part = slice(one.press + one.second, one.release)
    if one.release - part.start <= 3 * one.second:
        return float("nan")
    return float(standing[part].mean())
