"""Derives notices and keeps what became of them; the third composer that writes.

Notices are made anew each time from the spans they rest on, which takes milliseconds; only the
spans of trouble, which rest on the charts of a pot's whole history, are kept until its weighed
spells or its fitted parts change. So what was derived piece by piece equals what is derived at
once. What became of notices since the last time is added to ``notice_event`` in the same
transaction: senders read there, and what late data took back stands there too.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import condition_frames, figures, frames, hours, notice_frames, part_frames
from analytics.indicators import changes
from analytics.notice_spans import (
    fault_spans,
    fit_spans,
    pressure_spans,
    record_spans,
    refill_spans,
    silence_spans,
)
from analytics.notices import EVENT_SCHEMA, SPAN_SCHEMA, events, notices
from analytics.pieces import insert
from analytics.pipeline import upkeep_rules, utc_now
from analytics.rule_condition import kept_blocks
from analytics.rule_spans import Curve, counts, rule_spans
from analytics.trouble_spans import SPANS_VERSION, trouble_spans
from ingest.config import Yard
from ingest.parts import RULE_INDICATORS
from ingest.store.connection import read_window, write_window

if TYPE_CHECKING:
    import duckdb

    from analytics.rule_spans import Floats, Ints


@dataclass(frozen=True)
class Noticed:
    """What deriving notices did.

    Parameters
    ----------
    open : int
        Notices that have not cleared.
    events : int
        What became of notices since the last time.
    """

    open: int
    events: int


def derive_notices(
    data: Path, yard: Yard, *, full: bool = False, now: dt.datetime | None = None
) -> Noticed:
    """Bring notices up to date with the derived tables and with what people entered.

    Parameters
    ----------
    data : Path
        Data folder.
    yard : Yard
        The yard file.
    full : bool
        Spans of trouble too are found anew, whatever is there.
    now : datetime, optional
        Naive UTC; this computer's clock by default.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    now = now or utc_now()
    troubles: dict[int, tuple[str, pl.DataFrame]] = {}
    blocks: dict[int, pl.DataFrame] = {}
    with read_window(data) as con:
        pots = {pot: i for pot, i in frames.pots(con).items() if yard.pot(pot) is not None}
        known = {} if full else notice_frames.trouble_states(con)
        fitted = part_frames.part_events(con).filter(pl.col("since") == "fitted")
        for pot, pot_id in pots.items():
            mine = fitted.filter(pl.col("pot") == pot).select("part", "at").sort("at", "part")
            made_of = _made_of(con, pot_id, mine)
            if known.get(pot_id) != made_of:
                conditions = condition_frames.conditions(con, pot_id)
                seen = changes(conditions, mine)
                troubles[pot_id] = (made_of, trouble_spans(seen, conditions, mine))
                blocks[pot_id] = kept_blocks(seen, RULE_INDICATORS)
        spans = _spans(con, yard, pots, now, {i: found for i, (_, found) in troubles.items()})
        before = notice_frames.notices(con)
    after = notices(spans, now)
    same = after.equals(before)
    fresh = pl.DataFrame(schema=EVENT_SCHEMA) if same else events(before, after, now)
    if fresh.height:
        with read_window(data) as con:
            fresh = _not_logged(fresh, after, notice_frames.notice_events(con))
    if troubles or fresh.height or not same:
        with write_window(data) as con:
            for pot_id, (made_of, found) in troubles.items():
                con.execute("DELETE FROM trouble_span WHERE pot_id = $pot", {"pot": pot_id})
                numbered = found.with_columns(pl.lit(pot_id, pl.Int16).alias("pot_id"))
                insert(con, "trouble_span", numbered)
                con.execute("DELETE FROM indicator_block WHERE pot_id = $pot", {"pot": pot_id})
                numbered = blocks[pot_id].with_columns(pl.lit(pot_id, pl.Int16).alias("pot_id"))
                insert(con, "indicator_block", numbered.rename({"at": "block_at"}))
                con.execute(
                    "INSERT OR REPLACE INTO trouble_state VALUES ($pot, $made_of)",
                    {"pot": pot_id, "made_of": made_of},
                )
            con.execute("DELETE FROM notice")
            insert(con, "notice", after)
            _log(con, fresh, now)
    return Noticed(after.filter(pl.col("cleared_at").is_null()).height, fresh.height)


def _made_of(con: duckdb.DuckDBPyConnection, pot_id: int, fitted: pl.DataFrame) -> str:
    spells = condition_frames.weighed_spells(con, pot_id)
    rests_on = (SPANS_VERSION, *spells["made_of"], *fitted.iter_rows())
    return hashlib.sha256(repr(rests_on).encode()).hexdigest()[:32]


def _spans(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: dict[str, int],
    now: dt.datetime,
    troubles: dict[int, pl.DataFrame],
) -> pl.DataFrame:
    text, instant = pl.String(), pl.Datetime("us")
    shifts = (
        notice_frames.entered(
            con,
            "shift",
            {"shift": text, "pots": pl.List(text), "from_at": instant, "to_at": instant},
        )
        .rename({"entered_at": "booked_at", "pots": "pot"})
        .explode("pot")
    )
    wanted: dict[str, Any] = {"shift": text, "pot": text, "at": instant}
    areas = notice_frames.entered(con, "area", wanted).with_columns(pl.col("shift").fill_null(""))
    bags = notice_frames.entered(con, "abrasive", wanted).with_columns(
        pl.col("shift").fill_null("")
    )
    extents = frames.heard_extents(con)
    found = [
        pl.DataFrame(schema=SPAN_SCHEMA),
        record_spans(shifts, areas, bags, frames.shift_summaries(con), now),
    ]

    def day_of(instant: dt.datetime) -> str:
        return f"{instant.replace(tzinfo=dt.UTC).astimezone(yard.site.zone):%Y-%m-%d}"

    for pot, pot_id in pots.items():
        described = yard.pot(pot)
        assert described is not None
        fits = troubles.get(pot_id)
        found += [
            pressure_spans(notice_frames.pressure_watch(con, pot_id), pot, described.plate_pa),
            fault_spans(notice_frames.faulty_minutes(con, pot_id), pot),
            silence_spans(
                frames.gaps(con, pot_id),
                extents.get(pot_id, (None, None)),
                shifts.filter(pl.col("pot") == pot),
                pot,
                yard.gap_s(pot),
                now,
            ),
            refill_spans(condition_frames.tippings(con, pot_id), pot, day_of, now),
            fit_spans(
                notice_frames.trouble_spans(con, pot_id) if fits is None else fits, pot
            ),
        ]  # fmt: skip
    counted = counts(part_frames.stays(con), part_frames.checked_lives(con), upkeep_rules(yard))
    booked = shifts.select("pot", "from_at", "to_at")
    curves = {pot: _curve(con, yard, pot, booked, now) for pot in pots}
    found.append(rule_spans(counted, curves, now))
    return pl.concat(found)


def _curve(
    con: duckdb.DuckDBPyConnection, yard: Yard, pot: str, booked: pl.DataFrame, now: dt.datetime
) -> Curve:
    history = figures.pot_history(con, pot, booked, columns=hours.CYCLE_COLUMNS)
    totals = history.totals(yard)
    ends = [history.cycles["span_to_at"], history.gaps["to_at"]]
    edges = pl.concat([end.cast(pl.Datetime("us")).alias("end") for end in ends]).unique().sort()
    now_us = hours.microseconds(now)

    def used(from_us: Ints, to_us: Ints) -> tuple[Floats, Floats]:
        # The high figure of ``hours.windows``; the rest of it is not wanted, some hundred times.
        silent_s = totals.silent.within(from_us, np.clip(now_us, from_us, to_us))
        high_s = totals.blast_high.within(from_us, to_us) + silent_s
        cycles = totals.cycles_high_within(from_us, np.minimum(to_us, now_us))
        return high_s / 3600.0, cycles.astype(float)

    return Curve(edges.cast(pl.Int64).to_numpy(), used)


def _not_logged(fresh: pl.DataFrame, after: pl.DataFrame, logged: pl.DataFrame) -> pl.DataFrame:
    """Events that the log does not have: a store that was repaired tells nothing twice."""
    if fresh.is_empty() or logged.is_empty():
        return fresh
    standing = set(after.filter(pl.col("cleared_at").is_null())["notice_id"])
    last: dict[str, str] = {}
    had: dict[str, set[tuple[str, str]]] = {}
    for key, kind, what in logged.select("notice_id", "kind", "what").iter_rows():
        if what == "withdrawn":
            had.pop(key, None)
        else:
            had.setdefault(key, set()).add((kind, what))
        last[key] = what
    kept = []
    for row in fresh.iter_rows(named=True):
        key, before = row["notice_id"], last.get(row["notice_id"])
        mine = had.get(key, set())
        if row["what"] == "raised":
            again = before == "cleared" and key in standing
            kept.append(again or not any(what == "raised" for _, what in mine))
        elif row["what"] == "worse":
            kept.append(row["kind"] not in {kind for kind, _ in mine})
        else:
            kept.append(before != row["what"])
    return fresh.filter(pl.Series(kept, dtype=pl.Boolean))


def _log(con: duckdb.DuckDBPyConnection, fresh: pl.DataFrame, now: dt.datetime) -> None:
    """Keep what became of notices. A look at years gives tens of thousands of rows, so that they
    are numbered and written together."""
    if fresh.is_empty():
        return
    con.register("fresh_notice", fresh.select("notice_id").unique().to_arrow())
    known = con.execute(
        "SELECT message_id FROM notice_event SEMI JOIN fresh_notice USING (notice_id)"
    ).fetchall()
    con.unregister("fresh_notice")
    # An id is notice, what and kind, and from the second of them on a number.
    times = Counter(".".join(message_id.split(".")[:3]) for (message_id,) in known)
    message_ids = []
    for stem in fresh.select(pl.concat_str("notice_id", "what", "kind", separator=".")).to_series():
        times[stem] += 1
        message_ids.append(stem if times[stem] == 1 else f"{stem}.{times[stem]}")
    numbers = con.execute(
        "SELECT nextval('notice_event_number') FROM range($count)", {"count": fresh.height}
    ).fetchall()
    numbered = fresh.with_columns(
        pl.Series("event_id", sorted(number for (number,) in numbers), dtype=pl.Int64),
        pl.Series("message_id", message_ids),
        pl.lit(now, pl.Datetime("us")).alias("noticed_at"),
    )
    insert(con, "notice_event", numbered)
