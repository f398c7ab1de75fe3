"""What the signals page shows of transducers: their zero at rest, and their calibrations."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from analytics.box_signs import ZERO_RIGHT
from analytics.box_values import true_pa
from analytics.pipeline import transducer_laws, utc_now
from analytics.quality import USUAL_SPAN_PA
from analytics.signals import TransducerLaw
from dashboard import (
    charts_signals,
    data,
    downloads,
    key_words,
    look,
    navigation,
    signals_data,
    time_words,
    units,
    words,
)
from ingest.config import Yard
from ingest.yard_pots import Transducer

#: Rows of rests that the page shows; the download has them all.
ROWS_SHOWN = 40
#: Where a calibration's effect is told. [Pa]
AT_PA = (0.0, 700_000.0)


# --- zero ------------------------------------------------------------------------------------


def zero(described: Yard, version: data.Version, pot: str) -> None:
    """What the transducers read with the pot at rest."""
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
        f"{key_words.CHANNEL_WORDS[c]} ±{small(ZERO_RIGHT * (law.high_pa - law.low_pa))}"
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
            words.sentence(key_words.CHANNEL_WORDS.get(row["channel"], row["channel"])),
            time_words.stretch(row["from_at"], row["to_at"], zone), small(row["offset_pa"]),
            small(row["spread_pa"]), words.plain_number(row["readings"]),
        )
        for row in rests.sort("from_at", descending=True).head(ROWS_SHOWN).iter_rows(named=True)
    ]  # fmt: skip
    return look.table(
        ("Channel", "When", "Read", "Highest less lowest", "Readings"),
        rows,
        f"The newest {len(rows)} of {rests.height}",
    )


def small(value_pa: float, digits: int = 2) -> str:
    """A pressure with its unit, finer than pages tell it: what is compared with a gauge."""
    number = units.shown("pressure", value_pa)
    text = f"{number:.{digits}f}".replace("-", "\u2212")
    return f"{text}{words.NBSP}{units.unit('pressure')}"


def _transducer_line(described: Yard, pot: str, channel: str) -> str:
    """A transducer: its range, its tag, and when it was calibrated."""
    called = words.sentence(key_words.CHANNEL_WORDS.get(channel, channel))
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
    last = time_words.day(one.calibrations[-1].from_at, described.site.zone)
    count = words.counted(len(one.calibrations), "calibration", "calibrations")
    return f"{line}; {count}, the last from {last}"


# --- calibration -----------------------------------------------------------------------------


def calibration(described: Yard, version: data.Version, pot: str) -> None:
    """A pot's transducers, their calibrations, and what the newest changes."""
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
            cells.append(f"{small(now_pa)} ({_signed(now_pa - then_pa)})")
        rows.append(
            (
                str(number + 1), time_words.day(at, described.site.zone), small(offset_pa),
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
    return f"{'+' if value_pa >= 0 else ''}{small(value_pa)}"


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
        when = time_words.stretch(last["from_at"], last["to_at"], described.site.zone)
        pieces.append(
            f"{head}offset_pa = {raw_pa:.0f}  # as read at rest, {when}\ngain = {gain:.6g}"
        )
    return "\n\n".join(pieces)
