"""What is to be told to whom: messages of single notices and the daily digest, as text.

Pure: from what became of notices, how they stand and what was sent already, to the messages that
are due now. A notice that can hurt people is told in quiet hours too: somebody may be at the pot at
night, and pressure does not wait for the morning. Everything else can, and does.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard import time_words, words
from ingest.config import Yard
from ingest.notice_kinds import IN_DIGEST, NOTICE_KINDS
from ingest.yard_notices import NoticeChannel

#: What became of a notice is told for so long; after that it is in the log and the digest only.
TOLD_FOR = dt.timedelta(days=14)
#: A digest that could not be sent at its time is still sent for so long.
DIGEST_LATE = dt.timedelta(hours=20)

#: State of a notice -> the word for it.
STATE_WORDS = {
    "raised": "Raised",
    "acknowledged": "Acknowledged",
    "put_off": "Put off",
    "cleared": "Gone, not acknowledged",
    "done": "Over",
}
#: What became of a notice -> the words for it.
EVENT_WORDS = {
    "raised": "Raised",
    "worse": "Became worse",
    "cleared": "Gone",
    "withdrawn": "Taken back: later data show that it was not so",
}


@dataclass(frozen=True)
class Message:
    """Something to be sent to one address of a channel.

    Parameters
    ----------
    message_id : str
        The same however often it is sent; stands in the text.
    channel : str
        Name of the channel and number of the address in it.
    title, body : str
    """

    message_id: str
    channel: str
    title: str
    body: str


@dataclass(frozen=True)
class Situation:
    """All that messages are made from.

    Parameters
    ----------
    yard : Yard
    standing : polars.DataFrame
        ``analytics.notices.STANDING_SCHEMA``.
    events : polars.DataFrame
        Rows of ``notice_event`` since ``TOLD_FOR`` ago, oldest first.
    sent : polars.DataFrame
        Rows of ``notice_sent``.
    now : datetime
        Naive UTC.
    """

    yard: Yard
    standing: pl.DataFrame
    events: pl.DataFrame
    sent: pl.DataFrame
    now: dt.datetime

    @property
    def clock(self) -> dt.datetime:
        """The site's clock."""
        return time_words.in_zone(self.now, self.yard.site.zone)


def due_messages(
    situation: Situation, channel: NoticeChannel, address: str, since_at: dt.datetime | None = None
) -> list[Message]:
    """What one address of a channel is to be sent now.

    Parameters
    ----------
    situation : Situation
        How things stand.
    channel : NoticeChannel
        From the yard file.
    address : str
        Name of the channel and number of the address in it; never the address itself.
    since_at : datetime, optional
        Naive UTC: nothing that was found before is told singly.

    Returns
    -------
    list of Message
        Oldest first; what was sent, or is not to be tried again yet, is left out.
    """
    sent = {
        row["message_id"]: row
        for row in situation.sent.iter_rows(named=True)
        if row["channel"] == address
    }
    standing = {row["notice_id"]: row for row in situation.standing.iter_rows(named=True)}
    told = {
        str(row["message_id"]).split(".")[0] for row in sent.values() if row["sent_at"] is not None
    }
    quiet = situation.yard.notices.is_quiet(situation.clock.time())
    messages = []
    for event in situation.events.iter_rows(named=True):
        before = sent.get(event["message_id"])
        if before is not None and (
            before["sent_at"] is not None or before["next_at"] > situation.now
        ):
            continue
        if since_at is not None and event["noticed_at"] < since_at:
            continue
        notice = standing.get(event["notice_id"])
        if _is_told(event, notice, channel, quiet, told):
            messages.append(_message(situation, event, notice, address))
    digest = _digest(situation, channel, address, sent)
    return messages if digest is None else [*messages, digest]


def _is_told(
    event: Mapping[str, Any],
    notice: Mapping[str, Any] | None,
    channel: NoticeChannel,
    quiet: bool,
    told: set[str],
) -> bool:
    kind = NOTICE_KINDS[event["kind"]]
    if channel.pots and event["pot"] not in channel.pots:
        return False
    if not kind.hurts and (channel.tell == "hurts" or quiet):
        return False
    if event["what"] in ("cleared", "withdrawn"):
        # Only who was told that it was there needs to know that it is not; and in the right order.
        return event["notice_id"] in told and (notice is None or notice["cleared_at"] is not None)
    if kind.told == IN_DIGEST or notice is None:
        return False
    # What has gone, was seen or became something worse meanwhile is not news any longer; what can
    # hurt people is, unless it came to light long after.
    waiting = notice["state"] == "cleared" and not event["late"]
    return (notice["state"] == "raised" or waiting) and notice["kind"] == event["kind"]


def _message(
    situation: Situation, event: Mapping[str, Any], notice: Mapping[str, Any] | None, address: str
) -> Message:
    zone = situation.yard.site.zone
    kind = NOTICE_KINDS[event["kind"]]
    called = notice["words"] if notice else kind.words[:1].upper() + kind.words[1:]
    what = EVENT_WORDS[event["what"]]
    title = f"{_site(situation.yard)} {pot_words(situation.yard, event['pot'])}: {called}"
    if event["what"] in ("cleared", "withdrawn"):
        title += f" ({what.lower().split(':')[0]})"
    lines = [f"{what}, {time_words.day_and_time(event['happened_at'], zone)}. {event['said']}"]
    if event["late"] and event["what"] != "withdrawn":
        found = time_words.day_and_time(event["noticed_at"], zone)
        lines.append(f"Found late, {found}, from data that came in after it happened.")
    if event["what"] == "cleared":
        lines.append(
            "The readings no longer show it. That is no word on the state of the pot: a blocked "
            "port reads zero."
        )
    elif event["what"] != "withdrawn":
        lines.append(kind.step)
        lines.append(
            "Acknowledge it on the page Yard now, or with "
            f"`gritbook notices acknowledge {event['notice_id']}`."
        )
    lines.append(f"Message {event['message_id']}: the same again is the same message.")
    return Message(event["message_id"], address, title, _plain("\n".join(lines)))


def _plain(text: str) -> str:
    return text.replace(words.NBSP, " ").replace("\u202f", " ")


def _site(yard: Yard) -> str:
    name = yard.site.title or yard.site.name
    return f"[{name}, invented]" if yard.site.invented else f"[{name}]"


def pot_words(yard: Yard, pot: str) -> str:
    """What people call a pot."""
    named = yard.pot(pot)
    return (named.title if named else "") or pot


def _digest(
    situation: Situation,
    channel: NoticeChannel,
    address: str,
    sent: Mapping[str, Mapping[str, Any]],
) -> Message | None:
    if not channel.digest:
        return None
    clock = situation.clock
    due = dt.datetime.combine(clock.date(), situation.yard.notices.digest_at, clock.tzinfo)
    if clock < due or clock - due > DIGEST_LATE:
        return None
    message_id = f"digest-{clock:%Y-%m-%d}"
    before = sent.get(message_id)
    if before is not None and (before["sent_at"] is not None or before["next_at"] > situation.now):
        return None
    mine = situation.standing
    events = situation.events.filter(pl.col("noticed_at") > situation.now - dt.timedelta(days=1))
    if channel.pots:
        mine, events = (f.filter(pl.col("pot").is_in(channel.pots)) for f in (mine, events))
    title = f"{_site(situation.yard)} Notices of {clock:%Y-%m-%d}"
    body = digest_text(situation.yard, mine, events)
    return Message(message_id, address, title, f"{body}\nMessage {message_id}.")


def digest_text(yard: Yard, standing: pl.DataFrame, events: pl.DataFrame) -> str:
    """The daily digest: what is open, and what became of notices in a day.

    Parameters
    ----------
    yard : Yard
    standing : polars.DataFrame
        ``analytics.notices.STANDING_SCHEMA``.
    events : polars.DataFrame
        Rows of ``notice_event`` of the last day.
    """
    lines: list[str] = []
    for state, heading in (
        ("raised", "Open, not acknowledged"),
        ("cleared", "Gone, but could hurt people and nobody has acknowledged it"),
        ("acknowledged", "Open, acknowledged"),
        ("put_off", "Put off"),
    ):
        mine = standing.filter(pl.col("state") == state)
        if mine.height:
            lines += [f"{heading}:", *(f"- {line(yard, row)}" for row in mine.to_dicts())]
    if not lines:
        lines.append("No notice is open. What was not measured or not heard is not in here.")
    counted = events.group_by("what").len().to_dicts()
    became = {row["what"]: row["len"] for row in counted}
    told = [
        f"{became[what]} {label}"
        for what, label in (
            ("raised", "raised"), ("worse", "became worse"), ("cleared", "gone"),
            ("withdrawn", "taken back by later data"),
        )
        if what in became
    ]  # fmt: skip
    if told:
        lines.append(f"In the last day: {', '.join(told)}.")
    if standing.filter("hurts").filter(pl.col("state").is_in(["raised", "cleared"])).height:
        lines.append(words.CAUTION)
    return _plain("\n".join(lines))


def line(yard: Yard, row: Mapping[str, Any]) -> str:
    """A notice in one line."""
    zone = yard.site.zone
    said = f" {row['said']}" if row["said"] else ""
    text = (
        f"{pot_words(yard, row['pot'])}: {row['words']}, since "
        f"{time_words.day_and_time(row['kind_at'], zone)}.{said}"
    )
    if row["state"] == "put_off":
        text += (
            f" Put off by {row['by']} until {time_words.day_and_time(row['until_at'], zone)}: "
            f"{row['why']}"
        )
    elif row["state"] == "acknowledged":
        text += f" Acknowledged by {row['by']}."
    return text


def about(row: Mapping[str, Any]) -> dict[str, Any]:
    """What a record says of the notice it speaks of."""
    return {
        "pot": row["pot"],
        "notice": row["notice_id"],
        "notice_kind": row["kind"],
        "cause": row["cause"],
        "began_at": f"{row['began_at'].isoformat()}Z",
    }


def addresses(channel: NoticeChannel) -> Sequence[tuple[str, str]]:
    """Names of a channel's addresses, with the addresses; what is logged is the name."""
    return [(f"{channel.name}/{number}", url) for number, url in enumerate(channel.urls(), 1)]


def troubles(sent: pl.DataFrame) -> list[tuple[str, int, dt.datetime, str]]:
    """What could not be sent: channel, messages that wait, when it is tried again, and why."""
    waiting = sent.filter(pl.col("sent_at").is_null() & (pl.col("trouble") != ""))
    found: Iterable[dict[str, Any]] = (
        waiting.group_by("channel", maintain_order=True)
        .agg(
            pl.len().alias("count"),
            pl.col("next_at").min(),
            pl.col("trouble").last(),
        )
        .iter_rows(named=True)
    )
    return [(row["channel"], row["count"], row["next_at"], row["trouble"]) for row in found]
