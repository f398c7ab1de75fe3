"""What the signals page shows of boxes: how they are heard, their signs, values and days."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

import polars as pl
import streamlit as st

from analytics.box_signs import CAUSE, Sign
from analytics.pipeline import utc_now
from analytics.signals import CHANNELS
from dashboard import data, entry, key_words, look, signals_data, spoken, time_words, words
from dashboard import signals_words as told
from dashboard.access import session
from dashboard.views import signals_transducers
from ingest.config import Yard
from ingest.store.quarantine import FINAL

# --- boxes -----------------------------------------------------------------------------------


def boxes(described: Yard, frame: pl.DataFrame) -> None:
    """A table of the boxes: when each was heard last, how fast, and what it lost."""
    now = utc_now()
    rows = []
    for row in frame.iter_rows(named=True):
        last = row["last_heard_at"]
        rate = signals_data.expected(described, row["pot"]).rate_hz
        rows.append(
            (
                data.pot_title(described, row["pot"]),
                "never" if last is None else time_words.ago((now - last).total_seconds()),
                _rate(row["rate_hz"], rate), _count(row["lost"], "no counter"),
                _late(row), _count(row["restarts"]), _silent(row),
                _count(row["repeated"]), words.sentence(row["says"]),
            )
        )  # fmt: skip
    look.put(
        look.heading("Boxes"),
        '<div class="gb-widetable">',
        look.table(
            (
                "Pot", "Last heard", "Samples a second", "Lost", "Late", "Restarts", "Silent",
                "Repeated", "Remark",
            ),
            rows,
            "The last hour; repeated: since the beginning",
        ),
        '<p class="gb-under">Lost by the message counter: where a box sends none, only silence '
        "shows. What came twice is stored once.</p></div>",
    )  # fmt: skip


def _rate(found: float | None, expected: float) -> str:
    if found is None:
        return f"{words.NONE} of {expected:g}" if expected else words.NONE
    return f"{found:.3g} of {expected:g}" if expected else f"{found:.3g}"


def _count(number: int | None, none: str = words.NONE) -> str:
    return none if number is None else words.plain_number(number)


def _late(row: dict[str, Any]) -> str:
    if not row["late"]:
        return words.plain_number(0)
    return f"{words.plain_number(row['late'])}, by up to {time_words.duration(row['latest_s'])}"


def _silent(row: dict[str, Any]) -> str:
    if not row["silences"]:
        return words.plain_number(0) if row["instants"] else words.NONE
    times = words.counted(row["silences"], "time", "times")
    return f"{times}, {time_words.duration(row['silent_s'])}"


# --- is it right -----------------------------------------------------------------------------


def lately(described: Yard, folder: str, changed: int, pot: str) -> None:
    """Whether the box of a pot is right, and its last values; drawn anew by itself."""
    look.put(
        look.heading(
            "Is this box right?",
            "Answered anew every few seconds from what came in the last hour, as are the last "
            "values below. What nothing has shown yet is said to be so: it is no fault.",
            "right",
        )
    )

    @st.fragment(run_every=10)
    def live() -> None:
        with look.sentences():
            found = data.kept(signals_data.lately, folder, changed, pot)
            if found.is_old:
                look.put(look.as_of(found.read_at, described.site.zone))
            look.put(_signs(found.value.right))
            _values(described, found.value.newest, pot)

    live()


def _signs(found: Sequence[Sign]) -> str:
    wrong = sum(one.state == "wrong" for one in found)
    waits = sum(one.state == "open" for one in found)
    if wrong:
        kind, said = "alarm", words.counted(wrong, "thing to look at", "things to look at")
    elif waits:
        kind, said = "plain", "Nothing wrong was seen"
    else:
        kind, said = "plain", "Every sign is right"
    rest = f", {words.counted(waits, 'not seen yet', 'not seen yet')}" if waits else ""
    count = f"of {words.counted(len(found), 'sign', 'signs')}"
    verdict = look.note(
        f"{said}{rest}, {count}.",
        "That a box is right says nothing of the pot, nor that the dead-man works.",
        kind,
    )
    pieces = []
    main = dict.fromkeys(one.channel for one in found if one.channel in ("", "deadman", *CHANNELS))
    for channel in main:
        called = key_words.CHANNEL_WORDS.get(channel, channel) if channel else "The box"
        items = "".join(
            _sign(one, told.SIGN_WORDS[one.about]) for one in found if one.channel == channel
        )
        pieces.append(_section(words.sentence(called), items))
    slow = [one for one in found if one.channel not in main]
    if slow:
        items = "".join(
            _sign(one, words.sentence(key_words.CHANNEL_WORDS.get(one.channel, one.channel)))
            for one in slow
        )
        pieces.append(_section("Slow channels", items))
    return f'{verdict}<div class="gb-allsigns">{"".join(pieces)}</div>'


def _section(called: str, items: str) -> str:
    return f'<section class="gb-signs"><h3>{look.shown(called)}</h3><ul>{items}</ul></section>'


def _sign(one: Sign, called: str) -> str:
    state, kind = told.STATE_WORDS[one.state]
    step = one.next_step
    if step.startswith(CAUSE):
        cause = step.removeprefix(CAUSE)
        step = f"Most: {told.CAUSE_WORDS[cause]}. {told.CAUSE_STEPS[cause]}"
    more = f'<span class="gb-step-next">{look.spoken(step)}</span>' if step else ""
    return (
        f'<li class="gb-sign gb-sign-{one.state}">{look.badge(state, kind)}'
        f"<div><b>{look.shown(called)}</b> "
        f"<span>{look.shown(spoken.page_units(one.found))}</span>{more}</div></li>"
    )


# --- last values -----------------------------------------------------------------------------


def _values(described: Yard, found: pl.DataFrame, pot: str) -> None:
    zone = described.site.zone
    expected = signals_data.expected(described, pot).channels
    rows = []
    for row in found.iter_rows(named=True):
        called = key_words.CHANNEL_WORDS.get(row["channel"], row["channel"])
        if row["channel"] == "seq":
            called = "message counter"
        quality = "counts" if row["pressure_pa"] is not None else words.NONE
        if row["cause"]:
            times = words.plain_number(row["bad"])
            quality = f"{times} in its last minute: {told.CAUSE_WORDS[row['cause']]}"
        rows.append(
            (
                words.sentence(called), _raw(row),
                words.NONE
                if row["pressure_pa"] is None
                else signals_transducers.small(row["pressure_pa"], 1),
                quality, time_words.clock(row["sampled_at"], zone, with_seconds=True),
            )
        )  # fmt: skip
    silent = [c for c in expected if c not in set(found["channel"])]
    rows += [
        (words.sentence(key_words.CHANNEL_WORDS.get(c, c)), words.NONE, words.NONE,
         "nothing came lately", words.NONE)
        for c in silent
    ]  # fmt: skip
    look.put(
        look.heading(
            "Last values",
            "As each channel came, and what that is by its range and calibration. Not a gauge to "
            "work by.",
            "values",
        )
    )
    if not rows:
        look.put(look.note("No value has come yet.", "Switch the box on, and look again."))
        return
    look.put(
        look.table(
            ("Channel", "As it came", "As a pressure", "Does it count", "Taken at"),
            rows,
            f"Newest of the last {signals_data.heard.NEWEST_WITHIN.seconds // 60} minutes that "
            "were heard. Times are the site's.",
        )
    )


def _raw(row: dict[str, Any]) -> str:
    if row["text"]:
        return str(row["text"])
    if row["raw"] is None:
        return words.NONE
    if row["channel"] == "deadman":
        return "open" if row["raw"] else "shut"
    if row["unit"] == "mA":
        return f"{row['raw']:.3f}{words.NBSP}mA"
    unit = "" if row["unit"] in ("/", "count") else f"{words.NBSP}{row['unit']}"
    value = row["raw"]
    return f"{words.plain_number(round(value, 0 if abs(value) >= 1000 else 2))}{unit}"


# --- days ------------------------------------------------------------------------------------


def days(described: Yard, version: data.Version, pot: str) -> None:
    """How a pot was heard, day by day."""
    rate = signals_data.expected(described, pot).rate_hz
    found = data.kept(signals_data.days, version, pot).value
    rows = [
        (
            time_words.day(day), words.plain_number(heard["instants"]),
            _rate(heard["rate_hz"], rate),
            _count(heard["lost"], "no counter" if heard["instants"] else words.NONE),
            _late(heard) if heard["instants"] else words.NONE,
            _count(heard["restarts"]) if heard["instants"] else words.NONE, _silent(heard),
        )
        for day, heard in found
    ]  # fmt: skip
    look.put(
        look.heading(
            "Day by day",
            "Silent between the day's first sample and its last. What came by card is left out.",
            "days",
        ),
        '<div class="gb-widetable">',
        look.table(
            ("Day", "Samples", "A second", "Lost", "Late", "Restarts", "Silent"),
            rows,
            "Days of the site, today so far first",
        ),
        "</div>",
    )


# --- what did not count ----------------------------------------------------------------------


def not_counted(described: Yard, version: data.Version, pot: str) -> None:
    """Readings that may not count, and why."""
    found = data.kept(signals_data.judged, version, pot).value.not_counted
    look.put(
        look.heading(
            "Readings that did not count",
            f"Of the last {signals_data.FAULT_DAYS} days, by reason. They are kept as they came.",
            "counted",
        )
    )
    if found.is_empty():
        look.put(
            look.note(
                "Every reading that was judged counted.",
                "Readings are judged when figures are derived, every few seconds while the pages "
                "run.",
            )
        )
        return
    rows = [
        (
            words.sentence(key_words.CHANNEL_WORDS.get(row["channel"], row["channel"])),
            words.sentence(told.CAUSE_WORDS[row["cause"]]),
            words.plain_number(row["readings"]), words.plain_number(row["minutes"]),
            time_words.day_and_time(row["last_at"], described.site.zone),
        )
        for row in found.iter_rows(named=True)
    ]  # fmt: skip
    look.put(
        '<div class="gb-widetable">',
        look.table(
            ("Channel", "Why", "Readings", "In minutes", "Last"),
            rows,
            "One that is bad for two reasons stands under both",
        ),
        "</div>",
        _list(
            (words.sentence(told.CAUSE_WORDS[cause]), told.CAUSE_STEPS[cause])
            for cause in found["cause"].unique(maintain_order=True)
        ),
    )


def _list(said: Iterable[tuple[str, str]]) -> str:
    items = "".join(
        f"<li><b>{look.shown(what)}.</b> {look.shown(step)}</li>" for what, step in said
    )
    return f'<ul class="gb-sure">{items}</ul>'


# --- quarantine ------------------------------------------------------------------------------


def quarantine(described: Yard, folder: str) -> None:
    """What could not be read, by reason, and what to do."""
    zone = described.site.zone
    look.put(
        look.heading(
            "Quarantine",
            "Messages of all boxes that could not be read, with their bytes. Nothing of them is "
            "lost: what is mended can be read again.",
            "quarantine",
        )
    )
    if message := st.session_state.pop("signals-again-said", ""):
        look.put(look.note(message))
    found = data.kept(signals_data.refused, folder).value
    waiting = [one for one in found if one.waiting]
    settled = sum(one.settled for one in found)
    if not waiting:
        rest = f"{words.plain_number(settled)} that were have been read since." if settled else ""
        look.put(look.note("Nothing waits in quarantine.", rest))
        return
    for one in waiting:
        with st.container(key=f"refused-{waiting.index(one)}"):
            when = time_words.day_and_time(one.last_at, zone)
            if one.last_at - one.first_at > dt.timedelta(minutes=1):
                when = time_words.stretch(one.first_at, one.last_at, zone)
            number = words.counted(one.waiting, "message", "messages")
            look.put(
                f'<div class="gb-entry"><b>{look.shown(words.sentence(one.reason))}</b>'
                f"<span>{look.shown(number)}, {look.shown(when)}. "
                f"{look.shown(one.detail)}</span></div>"
                f'<p class="gb-under"><b>What to do.</b> '
                f"{look.shown(told.REASON_STEPS.get(one.reason, 'Look at the example.'))}</p>"
            )
            came = f"{one.source}{', ' + one.topic if one.topic else ''}"
            with st.expander(f"The newest one: {one.form}, {words.plain_number(one.size)} bytes"):
                look.put(f'<p class="gb-under">From {look.shown(came)}.</p>')
                st.code(one.text, language="json" if one.form in ("JSON", "CBOR") else None,
                        wrap_lines=True)  # fmt: skip
    if all(one.reason in FINAL for one in waiting):
        look.put(look.note("None of these can be read again: they are kept to be looked at."))
        return
    if session.may("read refused messages again"):
        if st.button("Read them again", key="signals-again"):
            done: list[signals_data.Retried] = []

            def write() -> str:
                done.append(signals_data.try_again())
                return "read"

            if entry.attempt(write):
                [result] = done
                st.session_state["signals-again-said"] = (
                    f"{words.counted(result.messages, 'message', 'messages')} read again: "
                    f"{words.counted(result.readings, 'reading', 'readings')} stored, "
                    f"{words.counted(result.settled, 'entry', 'entries')} settled."
                )
                st.rerun()
        look.put(
            '<p class="gb-under">With the yard file as it is now. What was read the first time is '
            "not doubled.</p>"
        )
