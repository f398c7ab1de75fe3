"""All reading, caching and writing for the page on signals."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import polars as pl
import streamlit as st

from analytics import box_frames, frames, heard
from analytics.box_signs import Sign, signs
from analytics.box_values import fault_totals
from analytics.pipeline import transducer_laws, utc_now
from analytics.quality import ZERO_SCHEMA, zero_checks
from dashboard import data, entered_data
from dashboard.access import session
from dashboard.commands.ingest import admission_of, pots_of_source
from ingest.clocks import Correction
from ingest.config import Yard
from ingest.errors import RecordRefused
from ingest.store import clock_rows, quarantine
from ingest.store.connection import write_window
from ingest.store.retry import Retried, retry_quarantine
from ingest.wire.shown import readable

#: What the signs and the table of boxes look at.
LATELY = dt.timedelta(hours=1)
#: Days in the table of days, and how far back faults and rests go.
DAYS, FAULT_DAYS, REST_DAYS = 7, 7, 56
#: Arrivals that the page looks at for clocks; ``gritbook clocks`` looks at all there are.
CLOCK_DAYS = 28

_NOW_TTL_S, _DAY_TTL_S, _FIGURE_TTL_S = 4, 600, 60


class Expected(NamedTuple):
    """What the yard file says of a pot's boxes together.

    Parameters
    ----------
    channels : tuple of str
        What they measure.
    rate_hz : float
        Samples a second of the fastest; 0: no box is named. [1/s]
    sends_ma : frozenset of str
        Channels whose transducer is said to send its loop current.
    """

    channels: tuple[str, ...]
    rate_hz: float
    sends_ma: frozenset[str]


def expected(described: Yard, pot: str) -> Expected:
    """What the yard file says of a pot's boxes."""
    boxes = described.boxes_of(pot)
    channels = tuple(dict.fromkeys(channel for box in boxes for channel in box.channels))
    sends_ma = {t.channel for t in described.transducers if t.pot == pot and t.unit == "mA"}
    return Expected(channels, max((b.rate_hz for b in boxes), default=0.0), frozenset(sends_ma))


@st.cache_data(ttl=30, max_entries=4, show_spinner=False)
def boxes(folder: str, yard_changed_ns: int) -> pl.DataFrame:
    """How well every pot's box is heard lately: ``analytics.heard.boxes_heard``."""
    described, now = data.yard(), utc_now()
    with data.window() as con:
        return heard.boxes_heard(con, described, described.pot_names, now - LATELY, None, now)


class Lately(NamedTuple):
    """What came of a pot's box lately.

    Parameters
    ----------
    right : list of Sign
        The answers to whether the box is right.
    newest : polars.DataFrame
        Each channel's newest value: ``analytics.box_values.NEWEST_SCHEMA``.
    """

    right: list[Sign]
    newest: pl.DataFrame


@st.cache_data(ttl=_NOW_TTL_S, max_entries=8, show_spinner=False)
def lately(folder: str, yard_changed_ns: int, pot: str) -> Lately:
    """What came of a pot's box lately, and whether that is right."""
    described, now = data.yard(), utc_now()
    told = expected(described, pot)
    with data.window() as con:
        hour = heard.lately_heard(con, described, pot, now - LATELY, now)
        newest = heard.newest_of(con, described, pot)
    answers = signs(
        hour, transducer_laws(described, pot), told.channels, told.rate_hz,
        described.gap_s(pot), told.sends_ma, now,
    )  # fmt: skip
    return Lately(answers, newest)


def days(version: data.Version, pot: str) -> list[tuple[dt.date, dict[str, Any]]]:
    """How a pot's box was heard on each of the last days at the site, the newest first."""
    described, now = data.yard(), utc_now()
    today = data.site_date(now, described)
    last = [today - dt.timedelta(days=back) for back in range(DAYS)]
    of = version.data, version.yard_changed_ns, pot
    # To the minute, so that what is read of today is kept for a while too.
    begin = data.site_day(today, described)[0]
    upto = max(begin, now.replace(second=0, microsecond=0))
    over = tuple(data.site_day(day, described) for day in last[1:])
    return list(zip(last, _stretches(*of, ((begin, upto),)) + _stretches(*of, over), strict=True))


@st.cache_data(ttl=_DAY_TTL_S, max_entries=60, show_spinner=False)
def _stretches(
    folder: str,
    yard_changed_ns: int,
    pot: str,
    spans: tuple[tuple[dt.datetime, dt.datetime], ...],
) -> list[dict[str, Any]]:
    with data.window() as con:
        return [heard.stretch_heard(con, data.yard(), pot, *span) for span in spans]


class Judged(NamedTuple):
    """What was found of a pot's signals when figures were derived.

    Parameters
    ----------
    not_counted : polars.DataFrame
        What did not count lately, by channel and cause: ``analytics.box_values.TOTALS_SCHEMA``.
    at_rest : polars.DataFrame
        What transducers read at rest in the last weeks: ``analytics.quality.ZERO_SCHEMA``.
    """

    not_counted: pl.DataFrame
    at_rest: pl.DataFrame


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=8, show_spinner=False)
def judged(version: data.Version, pot: str) -> Judged:
    """What was found of a pot's signals when figures were derived."""
    now = utc_now()
    with data.window() as con:
        pot_id = frames.pots(con).get(pot, -1)
        faults = frames.signal_faults(con, pot_id, now - dt.timedelta(days=FAULT_DAYS))
        rests = frames.zero_rests(con, pot_id, now - dt.timedelta(days=REST_DAYS))
    checks = zero_checks(rests) if rests.height else pl.DataFrame(schema=ZERO_SCHEMA)
    return Judged(fault_totals(faults), checks)


# --- quarantine ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Refused:
    """What waits in quarantine for one reason, and its newest message.

    Parameters
    ----------
    reason, detail : str
        Why, and what of it in the newest message.
    waiting, settled : int
        Messages that wait, and that were read since.
    first_at, last_at : datetime
        Arrivals, naive UTC.
    source, topic : str
        Where the newest one came from.
    form, text : str
        What its bytes are, and their text.
    size : int
        Of the newest one. [bytes]
    """

    reason: str
    detail: str
    waiting: int
    settled: int
    first_at: dt.datetime
    last_at: dt.datetime
    source: str = ""
    topic: str = ""
    form: str = ""
    text: str = ""
    size: int = 0


@st.cache_data(ttl=_NOW_TTL_S, max_entries=2, show_spinner=False)
def refused(folder: str) -> list[Refused]:
    """What is or was in quarantine, by reason, the most frequent first."""
    with data.window() as con:
        counts = quarantine.counts(con)
        examples = box_frames.refused_examples(con)
    newest_of = {row["reason"]: row for row in examples.iter_rows(named=True)}
    found = []
    for count in counts:
        row = newest_of.get(count.reason)
        base = Refused(
            count.reason, count.detail, count.waiting, count.retried, count.first_at, count.last_at
        )
        if row is not None:
            form, text = readable(bytes(row["payload"]), row["content_type"])
            base = Refused(
                count.reason, row["detail"], count.waiting, count.retried, count.first_at,
                count.last_at, row["source"], row["topic"], form, text, row["size"],
            )  # fmt: skip
        found.append(base)
    return found


def try_again() -> Retried:
    """Read what waits in quarantine again, as ``gritbook quarantine --retry`` does.

    Raises
    ------
    NotAllowed, NotSignedIn
        Whoever is at the page may not.
    StoreBusy, StoreError
        As :func:`ingest.store.connection.write_window`.
    """
    session.require("read refused messages again")
    described = data.yard()
    done = retry_quarantine(
        data.place().data, described.pot_names, pots_of_source(described), admission_of(described)
    )
    refused.clear()
    return done


# --- clocks ----------------------------------------------------------------------------------


class Clocks(NamedTuple):
    """What a pot's clock was off by, and what was taken of that.

    Parameters
    ----------
    found : list of Correction
        Not corrected for yet, of the last weeks.
    held : list of Taken
        Corrections taken, withdrawn ones too.
    """

    found: list[Correction]
    held: list[clock_rows.Taken]


@st.cache_data(ttl=_FIGURE_TTL_S, max_entries=8, show_spinner=False)
def clocks(folder: str, pot: str) -> Clocks:
    """Where a pot's clock was wrong in the last weeks, and its corrections."""
    with data.window() as con:
        held = clock_rows.listed(con, pot)
        return Clocks(
            heard.clock_found(con, pot, held, utc_now() - dt.timedelta(days=CLOCK_DAYS)), held
        )


def take(pot: str, corrections: Sequence[Correction], typed: str) -> list[int]:
    """Correct for what was found, as ``gritbook clocks --take`` does; gives the numbers.

    Raises
    ------
    RecordRefused
        Nobody is named, or one that holds is for some of the same arrivals.
    NotAllowed, NotSignedIn
        Whoever is at the page may not.
    """
    by = _named(session.writer("correct clocks", typed))
    with write_window(data.place().data, entered_data.ENTRY_WAIT_S) as con:
        numbers = clock_rows.put(con, pot, corrections, by, utc_now())
    clocks.clear()
    return numbers


def withdraw(correction_id: int, typed: str) -> None:
    """Let a correction hold no longer, as ``gritbook clocks --withdraw``; as :func:`take`."""
    by = _named(session.writer("correct clocks", typed))
    with write_window(data.place().data, entered_data.ENTRY_WAIT_S) as con:
        clock_rows.withdraw(con, correction_id, by, utc_now())
    clocks.clear()


def _named(by: str) -> str:
    if not by.strip():
        raise RecordRefused("Nobody is named as the one who does this.", "Fill in your name.")
    return by
