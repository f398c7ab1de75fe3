"""How ingest is doing: counts, each source's state, and a small file that the dashboard reads.

The file is ``ingest-health.json`` in the data folder, replaced whole about once a second:

- ``started_at``, ``written_at`` : str. UTC, ISO 8601. Older than ten seconds: ingest is not
  running.
- ``pid`` : int. Process number.
- ``running`` : bool. ``false`` after a clean stop.
- ``messages``, ``readings``, ``repeated``, ``quarantined`` : int. Since it was started: messages
  kept in the journal; readings stored, found again, and refused (in rows of quarantine).
- ``waiting_bytes`` : int. Journal that the store has not taken yet. [bytes]
- ``journal_bytes``, ``store_bytes``, ``free_bytes`` : int. Sizes, and the room left; looked at
  once a minute. [bytes]
- ``trouble`` : object. A sentence by part (source, ``journal``, ``store``, ``disk``) that is in
  trouble now.
- ``sources`` : object by source. ``state`` in words, ``messages`` since the start,
  ``last_message_at`` or null; of a broker ``refused`` (times it could not be used, by kind) and
  ``held_back_s`` (how long reading was held back for coming too fast). [s]
- ``pots`` : object by pot, since the start: ``messages``, ``last_message_at``, ``rate_hz``
  (messages a second lately), ``lost`` (by the box's counter), ``restarts``, ``late`` (more than ten
  seconds after their time); of a worker ``lost`` and ``restarts`` are 0, for others hear the
  rest; and over a broker ``unassured`` (quality of service 0), ``retained``,
  ``again`` (marked as a second delivery).
- ``presence`` : object by pot. ``said`` (the box's own word, such as ``online``) and ``at``.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from ingest.sources.inbox import WORKING_STATES, Source
from ingest.store.batch import Taken
from ingest.store.box_watch import BoxCount

HEALTH_NAME = "ingest-health.json"

# The file is a whole number of these. [bytes]
_HEALTH_BYTES = 16_384


class Health:
    """Counts since the start, for the status line, the log and the health file.

    Parameters
    ----------
    sources : sequence of Source
    """

    def __init__(self, sources: Sequence[Source]) -> None:
        self.started_at = dt.datetime.now(dt.UTC)
        self.waiting_bytes = 0
        self.running = True
        self.messages = 0
        self.readings = 0
        self.repeated = 0
        self.quarantined = 0
        #: Sizes of journal, store and room left, once they were looked at. [bytes]
        self.sizes: dict[str, int] = {}
        self._sources = sources
        self._by_source = {source.name: 0 for source in sources}
        self._last_us: dict[str, int] = {}
        self._trouble: dict[str, str] = {}
        self._boxes: dict[str, BoxCount] = {}
        self._counted_s: dict[str, float] = {}
        self._rates: dict[str, float] = {}
        self._lock = threading.Lock()

    def heard(self, source: str, messages: int, last_us: int) -> None:
        """Count messages of a source that the journal has kept."""
        with self._lock:
            self.messages += messages
            self._trouble.pop("journal", None)
            self._by_source[source] = self._by_source.get(source, 0) + messages
            self._trouble.pop(source, None)
            self._last_us[source] = last_us

    def stored(self, taken: Taken) -> None:
        """Count a batch that the store has."""
        with self._lock:
            self.readings += taken.readings
            self.repeated += taken.repeated
            self.quarantined += taken.quarantined
            self._trouble.pop("store", None)
            for pot, more in (taken.boxes or {}).items():
                self._note_box(pot, more, time.monotonic())

    def _of_pots(self) -> dict[str, dict[str, Any]]:
        pots: dict[str, dict[str, Any]] = {}
        for source in self._sources:
            for pot, heard in dict(getattr(source, "pots", {})).items():
                pots[pot] = {
                    "messages": heard.messages,
                    "last_message_at": _iso(heard.last_us or None),
                    "unassured": heard.unassured,
                    "retained": heard.retained,
                    "again": heard.again,
                }
        for pot, box in self._boxes.items():
            of_store = {"messages": box.messages, "last_message_at": _iso(box.last_us or None)}
            pots[pot] = {
                **of_store,
                "unassured": 0,
                "retained": 0,
                "again": 0,
                **pots.get(pot, {}),
                "rate_hz": round(self._rates.get(pot, 0.0), 2),
                "lost": box.lost,
                "restarts": box.restarts,
                "late": box.late,
            }
        return pots

    def _note_box(self, pot: str, more: BoxCount, now_s: float) -> None:
        had = self._boxes.get(pot)
        if had is not None:
            passed_s = max(now_s - self._counted_s[pot], 0.1)
            # A mean that forgets within about ten seconds.
            weight = min(1.0, passed_s / 10.0)
            rate = self._rates.get(pot, more.messages / passed_s)
            self._rates[pot] = rate + weight * (more.messages / passed_s - rate)
        self._counted_s[pot] = now_s
        before = had or BoxCount(0, 0, 0, 0, 0)
        self._boxes[pot] = BoxCount(
            before.messages + more.messages,
            before.lost + more.lost,
            before.restarts + more.restarts,
            before.late + more.late,
            max(before.last_us, more.last_us),
        )

    def trouble(self, who: str, what: str) -> None:
        """Note what is wrong with a part; it lasts until that part works again."""
        with self._lock:
            self._trouble[who] = what

    def well(self, who: str) -> None:
        """Take back what was wrong with a part."""
        with self._lock:
            self._trouble.pop(who, None)

    def counts(self) -> dict[str, int]:
        """The counts, for the log."""
        return {
            "messages": self.messages,
            "readings": self.readings,
            "repeated": self.repeated,
            "quarantined": self.quarantined,
            "waiting_bytes": self.waiting_bytes,
        }

    def facts(self) -> dict[str, Any]:
        """Everything, in the form of the health file."""
        with self._lock:
            working = {s.name for s in self._sources if s.state in WORKING_STATES}
            presence: dict[str, Any] = {}
            for source in self._sources:
                for pot, (said, at_us) in dict(getattr(source, "presence", {})).items():
                    presence[pot] = {"said": said, "at": _iso(at_us)}
            return {
                "started_at": self.started_at.isoformat(),
                "written_at": dt.datetime.now(dt.UTC).isoformat(),
                "pid": os.getpid(),
                "running": self.running,
                **self.counts(),
                **self.sizes,
                "trouble": {who: what for who, what in self._trouble.items() if who not in working},
                "sources": {
                    source.name: {
                        "state": source.state,
                        "messages": self._by_source[source.name],
                        "last_message_at": _iso(self._last_us.get(source.name)),
                        **_of_broker(source),
                    }
                    for source in self._sources
                },
                "pots": self._of_pots(),
                "presence": presence,
            }


def write_health(data: Path, health: Health) -> None:
    """Replace the health file, so that a reader never sees half of one.

    A full disk must not end ingest, and is what people most need to be told of: then the file is
    written over in place, which needs no room, for it is kept larger than what stands in it.
    """
    text = json.dumps(health.facts(), indent=1).encode()
    padded = text.ljust(-(-(len(text) + 1) // _HEALTH_BYTES) * _HEALTH_BYTES - 1) + b"\n"
    path = data / HEALTH_NAME
    fresh = path.with_name(f"{HEALTH_NAME}.new")
    try:
        fresh.write_bytes(padded)
        fresh.replace(path)
    except OSError:
        # Where this fails too, the file grows old, which readers take for an ingest in trouble.
        with suppress(OSError):
            fresh.unlink(missing_ok=True)
        with suppress(OSError), path.open("r+b") as file:
            if path.stat().st_size >= len(text):
                file.write(text.ljust(path.stat().st_size))


def read_health(data: Path) -> dict[str, Any] | None:
    """Read the health file; ``None`` where there is none."""
    try:
        facts: dict[str, Any] = json.loads((data / HEALTH_NAME).read_text())
    except FileNotFoundError:
        return None
    return facts


def _of_broker(source: Source) -> dict[str, Any]:
    """What only a source with a broker behind it knows."""
    if not hasattr(source, "refused"):
        return {}
    return {
        "refused": dict(source.refused),
        "held_back_s": round(float(getattr(source, "held_back_s", 0.0)), 1),
    }


def _iso(at_us: int | None) -> str | None:
    if at_us is None:
        return None
    return dt.datetime.fromtimestamp(at_us / 1e6, dt.UTC).isoformat()
