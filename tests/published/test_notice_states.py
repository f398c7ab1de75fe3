"""The lifecycle of notices against the alarm states of IEC 62682:2022 (ANSI/ISA-18.2-2016).

From memory of the standard's state diagram: A normal; B active, unacknowledged; C active,
acknowledged; D returned to normal, unacknowledged; G shelved (by a person, for a limited time).
Its transitions: A to B alarm; B to C acknowledge; B to D returns to normal; C to A returns to
normal; D to A acknowledge; D to B alarms again; B or C to G shelve; G to B the time is up while
active, G to A while normal. E and F (latched), H (suppressed by design) and I (out of service) are
not used here. The off-delay holds an alarm active while it comes and goes, so D to B within it is
one and the same alarm.
"""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from analytics.notices import ENTRY_SCHEMA, SPAN_SCHEMA, lifecycle, notices
from ingest.notice_kinds import NOTICE_KINDS

#: Our word for each of the standard's states.
OURS = {"A": "done", "B": "raised", "C": "acknowledged", "D": "cleared", "G": "put_off"}
BEGIN = dt.datetime(2026, 1, 5, 8)
KIND = "over_plate"
OFF_MIN = NOTICE_KINDS[KIND].off_s / 60.0
ENDS = 60.0


def at(minute: float) -> dt.datetime:
    return BEGIN + dt.timedelta(minutes=minute)


SPANS = pl.DataFrame(
    [("pot-1", KIND, "", at(10), at(ENDS), at(ENDS), None, "")], schema=SPAN_SCHEMA, orient="row"
)
NOTICE = notices(SPANS, at(11)).row(0, named=True)


def entry(kind: str, minute: float, until: float | None = None) -> dict[str, object]:
    return {
        "record_id": f"{minute:06.1f}", "kind": kind, "recorded_at": at(minute), "by": "x",
        "pot": "pot-1", "notice": NOTICE["notice_id"], "notice_kind": KIND, "cause": "",
        "began_at": NOTICE["began_at"], "until_at": None if until is None else at(until), "why": "",
    }  # fmt: skip


def state(minute: float, *entries: dict[str, object]) -> str:
    spans = SPANS.with_columns(
        to_at=pl.when(pl.col("to_at") <= at(minute)).then(pl.col("to_at")),
        last_at=pl.min_horizontal("last_at", pl.lit(at(minute))),
    )
    seen = [e for e in entries if e["recorded_at"] <= at(minute)]  # type: ignore[operator]
    frame = pl.DataFrame(seen, schema=ENTRY_SCHEMA, orient="row")
    found = lifecycle(notices(spans, at(minute)), frame, at(minute))
    return found["state"][0] if found.height else "done"


OVER = ENDS + OFF_MIN
ACK, ACK_LATE = entry("notice_seen", 20), entry("notice_seen", OVER + 30)
SHELVE, SHELVE_LONG = entry("notice_put_off", 20, 40), entry("notice_put_off", 20, OVER + 60)


@pytest.mark.parametrize(
    ("transition", "before", "after", "entries"),
    [
        ("A to B", 9.9, 11.0, ()),
        ("B to C", 19.9, 20.1, (ACK,)),
        ("B to D", OVER - 1, OVER + 1, ()),
        ("C to A", OVER - 1, OVER + 1, (ACK,)),
        ("D to A", OVER + 29, OVER + 31, (ACK_LATE,)),
        ("B to G", 19.9, 20.1, (SHELVE,)),
        ("C to G", 24.9, 25.1, (ACK, entry("notice_put_off", 25, 40))),
        ("G to B", 39.9, 40.1, (SHELVE,)),
        ("G to A", OVER - 1, OVER + 1, (SHELVE_LONG,)),
    ],
)
def test_transition(
    transition: str, before: float, after: float, entries: tuple[dict[str, object], ...]
) -> None:
    first, _, second = transition.partition(" to ")
    assert state(before, *entries) == OURS[first]
    assert state(after, *entries) == OURS[second]


def test_alarms_again_within_the_off_delay_is_one_and_later_is_another() -> None:
    def again(gap_min: float) -> int:
        later = SPANS.with_columns(
            pl.col("from_at", "to_at", "last_at") + dt.timedelta(minutes=ENDS - 10 + gap_min)
        )
        return notices(pl.concat([SPANS, later]), at(1000)).height

    assert again(OFF_MIN - 1) == 1
    assert again(OFF_MIN + 1) == 2
