"""Derives notices and keeps what became of them; the third composer that writes.

Notices rest on spans, and those on cycles, silences, entries and charts of years. What they are
derived from is found anew from the first change on (:mod:`analytics.notice_since`), and the notices
before stay; the spans of trouble, which rest on the charts of a pot's whole history, are kept until
its weighed spells or its fitted parts change, and then go on from the last pause before what did
(:mod:`analytics.trouble_kept`). So what was derived piece by piece equals what is derived at once.
What became of notices since the last time is added to ``notice_event`` in the same
transaction: senders read there, and what late data took back stands there too.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import polars as pl

from analytics import (
    condition_frames,
    frames,
    notice_frames,
    notice_since,
    part_frames,
    record_frames,
    trouble_kept,
)
from analytics.notice_spans import (
    REFILLS,
    fault_spans,
    fit_spans,
    pressure_spans,
    record_spans,
    refill_spans,
    silence_spans,
)
from analytics.notices import EVENT_SCHEMA, SPAN_SCHEMA, events, notices
from analytics.pipeline import upkeep_rules, utc_now
from analytics.rule_spans import Count, Remembered, counts, rule_spans
from analytics.writing import insert
from ingest.config import Yard
from ingest.store.connection import read_window, write_window

if TYPE_CHECKING:
    import duckdb

    from analytics.notice_since import Since


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
        All of them are found anew, whatever is there.
    now : datetime, optional
        Naive UTC; this computer's clock by default.

    Raises
    ------
    StoreBusy, StoreError
        From :mod:`ingest.store.connection`.
    """
    now = now or utc_now()
    troubles: dict[int, trouble_kept.Troubles] = {}
    with read_window(data) as con:
        pots = {pot: i for pot, i in frames.pots(con).items() if yard.pot(pot) is not None}
        known = {} if full else notice_frames.trouble_states(con)
        digests = condition_frames.spells_digest(con)
        fitted = part_frames.fittings(con)
        for pot, pot_id in pots.items():
            mine = fitted.filter(pl.col("pot") == pot).select("part", "at").sort("at", "part")
            spells = digests.get(pot_id, condition_frames.SpellsDigest(0, 0))
            if known.get(pot_id) != trouble_kept.made_of(spells, mine):
                troubles[pot_id] = trouble_kept.find(con, pot_id, spells, mine, full=full)
        since = notice_since.since(con, yard, pots, now, full)
        fresh_spans = {pot_id: trouble.spans for pot_id, trouble in troubles.items()}
        found = _found(con, yard, pots, since, now, fresh_spans)
        before, after = found.before, found.after
        stay = notice_frames.open_count(con) - before.filter(_OPEN).height
    same = after.equals(before)
    fresh = pl.DataFrame(schema=EVENT_SCHEMA) if same else events(before, after, now)
    if fresh.height:
        with read_window(data) as con:
            among = fresh["notice_id"].unique().to_list()
            fresh = _not_logged(fresh, after, notice_frames.notice_events(con, among=among))
    if troubles or fresh.height or not same or since.is_due:
        with write_window(data) as con:
            for pot_id, trouble in troubles.items():
                trouble_kept.put(con, pot_id, trouble)
            notice_since.put(con, before, after)
            notice_since.keep_crossings(con, found.crossings)
            notice_since.keep(con, since)
            _log(con, fresh, now)
    return Noticed(stay + after.filter(_OPEN).height, fresh.height)


_OPEN = pl.col("cleared_at").is_null()


class _Found(NamedTuple):
    """Notices as they were and as they are, without those that stay, and when limits passed."""

    before: pl.DataFrame
    after: pl.DataFrame
    crossings: dict[str, dict[tuple[int, float, float], int]]


def _found(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: dict[str, int],
    since: Since,
    now: dt.datetime,
    troubles: dict[int, pl.DataFrame],
) -> _Found:
    extents = frames.heard_extents(con)
    cuts = {
        pot: notice_since.before_silences(
            con, pot, pot_id, since.of_pots[pot], extents.get(pot_id, (None, None))
        )
        for pot, pot_id in pots.items()
    }
    shifts = notice_since.booked_shifts(con, min(cuts.values(), default=frames.EARLIEST))
    concerned = notice_since.shifts_concerned(shifts, since)
    found = [pl.DataFrame(schema=SPAN_SCHEMA), _records_missing(con, concerned, now)]
    refill_days = {}

    def day_of(instant: dt.datetime) -> str:
        return f"{instant.replace(tzinfo=dt.UTC).astimezone(yard.site.zone):%Y-%m-%d}"

    for pot, pot_id in pots.items():
        described = yard.pot(pot)
        assert described is not None
        fits = troubles.get(pot_id)
        cut, at = cuts[pot], since.of_pots[pot]
        after_at = None if cut == frames.EARLIEST else cut
        refill_days[pot] = notice_since.first_refill_day(at, day_of)
        tippings = condition_frames.tippings(con, pot_id, notice_since.refills_from(at))
        found += [
            pressure_spans(notice_frames.pressure_watch(con, pot_id), pot, described.plate_pa),
            fault_spans(notice_frames.faulty_minutes(con, pot_id), pot),
            silence_spans(
                frames.gaps(con, pot_id, after_at),
                extents.get(pot_id, (None, None)),
                shifts.filter(pl.col("pot") == pot),
                pot,
                yard.gap_s(pot),
                now,
                after_at,
            ),
            refill_spans(tippings, pot, day_of, now).filter(
                pl.col("cause") >= f"{REFILLS}{refill_days[pot]}"
            ),
            fit_spans(
                notice_frames.trouble_spans(con, pot_id) if fits is None else fits, pot
            ),
        ]  # fmt: skip
    checks, checks_from, crossings = _checks_due(con, yard, pots, since, now)
    after = notices(pl.concat([*found, checks]), now)
    before = notice_since.standing_before(con, since, cuts, refill_days, checks_from, concerned)
    return _Found(before, after, crossings)


def _records_missing(
    con: duckdb.DuckDBPyConnection, shifts: pl.DataFrame, now: dt.datetime
) -> pl.DataFrame:
    first = shifts["from_at"].min()
    if not isinstance(first, dt.datetime):
        return pl.DataFrame(schema=SPAN_SCHEMA)
    text, instant = pl.String(), pl.Datetime("us")
    wanted: dict[str, Any] = {"shift": text, "pot": text, "at": instant}
    about = record_frames.Only(first, shifts=tuple(shifts["shift"].unique().to_list()))
    areas, bags = (
        notice_frames.entered(con, kind, wanted, about).with_columns(pl.col("shift").fill_null(""))
        for kind in ("area", "abrasive")
    )
    return record_spans(shifts, areas, bags, frames.shift_summaries(con, first), now)


def _checks_due(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: dict[str, int],
    since: Since,
    now: dt.datetime,
) -> tuple[pl.DataFrame, dict[str, dt.datetime], dict[str, dict[tuple[int, float, float], int]]]:
    """Spans of checks that were due, of counts that ended after an instant of each pot; those
    instants, and when limits passed."""
    known = notice_since.crossings_known(con, since)
    curves = notice_since.PotCurves(con, yard, pots, since, now).curves
    begin = dict(since.checks)
    while True:
        crossed: dict[str, dict[tuple[int, float, float], int]] = {pot: {} for pot in pots}
        counted = [
            count
            for count in counts(
                notice_since.stays_counted(con, begin, since.others),
                notice_since.checks_counted(con, begin, since.others),
                upkeep_rules(yard),
            )
            if count.to_at is None or count.to_at > begin.get(count.pot, since.others)
        ]
        spans = rule_spans(
            counted,
            {pot: Remembered(curves[pot], known.get(pot, {}), crossed[pot]) for pot in pots},
            now,
        )
        begins = _begins(counted)
        # What a part brought along may be over its limit at once: then it is one with what stood.
        chained = [
            (pot, at)
            for pot, cause, at in spans.select("pot", "cause", "from_at").iter_rows()
            if at <= begin.get(pot, since.others)
            and (pot, cause, at) in begins
            and notice_since.goes_on(con, pot, cause, at)
        ]
        if not chained:
            return spans, begin, crossed
        for pot, at in chained:
            begin[pot] = min(begin.get(pot, at), at - dt.timedelta(microseconds=1))


def _begins(counted: list[Count]) -> set[tuple[str, str, dt.datetime]]:
    return {(c.pot, "/".join((c.part, c.position, c.rule.called)), c.from_at) for c in counted}


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
