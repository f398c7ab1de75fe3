"""Whether a sensor box is right, from what came of it lately: a sign a question, each with a step.

For who commissions a box or looks after one. A sign is *right* or *wrong* only where the readings
show it; where nothing happened that could have shown it, it is *open*, and the step says what has
to happen. **No sign says that a pot is vented**: a transducer at rest near zero may sit behind a
blocked port.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import numpy as np
import polars as pl

from analytics.box_values import fault_totals, read_pa
from analytics.boxes import SILENT_GAPS, SILENT_S, BoxHealth
from analytics.quality import STUCK_READINGS, USUAL_SPAN_PA, Floats, rests, zero_checks
from analytics.signals import CHANNELS, TransducerLaw, judged
from ingest.checks_signals import ENOUGH, RATE_SHORT, Lately, SeenWrong, seen_wrong
from ingest.clocks import TOLERANCE_S, Correction

#: A channel that stands at zero at rest is right within this part of its span; common transducers
#: are sold with about as much error (common practice, no source). [-]
ZERO_RIGHT = 0.005
#: What pot and nozzle move by from rest to blasting, at least, as a part of the span. [-]
MOVES_BY = 0.05
#: Readings of which so few must not count are a channel in order. [-]
BAD_SHARE = 0.01
#: The dead-man must have been seen in either state for so many samples. [samples]
BOTH_SEEN = 3

#: Begins a step that the pages put in words: the cause follows, of ``CAUSE_STEPS``.
CAUSE = "cause:"

State = Literal["right", "wrong", "open"]


class Sign(NamedTuple):
    """An answer to a question about a box.

    Parameters
    ----------
    about : str
        The question: a key of ``SIGN_WORDS`` of the pages.
    channel : str
        The channel it is about; empty: the box as a whole.
    state : str
        ``right``, ``wrong``, or ``open``: nothing showed it yet.
    found : str
        What the readings show.
    next_step : str
        What to do; empty where it is right.
    """

    about: str
    channel: str
    state: State
    found: str
    next_step: str = ""


class HourHeard(NamedTuple):
    """What came of a pot's box in the stretch looked at, by arrival.

    Parameters
    ----------
    samples : polars.DataFrame
        ``sampled_at, arrived_at, seq, deadman``, pressures and currents and ``quality``, ascending,
        as sent; not corrected for a wrong clock.
    slow : polars.DataFrame
        ``channel, unit, known, readings`` of the slow channels.
    health : BoxHealth
        Of the same samples.
    clock : sequence of Correction
        What the box's clock was off by.
    last_at : datetime or None
        Newest arrival ever; naive UTC.
    """

    samples: pl.DataFrame
    slow: pl.DataFrame
    health: BoxHealth
    clock: Sequence[Correction]
    last_at: dt.datetime | None


def signs(
    heard: HourHeard,
    laws: Sequence[TransducerLaw],
    channels: Sequence[str],
    rate_hz: float,
    gap_s: float,
    sends_ma: frozenset[str],
    now: dt.datetime,
) -> list[Sign]:
    """Answer every question about a box.

    Parameters
    ----------
    heard : HourHeard
        What came lately.
    laws : sequence of TransducerLaw
        What the yard file says of the pot's transducers.
    channels : sequence of str
        What the yard file says the box measures.
    rate_hz, gap_s : float
        Samples a second that are expected [1/s], and the longest pause that is none [s].
    sends_ma : frozenset of str
        Channels that the yard file says send their loop current.
    now : datetime
        Naive UTC.

    Returns
    -------
    list of Sign
        The box as a whole first, then channel by channel.
    """
    said = [_heard(heard, gap_s, now)]
    if heard.samples.is_empty():
        return said
    said += [_rate(heard, rate_hz), _whole(heard, gap_s), _counter(heard), _clock(heard)]
    found = judged(heard.samples, laws)
    faults = fault_totals(found.faults)
    known = {law.channel: law for law in laws}
    read = {name: read_pa(heard.samples, name, known.get(name)) for name in CHANNELS}
    wrong: list[SeenWrong] = []
    if heard.samples.height >= ENOUGH:
        wrong = list(seen_wrong(_lately(heard.samples, read)))
    spans_pa = {
        name: known[name].high_pa - known[name].low_pa for name in _RESTING if name in known
    }
    at_rest = zero_checks(rests(found.signals, spans_pa, gap_s))
    if "deadman" in channels:
        said += _deadman(heard.samples, wrong)
    for channel in CHANNELS:
        if channel not in channels:
            continue
        sent = _sent(heard.samples, channel)
        if not sent:
            said.append(_not_sent(channel))
            continue
        law = known.get(channel)
        said.append(_unit(channel, heard.samples, law, sends_ma, wrong))
        said.append(_moving(channel, read[channel], law, heard.samples, wrong))
        said.append(_counts(channel, sent, faults))
        if channel in _RESTING:
            said.append(_zero(channel, at_rest, law))
    said += [_order(one) for one in wrong if one.about == "order"]
    slow = dict(heard.slow.select("channel", "readings").iter_rows())
    for channel in channels:
        if channel in slow:
            said.append(Sign("sent", channel, "right", f"{slow[channel]:,} readings."))
        elif channel not in (*CHANNELS, "deadman", "seq"):
            said.append(_not_sent(channel))
    return said


_RESTING = ("pot", "nozzle")


def _heard(heard: HourHeard, gap_s: float, now: dt.datetime) -> Sign:
    if heard.last_at is None:
        return Sign(
            "heard", "", "wrong", "Nothing was ever heard of this pot.",
            "Look whether `gritbook ingest` runs and the box has power and the right broker or "
            "line; `gritbook check` tests the way to it, and what was refused is in quarantine.",
        )  # fmt: skip
    silent_s = (now - heard.last_at).total_seconds()
    if silent_s > max(SILENT_S, SILENT_GAPS * gap_s):
        lasted = f"{silent_s / 60:.0f} minutes" if silent_s >= 120 else f"{silent_s:.0f} s"
        return Sign(
            "heard", "", "wrong",
            f"Silent for {lasted}.",
            "Look at its power, its network or line, and whether `gritbook ingest` runs.",
        )  # fmt: skip
    if heard.samples.is_empty():
        return Sign(
            "heard", "", "wrong", "Messages come, but none with a reading of pressure or dead-man.",
            "Look under quarantine for why they were refused.",
        )  # fmt: skip
    return Sign("heard", "", "right", f"Last heard {max(silent_s, 0.0):.0f} s ago.")


def _rate(heard: HourHeard, rate_hz: float) -> Sign:
    found = heard.health.rate_hz
    if found is None:
        return Sign("rate", "", "open", "Too few samples to tell.", "Wait a minute.")
    said = f"{found:.3g} samples a second; {rate_hz:g} expected."
    if found >= RATE_SHORT * rate_hz:
        return Sign("rate", "", "right", said)
    return Sign(
        "rate", "", "wrong", said, "Set the box faster, or write what it really does as rate_hz."
    )


def _whole(heard: HourHeard, gap_s: float) -> Sign:
    silences = heard.health.silences
    if not silences:
        return Sign("whole", "", "right", f"No pause longer than {gap_s:g} s.")
    return Sign(
        "whole", "", "wrong",
        f"Pauses longer than {gap_s:g} s: {silences}, {heard.health.silent_s:.0f} s in all.",
        "If you switched it off or pulled a plug, that is why. Else look at its power and network; "
        "a slow network wants a larger gap_s, and a box that keeps what it could not send.",
    )  # fmt: skip


def _counter(heard: HourHeard) -> Sign:
    lost = heard.health.lost
    if lost is None:
        return Sign(
            "lost", "", "wrong", "It sends no message counter (seq).",
            "Let the box count its messages and send the count with each: without it a lost "
            "message is only seen where it leaves a gap.",
        )  # fmt: skip
    restarts = f" Times that the counter began anew: {heard.health.restarts}." * bool(
        heard.health.restarts
    )
    if lost == 0:
        return Sign("lost", "", "right", f"No message is missing.{restarts}")
    return Sign(
        "lost", "", "wrong", f"Messages missing: {lost:,}.{restarts}",
        "Let the box keep each message until it is acknowledged, and look whether the broker drops "
        "what it cannot pass on: `gritbook check`.",
    )  # fmt: skip


def _clock(heard: HourHeard) -> Sign:
    if heard.clock:
        reason = heard.clock[-1].reason
        return Sign(
            "clock", "", "wrong", f"{reason[:1].upper()}{reason[1:]}.",
            "Let the box set its clock by the network (NTP, RFC 5905), in UTC. What came with the "
            "wrong time is corrected under “Clocks”.",
        )  # fmt: skip
    delay_s = (
        (heard.samples["arrived_at"] - heard.samples["sampled_at"]).dt.total_microseconds() / 1e6
    ).to_numpy()
    middle = float(np.median(delay_s))
    if abs(middle) < TOLERANCE_S:
        return Sign("clock", "", "right", f"Messages arrive {middle:.1f} s after their time.")
    return Sign(
        "clock", "", "open",
        f"Messages came {middle:.0f} s after their time, as what a box had kept does.",
        "Wait until it sends as it measures.",
    )  # fmt: skip


def _deadman(samples: pl.DataFrame, wrong: Sequence[SeenWrong]) -> list[Sign]:
    states = samples["deadman"].drop_nulls()
    if states.is_empty():
        return [_not_sent("deadman")]
    inverted = next((one for one in wrong if one.about == "deadman"), None)
    if inverted is not None:
        return [Sign("both", "deadman", "wrong", inverted.what, inverted.next_step)]
    opened = int(states.sum())
    shut = len(states) - opened
    if opened >= BOTH_SEEN and shut >= BOTH_SEEN:
        presses = int((samples["deadman"].drop_nulls().cast(pl.Int8).diff() == 1).sum())
        return [Sign("both", "deadman", "right", f"Open and shut seen; opened {presses} times.")]
    stands = "open" if opened else "shut"
    return [
        Sign(
            "both", "deadman", "open", f"Only seen {stands}.",
            "Have the handle held for ten seconds and let go, by who may and as the site's "
            "procedure has it. Nothing here shows that the dead-man itself works.",
        )
    ]  # fmt: skip


def _unit(
    channel: str,
    samples: pl.DataFrame,
    law: TransducerLaw | None,
    sends_ma: frozenset[str],
    wrong: Sequence[SeenWrong],
) -> Sign:
    odd = next((one for one in wrong if one.about == f"unit:{channel}"), None)
    if odd is not None:
        return Sign("unit", channel, "wrong", odd.what, odd.next_step)
    as_current = samples[f"{channel}_ma"].drop_nulls().len() > 0
    unit = "mA" if as_current else "Pa"
    if law is None and as_current:
        return Sign(
            "unit", channel, "wrong", "It sends mA, and the yard file does not say of which range.",
            f'Add a [[transducer]] for {channel} with unit = "mA" and range_pa; what came so far '
            "is read with it too.",
        )  # fmt: skip
    if law is None:
        return Sign(
            "unit", channel, "open", "It sends Pa; the yard file names no transducer for it.",
            "Add a [[transducer]] with its range_pa: failures are told by the range.",
        )  # fmt: skip
    if as_current != (channel in sends_ma):
        told = "mA" if channel in sends_ma else "Pa"
        return Sign(
            "unit", channel, "wrong", f"It sends {unit}; the yard file says {told}.",
            "Mend `unit` in the yard file, or the box.",
        )  # fmt: skip
    return Sign("unit", channel, "right", f"It sends {unit}, as the yard file says.")


def _moving(
    channel: str,
    read: Floats,
    law: TransducerLaw | None,
    samples: pl.DataFrame,
    wrong: Sequence[SeenWrong],
) -> Sign:
    stuck = next((one for one in wrong if one.about == f"stuck:{channel}"), None)
    if stuck is not None:
        return Sign("moving", channel, "wrong", stuck.what, stuck.next_step)
    values = read[~np.isnan(read)]
    if not values.size:
        return Sign(
            "moving", channel, "open", "Not known: its loop current has no range yet.",
            "Mend the unit first.",
        )  # fmt: skip
    moved_pa = float(values.max() - values.min())
    span_pa = USUAL_SPAN_PA if law is None else law.high_pa - law.low_pa
    least_pa = MOVES_BY * span_pa if channel in _RESTING else 0.0
    if moved_pa > least_pa:
        return Sign("moving", channel, "right", f"It moved by {moved_pa / 1e3:.0f} kPa.")
    opened = bool(samples["deadman"].fill_null(value=False).any())
    if opened and values.size >= STUCK_READINGS:
        return Sign(
            "moving", channel, "wrong",
            f"It moved by {moved_pa / 1e3:.1f} kPa only, though the dead-man was opened.",
            "Look at the transducer's isolating valve, its port and its cable. A blocked port "
            "reads zero, and stays there under pressure.",
        )  # fmt: skip
    return Sign(
        "moving", channel, "open", f"It moved by {moved_pa / 1e3:.1f} kPa; nobody blasted.",
        "Look again after somebody has blasted for ten seconds.",
    )  # fmt: skip


def _counts(channel: str, sent: int, faults: pl.DataFrame) -> Sign:
    mine = faults.filter((pl.col("channel") == channel) & (pl.col("cause") != "certain"))
    # A reading that is bad for two causes stands under both.
    bad = min(int(mine["readings"].sum()), sent)
    if bad <= BAD_SHARE * sent:
        return Sign(
            "counts", channel, "right", f"{100 - 100 * bad / sent:.4g} % of readings count."
        )
    worst = mine.sort("readings", descending=True)["cause"][0]
    return Sign(
        "counts", channel, "wrong", f"{100 * bad / sent:.3g} % of readings do not count.",
        f"{CAUSE}{worst}",
    )  # fmt: skip


def _zero(channel: str, at_rest: pl.DataFrame, law: TransducerLaw | None) -> Sign:
    if law is None:
        return Sign(
            "zero", channel, "open", "Not known: the yard file names no transducer for it.",
            "Add a [[transducer]] with its range_pa.",
        )  # fmt: skip
    limit_pa = ZERO_RIGHT * (law.high_pa - law.low_pa)
    mine = at_rest.filter(pl.col("channel") == channel)
    if mine.is_empty():
        return Sign(
            "zero", channel, "open", "It was not seen at rest near zero.",
            "Leave the box on while nobody works, for ten minutes from a full ten minutes of the "
            "clock on, the dead-man shut. It is no sign of a vented pot: prove that at "
            "the pot.",
        )  # fmt: skip
    offset_pa = float(mine["offset_pa"][-1])
    said = f"{offset_pa / 1e3:+.1f} kPa at rest; right within ±{limit_pa / 1e3:.1f} kPa."
    if abs(offset_pa) <= limit_pa:
        return Sign("zero", channel, "right", said)
    return Sign(
        "zero", channel, "wrong", said,
        "Compare it with a gauge you trust, the pot proved vented at the pot itself, and write a "
        "[[transducer.calibration]] into the yard file: the lines stand under “Calibration”.",
    )  # fmt: skip


def _order(one: SeenWrong) -> Sign:
    return Sign("order", "", "wrong", one.what, one.next_step)


def _not_sent(channel: str) -> Sign:
    return Sign(
        "sent", channel, "wrong", "Nothing came of it.",
        "The yard file says that the box measures it: look at its wiring and its name, or take it "
        "out of `channels`.",
    )  # fmt: skip


def _sent(samples: pl.DataFrame, channel: str) -> int:
    """Readings of a pressure channel, as pressure or as loop current."""
    return int(
        samples.select(
            pl.any_horizontal(
                pl.col(f"{channel}_pa").is_not_null(), pl.col(f"{channel}_ma").is_not_null()
            ).sum()
        ).item()
    )


def _lately(samples: pl.DataFrame, read: Mapping[str, Floats]) -> Lately:
    """What the suspicions of ``gritbook check`` look at, loop currents scaled to pressures."""

    def floats(name: str) -> Floats:
        return samples[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    def seconds(name: str) -> Floats:
        return samples[name].cast(pl.Datetime("us")).cast(pl.Int64).to_numpy() / 1e6

    return Lately(
        seconds("sampled_at"), seconds("arrived_at"), floats("seq"), floats("deadman"),
        *(read[channel] for channel in ("supply", "inlet", "pot", "nozzle")),
    )  # fmt: skip
