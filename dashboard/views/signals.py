"""Signals: how the boxes are heard, and whether what they measure may count."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from analytics.box_signs import CAUSE, ZERO_RIGHT, Sign, true_pa
from analytics.pipeline import transducer_laws, utc_now
from analytics.quality import USUAL_SPAN_PA
from analytics.signals import CHANNELS, TransducerLaw
from dashboard import (
    charts_signals,
    data,
    downloads,
    entry,
    look,
    navigation,
    redraw,
    signals_data,
    units,
    words,
)
from dashboard import signals_words as told
from dashboard.access import session
from ingest.config import Yard
from ingest.store.quarantine import FINAL
from ingest.yard_pots import Transducer

#: Rows of gaps and rests that the page shows; the download has them all.
ROWS_SHOWN = 40
#: Where a calibration's effect is told. [Pa]
AT_PA = (0.0, 700_000.0)

SECTIONS = (
    ("right", "Is it right?"),
    ("values", "Last values"),
    ("days", "Day by day"),
    ("counted", "What did not count"),
    ("zero", "Zero at rest"),
    ("gaps", "Gaps of a day"),
    ("clocks", "Clocks"),
    ("calibration", "Calibration"),
    ("quarantine", "Quarantine"),
)


def page() -> None:
    """Signals."""
    look.put(
        look.title(
            "Signals",
            "How the sensor boxes are heard, and whether what they measure may count. For whoever "
            "sets a box up or looks after it.",
        ),
        look.caution(),
    )
    described = data.yard()
    if not described.boxes:
        look.put(
            look.note(
                "The yard file names no sensor box.",
                "Add a [[box]] for each pot to it, with the channels it measures; how a box is "
                "wired and what it sends stands in ingest/README.md.",
            )
        )
    if not data.has_store():
        look.put(
            look.note(
                "Nothing was ever heard here.",
                "Start gritbook ingest and switch the box on: this page then says whether it is "
                "right. gritbook check tests the way to the broker and the lines; a card is "
                "brought in with gritbook import FILE --pot NAME.",
            )
        )
        redraw.when_there_is_more(None)
        return
    version = data.kept(data.version).value
    folder, changed = version.data, version.yard_changed_ns
    heard = data.kept(signals_data.boxes, folder, changed)
    if heard.is_old:
        look.put(look.as_of(heard.read_at, described.site.zone))
    _boxes(described, heard.value)
    pot = _choose_pot(described)
    if pot is None:
        return
    _jumps()
    _lately(described, folder, changed, pot)
    _days(described, version, pot)
    _not_counted(described, version, pot)
    _zero(described, version, pot)
    _gaps(described, version, pot)
    _clocks(described, version, pot)
    _calibration(described, version, pot)
    _quarantine(described, folder)


def _jumps() -> None:
    links = "".join(f'<a href="#{anchor}">{look.shown(called)}</a>' for anchor, called in SECTIONS)
    look.put(f'<nav class="gb-jumps" aria-label="On this page">{links}</nav>')


def _choose_pot(described: Yard) -> str | None:
    pots = list(described.pot_names)
    asked = st.session_state.get("signals-pot", st.query_params.get("pot", ""))
    st.session_state["signals-pot"] = asked if asked in pots else pots[0]

    def keep() -> None:
        st.query_params["pot"] = st.session_state["signals-pot"]

    return st.segmented_control(
        "Pot", pots, key="signals-pot", required=True, wrap=True, on_change=keep,
        format_func=lambda name: words.label(data.pot_title(described, name)),
    )  # fmt: skip


# --- boxes -----------------------------------------------------------------------------------


def _boxes(described: Yard, frame: pl.DataFrame) -> None:
    now = utc_now()
    rows = []
    for row in frame.iter_rows(named=True):
        last = row["last_heard_at"]
        rate = signals_data.expected(described, row["pot"]).rate_hz
        rows.append(
            (
                data.pot_title(described, row["pot"]),
                "never" if last is None else words.ago((now - last).total_seconds()),
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
    return f"{words.plain_number(row['late'])}, by up to {words.duration(row['latest_s'])}"


def _silent(row: dict[str, Any]) -> str:
    if not row["silences"]:
        return words.plain_number(0) if row["instants"] else words.NONE
    times = words.counted(row["silences"], "time", "times")
    return f"{times}, {words.duration(row['silent_s'])}"


# --- is it right -----------------------------------------------------------------------------


def _lately(described: Yard, folder: str, changed: int, pot: str) -> None:
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
        called = words.CHANNEL_WORDS.get(channel, channel) if channel else "The box"
        items = "".join(
            _sign(one, told.SIGN_WORDS[one.about]) for one in found if one.channel == channel
        )
        pieces.append(_section(words.sentence(called), items))
    slow = [one for one in found if one.channel not in main]
    if slow:
        items = "".join(
            _sign(one, words.sentence(words.CHANNEL_WORDS.get(one.channel, one.channel)))
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
        f"<span>{look.shown(words.page_units(one.found))}</span>{more}</div></li>"
    )


# --- last values -----------------------------------------------------------------------------


def _values(described: Yard, found: pl.DataFrame, pot: str) -> None:
    zone = described.site.zone
    expected = signals_data.expected(described, pot).channels
    rows = []
    for row in found.iter_rows(named=True):
        called = words.CHANNEL_WORDS.get(row["channel"], row["channel"])
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
                else _small(row["pressure_pa"], 1),
                quality, words.clock(row["sampled_at"], zone, with_seconds=True),
            )
        )  # fmt: skip
    silent = [c for c in expected if c not in set(found["channel"])]
    rows += [
        (words.sentence(words.CHANNEL_WORDS.get(c, c)), words.NONE, words.NONE,
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


def _days(described: Yard, version: data.Version, pot: str) -> None:
    rate = signals_data.expected(described, pot).rate_hz
    found = data.kept(signals_data.days, version, pot).value
    rows = [
        (
            words.day(day), words.plain_number(heard["instants"]), _rate(heard["rate_hz"], rate),
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


def _not_counted(described: Yard, version: data.Version, pot: str) -> None:
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
            words.sentence(words.CHANNEL_WORDS.get(row["channel"], row["channel"])),
            words.sentence(told.CAUSE_WORDS[row["cause"]]),
            words.plain_number(row["readings"]), words.plain_number(row["minutes"]),
            words.day_and_time(row["last_at"], described.site.zone),
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


# --- zero ------------------------------------------------------------------------------------


def _zero(described: Yard, version: data.Version, pot: str) -> None:
    zone = described.site.zone
    rests = data.kept(signals_data.judged, version, pot).value.at_rest
    look.put(
        look.heading(
            "Zero at rest",
            "What a transducer reads, after its calibration, while the dead-man is shut and its "
            "pressure stands still near zero for ten minutes. It is no sign of a vented pot: a "
            "blocked port stands still too.",
            "zero",
        )
    )
    if rests.is_empty():
        look.put(
            look.note(
                "No rest was found in the last eight weeks.",
                "It takes ten whole minutes with the box on, the handle let go and nothing moving; "
                "the pause at noon with the box left on is enough.",
            )
        )
        return
    laws = {law.channel: law for law in transducer_laws(described, pot)}
    for channel in rests["channel"].unique(maintain_order=True):
        mine = rests.filter(pl.col("channel") == channel)
        law = laws.get(channel)
        span_pa = law.high_pa - law.low_pa if law else USUAL_SPAN_PA
        look.put(f'<p class="gb-label">{look.shown(_transducer_line(described, pot, channel))}</p>')
        chart = charts_signals.zero_drift(
            mine, channel, [at for at, _, _ in law.calibrations] if law else [],
            ZERO_RIGHT * span_pa, zone, look.palette(),
        )  # fmt: skip
        st.altair_chart(chart, theme=None, width="stretch")
    right = "; ".join(
        f"{words.CHANNEL_WORDS[c]} ±{_small(ZERO_RIGHT * (law.high_pa - law.low_pa))}"
        for c, law in laws.items()
        if c in set(rests["channel"])
    )
    look.put(
        f'<p class="gb-under">Band: right within half a hundredth of the range'
        f"{': ' + look.shown(right) if right else ''}. Dashed: calibrated.</p>"
    )
    with st.container(key="signals-zero-ways", horizontal=True, vertical_alignment="center"):
        is_asked = st.toggle("Show the rests", key="signals-zero-table")
        st.download_button(
            "Download as CSV", downloads.csv(lambda: rests), on_click="ignore",
            file_name=f"{pot}-zero-at-rest.csv", mime="text/csv", key="signals-zero-csv",
        )  # fmt: skip
    if is_asked:
        look.put(_rests(rests, zone))


def _rests(rests: pl.DataFrame, zone: ZoneInfo) -> str:
    rows = [
        (
            words.sentence(words.CHANNEL_WORDS.get(row["channel"], row["channel"])),
            words.stretch(row["from_at"], row["to_at"], zone), _small(row["offset_pa"]),
            _small(row["spread_pa"]), words.plain_number(row["readings"]),
        )
        for row in rests.sort("from_at", descending=True).head(ROWS_SHOWN).iter_rows(named=True)
    ]  # fmt: skip
    return look.table(
        ("Channel", "When", "Read", "Highest less lowest", "Readings"),
        rows,
        f"The newest {len(rows)} of {rests.height}",
    )


def _small(value_pa: float, digits: int = 2) -> str:
    """A pressure with its unit, finer than pages tell it: what is compared with a gauge."""
    number = units.shown("pressure", value_pa)
    text = f"{number:.{digits}f}".replace("-", "\u2212")
    return f"{text}{words.NBSP}{units.unit('pressure')}"


def _transducer_line(described: Yard, pot: str, channel: str) -> str:
    """A transducer: its range, its tag, and when it was calibrated."""
    called = words.sentence(words.CHANNEL_WORDS.get(channel, channel))
    one = described.transducer(pot, channel)
    if one is None:
        return f"{called}: the yard file names no transducer"
    unit = units.unit("pressure")
    low, high = (words.measure("pressure", end) for end in one.range_pa)
    line = f"{called}: {low} to {high}{words.NBSP}{unit}"
    if one.tag:
        line += f", tag {one.tag}"
    if not one.calibrations:
        return f"{line}; no calibration entered"
    last = words.day(one.calibrations[-1].from_at, described.site.zone)
    count = words.counted(len(one.calibrations), "calibration", "calibrations")
    return f"{line}; {count}, the last from {last}"


# --- gaps ------------------------------------------------------------------------------------


def _gaps(described: Yard, version: data.Version, pot: str) -> None:
    zone = described.site.zone
    look.put(look.heading("Gaps of a day", "Where nothing was heard, and the dead-man.", "gaps"))
    heard = data.kept(data.pots_heard, version).value.get(pot, (None, None))
    if heard[0] is None or heard[1] is None:
        look.put(
            look.note(
                "No figures of this pot yet.",
                "They appear some seconds after its first readings have come in.",
            )
        )
        return
    first, last = (data.site_date(at, described) for at in heard if at is not None)
    today = data.site_date(utc_now(), described)
    newest = max(last, min(today, last + dt.timedelta(days=1)))
    day = _choose_day(first, newest)
    begin, end = data.site_day(day, described)
    stretch = data.kept(data.stretch, version, pot, "", begin, end).value
    upto = min(end, version.derived_at or utc_now())
    if upto <= begin:
        look.put(look.note("This day has not begun.", "Choose an earlier one."))
        return
    length = end - begin
    strokes = [
        look.Stroke(max((a - begin) / length, 0.0), min((b - begin) / length, 1.0), kind)
        for spans, kind in (
            (stretch.silent, "nodata"),
            (stretch.cycles.select("pressed_at", "released_at").iter_rows(), "on"),
        )
        for a, b in spans
    ]
    silent_s = sum((b - a).total_seconds() for a, b in stretch.silent)
    number = words.counted(len(stretch.silent), "gap", "gaps")
    look.put(
        look.ribbon(
            strokes, f"{words.day(day)}: {number}, {words.duration(silent_s)} in all",
            words.clock(begin, zone), words.clock(end, zone),
        ),
        '<ul class="gb-legend"><li><i class="gb-share gb-nodata"></i>Nothing heard</li>'
        '<li><i class="gb-share gb-blasting"></i>Dead-man open</li></ul>',
    )  # fmt: skip
    if not stretch.silent:
        look.put(look.note("No gap on this day."))
        return
    frame = pl.DataFrame(
        [(pot, a, b, (b - a).total_seconds()) for a, b in stretch.silent],
        schema={
            "pot": pl.String, "from_at": pl.Datetime("us"), "to_at": pl.Datetime("us"),
            "silent_s": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    longest = frame.sort("silent_s", descending=True).head(ROWS_SHOWN).sort("from_at")
    rows = [
        (
            words.clock(row["from_at"], zone, with_seconds=True),
            words.clock(row["to_at"], zone, with_seconds=True), words.duration(row["silent_s"]),
        )
        for row in longest.iter_rows(named=True)
    ]  # fmt: skip
    gap = f"{described.gap_s(pot):g}{words.NBSP}s"
    look.put(
        look.table(
            ("From", "To", "Lasted"),
            rows,
            f"{number}, {words.duration(silent_s)} in all; the longest {len(rows)} here. A gap is "
            f"silence longer than {gap}. Hours count it as off in the lower figure, and as on in "
            "the upper one where it may have been blasting.",
        )
    )
    st.download_button(
        "Download as CSV", frame.write_csv, on_click="ignore",
        file_name=f"{pot}-gaps-{day.isoformat()}.csv", mime="text/csv", key="signals-gaps-csv",
    )  # fmt: skip


def _choose_day(first: dt.date, last: dt.date) -> dt.date:
    if "signals-day" not in st.session_state:
        try:
            day = dt.date.fromisoformat(st.query_params.get("day", ""))
        except ValueError:
            day = last
        st.session_state["signals-day"] = day
    st.session_state["signals-day"] = min(max(st.session_state["signals-day"], first), last)

    def keep() -> None:
        st.query_params["day"] = st.session_state["signals-day"].isoformat()

    chosen = st.date_input(
        "Day", key="signals-day", min_value=first, max_value=last, format="YYYY-MM-DD",
        on_change=keep, width=180,
    )  # fmt: skip
    return chosen if isinstance(chosen, dt.date) else last


# --- clocks ----------------------------------------------------------------------------------


def _clocks(described: Yard, version: data.Version, pot: str) -> None:
    zone = described.site.zone
    look.put(
        look.heading(
            "Clocks",
            "Where this box's clock was wrong by when its messages arrived. Nothing is corrected "
            "by itself: somebody takes a correction, and may withdraw it. What was sent stays.",
            "clocks",
        )
    )
    if message := st.session_state.pop("signals-clock-said", ""):
        look.put(look.note(message, "Figures follow when they are next derived, within a minute."))
    found, held = data.kept(signals_data.clocks, version.data, pot).value
    if not found:
        look.put(
            look.note(
                f"Right to within two seconds in the last {signals_data.CLOCK_DAYS} days"
                f"{', or corrected for' if held else ''}.",
                "gritbook clocks looks at all arrivals there are.",
            )
        )
    else:
        rows = [
            (
                words.stretch(_instant(one.arrived_from_us), _instant(one.arrived_to_us), zone),
                f"{one.offset_s:+.1f}".replace("-", "\u2212") + f"{words.NBSP}s",
                f"{words.sentence(one.reason)}.",
            )
            for one in found
        ]
        look.put(
            look.table(
                ("Arrived", "To add", "What was seen"),
                rows,
                f"Found in the last {signals_data.CLOCK_DAYS} days, not corrected for yet. Set "
                "the box's clock first: else it goes on being wrong.",
            )
        )
        if session.may("correct clocks"):
            with st.form("signals-take", border=False):
                by = _who("signals-take-by")
                if st.form_submit_button("Correct for what is found", type="primary"):
                    numbers: list[int] = []

                    def write() -> str:
                        numbers.extend(signals_data.take(pot, found, by))
                        return "taken"

                    if entry.attempt(write):
                        st.session_state["signals-clock-said"] = (
                            f"{words.counted(len(numbers), 'correction', 'corrections')} taken."
                        )
                        st.rerun()
    if not held:
        return
    rows = [
        (
            str(one.correction_id),
            words.stretch(one.arrived_from_at, one.arrived_to_at, zone),
            f"{one.offset_s:+.1f}".replace("-", "\u2212") + f"{words.NBSP}s",
            f"{one.taken_by}, {words.day(one.taken_at, zone)}",
            f"withdrawn by {one.withdrawn_by}, {words.day(one.withdrawn_at, zone)}"
            if one.withdrawn_at
            else "in force",
        )
        for one in held
    ]
    look.put(look.table(("No.", "Arrived", "Adds", "Taken by", "State"), rows, "Corrections taken"))
    in_force = [one.correction_id for one in held if one.withdrawn_at is None]
    if in_force and session.may("correct clocks"):
        with st.expander("Withdraw a correction"), st.form("signals-withdraw", border=False):
            number = st.selectbox("Correction", in_force, format_func=lambda n: f"No. {n}")
            by = _who("signals-withdraw-by")
            if st.form_submit_button("Withdraw it"):

                def undo() -> str:
                    signals_data.withdraw(int(number), by)
                    return "withdrawn"

                if entry.attempt(undo):
                    st.session_state["signals-clock-said"] = f"Correction {number} is withdrawn."
                    st.rerun()


def _who(key: str) -> str:
    """The name of whoever does this; not asked of somebody who is signed in."""
    here = session.person()
    if here.signed_in:
        return here.name
    return st.text_input(
        "Your name", entry.remembered("by", st.query_params.get("by", "")), key=key, max_chars=80,
        autocomplete="name",
    )  # fmt: skip


def _instant(at_us: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(at_us / 1e6, dt.UTC).replace(tzinfo=None)


# --- calibration -----------------------------------------------------------------------------


def _calibration(described: Yard, version: data.Version, pot: str) -> None:
    look.put(
        look.heading(
            "Calibration",
            "What each calibration in the yard file does. A reading is kept as it came, so one "
            "that is mended mends the history too.",
            "calibration",
        )
    )
    mine = [one for one in described.transducers if one.pot == pot]
    if not mine:
        look.put(
            look.note(
                "The yard file names no transducer on this pot.",
                "Add a [[transducer]] for each pressure channel, with its unit and range_pa.",
            )
        )
        return
    laws = {law.channel: law for law in transducer_laws(described, pot)}
    for one in mine:
        look.put(
            f'<p class="gb-label">{look.shown(_transducer_line(described, pot, one.channel))}</p>'
        )
        if one.calibrations:
            look.put(_calibrations(described, one, laws[one.channel]))
    rests = data.kept(signals_data.judged, version, pot).value.at_rest
    setup = next((way for way in navigation.PAGES if way.path == "setup"), None)
    with st.expander("The lines to add to the yard file"):
        if setup is not None:
            with st.container(key="signals-setup"):
                st.page_link(
                    setup.file, label=f"Or enter it under {setup.title}",
                    query_params=navigation.carried(),
                )  # fmt: skip
        look.put(
            '<p class="gb-under">Below the [[transducer]] that they are for, oldest first. Two '
            "points of a gauge that you trust tell zero and gain; a zero alone tells the zero. "
            "Prove at the pot that it is vented before you take what it reads for a zero.</p>"
        )
        st.code(_lines(described, mine, rests), language="toml")


def _calibrations(described: Yard, one: Transducer, law: TransducerLaw) -> str:
    unit = units.unit("pressure")
    rows = []
    for number, (at, offset_pa, gain) in enumerate(law.calibrations):
        before_at = at - dt.timedelta(microseconds=1)
        cells = []
        for read in AT_PA:
            now_pa, then_pa = true_pa(read, at, law), true_pa(read, before_at, law)
            cells.append(f"{_small(now_pa)} ({_signed(now_pa - then_pa)})")
        rows.append(
            (
                str(number + 1), words.day(at, described.site.zone), _small(offset_pa),
                f"{gain:.4f}", *cells,
            )
        )  # fmt: skip
    heads = [f"Read {words.measure('pressure', read)}{words.NBSP}{unit} is" for read in AT_PA]
    return look.table(
        ("No.", "From", "Offset", "Gain", *heads),
        rows,
        "In brackets: against what held before.",
    )


def _signed(value_pa: float) -> str:
    return f"{'+' if value_pa >= 0 else ''}{_small(value_pa)}"


def _lines(described: Yard, transducers: Sequence[Transducer], rests: pl.DataFrame) -> str:
    today = data.site_date(utc_now(), described).isoformat()
    laws = {law.channel: law for law in transducer_laws(described, transducers[0].pot)}
    pieces = []
    for one in transducers:
        at_rest = rests.filter(pl.col("channel") == one.channel)
        head = f"# {one.pot}, {one.channel}\n[[transducer.calibration]]\nfrom_at = {today}\n"
        if at_rest.is_empty():
            pieces.append(
                f"{head}points_pa = [[0, 0], [700000, 700000]]  # each [what it read, what was "
                "true], in Pa"
            )
            continue
        last = at_rest.row(-1, named=True)
        in_force = [c for c in laws[one.channel].calibrations if c[0] <= last["from_at"]]
        _, offset_pa, gain = in_force[-1] if in_force else (None, 0.0, 1.0)
        raw_pa = offset_pa + last["offset_pa"] / gain
        when = words.stretch(last["from_at"], last["to_at"], described.site.zone)
        pieces.append(
            f"{head}offset_pa = {raw_pa:.0f}  # as read at rest, {when}\ngain = {gain:.6g}"
        )
    return "\n\n".join(pieces)


# --- quarantine ------------------------------------------------------------------------------


def _quarantine(described: Yard, folder: str) -> None:
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
            when = words.day_and_time(one.last_at, zone)
            if one.last_at - one.first_at > dt.timedelta(minutes=1):
                when = words.stretch(one.first_at, one.last_at, zone)
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


if __name__ == "__main__":
    page()
