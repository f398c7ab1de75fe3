"""Mistakes of wiring and set-up that show in what could not be read, and in how boxes publish."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ingest.access import refused_by_broker
from ingest.checks_signals import Suspicion
from ingest.wire import reasons

if TYPE_CHECKING:
    import duckdb

    from ingest.config import Yard
    from ingest.yard_sources import Mqtt

#: So many rows of quarantine are looked at, the latest. More than this is not printed at once.
_LATEST = 2_000
_MOST_LOG_BYTES = 8 << 20
#: Text has few bytes that are not printable; a wrong speed gives many.
_NOISE = 0.25


class _Row(NamedTuple):
    source: str
    topic: str
    reason: str
    detail: str
    payload: bytes


def in_quarantine(con: duckdb.DuckDBPyConnection, yard: Yard) -> Iterator[Suspicion]:
    """What the latest rows of quarantine look like.

    Parameters
    ----------
    con : DuckDBPyConnection
        An open window.
    yard : Yard
    """
    rows = [
        _Row(source, topic, reason, detail, bytes(payload))
        for source, topic, reason, detail, payload in con.execute(
            "SELECT source, topic, reason, detail, payload FROM quarantine "
            "WHERE retried_at IS NULL ORDER BY quarantine_id DESC LIMIT $latest",
            {"latest": _LATEST},
        ).fetchall()
    ]
    by_reason: dict[str, list[_Row]] = {}
    for row in rows:
        by_reason.setdefault(row.reason, []).append(row)
    yield from _pots(by_reason.get(reasons.POT_UNKNOWN, []), yard)
    yield from _lines(rows)
    if units := by_reason.get(reasons.UNIT_WRONG):
        yield Suspicion(
            f"{len(units):,} messages have a unit that is not taken ({units[0].detail}).",
            "Let the box send Pa, hPa or mA; 1 psi is 6894.757 Pa.",
        )
    if strangers := by_reason.get(reasons.POT_OF_OTHER_TOPIC):
        topics = ", ".join(sorted({row.topic for row in strangers})[:3])
        yield Suspicion(
            f"{len(strangers):,} messages name another pot than their topic ({topics}).",
            "Set topic and base name of that box to the same pot.",
        )
    if unset := by_reason.get(reasons.TIME_LONG_AGO, []) + by_reason.get(
        reasons.TIME_OUT_OF_RANGE, []
    ):
        yield Suspicion(
            f"{len(unset):,} messages are of a clock that was never set ({unset[0].detail}).",
            "Set the box's clock at its start, or let it send times relative to now.",
        )


def _pots(rows: list[_Row], yard: Yard) -> Iterator[Suspicion]:
    """Pots that nearly are one of the yard's."""
    names = Counter(row.detail.partition(":")[0] for row in rows)
    for name, count in names.most_common(5):
        close = difflib.get_close_matches(name.lower(), yard.pot_names, n=1, cutoff=0.5)
        meant = f"; the yard file has {close[0]}" if close else ""
        yield Suspicion(
            f'{count:,} messages are of "{name}", which is no pot of the yard file{meant}.',
            "Mend the name in the box or the yard file, then `gritbook quarantine --retry`.",
        )


def _lines(rows: list[_Row]) -> Iterator[Suspicion]:
    """Serial lines at the wrong speed, or without the trailer that is asked for."""
    lines = sorted({row.source for row in rows if row.source.startswith("serial:")})
    for line in lines:
        of_line = [row for row in rows if row.source == line]
        noise = [row for row in of_line if _noisy(row.payload)]
        bare = [
            row
            for row in of_line
            if row.reason == reasons.CRC_MISSING and row.payload.strip().endswith(b"]")
        ]
        wrong = [row for row in of_line if row.reason == reasons.CRC_WRONG]
        if len(noise) > max(5, len(of_line) // 2):
            yield Suspicion(
                f"Most of what comes on {line.removeprefix('serial:')} is noise "
                f"({len(noise):,} of {len(of_line):,} refused lines).",
                "Set serial.baud to the box's speed; look at the wires' order and at the ground.",
            )
        elif len(bare) > max(5, len(of_line) // 2):
            yield Suspicion(
                f"{len(bare):,} lines on {line.removeprefix('serial:')} lack the CRC-32 trailer.",
                'Let the box send it, or write crc = "optional" for that line.',
            )
        elif len(wrong) > 5:
            yield Suspicion(
                f"{len(wrong):,} lines on {line.removeprefix('serial:')} were damaged on the way.",
                "Look at the cable: shield, length, and a shared ground; send slower.",
            )


def _noisy(payload: bytes) -> bool:
    if not payload:
        return False
    printable = sum(32 <= byte < 127 for byte in payload)
    return printable < (1.0 - _NOISE) * len(payload)


def in_health(health: Mapping[str, Any]) -> Iterator[Suspicion]:
    """What the running ingest sees of how boxes publish.

    Parameters
    ----------
    health : mapping
        The health file's facts.
    """
    for pot, heard in dict(health.get("pots") or {}).items():
        if heard.get("unassured"):
            yield Suspicion(
                f"{pot} publishes with quality of service 0 ({heard['unassured']:,} messages): "
                "what is lost on the way nobody sends again.",
                "Let the box publish with quality of service 1.",
            )
        if heard.get("retained"):
            yield Suspicion(
                f"{pot} publishes its readings as retained ({heard['retained']:,} messages): the "
                "broker hands the last one out again to whoever connects.",
                "Let the box retain its presence only, never readings.",
            )
    for name, source in dict(health.get("sources") or {}).items():
        if source.get("held_back_s", 0) > 60:
            yield Suspicion(
                f"{name} brought more than limits.messages_per_s allows, and was read slower for "
                f"{source['held_back_s']:,.0f} s.",
                "Look which box sends so much (`gritbook boxes`), or raise the limit.",
            )


def in_broker_log(path: Path) -> Iterator[Suspicion]:
    """What the broker refused, from its log.

    Parameters
    ----------
    path : Path
        The log; only its end is read.
    """
    try:
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(max(0, size - _MOST_LOG_BYTES))
            lines = file.read().decode(errors="replace").splitlines()
    except OSError as error:
        yield Suspicion(
            f"The broker's log {path} cannot be read: {error.strerror}.",
            "Give the user that runs Gritbook the right to, or leave mqtt.broker_log out.",
        )
        return
    by_kind: dict[str, Counter[str]] = {}
    for (kind, who), count in refused_by_broker(lines).items():
        by_kind.setdefault(kind, Counter())[who] += count
    words = {
        "certificate": ("connections without an accepted certificate", "Give that box one."),
        "password": ("connections with a wrong name or password", "Set it in that box."),
        "foreign topic": (
            "messages to a topic that is not the sender's own", "Set that box's topic to its pot."
        ),
        "dropped": (
            "warnings that messages are dropped",
            "In mosquitto's configuration write `max_queued_messages 0`.",
        ),
    }  # fmt: skip
    for kind, clients in by_kind.items():
        named = ", ".join(name for name, _ in clients.most_common(3) if name)
        what, step = words[kind]
        of_whom = f" ({named})" if named else ""
        yield Suspicion(f"The broker told of {clients.total():,} {what}{of_whom}.", step)


def of_connection(mqtt: Mqtt) -> Iterator[Suspicion]:
    """What the way to the broker lacks."""
    away = mqtt.host not in ("localhost", "127.0.0.1", "::1")
    if away and mqtt.tls is None:
        what = "The password goes" if mqtt.username else "Readings go"
        yield Suspicion(
            f"{what} to {mqtt.host} in the clear, and whoever answers there is believed.",
            "Let the broker speak TLS, and add a [mqtt.tls] table.",
        )
