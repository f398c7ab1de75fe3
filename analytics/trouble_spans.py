"""Since when, and until when, each known trouble fitted a pot's cycles.

``diagnosis`` says which troubles fit at one instant, and several can fit one cause. Here they are
asked block by block through a pot's history, and a trouble that is explained by a better one is
left out, so that one cause gives one span. What fits already stays first unless another fits
clearly better: two troubles that fit alike do not take turns.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.diagnosis import TROUBLES, Trouble, fit_of, suggestions
from analytics.hours import microseconds
from analytics.indicators import INDICATORS, ReckonWholly

#: Raised when spans are found in another way, so that they are found anew.
SPANS_VERSION = 7

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
STANDS = dt.timedelta(hours=16)
_STANDS_US = STANDS // dt.timedelta(microseconds=1)
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


@dataclass(frozen=True)
class Open:
    """A span under way.

    Parameters
    ----------
    from_at, last_at : datetime
        The block in which it began, or first fitted; the last that it fitted.
    blocks : int
        How many have passed, the first among them.
    missing : int
        In how many it has not fitted since.
    said : str
        What was seen when it began; empty: it has not yet.
    """

    from_at: dt.datetime
    last_at: dt.datetime
    blocks: int = 1
    missing: int = 0
    said: str = ""


@dataclass(frozen=True)
class Sawing:
    """Sawing under way: cycles with it, the first and the last of them, and calm ones since."""

    first_at: dt.datetime | None = None
    last_at: dt.datetime | None = None
    worst_pa: float = 0.0
    saws: int = 0
    calm: int = 0


@dataclass(frozen=True)
class SpansState:
    """How spans stand after some of a pot's cycles, to go on from there.

    Parameters
    ----------
    to_at : datetime or None
        The last cycle looked through; ``None``: none was.
    blocks : dict of str to int
        How many each indicator has had.
    paced_at, newest_at : datetime or None
        The last block of the indicator that sets the pace, and of any.
    under_way : dict of str to Open
        By trouble.
    sawing : Sawing
        As it stands.
    sawn : tuple of (datetime, datetime)
        Sawing that was over after the newest block.
    """

    to_at: dt.datetime | None = None
    blocks: dict[str, int] = field(default_factory=dict)
    paced_at: dt.datetime | None = None
    newest_at: dt.datetime | None = None
    under_way: dict[str, Open] = field(default_factory=dict)
    sawing: Sawing = Sawing()
    sawn: tuple[tuple[dt.datetime, dt.datetime], ...] = ()


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
    found, _ = spans_go_on(changes, conditions, fitted, SpansState(), ends=True)
    return found


def spans_go_on(
    changes: pl.DataFrame,
    conditions: pl.DataFrame,
    fitted: pl.DataFrame,
    state: SpansState,
    *,
    ends: bool,
) -> tuple[pl.DataFrame, SpansState]:
    """Spans that end after, or stand at the end of, what was looked through before.

    Parameters
    ----------
    changes : polars.DataFrame
        ``CHANGE_SCHEMA`` of what is new, and of the hours before it for which blocks speak.
    conditions : polars.DataFrame
        What is new.
    fitted : polars.DataFrame
        As for :func:`trouble_spans`.
    state : SpansState
        How things stood.
    ends : bool
        The data end here: what is open is given, and the state is not one to go on from.

    Returns
    -------
    (polars.DataFrame, SpansState)
        ``SPAN_SCHEMA``, and how spans stand.

    Raises
    ------
    ReckonWholly
        Another indicator sets the pace now, or sawing is told that began before.
    """
    told, open_one, sawing = _sawing(conditions, state.sawing)
    if state.to_at is not None:
        began = [span[1] for span in (*told, *open_one)]
        if state.sawing.saws < _SAWING_CYCLES and any(at <= state.to_at for at in began):
            raise ReckonWholly
    over = [*state.sawn, *((begin, end) for _, begin, end, *_ in told)]
    saws = [*over, *((begin, None) for _, begin, *_ in open_one)]
    found, after = _fitting(changes, fitted, saws, state, ends=ends)
    newest_at = after.newest_at
    over = [(begin, end) for begin, end in over if newest_at is None or end > newest_at]
    to_at = conditions["pressed_at"].max() if conditions.height else state.to_at
    assert to_at is None or isinstance(to_at, dt.datetime)
    if ends:
        told += open_one
    spans = pl.DataFrame([*told, *found], schema=SPAN_SCHEMA, orient="row")
    return spans.sort("from_at", "trouble"), replace(
        after, to_at=to_at, sawing=sawing, sawn=tuple(over)
    )


def _sawing(
    conditions: pl.DataFrame, before: Sawing
) -> tuple[list[tuple[Any, ...]], list[tuple[Any, ...]], Sawing]:
    """Spans that are over, one that is not, and how things stand."""
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
    first, last, worst = before.first_at, before.last_at, before.worst_pa
    saws, calm = before.saws, before.calm

    def told(to_at: dt.datetime | None) -> list[tuple[Any, ...]]:
        if first is None or saws < _SAWING_CYCLES:
            return []
        said = f"The pot saws by up to {worst / 1000.0:.0f} kPa under the manifold."
        return [("relief_lifts", first, to_at, last, said)]

    if first is None:
        # Most pots never saw: the first that does is found at once.
        rows = rows.filter((pl.col("ripple_pa") >= SAWING_PA).cum_max())
    for at, ripple_pa in rows.iter_rows():
        if ripple_pa >= SAWING_PA:
            first, last, calm, saws = first or at, at, 0, saws + 1
            worst = max(worst, ripple_pa)
        elif first is not None:
            calm = calm + 1 if ripple_pa < CALM_PA else 0
            if calm >= _CALM_CYCLES or (saws < _SAWING_CYCLES and calm):
                found += told(at)
                first, last, worst, saws, calm = None, None, 0.0, 0, 0
    return found, told(None), Sawing(first, last, worst, saws, calm)


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
    changes: pl.DataFrame,
    fitted: pl.DataFrame,
    sawing: Sequence[tuple[dt.datetime, dt.datetime | None]],
    state: SpansState,
    *,
    ends: bool,
) -> tuple[list[tuple[Any, ...]], SpansState]:
    series = _series(changes, fitted)
    before_us = np.iinfo(np.int64).min if state.to_at is None else microseconds(state.to_at)
    fresh = {key: one.at_us[one.at_us > before_us] for key, one in series.items()}
    blocks = {
        key: count
        for key in _KEYS
        if (count := state.blocks.get(key, 0) + (fresh[key].size if key in fresh else 0))
    }
    if not blocks:
        return [], state
    # Every indicator has blocks of its own; those of the one with the most set the pace.
    pacing = _pacing(blocks)
    if state.blocks and _pacing(state.blocks) != pacing:
        raise ReckonWholly
    pace = fresh.get(pacing, np.empty(0, np.int64))
    newest = max(
        (int(at_us[-1]) for at_us in fresh.values() if at_us.size),
        default=None if state.newest_at is None else microseconds(state.newest_at),
    )
    paced = (
        int(pace[-1])
        if pace.size
        else None
        if state.paced_at is None
        else microseconds(state.paced_at)
    )
    if ends and newest is not None and (paced is None or newest > paced):
        # The end of the data may see what the pace's last block does not.
        pace = np.append(pace, newest)
    under_way = dict(state.under_way)
    found: list[tuple[Any, ...]] = []
    for at, instant_us in zip(pl.Series(pace).cast(pl.Datetime("us")), pace, strict=True):
        begun = [name for name, span in under_way.items() if span.said]
        saws = any(a <= at and (b is None or at < b) for a, b in sawing)
        fits = _explained(series, int(instant_us), begun, _SAWING_CLAIMS if saws else frozenset())
        for name, span in list(under_way.items()):
            under_way[name] = replace(span, blocks=span.blocks + 1, missing=span.missing + 1)
        for name in fits:
            span = replace(under_way.get(name, Open(at, at)), last_at=at, missing=0)
            if not span.said and span.blocks >= ON_BLOCKS:
                span = replace(span, from_at=at, said=_sentence(changes, name, at))
            under_way[name] = span
        for name in [name for name in under_way if name not in fits]:
            span = under_way[name]
            if not span.said or span.missing >= OFF_BLOCKS:
                if span.said:
                    found.append((name, span.from_at, at, span.last_at, span.said))
                del under_way[name]
    if ends:
        found += [
            (name, span.from_at, None, span.last_at, span.said)
            for name, span in under_way.items()
            if span.said
        ]
    return found, SpansState(
        blocks=blocks,
        paced_at=None if paced is None else _instant(paced),
        newest_at=None if newest is None else _instant(newest),
        under_way=under_way,
    )


#: Indicators as blocks are kept by; of two with as many blocks the first sets the pace.
_KEYS = tuple(("~" if i.scatter else "") + i.name for i in INDICATORS)


def _pacing(blocks: dict[str, int]) -> str:
    return max((key for key in _KEYS if key in blocks), key=lambda key: blocks[key])


_EPOCH = dt.datetime.fromisoformat("1970-01-01")


def _instant(us: int) -> dt.datetime:
    return _EPOCH + dt.timedelta(microseconds=us)


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
