"""Notices: from spans in which something was wrong to what people are told, once a cause.

A span says that a kind of trouble lasted from one instant to another. Spans that last long enough
(on-delay) are joined while the cause was not gone for long enough (off-delay); all signs of one
cause at one pot are one notice, called by the worst sign seen so far. The deadband lies before:
whoever finds a span ends it at another level than it began at.

Nothing here reads a clock: how notices stand follows from the spans and from ``now``. The id of a
notice follows from pot, cause and begin, so that deriving anew finds the same notice again, and
what people said of it stays with it. Where late data have moved the begin, pot, cause and time
find it (:func:`lifecycle`).

States, with those of IEC 62682 in brackets (from memory): ``raised`` (unacknowledged),
``acknowledged``, ``put_off`` (shelved), ``cleared`` (returned to normal, not acknowledged),
``done`` (normal).
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Sequence
from typing import Any

import polars as pl

from ingest.notice_kinds import NOTICE_KINDS
from ingest.parts import part_at

#: What notices are made from: one row a span of one kind at one pot.
SPAN_SCHEMA: dict[str, Any] = {
    "pot": pl.String,
    "kind": pl.String,
    "cause": pl.String,  # part, channel or shift within the kind's group; mostly empty
    "from_at": pl.Datetime("us"),
    "to_at": pl.Datetime("us"),  # first instant known to be well; null: none yet
    "last_at": pl.Datetime("us"),  # last instant known to be wrong
    "worst": pl.Float64,  # Pa, s or h, by kind: only for comparing
    "said": pl.String,
}

#: The store's table ``notice``.
NOTICE_SCHEMA: dict[str, Any] = {
    "notice_id": pl.String,
    "pot": pl.String,
    "kind": pl.String,
    "cause": pl.String,
    "began_at": pl.Datetime("us"),
    "raised_at": pl.Datetime("us"),
    "kind_at": pl.Datetime("us"),
    "last_at": pl.Datetime("us"),
    "cleared_at": pl.Datetime("us"),
    "times": pl.Int32,
    "worst": pl.Float64,
    "said": pl.String,
    "also": pl.String,
}

#: How notices stand.
STANDING_SCHEMA: dict[str, Any] = {
    **NOTICE_SCHEMA,
    "state": pl.String,
    "by": pl.String,  # who acknowledged it or put it off last
    "by_at": pl.Datetime("us"),
    "until_at": pl.Datetime("us"),
    "why": pl.String,
    "words": pl.String,
    "step": pl.String,
    "told": pl.String,
    "hurts": pl.Boolean,
}

#: What people said of notices, as entered; :func:`analytics.frames.notice_entries`.
ENTRY_SCHEMA: dict[str, Any] = {
    "record_id": pl.String,
    "kind": pl.String,  # notice_seen, notice_put_off
    "recorded_at": pl.Datetime("us"),
    "by": pl.String,
    "pot": pl.String,
    "notice": pl.String,
    "notice_kind": pl.String,
    "cause": pl.String,
    "began_at": pl.Datetime("us"),
    "until_at": pl.Datetime("us"),
    "why": pl.String,
}

_ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"  # as the ids of records
_ID_LENGTH = 10

#: Open ones first, the gravest before; then what is over.
_STATE_ORDER = {"raised": 0, "acknowledged": 1, "put_off": 2, "cleared": 3, "done": 4}
_TOLD_ORDER = {"at once": 0, "by day": 1, "in the digest": 2}


def notice_id(pot: str, group: str, cause: str, began_at: dt.datetime) -> str:
    """The id of a notice: the same wherever and whenever it is derived.

    Examples
    --------
    >>> began_at = dt.datetime(2026, 1, 5, 8, 15, 3)
    >>> one = notice_id("pot-1", "supply", "", began_at)
    >>> one == notice_id("pot-1", "supply", "", began_at), len(one)
    (True, 10)
    """
    text = f"{pot}|{group}|{cause}|{began_at:%Y%m%dT%H%M%S}"
    number = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")
    return "".join(_ALPHABET[(number >> (5 * i)) & 31] for i in reversed(range(_ID_LENGTH)))


def notices(spans: pl.DataFrame, now: dt.datetime) -> pl.DataFrame:
    """The notices that spans give.

    Parameters
    ----------
    spans : polars.DataFrame
        ``SPAN_SCHEMA``, in any order.
    now : datetime
        Naive UTC. What was well for its off-delay by now is cleared.

    Returns
    -------
    polars.DataFrame
        ``NOTICE_SCHEMA``, by ``raised_at``, pot and cause. Every span that lasts for its on-delay
        lies in exactly one of them, and no two of one cause overlap.

    Examples
    --------
    >>> at = [dt.datetime(2026, 1, 5, 8) + dt.timedelta(minutes=m) for m in range(0, 300, 10)]
    >>> spans = pl.DataFrame([("pot-1", "over_plate", "", at[i], at[i + 1], at[i + 1], 1.1e6, "")
    ...     for i in (0, 2, 20)], schema=SPAN_SCHEMA, orient="row")
    >>> found = notices(spans, at[29])
    >>> found.select("times", pl.col("cleared_at").dt.to_string("%H:%M")).rows()
    [(2, '09:00'), (1, '12:00')]
    """
    rows: list[dict[str, Any]] = []
    groups: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for span in spans.sort("from_at", "kind", "last_at").iter_rows(named=True):
        kind = NOTICE_KINDS[span["kind"]]
        on = dt.timedelta(seconds=kind.on_s)
        # What lay between the last reading and a silence's end is not known, and does not count.
        if span["last_at"] - span["from_at"] < on or span["from_at"] + on > now:
            continue
        span["raised_at"] = span["from_at"] + on
        groups.setdefault((span["pot"], kind.group, span["cause"]), []).append(span)
    for (pot, group, cause), members in groups.items():
        episode: list[dict[str, Any]] = []
        clears_at: dt.datetime | None = None
        for span in members:
            if episode and clears_at is not None and span["from_at"] > clears_at:
                rows.append(_notice(pot, group, cause, episode, clears_at, now))
                episode, clears_at = [], None
            its = _clears_at(span)
            if not episode:
                clears_at = its
            else:
                clears_at = None if its is None or clears_at is None else max(its, clears_at)
            episode.append(span)
        rows.append(_notice(pot, group, cause, episode, clears_at, now))
    return pl.DataFrame(rows, schema=NOTICE_SCHEMA, orient="row").sort(
        "raised_at", "pot", "cause", "notice_id"
    )


def _clears_at(span: dict[str, Any]) -> dt.datetime | None:
    if span["to_at"] is None:
        return None
    gone_at: dt.datetime = span["to_at"] + dt.timedelta(seconds=NOTICE_KINDS[span["kind"]].off_s)
    return gone_at


def _notice(
    pot: str,
    group: str,
    cause: str,
    episode: list[dict[str, Any]],
    clears_at: dt.datetime | None,
    now: dt.datetime,
) -> dict[str, Any]:
    if len(episode) == 1:  # as most are, and of years there are ten thousands
        telling, leading, others = episode[0], episode, set[str]()
    else:
        # Of two alike in rank the later: more is known by then.
        worst = max(episode, key=lambda s: (NOTICE_KINDS[s["kind"]].rank, s["from_at"]))
        leading = [s for s in episode if s["kind"] == worst["kind"]]
        telling = max(
            leading, key=lambda s: (s["worst"] is not None, s["worst"] or 0.0, s["from_at"])
        )
        others = {s["kind"] for s in episode} - {worst["kind"]}
    began_at = min(s["from_at"] for s in episode)
    return {
        "notice_id": notice_id(pot, group, cause, began_at),
        "pot": pot,
        "kind": telling["kind"],
        "cause": cause,
        "began_at": began_at,
        "raised_at": min(s["raised_at"] for s in episode),
        "kind_at": min(s["raised_at"] for s in leading),
        "last_at": max(min(s["last_at"], now) for s in episode),
        "cleared_at": clears_at if clears_at is not None and clears_at <= now else None,
        "times": len(episode),
        "worst": telling["worst"],
        "said": telling["said"],
        "also": ",".join(sorted(others)),
    }


def lifecycle(notices: pl.DataFrame, entries: pl.DataFrame, now: dt.datetime) -> pl.DataFrame:
    """How notices stand, with what people said of them.

    An acknowledgement and a putting off hold for the kind that the notice was then: where it
    becomes worse it is raised anew. What was put off is raised anew when its time is up, unless
    it has cleared.

    Parameters
    ----------
    notices : polars.DataFrame
        ``NOTICE_SCHEMA``.
    entries : polars.DataFrame
        ``ENTRY_SCHEMA``; withdrawn ones left out.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``STANDING_SCHEMA``: what is open first, what can hurt people before the rest.
    """
    said: dict[str, list[dict[str, Any]]] = {}
    rows = notices.to_dicts()
    for entry in entries.sort("recorded_at", "record_id").iter_rows(named=True):
        found = _spoken_of(entry, rows)
        if found is not None:
            said.setdefault(found, []).append(entry)
    for row in rows:
        kind = NOTICE_KINDS[row["kind"]]
        holding = [
            entry
            for entry in said.get(row["notice_id"], [])
            if NOTICE_KINDS[entry["notice_kind"]].rank >= kind.rank
        ]
        last = holding[-1] if holding else None
        over = row["cleared_at"] is not None
        put_off = last is not None and last["kind"] == "notice_put_off"
        if over:
            # What can hurt people stays in sight until somebody has seen it.
            seen = last is not None or not kind.hurts
            state = "done" if seen else "cleared"
        elif last is None or (put_off and last["until_at"] <= now):
            state = "raised"
        else:
            state = "put_off" if put_off else "acknowledged"
        row |= {
            "state": state,
            "by": last["by"] if last else "",
            "by_at": last["recorded_at"] if last else None,
            "until_at": last["until_at"] if last and put_off else None,
            "why": (last["why"] or "") if last else "",
            "words": words_of(row["kind"], row["cause"]),
            "step": kind.step,
            "told": kind.told,
            "hurts": kind.hurts,
        }
    return pl.DataFrame(rows, schema=STANDING_SCHEMA, orient="row").sort(
        pl.col("state").replace_strict(_STATE_ORDER, return_dtype=pl.Int8),
        pl.col("told").replace_strict(_TOLD_ORDER, return_dtype=pl.Int8),
        -pl.col("kind_at").cast(pl.Int64),
        "notice_id",
    )


def _spoken_of(entry: dict[str, Any], rows: Sequence[dict[str, Any]]) -> str | None:
    """The id of the notice that an entry speaks of; late data may have given it another."""
    group = NOTICE_KINDS[entry["notice_kind"]].group
    overlapping = []
    for row in rows:
        if row["notice_id"] == entry["notice"]:
            return str(row["notice_id"])
        if (
            row["pot"] == entry["pot"]
            and row["cause"] == (entry["cause"] or "")
            and NOTICE_KINDS[row["kind"]].group == group
            and row["began_at"] <= entry["recorded_at"]
            and (row["cleared_at"] is None or row["cleared_at"] >= entry["began_at"])
        ):
            overlapping.append(row)
    if not overlapping:
        return None
    # Nearest by its begin; one that had two in one place is not acknowledged twice.
    nearest = min(overlapping, key=lambda r: abs(r["began_at"] - entry["began_at"]))
    return str(nearest["notice_id"])


def words_of(kind: str, cause: str) -> str:
    """A notice's title: its kind, and the part, channel or shift that it is about.

    Examples
    --------
    >>> words_of("transducer_fault", "pot"), words_of("rule_due", "pinch_hose/1/pinch_hose")
    ('Transducer or switch at fault: pot', 'Check due: pinch hose')
    """
    text = NOTICE_KINDS[kind].words
    about = cause
    if "/" in cause:  # part, position and rule
        part, position, rule = cause.split("/", 2)
        about = part_at(part, position)
        if rule != part:
            about += f" ({rule.replace('_', ' ')})"
    title = text[:1].upper() + text[1:]
    return f"{title}: {about}" if about else title


#: Events: what became of notices between two times of deriving them.
EVENT_SCHEMA: dict[str, Any] = {
    "notice_id": pl.String,
    "pot": pl.String,
    "kind": pl.String,
    "what": pl.String,  # raised, worse, cleared, withdrawn
    "happened_at": pl.Datetime("us"),
    "late": pl.Boolean,
    "said": pl.String,
}

#: What is found so long after it happened is told as found late.
LATE = dt.timedelta(minutes=30)


def events(before: pl.DataFrame, after: pl.DataFrame, now: dt.datetime) -> pl.DataFrame:
    """What became of notices from one time of deriving them to the next.

    Parameters
    ----------
    before, after : polars.DataFrame
        ``NOTICE_SCHEMA``.
    now : datetime
        Naive UTC.

    Returns
    -------
    polars.DataFrame
        ``EVENT_SCHEMA``. A notice whose begin late data have moved is the same notice where both
        overlap and one id took the other's place; nothing is told of that. One that is no longer
        there at all is ``withdrawn``: later data show that it was not so.
    """
    old = {row["notice_id"]: row for row in before.iter_rows(named=True)}
    new = {row["notice_id"]: row for row in after.iter_rows(named=True)}
    moved = _moved(old, new)
    rows: list[tuple[Any, ...]] = []

    def add(row: dict[str, Any], what: str, at: dt.datetime, said: str) -> None:
        rows.append((row["notice_id"], row["pot"], row["kind"], what, at, now - at > LATE, said))

    for key, row in new.items():
        was = old.get(key) or old.get(moved.get(key, ""))
        if was is None:
            add(row, "raised", row["kind_at"], row["said"])
        elif NOTICE_KINDS[row["kind"]].rank > NOTICE_KINDS[was["kind"]].rank:
            add(row, "worse", row["kind_at"], row["said"])
        if row["cleared_at"] is not None and (was is None or was["cleared_at"] is None):
            add(row, "cleared", row["cleared_at"], row["said"])
        if row["cleared_at"] is None and was is not None and was["cleared_at"] is not None:
            # Late data have shown that it had not ended.
            add(row, "raised", row["last_at"], row["said"])
    gone = set(old) - set(new) - set(moved.values())
    for key in sorted(gone):
        row = old[key]
        add(row, "withdrawn", row["raised_at"], "Later data show that this was not so.")
    return pl.DataFrame(rows, schema=EVENT_SCHEMA, orient="row")


def _moved(old: dict[str, dict[str, Any]], new: dict[str, dict[str, Any]]) -> dict[str, str]:
    """New id -> old id of notices that only changed their begin."""
    moved: dict[str, str] = {}
    fresh = [row for key, row in new.items() if key not in old]
    if not fresh:
        return moved
    lost = [row for key, row in old.items() if key not in new]
    for row in fresh:
        for other in lost:
            if (
                other["notice_id"] not in moved.values()
                and other["pot"] == row["pot"]
                and other["cause"] == row["cause"]
                and NOTICE_KINDS[other["kind"]].group == NOTICE_KINDS[row["kind"]].group
                and (other["cleared_at"] is None or other["cleared_at"] >= row["began_at"])
                and (row["cleared_at"] is None or row["cleared_at"] >= other["began_at"])
            ):
                moved[row["notice_id"]] = other["notice_id"]
                break
    return moved
