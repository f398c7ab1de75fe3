"""When the limits of checks passed: due soon, due, overdue, until somebody signed off.

``upkeep`` says how far along each check is now. A notice needs the instant at which a limit
passed, also for what was signed off since; it is the end of the first cycle (or silence) by which
the high figure had passed it, or the day.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt
import polars as pl

from analytics.hours import DAY_US
from analytics.notices import SPAN_SCHEMA
from analytics.upkeep import UpkeepRule
from ingest.parts import RESULTS, position_of

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_RESETTING = [result for result, (begins_anew, _) in RESULTS.items() if begins_anew]

#: Kinds with the share of the limit at which they begin; due soon begins at the rule's own.
_STAGES = (("rule_soon", None), ("rule_due", 1.0), ("rule_overdue", 1.1))


class Curve(NamedTuple):
    """How a pot's use grows.

    Parameters
    ----------
    edges_us : ndarray of int64, shape (n,)
        Instants at which it may have grown, ascending: ends of cycles and of silences. [us]
    used : callable
        ``from_us, to_us`` (ndarray of int64 each) to blast hours [h] and pinch cycles within, the
        high figure of each.
    """

    edges_us: Ints
    used: Callable[[Ints, Ints], tuple[Floats, Floats]]

    def first_over(
        self, from_us: Ints, end_us: Ints, hours: Floats, cycles: Floats
    ) -> list[int | None]:
        """As :class:`Crossings` has it, by halving."""
        edges = self.edges_us if self.edges_us.size else np.zeros(1, np.int64)
        over = _over(self.used, from_us, end_us, hours, cycles)
        low = np.searchsorted(edges, from_us, side="right")
        high = np.searchsorted(edges, end_us, side="right")
        # One place past the last edge stands for the end of the count itself.
        reached = over(end_us)
        first, last = low.copy(), high.copy()
        while np.any(first < last):
            middle = (first + last) // 2
            at = np.where(middle < edges.size, edges[np.minimum(middle, edges.size - 1)], end_us)
            hit = over(at)
            last = np.where((first < last) & hit, middle, last)
            first = np.where((first < last) & ~hit, middle + 1, first)
        found: list[int | None] = []
        for i, index in enumerate(first):
            if not reached[i]:
                found.append(None)
            else:
                found.append(int(edges[index]) if index < high[i] else int(end_us[i]))
        return found


def _over(
    used: Callable[[Ints, Ints], tuple[Floats, Floats]],
    from_us: Ints,
    end_us: Ints,
    hours: Floats,
    cycles: Floats,
) -> Callable[[Ints], npt.NDArray[np.bool_]]:
    """Whether each limit has passed by an instant."""

    def over(to_us: Ints) -> npt.NDArray[np.bool_]:
        used_h, used_cycles = used(from_us, np.maximum(np.minimum(to_us, end_us), from_us))
        return (used_h >= hours) | (used_cycles >= cycles)

    return over


class Crossings(Protocol):
    """Says when limits pass."""

    def first_over(
        self, from_us: Ints, end_us: Ints, hours: Floats, cycles: Floats
    ) -> list[int | None]:
        """The first end of a cycle or silence at which each limit has passed.

        Parameters
        ----------
        from_us, end_us : ndarray of int64, shape (n,)
            Each count's begin and end. [us since 1970 UTC]
        hours, cycles : ndarray of float64, shape (n,)
            What is left to its limits at its begin; the first to pass counts. [h], [-]

        Returns
        -------
        list of int or None
            The count's end where it has passed without such an end; ``None``: it has not. [us]
        """
        ...


@dataclass(frozen=True)
class DayCurve:
    """The same from sums of days, for counts of years of which few pass a limit now.

    Parameters
    ----------
    used_within : callable
        Begins of UTC days [us] to a function as ``Curve.used``, whose instants are midnights or lie
        within those days.
    edges_within : callable
        ``from_us, to_us`` to the edges, as ``Curve.edges_us``, after the one up to the other.
    edge_after : callable
        ``at_us`` to the first edge after it; ``None``: there is none.
    """

    used_within: Callable[[set[int]], Callable[[Ints, Ints], tuple[Floats, Floats]]]
    edges_within: Callable[[int, int], Ints]
    edge_after: Callable[[int], int | None]

    def first_over(
        self, from_us: Ints, end_us: Ints, hours: Floats, cycles: Floats
    ) -> list[int | None]:
        """As :class:`Crossings` has it: first the day is found, then the edge in it."""
        if not from_us.size:
            return []
        ends = set((np.concatenate((from_us, end_us)) // DAY_US * DAY_US).tolist())
        over = _over(self.used_within(ends), from_us, end_us, hours, cycles)
        reached = over(end_us)
        # The midnights after the begin, up to the end; one past them stands for the end.
        first, last = from_us // DAY_US + 1, end_us // DAY_US + 1
        while np.any(first < last):
            middle = (first + last) // 2
            hit = over(middle * DAY_US)
            last = np.where((first < last) & hit, middle, last)
            first = np.where((first < last) & ~hit, middle + 1, first)
        begin = np.maximum(from_us, (first - 1) * DAY_US)
        end = np.minimum(end_us, first * DAY_US)
        which = np.flatnonzero(reached)
        days = ends | set((begin[which] // DAY_US * DAY_US).tolist())
        used = self.used_within(days) if which.size else None
        found: list[int | None] = [None] * from_us.size
        for i in which.tolist():
            assert used is not None
            edges = self.edges_within(int(begin[i]), int(end[i]))
            mine = np.full(edges.size, i)
            hit = _over(used, from_us[mine], end_us[mine], hours[mine], cycles[mine])(edges)
            if hit.any():
                found[i] = int(edges[int(np.argmax(hit))])
                continue
            # A cycle over midnight ends on the day after the one in which the limit passed.
            after = self.edge_after(int(end[i]))
            found[i] = int(end_us[i]) if after is None or after > end_us[i] else after
        return found


@dataclass(frozen=True)
class Remembered:
    """Crossings of which some are known.

    Parameters
    ----------
    others : Crossings
        Asked for the others.
    known : dict
        ``from_us, hours, cycles`` to when the limit had passed. [us since 1970 UTC]
    found : dict
        Filled with those that had passed of all that were asked for.
    """

    others: Crossings
    known: Mapping[tuple[int, float, float], int]
    found: dict[tuple[int, float, float], int]

    def first_over(
        self, from_us: Ints, end_us: Ints, hours: Floats, cycles: Floats
    ) -> list[int | None]:
        """As :class:`Crossings` has it."""
        keys = list(zip(from_us.tolist(), hours.tolist(), cycles.tolist(), strict=True))
        fresh = np.array([n for n, key in enumerate(keys) if key not in self.known], dtype=np.int64)
        said = [self.known.get(key) for key in keys]
        for n, at_us in zip(
            fresh.tolist(),
            self.others.first_over(from_us[fresh], end_us[fresh], hours[fresh], cycles[fresh]),
            strict=True,
        ):
            said[n] = at_us
        self.found.update({key: at for key, at in zip(keys, said, strict=True) if at is not None})
        return said


class Count(NamedTuple):
    """A count of one rule at one place: from when it runs there, up to what ended it.

    A part that moved brings along what it did elsewhere since the count began: ``since_at``,
    ``before_h`` high blast hours [h] and ``before_cycles`` pinch cycles, high.
    """

    pot: str
    part: str
    position: str
    rule: UpkeepRule
    from_at: dt.datetime
    to_at: dt.datetime | None
    since_at: dt.datetime
    before_h: float = 0.0
    before_cycles: float = 0.0


def counts(stays: pl.DataFrame, checks: pl.DataFrame, rules: Sequence[UpkeepRule]) -> list[Count]:
    """Every count of every rule, those that ended too.

    Parameters
    ----------
    stays : polars.DataFrame
        ``part``, ``pot``, ``position``, ``from_at``, ``to_at`` (null: still on), and where parts
        can have moved ``part_id``, ``basis``, ``blast_high_us``, ``cycles_high``.
    checks : polars.DataFrame
        ``part``, ``pot``, ``position``, ``checked_at``, ``result``, ``rule``, and ``part_id``,
        ``blast_high_us``, ``cycles_high`` (all that the part had done by then) beside those.
    rules : sequence of UpkeepRule
        The checks in force.

    Returns
    -------
    list of Count
        Of each place and rule they follow one another without a hole, but where nobody entered
        what is on: that counts in a kind's usual place only, or once somebody checked it.
    """
    good: dict[Any, list[dict[str, Any]]] = {}
    for check in checks.filter(pl.col("result").is_in(_RESETTING)).sort("checked_at").to_dicts():
        good.setdefault(_individual(check), []).append(check)
    named: dict[str, list[UpkeepRule]] = {}
    for rule in sorted(rules, key=lambda rule: rule.closeness):
        named.setdefault(rule.called, []).append(rule)
    found = []
    lives: dict[Any, tuple[dt.datetime, float, float]] = {}
    for stay in stays.sort("from_at").iter_rows(named=True):
        key = _individual(stay)
        first_at, life_h, life_cycles = lives.get(key, (stay["from_at"], 0.0, 0.0))
        hours, cycles = _done(stay)
        lives[key] = (first_at, life_h + hours, life_cycles + cycles)
        mine = good.get(key, [])
        is_usual = stay["position"] == position_of(stay["part"])
        if stay.get("basis") == "unknown" and not is_usual and not mine:
            continue
        for name, of_name in named.items():
            holding = [r for r in of_name if r.holds(stay["pot"], stay["position"])]
            if of_name[0].part != stay["part"] or not holding:
                continue
            rule = holding[-1]
            resets = [c for c in mine if rule.task != "replace" and c["rule"] in ("", name)]
            earlier = [c for c in resets if c["checked_at"] <= stay["from_at"]]
            since_at, before = first_at, (life_h, life_cycles)
            if earlier:
                then_h, then_cycles = _done(earlier[-1])
                since_at = earlier[-1]["checked_at"]
                before = (max(life_h - then_h, 0.0), max(life_cycles - then_cycles, 0.0))
            within = [
                c["checked_at"]
                for c in resets
                if c["checked_at"] > stay["from_at"]
                and (stay["to_at"] is None or c["checked_at"] < stay["to_at"])
            ]
            place = (stay["pot"], stay["part"], stay["position"])
            edges = [stay["from_at"], *within, stay["to_at"]]
            for number, (begin, end) in enumerate(itertools.pairwise(edges)):
                if number:
                    found.append(Count(*place, rule, begin, end, begin))
                else:
                    found.append(Count(*place, rule, begin, end, since_at, *before))
    return found


def _individual(row: dict[str, Any]) -> Any:
    return row.get("part_id") or (row["pot"], row["part"], row["position"])


def _done(row: dict[str, Any]) -> tuple[float, float]:
    """High blast hours [h] and pinch cycles of a stay or by a check, where they are told."""
    return row.get("blast_high_us", 0) / 3.6e9, float(row.get("cycles_high", 0))


def rule_spans(
    counted: Sequence[Count], curves: Mapping[str, Crossings], now: dt.datetime
) -> pl.DataFrame:
    """Spans in which a check was due soon, due or overdue.

    Parameters
    ----------
    counted : sequence of Count
        From :func:`counts`.
    curves : mapping of str to Crossings
        By pot; of a pot that is not in it only days count.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``analytics.notices.SPAN_SCHEMA``; the cause is part, position and rule. Limits by
        condition are not here: what the indicators say is noticed by itself.
    """
    passed: dict[tuple[int, str], list[tuple[dt.datetime, str]]] = {}
    by_pot: dict[str, list[tuple[int, str, float, float, str]]] = {}
    for number, count in enumerate(counted):
        rule = count.rule
        end = count.to_at or now
        for kind, given in _STAGES:
            share = given if given is not None else 1.0 - rule.due_soon
            if rule.every_days is not None:
                at = count.since_at + dt.timedelta(days=share * rule.every_days)
                at = max(at, count.from_at)
                if at <= end:
                    said = "day" if rule.every_days == 1 else f"{rule.every_days:g} days"
                    passed.setdefault((number, kind), []).append((at, said))
            limits = (rule.every_blast_h, rule.every_cycles)
            if any(limit is not None for limit in limits) and count.pot in curves:
                hours, cycles = (np.inf if limit is None else share * limit for limit in limits)
                hours, cycles = hours - count.before_h, cycles - count.before_cycles
                by = f"{rule.every_blast_h:g} blast hours" if rule.every_blast_h else ""
                said = by or f"{rule.every_cycles} pinch cycles"
                by_pot.setdefault(count.pot, []).append((number, kind, hours, cycles, said))
    for pot, tasks in by_pot.items():
        crossed = curves[pot].first_over(
            np.array([_us(counted[n].from_at) for n, *_ in tasks], dtype=np.int64),
            np.array([_us(counted[n].to_at or now) for n, *_ in tasks], dtype=np.int64),
            np.array([task[2] for task in tasks], dtype=np.float64),
            np.array([task[3] for task in tasks], dtype=np.float64),
        )
        for (number, kind, _, _, said), at_us in zip(tasks, crossed, strict=True):
            if at_us is not None:
                at = _EPOCH + dt.timedelta(microseconds=at_us)
                passed.setdefault((number, kind), []).append((at, said))
    rows: list[tuple[Any, ...]] = []
    for (number, kind), ats in passed.items():
        count = counted[number]
        at, limit = min(ats)
        to_at = count.to_at
        if at > now or (to_at is not None and at >= to_at):
            continue
        cause = "/".join((count.part, count.position, count.rule.called))
        what = count.rule.what[:1].upper() + count.rule.what[1:]
        rows.append(
            (count.pot, kind, cause, at, to_at, to_at or at, None,
             f"{what}: every {limit}; counted since {count.since_at:%Y-%m-%d}.")
        )  # fmt: skip
    return pl.DataFrame(rows, schema=SPAN_SCHEMA, orient="row")


_EPOCH = dt.datetime(1970, 1, 1)  # noqa: DTZ001 - naive UTC


def _us(instant: dt.datetime) -> int:
    return (instant - _EPOCH) // dt.timedelta(microseconds=1)
