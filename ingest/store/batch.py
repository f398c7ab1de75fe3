"""A batch of messages: decoded, checked against the yard file, and put into the tables."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.readings import RawMessage, Reject
from ingest.store import quarantine
from ingest.store.insert import Heard, Series, Status, insert_heard
from ingest.store.quarantine import Refused
from ingest.store.redelivery import Republished
from ingest.wire import reasons
from ingest.wire.columns import ColumnDecoder

if TYPE_CHECKING:
    import duckdb

    from ingest.store.box_watch import BoxCount

#: 2024-01-01T00:00:00Z. A box whose clock was never set says 1970, 1980, 2000 or 2020. [us]
EARLIEST_US = 1_704_067_200_000_000

Numbers = npt.NDArray[np.int32]
Statuses = npt.NDArray[np.uint8]


class Admission(NamedTuple):
    """What a message must be for its readings to be taken, beside being readable.

    Parameters
    ----------
    own_topic : bool
        A message with a topic ``.../<pot>/readings`` must speak of that pot only: a broker lets a
        box publish to its own topic, and this holds it to its own pot.
    earliest_us : int
        A reading from before this is taken for one of a clock that was never set.
        [us since 1970 UTC]
    shared : bool
        Other ingests share the broker's messages. Then a reading must have a time of its own: what
        a box without a clock sends again may come to another ingest, which cannot know it.
    """

    own_topic: bool = True
    earliest_us: int = EARLIEST_US
    shared: bool = False


#: What holds where the yard file says nothing else.
USUAL = Admission()


class Batch(NamedTuple):
    """Messages decoded, on their way into the store.

    Parameters
    ----------
    messages, message_ids : list
        What was heard and where the journal has it.
    repeats : set of int
        Indices of messages that are repetitions as a whole.
    series, heard, message_of : list of Series, Heard, array
        The readings, and the message each came in.
    refused : list of Refused
        What could not be read.
    """

    messages: list[RawMessage]
    message_ids: list[int]
    repeats: set[int]
    series: list[Series]
    heard: Heard
    message_of: Numbers
    refused: list[Refused]


class Taken(NamedTuple):
    """What a batch brought.

    ``reasons_by_message`` has the reasons, by message_id, for which a part was refused;
    ``boxes`` what each pot's box brought (:class:`ingest.store.box_watch.BoxCount`).
    """

    messages: int
    readings: int
    repeated: int
    quarantined: int
    reasons_by_message: dict[int, set[str]]
    boxes: dict[str, BoxCount] | None = None


def decode_batch(
    messages: list[RawMessage],
    message_ids: list[int],
    pots: Collection[str] | None,
    repeats: set[int] | None = None,
    decoder: ColumnDecoder | None = None,
    pots_of_source: Mapping[str, Collection[str]] | None = None,
    admission: Admission = USUAL,
    republished: Republished | None = None,
) -> Batch:
    """Decode messages, and refuse what the yard file does not know.

    Parameters
    ----------
    messages, message_ids : list
        What was heard, and where the journal has it.
    pots : collection of str or None
        Pots of the yard file; ``None`` takes any.
    repeats : set of int, optional
        Indices of messages that are repetitions as a whole.
    decoder : ColumnDecoder, optional
        One kept from batch to batch is faster.
    pots_of_source : mapping, optional
        Pots that a source may speak of; a source that is not in it may speak of any.
    admission : Admission, optional
        What else a message must be.
    republished : Republished, optional
        Knows what a box without a clock sends again.

    Returns
    -------
    Batch
    """
    repeats = repeats or set()
    columns = (decoder or ColumnDecoder()).decode(messages)
    if republished is not None:
        repeats = repeats | republished.repetitions(columns, messages)
    series = [Series(s.pot, s.channel, s.unit, s.column, s.known) for s in columns.slots]
    rejects: dict[int, list[Reject]] = defaultdict(list)
    for number, reject in columns.rejects:
        rejects[number].append(reject)

    slot = np.concatenate([columns.slot, np.array([t.slot for t in columns.texts], np.int32)])
    at_us = np.concatenate([columns.at_us, np.array([t.at_us for t in columns.texts], np.int64)])
    value = np.concatenate([columns.value, np.zeros(len(columns.texts))])
    message_of = np.concatenate(
        [columns.message, np.array([t.message for t in columns.texts], np.int32)]
    )
    texts = {len(columns.slot) + n: text.text for n, text in enumerate(columns.texts)}
    ok = np.ones(len(slot), bool)
    if pots is not None:
        ok = np.array([s.pot in pots for s in series], bool)[slot]
        _refuse(rejects, reasons.POT_UNKNOWN, message_of[~ok], slot[~ok], series)
    for source, own in (pots_of_source or {}).items():
        from_source = np.array([m.source == source for m in messages], bool)[message_of]
        elsewhere = ok & from_source & ~np.array([s.pot in own for s in series], bool)[slot]
        _refuse(rejects, reasons.POT_ELSEWHERE, message_of[elsewhere], slot[elsewhere], series)
        ok &= ~elsewhere
    if admission.own_topic:
        foreign = ok & _of_other_topic(messages, message_of, slot, series)
        _refuse(rejects, reasons.POT_OF_OTHER_TOPIC, message_of[foreign], slot[foreign], series)
        ok &= ~foreign
    old = ok & (at_us < admission.earliest_us)
    _refuse(rejects, reasons.TIME_LONG_AGO, message_of[old], slot[old], series)
    ok &= ~old
    if admission.shared and columns.relative:
        timeless = ok & np.isin(message_of, sorted(columns.relative))
        _refuse(rejects, reasons.TIME_NOT_ITS_OWN, message_of[timeless], slot[timeless], series)
        ok &= ~timeless
    if not ok.all():
        new_index = np.cumsum(ok) - 1
        texts = {int(new_index[n]): text for n, text in texts.items() if ok[n]}
        slot, at_us, value, message_of = slot[ok], at_us[ok], value[ok], message_of[ok]
    arrived_us = np.array([m.arrived_us for m in messages], np.int64)
    ids = np.array(message_ids, np.int64)
    heard = Heard(
        slot.astype(np.int64), at_us, arrived_us[message_of], value, ids[message_of], texts
    )
    refused = [
        row
        for number, found in sorted(rejects.items())
        if number not in repeats
        for row in quarantine.refused(messages[number], message_ids[number], found)
    ]
    return Batch(messages, message_ids, repeats, series, heard, message_of, refused)


def store_batch(
    con: duckdb.DuckDBPyConnection,
    batch: Batch,
    quarantine_known: Callable[[int, str], bool] | None = None,
) -> Taken:
    """Put a batch into the tables; the caller owns the transaction.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
    batch : Batch
    quarantine_known : callable, optional
        Given in a retry: says of a message_id and a reason that quarantine has them already. Then
        the messages themselves are not counted again either.

    Returns
    -------
    Taken
    """
    retry = quarantine_known is not None
    status = np.full(len(batch.message_of), Status.REPEATED, np.uint8)
    once = ~np.isin(batch.message_of, list(batch.repeats))
    status[once] = insert_heard(con, batch.series, _only(batch.heard, once))
    refused = list(batch.refused)
    conflicts: dict[int, list[Reject]] = defaultdict(list)
    for index in np.flatnonzero(status == Status.CONFLICT).tolist():
        reject = Reject(reasons.VALUE_CONFLICT, _conflict(batch, index))
        conflicts[int(batch.message_of[index])].append(reject)
    for number, found in conflicts.items():
        refused += quarantine.refused(batch.messages[number], batch.message_ids[number], found)
    by_message: dict[int, set[str]] = defaultdict(set)
    for row in refused:
        by_message[row.message_id].add(row.reason)
    if quarantine_known is not None:
        refused = [r for r in refused if not quarantine_known(r.message_id, r.reason)]
    quarantine.put(con, refused)
    _count(con, batch, status, refused, retry)
    return Taken(
        len(batch.messages),
        int((status == Status.NEW).sum()),
        int((status == Status.REPEATED).sum()),
        len(refused),
        by_message,
    )


def _only(heard: Heard, ok: npt.NDArray[np.bool_]) -> Heard:
    if ok.all():
        return heard
    new_index = np.cumsum(ok) - 1
    texts = {int(new_index[n]): text for n, text in heard.texts.items() if ok[n]}
    return Heard(
        heard.series[ok],
        heard.at_us[ok],
        heard.arrived_us[ok],
        heard.value[ok],
        heard.message_id[ok],
        texts,
    )


def _of_other_topic(
    messages: Sequence[RawMessage], message_of: Numbers, slot: Numbers, series: Sequence[Series]
) -> npt.NDArray[np.bool_]:
    """Which readings are of another pot than their message's topic names."""
    numbers = {s.pot: number for number, s in enumerate(series)}
    by_topic: dict[str, int] = {"": -1}
    for topic in {m.topic for m in messages} - {""}:
        pot = _pot_of_topic(topic)
        # A topic of another form names no pot; a pot that no reading is of has a number of its own.
        by_topic[topic] = numbers.get(pot, len(series)) if pot else -1
    if len(by_topic) == 1 or not len(slot):
        return np.zeros(len(slot), bool)
    told = np.array([by_topic[m.topic] for m in messages], np.int64)[message_of]
    spoken = np.array([numbers[s.pot] for s in series], np.int64)[slot]
    foreign: npt.NDArray[np.bool_] = (told >= 0) & (told != spoken)
    return foreign


def _refuse(
    rejects: dict[int, list[Reject]],
    reason: str,
    message_of: Numbers,
    slot: Numbers,
    series: Sequence[Series],
) -> None:
    """Reject readings, told as a count a pot of each message."""
    found: dict[tuple[int, str], int] = defaultdict(int)
    for number, place in zip(message_of.tolist(), slot.tolist(), strict=True):
        found[number, series[place].pot] += 1
    for (number, pot), count in found.items():
        detail = f"{pot}: {count} reading{'s' if count > 1 else ''}"
        rejects[number].append(Reject(reason, detail))


def _conflict(batch: Batch, index: int) -> str:
    one = batch.series[batch.heard.series[index]]
    at_us = int(batch.heard.at_us[index])
    shown = batch.heard.texts.get(index, f"{batch.heard.value[index]:.9g} {one.unit}")
    moment = np.datetime_as_string(np.datetime64(at_us, "us"))
    return f"{one.pot}/{one.channel} {moment}Z {shown[:60]}"


def _count(
    con: duckdb.DuckDBPyConnection,
    batch: Batch,
    status: Statuses,
    refused: Sequence[Refused],
    retry: bool,
) -> None:
    """Add to ``source_count``. A message counts once, for the first pot it names."""
    tally: dict[tuple[str, str], _Tally] = defaultdict(_Tally)
    pots = [s.pot for s in batch.series]
    pot_names = sorted(set(pots))
    sources = sorted({m.source for m in batch.messages})
    if len(status):
        source_of = np.array([sources.index(m.source) for m in batch.messages], np.int64)
        pot_of = np.array([pot_names.index(pot) for pot in pots], np.int64)
        key = source_of[batch.message_of] * len(pot_names) + pot_of[batch.heard.series]
        for state in (Status.NEW, Status.REPEATED):
            for at, count in enumerate(np.bincount(key[status == state])):
                if count:
                    line = tally[sources[at // len(pot_names)], pot_names[at % len(pot_names)]]
                    line.readings[state] += int(count)
    pot_of_message = {}
    for number, index in zip(*np.unique(batch.message_of, return_index=True), strict=True):
        pot_of_message[int(number)] = pots[batch.heard.series[index]]
    pot_of_id = {}
    for number, message in enumerate(batch.messages):
        pot = pot_of_message.get(number) or _pot_of_topic(message.topic)
        pot_of_id[batch.message_ids[number]] = pot
        line = tally[message.source, pot]
        line.messages += 1
        line.last_us = max(line.last_us, message.arrived_us)
    for row in refused:
        line = tally[row.message.source, pot_of_id.get(row.message_id, "")]
        line.quarantined += 1
        line.last_us = max(line.last_us, row.message.arrived_us)
    lines = [
        (
            *key,
            0 if retry else line.messages,
            line.readings[Status.NEW],
            0 if retry else line.readings[Status.REPEATED],
            line.quarantined,
            line.last_us,
        )
        for key, line in tally.items()
    ]
    there = _add_to_counts(con, lines)
    fresh = [line for line in lines if line[:2] not in there]
    if fresh:
        con.execute(
            f"INSERT INTO source_count VALUES {', '.join([_COUNTS] * len(fresh))}",
            [value for line in fresh for value in line],
        )


_COUNTS = "(?, ?, ?::BIGINT, ?::BIGINT, ?::BIGINT, ?::BIGINT, make_timestamp(?))"
#: So many lines are added one by one; more are joined, which costs as much as three of them.
_FEW_LINES = 3


def _add_to_counts(
    con: duckdb.DuckDBPyConnection, lines: Sequence[tuple[str, str, int, int, int, int, int]]
) -> set[tuple[str, str]]:
    """Add to lines of ``source_count``; gives the source and pot of those that are there.

    INSERT ... ON CONFLICT does it in one, and costs several times as much; nearly always all are
    there.
    """
    if len(lines) <= _FEW_LINES:
        there = set()
        for source, pot, *counts in lines:
            ((changed,),) = con.execute(
                "UPDATE source_count SET messages = messages + ?, readings = readings + ?, "
                "repeated = repeated + ?, quarantined = quarantined + ?, "
                "last_arrived_at = greatest(last_arrived_at, make_timestamp(?)) "
                "WHERE source = ? AND pot = ?",
                [*counts, source, pot],
            ).fetchall()
            if changed:
                there.add((source, pot))
        return there
    return set(
        con.execute(
            "UPDATE source_count AS c SET messages = c.messages + a.messages, "
            "readings = c.readings + a.readings, repeated = c.repeated + a.repeated, "
            "quarantined = c.quarantined + a.quarantined, "
            "last_arrived_at = greatest(c.last_arrived_at, a.last_arrived_at) "
            f"FROM (VALUES {', '.join([_COUNTS] * len(lines))}) AS a "
            "(source, pot, messages, readings, repeated, quarantined, last_arrived_at) "
            "WHERE c.source = a.source AND c.pot = a.pot RETURNING c.source, c.pot",
            [value for line in lines for value in line],
        ).fetchall()
    )


class _Tally:
    def __init__(self) -> None:
        self.messages = 0
        self.readings = [0, 0]
        self.quarantined = 0
        self.last_us = 0


def _pot_of_topic(topic: str) -> str:
    levels = topic.split("/")
    return levels[-2] if len(levels) >= 3 and levels[-1] == "readings" else ""
