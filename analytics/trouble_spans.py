"""Since when, and until when, each known trouble fitted a pot's cycles.

``diagnosis`` says which troubles fit at one instant, and several can fit one cause. Here they are
asked block by block through a pot's history, and a trouble that is explained by a better one is
left out, so that one cause gives one span. What fits already stays first unless another fits
clearly better: two troubles that fit alike do not take turns.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.diagnosis import TROUBLES, Trouble, fit_of, suggestions
from analytics.indicators import INDICATORS

#: Raised when spans are found in another way, so that they are found anew.
SPANS_VERSION = 6

#: Trouble -> kind of notice and cause that it is a sign of; the others are for the condition page.
KIND_OF: dict[str, tuple[str, str]] = {
    "pinch_leak": ("pinch_leak", ""),
    "popup_unseated": ("popup_leak", ""),
    "slow_exhaust": ("not_exhausting", ""),
    "stays_pressurised": ("pressure_after_release", ""),
    "pressurises_alone": ("pressurised_unheld", ""),
    "nozzle_wear": ("nozzle_worn", ""),
    "wet_air": ("separator", ""),
    "compressor_starved": ("manifold_sag", ""),
    "relief_early": ("relief_lifted", ""),
    "relief_lifts": ("relief_lifted", ""),
    "transducer_stuck": ("transducer_fault", "pot"),
    "transducer_drift": ("transducer_fault", "pot"),
    "loop_broken": ("transducer_fault", "pot"),
    "deadman_stuck": ("transducer_fault", "deadman"),
    # The readings cannot tell it from a pot that stays up; either can hurt people.
    "deadman_missed": ("pressure_after_release", ""),
}

#: Blocks in a row in which a trouble must fit, and then no longer, to begin and to end.
ON_BLOCKS, OFF_BLOCKS = 2, 3
#: An indicator's last block speaks for this long: as in ``diagnosis``.
_STANDS_US = 16 * 3_600_000_000
#: With these the pot's readings say nothing, so nothing is concluded from them; what is watched
#: for directly (``watch``) is told all the same.
_POT_READS_WRONG = ("transducer_stuck", "loop_broken")
#: Of what speaks for a trouble, less than this share may speak for a better one already. [-]
_OWN_SHARE = 0.5
#: A trouble must fit so well to begin, and so well to go on. [-]
BEGINS_SCORE, GOES_ON_SCORE = 1.1, 0.5
#: By so much another must fit better to come before one that fits already. [-]
STAYS_SCORE = 0.5

#: Sawing of the pot under the manifold that only a lifting relief valve makes, and what is none;
#: on simulated pots it is 4 to 10 kPa in good order, up to 22 kPa with a manifold that sags, and
#: over 35 kPa with a valve that lifts. [Pa]
SAWING_PA, CALM_PA = 28_000.0, 14_000.0
#: Cycles in a row with it, and it begins; without it, and it is over.
_SAWING_CYCLES, _CALM_CYCLES = 3, 3
#: What a valve that lifts explains besides: the pot fills slowly and is held down, the air it lets
#: out is drawn through the manifold, and a pot that is held down is weighed wrongly.
_SAWING_CLAIMS = frozenset(
    {
        "ripple_pa", "holds_under_pa", "pressurise_reference_s", "leak_m3_s_pa", "~leak_m3_s_pa",
        "bull_loss_index", "supply_pa", "exhaust_m3_s_pa", "feed_kg_s", "grain_loss_index",
    }
)  # fmt: skip

SPAN_SCHEMA: dict[str, Any] = {
    "trouble": pl.String,
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),  # null: it still fits
    "last_at": pl.Datetime("us"),
    "said": pl.String,
}


@dataclass
class _Open:
    """A span under way: its first block, its last, and how many it has been missing for."""

    first: int
    last: int
    missing: int = 0
    begun: bool = False


@dataclass(frozen=True)
class _Series:
    """Blocks of one indicator, ascending."""

    at_us: npt.NDArray[np.int64]
    since_us: npt.NDArray[np.int64]
    size: npt.NDArray[np.float64]
    signal: npt.NDArray[np.bool_]
    fitted_us: npt.NDArray[np.int64]

    def at(self, instant_us: int) -> tuple[float, bool] | None:
        """The newest block that still speaks at an instant; a part fitted since ends that."""
        i = int(np.searchsorted(self.at_us, instant_us, side="right")) - 1
        if i < 0 or self.at_us[i] <= instant_us - _STANDS_US:
            return None
        j = int(np.searchsorted(self.fitted_us, instant_us, side="right")) - 1
        if j >= 0 and self.since_us[i] < self.fitted_us[j]:
            return None
        return float(self.size[i]), bool(self.signal[i])


def trouble_spans(
    changes: pl.DataFrame, conditions: pl.DataFrame, fitted: pl.DataFrame
) -> pl.DataFrame:
    """Spans in which troubles fitted a pot, from its whole history.

    Parameters
    ----------
    changes : polars.DataFrame
        ``analytics.indicators.CHANGE_SCHEMA``, of one pot.
    conditions : polars.DataFrame
        ``analytics.condition.CONDITION_SCHEMA`` that they were made from, ascending.
    fitted : polars.DataFrame
        ``part`` and ``at`` (naive UTC) of parts fitted.

    Returns
    -------
    polars.DataFrame
        ``SPAN_SCHEMA``; a span begins at the block in which the trouble had fitted for
        ``ON_BLOCKS``, and ends where it has not for ``OFF_BLOCKS``. ``relief_lifts`` is besides
        found cycle by cycle, without a reference.
    """
    sawing = _sawing(conditions)
    found = [*sawing, *_fitting(changes, fitted, sawing)]
    return pl.DataFrame(found, schema=SPAN_SCHEMA, orient="row").sort("from_at", "trouble")


def _sawing(conditions: pl.DataFrame) -> list[tuple[Any, ...]]:
    # A transducer that sticks, a broken loop and a dead-man's switch that hangs saw as well.
    sound = [
        pl.col(name).fill_null(0.0) <= most
        for name, most in (
            ("standing_still_share", 0.05),
            ("missing_share", 0.02),
            ("held_unpressurised_share", 0.02),
        )
    ]
    rows = conditions.filter(*sound).select("pressed_at", "ripple_pa").drop_nulls()
    found: list[tuple[Any, ...]] = []
    first: dt.datetime | None = None
    last: dt.datetime | None = None
    worst, saws, calm = 0.0, 0, 0

    def told(to_at: dt.datetime | None) -> None:
        if saws >= _SAWING_CYCLES:
            said = f"The pot saws by up to {worst / 1000.0:.0f} kPa under the manifold."
            found.append(("relief_lifts", first, to_at, last, said))

    for at, ripple_pa in rows.iter_rows():
        if ripple_pa >= SAWING_PA:
            first, last, calm, saws = first or at, at, 0, saws + 1
            worst = max(worst, ripple_pa)
        elif first is not None:
            calm = calm + 1 if ripple_pa < CALM_PA else 0
            if calm >= _CALM_CYCLES or (saws < _SAWING_CYCLES and calm):
                told(at)
                first, worst, saws, calm = None, 0.0, 0, 0
    if first is not None:
        told(None)
    return found


def _series(changes: pl.DataFrame, fitted: pl.DataFrame) -> dict[str, _Series]:
    part_of = {("~" if i.scatter else "") + i.name: i.part for i in INDICATORS}
    series = {}
    for (name, scatter), rows in changes.sort("at").group_by(
        "indicator", "scatter", maintain_order=True
    ):
        key = ("~" if scatter else "") + str(name)
        mine = fitted.filter(pl.col("part") == part_of.get(key, "")).sort("at")
        series[key] = _Series(
            _us(rows["at"]),
            _us(rows["since_at"]),
            rows["size"].to_numpy(),
            rows["signal"].to_numpy().astype(np.bool_),
            _us(mine["at"]),
        )
    return series


def _us(instants: pl.Series) -> npt.NDArray[np.int64]:
    return instants.cast(pl.Datetime("us")).cast(pl.Int64).to_numpy()


def _fitting(
    changes: pl.DataFrame, fitted: pl.DataFrame, sawing: list[tuple[Any, ...]]
) -> list[tuple[Any, ...]]:
    if changes.is_empty():
        return []
    series = _series(changes, fitted)
    # Every indicator has blocks of its own; those of the one with the most set the pace.
    pace = max(series.values(), key=lambda s: s.at_us.size).at_us
    # The end of the data may see what the pace's last block does not.
    newest = max(int(s.at_us[-1]) for s in series.values())
    pace = np.unique(np.append(pace, newest))
    ats = pl.Series(pace).cast(pl.Datetime("us")).to_list()
    under_way: dict[str, _Open] = {}
    found: list[tuple[Any, ...]] = []

    def ended(name: str, span: _Open, to: int | None) -> None:
        if span.begun:
            begin = ats[span.first]
            found.append(
                (name, begin, None if to is None else ats[to], ats[span.last],
                 _sentence(changes, name, begin))
            )  # fmt: skip

    for number, instant_us in enumerate(pace):
        begun = [name for name, span in under_way.items() if span.begun]
        saws = any(a <= ats[number] and (b is None or ats[number] < b) for _, a, b, *_ in sawing)
        fits = _explained(series, int(instant_us), begun, _SAWING_CLAIMS if saws else frozenset())
        for name in fits:
            span = under_way.setdefault(name, _Open(number, number))
            if not span.begun and number - span.first + 1 >= ON_BLOCKS:
                span.begun, span.first = True, number
            span.last, span.missing = number, 0
        for name in [name for name in under_way if name not in fits]:
            span = under_way[name]
            span.missing += 1
            if not span.begun or span.missing >= OFF_BLOCKS:
                ended(name, span, number)
                del under_way[name]
    for name, span in under_way.items():
        ended(name, span, None)
    return found


def _explained(
    series: dict[str, _Series], instant_us: int, open_ones: list[str], explained: frozenset[str]
) -> list[str]:
    """Troubles that fit at an instant, without those that a better one explains."""
    size: dict[str, float] = {}
    signal: dict[str, bool] = {}
    for key, one in series.items():
        standing = one.at(instant_us)
        if standing is not None:
            size[key], signal[key] = standing
    if not any(signal.values()):
        return []
    fits: list[tuple[bool, float, Trouble, list[str]]] = []
    for trouble in TROUBLES:
        scored = fit_of(trouble, size, signal)
        goes_on = trouble.name in open_ones
        if scored is not None and scored[0] >= (GOES_ON_SCORE if goes_on else BEGINS_SCORE):
            fits.append((goes_on, scored[0], trouble, scored[1]))
    fits.sort(key=lambda fit: (fit[2].name not in _POT_READS_WRONG, -fit[1] - STAYS_SCORE * fit[0]))
    claimed = set(explained)
    kept: list[str] = []
    for _, _, trouble, evidence in fits:
        own = [key for key in evidence if key not in claimed]
        lead = next(iter(trouble.moves))
        wrong = any(name in kept for name in _POT_READS_WRONG)
        if wrong and lead != "supply_pa" and trouble.name not in _POT_READS_WRONG:
            continue
        if lead in claimed or len(own) <= _OWN_SHARE * len(evidence):
            continue
        claimed |= set(evidence)
        if trouble.name not in kept:
            kept.append(trouble.name)
    return kept


def _sentence(changes: pl.DataFrame, trouble: str, at: dt.datetime) -> str:
    """What was seen, as ``diagnosis`` words it."""
    told = {s.trouble: s.sentence for s in suggestions(changes, at)}
    return told.get(trouble, next((t.words for t in TROUBLES if t.name == trouble), trouble))
