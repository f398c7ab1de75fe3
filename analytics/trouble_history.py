"""A pot's charts and spans of trouble, from the first cycle on or from where they were left.

To reckon years anew for each cycle would take longer every year. What a chart goes by is known once
its reference has been learned, and a span under way is a few figures; so after a pause in which all
blocks close, a pot's whole history comes to one small state, and what comes later goes on from it
to the bit. What is new can change what was told before: a chart that comes to be made at all is
then made from its first block on, and another indicator may set the pace. ``ReckonWholly`` says so.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, NamedTuple

import polars as pl

from analytics.change import ChartState
from analytics.indicators import (
    BLOCK_PAUSE,
    CHANGE_SCHEMA,
    INDICATORS,
    Learned,
    ReckonWholly,
    Stretch,
    starts_of,
    stretches,
)
from analytics.trouble_spans import SPAN_SCHEMA, STANDS, Open, Sawing, SpansState, spans_go_on


@dataclass(frozen=True)
class PotState:
    """How a pot's charts and spans stand after its cycles up to a pause.

    Parameters
    ----------
    known : tuple of str
        Covariates of which the pot has had any value.
    charts : dict of str to Stretch
        By indicator, ``~`` before its scatter.
    spans : SpansState
        Spans of trouble, and up to when cycles were looked through.
    recent : polars.DataFrame
        ``CHANGE_SCHEMA``: the blocks that still speak.
    """

    known: tuple[str, ...] = ()
    charts: dict[str, Stretch] = field(default_factory=dict)
    spans: SpansState = field(default_factory=SpansState)
    recent: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=CHANGE_SCHEMA))

    @property
    def to_at(self) -> dt.datetime | None:
        """The last cycle looked through; ``None``: none was."""
        return self.spans.to_at

    @property
    def learning(self) -> dict[str, dt.datetime]:
        """Charts that are still learning, with the first cycle from which they go on."""
        return {
            key: chart.from_at
            for key, chart in self.charts.items()
            if chart.learned is None and chart.from_at is not None
        }


class Piece(NamedTuple):
    """What was found in some of a pot's cycles: ``CHANGE_SCHEMA`` and ``SPAN_SCHEMA`` of what is
    new, and how things stand after them."""

    changes: pl.DataFrame
    spans: pl.DataFrame
    state: PotState


def go_on(
    state: PotState, conditions: pl.DataFrame, fitted: pl.DataFrame, to_at: dt.datetime | None
) -> Piece:
    """Look through the cycles after a state.

    Parameters
    ----------
    state : PotState
        How things stood; ``PotState()``: at the first cycle.
    conditions : polars.DataFrame
        ``CONDITION_SCHEMA``, ascending, of the cycles after ``state.to_at``; before them those of
        the charts that are ``state.learning``, which the cycles of others need not have figures of.
    fitted : polars.DataFrame
        ``part`` and ``at`` (naive UTC) of parts fitted, of the whole history.
    to_at : datetime or None
        The last cycle to look through, with a pause of ``BLOCK_PAUSE`` after it; ``None``: all of
        them, and what is open is given too.

    Raises
    ------
    ReckonWholly
        What is new changes what was found before.
    """
    after_at = state.to_at
    if to_at is not None:
        conditions = conditions.filter(pl.col("pressed_at") <= to_at)
        fitted = fitted.filter(pl.col("at") <= to_at)
    rows, begun = conditions, fitted
    if after_at is not None:
        rows = rows.filter(pl.col("pressed_at") > after_at)
        begun = begun.filter(pl.col("at") > after_at)
    known = set(state.known) | {
        name
        for indicator in INDICATORS
        for name in indicator.covariates
        if rows[name].null_count() < rows.height
    }
    if after_at is not None and known != set(state.known):
        raise ReckonWholly
    charts, found = {}, [pl.DataFrame(schema=CHANGE_SCHEMA)]
    for indicator in INDICATORS:
        key = ("~" if indicator.scatter else "") + indicator.name
        before = state.charts.get(key, Stretch())
        read, told = rows, 0
        if before.learned is None and before.from_at is not None:
            read, told = conditions.filter(pl.col("pressed_at") >= before.from_at), before.told
        starts = starts_of(indicator, begun)
        changes, charts[key] = stretches(read, indicator, known, starts, before=before)
        if after_at is not None:
            fresh = changes.filter(pl.col("at") > after_at)
            if changes.height - fresh.height != told:
                raise ReckonWholly
            changes = fresh
        found.append(changes)
    fresh = pl.concat(found)
    seen = pl.concat([state.recent, fresh])
    spans, after = spans_go_on(seen, rows, fitted, state.spans, ends=to_at is None)
    recent = seen
    if after.newest_at is not None:
        recent = seen.filter(pl.col("at") > after.newest_at - STANDS)
    return Piece(fresh, spans, PotState(tuple(sorted(known)), charts, after, recent))


def looked_through(
    conditions: pl.DataFrame,
    fitted: pl.DataFrame,
    cuts: Sequence[dt.datetime],
    before: PotState | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame, list[PotState]]:
    """A pot's history piece by piece, with how things stood between the pieces.

    Parameters
    ----------
    conditions, fitted : polars.DataFrame
        As for :func:`go_on`.
    cuts : sequence of datetime
        Last cycles before pauses (:func:`pauses`), ascending.
    before : PotState, optional
        From where to go on; the first cycle by default.

    Returns
    -------
    (polars.DataFrame, polars.DataFrame, list of PotState)
        ``CHANGE_SCHEMA`` and ``SPAN_SCHEMA`` after ``before``, and states at those cuts from which
        one can go on.

    Raises
    ------
    ReckonWholly
        From ``before`` one cannot.
    """
    pieces: list[Piece] = []
    begin = before or PotState()
    for cut in (*cuts, None):
        while True:
            try:
                piece = go_on(pieces[-1].state if pieces else begin, conditions, fitted, cut)
                break
            except ReckonWholly:
                if not pieces:
                    raise
                pieces.pop()
        pieces.append(piece)
    return (
        pl.concat([piece.changes for piece in pieces]),
        pl.concat([pl.DataFrame(schema=SPAN_SCHEMA), *(piece.spans for piece in pieces)]).sort(
            "from_at", "trouble"
        ),
        [piece.state for piece in pieces[:-1]],
    )


def pauses(conditions: pl.DataFrame) -> list[dt.datetime]:
    """Last cycles of spells after which every block closes, ascending.

    Parameters
    ----------
    conditions : polars.DataFrame
        ``pressed_at``, ascending, and ``spell_from_at``.
    """
    at, spell = pl.col("pressed_at"), pl.col("spell_from_at")
    ends = (spell.shift(-1) != spell) & (at.shift(-1) - at > BLOCK_PAUSE)
    return conditions.filter(ends)["pressed_at"].to_list()


# --- as text ---------------------------------------------------------------------------------


def to_text(state: PotState) -> str:
    """A state as JSON; figures come back to the bit."""
    told = {
        "known": state.known,
        "charts": {key: asdict(chart) for key, chart in state.charts.items()},
        "spans": asdict(state.spans),
        "recent": state.recent.rows(),
    }
    return json.dumps(told, default=dt.datetime.isoformat)


def from_text(text: str) -> PotState:
    """The state of a text that :func:`to_text` made."""
    told = json.loads(text)
    recent = [
        [_instant(value) if name in ("at", "since_at") else value
         for name, value in zip(CHANGE_SCHEMA, row, strict=True)]
        for row in told["recent"]
    ]  # fmt: skip
    spans = told["spans"]
    return PotState(
        tuple(told["known"]),
        {
            key: Stretch(_instant(chart["from_at"]), chart["told"], _learned(chart["learned"]))
            for key, chart in told["charts"].items()
        },
        SpansState(
            _instant(spans["to_at"]),
            spans["blocks"],
            _instant(spans["paced_at"]),
            _instant(spans["newest_at"]),
            {name: Open(**_instants(span)) for name, span in spans["under_way"].items()},
            Sawing(**_instants(spans["sawing"])),
            tuple(
                (dt.datetime.fromisoformat(begin), dt.datetime.fromisoformat(end))
                for begin, end in spans["sawn"]
            ),
        ),
        pl.DataFrame(recent, schema=CHANGE_SCHEMA, orient="row"),
    )


def _instant(text: str | None) -> dt.datetime | None:
    return None if text is None else dt.datetime.fromisoformat(text)


def _instants(told: dict[str, Any]) -> dict[str, Any]:
    return {
        name: _instant(value) if name.endswith("_at") else value for name, value in told.items()
    }


def _learned(told: dict[str, Any] | None) -> Learned | None:
    if told is None:
        return None
    deviation, place, high, low = told["state"]
    return Learned(
        tuple((by, middle) for by, middle in told["slopes"]),
        told["middle"],
        told["matters"],
        told["spread"],
        ChartState(deviation, place, tuple(high), tuple(low)),
    )
