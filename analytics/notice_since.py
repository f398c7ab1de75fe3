"""From when on notices may be others than they are, and what they rest on from then on.

Notices of silences, of missing records and of checks come by the hundred a month, and nearly all of
them are over for good. So it is kept what notices were last derived from, and whoever writes what
they rest on notes from when on it is another (``analytics.writing.note_derived``). What lies before
stays; what lies after is read and found anew. Where something began before and is not over, that is
from its begin on.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from analytics import frames, hours, notice_frames, record_frames, summary_entries
from analytics.day_reading import midnight, read_days, totals_of_days
from analytics.hours import microseconds
from analytics.notice_spans import LIKE_REFILLS, REFILLS
from analytics.notices import NOTICE_SCHEMA
from analytics.rule_spans import Curve, DayCurve
from analytics.writing import insert
from ingest.config import Yard
from ingest.notice_kinds import NOTICE_KINDS
from ingest.parts import RESULTS

if TYPE_CHECKING:
    from collections.abc import Callable

    import duckdb

    from analytics.rule_spans import Crossings, Floats, Ints

#: Raised when notices are derived in another way, so that all of them are derived anew.
NOTICES_VERSION = 2

#: What is found from an instant on may change what lies a little before it: delays of notices, two
#: entries that tell of one change, the sample before a press.
_MARGIN = dt.timedelta(hours=3)
#: Silences that far apart are not taken together (``notice_spans.BUNCH_APART`` is less).
_APART = dt.timedelta(minutes=6)
#: How far silences are read back at a time.
_LOOK = dt.timedelta(days=4)
#: A site's day is no longer.
_DAY = dt.timedelta(hours=26)
#: What is changed is noted anew at the latest after so long: to write takes longer than to derive
#: the notices of some hours again.
_NOTED_AFTER = dt.timedelta(hours=6)

#: As ``notice_spans.cause_of_shift``.
_CAUSE = f"CASE WHEN regexp_matches(shift, '{LIKE_REFILLS}') THEN 'shift ' || shift ELSE shift END"
_RULES = [name for name, kind in NOTICE_KINDS.items() if kind.group == "rule"]
_RESETTING = [result for result, (begins_anew, _) in RESULTS.items() if begins_anew]


@dataclass(frozen=True)
class Since:
    """From when on notices are derived anew.

    Parameters
    ----------
    made_of : str
        All but what is derived or entered as time goes on.
    others : datetime
        Of pots that were never heard; ``frames.EARLIEST``: all of them. Naive UTC.
    of_pots : dict of str to datetime
        Of those that were.
    checks : dict of str to datetime
        By pot, of checks: what they count of a pot that has hardly blasted yet, and of parts that
        came from there, changes with the pace at which its silences are counted.
    notes : list of (int, int)
        What was noted as changed: pot and how often.
    seen : Seen
        What had been entered, as far as it is counted in summaries too.
    now_at : datetime
        Up to when what they rest on is derived.
    is_due : bool
        Whether to keep how far they are even where nothing else is written.
    """

    made_of: str
    others: dt.datetime
    of_pots: dict[str, dt.datetime]
    checks: dict[str, dt.datetime]
    notes: list[tuple[int, int]]
    seen: summary_entries.Seen
    now_at: dt.datetime
    is_due: bool


def since(
    con: duckdb.DuckDBPyConnection,
    yard: Yard,
    pots: Mapping[str, int],
    now: dt.datetime,
    full: bool = False,
) -> Since:
    """From when on the notices of each pot have to be derived anew.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    yard : Yard
        The yard file.
    pots : mapping of str to int
        Its pots that were heard, with their number in the store.
    now : datetime
        Naive UTC.
    full : bool
        All of them, whatever is there.
    """
    extents = frames.heard_extents(con)
    places = summary_entries.places(con, yard, now)
    heard = [(pot, pot_id, extents.get(pot_id, (None, None))[0]) for pot, pot_id in pots.items()]
    text = repr((NOTICES_VERSION, yard, sorted(heard), places))
    made_of = hashlib.sha256(text.encode()).hexdigest()[:32]
    notes = con.execute("SELECT pot_id, from_at, changes FROM notice_changed").fetchall()
    noted = {pot_id: from_at for pot_id, from_at, _ in notes}
    summed = con.execute("SELECT now_at, entered, number FROM summary_state").fetchall()
    summed_at, rows, number = summed[0] if summed else (frames.EARLIEST, 0, 0)
    # What was entered after this run's own now comes to count later.
    ((later,),) = con.execute(
        "SELECT min(number) FROM record WHERE recorded_at > $now", {"now": now}
    ).fetchall()
    upto = number if later is None else min(number, later - 1)
    seen = summary_entries.Seen(rows - (number - upto), upto)
    found = con.execute("SELECT made_of, now_at, entered, number FROM notice_state").fetchall()
    begin, due = frames.EARLIEST, True
    if found and not full and found[0][0] == made_of and found[0][1] <= now:
        _, before, *known = found[0]
        entered = summary_entries.changed_from(
            con, summary_entries.Seen(*known), summary_entries.seen(con)
        )
        begin = before if entered is None else min(before, entered)
        due = entered is not None or now - before > _NOTED_AFTER
    of_pots = {pot: _before(min(begin, noted.get(pot_id, begin))) for pot, pot_id in pots.items()}
    counted = [(pot_id, changes) for pot_id, _, changes in notes]
    checks = _of_checks(con, of_pots, {pot for pot, _, first_at in heard if first_at is None})
    return Since(made_of, _before(begin), of_pots, checks, counted, seen, min(now, summed_at), due)


def _before(at: dt.datetime) -> dt.datetime:
    return at - _MARGIN if at > frames.EARLIEST + _MARGIN else frames.EARLIEST


def _of_checks(
    con: duckdb.DuckDBPyConnection, of_pots: Mapping[str, dt.datetime], unheard: set[str]
) -> dict[str, dt.datetime]:
    days = frames.read_frame(con, "SELECT pot, day_at, blast_us FROM pot_day")
    own = {}
    for pot, at in of_pots.items():
        settled = days.filter((pl.col("pot") == pot) & (pl.col("day_at") < midnight(at)))
        # Until a pot has blasted for so long, what comes changes the pace of what was.
        is_settled = pot in unheard or int(settled["blast_us"].sum()) >= hours.PACE_US
        own[pot] = at if is_settled else frames.EARLIEST
    found = dict(own)
    for pot, other in con.execute(
        "SELECT DISTINCT s.pot, came.pot FROM part_stay AS s JOIN part_stay AS came "
        "USING (part_id) WHERE s.pot <> came.pot AND s.from_at >= came.from_at"
    ).fetchall():
        if pot in found:
            found[pot] = min(found[pot], own.get(other, found[pot]))
    return found


def keep(con: duckdb.DuckDBPyConnection, since: Since) -> None:
    """Keep how far notices are; ``con`` is the write window in which they are written."""
    con.execute("DELETE FROM notice_state")
    con.execute(
        "INSERT INTO notice_state VALUES ($made_of, $now, $entered, $number)",
        {
            "made_of": since.made_of, "now": since.now_at, "entered": since.seen.rows,
            "number": since.seen.number,
        },
    )  # fmt: skip
    for pot_id, changes in since.notes:
        # What was written since it was read has been noted by its writer.
        con.execute(
            "DELETE FROM notice_changed WHERE pot_id = $pot AND changes = $changes",
            {"pot": pot_id, "changes": changes},
        )


# --- silences --------------------------------------------------------------------------------


def before_silences(
    con: duckdb.DuckDBPyConnection,
    pot: str,
    pot_id: int,
    at: dt.datetime,
    heard: tuple[dt.datetime | None, dt.datetime | None],
) -> dt.datetime:
    """An instant up to ``at`` at which a pot's box was heard and nothing was told of it.

    Silences after it and those before it have nothing to do with one another.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    pot, pot_id : str, int
        The pot.
    at : datetime
        Naive UTC; ``frames.EARLIEST`` stays so.
    heard : (datetime or None, datetime or None)
        First and last instant heard.
    """
    first_at, last_at = heard
    if at == frames.EARLIEST or first_at is None or last_at is None:
        return frames.EARLIEST
    cut = min(at, last_at) - _APART
    bound: dt.datetime | None = None
    spans: list[tuple[dt.datetime, dt.datetime]] = []
    while cut > first_at + _APART:
        if bound is None or cut - _APART < bound:
            bound = cut - _LOOK if cut > frames.EARLIEST + _LOOK else frames.EARLIEST
            spans = con.execute(
                "SELECT from_at, to_at FROM gap WHERE pot_id = $id AND to_at >= $bound "
                "AND from_at <= $at UNION ALL SELECT began_at, coalesce(cleared_at, $latest) "
                "FROM notice WHERE kind = 'box_silent' AND pot = $pot "
                "AND (cleared_at IS NULL OR cleared_at >= $bound)",
                {"id": pot_id, "pot": pot, "bound": bound, "at": cut + _APART,
                 "latest": frames.LATEST - _APART},
            ).fetchall()  # fmt: skip
        within = [a for a, b in spans if a <= cut + _APART and b + _APART >= cut]
        if not within:
            return cut
        cut = min(min(within), cut) - 2 * _APART
    return frames.EARLIEST


# --- records of shifts -----------------------------------------------------------------------


def booked_shifts(con: duckdb.DuckDBPyConnection, from_at: dt.datetime) -> pl.DataFrame:
    """Shifts that end from an instant on or were entered from then on, one row a shift and pot.

    Returns
    -------
    polars.DataFrame
        ``shift``, ``pot``, ``from_at``, ``to_at``, ``booked_at`` (first entered), ``recorded_at``.
    """
    text, instant = pl.String(), pl.Datetime("us")
    columns = {
        "shift": text, "pots": pl.List(text), "from_at": instant, "to_at": instant,
        "recorded_at": instant,
    }  # fmt: skip
    only = (
        None
        if from_at == frames.EARLIEST
        else record_frames.Only(from_at, "to_at", entered_too=True)
    )
    return (
        notice_frames.entered(con, "shift", columns, only)
        .rename({"entered_at": "booked_at", "pots": "pot"})
        .explode("pot")
    )


def shifts_concerned(shifts: pl.DataFrame, since: Since) -> pl.DataFrame:
    """Those of which it may have to be told anew that records are missing."""
    at = pl.col("pot").replace_strict(
        since.of_pots, default=since.others, return_dtype=pl.Datetime("us")
    )
    return shifts.filter((pl.col("to_at") >= at) | (pl.col("recorded_at") >= at))


def first_refill_day(at: dt.datetime, day_of: Callable[[dt.datetime], str]) -> str:
    """The first site's day of which refills are looked through anew; empty: all of them."""
    return "" if at == frames.EARLIEST else day_of(at - _DAY)


def refills_from(at: dt.datetime) -> dt.datetime | None:
    """From when on refills are read for that; ``None``: all of them."""
    return None if at == frames.EARLIEST else at - 2 * _DAY


# --- checks ----------------------------------------------------------------------------------


def _looked(from_at: Mapping[str, dt.datetime], others: dt.datetime) -> dict[str, object]:
    return {"pots": list(from_at), "froms": list(from_at.values()), "others": others}


#: Parts that were on after the instant of their pot, with the earliest of all pots they were on.
_PARTS_LOOKED = (
    "WITH looked AS (SELECT unnest($pots::VARCHAR[]) AS pot, "
    "unnest($froms::TIMESTAMP[]) AS since_at), "
    "parts AS (SELECT part_id, min(coalesce(since_at, $others)) AS from_at FROM part_stay AS s "
    "LEFT JOIN looked USING (pot) GROUP BY part_id "
    "HAVING bool_or(s.to_at IS NULL OR s.to_at > coalesce(since_at, $others))) "
)


def stays_counted(
    con: duckdb.DuckDBPyConnection, from_at: Mapping[str, dt.datetime], others: dt.datetime
) -> pl.DataFrame:
    """All stays of parts that were on after the instant of their pot, oldest first; ``others`` is
    that of pots not in ``from_at``."""
    return frames.read_frame(
        con,
        _PARTS_LOOKED + "SELECT * FROM part_stay SEMI JOIN parts USING (part_id) "
        "ORDER BY from_at, pot, part, position",
        **_looked(from_at, others),
    )


def checks_counted(
    con: duckdb.DuckDBPyConnection, from_at: Mapping[str, dt.datetime], others: dt.datetime
) -> pl.DataFrame:
    """Checks of those parts after that instant, and for each rule the last before, oldest first."""
    return frames.read_frame(
        con,
        _PARTS_LOOKED + "SELECT c.* FROM part_check AS c JOIN parts AS p USING (part_id) "
        "WHERE list_contains($resetting, result) QUALIFY c.checked_at > p.from_at "
        "OR row_number() OVER (PARTITION BY part_id, rule, c.checked_at > p.from_at "
        "ORDER BY checked_at DESC, record_id DESC) = 1 "
        "ORDER BY checked_at, pot, part, position, record_id",
        resetting=_RESETTING,
        **_looked(from_at, others),
    )


def goes_on(con: duckdb.DuckDBPyConnection, pot: str, cause: str, at: dt.datetime) -> bool:
    """Whether a notice of a check stood when, at an instant, a count began beyond its limit."""
    found = con.execute(
        "SELECT 1 FROM notice WHERE list_contains($rules, kind) AND pot = $pot AND cause = $cause "
        "AND began_at < $at AND (cleared_at IS NULL OR cleared_at >= $at)",
        {"rules": _RULES, "pot": pot, "cause": cause, "at": at},
    ).fetchall()
    return bool(found)


def crossings_known(
    con: duckdb.DuckDBPyConnection, since: Since
) -> dict[str, dict[tuple[int, float, float], int]]:
    """By pot: when limits had passed that nothing can have changed since."""
    found: dict[str, dict[tuple[int, float, float], int]] = {}
    rows = con.execute("SELECT pot, from_at, hours, cycles, passed_at FROM rule_crossing")
    for pot, from_at, left_h, left_cycles, at in rows.fetchall():
        if at <= since.checks.get(pot, frames.EARLIEST):
            key = (microseconds(from_at), left_h, left_cycles)
            found.setdefault(pot, {})[key] = microseconds(at)
    return found


def keep_crossings(
    con: duckdb.DuckDBPyConnection, found: Mapping[str, Mapping[tuple[int, float, float], int]]
) -> None:
    """Keep when limits had passed of the counts that were looked through."""
    instant = pl.Datetime("us")
    rows = [(pot, *key, at_us) for pot, mine in found.items() for key, at_us in mine.items()]
    names = {
        "pot": pl.String, "from_at": pl.Int64, "hours": pl.Float64, "cycles": pl.Float64,
        "passed_at": pl.Int64,
    }  # fmt: skip
    con.execute("DELETE FROM rule_crossing")
    frame = pl.DataFrame(rows, schema=names, orient="row")
    insert(con, "rule_crossing", frame.with_columns(pl.col("from_at", "passed_at").cast(instant)))


class PotCurves:
    """How the use of each pot grows; read as it is asked for.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window, for as long as it is asked.
    yard : Yard
        The yard file.
    pots : mapping of str to int
        Its pots that were heard.
    since : Since
        Of a pot that is derived wholly all cycles are read, of others those of the days asked.
    now : datetime
        Naive UTC.
    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        yard: Yard,
        pots: Mapping[str, int],
        since: Since,
        now: dt.datetime,
    ) -> None:
        self._con, self._yard, self._pots, self._now = con, yard, pots, now
        self._extents = frames.heard_extents(con)
        self._days = frames.read_frame(con, "SELECT * FROM pot_day ORDER BY pot, day_at")
        # Sums of days are there for days that were over when summaries were reckoned.
        self._open_at = midnight(min(now, since.now_at))
        self.curves: dict[str, Crossings] = {
            pot: self._wholly(pot) if since.checks[pot] == frames.EARLIEST else self._of_days(pot)
            for pot in pots
        }

    def _totals(self, pot: str, days: set[int] | None) -> hours.PotHours:
        pot_id = self._pots[pot]
        read = read_days(self._con, self._pots, {pot: days})
        stay = self._days.filter((pl.col("pot") == pot) & (pl.col("day_at") < self._open_at))
        totals, _ = totals_of_days(
            read.of(pot, pot_id), self._extents.get(pot_id, (None, None)), stay,
            None if days is None else (self._open_at, days), pot, self._now,
            self._yard.derive.count_silence_outside_shifts,
        )  # fmt: skip
        return totals

    def _used(self, totals: hours.PotHours) -> Callable[[Ints, Ints], tuple[Floats, Floats]]:
        now_us = microseconds(self._now)

        def used(from_us: Ints, to_us: Ints) -> tuple[Floats, Floats]:
            # The high figure of ``hours.windows``; the rest of it is not wanted, hundreds of times.
            silent_s = totals.silent.within(from_us, np.clip(now_us, from_us, to_us))
            high_s = totals.blast_high.within(from_us, to_us) + silent_s
            cycles = totals.cycles_high_within(from_us, np.minimum(to_us, now_us))
            return high_s / 3600.0, cycles.astype(float)

        return used

    def _wholly(self, pot: str) -> Curve:
        return Curve(self._edges(pot, 0, 2**62), self._used(self._totals(pot, None)))

    def _of_days(self, pot: str) -> DayCurve:
        now_us = np.array([microseconds(self._now)])
        open_us = np.array([microseconds(self._open_at)])
        always = set(hours.days_between(open_us, np.maximum(now_us + 1, open_us)).tolist())
        return DayCurve(
            lambda days: self._used(self._totals(pot, days | always)),
            lambda from_us, to_us: self._edges(pot, from_us, to_us),
            lambda at_us: next(iter(self._edges(pot, at_us, 2**62)[:1].tolist()), None),
        )

    def _edges(self, pot: str, from_us: int, to_us: int) -> Ints:
        """Ends of cycles and of silences after an instant, up to another, ascending. [us]"""
        edges = frames.read_frame(
            self._con,
            "SELECT epoch_us(span_to_at) AS at FROM cycle WHERE pot_id = $pot "
            "AND span_to_at > make_timestamp($from) AND span_to_at <= make_timestamp($to) "
            "UNION SELECT epoch_us(to_at) FROM gap WHERE pot_id = $pot "
            "AND to_at > make_timestamp($from) AND to_at <= make_timestamp($to) ORDER BY 1",
            pot=self._pots[pot],
            **{"from": from_us, "to": to_us},
        )
        return edges["at"].cast(pl.Int64).to_numpy()


# --- what stands -----------------------------------------------------------------------------


def standing_before(
    con: duckdb.DuckDBPyConnection,
    since: Since,
    cuts: Mapping[str, dt.datetime],
    refill_days: Mapping[str, str],
    checks_from: Mapping[str, dt.datetime],
    shifts: pl.DataFrame,
) -> pl.DataFrame:
    """Notices as they were last derived, but those that stay as they are.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open read window.
    since : Since
    cuts : mapping of str to datetime
        By pot, from when on silences were looked through.
    refill_days : mapping of str to str
        By pot, from which site's day on refills were.
    checks_from : mapping of str to datetime
        By pot; counts that ended up to then were not looked through.
    shifts : polars.DataFrame
        ``shift``, ``pot``: those that were.

    Returns
    -------
    polars.DataFrame
        ``analytics.notices.NOTICE_SCHEMA``, in the order of :func:`notice_frames.notices`.
    """
    of_pots: dict[str, Any] = {
        "pot": pl.String, "cut": pl.Datetime("us"), "day": pl.String,
        "checks_from": pl.Datetime("us"),
    }  # fmt: skip
    pots = pl.DataFrame(
        [(pot, cuts[pot], refill_days[pot], checks_from[pot]) for pot in since.of_pots],
        schema=of_pots,
        orient="row",
    )
    con.register("pot_looked", pots.to_arrow())
    con.register("shift_looked", shifts.select("shift", "pot").to_arrow())
    try:
        return frames.read_frame(
            con,
            f"SELECT {', '.join(f'n.{name}' for name in NOTICE_SCHEMA)} FROM notice AS n "
            "LEFT JOIN pot_looked AS p ON p.pot = n.pot WHERE CASE "
            # Checks are due at pots that were never heard, too.
            "WHEN list_contains($rules, n.kind) "
            "THEN n.cleared_at IS NULL OR n.cleared_at > coalesce(p.checks_from, $others) "
            "WHEN p.pot IS NULL THEN true "
            "WHEN n.kind = 'box_silent' THEN n.cleared_at IS NULL OR n.cleared_at >= p.cut "
            "WHEN n.kind <> 'records_missing' THEN true "
            "WHEN starts_with(n.cause, $refills) THEN n.cause >= $refills || p.day "
            f"ELSE (n.cause, n.pot) IN (SELECT ({_CAUSE}, pot) FROM shift_looked) "
            f"OR (n.cause, n.pot) NOT IN (SELECT ({_CAUSE}, pot) FROM shift_summary) END "
            "ORDER BY n.raised_at, n.pot, n.cause, n.notice_id",
            rules=_RULES, others=since.others, refills=REFILLS,
        )  # fmt: skip
    finally:
        con.unregister("pot_looked")
        con.unregister("shift_looked")


def put(con: duckdb.DuckDBPyConnection, before: pl.DataFrame, after: pl.DataFrame) -> None:
    """Write the notices that are others than before; the rest stays where it is."""
    fresh = after.join(before, on=list(NOTICE_SCHEMA), how="anti", nulls_equal=True)
    gone = before.join(after, on="notice_id", how="anti").select("notice_id")
    ids = pl.concat([fresh.select("notice_id"), gone])
    if ids.is_empty():
        return
    con.register("notice_coming", ids.to_arrow())
    con.execute("DELETE FROM notice WHERE notice_id IN (SELECT notice_id FROM notice_coming)")
    con.unregister("notice_coming")
    insert(con, "notice", fresh)
